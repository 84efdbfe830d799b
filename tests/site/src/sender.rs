//! Sends what a connection has to send: replies first, then media, with the faults of the hour.

use std::io;
use std::sync::Arc;
use std::sync::atomic::Ordering;
use std::time::{Duration, Instant};

use bytes::Bytes;
use tokio::net::{TcpStream, UdpSocket};
use tokio::sync::{mpsc, watch};

use crate::audio;
use crate::behaviour::{Behaviour, Step};
use crate::camera::{Camera, Reach, SentFrame, Viewer, dropped, lock};
use crate::encode::ParameterSets;
use crate::outbox::{Item, Unit};
use crate::rtp::{self, RtpTrack};
use crate::wire;

/// Time between two pieces of a flood of limited rate.
const FLOOD_STEP: Duration = Duration::from_millis(20);
/// Bytes of a fragment in an oversize unit.
const FRAGMENT: [u8; 1300] = [0xA5; 1300];
/// Bytes of an oversize unit that are made and sent at a time.
const OVERSIZE_STEP: u64 = 64 << 10;
/// First byte of a NAL unit that is a slice of a reference picture (ITU-T H.264 §7.3.1).
const SLICE: u8 = 0x61;

/// What the sender is told to do, in order.
#[derive(Debug)]
pub(crate) enum Command {
    Reply(Bytes),
    /// Media begin; the parameter sets are those that the viewer was told.
    Play(Vec<TrackOut>, Option<Arc<ParameterSets>>),
    Stop,
    /// Send nothing any more.
    Hang,
    /// `head`, then `fill` without end.
    Flood {
        head: Bytes,
        fill: u8,
        bytes_per_second: u64,
    },
}

#[derive(Debug)]
pub(crate) struct TrackOut {
    pub(crate) video: bool,
    pub(crate) rtp: RtpTrack,
    /// Sockets of RTP and RTCP; interleaved if none.
    pub(crate) udp: Option<(UdpSocket, UdpSocket)>,
    /// When the next sender report is due; at once if never.
    pub(crate) next_report: Option<Instant>,
}

pub(crate) struct Sender {
    camera: Arc<Camera>,
    viewer: Arc<Viewer>,
    stream: Arc<TcpStream>,
    reach: watch::Receiver<Reach>,
    tracks: Vec<TrackOut>,
    announced: Option<Arc<ParameterSets>>,
    buffer: Vec<u8>,
    /// The switch of behaviour that `since` counts from.
    switch: u64,
    /// Video units sent since then.
    since: u64,
    /// What happens once has happened since then.
    happened: bool,
    /// An endless fragment has begun.
    endless: bool,
}

impl Sender {
    pub(crate) fn new(camera: Arc<Camera>, viewer: Arc<Viewer>, stream: Arc<TcpStream>) -> Self {
        Self {
            reach: camera.reach.subscribe(),
            camera,
            viewer,
            stream,
            tracks: Vec::new(),
            announced: None,
            buffer: Vec::new(),
            switch: 0,
            since: 0,
            happened: false,
            endless: false,
        }
    }

    /// Ends when the session has nothing more to say, with an error when the connection fails.
    pub(crate) async fn run(mut self, mut commands: mpsc::Receiver<Command>) -> io::Result<()> {
        let mut behaviours = self.camera.behaviour.subscribe();
        loop {
            let (switch, behaviour) = *behaviours.borrow_and_update();
            if switch != self.switch {
                (self.switch, self.since, self.happened, self.endless) = (switch, 0, false, false);
            }
            let playing = !self.tracks.is_empty();
            match behaviour {
                Behaviour::HangAt(Step::AfterPlay(units))
                    if playing && self.viewer.units_sent.load(Ordering::Relaxed) >= units =>
                {
                    return std::future::pending().await;
                }
                Behaviour::Freeze => {
                    behaviours.changed().await.map_err(io::Error::other)?;
                    continue;
                }
                _ => {}
            }
            let endless = match behaviour {
                Behaviour::EndlessFragment { bytes_per_second } if playing => {
                    Some(bytes_per_second)
                }
                _ => None,
            };
            let viewer = self.viewer.clone();
            tokio::select! {
                biased;
                command = commands.recv() => match command {
                    None => return Ok(()),
                    Some(command) => self.obey(command, &mut behaviours).await?,
                },
                _ = behaviours.changed() => {}
                () = tokio::time::sleep(FLOOD_STEP), if endless.is_some() => {
                    self.endless_fragment(endless.unwrap_or_default()).await?;
                }
                item = viewer.outbox.next(), if playing && endless.is_none() => {
                    if self.item(&item, behaviour).await?.is_break() {
                        return Ok(());
                    }
                }
            }
        }
    }

    async fn obey(
        &mut self,
        command: Command,
        behaviours: &mut watch::Receiver<(u64, Behaviour)>,
    ) -> io::Result<()> {
        match command {
            Command::Reply(bytes) => self.write(&bytes).await,
            Command::Play(tracks, announced) => {
                (self.tracks, self.announced) = (tracks, announced);
                Ok(())
            }
            Command::Stop => {
                self.tracks.clear();
                Ok(())
            }
            Command::Hang => std::future::pending().await,
            Command::Flood {
                head,
                fill,
                bytes_per_second,
            } => {
                self.write(&head).await?;
                let piece = vec![fill; per_step(bytes_per_second)];
                while !behaviours.has_changed().unwrap_or(true) {
                    self.write(&piece).await?;
                    tokio::time::sleep(FLOOD_STEP).await;
                }
                // The reply can't be finished any more.
                Err(io::Error::other("the reply was broken off"))
            }
        }
    }

    /// Over the connection, once the uplink is there.
    async fn write(&mut self, bytes: &[u8]) -> io::Result<()> {
        self.reach
            .wait_for(Reach::passes)
            .await
            .map_err(io::Error::other)?;
        wire::write_all(&self.stream, bytes).await
    }

    async fn item(
        &mut self,
        item: &Item,
        behaviour: Behaviour,
    ) -> io::Result<std::ops::ControlFlow<()>> {
        let is_video = matches!(item, Item::Video(_));
        let Some(index) = self.tracks.iter().position(|track| track.video == is_video) else {
            return Ok(std::ops::ControlFlow::Continue(()));
        };
        if is_video && !self.happened && self.since == 1 {
            match behaviour {
                Behaviour::RequestToClient => {
                    self.happened = true;
                    let request =
                        format!("OPTIONS * RTSP/1.0\r\nCSeq: {}\r\n\r\n", self.viewer.id + 1);
                    self.write(request.as_bytes()).await?;
                }
                Behaviour::OversizeUnit { bytes } => {
                    self.happened = true;
                    self.oversize(index, item, bytes).await?;
                }
                _ => {}
            }
        }
        self.buffer.clear();
        let Some(track) = self.tracks.get_mut(index) else {
            return Ok(std::ops::ControlFlow::Continue(()));
        };
        track.rtp.lose_every = match behaviour {
            Behaviour::LosePackets { every } if is_video => every,
            _ => 0,
        };
        report(&self.camera, track, &mut self.buffer);
        let before = track.rtp.left_out;
        match item {
            Item::Video(unit) => {
                let time = self.camera.rtp_time(unit.media_ns, true);
                video(
                    &self.camera,
                    track,
                    &mut self.announced,
                    &mut self.buffer,
                    unit,
                    time,
                );
            }
            Item::Audio { number, media_ns } => {
                let time = self.camera.rtp_time(*media_ns, false);
                track.rtp.packet(
                    &mut self.buffer,
                    time,
                    false,
                    [&audio::pcmu_packet(*number), &[]],
                );
            }
        }
        *lock(&self.viewer.in_hand) = dropped(&self.viewer, item);
        let whole = track.rtp.left_out == before;
        if behaviour == Behaviour::GarbageMedia {
            self.buffer
                .iter_mut()
                .for_each(|byte| *byte = fastrand::u8(..));
        }
        if is_video && behaviour == Behaviour::CloseMidUnit && self.since >= 2 {
            self.buffer.truncate(self.buffer.len() / 2);
            self.deliver(index).await?;
            return Ok(std::ops::ControlFlow::Break(()));
        }
        let left = self.deliver(index).await?;
        let lost = lock(&self.viewer.in_hand).take().filter(|_| !left);
        if let Some(frame) = lost {
            self.camera.log_dropped(frame);
        } else if let Item::Video(unit) = item {
            self.since += 1;
            self.viewer.units_sent.fetch_add(1, Ordering::Relaxed);
            if behaviour != Behaviour::GarbageMedia {
                self.camera.log(SentFrame {
                    session: self.viewer.id,
                    number: unit.number,
                    capture_ns: unit.capture_ns,
                    key: unit.key,
                    whole,
                    bytes: unit.bytes(),
                    fingerprint: unit.fingerprint,
                });
            }
        }
        Ok(std::ops::ControlFlow::Continue(()))
    }

    /// Sends what is in the buffer, all of it of one track. False if nobody can have got it.
    async fn deliver(&mut self, index: usize) -> io::Result<bool> {
        let buffer = std::mem::take(&mut self.buffer);
        let udp = self.tracks.get(index).and_then(|track| track.udp.as_ref());
        let done = match udp {
            None => self.write(&buffer).await.map(|()| true),
            // Datagrams don't wait for a link.
            Some(_) if !self.reach.borrow().passes() => Ok(false),
            Some((rtp, rtcp)) => {
                for (channel, packet) in rtp::packets(&buffer) {
                    let socket = if channel == 0 { rtp } else { rtcp };
                    // A viewer that has closed its port shows when its connection ends.
                    socket.send(packet).await.ok();
                }
                Ok(true)
            }
        };
        self.buffer = buffer;
        done
    }

    async fn oversize(&mut self, index: usize, item: &Item, bytes: u64) -> io::Result<()> {
        let Item::Video(unit) = item else {
            return Ok(());
        };
        // A tick ahead of the unit that follows it.
        let time = self.camera.rtp_time(unit.media_ns, true).wrapping_sub(1);
        let mut sent = 0;
        while sent < bytes {
            self.buffer.clear();
            let stop = (sent + OVERSIZE_STEP).min(bytes);
            let Some(track) = self.tracks.get_mut(index) else {
                return Ok(());
            };
            while sent < stop {
                let size = (bytes - sent).min(FRAGMENT.len() as u64);
                let ends = sent + size == bytes;
                let chunk = FRAGMENT.get(..size as usize).unwrap_or_default();
                track.rtp.fragment(
                    &mut self.buffer,
                    time,
                    SLICE,
                    (sent == 0, ends),
                    ends,
                    chunk,
                );
                sent += size;
            }
            self.deliver(index).await?;
        }
        Ok(())
    }

    async fn endless_fragment(&mut self, bytes_per_second: u64) -> io::Result<()> {
        let Some(index) = self.tracks.iter().position(|track| track.video) else {
            return Ok(());
        };
        let time = self.camera.rtp_time(0, true);
        self.buffer.clear();
        if let Some(track) = self.tracks.get_mut(index) {
            track.rtp.lose_every = 0;
            while self.buffer.len() < per_step(bytes_per_second) {
                let begins = !std::mem::replace(&mut self.endless, true);
                track.rtp.fragment(
                    &mut self.buffer,
                    time,
                    SLICE,
                    (begins, false),
                    false,
                    &FRAGMENT,
                );
            }
        }
        self.deliver(index).await.map(drop)
    }
}

fn per_step(bytes_per_second: u64) -> usize {
    let bytes = bytes_per_second.saturating_mul(FLOOD_STEP.as_millis() as u64) / 1000;
    bytes.clamp(1, 4 << 20) as usize
}

/// Appends a sender report if one is due.
fn report(camera: &Camera, track: &mut TrackOut, out: &mut Vec<u8>) {
    let now = Instant::now();
    if track.next_report.is_none_or(|due| due <= now) {
        track.next_report = Some(now + camera.spec.report_interval);
        let media_ns = camera.now_ns();
        let time = camera.rtp_time(media_ns, track.video);
        track
            .rtp
            .sender_report(out, time, camera.own_clock_ns(media_ns));
    }
}

/// Appends the packets of a unit, behind its parameter sets where the viewer needs them.
fn video(
    camera: &Camera,
    track: &mut TrackOut,
    announced: &mut Option<Arc<ParameterSets>>,
    out: &mut Vec<u8>,
    unit: &Unit,
    time: u32,
) {
    let news = announced.as_ref() != Some(&unit.parameters);
    if unit.key && (news || camera.spec.parameters_in_band) {
        *announced = Some(unit.parameters.clone());
        for set in [&unit.parameters.sps, &unit.parameters.pps] {
            track.rtp.nal(out, time, set, false);
        }
    }
    let mut nals = unit.nals.iter().peekable();
    while let Some(nal) = nals.next() {
        track.rtp.nal(out, time, nal, nals.peek().is_none());
    }
}
