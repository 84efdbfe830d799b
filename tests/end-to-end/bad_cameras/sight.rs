//! What `/metrics` told at one moment.

use std::collections::BTreeMap;

use forebay_tests::Metrics;

/// A camera's line at one moment.
#[derive(Debug, Default, Clone)]
pub(super) struct Line {
    /// Normally one; none or two for an instant between them.
    pub(super) phases: Vec<String>,
    /// Video units so far.
    pub(super) units: f64,
}

/// All of them.
#[derive(Debug, Default)]
pub(super) struct Sight {
    /// Unix seconds.
    pub(super) at: f64,
    /// Resident memory of the relay in bytes.
    pub(super) resident: f64,
    pub(super) lines: BTreeMap<String, Line>,
}

impl Sight {
    pub(super) fn read(at: f64, page: &Metrics) -> Self {
        let mut sight = Self {
            at,
            ..Self::default()
        };
        for line in page.text().lines() {
            let value = || line.rsplit(' ').next().unwrap().parse::<f64>().unwrap();
            let camera = || label(line, "camera").unwrap().to_owned();
            if line.starts_with("forebay_camera_phase{") && value() > 0.0 {
                let phase = label(line, "phase").unwrap().to_owned();
                sight.lines.entry(camera()).or_default().phases.push(phase);
            } else if line.starts_with("forebay_camera_units_total{") && line.contains("\"video\"")
            {
                sight.lines.entry(camera()).or_default().units = value();
            } else if line.starts_with("process_resident_memory_bytes ") {
                sight.resident = value();
            }
        }
        sight
    }

    pub(super) fn line(&self, camera: &str) -> &Line {
        self.lines
            .get(camera)
            .unwrap_or_else(|| panic!("/metrics doesn't know {camera}"))
    }
}

/// All samples of one family that belong to a camera: the value of another label, and theirs.
pub(super) fn by_label<'a>(
    page: &'a Metrics,
    name: &str,
    camera: &str,
    other: &str,
) -> BTreeMap<&'a str, f64> {
    let begin = format!("{name}{{");
    let lines = page.text().lines().filter(|line| line.starts_with(&begin));
    lines
        .filter(|line| label(line, "camera") == Some(camera))
        .map(|line| {
            let value = line.rsplit(' ').next().unwrap().parse().unwrap();
            (label(line, other).unwrap(), value)
        })
        .collect()
}

fn label<'a>(line: &'a str, name: &str) -> Option<&'a str> {
    let (_, rest) = line.split_once(&format!("{name}=\""))?;
    rest.split('"').next()
}
