//! One RTSP session, every step under a time limit: the library has none of its own, and a
//! `DESCRIBE` to a camera that hangs would wait for ever.

use std::future::Future;
use std::sync::Arc;
use std::time::Duration;

use futures_util::StreamExt as _;
use retina::client::{
    Credentials, InitialSequenceNumberPolicy, InitialTimestampPolicy, PacketItem, PlayOptions,
    Playing, SessionGroup, SessionIdPolicy, SessionOptions, SetupOptions, TcpTransportOptions,
    Transport, UdpTransportOptions, UnassignedChannelDataPolicy, UnknownRtcpSsrcPolicy,
};
use retina::codec::FrameFormat;
use retina::rtcp::ReceivedCompoundPacket;

use super::assemble::{Assembler, Frame, Trouble};
use super::cause::{EndCause, SessionError};
use super::sdp::{Listed, format_parameters};
use super::wire::{Claim, Watch, flooded};
use crate::config::{self, Camera, FirstSequence, SenderReports, SessionId, StartTime, StrayData};
use crate::hold::TrackKind;

/// Errors in a row after which a session is beyond help: after a lost frame boundary on TCP the
/// library never finds the next one.
const ERRORS_IN_A_ROW_MAX: u32 = 20;
/// How long a polite good-bye may take before the next session is tried.
const TEARDOWN_TIME: Duration = Duration::from_secs(1);

/// A session that plays.
pub(super) struct Session {
    playing: retina::client::Session<Playing>,
    assemblers: Vec<Option<Assembler>>,
    frames: Vec<Frame>,
    errors_in_a_row: u32,
    /// What comes after the frames that were ready when it happened.
    fault: Option<Item>,
    wire: Option<Claim>,
    /// Packets since the last [`Session::pulse`].
    packets: u64,
    /// What the camera had sent when packets came last.
    baseline: Option<u64>,
    /// Bytes that may arrive without a packet coming of them.
    stall_bytes_max: u64,
}

/// What a session yields.
#[derive(Debug)]
pub(super) enum Item {
    /// Units of a stream, in order.
    Frames { stream: usize, frames: Vec<Frame> },
    /// A sender report or other RTCP packet.
    Rtcp(ReceivedCompoundPacket),
    /// A fault that the session survives; `stream` has lost something where it is named.
    Fault {
        stream: Option<usize>,
        oversize: bool,
        message: String,
    },
}

impl std::fmt::Debug for Session {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("Session")
            .field("assemblers", &self.assemblers)
            .finish_non_exhaustive()
    }
}

async fn timed<T>(
    step: &str,
    limit: Duration,
    work: impl Future<Output = Result<T, retina::Error>>,
) -> Result<T, SessionError> {
    match tokio::time::timeout(limit, work).await {
        Ok(Ok(done)) => Ok(done),
        Ok(Err(error)) => Err(SessionError::from_rtsp(step, &error)),
        Err(_) => Err(SessionError::timed_out(step, limit)),
    }
}

/// User name and password, read anew for each session: a changed password needs no restart.
async fn credentials(camera: &Camera) -> Result<Option<Credentials>, SessionError> {
    let Some(known) = camera.credentials.clone() else {
        return Ok(None);
    };
    let reader = known.clone();
    // The file may lie on a file system that hangs.
    let reading = tokio::task::spawn_blocking(move || reader.read());
    let password = tokio::time::timeout(camera.step, reading)
        .await
        .map_err(|_| SessionError::timed_out("reading the password", camera.step))?
        .map_err(|error| SessionError::new(EndCause::Internal, error.to_string()))?
        .map_err(|error| SessionError::new(EndCause::Unauthorized, error.to_string()))?;
    Ok(Some(Credentials {
        username: known.username.clone(),
        password: password.expose().to_owned(),
    }))
}

impl Session {
    /// Describes, sets up and plays. Ends within the sum of its steps' time limits, and when the
    /// camera sends more than a set-up can need.
    pub(super) async fn open(
        camera: &Camera,
        group: &Arc<SessionGroup>,
    ) -> Result<Self, SessionError> {
        let watch = Watch::begin(camera).await;
        let mut session = watch.over(Self::set_up(camera, group)).await?;
        session.wire = watch.end();
        Ok(session)
    }

    async fn set_up(camera: &Camera, group: &Arc<SessionGroup>) -> Result<Self, SessionError> {
        let limit = camera.step;
        let options = SessionOptions::default()
            .creds(credentials(camera).await?)
            .user_agent(concat!("Forebay/", env!("CARGO_PKG_VERSION")).to_owned())
            .session_group(Arc::clone(group))
            .unassigned_channel_data(match camera.quirks.stray_data {
                StrayData::Auto => UnassignedChannelDataPolicy::Auto,
                StrayData::Ignore => UnassignedChannelDataPolicy::Ignore,
            })
            .session_id(match camera.quirks.session_id {
                SessionId::Strict => SessionIdPolicy::RequireMatch,
                SessionId::First => SessionIdPolicy::UseFirst,
            });
        let describe = retina::client::Session::describe(camera.url.clone(), options);
        let mut described = timed("DESCRIBE", limit, describe).await?;

        let listed: Vec<_> = described
            .streams()
            .iter()
            .map(|stream| Listed {
                media: stream.media(),
                payload_type: stream.rtp_payload_type(),
            })
            .collect();
        let parameters = format_parameters(described.sdp(), &listed);
        let mut assemblers = Vec::new();
        let mut refused = Vec::new();
        let mut taken = [false; 2];
        for (stream, parameters) in described.streams().iter().zip(parameters) {
            let bound = camera.access_unit.as_usize();
            let assembler = match Assembler::new(stream, parameters, bound) {
                Ok(assembler) => assembler,
                Err(error) => {
                    refused.push(format!("{}: {error}", stream.encoding_name()));
                    None
                }
            };
            // The first of each kind; audio only if it is wanted.
            assemblers.push(assembler.filter(|new| {
                let (slot, wanted) = match new.codec().kind() {
                    TrackKind::Video => (0, true),
                    TrackKind::Audio => (1, camera.audio),
                };
                wanted
                    && taken
                        .get_mut(slot)
                        .is_some_and(|taken| !std::mem::replace(taken, true))
            }));
            if assemblers.last().is_some_and(Option::is_none) {
                refused.push(format!("{}/{}", stream.media(), stream.encoding_name()));
            }
        }
        if assemblers.iter().all(Option::is_none) {
            let offered = if refused.is_empty() {
                "nothing".to_owned()
            } else {
                refused.join(", ")
            };
            return Err(SessionError::new(
                EndCause::NoMedia,
                format!("no track to take: the camera offers {offered}"),
            ));
        }

        for (index, assembler) in assemblers.iter().enumerate() {
            if assembler.is_some() {
                let transport = match camera.transport {
                    config::Transport::Tcp => Transport::Tcp(TcpTransportOptions::default()),
                    config::Transport::Udp => Transport::Udp(UdpTransportOptions::default()),
                };
                let options = SetupOptions::default()
                    .transport(transport)
                    .frame_format(FrameFormat::MP4);
                timed("SETUP", limit, described.setup(index, options)).await?;
            }
        }
        let options = PlayOptions::default()
            .initial_timestamp(match camera.quirks.start_time {
                // The library asks for it only where there is more than one stream.
                StartTime::Announced => InitialTimestampPolicy::Default,
                StartTime::Lenient => InitialTimestampPolicy::Permissive,
                StartTime::Zero => InitialTimestampPolicy::Ignore,
            })
            .initial_seq(match camera.quirks.first_sequence {
                FirstSequence::Plausible => InitialSequenceNumberPolicy::IgnoreSuspiciousValues,
                FirstSequence::Announced => InitialSequenceNumberPolicy::Respect,
                FirstSequence::Received => InitialSequenceNumberPolicy::Ignore,
            })
            .unknown_rtcp_ssrc(match camera.quirks.sender_reports {
                SenderReports::Matching => UnknownRtcpSsrcPolicy::DropPackets,
                SenderReports::Any => UnknownRtcpSsrcPolicy::ProcessPackets,
            });
        let playing = timed("PLAY", limit, described.play(options)).await?;
        Ok(Self {
            playing,
            assemblers,
            frames: Vec::new(),
            errors_in_a_row: 0,
            fault: None,
            wire: None,
            packets: 0,
            baseline: None,
            stall_bytes_max: camera.access_unit.bytes(),
        })
    }

    /// The streams that are taken, by index.
    pub(super) fn assemblers(&self) -> impl Iterator<Item = (usize, &Assembler)> {
        self.assemblers
            .iter()
            .enumerate()
            .filter_map(|(index, assembler)| Some((index, assembler.as_ref()?)))
    }

    pub(super) fn assembler(&self, stream: usize) -> Option<&Assembler> {
        self.assemblers.get(stream)?.as_ref()
    }

    /// To be called now and then: an error when much arrives and no packet comes of it, as from an
    /// endless RTSP message.
    pub(super) fn pulse(&mut self) -> Result<(), SessionError> {
        let Some(received) = self.wire.as_ref().and_then(Claim::bytes_received) else {
            return Ok(());
        };
        let moved = std::mem::take(&mut self.packets) > 0;
        let baseline = self.baseline.filter(|_| !moved).unwrap_or(received);
        self.baseline = Some(baseline);
        let stalled = received.saturating_sub(baseline);
        if stalled > self.stall_bytes_max {
            Err(flooded(stalled))
        } else {
            Ok(())
        }
    }

    /// The next item. Cancel-safe. An error ends the session.
    pub(super) async fn next(&mut self) -> Result<Item, SessionError> {
        if let Some(fault) = self.fault.take() {
            return Ok(fault);
        }
        loop {
            match self.playing.next().await {
                Some(Ok(PacketItem::Rtp(packet))) => {
                    self.packets += 1;
                    if let Some(item) = self.take(&packet)? {
                        return Ok(item);
                    }
                }
                Some(Ok(PacketItem::Rtcp(packet))) => return Ok(Item::Rtcp(packet)),
                Some(Ok(_)) => {}
                Some(Err(error)) => {
                    let error = SessionError::from_rtsp("PLAY", &error);
                    let message = error.message.clone();
                    self.errors_in_a_row += 1;
                    if error.cause != EndCause::Protocol
                        || self.errors_in_a_row > ERRORS_IN_A_ROW_MAX
                    {
                        return Err(error);
                    }
                    return Ok(Item::Fault {
                        stream: None,
                        oversize: false,
                        message,
                    });
                }
                None => {
                    return Err(SessionError::new(
                        EndCause::Closed,
                        "the camera closed the connection",
                    ));
                }
            }
        }
    }

    fn take(&mut self, packet: &retina::rtp::ReceivedPacket) -> Result<Option<Item>, SessionError> {
        let stream = packet.stream_id();
        let Some(Some(assembler)) = self.assemblers.get_mut(stream) else {
            return Ok(None);
        };
        let result = assembler.push(packet, &mut self.frames);
        let Err(trouble) = result else {
            if self.frames.is_empty() {
                return Ok(None);
            }
            self.errors_in_a_row = 0;
            return Ok(Some(Item::Frames {
                stream,
                frames: std::mem::take(&mut self.frames),
            }));
        };
        self.errors_in_a_row += 1;
        let message = trouble.to_string();
        match trouble {
            Trouble::Endless { .. } => Err(SessionError::new(EndCause::Oversize, message)),
            Trouble::Malformed(_) if self.errors_in_a_row > ERRORS_IN_A_ROW_MAX => {
                Err(SessionError::new(EndCause::Protocol, message))
            }
            Trouble::Oversize { .. } if self.errors_in_a_row > ERRORS_IN_A_ROW_MAX => {
                Err(SessionError::new(EndCause::Oversize, message))
            }
            Trouble::Oversize { .. } | Trouble::Malformed(_) => {
                let oversize = matches!(trouble, Trouble::Oversize { .. });
                let fault = Item::Fault {
                    stream: Some(stream),
                    oversize,
                    message,
                };
                if self.frames.is_empty() {
                    return Ok(Some(fault));
                }
                // Units that were complete before the trouble go first.
                self.fault = Some(fault);
                let frames = std::mem::take(&mut self.frames);
                Ok(Some(Item::Frames { stream, frames }))
            }
        }
    }

    /// Says good-bye and waits for it (within bounds), so that a camera with few session slots
    /// has ours free again.
    pub(super) async fn close(self, group: &SessionGroup) {
        drop(self.playing);
        farewell(group).await;
    }
}

/// Waits for the good-byes of sessions that were dropped, within bounds: a camera that can't be
/// reached can't be waited for.
pub(super) async fn farewell(group: &SessionGroup) {
    let waited = tokio::time::timeout(TEARDOWN_TIME, group.await_teardown()).await;
    // A failed TEARDOWN is the camera's session timeout to clean up; nothing is left to do here.
    drop(waited);
}
