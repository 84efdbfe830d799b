use forebay_sun::Place;
use jiff::civil::{Weekday, date};
use jiff::tz::TimeZone;

use super::*;
use crate::calendar::{Pace, Window, Wish, calendar};

const HOUR: i64 = DAY / 24;

fn clear(clear: f64) -> Option<Scores> {
    Some(Scores {
        sharp: 1.0,
        exposed: 1.0,
        clear,
        clean: 1.0,
        open: 1.0,
        timely: 1.0,
    })
}

/// A candidate at each instant that any slot wants; how clear each is, and what somebody decided.
fn taken(
    slots: &[Slot],
    clearness: &dyn Fn(Instant) -> f64,
    verdict: &dyn Fn(Instant) -> Option<Verdict>,
) -> Vec<Option<Instant>> {
    let mut times: Vec<Instant> = slots.iter().flat_map(|slot| slot.wanted.clone()).collect();
    times.sort_unstable();
    let seen: Vec<Seen<'_>> = times
        .iter()
        .map(|at| Seen {
            at: *at,
            look: None,
            verdict: verdict(*at),
        })
        .collect();
    let scores: Vec<Option<Scores>> = times.iter().map(|at| clear(clearness(*at))).collect();
    let shared = shared_out(&times, slots);
    let choices = choose(slots, &shared, &seen, &scores, &Taste::default());
    for (choice, own) in choices.iter().zip(&shared) {
        assert_eq!(choice.ranked.len(), own.len());
        if let Some((index, _)) = choice.taken {
            assert_eq!(choice.ranked[0].0, index, "what is taken is told first");
        }
    }
    choices
        .iter()
        .map(|choice| choice.taken.map(|(index, _)| times[index]))
        .collect()
}

/// The sun in the south-east, the south and the west, of five days, the third before the others.
fn five_days() -> Vec<Slot> {
    [9, 12, 17]
        .iter()
        .map(|hour| Slot {
            wanted: [2, 1, 3, 0, 4].map(|day| day * DAY + hour * HOUR).to_vec(),
            reach_nanos: HOUR,
            hours: (0, 5 * DAY),
        })
        .collect()
}

/// Of each slot the day that it got; `good`: of each slot the days on which it is clear.
fn days_taken(
    good: [&[i64]; 3],
    verdict: &dyn Fn(i64, i64) -> Option<Verdict>,
) -> Vec<Option<i64>> {
    let place = |at: Instant| (at.rem_euclid(DAY) / HOUR, at / DAY);
    let slot = |hour: i64| [9, 12, 17].iter().position(|own| *own == hour).unwrap();
    let clearness = |at| {
        let (hour, day) = place(at);
        match good[slot(hour)].contains(&day) {
            true => 0.9,
            false => 0.1,
        }
    };
    let verdict = |at| {
        let (hour, day) = place(at);
        verdict(hour, day)
    };
    let taken = taken(&five_days(), &clearness, &verdict);
    taken.iter().map(|at| at.map(|at| at / DAY)).collect()
}

#[test]
fn directions_get_the_day_that_is_best_for_all_of_them() {
    let free = |_, _| None;
    let of = |good| days_taken(good, &free);
    // By itself each would take the second or third day.
    let all = of([&[0, 1, 4], &[0, 2, 4], &[2, 4]]);
    assert_eq!(all, [Some(4); 3]);
    // None is good for all: another day, but not back in time.
    assert_eq!(of([&[1], &[1], &[3]]), [Some(1), Some(1), Some(3)]);
    assert_eq!(of([&[0], &[2], &[2]]), [Some(0), Some(2), Some(2)]);
    assert_eq!(of([&[0, 3], &[2], &[1, 2]]), [Some(0), Some(2), Some(2)]);
    // One that is good too early stays out of the film.
    assert_eq!(of([&[3], &[3], &[0]]), [Some(3), Some(3), None]);
    assert_eq!(of([&[3], &[], &[4]]), [Some(3), None, Some(4)]);
}

#[test]
fn what_is_kept_leads_the_other_directions_to_its_day() {
    let all: [&[i64]; 3] = [&[0, 1, 2, 3, 4]; 3];
    let keep = |kept: &'static [(i64, i64)]| {
        move |hour, day| kept.contains(&(hour, day)).then_some(Verdict::Keep)
    };
    assert_eq!(days_taken(all, &keep(&[])), [Some(2); 3]);
    assert_eq!(days_taken(all, &keep(&[(12, 4)])), [Some(4); 3]);
    let bad: [&[i64]; 3] = [&[2]; 3];
    assert_eq!(
        days_taken(bad, &keep(&[(17, 4)])),
        [Some(2), Some(2), Some(4)]
    );
    // Whatever it does to the film.
    let against = days_taken(all, &keep(&[(9, 4), (17, 0)]));
    assert_eq!((against[0], against[2]), (Some(4), Some(0)));
    let dropped = |hour, day| ((hour, day) == (12, 2)).then_some(Verdict::Drop);
    assert_eq!(days_taken(all, &dropped), [Some(1); 3]);
}

/// Of a year in which some frames are good, at any time and in any direction.
#[test]
fn a_film_of_directions_does_not_go_back_in_time() {
    use Weekday::{Friday, Monday, Thursday, Tuesday, Wednesday};
    for (azimuths, days, weather) in [
        (vec![150.0, 180.0, 200.0], 7, 0.5),
        (vec![150.0, 180.0, 200.0], 7, 0.1),
        (vec![120.0, 180.0, 270.0], 30, 0.3),
        (vec![90.0, 100.0, 180.0, 275.0, 280.0], 60, 0.2),
    ] {
        let wish = Wish {
            first: date(2026, 1, 1),
            last: date(2026, 12, 31),
            days: vec![Monday, Tuesday, Wednesday, Thursday, Friday],
            window: Window::Azimuth(azimuths),
            pace: Pace::Every(days * DAY),
            reach_nanos: None,
        };
        let zone = TimeZone::get("Europe/Oslo").unwrap();
        let place = Place::new(59.91, 10.75);
        let slots = calendar(&wish, &zone, Some(&place), None).unwrap().slots;
        let clearness = |at: Instant| {
            let noise = (at as u64 / 1_000_000_000).wrapping_mul(0x9e37_79b9_7f4a_7c15);
            match (noise >> 40) as f64 / f64::from(1 << 24) < weather {
                true => 0.9,
                false => 0.1,
            }
        };
        let taken = taken(&slots, &clearness, &|_| None);
        let times: Vec<Instant> = taken.iter().copied().flatten().collect();
        assert!(times.is_sorted(), "{days}");
        assert!(times.len() > slots.len() / 3, "{days}");
        // Where all of a group have a good frame on a day, all have one, and of one day.
        for (group, own) in slots
            .chunks(3)
            .zip(taken.chunks(3))
            .filter(|_| wish.pace == Pace::Every(7 * DAY))
        {
            let shared_days = (0..group[0].wanted.len())
                .filter(|nth| group.iter().all(|slot| clearness(slot.wanted[*nth]) > 0.5));
            if shared_days.count() > 0 {
                let (first, last) = (own[0].unwrap(), own[2].unwrap());
                assert!(own[1].is_some() && last - first < DAY / 2);
            }
        }
    }
}
