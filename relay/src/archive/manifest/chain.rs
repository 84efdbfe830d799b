//! How the manifests of a camera hang together while they are written.

use std::collections::BTreeMap;
use std::fmt::Display;

use super::line::{Check, Line, Link, Record};
use crate::archive::ObjectKey;
use crate::archive::checksum::{Checksum, Fingerprinting};
use crate::archive::names::ObjectName;
use crate::units::{CameraName, CaptureTime};

/// What is known of the manifests of earlier runs.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub(in crate::archive) enum Before {
    /// Nothing yet.
    #[default]
    Waiting,
    /// All that there is: a camera of which nothing was learned has none.
    Known,
    /// Nothing, and nothing will be; why.
    Unknown(String),
}

/// A camera's newest manifest that is closed.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(in crate::archive) struct Newest {
    /// Its name, as that of an object.
    pub(in crate::archive) name: String,
    /// Or why it isn't known.
    pub(in crate::archive) sha256: Result<Checksum, String>,
}

impl Newest {
    /// Whether it comes after another, or says more of the same.
    fn replaces(&self, other: &Self) -> bool {
        let place = |name| ObjectName::parse(name).map(|name| name.place());
        let (ours, theirs) = (place(&self.name), place(&other.name));
        ours > theirs || ours == theirs && self.sha256.is_ok()
    }
}

/// The chains of all cameras.
#[derive(Debug, Default)]
pub(in crate::archive) struct Chain {
    before: Before,
    newest: BTreeMap<CameraName, Newest>,
    open: BTreeMap<CameraName, Open>,
}

/// A file that is being written.
#[derive(Debug)]
struct Open {
    name: String,
    /// The line that is yet to go first.
    link: Option<Vec<u8>>,
    check: Check,
    taken: Fingerprinting,
    /// What is being appended, and its last check.
    appending: Option<(Vec<u8>, Check)>,
}

impl Chain {
    /// Whether it waits to learn of earlier runs.
    pub(in crate::archive) fn is_waiting(&self) -> bool {
        self.before == Before::Waiting
    }

    /// All is known, or will never be.
    pub(in crate::archive) fn settle(&mut self, before: Before) {
        self.before = before;
    }

    /// Takes note of a manifest that is closed.
    pub(in crate::archive) fn learn(&mut self, camera: &CameraName, newest: Newest) {
        match self.newest.get_mut(camera) {
            Some(known) if !newest.replaces(known) => {}
            Some(known) => *known = newest,
            None => {
                self.newest.insert(camera.clone(), newest);
            }
        }
    }

    /// Whether the first line of a camera's next file can be written.
    pub(in crate::archive) fn may_begin(&self, camera: &CameraName) -> bool {
        !self.is_waiting() || self.newest.contains_key(camera)
    }

    /// A file begins.
    pub(in crate::archive) fn begin(&mut self, key: &ObjectKey) {
        let (previous, sha256, reason) = match (self.newest.get(&key.camera), &self.before) {
            (Some(Newest { name, sha256 }), _) => match sha256 {
                Ok(sha256) => (Some(name.clone()), Some(*sha256), None),
                Err(reason) => (Some(name.clone()), None, Some(reason.clone())),
            },
            (None, Before::Unknown(reason)) => (None, None, Some(reason.clone())),
            (None, _) => (None, None, Some("the first".to_owned())),
        };
        let link = Link {
            previous,
            sha256,
            reason,
        };
        let line = Line::new(CaptureTime::now(), Record::Chain(link));
        let open = Open {
            name: key.object_name(),
            link: serde_json::to_vec(&line).ok(),
            check: Check::default(),
            taken: Fingerprinting::default(),
            appending: None,
        };
        self.open.insert(key.camera.clone(), open);
    }

    /// Lines as they are to be appended to the camera's open file.
    pub(in crate::archive) fn seal(&mut self, camera: &CameraName, lines: &[u8]) -> Vec<u8> {
        let Some(open) = self.open.get_mut(camera) else {
            return lines.to_vec();
        };
        let mut sealed = Vec::with_capacity(lines.len() * 5 / 4);
        let mut check = open.check.clone();
        let lines = lines.split(|byte| *byte == b'\n');
        for line in open.link.as_deref().into_iter().chain(lines) {
            if !line.is_empty() {
                let (line, next) = check.seal(line);
                sealed.extend(line);
                sealed.push(b'\n');
                check = next;
            }
        }
        open.appending = Some((sealed.clone(), check));
        sealed
    }

    /// What was sealed last is in the file.
    pub(in crate::archive) fn appended(&mut self, camera: &CameraName) {
        if let Some(open) = self.open.get_mut(camera)
            && let Some((sealed, check)) = open.appending.take()
        {
            open.link = None;
            open.check = check;
            open.taken.update(&sealed);
        }
    }

    /// The camera's open file has ended whole.
    pub(in crate::archive) fn ended(&mut self, camera: &CameraName) {
        if let Some(Open { name, taken, .. }) = self.open.remove(camera) {
            let sha256 = Ok(taken.finish().sha256);
            self.learn(camera, Newest { name, sha256 });
        }
    }

    /// The camera's open file has failed: how much of it is kept is learned when it is published.
    pub(in crate::archive) fn broken(&mut self, camera: &CameraName, error: &dyn Display) {
        if let Some(Open { name, .. }) = self.open.remove(camera) {
            let sha256 = Err(format!("the relay could not write to it: {error}"));
            self.learn(camera, Newest { name, sha256 });
        }
    }
}
