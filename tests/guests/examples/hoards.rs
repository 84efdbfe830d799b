//! Misuses the archive. `how`: `open`, begins objects and finishes none; `bytes`, writes megabytes
//! in each call; `tiny`, publishes objects of one byte as fast as it can; `empty`, begins objects
//! and drops them as fast as it can.

use forebay_bad_guests::{Guest, Misbehaving, Settings};
use forebay_plugin_sdk::{AccessUnit, Object, ObjectError, Part, export_sink};

const MIB: usize = 1 << 20;

struct Hoards {
    how: String,
    begun: i64,
    objects: Vec<Object>,
}

impl Hoards {
    fn begin(&mut self) -> Result<Object, ObjectError> {
        // A second apart, so that no two want the same name.
        self.begun += 1;
        Object::create("hoard", "bin", self.begun * 1_000_000_000)
    }

    fn misuse(&mut self) -> Result<(), ObjectError> {
        match self.how.as_str() {
            "open" => loop {
                let object = self.begin()?;
                object.append(&[Part::Bytes(vec![1])])?;
                self.objects.push(object);
            },
            "bytes" => {
                let object = self.begin()?;
                for _ in 0..16 {
                    object.append(&[Part::Bytes(vec![1; MIB])])?;
                }
                object.finish(self.begun * 1_000_000_000)
            }
            "tiny" => loop {
                let object = self.begin()?;
                object.append(&[Part::Bytes(vec![1])])?;
                object.finish(self.begun * 1_000_000_000)?;
            },
            "empty" => loop {
                drop(self.begin()?);
            },
            _ => Ok(()),
        }
    }
}

impl Guest for Hoards {
    fn make(settings: Settings) -> Result<Self, String> {
        Ok(Self {
            how: settings.how,
            begun: 0,
            objects: Vec::new(),
        })
    }

    fn handle(&mut self, _units: Vec<AccessUnit>) -> Result<(), String> {
        self.misuse().map_err(|error| error.to_string())
    }
}

export_sink!(Misbehaving<Hoards>);
