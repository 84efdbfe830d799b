//! What a guest writes to its standard streams: kept for the text of a panic, nothing more.

use std::collections::VecDeque;
use std::io;
use std::pin::Pin;
use std::sync::{Arc, Mutex, PoisonError};
use std::task::{Context, Poll};

use bytes::Bytes;
use tokio::io::AsyncWrite;
use wasmtime_wasi::async_trait;
use wasmtime_wasi::cli::{IsTerminal, StdoutStream};
use wasmtime_wasi::p2::{OutputStream, Pollable, StreamResult};

/// The last bytes written: enough for a panic message, whatever was written before it.
const TAIL_BYTES: usize = 2048;

#[derive(Debug, Clone, Default)]
pub(crate) struct Tail(Arc<Mutex<VecDeque<u8>>>);

impl Tail {
    fn push(&self, bytes: &[u8]) {
        let mut tail = self.0.lock().unwrap_or_else(PoisonError::into_inner);
        let bytes = bytes
            .get(bytes.len().saturating_sub(TAIL_BYTES)..)
            .unwrap_or_default();
        let kept = tail.len().min(TAIL_BYTES - bytes.len());
        let surplus = tail.len() - kept;
        tail.drain(..surplus);
        tail.extend(bytes);
    }

    /// What was written last, on one line, control characters removed.
    pub(crate) fn text(&self) -> String {
        let tail = self.0.lock().unwrap_or_else(PoisonError::into_inner);
        let bytes: Vec<u8> = tail.iter().copied().collect();
        let text = String::from_utf8_lossy(&bytes);
        // The end matters: that is where a panic is.
        let begin = text
            .char_indices()
            .rev()
            .nth(CHARS_MAX - 1)
            .map_or(0, |(at, _)| at);
        one_line(text.get(begin..).unwrap_or_default())
    }
}

const CHARS_MAX: usize = 1000;

/// Makes a text of a guest or of a program safe for the log: one line, no control characters, bounded.
pub(crate) fn one_line(text: &str) -> String {
    plain(text).take(CHARS_MAX).collect()
}

/// The same, of at most so many bytes.
pub(super) fn cut(text: &str, bytes_max: usize) -> String {
    let mut bytes = 0;
    plain(text)
        .take_while(|c| {
            bytes += c.len_utf8();
            bytes <= bytes_max
        })
        .collect()
}

fn plain(text: &str) -> impl Iterator<Item = char> {
    // Line separators (U+2028, U+2029) are no control characters, but break lines all the same.
    let breaks = |c: char| c.is_control() || matches!(c, '\u{2028}' | '\u{2029}');
    text.trim()
        .chars()
        .map(move |c| if breaks(c) { ' ' } else { c })
}

impl IsTerminal for Tail {
    fn is_terminal(&self) -> bool {
        false
    }
}

impl StdoutStream for Tail {
    fn async_stream(&self) -> Box<dyn AsyncWrite + Send + Sync> {
        Box::new(self.clone())
    }

    fn p2_stream(&self) -> Box<dyn OutputStream> {
        Box::new(self.clone())
    }
}

impl AsyncWrite for Tail {
    fn poll_write(
        self: Pin<&mut Self>,
        _: &mut Context<'_>,
        buf: &[u8],
    ) -> Poll<io::Result<usize>> {
        self.push(buf);
        Poll::Ready(Ok(buf.len()))
    }

    fn poll_flush(self: Pin<&mut Self>, _: &mut Context<'_>) -> Poll<io::Result<()>> {
        Poll::Ready(Ok(()))
    }

    fn poll_shutdown(self: Pin<&mut Self>, _: &mut Context<'_>) -> Poll<io::Result<()>> {
        Poll::Ready(Ok(()))
    }
}

#[async_trait]
impl Pollable for Tail {
    async fn ready(&mut self) {}
}

impl OutputStream for Tail {
    fn write(&mut self, bytes: Bytes) -> StreamResult<()> {
        self.push(&bytes);
        Ok(())
    }

    fn flush(&mut self) -> StreamResult<()> {
        Ok(())
    }

    fn check_write(&mut self) -> StreamResult<usize> {
        Ok(64 * 1024)
    }
}
