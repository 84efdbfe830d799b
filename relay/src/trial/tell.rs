//! A trial in words and in JSON. What is the same each time and what is not never share a text.

use std::fmt::Write as _;

use serde::Serialize;

use super::meter::Figures;
use super::outcome::Outcome;
use crate::archive::findings::{Finding, Region};
use crate::sinks::{Compiled, World};
use crate::units::CaptureTime;

/// Findings printed; `--out` and JSON have them all.
const PRINTED_MAX: usize = 500;

/// The outcome for a terminal.
#[must_use]
pub fn text(outcome: &Outcome) -> String {
    let mut text = String::new();
    let facts = facts(outcome);
    let width = facts.iter().map(|(name, _)| name.len()).max().unwrap_or(0);
    for (name, value) in &facts {
        writeln!(text, "{name:width$}  {value}").ok();
    }
    for (at, error) in &outcome.errors {
        writeln!(text, "error at {at}: {error}").ok();
    }
    if !outcome.findings.is_empty() {
        let kinds = outcome.findings.iter().map(|finding| finding.kind.len());
        let wide = kinds.max().unwrap_or(0);
        writeln!(text).ok();
        for finding in outcome.findings.iter().take(PRINTED_MAX) {
            let line = format!(
                "{}  {:wide$}  {:5}  {}  {}  {}",
                finding.at,
                finding.kind,
                finding.phase.as_str(),
                score_word(finding.score),
                region_words(finding.region),
                finding.text
            );
            writeln!(text, "{}", line.trim_end()).ok();
        }
        let all = outcome.findings.len() as u64 + outcome.findings_left_out;
        let printed = outcome.findings.len().min(PRINTED_MAX) as u64;
        if all > printed {
            writeln!(text, "… and {} more", all - printed).ok();
        }
    }
    for (heading, rows) in [
        (
            "objects",
            outcome
                .objects
                .iter()
                .map(|(name, size)| (name.clone(), bytes(*size)))
                .collect(),
        ),
        ("metrics", outcome.metrics.clone()),
    ] {
        let rows: Vec<(String, String)> = rows;
        if !rows.is_empty() {
            writeln!(text, "\n{heading}").ok();
            for (name, value) in rows.iter().take(PRINTED_MAX) {
                writeln!(text, "  {name}  {value}").ok();
            }
        }
    }
    if let Some((at, why)) = &outcome.ended {
        writeln!(text, "\nthe plugin ended at {at}: {why}").ok();
    }
    text
}

/// What there is to say in a line each.
pub(super) fn facts(outcome: &Outcome) -> Vec<(&'static str, String)> {
    let seen = &outcome.seen;
    let mut facts = vec![
        (
            "plugin",
            match outcome.world {
                Some(World::Sink) => format!("{}, a sink", outcome.plugin),
                Some(World::Analyzer) => format!("{}, an analyzer", outcome.plugin),
                None => outcome.plugin.clone(),
            },
        ),
        ("input", outcome.input.clone()),
    ];
    if let Some((begin, end)) = outcome.span {
        let seconds = outcome.seconds();
        let text = format!("{begin} to {end}, {seconds:.1} s, {} units", outcome.units);
        facts.push(("footage", text));
    }
    match outcome.world {
        Some(World::Analyzer) => {
            let mut text = format!("{} shown", seen.pictures);
            if seen.undecoded > 0 {
                let why = seen.fault.as_deref().unwrap_or_default();
                write!(text, ", {} not decoded ({why})", seen.undecoded).ok();
            }
            facts.push(("pictures", text));
        }
        _ => facts.push(("units", format!("{} handed over", seen.units))),
    }
    let calls = outcome.calls.iter();
    let calls: Vec<_> = calls
        .map(|(name, count)| format!("{name} {count}"))
        .collect();
    facts.push(("calls", calls.join(", ")));
    facts.push((
        "memory",
        format!(
            "{} at the most, of {}",
            bytes(outcome.memory_bytes as u64),
            bytes(outcome.memory_bytes_max)
        ),
    ));
    if outcome.errors_count > 0 {
        facts.push(("errors", outcome.errors_count.to_string()));
    }
    if seen.unreadable > 0 {
        let why = seen.unreadable_why.as_deref().unwrap_or_default();
        facts.push(("unreadable", format!("{} pieces ({why})", seen.unreadable)));
    }
    if seen.leaps > 0 {
        let text = format!("{} of more than a day each were leapt over", seen.leaps);
        facts.push(("gaps", text));
    }
    let all = outcome.findings.len() as u64 + outcome.findings_left_out;
    facts.push(("findings", all.to_string()));
    facts
}

/// The outcome as one JSON object.
///
/// # Errors
/// When it can't be written: a defect.
pub fn json(outcome: &Outcome) -> Result<String, serde_json::Error> {
    let mut text = serde_json::to_string_pretty(&Told::new(outcome))?;
    text.push('\n');
    Ok(text)
}

#[derive(Serialize)]
struct Told<'a> {
    plugin: &'a str,
    world: Option<&'static str>,
    input: &'a str,
    begin: Option<String>,
    end: Option<String>,
    units: u64,
    units_handed_over: u64,
    pictures_shown: u64,
    pictures_not_decoded: u64,
    pieces_unreadable: u64,
    calls: &'a std::collections::BTreeMap<&'static str, u64>,
    memory_bytes: usize,
    errors: u64,
    error_texts: Vec<(String, &'a str)>,
    findings: Vec<ToldFinding<'a>>,
    findings_left_out: u64,
    objects: Vec<ToldObject<'a>>,
    metrics: std::collections::BTreeMap<&'a str, &'a str>,
    ended: Option<(String, &'a str)>,
}

#[derive(Serialize)]
struct ToldFinding<'a> {
    at: String,
    kind: &'a str,
    phase: &'static str,
    score: f64,
    stream: &'static str,
    region: Option<ToldRegion>,
    text: &'a str,
}

#[derive(Serialize)]
struct ToldRegion {
    left: f64,
    top: f64,
    width: f64,
    height: f64,
}

#[derive(Serialize)]
struct ToldObject<'a> {
    name: &'a str,
    bytes: u64,
}

impl<'a> Told<'a> {
    fn new(outcome: &'a Outcome) -> Self {
        let time = |at: CaptureTime| at.to_string();
        let errors = outcome.errors.iter();
        let objects = outcome.objects.iter();
        let metrics = outcome.metrics.iter();
        Self {
            plugin: &outcome.plugin,
            world: outcome.world.map(|world| match world {
                World::Sink => "sink",
                World::Analyzer => "analyzer",
            }),
            input: &outcome.input,
            begin: outcome.span.map(|(begin, _)| time(begin)),
            end: outcome.span.map(|(_, end)| time(end)),
            units: outcome.units,
            units_handed_over: outcome.seen.units,
            pictures_shown: outcome.seen.pictures,
            pictures_not_decoded: outcome.seen.undecoded,
            pieces_unreadable: outcome.seen.unreadable,
            calls: &outcome.calls,
            memory_bytes: outcome.memory_bytes,
            errors: outcome.errors_count,
            error_texts: errors
                .map(|(at, text)| (time(*at), text.as_str()))
                .collect(),
            findings: outcome.findings.iter().map(ToldFinding::new).collect(),
            findings_left_out: outcome.findings_left_out,
            objects: objects
                .map(|(name, bytes)| ToldObject {
                    name,
                    bytes: *bytes,
                })
                .collect(),
            metrics: metrics
                .map(|(name, value)| (name.as_str(), value.as_str()))
                .collect(),
            ended: outcome
                .ended
                .as_ref()
                .map(|(at, why)| (time(*at), why.as_str())),
        }
    }
}

impl<'a> ToldFinding<'a> {
    fn new(finding: &'a Finding) -> Self {
        Self {
            at: finding.at.to_string(),
            kind: &finding.kind,
            phase: finding.phase.as_str(),
            score: finding.score,
            stream: finding.source.as_str(),
            region: finding.region.map(|region| ToldRegion {
                left: region.left,
                top: region.top,
                width: region.width,
                height: region.height,
            }),
            text: &finding.text,
        }
    }
}

/// What it cost, for a terminal.
#[must_use]
pub fn figures_text(outcome: &Outcome, figures: &Figures) -> String {
    let mut text = format!("{:10}{:>8}{:>12}{:>12}\n", "call", "calls", "mean", "max");
    for (name, call) in &figures.calls {
        let ms = |time: std::time::Duration| format!("{:.3} ms", time.as_secs_f64() * 1e3);
        writeln!(
            text,
            "{name:10}{:>8}{:>12}{:>12}",
            call.calls,
            ms(call.mean()),
            ms(call.cpu_max)
        )
        .ok();
    }
    let wall = figures.wall.as_secs_f64();
    writeln!(
        text,
        "{wall:.1} s in all, {:.1} s of them decoding; {:.1} times as fast as the footage",
        figures.decoding.as_secs_f64(),
        outcome.seconds() / wall.max(0.001)
    )
    .ok();
    let Compiled { anew, from_cache } = figures.compiled;
    writeln!(text, "code: {anew} compiled, {from_cache} from the cache").ok();
    text
}

/// What it cost, as one JSON object: seconds of processor time for each function, and on the wall;
/// how much code (plugin, decoder) was compiled, and how much was there compiled.
///
/// # Errors
/// When it can't be written: a defect.
pub fn figures_json(outcome: &Outcome, figures: &Figures) -> Result<String, serde_json::Error> {
    let calls: serde_json::Map<_, _> = figures
        .calls
        .iter()
        .map(|(name, call)| {
            let told = serde_json::json!({
                "calls": call.calls,
                "cpu_seconds": call.cpu.as_secs_f64(),
                "cpu_seconds_mean": call.mean().as_secs_f64(),
                "cpu_seconds_max": call.cpu_max.as_secs_f64(),
            });
            ((*name).to_owned(), told)
        })
        .collect();
    let mut text = serde_json::to_string_pretty(&serde_json::json!({
        "calls": calls,
        "wall_seconds": figures.wall.as_secs_f64(),
        "decoding_seconds": figures.decoding.as_secs_f64(),
        "footage_seconds": outcome.seconds(),
        "compiled": figures.compiled.anew,
        "from_cache": figures.compiled.from_cache,
    }))?;
    text.push('\n');
    Ok(text)
}

pub(super) fn score_word(score: f64) -> String {
    format!("{score:.3}")
}

/// A value of any size, to four digits.
pub(super) fn value_word(value: f64) -> String {
    let size = value.abs();
    if size != 0.0 && !(1e-3..1e15).contains(&size) {
        return format!("{value:.3e}");
    }
    let digits = match size {
        size if size < 1.0 => 4,
        size if size < 10.0 => 3,
        size if size < 100.0 => 2,
        size if size < 1000.0 => 1,
        _ => 0,
    };
    let text = format!("{value:.digits$}");
    match text.contains('.') {
        true => text.trim_end_matches('0').trim_end_matches('.').to_owned(),
        false => text,
    }
}

/// Left, top, width and height in per cent.
pub(super) fn region_words(region: Option<Region>) -> String {
    let Some(region) = region else {
        return String::new();
    };
    let percent = |share: f64| format!("{:.1}", share * 100.0);
    format!(
        "{}%,{}% {}×{}%",
        percent(region.left),
        percent(region.top),
        percent(region.width),
        percent(region.height)
    )
}

pub(super) fn bytes(count: u64) -> String {
    if count < 10_240 {
        format!("{count} bytes")
    } else if count < 10 << 20 {
        format!("{:.1} KiB", count as f64 / 1024.0)
    } else {
        format!("{:.1} MiB", count as f64 / f64::from(1 << 20))
    }
}
