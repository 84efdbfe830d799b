//! How the archive will grow: the rules, applied day by day to what there is and what comes. Pure.
//!
//! All that a camera has of one form and UTC day is one object, which goes as a whole: a day late at
//! the most. What of it is pinned is an object of its own.

use std::collections::BTreeMap;

use super::rules::plan;
use super::{Act, Form, Object, Pins, Reason, Room};
use crate::config::LadderRule;
use crate::units::{CameraName, CaptureTime};

const DAY_NANOS: i64 = 24 * 3600 * 1_000_000_000;

/// What comes each day of a camera in one form.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Inflow {
    /// Whose.
    pub camera: CameraName,
    /// What.
    pub form: Form,
    /// How much.
    pub bytes: u64,
    /// What thinning leaves of it.
    pub thinned_bytes: u64,
}

/// The state at the end of a day.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Point {
    /// When.
    pub time: CaptureTime,
    /// What is there.
    pub bytes: BTreeMap<(CameraName, Form), u64>,
    /// Free on the file system; 0 where less than nothing would be. None in a store.
    pub free_bytes: Option<u64>,
    /// What was thinned or removed that day: the bytes set free.
    pub freed_bytes: BTreeMap<(Act, Reason), u64>,
    /// How far whole footage of each camera reaches back, in days.
    pub reach_days: BTreeMap<CameraName, u64>,
    /// More came than there was room for, and nothing was left that may go.
    pub full: bool,
}

impl Point {
    /// What is there in a form, of all cameras.
    #[must_use]
    pub fn of(&self, form: Form) -> u64 {
        let own = self.bytes.iter().filter(|((_, own), _)| *own == form);
        own.map(|(_, bytes)| bytes).sum()
    }

    /// All that is there.
    #[must_use]
    pub fn total(&self) -> u64 {
        self.bytes.values().sum()
    }

    /// How far the shortest of all cameras' whole footage reaches back, in days.
    #[must_use]
    pub fn least_reach_days(&self) -> Option<u64> {
        self.reach_days.values().copied().min()
    }
}

/// What there is, and by which rules it goes.
#[derive(Debug, Clone)]
pub struct Start {
    /// An object for each camera, form and day.
    pub objects: Vec<Object>,
    /// Those that are pinned, with the end of the pin, where it has one.
    pub pinned: Vec<(Object, Option<CaptureTime>)>,
    /// What comes each day.
    pub inflow: Vec<Inflow>,
    /// For each camera of these.
    pub rules: BTreeMap<CameraName, LadderRule>,
    /// What is free, and should be.
    pub room: Room,
    /// When this is so.
    pub now: CaptureTime,
}

/// The state now, with what is due done, and at the end of each of so many days.
#[must_use]
pub fn forecast(start: Start, days: u32) -> Vec<Point> {
    let Start {
        mut objects,
        mut pinned,
        inflow,
        rules,
        mut room,
        now,
    } = start;
    room.used_bytes = BTreeMap::new();
    for object in objects
        .iter()
        .chain(pinned.iter().map(|(object, _)| object))
    {
        let used = room.used_bytes.entry(object.camera.clone()).or_default();
        *used = used.saturating_add(object.bytes);
    }
    let mut points = Vec::new();
    for day in 0..=i64::from(days) {
        let passed = day.saturating_mul(DAY_NANOS);
        let time = CaptureTime::from_unix_nanos(now.unix_nanos().saturating_add(passed));
        let mut short = 0_u64;
        let flows = inflow.iter().filter(|flow| day > 0 && flow.bytes > 0);
        for flow in flows {
            let lacking = flow.bytes.saturating_sub(room.free_bytes);
            short = short.saturating_add(lacking);
            // Nothing goes for what finds no room, unless some is to be kept free.
            let kept = match room.floor_bytes {
                0 => flow.bytes - lacking,
                _ => flow.bytes,
            };
            room.free_bytes = room.free_bytes.saturating_sub(flow.bytes);
            if kept == 0 {
                continue;
            }
            let used = room.used_bytes.entry(flow.camera.clone()).or_default();
            *used = used.saturating_add(kept);
            let begin = time.unix_nanos().saturating_sub(DAY_NANOS);
            objects.push(Object {
                camera: flow.camera.clone(),
                form: flow.form,
                begin: CaptureTime::from_unix_nanos(begin),
                end: time,
                bytes: kept,
                thinned_bytes: flow.thinned_bytes.min(kept),
                name: String::new(),
            });
        }
        let floor = room.floor_bytes;
        if floor > 0 {
            // What found no room is wanted back, too.
            room.floor_bytes = floor.saturating_add(short);
        }
        pinned.retain(|(object, until)| {
            let ended = until.is_some_and(|until| until <= time);
            if ended {
                objects.push(object.clone());
            }
            !ended
        });
        let (steps, left) = plan(objects, &rules, &Pins::default(), time, &mut room);
        objects = left;
        let mut full = short > 0;
        if floor > 0 {
            full = room.free_bytes < short;
            room.free_bytes = room.free_bytes.saturating_sub(short);
            room.floor_bytes = floor;
        }
        let mut freed_bytes: BTreeMap<_, u64> = BTreeMap::new();
        for step in steps {
            let left = match step.act {
                Act::Thin => step.object.thinned_bytes,
                Act::Remove => 0,
            };
            let freed = freed_bytes.entry((step.act, step.reason)).or_default();
            *freed += step.object.bytes.saturating_sub(left);
        }
        let all = objects
            .iter()
            .chain(pinned.iter().map(|(object, _)| object));
        points.push(state(all, time, &room, freed_bytes, full));
    }
    points
}

fn state<'a>(
    objects: impl Iterator<Item = &'a Object>,
    time: CaptureTime,
    room: &Room,
    freed_bytes: BTreeMap<(Act, Reason), u64>,
    full: bool,
) -> Point {
    let mut bytes: BTreeMap<(CameraName, Form), u64> = BTreeMap::new();
    let mut reach_days: BTreeMap<CameraName, u64> = BTreeMap::new();
    for object in objects {
        let sum = bytes
            .entry((object.camera.clone(), object.form))
            .or_default();
        *sum = sum.saturating_add(object.bytes);
        if object.form == Form::Footage {
            let nanos = time.unix_nanos().saturating_sub(object.begin.unix_nanos());
            let days = u64::try_from(nanos / DAY_NANOS).unwrap_or(0);
            let reach = reach_days.entry(object.camera.clone()).or_default();
            *reach = days.max(*reach);
        }
    }
    Point {
        time,
        bytes,
        // No archive comes near.
        free_bytes: Some(room.free_bytes).filter(|free| *free < Room::BOUNDLESS / 2),
        freed_bytes,
        reach_days,
        full,
    }
}

#[cfg(test)]
mod tests {
    use std::time::Duration;

    use super::*;
    use crate::config::{ByteCount, Period};
    use crate::units::Name;

    const GB: u64 = 1_000_000_000;

    fn days(days: u64) -> Duration {
        Duration::from_secs(days * 86_400)
    }

    /// Four cameras of 4 Mb/s, a tenth of it in key frames, and a still each ten minutes of ten
    /// hours.
    fn start(rule: &LadderRule, free: u64, floor: u64) -> Start {
        let camera = |i: usize| Name::new(["slipway", "gate", "mast-crane", "yard"][i]).unwrap();
        let flow = |i: usize| {
            [
                // 4 Mb/s are 43.2 GB a day.
                Inflow {
                    camera: camera(i),
                    form: Form::Footage,
                    bytes: 43_200_000_000,
                    thinned_bytes: 4_320_000_000,
                },
                // 60 stills of 600 kB.
                Inflow {
                    camera: camera(i),
                    form: Form::Stills,
                    bytes: 36_000_000,
                    thinned_bytes: 0,
                },
            ]
        };
        Start {
            objects: Vec::new(),
            pinned: Vec::new(),
            inflow: (0..4).flat_map(flow).collect(),
            rules: (0..4).map(|i| (camera(i), rule.clone())).collect(),
            room: Room {
                free_bytes: free,
                floor_bytes: floor,
                quota_bytes: (0..4)
                    .filter_map(|i| Some((camera(i), rule.quota?.bytes())))
                    .collect(),
                ..Room::default()
            },
            now: CaptureTime::from_unix_nanos(1_777_852_800_000_000_000),
        }
    }

    #[test]
    fn two_years_by_hand() {
        let rule = LadderRule {
            footage: Period::Of(days(14)),
            key_frames: Period::Of(days(365)),
            ..LadderRule::default()
        };
        let points = forecast(start(&rule, 100_000 * GB, 0), 730);
        assert_eq!(points.len(), 731);
        assert_eq!(points[0].total(), 0);
        let last = &points[730];
        // The day that is 14 days old at its end has just been thinned.
        assert_eq!(last.of(Form::Footage), 4 * 14 * 43_200_000_000);
        assert_eq!(last.of(Form::KeyFrames), 4 * (365 - 14) * 4_320_000_000);
        assert_eq!(last.of(Form::Stills), 4 * 730 * 36_000_000);
        assert_eq!(last.free_bytes, Some(100_000 * GB - last.total()));
        assert_eq!(last.least_reach_days(), Some(14));
        assert!(points.iter().all(|point| !point.full));
        let thin = last.freed_bytes[&(Act::Thin, Reason::Age)];
        assert_eq!(thin, 4 * (43_200_000_000 - 4_320_000_000));
        // 2.4 TB is what such a yard takes for 14 days, and no more comes of it for a while.
        assert_eq!(points[14].of(Form::Footage) / GB, 2419);
    }

    #[test]
    fn a_disk_that_is_too_small_is_kept_free() {
        let points = forecast(start(&LadderRule::default(), 2000 * GB, 100 * GB), 100);
        for point in &points[1..] {
            assert!(point.free_bytes.unwrap() >= 100 * GB, "{}", point.time);
            assert!(!point.full);
        }
        let last = points.last().unwrap();
        assert_eq!(last.total() + last.free_bytes.unwrap(), 2000 * GB);
        assert_eq!(last.of(Form::Stills), 4 * 100 * 36_000_000);
        assert_eq!(
            last.freed_bytes.keys().next(),
            Some(&(Act::Remove, Reason::FreeSpace))
        );
        // 1900 GB less the stills hold ten days and a bit of 172.8 GB each.
        assert!((10..=11).contains(&last.least_reach_days().unwrap()));
        // Without a floor nothing goes: it runs full, and that is told.
        let points = forecast(start(&LadderRule::default(), 2000 * GB, 0), 100);
        assert!(!points[11].full && points[12].full && points[100].full);
        assert_eq!(points[100].total(), 2000 * GB);
        assert!(points[100].freed_bytes.is_empty());
        // So it does where nothing may go.
        let young = LadderRule {
            least: days(1000),
            ..LadderRule::default()
        };
        let points = forecast(start(&young, 2000 * GB, 100 * GB), 100);
        assert!(!points[11].full && points[12].full && points[100].full);
    }

    #[test]
    fn what_is_pinned_stays_until_the_pin_ends() {
        let rule = LadderRule {
            most: Some(days(10)),
            ..LadderRule::default()
        };
        let mut start = start(&rule, 100_000 * GB, 0);
        let later =
            |days: i64| CaptureTime::from_unix_nanos(start.now.unix_nanos() + days * DAY_NANOS);
        let object = |bytes| Object {
            camera: Name::new("gate").unwrap(),
            form: Form::Other,
            begin: later(-1),
            end: later(0),
            bytes,
            thinned_bytes: 0,
            name: String::new(),
        };
        start.pinned = vec![(object(3), None), (object(5), Some(later(20)))];
        start.objects = vec![object(7)];
        let points = forecast(start, 30);
        let of = |day: usize| points[day].of(Form::Other);
        assert_eq!((of(0), of(8), of(9), of(19), of(20)), (15, 15, 8, 8, 3));
    }

    #[test]
    fn quotas_hold_each_day() {
        let rule = LadderRule {
            quota: Some(ByteCount::new(500 * GB)),
            ..LadderRule::default()
        };
        let points = forecast(start(&rule, 100_000 * GB, 0), 60);
        for point in &points {
            assert!(point.total() <= 4 * 500 * GB);
        }
        assert_eq!(points[60].least_reach_days(), Some(11));
    }
}
