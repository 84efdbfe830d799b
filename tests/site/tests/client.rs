//! A client that speaks just enough RTSP to see what a camera does.

use std::time::Duration;

use forebay_site::{CameraSpec, SimulatedCamera, Site, Source};
use tokio::io::{AsyncReadExt as _, AsyncWriteExt as _};
use tokio::net::TcpStream;
use tokio::time::timeout;

/// No step on loopback takes as long, unless it hangs.
pub(crate) const PATIENCE: Duration = Duration::from_secs(5);
/// How long to watch that nothing comes.
pub(crate) const SILENCE: Duration = Duration::from_millis(400);

/// A cheap camera: small looped pictures, 25 a second, five to a GOP.
pub(crate) fn spec(name: &str) -> CameraSpec {
    CameraSpec {
        width: 160,
        height: 128,
        changed_size: (96, 80),
        fps: 25,
        gop: 5,
        source: Source::Looped { bits_per_second: 0 },
        ..CameraSpec::new(name)
    }
}

/// A site of one such camera.
pub(crate) async fn site() -> (Site, SimulatedCamera) {
    let site = Site::start(vec![spec("gate")]).await.unwrap();
    let camera = site.camera("gate").unwrap().clone();
    (site, camera)
}

/// What comes from a camera.
#[derive(Debug)]
pub(crate) enum Message {
    /// Status, header, body.
    Reply(u16, String, String),
    Request(String),
    /// Channel and packet.
    Packet(u8, Vec<u8>),
}

pub(crate) struct Client {
    pub(crate) stream: TcpStream,
    url: String,
    cseq: u32,
    buffer: Vec<u8>,
}

impl Client {
    pub(crate) async fn connect(camera: &SimulatedCamera) -> Self {
        let stream = timeout(PATIENCE, TcpStream::connect(camera.address()))
            .await
            .unwrap()
            .unwrap();
        Self {
            stream,
            url: camera.url(),
            cseq: 0,
            buffer: Vec::new(),
        }
    }

    pub(crate) async fn send(&mut self, method: &str, path: &str, headers: &str) {
        self.cseq += 1;
        let (url, cseq) = (&self.url, self.cseq);
        let text = format!("{method} {url}{path} RTSP/1.0\r\nCSeq: {cseq}\r\n{headers}\r\n");
        self.stream.write_all(text.as_bytes()).await.unwrap();
    }

    /// Sends a request and waits for its reply; media before it are dropped.
    pub(crate) async fn ask(
        &mut self,
        method: &str,
        path: &str,
        headers: &str,
    ) -> (u16, String, String) {
        self.send(method, path, headers).await;
        loop {
            match self.next().await.expect("a reply") {
                Message::Reply(code, head, body) => return (code, head, body),
                Message::Request(_) | Message::Packet(..) => {}
            }
        }
    }

    /// Describes, sets up the pictures, plays.
    pub(crate) async fn play(&mut self) {
        assert_eq!(self.ask("DESCRIBE", "", "").await.0, 200);
        let transport = "Transport: RTP/AVP/TCP;unicast;interleaved=0-1\r\n";
        assert_eq!(self.ask("SETUP", "/track=0", transport).await.0, 200);
        assert_eq!(self.ask("PLAY", "/", "").await.0, 200);
    }

    /// The next message; `None` when the camera closes the connection, or is silent for long.
    pub(crate) async fn next(&mut self) -> Option<Message> {
        timeout(PATIENCE, self.message()).await.ok().flatten()
    }

    /// Whether nothing comes for a while, and the connection stays.
    pub(crate) async fn is_silent(&mut self) -> bool {
        self.buffer.is_empty() && timeout(SILENCE, self.stream.readable()).await.is_err()
    }

    async fn message(&mut self) -> Option<Message> {
        loop {
            if let Some((message, size)) = parse(&self.buffer) {
                self.buffer.drain(..size);
                return Some(message);
            }
            if self.stream.read_buf(&mut self.buffer).await.unwrap_or(0) == 0 {
                return None;
            }
        }
    }

    /// The next packet of RTP.
    pub(crate) async fn packet(&mut self) -> Option<Vec<u8>> {
        loop {
            if let Message::Packet(0, packet) = self.next().await? {
                return Some(packet);
            }
        }
    }

    /// Reads until the camera closes the connection; how much that was.
    pub(crate) async fn read_to_end(&mut self) -> usize {
        let mut rest = Vec::new();
        timeout(PATIENCE, self.stream.read_to_end(&mut rest))
            .await
            .unwrap()
            .ok();
        self.buffer.len() + rest.len()
    }
}

fn parse(buffer: &[u8]) -> Option<(Message, usize)> {
    if let [b'$', channel, high, low, ..] = buffer {
        let end = 4 + usize::from(u16::from_be_bytes([*high, *low]));
        let packet = buffer.get(4..end)?.to_vec();
        return Some((Message::Packet(*channel, packet), end));
    }
    let end = 4 + buffer.windows(4).position(|four| four == b"\r\n\r\n")?;
    let head = std::str::from_utf8(&buffer[..end]).unwrap().to_owned();
    let Some(status) = head.strip_prefix("RTSP/1.0 ") else {
        return Some((Message::Request(head), end));
    };
    let code = status[..3].parse().unwrap();
    let length = head
        .split("Content-Length: ")
        .nth(1)
        .and_then(|rest| rest.split("\r\n").next());
    let size: usize = length.map_or(0, |length| length.parse().unwrap());
    let body = String::from_utf8(buffer.get(end..end + size)?.to_vec()).unwrap();
    Some((Message::Reply(code, head, body), end + size))
}

/// Sequence number, RTP time and marker of a packet.
pub(crate) fn header(packet: &[u8]) -> (u16, u32, bool) {
    let time = u32::from_be_bytes(packet[4..8].try_into().unwrap());
    (
        u16::from_be_bytes([packet[2], packet[3]]),
        time,
        packet[1] & 0x80 != 0,
    )
}
