//! One file: places units, gathers them to fragments and writes these.

use forebay_plugin_sdk::{Instant, Track, UnitInfo};

use crate::fragment::{BYTES_MAX, Fragment, Held, UNITS_MAX};
use crate::host::Host;
use crate::mux::{self, Anchor, Delayed, MOVIE_RATE, Run, Sample};
use crate::settings::Settings;
use crate::timing::{Clock, MainLine, SideLine, decode_times, distance, durations, reordering};

/// More pictures than a decoder may hold back for reordering: 16, H.264 and H.265 annex A.
const REORDER_MAX: usize = 17;
/// A picture's duration before anything told it; 1/25 s is customary.
const USUAL_NANOS: i64 = 40_000_000;
/// Numbers of the tracks in the file.
const MAIN: u32 = 1;
const SIDE: u32 = 2;

/// Why a unit of the main track can't go on in a file.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Break {
    /// The segment is full.
    Segment,
    /// Something is missing before it.
    Discontinuity,
    /// A new session with the camera.
    Timeline,
    /// Times that jumped, or sound and picture that drifted apart.
    Times,
}

/// Numbers of a track that is being written.
#[derive(Debug)]
struct Written {
    clock: Clock,
    /// Ticks between the unit that opened the file and time 0 of the file.
    shift: i64,
    /// Ticks that presentation times are ahead, so that no composition offset is negative. A
    /// negative one is lawful (`trun` version 1), but ffmpeg 5.1 then shows the whole track late,
    /// and so out of step with the sound. An edit list takes the delay back.
    delay: i64,
    /// What comes is decoded later than this.
    decoded: Option<i64>,
    /// Where the last sample ends.
    end: i64,
    /// The last duration: the best guess for the next.
    usual: u32,
}

impl Written {
    fn new(clock: Clock) -> Self {
        let usual = u32::try_from(clock.ticks(USUAL_NANOS))
            .unwrap_or(u32::MAX)
            .max(1);
        Self {
            clock,
            shift: 0,
            delay: 0,
            decoded: None,
            end: 0,
            usual,
        }
    }

    /// Turns held units into samples. `next`: presentation time of what follows, where known.
    fn run<U>(&mut self, track: u32, held: &[Held<U>], next: Option<i64>) -> Option<Run> {
        // Nothing is shown before the file begins: only nonsense would be.
        let shown = |time: i64| time.saturating_add(self.shift).max(0);
        let decode = decode_times(held.iter().map(|h| shown(h.time)), self.decoded);
        let told = held.last().map_or(0, |h| h.duration);
        let next = next.map(shown);
        // A file's first fragment may end with silence: nothing but itself tells how long a unit is.
        let before = match decode.as_slice() {
            [.., before, last] => distance(*before, *last),
            _ => self.usual,
        };
        let usual = if told > 0 { told } else { before };
        let durations = durations(&decode, next, usual);

        let samples: Vec<Sample> = held
            .iter()
            .zip(decode.iter().zip(&durations))
            .map(|(h, (decode, duration))| Sample {
                duration: *duration,
                size: h.size,
                sync: h.sync,
                offset: shown(h.time)
                    .saturating_add(self.delay)
                    .saturating_sub(*decode),
            })
            .collect();
        let (first, last) = (decode.first()?, decode.last()?);
        self.usual = *durations.last()?;
        self.end = last.saturating_add(i64::from(self.usual));
        // Where what follows was not known, the last duration is a guess: what comes a little
        // earlier is decoded at its end nevertheless, and shown in time by its offset.
        self.decoded = Some(self.end.saturating_sub(1));
        Some(Run {
            track,
            start: u64::try_from(*first).unwrap_or(0),
            samples,
        })
    }

    fn anchor<U>(&self, track: u32, held: &Held<U>) -> Anchor {
        let time = held
            .time
            .saturating_add(self.shift)
            .saturating_add(self.delay);
        let time = u64::try_from(time).unwrap_or(0);
        Anchor {
            track,
            time,
            captured: held.captured,
        }
    }
}

/// A file that is being written. It is built on a main track (the video, or the sound of a camera
/// without video); sound beside video is the side track.
#[derive(Debug)]
pub(crate) struct File<H: Host> {
    object: Option<H::Object>,
    main_track: Track,
    side_track: Option<(Track, Clock)>,
    main: MainLine,
    side: Option<SideLine>,
    main_written: Written,
    side_written: Option<Written>,
    /// Capture time of the unit that opened the file.
    opened: Instant,
    /// Capture time of what is shown first.
    begin: Instant,
    /// Capture time at which what was written ends.
    end: Instant,
    /// Cut, but with reordering the first decode time of the next fragment, and so the duration of
    /// this one's last sample, is known only some units later.
    closing: Option<Fragment<H::Unit>>,
    open: Fragment<H::Unit>,
    sequence: u32,
    duration_at: u64,
}

impl<H: Host> File<H> {
    /// Begins a file with a unit of the main track, which must follow by [`push_main`].
    pub(crate) fn new(
        main_track: &Track,
        side_track: Option<&Track>,
        opened: Instant,
    ) -> Option<Self> {
        let clock = Clock::new(main_track.clock_rate)?;
        let side_track = side_track.and_then(|t| Some((t.clone(), Clock::new(t.clock_rate)?)));
        let side_clock = side_track.as_ref().map(|(_, clock)| *clock);
        Some(Self {
            object: None,
            main_track: main_track.clone(),
            side_track,
            main: MainLine::new(clock),
            side: side_clock.map(SideLine::new),
            main_written: Written::new(clock),
            side_written: side_clock.map(Written::new),
            opened,
            begin: opened,
            end: opened,
            closing: None,
            open: Fragment::default(),
            sequence: 0,
            duration_at: 0,
        })
    }

    /// Whether a unit of the main track where decoding can begin must begin a new file instead.
    pub(crate) fn breaks_before(&self, info: &UnitInfo, settings: Settings) -> Option<Break> {
        if self
            .main
            .timeline()
            .is_some_and(|timeline| timeline != info.timeline)
        {
            return Some(Break::Timeline);
        }
        let early = self.side.as_ref().is_some_and(SideLine::early);
        if self.main.expected_random_access(info).is_none() || self.main.broken() || early {
            return Some(Break::Times);
        }
        if info.discontinuity {
            return Some(Break::Discontinuity);
        }
        let segment = settings.segment_nanos();
        let ended = info.captured >= self.segment_end(segment);
        // Far before its beginning: the estimate of capture times was repaired.
        let before = info.captured < self.opened.saturating_sub(segment);
        (ended || before).then_some(Break::Segment)
    }

    /// The wall-clock multiple of `segment` nanoseconds at which the file should end.
    pub(crate) fn segment_end(&self, segment: i64) -> Instant {
        self.opened
            .div_euclid(segment)
            .saturating_add(1)
            .saturating_mul(segment)
    }

    /// Units not written yet.
    pub(crate) fn held_units(&self) -> usize {
        self.open.units() + self.closing.as_ref().map_or(0, Fragment::units)
    }

    /// Whether the side track with this id has a place in the file.
    pub(crate) fn has_side(&self, id: u32) -> bool {
        self.side_track
            .as_ref()
            .is_some_and(|(track, _)| track.id == id)
    }

    /// Takes a unit of the main track.
    pub(crate) fn push_main(
        &mut self,
        host: &mut H,
        info: &UnitInfo,
        unit: H::Unit,
        sync: bool,
        settings: Settings,
    ) -> Result<(), String> {
        let expected = self.main.expected(info);
        let hole = info.discontinuity || expected.is_some_and(|time| self.main.hole_before(time));
        let time = self.main.place(info, self.main_written.usual);
        let room = if hole {
            // Samples of a fragment follow each other: only between fragments time can be left
            // out, and a sample must not last over what is missing.
            self.flush(host)
        } else {
            self.make_room(host, info, time, sync, settings)
        };
        // Held also where there is no room, so that it is counted with what is lost.
        self.open.push_main(Held::new(info, unit, time, sync));
        room?;
        if self.main.reordered() {
            Ok(())
        } else {
            self.write_closing(host)
        }
    }

    /// Writes and cuts as is due before a unit of the main track at `time`.
    fn make_room(
        &mut self,
        host: &mut H,
        info: &UnitInfo,
        time: i64,
        sync: bool,
        settings: Settings,
    ) -> Result<(), String> {
        let begun = self.open.main.first().map(|held| held.time);
        let settled =
            begun.is_some_and(|first| time > first) || self.open.main.len() >= REORDER_MAX;
        if settled {
            self.write_closing(host)?;
        }
        if self.full(info) {
            self.write_closing(host)?;
            return self.write_open(host, Some(time));
        }
        let Written { clock, usual, .. } = self.main_written;
        let limit = clock.ticks(settings.fragment_nanos());
        // The first fragment tells by how much the stream reorders, and one picture tells nothing
        // of that: where they are far apart, the second one already fills it.
        let untold = self.object.is_none() && !sync && self.open.main.len() < 2;
        if self.closing.is_none() && !untold && self.open.ends_before(time, sync, limit, usual) {
            self.closing = Some(std::mem::take(&mut self.open));
        }
        Ok(())
    }

    /// Takes a unit of the side track.
    pub(crate) fn push_side(
        &mut self,
        host: &mut H,
        info: &UnitInfo,
        unit: H::Unit,
        settings: Settings,
    ) -> Result<(), String> {
        let (Some(line), Some(written), Some(main)) =
            (&mut self.side, &self.side_written, self.main.point())
        else {
            return Ok(());
        };
        let time = line.place(info, main);
        // While the main track pauses, nothing else cuts.
        let limit = written
            .clock
            .ticks(settings.fragment_nanos().saturating_mul(2));
        let first = self.open.side.first().map(|held| held.time);
        let long = first.is_some_and(|first| time.saturating_sub(first) >= limit);
        let room = if long || self.full(info) {
            self.flush(host)
        } else {
            Ok(())
        };
        self.open.push_side(Held::new(info, unit, time, true));
        room
    }

    fn full(&self, info: &UnitInfo) -> bool {
        let bytes = self.open.bytes() + self.closing.as_ref().map_or(0, Fragment::bytes);
        let units = self.held_units();
        units >= UNITS_MAX || (units > 0 && bytes + u64::from(info.size) > BYTES_MAX)
    }

    /// Writes all that is held.
    pub(crate) fn flush(&mut self, host: &mut H) -> Result<(), String> {
        self.write_closing(host)?;
        self.write_open(host, None)
    }

    fn write_closing(&mut self, host: &mut H) -> Result<(), String> {
        let next = self.open.first_shown();
        self.closing
            .take()
            .map_or(Ok(()), |fragment| self.write(host, fragment, next))
    }

    fn write_open(&mut self, host: &mut H, next: Option<i64>) -> Result<(), String> {
        let fragment = std::mem::take(&mut self.open);
        self.write(host, fragment, next)
    }

    /// Writes what is held and publishes the file. `next`: the unit of the main track that begins
    /// the next file.
    pub(crate) fn finish(&mut self, host: &mut H, next: Option<&UnitInfo>) -> Result<(), String> {
        self.write_closing(host)?;
        // With reordering, the next file's first unit is not what is shown next.
        let next = next
            .filter(|info| !self.main.reordered() && !info.discontinuity)
            .and_then(|info| self.main.expected_random_access(info))
            .filter(|time| !self.main.hole_before(*time));
        self.write_open(host, next)?;
        let Some(object) = self.object.take() else {
            return Ok(());
        };
        let sides = self.side_written.iter();
        let nanos = sides
            .chain([&self.main_written])
            .map(|w| w.clock.nanos(w.end))
            .max();
        let millis = nanos.unwrap_or(0) / (1_000_000_000 / i64::from(MOVIE_RATE));
        host.patch(&object, self.duration_at, &millis.to_be_bytes())?;
        host.finish(object, self.end.max(self.begin))?;
        host.count("segments", 1);
        Ok(())
    }

    fn write(
        &mut self,
        host: &mut H,
        fragment: Fragment<H::Unit>,
        next: Option<i64>,
    ) -> Result<(), String> {
        if fragment.is_empty() {
            return Ok(());
        }
        let written = self.try_write(host, &fragment, next);
        if written.is_err() {
            host.count("units_lost", fragment.units() as u64);
        }
        written
    }

    fn try_write(
        &mut self,
        host: &mut H,
        fragment: &Fragment<H::Unit>,
        next: Option<i64>,
    ) -> Result<(), String> {
        if self.object.is_none() {
            self.create(host, fragment)?;
        }
        let Some(object) = &self.object else {
            return Ok(());
        };

        let main = self.main_written.run(MAIN, &fragment.main, next);
        let side = self
            .side_written
            .as_mut()
            .and_then(|w| w.run(SIDE, &fragment.side, None));
        let anchor = match (
            fragment.main.first(),
            fragment.side.first(),
            &self.side_written,
        ) {
            (Some(held), ..) => self.main_written.anchor(MAIN, held),
            (None, Some(held), Some(written)) => written.anchor(SIDE, held),
            _ => return Ok(()),
        };
        self.sequence = self.sequence.wrapping_add(1);
        let runs: Vec<Run> = main.into_iter().chain(side).collect();
        let head = mux::fragment(self.sequence, anchor, &runs).map_err(|e| e.to_string())?;
        let payloads: Vec<&H::Unit> = fragment
            .main
            .iter()
            .chain(&fragment.side)
            .map(|held| &held.unit)
            .collect();
        host.append(object, head, &payloads)?;
        host.count("fragments", 1);

        if let Some(captured) = fragment.main.iter().map(|held| held.captured).max() {
            let last = self
                .main_written
                .clock
                .nanos(self.main_written.usual.into());
            self.end = self.end.max(captured.saturating_add(last));
        }
        Ok(())
    }

    /// Creates the object. The first fragment tells what is shown first: the unit that opened the
    /// file, a picture that follows it but is shown before it, or sound captured before it. That
    /// is at time 0, and the others are shifted by as much.
    fn create(&mut self, host: &mut H, first: &Fragment<H::Unit>) -> Result<(), String> {
        let main_first = first.first_shown().unwrap_or(0);
        let side_first = first.side.iter().map(|held| held.time).min().unwrap_or(0);
        let main_lead = self.main_written.clock.nanos(main_first.saturating_neg());
        let side_lead = self
            .side_written
            .as_ref()
            .map_or(0, |side| side.clock.nanos(side_first.saturating_neg()));
        let lead = main_lead.max(side_lead).max(0);
        self.main_written.shift = self.main_written.clock.ticks(lead);
        if let Some(side) = &mut self.side_written {
            side.shift = side.clock.ticks(lead);
            self.side
                .iter_mut()
                .for_each(|line| line.begin(-side.shift));
        }
        self.begin = self.opened.saturating_sub(lead);
        // A stream that reorders does so from its first group on.
        self.main_written.delay = reordering(first.main.iter().map(|held| held.time));

        let delay = u64::try_from(self.main_written.delay).unwrap_or(0);
        let side = self.side_track.as_ref().map(|(track, _)| (track, 0));
        let tracks: Vec<Delayed<'_>> = [(&self.main_track, delay)]
            .into_iter()
            .chain(side)
            .collect();
        let header = mux::header(&tracks, self.begin).map_err(|e| e.to_string())?;
        self.duration_at = header.duration_at;
        let object = host.create(self.begin)?;
        host.append(&object, header.bytes, &[])?;
        self.object = Some(object);
        Ok(())
    }
}
