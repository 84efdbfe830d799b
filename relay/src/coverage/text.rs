//! A table and a list for a terminal.

use super::days::{CameraSheet, Figures, Sheet, SiteSheet, length_nanos};
use super::words::{clock_length, kept, length, local, local_long, percent, plain, utc};
use crate::archive::ledger::{Gap, GapCause};

/// Narrowest table that can be read; a narrower terminal breaks the lines.
pub const WIDTH_MIN: usize = 80;

/// Width of the columns before the causes, the gap to these included.
const FIGURES_WIDTH: usize = 79;
/// Width of the columns before a gap's evidence, the gap to it included.
const GAP_WIDTH: usize = 82;
/// Least room for a cause and its length; with less they get lines of their own.
const CAUSE_WIDTH_MIN: usize = 28;

/// Writes the account in lines of at most `width` characters, and at least [`WIDTH_MIN`].
#[must_use]
pub fn write(sheet: &Sheet, width: usize) -> String {
    let mut page = Page {
        lines: Vec::new(),
        width: width.max(WIDTH_MIN),
    };
    for site in &sheet.sites {
        page.site(site);
    }
    let cameras = sheet.sites.iter().map(|site| site.cameras.len());
    if cameras.sum::<usize>() > 1 {
        page.line("");
        page.line("All cameras");
        page.heading("");
        page.figures("total", &sheet.totals);
    }
    page.lines.push(String::new());
    page.lines.join("\n")
}

struct Page {
    lines: Vec<String>,
    width: usize,
}

impl Page {
    fn line(&mut self, text: &str) {
        self.lines.push(text.trim_end().to_owned());
    }

    fn site(&mut self, site: &SiteSheet) {
        let zone = &site.time_zone;
        if !self.lines.is_empty() {
            self.line("");
        }
        self.line(&format!(
            "Site {}, days of {}",
            site.site, site.time_zone_name
        ));
        self.line(&format!(
            "from           {}",
            local_long(site.asked.begin, zone)
        ));
        self.line(&format!(
            "to             {}",
            local_long(site.asked.end, zone)
        ));
        let settled = site.settled_until();
        self.line(&format!("settled until  {}", local_long(settled, zone)));
        for camera in &site.cameras {
            self.line("");
            self.line(camera.camera.as_str());
            if camera.settled_until != settled {
                let until = local_long(camera.settled_until, zone);
                self.line(&format!("  settled until {until}"));
            }
            self.days(camera, site);
            self.stills(camera);
            for gap in camera.lasting() {
                self.line(&format!(
                    "  has not ended: {} since {}, {} so far",
                    gap.cause.as_str(),
                    local_long(gap.span.begin, zone),
                    length(length_nanos(gap.span))
                ));
            }
        }
        for camera in &site.cameras {
            self.gaps(camera, site);
        }
    }

    fn days(&mut self, camera: &CameraSheet, site: &SiteSheet) {
        if let Some(why) = camera.no_account(site.asked) {
            self.line(&format!("  {why}"));
            return;
        }
        self.heading("day");
        for day in &camera.days {
            let date = day.date.strftime("%a %F").to_string();
            self.figures(&date, &day.figures);
        }
        self.figures("total", &camera.totals);
        if let Some(kept) = kept(&camera.totals) {
            self.line(&format!("  {kept}"));
        }
    }

    fn stills(&mut self, camera: &CameraSheet) {
        if camera.stills.is_empty() {
            return;
        }
        let days = camera.stills.days();
        let days = days.map(|(date, stills)| (date.strftime("%a %F").to_string(), stills));
        let total = ("total".to_owned(), camera.stills.totals());
        self.line(&format!(
            "  {:<14}  {:>11}  {:>11}  {:>8}  {:>6}",
            "stills", "wanted", "taken", "late", "missed"
        ));
        for (first, stills) in days.chain([total]) {
            self.line(&format!(
                "  {first:<14}  {:>11}  {:>11}  {:>8}  {:>6}",
                stills.wanted(),
                stills.taken,
                stills.late,
                stills.missed
            ));
        }
    }

    fn heading(&mut self, first: &str) {
        let causes = if self.is_narrow() { "" } else { "by cause" };
        self.line(&format!(
            "  {first:<14}  {:>11}  {:>11}  {:>8}  {:>6}  {:>15}  {causes}",
            "wanted", "recorded", "percent", "gaps", "longest"
        ));
    }

    /// Whether the causes have no room beside the figures, and go below them.
    fn is_narrow(&self) -> bool {
        self.width < FIGURES_WIDTH + CAUSE_WIDTH_MIN
    }

    fn figures(&mut self, first: &str, figures: &Figures) {
        let longest = match figures.gaps {
            0 => "–".to_owned(),
            _ => length(figures.longest_nanos),
        };
        let row = format!(
            "  {first:<14}  {:>11}  {:>11}  {:>8}  {:>6}  {longest:>15}  ",
            clock_length(figures.wanted_nanos),
            clock_length(figures.recorded_nanos),
            percent(figures).map_or_else(|| "–".to_owned(), |percent| percent + " %"),
            figures.gaps,
        );
        let causes = figures.causes().map(|(cause, nanos)| {
            let text = format!("{} {}", cause.as_str(), length(nanos));
            match cause {
                GapCause::Planned => format!("({text})"),
                _ => text,
            }
        });
        self.causes(row, &causes.collect::<Vec<_>>());
    }

    /// Appends the causes, on further lines of the same indent where they don't fit.
    fn causes(&mut self, mut row: String, parts: &[String]) {
        let indent = if self.is_narrow() { 4 } else { FIGURES_WIDTH };
        if self.is_narrow() && !parts.is_empty() {
            self.line(&row);
            row = " ".repeat(indent);
        }
        let mut fresh = true;
        for part in parts {
            let space = if fresh { 0 } else { 2 };
            if !fresh && row.chars().count() + space + part.chars().count() > self.width {
                self.line(&row);
                row = " ".repeat(indent);
            } else {
                row.push_str(&" ".repeat(space));
            }
            row.push_str(part);
            fresh = false;
        }
        self.line(&row);
    }

    fn gaps(&mut self, camera: &CameraSheet, site: &SiteSheet) {
        if camera.missing().next().is_none() {
            return;
        }
        self.line("");
        self.line(&format!("Gaps of {}", camera.camera));
        self.line(&format!(
            "  {:<28}  {:<22}  {:>15}  cause",
            site.time_zone_name, "UTC", "length"
        ));
        for gap in camera.missing() {
            self.gap(gap, site);
        }
    }

    fn gap(&mut self, gap: &Gap, site: &SiteSheet) {
        let begin = gap.span.begin;
        let row = format!(
            "  {:<28}  {:<22}  {:>15}  {:<7}  ",
            local(begin, &site.time_zone),
            utc(begin),
            length(length_nanos(gap.span)),
            gap.cause.as_str()
        );
        let mut seen = plain(&gap.detail);
        if gap.lasts {
            let lasts = if seen.is_empty() { "lasts" } else { "lasts: " };
            seen.insert_str(0, lasts);
        }
        let beside = self.width.saturating_sub(GAP_WIDTH);
        if seen.chars().count() <= beside {
            self.line(&(row + &seen));
        } else {
            self.line(&row);
            let seen = shortened(&seen, self.width.saturating_sub(4));
            self.line(&format!("    {seen}"));
        }
    }
}

/// At most `length` characters; what is cut off is told by an ellipsis.
fn shortened(text: &str, length: usize) -> String {
    if text.chars().count() <= length {
        return text.to_owned();
    }
    let kept = text.chars().take(length.saturating_sub(1));
    kept.chain(['…']).collect()
}
