//! What goes when: a pure function of what there is, the rules, the pins and the time.
//!
//! Two things make an object go. It is *due* when it is older than its rule keeps it, or than the
//! legal maximum lets it be kept. And it *yields* when there is no room: footage and key frames,
//! the oldest first, never anything else; for a camera's quota first, then for the free space of all. A pin holds against all of that, the maximum included;
//! the minimum holds against everything but the maximum.

use std::collections::BTreeMap;

use super::Pins;
use crate::config::{LadderRule, Period};
use crate::units::{CameraName, CaptureTime};

/// What an object is to the ladder.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub enum Form {
    /// Footage, whole.
    Footage,
    /// What is left of footage once it is thinned.
    KeyFrames,
    /// Pictures by schedule.
    Stills,
    /// What analyzers have seen.
    Findings,
    /// What a plugin writes under a purpose of its own: only the legal maximum ends it.
    Other,
}

impl Form {
    /// Every form, in the order in which they are told of.
    pub const ALL: [Self; 5] = [
        Self::Footage,
        Self::KeyFrames,
        Self::Stills,
        Self::Findings,
        Self::Other,
    ];

    /// The word for it in metrics, logs and tables.
    #[must_use]
    pub fn as_str(self) -> &'static str {
        match self {
            Self::Footage => "footage",
            Self::KeyFrames => "key-frames",
            Self::Stills => "stills",
            Self::Findings => "findings",
            Self::Other => "other",
        }
    }

    /// Whether it goes when there is no room.
    #[must_use]
    pub fn gives_room(self) -> bool {
        matches!(self, Self::Footage | Self::KeyFrames)
    }
}

/// A file of the archive, or in a forecast all that a camera has of one form and day.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Object {
    /// Whose.
    pub camera: CameraName,
    /// What it is.
    pub form: Form,
    /// Capture time of what comes first in it.
    pub begin: CaptureTime,
    /// Capture time at which it ends at the latest.
    pub end: CaptureTime,
    /// Its length.
    pub bytes: u64,
    /// What thinning is expected to leave of it, where that is of interest.
    pub thinned_bytes: u64,
    /// Path below the archive; empty in a forecast.
    pub name: String,
}

/// What happens to an object.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub enum Act {
    /// Only its key frames stay.
    Thin,
    /// It goes.
    Remove,
}

impl Act {
    /// The word for it in metrics and logs.
    #[must_use]
    pub fn as_str(self) -> &'static str {
        match self {
            Self::Thin => "thinned",
            Self::Remove => "expired",
        }
    }
}

/// Why it happens. Closed: a metric label and a word of the journal.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub enum Reason {
    /// Its period is over.
    Age,
    /// It may not be kept any longer.
    Maximum,
    /// The camera has more than its quota.
    Quota,
    /// The file system has less free space than it should.
    FreeSpace,
}

impl Reason {
    /// Every reason.
    pub const ALL: [Self; 4] = [Self::Age, Self::Maximum, Self::Quota, Self::FreeSpace];

    /// The word for it in metrics, logs and the journal.
    #[must_use]
    pub fn as_str(self) -> &'static str {
        match self {
            Self::Age => "age",
            Self::Maximum => "maximum",
            Self::Quota => "quota",
            Self::FreeSpace => "free-space",
        }
    }
}

/// What is due for an object.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Verdict {
    /// Nothing.
    Keep,
    /// Nothing, since it is pinned; without the pin this would be.
    Pinned(Act, Reason),
    /// This.
    Due(Act, Reason),
}

/// One step of a plan.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Step {
    /// With which object.
    pub object: Object,
    /// What.
    pub act: Act,
    /// Why.
    pub reason: Reason,
}

/// Nanoseconds from one instant to a later one; negative where it is earlier.
fn since(time: CaptureTime, now: CaptureTime) -> i128 {
    i128::from(now.unix_nanos()) - i128::from(time.unix_nanos())
}

fn is_over(period: Period, age: i128) -> bool {
    match period {
        Period::ForGood => false,
        Period::Of(time) => age >= nanos(time),
    }
}

fn nanos(time: std::time::Duration) -> i128 {
    i128::try_from(time.as_nanos()).unwrap_or(i128::MAX)
}

/// What is due for an object by its age. Periods and the minimum count from its end, so that all of
/// it is kept as long as they say; the maximum counts from its begin, so that none of it is kept
/// longer.
#[must_use]
pub fn due(object: &Object, rule: &LadderRule, pins: &Pins, now: CaptureTime) -> Verdict {
    let Some((act, reason)) = due_unpinned(object, rule, now) else {
        return Verdict::Keep;
    };
    match pins.holding(object, now) {
        Some(_) => Verdict::Pinned(act, reason),
        None => Verdict::Due(act, reason),
    }
}

fn due_unpinned(object: &Object, rule: &LadderRule, now: CaptureTime) -> Option<(Act, Reason)> {
    let age = since(object.end, now);
    if let Some(most) = rule.most
        && since(object.begin, now) >= nanos(most)
    {
        return Some((Act::Remove, Reason::Maximum));
    }
    if age < nanos(rule.least) {
        return None;
    }
    let whole_over = is_over(rule.footage, age);
    let act = match object.form {
        Form::Footage if !whole_over => None,
        Form::Footage if !is_over(rule.key_frames, age) => Some(Act::Thin),
        Form::Footage => Some(Act::Remove),
        // Thinned under another rule than today's: they stay as long as the whole would.
        Form::KeyFrames => (whole_over && is_over(rule.key_frames, age)).then_some(Act::Remove),
        Form::Stills => is_over(rule.stills, age).then_some(Act::Remove),
        Form::Findings => is_over(rule.findings, age).then_some(Act::Remove),
        Form::Other => None,
    };
    act.map(|act| (act, Reason::Age))
}

/// The instant before which objects of a form are due: none where they never are. What ends later
/// need not be looked at.
#[must_use]
pub fn cutoff(form: Form, rule: &LadderRule, now: CaptureTime) -> Option<CaptureTime> {
    let period = match form {
        Form::Footage => rule.footage,
        // The later of the two: what is earlier is over in both.
        Form::KeyFrames => match (rule.footage, rule.key_frames) {
            (Period::Of(whole), Period::Of(thin)) => Period::Of(whole.max(thin)),
            _ => Period::ForGood,
        },
        Form::Stills => rule.stills,
        Form::Findings => rule.findings,
        Form::Other => Period::ForGood,
    };
    let by_age = match period {
        Period::ForGood => None,
        Period::Of(time) => Some(time.max(rule.least)),
    };
    let least = by_age.into_iter().chain(rule.most).min()?;
    let back = i64::try_from(least.as_nanos()).unwrap_or(i64::MAX);
    Some(CaptureTime::from_unix_nanos(
        now.unix_nanos().saturating_sub(back),
    ))
}

/// Whether an object may go to make room.
#[must_use]
pub fn yields(object: &Object, rule: &LadderRule, pins: &Pins, now: CaptureTime) -> bool {
    object.form.gives_room()
        && since(object.end, now) >= nanos(rule.least)
        && pins.holding(object, now).is_none()
}

/// What makes an object go before its time.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Pressure {
    /// Comes first: what goes for a quota need not go for the free space of all.
    Quota,
    /// Less is free than should be.
    FreeSpace,
}

impl Pressure {
    /// As a reason.
    #[must_use]
    pub fn reason(self) -> Reason {
        match self {
            Self::Quota => Reason::Quota,
            Self::FreeSpace => Reason::FreeSpace,
        }
    }
}

/// Room there is, and room that is wanted.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Room {
    /// Free bytes of the archive's file system; [`BOUNDLESS`](Self::BOUNDLESS) in a store.
    pub free_bytes: u64,
    /// What should be free at least.
    pub floor_bytes: u64,
    /// What each camera holds, in all forms.
    pub used_bytes: BTreeMap<CameraName, u64>,
    /// What each camera may hold, where that is bounded.
    pub quota_bytes: BTreeMap<CameraName, u64>,
}

impl Room {
    /// A store does not tell how much room it has.
    pub const BOUNDLESS: u64 = u64::MAX;

    /// Whether a camera has more than its quota.
    #[must_use]
    pub fn is_over_quota(&self, camera: &CameraName) -> bool {
        let used = self.used_bytes.get(camera).copied().unwrap_or(0);
        self.quota_bytes
            .get(camera)
            .is_some_and(|most| used > *most)
    }

    /// Whether less is free than should be.
    #[must_use]
    pub fn is_short(&self) -> bool {
        self.free_bytes < self.floor_bytes
    }

    /// Whether anything should go for this.
    #[must_use]
    pub fn is_pressed(&self, pressure: Pressure) -> bool {
        match pressure {
            Pressure::Quota => self
                .quota_bytes
                .keys()
                .any(|camera| self.is_over_quota(camera)),
            Pressure::FreeSpace => self.is_short(),
        }
    }

    /// Counts what a step sets free.
    pub fn apply(&mut self, step: &Step) {
        let object = &step.object;
        let freed = match step.act {
            Act::Remove => object.bytes,
            Act::Thin => object.bytes.saturating_sub(object.thinned_bytes),
        };
        self.free_bytes = self.free_bytes.saturating_add(freed);
        if let Some(used) = self.used_bytes.get_mut(&object.camera) {
            *used = used.saturating_sub(freed);
        }
    }
}

/// What goes to make room, of objects that come the oldest first; at most `most` steps. `room` is
/// left as these steps would make it. What is not asked for any more is not looked at, so that
/// objects can be found as they are needed.
pub fn relieve(
    objects: impl IntoIterator<Item = Object>,
    rules: &BTreeMap<CameraName, LadderRule>,
    pins: &Pins,
    now: CaptureTime,
    (room, pressure): (&mut Room, Pressure),
    most: usize,
) -> Vec<Step> {
    let mut steps = Vec::new();
    let mut objects = objects.into_iter();
    while steps.len() < most && room.is_pressed(pressure) {
        let Some(object) = objects.next() else { break };
        let Some(rule) = rules.get(&object.camera) else {
            continue;
        };
        let asked = match pressure {
            Pressure::Quota => room.is_over_quota(&object.camera),
            Pressure::FreeSpace => true,
        };
        if asked && yields(&object, rule, pins, now) {
            let step = Step {
                object,
                act: Act::Remove,
                reason: pressure.reason(),
            };
            room.apply(&step);
            steps.push(step);
        }
    }
    steps
}

/// Everything that is to be done with these objects now: first what is due, then what must go for
/// room, each the oldest first; and the objects that are left then, thinned ones among them. `room`
/// is left as the plan would make it.
#[must_use]
pub fn plan(
    mut objects: Vec<Object>,
    rules: &BTreeMap<CameraName, LadderRule>,
    pins: &Pins,
    now: CaptureTime,
    room: &mut Room,
) -> (Vec<Step>, Vec<Object>) {
    objects.sort_by(|a, b| order(a).cmp(&order(b)));
    let mut steps = Vec::new();
    let mut rest = Vec::new();
    for object in objects {
        let verdict = rules
            .get(&object.camera)
            .map_or(Verdict::Keep, |rule| due(&object, rule, pins, now));
        let Verdict::Due(act, reason) = verdict else {
            rest.push(object);
            continue;
        };
        let step = Step {
            object,
            act,
            reason,
        };
        room.apply(&step);
        rest.extend(thinned(&step));
        steps.push(step);
    }
    rest.sort_by(|a, b| order(a).cmp(&order(b)));
    for pressure in [Pressure::Quota, Pressure::FreeSpace] {
        let all = rest.iter().cloned();
        let relief = relieve(all, rules, pins, now, (&mut *room, pressure), usize::MAX);
        let mut going = relief.iter().map(|step| &step.object).peekable();
        // Both are in the same order.
        rest.retain(|object| going.next_if_eq(&object).is_none());
        steps.extend(relief);
    }
    (steps, rest)
}

/// What a step leaves.
#[must_use]
pub fn thinned(step: &Step) -> Option<Object> {
    (step.act == Act::Thin).then(|| Object {
        form: Form::KeyFrames,
        bytes: step.object.thinned_bytes,
        ..step.object.clone()
    })
}

/// The oldest first; of the same instant always in the same order.
fn order(object: &Object) -> (CaptureTime, &CameraName, Form, &str) {
    (object.begin, &object.camera, object.form, &object.name)
}

#[cfg(test)]
#[path = "rules_tests.rs"]
mod tests;
