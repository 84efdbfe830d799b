//! One connection: reads requests and answers them. What is sent goes through
//! [`sender`](crate::sender).

use std::io;
use std::net::{IpAddr, SocketAddr};
use std::pin::pin;
use std::sync::Arc;
use std::sync::atomic::Ordering;
use std::time::Duration;

use base64::Engine as _;
use base64::engine::general_purpose::STANDARD;
use bytes::{Bytes, BytesMut};
use tokio::net::{TcpStream, UdpSocket};
use tokio::sync::mpsc;
use tokio::time::{Instant, timeout, timeout_at};

use crate::auth::{Account, Scheme};
use crate::behaviour::{Behaviour, Method, Step};
use crate::camera::{Camera, Reach, Viewer, lock};
use crate::encode::ParameterSets;
use crate::rtp::RtpTrack;
use crate::rtsp::{self, Incoming, Request, Response, Transport};
use crate::sender::{Command, Sender, TrackOut};
use crate::wire;

/// Replies that may wait; a viewer that asks for more without reading is cut off.
const COMMANDS_MAX: usize = 64;
/// How long a last reply may take to leave.
const FLUSH_TIMEOUT: Duration = Duration::from_secs(1);

/// Serves a connection until either side closes it.
pub(crate) async fn serve(camera: Arc<Camera>, stream: TcpStream, peer: SocketAddr) {
    let viewer = camera.enter(peer);
    let leaves = Leaves(&camera, &viewer);
    let mut cuts = camera.cuts.subscribe();
    // A camera sends each frame at once.
    stream.set_nodelay(true).ok();
    let stream = Arc::new(stream);
    let (commands, inbox) = mpsc::channel(COMMANDS_MAX);
    let mut sender = pin!(Sender::new(camera.clone(), viewer.clone(), stream.clone()).run(inbox));
    let session = Session {
        camera: &camera,
        viewer: &viewer,
        commands,
        id: format!("{:08X}", fastrand::u32(..)),
        tracks: Vec::new(),
        described: None,
        playing: false,
    };
    let mut forgotten = false;
    tokio::select! {
        biased;
        _ = cuts.changed() => forgotten = cuts.borrow_and_update().forgotten,
        () = viewer.outbox.overflow() => {}
        _ = &mut sender => {}
        end = session.run(&stream) => match end {
            // The commands' channel is closed now: the sender ends when it has sent all.
            End::Flush => {
                timeout(FLUSH_TIMEOUT, sender).await.ok();
            }
            End::Reset => {
                stream.set_zero_linger().ok();
            }
            End::Gone => {}
        },
    }
    // The place is free, but a viewer out of reach can't hear of it.
    drop(leaves);
    let mut reach = camera.reach.subscribe();
    reach.wait_for(Reach::passes).await.ok();
    if forgotten {
        // A packet of a connection that the camera knows nothing of is answered with RST
        // (RFC 9293 §3.5.2).
        let mut scrap = BytesMut::new();
        let heard = wire::read(&stream, &mut scrap);
        if matches!(
            timeout(camera.spec.session_timeout, heard).await,
            Ok(Ok(1..))
        ) {
            stream.set_zero_linger().ok();
        }
    }
}

/// Takes the viewer off the camera's list however the connection ends.
struct Leaves<'a>(&'a Camera, &'a Viewer);

impl Drop for Leaves<'_> {
    fn drop(&mut self) {
        self.0.leave(self.1);
    }
}

/// The connection is to be closed.
struct Close;

/// How it is to be closed.
enum End {
    /// The viewer is gone.
    Gone,
    /// A last reply may still be on its way.
    Flush,
    /// With RST, not with FIN.
    Reset,
}

struct Session<'a> {
    camera: &'a Camera,
    viewer: &'a Viewer,
    commands: mpsc::Sender<Command>,
    id: String,
    tracks: Vec<TrackOut>,
    described: Option<Arc<ParameterSets>>,
    playing: bool,
}

impl Session<'_> {
    async fn run(mut self, stream: &TcpStream) -> End {
        if self.camera.behaviour() == Behaviour::HangAt(Step::Accept) {
            return self.hang(stream).await;
        }
        let mut reach = self.camera.reach.subscribe();
        let mut buffer = BytesMut::new();
        loop {
            let got = async {
                // Before reading, and again after it: a read may have been waiting when the link
                // went.
                reach.wait_for(Reach::passes).await.ok()?;
                let got = wire::read(stream, &mut buffer).await.ok()?;
                reach.wait_for(Reach::passes).await.ok()?;
                (got > 0).then_some(())
            };
            let patience = Instant::now() + self.camera.spec.session_timeout;
            if !matches!(timeout_at(patience, got).await, Ok(Some(()))) {
                return End::Gone;
            }
            while let Some(incoming) = rtsp::next(&mut buffer) {
                let done = match incoming {
                    Incoming::Request(request) => {
                        let method = Method::parse(&request.method);
                        if let Behaviour::HangAt(step) = self.camera.behaviour()
                            && method.is_some_and(|method| method.step() == Some(step))
                        {
                            return self.hang(stream).await;
                        }
                        self.answer(&request, method).await
                    }
                    Incoming::Interleaved(packet) => {
                        self.viewer
                            .interleaved_received
                            .fetch_add(1, Ordering::Relaxed);
                        if is_receiver_report(&packet) {
                            lock(&self.camera.counts).receiver_reports += 1;
                            if self.camera.spec.resets_on_report {
                                return End::Reset;
                            }
                        }
                        Ok(())
                    }
                    Incoming::Response => Ok(()),
                    Incoming::Malformed => {
                        self.send(Command::Reply(Response::new(400, None).bytes()))
                            .ok();
                        Err(Close)
                    }
                };
                if done.is_err() {
                    return End::Flush;
                }
            }
        }
    }

    /// Says nothing more, and waits until the viewer goes.
    async fn hang(self, stream: &TcpStream) -> End {
        self.send(Command::Hang).ok();
        let mut scrap = BytesMut::new();
        while matches!(wire::read(stream, &mut scrap).await, Ok(1..)) {
            scrap.clear();
        }
        End::Gone
    }

    fn send(&self, command: Command) -> Result<(), Close> {
        self.commands.try_send(command).map_err(|_| Close)
    }

    async fn answer(&mut self, request: &Request, method: Option<Method>) -> Result<(), Close> {
        let cseq = request.header("CSeq");
        let status = |code| Response::new(code, cseq);
        let reply = |response: Response| Command::Reply(response.bytes());
        let behaviour = self.camera.behaviour();
        let Some(method) = method else {
            return self.send(reply(status(501)));
        };
        match behaviour {
            Behaviour::GarbageReplies => {
                let noise =
                    std::iter::repeat_with(|| fastrand::u8(..)).take(fastrand::usize(64..512));
                return self.send(Command::Reply(noise.collect()));
            }
            Behaviour::Status {
                method: which,
                code,
            } if which == method => {
                return self.send(reply(status(code)));
            }
            Behaviour::NotFound if matches!(method, Method::Describe | Method::Setup) => {
                return self.send(reply(status(404)));
            }
            _ => {}
        }
        if method != Method::Options && !self.is_authorized(request, behaviour) {
            lock(&self.camera.counts).unauthorized += 1;
            let challenge = match &self.camera.spec.account {
                Some(account) => account.challenge(&self.camera.nonce),
                None => nobody().challenge(&self.camera.nonce),
            };
            return self.send(reply(status(401).with("WWW-Authenticate", &challenge)));
        }
        let foreign = request
            .header("Session")
            .is_some_and(|named| named.split(';').next().map(str::trim) != Some(&self.id));
        if foreign {
            return self.send(reply(status(454)));
        }
        let response = status(200);
        match method {
            Method::Options => {
                let known = Method::ALL.map(Method::as_str).join(", ");
                self.send(reply(response.with("Public", &known)))
            }
            Method::Describe => self.describe(request, response, behaviour),
            Method::Setup => match self.set_up(request, response).await {
                Ok(response) => self.send(reply(response)),
                Err(code) => self.send(reply(status(code))),
            },
            Method::Play => self.play(request, response, cseq),
            Method::GetParameter | Method::SetParameter => {
                self.send(reply(response.with("Session", &self.id)))
            }
            Method::Teardown => {
                self.viewer.playing.store(false, Ordering::Relaxed);
                self.viewer.set_up.store(false, Ordering::Relaxed);
                self.playing = false;
                self.tracks.clear();
                lock(&self.camera.counts).teardowns += 1;
                self.send(reply(response))?;
                self.send(Command::Stop)
            }
        }
    }

    fn is_authorized(&self, request: &Request, behaviour: Behaviour) -> bool {
        let Some(account) = &self.camera.spec.account else {
            return behaviour != Behaviour::Unauthorized;
        };
        let proof = request.header("Authorization").unwrap_or_default();
        behaviour != Behaviour::Unauthorized
            && account.accepts(proof, &request.method, &self.camera.nonce)
    }

    fn describe(
        &mut self,
        request: &Request,
        response: Response,
        behaviour: Behaviour,
    ) -> Result<(), Close> {
        let name = &self.camera.spec.name;
        if request.path() != name {
            let cseq = request.header("CSeq");
            return self.send(Command::Reply(Response::new(404, cseq).bytes()));
        }
        match behaviour {
            Behaviour::LongHeader { bytes_per_second } => {
                let head = format!("{}X-Padding: ", response.head());
                return self.send(Command::Flood {
                    head: head.into(),
                    fill: b'a',
                    bytes_per_second,
                });
            }
            Behaviour::HugeContentLength { bytes_per_second } => {
                let response = response
                    .with("Content-Type", "application/sdp")
                    .with("Content-Length", "4294967296");
                let head = format!("{}\r\n", response.head());
                return self.send(Command::Flood {
                    head: head.into(),
                    fill: 0,
                    bytes_per_second,
                });
            }
            _ => {}
        }
        let parameters = lock(&self.camera.parameters).clone();
        let sdp = sdp(self.camera, &parameters);
        self.described = Some(parameters);
        let base = format!("rtsp://{}/{name}/", self.camera.address);
        let response = response
            .with("Content-Base", &base)
            .body("application/sdp", sdp);
        self.send(Command::Reply(response.bytes()))
    }

    async fn set_up(&mut self, request: &Request, response: Response) -> Result<Response, u16> {
        let spec = &self.camera.spec;
        let video = match request.path().strip_prefix(&spec.name) {
            Some("/track=0") => true,
            Some("/track=1") if spec.audio => false,
            _ => return Err(404),
        };
        if self.playing || self.tracks.iter().any(|track| track.video == video) {
            return Err(455);
        }
        if !self.camera.has_room(self.viewer.id) {
            return Err(453);
        }
        let wish =
            Transport::parse(request.header("Transport").unwrap_or_default()).ok_or(461_u16)?;
        let ssrc = fastrand::u32(1..);
        let spare = 2 * self.tracks.len() as u8;
        let (channels, udp, transport) = match wish {
            Transport::Interleaved(channels) => {
                let (rtp, rtcp) = channels.unwrap_or((spare, spare + 1));
                (
                    (rtp, rtcp),
                    None,
                    format!("RTP/AVP/TCP;unicast;interleaved={rtp}-{rtcp}"),
                )
            }
            Transport::Udp(rtp, rtcp) => {
                let (pair, ports) =
                    udp_pair(self.camera.address.ip(), self.viewer.peer.ip(), (rtp, rtcp))
                        .await
                        .map_err(|_| 500_u16)?;
                let transport = format!(
                    "RTP/AVP;unicast;client_port={rtp}-{rtcp};server_port={}-{}",
                    ports.0, ports.1
                );
                ((0, 1), Some(pair), transport)
            }
        };
        let payload_type = if video { 96 } else { 0 };
        let sequence = self
            .camera
            .boot()
            .sequence
            .unwrap_or_else(|| fastrand::u16(..));
        let rtp = RtpTrack::new(channels, payload_type, ssrc, sequence);
        self.tracks.push(TrackOut {
            video,
            rtp,
            udp,
            next_report: None,
        });
        self.viewer.set_up.store(true, Ordering::Relaxed);
        let which = if video {
            &self.viewer.has_video
        } else {
            &self.viewer.has_audio
        };
        which.store(true, Ordering::Relaxed);
        let session = format!("{};timeout={}", self.id, spec.session_timeout.as_secs());
        Ok(response.with("Session", &session).with(
            "Transport",
            &format!("{transport};ssrc={ssrc:08X};mode=\"PLAY\""),
        ))
    }

    fn play(
        &mut self,
        request: &Request,
        response: Response,
        cseq: Option<&str>,
    ) -> Result<(), Close> {
        let response = response.with("Session", &self.id);
        if self.playing {
            return self.send(Command::Reply(response.bytes()));
        }
        let wanted = request.path().split('/').next();
        let code = if wanted != Some(&self.camera.spec.name) {
            404
        } else if self.tracks.is_empty() {
            455
        } else {
            200
        };
        if code != 200 {
            return self.send(Command::Reply(Response::new(code, cseq).bytes()));
        }
        // What is offered from here on waits for the sender, which has the reply first.
        let first = self.camera.play(self.viewer);
        let name = &self.camera.spec.name;
        let information: Vec<String> = self
            .tracks
            .iter()
            .map(|track| {
                let number = u8::from(!track.video);
                let time = self.camera.rtp_time(first, track.video);
                let address = self.camera.address;
                let sequence = track.rtp.sequence;
                format!("url=rtsp://{address}/{name}/track={number};seq={sequence};rtptime={time}")
            })
            .collect();
        let response = response
            .with("Range", "npt=now-")
            .with("RTP-Info", &information.join(","));
        self.playing = true;
        lock(&self.camera.counts).plays += 1;
        self.send(Command::Reply(response.bytes()))?;
        let tracks = std::mem::take(&mut self.tracks);
        self.send(Command::Play(tracks, self.described.clone()))
    }
}

/// Whom [`Behaviour::Unauthorized`] asks for where the camera knows nobody.
fn nobody() -> Account {
    Account {
        scheme: Scheme::DigestMd5,
        user: String::new(),
        password: String::new(),
    }
}

/// A packet of RTCP that begins with a receiver report (RFC 3550 §6.4.2): version 2, type 201, and
/// a length in words, less one, that is there.
fn is_receiver_report(packet: &[u8]) -> bool {
    let Some([first, 201, high, low]) = packet.first_chunk::<4>() else {
        return false;
    };
    first >> 6 == 2 && packet.len() >= 4 * (usize::from(u16::from_be_bytes([*high, *low])) + 1)
}

/// Session description (RFC 4566, RFC 6184 §8.2.1, RFC 3551 §6).
fn sdp(camera: &Camera, parameters: &ParameterSets) -> String {
    let spec = &camera.spec;
    let profile: String = parameters
        .sps
        .iter()
        .skip(1)
        .take(3)
        .map(|byte| format!("{byte:02X}"))
        .collect();
    let sets = [&parameters.sps, &parameters.pps]
        .map(|set: &Bytes| STANDARD.encode(set))
        .join(",");
    let mut text = format!(
        "v=0\r\no=- {} 1 IN IP4 {}\r\ns={}\r\nc=IN IP4 0.0.0.0\r\nt=0 0\r\na=control:*\r\n\
         a=range:npt=now-\r\nm=video 0 RTP/AVP 96\r\na=rtpmap:96 H264/90000\r\n\
         a=fmtp:96 packetization-mode=1;profile-level-id={profile};sprop-parameter-sets={sets}\r\n\
         a=framerate:{}\r\na=control:track=0\r\n",
        camera.address.port(),
        camera.address.ip(),
        spec.name,
        spec.fps,
    );
    if spec.audio {
        text.push_str("m=audio 0 RTP/AVP 0\r\na=rtpmap:0 PCMU/8000\r\na=control:track=1\r\n");
    }
    text
}

/// Sockets of RTP and RTCP towards a viewer, with the ports they have here.
async fn udp_pair(
    here: IpAddr,
    peer: IpAddr,
    ports: (u16, u16),
) -> io::Result<((UdpSocket, UdpSocket), (u16, u16))> {
    for _ in 0..64 {
        let rtp = UdpSocket::bind((here, 0)).await?;
        let port = rtp.local_addr()?.port();
        // RTP has the even port, RTCP the odd one above it (RFC 3550 §11).
        if port % 2 == 1 {
            continue;
        }
        if let Ok(rtcp) = UdpSocket::bind((here, port + 1)).await {
            rtp.connect((peer, ports.0)).await?;
            rtcp.connect((peer, ports.1)).await?;
            return Ok(((rtp, rtcp), (port, port + 1)));
        }
    }
    Err(io::Error::new(
        io::ErrorKind::AddrInUse,
        "no free pair of ports for RTP and RTCP",
    ))
}
