//! Of the candidates of each slot the best (pure).
//!
//! A scene is its own measure: a candidate is judged beside what the same camera saw in the days
//! around it at about the same time of day, so that nothing must be set for a site, and a building may
//! grow. Each score is 0 to 1, 1 being as good as that; their product, each to the power of its weight,
//! decides. They are taken twice: what is bad beyond doubt the first time is no measure the second time,
//! so that a week of fog or of a dirty lens does not become the usual look of a scene.

use serde::{Deserialize, Serialize};

use crate::calendar::{Instant, Slot};
use crate::survey::{CELLS, COLUMNS, EDGE_STEPS, Look, ROWS};

const DAY: i64 = 86_400_000_000_000;
/// Candidates that another is judged beside.
const BESIDE_MAX: usize = 48;
/// With fewer than these nothing is left out of them: they would hardly tell what is usual.
const BESIDE_MIN: usize = 8;
/// A candidate of a lower score is bad beyond doubt.
const DOUBTLESS: f64 = 0.1;
/// Candidates of neighbouring directions that are so far apart are of two days, whatever a slot's reach.
const ANOTHER_DAY: i64 = 22 * DAY / 24;
/// What it costs to go on to another day: less than a frame is worth, and more than one can mostly be better
/// than another.
const ANOTHER_DAY_COSTS: f64 = 0.5;
/// What somebody keeps is worth more than all else of its group.
const KEPT: f64 = 1e6;

/// How much each score counts: 0 not at all, 2 twice.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(default, deny_unknown_fields)]
pub struct Weights {
    /// Fine detail.
    pub sharp: f64,
    /// Neither dark nor glaring.
    pub exposed: f64,
    /// No fog, rain or snowfall: edges as strong as usual, all over.
    pub clear: f64,
    /// No drops or dirt: no part without the edges that it usually has.
    pub clean: f64,
    /// Nothing large before the lens.
    pub open: f64,
    /// Near the wanted time.
    pub timely: f64,
}

impl Default for Weights {
    fn default() -> Self {
        Self {
            sharp: 1.0,
            exposed: 1.0,
            clear: 1.0,
            clean: 1.0,
            open: 1.0,
            timely: 0.5,
        }
    }
}

/// How frames are chosen.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(default, deny_unknown_fields)]
pub struct Taste {
    /// Weights of the scores.
    pub weights: Weights,
    /// A candidate whose score is lower is not taken, even where there is no other.
    pub least: f64,
    /// Days before and after that a candidate is judged beside.
    pub beside_days: f64,
    /// Hours of the time of day by which those may differ.
    pub beside_hours: f64,
}

impl Default for Taste {
    fn default() -> Self {
        Self {
            weights: Weights::default(),
            least: 0.4,
            beside_days: 8.0,
            beside_hours: 1.5,
        }
    }
}

/// The scores of a candidate, 0 to 1 each.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Scores {
    /// See [`Weights`].
    pub sharp: f64,
    /// See [`Weights`].
    pub exposed: f64,
    /// See [`Weights`].
    pub clear: f64,
    /// See [`Weights`].
    pub clean: f64,
    /// See [`Weights`].
    pub open: f64,
    /// See [`Weights`]; known where a slot is.
    pub timely: f64,
}

impl Scores {
    /// All in one.
    #[must_use]
    pub fn total(&self, weights: &Weights) -> f64 {
        self.parts(weights)
            .into_iter()
            .map(|(_, score, weight)| score.max(0.001).powf(weight))
            .product()
    }

    /// Name, score and weight of each.
    #[must_use]
    pub fn parts(&self, weights: &Weights) -> [(&'static str, f64, f64); 6] {
        [
            ("sharp", self.sharp, weights.sharp),
            ("exposed", self.exposed, weights.exposed),
            ("clear", self.clear, weights.clear),
            ("clean", self.clean, weights.clean),
            ("open", self.open, weights.open),
            ("timely", self.timely, weights.timely),
        ]
    }

    /// What it is held against most, in words; none where nothing is.
    #[must_use]
    pub fn worst(&self, weights: &Weights) -> Option<&'static str> {
        let parts = self.parts(weights);
        let shares = parts.map(|(name, score, weight)| (name, score.max(0.001).powf(weight)));
        let bad = |name: &str| {
            shares
                .iter()
                .any(|(own, share)| *own == name && *share < 0.5)
        };
        // Causes before what follows from them: in the dark there are no edges; what is out of focus lacks
        // them all over, and here and there even more; behind something large there are none.
        if bad("exposed") {
            return Some("too dark or too bright");
        }
        if bad("clear") && bad("clean") {
            return Some("blurred, or fog in parts");
        }
        if bad("open") {
            return Some("something large before the lens");
        }
        let (name, share) = shares.into_iter().min_by(|a, b| a.1.total_cmp(&b.1))?;
        let words = match name {
            "sharp" => "blurred",
            "exposed" => "too dark or too bright",
            "clear" => "haze, fog or snowfall",
            "clean" => "drops or dirt on the lens",
            "open" => "something large before the lens",
            _ => "far from the wanted time",
        };
        (share < 0.9).then_some(words)
    }
}

/// What somebody has decided.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Verdict {
    /// It is taken whatever its score, before all others of its slot.
    Keep,
    /// It is not taken.
    Drop,
}

/// A candidate that was looked at.
#[derive(Debug, Clone)]
pub struct Seen<'a> {
    /// When it was captured.
    pub at: Instant,
    /// What was measured; none where it could not be read.
    pub look: Option<&'a Look>,
    /// What somebody has decided.
    pub verdict: Option<Verdict>,
}

/// What became of a slot.
#[derive(Debug, Clone, PartialEq)]
pub struct Choice {
    /// Its candidates, by their index: the one that is taken, then the best first.
    pub ranked: Vec<(usize, Scores)>,
    /// The one that is taken.
    pub taken: Option<(usize, Scores)>,
}

/// Rises from 0 at `low` to 1 at `high`, smoothly.
fn ramp(value: f64, low: f64, high: f64) -> f64 {
    let t = ((value - low) / (high - low)).clamp(0.0, 1.0);
    t * t * (3.0 - 2.0 * t)
}

fn median(values: &mut [f64]) -> f64 {
    if values.is_empty() {
        return 0.0;
    }
    let middle = values.len() / 2;
    let (_, median, _) = values.select_nth_unstable_by(middle, f64::total_cmp);
    *median
}

/// Which candidates each slot has, by index; both are in order. A candidate goes to the slot that wants it
/// most nearly, to the earlier one of two: no picture is shown in two places.
#[must_use]
pub fn shared_out(times: &[Instant], slots: &[Slot]) -> Vec<Vec<usize>> {
    let mut nearest: Vec<Option<(u64, usize)>> = vec![None; times.len()];
    for (slot, number) in slots.iter().zip(0..) {
        let (begin, end) = slot.hours;
        for wanted in &slot.wanted {
            let first = wanted.saturating_sub(slot.reach_nanos).max(begin);
            let last = wanted.saturating_add(slot.reach_nanos).min(end);
            let from = times.partition_point(|at| *at < first);
            let near = times.iter().skip(from).zip(nearest.iter_mut().skip(from));
            for (at, nearest) in near.take_while(|(at, _)| **at <= last) {
                let own = (at.abs_diff(*wanted), number);
                if nearest.is_none_or(|other| own < other) {
                    *nearest = Some(own);
                }
            }
        }
    }
    let mut shared = vec![Vec::new(); slots.len()];
    for (nearest, index) in nearest.into_iter().zip(0..) {
        if let Some(own) = nearest.and_then(|(_, slot)| shared.get_mut(slot)) {
            own.push(index);
        }
    }
    shared
}

/// Scores of all candidates, before any slot: `timely` is 1. Worked out by so many threads; a thousand
/// candidates take about a quarter of a second of one.
#[must_use]
pub fn scores(seen: &[Seen<'_>], taste: &Taste, jobs: usize) -> Vec<Option<Scores>> {
    let part = seen.len().div_ceil(jobs.max(1)).max(1);
    let round = |measures: &[bool]| -> Vec<Option<Scores>> {
        let mut all = vec![None; seen.len()];
        std::thread::scope(|scope| {
            for (own, begin) in all.chunks_mut(part).zip((0..).step_by(part)) {
                scope.spawn(move || {
                    for (out, index) in own.iter_mut().zip(begin..) {
                        *out = score(index, seen, measures, taste);
                    }
                });
            }
        });
        all
    };
    let first = round(&vec![true; seen.len()]);
    // By all scores alike: what somebody likes in a film says nothing of what is usual.
    let weights = Weights::default();
    let passes = |scores: &Option<Scores>| scores.is_some_and(|s| s.total(&weights) >= DOUBTLESS);
    round(&first.iter().map(passes).collect::<Vec<bool>>())
}

fn score(index: usize, seen: &[Seen<'_>], measures: &[bool], taste: &Taste) -> Option<Scores> {
    let own = seen.get(index)?;
    let look = own.look?;
    let beside = beside(index, seen, measures, taste);
    let ratio = |own: f64, of: &dyn Fn(&Look) -> f64| {
        let mut values: Vec<f64> = beside.iter().map(|look| of(look)).collect();
        let usual = median(&mut values);
        if usual > 1e-6 { own / usual } else { 1.0 }
    };
    let fine = ratio(look.fine.into(), &|look| look.fine.into());
    let mean = f64::from(look.mean);
    let plateau = ramp(mean, 15.0, 60.0) * (1.0 - ramp(mean, 190.0, 240.0));
    let clipped = (1.0 - 0.7 * ramp(look.bright.into(), 0.06, 0.35))
        * (1.0 - 0.7 * ramp(look.dark.into(), 0.25, 0.7));
    // Usual edges of each cell; by how many steps this one has less.
    let usual: Vec<f64> = (0..CELLS).map(|cell| usual_edges(&beside, cell)).collect();
    let lacks: Vec<f64> = look
        .edges
        .iter()
        .zip(&usual)
        .map(|(own, usual)| usual - f64::from(*own))
        .collect();
    // Cells that never have edges tell nothing of what is before them.
    let telling = |cell: usize| usual.get(cell).is_some_and(|usual| *usual > 50.0);
    let mut known: Vec<f64> = lacks
        .iter()
        .enumerate()
        .filter(|(cell, _)| telling(*cell))
        .map(|(_, lack)| *lack)
        .collect();
    let all_over = median(&mut known);
    let clear = (-all_over / EDGE_STEPS).exp();
    let smeared = |cell: usize| {
        telling(cell)
            && lacks
                .get(cell)
                .is_some_and(|lack| lack - all_over.max(0.0) > 0.5 * EDGE_STEPS)
    };
    let cells: Vec<bool> = (0..CELLS).map(smeared).collect();
    let smeared = share(cells.iter().filter(|cell| **cell).count(), known.len());
    // A drop takes the edges of some cells, and what is larger is no drop.
    let hidden = share(largest(&cells), CELLS);
    Some(Scores {
        sharp: ramp(fine, 0.55, 0.92),
        exposed: plateau * clipped,
        clear: ramp(clear, 0.45, 0.85),
        clean: 1.0 - ramp(smeared, 0.02, 0.07),
        open: (1.0 - ramp(blocked(look, &beside), 0.06, 0.25)) * (1.0 - ramp(hidden, 0.10, 0.22)),
        timely: 1.0,
    })
}

fn share(part: usize, whole: usize) -> f64 {
    part as f64 / whole.max(1) as f64
}

/// What a candidate is judged beside: those of the days around at about the same time that can be a
/// measure.
fn beside<'a>(index: usize, seen: &[Seen<'a>], measures: &[bool], taste: &Taste) -> Vec<&'a Look> {
    let Some(own) = seen.get(index) else {
        return Vec::new();
    };
    let reach = (taste.beside_days.clamp(0.0, 400.0) * DAY as f64) as i64;
    let hours = (taste.beside_hours.clamp(0.0, 12.0) * 3.6e12) as i64;
    let from = seen.partition_point(|other| other.at < own.at.saturating_sub(reach));
    let to = seen.partition_point(|other| other.at <= own.at.saturating_add(reach));
    let alike = |other: &Seen<'a>| {
        let apart = (other.at - own.at).rem_euclid(DAY);
        let look = other.look.filter(|_| apart.min(DAY - apart) <= hours)?;
        own.look
            .is_some_and(|own| (own.width, own.height) == (look.width, look.height))
            .then_some(look)
    };
    let near = |index: usize| seen.get(index).and_then(&alike);
    let measure = |index: &usize| measures.get(*index).copied().unwrap_or(false);
    let mut all: Vec<&Look> = (from..to).filter(measure).filter_map(near).collect();
    if all.len() < BESIDE_MIN {
        all = (from..to).filter_map(near).collect();
    }
    let step = all.len().div_ceil(BESIDE_MAX).max(1);
    all.into_iter().step_by(step).collect()
}

/// How strong the edges of a cell usually are.
fn usual_edges(beside: &[&Look], cell: usize) -> f64 {
    let mut values: Vec<f64> = beside
        .iter()
        .filter_map(|look| look.edges.get(cell))
        .map(|value| f64::from(*value))
        .collect();
    median(&mut values)
}

/// Share of the picture that the largest connected part has whose light is not as it usually is, once
/// brightness and contrast of the whole are allowed for.
fn blocked(look: &Look, beside: &[&Look]) -> f64 {
    let levels = |look: &Look| {
        let mut values: Vec<f64> = look.cells.iter().map(|cell| f64::from(*cell)).collect();
        let middle = median(&mut values);
        let mut far: Vec<f64> = values.iter().map(|value| (value - middle).abs()).collect();
        (middle, median(&mut far).max(4.0))
    };
    let (middle, spread) = levels(look);
    let others: Vec<(&&Look, (f64, f64))> =
        beside.iter().map(|look| (look, levels(look))).collect();
    let strange: Vec<bool> = (0..CELLS)
        .map(|cell| {
            let normal = |look: &Look, (middle, spread): (f64, f64)| {
                let value = look.cells.get(cell).copied().map_or(middle, f64::from);
                (value - middle) / spread
            };
            let own = normal(look, (middle, spread));
            let mut values: Vec<f64> = others
                .iter()
                .map(|(look, levels)| normal(look, *levels))
                .collect();
            let usual = median(&mut values);
            for value in &mut values {
                *value = (*value - usual).abs();
            }
            let noise = median(&mut values);
            (own - usual).abs() > 5.0 * noise + 1.2
        })
        .collect();
    share(largest(&strange), CELLS)
}

/// Cells of the largest connected group.
fn largest(cells: &[bool]) -> usize {
    let mut open = cells.to_vec();
    let mut most = 0;
    for start in 0..CELLS {
        let mut stack = vec![start];
        let mut size = 0;
        while let Some(cell) = stack.pop() {
            match open.get_mut(cell) {
                Some(state) if *state => *state = false,
                _ => continue,
            }
            size += 1;
            let (column, row) = (cell % COLUMNS, cell / COLUMNS);
            stack.extend((column > 0).then(|| cell - 1));
            stack.extend((column + 1 < COLUMNS).then_some(cell + 1));
            stack.extend((row > 0).then(|| cell.saturating_sub(COLUMNS)));
            stack.extend((row + 1 < ROWS).then_some(cell + COLUMNS));
        }
        most = most.max(size);
    }
    most
}

/// The best of each slot. Slots that want the same days, each another direction of the sun, get theirs from
/// the day that is best for all of them: so they show the light of one day, and shadows go round as they do.
/// A slot that has nothing good on that day gets the best of an earlier or a later one, as long as the film
/// does not go back in time. It does so only where somebody keeps what lies so.
#[must_use]
pub fn choose(
    slots: &[Slot],
    shared: &[Vec<usize>],
    seen: &[Seen<'_>],
    scores: &[Option<Scores>],
    taste: &Taste,
) -> Vec<Choice> {
    let verdict = |index: usize| seen.get(index).and_then(|seen| seen.verdict);
    let total = |scores: &Scores| scores.total(&taste.weights);
    let ranked = |(slot, own): (&Slot, &Vec<usize>)| {
        let mut ranked: Vec<(usize, Scores)> = own
            .iter()
            .filter_map(|index| {
                let at = seen.get(*index)?.at;
                let mut scores = (*scores.get(*index)?)?;
                scores.timely = timely(slot, at);
                Some((*index, scores))
            })
            .collect();
        ranked.sort_by(|(a, left), (b, right)| {
            let key = |index| match verdict(index) {
                Some(Verdict::Keep) => 0,
                None => 1,
                Some(Verdict::Drop) => 2,
            };
            key(*a)
                .cmp(&key(*b))
                .then(total(right).total_cmp(&total(left)))
        });
        ranked
    };
    let kept = |ranked: &[(usize, Scores)]| {
        let first = ranked.first();
        first.is_some_and(|(index, _)| verdict(*index) == Some(Verdict::Keep))
    };
    let offers = |ranked: &Vec<(usize, Scores)>| -> Vec<Offer> {
        let kept = kept(ranked);
        let offer = |((index, scores), rank): (&(usize, Scores), usize)| {
            let worth = match verdict(*index) {
                Some(Verdict::Keep) => KEPT,
                None if !kept && total(scores) >= taste.least => 1.0 + total(scores),
                _ => return None,
            };
            let at = seen.get(*index)?.at;
            Some(Offer { rank, at, worth })
        };
        ranked.iter().zip(0..).filter_map(offer).collect()
    };
    let mut choices = Vec::with_capacity(slots.len());
    let all: Vec<(&Slot, &Vec<usize>)> = slots.iter().zip(shared).collect();
    for group in all.chunk_by(|(before, _), (behind, _)| entwined(before, behind)) {
        let own: Vec<Vec<(usize, Scores)>> = group.iter().copied().map(ranked).collect();
        let offered: Vec<Vec<Offer>> = own.iter().map(offers).collect();
        for (mut ranked, rank) in own.into_iter().zip(course(&offered)) {
            let rank = rank.or(kept(&ranked).then_some(0));
            if let Some(better) = rank.and_then(|rank| ranked.get_mut(..=rank)) {
                better.rotate_right(1);
            }
            let taken = rank.and_then(|_| ranked.first().copied());
            choices.push(Choice { ranked, taken });
        }
    }
    choices
}

/// Whether a day of the second comes before one of the first.
fn entwined(before: &Slot, behind: &Slot) -> bool {
    behind.wanted.iter().min() < before.wanted.iter().max()
}

/// A candidate that may be taken.
struct Offer {
    /// Its number among those of its slot.
    rank: usize,
    at: Instant,
    /// 1 and its score: a slot that has a frame is worth more than a better frame of another one.
    worth: f64,
}

/// A row of offers, by its last one.
struct Row {
    slot: usize,
    rank: usize,
    at: Instant,
    /// Of all of it.
    worth: f64,
    /// The row that goes on here.
    before: Option<usize>,
}

/// The row that is worth most of those that do not go back in time: the rank of the offer of each slot.
fn course(offered: &[Vec<Offer>]) -> Vec<Option<usize>> {
    let mut rows: Vec<Row> = Vec::new();
    for (offers, slot) in offered.iter().zip(0..) {
        let earlier = rows.len();
        for offer in offers {
            let (mut worth, mut before) = (0.0, None);
            for (row, number) in rows.iter().take(earlier).zip(0..) {
                let apart = offer.at - row.at;
                let cost = match apart < ANOTHER_DAY {
                    true => 0.0,
                    false => ANOTHER_DAY_COSTS,
                };
                if apart > 0 && row.worth - cost > worth {
                    (worth, before) = (row.worth - cost, Some(number));
                }
            }
            rows.push(Row {
                slot,
                rank: offer.rank,
                at: offer.at,
                worth: worth + offer.worth,
                before,
            });
        }
    }
    let mut ranks = vec![None; offered.len()];
    // Of equals the first, which is ranked before the others.
    let rows_back = rows.iter().rev();
    let mut next = rows_back.max_by(|a, b| a.worth.total_cmp(&b.worth));
    while let Some(row) = next {
        if let Some(rank) = ranks.get_mut(row.slot) {
            *rank = Some(row.rank);
        }
        next = row.before.and_then(|before| rows.get(before));
    }
    ranks
}

/// 1 at the wanted instant, 0.4 as far from it as a slot reaches; a day beside the wanted one costs as
/// much as a tenth of that.
fn timely(slot: &Slot, at: Instant) -> f64 {
    let first = slot.wanted.first().copied().unwrap_or(at);
    let nearest = slot
        .wanted
        .iter()
        .map(|wanted| (wanted - at).abs())
        .min()
        .unwrap_or(0);
    let days = ((at - first).abs() as f64 / DAY as f64).floor();
    let far = nearest as f64 / slot.reach_nanos.max(1) as f64;
    (1.0 - 0.6 * far * far - 0.06 * days).clamp(0.1, 1.0)
}

#[cfg(test)]
#[path = "choose_tests.rs"]
mod tests;
