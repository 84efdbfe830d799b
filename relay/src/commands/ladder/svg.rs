//! The curve of space as a picture: what is there by form, stacked, over time.

use std::fmt::Write as _;

use super::{Outlook, day, size};
use crate::archive::ladder::Form;
use crate::archive::ladder::forecast::Point;

const WIDTH: f64 = 960.0;
const HEIGHT: f64 = 440.0;
const LEFT: f64 = 84.0;
const RIGHT: f64 = 24.0;
const TOP: f64 = 64.0;
const BOTTOM: f64 = 56.0;
/// Rows that the size's axis is divided into, about.
const ROWS: f64 = 5.0;
/// Labels that the time's axis has room for.
const LABELS: usize = 9;
/// From the bottom up, in colours that differ in brightness, too.
const LAYERS: [(Form, &str, &str); 5] = [
    (Form::Footage, "footage", "#2f5d8a"),
    (Form::KeyFrames, "key frames", "#79a7cf"),
    (Form::Stills, "stills", "#e0a030"),
    (Form::Findings, "findings", "#8a4f7d"),
    (Form::Other, "other", "#9a9a9a"),
];

/// Writes the picture.
pub(super) fn write(outlook: &Outlook) -> String {
    let points = &outlook.points;
    // What the disk has for the archive: what is there, and what may be written beside it.
    let room = |point: &Point| {
        point
            .total()
            .saturating_add(point.free_bytes.unwrap_or(u64::MAX))
            .saturating_sub(outlook.floor_bytes)
    };
    let capacity = points.first().map_or(0, room);
    let highest = points.iter().map(Point::total).max().unwrap_or(0);
    // A disk that is far larger than what it holds would press the curve to the ground.
    let shows_disk = capacity <= highest.saturating_mul(3);
    let reach = if shows_disk {
        highest.max(capacity)
    } else {
        highest
    };
    let step = step(reach as f64 / ROWS);
    let top = (reach as f64 / step).ceil().max(1.0) * step;
    let last = points.len().saturating_sub(1).max(1);
    let chart = Chart { top, last };

    let mut svg = String::new();
    svg.push_str(&format!(
        "<svg xmlns=\"http://www.w3.org/2000/svg\" viewBox=\"0 0 {WIDTH} {HEIGHT}\" \
         width=\"{WIDTH}\" height=\"{HEIGHT}\" font-family=\"sans-serif\" font-size=\"13\" \
         role=\"img\">\n<title>Space of the archive, {last} days ahead</title>\n\
         <rect width=\"{WIDTH}\" height=\"{HEIGHT}\" fill=\"#ffffff\"/>\n\
         <text x=\"{LEFT}\" y=\"24\" font-size=\"16\" fill=\"#202020\">Space of the archive from {}, \
         if each day is as the last week was</text>\n",
        points.first().map(|point| day(point.time)).unwrap_or_default(),
    ));
    chart.legend(&mut svg, points);
    chart.grid(&mut svg, step);
    chart.layers(&mut svg, points);
    if shows_disk {
        chart.limit(&mut svg, capacity, outlook.floor_bytes);
    }
    chart.days(&mut svg, points);
    svg.push_str("</svg>\n");
    svg
}

/// 1, 2 or 5 times a power of ten, at least as much.
fn step(least: f64) -> f64 {
    let power = 10_f64.powf(least.max(1.0).log10().floor());
    let found = [1.0, 2.0, 5.0].into_iter().map(|n| n * power);
    found
        .into_iter()
        .find(|step| *step >= least)
        .unwrap_or(10.0 * power)
}

struct Chart {
    top: f64,
    last: usize,
}

impl Chart {
    fn x(&self, index: usize) -> f64 {
        LEFT + (WIDTH - LEFT - RIGHT) * index as f64 / self.last as f64
    }

    fn y(&self, bytes: f64) -> f64 {
        HEIGHT - BOTTOM - (HEIGHT - TOP - BOTTOM) * (bytes / self.top).min(1.0)
    }

    fn legend(&self, svg: &mut String, points: &[Point]) {
        let mut x = LEFT;
        for (form, name, colour) in LAYERS {
            if points.iter().all(|point| point.of(form) == 0) {
                continue;
            }
            put(
                svg,
                format_args!(
                    "<rect x=\"{x:.0}\" y=\"38\" width=\"12\" height=\"12\" fill=\"{colour}\"/>"
                ),
            );
            let text = x + 17.0;
            put(
                svg,
                format_args!("<text x=\"{text:.0}\" y=\"48\" fill=\"#202020\">{name}</text>"),
            );
            x += 34.0 + 7.5 * name.len() as f64;
        }
    }

    fn grid(&self, svg: &mut String, step: f64) {
        let rows = (self.top / step).round() as u32;
        for row in 0..=rows {
            let bytes = f64::from(row) * step;
            let (y, right) = (self.y(bytes), WIDTH - RIGHT);
            put(
                svg,
                format_args!(
                    "<line x1=\"{LEFT}\" y1=\"{y:.1}\" x2=\"{right}\" y2=\"{y:.1}\" stroke=\"#d8d8d8\"/>"
                ),
            );
            let (x, y) = (LEFT - 8.0, y + 4.5);
            let told = size(bytes as u64);
            put(
                svg,
                format_args!(
                    "<text x=\"{x}\" y=\"{y:.1}\" text-anchor=\"end\" fill=\"#404040\">{told}</text>"
                ),
            );
        }
    }

    fn layers(&self, svg: &mut String, points: &[Point]) {
        let mut below = vec![0.0; points.len()];
        for (form, _, colour) in LAYERS {
            let above: Vec<f64> = points
                .iter()
                .zip(&below)
                .map(|(point, below)| below + point.of(form) as f64)
                .collect();
            if above == below {
                continue;
            }
            let mut path = String::new();
            let there = above.iter().enumerate();
            let back = below.iter().enumerate().rev();
            for (index, bytes) in there.chain(back) {
                let command = if path.is_empty() { 'M' } else { 'L' };
                // Writing to a text doesn't fail.
                write!(path, "{command}{:.1} {:.1}", self.x(index), self.y(*bytes)).ok();
            }
            put(svg, format_args!("<path d=\"{path}Z\" fill=\"{colour}\"/>"));
            below = above;
        }
    }

    /// How much the disk has room for.
    fn limit(&self, svg: &mut String, capacity: u64, floor: u64) {
        let (y, right) = (self.y(capacity as f64), WIDTH - RIGHT);
        put(
            svg,
            format_args!(
                "<line x1=\"{LEFT}\" y1=\"{y:.1}\" x2=\"{right}\" y2=\"{y:.1}\" stroke=\"#b02020\" stroke-width=\"1.5\" stroke-dasharray=\"6 4\"/>"
            ),
        );
        let told = match floor {
            0 => format!("room on the disk: {}", size(capacity)),
            _ => format!(
                "room on the disk: {}, less {} to be free",
                size(capacity),
                size(floor)
            ),
        };
        let y = y - 6.0;
        put(
            svg,
            format_args!(
                "<text x=\"{right}\" y=\"{y:.1}\" text-anchor=\"end\" fill=\"#b02020\">{told}</text>"
            ),
        );
    }

    fn days(&self, svg: &mut String, points: &[Point]) {
        let every = points.len().div_ceil(LABELS).max(1);
        let base = HEIGHT - BOTTOM;
        for (index, point) in points.iter().enumerate().step_by(every) {
            let (x, tick, y) = (self.x(index), base + 5.0, base + 20.0);
            put(
                svg,
                format_args!(
                    "<line x1=\"{x:.1}\" y1=\"{base}\" x2=\"{x:.1}\" y2=\"{tick}\" stroke=\"#808080\"/>"
                ),
            );
            put(
                svg,
                format_args!(
                    "<text x=\"{x:.1}\" y=\"{y}\" text-anchor=\"middle\" fill=\"#404040\">{}</text>",
                    day(point.time)
                ),
            );
        }
    }
}

fn put(svg: &mut String, element: std::fmt::Arguments<'_>) {
    // Writing to a text doesn't fail.
    writeln!(svg, "{element}").ok();
}
