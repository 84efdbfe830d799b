//! Settings, pictures, and a Python interpreter to judge by.

use std::path::PathBuf;
use std::process::Command;

use forebay_stills::frame::{Frame, Plane};
use forebay_stills::schedule::Schedule;
use forebay_stills::settings::Settings;
use forebay_stills::still::Origin;
use forebay_sun::Place;
use jiff::tz::TimeZone;

pub(crate) const SECOND: i64 = 1_000_000_000;
pub(crate) const MINUTE: i64 = 60 * SECOND;
pub(crate) const HOUR: i64 = 60 * MINUTE;
pub(crate) const DAY: i64 = 24 * HOUR;

/// Where the sun stays away, and stays, for months.
pub(crate) const ARCTIC: (f64, f64) = (78.22, 15.65);

pub(crate) fn zone(name: &str) -> TimeZone {
    TimeZone::get(name).unwrap()
}

/// "2026-03-29T02:00:00+01:00" as nanoseconds.
pub(crate) fn at(text: &str) -> i64 {
    let timestamp: jiff::Timestamp = text.parse().unwrap();
    i64::try_from(timestamp.as_nanosecond()).unwrap()
}

pub(crate) fn settings(json: &str) -> Settings {
    let settings: Settings = serde_json::from_str(json).unwrap();
    settings.checked(true).unwrap()
}

pub(crate) fn schedule(json: &str, zone_name: &str, place: Option<(f64, f64)>) -> Schedule {
    let place = place.map(|(latitude, longitude)| Place::new(latitude, longitude));
    Schedule::new(&settings(json), zone(zone_name), place)
}

pub(crate) fn origin(zone_name: &str) -> Origin {
    Origin {
        camera: "slipway".into(),
        site: "boatyard".into(),
        zone: zone(zone_name),
        position: None,
    }
}

/// Planes of a picture.
#[derive(Clone)]
pub(crate) struct Picture {
    pub(crate) width: usize,
    pub(crate) height: usize,
    pub(crate) planes: [Vec<u8>; 3],
}

impl Picture {
    /// Of one colour.
    pub(crate) fn plain(width: usize, height: usize, [y, cb, cr]: [u8; 3]) -> Self {
        let chroma = width.div_ceil(2) * height.div_ceil(2);
        Self {
            width,
            height,
            planes: [vec![y; width * height], vec![cb; chroma], vec![cr; chroma]],
        }
    }

    /// Something with edges, fine texture and slow changes, in colour.
    pub(crate) fn scene(width: usize, height: usize) -> Self {
        let luma = |x: usize, y: usize| {
            let (u, v) = (x as f64 / width as f64, y as f64 / height as f64);
            let sky = 190.0 - 90.0 * v + 20.0 * (7.0 * u).sin();
            let planks = 12.0 * ((x as f64 * 0.9).sin() + (y as f64 * 0.31).sin());
            let hull = (u - 0.4).powi(2) + 3.0 * (v - 0.6).powi(2) < 0.05;
            let value = if hull { 70.0 } else { sky } + if v > 0.5 { planks } else { 0.0 };
            value.clamp(0.0, 255.0) as u8
        };
        let slow = |x: usize, y: usize, phase: f64| {
            let (u, v) = (
                x as f64 * 2.0 / width as f64,
                y as f64 * 2.0 / height as f64,
            );
            (128.0 + 60.0 * (3.0 * u + 2.0 * v + phase).sin()) as u8
        };
        let plane = |width: usize, height: usize, f: &dyn Fn(usize, usize) -> u8| {
            (0..width * height)
                .map(|n| f(n % width, n / width))
                .collect()
        };
        let (half_width, half_height) = (width.div_ceil(2), height.div_ceil(2));
        Self {
            width,
            height,
            planes: [
                plane(width, height, &luma),
                plane(half_width, half_height, &|x, y| slow(x, y, 0.0)),
                plane(half_width, half_height, &|x, y| slow(x, y, 2.0)),
            ],
        }
    }

    pub(crate) fn frame(&self, captured: i64, asked: Option<i64>) -> Frame<'_> {
        let half = (self.width.div_ceil(2), self.height.div_ceil(2));
        let [y, cb, cr] = &self.planes;
        let plane = |bytes, (width, height)| Plane::new(bytes, width, height, width).unwrap();
        let planes = [
            plane(y, (self.width, self.height)),
            plane(cb, half),
            plane(cr, half),
        ];
        let mut frame = Frame::new(captured, planes).unwrap();
        frame.asked = asked;
        frame
    }

    /// Blurred by a Gaussian of that standard deviation in samples; borders are repeated.
    pub(crate) fn blurred(&self, sigma: f64) -> Self {
        let reach = (4.0 * sigma).ceil() as i64;
        let weight = |d: i64| (-((d * d) as f64) / (2.0 * sigma * sigma)).exp();
        let total: f64 = (-reach..=reach).map(weight).sum();
        let (width, height) = (self.width as i64, self.height as i64);
        let pass = |input: &[f64], dx: i64, dy: i64| -> Vec<f64> {
            let sample = |x: i64, y: i64| {
                let (x, y) = (x.clamp(0, width - 1), y.clamp(0, height - 1));
                input[(y * width + x) as usize]
            };
            let at = |n: i64| {
                let (x, y) = (n % width, n / width);
                let terms = (-reach..=reach).map(|d| weight(d) * sample(x + d * dx, y + d * dy));
                terms.sum::<f64>() / total
            };
            (0..width * height).map(at).collect()
        };
        let luma: Vec<f64> = self.planes[0].iter().map(|&n| f64::from(n)).collect();
        let luma = pass(&pass(&luma, 1, 0), 0, 1);
        let mut blurred = self.clone();
        blurred.planes[0] = luma.iter().map(|n| n.round() as u8).collect();
        blurred
    }
}

/// The interpreter that FOREBAY_PYTHON names, where it has these modules. CI may not go without.
pub(crate) fn python(modules: &str) -> Option<String> {
    let import = format!("import {modules}");
    let there = std::env::var("FOREBAY_PYTHON").ok().filter(|python| {
        let probe = Command::new(python).args(["-c", &import]).output();
        probe.is_ok_and(|output| output.status.success())
    });
    if there.is_none() {
        let text = format!("FOREBAY_PYTHON names no interpreter that has {modules}");
        assert!(std::env::var("CI").as_deref() != Ok("true"), "{text}");
        println!("skipped: {text}");
    }
    there
}

/// Runs a script and reads the JSON that it prints.
pub(crate) fn script(python: &str, code: &str, arguments: &[&str]) -> serde_json::Value {
    let output = Command::new(python)
        .args(["-c", code])
        .args(arguments)
        .output()
        .unwrap();
    let complaints = String::from_utf8_lossy(&output.stderr);
    assert!(output.status.success(), "{complaints}");
    serde_json::from_slice(&output.stdout).unwrap()
}

/// A folder that is removed with it.
pub(crate) struct Dir(PathBuf);

impl Dir {
    pub(crate) fn new(name: &str) -> Self {
        let dir = std::env::temp_dir().join(format!("stills-{}-{name}", std::process::id()));
        std::fs::create_dir_all(&dir).unwrap();
        Self(dir)
    }

    /// Writes a file and gives its path.
    pub(crate) fn file(&self, name: &str, bytes: &[u8]) -> String {
        let path = self.0.join(name);
        std::fs::write(&path, bytes).unwrap();
        path.to_str().unwrap().to_owned()
    }
}

impl Drop for Dir {
    fn drop(&mut self) {
        if let Err(error) = std::fs::remove_dir_all(&self.0) {
            println!("{}: {error}", self.0.display());
        }
    }
}
