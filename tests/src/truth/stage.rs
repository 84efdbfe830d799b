//! Where it happens: cameras, a link, a relay, and someone who breaks them.

use std::fs::{self, File};
use std::io::Write as _;
use std::net::SocketAddr;
use std::path::{Path, PathBuf};
use std::process::Command;
use std::sync::atomic::{AtomicBool, Ordering};
use std::thread::{scope, sleep};
use std::time::Duration;

use serde_json::json;

use super::ledger::{self, Account};
use super::schedule::{Event, Kind, schedule};
use super::{BITS_PER_SECOND, CAMERAS, DATAGRAMS, FPS, GOP, Plan};
use crate::bed::{Link, LinkSpec};
use crate::recording::{Mark, Recording, marks, rfc3339_of};
use crate::{
    Camera, Configuration, Metrics, Relay, SiteServer, http_get, mp4_files, run, unix_now, wait_for,
};

/// Of the recorder's files.
const SEGMENT_SECONDS: u32 = 10;
/// How long all cameras may take to flow at the start.
const START: Duration = Duration::from_secs(12);
/// Of the spool's file system: some seconds of footage of all cameras, and the catalog.
const SPOOL_MEGABYTES: u32 = 24;
/// One packet of so many is lost: most groups of pictures are hit.
const LOSE_EVERY: u32 = 50;
/// The camera's name at its site.
const AT_SITE: &str = "camera-0";

/// What happened and what came of it.
#[derive(Debug)]
pub struct Outcome {
    /// In Unix seconds.
    pub events: Vec<Event>,
    /// Of each camera: the pictures in its files, in their order.
    pub footage: Vec<Vec<Mark>>,
    /// What the ledger says of each camera.
    pub accounts: Vec<Account>,
    /// The same from a catalog that was made anew.
    pub rebuilt: Vec<Account>,
}

/// A small file system of its own; gone when dropped.
struct Disk(PathBuf);

impl Disk {
    fn new(folder: &Path) -> Self {
        fs::create_dir_all(folder).unwrap();
        let size = format!("size={SPOOL_MEGABYTES}m,mode=700");
        run(Command::new("mount")
            .args(["-t", "tmpfs", "-o", &size, "forebay-truth"])
            .arg(folder));
        Self(folder.to_path_buf())
    }

    /// Keeps it full for so long.
    fn fill(&self, length: Duration) {
        let ballast = self.0.join("ballast");
        let ends = AtomicBool::new(false);
        scope(|scope| {
            scope.spawn(|| {
                let mut file = File::create(&ballast).unwrap();
                // What the relay frees is taken at once.
                while !ends.load(Ordering::Relaxed) {
                    for piece in [1 << 20, 1 << 12] {
                        while file.write_all(&vec![1; piece]).is_ok() {}
                    }
                    sleep(Duration::from_millis(2));
                }
            });
            sleep(length);
            ends.store(true, Ordering::Relaxed);
        });
        fs::remove_file(&ballast).unwrap();
    }
}

impl Drop for Disk {
    fn drop(&mut self) {
        unmount(&self.0);
    }
}

fn unmount(folder: &Path) {
    // Fails where nothing is mounted, and says so.
    Command::new("umount").arg("-ql").arg(folder).output().ok();
}

struct Stage {
    link: Option<Link>,
    sites: Vec<SiteServer>,
    disk: Option<Disk>,
    configuration: Configuration,
    relay: Option<Relay>,
}

/// Does all of it below `root`. `server` is the program `site_server`, `plugin` the component
/// `fragile_recorder`.
#[must_use]
pub fn play(plan: &Plan, folder: &Path, server: &Path, plugin: &Path) -> Outcome {
    let link = plan.bed.then(|| {
        Link::new(LinkSpec {
            seed: plan.seed,
            ..LinkSpec::default()
        })
        .unwrap()
    });
    let sites: Vec<_> = (0..CAMERAS.len())
        .map(|camera| site(plan, link.as_ref(), camera, server))
        .collect();
    let spool = folder.join("spool");
    unmount(&spool);
    let disk = plan.storage.then(|| Disk::new(&spool));
    fs::create_dir_all(&spool).unwrap();
    let (mut events, settled) = schedule(plan);
    let begin = unix_now();
    for event in &mut events {
        event.at += begin;
    }
    let configuration = configure(&events, &sites, plugin, folder, &spool);
    let mut stage = Stage {
        link,
        sites,
        disk,
        configuration,
        relay: None,
    };
    stage.start();
    let flows = wait_for(START, || stage.flows().then_some(()));
    assert!(flows.is_some(), "not all cameras flow: {}", stage.log());
    for event in &mut events {
        sleep_until(event.at);
        stage.bring_about(event);
    }
    sleep_until(begin + settled);
    let relay = stage.relay.take().unwrap();
    let stopped = relay.stop();
    assert!(
        stopped.status.success(),
        "{}: {}",
        stopped.status,
        stage.log()
    );
    let accounts = ledger::ask(&stage.configuration);
    ledger::rebuild(&stage.configuration);
    let rebuilt = ledger::ask(&stage.configuration);
    let read = |camera: &str| {
        let files = mp4_files(&stage.configuration.archive().join(camera));
        marks(&Recording::read_marks(&files))
    };
    Outcome {
        events,
        footage: CAMERAS.into_iter().map(read).collect(),
        accounts,
        rebuilt,
    }
}

fn site(plan: &Plan, link: Option<&Link>, camera: usize, server: &Path) -> SiteServer {
    let options = format!(
        "--streams 1 --size 640x360 --fps {FPS} --gop {GOP} --bitrate {BITS_PER_SECOND} --queue {} \
         --send-buffer 64000",
        plan.queue_bytes()[camera]
    );
    let options: Vec<&str> = options.split_whitespace().collect();
    match link {
        Some(link) => SiteServer::start_at(link.site(), server, &options),
        None => SiteServer::start(server, &options),
    }
}

fn configure(
    events: &[Event],
    sites: &[SiteServer],
    plugin: &Path,
    folder: &Path,
    spool: &Path,
) -> Configuration {
    let deadly = events.iter().filter(|event| event.kind == Kind::Sink);
    let deadly: Vec<_> = deadly.map(|event| [event.at, event.end()]).collect();
    let mut configuration = Configuration::new(folder)
        .segment_seconds(SEGMENT_SECONDS)
        .recorder(plugin, &format!("deadly = {deadly:?}\n"))
        .spool(spool);
    for (camera, name) in CAMERAS.into_iter().enumerate() {
        let pauses = events
            .iter()
            .filter(|event| event.kind == Kind::Pause(camera));
        let pauses = pauses.map(|event| {
            let (from, until) = (rfc3339_of(event.at), rfc3339_of(event.end()));
            format!("[[camera.pause]]\nfrom = {from}\nuntil = {until}\n")
        });
        configuration = configuration.camera(Camera {
            name: name.into(),
            url: sites[camera].urls[0].clone(),
            udp: camera == DATAGRAMS,
            extra: pauses.collect(),
            ..Camera::default()
        });
    }
    configuration
}

impl Stage {
    fn start(&mut self) {
        self.relay = Some(match &self.link {
            Some(link) => Relay::spawn_at(link.home(), &self.configuration),
            None => Relay::spawn(&self.configuration),
        });
    }

    /// Calls `inside` where the relay can be reached.
    fn at_home<T: Send>(&self, inside: impl FnOnce(SocketAddr) -> T + Send) -> T {
        let address = self.relay.as_ref().unwrap().address();
        match &self.link {
            Some(link) => link.home().within(|| inside(address)),
            None => inside(address),
        }
    }

    /// Whether units of all cameras have come.
    fn flows(&self) -> bool {
        let page = self.at_home(|address| http_get(address, "/metrics"));
        page.is_some_and(|(_, body)| {
            let page = Metrics::new(body);
            let units = |camera| page.sum("forebay_camera_units_total", &[("camera", camera)]);
            CAMERAS.into_iter().all(|camera| units(camera) > Some(0.0))
        })
    }

    fn log(&self) -> String {
        let log = fs::read_to_string(self.configuration.folder().join("relay.log"));
        log.unwrap_or_default()
    }

    fn order(&mut self, camera: usize, mut order: serde_json::Value) {
        order["camera"] = AT_SITE.into();
        self.sites[camera].order(&order).unwrap();
    }

    /// Has it happen, and notes when it did; returns when it is over.
    fn bring_about(&mut self, event: &mut Event) {
        let length = Duration::from_secs_f64(event.length);
        if !matches!(event.kind, Kind::Sink | Kind::Pause(_)) {
            event.at = unix_now();
        }
        let end = event.end();
        match event.kind {
            Kind::Uplink => match &self.link {
                Some(link) => {
                    link.outage(length);
                    sleep(length);
                }
                None => {
                    for up in [false, true] {
                        for site in &mut self.sites {
                            site.order(&json!({ "do": "uplink", "up": up })).unwrap();
                        }
                        sleep_until(end);
                    }
                }
            },
            Kind::Reboot(camera) => {
                self.order(camera, json!({ "do": "reboot", "seconds": event.length }));
                sleep(length);
            }
            Kind::PowerCut(camera) => {
                self.order(camera, json!({ "do": "power", "on": false }));
                sleep(length);
                self.order(camera, json!({ "do": "power", "on": true }));
            }
            Kind::Freeze(camera) => {
                self.order(camera, json!({ "do": "behave", "as": "freeze" }));
                sleep(length);
                self.order(camera, json!({ "do": "behave", "as": "normal" }));
            }
            Kind::Loss(camera) => {
                self.order(camera, json!({ "do": "lose", "every": LOSE_EVERY }));
                sleep(length);
                self.order(camera, json!({ "do": "lose", "every": 0 }));
            }
            Kind::Kill => {
                self.relay.take().unwrap().kill();
                sleep(length);
                self.start();
            }
            // No schedule has one.
            Kind::Removal => {}
            Kind::Storage => self.disk.as_ref().unwrap().fill(length),
            // The relay's configuration and its recorder know when.
            Kind::Sink | Kind::Pause(_) => sleep_until(end),
        }
    }
}

fn sleep_until(unix: f64) {
    sleep(Duration::from_secs_f64((unix - unix_now()).max(0.0)));
}
