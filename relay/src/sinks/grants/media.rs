//! `forebay:plugin/media`: units as handles whose payload stays on the host's side.

use std::sync::Arc;

use wasmtime::component::Resource;

use crate::hold::{Track, Unit};
use crate::sinks::bindings::forebay::plugin::{media, setting};
use crate::sinks::sandbox::Sandbox;

/// A unit that a plugin has a handle on.
#[derive(Debug)]
#[allow(unreachable_pub, reason = "the generated bindings export it again")]
pub struct HeldUnit {
    pub(super) unit: Arc<Unit>,
    /// What comes before it is lost to this plugin, if not to others.
    lapsed: bool,
}

/// Most bytes that one `read` copies into the sandbox: more than any unit may have.
const READ_BYTES_MAX: usize = 64 << 20;

impl Sandbox {
    /// Makes a handle. Fails when the plugin keeps too many.
    pub(in crate::sinks) fn hold_unit(
        &mut self,
        unit: Arc<Unit>,
        lapsed: bool,
    ) -> Result<Resource<HeldUnit>, wasmtime::component::ResourceTableError> {
        let bytes = unit.payload.len();
        let handle = self.table.push(HeldUnit { unit, lapsed })?;
        self.held_bytes += bytes;
        self.held_units += 1;
        Ok(handle)
    }
}

impl From<&Track> for media::Track {
    fn from(track: &Track) -> Self {
        Self {
            id: track.id,
            kind: track.codec.kind().as_str().to_owned(),
            codec: track.codec.as_str().to_owned(),
            rfc6381: track.rfc6381.clone(),
            clock_rate: track.clock_rate.get(),
            width: track.width,
            height: track.height,
            channels: track.channels,
            decoder_configuration: track.decoder_configuration.to_vec(),
        }
    }
}

impl media::Host for Sandbox {}

impl setting::Host for Sandbox {}

impl media::HostAccessUnit for Sandbox {
    fn info(&mut self, handle: Resource<HeldUnit>) -> wasmtime::Result<media::UnitInfo> {
        let HeldUnit { unit, lapsed } = self.table.get(&handle)?;
        Ok(media::UnitInfo {
            track: unit.track.id,
            sequence: unit.sequence,
            media_time: unit.media_time,
            duration: unit.duration,
            timeline: unit.timeline,
            captured: unit.captured.unix_nanos(),
            uncertainty: unit.uncertainty_nanos,
            random_access: unit.random_access,
            discontinuity: unit.discontinuity || *lapsed,
            size: u32::try_from(unit.payload.len()).unwrap_or(u32::MAX),
        })
    }

    fn read(
        &mut self,
        handle: Resource<HeldUnit>,
        offset: u32,
        length: u32,
    ) -> wasmtime::Result<Vec<u8>> {
        let HeldUnit { unit, .. } = self.table.get(&handle)?;
        let size = unit.payload.len();
        let begin = (offset as usize).min(size);
        let end = begin
            .saturating_add((length as usize).min(READ_BYTES_MAX))
            .min(size);
        Ok(unit.payload.get(begin..end).unwrap_or_default().to_vec())
    }

    fn drop(&mut self, handle: Resource<HeldUnit>) -> wasmtime::Result<()> {
        let HeldUnit { unit, .. } = self.table.delete(handle)?;
        self.held_units = self.held_units.saturating_sub(1);
        self.held_bytes = self.held_bytes.saturating_sub(unit.payload.len());
        Ok(())
    }
}
