//! From years of frames to a film.
//!
//! In the order of the work: [`source`] lists candidates, [`calendar`] says which instants are wanted,
//! [`survey`] looks at the candidates near them, [`choose()`] takes the best of each, [`level`] and
//! [`align`] measure what was taken, [`film`] puts it in a row, and `render` makes frames and film;
//! [`blend`], [`region`] and [`stamp`] change the picture, [`encode`] and `mux` code it. `store` keeps
//! what is done, so that an interrupted run goes on; `report` tells of all of it.
//!
//! Nothing of a relay is needed: a [`source::Folder`] of JPEGs will do. Frames pass through and are
//! never all in memory; of each candidate some two kilobytes stay, of each chosen frame some ten.

#[cfg(test)]
mod change_tests;
mod choices;
pub mod encode;
pub mod footage;
#[cfg(test)]
mod footage_tests;
mod mux;
mod plan;
mod render;
mod report;
mod request;
pub mod source;
pub mod stills;
mod store;
#[cfg(test)]
mod tests;
mod work;

use std::collections::{BTreeMap, HashMap, HashSet};
use std::panic::{AssertUnwindSafe, catch_unwind};
use std::time::Duration;

use jiff::Timestamp;
use jiff::civil::Date;

pub use self::plan::{Cost, Plan};
use self::render::{Levels, Scene, brought};
pub use self::request::{LapseError, LapseRequest, Verdicts};
use self::source::{Candidate, CopyFault, LoadFault, Material};
use self::store::{Measure, Outcome, Store};
pub use self::work::{Progress, Stage};
use self::work::{Teller, ordered};
use forebay_darkroom::align::{Aligner, Pose, Sketcher};
use forebay_darkroom::calendar::Instant;
use forebay_darkroom::choose::{Choice, Seen, choose, scores};
use forebay_darkroom::film::{Shown, Step, Taken};
use forebay_darkroom::frame::Frame;
use forebay_darkroom::level::{Jump, Levelling, curves};
use forebay_darkroom::survey::Look;
pub use forebay_darkroom::{
    affine, align, blend, calendar, choose, colour, film, frame, level, region, resample, stamp,
    survey,
};

/// How far a camera may be moved, as a share of the picture, until its pictures are another view.
const MOVED_MAX: f64 = 0.12;
/// Pictures of the contact sheet.
const THUMBS_MAX: usize = 160;
/// Those beside them of frames that could not be laid upon others.
const UNLAID_MAX: usize = 100;

/// A film that was made.
#[derive(Debug)]
pub struct Made {
    /// What it was made of.
    pub plan: Plan,
    /// Frames that were chosen, in order.
    pub taken: Vec<Taken>,
    /// The film, frame by frame.
    pub shown: Vec<Shown>,
    /// What became of each slot.
    pub choices: Vec<Choice>,
    /// How each chosen frame lies.
    pub poses: Vec<Pose>,
    /// Knocks.
    pub steps: Vec<Step>,
    /// Chosen frames before which the camera was turned to another view.
    pub turns: Vec<usize>,
    /// Where something is to be hidden: each run of chosen frames that could not be laid upon those before
    /// them, so that it may lie where nobody drew it; the first, and how many.
    pub unlaid: Vec<(usize, usize)>,
    /// Jumps of brightness that were spread.
    pub jumps: Vec<Jump>,
    /// Mean luma of each chosen frame, of what counts for it, before and after.
    pub brightness: Vec<(f64, f64)>,
    /// Pixels that all frames were brought to.
    pub size: (usize, usize),
    /// What of them the film shows.
    pub common: resample::Area,
    /// Candidates that could not be read or have another shape, and why.
    pub unreadable: Vec<(usize, String)>,
    /// Days without a frame in the film.
    pub missing_days: Vec<Date>,
    /// Decisions in `choices.txt` that are not in force.
    pub waiting: usize,
}

impl Made {
    /// That something may be seen which was to be hidden.
    #[must_use]
    pub fn doubt(&self) -> Option<String> {
        let frames: usize = self.unlaid.iter().map(|(_, count)| count).sum();
        (frames > 0).then(|| {
            format!(
                "{frames} frames could not be laid upon those before them: if the camera was turned there, what \
                 is hidden is not what was drawn. The report has a picture of the first of each stretch."
            )
        })
    }
}

/// Plans a film: nothing is written.
///
/// # Errors
/// [`LapseError`].
pub fn plan(request: &LapseRequest, material: &dyn Material) -> Result<Plan, LapseError> {
    check(request)?;
    plan::plan(request, material)
}

fn check(request: &LapseRequest) -> Result<(), LapseError> {
    if let Some((format, _)) = &request.date {
        let now = Timestamp::UNIX_EPOCH.to_zoned(request.zone.clone());
        let bad = |text: String| LapseError::Date(format.clone(), text);
        let text =
            jiff::fmt::strtime::format(format, &now).map_err(|error| bad(error.to_string()))?;
        if !text.is_ascii() {
            return Err(bad("only characters of ASCII can be drawn".to_owned()));
        }
    }
    if let Some((width, height)) = request.size.pixels {
        let (long, short) = (width.max(height), width.min(height));
        if short < 64 || long > 3840 || short > 2160 {
            return Err(LapseError::Size(format!(
                "--size {width}x{height}: a film has 64 to 3840 by 64 to 2160 pixels"
            )));
        }
    }
    Ok(())
}

/// A frame of the material. Of files of any maker a decoder may despair; that is one file's affair.
fn load(material: &dyn Material, candidate: &Candidate) -> Result<Frame, LoadFault> {
    catch_unwind(AssertUnwindSafe(|| material.load(candidate)))
        .unwrap_or_else(|_| Err(LoadFault::unusable("the decoder gave up on it")))
}

/// A frame that was chosen can't be had any more.
fn lost(name: String, fault: LoadFault) -> LapseError {
    match fault {
        LoadFault::Unusable(text) => LapseError::Gone { name, text },
        LoadFault::Unread(text) | LoadFault::Unreachable(text) => {
            LapseError::Unreached { name, text }
        }
    }
}

/// Makes a film of a plan. `stop` is asked again and again; what was done until then stays.
///
/// # Errors
/// [`LapseError`].
pub fn make(
    request: &LapseRequest,
    plan: Plan,
    material: &dyn Material,
    stop: &(dyn Fn() -> bool + Sync),
    tell: &dyn Fn(&Progress),
) -> Result<Made, LapseError> {
    check(request)?;
    let store = Store::open(
        &request.out,
        &request.fingerprint(&material.place()),
        request.again,
    )?;
    let outcomes = survey(request, &plan, material, &store, stop, tell)?;
    let size = common_size(&plan, &outcomes);
    let alike = |look: &Look| {
        let stretch = f64::from(look.width) * size.1 as f64
            / (f64::from(look.height) * size.0 as f64).max(1.0);
        (stretch - 1.0).abs() < 0.01
    };
    let mut unreadable = Vec::new();
    let mut looks: HashMap<usize, &Look> = HashMap::new();
    for index in plan.shared.iter().flatten() {
        match outcomes.get(index) {
            Some(Ok(look)) if alike(look) => {
                looks.insert(*index, look);
            }
            Some(Ok(look)) => {
                let text = format!(
                    "{} × {} pixels: another shape than most",
                    look.width, look.height
                );
                unreadable.push((*index, text));
            }
            Some(Err(text)) => unreadable.push((*index, text.clone())),
            None => {}
        }
    }
    let choices = chosen(request, &plan, &looks);
    let (taken, shown) = film::row(&choices, request.missing);
    if taken.is_empty() {
        return Err(LapseError::NothingKept(refused(
            request,
            &plan,
            (&choices, &unreadable),
        )));
    }
    let mut measures = measure(request, &plan, material, &store, (&taken, size), stop, tell)?;
    let poses = align::settled(measures.iter().map(|measure| measure.pose).collect());
    for (measure, pose) in measures.iter_mut().zip(&poses) {
        measure.pose = *pose;
    }
    let turns = film::views(&poses);
    let at = |taken: &Taken| {
        plan.candidates
            .get(taken.candidate)
            .map_or(0, |candidate| candidate.at)
    };
    let captured: Vec<Instant> = taken.iter().map(&at).collect();
    let levelling = levelling(request, &plan);
    let levels = Levels::new(request, (&measures, &captured), levelling, size);
    let common = film::common(&poses, size);
    let film_size = plan::film_size(request, size);
    let times: Vec<Instant> = shown
        .iter()
        .map(|shown| taken.get(shown.first()).map_or(0, &at))
        .collect();
    let mut thumbs = film::weekly(&times, THUMBS_MAX);
    // Whether a region still covers what it is for must be seen.
    let unlaid = match request.regions.hides() {
        true => unlaid(&poses),
        false => Vec::new(),
    };
    let firsts = unlaid.iter().take(UNLAID_MAX).map(|(first, _)| *first);
    let looked_at: HashSet<usize> = turns.iter().copied().chain(firsts).collect();
    let doubtful = |shown: &Shown| looked_at.contains(&shown.first());
    thumbs.extend((0..shown.len()).filter(|number| shown.get(*number).is_some_and(doubtful)));
    thumbs.sort_unstable();
    thumbs.dedup();
    let scene = Scene {
        request,
        material,
        candidates: &plan.candidates,
        size,
        film_size,
        taken: &taken,
        shown: &shown,
        measures: &measures,
        levels: &levels,
        common,
        cover: request.regions.cover(size),
        thumbs: thumbs.iter().copied().collect(),
    };
    render::render(&scene, &store, stop, tell)?;
    let brightness = measures.iter().enumerate().map(|(number, measure)| {
        let [luma, ..] = &measure.curves;
        let table = levels.whole.table(number);
        let after = table.map_or(luma.mean(), |table| table.mean(&measure.curves));
        (luma.mean(), after)
    });
    let brightness = brightness.collect();
    let missing_days = missing_days(&plan, &taken);
    let mut made = Made {
        waiting: 0,
        steps: film::steps(&poses, size),
        turns,
        unlaid,
        jumps: levels.whole.jumps().collect(),
        brightness,
        size,
        common,
        unreadable,
        missing_days,
        poses,
        taken,
        shown,
        choices,
        plan,
    };
    made.waiting = report::write(&store, request, &made, &thumbs, film_size)?;
    let own: Vec<&Candidate> = made
        .taken
        .iter()
        .filter_map(|taken| made.plan.candidates.get(taken.candidate))
        .collect();
    let mut copies: Vec<String> = Vec::new();
    let mut make =
        |name: &str, fill: &mut dyn FnMut(&mut dyn std::io::Write) -> std::io::Result<()>| {
            copies.push(name.to_owned());
            store
                .make(name.as_ref(), |out| fill(out))
                .map_err(std::io::Error::other)
        };
    let ahead = std::cell::RefCell::new(Teller::new(
        tell,
        Stage::Copy,
        (0, own.len()),
        Duration::ZERO,
    ));
    let step = |copied: usize| {
        ahead.borrow_mut().done(copied);
        match stop() {
            true => Err(CopyFault::Stopped),
            false => Ok(()),
        }
    };
    let copied = material.copy_intra(&own, request.frames_per_second, &step, &mut make);
    copied.map_err(|fault| match fault {
        CopyFault::Stopped => LapseError::Interrupted,
        CopyFault::Write(error) => LapseError::write(&store.path("intra.mp4"))(error),
        CopyFault::Load(name, fault) => lost(name, fault),
    })?;
    store.only_intra(&copies)?;
    Ok(made)
}

/// Why nothing was taken.
fn refused(
    request: &LapseRequest,
    plan: &Plan,
    (choices, unreadable): (&[Choice], &[(usize, String)]),
) -> String {
    let name = |index: usize| plan.candidates.get(index).map(Candidate::name);
    let mut texts = Vec::new();
    if let Some((index, why)) = unreadable.first() {
        let name = name(*index).unwrap_or_default();
        texts.push(format!(
            "{} can't be read ({name}: {why})",
            unreadable.len()
        ));
    }
    let mut poor: BTreeMap<&str, (usize, usize)> = BTreeMap::new();
    for (index, scores) in choices.iter().filter_map(|choice| choice.ranked.first()) {
        let why = scores.worst(&request.taste.weights);
        let (count, _) = poor
            .entry(why.unwrap_or("dropped by hand, or of another day than its neighbours"))
            .or_insert((0, *index));
        *count += 1;
    }
    for (why, (count, index)) in &poor {
        let name = name(*index).unwrap_or_default();
        texts.push(format!("the best of {count} places: {why} ({name})"));
    }
    let mut text = texts.join("; ");
    if !poor.is_empty() {
        text += ". `least = 0` in a file for --taste takes the best of each place whatever it looks like";
    }
    text
}

/// Days without a frame in the film.
fn missing_days(plan: &Plan, taken: &[Taken]) -> Vec<Date> {
    let calendar = &plan.calendar;
    // A slot has several days: each of them is stood for.
    if calendar.slots_a_day == 0 {
        return plan.missing_days.clone();
    }
    // Hours may go over midnight: the day of a frame is that of its slot, not its date.
    let day = |taken: &Taken| {
        let wanted = calendar.slots.get(taken.slot)?.wanted.first()?;
        let behind = calendar.days.partition_point(|day| day.begin <= *wanted);
        behind.checked_sub(1)
    };
    let has: HashSet<usize> = taken.iter().filter_map(day).collect();
    let days = calendar.days.iter().enumerate();
    days.filter(|(number, _)| !has.contains(number))
        .map(|(_, day)| day.date)
        .collect()
}

/// Runs of frames of which nobody knows how they lie: the first of each, and how many.
fn unlaid(poses: &[Pose]) -> Vec<(usize, usize)> {
    let mut runs: Vec<(usize, usize)> = Vec::new();
    let lost = poses
        .iter()
        .zip(0..)
        .filter(|(pose, _)| pose.correlation == 0.0);
    for (_, number) in lost {
        match runs.last_mut() {
            Some((first, count)) if *first + *count == number => *count += 1,
            _ => runs.push((number, 1)),
        }
    }
    runs
}

/// The size that most candidates have: the larger one where two are as frequent.
fn common_size(plan: &Plan, outcomes: &HashMap<usize, Outcome>) -> (usize, usize) {
    let mut sizes: BTreeMap<(usize, usize), usize> = BTreeMap::new();
    for look in outcomes
        .values()
        .filter_map(|outcome| outcome.as_ref().ok())
    {
        *sizes
            .entry((look.width as usize, look.height as usize))
            .or_default() += 1;
    }
    sizes
        .iter()
        .max_by_key(|(size, count)| (**count, **size))
        .map_or(plan.material_size, |(size, _)| *size)
}

fn survey(
    request: &LapseRequest,
    plan: &Plan,
    material: &dyn Material,
    store: &Store,
    stop: &(dyn Fn() -> bool + Sync),
    tell: &dyn Fn(&Progress),
) -> Result<HashMap<usize, Outcome>, LapseError> {
    let mut outcomes = store.survey(&plan.candidates)?;
    let mut all: Vec<usize> = plan.shared.iter().flatten().copied().collect();
    all.sort_unstable();
    all.dedup();
    let wanted: Vec<usize> = all
        .iter()
        .filter(|index| !outcomes.contains_key(index))
        .copied()
        .collect();
    let mut lines = store.survey_lines()?;
    let skipped = all.len() - wanted.len();
    let behind = plan.cost.measure + plan.cost.render;
    let mut teller = Teller::new(tell, Stage::Survey, (skipped, all.len()), behind);
    let work = |nth: usize| {
        let candidate = wanted
            .get(nth)
            .and_then(|index| plan.candidates.get(*index));
        let candidate = candidate.ok_or_else(|| LoadFault::unusable("no such candidate"))?;
        load(material, candidate).map(|frame| Look::at(&frame))
    };
    let outcome = ordered(
        request.jobs,
        (0, wanted.len()),
        stop,
        &work,
        |nth, looked: Result<Look, LoadFault>| {
            if let Some((index, candidate)) = wanted
                .get(nth)
                .and_then(|i| Some((*i, plan.candidates.get(*i)?)))
            {
                let passing = matches!(looked, Err(LoadFault::Unread(_)));
                let outcome: Outcome = match looked {
                    // It is as good as ever, the next time.
                    Err(fault @ LoadFault::Unreachable(_)) => {
                        return Err(lost(candidate.name(), fault));
                    }
                    Err(fault) => Err(fault.text().to_owned()),
                    Ok(look) => Ok(look),
                };
                // What may be read the next time is not written down.
                if !passing {
                    Store::add_look(&mut lines, candidate, &outcome)?;
                }
                outcomes.insert(index, outcome);
            }
            teller.done(skipped + nth + 1);
            Ok(())
        },
    );
    lines.flush()?;
    outcome?;
    // What an earlier run saw and this one does not want would only stand beside it.
    Ok(outcomes)
}

fn chosen(request: &LapseRequest, plan: &Plan, looks: &HashMap<usize, &Look>) -> Vec<Choice> {
    let seen: Vec<Seen<'_>> = plan
        .candidates
        .iter()
        .enumerate()
        .map(|(index, candidate)| Seen {
            at: candidate.at,
            look: looks.get(&index).copied(),
            verdict: request.verdicts.of(candidate),
        })
        .collect();
    let scores = scores(&seen, &request.taste, request.jobs);
    choose(
        &plan.calendar.slots,
        &plan.shared,
        &seen,
        &scores,
        &request.taste,
    )
}

/// The window of levelling: about a second, unless a day lasts longer than that in the film.
fn levelling(request: &LapseRequest, plan: &Plan) -> Levelling {
    let a_day = plan.calendar.slots_a_day as f64;
    let rate = f64::from(request.frames_per_second);
    let sigma = match a_day > rate {
        true => (a_day / 15.0).clamp(1.5, 8.0),
        false => 8.0,
    };
    Levelling {
        strength: request.level,
        sigma_frames: request.level_frames.unwrap_or(sigma),
        fade_frames: request.frames_per_second as usize * 2,
        period_frames: plan.calendar.slots_a_day,
    }
}

fn measure(
    request: &LapseRequest,
    plan: &Plan,
    material: &dyn Material,
    store: &Store,
    (taken, size): (&[Taken], (usize, usize)),
    stop: &(dyn Fn() -> bool + Sync),
    tell: &dyn Fn(&Progress),
) -> Result<Vec<Measure>, LapseError> {
    let candidates: Vec<&Candidate> = taken
        .iter()
        .filter_map(|taken| plan.candidates.get(taken.candidate))
        .collect();
    let mut measures = store.measures(&candidates, size)?;
    let mut lines = store.measure_lines((&candidates, size), &measures)?;
    let mask = request.regions.level_mask();
    let apart_mask = request.regions.apart_mask();
    let hidden = |x: f64, y: f64| request.regions.moves_apart(x, y);
    let sketcher = request.align.map(|_| Sketcher::new(size));
    let mut aligner = request
        .align
        .map(|motion| Aligner::new(size, motion, MOVED_MAX));
    let done = measures.len();
    // The reference is made anew of the frames that it is made of.
    let mut from = done;
    let mut remembered = 0;
    while aligner.is_some() && done < taken.len() && from > 0 && remembered < align::MEMORY {
        from -= 1;
        remembered += usize::from(
            measures
                .get(from)
                .is_some_and(|known| known.pose.correlation > 0.0),
        );
    }
    let work = |number: usize| {
        let candidate = candidates
            .get(number)
            .ok_or_else(|| LoadFault::unusable("no such frame"))?;
        let frame = load(material, candidate)?;
        let frame =
            brought(frame, size).ok_or_else(|| LoadFault::unusable("another size than before"))?;
        let sketch = sketcher
            .as_ref()
            .map(|sketcher| sketcher.sketch(&frame, &hidden));
        let apart = apart_mask.as_ref().map(|mask| curves(&frame, Some(mask)));
        Ok((curves(&frame, mask.as_ref()), apart, sketch))
    };
    let mut teller = Teller::new(tell, Stage::Measure, (done, taken.len()), plan.cost.render);
    let outcome = ordered(
        request.jobs,
        (from, taken.len()),
        stop,
        &work,
        |number, measured| {
            let Some(candidate) = candidates.get(number) else {
                return Ok(());
            };
            let (curves, apart, sketch) =
                measured.map_err(|fault| lost(candidate.name(), fault))?;
            if let (Some(known), Some(aligner), Some(sketch)) =
                (measures.get(number), &mut aligner, &sketch)
            {
                aligner.recall(sketch, &known.pose);
                return Ok(());
            }
            let pose = match (&mut aligner, &sketch) {
                (Some(aligner), Some(sketch)) => aligner.next(sketch),
                _ => Pose {
                    affine: affine::Affine::IDENTITY,
                    correlation: 1.0,
                    view: 0,
                },
            };
            let measure = Measure {
                pose,
                curves,
                apart,
            };
            Store::add_measure(&mut lines, (candidate, size), &measure)?;
            measures.push(measure);
            teller.done(number + 1);
            Ok(())
        },
    );
    lines.flush()?;
    outcome?;
    Ok(measures)
}

/// A length as a film's: frames by their rate.
#[must_use]
pub fn length(frames: usize, frames_per_second: u32) -> Duration {
    Duration::from_secs_f64(frames as f64 / f64::from(frames_per_second.max(1)))
}
