//! Disks that hang, fail, are full, are away, beside a recorder: nothing that was published is lost or
//! changed, nothing at all within the bound of the spool, and what is lost stands in the ledger with
//! the cause `storage`. The truth are the numbers in the cameras' pictures.
//!
//! All of it goes on at a time, on the same cameras: most of it is waiting. `FOREBAY_FROZEN_SECONDS`
//! says for how long the archive hangs (default 8); with 600 it is long enough for everything that
//! gives up after some minutes.

mod archive;
mod bound;
mod spool;

use std::fs;
use std::path::{Path, PathBuf};
use std::process::Command;
use std::thread::{scope, sleep};
use std::time::Duration;

use forebay_tests::recording::{Recording, marks};
use forebay_tests::truth::schedule::{Event, Kind};
use forebay_tests::truth::{
    BITS_PER_SECOND, CAMERAS, DATAGRAMS, FPS, GOP, Plan, compare::compare, ledger, stage::Outcome,
};
use forebay_tests::{
    Camera, Configuration, Metrics, Relay, SiteServer, fresh_folder, mp4_files, storage, wait_for,
};

use crate::{SCRATCH, alone};

/// How long something may take to be seen on a machine that is busy.
const LONG: Duration = Duration::from_secs(90);
const SEGMENT_SECONDS: u32 = 2;

fn frozen() -> Duration {
    let seconds = std::env::var("FOREBAY_FROZEN_SECONDS");
    let seconds = seconds.map_or(8, |text| text.parse().expect("FOREBAY_FROZEN_SECONDS"));
    Duration::from_secs(seconds)
}

/// A relay in a folder of its own, at cameras that it shares with others.
struct Stage {
    folder: PathBuf,
    configuration: Configuration,
    relay: Option<Relay>,
    events: Vec<Event>,
}

impl Stage {
    fn new(name: &str, sites: &[SiteServer], extra: &str) -> Self {
        let folder = fresh_folder(SCRATCH, &format!("storage-{name}"));
        let mut configuration = Configuration::new(&folder)
            .segment_seconds(SEGMENT_SECONDS)
            .spool(&folder.join("spool"))
            .leave_archive()
            .extra(extra);
        for (camera, name) in CAMERAS.into_iter().enumerate() {
            configuration = configuration.camera(Camera {
                name: name.into(),
                url: sites[camera].urls[0].clone(),
                udp: camera == DATAGRAMS,
                ..Camera::default()
            });
        }
        Self {
            folder,
            configuration,
            relay: None,
            events: Vec::new(),
        }
    }

    fn archive(&self) -> PathBuf {
        self.configuration.archive()
    }

    fn spool(&self) -> PathBuf {
        self.folder.join("spool")
    }

    fn start(&mut self) {
        self.relay = Some(Relay::spawn(&self.configuration));
    }

    /// Starts it, and waits until all cameras are recorded and their footage is in the archive.
    fn start_and_flow(&mut self) {
        self.start();
        self.until("footage of all cameras", |page| {
            let published = |camera| {
                let labels = [("camera", camera), ("sink", "footage")];
                page.sum("forebay_sink_objects_published_total", &labels)
            };
            CAMERAS
                .into_iter()
                .all(|camera| published(camera) > Some(0.0))
        });
    }

    fn relay(&self) -> &Relay {
        self.relay.as_ref().unwrap()
    }

    fn page(&self) -> Metrics {
        self.relay().metrics()
    }

    fn until(&self, what: &str, is_so: impl Fn(&Metrics) -> bool) {
        let seen = wait_for(LONG, || {
            let page = self.relay.as_ref()?;
            // It may not listen yet.
            let (_, body) = forebay_tests::http_get(page.address(), "/metrics")?;
            is_so(&Metrics::new(body)).then_some(())
        });
        assert!(
            seen.is_some(),
            "{}: {what}: not seen\n{}",
            self.folder.display(),
            self.relay().log()
        );
    }

    /// Nothing waits any more, and the archive is well.
    fn until_carried(&self) {
        self.until("all is carried", |page| {
            page.sum("forebay_archive_away_timestamp_seconds", &[]) == Some(0.0)
                && page.sum("forebay_spool_waiting_objects", &[]) <= Some(0.0)
        });
    }

    fn until_away(&self, reason: &str) {
        self.until(&format!("the archive is away ({reason})"), |page| {
            let labels = [("reason", reason)];
            page.sum("forebay_archive_away_timestamp_seconds", &labels) > Some(0.0)
        });
    }

    /// Seconds of pictures that have come from the cameras, all together.
    fn units(&self) -> f64 {
        let page = self.page();
        page.sum("forebay_camera_units_total", &[]).unwrap_or(0.0)
    }

    /// Something was wrong from a moment on that costs footage of all cameras.
    fn costs(&mut self, kind: Kind, at: f64, end: f64) {
        self.events.push(Event {
            kind,
            at,
            length: end - at,
        });
    }

    fn stop(&mut self) {
        let stopped = self.relay.take().unwrap().stop();
        assert!(
            stopped.status.success(),
            "{}: {}\n{}",
            self.folder.display(),
            stopped.status,
            stopped.log
        );
    }

    /// Compares what the ledger says with what is in the archive, and has all of it read again.
    /// `rebuilds`: all that was ever told is in the files.
    fn judge(self, rebuilds: bool) -> Vec<String> {
        let plan = Plan {
            seed: 0,
            rounds: 0,
            bed: false,
            storage: true,
        };
        let accounts = ledger::ask(&self.configuration);
        let rebuilt = if rebuilds {
            ledger::rebuild(&self.configuration);
            ledger::ask(&self.configuration)
        } else {
            accounts.clone()
        };
        let read = |camera: &str| {
            let files = mp4_files(&self.archive().join(camera));
            marks(&Recording::read_marks(&files))
        };
        let outcome = Outcome {
            events: self.events.clone(),
            footage: CAMERAS.into_iter().map(read).collect(),
            accounts,
            rebuilt,
        };
        let report = compare(&plan, &outcome);
        println!("{}\n{}", self.folder.display(), report.table);
        // Exits with 65 where anything is not what was written.
        let file = self.folder.join("forebay.toml");
        let scrub = Command::new(Relay::program())
            .args(["scrub", "--config"])
            .arg(file)
            .output()
            .unwrap();
        let told = String::from_utf8_lossy(&scrub.stdout);
        assert!(scrub.status.success(), "{told}");
        let name = self
            .folder
            .file_name()
            .unwrap()
            .to_string_lossy()
            .into_owned();
        let failures = report.failures.into_iter();
        failures.map(|words| format!("{name}: {words}")).collect()
    }
}

/// All that lies below a folder.
fn files_below(folder: &Path) -> Vec<PathBuf> {
    let mut files = Vec::new();
    for entry in fs::read_dir(folder).into_iter().flatten().flatten() {
        match entry.path() {
            path if path.is_dir() => files.extend(files_below(&path)),
            path => files.push(path),
        }
    }
    files
}

fn sites() -> Vec<SiteServer> {
    let options = format!(
        "--streams 1 --size 640x360 --fps {FPS} --gop {GOP} --bitrate {BITS_PER_SECOND} \
         --sessions 32"
    );
    let options: Vec<&str> = options.split_whitespace().collect();
    let server = Path::new(env!("CARGO_BIN_EXE_site_server"));
    CAMERAS.map(|_| SiteServer::start(server, &options)).into()
}

/// Gives what was wrong, in words.
type Scene = fn(&[SiteServer]) -> Vec<String>;

#[test]
fn what_disks_do_costs_no_more_than_it_must() {
    if !storage::or_skip() {
        return;
    }
    let _alone = alone();
    let sites = sites();
    let sites = sites.as_slice();
    let scenes: [Scene; 4] = [
        archive::is_away_and_comes_back,
        spool::fails_and_is_removed,
        bound::stops,
        bound::drops_the_oldest,
    ];
    let failures: Vec<String> = scope(|scope| {
        let mut scenes: Vec<_> = scenes
            .into_iter()
            .map(|scene| scope.spawn(move || scene(sites)))
            .collect();
        let mut failures = Vec::new();
        for scene in scenes.drain(..) {
            match scene.join() {
                Ok(told) => failures.extend(told),
                Err(panic) => {
                    let words = panic.downcast_ref::<String>().cloned();
                    failures.push(words.unwrap_or_else(|| "a scene panicked".into()));
                }
            }
        }
        failures
    });
    assert!(failures.is_empty(), "{}", failures.join("\n"));
}

fn rest(seconds: f64) {
    sleep(Duration::from_secs_f64(seconds));
}
