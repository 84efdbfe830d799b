//! What a store of the sandbox may take of memory, of plugins and of the decoder alike.

/// Function tables of real guests have some thousand entries.
const TABLE_ELEMENTS_MAX: usize = 100_000;
/// A component of one program has a handful of core modules, adapters among them.
const MODULES_MAX: usize = 64;

/// Bounds linear memory and remembers that it said no: a guest that is denied memory ends in a
/// trap which looks like any other.
#[derive(Debug)]
pub(crate) struct MemoryBound {
    bytes_max: usize,
    /// Of all memories of the instance. They never shrink.
    pub(crate) bytes: usize,
    pub(crate) denied: bool,
    /// Of all tables of the instance.
    table_elements: usize,
}

impl MemoryBound {
    pub(crate) fn new(bytes_max: usize) -> Self {
        Self {
            bytes_max,
            bytes: 0,
            denied: false,
            table_elements: 0,
        }
    }
}

impl wasmtime::ResourceLimiter for MemoryBound {
    fn instances(&self) -> usize {
        MODULES_MAX
    }

    fn memories(&self) -> usize {
        MODULES_MAX
    }

    fn tables(&self) -> usize {
        MODULES_MAX
    }

    fn memory_growing(
        &mut self,
        current: usize,
        desired: usize,
        _maximum: Option<usize>,
    ) -> wasmtime::Result<bool> {
        let bytes = self.bytes.saturating_add(desired.saturating_sub(current));
        if bytes > self.bytes_max {
            self.denied = true;
            return Ok(false);
        }
        self.bytes = bytes;
        Ok(true)
    }

    fn table_growing(
        &mut self,
        current: usize,
        desired: usize,
        _maximum: Option<usize>,
    ) -> wasmtime::Result<bool> {
        let elements = self
            .table_elements
            .saturating_add(desired.saturating_sub(current));
        if elements > TABLE_ELEMENTS_MAX {
            return Ok(false);
        }
        self.table_elements = elements;
        Ok(true)
    }
}
