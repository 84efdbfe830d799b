//! One page of a trial: what was found, where in the picture, and how strong over time. Its size is
//! bounded: pictures by the album, lines by [`LISTED_MAX`], curves by [`LANES_MAX`]; what is left out
//! is said.

use std::fmt::Write as _;

use super::album::Plate;
use super::curve::{Axis, draw, gauge};
use super::outcome::Outcome;
use super::tell::{bytes, facts, region_words, score_word, value_word};
use crate::archive::findings::{Finding, Region};
use crate::markup::{Images, Markup, embedded, escaped};

const STYLE: &str = include_str!("page.css");
/// Findings, objects and metrics listed, of each; the JSON has them all.
const LISTED_MAX: usize = 2000;
/// Lanes of scores, and of gauges.
const LANES_MAX: usize = 64;

/// Writes the page. It is well-formed XML too.
#[must_use]
pub fn page(outcome: &Outcome) -> String {
    let mut page = Page::head(outcome);
    if let Some(span) = outcome.span {
        let axis = Axis::new(span);
        page.scores(outcome, axis);
        page.gauges(outcome, axis);
    }
    page.plates(outcome);
    page.findings(outcome);
    page.rest(outcome);
    page.0.end("Made")
}

struct Page(Markup);

impl Page {
    fn raw(&mut self, markup: &str) {
        self.0.raw(markup);
    }

    fn text(&mut self, open: &str, text: &str) {
        self.0.text(open, text);
    }

    fn head(outcome: &Outcome) -> Self {
        let title = format!("{} on {}", outcome.plugin, outcome.input);
        let mut page = Self(Markup::page(&title, STYLE, Images::Embedded));
        page.text("h1", &title);
        page.facts(outcome);
        page
    }

    fn facts(&mut self, outcome: &Outcome) {
        if let Some((at, why)) = &outcome.ended {
            let text = format!("The plugin ended at {at}: {why}");
            self.text("p class=\"wrong\"", &text);
        }
        self.raw("<dl class=\"facts\">\n");
        for (name, value) in facts(outcome) {
            self.text("dt", name);
            self.text("dd", &value);
        }
        self.raw("</dl>\n");
    }

    fn scores(&mut self, outcome: &Outcome, axis: Axis) {
        if outcome.kinds.is_empty() {
            return;
        }
        self.text("h2", "Scores");
        for (name, kind) in outcome.kinds.iter().take(LANES_MAX) {
            let mut told = format!("{} published", kind.published);
            if kind.marks > 0 {
                write!(told, ", {} scores", kind.scores.len()).ok();
            }
            let findings = outcome.findings.iter().enumerate().take(LISTED_MAX);
            let findings = findings.filter(|(_, finding)| finding.kind == *name);
            self.lane(name, &told, &draw(name, kind, axis, findings));
        }
        self.times(axis);
        self.left_out(outcome.kinds.len(), "kinds");
    }

    fn gauges(&mut self, outcome: &Outcome, axis: Axis) {
        if outcome.gauges.is_empty() {
            return;
        }
        self.text("h2", "Gauges of the plugin");
        for (name, values) in outcome.gauges.iter().take(LANES_MAX) {
            if let Some((lane, lowest, highest)) = gauge(name, values, axis) {
                let told = match lowest < highest {
                    true => format!("{} to {}", value_word(lowest), value_word(highest)),
                    false => format!("{} throughout", value_word(lowest)),
                };
                self.lane(name, &told, &lane);
            }
        }
        self.times(axis);
        self.left_out(outcome.gauges.len(), "gauges");
        if outcome.values_left_out > 0 {
            let text = format!("{} later values are not drawn.", outcome.values_left_out);
            self.text("p", &text);
        }
    }

    fn lane(&mut self, name: &str, told: &str, lane: &str) {
        self.raw("<div class=\"kind\"><div>");
        self.text("b", name);
        self.text("small", told);
        self.raw("</div>");
        self.raw(lane);
        self.raw("</div>\n");
    }

    /// The times below the lanes.
    fn times(&mut self, axis: Axis) {
        let (common, times) = axis.times();
        self.raw("<div class=\"kind times\">");
        self.text("small", &common);
        self.raw("<div>");
        for time in times {
            self.text("span", &time);
        }
        self.raw("</div></div>\n");
    }

    fn left_out(&mut self, lanes: usize, what: &str) {
        if lanes > LANES_MAX {
            let more = format!("{} further {what} are not drawn.", lanes - LANES_MAX);
            self.text("p", &more);
        }
    }

    fn plates(&mut self, outcome: &Outcome) {
        if outcome.album.plates.is_empty() {
            return;
        }
        self.text("h2", "Where it was");
        self.raw("<div class=\"plates\">\n");
        for plate in &outcome.album.plates {
            self.plate(outcome, plate);
        }
        self.raw("</div>\n");
        if outcome.album.left_out > 0 {
            let text = format!(
                "{} findings are listed below without their picture.",
                outcome.album.left_out
            );
            self.text("p", &text);
        }
    }

    fn plate(&mut self, outcome: &Outcome, plate: &Plate) {
        let findings = || {
            let places = plate.findings.iter();
            places.filter_map(|place| Some((*place, outcome.findings.get(*place)?)))
        };
        write!(
            self.0,
            "<figure><div class=\"view\"><img width=\"{}\" height=\"{}\" alt=\"Picture of {}\" \
             src=\"{}\"/>",
            plate.width,
            plate.height,
            plate.captured,
            embedded(&plate.jpeg)
        )
        .ok();
        let mut regions = findings()
            .filter_map(|(_, finding)| finding.region)
            .peekable();
        if regions.peek().is_some() {
            self.raw("<svg viewBox=\"0 0 1 1\" preserveAspectRatio=\"none\" aria-hidden=\"true\">");
            for region in regions {
                self.region(region);
            }
            self.raw("</svg>");
        }
        self.raw("</div><figcaption>");
        self.text("small", &plate.captured.to_string());
        for (place, finding) in findings() {
            let words = format!(
                "{} {} {} {}",
                finding.kind,
                finding.phase.as_str(),
                score_word(finding.score),
                finding.text
            );
            write!(self.0, "<a href=\"#f{place}\">{}</a><br/>", escaped(&words)).ok();
        }
        self.raw("</figcaption></figure>\n");
    }

    /// A light line with a dark one in it: seen on any picture.
    fn region(&mut self, region: Region) {
        for _ in 0..2 {
            write!(
                self.0,
                "<rect x=\"{:.5}\" y=\"{:.5}\" width=\"{:.5}\" height=\"{:.5}\"/>",
                region.left, region.top, region.width, region.height
            )
            .ok();
        }
    }

    fn findings(&mut self, outcome: &Outcome) {
        self.text("h2", "Findings");
        if outcome.findings.is_empty() {
            self.text("p", "None was published.");
            return;
        }
        self.raw("<div class=\"scroll\" tabindex=\"0\"><table class=\"findings\"><thead><tr>");
        for name in ["captured", "kind", "phase", "score", "region", "text"] {
            self.text("th", name);
        }
        self.raw("</tr></thead><tbody>\n");
        for (place, finding) in outcome.findings.iter().enumerate().take(LISTED_MAX) {
            write!(self.0, "<tr id=\"f{place}\">").ok();
            for cell in cells(finding) {
                self.text("td", &cell);
            }
            self.raw("</tr>\n");
        }
        self.raw("</tbody></table></div>\n");
        let listed = outcome.findings.len().min(LISTED_MAX) as u64;
        let all = outcome.findings.len() as u64 + outcome.findings_left_out;
        if all > listed {
            let text = format!("{} further findings are not listed here.", all - listed);
            self.text("p", &text);
        }
    }

    fn rest(&mut self, outcome: &Outcome) {
        if !outcome.errors.is_empty() {
            self.text("h2", "Errors that the plugin answered with");
            let rows = outcome.errors.iter();
            self.pairs(rows.map(|(at, text)| (at.to_string(), text.clone())));
        }
        if !outcome.objects.is_empty() {
            self.text("h2", "Objects");
            let rows = outcome.objects.iter().take(LISTED_MAX);
            self.pairs(rows.map(|(name, size)| (name.clone(), bytes(*size))));
        }
        if !outcome.metrics.is_empty() {
            self.text("h2", "Metrics");
            let rows = outcome.metrics.iter().take(LISTED_MAX);
            self.pairs(rows.cloned());
        }
    }

    fn pairs(&mut self, rows: impl Iterator<Item = (String, String)>) {
        self.raw("<table><tbody>\n");
        for (name, value) in rows {
            self.raw("<tr>");
            self.text("td", &name);
            self.text("td", &value);
            self.raw("</tr>\n");
        }
        self.raw("</tbody></table>\n");
    }
}

fn cells(finding: &Finding) -> [String; 6] {
    [
        finding.at.to_string(),
        finding.kind.clone(),
        finding.phase.as_str().to_owned(),
        score_word(finding.score),
        region_words(finding.region),
        finding.text.clone(),
    ]
}

#[cfg(test)]
#[path = "page_tests.rs"]
mod tests;
