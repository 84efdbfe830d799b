//! Wants an interface that no relay has.

use forebay_bad_guests::{Guest, Misbehaving, Settings};
use forebay_plugin_sdk::bindings::wit_bindgen;
use forebay_plugin_sdk::export_sink;

wit_bindgen::generate!({
    inline: "
        package boatyard:winch@1.0.0;
        interface motor { haul: func(meters: u32); }
        world operator { import motor; }
    ",
    runtime_path: "forebay_plugin_sdk::bindings::wit_bindgen::rt",
});

struct Winch;

impl Guest for Winch {
    fn make(_settings: Settings) -> Result<Self, String> {
        Ok(Self)
    }

    fn tick(&mut self) {
        boatyard::winch::motor::haul(3);
    }
}

export_sink!(Misbehaving<Winch>);
