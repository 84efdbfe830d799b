//! A film in a real browser: Chromium, without a window. Its page (`peers/player.html`) plays it and tells
//! what it saw on the console.

use std::fs::{self, File};
use std::path::Path;
use std::process::{Command, Stdio};
use std::time::Duration;

use forebay_tests::{Running, script, wait_for};
use serde::Deserialize;

/// A film of seven seconds, on a busy machine.
const PLAY_MAX: Duration = Duration::from_secs(120);

/// What the page tells.
#[derive(Debug, Deserialize)]
pub(crate) struct Told {
    pub(crate) error: Option<String>,
    pub(crate) duration: f64,
    pub(crate) size: [u32; 2],
    pub(crate) seekable: Vec<[f64; 2]>,
    /// Times of the pictures that were put on the screen.
    pub(crate) pictures: Vec<f64>,
    /// `currentTime`, some four times a second.
    pub(crate) clock: Vec<f64>,
    pub(crate) ended: f64,
    /// Where it is after having been sent somewhere.
    pub(crate) sought: Vec<f64>,
    #[serde(rename = "audioBytes")]
    pub(crate) audio_bytes: u64,
}

/// Plays a film in a folder to its end, then looks for times.
pub(crate) fn play(folder: &Path, film: &str, times: &str) -> Told {
    let page = folder.join("player.html");
    fs::copy(script("player.html"), &page).unwrap();
    let log = folder.join(format!("{film}.log"));
    let said = File::create(&log).unwrap();
    let mut browser = Command::new("chromium");
    browser
        .args("--headless --no-sandbox --disable-gpu --enable-logging=stderr".split(' '))
        .arg("--autoplay-policy=no-user-gesture-required")
        .arg(format!(
            "--user-data-dir={}",
            folder.join("profile").display()
        ))
        .arg(format!("file://{}#{film},{times}", page.display()))
        .stdin(Stdio::null())
        .stdout(said.try_clone().unwrap())
        .stderr(said);
    let running = Running::start(&mut browser);
    let told = wait_for(PLAY_MAX, || {
        let text = String::from_utf8_lossy(&fs::read(&log).unwrap()).into_owned();
        let (_, line) = text.split_once("TOLD ")?;
        let (told, _) = line.split_once("}\"")?;
        Some(format!("{told}}}"))
    });
    drop(running);
    let told = told.unwrap_or_else(|| panic!("see {}", log.display()));
    serde_json::from_str(&told).unwrap_or_else(|error| panic!("{told}: {error}"))
}
