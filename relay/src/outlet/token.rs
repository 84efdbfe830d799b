//! Bearer tokens (RFC 6750 §2.1).

use std::sync::Arc;

use axum::extract::{Request, State};
use axum::http::{StatusCode, header};
use axum::middleware::Next;
use axum::response::{IntoResponse, Response};

use crate::config::Secret;

pub(super) async fn require(
    State(token): State<Arc<Secret>>,
    request: Request,
    next: Next,
) -> Response {
    let given = request
        .headers()
        .get(header::AUTHORIZATION)
        .and_then(|value| value.as_bytes().strip_prefix(b"Bearer "));
    if given.is_some_and(|given| same(given, token.expose().as_bytes())) {
        return next.run(request).await;
    }
    let challenge = [(header::WWW_AUTHENTICATE, "Bearer")];
    let text = "this relay wants its token: Authorization: Bearer TOKEN (see `token_file`)\n";
    (StatusCode::UNAUTHORIZED, challenge, text).into_response()
}

/// Compares in a time that depends on the lengths only, so that the token can't be found letter
/// by letter.
fn same(given: &[u8], token: &[u8]) -> bool {
    let differing = given
        .iter()
        .zip(token)
        .fold(0, |bits, (a, b)| bits | (a ^ b));
    given.len() == token.len() && std::hint::black_box(differing) == 0
}

#[cfg(test)]
mod tests {
    use super::same;

    #[test]
    fn tokens_are_compared_whole() {
        assert!(same(b"correct horse", b"correct horse"));
        for wrong in [
            &b""[..],
            b"correct hors",
            b"correct horse2",
            b"Correct horse",
        ] {
            assert!(!same(wrong, b"correct horse"));
        }
    }
}
