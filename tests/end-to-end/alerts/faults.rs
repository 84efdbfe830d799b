//! The faults: cameras of three sites at one relay, and another relay on a disk that is too small, with
//! an archive in which a bit has turned and a pin that nobody can read.

use std::fmt::Write as _;
use std::fs;
use std::net::SocketAddr;
use std::os::unix::fs::FileExt as _;
use std::path::{Path, PathBuf};
use std::process::Command;
use std::time::{Duration, Instant};

use forebay_site::{CameraSpec, Sight, SimulatedCamera, Uplink};
use forebay_tests::{Relay, mp4_files, unix_now, wait_for};

use super::WAIT_MAX;
use super::server::Prometheus;
use crate::bad_cameras::site::Running;

/// The time that the motion plugin needs to learn a view: 10 s, and some to begin.
const LEARNED_AFTER: Duration = Duration::from_secs(16);
/// How long `winch` is off.
const SHORT: Duration = Duration::from_secs(6);
/// Of the small relay's disk, and what is free of it at first: less than a twentieth.
const DISK_BYTES: u64 = 256 << 20;
const FREE_BYTES: u64 = 8 << 20;

pub(super) struct Stage {
    boatyard: Running,
    jetty: Running,
    _quay: Running,
    large: Relay,
    small: Option<Relay>,
    /// When all of `boatyard` was seen to deliver.
    begun: Instant,
    /// Unix seconds of the first still that the plugin wanted.
    still: f64,
    done: [bool; 3],
    folder: PathBuf,
}

fn looped(name: &str) -> CameraSpec {
    CameraSpec {
        width: 320,
        height: 180,
        fps: 8,
        gop: 8,
        ..CameraSpec::looped(name, 200_000)
    }
}

/// The second stream of a camera, drawn.
fn eye(of: &str) -> CameraSpec {
    CameraSpec {
        stream_of: Some(of.to_owned()),
        fps: 4,
        gop: 4,
        ..CameraSpec::new(&format!("{of}-eye"))
    }
}

const WATCHED: [(&str, Sight); 4] = [
    ("dark", Sight::Dark),
    ("stuck", Sight::Stuck),
    ("covered", Sight::Covered),
    (
        "knocked",
        Sight::Knocked {
            right: 24,
            down: 12,
        },
    ),
];

fn camera_toml(site: &str, camera: &SimulatedCamera, eyes: &[SimulatedCamera]) -> String {
    let name = camera.name();
    let mut text = format!(
        "\n[[camera]]\nname = {name:?}\nsite = {site:?}\nurl = {:?}\nhold = \"8 MiB\"\n",
        camera.url()
    );
    let eye = format!("{name}-eye");
    if let Some(eye) = eyes.iter().find(|camera| camera.name() == eye) {
        writeln!(text, "analysis_url = {:?}", eye.url()).unwrap();
    }
    text
}

fn site_toml(name: &str) -> String {
    format!("\n[[site]]\nname = {name:?}\ntime_zone = \"Europe/Oslo\"\n")
}

const RECORDER: &str = "\n[[sink]]\nname = \"footage\"\nplugin = \"builtin:recorder\"\n\
    [sink.settings]\nsegment_seconds = 2\n";

impl Stage {
    pub(super) fn set(folder: &Path, server: &Prometheus) -> Self {
        let boatyard = Running::start(boatyard());
        let jetty = Running::start(vec![looped("pier"), looped("buoy")]);
        let quay = Running::start(vec![CameraSpec::looped("quay", 4_000_000)]);
        let large_folder = folder.join("large");
        fs::create_dir_all(&large_folder).unwrap();
        let large = large(&large_folder, &boatyard, &jetty);
        server.scrape(&[large.address()]);
        let flowing = wait_for(WAIT_MAX, || {
            let units = |camera: &&SimulatedCamera| {
                let labels = [("camera", camera.name()), ("kind", "video")];
                large.metrics().sum("forebay_camera_units_total", &labels) > Some(8.0)
            };
            let mains = |site: &Running| {
                let off = ["stills"];
                let all = site.cameras.iter();
                all.filter(|c| !c.name().ends_with("-eye") && !off.contains(&c.name()))
                    .all(|camera| units(&camera))
            };
            (mains(&boatyard) && mains(&jetty)).then_some(())
        });
        assert!(flowing.is_some(), "{}", large.log());
        let still = (unix_now() / 60.0).ceil() * 60.0;
        for name in ["gate", "winch"] {
            find(&boatyard, name).power(false);
        }
        for camera in &jetty.cameras {
            camera.uplink(Uplink::Down);
        }
        let begun = Instant::now();
        let small = small(&folder.join("small"), &quay.cameras[0]);
        server.scrape(&[large.address(), small.address()]);
        Self {
            boatyard,
            jetty,
            _quay: quay,
            large,
            small: Some(small),
            begun,
            still,
            done: [false; 3],
            folder: folder.to_owned(),
        }
    }

    /// What is due by now is done.
    pub(super) fn go_on(&mut self) {
        let dues = [
            self.begun.elapsed() > SHORT,
            self.begun.elapsed() > LEARNED_AFTER,
            // A picture so late is the next instant's: this one is missed.
            unix_now() > self.still + 31.0,
        ];
        for (index, due) in dues.into_iter().enumerate() {
            if !due || self.done[index] {
                continue;
            }
            self.done[index] = true;
            match index {
                0 => find(&self.boatyard, "winch").power(true),
                1 => {
                    for (name, sight) in WATCHED {
                        find(&self.boatyard, &format!("{name}-eye")).see(sight);
                    }
                }
                _ => find(&self.boatyard, "stills").power(true),
            }
        }
    }

    /// Kills the small relay; gives its address.
    pub(super) fn kill_small(&mut self) -> String {
        let small = self.small.take().expect("it is killed once");
        let address = small.address().to_string();
        small.kill();
        address
    }

    /// For whoever looks why it went wrong.
    pub(super) fn tell(&self) -> String {
        let page = |relay: &Relay| {
            let text = relay.metrics().text().to_owned();
            let worth = |line: &&str| !line.starts_with('#') && !line.ends_with(" 0");
            text.lines().filter(worth).collect::<Vec<_>>().join("\n")
        };
        let small = self.small.as_ref().map(page).unwrap_or_default();
        format!(
            "large:\n{}\nsmall:\n{small}\nlogs in {}; cameras of the jetty: {}",
            page(&self.large),
            self.folder.display(),
            self.jetty.cameras.len()
        )
    }
}

fn find<'a>(site: &'a Running, name: &str) -> &'a SimulatedCamera {
    let camera = site.cameras.iter().find(|camera| camera.name() == name);
    camera.unwrap_or_else(|| panic!("no camera {name}"))
}

fn boatyard() -> Vec<CameraSpec> {
    let mut cameras = vec![
        // With this one all is well.
        looped("mast"),
        CameraSpec {
            gop: 56,
            ..looped("slipway")
        },
        looped("gate"),
        looped("winch"),
        CameraSpec {
            clock_offset_ns: 3_600_000_000_000,
            report_interval: Duration::from_secs(1),
            ..looped("mast-crane")
        },
        looped("stills"),
    ];
    for (name, _) in WATCHED {
        cameras.extend([looped(name), eye(name)]);
    }
    cameras
}

/// The relay that all three faults of lines, clocks and pictures are tried on.
fn large(folder: &Path, boatyard: &Running, jetty: &Running) -> Relay {
    find(boatyard, "stills").power(false);
    let broken = folder.join("broken.wasm");
    fs::write(&broken, "no plugin").unwrap();
    let url = folder.join("heartbeat.url");
    // Nobody listens on port 1.
    fs::write(&url, "http://127.0.0.1:1/a-secret").unwrap();
    Relay::spawn_by(&mut Command::new(Relay::program()), folder, |listen| {
        let mut text = format!(
            "[relay]\narchive = {:?}\nlisten = \"{listen}\"\n\
             [heartbeat]\nurl_file = {url:?}\nevery_seconds = 1\n",
            folder.join("archive")
        );
        for (name, site) in [("boatyard", boatyard), ("jetty", jetty)] {
            text += &site_toml(name);
            for camera in site.cameras.iter().filter(|c| !c.name().ends_with("-eye")) {
                text += &camera_toml(name, camera, &site.cameras);
            }
        }
        let watched: Vec<_> = WATCHED.iter().map(|(name, _)| *name).collect();
        text += RECORDER;
        text += &format!(
            "\n[[sink]]\nname = \"motion\"\nplugin = \"builtin:motion\"\ncameras = {watched:?}\n\
             \n[[sink]]\nname = \"broken\"\nplugin = {broken:?}\ncameras = [\"slipway\"]\n\
             \n[[sink]]\nname = \"pictures-by-clock\"\nplugin = \"builtin:stills\"\ncameras = [\"stills\"]\n\
             [sink.settings]\nevery_minutes = 1\n"
        );
        text
    })
}

/// The relay on a small disk. What it finds there it has recorded itself, in a first run with room.
fn small(folder: &Path, camera: &SimulatedCamera) -> Relay {
    fs::create_dir_all(folder).unwrap();
    let archive = folder.join("archive");
    let toml = |listen: SocketAddr, more: &str| {
        format!(
            "[relay]\narchive = {archive:?}\nlisten = \"{listen}\"\nplugin_cache = {:?}\n{more}{}{}{RECORDER}",
            folder.join("plugin-cache"),
            site_toml("quay"),
            camera_toml("quay", camera, &[])
        )
    };
    let first = Relay::spawn_by(&mut Command::new(Relay::program()), folder, |listen| {
        toml(listen, "[scrub]\nenabled = false\n")
    });
    let footage = archive.join("quay/footage");
    let recorded = wait_for(WAIT_MAX, || {
        let published = first.is_ready().then(|| {
            first
                .metrics()
                .sum("forebay_sink_objects_published_total", &[])
        })?;
        (published >= Some(2.0)).then_some(())
    });
    assert!(recorded.is_some(), "{}", first.log());
    assert!(first.stop().status.success());

    let files = mp4_files(&footage);
    let [one, another, ..] = files.as_slice() else {
        panic!("{files:?}");
    };
    // A bit of the picture data turns.
    let file = fs::File::options()
        .read(true)
        .write(true)
        .open(one)
        .unwrap();
    let middle = file.metadata().unwrap().len() / 2;
    let mut byte = [0];
    file.read_exact_at(&mut byte, middle).unwrap();
    file.write_all_at(&[byte[0] ^ 1], middle).unwrap();
    // Something is due for years, and a pin that can't be read keeps it.
    let old = footage.join("2020-05-04");
    fs::create_dir(&old).unwrap();
    fs::copy(another, old.join("2020-05-04T073100.120Z.mp4")).unwrap();
    let pins = archive.join("quay/pins/2020-05-04");
    fs::create_dir_all(&pins).unwrap();
    fs::write(pins.join("2020-05-04T073100.120Z.jsonl"), "no pin\n").unwrap();

    // A disk of its own, which goes with the process's mounts.
    let kept = folder.join("kept");
    fs::rename(&archive, &kept).unwrap();
    fs::create_dir(&archive).unwrap();
    let script = format!(
        "mount -t tmpfs -o size={DISK_BYTES} none {archive:?} && cp -a {kept:?}/. {archive:?} && \
         head -c $(($(stat -f -c %a {archive:?}) * $(stat -f -c %S {archive:?}) - {FREE_BYTES})) \
         /dev/zero >{:?} && exec \"$0\" \"$@\"",
        archive.join("ballast")
    );
    let mut program = Command::new("unshare");
    program
        .args(["--mount", "--map-root-user", "sh", "-c", &script])
        .arg(Relay::program());
    Relay::spawn_by(&mut program, folder, |listen| {
        let more = "[scrub]\nfirst_after_seconds = 5\n\
            [ladder]\nfootage_days = 30\nfree_space = \"50 MB\"\n";
        toml(listen, more)
    })
}
