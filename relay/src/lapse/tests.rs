//! Whole films of a few days of the simulated boatyard, judged by ffprobe and ffmpeg.

#![expect(clippy::print_stdout, reason = "a test says what it skipped")]

use std::path::Path;
use std::process::Command;
use std::sync::Arc;
use std::sync::atomic::{AtomicUsize, Ordering};

use forebay_darkroom::blend::Blend;
use forebay_darkroom::calendar::{Pace, Window};
use forebay_darkroom::choose::{Taste, Verdict};
use forebay_darkroom::film::{Missing, Size};
use forebay_darkroom::frame::Frame;
use forebay_darkroom::region::Regions;
use forebay_site::year::Year;
use jiff::civil::{Weekday, time};
use jiff::tz::TimeZone;

use super::align::Motion;
use super::encode::{Coder, Quality};
use super::source::{Folder, Listing};
use super::stamp::Corner;
use super::stills::Stills;
use super::*;
use crate::archive::RealDisk;
use crate::units::Name;

pub(super) const HOUR: i64 = 3_600_000_000_000;
/// 2026-06-01, UTC.
pub(super) const BEGIN: i64 = 1_780_272_000_000_000_000;
pub(super) const SIZE: (usize, usize) = (320, 180);

pub(super) fn draw(year: &Year, at: i64) -> Vec<u8> {
    let picture = year.picture(at);
    let mut frame = Frame::filled(picture.width, picture.height, [0, 128, 128]);
    for (plane, samples) in frame.planes.iter_mut().zip(picture.planes) {
        plane.samples = samples;
    }
    frame.to_jpeg(90).unwrap()
}

/// A folder for a test, and one in it for stills.
pub(super) fn cards() -> (tempfile::TempDir, std::path::PathBuf) {
    let folder = tempfile::tempdir().unwrap();
    let stills = folder.path().join("cards");
    std::fs::create_dir_all(&stills).unwrap();
    (folder, stills)
}

/// Stills each half hour from 9 to 15 o'clock, named as some cameras do.
pub(super) fn yard(folder: &Path, days: i64) -> Year {
    let year = Year::new(SIZE, BEGIN, 60, 3);
    for day in 0..days {
        for half in 0..=12 {
            let at = BEGIN + day * 24 * HOUR + 9 * HOUR + half * HOUR / 2;
            let stamp = Timestamp::from_nanosecond(at.into()).unwrap();
            let name = stamp.strftime("yard_%Y%m%d_%H%M%S.JPG").to_string();
            std::fs::write(folder.join(name), draw(&year, at)).unwrap();
        }
    }
    year
}

pub(super) fn request(out: &Path, frames: usize) -> LapseRequest {
    LapseRequest {
        zone: TimeZone::UTC,
        place: None,
        first: None,
        last: None,
        days: (0..7)
            .map(|day| Weekday::from_monday_zero_offset(day).unwrap())
            .collect(),
        window: Window::Clock(time(9, 0, 0, 0), time(15, 0, 0, 0)),
        pace: Pace::Frames(frames),
        reach_nanos: None,
        frames_per_second: 25,
        missing: Missing::Hold,
        taste: Taste::default(),
        consider: 12,
        verdicts: Verdicts::default(),
        level: 1.0,
        level_frames: None,
        align: Some(Motion::Affine),
        blend: Blend::None,
        regions: Regions::default(),
        size: Size {
            pixels: None,
            pan: (0.5, 0.5),
        },
        date: Some(("%Y-%m-%d".to_owned(), Corner::LowerRight)),
        coder: Coder::BuiltIn,
        quality: Quality::Good,
        frame_quality: 90,
        jobs: 2,
        out: out.to_owned(),
        again: false,
    }
}

pub(super) fn film(request: &LapseRequest, folder: &Path) -> Result<Made, LapseError> {
    let material = Folder::new(folder.to_owned(), TimeZone::UTC);
    let plan = plan(request, &material)?;
    make(request, plan, &material, &|| false, &|_| {})
}

/// What ffprobe says of a file; none where there is no ffprobe.
pub(super) fn probe(path: &Path) -> Option<serde_json::Value> {
    let arguments = [
        "-v",
        "error",
        "-count_frames",
        "-show_streams",
        "-of",
        "json",
    ];
    let Ok(output) = Command::new("ffprobe").args(arguments).arg(path).output() else {
        assert_ne!(
            std::env::var("CI").as_deref(),
            Ok("true"),
            "ffprobe is missing"
        );
        println!("skipped: ffprobe is missing");
        return None;
    };
    let said = String::from_utf8_lossy(&output.stderr);
    assert!(output.status.success() && said.is_empty(), "{said}");
    let all: serde_json::Value = serde_json::from_slice(&output.stdout).unwrap();
    Some(all["streams"][0].clone())
}

#[test]
fn a_folder_becomes_a_film_whatever_else_lies_in_it() {
    let folder = tempfile::tempdir().unwrap();
    let stills = folder.path().join("cards");
    std::fs::create_dir_all(stills.join("more/.hidden")).unwrap();
    let year = yard(&stills, 5);
    let whole = draw(&year, BEGIN + 10 * HOUR);
    let other = Frame::filled(100, 100, [90, 128, 128]).to_jpeg(80).unwrap();
    for (name, bytes) in [
        ("yard_20260602_121000.jpg", &whole[..whole.len() / 2]),
        ("yard_20260602_121100.jpg", &b"no picture"[..]),
        ("yard_20260602_121200.jpg", &[]),
        ("yard_20260602_121300.jpg", &other),
        ("no time in the name.jpg", &whole),
        ("yard_19700101_000000.jpg", &whole),
        ("notes.txt", b"to be read"),
    ] {
        std::fs::write(stills.join("more").join(name), bytes).unwrap();
    }
    let out = folder.path().join("film");
    let request = request(&out, 15);
    let made = film(&request, &stills).unwrap();
    assert_eq!(made.plan.calendar.slots.len(), 15);
    assert_eq!(made.unreadable.len(), 3, "{:?}", made.unreadable);
    let reasons: Vec<_> = made.plan.passed_over.keys().copied().collect();
    assert_eq!(
        reasons,
        [
            "captured before 1990 or after 2100, by a clock that was not set",
            "empty",
            "no capture time in Exif or name"
        ]
    );
    // By the year's truth the third day is all fog, which is held, and the last one has a dirty lens: there
    // the film is over.
    let frames = made.shown.len();
    assert_eq!((frames, made.taken.len()), (12, 9));
    for taken in &made.taken {
        let truth = year.conditions(made.plan.candidates[taken.candidate].at);
        assert!(truth.fog < 0.3 && !truth.dirty, "{truth:?}");
    }
    for number in 1..=frames {
        let jpeg = std::fs::read(out.join(format!("frames/{number:06}.jpg"))).unwrap();
        assert_eq!(Frame::from_jpeg(&jpeg).unwrap().size(), SIZE);
    }
    let table = std::fs::read_to_string(out.join("frames/frames.csv")).unwrap();
    assert_eq!(table.lines().count(), frames + 1);
    let columns = table.lines().next().unwrap().split(',').count();
    assert!(
        table.lines().all(|line| line.split(',').count() == columns),
        "{table}"
    );
    let page = std::fs::read_to_string(out.join("report.html")).unwrap();
    let options = roxmltree::ParsingOptions {
        allow_dtd: true,
        ..Default::default()
    };
    let page = roxmltree::Document::parse_with_options(&page, options).unwrap();
    assert!(page.descendants().any(|node| node.has_tag_name("img")));
    if let Some(stream) = probe(&out.join("film.mp4")) {
        assert_eq!(stream["nb_read_frames"], frames.to_string());
        assert_eq!(stream["avg_frame_rate"], "25/1");
        assert_eq!(
            (&stream["width"], &stream["height"]),
            (&320.into(), &180.into())
        );
        assert_eq!(stream["pix_fmt"], "yuv420p");
        assert_eq!(stream["color_range"], "tv");
        for tag in ["color_space", "color_transfer", "color_primaries"] {
            assert_eq!(stream[tag], "bt709", "{tag}");
        }
    }
}

/// Stopped again and again, it goes on, and gives the same film as in one go.
#[test]
fn what_was_interrupted_goes_on() {
    let (folder, stills) = cards();
    yard(&stills, 4);
    let material = Folder::new(stills.clone(), TimeZone::UTC);
    let whole = request(&folder.path().join("whole"), 20);
    film(&whole, &stills).unwrap();
    let parts = request(&folder.path().join("parts"), 20);
    let mut stops = 0;
    for patience in (1..).map(|round| 6 * round) {
        let asked = AtomicUsize::new(0);
        let stop = || asked.fetch_add(1, Ordering::SeqCst) >= patience;
        let planned = plan(&parts, &material).unwrap();
        match make(&parts, planned, &material, &stop, &|_| {}) {
            Err(LapseError::Interrupted) => stops += 1,
            made => {
                made.unwrap();
                break;
            }
        }
    }
    assert!(stops > 2, "{stops}");
    for name in [
        "film.mp4",
        "frames/frames.csv",
        "choices.txt",
        "frames/000007.jpg",
    ] {
        let read = |request: &LapseRequest| std::fs::read(request.out.join(name)).unwrap();
        assert!(read(&whole) == read(&parts), "{name} differs");
    }
    // Other options are refused, unless it is said that they are meant.
    let mut other = parts.clone();
    other.missing = Missing::Skip;
    other.date = None;
    let refused = film(&other, &stills).unwrap_err();
    assert!(refused.to_string().contains("(date; missing)"), "{refused}");
    other.again = true;
    film(&other, &stills).unwrap();
}

#[test]
fn decisions_are_followed() {
    let (folder, stills) = cards();
    yard(&stills, 2);
    let mut request = request(&folder.path().join("first"), 4);
    request.align = None;
    let first = film(&request, &stills).unwrap();
    let name = |made: &Made, nth: usize| made.plan.candidates[made.taken[nth].candidate].name();
    let taken = name(&first, 1);
    let choices = std::fs::read_to_string(request.out.join("choices.txt")).unwrap();
    let line = choices
        .lines()
        .find(|line| line.contains(&format!("#drop {taken} ")))
        .unwrap();
    request
        .verdicts
        .add_text(line.trim_start_matches('#'))
        .unwrap();
    request.out = folder.path().join("second");
    let second = film(&request, &stills).unwrap();
    assert_ne!(name(&second, 1), taken);
    request.verdicts = Verdicts::default();
    request
        .verdicts
        .add(Verdict::Keep, "2026-06-01T13:00:00Z")
        .unwrap();
    request.out = folder.path().join("third");
    let third = film(&request, &stills).unwrap();
    assert!((0..4).any(|nth| name(&third, nth) == "yard_20260601_130000.JPG"));
    let bad = request
        .verdicts
        .add_text("keep a.jpg\n# a remark\ntake b.jpg")
        .unwrap_err();
    assert_eq!(bad.0, 3);
}

#[test]
fn what_can_not_be_done_is_said() {
    let (folder, stills) = cards();
    let fault = |request: &LapseRequest| film(request, &stills).unwrap_err().to_string();
    let mut request = request(&folder.path().join("film"), 10);
    assert!(
        fault(&request).contains("no frames there"),
        "{}",
        fault(&request)
    );
    std::fs::write(stills.join("20260601_120000.jpg"), b"nothing").unwrap();
    assert!(
        fault(&request).contains("no frame can be used: 1 can't be read (20260601_120000.jpg: "),
        "{}",
        fault(&request)
    );
    let year = Year::new(SIZE, BEGIN, 60, 3);
    std::fs::write(
        stills.join("20260601_120000.jpg"),
        draw(&year, BEGIN + 12 * HOUR),
    )
    .unwrap();
    // One frame is a film of one.
    request.taste.least = 0.0;
    request.again = true;
    let made = film(&request, &stills).unwrap();
    assert_eq!(made.shown.len(), 1);
    request.again = false;
    request.window = Window::SunAbove(10.0);
    assert!(
        fault(&request).contains("--latitude"),
        "{}",
        fault(&request)
    );
    request.window = Window::Clock(time(3, 0, 0, 0), time(4, 0, 0, 0));
    assert!(
        fault(&request).contains("none of the 1 frames is near"),
        "{}",
        fault(&request)
    );
    request.window = Window::Clock(time(9, 0, 0, 0), time(15, 0, 0, 0));
    request.date = Some(("%!".to_owned(), Corner::UpperLeft));
    assert!(fault(&request).contains("--date %!"), "{}", fault(&request));
    request.date = None;
    request.first = Some(jiff::civil::date(2028, 3, 1));
    assert!(
        fault(&request).contains("no frames there of the wanted days"),
        "{}",
        fault(&request)
    );
    request.first = None;
    request.out = stills.clone();
    assert!(
        fault(&request).contains("is not empty"),
        "{}",
        fault(&request)
    );
}

#[test]
fn stills_of_an_archive_are_found_by_their_names() {
    let folder = tempfile::tempdir().unwrap();
    let camera = Name::new("slipway").unwrap();
    let stills = Stills::new(Arc::new(RealDisk), folder.path(), &camera);
    assert!(!stills.any().unwrap());
    assert_eq!(stills.list(None, None).unwrap(), Listing::default());
    let jpeg = Frame::filled(64, 64, [90, 128, 128]).to_jpeg(80).unwrap();
    for (day, name) in [
        ("2026-05-04", "2026-05-04T073000.000Z.jpg"),
        ("2026-05-04", "2026-05-04T074000.000Z.jpg"),
        // Another one that was taken at the same time, and what is none.
        ("2026-05-04", "2026-05-04T074000.000Z-2.jpg"),
        ("2026-05-04", "2026-05-04T075000.000Z.mp4"),
        ("2026-05-04", "notes.jpg"),
        ("2026-05-05", "2026-05-05T073000.000Z.jpg"),
    ] {
        let day = folder.path().join("slipway/stills").join(day);
        std::fs::create_dir_all(&day).unwrap();
        std::fs::write(day.join(name), &jpeg).unwrap();
    }
    assert!(stills.any().unwrap());
    let all = stills.list(None, None).unwrap();
    let names: Vec<&str> = all.candidates.iter().map(|c| c.source.as_str()).collect();
    let first = "2026-05-04/2026-05-04T073000.000Z.jpg";
    let last = "2026-05-05/2026-05-05T073000.000Z.jpg";
    assert_eq!(
        names,
        [first, "2026-05-04/2026-05-04T074000.000Z-2.jpg", last]
    );
    assert_eq!(all.passed_over.len(), 1);
    let part = stills.list(None, Some(all.candidates[1].at)).unwrap();
    assert_eq!(part.candidates, all.candidates[..1]);
    let part = stills.list(Some(all.candidates[2].at), None).unwrap();
    assert_eq!(part.candidates, all.candidates[2..]);
    assert_eq!(stills.load(&all.candidates[0]).unwrap().size(), (64, 64));
    std::fs::remove_file(folder.path().join("slipway/stills").join(last)).unwrap();
    let gone = stills.load(&all.candidates[2]);
    assert!(matches!(gone, Err(LoadFault::Unusable(_))), "{gone:?}");
}

/// A store that stops answering after so many frames.
struct Failing {
    folder: Folder,
    left: AtomicUsize,
}

impl Material for Failing {
    fn list(&self, from: Option<Instant>, to: Option<Instant>) -> std::io::Result<Listing> {
        self.folder.list(from, to)
    }

    fn load(&self, candidate: &Candidate) -> Result<Frame, LoadFault> {
        let counted = |left: usize| left.checked_sub(1);
        match self
            .left
            .fetch_update(Ordering::SeqCst, Ordering::SeqCst, counted)
        {
            Ok(_) => self.folder.load(candidate),
            Err(_) => Err(LoadFault::Unreachable("no answer".to_owned())),
        }
    }

    fn place(&self) -> String {
        self.folder.place()
    }
}

/// What can't be had for a while is not what can't be used.
#[test]
fn an_outage_of_the_store_costs_no_frame() {
    let (folder, stills) = cards();
    yard(&stills, 2);
    let whole = request(&folder.path().join("whole"), 8);
    let untroubled = film(&whole, &stills).unwrap();
    let request = request(&folder.path().join("film"), 8);
    let material = Failing {
        folder: Folder::new(stills, TimeZone::UTC),
        left: AtomicUsize::new(0),
    };
    let mut outages = 0;
    let made = loop {
        let run = plan(&request, &material)
            .and_then(|plan| make(&request, plan, &material, &|| false, &|_| {}));
        match run {
            Err(LapseError::Unreached { .. }) => outages += 1,
            made => break made.unwrap(),
        }
        material.left.store(16 * outages, Ordering::SeqCst);
    };
    assert!(outages > 2, "{outages}");
    assert!(made.unreadable.is_empty(), "{:?}", made.unreadable);
    assert_eq!(made.taken, untroubled.taken);
}
