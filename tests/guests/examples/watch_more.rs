//! An analyzer that exports functions of world `sink` too, as far as one component can: what both
//! worlds name differs in its types, so that it can't be both.
#![allow(
    clippy::too_many_arguments,
    reason = "of the code that is generated here"
)]

use std::cell::Cell;

use forebay_plugin_sdk::bindings::wit_bindgen;

wit_bindgen::generate!({
    path: "../../wit",
    inline: "
        package boatyard:both@1.0.0;
        world both {
            include forebay:plugin/analyzer@0.1.0;
            use forebay:plugin/media@0.1.0.{track, access-unit};
            export tracks: func(tracks: list<track>) -> list<u32>;
            export handle: func(units: list<access-unit>) -> result<_, string>;
        }
    ",
    generate_all,
    runtime_path: "forebay_plugin_sdk::bindings::wit_bindgen::rt",
});

use forebay::plugin::telemetry;

std::thread_local! {
    static UNITS: Cell<usize> = const { Cell::new(0) };
}

struct Both;

impl Guest for Both {
    fn configure(_configuration: Configuration) -> Result<Request, String> {
        Ok(Request {
            rate: 4.0,
            longest_side: 160,
            format: "gray8".into(),
            source: "analysis".into(),
            minimum_score: 0.0,
        })
    }

    fn tracks(tracks: Vec<Track>) -> Vec<u32> {
        tracks.iter().map(|track| track.id).collect()
    }

    fn handle(units: Vec<AccessUnit>) -> Result<(), String> {
        UNITS.set(UNITS.get() + units.len());
        telemetry::count("units", units.len() as u64);
        Ok(())
    }

    fn analyze(_picture: Picture) -> Result<Vec<Finding>, String> {
        telemetry::count("pictures", 1);
        Ok(Vec::new())
    }

    fn tick(_now: Instant) -> Vec<Finding> {
        Vec::new()
    }

    fn stop() -> Vec<Finding> {
        Vec::new()
    }
}

export!(Both);
