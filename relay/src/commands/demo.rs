//! `forebay demo`: the main job on a simulated building site, through the real path.

use std::collections::BTreeSet;
use std::fmt::Write as _;
use std::path::{Path, PathBuf};
use std::time::{Duration, Instant};

use forebay_site::{Account, CameraSpec, FRAME_SEI_UUID, Scheme, Site};
use jiff::SignedDuration;

use super::output::say;
use super::{Failure, exit};
use crate::supervise::{Running, signals};
use crate::units::CaptureTime;

#[derive(Debug, clap::Args)]
pub(super) struct DemoArguments {
    /// How long to record, as 60s or 2m
    #[arg(long = "for", value_name = "TIME", default_value = "60s", value_parser = duration)]
    time: Duration,
    /// Folder for configuration and footage; by default a new one among the temporary files
    #[arg(long, value_name = "DIR")]
    dir: Option<PathBuf>,
}

/// The rebuilding of a small boatyard; the first camera has sound and asks for a password.
const CAMERAS: [&str; 3] = ["slipway", "gate", "mast-crane"];
const USER: &str = "relay";
const PASSWORD: &str = "harbour-light";
/// How the configuration of a demo begins.
const SIGNATURE: &str = "# Written by `forebay demo`. ";
const PROGRESS: Duration = Duration::from_secs(10);
const SEGMENT_SECONDS: u32 = 20;

fn duration(text: &str) -> Result<Duration, String> {
    let wrong = || "a time from 5s to 24h, as 60s, 2m or 1h30m".to_owned();
    let text = if text.ends_with(|c: char| c.is_ascii_digit()) {
        format!("{text}s")
    } else {
        text.to_owned()
    };
    let parsed: SignedDuration = text.parse().map_err(|_| wrong())?;
    let time = Duration::try_from(parsed).map_err(|_| wrong())?;
    let allowed = Duration::from_secs(5)..=Duration::from_secs(24 * 3600);
    if allowed.contains(&time) {
        Ok(time)
    } else {
        Err(wrong())
    }
}

pub(super) async fn demo(arguments: DemoArguments) -> Result<(), Failure> {
    let folder = match arguments.dir {
        Some(folder) => folder,
        None => {
            std::env::temp_dir().join(format!("forebay-demo-{}", CaptureTime::now().file_stem()))
        }
    };
    let cannot = |what: &str, path: &Path, error: std::io::Error| {
        Failure::new(
            exit::CANT_CREATE,
            format!("can't {what} {}: {error}", path.display()),
        )
    };
    std::fs::create_dir_all(&folder).map_err(|error| cannot("make", &folder, error))?;
    let folder = folder
        .canonicalize()
        .map_err(|error| cannot("find", &folder, error))?;

    let specs = CAMERAS.map(|name| {
        let mut spec = CameraSpec::new(name);
        if name == "slipway" {
            spec.audio = true;
            spec.account = Some(Account {
                scheme: Scheme::DigestSha256,
                user: USER.to_owned(),
                password: PASSWORD.to_owned(),
            });
        }
        spec
    });
    let site = Site::start(specs.to_vec())
        .await
        .map_err(|error| Failure::new(exit::OS, format!("the simulated site: {error}")))?;

    let file = folder.join("forebay.toml");
    // The folder may be somebody's: only what an earlier demo has written is written over.
    let foreign = std::fs::read_to_string(&file).is_ok_and(|text| !text.starts_with(SIGNATURE));
    if foreign {
        let text = format!(
            "{} was not written by a demo; choose another --dir",
            file.display()
        );
        return Err(Failure::new(exit::CANT_CREATE, text));
    }
    let password = folder.join("slipway.password");
    write_secret(&password).map_err(|error| cannot("write", &password, error))?;
    std::fs::write(&file, configuration(&site)).map_err(|error| cannot("write", &file, error))?;
    let config = crate::config::load(&file)?;
    let begin = CaptureTime::now();

    say("A simulated boatyard: cameras slipway (with sound and a password), gate and mast-crane.");
    say(&format!("Configuration  {}", file.display()));
    say(&format!(
        "Recording for  {} s; Ctrl-C ends it earlier",
        arguments.time.as_secs()
    ));
    let stop = signals::catch().map_err(|error| Failure::caused(exit::OS, error))?;
    let archive = config.relay.archive.clone();
    record(config, stop, arguments.time).await?;
    site.stop().await;

    say("");
    let complete = report(&archive, begin);
    say(&format!(
        "The files lie in {}; any player opens them.",
        archive.display()
    ));
    if complete {
        Ok(())
    } else {
        Err(Failure::new(
            exit::SOFTWARE,
            "pictures are missing: that should not happen here",
        ))
    }
}

fn write_secret(path: &Path) -> std::io::Result<()> {
    use std::io::Write as _;
    use std::os::unix::fs::OpenOptionsExt as _;
    let mut file = std::fs::File::options()
        .write(true)
        .create(true)
        .truncate(true)
        .mode(0o600)
        .open(path)?;
    file.write_all(PASSWORD.as_bytes())
}

fn configuration(site: &Site) -> String {
    let mut text = String::from(SIGNATURE)
        + "The cameras are simulated and gone with it.\n\
         [relay]\n\
         archive = \"archive\"\n\
         listen = \"127.0.0.1:0\"\n\n\
         [[site]]\n\
         name = \"boatyard\"\n\
         time_zone = \"Europe/Oslo\"\n\
         latitude = 60.39\n\
         longitude = 5.32\n";
    for camera in site.cameras() {
        let (name, url) = (camera.name(), camera.url());
        let mut table =
            format!("\n[[camera]]\nname = {name:?}\nsite = \"boatyard\"\nurl = {url:?}\n");
        if name == "slipway" {
            table += &format!("username = {USER:?}\npassword_file = \"slipway.password\"\n");
        }
        text += &table;
    }
    text + &format!(
        "\n[[sink]]\nname = \"footage\"\nplugin = \"builtin:recorder\"\n\
         [sink.settings]\nsegment_seconds = {SEGMENT_SECONDS}\n"
    )
}

/// Runs the relay for a time, with a line of progress now and then.
async fn record(
    config: crate::config::Config,
    mut stop: crate::Shutdown,
    time: Duration,
) -> Result<(), Failure> {
    let (trigger, shutdown) = crate::shutdown();
    let (tell, told) = tokio::sync::oneshot::channel::<Running>();
    let relay = tokio::spawn(crate::run(config, shutdown, |running: &Running| {
        // Nobody to tell: the demo has ended already.
        drop(tell.send(running.clone()));
    }));
    if let Ok(running) = told.await {
        say(&format!(
            "Metrics        http://{}/metrics",
            running.address
        ));
        say("");
        let begin = Instant::now();
        let end = tokio::time::sleep(time);
        tokio::pin!(end);
        let mut progress = tokio::time::interval_at((begin + PROGRESS).into(), PROGRESS);
        loop {
            tokio::select! {
                () = &mut end => break,
                () = stop.requested() => break,
                _ = progress.tick() => say(&progress_line(&running, begin.elapsed())),
            }
        }
    }
    trigger.pull();
    match relay.await {
        Ok(Ok(())) => Ok(()),
        Ok(Err(error)) => Err(Failure::caused(exit::OS, error)),
        Err(error) => Err(Failure::caused(exit::SOFTWARE, error)),
    }
}

fn progress_line(running: &Running, elapsed: Duration) -> String {
    let mut line = format!("{:>5} s ", elapsed.as_secs());
    for camera in &running.cameras {
        let phase = camera.status.phase().as_str();
        // Writing to a string can't fail.
        write!(
            line,
            "  {}: {phase}, {} units",
            camera.name,
            camera.hold.units_pushed()
        )
        .ok();
    }
    line
}

/// Reads back what was recorded since `begin`: every picture of the simulated cameras carries its
/// number. Returns whether any is missing between the first and the last.
fn report(archive: &Path, begin: CaptureTime) -> bool {
    let mut complete = true;
    for camera in CAMERAS {
        let mut files = files_of(&archive.join(camera).join("footage"));
        files.retain(|path| written_since(path, begin));
        let (mut bytes, mut numbers, mut total) = (0, BTreeSet::new(), 0);
        for file in &files {
            let Ok(content) = std::fs::read(file) else {
                continue;
            };
            bytes += content.len();
            let found = picture_numbers(&content);
            total += found.len();
            numbers.extend(found);
        }
        let (Some(first), Some(last)) = (numbers.first(), numbers.last()) else {
            complete = false;
            say(&format!("{camera:<11} nothing recorded"));
            continue;
        };
        let missing = last - first + 1 - numbers.len() as u64;
        let doubled = total - numbers.len();
        complete &= missing == 0 && doubled == 0;
        say(&format!(
            "{camera:<11} {total} pictures, numbers {first} to {last}, {missing} missing, \
             {doubled} doubled, in {} files, {:.1} MB",
            files.len(),
            bytes as f64 / 1e6
        ));
    }
    complete
}

/// Files of an earlier demo in the same folder don't count.
fn written_since(path: &Path, begin: CaptureTime) -> bool {
    let stem = path
        .file_stem()
        .and_then(|stem| stem.to_str())
        .unwrap_or_default();
    // A camera may begin with a group of pictures from before.
    let earliest = begin.unix_nanos() - 5_000_000_000;
    CaptureTime::from_file_stem(stem).is_some_and(|time| time.unix_nanos() >= earliest)
}

fn files_of(folder: &Path) -> Vec<PathBuf> {
    let list = |folder: &Path| -> Vec<PathBuf> {
        let Ok(entries) = std::fs::read_dir(folder) else {
            return Vec::new();
        };
        entries.flatten().map(|entry| entry.path()).collect()
    };
    let mut files: Vec<_> = list(folder).iter().flat_map(|day| list(day)).collect();
    files.sort();
    files
}

/// The numbers in the SEI messages of a file's pictures: 8 bytes, big endian, behind the UUID.
fn picture_numbers(content: &[u8]) -> Vec<u64> {
    let mut numbers = Vec::new();
    let mut rest = content;
    while let Some(at) = rest.windows(16).position(|window| window == FRAME_SEI_UUID) {
        rest = rest.get(at + 16..).unwrap_or_default();
        let (mut number, mut digits, mut zeros) = (0_u64, 0, 0);
        for byte in rest.iter().take(12) {
            // ITU-T H.264 §7.4.1: a 3 behind two zeros is there to prevent a start code.
            if zeros == 2 && *byte == 3 {
                zeros = 0;
                continue;
            }
            zeros = if *byte == 0 { zeros + 1 } else { 0 };
            number = number << 8 | u64::from(*byte);
            digits += 1;
            if digits == 8 {
                numbers.push(number);
                break;
            }
        }
    }
    numbers
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn times_are_read_as_people_write_them() {
        assert_eq!(duration("60s"), Ok(Duration::from_secs(60)));
        assert_eq!(duration("90"), Ok(Duration::from_secs(90)));
        assert_eq!(duration("1h30m"), Ok(Duration::from_secs(5400)));
        for wrong in ["", "soon", "-5s", "1s", "25h"] {
            assert!(duration(wrong).is_err(), "{wrong}");
        }
    }

    #[test]
    fn numbers_are_found_behind_emulation_prevention() {
        let mut content = b"junk".to_vec();
        content.extend(FRAME_SEI_UUID);
        content.extend([0, 0, 3, 0, 0, 3, 0, 0, 3, 1, 2]);
        assert_eq!(picture_numbers(&content), [0x0102]);
    }
}
