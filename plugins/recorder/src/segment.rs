//! The recorder: which units go into which file, and when a file begins and ends.
//!
//! A file begins at a unit of the main track where decoding can begin: the first there is, the
//! first after a wall-clock multiple of `segment_seconds`, and the first after anything that
//! breaks the times or the content of a file: new parameters (a track with a new id), a new
//! timeline, a discontinuity, times that jump. So a file has no hole but where units are missing
//! and decoding can't begin anew; such a hole keeps its true length, and no sample lasts over it.
//!
//! Units go to files by their order of arrival. Sound that comes before the picture that opens a
//! file belongs to the file before; where there is none, it is dropped and counted
//! (`units_skipped`), as is all that comes before decoding can begin.

use forebay_plugin_sdk::{Instant, Track, UnitInfo};

use crate::file::{Break, File};
use crate::host::Host;
use crate::mux;
use crate::settings::Settings;

/// Calls of [`Recorder::tick`], about one a second, before another object is tried after one
/// failed: at least one whole second.
const PAUSE_TICKS: u8 = 2;
/// A camera that holds back what an outage keeps it from sending goes on in the middle of a group,
/// which is lost without the file that has its beginning: so long it stays open at least.
const SILENCE_NANOS: i64 = 60_000_000_000;

/// Records one camera.
#[derive(Debug)]
pub struct Recorder<H: Host> {
    settings: Settings,
    host: H,
    main: Option<Track>,
    side: Option<Track>,
    file: Option<File<H>>,
    /// The next unit where decoding can begin begins a file.
    renew: bool,
    /// A unit of the main track came since the last tick.
    heard: bool,
    heard_at: Option<Instant>,
    pause: u8,
}

impl<H: Host> Recorder<H> {
    /// Waits for tracks.
    pub fn new(settings: Settings, host: H) -> Self {
        Self {
            settings,
            host,
            main: None,
            side: None,
            file: None,
            renew: false,
            heard: false,
            heard_at: None,
            pause: 0,
        }
    }

    /// What the recorder writes to.
    pub fn host(&self) -> &H {
        &self.host
    }

    /// As [`host`](Self::host), to change it.
    pub fn host_mut(&mut self) -> &mut H {
        &mut self.host
    }

    /// Chooses the first video and the first audio track that a file can hold, and returns their
    /// ids.
    pub fn tracks(&mut self, tracks: &[Track]) -> Vec<u32> {
        let video = self.choose(tracks, "video");
        let audio = if self.settings.audio {
            self.choose(tracks, "audio")
        } else {
            None
        };
        let (main, side) = if video.is_some() {
            (video, audio)
        } else {
            (audio, None)
        };

        let id = |track: &Option<Track>| track.as_ref().map(|track| track.id);
        if id(&main) != id(&self.main) {
            let closed = self.close(None);
            self.tell(closed);
        } else if id(&side) != id(&self.side) {
            self.renew = true;
        }
        let wanted = id(&main).into_iter().chain(id(&side)).collect();
        (self.main, self.side) = (main, side);
        wanted
    }

    fn choose(&mut self, tracks: &[Track], kind: &str) -> Option<Track> {
        for track in tracks.iter().filter(|track| track.kind == kind) {
            match mux::check(track) {
                Ok(()) => return Some(track.clone()),
                Err(error) => self.host.warn(&format!("track not recorded: {error}")),
            }
        }
        None
    }

    /// Takes units in order of arrival.
    ///
    /// # Errors
    /// The first thing that went wrong. The rest was done nevertheless.
    pub fn handle(
        &mut self,
        units: impl IntoIterator<Item = (UnitInfo, H::Unit)>,
    ) -> Result<(), String> {
        let mut result = Ok(());
        for (info, unit) in units {
            let done = self.unit(&info, unit);
            result = result.and(done);
        }
        result
    }

    fn unit(&mut self, info: &UnitInfo, unit: H::Unit) -> Result<(), String> {
        if let Some(main) = self.main.take_if(|main| main.id == info.track) {
            let done = self.main_unit(&main, info, unit);
            self.main = Some(main);
            return done;
        }
        match &mut self.file {
            Some(file) if file.has_side(info.track) => {
                let pushed = file.push_side(&mut self.host, info, unit, self.settings);
                self.note(pushed)
            }
            _ => {
                self.host.count("units_skipped", 1);
                Ok(())
            }
        }
    }

    fn main_unit(&mut self, main: &Track, info: &UnitInfo, unit: H::Unit) -> Result<(), String> {
        self.heard = true;
        let sync = info.random_access || main.kind == "audio" || main.codec == "jpeg";
        let mut closed = Ok(());
        if sync && let Some(file) = &self.file {
            let break_ = file.breaks_before(info, self.settings);
            if break_ == Some(Break::Times) {
                self.host
                    .warn("the camera's times jumped or its sound drifted off: a new file begins");
            }
            if break_.is_some() || self.renew {
                closed = self.close(Some(info));
            }
        }
        if self.file.is_none() {
            if !sync || self.pause > 0 {
                self.host.count("units_skipped", 1);
                return closed;
            }
            self.file = File::new(main, self.side.as_ref(), info.captured);
            self.renew = false;
        }
        let pushed = self.file.as_mut().map_or(Ok(()), |file| {
            file.push_main(&mut self.host, info, unit, sync, self.settings)
        });
        closed.and(self.note(pushed))
    }

    /// About once a second: writes what a camera that fell silent left behind, so that it becomes
    /// durable, and ends a file whose segment is long over.
    pub fn tick(&mut self, now: Instant) {
        self.pause = self.pause.saturating_sub(1);
        let heard_at = match self.heard_at {
            // A clock set back must not stretch the silence.
            Some(at) if !self.heard => at.min(now),
            _ => now,
        };
        (self.heard, self.heard_at) = (false, Some(heard_at));

        let segment = self.settings.segment_nanos();
        let patience = self.settings.fragment_nanos().saturating_mul(2);
        if now.saturating_sub(heard_at) > patience
            && let Some(file) = &mut self.file
        {
            let late = now.saturating_sub(file.segment_end(segment));
            let done = if late > segment.max(SILENCE_NANOS) {
                self.close(None)
            } else {
                let flushed = file.flush(&mut self.host);
                self.note(flushed)
            };
            self.tell(done);
        }
        let held = self.file.as_ref().map_or(0, File::held_units);
        self.host.gauge("held_units", held as f64);
    }

    /// Ends the file.
    pub fn stop(&mut self) {
        let closed = self.close(None);
        self.tell(closed);
    }

    fn close(&mut self, next: Option<&UnitInfo>) -> Result<(), String> {
        let finished = self
            .file
            .as_mut()
            .map_or(Ok(()), |file| file.finish(&mut self.host, next));
        let noted = self.note(finished);
        self.file = None;
        noted
    }

    /// After an error the file is of no more use: it is dropped, and the relay repairs it.
    fn note(&mut self, result: Result<(), String>) -> Result<(), String> {
        result.inspect_err(|_| {
            let lost = self.file.take().map_or(0, |file| file.held_units());
            self.host.count("units_lost", lost as u64);
            self.pause = PAUSE_TICKS;
        })
    }

    fn tell(&mut self, result: Result<(), String>) {
        if let Err(error) = result {
            self.host.warn(&error);
        }
    }
}
