//! Comma-separated values after RFC 4180: a heading, lines that end with CR and LF, fields quoted
//! where they must be.

use std::io::{self, Write};

use super::{Teller, utc};
use crate::archive::findings::{Episode, Passed};
use crate::archive::ledger::Span;
use crate::config::Site;
use crate::coverage::plain;
use crate::units::{CaptureTime, Name};

/// The columns: names and meaning stay, new ones come at the end. As in JSON, with `state` or
/// `instant` as phase.
const HEADING: [&str; 15] = [
    "site", "camera", "sink", "kind", "phase", "begin", "end", "seconds", "score", "stream",
    "left", "top", "width", "height", "text",
];

pub(super) struct Csv<W>(W);

impl<W: Write> Csv<W> {
    pub(super) fn new(out: W) -> Self {
        Self(out)
    }

    fn row<'a>(&mut self, fields: impl IntoIterator<Item = &'a str>) -> io::Result<()> {
        for (index, text) in fields.into_iter().enumerate() {
            if index > 0 {
                self.0.write_all(b",")?;
            }
            self.0.write_all(field(text).as_bytes())?;
        }
        self.0.write_all(b"\r\n")
    }
}

fn field(text: &str) -> String {
    match text.contains([',', '"', '\r', '\n']) {
        true => format!("\"{}\"", text.replace('"', "\"\"")),
        false => text.to_owned(),
    }
}

impl<W: Write> Teller for Csv<W> {
    fn begin(&mut self, _: CaptureTime) -> io::Result<()> {
        self.row(HEADING)
    }

    fn site(&mut self, _: &Site, _: Span) -> io::Result<()> {
        Ok(())
    }

    fn camera(&mut self, _: &Site, _: &Name) -> io::Result<()> {
        Ok(())
    }

    fn episode(&mut self, site: &Site, camera: &Name, episode: &Episode) -> io::Result<()> {
        let part = |pick: fn(&crate::archive::findings::Region) -> f64| {
            episode
                .region
                .as_ref()
                .map_or_else(String::new, |r| pick(r).to_string())
        };
        let time = |time: Option<CaptureTime>| time.map_or_else(String::new, utc);
        let seconds = episode
            .nanos()
            .map(|nanos| (nanos as f64 / 1e9).to_string());
        self.row([
            site.name.as_str(),
            camera.as_str(),
            episode.sink.as_str(),
            &episode.kind,
            if episode.lasts { "state" } else { "instant" },
            &time(episode.begin),
            &time(episode.end),
            &seconds.unwrap_or_default(),
            &episode.score.to_string(),
            episode.source.as_str(),
            &part(|region| region.left),
            &part(|region| region.top),
            &part(|region| region.width),
            &part(|region| region.height),
            &plain(&episode.text),
        ])
    }

    fn camera_end(&mut self, _: Passed) -> io::Result<()> {
        Ok(())
    }

    fn site_end(&mut self) -> io::Result<()> {
        Ok(())
    }

    fn end(&mut self) -> io::Result<()> {
        Ok(())
    }
}
