//! The first page (pure): three questions, in the order in which they come to mind.

use std::fmt::Write as _;
use std::sync::Arc;

use jiff::tz::TimeZone;

use super::super::state::{Condition, State};
use super::times::{roughly, since, zoned};
use crate::archive::findings::utc;
use crate::config::Site;
use crate::coverage::{CameraSheet, length, percent, strips};
use crate::markup::escaped;
use crate::units::{CameraName, CaptureTime};

/// All that the page tells.
#[derive(Debug)]
pub(super) struct FrontView {
    pub(super) now: CaptureTime,
    pub(super) sites: Vec<SiteView>,
    /// The account of what is recorded can't be read.
    pub(super) unread: bool,
}

#[derive(Debug)]
pub(super) struct SiteView {
    pub(super) site: Arc<Site>,
    pub(super) cameras: Vec<CameraView>,
}

#[derive(Debug)]
pub(super) struct CameraView {
    pub(super) name: CameraName,
    /// None in the first moment.
    pub(super) state: Option<State>,
    /// Capture time of the newest key frame, which the still is of.
    pub(super) pictured: Option<CaptureTime>,
    /// Why it can't be looked at as a film.
    pub(super) why_no_film: Option<String>,
    /// The last days.
    pub(super) sheet: Option<CameraSheet>,
}

impl CameraView {
    fn is_wrong(&self) -> bool {
        self.state
            .as_ref()
            .is_some_and(|state| matches!(state.state, Condition::Silent | Condition::Impaired))
    }
}

/// Writes the page.
pub(super) fn write(view: &FrontView) -> String {
    let names: Vec<_> = view
        .sites
        .iter()
        .map(|site| site.site.name.as_str())
        .collect();
    let names = names.join(", ");
    let mut page = super::begin(&names);
    writeln!(
        page,
        "<header><h1>{}</h1></header>\n<main data-fresh=\"10\">",
        escaped(&names)
    )
    .ok();
    answer(&mut page, view);
    missed(&mut page, view);
    shown(&mut page, view);
    page.push_str("</main>\n");
    super::end(&mut page);
    page
}

fn answer(page: &mut String, view: &FrontView) {
    let all = || view.sites.iter().flat_map(|site| &site.cameras);
    let (number, wrong) = (
        all().count(),
        all().filter(|camera| camera.is_wrong()).count(),
    );
    let starting = all().filter(|camera| {
        let state = camera.state.as_ref().map(|state| state.state);
        matches!(state, None | Some(Condition::Starting))
    });
    let starting = starting.count();
    let (class, word, text) = match (wrong, starting) {
        (0, 0) => {
            let what = match number {
                1 => "The camera is as it should be.".to_owned(),
                number => format!("All {number} cameras are as they should be."),
            };
            ("calm", "No.", what)
        }
        (0, starting) => {
            let what = format!("{starting} of {number} cameras are only just being started.");
            ("calm", "Not known yet.", what)
        }
        (wrong, _) => (
            "wrong",
            "Yes.",
            format!("Something is wrong with {wrong} of {number} cameras."),
        ),
    };
    page.push_str(
        "<section aria-labelledby=\"is-wrong\">\n<h2 id=\"is-wrong\">Is anything wrong?</h2>\n",
    );
    writeln!(
        page,
        "<p id=\"answer\" class=\"answer {class}\" data-part=\"1\" role=\"status\"><strong>{word}</strong> {}</p>",
        escaped(&text)
    )
    .ok();
    page.push_str("<div id=\"problems\" data-part=\"1\">\n");
    if view.unread {
        page.push_str(
            "<p class=\"problem\">The account of what is recorded can’t be read now; the relay’s log \
             says why.</p>\n",
        );
    }
    for site in &view.sites {
        for camera in site.cameras.iter().filter(|camera| camera.is_wrong()) {
            problems(page, camera, view.now, &site.site.time_zone);
        }
    }
    let zones = view.sites.iter().map(|site| {
        let clock = zoned(view.now, &site.site.time_zone).strftime("%a %-d %b %Y, %T");
        format!("{clock} {}", site.site.time_zone_name)
    });
    let mut zones: Vec<_> = zones.collect();
    zones.dedup();
    writeln!(
        page,
        "<p class=\"soft\">As of <time datetime=\"{}\">{}</time>.</p>\n</div>\n</section>",
        utc(view.now),
        escaped(&zones.join("; "))
    )
    .ok();
}

fn problems(page: &mut String, camera: &CameraView, now: CaptureTime, zone: &TimeZone) {
    let Some(state) = &camera.state else { return };
    let name = escaped(camera.name.as_str());
    for problem in &state.problems {
        writeln!(
            page,
            "<p class=\"problem\"><a href=\"#{name}\">{name}</a>: <strong>{}</strong>, since \
             <time datetime=\"{}\">{}</time> ({}). {}</p>",
            escaped(&problem.text),
            utc(problem.since),
            since(problem.since, now, zone),
            roughly(problem.since, now),
            escaped(&problem.advice)
        )
        .ok();
    }
}

fn missed(page: &mut String, view: &FrontView) {
    page.push_str("<section aria-labelledby=\"is-missed\">\n<h2 id=\"is-missed\">When was anything missed?</h2>\n");
    page.push_str(strips::DEFINITIONS);
    page.push_str("<div id=\"days\" data-part=\"1\" class=\"watch\">\n");
    for site in &view.sites {
        for camera in &site.cameras {
            let name = escaped(camera.name.as_str());
            writeln!(page, "<div class=\"row\"><h3>{name}</h3>").ok();
            match camera.sheet.as_ref().filter(|sheet| !sheet.days.is_empty()) {
                Some(sheet) => week(page, &name, sheet, &site.site.time_zone),
                None => page.push_str("<p class=\"soft\">There is no account of it yet.</p>\n"),
            }
            page.push_str("</div>\n");
        }
    }
    page.push_str("</div>\n<details><summary>How to read the strips</summary>\n");
    page.push_str(&strips::legend());
    page.push_str("</details>\n</section>\n");
}

/// The newest day as a strip, the ones before in figures.
fn week(page: &mut String, name: &str, sheet: &CameraSheet, zone: &TimeZone) {
    let Some((today, before)) = sheet.days.split_last() else {
        return;
    };
    let date = today.date;
    let missing = today.figures.missing_nanos();
    let words = match missing {
        0 => "nothing missing".to_owned(),
        nanos => format!("{} missing in {} gaps", length(nanos), today.figures.gaps),
    };
    let words = words.replace(" 1 gaps", " 1 gap");
    let label = format!("{} of {date}: {words}", name);
    writeln!(
        page,
        "<a class=\"strip-link\" href=\"/day/{name}/{date}\" aria-label=\"{label}. Show that day.\">{}{}</a>",
        strips::day(today, zone, &label),
        strips::axis(today)
    )
    .ok();
    writeln!(
        page,
        "<p><a href=\"/day/{name}/{date}\">{}</a>: {words}",
        date.strftime("%A")
    )
    .ok();
    for day in before.iter().rev() {
        let share =
            percent(&day.figures).map_or_else(|| "nothing wanted".to_owned(), |share| share + " %");
        let class = match day.figures.missing_nanos() {
            0 => "",
            _ => " class=\"gappy\"",
        };
        writeln!(
            page,
            "<span{class}><a href=\"/day/{name}/{0}\">{1}</a> {share}</span>",
            day.date,
            day.date.strftime("%a %-d"),
        )
        .ok();
    }
    page.push_str("</p>\n");
}

fn shown(page: &mut String, view: &FrontView) {
    page.push_str("<section aria-labelledby=\"show-me\">\n<h2 id=\"show-me\">Show me</h2>\n<div class=\"views\">\n");
    for site in &view.sites {
        for camera in &site.cameras {
            article(page, camera, view.now, &site.site.time_zone);
        }
    }
    page.push_str("</div>\n</section>\n");
}

fn article(page: &mut String, camera: &CameraView, now: CaptureTime, zone: &TimeZone) {
    let name = escaped(camera.name.as_str());
    let base = format!("/v1/cameras/{name}");
    writeln!(
        page,
        "<article id=\"{name}\" aria-labelledby=\"{name}-name\">\n<h3 id=\"{name}-name\">{name}</h3>\n\
         <div id=\"{name}-picture\" class=\"picture\" data-part=\"1\" data-name=\"{name}\">"
    )
    .ok();
    match camera.pictured {
        Some(at) => {
            let (clock, age) = (since(at, now, zone), roughly(at, now));
            let time = zoned(at, zone).strftime("%T").to_string();
            // Another address for another picture: a browser keeps each.
            writeln!(
                page,
                "<img src=\"{base}/still.jpg?side=640\" data-at=\"{}\" alt=\"{name} at {time}\" \
                 width=\"640\" height=\"360\"/>\n<p class=\"age\">Picture of <time datetime=\"{}\">{}</time>, \
                 {age} ago</p>",
                at.unix_nanos(),
                utc(at),
                if clock.len() > 5 { &clock } else { &time },
            )
            .ok();
        }
        None => page.push_str("<p class=\"empty\">No picture has come yet.</p>\n"),
    }
    page.push_str("</div>\n");
    writeln!(page, "<p id=\"{name}-words\" data-part=\"1\">").ok();
    match &camera.state {
        Some(state) => page.push_str(&escaped(&sentence(&state.summary))),
        None => page.push_str("The relay has only just started."),
    }
    page.push_str("</p>\n<p class=\"ways\">");
    match &camera.why_no_film {
        None => {
            write!(
                page,
                "<a class=\"live\" data-camera=\"{name}\" data-list=\"{base}/live.m3u8\" \
                 href=\"{base}/live.mp4\">Live view of {name}</a> "
            )
            .ok();
        }
        Some(why) => {
            write!(
                page,
                "<span class=\"soft\">No live view: {}.</span> ",
                escaped(why)
            )
            .ok();
        }
    }
    let today = zoned(now, zone).date();
    writeln!(
        page,
        "<a href=\"/day/{name}/{today}\">Today</a> <a href=\"{base}/still.jpg\">Picture in full size</a></p>\n</article>"
    )
    .ok();
}

fn sentence(text: &str) -> String {
    let mut letters = text.chars();
    let first: String = letters
        .next()
        .into_iter()
        .flat_map(char::to_uppercase)
        .collect();
    let rest = letters.as_str();
    let stop = if rest.ends_with(['.', '!', '?']) {
        ""
    } else {
        "."
    };
    format!("{first}{rest}{stop}")
}
