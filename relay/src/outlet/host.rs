//! By which name the relay was asked. A page of the web can have a name of its own point at this
//! machine, and then read what is served without a token; so without one only an address will do.

use std::net::IpAddr;

use axum::http::{HeaderMap, StatusCode, Uri, header};

use super::error::Problem;
use super::query::shown;

/// # Errors
/// Where the name is none of this machine's own.
pub(super) fn check(uri: &Uri, headers: &HeaderMap) -> Result<(), Problem> {
    let named = headers.get(header::HOST).map(|value| value.to_str());
    let name = match (uri.authority(), named) {
        (Some(authority), _) => authority.as_str(),
        (None, Some(Ok(name))) => name,
        // HTTP/1.0; no browser asks so.
        (None, None) => return Ok(()),
        (None, Some(Err(_))) => "",
    };
    if is_own(name) {
        return Ok(());
    }
    Err(Problem::new(
        StatusCode::MISDIRECTED_REQUEST,
        "asked by another host's name",
        format!("the request is for the host {}", shown(name)),
        "Ask by the address (127.0.0.1) or as localhost; have a proxy send that as Host, or give the \
         relay a `token_file`: then any name will do.",
    ))
}

fn is_own(authority: &str) -> bool {
    let host = match authority.strip_prefix('[') {
        Some(six) => six.split(']').next().unwrap_or_default(),
        None => authority.split(':').next().unwrap_or_default(),
    };
    host.parse::<IpAddr>().is_ok() || host.eq_ignore_ascii_case("localhost")
}

#[cfg(test)]
mod tests {
    use super::is_own;

    #[test]
    fn addresses_and_localhost_alone() {
        for own in [
            "127.0.0.1",
            "127.0.0.1:8473",
            "[::1]:8473",
            "localhost:8473",
            "Localhost",
        ] {
            assert!(is_own(own), "{own}");
        }
        for other in [
            "",
            "evil.example",
            "localhost.evil.example:8473",
            "127.0.0.1.nip.example",
        ] {
            assert!(!is_own(other), "{other}");
        }
    }
}
