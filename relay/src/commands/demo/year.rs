//! A film of a simulated year, and what is true of it beside what was found.

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};
use std::sync::atomic::{AtomicUsize, Ordering};

use clap::Parser;
use forebay_darkroom::frame::Frame;
use forebay_site::year::{Flaw, Knock, Year};
use jiff::tz::TimeZone;

use super::super::lapse::{LapseArguments, film};
use super::{SIGNATURE, cannot, own};
use crate::Shutdown;
use crate::commands::output::{complain, say, table};
use crate::commands::{Failure, exit};
use crate::coverage::local;
use crate::lapse::Made;
use crate::supervise::signals;
use crate::units::CaptureTime;

/// 2026-03-01T00:00:00Z, by GNU date.
const BEGIN: i64 = 1_772_323_200_000_000_000;
const MINUTE: i64 = 60_000_000_000;
const DAY: i64 = 24 * 60 * MINUTE;
/// When pictures are taken each day: minutes after midnight, UTC. The sun is in the south of the yard
/// between 11:03 and 11:35.
const TAKEN: [i64; 4] = [640, 665, 690, 715];
const ZONE: &str = "Europe/Oslo";
/// Of all such years, one.
const SEED: u64 = 5;
const QUALITY: u8 = 88;
/// Frames a second of the film; it has one a day.
const RATE: u16 = 25;

/// The sky has another light than the yard.
const REGIONS: &str = "The sky is levelled by itself:
[[region]]
use = \"apart\"
points = [[0.0, 0.0], [1.0, 0.0], [1.0, 0.33], [0.0, 0.33]]
";

/// What is said after `forebay lapse`.
#[derive(Debug, Parser)]
struct Line {
    #[command(flatten)]
    arguments: LapseArguments,
}

pub(super) async fn demo(folder: PathBuf, (days, width): (u16, u16)) -> Result<(), Failure> {
    let stop = signals::catch().map_err(|error| Failure::caused(exit::OS, error))?;
    let size = (width.into(), usize::from(width) * 9 / 16);
    let year = Year::new(size, BEGIN, days.into(), SEED);
    let stills = folder.join("stills");
    let regions = folder.join("sky.toml");
    own(&regions)?;
    let text = format!("{SIGNATURE}{days} days, {width} pixels wide. {REGIONS}");
    if stills.exists() && std::fs::read_to_string(&regions).ok().as_ref() != Some(&text) {
        let text = format!(
            "{} was not made by this demo with as many days and pixels; choose another --dir",
            stills.display()
        );
        return Err(Failure::new(exit::CANT_CREATE, text));
    }
    std::fs::write(&regions, text).map_err(|error| cannot("write", &regions, error))?;
    say(&format!(
        "A simulated boatyard from 2026-03-01 on, {days} days: a hall is built, and a camera that nobody \
         looks after"
    ));
    say(&format!(
        "takes {} pictures a day. Some days are foggy, some have drops on the lens; it is knocked twice.",
        TAKEN.len()
    ));
    say(&format!("Drawing into   {}", stills.display()));
    let (drawn, own, its_stop) = (year.clone(), stills.clone(), stop.clone());
    let work = tokio::task::spawn_blocking(move || draw(&drawn, &own, &its_stop));
    work.await
        .map_err(|error| Failure::caused(exit::SOFTWARE, error))??;

    let place = &year.place;
    let line = [
        "--frames".to_owned(),
        stills.display().to_string(),
        "--zone".to_owned(),
        ZONE.to_owned(),
        "--latitude".to_owned(),
        place.latitude_degrees.to_string(),
        "--longitude".to_owned(),
        place.longitude_degrees.to_string(),
        // Shadows stand still where the sun does.
        "--azimuth".to_owned(),
        "180".to_owned(),
        "--length".to_owned(),
        format!("{}s", f64::from(days) / f64::from(RATE)),
        "--fps".to_owned(),
        RATE.to_string(),
        "--missing".to_owned(),
        "dissolve".to_owned(),
        "--regions".to_owned(),
        regions.display().to_string(),
        "--date".to_owned(),
        "%Y-%m-%d".to_owned(),
        "--out".to_owned(),
        folder.join("film").display().to_string(),
    ];
    say("");
    say(&format!("forebay lapse {}", quoted(&line)));
    say("");
    let Line { arguments } = Line::try_parse_from(std::iter::once("lapse".to_owned()).chain(line))
        .map_err(|error| Failure::caused(exit::SOFTWARE, error))?;
    let Some(made) = film(arguments, || Ok(stop)).await? else {
        return Err(Failure::new(exit::SOFTWARE, "no film was asked for"));
    };
    say("");
    match tell(&made, &year) {
        true => Ok(()),
        false => Err(Failure::new(
            exit::SOFTWARE,
            "the film is not what the year says: that should not happen",
        )),
    }
}

/// As a shell wants them.
fn quoted(line: &[String]) -> String {
    let plain = |c: char| c.is_ascii_alphanumeric() || "-./_:".contains(c);
    let words = line.iter().map(|word| match word.chars().all(plain) {
        true => word.clone(),
        false => format!("'{}'", word.replace('\'', r"'\''")),
    });
    words.collect::<Vec<_>>().join(" ")
}

/// Draws the pictures that are not there yet.
fn draw(year: &Year, folder: &Path, stop: &Shutdown) -> Result<(), Failure> {
    let times = (0..year.days).flat_map(|day| TAKEN.map(|at| BEGIN + day * DAY + at * MINUTE));
    let times: Vec<i64> = times.collect();
    let threads = std::thread::available_parallelism().map_or(1, usize::from);
    let next = AtomicUsize::new(0);
    let hand = || -> Result<(), Failure> {
        while !stop.is_requested() {
            let nth = next.fetch_add(1, Ordering::Relaxed);
            let Some(at) = times.get(nth) else {
                return Ok(());
            };
            write(year, *at, folder)?;
            if (nth + 1).is_multiple_of((times.len() / 10).max(1)) {
                complain(&format!("{} of {} drawn", nth + 1, times.len()));
            }
        }
        Err(Failure::new(exit::TRY_LATER, "interrupted"))
    };
    std::thread::scope(|scope| {
        let hands: Vec<_> = (0..threads).map(|_| scope.spawn(hand)).collect();
        let broken = |_| Failure::new(exit::SOFTWARE, "drawing broke off; see above");
        hands
            .into_iter()
            .try_for_each(|hand| hand.join().map_err(broken).flatten())
    })
}

/// Draws a picture into a file that is named as a relay would name it.
fn write(year: &Year, at: i64, folder: &Path) -> Result<(), Failure> {
    let taken = CaptureTime::from_unix_nanos(at);
    let folder = folder.join(taken.day());
    let path = folder.join(format!("{}.jpg", taken.file_stem()));
    if path.exists() {
        return Ok(());
    }
    let picture = year.picture(at);
    let mut frame = Frame::filled(picture.width, picture.height, [0, 128, 128]);
    for (plane, samples) in frame.planes.iter_mut().zip(picture.planes) {
        plane.samples = samples;
    }
    let jpeg = frame.to_jpeg(QUALITY);
    let jpeg = jpeg.map_err(|error| Failure::caused(exit::SOFTWARE, error))?;
    // Under a name that is passed over until it is whole: a demo may be interrupted and begun again.
    let part = folder.join(format!(".{}.part", taken.file_stem()));
    std::fs::create_dir_all(&folder)
        .and_then(|()| std::fs::write(&part, jpeg))
        .and_then(|()| std::fs::rename(&part, &path))
        .map_err(|error| cannot("write", &path, error))
}

/// Tells what was found beside what is true. Returns whether they agree.
fn tell(made: &Made, year: &Year) -> bool {
    say("What the simulated year knows, and what was found without knowing it:");
    say("");
    let chosen_well = tell_choice(made, year);
    say("");
    let found = tell_knocks(made, year);
    say("");
    let (before, after): (Vec<f64>, Vec<f64>) = made.brightness.iter().copied().unzip();
    let (before, after) = (unrest(&before), unrest(&after));
    say(&format!(
        "The yard's brightness differs from frame to frame by {:.1} % before levelling and {:.1} % after.",
        100.0 * before,
        100.0 * after
    ));
    chosen_well && found && after * 4.0 < before
}

/// Of what was there, what is in the film.
fn tell_choice(made: &Made, year: &Year) -> bool {
    let flaw = |candidate: usize| {
        let at = made.plan.candidates.get(candidate).map_or(0, |one| one.at);
        year.conditions(at).flaw()
    };
    let mut counts: BTreeMap<Option<Flaw>, (usize, usize)> = BTreeMap::new();
    for candidate in made.plan.shared.iter().flatten() {
        counts.entry(flaw(*candidate)).or_default().0 += 1;
    }
    for taken in &made.taken {
        counts.entry(flaw(taken.candidate)).or_default().1 += 1;
    }
    let mut rows = vec![vec![
        "picture".to_owned(),
        "there".to_owned(),
        "in the film".to_owned(),
    ]];
    for (flaw, (there, taken)) in &counts {
        let words = match flaw {
            None => "good",
            Some(Flaw::Fog) => "in fog",
            Some(Flaw::Dirty) => "through drops and dirt",
            Some(Flaw::Blocked) => "with something before the lens",
            Some(Flaw::Blurred) => "out of focus",
        };
        rows.push(vec![words.to_owned(), there.to_string(), taken.to_string()]);
    }
    table(&rows);
    let good = |own: &&Vec<usize>| own.iter().any(|one| flaw(*one).is_none());
    let possible = made.plan.shared.iter().filter(good).count();
    let taken = counts.get(&None).map_or(0, |(_, taken)| *taken);
    let bad = made.taken.len().saturating_sub(taken);
    say(&format!(
        "{possible} days have a good one; {taken} of these are in the film with one."
    ));
    taken * 10 >= possible * 9 && bad * 50 <= possible
}

/// Knocks, and those that were found.
fn tell_knocks(made: &Made, year: &Year) -> bool {
    let zone = &TimeZone::get(ZONE).unwrap_or(TimeZone::UTC);
    let when = |nanos: i64| local(CaptureTime::from_unix_nanos(nanos), zone);
    let words = |(right, down): (f64, f64), degrees: f64| {
        format!("{right:+.1} px right, {down:+.1} px down, {degrees:+.2}°")
    };
    let width = year.width as f64;
    let pixels = |knock: &Knock| (knock.shift.0 * width, knock.shift.1 * width);
    let mut rows = vec![vec![
        "knocked".to_owned(),
        "by".to_owned(),
        "found before".to_owned(),
        "as".to_owned(),
    ]];
    let mut agree = made.steps.len() == year.knocks.len();
    for (nth, knock) in year.knocks.iter().enumerate() {
        let mut row = vec![when(knock.at), words(pixels(knock), knock.degrees)];
        let step = made.steps.get(nth);
        let first = step.and_then(|step| {
            let taken = made.taken.get(step.taken)?;
            made.plan.candidates.get(taken.candidate)
        });
        if let Some((step, first)) = step.zip(first) {
            row.extend([when(first.at), words(step.pixels, step.degrees)]);
            let off = (step.pixels.0 - pixels(knock).0).hypot(step.pixels.1 - pixels(knock).1);
            agree &= off < 1.0 && first.at >= knock.at;
        } else {
            row.push("never".to_owned());
        }
        rows.push(row);
    }
    table(&rows);
    agree
}

/// Root of the mean square of the differences from one to the next, as a share of the mean.
fn unrest(values: &[f64]) -> f64 {
    let count = values.len().max(1) as f64;
    let mean = values.iter().sum::<f64>() / count;
    let squares = values.windows(2).map(|pair| match pair {
        [one, next] => (next - one).powi(2),
        _ => 0.0,
    });
    (squares.sum::<f64>() / (count - 1.0).max(1.0)).sqrt() / mean.max(f64::MIN_POSITIVE)
}
