//! A configuration to go on with: read and judged whole while the relay runs, before anything is
//! touched.

use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::time::Duration;

use super::crew::Secrets;
use super::post::Shared;
use super::signals::HangUps;
use crate::config::{self, Config, Plugin, Problem, Secret, Severity};
use crate::sinks::{self, Code, Engine};

/// How long files may take to be read: one on a network disk may never answer.
const READ_TIME: Duration = Duration::from_secs(60);

/// What a running relay reads its configuration from again.
#[derive(Debug)]
pub struct Reload {
    /// The file.
    pub path: PathBuf,
    /// When to.
    pub hang_ups: HangUps,
    /// How much is logged was said by other means, which win.
    pub level_is_given: bool,
}

/// A configuration that may take the place of the one that runs.
pub(super) struct Next {
    pub(super) config: Config,
    pub(super) secrets: Secrets,
    /// All plugins that it needs, ready to run.
    pub(super) plugins: Vec<(Plugin, Arc<sinks::Plugin>)>,
    pub(super) shared: Shared,
    pub(super) warnings: Vec<Problem>,
}

/// What is read of files.
struct Read {
    config: Config,
    secrets: Secrets,
    token: Option<Secret>,
    problems: Vec<Problem>,
    codes: Vec<(Plugin, Result<Code, String>)>,
}

/// Reads and judges the file as `forebay check` does, and tells what can't be changed while the relay
/// runs.
///
/// # Errors
/// All that is wrong with it, as text for the log.
pub(super) async fn read(
    path: &Path,
    present: (&Config, Option<&Secret>),
    engine: &Engine,
) -> Result<Next, String> {
    let (running, token) = present;
    let shown = path.display().to_string();
    let from = path.to_owned();
    let reading = tokio::task::spawn_blocking(move || read_files(&from));
    let read = match tokio::time::timeout(READ_TIME, reading).await {
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
    let mut wrong = fixed(running, &read.config, token, read.token.as_ref());
    let (errors, warnings) = read
        .problems
        .into_iter()
        .partition::<Vec<_>, _>(|problem| problem.severity == Severity::Error);
    let told = |problem: Problem| problem.to_string().trim_end().to_owned();
    wrong.extend(errors.into_iter().map(told));
    let mut plugins = Vec::new();
    let mut new_code = Vec::new();
    for (source, code) in read.codes {
        let plugin = match code {
            Ok(code) if engine.loaded(&source) == Some(code.sum()) => engine.load(&source).await,
            Ok(code) => {
                new_code.push(source.clone());
                engine.build(code).await
            }
            Err(error) => {
                wrong.push(format!("error: {error}"));
                continue;
            }
        };
        match plugin {
            Ok(plugin) => plugins.push((source, plugin)),
            Err(error) => wrong.push(format!("error: {error}")),
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
    Ok(Next {
        shared: Shared {
            new_code,
            pictures: running.pictures != read.config.pictures,
        },
        config: read.config,
        secrets: read.secrets,
        plugins,
        warnings,
    })
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
        secrets: read_secrets(&config),
        problems: config.check_references(),
        token,
        codes,
        config,
    })
}

/// The cameras' passwords, where they can be read.
pub(super) fn read_secrets(config: &Config) -> Secrets {
    let cameras = config.cameras.iter();
    cameras
        .filter_map(|camera| {
            let secret = camera.credentials.as_ref()?.read().ok()?;
            Some((camera.name.clone(), secret))
        })
        .collect()
}

/// What differs and can't be changed while the relay runs, in words.
fn fixed(
    running: &Config,
    next: &Config,
    token: Option<&Secret>,
    next_token: Option<&Secret>,
) -> Vec<String> {
    let (old, new) = (&running.relay, &next.relay);
    let mut names = Vec::new();
    for (name, differs) in [
        ("archive", old.archive != new.archive),
        ("spool", old.spool != new.spool),
        ("listen", old.listen != new.listen),
        ("token_file", old.token_file != new.token_file),
        ("plugin_cache", old.plugin_cache != new.plugin_cache),
    ] {
        if differs {
            names.push(name.to_owned());
        }
    }
    if old.token_file == new.token_file && token != next_token {
        names.push("the content of token_file".to_owned());
    }
    names
        .into_iter()
        .map(|name| {
            format!(
                "error: [relay]: {name} has changed, which needs a restart: until then put back what \
                 it was"
            )
        })
        .collect()
}
