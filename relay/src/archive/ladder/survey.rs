//! What there is in the archive, and what of it is due: for whoever wants to see before it happens.

use std::collections::{BTreeMap, BTreeSet};

use super::forecast::{Inflow, Start};
use super::pins::{self, PinError};
use super::rules::cutoff;
use super::thin::{OnDisk, key_frame_bytes};
use super::{
    Act, DayFolder, Form, LadderOptions, Object, Pins, Reason, Room, Verdict, day_folders, due,
    objects, shelf,
};
use crate::archive::catalog::Catalog;
use crate::archive::{At, Disk};
use crate::units::{CameraName, CaptureTime};

/// So many days before today tell how much comes each day.
const FLOW_DAYS: i64 = 7;
const DAY_NANOS: i64 = 24 * 3600 * 1_000_000_000;
/// Files of a camera that are looked into for the share of key frames.
const SAMPLES: usize = 3;

/// Objects of a camera to which the same would happen now.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct DueTally {
    /// How many.
    pub objects: u64,
    /// Their length in all.
    pub bytes: u64,
    /// Begin of the oldest.
    pub first: CaptureTime,
    /// Begin of the youngest.
    pub last: CaptureTime,
}

/// What was found.
#[derive(Debug, Clone)]
pub struct Survey {
    /// For a forecast.
    pub start: Start,
    /// What is due now: by camera, form, act and reason.
    pub due: BTreeMap<(CameraName, Form, Act, Reason), DueTally>,
    /// What would be, were it not pinned.
    pub pinned: BTreeMap<(CameraName, Form, Act, Reason), DueTally>,
    /// The cameras that the archive holds anything of.
    pub cameras: BTreeSet<CameraName>,
}

/// Looks at every day of an archive: at the files where something is due or pinned, or the catalog
/// does not tell what they take. `progress` is called with the number of folders of days looked
/// at, and of all.
///
/// # Errors
/// What the disk says, and pins that can't be read.
pub fn survey(
    disk: &dyn Disk,
    options: &LadderOptions,
    now: CaptureTime,
    progress: &mut dyn FnMut(usize, usize),
) -> Result<Survey, PinError> {
    let archive = &options.archive;
    let mut failure = None;
    let folders = day_folders(disk, archive, &mut |error| failure = Some(error))?;
    if let Some(error) = failure {
        return Err(error.into());
    }
    let cameras: BTreeSet<_> = folders.iter().map(|folder| folder.camera.clone()).collect();
    let mut all = Vec::new();
    for camera in &cameras {
        all.extend(pins::read(disk, archive, camera)?);
    }
    let pins = Pins::from(all);
    let shares = shares(disk, options, &folders)?;
    let catalog = Catalog::open_to_read(&options.spool).ok();
    let catalog = catalog.filter(|catalog| catalog.knows_manifests().unwrap_or(false));
    let mut found = Survey {
        start: Start {
            objects: Vec::new(),
            pinned: Vec::new(),
            inflow: Vec::new(),
            rules: options.rules(cameras.iter()),
            room: Room {
                free_bytes: match disk.is_far(archive) {
                    true => Room::BOUNDLESS,
                    false => {
                        let found = disk.room(archive);
                        found.at("tell the free space of", archive)?.free_bytes
                    }
                },
                floor_bytes: options.free_bytes,
                used_bytes: BTreeMap::new(),
                quota_bytes: options.quotas(cameras.iter()),
            },
            now,
        },
        due: BTreeMap::new(),
        pinned: BTreeMap::new(),
        cameras,
    };
    let number = folders.len();
    for (index, folder) in folders.iter().enumerate() {
        progress(index, number);
        let rule = options.rule(&folder.camera);
        let may_be_due =
            cutoff(folder.form, rule, now).is_some_and(|cutoff| folder.begin() <= cutoff);
        let pinned = pins.touch(&folder.camera, folder.begin(), folder.last_end());
        let is_young = folder.end() > CaptureTime::from_unix_nanos(now.unix_nanos() - DAY_NANOS);
        // Millions of files need not be looked up one by one where only their sum is asked for.
        let known = catalog
            .as_ref()
            .filter(|_| !may_be_due && !pinned && !is_young);
        let known = known.and_then(|catalog| catalog.folder_bytes(&folder.name).ok());
        let known = known.filter(|(number, _)| *number > 0);
        let inside = match known {
            Some(_) => Vec::new(),
            None => objects(disk, archive, folder)?,
        };
        if may_be_due {
            for object in &inside {
                found.tally(object, due(object, rule, &pins, now));
            }
        }
        let share = shares.get(&folder.camera);
        let together = |bytes: u64| Object {
            camera: folder.camera.clone(),
            form: folder.form,
            begin: folder.begin(),
            // Of today there is what there is.
            end: folder.end().min(now),
            bytes,
            thinned_bytes: thinned(bytes, share),
            name: String::new(),
        };
        let mut free = known.map_or(0, |(_, bytes)| bytes);
        let mut held: BTreeMap<Option<CaptureTime>, u64> = BTreeMap::new();
        for object in &inside {
            let sum = match pins.held_until(object, now) {
                Some(until) => held.entry(until).or_default(),
                None => &mut free,
            };
            *sum = sum.saturating_add(object.bytes);
        }
        if free > 0 {
            found.start.objects.push(together(free));
        }
        let held = held
            .into_iter()
            .map(|(until, bytes)| (together(bytes), until));
        found.start.pinned.extend(held);
    }
    found.start.inflow = inflow(&found.start, now);
    Ok(found)
}

fn thinned(bytes: u64, share: Option<&f64>) -> u64 {
    (bytes as f64 * share.copied().unwrap_or(1.0)).ceil() as u64
}

impl Survey {
    fn tally(&mut self, object: &Object, verdict: Verdict) {
        let (tallies, act, reason) = match verdict {
            Verdict::Keep => return,
            Verdict::Due(act, reason) => (&mut self.due, act, reason),
            Verdict::Pinned(act, reason) => (&mut self.pinned, act, reason),
        };
        let key = (object.camera.clone(), object.form, act, reason);
        let tally = tallies.entry(key).or_insert(DueTally {
            objects: 0,
            bytes: 0,
            first: object.begin,
            last: object.begin,
        });
        tally.objects += 1;
        tally.bytes = tally.bytes.saturating_add(object.bytes);
        tally.first = tally.first.min(object.begin);
        tally.last = tally.last.max(object.begin);
    }
}

/// What comes each day: the mean of the last whole days that have any; of a camera that has just
/// begun, today's as far as the day has got.
fn inflow(start: &Start, now: CaptureTime) -> Vec<Inflow> {
    // By camera, form and day: a day has several objects where some of it is pinned.
    let mut days: BTreeMap<(CameraName, Form, CaptureTime), [u64; 2]> = BTreeMap::new();
    let pinned = start.pinned.iter().map(|(object, _)| object);
    for object in start.objects.iter().chain(pinned) {
        if object.form != Form::KeyFrames {
            let key = (object.camera.clone(), object.form, object.begin);
            let [bytes, thinned] = days.entry(key).or_default();
            *bytes = bytes.saturating_add(object.bytes);
            *thinned = thinned.saturating_add(object.thinned_bytes);
        }
    }
    let mut flows: BTreeMap<(CameraName, Form), [u64; 3]> = BTreeMap::new();
    let mut young: BTreeMap<(CameraName, Form), [u64; 2]> = BTreeMap::new();
    for ((camera, form, begin), [bytes, thinned]) in days {
        let age = now.unix_nanos().saturating_sub(begin.unix_nanos());
        if (0..DAY_NANOS).contains(&age) {
            young.insert((camera, form), [bytes, thinned]);
        } else if (DAY_NANOS..(FLOW_DAYS + 1) * DAY_NANOS).contains(&age) {
            let flow = flows.entry((camera, form)).or_default();
            flow[0] += 1;
            flow[1] = flow[1].saturating_add(bytes);
            flow[2] = flow[2].saturating_add(thinned);
        }
    }
    let passed = now.unix_nanos().rem_euclid(DAY_NANOS).max(DAY_NANOS / 24) as f64;
    for (key, bytes) in young {
        let whole = |bytes: u64| (bytes as f64 * DAY_NANOS as f64 / passed) as u64;
        flows
            .entry(key)
            .or_insert([1, whole(bytes[0]), whole(bytes[1])]);
    }
    let flow = |((camera, form), [days, bytes, thinned]): ((CameraName, Form), [u64; 3])| Inflow {
        camera,
        form,
        bytes: bytes / days.max(1),
        thinned_bytes: thinned / days.max(1),
    };
    flows.into_iter().map(flow).collect()
}

/// Which part of each camera's footage its key frames are, by a few of its latest files.
fn shares(
    disk: &dyn Disk,
    options: &LadderOptions,
    folders: &[DayFolder],
) -> Result<BTreeMap<CameraName, f64>, PinError> {
    let mut sums: BTreeMap<CameraName, (usize, u64, u64)> = BTreeMap::new();
    for folder in folders
        .iter()
        .rev()
        .filter(|folder| folder.form == Form::Footage)
    {
        let sum = sums.entry(folder.camera.clone()).or_default();
        if sum.0 >= SAMPLES {
            continue;
        }
        let inside = objects(disk, &options.archive, folder)?;
        for object in inside.iter().rev() {
            let path = shelf::path(&options.archive, object);
            let source = disk.open_to_read(&path).and_then(OnDisk::new);
            // What can't be read is not thinned either.
            let keys = source
                .ok()
                .and_then(|source| key_frame_bytes(&source, object.begin));
            if let Some(bytes) = keys {
                *sum = (sum.0 + 1, sum.1 + bytes, sum.2 + object.bytes);
            }
            if sum.0 >= SAMPLES {
                break;
            }
        }
    }
    let share = |(camera, (_, keys, all)): (CameraName, (usize, u64, u64))| {
        (all > 0).then(|| (camera, (keys as f64 / all as f64).min(1.0)))
    };
    Ok(sums.into_iter().filter_map(share).collect())
}
