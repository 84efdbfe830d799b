//! How the manifests of a camera hang together while they are written.

use std::collections::{BTreeMap, BTreeSet, VecDeque};

use super::line::{Check, Line, Link, Named, Record};
use crate::archive::ObjectKey;
use crate::archive::checksum::{Checksum, Fingerprinting};
use crate::archive::names::ObjectName;
use crate::units::{CameraName, CaptureTime};

/// Files that one file vouches for beside the one before it; more wait for the next one.
const ALSO_MAX: usize = 16;
/// Names that are remembered as vouched for: what closed files say is seen in them.
const VOUCHED_MAX: usize = 1024;
/// Files that failed, and may yet be published with what they kept. More than these are taken up by
/// the next start.
const FAILED_MAX: usize = 64;

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
    fn place(&self) -> Option<(CaptureTime, u32)> {
        ObjectName::parse(&self.name).map(|name| name.place())
    }

    /// Whether it says more of the same file; a name that was taken has got a suffix.
    fn completes(&self, other: &Self) -> bool {
        let begin = |newest: &Self| newest.place().map(|(begin, _)| begin);
        begin(self) == begin(other) && self.sha256.is_ok() && other.sha256.is_err()
    }
}

/// The chains of all cameras.
#[derive(Debug, Default)]
pub(in crate::archive) struct Chain {
    before: Before,
    newest: BTreeMap<CameraName, Newest>,
    open: BTreeMap<CameraName, Open>,
    /// Cameras of which this run has begun files: it knows best which is the newest, whatever the
    /// clock that named them has done.
    begun: BTreeSet<CameraName>,
    /// Files of other writers that nothing vouches for yet.
    others: BTreeMap<CameraName, Vec<Newest>>,
    /// What the files of this run have named.
    vouched: VecDeque<String>,
    /// Files of this run that failed.
    failed: VecDeque<(CameraName, CaptureTime)>,
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
        if self.has_failed(camera, &newest) {
            self.others.entry(camera.clone()).or_default().push(newest);
            return;
        }
        let is_ours = self.begun.contains(camera);
        let is_newer = match self.newest.get(camera) {
            None => !is_ours,
            Some(known) if newest.completes(known) => true,
            Some(known) => !is_ours && newest.place() > known.place(),
        };
        if is_newer {
            self.newest.insert(camera.clone(), newest);
        }
    }

    /// Whether it is what is left of a file that failed; once.
    fn has_failed(&mut self, camera: &CameraName, newest: &Newest) -> bool {
        // The next file may have begun with the same line.
        let known = self.newest.get(camera);
        if known.is_some_and(|known| known.sha256 == newest.sha256) {
            return false;
        }
        let begin = newest.place().map(|(begin, _)| begin);
        let is_it =
            |(of, failed): &(CameraName, CaptureTime)| of == camera && Some(*failed) == begin;
        let at = self.failed.iter().position(is_it);
        at.is_some_and(|at| self.failed.remove(at).is_some())
    }

    /// Takes note of the closed files of a camera that no closed one names. The next file does.
    pub(in crate::archive) fn tips(&mut self, camera: &CameraName, mut tips: Vec<Newest>) {
        tips.retain(|tip| !self.vouched.contains(&tip.name));
        for tip in &tips {
            self.learn(camera, tip.clone());
        }
        self.others.insert(camera.clone(), tips);
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
        let mut others = self.others.remove(&key.camera).unwrap_or_default();
        others.retain(|other| Some(&other.name) != previous.as_ref());
        let later = others.split_off(others.len().min(ALSO_MAX));
        let named = |other: Newest| Named {
            name: other.name,
            sha256: other.sha256.ok(),
        };
        let link = Link {
            previous,
            sha256,
            reason,
            also: others.into_iter().map(named).collect(),
        };
        self.others.insert(key.camera.clone(), later);
        self.vouched
            .extend(link.names().map(|(name, _)| name.to_owned()));
        let surplus = self.vouched.len().saturating_sub(VOUCHED_MAX);
        self.vouched.drain(..surplus);
        let line = Line::new(CaptureTime::now(), Record::Chain(link));
        let open = Open {
            name: key.object_name(),
            link: serde_json::to_vec(&line).ok(),
            check: Check::default(),
            taken: Fingerprinting::default(),
            appending: None,
        };
        self.begun.insert(key.camera.clone());
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
            self.newest.insert(camera.clone(), Newest { name, sha256 });
        }
    }

    /// The camera's open file has failed. Nothing may be left of it, so nobody names it before it is
    /// published.
    pub(in crate::archive) fn broken(&mut self, camera: &CameraName) {
        let open = self.open.remove(camera);
        if let Some(name) = open.as_ref().and_then(|open| ObjectName::parse(&open.name)) {
            self.failed.push_back((camera.clone(), name.begin));
            let surplus = self.failed.len().saturating_sub(FAILED_MAX);
            self.failed.drain(..surplus);
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::archive::MANIFESTS;
    use crate::units::Name;

    fn key(second: i64) -> ObjectKey {
        ObjectKey {
            camera: Name::new("gate").unwrap(),
            sink: Name::new(MANIFESTS).unwrap(),
            purpose: MANIFESTS.into(),
            extension: "jsonl".into(),
            begin: CaptureTime::from_unix_nanos(second * 1_000_000_000),
        }
    }

    fn newest(second: i64, bytes: &[u8]) -> Newest {
        let mut taken = Fingerprinting::default();
        taken.update(bytes);
        Newest {
            name: key(second).object_name(),
            sha256: Ok(taken.finish().sha256),
        }
    }

    /// Writes a file and gives its first line.
    fn write(chain: &mut Chain, second: i64, ended: bool) -> (Vec<u8>, Link) {
        let camera = key(second).camera;
        chain.begin(&key(second));
        let bytes = chain.seal(&camera, b"{\"kind\":\"none\"}\n");
        chain.appended(&camera);
        match ended {
            true => chain.ended(&camera),
            false => chain.broken(&camera),
        }
        let first = bytes.split(|byte| *byte == b'\n').next().unwrap();
        let Some((Record::Chain(link), _)) = super::super::line::record(first) else {
            panic!("{bytes:?}");
        };
        (bytes, link)
    }

    #[test]
    fn each_file_names_the_one_before_or_says_why_not() {
        let camera = key(0).camera;
        let mut chain = Chain::default();
        assert!(!chain.may_begin(&camera));
        chain.settle(Before::Known);
        assert!(chain.may_begin(&camera));
        let (first, link) = write(&mut chain, 100, true);
        assert_eq!(
            (link.previous, link.reason.as_deref()),
            (None, Some("the first"))
        );
        // The clock is set back.
        let (second, link) = write(&mut chain, 50, true);
        assert_eq!(link.sha256, newest(100, &first).sha256.ok());
        // What the archive says of the first comes late.
        chain.learn(&camera, newest(100, &first));
        let (_, link) = write(&mut chain, 200, false);
        assert_eq!(link.sha256, newest(50, &second).sha256.ok());
        // Nobody knows whether anything is left of it.
        let (third, link) = write(&mut chain, 300, true);
        assert_eq!(link.previous, Some(key(50).object_name()));
        assert_eq!(link.also, []);
        // Cut to whole lines and published, it is known after all.
        let kept = newest(200, b"kept");
        chain.learn(&camera, kept.clone());
        let (_, link) = write(&mut chain, 400, true);
        assert_eq!(link.sha256, newest(300, &third).sha256.ok());
        let named = Named {
            name: kept.name,
            sha256: kept.sha256.ok(),
        };
        assert_eq!(link.also, [named]);
        let (_, link) = write(&mut chain, 500, true);
        assert_eq!(link.also, []);
    }

    #[test]
    fn files_of_other_writers_are_vouched_for_once() {
        let camera = key(0).camera;
        let mut chain = Chain::default();
        chain.tips(&camera, vec![newest(100, b"ours"), newest(90, b"theirs")]);
        chain.settle(Before::Known);
        let (_, link) = write(&mut chain, 200, true);
        assert_eq!(link.previous, Some(key(100).object_name()));
        let theirs = Named {
            name: key(90).object_name(),
            sha256: newest(90, b"theirs").sha256.ok(),
        };
        assert_eq!(link.also, [theirs]);
        // As long as that file is open, nobody sees that it names them.
        chain.tips(&camera, vec![newest(100, b"ours"), newest(90, b"theirs")]);
        let (_, link) = write(&mut chain, 300, true);
        assert_eq!(
            (link.previous, link.also),
            (Some(key(200).object_name()), vec![])
        );
        chain.tips(
            &camera,
            vec![newest(300, b"x"), newest(250, b"more of theirs")],
        );
        let (_, link) = write(&mut chain, 400, true);
        assert_eq!(link.previous, Some(key(300).object_name()));
        assert_eq!(link.also.len(), 1);
    }

    #[test]
    fn what_earlier_runs_have_left_is_taken_up() {
        let camera = key(0).camera;
        let mut chain = Chain::default();
        chain.learn(&camera, newest(100, b"new"));
        chain.learn(&camera, newest(50, b"old"));
        assert!(chain.may_begin(&camera));
        chain.settle(Before::Unknown("away".into()));
        let (_, link) = write(&mut chain, 200, true);
        assert_eq!(link.sha256, newest(100, b"new").sha256.ok());
        let mut chain = Chain::default();
        chain.settle(Before::Unknown("away".into()));
        let (_, link) = write(&mut chain, 200, true);
        assert_eq!(
            (link.previous, link.reason.as_deref()),
            (None, Some("away"))
        );
    }
}
