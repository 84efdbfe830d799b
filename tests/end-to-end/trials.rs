//! `forebay try`: footage of the simulated site, plugins that behave, and analyzers that don't
//! (`tests/guests`). Footage does not wait, so that each trial takes a second and not its length.

use std::fs;
use std::path::{Path, PathBuf};
use std::process::{Command, Output, Stdio};
use std::sync::LazyLock;

use forebay_tests::{Relay, fresh_folder, mp4_files, run};
use serde_json::Value;

use crate::bad_guests::guests::guest;
use crate::{SCRATCH, beside};

/// Exit codes of sysexits.h (BSD).
const USAGE: i32 = 64;
const NO_INPUT: i32 = 66;
const SOFTWARE: i32 = 70;
const CANT_CREATE: i32 = 73;
const CONFIG: i32 = 78;

/// A file of the demo: the longest one of a camera.
static FOOTAGE: LazyLock<PathBuf> = LazyLock::new(|| {
    let _beside = beside();
    let folder = fresh_folder(SCRATCH, "trial-footage");
    run(Command::new(Relay::program())
        .args(["demo", "--for", "30s", "--dir"])
        .arg(&folder)
        .stdin(Stdio::null()));
    let files = mp4_files(&folder.join("archive/slipway/footage"));
    let longest = files
        .into_iter()
        .max_by_key(|file| fs::metadata(file).unwrap().len());
    longest.expect("the demo records")
});

struct Tried {
    code: i32,
    outcome: Value,
    said: String,
}

fn attempt(plugin: &str, settings: &str, more: &[&str]) -> Output {
    Command::new(Relay::program())
        .args(["try", plugin, "--settings", settings, "--format", "json"])
        .args(more)
        .env("XDG_CACHE_HOME", Path::new(SCRATCH).join("trial-cache"))
        .stdin(Stdio::null())
        .output()
        .unwrap()
}

fn try_on_footage(plugin: &str, settings: &str, more: &[&str]) -> Tried {
    let input = FOOTAGE.to_str().unwrap();
    let output = attempt(plugin, settings, &[&["--input", input], more].concat());
    let said = String::from_utf8(output.stderr).unwrap();
    Tried {
        code: output.status.code().expect("it ends by itself"),
        outcome: serde_json::from_slice(&output.stdout).unwrap_or_default(),
        said,
    }
}

fn watch(name: &str, how: &str) -> Tried {
    let plugin = guest(name);
    let settings = format!("how = {how:?}");
    try_on_footage(plugin.to_str().unwrap(), &settings, &[])
}

impl Tried {
    fn findings(&self, kind: &str) -> Vec<&Value> {
        let findings = self.outcome["findings"].as_array().expect(&self.said);
        let of_kind = findings.iter().filter(|finding| finding["kind"] == kind);
        of_kind.collect()
    }

    fn metric(&self, series: &str) -> u64 {
        let value = self.outcome["metrics"][series].as_str().unwrap_or("0");
        value.parse().unwrap()
    }

    fn limit_hits(&self, limit: &str) -> u64 {
        self.metric(&format!(
            "forebay_plugin_limit_hits_total{{limit={limit:?}}}"
        ))
    }

    fn count(&self, name: &str) -> u64 {
        self.outcome[name].as_u64().expect(&self.said)
    }

    /// It ended, and for that reason.
    fn ended(&self, reason: &str) -> &str {
        assert_eq!(self.code, SOFTWARE, "{}", self.said);
        let why = self.outcome["ended"][1].as_str().expect(&self.said);
        assert!(why.ends_with(&format!("({reason})")), "{why}");
        why
    }
}

#[test]
fn what_an_analyzer_cannot_mean_to_want_is_refused() {
    for (how, words) in [
        ("rate-nan", "`rate`"),
        ("rate-negative", "`rate`"),
        ("rate-infinite", "`rate`"),
        ("rate-huge", "`rate`"),
        ("side-huge", "`longest-side`"),
        ("format-empty", "`format`"),
        ("format-unknown", "`format`"),
        ("format-huge", "`format`"),
        ("source-unknown", "`source`"),
        ("score-nan", "`minimum-score`"),
        ("score-negative", "`minimum-score`"),
        ("score-high", "`minimum-score`"),
    ] {
        let tried = watch("watch_requests", how);
        assert_eq!(tried.code, CONFIG, "{how}: {}", tried.said);
        assert!(tried.said.contains(words), "{how}: {}", tried.said);
        assert!(!tried.said.contains('\u{1b}'), "{how}: {:?}", tried.said);
        assert!(tried.said.len() < 2000, "{how}: {}", tried.said.len());
    }
    let small = watch("watch_requests", "side-one");
    assert_eq!(small.code, 0, "{}", small.said);
    assert!(small.count("pictures_shown") > 0);
}

#[test]
fn a_component_of_both_worlds_or_of_none_is_named_so() {
    for (name, words) in [
        ("watch_more", "both `handle` and `analyze`"),
        ("watch_less", "neither `handle`"),
    ] {
        let tried = watch(name, "");
        assert_eq!(tried.code, CONFIG, "{}", tried.said);
        assert!(tried.said.contains(words), "{}", tried.said);
        for world in ["forebay:plugin/sink@0.1.0", "forebay:plugin/analyzer@0.1.0"] {
            assert!(tried.said.contains(world), "{}", tried.said);
        }
    }
}

#[test]
fn an_analyzer_that_ends_has_its_states_ended() {
    let refused = watch("watch_ends", "refuse");
    assert_eq!(refused.code, CONFIG);
    assert!(refused.said.contains("the lookout is at lunch"));
    let panicked = watch("watch_ends", "panic");
    assert!(panicked.ended("trap").contains("the lookout fell asleep"));
    let phases: Vec<_> = panicked
        .findings("adrift")
        .iter()
        .map(|finding| finding["phase"].as_str().unwrap())
        .collect();
    assert_eq!(phases, ["begin", "end"]);
    let complains = watch("watch_ends", "complain");
    assert_eq!(complains.code, 0, "{}", complains.said);
    assert_eq!(
        complains.count("errors"),
        complains.count("pictures_shown"),
        "{}",
        complains.said
    );
    for text in complains.outcome["error_texts"].as_array().unwrap() {
        let text = text[1].as_str().unwrap();
        assert!(text.len() <= 1000 && !text.contains(char::is_control));
    }
}

#[test]
fn floods_of_findings_are_cut_off_and_counted() {
    for how in ["findings", "kinds", "states", "flicker", "texts"] {
        let tried = watch("watch_floods", how);
        assert_eq!(tried.code, 0, "{how}: {}", tried.said);
        let findings = tried.outcome["findings"].as_array().unwrap();
        // 120 at once and two a second of half a minute, each with an end at the most.
        assert!(
            findings.len() <= 2 * (120 + 2 * 31),
            "{how}: {}",
            findings.len()
        );
        let count = |phase: &str| findings.iter().filter(|f| f["phase"] == phase).count();
        assert_eq!(count("begin"), count("end"), "{how}");
        let mut kinds: Vec<_> = findings.iter().map(|f| f["kind"].as_str()).collect();
        kinds.sort_unstable();
        kinds.dedup();
        assert!(kinds.len() <= 16, "{how}: {kinds:?}");
        for finding in findings {
            assert!(finding["text"].as_str().unwrap().len() <= 256);
        }
        let limit = match how {
            "kinds" | "states" => "finding_kinds",
            _ => "findings_per_minute",
        };
        assert!(tried.limit_hits(limit) > 0, "{how}: {}", tried.outcome);
    }
    let answer = watch("watch_floods", "answer");
    assert_eq!(answer.code, SOFTWARE, "{}", answer.said);
}

#[test]
fn lies_are_dropped_and_honest_findings_come_through() {
    let tried = watch("watch_lies", "");
    assert_eq!(tried.code, 0, "{}", tried.said);
    let pictures = tried.count("pictures_shown");
    // Each of its lies has been told.
    assert!(pictures >= 39, "{pictures}");
    assert_eq!(tried.findings("honest").len() as u64, pictures);
    for reason in ["kind", "score", "time", "phase", "region"] {
        let series = format!("forebay_sink_flawed_findings_total{{reason={reason:?}}}");
        assert!(tried.metric(&series) > 0, "{reason}: {}", tried.outcome);
    }
    for finding in tried.outcome["findings"].as_array().unwrap() {
        let score = finding["score"].as_f64().unwrap();
        assert!((0.0..=1.0).contains(&score));
        let text = finding["text"].as_str().unwrap();
        assert!(text.len() <= 256 && !text.contains(char::is_control));
        if let Some(region) = finding["region"].as_object() {
            let edge = |name: &str| region[name].as_f64().unwrap();
            for (begin, length) in [("left", "width"), ("top", "height")] {
                assert!(edge(begin) >= 0.0 && edge(length) > 0.0);
                assert!(edge(begin) + edge(length) <= 1.0 + 1e-12);
            }
        }
    }
}

#[test]
fn what_takes_too_long_or_too_much_ends() {
    watch("watch_loops", "analyze").ended("time");
    watch("watch_loops", "tick").ended("time");
    watch("watch_asks", "forever").ended("time");
    watch("watch_keeps", "memory").ended("memory");
    for how in ["many", "extreme"] {
        let tried = watch("watch_asks", how);
        assert_eq!(tried.code, 0, "{}", tried.said);
        let answered = tried.metric("forebay_plugin_events_total{name=\"answered\"}");
        assert!(answered > 0, "{how}: {}", tried.outcome);
        assert_eq!(answered, tried.count("pictures_shown"), "{how}");
        assert!(tried.limit_hits("asked") > 0 || how == "extreme");
    }
}

/// Everything below a folder, but for what differs from run to run by its nature.
fn kept(folder: &Path) -> Vec<(PathBuf, Vec<u8>)> {
    let (mut files, mut open) = (Vec::new(), vec![folder.to_path_buf()]);
    while let Some(place) = open.pop() {
        for entry in fs::read_dir(place).unwrap() {
            let path = entry.unwrap().path();
            if path.is_dir() {
                open.push(path);
            } else if path.file_name().unwrap() != "figures.json" {
                let name = path.strip_prefix(folder).unwrap().to_path_buf();
                files.push((name, fs::read(path).unwrap()));
            }
        }
    }
    files.sort();
    files
}

#[test]
fn the_same_input_gives_the_same_outcome() {
    let lies = guest("watch_lies");
    for (name, plugin, files) in [
        ("lies", lies.to_str().unwrap(), 2),
        ("recorder", "builtin:recorder", 3),
    ] {
        let runs = [1, 2].map(|turn| {
            let out = fresh_folder(SCRATCH, &format!("trial-{name}-{turn}"));
            let tried = try_on_footage(plugin, "", &["--out", out.to_str().unwrap()]);
            assert_eq!(tried.code, 0, "{}", tried.said);
            kept(&out)
        });
        assert!(runs[0].len() >= files, "{:?}", runs[0].len());
        let names = |run: &[(PathBuf, Vec<u8>)]| -> Vec<_> {
            run.iter().map(|(name, _)| name.clone()).collect()
        };
        assert_eq!(names(&runs[0]), names(&runs[1]));
        for (one, other) in runs[0].iter().zip(&runs[1]) {
            assert!(one == other, "{} differs", one.0.display());
        }
    }
}

#[test]
fn the_page_has_a_curve_for_each_gauge() {
    let out = fresh_folder(SCRATCH, "trial-gauges");
    let tried = try_on_footage("builtin:motion", "", &["--out", out.to_str().unwrap()]);
    assert_eq!(tried.code, 0, "{}", tried.said);
    let metrics = tried.outcome["metrics"].as_object().unwrap();
    let gauge = |series: &String| {
        let rest = series.strip_prefix("forebay_plugin_level{name=\"")?;
        Some(rest.strip_suffix("\"}")?.to_owned())
    };
    let gauges: Vec<_> = metrics.keys().filter_map(gauge).collect();
    assert!(gauges.contains(&"motion_score".to_owned()), "{gauges:?}");
    let page = fs::read_to_string(out.join("index.html")).unwrap();
    for name in &gauges {
        let label = format!("Values of the gauge {name} over the footage");
        assert_eq!(page.matches(&label).count(), 1, "{name}");
    }
    assert_eq!(page.matches("class=\"gauge\"").count(), gauges.len());
}

#[test]
fn the_second_time_nothing_is_compiled() {
    let cache = fresh_folder(SCRATCH, "trial-own-cache");
    // What was compiled, and what came from the cache.
    let try_with = |turn: &str, variables: &[(&str, &str)]| {
        let out = fresh_folder(SCRATCH, &format!("trial-compiled-{turn}"));
        let mut command = Command::new(Relay::program());
        command
            .args(["try", "builtin:motion", "--input"])
            .arg(&*FOOTAGE)
            .arg("--out")
            .arg(&out)
            .env_remove("XDG_CACHE_HOME")
            .env_remove("HOME")
            .envs(variables.iter().copied())
            .stdin(Stdio::null());
        run(&mut command);
        let figures = fs::read(out.join("figures.json")).unwrap();
        let figures: Value = serde_json::from_slice(&figures).unwrap();
        let count = |name: &str| figures[name].as_u64().unwrap();
        (count("compiled"), count("from_cache"))
    };
    let home = [("HOME", cache.to_str().unwrap())];
    // The plugin and the decoder.
    assert_eq!(try_with("first", &home), (2, 0));
    assert_eq!(try_with("second", &home), (0, 2));
    assert!(cache.join(".cache/forebay/plugins").is_dir());
    assert_eq!(try_with("homeless", &[]), (2, 0));
    let unwritable = [("XDG_CACHE_HOME", "/proc")];
    assert_eq!(try_with("unwritable", &unwritable), (2, 0));
}

/// What ffmpeg reads of a file's pictures: a digest of each coded one.
fn digests(file: &Path) -> Vec<String> {
    let read = run(Command::new("ffmpeg")
        .args(["-v", "error", "-i"])
        .arg(file)
        .args(["-map", "0:v", "-c", "copy", "-f", "framemd5", "-"])
        .stdin(Stdio::null()));
    let text = String::from_utf8(read.stdout).unwrap();
    let lines = text.lines().filter(|line| !line.starts_with('#'));
    lines
        .map(|line| line.rsplit(',').next().unwrap().trim().to_owned())
        .collect()
}

#[test]
fn the_recorder_makes_the_same_footage_of_footage() {
    let out = fresh_folder(SCRATCH, "trial-again");
    let settings = "segment_seconds = 3600";
    let tried = try_on_footage(
        "builtin:recorder",
        settings,
        &["--out", out.to_str().unwrap(), "--camera", "slipway"],
    );
    assert_eq!(tried.code, 0, "{}", tried.said);
    let files = mp4_files(&out.join("objects/slipway/footage"));
    let again: Vec<_> = files.iter().flat_map(|file| digests(file)).collect();
    assert_eq!(again, digests(&FOOTAGE));
    // Its name is its capture time, which the first recorder had written into the file.
    assert_eq!(files[0].file_name(), FOOTAGE.file_name());
}

#[test]
fn wrong_command_lines_are_told() {
    let out = fresh_folder(SCRATCH, "trial-full");
    fs::write(out.join("mine.txt"), "mine").unwrap();
    let footage = FOOTAGE.to_str().unwrap();
    let full = out.to_str().unwrap();
    for (plugin, settings, more, code, words) in [
        (
            "builtin:motoin",
            "",
            vec!["--input", footage],
            USAGE,
            "builtin:motion",
        ),
        (
            "/nowhere.wasm",
            "",
            vec!["--input", footage],
            CONFIG,
            "/nowhere.wasm",
        ),
        (
            "builtin:recorder",
            "",
            vec!["--input", "/nowhere.mp4"],
            NO_INPUT,
            "there is no such file",
        ),
        (
            "builtin:recorder",
            "",
            vec!["--input", "slipway"],
            NO_INPUT,
            "needs --config",
        ),
        (
            "builtin:recorder",
            "a = ",
            vec!["--input", footage],
            USAGE,
            "no TOML",
        ),
        (
            "builtin:recorder",
            "",
            vec!["--input", footage, "--out", full],
            CANT_CREATE,
            "it isn't empty",
        ),
        (
            "builtin:recorder",
            "segment_secnods = 1",
            vec!["--input", footage],
            CONFIG,
            "segment_secnods",
        ),
        (
            "builtin:recorder",
            "",
            vec![
                "--input",
                footage,
                "--from",
                "2026-05-04",
                "--to",
                "2026-05-03",
            ],
            USAGE,
            "is not before",
        ),
    ] {
        let output = attempt(plugin, settings, &more);
        let said = String::from_utf8_lossy(&output.stderr);
        assert_eq!(output.status.code(), Some(code), "{more:?}: {said}");
        assert!(said.contains(words), "{more:?}: {said}");
    }
    assert_eq!(fs::read(out.join("mine.txt")).unwrap(), b"mine");
}
