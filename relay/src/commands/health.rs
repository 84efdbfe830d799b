//! `forebay health`

use std::io::{Read as _, Write as _};
use std::net::{IpAddr, Ipv4Addr, Ipv6Addr, SocketAddr, TcpStream};
use std::time::Duration;

use super::{ConfigFile, Failure, exit, output};

/// For each step.
const PATIENCE: Duration = Duration::from_secs(2);
/// The answer has some hundred bytes.
const ANSWER_BYTES_MAX: u64 = 4096;

/// Asks the relay of this configuration whether it works.
pub(super) fn health(file: &ConfigFile) -> Result<(), Failure> {
    let address = reachable(file.load()?.relay.listen);
    let unavailable = |why: String| {
        let message = format!("{address}: {why}");
        Failure::new(exit::UNAVAILABLE, message)
    };
    let answer = ask(address).map_err(|error| unavailable(format!("no relay answers: {error}")))?;
    let (head, body) = answer.split_once("\r\n\r\n").unwrap_or((&answer, ""));
    let state = body.trim();
    // One of two relays whose turn has not come does what it is for.
    if head.split(' ').nth(1) == Some("200") || state == "waiting" {
        output::say(state);
        return Ok(());
    }
    let state: String = state.chars().filter(|c| !c.is_control()).take(80).collect();
    Err(unavailable(match state.is_empty() {
        true => "what answers there is no relay".to_owned(),
        false => format!("the relay is {state}"),
    }))
}

/// Where a relay that listens everywhere is found on its own machine.
fn reachable(listen: SocketAddr) -> SocketAddr {
    let ip = match listen.ip() {
        IpAddr::V4(ip) if ip.is_unspecified() => Ipv4Addr::LOCALHOST.into(),
        IpAddr::V6(ip) if ip.is_unspecified() => Ipv6Addr::LOCALHOST.into(),
        ip => ip,
    };
    SocketAddr::new(ip, listen.port())
}

fn ask(address: SocketAddr) -> std::io::Result<String> {
    let mut stream = TcpStream::connect_timeout(&address, PATIENCE)?;
    stream.set_read_timeout(Some(PATIENCE))?;
    stream.set_write_timeout(Some(PATIENCE))?;
    write!(
        stream,
        "GET /readyz HTTP/1.1\r\nHost: {address}\r\nConnection: close\r\n\r\n"
    )?;
    let mut answer = Vec::new();
    stream.take(ANSWER_BYTES_MAX).read_to_end(&mut answer)?;
    Ok(String::from_utf8_lossy(&answer).into_owned())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_relay_that_listens_everywhere_is_asked_here() {
        for (listen, asked) in [
            ("0.0.0.0:8473", "127.0.0.1:8473"),
            ("[::]:8473", "[::1]:8473"),
            ("10.60.0.1:80", "10.60.0.1:80"),
        ] {
            assert_eq!(reachable(listen.parse().unwrap()), asked.parse().unwrap());
        }
    }
}
