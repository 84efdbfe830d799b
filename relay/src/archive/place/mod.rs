//! The final place of objects: a folder, or a bucket of an S3-compatible store.
//!
//! What the archive asks of it is [`Disk`]. A bucket is a disk, too ([`BucketDisk`]): paths below the
//! archive's are keys below the prefix, all others lie on this machine. There it can do less (no
//! file can be written in the middle, no folder made), and one thing as well as a file system: give
//! a name to a whole object that no other has.
//!
//! The archive's path is `s3://bucket/prefix` then, in messages too, and leads nowhere on this machine.
//! What is fetched lies in a folder of the spool, and goes again when it takes too much room.

mod bucket;
mod cache;
mod disk;
mod errors;
mod meter;
#[cfg(test)]
mod small;
#[cfg(test)]
mod tests;
mod upload;
mod wire;

use std::io;
use std::sync::Arc;

pub use disk::BucketDisk;

use super::disk::{Disk, RealDisk};
use crate::config::{ByteCount, Config, SecretError};
use crate::telemetry::StoreEvents;

/// Folder in the spool for what is fetched.
const FOLDER: &str = "store";

/// Of errors that say that there is no such bucket: no object that is missing looks like that.
pub(in crate::archive) const NO_BUCKET: io::ErrorKind = io::ErrorKind::AddrNotAvailable;

/// Of errors that say that the store does not let us in: of what was asked for that says nothing.
pub(in crate::archive) const REFUSED: io::ErrorKind = io::ErrorKind::ConnectionRefused;

/// What is asked of a store.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Operation {
    /// Put an object, or a part of one.
    Put,
    /// Look up an object.
    LookUp,
    /// Read an object, or a range of it.
    Read,
    /// List what is below a prefix.
    List,
    /// Take an object away.
    Remove,
}

impl Operation {
    /// All of them.
    pub const ALL: [Self; 5] = [
        Self::Put,
        Self::LookUp,
        Self::Read,
        Self::List,
        Self::Remove,
    ];

    /// As in the metrics.
    #[must_use]
    pub const fn as_str(self) -> &'static str {
        match self {
            Self::Put => "put",
            Self::LookUp => "look-up",
            Self::Read => "read",
            Self::List => "list",
            Self::Remove => "remove",
        }
    }

    /// Whether it can miss nothing but the bucket.
    const fn needs_bucket_alone(self) -> bool {
        matches!(self, Self::Put | Self::List)
    }
}

/// What became of a put.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Put {
    /// It is there.
    Done,
    /// Something has that name, maybe the same.
    Taken,
}

/// Why a store can't be used at all.
#[derive(Debug, thiserror::Error)]
pub enum PlaceError {
    /// The secret key.
    #[error("the secret key of the store can't be had")]
    Secret(#[from] SecretError),
    /// What the store is known by.
    #[error("the certificates that the store is to be known by can't be read")]
    Certificates(#[source] io::Error),
    /// What the library says.
    #[error("the store can't be set up: {0}")]
    Store(String),
    /// A thread can't be started.
    #[error("can't start the threads that talk to the store")]
    Thread(#[source] io::Error),
}

/// The disk that archive and spool of a configuration are on. Asks nothing of a store yet.
///
/// # Errors
/// [`PlaceError`] where the archive is in a store.
pub fn disk(config: &Config, events: StoreEvents) -> Result<Arc<dyn Disk>, PlaceError> {
    Ok(match &config.relay.store {
        None => Arc::new(RealDisk),
        Some(store) => {
            let relay = &config.relay;
            let places = (relay.archive.clone(), relay.spool.join(FOLDER));
            let rate = config.carry.bytes_per_second.map_or(0, ByteCount::bytes);
            Arc::new(BucketDisk::open((store.clone(), rate), places, events)?)
        }
    })
}
