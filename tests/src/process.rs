//! Other programs: started, awaited, stopped.

use std::io::{Read, Write};
use std::net::{SocketAddr, TcpStream};
use std::process::{Child, Command, ExitStatus, Output};
use std::thread::sleep;
use std::time::{Duration, Instant};

use rustix::process::{Pid, Signal, kill_process};

/// A child process that does not outlive the test.
#[derive(Debug)]
pub struct Running {
    child: Child,
}

impl Running {
    /// Starts `command`.
    #[must_use]
    pub fn start(command: &mut Command) -> Self {
        match command.spawn() {
            Ok(child) => Self { child },
            Err(error) => panic!("{command:?} doesn't start: {error}"),
        }
    }

    /// The process.
    pub fn child(&mut self) -> &mut Child {
        &mut self.child
    }

    /// Its number.
    #[must_use]
    pub fn id(&self) -> u32 {
        self.child.id()
    }

    /// Sends a signal.
    pub fn signal(&self, signal: Signal) {
        kill_process(Pid::from_child(&self.child), signal).unwrap();
    }

    /// The exit status within `limit`, or nothing.
    pub fn wait(&mut self, limit: Duration) -> Option<ExitStatus> {
        wait_for(limit, || self.child.try_wait().unwrap())
    }
}

impl Drop for Running {
    fn drop(&mut self) {
        if let Ok(None) = self.child.try_wait() {
            self.child.kill().ok();
            self.child.wait().ok();
        }
    }
}

/// Asks every 20 ms until there is an answer or the time is over.
pub fn wait_for<T>(limit: Duration, mut ask: impl FnMut() -> Option<T>) -> Option<T> {
    let begin = Instant::now();
    loop {
        let answer = ask();
        if answer.is_some() || begin.elapsed() > limit {
            return answer;
        }
        sleep(Duration::from_millis(20));
    }
}

/// Runs a program to its end; fails unless it succeeds.
pub fn run(command: &mut Command) -> Output {
    let output = match command.output() {
        Ok(output) => output,
        Err(error) => panic!("{command:?} doesn't start (is it installed?): {error}"),
    };
    assert!(
        output.status.success(),
        "{command:?}: {}\n{}",
        output.status,
        String::from_utf8_lossy(&output.stderr)
    );
    output
}

/// Runs a program that must succeed without a word on its error output.
pub fn silent(command: &mut Command) -> Output {
    let output = run(command);
    let said = String::from_utf8_lossy(&output.stderr);
    assert!(said.trim().is_empty(), "{command:?} says:\n{said}");
    output
}

/// Status and body of a GET; nothing while nobody answers.
pub fn http_get(address: SocketAddr, path: &str) -> Option<(u16, String)> {
    let limit = Duration::from_secs(2);
    let mut stream = TcpStream::connect_timeout(&address, limit).ok()?;
    stream.set_read_timeout(Some(limit)).ok()?;
    // Version 1.0: the answer comes unchunked and ends with the connection.
    write!(stream, "GET {path} HTTP/1.0\r\nHost: {address}\r\n\r\n").ok()?;
    let mut answer = String::new();
    stream.read_to_string(&mut answer).ok()?;
    let (head, body) = answer.split_once("\r\n\r\n")?;
    let status = head.split(' ').nth(1)?.parse().ok()?;
    Some((status, body.to_string()))
}
