//! The thread that lets the archive grow old: slowly, a bounded step at a time.
//!
//! It rests three times as long as a step took, so that it never has more than a quarter of a disk
//! or a core. Every ten minutes it looks for what is due, oldest days first, and only at days that
//! are old enough, and whether a quota is exceeded; every half minute whether there is free space. It
//! learns what each camera holds by looking at every folder once a day; until it has, no quota is
//! applied.

use std::collections::{BTreeMap, BTreeSet, VecDeque};
use std::path::PathBuf;
use std::sync::mpsc::{Receiver, RecvTimeoutError};
use std::sync::{Arc, Mutex, PoisonError};
use std::time::{Duration, Instant};

use super::clock::SteadyClock;
use super::rules::cutoff;
use super::sizes::Sizes;
use super::step::{Hand, StepError};
use super::{
    Act, DayFolder, Form, Object, Pins, Pressure, Room, Step, Verdict, day_folders, due, objects,
    pins, relieve,
};
use crate::archive::ending::Ending;
use crate::archive::jsonl::Lines;
use crate::archive::ledger::{JOURNALS, Ledger};
use crate::archive::{Archive, Disk, StorageError};
use crate::config::{Config, LadderRule};
use crate::telemetry::LadderEvents;
use crate::units::{CameraName, CaptureTime};

/// Files that are removed in one step: a line of the journal tells of them all.
const REMOVED_MAX: usize = 96;
/// Files that are thinned in one step.
const THINNED_MAX: usize = 4;
const AGE_PERIOD: Duration = Duration::from_secs(600);
/// While thinned copies wait to be carried to the archive.
const CARRIED_PERIOD: Duration = Duration::from_secs(30);
const ROOM_PERIOD: Duration = Duration::from_secs(30);
const SIZE_PERIOD: Duration = Duration::from_secs(24 * 3600);
/// Rest after a step: so many times as long as it took, within these bounds.
const REST_FACTOR: u32 = 3;
const REST_MIN: Duration = Duration::from_millis(5);
const REST_MAX: Duration = Duration::from_secs(10);
/// Rest after a failure, and while somebody pins.
const FAILED_REST: Duration = Duration::from_secs(60);
const GUARD_REST: Duration = Duration::from_millis(500);
/// A journal of the ladder's is handed in to the archive after this.
const JOURNAL_OPEN_MAX: Duration = Duration::from_secs(6 * 3600);

/// What the ladder goes by.
#[derive(Debug, Clone, PartialEq)]
pub struct LadderOptions {
    /// The archive.
    pub archive: PathBuf,
    /// Its spool: the guard that is held against pins is in it.
    pub spool: PathBuf,
    /// What shall be free at least, where anything shall.
    pub free_bytes: u64,
    /// For cameras of the archive that have no rule of their own, those that are not configured any
    /// more among them.
    pub rule: LadderRule,
    /// For each configured camera.
    pub cameras: BTreeMap<CameraName, LadderRule>,
}

impl LadderOptions {
    /// What a configuration says.
    #[must_use]
    pub fn new(config: &Config) -> Self {
        let cameras = config.cameras.iter();
        Self {
            archive: config.relay.archive.clone(),
            spool: config.relay.spool.clone(),
            free_bytes: config.ladder.free_space.map_or(0, |floor| floor.bytes()),
            rule: config.ladder.rule.clone(),
            cameras: cameras
                .map(|c| (c.name.clone(), c.ladder.clone()))
                .collect(),
        }
    }

    /// Whether anything ever goes.
    #[must_use]
    pub fn lets_go(&self) -> bool {
        let all = LadderRule::default();
        let mut rules = self.cameras.values().chain([&self.rule]);
        self.free_bytes > 0 || rules.any(|rule| *rule != all)
    }

    fn any_quota(&self) -> bool {
        let mut rules = self.cameras.values().chain([&self.rule]);
        rules.any(|rule| rule.quota.is_some())
    }

    /// The rule of a camera.
    #[must_use]
    pub fn rule(&self, camera: &CameraName) -> &LadderRule {
        self.cameras.get(camera).unwrap_or(&self.rule)
    }

    /// The rules of cameras.
    #[must_use]
    pub fn rules<'a>(
        &self,
        cameras: impl Iterator<Item = &'a CameraName>,
    ) -> BTreeMap<CameraName, LadderRule> {
        cameras
            .map(|camera| (camera.clone(), self.rule(camera).clone()))
            .collect()
    }

    /// The quotas of cameras that have one.
    #[must_use]
    pub fn quotas<'a>(
        &self,
        cameras: impl Iterator<Item = &'a CameraName>,
    ) -> BTreeMap<CameraName, u64> {
        cameras
            .filter_map(|camera| Some((camera.clone(), self.rule(camera).quota?.bytes())))
            .collect()
    }
}

/// Room that is being made.
struct Relief {
    room: Room,
    /// For what.
    pressure: Pressure,
    /// What could not be set free for a quota.
    missing: u64,
    /// Folders whose footage may go, the oldest first.
    folders: VecDeque<DayFolder>,
}

pub(super) struct Keeper {
    options: LadderOptions,
    /// What it is to go by from its next step on.
    changed: Changed,
    disk: Arc<dyn Disk>,
    hand: Hand,
    events: LadderEvents,
    clock: Option<SteadyClock>,
    sizes: Sizes,
    /// What each camera holds is known.
    sized: bool,
    /// Folders yet to be measured.
    to_size: VecDeque<DayFolder>,
    /// Folders yet to be looked at for what is due.
    to_age: VecDeque<DayFolder>,
    /// What was due in those that have been looked at, and is still there.
    overdue: u64,
    /// Whether a round is on its way that has not been told of.
    in_round: bool,
    relief: Option<Relief>,
    next_age: Instant,
    next_room: Instant,
    next_quota: Instant,
    next_size: Instant,
}

/// What a step came to.
enum Done {
    /// Something was done, or looked at.
    Worked,
    /// Somebody holds the guard.
    Guarded,
    /// There is nothing to do at present.
    Nothing,
}

/// Other options, until they are taken.
pub(super) type Changed = Arc<Mutex<Option<LadderOptions>>>;

impl Keeper {
    pub(super) fn new(
        (options, changed): (LadderOptions, Changed),
        disk: Arc<dyn Disk>,
        archive: &Archive,
        ledger: &Ledger,
        events: LadderEvents,
    ) -> Self {
        let journal = Lines::new(archive.clone(), JOURNALS, JOURNAL_OPEN_MAX);
        let now = Instant::now();
        Self {
            hand: Hand::new(
                Arc::clone(&disk),
                options.archive.clone(),
                archive.clone(),
                ledger.clone(),
                events.clone(),
                journal,
            ),
            options,
            changed,
            disk,
            events,
            clock: None,
            sizes: Sizes::default(),
            sized: false,
            to_size: VecDeque::new(),
            to_age: VecDeque::new(),
            overdue: 0,
            in_round: false,
            relief: None,
            next_age: now,
            next_room: now,
            next_quota: now,
            next_size: now,
        }
    }

    pub(super) fn run(&mut self, ending: &Ending, woken: &Receiver<()>) {
        let mut rest = REST_MIN;
        loop {
            match woken.recv_timeout(rest) {
                Ok(()) | Err(RecvTimeoutError::Timeout) => {}
                Err(RecvTimeoutError::Disconnected) => ending.ask(),
            }
            if ending.is_asked() {
                self.hand.finish();
                return;
            }
            let begun = Instant::now();
            self.take_change(begun);
            rest = match self.step(CaptureTime::now(), begun) {
                Ok(Done::Worked) => (begun.elapsed() * REST_FACTOR).clamp(REST_MIN, REST_MAX),
                Ok(Done::Guarded) => GUARD_REST,
                Ok(Done::Nothing) => {
                    let next = self.next_age.min(self.next_room).min(self.next_size);
                    next.saturating_duration_since(Instant::now()).max(REST_MIN)
                }
                Err(error) => {
                    // The folder that it was about is left for the next round.
                    let place = self.options.archive.display().to_string();
                    self.events.failed("work on the archive", &place, &error);
                    FAILED_REST
                }
            };
        }
    }

    /// What was decided by other rules is decided anew.
    fn take_change(&mut self, now: Instant) {
        let changed = self.changed.lock();
        let Some(options) = changed.unwrap_or_else(PoisonError::into_inner).take() else {
            return;
        };
        self.options = options;
        self.relief = None;
        self.to_age.clear();
        (self.next_age, self.next_room, self.next_quota) = (now, now, now);
    }

    /// One step. Room comes first, then what is due, then learning what there is.
    fn step(&mut self, wall: CaptureTime, at: Instant) -> Result<Done, StepError> {
        // An empty folder in its place would tell of nothing that is due, and of no time.
        self.hand.check_place()?;
        let now = self.time(wall, at)?;
        if self.relief.is_none() && self.next_room <= at {
            self.next_room = at + ROOM_PERIOD;
            self.relief = self.look_for_room(at)?;
        }
        if self.relief.is_some() {
            return self.make_room(now);
        }
        if self.to_age.is_empty() && self.next_age <= at {
            self.next_age = at + AGE_PERIOD;
            self.overdue = 0;
            self.to_age = self.old_enough(now)?;
            self.in_round = true;
        }
        if let Some(folder) = self.to_age.pop_front() {
            let done = self.let_go(folder, now);
            // At least one, where it can't even be told how many.
            self.overdue += u64::from(done.is_err());
            return done;
        }
        if std::mem::take(&mut self.in_round) {
            self.events.round_ended(wall, self.overdue);
        }
        if self.to_size.is_empty() && self.next_size <= at {
            self.next_size = at + SIZE_PERIOD;
            let folders = self.folders()?;
            self.sizes.keep_only(&folders);
            self.to_size = folders.into();
        }
        if let Some(folder) = self.to_size.pop_front() {
            self.measure(&folder)?;
            if self.to_size.is_empty() {
                self.sized = true;
                self.tell_sizes();
                // Now quotas can be applied.
                (self.next_room, self.next_quota) = (at, at);
            }
            return Ok(Done::Worked);
        }
        Ok(Done::Nothing)
    }

    /// The time to go by.
    fn time(&mut self, wall: CaptureTime, at: Instant) -> Result<CaptureTime, StepError> {
        if self.clock.is_none() {
            let newest = self.folders()?.last().map(DayFolder::end);
            self.clock = Some(SteadyClock::new(newest, wall, at));
        }
        let Some(clock) = &mut self.clock else {
            return Ok(wall);
        };
        let (now, ahead) = clock.read(wall, at);
        if let Some(ahead) = ahead {
            self.events.clock_leapt(ahead);
        }
        Ok(now)
    }

    fn folders(&self) -> Result<Vec<DayFolder>, StorageError> {
        let events = &self.events;
        day_folders(&*self.disk, &self.options.archive, &mut |error| {
            events.failed("list", &error.path.display().to_string(), &error);
        })
    }

    /// Folders of days that may hold something that is due.
    fn old_enough(&self, now: CaptureTime) -> Result<VecDeque<DayFolder>, StepError> {
        let mut folders = self.folders()?;
        folders.retain(|folder| {
            let rule = self.options.rule(&folder.camera);
            cutoff(folder.form, rule, now).is_some_and(|cutoff| folder.begin() <= cutoff)
        });
        Ok(folders.into())
    }

    /// Does what is due in a folder, up to a step's measure; the rest of it comes next.
    fn let_go(&mut self, folder: DayFolder, now: CaptureTime) -> Result<Done, StepError> {
        let archive = &self.options.archive;
        let all = objects(&*self.disk, archive, &folder)?;
        let rule = self.options.rule(&folder.camera);
        let none = Pins::default();
        let is_due = |object: &Object| matches!(due(object, rule, &none, now), Verdict::Due(..));
        if !all.iter().any(is_due) {
            return Ok(Done::Worked);
        }
        let Some(_guard) = pins::try_guard(&*self.disk, &self.options.spool)? else {
            self.to_age.push_front(folder);
            return Ok(Done::Guarded);
        };
        let (pins, known) = self.hand.pins(&BTreeSet::from([folder.camera.clone()]));
        if known.is_empty() {
            let due = all.iter().filter(|object| is_due(object)).count();
            self.overdue += due as u64;
            return Ok(Done::Worked);
        }
        let mut steps: Vec<Step> = Vec::new();
        let mut more = false;
        for object in all {
            let Verdict::Due(act, reason) = due(&object, rule, &pins, now) else {
                continue;
            };
            let most = match act {
                Act::Thin if !self.hand.can_thin(&object) => continue,
                Act::Thin => THINNED_MAX,
                Act::Remove => REMOVED_MAX,
            };
            if steps.len() >= most {
                more = true;
                break;
            }
            steps.push(Step {
                object,
                act,
                reason,
            });
        }
        let thins = steps.iter().any(|step| step.act == Act::Thin);
        let waiting = self.hand.waiting();
        let planned = steps.len();
        let gone = self.hand.apply(steps, &pins, now)?;
        let carried = self.hand.waiting().saturating_sub(waiting);
        // Where nothing came of it, going on would come to nothing, too.
        if more && (!gone.is_empty() || carried > 0) {
            self.to_age.push_front(folder.clone());
        } else {
            self.overdue += planned.saturating_sub(gone.len() + carried) as u64;
        }
        if self.hand.waiting() > 0 {
            // What is carried meanwhile makes room for more.
            self.next_age = self.next_age.min(Instant::now() + CARRIED_PERIOD);
        }
        self.forget(&gone);
        if thins && self.sized {
            let copies = DayFolder {
                form: Form::KeyFrames,
                name: format!("{}/{}/{}", folder.camera, super::KEY_FRAMES, folder.day),
                ..folder
            };
            self.measure(&copies)?;
        }
        Ok(Done::Worked)
    }

    fn forget(&mut self, gone: &[Object]) {
        for object in gone {
            if let Some((folder, _)) = object.name.rsplit_once('/') {
                self.sizes.gone(folder, object);
            }
        }
        if self.sized && !gone.is_empty() {
            self.tell_sizes();
        }
    }

    fn measure(&mut self, folder: &DayFolder) -> Result<(), StepError> {
        let objects = objects(&*self.disk, &self.options.archive, folder)?;
        let bytes = objects.iter().map(|object| object.bytes);
        self.sizes.set(folder, bytes.fold(0, u64::saturating_add));
        Ok(())
    }

    fn tell_sizes(&self) {
        for (camera, form, bytes) in self.sizes.sums() {
            self.events.holds(camera, form, bytes);
        }
    }

    /// Whether there is less room than there should be.
    fn look_for_room(&mut self, at: Instant) -> Result<Option<Relief>, StepError> {
        let archive = self.options.archive.clone();
        let any_quota = self.options.any_quota();
        let quotas = any_quota && self.sized && self.next_quota <= at;
        let mut room = Room {
            floor_bytes: self.options.free_bytes,
            ..Room::default()
        };
        // A store does not tell how much room it has.
        if self.disk.is_far(&archive) {
            (room.floor_bytes, room.free_bytes) = (0, Room::BOUNDLESS);
        }
        if room.floor_bytes > 0 {
            let found = self.disk.room(&archive);
            let found = found.map_err(|source| StorageError {
                operation: "tell the free space of",
                path: archive,
                source,
            })?;
            if room.floor_bytes >= found.total_bytes {
                // A slip of the pen must not cost everything.
                self.events
                    .floor_too_high(room.floor_bytes, found.total_bytes);
                room.floor_bytes = 0;
            }
            room.free_bytes = found.free_bytes;
        }
        if !quotas && !room.is_short() {
            if !any_quota {
                self.events.short(0);
            }
            return Ok(None);
        }
        let mut folders = self.folders()?;
        if quotas {
            self.next_quota = at + AGE_PERIOD;
            // What is being written to grows.
            let young: Vec<_> = {
                let newest = folders.last().map(|folder| folder.day.clone());
                let recent = folders.iter().rev();
                let recent = recent.take_while(|folder| Some(&folder.day) == newest.as_ref());
                recent.cloned().collect()
            };
            for folder in &young {
                self.measure(folder)?;
            }
            room.used_bytes = self.sizes.used();
            room.quota_bytes = self.options.quotas(room.used_bytes.keys());
        }
        let pressure = match (room.is_pressed(Pressure::Quota), room.is_short()) {
            (true, _) => Pressure::Quota,
            (false, true) => Pressure::FreeSpace,
            (false, false) => {
                self.events.short(0);
                return Ok(None);
            }
        };
        folders.retain(|folder| folder.form.gives_room());
        Ok(Some(Relief {
            room,
            pressure,
            missing: 0,
            folders: folders.into(),
        }))
    }

    /// Takes the oldest footage that may go, up to a step's measure.
    fn make_room(&mut self, now: CaptureTime) -> Result<Done, StepError> {
        let Some(mut relief) = self.relief.take() else {
            return Ok(Done::Nothing);
        };
        let Some(_guard) = pins::try_guard(&*self.disk, &self.options.spool)? else {
            self.relief = Some(relief);
            return Ok(Done::Guarded);
        };
        let cameras: BTreeSet<_> = relief.folders.iter().map(|f| f.camera.clone()).collect();
        let (pins, known) = self.hand.pins(&cameras);
        // Of the others nothing goes.
        let rules = self.options.rules(known.iter());
        let day = relief.folders.front().map(|folder| folder.day.clone());
        let mut of_day: Vec<Object> = Vec::new();
        let together = relief.folders.iter();
        let together = together.take_while(|folder| Some(&folder.day) == day.as_ref());
        let number = together.clone().count();
        for folder in together {
            of_day.extend(objects(&*self.disk, &self.options.archive, folder)?);
        }
        of_day.sort_by(|a, b| (a.begin, &a.name).cmp(&(b.begin, &b.name)));
        let before = relief.room.clone();
        let pressed = (&mut relief.room, relief.pressure);
        let steps = relieve(of_day, &rules, &pins, now, pressed, REMOVED_MAX);
        let full = steps.len() >= REMOVED_MAX;
        let planned = steps.len();
        let gone = self.hand.apply(steps, &pins, now)?;
        if gone.len() < planned {
            // Some were kept after all.
            relief.room = before;
            for object in &gone {
                relief.room.apply(&Step {
                    object: object.clone(),
                    act: Act::Remove,
                    reason: relief.pressure.reason(),
                });
            }
        }
        self.forget(&gone);
        if !full || gone.is_empty() {
            relief.folders.drain(..number);
        }
        if relief.room.is_pressed(relief.pressure) && !relief.folders.is_empty() {
            self.relief = Some(relief);
            return Ok(Done::Worked);
        }
        let missing = relief.missing.max(missing(&relief.room, relief.pressure));
        if relief.pressure == Pressure::Quota && relief.room.is_short() {
            let mut folders = self.folders()?;
            folders.retain(|folder| folder.form.gives_room());
            self.relief = Some(Relief {
                pressure: Pressure::FreeSpace,
                missing,
                folders: folders.into(),
                ..relief
            });
        } else {
            self.events.short(missing);
        }
        Ok(Done::Worked)
    }
}

/// What has to be set free, and nothing that may go is left for it.
fn missing(room: &Room, pressure: Pressure) -> u64 {
    let over = |(camera, most): (&CameraName, &u64)| {
        let used = room.used_bytes.get(camera).copied().unwrap_or(0);
        used.saturating_sub(*most)
    };
    match pressure {
        Pressure::Quota => room.quota_bytes.iter().map(over).max().unwrap_or(0),
        Pressure::FreeSpace => room.floor_bytes.saturating_sub(room.free_bytes),
    }
}

#[cfg(test)]
#[path = "run_tests.rs"]
mod tests;
