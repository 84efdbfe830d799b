//! SIGKILL at random moments while three cameras record, 24 times (`FOREBAY_KILLS`). Each start
//! repairs and publishes what the kill before left open. Then every published file plays whole,
//! and nothing that was captured five seconds before a kill, or earlier, is missing.
//!
//! Several relays run side by side, each in a folder of its own, on the same three cameras. What
//! a camera sent is known by the number that it puts into each unit.
//!
//! The same again (`FOREBAY_CARRY_KILLS`) in carrying to an archive on another file system, in
//! publishing, and in thinning: then everything that was ever published is what its manifest says, by
//! sha256sum, and what is missing is a gap of the ledger, by fault of the relay.

use std::collections::{BTreeMap, BTreeSet};
use std::ffi::OsStr;
use std::fs;
use std::path::{Path, PathBuf};
use std::process::Command;
use std::slice;
use std::thread::{scope, sleep};
use std::time::{Duration, Instant, SystemTime};

use fastrand::Rng;
use forebay_tests::footage::record;
use forebay_tests::recording::{Recording, decode, marks, rfc3339_of};
use forebay_tests::truth::{Cause, ledger};
use forebay_tests::{
    Camera, Configuration, Relay, SiteServer, fresh_folder, listed, mp4_files, unix_now, wait_for,
};

use crate::{SCRATCH, beside};

/// Relays that run at the same time.
const LANES: usize = 4;
const CAMERAS: [&str; 3] = ["slipway", "gate", "mast-crane"];
/// Pictures a second of the simulated site's looped cameras.
const FPS: f64 = 25.0;
/// What a kill may cost.
const LOSS_SECONDS_MAX: f64 = 5.0;
/// From readiness to the first key frame: connection, set-up, and one GOP of a second.
const FIRST_PICTURE_SECONDS_MAX: f64 = 4.0;

/// One life of a relay; Unix seconds.
struct Life {
    ready: Option<f64>,
    end: f64,
}

/// One folder and all that happened there.
struct Lane {
    configuration: Configuration,
    lives: Vec<Life>,
    /// Published files with length and time of change when first seen.
    published: BTreeMap<PathBuf, (u64, SystemTime)>,
    /// Footage of some days ago that is to be thinned, where any is.
    old: Option<Old>,
}

/// Old footage: many names of one file, more of them for each life.
struct Old {
    first: PathBuf,
    spool: PathBuf,
    begin: f64,
    names: usize,
}

/// Files that come for each life.
const OLD_FILES: usize = 12;
/// Between two of them.
const OLD_SECONDS: f64 = 4.0;

const LISTED_MAX: Duration = Duration::from_secs(60);

/// A recorded picture: its number and when it was captured.
type Picture = (u64, f64);

#[test]
fn nothing_older_than_five_seconds_is_lost_by_a_kill() {
    kill(number("FOREBAY_KILLS", 24), "kills", None);
}

#[test]
fn nothing_is_lost_by_a_kill_in_carrying_publishing_and_thinning() {
    // Another file system than that of the archive, on any machine with Linux.
    let elsewhere = fresh_folder("/dev/shm", "carried");
    kill(
        number("FOREBAY_CARRY_KILLS", 8),
        "carry-kills",
        Some(&elsewhere),
    );
    fs::remove_dir_all(&elsewhere).unwrap();
}

fn number(variable: &str, default: usize) -> usize {
    std::env::var(variable).map_or(default, |kills| {
        kills
            .parse()
            .unwrap_or_else(|_| panic!("{variable} is {kills:?}, not a number"))
    })
}

/// Kills so many relays. `elsewhere`: a folder on another file system, for the spools of half of them;
/// then footage is published often, and old footage thinned.
fn kill(kills: usize, name: &str, elsewhere: Option<&Path>) {
    let seed = 20_260_504;
    let _beside = beside();
    let folder = fresh_folder(SCRATCH, name);
    let program = Path::new(env!("CARGO_BIN_EXE_site_server"));
    let options = "--streams 3 --bitrate 400000 --size 320x180 --gop 25";
    let site = SiteServer::start(program, &options.split(' ').collect::<Vec<_>>());

    let mut lanes: Vec<Lane> = (0..LANES)
        .map(|lane| Lane::new(&folder, lane, &site.urls, elsewhere))
        .collect();
    scope(|scope| {
        for (index, lane) in lanes.iter_mut().enumerate() {
            let share = (kills + LANES - 1 - index) / LANES;
            scope.spawn(move || lane.run(share, Rng::with_seed(seed + index as u64)));
        }
    });
    drop(site);

    let lost: Vec<f64> = lanes.iter().flat_map(Lane::check).collect();
    let worst = lost.iter().copied().fold(0.0, f64::max);
    println!(
        "{kills} kills, seed {seed}: of {} recordings that were cut off the last {worst:.2} s at most \
         are lost",
        lost.len()
    );
    assert!(
        lost.len() >= kills / 2,
        "too few of the kills hit a recording"
    );
    if elsewhere.is_some() {
        for lane in &lanes {
            println!("{}", lane.check_old());
        }
    }
}

impl Lane {
    fn new(folder: &Path, index: usize, urls: &[String], elsewhere: Option<&Path>) -> Self {
        let folder = folder.join(format!("lane-{index}"));
        fs::create_dir_all(&folder).unwrap();
        let mut configuration = Configuration::new(&folder);
        let mut old = None;
        if let Some(elsewhere) = elsewhere {
            configuration = configuration
                .segment_seconds(1)
                .extra("\n[ladder]\nfootage_days = 2\nkey_frame_days = 700\n");
            let spool = if index.is_multiple_of(2) {
                elsewhere.join(format!("spool-{index}"))
            } else {
                configuration.archive().join(".spool")
            };
            configuration = configuration.spool(&spool);
            // Noon three days ago: what is thinned is all of one day.
            let day = 86_400.0;
            let begin = (unix_now() / day).floor() * day - 2.5 * day;
            let coding = "-c:v libx264 -g 10 -c:a aac";
            let first = record(&configuration.archive(), CAMERAS[0], begin, 2, 1, coding);
            old = Some(Old {
                first,
                spool,
                begin,
                names: 1,
            });
        }
        for (name, url) in CAMERAS.iter().zip(urls) {
            configuration = configuration.camera(Camera {
                name: (*name).into(),
                url: url.clone(),
                ..Camera::default()
            });
        }
        Self {
            configuration,
            lives: Vec::new(),
            published: BTreeMap::new(),
            old,
        }
    }

    /// More old footage.
    fn seed(&mut self) {
        let Some(old) = &mut self.old else { return };
        let folder = old.first.parent().unwrap();
        fs::create_dir_all(folder).unwrap();
        let source = self.configuration.folder().join("old.mp4");
        if !source.exists() {
            fs::copy(&old.first, &source).unwrap();
        }
        for _ in 0..OLD_FILES {
            let name = rfc3339_of(old.begin + old.names as f64 * OLD_SECONDS).replace(':', "");
            let name = format!("{}Z.mp4", &name[..name.len() - 4]);
            // Whole under its name at once, as all that is published.
            fs::hard_link(&source, folder.join(name)).unwrap();
            old.names += 1;
        }
    }

    /// Of each old file there is the original, the copy with its key frames, or both.
    fn check_old(&self) -> String {
        let old = self.old.as_ref().unwrap();
        let archive = self.configuration.archive();
        let below = |purpose: &str| -> BTreeSet<_> {
            let day = old.first.parent().unwrap().file_name().unwrap();
            let folder = archive.join(CAMERAS[0]).join(purpose).join(day);
            let files = mp4_files(&folder).into_iter();
            files
                .map(|file| file.file_name().unwrap().to_owned())
                .collect()
        };
        // What the last end has left unlisted, the next start lists.
        let relay = Relay::start(&self.configuration);
        let look = || {
            listed::wrong(
                &archive,
                &listed::read(&archive, slice::from_ref(&old.spool)),
            )
        };
        let complete = wait_for(LISTED_MAX, || look().is_empty().then_some(()));
        relay.kill();
        assert!(complete.is_some(), "{:?}", look());
        let (whole, thinned) = (below("footage"), below("key-frames"));
        let all = whole.union(&thinned).count();
        assert_eq!(all, old.names, "of {} old files", old.names);
        decode(&mp4_files(&archive.join(CAMERAS[0]).join("key-frames")));
        // What a kill has cost is a gap, and the relay's.
        for account in ledger::ask(&self.configuration) {
            for gap in &account.gaps {
                assert_eq!(gap.cause, Cause::Relay, "{gap:?}");
            }
            let files = mp4_files(&archive.join(&account.camera).join("footage"));
            let marks = marks(&Recording::read_marks(&files));
            let seconds = marks.len() as f64 / FPS;
            // A sample more or less at each edge of a gap.
            let slack = 2.0 / FPS * (account.gaps.len() + 1) as f64 + 0.5;
            assert!(
                (account.recorded - seconds).abs() < slack,
                "{}: {:.2} s by the ledger, {seconds:.2} s by the pictures",
                account.camera,
                account.recorded
            );
        }
        format!(
            "{}: of {} old files {} are thinned, {} of them with their originals still there",
            self.configuration.folder().file_name().unwrap().display(),
            old.names,
            thinned.len(),
            whole.intersection(&thinned).count()
        )
    }

    fn run(&mut self, kills: usize, mut random: Rng) {
        for _ in 0..kills {
            self.seed();
            let relay = Relay::spawn(&self.configuration);
            let begin = Instant::now();
            // Mostly while the first fragments are written, at times during start and repair, and
            // often enough so late that there is footage older than what may be lost.
            let seconds = match random.u8(0..10) {
                0 => 1.2 * random.f64(),
                1..=6 => 1.2 + 2.8 * random.f64(),
                _ => 6.0 + 3.0 * random.f64(),
            };
            let moment = Duration::from_secs_f64(seconds);
            let mut ready = None;
            while begin.elapsed() < moment {
                if ready.is_none() && relay.is_ready() {
                    ready = Some(unix_now());
                    self.look();
                }
                let left = moment.saturating_sub(begin.elapsed());
                sleep(if ready.is_none() {
                    left.min(Duration::from_millis(5))
                } else {
                    left
                });
            }
            let end = unix_now();
            relay.kill();
            self.lives.push(Life { ready, end });
        }
        let stopped = Relay::start(&self.configuration).stop();
        assert!(
            stopped.status.success(),
            "{}\n{}",
            stopped.status,
            stopped.log
        );
        self.look();
        // Each file is in a manifest, as it is, and each manifest knows the one before.
        let scrub = Command::new(Relay::program())
            .args(["scrub", "--config"])
            .arg(self.configuration.folder().join("forebay.toml"))
            .output()
            .unwrap();
        let told = String::from_utf8_lossy(&scrub.stdout);
        assert!(scrub.status.success(), "{}\n{told}", scrub.status);
    }

    /// A published file never changes again.
    fn look(&mut self) {
        for path in mp4_files(&self.configuration.archive()) {
            let is = |name: &OsStr| path.components().any(|part| part.as_os_str() == name);
            let old = self.old.as_ref();
            let old = old.and_then(|old| old.first.parent()?.file_name());
            if !is(OsStr::new("footage")) || old.is_some_and(is) {
                continue;
            }
            let about = fs::metadata(&path).unwrap();
            let state = (about.len(), about.modified().unwrap());
            let before = self.published.entry(path.clone()).or_insert(state);
            assert_eq!(
                *before,
                state,
                "{} changed after its publication",
                path.display()
            );
        }
    }

    /// Checks all files and all lives; gives the seconds lost in each recording that was cut off.
    fn check(&self) -> Vec<f64> {
        let mut lost = Vec::new();
        for path in self.published.keys() {
            assert!(
                path.is_file(),
                "{} vanished after its publication",
                path.display()
            );
        }
        for name in CAMERAS {
            let mut files = mp4_files(&self.configuration.archive().join(name).join("footage"));
            if let Some(old) = &self.old {
                files.retain(|file| file.parent() != old.first.parent());
            }
            decode(&files);
            let dump = self.configuration.folder().join("audio");
            let mut pictures: Vec<Vec<Picture>> = Vec::new();
            for recording in Recording::read(&files, &dump) {
                pictures.push(self.pictures(&recording));
            }
            let mut begin = 0.0;
            for life in &self.lives {
                let lived: Vec<Picture> = pictures
                    .iter()
                    .flatten()
                    .filter(|(_, captured)| (begin..life.end).contains(captured))
                    .copied()
                    .collect();
                lost.extend(self.check_life(name, life, &lived));
                begin = life.end;
            }
        }
        lost
    }

    /// The pictures of a file: none missing inside, the first a key frame.
    fn pictures(&self, recording: &Recording) -> Vec<Picture> {
        let file = recording.file.display();
        let samples = &recording.video().samples;
        assert!(
            samples.first().is_some_and(|sample| sample.key),
            "{file}: no key frame first"
        );
        let pictures: Vec<Picture> = samples
            .iter()
            .map(|sample| {
                let captured = sample.captured.expect("the camera marks each unit");
                (
                    sample.counter.expect("the camera marks each unit"),
                    captured as f64 / 1e9,
                )
            })
            .collect();
        for pair in pictures.windows(2) {
            assert_eq!(pair[1].0, pair[0].0 + 1, "{file}: a picture is missing");
        }
        pictures
    }

    fn check_life(&self, camera: &str, life: &Life, pictures: &[Picture]) -> Option<f64> {
        let place = format!("{}, {camera}", self.configuration.folder().display());
        for pair in pictures.windows(2) {
            assert_eq!(
                pair[1].0,
                pair[0].0 + 1,
                "{place}: missing between two files of a life"
            );
        }
        let ready = life.ready?;
        // What the relay had at the latest before the time that may be lost.
        let due = life.end - LOSS_SECONDS_MAX;
        let first_due = ready + FIRST_PICTURE_SECONDS_MAX;
        if let (Some(first), Some(last)) = (pictures.first(), pictures.last()) {
            let late = first.1 - ready;
            assert!(
                late < FIRST_PICTURE_SECONDS_MAX,
                "{place}: first picture {late:.2} s late"
            );
            let lost = life.end - last.1 - 1.0 / FPS;
            assert!(
                lost <= LOSS_SECONDS_MAX,
                "{place}: lost the last {lost:.2} s"
            );
            return Some(lost);
        }
        assert!(
            due < first_due,
            "{place}: nothing of a life of {:.2} s",
            life.end - ready
        );
        None
    }
}
