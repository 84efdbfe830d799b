//! Sky, far shore and water, which all scenes share.

use super::brush::{Brush, round};
use super::light::blend;
use super::{chance, ease, mix, phase, swing};

/// Where the water or the land begins.
pub(super) const HORIZON: f32 = 178.0;

/// Sky, stars, sun or moon, clouds, and gulls by day.
pub(super) fn sky(brush: &mut Brush<'_>, seconds: f64) {
    let light = brush.light;
    brush.fade(0.0, HORIZON, light.zenith, light.horizon);
    for star in 0..45 {
        let (x, y) = (640.0 * chance(star), 150.0 * chance(star + 100));
        let twinkle = 0.75 + 0.25 * swing(seconds + f64::from(star), 3.0 + f64::from(star % 4));
        let alpha = light.night * twinkle;
        if alpha > 0.02 {
            let size = 0.6 + 0.6 * chance(star + 200);
            brush.bright(&round((x, y), size, size), [235.0, 238.0, 255.0], alpha);
        }
    }
    let sun = light.night < 0.5;
    let colour = if sun {
        [255.0, 244.0, 214.0]
    } else {
        [225.0, 230.0, 240.0]
    };
    let halo = blend(colour, [255.0, 190.0, 110.0], light.glow);
    brush.halo(
        light.disc,
        if sun { 62.0 } else { 26.0 },
        halo,
        if sun { 0.55 } else { 0.2 },
    );
    let size = if sun { 15.0 } else { 9.0 };
    brush.bright(&round(light.disc, size, size), colour, 1.0);
    clouds(brush, seconds);
    if sun {
        gulls(brush, seconds);
    }
}

fn clouds(brush: &mut Brush<'_>, seconds: f64) {
    let light = brush.light;
    for cloud in 0..6_u32 {
        let seed = cloud * 31;
        let drift = seconds * f64::from(2.2 + 1.6 * chance(seed));
        let start = 900.0 * f64::from(chance(seed + 1));
        let x = (start + drift).rem_euclid(900.0) as f32 - 130.0;
        let (y, size) = (
            mix(34.0, 128.0, chance(seed + 2)),
            mix(11.0, 21.0, chance(seed + 3)),
        );
        let puffs = |lower: f32| -> Vec<_> {
            (0..7_u32)
                .map(|puff| {
                    let across = puff as f32 - 3.0;
                    let tall = 1.0 - 0.075 * across * across + 0.25 * chance(seed + 9 + puff);
                    let r = (size * tall).max(3.0);
                    round(
                        (x + across * size * 0.92, y + lower - r * 0.45),
                        r * 1.1,
                        r * 0.8,
                    )
                })
                .chain([round((x, y + lower), size * 3.9, size * 0.42)])
                .collect()
        };
        let white = blend(light.on([250.0, 251.0, 253.0]), light.horizon, 0.12);
        let grey = blend(light.on([196.0, 206.0, 218.0]), light.horizon, 0.35);
        brush.union(&puffs(size * 0.22), grey, 0.75);
        brush.union(&puffs(-size * 0.1), white, 0.85);
    }
}

fn gulls(brush: &mut Brush<'_>, seconds: f64) {
    for gull in 0..3_u32 {
        let flight = seconds + f64::from(gull) * 17.0;
        let x = mix(-30.0, 670.0, phase(flight, 34.0 + f64::from(gull) * 5.0));
        let y = 70.0 + 22.0 * gull as f32 + 9.0 * swing(flight, 7.0);
        let wing = 3.2 * swing(flight, 0.9);
        for side in [-1.0, 1.0] {
            brush.line(
                (x, y),
                (x + side * 5.0, y - 1.5 - wing * 0.5),
                1.5,
                [242.0; 3],
            );
            let tip = (x + side * 10.0, y - wing);
            brush.line(
                (x + side * 5.0, y - 1.5 - wing * 0.5),
                tip,
                1.2,
                [205.0, 210.0, 215.0],
            );
        }
    }
}

/// Two ranges of hills that end at the horizon.
pub(super) fn hills(brush: &mut Brush<'_>, seed: f32) {
    let light = brush.light;
    for (range, (height, haze)) in [(46.0, 0.62), (27.0, 0.3)].into_iter().enumerate() {
        let offset = seed + range as f32 * 2.3;
        let ridge = (0..=80_u8).map(|step| {
            let x = f32::from(step) * 8.0;
            let wave = (x * 0.008 + offset).sin() * 0.55
                + (x * 0.021 + offset * 3.0).sin() * 0.3
                + (x * 0.067 + offset).sin() * 0.08;
            (x, HORIZON - height * (0.62 + 0.5 * wave))
        });
        let outline: Vec<_> = [(0.0, HORIZON + 2.0)]
            .into_iter()
            .chain(ridge)
            .chain([(640.0, HORIZON + 2.0)])
            .collect();
        let green = light.on([72.0, 104.0, 84.0]);
        brush.bright(&outline, blend(green, light.horizon, haze), 1.0);
    }
}

/// Water from the horizon down to `bottom`, with ripples and the glitter of sun or moon.
pub(super) fn water(brush: &mut Brush<'_>, seconds: f64, bottom: f32) {
    let light = brush.light;
    let far = blend(light.on([120.0, 160.0, 180.0]), light.horizon, 0.45);
    let near = blend(light.on([38.0, 88.0, 112.0]), light.zenith, 0.22);
    brush.fade(HORIZON, bottom, far, near);
    for ripple in 0..70_u32 {
        // Closer ripples are larger and faster, as perspective has it.
        let depth = chance(ripple).powi(2);
        let y = mix(HORIZON + 2.0, bottom - 1.0, depth);
        let wide = mix(9.0, 46.0, depth) * (0.6 + 0.8 * chance(ripple + 500));
        let drift = seconds * f64::from(mix(1.5, 7.0, depth));
        let x = (f64::from(chance(ripple + 900)) * 760.0 + drift).rem_euclid(760.0) as f32 - 60.0;
        let breath = 0.5 + 0.5 * swing(seconds + f64::from(ripple) * 0.7, 4.0);
        let high = mix(0.7, 2.0, depth);
        let shade = if ripple % 3 == 0 {
            light.on([20.0, 62.0, 86.0])
        } else {
            far
        };
        brush.bright(&round((x, y), wide, high), shade, 0.12 + 0.3 * breath);
    }
    let warm = blend([255.0, 246.0, 220.0], [255.0, 196.0, 120.0], light.glow);
    let strength = mix(0.75, 0.4, light.night);
    for glint in 0..26_u32 {
        let depth = chance(glint + 40);
        let spread = mix(10.0, 58.0, depth);
        let x = light.disc.0 + spread * (2.0 * chance(glint + 70) - 1.0);
        let y = mix(HORIZON + 2.0, bottom - 2.0, depth);
        let flash = swing(
            seconds + f64::from(glint) * 1.3,
            1.6 + f64::from(glint % 5) * 0.4,
        );
        let alpha = strength * ease(flash, -0.2, 1.0);
        if alpha > 0.02 {
            brush.bright(
                &round((x, y), mix(3.0, 9.0, depth), mix(0.6, 1.3, depth)),
                warm,
                alpha,
            );
        }
    }
}

/// A small sailing boat far out that crosses the bay in two minutes.
pub(super) fn far_sail(brush: &mut Brush<'_>, seconds: f64) {
    let x = mix(-40.0, 680.0, phase(seconds, 125.0));
    let y = HORIZON + 13.0 + 0.7 * swing(seconds, 3.1);
    let lean = 1.5 + swing(seconds, 5.0);
    brush.shape(
        &[
            (x + 2.0, y - 3.0),
            (x + 2.0 + lean, y - 34.0),
            (x + 17.0, y - 4.0),
        ],
        [246.0, 244.0, 236.0],
    );
    brush.shape(
        &[(x, y - 4.0), (x + lean, y - 29.0), (x - 9.0, y - 4.0)],
        [226.0, 226.0, 222.0],
    );
    brush.shape(
        &[
            (x - 13.0, y - 3.0),
            (x + 19.0, y - 3.0),
            (x + 12.0, y + 2.5),
            (x - 8.0, y + 2.5),
        ],
        [150.0, 44.0, 38.0],
    );
}
