//! The long session: all misbehaving sinks in one relay, beside the recorder.

use std::fs;
use std::path::{Path, PathBuf};
use std::sync::LazyLock;
use std::thread::sleep;
use std::time::{Duration, Instant};

use forebay_tests::recording::Recording;
use forebay_tests::{
    Camera, Configuration, Metrics, Relay, SiteServer, Stopped, Strain, fresh_folder, http_get,
    mp4_files, unix_now, wait_for,
};

use super::sinks::{CAMERAS, SINKS};
use crate::{SCRATCH, alone};

/// From when the last sink was started for the first time.
const RUN: Duration = Duration::from_secs(20);
/// Compiling some dozen components, where nothing is in the cache.
const START_MAX: Duration = Duration::from_secs(120);

/// What happened.
pub(crate) struct Session {
    pub(crate) folder: PathBuf,
    pub(crate) archive: PathBuf,
    /// Just before SIGTERM.
    pub(crate) page: Metrics,
    pub(crate) peak_bytes: f64,
    pub(crate) slowest_answer: Duration,
    /// How long the machine kept a thread waiting that had nothing to do.
    pub(crate) strain: Duration,
    /// Length of the session.
    pub(crate) seconds: f64,
    pub(crate) stopped: Stopped,
    pub(crate) log: String,
    /// When it was asked to stop, Unix seconds.
    end: f64,
    pub(crate) surroundings_before: Vec<PathBuf>,
    pub(crate) surroundings_after: Vec<PathBuf>,
}

/// The long session, made once.
pub(crate) static SESSION: LazyLock<Session> = LazyLock::new(|| {
    let toml: String = SINKS.iter().map(super::sinks::Bad::toml).collect();
    Session::hold("bad-guests", &toml, RUN, |page| {
        let begun = |sink: &super::sinks::Bad| {
            let labels = [("sink", sink.name)];
            let count = |name| page.sum(name, &labels).unwrap_or_default();
            count("forebay_plugin_starts_total") + count("forebay_plugin_ends_total") > 0.0
        };
        SINKS.iter().all(begun)
    })
});

impl Session {
    /// Runs the relay with the recorder and the sinks of `toml` until all have `begun`, and then
    /// for `run`.
    pub(crate) fn hold(
        name: &str,
        toml: &str,
        run: Duration,
        begun: impl Fn(&Metrics) -> bool,
    ) -> Self {
        Self::hold_by(configuration, name, toml, run, begun)
    }

    /// The same with cameras that have a second stream, for pictures.
    pub(crate) fn watch(
        name: &str,
        toml: &str,
        run: Duration,
        begun: impl Fn(&Metrics) -> bool,
    ) -> Self {
        Self::hold_by(watched, name, toml, run, begun)
    }

    fn hold_by(
        configuration: impl Fn(&Path, &SiteServer) -> Configuration,
        name: &str,
        toml: &str,
        run: Duration,
        begun: impl Fn(&Metrics) -> bool,
    ) -> Self {
        let _alone = alone();
        let folder = fresh_folder(SCRATCH, name);
        let site = site();
        let configuration = configuration(&folder, &site).extra(toml);
        let surroundings_before = surroundings(&folder);
        let strain = Strain::measure();
        let relay = Relay::start(&configuration);
        let begin = Instant::now();
        let (mut peak_bytes, mut slowest_answer) = (0_f64, Duration::ZERO);
        let mut look = || {
            let asked = Instant::now();
            let answer = wait_for(Duration::from_secs(20), || {
                http_get(relay.address(), "/metrics")
            });
            let (status, body) = answer.expect("/metrics answers");
            assert_eq!(status, 200);
            slowest_answer = slowest_answer.max(asked.elapsed());
            let page = Metrics::new(body);
            let resident = page.sum("process_resident_memory_bytes", &[]);
            peak_bytes = peak_bytes.max(resident.expect("resident memory"));
            sleep(Duration::from_millis(200));
            page
        };
        let all = wait_for(START_MAX, || begun(&look()).then_some(()));
        assert!(all.is_some(), "not all sinks began:\n{}", relay.log());
        let running = Instant::now();
        let mut page = look();
        while running.elapsed() < run {
            page = look();
        }
        let seconds = begin.elapsed().as_secs_f64();
        let strain = strain.end();
        let end = unix_now();
        let stopped = relay.stop();
        drop(site);
        let archive = configuration.archive();
        Self {
            log: stopped.log.clone(),
            stopped,
            end,
            surroundings_after: surroundings(&folder),
            surroundings_before,
            folder,
            archive,
            page,
            peak_bytes,
            slowest_answer,
            strain,
            seconds,
        }
    }

    /// Checks that `/metrics` was answered within `promise` each time.
    pub(crate) fn check_answers(&self, promise: Duration) {
        // Threads that wake one after another: ours and the relay's as it connects, asks, answers,
        // and reads the answer.
        let allowed = promise + 4 * self.strain;
        let slowest = self.slowest_answer;
        println!("slowest answer to /metrics: {slowest:?} of {allowed:?}");
        assert!(slowest < allowed, "{slowest:?}, not {allowed:?}");
    }

    /// What the recorder made of it.
    pub(crate) fn footage(&self) -> Footage {
        let read = |camera: &'static str| {
            let files = mp4_files(&self.archive.join(camera).join("footage"));
            assert!(!files.is_empty(), "no footage of {camera}");
            (camera, Recording::read(&files, &self.folder.join("read")))
        };
        Footage {
            end: self.end,
            cameras: CAMERAS.into_iter().map(read).collect(),
        }
    }

    /// The lines of the log that tell of a sink's ends.
    pub(crate) fn ends(&self, sink: &str) -> Vec<&str> {
        let of_sink = format!("\"sink\":\"{sink}\"");
        let lines = self.log.lines();
        lines
            .filter(|line| line.contains(&of_sink) && line.contains("\"plugin ended\""))
            .collect()
    }

    /// All files below the archive.
    pub(crate) fn files(&self) -> Vec<PathBuf> {
        let mut files = Vec::new();
        let mut open = vec![self.archive.clone()];
        while let Some(folder) = open.pop() {
            for entry in fs::read_dir(folder).unwrap() {
                let entry = entry.unwrap();
                let kind = entry.file_type().unwrap();
                assert!(!kind.is_symlink(), "{} is a link", entry.path().display());
                if kind.is_dir() {
                    open.push(entry.path());
                } else {
                    files.push(entry.path());
                }
            }
        }
        files
    }
}

/// Two cameras, 25 pictures a second, a key frame every two seconds.
pub(crate) fn site() -> SiteServer {
    let program = Path::new(env!("CARGO_BIN_EXE_site_server"));
    let options = [
        "--streams",
        "2",
        "--bitrate",
        "4000000",
        "--size",
        "320x180",
    ];
    SiteServer::start(program, &options)
}

/// A relay that records them.
pub(crate) fn configuration(folder: &Path, site: &SiteServer) -> Configuration {
    with_cameras(folder, site, |_| String::new())
}

/// The same, where each camera's second stream is the picture of the other one.
fn watched(folder: &Path, site: &SiteServer) -> Configuration {
    with_cameras(folder, site, |index| {
        let url = &site.urls[(index + 1) % CAMERAS.len()];
        format!("analysis_url = {url:?}\n")
    })
}

fn with_cameras(
    folder: &Path,
    site: &SiteServer,
    extra: impl Fn(usize) -> String,
) -> Configuration {
    let mut configuration = Configuration::new(folder);
    for (index, (name, url)) in CAMERAS.iter().zip(&site.urls).enumerate() {
        configuration = configuration.camera(Camera {
            name: (*name).into(),
            url: url.clone(),
            extra: extra(index),
            ..Camera::default()
        });
    }
    configuration
}

/// What lies about where a relay might write by mistake: its working folder, the ones above, and
/// the one that holds its archive.
fn surroundings(folder: &Path) -> Vec<PathBuf> {
    let work = std::env::current_dir().unwrap();
    let mut found = Vec::new();
    for place in [
        &work,
        work.parent().unwrap(),
        folder,
        folder.parent().unwrap(),
    ] {
        let entries = fs::read_dir(place).unwrap();
        found.extend(entries.map(|entry| entry.unwrap().path()));
    }
    // Written by this test itself.
    let own = ["archive", "forebay.toml", "relay.log", "read"];
    found.retain(|path| !own.iter().any(|name| path == &folder.join(name)));
    found.sort();
    found
}

/// The recorder's files.
pub(crate) struct Footage {
    end: f64,
    cameras: Vec<(&'static str, Vec<Recording>)>,
}

impl Footage {
    /// Checks that no picture is missing from the first one to one that was taken at most
    /// `missing_max` seconds before the end. The camera numbers its pictures.
    pub(crate) fn check(&self, missing_max: f64) {
        for (camera, recordings) in &self.cameras {
            let mut last: Option<(u64, f64)> = None;
            for recording in recordings {
                let file = recording.file.display();
                for sample in &recording.video().samples {
                    let counter = sample.counter.expect("a number in each picture");
                    let captured = sample.captured.expect("a time in each picture") as f64 / 1e9;
                    if let Some((before, _)) = last {
                        assert_eq!(counter, before + 1, "{file}: a picture is missing");
                    }
                    last = Some((counter, captured));
                }
            }
            let (_, last) = last.unwrap_or_else(|| panic!("no picture of {camera}"));
            let missing = self.end - last;
            assert!(
                missing < missing_max,
                "{camera}: the last {missing:.2} s are missing"
            );
        }
    }

    /// The longest time from the taking of a picture to when the relay believes it was taken,
    /// which is for now its arrival: how long intake had to wait at the worst. Looks at the
    /// first picture of each fragment.
    pub(crate) fn lateness(&self) -> f64 {
        let recordings = self.cameras.iter().flat_map(|(_, recordings)| recordings);
        let late = recordings.flat_map(|recording| {
            let samples = &recording.video().samples;
            recording.references.iter().filter_map(|reference| {
                let sample = samples.iter().find(|s| s.decode == reference.media)?;
                Some(reference.unix - sample.captured? as f64 / 1e9)
            })
        });
        late.fold(0.0, f64::max)
    }
}
