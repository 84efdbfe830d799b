//! The page for people: is anything wrong, when was anything missed, show me.
//!
//! Plain HTML, written here, that can be read without script; `page.js` keeps it fresh and plays films in
//! place. Nothing comes from elsewhere, and its policy allows nothing else. `front` (pure) writes the
//! first page, `day` (pure) that of a camera's day; this gathers what they show.

mod day;
mod front;
mod times;

use std::fmt::Write as _;
use std::sync::Arc;

use axum::body::Body;
use axum::http::{Uri, header};
use axum::response::Response;
use jiff::civil::Date;

use self::day::DayView;
use self::front::{CameraView, FrontView, SiteView};
use self::times::{day_span, wanted_time};
use super::cameras::why_no_film;
use super::error::Problem;
use super::query::{Query, shown};
use super::range;
use super::roll::Spot;
use super::shop::Shop;
use super::stills;
use crate::archive::findings::{Phase, each};
use crate::archive::ledger::Span;
use crate::config::Site;
use crate::coverage::{AccountError, CameraSheet, Sheet, SiteAccounts, accounts, nothing};
use crate::markup::{BASE, escaped};
use crate::units::CaptureTime;

/// Days that the first page tells of, today among them.
const DAYS: i64 = 7;
/// What a click plays, in minutes.
const MINUTES: i64 = 10;
const MINUTES_MAX: i64 = 120;
/// Columns of the motion curve.
const COLUMNS: usize = 720;
/// Pictures along a day.
const SHOTS_MAX: usize = 24;
const MOTION: &str = "motion";

const SCRIPT: &str = include_str!("page.js");
const STYLE: &str = include_str!("page.css");
const POLICY: &str = "default-src 'none'; img-src 'self' data:; media-src 'self'; style-src 'self'; \
                      script-src 'self'; connect-src 'self'; base-uri 'none'; form-action 'self'; \
                      frame-ancestors 'none'";

/// # Errors
/// Where too much waits for the archive.
pub(super) async fn front(shop: &Arc<Shop>) -> Result<Response, Problem> {
    let now = CaptureTime::now();
    let mut sites: Vec<SiteView> = Vec::new();
    for spot in shop.roll.spots().iter() {
        let newest = spot.hold.newest();
        let key = spot.hold.newest_key_frame();
        let view = CameraView {
            name: spot.name.clone(),
            state: shop.hub.state(&spot.name),
            pictured: key.map(|key| key.captured),
            why_no_film: why_no_film(newest.as_deref()),
            sheet: None,
        };
        match sites
            .iter_mut()
            .find(|site| site.site.name == spot.site.name)
        {
            Some(site) => site.cameras.push(view),
            None => sites.push(SiteView {
                site: Arc::clone(&spot.site),
                cameras: vec![view],
            }),
        }
    }
    let spool = shop.spool.clone();
    let read = shop.desk.run(move |_| {
        let unread = with_sheets(&mut sites, &spool, now).err();
        (sites, unread)
    });
    let (sites, unread) = read.await?;
    if let Some(error) = &unread {
        tracing::warn!(%error, "the account can't be read");
    }
    Ok(html(&front::write(&FrontView {
        now,
        sites,
        unread: unread.is_some(),
    })))
}

/// Fills in what is recorded of the last days.
fn with_sheets(
    sites: &mut [SiteView],
    spool: &std::path::Path,
    now: CaptureTime,
) -> Result<(), AccountError> {
    let mut account = accounts(spool)?;
    for view in sites {
        let Some(window) = times::last_days(now, &view.site.time_zone, DAYS) else {
            continue;
        };
        for camera in &mut view.cameras {
            let known = account(&camera.name, window)?;
            let known = known.unwrap_or_else(|| nothing(&camera.name, &view.site, window));
            camera.sheet = sheet(now, &view.site, window, known);
        }
    }
    Ok(())
}

fn sheet(
    now: CaptureTime,
    site: &Site,
    asked: Span,
    account: crate::archive::ledger::Coverage,
) -> Option<CameraSheet> {
    let accounts = SiteAccounts {
        site: site.name.clone(),
        time_zone: site.time_zone.clone(),
        time_zone_name: site.time_zone_name.clone(),
        asked,
        accounts: vec![account],
    };
    let sheet = Sheet::new(now, vec![accounts]);
    sheet.sites.into_iter().flat_map(|site| site.cameras).next()
}

/// # Errors
/// Where there is no such day, or a parameter is wrong.
pub(super) async fn day(
    shop: &Arc<Shop>,
    spot: &Arc<Spot>,
    date: &str,
    uri: &Uri,
) -> Result<Response, Problem> {
    let now = CaptureTime::now();
    let zone = spot.site.time_zone.clone();
    let known: Result<Date, _> = date.parse();
    let no_day = || {
        let detail = format!("{} is no day that has been", shown(date));
        Problem::missing("no such day", detail, "A day is written like 2026-05-04.")
    };
    let date = known.map_err(|_| no_day())?;
    let whole = day_span(date, &zone).ok_or_else(no_day)?;
    if whole.begin > now {
        return Err(no_day());
    }
    let query = Query::of(uri, &["at", "for"])?;
    let at = match query.get("at").filter(|text| !text.is_empty()) {
        None => None,
        Some(text) => Some(wanted_time(text, date, &zone).ok_or_else(|| {
            let detail = format!("at={} is no time of {date}", shown(text));
            Problem::bad(detail, "A time is written like 07:30 or 07:30:15.")
        })?),
    };
    let minutes = match query.get("for") {
        None => MINUTES,
        Some(_) => query.number::<i64>("for")?.clamp(1, MINUTES_MAX),
    };
    let window = Span {
        begin: whole.begin,
        end: whole.end.min(now),
    };
    let (at_desk, archive, spool) = (Arc::clone(spot), shop.archive.clone(), shop.spool.clone());
    let disk = Arc::clone(&shop.disk);
    let read = shop.desk.run(move |_| {
        let spot = at_desk;
        let account = accounts(&spool).and_then(|mut account| account(&spot.name, window));
        let unread = account.is_err();
        let account = account.ok().flatten();
        let account = account.unwrap_or_else(|| nothing(&spot.name, &spot.site, window));
        let mut motion = Curve::new(whole);
        // Lines that can't be read leave a hole in a curve, no more.
        each(
            &*disk,
            (&archive, &spool),
            &spot.name,
            window,
            &mut |finding| {
                if finding.kind == MOTION && finding.phase == Phase::Mark {
                    motion.note(finding.at, finding.score);
                }
            },
        );
        let shots = stills::times(&*disk, &archive, &spot.name, window).unwrap_or_default();
        (
            sheet(now, &spot.site, window, account),
            motion,
            shots,
            unread,
        )
    });
    let (sheet, motion, shots, unread) = read.await?;
    Ok(html(&day::write(&DayView {
        site: Arc::clone(&spot.site),
        camera: spot.name.clone(),
        others: shop
            .roll
            .spots()
            .iter()
            .filter(|other| other.site.name == spot.site.name)
            .map(|other| other.name.clone())
            .collect(),
        date,
        whole,
        now,
        sheet,
        unread,
        motion: motion.scores,
        shots: spread(shots, SHOTS_MAX),
        at,
        minutes,
    })))
}

/// The highest score of each column of a day.
struct Curve {
    whole: Span,
    scores: Vec<Option<f64>>,
}

impl Curve {
    fn new(whole: Span) -> Self {
        Self {
            whole,
            scores: vec![None; COLUMNS],
        }
    }

    fn note(&mut self, at: CaptureTime, score: f64) {
        let share = times::share(self.whole, at);
        // Within the day it is from 0 to 1.
        let column = (share * COLUMNS as f64).clamp(0.0, (COLUMNS - 1) as f64) as usize;
        if let Some(slot) = self.scores.get_mut(column) {
            *slot = Some(slot.map_or(score, |known| known.max(score)));
        }
    }
}

/// So many of them, evenly from the first to the last.
fn spread<T: Clone>(all: Vec<T>, most: usize) -> Vec<T> {
    if all.len() <= most || most < 2 {
        return all;
    }
    let last = all.len() - 1;
    let picked = (0..most).filter_map(|nth| all.get(nth * last / (most - 1)));
    picked.cloned().collect()
}

/// A file that pages refer to.
pub(super) fn asset(name: &str) -> Option<Response> {
    let (kind, text) = match name {
        "page.css" => {
            let sheet = crate::coverage::html::STYLE;
            ("text/css; charset=utf-8", [BASE, sheet, STYLE].concat())
        }
        "page.js" => ("text/javascript; charset=utf-8", SCRIPT.to_owned()),
        _ => return None,
    };
    let mut response = Response::new(Body::from(text));
    let headers = response.headers_mut();
    range::set(headers, header::CONTENT_TYPE, kind);
    range::set(headers, header::CACHE_CONTROL, "private, max-age=300");
    Some(response)
}

fn html(page: &str) -> Response {
    let mut response = Response::new(Body::from(page.to_owned()));
    let headers = response.headers_mut();
    range::set(headers, header::CONTENT_TYPE, "text/html; charset=utf-8");
    range::set(headers, header::CONTENT_SECURITY_POLICY, POLICY);
    response
}

/// Begins a page, up to the open `main`.
fn begin(title: &str) -> String {
    let mut page = String::from(
        "<!DOCTYPE html>\n<html lang=\"en\">\n<head>\n<meta charset=\"utf-8\"/>\n\
         <meta name=\"viewport\" content=\"width=device-width, initial-scale=1\"/>\n\
         <link rel=\"icon\" href=\"data:,\"/>\n<link rel=\"stylesheet\" href=\"/page.css\"/>\n\
         <script src=\"/page.js\" defer=\"defer\"></script>\n",
    );
    writeln!(page, "<title>{}</title>\n</head>\n<body>", escaped(title)).ok();
    page
}

fn end(page: &mut String) {
    let version = env!("CARGO_PKG_VERSION");
    writeln!(
        page,
        "<footer>forebay {version}. For programs: <a href=\"/v1/cameras\">/v1/cameras</a>, \
         <a href=\"/v1/openapi.json\">what else there is</a>, <a href=\"/metrics\">metrics</a>.\
         </footer>\n</body>\n</html>"
    )
    .ok();
}

#[cfg(test)]
mod tests;
