//! Connections: how many there may be, how long they may take, and how they end.

use std::future::Future;
use std::io;
use std::net::SocketAddr;
use std::pin::Pin;
use std::sync::Arc;
use std::task::{Context, Poll, ready};
use std::time::Duration;

use axum::Router;
use axum::extract::ConnectInfo;
use hyper::server::conn::http1;
use hyper_util::rt::{TokioIo, TokioTimer};
use hyper_util::service::TowerToHyperService;
use tokio::io::{AsyncRead, AsyncWrite, AsyncWriteExt as _, ReadBuf};
use tokio::net::{TcpListener, TcpStream};
use tokio::sync::Semaphore;
use tokio::task::JoinSet;
use tokio::time::{Instant, Sleep};

use super::limits::{
    BUFFER_BYTES, CONNECTIONS_MAX, FIELDS_MAX, HEAD_BYTES_MAX, HEAD_TIME, SOCKET_BYTES, STALL_TIME,
};
use crate::supervise::Shutdown;
use crate::telemetry::{OutletEvents, Refusal};

/// Answers that are under way at the end.
const FAREWELL: Duration = Duration::from_millis(150);
/// Out of descriptors, or a connection that is gone already.
const ACCEPT_PAUSE: Duration = Duration::from_millis(50);

/// For one connection too many.
const FULL: &[u8] =
    b"HTTP/1.1 503 Service Unavailable\r\nContent-Type: application/problem+json\r\n\
Retry-After: 10\r\nConnection: close\r\nContent-Length: 154\r\n\r\n\
{\"status\":503,\"title\":\"too many connections\",\"detail\":\"512 connections stand\",\
\"advice\":\"Close some, or try again; forebay_http_connections counts them.\"}\n";

/// Serves until shutdown.
pub(super) async fn serve(
    listener: TcpListener,
    router: Router,
    events: OutletEvents,
    mut shutdown: Shutdown,
) {
    let places = Arc::new(Semaphore::new(CONNECTIONS_MAX));
    let mut connections = JoinSet::new();
    loop {
        let accepted = tokio::select! {
            accepted = listener.accept() => accepted,
            Some(_) = connections.join_next() => {
                events.connections(connections.len());
                continue;
            }
            () = shutdown.requested() => break,
        };
        let (stream, peer) = match accepted {
            Ok(accepted) => accepted,
            Err(error) => {
                tracing::debug!(%error, "a connection can't be accepted");
                tokio::time::sleep(ACCEPT_PAUSE).await;
                continue;
            }
        };
        let Ok(place) = Arc::clone(&places).try_acquire_owned() else {
            events.refused(Refusal::Connections, Some(peer.ip()));
            turn_away(stream).await;
            continue;
        };
        let (router, shutdown) = (router.clone(), shutdown.clone());
        connections.spawn(async move {
            connection(stream, peer, router, shutdown).await;
            drop(place);
        });
        events.connections(connections.len());
    }
    drop(listener);
    let all = async { while connections.join_next().await.is_some() {} };
    if tokio::time::timeout(FAREWELL, all).await.is_err() {
        tracing::debug!(connections = connections.len(), "connections are cut");
        connections.shutdown().await;
    }
}

async fn turn_away(mut stream: TcpStream) {
    // What does not fit the socket's buffer at once is not worth waiting for.
    let told = tokio::time::timeout(ACCEPT_PAUSE, stream.write_all(FULL)).await;
    drop(told);
}

async fn connection(stream: TcpStream, peer: SocketAddr, router: Router, mut shutdown: Shutdown) {
    // Neither matters to what is answered.
    stream.set_nodelay(true).ok();
    rustix::net::sockopt::set_socket_send_buffer_size(&stream, SOCKET_BYTES).ok();
    let router = router.layer(axum::Extension(ConnectInfo(peer)));
    let mut builder = http1::Builder::new();
    builder
        .timer(TokioTimer::new())
        .header_read_timeout(HEAD_TIME)
        .max_headers(FIELDS_MAX)
        .max_header_size(HEAD_BYTES_MAX)
        .max_buf_size(BUFFER_BYTES);
    let served = builder.serve_connection(
        TokioIo::new(Timed::new(stream)),
        TowerToHyperService::new(router),
    );
    let mut served = std::pin::pin!(served);
    let ended = tokio::select! {
        ended = served.as_mut() => ended,
        () = shutdown.requested() => {
            served.as_mut().graceful_shutdown();
            served.await
        }
    };
    if let Err(error) = ended {
        tracing::debug!(%peer, %error, "a connection ended");
    }
}

/// A connection whose client must take what is sent to it: it ends where nothing is for a while.
struct Timed {
    stream: TcpStream,
    stalled: Pin<Box<Sleep>>,
    is_stalled: bool,
}

impl Timed {
    fn new(stream: TcpStream) -> Self {
        Self {
            stream,
            stalled: Box::pin(tokio::time::sleep(STALL_TIME)),
            is_stalled: false,
        }
    }

    fn timed<T>(
        &mut self,
        context: &mut Context<'_>,
        polled: Poll<io::Result<T>>,
    ) -> Poll<io::Result<T>> {
        if polled.is_ready() {
            self.is_stalled = false;
            return polled;
        }
        if !self.is_stalled {
            self.is_stalled = true;
            self.stalled.as_mut().reset(Instant::now() + STALL_TIME);
        }
        ready!(self.stalled.as_mut().poll(context));
        Poll::Ready(Err(io::ErrorKind::TimedOut.into()))
    }
}

impl AsyncRead for Timed {
    fn poll_read(
        mut self: Pin<&mut Self>,
        context: &mut Context<'_>,
        buf: &mut ReadBuf<'_>,
    ) -> Poll<io::Result<()>> {
        Pin::new(&mut self.stream).poll_read(context, buf)
    }
}

impl AsyncWrite for Timed {
    fn poll_write(
        mut self: Pin<&mut Self>,
        context: &mut Context<'_>,
        bytes: &[u8],
    ) -> Poll<io::Result<usize>> {
        let polled = Pin::new(&mut self.stream).poll_write(context, bytes);
        self.timed(context, polled)
    }

    fn poll_write_vectored(
        mut self: Pin<&mut Self>,
        context: &mut Context<'_>,
        slices: &[io::IoSlice<'_>],
    ) -> Poll<io::Result<usize>> {
        let polled = Pin::new(&mut self.stream).poll_write_vectored(context, slices);
        self.timed(context, polled)
    }

    fn is_write_vectored(&self) -> bool {
        self.stream.is_write_vectored()
    }

    fn poll_flush(mut self: Pin<&mut Self>, context: &mut Context<'_>) -> Poll<io::Result<()>> {
        Pin::new(&mut self.stream).poll_flush(context)
    }

    fn poll_shutdown(mut self: Pin<&mut Self>, context: &mut Context<'_>) -> Poll<io::Result<()>> {
        Pin::new(&mut self.stream).poll_shutdown(context)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_last_word_has_the_length_that_it_says() {
        let text = std::str::from_utf8(FULL).unwrap();
        let (head, body) = text.split_once("\r\n\r\n").unwrap();
        assert!(
            head.contains(&format!("Content-Length: {}", body.len())),
            "{}",
            body.len()
        );
        assert!(body.contains(&CONNECTIONS_MAX.to_string()));
        serde_json::from_str::<serde_json::Value>(body).unwrap();
    }
}
