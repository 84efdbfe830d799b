//! What is said of a plan, on the way, and of a film.

use std::cell::Cell;

use crate::commands::output;
use crate::coverage::{length as in_words, local};
use crate::lapse::calendar::{Pace, Window};
use crate::lapse::{LapseRequest, Made, Plan, Progress, Stage, length};
use crate::units::CaptureTime;

pub(super) fn plan(plan: &Plan, request: &LapseRequest) {
    let days = &plan.calendar.days;
    let slots = plan.calendar.slots.len();
    let (first, last) = match (days.first(), days.last()) {
        (Some(first), Some(last)) => (first.date.to_string(), last.date.to_string()),
        _ => Default::default(),
    };
    output::say(&format!(
        "{first} to {last}: {} days with wanted hours, {} without a frame; {} frames there, {} of them near \
         what is wanted",
        days.len(),
        plan.missing_days.len(),
        plan.candidates.len(),
        plan.looked_at()
    ));
    for (reason, passed) in &plan.passed_over {
        output::complain(&format!(
            "passed over: {} {reason}, as {}",
            passed.count, passed.example
        ));
    }
    for what in &plan.unheeded {
        output::complain(&format!(
            "--keep, --drop {what}: no such frame near a place of the film"
        ));
    }
    let nanos = plan.calendar.interval_nanos.unsigned_abs();
    let a_day = match plan.calendar.slots_a_day {
        0 => "one day stands for several".to_owned(),
        a_day => format!("up to {a_day} a day, at the same times"),
    };
    // Where the sun says when, there are instants and no hours.
    let each = match nanos {
        0 => String::new(),
        nanos => format!("; one each {} of the wanted hours", in_words(nanos)),
    };
    output::say(&format!(
        "{slots} places in the film ({a_day}{each}), {} of them without a candidate",
        plan.empty_slots
    ));
    if let Some((first, last)) = plan.usual_hours {
        output::say(&format!(
            "On most days frames are there from {} to {} by the site's clock: see --window",
            first.strftime("%H:%M"),
            last.strftime("%H:%M")
        ));
    }
    let seconds = length(slots, request.frames_per_second).as_secs_f64();
    let sizes = match (plan.film_size, plan.material_size) {
        (_, (0, 0)) => String::new(),
        (film, own) => format!(", {} × {} of {} × {}", film.0, film.1, own.0, own.1),
    };
    output::say(&format!(
        "{seconds:.1} s at {} frames a second{sizes}",
        request.frames_per_second
    ));
    if let Some(unread) = &plan.unread {
        output::complain(&format!(
            "none of the frames that were tried could be read: {unread}"
        ));
    }
    if let Some(astray) = &plan.astray {
        output::complain(astray);
    }
    if let Pace::Frames(wanted) = request.pace
        && wanted > slots
        && plan.calendar.slots_a_day > 0
    {
        let most = match &request.window {
            Window::Azimuth(azimuths) => {
                format!(
                    "the sun stands there {} times a day at the most",
                    azimuths.len()
                )
            }
            Window::SunAbove(_) => format!(
                "the material has no more than {} frames a day in the wanted hours, on short days fewer",
                plan.calendar.slots_a_day
            ),
            Window::Clock(..) => format!(
                "the material has no more than {} frames a day in the wanted hours",
                plan.calendar.slots_a_day
            ),
        };
        let rate = slots as u64 * u64::from(request.frames_per_second) / wanted.max(1) as u64;
        output::say(&format!(
            "That is shorter than asked for: {most}. Fewer frames a second (--fps {}) would fill the length.",
            rate.max(1)
        ));
    }
    if plan.unread.is_none() {
        output::say(&format!(
            "It will take about {}, on {} threads",
            in_words(u64::try_from(plan.cost.all().as_nanos()).unwrap_or(u64::MAX)),
            request.jobs
        ));
    }
}

pub(super) fn progress(progress: &Progress, terminal: bool, told: &Cell<(Option<Stage>, usize)>) {
    let percent = 100 * progress.done / progress.of.max(1);
    let left = progress.left.map(|left| {
        let seconds = left.as_secs().max(1) * 1_000_000_000;
        format!(", about {} left", in_words(seconds))
    });
    let text = format!(
        "{}: {} of {} ({percent} %){}",
        progress.stage.words(),
        progress.done,
        progress.of,
        left.unwrap_or_default()
    );
    if terminal {
        output::replace_line(&text);
        return;
    }
    // A log has a line for each tenth.
    let now = (Some(progress.stage), percent / 10);
    if told.replace(now) != now {
        output::complain(&text);
    }
}

pub(super) fn made(made: &Made, request: &LapseRequest) {
    let seconds = length(made.shown.len(), request.frames_per_second).as_secs_f64();
    output::say(&format!(
        "{} frames chosen, {} held or dissolved; {seconds:.1} s",
        made.taken.len(),
        made.shown.len() - made.taken.len()
    ));
    let empty = made.choices.iter().filter(|choice| choice.taken.is_none());
    let (none_there, none_good): (Vec<_>, Vec<_>) =
        empty.partition(|choice| choice.ranked.is_empty());
    if !(none_there.is_empty() && none_good.is_empty()) {
        output::say(&format!(
            "{} places have no frame of their own: {} without any candidate, {} with none that is good \
             enough; {}, see the report",
            none_there.len() + none_good.len(),
            none_there.len(),
            none_good.len(),
            request.missing.words()
        ));
    }
    if !made.unreadable.is_empty() {
        output::say(&format!(
            "{} candidates could not be used: see the report",
            made.unreadable.len()
        ));
    }
    if !made.missing_days.is_empty() {
        output::say(&format!(
            "Days without a frame in the film: {}, see the report",
            made.missing_days.len()
        ));
    }
    let when = |taken: usize| {
        let taken = made.taken.get(taken);
        let candidate = taken.and_then(|taken| made.plan.candidates.get(taken.candidate));
        let at = candidate.map(|candidate| CaptureTime::from_unix_nanos(candidate.at));
        at.map_or_else(String::new, |at| local(at, &request.zone))
    };
    for taken in made.turns.iter().take(20) {
        output::say(&format!(
            "The camera was turned to another view before {}: the film cuts there; look whether what is \
             hidden still is",
            when(*taken)
        ));
    }
    if let Some(doubt) = made.doubt() {
        output::say(&doubt);
    }
    for step in made.steps.iter().take(20) {
        output::say(&format!(
            "The camera was knocked before {}: {:+.1} pixels to the right, {:+.1} down, turned {:+.2}°",
            when(step.taken),
            step.pixels.0,
            step.pixels.1,
            step.degrees
        ));
    }
    if made.waiting > 0 {
        let file = request.out.join("choices.txt");
        let file = file.display();
        let they = match made.waiting {
            1 => format!("1 decision in {file} is"),
            count => format!("{count} decisions in {file} are"),
        };
        output::say(&format!(
            "{they} not in force: --choices {file} --again makes the film by what is decided"
        ));
    }
    output::say(&request.out.join("film.mp4").display().to_string());
    output::say(&request.out.join("report.html").display().to_string());
}
