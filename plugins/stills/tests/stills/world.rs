//! A camera and a relay in which the plugin runs, as fast as it goes.
//!
//! The relay answers questions by the words of `wit/pictures.wit`: with the nearest key frame, and
//! where there was none near the instant, with the first one after it. It keeps 16 questions, each
//! for an hour.

use std::collections::{BTreeMap, VecDeque};

use forebay_plugin_sdk::Finding;
use forebay_stills::host::Host;
use forebay_stills::schedule::Schedule;
use forebay_stills::shutter::Shutter;

use crate::support::{HOUR, Picture, SECOND, at, origin};

/// "Near" of the relay, before an instant.
const NEAR: i64 = 30 * SECOND;
const QUESTIONS_MAX: usize = 16;
/// Key frames that are kept.
const KEYS_MAX: usize = 20;

#[derive(Default)]
pub(crate) struct Relay {
    pub(crate) asked: Vec<i64>,
    fresh: Vec<i64>,
    pub(crate) stored: Vec<i64>,
    /// Planned pauses.
    pub(crate) pauses: Vec<(i64, i64)>,
    /// So many times storing fails.
    pub(crate) failures: usize,
    pub(crate) counts: BTreeMap<String, u64>,
    pub(crate) gauges: BTreeMap<String, f64>,
    pub(crate) warnings: Vec<String>,
    pub(crate) left: Option<i64>,
}

impl Host for Relay {
    fn ask(&mut self, at: i64) {
        self.asked.push(at);
        self.fresh.push(at);
    }

    fn wanted(&mut self, at: i64) -> bool {
        !within(&self.pauses, at)
    }

    fn store(&mut self, captured: i64, jpeg: Vec<u8>) -> Result<(), String> {
        assert!(jpeg.starts_with(&[0xFF, 0xD8]) && jpeg.ends_with(&[0xFF, 0xD9]));
        if self.failures > 0 {
            self.failures -= 1;
            return Err("the disk is full".into());
        }
        self.stored.push(captured);
        Ok(())
    }

    fn leave(&mut self, told: i64) {
        self.left = Some(told);
    }

    fn left(&mut self) -> Option<i64> {
        self.left
    }

    fn count(&mut self, name: &str, amount: u64) {
        *self.counts.entry(name.into()).or_default() += amount;
    }

    fn gauge(&mut self, name: &str, value: f64) {
        self.gauges.insert(name.into(), value);
    }

    fn warn(&mut self, message: &str) {
        self.warnings.push(message.into());
    }
}

fn within(spans: &[(i64, i64)], at: i64) -> bool {
    spans.iter().any(|(from, to)| (*from..*to).contains(&at))
}

pub(crate) struct World {
    pub(crate) shutter: Shutter<Relay>,
    pub(crate) now: i64,
    /// Distance of key frames.
    pub(crate) gop: i64,
    /// From the lens to the plugin.
    pub(crate) delay: i64,
    /// When the camera sends nothing.
    pub(crate) outages: Vec<(i64, i64)>,
    next_key: i64,
    keys: VecDeque<i64>,
    /// At which time a question came, and its instant.
    questions: VecDeque<(i64, i64)>,
    picture: Picture,
    pub(crate) findings: Vec<Finding>,
    pub(crate) errors: Vec<String>,
}

impl World {
    pub(crate) fn new(schedule: Schedule, zone: &str, begin: &str) -> Self {
        let now = at(begin);
        Self {
            shutter: Shutter::new(schedule, origin(zone), 90, Relay::default()),
            now,
            gop: 2 * SECOND,
            delay: SECOND,
            outages: Vec::new(),
            // Key frames heed no clock.
            next_key: now - 50 * SECOND + 700_000_000,
            keys: VecDeque::new(),
            questions: VecDeque::new(),
            picture: Picture::scene(16, 16),
            findings: Vec::new(),
            errors: Vec::new(),
        }
    }

    pub(crate) fn run_to(&mut self, end: i64) {
        while self.now < end {
            self.now += SECOND;
            self.step();
        }
    }

    pub(crate) fn step(&mut self) {
        let found = self.shutter.tick(self.now);
        self.findings.extend(found);
        for at in std::mem::take(&mut self.shutter.host_mut().fresh) {
            if self.questions.len() >= QUESTIONS_MAX {
                self.questions.pop_front();
            }
            self.questions.push_back((self.now, at));
        }
        self.questions.retain(|(since, _)| self.now - since < HOUR);

        while self.next_key + self.delay <= self.now {
            if !within(&self.outages, self.next_key) {
                self.keys.push_back(self.next_key);
            }
            self.next_key += self.gop;
        }
        while self.keys.len() > KEYS_MAX {
            self.keys.pop_front();
        }
        let mut answers = Vec::new();
        self.questions
            .retain(|(_, at)| match nearest(&self.keys, *at) {
                Some(key) => {
                    answers.push((key, *at));
                    false
                }
                None => true,
            });
        for (captured, asked) in answers {
            match self
                .shutter
                .take(&self.picture.frame(captured, Some(asked)))
            {
                Ok(found) => self.findings.extend(found),
                Err(error) => self.errors.push(error),
            }
        }
    }

    /// The instance ends without a word; the next one begins after a pause.
    pub(crate) fn crash(&mut self, schedule: Schedule, zone: &str, pause: i64) {
        let relay = std::mem::take(self.shutter.host_mut());
        self.shutter = Shutter::new(schedule, origin(zone), 90, relay);
        self.questions.clear();
        self.now += pause;
        if pause < 0 {
            // Key frames of a time that is yet to come are none any more.
            self.keys.clear();
            self.next_key += pause;
        }
    }

    pub(crate) fn stop(&mut self) {
        let found = self.shutter.stop();
        self.findings.extend(found);
    }

    pub(crate) fn relay(&self) -> &Relay {
        self.shutter.host()
    }

    pub(crate) fn count(&self, name: &str) -> u64 {
        self.relay().counts.get(name).copied().unwrap_or_default()
    }

    pub(crate) fn of_kind(&self, kind: &str) -> Vec<&Finding> {
        self.findings.iter().filter(|f| f.kind == kind).collect()
    }

    /// The instants that have a still, as its finding says.
    pub(crate) fn taken(&self) -> Vec<i64> {
        let last = |text: &str| at(text.rsplit(' ').next().unwrap());
        self.of_kind("still")
            .iter()
            .map(|f| last(&f.text))
            .collect()
    }

    /// The instants that are told to have none.
    pub(crate) fn missed(&self) -> Vec<i64> {
        self.of_kind("still-missed").iter().map(|f| f.at).collect()
    }
}

fn nearest(keys: &VecDeque<i64>, at: i64) -> Option<i64> {
    let after = keys.iter().copied().find(|key| *key >= at)?;
    let before = keys
        .iter()
        .copied()
        .rfind(|key| *key < at && at - key <= NEAR);
    Some(
        before
            .filter(|before| at - before <= after - at)
            .unwrap_or(after),
    )
}
