//! A session's connection, which the RTSP library hides: how much the camera has sent on it, and a
//! way to send a packet.
//!
//! The library takes a message whole, whatever its length says; the kernel counts for it
//! (`TCP_INFO`), and that is the one thing that bounds what it reads. The same count tells, without
//! touching the session, whether a silent camera sends again.
//!
//! Linux only. Where the socket can't be found or asked, there is no bound but the time limits, and
//! no packet is sent.

use std::future::Future;
use std::net::SocketAddr;
use std::os::fd::{AsRawFd as _, OwnedFd, RawFd};
use std::sync::{Mutex, MutexGuard, PoisonError};
use std::time::Duration;

use rustix::process::{PidfdFlags, PidfdGetfdFlags};

use super::cause::{EndCause, SessionError};
use crate::config::Camera;
use crate::tcp::TcpInfo;

/// Most bytes that a camera may send until its session plays: a session description and a few
/// answers are some KiB.
const SETUP_BYTES_MAX: u64 = 1 << 20;
/// How long after the beginning of a set-up, and how often from then on, it is looked at. On a link
/// that works most set-ups are over by then; over one that doesn't there are many at a time.
const LOOKS: [Duration; 5] = [
    Duration::from_millis(200),
    Duration::from_millis(200),
    Duration::from_millis(200),
    Duration::from_millis(400),
    Duration::from_secs(1),
];

/// Receive window asked for: several times what a fast path of long delay has on its way
/// (100 Mb/s × 100 ms = 1.25 MB).
const WINDOW_BYTES: libc::c_int = 3 << 20;

/// Our ends of the connections that a session has taken for its own.
static CLAIMED: Mutex<Vec<SocketAddr>> = Mutex::new(Vec::new());

fn claimed() -> MutexGuard<'static, Vec<SocketAddr>> {
    CLAIMED.lock().unwrap_or_else(PoisonError::into_inner)
}

/// A session's connection.
#[derive(Debug)]
pub(super) struct Claim(Wire);

impl Claim {
    /// Payload bytes that the peer has sent and the kernel has received, read or not.
    pub(super) fn bytes_received(&self) -> Option<u64> {
        Some(self.0.info()?.bytes_received)
    }

    /// Whether there is something to read, be it the connection's end.
    pub(super) fn has_unread(&self) -> bool {
        let ended = || self.0.info().is_none_or(|info| !info.established);
        rustix::io::ioctl_fionread(&self.0.socket).map_or(true, |bytes| bytes > 0) || ended()
    }

    /// Whether all that was sent on it has been acknowledged.
    pub(super) fn is_acknowledged(&self) -> bool {
        let info = self.0.info();
        info.is_some_and(|info| info.established && info.unacknowledged == 0 && info.unsent == 0)
    }

    /// Sends a packet beside what the library sends. Only where all that it sent has been
    /// acknowledged: then nothing of it waits half-written, and the packet goes at once instead of
    /// queueing behind a retransmission that backs off.
    pub(super) fn send(&self, packet: &[u8]) -> Sent {
        if !self.is_acknowledged() {
            return Sent::Busy;
        }
        let flags = rustix::net::SendFlags::DONTWAIT | rustix::net::SendFlags::NOSIGNAL;
        match rustix::net::send(&self.0.socket, packet, flags) {
            Ok(sent) if sent == packet.len() => Sent::Whole,
            Ok(_) => Sent::Broken,
            Err(rustix::io::Errno::AGAIN) => Sent::Busy,
            Err(_) => Sent::Impossible,
        }
    }
}

/// What became of a packet.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Sent {
    /// It is on its way.
    Whole,
    /// Nothing was sent: the connection has something of ours to deliver first.
    Busy,
    /// There is no way to send anything.
    Impossible,
    /// Half of it was sent: the connection is of no more use.
    Broken,
}

impl Drop for Claim {
    fn drop(&mut self) {
        claimed().retain(|local| *local != self.0.local);
    }
}

/// A second handle on a connection's socket, to ask about it.
#[derive(Debug)]
struct Wire {
    socket: OwnedFd,
    local: SocketAddr,
}

impl Wire {
    /// The connections of this process to one of `peers`.
    fn all(peers: &[SocketAddr]) -> Vec<Self> {
        let Ok(myself) =
            rustix::process::pidfd_open(rustix::process::getpid(), PidfdFlags::empty())
        else {
            return Vec::new();
        };
        let Ok(entries) = std::fs::read_dir("/proc/self/fd") else {
            return Vec::new();
        };
        let is_socket = |path: &std::path::Path| {
            std::fs::read_link(path).is_ok_and(|target| {
                target
                    .as_os_str()
                    .as_encoded_bytes()
                    .starts_with(b"socket:")
            })
        };
        entries
            .flatten()
            .filter(|entry| is_socket(&entry.path()))
            .filter_map(|entry| entry.file_name().to_str()?.parse::<RawFd>().ok())
            .filter_map(|number| {
                // A descriptor that was closed meanwhile, or is another's by now, is told apart by
                // its peer below.
                let flags = PidfdGetfdFlags::empty();
                let socket = rustix::process::pidfd_getfd(&myself, number, flags).ok()?;
                let peer: SocketAddr = rustix::net::getpeername(&socket).ok()??.try_into().ok()?;
                let local = rustix::net::getsockname(&socket).ok()?.try_into().ok()?;
                peers.contains(&peer).then_some(Self { socket, local })
            })
            .collect()
    }

    /// Lets the receive window grow far beyond what a stream needs. A kick (see `line.rs`) makes the
    /// camera send what it has not sent yet; a window that is full of what an outage swallowed has
    /// no room for that, and the kick comes to nothing.
    ///
    /// The low-water mark of the socket raises its buffer (Linux 4.17, up to half of
    /// `tcp_rmem`'s maximum) without fixing its size as `SO_RCVBUF` would, and without privileges.
    fn widen(&self) {
        self.set_low_water(WINDOW_BYTES);
        // Reading goes on as usual: the buffer stays.
        self.set_low_water(1);
    }

    fn set_low_water(&self, bytes: libc::c_int) {
        let Ok(length) = libc::socklen_t::try_from(size_of_val(&bytes)) else {
            return;
        };
        // SAFETY: the descriptor is open, for `self` owns it. The kernel reads `length` bytes from
        // `bytes`, which has as many and outlives the call.
        #[allow(unsafe_code, reason = "no safe interface has SO_RCVLOWAT")]
        let result = unsafe {
            libc::setsockopt(
                self.socket.as_raw_fd(),
                libc::SOL_SOCKET,
                libc::SO_RCVLOWAT,
                (&raw const bytes).cast(),
                length,
            )
        };
        if result != 0 {
            tracing::debug!(
                error = %std::io::Error::last_os_error(),
                "the receive window stays as it is"
            );
        }
    }

    fn info(&self) -> Option<TcpInfo> {
        TcpInfo::of(&self.socket)
    }
}

/// The watch over one set-up.
#[derive(Debug)]
pub(super) struct Watch {
    peers: Vec<SocketAddr>,
    /// Connections from before, whose sessions are being torn down.
    before: Vec<SocketAddr>,
}

impl Watch {
    /// Begins before the library connects.
    pub(super) async fn begin(camera: &Camera) -> Self {
        let host = camera
            .url
            .host_str()
            .unwrap_or_default()
            .trim_matches(['[', ']']);
        let port = camera.url.port().unwrap_or(554);
        // A name that can't be resolved is the connection's error to tell.
        let peers: Vec<_> =
            match tokio::time::timeout(camera.step, tokio::net::lookup_host((host, port))).await {
                Ok(Ok(addresses)) => addresses.collect(),
                _ => Vec::new(),
            };
        let before = Wire::all(&peers)
            .into_iter()
            .map(|wire| wire.local)
            .collect();
        Self { peers, before }
    }

    /// The connection that was made since, if it can be told: two cameras behind one address may
    /// connect at a time, and then neither is watched.
    fn find(&self) -> Option<Wire> {
        let mut new = Wire::all(&self.peers);
        let others = claimed();
        new.retain(|wire| !self.before.contains(&wire.local) && !others.contains(&wire.local));
        drop(others);
        new.pop().filter(|_| new.is_empty())
    }

    /// Does the work, unless the camera sends too much meanwhile.
    pub(super) async fn over<T>(
        &self,
        work: impl Future<Output = Result<T, SessionError>>,
    ) -> Result<T, SessionError> {
        tokio::select! {
            done = work => done,
            error = self.flood() => Err(error),
        }
    }

    async fn flood(&self) -> SessionError {
        let mut looks = LOOKS.into_iter();
        let mut pause = LOOKS[0];
        loop {
            pause = looks.next().unwrap_or(pause);
            tokio::time::sleep(pause).await;
            if let Some(bytes) = self
                .find()
                .and_then(|wire| Some(wire.info()?.bytes_received))
                && bytes > SETUP_BYTES_MAX
            {
                return flooded(bytes);
            }
        }
    }

    /// The connection, for the time that the session plays.
    pub(super) fn end(self) -> Option<Claim> {
        let wire = self.find()?;
        claimed().push(wire.local);
        wire.widen();
        Some(Claim(wire))
    }
}

pub(super) fn flooded(bytes: u64) -> SessionError {
    let text = format!("the camera sends an RTSP message without end: {bytes} bytes so far");
    SessionError::new(EndCause::Oversize, text)
}

#[cfg(test)]
mod tests {
    use std::io::{Read as _, Write as _};
    use std::net::{TcpListener, TcpStream};

    use super::*;

    #[test]
    fn the_kernel_tells_what_arrives_and_what_is_on_its_way() {
        let listener = TcpListener::bind("127.0.0.1:0").unwrap();
        let address = listener.local_addr().unwrap();
        assert!(Wire::all(&[address]).is_empty());
        let ours = TcpStream::connect(address).unwrap();
        let (mut theirs, _) = listener.accept().unwrap();
        let mut wires = Wire::all(&[address]);
        assert_eq!(wires.len(), 1);
        let claim = Claim(wires.pop().unwrap());
        assert_eq!(claim.bytes_received(), Some(0));
        assert!(!claim.has_unread());
        theirs.write_all(&[7; 1234]).unwrap();
        let wait = |done: &dyn Fn() -> bool| {
            (0..200).any(|_| {
                std::thread::sleep(Duration::from_millis(10));
                done()
            })
        };
        assert!(wait(&|| claim.bytes_received() == Some(1234)));
        assert!(claim.has_unread());
        let mut arrived = [0; 1234];
        (&ours).read_exact(&mut arrived).unwrap();
        assert!(!claim.has_unread());

        assert_eq!(claim.send(b"report"), Sent::Whole);
        let mut read = [0; 6];
        theirs.read_exact(&mut read).unwrap();
        assert_eq!(&read, b"report");
        // What the peer does not read fills its buffer, then ours: nothing may be put between.
        let flags = rustix::net::SendFlags::DONTWAIT;
        while rustix::net::send(&ours, &[0; 65536], flags).is_ok() {}
        assert_eq!(claim.send(b"report"), Sent::Busy);
        drop(theirs);
        assert!(wait(&|| claim.has_unread()));
    }
}
