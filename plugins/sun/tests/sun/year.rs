//! A year at five latitudes, against the implementation of PyPI `pvlib` (its method
//! "nrel_numpy"). Its tables are from the same report; its code is not.

use std::io::Write;
use std::process::{Command, Stdio};

use forebay_sun::{Place, position_with};

/// Name, latitude, longitude, meters above the sea.
const PLACES: [(&str, f64, f64, f64); 5] = [
    ("equator", 0.0, 32.58, 1150.0),
    ("middle north", 59.913, 10.752, 23.0),
    ("middle south", -33.87, 151.21, 3.0),
    ("arctic", 78.22, 15.65, 10.0),
    ("antarctic", -77.85, 166.67, 24.0),
];

/// pvlib's default.
const DELTA_T: f64 = 67.0;
/// Without leap seconds both count the same time.
const BEGIN: i64 = 1_767_225_600; // 2026-01-01T00:00:00Z
const STEP_SECONDS: i64 = 1_237;
const YEAR_SECONDS: i64 = 366 * 86_400;

const SCRIPT: &str = r#"
import sys
import numpy as np, pandas as pd
from pvlib.solarposition import spa_python
latitude, longitude, meters, delta_t, begin, end, step = map(float, sys.argv[1:])
seconds = np.arange(int(begin), int(end), int(step))
times = pd.to_datetime(seconds, unit="s", utc=True)
sun = spa_python(times, latitude, longitude, altitude=meters, pressure=101325.0,
                 temperature=12.0, delta_t=delta_t, how="numpy")
for t, z, e, a in zip(seconds, sun["apparent_zenith"], sun["elevation"], sun["azimuth"]):
    print(t, repr(float(z)), repr(float(e)), repr(float(a)))
"#;

/// The interpreter that FOREBAY_PYTHON names, where it has pvlib. CI may not go without.
fn python() -> Option<String> {
    let there = std::env::var("FOREBAY_PYTHON").ok().filter(|python| {
        let probe = Command::new(python).args(["-c", "import pvlib"]).output();
        probe.is_ok_and(|output| output.status.success())
    });
    if there.is_none() {
        assert!(
            std::env::var("CI").as_deref() != Ok("true"),
            "FOREBAY_PYTHON names no interpreter that has pvlib"
        );
        println!("skipped: FOREBAY_PYTHON names no interpreter that has pvlib");
    }
    there
}

fn lines(python: &str, place: (&str, f64, f64, f64)) -> String {
    let (_, latitude, longitude, meters) = place;
    let mut child = Command::new(python)
        .arg("-")
        .args([latitude, longitude, meters, DELTA_T].map(|n| n.to_string()))
        .args([BEGIN, BEGIN + YEAR_SECONDS, STEP_SECONDS].map(|n| n.to_string()))
        .stdin(Stdio::piped())
        .stdout(Stdio::piped())
        .spawn()
        .unwrap();
    child
        .stdin
        .take()
        .unwrap()
        .write_all(SCRIPT.as_bytes())
        .unwrap();
    let output = child.wait_with_output().unwrap();
    assert!(output.status.success());
    String::from_utf8(output.stdout).unwrap()
}

#[test]
fn a_year_at_five_latitudes_is_that_of_pvlib() {
    let Some(python) = python() else { return };
    for place in PLACES {
        let (name, latitude, longitude, meters) = place;
        let here = Place {
            elevation_meters: meters,
            ..Place::new(latitude, longitude)
        };
        let (mut count, mut zenith_error, mut elevation_error, mut azimuth_error) =
            (0, 0.0_f64, 0.0_f64, 0.0_f64);
        let (mut lowest, mut highest) = (90.0_f64, -90.0_f64);
        for line in lines(&python, place).lines() {
            let fields: Vec<f64> = line.split(' ').map(|f| f.parse().unwrap()).collect();
            let [seconds, zenith, elevation, azimuth] = fields[..] else {
                panic!("{line}");
            };
            let at = seconds as i64 * 1_000_000_000;
            let sun = position_with(at, &here, DELTA_T);
            count += 1;
            zenith_error = zenith_error.max((sun.zenith_degrees - zenith).abs());
            elevation_error = elevation_error.max((sun.elevation_degrees - elevation).abs());
            let turn = (sun.azimuth_degrees - azimuth + 180.0).rem_euclid(360.0) - 180.0;
            // Near the zenith the azimuth has no meaning: its error on the sphere counts.
            azimuth_error = azimuth_error.max(turn.abs() * zenith.to_radians().sin().abs());
            lowest = lowest.min(elevation);
            highest = highest.max(elevation);
        }
        println!(
            "{name}: {count} instants, sun {lowest:.1}° to {highest:.1}°; largest difference: \
             zenith {zenith_error:.2e}°, elevation {elevation_error:.2e}°, azimuth {azimuth_error:.2e}°"
        );
        assert!(count > 25_000, "{name}: {count}");
        for error in [zenith_error, elevation_error, azimuth_error] {
            assert!(error < 1e-5, "{name}: {error}");
        }
    }
}

/// ΔT by itself, instead of the other side's: what that changes in a year.
#[test]
fn the_own_delta_t_changes_little() {
    let place = Place::new(59.913, 10.752);
    for day in 0..366 {
        let at = (BEGIN + day * 86_400 + 36_000) * 1_000_000_000;
        let own = forebay_sun::position(at, &place);
        let other = position_with(at, &place, DELTA_T);
        assert!((own.elevation_degrees - other.elevation_degrees).abs() < 3e-4);
        assert!((own.azimuth_degrees - other.azimuth_degrees).abs() < 3e-4);
    }
}
