//! Metrics of what a reload has taken out of the configuration. The library can't tell which label
//! sets a family has, so they are left out where the page is written. Their counters are kept: what
//! comes back goes on where it was.

use std::collections::{BTreeMap, BTreeSet};

use crate::units::{CameraName, Name, SinkName};

/// Who is in the configuration no more. Empty until something has been taken out: then nothing is
/// looked at.
#[derive(Debug, Default)]
pub(super) struct Gone {
    seen: BTreeMap<CameraName, BTreeSet<SinkName>>,
    cameras: BTreeSet<CameraName>,
    sinks: BTreeSet<(CameraName, SinkName)>,
}

impl Gone {
    /// These are in the configuration now, and whoever was before and isn't any more is gone.
    pub(super) fn keep_only<'a>(
        &mut self,
        present: impl Iterator<Item = (&'a CameraName, Vec<&'a Name>)>,
    ) {
        let present: BTreeMap<_, BTreeSet<_>> = present
            .map(|(camera, sinks)| (camera.clone(), sinks.into_iter().cloned().collect()))
            .collect();
        for (camera, sinks) in &self.seen {
            match present.get(camera) {
                None => {
                    self.cameras.insert(camera.clone());
                }
                Some(now) => {
                    let gone = sinks.difference(now).cloned();
                    self.sinks.extend(gone.map(|sink| (camera.clone(), sink)));
                }
            }
        }
        for (camera, sinks) in present {
            self.cameras.remove(&camera);
            for sink in &sinks {
                self.sinks.remove(&(camera.clone(), sink.clone()));
            }
            self.seen.entry(camera).or_default().extend(sinks);
        }
    }

    /// The page without them.
    pub(super) fn without(&self, page: String) -> String {
        if self.cameras.is_empty() && self.sinks.is_empty() {
            return page;
        }
        let lines = page.split_inclusive('\n').filter(|line| !self.has(line));
        lines.collect()
    }

    fn has(&self, line: &str) -> bool {
        if line.starts_with('#') {
            return false;
        }
        let Some(camera) = label(line, "camera").and_then(|name| Name::new(name).ok()) else {
            return false;
        };
        if self.cameras.contains(&camera) {
            return true;
        }
        let sink = label(line, "sink").and_then(|name| Name::new(name).ok());
        sink.is_some_and(|sink| self.sinks.contains(&(camera, sink)))
    }
}

/// The value of a label. Names have no quotes in them.
fn label<'a>(line: &'a str, key: &str) -> Option<&'a str> {
    let labels = line.split_once('{')?.1;
    let begin = |at: usize| at == 0 || labels.as_bytes().get(at.wrapping_sub(1)) == Some(&b',');
    let (at, _) = labels.match_indices(key).find(|(at, _)| {
        begin(*at) && labels.get(at + key.len()..at + key.len() + 2) == Some("=\"")
    })?;
    let value = labels.get(at + key.len() + 2..)?;
    value.split_once('"').map(|(value, _)| value)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn name(text: &str) -> Name {
        Name::new(text).unwrap()
    }

    const PAGE: &str = "# TYPE a gauge\n\
        a{camera=\"gate\"} 1\n\
        a{camera=\"slipway\"} 2\n\
        b_total{camera=\"slipway\",sink=\"footage\"} 3\n\
        b_total{camera=\"slipway\",sink=\"stills\"} 4\n\
        c{site=\"boatyard\",limit=\"camera\"} 5\n\
        d{camera=\"slipway\",sink=\"stills\",name=\"camera=\"} 6\n\
        # EOF\n";

    /// What is told of them, by its values.
    fn told(gone: &Gone) -> String {
        let page = gone.without(PAGE.to_owned());
        let lines = page.lines().filter(|line| !line.starts_with('#'));
        lines.filter_map(|line| line.chars().last()).collect()
    }

    #[test]
    fn what_is_taken_out_is_told_no_more_and_comes_back() {
        let (gate, slipway) = (name("gate"), name("slipway"));
        let (footage, stills) = (name("footage"), name("stills"));
        let mut gone = Gone::default();
        let both = vec![&footage, &stills];
        gone.keep_only([(&gate, vec![]), (&slipway, both.clone())].into_iter());
        assert_eq!(told(&gone), "123456");
        gone.keep_only([(&slipway, vec![&footage])].into_iter());
        assert_eq!(told(&gone), "235");
        gone.keep_only([(&gate, vec![])].into_iter());
        assert_eq!(told(&gone), "15");
        gone.keep_only([(&gate, vec![]), (&slipway, both)].into_iter());
        assert_eq!(told(&gone), "123456");
    }
}
