//! Camera `gate`: the road into the yard, a barrier, and a lorry that comes through it.

use super::brush::{Brush, round};
use super::light::Rgb;
use super::nature::{self, HORIZON};
use super::slipway::worker;
use super::{chance, ease, mix, phase, swing};
use crate::picture::Point;

/// Seconds from one lorry to the next.
const PERIOD: f64 = 34.0;
/// Distance of the barrier from the camera in metres.
const BARRIER: f32 = 19.0;

/// Perspective of a camera 3.4 m above the road with a lens of 560 pixels.
fn at(side: f32, up: f32, distance: f32) -> Point {
    (
        330.0 + 560.0 * side / distance,
        HORIZON + 560.0 * (3.4 - up) / distance,
    )
}

pub(super) fn draw(brush: &mut Brush<'_>, seconds: f64) {
    nature::sky(brush, seconds);
    nature::hills(brush, 2.1);
    let meadow = brush.light.on([112.0, 142.0, 84.0]);
    let near = brush.light.on([134.0, 138.0, 98.0]);
    brush.fade(HORIZON, 345.0, meadow, near);
    trees(brush, seconds);
    road(brush);
    let time = phase(seconds, PERIOD) * PERIOD as f32;
    passer(brush, seconds);
    let distance = lorry_distance(time);
    if distance > BARRIER {
        lorry(brush, distance, seconds);
    }
    fence(brush);
    hut(brush);
    let lifted = ease(time, 10.5, 13.5) * (1.0 - ease(time, 22.0, 25.0));
    barrier(brush, lifted, seconds);
    worker(
        brush,
        (
            488.0 - 24.0 * ease(time, 9.0, 11.0) + 24.0 * ease(time, 25.0, 28.0),
            300.0,
        ),
        seconds,
        false,
    );
    if distance <= BARRIER {
        lorry(brush, distance, seconds);
    }
}

/// Comes up to the barrier, waits, drives on past the camera.
fn lorry_distance(time: f32) -> f32 {
    let waits = BARRIER + 2.5;
    let come = 1.0 - (time / 10.0).min(1.0);
    let go = (time - 14.0).max(0.0);
    (waits + 125.0 * come * come - 0.24 * go * go).max(0.0)
}

fn trees(brush: &mut Brush<'_>, seconds: f64) {
    for tree in 0..26_u32 {
        let x = 660.0 * chance(tree + 11) - 10.0;
        if (250.0..410.0).contains(&x) {
            continue;
        }
        let size = mix(9.0, 22.0, chance(tree + 57));
        let sway = 0.8 * swing(seconds + f64::from(tree), 3.7);
        let foot = HORIZON + 4.0 + size * 0.25;
        let tone = 0.75 + 0.35 * chance(tree + 99);
        brush.rect(
            x - 1.5,
            foot - size * 0.6,
            3.0,
            size * 0.6,
            [86.0, 70.0, 56.0],
        );
        let crown: Rgb = [58.0 * tone, 96.0 * tone, 54.0 * tone];
        for (dx, dy, r) in [(-0.35, -0.9, 0.55), (0.35, -0.95, 0.55), (0.0, -1.4, 0.6)] {
            brush.disc((x + dx * size + sway, foot + dy * size), r * size, crown);
        }
    }
}

fn road(brush: &mut Brush<'_>) {
    // The public road runs across, the yard's own comes towards the camera.
    brush.shape(
        &[
            at(-200.0, 0.0, 62.0),
            at(200.0, 0.0, 62.0),
            at(200.0, 0.0, 50.0),
            at(-200.0, 0.0, 50.0),
        ],
        [116.0, 116.0, 120.0],
    );
    brush.shape(
        &[
            at(-3.4, 0.0, 190.0),
            at(3.4, 0.0, 190.0),
            at(3.9, 0.0, 8.0),
            at(-3.9, 0.0, 8.0),
        ],
        [126.0, 124.0, 124.0],
    );
    brush.shape(
        &[
            (0.0, 318.0),
            at(-4.2, 0.0, 17.0),
            at(4.2, 0.0, 17.0),
            (640.0, 318.0),
            (640.0, 345.0),
            (0.0, 345.0),
        ],
        [150.0, 144.0, 134.0],
    );
    for dash in 0..9_u8 {
        let near = 21.0 + f32::from(dash) * 7.0;
        brush.shape(
            &[
                at(-0.08, 0.0, near + 3.0),
                at(0.08, 0.0, near + 3.0),
                at(0.08, 0.0, near),
                at(-0.08, 0.0, near),
            ],
            [232.0, 230.0, 220.0],
        );
    }
}

/// A small car on the public road.
fn passer(brush: &mut Brush<'_>, seconds: f64) {
    let side = mix(-48.0, 48.0, phase(seconds + 9.0, 13.0));
    let distance = 54.0;
    let quad = |a: f32, b: f32, low: f32, high: f32, inset: f32| {
        [
            at(side + a, low, distance),
            at(side + b, low, distance),
            at(side + b - inset, high, distance),
            at(side + a + inset, high, distance),
        ]
    };
    brush.shape(&quad(-2.1, 2.1, 0.35, 1.0, 0.1), [58.0, 92.0, 150.0]);
    brush.shape(&quad(-1.5, 1.3, 1.0, 1.55, 0.5), [70.0, 104.0, 162.0]);
    for wheel in [-1.3, 1.3] {
        brush.disc(at(side + wheel, 0.35, distance), 3.6, [34.0, 34.0, 36.0]);
    }
}

fn fence(brush: &mut Brush<'_>) {
    let steel = [128.0, 136.0, 138.0];
    for (from, to) in [(-12.0, -4.6), (4.6, 12.0)] {
        for up in [0.25, 2.0] {
            brush.line(at(from, up, BARRIER), at(to, up, BARRIER), 1.8, steel);
        }
        for wire in 0..=24_u8 {
            let side = mix(from, to, f32::from(wire) / 24.0);
            let wide = if wire % 8 == 0 { 3.2 } else { 0.8 };
            brush.line(at(side, 0.0, BARRIER), at(side, 2.05, BARRIER), wide, steel);
        }
    }
}

fn hut(brush: &mut Brush<'_>) {
    let d = 17.0;
    let quad = |a: f32, b: f32, low: f32, high: f32| {
        [at(a, low, d), at(b, low, d), at(b, high, d), at(a, high, d)]
    };
    brush.shape(&quad(-8.6, -5.4, 0.0, 2.5), [206.0, 192.0, 160.0]);
    for board in 1..9_u8 {
        let up = f32::from(board) * 0.28;
        brush.line(at(-8.6, up, d), at(-5.4, up, d), 0.8, [180.0, 166.0, 136.0]);
    }
    brush.shape(
        &[
            at(-9.0, 2.5, d),
            at(-5.0, 2.5, d),
            at(-5.5, 3.1, d),
            at(-8.5, 3.1, d),
        ],
        [96.0, 60.0, 52.0],
    );
    brush.shape(&quad(-7.9, -6.3, 1.1, 2.1), [238.0, 236.0, 228.0]);
    brush.shape(&quad(-7.8, -6.4, 1.2, 2.0), [84.0, 108.0, 122.0]);
    let night = brush.light.night;
    brush.bright(&quad(-7.8, -6.4, 1.2, 2.0), [255.0, 214.0, 132.0], night);
}

fn barrier(brush: &mut Brush<'_>, lifted: f32, seconds: f64) {
    let pivot = at(-4.4, 1.05, BARRIER);
    let post = at(-4.4, 0.0, BARRIER);
    let rest = at(4.4, 0.0, BARRIER);
    brush.line(rest, (rest.0, pivot.1 + 3.0), 5.0, [84.0, 88.0, 94.0]);
    let (sin, cos) = (lifted * 1.36).sin_cos();
    let reach = rest.0 - pivot.0 + 6.0;
    let point = |part: f32| (pivot.0 + reach * part * cos, pivot.1 - reach * part * sin);
    for stripe in 0..10_u8 {
        let colour = if stripe % 2 == 0 {
            [206.0, 36.0, 36.0]
        } else {
            [240.0, 240.0, 238.0]
        };
        brush.line(
            point(f32::from(stripe) / 10.0),
            point(f32::from(stripe + 1) / 10.0),
            5.0,
            colour,
        );
    }
    brush.line(
        (post.0, post.1),
        (post.0, pivot.1 - 7.0),
        13.0,
        [228.0, 176.0, 40.0],
    );
    let moving = lifted > 0.02 && lifted < 0.98;
    let lamp = (pivot.0, pivot.1 - 10.0);
    brush.disc(lamp, 3.2, [150.0, 84.0, 30.0]);
    if moving {
        brush.halo(
            lamp,
            13.0,
            [255.0, 176.0, 40.0],
            0.5 + 0.4 * swing(seconds, 0.8),
        );
    }
}

/// From the front, growing as it comes.
fn lorry(brush: &mut Brush<'_>, distance: f32, seconds: f64) {
    if distance < 3.2 {
        return;
    }
    // It bears to the right of the picture when it is through.
    let veer = 2.6 * ease(BARRIER - 2.0 - distance, 0.0, 12.0) + 0.2;
    let shake = 0.02 * swing(seconds, 0.31);
    let point = |side: f32, up: f32| at(side + veer, up + shake, distance);
    let quad = |a: f32, b: f32, low: f32, high: f32| {
        [point(a, low), point(b, low), point(b, high), point(a, high)]
    };
    let px = 560.0 / distance;
    let shadow = round(at(veer, 0.0, distance), 1.6 * px, 0.22 * px);
    brush.bright(&shadow, [20.0, 22.0, 24.0], 0.4);
    for side in [-1.05, 0.7] {
        brush.shape(&quad(side, side + 0.36, 0.0, 0.95), [32.0, 32.0, 34.0]);
    }
    // The load: timber on the bed behind the cab.
    for log in 0..3_u8 {
        for row in 0..2_u8 {
            let centre = point(-0.8 + 0.8 * f32::from(log), 2.75 + 0.62 * f32::from(row));
            brush.disc(centre, 0.36 * px, [142.0, 106.0, 68.0]);
            brush.disc(centre, 0.27 * px, [206.0, 168.0, 112.0]);
        }
    }
    let green = [36.0, 112.0, 92.0];
    brush.shape(&quad(-1.22, 1.22, 0.5, 2.0), green);
    brush.shape(
        &[
            point(-1.22, 2.0),
            point(1.22, 2.0),
            point(1.1, 2.95),
            point(-1.1, 2.95),
        ],
        green,
    );
    brush.shape(
        &[
            point(-1.08, 1.85),
            point(1.08, 1.85),
            point(0.98, 2.72),
            point(-0.98, 2.72),
        ],
        [58.0, 78.0, 92.0],
    );
    brush.shape(
        &[
            point(-0.9, 2.0),
            point(-0.5, 2.0),
            point(-0.1, 2.66),
            point(-0.55, 2.66),
        ],
        [132.0, 154.0, 168.0],
    );
    brush.disc(point(0.45, 2.1), 0.17 * px, [196.0, 150.0, 120.0]);
    brush.shape(&quad(-0.75, 0.75, 0.95, 1.6), [26.0, 74.0, 62.0]);
    for slat in 0..4_u8 {
        let up = 1.04 + 0.15 * f32::from(slat);
        brush.line(
            point(-0.7, up),
            point(0.7, up),
            0.05 * px,
            [176.0, 182.0, 184.0],
        );
    }
    brush.shape(&quad(-1.26, 1.26, 0.42, 0.78), [198.0, 200.0, 202.0]);
    brush.shape(&quad(-0.3, 0.3, 0.5, 0.7), [238.0, 236.0, 214.0]);
    for side in [-1.0, 1.0] {
        brush.disc(point(side, 1.12), 0.17 * px, [250.0, 244.0, 216.0]);
        let night = brush.light.night;
        if night > 0.0 {
            brush.halo(
                point(side, 1.12),
                1.1 * px,
                [255.0, 240.0, 200.0],
                0.7 * night,
            );
        }
        brush.shape(
            &quad(side * 1.5 - 0.12, side * 1.5 + 0.12, 1.9, 2.5),
            [40.0, 44.0, 46.0],
        );
    }
}
