//! An archive moves to a new home with standard tools, as README says: copied while a relay records,
//! copied again once it has ended, and taken over by a relay there. What a copy lacks, or has wrong, is
//! named.

use std::fs;
use std::path::{Path, PathBuf};
use std::process::{Command, Output};
use std::time::Duration;

use forebay_tests::recording::{rfc3339_of, unix_of_rfc3339};
use forebay_tests::{
    Camera, Configuration, Relay, fresh_folder, mp4_files, run, unix_now, wait_for,
};
use serde_json::Value;

use crate::bad_guests::session::site;
use crate::{SCRATCH, beside};

const PATIENCE: Duration = Duration::from_secs(60);
/// `EX_DATAERR`: a scrub has found something.
const DATA: i32 = 65;

fn forebay(arguments: &[&str], file: &Path) -> Output {
    Command::new(Relay::program())
        .args(arguments)
        .arg("--config")
        .arg(file)
        .output()
        .unwrap()
}

fn text(output: &Output) -> String {
    String::from_utf8_lossy(&output.stdout).into_owned() + &String::from_utf8_lossy(&output.stderr)
}

/// Kind and path of each fault that a scrub finds.
fn faults(file: &Path) -> Vec<(String, String)> {
    let output = forebay(&["scrub", "--format", "json"], file);
    let told: Value = serde_json::from_slice(&output.stdout).unwrap();
    let faults = told["faults"].as_array().unwrap();
    assert_eq!(
        output.status.code(),
        Some(if faults.is_empty() { 0 } else { DATA }),
        "{}",
        text(&output)
    );
    assert!(told["objects"].as_u64().unwrap() > 0, "{told}");
    let word = |value: &Value| value.as_str().unwrap().to_owned();
    let one = |fault: &Value| (word(&fault["fault"]), word(&fault["path"]));
    faults.iter().map(one).collect()
}

fn footage(configuration: &Configuration) -> Vec<PathBuf> {
    let mut files = mp4_files(&configuration.archive().join("gate/footage"));
    files.sort();
    files
}

/// Records until there are so many more files.
fn record(configuration: &Configuration, more: usize, meanwhile: impl FnOnce()) {
    let before = footage(configuration).len();
    let relay = Relay::start(configuration);
    let recorded = |number| {
        let there = wait_for(PATIENCE, || {
            (footage(configuration).len() >= before + number).then_some(())
        });
        there.unwrap_or_else(|| panic!("{}", relay.log()));
    };
    recorded(more / 2);
    meanwhile();
    recorded(more);
    assert!(relay.stop().status.success());
}

fn copy(program: &str, arguments: &[&str], from: &Path, to: &Path) {
    run(Command::new(program).args(arguments).arg(from).arg(to));
}

fn recorded(file: &Path, from: &str, to: &str) -> f64 {
    let window = ["coverage", "--format", "json", "--from", from, "--to", to];
    let output = forebay(&window, file);
    let sheet: Value = serde_json::from_slice(&output.stdout).unwrap();
    sheet["totals"]["recorded_seconds"].as_f64().unwrap()
}

/// Every object that the manifests list, by coreutils and find.
fn listed_and_whole(archive: &Path) -> usize {
    let script = "find . -path ./.spool -prune -o -path '*/manifest/*' -name '*.jsonl' -print0 \
                  | xargs -0 grep -h '\"kind\":\"object\"' \
                  | sed -E 's/.*\"object\":\"([^\"]*)\".*\"sha256\":\"([0-9a-f]*)\".*/\\2  \\1/' \
                  | tee /dev/stderr | sha256sum --check --strict --quiet";
    let output = run(Command::new("bash")
        .args(["-c", script])
        .current_dir(archive));
    String::from_utf8_lossy(&output.stderr).lines().count()
}

#[test]
fn an_archive_moves_to_a_new_home_while_a_relay_records() {
    if Command::new("rsync").arg("--version").output().is_err() {
        let ci = std::env::var("CI").as_deref() == Ok("true");
        assert!(!ci, "rsync is missing");
        println!("skipped: rsync is missing");
        return;
    }
    let _beside = beside();
    let folder = fresh_folder(SCRATCH, "moving");
    let site = site();
    let home = |name: &str| {
        let folder = folder.join(name);
        fs::create_dir_all(&folder).unwrap();
        Configuration::new(&folder)
            .segment_seconds(2)
            .camera(Camera {
                name: "gate".into(),
                url: site.urls[0].clone(),
                ..Camera::default()
            })
    };
    let (old, new, plain) = (home("old"), home("new"), home("plain"));
    let begun = rfc3339_of(unix_now() - 1.0);
    // rsync wants the slash: what is in the folder, not the folder.
    let inside = |configuration: &Configuration| {
        let mut path = configuration.archive().into_os_string();
        path.push("/");
        PathBuf::from(path)
    };
    fs::create_dir_all(new.archive()).unwrap();
    record(&old, 8, || {
        let first = ["-a", "--exclude", ".spool"];
        copy("rsync", &first, &inside(&old), &inside(&new));
    });
    let early = footage(&new).len();
    assert!(early >= 4 && early < footage(&old).len(), "{early}");
    copy("rsync", &["-a", "--delete"], &inside(&old), &inside(&new));
    let (old_file, new_file) = (old.write("127.0.0.1:0"), new.write("127.0.0.1:0"));
    assert_eq!(faults(&new_file), []);
    let objects = listed_and_whole(&new.archive());
    assert!(objects >= 8, "{objects}");
    let end = {
        let newest = footage(&old).last().unwrap().clone();
        let named = newest.file_stem().unwrap().to_str().unwrap().to_owned();
        let (date, time) = named.split_once('T').unwrap();
        let begin = format!("{date}T{}:{}:{}", &time[..2], &time[2..4], &time[4..]);
        rfc3339_of(unix_of_rfc3339(&begin).unwrap())
    };
    let before = recorded(&old_file, &begun, &end);
    assert!(before > 8.0, "{before}");
    assert_eq!(recorded(&new_file, &begun, &end), before);

    // The relay of the new home goes on where the old one has ended.
    record(&new, 4, || {});
    assert_eq!(faults(&new_file), []);
    assert!(listed_and_whole(&new.archive()) > objects);
    assert_eq!(recorded(&new_file, &begun, &end), before);
    let manifests = Command::new("bash")
        .args(["-c", "grep -h '\"kind\":\"chain\"' gate/manifest/*/*.jsonl"])
        .current_dir(new.archive())
        .output()
        .unwrap();
    let manifests = String::from_utf8(manifests.stdout).unwrap();
    let firsts = manifests.matches("\"reason\":\"the first\"").count();
    assert_eq!(firsts, 1, "{manifests}");
    assert!(manifests.lines().count() >= 2, "{manifests}");

    // Without the spool, and with other times of files: what cp does by itself.
    fs::remove_dir(plain.archive()).ok();
    copy("cp", &["-r"], &old.archive(), &plain.archive());
    fs::remove_dir_all(plain.archive().join(".spool")).unwrap();
    let plain_file = plain.write("127.0.0.1:0");
    fs::create_dir_all(plain.archive().join(".spool")).unwrap();
    let rebuilt = forebay(&["catalog", "rebuild"], &plain_file);
    assert!(rebuilt.status.success(), "{}", text(&rebuilt));
    assert_eq!(faults(&plain_file), []);
    assert_eq!(recorded(&plain_file, &begun, &end), before);

    // A copy that lacks a file, has a bit turned, or lacks a manifest.
    let name = |path: &Path| {
        let below = path.strip_prefix(plain.archive()).unwrap();
        below.to_str().unwrap().to_owned()
    };
    let files = footage(&plain);
    fs::remove_file(&files[1]).unwrap();
    let mut bytes = fs::read(&files[2]).unwrap();
    let middle = bytes.len() / 2;
    bytes[middle] ^= 1;
    fs::write(&files[2], bytes).unwrap();
    let mut told = faults(&plain_file);
    told.sort();
    let wrong = |kind: &str, path: &Path| (kind.to_owned(), name(path));
    assert_eq!(
        told,
        [wrong("damaged", &files[2]), wrong("missing", &files[1])]
    );
    // A clip of it says so, too.
    let clip = folder.join("clip");
    let window = ["clip", "gate", "--from", &begun, "--to", &end, "--out"];
    let arguments = [&window[..], &[clip.to_str().unwrap()]].concat();
    let cut = forebay(&arguments, &plain_file);
    assert_eq!(cut.status.code(), Some(DATA), "{}", text(&cut));
    assert!(text(&cut).contains(&format!("damaged: {}", name(&files[2]))));
    let manifest: Value =
        serde_json::from_slice(&fs::read(clip.join("manifest.json")).unwrap()).unwrap();
    let sources = manifest["sources"].as_array().unwrap();
    assert!(sources.len() >= 6, "{manifest}");
    for source in sources {
        let damaged = source["name"] == name(&files[2]);
        assert_eq!(source["verified"], !damaged, "{source}");
    }
    // The manifests alone know it as well.
    fs::remove_dir_all(plain.archive().join(".spool")).unwrap();
    fs::create_dir_all(plain.archive().join(".spool")).unwrap();
    let again = folder.join("again");
    let arguments = [&window[..], &[again.to_str().unwrap()]].concat();
    let cut = forebay(&arguments, &plain_file);
    assert_eq!(cut.status.code(), Some(DATA), "{}", text(&cut));
    // What is known is written down, and not told again.
    let lost = name(&files[1]);
    let known = [
        "scrub",
        "--acknowledge",
        &lost,
        "--reason",
        "lost in the move",
    ];
    let noted = forebay(&known, &plain_file);
    assert!(noted.status.success(), "{}", text(&noted));
    assert_eq!(faults(&plain_file), [wrong("damaged", &files[2])]);

    let removed = fs::read_dir(new.archive().join("gate/manifest")).unwrap();
    let day = removed.map(|day| day.unwrap().path()).min().unwrap();
    let first = fs::read_dir(day)
        .unwrap()
        .map(|file| file.unwrap().path())
        .min()
        .unwrap();
    fs::remove_file(&first).unwrap();
    let told = faults(&new_file);
    let below = first.strip_prefix(new.archive()).unwrap().to_str().unwrap();
    assert!(
        told.contains(&("removed".to_owned(), below.to_owned())),
        "{told:?}"
    );
}
