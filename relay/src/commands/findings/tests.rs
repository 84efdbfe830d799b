//! What the command prints of an archive with all sorts of findings.

#![expect(
    clippy::print_stdout,
    reason = "a test says what it skipped and counted"
)]

use std::path::Path;
use std::process::Command;

use clap::Parser as _;

use super::*;
use crate::archive::catalog::Change;
use crate::archive::ledger::rebuild;
use crate::config::parse;

const GOLDEN: &str = concat!(env!("CARGO_MANIFEST_DIR"), "/src/commands/findings/golden");
const NOW: &str = "2026-05-05T08:00:00Z";

fn config(root: &Path) -> Config {
    let text = format!(
        r#"
[relay]
archive = "{0}/archive"
spool = "{0}/spool"

[[site]]
name = "boatyard"
time_zone = "Europe/Oslo"

[[camera]]
name = "slipway"
site = "boatyard"
url = "rtsp://192.0.2.10/main"

[[camera]]
name = "gate"
site = "boatyard"
url = "rtsp://192.0.2.11/main"
"#,
        root.display()
    );
    parse(&text, Path::new("forebay.toml")).unwrap()
}

fn put(root: &Path, path: &str, text: &str) {
    let path = root.join(path);
    std::fs::create_dir_all(path.parent().unwrap()).unwrap();
    std::fs::write(path, text).unwrap();
}

/// A state over midnight (UTC), one that never ends, one whose begin is lost, one that a kill cut
/// off, instants of two sinks, hostile text, and a torn line.
fn archive() -> tempfile::TempDir {
    let folder = tempfile::tempdir().unwrap();
    let day = "archive/slipway/findings/2026-05";
    let line = |at: &str, sink: &str, kind: &str, more: &str| {
        format!(r#"{{"at":"{at}","sink":"{sink}","kind":"{kind}","stream":"main"{more}}}"#) + "\n"
    };
    let (begin, end) = (r#","phase":"begin""#, r#","phase":"end""#);
    let region = r#","score":0.75,"region":{"left":0.25,"top":0.5,"width":0.125,"height":0.25}"#;
    let text = r#","score":1,"text":"late, by 4 min \"or so\"""#;
    let first = [
        line(
            "2026-05-04T21:00:00Z",
            "motion",
            "dark",
            &format!("{end},\"score\":0.5"),
        ),
        line(
            "2026-05-04T22:00:00Z",
            "motion",
            "motion",
            &format!("{begin},\"score\":0.25"),
        ),
        line(
            "2026-05-04T23:59:58.5Z",
            "motion",
            "motion",
            &format!("{begin}{region}"),
        ),
        "{\"at\":\"2026-05-0".to_owned(),
    ];
    put(
        folder.path(),
        &format!("{day}-04/2026-05-04T210000.000Z.jsonl"),
        &first.concat(),
    );
    let second = [
        line(
            "2026-05-05T00:00:11.25Z",
            "motion",
            "motion",
            &format!("{end},\"score\":0"),
        ),
        line(
            "2026-05-05T06:04:00.123456789Z",
            "every-minute",
            "still-late",
            text,
        ),
        line(
            "2026-05-05T06:05:00Z",
            "every-minute",
            "still",
            ",\"score\":1,\"text\":\"\u{202e}gpj\"",
        ),
    ];
    put(
        folder.path(),
        &format!("{day}-05/2026-05-05T000011.250Z.jsonl"),
        &second.concat(),
    );
    let open = line(
        "2026-05-05T07:00:00Z",
        "motion",
        "moved",
        &format!("{begin},\"score\":0.5"),
    );
    let name = "slipway_findings_findings_2026-05-05T070000.000Z_19df2a5b0a8-1.jsonl";
    put(folder.path(), &format!("spool/open/{name}"), &open);
    folder
}

#[derive(Debug, clap::Parser)]
struct Line {
    #[command(flatten)]
    arguments: FindingsArguments,
}

fn told(root: &Path, line: &str) -> Result<String, String> {
    let words = ["findings"].into_iter().chain(line.split_whitespace());
    let arguments = Line::try_parse_from(words)
        .map_err(|error| error.to_string())?
        .arguments;
    let config = config(root);
    let cameras = chosen(&arguments.cameras, &config, &arguments.file).map_err(|f| f.message)?;
    let now = When::at(NOW.parse().unwrap(), &jiff::tz::TimeZone::UTC).unwrap();
    let told = arguments.tell(
        (&config, &crate::archive::RealDisk),
        &cameras,
        now,
        Vec::new(),
    );
    let (passed, out) = told.map_err(|failure| failure.message)?;
    let passed = passed.unwrap();
    assert_eq!(passed.unreadable_files, 0);
    Ok(String::from_utf8(out).unwrap())
}

#[test]
fn formats_read_as_agreed() {
    let folder = archive();
    for (name, line) in [
        ("week.txt", ""),
        ("week.json", "--format json"),
        ("week.csv", "--format csv"),
    ] {
        let told = told(folder.path(), line).unwrap();
        let path = Path::new(GOLDEN).join(name);
        if std::env::var_os("FOREBAY_BLESS").is_some() {
            std::fs::write(&path, &told).unwrap();
        }
        let golden = std::fs::read_to_string(&path).unwrap();
        assert_eq!(told, golden, "{name}: FOREBAY_BLESS=1 writes it anew");
    }
}

fn kinds(root: &Path, line: &str) -> Vec<String> {
    let text = told(root, &format!("{line} --format json")).unwrap();
    let object: serde_json::Value = serde_json::from_str(&text).unwrap();
    let findings = object["sites"][0]["cameras"][0]["findings"]
        .as_array()
        .unwrap()
        .clone();
    findings
        .iter()
        .map(|f| f["kind"].as_str().unwrap().to_owned())
        .collect()
}

#[test]
fn what_is_asked_for_is_told() {
    let folder = archive();
    let root = folder.path();
    assert_eq!(
        kinds(root, "--kind still --kind still-late"),
        ["still-late", "still"]
    );
    assert_eq!(kinds(root, "--sink every-minute"), ["still-late", "still"]);
    assert_eq!(
        kinds(root, "--min-score 0.6"),
        ["motion", "still-late", "still"]
    );
    assert!(kinds(root, "--camera gate").is_empty());
    // A state that began before the window and ended in it belongs to it, and the other way round.
    let around = "--kind motion --from 2026-05-05T02:00 --to 2026-05-05T03:00";
    assert_eq!(kinds(root, around), ["motion"]);
    let around = "--kind motion --from 2026-05-05T01:59:59+02:00 --to 2026-05-05T00:00:00Z";
    assert_eq!(kinds(root, around), ["motion"]);
    // One that has not ended may last.
    assert_eq!(
        kinds(root, "--from 2026-05-05T09:30 --to 2026-05-05T09:40"),
        ["moved"]
    );
    assert!(kinds(root, "--from 2026-05-05T08:10 --to 2026-05-05T08:20").is_empty());
}

/// Begin and end of each state of a kind that is told.
fn states(root: &Path, line: &str) -> Vec<(Option<String>, Option<String>)> {
    let text = told(root, &format!("{line} --format json")).unwrap();
    let object: serde_json::Value = serde_json::from_str(&text).unwrap();
    let findings = object["sites"][0]["cameras"][0]["findings"]
        .as_array()
        .unwrap();
    let time = |value: &serde_json::Value| value.as_str().map(ToOwned::to_owned);
    findings
        .iter()
        .map(|finding| (time(&finding["begin"]), time(&finding["end"])))
        .collect()
}

#[test]
fn a_state_is_told_whole_however_long_it_lasts() {
    let folder = tempfile::tempdir().unwrap();
    let root = folder.path();
    let file = |day: &str, lines: &[(&str, &str, &str)]| {
        let text: String = lines
            .iter()
            .map(|(at, kind, phase)| {
                let rest = r#""sink":"motion","score":0.5,"stream":"main""#;
                format!(r#"{{"at":"{at}","kind":"{kind}","phase":"{phase}",{rest}}}"#) + "\n"
            })
            .collect();
        let path = format!("archive/slipway/findings/{day}/{day}T000000.000Z.jsonl");
        put(root, &path, &text);
    };
    let [begin, end, killed, lasting] = [
        "2026-02-03T04:05:06Z",
        "2026-04-28T10:00:00Z",
        "2026-02-03T09:00:00Z",
        "2026-02-12T13:14:15Z",
    ];
    file(
        "2026-02-03",
        &[(begin, "moved", "begin"), (killed, "dark", "begin")],
    );
    file("2026-02-12", &[(lasting, "frozen", "begin")]);
    file("2026-04-28", &[(end, "moved", "end")]);
    std::fs::create_dir(root.join("spool")).unwrap();
    let week = "--from 2026-04-27 --to 2026-05-04";
    // Without the index one end is told of what ends there.
    let some = |time: &str| Some(time.to_owned());
    assert_eq!(states(root, week), [(None, some(end))]);

    let rebuilt = rebuild(
        &crate::archive::RealDisk,
        &root.join("archive"),
        &root.join("spool"),
        &mut |_| {},
    );
    assert_eq!(rebuilt.unwrap().scanned.findings, 3);
    let (moved, frozen) = ((some(begin), some(end)), (some(lasting), None));
    let dark = (some(killed), None);
    assert_eq!(
        states(root, week),
        [moved.clone(), dark.clone(), frozen.clone()]
    );
    // Its end is as far from here as its begin.
    let march = "--from 2026-03-10 --to 2026-03-11";
    assert_eq!(
        states(root, march),
        [moved.clone(), dark.clone(), frozen.clone()]
    );
    assert_eq!(states(root, &format!("{march} --kind moved")), [moved]);
    assert!(states(root, &format!("{march} --sink every-minute")).is_empty());
    assert!(states(root, "--from 2026-01-10 --to 2026-01-11").is_empty());

    // The relay was killed while it was dark, and started anew before anything was frozen.
    let (mut catalog, _) = Catalog::open(&root.join("spool")).unwrap();
    let begin = "2026-02-10T00:00:00Z".parse::<When>().unwrap();
    let begin = begin.at(&jiff::tz::TimeZone::UTC).unwrap();
    let run = Change::Run {
        begin,
        alive: begin,
        ended: false,
    };
    catalog.apply(&[run]).unwrap();
    assert_eq!(states(root, "--from 2026-04-30 --to 2026-05-01"), [frozen]);
    // On the day on which it was killed it was dark.
    let then = "--from 2026-02-05 --to 2026-02-06 --kind dark";
    assert_eq!(states(root, then), [dark]);
}

#[test]
fn wrong_options_say_what_is_right() {
    let folder = archive();
    for (line, words) in [
        (
            "--camera mast-crane",
            "no such camera in /etc/forebay/forebay.toml; it has slipway, gate",
        ),
        ("--kind Motion", "a kind has 1 to 32 characters"),
        ("--sink ../motion", "a name has 1 to 63 characters"),
        ("--min-score 2", "a number from 0 to 1"),
        ("--min-score NaN", "a number from 0 to 1"),
        ("--from 2026-05-06", "has not come yet"),
        ("--from yesterday", "a date like 2026-05-04"),
    ] {
        let error = told(folder.path(), line).unwrap_err();
        assert!(error.contains(words), "{line}: {error}");
    }
}

/// Python's csv module reads the rows back.
#[test]
fn rows_are_those_of_rfc_4180() {
    let python = std::env::var_os("FOREBAY_PYTHON").unwrap_or_else(|| "python3".into());
    if Command::new(&python).arg("--version").output().is_err() {
        assert!(
            std::env::var("CI").as_deref() != Ok("true"),
            "Python is missing"
        );
        println!("skipped: Python is missing");
        return;
    }
    let folder = archive();
    let file = folder.path().join("rows.csv");
    std::fs::write(&file, told(folder.path(), "--format csv").unwrap()).unwrap();
    let script = "import csv, json, sys\n\
                  with open(sys.argv[1], newline='', encoding='utf-8') as file:\n\
                  \x20   print(json.dumps(list(csv.DictReader(file, strict=True))))";
    let output = Command::new(&python)
        .args(["-c", script])
        .arg(&file)
        .output()
        .unwrap();
    let rows: serde_json::Value = serde_json::from_slice(&output.stdout).unwrap();
    let rows = rows.as_array().unwrap();
    let late = rows.iter().find(|row| row["kind"] == "still-late").unwrap();
    assert_eq!(rows.len(), 6);
    assert_eq!(late["text"], "late, by 4 min \"or so\"");
    assert_eq!(late["begin"], "2026-05-05T06:04:00.123456789Z");
    assert_eq!(late["phase"], "instant");
    let motion = rows.iter().find(|row| row["seconds"] != "").unwrap();
    assert_eq!(
        (motion["seconds"].as_str(), motion["left"].as_str()),
        (Some("12.75"), Some("0.25"))
    );
}
