//! An archive in a bucket: a store of PyPI (moto) that knows nothing of the relay, read by a client
//! that shares nothing with it (boto3), at the end of a way that does what networks and stores do.

mod away;

use std::collections::{BTreeMap, BTreeSet};
use std::fs;
use std::os::unix::fs::OpenOptionsExt as _;
use std::path::{Path, PathBuf};
use std::process::{Command, Output};
use std::sync::OnceLock;
use std::time::Duration;

use forebay_tests::bucket::{BUCKET, Store, Stored, Trouble, Way};
use forebay_tests::http::curl;
use forebay_tests::recording::{decode, pictures, rfc3339_of};
use forebay_tests::{
    Configuration, Relay, SiteServer, fresh_folder, mp4_files, run, silent, unix_now, wait_for,
};
use serde_json::Value;

use crate::bad_guests::session::{configuration, site};
use crate::lapse::check_key_frames;
use crate::{SCRATCH, beside};

/// Something to wait for; how long it takes is not the point.
const LONG: Duration = Duration::from_secs(180);
const CAMERAS: [&str; 2] = ["slipway", "gate"];
/// Must never be seen again.
const SECRET: &str = "kept-to-itself-7d1f";
/// Put to see whether the store heeds a condition; in no manifest.
const MARK: &str = "cameras/.forebay-archive";
/// A scrub has found something (sysexits.h: `EX_DATAERR`).
const DATA: i32 = 65;

struct Yard {
    store: Store,
    way: Way,
    folder: PathBuf,
}

impl Yard {
    fn new(name: &str) -> Self {
        let store = Store::start();
        let way = Way::to(store.address());
        let folder = fresh_folder(SCRATCH, name);
        Self { store, way, folder }
    }

    /// A relay with a spool of its own.
    fn relay(&self, name: &str, site: &SiteServer, settings: &str) -> Configuration {
        let folder = self.folder.join(name);
        fs::create_dir_all(&folder).unwrap();
        let key = folder.join("store.key");
        let mut options = fs::File::options();
        let file = options.write(true).create(true).truncate(true).mode(0o600);
        std::io::Write::write_all(&mut file.open(&key).unwrap(), SECRET.as_bytes()).unwrap();
        let endpoint = self.way.endpoint();
        configuration(&folder, site)
            .segment_seconds(2)
            .spool(&folder.join("spool"))
            .bucket(&format!("s3://{BUCKET}/cameras"))
            .extra(&format!(
                "\n[store]\nendpoint = {endpoint:?}\naccess_key = \"relay\"\n\
                 secret_key_file = {key:?}\nconnect_seconds = 2\nsilence_seconds = 1\n\
                 request_seconds = 6\n{settings}"
            ))
    }
}

/// What waits in the spool of a relay, by its name there.
fn waiting(configuration: &Configuration) -> BTreeSet<String> {
    let folder = configuration.folder().join("spool/finished");
    let entries = fs::read_dir(folder).map(|entries| entries.flatten().collect::<Vec<_>>());
    let names = entries.unwrap_or_default().into_iter();
    names
        .map(|e| e.file_name().into_string().unwrap())
        .collect()
}

/// Puts a whole file into the spool of a relay that does not run: it is published by its next start.
fn spool(configuration: &Configuration, number: u64, content: &[u8]) -> String {
    let folder = configuration.folder().join("spool/finished");
    fs::create_dir_all(&folder).unwrap();
    // Some days ago: the store was away since.
    static DAY: OnceLock<String> = OnceLock::new();
    let day = DAY.get_or_init(|| rfc3339_of(unix_now() - 5.0 * 86_400.0)[..10].to_owned());
    let stem = format!("{day}T0731{:02}.120Z", number % 60);
    let name = format!("gate_shots_stills_{stem}_1-{number:x}.jpg");
    fs::write(folder.join(name), content).unwrap();
    format!("cameras/gate/stills/{day}/{stem}")
}

fn noise(seed: u64, bytes: usize) -> Vec<u8> {
    let mut dice = fastrand::Rng::with_seed(seed);
    let mut content = vec![0; bytes];
    dice.fill(&mut content);
    content
}

fn sha256(content: &[u8]) -> String {
    // By coreutils, through a file.
    let path = std::env::temp_dir().join(format!("forebay-sum-{}", std::process::id()));
    fs::write(&path, content).unwrap();
    let output = run(Command::new("sha256sum").arg(&path));
    fs::remove_file(&path).unwrap();
    String::from_utf8(output.stdout).unwrap()[..64].to_owned()
}

fn requests(relay: &Relay, labels: &[(&str, &str)]) -> f64 {
    let metrics = relay.metrics();
    metrics
        .sum("forebay_store_requests_total", labels)
        .unwrap_or(0.0)
}

fn until(relay: &Relay, what: &str, mut ask: impl FnMut() -> bool) {
    let done = wait_for(LONG, || ask().then_some(()));
    done.unwrap_or_else(|| panic!("never: {what}\n{}", relay.log()));
}

fn forebay(file: &Path, arguments: &[&str]) -> Output {
    let mut command = Command::new(Relay::program());
    let output = command.args(arguments).arg("--config").arg(file);
    output.output().unwrap()
}

fn told(file: &Path, arguments: &[&str]) -> String {
    let output = forebay(file, arguments);
    let said = String::from_utf8_lossy(&output.stderr).into_owned();
    assert!(output.status.success(), "{arguments:?}: {said}");
    String::from_utf8(output.stdout).unwrap()
}

fn recorded_seconds(file: &Path) -> f64 {
    let text = told(file, &["coverage", "--days", "1", "--format", "json"]);
    let coverage: Value = serde_json::from_str(&text).unwrap();
    coverage["totals"]["recorded_seconds"].as_f64().unwrap()
}

/// What manifests say of each object. Manifests name each other; the newest ones wait in the spool.
fn listed(
    objects: &BTreeMap<String, Stored>,
    copy: &Path,
    configuration: &Configuration,
) -> BTreeMap<String, (u64, String)> {
    let mut lines: BTreeMap<String, (u64, String)> = BTreeMap::new();
    let published = objects.keys().filter(|key| key.contains("/manifest/"));
    let mut manifests: Vec<PathBuf> = published.map(|key| copy.join(key)).collect();
    for folder in ["spool/open", "spool/finished"] {
        let entries = fs::read_dir(configuration.folder().join(folder)).unwrap();
        let paths = entries.map(|entry| entry.unwrap().path());
        manifests.extend(paths.filter(|path| path.to_str().unwrap().contains("_manifest_")));
    }
    for path in manifests {
        // A relay that runs may just be writing it, or carrying it off.
        let text = fs::read_to_string(path).unwrap_or_default();
        for line in text.lines() {
            let line: Value = serde_json::from_str(line).unwrap_or_default();
            if line["kind"] == "object" {
                let object = format!("cameras/{}", line["object"].as_str().unwrap());
                let sum = line["sha256"].as_str().unwrap().to_owned();
                lines.insert(object, (line["bytes"].as_u64().unwrap(), sum));
            }
        }
    }
    lines
}

/// Whether the relay has listed all there is: what its last run published last is found after a start.
fn is_all_listed(yard: &Yard, configuration: &Configuration) -> bool {
    let name = yard.folder.file_name().unwrap().to_str().unwrap();
    let copy = fresh_folder(SCRATCH, &format!("{name}-listed"));
    let objects = yard.store.get(&copy);
    let lines = listed(&objects, &copy, configuration);
    let mut keys = objects.keys();
    keys.all(|key| key == MARK || key.contains("/manifest/") || lines.contains_key(key))
}

/// Each object but manifests is what one line of a manifest says, and each line has its object.
fn check_manifests(objects: &BTreeMap<String, Stored>, copy: &Path, configuration: &Configuration) {
    let mut lines = listed(objects, copy, configuration);
    for (key, stored) in objects {
        assert_eq!(stored.metadata["sha256"], stored.sha256, "{key}");
        if key != MARK && !key.contains("/manifest/") {
            let listed = lines.remove(key);
            let there = (stored.bytes, stored.sha256.clone());
            assert_eq!(listed, Some(there), "{key}");
        }
    }
    assert!(lines.is_empty(), "listed and not there: {lines:?}");
}

#[test]
fn everything_works_from_a_bucket() {
    let _beside = beside();
    let yard = Yard::new("bucket");
    let site = site();
    let configuration = yard.relay("relay", &site, "multipart_over = \"5 MiB\"\n");
    let begun = unix_now();
    let relay = Relay::start(&configuration);
    until(&relay, "files of both cameras are in the bucket", || {
        let metrics = relay.metrics();
        CAMERAS.iter().all(|camera| {
            let labels = [("camera", *camera)];
            let published = metrics.sum("forebay_sink_objects_published_total", &labels);
            published.is_some_and(|published| published >= 3.0)
        })
    });
    assert_eq!(
        requests(&relay, &[("outcome", "failed")]),
        0.0,
        "{}",
        relay.log()
    );
    let stopped = relay.stop();
    assert!(stopped.status.success(), "{}", stopped.log);
    let ended = unix_now();
    // Of what was written last some may wait: the next start publishes it. No camera answers then.
    drop(site);
    let relay = Relay::start(&configuration);
    until(&relay, "the spool is empty", || {
        waiting(&configuration).is_empty()
    });
    until(&relay, "all is listed", || {
        is_all_listed(&yard, &configuration)
    });
    let (from, to) = (rfc3339_of(begun - 5.0), rfc3339_of(ended + 5.0));
    let film = film(&relay, &yard.folder.join("film.mp4"), &from, &to);
    let log = relay.log();
    assert!(!log.contains(SECRET), "{log}");
    assert!(log.contains("s3://boatyard/cameras"), "{log}");
    relay.kill();

    let copy = yard.folder.join("copy");
    let objects = yard.store.get(&copy);
    // Three files of footage, a journal and a manifest of each camera.
    assert!(objects.len() >= 10, "{objects:?}");
    check_manifests(&objects, &copy, &configuration);
    let footage = mp4_files(&copy.join("cameras/slipway/footage"));
    decode(&footage);
    let number = |files: &[PathBuf]| -> usize { files.iter().map(|file| pictures(file)).sum() };
    let of_gate = mp4_files(&copy.join("cameras/gate/footage"));
    assert_eq!(pictures(&film), number(&of_gate));

    // Read back: an account, a clip with the pictures that are in the bucket, a trial.
    let file = configuration.write("127.0.0.1:0");
    let recorded = recorded_seconds(&file);
    assert!(recorded > 8.0, "{recorded}");
    let clip = yard.folder.join("clip");
    let out = clip.to_str().unwrap();
    told(
        &file,
        &[
            "clip", "slipway", "--from", &from, "--to", &to, "--out", out,
        ],
    );
    silent(
        Command::new("sha256sum")
            .args(["--strict", "--quiet", "-c", "SHA256SUMS"])
            .current_dir(&clip),
    );
    assert_eq!(number(&mp4_files(&clip)), number(&footage));
    told(&file, &["try", "builtin:recorder", "--input", "slipway"]);
    told(&file, &["findings", "--days", "1"]);
    told(&file, &["ladder", "--dry-run"]);
    let cameras = copy.join("cameras");
    check_key_frames(&file, "slipway", &cameras, &yard.folder.join("lapse"));

    // Pins are objects, too.
    let pin = told(
        &file,
        &["pin", "gate", &from, &to, "--reason", "hull struck"],
    );
    let id = pin.lines().next().unwrap().rsplit(' ').next().unwrap();
    assert!(told(&file, &["pins"]).contains("hull struck"));
    told(&file, &["unpin", "gate", id]);
    assert!(!told(&file, &["pins"]).contains("hull struck"));

    // A store that is away, at first or in the midst of it, costs no knowledge.
    let catalog = configuration.folder().join("spool/catalog.sqlite");
    let known = fs::read(&catalog).unwrap();
    for (asked, trouble, word) in [
        (7, Trouble::Reset, "can't be used"),
        (0, Trouble::Refused, "refuses the access key"),
        (7, Trouble::Refused, "refuses the access key"),
        (20, Trouble::Refused, "refuses the access key"),
    ] {
        yard.way.after(asked, trouble);
        let output = forebay(&file, &["catalog", "rebuild"]);
        let said = String::from_utf8_lossy(&output.stderr).into_owned();
        let context = format!("{trouble:?} after {asked}: {said}");
        assert!(!output.status.success() && said.contains(word), "{context}");
        assert!(fs::read(&catalog).unwrap() == known, "{context}");
    }
    let none = yard.folder.join("none");
    for arguments in [
        &[
            "clip",
            "gate",
            "--from",
            &from,
            "--to",
            &to,
            "--out",
            none.to_str().unwrap(),
        ][..],
        &["findings", "--days", "1"],
        &["scrub"],
        &["pins"],
        &["ladder", "--dry-run"],
    ] {
        let output = forebay(&file, arguments);
        let said = String::from_utf8_lossy(&output.stderr).into_owned();
        assert!(
            !output.status.success() && said.contains("can't be read"),
            "{arguments:?}: {said}"
        );
    }
    assert!(!none.exists());
    yard.way.mend();

    // The catalog can be made anew from the bucket.
    told(&file, &["catalog", "rebuild"]);
    let again = recorded_seconds(&file);
    assert!((again - recorded).abs() < 1.0, "{recorded} and {again}");

    // A bit that the store has turned is found and named, and moved aside.
    told(&file, &["scrub"]);
    let victim = objects
        .keys()
        .find(|key| key.contains("gate/footage"))
        .unwrap();
    yard.store.flip(victim);
    let name = victim.strip_prefix("cameras/").unwrap();
    let output = forebay(&file, &["scrub"]);
    assert_eq!(output.status.code(), Some(DATA));
    assert!(String::from_utf8_lossy(&output.stdout).contains(name));
    let output = forebay(&file, &["scrub", "--quarantine"]);
    assert_eq!(output.status.code(), Some(DATA), "{output:?}");
    let after = yard.store.objects();
    assert!(!after.contains_key(victim), "{after:?}");
    assert!(after.contains_key(&format!("cameras/.quarantine/{name}")));
    assert!(recorded_seconds(&file) < recorded - 1.0);
}

/// The film of a camera that curl gets of a relay.
fn film(relay: &Relay, film: &Path, from: &str, to: &str) -> PathBuf {
    let url = format!(
        "http://{}/v1/cameras/gate/footage.mp4?from={from}&to={to}",
        relay.address()
    );
    let head = curl(&url, film, &[]);
    assert!(head.starts_with("HTTP/1.1 200"), "{head}");
    film.to_owned()
}

/// Nothing that lies in the spool is lost, changed, or there twice, whatever happens on the way.
#[test]
fn a_bad_way_to_the_bucket_loses_nothing() {
    let _beside = beside();
    let yard = Yard::new("bucket-trouble");
    let site = site();
    let configuration = yard.relay(
        "relay",
        &site,
        "multipart_over = \"5 MiB\"\nread_back = true\n",
    );
    let mut contents: Vec<Vec<u8>> = (0..20).map(|n| noise(n, 30_000)).collect();
    // One that goes in parts.
    contents.push(noise(99, 20 << 20));
    for (number, content) in contents.iter().enumerate() {
        spool(&configuration, number as u64, content);
    }
    // Each kind of trouble is told. A start each: the pauses between tries grow.
    for (trouble, outcome) in [
        (Trouble::Busy, "busy"),
        (Trouble::Refused, "refused"),
        (Trouble::Reset, "unreachable"),
        (Trouble::Hang, "timeout"),
        (Trouble::Slow, "timeout"),
    ] {
        yard.way.always(trouble);
        let relay = Relay::start(&configuration);
        until(&relay, outcome, || {
            requests(&relay, &[("outcome", outcome)]) > 0.0
        });
        relay.kill();
    }
    // And nothing is recorded less for it.
    yard.way.always(Trouble::Busy);
    let mut relay = Relay::start(&configuration);
    until(&relay, "footage waits in the spool", || {
        let waits = waiting(&configuration);
        waits.iter().filter(|name| name.ends_with(".mp4")).count() >= 6
    });
    assert!(yard.store.objects().is_empty());
    // It is given up after some tries.
    until(&relay, "the store is known to refuse", || {
        let labels = [("reason", "refuses")];
        let since = relay
            .metrics()
            .sum("forebay_archive_away_timestamp_seconds", &labels);
        since.is_some_and(|since| since > 0.0)
    });
    let metrics = relay.metrics();
    assert!(
        metrics
            .sum("forebay_archive_publish_failures_total", &[])
            .unwrap()
            > 0.0
    );
    assert_eq!(
        metrics
            .sum("forebay_sink_lost_units_total", &[])
            .unwrap_or(0.0),
        0.0
    );
    let labels = [("reason", "absent")];
    let absent = metrics.sum("forebay_archive_away_timestamp_seconds", &labels);
    assert_eq!(absent, Some(0.0));
    let log = relay.log();
    assert!(log.contains("publishing failed"), "{log}");
    assert!(log.matches("publishing failed").count() < 10, "{log}");
    assert!(
        !log.contains("not to be shown") && !log.contains(SECRET),
        "{log}"
    );

    // All of it by chance, and a kill now and then.
    let kept: BTreeMap<String, Vec<u8>> = waiting(&configuration)
        .into_iter()
        .filter_map(|name| {
            let path = configuration.folder().join("spool/finished").join(&name);
            Some((name, fs::read(path).ok()?))
        })
        .collect();
    assert!(kept.len() > contents.len(), "{:?}", kept.keys());
    drop(site);
    yard.way.sometimes(7, 20);
    for _ in 0..2 {
        let begun = yard.way.requests();
        until(&relay, "20 requests", || yard.way.requests() > begun + 20);
        relay.kill();
        relay = Relay::start(&configuration);
    }
    let troubled = |done: &BTreeMap<String, u64>| -> u64 {
        done.iter()
            .filter(|(what, _)| *what != "None")
            .map(|(_, n)| n)
            .sum()
    };
    until(&relay, "40 troubles", || troubled(&yard.way.done()) > 40);
    yard.way.mend();
    let relay = {
        assert!(relay.stop().status.success());
        Relay::start(&configuration)
    };
    let left = || {
        kept.keys()
            .any(|name| waiting(&configuration).contains(name))
    };
    until(&relay, "the spool is carried off", || !left());
    assert!(relay.stop().status.success());
    let relay = Relay::start(&configuration);
    until(&relay, "the spool is empty", || {
        waiting(&configuration).is_empty()
    });
    until(&relay, "all is listed", || {
        is_all_listed(&yard, &configuration)
    });
    relay.kill();

    let copy = yard.folder.join("copy");
    let objects = yard.store.get(&copy);
    let mut sums: Vec<&str> = objects
        .values()
        .map(|stored| stored.sha256.as_str())
        .collect();
    sums.sort_unstable();
    let number = sums.len();
    sums.dedup();
    assert_eq!(sums.len(), number, "something is there twice: {objects:?}");
    for (name, content) in &kept {
        let sum = sha256(content);
        assert!(sums.binary_search(&sum.as_str()).is_ok(), "lost: {name}");
    }
    check_manifests(&objects, &copy, &configuration);
    decode(&mp4_files(&copy.join("cameras")));
    println!("troubles: {:?}", yard.way.done());
}

/// Two relays with one bucket: what has the same name and content is one object, what differs is two.
#[test]
fn two_writers_never_overwrite_each_other() {
    let _beside = beside();
    let yard = Yard::new("bucket-two");
    let site = site();
    let relays = ["one", "two"].map(|name| yard.relay(name, &site, "multipart_over = \"5 MiB\"\n"));
    let mut wanted: BTreeMap<String, BTreeSet<String>> = BTreeMap::new();
    for number in 0..12_u64 {
        // Some are large, and go in parts.
        let bytes = if number % 6 == 0 { 6 << 20 } else { 20_000 };
        for (index, relay) in (0_u64..).zip(&relays) {
            let seed = if number % 2 == 0 {
                number
            } else {
                number * 100 + index
            };
            let content = noise(seed, bytes);
            let stem = spool(relay, number, &content);
            wanted.entry(stem).or_default().insert(sha256(&content));
        }
    }
    // Answers get lost: what has been put is put again.
    for _ in 0..4 {
        yard.way.once("PUT", Trouble::Lost);
    }
    yard.way.once("POST", Trouble::Lost);
    let running = relays.each_ref().map(Relay::start);
    for (relay, configuration) in running.iter().zip(&relays) {
        let stills = || {
            waiting(configuration)
                .iter()
                .any(|name| name.contains("_stills_"))
        };
        until(relay, "all stills are published", || !stills());
    }
    for relay in running {
        assert!(relay.stop().status.success());
    }
    let objects = yard.store.objects();
    for (stem, sums) in &wanted {
        let here = objects
            .iter()
            .filter(|(key, _)| key.starts_with(stem.as_str()));
        let there: Vec<_> = here.map(|(key, stored)| (key, &stored.sha256)).collect();
        assert_eq!(there.len(), sums.len(), "{stem}: {there:?}");
        assert!(
            there.iter().all(|(_, sum)| sums.contains(*sum)),
            "{stem}: {there:?}"
        );
    }
    // The answer that got lost was the id of an upload: nobody can end that one.
    assert!(yard.store.uploads() <= 1);
}

/// A bucket that is not there, and a name that somebody else has.
#[test]
fn what_is_wrong_with_a_bucket_is_told() {
    let _beside = beside();
    let yard = Yard::new("bucket-missing");
    let site = site();
    let configuration = yard.relay("relay", &site, "");
    let stem = spool(&configuration, 3, b"mine");
    yard.store.put(&format!("{stem}.jpg"), "somebody else's");
    let elsewhere = configuration.clone().bucket("s3://not-there/cameras");
    let relay = Relay::start(&elsewhere);
    until(&relay, "the log says so", || {
        relay.log().contains("the store has no such bucket")
    });
    relay.kill();
    let relay = Relay::start(&configuration);
    until(&relay, "it is published", || {
        !waiting(&configuration)
            .iter()
            .any(|name| name.contains("_stills_"))
    });
    relay.kill();
    let objects = yard.store.objects();
    let sum = |key: String| objects[&key].sha256.clone();
    assert_eq!(sum(format!("{stem}.jpg")), sha256(b"somebody else's"));
    assert_eq!(sum(format!("{stem}-2.jpg")), sha256(b"mine"));
    let file = elsewhere.write("127.0.0.1:0");
    let output = forebay(&file, &["scrub"]);
    let said = String::from_utf8_lossy(&output.stderr).into_owned();
    assert!(
        !output.status.success() && said.contains("no such bucket"),
        "{said}"
    );
}
