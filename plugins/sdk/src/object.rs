//! Files of the archive.

use crate::bindings::forebay::plugin::objects;
use crate::{AccessUnit, Instant};

/// A piece to append: own bytes, or a unit's payload, which the relay writes without its entering
/// the sandbox.
pub type Part<'a> = objects::Part<'a>;

/// Why the relay refused a call on an object.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum ObjectError {
    /// Options or call not allowed: a fault of the plugin.
    #[error("not allowed: {0}")]
    Denied(String),
    /// A bound of the configuration.
    #[error("over the limit: {0}")]
    Limit(String),
    /// The disk failed.
    #[error("storage failed: {0}")]
    Storage(String),
    /// A code that this version of the library does not know.
    #[error("{code}: {message}")]
    Other {
        /// As the relay gave it.
        code: String,
        /// For the operator.
        message: String,
    },
}

impl From<objects::ObjectError> for ObjectError {
    fn from(error: objects::ObjectError) -> Self {
        let objects::ObjectError { code, message } = error;
        match code.as_str() {
            "denied" => Self::Denied(message),
            "limit" => Self::Limit(message),
            "storage" => Self::Storage(message),
            _ => Self::Other { code, message },
        }
    }
}

/// A file of the archive, written front to back. Dropped unfinished it is repaired and published
/// as after a crash: cut after the last whole [`append`](Self::append).
#[derive(Debug)]
pub struct Object(objects::Object);

impl Object {
    /// Opens a new one. `purpose` is a folder below the camera's (`[a-z][a-z0-9-]{0,31}`),
    /// `extension` that of the file name without the dot (`[a-z0-9]{1,8}`), `begin` the capture
    /// time of what comes first in it.
    ///
    /// # Errors
    /// [`ObjectError`].
    pub fn create(purpose: &str, extension: &str, begin: Instant) -> Result<Self, ObjectError> {
        let options = objects::ObjectOptions {
            purpose: purpose.into(),
            extension: extension.into(),
            begin,
        };
        Ok(Self(objects::create(&options)?))
    }

    /// Appends all parts in order and gives the object's new length in bytes. What one call
    /// appends stays together over a crash.
    ///
    /// # Errors
    /// [`ObjectError`]; the object is then of no more use.
    pub fn append(&self, parts: &[Part<'_>]) -> Result<u64, ObjectError> {
        Ok(self.0.append(parts)?)
    }

    /// Overwrites bytes that were appended before.
    ///
    /// # Errors
    /// [`ObjectError`].
    pub fn patch(&self, offset: u64, bytes: &[u8]) -> Result<(), ObjectError> {
        Ok(self.0.patch(offset, bytes)?)
    }

    /// Makes the object durable and publishes it under its final name. `end`: capture time at
    /// which its content ends.
    ///
    /// # Errors
    /// [`ObjectError`].
    pub fn finish(self, end: Instant) -> Result<(), ObjectError> {
        Ok(self.0.finish(end)?)
    }
}

impl<'a> From<&'a AccessUnit> for Part<'a> {
    fn from(unit: &'a AccessUnit) -> Self {
        Self::Payload(unit)
    }
}

impl From<Vec<u8>> for Part<'_> {
    fn from(bytes: Vec<u8>) -> Self {
        Self::Bytes(bytes)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn codes_become_variants() {
        let error = |code: &str| {
            ObjectError::from(objects::ObjectError {
                code: code.into(),
                message: "why".into(),
            })
        };
        assert_eq!(error("denied"), ObjectError::Denied("why".into()));
        assert_eq!(error("limit"), ObjectError::Limit("why".into()));
        assert_eq!(error("storage"), ObjectError::Storage("why".into()));
        assert_eq!(error("new").to_string(), "new: why");
    }
}
