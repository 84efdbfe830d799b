//! One line of a manifest.
//!
//! `{"at":"2026-05-04T07:32:00.4Z","kind":"object","object":"gate/footage/…mp4","bytes":…,
//! "sha256":"…","check":"…"}`. The check is made of the first 16 digits of the SHA-256 of: the check
//! of the line before (nothing for a file's first line), and this line up to `,"check"`.

use serde::{Deserialize, Serialize};

use crate::archive::checksum::{Checksum, Fingerprint, Fingerprinting};
use crate::archive::jsonl::Stamp;
use crate::units::CaptureTime;

const CHECK_DIGITS: usize = 16;
const CHECK_BEGIN: &[u8] = b",\"check\":\"";
const CHECK_END: &[u8] = b"\"}";

/// A line without its check.
#[derive(Debug, Serialize, Deserialize)]
pub(super) struct Line {
    /// When it was written, by the home clock.
    at: Stamp,
    #[serde(flatten)]
    record: Record,
}

/// What a line tells.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(tag = "kind", rename_all = "lowercase")]
pub(in crate::archive) enum Record {
    /// Always the first of a file, and only there.
    Chain(Link),
    /// An object was published.
    Object {
        object: String,
        bytes: u64,
        sha256: Checksum,
        /// Found without a line at a start, or by a scrub: what it was when it was published is
        /// not known.
        #[serde(default, skip_serializing_if = "is_false")]
        late: bool,
    },
    /// An object was taken away on purpose.
    Gone { object: String, reason: String },
    /// Somebody knows that a manifest is not what was written: as it is now, it is not told again.
    Acknowledged {
        object: String,
        /// What it is now; none where it is not there.
        sha256: Option<Checksum>,
        reason: String,
    },
}

/// The camera's file before.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub(in crate::archive) struct Link {
    /// Its name; one that was taken got a suffix. None for the first file.
    pub(in crate::archive) previous: Option<String>,
    pub(in crate::archive) sha256: Option<Checksum>,
    /// Why there is no SHA-256.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub(in crate::archive) reason: Option<String>,
    /// Files that no other one names: those of other relays that have written here, too.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub(in crate::archive) also: Vec<Named>,
}

/// A file, and what it was.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub(in crate::archive) struct Named {
    pub(in crate::archive) name: String,
    pub(in crate::archive) sha256: Option<Checksum>,
}

impl Link {
    /// All files that it names.
    pub(in crate::archive) fn names(&self) -> impl Iterator<Item = (&str, Option<Checksum>)> {
        let previous = self
            .previous
            .iter()
            .map(|name| (name.as_str(), self.sha256));
        let also = self.also.iter();
        previous.chain(also.map(|named| (named.name.as_str(), named.sha256)))
    }
}

// The signature that serde wants.
#[allow(clippy::trivially_copy_pass_by_ref)]
fn is_false(value: &bool) -> bool {
    !value
}

impl Record {
    pub(in crate::archive) fn object(object: &str, fingerprint: Fingerprint, late: bool) -> Self {
        Self::Object {
            object: object.to_owned(),
            bytes: fingerprint.bytes,
            sha256: fingerprint.sha256,
            late,
        }
    }

    /// As a line of now, without check and break.
    #[cfg(test)]
    pub(in crate::archive) fn line(self) -> Vec<u8> {
        serde_json::to_vec(&Line::new(CaptureTime::now(), self)).unwrap()
    }
}

impl Line {
    pub(super) fn new(at: CaptureTime, record: Record) -> Self {
        let at = Stamp::from(at);
        Self { at, record }
    }
}

/// A check; empty before the first line.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub(super) struct Check(String);

impl Check {
    fn behind(&self, line: &[u8]) -> Self {
        let mut taken = Fingerprinting::default();
        taken.update(self.0.as_bytes());
        taken.update(line);
        let mut digits = taken.finish().sha256.to_string();
        digits.truncate(CHECK_DIGITS);
        Self(digits)
    }

    /// Adds the check to a line (an object of JSON, without its break).
    pub(super) fn seal(&self, line: &[u8]) -> (Vec<u8>, Self) {
        let body = line.strip_suffix(b"}").unwrap_or(line);
        let check = self.behind(body);
        let sealed = [body, CHECK_BEGIN, check.0.as_bytes(), CHECK_END].concat();
        (sealed, check)
    }

    /// The check that a line has, and whether it is right.
    pub(super) fn test(&self, line: &[u8]) -> (Self, bool) {
        let split = || {
            let rest = line.strip_suffix(CHECK_END)?;
            let (rest, digits) = rest.split_at_checked(rest.len().checked_sub(CHECK_DIGITS)?)?;
            Some((rest.strip_suffix(CHECK_BEGIN)?, digits))
        };
        match split() {
            Some((body, digits)) => {
                let there = Self(String::from_utf8_lossy(digits).into_owned());
                let right = self.behind(body) == there;
                (there, right)
            }
            None => (Self::default(), false),
        }
    }
}

/// What a line tells, and when it was written; none for one of a later version.
pub(super) fn record(line: &[u8]) -> Option<(Record, Option<CaptureTime>)> {
    let Line { at, record } = serde_json::from_slice(line).ok()?;
    Some((record, at.time()))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::archive::checksum::Fingerprinting;

    #[test]
    fn any_bit_of_a_line_counts() {
        let fingerprint = Fingerprinting::default().finish();
        let record = Record::object("gate/footage/2026-05-04/x.mp4", fingerprint, true);
        let at = CaptureTime::from_unix_nanos(1_777_879_860_120_000_000);
        let text = serde_json::to_vec(&Line::new(at, record.clone())).unwrap();
        let first = Check::default();
        let (sealed, check) = first.seal(&text);
        assert_eq!(
            String::from_utf8(sealed.clone()).unwrap(),
            "{\"at\":\"2026-05-04T07:31:00.12Z\",\"kind\":\"object\",\
             \"object\":\"gate/footage/2026-05-04/x.mp4\",\"bytes\":0,\"sha256\":\
             \"e3b0c44298fc1c149afbf4c8996fb92427ae41e4649b934ca495991b7852b855\",\
             \"late\":true,\"check\":\"2aa6ca226a11cfba\"}"
        );
        assert_eq!(first.test(&sealed), (check.clone(), true));
        assert_eq!(super::record(&sealed), Some((record, Some(at))));
        // Behind another line it is another.
        assert!(!check.test(&sealed).1);
        for bit in 0..sealed.len() * 8 {
            let mut flipped = sealed.clone();
            flipped[bit / 8] ^= 1 << (bit % 8);
            assert!(!first.test(&flipped).1, "bit {bit}");
        }
        for cut in 0..sealed.len() {
            assert!(!first.test(&sealed[..cut]).1, "cut at {cut}");
        }
    }
}
