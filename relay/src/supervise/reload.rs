//! A configuration to go on with: read and judged whole while the relay runs, before anything is
//! touched.

use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::time::Duration;

use super::difference::{Difference, keep_fixed};
use super::signals::HangUps;
use crate::config::{self, Config, Plugin, Problem, Secret, Severity};
use crate::sinks::{self, Code, Engine, LoadError};

/// How long files may take to be read: one on a network disk may never answer.
const READ_TIME: Duration = Duration::from_secs(60);
/// How long a plugin may take to be compiled, also by those who wait for it since the start.
const BUILD_TIME: Duration = Duration::from_secs(300);

/// What a running relay reads its configuration from again.
#[derive(Debug)]
pub struct Reload {
    path: PathBuf,
    hang_ups: HangUps,
    level_is_given: bool,
    is_due: bool,
}

impl Reload {
    /// From the file, on each of the signals. `level_is_given`: how much is logged was said by other
    /// means, which win.
    #[must_use]
    pub fn new(path: PathBuf, hang_ups: HangUps, level_is_given: bool) -> Self {
        Self {
            path,
            hang_ups,
            level_is_given,
            is_due: false,
        }
    }

    /// Waits for a signal. Cancel-safe.
    pub(super) async fn signal(&mut self) {
        self.hang_ups.next().await;
    }

    /// A signal has come that nothing could be done about yet.
    pub(super) fn defer(&mut self) {
        self.is_due = true;
    }

    /// Waits until the file is to be read: at once after a signal that was put off. Cancel-safe.
    pub(super) async fn asked(&mut self) {
        if !std::mem::take(&mut self.is_due) {
            self.signal().await;
        }
    }

    pub(super) fn path(&self) -> &Path {
        &self.path
    }

    pub(super) fn level_is_given(&self) -> bool {
        self.level_is_given
    }
}

/// A configuration that may take the place of the one that runs.
pub(super) struct Next {
    pub(super) config: Config,
    pub(super) difference: Difference,
    /// What it says that needs a restart, by name. `config` has what runs in its place.
    pub(super) fixed: Vec<&'static str>,
    /// All plugins that it needs, ready to run.
    pub(super) plugins: Vec<(Plugin, Arc<sinks::Plugin>)>,
    pub(super) warnings: Vec<Problem>,
}

/// What is read of files.
struct Read {
    config: Config,
    token: Option<Secret>,
    problems: Vec<Problem>,
    codes: Vec<(Plugin, Result<Code, String>)>,
}

/// Reads and judges the file as `forebay check` does.
///
/// # Errors
/// All that is wrong with it, as text for the log.
pub(super) async fn read(
    path: &Path,
    (running, token): (&Config, Option<&Secret>),
    engine: &Engine,
) -> Result<Next, String> {
    let shown = path.display().to_string();
    let from = path.to_owned();
    let reading = tokio::task::spawn_blocking(move || read_files(&from));
    let mut read = match tokio::time::timeout(READ_TIME, reading).await {
        Ok(Ok(read)) => read?,
        Ok(Err(error)) => return Err(format!("{shown}: it could not be read: {error}")),
        Err(_) => {
            let seconds = READ_TIME.as_secs();
            return Err(format!(
                "{shown}: it, or a file that it names, could not be read within {seconds} s. Is it \
                 on a network or failing disk?"
            ));
        }
    };
    let (errors, warnings) = read
        .problems
        .into_iter()
        .partition::<Vec<_>, _>(|problem| problem.severity == Severity::Error);
    let told = |problem: Problem| problem.to_string().trim_end().to_owned();
    let mut wrong: Vec<_> = errors.into_iter().map(told).collect();
    let mut plugins = Vec::new();
    let mut new_code = Vec::new();
    for (source, code) in read.codes {
        let code = match code {
            Ok(code) => code,
            Err(error) => {
                wrong.push(format!("error: {error}"));
                continue;
            }
        };
        let name = code.name().to_owned();
        match tokio::time::timeout(BUILD_TIME, prepared(engine, &source, code)).await {
            Ok(Ok((plugin, is_new))) => {
                new_code.extend(is_new.then(|| source.clone()));
                plugins.push((source, plugin));
            }
            Ok(Err(error)) => wrong.push(format!("error: {error}")),
            Err(_) => {
                let seconds = BUILD_TIME.as_secs();
                wrong.push(format!(
                    "error: {name} could not be compiled within {seconds} s: is this machine \
                     overloaded?"
                ));
            }
        }
    }
    for sink in &read.config.sinks {
        let Some((_, plugin)) = plugins.iter().find(|(from, _)| *from == sink.plugin) else {
            continue;
        };
        if let Err(error) = sinks::judge(engine, plugin, sink, &read.config).await {
            wrong.push(format!("error: {error}"));
        }
    }
    if !wrong.is_empty() {
        return Err(wrong.join("\n"));
    }
    let same_file = running.relay.token_file == read.config.relay.token_file;
    let mut fixed = keep_fixed(running, &mut read.config);
    if same_file && token != read.token.as_ref() {
        fixed.push("the content of token_file in [relay]");
    }
    Ok(Next {
        difference: Difference::between(running, &read.config, &new_code),
        config: read.config,
        fixed,
        plugins,
        warnings,
    })
}

/// A plugin of this code, and whether it is another one than that which runs.
async fn prepared(
    engine: &Engine,
    source: &Plugin,
    code: Code,
) -> Result<(Arc<sinks::Plugin>, bool), LoadError> {
    match engine.loaded(source).await {
        Some(plugin) if plugin.sum() == code.sum() => Ok((plugin, false)),
        _ => Ok((engine.build(code).await?, true)),
    }
}

/// All that may hang.
fn read_files(path: &Path) -> Result<Read, String> {
    let config = config::load(path).map_err(|error| error.to_string().trim_end().to_owned())?;
    // What is wrong with it is among the problems.
    let token = config.relay.read_token().unwrap_or_default();
    let mut codes: Vec<(Plugin, Result<Code, String>)> = Vec::new();
    for sink in &config.sinks {
        if !codes.iter().any(|(source, _)| *source == sink.plugin) {
            let code = Code::read(&sink.plugin).map_err(|error| error.to_string());
            codes.push((sink.plugin.clone(), code));
        }
    }
    Ok(Read {
        problems: config.check_references(),
        token,
        codes,
        config,
    })
}
