//! Cameras that misbehave for a while, all at the same time, before one relay.

use std::borrow::Cow;
use std::collections::BTreeMap;
use std::fmt::Write as _;
use std::fs;
use std::os::unix::fs::PermissionsExt as _;
use std::path::{Path, PathBuf};
use std::sync::{LazyLock, OnceLock};
use std::thread::sleep;
use std::time::{Duration, Instant};

use forebay_site::{Behaviour, SentFrame, SimulatedCamera};
use forebay_tests::{
    Configuration, Metrics, Relay, Stopped, fresh_folder, http_get, mp4_files, unix_now,
};

use super::cases::{
    ACCESS_UNIT, Case, FAULTS, FLOODS, HEALTHY, HOLD, PASSWORD, USER, WRONG_PASSWORD,
};
use super::footage::{Recorded, read};
use super::sight::Sight;
use super::site::Running;
use crate::{SCRATCH, beside};

/// How long the cameras misbehave.
const BAD: Duration = Duration::from_secs(7);
/// How long they are recorded after the last has recovered.
const AFTER: Duration = Duration::from_secs(3);
/// Frames of a camera that show that it flows: more than a group of pictures.
const FLOWING: f64 = 20.0;
const START_MAX: Duration = Duration::from_secs(40);
const RECOVERY_MAX: Duration = Duration::from_secs(45);
const LOOK: Duration = Duration::from_millis(80);

pub(super) static SESSIONS: [LazyLock<Session>; 2] = [
    LazyLock::new(|| Session::hold("bad-cameras", FAULTS)),
    LazyLock::new(|| Session::hold("flooding-cameras", FLOODS)),
];

/// What happened.
pub(super) struct Session {
    pub(super) cases: &'static [Case],
    pub(super) folder: PathBuf,
    archive: PathBuf,
    /// Before the cameras misbehave, while they do, and afterwards.
    pub(super) sights: Vec<Sight>,
    /// Unix seconds: when the relay was started, when the cameras began to misbehave and ceased
    /// to, and when the relay was asked to stop.
    pub(super) begun: f64,
    pub(super) switched: f64,
    pub(super) mended: f64,
    pub(super) end: f64,
    /// When each camera flowed again, Unix seconds.
    pub(super) recovered: BTreeMap<&'static str, f64>,
    pub(super) sent: BTreeMap<&'static str, Vec<SentFrame>>,
    /// Just before SIGTERM.
    pub(super) page: Metrics,
    pub(super) stopped: Stopped,
    recorded: OnceLock<BTreeMap<&'static str, Vec<Recorded>>>,
}

impl Session {
    fn hold(name: &str, cases: &'static [Case]) -> Self {
        let _beside = beside();
        let folder = fresh_folder(SCRATCH, name);
        let site = Running::start(cases.iter().map(Case::spec).collect());
        let configuration = configuration(&folder, cases, &site.cameras);
        let begun = unix_now();
        let relay = Relay::start(&configuration);
        let mut watch = Watch {
            relay,
            sights: Vec::new(),
            page: None,
        };

        let well = cases.iter().filter(|case| case.begins_well());
        let started = watch.until(START_MAX, |sight| {
            well.clone()
                .all(|case| sight.line(case.name).units > FLOWING)
        });
        assert!(
            started,
            "not all cameras are recorded:\n{}",
            watch.relay.log()
        );

        let switched = unix_now();
        for (case, camera) in cases.iter().zip(&site.cameras) {
            camera.behave(case.behaviour);
            if case.cut {
                camera.disconnect();
            }
        }
        watch.until(BAD, |_| false);

        let mended = unix_now();
        for (case, camera) in cases.iter().zip(&site.cameras) {
            camera.behave(Behaviour::Normal);
            if case.wrong_password {
                write_password(&folder, case.name, PASSWORD);
            }
        }
        let units = |sight: &Sight| -> BTreeMap<&str, f64> {
            cases
                .iter()
                .map(|case| (case.name, sight.line(case.name).units))
                .collect()
        };
        let before = units(watch.sights.last().unwrap());
        let mut recovered = BTreeMap::new();
        watch.until(RECOVERY_MAX, |sight| {
            for case in cases {
                let line = sight.line(case.name);
                let flows = line.phases.iter().any(|phase| phase == "flowing");
                if flows && line.units >= before[case.name] + FLOWING {
                    recovered.entry(case.name).or_insert(sight.at);
                }
            }
            recovered.len() == cases.len()
        });
        watch.until(AFTER, |_| false);

        let end = unix_now();
        let Watch {
            relay,
            sights,
            page,
        } = watch;
        let page = page.unwrap();
        fs::write(folder.join("metrics.txt"), page.text()).unwrap();
        let stopped = relay.stop();
        let sent = cases
            .iter()
            .zip(&site.cameras)
            .map(|(case, camera)| (case.name, camera.sent()));
        Self {
            cases,
            archive: configuration.archive(),
            folder,
            sights,
            begun,
            switched,
            mended,
            end,
            recovered,
            sent: sent.collect(),
            page,
            stopped,
            recorded: OnceLock::new(),
        }
    }

    pub(super) fn name(&self) -> Cow<'_, str> {
        self.folder.file_name().unwrap().to_string_lossy()
    }

    /// The published files of a camera.
    pub(super) fn files(&self, case: &Case) -> Vec<PathBuf> {
        mp4_files(&self.archive.join(case.name).join("footage"))
    }

    /// What was recorded of a camera, file by file.
    pub(super) fn recorded(&self, case: &Case) -> &[Recorded] {
        let all = self.recorded.get_or_init(|| {
            let of = |case: &Case| {
                (
                    case.name,
                    read(&self.files(case), &self.folder.join("read")),
                )
            };
            self.cases.iter().map(of).collect()
        });
        &all[case.name]
    }

    /// What was seen from `after` seconds into the misbehaviour until its end.
    pub(super) fn during(&self, after: f64) -> impl Iterator<Item = &Sight> {
        let times = self.switched + after..self.mended;
        self.sights
            .iter()
            .filter(move |sight| times.contains(&sight.at))
    }
}

/// A relay that is looked at all the time.
struct Watch {
    relay: Relay,
    sights: Vec<Sight>,
    page: Option<Metrics>,
}

impl Watch {
    /// Looks until that is enough, or for `limit`; whether it was enough.
    fn until(&mut self, limit: Duration, mut enough: impl FnMut(&Sight) -> bool) -> bool {
        let begin = Instant::now();
        while begin.elapsed() < limit {
            let (status, body) = http_get(self.relay.address(), "/metrics")
                .unwrap_or_else(|| panic!("/metrics doesn't answer:\n{}", self.relay.log()));
            assert_eq!(status, 200);
            let page = Metrics::new(body);
            let sight = Sight::read(unix_now(), &page);
            let done = enough(&sight);
            self.sights.push(sight);
            self.page = Some(page);
            if done {
                return true;
            }
            sleep(LOOK);
        }
        false
    }
}

fn configuration(folder: &Path, cases: &[Case], cameras: &[SimulatedCamera]) -> Configuration {
    let mut toml = String::new();
    for (case, camera) in cases.iter().zip(cameras) {
        let (name, url) = (case.name, camera.url());
        write!(
            toml,
            "\n[[camera]]\nname = {name:?}\nsite = \"boatyard\"\nurl = {url:?}\n\
             hold = \"{HOLD}B\"\naccess_unit = \"{ACCESS_UNIT}B\"\nstep_seconds = 1\n"
        )
        .unwrap();
        // Whoever looks at the healthy camera wants to see frames that are late, not a session
        // that was given up.
        if case.name != HEALTHY.name {
            toml.push_str("silence_seconds = 2\nfirst_unit_seconds = 3\n");
        }
        if case.udp {
            toml.push_str("transport = \"udp\"\n");
        }
        if case.login.is_some() {
            let password = if case.wrong_password {
                WRONG_PASSWORD
            } else {
                PASSWORD
            };
            let path = write_password(folder, case.name, password);
            write!(toml, "username = {USER:?}\npassword_file = {path:?}\n").unwrap();
        }
    }
    Configuration::new(folder).segment_seconds(10).extra(&toml)
}

fn write_password(folder: &Path, camera: &str, password: &str) -> PathBuf {
    let path = folder.join(format!("{camera}.password"));
    fs::write(&path, password).unwrap();
    fs::set_permissions(&path, fs::Permissions::from_mode(0o600)).unwrap();
    path
}
