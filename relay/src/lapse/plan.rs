//! What a film will be made of, before anything is made.

use std::collections::BTreeMap;
use std::time::{Duration, Instant as Clock};

use jiff::Timestamp;
use jiff::civil::{Date, Time};
use jiff::tz::TimeZone;

use super::encode::PieceCoder;
use super::source::{Candidate, Listing, LoadFault, Material, Passed};
use super::{LapseError, LapseRequest, load, lost};
use forebay_darkroom::calendar::{Calendar, CalendarFault, Instant, Slot, Window, Wish, calendar};
use forebay_darkroom::choose::{Verdict, shared_out};
use forebay_darkroom::colour::FilmFrame;
use forebay_darkroom::frame::Frame;
use forebay_darkroom::resample::{Area, scaled};
use forebay_darkroom::survey::Look;

/// Candidates that are tried to tell how long it takes.
const TRIED: usize = 4;

/// Frames nearer to each other than this are as good as one, in a film of years.
const APART_NANOS_MAX: i64 = 60_000_000_000;

const DAY_NANOS: i64 = 86_400 * 1_000_000_000;
/// No camera that is looked after is silent for so long.
const ASTRAY_NANOS: i64 = 180 * DAY_NANOS;

/// A plan.
#[derive(Debug, Clone)]
pub struct Plan {
    /// All that there is in the days, in order.
    pub candidates: Vec<Candidate>,
    /// What can't be used, by reason.
    pub passed_over: BTreeMap<&'static str, Passed>,
    /// Days and slots.
    pub calendar: Calendar,
    /// Which candidates of each slot are looked at.
    pub shared: Vec<Vec<usize>>,
    /// Decisions that concern none of these candidates.
    pub unheeded: Vec<String>,
    /// Days that have nothing in their wanted hours.
    pub missing_days: Vec<Date>,
    /// Slots without a candidate.
    pub empty_slots: usize,
    /// Where many slots of a window by the clock are without a candidate: from when to when frames are there
    /// on most days, by the site's clock.
    pub usual_hours: Option<(Time, Time)>,
    /// That some frames are far off all others, in words.
    pub astray: Option<String>,
    /// Where none of the candidates that were tried could be read: which one, and why.
    pub unread: Option<String>,
    /// Pixels of the candidates that were tried; none where no one could be read.
    pub material_size: (usize, usize),
    /// Pixels of the film.
    pub film_size: (usize, usize),
    /// How long it will take, as far as a few candidates tell.
    pub cost: Cost,
}

/// How long each stage takes.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub struct Cost {
    /// To look at candidates.
    pub survey: Duration,
    /// To measure.
    pub measure: Duration,
    /// To make frames and film.
    pub render: Duration,
}

impl Cost {
    /// All of it.
    #[must_use]
    pub fn all(&self) -> Duration {
        self.survey + self.measure + self.render
    }
}

impl Plan {
    /// Candidates that are looked at.
    #[must_use]
    pub fn looked_at(&self) -> usize {
        self.shared.iter().map(Vec::len).sum()
    }
}

pub(super) fn date_of(at: Instant, zone: &TimeZone) -> Option<Date> {
    let at = Timestamp::from_nanosecond(at.into()).ok()?;
    Some(at.to_zoned(zone.clone()).date())
}

/// Makes a plan: the material is listed, and a few candidates are read.
pub(super) fn plan(request: &LapseRequest, material: &dyn Material) -> Result<Plan, LapseError> {
    let zone = &request.zone;
    // A day more on either side: hours may go over midnight, and the light of a day may begin on the date
    // before, in a zone that is not the place's own.
    let edge = |date: Date, days: i64| {
        let date = date.checked_add(jiff::Span::new().days(days)).ok()?;
        let zoned = date.to_zoned(zone.clone()).ok()?;
        i64::try_from(zoned.timestamp().as_nanosecond()).ok()
    };
    let from = request.first.and_then(|first| edge(first, -1));
    let to = request.last.and_then(|last| edge(last, 2));
    let unlisted = |source| LapseError::List {
        place: material.place(),
        source,
    };
    let named = material.list(from, to).map_err(unlisted)?;
    let day_of =
        |candidate: Option<&Candidate>| candidate.and_then(|candidate| date_of(candidate.at, zone));
    let ends = day_of(named.candidates.first()).zip(day_of(named.candidates.last()));
    let Some((earliest, latest)) = ends else {
        return Err(nothing(request, material, &named));
    };
    let astray = astray(request, &named.candidates);
    let odd = |fault: CalendarFault| {
        let by_time = matches!(
            fault,
            CalendarFault::TooManyDays(..) | CalendarFault::Frames(_)
        );
        let astray = astray.clone().filter(|_| by_time);
        LapseError::Calendar { fault, astray }
    };
    let wish = Wish {
        first: request.first.unwrap_or(earliest),
        last: request.last.unwrap_or(latest),
        days: request.days.clone(),
        window: request.window.clone(),
        pace: request.pace,
        reach_nanos: request.reach_nanos,
    };
    let place = request.place.as_ref();
    let first = calendar(&wish, zone, place, None).map_err(odd)?;
    let reach = first.slots.iter().map(|slot| slot.reach_nanos).max();
    let reach = reach.unwrap_or(0);
    let wanted = |begin: Instant, end: Instant| {
        let next = first.days.partition_point(|day| day.end + reach < begin);
        first
            .days
            .get(next)
            .is_some_and(|day| day.begin - reach <= end)
    };
    // As many as are looked at for a slot; where the sun says when, a slot is an instant.
    let apart = match first.interval_nanos {
        0 => APART_NANOS_MAX,
        interval => (interval / request.consider.max(1) as i64).min(APART_NANOS_MAX),
    };
    let listing = material
        .look_into(named, apart, &wanted)
        .map_err(unlisted)?;
    if listing.candidates.is_empty() {
        return Err(nothing(request, material, &listing));
    }
    let candidates = listing.candidates;
    let times: Vec<Instant> = candidates.iter().map(|candidate| candidate.at).collect();
    let within = |begin: Instant, end: Instant| {
        times.partition_point(|at| *at <= end) - times.partition_point(|at| *at < begin)
    };
    let mut counts: Vec<usize> = first
        .days
        .iter()
        .map(|day| within(day.begin, day.end))
        .filter(|count| *count > 0)
        .collect();
    counts.sort_unstable();
    // As many as on the better days: more slots than frames would only repeat.
    let most = counts
        .get(counts.len() * 9 / 10)
        .copied()
        .map(|most| most.max(1));
    let calendar = calendar(&wish, zone, place, most).map_err(odd)?;
    let mut shared = shared_out(&times, &calendar.slots);
    let verdict = |index: usize| {
        let candidate = candidates.get(index);
        candidate.and_then(|one| request.verdicts.of(one))
    };
    for (own, slot) in shared.iter_mut().zip(&calendar.slots) {
        *own = looked_at(own, slot, &times, &verdict, request.consider.max(1));
    }
    let missing_days = calendar.days.iter().filter(|day| {
        let margin = calendar.slots.first().map_or(0, |slot| slot.reach_nanos);
        let margin = if day.begin == day.end { margin } else { 0 };
        within(day.begin - margin, day.end + margin) == 0
    });
    let missing_days = missing_days.map(|day| day.date).collect();
    let empty_slots = shared.iter().filter(|own| own.is_empty()).count();
    if empty_slots == shared.len() {
        return Err(LapseError::NotNear(candidates.len()));
    }
    let by_clock = matches!(request.window, Window::Clock(..));
    let usual_hours = match by_clock && 4 * empty_slots > shared.len() {
        true => usual_hours(&candidates, zone),
        false => None,
    };
    let all: Vec<usize> = shared.iter().flatten().copied().collect();
    let near = all.iter().copied().collect();
    let unheeded = request.verdicts.unheeded(&candidates, &near);
    let frames = calendar.slots.len() - empty_slots;
    let Tried {
        unread,
        material_size,
        film_size,
        cost,
    } = tried(request, material, &candidates, &all, frames)?;
    Ok(Plan {
        candidates,
        passed_over: listing.passed_over,
        calendar,
        shared,
        unheeded,
        missing_days,
        empty_slots,
        usual_hours,
        astray,
        unread,
        material_size,
        film_size,
        cost,
    })
}

/// Which candidates of a slot are looked at: the nearest to each of its instants, that of the day that is
/// wanted most before the others, then the second ones. What somebody wants is looked at, however far; what
/// is not wanted takes no other one's place.
fn looked_at(
    own: &[usize],
    slot: &Slot,
    times: &[Instant],
    verdict: &dyn Fn(usize) -> Option<Verdict>,
    consider: usize,
) -> Vec<usize> {
    // Of each candidate which of the instants is the nearest, and how far it is.
    let near = own.iter().map(|index| {
        let at = times.get(*index).copied().unwrap_or(0);
        let far = slot.wanted.iter().map(|wanted| (wanted - at).abs());
        let (wanted, far) = far
            .enumerate()
            .min_by_key(|(_, far)| *far)
            .unwrap_or((0, 0));
        (wanted, far, *index)
    });
    let mut near: Vec<_> = near.collect();
    near.sort_unstable();
    let mut ranked = Vec::new();
    let mut last = None;
    let mut rank = 0usize;
    for (wanted, far, index) in near {
        rank = match last.replace(wanted) == Some(wanted) {
            true => rank + 1,
            false => 0,
        };
        let kept = verdict(index) == Some(Verdict::Keep);
        ranked.push((!kept, rank, wanted, far, index));
    }
    ranked.sort_unstable();
    let mut left = consider;
    let mut looked = Vec::new();
    for (.., index) in ranked {
        if left == 0 {
            break;
        }
        left -= usize::from(verdict(index) != Some(Verdict::Drop));
        looked.push(index);
    }
    looked.sort_unstable();
    looked
}

/// From when to when there are frames, on half of the days at least.
fn usual_hours(candidates: &[Candidate], zone: &TimeZone) -> Option<(Time, Time)> {
    let mut days: BTreeMap<Date, (Time, Time)> = BTreeMap::new();
    for candidate in candidates {
        let at = Timestamp::from_nanosecond(candidate.at.into()).ok()?;
        let local = at.to_zoned(zone.clone()).datetime();
        let (_, last) = days
            .entry(local.date())
            .or_insert((local.time(), local.time()));
        *last = local.time();
    }
    let mut firsts: Vec<Time> = days.values().map(|(first, _)| *first).collect();
    let mut lasts: Vec<Time> = days.values().map(|(_, last)| *last).collect();
    firsts.sort_unstable();
    lasts.sort_unstable();
    Some((*firsts.get(firsts.len() / 2)?, *lasts.get(lasts.len() / 2)?))
}

/// That the first frames, or the last ones, are far off all others: the clock of a camera that was not set
/// makes a film of decades. None where somebody has said from when to when.
fn astray(request: &LapseRequest, candidates: &[Candidate]) -> Option<String> {
    let most = (candidates.len() / 100).max(1);
    let last_pair = candidates.len().checked_sub(2).filter(|last| *last > 0)?;
    let date = |candidate: &Candidate| date_of(candidate.at, &request.zone);
    let edge = |is_begin: bool| {
        // The innermost gap.
        let far = (0..most).rev().find_map(|nth| {
            let at = match is_begin {
                true => nth,
                false => last_pair.checked_sub(nth)?,
            };
            match candidates.get(at..at + 2)? {
                [a, b] if b.at - a.at > ASTRAY_NANOS => Some((a, b, nth + 1)),
                _ => None,
            }
        });
        let (a, b, count) = far?;
        let (one, way) = match is_begin {
            true => (a, format!("--from {}", date(b)?)),
            false => (b, format!("--to {}", date(a)?)),
        };
        let (name, own) = (one.name(), date(one)?);
        let they = match count {
            1 => format!("1 frame, {name} of {own}, is"),
            _ => format!("{count} frames, as {name} of {own}, are"),
        };
        let days = (b.at - a.at) / DAY_NANOS;
        Some(format!(
            "{they} {days} days and more off all others, as by a clock that was not set: {way} leaves that out"
        ))
    };
    let begin = request.first.is_none().then(|| edge(true)).flatten();
    let end = request.last.is_none().then(|| edge(false)).flatten();
    let texts: Vec<String> = begin.into_iter().chain(end).collect();
    (!texts.is_empty()).then(|| texts.join(". "))
}

fn nothing(request: &LapseRequest, material: &dyn Material, listing: &Listing) -> LapseError {
    let texts = listing
        .passed_over
        .iter()
        .map(|(reason, passed)| format!("{} {reason} ({})", passed.count, passed.example));
    LapseError::NoFrames {
        place: material.place(),
        dated: request.first.is_some() || request.last.is_some(),
        passed_over: texts.collect::<Vec<_>>().join("; "),
    }
}

/// Size of the film for a size of the material.
pub(super) fn film_size(request: &LapseRequest, (width, height): (usize, usize)) -> (usize, usize) {
    let (width, height) = request.size.pixels.unwrap_or_else(|| {
        let shrink = (3840.0 / width.max(height) as f64)
            .min(2160.0 / width.min(height) as f64)
            .min(1.0);
        (
            (width as f64 * shrink) as usize,
            (height as f64 * shrink) as usize,
        )
    });
    (width & !1, height & !1)
}

/// What a few candidates tell, as a [`Plan`] has it.
struct Tried {
    unread: Option<String>,
    material_size: (usize, usize),
    film_size: (usize, usize),
    cost: Cost,
}

/// Does with a few candidates what will be done with all.
fn tried(
    request: &LapseRequest,
    material: &dyn Material,
    candidates: &[Candidate],
    all: &[usize],
    frames: usize,
) -> Result<Tried, LapseError> {
    let spread = (0..TRIED).filter_map(|nth| all.get(all.len() * (2 * nth + 1) / (2 * TRIED)));
    let mut sizes: BTreeMap<(usize, usize), usize> = BTreeMap::new();
    let mut loaded: Option<Frame> = None;
    let (mut reading, mut looking, mut read) = (Duration::ZERO, Duration::ZERO, 0u32);
    let mut unread = None;
    // The first ones may be broken; a few more are tried then.
    for index in spread.chain(all.iter().take(32)) {
        if read as usize >= TRIED {
            break;
        }
        let Some(candidate) = candidates.get(*index) else {
            continue;
        };
        let begin = Clock::now();
        let frame = match load(material, candidate) {
            Ok(frame) => frame,
            Err(LoadFault::Unusable(text) | LoadFault::Unread(text)) => {
                unread.get_or_insert_with(|| format!("{}: {text}", candidate.name()));
                continue;
            }
            Err(fault) => return Err(lost(candidate.name(), fault)),
        };
        reading += begin.elapsed();
        let begin = Clock::now();
        drop(Look::at(&frame));
        looking += begin.elapsed();
        read += 1;
        *sizes.entry(frame.size()).or_default() += 1;
        loaded = Some(frame);
    }
    let Some(frame) = loaded else {
        return Ok(Tried {
            unread,
            material_size: (0, 0),
            film_size: film_size(request, (1920, 1080)),
            cost: Cost::default(),
        });
    };
    let size = sizes
        .iter()
        .max_by_key(|(_, count)| **count)
        .map_or((0, 0), |(size, _)| *size);
    let film = film_size(request, size);
    let begin = Clock::now();
    let out = scaled(&frame, Area::whole(frame.size()), film);
    drop(out.to_jpeg(request.frame_quality));
    let film_frame = FilmFrame::of(&out);
    let mut coder = PieceCoder::new(
        &request.coder,
        request.quality,
        film,
        request.frames_per_second,
    )?;
    coder.add(&film_frame)?;
    coder.finish()?;
    let making = begin.elapsed();
    let (reading, looking) = (reading / read.max(1), looking / read.max(1));
    let jobs = request.jobs.clamp(1, 64) as u32;
    let times =
        |each: Duration, count: usize| each * u32::try_from(count).unwrap_or(u32::MAX) / jobs;
    let blend = 1 + 2 * request.blend.side() as u32;
    let moving = if request.align.is_some() {
        2 * looking
    } else {
        Duration::ZERO
    };
    let cost = Cost {
        survey: times(reading + looking, all.len()),
        measure: times(reading + 2 * looking + 2 * moving, frames),
        render: times(reading + moving + making + looking * (blend - 1), frames),
    };
    Ok(Tried {
        unread: None,
        material_size: size,
        film_size: film,
        cost,
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_day_that_is_wanted_most_is_looked_at_first() {
        // A still each day at the wanted time, and another one an hour later; of six days the fourth is wanted.
        let times: Vec<Instant> = (0..6)
            .flat_map(|day| [day * DAY_NANOS, day * DAY_NANOS + DAY_NANOS / 24])
            .collect();
        let slot = Slot {
            wanted: [3, 2, 4, 1, 5, 0].map(|day| day * DAY_NANOS).to_vec(),
            reach_nanos: DAY_NANOS / 24,
            hours: (0, 6 * DAY_NANOS),
        };
        let own: Vec<usize> = (0..12).collect();
        let looked = |consider, verdict: &dyn Fn(usize) -> Option<Verdict>| {
            looked_at(&own, &slot, &times, verdict, consider)
        };
        assert_eq!(looked(1, &|_| None), [6]);
        assert_eq!(looked(3, &|_| None), [4, 6, 8]);
        assert_eq!(looked(7, &|_| None), [0, 2, 4, 6, 7, 8, 10]);
        // What is dropped takes no other one's place, and what is kept comes first.
        let dropped = |index| (index == 6).then_some(Verdict::Drop);
        assert_eq!(looked(1, &dropped), [4, 6]);
        let kept = |index| (index == 1).then_some(Verdict::Keep);
        assert_eq!(looked(2, &kept), [1, 6]);
        assert_eq!(looked(12, &|_| None), own);
    }
}
