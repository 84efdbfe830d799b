//! Serves a simulated site until its standard input is closed: looped H.264 cameras on loopback.
//!
//!     site_server [--streams 3] [--bitrate 4000000] [--size 640x360] [--gop 50]
//!                 [--begin next-key|last-key]
//!
//! Prints one JSON line: `{"urls": ["rtsp://127.0.0.1:…/camera-0", …]}`.

use std::error::Error;
use std::io::Write as _;

use forebay_site::{CameraSpec, Scene, Site, StartAt};
use tokio::io::AsyncReadExt as _;

/// What is asked for.
struct Wanted {
    streams: usize,
    bits_per_second: u64,
    size: (usize, usize),
    gop: u32,
    begin: StartAt,
}

fn main() -> Result<(), Box<dyn Error>> {
    let wanted = read_arguments(std::env::args().skip(1))?;
    tokio::runtime::Builder::new_current_thread()
        .enable_all()
        .build()?
        .block_on(serve(&wanted))
}

fn read_arguments(mut arguments: impl Iterator<Item = String>) -> Result<Wanted, Box<dyn Error>> {
    let mut wanted = Wanted {
        streams: 3,
        bits_per_second: 4_000_000,
        size: (640, 360),
        gop: 50,
        begin: StartAt::NextKey,
    };
    while let Some(name) = arguments.next() {
        let value = arguments
            .next()
            .ok_or_else(|| format!("{name} needs a value"))?;
        let faulty = |error: std::num::ParseIntError| format!("{name} {value}: {error}");
        match name.as_str() {
            "--streams" => wanted.streams = value.parse().map_err(faulty)?,
            "--bitrate" => wanted.bits_per_second = value.parse().map_err(faulty)?,
            "--gop" => wanted.gop = value.parse().map_err(faulty)?,
            "--begin" => {
                wanted.begin = match value.as_str() {
                    "next-key" => StartAt::NextKey,
                    "last-key" => StartAt::LastKey,
                    _ => return Err(format!("--begin {value}: want next-key or last-key").into()),
                }
            }
            "--size" => {
                let (width, height) = value
                    .split_once('x')
                    .ok_or_else(|| format!("--size {value}: want 640x360"))?;
                wanted.size = (
                    width.parse().map_err(faulty)?,
                    height.parse().map_err(faulty)?,
                );
            }
            _ => return Err(format!("no option {name}").into()),
        }
    }
    Ok(wanted)
}

async fn serve(wanted: &Wanted) -> Result<(), Box<dyn Error>> {
    let camera = |number| {
        let name = format!("camera-{number}");
        let (width, height) = wanted.size;
        CameraSpec {
            scene: Scene::Slipway,
            width,
            height,
            gop: wanted.gop,
            start_at: wanted.begin,
            ..CameraSpec::looped(&name, wanted.bits_per_second)
        }
    };
    let site = Site::start((0..wanted.streams).map(camera).collect()).await?;
    let urls: Vec<String> = site
        .cameras()
        .iter()
        .map(forebay_site::SimulatedCamera::url)
        .collect();
    let mut out = std::io::stdout();
    writeln!(out, "{}", serde_json::json!({ "urls": urls }))?;
    out.flush()?;
    // Whoever started this holds the other end: it closes when he is gone, whatever happened.
    tokio::io::stdin().read_to_end(&mut Vec::new()).await?;
    site.stop().await;
    Ok(())
}
