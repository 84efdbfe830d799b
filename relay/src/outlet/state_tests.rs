use super::*;
use crate::units::Name;

const SECOND: i64 = 1_000_000_000;

fn at(seconds: i64) -> CaptureTime {
    CaptureTime::from_unix_nanos(1_777_900_000 * SECOND + seconds * SECOND)
}

/// A camera that is heard, ten minutes after the start.
fn sight() -> Sight {
    Sight {
        camera: Name::new("slipway").unwrap(),
        site: Name::new("boatyard").unwrap(),
        now: at(600),
        begun: at(0),
        phase: Phase::Flowing,
        phase_since: Some(at(2)),
        error: None,
        newest: Some((at(599), at(600))),
        gap: None,
        idle_sinks: Vec::new(),
        states: Vec::new(),
        others: (0, 0),
    }
}

fn kinds(state: &State) -> Vec<&str> {
    state.problems.iter().map(|problem| problem.kind).collect()
}

#[test]
fn a_camera_that_is_heard_is_fine_since_it_was_told_so() {
    let fine = sight().judge(None);
    assert_eq!((fine.state, fine.since), (Condition::Fine, at(600)));
    let mut later = sight();
    (later.now, later.newest) = (at(660), Some((at(659), at(660))));
    let still = later.judge(Some(&fine));
    assert_eq!(still.since, at(600));
    assert_eq!(still.summary, "fine for 1 min 00 s");
}

#[test]
fn silence_counts_from_the_last_picture_and_has_a_cause() {
    let mut sight = sight();
    (sight.newest, sight.phase) = (Some((at(500), at(501))), Phase::Silent);
    sight.others = (1, 0);
    let alone = sight.judge(None);
    assert_eq!((alone.state, alone.since), (Condition::Silent, at(500)));
    assert_eq!(kinds(&alone), ["camera"]);
    // All silent together: the link.
    sight.others = (0, 2);
    let together = sight.judge(None);
    assert_eq!(kinds(&together), ["uplink"]);
    assert!(
        together
            .summary
            .contains("no camera of the site boatyard is heard")
    );
    assert!(
        together.summary.contains("1 min 40 s"),
        "{}",
        together.summary
    );
    // One that refuses says why itself, whatever the others do.
    let text = "DESCRIBE: 401 Unauthorized".to_owned();
    sight.error = Some((EndCause::Unauthorized, text, at(590)));
    let refused = sight.judge(None);
    assert_eq!(kinds(&refused), ["refused"]);
    let problem = &refused.problems[0];
    assert!(problem.text.contains("401") && problem.advice.contains("`username`"));
    // What is missing needs no second complaint.
    sight.gap = Some(at(500));
    assert_eq!(kinds(&sight.judge(None)), ["refused"]);
}

#[test]
fn a_start_is_none_for_long_and_a_pause_is_no_trouble() {
    let mut sight = sight();
    (sight.newest, sight.phase, sight.now) = (None, Phase::Connecting, at(5));
    assert_eq!(sight.judge(None).state, Condition::Starting);
    sight.now = at(30);
    let silent = sight.judge(None);
    assert_eq!((silent.state, silent.since), (Condition::Silent, at(0)));
    sight.phase = Phase::Paused;
    sight.idle_sinks = vec![(Name::new("footage").unwrap(), at(0))];
    let paused = sight.judge(None);
    assert_eq!(
        (paused.state, paused.problems.len()),
        (Condition::Paused, 0)
    );
}

#[test]
fn what_is_wrong_beside_pictures_impairs() {
    let mut sight = sight();
    sight.gap = Some(at(560));
    assert_eq!(
        sight.judge(None).state,
        Condition::Fine,
        "it may be the last file's"
    );
    sight.gap = Some(at(400));
    sight.idle_sinks = vec![(Name::new("footage").unwrap(), at(410))];
    let open = |sink: &str, kind: &str| OpenState {
        sink: SinkWord(Name::new(sink).unwrap()),
        kind: kind.to_owned(),
        since: at(300),
        score: 1.0,
        text: "the view has moved by 40 pixels".to_owned(),
    };
    sight.states = vec![
        open("motion", "moved"),
        open("motion", "motion"),
        open("gate", "undecodable"),
    ];
    let state = sight.judge(None);
    assert_eq!(state.state, Condition::Impaired);
    assert_eq!(kinds(&state), ["unrecorded", "sink", "moved"]);
    assert_eq!(state.since, at(400));
    assert_eq!(state.states.len(), 3);
    assert!(state.summary.ends_with("and 2 more"), "{}", state.summary);
}
