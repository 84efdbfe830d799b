//! What can be wrong with a camera.

use std::fmt;

/// How a camera behaves; see [`SimulatedCamera::behave`](crate::SimulatedCamera::behave).
///
/// It takes effect at once, for running sessions too unless it says otherwise. What happens
/// "once" happens once in each session, and again after the next switch.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum Behaviour {
    /// As it should.
    #[default]
    Normal,
    /// Nothing listens on the port, and running connections are cut.
    RefuseConnections,
    /// 401 to every request but OPTIONS, whatever it brings along.
    Unauthorized,
    /// 404 to DESCRIBE and SETUP.
    NotFound,
    /// This status to every request of one method.
    Status {
        /// Which requests.
        method: Method,
        /// RTSP status code, as 453 or 503.
        code: u16,
    },
    /// From this step on the connection answers and sends nothing, and stays open; for good, even
    /// if the behaviour changes.
    HangAt(Step),
    /// Random bytes instead of each reply.
    GarbageReplies,
    /// Random bytes instead of media, as many as the media had (TCP only: over UDP each is a
    /// packet of noise).
    GarbageMedia,
    /// Once: an access unit of this size, in fragments.
    OversizeUnit {
        /// Size of its only NAL unit.
        bytes: u64,
    },
    /// Fragments of one NAL unit that never ends, instead of media.
    EndlessFragment {
        /// How fast.
        bytes_per_second: u64,
    },
    /// Once, at the third unit: half of it, then the connection is closed.
    CloseMidUnit,
    /// Pictures of the other size from the next key frame on, with new parameter sets in band;
    /// [`Normal`](Self::Normal) brings the first size back in the same way.
    ChangeResolution,
    /// Cuts all connections; SSRC, sequence numbers and RTP time begin anew, and the clock in
    /// sender reports begins at 1970-01-01, until another behaviour sets it right.
    RestartWithClock1970,
    /// Each `every`-th RTP packet is numbered, but not sent.
    LosePackets {
        /// 0 loses none.
        every: u32,
    },
    /// A reply to DESCRIBE with a header line that never ends.
    LongHeader {
        /// How fast it comes.
        bytes_per_second: u64,
    },
    /// A reply to DESCRIBE with a body of 4 GB, zeros.
    HugeContentLength {
        /// How fast it comes.
        bytes_per_second: u64,
    },
    /// Once: the server sends an OPTIONS request in mid-play. No answer is awaited.
    RequestToClient,
    /// Sends neither media nor replies, keeps connections. Afterwards it goes on with what
    /// waited in its queue.
    Freeze,
}

/// A step of a session at which it can hang.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Step {
    /// The connection is accepted, and that is all.
    Accept,
    /// No reply to OPTIONS.
    Options,
    /// No reply to DESCRIBE.
    Describe,
    /// No reply to SETUP.
    Setup,
    /// No reply to PLAY.
    Play,
    /// Nothing more after this number of video units in a session.
    AfterPlay(u64),
}

/// Whether the site's link to the world works; see [`Site::uplink`](crate::Site::uplink).
///
/// This is an outage without a network to be broken: what a camera has to say stays in its queue,
/// what viewers say is not read, and whoever connects gets no answer until his time-out. Sessions'
/// timers go on. What the camera sent before has arrived.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Uplink {
    /// It does.
    Up,
    /// Nothing is read or written; connections stay, new ones don't come about.
    Down,
}

/// Methods of RTSP that the cameras know.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
#[expect(missing_docs, reason = "their names are their meaning")]
pub enum Method {
    Options,
    Describe,
    Setup,
    Play,
    GetParameter,
    SetParameter,
    Teardown,
}

impl Method {
    pub(crate) const ALL: [Self; 7] = [
        Self::Options,
        Self::Describe,
        Self::Setup,
        Self::Play,
        Self::GetParameter,
        Self::SetParameter,
        Self::Teardown,
    ];

    pub(crate) fn parse(text: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|method| method.as_str() == text)
    }

    pub(crate) fn as_str(self) -> &'static str {
        match self {
            Self::Options => "OPTIONS",
            Self::Describe => "DESCRIBE",
            Self::Setup => "SETUP",
            Self::Play => "PLAY",
            Self::GetParameter => "GET_PARAMETER",
            Self::SetParameter => "SET_PARAMETER",
            Self::Teardown => "TEARDOWN",
        }
    }

    /// Where a session that hangs at this method hangs.
    pub(crate) fn step(self) -> Option<Step> {
        match self {
            Self::Options => Some(Step::Options),
            Self::Describe => Some(Step::Describe),
            Self::Setup => Some(Step::Setup),
            Self::Play => Some(Step::Play),
            _ => None,
        }
    }
}

impl fmt::Display for Method {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(self.as_str())
    }
}
