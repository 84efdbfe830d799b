//! Clips in a real browser: Chromium, without a window. Its page (`peers/player.html`) plays a film and
//! tells what it saw on the console.

use std::fs::{self, File};
use std::path::Path;
use std::process::{Command, Stdio};
use std::time::Duration;

use forebay_tests::{Running, script, wait_for};
use serde::Deserialize;

use super::{AAC, BEGIN, H264, Yard, cut, near, with_gap};

/// A film of seven seconds, on a busy machine.
const PLAY_MAX: Duration = Duration::from_secs(120);

/// What the page tells.
#[derive(Debug, Deserialize)]
struct Told {
    error: Option<String>,
    duration: f64,
    size: [u32; 2],
    seekable: Vec<[f64; 2]>,
    /// Times of the pictures that were put on the screen.
    pictures: Vec<f64>,
    /// `currentTime`, some four times a second.
    clock: Vec<f64>,
    ended: f64,
    /// Where it is after having been sent somewhere.
    sought: Vec<f64>,
    #[serde(rename = "audioBytes")]
    audio_bytes: u64,
}

/// Plays a film of a clip to its end, then looks for times.
fn play(folder: &Path, film: &str, times: &str) -> Told {
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

/// With sound and without: the clock runs on over the gap, all pictures are shown at their times, and
/// any time can be sought.
#[test]
fn clips_play_in_a_browser() {
    let yard = Yard::new("clip-browser");
    let coding = format!("{H264} -bf 2 {AAC}");
    with_gap(&yard, &coding, &format!("{H264} -bf 0 {AAC} -s 256x144"));
    for (name, more) in [("sound", &[][..]), ("silent", &["--redact-audio"][..])] {
        let output = yard.clip(BEGIN, BEGIN + 10.0, name, more);
        let folder = yard.folder.join(name);
        let (films, manifest) = cut(&output, &folder);
        let named = |film: usize| films[film].file_name().unwrap().to_str().unwrap();
        let told = play(&folder, named(0), "1.5,3.5,5.25,0");
        assert_eq!(told.error, None, "{told:#?}");
        assert_eq!(told.size, [192, 108]);
        assert!(
            near(told.duration, 7.0, 0.1) && near(told.ended, told.duration, 0.05),
            "{told:#?}"
        );
        assert!(near(told.seekable[0][1], told.duration, 0.01), "{told:#?}");
        assert_eq!(told.sought, [1.5, 3.5, 5.25, 0.0]);
        assert_eq!(told.audio_bytes > 0, name == "sound", "{told:#?}");
        let gap = (2.0, 5.0);
        let offset = manifest["files"][0]["stretches"][1]["file_seconds"]
            .as_f64()
            .unwrap();
        assert!(near(offset, gap.1, 0.021), "{manifest:#}");
        // In the gap the clock runs, and no picture is shown.
        let in_gap = |time: &&f64| (gap.0 + 0.1..gap.1 - 0.1).contains(*time);
        assert!(told.clock.iter().filter(in_gap).count() >= 5, "{told:#?}");
        assert_eq!(told.pictures.iter().filter(in_gap).count(), 0, "{told:#?}");
        // A busy machine leaves pictures out, but not all of a stretch.
        let shown = |from, to| {
            told.pictures
                .iter()
                .filter(|time| (from..to).contains(*time))
                .count()
        };
        assert!(shown(0.0, 2.1) >= 3 && shown(4.9, 7.0) >= 3, "{told:#?}");
        // Pictures are a tenth of a second apart, on both sides of the gap.
        let off = |time: f64| (time * 10.0 - (time * 10.0).round()).abs() / 10.0;
        assert!(
            told.pictures.iter().all(|time| off(*time) < 0.021),
            "{told:#?}"
        );

        let after = play(&folder, named(1), "0.5");
        assert_eq!((after.error, after.size), (None, [256, 144]));
        assert!(near(after.duration, 2.0, 0.1), "{}", after.duration);
    }
}
