//! A camera: what its source, its sessions and its owner share.

use std::collections::VecDeque;
use std::net::SocketAddr;
use std::sync::atomic::{AtomicBool, AtomicU64, Ordering};
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use std::time::{Duration, Instant, SystemTime, UNIX_EPOCH};

use tokio::sync::watch;

use crate::behaviour::{Behaviour, Uplink};
use crate::encode::ParameterSets;
use crate::outbox::{Item, Outbox, Pushed};
use crate::rtp;
use crate::sight::Sight;
use crate::spec::{CameraSpec, StartAt, WhenFull};

/// Frames in the log of what was sent, and in that of what was dropped; older ones are forgotten.
pub const SENT_FRAMES_MAX: usize = 1 << 17;
/// Items of the running GOP that are kept for [`StartAt::LastKey`].
const GOP_ITEMS_MAX: usize = 8192;
const VIDEO_CLOCK: u32 = 90_000;
const AUDIO_CLOCK: u32 = 8000;

/// A frame that went out to a viewer.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct SentFrame {
    /// Which session: [`SessionInfo::id`].
    pub session: u64,
    /// Frame number, as in its SEI message.
    pub number: u64,
    /// Capture time in nanoseconds since 1970 UTC, as in its SEI message.
    pub capture_ns: i64,
    /// Decoding can begin here.
    pub key: bool,
    /// No packet of it was left out on purpose.
    pub whole: bool,
    /// Bytes of its NAL units, without start codes, length fields and parameter sets.
    pub bytes: usize,
    /// See [`frames::fingerprint_length_prefixed`](crate::frames::fingerprint_length_prefixed).
    pub fingerprint: u64,
}

/// A frame that the camera took for a viewer and that never left: its queue was full, or the
/// connection ended before.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct DroppedFrame {
    /// Which session: [`SessionInfo::id`].
    pub session: u64,
    /// Frame number, as in its SEI message.
    pub number: u64,
    /// Capture time in nanoseconds since 1970 UTC, as in its SEI message.
    pub capture_ns: i64,
}

/// A connection to a camera.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct SessionInfo {
    /// Counts the connections of a camera from 0.
    pub id: u64,
    /// The viewer's address.
    pub peer: SocketAddr,
    /// It has set up a track.
    pub set_up: bool,
    /// It gets media.
    pub playing: bool,
    /// Video units sent.
    pub units_sent: u64,
    /// Video units dropped because the viewer was too slow.
    pub units_dropped: u64,
    /// Interleaved packets that came from the viewer, as receiver reports are.
    pub interleaved_received: u64,
}

/// What happened to a camera so far.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct Counts {
    /// Connections accepted.
    pub connections: u64,
    /// PLAY requests granted.
    pub plays: u64,
    /// TEARDOWN requests granted.
    pub teardowns: u64,
    /// Requests refused with 401.
    pub unauthorized: u64,
    /// Frames that the camera took, sent or not.
    pub frames: u64,
    /// Receiver reports that came interleaved (RFC 3550 §6.4.2).
    pub receiver_reports: u64,
}

#[derive(Debug)]
pub(crate) struct Viewer {
    pub(crate) id: u64,
    pub(crate) peer: SocketAddr,
    pub(crate) outbox: Outbox,
    pub(crate) set_up: AtomicBool,
    pub(crate) playing: AtomicBool,
    pub(crate) has_video: AtomicBool,
    pub(crate) has_audio: AtomicBool,
    pub(crate) units_sent: AtomicU64,
    pub(crate) interleaved_received: AtomicU64,
    /// What is being sent.
    pub(crate) in_hand: Mutex<Option<DroppedFrame>>,
}

/// What stands between the camera and the world.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) struct Reach {
    pub(crate) uplink: Uplink,
    pub(crate) power: Power,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Power {
    On,
    /// The kernel is there and refuses connections.
    Booting,
    /// Packets get no answer.
    Off,
}

impl Reach {
    /// Whether packets come and go.
    pub(crate) fn passes(&self) -> bool {
        self.uplink == Uplink::Up && self.power != Power::Off
    }
}

/// All connections are cut.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub(crate) struct Cut {
    number: u64,
    /// The camera has lost its memory of them: it tells the viewer only when he sends something.
    pub(crate) forgotten: bool,
}

/// The camera's life since it was switched on last.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Boot {
    begins_ns: u64,
    rtp_base: u32,
    /// Sequence number of the first packet of a session; by chance if none.
    pub(crate) sequence: Option<u16>,
    from_1970: bool,
}

#[derive(Debug)]
pub(crate) struct Camera {
    pub(crate) spec: CameraSpec,
    pub(crate) address: SocketAddr,
    /// How often it was switched, and to what.
    pub(crate) behaviour: watch::Sender<(u64, Behaviour)>,
    pub(crate) reach: watch::Sender<Reach>,
    /// What it sees of the scene, where it draws its pictures.
    pub(crate) sight: Mutex<Sight>,
    /// Changes when all connections are cut.
    pub(crate) cuts: watch::Sender<Cut>,
    pub(crate) stopped: AtomicBool,
    /// Of the pictures now, and of those of the other size.
    pub(crate) parameters: Mutex<Arc<ParameterSets>>,
    pub(crate) counts: Mutex<Counts>,
    pub(crate) nonce: String,
    started: Instant,
    started_unix_ns: i64,
    boot: Mutex<Boot>,
    stream: Mutex<Stream>,
    sent: Mutex<VecDeque<SentFrame>>,
    dropped: Mutex<VecDeque<DroppedFrame>>,
}

#[derive(Debug, Default)]
struct Stream {
    viewers: Vec<Arc<Viewer>>,
    gop: Vec<Item>,
}

/// No state that the locks guard is left half-made by a panic.
pub(crate) fn lock<T>(mutex: &Mutex<T>) -> MutexGuard<'_, T> {
    mutex.lock().unwrap_or_else(PoisonError::into_inner)
}

impl Camera {
    pub(crate) fn new(spec: CameraSpec, address: SocketAddr, parameters: ParameterSets) -> Self {
        let since_1970 = SystemTime::now()
            .duration_since(UNIX_EPOCH)
            .unwrap_or_default();
        let boot = Boot {
            begins_ns: 0,
            rtp_base: fastrand::u32(..),
            sequence: None,
            from_1970: false,
        };
        Self {
            spec,
            address,
            behaviour: watch::Sender::new((0, Behaviour::Normal)),
            reach: watch::Sender::new(Reach {
                uplink: Uplink::Up,
                power: Power::On,
            }),
            sight: Mutex::default(),
            cuts: watch::Sender::default(),
            stopped: AtomicBool::new(false),
            parameters: Mutex::new(Arc::new(parameters)),
            counts: Mutex::default(),
            nonce: format!("{:032x}", fastrand::u128(..)),
            started: Instant::now(),
            started_unix_ns: i64::try_from(since_1970.as_nanos()).unwrap_or(i64::MAX),
            boot: Mutex::new(boot),
            stream: Mutex::default(),
            sent: Mutex::default(),
            dropped: Mutex::default(),
        }
    }

    pub(crate) fn now_ns(&self) -> u64 {
        self.started.elapsed().as_nanos() as u64
    }

    /// When a media time is due.
    pub(crate) fn instant(&self, media_ns: u64) -> Instant {
        self.started + Duration::from_nanos(media_ns)
    }

    /// True capture time of a media time.
    pub(crate) fn capture_ns(&self, media_ns: u64) -> i64 {
        self.started_unix_ns.saturating_add_unsigned(media_ns)
    }

    pub(crate) fn boot(&self) -> Boot {
        *lock(&self.boot)
    }

    /// What the camera's own clock says at a media time.
    pub(crate) fn own_clock_ns(&self, media_ns: u64) -> i64 {
        let boot = self.boot();
        if boot.from_1970 {
            return media_ns.saturating_sub(boot.begins_ns) as i64;
        }
        self.capture_ns(media_ns)
            .saturating_add(self.spec.clock_offset_ns)
    }

    pub(crate) fn behave(&self, behaviour: Behaviour) {
        let restarts = behaviour == Behaviour::RestartWithClock1970;
        {
            let mut boot = lock(&self.boot);
            boot.from_1970 = restarts;
            if restarts {
                *boot = Boot {
                    begins_ns: self.now_ns(),
                    rtp_base: 0,
                    sequence: Some(0),
                    from_1970: true,
                };
            }
        }
        self.behaviour
            .send_modify(|now| *now = (now.0 + 1, behaviour));
        if restarts || behaviour == Behaviour::RefuseConnections {
            self.cut(false);
        }
    }

    /// Ends all connections; see [`Cut::forgotten`].
    pub(crate) fn cut(&self, forgotten: bool) {
        lock(&self.stream).gop.clear();
        self.cuts.send_modify(|cut| {
            cut.number += 1;
            cut.forgotten = forgotten;
        });
    }

    /// What a power switch or a reboot does. Whoever comes back begins a new life.
    pub(crate) fn power(&self, power: Power) {
        let before = self.reach.borrow().power;
        if before == power {
            return;
        }
        if power == Power::On {
            *lock(&self.boot) = Boot {
                begins_ns: self.now_ns(),
                rtp_base: fastrand::u32(..),
                sequence: None,
                from_1970: false,
            };
        }
        self.reach.send_modify(|reach| reach.power = power);
        if before == Power::On {
            self.cut(power == Power::Off);
        }
    }

    pub(crate) fn behaviour(&self) -> Behaviour {
        self.behaviour.borrow().1
    }

    pub(crate) fn enter(&self, peer: SocketAddr) -> Arc<Viewer> {
        let id = {
            let mut counts = lock(&self.counts);
            counts.connections += 1;
            counts.connections - 1
        };
        let viewer = Arc::new(Viewer {
            id,
            peer,
            outbox: Outbox::new(self.spec.queue_bytes, self.spec.when_full),
            set_up: AtomicBool::new(false),
            playing: AtomicBool::new(false),
            has_video: AtomicBool::new(false),
            has_audio: AtomicBool::new(false),
            units_sent: AtomicU64::new(0),
            interleaved_received: AtomicU64::new(0),
            in_hand: Mutex::default(),
        });
        lock(&self.stream).viewers.push(viewer.clone());
        viewer
    }

    pub(crate) fn leave(&self, viewer: &Viewer) {
        lock(&self.stream)
            .viewers
            .retain(|other| other.id != viewer.id);
        let in_hand = lock(&viewer.in_hand).take();
        let waiting = viewer.outbox.clear();
        let waiting = waiting.iter().filter_map(|item| dropped(viewer, item));
        for frame in in_hand.into_iter().chain(waiting) {
            self.log_dropped(frame);
        }
    }

    /// From now on the viewer gets media. Media time of the first that it can get.
    pub(crate) fn play(&self, viewer: &Viewer) -> u64 {
        let mut first = self.now_ns();
        let stream = lock(&self.stream);
        viewer.outbox.clear();
        if self.spec.start_at == StartAt::LastKey {
            if let Some(Item::Video(unit)) = stream.gop.first() {
                first = unit.media_ns;
            }
            for item in &stream.gop {
                self.offer(viewer, item, false);
            }
        }
        viewer.playing.store(true, Ordering::Relaxed);
        first
    }

    /// Whether media would reach anyone.
    pub(crate) fn watched(&self) -> bool {
        self.spec.start_at == StartAt::LastKey
            || lock(&self.stream)
                .viewers
                .iter()
                .any(|viewer| viewer.playing.load(Ordering::Relaxed))
    }

    /// Whether another session than this one is left for it.
    pub(crate) fn has_room(&self, id: u64) -> bool {
        let stream = lock(&self.stream);
        let others = stream
            .viewers
            .iter()
            .filter(|v| v.id != id && v.set_up.load(Ordering::Relaxed));
        others.count() < self.spec.sessions_max
    }

    pub(crate) fn publish(&self, item: &Item) {
        if self.reach.borrow().power != Power::On {
            return;
        }
        let mut stream = lock(&self.stream);
        if self.spec.start_at == StartAt::LastKey {
            let key = matches!(item, Item::Video(unit) if unit.key);
            if key || stream.gop.len() >= GOP_ITEMS_MAX {
                stream.gop.clear();
            }
            // A GOP without its beginning helps nobody.
            if key || !stream.gop.is_empty() {
                stream.gop.push(item.clone());
            }
        }
        let viewers = || {
            stream
                .viewers
                .iter()
                .filter(|v| v.playing.load(Ordering::Relaxed))
        };
        let blocked = self.spec.when_full == WhenFull::Block
            && viewers().any(|viewer| viewer.outbox.is_full_for(item));
        for viewer in viewers() {
            self.offer(viewer, item, blocked);
        }
    }

    fn offer(&self, viewer: &Viewer, item: &Item, refused: bool) {
        let has_video = viewer.has_video.load(Ordering::Relaxed);
        let wanted = match item {
            Item::Video(_) => has_video,
            Item::Audio { .. } => viewer.has_audio.load(Ordering::Relaxed),
        };
        if wanted
            && viewer.outbox.push(item, has_video, refused) == Pushed::Dropped
            && let Some(frame) = dropped(viewer, item)
        {
            self.log_dropped(frame);
        }
    }

    /// RTP time of a media time since the last restart.
    pub(crate) fn rtp_time(&self, media_ns: u64, video: bool) -> u32 {
        let boot = self.boot();
        let clock_rate = if video { VIDEO_CLOCK } else { AUDIO_CLOCK };
        boot.rtp_base.wrapping_add(rtp::ticks(
            media_ns.saturating_sub(boot.begins_ns),
            clock_rate,
        ))
    }

    pub(crate) fn log(&self, frame: SentFrame) {
        let mut sent = lock(&self.sent);
        if sent.len() >= SENT_FRAMES_MAX {
            sent.pop_front();
        }
        sent.push_back(frame);
    }

    pub(crate) fn log_dropped(&self, frame: DroppedFrame) {
        let mut dropped = lock(&self.dropped);
        if dropped.len() >= SENT_FRAMES_MAX {
            dropped.pop_front();
        }
        dropped.push_back(frame);
    }

    pub(crate) fn dropped(&self) -> Vec<DroppedFrame> {
        lock(&self.dropped).iter().copied().collect()
    }

    pub(crate) fn sent(&self) -> Vec<SentFrame> {
        lock(&self.sent).iter().copied().collect()
    }

    pub(crate) fn sessions(&self) -> Vec<SessionInfo> {
        let stream = lock(&self.stream);
        let tell = |viewer: &Arc<Viewer>| SessionInfo {
            id: viewer.id,
            peer: viewer.peer,
            set_up: viewer.set_up.load(Ordering::Relaxed),
            playing: viewer.playing.load(Ordering::Relaxed),
            units_sent: viewer.units_sent.load(Ordering::Relaxed),
            units_dropped: viewer.outbox.dropped(),
            interleaved_received: viewer.interleaved_received.load(Ordering::Relaxed),
        };
        stream.viewers.iter().map(tell).collect()
    }
}

/// The entry for an item that does not reach this viewer.
pub(crate) fn dropped(viewer: &Viewer, item: &Item) -> Option<DroppedFrame> {
    match item {
        Item::Video(unit) => Some(DroppedFrame {
            session: viewer.id,
            number: unit.number,
            capture_ns: unit.capture_ns,
        }),
        Item::Audio { .. } => None,
    }
}
