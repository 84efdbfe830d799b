//! Writing manifests.

use std::time::Duration;

use super::PURPOSE;
use super::chain::Chain;
use super::line::{Line, Record};
use crate::archive::checksum::{Checksum, Fingerprint};
use crate::archive::jsonl::{Lines, Refused};
use crate::archive::{Archive, names::ObjectName};
use crate::units::{CameraName, CaptureTime};

/// A manifest ends with its day.
const OPEN_MAX: Duration = Duration::MAX;

/// Writes the manifests of all cameras. No call waits for the archive: they are written to the
/// spool, as all objects are.
#[derive(Debug)]
pub(in crate::archive) struct Manifests(Lines);

impl Manifests {
    pub(in crate::archive) fn new(archive: Archive) -> Self {
        Self(Lines::chained(archive, PURPOSE, OPEN_MAX))
    }

    /// What is known of the files before.
    pub(in crate::archive) fn chain(&mut self) -> Option<&mut Chain> {
        self.0.chain()
    }

    /// An object is under its final name. False where too many lines wait: this one is lost.
    pub(in crate::archive) fn object(
        &mut self,
        object: &str,
        fingerprint: Fingerprint,
        late: bool,
    ) -> bool {
        self.write(object, Record::object(object, fingerprint, late))
    }

    /// An object is taken away on purpose. False as above.
    pub(in crate::archive) fn gone(&mut self, object: &str, reason: &str) -> bool {
        let record = Record::Gone {
            object: object.to_owned(),
            reason: reason.to_owned(),
        };
        self.write(object, record)
    }

    /// Somebody knows of what is wrong with a manifest. False as above.
    pub(in crate::archive) fn acknowledged(
        &mut self,
        object: &str,
        sha256: Option<Checksum>,
        reason: &str,
    ) -> bool {
        let record = Record::Acknowledged {
            object: object.to_owned(),
            sha256,
            reason: reason.to_owned(),
        };
        self.write(object, record)
    }

    fn write(&mut self, object: &str, record: Record) -> bool {
        let camera = ObjectName::parse(object).map(|name| name.camera);
        camera.is_some_and(|camera| self.write_to(&camera, record))
    }

    fn write_to(&mut self, camera: &CameraName, record: Record) -> bool {
        let now = CaptureTime::now();
        self.0.write(camera, now, &Line::new(now, record))
    }

    /// Hands what waits to the archive, which makes it durable. Gives what failed.
    pub(in crate::archive) fn append(&mut self) -> Vec<Refused> {
        self.0.append()
    }

    /// Whether all lines are handed over.
    pub(in crate::archive) fn is_well(&self) -> bool {
        self.0.is_well()
    }

    /// Ends the files.
    pub(in crate::archive) fn finish(&mut self) -> Vec<Refused> {
        self.0.finish()
    }
}
