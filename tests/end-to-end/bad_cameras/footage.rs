//! What was recorded of a camera, compared with what it sent.

use std::collections::{BTreeMap, BTreeSet};
use std::fs;
use std::path::{Path, PathBuf};

use forebay_site::{SentFrame, frames};
use forebay_tests::recording::{Recording, Sample};

use super::cases::{Case, Footage};
use super::session::Session;

/// Frames that may be under way when a connection is cut.
const UNDER_WAY: usize = 3;
/// What the camera sent so long before SIGTERM must be recorded, seconds: units are gathered for
/// 0.2 s before they go to the recorder.
const LAST: f64 = 0.5;

/// A file and the fingerprints of its frames.
pub(super) struct Recorded {
    pub(super) recording: Recording,
    /// As [`SentFrame::fingerprint`], in the order of the samples.
    pub(super) fingerprints: Vec<u64>,
}

impl Recorded {
    pub(super) fn samples(&self) -> &[Sample] {
        &self.recording.video().samples
    }
}

pub(super) fn read(files: &[PathBuf], dump: &Path) -> Vec<Recorded> {
    let read = Recording::read(files, dump).into_iter();
    read.map(|recording| {
        let media = media(&fs::read(&recording.file).unwrap());
        let mut rest = media.as_slice();
        // `read_mp4.py` has made sure that samples fill the boxes; they are of one track.
        let fingerprints = recording.video().samples.iter().map(|sample| {
            let (unit, after) = rest.split_at(sample.size);
            rest = after;
            frames::fingerprint_length_prefixed(unit)
        });
        let fingerprints = fingerprints.collect();
        assert!(rest.is_empty(), "{}", recording.file.display());
        Recorded {
            recording,
            fingerprints,
        }
    })
    .collect()
}

/// The bodies of all `mdat` boxes (ISO/IEC 14496-12 §4.2, §8.1.1), of 32-bit sizes.
fn media(file: &[u8]) -> Vec<u8> {
    let (mut rest, mut media) = (file, Vec::new());
    while let Some((size, _)) = rest.split_first_chunk::<4>() {
        let (one, after) = rest.split_at(u32::from_be_bytes(*size) as usize);
        if &one[4..8] == b"mdat" {
            media.extend_from_slice(&one[8..]);
        }
        rest = after;
    }
    media
}

/// Compares number, key flag and bytes of each recorded frame with what was sent, and looks for
/// what is missing and what should not be there.
pub(super) fn compare(session: &Session, case: &Case) -> Result<String, String> {
    let sent = &session.sent[case.name];
    let by_number: BTreeMap<u64, &SentFrame> = sent.iter().map(|f| (f.number, f)).collect();
    let (mut recorded, mut headless) = (BTreeSet::new(), Vec::new());
    for file in session.recorded(case) {
        let name = file.recording.file.file_name().unwrap().to_string_lossy();
        let (mut first, mut last) = (true, None);
        for (sample, fingerprint) in file.samples().iter().zip(&file.fingerprints) {
            let first = std::mem::take(&mut first);
            // The number stands in the first packet of a frame.
            let Some(number) = sample.counter else {
                headless.push(format!("{name} at {:.2} s", sample.time));
                last = None;
                continue;
            };
            let frame = by_number
                .get(&number)
                .ok_or_else(|| format!("{name}: frame {number} was never sent"))?;
            if first && !sample.key {
                return Err(format!(
                    "{name} begins with frame {number}, which is no key frame"
                ));
            }
            if last.is_some_and(|last| number != last + 1) {
                return Err(format!("{name}: frame {number} after {last:?}"));
            }
            if (sample.key, *fingerprint) != (frame.key, frame.fingerprint) {
                return Err(format!(
                    "{name}: frame {number} (key {}) is not what was sent (key {}, whole {})",
                    sample.key, frame.key, frame.whole
                ));
            }
            if recorded.last().is_some_and(|last| *last >= number) {
                return Err(format!("{name}: frame {number} comes twice or late"));
            }
            recorded.insert(number);
            last = Some(number);
        }
    }
    let expected = expected(session, case, sent);
    let missing: Vec<u64> = expected.must.difference(&recorded).copied().collect();
    let surplus: Vec<u64> = recorded.difference(&expected.may).copied().collect();
    if missing.is_empty() && surplus.is_empty() && headless.is_empty() {
        let (recorded, sent) = (recorded.len(), sent.len());
        return Ok(format!("{recorded} of {sent} frames sent"));
    }
    Err(format!(
        "of {} frames sent and {} recorded {} are missing ({}), {} should not be there ({}); \
         {} damaged frames lack their first packet: {headless:?}",
        sent.len(),
        recorded.len(),
        missing.len(),
        runs(&missing),
        surplus.len(),
        runs(&surplus),
        headless.len(),
    ))
}

/// Numbers of frames.
#[derive(Default)]
struct Expected {
    must: BTreeSet<u64>,
    may: BTreeSet<u64>,
}

fn expected(session: &Session, case: &Case, sent: &[SentFrame]) -> Expected {
    let mut sessions: BTreeMap<u64, Vec<&SentFrame>> = BTreeMap::new();
    for frame in sent {
        sessions.entry(frame.session).or_default().push(frame);
    }
    let last = sessions.keys().next_back().copied();
    let recovered = session
        .recovered
        .get(case.name)
        .copied()
        .unwrap_or(f64::MAX);
    let mut expected = Expected::default();
    for (id, frames) in sessions {
        // Nothing refers to a frame that is not there. The camera begins a session with a key
        // frame, but the garbage that it sent instead is not among these.
        let mut open = false;
        let first = seconds(frames[0]);
        for (index, frame) in frames.iter().enumerate() {
            let at = seconds(frame);
            open = frame.whole && (frame.key || open);
            if !open {
                continue;
            }
            expected.may.insert(frame.number);
            let under_way = if Some(id) == last {
                at > session.end - LAST
            } else {
                index + UNDER_WAY >= frames.len()
            };
            let may_miss = case.footage == Footage::OutsideFault && {
                let before = at < session.switched - 0.2;
                let after = first > session.mended || at > recovered;
                !(before || Some(id) == last && after)
            };
            if !under_way && !may_miss {
                expected.must.insert(frame.number);
            }
        }
    }
    if case.footage == Footage::AllButOneRun {
        expected.spare_one_run(session, sent);
    }
    expected
}

impl Expected {
    /// After an oversize unit, which the camera sent before the second frame since it was told
    /// to, nothing may pass before the next key frame.
    fn spare_one_run(&mut self, session: &Session, sent: &[SentFrame]) {
        let switched = sent
            .iter()
            .position(|frame| seconds(frame) > session.switched)
            .unwrap();
        // The switch and the first frame after it can't be told apart to the frame: the next two
        // may be either side of the unit.
        let run = sent.iter().skip(switched).take_while(|frame| !frame.key);
        for (index, frame) in run.enumerate() {
            self.must.remove(&frame.number);
            if index >= 2 {
                self.may.remove(&frame.number);
            }
        }
    }
}

fn seconds(frame: &SentFrame) -> f64 {
    frame.capture_ns as f64 / 1e9
}

/// "3-5, 9": the first of them.
fn runs(numbers: &[u64]) -> String {
    let runs = numbers.chunk_by(|a, b| *b == a + 1).take(8);
    let runs: Vec<String> = runs
        .map(|run| match run {
            [one] => one.to_string(),
            [first, .., last] => format!("{first}-{last}"),
            [] => String::new(),
        })
        .collect();
    runs.join(", ")
}
