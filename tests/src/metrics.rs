//! What a relay's `/metrics` says.

use std::collections::BTreeMap;

/// A page in the OpenMetrics text format.
#[derive(Debug, Clone)]
pub struct Metrics {
    text: String,
}

impl Metrics {
    /// Takes the page as it came.
    #[must_use]
    pub fn new(text: String) -> Self {
        Self { text }
    }

    /// The page.
    #[must_use]
    pub fn text(&self) -> &str {
        &self.text
    }

    /// Sum of all samples of that name whose labels include these; nothing if there is none.
    #[must_use]
    pub fn sum(&self, name: &str, labels: &[(&str, &str)]) -> Option<f64> {
        let samples = self.text.lines().filter_map(parse);
        let values: Vec<f64> = samples
            .filter(|(found, has, _)| {
                *found == name
                    && labels
                        .iter()
                        .all(|(key, value)| has.get(key) == Some(value))
            })
            .map(|(_, _, value)| value)
            .collect();
        (!values.is_empty()).then(|| values.iter().sum())
    }

    /// The same page in Prometheus's older text format, for tools that know only that: there a
    /// counter's family carries the suffix of its samples, and information is a gauge.
    #[must_use]
    pub fn classic(&self) -> String {
        let mut suffixes = BTreeMap::new();
        for line in self.text.lines() {
            if let Some((name, kind)) = line.strip_prefix("# TYPE ").and_then(|l| l.split_once(' '))
            {
                let suffix = BTreeMap::from([("counter", "_total"), ("info", "_info")]);
                suffixes.insert(name, suffix.get(kind).copied().unwrap_or_default());
            }
        }
        let renamed = self
            .text
            .lines()
            .filter(|line| !line.starts_with("# UNIT "))
            .map(|line| {
                let mut words = line.splitn(4, ' ');
                match (words.next(), words.next(), words.next(), words.next()) {
                    (Some("#"), Some(what @ ("TYPE" | "HELP")), Some(name), rest) => {
                        let suffix = suffixes.get(name).copied().unwrap_or_default();
                        let rest = rest.unwrap_or_default();
                        let rest = if what == "TYPE" && rest == "info" {
                            "gauge"
                        } else {
                            rest
                        };
                        format!("# {what} {name}{suffix} {rest}\n")
                    }
                    _ => format!("{line}\n"),
                }
            });
        renamed.filter(|line| line != "# EOF\n").collect()
    }
}

type Sample<'a> = (&'a str, BTreeMap<&'a str, &'a str>, f64);

/// Name, labels and value of a sample line. Label values in these tests hold no comma or quote.
fn parse(line: &str) -> Option<Sample<'_>> {
    if line.starts_with('#') {
        return None;
    }
    let (series, rest) = match line.split_once('}') {
        Some((series, rest)) => (series, rest.trim_start()),
        None => line.split_once(' ')?,
    };
    let value = rest.split(' ').next()?.parse().ok()?;
    let (name, labels) = series.split_once('{').unwrap_or((series, ""));
    let labels = labels.split(',').filter_map(|label| label.split_once('='));
    Some((
        name,
        labels
            .map(|(key, value)| (key, value.trim_matches('"')))
            .collect(),
        value,
    ))
}

#[cfg(test)]
mod tests {
    use super::*;

    const PAGE: &str = "# HELP forebay_units Units.\n# TYPE forebay_units counter\n\
        forebay_units_total{camera=\"gate\",track=\"video\"} 3\n\
        forebay_units_total{camera=\"gate\",track=\"audio\"} 4\n\
        forebay_units_total{camera=\"slipway\",track=\"video\"} 8\n\
        # TYPE forebay_hold_bytes gauge\n# UNIT forebay_hold_bytes bytes\n\
        forebay_hold_bytes 1.5e3\n# TYPE forebay_build info\n\
        forebay_build_info{version=\"0.1.0\"} 1\n# EOF\n";

    #[test]
    fn samples_are_summed_by_labels() {
        let page = Metrics::new(PAGE.into());
        assert_eq!(
            page.sum("forebay_units_total", &[("camera", "gate")]),
            Some(7.0)
        );
        assert_eq!(page.sum("forebay_units_total", &[]), Some(15.0));
        assert_eq!(page.sum("forebay_hold_bytes", &[]), Some(1500.0));
        assert_eq!(
            page.sum("forebay_units_total", &[("camera", "jetty")]),
            None
        );
    }

    #[test]
    fn the_older_format_names_families_by_their_samples() {
        let classic = Metrics::new(PAGE.into()).classic();
        assert!(
            classic.contains("# TYPE forebay_units_total counter\n"),
            "{classic}"
        );
        assert!(
            classic.contains("# HELP forebay_units_total Units.\n"),
            "{classic}"
        );
        assert!(
            classic.contains("# TYPE forebay_build_info gauge\n"),
            "{classic}"
        );
        assert!(
            !classic.contains("UNIT") && !classic.contains("EOF"),
            "{classic}"
        );
    }
}
