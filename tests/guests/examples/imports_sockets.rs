//! Wants the network.

use std::io::Write as _;
use std::net::TcpStream;

use forebay_bad_guests::{Guest, Misbehaving, Settings};
use forebay_plugin_sdk::{AccessUnit, export_sink};

struct Sockets;

impl Guest for Sockets {
    fn make(_settings: Settings) -> Result<Self, String> {
        Ok(Self)
    }

    fn handle(&mut self, _units: Vec<AccessUnit>) -> Result<(), String> {
        let mut stream = TcpStream::connect("127.0.0.1:9").map_err(|error| error.to_string())?;
        stream.write_all(b"out").map_err(|error| error.to_string())
    }
}

export_sink!(Misbehaving<Sockets>);
