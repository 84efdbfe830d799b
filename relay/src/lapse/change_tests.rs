//! Films whose material or choice has changed since they were begun, and decisions that are made on them.

use std::collections::BTreeMap;
use std::sync::atomic::{AtomicUsize, Ordering};

use forebay_darkroom::calendar::{Pace, Window};
use forebay_darkroom::choose::Verdict;
use forebay_darkroom::region::Regions;
use forebay_site::year::Year;
use jiff::civil::{date, time};
use jiff::tz::TimeZone;

use super::source::tests::with_exif;
use super::source::{Folder, Listing};
use super::tests::{BEGIN, HOUR, SIZE, cards, draw, film, request, yard};
use super::*;

/// All that a film's folder has for its user, by name.
fn made_of(request: &LapseRequest) -> BTreeMap<String, Vec<u8>> {
    let mut all = BTreeMap::new();
    for folder in ["", "frames"] {
        for entry in std::fs::read_dir(request.out.join(folder)).unwrap() {
            let entry = entry.unwrap();
            if entry.file_type().unwrap().is_file() {
                let name = format!("{folder}/{}", entry.file_name().to_str().unwrap());
                all.insert(name, std::fs::read(entry.path()).unwrap());
            }
        }
    }
    all
}

fn assert_alike(one: &LapseRequest, other: &LapseRequest) {
    let (one, other) = (made_of(one), made_of(other));
    let names = |all: &BTreeMap<String, Vec<u8>>| all.keys().cloned().collect::<Vec<_>>();
    assert_eq!(names(&one), names(&other));
    for (name, bytes) in &one {
        assert!(bytes == &other[name], "{name} differs");
    }
}

/// A film of three days is made again when there are four, and again when there are two: it is what it
/// would have been from the start, with nothing left of what it was.
#[test]
fn what_was_made_of_another_choice_is_made_anew() {
    let (folder, stills) = cards();
    let year = yard(&stills, 3);
    let mut own = request(&folder.path().join("own"), 0);
    own.pace = Pace::Every(HOUR / 2);
    own.regions = Regions::parse(
        "[[region]]\nuse = 'apart'\npoints = [[0.0, 0.0], [1.0, 0.0], [1.0, 0.3], [0.0, 0.3]]",
    )
    .unwrap();
    let three = film(&own, &stills).unwrap();
    yard(&stills, 4);
    let four = film(&own, &stills).unwrap();
    assert!(four.shown.len() > three.shown.len());
    let mut fresh = own.clone();
    fresh.out = folder.path().join("four");
    film(&fresh, &stills).unwrap();
    assert_alike(&own, &fresh);

    for entry in std::fs::read_dir(&stills).unwrap() {
        let path = entry.unwrap().path();
        let day = path.file_name().unwrap().to_str().unwrap()[5..13].to_owned();
        // Of the first day each other one is another picture under the same name, too.
        if *day > *"20260602" {
            std::fs::remove_file(path).unwrap();
        } else if *day == *"20260601" && path.to_str().unwrap().contains("3000") {
            let other = draw(&year, BEGIN + 12 * HOUR + 7);
            std::fs::write(path, other).unwrap();
        }
    }
    let two = film(&own, &stills).unwrap();
    assert!(two.shown.len() < three.shown.len());
    fresh.out = folder.path().join("two");
    film(&fresh, &stills).unwrap();
    assert_alike(&own, &fresh);

    // What a power cut leaves: a name with nothing behind it; and a film of key frames in other parameters,
    // of which there are none any more.
    std::fs::write(own.out.join("frames/000003.jpg"), b"").unwrap();
    std::fs::write(own.out.join("intra-3.mp4"), b"old").unwrap();
    film(&own, &stills).unwrap();
    assert_alike(&own, &fresh);
}

/// Decisions stay in the file that they were made in, also where the film is interrupted or made again.
#[test]
fn decisions_are_kept() {
    let (folder, stills) = cards();
    yard(&stills, 2);
    let mut own = request(&folder.path().join("film"), 4);
    own.align = None;
    let first = film(&own, &stills).unwrap();
    let file = own.out.join("choices.txt");
    let taken = first.plan.candidates[first.taken[1].candidate].name();
    let text = std::fs::read_to_string(&file).unwrap();
    let edited = text.replace(&format!("#drop {taken}"), &format!("drop {taken}"));
    assert_ne!(edited, text);
    std::fs::write(&file, &edited).unwrap();

    // As the command has it: `--choices film/choices.txt --again`.
    own.verdicts.add_text(&edited).unwrap();
    own.verdicts
        .add(Verdict::Keep, "2026-06-02T14:30:00Z")
        .unwrap();
    own.again = true;
    let material = Folder::new(stills.clone(), TimeZone::UTC);
    let planned = plan(&own, &material).unwrap();
    let asked = AtomicUsize::new(0);
    let stop = || asked.fetch_add(1, Ordering::SeqCst) > 3;
    let cut = make(&own, planned, &material, &stop, &|_| {});
    assert!(matches!(cut, Err(LapseError::Interrupted)), "{cut:?}");
    assert_eq!(std::fs::read_to_string(&file).unwrap(), edited);
    let second = film(&own, &stills).unwrap();
    let name = |taken: &Taken| second.plan.candidates[taken.candidate].name();
    assert!(second.taken.iter().all(|one| name(one) != taken));

    // What was decided is still decided, and in force it is the same film.
    let mut again = Verdicts::default();
    again
        .add_text(&std::fs::read_to_string(&file).unwrap())
        .unwrap();
    assert_eq!(again, own.verdicts);
    own.again = false;
    film(&own, &stills).unwrap();
}

/// Whoever wants a frame gets it, however many are nearer; and hears of a name that is none.
#[test]
fn what_is_kept_is_looked_at_and_what_is_not_there_is_told() {
    let (folder, stills) = cards();
    yard(&stills, 2);
    let mut own = request(&folder.path().join("film"), 2);
    own.align = None;
    own.consider = 1;
    let kept = "yard_20260601_100000.JPG";
    for (verdict, what) in [
        (Verdict::Keep, kept),
        (Verdict::Keep, "yard_20260601_100001.JPG"),
        (Verdict::Drop, "2026-06-01T10:00:02Z"),
        (Verdict::Drop, "yard_20260602_090000.JPG"),
    ] {
        own.verdicts.add(verdict, what).unwrap();
    }
    let made = film(&own, &stills).unwrap();
    assert_eq!(
        made.plan.unheeded,
        ["yard_20260601_100001.JPG", "2026-06-01T10:00:02Z"]
    );
    let names = made.taken.iter();
    let mut names = names.map(|taken| made.plan.candidates[taken.candidate].name());
    assert!(names.any(|name| name == kept));
}

/// Exif's orientation 3: the camera hung upside down.
#[test]
fn a_picture_that_lies_upside_down_is_turned() {
    let (_folder, stills) = cards();
    let year = yard(&stills, 1);
    let jpeg = draw(&year, BEGIN + 12 * HOUR);
    let upright = Frame::from_jpeg(&jpeg).unwrap();
    let turned = upright.clone().upright(3).to_jpeg(95).unwrap();
    let path = stills.join("yard_20260601_121000.JPG");
    let oriented = with_exif(&turned, &[(0x9003, "2026:06:01 12:10:00")]);
    let marked = oriented_exif(&oriented, 3);
    std::fs::write(&path, marked).unwrap();
    let material = Folder::new(stills, TimeZone::UTC);
    let all = material.list(None, None).unwrap();
    let own = all
        .candidates
        .iter()
        .find(|one| one.source == "yard_20260601_121000.JPG");
    let own = own.unwrap();
    assert_eq!(own.at, BEGIN + 12 * HOUR + HOUR / 6);
    let found = material.load(own).unwrap();
    let apart: u64 = found
        .luma()
        .samples
        .iter()
        .zip(&upright.luma().samples)
        .map(|(a, b)| u64::from(a.abs_diff(*b)))
        .sum();
    let mean = apart as f64 / found.luma().samples.len() as f64;
    assert!(mean < 4.0, "{mean}");
}

/// Adds the tag 0x0112 to the first folder of the TIFF that `with_exif` writes, which has one entry.
fn oriented_exif(jpeg: &[u8], orientation: u8) -> Vec<u8> {
    const TIFF: usize = 12;
    let mut out = jpeg.to_vec();
    let length = u16::from_be_bytes([out[4], out[5]]) + 12;
    out[4..6].copy_from_slice(&length.to_be_bytes());
    out[TIFF + 8] = 2;
    let entry = [0x12, 0x01, 3, 0, 1, 0, 0, 0, orientation, 0, 0, 0];
    // What stands behind it moves by as much: the folder of Exif, and the texts that it points to.
    out.splice(TIFF + 10..TIFF + 10, entry);
    let shift = |at: usize, out: &mut Vec<u8>| {
        let bytes: [u8; 4] = out[at..at + 4].try_into().unwrap();
        let moved = (u32::from_le_bytes(bytes) + 12).to_le_bytes();
        out[at..at + 4].copy_from_slice(&moved);
    };
    shift(TIFF + 10 + 12 + 8, &mut out);
    let folder = TIFF + 0x1a + 12;
    let count = usize::from(out[folder]);
    for nth in 0..count {
        shift(folder + 2 + 12 * nth + 8, &mut out);
    }
    out
}

/// A disk that fails once for each frame, as one does whose file can't be read this time.
struct Shaky {
    folder: Folder,
    fails: AtomicUsize,
}

impl Material for Shaky {
    fn list(&self, from: Option<Instant>, to: Option<Instant>) -> std::io::Result<Listing> {
        self.folder.list(from, to)
    }

    fn load(&self, candidate: &Candidate) -> Result<Frame, LoadFault> {
        match self.fails.load(Ordering::SeqCst) {
            0 => self.folder.load(candidate),
            _ => Err(LoadFault::Unread("Input/output error".to_owned())),
        }
    }

    fn place(&self) -> String {
        self.folder.place()
    }
}

#[test]
fn what_could_not_be_read_once_is_tried_again() {
    let (folder, stills) = cards();
    yard(&stills, 2);
    let whole = request(&folder.path().join("whole"), 8);
    film(&whole, &stills).unwrap();
    let own = request(&folder.path().join("film"), 8);
    let material = Shaky {
        folder: Folder::new(stills.clone(), TimeZone::UTC),
        fails: AtomicUsize::new(1),
    };
    let planned = plan(&own, &material).unwrap();
    let none = make(&own, planned, &material, &|| false, &|_| {});
    let said = none.unwrap_err().to_string();
    assert!(
        said.starts_with("no frame can be used: ") && said.contains(".JPG: Input/output error)"),
        "{said}"
    );
    material.fails.store(0, Ordering::SeqCst);
    let planned = plan(&own, &material).unwrap();
    let made = make(&own, planned, &material, &|| false, &|_| {}).unwrap();
    assert!(made.unreadable.is_empty());
    assert_alike(&own, &whole);
}

/// A camera that gives larger pictures from some day on: once these are the most, all is measured in theirs.
#[test]
fn what_was_measured_in_another_size_is_measured_anew() {
    let (folder, stills) = cards();
    yard(&stills, 2);
    let mut own = request(&folder.path().join("own"), 0);
    own.pace = Pace::Every(HOUR / 2);
    film(&own, &stills).unwrap();
    let larger = Year::new((2 * SIZE.0, 2 * SIZE.1), BEGIN, 60, 3);
    for nth in 0..40 {
        let at = BEGIN + (3 + nth / 13) * 24 * HOUR + 9 * HOUR + nth % 13 * HOUR / 2;
        let stamp = Timestamp::from_nanosecond(at.into()).unwrap();
        let name = stamp.strftime("yard_%Y%m%d_%H%M%S.JPG").to_string();
        std::fs::write(stills.join(name), draw(&larger, at)).unwrap();
    }
    let made = film(&own, &stills).unwrap();
    assert_eq!(made.size, (2 * SIZE.0, 2 * SIZE.1));
    let mut fresh = own.clone();
    fresh.out = folder.path().join("fresh");
    film(&fresh, &stills).unwrap();
    assert_alike(&own, &fresh);
}

/// Decisions that were written into the file and not handed over are still there after a run without them.
#[test]
fn decisions_wait_until_they_are_handed_over() {
    let (folder, stills) = cards();
    yard(&stills, 2);
    std::fs::rename(
        stills.join("yard_20260601_120000.JPG"),
        stills.join("yard #7 20260601_120000.JPG"),
    )
    .unwrap();
    let mut own = request(&folder.path().join("film"), 4);
    own.align = None;
    let first = film(&own, &stills).unwrap();
    assert_eq!(first.waiting, 0);
    let file = own.out.join("choices.txt");
    let decide = |what: &str| {
        let text = std::fs::read_to_string(&file).unwrap() + what;
        std::fs::write(&file, text).unwrap();
    };
    decide("keep \"yard #7 20260601_120000.JPG\"\ndrop 2026-06-02T12:00:00Z # a crane\n");
    for _ in 0..2 {
        let made = film(&own, &stills).unwrap();
        assert_eq!(made.waiting, 2);
    }
    let text = std::fs::read_to_string(&file).unwrap();
    own.verdicts.add_text(&text).unwrap();
    own.again = true;
    let made = film(&own, &stills).unwrap();
    assert_eq!((made.waiting, made.plan.unheeded.len()), (0, 0));
    let names = made.taken.iter();
    let mut names = names.map(|taken| made.plan.candidates[taken.candidate].name());
    assert!(names.any(|name| name == "yard #7 20260601_120000.JPG"));

    // What can't be understood is not thrown away.
    own.again = false;
    decide("kepe yard.jpg\n");
    film(&own, &stills).unwrap();
    let old = std::fs::read_to_string(own.out.join("choices.txt.old")).unwrap();
    assert!(old.ends_with("kepe yard.jpg\n"));
}

/// Where frames can't be laid upon the others, what is hidden may be elsewhere: that is told, and shown.
#[test]
fn what_may_be_seen_though_it_was_to_be_hidden_is_told() {
    let (folder, stills) = cards();
    yard(&stills, 2);
    let mut own = request(&folder.path().join("film"), 12);
    // Nothing is to be seen on two of them: fog, or a wall where the camera was turned to.
    for half in ["110000", "123000"] {
        let name = format!("yard_20260602_{half}.JPG");
        let grey = Frame::filled(SIZE.0, SIZE.1, [140, 128, 128])
            .to_jpeg(90)
            .unwrap();
        std::fs::write(stills.join(&name), grey).unwrap();
        own.verdicts.add(Verdict::Keep, &name).unwrap();
    }
    let plain = film(&own, &stills).unwrap();
    assert_eq!(plain.doubt(), None);
    own.regions = Regions::parse(
        "[[region]]\nuse = 'fill'\npoints = [[0.0, 0.5], [0.2, 0.5], [0.2, 1.0], [0.0, 1.0]]",
    )
    .unwrap();
    own.again = true;
    let made = film(&own, &stills).unwrap();
    let lost = made
        .poses
        .iter()
        .filter(|pose| pose.correlation == 0.0)
        .count();
    assert_eq!(lost, 2);
    let doubt = made.doubt().unwrap();
    assert!(
        doubt.starts_with(&format!("{lost} frames could not be laid")),
        "{doubt}"
    );
    let report = std::fs::read_to_string(own.out.join("report.html")).unwrap();
    assert!(report.contains(&doubt));
    for (first, _) in made.unlaid {
        let number = made.shown.iter().position(|shown| shown.first() == first);
        assert!(report.contains(&format!("alt=\"frame {}\"", number.unwrap() + 1)));
    }
    assert_eq!(
        unlaid(&made.poses)
            .iter()
            .map(|(_, count)| count)
            .sum::<usize>(),
        lost
    );
}

/// Hours over midnight: a frame of half past twelve is that of the night before.
#[test]
fn a_night_without_a_frame_is_the_one_that_is_told() {
    let (folder, stills) = cards();
    let year = Year::new(SIZE, BEGIN, 60, 3);
    for date in ["20260602", "20260603", "20260605"] {
        let picture = draw(&year, BEGIN + 12 * HOUR);
        std::fs::write(stills.join(format!("yard_{date}_003000.jpg")), picture).unwrap();
    }
    let mut own = request(&folder.path().join("film"), 5);
    own.window = Window::Clock(time(20, 0, 0, 0), time(4, 0, 0, 0));
    (own.first, own.last) = (Some(date(2026, 6, 1)), Some(date(2026, 6, 5)));
    own.taste.least = 0.0;
    let made = film(&own, &stills).unwrap();
    assert_eq!(made.taken.len(), 3);
    let missing = [date(2026, 6, 3), date(2026, 6, 5)];
    assert_eq!(made.missing_days, missing);
    assert_eq!(made.plan.missing_days, missing);
}

/// Hours for which there is nothing are told by what there is.
#[test]
fn when_frames_are_there_is_told_where_places_are_empty() {
    let (folder, stills) = cards();
    yard(&stills, 2);
    let mut own = request(&folder.path().join("film"), 0);
    own.pace = Pace::Every(HOUR);
    let material = Folder::new(stills.clone(), TimeZone::UTC);
    assert_eq!(plan(&own, &material).unwrap().usual_hours, None);
    own.window = Window::Clock(time(0, 0, 0, 0), time(0, 0, 0, 0));
    let planned = plan(&own, &material).unwrap();
    let hours = (time(9, 0, 0, 0), time(15, 0, 0, 0));
    assert_eq!(planned.usual_hours, Some(hours));
}

/// One picture of a clock that was not set makes days and years of a film, and is named.
#[test]
fn a_frame_that_is_years_off_is_named() {
    let (folder, stills) = cards();
    let year = yard(&stills, 2);
    let reset = "yard_20000101_120000.JPG";
    std::fs::write(stills.join(reset), draw(&year, BEGIN + 12 * HOUR)).unwrap();
    let mut own = request(&folder.path().join("film"), 8);
    let material = Folder::new(stills.clone(), TimeZone::UTC);
    let said = plan(&own, &material).unwrap().astray.unwrap();
    assert!(
        said.contains(reset) && said.contains("--from 2026-06-01"),
        "{said}"
    );
    own.pace = Pace::Every(HOUR / 60);
    let fault = plan(&own, &material).unwrap_err().to_string();
    assert!(
        fault.contains("a film has 1 to") && fault.ends_with(&said),
        "{fault}"
    );
    own.first = Some(date(2026, 6, 1));
    assert_eq!(plan(&own, &material).unwrap().astray, None);
    own.first = None;
    own.pace = Pace::Frames(8);
    let ahead = "yard_20300101_120000.JPG";
    std::fs::rename(stills.join(reset), stills.join(ahead)).unwrap();
    let said = plan(&own, &material).unwrap().astray.unwrap();
    assert!(
        said.contains(ahead) && said.contains("--to 2026-06-02"),
        "{said}"
    );
}
