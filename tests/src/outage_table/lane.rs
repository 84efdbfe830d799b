//! One run: links, cameras, recorders, outages.

use std::fs;
use std::path::{Path, PathBuf};
use std::process::{Child, Stdio};
use std::sync::atomic::{AtomicBool, Ordering};
use std::thread;
use std::time::{Duration, Instant};

use fastrand::Rng;

use super::{BITS_PER_SECOND, CAMERAS, FPS, Plan};
use crate::bed::{End, Link, LinkSpec};
use crate::recording::{Mark, Recording, marks};
use crate::{
    Camera, Configuration, Metrics, Relay, SiteServer, http_get, mp4_files, silent, unix_now,
};

/// Those of all that flow that are the relay's: it comes first.
const RELAY: u32 = (1 << CAMERAS.len()) - 1;
/// Time between two looks at what has arrived.
const LOOK: Duration = Duration::from_millis(100);
/// How long all streams may take to flow at the start, and again after an outage.
const PATIENCE: Duration = Duration::from_secs(90);
/// ffmpeg gives up after this time without data, and is started again after `AGAIN`.
const FFMPEG_TIMEOUT_US: &str = "5000000";
const AGAIN: Duration = Duration::from_millis(500);
const SEGMENT_SECONDS: u32 = 10;
/// What ffmpeg writes of a file before any media is shorter. Its fragments come out whole, so that
/// it seems to resume up to a GOP later than it does.
const HEADER_BYTES_MAX: u64 = 4096;

/// An outage that was.
#[derive(Debug, Clone, Copy)]
pub struct Happened {
    /// What was wanted, in seconds.
    pub seconds: f64,
    /// Unix seconds.
    pub begin: f64,
    /// Unix seconds.
    pub end: f64,
}

/// What one recorder made of one camera.
#[derive(Debug)]
pub struct Footage {
    /// "forebay" or "ffmpeg".
    pub recorder: &'static str,
    /// Which of [`CAMERAS`].
    pub camera: usize,
    /// All that was recorded.
    pub marks: Vec<Mark>,
    /// When new media was seen to have come: Unix seconds, rising.
    pub arrivals: Vec<f64>,
}

/// All of a run.
#[derive(Debug)]
pub struct Run {
    /// In their order.
    pub outages: Vec<Happened>,
    /// When the relay had seen enough to know the camera's clock: Unix seconds.
    pub learned: f64,
    /// Of each recorder and camera.
    pub footage: Vec<Footage>,
}

/// A link with its cameras.
struct Place {
    link: Link,
    sites: Vec<SiteServer>,
}

impl Place {
    fn new(plan: &Plan, seed: u64, server: &Path) -> Self {
        let link = Link::new(LinkSpec {
            seed,
            ..plan.link.clone()
        })
        .unwrap();
        let sites = (0..CAMERAS.len())
            .map(|camera| {
                let options = format!(
                    "--streams 1 --size 320x180 --bitrate {BITS_PER_SECOND} --gop {} --queue {} \
                     --send-buffer {}",
                    plan.gop,
                    plan.queue_bytes(camera),
                    plan.send_buffers[camera]
                );
                let mut options: Vec<&str> = options.split_whitespace().collect();
                if !plan.tolerant {
                    options.extend(["--sessions", "1", "--on-report", "reset"]);
                }
                SiteServer::start_at(link.site(), server, &options)
            })
            .collect();
        Self { link, sites }
    }

    fn url(&self, camera: usize) -> &str {
        &self.sites[camera].urls[0]
    }
}

/// Sees what arrives until it is told to end: times of change of each camera's count.
struct Watch<'a> {
    ends: &'a AtomicBool,
    /// Cameras whose media have come since this was set to 0, a bit each.
    flowing: &'a std::sync::atomic::AtomicU32,
}

impl Watch<'_> {
    fn run(&self, first_bit: u32, mut count: impl FnMut(usize) -> u64) -> Vec<Vec<f64>> {
        let mut last = [None; CAMERAS.len()];
        let mut arrivals = vec![Vec::new(); CAMERAS.len()];
        while !self.ends.load(Ordering::Relaxed) {
            for camera in 0..CAMERAS.len() {
                let now = count(camera);
                if last[camera].replace(now).is_some_and(|before| now > before) {
                    arrivals[camera].push(unix_now());
                    self.flowing
                        .fetch_or(1 << (first_bit + camera as u32), Ordering::Relaxed);
                }
            }
            thread::sleep(LOOK);
        }
        arrivals
    }
}

/// Does run number `index` below `folder`. `server` is the program `site_server`.
#[must_use]
pub fn run(plan: &Plan, index: usize, folder: &Path, server: &Path) -> Run {
    let mut random = Rng::with_seed(plan.seed.wrapping_add(index as u64));
    let folder = folder.join(format!("run-{index}"));
    fs::create_dir_all(&folder).unwrap();
    let near = Place::new(plan, random.u64(..), server);
    let beside = plan
        .ffmpeg
        .then(|| Place::new(plan, random.u64(..), server));
    let mut configuration = Configuration::new(&folder).segment_seconds(SEGMENT_SECONDS);
    for (camera, name) in CAMERAS.into_iter().enumerate() {
        configuration = configuration.camera(Camera {
            name: name.into(),
            url: near.url(camera).into(),
            ..Camera::default()
        });
    }
    let relay = Relay::spawn_at(near.link.home(), &configuration);
    let address = relay.address();
    let (ends, flowing) = (AtomicBool::new(false), std::sync::atomic::AtomicU32::new(0));
    let watch = Watch {
        ends: &ends,
        flowing: &flowing,
    };
    let (outages, learned, arrivals) = thread::scope(|scope| {
        let relay_watch = scope.spawn(|| {
            near.link.home().within(|| {
                let mut page = Metrics::new(String::new());
                watch.run(0, |camera| {
                    if camera == 0
                        && let Some((200, body)) = http_get(address, "/metrics")
                    {
                        page = Metrics::new(body);
                    }
                    let labels = [("camera", CAMERAS[camera])];
                    page.sum("forebay_camera_units_total", &labels)
                        .unwrap_or(0.0) as u64
                })
            })
        });
        let mut ffmpeg_watch = None;
        if let Some(beside) = &beside {
            for camera in 0..CAMERAS.len() {
                let (url, folder) = (beside.url(camera), ffmpeg_folder(&folder, camera));
                fs::create_dir_all(&folder).unwrap();
                let (home, ends) = (beside.link.home(), &ends);
                scope.spawn(move || keep_ffmpeg(home, url, &folder, ends));
            }
            let folder = &folder;
            let watch = &watch;
            ffmpeg_watch = Some(scope.spawn(move || {
                watch.run(CAMERAS.len() as u32, |camera| {
                    let files = mp4_files(&ffmpeg_folder(folder, camera));
                    files
                        .iter()
                        .flat_map(fs::metadata)
                        .map(|about| about.len().saturating_sub(HEADER_BYTES_MAX))
                        .sum()
                })
            }));
        }
        let links: Vec<&Link> = [Some(&near), beside.as_ref()]
            .into_iter()
            .flatten()
            .map(|place| &place.link)
            .collect();
        let all = (1 << (CAMERAS.len() * links.len())) - 1;
        // Ends the threads when this one panics, too.
        let _end = Ends(&ends);
        await_all(&flowing, all, index);
        let begin = unix_now();
        thread::sleep(plan.learn);
        let learned = begin + plan.learn.as_secs_f64();
        let outages = outages(plan, &mut random, &links, &flowing, all, index);
        thread::sleep(plan.rest);
        drop(_end);
        let mut arrivals = vec![relay_watch.join().unwrap()];
        arrivals.extend(ffmpeg_watch.map(|watch| watch.join().unwrap()));
        (outages, learned, arrivals)
    });
    let stopped = near.link.home().within(|| relay.stop());
    assert!(
        stopped.status.success(),
        "{}\n{}",
        stopped.status,
        stopped.log
    );
    let mut footage = Vec::new();
    for (recorder, arrivals) in ["forebay", "ffmpeg"].into_iter().zip(arrivals) {
        for (camera, arrivals) in arrivals.into_iter().enumerate() {
            let place = match recorder {
                "forebay" => configuration.archive().join(CAMERAS[camera]),
                _ => ffmpeg_folder(&folder, camera),
            };
            footage.push(Footage {
                recorder,
                camera,
                marks: read(&place),
                arrivals,
            });
        }
    }
    Run {
        outages,
        learned,
        footage,
    }
}

struct Ends<'a>(&'a AtomicBool);

impl Drop for Ends<'_> {
    fn drop(&mut self) {
        self.0.store(true, Ordering::Relaxed);
    }
}

fn await_all(flowing: &std::sync::atomic::AtomicU32, all: u32, index: usize) {
    let begin = Instant::now();
    while flowing.load(Ordering::Relaxed) & all != all {
        let seen = flowing.load(Ordering::Relaxed);
        assert!(
            begin.elapsed() < PATIENCE,
            "run {index}: of {all:b} only {seen:b} has media {PATIENCE:?} after the link is up"
        );
        thread::sleep(LOOK);
    }
}

fn outages(
    plan: &Plan,
    random: &mut Rng,
    links: &[&Link],
    flowing: &std::sync::atomic::AtomicU32,
    all: u32,
    index: usize,
) -> Vec<Happened> {
    let mut lengths = plan.outages.clone();
    random.shuffle(&mut lengths);
    let two_gops = 2.0 * f64::from(plan.gop) / FPS;
    lengths
        .into_iter()
        .map(|seconds| {
            thread::sleep(plan.rest + Duration::from_secs_f64(two_gops * random.f64()));
            let length = Duration::from_secs_f64(seconds);
            let begin = unix_now();
            links.iter().for_each(|link| link.outage(length));
            thread::sleep(length);
            flowing.store(0, Ordering::Relaxed);
            // What the relay stands beside may stay away for longer; that is its figure.
            await_all(flowing, all & RELAY, index);
            Happened {
                seconds,
                begin,
                end: begin + seconds,
            }
        })
        .collect()
}

fn ffmpeg_folder(folder: &Path, camera: usize) -> PathBuf {
    folder.join("ffmpeg").join(CAMERAS[camera])
}

/// Has ffmpeg record, and starts it again whenever it ends.
fn keep_ffmpeg(home: &End, url: &str, folder: &Path, ends: &AtomicBool) {
    for life in 0..10_000 {
        let mut ffmpeg = home
            .command("ffmpeg")
            .args(["-v", "error", "-nostdin", "-rtsp_transport", "tcp"])
            .args(["-timeout", FFMPEG_TIMEOUT_US, "-i", url])
            .args([
                "-map",
                "0:v",
                "-c",
                "copy",
                "-f",
                "segment",
                "-segment_time",
            ])
            .args([&SEGMENT_SECONDS.to_string(), "-segment_format", "mp4"])
            .arg("-segment_format_options")
            .arg("movflags=frag_keyframe+empty_moov+default_base_moof")
            .arg(folder.join(format!("{life:04}-%04d.mp4")))
            .stdin(Stdio::null())
            .stdout(Stdio::null())
            .stderr(Stdio::null())
            .spawn()
            .unwrap();
        while !ends.load(Ordering::Relaxed) {
            if ffmpeg.try_wait().unwrap().is_some() {
                break;
            }
            thread::sleep(LOOK);
        }
        stop(&mut ffmpeg);
        if ends.load(Ordering::Relaxed) {
            return;
        }
        thread::sleep(AGAIN);
    }
}

/// With SIGTERM, on which it ends its files.
fn stop(ffmpeg: &mut Child) {
    if let Ok(Some(_)) = ffmpeg.try_wait() {
        return;
    }
    let pid = rustix::process::Pid::from_child(ffmpeg);
    rustix::process::kill_process(pid, rustix::process::Signal::TERM).ok();
    if crate::wait_for(Duration::from_secs(10), || ffmpeg.try_wait().unwrap()).is_none() {
        ffmpeg.kill().ok();
        ffmpeg.wait().ok();
    }
}

/// The pictures in all files of a folder, in the order of the names; empty files are left out.
fn read(folder: &Path) -> Vec<Mark> {
    let mut files = mp4_files(folder);
    files.retain(|file| fs::metadata(file).is_ok_and(|about| about.len() > 0));
    marks(&Recording::read_marks(&files))
}

/// Whether ffmpeg is installed.
#[must_use]
pub fn has_ffmpeg() -> bool {
    std::process::Command::new("ffmpeg")
        .arg("-version")
        .output()
        .is_ok()
        && !silent(std::process::Command::new("ffmpeg").arg("-version"))
            .stdout
            .is_empty()
}
