//! The port of a camera: open, closed, or out of reach.

use std::io;
use std::net::SocketAddr;
use std::time::Duration;

use tokio::net::{TcpListener, TcpSocket, TcpStream};

use crate::spec::CameraSpec;

/// Connections that the kernel may accept ahead of us.
const BACKLOG: u32 = 64;
/// On one machine a connection is made at once, or its packets are dropped.
const PLUG_TIMEOUT: Duration = Duration::from_millis(50);
/// With a backlog of 0 the kernel takes one connection; there may be a race with a viewer.
const PLUGS_MAX: usize = 4;

#[derive(Debug)]
pub(crate) struct Door {
    address: SocketAddr,
    send_buffer_bytes: Option<u32>,
    listener: Option<TcpListener>,
    /// The kernel's queue is small and full.
    choked: bool,
    /// Own connections that fill it.
    plugs: Vec<TcpStream>,
    /// Their addresses, until they come out of that queue.
    plugged: Vec<SocketAddr>,
}

impl Door {
    /// Listens; port 0 means any.
    pub(crate) fn new(spec: &CameraSpec, address: SocketAddr) -> io::Result<Self> {
        let mut door = Self {
            address,
            send_buffer_bytes: spec.send_buffer_bytes,
            listener: None,
            choked: false,
            plugs: Vec::new(),
            plugged: Vec::new(),
        };
        let listener = door.listen()?;
        door.address = listener.local_addr()?;
        door.listener = Some(listener);
        Ok(door)
    }

    pub(crate) fn address(&self) -> SocketAddr {
        self.address
    }

    fn listen(&self) -> io::Result<TcpListener> {
        let socket = TcpSocket::new_v4()?;
        // To come back on the same port, although connections of before linger on it.
        socket.set_reuseaddr(true)?;
        if let Some(bytes) = self.send_buffer_bytes {
            // Connections inherit it.
            socket.set_send_buffer_size(bytes)?;
        }
        socket.bind(self.address)?;
        socket.listen(BACKLOG)
    }

    /// Whoever connects is refused.
    pub(crate) fn close(&mut self) {
        self.listener = None;
        self.choked = false;
        self.plugs.clear();
        self.plugged.clear();
    }

    /// Whoever connects is served.
    pub(crate) fn open(&mut self) -> io::Result<()> {
        match &self.listener {
            Some(listener) if self.choked => {
                rustix::net::listen(listener, BACKLOG as i32)?;
                self.choked = false;
                self.plugs.clear();
            }
            Some(_) => {}
            None => self.listener = Some(self.listen()?),
        }
        Ok(())
    }

    /// Whoever connects hears nothing: the kernel drops a SYN while its queue of connections to be
    /// accepted is full, so the queue is made small and filled.
    pub(crate) async fn put_out_of_reach(&mut self) -> io::Result<()> {
        if self.choked {
            return Ok(());
        }
        self.open()?;
        let Some(listener) = &self.listener else {
            return Ok(());
        };
        rustix::net::listen(listener, 0)?;
        self.choked = true;
        while self.plugs.len() < PLUGS_MAX {
            let plug = tokio::time::timeout(PLUG_TIMEOUT, TcpStream::connect(self.address)).await;
            let Ok(plug) = plug else {
                // It is full.
                return Ok(());
            };
            let plug = plug?;
            self.plugged.push(plug.local_addr()?);
            self.plugs.push(plug);
        }
        Ok(())
    }

    /// The next viewer; waits for ever if nothing listens.
    pub(crate) async fn accept(&mut self) -> io::Result<(TcpStream, SocketAddr)> {
        let Some(listener) = &self.listener else {
            return std::future::pending().await;
        };
        loop {
            let (stream, peer) = listener.accept().await?;
            let Some(own) = self.plugged.iter().position(|plug| *plug == peer) else {
                return Ok((stream, peer));
            };
            self.plugged.swap_remove(own);
        }
    }
}
