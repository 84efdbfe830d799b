//! Requests to a relay, byte by byte where a client would not send such.

use std::io::{Read as _, Write as _};
use std::net::{SocketAddr, TcpStream};
use std::path::Path;
use std::process::Command;
use std::time::Duration;

use crate::run;

/// Longer than anything takes on a busy machine.
const PATIENCE: Duration = Duration::from_secs(60);

/// An answer.
#[derive(Debug, Clone)]
pub struct Answer {
    /// Its status; 0 where the connection was closed without one.
    pub status: u16,
    /// Status line and fields.
    pub head: String,
    /// What follows.
    pub body: Vec<u8>,
}

impl Answer {
    /// A field of the head.
    #[must_use]
    pub fn field(&self, name: &str) -> Option<&str> {
        self.head.lines().find_map(|line| {
            let (found, value) = line.split_once(':')?;
            found.eq_ignore_ascii_case(name).then(|| value.trim())
        })
    }

    /// The body as JSON.
    #[must_use]
    pub fn json(&self) -> serde_json::Value {
        let text = String::from_utf8_lossy(&self.body);
        serde_json::from_str(&text).unwrap_or_else(|error| panic!("{}\n{text}: {error}", self.head))
    }
}

/// Sends these bytes, and reads until the other end closes.
#[must_use]
pub fn raw(address: SocketAddr, request: &[u8]) -> Answer {
    let mut stream = TcpStream::connect(address).unwrap();
    stream.set_read_timeout(Some(PATIENCE)).unwrap();
    stream.set_write_timeout(Some(PATIENCE)).unwrap();
    // It may close before it has read all of it.
    stream.write_all(request).ok();
    let mut answer = Vec::new();
    let mut block = [0; 65_536];
    loop {
        match stream.read(&mut block) {
            Ok(0) => break,
            Ok(read) => answer.extend_from_slice(&block[..read]),
            Err(error) if error.kind() == std::io::ErrorKind::ConnectionReset => break,
            Err(error) => panic!("no end of the answer: {error}"),
        }
    }
    let end = answer.windows(4).position(|four| four == b"\r\n\r\n");
    let (head, body) = match end {
        Some(end) => (&answer[..end], answer[end + 4..].to_vec()),
        None => (&answer[..], Vec::new()),
    };
    let head = String::from_utf8_lossy(head).into_owned();
    let status = head.split(' ').nth(1).and_then(|code| code.parse().ok());
    Answer {
        status: status.unwrap_or(0),
        head,
        body,
    }
}

/// A request with fields of its own (each with its line's end). Version 1.0, unless the method says
/// another: the answer is not chunked, and ends with the connection.
#[must_use]
pub fn request(address: SocketAddr, method: &str, path: &str, fields: &str) -> Answer {
    let request = format!("{method} {path} HTTP/1.0\r\nHost: {address}\r\n{fields}\r\n");
    raw(address, request.as_bytes())
}

/// A GET.
#[must_use]
pub fn get(address: SocketAddr, path: &str) -> Answer {
    request(address, "GET", path, "")
}

/// By curl, into a file; its words of the answer's head.
#[must_use]
pub fn curl(url: &str, to: &Path, options: &[&str]) -> String {
    let output = run(Command::new("curl")
        .args([
            "--silent",
            "--show-error",
            "--dump-header",
            "-",
            "--max-time",
            "60",
        ])
        .args(options)
        .arg("--output")
        .arg(to)
        .arg(url));
    String::from_utf8(output.stdout).unwrap()
}
