//! From units to the pictures that an analyzer would be shown, by the relay's own rules.

use std::collections::{BTreeMap, VecDeque};
use std::sync::Arc;

use super::outcome::Seen;
use crate::hold::{TrackKind, Unit};
use crate::pictures::policy::{Mode, Pace, Rhythm, Spacing, nearest_key};
use crate::pictures::render::Renderer;
use crate::pictures::{DecodeFault, Decoded, Decoder, Picture, Request, Source};
use crate::units::CaptureTime;

/// Key frames kept for questions: as the hold keeps them.
const KEY_BYTES_MAX: usize = 64 << 20;
/// Questions that wait at a time, as `wit/pictures.wit` says.
const QUESTIONS_MAX: usize = 16;
/// How long a question may wait, as `wit/pictures.wit` says, in footage.
const QUESTION_NANOS: i64 = 3600 * 1_000_000_000;
/// Answers are so far apart, in footage: a plugin that asks without end gets no more.
const ANSWER_NANOS: i64 = 500_000_000;
/// Units whose pictures may still come out of the decoder, which shows them in another order.
const FED_MAX: usize = 64;
/// Units kept of a group of which only the key frame is decoded: a minute of 25 a second.
const GROUP_MAX: usize = 1500;

/// Makes the pictures of one analyzer.
#[derive(Debug)]
pub(super) struct Lens {
    decoder: Decoder,
    renderer: Renderer,
    request: Request,
    source: Source,
    pace: Pace,
    spacing: Spacing,
    rhythm: Rhythm,
    keys: VecDeque<Arc<Unit>>,
    key_bytes: usize,
    questions: VecDeque<Question>,
    answered: Option<i64>,
    fed: BTreeMap<u64, Arc<Unit>>,
    mode: Mode,
    /// What came since the last key frame, itself included, as long as only that is decoded.
    group: Vec<Arc<Unit>>,
}

#[derive(Debug, Clone, Copy)]
struct Question {
    at: CaptureTime,
    /// Time of the footage when it was asked.
    since: CaptureTime,
}

impl Lens {
    /// `source`: which of a camera's streams the footage stands for.
    pub(super) fn new(decoder: Decoder, request: Request, source: Source) -> Self {
        Self {
            decoder,
            renderer: Renderer::new(),
            source,
            pace: Pace::new(request.rate),
            request,
            spacing: Spacing::default(),
            rhythm: Rhythm::default(),
            keys: VecDeque::new(),
            key_bytes: 0,
            questions: VecDeque::new(),
            answered: None,
            fed: BTreeMap::new(),
            mode: Mode::KeyFrames,
            group: Vec::new(),
        }
    }

    /// Takes a question at `now`, by the footage.
    pub(super) fn ask(&mut self, at: CaptureTime, now: CaptureTime) {
        if self.questions.len() >= QUESTIONS_MAX {
            self.questions.pop_front();
        }
        self.questions.push_back(Question { at, since: now });
    }

    /// The pictures that come of a unit: an answer first.
    pub(super) async fn take(&mut self, unit: &Arc<Unit>, seen: &mut Seen) -> Vec<Arc<Picture>> {
        let mut pictures = Vec::new();
        if unit.track.codec.kind() != TrackKind::Video {
            return pictures;
        }
        if unit.random_access {
            self.rhythm.key(unit.captured);
            self.keep(unit);
        } else {
            self.rhythm.other(unit.captured);
        }
        pictures.extend(self.answer(unit.captured, seen).await);
        let rate = self.request.rate;
        self.mode = self.rhythm.mode(self.source, &unit.track, rate);
        if unit.random_access {
            self.group.clear();
        }
        match self.mode {
            Mode::EveryPicture => {
                // That every picture is needed is known once a group has lasted for a while. There
                // is no hurry here: the pictures that came before are made up for.
                for earlier in std::mem::take(&mut self.group) {
                    pictures.extend(self.every(&earlier, seen).await);
                }
                pictures.extend(self.every(unit, seen).await);
            }
            Mode::KeyFrames => {
                if self.group.len() < GROUP_MAX {
                    self.group.push(Arc::clone(unit));
                }
                pictures.extend(self.key_frame(unit, seen).await);
            }
        }
        pictures
    }

    fn keep(&mut self, unit: &Arc<Unit>) {
        self.key_bytes += unit.payload.len();
        self.keys.push_back(Arc::clone(unit));
        while self.key_bytes > KEY_BYTES_MAX && self.keys.len() > 1 {
            if let Some(old) = self.keys.pop_front() {
                self.key_bytes -= old.payload.len();
            }
        }
    }

    /// Key frames, as far as they are due.
    async fn key_frame(&mut self, unit: &Arc<Unit>, seen: &mut Seen) -> Option<Arc<Picture>> {
        let due = unit.random_access
            && self.spacing.allows(self.source, unit.captured)
            && self.pace.wants(unit.captured);
        if !due {
            return None;
        }
        self.spacing.took(unit.captured);
        let decoded = self.decoded(unit, seen).await?;
        self.pace.took(unit.captured);
        Some(self.picture(&decoded, unit, None))
    }

    /// Every unit is decoded, and what is due of the pictures is shown.
    async fn every(&mut self, unit: &Arc<Unit>, seen: &mut Seen) -> Option<Arc<Picture>> {
        self.fed.insert(unit.sequence, Arc::clone(unit));
        while self.fed.len() > FED_MAX {
            self.fed.pop_first();
        }
        let (decoded, sequence) = match self.decoder.decode_next(unit).await {
            Ok(shown) => shown?,
            Err(fault) => {
                seen.fault(&fault);
                return None;
            }
        };
        let unit = self.fed.remove(&sequence)?;
        if !self.pace.wants_of_all(unit.captured, unit.random_access) {
            return None;
        }
        self.pace.took(unit.captured);
        Some(self.picture(&decoded, &unit, None))
    }

    /// The picture that answers the oldest question which can be answered.
    async fn answer(&mut self, now: CaptureTime, seen: &mut Seen) -> Option<Arc<Picture>> {
        let now_nanos = now.unix_nanos();
        let age = |since: CaptureTime| now_nanos.saturating_sub(since.unix_nanos());
        self.questions
            .retain(|question| age(question.since) <= QUESTION_NANOS);
        if self
            .answered
            .is_some_and(|last| (0..ANSWER_NANOS).contains(&now_nanos.saturating_sub(last)))
        {
            return None;
        }
        loop {
            let times: Vec<_> = self.keys.iter().map(|key| key.captured).collect();
            let mut questions = self.questions.iter().enumerate();
            let (place, key, at) = questions.find_map(|(place, question)| {
                Some((place, nearest_key(&times, question.at)?, question.at))
            })?;
            let unit = Arc::clone(self.keys.get(key)?);
            if let Some(decoded) = self.decoded(&unit, seen).await {
                self.questions.remove(place);
                self.answered = Some(now_nanos);
                return Some(self.picture(&decoded, &unit, Some(at)));
            }
            // The next best: this one gives no picture.
            self.keys.remove(key);
            self.key_bytes = self.key_bytes.saturating_sub(unit.payload.len());
        }
    }

    async fn decoded(&mut self, unit: &Unit, seen: &mut Seen) -> Option<Decoded> {
        match self.decoder.decode_key(unit).await {
            Ok(decoded) => Some(decoded),
            Err(fault) => {
                seen.fault(&fault);
                None
            }
        }
    }

    fn picture(
        &mut self,
        decoded: &Decoded,
        unit: &Unit,
        asked: Option<CaptureTime>,
    ) -> Arc<Picture> {
        let (planes, width, height) = self.renderer.render(decoded, &self.request);
        Arc::new(Picture {
            sequence: unit.sequence,
            captured: unit.captured,
            uncertainty_nanos: unit.uncertainty_nanos,
            asked,
            source: self.source,
            random_access: unit.random_access,
            width,
            height,
            camera_width: decoded.width,
            camera_height: decoded.height,
            format: self.request.format,
            planes,
        })
    }
}

impl Seen {
    fn fault(&mut self, fault: &DecodeFault) {
        self.undecoded += 1;
        self.fault.get_or_insert_with(|| fault.to_string());
    }
}
