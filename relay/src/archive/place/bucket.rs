//! A bucket of an S3-compatible store, asked from threads that may wait, and never without an end.

use std::io::{self, Write};
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, AtomicU64, Ordering};
use std::sync::mpsc::{RecvTimeoutError, sync_channel};
use std::time::{Duration, Instant};

use bytes::Bytes;
use futures_util::StreamExt as _;
use object_store::aws::{AmazonS3, AmazonS3Builder, Checksum as Algorithm};
use object_store::path::Path as Key;
use object_store::{
    Attribute, BackoffConfig, ObjectMeta, ObjectStore as _, ObjectStoreExt as _, Result,
    RetryConfig,
};
use tokio::runtime::{Builder, Runtime};

use super::errors::{told, words};
use super::wire::{MOVED, Tally, Trust, Wire};
use super::{Operation, PlaceError};
use crate::archive::checksum::{Checksum, Fingerprint, Fingerprinting};
use crate::config::Store;
use crate::telemetry::StoreEvents;
use crate::units::CaptureTime;

/// Metadata of an object: its SHA-256, so that whoever fetches it can tell whether it is whole.
pub(super) const SHA256: &str = "sha256";
/// How often a request is sent again before its caller is told.
const TRIES: usize = 3;
/// A request may take as much longer as what has gone over the wire for it would take at this rate:
/// what goes on is not cut off, be it slow, and what drips comes to an end.
const LEAST_BYTES_PER_SECOND: u64 = 1 << 10;
/// How often it is looked at whether a request has taken too long.
const LOOK: Duration = Duration::from_millis(250);

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
    pub(super) store: Arc<AmazonS3>,
    pub(super) options: Store,
    pub(super) tally: Arc<Tally>,
    pub(super) events: StoreEvents,
    /// The store is known to keep names that are taken: in one piece, and in parts.
    pub(super) keeps_names: [AtomicBool; 2],
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
            keeps_names: Default::default(),
            runtime: Some(runtime),
        })
    }

    /// When something last went over the wire.
    pub(super) fn heard(&self) -> Instant {
        self.tally.heard()
    }

    /// The key of what lies at a path below the archive.
    pub(super) fn key(&self, object: &str) -> io::Result<Key> {
        let key = match (self.options.prefix.as_str(), object) {
            ("", object) => object.to_owned(),
            (prefix, "") => prefix.to_owned(),
            (prefix, object) => format!("{prefix}/{object}"),
        };
        Key::parse(key).map_err(|error| io::Error::new(io::ErrorKind::InvalidInput, error))
    }

    /// How long a request may take of which so much has gone over the wire.
    fn patience(&self, moved: u64) -> Duration {
        let slow = match self.tally.bytes_per_second {
            0 => LEAST_BYTES_PER_SECOND,
            // Shared by all that is sent.
            most => (most / 8).clamp(1, LEAST_BYTES_PER_SECOND),
        };
        self.options.request + Duration::from_secs(moved / slow)
    }

    /// Does something of the store, and waits for it as long as it may take.
    pub(super) fn ask<T: Send + 'static>(
        &self,
        operation: Operation,
        work: impl Future<Output = Result<T>> + Send + 'static,
    ) -> io::Result<T> {
        let begun = Instant::now();
        let moved = Arc::new(AtomicU64::new(0));
        let (sender, receiver) = sync_channel(1);
        let asked = match &self.runtime {
            Some(runtime) => runtime.spawn(MOVED.scope(Arc::clone(&moved), async move {
                sender.send(work.await).ok();
            })),
            None => return Err(io::ErrorKind::BrokenPipe.into()),
        };
        let answer = loop {
            let bytes = moved.load(Ordering::Relaxed);
            match receiver.recv_timeout(LOOK) {
                Ok(answer) => break answer.map_err(|error| told(operation, &error)),
                Err(RecvTimeoutError::Timeout) if begun.elapsed() < self.patience(bytes) => {}
                Err(_) => {
                    asked.abort();
                    let seconds = begun.elapsed().as_secs_f32();
                    let text = format!(
                        "the store has not come to an end within {seconds:.0} s, in which {bytes} bytes \
                         have gone there and back"
                    );
                    break Err(io::Error::new(io::ErrorKind::TimedOut, text));
                }
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
