//! Two relays with one archive: in turn, by a lease; and both at once, by accident.

use std::collections::BTreeMap;
use std::fs;
use std::path::{Path, PathBuf};
use std::process::Command;
use std::time::{Duration, Instant};

use forebay_tests::recording::{Mark, Recording, marks};
use forebay_tests::truth::{Cause, ledger};
use forebay_tests::{
    Camera, Configuration, Relay, SiteServer, fresh_folder, http_get, listed, mp4_files, unix_now,
    wait_for,
};
use rustix::process::Signal;

use crate::{SCRATCH, beside};

const CAMERA: &str = "gate";
const FPS: f64 = 25.0;
const WAIT_MAX: Duration = Duration::from_secs(120);
/// Another relay is at work, or the lease was lost.
const TRY_LATER: i32 = 75;

fn site() -> SiteServer {
    let program = Path::new(env!("CARGO_BIN_EXE_site_server"));
    let options = "--streams 1 --bitrate 400000 --size 320x180 --gop 25";
    SiteServer::start(program, &options.split(' ').collect::<Vec<_>>())
}

/// A relay of its own, but for the archive.
fn relay(folder: &Path, name: &str, site: &SiteServer) -> Configuration {
    let own = folder.join(name);
    fs::create_dir_all(&own).unwrap();
    Configuration::new(&own)
        .archive_at(&folder.join("archive"))
        .spool(&own.join("spool"))
        .segment_seconds(2)
        .camera(Camera {
            name: CAMERA.into(),
            url: site.urls[0].clone(),
            ..Camera::default()
        })
}

fn forebay(arguments: &[&str], of: &Configuration) -> (bool, String) {
    let output = Command::new(Relay::program())
        .args(arguments)
        .arg("--config")
        .arg(of.folder().join("forebay.toml"))
        .output()
        .unwrap();
    let told = String::from_utf8_lossy(&output.stdout).into_owned();
    let said = String::from_utf8_lossy(&output.stderr);
    (output.status.success(), told + &said)
}

fn footage(archive: &Path) -> Vec<PathBuf> {
    mp4_files(&archive.join(CAMERA).join("footage"))
}

/// All pictures in the archive by their numbers; one that was recorded twice is the same picture.
fn pictures(archive: &Path) -> BTreeMap<u64, f64> {
    let mut pictures = BTreeMap::new();
    for Mark {
        number, captured, ..
    } in marks(&Recording::read_marks(&footage(archive)))
    {
        let before = pictures.insert(number, captured);
        assert!(
            before.is_none_or(|before| before == captured),
            "picture {number}"
        );
    }
    pictures
}

/// Pictures that are not there, between the first and the last: when, and for how long.
fn holes(pictures: &BTreeMap<u64, f64>) -> Vec<(f64, f64)> {
    let all: Vec<_> = pictures.iter().collect();
    let two = all.windows(2).filter(|two| *two[1].0 > two[0].0 + 1);
    two.map(|two| (two[0].1 + 1.0 / FPS, *two[1].1)).collect()
}

fn held(relay: &Relay) -> Option<f64> {
    relay.metrics().sum("forebay_lease_held", &[])
}

/// Waits for the next picture that is durable under a final name.
fn records(archive: &Path, relay: &Relay) {
    let before = footage(archive).len();
    let more = wait_for(WAIT_MAX, || (footage(archive).len() > before).then_some(()));
    assert!(more.is_some(), "{}", relay.log());
}

#[test]
fn a_lease_passes_to_the_one_that_waits() {
    let _beside = beside();
    let folder = fresh_folder(SCRATCH, "lease");
    let archive = folder.join("archive");
    let site = site();
    let lease = folder.join("lease");
    let [one, two] = ["one", "two"].map(|name| {
        let relay = relay(&folder, name, &site);
        relay.argument("--lease").argument(&lease)
    });
    let first = Relay::start(&one);
    assert_eq!(held(&first), Some(1.0));
    let second = Relay::spawn(&two);
    let waits = (503, "waiting\n".to_owned());
    let waiting = wait_for(WAIT_MAX, || {
        let answers = second.readiness()? == waits;
        let epoch = second.metrics().sum("forebay_lease_epoch", &[]);
        (answers && epoch == Some(1.0)).then_some(())
    });
    assert!(waiting.is_some(), "{}", second.log());
    assert_eq!(
        http_get(second.address(), "/healthz").map(|(status, _)| status),
        Some(200)
    );
    assert_eq!(held(&second), Some(0.0));
    for (of, state) in [(&one, "ready\n"), (&two, "waiting\n")] {
        assert_eq!(forebay(&["health"], of), (true, state.to_owned()));
    }
    records(&archive, &first);
    assert_eq!(
        second.metrics().sum("forebay_camera_units_total", &[]),
        None
    );

    // The machine of the first stands still, in whatever it is just doing.
    let stopped = unix_now();
    first.signal(Signal::STOP);
    let taken = wait_for(WAIT_MAX, || second.is_ready().then(unix_now));
    let taken = taken.unwrap_or_else(|| panic!("{}", second.log()));
    assert_eq!(second.metrics().sum("forebay_lease_epoch", &[]), Some(2.0));
    records(&archive, &second);
    first.signal(Signal::CONT);
    let log = one.folder().join("relay.log");
    let status = first.ended(WAIT_MAX);
    let log = fs::read_to_string(log).unwrap();
    assert_eq!(
        status.and_then(|status| status.code()),
        Some(TRY_LATER),
        "{log}"
    );
    assert!(log.contains("the lease is lost"), "{log}");

    // Started again it waits, until the other one gives the lease back.
    let first = Relay::spawn(&one);
    let waiting = wait_for(WAIT_MAX, || (first.readiness()? == waits).then_some(()));
    assert!(waiting.is_some(), "{}", first.log());
    let asked = unix_now();
    let begun = Instant::now();
    assert!(second.stop().status.success());
    let back = wait_for(WAIT_MAX, || first.is_ready().then(|| begun.elapsed()));
    let back = back.unwrap_or_else(|| panic!("{}", first.log()));
    records(&archive, &first);
    assert!(first.stop().status.success());

    // Nothing is missing but what nobody recorded, and that is told.
    let pictures = pictures(&archive);
    let holes = holes(&pictures);
    let lengths: Vec<_> = holes
        .iter()
        .map(|(from, to)| format!("{:.2} s", to - from))
        .collect();
    println!(
        "stopped: taken over after {:.2} s; given back: {:.2} s; pictures are missing for {}",
        taken - stopped,
        back.as_secs_f64(),
        lengths.join(" and ")
    );
    let near = |at: f64, hole: &(f64, f64)| hole.0 > at - 5.0 && hole.0 < at + 6.0;
    assert!(
        holes.len() <= 2
            && holes
                .iter()
                .all(|hole| near(stopped, hole) || near(asked, hole)),
        "{holes:?}, stopped at {stopped}, asked at {asked}"
    );
    for configuration in [&one, &two] {
        let (clean, told) = forebay(&["scrub"], configuration);
        assert!(clean, "{told}");
    }
    ledger::rebuild(&one);
    let accounts = ledger::ask(&one);
    let gaps = &accounts[0].gaps;
    // Who stands still and goes on does not know that it stood still: for it, nothing recorded then.
    let stood_still = |gap: &ledger::Gap| gap.begin < stopped + 1.0 && gap.end > taken - 5.0;
    let is_told = |gap: &ledger::Gap| match gap.cause {
        Cause::Relay => true,
        Cause::Sink => stood_still(gap),
        _ => false,
    };
    assert!(gaps.iter().all(is_told), "{gaps:?}");
    for hole in &holes {
        let told = gaps
            .iter()
            .any(|gap| gap.begin < hole.1 && gap.end > hole.0);
        assert!(told, "{hole:?} is no gap: {gaps:?}");
    }
    let left = fs::read_dir(&folder).unwrap();
    let left = left.filter(|entry| {
        let name = entry.as_ref().unwrap().file_name();
        name.to_str().is_some_and(|name| name.ends_with(".draft"))
    });
    assert_eq!(left.count(), 0);
}

#[test]
fn two_at_once_lose_nothing_and_spoil_nothing() {
    let _beside = beside();
    let folder = fresh_folder(SCRATCH, "two-at-once");
    let archive = folder.join("archive");
    let site = site();
    let [one, two] = ["one", "two"].map(|name| relay(&folder, name, &site));
    let spools = [&one, &two].map(|relay| relay.folder().join("spool"));
    let first = Relay::start(&one);
    records(&archive, &first);
    let second = Relay::start(&two);
    let foreign = |relay: &Relay| {
        relay
            .metrics()
            .sum("forebay_ledger_foreign_objects_total", &[])
            .filter(|number| *number > 0.0)
    };
    // Each notices the other one.
    for relay in [&first, &second] {
        assert!(
            wait_for(WAIT_MAX, || foreign(relay)).is_some(),
            "{}",
            relay.log()
        );
        assert!(relay.log().contains("writes into this archive, too"));
    }
    let killed = unix_now();
    second.kill();
    records(&archive, &first);
    // What the other one has published is listed by the one that goes on.
    let ours = &spools[..1];
    let complete = wait_for(WAIT_MAX, || {
        let listed = listed::read(&archive, ours);
        let objects = listed::objects(&archive);
        objects
            .iter()
            .all(|object| listed.sums.contains_key(object))
            .then_some(())
    });
    let last = listed::wrong(&archive, &listed::read(&archive, ours));
    assert!(complete.is_some(), "{last:?}\n{}", first.log());
    assert!(first.stop().status.success());

    let check = |configuration: &Configuration, when: &str| {
        let wrong = listed::wrong(&archive, &listed::read(&archive, &[]));
        assert_eq!(wrong, Vec::<String>::new(), "{when}");
        let (clean, told) = forebay(&["scrub"], configuration);
        assert!(clean, "{when}: {told}");
    };
    check(&one, "after a kill");
    let union = pictures(&archive);
    assert_eq!(holes(&union), []);
    assert!(union.values().any(|captured| *captured > killed + 1.0));
    let running = ledger::ask(&one);
    ledger::rebuild(&one);
    let rebuilt = ledger::ask(&one);
    let last_picture = union.values().copied().fold(0.0, f64::max);
    for accounts in [&running, &rebuilt] {
        let account = &accounts[0];
        // What came after the last picture was cut short by the end of the relay.
        let within = account.begin..last_picture;
        let last = account
            .gaps
            .iter()
            .find(|gap| gap.begin > within.start && gap.begin < within.end);
        assert!(last.is_none(), "{:?}", account.gaps);
        let seconds = union.len() as f64 / FPS;
        assert!(
            (account.recorded - seconds).abs() < 1.0,
            "{account:?}, {seconds} s"
        );
    }
    check(&one, "after a rebuild");

    // The other one comes back, with what its end has left in its spool.
    let second = Relay::start(&two);
    records(&archive, &second);
    assert!(second.stop().status.success());
    for configuration in [&one, &two] {
        ledger::rebuild(configuration);
        check(configuration, "after its return");
    }
    let count = |name: &str| {
        let files = footage(&archive);
        files
            .iter()
            .filter(|file| file.to_str().unwrap().contains(name))
            .count()
    };
    println!(
        "{} files of footage, {} of them under names that were taken; {} pictures",
        count(".mp4"),
        count("Z-"),
        union.len()
    );
}
