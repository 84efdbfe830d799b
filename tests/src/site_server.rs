//! The simulated site as a process of its own, so that the relay under test shares nothing with it.

use std::io::{BufRead, BufReader};
use std::path::Path;
use std::process::{Command, Stdio};

use serde::Deserialize;

use crate::Running;

/// A site that runs; it ends when this is dropped.
#[derive(Debug)]
pub struct SiteServer {
    /// Where its cameras serve.
    pub urls: Vec<String>,
    _process: Running,
}

impl SiteServer {
    /// Starts `program`, that is `src/bin/site_server.rs`; its options are told there.
    #[must_use]
    pub fn start(program: &Path, options: &[&str]) -> Self {
        #[derive(Deserialize)]
        struct Said {
            urls: Vec<String>,
        }
        let mut process = Running::start(
            Command::new(program)
                .args(options)
                .stdin(Stdio::piped())
                .stdout(Stdio::piped()),
        );
        let mut line = String::new();
        BufReader::new(process.child().stdout.take().unwrap())
            .read_line(&mut line)
            .unwrap();
        let said: Said = serde_json::from_str(&line)
            .unwrap_or_else(|_| panic!("{} says {line:?}", program.display()));
        Self {
            urls: said.urls,
            _process: process,
        }
    }
}
