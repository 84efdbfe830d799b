//! Where a camera's pictures are handed out: who wants what, and what waits for whom.

use std::collections::VecDeque;
use std::sync::atomic::{AtomicU64, Ordering};
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use std::time::{Duration, Instant};

use tokio::sync::{Notify, watch};

use super::picture::Picture;
use super::policy::Pace;
use super::request::{Request, Source};
use crate::telemetry::{DropReason, PictureEvents};
use crate::units::CaptureTime;

/// Pictures that wait for one subscriber; the newest are kept.
pub(super) const PICTURES_MAX: usize = 2;
/// Answers that wait for one subscriber: while so many do, its other questions wait too.
pub(super) const ANSWERS_MAX: usize = 2;
/// Questions of one subscriber that wait at a time, as `wit/pictures.wit` says.
pub(super) const QUESTIONS_MAX: usize = 16;
/// How long a question may wait, as `wit/pictures.wit` says.
pub(super) const QUESTION_TIME: Duration = Duration::from_secs(3600);

/// Where one camera's pictures are handed out. Cheap to clone.
#[derive(Debug, Clone)]
pub struct PictureBoard(Arc<Inner>);

#[derive(Debug)]
struct Inner {
    /// Events of the main stream, and of the analysis stream where there is one.
    main: PictureEvents,
    analysis: Option<PictureEvents>,
    seats: Mutex<Vec<Arc<Seat>>>,
    /// Rises when somebody comes, goes, or asks.
    changes: watch::Sender<u64>,
}

impl PictureBoard {
    /// A board that nobody looks at yet. `analysis`: events of the camera's second stream, where
    /// it has one.
    #[must_use]
    pub fn new(main: PictureEvents, analysis: Option<PictureEvents>) -> Self {
        Self(Arc::new(Inner {
            main,
            analysis,
            seats: Mutex::default(),
            changes: watch::Sender::new(0),
        }))
    }

    /// From now on the pictures that `request` wants are decoded.
    #[must_use]
    pub fn subscribe(&self, request: Request) -> Subscription {
        let seat = Arc::new(Seat {
            source: match self.0.analysis {
                Some(_) => request.source,
                None => Source::Main,
            },
            request,
            mail: Mutex::new(Mail::new(&request)),
            arrived: Notify::new(),
            dropped: AtomicU64::new(0),
        });
        let subscribers = {
            let mut seats = self.0.seats();
            seats.push(Arc::clone(&seat));
            count(&seats, seat.source)
        };
        self.events(seat.source).subscribers(subscribers);
        self.0.changed();
        Subscription {
            board: self.clone(),
            seat,
        }
    }

    /// The events of a stream.
    pub(super) fn events(&self, source: Source) -> &PictureEvents {
        match (source, &self.0.analysis) {
            (Source::Analysis, Some(events)) => events,
            _ => &self.0.main,
        }
    }

    /// Who wants pictures of a stream.
    pub(super) fn seats(&self, source: Source) -> Vec<Arc<Seat>> {
        let seats = self.0.seats();
        let of_source = seats.iter().filter(|seat| seat.source == source);
        of_source.map(Arc::clone).collect()
    }

    /// Tells when somebody comes, goes, or asks.
    pub(super) fn changes(&self) -> watch::Receiver<u64> {
        self.0.changes.subscribe()
    }

    fn leave(&self, seat: &Arc<Seat>) {
        let subscribers = {
            let mut seats = self.0.seats();
            seats.retain(|other| !Arc::ptr_eq(other, seat));
            count(&seats, seat.source)
        };
        self.events(seat.source).subscribers(subscribers);
        self.0.changed();
    }
}

impl Inner {
    fn seats(&self) -> MutexGuard<'_, Vec<Arc<Seat>>> {
        // Each change of the list is one call.
        self.seats.lock().unwrap_or_else(PoisonError::into_inner)
    }

    fn changed(&self) {
        self.changes.send_modify(|count| *count += 1);
    }
}

fn count(seats: &[Arc<Seat>], source: Source) -> usize {
    seats.iter().filter(|seat| seat.source == source).count()
}

/// A place at the board. Dropped, it is free again.
#[derive(Debug)]
pub struct Subscription {
    board: PictureBoard,
    seat: Arc<Seat>,
}

impl Subscription {
    /// The next picture: an answer before others. Never ends; cancel-safe.
    pub async fn next(&mut self) -> Arc<Picture> {
        loop {
            // What arrives between the look and the wait leaves a permit.
            if let Some(picture) = self.take() {
                return picture;
            }
            self.seat.arrived.notified().await;
        }
    }

    /// A picture that waits, if one does.
    pub fn take(&mut self) -> Option<Arc<Picture>> {
        let (picture, answered) = {
            let mut mail = self.seat.mail();
            match mail.answers.pop_front() {
                Some(answer) => (Some(answer), !mail.questions.is_empty()),
                None => (mail.pictures.pop_front(), false),
            }
        };
        if answered {
            // There is room for the next answer.
            self.board.0.changed();
        }
        picture
    }

    /// Asks for the key frame captured nearest to `at`, past or to come.
    pub fn ask(&self, at: CaptureTime) {
        let displaced = self.seat.mail().ask(at, Instant::now());
        let events = self.board.events(self.seat.source);
        events.dropped(DropReason::Displaced, u64::from(displaced));
        self.board.0.changed();
    }

    /// Pictures missed since this was called last, because the subscriber was slow.
    pub fn dropped(&mut self) -> u64 {
        self.seat.dropped.swap(0, Ordering::Relaxed)
    }

    /// The stream that its pictures come from.
    #[must_use]
    pub fn source(&self) -> Source {
        self.seat.source
    }
}

impl Drop for Subscription {
    fn drop(&mut self) {
        self.board.leave(&self.seat);
    }
}

/// What was asked.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct Question {
    pub(super) at: CaptureTime,
    /// When it was asked.
    pub(super) since: Instant,
}

/// One subscriber, as the lanes see it.
#[derive(Debug)]
pub(super) struct Seat {
    pub(super) source: Source,
    pub(super) request: Request,
    mail: Mutex<Mail>,
    arrived: Notify,
    dropped: AtomicU64,
}

#[derive(Debug)]
struct Mail {
    pace: Pace,
    pictures: VecDeque<Arc<Picture>>,
    answers: VecDeque<Arc<Picture>>,
    questions: VecDeque<Question>,
}

impl Mail {
    fn new(request: &Request) -> Self {
        Self {
            pace: Pace::new(request.rate),
            pictures: VecDeque::with_capacity(PICTURES_MAX),
            answers: VecDeque::with_capacity(ANSWERS_MAX),
            questions: VecDeque::new(),
        }
    }

    /// Whether an older question gave way.
    fn ask(&mut self, at: CaptureTime, now: Instant) -> bool {
        let full = self.questions.len() >= QUESTIONS_MAX;
        if full {
            self.questions.pop_front();
        }
        self.questions.push_back(Question { at, since: now });
        full
    }
}

impl Seat {
    fn mail(&self) -> MutexGuard<'_, Mail> {
        self.mail.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// Whether its rate has room for a picture captured then.
    pub(super) fn wants(&self, captured: CaptureTime) -> bool {
        self.mail().pace.wants(captured)
    }

    /// How it stands with its rate.
    pub(super) fn pace(&self) -> Pace {
        self.mail().pace
    }

    /// Hands over a picture that its rate has room for; an older one that still waits gives way.
    /// Whether one did.
    pub(super) fn hand(&self, picture: Arc<Picture>) -> bool {
        let missed = {
            let mut mail = self.mail();
            mail.pace.took(picture.captured);
            let full = mail.pictures.len() >= PICTURES_MAX;
            if full {
                mail.pictures.pop_front();
            }
            mail.pictures.push_back(picture);
            full
        };
        self.dropped.fetch_add(missed.into(), Ordering::Relaxed);
        self.arrived.notify_one();
        missed
    }

    /// The questions that may be answered now: none while answers wait to be fetched.
    pub(super) fn questions(&self) -> Vec<Question> {
        let mail = self.mail();
        let room = ANSWERS_MAX.saturating_sub(mail.answers.len());
        if room == 0 {
            return Vec::new();
        }
        mail.questions.iter().copied().collect()
    }

    /// Answers a question; one that was forgotten meanwhile, or has no room, is not. Whether it
    /// was.
    pub(super) fn answer(&self, question: Question, picture: Arc<Picture>) -> bool {
        {
            let mut mail = self.mail();
            if mail.answers.len() >= ANSWERS_MAX {
                return false;
            }
            let asked = |other: &Question| *other == question;
            let Some(index) = mail.questions.iter().position(asked) else {
                return false;
            };
            mail.questions.remove(index);
            mail.answers.push_back(picture);
        }
        self.arrived.notify_one();
        true
    }

    /// Forgets what has waited too long; how many.
    pub(super) fn forget(&self, now: Instant) -> u64 {
        let mut mail = self.mail();
        let before = mail.questions.len();
        mail.questions
            .retain(|question| now.saturating_duration_since(question.since) < QUESTION_TIME);
        (before - mail.questions.len()) as u64
    }
}
