//! The decoder's code, and the sandbox that an instance of it lives in.

use wasmtime::component::{Component, Linker, ResourceTable};
use wasmtime_wasi::cli::{WasiCli, WasiCliView as _};
use wasmtime_wasi::filesystem::{WasiFilesystem, WasiFilesystemView as _};
use wasmtime_wasi::p2;
use wasmtime_wasi::{WasiCtx, WasiCtxView, WasiView};

use crate::sinks::{MemoryBound, Tail};

pub(super) use bindings::forebay::plugin::decoding::{Description, Fault, Frame};
pub(super) use bindings::{Decoder, DecoderPre};

#[allow(
    missing_debug_implementations,
    unreachable_pub,
    clippy::missing_errors_doc,
    reason = "generated code"
)]
mod bindings {
    wasmtime::component::bindgen!({
        path: "../wit",
        world: "decoder",
        exports: { default: async },
    });
}

/// The decoder, compiled for the sandbox by the build.
const CODE: &[u8] = include_bytes!(env!("FOREBAY_DECODER_WASM"));

/// The decoder, compiled and linked.
pub(crate) struct DecoderCode {
    pub(super) pre: DecoderPre<Cell>,
}

impl std::fmt::Debug for DecoderCode {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("DecoderCode").finish_non_exhaustive()
    }
}

impl DecoderCode {
    /// Takes about a second where the compiled code isn't cached.
    ///
    /// # Errors
    /// When this build of the relay is broken: the code is its own.
    pub(crate) fn compile(engine: &wasmtime::Engine) -> wasmtime::Result<Self> {
        let component = Component::from_binary(engine, CODE)?;
        let pre = link(engine)?.instantiate_pre(&component)?;
        Ok(Self {
            pre: DecoderPre::new(pre)?,
        })
    }
}

/// The little of WASI that the standard library of a guest asks for, all of it empty. The decoder
/// has no grants: units go in and pictures come out.
fn link(engine: &wasmtime::Engine) -> wasmtime::Result<Linker<Cell>> {
    let mut linker = Linker::new(engine);
    let l = &mut linker;
    p2::add_to_linker_proxy_interfaces_async(l)?;
    p2::bindings::filesystem::types::add_to_linker::<_, WasiFilesystem>(l, Cell::filesystem)?;
    p2::bindings::filesystem::preopens::add_to_linker::<_, WasiFilesystem>(l, Cell::filesystem)?;
    p2::bindings::random::insecure_seed::add_to_linker::<_, wasmtime_wasi::random::WasiRandom>(
        l,
        |cell| cell.ctx().ctx.random(),
    )?;
    p2::bindings::cli::exit::add_to_linker::<_, WasiCli>(l, Cell::cli)?;
    p2::bindings::cli::environment::add_to_linker::<_, WasiCli>(l, Cell::cli)?;
    p2::bindings::cli::terminal_input::add_to_linker::<_, WasiCli>(l, Cell::cli)?;
    p2::bindings::cli::terminal_output::add_to_linker::<_, WasiCli>(l, Cell::cli)?;
    p2::bindings::cli::terminal_stdin::add_to_linker::<_, WasiCli>(l, Cell::cli)?;
    p2::bindings::cli::terminal_stdout::add_to_linker::<_, WasiCli>(l, Cell::cli)?;
    p2::bindings::cli::terminal_stderr::add_to_linker::<_, WasiCli>(l, Cell::cli)?;
    Ok(linker)
}

/// The state of a store.
pub(super) struct Cell {
    wasi: WasiCtx,
    table: ResourceTable,
    said: Tail,
    pub(super) memory: MemoryBound,
    /// Ticks of the engine that the call may still be at work.
    pub(super) ticks_left: u64,
}

impl Cell {
    pub(super) fn new(memory_bytes_max: usize) -> Self {
        let said = Tail::default();
        let wasi = WasiCtx::builder()
            .stdout(said.clone())
            .stderr(said.clone())
            .max_random_size(64 * 1024)
            .build();
        Self {
            wasi,
            table: ResourceTable::new(),
            said,
            memory: MemoryBound::new(memory_bytes_max),
            ticks_left: 0,
        }
    }

    /// What the guest has said, safe for a log.
    pub(super) fn said(&self) -> String {
        self.said.text()
    }
}

impl WasiView for Cell {
    fn ctx(&mut self) -> WasiCtxView<'_> {
        WasiCtxView {
            ctx: &mut self.wasi,
            table: &mut self.table,
        }
    }
}
