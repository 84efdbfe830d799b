//! `forebay try`: a plugin on footage that is there already.

use std::io::{IsTerminal as _, Write as _};
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::time::{Duration, Instant};

use jiff::tz::TimeZone;
use tokio::signal::unix::SignalKind;

use super::coverage::When;
use super::{Failure, disk, exit, output};
use crate::archive::replay::Replay;
use crate::archive::{Archive, ArchiveEvent, ArchiveOptions, RealDisk};
use crate::config::{BUILTIN_PLUGINS, Camera, Config, Limits, Pictures, Plan, Plugin, Sink, Site};
use crate::hold::Unit;
use crate::pictures::{DecoderOptions, Source};
use crate::trial::{
    Figures, Outcome, Progress, Stage, TrialError, engine, figures_json, figures_text, json, page,
    run, settings, text,
};
use crate::units::{CameraName, Name};

/// How often progress is told on a terminal, and elsewhere.
const TELL: Duration = Duration::from_millis(250);
const TELL_LINES: Duration = Duration::from_secs(10);
/// How long the last objects may take to reach their names.
const CLOSE: Duration = Duration::from_secs(30);

#[derive(Debug, clap::Args)]
#[command(
    after_help = "Compiled code is kept for the next time: in the plugin_cache of --config where it \
is the same user's, else in $XDG_CACHE_HOME/forebay/plugins (~/.cache/forebay/plugins). Where \
neither can be written to, a plugin is compiled each time; the folder may be deleted at any time."
)]
pub(super) struct TrialArguments {
    /// The plugin: builtin:NAME, or the path of a .wasm file
    #[arg(value_name = "PLUGIN", value_parser = plugin)]
    plugin: Plugin,
    /// What it is tried on: an MP4 file of the archive, or, with --config, the name of a camera,
    /// of which the archive is read
    #[arg(long, value_name = "FILE|CAMERA")]
    input: String,
    /// A configuration: it tells the archive, the camera's site and plan, and what decoding may use
    #[arg(long, value_name = "FILE")]
    config: Option<PathBuf>,
    /// From when on: a date (its midnight), a date and time in the site's zone, or RFC 3339
    #[arg(long, value_name = "WHEN")]
    from: Option<When>,
    /// Until when, written like --from
    #[arg(long, value_name = "WHEN")]
    to: Option<When>,
    /// The camera that the plugin is told of, where the input is a file
    #[arg(long, value_name = "NAME")]
    camera: Option<String>,
    /// The plugin's settings, as TOML or as a JSON object [default: those of the sink in --config
    /// that has this plugin, else none]
    #[arg(long, value_name = "SETTINGS", value_parser = settings)]
    settings: Option<toml::Table>,
    /// Which of a camera's streams the footage stands for: of the main stream, key frames are
    /// shown, and at most one in ten seconds [default: the one that the plugin asks for]
    #[arg(long, value_enum, value_name = "STREAM")]
    stream: Option<Stream>,
    /// An empty folder for what the plugin writes, a page with pictures (index.html), and the
    /// outcome (outcome.json, figures.json)
    #[arg(long, value_name = "DIR")]
    out: Option<PathBuf>,
    /// How to tell the outcome on standard output; what calls cost goes to standard error
    #[arg(long, value_enum, default_value_t)]
    format: Format,
}

#[derive(Debug, Clone, Copy, Default, clap::ValueEnum)]
enum Format {
    /// Lines for a terminal
    #[default]
    Text,
    /// One object for scripts
    Json,
}

#[derive(Debug, Clone, Copy, clap::ValueEnum)]
enum Stream {
    /// The one that is recorded
    Main,
    /// The small one beside it
    Analysis,
}

fn plugin(text: &str) -> Result<Plugin, String> {
    let Some(name) = text.strip_prefix("builtin:") else {
        return Ok(Plugin::File(text.into()));
    };
    let known = BUILTIN_PLUGINS.iter().find(|known| **known == name);
    known
        .map(|name| Plugin::Builtin(name))
        .ok_or_else(|| format!("there are builtin:{}", BUILTIN_PLUGINS.join(", builtin:")))
}

pub(super) async fn trial(arguments: TrialArguments) -> Result<(), Failure> {
    let config = arguments
        .config
        .as_deref()
        .map(crate::config::load)
        .transpose()?;
    let subject = arguments.subject(config.as_ref())?;
    let units = arguments.footage(config.as_ref(), &subject)?;
    let desk = Desk::open(arguments.out.clone())?;
    let stage = arguments.stage(config.as_ref(), subject, desk.archive.clone())?;
    let relay = config.as_ref().map(|config| &*config.relay.plugin_cache);
    let engine = engine(relay, |name| std::env::var_os(name));
    let engine = engine.map_err(|error| Failure::caused(exit::OS, error))?;
    let mut teller = Teller::new();
    let tried = tokio::select! {
        tried = run(&engine, stage, units, |progress| teller.tell(progress)) => tried,
        code = interrupted() => {
            teller.end();
            desk.close(false).await?;
            return Err(Failure::silent(code));
        }
    };
    teller.end();
    let objects = desk.close(tried.is_ok()).await?;
    let (mut outcome, figures) = tried.map_err(failed)?;
    outcome.objects = objects;
    if let Some(out) = &arguments.out {
        write(out, &outcome, &figures)?;
    }
    let defect = |error| Failure::caused(exit::SOFTWARE, anyhow::Error::from(error));
    let told = match arguments.format {
        Format::Text => text(&outcome),
        Format::Json => json(&outcome).map_err(defect)?,
    };
    output::say(told.trim_end());
    output::complain(figures_text(&outcome, &figures).trim_end());
    match outcome.ended {
        // Its reason is told above.
        Some(_) => Err(Failure::silent(exit::SOFTWARE)),
        None => Ok(()),
    }
}

/// Waits for Ctrl-C or SIGTERM; gives the exit code that shells give a program which that ends.
async fn interrupted() -> u8 {
    let signal = |kind| tokio::signal::unix::signal(kind);
    let (Ok(mut interrupt), Ok(mut terminate)) = (
        signal(SignalKind::interrupt()),
        signal(SignalKind::terminate()),
    ) else {
        // Then they end the program as they do any.
        return std::future::pending().await;
    };
    tokio::select! {
        _ = interrupt.recv() => 128 + 2,
        _ = terminate.recv() => 128 + 15,
    }
}

fn failed(error: TrialError) -> Failure {
    let code = match error {
        TrialError::Load(_) | TrialError::Start(_) => exit::CONFIG,
        TrialError::Input(_) | TrialError::Empty(_) => exit::NO_INPUT,
    };
    Failure::new(code, error)
}

/// The camera that the plugin is told of.
struct Subject {
    camera: CameraName,
    site: Site,
    plan: Plan,
    /// Its footage is read from the archive.
    from_archive: bool,
}

impl TrialArguments {
    fn subject(&self, config: Option<&Config>) -> Result<Subject, Failure> {
        let usage = |text: String| Failure::new(exit::USAGE, text);
        let find = |name: &str| {
            let mut cameras = config.into_iter().flat_map(|config| &config.cameras);
            cameras.find(|camera| camera.name.as_str() == name)
        };
        let is_file = Path::new(&self.input).is_file();
        let recorded = find(&self.input).filter(|_| !is_file);
        if !is_file && recorded.is_none() {
            let cameras = match config {
                Some(config) => format!("; cameras of --config: {}", names(config)),
                None => "; the name of a camera needs --config".to_owned(),
            };
            return Err(Failure::new(
                exit::NO_INPUT,
                format!("--input {}: there is no such file{cameras}", self.input),
            ));
        }
        if let (Some(camera), Some(config)) = (recorded, config) {
            if self.camera.is_some() {
                let text = "--camera is for a file: --input names a camera already";
                return Err(usage(text.to_owned()));
            }
            return Subject::of(config, camera, true);
        }
        let Some(name) = &self.camera else {
            return Ok(Subject::alone(known_name("camera")?));
        };
        match (find(name), config) {
            (Some(camera), Some(config)) => Subject::of(config, camera, false),
            (None, Some(config)) => Err(usage(format!(
                "--camera {name}: no such camera; --config has {}",
                names(config)
            ))),
            _ => {
                let camera = Name::new(name);
                let camera = camera.map_err(|error| usage(format!("--camera {name}: {error}")))?;
                Ok(Subject::alone(camera))
            }
        }
    }

    /// The units of the footage, in order.
    fn footage(
        &self,
        config: Option<&Config>,
        subject: &Subject,
    ) -> Result<impl Iterator<Item = Result<Arc<Unit>, String>> + use<>, Failure> {
        let zone = &subject.site.time_zone;
        let resolve = |option: &str, when: Option<When>| {
            let resolved = when.map(|when| {
                when.at(zone).ok_or_else(|| {
                    let text = format!("{option}: a time between 1678 and 2261 is needed");
                    Failure::new(exit::USAGE, text)
                })
            });
            resolved.transpose()
        };
        let from = resolve("--from", self.from)?;
        let to = resolve("--to", self.to)?;
        if let (Some(from), Some(to)) = (from, to)
            && from >= to
        {
            let text = format!("--from {from} is not before --to {to}");
            return Err(Failure::new(exit::USAGE, text));
        }
        let replay = match config.filter(|_| subject.from_archive) {
            Some(config) => Replay::archive(
                disk(config)?,
                &config.relay.archive,
                &subject.camera,
                from,
                to,
            ),
            None => Replay::file(Path::new(&self.input), from, to),
        };
        let replay = replay.map_err(|error| Failure::caused(exit::NO_INPUT, error))?;
        Ok(replay.map(|unit| unit.map_err(|error| format!("{:#}", anyhow::Error::from(error)))))
    }

    fn stage(
        &self,
        config: Option<&Config>,
        subject: Subject,
        archive: Archive,
    ) -> Result<Stage, Failure> {
        let configured = config.and_then(|config| {
            let mut sinks = config.sinks_of(&subject.camera);
            sinks.find(|sink| sink.plugin == self.plugin)
        });
        let name = known_name("trial")?;
        let mut sink = configured.cloned().unwrap_or_else(|| Sink {
            name,
            plugin: self.plugin.clone(),
            cameras: vec![subject.camera.clone()],
            when_behind: crate::config::WhenBehind::default(),
            gather: Duration::from_millis(200),
            settings: toml::Table::new(),
            limits: Limits::default(),
        });
        if let Some(settings) = &self.settings {
            sink.settings = settings.clone();
        }
        let pictures = config.map_or_else(Pictures::default, |config| config.pictures.clone());
        let input = match subject.from_archive {
            true => format!("the archive of {}", subject.camera),
            // Without its folder: where a file lies is no part of the outcome.
            false => Path::new(&self.input)
                .file_name()
                .map_or_else(String::new, |name| name.to_string_lossy().into_owned()),
        };
        Ok(Stage {
            camera: subject.camera,
            site: subject.site,
            plan: subject.plan,
            sink,
            source: self.stream.map(|stream| match stream {
                Stream::Main => Source::Main,
                Stream::Analysis => Source::Analysis,
            }),
            decoder: DecoderOptions {
                memory: pictures.decoder_memory,
                call: pictures.decode,
                pixels_max: pictures.pixels_max,
                ffmpeg: pictures.ffmpeg.clone(),
            },
            archive,
            input,
        })
    }
}

/// A name that is right as it stands.
fn known_name(name: &str) -> Result<Name, Failure> {
    Name::new(name).map_err(|error| Failure::caused(exit::SOFTWARE, error))
}

fn names(config: &Config) -> String {
    let names: Vec<_> = config.cameras.iter().map(|c| c.name.as_str()).collect();
    names.join(", ")
}

impl Subject {
    fn of(config: &Config, camera: &Camera, from_archive: bool) -> Result<Self, Failure> {
        let site = config.site(&camera.site).ok_or_else(|| {
            // A checked configuration has the site of each camera.
            Failure::new(
                exit::SOFTWARE,
                format!("camera {} has no site", camera.name),
            )
        })?;
        Ok(Self {
            camera: camera.name.clone(),
            site: site.clone(),
            plan: camera.plan.clone(),
            from_archive,
        })
    }
}

impl Subject {
    /// A camera of which nothing else is known: always wanted, on universal time.
    fn alone(camera: CameraName) -> Self {
        Self {
            site: Site {
                name: camera.clone(),
                time_zone: TimeZone::UTC,
                time_zone_name: "UTC".to_owned(),
                position: None,
                uplink: crate::config::Uplink::default(),
            },
            camera,
            plan: Plan::always(),
            from_archive: false,
        }
    }
}

/// Where the plugin's objects go: an archive like any other, in the folder of `--out` or in one
/// that is removed.
struct Desk {
    archive: Archive,
    folder: PathBuf,
    is_kept: bool,
}

impl Desk {
    fn open(out: Option<PathBuf>) -> Result<Self, Failure> {
        let cant = |path: &Path, why: &dyn std::fmt::Display| {
            let text = format!("can't write to {}: {why}", path.display());
            Failure::new(exit::CANT_CREATE, text)
        };
        let is_kept = out.is_some();
        // Nobody else can have made a folder of that name.
        let folder = out.unwrap_or_else(|| {
            std::env::temp_dir().join(format!("forebay-try-{:016x}", fastrand::u64(..)))
        });
        std::fs::create_dir_all(&folder).map_err(|error| cant(&folder, &error))?;
        let mut there = std::fs::read_dir(&folder).map_err(|error| cant(&folder, &error))?;
        if there.next().is_some() {
            let why = "it isn't empty, and what is there would be taken for the plugin's";
            return Err(cant(&folder, &why));
        }
        let options = ArchiveOptions::new(folder.join(SPOOL), folder.join(OBJECTS));
        let note = Arc::new(|event| {
            if let ArchiveEvent::SetAside { path, reason, .. } = event {
                tracing::warn!(path = %path.display(), reason, "an object is not whole");
            }
        });
        let opened = Archive::open(options, Arc::new(RealDisk), note);
        let (archive, _) = opened.map_err(|error| cant(&folder, &error))?;
        Ok(Self {
            archive,
            folder,
            is_kept,
        })
    }

    /// Publishes what is open; names and sizes of all objects. Where nothing was `tried`, the folder
    /// is left as empty as it was.
    async fn close(self, tried: bool) -> Result<Vec<(String, u64)>, Failure> {
        let Self {
            archive,
            folder,
            is_kept,
        } = self;
        let closing = tokio::task::spawn_blocking(move || archive.close(CLOSE));
        if !matches!(closing.await, Ok(true)) {
            tracing::warn!("not every object could be published");
        }
        let mut objects = Vec::new();
        let root = folder.join(OBJECTS);
        let listed = list(&root, &root, &mut objects);
        objects.sort();
        let gone = if is_kept {
            let objects = folder.join(OBJECTS);
            let objects = if tried || !objects.exists() {
                Ok(())
            } else {
                std::fs::remove_dir_all(objects)
            };
            objects.and(std::fs::remove_dir_all(folder.join(SPOOL)))
        } else {
            std::fs::remove_dir_all(&folder)
        };
        listed.and(gone).map_err(|error| {
            let text = format!("{}: {error}", folder.display());
            Failure::new(exit::CANT_CREATE, text)
        })?;
        Ok(objects)
    }
}

const SPOOL: &str = ".spool";
const OBJECTS: &str = "objects";

/// Names below `root` with sizes.
fn list(root: &Path, folder: &Path, found: &mut Vec<(String, u64)>) -> std::io::Result<()> {
    for entry in std::fs::read_dir(folder)? {
        let entry = entry?;
        let (path, metadata) = (entry.path(), entry.metadata()?);
        if metadata.is_dir() {
            list(root, &path, found)?;
        } else if let Ok(name) = path.strip_prefix(root) {
            found.push((name.to_string_lossy().into_owned(), metadata.len()));
        }
    }
    Ok(())
}

fn write(out: &Path, outcome: &Outcome, figures: &Figures) -> Result<(), Failure> {
    let defect = |error| Failure::caused(exit::SOFTWARE, anyhow::Error::from(error));
    for (name, text) in [
        ("index.html", page(outcome)),
        ("outcome.json", json(outcome).map_err(defect)?),
        (
            "figures.json",
            figures_json(outcome, figures).map_err(defect)?,
        ),
    ] {
        let path = out.join(name);
        std::fs::write(&path, text).map_err(|error| {
            let text = format!("can't write {}: {error}", path.display());
            Failure::new(exit::CANT_CREATE, text)
        })?;
    }
    Ok(())
}

/// Tells on standard error how far it is.
struct Teller {
    began: Instant,
    told: Instant,
    is_terminal: bool,
    line_is_open: bool,
}

impl Teller {
    fn new() -> Self {
        let now = Instant::now();
        Self {
            began: now,
            told: now,
            is_terminal: std::io::stderr().is_terminal(),
            line_is_open: false,
        }
    }

    fn tell(&mut self, progress: &Progress) {
        let pause = if self.is_terminal { TELL } else { TELL_LINES };
        if self.told.elapsed() < pause {
            return;
        }
        self.told = Instant::now();
        let footage = progress.footage.as_secs_f64();
        let speed = footage / self.began.elapsed().as_secs_f64().max(0.001);
        let text = format!(
            "{}: {footage:.0} s of footage, {speed:.1} times as fast, {} findings",
            progress.at, progress.findings
        );
        if self.is_terminal {
            // Over the last one, to the end of the line (ECMA-48 EL).
            write!(std::io::stderr().lock(), "\r{text}\u{1b}[K").ok();
            self.line_is_open = true;
        } else {
            output::complain(&text);
        }
    }

    fn end(&self) {
        if self.line_is_open {
            output::complain("");
        }
    }
}
