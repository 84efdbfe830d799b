//! One JSON object, for scripts.
//!
//! Names of fields and their meaning stay; new fields may come. [`VERSION`] changes when one goes
//! or means something else. Seconds are exact to the nanosecond, times are RFC 3339 in UTC.

use serde::Serialize;

use super::days::{CameraSheet, Day, Figures, Sheet, SiteSheet, length_nanos, timestamp};
use super::stills::{StillDays, Stills};
use super::words::plain;
use crate::archive::ledger::{Gap, GapCause, Span};
use crate::units::CaptureTime;

/// Of the object's shape.
pub const VERSION: u32 = 1;

/// The whole object.
#[derive(Debug, Serialize)]
struct Document {
    /// `forebay-coverage`
    format: &'static str,
    /// [`VERSION`]
    version: u32,
    /// When it was made.
    made: String,
    /// Over all cameras.
    totals: Totals,
    sites: Vec<Site>,
}

#[derive(Debug, Serialize)]
struct Site {
    site: String,
    /// The zone whose midnights part the days, by its name in the IANA database.
    time_zone: String,
    /// The window asked for, `begin` included, `end` not.
    begin: String,
    end: String,
    /// Over the site's cameras.
    totals: Totals,
    cameras: Vec<Camera>,
}

#[derive(Debug, Serialize)]
struct Camera {
    camera: String,
    /// Where the account begins; null where the window holds none.
    account_begin: Option<String>,
    /// Until when the account is settled: what comes later may still become recorded or a gap.
    settled_until: String,
    /// Whether a gap, not planned, has not ended.
    lasting_gap: bool,
    totals: Totals,
    days: Vec<CivilDay>,
    /// Stills of the window; null where none was wanted.
    stills: Option<CameraStills>,
    /// Every gap, whole, in order; cause `planned` means that nothing was wanted.
    gaps: Vec<WholeGap>,
}

#[derive(Debug, Serialize)]
struct CameraStills {
    totals: StillCounts,
    /// Those that have any.
    days: Vec<StillDay>,
}

#[derive(Debug, Serialize)]
struct StillDay {
    /// In the site's zone.
    date: String,
    #[serde(flatten)]
    counts: StillCounts,
}

#[derive(Debug, Serialize)]
struct StillCounts {
    /// Taken and missed.
    wanted: u64,
    taken: u64,
    /// Of those taken.
    late: u64,
    missed: u64,
}

#[derive(Debug, Serialize)]
struct CivilDay {
    /// In the site's zone.
    date: String,
    /// Its midnights.
    begin: String,
    end: String,
    /// 82 800, 86 400 or 90 000 in most zones.
    day_seconds: f64,
    /// A gap that crosses midnight counts on both days, and once in the totals.
    #[serde(flatten)]
    totals: Totals,
}

#[derive(Debug, Serialize)]
struct Totals {
    wanted_seconds: f64,
    recorded_seconds: f64,
    /// Recorded of wanted, not rounded; null where nothing was wanted.
    recorded_percent: Option<f64>,
    /// Of the recorded: only key frames are left, or nothing, by the rules of how long it is kept.
    thinned_seconds: f64,
    expired_seconds: f64,
    missing_seconds: f64,
    /// Without the planned ones.
    gap_count: u64,
    longest_gap_seconds: f64,
    missing_seconds_by_cause: ByCause,
    /// Not wanted: no part of the wanted or missing seconds.
    planned_seconds: f64,
}

#[derive(Debug, Default, Serialize)]
struct ByCause {
    uplink: f64,
    camera: f64,
    loss: f64,
    relay: f64,
    sink: f64,
    storage: f64,
}

#[derive(Debug, Serialize)]
struct WholeGap {
    begin: String,
    end: String,
    seconds: f64,
    /// One of [`GapCause`], as text.
    cause: &'static str,
    /// What was seen; may be empty.
    detail: String,
    /// Whether it has not ended; `end` is then where the account ends.
    lasts: bool,
}

/// Writes the object, with a line feed at the end.
///
/// # Errors
/// None that occur: the object holds nothing that JSON can't tell.
pub fn write(sheet: &Sheet) -> Result<String, serde_json::Error> {
    let document = Document {
        format: "forebay-coverage",
        version: VERSION,
        made: time(sheet.made),
        totals: totals(&sheet.totals),
        sites: sheet.sites.iter().map(site).collect(),
    };
    let mut text = serde_json::to_string_pretty(&document)?;
    text.push('\n');
    Ok(text)
}

fn site(sheet: &SiteSheet) -> Site {
    Site {
        site: sheet.site.to_string(),
        time_zone: sheet.time_zone_name.clone(),
        begin: time(sheet.asked.begin),
        end: time(sheet.asked.end),
        totals: totals(&sheet.totals),
        cameras: sheet.cameras.iter().map(camera).collect(),
    }
}

fn camera(sheet: &CameraSheet) -> Camera {
    Camera {
        camera: sheet.camera.to_string(),
        account_begin: sheet.account_begin.map(time),
        settled_until: time(sheet.settled_until),
        lasting_gap: sheet.lasting().next().is_some(),
        totals: totals(&sheet.totals),
        days: sheet.days.iter().map(day).collect(),
        stills: stills(&sheet.stills),
        gaps: sheet.gaps.iter().map(gap).collect(),
    }
}

fn stills(stills: &StillDays) -> Option<CameraStills> {
    let days = stills.days().map(|(date, stills)| StillDay {
        date: date.to_string(),
        counts: counts(stills),
    });
    (!stills.is_empty()).then(|| CameraStills {
        totals: counts(stills.totals()),
        days: days.collect(),
    })
}

fn counts(stills: Stills) -> StillCounts {
    StillCounts {
        wanted: stills.wanted(),
        taken: stills.taken,
        late: stills.late,
        missed: stills.missed,
    }
}

fn day(day: &Day) -> CivilDay {
    CivilDay {
        date: day.date.to_string(),
        begin: time(day.whole.begin),
        end: time(day.whole.end),
        day_seconds: span_seconds(day.whole),
        totals: totals(&day.figures),
    }
}

fn totals(figures: &Figures) -> Totals {
    let mut by_cause = ByCause::default();
    let mut planned_seconds = 0.0;
    for (cause, nanos) in figures.causes() {
        let place = match cause {
            GapCause::Uplink => &mut by_cause.uplink,
            GapCause::Camera => &mut by_cause.camera,
            GapCause::Loss => &mut by_cause.loss,
            GapCause::Relay => &mut by_cause.relay,
            GapCause::Sink => &mut by_cause.sink,
            GapCause::Storage => &mut by_cause.storage,
            GapCause::Planned => &mut planned_seconds,
        };
        *place = seconds(nanos);
    }
    Totals {
        wanted_seconds: seconds(figures.wanted_nanos),
        recorded_seconds: seconds(figures.recorded_nanos),
        recorded_percent: figures.percent(),
        thinned_seconds: seconds(figures.thinned_nanos),
        expired_seconds: seconds(figures.expired_nanos),
        missing_seconds: seconds(figures.missing_nanos()),
        gap_count: figures.gaps,
        longest_gap_seconds: seconds(figures.longest_nanos),
        missing_seconds_by_cause: by_cause,
        planned_seconds,
    }
}

fn gap(gap: &Gap) -> WholeGap {
    WholeGap {
        begin: time(gap.span.begin),
        end: time(gap.span.end),
        seconds: span_seconds(gap.span),
        cause: gap.cause.as_str(),
        detail: plain(&gap.detail),
        lasts: gap.lasts,
    }
}

fn time(time: CaptureTime) -> String {
    timestamp(time).to_string()
}

fn seconds(nanos: u64) -> f64 {
    nanos as f64 / 1e9
}

fn span_seconds(span: Span) -> f64 {
    seconds(length_nanos(span))
}
