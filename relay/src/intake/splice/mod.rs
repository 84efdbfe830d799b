//! Two sessions with a camera become one stream.
//!
//! While a fresh session plays beside the kept one, its units wait here. What the kept one still
//! drains goes on, up to the fresh one's first random access point; there the fresh one takes over.
//! The same picture is known in both by its bytes: an encoder makes it once, for all its viewers.
//! That ties the media times of the sessions exactly, so that no unit passes twice, none is left
//! out, and the sinks see one timeline. Without a picture in common the sender reports of both
//! sessions may tie them (`clock.rs`); else order goes by capture time, and the seam is marked.
//!
//! Pure: units go in, units come out.

mod tail;

use std::collections::VecDeque;

use bytes::Bytes;

use crate::hold::{Track, TrackKind};
use tail::{Seam, Tail};

/// Random access points remembered to recognise the fresh session's by.
const MARKS_MAX: usize = 16;
/// A kept session's unit this much later than the fresh one's first is behind the seam, even if it
/// is no random access point; nanoseconds.
const BEYOND_NANOS: i64 = 500_000_000;
/// A payload shorter than this may well come twice.
const FINGERPRINT_BYTES_MIN: usize = 64;
/// Units of sound that wait for a new session's first picture, which decides where they belong:
/// 10 s at 50 a second.
const EARLY_MAX: usize = 500;
/// A camera repeats a group or two at the begin of a session. What comes later and still looks like
/// the past is new: the capture times are wrong.
const PASSED_OVER_MAX: u32 = 4;
/// Counted for a waiting unit beside its payload.
const UNIT_OVERHEAD: usize = 256;

/// A unit past clock and gate.
#[derive(Debug, Clone)]
pub struct Passed {
    /// Which of the session's streams.
    pub stream: usize,
    /// Pictures or sound.
    pub kind: TrackKind,
    /// In ticks, on the session's own axis.
    pub media_time: i64,
    /// Ticks a second.
    pub clock_rate: u32,
    /// Ticks, or 0 where only the next unit tells.
    pub duration: u32,
    /// Capture time on the home's monotonic clock, in nanoseconds.
    pub captured: i64,
    /// Half-width of the interval around it that holds the truth.
    pub uncertainty_nanos: u64,
    /// Decoding can begin here.
    pub random_access: bool,
    /// Something of its session is missing before it, or its session's media time jumped.
    pub discontinuity: bool,
    /// Media time began anew within the session.
    pub restarted: bool,
    /// Packets missing before it.
    pub packets_lost: u16,
    /// How long it was on its way beyond the usual, in nanoseconds.
    pub delayed: i64,
    /// What its stream looks like from here on, where that is told.
    pub parameters: Option<Track>,
    /// The coded bytes.
    pub payload: Bytes,
}

impl Passed {
    /// Of a picture where decoding can begin, if it has enough bytes to be known by.
    fn fingerprint(&self) -> Option<Fingerprint> {
        let picture = self.kind == TrackKind::Video && self.random_access;
        picture.then(|| Fingerprint::of(&self.payload)).flatten()
    }
}

/// A unit on its way to the hold.
#[derive(Debug, Clone)]
pub struct Out {
    /// The unit; its media time is on the stream's axis now.
    pub unit: Passed,
    /// Media times begin anew: they can't be compared with those before.
    pub new_timeline: bool,
    /// Something is missing before it.
    pub discontinuity: bool,
    /// Capture time of the end of what came before in its track, where something is missing.
    pub missing_since: Option<i64>,
}

/// The same picture in both sessions.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Tie {
    /// The kept session's stream and ticks.
    pub kept: (usize, i64),
    /// The fresh session's.
    pub fresh: (usize, i64),
}

/// A picture's identity: length, head and tail. Coded pictures differ there, in the slice header at
/// the latest; to digest all of them would cost as much as the rest of intake.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
struct Fingerprint(u64);

impl Fingerprint {
    fn of(payload: &[u8]) -> Option<Self> {
        use std::hash::{DefaultHasher, Hash as _, Hasher as _};
        const EDGE: usize = 256;
        if payload.len() < FINGERPRINT_BYTES_MIN {
            return None;
        }
        let mut hasher = DefaultHasher::new();
        payload.len().hash(&mut hasher);
        let edge = payload.len().min(EDGE);
        payload.get(..edge)?.hash(&mut hasher);
        payload.get(payload.len() - edge..)?.hash(&mut hasher);
        Some(Self(hasher.finish()))
    }
}

/// A random access point that was let out.
#[derive(Debug, Clone, Copy)]
struct Mark {
    fingerprint: Fingerprint,
    /// Which of the sessions it came from.
    generation: u64,
    stream: usize,
    /// On the session's own axis.
    media_time: i64,
    /// On the axis let out.
    time: i64,
}

/// A session that has become the kept one, until its first units are let out.
#[derive(Debug)]
struct Join {
    has_video: bool,
    /// Ticks to add to the session's media times to get the axis let out, where known.
    video_offset: Option<i64>,
    audio_offset: Option<i64>,
    /// Whether the session goes on in the timeline before it; none while that is open.
    tied: Option<bool>,
    video_open: bool,
    audio_open: bool,
    /// Sound that came before the first picture.
    early: Vec<Passed>,
    /// Random access points that were taken for what was let out before.
    passed_over: u32,
}

/// Makes one stream of a camera's sessions.
#[derive(Debug)]
pub struct Splice {
    video: Tail,
    audio: Tail,
    marks: VecDeque<Mark>,
    generation: u64,
    join: Option<Join>,
    /// The fresh session's units that wait.
    queue: VecDeque<Passed>,
    queued_bytes: usize,
    bytes_max: usize,
    /// Of the kept and the fresh session.
    tie: Option<Tie>,
    /// Of the session before and the kept one, for who asks.
    told: Option<Tie>,
    /// The next unit that is let out begins a timeline.
    timeline_due: bool,
}

/// What to do with the sessions after a unit was taken.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Verdict {
    /// Go on.
    GoOn,
    /// The kept session has reached what the fresh one has: call [`Splice::take_over`].
    Reached,
}

impl Splice {
    /// Holds at most this many bytes of a fresh session back.
    #[must_use]
    pub fn new(bytes_max: usize) -> Self {
        Self {
            video: Tail::default(),
            audio: Tail::default(),
            marks: VecDeque::new(),
            generation: 0,
            join: None,
            queue: VecDeque::new(),
            queued_bytes: 0,
            bytes_max,
            tie: None,
            told: None,
            timeline_due: true,
        }
    }

    fn tail(&mut self, kind: TrackKind) -> &mut Tail {
        match kind {
            TrackKind::Video => &mut self.video,
            TrackKind::Audio => &mut self.audio,
        }
    }

    /// Capture time at which the pictures (or the sound, where there are none) that were let out
    /// end.
    #[must_use]
    pub fn end(&self) -> Option<i64> {
        self.video.end().or_else(|| self.audio.end())
    }

    /// The home clock was set: what comes next can't be compared with what came.
    pub fn begin_timeline(&mut self) {
        self.timeline_due = true;
    }

    /// The picture that the kept session (`fresh` in it) and the one before have in common, once
    /// one is found. Given once.
    pub fn take_tie(&mut self) -> Option<Tie> {
        self.told.take()
    }

    /// A session takes the kept one's place, or begins alone: what waits of it goes out but for
    /// what was let out before, and what it sends from now on comes by [`kept`](Self::kept).
    /// `offset` tells how many ticks to add to its media times of a kind to get those of the session
    /// before, where the clock knows.
    pub fn take_over(
        &mut self,
        has_video: bool,
        offset: impl Fn(TrackKind) -> Option<i64>,
        out: &mut Vec<Out>,
    ) {
        self.generation += 1;
        let queue = std::mem::take(&mut self.queue);
        self.queued_bytes = 0;
        self.told = self.tie.take();
        let tied = self.told.map(|tie| tie.kept.1.saturating_sub(tie.fresh.1));
        // Of the session before: one that has let nothing out yet may not know where it belongs.
        let (video, audio) = match &self.join {
            Some(join) if !join.video_open => (join.video_offset, join.audio_offset),
            _ => (Some(self.video.offset), Some(self.audio.offset)),
        };
        let on = |before: Option<i64>, ticks: i64| Some(before?.saturating_add(ticks));
        self.join = Some(Join {
            has_video,
            video_offset: tied
                .or_else(|| offset(TrackKind::Video))
                .and_then(|ticks| on(video, ticks)),
            audio_offset: offset(TrackKind::Audio).and_then(|ticks| on(audio, ticks)),
            tied: None,
            video_open: !has_video,
            audio_open: false,
            early: Vec::new(),
            passed_over: 0,
        });
        for unit in queue {
            self.join_in(unit, out);
        }
    }

    /// Takes a unit of the kept session: it goes out, unless the fresh session has it too.
    pub fn kept(&mut self, unit: Passed, out: &mut Vec<Out>) -> Verdict {
        if self.is_beyond(&unit) {
            return Verdict::Reached;
        }
        self.join_in(unit, out);
        Verdict::GoOn
    }

    /// Takes a unit of the fresh session, which waits.
    pub fn fresh(&mut self, unit: Passed) -> Verdict {
        if unit.restarted {
            self.tie = None;
        }
        if self.tie.is_none()
            && let Some(twin) = self.twin_in_marks(&unit)
        {
            self.tie_to(twin, &unit);
        }
        self.queued_bytes += unit.payload.len() + UNIT_OVERHEAD;
        self.queue.push_back(unit);
        // With a picture that was let out already the kept session is as far as the fresh one.
        if self.tie.is_some() || self.queued_bytes > self.bytes_max {
            Verdict::Reached
        } else {
            Verdict::GoOn
        }
    }

    /// What waits of the fresh session.
    #[must_use]
    pub fn waiting_bytes(&self) -> usize {
        self.queued_bytes
    }

    /// The fresh session is of no use.
    pub fn forget_fresh(&mut self) {
        self.queue.clear();
        (self.queued_bytes, self.tie) = (0, None);
    }

    /// Whether a unit of the kept session is at or behind the fresh session's first.
    fn is_beyond(&mut self, unit: &Passed) -> bool {
        let video = |unit: &&Passed| unit.kind == TrackKind::Video;
        let Some(first) = self.queue.iter().find(video) else {
            // Without pictures one unit is as good as another.
            let audio_only = self.video.last.is_none();
            return audio_only
                && self
                    .queue
                    .front()
                    .is_some_and(|first| unit.captured >= first.captured);
        };
        if unit.kind != TrackKind::Video {
            return false;
        }
        let first = first.captured;
        if !unit.random_access {
            return unit.captured >= first.saturating_add(BEYOND_NANOS);
        }
        if let Some(twin) = self.twin_in_queue(unit) {
            self.tie.get_or_insert(Tie {
                kept: (unit.stream, unit.media_time),
                fresh: twin,
            });
            return true;
        }
        unit.captured >= first.saturating_sub(self.video.usual_nanos() / 2)
    }

    fn twin_in_queue(&self, unit: &Passed) -> Option<(usize, i64)> {
        let fingerprint = unit.fingerprint()?;
        let mut twins = self
            .queue
            .iter()
            .filter(|queued| queued.fingerprint() == Some(fingerprint));
        let twin = twins.next()?;
        // Two alike: a picture that stands still tells nothing.
        let alone = twins.next().is_none();
        alone.then_some((twin.stream, twin.media_time))
    }

    fn twin_in_marks(&self, unit: &Passed) -> Option<Mark> {
        let fingerprint = unit.fingerprint()?;
        let mut twins = self
            .marks
            .iter()
            .filter(|mark| mark.fingerprint == fingerprint);
        let twin = twins.next()?;
        twins.next().is_none().then_some(*twin)
    }

    fn tie_to(&mut self, twin: Mark, unit: &Passed) {
        // Older sessions' axes are gone.
        if twin.generation == self.generation {
            self.tie = Some(Tie {
                kept: (twin.stream, twin.media_time),
                fresh: (unit.stream, unit.media_time),
            });
        }
    }

    /// Lets a unit of the kept session out, unless it was let out before.
    fn join_in(&mut self, unit: Passed, out: &mut Vec<Out>) {
        let Some(mut join) = self.join.take() else {
            return self.let_out(unit, out);
        };
        match unit.kind {
            TrackKind::Audio if !join.video_open => {
                join.early.push(unit);
                if join.early.len() >= EARLY_MAX {
                    join.video_open = true;
                    self.settle(&mut join);
                    self.flush_early(&mut join, out);
                }
            }
            TrackKind::Video if !join.video_open || join.tied.is_none() => {
                self.recognise(&mut join, &unit);
                let wrong = unit.random_access && join.passed_over >= PASSED_OVER_MAX;
                if wrong {
                    join.video_offset = None;
                } else if self.was_let_out(&unit, join.video_offset) {
                    join.passed_over += u32::from(unit.random_access);
                    self.join = Some(join);
                    return;
                }
                join.video_open = true;
                self.settle(&mut join);
                // In the order of arrival.
                self.flush_early(&mut join, out);
                self.let_out(unit, out);
            }
            TrackKind::Video => self.let_out(unit, out),
            TrackKind::Audio => self.join_audio(&mut join, unit, out),
        }
        let done = join.video_open && (join.audio_open || self.audio.last.is_none());
        if !done || join.tied.is_none() {
            self.join = Some(join);
        }
    }

    fn flush_early(&mut self, join: &mut Join, out: &mut Vec<Out>) {
        for early in std::mem::take(&mut join.early) {
            self.join_audio(join, early, out);
        }
    }

    fn join_audio(&mut self, join: &mut Join, unit: Passed, out: &mut Vec<Out>) {
        if !join.audio_open {
            self.settle(join);
            let offset = join.audio_offset.filter(|_| join.tied == Some(true));
            if self.was_let_out(&unit, offset) {
                return;
            }
            if join.tied == Some(true) {
                self.place_audio(&unit, offset);
            }
            join.audio_open = true;
        }
        self.let_out(unit, out);
    }

    /// Looks for a session's picture among those let out before it.
    fn recognise(&mut self, join: &mut Join, unit: &Passed) {
        if join.video_offset.is_none()
            && let Some(twin) = self.twin_in_marks(unit)
        {
            join.video_offset = Some(twin.time.saturating_sub(unit.media_time));
            // Counted from the session before the one that joins.
            if twin.generation + 1 == self.generation {
                self.told = Some(Tie {
                    kept: (twin.stream, twin.media_time),
                    fresh: (unit.stream, unit.media_time),
                });
            }
        }
    }

    /// Decides whether the session goes on in the timeline.
    fn settle(&mut self, join: &mut Join) {
        if join.tied.is_some() {
            return;
        }
        let main = if join.has_video {
            join.video_offset
        } else {
            join.audio_offset
        };
        let tied = main.is_some() && !self.timeline_due;
        join.tied = Some(tied);
        let seam = if tied { Seam::Tied } else { Seam::Loose };
        (self.video.seam, self.audio.seam) = (seam, seam);
        if tied {
            if let Some(offset) = join.video_offset {
                self.video.offset = offset;
            }
        } else {
            self.timeline_due = true;
        }
    }

    /// Whether a unit of a session that joins was let out before, or can't be the next. `offset` of
    /// the tied axis.
    fn was_let_out(&self, unit: &Passed, offset: Option<i64>) -> bool {
        let tail = match unit.kind {
            TrackKind::Video => &self.video,
            TrackKind::Audio => &self.audio,
        };
        let Some((_, captured)) = tail.last else {
            return false;
        };
        if let Some(offset) = offset {
            let time = unit.media_time.saturating_add(offset);
            // Sender reports tie axes to some ms, not to the tick.
            let near = tail.usual.unwrap_or(0.0) / 3.0;
            let is_near = |passed: &i64| (time.saturating_sub(*passed) as f64).abs() <= near;
            let before = match unit.kind {
                TrackKind::Video => tail.group_begin.is_some_and(|begin| time < begin),
                TrackKind::Audio => tail.latest.is_some_and(|latest| time < latest),
            };
            return before || tail.passed.iter().any(is_near);
        }
        // Where decoding can begin, and later than all that was let out.
        let later = unit.captured > captured.saturating_add(tail.usual_nanos() / 2);
        !(later && (unit.random_access || unit.kind == TrackKind::Audio))
    }

    /// Sound whose own axis is not tied goes on where its capture time puts it.
    fn place_audio(&mut self, unit: &Passed, offset: Option<i64>) {
        if let Some(offset) = offset {
            self.audio.offset = offset;
            return;
        }
        let Some((time, captured)) = self.audio.last else {
            return;
        };
        let nanos = i128::from(unit.captured.saturating_sub(captured));
        let step = i64::try_from(nanos * i128::from(unit.clock_rate) / 1_000_000_000);
        let step = step.unwrap_or(0).max(i64::from(unit.duration.max(1)));
        self.audio.offset = time.saturating_add(step).saturating_sub(unit.media_time);
    }

    fn let_out(&mut self, mut unit: Passed, out: &mut Vec<Out>) {
        let new_timeline = std::mem::take(&mut self.timeline_due) || unit.restarted;
        if new_timeline {
            // Places on the old axis say nothing on the new one.
            for tail in [&mut self.video, &mut self.audio] {
                tail.offset = 0;
                tail.passed.clear();
                (tail.latest, tail.group_begin) = (None, None);
            }
            self.marks.clear();
        }
        let generation = self.generation;
        let tail = self.tail(unit.kind);
        let seam = std::mem::replace(&mut tail.seam, Seam::Inside);
        let time = unit.media_time.saturating_add(tail.offset);
        let discontinuity = new_timeline
            || tail.is_hole(time, unit.random_access, seam)
            || seam == Seam::Inside && unit.discontinuity;
        let missing_since = tail.end().filter(|_| discontinuity);
        tail.note(&unit, time);
        if let Some(fingerprint) = unit.fingerprint() {
            if self.marks.len() == MARKS_MAX {
                self.marks.pop_front();
            }
            self.marks.push_back(Mark {
                fingerprint,
                generation,
                stream: unit.stream,
                media_time: unit.media_time,
                time,
            });
        }
        unit.media_time = time;
        out.push(Out {
            unit,
            new_timeline,
            discontinuity,
            missing_since,
        });
    }
}

#[cfg(test)]
mod tests;
