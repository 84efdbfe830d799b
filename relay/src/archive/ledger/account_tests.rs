#![allow(clippy::unwrap_used, clippy::indexing_slicing)]

use proptest::prelude::*;

use super::super::spans::tests::{at, span};
use super::super::total_nanos;
use super::*;
use crate::units::Name;

const S: i64 = SECOND;
const MS: i64 = 1_000_000;
const FRAME: i64 = 40 * MS;

#[derive(Debug, Clone, Default)]
struct Case {
    runs: Vec<Run>,
    footage: Vec<Footage>,
    retired: Vec<(Fate, Footage)>,
    evidence: Vec<Testimony>,
}

fn run(begin: i64, end: i64) -> Run {
    let span = span(begin, end);
    Run { span, knows: true }
}

fn footage(begin: i64, end: i64) -> Footage {
    Footage {
        span: span(begin, end),
        frame_nanos: FRAME,
    }
}

fn told(witness: Witness, cause: GapCause, begin: i64, end: i64) -> Testimony {
    Testimony {
        witness,
        span: span(begin, end),
        cause,
        detail: format!("{} at {}", cause.as_str(), begin / S),
        lasts: false,
    }
}

fn recorder() -> Witness {
    Witness::Sink(Name::new("recorder").unwrap())
}

impl Case {
    fn account(&self, begin: i64, end: i64, horizon: i64) -> Coverage {
        let (camera, site) = (
            Name::new("slipway").unwrap(),
            Name::new("boatyard").unwrap(),
        );
        let books = Books {
            camera: &camera,
            site: &site,
            runs: &self.runs,
            footage: &self.footage,
            retired: &self.retired,
            evidence: &self.evidence,
        };
        account(books, span(begin, end), at(horizon))
    }

    /// Cause, begin and end in milliseconds.
    fn gaps(&self, end: i64) -> Vec<(&'static str, i64, i64)> {
        let coverage = self.account(0, end, end);
        let ms = |time: CaptureTime| time.unix_nanos() / MS;
        let gap = |gap: &Gap| (gap.cause.as_str(), ms(gap.span.begin), ms(gap.span.end));
        coverage.gaps.iter().map(gap).collect()
    }
}

#[test]
fn an_outage_is_one_gap() {
    let case = Case {
        retired: Vec::new(),
        runs: vec![run(0, 100 * S)],
        footage: vec![footage(0, 10 * S), footage(40 * S + 130 * MS, 100 * S)],
        evidence: vec![
            told(Witness::Intake, GapCause::Uplink, 10 * S + 30 * MS, 25 * S),
            told(Witness::Intake, GapCause::Uplink, 25 * S + MS, 40 * S),
        ],
    };
    assert_eq!(case.gaps(100 * S), [("uplink", 10_000, 40_130)]);
    let coverage = case.account(0, 100 * S, 100 * S);
    assert_eq!(coverage.gaps[0].detail, "uplink at 10; uplink at 25");
    assert_eq!(coverage.wanted, [span(0, 100 * S)]);
    assert_eq!(total_nanos(&coverage.recorded), 69_870 * MS);
}

#[test]
fn a_kill_takes_its_tail_and_the_start_with_it() {
    let case = Case {
        retired: Vec::new(),
        runs: vec![run(0, 50 * S), run(80 * S, 200 * S)],
        footage: vec![footage(S, 44 * S), footage(83 * S, 200 * S)],
        evidence: vec![],
    };
    let gaps = [("relay", 0, 1000), ("relay", 44_000, 83_000)];
    assert_eq!(case.gaps(200 * S), gaps);
    let detail = "the relay ended; the relay did not run; the relay was starting";
    assert_eq!(case.account(0, 200 * S, 200 * S).gaps[1].detail, detail);
}

#[test]
fn the_end_of_the_last_run_is_the_relays() {
    let case = Case {
        retired: Vec::new(),
        runs: vec![run(0, 50 * S)],
        footage: vec![footage(0, 46 * S)],
        evidence: vec![],
    };
    assert_eq!(case.gaps(60 * S), [("relay", 46_000, 50_000)]);
    // While it runs, nothing excuses it.
    assert_eq!(case.gaps(49 * S), [("sink", 46_000, 49_000)]);
}

#[test]
fn what_is_known_of_the_time_before_a_kill_stays() {
    let case = Case {
        retired: Vec::new(),
        runs: vec![run(0, 50 * S), run(80 * S, 200 * S)],
        footage: vec![footage(0, 20 * S), footage(95 * S, 200 * S)],
        evidence: vec![
            told(Witness::Intake, GapCause::Uplink, 20 * S, 50 * S),
            told(Witness::Intake, GapCause::Camera, 82 * S, 95 * S),
        ],
    };
    let gaps = [
        ("uplink", 20_000, 50_000),
        ("relay", 50_000, 82_000),
        ("camera", 82_000, 95_000),
    ];
    assert_eq!(case.gaps(200 * S), gaps);
}

#[test]
fn without_evidence_it_is_the_sink() {
    let mut case = Case {
        retired: Vec::new(),
        runs: vec![run(0, 300 * S)],
        footage: vec![footage(0, 10 * S), footage(30 * S, 100 * S)],
        evidence: vec![],
    };
    assert_eq!(case.gaps(100 * S), [("sink", 10_000, 30_000)]);
    case.evidence = vec![
        told(recorder(), GapCause::Sink, 10 * S, 30 * S),
        told(Witness::Archive, GapCause::Storage, 5 * S, 20 * S),
        told(Witness::Intake, GapCause::Loss, 9 * S, 12 * S),
    ];
    let gaps = [
        ("loss", 10_000, 12_000),
        ("storage", 12_000, 20_000),
        ("sink", 20_000, 30_000),
    ];
    assert_eq!(case.gaps(100 * S), gaps);
    // A camera that no plugin records at all: a start explains a minute.
    case.footage.clear();
    case.evidence.clear();
    assert_eq!(
        case.gaps(100 * S),
        [("relay", 0, 60_000), ("sink", 60_000, 100_000)]
    );
}

#[test]
fn files_that_nearly_touch_have_no_gap() {
    let case = Case {
        retired: Vec::new(),
        runs: vec![run(0, 100 * S)],
        footage: vec![
            footage(15 * MS, 10 * S),
            footage(10 * S + 60 * MS, 20 * S),
            footage(19 * S + 900 * MS, 100 * S - 50 * MS),
        ],
        evidence: vec![],
    };
    assert_eq!(case.gaps(100 * S), []);
    let coverage = case.account(0, 100 * S, 100 * S);
    assert_eq!(coverage.recorded, [span(0, 100 * S)]);
}

#[test]
fn planned_time_is_not_wanted() {
    let case = Case {
        retired: Vec::new(),
        runs: vec![run(0, 100 * S)],
        footage: vec![
            footage(0, 20 * S),
            footage(30 * S, 40 * S),
            footage(60 * S, 100 * S),
        ],
        evidence: vec![
            told(Witness::Plan, GapCause::Planned, 25 * S, 60 * S),
            told(Witness::Intake, GapCause::Uplink, 15 * S, 60 * S),
        ],
    };
    let gaps = [("uplink", 20_000, 25_000), ("planned", 25_000, 60_000)];
    assert_eq!(case.gaps(100 * S), gaps);
    let coverage = case.account(0, 100 * S, 100 * S);
    assert_eq!(coverage.wanted, [span(0, 25 * S), span(60 * S, 100 * S)]);
}

#[test]
fn a_camera_taken_out_of_the_configuration_is_not_wanted() {
    let unknowing = Run {
        knows: false,
        ..run(60 * S, 90 * S)
    };
    let case = Case {
        retired: Vec::new(),
        runs: vec![
            run(10 * S, 50 * S),
            unknowing,
            run(95 * S, 120 * S),
            run(130 * S, 140 * S),
        ],
        footage: vec![],
        evidence: vec![],
    };
    let coverage = case.account(0, 140 * S, 140 * S);
    assert_eq!(
        coverage.wanted,
        [span(10 * S, 50 * S), span(95 * S, 140 * S)]
    );
    assert_eq!(coverage.account_total(), 0);
}

#[test]
fn what_lasts_lasts() {
    let mut case = Case {
        retired: Vec::new(),
        runs: vec![run(0, 100 * S)],
        footage: vec![footage(0, 20 * S)],
        evidence: vec![told(Witness::Intake, GapCause::Uplink, 20 * S, 90 * S)],
    };
    case.evidence[0].lasts = true;
    assert!(case.account(0, 100 * S, 90 * S).gaps[0].lasts);
    assert!(!case.account(0, 50 * S, 90 * S).gaps[0].lasts);
    case.evidence[0].lasts = false;
    assert!(!case.account(0, 100 * S, 90 * S).gaps[0].lasts);
}

#[test]
fn nothing_settled_is_an_empty_account() {
    let case = Case {
        runs: vec![run(0, 100 * S)],
        ..Case::default()
    };
    let coverage = case.account(50 * S, 60 * S, 20 * S);
    assert_eq!(coverage.window.begin, coverage.window.end);
    assert!(coverage.wanted.is_empty() && coverage.gaps.is_empty());
}

impl Coverage {
    /// Nanoseconds by which wanted differs from recorded and gaps.
    fn account_total(&self) -> i64 {
        let gaps = self
            .gaps
            .iter()
            .filter(|gap| gap.cause != GapCause::Planned);
        let gaps: i64 = gaps.map(|gap| gap.span.nanos()).sum();
        total_nanos(&self.wanted) - total_nanos(&self.recorded) - gaps
    }
}

fn case() -> impl Strategy<Value = Case> {
    let stretch = || (0i64..4000, 1i64..900);
    let runs = prop::collection::vec((stretch(), prop::bool::weighted(0.8)), 0..6);
    let files = prop::collection::vec((stretch(), 1i64..200), 0..10);
    let evidence = prop::collection::vec((stretch(), 0usize..7, any::<bool>()), 0..10);
    (runs, files, evidence).prop_map(|(runs, files, evidence)| {
        // A tenth of a second is the grain.
        let stretch = |(begin, length): (i64, i64)| span(begin * S / 10, (begin + length) * S / 10);
        let run = |(s, knows)| Run {
            span: stretch(s),
            knows,
        };
        let file = |(s, frame): ((i64, i64), i64)| Footage {
            span: stretch(s),
            frame_nanos: frame * MS,
        };
        let told = |((s, cause, lasts), n): (((i64, i64), usize, bool), usize)| Testimony {
            witness: match GapCause::ALL[cause] {
                GapCause::Planned => Witness::Plan,
                GapCause::Sink => recorder(),
                GapCause::Storage => Witness::Archive,
                _ => Witness::Intake,
            },
            span: stretch(s),
            cause: GapCause::ALL[cause],
            detail: format!("evidence {n}"),
            lasts,
        };
        Case {
            retired: Vec::new(),
            runs: runs.into_iter().map(run).collect(),
            footage: files.into_iter().map(file).collect(),
            evidence: evidence.into_iter().zip(0..).map(told).collect(),
        }
    })
}

proptest! {
    #[test]
    fn accounts_add_up(case in case(), begin in 0i64..300, length in 1i64..300, horizon in 0i64..500) {
        let coverage = case.account(begin * S, (begin + length) * S, horizon * S);
        prop_assert_eq!(coverage.account_total(), 0);
        let spans = |planned: bool| {
            let gaps = coverage.gaps.iter();
            let gaps = gaps.filter(move |gap| (gap.cause == GapCause::Planned) == planned);
            gaps.map(|gap| gap.span).collect::<Vec<_>>()
        };
        let together = [coverage.recorded.clone(), spans(false)].concat();
        prop_assert_eq!(total_nanos(&union(together.clone())), total_nanos(&coverage.wanted));
        prop_assert_eq!(union(together), coverage.wanted.clone());
        prop_assert!(intersect(&union(spans(true)), &coverage.wanted).is_empty());
        for pair in coverage.gaps.windows(2) {
            prop_assert!(pair[0].span.end <= pair[1].span.begin);
            let touch = pair[0].span.end == pair[1].span.begin;
            prop_assert!(!touch || pair[0].cause != pair[1].cause, "{:?}", pair);
        }
        for set in [&coverage.wanted, &coverage.recorded] {
            prop_assert!(set.windows(2).all(|w| w[0].end < w[1].begin));
        }
        for gap in &coverage.gaps {
            prop_assert!(gap.span.cut(coverage.window) == Some(gap.span));
            prop_assert!(gap.detail.chars().count() <= DETAIL_CHARS_MAX);
        }
    }

    #[test]
    fn order_does_not_matter(case in case(), seed in any::<u64>()) {
        let expected = case.account(0, 400 * S, 400 * S);
        let mut mixed = case.clone();
        let mut random = fastrand::Rng::with_seed(seed);
        random.shuffle(&mut mixed.runs);
        random.shuffle(&mut mixed.footage);
        random.shuffle(&mut mixed.evidence);
        prop_assert_eq!(mixed.account(0, 400 * S, 400 * S), expected);
    }

    #[test]
    fn two_windows_are_the_whole(case in case(), middle in 1i64..400) {
        let whole = case.account(0, 400 * S, 500 * S);
        let (a, b) = (
            case.account(0, middle * S, 500 * S),
            case.account(middle * S, 400 * S, 500 * S),
        );
        let wanted = total_nanos(&a.wanted) + total_nanos(&b.wanted);
        prop_assert_eq!(wanted, total_nanos(&whole.wanted));
        let recorded = total_nanos(&a.recorded) + total_nanos(&b.recorded);
        prop_assert_eq!(recorded, total_nanos(&whole.recorded));
    }

    /// The relay records all the time, is killed at any moment, and starts again.
    #[test]
    fn a_kill_leaves_no_silent_hole(
        kill in 3_000i64..60_000, stale in 0i64..2000, lost in 0i64..20_000,
        down in 10i64..60_000, start in 0i64..20_000,
    ) {
        let durable = (kill - lost).max(1000);
        let again = kill + down;
        let case = Case {
            retired: Vec::new(),
            runs: vec![run(0, (kill - stale) * MS), run(again * MS, 300 * S)],
            footage: vec![footage(0, durable * MS), footage((again + start) * MS, 300 * S)],
            evidence: vec![],
        };
        let hole = again + start - durable;
        if hole > FRAME / MS + 20 {
            prop_assert_eq!(case.gaps(300 * S), [("relay", durable, again + start)]);
        } else {
            prop_assert_eq!(case.gaps(300 * S), []);
        }
    }
}

#[test]
fn what_has_gone_by_its_rules_is_not_missing() {
    use Fate::{Expired, Thinned};
    let case = Case {
        runs: vec![run(0, 1000 * S)],
        // Whole from 600 s on; cut off before a file went of which the journal says that it has.
        footage: vec![footage(590 * S, 1000 * S)],
        retired: vec![
            (Thinned, footage(100 * S, 600 * S)),
            (Expired, footage(100 * S, 300 * S)),
            (Expired, footage(590 * S, 600 * S)),
        ],
        evidence: vec![],
    };
    let coverage = case.account(0, 1000 * S, 1000 * S);
    assert_eq!(coverage.recorded, [span(100 * S, 1000 * S)]);
    assert_eq!(coverage.expired, [span(100 * S, 300 * S)]);
    assert_eq!(coverage.thinned, [span(300 * S, 590 * S)]);
    // What was missing before is missing still.
    let gaps: Vec<_> = coverage.gaps.iter().map(|gap| gap.span).collect();
    assert_eq!(gaps.first().map(|gap| gap.begin), Some(at(0)));
    assert_eq!(gaps.last().map(|gap| gap.end), Some(at(100 * S)));
    // And the same where the window is cut in the middle.
    let part = case.account(200 * S, 400 * S, 1000 * S);
    assert_eq!(part.recorded, [span(200 * S, 400 * S)]);
    assert_eq!(part.expired, [span(200 * S, 300 * S)]);
    assert_eq!(part.thinned, [span(300 * S, 400 * S)]);
    assert_eq!(part.gaps, []);
}

proptest! {
    /// Whatever goes, the account of what was recorded and what is missing stays the same.
    #[test]
    fn an_account_does_not_depend_on_what_has_gone(
        pieces in prop::collection::vec((0i64..900, 1i64..60, 0u8..3), 0..30)
    ) {
        let of = |(begin, length, _): &(i64, i64, u8)| footage(begin * S, (begin + length) * S);
        let before = Case {
            runs: vec![run(0, 1000 * S)],
            footage: pieces.iter().map(of).collect(),
            ..Case::default()
        };
        let gone = |piece: &(i64, i64, u8)| match piece.2 {
            0 => None,
            1 => Some((Fate::Thinned, of(piece))),
            _ => Some((Fate::Expired, of(piece))),
        };
        let after = Case {
            footage: pieces.iter().filter(|piece| piece.2 == 0).map(of).collect(),
            retired: pieces.iter().filter_map(gone).collect(),
            ..before.clone()
        };
        let (before, after) = (
            before.account(0, 1000 * S, 1000 * S),
            after.account(0, 1000 * S, 1000 * S),
        );
        prop_assert_eq!(&before.recorded, &after.recorded);
        prop_assert_eq!(&before.gaps, &after.gaps);
        prop_assert_eq!(&before.wanted, &after.wanted);
        let gone = total_nanos(&after.thinned) + total_nanos(&after.expired);
        prop_assert!(gone <= total_nanos(&after.recorded));
    }
}
