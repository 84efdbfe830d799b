//! What a camera is told to be.

use std::io;
use std::time::Duration;

use crate::auth::Account;
use crate::scene::{Daylight, Scene};

/// Where a camera's pictures come from.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Source {
    /// Each is drawn and encoded when it is due, but only while someone watches: about 7 ms of
    /// CPU each at 640 × 360 in a release build.
    Drawn,
    /// One GOP is drawn at the start and sent again and again with a new number and capture time
    /// in its SEI message (label and strip stay), padded to a bit rate. Costs next to nothing.
    Looped {
        /// Mean over a GOP. Less than the pictures take means no padding.
        bits_per_second: u64,
    },
}

/// What a new viewer gets first.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum StartAt {
    /// The next key frame, as from most cameras.
    NextKey,
    /// The running GOP from its key frame, at once.
    LastKey,
}

/// What a camera does with a frame for which a viewer's queue has no room.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum WhenFull {
    /// It drops that frame, and sends the next one for which there is room: what follows refers to
    /// pictures that the viewer never gets.
    DropFrames,
    /// It drops everything up to the next key frame for which there is room.
    #[default]
    DropGroups,
    /// It closes the connection.
    Close,
    /// It stands still, for all of its viewers, until there is room, and goes on with the next key
    /// frame.
    Block,
}

/// A camera to be simulated. Begin with [`CameraSpec::new`] and change what matters.
#[derive(Debug, Clone, PartialEq)]
pub struct CameraSpec {
    /// Path of its URL and part of its label: letters a–z, digits and `-`.
    pub name: String,
    /// It is another stream of that camera, which comes before it: it has no port of its own, and
    /// whoever comes is served by the path of his first request.
    pub stream_of: Option<String>,
    /// What it looks at.
    pub scene: Scene,
    /// The time of day that it shows.
    pub daylight: Daylight,
    /// Pixels a row; even, 16 to 1920.
    pub width: usize,
    /// Rows; even, 16 to 1088.
    pub height: usize,
    /// Width and height under [`Behaviour::ChangeResolution`](crate::Behaviour).
    pub changed_size: (usize, usize),
    /// Frames a second, 1 to 120.
    pub fps: u32,
    /// Frames from key frame to key frame, 2 to 1000. Frame numbers divisible by it are key
    /// frames.
    pub gop: u32,
    /// Where the pictures come from.
    pub source: Source,
    /// A track of G.711 mu-law sound beside the pictures.
    pub audio: bool,
    /// Who may view it; anyone if `None`.
    pub account: Option<Account>,
    /// Parameter sets before each key frame, not only in the description.
    pub parameters_in_band: bool,
    /// What a new viewer gets first.
    pub start_at: StartAt,
    /// Bytes of media that may wait for one viewer. Together with the kernel's send buffer this is
    /// what the camera can save of an outage; under [`Uplink::Down`](crate::Uplink), which holds
    /// everything back before the kernel, this alone.
    pub queue_bytes: usize,
    /// What happens when that is full.
    pub when_full: WhenFull,
    /// The kernel's send buffer of a connection (`SO_SNDBUF`, of which it makes twice as much), if
    /// not its default.
    pub send_buffer_bytes: Option<u32>,
    /// It can't stand a receiver report and resets the connection that brings one.
    pub resets_on_report: bool,
    /// How wrong the camera's own clock is, in nanoseconds: shows in sender reports alone.
    pub clock_offset_ns: i64,
    /// Sessions at a time; one more gets 453.
    pub sessions_max: usize,
    /// A session without a sign of life from the viewer ends after this time.
    pub session_timeout: Duration,
    /// Time between sender reports; the first comes with the first packet.
    pub report_interval: Duration,
}

impl CameraSpec {
    /// 640 × 360, 12 frames a second, a key frame every 2 s, drawn, no sound, open to anyone.
    #[must_use]
    pub fn new(name: &str) -> Self {
        Self {
            name: name.to_owned(),
            stream_of: None,
            scene: Scene::for_camera(name),
            daylight: Daylight::Hour(11.0),
            width: 640,
            height: 360,
            changed_size: (320, 240),
            fps: 12,
            gop: 24,
            source: Source::Drawn,
            audio: false,
            account: None,
            parameters_in_band: false,
            start_at: StartAt::NextKey,
            queue_bytes: 512 << 10,
            when_full: WhenFull::DropGroups,
            send_buffer_bytes: None,
            resets_on_report: false,
            clock_offset_ns: 0,
            sessions_max: 16,
            session_timeout: Duration::from_secs(60),
            report_interval: Duration::from_secs(5),
        }
    }

    /// A camera for load tests: the pictures of [`Source::Looped`] at this bit rate, 25 frames a
    /// second, a key frame every 2 s.
    #[must_use]
    pub fn looped(name: &str, bits_per_second: u64) -> Self {
        let source = Source::Looped { bits_per_second };
        Self {
            fps: 25,
            gop: 50,
            source,
            queue_bytes: 4 << 20,
            ..Self::new(name)
        }
    }

    pub(crate) fn check(&self) -> io::Result<()> {
        let size = |(width, height): (usize, usize)| {
            (16..=1920).contains(&width)
                && (16..=1088).contains(&height)
                && width % 2 == 0
                && height % 2 == 0
        };
        let name = |c: char| c.is_ascii_lowercase() || c.is_ascii_digit() || c == '-';
        let wrong = if self.name.is_empty() || !self.name.chars().all(name) {
            "its name must consist of a-z, 0-9 and '-'"
        } else if !size((self.width, self.height)) || !size(self.changed_size) {
            "its size must be even, 16 to 1920 by 16 to 1088"
        } else if !(1..=120).contains(&self.fps) {
            "it must take 1 to 120 frames a second"
        } else if !(2..=1000).contains(&self.gop) {
            "its GOP must have 2 to 1000 frames"
        } else {
            return Ok(());
        };
        let text = format!("camera {:?}: {wrong}", self.name);
        Err(io::Error::new(io::ErrorKind::InvalidInput, text))
    }
}
