//! Camera `mast-crane`: a slewing crane on the quay steps a boat's mast and takes it out again.

use std::f32::consts::PI;

use super::brush::Brush;
use super::nature;
use super::slipway::worker;
use super::{chance, ease, mix, phase, swing};
use crate::picture::Point;

const PERIOD: f64 = 72.0;
const STEEL: [f32; 3] = [232.0, 180.0, 44.0];
const DARK: [f32; 3] = [168.0, 122.0, 26.0];
/// Height of a mast in pixels.
const MAST: f32 = 132.0;
/// Top of the crane's post, about which the jib turns.
const HEAD: Point = (262.0, 104.0);
const QUAY: f32 = 288.0;

/// Where the work stands, each from 0 to 1: hook down at the trestles, mast upright, jib turned
/// to the boat, mast let down into it.
struct Work {
    lowered: f32,
    raised: f32,
    turned: f32,
    stepped: f32,
    holds: bool,
}

impl Work {
    fn at(seconds: f64) -> Self {
        // There and back: the second half of the period undoes the first.
        let time = phase(seconds, PERIOD) * PERIOD as f32;
        let half = PERIOD as f32 / 2.0;
        let time = if time < half { time } else { 2.0 * half - time };
        Self {
            lowered: ease(time, 0.0, 4.0) * (1.0 - ease(time, 5.0, 12.0)),
            raised: ease(time, 5.0, 12.0),
            turned: ease(time, 12.5, 22.0),
            stepped: ease(time, 22.5, 29.0),
            holds: time > 4.5,
        }
    }
}

pub(super) fn draw(brush: &mut Brush<'_>, seconds: f64) {
    nature::sky(brush, seconds);
    nature::hills(brush, 4.4);
    nature::water(brush, seconds, 344.0);
    nature::far_sail(brush, seconds + 50.0);
    let work = Work::at(seconds);
    let bob = 1.6 * swing(seconds, 4.6);
    quay(brush);
    boat(brush, bob);
    crane(brush, &work, seconds, bob);
    worker(brush, (326.0, 300.0), seconds, false);
    worker(
        brush,
        (78.0 + 10.0 * swing(seconds, 19.0), 322.0),
        seconds,
        false,
    );
}

fn quay(brush: &mut Brush<'_>) {
    brush.shape(
        &[
            (0.0, 262.0),
            (330.0, 270.0),
            (372.0, 300.0),
            (372.0, 345.0),
            (0.0, 345.0),
        ],
        [170.0, 166.0, 158.0],
    );
    brush.shape(
        &[
            (372.0, 300.0),
            (372.0, 345.0),
            (388.0, 345.0),
            (380.0, 304.0),
        ],
        [104.0, 100.0, 96.0],
    );
    for joint in 0..6_u8 {
        let x = 24.0 + 62.0 * f32::from(joint);
        brush.line((x, 264.0), (x - 34.0, 345.0), 1.0, [146.0, 142.0, 134.0]);
    }
    brush.line((0.0, 298.0), (370.0, 301.0), 1.0, [146.0, 142.0, 134.0]);
    for bollard in [346.0, 362.0] {
        brush.line((bollard, 312.0), (bollard, 301.0), 6.0, [58.0, 60.0, 64.0]);
        brush.line(
            (bollard - 5.0, 301.0),
            (bollard + 5.0, 301.0),
            3.0,
            [58.0, 60.0, 64.0],
        );
    }
    for trestle in [126.0, 190.0] {
        brush.line(
            (trestle, 284.0),
            (trestle - 9.0, 306.0),
            3.0,
            [126.0, 96.0, 62.0],
        );
        brush.line(
            (trestle, 284.0),
            (trestle + 9.0, 306.0),
            3.0,
            [126.0, 96.0, 62.0],
        );
        brush.line(
            (trestle - 8.0, 284.0),
            (trestle + 8.0, 284.0),
            3.0,
            [126.0, 96.0, 62.0],
        );
    }
    for barrel in 0..3_u32 {
        let (x, tone) = (18.0 + 17.0 * barrel as f32, 0.8 + 0.3 * chance(barrel + 3));
        brush.rect(
            x,
            308.0,
            14.0,
            21.0,
            [46.0 * tone, 84.0 * tone, 132.0 * tone],
        );
        brush.rect(
            x,
            314.0,
            14.0,
            1.5,
            [34.0 * tone, 64.0 * tone, 104.0 * tone],
        );
    }
}

/// The foot of the boat's mast.
fn step(bob: f32) -> Point {
    (486.0, 282.0 + bob)
}

fn boat(brush: &mut Brush<'_>, bob: f32) {
    let y = 282.0 + bob;
    let tilt = bob * 0.5;
    brush.bright(
        &[
            (404.0, y + 24.0),
            (600.0, y + 22.0),
            (590.0, y + 36.0),
            (420.0, y + 36.0),
        ],
        [16.0, 40.0, 52.0],
        0.35,
    );
    brush.shape(
        &[
            (398.0, y - 2.0 + tilt),
            (498.0, y + 4.0),
            (618.0, y - 9.0 - tilt),
            (588.0, y + 26.0),
            (416.0, y + 26.0),
        ],
        [240.0, 240.0, 234.0],
    );
    brush.shape(
        &[
            (411.0, y + 19.0),
            (594.0, y + 18.0),
            (588.0, y + 26.0),
            (416.0, y + 26.0),
        ],
        [36.0, 66.0, 112.0],
    );
    brush.line(
        (398.0, y - 1.0 + tilt),
        (498.0, y + 5.0),
        3.0,
        [142.0, 98.0, 58.0],
    );
    brush.line(
        (498.0, y + 5.0),
        (618.0, y - 8.0 - tilt),
        3.0,
        [142.0, 98.0, 58.0],
    );
    brush.shape(
        &[
            (432.0, y + 2.0),
            (440.0, y - 13.0),
            (528.0, y - 11.0),
            (552.0, y + 1.0),
        ],
        [224.0, 216.0, 196.0],
    );
    for port in 0..4_u8 {
        brush.disc(
            (453.0 + 22.0 * f32::from(port), y - 5.0),
            3.4,
            [62.0, 84.0, 98.0],
        );
    }
    brush.line(
        (366.0, 303.0),
        (404.0, y + 3.0 + tilt),
        1.2,
        [206.0, 196.0, 168.0],
    );
}

fn crane(brush: &mut Brush<'_>, work: &Work, seconds: f64, bob: f32) {
    // Seen from the side, the jib's tip runs along a flat ellipse, through the front half.
    let angle = PI * (1.0 - work.turned);
    let side = mix(-1.0, 1.0, 0.5 + 0.5 * angle.cos());
    let reach = if side < 0.0 {
        150.0
    } else {
        step(0.0).0 - HEAD.0
    };
    let tip = (HEAD.0 + reach * side, 66.0 + 20.0 * angle.sin());
    let sway = 2.4 * swing(seconds, 3.4) * ease(work.raised, 0.0, 0.5) * (1.0 - work.stepped);
    let top_high = tip.1 + 32.0;
    let lying = 280.0;
    let foot_down = step(bob).1 - 10.0;
    let drop = mix(
        mix(top_high, lying, work.lowered),
        foot_down - MAST,
        work.stepped,
    );
    let hook = (
        tip.0 + sway,
        if work.raised > 0.0 && work.raised < 1.0 {
            mix(lying, top_high, work.raised)
        } else {
            drop
        },
    );

    post(brush);
    jib(brush, tip, angle);
    brush.line(tip, (hook.0, hook.1 - 7.0), 1.4, [52.0, 54.0, 58.0]);
    mast(brush, work, hook, lying);
    brush.rect(hook.0 - 3.5, hook.1 - 9.0, 7.0, 8.0, [196.0, 44.0, 36.0]);
    brush.line(
        (hook.0, hook.1 - 2.0),
        (hook.0, hook.1 + 3.0),
        2.4,
        [52.0, 54.0, 58.0],
    );
}

/// The mast hangs by its head: it lies on the trestles, then its head is lifted.
fn mast(brush: &mut Brush<'_>, work: &Work, hook: Point, lying: f32) {
    let head = if work.holds {
        (hook.0, hook.1 + 2.0)
    } else {
        (HEAD.0 - 150.0, lying + 2.0)
    };
    // While it is lifted its foot drags along the quay towards the hook.
    let rise = ((lying + 2.0 - head.1) / MAST).clamp(0.0, 1.0);
    let (across, down) = if work.raised < 1.0 {
        ((1.0 - rise * rise).sqrt(), rise)
    } else {
        (0.0, 1.0)
    };
    let along = |part: f32| {
        (
            head.0 + 0.72 * MAST * across * part,
            head.1 + MAST * down * part,
        )
    };
    brush.line(along(0.0), along(1.0), 4.2, [206.0, 160.0, 98.0]);
    for (part, half) in [(0.3, 15.0), (0.62, 19.0)] {
        let centre = along(part);
        let (nx, ny) = (down * half, -across * half * 0.3);
        brush.line(
            (centre.0 - nx, centre.1 - ny),
            (centre.0 + nx, centre.1 + ny),
            1.8,
            [150.0, 110.0, 64.0],
        );
        brush.line(
            (centre.0 - nx, centre.1 - ny),
            along(0.0),
            0.8,
            [70.0, 72.0, 76.0],
        );
        brush.line(
            (centre.0 + nx, centre.1 + ny),
            along(0.0),
            0.8,
            [70.0, 72.0, 76.0],
        );
    }
}

fn post(brush: &mut Brush<'_>) {
    let (x, y) = HEAD;
    brush.shape(
        &[
            (x - 22.0, QUAY + 12.0),
            (x + 22.0, QUAY + 12.0),
            (x + 16.0, QUAY),
            (x - 16.0, QUAY),
        ],
        [116.0, 114.0, 112.0],
    );
    for (bottom, top) in [(-13.0, -6.0), (13.0, 6.0)] {
        brush.line((x + bottom, QUAY), (x + top, y), 4.0, STEEL);
    }
    for bay in 0..7_u8 {
        let part = |bay: u8| f32::from(bay) / 7.0;
        let wide = |bay: u8| mix(13.0, 6.0, part(bay));
        let high = |bay: u8| mix(QUAY, y, part(bay));
        let lean = if bay % 2 == 0 { 1.0 } else { -1.0 };
        brush.line(
            (x - lean * wide(bay), high(bay)),
            (x + lean * wide(bay + 1), high(bay + 1)),
            2.0,
            DARK,
        );
        brush.line(
            (x - wide(bay), high(bay)),
            (x + wide(bay), high(bay)),
            2.0,
            DARK,
        );
    }
    brush.rect(x - 11.0, y - 4.0, 22.0, 9.0, [74.0, 78.0, 84.0]);
}

fn jib(brush: &mut Brush<'_>, tip: Point, angle: f32) {
    let (x, y) = HEAD;
    let apex = (x, y - 44.0);
    let tail = (x - (tip.0 - x) * 0.3, y - 6.0 - 5.0 * angle.sin());
    brush.line((x, y), apex, 4.0, STEEL);
    brush.line(apex, tip, 1.3, [72.0, 74.0, 80.0]);
    brush.line(apex, tail, 1.3, [72.0, 74.0, 80.0]);
    brush.line((x, y - 2.0), tail, 5.0, STEEL);
    brush.rect(tail.0 - 9.0, tail.1 - 4.0, 18.0, 15.0, [92.0, 94.0, 98.0]);
    let root = (x, y - 5.0);
    let depth = 9.0;
    let upper = |part: f32| {
        (
            mix(root.0, tip.0, part),
            mix(root.1 - depth, tip.1 - 1.0, part),
        )
    };
    let lower = |part: f32| {
        (
            mix(root.0, tip.0, part),
            mix(root.1 + 3.0, tip.1 + 1.0, part),
        )
    };
    brush.line(upper(0.0), upper(1.0), 2.4, STEEL);
    brush.line(lower(0.0), lower(1.0), 2.8, STEEL);
    for bay in 0..9_u8 {
        let (a, b) = (f32::from(bay) / 9.0, (f32::from(bay) + 0.5) / 9.0);
        brush.line(lower(a), upper(b), 1.4, DARK);
        brush.line(upper(b), lower(a + 1.0 / 9.0), 1.4, DARK);
    }
    // The cab turns with the jib.
    let cab = x + 12.0 * angle.cos();
    brush.rect(cab - 8.0, y + 4.0, 16.0, 15.0, STEEL);
    brush.rect(
        cab - 5.5 + 2.0 * angle.cos(),
        y + 6.0,
        11.0,
        7.0,
        [70.0, 96.0, 112.0],
    );
}
