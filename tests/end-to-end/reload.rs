//! SIGHUP: the configuration is read again, what it touches is changed, and nothing else notices.

use std::fs;
use std::os::unix::net::UnixDatagram;
use std::path::Path;
use std::process::Command;
use std::time::{Duration, Instant};

use forebay_tests::recording::{Mark, Recording, marks};
use forebay_tests::{
    Camera, Configuration, Metrics, Relay, SiteServer, fresh_folder, mp4_files, run, unix_now,
    wait_for,
};
use serde_json::{Value, json};

use crate::{SCRATCH, alone};

/// For what takes a second or two on a machine that has time.
const WORK_MAX: Duration = Duration::from_secs(60);
/// Reloads in a row. More are needed to see a small leak.
const RELOADS: usize = 20;

fn site() -> SiteServer {
    let program = Path::new(env!("CARGO_BIN_EXE_site_server"));
    let options = "--streams 4 --bitrate 500000 --fps 10 --gop 10";
    let options: Vec<_> = options.split(' ').collect();
    SiteServer::start(program, &options)
}

fn camera(site: &SiteServer, name: &str, number: usize) -> Camera {
    Camera {
        name: name.into(),
        url: site.urls[number].clone(),
        ..Camera::default()
    }
}

/// Cameras by their names, and how often a still is taken.
fn configuration(
    folder: &Path,
    site: &SiteServer,
    cameras: &[(&str, usize)],
    minutes: u32,
) -> Configuration {
    let stills = format!(
        "\n[[sink]]\nname = \"stills\"\nplugin = \"builtin:stills\"\ncameras = [\"slipway\"]\n\
         [sink.settings]\nevery_minutes = {minutes}\n"
    );
    let all = Configuration::new(folder).segment_seconds(2).extra(&stills);
    cameras.iter().fold(all, |configuration, (name, number)| {
        configuration.camera(camera(site, name, *number))
    })
}

const BEFORE: [(&str, usize); 3] = [("slipway", 0), ("gate", 1), ("mast-crane", 2)];
const AFTER: [(&str, usize); 3] = [("jetty", 3), ("slipway", 0), ("gate", 1)];

fn count(page: &Metrics, name: &str, camera: &str) -> f64 {
    page.sum(&format!("forebay_{name}"), &[("camera", camera)])
        .unwrap_or_default()
}

fn starts(page: &Metrics, camera: &str, sink: &str) -> f64 {
    let labels = [("camera", camera), ("sink", sink)];
    page.sum("forebay_plugin_starts_total", &labels)
        .unwrap_or_default()
}

/// Waits until so many more units of these cameras are in the hold, and some files are published.
fn flow(relay: &Relay, cameras: &[&str], units: f64) {
    let before = relay.metrics();
    let enough = |page: &Metrics, camera: &&str| {
        let before = count(&before, "camera_units_total", camera);
        count(page, "camera_units_total", camera) >= before + units
    };
    let flowed = wait_for(WORK_MAX, || {
        let page = relay.metrics();
        cameras
            .iter()
            .all(|camera| enough(&page, camera))
            .then_some(())
    });
    flowed.unwrap_or_else(|| panic!("{}\n{}", relay.metrics().text(), relay.log()));
}

fn footage(configuration: &Configuration, camera: &str) -> Vec<Mark> {
    let mut files = mp4_files(&configuration.archive().join(camera).join("footage"));
    files.sort();
    assert!(!files.is_empty(), "{camera}");
    marks(&Recording::read_marks(&files))
}

/// The numbers that the camera has put into its pictures: each is there, and once.
fn is_gapless(marks: &[Mark]) {
    for pair in marks.windows(2) {
        assert_eq!(pair[1].number, pair[0].number + 1, "{pair:?}");
    }
}

/// When a camera was wanted, by `forebay coverage`: from and to, Unix seconds.
fn wanted_seconds(configuration: &Configuration, camera: &str) -> f64 {
    let file = configuration.write("127.0.0.1:0");
    let output = run(Command::new(Relay::program())
        .args(["coverage", "--days", "2", "--format", "json", "--config"])
        .arg(&file));
    let told: Value = serde_json::from_slice(&output.stdout).unwrap();
    let cameras = told["sites"][0]["cameras"].as_array().unwrap();
    let found = cameras.iter().find(|found| found["camera"] == camera);
    let found = found.unwrap_or_else(|| panic!("{told}"));
    found["totals"]["wanted_seconds"].as_f64().unwrap()
}

#[test]
fn what_a_reload_does_not_touch_loses_nothing() {
    let _alone = alone();
    let folder = fresh_folder(SCRATCH, "reload");
    let mut site = site();
    let before = configuration(&folder, &site, &BEFORE, 10);
    let after = configuration(&folder, &site, &AFTER, 20);
    let begin = unix_now();
    let relay = Relay::start(&before);
    let listen = relay.address().to_string();
    flow(&relay, &["slipway", "gate", "mast-crane"], 30.0);

    // The same again changes nothing.
    assert_eq!(relay.reload(|| {}), "unchanged");

    let reloaded = unix_now();
    let outcome = relay.reload(|| {
        after.write(&listen);
    });
    assert_eq!(outcome, "applied", "{}", relay.log());
    flow(&relay, &["slipway", "gate", "jetty"], 40.0);
    let page = relay.metrics();
    for camera in ["slipway", "gate"] {
        assert_eq!(count(&page, "camera_sessions_began_total", camera), 1.0);
        assert_eq!(starts(&page, camera, "footage"), 1.0, "{camera}");
    }
    // The sink that has other settings is another instance.
    assert_eq!(starts(&page, "slipway", "stills"), 2.0);
    assert_eq!(count(&page, "camera_sessions_began_total", "jetty"), 1.0);
    assert!(!page.text().contains("mast-crane"), "{}", page.text());
    let gap = "forebay_gap_begin_timestamp_seconds";
    assert_eq!(page.sum(gap, &[]), None, "{}", page.text());

    // The cameras say the same: nobody has come twice, and one has been left in peace.
    let told = site.order(&json!({ "do": "tell" })).unwrap();
    let plays = |camera: usize| told["cameras"][camera]["plays"].as_u64().unwrap();
    assert_eq!([0, 1, 2, 3].map(plays), [1, 1, 1, 1], "{told}");
    assert_eq!(told["cameras"][2]["sessions"], 0, "{told}");

    let end = unix_now();
    let stopped = relay.stop();
    assert!(stopped.status.success(), "{}", stopped.log);
    for camera in ["slipway", "gate"] {
        let marks = footage(&after, camera);
        is_gapless(&marks);
        let seconds = marks.last().unwrap().captured - marks[0].captured;
        assert!(seconds > end - reloaded, "{camera}: {seconds}");
    }
    is_gapless(&footage(&after, "jetty"));
    // What was sent before the reload is all there.
    let left = footage(&after, "mast-crane");
    is_gapless(&left);

    // Wanted up to the reload, and from the reload on: so much, and not the whole run.
    let run = unix_now() - begin;
    let left_wanted = wanted_seconds(&before, "mast-crane");
    let (early, late) = (reloaded - begin, end - reloaded);
    assert!(
        left_wanted > 2.0 && left_wanted < early + 5.0,
        "{left_wanted} of {early}"
    );
    assert!(left_wanted < run - late / 2.0, "{left_wanted} of {run}");
    let come_wanted = wanted_seconds(&after, "jetty");
    assert!(
        come_wanted > late / 2.0 && come_wanted < run - early / 2.0,
        "{come_wanted} of {late}"
    );
    let stayed = wanted_seconds(&after, "gate");
    assert!(stayed > left_wanted + come_wanted / 2.0, "{stayed}");
}

#[test]
fn a_wrong_file_changes_nothing_and_many_right_ones_leave_nothing_behind() {
    let _alone = alone();
    let folder = fresh_folder(SCRATCH, "reloads");
    let mut site = site();
    let before = configuration(&folder, &site, &BEFORE, 10);
    let after = configuration(&folder, &site, &AFTER, 20);
    let relay = Relay::start(&before);
    let listen = relay.address().to_string();
    let file = folder.join("forebay.toml");
    flow(&relay, &["slipway", "gate"], 10.0);
    let good = fs::read_to_string(&file).unwrap();
    let elsewhere = folder.join("elsewhere");
    for (wrong, said) in [
        // Not read, not right, refused by a plugin, not to be had while it runs.
        ("[relay", "forebay.toml:1"),
        (
            &*good.replace("site = \"boatyard\"", "site = \"boatyrd\""),
            "there is no site",
        ),
        (
            &*good.replace("every_minutes = 10", "every_minutes = 7"),
            "sink stills, camera slipway",
        ),
        (
            &*good.replace("plugin = \"builtin:stills\"", "plugin = \"/nowhere.wasm\""),
            "/nowhere.wasm",
        ),
        (
            &*good
                .replace("archive\"", "elsewhere\"")
                .replace("10\n", "20\n"),
            "[relay]: archive has changed, which needs a restart",
        ),
    ] {
        assert_eq!(
            relay.reload(|| fs::write(&file, wrong).unwrap()),
            "refused",
            "{wrong}"
        );
        let log = relay.log();
        let told = log.lines().rfind(|line| line.contains("is refused"));
        let told: Value = serde_json::from_str(told.unwrap_or_else(|| panic!("{log}"))).unwrap();
        let problems = told["problems"].as_str().unwrap();
        assert!(problems.contains(said), "{problems}");
        assert_eq!(
            relay.metrics().sum("forebay_reload_refused", &[]),
            Some(1.0)
        );
    }
    assert!(!elsewhere.exists());
    let page = relay.metrics();
    for (camera, _) in BEFORE {
        assert_eq!(count(&page, "camera_sessions_began_total", camera), 1.0);
        assert_eq!(starts(&page, camera, "footage"), 1.0, "{camera}");
    }
    assert_eq!(starts(&page, "slipway", "stills"), 1.0);
    let outcome = relay.reload(|| fs::write(&file, &good).unwrap());
    assert_eq!(outcome, "unchanged");
    assert_eq!(
        relay.metrics().sum("forebay_reload_refused", &[]),
        Some(0.0)
    );

    // There and back: after an even number all is as it was.
    let mut early = None;
    for number in 0..RELOADS {
        let next = if number % 2 == 0 { &after } else { &before };
        let outcome = relay.reload(|| {
            next.write(&listen);
        });
        assert_eq!(outcome, "applied");
        if number == 3 {
            early = Some(settled(&relay));
        }
    }
    let (tasks, files, bytes) = settled(&relay);
    let (early_tasks, early_files, early_bytes) = early.unwrap();
    assert!(tasks <= early_tasks, "{tasks} tasks after {early_tasks}");
    assert!(files <= early_files, "{files} files after {early_files}");
    // The holds fill meanwhile: 16 MB at the most of what these cameras send in a minute.
    let grown = bytes - early_bytes;
    assert!(grown < 32e6, "{grown} bytes more than {early_bytes}");
    let page = relay.metrics();
    for camera in ["slipway", "gate"] {
        assert_eq!(count(&page, "camera_sessions_began_total", camera), 1.0);
        assert_eq!(starts(&page, camera, "footage"), 1.0, "{camera}");
    }
    let told = site.order(&json!({ "do": "tell" })).unwrap();
    let sessions = |camera: usize| told["cameras"][camera]["sessions"].as_u64().unwrap();
    assert_eq!([0, 1, 3].map(sessions), [1, 1, 0], "{told}");
    assert!(sessions(2) <= 1, "{told}");
    let stopped = relay.stop();
    assert!(stopped.status.success(), "{}", stopped.log);
    assert!(
        !stopped.log.contains("did not end in time"),
        "{}",
        stopped.log
    );
    for camera in ["slipway", "gate"] {
        is_gapless(&footage(&before, camera));
    }
}

/// Tasks, open files and memory, once the cameras play and nothing is on its way: the least of a
/// while.
fn settled(relay: &Relay) -> (f64, f64, f64) {
    let playing = wait_for(WORK_MAX, || {
        let page = relay.metrics();
        let plays = |camera: &str| {
            let labels = [("camera", camera), ("phase", "flowing")];
            page.sum("forebay_camera_phase", &labels) == Some(1.0)
        };
        BEFORE.iter().all(|(camera, _)| plays(camera)).then_some(())
    });
    playing.unwrap_or_else(|| panic!("{}", relay.metrics().text()));
    let pages: Vec<_> = (0..40)
        .map(|_| {
            std::thread::sleep(Duration::from_millis(50));
            relay.metrics()
        })
        .collect();
    let least = |name: &str| {
        let values = pages.iter().map(|page| page.sum(name, &[]).unwrap());
        values.fold(f64::INFINITY, f64::min)
    };
    (
        least("forebay_tasks"),
        least("process_open_fds"),
        least("process_resident_memory_bytes"),
    )
}

#[test]
fn a_reload_during_the_end_is_no_way_to_die() {
    let _alone = alone();
    let folder = fresh_folder(SCRATCH, "reload-at-the-end");
    let site = site();
    let before = configuration(&folder, &site, &BEFORE, 10);
    let after = configuration(&folder, &site, &AFTER, 20);
    let relay = Relay::start(&before);
    let listen = relay.address().to_string();
    flow(&relay, &["slipway", "gate", "mast-crane"], 20.0);
    after.write(&listen);
    // One that may be followed in part when the end is asked for, and some that come later.
    relay.hang_up();
    let pid = relay.pid();
    let echo = std::thread::spawn(move || {
        let begin = Instant::now();
        while begin.elapsed() < Duration::from_secs(6) {
            // Gone after the end, which is no error here.
            Command::new("kill")
                .args(["-HUP", &pid.to_string()])
                .output()
                .ok();
            if !Path::new(&format!("/proc/{pid}")).exists() {
                break;
            }
        }
    });
    let stopped = relay.stop();
    echo.join().unwrap();
    assert!(
        stopped.status.success(),
        "{:?}\n{}",
        stopped.status,
        stopped.log
    );
    for camera in ["slipway", "gate", "mast-crane"] {
        is_gapless(&footage(&before, camera));
    }
    assert!(stopped.log.contains("relay ended"), "{}", stopped.log);
}

/// What systemd is told, by sd_notify(3): `RELOADING=1` with the monotonic time, then `READY=1`.
#[test]
fn systemd_is_told_of_a_reload() {
    let _alone = alone();
    let folder = fresh_folder(SCRATCH, "reload-notify");
    let site = site();
    let before = configuration(&folder, &site, &BEFORE, 10);
    let socket = folder.join("notify");
    let heard = UnixDatagram::bind(&socket).unwrap();
    heard.set_read_timeout(Some(WORK_MAX)).unwrap();
    let next = || {
        let mut text = [0; 4096];
        let length = heard.recv(&mut text).unwrap();
        String::from_utf8(text[..length].to_vec()).unwrap()
    };
    let relay = Relay::spawn_with(&before, &[("NOTIFY_SOCKET", &socket)]);
    assert!(next().contains("READY=1"));
    let file = folder.join("forebay.toml");
    let good = fs::read_to_string(&file).unwrap();
    for (text, status) in [
        (&*good, "STATUS=running"),
        ("[relay", "STATUS=running; the new"),
    ] {
        fs::write(&file, text).unwrap();
        let earlier = monotonic_micros();
        relay.hang_up();
        let begun = next();
        assert!(begun.contains("RELOADING=1"), "{begun}");
        let told = begun
            .lines()
            .find_map(|line| line.strip_prefix("MONOTONIC_USEC="));
        let told: u64 = told.unwrap_or_else(|| panic!("{begun}")).parse().unwrap();
        assert!((earlier..=monotonic_micros()).contains(&told), "{told}");
        let done = next();
        assert!(done.contains("READY=1") && done.contains(status), "{done}");
    }
    assert!(relay.stop().status.success());
    assert!(next().contains("STOPPING=1"));
}

/// CLOCK_MONOTONIC, which sd_notify(3) asks for.
fn monotonic_micros() -> u64 {
    let now = rustix::time::clock_gettime(rustix::time::ClockId::Monotonic);
    u64::try_from(now.tv_sec).unwrap() * 1_000_000 + u64::try_from(now.tv_nsec).unwrap() / 1000
}
