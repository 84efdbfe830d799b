//! SIGHUP: the configuration is read again, what it touches is changed, and nothing else notices.

use std::fs;
use std::io::{Read as _, Write as _};
use std::net::{SocketAddr, TcpStream};
use std::os::unix::net::UnixDatagram;
use std::path::Path;
use std::process::Command;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, AtomicU64, Ordering};
use std::time::Duration;

use forebay_tests::http::get;
use forebay_tests::recording::{Mark, Recording, marks};
use forebay_tests::{
    Camera, Configuration, Metrics, Relay, SiteServer, fresh_folder, mp4_files, run, unix_now,
    wait_for,
};
use rustix::process::Signal;
use serde_json::{Value, json};

use crate::{SCRATCH, beside};

/// For what takes a second or two on a machine that has time.
const WORK_MAX: Duration = Duration::from_secs(60);
/// There and back so often. More are needed to see a small leak.
const RETURNS: usize = 3;

/// Pictures of a group.
const GOP: usize = 10;

fn site() -> SiteServer {
    let program = Path::new(env!("CARGO_BIN_EXE_site_server"));
    let options = "--streams 4 --bitrate 400000 --size 320x180 --fps 10 --gop";
    let gop = GOP.to_string();
    let options: Vec<_> = options.split(' ').chain([&*gop]).collect();
    SiteServer::start(program, &options)
}

/// Cameras with the numbers of their streams, and how often a still of `slipway` is taken.
fn configuration(
    folder: &Path,
    site: &SiteServer,
    (cameras, minutes): (&[(&str, usize)], u32),
) -> Configuration {
    let stills = format!(
        "\n[[sink]]\nname = \"stills\"\nplugin = \"builtin:stills\"\ncameras = [\"slipway\"]\n\
         [sink.settings]\nevery_minutes = {minutes}\n"
    );
    let all = Configuration::new(folder).segment_seconds(2).extra(&stills);
    cameras.iter().fold(all, |configuration, (name, number)| {
        configuration.camera(Camera {
            name: (*name).into(),
            url: site.urls[*number].clone(),
            ..Camera::default()
        })
    })
}

const BEFORE: (&[(&str, usize)], u32) = (&[("slipway", 0), ("gate", 1), ("mast-crane", 2)], 10);
/// One camera is left out, one is added, and `slipway` has a sink with other settings.
const AFTER: (&[(&str, usize)], u32) = (&[("jetty", 3), ("slipway", 0), ("gate", 1)], 20);

fn count(page: &Metrics, name: &str, camera: &str) -> f64 {
    page.sum(&format!("forebay_{name}"), &[("camera", camera)])
        .unwrap_or_default()
}

fn starts(page: &Metrics, camera: &str, sink: &str) -> f64 {
    let labels = [("camera", camera), ("sink", sink)];
    page.sum("forebay_plugin_starts_total", &labels)
        .unwrap_or_default()
}

/// Waits until so many more units of these cameras are in the hold.
fn flow(relay: &Relay, cameras: &[&str], units: f64) {
    let before = relay.metrics();
    let enough = |page: &Metrics, camera: &&str| {
        let before = count(&before, "camera_units_total", camera);
        count(page, "camera_units_total", camera) >= before + units
    };
    let flowed = wait_for(WORK_MAX, || {
        let page = relay.metrics();
        let all = cameras.iter().all(|camera| enough(&page, camera));
        all.then_some(())
    });
    flowed.unwrap_or_else(|| panic!("{}\n{}", relay.metrics().text(), relay.log()));
}

/// One who looks at a camera.
struct Viewer {
    bytes: Arc<AtomicU64>,
    ended: Arc<AtomicBool>,
}

impl Viewer {
    fn of(address: SocketAddr, camera: &str) -> Self {
        let mut stream = TcpStream::connect(address).unwrap();
        let path = format!("/v1/cameras/{camera}/live.mp4");
        write!(stream, "GET {path} HTTP/1.0\r\nHost: {address}\r\n\r\n").unwrap();
        let viewer = Self {
            bytes: Arc::default(),
            ended: Arc::default(),
        };
        let (bytes, ended) = (Arc::clone(&viewer.bytes), Arc::clone(&viewer.ended));
        std::thread::spawn(move || {
            let mut block = [0; 65_536];
            while let Ok(read @ 1..) = stream.read(&mut block) {
                bytes.fetch_add(read as u64, Ordering::Relaxed);
            }
            ended.store(true, Ordering::Relaxed);
        });
        viewer.goes_on();
        viewer
    }

    /// Waits until more comes.
    fn goes_on(&self) {
        let before = self.bytes.load(Ordering::Relaxed);
        let more = wait_for(WORK_MAX, || {
            (self.bytes.load(Ordering::Relaxed) > before + 20_000).then_some(())
        });
        assert!(more.is_some(), "nothing more after {before} bytes");
    }

    fn has_ended(&self) -> bool {
        self.ended.load(Ordering::Relaxed)
    }
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

/// How long a camera was wanted and what of it is missing, by `forebay coverage`: seconds.
fn account(configuration: &Configuration, camera: &str) -> (f64, f64) {
    let file = configuration.write("127.0.0.1:0");
    let output = run(Command::new(Relay::program())
        .args(["coverage", "--days", "2", "--format", "json", "--config"])
        .arg(&file));
    let told: Value = serde_json::from_slice(&output.stdout).unwrap();
    let cameras = told["sites"][0]["cameras"].as_array().unwrap();
    let found = cameras.iter().find(|found| found["camera"] == camera);
    let totals = &found.unwrap_or_else(|| panic!("{told}"))["totals"];
    let seconds = |key: &str| totals[key].as_f64().unwrap_or_else(|| panic!("{totals}"));
    (seconds("wanted_seconds"), seconds("missing_seconds"))
}

#[test]
fn what_a_reload_does_not_touch_loses_nothing() {
    let _beside = beside();
    let folder = fresh_folder(SCRATCH, "reload");
    let mut site = site();
    let before = configuration(&folder, &site, BEFORE);
    let after = configuration(&folder, &site, AFTER);
    let begin = unix_now();
    let relay = Relay::start(&before);
    let address = relay.address();
    flow(&relay, &["slipway", "gate", "mast-crane"], 30.0);
    let stays = Viewer::of(address, "gate");
    let leaves = Viewer::of(address, "mast-crane");

    // The same again changes nothing.
    assert_eq!(relay.reload(|| {}), "unchanged");

    let reloaded = unix_now();
    let outcome = relay.reload(|| drop(after.write(&address.to_string())));
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
    // Nothing of the camera that has left looks alive, but what the archive has of it.
    let of_left = page
        .text()
        .lines()
        .filter(|line| line.contains("mast-crane"));
    let of_left: Vec<_> = of_left
        .filter(|line| !line.contains("_object_bytes"))
        .collect();
    assert!(of_left.is_empty(), "{of_left:?}");
    stays.goes_on();
    assert!(!stays.has_ended());
    assert!(wait_for(WORK_MAX, || leaves.has_ended().then_some(())).is_some());
    let cameras = get(address, "/v1/cameras").json();
    let names = cameras["cameras"].as_array().unwrap().iter();
    let names: Vec<_> = names
        .map(|camera| camera["camera"].as_str().unwrap())
        .collect();
    assert_eq!(names, ["jetty", "slipway", "gate"]);
    assert_eq!(get(address, "/v1/cameras/mast-crane").status, 404);

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
    // What was sent before the reload is all there, and published.
    let left = footage(&after, "mast-crane");
    is_gapless(&left);
    let last = left.last().unwrap().captured;
    assert!(last > reloaded - 1.0, "{last} of {reloaded}");

    // Wanted up to the reload, and from the reload on: so much, and not the whole run. Only before
    // the first picture something is missing.
    let (early, late) = (reloaded - begin, end - reloaded);
    let (wanted, missing) = account(&before, "mast-crane");
    assert!(wanted > 2.0 && wanted < early + 2.0, "{wanted} of {early}");
    assert!(missing < 3.0, "{missing} of {wanted}");
    let (wanted, missing) = account(&after, "jetty");
    assert!(
        wanted > late / 2.0 && wanted < late + 5.0,
        "{wanted} of {late}"
    );
    assert!(missing < 3.0, "{missing} of {wanted}");
    let (wanted, missing) = account(&after, "gate");
    assert!(
        wanted > late + early / 2.0,
        "{wanted} of {early} and {late}"
    );
    assert!(missing < 3.0, "{missing} of {wanted}");
}

/// Waits for a line of the log that says so.
fn is_logged(relay: &Relay, words: [&str; 2]) {
    let said = wait_for(WORK_MAX, || {
        let log = relay.log();
        let mut lines = log.lines();
        let says = |line: &str| words.iter().all(|word| line.contains(word));
        lines.any(says).then_some(())
    });
    assert!(said.is_some(), "{words:?}:\n{}", relay.log());
}

#[test]
fn a_wrong_file_changes_nothing_and_many_right_ones_leave_nothing_behind() {
    let _beside = beside();
    let folder = fresh_folder(SCRATCH, "reloads");
    let mut site = site();
    let before = configuration(&folder, &site, BEFORE);
    let after = configuration(&folder, &site, AFTER);
    let relay = Relay::start(&before);
    let listen = relay.address().to_string();
    let file = folder.join("forebay.toml");
    flow(&relay, &["slipway", "gate"], 10.0);
    let good = fs::read_to_string(&file).unwrap();
    for (wrong, said) in [
        // Not read, not right, refused by a plugin.
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
            &*good.replace("\"builtin:stills\"", "\"/nowhere.wasm\""),
            "/nowhere.wasm",
        ),
    ] {
        let outcome = relay.reload(|| fs::write(&file, wrong).unwrap());
        assert_eq!(outcome, "refused", "{wrong}");
        is_logged(&relay, ["is refused", said]);
        let page = relay.metrics();
        assert_eq!(page.sum("forebay_reload_refused", &[]), Some(1.0));
    }

    // What can't be followed is named and stays, and the rest is followed.
    let elsewhere = folder.join("elsewhere");
    let text = good.replace("/archive\"", "/elsewhere\"\nlog_level = \"debug\"");
    let text = text.replace("segment_seconds = 2", "segment_seconds = 2 # the same");
    let debug = |relay: &Relay| relay.log().matches("\"level\":\"DEBUG\"").count();
    assert_eq!(debug(&relay), 0);
    assert_eq!(relay.reload(|| fs::write(&file, &text).unwrap()), "applied");
    is_logged(
        &relay,
        ["configuration reloaded", "\"changes\":\"log_level\""],
    );
    for setting in ["archive", "spool", "plugin_cache"] {
        let words = format!("{setting} in [relay] has changed");
        is_logged(&relay, [&words, "restart to apply"]);
    }
    assert_eq!(relay.log().matches("restart to apply").count(), 3);
    assert!(!elsewhere.exists());
    let page = relay.metrics();
    assert_eq!(page.sum("forebay_reload_refused", &[]), Some(0.0));
    // The spool is in the archive, and the compiled plugins in the spool.
    assert_eq!(page.sum("forebay_reload_needs_restart", &[]), Some(3.0));
    let quiet = good.replace("/archive\"", "/archive\"\nlog_level = \"error\"");
    let heard = wait_for(WORK_MAX, || (debug(&relay) > 0).then_some(()));
    assert!(heard.is_some(), "{}", relay.log());
    assert_eq!(
        relay.reload(|| fs::write(&file, &quiet).unwrap()),
        "applied"
    );
    flow(&relay, &["gate"], 5.0);
    let lines = |relay: &Relay| relay.log().lines().count();
    let before_quiet = lines(&relay);
    flow(&relay, &["gate"], 10.0);
    assert_eq!(relay.reload(|| {}), "unchanged");
    assert_eq!(lines(&relay), before_quiet, "{}", relay.log());
    let page = relay.metrics();
    assert_eq!(page.sum("forebay_reload_needs_restart", &[]), Some(0.0));
    for (camera, _) in BEFORE.0 {
        assert_eq!(count(&page, "camera_sessions_began_total", camera), 1.0);
        assert_eq!(starts(&page, camera, "footage"), 1.0, "{camera}");
    }
    assert_eq!(starts(&page, "slipway", "stills"), 1.0);
    assert_eq!(relay.reload(|| fs::write(&file, &good).unwrap()), "applied");

    // There and back: all is as it was.
    let open = |relay: &Relay| {
        flow(relay, &["slipway", "gate", "mast-crane"], 1.0);
        let folder = format!("/proc/{}/fd", relay.pid());
        let counts = (0..20).map(|_| {
            std::thread::sleep(Duration::from_millis(50));
            fs::read_dir(&folder).unwrap().count()
        });
        counts.min().unwrap()
    };
    let mut early = None;
    for _ in 0..RETURNS {
        for next in [&after, &before] {
            let outcome = relay.reload(|| drop(next.write(&listen)));
            assert_eq!(outcome, "applied");
        }
        let now = open(&relay);
        let first = *early.get_or_insert(now);
        // A file of the recorder's or the catalog's may be open just now.
        assert!(now <= first + 3, "{now} open files after {first}");
    }
    let page = relay.metrics();
    for camera in ["slipway", "gate"] {
        assert_eq!(count(&page, "camera_sessions_began_total", camera), 1.0);
        assert_eq!(starts(&page, camera, "footage"), 1.0, "{camera}");
    }
    let told = site.order(&json!({ "do": "tell" })).unwrap();
    let sessions = |camera: usize| told["cameras"][camera]["sessions"].as_u64().unwrap();
    assert_eq!([0, 1, 2, 3].map(sessions), [1, 1, 1, 0], "{told}");
    // One that may be followed in part when the end is asked for, and some that come later.
    drop(after.write(&listen));
    relay.signal(Signal::HUP);
    let pid = relay.pid().to_string();
    let hangs_up = std::thread::spawn(move || {
        for _ in 0..20 {
            // Gone after the end, which is no error here.
            Command::new("kill").args(["-HUP", &pid]).output().ok();
            std::thread::sleep(Duration::from_millis(50));
        }
    });
    let stopped = relay.stop();
    hangs_up.join().unwrap();
    assert!(stopped.status.success(), "{}", stopped.log);
    assert!(stopped.log.contains("relay ended"), "{}", stopped.log);
    assert!(
        !stopped.log.contains("did not end in time"),
        "{}",
        stopped.log
    );
    for camera in ["slipway", "gate"] {
        is_gapless(&footage(&before, camera));
    }
}

/// What systemd is told, by sd_notify(3): `RELOADING=1` with the monotonic time, then `READY=1`.
#[test]
fn systemd_is_told_and_recorders_that_are_begun_anew_miss_nothing() {
    let _beside = beside();
    let folder = fresh_folder(SCRATCH, "reload-notify");
    let site = site();
    let socket = folder.join("notify");
    let before = configuration(&folder, &site, BEFORE).variable("NOTIFY_SOCKET", &socket);
    let heard = UnixDatagram::bind(&socket).unwrap();
    heard.set_read_timeout(Some(WORK_MAX)).unwrap();
    let next = || {
        let mut text = [0; 4096];
        let length = heard.recv(&mut text).unwrap();
        String::from_utf8(text[..length].to_vec()).unwrap()
    };
    let relay = Relay::spawn(&before);
    assert!(next().contains("READY=1"));
    flow(&relay, &["slipway", "gate"], 20.0);
    let file = folder.join("forebay.toml");
    let good = fs::read_to_string(&file).unwrap();
    for (text, status) in [
        // Each recorder is begun anew.
        (
            &*good.replace("segment_seconds = 2", "segment_seconds = 3"),
            "STATUS=recording",
        ),
        (
            "[relay",
            "STATUS=recording; the new configuration is refused",
        ),
    ] {
        fs::write(&file, text).unwrap();
        let earlier = monotonic_micros();
        relay.signal(Signal::HUP);
        let begun = next();
        assert!(begun.contains("RELOADING=1"), "{begun}");
        let mut lines = begun.lines();
        let told = lines.find_map(|line| line.strip_prefix("MONOTONIC_USEC="));
        let told: u64 = told.unwrap_or_else(|| panic!("{begun}")).parse().unwrap();
        assert!((earlier..=monotonic_micros()).contains(&told), "{told}");
        let done = next();
        assert!(done.contains("READY=1") && done.contains(status), "{done}");
        flow(&relay, &["slipway", "gate"], 20.0);
    }
    let page = relay.metrics();
    assert!(relay.stop().status.success());
    assert!(next().contains("STOPPING=1"));
    // What is begun anew begins with the group that the one before was at.
    for camera in ["slipway", "gate"] {
        assert_eq!(starts(&page, camera, "footage"), 2.0, "{camera}");
        let all = footage(&before, camera);
        let mut numbers: Vec<_> = all.iter().map(|mark| mark.number).collect();
        numbers.sort_unstable();
        numbers.dedup();
        let (first, last) = (numbers[0], numbers[numbers.len() - 1]);
        assert_eq!(
            last - first + 1,
            numbers.len() as u64,
            "{camera}: {numbers:?}"
        );
        assert!(
            all.len() - numbers.len() <= 2 * GOP,
            "{camera}: {}",
            all.len()
        );
    }
}

/// CLOCK_MONOTONIC, which sd_notify(3) asks for.
fn monotonic_micros() -> u64 {
    let now = rustix::time::clock_gettime(rustix::time::ClockId::Monotonic);
    u64::try_from(now.tv_sec).unwrap() * 1_000_000 + u64::try_from(now.tv_nsec).unwrap() / 1000
}
