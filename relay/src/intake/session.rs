//! One RTSP session, every step under a time limit: the library has none of its own, and a
//! `DESCRIBE` to a camera that hangs would wait for ever.

use std::future::Future;
use std::sync::Arc;
use std::time::{Duration, Instant};

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
use super::reports::{self, Reception};
use super::sdp::{Listed, format_parameters};
use super::wire::{Claim, Sent, Watch, flooded};
use crate::config::{self, Camera, FirstSequence, SenderReports, SessionId, StartTime, StrayData};
use crate::hold::TrackKind;

/// Errors in a row after which a session is beyond help: after a lost frame boundary on TCP the
/// library never finds the next one.
const ERRORS_IN_A_ROW_MAX: u32 = 20;
/// A shorter pause of the packets is jitter, and not worth a remark.
const PAUSE_MIN: Duration = Duration::from_millis(300);
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
    receptions: Vec<Option<Reporting>>,
    began: Instant,
    /// When a packet came last.
    heard: Option<Instant>,
    /// The last long pause before that: since when.
    pause: Option<Instant>,
    /// Packets since the last [`Session::pulse`].
    packets: u64,
    /// What the camera had sent when packets came last.
    baseline: Option<u64>,
    /// Bytes that may arrive without a packet coming of them.
    stall_bytes_max: u64,
}

/// What receiver reports of a stream need.
#[derive(Debug)]
struct Reporting {
    reception: Reception,
    clock_rate: u32,
    /// Where its RTCP goes; none over UDP, where the library owns the sockets.
    channel: Option<u8>,
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
        let began = Instant::now();
        let reporting = |(index, assembler): (usize, &Option<Assembler>)| {
            let clock_rate = assembler.as_ref()?.clock_rate().get();
            let channel = playing
                .streams()
                .get(index)
                .and_then(|stream| rtcp_channel(&stream.ctx()?.to_string()));
            Some(Reporting {
                reception: Reception::new(began, fastrand::u64(..)),
                clock_rate,
                channel,
            })
        };
        let receptions = assemblers.iter().enumerate().map(reporting).collect();
        Ok(Self {
            playing,
            assemblers,
            receptions,
            began,
            heard: None,
            pause: None,
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

    /// Whether the session can be left alone while the camera is silent: then the library sends no
    /// keep-alive into an outage, which would back off and be in the way of the next packet.
    pub(super) fn can_rest(&self) -> bool {
        let interleaved = |reporting: &Reporting| reporting.channel.is_some();
        self.wire.is_some() && self.receptions.iter().flatten().all(interleaved)
    }

    /// Whether there is something to read, or no way to know.
    pub(super) fn has_unread(&self) -> bool {
        self.wire.as_ref().is_none_or(Claim::has_unread)
    }

    /// When a packet came last.
    pub(super) fn heard(&self) -> Option<Instant> {
        self.heard
    }

    /// Whether all that was sent to the camera has been acknowledged.
    pub(super) fn is_acknowledged(&self) -> bool {
        self.wire.as_ref().is_some_and(Claim::is_acknowledged)
    }

    /// Since when packets paused before they came again; once.
    pub(super) fn take_pause(&mut self) -> Option<Instant> {
        self.pause.take()
    }

    /// Sends a receiver report of its first stream, due or not.
    pub(super) fn kick(&mut self) -> Sent {
        let first = self.receptions.iter_mut().flatten().next();
        send_report(self.wire.as_ref(), first, Instant::now())
    }

    /// Sends the receiver reports that are due.
    pub(super) fn report(&mut self, now: Instant) -> Option<Sent> {
        let due = |reporting: &&mut Reporting| reporting.reception.is_due(now);
        let reporting = self.receptions.iter_mut().flatten().find(due)?;
        Some(send_report(self.wire.as_ref(), Some(reporting), now))
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
                    self.note(&packet);
                    if let Some(item) = self.take(&packet)? {
                        return Ok(item);
                    }
                }
                Some(Ok(PacketItem::Rtcp(packet))) => {
                    self.note_report(&packet);
                    return Ok(Item::Rtcp(packet));
                }
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

    fn note(&mut self, packet: &retina::rtp::ReceivedPacket) {
        let now = Instant::now();
        if let Some(before) = self.heard.replace(now)
            && now.saturating_duration_since(before) >= PAUSE_MIN
        {
            self.pause = Some(before);
        }
        if let Some(Some(reporting)) = self.receptions.get_mut(packet.stream_id()) {
            let seen = reports::Packet {
                ssrc: packet.ssrc(),
                sequence: packet.sequence_number(),
                ticks: packet.timestamp().timestamp(),
                clock_rate: reporting.clock_rate,
            };
            reporting.reception.packet(seen, now, self.began);
        }
    }

    fn note_report(&mut self, packet: &ReceivedCompoundPacket) {
        let Some(Some(reporting)) = self.receptions.get_mut(packet.stream_id()) else {
            return;
        };
        for report in packet
            .pkts()
            .filter_map(|one| one.as_sender_report().ok().flatten())
        {
            let ntp = report.ntp_timestamp().0;
            reporting.reception.sender_report(ntp, Instant::now());
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

fn send_report(wire: Option<&Claim>, reporting: Option<&mut Reporting>, now: Instant) -> Sent {
    let (Some(wire), Some(reporting)) = (wire, reporting) else {
        return Sent::Impossible;
    };
    let Some(channel) = reporting.channel else {
        return Sent::Impossible;
    };
    let report = reporting.reception.report(now);
    wire.send(&reports::interleaved(channel, &report))
}

/// The RTCP channel of a stream, which the library tells in words alone: "TCP, interleaved channel
/// ids 0-1".
fn rtcp_channel(context: &str) -> Option<u8> {
    let (_, channels) = context.split_once("interleaved channel ids ")?;
    channels.split_once('-')?.1.trim().parse().ok()
}

/// Waits for the good-byes of sessions that were dropped, within bounds: a camera that can't be
/// reached can't be waited for.
pub(super) async fn farewell(group: &SessionGroup) {
    let waited = tokio::time::timeout(TEARDOWN_TIME, group.await_teardown()).await;
    // A failed TEARDOWN is the camera's session timeout to clean up; nothing is left to do here.
    drop(waited);
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn channels_are_read_from_words() {
        assert_eq!(rtcp_channel("TCP, interleaved channel ids 2-3"), Some(3));
        assert_eq!(
            rtcp_channel("10.0.0.1:5000-5001(me) -> 10.0.0.2:6000-6001"),
            None
        );
    }
}
