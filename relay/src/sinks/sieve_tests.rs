use std::time::Instant;

use super::*;
use crate::config::Limits;
use crate::units::Name;

const NOW: i64 = 1_777_879_860_000_000_000;

fn scene() -> Scene {
    Scene {
        at: CaptureTime::from_unix_nanos(NOW),
        source: Source::Main,
    }
}

fn raw(kind: &str, score: f64, phase: &str) -> findings::Finding {
    findings::Finding {
        kind: kind.into(),
        score,
        at: NOW,
        phase: phase.into(),
        region: None,
        text: String::new(),
    }
}

struct Bench {
    sieve: Sieve,
    account: Account,
    now: Instant,
}

impl Bench {
    fn new(minimum_score: f64, per_minute: u32, kinds: u32) -> Self {
        let limits = Limits {
            findings_per_minute: per_minute,
            finding_kinds: kinds,
            ..Limits::default()
        };
        let now = Instant::now();
        Self {
            sieve: Sieve::new(Name::new("motion").unwrap(), minimum_score),
            account: Account::new(&limits, now),
            now,
        }
    }

    fn judge(&mut self, raw: findings::Finding) -> Verdict {
        let (account, now) = (&mut self.account, self.now);
        self.sieve
            .judge(raw, scene(), |kind, faint| take(account, now, kind, faint))
    }

    fn published(&mut self, raw: findings::Finding) -> Finding {
        match self.judge(raw) {
            Verdict::Publish(finding) => finding,
            other => panic!("{other:?}"),
        }
    }

    fn flaw(&mut self, raw: findings::Finding) -> Flaw {
        match self.judge(raw) {
            Verdict::Flawed(flaw, _) => flaw,
            other => panic!("{other:?}"),
        }
    }
}

#[test]
fn what_can_be_meant_is_brought_into_bounds() {
    let mut bench = Bench::new(0.0, 100, 10);
    let mut said = raw("person-2", 7.0, "");
    said.text = format!("  a\nb\u{2028}c\u{7} {}", "ø".repeat(400));
    said.region = Some(findings::Region {
        left: -0.25,
        top: 0.5,
        width: 0.5,
        height: 2.0,
    });
    let finding = bench.published(said);
    assert_eq!(finding.score, 1.0);
    assert_eq!(finding.source, Source::Main);
    assert!(finding.text.len() <= 256 && finding.text.len() > 250);
    assert!(finding.text.starts_with("a b c  ø"), "{}", finding.text);
    let region = Region {
        left: 0.0,
        top: 0.5,
        width: 0.25,
        height: 0.5,
    };
    assert_eq!(finding.region, Some(region));
    let mut outside = raw("person-2", -3.0, "");
    outside.region = Some(findings::Region {
        left: 1.5,
        top: 0.0,
        width: 1.0,
        height: 1.0,
    });
    let finding = bench.published(outside);
    assert_eq!((finding.score, finding.region), (0.0, None));
}

#[test]
fn what_cannot_be_meant_is_refused() {
    let mut bench = Bench::new(0.0, 100, 10);
    for kind in ["", "Gate", "2fast", "a_b", "ø", &"x".repeat(33)] {
        assert_eq!(bench.flaw(raw(kind, 0.5, "")), Flaw::Kind, "{kind}");
    }
    for score in [f64::NAN, f64::INFINITY, f64::NEG_INFINITY] {
        assert_eq!(bench.flaw(raw("a", score, "")), Flaw::Score);
    }
    assert_eq!(bench.flaw(raw("a", 0.5, "Begin")), Flaw::Phase);
    assert_eq!(bench.flaw(raw("a", 0.5, "end")), Flaw::Phase);
    for at in [
        i64::MIN,
        0,
        NOW - 86_401_000_000_000,
        NOW + 61_000_000_000,
        i64::MAX,
    ] {
        let said = findings::Finding {
            at,
            ..raw("a", 0.5, "")
        };
        assert_eq!(bench.flaw(said), Flaw::Time, "{at}");
    }
    for (width, left) in [(f64::NAN, 0.0), (-0.1, 0.0), (0.1, f64::INFINITY)] {
        let region = findings::Region {
            left,
            top: 0.0,
            width,
            height: 1.0,
        };
        let said = findings::Finding {
            region: Some(region),
            ..raw("a", 0.5, "")
        };
        assert_eq!(bench.flaw(said), Flaw::Region);
    }
    // None of them has used anything up.
    for _ in 0..100 {
        bench.published(raw("a", 0.5, ""));
    }
}

#[test]
fn kinds_and_rate_are_bounded_but_a_begun_state_can_end() {
    let mut bench = Bench::new(0.0, 3, 2);
    bench.published(raw("a", 0.5, "begin"));
    bench.published(raw("b", 0.5, ""));
    assert_eq!(
        bench.judge(raw("c", 0.5, "begin")),
        Verdict::Limit("finding_kinds")
    );
    assert_eq!(bench.flaw(raw("c", 0.5, "end")), Flaw::Phase);
    bench.published(raw("b", 0.5, ""));
    assert_eq!(
        bench.judge(raw("b", 0.5, "begin")),
        Verdict::Limit("findings_per_minute")
    );
    // Nobody has heard of its begin.
    assert_eq!(bench.judge(raw("b", 0.0, "end")), Verdict::Unheard);
    assert_eq!(bench.published(raw("a", 0.0, "end")).phase, Phase::End);
    bench.now += Duration::from_secs(60);
    bench.published(raw("b", 0.5, "begin"));
}

#[test]
fn faint_findings_are_for_the_metrics_alone() {
    let mut bench = Bench::new(0.5, 2, 10);
    for _ in 0..100 {
        let verdict = bench.judge(raw("a", 0.49, ""));
        assert!(matches!(verdict, Verdict::Faint(f) if f.score == 0.49));
    }
    assert!(matches!(
        bench.judge(raw("a", 0.1, "begin")),
        Verdict::Faint(_)
    ));
    assert_eq!(bench.judge(raw("a", 0.9, "end")), Verdict::Unheard);
    // A state that grows stronger begins when it is strong enough.
    assert!(matches!(
        bench.judge(raw("a", 0.1, "begin")),
        Verdict::Faint(_)
    ));
    bench.published(raw("a", 0.6, "begin"));
    assert_eq!(bench.flaw(raw("a", 0.6, "begin")), Flaw::Phase);
    // The end of a state is weak by its nature.
    bench.published(raw("a", 0.0, "end"));
}

#[test]
fn states_that_are_open_are_ended_with_the_instance() {
    let mut bench = Bench::new(0.5, 10, 10);
    bench.published(raw("dark", 0.6, "begin"));
    bench.published(findings::Finding {
        at: NOW + 5_000_000_000,
        ..raw("frozen", 0.6, "begin")
    });
    bench.judge(raw("moved", 0.1, "begin"));
    bench.published(raw("covered", 0.6, "begin"));
    bench.published(raw("covered", 0.6, "end"));
    let ends: Vec<_> = bench
        .sieve
        .close(scene().at)
        .into_iter()
        .map(|finding| {
            assert_eq!(finding.phase, Phase::End);
            (finding.kind, finding.at.unix_nanos() - NOW)
        })
        .collect();
    // Never before its begin.
    assert_eq!(
        ends,
        [("dark".to_owned(), 0), ("frozen".to_owned(), 5_000_000_000)]
    );
    assert!(bench.sieve.close(scene().at).is_empty());
}
