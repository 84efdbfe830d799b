//! Takes memory without end. `how`:
//! - `memory`: its own;
//! - `tracks`: the relay's, by an answer with a million tracks that nobody has;
//! - `parts`: the relay's, by an append of one buffer named a thousand times.

use std::mem::ManuallyDrop;

use forebay_bad_guests::{Guest, Misbehaving, Settings};
use forebay_plugin_sdk::{AccessUnit, Object, Part, Track, export_sink, telemetry};

const MIB: usize = 1 << 20;

struct Grows {
    how: String,
    taken: Vec<Vec<u8>>,
}

impl Guest for Grows {
    fn make(settings: Settings) -> Result<Self, String> {
        Ok(Self {
            how: settings.how,
            taken: Vec::new(),
        })
    }

    fn tracks(&mut self, tracks: &[Track]) -> Vec<u32> {
        let real = tracks.iter().map(|track| track.id);
        let invented = if self.how == "tracks" { 1_000_000 } else { 0 };
        real.chain(1_000..1_000 + invented).collect()
    }

    fn handle(&mut self, _units: Vec<AccessUnit>) -> Result<(), String> {
        match self.how.as_str() {
            "memory" => loop {
                self.taken.push(vec![1; MIB]);
            },
            "parts" => append_a_thousand(),
            _ => Ok(()),
        }
    }
}

fn append_a_thousand() -> Result<(), String> {
    let mut buffer = vec![7_u8; 2 * MIB];
    let part = |_| {
        // SAFETY: not sound by Rust's rules for a Vec, but nothing here writes to it or frees it:
        // the relay reads each from the sandbox's memory.
        Part::Bytes(unsafe { Vec::from_raw_parts(buffer.as_mut_ptr(), buffer.len(), 0) })
    };
    let parts = ManuallyDrop::new((0..1000).map(part).collect::<Vec<_>>());
    let object = Object::create("parts", "bin", 0).map_err(|error| error.to_string())?;
    let appended = object.append(&parts);
    telemetry::warn(&format!("append of 2000 MiB: {appended:?}"));
    appended.map(drop).map_err(|error| error.to_string())
}

export_sink!(Misbehaving<Grows>);
