//! How much of what is sent has come to the other side, by the kernel's count.
//!
//! What the system has taken of us waits in its buffer, which is some megabytes where the link is slow
//! and long: nothing seems to go on for minutes then, and all does.

use std::io;
use std::os::fd::{AsFd as _, OwnedFd};
use std::pin::Pin;
use std::sync::{Arc, Mutex};
use std::task::{Context, Poll};

use axum::http::{Extensions, Uri};
use hyper::rt::{Read, ReadBufCursor, Write};
use hyper_util::client::legacy::connect::{
    CaptureConnection, Connected, Connection, HttpConnector,
};
use hyper_util::rt::TokioIo;
use tokio::net::TcpStream;
use tower_service::Service;

use crate::archive::store::locked;
use crate::tcp::TcpInfo;

/// Makes connections that can be asked.
#[derive(Debug, Clone)]
pub(super) struct Connector(pub(super) HttpConnector);

impl Service<Uri> for Connector {
    type Response = Metered;
    type Error = <HttpConnector as Service<Uri>>::Error;
    type Future = Pin<Box<dyn Future<Output = Result<Metered, Self::Error>> + Send>>;

    fn poll_ready(&mut self, context: &mut Context<'_>) -> Poll<Result<(), Self::Error>> {
        self.0.poll_ready(context)
    }

    fn call(&mut self, to: Uri) -> Self::Future {
        let connecting = self.0.call(to);
        Box::pin(async move { Ok(Metered::new(connecting.await?)) })
    }
}

/// A second handle on a connection's socket; none once the connection is closed.
#[derive(Debug, Clone)]
struct Meter(Arc<Mutex<Option<OwnedFd>>>);

/// A connection.
#[derive(Debug)]
pub(super) struct Metered {
    stream: TokioIo<TcpStream>,
    meter: Meter,
}

impl Metered {
    fn new(stream: TokioIo<TcpStream>) -> Self {
        let socket = stream.inner().as_fd().try_clone_to_owned().ok();
        Self {
            stream,
            meter: Meter(Arc::new(Mutex::new(socket))),
        }
    }
}

impl Drop for Metered {
    fn drop(&mut self) {
        // Or else it would stay open for whoever holds the meter.
        *locked(&self.meter.0) = None;
    }
}

/// Bytes that the other side has got on the connection that a request has taken, of all its requests.
/// None where there is no connection yet, or the kernel does not tell.
pub(super) fn delivered(taken: &CaptureConnection) -> Option<u64> {
    let mut known = Extensions::new();
    taken.connection_metadata().as_ref()?.get_extras(&mut known);
    let Meter(socket) = known.get()?;
    Some(TcpInfo::of(locked(socket).as_ref()?)?.bytes_acknowledged)
}

impl Connection for Metered {
    fn connected(&self) -> Connected {
        self.stream.connected().extra(self.meter.clone())
    }
}

impl Read for Metered {
    fn poll_read(
        mut self: Pin<&mut Self>,
        context: &mut Context<'_>,
        buffer: ReadBufCursor<'_>,
    ) -> Poll<io::Result<()>> {
        Pin::new(&mut self.stream).poll_read(context, buffer)
    }
}

impl Write for Metered {
    fn poll_write(
        mut self: Pin<&mut Self>,
        context: &mut Context<'_>,
        bytes: &[u8],
    ) -> Poll<io::Result<usize>> {
        Pin::new(&mut self.stream).poll_write(context, bytes)
    }

    fn poll_flush(mut self: Pin<&mut Self>, context: &mut Context<'_>) -> Poll<io::Result<()>> {
        Pin::new(&mut self.stream).poll_flush(context)
    }

    fn poll_shutdown(mut self: Pin<&mut Self>, context: &mut Context<'_>) -> Poll<io::Result<()>> {
        Pin::new(&mut self.stream).poll_shutdown(context)
    }

    fn is_write_vectored(&self) -> bool {
        self.stream.is_write_vectored()
    }

    fn poll_write_vectored(
        mut self: Pin<&mut Self>,
        context: &mut Context<'_>,
        parts: &[io::IoSlice<'_>],
    ) -> Poll<io::Result<usize>> {
        Pin::new(&mut self.stream).poll_write_vectored(context, parts)
    }
}
