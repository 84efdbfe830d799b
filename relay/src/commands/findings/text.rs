//! Tables for a terminal.

use std::io::{self, Write};

use super::Teller;
use crate::archive::findings::{Episode, Passed, Region};
use crate::archive::ledger::Span;
use crate::config::Site;
use crate::coverage::{length, local, local_long, plain};
use crate::units::{CaptureTime, Name};

pub(super) struct Text<W> {
    out: W,
    begun: bool,
    /// Of the present camera.
    number: u64,
}

impl<W: Write> Text<W> {
    pub(super) fn new(out: W) -> Self {
        Self {
            out,
            begun: false,
            number: 0,
        }
    }

    fn line(&mut self, text: &str) -> io::Result<()> {
        writeln!(self.out, "{}", text.trim_end())
    }

    fn row(
        &mut self,
        [begin, end, length, sink, kind, score, region]: [&str; 7],
        text: &str,
    ) -> io::Result<()> {
        self.line(&format!(
            "  {begin:<28}  {end:<28}  {length:>15}  {sink:<12}  {kind:<14}  {score:>5}  \
             {region:<24}  {text}"
        ))
    }
}

impl<W: Write> Teller for Text<W> {
    fn begin(&mut self, _: CaptureTime) -> io::Result<()> {
        Ok(())
    }

    fn site(&mut self, site: &Site, window: Span) -> io::Result<()> {
        if std::mem::replace(&mut self.begun, true) {
            self.line("")?;
        }
        let zone = &site.time_zone;
        self.line(&format!(
            "Site {}, times of {}",
            site.name, site.time_zone_name
        ))?;
        self.line(&format!("from  {}", local_long(window.begin, zone)))?;
        self.line(&format!("to    {}", local_long(window.end, zone)))
    }

    fn camera(&mut self, _: &Site, camera: &Name) -> io::Result<()> {
        self.number = 0;
        self.line("")?;
        self.line(camera.as_str())
    }

    fn episode(&mut self, site: &Site, _: &Name, episode: &Episode) -> io::Result<()> {
        self.number += 1;
        if self.number == 1 {
            let heading = ["begin", "end", "length", "sink", "kind", "score", "region"];
            self.row(heading, "text")?;
        }
        let local = |time| local(time, &site.time_zone);
        let begin = episode.begin.map_or_else(|| "not told".to_owned(), local);
        let (end, long) = match (episode.end, episode.lasts) {
            (Some(end), _) => (local(end), episode.nanos().map_or_else(String::new, length)),
            (None, true) => ("not ended".to_owned(), String::new()),
            (None, false) => (String::new(), String::new()),
        };
        let score = format!("{:.2}", episode.score);
        let region = episode.region.map_or_else(String::new, percents);
        let (sink, kind) = (episode.sink.as_str(), episode.kind.as_str());
        self.row(
            [&begin, &end, &long, sink, kind, &score, &region],
            &plain(&episode.text),
        )
    }

    fn camera_end(&mut self, passed: Passed) -> io::Result<()> {
        if self.number == 0 {
            self.line("  nothing found")?;
        }
        if passed != Passed::default() {
            self.line(&format!(
                "  passed over: {} damaged lines, {} files that can't be read",
                passed.damaged_lines, passed.unreadable_files
            ))?;
        }
        Ok(())
    }

    fn site_end(&mut self) -> io::Result<()> {
        Ok(())
    }

    fn end(&mut self) -> io::Result<()> {
        Ok(())
    }
}

/// From left to right and from top to bottom, in percent: `x 25–38 y 50–75 %`.
fn percents(region: Region) -> String {
    let (right, bottom) = (region.left + region.width, region.top + region.height);
    let percent = |share: f64| (share * 100.0).round();
    format!(
        "x {}–{} y {}–{} %",
        percent(region.left),
        percent(right),
        percent(region.top),
        percent(bottom)
    )
}
