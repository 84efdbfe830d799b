//! The faults: of lines, clocks and pictures at one relay with cameras of two sites; those of machines at
//! others, see [`machines`](super::machines).

use std::fmt::Write as _;
use std::fs;
use std::path::{Path, PathBuf};
use std::process::Command;
use std::time::{Duration, Instant};

use forebay_site::{CameraSpec, Sight, SimulatedCamera, Uplink};
use forebay_tests::{Relay, wait_for};

use super::WAIT_MAX;
use super::machines::{Strayed, contender, small};
use super::server::Prometheus;
use crate::bad_cameras::site::Running;

/// The motion plugin learns a view for 10 s, and looks at two pictures in each.
const LEARNED_FROM: f64 = 28.0;
/// How long `winch` is off.
const SHORT: Duration = Duration::from_secs(6);

pub(super) struct Stage {
    boatyard: Running,
    jetty: Running,
    _quay: Running,
    large: Relay,
    small: Option<Relay>,
    strayed: Strayed,
    _contender: Relay,
    /// When all of `boatyard` was seen to deliver.
    begun: Instant,
    is_winch_on: bool,
    /// Whether those that are watched show something else.
    has_changed: bool,
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
        width: 320,
        height: 180,
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

pub(super) fn camera_toml(
    site: &str,
    camera: &SimulatedCamera,
    eyes: &[SimulatedCamera],
) -> String {
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

pub(super) fn site_toml(name: &str) -> String {
    format!("\n[[site]]\nname = {name:?}\ntime_zone = \"Europe/Oslo\"\n")
}

pub(super) const RECORDER: &str = "\n[[sink]]\nname = \"footage\"\nplugin = \"builtin:recorder\"\n\
    [sink.settings]\nsegment_seconds = 2\n";

impl Stage {
    pub(super) fn set(folder: &Path, server: &Prometheus) -> Self {
        let boatyard = Running::start(boatyard());
        let jetty = Running::start(vec![looped("pier"), looped("buoy")]);
        let quay = Running::start(vec![CameraSpec::looped("quay", 4_000_000)]);
        // What one has compiled the others need not.
        let cache = folder.join("plugin-cache");
        let large_folder = folder.join("large");
        fs::create_dir_all(&large_folder).unwrap();
        let large = large(&large_folder, &boatyard, &jetty, &cache);
        server.scrape(&[large.address()]);
        let flowing = wait_for(WAIT_MAX, || {
            let units = |camera: &&SimulatedCamera| {
                let labels = [("camera", camera.name()), ("kind", "video")];
                large.metrics().sum("forebay_camera_units_total", &labels) > Some(8.0)
            };
            let mains = |site: &Running| {
                let all = site.cameras.iter();
                all.filter(|c| !c.name().ends_with("-eye"))
                    .all(|camera| units(&camera))
            };
            (mains(&boatyard) && mains(&jetty)).then_some(())
        });
        assert!(flowing.is_some(), "{}", large.log());
        let file = large_folder.join("forebay.toml");
        let wrong = fs::read_to_string(&file).unwrap() + "\n[relay\n";
        assert_eq!(large.reload(|| fs::write(&file, wrong).unwrap()), "refused");
        for name in ["gate", "winch"] {
            find(&boatyard, name).power(false);
        }
        for camera in &jetty.cameras {
            camera.uplink(Uplink::Down);
        }
        let begun = Instant::now();
        let quay_camera = &quay.cameras[0];
        let strayed = Strayed::start(&folder.join("strayed"), quay_camera, &cache);
        let contender = contender(&folder.join("contender"), quay_camera, &cache);
        let small = small(&folder.join("small"), quay_camera, &cache);
        server.scrape(&[
            large.address(),
            small.address(),
            strayed.address(),
            contender.address(),
        ]);
        Self {
            boatyard,
            jetty,
            _quay: quay,
            large,
            small: Some(small),
            strayed,
            _contender: contender,
            begun,
            is_winch_on: false,
            has_changed: false,
            folder: folder.to_owned(),
        }
    }

    /// What is due by now is done.
    pub(super) fn go_on(&mut self) {
        self.strayed.go_on();
        if !self.is_winch_on && self.begun.elapsed() > SHORT {
            find(&self.boatyard, "winch").power(true);
            self.is_winch_on = true;
        }
        if !self.has_changed && self.has_learned() {
            for (name, sight) in WATCHED {
                find(&self.boatyard, &format!("{name}-eye")).see(sight);
            }
            self.has_changed = true;
        }
    }

    fn has_learned(&self) -> bool {
        let page = self.large.metrics();
        WATCHED.iter().all(|(camera, _)| {
            let labels = [("camera", *camera), ("sink", "motion")];
            page.sum("forebay_sink_pictures_total", &labels) >= Some(LEARNED_FROM)
        })
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
            "large:\n{}\nsmall:\n{small}\nstrayed:\n{}\nlogs in {}; cameras of the jetty: {}",
            page(&self.large),
            page(self.strayed.relay()),
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
    ];
    for (name, _) in WATCHED {
        cameras.extend([looped(name), eye(name)]);
    }
    cameras
}

/// The relay that all three faults of lines, clocks and pictures are tried on.
fn large(folder: &Path, boatyard: &Running, jetty: &Running, cache: &Path) -> Relay {
    let broken = folder.join("broken.wasm");
    fs::write(&broken, "no plugin").unwrap();
    let url = folder.join("heartbeat.url");
    // Nobody listens on port 1.
    fs::write(&url, "http://127.0.0.1:1/a-secret").unwrap();
    Relay::spawn_by(&mut Command::new(Relay::program()), folder, |listen| {
        let mut text = format!(
            "[relay]\narchive = {:?}\nlisten = \"{listen}\"\nplugin_cache = {cache:?}\n\
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
             \n[[sink]]\nname = \"pictures-by-clock\"\nplugin = \"builtin:stills\"\n\
             cameras = [\"gate\", \"slipway\"]\n[sink.settings]\nevery_minutes = 1\n"
        );
        text
    })
}
