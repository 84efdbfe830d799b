//! Plugins in another language, and plugins in a host of another maker: `wit/` is all that either
//! has to know. The same analyzer in Rust and in Python must say the same.
//!
//! Needs componentize-py and wasmtime of PyPI, in the Python that `FOREBAY_PYTHON` names.

use std::fs::{self, File};
use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};
use std::sync::LazyLock;

use forebay_tests::{Relay, fresh_folder, run, script};
use serde_json::{Value, json};

use crate::bad_guests::guests::build_for_sandbox;
use crate::{SCRATCH, beside};

/// Release of componentize-py that the guide names.
const COMPONENTIZE: &str = "0.25.1";

fn plugins() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("../plugins")
}

fn python() -> PathBuf {
    let python = std::env::var_os("FOREBAY_PYTHON");
    PathBuf::from(python.expect("FOREBAY_PYTHON names a Python with componentize-py and wasmtime"))
}

/// `plugins/examples/dark`.
pub(crate) static DARK: LazyLock<PathBuf> = LazyLock::new(|| {
    let target = Path::new(SCRATCH).with_file_name("examples");
    let packages = ["--package", "dark", "--package", "gate"];
    build_for_sandbox(&plugins(), &target, &packages).join("dark.wasm")
});

/// `plugins/examples/dark-python`.
static DARK_PYTHON: LazyLock<PathBuf> = LazyLock::new(|| {
    let tool = python().with_file_name("componentize-py");
    let told = run(Command::new(&tool).arg("--version"));
    let version = String::from_utf8(told.stdout).unwrap();
    assert!(version.contains(COMPONENTIZE), "{version}");
    let folder = fresh_folder(SCRATCH, "dark-python");
    fs::copy(
        plugins().join("examples/dark-python/dark.py"),
        folder.join("dark.py"),
    )
    .unwrap();
    let component = folder.join("dark.wasm");
    run(Command::new(tool)
        .current_dir(&folder)
        .arg("-d")
        .arg(plugins().join("../wit").canonicalize().unwrap())
        .args([
            "-w",
            "analyzer",
            "componentize",
            "--stub-wasi",
            "dark",
            "-o",
        ])
        .arg(&component));
    component
});

/// What an analyzer answers to `configure`, to each picture and to `stop`, in the host of
/// `tests/peers/analyzer_host.py`. Of tests that run at once, each names a folder of its own.
fn answers(name: &str, component: &Path, settings: &str, pictures: &[Value]) -> Vec<Value> {
    let folder = fresh_folder(SCRATCH, name);
    let input = folder.join("pictures.json");
    let lines: String = pictures
        .iter()
        .map(|picture| format!("{picture}\n"))
        .collect();
    fs::write(&input, lines).unwrap();
    let output = run(Command::new(python())
        .arg(script("analyzer_host.py"))
        .arg(component)
        .arg(settings)
        .stdin(Stdio::from(File::open(&input).unwrap())));
    let text = String::from_utf8(output.stdout).unwrap();
    text.lines()
        .map(|line| serde_json::from_str(line).unwrap())
        .collect()
}

/// A picture a second, of the levels given, each in a small noise of its own; rows are further
/// apart than they are long, and what lies between them is white.
fn pictures(levels: &[u8]) -> Vec<Value> {
    let mut random = fastrand::Rng::with_seed(4);
    (0..)
        .zip(levels)
        .map(|(second, &level)| {
            let mut row = || {
                let noisy = (0..5).map(|_| level.saturating_add(random.u8(0..3)));
                noisy
                    .chain([255, 255])
                    .map(|s| format!("{s:02x}"))
                    .collect()
            };
            let rows: Vec<String> = (0..4).map(|_| row()).collect();
            let captured = second * 1_000_000_000_i64;
            json!({ "captured": captured, "width": 5, "height": 4, "stride": 7, "rows": rows })
        })
        .collect()
}

const SECOND: i64 = 1_000_000_000;

fn finding(phase: &str, score: f64, second: i64) -> Value {
    json!([{
        "kind": "dark", "score": score, "at": second * SECOND, "phase": phase,
        "region": null, "text": "",
    }])
}

#[test]
fn another_host_and_another_language_agree() {
    // Dusk, a car's headlights, night, a lamp that flickers, dawn.
    let levels = [
        [200, 150, 90, 45, 38, 30],
        [25, 200, 24, 23, 22, 21],
        [20, 60, 18, 60, 19, 39],
        [30, 42, 41, 45, 70, 90],
    ];
    let pictures = pictures(levels.as_flattened());
    let rust = answers("foreign-host", &DARK, "{}", &pictures);
    assert_eq!(rust.len(), pictures.len() + 2);
    let request = json!({
        "rate": 1.0, "longest-side": 64, "format": "gray8", "source": "analysis",
        "minimum-score": 0.0,
    });
    assert_eq!(rust[0], request);
    let told: Vec<&Value> = rust[1..].iter().filter(|one| **one != json!([])).collect();
    assert_eq!(told, [&finding("begin", 1.0, 4), &finding("end", 0.0, 19)]);

    let python = answers("foreign-host", &DARK_PYTHON, "{}", &pictures);
    assert_eq!(python, rust);
    let settings = r#"{"below": 100, "seconds": 0.5}"#;
    let rust = answers("foreign-host", &DARK, settings, &pictures);
    assert_ne!(python, rust, "the settings make no difference");
    assert_eq!(
        answers("foreign-host", &DARK_PYTHON, settings, &pictures),
        rust
    );
}

#[test]
fn both_refuse_settings_with_a_word() {
    for plugin in [&DARK, &DARK_PYTHON] {
        for (settings, word) in [
            (r#"{"below": "low"}"#, "below"),
            (r#"{"belo": 3}"#, "belo"),
            ("[", ""),
        ] {
            let refused = answers("foreign-settings", plugin, settings, &pictures(&[1]));
            let [Value::String(text)] = refused.as_slice() else {
                panic!("{settings}: {refused:?}");
            };
            assert!(text.contains(word), "{settings}: {text}");
        }
    }
}

/// What `forebay try` finds with a plugin on recorded pictures of the simulated site, each of which
/// is shown.
fn tried(plugin: &Path, below: f64) -> Vec<Value> {
    static FOLDER: LazyLock<PathBuf> = LazyLock::new(|| {
        let _beside = beside();
        let folder = fresh_folder(SCRATCH, "foreign-footage");
        run(Command::new(Relay::program())
            .args(["demo", "--for", "20s", "--dir"])
            .arg(&folder)
            .stdin(Stdio::null()));
        folder
    });
    let output = run(Command::new(Relay::program())
        .arg("try")
        .arg(plugin)
        .arg("--config")
        .arg(FOLDER.join("forebay.toml"))
        .args([
            "--input", "gate", "--stream", "analysis", "--format", "json",
        ])
        .arg("--settings")
        .arg(format!("below = {below:?}\nseconds = 0.0"))
        .stdin(Stdio::null()));
    let outcome: Value = serde_json::from_slice(&output.stdout).unwrap();
    let shown = outcome["pictures_shown"].as_u64().unwrap();
    assert!(shown > 10, "{shown} pictures");
    outcome["findings"].as_array().unwrap().clone()
}

#[test]
fn the_relay_runs_both_to_the_same_end() {
    // Between a threshold that no picture is below and one that all are, the lowest that finds
    // something: there it is dark for some of the pictures.
    let (mut never, mut dark) = (0_u8, 255_u8);
    while dark - never > 1 {
        let between = never.midpoint(dark);
        if tried(&DARK, between.into()).is_empty() {
            never = between;
        } else {
            dark = between;
        }
    }
    let below = f64::from(dark);
    let rust = tried(&DARK, below);
    println!("below {below}: {rust:#?}");
    assert_eq!(rust[0]["phase"], "begin");
    assert_eq!(tried(&DARK_PYTHON, below), rust);
    assert_ne!(
        tried(&DARK, 255.0),
        rust,
        "the threshold makes no difference"
    );
}
