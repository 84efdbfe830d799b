//! What a film is made of, told: `report.html`, the table beside the frames, and choices to be edited.

use std::collections::BTreeMap;
use std::fmt::Write as _;

use jiff::Timestamp;
use jiff::civil::Date;
use jiff::tz::TimeZone;

use super::choices;
use super::plan::date_of;
use super::render::thumb_name;
use super::store::Store;
use super::{LapseError, LapseRequest, Made, length};
use crate::markup::{Images, Markup, embedded, escaped};
use forebay_darkroom::calendar::Instant;
use forebay_darkroom::film::Shown;

const STYLE: &str = include_str!("report.css");
/// Slots that are listed; `choices.txt` has all of them.
const LISTED_MAX: usize = 120;
/// Points of a curve.
const POINTS_MAX: usize = 1200;
const CHART: (f64, f64) = (1000.0, 160.0);

/// Writes all three. Gives the number of decisions in `choices.txt` that are not in force: somebody has made
/// them there since, and not handed them over.
pub(super) fn write(
    store: &Store,
    request: &LapseRequest,
    made: &Made,
    thumbs: &[usize],
    film_size: (usize, usize),
) -> Result<usize, LapseError> {
    store.put(
        "frames/frames.csv".as_ref(),
        table(request, made).as_bytes(),
    )?;
    let waiting = choices::write(store, request, made)?;
    let page = Page {
        store,
        request,
        made,
    };
    store.put(
        "report.html".as_ref(),
        page.write(thumbs, film_size).as_bytes(),
    )?;
    Ok(waiting)
}

fn utc(at: Instant) -> String {
    Timestamp::from_nanosecond(at.into()).map_or_else(|_| at.to_string(), |at| format!("{at:.3}"))
}

fn local(at: Instant, zone: &TimeZone) -> String {
    let Ok(at) = Timestamp::from_nanosecond(at.into()) else {
        return at.to_string();
    };
    at.to_zoned(zone.clone())
        .strftime("%Y-%m-%d %H:%M:%S%:z")
        .to_string()
}

pub(super) fn minute(at: Instant, zone: &TimeZone) -> String {
    let Ok(at) = Timestamp::from_nanosecond(at.into()) else {
        return at.to_string();
    };
    at.to_zoned(zone.clone())
        .strftime("%Y-%m-%d %H:%M")
        .to_string()
}

fn quoted(text: &str) -> String {
    match text.contains([',', '"', '\n']) {
        true => format!("\"{}\"", text.replace('"', "\"\"")),
        false => text.to_owned(),
    }
}

/// A line for each frame of the film (RFC 4180).
fn table(request: &LapseRequest, made: &Made) -> String {
    let mut text = String::from(
        "frame,shows,time_utc,time_local,source,score,sharp,exposed,clear,clean,open,timely,\
         shift_x_pixels,shift_y_pixels,turn_degrees,correlation,view,luma_before,luma_after\r\n",
    );
    let size = (made.size.0 as f64, made.size.1 as f64);
    for (shown, number) in made.shown.iter().zip(1..) {
        let first = shown.first();
        let what = match shown {
            Shown::Frame(_) => "frame",
            Shown::Held(_) => "held",
            Shown::Between(..) => "dissolve",
        };
        let row = made
            .taken
            .get(first)
            .zip(made.poses.get(first))
            .zip(made.brightness.get(first));
        let Some(((taken, pose), (before, after))) = row else {
            continue;
        };
        let Some(candidate) = made.plan.candidates.get(taken.candidate) else {
            continue;
        };
        let (x, y) = pose.affine.middle(size);
        write!(
            text,
            "{number},{what},{},{},{},{:.3}",
            utc(candidate.at),
            local(candidate.at, &request.zone),
            quoted(&candidate.name()),
            taken.scores.total(&request.taste.weights)
        )
        .ok();
        for (_, score, _) in taken.scores.parts(&request.taste.weights) {
            write!(text, ",{score:.3}").ok();
        }
        write!(
            text,
            ",{x:.2},{y:.2},{:.4},{:.3},{},{before:.2},{after:.2}\r\n",
            pose.affine.degrees(),
            pose.correlation,
            pose.view
        )
        .ok();
    }
    text
}

struct Page<'a> {
    store: &'a Store,
    request: &'a LapseRequest,
    made: &'a Made,
}

impl Page<'_> {
    fn time(&self, taken: usize) -> Instant {
        let candidate = self
            .made
            .taken
            .get(taken)
            .and_then(|t| self.made.plan.candidates.get(t.candidate));
        candidate.map_or(0, |candidate| candidate.at)
    }

    fn write(&self, thumbs: &[usize], (width, height): (usize, usize)) -> String {
        let (made, request) = (self.made, self.request);
        let mut page = Markup::page("Film report", STYLE, Images::Embedded);
        page.text("h1", "What this film is made of");
        let rate = request.frames_per_second;
        let seconds = length(made.shown.len(), rate).as_secs_f64();
        let ends = made.taken.first().zip(made.taken.last()).map(|_| {
            let last = made.taken.len().saturating_sub(1);
            (
                minute(self.time(0), &request.zone),
                minute(self.time(last), &request.zone),
            )
        });
        let (from, to) = ends.unwrap_or_default();
        page.raw("<dl class=\"facts\">\n");
        let share =
            made.common.width * made.common.height / (made.size.0 * made.size.1).max(1) as f64;
        for (name, value) in [
            ("from", from),
            ("to", to),
            ("length", format!("{seconds:.1} s at {rate} a second")),
            ("size", format!("{width} × {height}")),
            ("candidates", made.plan.candidates.len().to_string()),
            ("looked at", made.plan.looked_at().to_string()),
            ("frames chosen", made.taken.len().to_string()),
            (
                "held or dissolved",
                (made.shown.len() - made.taken.len()).to_string(),
            ),
            ("days wanted", made.plan.calendar.days.len().to_string()),
            ("days missing", made.missing_days.len().to_string()),
            ("picture kept", format!("{:.1} %", 100.0 * share)),
        ] {
            page.raw("<div>");
            page.text("dt", name);
            page.text("dd", &value);
            page.raw("</div>\n");
        }
        page.raw("</dl>\n");
        self.sheet(&mut page, thumbs);
        self.brightness(&mut page);
        self.movement(&mut page);
        self.dropped(&mut page);
        self.missing(&mut page);
        page.end("Made")
    }

    fn sheet(&self, page: &mut Markup, thumbs: &[usize]) {
        page.text("h2", "By week");
        page.raw("<div class=\"sheet\">\n");
        for number in thumbs {
            let Ok(jpeg) = std::fs::read(self.store.path(&thumb_name(*number))) else {
                continue;
            };
            let Some(shown) = self.made.shown.get(*number) else {
                continue;
            };
            let when = minute(self.time(shown.first()), &self.request.zone);
            let frame = number + 1;
            writeln!(
                page,
                "<figure><img alt=\"frame {frame}\" src=\"{}\"/>\
                 <figcaption>{when} <small>{frame}</small></figcaption></figure>",
                embedded(&jpeg)
            )
            .ok();
        }
        page.raw("</div>\n");
    }

    fn brightness(&self, page: &mut Markup) {
        let made = self.made;
        page.text("h2", "Brightness before and after");
        let before: Vec<f64> = made.brightness.iter().map(|(before, _)| *before).collect();
        let after: Vec<f64> = made.brightness.iter().map(|(_, after)| *after).collect();
        page.text(
            "p class=\"soft\"",
            &format!(
                "Mean luma of each chosen frame, 0 to 255. From frame to frame it differs by {:.2} before \
                 and {:.2} after (root of the mean square).",
                unrest(&before),
                unrest(&after)
            ),
        );
        self.chart(
            page,
            (0.0, 255.0),
            &[("before", &before), ("after", &after)],
            &[],
        );
        for jump in made.jumps.iter().take(LISTED_MAX) {
            page.text(
                "p",
                &format!(
                    "{}: a jump by {:+.0} levels that stays, spread over {} frames.",
                    minute(self.time(jump.frame), &self.request.zone),
                    jump.levels,
                    2 * self.request.frames_per_second
                ),
            );
        }
    }

    fn movement(&self, page: &mut Markup) {
        let made = self.made;
        page.text("h2", "Movement of the camera");
        if self.request.align.is_none() {
            page.text("p", "Not measured: frames lie as they were captured.");
            return;
        }
        let size = (made.size.0 as f64, made.size.1 as f64);
        let middles: Vec<(f64, f64)> = made
            .poses
            .iter()
            .map(|pose| pose.affine.middle(size))
            .collect();
        let x: Vec<f64> = middles.iter().map(|(x, _)| *x).collect();
        let y: Vec<f64> = middles.iter().map(|(_, y)| *y).collect();
        let most = x
            .iter()
            .chain(&y)
            .fold(2.0f64, |most, value| most.max(value.abs()));
        let unsure = made
            .poses
            .iter()
            .filter(|pose| pose.correlation == 0.0)
            .count();
        page.text(
            "p class=\"soft\"",
            &format!(
                "How far the middle of the picture stood from where it stood first, in pixels of {} × {}; it \
                 was taken back. {unsure} frames could not be measured (fog, night) and lie like the frame \
                 before them.",
                made.size.0, made.size.1
            ),
        );
        if let Some(doubt) = made.doubt() {
            page.text("p", &doubt);
        }
        let marks: Vec<usize> = made.steps.iter().map(|step| step.taken).collect();
        self.chart(
            page,
            (-most, most),
            &[("to the right", &x), ("down", &y)],
            &marks,
        );
        if made.steps.is_empty() {
            page.text("p", "No knocks.");
        } else {
            page.raw("<table><thead><tr><th>knock before</th><th class=\"n\">to the right</th>");
            page.raw("<th class=\"n\">down</th><th class=\"n\">turn</th></tr></thead><tbody>\n");
            for step in made.steps.iter().take(LISTED_MAX) {
                writeln!(
                    page,
                    "<tr><td>{}</td><td class=\"n\">{:+.1} px</td><td class=\"n\">{:+.1} px</td>\
                     <td class=\"n\">{:+.2}°</td></tr>",
                    minute(self.time(step.taken), &self.request.zone),
                    step.pixels.0,
                    step.pixels.1,
                    step.degrees
                )
                .ok();
            }
            page.raw("</tbody></table>\n");
        }
        if !made.turns.is_empty() {
            let turns = made.turns.iter().take(LISTED_MAX);
            let turns = turns.map(|taken| minute(self.time(*taken), &self.request.zone));
            page.text(
                "p",
                &format!(
                    "The camera was turned so far that its pictures could not be laid upon those before, \
                     before {}; the film cuts there. Regions that hide something stay where they were in the \
                     picture: look whether they still cover what they are for.",
                    turns.collect::<Vec<_>>().join("; ")
                ),
            );
        }
    }

    fn dropped(&self, page: &mut Markup) {
        let (made, weights) = (self.made, &self.request.taste.weights);
        page.text("h2", "What was dropped, and why");
        let mut reasons: BTreeMap<String, usize> = BTreeMap::new();
        for choice in &made.choices {
            for (index, scores) in &choice.ranked {
                if choice.taken.is_none_or(|(taken, _)| taken != *index) {
                    let reason = scores
                        .worst(weights)
                        .unwrap_or("as good as another of its slot");
                    *reasons.entry(reason.to_owned()).or_default() += 1;
                }
            }
        }
        for (_, text) in &made.unreadable {
            *reasons.entry(format!("can’t be used: {text}")).or_default() += 1;
        }
        for (reason, passed) in &made.plan.passed_over {
            *reasons
                .entry(format!("{reason} ({} …)", passed.example))
                .or_default() += passed.count;
        }
        page.raw("<table><thead><tr><th class=\"n\">frames</th><th>mostly for</th></tr></thead><tbody>\n");
        let mut rows: Vec<(&String, &usize)> = reasons.iter().collect();
        rows.sort_by(|a, b| b.1.cmp(a.1));
        for (reason, count) in rows.iter().take(40) {
            writeln!(
                page,
                "<tr><td class=\"n\">{count}</td><td>{}</td></tr>",
                escaped(reason)
            )
            .ok();
        }
        page.raw("</tbody></table>\n");
        let empty: Vec<_> = made
            .choices
            .iter()
            .zip(&made.plan.calendar.slots)
            .filter(|(choice, _)| choice.taken.is_none())
            .collect();
        if empty.is_empty() {
            return;
        }
        page.text(
            "p",
            &format!(
                "{} places of the film have no frame of their own; {}:",
                empty.len(),
                self.request.missing.words()
            ),
        );
        page.raw("<table><thead><tr><th>wanted</th><th>best</th><th class=\"n\">score</th><th>why not</th>");
        page.raw("</tr></thead><tbody>\n");
        for (choice, slot) in empty.iter().take(LISTED_MAX) {
            let when = slot
                .wanted
                .first()
                .map_or_else(String::new, |at| minute(*at, &self.request.zone));
            let (name, score, why) = match choice.ranked.first() {
                Some((index, scores)) => (
                    made.plan
                        .candidates
                        .get(*index)
                        .map(|candidate| candidate.name())
                        .unwrap_or_default(),
                    format!("{:.2}", scores.total(weights)),
                    scores
                        .worst(weights)
                        .unwrap_or("dropped by hand, or of another day than its neighbours"),
                ),
                None => (
                    String::new(),
                    String::new(),
                    "no candidate, or none that can be read",
                ),
            };
            writeln!(
                page,
                "<tr><td>{when}</td><td>{}</td><td class=\"n\">{score}</td><td>{why}</td></tr>",
                escaped(&name)
            )
            .ok();
        }
        page.raw("</tbody></table>\n");
        if empty.len() > LISTED_MAX {
            page.text(
                "p",
                &format!("… and {} more: see choices.txt.", empty.len() - LISTED_MAX),
            );
        }
    }

    fn missing(&self, page: &mut Markup) {
        let made = self.made;
        page.text("h2", "Missing days");
        if made.missing_days.is_empty() {
            page.text("p", "None.");
            return;
        }
        // Days that follow each other for the same reason share a line.
        let mut runs: Vec<(Date, Date, bool)> = Vec::new();
        for day in &made.missing_days {
            let none = made.plan.missing_days.binary_search(day).is_ok();
            match runs.last_mut() {
                Some((_, last, without))
                    if *without == none && last.tomorrow().is_ok_and(|next| next == *day) =>
                {
                    *last = *day;
                }
                _ => runs.push((*day, *day, none)),
            }
        }
        page.raw("<ul class=\"days\">\n");
        for (first, last, none) in runs.iter().take(LISTED_MAX) {
            let days = first.until(*last).map_or(1, |span| span.get_days() + 1);
            let why = match none {
                true => "no frames in the wanted hours",
                false => "no frame good enough",
            };
            let text = match days {
                1 => format!("{first}: {why}"),
                _ => format!("{first} to {last}, {days} days: {why}"),
            };
            page.text("li", &text);
        }
        page.raw("</ul>\n");
    }

    /// Curves over the frames that were taken, with the dates of a few of them.
    fn chart(
        &self,
        page: &mut Markup,
        (low, high): (f64, f64),
        curves: &[(&str, &[f64])],
        marks: &[usize],
    ) {
        let (width, height) = CHART;
        let count = self.made.taken.len();
        let x =
            |number: f64| 40.0 + (width - 50.0) * number / count.saturating_sub(1).max(1) as f64;
        let y = |value: f64| 8.0 + (height - 30.0) * (1.0 - (value - low) / (high - low).max(1e-9));
        write!(page, "<svg viewBox=\"0 0 {width} {height}\" role=\"img\">").ok();
        for value in [low, (low + high) / 2.0, high] {
            let y = y(value);
            write!(
                page,
                "<line class=\"grid\" x1=\"40\" x2=\"{}\" y1=\"{y:.1}\" y2=\"{y:.1}\"/>",
                width - 10.0
            )
            .ok();
            write!(
                page,
                "<text x=\"34\" y=\"{:.1}\" class=\"end\">{value:.0}</text>",
                y + 4.0
            )
            .ok();
        }
        for mark in marks {
            let x = x(*mark as f64);
            write!(
                page,
                "<line class=\"mark\" x1=\"{x:.1}\" x2=\"{x:.1}\" y1=\"8\" y2=\"{:.1}\"/>",
                height - 22.0
            )
            .ok();
        }
        for ((_, values), nth) in curves.iter().zip(0..) {
            let step = values.len().div_ceil(POINTS_MAX).max(1);
            write!(page, "<polyline class=\"curve{nth}\" points=\"").ok();
            for (chunk, index) in values.chunks(step).zip(0..) {
                // Of several the one that lies farthest from the middle: what flickers is to be seen.
                let middle = (low + high) / 2.0;
                let far = chunk
                    .iter()
                    .max_by(|a, b| (*a - middle).abs().total_cmp(&(*b - middle).abs()));
                let value = far.copied().unwrap_or(middle).clamp(low, high);
                write!(page, "{:.1},{:.1} ", x((index * step) as f64), y(value)).ok();
            }
            page.raw("\"/>");
        }
        for nth in 0..=4 {
            let taken = count.saturating_sub(1) * nth / 4;
            let anchor = ["start", "mid", "mid", "mid", "end"]
                .get(nth)
                .copied()
                .unwrap_or("mid");
            let day = date_of(self.time(taken), &self.request.zone)
                .map_or_else(String::new, |day| day.to_string());
            write!(
                page,
                "<text x=\"{:.1}\" y=\"{}\" class=\"{anchor}\">{day}</text>",
                x(taken as f64),
                height - 6.0
            )
            .ok();
        }
        page.raw("</svg>\n<p class=\"soft\">");
        for ((name, _), nth) in curves.iter().zip(0..) {
            write!(
                page,
                "<span class=\"key key{nth}\"></span> {} ",
                escaped(name)
            )
            .ok();
        }
        page.raw("</p>\n");
    }
}

/// How much a row differs from one to the next: the root of the mean square.
fn unrest(values: &[f64]) -> f64 {
    let differences = values
        .iter()
        .zip(values.iter().skip(1))
        .map(|(a, b)| (b - a).powi(2));
    (differences.sum::<f64>() / values.len().saturating_sub(1).max(1) as f64).sqrt()
}
