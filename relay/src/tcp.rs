//! What the kernel knows of a connection. Linux only.

use std::os::fd::{AsRawFd as _, OwnedFd};

/// What the kernel knows of a connection.
#[derive(Debug, Clone, Copy)]
pub(crate) struct TcpInfo {
    /// Neither side has closed it.
    pub(crate) established: bool,
    /// Segments sent and not acknowledged.
    pub(crate) unacknowledged: u32,
    /// Bytes not sent.
    pub(crate) unsent: u32,
    /// Bytes that the other side has.
    pub(crate) bytes_acknowledged: u64,
    pub(crate) bytes_received: u64,
}

impl TcpInfo {
    /// None where the kernel does not tell.
    pub(crate) fn of(socket: &OwnedFd) -> Option<Self> {
        // struct tcp_info (linux/tcp.h), whose layout only ever grows at its end: tcpi_state is the
        // first byte, tcpi_unacked a u32 at byte 24, tcpi_bytes_acked a u64 at 120 and
        // tcpi_bytes_received one at 128 (Linux 4.1), tcpi_notsent_bytes a u32 at 144 (Linux 4.6).
        const ESTABLISHED: u8 = 1;
        let mut info = [0_u64; 32];
        let mut length = libc::socklen_t::try_from(size_of_val(&info)).ok()?;
        // SAFETY: the descriptor is open, for `socket` owns it. The kernel writes at most `length`
        // bytes to `info`, which has as many, and any bytes are valid u64s. Both pointers come
        // from live exclusive borrows and are not kept.
        #[allow(unsafe_code, reason = "no safe interface has TCP_INFO")]
        let result = unsafe {
            libc::getsockopt(
                socket.as_raw_fd(),
                libc::IPPROTO_TCP,
                libc::TCP_INFO,
                info.as_mut_ptr().cast(),
                &raw mut length,
            )
        };
        if result != 0 || length < 148 {
            return None;
        }
        let bytes = |at: usize| info.get(at / 8).map(|word| word.to_ne_bytes());
        let number = |at: usize| {
            let [a, b, c, d, ..] = bytes(at)?;
            Some(u32::from_ne_bytes([a, b, c, d]))
        };
        Some(Self {
            established: bytes(0)?.first() == Some(&ESTABLISHED),
            unacknowledged: number(24)?,
            unsent: number(144)?,
            bytes_acknowledged: *info.get(15)?,
            bytes_received: *info.get(16)?,
        })
    }
}
