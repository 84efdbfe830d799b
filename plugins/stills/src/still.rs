//! One still: its file, its measures, and what is said of both.

use forebay_plugin_sdk::{Finding, Instant};
use jiff::tz::TimeZone;

use crate::exif::{self, Position, Tags};
use crate::frame::Frame;
use crate::jpeg;
use crate::measure::{laplacian_variance, mean_luma, sharpness_score};
use crate::schedule::timestamp;

/// Who took it.
const SOFTWARE: &str = concat!("Forebay ", env!("CARGO_PKG_VERSION"));

/// What all stills of a camera have in common.
#[derive(Debug, Clone)]
pub struct Origin {
    /// Its name.
    pub camera: String,
    /// Its site's name.
    pub site: String,
    /// The site's.
    pub zone: TimeZone,
    /// Where the site is.
    pub position: Option<Position>,
}

/// An instant in the time of a zone: "2026-05-04T09:31:00+02:00".
#[must_use]
pub fn local_text(at: Instant, zone: &TimeZone) -> String {
    let time = timestamp(at).to_zoned(zone.clone());
    time.strftime("%Y-%m-%dT%H:%M:%S%:z").to_string()
}

/// A span for people: "1.3 s", "12 min 30 s", "3 h 5 min".
#[must_use]
pub fn span_text(nanos: i64) -> String {
    let tenths = nanos.unsigned_abs() / 100_000_000;
    let seconds = tenths / 10;
    match seconds {
        0..60 => format!("{}.{} s", seconds, tenths % 10),
        60..3600 => format!("{} min {} s", seconds / 60, seconds % 60),
        _ => format!("{} h {} min", seconds / 3600, seconds % 3600 / 60),
    }
}

/// The file of a picture that stands for `wanted`.
///
/// # Errors
/// A text that says why there is none.
pub fn file(
    frame: &Frame<'_>,
    wanted: Instant,
    origin: &Origin,
    quality: u8,
) -> Result<Vec<u8>, String> {
    let luma = frame.luma();
    let size = |side: usize| u32::try_from(side).unwrap_or_default();
    let time = timestamp(frame.captured).to_zoned(origin.zone.clone());
    let comment = comment(frame, wanted, origin);
    let tags = Tags {
        description: &format!("{}, {}", origin.camera, origin.site),
        software: SOFTWARE,
        local: &time.strftime("%Y:%m:%d %H:%M:%S").to_string(),
        subsecond: &time.strftime("%3f").to_string(),
        // Hours and minutes, which is all that the tag holds.
        offset: &time
            .strftime("%:z")
            .to_string()
            .chars()
            .take(6)
            .collect::<String>(),
        comment: &comment,
        size: (size(luma.width()), size(luma.height())),
        position: origin.position,
    };
    jpeg::encode(frame, quality, &exif::tiff(&tags))
        .map_err(|error| format!("the picture can't be made a JPEG: {error}"))
}

/// A JSON object in ASCII, for whoever wants to read a still by program: the names as they are
/// written, and times in UTC.
fn comment(frame: &Frame<'_>, wanted: Instant, origin: &Origin) -> String {
    format!(
        "{{\"camera\":{},\"site\":{},\"captured\":\"{:.3}\",\"uncertainty_seconds\":{:.3},\
         \"wanted\":\"{}\"}}",
        json(&origin.camera),
        json(&origin.site),
        timestamp(frame.captured),
        frame.uncertainty_nanos as f64 / 1e9,
        timestamp(wanted),
    )
}

/// A string of JSON (RFC 8259, section 7) with all that is not ASCII escaped.
fn json(text: &str) -> String {
    let mut out = String::from("\"");
    for c in text.chars() {
        match c {
            '"' | '\\' => out.extend(['\\', c]),
            ' '..='~' => out.push(c),
            _ => {
                let mut units = [0; 2];
                for unit in c.encode_utf16(&mut units) {
                    out.push_str(&format!("\\u{unit:04x}"));
                }
            }
        }
    }
    out.push('"');
    out
}

/// What is found in a still of `bytes`.
#[must_use]
pub fn findings(frame: &Frame<'_>, wanted: Instant, origin: &Origin, bytes: usize) -> Vec<Finding> {
    let at = frame.captured;
    let luma = frame.luma();
    let variance = laplacian_variance(luma);
    let mean = mean_luma(luma);
    let off = at.saturating_sub(wanted);
    let side = if off < 0 { "before" } else { "after" };
    let still = format!(
        "{}x{}, {} kB, {} {side} {}",
        luma.width(),
        luma.height(),
        bytes.div_ceil(1000),
        span_text(off),
        local_text(wanted, &origin.zone),
    );
    vec![
        Finding::mark("still", 1.0, at).saying(still),
        Finding::mark("sharpness", sharpness_score(variance), at)
            .saying(format!("variance of the Laplacian {variance:.1}")),
        Finding::mark("brightness", mean / 255.0, at).saying(format!("mean luma {mean:.1} of 255")),
    ]
}
