//! A bucket of an S3-compatible store, asked from threads that may wait, and never without an end.

use std::io::{self, Write};
use std::sync::Arc;
use std::sync::atomic::Ordering;
use std::sync::mpsc::sync_channel;
use std::time::{Duration, Instant};

use bytes::Bytes;
use futures_util::StreamExt as _;
use object_store::aws::{AmazonS3, AmazonS3Builder, Checksum as Algorithm};
use object_store::multipart::{MultipartStore as _, PartId};
use object_store::path::Path as Key;
use object_store::{
    Attribute, AttributeValue, Attributes, BackoffConfig, Error, ObjectMeta, ObjectStore as _,
    ObjectStoreExt as _, PutMode, PutMultipartOptions, PutOptions, PutPayload, Result, RetryConfig,
};
use tokio::runtime::{Builder, Runtime};

use super::wire::{Tally, Trust, Wire};
use super::{NO_BUCKET, Operation, PlaceError, Put};
use crate::archive::checksum::{Checksum, Fingerprint, Fingerprinting};
use crate::archive::disk::{DiskFile, read_exact_at};
use crate::config::Store;
use crate::telemetry::StoreEvents;
use crate::units::CaptureTime;

/// What is handed to the wire at a time: between two of these a silence is measured.
const PIECE_BYTES: usize = 64 << 10;
/// A part of an upload, and what is read of an object at a time.
const PART_BYTES: usize = 16 << 20;
/// Metadata of an object: its SHA-256, so that whoever fetches it can tell whether it is whole.
const SHA256: &str = "sha256";
/// How often a request is sent again before its caller is told.
const TRIES: usize = 3;
/// An answer is waited for a little longer than the request itself may take.
const GRACE: Duration = Duration::from_secs(2);
/// What is sent may take as much longer as it would at this rate: whatever goes on is not cut off.
const SLOW_BYTES_PER_SECOND: u64 = 32 << 10;
/// Parts of S3 are numbered up to here.
const PARTS_MAX: u64 = 10_000;

/// What is known of an object.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct Known {
    pub(super) bytes: u64,
    pub(super) changed: CaptureTime,
}

/// What lies below a prefix: names of folders and of objects.
#[derive(Debug, Default)]
pub(super) struct Listed {
    pub(super) folders: Vec<String>,
    pub(super) objects: Vec<(String, Known)>,
}

/// A bucket, or what lies below a prefix of it.
#[derive(Debug)]
pub(super) struct Bucket {
    store: Arc<AmazonS3>,
    options: Store,
    tally: Arc<Tally>,
    events: StoreEvents,
    /// None once it is dropped.
    runtime: Option<Runtime>,
}

impl Drop for Bucket {
    fn drop(&mut self) {
        // What still hangs is not waited for.
        if let Some(runtime) = self.runtime.take() {
            runtime.shutdown_background();
        }
    }
}

impl Bucket {
    /// Asks nothing of the store yet.
    ///
    /// # Errors
    /// When the secret key or certificates can't be read.
    pub(super) fn open(
        options: Store,
        bytes_per_second: u64,
        events: StoreEvents,
    ) -> std::result::Result<Self, PlaceError> {
        let secret = options.credentials.read()?;
        let tally = Arc::new(Tally::new(bytes_per_second));
        let with_tls = options.endpoint.starts_with("https:");
        let trust = match &options.ca_file {
            _ if !with_tls => Trust::Nobody,
            Some(file) => Trust::File(file),
            None => Trust::System,
        };
        let wire = Wire::new(options.connect, options.silence, trust, Arc::clone(&tally));
        let wire = wire.map_err(PlaceError::Certificates)?;
        let retry = RetryConfig {
            // Each pause is drawn at random between the first and twice the one before.
            backoff: BackoffConfig {
                init_backoff: Duration::from_millis(200),
                max_backoff: Duration::from_secs(5),
                base: 2.0,
            },
            max_retries: TRIES,
            retry_timeout: options.request,
        };
        let store = AmazonS3Builder::new()
            .with_http_connector(wire)
            .with_endpoint(&options.endpoint)
            .with_allow_http(!with_tls)
            .with_virtual_hosted_style_request(!options.path_style)
            .with_region(&options.region)
            .with_bucket_name(&options.bucket)
            .with_access_key_id(&options.credentials.username)
            .with_secret_access_key(secret.expose())
            .with_checksum_algorithm(Algorithm::SHA256)
            .with_retry(retry)
            .build()
            .map_err(|error| PlaceError::Store(words(&error)))?;
        let runtime = Builder::new_multi_thread()
            .worker_threads(2)
            .thread_name("archive-store")
            .enable_all()
            .build()
            .map_err(PlaceError::Thread)?;
        Ok(Self {
            store: Arc::new(store),
            options,
            tally,
            events,
            runtime: Some(runtime),
        })
    }

    /// When something last went over the wire.
    pub(super) fn heard(&self) -> Instant {
        self.tally.heard()
    }

    /// The key of what lies at a path below the archive.
    fn key(&self, object: &str) -> io::Result<Key> {
        let key = match (self.options.prefix.as_str(), object) {
            ("", object) => object.to_owned(),
            (prefix, "") => prefix.to_owned(),
            (prefix, object) => format!("{prefix}/{object}"),
        };
        Key::parse(key).map_err(|error| io::Error::new(io::ErrorKind::InvalidInput, error))
    }

    /// Does something of the store; waits for it as long as a request may take.
    fn ask<T: Send + 'static>(
        &self,
        operation: Operation,
        work: impl Future<Output = Result<T>> + Send + 'static,
    ) -> io::Result<T> {
        self.ask_long(operation, 0, work)
    }

    /// As [`ask`](Self::ask), with so many bytes to be moved for it.
    fn ask_long<T: Send + 'static>(
        &self,
        operation: Operation,
        bytes: u64,
        work: impl Future<Output = Result<T>> + Send + 'static,
    ) -> io::Result<T> {
        let begun = Instant::now();
        let slow = match self.tally.bytes_per_second {
            0 => SLOW_BYTES_PER_SECOND,
            most => (most / 2).clamp(1, SLOW_BYTES_PER_SECOND),
        };
        let patience = self.options.request + Duration::from_secs(bytes / slow);
        let (sender, receiver) = sync_channel(1);
        let asked = match &self.runtime {
            Some(runtime) => runtime.spawn(async move {
                let answer = tokio::time::timeout(patience, work).await;
                sender.send(answer).ok();
            }),
            None => return Err(io::ErrorKind::BrokenPipe.into()),
        };
        let answer = match receiver.recv_timeout(patience + GRACE) {
            Ok(Ok(answer)) => answer.map_err(|error| told(operation, &error)),
            Ok(Err(_)) | Err(_) => {
                asked.abort();
                let seconds = patience.as_secs_f32();
                let text = format!("the store has not answered within {seconds} s");
                Err(io::Error::new(io::ErrorKind::TimedOut, text))
            }
        };
        let outcome = answer.as_ref().map(drop).map_err(io::Error::kind);
        self.events.asked(operation, outcome, begun.elapsed());
        let (sent, received) = (&self.tally.sent_bytes, &self.tally.received_bytes);
        self.events.moved(
            sent.swap(0, Ordering::Relaxed),
            received.swap(0, Ordering::Relaxed),
        );
        answer
    }

    /// What is known of an object; [`io::ErrorKind::NotFound`] where there is none.
    pub(super) fn look_up(&self, object: &str) -> io::Result<Known> {
        let (store, key) = (Arc::clone(&self.store), self.key(object)?);
        let found = self.ask(Operation::LookUp, async move { store.head(&key).await })?;
        Ok(known(&found))
    }

    /// What lies in a folder, which may be none.
    pub(super) fn list(&self, folder: &str) -> io::Result<Listed> {
        let (store, key) = (Arc::clone(&self.store), self.key(folder)?);
        let found = self.ask(Operation::List, async move {
            store.list_with_delimiter(Some(&key)).await
        })?;
        let name = |key: &Key| key.filename().map(ToOwned::to_owned);
        let object = |meta: &ObjectMeta| Some((name(&meta.location)?, known(meta)));
        Ok(Listed {
            folders: found.common_prefixes.iter().filter_map(name).collect(),
            objects: found.objects.iter().filter_map(object).collect(),
        })
    }

    /// Reads a range of an object.
    pub(super) fn read(&self, object: &str, range: std::ops::Range<u64>) -> io::Result<Bytes> {
        let (store, key) = (Arc::clone(&self.store), self.key(object)?);
        let wanted = range.end.saturating_sub(range.start);
        let bytes = self.ask(Operation::Read, async move {
            store.get_range(&key, range).await
        })?;
        match bytes.len() as u64 == wanted {
            true => Ok(bytes),
            false => Err(io::ErrorKind::UnexpectedEof.into()),
        }
    }

    /// Fetches a whole object, and holds it against the SHA-256 that was given to it.
    pub(super) fn fetch(
        &self,
        object: &str,
        to: impl Write + Send + 'static,
    ) -> io::Result<Fingerprint> {
        let (taken, given) = self.fetch_as_is(object, to)?;
        match given {
            Some(given) if given != taken.sha256 => {
                self.events.damaged();
                let text = format!("SHA-256 {} came, and {given} was stored", taken.sha256);
                Err(io::Error::new(io::ErrorKind::InvalidData, text))
            }
            _ => Ok(taken),
        }
    }

    /// Fetches a whole object, whatever it is; and the SHA-256 that was given to it, if any.
    pub(super) fn fetch_as_is(
        &self,
        object: &str,
        mut to: impl Write + Send + 'static,
    ) -> io::Result<(Fingerprint, Option<Checksum>)> {
        let (store, key) = (Arc::clone(&self.store), self.key(object)?);
        self.ask(Operation::Read, async move {
            let got = store.get(&key).await?;
            let sum = got.attributes.get(&Attribute::Metadata(SHA256.into()));
            let sum = sum.and_then(|sum| sum.as_ref().parse::<Checksum>().ok());
            let bytes = got.meta.size;
            let mut pieces = got.into_stream();
            let mut taken = Fingerprinting::default();
            while let Some(piece) = pieces.next().await {
                let piece = piece?;
                taken.update(&piece);
                if let Err(error) = to.write_all(&piece) {
                    return Ok(Err(error));
                }
            }
            let taken = taken.finish();
            Ok(match taken.bytes == bytes {
                true => Ok((taken, sum)),
                false => Err(io::ErrorKind::UnexpectedEof.into()),
            })
        })?
    }

    /// The SHA-256 of what the store has. What was damaged on its way is read once more.
    pub(super) fn fingerprint(&self, object: &str) -> io::Result<Fingerprint> {
        match self.fetch(object, io::sink()) {
            Err(error) if error.kind() == io::ErrorKind::InvalidData => {
                self.fetch(object, io::sink())
            }
            result => result,
        }
    }

    /// Puts a file under a name that must be free. With [`Put::Done`] the store has it whole.
    pub(super) fn put(
        &self,
        file: &dyn DiskFile,
        taken: Fingerprint,
        object: &str,
    ) -> io::Result<Put> {
        let unconfirmed = || self.tally.unconfirmed.load(Ordering::Relaxed);
        let before = unconfirmed();
        let in_parts = taken.bytes > self.options.multipart_over.bytes();
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
        let (store, key) = (Arc::clone(&self.store), self.key(object)?);
        let mut sum = Fingerprinting::default();
        let payload = payload(file, 0, taken.bytes, &mut sum)?;
        same(sum.finish(), taken)?;
        let options = PutOptions {
            mode: PutMode::Create,
            attributes: attributes(taken),
            ..PutOptions::default()
        };
        self.ask_long(Operation::Put, taken.bytes, async move {
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
        let (store, key) = (Arc::clone(&self.store), self.key(object)?);
        let options = PutMultipartOptions {
            attributes: attributes(taken),
            ..PutMultipartOptions::default()
        };
        let id = self.ask(Operation::Put, {
            let (store, key) = (Arc::clone(&store), key.clone());
            async move { store.create_multipart_opts(&key, options).await }
        })?;
        let put = self.put_parts(file, taken, &key, &id);
        if !matches!(put, Ok(Put::Done)) {
            // As well as it goes: the store lets go of what is left by the rules of its owner.
            let id = id.clone();
            self.ask(Operation::Remove, async move {
                store.abort_multipart(&key, &id).await
            })
            .ok();
        }
        put
    }

    fn put_parts(
        &self,
        file: &dyn DiskFile,
        taken: Fingerprint,
        key: &Key,
        id: &str,
    ) -> io::Result<Put> {
        let part_bytes = (PART_BYTES as u64).max(taken.bytes.div_ceil(PARTS_MAX));
        let mut sum = Fingerprinting::default();
        let mut parts: Vec<PartId> = Vec::new();
        let mut offset = 0;
        while offset < taken.bytes {
            let bytes = part_bytes.min(taken.bytes - offset);
            let payload = payload(file, offset, bytes, &mut sum)?;
            let (store, key, id, number) = (
                Arc::clone(&self.store),
                key.clone(),
                id.to_owned(),
                parts.len(),
            );
            parts.push(self.ask_long(Operation::Put, bytes, async move {
                store.put_part(&key, &id, number, payload).await
            })?);
            offset += bytes;
        }
        same(sum.finish(), taken)?;
        let (store, key, id) = (Arc::clone(&self.store), key.clone(), id.to_owned());
        self.ask(Operation::Put, async move {
            // Conditional by the wire.
            match store.complete_multipart(&key, &id, parts).await {
                Err(error) if is_taken(&error) => Ok(Put::Taken),
                result => result.map(|_| Put::Done),
            }
        })
    }

    /// Takes an object away; one that is not there is no error.
    pub(super) fn remove(&self, object: &str) -> io::Result<()> {
        let (store, key) = (Arc::clone(&self.store), self.key(object)?);
        self.ask(Operation::Remove, async move { store.delete(&key).await })
    }
}

fn known(meta: &ObjectMeta) -> Known {
    let nanos = meta.last_modified.timestamp_nanos_opt().unwrap_or_default();
    Known {
        bytes: meta.size,
        changed: CaptureTime::from_unix_nanos(nanos),
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

/// The end of an upload in parts was refused since its name is taken.
fn is_taken(error: &Error) -> bool {
    matches!(
        error,
        Error::AlreadyExists { .. } | Error::Precondition { .. } | Error::NotModified { .. }
    ) || code(error).as_deref() == Some("PreconditionFailed")
}

/// What went wrong, for whoever reads the log. Neither keys nor signatures are in it.
fn told(operation: Operation, error: &Error) -> io::Error {
    use io::ErrorKind as Kind;
    let code = code(error);
    let bucket_missing = code.as_deref() == Some("NoSuchBucket");
    let (kind, text) = match error {
        _ if bucket_missing => (NO_BUCKET, "the store has no such bucket".to_owned()),
        Error::NotFound { .. } if operation.needs_bucket_alone() => {
            (NO_BUCKET, "the store has no such bucket".to_owned())
        }
        Error::NotFound { .. } => (Kind::NotFound, "it is not in the store".to_owned()),
        Error::AlreadyExists { .. } => (Kind::AlreadyExists, "something else is there".to_owned()),
        // Of a list the library says no more than the status.
        error if is_refusal(error) => {
            let why = code.unwrap_or_else(|| "no reason given".to_owned());
            let text = format!("the store refuses the access key ({why})");
            (Kind::PermissionDenied, text)
        }
        error => (kind(error), words(error)),
    };
    io::Error::new(kind, text)
}

fn is_refusal(error: &Error) -> bool {
    let refused = matches!(
        error,
        Error::PermissionDenied { .. } | Error::Unauthenticated { .. }
    );
    refused || matches!(status(error), Some(401 | 403))
}

/// Of what kind a failure is that has no name of its own.
fn kind(error: &Error) -> io::ErrorKind {
    let mut source: Option<&(dyn std::error::Error + 'static)> = Some(error);
    while let Some(error) = source {
        if let Some(error) = error.downcast_ref::<io::Error>() {
            return error.kind();
        }
        if let Some(error) = error.downcast_ref::<object_store::client::HttpError>() {
            use object_store::client::HttpErrorKind as Http;
            match error.kind() {
                Http::Connect => return io::ErrorKind::NotConnected,
                Http::Timeout => return io::ErrorKind::TimedOut,
                Http::Interrupted | Http::Request => return io::ErrorKind::ConnectionReset,
                _ => {}
            }
        }
        source = error.source();
    }
    match status(error) {
        Some(429 | 500..=599) => io::ErrorKind::ResourceBusy,
        Some(400) => io::ErrorKind::InvalidData,
        _ => io::ErrorKind::Other,
    }
}

/// The error code in the answer of a store: `<Code>SlowDown</Code>`.
fn code(error: &Error) -> Option<String> {
    let text = chain(error);
    let (_, rest) = text.split_once("<Code>")?;
    let (code, _) = rest.split_once("</Code>")?;
    let plain = code.len() <= 64 && code.bytes().all(|c| c.is_ascii_alphanumeric());
    plain.then(|| code.to_owned())
}

/// The status of the answer, which the library has in words alone.
fn status(error: &Error) -> Option<u16> {
    let text = chain(error);
    let (_, rest) = text.split_once("status code: ")?;
    rest.get(..3)?.parse().ok()
}

fn chain(error: &Error) -> String {
    let mut text = error.to_string();
    let mut source = std::error::Error::source(error);
    while let Some(error) = source {
        text = format!("{text}: {error}");
        source = error.source();
    }
    text
}

/// An error in few words: what the store answers is a page of XML, with the request's keys in it.
fn words(error: &Error) -> String {
    if let Some(code) = code(error) {
        let status = status(error).map(|status| format!(" (status {status})"));
        return format!("the store answers {code}{}", status.unwrap_or_default());
    }
    if let Some(status) = status(error) {
        return format!("the store answers with status {status}");
    }
    let mut last: &(dyn std::error::Error + 'static) = error;
    while let Some(source) = last.source() {
        last = source;
    }
    let text: String = last.to_string().chars().take(200).collect();
    format!("the store can't be used: {text}")
}
