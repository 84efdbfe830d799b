//! One page that needs nothing else: no script, no font, no picture from elsewhere.
//!
//! Its size is bounded: by [`STRIPS_MAX`], by gaps that are drawn as one once there are more than
//! [`SLIVERS_MAX`] of them, and by [`LISTED_MAX`]. What is left out is said on the page.

use std::fmt::Write as _;

use jiff::tz::TimeZone;

use super::days::{CameraSheet, Day, Figures, Sheet, SiteSheet, length_nanos, zoned};
use super::strip::{self, Scale};
use super::words::{clock_length, kept, length, local_long, meaning, percent, plain, utc};
use crate::archive::ledger::{Gap, GapCause};
use crate::markup::{Images, Markup, escaped};
use crate::units::{CameraName, CaptureTime};

/// Most strips (days × cameras) on a page: a year of eight cameras.
pub const STRIPS_MAX: usize = 3000;
/// Most gaps drawn, unless there are so many strips that one for each cause in each is more.
pub const SLIVERS_MAX: usize = 20_000;
/// Most gaps listed.
pub const LISTED_MAX: usize = 500;

/// How the page looks: a sheet of a log book. The causes' colours are made after Okabe and Ito,
/// "Color Universal Design", darker on paper and lighter on black.
pub(crate) const STYLE: &str = include_str!("sheet.css");
/// Patterns and marks that the strips refer to. Each cause has its own pattern, mark and letter,
/// so that none depends on its colour.
pub(crate) const DEFINITIONS: &str = include_str!("definitions.svg");

/// More days and cameras than a page can show.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error(
    "a page shows at most {STRIPS_MAX} days of cameras, and this is {strips}: ask for fewer days \
     or cameras, or use --format json"
)]
pub struct TooLong {
    /// How many there are.
    pub strips: usize,
}

/// Writes the page. It is well-formed XML too.
///
/// # Errors
/// [`TooLong`]
pub fn write(sheet: &Sheet) -> Result<String, TooLong> {
    let days = || {
        let cameras = sheet.sites.iter().flat_map(|site| &site.cameras);
        cameras.flat_map(|camera| &camera.days)
    };
    let strips = days().count();
    if strips > STRIPS_MAX {
        return Err(TooLong { strips });
    }
    let merge_nanos = strip::merge_nanos(days(), SLIVERS_MAX);
    let mut listed = longest(sheet);
    let mut page = Page::begin(sheet);
    for (index, site) in sheet.sites.iter().enumerate() {
        let here: Vec<_> = listed
            .extract_if(.., |listed| listed.site == index)
            .collect();
        page.site(sheet, site, merge_nanos, &here);
    }
    Ok(page.end(sheet))
}

/// What colours, patterns, marks and letters of a strip stand for.
pub(crate) fn legend() -> String {
    let mut page = Markup::part();
    page.raw("<ul class=\"legend\">\n");
    let swatch = |page: &mut Markup, inside: &str, name: &str, meaning: &str| {
        let svg = "<svg height=\"34\" aria-hidden=\"true\">\
             <rect class=\"have\" x=\"1\" y=\"10\" width=\"88\" height=\"14\"/>";
        let frame = "<rect class=\"frame\" x=\"1\" y=\"10\" width=\"88\" height=\"14\"/></svg>";
        page.raw("<li>");
        page.raw(svg);
        page.raw(inside);
        page.raw(frame);
        page.raw("<span>");
        page.text("strong", name);
        page.raw(&escaped(meaning));
        page.raw("</span></li>\n");
    };
    swatch(&mut page, "", "recorded", "durable in the archive");
    for cause in GapCause::ALL {
        let letter = strip::letter(cause);
        let wide = format!(
            r#"<rect class="gap g{letter}" x="34" y="10" width="46" height="14"/><text class="letter" x="57" y="21">{letter}</text>"#
        );
        let y = if strip::is_above(cause) { 10 } else { 24 };
        let short = match cause {
            GapCause::Planned => String::new(),
            _ => format!(
                r##"<rect class="gap g{letter}" x="16" y="10" width="0.1" height="14"/><use href="#m{letter}" x="16" y="{y}"/>"##
            ),
        };
        swatch(&mut page, &(wide + &short), cause.as_str(), meaning(cause));
    }
    let nothing = r#"<rect class="void" x="1" y="10" width="88" height="14"/>"#;
    let none = "not configured yet, or not settled yet";
    swatch(&mut page, nothing, "no account", none);
    page.raw("</ul>\n");
    page.into_string()
}

/// A gap of the list.
struct Listed<'a> {
    site: usize,
    camera: &'a CameraName,
    gap: &'a Gap,
}

/// The gaps that are listed, in order of time: the longest, and those that last in any case.
fn longest(sheet: &Sheet) -> Vec<Listed<'_>> {
    let sites = sheet.sites.iter().enumerate();
    let cameras = sites.flat_map(|(index, site)| site.cameras.iter().map(move |c| (index, c)));
    let mut gaps: Vec<_> = cameras
        .flat_map(|(site, sheet)| {
            let listed = move |gap| Listed {
                site,
                camera: &sheet.camera,
                gap,
            };
            sheet.missing().map(listed)
        })
        .collect();
    let rank = |listed: &Listed<'_>| (listed.gap.lasts, length_nanos(listed.gap.span));
    gaps.sort_by_key(|listed| std::cmp::Reverse(rank(listed)));
    gaps.truncate(LISTED_MAX);
    gaps.sort_by_key(|listed| (listed.gap.span.begin, listed.camera));
    gaps
}

struct Page(Markup);

impl Page {
    fn begin(sheet: &Sheet) -> Self {
        let sites = sheet.sites.iter().map(|site| site.site.as_str());
        let sites = sites.collect::<Vec<_>>().join(", ");
        let title = format!("Coverage sheet: {sites}");
        let mut page = Markup::page(&title, STYLE, Images::None);
        page.raw(DEFINITIONS);
        Self(page)
    }

    fn end(self, sheet: &Sheet) -> String {
        let mut made = String::new();
        if sheet.sites.len() > 1 {
            let share = percent(&sheet.totals).map_or_else(|| "–".to_owned(), |text| text + " %");
            let missing = length(sheet.totals.missing_nanos());
            let text = format!("All sites together: {share} recorded, {missing} missing.");
            made = format!("<p>{}</p>\n", escaped(&text));
        }
        made.push_str("Made ");
        made.push_str(&utc(sheet.made));
        self.0.end(&made)
    }

    fn raw(&mut self, markup: &str) {
        self.0.raw(markup);
    }

    fn text(&mut self, open: &str, text: &str) {
        self.0.text(open, text);
    }

    fn site(&mut self, sheet: &Sheet, site: &SiteSheet, merge_nanos: u64, listed: &[Listed<'_>]) {
        self.raw("<section class=\"sheet\">\n");
        self.title_block(sheet, site);
        for camera in &site.cameras {
            for gap in camera.lasting() {
                self.raw("<p class=\"lasts\">");
                self.text("strong", "Has not ended:");
                let mut text = format!(
                    "{}, {} since {}, {} so far",
                    camera.camera,
                    gap.cause.as_str(),
                    local_long(gap.span.begin, &site.time_zone),
                    length(length_nanos(gap.span))
                );
                if !gap.detail.is_empty() {
                    write!(text, ": {}", plain(&gap.detail)).ok();
                }
                self.raw(&escaped(&text));
                self.raw("</p>\n");
            }
        }
        self.totals(site);
        self.legend(merge_nanos);
        self.text("h2", "Day by day");
        for camera in &site.cameras {
            self.camera(site, camera, merge_nanos);
        }
        self.list(site, listed);
        self.raw("</section>\n");
    }

    fn title_block(&mut self, sheet: &Sheet, site: &SiteSheet) {
        let zone = &site.time_zone;
        let share = percent(&site.totals).map_or_else(|| "–".to_owned(), |text| text + " %");
        self.raw("<header class=\"block\"><div>");
        self.text("h1", &format!("Coverage sheet, {}", site.site));
        self.text(
            "small",
            "What of the wanted footage is in the archive, by capture time",
        );
        self.raw("</div><div class=\"share tabular\">");
        self.raw(&escaped(&share));
        self.raw("<small>recorded of wanted</small></div>\n<dl>");
        let cameras: Vec<_> = site.cameras.iter().map(|c| c.camera.as_str()).collect();
        for (term, text) in [
            ("From", local_long(site.asked.begin, zone)),
            ("To", local_long(site.asked.end, zone)),
            (
                "Account settled until",
                local_long(site.settled_until(), zone),
            ),
            ("Days and hours of", site.time_zone_name.clone()),
            ("Cameras", cameras.join(", ")),
            ("Made", local_long(sheet.made, zone)),
        ] {
            self.raw("<div>");
            self.text("dt", term);
            self.text("dd", &text);
            self.raw("</div>");
        }
        self.raw("</dl></header>\n");
    }

    fn totals(&mut self, site: &SiteSheet) {
        self.text("h2", "Totals");
        self.raw("<div class=\"scroll\" tabindex=\"0\"><table class=\"totals\">\n<thead><tr>");
        self.text("th scope=\"col\"", "Camera");
        for head in [
            "Recorded", "wanted", "recorded", "missing", "Gaps", "longest",
        ] {
            self.text("th scope=\"col\" class=\"n\"", head);
        }
        let shown: Vec<_> = site.totals.causes().map(|(cause, _)| cause).collect();
        for cause in &shown {
            let head = match cause {
                GapCause::Planned => "(planned)".to_owned(),
                cause => format!("{} {}", strip::letter(*cause), cause.as_str()),
            };
            self.text("th scope=\"col\" class=\"n\"", &head);
        }
        self.raw("</tr></thead>\n<tbody>\n");
        for camera in &site.cameras {
            self.totals_row(camera.camera.as_str(), &camera.totals, &shown);
        }
        self.raw("</tbody>\n");
        if site.cameras.len() > 1 {
            self.raw("<tfoot>\n");
            self.totals_row("all", &site.totals, &shown);
            self.raw("</tfoot>\n");
        }
        self.raw("</table></div>\n");
        self.text(
            "p class=\"soft\"",
            "Hours:minutes:seconds. What is recorded is rounded down, what is missing is rounded up. \
             100.00 % means that nothing is missing.",
        );
    }

    fn totals_row(&mut self, name: &str, figures: &Figures, shown: &[GapCause]) {
        self.raw("<tr>");
        self.text("th scope=\"row\"", name);
        let share = percent(figures).map_or_else(|| "–".to_owned(), |text| text + " %");
        for text in [
            share,
            clock_length(figures.wanted_nanos),
            clock_length(figures.recorded_nanos),
            rounded_up(figures.missing_nanos()),
            figures.gaps.to_string(),
            rounded_up(figures.longest_nanos),
        ] {
            self.text("td class=\"n\"", &text);
        }
        for cause in shown {
            let nanos = figures.causes().find(|(of, _)| of == cause);
            let text = rounded_up(nanos.map_or(0, |(_, nanos)| nanos));
            self.text("td class=\"n\"", &text);
        }
        self.raw("</tr>\n");
    }

    fn legend(&mut self, merge_nanos: u64) {
        self.text("h2", "How to read the strips");
        self.raw(&legend());
        self.text(
            "p class=\"soft\"",
            &format!(
                "Marks above the bar tell of site and link, marks below of the relay’s side. A gap is \
                 drawn at least 1.5 pixels wide, which is minutes of a day: read its length from \
                 the figures, not from the strip. Gaps of one cause within {} are drawn as one.",
                length(merge_nanos)
            ),
        );
    }

    fn camera(&mut self, site: &SiteSheet, camera: &CameraSheet, merge_nanos: u64) {
        let zone = &site.time_zone;
        let mut note = String::new();
        if let Some(begin) = camera.account_begin.filter(|b| *b > site.asked.begin) {
            write!(note, " account begins {}", local_long(begin, zone)).ok();
        }
        if camera.settled_until != site.settled_until() {
            let until = local_long(camera.settled_until, zone);
            write!(note, " settled until {until}").ok();
        }
        self.raw("<div class=\"camera\">\n<h3>");
        self.raw(&escaped(camera.camera.as_str()));
        if !note.is_empty() {
            self.text("span", &note);
        }
        self.raw("</h3>\n");
        if let Some(why) = camera.no_account(site.asked) {
            self.text("p", why);
            self.stills(camera);
            self.raw("</div>\n");
            return;
        }
        let lengths = camera.days.iter().map(|day| length_nanos(day.whole));
        let scale = Scale {
            zone,
            width_nanos: lengths.max().unwrap_or(0).max(24 * strip::HOUR),
            merge_nanos,
        };
        self.raw(
            "<table class=\"days\" role=\"table\">\n<thead role=\"rowgroup\"><tr role=\"row\">",
        );
        self.text("th scope=\"col\" role=\"columnheader\"", "Day");
        self.raw("<th scope=\"col\" role=\"columnheader\" class=\"s\" aria-label=\"Strip\">");
        self.raw(&strip::axis(scale.width_nanos));
        self.raw("</th>");
        for head in ["Recorded", "Missing", "Gaps", "Longest"] {
            self.text("th scope=\"col\" role=\"columnheader\" class=\"n\"", head);
        }
        self.raw("</tr></thead>\n<tbody role=\"rowgroup\">\n");
        for day in &camera.days {
            self.day(camera, day, &scale);
        }
        self.raw("</tbody>\n<tfoot role=\"rowgroup\"><tr role=\"row\">");
        self.text("th scope=\"row\" role=\"rowheader\"", "total");
        self.raw("<td class=\"s\" role=\"cell\"></td>");
        self.figures(&camera.totals);
        self.raw("</tr></tfoot>\n</table>\n");
        if let Some(kept) = kept(&camera.totals) {
            self.text("p", &kept);
        }
        self.stills(camera);
        self.raw("</div>\n");
    }

    fn stills(&mut self, camera: &CameraSheet) {
        if camera.stills.is_empty() {
            return;
        }
        self.raw("<table class=\"stills\">\n<thead><tr>");
        self.text("th scope=\"col\"", "Stills");
        for head in ["Wanted", "Taken", "Late", "Missed"] {
            self.text("th scope=\"col\" class=\"n\"", head);
        }
        self.raw("</tr></thead>\n<tbody>\n");
        let days = camera.stills.days();
        let days = days.map(|(date, stills)| (date.strftime("%a %F").to_string(), stills));
        let total = ("total".to_owned(), camera.stills.totals());
        for (name, stills) in days.chain([total]) {
            self.raw("<tr>");
            self.text("th scope=\"row\"", &name);
            for number in [stills.wanted(), stills.taken, stills.late, stills.missed] {
                self.text("td class=\"n\"", &number.to_string());
            }
            self.raw("</tr>\n");
        }
        self.raw("</tbody>\n</table>\n");
    }

    fn day(&mut self, camera: &CameraSheet, day: &Day, scale: &Scale<'_>) {
        let date = day.date.strftime("%a %F").to_string();
        self.raw("<tr role=\"row\"><th scope=\"row\" role=\"rowheader\">");
        self.raw(&date);
        if let Some(change) = strip::clock_change(day, scale.zone) {
            self.text("small", &change);
        }
        self.raw("</th><td class=\"s\" role=\"cell\">");
        let share = percent(&day.figures).map_or_else(
            || "nothing wanted".to_owned(),
            |percent| format!("{percent} % recorded"),
        );
        let label = format!("{}, {date}: {share}", camera.camera);
        self.raw(&scale.draw(day, &escaped(&label)));
        self.raw("</td>");
        self.figures(&day.figures);
        self.raw("</tr>\n");
    }

    fn figures(&mut self, figures: &Figures) {
        let share = percent(figures).map_or_else(|| "–".to_owned(), |text| text + " %");
        for text in [
            share,
            length_or_none(figures.missing_nanos()),
            figures.gaps.to_string(),
            length_or_none(figures.longest_nanos),
        ] {
            self.text("td class=\"n\" role=\"cell\"", &text);
        }
    }

    fn list(&mut self, site: &SiteSheet, listed: &[Listed<'_>]) {
        self.text("h2", "Gaps");
        if site.totals.gaps == 0 {
            self.text("p", "None.");
            return;
        }
        let left_out = site.totals.gaps.saturating_sub(listed.len() as u64);
        if left_out > 0 {
            let lengths = listed.iter().map(|listed| length_nanos(listed.gap.span));
            let missing = site.totals.missing_nanos();
            let rest = missing.saturating_sub(lengths.fold(0, u64::saturating_add));
            let text = format!(
                "The longest {} of {}. {left_out} shorter ones, {} in all, are left out here; they \
                 are counted above, and --format json has each.",
                listed.len(),
                site.totals.gaps,
                length(rest)
            );
            self.text("p", &text);
        }
        self.raw(
            "<table class=\"list\" role=\"table\">\n<thead role=\"rowgroup\"><tr role=\"row\">",
        );
        let zone_name = &site.time_zone_name;
        for head in [
            "Camera",
            &format!("Begin, {zone_name}"),
            "End",
            "Begin, UTC",
            "End",
            "Length",
            "Cause",
            "Seen",
        ] {
            let class = if head == "Length" { " class=\"n\"" } else { "" };
            self.text(
                &format!("th scope=\"col\" role=\"columnheader\"{class}"),
                head,
            );
        }
        self.raw("</tr></thead>\n");
        let date = |listed: &Listed<'_>| zoned(listed.gap.span.begin, &site.time_zone).date();
        for day in listed.chunk_by(|a, b| date(a) == date(b)) {
            self.raw("<tbody role=\"rowgroup\"><tr role=\"row\">");
            let heading = day
                .first()
                .map(date)
                .map(|date| date.strftime("%a %F").to_string());
            self.text(
                "th colspan=\"8\" scope=\"rowgroup\" role=\"rowheader\"",
                &heading.unwrap_or_default(),
            );
            self.raw("</tr>\n");
            for listed in day {
                self.listed(listed, &site.time_zone);
            }
            self.raw("</tbody>\n");
        }
        self.raw("</table>\n");
    }

    fn listed(&mut self, listed: &Listed<'_>, zone: &TimeZone) {
        let gap = listed.gap;
        let (begin, end) = (gap.span.begin, gap.span.end);
        self.raw("<tr role=\"row\">");
        self.text("td role=\"cell\"", listed.camera.as_str());
        for (zone, begins) in [
            (zone, zoned(begin, zone).strftime("%T.%1f %:z").to_string()),
            (&TimeZone::UTC, utc(begin)),
        ] {
            let ends = match gap.lasts {
                true => "lasts".to_owned(),
                false => end_time(begin, end, zone),
            };
            self.text("td role=\"cell\"", &begins);
            self.text("td role=\"cell\" class=\"to\"", &ends);
        }
        self.text(
            "td role=\"cell\" class=\"n\"",
            &length(length_nanos(gap.span)),
        );
        let (letter, cause) = (strip::letter(gap.cause), gap.cause.as_str());
        self.raw(&format!("<td role=\"cell\"><b>{letter}</b>{cause}</td>"));
        self.text("td role=\"cell\" class=\"seen\"", &plain(&gap.detail));
        self.raw("</tr>\n");
    }
}

/// The time of day at which a gap ends; with the date and the offset from UTC where these are
/// not those of its begin.
fn end_time(begin: CaptureTime, end: CaptureTime, zone: &TimeZone) -> String {
    let (begin, end) = (zoned(begin, zone), zoned(end, zone));
    let mut text = end.strftime("%T.%1f").to_string();
    if end.date() != begin.date() {
        text.insert_str(0, &end.strftime("%F ").to_string());
    }
    if end.offset() != begin.offset() {
        text.push_str(&end.strftime(" %:z").to_string());
    }
    if *zone == TimeZone::UTC {
        text.push('Z');
    }
    text
}

/// Hours, minutes and seconds of what is missing.
fn rounded_up(nanos: u64) -> String {
    match nanos {
        0 => "–".to_owned(),
        nanos => clock_length(nanos.saturating_add(999_999_999)),
    }
}

fn length_or_none(nanos: u64) -> String {
    match nanos {
        0 => "–".to_owned(),
        nanos => length(nanos),
    }
}

#[cfg(test)]
#[path = "html_tests.rs"]
mod tests;
