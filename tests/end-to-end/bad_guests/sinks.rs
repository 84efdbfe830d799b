//! The misbehaving sinks of the long session, and what each must come to.

use std::fmt::Write as _;

use super::guests::guest;

/// The cameras, shared with the recorder.
pub(crate) const CAMERAS: [&str; 2] = ["slipway", "gate"];

/// What becomes of a sink.
#[derive(Debug, Clone, Copy)]
pub(crate) enum Fate {
    /// Its instances end, at least so many in the session, for that reason alone; the log says
    /// these words.
    Ends(u32, &'static str, &'static str),
    /// Its instance lives on; these limits are hit, and no other.
    Limited(&'static [&'static str]),
    /// Something stops it, by an end or by a limit: which one depends on how fast the disk is.
    Curbed,
    /// Its instance lives on until the shutdown, where it ends for that reason.
    EndsInStop(&'static str),
}

/// A sink.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Bad {
    /// Its name.
    pub(crate) name: &'static str,
    guest: &'static str,
    how: &'static str,
    /// Instead of the usual limits.
    limits: &'static str,
    /// What becomes of it.
    pub(crate) fate: Fate,
    /// Index in [`CAMERAS`].
    camera: usize,
}

const fn bad(
    camera: usize,
    name: &'static str,
    guest: &'static str,
    how: &'static str,
    fate: Fate,
) -> Bad {
    Bad {
        name,
        guest,
        how,
        limits: "",
        fate,
        camera,
    }
}

impl Bad {
    const fn limits(mut self, toml: &'static str) -> Self {
        self.limits = toml;
        self
    }

    /// The camera whose units it gets.
    pub(crate) fn camera(&self) -> &'static str {
        CAMERAS[self.camera]
    }

    /// Its part of the configuration.
    pub(crate) fn toml(&self) -> String {
        let Self {
            name, how, limits, ..
        } = self;
        let mut toml = format!(
            "\n[[sink]]\nname = {name:?}\nplugin = {:?}\ncameras = [{:?}]\n\
             [sink.settings]\nhow = {how:?}\n[sink.limits]\n{limits}",
            guest(self.guest),
            self.camera()
        );
        for (key, value) in USUAL {
            if !limits.contains(key) {
                writeln!(toml, "{key} = {value}").unwrap();
            }
        }
        toml
    }
}

/// Object bytes that each of the sinks may write in an hour.
pub(crate) const OBJECT_BYTES: u64 = 4 << 20;
/// Log lines in a minute.
pub(crate) const LOG_LINES: usize = 30;
/// Names of metrics.
pub(crate) const METRIC_NAMES: usize = 8;

const USUAL: [(&str, &str); 7] = [
    ("memory", "\"8 MiB\""),
    ("call_seconds", "1.0"),
    ("held", "\"8 MiB\""),
    ("object_bytes_per_hour", "\"4 MiB\""),
    ("open_objects", "4"),
    ("log_lines_per_minute", "30"),
    ("metric_names", "8"),
];

const SLOW: Fate = Fate::Ends(2, "time", "a call took longer than 1 s");

/// All of them, shared out to the cameras.
pub(crate) const SINKS: [Bad; 28] = [
    bad(0, "loops-configure", "loops", "configure", SLOW),
    bad(1, "loops-tracks", "loops", "tracks", SLOW),
    bad(0, "loops-handle", "loops", "handle", SLOW),
    bad(1, "loops-tick", "loops", "tick", SLOW),
    bad(0, "loops-stop", "loops", "stop", Fate::EndsInStop("time")),
    // It may use more time than the shutdown has.
    bad(1, "loops-long", "loops", "stop", Fate::EndsInStop("time")).limits("call_seconds = 60.0\n"),
    bad(0, "sleeps-configure", "sleeps", "configure", SLOW),
    bad(1, "sleeps-handle", "sleeps", "handle", SLOW),
    bad(0, "sleeps-stop", "sleeps", "stop", Fate::EndsInStop("time")),
    bad(
        1,
        "grows-memory",
        "grows",
        "memory",
        Fate::Ends(2, "memory", "it wanted more memory than 8 MiB"),
    ),
    bad(0, "grows-tracks", "grows", "tracks", Fate::Limited(&[])),
    bad(
        1,
        "grows-parts",
        "grows",
        "parts",
        Fate::Ends(2, "trap", "too much data"),
    ),
    bad(
        0,
        "panics-panic",
        "panics",
        "panic",
        Fate::Ends(2, "trap", "the mooring gave way"),
    ),
    bad(
        1,
        "panics-recurse",
        "panics",
        "recurse",
        Fate::Ends(2, "trap", "wasm trap: "),
    ),
    bad(
        0,
        "panics-exit",
        "panics",
        "exit",
        Fate::Ends(2, "trap", "exit"),
    ),
    bad(
        1,
        "leaks-handles",
        "leaks",
        "handles",
        Fate::Ends(2, "handles", "it keeps more than 64 handles"),
    )
    .limits("handles = 64\n"),
    bad(
        0,
        "leaks-held",
        "leaks",
        "handles",
        Fate::Ends(1, "held", "`held` is 8 MiB"),
    )
    .limits("handles = 65536\n"),
    bad(
        1,
        "leaks-payloads",
        "leaks",
        "payloads",
        Fate::Ends(1, "memory", "it wanted more memory than 8 MiB"),
    ),
    bad(
        0,
        "floods",
        "floods",
        "",
        Fate::Limited(&["log_lines_per_minute", "metric_names"]),
    ),
    bad(
        1,
        "hoards-open",
        "hoards",
        "open",
        Fate::Limited(&["open_objects"]),
    ),
    bad(
        0,
        "hoards-bytes",
        "hoards",
        "bytes",
        Fate::Limited(&["object_bytes_per_hour"]),
    ),
    bad(1, "hoards-tiny", "hoards", "tiny", Fate::Curbed),
    bad(0, "hoards-empty", "hoards", "empty", Fate::Curbed),
    bad(
        1,
        "refuses",
        "refuses",
        "",
        Fate::Ends(2, "refused", "the tide is out"),
    ),
    bad(
        0,
        "imports-sockets",
        "imports_sockets",
        "",
        Fate::Ends(2, "load", "wasi:sockets/"),
    ),
    bad(
        1,
        "imports-unknown",
        "imports_unknown",
        "",
        Fate::Ends(2, "load", "boatyard:winch/motor"),
    ),
    bad(0, "badcalls", "badcalls", "", Fate::Limited(&[])),
    bad(
        1,
        "badcalls-after",
        "badcalls",
        "after",
        Fate::Ends(2, "trap", "unknown handle index"),
    ),
];
