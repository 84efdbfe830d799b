//! Metrics of what a reload has taken out of the configuration. The library can't tell which label
//! sets a family has, so they are left out where the page is written. Their counters are kept: what
//! comes back goes on where it was.

use std::collections::{BTreeMap, BTreeSet};

use crate::config::Config;

/// What is told of a camera as long as the archive has something of it, configured or not.
const OF_ARCHIVE: [&str; 3] = [
    "forebay_archive_object_bytes{",
    "forebay_ladder_objects_total{",
    "forebay_ladder_bytes_total{",
];
const OF_ANALYSIS: &str = "forebay_analysis_";

/// Who is in the configuration no more.
#[derive(Debug, Default)]
pub(super) struct Gone {
    present: BTreeMap<String, Post>,
    /// Cameras that have been there, with all their sinks so far.
    seen: BTreeMap<String, BTreeSet<String>>,
    seen_sites: BTreeSet<String>,
    /// Nothing is looked at before something has changed.
    has_changed: bool,
}

/// A camera as it is in the configuration.
#[derive(Debug)]
struct Post {
    site: String,
    sinks: BTreeSet<String>,
    has_analysis: bool,
}

impl Gone {
    /// This is the configuration now: whoever was in one before and isn't any more is gone.
    pub(super) fn keep_only(&mut self, config: &Config) {
        self.has_changed = !self.seen.is_empty();
        self.present.clear();
        for camera in &config.cameras {
            let sinks = config.sinks_of(&camera.name);
            let post = Post {
                site: camera.site.to_string(),
                sinks: sinks.map(|sink| sink.name.to_string()).collect(),
                has_analysis: camera.analysis_url.is_some(),
            };
            let name = camera.name.to_string();
            let seen = self.seen.entry(name.clone()).or_default();
            seen.extend(post.sinks.iter().cloned());
            self.seen_sites.insert(post.site.clone());
            self.present.insert(name, post);
        }
    }

    /// The page without them.
    pub(super) fn without(&self, page: String) -> String {
        if !self.has_changed {
            return page;
        }
        let lines = page.split_inclusive('\n').filter(|line| !self.has(line));
        lines.collect()
    }

    fn has(&self, line: &str) -> bool {
        if line.starts_with('#') {
            return false;
        }
        let site = label(line, "site");
        let Some(camera) = label(line, "camera") else {
            return site.is_some_and(|site| {
                self.seen_sites.contains(site) && self.present.values().all(|at| at.site != site)
            });
        };
        let Some(seen) = self.seen.get(camera) else {
            return false;
        };
        let Some(post) = self.present.get(camera) else {
            return !OF_ARCHIVE.iter().any(|family| line.starts_with(family));
        };
        let of_analysis =
            line.starts_with(OF_ANALYSIS) || label(line, "stream") == Some("analysis");
        site.is_some_and(|site| site != post.site)
            || of_analysis && !post.has_analysis
            || label(line, "sink")
                .is_some_and(|sink| seen.contains(sink) && !post.sinks.contains(sink))
    }
}

/// The value of a label. Names have no quotes in them, and stand before what may have some.
fn label<'a>(line: &'a str, key: &str) -> Option<&'a str> {
    let mut rest = line.split_once('{')?.1;
    loop {
        let (name, value) = rest.split_once("=\"")?;
        let (value, after) = value.split_once('"')?;
        if name == key {
            return Some(value);
        }
        rest = after.strip_prefix(',')?;
    }
}

#[cfg(test)]
mod tests {
    use std::path::Path;

    use super::*;

    const PAGE: &str = "# TYPE a gauge\n\
        a{camera=\"gate\"} 1\n\
        a{camera=\"slipway\"} 2\n\
        b_total{camera=\"slipway\",sink=\"footage\"} 3\n\
        b_total{camera=\"slipway\",sink=\"stills\"} 4\n\
        c{site=\"boatyard\",limit=\"camera\"} 5\n\
        d{camera=\"slipway\",sink=\"stills\",name=\"camera=\"} 6\n\
        e 7\n\
        forebay_archive_object_bytes{camera=\"gate\",form=\"footage\"} 8\n\
        forebay_camera_info{camera=\"slipway\",site=\"boatyard\"} 9\n\
        # EOF\n";

    /// Cameras with their sites and sinks.
    fn configuration(cameras: &[(&str, &str, &[&str])]) -> Config {
        let mut text = String::from("[relay]\narchive = \"/srv/forebay\"\n");
        for site in ["boatyard", "harbour"] {
            text += &format!("[[site]]\nname = \"{site}\"\ntime_zone = \"Europe/Oslo\"\n");
        }
        for (camera, site, sinks) in cameras {
            text += &format!(
                "[[camera]]\nname = \"{camera}\"\nsite = \"{site}\"\nurl = \"rtsp://10.40.0.11/m\"\n"
            );
            for sink in *sinks {
                text += &format!(
                    "[[sink]]\nname = \"{sink}\"\nplugin = \"builtin:recorder\"\n\
                     cameras = [\"{camera}\"]\n"
                );
            }
        }
        crate::config::parse(&text, Path::new("forebay.toml")).unwrap()
    }

    /// What is told of them, by its values.
    fn told(gone: &Gone) -> String {
        let page = gone.without(PAGE.to_owned());
        let lines = page.lines().filter(|line| !line.starts_with('#'));
        lines.filter_map(|line| line.chars().last()).collect()
    }

    #[test]
    fn what_is_taken_out_is_told_no_more_and_comes_back() {
        let mut gone = Gone::default();
        let gate = ("gate", "boatyard", &[][..]);
        let both = ("slipway", "boatyard", &["footage", "stills"][..]);
        gone.keep_only(&configuration(&[gate, both]));
        assert_eq!(told(&gone), "123456789");
        gone.keep_only(&configuration(&[("slipway", "boatyard", &["footage"])]));
        assert_eq!(told(&gone), "235789");
        gone.keep_only(&configuration(&[gate]));
        assert_eq!(told(&gone), "1578");
        gone.keep_only(&configuration(&[gate, both]));
        assert_eq!(told(&gone), "123456789");
        // At another site: what was told of the one before is not true any more.
        let moved = ("slipway", "harbour", &["footage", "stills"][..]);
        gone.keep_only(&configuration(&[moved]));
        assert_eq!(told(&gone), "234678");
    }

    #[test]
    fn a_second_stream_that_is_left_out_is_told_no_more() {
        const PAGE: &str = "forebay_analysis_camera_units_total{camera=\"slipway\"} 1\n\
                            a{camera=\"slipway\",stream=\"analysis\"} 2\n\
                            a{camera=\"slipway\",stream=\"main\"} 3\n";
        let mut gone = Gone::default();
        let mut config = configuration(&[("slipway", "boatyard", &[])]);
        config.cameras[0].analysis_url = Some("rtsp://10.40.0.11/sub".parse().unwrap());
        gone.keep_only(&config);
        gone.keep_only(&config);
        assert_eq!(gone.without(PAGE.to_owned()), PAGE);
        config.cameras[0].analysis_url = None;
        gone.keep_only(&config);
        let left = gone.without(PAGE.to_owned());
        assert_eq!(left, "a{camera=\"slipway\",stream=\"main\"} 3\n");
    }
}
