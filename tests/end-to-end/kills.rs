//! SIGKILL at random moments while three cameras record, 200 times (`FOREBAY_KILLS`). Each start
//! repairs and publishes what the kill before left open. Then every published file plays whole,
//! and nothing that was captured five seconds before a kill, or earlier, is missing.
//!
//! Several relays run side by side, each in a folder of its own, on the same three cameras. What
//! a camera sent is known by the number that it puts into each unit.

use std::collections::BTreeMap;
use std::fs;
use std::path::{Path, PathBuf};
use std::process::Command;
use std::thread::{scope, sleep};
use std::time::{Duration, Instant, SystemTime};

use fastrand::Rng;
use forebay_tests::recording::{Recording, decode};
use forebay_tests::{Camera, Configuration, Relay, SiteServer, fresh_folder, mp4_files, unix_now};

use crate::{SCRATCH, alone};

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
}

/// A recorded picture: its number and when it was captured.
type Picture = (u64, f64);

#[test]
fn nothing_older_than_five_seconds_is_lost_by_a_kill() {
    let kills = std::env::var("FOREBAY_KILLS").map_or(200, |kills| {
        kills
            .parse()
            .unwrap_or_else(|_| panic!("FOREBAY_KILLS is {kills:?}, not a number"))
    });
    let seed = 20_260_504;
    let _alone = alone();
    let folder = fresh_folder(SCRATCH, "kills");
    let program = Path::new(env!("CARGO_BIN_EXE_site_server"));
    let options = "--streams 3 --bitrate 400000 --size 320x180 --gop 25";
    let site = SiteServer::start(program, &options.split(' ').collect::<Vec<_>>());

    let mut lanes: Vec<Lane> = (0..LANES)
        .map(|lane| Lane::new(&folder, lane, &site.urls))
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
}

impl Lane {
    fn new(folder: &Path, index: usize, urls: &[String]) -> Self {
        let folder = folder.join(format!("lane-{index}"));
        fs::create_dir_all(&folder).unwrap();
        let mut configuration = Configuration::new(&folder);
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
        }
    }

    fn run(&mut self, kills: usize, mut random: Rng) {
        for _ in 0..kills {
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
            if !path.components().any(|part| part.as_os_str() == "footage") {
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
            let files = mp4_files(&self.configuration.archive().join(name).join("footage"));
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
