//! The HTTP below a bucket: connections, TLS, and an end to each silence.
//!
//! The library that speaks S3 leaves the HTTP to its user. Here it has three things added: a server
//! that no longer takes or sends anything is given up (what it has taken is what its kernel has
//! acknowledged, and not what ours has in its buffer); the end of an upload in parts, for which the
//! library has no condition, must not overwrite (`If-None-Match: *`); and what the store says of the
//! SHA-256 of what it has taken is compared with what was sent.

use std::error::Error;
use std::fmt;
use std::future::Future as _;
use std::io;
use std::path::Path;
use std::pin::Pin;
use std::sync::atomic::{AtomicU64, Ordering};
use std::sync::{Arc, Mutex};
use std::task::{Context, Poll};
use std::time::{Duration, Instant};

use async_trait::async_trait;
use axum::http::{HeaderMap, HeaderValue, Method, Request, header, request};
use bytes::Bytes;
use http_body::{Body, Frame, SizeHint};
use hyper_rustls::{HttpsConnector, HttpsConnectorBuilder};
use hyper_util::client::legacy::connect::{HttpConnector as Tcp, capture_connection};
use hyper_util::client::legacy::{Client, Error as ClientError};
use hyper_util::rt::{TokioExecutor, TokioTimer};
use object_store::ClientOptions;
use object_store::client::{
    HttpClient, HttpConnector, HttpError, HttpErrorKind, HttpRequest, HttpRequestBody,
    HttpResponse, HttpResponseBody, HttpService,
};
use rustls::pki_types::CertificateDer;
use rustls::pki_types::pem::PemObject as _;
use rustls::{ClientConfig, RootCertStore};
use tokio::time::Sleep;

use super::meter::{Connector, delivered};
use crate::archive::store::locked;

/// How often a silence is looked for.
const LOOK: Duration = Duration::from_millis(250);
/// A connection that nobody uses is closed.
const IDLE: Duration = Duration::from_secs(20);
const SHA256: &str = "x-amz-checksum-sha256";

tokio::task_local! {
    /// What has gone over the wire, in either direction, for what a task asks of the store.
    pub(super) static MOVED: Arc<AtomicU64>;
}

/// What has gone over the wire, and what may.
#[derive(Debug)]
pub(super) struct Tally {
    /// 0: no bound.
    pub(super) bytes_per_second: u64,
    /// When the next piece may be sent.
    due: Mutex<Instant>,
    heard: Mutex<Instant>,
    pub(super) sent_bytes: AtomicU64,
    pub(super) received_bytes: AtomicU64,
    /// Objects, and parts of objects, of which the store did not say what it has taken, or said
    /// something else than what was sent.
    pub(super) unconfirmed: AtomicU64,
}

impl Tally {
    pub(super) fn new(bytes_per_second: u64) -> Self {
        let now = Instant::now();
        Self {
            bytes_per_second,
            due: Mutex::new(now),
            heard: Mutex::new(now),
            sent_bytes: AtomicU64::new(0),
            received_bytes: AtomicU64::new(0),
            unconfirmed: AtomicU64::new(0),
        }
    }

    /// When something last went over the wire.
    pub(super) fn heard(&self) -> Instant {
        *locked(&self.heard)
    }

    fn count(&self, bytes: usize, counter: &AtomicU64) {
        if bytes > 0 {
            counter.fetch_add(bytes as u64, Ordering::Relaxed);
            self.hear();
        }
    }

    fn hear(&self) {
        *locked(&self.heard) = Instant::now();
    }

    /// So many bytes are sent now: when the next may be.
    fn spend(&self, bytes: usize) -> Option<Instant> {
        if self.bytes_per_second == 0 {
            return None;
        }
        let takes = Duration::from_secs_f64(bytes as f64 / self.bytes_per_second as f64);
        let now = Instant::now();
        let mut due = locked(&self.due);
        *due = (*due).max(now) + takes;
        Some(*due)
    }
}

/// Makes the connections of a bucket, and keeps them.
#[derive(Clone)]
pub(super) struct Wire {
    client: Client<HttpsConnector<Connector>, Sent>,
    silence: Duration,
    tally: Arc<Tally>,
}

impl fmt::Debug for Wire {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.debug_struct("Wire").finish_non_exhaustive()
    }
}

/// Whom TLS trusts.
#[derive(Debug, Clone, Copy)]
pub(super) enum Trust<'a> {
    /// There is no TLS.
    Nobody,
    /// The certificates of the system.
    System,
    /// Those of a file alone.
    File(&'a Path),
}

impl Wire {
    /// `silence`: after so long without a byte, in either direction, a request is given up.
    ///
    /// # Errors
    /// When certificates can't be read.
    pub(super) fn new(
        connect: Duration,
        silence: Duration,
        trust: Trust<'_>,
        tally: Arc<Tally>,
    ) -> io::Result<Self> {
        let mut tcp = Tcp::new();
        tcp.enforce_http(false);
        tcp.set_nodelay(true);
        tcp.set_connect_timeout(Some(connect));
        let connector = HttpsConnectorBuilder::new().with_tls_config(tls(trust)?);
        let connector = match trust {
            Trust::Nobody => connector.https_or_http(),
            _ => connector.https_only(),
        };
        let client = Client::builder(TokioExecutor::new())
            .pool_idle_timeout(IDLE)
            .pool_timer(TokioTimer::new())
            .build(connector.enable_http1().wrap_connector(Connector(tcp)));
        Ok(Self {
            client,
            silence,
            tally,
        })
    }

    /// Notes whether the store has what was sent.
    fn confirm(&self, sent: Option<&HeaderValue>, answer: &HeaderMap) {
        if sent.is_some_and(|sent| answer.get(SHA256) != Some(sent)) {
            self.tally.unconfirmed.fetch_add(1, Ordering::Relaxed);
        }
    }
}

fn tls(trust: Trust<'_>) -> io::Result<ClientConfig> {
    let mut roots = RootCertStore::empty();
    match trust {
        Trust::Nobody => {}
        Trust::System => {
            let found = rustls_native_certs::load_native_certs();
            roots.add_parsable_certificates(found.certs);
        }
        Trust::File(path) => {
            for found in CertificateDer::pem_file_iter(path).map_err(io::Error::other)? {
                let found = found.map_err(io::Error::other)?;
                roots.add(found).map_err(io::Error::other)?;
            }
        }
    }
    if roots.is_empty() && !matches!(trust, Trust::Nobody) {
        return Err(io::Error::new(
            io::ErrorKind::NotFound,
            "there are no certificates to know the store by",
        ));
    }
    let provider = Arc::new(rustls::crypto::ring::default_provider());
    let versions =
        ClientConfig::builder_with_provider(provider).with_safe_default_protocol_versions();
    let config = versions.map_err(io::Error::other)?;
    Ok(config.with_root_certificates(roots).with_no_client_auth())
}

impl HttpConnector for Wire {
    fn connect(&self, _: &ClientOptions) -> object_store::Result<HttpClient> {
        Ok(HttpClient::new(self.clone()))
    }
}

#[async_trait]
impl HttpService for Wire {
    async fn call(&self, request: HttpRequest) -> Result<HttpResponse, HttpError> {
        let (mut head, body) = request.into_parts();
        if ends_upload(&head) {
            let anything = HeaderValue::from_static("*");
            head.headers.insert(header::IF_NONE_MATCH, anything);
        }
        let sum = head.headers.get(SHA256).cloned();
        let pulse = Arc::new(Pulse::new());
        let moved = MOVED.try_with(Arc::clone).unwrap_or_default();
        let body = Sent {
            body,
            pulse: Arc::clone(&pulse),
            tally: Arc::clone(&self.tally),
            moved: Arc::clone(&moved),
            pause: None,
        };
        let mut request = Request::from_parts(head, body);
        let taken = capture_connection(&mut request);
        let answer = self.client.request(request);
        tokio::pin!(answer);
        let mut known = None;
        let response = loop {
            match tokio::time::timeout(LOOK, &mut answer).await {
                Ok(response) => break response.map_err(broken)?,
                Err(_) => {
                    let there = delivered(&taken);
                    if there != known {
                        known = there;
                        pulse.beat();
                        self.tally.hear();
                    }
                    if pulse.silence() >= self.silence {
                        return Err(silent(self.silence));
                    }
                }
            }
        };
        if response.status().is_success() {
            self.confirm(sum.as_ref(), response.headers());
        }
        let (head, body) = response.into_parts();
        let body = HttpResponseBody::new(Answer {
            body,
            left: Box::pin(tokio::time::sleep(self.silence)),
            silence: self.silence,
            tally: Arc::clone(&self.tally),
            moved,
        });
        Ok(HttpResponse::from_parts(head, body))
    }
}

/// Whether a request is the one that makes an object of its parts: a POST with the upload's id.
fn ends_upload(head: &request::Parts) -> bool {
    let query = head.uri.query().unwrap_or_default();
    head.method == Method::POST && query.split('&').any(|pair| pair.starts_with("uploadId="))
}

fn broken(error: ClientError) -> HttpError {
    let kind = match error.is_connect() {
        true => HttpErrorKind::Connect,
        // It may have been carried out.
        false => HttpErrorKind::Interrupted,
    };
    HttpError::new(kind, error)
}

fn silent(silence: Duration) -> HttpError {
    let words = format!("nothing was taken or sent for {} s", silence.as_secs_f32());
    let error = io::Error::new(io::ErrorKind::TimedOut, words);
    HttpError::new(HttpErrorKind::Timeout, error)
}

/// When something last went on.
#[derive(Debug)]
struct Pulse(Mutex<Instant>);

impl Pulse {
    fn new() -> Self {
        Self(Mutex::new(Instant::now()))
    }

    fn beat(&self) {
        self.rest(Instant::now());
    }

    /// Nothing is sent until then, on purpose.
    fn rest(&self, until: Instant) {
        let mut last = locked(&self.0);
        *last = (*last).max(until);
    }

    fn silence(&self) -> Duration {
        Instant::now().saturating_duration_since(*locked(&self.0))
    }
}

/// The body of a request, which beats with each piece that the connection takes.
struct Sent {
    body: HttpRequestBody,
    pulse: Arc<Pulse>,
    tally: Arc<Tally>,
    moved: Arc<AtomicU64>,
    /// For the bandwidth that is allowed.
    pause: Option<Pin<Box<Sleep>>>,
}

impl Body for Sent {
    type Data = Bytes;
    type Error = HttpError;

    fn poll_frame(
        mut self: Pin<&mut Self>,
        context: &mut Context<'_>,
    ) -> Poll<Option<Result<Frame<Bytes>, HttpError>>> {
        if let Some(pause) = &mut self.pause {
            if pause.as_mut().poll(context).is_pending() {
                return Poll::Pending;
            }
            self.pause = None;
        }
        let frame = Pin::new(&mut self.body).poll_frame(context);
        if frame.is_ready() {
            self.pulse.beat();
        }
        let bytes = length(&frame);
        self.tally.count(bytes, &self.tally.sent_bytes);
        self.moved.fetch_add(bytes as u64, Ordering::Relaxed);
        if let Some(due) = self.tally.spend(bytes).filter(|_| bytes > 0) {
            self.pulse.rest(due);
            self.pause = Some(Box::pin(tokio::time::sleep_until(due.into())));
        }
        frame
    }

    fn is_end_stream(&self) -> bool {
        self.body.is_end_stream()
    }

    fn size_hint(&self) -> SizeHint {
        self.body.size_hint()
    }
}

/// The body of an answer, which ends with an error after a silence.
struct Answer<B> {
    body: B,
    left: Pin<Box<Sleep>>,
    silence: Duration,
    tally: Arc<Tally>,
    moved: Arc<AtomicU64>,
}

impl<B> Body for Answer<B>
where
    B: Body<Data = Bytes> + Unpin,
    B::Error: Error + Send + Sync + 'static,
{
    type Data = Bytes;
    type Error = HttpError;

    fn poll_frame(
        mut self: Pin<&mut Self>,
        context: &mut Context<'_>,
    ) -> Poll<Option<Result<Frame<Bytes>, HttpError>>> {
        let this = &mut *self;
        let frame = Pin::new(&mut this.body).poll_frame(context);
        let frame = frame.map_err(|error| HttpError::new(HttpErrorKind::Interrupted, error));
        let bytes = length(&frame);
        this.tally.count(bytes, &this.tally.received_bytes);
        this.moved.fetch_add(bytes as u64, Ordering::Relaxed);
        if frame.is_ready() {
            let until = tokio::time::Instant::now() + this.silence;
            this.left.as_mut().reset(until);
        } else if this.left.as_mut().poll(context).is_ready() {
            return Poll::Ready(Some(Err(silent(this.silence))));
        }
        frame
    }

    fn is_end_stream(&self) -> bool {
        self.body.is_end_stream()
    }

    fn size_hint(&self) -> SizeHint {
        self.body.size_hint()
    }
}

fn length(frame: &Poll<Option<Result<Frame<Bytes>, HttpError>>>) -> usize {
    match frame {
        Poll::Ready(Some(Ok(frame))) => frame.data_ref().map_or(0, Bytes::len),
        _ => 0,
    }
}
