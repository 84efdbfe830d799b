//! The token that requests from other machines bear: as such (RFC 6750 §2.1), or as the password of
//! any user (RFC 7617), which is what browsers can.

use std::collections::HashMap;
use std::net::{IpAddr, Ipv6Addr};
use std::sync::{Mutex, PoisonError};
use std::time::{Duration, Instant};

use axum::http::{HeaderMap, StatusCode, header};
use base64::Engine as _;
use base64::engine::general_purpose::STANDARD;

use super::error::Problem;
use crate::config::Secret;

/// So many wrong tokens may come at once from one address, and one more after each period.
const WRONG_MAX: u32 = 10;
const WRONG_PERIOD: Duration = Duration::from_secs(6);
/// Addresses that are remembered; the one that was silent longest is forgotten first.
const ADDRESSES_MAX: usize = 1024;

/// Knows the token, and who has not known it.
#[derive(Debug)]
pub(super) struct Gate {
    token: Secret,
    wrong: Mutex<HashMap<IpAddr, Wrong>>,
}

#[derive(Debug, Clone, Copy)]
struct Wrong {
    number: u32,
    at: Instant,
}

impl Wrong {
    /// What is left of it.
    fn now(self, now: Instant) -> u32 {
        let passed = now.saturating_duration_since(self.at).as_secs() / WRONG_PERIOD.as_secs();
        self.number
            .saturating_sub(u32::try_from(passed).unwrap_or(u32::MAX))
    }
}

/// Why a request is not let in.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) enum Denied {
    /// No token, or a wrong one.
    Wrong(Problem),
    /// Whatever it bears: too many wrong ones have come from there.
    TooMany(Problem),
}

impl Gate {
    pub(super) fn new(token: Secret) -> Self {
        Self {
            token,
            wrong: Mutex::default(),
        }
    }

    /// # Errors
    /// Why the request is not let in.
    pub(super) fn admit(
        &self,
        peer: Option<IpAddr>,
        headers: &HeaderMap,
        now: Instant,
    ) -> Result<(), Denied> {
        let peer = peer.map(network);
        if let Some(seconds) = peer.and_then(|peer| self.shut_for(peer, now)) {
            let problem = Problem::new(
                StatusCode::TOO_MANY_REQUESTS,
                "too many wrong tokens",
                "too many requests with a wrong token came from this address",
                format!("Wait {seconds} s, and send the token of the relay's `token_file`."),
            );
            let seconds = seconds.to_string();
            return Err(Denied::TooMany(problem.with(header::RETRY_AFTER, &seconds)));
        }
        let given = headers
            .get(header::AUTHORIZATION)
            .map(|value| value.as_bytes());
        let token = self.token.expose().as_bytes();
        let is_right = match given.and_then(borne) {
            Some(given) => same(&given, token),
            None => false,
        };
        if is_right {
            return Ok(());
        }
        // One without any is a browser that has not been asked yet.
        if let Some(peer) = peer.filter(|_| given.is_some()) {
            self.note(peer, now);
        }
        let problem = Problem::new(
            StatusCode::UNAUTHORIZED,
            "this relay wants its token",
            match given {
                None => "the request bears no token",
                Some(_) => "the token is not that of this relay",
            },
            "Send `Authorization: Bearer TOKEN` with the token of the relay's `token_file`, or give it \
             as the password of any user.",
        );
        let problem = problem
            .with(header::WWW_AUTHENTICATE, "Bearer")
            .with(header::WWW_AUTHENTICATE, "Basic realm=\"Forebay\"");
        Err(Denied::Wrong(problem))
    }

    /// For how many seconds nothing from there is let in.
    fn shut_for(&self, peer: IpAddr, now: Instant) -> Option<u64> {
        let wrong = self.wrong.lock().unwrap_or_else(PoisonError::into_inner);
        let number = wrong.get(&peer)?.now(now);
        (number >= WRONG_MAX)
            .then(|| u64::from(number - WRONG_MAX + 1).saturating_mul(WRONG_PERIOD.as_secs()))
    }

    fn note(&self, peer: IpAddr, now: Instant) {
        let mut all = self.wrong.lock().unwrap_or_else(PoisonError::into_inner);
        if all.len() >= ADDRESSES_MAX && !all.contains_key(&peer) {
            all.retain(|_, wrong| wrong.now(now) > 0);
            let oldest = all.iter().min_by_key(|(_, wrong)| wrong.at);
            if let Some(oldest) = oldest.map(|(peer, _)| *peer)
                && all.len() >= ADDRESSES_MAX
            {
                all.remove(&oldest);
            }
        }
        let number = all.get(&peer).map_or(0, |wrong| wrong.now(now));
        let number = (number + 1).min(WRONG_MAX);
        all.insert(peer, Wrong { number, at: now });
    }
}

/// Who has one address of IPv6 has a network of them.
fn network(peer: IpAddr) -> IpAddr {
    match peer.to_canonical() {
        IpAddr::V6(address) => {
            let [a, b, c, d, ..] = address.segments();
            IpAddr::V6(Ipv6Addr::new(a, b, c, d, 0, 0, 0, 0))
        }
        four => four,
    }
}

/// The token of a field `Authorization`.
fn borne(field: &[u8]) -> Option<Vec<u8>> {
    let (scheme, rest) = field.split_at_checked(field.iter().position(|c| *c == b' ')?)?;
    let rest = rest.trim_ascii();
    if scheme.eq_ignore_ascii_case(b"bearer") {
        return Some(rest.to_vec());
    }
    if scheme.eq_ignore_ascii_case(b"basic") {
        let pair = STANDARD.decode(rest).ok()?;
        let colon = pair.iter().position(|c| *c == b':')?;
        return pair.get(colon + 1..).map(<[u8]>::to_vec);
    }
    None
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
    use super::*;

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

    #[test]
    fn a_token_is_borne_or_a_password() {
        assert_eq!(borne(b"Bearer abc").unwrap(), b"abc");
        assert_eq!(borne(b"bearer  abc ").unwrap(), b"abc");
        // RFC 7617 §2: Aladdin, open sesame.
        let basic = b"Basic QWxhZGRpbjpvcGVuIHNlc2FtZQ==";
        assert_eq!(borne(basic).unwrap(), b"open sesame");
        for wrong in [
            &b""[..],
            b"Bearer",
            b"Digest abc",
            b"Basic !",
            b"Basic YWJj",
        ] {
            assert_eq!(borne(wrong), None);
        }
    }

    #[test]
    fn who_guesses_has_to_wait() {
        let gate = Gate::new(Secret::for_tests("0123456789abcdef"));
        let field = |token: &str| {
            let value = format!("Bearer {token}").parse().unwrap();
            HeaderMap::from_iter([(header::AUTHORIZATION, value)])
        };
        let (one, other) = ("10.0.0.1".parse().ok(), "10.0.0.2".parse().ok());
        let now = Instant::now();
        assert_eq!(gate.admit(one, &field("0123456789abcdef"), now), Ok(()));
        for _ in 0..WRONG_MAX {
            let denied = gate.admit(one, &field("wrong"), now);
            assert!(matches!(denied, Err(Denied::Wrong(_))));
        }
        // The right one would tell that it is right.
        let right = field("0123456789abcdef");
        assert!(matches!(
            gate.admit(one, &right, now),
            Err(Denied::TooMany(_))
        ));
        assert_eq!(gate.admit(other, &right, now), Ok(()));
        assert_eq!(gate.admit(one, &right, now + WRONG_PERIOD), Ok(()));
        for host in 0..3000_u32 {
            let peer = Some(IpAddr::from(std::net::Ipv4Addr::from(host)));
            assert!(gate.admit(peer, &field("wrong"), now).is_err());
        }
        assert!(gate.wrong.lock().unwrap().len() <= ADDRESSES_MAX);
    }
}
