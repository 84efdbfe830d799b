//! The relay as its users meet it: a process with a configuration file.

use std::ffi::OsStr;
use std::fs::{self, File};
use std::net::{Ipv4Addr, SocketAddr, TcpListener};
use std::path::{Path, PathBuf};
use std::process::{Command, ExitStatus, Stdio};
use std::sync::OnceLock;
use std::time::{Duration, Instant};

use rustix::process::Signal;

use crate::bed::End;
use crate::{Configuration, Metrics, Running, http_get, run, wait_for};

/// A relay that runs.
#[derive(Debug)]
pub struct Relay {
    process: Running,
    address: SocketAddr,
    log: PathBuf,
}

/// How a relay ended.
#[derive(Debug)]
pub struct Stopped {
    /// Its exit status.
    pub status: ExitStatus,
    /// From the signal to the end.
    pub took: Duration,
    /// All that it logged, JSON lines.
    pub log: String,
}

fn free_port() -> SocketAddr {
    TcpListener::bind((Ipv4Addr::LOCALHOST, 0))
        .unwrap()
        .local_addr()
        .unwrap()
}

impl Relay {
    /// The program under test: `FOREBAY_BIN`, or this repository's, built once in release mode.
    #[must_use]
    pub fn program() -> &'static Path {
        static PROGRAM: OnceLock<PathBuf> = OnceLock::new();
        PROGRAM.get_or_init(|| {
            if let Some(path) = std::env::var_os("FOREBAY_BIN") {
                let path = PathBuf::from(path);
                assert!(
                    path.is_file(),
                    "FOREBAY_BIN is {}, which is no file",
                    path.display()
                );
                return path;
            }
            let root = Path::new(env!("CARGO_MANIFEST_DIR")).parent().unwrap();
            let cargo = std::env::var_os("CARGO").unwrap_or_else(|| "cargo".into());
            let built = run(Command::new(cargo)
                .args(["build", "--release", "--locked", "--package", "forebay"])
                .args(["--message-format", "json-render-diagnostics"])
                .current_dir(root)
                .stderr(Stdio::inherit()));
            let said = String::from_utf8(built.stdout).unwrap();
            let program = said
                .lines()
                .filter_map(|line| serde_json::from_str::<serde_json::Value>(line).ok())
                .filter_map(|message| message["executable"].as_str().map(PathBuf::from))
                .next_back();
            program.expect("cargo names no executable of the package forebay")
        })
    }

    /// Starts the relay; does not wait.
    #[must_use]
    pub fn spawn(configuration: &Configuration) -> Self {
        Self::run(&mut Command::new(Self::program()), configuration)
    }

    /// Starts it at one end of a link of the test bed; does not wait. Its HTTP port can be reached
    /// there alone ([`End::within`]).
    #[must_use]
    pub fn spawn_at(end: &End, configuration: &Configuration) -> Self {
        let program = Self::program().to_str().unwrap();
        Self::run(&mut end.command(program), configuration)
    }

    /// Starts it by `program` (the relay's, or what ends by running its own arguments) with a file that
    /// says whatever `toml` makes of the address to listen on; does not wait.
    #[must_use]
    pub fn spawn_by(
        program: &mut Command,
        folder: &Path,
        toml: impl FnOnce(SocketAddr) -> String,
    ) -> Self {
        Self::spawn_by_with(program, folder, &[], toml)
    }

    /// The same with more words for `forebay run`.
    #[must_use]
    pub fn spawn_by_with(
        program: &mut Command,
        folder: &Path,
        words: &[&OsStr],
        toml: impl FnOnce(SocketAddr) -> String,
    ) -> Self {
        let port = free_port();
        let file = folder.join("forebay.toml");
        fs::write(&file, toml(port)).unwrap();
        Self::launch(program, &file, folder, port, |program| {
            program.args(words);
        })
    }

    fn run(program: &mut Command, configuration: &Configuration) -> Self {
        let port = free_port();
        let file = configuration.write(&port.to_string());
        Self::launch(program, &file, configuration.folder(), port, |program| {
            configuration.apply(program);
        })
    }

    fn launch(
        program: &mut Command,
        file: &Path,
        folder: &Path,
        port: SocketAddr,
        more: impl FnOnce(&mut Command),
    ) -> Self {
        let log = folder.join("relay.log");
        let output = File::options()
            .create(true)
            .append(true)
            .open(&log)
            .unwrap();
        program
            .args(["run", "--log-format", "json", "--config"])
            .arg(file);
        more(program);
        let process = Running::start(
            program
                .stdin(Stdio::null())
                .stdout(output.try_clone().unwrap())
                .stderr(output),
        );
        Self {
            process,
            address: port,
            log,
        }
    }

    /// Starts the relay and waits until it says that it is ready.
    #[must_use]
    pub fn start(configuration: &Configuration) -> Self {
        let mut relay = Self::spawn(configuration);
        let ready = wait_for(Duration::from_secs(30), || {
            let ended = relay.process.child().try_wait().unwrap();
            assert!(
                ended.is_none(),
                "the relay ended: {ended:?}\n{}",
                relay.log()
            );
            relay.is_ready().then_some(())
        });
        assert!(
            ready.is_some(),
            "the relay isn't ready after 30 s:\n{}",
            relay.log()
        );
        relay
    }

    /// Whether `/readyz` says yes now.
    #[must_use]
    pub fn is_ready(&self) -> bool {
        http_get(self.address, "/readyz").is_some_and(|(status, _)| status == 200)
    }

    /// Where it serves HTTP.
    #[must_use]
    pub fn address(&self) -> SocketAddr {
        self.address
    }

    /// The number of its process.
    #[must_use]
    pub fn pid(&self) -> u32 {
        self.process.id()
    }

    /// What `/metrics` says now; a machine that is busy has a while for the answer.
    #[must_use]
    pub fn metrics(&self) -> Metrics {
        match wait_for(Duration::from_secs(20), || {
            http_get(self.address, "/metrics")
        }) {
            Some((200, body)) => Metrics::new(body),
            other => panic!("/metrics answers {other:?}"),
        }
    }

    /// Has it read its configuration again, as it is after `change`; waits until that has been done, and
    /// gives what came of it: `applied`, `unchanged` or `refused`.
    pub fn reload(&self, change: impl FnOnce()) -> &'static str {
        const OUTCOMES: [&str; 3] = ["applied", "unchanged", "refused"];
        let counts = || {
            let page = self.metrics();
            let count = |outcome| page.sum("forebay_reloads_total", &[("outcome", outcome)]);
            OUTCOMES.map(|outcome| count(outcome).unwrap())
        };
        let before = counts();
        change();
        self.process.signal(Signal::HUP);
        let done = wait_for(Duration::from_secs(60), || {
            let pairs = before.into_iter().zip(counts()).zip(OUTCOMES);
            let mut risen = pairs.filter(|((before, now), _)| now > before);
            risen.next().map(|(_, outcome)| outcome)
        });
        done.unwrap_or_else(|| panic!("nothing came of SIGHUP after 60 s:\n{}", self.log()))
    }

    /// The log so far, of all runs in this folder.
    #[must_use]
    pub fn log(&self) -> String {
        fs::read_to_string(&self.log).unwrap_or_default()
    }

    /// What `/readyz` says now; nothing while nobody answers.
    #[must_use]
    pub fn readiness(&self) -> Option<(u16, String)> {
        http_get(self.address, "/readyz")
    }

    /// Sends it a signal.
    pub fn signal(&self, signal: Signal) {
        self.process.signal(signal);
    }

    /// Waits until it ends by itself.
    #[must_use]
    pub fn ended(mut self, limit: Duration) -> Option<ExitStatus> {
        self.process.wait(limit)
    }

    /// Ends it with SIGTERM.
    #[must_use]
    pub fn stop(mut self) -> Stopped {
        let begin = Instant::now();
        self.process.signal(Signal::TERM);
        let status = self.process.wait(Duration::from_secs(20));
        let took = begin.elapsed();
        let log = self.log();
        let status = status.unwrap_or_else(|| panic!("still there 20 s after SIGTERM:\n{log}"));
        Stopped { status, took, log }
    }

    /// Ends it with SIGKILL.
    pub fn kill(mut self) {
        let ended = self.process.child().try_wait().unwrap();
        assert!(
            ended.is_none(),
            "the relay ended by itself: {ended:?}\n{}",
            self.log()
        );
        self.process.signal(Signal::KILL);
        self.process
            .wait(Duration::from_secs(20))
            .expect("gone after SIGKILL");
    }
}
