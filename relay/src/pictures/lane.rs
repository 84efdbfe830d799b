//! The task that makes pictures of one stream: reads the hold at its own pace, decodes what the
//! policy chooses, and hands out what was asked for. Intake knows nothing of it.

use std::collections::VecDeque;
use std::sync::Arc;
use std::time::{Duration, Instant};

use super::board::{PictureBoard, Question, Seat};
use super::both::Decoder;
use super::decoded::{DecodeFault, Decoded};
use super::handing::{Order, hand_out};
use super::health::{Change, Health};
use super::policy::{Mode, Rhythm, Spacing, due_keys, nearest_key};
use super::render::Renderer;
use super::request::Source;
use super::workshop::Workshop;
use crate::archive::findings::{Finding, Phase};
use crate::config::{PICTURES_SINK, WhenBehind};
use crate::hold::{Cursor, Hold, TrackKind, Unit};
use crate::supervise::Shutdown;
use crate::telemetry::{DropReason, PictureEvents};
use crate::units::{CameraName, CaptureTime, Name};

/// How long units are gathered where key frames are looked for: a wake-up costs more than they do.
const GATHER_KEYS: Duration = Duration::from_millis(250);
/// And where every picture is decoded.
const GATHER_ALL: Duration = Duration::from_millis(40);
/// Key frames that wait to be decoded; older ones give way. So what is shown is at most so many of
/// those that are due behind the newest one, and the time that one takes, however slow decoding is.
const KEYS_MAX: usize = 16;
/// Units that wait to be decoded where every picture is; beyond that, reading goes on at the
/// newest key frame. Ten seconds: what a camera holds back in an outage comes in one go.
const BACKLOG_MAX: u64 = 250;
/// Units read at a time where key frames are looked for. Where every picture is decoded it is one:
/// how far the lane is behind counts before each of them.
const UNITS: usize = 128;
const BYTES: usize = 16 << 20;
/// Decodings for questions are so far apart: a plugin that asks without end gets no more.
const ANSWER_SPACING: Duration = Duration::from_millis(500);
/// Key frames that gave no picture, and are not tried again for a question.
const BAD_MAX: usize = 64;
/// Units whose pictures may still come out of the decoder, which shows them in another order.
const FED_MAX: usize = 64;
/// No capture time lies further ahead of the home clock.
const AHEAD_NANOS: i64 = 1_000_000_000;
/// Longest look away where something is wanted: the home clock may be set.
const LOOK: Duration = Duration::from_secs(10);

/// Makes pictures of one stream of a camera.
#[derive(Debug, Clone)]
pub struct Lane {
    /// Whose stream it is.
    pub camera: CameraName,
    /// Which of them.
    pub source: Source,
    /// Where its units are.
    pub hold: Arc<Hold>,
    /// Where its pictures go.
    pub board: PictureBoard,
    /// What decodes.
    pub workshop: Arc<Workshop>,
}

impl Lane {
    /// Runs until shutdown.
    pub async fn run(self, mut shutdown: Shutdown) {
        let mut work = Work::new(&self);
        tokio::select! {
            () = work.go() => {}
            () = shutdown.requested() => {}
        }
    }
}

struct Work<'a> {
    lane: &'a Lane,
    events: PictureEvents,
    decoder: Option<Decoder>,
    cursor: Option<Cursor>,
    mode: Mode,
    /// Nothing can be decoded before a key frame comes.
    awaits_key: bool,
    rhythm: Rhythm,
    spacing: Spacing,
    /// Units that were read and not looked at yet; at most [`UNITS`].
    waiting: VecDeque<Arc<Unit>>,
    /// Key frames that are due, in order; at most [`KEYS_MAX`] between two reads.
    keys: VecDeque<Arc<Unit>>,
    /// The newest key frame that was an answer, and was shown to all: what is older is not any more.
    passed: Option<u64>,
    health: Health,
    renderer: Renderer,
    /// What was given to the decoder of every picture.
    fed: VecDeque<Arc<Unit>>,
    /// Numbers of key frames that gave no picture.
    bad: VecDeque<u64>,
    answer_due: Instant,
}

impl<'a> Work<'a> {
    fn new(lane: &'a Lane) -> Self {
        Self {
            events: lane.board.events(lane.source),
            lane,
            decoder: None,
            cursor: None,
            mode: Mode::KeyFrames,
            awaits_key: true,
            rhythm: Rhythm::default(),
            spacing: Spacing::default(),
            waiting: VecDeque::new(),
            keys: VecDeque::new(),
            passed: None,
            health: Health::default(),
            renderer: Renderer::new(),
            fed: VecDeque::new(),
            bad: VecDeque::new(),
            answer_due: Instant::now(),
        }
    }

    async fn go(&mut self) {
        let mut changes = self.lane.board.changes();
        loop {
            changes.borrow_and_update();
            let seats = self.lane.board.seats(self.lane.source);
            let questions = self.questions_of(&seats);
            let rate = seats
                .iter()
                .map(|seat| seat.request.rate)
                .fold(0.0, f64::max);
            let mut more = self.answer(&questions).await;
            if rate > 0.0 {
                more |= self.look(&seats, rate).await;
            } else {
                self.cursor = None;
                self.waiting.clear();
                self.keys.clear();
                self.mode = Mode::KeyFrames;
                if questions.is_empty() {
                    self.rest();
                }
            }
            // One that was answered may have left room for the next question; what waits to be
            // decoded has waited long enough.
            if more {
                continue;
            }
            let pause = self.pause(&questions, rate);
            let timer = async {
                match pause {
                    Some(pause) => tokio::time::sleep(pause).await,
                    None => std::future::pending().await,
                }
            };
            let gather = self.gather();
            let more = async {
                match &mut self.cursor {
                    Some(cursor) if rate > 0.0 => {
                        tokio::time::sleep(gather).await;
                        cursor.ready().await;
                    }
                    _ => std::future::pending().await,
                }
            };
            tokio::select! {
                // The board is part of the lane: it can't be gone.
                _ = changes.changed() => {}
                () = more => {}
                () = timer => {}
            }
        }
    }

    fn gather(&self) -> Duration {
        match self.mode {
            Mode::KeyFrames => GATHER_KEYS,
            Mode::EveryPicture => GATHER_ALL,
        }
    }

    /// Nobody wants anything: the decoder's memory is given back.
    fn rest(&mut self) {
        if self.decoder.take().is_some() {
            self.events.rests();
        }
        self.fed.clear();
        self.awaits_key = true;
    }

    /// How long nothing need be done if nothing happens.
    fn pause(&self, questions: &[(Arc<Seat>, Question)], rate: f64) -> Option<Duration> {
        let Some(earliest) = questions.iter().map(|(_, question)| question.at).min() else {
            return (rate > 0.0).then_some(LOOK);
        };
        // Not before there can be an answer, and no busier than where key frames are looked for.
        let now = CaptureTime::now().unix_nanos();
        let ahead = earliest.unix_nanos().saturating_sub(now);
        let ahead = Duration::from_nanos(u64::try_from(ahead).unwrap_or(0));
        let due = self.answer_due.saturating_duration_since(Instant::now());
        Some(ahead.min(LOOK).max(due).max(GATHER_KEYS))
    }

    fn questions_of(&self, seats: &[Arc<Seat>]) -> Vec<(Arc<Seat>, Question)> {
        let now = Instant::now();
        let mut questions = Vec::new();
        for seat in seats {
            self.events.dropped(DropReason::Forgotten, seat.forget(now));
            let waiting = seat.questions().into_iter();
            questions.extend(waiting.map(|question| (Arc::clone(seat), question)));
        }
        questions
    }

    /// Answers the questions that one key frame is the answer to. Whether one was.
    async fn answer(&mut self, questions: &[(Arc<Seat>, Question)]) -> bool {
        let now = Instant::now();
        let soon = CaptureTime::now().unix_nanos().saturating_add(AHEAD_NANOS);
        let ripe = |question: &Question| question.at.unix_nanos() <= soon;
        if now < self.answer_due || !questions.iter().any(|(_, question)| ripe(question)) {
            return false;
        }
        let mut keys = self.lane.hold.key_frames();
        keys.retain(|key| {
            self.health.allows(key.track.id, now) && !self.bad.contains(&key.sequence)
        });
        let times: Vec<_> = keys.iter().map(|key| key.captured).collect();
        let nearest = |question: &Question| {
            let index = nearest_key(&times, question.at)?;
            keys.get(index)
        };
        let Some(key) = questions.iter().find_map(|(_, question)| nearest(question)) else {
            return false;
        };
        let same = |question: &Question| {
            nearest(question).is_some_and(|other| other.sequence == key.sequence)
        };
        let answers: Vec<_> = questions
            .iter()
            .filter(|(_, question)| same(question))
            .cloned()
            .collect();
        self.answer_due = now + ANSWER_SPACING;
        let lane = self.lane;
        let Ok(permit) = lane.workshop.workers.acquire().await else {
            return false;
        };
        let decoded = decode_key(lane, &self.events, &mut self.decoder, key).await;
        drop(permit);
        match decoded {
            Ok(decoded) => {
                self.fine(key);
                // The newest one is as good as the next that others are due for; an older one would
                // come to them out of order.
                let newest = keys
                    .last()
                    .is_some_and(|last| last.sequence == key.sequence);
                let others = if newest && self.mode == Mode::KeyFrames {
                    self.spacing.took(key.captured);
                    self.passed = Some(key.sequence);
                    self.events
                        .dropped(DropReason::Behind, self.keys.len() as u64);
                    self.keys.clear();
                    self.lane.board.seats(self.lane.source)
                } else {
                    Vec::new()
                };
                self.hand_out(decoded, key, others, answers).await;
            }
            Err(fault) => self.fault(key, &fault),
        }
        true
    }

    /// Reads on, and decodes the next picture that is due; whether there may be another one.
    async fn look(&mut self, seats: &[Arc<Seat>], rate: f64) -> bool {
        self.gather_key_frames(seats, rate);
        match self.mode {
            Mode::KeyFrames => self.decode_key_frame(seats, rate).await,
            Mode::EveryPicture => {
                self.give_up_when_behind();
                if self.waiting.is_empty() {
                    let units = self.read();
                    self.waiting.extend(units);
                }
                let Some(unit) = self.waiting.pop_front() else {
                    return false;
                };
                self.note_rhythm(&unit, rate);
                match self.mode {
                    Mode::KeyFrames => self.waiting.push_front(unit),
                    Mode::EveryPicture => self.feed(unit, seats).await,
                }
                true
            }
        }
    }

    /// Reads all that there is, as long as only key frames are decoded.
    fn gather_key_frames(&mut self, seats: &[Arc<Seat>], rate: f64) {
        while self.mode == Mode::KeyFrames {
            if self.waiting.is_empty() {
                let units = self.read();
                self.waiting.extend(units);
            }
            if self.waiting.is_empty() {
                break;
            }
            while let Some(unit) = self.waiting.pop_front() {
                self.note_rhythm(&unit, rate);
                if self.mode == Mode::EveryPicture {
                    self.waiting.push_front(unit);
                    break;
                }
                if unit.random_access && self.passed < Some(unit.sequence) {
                    self.keys.push_back(unit);
                }
            }
            self.choose_key_frames(seats);
        }
    }

    /// The next units; of pictures alone, which may be none of those that were read.
    fn read(&mut self) -> Vec<Arc<Unit>> {
        let hold = &self.lane.hold;
        let cursor = self
            .cursor
            .get_or_insert_with(|| hold.cursor(WhenBehind::SkipToNewest));
        let units_max = match self.mode {
            Mode::KeyFrames => UNITS,
            Mode::EveryPicture => 1,
        };
        loop {
            let mut batch = cursor.read(units_max, BYTES);
            if let Some(lapse) = &batch.lapse
                && lapse.after.is_some()
            {
                let pictures = match self.mode {
                    Mode::KeyFrames => lapse.groups,
                    Mode::EveryPicture => lapse.units,
                };
                self.events.dropped(DropReason::Behind, pictures);
                self.awaits_key = true;
            }
            let was_empty = batch.units.is_empty();
            batch
                .units
                .retain(|unit| unit.track.codec.kind() == TrackKind::Video);
            // Nothing but sound is no end.
            if was_empty || !batch.units.is_empty() {
                return batch.units;
            }
        }
    }

    /// Learns how often key frames come, and what to decode.
    fn note_rhythm(&mut self, unit: &Unit, rate: f64) {
        if !unit.random_access {
            self.rhythm.other(unit.captured);
            return;
        }
        self.rhythm.key(unit.captured);
        let mode = self.rhythm.mode(self.lane.source, &unit.track, rate);
        if self.mode != mode {
            self.mode = mode;
            self.awaits_key = true;
            self.fed.clear();
            self.keys.clear();
        }
    }

    /// Where every picture is decoded, and too many wait, goes on at the newest key frame.
    fn give_up_when_behind(&mut self) {
        let read = self.waiting.len() as u64;
        let behind = |cursor: &&mut Cursor| cursor.lag() + read > BACKLOG_MAX;
        if let Some(cursor) = self.cursor.as_mut().filter(behind) {
            cursor.break_group();
            self.events.dropped(DropReason::Behind, read);
            self.waiting.clear();
            self.awaits_key = true;
        }
    }

    /// Of the key frames that wait keeps those that are due, and of these the newest.
    fn choose_key_frames(&mut self, seats: &[Arc<Seat>]) {
        let times: Vec<_> = self.keys.iter().map(|key| key.captured).collect();
        let paces: Vec<_> = seats.iter().map(|seat| seat.pace()).collect();
        let due = due_keys(self.lane.source, &times, &paces, self.spacing);
        let late = due.len().saturating_sub(KEYS_MAX);
        self.events.dropped(DropReason::Behind, late as u64);
        let due = due.iter().skip(late);
        self.keys = due.filter_map(|at| self.keys.get(*at).cloned()).collect();
    }

    /// Decodes the first of the key frames that are due; whether others wait.
    async fn decode_key_frame(&mut self, seats: &[Arc<Seat>], rate: f64) -> bool {
        // What has been handed out meanwhile, as an answer, is not due any more.
        self.choose_key_frames(seats);
        if self.keys.is_empty() {
            return false;
        }
        let lane = self.lane;
        let Ok(permit) = lane.workshop.workers.acquire().await else {
            return false;
        };
        // Others were at work meanwhile.
        self.gather_key_frames(seats, rate);
        let now = Instant::now();
        let key = loop {
            match self.keys.pop_front() {
                None => return self.mode == Mode::EveryPicture,
                Some(key)
                    if self.health.allows(key.track.id, now)
                        && !self.bad.contains(&key.sequence) =>
                {
                    break key;
                }
                Some(_) => {}
            }
        };
        // What is tried counts, come of it what may.
        self.spacing.took(key.captured);
        let decoded = decode_key(lane, &self.events, &mut self.decoder, &key).await;
        drop(permit);
        match decoded {
            Ok(decoded) => {
                self.fine(&key);
                self.hand_out(decoded, &key, seats.to_vec(), Vec::new())
                    .await;
            }
            Err(fault) => self.fault(&key, &fault),
        }
        !self.keys.is_empty()
    }

    /// Gives a unit to the decoder of every picture, and hands out what comes of it.
    async fn feed(&mut self, unit: Arc<Unit>, seats: &[Arc<Seat>]) {
        if self.awaits_key && !unit.random_access
            || !self.health.allows(unit.track.id, Instant::now())
        {
            self.awaits_key = true;
            return;
        }
        self.awaits_key = false;
        if self.fed.len() >= FED_MAX {
            self.fed.pop_front();
        }
        self.fed.push_back(Arc::clone(&unit));
        let Ok(_permit) = self.lane.workshop.workers.acquire().await else {
            return;
        };
        let decoder = self
            .decoder
            .get_or_insert_with(|| self.lane.workshop.decoder());
        let began = Instant::now();
        let result = decoder.decode_next(&unit).await;
        self.events.called(began.elapsed(), decoder.memory_bytes());
        let only = decoder.key_frames_only().map(str::to_owned);
        let only = only.and_then(|why| self.health.key_frames_only(unit.track.id, &why));
        if let Some(change) = only {
            self.say(change, unit.captured);
        }
        match result.and_then(|shown| match shown {
            Some((decoded, sequence)) => Ok(Some((whole(decoded)?, sequence))),
            None => Ok(None),
        }) {
            Ok(None) => {}
            Ok(Some((decoded, sequence))) => {
                self.events.decoded();
                self.fine(&unit);
                let shown = self.fed.iter().find(|fed| fed.sequence == sequence);
                if let Some(shown) = shown.cloned() {
                    self.hand_out(decoded, &shown, seats.to_vec(), Vec::new())
                        .await;
                }
            }
            Err(fault) => self.fault(&unit, &fault),
        }
    }

    /// Hands a picture to those whose rate has room for it, and to those who have asked.
    async fn hand_out(
        &mut self,
        decoded: Decoded,
        unit: &Unit,
        seats: Vec<Arc<Seat>>,
        answers: Vec<(Arc<Seat>, Question)>,
    ) {
        let key_of_all = self.mode == Mode::EveryPicture && unit.random_access;
        let wanting = seats
            .into_iter()
            .filter(|seat| seat.wants(unit.captured, key_of_all))
            .collect();
        let order = Order {
            source: self.lane.source,
            decoded,
            wanting,
            answers,
        };
        let renderer = std::mem::take(&mut self.renderer);
        self.renderer = hand_out(order, unit, renderer, &self.events).await;
    }

    fn fine(&mut self, unit: &Unit) {
        let change = self.health.fine(unit.track.id, unit.random_access);
        if let Some(change) = change {
            self.say(change, unit.captured);
        }
    }

    fn fault(&mut self, unit: &Unit, fault: &DecodeFault) {
        self.events.fault(fault, unit.captured);
        if self.bad.len() >= BAD_MAX {
            self.bad.pop_front();
        }
        self.bad.push_back(unit.sequence);
        let (track, key) = (unit.track.id, unit.random_access);
        let change = self.health.fault(track, key, fault, Instant::now());
        if let Some(change) = change {
            self.say(change, unit.captured);
        }
    }

    fn say(&self, change: Change, at: CaptureTime) {
        let stream = self.lane.source.as_str();
        let undecodable = undecodable(self.lane.source);
        match change {
            Change::Begins(why) => {
                self.events.undecodable(&why);
                let text = format!("the {stream} stream can't be decoded: {why}");
                self.note(undecodable, Phase::Begin, at, text);
            }
            Change::Ends => {
                self.events.decodable();
                let text = "the stream can be decoded again".to_owned();
                self.note(undecodable, Phase::End, at, text);
            }
            Change::KeyFramesOnly(why) => {
                self.events.key_frames_only(&why);
                let text = format!("only key frames of the {stream} stream are decoded: {why}");
                self.note("key-frames-only", Phase::Mark, at, text);
            }
        }
    }

    fn note(&self, kind: &str, phase: Phase, at: CaptureTime, text: String) {
        let Ok(sink) = Name::new(PICTURES_SINK) else {
            return;
        };
        let finding = Finding {
            sink,
            kind: kind.to_owned(),
            score: 1.0,
            at,
            phase,
            source: self.lane.source,
            region: None,
            text: shortened(text),
        };
        (self.lane.workshop.note)(&self.lane.camera, finding);
    }
}

/// However the lane ends, nobody looks at the stream any more: that it can't be decoded is no state
/// that lasts.
impl Drop for Work<'_> {
    fn drop(&mut self) {
        if self.health.told() {
            self.events.unwatched();
            let text = "nobody looks at the stream any more".to_owned();
            let kind = undecodable(self.lane.source);
            self.note(kind, Phase::End, CaptureTime::now(), text);
        }
    }
}

/// The kind of finding: two streams of a camera are two states.
fn undecodable(source: Source) -> &'static str {
    match source {
        Source::Main => "undecodable",
        Source::Analysis => "undecodable-analysis",
    }
}

/// Decodes a key frame by itself. Only with a worker's permit.
async fn decode_key(
    lane: &Lane,
    events: &PictureEvents,
    decoder: &mut Option<Decoder>,
    key: &Unit,
) -> Result<Decoded, DecodeFault> {
    let decoder = decoder.get_or_insert_with(|| lane.workshop.decoder());
    let began = Instant::now();
    let decoded = decoder.decode_key(key).await;
    events.called(began.elapsed(), decoder.memory_bytes());
    let decoded = whole(decoded?)?;
    events.decoded();
    Ok(decoded)
}

/// A decoder that gives too few samples is wrong, and its picture not to be trusted.
fn whole(decoded: Decoded) -> Result<Decoded, DecodeFault> {
    if decoded.is_whole() {
        Ok(decoded)
    } else {
        let size = format!("{}x{}", decoded.width, decoded.height);
        Err(DecodeFault::Damaged(format!(
            "the decoder gave other than {size} samples"
        )))
    }
}

/// At most 256 bytes in one line, as `wit/findings.wit` lays down.
fn shortened(text: String) -> String {
    const BYTES_MAX: usize = 256;
    let mut text = text.replace(char::is_control, " ");
    while text.len() > BYTES_MAX {
        text.pop();
    }
    text
}
