#![allow(clippy::unwrap_used, clippy::indexing_slicing)]

use std::collections::BTreeMap;
use std::time::Duration;

use proptest::prelude::*;

use super::super::pins::Pin;
use super::*;
use crate::archive::ledger::Span;
use crate::config::ByteCount;
use crate::units::Name;

const HOUR: i64 = 3600 * 1_000_000_000;
const DAY: i64 = 24 * HOUR;
/// 2026-11-29, in days since 1970.
const TODAY: i64 = 20_786;

fn at(nanos: i64) -> CaptureTime {
    CaptureTime::from_unix_nanos(nanos)
}

fn now() -> CaptureTime {
    at(TODAY * DAY)
}

fn camera(index: usize) -> CameraName {
    Name::new(["slipway", "gate", "mast-crane"][index % 3]).unwrap()
}

fn days(days: u64) -> Duration {
    Duration::from_secs(days * 86_400)
}

/// An object of an hour that ended so many hours ago.
fn object(form: Form, hours_ago: i64) -> Object {
    let end = TODAY * DAY - hours_ago * HOUR;
    Object {
        camera: camera(0),
        form,
        begin: at(end - HOUR),
        end: at(end),
        bytes: 1000,
        thinned_bytes: 50,
        name: format!("{}-{hours_ago}", form.as_str()),
    }
}

fn pin(camera: &CameraName, begin: i64, end: i64, until: Option<i64>) -> Pin {
    Pin {
        id: "1".into(),
        camera: camera.clone(),
        span: Span::new(at(begin), at(end)).unwrap(),
        reason: "hull struck the gate".into(),
        made: at(0),
        until: until.map(at),
    }
}

fn ladder() -> LadderRule {
    LadderRule {
        footage: Period::Of(days(30)),
        key_frames: Period::Of(days(365)),
        ..LadderRule::default()
    }
}

fn verdict(object: &Object, rule: &LadderRule) -> Verdict {
    due(object, rule, &Pins::default(), now())
}

#[test]
fn footage_is_whole_then_thinned_then_gone() {
    let (rule, hours) = (ladder(), 24);
    let of = |form, hours_ago| verdict(&object(form, hours_ago), &rule);
    assert_eq!(of(Form::Footage, 30 * hours - 1), Verdict::Keep);
    let thin = Verdict::Due(Act::Thin, Reason::Age);
    let gone = Verdict::Due(Act::Remove, Reason::Age);
    assert_eq!(of(Form::Footage, 30 * hours), thin);
    assert_eq!(of(Form::Footage, 365 * hours - 1), thin);
    assert_eq!(of(Form::Footage, 365 * hours), gone);
    assert_eq!(of(Form::KeyFrames, 365 * hours - 1), Verdict::Keep);
    assert_eq!(of(Form::KeyFrames, 365 * hours), gone);
    for form in [Form::Stills, Form::Findings, Form::Other] {
        assert_eq!(of(form, 9999 * hours), Verdict::Keep, "{form:?}");
    }
    // Without a word, all is kept; and what was thinned under another rule, too.
    for form in Form::ALL {
        let all = LadderRule::default();
        assert_eq!(verdict(&object(form, 9999 * hours), &all), Verdict::Keep);
    }
}

#[test]
fn a_maximum_beats_all_but_a_pin_which_says_so() {
    let rule = LadderRule {
        most: Some(days(30)),
        least: days(40),
        ..LadderRule::default()
    };
    for form in Form::ALL {
        // Its begin, an hour before its end, counts.
        let object = object(form, 30 * 24 - 1);
        let gone = (Act::Remove, Reason::Maximum);
        assert_eq!(verdict(&object, &rule), Verdict::Due(gone.0, gone.1));
        let (begin, end) = (object.begin.unix_nanos(), object.end.unix_nanos());
        let held = |begin, end, until| {
            let pins = Pins::from(vec![pin(&object.camera, begin, end, until)]);
            due(&object, &rule, &pins, now())
        };
        let pinned = Verdict::Pinned(gone.0, gone.1);
        assert_eq!(held(begin - HOUR, begin + 1, None), pinned);
        assert_eq!(held(end, end + 1, None), pinned);
        assert_eq!(
            held(begin - HOUR, begin, None),
            Verdict::Due(gone.0, gone.1)
        );
        assert_eq!(
            held(end + 1, end + HOUR, None),
            Verdict::Due(gone.0, gone.1)
        );
        // A pin that has ended holds nothing.
        assert_eq!(
            held(begin, end, Some(TODAY * DAY)),
            Verdict::Due(gone.0, gone.1)
        );
        assert_eq!(held(begin, end, Some(TODAY * DAY + 1)), pinned);
    }
}

#[test]
fn room_is_made_of_the_oldest_footage() {
    let rules = BTreeMap::from([(
        camera(0),
        LadderRule {
            least: days(2),
            ..LadderRule::default()
        },
    )]);
    let objects = vec![
        object(Form::Footage, 24 * 5),
        object(Form::Footage, 24 * 9),
        object(Form::Stills, 24 * 20),
        object(Form::KeyFrames, 24 * 19),
        object(Form::Findings, 24 * 18),
        object(Form::Other, 24 * 17),
        object(Form::Footage, 24),
    ];
    let room = |free| Room {
        free_bytes: free,
        floor_bytes: 2500,
        ..Room::default()
    };
    let names = |free| {
        let mut room = room(free);
        let (steps, _) = plan(objects.clone(), &rules, &Pins::default(), now(), &mut room);
        assert!(steps.iter().all(|step| step.reason == Reason::FreeSpace));
        let names: Vec<_> = steps.into_iter().map(|step| step.object.name).collect();
        (names, room.free_bytes)
    };
    assert_eq!(names(2500).0.len(), 0);
    assert_eq!(names(2499), (vec!["key-frames-456".into()], 3499));
    // What is too young stays, though it is not enough.
    let (all, free) = names(0);
    assert_eq!(all, ["key-frames-456", "footage-216", "footage-120"]);
    assert_eq!(free, 3000);
    let pinned = Pins::from(vec![pin(&camera(0), 0, TODAY * DAY, None)]);
    assert_eq!(
        plan(objects.clone(), &rules, &pinned, now(), &mut room(0)).0,
        []
    );
}

#[test]
fn what_is_due_is_counted_before_room_is_made() {
    // The gate's day-old footage goes anyway: the slipway's older footage may stay.
    let short = LadderRule {
        footage: Period::Of(days(1)),
        ..LadderRule::default()
    };
    let rules = BTreeMap::from([(camera(0), LadderRule::default()), (camera(1), short)]);
    let gate = Object {
        camera: camera(1),
        ..object(Form::Footage, 30)
    };
    let objects = vec![object(Form::Footage, 24 * 20), gate.clone()];
    let mut room = Room {
        free_bytes: 0,
        floor_bytes: 1000,
        ..Room::default()
    };
    let (steps, _) = plan(objects, &rules, &Pins::default(), now(), &mut room);
    assert_eq!(steps.len(), 1);
    assert_eq!((&steps[0].object, steps[0].reason), (&gate, Reason::Age));
}

fn period() -> impl Strategy<Value = Period> {
    prop_oneof![
        Just(Period::ForGood),
        (0u64..60).prop_map(|d| Period::Of(days(d))),
    ]
}

prop_compose! {
    fn rule()(
        footage in period(), key_frames in period(), stills in period(), findings in period(),
        least in 0u64..40, most in prop::option::of(0u64..80), quota in prop::option::of(0u64..20_000),
    ) -> LadderRule {
        LadderRule {
            footage, key_frames, stills, findings,
            least: days(least),
            most: most.map(days),
            quota: quota.map(ByteCount::new),
        }
    }
}

prop_compose! {
    fn any_object()(
        which in 0usize..3, form in 0usize..5, ago in 0i64..90 * 24, length in 0i64..4,
        bytes in 0u64..2000, share in 0u64..100, number in 0u32..1_000_000,
    ) -> Object {
        let end = TODAY * DAY - ago * HOUR;
        Object {
            camera: camera(which),
            form: Form::ALL[form],
            begin: at(end - length * HOUR),
            end: at(end),
            bytes,
            thinned_bytes: bytes * share / 100,
            name: number.to_string(),
        }
    }
}

prop_compose! {
    fn any_pin()(
        which in 0usize..3, ago in 0i64..90, length in 1i64..10 * 24,
        until in prop::option::of(-10i64..10),
    ) -> Pin {
        let begin = (TODAY - ago) * DAY;
        pin(&camera(which), begin, begin + length * HOUR, until.map(|d| (TODAY + d) * DAY))
    }
}

/// The rules in other words: what each of them keeps, told for one object on its own.
fn is_kept_by_a_rule(object: &Object, rule: &LadderRule, pins: &[Pin], act: Act) -> bool {
    let days_since = |t: CaptureTime| (TODAY * DAY - t.unix_nanos()) as f64 / DAY as f64;
    let (oldest, youngest) = (days_since(object.begin), days_since(object.end));
    let within = |period: Period| match period {
        Period::ForGood => true,
        Period::Of(time) => youngest < time.as_secs_f64() / 86_400.0,
    };
    let pinned = pins.iter().any(|pin| {
        pin.camera == object.camera
            && pin.until.is_none_or(|until| until > now())
            && object.begin < pin.span.end
            && object.end >= pin.span.begin
    });
    let over = rule
        .most
        .is_some_and(|most| oldest >= most.as_secs_f64() / 86_400.0);
    let young = youngest < rule.least.as_secs_f64() / 86_400.0;
    let by_period = match object.form {
        Form::Footage if act == Act::Thin => within(rule.footage),
        Form::Footage | Form::KeyFrames => within(rule.footage) || within(rule.key_frames),
        Form::Stills => within(rule.stills),
        Form::Findings => within(rule.findings),
        Form::Other => true,
    };
    pinned || !over && (young || by_period)
}

proptest! {
    #[test]
    fn nothing_goes_that_a_rule_keeps(
        objects in prop::collection::vec(any_object(), 0..60),
        rules in prop::collection::vec(rule(), 3),
        pins in prop::collection::vec(any_pin(), 0..4),
        free in 0u64..4000, floor in 0u64..4000,
    ) {
        let rules: BTreeMap<_, _> = (0..3).map(|i| (camera(i), rules[i].clone())).collect();
        let mut used: BTreeMap<CameraName, u64> = BTreeMap::new();
        for object in &objects {
            *used.entry(object.camera.clone()).or_default() += object.bytes;
        }
        let quota = rules.iter().filter_map(|(c, r)| Some((c.clone(), r.quota?.bytes()))).collect();
        let mut room = Room {
            free_bytes: free, floor_bytes: floor, used_bytes: used, quota_bytes: quota,
        };
        let all = Pins::from(pins.clone());
        let (steps, told) = plan(objects.clone(), &rules, &all, now(), &mut room);

        let mut left: Vec<Object> = objects.clone();
        let mut taken: Vec<&Step> = Vec::new();
        for step in &steps {
            let rule = &rules[&step.object.camera];
            let place = left.iter().position(|o| *o == step.object);
            // Each object goes at most once.
            prop_assert!(place.is_some());
            left.remove(place.unwrap());
            left.extend(thinned(step));
            match step.reason {
                Reason::Age | Reason::Maximum => {
                    let kept = is_kept_by_a_rule(&step.object, rule, &pins, step.act);
                    prop_assert!(!kept, "{:?}", step);
                }
                Reason::Quota | Reason::FreeSpace => {
                    taken.push(step);
                    prop_assert!(yields(&step.object, rule, &all, now()));
                    prop_assert!(step.object.form.gives_room());
                }
            }
        }
        let sorted = |objects: &[Object]| {
            let mut all: Vec<_> = objects.iter().map(|o| format!("{o:?}")).collect();
            all.sort();
            all
        };
        prop_assert_eq!(sorted(&left), sorted(&told));
        // All that is due is done.
        for object in &left {
            let verdict = due(object, &rules[&object.camera], &all, now());
            prop_assert!(!matches!(verdict, Verdict::Due(..)), "{object:?} {verdict:?}");
        }
        // Room by room: what is over its quota, or short, has nothing left that may go.
        for (camera, most) in &room.quota_bytes {
            let sum: u64 = left.iter().filter(|o| o.camera == *camera).map(|o| o.bytes).sum();
            let told = room.used_bytes.get(camera).copied().unwrap_or(0);
            prop_assert_eq!(sum, told);
            let may = left.iter().any(|o| o.camera == *camera && yields(o, &rules[camera], &all, now()));
            prop_assert!(sum <= *most || !may);
        }
        let may = left.iter().any(|o| yields(o, &rules[&o.camera], &all, now()));
        prop_assert!(room.free_bytes >= floor || !may);
        // No more than was needed: without the last one taken, there would be too little.
        if let Some(last) = taken.iter().rfind(|step| step.reason == Reason::FreeSpace) {
            prop_assert!(room.free_bytes.saturating_sub(last.object.bytes) < floor);
        }
        for (camera, most) in &room.quota_bytes {
            let own = |step: &&&Step| {
                step.object.camera == *camera && step.reason == Reason::Quota
            };
            let later: u64 = taken
                .iter()
                .filter(|step| step.object.camera == *camera && step.reason == Reason::FreeSpace)
                .map(|step| step.object.bytes)
                .sum();
            if let Some(last) = taken.iter().rfind(own) {
                let used = room.used_bytes.get(camera).copied().unwrap_or(0);
                prop_assert!(used + later + last.object.bytes > *most);
            }
        }
        // The oldest first, of a camera for its quota, of all for the free space.
        for (i, step) in taken.iter().enumerate() {
            let next = taken[i + 1..].iter().find(|next| {
                next.reason == step.reason
                    && (step.reason == Reason::FreeSpace
                        || next.object.camera == step.object.camera)
            });
            prop_assert!(next.is_none_or(|next| step.object.begin <= next.object.begin));
        }
        // Done, there is nothing more to do.
        prop_assert_eq!(plan(left, &rules, &all, now(), &mut room).0, []);
    }

    #[test]
    fn what_is_due_stays_due(object in any_object(), rule in rule(), later in 0i64..200 * 24) {
        // By rank: kept, thinned, gone. Pins end, so they are left out.
        let rank = |time| match due(&object, &rule, &Pins::default(), time) {
            Verdict::Keep | Verdict::Pinned(..) => 0,
            Verdict::Due(Act::Thin, _) => 1,
            Verdict::Due(Act::Remove, _) => 2,
        };
        prop_assert!(rank(now()) <= rank(at(TODAY * DAY + later * HOUR)));
        // And nothing is due before its cutoff says so.
        let cut = cutoff(object.form, &rule, now());
        prop_assert!(rank(now()) == 0 || cut.is_some_and(|cut| object.begin <= cut));
    }
}
