//! How much a camera has sent on its connection: the one thing that bounds what the RTSP library
//! reads. It takes a message whole, whatever its length says, and shows neither its buffer nor its
//! socket; the kernel counts for it (`TCP_INFO`).
//!
//! Linux only. Where the socket can't be found or asked, there is no bound but the time limits.

use std::future::Future;
use std::net::SocketAddr;
use std::os::fd::{AsRawFd as _, OwnedFd, RawFd};
use std::sync::{Mutex, MutexGuard, PoisonError};
use std::time::Duration;

use rustix::process::{PidfdFlags, PidfdGetfdFlags};

use super::cause::{EndCause, SessionError};
use crate::config::Camera;

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

/// Our ends of the connections that a session has taken for its own.
static CLAIMED: Mutex<Vec<SocketAddr>> = Mutex::new(Vec::new());

fn claimed() -> MutexGuard<'static, Vec<SocketAddr>> {
    CLAIMED.lock().unwrap_or_else(PoisonError::into_inner)
}

/// A session's connection.
#[derive(Debug)]
pub(super) struct Claim(Wire);

impl Claim {
    /// See [`Wire::bytes_received`].
    pub(super) fn bytes_received(&self) -> Option<u64> {
        self.0.bytes_received()
    }
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

    /// Payload bytes that the peer has sent and the kernel has received, read or not.
    fn bytes_received(&self) -> Option<u64> {
        // struct tcp_info (linux/tcp.h): tcpi_bytes_received, a u64, stands at byte 128, since
        // Linux 4.1; the layout before it is fixed, as all of the user-space interface.
        const AT: usize = 128 / size_of::<u64>();
        let mut info = [0_u64; 32];
        let mut length = libc::socklen_t::try_from(size_of_val(&info)).ok()?;
        // SAFETY: the descriptor is open, for `self` owns it. The kernel writes at most `length`
        // bytes to `info`, which has as many, and any bytes are valid u64s. Both pointers come
        // from live exclusive borrows and are not kept.
        #[allow(unsafe_code, reason = "no safe interface has TCP_INFO")]
        let result = unsafe {
            libc::getsockopt(
                self.socket.as_raw_fd(),
                libc::IPPROTO_TCP,
                libc::TCP_INFO,
                info.as_mut_ptr().cast(),
                &raw mut length,
            )
        };
        let written = usize::try_from(length).unwrap_or(0) / size_of::<u64>();
        (result == 0 && written > AT)
            .then(|| info.get(AT).copied())
            .flatten()
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
            if let Some(bytes) = self.find().and_then(|wire| wire.bytes_received())
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
        Some(Claim(wire))
    }
}

pub(super) fn flooded(bytes: u64) -> SessionError {
    let text = format!("the camera sends an RTSP message without end: {bytes} bytes so far");
    SessionError::new(EndCause::Oversize, text)
}

#[cfg(test)]
mod tests {
    use std::io::Write as _;
    use std::net::{TcpListener, TcpStream};

    use super::*;

    #[test]
    fn the_kernel_counts_what_arrives() {
        let listener = TcpListener::bind("127.0.0.1:0").unwrap();
        let address = listener.local_addr().unwrap();
        assert!(Wire::all(&[address]).is_empty());
        let _ours = TcpStream::connect(address).unwrap();
        let (mut theirs, _) = listener.accept().unwrap();
        let wires = Wire::all(&[address]);
        assert_eq!(wires.len(), 1);
        assert_eq!(wires[0].bytes_received(), Some(0));
        theirs.write_all(&[7; 1234]).unwrap();
        let received = (0..100).find_map(|_| {
            std::thread::sleep(Duration::from_millis(10));
            wires[0].bytes_received().filter(|bytes| *bytes > 0)
        });
        assert_eq!(received, Some(1234));
    }
}
