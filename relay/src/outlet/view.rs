//! Who looks at a camera: counted, and sent only what can be taken.

use std::collections::HashMap;
use std::net::IpAddr;
use std::pin::Pin;
use std::sync::atomic::{AtomicUsize, Ordering};
use std::sync::{Arc, Mutex, PoisonError};
use std::task::{Context, Poll};
use std::time::{Duration, Instant};

use bytes::Bytes;
use futures_util::Stream;

use super::limits::{RATE_MIN, RATE_TIME};
use crate::telemetry::{OutletEvents, ViewKind};
use crate::units::CameraName;

/// Whoever has fetched a segment within this time looks on.
const FETCHED: Duration = Duration::from_secs(15);
/// Addresses that are told apart.
const ADDRESSES_MAX: usize = 512;

/// Those who look at one camera. Clones are the same.
#[derive(Debug, Clone)]
pub(super) struct Audience(Arc<Inner>);

#[derive(Debug)]
struct Inner {
    camera: CameraName,
    events: OutletEvents,
    films: AtomicUsize,
    footage: AtomicUsize,
    fetchers: Mutex<HashMap<IpAddr, Instant>>,
}

impl Audience {
    pub(super) fn new(camera: &CameraName, events: &OutletEvents) -> Self {
        Self(Arc::new(Inner {
            camera: camera.clone(),
            events: events.clone(),
            films: AtomicUsize::new(0),
            footage: AtomicUsize::new(0),
            fetchers: Mutex::default(),
        }))
    }

    /// Somebody comes, and goes when this is dropped.
    pub(super) fn seat(&self, kind: ViewKind) -> Seat {
        let seat = Seat {
            audience: Arc::clone(&self.0),
            kind,
        };
        if let Some(number) = seat.number() {
            seat.tell(number.fetch_add(1, Ordering::Relaxed) + 1);
        }
        seat
    }

    /// Somebody fetches a segment.
    pub(super) fn fetches(&self, peer: Option<IpAddr>, now: Instant) {
        let number = {
            let mut fetchers = self.fetchers();
            if let Some(peer) = peer
                && (fetchers.len() < ADDRESSES_MAX || fetchers.contains_key(&peer))
            {
                fetchers.insert(peer, now);
            }
            fetchers.retain(|_, at| now.saturating_duration_since(*at) < FETCHED);
            fetchers.len()
        };
        let events = &self.0.events;
        events.viewers(&self.0.camera, ViewKind::Segments, number);
    }

    /// Looks who has stopped to fetch.
    pub(super) fn look(&self, now: Instant) {
        if !self.fetchers().is_empty() {
            self.fetches(None, now);
        }
    }

    fn fetchers(&self) -> std::sync::MutexGuard<'_, HashMap<IpAddr, Instant>> {
        let fetchers = &self.0.fetchers;
        fetchers.lock().unwrap_or_else(PoisonError::into_inner)
    }
}

/// One who looks on.
#[derive(Debug)]
pub(super) struct Seat {
    audience: Arc<Inner>,
    kind: ViewKind,
}

impl Seat {
    fn number(&self) -> Option<&AtomicUsize> {
        match self.kind {
            ViewKind::Film => Some(&self.audience.films),
            ViewKind::Footage => Some(&self.audience.footage),
            ViewKind::Segments | ViewKind::Still => None,
        }
    }

    fn tell(&self, number: usize) {
        let Inner { camera, events, .. } = &*self.audience;
        events.viewers(camera, self.kind, number);
    }

    pub(super) fn sent(&self, bytes: usize) {
        let Inner { camera, events, .. } = &*self.audience;
        events.sent(camera, self.kind, bytes);
    }

    pub(super) fn skipped(&self) {
        self.audience.events.skipped(&self.audience.camera);
    }

    pub(super) fn cut_off(&self) {
        let Inner { camera, events, .. } = &*self.audience;
        events.cut_off(camera, self.kind);
    }
}

impl Drop for Seat {
    fn drop(&mut self) {
        if let Some(number) = self.number() {
            let before = number.fetch_sub(1, Ordering::Relaxed);
            self.tell(before.saturating_sub(1));
        }
    }
}

/// The connection is ended in the middle of an answer.
#[derive(Debug, thiserror::Error)]
#[error("cut off: {0}")]
pub(super) struct CutOff(pub(super) &'static str);

/// What has an end: its client must take it at some pace.
pub(super) struct Paced<S> {
    stream: Pin<Box<S>>,
    seat: Seat,
    begin: Instant,
    sent: u64,
}

impl<S> Paced<S> {
    pub(super) fn new(stream: S, seat: Seat) -> Self {
        Self {
            stream: Box::pin(stream),
            seat,
            begin: Instant::now(),
            sent: 0,
        }
    }
}

impl<S: Stream<Item = Result<Bytes, CutOff>>> Stream for Paced<S> {
    type Item = Result<Bytes, CutOff>;

    fn poll_next(mut self: Pin<&mut Self>, context: &mut Context<'_>) -> Poll<Option<Self::Item>> {
        let polled = self.stream.as_mut().poll_next(context);
        if let Poll::Ready(Some(Ok(bytes))) = &polled {
            let passed = self.begin.elapsed();
            // Asked for more: all before is with the connection, or nearly.
            if passed > RATE_TIME && self.sent / passed.as_secs().max(1) < RATE_MIN {
                self.seat.cut_off();
                return Poll::Ready(Some(Err(CutOff("the client takes too little"))));
            }
            self.sent += bytes.len() as u64;
            self.seat.sent(bytes.len());
        }
        polled
    }
}
