//! A camera's day (pure): what is recorded, what moved, stills along it, and what a click plays.

use std::fmt::Write as _;
use std::sync::Arc;

use jiff::ToSpan as _;
use jiff::civil::Date;

use super::times::{clock, share, zoned};
use crate::archive::findings::utc;
use crate::archive::ledger::{GapCause, Span};
use crate::config::Site;
use crate::coverage::{CameraSheet, Day, length, percent, plain, strips};
use crate::markup::escaped;
use crate::units::{CameraName, CaptureTime};

/// Height of the motion curve, in units of its own.
const HEIGHT: f64 = 60.0;
/// Gaps that are listed.
const LISTED_MAX: usize = 200;
/// What the form offers to play, in minutes.
const LENGTHS: [i64; 5] = [1, 5, 10, 30, 120];

/// All that the page tells.
#[derive(Debug)]
pub(super) struct DayView {
    pub(super) site: Arc<Site>,
    pub(super) camera: CameraName,
    /// The site's cameras.
    pub(super) others: Vec<CameraName>,
    pub(super) date: Date,
    /// From midnight to midnight.
    pub(super) whole: Span,
    pub(super) now: CaptureTime,
    pub(super) sheet: Option<CameraSheet>,
    /// The account can't be read.
    pub(super) unread: bool,
    /// The highest score of each part of the day.
    pub(super) motion: Vec<Option<f64>>,
    /// Capture times of stills.
    pub(super) shots: Vec<(CaptureTime, String)>,
    /// What is to be played.
    pub(super) at: Option<CaptureTime>,
    pub(super) minutes: i64,
}

impl DayView {
    fn day(&self) -> Option<&Day> {
        self.sheet
            .as_ref()?
            .days
            .iter()
            .find(|day| day.date == self.date)
    }

    fn base(&self) -> String {
        format!("/v1/cameras/{}", self.camera)
    }

    fn address(&self, at: CaptureTime) -> String {
        let time = clock(at, &self.site.time_zone);
        format!("?at={time}&amp;for={}#player", self.minutes)
    }
}

/// Writes the page.
pub(super) fn write(view: &DayView) -> String {
    let title = format!("{}, {}", view.camera, view.date);
    let mut page = super::begin(&title);
    writeln!(
        page,
        "<header><p><a href=\"/\">How it is now</a></p>\n<h1>{}, {}</h1></header>",
        view.camera,
        view.date.strftime("%A %-d %B %Y")
    )
    .ok();
    ways(&mut page, view);
    page.push_str("<main>\n");
    figures(&mut page, view);
    timeline(&mut page, view);
    chooser(&mut page, view);
    if let Some(at) = view.at {
        player(&mut page, view, at);
    }
    shots(&mut page, view);
    gaps(&mut page, view);
    page.push_str("</main>\n");
    super::end(&mut page);
    page
}

/// To the days beside it, and to the site's other cameras.
fn ways(page: &mut String, view: &DayView) {
    let link = |page: &mut String, camera: &CameraName, date: Date, text: &str| {
        write!(page, "<a href=\"/day/{camera}/{date}\">{text}</a> ").ok();
    };
    page.push_str("<nav aria-label=\"Other days and cameras\"><p class=\"ways\">");
    if let Ok(before) = view.date.checked_sub(1.day()) {
        link(page, &view.camera, before, "The day before");
    }
    let today = zoned(view.now, &view.site.time_zone).date();
    if let Some(after) = view.date.tomorrow().ok().filter(|after| *after <= today) {
        link(page, &view.camera, after, "The day after");
    }
    for other in view.others.iter().filter(|other| **other != view.camera) {
        link(page, other, view.date, other.as_str());
    }
    page.push_str("</p></nav>\n");
}

fn figures(page: &mut String, view: &DayView) {
    let text = match (view.day(), view.unread) {
        (_, true) => "The account of what is recorded can’t be read now; the relay’s log says why.".to_owned(),
        (None, _) => "There is no account of this day: the camera was not configured, or it is not settled yet.".to_owned(),
        (Some(day), _) => {
            let missing = match day.figures.missing_nanos() {
                0 => "nothing is missing".to_owned(),
                nanos => format!("{} is missing", length(nanos)),
            };
            let share = percent(&day.figures).map_or_else(
                || "Nothing was wanted".to_owned(),
                |share| format!("{share} % of what was wanted is recorded"),
            );
            format!("{share}; {missing}.")
        }
    };
    writeln!(page, "<p class=\"answer\">{}</p>", escaped(&text)).ok();
}

fn timeline(page: &mut String, view: &DayView) {
    page.push_str(strips::DEFINITIONS);
    let zone = &view.site.time_zone;
    writeln!(
        page,
        "<div class=\"timeline\" data-begin=\"{}\" data-end=\"{}\" data-zone=\"{}\" data-minutes=\"{}\">",
        view.whole.begin.unix_nanos() / 1_000_000,
        view.whole.end.unix_nanos() / 1_000_000,
        escaped(&view.site.time_zone_name),
        view.minutes
    )
    .ok();
    if let Some(day) = view.day() {
        let label = format!("What is recorded of {} on {}", view.camera, view.date);
        page.push_str(&strips::day(day, zone, &label));
        page.push_str(&strips::axis(day));
    }
    motion(page, view);
    if let Some(at) = view.at {
        let left = share(view.whole, at) * 100.0;
        writeln!(
            page,
            "<svg class=\"here\" aria-hidden=\"true\"><line x1=\"{left:.2}%\" x2=\"{left:.2}%\" y1=\"0\" y2=\"100%\"/></svg>"
        )
        .ok();
    }
    page.push_str("</div>\n");
    hours(page, view);
}

fn motion(page: &mut String, view: &DayView) {
    if view.motion.iter().all(Option::is_none) {
        page.push_str("<p class=\"soft\">No motion was scored on this day.</p>\n");
        return;
    }
    let columns = view.motion.len();
    writeln!(
        page,
        "<svg class=\"motion\" role=\"img\" viewBox=\"0 0 {columns} {HEIGHT}\" preserveAspectRatio=\"none\">\
         <title>Motion over the day, highest score of each two minutes</title>\
         <path d=\"{}\"/></svg>",
        outline(&view.motion)
    )
    .ok();
}

/// A bar for each column that has a score.
fn outline(scores: &[Option<f64>]) -> String {
    let mut path = String::new();
    for (x, score) in scores.iter().enumerate() {
        if let Some(score) = score {
            let y = HEIGHT * (1.0 - score.clamp(0.0, 1.0));
            write!(path, "M{x} {HEIGHT}V{y:.1}h1V{HEIGHT}z").ok();
        }
    }
    path
}

/// For those who can't click into a strip: each hour that has been.
fn hours(page: &mut String, view: &DayView) {
    page.push_str("<nav aria-label=\"Play an hour\"><p class=\"hours\">");
    let hour = 3_600_000_000_000;
    let mut at = view.whole.begin;
    while at < view.whole.end.min(view.now) {
        let text = zoned(at, &view.site.time_zone).strftime("%H").to_string();
        let here = view.at.is_some_and(|chosen| {
            (at.unix_nanos()..at.unix_nanos() + hour).contains(&chosen.unix_nanos())
        });
        let current = if here { " aria-current=\"true\"" } else { "" };
        write!(
            page,
            "<a href=\"{}\" aria-label=\"Play from {text}:00\"{current}>{text}</a> ",
            view.address(at)
        )
        .ok();
        at = CaptureTime::from_unix_nanos(at.unix_nanos().saturating_add(hour));
    }
    page.push_str("</p></nav>\n");
}

fn chooser(page: &mut String, view: &DayView) {
    let at = view
        .at
        .map_or_else(String::new, |at| clock(at, &view.site.time_zone));
    writeln!(
        page,
        "<form method=\"get\" action=\"#player\" class=\"chooser\">\n<label>Play from \
         <input type=\"time\" name=\"at\" step=\"1\" required=\"required\" value=\"{at}\"/></label>\n\
         <label>for <select name=\"for\">"
    )
    .ok();
    for minutes in LENGTHS {
        let chosen = if minutes == view.minutes {
            " selected=\"selected\""
        } else {
            ""
        };
        writeln!(
            page,
            "<option value=\"{minutes}\"{chosen}>{minutes} min</option>"
        )
        .ok();
    }
    page.push_str("</select></label>\n<button type=\"submit\">Play</button>\n</form>\n");
}

fn player(page: &mut String, view: &DayView, at: CaptureTime) {
    let zone = &view.site.time_zone;
    let nanos = view.minutes.saturating_mul(60_000_000_000);
    let end = CaptureTime::from_unix_nanos(at.unix_nanos().saturating_add(nanos)).min(view.now);
    page.push_str("<section id=\"player\" aria-label=\"Footage\">\n");
    let window = Span { begin: at, end };
    if let Some(why) = nothing_there(view, window) {
        writeln!(
            page,
            "<p class=\"empty\">Nothing is recorded from {} to {}: {why}.</p>\n</section>",
            clock(window.begin, zone),
            clock(window.end, zone),
        )
        .ok();
        return;
    }
    let address = format!(
        "{}/footage.mp4?from={}&amp;to={}",
        view.base(),
        utc(at),
        utc(end)
    );
    writeln!(
        page,
        "<video controls=\"controls\" autoplay=\"autoplay\" muted=\"muted\" playsinline=\"playsinline\" preload=\"auto\" data-from=\"{}\" src=\"{address}\"></video>\n\
         <p class=\"age\">{} from <output id=\"true-time\">{}</output> {}. Where footage is missing the picture stands still and time goes on.</p>",
        at.unix_nanos() / 1_000_000,
        view.camera,
        clock(at, zone),
        escaped(&view.site.time_zone_name)
    )
    .ok();
    let step = |nanos: i64| {
        let time = CaptureTime::from_unix_nanos(at.unix_nanos().saturating_add(nanos));
        let within = time >= view.whole.begin && time < view.whole.end.min(view.now);
        within.then_some(time)
    };
    page.push_str("<p class=\"ways\">");
    if let Some(time) = step(-nanos) {
        write!(
            page,
            "<a href=\"{}\">{} min earlier</a> ",
            view.address(time),
            view.minutes
        )
        .ok();
    }
    if let Some(time) = step(nanos) {
        write!(
            page,
            "<a href=\"{}\">{} min later</a> ",
            view.address(time),
            view.minutes
        )
        .ok();
    }
    writeln!(
        page,
        "<a href=\"{address}\" download=\"download\">This as a file</a></p>\n</section>"
    )
    .ok();
}

/// Why nothing of a stretch can be played, where that is so.
fn nothing_there(view: &DayView, window: Span) -> Option<&'static str> {
    if view.unread {
        return None;
    }
    let Some(day) = view.day() else {
        return Some("there is no account of it");
    };
    let meets = |span: &Span| span.begin < window.end && window.begin < span.end;
    if day.recorded.iter().any(meets) {
        return None;
    }
    let gap = day.gaps.iter().find(|gap| meets(&gap.span));
    Some(match gap {
        Some(gap) => gap.cause.as_str(),
        None if window.end > day.covered.end => "it is not finished yet, or not settled",
        None => "the camera was not configured then",
    })
}

fn shots(page: &mut String, view: &DayView) {
    if view.shots.is_empty() {
        return;
    }
    let zone = &view.site.time_zone;
    page.push_str("<section aria-label=\"Stills\">\n<h2>Stills along the day</h2>\n<ol class=\"shots\" tabindex=\"0\">\n");
    for (at, name) in &view.shots {
        let time = clock(*at, zone);
        writeln!(
            page,
            "<li><a href=\"{}\"><img loading=\"lazy\" width=\"192\" height=\"108\" src=\"{}/stills/{}\" alt=\"Still of {time}; play from there\"/>\
             <span>{time}</span></a></li>",
            view.address(*at),
            view.base(),
            escaped(name)
        )
        .ok();
    }
    page.push_str("</ol>\n</section>\n");
}

fn gaps(page: &mut String, view: &DayView) {
    let Some(day) = view.day() else { return };
    let missing: Vec<_> = day
        .gaps
        .iter()
        .filter(|gap| gap.cause != GapCause::Planned)
        .collect();
    if missing.is_empty() {
        return;
    }
    let zone = &view.site.time_zone;
    page.push_str(
        "<section aria-label=\"Gaps\">\n<h2>What is missing</h2>\n<div class=\"scroll\" tabindex=\"0\"><table>\n<thead><tr>\
         <th scope=\"col\">From</th><th scope=\"col\">To</th><th scope=\"col\" class=\"n\">Length</th>\
         <th scope=\"col\">Cause</th><th scope=\"col\">What was seen</th></tr></thead>\n<tbody>\n",
    );
    for gap in missing.iter().take(LISTED_MAX) {
        let nanos = gap
            .span
            .end
            .unix_nanos()
            .saturating_sub(gap.span.begin.unix_nanos());
        let to = if gap.lasts {
            "has not ended".to_owned()
        } else {
            clock(gap.span.end, zone)
        };
        writeln!(
            page,
            "<tr><td>{}</td><td>{to}</td><td class=\"n\">{}</td><td>{}</td><td>{}</td></tr>",
            clock(gap.span.begin, zone),
            length(u64::try_from(nanos).unwrap_or_default()),
            gap.cause.as_str(),
            escaped(&plain(&gap.detail))
        )
        .ok();
    }
    page.push_str("</tbody>\n</table></div>\n");
    if missing.len() > LISTED_MAX {
        writeln!(
            page,
            "<p class=\"soft\">And {} more.</p>",
            missing.len() - LISTED_MAX
        )
        .ok();
    }
    page.push_str("</section>\n");
}
