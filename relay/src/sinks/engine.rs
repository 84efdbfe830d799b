//! Loading plugins: compiling, the cache of compiled code, and what may be linked.

use std::borrow::Cow;
use std::path::{Path, PathBuf};
use std::sync::atomic::{AtomicU64, Ordering};
use std::sync::{Arc, Mutex, PoisonError};
use std::time::Duration;

use sha2::{Digest as _, Sha256};
use tokio::sync::OnceCell;
use wasmtime::component::{Component, HasSelf, Linker};
use wasmtime::{Cache, CacheConfig};
use wasmtime_wasi::WasiView as _;
use wasmtime_wasi::cli::{WasiCli, WasiCliView as _};
use wasmtime_wasi::filesystem::{WasiFilesystem, WasiFilesystemView as _};
use wasmtime_wasi::p2;

use super::bindings::analyzer::{Analyzer, AnalyzerPre};
use super::bindings::{Sink, SinkPre};
use super::sandbox::Sandbox;
use crate::config;
use crate::pictures::DecoderCode;

/// How often a running guest comes up for air: the grain of time limits, and the longest that a
/// busy guest keeps a worker thread from its other tasks.
pub(crate) const EPOCH: Duration = Duration::from_millis(20);
/// Plugins are a few MB at most; a file of another kind should not be read whole.
const PLUGIN_BYTES_MAX: u64 = 256 << 20;

/// The built-in plugins, compiled by the build.
const RECORDER: &[u8] = include_bytes!(env!("FOREBAY_RECORDER_WASM"));
const STILLS: &[u8] = include_bytes!(env!("FOREBAY_STILLS_WASM"));
const MOTION: &[u8] = include_bytes!(env!("FOREBAY_MOTION_WASM"));

/// A plugin that can't be loaded.
#[derive(Debug, Clone, thiserror::Error)]
#[error("{0}")]
pub struct LoadError(String);

/// A plugin, compiled and linked: instances are made from it in microseconds.
pub struct Plugin {
    pub(super) guest: Guest,
    sum: Sum,
}

/// SHA-256 of a plugin's code.
pub type Sum = [u8; 32];

/// The code of a plugin as it was read.
pub struct Code {
    name: String,
    bytes: Cow<'static, [u8]>,
    sum: Sum,
}

impl std::fmt::Debug for Code {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("Code")
            .field("name", &self.name)
            .field("bytes", &self.bytes.len())
            .finish_non_exhaustive()
    }
}

impl Code {
    /// Reads it.
    ///
    /// # Errors
    /// When the file can't be read, or is no WebAssembly.
    pub fn read(source: &config::Plugin) -> Result<Self, LoadError> {
        let (name, bytes) = match source {
            config::Plugin::Builtin(name) => {
                let bytes = builtin(name)
                    .ok_or_else(|| LoadError(format!("there is no built-in plugin {name:?}")))?;
                (format!("builtin:{name}"), Cow::Borrowed(bytes))
            }
            config::Plugin::File(path) => {
                let bytes = read_file(path)
                    .map_err(|error| LoadError(format!("{}: {error}", path.display())))?;
                (path.display().to_string(), Cow::Owned(bytes))
            }
        };
        if bytes.get(..4) != Some(b"\0asm") {
            return Err(LoadError(format!(
                "{name}: not a WebAssembly file; build it with `--target wasm32-wasip2`"
            )));
        }
        let sum = Sha256::digest(&bytes).into();
        Ok(Self { name, bytes, sum })
    }

    /// Where it is from.
    #[must_use]
    pub fn name(&self) -> &str {
        &self.name
    }

    /// What it is known by.
    #[must_use]
    pub fn sum(&self) -> Sum {
        self.sum
    }
}

/// What instances are made from.
pub(super) enum Guest {
    Sink(SinkPre<Sandbox>),
    Analyzer(AnalyzerPre<Sandbox>),
}

/// What a plugin is: a world of `wit/`.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum World {
    /// It is handed coded units.
    Sink,
    /// It is shown pictures.
    Analyzer,
}

impl Plugin {
    /// What it is.
    #[must_use]
    pub fn world(&self) -> World {
        match self.guest {
            Guest::Sink(_) => World::Sink,
            Guest::Analyzer(_) => World::Analyzer,
        }
    }
}

impl Plugin {
    /// What its code is known by.
    #[must_use]
    pub fn sum(&self) -> Sum {
        self.sum
    }
}

impl std::fmt::Debug for Plugin {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("Plugin").finish_non_exhaustive()
    }
}

/// A plugin once it is loaded.
type Slot = Arc<OnceCell<Arc<Plugin>>>;

/// How often code was wanted, of plugins and of the decoder.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub struct Compiled {
    /// It was compiled.
    pub anew: u64,
    /// It had been compiled before, maybe by another process.
    pub from_cache: u64,
}

/// Compiles and links plugins, each once.
pub struct Engine {
    engine: wasmtime::Engine,
    cache: Option<Cache>,
    /// How often code was wanted.
    wanted: AtomicU64,
    linkers: Linkers,
    loaded: Mutex<Vec<(config::Plugin, Slot)>>,
    decoder: OnceCell<Arc<DecoderCode>>,
}

impl std::fmt::Debug for Engine {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("Engine").finish_non_exhaustive()
    }
}

impl Engine {
    /// Starts the engine. `cache`: folder for compiled code, which only the relay's user may
    /// write to (what lies there is executed); `None` compiles anew each time.
    ///
    /// # Errors
    /// When the folder can't be made or the machine can't run the compiler's code.
    pub fn new(cache: Option<&Path>) -> Result<Arc<Self>, LoadError> {
        let fail = |what: &str, error: &wasmtime::Error| LoadError(format!("{what}: {error:#}"));
        let mut config = wasmtime::Config::new();
        config.wasm_component_model(true);
        config.concurrency_support(false);
        config.epoch_interruption(true);
        let open = |folder: &Path| {
            let shown = folder.display();
            make_private(folder)
                .map_err(|error| LoadError(format!("plugin cache {shown}: {error}")))?;
            let mut cache_config = CacheConfig::new();
            cache_config.with_directory(folder);
            Cache::new(cache_config).map_err(|error| fail(&format!("plugin cache {shown}"), &error))
        };
        let cache = cache.map(open).transpose()?;
        config.cache(cache.clone());
        let engine = wasmtime::Engine::new(&config)
            .map_err(|error| fail("the plugin engine can't start", &error))?;
        let linkers =
            Linkers::new(&engine).map_err(|error| fail("the plugin engine can't link", &error))?;
        let ticking = engine.weak();
        std::thread::Builder::new()
            .name("epoch".to_owned())
            .spawn(move || {
                // Ends with the engine.
                while let Some(engine) = ticking.upgrade() {
                    engine.increment_epoch();
                    drop(engine);
                    std::thread::sleep(EPOCH);
                }
            })
            .map_err(|error| LoadError(format!("the epoch thread can't start: {error}")))?;
        Ok(Arc::new(Self {
            engine,
            cache,
            wanted: AtomicU64::new(0),
            linkers,
            loaded: Mutex::default(),
            decoder: OnceCell::new(),
        }))
    }

    /// What has been compiled so far.
    #[must_use]
    pub fn compiled(&self) -> Compiled {
        let wanted = self.wanted.load(Ordering::Relaxed);
        let hits = self.cache.as_ref().map_or(0, Cache::cache_hits);
        let from_cache = u64::try_from(hits).unwrap_or(u64::MAX).min(wanted);
        Compiled {
            anew: wanted - from_cache,
            from_cache,
        }
    }

    pub(crate) fn wasmtime(&self) -> &wasmtime::Engine {
        &self.engine
    }

    /// Loads a plugin, or takes the one loaded before.
    ///
    /// # Errors
    /// When the file can't be read, is no component of world `sink` or `analyzer`, or imports what
    /// is not granted. A later call tries again: the file may have been replaced.
    pub async fn load(&self, source: &config::Plugin) -> Result<Arc<Plugin>, LoadError> {
        // A lock of its own for each plugin: one whose file hangs must not hold up the others.
        let slot = {
            let mut loaded = self.loaded.lock().unwrap_or_else(PoisonError::into_inner);
            if let Some((_, slot)) = loaded.iter().find(|(from, _)| from == source) {
                Arc::clone(slot)
            } else {
                let slot = Slot::default();
                loaded.push((source.clone(), Arc::clone(&slot)));
                slot
            }
        };
        slot.get_or_try_init(|| self.compile(source))
            .await
            .map(Arc::clone)
    }

    /// What is loaded from there; waits where that is on its way. None where nobody has wanted it, or
    /// where it can't be.
    pub async fn loaded(&self, source: &config::Plugin) -> Option<Arc<Plugin>> {
        let is_known = {
            let loaded = self.loaded.lock().unwrap_or_else(PoisonError::into_inner);
            loaded.iter().any(|(from, _)| from == source)
        };
        match is_known {
            true => self.load(source).await.ok(),
            false => None,
        }
    }

    /// From now on these are what is loaded from there, and nothing else is kept.
    pub fn replace(&self, plugins: Vec<(config::Plugin, Arc<Plugin>)>) {
        let slots = plugins.into_iter().map(|(source, plugin)| {
            let slot = Arc::new(OnceCell::new_with(Some(plugin)));
            (source, slot)
        });
        *self.loaded.lock().unwrap_or_else(PoisonError::into_inner) = slots.collect();
    }

    /// The decoder of pictures, compiled when it is wanted first.
    ///
    /// # Errors
    /// When this build of the relay is broken: the code is its own.
    pub(crate) async fn decoder(&self) -> Result<Arc<DecoderCode>, LoadError> {
        let compile = async || {
            self.wanted.fetch_add(1, Ordering::Relaxed);
            let engine = self.engine.clone();
            tokio::task::spawn_blocking(move || DecoderCode::compile(&engine))
                .await
                .map_err(|error| LoadError(format!("the compiler failed: {error}")))?
                .map(Arc::new)
                .map_err(|error| LoadError(format!("the built-in decoder: {error:#}")))
        };
        self.decoder.get_or_try_init(compile).await.map(Arc::clone)
    }

    /// Compiles what a configuration wants, so that a later start need not. What can't be compiled is
    /// told when it is wanted.
    pub(crate) async fn prepare(&self, config: &config::Config) {
        let mut looks = false;
        for sink in &config.sinks {
            let plugin = self.load(&sink.plugin).await;
            looks |= plugin.is_ok_and(|plugin| plugin.world() == World::Analyzer);
        }
        if looks {
            drop(self.decoder().await);
        }
    }

    async fn compile(&self, source: &config::Plugin) -> Result<Arc<Plugin>, LoadError> {
        let source = source.clone();
        let code = tokio::task::spawn_blocking(move || Code::read(&source))
            .await
            .map_err(|error| LoadError(format!("the compiler failed: {error}")))??;
        self.build(code).await
    }

    /// Makes a plugin of code, beside what is loaded.
    ///
    /// # Errors
    /// When it is no component of world `sink` or `analyzer`, or imports what is not granted.
    pub async fn build(&self, code: Code) -> Result<Arc<Plugin>, LoadError> {
        let (engine, linkers) = (self.engine.clone(), self.linkers.clone());
        // Compiling takes up to seconds: not on a thread that cameras are served from.
        let plugin = tokio::task::spawn_blocking(move || compile(&engine, &linkers, &code))
            .await
            .map_err(|error| LoadError(format!("the compiler failed: {error}")))??;
        self.wanted.fetch_add(1, Ordering::Relaxed);
        Ok(Arc::new(plugin))
    }
}

fn compile(
    engine: &wasmtime::Engine,
    linkers: &Linkers,
    Code { name, bytes, sum }: &Code,
) -> Result<Plugin, LoadError> {
    let fail = |what: &str, error: &wasmtime::Error| {
        LoadError(format!(
            "{name}: {what}: {}",
            super::stderr::one_line(&format!("{error:#}"))
        ))
    };
    let component = Component::from_binary(engine, bytes)
        .map_err(|error| fail("not a WebAssembly component of the kind wanted", &error))?;
    let world = world_of(&component).map_err(|error| LoadError(format!("{name}: {error}")))?;
    let linker = match world {
        World::Sink => &linkers.sink,
        World::Analyzer => &linkers.analyzer,
    };
    let pre = linker.instantiate_pre(&component).map_err(|error| {
        let what = match world {
            World::Sink => "it imports what a plugin of world sink is not granted",
            World::Analyzer => "it imports what a plugin of world analyzer is not granted",
        };
        fail(what, &error)
    })?;
    let guest = match world {
        World::Sink => SinkPre::new(pre)
            .map(Guest::Sink)
            .map_err(|error| fail("it is no plugin of world forebay:plugin/sink@0.1.0", &error)),
        World::Analyzer => AnalyzerPre::new(pre).map(Guest::Analyzer).map_err(|error| {
            fail(
                "it is no plugin of world forebay:plugin/analyzer@0.1.0",
                &error,
            )
        }),
    }?;
    Ok(Plugin { guest, sum: *sum })
}

/// The world of a component, by the one function that only this world exports.
fn world_of(component: &Component) -> Result<World, &'static str> {
    let exports = |name: &str| component.get_export_index(None, name).is_some();
    match (exports("handle"), exports("analyze")) {
        (true, false) => Ok(World::Sink),
        (false, true) => Ok(World::Analyzer),
        (true, true) => Err(
            "it exports both `handle` and `analyze`; a plugin is of one world: \
             forebay:plugin/sink@0.1.0 (`handle`) or forebay:plugin/analyzer@0.1.0 (`analyze`)",
        ),
        (false, false) => Err(
            "it is no plugin: it exports neither `handle`, as world forebay:plugin/sink@0.1.0 \
             does, nor `analyze`, as world forebay:plugin/analyzer@0.1.0 does",
        ),
    }
}

fn builtin(name: &str) -> Option<&'static [u8]> {
    match name {
        "recorder" => Some(RECORDER),
        "stills" => Some(STILLS),
        "motion" => Some(MOTION),
        _ => None,
    }
}

fn read_file(path: &PathBuf) -> std::io::Result<Vec<u8>> {
    let metadata = std::fs::metadata(path)?;
    if !metadata.is_file() {
        return Err(std::io::Error::other("it isn't a regular file"));
    }
    let size = metadata.len();
    if size > PLUGIN_BYTES_MAX {
        return Err(std::io::Error::other(format!(
            "too large for a plugin: {size} bytes"
        )));
    }
    std::fs::read(path)
}

/// Makes the folder so that nobody else can put code into it.
fn make_private(folder: &Path) -> std::io::Result<()> {
    use std::os::unix::fs::{DirBuilderExt as _, PermissionsExt as _};
    std::fs::DirBuilder::new()
        .recursive(true)
        .mode(0o700)
        .create(folder)?;
    let mode = std::fs::metadata(folder)?.permissions().mode();
    if mode & 0o022 != 0 {
        return Err(std::io::Error::other(format!(
            "others may write to it (mode {:o}): what lies there is executed; chmod go-w",
            mode & 0o777
        )));
    }
    Ok(())
}

/// What plugins of each world may import: the grants of `wit/`, and a little of WASI.
#[derive(Clone)]
struct Linkers {
    sink: Linker<Sandbox>,
    analyzer: Linker<Sandbox>,
}

impl Linkers {
    fn new(engine: &wasmtime::Engine) -> wasmtime::Result<Self> {
        let mut sink = wasi(engine)?;
        let mut analyzer = sink.clone();
        Sink::add_to_linker::<_, HasSelf<Sandbox>>(&mut sink, |sandbox| sandbox)?;
        Analyzer::add_to_linker::<_, HasSelf<Sandbox>>(&mut analyzer, |sandbox| sandbox)?;
        Ok(Self { sink, analyzer })
    }
}

/// The little of WASI that the standard library of a guest asks for. Files, environment and arguments
/// are there and empty; sockets are not there at all.
fn wasi(engine: &wasmtime::Engine) -> wasmtime::Result<Linker<Sandbox>> {
    let mut linker = Linker::new(engine);
    let l = &mut linker;
    p2::add_to_linker_proxy_interfaces_async(l)?;
    p2::bindings::filesystem::types::add_to_linker::<_, WasiFilesystem>(l, Sandbox::filesystem)?;
    p2::bindings::filesystem::preopens::add_to_linker::<_, WasiFilesystem>(l, Sandbox::filesystem)?;
    p2::bindings::random::insecure_seed::add_to_linker::<_, wasmtime_wasi::random::WasiRandom>(
        l,
        |sandbox| sandbox.ctx().ctx.random(),
    )?;
    p2::bindings::cli::exit::add_to_linker::<_, WasiCli>(l, Sandbox::cli)?;
    p2::bindings::cli::environment::add_to_linker::<_, WasiCli>(l, Sandbox::cli)?;
    p2::bindings::cli::terminal_input::add_to_linker::<_, WasiCli>(l, Sandbox::cli)?;
    p2::bindings::cli::terminal_output::add_to_linker::<_, WasiCli>(l, Sandbox::cli)?;
    p2::bindings::cli::terminal_stdin::add_to_linker::<_, WasiCli>(l, Sandbox::cli)?;
    p2::bindings::cli::terminal_stdout::add_to_linker::<_, WasiCli>(l, Sandbox::cli)?;
    p2::bindings::cli::terminal_stderr::add_to_linker::<_, WasiCli>(l, Sandbox::cli)?;
    Ok(linker)
}
