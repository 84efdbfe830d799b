//! Comes to a sudden end. `how`: `panic`, after much noise on both standard streams; `recurse`,
//! until the stack is used up; `exit`, by asking for the end of the process.

use std::hint::black_box;

use forebay_bad_guests::{Guest, Misbehaving, Settings};
use forebay_plugin_sdk::{AccessUnit, export_sink};

struct Panics(String);

impl Guest for Panics {
    fn make(settings: Settings) -> Result<Self, String> {
        Ok(Self(settings.how))
    }

    fn handle(&mut self, units: Vec<AccessUnit>) -> Result<(), String> {
        match self.0.as_str() {
            "panic" => {
                for _ in 0..200 {
                    println!("noise on standard output \x1b[31m");
                    eprintln!("noise on standard error \x07");
                }
                panic!("the mooring gave way");
            }
            "recurse" => drop(black_box(deeper(units.len() as u64))),
            "exit" => std::process::exit(3),
            _ => {}
        }
        Ok(())
    }
}

#[allow(unconditional_recursion)]
fn deeper(depth: u64) -> [u64; 64] {
    let mut frame = black_box([depth; 64]);
    frame[0] = deeper(depth + 1)[1];
    black_box(frame)
}

export_sink!(Misbehaving<Panics>);
