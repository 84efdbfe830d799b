//! Holes in the numbers of the pictures, beside the gaps of the ledger. Pure.

use std::collections::{BTreeMap, BTreeSet};
use std::fmt::Write as _;

use super::ledger::{Account, Gap};
use super::schedule::{Event, Kind, Need};
use super::stage::Outcome;
use super::{CAMERAS, Cause, FRAME, Plan};
use crate::recording::Mark;

/// How far an edge of the ledger may be from that of the pictures.
const EDGE: f64 = FRAME;
/// The first picture after a start may come later than its like by some round trips, by TCP's slow
/// start, and a relay without a past can't know that.
const SLOW_START: f64 = 0.12;
/// The cameras' pictures are even to this; seconds.
const EVEN: f64 = 0.002;
/// A gap belongs to an event that is no further away.
const REACH: f64 = 12.0;
/// What is shorter is no gap: the ledger allows a sample and 20 ms between two files.
const HOLE_MIN: f64 = FRAME + 0.021;

/// From when to when, Unix seconds.
type Span = (f64, f64);

/// All that was found.
#[derive(Debug, Default)]
pub struct Report {
    /// For people: a line for each event and camera of which something is missing.
    pub table: String,
    /// What is not as it must be, a line each.
    pub failures: Vec<String>,
}

/// A stretch in which pictures are missing, or were not wanted, and what the ledger makes of it.
struct Row<'a> {
    event: Option<&'a Event>,
    camera: usize,
    hole: Span,
    gaps: Vec<&'a Gap>,
}

impl Row<'_> {
    fn errors(&self) -> Option<(f64, f64)> {
        let (first, last) = (self.gaps.first()?, self.gaps.last()?);
        Some((first.begin - self.hole.0, last.end - self.hole.1))
    }
}

/// Compares them.
#[must_use]
pub fn compare(plan: &Plan, outcome: &Outcome) -> Report {
    let mut report = Report::default();
    let mut rows = Vec::new();
    for (camera, name) in CAMERAS.into_iter().enumerate() {
        let Some(account) = outcome.accounts.iter().find(|told| told.camera == name) else {
            report.failures.push(format!("{name}: no account"));
            continue;
        };
        let spans = spans(&outcome.footage[camera], plan.delay().as_secs_f64());
        let spans = match spans {
            Ok(spans) if !spans.is_empty() => spans,
            Ok(_) => {
                report.failures.push(format!("{name}: no footage"));
                continue;
            }
            Err(error) => {
                report.failures.push(format!("{name}: {error}"));
                continue;
            }
        };
        one(&mut report, &mut rows, outcome, account, camera, &spans);
    }
    for camera in 0..CAMERAS.len() {
        needs(&mut report, plan, outcome, &rows, camera);
    }
    same(&mut report, &outcome.accounts, &outcome.rebuilt);
    rows.sort_by(|a, b| {
        (a.hole.0, a.camera)
            .partial_cmp(&(b.hole.0, b.camera))
            .unwrap()
    });
    report.table = table(plan, outcome, &rows);
    report
}

/// When pictures were recorded, by their numbers.
fn spans(footage: &[Mark], delay: f64) -> Result<Vec<Span>, String> {
    let pictures: BTreeMap<u64, f64> = footage.iter().map(|m| (m.number, m.captured)).collect();
    if pictures.len() < footage.len() {
        let more = footage.len() - pictures.len();
        return Err(format!("{more} pictures are there more than once"));
    }
    let Some((first, begin)) = pictures.first_key_value() else {
        return Ok(Vec::new());
    };
    let mut spans: Vec<(u64, Span)> = Vec::new();
    for (number, captured) in &pictures {
        let even = begin + (number - first) as f64 * FRAME;
        if (captured - even).abs() > EVEN {
            return Err(format!("picture {number} was not taken in its time"));
        }
        let (from, until) = (even + delay, even + delay + FRAME);
        match spans.last_mut() {
            Some((last, span)) if *number == *last + 1 => (*last, span.1) = (*number, until),
            _ => spans.push((*number, (from, until))),
        }
    }
    Ok(spans.into_iter().map(|(_, span)| span).collect())
}

/// Gaps that touch each other.
fn blocks(account: &Account) -> Vec<Vec<&Gap>> {
    let mut blocks: Vec<Vec<&Gap>> = Vec::new();
    for gap in account
        .gaps
        .iter()
        .filter(|gap| gap.cause != Cause::Planned)
    {
        match blocks.last_mut() {
            Some(block) if block.last().is_some_and(|last| gap.begin - last.end < 1e-6) => {
                block.push(gap);
            }
            _ => blocks.push(vec![gap]),
        }
    }
    blocks
}

fn one<'a>(
    report: &mut Report,
    rows: &mut Vec<Row<'a>>,
    outcome: &'a Outcome,
    account: &'a Account,
    camera: usize,
    recorded: &[Span],
) {
    let name = CAMERAS[camera];
    let paused: Vec<&Event> = outcome
        .events
        .iter()
        .filter(|event| event.kind == Kind::Pause(camera))
        .collect();
    // From the account's begin to the first picture, between the others, and to its end.
    let mut holes = vec![(account.begin, recorded[0].0)];
    holes.extend(recorded.windows(2).map(|two| (two[0].1, two[1].0)));
    holes.push((recorded[recorded.len() - 1].1, account.end));
    for event in &paused {
        holes = holes
            .into_iter()
            .flat_map(|(from, until)| [(from, until.min(event.at)), (from.max(event.end()), until)])
            .filter(|(from, until)| from < until)
            .collect();
    }
    let mut blocks = blocks(account);
    for hole in &holes {
        let found = blocks
            .iter()
            .position(|block| block[0].begin < hole.1 && block[block.len() - 1].end > hole.0);
        let gaps = found.map_or(Vec::new(), |found| blocks.remove(found));
        if gaps.is_empty() && hole.1 - hole.0 <= HOLE_MIN {
            continue;
        }
        // A start and an end are no event's.
        let event = (hole.0 > account.begin && hole.1 < account.end)
            .then(|| near(outcome, camera, *hole))
            .flatten();
        rows.push(Row {
            event,
            camera,
            hole: *hole,
            gaps,
        });
    }
    for block in blocks {
        let (begin, end) = (block[0].begin, block[block.len() - 1].end);
        let causes = words(&block);
        report.failures.push(format!(
            "{name}: the ledger has a gap of {:.3} s ({causes}) from {} on, but all pictures are there",
            end - begin,
            when(outcome, begin),
        ));
    }
    let mut planned = account
        .gaps
        .iter()
        .filter(|gap| gap.cause == Cause::Planned);
    for event in paused {
        rows.push(Row {
            event: Some(event),
            camera,
            hole: (event.at, event.end()),
            gaps: planned.next().into_iter().collect(),
        });
    }
    if planned.next().is_some() {
        report
            .failures
            .push(format!("{name}: a pause that was not planned"));
    }
    for row in rows.iter().filter(|row| row.camera == camera) {
        judge(report, outcome, account, row);
    }
    // Wanted − recorded is what the holes are, but for what each edge may be wrong.
    let missing: f64 = holes.iter().map(|(from, until)| until - from).sum();
    let told = account.wanted - account.recorded;
    let slack = EDGE * 2.0 * holes.len() as f64;
    if (told - missing).abs() > slack {
        report.failures.push(format!(
            "{name}: {told:.3} s are missing by the ledger, {missing:.3} s by the pictures"
        ));
    }
}

/// The event that a hole comes of.
fn near(outcome: &Outcome, camera: usize, hole: Span) -> Option<&Event> {
    let away = |event: &&Event| (hole.0 - event.end()).max(event.at - hole.1).max(0.0);
    outcome
        .events
        .iter()
        .filter(|event| !event.causes(camera).contains(&Cause::Planned))
        .min_by(|a, b| away(a).total_cmp(&away(b)))
        .filter(|event| away(event) <= REACH)
}

fn judge(report: &mut Report, outcome: &Outcome, account: &Account, row: &Row<'_>) {
    let place = format!("{}, {}", CAMERAS[row.camera], when(outcome, row.hole.0));
    let is_start = row.hole.0 == account.begin;
    let is_end = row.hole.1 == account.end;
    let Some((begin, end)) = row.errors() else {
        let length = row.hole.1 - row.hole.0;
        report
            .failures
            .push(format!("{place}: {length:.3} s are missing, and no gap"));
        return;
    };
    let begins_anew = is_start || row.event.is_some_and(|event| event.kind == Kind::Kill);
    let edge_end = EDGE + if begins_anew { SLOW_START } else { 0.0 };
    if !is_start && begin.abs() > EDGE || !is_end && end.abs() > edge_end {
        report.failures.push(format!(
            "{place}: begin and end of the gap are wrong by {:.0} and {:.0} ms ({})",
            begin * 1000.0,
            end * 1000.0,
            words(&row.gaps)
        ));
    }
    // A start is the relay's, and its end too.
    let causes = match row.event {
        _ if is_start || is_end => &[Cause::Relay],
        Some(event) => event.causes(row.camera),
        None => &[][..],
    };
    for gap in &row.gaps {
        if !causes.contains(&gap.cause) {
            report.failures.push(format!(
                "{place}: {:.3} s are put down to {} ({:?}), want {causes:?}",
                gap.end - gap.begin,
                gap.cause,
                gap.detail
            ));
        }
    }
}

/// Whether each event has cost what it must and no more.
fn needs(report: &mut Report, plan: &Plan, outcome: &Outcome, rows: &[Row<'_>], camera: usize) {
    for event in &outcome.events {
        let of_event = |row: &&Row<'_>| row.camera == camera && row.event == Some(event);
        let cost: f64 = rows
            .iter()
            .filter(of_event)
            .map(|row| row.hole.1 - row.hole.0)
            .sum();
        let wrong = match event.need(camera, plan) {
            Need::Gap if cost == 0.0 => "nothing is missing".to_owned(),
            Need::Nothing if cost > 0.0 => format!("{cost:.3} s are missing"),
            _ => continue,
        };
        report.failures.push(format!(
            "{}, {}: {:?} of {:.2} s, and {wrong}",
            CAMERAS[camera],
            when(outcome, event.at),
            event.kind,
            event.length
        ));
    }
}

/// A catalog made anew says the same.
fn same(report: &mut Report, accounts: &[Account], rebuilt: &[Account]) {
    for (one, other) in accounts.iter().zip(rebuilt) {
        let edges = |account: &Account| -> Vec<(Cause, i64, i64)> {
            let ms = |seconds: f64| (seconds * 1000.0).round() as i64;
            let gaps = account.gaps.iter();
            gaps.map(|gap| (gap.cause, ms(gap.begin), ms(gap.end)))
                .collect()
        };
        if edges(one) != edges(other) {
            report.failures.push(format!(
                "{}: the catalog made anew tells other gaps:\n  {:?}\n  {:?}",
                one.camera, one.gaps, other.gaps
            ));
        }
    }
    if accounts.len() != rebuilt.len() {
        report
            .failures
            .push("the catalog made anew lacks a camera".to_owned());
    }
}

fn words(gaps: &[&Gap]) -> String {
    let each = gaps
        .iter()
        .map(|gap| format!("{} {:.3}", gap.cause, gap.end - gap.begin));
    each.collect::<Vec<_>>().join(" + ")
}

/// As the table has it: seconds from the begin of the first account.
fn when(outcome: &Outcome, unix: f64) -> String {
    let begins = outcome.accounts.iter().map(|account| account.begin);
    format!("{:.3}", unix - begins.fold(f64::INFINITY, f64::min))
}

fn table(plan: &Plan, outcome: &Outcome, rows: &[Row<'_>]) -> String {
    let mut text = format!(
        "seed {}, {} events, {}; times in seconds from the relay's start\n\n{:>8} {:<13} {:>6}  {:<10} \
         {:<13} {:>7} {:>7}  {:>6} {:>6}  ledger\n",
        plan.seed,
        outcome.events.len(),
        if plan.bed {
            "emulated link"
        } else {
            "simulated site"
        },
        "at",
        "event",
        "for",
        "camera",
        "expected",
        "from",
        "lasts",
        "begin",
        "end ms",
    );
    let mut shown = BTreeSet::new();
    for row in rows {
        let event = row.event;
        let key = event.map(|event| event.at.to_bits());
        let first = shown.insert(key);
        let [at, kind, length] = match event {
            Some(event) if first => [
                when(outcome, event.at),
                format!("{:?}", event.kind),
                format!("{:.2}", event.length),
            ],
            _ => Default::default(),
        };
        let expected = event.map_or(&[][..], |event| event.causes(row.camera));
        let expected: Vec<String> = expected.iter().map(ToString::to_string).collect();
        let [begin, end] = match row.errors() {
            Some((begin, end)) => [begin, end].map(|error| format!("{:.0}", error * 1000.0)),
            None => ["-", "-"].map(str::to_owned),
        };
        // Writing to a string can't fail.
        writeln!(
            text,
            "{at:>8} {kind:<13} {length:>6}  {:<10} {:<13} {:>7} {:>7.3}  {begin:>6} {end:>6}  {}",
            CAMERAS[row.camera],
            expected.join("|"),
            when(outcome, row.hole.0),
            row.hole.1 - row.hole.0,
            words(&row.gaps),
        )
        .ok();
    }
    let costless = outcome.events.iter().filter(|event| {
        let key = Some(event.at.to_bits());
        !shown.contains(&key)
    });
    for event in costless {
        writeln!(
            text,
            "{:>8} {:<13} {:>6.2}  nothing is missing",
            when(outcome, event.at),
            format!("{:?}", event.kind),
            event.length
        )
        .ok();
    }
    text
}

#[cfg(test)]
mod tests {
    use super::*;

    const PLAN: Plan = Plan {
        seed: 1,
        rounds: 1,
        bed: false,
        storage: false,
    };
    /// First picture; its number is 100.
    const BEGIN: f64 = 1000.5;

    /// Half a minute of pictures without those of `missing`.
    fn footage(missing: std::ops::Range<u64>) -> Vec<Mark> {
        let numbers = (0..360).filter(|number| !missing.contains(number));
        let mark = |number: u64| Mark {
            number: number + 100,
            captured: BEGIN + number as f64 * FRAME,
            told: None,
        };
        numbers.map(mark).collect()
    }

    fn gap(cause: Cause, begin: f64, end: f64) -> Gap {
        Gap {
            begin,
            end,
            cause,
            detail: String::new(),
        }
    }

    fn account(camera: &str, gaps: Vec<Gap>) -> Account {
        let mut all = vec![gap(Cause::Relay, 1000.0, BEGIN)];
        all.extend(gaps);
        let missing = all.iter().filter(|gap| gap.cause != Cause::Planned);
        let missing: f64 = missing.map(|gap| gap.end - gap.begin).sum();
        Account {
            camera: camera.into(),
            begin: 1000.0,
            end: BEGIN + 30.0,
            wanted: 30.5,
            recorded: 30.5 - missing,
            gaps: all,
        }
    }

    /// The third camera lacks two seconds, and the ledger says this of it.
    fn failures(event: Kind, gaps: Vec<Gap>) -> String {
        let accounts: Vec<Account> = CAMERAS
            .into_iter()
            .map(|camera| account(camera, Vec::new()))
            .take(2)
            .chain([account(CAMERAS[2], gaps)])
            .collect();
        let outcome = Outcome {
            events: vec![Event {
                kind: event,
                at: BEGIN + 10.0,
                length: 1.5,
            }],
            footage: vec![footage(0..0), footage(0..0), footage(120..144)],
            rebuilt: accounts.clone(),
            accounts,
        };
        compare(&PLAN, &outcome).failures.join("\n")
    }

    #[test]
    fn what_agrees_is_no_failure() {
        let (begin, end) = (BEGIN + 10.0, BEGIN + 12.0);
        let loss = Kind::Loss(2);
        assert_eq!(failures(loss, vec![gap(Cause::Loss, begin, end)]), "");
        let rough = gap(Cause::Loss, begin - 0.08, end + 0.08);
        assert_eq!(failures(loss, vec![rough]), "");
        // Gaps that touch each other are one.
        let two = [(begin, begin + 1.0), (begin + 1.0, end)];
        let two = two.map(|(begin, end)| gap(Cause::Loss, begin, end));
        assert_eq!(failures(loss, two.to_vec()), "");
    }

    #[test]
    fn what_does_not_agree_is_told() {
        let (begin, end) = (BEGIN + 10.0, BEGIN + 12.0);
        let loss = Kind::Loss(2);
        let right = gap(Cause::Loss, begin, end);
        for (event, gaps, word) in [
            (loss, vec![], "and no gap"),
            (
                loss,
                vec![gap(Cause::Camera, begin, end)],
                "put down to camera",
            ),
            (
                loss,
                vec![gap(Cause::Loss, begin + 0.1, end)],
                "wrong by 100 and",
            ),
            (loss, vec![gap(Cause::Loss, begin, end - 0.1)], "-100 ms"),
            (
                loss,
                vec![right.clone(), gap(Cause::Loss, end + 5.0, end + 6.0)],
                "all pictures are there",
            ),
            (Kind::Loss(0), vec![right.clone()], "nothing is missing"),
            (Kind::Freeze(1), vec![right], "put down to loss"),
        ] {
            let told = failures(event, gaps);
            assert!(told.contains(word), "{word}: {told}");
        }
    }

    #[test]
    fn pictures_are_even_and_single() {
        let mut marks = footage(0..0);
        assert_eq!(spans(&marks, 0.0).unwrap().len(), 1);
        marks[7].captured += 0.01;
        assert!(spans(&marks, 0.0).unwrap_err().contains("107"));
        let twice = [footage(0..0), footage(0..350)].concat();
        assert!(spans(&twice, 0.0).unwrap_err().starts_with("10 "));
    }
}
