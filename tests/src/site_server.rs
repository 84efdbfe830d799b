//! The simulated site as a process of its own, so that the relay under test shares nothing with it.

use std::io::{BufRead as _, BufReader, Write as _};
use std::path::Path;
use std::process::{ChildStdout, Command, Stdio};

use serde::Deserialize;
use serde_json::Value;

use crate::Running;
use crate::bed::End;

/// A site that runs; it ends when this is dropped.
#[derive(Debug)]
pub struct SiteServer {
    /// Where its cameras serve.
    pub urls: Vec<String>,
    said: BufReader<ChildStdout>,
    process: Running,
}

impl SiteServer {
    /// Starts `program`, that is `src/bin/site_server.rs`; its options are told there.
    #[must_use]
    pub fn start(program: &Path, options: &[&str]) -> Self {
        Self::run(Command::new(program).args(options))
    }

    /// Starts it at one end of a link of the test bed, where it listens.
    #[must_use]
    pub fn start_at(end: &End, program: &Path, options: &[&str]) -> Self {
        let program = program.to_str().unwrap();
        let listen = ["--listen", &end.address().to_string()];
        Self::run(end.command(program).args(options).args(listen))
    }

    fn run(command: &mut Command) -> Self {
        #[derive(Deserialize)]
        struct Said {
            urls: Vec<String>,
        }
        let mut process = Running::start(command.stdin(Stdio::piped()).stdout(Stdio::piped()));
        let mut said = BufReader::new(process.child().stdout.take().unwrap());
        let mut line = String::new();
        said.read_line(&mut line).unwrap();
        let told: Said =
            serde_json::from_str(&line).unwrap_or_else(|_| panic!("{command:?} says {line:?}"));
        Self {
            urls: told.urls,
            said,
            process,
        }
    }

    /// Has it do something, and gives the answer.
    ///
    /// # Errors
    /// What the site says to an order that it can't follow.
    pub fn order(&mut self, order: &Value) -> Result<Value, String> {
        let to = self.process.child().stdin.as_mut().unwrap();
        writeln!(to, "{order}").unwrap();
        let mut line = String::new();
        self.said.read_line(&mut line).unwrap();
        let answer: Value =
            serde_json::from_str(&line).unwrap_or_else(|_| panic!("the site says {line:?}"));
        match answer["error"].as_str() {
            Some(error) => Err(error.to_owned()),
            None => Ok(answer),
        }
    }
}
