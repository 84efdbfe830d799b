//! The boatyard, as its three cameras see it. All of a picture follows from one instant.
//!
//! Coordinates are those of a picture of 640 × 360, whatever the true size.

mod brush;
mod crane;
mod gate;
mod light;
mod nature;
mod slipway;

use std::f32::consts::TAU;
use std::time::Duration;

use crate::picture::{Colour, Picture, StripStamp};
use brush::Brush;
use light::Light;

/// What a camera looks at.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Scene {
    /// A hull being planked on a slipway by the water.
    Slipway,
    /// The yard's gate, through which a lorry comes.
    Gate,
    /// A crane that lifts a mast from the quay onto a boat.
    MastCrane,
}

impl Scene {
    /// The scene that goes with a camera's name; the slipway for a name of no other scene.
    #[must_use]
    pub fn for_camera(name: &str) -> Self {
        match name {
            "gate" => Self::Gate,
            "mast-crane" => Self::MastCrane,
            _ => Self::Slipway,
        }
    }
}

/// The time of day that a picture shows.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Daylight {
    /// That of the clock, in UTC: at night the pictures are dark.
    Clock,
    /// Always this hour, 0 to 24.
    Hour(f32),
    /// A whole day in this time, from `begins` (an hour) at the start of the camera.
    Fast {
        /// Hour of day at the camera's start, 0 to 24.
        begins: f32,
        /// How long a day takes.
        day: Duration,
    },
}

impl Daylight {
    /// Hour of day at a capture time, `since_start` after the camera's start.
    pub(crate) fn hour(self, capture_ns: i64, since_start: Duration) -> f32 {
        match self {
            Self::Clock => capture_ns.rem_euclid(86_400_000_000_000) as f32 / 3.6e12,
            Self::Hour(hour) => hour.rem_euclid(24.0),
            Self::Fast { begins, day } => {
                let days = since_start.as_secs_f64() / day.as_secs_f64().max(1.0);
                (f64::from(begins) + 24.0 * days).rem_euclid(24.0) as f32
            }
        }
    }
}

/// What is written into a picture.
#[derive(Debug, Clone, Copy)]
pub struct Caption<'a> {
    /// The camera's name.
    pub camera: &'a str,
    /// Frame number.
    pub frame: u64,
    /// Capture time in nanoseconds since 1970 UTC.
    pub capture_ns: i64,
}

/// Draws the whole of a picture: scene, label, strip.
///
/// `hour`: hour of day, 0 to 24; the movement follows the capture time.
pub fn draw(picture: &mut Picture, scene: Scene, hour: f32, caption: Caption<'_>) {
    // A day of seconds: an f32 of the full time would move in jerks.
    let seconds = caption.capture_ns.rem_euclid(86_400_000_000_000) as f64 / 1e9;
    let mut brush = Brush::new(picture, Light::at(hour));
    match scene {
        Scene::Slipway => slipway::draw(&mut brush, seconds),
        Scene::Gate => gate::draw(&mut brush, seconds),
        Scene::MastCrane => crane::draw(&mut brush, seconds),
    }
    let dot = (picture.width() / 320).max(1);
    let label = format!(
        "{}  #{}  {}",
        caption.camera,
        caption.frame,
        utc(caption.capture_ns)
    );
    let wide = (label.chars().count() * 6 + 5) * dot;
    picture.block(0, 0, wide, 11 * dot, Colour::BLACK);
    picture.text(3 * dot, 2 * dot, dot, &label, Colour::WHITE);
    picture.stamp(StripStamp {
        frame: caption.frame as u32,
        capture_ms: caption.capture_ns.div_euclid(1_000_000),
    });
}

/// `2026-05-04 07:31:00.120Z`, milliseconds rounded down.
fn utc(capture_ns: i64) -> String {
    let ms = capture_ns.div_euclid(1_000_000);
    let (day, of_day) = (ms.div_euclid(86_400_000), ms.rem_euclid(86_400_000));
    // Proleptic Gregorian calendar, counted from 1 March of the year 0, in eras of 400 years
    // (146 097 days), so that the leap day comes last.
    let from_march = day + 719_468;
    let (era, day_of_era) = (
        from_march.div_euclid(146_097),
        from_march.rem_euclid(146_097),
    );
    let year_of_era =
        (day_of_era - day_of_era / 1460 + day_of_era / 36_524 - day_of_era / 146_096) / 365;
    let day_of_year = day_of_era - (365 * year_of_era + year_of_era / 4 - year_of_era / 100);
    let from_march = (5 * day_of_year + 2) / 153;
    let date = day_of_year - (153 * from_march + 2) / 5 + 1;
    let month = if from_march < 10 {
        from_march + 3
    } else {
        from_march - 9
    };
    let year = era * 400 + year_of_era + i64::from(month <= 2);
    let (seconds, ms) = (of_day / 1000, of_day % 1000);
    let (hours, minutes, seconds) = (seconds / 3600, seconds / 60 % 60, seconds % 60);
    format!("{year:04}-{month:02}-{date:02} {hours:02}:{minutes:02}:{seconds:02}.{ms:03}Z")
}

/// A number from 0 to 1 that looks like chance and is always the same.
fn chance(seed: u32) -> f32 {
    let mut x = seed.wrapping_mul(0x9E37_79B9) ^ 0x85EB_CA6B;
    x = (x ^ (x >> 15)).wrapping_mul(0x2C1B_3C6D);
    x = (x ^ (x >> 12)).wrapping_mul(0x297A_2D39);
    (x ^ (x >> 15)) as f32 / u32::MAX as f32
}

/// Where `seconds` lies in a period, 0 to 1.
fn phase(seconds: f64, period: f64) -> f32 {
    (seconds.rem_euclid(period) / period) as f32
}

/// A sine of this period in seconds, −1 to 1.
fn swing(seconds: f64, period: f64) -> f32 {
    (phase(seconds, period) * TAU).sin()
}

/// From 0 at `from` to 1 at `to`, starting and stopping softly.
fn ease(value: f32, from: f32, to: f32) -> f32 {
    let x = ((value - from) / (to - from)).clamp(0.0, 1.0);
    x * x * (3.0 - 2.0 * x)
}

fn mix(a: f32, b: f32, part: f32) -> f32 {
    a + (b - a) * part
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::picture::read_strip;

    #[test]
    fn dates_of_the_calendar() {
        // By GNU date -u.
        assert_eq!(utc(1_777_879_860_120_999_999), "2026-05-04 07:31:00.120Z");
        assert_eq!(utc(951_827_696_000_000_000), "2000-02-29 12:34:56.000Z");
        assert_eq!(utc(-1), "1969-12-31 23:59:59.999Z");
        assert_eq!(utc(i64::MAX), "2262-04-11 23:47:16.854Z");
    }

    #[test]
    fn every_scene_at_every_hour_has_its_stamp_and_differs() {
        let mut seen = Vec::new();
        for scene in [Scene::Slipway, Scene::Gate, Scene::MastCrane] {
            for hour in [0, 6, 12, 19] {
                let mut picture = Picture::new(320, 180);
                let capture_ns = 1_777_879_860_120_000_000 + i64::from(hour) * 3_600_000_000_000;
                let caption = Caption {
                    camera: "x",
                    frame: 9,
                    capture_ns,
                };
                draw(&mut picture, scene, hour as f32, caption);
                let luma = picture.planes()[0].to_vec();
                let stamp = read_strip(&luma, 320, 180).unwrap();
                assert_eq!((stamp.frame, stamp.capture_ms), (9, capture_ns / 1_000_000));
                assert!(!seen.contains(&luma));
                seen.push(luma);
            }
        }
    }

    #[test]
    fn daylight_of_each_kind() {
        let second = Duration::from_secs(1);
        assert_eq!(
            Daylight::Clock.hour(1_777_879_860_000_000_000, second),
            7.516_667
        );
        assert_eq!(Daylight::Hour(25.0).hour(0, second), 1.0);
        let fast = Daylight::Fast {
            begins: 7.0,
            day: Duration::from_secs(240),
        };
        assert_eq!(fast.hour(0, 30 * second), 10.0);
        assert_eq!(fast.hour(0, 200 * second), 3.0);
    }
}
