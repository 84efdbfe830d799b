//! A sign of life to an outside URL: one small request, whose answer tells whether it was taken.

use std::time::Duration;

use axum::http::{Method, Request, StatusCode, header};
use bytes::Bytes;
use http_body_util::Empty;
use hyper_rustls::{HttpsConnector, HttpsConnectorBuilder};
use hyper_util::client::legacy::Client;
use hyper_util::client::legacy::connect::HttpConnector;
use hyper_util::rt::TokioExecutor;

use crate::config::Secret;

/// What a server may take to answer, name look-up and all.
const ANSWER_MAX: Duration = Duration::from_secs(10);

/// Why a heartbeat was not taken. Names neither the URL nor a part of it: whoever knows that can send
/// heartbeats.
#[derive(Debug, thiserror::Error)]
pub enum BeatError {
    /// Nothing to check the server's certificate against.
    #[error("this system has no root certificates (Debian: ca-certificates)")]
    Roots(#[source] std::io::Error),
    /// The URL is none that can be asked for.
    #[error("the URL can't be asked for")]
    Url,
    /// No connection, or none that holds.
    #[error("the server can't be reached")]
    Unreachable(#[source] hyper_util::client::legacy::Error),
    /// Nothing for too long.
    #[error("the server didn't answer within {} s", ANSWER_MAX.as_secs())]
    Time,
    /// An answer that is no success.
    #[error("the server answers {0}")]
    Refused(StatusCode),
}

/// Sends signs of life.
#[derive(Debug)]
pub struct Heart(Client<HttpsConnector<HttpConnector>, Empty<Bytes>>);

impl Heart {
    /// Reads the root certificates of the system.
    ///
    /// # Errors
    /// When there are none.
    pub fn new() -> Result<Self, BeatError> {
        let connector = HttpsConnectorBuilder::new()
            .with_provider_and_native_roots(rustls::crypto::ring::default_provider())
            .map_err(BeatError::Roots)?
            .https_or_http()
            .enable_http1()
            .build();
        let mut client = Client::builder(TokioExecutor::new());
        // An uplink that is gone shall not be met with a connection that seems to stand.
        client.pool_max_idle_per_host(0);
        Ok(Self(client.build(connector)))
    }

    /// Asks for the URL once.
    ///
    /// # Errors
    /// When the answer is anything but a success.
    pub async fn beat(&self, url: &Secret) -> Result<(), BeatError> {
        let request = Request::builder()
            .method(Method::GET)
            .uri(url.expose())
            .header(
                header::USER_AGENT,
                concat!("forebay/", env!("CARGO_PKG_VERSION")),
            )
            .body(Empty::new())
            .map_err(|_| BeatError::Url)?;
        let answer = tokio::time::timeout(ANSWER_MAX, self.0.request(request))
            .await
            .map_err(|_| BeatError::Time)?
            .map_err(BeatError::Unreachable)?;
        match answer.status() {
            status if status.is_success() => Ok(()),
            status => Err(BeatError::Refused(status)),
        }
    }
}

#[cfg(test)]
mod tests {
    use axum::Router;
    use axum::http::Uri;
    use axum::routing::get;
    use tokio::net::TcpListener;

    use super::*;

    async fn beat(url: &str) -> Result<(), BeatError> {
        let folder = tempfile::tempdir().unwrap();
        let url_file = folder.path().join("url");
        std::fs::write(&url_file, url).unwrap();
        let heartbeat = crate::config::Heartbeat {
            url_file,
            every: Duration::from_secs(60),
            gap: Duration::from_secs(900),
        };
        Heart::new()
            .unwrap()
            .beat(&heartbeat.read_url().unwrap())
            .await
    }

    #[tokio::test]
    async fn only_a_success_counts() {
        let listener = TcpListener::bind("127.0.0.1:0").await.unwrap();
        let address = listener.local_addr().unwrap();
        let answer = async |uri: Uri| match uri.path() {
            "/hunter2" => StatusCode::OK,
            "/away" => StatusCode::FOUND,
            _ => StatusCode::NOT_FOUND,
        };
        let router = Router::new().fallback(get(answer));
        let serving = tokio::spawn(async move { axum::serve(listener, router).await });
        beat(&format!("http://{address}/hunter2")).await.unwrap();
        for (path, status) in [("away", "302"), ("hunter3", "404")] {
            let error = beat(&format!("http://{address}/{path}")).await.unwrap_err();
            assert!(error.to_string().contains(status), "{error}");
        }
        serving.abort();
    }

    #[tokio::test]
    async fn errors_keep_the_url_to_themselves() {
        // Nothing listens on port 1; no name of that zone exists (RFC 6761 §6.4).
        for url in [
            "http://127.0.0.1:1/hunter2",
            "https://hunter2.invalid/hunter2",
        ] {
            let error = anyhow::Error::from(beat(url).await.unwrap_err());
            let said = format!("{error:#} {error:?}");
            assert!(
                said.contains("can't be reached") && !said.contains("hunter2"),
                "{said}"
            );
        }
    }
}
