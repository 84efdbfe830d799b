//! Whether the camera still shows what it should.

mod edges;
pub mod exposure;
pub mod fft;
mod refine;
pub mod sharpness;
pub mod shift;
pub mod still;
mod views;

use crate::frame::Frame;
use crate::lasting::{Lasting, Turn, Turns};
use crate::polygon::Area;
use exposure::Exposure;
use sharpness::Past;
use shift::{Comparison, Shift};
use still::Still;
use views::{Compared, FITS_LOST, LOST, Views};

const SECOND: i64 = 1_000_000_000;
/// View and sharpness are looked at so often.
const CHECK_NANOS: i64 = 2 * SECOND;
/// The view is learned over about so long.
const VIEW_SECONDS: f32 = 600.0;
/// And so often; each of the first checks is learned.
const VIEW_LEARN_NANOS: i64 = 10 * SECOND;
/// Checks that the first reference is the mean of.
const VIEW_CHECKS_MIN: u32 = 5;
/// Sharpness and white are learned over about so long.
const USUAL_SECONDS: f32 = 1800.0;
/// More white than this is usual only where it has lasted for the time of relearning.
const WHITE_USUAL_MAX: f32 = 0.5;
/// What lies where the view lay is the view in another light when it has been there for so long:
/// before it can be told as a cover.
const OTHER_LIGHT_NANOS: i64 = 4 * SECOND;
/// Of a picture with more white than this nothing is left to be got used to.
const WHITE_LEARNED_MAX: f32 = 0.9;
/// Gradients less than this share of the reference's: something plain is in front of the lens.
const PLAIN_STRUCTURE: f32 = 0.3;

/// What may be wrong with a view.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Fault {
    /// Nothing is bright enough to be seen.
    Dark,
    /// Much more is white than usual.
    Blinded,
    /// Much less sharp than usual.
    Blurred,
    /// The same picture again and again.
    Frozen,
    /// Little is left of the view.
    Covered,
    /// The view is elsewhere in the picture.
    Moved,
}

impl Fault {
    /// All of them.
    pub const ALL: [Self; 6] = [
        Self::Dark,
        Self::Blinded,
        Self::Blurred,
        Self::Frozen,
        Self::Covered,
        Self::Moved,
    ];

    /// The kind of its findings.
    #[must_use]
    pub fn kind(self) -> &'static str {
        match self {
            Self::Dark => "dark",
            Self::Blinded => "blinded",
            Self::Blurred => "blurred",
            Self::Frozen => "frozen",
            Self::Covered => "covered",
            Self::Moved => "moved",
        }
    }

    fn turns(self, wanted: &Wanted) -> Turns {
        let (begin, end, begin_seconds, end_seconds) = match self {
            // Levels: share of dark pixels; share of white ones beyond the usual; share of the usual
            // sharpness that is lost; yes or no; share of the view that is lost; pixels.
            Self::Dark => (0.98, 0.95, 10, 10),
            Self::Blinded => (0.3, 0.15, 4, 6),
            Self::Blurred => (0.35, 0.2, 10, 10),
            Self::Frozen => (1.0, 0.0, 0, 0),
            Self::Covered => (LOST, 0.4, 6, 6),
            Self::Moved => (wanted.moved_pixels, wanted.moved_pixels * 0.5, 6, 6),
        };
        Turns {
            begin,
            end,
            begin_nanos: begin_seconds * SECOND,
            end_nanos: end_seconds * SECOND,
        }
    }
}

/// What counts as wrong.
#[derive(Debug, Clone, PartialEq)]
pub struct Wanted {
    /// Those that are looked for.
    pub faults: Vec<Fault>,
    /// A pixel is dark up to this level.
    pub dark_level: u8,
    /// The same picture for so long is frozen.
    pub frozen_nanos: i64,
    /// The view has moved from so many pixels on.
    pub moved_pixels: f32,
    /// A view that has been another one, blinded or blurred for so long is learned as it is.
    pub relearn_nanos: i64,
    /// Where not to look (only for copies).
    pub masks: Vec<Area>,
}

/// A fault that begins or ends.
#[derive(Debug, Clone, PartialEq)]
pub struct Change {
    /// Which.
    pub fault: Fault,
    /// How it turns, and when it did.
    pub turn: Turn,
    /// 0 to 1: how bad it is or was.
    pub score: f64,
    /// For people.
    pub text: String,
}

/// What was measured; `None` where the picture does not tell.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Levels {
    /// Mean level, 0 to 255.
    pub brightness: f32,
    /// Share of dark pixels.
    pub dark: f32,
    /// Share of white pixels.
    pub white: f32,
    /// Sharpness over the usual one in such light.
    pub sharpness: Option<f32>,
    /// Seconds for which the same picture has come.
    pub still_seconds: f32,
    /// Share of the view that is lost.
    pub covered: Option<f32>,
    /// How the view is moved.
    pub moved: Option<Shift>,
    /// Deviation of the noise in grey levels.
    pub noise: Option<f32>,
}

/// The state for one camera.
#[derive(Debug)]
pub struct Health {
    wanted: Wanted,
    states: [(Fault, Lasting); Fault::ALL.len()],
    still: Still,
    white_usual: Option<f32>,
    views: Option<Views>,
    /// Since when the view has been another one.
    other_since_nanos: Option<i64>,
    checked_nanos: Option<i64>,
    last_nanos: Option<i64>,
    levels: Levels,
}

fn share(nanos: i64, seconds: f32) -> f32 {
    1.0 - (-(nanos.max(0) as f32 * 1e-9) / seconds).exp()
}

impl Health {
    /// Knows nothing yet.
    #[must_use]
    pub fn new(wanted: Wanted) -> Self {
        // Also of what isn't told: in the dark nothing is said of the view.
        let states = Fault::ALL.map(|fault| (fault, Lasting::new(fault.turns(&wanted))));
        Self {
            states,
            wanted,
            still: Still::default(),
            white_usual: None,
            views: None,
            other_since_nanos: None,
            checked_nanos: None,
            last_nanos: None,
            levels: Levels::default(),
        }
    }

    /// What was measured last.
    #[must_use]
    pub fn levels(&self) -> &Levels {
        &self.levels
    }

    /// Whether a fault holds, be it told or not.
    #[must_use]
    pub fn holds(&self, fault: Fault) -> bool {
        self.state(fault).is_some_and(Lasting::holds)
    }

    fn state(&self, fault: Fault) -> Option<&Lasting> {
        let mut states = self.states.iter();
        states.find(|(f, _)| *f == fault).map(|(_, state)| state)
    }

    fn state_mut(&mut self, fault: Fault) -> Option<&mut Lasting> {
        let mut states = self.states.iter_mut();
        states.find(|(f, _)| *f == fault).map(|(_, state)| state)
    }

    fn nears(&self, fault: Fault) -> bool {
        self.state(fault).is_some_and(Lasting::holds_or_nears)
    }

    /// It has held for so long that what is there is learned as usual.
    fn has_stayed(&self, fault: Fault, now: i64) -> bool {
        let since = self.state(fault).and_then(Lasting::since_nanos);
        since.is_some_and(|since| now.saturating_sub(since) >= self.wanted.relearn_nanos)
    }

    fn after_minutes(&self, what: &str) -> String {
        let minutes = self.wanted.relearn_nanos / (60 * SECOND);
        format!("after {minutes} min this is taken for {what} from now on")
    }

    /// What of some changes is to be told.
    fn only_wanted(&self, mut changes: Vec<Change>) -> Vec<Change> {
        changes.retain(|change| self.wanted.faults.contains(&change.fault));
        changes
    }

    /// The next picture.
    pub fn look(&mut self, frame: &Frame<'_>) -> Vec<Change> {
        let now = frame.captured_nanos;
        let apart = self.last_nanos.map_or(0, |last| now.saturating_sub(last));
        self.last_nanos = Some(now);
        let mut changes = Vec::new();
        let exposure = Exposure::of(frame, self.wanted.dark_level);
        self.levels.brightness = exposure.mean;
        self.levels.dark = exposure.black;
        self.levels.white = exposure.white;
        self.step(Fault::Dark, now, exposure.black, &mut changes);
        self.check_white(now, exposure.white, apart, &mut changes);
        let masks = &self.wanted.masks;
        let masked = |x: f64, y: f64| masks.iter().any(|mask| mask.contains(x, y));
        let still = self.still.look(frame, self.wanted.frozen_nanos, masked);
        self.levels.still_seconds = still.for_nanos as f32 * 1e-9;
        self.levels.noise = still.difference.map(|difference| difference.noise.sqrt());
        // Black and white have no noise: that they repeat is no sign of anything.
        let lit = !self.nears(Fault::Dark) && !self.nears(Fault::Blinded);
        let frozen = still.frozen && (lit || self.holds(Fault::Frozen));
        let for_nanos = if frozen { still.for_nanos } else { 0 };
        let (level, levels) = (f32::from(u8::from(frozen)), self.levels);
        let since = now.saturating_sub(for_nanos);
        self.step_since(Fault::Frozen, now, since, level, &mut changes, |turn| {
            text(Fault::Frozen, turn, &levels, level)
        });
        let due = self
            .checked_nanos
            .is_none_or(|checked| now.saturating_sub(checked) >= CHECK_NANOS || now < checked);
        // A picture that repeats tells nothing new, one without light nothing at all.
        if due && lit && !still.frozen {
            let since = self.checked_nanos.replace(now);
            let apart = since.map_or(CHECK_NANOS, |since| now.saturating_sub(since));
            self.check_view(frame, apart, &mut changes);
            let noise = still.difference.map_or(0.0, |difference| difference.noise);
            self.check_sharpness(frame, noise, apart, &mut changes);
        } else if due {
            self.levels.sharpness = None;
            self.levels.covered = None;
            self.levels.moved = None;
        }
        self.only_wanted(changes)
    }

    fn check_white(&mut self, now: i64, white: f32, apart: i64, changes: &mut Vec<Change>) {
        let known = self.white_usual;
        let usual = known.unwrap_or_else(|| white.min(WHITE_USUAL_MAX));
        self.step(Fault::Blinded, now, white - usual, changes);
        if self.has_stayed(Fault::Blinded, now) && white <= WHITE_LEARNED_MAX {
            self.white_usual = Some(white.max(usual));
            let text = self.after_minutes("the usual light");
            self.end(Fault::Blinded, now, &text, changes);
        } else if !self.nears(Fault::Blinded) {
            let learned = usual + share(apart, USUAL_SECONDS) * (white - usual);
            self.white_usual = Some(learned.min(usual.max(WHITE_USUAL_MAX)));
        }
    }

    fn check_sharpness(
        &mut self,
        frame: &Frame<'_>,
        noise: f32,
        apart: i64,
        changes: &mut Vec<Change>,
    ) {
        self.levels.sharpness = None;
        if self.nears(Fault::Covered) {
            return;
        }
        let now = frame.captured_nanos;
        if self.has_stayed(Fault::Blurred, now) {
            if let Some(views) = &mut self.views {
                views.current.past = Past::default();
            }
            let text = self.after_minutes("the usual sharpness");
            self.end(Fault::Blurred, now, &text, changes);
        }
        let Some(sharpness) = sharpness::sharpness(frame, noise) else {
            return;
        };
        let mean = self.levels.brightness;
        let known = self.views.as_ref();
        let ratio = known.and_then(|views| views.current.past.ratio(mean, sharpness));
        self.levels.sharpness = ratio;
        if let Some(ratio) = ratio {
            self.step(Fault::Blurred, now, (1.0 - ratio).max(0.0), changes);
        } else if let Some(state) = self.state_mut(Fault::Blurred) {
            // Nothing to compare it with: this light is learned first.
            state.unask();
        }
        if !self.nears(Fault::Blurred)
            && let Some(views) = &mut self.views
        {
            let share = share(apart, USUAL_SECONDS);
            views.current.past.learn(mean, sharpness, share);
        }
    }

    fn check_view(&mut self, frame: &Frame<'_>, apart: i64, changes: &mut Vec<Change>) {
        let now = frame.captured_nanos;
        let same_size = |views: &&mut Views| views.size() == frame.size();
        let Some(views) = self.views.as_mut().filter(same_size) else {
            self.relearn(frame, "pictures of another size come", changes);
            return;
        };
        let Compared {
            found,
            in_other_light,
        } = views.compare(frame);
        let Comparison {
            shift,
            lost,
            structure,
            ..
        } = found;
        let view = &mut views.current;
        view.checks = view.checks.saturating_add(1);
        let away = shift.map_or(0.0, |shift| shift.right.hypot(shift.down));
        if view.checks <= VIEW_CHECKS_MIN {
            // The first reference is one noisy picture: it becomes the mean of a few.
            if let Some(shift) = shift.filter(|_| lost < 0.4) {
                let share = 1.0 / (view.checks + 1) as f32;
                view.reference.learn(frame, &shift, share);
            } else {
                views.restart(frame);
                self.end_view(now, "the view is learned anew", changes);
            }
            return;
        }
        let other = away >= self.wanted.moved_pixels || lost >= LOST;
        if !other && lost < FITS_LOST && shift.is_some() {
            let since = now.saturating_sub(view.learned_nanos);
            if let Some(shift) = shift.filter(|_| since >= VIEW_LEARN_NANOS) {
                let share = share(since.min(4 * VIEW_LEARN_NANOS.max(apart)), VIEW_SECONDS);
                view.reference.learn(frame, &shift, share);
                view.learned_nanos = now;
            }
        }
        self.levels.moved = shift;
        self.levels.covered = Some(lost);
        let plain = structure < PLAIN_STRUCTURE;
        self.step_with(Fault::Covered, now, lost, changes, |turn| match turn {
            Turn::Begin { .. } if plain => {
                format!(
                    "{:.0} % of the view is gone behind something plain",
                    lost * 100.0
                )
            }
            Turn::Begin { .. } => format!("{:.0} % of the view shows something else", lost * 100.0),
            Turn::End { .. } => "the view is back".to_owned(),
        });
        if let Some(shift) = shift {
            let level = if lost >= LOST { 0.0 } else { away };
            self.step_with(Fault::Moved, now, level, changes, |turn| match turn {
                Turn::Begin { .. } => format!("the view has moved by {}", told(&shift)),
                Turn::End { .. } => "the view is where it was".to_owned(),
            });
        }
        if !other {
            self.other_since_nanos = None;
            return;
        }
        let since = *self.other_since_nanos.get_or_insert(now);
        let lasted = now.saturating_sub(since);
        // Where the view had moved before, it is not known where it should be in this light.
        if in_other_light && lasted >= OTHER_LIGHT_NANOS && !self.holds(Fault::Moved) {
            if let Some(views) = &mut self.views {
                views.add(frame);
            }
            self.other_since_nanos = None;
            let text = "it is the same view in another light";
            // Of the sharpness in this light nothing is known.
            for fault in [Fault::Covered, Fault::Blurred] {
                self.end(fault, now, text, changes);
            }
            return;
        }
        // Something plain in front of the lens is no view to get used to.
        if lasted >= self.wanted.relearn_nanos && !plain {
            let text = self.after_minutes("the view");
            self.relearn(frame, &text, changes);
        }
    }

    /// Learns the view anew, and its sharpness with it: what held of the old one is over.
    fn relearn(&mut self, frame: &Frame<'_>, text: &str, changes: &mut Vec<Change>) {
        self.views = Some(Views::new(frame));
        self.other_since_nanos = None;
        self.end_view(frame.captured_nanos, text, changes);
    }

    /// Ends all that is said against a view.
    fn end_view(&mut self, now: i64, text: &str, changes: &mut Vec<Change>) {
        for fault in [Fault::Covered, Fault::Moved, Fault::Blurred] {
            self.end(fault, now, text, changes);
        }
    }

    /// Ends all that holds at an instant.
    pub fn finish(&mut self, at_nanos: i64, text: &str) -> Vec<Change> {
        let mut changes = Vec::new();
        for fault in Fault::ALL {
            self.end(fault, at_nanos, text, &mut changes);
        }
        self.only_wanted(changes)
    }

    fn end(&mut self, fault: Fault, at_nanos: i64, text: &str, changes: &mut Vec<Change>) {
        let Some(state) = self.state_mut(fault) else {
            return;
        };
        if let Some(turn) = state.over(at_nanos) {
            changes.push(Change {
                fault,
                turn,
                score: score(fault, state.peak()),
                text: text.to_owned(),
            });
        }
    }

    fn step(&mut self, fault: Fault, now: i64, level: f32, changes: &mut Vec<Change>) {
        let levels = self.levels;
        self.step_with(fault, now, level, changes, |turn| {
            text(fault, turn, &levels, level)
        });
    }

    fn step_with(
        &mut self,
        fault: Fault,
        now: i64,
        level: f32,
        changes: &mut Vec<Change>,
        text: impl FnOnce(Turn) -> String,
    ) {
        self.step_since(fault, now, now, level, changes, text);
    }

    /// The level at an instant, which has been the same since another one.
    fn step_since(
        &mut self,
        fault: Fault,
        now: i64,
        since: i64,
        level: f32,
        changes: &mut Vec<Change>,
        text: impl FnOnce(Turn) -> String,
    ) {
        let Some(state) = self.state_mut(fault) else {
            return;
        };
        if let Some(turn) = state.step_since(now, level, since) {
            changes.push(Change {
                fault,
                turn,
                score: score(fault, state.peak()),
                text: text(turn),
            });
        }
    }
}

/// How bad a level is, 0 to 1.
fn score(fault: Fault, level: f32) -> f64 {
    let level = f64::from(level);
    match fault {
        // Half at some twenty pixels.
        Fault::Moved => level / (level + 20.0),
        _ => level.clamp(0.0, 1.0),
    }
}

/// A shift in words: "12.3 px right, 4.0 px up".
#[must_use]
pub fn told(shift: &Shift) -> String {
    let side = |by: f32, positive: &'static str, negative: &'static str| {
        let way = if by < 0.0 { negative } else { positive };
        format!("{:.1} px {way}", by.abs())
    };
    let across = side(shift.right, "right", "left");
    let down = side(shift.down, "down", "up");
    match (shift.right.abs() >= 0.05, shift.down.abs() >= 0.05) {
        (true, false) => across,
        (false, true) => down,
        _ => format!("{across}, {down}"),
    }
}

fn text(fault: Fault, turn: Turn, levels: &Levels, level: f32) -> String {
    let begins = matches!(turn, Turn::Begin { .. });
    match fault {
        Fault::Dark if begins => format!(
            "{:.1} % of the picture is dark (mean level {:.0} of 255)",
            levels.dark * 100.0,
            levels.brightness
        ),
        Fault::Dark => "there is light again".to_owned(),
        Fault::Blinded if begins => {
            format!("{:.0} % of the picture is white", levels.white * 100.0)
        }
        Fault::Blinded => "no longer blinded".to_owned(),
        Fault::Blurred if begins => format!(
            "sharpness is {:.0} % of what it was in such light: focus, fog or something on the lens",
            (1.0 - level) * 100.0
        ),
        Fault::Blurred => "as sharp as before".to_owned(),
        Fault::Frozen if begins => format!("the same picture for {:.0} s", levels.still_seconds),
        Fault::Frozen => "pictures change again".to_owned(),
        Fault::Covered | Fault::Moved => String::new(),
    }
}
