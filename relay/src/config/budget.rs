//! What `forebay budget` counts with: keys of `[[site]]` and `[[camera]]`, and `[camera.view]`.

use super::fields::Fields;
use super::model::{BitRate, Expected, Lens, Uplink, View};
use super::quantity::ByteCount;

const RATE_MIN: f64 = 0.01;
const RATE_MAX: f64 = 100_000.0;

fn rate(fields: &mut Fields<'_, '_>, key: &'static str, example: &str) -> Option<BitRate> {
    let found = fields.number(key, RATE_MIN..=RATE_MAX, "Mb/s", example)?;
    Some(BitRate::from_megabits(found))
}

/// Reads what a site's uplink can do.
pub(super) fn read_uplink(fields: &mut Fields<'_, '_>) -> Uplink {
    Uplink {
        rate: rate(fields, "uplink_megabits_per_second", "8"),
        monthly: fields.optional_bytes(
            "uplink_bytes_per_month",
            ByteCount::new(600_000_000_000),
            ByteCount::mib(1)..=ByteCount::gib(1 << 20),
        ),
    }
}

/// Reads what a camera is expected to send, and what it looks at.
pub(super) fn read_expected(fields: &mut Fields<'_, '_>) -> Expected {
    let expected = Expected {
        main: rate(fields, "expected_megabits_per_second", "4"),
        analysis: rate(fields, "expected_analysis_megabits_per_second", "0.4"),
        view: fields.table("view", "[camera.view]").and_then(read_view),
    };
    if expected.analysis.is_some() && !fields.has("analysis_url") {
        fields.wrong(
            "expected_analysis_megabits_per_second",
            "expected_analysis_megabits_per_second is given, but no analysis_url",
            "Remove it, or name the camera's second stream.",
        );
    }
    expected
}

fn read_view(mut fields: Fields<'_, '_>) -> Option<View> {
    let metres = "metres";
    fields.require("width_pixels", "2560");
    let width = fields.count("width_pixels", 2560, 16..=65_536);
    fields.require("distance_metres", "25");
    let distance = fields.number("distance_metres", 0.1..=100_000.0, metres, "25");
    let angle = fields.number("angle_degrees", 0.1..=179.0, "degrees", "100");
    let focal = fields.number("focal_millimetres", 0.1..=10_000.0, "mm", "2.8");
    let sensor = fields.number("sensor_millimetres", 0.1..=1000.0, "mm", "5.4");
    let lens = match (angle, focal, sensor) {
        (Some(degrees), None, None) => Some(Lens::Angle { degrees }),
        (None, Some(focal_mm), Some(sensor_mm)) => Some(Lens::Focal {
            focal_mm,
            sensor_mm,
        }),
        _ => None,
    };
    let parts = ["focal_millimetres", "sensor_millimetres"];
    let given: Vec<_> = parts.into_iter().filter(|key| fields.has(key)).collect();
    if fields.has("angle_degrees") && !given.is_empty() {
        fields.wrong(
            "angle_degrees",
            "the angle is given twice: by angle_degrees, and by what makes it",
            "Give angle_degrees, or focal_millimetres and sensor_millimetres (its width).",
        );
    } else if !fields.has("angle_degrees") && given.len() < parts.len() {
        fields.wrong(
            given.first().copied().unwrap_or("angle_degrees"),
            "how wide it looks is missing",
            "Add a line: angle_degrees = 100\nor both: focal_millimetres = 2.8 and \
             sensor_millimetres = 5.4 (the sensor's width).",
        );
    }
    fields.finish(&[
        (
            "fov",
            "Did you mean angle_degrees? It is the horizontal angle.",
        ),
        ("distance", "Did you mean distance_metres?"),
    ]);
    Some(View {
        width_pixels: width,
        distance_metres: distance?,
        lens: lens?,
    })
}
