//! How finely a camera sees.
//!
//! A camera with `n` pixels across and a horizontal angle of view `a` sees `2 · d · tan(a / 2)` metres
//! at the distance `d`, by a lens that draws straight lines straight: `n` divided by that is its pixel
//! density. By focal length `f` and sensor width `s`, `tan(a / 2) = s / (2 · f)`. Lenses of much more
//! than 100° bend lines: in the middle they have less than this, at the edges more.
//!
//! EN 62676-4:2015 says from which density on a person can be told, and how well: detect, observe,
//! recognise, identify. The coarsest class and the finest are given with it in common practice.

use crate::config::{Lens, View};

/// What a picture is good for, by the pixels on a metre: EN 62676-4:2015, but for the first and the
/// last, which are common practice.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Class {
    /// Less than all of these.
    None,
    /// How many people there are and where they go (common practice).
    Monitor,
    /// That somebody is there.
    Detect,
    /// What they wear.
    Observe,
    /// Whether it is someone one knows.
    Recognise,
    /// Who it is, beyond doubt.
    Identify,
    /// The smallest details (common practice).
    Inspect,
}

impl Class {
    /// All but the first, from the coarsest.
    pub const ALL: [Self; 6] = [
        Self::Monitor,
        Self::Detect,
        Self::Observe,
        Self::Recognise,
        Self::Identify,
        Self::Inspect,
    ];

    /// The least density, in pixels a metre.
    #[must_use]
    pub fn pixels_per_metre(self) -> f64 {
        match self {
            Self::None => 0.0,
            Self::Monitor => 12.5,
            Self::Detect => 25.0,
            Self::Observe => 62.5,
            Self::Recognise => 125.0,
            Self::Identify => 250.0,
            Self::Inspect => 1000.0,
        }
    }

    /// As a word.
    #[must_use]
    pub fn as_str(self) -> &'static str {
        match self {
            Self::None => "less than monitor",
            Self::Monitor => "monitor",
            Self::Detect => "detect",
            Self::Observe => "observe",
            Self::Recognise => "recognise",
            Self::Identify => "identify",
            Self::Inspect => "inspect",
        }
    }

    /// The best that a density is enough for.
    #[must_use]
    pub fn of(pixels_per_metre: f64) -> Self {
        let enough = |class: &Self| class.pixels_per_metre() <= pixels_per_metre;
        Self::ALL
            .into_iter()
            .rev()
            .find(enough)
            .unwrap_or(Self::None)
    }
}

/// What a camera sees.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Sight {
    /// The horizontal angle of view, in degrees.
    pub angle_degrees: f64,
    /// How wide the picture is at the distance, in metres.
    pub width_metres: f64,
    /// Pixels on a metre there.
    pub pixels_per_metre: f64,
    /// What that is enough for.
    pub class: Class,
}

/// What a camera sees at the distance that it is told.
#[must_use]
pub fn sight(view: &View) -> Sight {
    let half = half_tangent(view.lens);
    let width_metres = 2.0 * view.distance_metres * half;
    let pixels_per_metre = f64::from(view.width_pixels) / width_metres;
    Sight {
        angle_degrees: 2.0 * half.atan().to_degrees(),
        width_metres,
        pixels_per_metre,
        class: Class::of(pixels_per_metre),
    }
}

/// How far away it still has a class's density, in metres.
#[must_use]
pub fn reach_metres(view: &View, class: Class) -> f64 {
    f64::from(view.width_pixels) / (2.0 * half_tangent(view.lens) * class.pixels_per_metre())
}

/// The tangent of half the angle of view.
fn half_tangent(lens: Lens) -> f64 {
    match lens {
        Lens::Angle { degrees } => (degrees / 2.0).to_radians().tan(),
        Lens::Focal {
            focal_mm,
            sensor_mm,
        } => sensor_mm / (2.0 * focal_mm),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn view(width_pixels: u32, distance_metres: f64, lens: Lens) -> View {
        View {
            width_pixels,
            distance_metres,
            lens,
        }
    }

    fn near(a: f64, b: f64) {
        assert!((a - b).abs() < 1e-9 * b.abs().max(1.0), "{a} is not {b}");
    }

    #[test]
    fn a_right_angle_sees_twice_its_distance() {
        // tan 45° = 1.
        let sight = sight(&view(2000, 10.0, Lens::Angle { degrees: 90.0 }));
        near(sight.width_metres, 20.0);
        near(sight.pixels_per_metre, 100.0);
        assert_eq!(sight.class, Class::Observe);
    }

    #[test]
    fn focal_length_and_sensor_make_the_angle() {
        // The full-frame sensor of photography (36 mm across): 18 mm are 90°, and 50 mm are the 39.6°
        // that tables of lenses give.
        let lens = |focal_mm| Lens::Focal {
            focal_mm,
            sensor_mm: 36.0,
        };
        near(sight(&view(1000, 1.0, lens(18.0))).angle_degrees, 90.0);
        let normal = sight(&view(1000, 1.0, lens(50.0))).angle_degrees;
        assert!((normal - 39.6).abs() < 0.05, "{normal}");
        // Thin lens, similar triangles: 36 mm at 50 mm is 7.2 m at 10 m.
        near(sight(&view(1000, 10.0, lens(50.0))).width_metres, 7.2);
    }

    #[test]
    fn classes_are_those_of_the_standard() {
        // Published of EN 62676-4:2015.
        for (class, density) in [
            (Class::Detect, 25.0),
            (Class::Observe, 62.5),
            (Class::Recognise, 125.0),
            (Class::Identify, 250.0),
        ] {
            near(class.pixels_per_metre(), density);
        }
        // All of them are often given as millimetres that one pixel may show at the most.
        let millimetres = [80.0, 40.0, 16.0, 8.0, 4.0, 1.0];
        for (class, millimetres) in Class::ALL.into_iter().zip(millimetres) {
            near(class.pixels_per_metre(), 1000.0 / millimetres);
            assert_eq!(Class::of(class.pixels_per_metre()), class);
            assert!(Class::of(class.pixels_per_metre() - 0.01) < class);
        }
        assert_eq!(Class::of(12.4), Class::None);
    }

    #[test]
    fn at_the_reach_of_a_class_the_density_is_its_own() {
        let lens = Lens::Angle { degrees: 67.0 };
        let at = |distance| view(3840, distance, lens);
        for class in Class::ALL {
            let reach = reach_metres(&at(1.0), class);
            near(sight(&at(reach)).pixels_per_metre, class.pixels_per_metre());
        }
    }
}
