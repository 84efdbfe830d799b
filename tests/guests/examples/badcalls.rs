//! Calls that should be refused, each with the answer that `wit/` promises. Metrics tell the
//! test: counter `answered` for an answer as promised, `amiss` for another, with a log line that
//! names it. Then `how`:
//! - "": goes on and repeats it with each call of `handle`;
//! - `after`: uses a handle that it gave away, which the sandbox itself ends.

use forebay_bad_guests::{Guest, Misbehaving, Settings};
use forebay_plugin_sdk::bindings::forebay::plugin::objects::{
    Object, ObjectError, ObjectOptions, Part, create,
};
use forebay_plugin_sdk::{AccessUnit, export_sink, telemetry};

struct BadCalls {
    how: String,
    done: bool,
}

impl Guest for BadCalls {
    fn make(settings: Settings) -> Result<Self, String> {
        Ok(Self {
            how: settings.how,
            done: false,
        })
    }

    fn handle(&mut self, units: Vec<AccessUnit>) -> Result<(), String> {
        if let ("after", Some(unit)) = (self.how.as_str(), units.first()) {
            unit.info();
            // SAFETY: not sound; the sandbox's table of handles stands behind it.
            let forged = unsafe { AccessUnit::from_handle(unit.handle()) };
            drop(units);
            telemetry::error(&format!("a unit that was dropped has {:?}", forged.info()));
            return Ok(());
        }
        if !self.done {
            self.done = true;
            options();
            instants();
            finished();
            ranges();
        }
        if let Some(unit) = units.first() {
            reads(unit);
        }
        Ok(())
    }
}

fn check(what: &str, as_promised: bool, answer: &dyn std::fmt::Debug) {
    telemetry::count(if as_promised { "answered" } else { "amiss" }, 1);
    if !as_promised {
        telemetry::error(&format!("amiss: {what}: {answer:?}"));
    }
}

fn denied<T: std::fmt::Debug>(what: &str, answer: &Result<T, ObjectError>) {
    let is = matches!(answer, Err(error) if error.code == "denied" && error.message.len() < 500);
    check(what, is, answer);
}

fn fine<T: std::fmt::Debug>(what: &str, answer: &Result<T, ObjectError>) {
    check(what, answer.is_ok(), answer);
}

fn new(purpose: &str, extension: &str, begin: i64) -> Result<Object, ObjectError> {
    create(&ObjectOptions {
        purpose: purpose.into(),
        extension: extension.into(),
        begin,
    })
}

/// Names that would leave the camera's folder, hide a file, or not fit a file system.
fn options() {
    let huge = "a".repeat(1 << 20);
    let purposes = [
        "",
        ".",
        "..",
        "../x",
        "/",
        "/tmp",
        "x/y",
        "x/../../y",
        ".spool",
        "UP",
        "1st",
        "-x",
        "x_y",
        "x\0y",
        "x\ny",
        "é",
        &huge[..33],
        &huge,
    ];
    for purpose in purposes {
        denied("purpose", &new(purpose, "bin", 0));
    }
    let extensions = [
        "",
        ".",
        "..",
        "/x",
        "../x",
        "BIN",
        "b n",
        "b\0",
        "tar.gz",
        &huge[..9],
        &huge,
    ];
    for extension in extensions {
        denied("extension", &new("calls", extension, 0));
    }
}

/// Any instant that fits its type is a lawful one.
fn instants() {
    for begin in [i64::MIN, -1, 0, 1, i64::MAX] {
        let object = new("calls", "bin", begin);
        fine("extreme begin", &object);
        let Ok(object) = object else { continue };
        fine("append", &object.append(&[Part::Bytes(vec![1, 2, 3])]));
        // Ends before it begins, or at the other end of time.
        fine("extreme end", &object.finish(begin.wrapping_neg()));
    }
}

fn finished() {
    let object = new("calls", "bin", 5_000_000_000);
    fine("create", &object);
    let Ok(object) = object else { return };
    fine("append", &object.append(&[Part::Bytes(vec![0; 100])]));
    fine("finish", &object.finish(6_000_000_000));
    denied(
        "append after finish",
        &object.append(&[Part::Bytes(vec![1])]),
    );
    denied("append of nothing after finish", &object.append(&[]));
    denied("patch after finish", &object.patch(0, &[1]));
    denied("finish twice", &object.finish(7_000_000_000));
}

fn ranges() {
    let object = new("calls", "bin", 8_000_000_000);
    fine("create", &object);
    let Ok(object) = object else { return };
    fine("append of nothing", &object.append(&[]));
    denied("patch of an empty object", &object.patch(0, &[1]));
    fine("append", &object.append(&[Part::Bytes(vec![0; 100])]));
    fine("patch up to the end", &object.patch(99, &[1]));
    fine("patch of nothing at the end", &object.patch(100, &[]));
    denied("patch across the end", &object.patch(99, &[1, 2]));
    denied("patch behind the end", &object.patch(100, &[1]));
    denied("patch far outside", &object.patch(u64::MAX, &[1]));
    denied(
        "patch that overflows",
        &object.patch(u64::MAX - 1, &[1, 2, 3]),
    );
    let length = object.append(&[Part::Bytes(Vec::new()), Part::Bytes(vec![7])]);
    check("length", matches!(length, Ok(101)), &length);
    fine("finish", &object.finish(9_000_000_000));
}

/// A range that leaves the payload is cut at its end.
fn reads(unit: &AccessUnit) {
    let size = unit.info().size;
    let all = unit.read(0, size);
    check("whole", all.len() == size as usize, &all.len());
    for (offset, length, expected) in [
        (0, u32::MAX, &all[..]),
        (size, u32::MAX, &[]),
        (u32::MAX, u32::MAX, &[]),
        (u32::MAX, 1, &[]),
        (size - 1, 2, &all[all.len() - 1..]),
        (1, 0, &[]),
    ] {
        let read = unit.read(offset, length);
        check("range", read == expected, &(offset, length, read.len()));
    }
}

export_sink!(Misbehaving<BadCalls>);
