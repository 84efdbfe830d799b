//! Refuses every configuration, with 100 kB of text that would like to drive a terminal.

use forebay_bad_guests::{Guest, Misbehaving, Settings};
use forebay_plugin_sdk::export_sink;

struct Refuses;

impl Guest for Refuses {
    fn make(_settings: Settings) -> Result<Self, String> {
        Err(format!(
            "the tide is out\n\x1b]0;title\x07\u{9b}2J\r\n{}",
            "no water ".repeat(11_112)
        ))
    }
}

export_sink!(Misbehaving<Refuses>);
