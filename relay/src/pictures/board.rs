//! Where a camera's pictures are handed out: who wants what, and what waits for whom.

use std::collections::VecDeque;
use std::sync::atomic::{AtomicU64, Ordering};
use std::sync::{Arc, Mutex, MutexGuard, PoisonError, RwLock};
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
    analysis: RwLock<Option<PictureEvents>>,
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
            analysis: RwLock::new(analysis),
            seats: Mutex::default(),
            changes: watch::Sender::new(0),
        }))
    }

    /// From now on the pictures that `request` wants are decoded.
    #[must_use]
    pub fn subscribe(&self, request: Request) -> Subscription {
        let seat = Arc::new(Seat {
            request,
            mail: Mutex::new(Mail::new(&request)),
            arrived: Notify::new(),
            dropped: AtomicU64::new(0),
        });
        self.0.seats().push(Arc::clone(&seat));
        self.count();
        self.0.changed();
        Subscription {
            board: self.clone(),
            seat,
        }
    }

    /// From now on the camera has a second stream, or none: those who want its pictures get them
    /// from there, or from the main one.
    pub fn set_analysis(&self, events: Option<PictureEvents>) {
        *self
            .0
            .analysis
            .write()
            .unwrap_or_else(PoisonError::into_inner) = events;
        self.count();
        self.0.changed();
    }

    fn analysis(&self) -> Option<PictureEvents> {
        let events = self.0.analysis.read();
        events.unwrap_or_else(PoisonError::into_inner).clone()
    }

    /// The events of a stream.
    pub(super) fn events(&self, source: Source) -> PictureEvents {
        match (source, self.analysis()) {
            (Source::Analysis, Some(events)) => events,
            _ => self.0.main.clone(),
        }
    }

    /// The stream that the pictures of a request come from.
    fn source_of(&self, request: &Request) -> Source {
        match self.analysis() {
            Some(_) => request.source,
            None => Source::Main,
        }
    }

    /// Who wants pictures of a stream.
    pub(super) fn seats(&self, source: Source) -> Vec<Arc<Seat>> {
        let both = self.analysis().is_some();
        let of_source = |seat: &&Arc<Seat>| match both {
            true => seat.request.source == source,
            false => source == Source::Main,
        };
        let seats = self.0.seats();
        seats.iter().filter(of_source).map(Arc::clone).collect()
    }

    /// Tells when somebody comes, goes, or asks.
    pub(super) fn changes(&self) -> watch::Receiver<u64> {
        self.0.changes.subscribe()
    }

    fn leave(&self, seat: &Arc<Seat>) {
        self.0.seats().retain(|other| !Arc::ptr_eq(other, seat));
        self.count();
        self.0.changed();
    }

    /// Tells how many want pictures of each stream.
    fn count(&self) {
        self.0.main.subscribers(self.seats(Source::Main).len());
        if let Some(events) = self.analysis() {
            events.subscribers(self.seats(Source::Analysis).len());
        }
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
        let events = self.board.events(self.source());
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
        self.board.source_of(&self.seat.request)
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
    /// `key_of_all`: it is a key frame of a stream of which every picture is decoded.
    pub(super) fn wants(&self, captured: CaptureTime, key_of_all: bool) -> bool {
        self.mail().pace.wants_of_all(captured, key_of_all)
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

#[cfg(test)]
mod tests {
    use futures_util::FutureExt as _;

    use super::super::request::PixelFormat;
    use super::*;
    use crate::config::Pictures;
    use crate::telemetry::Telemetry;
    use crate::units::Name;

    fn board(analysis: bool) -> (Arc<Telemetry>, PictureBoard) {
        let telemetry = Arc::new(Telemetry::new());
        let camera = Name::new("slipway").unwrap();
        let events = |source| PictureEvents::new(&telemetry, &camera, source, &Pictures::default());
        let analysis = analysis.then(|| events(Source::Analysis));
        let board = PictureBoard::new(events(Source::Main), analysis);
        (telemetry, board)
    }

    fn request(rate: f64, source: Source) -> Request {
        Request {
            rate,
            longest_side: 640,
            format: PixelFormat::Gray8,
            source,
        }
    }

    fn picture(seconds: i64, asked: Option<i64>) -> Arc<Picture> {
        let time = |seconds: i64| CaptureTime::from_unix_nanos(seconds * 1_000_000_000);
        Arc::new(Picture {
            sequence: 0,
            captured: time(seconds),
            uncertainty_nanos: 0,
            asked: asked.map(time),
            source: Source::Main,
            random_access: true,
            width: 1,
            height: 1,
            camera_width: 1,
            camera_height: 1,
            format: PixelFormat::Gray8,
            planes: Vec::new(),
        })
    }

    #[test]
    fn who_comes_and_goes_is_noticed() {
        let (telemetry, board) = board(true);
        let mut changes = board.changes();
        let one = board.subscribe(request(1.0, Source::Analysis));
        let other = board.subscribe(request(0.0, Source::Main));
        assert!(changes.has_changed().unwrap());
        assert_eq!(
            (one.source(), other.source()),
            (Source::Analysis, Source::Main)
        );
        assert_eq!(board.seats(Source::Main).len(), 1);
        let of_analysis = "forebay_picture_subscribers{camera=\"slipway\",stream=\"analysis\"}";
        assert!(
            telemetry
                .render()
                .unwrap()
                .contains(&format!("{of_analysis} 1"))
        );
        changes.borrow_and_update();
        drop(one);
        assert!(changes.has_changed().unwrap());
        assert!(board.seats(Source::Analysis).is_empty());
        assert!(
            telemetry
                .render()
                .unwrap()
                .contains(&format!("{of_analysis} 0"))
        );
    }

    #[test]
    fn without_a_second_stream_pictures_come_from_the_main_one() {
        let (_telemetry, board) = board(false);
        let subscription = board.subscribe(request(1.0, Source::Analysis));
        assert_eq!(subscription.source(), Source::Main);
    }

    #[test]
    fn a_slow_subscriber_gets_the_newest_and_is_told_what_it_missed() {
        let (_telemetry, board) = board(false);
        let mut subscription = board.subscribe(request(1.0, Source::Main));
        let seat = board.seats(Source::Main).remove(0);
        let missed = (0..5)
            .filter(|second| seat.hand(picture(*second, None)))
            .count();
        assert_eq!(
            (missed, subscription.dropped(), subscription.dropped()),
            (3, 3, 0)
        );
        for second in [3, 4] {
            let found = subscription.next().now_or_never().unwrap();
            assert_eq!(found.captured, picture(second, None).captured);
        }
        assert!(subscription.next().now_or_never().is_none());
    }

    #[test]
    fn answers_come_first_and_leave_room() {
        let (_telemetry, board) = board(false);
        let mut subscription = board.subscribe(request(1.0, Source::Main));
        for second in 0..4 {
            subscription.ask(picture(second, None).captured);
        }
        let seat = board.seats(Source::Main).remove(0);
        let questions = seat.questions();
        assert_eq!(questions.len(), 4);
        seat.hand(picture(9, None));
        let answers = questions.iter().map(|question| {
            seat.answer(
                *question,
                picture(7, Some(question.at.unix_nanos() / 1_000_000_000)),
            )
        });
        assert_eq!(answers.collect::<Vec<_>>(), [true, true, false, false]);
        // Two answers wait: the others do too, until one is fetched.
        assert!(seat.questions().is_empty());
        let mut changes = board.changes();
        changes.borrow_and_update();
        let first = subscription.next().now_or_never().unwrap();
        assert_eq!(first.asked, picture(0, Some(0)).asked);
        assert!(changes.has_changed().unwrap());
        assert_eq!(seat.questions().len(), 2);
        // What was answered once is not again.
        assert!(!seat.answer(questions[0], picture(7, None)));
        assert_eq!(
            subscription.take().unwrap().asked,
            picture(1, Some(1)).asked
        );
        assert_eq!(subscription.take().unwrap().asked, None);
    }

    #[test]
    fn questions_are_bounded_in_number_and_time() {
        let (telemetry, board) = board(false);
        let subscription = board.subscribe(request(0.0, Source::Main));
        for second in 0..20 {
            subscription.ask(picture(second, None).captured);
        }
        let seat = board.seats(Source::Main).remove(0);
        let questions = seat.questions();
        assert_eq!(questions.len(), QUESTIONS_MAX);
        assert_eq!(questions[0].at, picture(4, None).captured);
        let displaced = "forebay_pictures_dropped_total{camera=\"slipway\",stream=\"main\",\
                         reason=\"displaced\"} 4";
        assert!(telemetry.render().unwrap().contains(displaced));
        assert_eq!(seat.forget(Instant::now()), 0);
        assert_eq!(
            seat.forget(Instant::now() + QUESTION_TIME),
            QUESTIONS_MAX as u64
        );
        assert!(seat.questions().is_empty());
    }
}
