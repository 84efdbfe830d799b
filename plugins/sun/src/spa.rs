//! The algorithm, in the order of the report, whose section each step names.

use std::f64::consts::PI;

use crate::terms::{LATITUDE, LONGITUDE, NUTATION, RADIUS, Term};
use crate::{Instant, Place, Position};

/// Julian day of 2000-01-01T12:00:00.
pub(crate) const JULIAN_DAY_2000: f64 = 2_451_545.0;
/// Julian day of 1970-01-01T00:00:00.
const JULIAN_DAY_1970: f64 = 2_440_587.5;
const DAY_SECONDS: f64 = 86_400.0;

/// What is the same for all places, in degrees but for the radius.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Geocentric {
    /// L, the earth's heliocentric longitude.
    pub heliocentric_longitude: f64,
    /// B, the earth's heliocentric latitude.
    pub heliocentric_latitude: f64,
    /// R, the earth's distance from the sun in astronomical units.
    pub radius: f64,
    /// Δψ, the nutation in longitude.
    pub nutation_longitude: f64,
    /// Δε, the nutation in obliquity.
    pub nutation_obliquity: f64,
    /// ε, the true obliquity of the ecliptic.
    pub obliquity: f64,
    /// λ, the sun's apparent longitude.
    pub apparent_longitude: f64,
    /// ν, the apparent sidereal time at Greenwich.
    pub sidereal_time: f64,
    /// α, the sun's right ascension.
    pub right_ascension: f64,
    /// δ, the sun's declination.
    pub declination: f64,
}

/// JD (3.1), counted on from 1970: universal time has days of 86 400 s.
pub(crate) fn julian_days(at: Instant) -> f64 {
    at as f64 / (1e9 * DAY_SECONDS) + JULIAN_DAY_1970
}

/// `c[0] + c[1] · x + c[2] · x² …`
fn polynomial(x: f64, coefficients: &[f64]) -> f64 {
    coefficients.iter().rev().fold(0.0, |sum, c| sum * x + c)
}

fn degrees(angle: f64) -> f64 {
    (angle * 180.0 / PI).rem_euclid(360.0)
}

/// A value of the earth's orbit (3.2): a polynomial whose coefficients are series of cosines.
fn series(millennia: f64, powers: &[&[Term]]) -> f64 {
    powers.iter().rev().fold(0.0, |sum, terms| {
        let term = |(a, b, c): &Term| a * (b + c * millennia).cos();
        sum * millennia + terms.iter().map(term).sum::<f64>()
    }) / 1e8
}

/// Δψ and Δε (3.4).
fn nutation(centuries: f64) -> (f64, f64) {
    let x = [
        // Mean elongation of the moon from the sun.
        polynomial(
            centuries,
            &[297.85036, 445_267.111_48, -0.001_914_2, 1.0 / 189_474.0],
        ),
        // Mean anomaly of the sun.
        polynomial(
            centuries,
            &[357.52772, 35_999.050_34, -0.000_160_3, -1.0 / 300_000.0],
        ),
        // Mean anomaly of the moon.
        polynomial(
            centuries,
            &[134.96298, 477_198.867_398, 0.008_697_2, 1.0 / 56_250.0],
        ),
        // The moon's argument of latitude.
        polynomial(
            centuries,
            &[93.27191, 483_202.017_538, -0.003_682_5, 1.0 / 327_270.0],
        ),
        // Longitude of the ascending node of the moon's orbit.
        polynomial(
            centuries,
            &[125.04452, -1_934.136_261, 0.002_070_8, 1.0 / 450_000.0],
        ),
    ];
    let (mut longitude, mut obliquity) = (0.0, 0.0);
    for (multiples, [a, b, c, d]) in &NUTATION {
        let angle: f64 = x
            .iter()
            .zip(multiples)
            .map(|(x, &y)| x * f64::from(y))
            .sum();
        let (sine, cosine) = angle.to_radians().sin_cos();
        longitude += (a + b * centuries) * sine;
        obliquity += (c + d * centuries) * cosine;
    }
    // From 0.0001 seconds of arc.
    (longitude / 36e6, obliquity / 36e6)
}

/// ε0 in seconds of arc (3.5.1).
fn mean_obliquity(millennia: f64) -> f64 {
    let coefficients = [
        84_381.448, -4_680.93, -1.55, 1_999.25, -51.38, -249.67, -39.05, 7.12, 27.87, 5.79, 2.45,
    ];
    polynomial(millennia / 10.0, &coefficients)
}

/// Sections 3.1 to 3.10.
pub(crate) fn geocentric(at: Instant, delta_t_seconds: f64) -> Geocentric {
    // 3.1: universal time for the earth's rotation, terrestrial time for all else.
    let days = julian_days(at) - JULIAN_DAY_2000;
    let centuries = days / 36_525.0;
    let ephemeris_centuries = (days + delta_t_seconds / DAY_SECONDS) / 36_525.0;
    let millennia = ephemeris_centuries / 10.0;

    // 3.2
    let heliocentric_longitude = degrees(series(millennia, &LONGITUDE));
    let heliocentric_latitude = series(millennia, &LATITUDE).to_degrees();
    let radius = series(millennia, &RADIUS);
    // 3.3: from the earth the sun is seen in the opposite direction.
    let longitude = heliocentric_longitude + 180.0;
    let latitude = -heliocentric_latitude;
    // 3.4, 3.5
    let (nutation_longitude, nutation_obliquity) = nutation(ephemeris_centuries);
    let obliquity = mean_obliquity(millennia) / 3600.0 + nutation_obliquity;
    // 3.6, 3.7: with the aberration.
    let aberration = -20.4898 / (3600.0 * radius);
    let apparent_longitude = (longitude + nutation_longitude + aberration).rem_euclid(360.0);
    // 3.8
    let sidereal = [280.460_618_37, 0.0, 0.000_387_933, -1.0 / 38_710_000.0];
    let mean_sidereal = polynomial(centuries, &sidereal) + 360.985_647_366_29 * days;
    let obliquity_radians = obliquity.to_radians();
    let sidereal_time =
        (mean_sidereal + nutation_longitude * obliquity_radians.cos()).rem_euclid(360.0);
    // 3.9, 3.10
    let (sine, cosine) = apparent_longitude.to_radians().sin_cos();
    let (sine_obliquity, cosine_obliquity) = obliquity_radians.sin_cos();
    let latitude = latitude.to_radians();
    let right_ascension =
        degrees((sine * cosine_obliquity - latitude.tan() * sine_obliquity).atan2(cosine));
    let declination = (latitude.sin() * cosine_obliquity + latitude.cos() * sine_obliquity * sine)
        .asin()
        .to_degrees();
    Geocentric {
        heliocentric_longitude,
        heliocentric_latitude,
        radius,
        nutation_longitude,
        nutation_obliquity,
        obliquity,
        apparent_longitude,
        sidereal_time,
        right_ascension,
        declination,
    }
}

/// Sections 3.11 to 3.15.
pub(crate) fn topocentric(sun: &Geocentric, place: &Place) -> Position {
    /// Polar by equatorial radius of the earth.
    const FLATTENING: f64 = 0.996_647_19;
    const EQUATOR_METERS: f64 = 6_378_140.0;

    let latitude = place.latitude_degrees.to_radians();
    let (sine_latitude, cosine_latitude) = latitude.sin_cos();
    // 3.11
    let hour_angle =
        (sun.sidereal_time + place.longitude_degrees - sun.right_ascension).to_radians();
    let (sine_hour, cosine_hour) = hour_angle.sin_cos();
    // 3.12: the parallax, as the place is not in the middle of the earth.
    let parallax = (8.794 / (3600.0 * sun.radius)).to_radians().sin();
    let reduced = (FLATTENING * latitude.tan()).atan();
    let height = place.elevation_meters / EQUATOR_METERS;
    let x = reduced.cos() + height * cosine_latitude;
    let y = FLATTENING * reduced.sin() + height * sine_latitude;
    let (sine, cosine) = sun.declination.to_radians().sin_cos();
    let shift = (-x * parallax * sine_hour).atan2(cosine - x * parallax * cosine_hour);
    let declination =
        ((sine - y * parallax) * shift.cos()).atan2(cosine - x * parallax * cosine_hour);
    // 3.13
    let (sine_hour, cosine_hour) = (hour_angle - shift).sin_cos();
    // 3.14
    let elevation_degrees = (sine_latitude * declination.sin()
        + cosine_latitude * declination.cos() * cosine_hour)
        .clamp(-1.0, 1.0)
        .asin()
        .to_degrees();
    let apparent_elevation_degrees = elevation_degrees + refraction(elevation_degrees, place);
    // 3.15: of astronomers, who count it from south over west, so half a turn is added.
    let azimuth =
        sine_hour.atan2(cosine_hour * sine_latitude - declination.tan() * cosine_latitude);
    Position {
        elevation_degrees,
        apparent_elevation_degrees,
        zenith_degrees: 90.0 - apparent_elevation_degrees,
        azimuth_degrees: degrees(azimuth + PI),
    }
}

/// Δe in degrees (3.14.2), and nothing when the whole disc is below the horizon (appendix A.2 has
/// the two numbers: half of the sun's disc, and the refraction at the horizon).
fn refraction(elevation_degrees: f64, place: &Place) -> f64 {
    if elevation_degrees < -(0.266_67 + 0.566_7) {
        return 0.0;
    }
    let angle = elevation_degrees + 10.3 / (elevation_degrees + 5.11);
    (place.pressure_hectopascals / 1010.0) * (283.0 / (273.0 + place.temperature_celsius)) * 1.02
        / (60.0 * angle.to_radians().tan())
}
