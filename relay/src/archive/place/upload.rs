//! How objects come into a bucket: whole, under names that must be free, a bounded piece at a time.

use std::io;
use std::sync::Arc;
use std::sync::atomic::Ordering;

use bytes::Bytes;
use object_store::multipart::{MultipartStore as _, PartId};
use object_store::path::Path as Key;
use object_store::{
    Attribute, AttributeValue, Attributes, Error, ObjectStore as _, PutMode, PutMultipartOptions,
    PutOptions, PutPayload,
};

use super::bucket::{Bucket, SHA256};
use super::errors::{is_ended, is_taken, told};
use super::{Operation, Put};
use crate::archive::checksum::{Fingerprint, Fingerprinting};
use crate::archive::disk::{DiskFile, read_exact_at};
use crate::archive::mark::MARK;
use crate::config::UPLOAD_BYTES_MAX;

/// What is handed to the wire at a time: between two of these a silence is measured.
const PIECE_BYTES: usize = 64 << 10;
/// A part of an upload, unless there would be too many. It is in memory while it is sent.
const PART_BYTES: u64 = 16 << 20;
/// Parts of S3 are numbered up to here.
const PARTS_MAX: u64 = 10_000;

impl Bucket {
    /// Puts a file under a name that must be free. With [`Put::Done`] the store has it whole.
    pub(super) fn put(
        &self,
        file: &dyn DiskFile,
        taken: Fingerprint,
        object: &str,
    ) -> io::Result<Put> {
        let in_parts = taken.bytes > self.options.multipart_over.bytes();
        self.check_names(in_parts)?;
        let unconfirmed = || self.tally.unconfirmed.load(Ordering::Relaxed);
        let before = unconfirmed();
        let put = match in_parts {
            true => self.put_in_parts(file, taken, object)?,
            false => self.put_whole(file, taken, object)?,
        };
        if put == Put::Taken || !self.options.read_back && unconfirmed() == before {
            return Ok(put);
        }
        let there = self.fingerprint(object);
        if there.as_ref().is_ok_and(|there| *there == taken) {
            return Ok(put);
        }
        let wrong = match there {
            Err(error) if error.kind() != io::ErrorKind::InvalidData => return Err(error),
            Err(error) => error.to_string(),
            Ok(there) => format!("{} bytes with SHA-256 {}", there.bytes, there.sha256),
        };
        // Nobody has read it, and it was made by this call: a wrong copy must not keep the name.
        self.remove(object)?;
        self.events.damaged();
        Err(io::Error::new(
            io::ErrorKind::InvalidData,
            format!(
                "{} bytes with SHA-256 {} were sent, but read back it is {wrong}; it was removed again",
                taken.bytes, taken.sha256
            ),
        ))
    }

    fn put_whole(&self, file: &dyn DiskFile, taken: Fingerprint, object: &str) -> io::Result<Put> {
        let key = self.key(object)?;
        let mut sum = Fingerprinting::default();
        let payload = payload(file, 0, taken.bytes, &mut sum)?;
        same(sum.finish(), taken)?;
        self.put_payload(key, payload, attributes(taken))
    }

    fn put_payload(
        &self,
        key: Key,
        payload: PutPayload,
        attributes: Attributes,
    ) -> io::Result<Put> {
        let store = Arc::clone(&self.store);
        let options = PutOptions {
            mode: PutMode::Create,
            attributes,
            ..PutOptions::default()
        };
        self.ask(Operation::Put, async move {
            match store.put_opts(&key, payload, options).await {
                Err(Error::AlreadyExists { .. }) => Ok(Put::Taken),
                result => result.map(|_| Put::Done),
            }
        })
    }

    fn put_in_parts(
        &self,
        file: &dyn DiskFile,
        taken: Fingerprint,
        object: &str,
    ) -> io::Result<Put> {
        let part_bytes = part_bytes(taken.bytes)?;
        self.in_parts(object, attributes(taken), |key, id| {
            let mut sum = Fingerprinting::default();
            let mut parts: Vec<PartId> = Vec::new();
            let mut offset = 0;
            while offset < taken.bytes {
                let bytes = part_bytes.min(taken.bytes - offset);
                let payload = payload(file, offset, bytes, &mut sum)?;
                parts.push(self.put_part(key, id, parts.len(), payload)?);
                offset += bytes;
            }
            same(sum.finish(), taken)?;
            Ok(parts)
        })
    }

    /// Makes an object of what is sent meanwhile.
    fn in_parts(
        &self,
        object: &str,
        attributes: Attributes,
        send: impl FnOnce(&Key, &str) -> io::Result<Vec<PartId>>,
    ) -> io::Result<Put> {
        let key = self.key(object)?;
        let options = PutMultipartOptions {
            attributes,
            ..PutMultipartOptions::default()
        };
        let id = self.ask(Operation::Put, {
            let (store, key) = (Arc::clone(&self.store), key.clone());
            async move { store.create_multipart_opts(&key, options).await }
        })?;
        let put = send(&key, &id).and_then(|parts| self.end_parts(object, &key, &id, parts));
        if !matches!(put, Ok(Put::Done)) {
            // As well as it goes: the store lets go of what is left by the rules of its owner.
            let store = Arc::clone(&self.store);
            self.ask(Operation::Remove, async move {
                store.abort_multipart(&key, &id).await
            })
            .ok();
        }
        put
    }

    fn put_part(
        &self,
        key: &Key,
        id: &str,
        number: usize,
        payload: PutPayload,
    ) -> io::Result<PartId> {
        let (store, key, id) = (Arc::clone(&self.store), key.clone(), id.to_owned());
        self.ask(Operation::Put, async move {
            store.put_part(&key, &id, number, payload).await
        })
    }

    fn end_parts(&self, object: &str, key: &Key, id: &str, parts: Vec<PartId>) -> io::Result<Put> {
        let (store, key, id) = (Arc::clone(&self.store), key.clone(), id.to_owned());
        let ended = self.ask(Operation::Put, async move {
            // Conditional by the wire.
            match store.complete_multipart(&key, &id, parts).await {
                Err(error) if is_taken(&error) => Ok(Ok(Put::Taken)),
                Err(error) if is_ended(&error) => Ok(Err(error)),
                result => result.map(|_| Ok(Put::Done)),
            }
        })?;
        ended.or_else(|error| match self.look_up(object) {
            // An earlier try has ended it, and its answer was lost.
            Ok(_) => Ok(Put::Taken),
            Err(lost) if lost.kind() == io::ErrorKind::NotFound => {
                Err(told(Operation::Put, &error))
            }
            Err(error) => Err(error),
        })
    }

    /// Whether the store refuses a name that is taken, with `If-None-Match`: two relays would overwrite
    /// each other's footage in one that does not. Asked once of each process, with an object that
    /// nobody reads.
    fn check_names(&self, in_parts: bool) -> io::Result<()> {
        let [whole, parts] = &self.keeps_names;
        if !whole.load(Ordering::Acquire) {
            // It may be there, then the first is refused.
            if self.put_mark()? == Put::Done && self.put_mark()? == Put::Done {
                return Err(overwrites(""));
            }
            whole.store(true, Ordering::Release);
        }
        if in_parts && !parts.load(Ordering::Acquire) {
            let (text, attributes) = mark();
            let put = self.in_parts(MARK, attributes, |key, id| {
                Ok(vec![self.put_part(key, id, 0, text)?])
            })?;
            if put == Put::Done {
                return Err(overwrites(" at the end of an upload in parts"));
            }
            parts.store(true, Ordering::Release);
        }
        Ok(())
    }

    fn put_mark(&self) -> io::Result<Put> {
        let (text, attributes) = mark();
        self.put_payload(self.key(MARK)?, text, attributes)
    }
}

/// A mark is never like another: what has the same content would pass for the same object.
fn mark() -> (PutPayload, Attributes) {
    let text = format!("{:016x}\n", fastrand::u64(..));
    let mut sum = Fingerprinting::default();
    sum.update(text.as_bytes());
    (
        PutPayload::from(text.into_bytes()),
        attributes(sum.finish()),
    )
}

fn overwrites(when: &str) -> io::Error {
    let words = format!(
        "the store overwrites what has a name already: it ignores If-None-Match{when}. Two relays could \
         overwrite each other's footage, so nothing is put there; have the store updated, or use \
         another one"
    );
    io::Error::new(io::ErrorKind::Unsupported, words)
}

/// How large the parts of an upload are.
fn part_bytes(bytes: u64) -> io::Result<u64> {
    let least = PART_BYTES.max(bytes.div_ceil(PARTS_MAX));
    match least <= UPLOAD_BYTES_MAX.bytes() {
        true => Ok(least),
        false => Err(io::Error::new(
            io::ErrorKind::FileTooLarge,
            format!("{bytes} bytes are more than a store takes in {PARTS_MAX} parts"),
        )),
    }
}

fn attributes(taken: Fingerprint) -> Attributes {
    let sum = (
        Attribute::Metadata(SHA256.into()),
        AttributeValue::from(taken.sha256.to_string()),
    );
    Attributes::from_iter([sum])
}

/// A range of a file, in pieces.
fn payload(
    file: &dyn DiskFile,
    offset: u64,
    bytes: u64,
    sum: &mut Fingerprinting,
) -> io::Result<PutPayload> {
    let mut pieces: Vec<Bytes> = Vec::new();
    let end = offset + bytes;
    let mut at = offset;
    while at < end {
        let length = usize::try_from(end - at).map_or(PIECE_BYTES, |left| left.min(PIECE_BYTES));
        let mut piece = vec![0; length];
        read_exact_at(file, at, &mut piece)?;
        sum.update(&piece);
        pieces.push(piece.into());
        at += length as u64;
    }
    Ok(PutPayload::from_iter(pieces))
}

/// A file must not change while it is sent.
fn same(sent: Fingerprint, taken: Fingerprint) -> io::Result<()> {
    match sent == taken {
        true => Ok(()),
        false => Err(io::Error::new(
            io::ErrorKind::InvalidData,
            "the file in the spool reads differently each time; its disk or the memory fails",
        )),
    }
}
