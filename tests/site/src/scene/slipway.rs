//! Camera `slipway`: a hull on its cradle, being planked.

use super::brush::{Brush, round};
use super::nature;
use super::{chance, ease, mix, phase, swing};
use crate::picture::Point;

/// Angle of the slipway, as rise over run.
const SLOPE: f32 = 0.1;
const PALE: [f32; 3] = [222.0, 186.0, 132.0];
const RAIL: [f32; 3] = [92.0, 70.0, 60.0];

/// Height of the rail at x.
fn rail(x: f32) -> f32 {
    271.0 + SLOPE * x
}

/// From hull coordinates (metres of a 24 m hull times 15: along from the stem, up from the keel).
fn hull(along: f32, up: f32) -> Point {
    let x = 148.0 + along;
    (x + up * SLOPE, rail(x) - 17.0 - up)
}

/// Height of the deck above the keel.
fn sheer(along: f32) -> f32 {
    70.0 + 30.0 * ((along - 215.0) / 215.0).powi(2)
}

/// Height of the planking's lower edge: the keel, rising to stem and stern.
fn bottom(along: f32) -> f32 {
    let stem = (1.0 - along / 58.0).max(0.0);
    let stern = ((along - 285.0) / 65.0).max(0.0);
    4.0 + 84.0 * stem.powf(2.2) + 44.0 * stern.powi(2)
}

pub(super) fn draw(brush: &mut Brush<'_>, seconds: f64) {
    nature::sky(brush, seconds);
    nature::hills(brush, 0.4);
    nature::water(brush, seconds, 344.0);
    nature::far_sail(brush, seconds);
    ground(brush);
    shed(brush);
    track(brush, seconds);
    scaffold(brush);
    frames(brush);
    planks(brush, seconds);
    worker(brush, (255.0, 194.0), seconds, true);
    worker(brush, (385.0, 207.0), seconds + 0.4, true);
    worker(
        brush,
        (88.0 + 16.0 * swing(seconds, 23.0), 300.0),
        seconds,
        false,
    );
    timber(brush);
}

fn ground(brush: &mut Brush<'_>) {
    let shore = [
        (0.0, 232.0),
        (150.0, 238.0),
        (330.0, 268.0),
        (470.0, 312.0),
        (520.0, 345.0),
        (0.0, 345.0),
    ];
    brush.shape(&shore, [146.0, 138.0, 122.0]);
    brush.shape(
        &[(0.0, 284.0), (330.0, 300.0), (505.0, 345.0), (0.0, 345.0)],
        [160.0, 150.0, 130.0],
    );
    for stone in 0..60 {
        let (x, y) = (
            480.0 * chance(stone + 7),
            mix(250.0, 342.0, chance(stone + 77)),
        );
        if y > 246.0 + 0.16 * x {
            let size = 1.0 + 2.0 * chance(stone + 777);
            let tone = 118.0 + 50.0 * chance(stone + 70);
            brush.shape(
                &round((x, y), size * 1.5, size * 0.8),
                [tone, tone * 0.96, tone * 0.86],
            );
        }
    }
}

fn shed(brush: &mut Brush<'_>) {
    let red = [158.0, 52.0, 44.0];
    brush.shape(
        &[(0.0, 176.0), (118.0, 176.0), (118.0, 262.0), (0.0, 262.0)],
        red,
    );
    brush.shape(
        &[(0.0, 136.0), (46.0, 124.0), (118.0, 176.0), (0.0, 176.0)],
        red,
    );
    for board in 1..12_u8 {
        let x = f32::from(board) * 10.0;
        brush.line(
            (x, 150.0 + (x - 46.0).max(0.0) * 0.5),
            (x, 262.0),
            0.9,
            [136.0, 42.0, 36.0],
        );
    }
    brush.line((46.0, 122.0), (124.0, 178.0), 5.0, [72.0, 74.0, 80.0]);
    brush.line((46.0, 122.0), (-4.0, 135.0), 5.0, [72.0, 74.0, 80.0]);
    brush.rect(22.0, 192.0, 62.0, 70.0, [46.0, 38.0, 34.0]);
    let night = brush.light.night;
    brush.bright(
        &[(24.0, 194.0), (82.0, 194.0), (82.0, 262.0), (24.0, 262.0)],
        [250.0, 196.0, 110.0],
        0.75 * night,
    );
    for (a, b) in [
        ((20.0, 191.0), (86.0, 191.0)),
        ((20.0, 191.0), (20.0, 262.0)),
        ((86.0, 191.0), (86.0, 262.0)),
        ((116.5, 176.0), (116.5, 262.0)),
    ] {
        brush.line(a, b, 3.0, [236.0, 232.0, 222.0]);
    }
    brush.rect(46.0, 146.0, 22.0, 18.0, [236.0, 232.0, 222.0]);
    brush.rect(48.5, 148.5, 17.0, 13.0, [78.0, 96.0, 112.0]);
}

/// Rails down into the water, sleepers, and the cradle that carries the hull.
fn track(brush: &mut Brush<'_>, seconds: f64) {
    let concrete = [178.0, 174.0, 166.0];
    brush.shape(
        &[
            (60.0, rail(60.0)),
            (640.0, rail(640.0)),
            (640.0, 352.0),
            (60.0, 297.0),
        ],
        concrete,
    );
    for sleeper in 0..23_u8 {
        let x = 66.0 + f32::from(sleeper) * 25.0;
        brush.rect(x, rail(x) + 3.0, 13.0, 5.0, [104.0, 82.0, 64.0]);
    }
    brush.line(
        (60.0, rail(60.0) + 2.0),
        (640.0, rail(640.0) + 2.0),
        3.4,
        RAIL,
    );
    let lap = 486.0 + 5.0 * swing(seconds, 4.3);
    let wet = brush.light.on([58.0, 104.0, 122.0]);
    brush.bright(
        &[
            (lap, rail(lap) - 1.0),
            (640.0, 316.0),
            (640.0, 345.0),
            (lap + 34.0, 345.0),
        ],
        wet,
        0.84,
    );
    let foam = brush.light.on([226.0, 236.0, 238.0]);
    brush.bright(
        &[
            (lap - 4.0, rail(lap) - 1.0),
            (lap + 4.0, rail(lap) - 1.5),
            (lap + 40.0, 345.0),
            (lap + 31.0, 345.0),
        ],
        foam,
        0.6,
    );
    brush.shape(
        &[
            hull(38.0, -8.0),
            hull(330.0, -8.0),
            hull(330.0, 1.0),
            hull(38.0, 1.0),
        ],
        [112.0, 84.0, 58.0],
    );
    for post in [60.0, 150.0, 240.0, 318.0] {
        let wheel = hull(post, -10.0);
        brush.disc((wheel.0, wheel.1), 6.0, [52.0, 50.0, 52.0]);
        brush.disc((wheel.0, wheel.1), 2.2, [150.0, 148.0, 146.0]);
    }
}

fn scaffold(brush: &mut Brush<'_>) {
    let steel = [170.0, 174.0, 178.0];
    for pole in 0..7_u8 {
        let x = 182.0 + f32::from(pole) * 46.0;
        brush.line(
            (x, 168.0 + SLOPE * (x - 182.0)),
            (x, rail(x) - 2.0),
            2.4,
            steel,
        );
    }
    for level in [0.0, 46.0] {
        brush.line((174.0, 194.0 + level), (466.0, 221.0 + level), 2.0, steel);
    }
}

/// Keel, stem, stern post and the ribs that still show.
fn frames(brush: &mut Brush<'_>) {
    let oak = [132.0, 92.0, 56.0];
    for rib in 0..27_u8 {
        let along = 14.0 + f32::from(rib) * 12.6;
        let (low, high) = (bottom(along), sheer(along) + 5.0);
        brush.line(hull(along, low), hull(along, high), 3.6, PALE);
        brush.line(
            hull(along + 1.3, low),
            hull(along + 1.3, high),
            1.0,
            [170.0, 132.0, 84.0],
        );
    }
    let stem: Vec<Point> = (0..=10_u8)
        .map(|i| f32::from(i) * 5.8)
        .map(|a| hull(a, bottom(a) - 1.0))
        .collect();
    for pair in stem.windows(2) {
        if let [a, b] = pair {
            brush.line(*a, *b, 6.0, oak);
        }
    }
    brush.line(hull(0.0, 86.0), hull(-2.0, 106.0), 6.0, oak);
    brush.line(hull(54.0, 2.0), hull(290.0, 2.0), 7.0, oak);
    brush.line(hull(286.0, 2.0), hull(350.0, 46.0), 5.0, oak);
    brush.line(hull(350.0, 46.0), hull(356.0, 88.0), 6.0, oak);
}

/// Strakes are laid from the keel up, one every 12 s; a bare hull follows a finished one.
fn planks(brush: &mut Brush<'_>, seconds: f64) {
    const STRAKES: u8 = 10;
    const CYCLE: f64 = 12.0 * (STRAKES as f64 + 2.0);
    let laid = phase(seconds, CYCLE) * (f32::from(STRAKES) + 2.0);
    for strake in 0..STRAKES {
        let done = laid - f32::from(strake);
        if done <= 0.0 {
            break;
        }
        let (low, high) = (
            f32::from(strake) / f32::from(STRAKES),
            f32::from(strake + 1) / f32::from(STRAKES),
        );
        // A new plank is hoisted along the ribs and comes to rest.
        let hoist = 34.0 * (1.0 - ease(done, 0.0, 0.7));
        let at =
            |along: f32, part: f32| hull(along, mix(bottom(along), sheer(along), part) + hoist);
        let columns = || (0..=24_u8).map(|step| 4.0 + f32::from(step) * 14.4);
        let outline: Vec<Point> = columns()
            .map(|a| at(a, low))
            .chain(columns().rev().map(|a| at(a, high)))
            .collect();
        let tone = 0.86 + 0.14 * chance(u32::from(strake) + 5) - 0.03 * (1.0 - high);
        brush.shape(&outline, [198.0 * tone, 142.0 * tone, 84.0 * tone]);
        let upper: Vec<Point> = columns().map(|a| at(a, high)).collect();
        for pair in upper.windows(2) {
            if let [a, b] = pair {
                brush.line(*a, *b, 1.1, [120.0, 80.0, 44.0]);
            }
        }
        for butt in 0..3_u32 {
            let along = 60.0 + 95.0 * butt as f32 + 60.0 * chance(u32::from(strake) * 3 + butt);
            brush.line(at(along, low), at(along, high), 1.0, [120.0, 80.0, 44.0]);
        }
    }
    if laid > f32::from(STRAKES) {
        let rail: Vec<Point> = (0..=24_u8)
            .map(|s| f32::from(s) * 14.6)
            .map(|a| hull(a, sheer(a) + 3.0))
            .collect();
        for pair in rail.windows(2) {
            if let [a, b] = pair {
                brush.line(*a, *b, 5.0, [238.0, 234.0, 224.0]);
            }
        }
    }
}

/// Someone in a yellow vest, feet at this point.
pub(super) fn worker(brush: &mut Brush<'_>, feet: Point, seconds: f64, hammers: bool) {
    let (x, y) = feet;
    let step = if hammers {
        2.0
    } else {
        4.0 * swing(seconds, 1.2)
    };
    let trousers = [44.0, 52.0, 74.0];
    brush.line((x, y - 14.0), (x - step, y), 3.4, trousers);
    brush.line((x, y - 14.0), (x + step, y), 3.4, trousers);
    brush.line((x, y - 26.0), (x, y - 13.0), 7.4, [228.0, 214.0, 42.0]);
    brush.line(
        (x - 3.7, y - 18.5),
        (x + 3.7, y - 18.5),
        1.8,
        [236.0, 238.0, 236.0],
    );
    brush.disc((x, y - 30.0), 3.8, [214.0, 166.0, 134.0]);
    brush.shape(
        &[
            (x - 4.6, y - 30.6),
            (x - 3.2, y - 35.0),
            (x + 3.2, y - 35.0),
            (x + 4.6, y - 30.6),
        ],
        [240.0, 240.0, 236.0],
    );
    let blow = if hammers {
        swing(seconds, 0.95).max(-0.3)
    } else {
        -0.6
    };
    let hand = (x + 9.5, y - 20.0 - 8.0 * blow);
    brush.line((x + 1.0, y - 24.5), hand, 2.8, [228.0, 150.0, 36.0]);
    if hammers {
        let head = (hand.0 + 4.0, hand.1 - 3.0 - 3.0 * blow);
        brush.line(hand, head, 1.4, [120.0, 88.0, 52.0]);
        brush.disc(head, 2.2, [70.0, 72.0, 78.0]);
    }
}

fn timber(brush: &mut Brush<'_>) {
    for layer in 0..4_u8 {
        for board in 0..(5 - layer) {
            let (x, y) = (
                26.0 + f32::from(board) * 15.0 + f32::from(layer) * 7.0,
                336.0 - f32::from(layer) * 6.5,
            );
            let tone = 0.85 + 0.15 * chance(u32::from(layer * 7 + board));
            brush.rect(x, y, 13.6, 5.6, [214.0 * tone, 172.0 * tone, 112.0 * tone]);
        }
    }
}
