//! One JSON object, for scripts, a finding a line.
//!
//! Names of fields and their meaning stay; new fields may come. [`VERSION`] changes when one goes
//! or means something else. Times are RFC 3339 in UTC.

use std::io::{self, Write};

use super::Teller;
use crate::archive::findings::{Episode, Passed, Row, utc};
use crate::archive::ledger::Span;
use crate::config::Site;
use crate::units::{CaptureTime, Name};

/// Of the object's shape.
const VERSION: u32 = 1;

pub(super) struct Json<W> {
    out: W,
    /// The first of its list, for each level: sites, cameras, findings.
    first: [bool; 3],
}

impl<W: Write> Json<W> {
    pub(super) fn new(out: W) -> Self {
        Self {
            out,
            first: [true; 3],
        }
    }

    /// Parts an entry from the one before.
    fn part(&mut self, level: usize) -> io::Result<()> {
        let first = self.first.get_mut(level).is_none_or(std::mem::take);
        for below in self.first.iter_mut().skip(level + 1) {
            *below = true;
        }
        self.out.write_all(if first { b"\n" } else { b",\n" })
    }
}

fn quoted(text: &str) -> String {
    serde_json::Value::from(text).to_string()
}

impl<W: Write> Teller for Json<W> {
    fn begin(&mut self, made: CaptureTime) -> io::Result<()> {
        write!(
            self.out,
            r#"{{"format":"forebay-findings","version":{VERSION},"made":{},"sites":["#,
            quoted(&utc(made))
        )
    }

    fn site(&mut self, site: &Site, window: Span) -> io::Result<()> {
        self.part(0)?;
        write!(
            self.out,
            r#"{{"site":{},"time_zone":{},"begin":{},"end":{},"cameras":["#,
            quoted(site.name.as_str()),
            quoted(&site.time_zone_name),
            quoted(&utc(window.begin)),
            quoted(&utc(window.end))
        )
    }

    fn camera(&mut self, _: &Site, camera: &Name) -> io::Result<()> {
        self.part(1)?;
        let camera = quoted(camera.as_str());
        write!(self.out, r#"{{"camera":{camera},"findings":["#)
    }

    fn episode(&mut self, _: &Site, _: &Name, episode: &Episode) -> io::Result<()> {
        self.part(2)?;
        let row = Row::from(episode);
        serde_json::to_writer(&mut self.out, &row).map_err(io::Error::from)
    }

    fn camera_end(&mut self, passed: Passed) -> io::Result<()> {
        write!(
            self.out,
            "\n],\"damaged_lines\":{},\"unreadable_files\":{}}}",
            passed.damaged_lines, passed.unreadable_files
        )
    }

    fn site_end(&mut self) -> io::Result<()> {
        write!(self.out, "\n]}}")
    }

    fn end(&mut self) -> io::Result<()> {
        writeln!(self.out, "\n]}}")
    }
}
