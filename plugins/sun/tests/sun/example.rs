//! The worked example of NREL/TP-560-34302, appendix A.5, and the Julian days of table A4.1.

use forebay_sun::{Place, geocentric, position_with};

/// 2003-10-17T12:30:30-07:00.
const AT: i64 = 1_066_419_030_000_000_000;
/// The example's ΔT, seconds.
const DELTA_T: f64 = 67.0;

/// Golden, Colorado.
const PLACE: Place = Place {
    latitude_degrees: 39.742_476,
    longitude_degrees: -105.178_6,
    elevation_meters: 1830.14,
    pressure_hectopascals: 820.0,
    temperature_celsius: 11.0,
};

/// Equal to as many digits as are printed.
#[track_caller]
fn near(value: f64, printed: f64, unit_in_last_place: f64) {
    let error = (value - printed).abs();
    assert!(error <= 0.51 * unit_in_last_place, "{value} for {printed}");
}

#[test]
fn zenith_and_azimuth_are_those_of_the_report() {
    let sun = position_with(AT, &PLACE, DELTA_T);
    near(sun.zenith_degrees, 50.11162, 1e-5);
    near(sun.azimuth_degrees, 194.34024, 1e-5);
    assert_eq!(sun.apparent_elevation_degrees, 90.0 - sun.zenith_degrees);
}

#[test]
fn intermediate_values_are_those_of_the_report() {
    let sun = geocentric(AT, DELTA_T);
    near(sun.heliocentric_longitude, 24.018_261_691_7, 1e-8);
    near(sun.heliocentric_latitude, -0.000_101_121_9, 1e-10);
    near(sun.radius, 0.996_542_297_4, 1e-10);
    near(sun.nutation_longitude, -0.003_998_40, 1e-8);
    near(sun.nutation_obliquity, 0.001_666_57, 1e-8);
    near(sun.obliquity, 23.440_465, 1e-6);
    near(sun.apparent_longitude, 204.008_551_928_1, 1e-8);
    near(sun.right_ascension, 202.227_41, 1e-5);
    near(sun.declination, -9.314_34, 1e-5);
    let hour_angle = sun.sidereal_time + PLACE.longitude_degrees - sun.right_ascension;
    near(hour_angle.rem_euclid(360.0), 11.105_900, 1e-5);
}
