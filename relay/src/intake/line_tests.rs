use proptest::prelude::*;

use super::*;

const TIMES: LineTimes = LineTimes {
    first_unit: Duration::from_secs(20),
    dropout: Duration::from_secs(1),
    silence: Duration::from_secs(5),
};
const MS: Duration = Duration::from_millis(1);
const S: Duration = Duration::from_secs(1);

/// A line that flows since `start`.
fn flowing(start: Instant) -> Line {
    let mut line = Line::new(TIMES, start, 1);
    assert_eq!(line.step(start), Step::Probe);
    line.on(Event::Answered, start);
    assert_eq!(line.step(start), Step::Open);
    line.on(Event::Playing, start);
    line.on(Event::Unit(Slot::Kept), start);
    assert_eq!(line.phase(start), Phase::Flowing);
    line
}

#[test]
fn silence_counts_only_after_the_first_unit() {
    let start = Instant::now();
    let mut line = Line::new(TIMES, start, 1);
    line.on(Event::Answered, start);
    assert_eq!(line.step(start), Step::Open);
    line.on(Event::Playing, start);
    let late = start + 19 * S;
    assert_eq!(line.phase(late), Phase::Waiting);
    assert_eq!(line.step(late), Step::WaitUntil(start + TIMES.first_unit));
    assert_eq!(
        line.step(start + TIMES.first_unit),
        Step::Drop(Slot::Kept, Why::NoUnit)
    );
}

#[test]
fn in_a_silence_nothing_is_sent_until_the_path_answers() {
    let start = Instant::now();
    let mut line = flowing(start);
    assert_eq!(line.step(start), Step::WaitUntil(start + TIMES.dropout));
    let mut now = start + TIMES.dropout;
    let mut probes = 0;
    while now < start + 31 * S {
        match line.step(now) {
            Step::Probe => probes += 1,
            Step::WaitUntil(until) => now = until,
            other => panic!("{other:?} after {:?}", now - start),
        }
    }
    assert_eq!(probes, 120);
    line.on(Event::Answered, now);
    assert_eq!(line.step(now), Step::Kick);
    assert_eq!(line.step(now), Step::Open);
    assert_eq!(line.phase(now), Phase::Hedging);
    line.on(Event::Playing, now + 300 * MS);
    assert_eq!(line.phase(now + 300 * MS), Phase::Splicing);
    line.on(Event::Unit(Slot::Fresh), now + 700 * MS);
    assert!(matches!(line.step(now + 700 * MS), Step::WaitUntil(_)));
    let patience = now + KEPT_PATIENCE;
    assert_eq!(line.step(patience), Step::Drop(Slot::Kept, Why::Silent));
    assert_eq!(line.phase(patience), Phase::Flowing);
}

#[test]
fn a_session_that_acknowledges_is_waited_for_longer() {
    let start = Instant::now();
    let longer = |silent| silent + FIRST_TIMEOUT;
    for (silent, patience) in [
        (2 * S, longer(2 * S)),
        (8 * S, longer(8 * S)),
        (60 * S, KEPT_PATIENCE_MAX),
    ] {
        let mut line = flowing(start);
        let now = start + silent;
        assert_eq!(line.step(now), Step::Probe);
        line.on(Event::Answered, now);
        assert_eq!(line.step(now), Step::Kick);
        assert_eq!(line.step(now), Step::Open);
        line.on(Event::Playing, now);
        line.on(Event::Unit(Slot::Fresh), now);
        line.on(Event::Acknowledged, now);
        let mut step = |at: Instant| {
            line.on(Event::Unit(Slot::Fresh), at);
            line.step(at)
        };
        assert_eq!(step(now + S), Step::Kick);
        assert!(matches!(step(now + patience - MS), Step::WaitUntil(_)));
        let dropped = Step::Drop(Slot::Kept, Why::Silent);
        assert_eq!(step(now + patience), dropped);
    }
}

/// A link that flaps must not cost what the kept session holds: its patience begins anew with each
/// return of the path.
#[test]
fn when_the_path_goes_again_the_kept_session_is_kicked_again() {
    let start = Instant::now();
    let mut line = flowing(start);
    let back = start + 10 * S;
    assert_eq!(line.step(back), Step::Probe);
    line.on(Event::Answered, back);
    assert_eq!(line.step(back), Step::Kick);
    assert_eq!(line.step(back), Step::Open);
    line.on(Event::Playing, back);
    line.on(Event::Acknowledged, back);
    let last = back + 500 * MS;
    line.on(Event::Unit(Slot::Fresh), last);
    // It is away for longer than the kept session would have been waited for.
    let mut now = last;
    let mut probes = 0;
    while now < last + 30 * S {
        match line.step(now) {
            Step::Probe => probes += 1,
            Step::WaitUntil(until) => now = until,
            // The second kick was due before anybody could know.
            Step::Kick => assert!(now <= back + KICK_AGAIN),
            other => panic!("{other:?} after {:?}", now - last),
        }
    }
    assert!(probes > 100, "{probes}");
    line.on(Event::Answered, now);
    assert_eq!(line.step(now), Step::Kick);
    let Step::WaitUntil(again) = line.step(now) else {
        panic!("the fresh session is still there");
    };
    assert_eq!(again, now + KICK_AGAIN);
    line.on(Event::Unit(Slot::Kept), now + 200 * MS);
    assert!(!line.is_silent(now + 200 * MS));
}

#[test]
fn a_session_that_resumes_after_a_short_silence_needs_no_hedge() {
    let start = Instant::now();
    for (silent, dropped) in [(5 * S, true), (60 * S, false)] {
        let mut line = flowing(start);
        let now = start + silent;
        assert_eq!(line.step(now), Step::Probe);
        line.on(Event::Answered, now);
        assert_eq!(line.step(now), Step::Kick);
        assert_eq!(line.step(now), Step::Open);
        line.on(Event::Heard(Slot::Kept), now + 200 * MS);
        let step = line.step(now + 200 * MS);
        assert_eq!(step == Step::Drop(Slot::Fresh, Why::NotNeeded), dropped);
    }
}

#[test]
fn a_late_answer_says_nothing_of_the_next_silence() {
    let start = Instant::now();
    let mut line = flowing(start);
    let resumed = start + 3 * S;
    assert_eq!(line.step(resumed - S), Step::Probe);
    line.on(Event::Unit(Slot::Kept), resumed);
    line.on(Event::Answered, resumed + MS);
    let silent = resumed + TIMES.dropout;
    assert_eq!(line.step(silent), Step::Probe);
    assert!(matches!(line.step(silent), Step::WaitUntil(_)));
}

/// After a long outage the first packets may be sound, or a part of a picture: what the session has
/// saved comes behind them.
#[test]
fn the_first_packets_after_a_silence_need_not_make_a_unit() {
    let start = Instant::now();
    let mut line = flowing(start);
    let resumed = start + 14 * S;
    line.on(Event::Heard(Slot::Kept), resumed);
    assert_eq!(line.step(resumed), Step::WaitUntil(resumed + TIMES.dropout));
    // But packets that never make one don't keep it, however they come.
    for ms in (100..TIMES.silence.as_millis() as u32).step_by(100) {
        // With a pause that counts as a silence of its own.
        if !(1000..2200).contains(&ms) {
            line.on(Event::Heard(Slot::Kept), resumed + ms * MS);
        }
    }
    line.on(Event::Heard(Slot::Kept), resumed + TIMES.silence);
    assert_eq!(
        line.step(resumed + TIMES.silence),
        Step::Drop(Slot::Kept, Why::NoWholeUnit)
    );
}

#[test]
fn a_camera_with_one_session_is_only_kicked() {
    let start = Instant::now();
    let mut line = flowing(start);
    let mut now = start + 5 * S;
    line.step(now);
    line.on(Event::Answered, now);
    assert_eq!(line.step(now), Step::Kick);
    assert_eq!(line.step(now), Step::Open);
    line.on(Event::Ended(Slot::Fresh, EndCause::Busy), now);
    assert!(!line.tolerance(now).second_session);
    // It waits for the kept one, then gives it up for a new one.
    let alone = now + 5 * S + FIRST_TIMEOUT;
    loop {
        match line.step(now) {
            Step::WaitUntil(until) => now = until,
            Step::Kick => {}
            Step::Drop(Slot::Kept, Why::Silent) => break,
            other => panic!("{other:?}"),
        }
    }
    assert_eq!(now, alone);
    assert_eq!(line.step(now), Step::Open);
    line.on(Event::Playing, now);
    line.on(Event::Unit(Slot::Kept), now);
    // The next silence: no second session is tried.
    now += 5 * S;
    line.step(now);
    line.on(Event::Answered, now);
    assert_eq!(line.step(now), Step::Kick);
    assert!(matches!(line.step(now), Step::WaitUntil(_)));
}

#[test]
fn a_camera_that_resets_on_kicks_gets_none_after_two() {
    let start = Instant::now();
    let mut line = flowing(start);
    let mut now = start;
    for round in 0..3 {
        now += 5 * S;
        line.step(now);
        line.on(Event::Answered, now);
        let kicked = line.step(now) == Step::Kick;
        assert_eq!(kicked, round < 2, "{round}");
        if kicked {
            assert_eq!(line.step(now), Step::Open);
        }
        line.on(Event::Ended(Slot::Kept, EndCause::Closed), now + 60 * MS);
        if !kicked {
            break;
        }
        line.on(Event::Playing, now + 300 * MS);
        line.on(Event::Unit(Slot::Kept), now + 400 * MS);
    }
    assert!(!line.tolerance(now).kick);
}

#[test]
fn refusals_back_off_and_silence_does_not() {
    let start = Instant::now();
    let rests = |cause| {
        let mut line = Line::new(TIMES, start, 7);
        (0..12)
            .map(|_| {
                line.on(Event::Answered, start);
                line.rest_until = start;
                assert_eq!(line.step(start), Step::Open);
                line.on(Event::Ended(Slot::Fresh, cause), start);
                line.rest_until - start
            })
            .collect::<Vec<_>>()
    };
    let refused = rests(EndCause::Unauthorized);
    assert!(refused[0] < 3 * S && refused[11] > 44 * S);
    let longest = REST_REFUSED_MAX.mul_f64(1.25);
    assert!(refused.iter().all(|rest| *rest <= longest));
    assert!(rests(EndCause::Timeout).iter().all(|rest| *rest < S));
}

#[test]
fn a_slow_camera_is_not_silent() {
    let start = Instant::now();
    let mut line = flowing(start);
    for second in 1..20 {
        line.on(Event::Unit(Slot::Kept), start + 2 * second * S);
    }
    let last = start + 38 * S;
    assert_eq!(line.dropout(), 6 * S);
    assert_eq!(line.silent_since(last + 5 * S), None);
    assert_eq!(line.silent_since(last + 6 * S), Some(last));
}

#[test]
fn what_is_not_wanted_is_ended() {
    let start = Instant::now();
    let mut line = flowing(start);
    line.on(Event::Wanted(false), start);
    assert_eq!(line.step(start), Step::Drop(Slot::Kept, Why::NotWanted));
    assert!(matches!(line.step(start), Step::WaitUntil(_)));
    assert_eq!(line.phase(start), Phase::Paused);
    line.on(Event::Wanted(true), start + 60 * S);
    assert_eq!(line.step(start + 60 * S), Step::Probe);
}

/// A camera and a link, as far as a line can tell.
#[derive(Debug, Clone)]
struct World {
    now: Instant,
    up: bool,
    kept: bool,
    fresh: bool,
    opening: bool,
    stands_two: bool,
    /// The kept session answers a kick.
    alive: bool,
}

impl World {
    /// Does what the line wants until `until`; gives the most sessions there were at a time.
    fn run(&mut self, line: &mut Line, until: Instant) -> usize {
        let mut most = 0;
        let mut steps = 0;
        while self.now < until {
            steps += 1;
            assert!(steps < 100_000, "the line spins");
            let step = line.step(self.now);
            match step {
                Step::Probe if self.up => line.on(Event::Answered, self.now),
                Step::Probe => {}
                Step::Open => {
                    assert!(!self.opening && !self.fresh, "a third session");
                    self.opening = true;
                }
                Step::Kick => {
                    assert!(self.kept);
                    if self.up && self.alive {
                        line.on(Event::Unit(Slot::Kept), self.now);
                    }
                }
                Step::Drop(Slot::Fresh, _) => {
                    assert!(self.fresh || self.opening);
                    (self.fresh, self.opening) = (false, false);
                }
                Step::Drop(Slot::Kept, _) => {
                    assert!(self.kept);
                    self.kept = std::mem::take(&mut self.fresh);
                    self.alive = self.kept;
                }
                Step::WaitUntil(_) => self.pass_time(line),
            }
            most = most.max(usize::from(self.kept) + usize::from(self.fresh || self.opening));
        }
        most
    }

    fn pass_time(&mut self, line: &mut Line) {
        self.now += 100 * MS;
        if self.opening && self.up {
            self.opening = false;
            if self.kept && !self.stands_two {
                line.on(Event::Ended(Slot::Fresh, EndCause::Busy), self.now);
            } else {
                line.on(Event::Playing, self.now);
                if self.kept {
                    self.fresh = true;
                } else {
                    (self.kept, self.alive) = (true, true);
                }
            }
        }
        if self.up && self.kept && self.alive && line.silent_since(self.now).is_none() {
            line.on(Event::Unit(Slot::Kept), self.now);
        }
        if self.up && self.fresh {
            line.on(Event::Unit(Slot::Fresh), self.now);
        }
    }
}

#[derive(Debug, Clone)]
enum Happens {
    Up(bool),
    /// The kept session is dead at the camera's end, and silent.
    Dies,
    /// It ends.
    Ends(usize),
    /// The session being set up fails.
    Fails(usize),
    Wanted(bool),
    Passes(u64),
}

fn happenings() -> impl Strategy<Value = Vec<Happens>> {
    let causes = 0..EndCause::ALL.len();
    prop::collection::vec(
        prop_oneof![
            3 => any::<bool>().prop_map(Happens::Up),
            1 => Just(Happens::Dies),
            2 => causes.clone().prop_map(Happens::Ends),
            2 => causes.prop_map(Happens::Fails),
            1 => any::<bool>().prop_map(Happens::Wanted),
            6 => (1_u64..40_000).prop_map(Happens::Passes),
        ],
        0..60,
    )
}

proptest! {
    /// Whatever happens: never more than two sessions, no step without its session, no spinning,
    /// and once the path is alive and the camera is well, units flow in the end.
    #[test]
    fn always_flows_in_the_end(
        happenings in happenings(), seed in any::<u64>(), stands_two in any::<bool>()
    ) {
        let start = Instant::now();
        let mut line = Line::new(TIMES, start, seed);
        let mut world = World {
            now: start, up: true, kept: false, fresh: false, opening: false, stands_two,
            alive: true,
        };
        for happens in happenings {
            match happens {
                Happens::Up(up) => world.up = up,
                Happens::Dies => world.alive = false,
                Happens::Ends(cause) if world.kept => {
                    world.kept = std::mem::take(&mut world.fresh);
                    world.alive |= world.kept;
                    line.on(Event::Ended(Slot::Kept, EndCause::ALL[cause]), world.now);
                }
                Happens::Fails(cause) if world.opening || world.fresh => {
                    (world.opening, world.fresh) = (false, false);
                    line.on(Event::Ended(Slot::Fresh, EndCause::ALL[cause]), world.now);
                }
                Happens::Wanted(wanted) => line.on(Event::Wanted(wanted), world.now),
                Happens::Passes(millis) => {
                    let until = world.now + millis as u32 * MS;
                    prop_assert!(world.run(&mut line, until) <= 2);
                }
                Happens::Ends(_) | Happens::Fails(_) => {}
            }
        }
        line.on(Event::Wanted(true), world.now);
        world.up = true;
        let until = world.now + 120 * S;
        world.run(&mut line, until);
        prop_assert_eq!(line.phase(world.now), Phase::Flowing);
    }
}
