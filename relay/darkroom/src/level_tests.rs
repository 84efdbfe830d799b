use super::*;

/// Samples that are spread as a bell, the same each run.
fn bell(count: usize, mean: f64, deviation: f64) -> Vec<f64> {
    let mut seed = 7u64;
    let mut random = || {
        seed = seed
            .wrapping_mul(6_364_136_223_846_793_005)
            .wrapping_add(99);
        (seed >> 11) as f64 / (1u64 << 53) as f64
    };
    let sum = |random: &mut dyn FnMut() -> f64| (0..12).map(|_| random()).sum::<f64>() - 6.0;
    (0..count)
        .map(|_| mean + deviation * sum(&mut random))
        .collect()
}

fn plane(samples: &[f64]) -> Plane {
    let mut frame = Frame::filled(samples.len(), 1, [0, 128, 128]);
    for (sample, value) in frame.planes[0].samples.iter_mut().zip(samples) {
        *sample = value.round().clamp(0.0, 255.0) as u8;
    }
    frame.planes[0].clone()
}

fn mean(plane: &Plane, table: &[u8; 256]) -> f64 {
    let sum: f64 = plane
        .samples
        .iter()
        .map(|s| f64::from(table[usize::from(*s)]))
        .sum();
    sum / plane.samples.len() as f64
}

/// A clear sky among cloudy ones: it can't be spread as they are, and must not get darker for that.
#[test]
fn a_narrow_frame_has_the_wanted_mean() {
    // From 110 to 245, 186 in the middle.
    let wide: Vec<f64> = (0..10_000)
        .map(|nth| 110.0 + 135.0 * (f64::from(nth) / 10_000.0).powf(0.776))
        .collect();
    let wide = Curve::of(&plane(&wide), None);
    assert!((wide.mean() - 186.0).abs() < 0.5, "{}", wide.mean());
    // As a blue sky's chroma beside those of clouds.
    let grey = Curve::of(&plane(&bell(10_000, 126.0, 5.0)), None);
    let dark = Curve::of(&plane(&bell(10_000, 8.0, 12.0)), None);
    for (own, wanted) in [
        (bell(10_000, 195.0, 6.0), wide),
        (bell(10_000, 195.0, 0.0), wide),
        (bell(10_000, 60.0, 2.0), wide),
        (bell(10_000, 141.0, 0.8), grey),
        (bell(10_000, 126.0, 0.3), grey),
        (bell(10_000, 20.0, 1.0), dark),
    ] {
        let plane = plane(&own);
        let curve = Curve::of(&plane, None);
        for strength in [1.0, 0.5] {
            let table = levels(&curve, &wanted, strength);
            let aim = curve.mean() + strength * (wanted.mean() - curve.mean());
            let out = mean(&plane, &table);
            assert!((out - aim).abs() < 1.5, "{out} {aim}");
            let rises = |two: &[u8]| two[1] >= two[0] && two[1] - two[0] <= 3;
            assert!(table.windows(2).all(rises));
        }
    }
}

/// A year's frames, brighter at noon than in the morning, each with some unrest of the weather.
fn film(a_day: usize, days: usize, slope: f64, jump: Option<(usize, f64)>) -> Leveller {
    let count = a_day * days;
    let noise = bell(count, 0.0, 2.0);
    let of = |number: usize| {
        let hour = ((number % a_day) as f64 + 0.5) / a_day as f64;
        let day = 40.0 * (std::f64::consts::PI * hour).sin() + slope * hour;
        let behind = jump
            .filter(|(at, _)| number >= *at)
            .map_or(0.0, |(_, levels)| levels);
        let mean = 70.0 + day + behind + noise[number];
        let spread = bell(64, mean, 9.0);
        let luma = Curve::of(&plane(&spread), None);
        [luma, luma, luma]
    };
    let options = Levelling {
        strength: 1.0,
        sigma_frames: 4.0,
        fade_frames: 50,
        period_frames: a_day,
    };
    Leveller::new((0..count).map(of).collect(), vec![0; count], options)
}

#[test]
fn a_night_is_no_jump_and_another_exposure_is() {
    for (a_day, days) in [(1, 60), (3, 40), (7, 20), (20, 14), (60, 12), (144, 11)] {
        for slope in [0.0, 50.0, -50.0] {
            let none: Vec<Jump> = film(a_day, days, slope, None).jumps().collect();
            assert_eq!(none, [], "{a_day} {slope}");
            for (place, levels) in [(0, 25.0), (a_day / 2, 25.0), (a_day / 2, -20.0)] {
                let at = a_day * (days / 2) + place;
                let film = film(a_day, days, slope, Some((at, levels)));
                let found: Vec<Jump> = film.jumps().collect();
                assert_eq!(found.len(), 1, "{a_day} {slope} {place}: {found:?}");
                assert!(found[0].frame.abs_diff(at) <= 1, "{a_day} {at}: {found:?}");
                assert!((found[0].levels - levels).abs() < 4.0, "{found:?}");
            }
        }
    }
}

/// Frames of a morning are missing: the days are no longer as long.
#[test]
fn a_gap_is_no_jump() {
    for missing in [1, 7, 20, 40] {
        let mut whole = film(60, 14, 50.0, None).curves;
        whole.drain(7 * 60..7 * 60 + missing);
        let options = Levelling {
            strength: 1.0,
            sigma_frames: 4.0,
            fade_frames: 50,
            period_frames: 60,
        };
        let views = vec![0; whole.len()];
        let found: Vec<Jump> = Leveller::new(whole, views, options).jumps().collect();
        assert_eq!(found, [], "{missing}");
    }
}

/// Frames are missing here and there, and a day has six or seven.
#[test]
fn days_of_unequal_lengths_are_no_jumps() {
    for (a_day, days, share) in [(7, 40, 0.88), (3, 60, 0.8), (60, 14, 0.9), (60, 14, 0.97)] {
        for jump in [None, Some((a_day * (days / 2), 25.0))] {
            for slope in [0.0, 50.0, -50.0] {
                for period in [a_day, (a_day as f64 * share).round() as usize] {
                    let whole = film(a_day, days, slope, jump);
                    let kept = |nth: &usize| {
                        let of = |nth: usize| (nth as f64 * share) as usize;
                        of(nth + 1) > of(*nth)
                    };
                    let own: Vec<usize> = (0..whole.curves.len()).filter(kept).collect();
                    let views = vec![0; own.len()];
                    let options = Levelling {
                        period_frames: period,
                        ..whole.options
                    };
                    let curves = own.iter().map(|nth| whole.curves[*nth]).collect();
                    // Ten hours of each day.
                    let at = |nth: &usize| {
                        let (day, place) = (nth / a_day, nth % a_day);
                        day as i64 * DAY + place as i64 * DAY / 24 * 10 / a_day as i64
                    };
                    let times = own.iter().map(at).collect();
                    let leveller = Leveller::timed(curves, views, times, options);
                    let found: Vec<Jump> = leveller.jumps().collect();
                    let what = format!("{a_day} {period} {slope} {jump:?}: {found:?}");
                    let Some((at, levels)) = jump else {
                        assert_eq!(found, [], "{what}");
                        continue;
                    };
                    let at = own.partition_point(|nth| *nth < at);
                    assert_eq!(found.len(), 1, "{what}");
                    assert!(found[0].frame.abs_diff(at) <= 1, "{what} {at}");
                    assert!((found[0].levels - levels).abs() < 4.0, "{what}");
                }
            }
        }
    }
}

/// Days of clouds and days of sun, and another exposure among them.
#[test]
fn weather_is_no_jump() {
    for a_day in [3, 20, 60] {
        let days = bell(100, 0.0, 9.0);
        let whole = film(a_day, days.len(), 30.0, None);
        for (at, levels) in [(0, 0.0), (50 * a_day + 2, 60.0)] {
            let curve = |(number, [luma, ..]): (usize, &Curves)| {
                let behind = if at > 0 && number >= at { levels } else { 0.0 };
                let up = (days[number / a_day] + behind) as f32;
                [Curve(luma.0.map(|knot| knot + up)); 3]
            };
            let curves: Vec<Curves> = whole.curves.iter().enumerate().map(curve).collect();
            let leveller = Leveller::new(curves, whole.views.clone(), whole.options);
            let found: Vec<usize> = leveller.jumps().map(|jump| jump.frame).collect();
            let wanted: &[usize] = if at > 0 { &[at] } else { &[] };
            assert_eq!(found, wanted);
        }
    }
}
