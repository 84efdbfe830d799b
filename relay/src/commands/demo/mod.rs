//! `forebay demo`: the main job on a simulated building site, through the real path.

mod account;
mod outages;
mod pictures;
mod year;

use std::fmt::Write as _;
use std::path::{Path, PathBuf};
use std::time::{Duration, Instant};

use forebay_site::{Account, CameraSpec, Scheme, Site};

use super::output::{say, table};
use super::{Failure, duration, exit};
use crate::archive::catalog::Catalog;
use crate::archive::ledger::{Coverage, Span, total_nanos};
use crate::coverage::length;
use crate::supervise::{Running, signals};
use crate::units::{CaptureTime, Name};
use account::{Comparison, Truth};
use outages::Script;
use pictures::Pictures;

#[derive(Debug, clap::Args)]
pub(super) struct DemoArguments {
    /// How long to record, as 60s or 2m
    #[arg(long = "for", value_name = "TIME", default_value = "60s", value_parser = demo_time)]
    time: Duration,
    /// Folder for configuration and footage; by default a new one among the temporary files
    #[arg(long, value_name = "DIR")]
    dir: Option<PathBuf>,
    /// Let the uplink drop out several times and a camera restart, and show what is saved, what is
    /// lost, and that the relay's account of it is true
    #[arg(long)]
    outages: bool,
    /// Draw stills of a whole year instead, with fog, a dirty lens, cranes before it and knocks, make a film
    /// of them, and show what became of each
    #[arg(long, conflicts_with_all = ["time", "outages"])]
    year: bool,
    /// With --year: how many days it has
    #[arg(long, requires = "year", default_value_t = 365, value_name = "N", value_parser = clap::value_parser!(u16).range(30..=730))]
    days: u16,
    /// With --year: pixels in a row of its pictures
    #[arg(long, requires = "year", default_value_t = 640, value_name = "N", value_parser = clap::value_parser!(u16).range(320..=3840))]
    width: u16,
}

/// The rebuilding of a small boatyard; the first camera has sound and asks for a password.
const CAMERAS: [&str; 3] = ["slipway", "gate", "mast-crane"];
/// What each can hold back with --outages: about 10 s of what it sends, as a good camera does.
const HELD_BYTES: [usize; 3] = [290_000, 220_000, 310_000];
const USER: &str = "relay";
const PASSWORD: &str = "harbour-light";
/// How the configuration of a demo begins.
const SIGNATURE: &str = "# Written by `forebay demo`. ";
const PROGRESS: Duration = Duration::from_secs(10);
/// The same with --outages.
const PROGRESS_OUTAGES: Duration = Duration::from_secs(5);
/// Gaps of a camera that are listed.
const GAPS_SHOWN: usize = 30;
const SEGMENT_SECONDS: u32 = 20;

fn demo_time(text: &str) -> Result<Duration, String> {
    duration(
        text,
        Duration::from_secs(5)..=Duration::from_secs(24 * 3600),
    )
    .ok_or_else(|| "a time from 5s to 24h, as 60s, 2m or 1h30m".to_owned())
}

pub(super) async fn demo(arguments: DemoArguments) -> Result<(), Failure> {
    if arguments.year {
        return year::demo(folder(arguments.dir)?, (arguments.days, arguments.width)).await;
    }
    let script = arguments.outages.then(|| Script::within(arguments.time));
    let script = script
        .transpose()
        .map_err(|error| Failure::new(exit::USAGE, error))?;
    let folder = folder(arguments.dir)?;
    let site = Site::start(cameras(script.is_some()))
        .await
        .map_err(|error| Failure::new(exit::OS, format!("the simulated site: {error}")))?;

    let file = folder.join("forebay.toml");
    own(&file)?;
    let password = folder.join("slipway.password");
    write_secret(&password).map_err(|error| cannot("write", &password, error))?;
    std::fs::write(&file, configuration(&site)).map_err(|error| cannot("write", &file, error))?;
    let config = crate::config::load(&file)?;
    let begin = CaptureTime::now();

    say("A simulated boatyard: cameras slipway (with sound and a password), gate and mast-crane.");
    if let Some(script) = &script {
        say(&format!("{}.", script.summary()));
        say("Each camera holds back what it can't send, about 10 s of it; what is more it drops.");
    }
    say(&format!("Configuration  {}", file.display()));
    say(&format!(
        "Recording for  {} s; Ctrl-C ends it earlier",
        arguments.time.as_secs()
    ));
    let stop = signals::catch().map_err(|error| Failure::caused(exit::OS, error))?;
    let (archive, spool) = (config.relay.archive.clone(), config.relay.spool.clone());
    let events = script.as_ref().map(|script| (script, &site));
    let ran = record(config, stop, arguments.time, events).await?;
    let simulated = CAMERAS.map(|name| site.camera(name).cloned());
    site.stop().await;

    say("");
    let recorded = CAMERAS.map(|camera| (camera, Pictures::read(&archive, camera, begin)));
    let window = Span {
        begin,
        end: CaptureTime::now(),
    };
    let accounts = accounts(&spool, window)?;
    let all_well = match &script {
        None => report(&recorded, &accounts),
        Some(script) => {
            let mut compared = Vec::new();
            for (index, ((name, pictures), camera)) in recorded.iter().zip(simulated).enumerate() {
                let truth = Truth {
                    pictures,
                    dropped: camera
                        .iter()
                        .flat_map(|c| c.dropped())
                        .map(|f| f.number)
                        .collect(),
                    frame_nanos: 1_000_000_000 / i64::from(camera.map_or(1, |c| c.spec().fps)),
                    dropouts: script.dropouts(ran),
                    restarts: script.restarts(index, ran),
                };
                let coverage = accounts.iter().find(|one| one.camera.as_str() == *name);
                compared.extend(coverage.map(|one| (*name, Comparison::new(one, &truth))));
            }
            tell_comparison(&compared, ran);
            compared.len() == CAMERAS.len() && compared.iter().all(|(_, one)| one.agrees())
        }
    };
    say(&format!(
        "The whole account: forebay coverage --config {}",
        file.display()
    ));
    say(&format!(
        "The files lie in {}; any player opens them.",
        archive.display()
    ));
    match (all_well, script.is_some()) {
        (true, _) => Ok(()),
        (false, false) => Err(Failure::new(
            exit::SOFTWARE,
            "pictures are missing: that should not happen here",
        )),
        (false, true) => Err(Failure::new(
            exit::SOFTWARE,
            "the account is not what the cameras say: that should not happen",
        )),
    }
}

fn cannot(what: &str, path: &Path, error: std::io::Error) -> Failure {
    Failure::new(
        exit::CANT_CREATE,
        format!("can't {what} {}: {error}", path.display()),
    )
}

/// The folder may be somebody's: only what an earlier demo has written is written over.
fn own(file: &Path) -> Result<(), Failure> {
    match std::fs::read(file) {
        Ok(text) if !text.starts_with(SIGNATURE.as_bytes()) => Err(Failure::new(
            exit::CANT_CREATE,
            format!(
                "{} was not written by a demo; choose another --dir",
                file.display()
            ),
        )),
        _ => Ok(()),
    }
}

/// Makes the folder of a demo: that which is asked for, or a new one.
fn folder(asked: Option<PathBuf>) -> Result<PathBuf, Failure> {
    let folder = asked.unwrap_or_else(|| {
        std::env::temp_dir().join(format!("forebay-demo-{}", CaptureTime::now().file_stem()))
    });
    std::fs::create_dir_all(&folder).map_err(|error| cannot("make", &folder, error))?;
    folder
        .canonicalize()
        .map_err(|error| cannot("find", &folder, error))
}

fn cameras(outages: bool) -> Vec<CameraSpec> {
    let spec = |(name, held_bytes)| {
        let mut spec = CameraSpec::new(name);
        if name == "slipway" {
            spec.audio = true;
            spec.account = Some(Account {
                scheme: Scheme::DigestSha256,
                user: USER.to_owned(),
                password: PASSWORD.to_owned(),
            });
        }
        if outages {
            spec.queue_bytes = held_bytes;
        }
        spec
    };
    CAMERAS.into_iter().zip(HELD_BYTES).map(spec).collect()
}

/// What the ledger says of the cameras.
fn accounts(spool: &Path, window: Span) -> Result<Vec<Coverage>, Failure> {
    let failed = |error| Failure::caused(exit::SOFTWARE, error);
    let catalog = Catalog::open_to_read(spool).map_err(failed)?;
    let mut accounts = Vec::new();
    for camera in CAMERAS {
        let camera = Name::new(camera).map_err(|error| Failure::caused(exit::SOFTWARE, error))?;
        accounts.extend(catalog.coverage(&camera, window).map_err(failed)?);
    }
    Ok(accounts)
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

/// Runs the relay for a time, with a line of progress now and then, and whatever is to happen to
/// the site meanwhile. Gives when the relay was there.
async fn record(
    config: crate::config::Config,
    mut stop: crate::Shutdown,
    time: Duration,
    events: Option<(&Script, &Site)>,
) -> Result<CaptureTime, Failure> {
    let mut ran = CaptureTime::now();
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
        ran = CaptureTime::now();
        let end = tokio::time::sleep(time);
        let happens = async {
            if let Some((script, site)) = events {
                script.play(site, &running, begin).await;
            }
        };
        tokio::pin!(end, happens);
        let mut happened = false;
        let period = match events {
            None => PROGRESS,
            Some(_) => PROGRESS_OUTAGES,
        };
        let mut progress = tokio::time::interval_at((begin + period).into(), period);
        loop {
            tokio::select! {
                () = &mut end => break,
                () = stop.requested() => break,
                () = &mut happens, if !happened => happened = true,
                _ = progress.tick() => say(&progress_line(&running, begin.elapsed())),
            }
        }
    }
    trigger.pull();
    match relay.await {
        Ok(Ok(())) => Ok(ran),
        Ok(Err(error)) => Err(Failure::caused(exit::OS, error)),
        Err(error) => Err(Failure::caused(exit::SOFTWARE, error)),
    }
}

fn progress_line(running: &Running, elapsed: Duration) -> String {
    let mut line = format!("{:>7.1} s ", elapsed.as_secs_f64());
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

/// Tells what was recorded. Returns whether nothing is missing between the first and the last.
fn report(recorded: &[(&str, Pictures)], accounts: &[Coverage]) -> bool {
    let mut complete = true;
    for (camera, pictures) in recorded {
        let Some((first, last, missing)) = pictures.range() else {
            complete = false;
            say(&format!("{camera:<11} nothing recorded"));
            continue;
        };
        complete &= missing == 0 && pictures.doubled == 0;
        say(&format!(
            "{camera:<11} {} pictures, numbers {first} to {last}, {missing} missing, {} doubled, in \
             {} files, {:.1} MB",
            pictures.list.len(),
            pictures.doubled,
            pictures.files,
            pictures.bytes as f64 / 1e6
        ));
    }
    for account in accounts {
        let [wanted, there] = [&account.wanted, &account.recorded]
            .map(|spans| length(total_nanos(spans).unsigned_abs()));
        let gaps = account.gaps.iter().map(|gap| gap.detail.as_str());
        let gaps: Vec<_> = gaps.filter(|detail| !detail.is_empty()).collect();
        let mut line = format!(
            "{:<11} {there} of {wanted} recorded",
            account.camera.as_str()
        );
        if !gaps.is_empty() {
            line += &format!(": {}", gaps.join("; "));
        }
        say(&line);
    }
    complete
}

/// Tells the ledger's account and the truth side by side.
fn tell_comparison(compared: &[(&str, Comparison)], begin: CaptureTime) {
    let rows = |heading: &[&str], row: fn(&Comparison, &str) -> Vec<String>| {
        let heading = heading.iter().map(|word| (*word).to_owned()).collect();
        let rows = compared.iter().map(|(camera, one)| row(one, camera));
        std::iter::once(heading).chain(rows).collect::<Vec<_>>()
    };
    say("What the relay's ledger says, as `forebay coverage` tells it:");
    say("");
    table(&rows(&Comparison::LEDGER_HEADING, Comparison::ledger));
    say("");
    say(
        "What the files hold, by the numbers that the cameras have put into their pictures; rescued",
    );
    say("is what was taken during a dropout and came afterwards:");
    say("");
    table(&rows(&Comparison::FILES_HEADING, Comparison::files));
    say("");
    say("Gap by gap, in seconds from the start:");
    say("");
    let heading = Comparison::GAPS_HEADING.map(str::to_owned);
    let mut rows = vec![heading.to_vec()];
    for (camera, one) in compared {
        let gaps = one.gaps(camera, begin);
        let more = gaps.len().saturating_sub(GAPS_SHOWN);
        rows.extend(gaps.into_iter().take(GAPS_SHOWN));
        if more > 0 {
            rows.push(vec![(*camera).to_owned(), format!("and {more} more")]);
        }
    }
    table(&rows);
    say("");
    if compared.iter().all(|(_, one)| one.agrees()) {
        say(
            "They agree, to a picture at each gap. Nothing else is missing, and nothing is there twice.",
        );
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn times_are_read_as_people_write_them() {
        assert_eq!(demo_time("60s"), Ok(Duration::from_secs(60)));
        assert_eq!(demo_time("90"), Ok(Duration::from_secs(90)));
        assert_eq!(demo_time("1h30m"), Ok(Duration::from_secs(5400)));
        for wrong in ["", "soon", "-5s", "1s", "25h"] {
            assert!(demo_time(wrong).is_err(), "{wrong}");
        }
    }
}
