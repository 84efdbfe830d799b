//! Cameras, link, relay; and the script that is played.

use std::fs;
use std::path::Path;
use std::thread::{scope, sleep};
use std::time::Duration;

use super::{BITS_PER_SECOND, BUFFERS, CAMERAS, FPS, Plan};
use crate::bed::{Link, LinkSpec};
use crate::recording::{Mark, Recording, marks};
use crate::truth::ledger::{self, Account};
use crate::{
    Camera, Configuration, Metrics, Relay, SiteServer, http_get, mp4_files, unix_now, wait_for,
};

/// What a camera asks of the kernel as `SO_SNDBUF`, and what the kernel takes then (`ss`, Send-Q).
const SEND_BUFFER_BYTES: u32 = 64_000;
const SENDING_BYTES: u32 = 184_000;
const START: Duration = Duration::from_secs(30);
/// After the last outage.
const REST: Duration = Duration::from_secs(10);
/// Between two looks at the relay's memory.
const LOOK: Duration = Duration::from_secs(1);
/// Small, that it is full after 100 s: before that, memory grows. A quarter of it is what may wait of
/// a second session while the first one still drains: 25 s.
const HOLD: &str = "hold = \"12MiB\"\naccess_unit = \"1MiB\"\n";

/// An outage that was; Unix seconds.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Happened {
    /// From when.
    pub begin: f64,
    /// Until when.
    pub end: f64,
}

/// The relay's memory at one time; bytes.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Memory {
    /// All that is resident.
    pub rss: u64,
    /// The same with its share of shared pages.
    pub pss: u64,
}

/// All of it.
#[derive(Debug)]
pub struct Outcome {
    /// When all cameras had begun to flow: Unix seconds.
    pub begin: f64,
    /// In order.
    pub outages: Vec<Happened>,
    /// Of each camera: the pictures in its files.
    pub footage: Vec<Vec<Mark>>,
    /// What the ledger says of each.
    pub accounts: Vec<Account>,
    /// Dropouts of the site that the relay counted.
    pub dropouts: u64,
    /// Second by second.
    pub memory: Vec<Memory>,
}

/// Plays the plan's script below `folder`. `server` is the program `site_server`.
#[must_use]
pub fn play(plan: &Plan, folder: &Path, server: &Path) -> Outcome {
    let link = Link::new(LinkSpec {
        seed: plan.seed,
        ..LinkSpec::default()
    })
    .unwrap();
    let mut configuration = Configuration::new(folder).segment_seconds(60);
    let mut sites = Vec::new();
    for (name, kilobytes) in CAMERAS.into_iter().zip(BUFFERS) {
        let queue = kilobytes * 1000 - SENDING_BYTES;
        let options = format!(
            "--streams 1 --size 320x180 --fps {FPS} --gop {FPS} --bitrate {BITS_PER_SECOND} --queue \
             {queue} --send-buffer {SEND_BUFFER_BYTES}"
        );
        let options: Vec<&str> = options.split_whitespace().collect();
        let site = SiteServer::start_at(link.site(), server, &options);
        configuration = configuration.camera(Camera {
            name: name.into(),
            url: site.urls[0].clone(),
            extra: HOLD.into(),
            ..Camera::default()
        });
        sites.push(site);
    }
    let relay = Relay::spawn_at(link.home(), &configuration);
    let page = || {
        let page = link.home().within(|| http_get(relay.address(), "/metrics"));
        page.map_or_else(
            || Metrics::new(String::new()),
            |(_, body)| Metrics::new(body),
        )
    };
    let flows = || {
        let page = page();
        let units = |camera| page.sum("forebay_camera_units_total", &[("camera", camera)]);
        CAMERAS
            .into_iter()
            .all(|camera| units(camera) > Some(0.0))
            .then_some(())
    };
    assert!(
        wait_for(START, flows).is_some(),
        "not all cameras flow: {}",
        relay.log()
    );
    let begin = unix_now();
    let script = plan.script();
    let ended = std::sync::atomic::AtomicBool::new(false);
    let memory = scope(|scope| {
        let watch = scope.spawn(|| {
            let mut memory = Vec::new();
            while !ended.load(std::sync::atomic::Ordering::Relaxed) {
                memory.extend(look(relay.pid()));
                sleep(LOOK);
            }
            memory
        });
        link.play(&script);
        sleep(REST);
        ended.store(true, std::sync::atomic::Ordering::Relaxed);
        watch.join().unwrap()
    });
    let dropouts = page().sum("forebay_site_dropout_seconds_count", &[]);
    let stopped = relay.stop();
    assert!(
        stopped.status.success(),
        "{}\n{}",
        stopped.status,
        stopped.log
    );
    let read = |camera: &str| {
        let files = mp4_files(&configuration.archive().join(camera));
        marks(&Recording::read_marks(&files))
    };
    let happened = |outage: &forebay_site::Outage| Happened {
        begin: begin + outage.at.as_secs_f64(),
        end: begin + outage.end().as_secs_f64(),
    };
    Outcome {
        begin,
        outages: script.outages().iter().map(happened).collect(),
        footage: CAMERAS.into_iter().map(read).collect(),
        accounts: ledger::ask(&configuration),
        dropouts: dropouts.unwrap_or(0.0) as u64,
        memory,
    }
}

/// proc_pid_smaps(5), in kB there.
fn look(pid: u32) -> Option<Memory> {
    let text = fs::read_to_string(format!("/proc/{pid}/smaps_rollup")).ok()?;
    let field = |name: &str| {
        let line = text.lines().find_map(|line| line.strip_prefix(name))?;
        let kilobytes: u64 = line.split_whitespace().next()?.parse().ok()?;
        Some(kilobytes * 1024)
    };
    Some(Memory {
        rss: field("Rss:")?,
        pss: field("Pss:")?,
    })
}
