//! What the content of a file is known by: its length and its SHA-256 (FIPS 180-4).

use std::fmt;
use std::io;
use std::str::FromStr;

use serde::{Deserialize, Deserializer, Serialize, Serializer};
use sha2::{Digest as _, Sha256};

use super::disk::DiskFile;

/// What is read at a time.
const CHUNK_BYTES: usize = 1 << 20;

/// A SHA-256; shown and read as 64 hexadecimal digits in lower case, as sha256sum(1) does.
#[derive(Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub struct Checksum([u8; 32]);

impl Checksum {
    /// From its 32 bytes.
    #[must_use]
    pub const fn new(bytes: [u8; 32]) -> Self {
        Self(bytes)
    }

    /// The 32 bytes.
    #[must_use]
    pub const fn as_bytes(&self) -> &[u8; 32] {
        &self.0
    }
}

impl fmt::Display for Checksum {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        self.0.iter().try_for_each(|byte| write!(f, "{byte:02x}"))
    }
}

impl fmt::Debug for Checksum {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{self}")
    }
}

/// A text is no SHA-256.
#[derive(Debug, Clone, Copy, PartialEq, Eq, thiserror::Error)]
#[error("a SHA-256 has 64 digits 0-9 and a-f")]
pub struct ChecksumError;

impl FromStr for Checksum {
    type Err = ChecksumError;

    fn from_str(text: &str) -> Result<Self, ChecksumError> {
        let digit = |c: u8| match c {
            b'0'..=b'9' => Ok(c - b'0'),
            b'a'..=b'f' => Ok(c - b'a' + 10),
            _ => Err(ChecksumError),
        };
        let mut bytes = [0; 32];
        if text.len() != 2 * bytes.len() {
            return Err(ChecksumError);
        }
        for (byte, pair) in bytes.iter_mut().zip(text.as_bytes().chunks_exact(2)) {
            let [high, low] = pair else {
                return Err(ChecksumError);
            };
            *byte = digit(*high)? << 4 | digit(*low)?;
        }
        Ok(Self(bytes))
    }
}

impl Serialize for Checksum {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        serializer.collect_str(self)
    }
}

impl<'de> Deserialize<'de> for Checksum {
    fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
        let text = String::deserialize(deserializer)?;
        text.parse().map_err(serde::de::Error::custom)
    }
}

/// What the content of a file is known by.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Fingerprint {
    /// Its length.
    pub bytes: u64,
    /// Its SHA-256.
    pub sha256: Checksum,
}

/// Takes the fingerprint of what comes piece by piece.
#[derive(Debug, Clone, Default)]
pub(super) struct Fingerprinting {
    hash: Sha256,
    bytes: u64,
}

impl Fingerprinting {
    pub(super) fn update(&mut self, piece: &[u8]) {
        self.hash.update(piece);
        self.bytes += piece.len() as u64;
    }

    pub(super) fn finish(self) -> Fingerprint {
        Fingerprint {
            bytes: self.bytes,
            sha256: Checksum(self.hash.finalize().into()),
        }
    }
}

/// Reads a whole file, and calls back with the length of each piece. None where the callback says
/// to stop.
///
/// # Errors
/// What the disk says.
pub(super) fn fingerprint_paced(
    file: &dyn DiskFile,
    go_on: &mut dyn FnMut(u64) -> bool,
) -> io::Result<Option<Fingerprint>> {
    let mut buffer = vec![0; CHUNK_BYTES];
    let mut taken = Fingerprinting::default();
    loop {
        match file.read_at(taken.bytes, &mut buffer) {
            Ok(0) => return Ok(Some(taken.finish())),
            Ok(read) => {
                taken.update(buffer.get(..read).unwrap_or_default());
                if !go_on(read as u64) {
                    return Ok(None);
                }
            }
            Err(error) if error.kind() == io::ErrorKind::Interrupted => {}
            Err(error) => return Err(error),
        }
    }
}

/// Reads a whole file.
///
/// # Errors
/// What the disk says.
pub(super) fn fingerprint(file: &dyn DiskFile) -> io::Result<Fingerprint> {
    let taken = fingerprint_paced(file, &mut |_| true)?;
    Ok(taken.unwrap_or_else(|| Fingerprinting::default().finish()))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_standards_example() {
        // FIPS 180-4's example for "abc", as sha256sum(1) prints it.
        let mut taken = Fingerprinting::default();
        taken.update(b"a");
        taken.update(b"bc");
        let Fingerprint { bytes, sha256 } = taken.finish();
        let text = "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad";
        assert_eq!((bytes, sha256.to_string().as_str()), (3, text));
        assert_eq!(text.parse(), Ok(sha256));
        for bad in [
            "",
            &text[1..],
            &text.to_uppercase(),
            &text.replace('b', "g"),
        ] {
            assert_eq!(bad.parse::<Checksum>(), Err(ChecksumError), "{bad}");
        }
    }
}
