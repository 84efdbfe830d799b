//! What analyzers find: in the archive's files, in the metrics and in `forebay findings`, which agree;
//! across a SIGKILL, and to the end of states that nobody ended.

use std::fs;
use std::path::Path;
use std::process::Command;
use std::thread::sleep;
use std::time::Duration;

use forebay_tests::recording::unix_of_rfc3339;
use forebay_tests::{
    Camera, Configuration, Metrics, Relay, Strain, fresh_folder, run, unix_now, wait_for,
};
use serde_json::Value;

use crate::bad_guests::session::site;
use crate::foreign::DARK;
use crate::{SCRATCH, beside};

/// With the compiling of the components, on a busy machine.
const WORK_MAX: Duration = Duration::from_secs(120);
/// What a kill may cost, on a machine that does nothing else.
const LOSS_MAX: Duration = Duration::from_secs(5);

/// How often a kind was found.
fn found(page: &Metrics, sink: &str, kind: &str) -> f64 {
    let labels = [("camera", "gate"), ("sink", sink), ("kind", kind)];
    let sum = page.sum("forebay_findings_total", &labels);
    sum.unwrap_or_default()
}

/// Waits until there is so much to tell.
fn wait_for_marks(relay: &Relay, marks: f64) -> Metrics {
    let there = wait_for(WORK_MAX, || {
        let page = relay.metrics();
        let all = found(&page, "kept", "kept") >= marks && found(&page, "dark", "dark") >= 1.0;
        all.then_some(page)
    });
    there.unwrap_or_else(|| panic!("see\n{}\n{}", relay.metrics().text(), relay.log()))
}

/// All findings in the archive's files, in their order.
fn archived(archive: &Path) -> Vec<Value> {
    let mut files = Vec::new();
    for day in fs::read_dir(archive.join("gate/findings")).unwrap() {
        for file in fs::read_dir(day.unwrap().path()).unwrap() {
            files.push(file.unwrap().path());
        }
    }
    files.sort();
    let texts = files.iter().map(|file| fs::read_to_string(file).unwrap());
    let text: String = texts.collect();
    let lines = text.lines();
    lines
        .map(|line| serde_json::from_str(line).unwrap())
        .collect()
}

fn listed(file: &Path, options: &[&str]) -> String {
    let mut command = Command::new(Relay::program());
    command.args(["findings", "--config"]).arg(file);
    let output = run(command.args(options));
    // Nothing was damaged.
    assert_eq!(String::from_utf8_lossy(&output.stderr), "");
    String::from_utf8(output.stdout).unwrap()
}

/// The findings of the JSON, wherever they stand in it.
fn rows(value: &Value, rows: &mut Vec<Value>) {
    match value {
        Value::Object(fields) if fields.contains_key("kind") => rows.push(value.clone()),
        Value::Object(fields) => fields.values().for_each(|inner| self::rows(inner, rows)),
        Value::Array(items) => items.iter().for_each(|inner| self::rows(inner, rows)),
        _ => {}
    }
}

fn listed_rows(file: &Path, options: &[&str]) -> Vec<Value> {
    let text = listed(file, &[options, &["--format", "json"]].concat());
    let mut found = Vec::new();
    rows(&serde_json::from_str(&text).unwrap(), &mut found);
    found
}

fn of_kind<'a>(rows: &'a [Value], kind: &str) -> Vec<&'a Value> {
    rows.iter().filter(|row| row["kind"] == kind).collect()
}

#[test]
fn findings_are_the_same_wherever_they_are_looked_for() {
    let _beside = beside();
    let folder = fresh_folder(SCRATCH, "findings");
    let kept = Path::new(env!("CARGO_MANIFEST_DIR")).join("guests/kept/0.1.0/analyzer.wasm");
    // One has a mark of each picture, the other a state that it never ends: no picture is brighter.
    let sinks = format!(
        "\n[[sink]]\nname = \"kept\"\nplugin = {kept:?}\n\
         \n[[sink]]\nname = \"dark\"\nplugin = {:?}\n\
         [sink.settings]\nbelow = 255.0\nseconds = 1.0\n",
        *DARK
    );
    let site = site();
    let configuration = Configuration::new(&folder)
        .camera(Camera {
            name: "gate".into(),
            url: site.urls[0].clone(),
            extra: format!("analysis_url = {:?}\n", site.urls[1]),
            ..Camera::default()
        })
        .extra(&sinks);
    let relay = Relay::start(&configuration);
    wait_for_marks(&relay, 20.0);
    let file = configuration.write("127.0.0.1:0");

    // While it runs its youngest findings are in the spool. They are written each second.
    let early = wait_for(WORK_MAX, || {
        let rows = listed_rows(&file, &[]);
        let full = of_kind(&rows, "kept").len() >= 20 && of_kind(&rows, "dark").len() == 1;
        full.then_some(rows)
    });
    let early = early.expect("the findings of the spool");
    let lasting = of_kind(&early, "dark")[0];
    assert!(
        lasting["begin"].is_string() && lasting["end"].is_null(),
        "{lasting}"
    );

    // What is counted now is on disk when the promised time is over, and with it the time that the
    // machine keeps threads waiting: the one that takes findings, and the one that writes them.
    let strain = Strain::measure();
    let promised = found(&relay.metrics(), "kept", "kept");
    sleep(LOSS_MAX);
    sleep(2 * strain.end());
    let killed = unix_now();
    relay.kill();
    let relay = Relay::start(&configuration);
    let page = wait_for_marks(&relay, 10.0);
    let marks_of_second_life = found(&page, "kept", "kept");
    let stopped = relay.stop();
    assert!(stopped.status.success(), "{}", stopped.log);
    drop(site);

    // Nothing that was found long before the kill is missing, and it went on after it.
    let lines = archived(&configuration.archive());
    let of = |row: &Value| unix_of_rfc3339(row["at"].as_str().unwrap()).unwrap();
    let marks: Vec<f64> = of_kind(&lines, "kept").into_iter().map(of).collect();
    let (before, after): (Vec<f64>, Vec<f64>) = marks.iter().partition(|at| **at < killed);
    let newest = before.iter().copied().fold(f64::MIN, f64::max);
    println!("the newest is {:.2} s older than the kill", killed - newest);
    let (before, after) = (before.len(), after.len());
    assert!(before as f64 >= promised, "{before} of {promised}");
    assert!(
        after as f64 >= marks_of_second_life,
        "{after} of {marks_of_second_life}"
    );
    // The first state was cut off; the second one's end is the relay's word.
    let states = of_kind(&lines, "dark");
    let phases: Vec<_> = states.iter().map(|row| row["phase"].as_str()).collect();
    assert_eq!(phases, [Some("begin"), Some("begin"), Some("end")]);

    // All that is in the files is listed, with states as one.
    let rows = listed_rows(&file, &[]);
    assert_eq!(of_kind(&rows, "kept").len(), marks.len());
    let states = of_kind(&rows, "dark");
    let ends: Vec<_> = states.iter().map(|row| row["end"].is_string()).collect();
    assert_eq!(ends, [false, true], "{states:?}");
    assert!(states[1]["seconds"].as_f64() > Some(0.0), "{states:?}");

    // And the three formats say the same.
    let table = listed(&file, &["--format", "csv"]);
    assert!(!table.contains('"'), "{table}");
    let mut lines = table.strip_suffix("\r\n").unwrap().split("\r\n");
    let header: Vec<_> = lines.next().unwrap().split(',').collect();
    let lines: Vec<Vec<_>> = lines.map(|line| line.split(',').collect()).collect();
    assert_eq!(lines.len(), rows.len());
    for (line, row) in lines.iter().zip(&rows) {
        assert_eq!(line.len(), header.len());
        let cell = |name: &str| line[header.iter().position(|head| *head == name).unwrap()];
        for name in ["sink", "kind", "begin", "end", "stream", "text"] {
            assert_eq!(cell(name), row[name].as_str().unwrap_or_default(), "{name}");
        }
        for name in ["score", "seconds"] {
            assert_eq!(cell(name).parse().ok(), row[name].as_f64(), "{name}");
        }
    }
    let text = listed(&file, &[]);
    let told = |kind: &str| {
        let lines = text.lines();
        let has = |line: &&str| line.split_whitespace().any(|word| word == kind);
        lines
            .filter(|line| line.starts_with(' '))
            .filter(has)
            .count()
    };
    assert!(told("kept-state") == 2, "{text}");
    let dark = listed(&file, &["--kind", "dark"]);
    assert!(dark.contains("dark") && !dark.contains("kept"), "{dark}");
    // The second life's count in the metrics is what stands in the files of it.
    let states = listed_rows(&file, &["--kind", "dark", "--sink", "dark"]);
    assert_eq!(states.len(), 2);
    assert_eq!(found(&page, "dark", "dark"), 1.0);
}
