//! Serves a simulated site until its standard input is closed: looped H.264 cameras.
//!
//!     site_server [--streams 3] [--bitrate 4000000] [--size 640x360] [--fps 25] [--gop 50]
//!                 [--begin next-key|last-key] [--listen 127.0.0.1] [--sessions 16]
//!                 [--queue BYTES] [--send-buffer BYTES]
//!                 [--when-full drop-groups|drop-frames|close|block] [--on-report take|reset]
//!
//! Prints one JSON line: `{"urls": ["rtsp://127.0.0.1:…/camera-0", …]}`. Then each line of its
//! standard input is a command, answered with one JSON line, `{"error": "…"}` if it can't be done:
//!
//!     {"do": "uplink", "up": false}
//!     {"do": "power", "camera": "camera-0", "on": false}
//!     {"do": "reboot", "camera": "camera-0", "seconds": 3}
//!     {"do": "behave", "camera": "camera-0", "as": "freeze"}
//!     {"do": "lose", "camera": "camera-0", "every": 40}
//!     {"do": "tell"}

use std::error::Error;
use std::io::Write as _;
use std::net::Ipv4Addr;
use std::str::FromStr;
use std::time::Duration;

use forebay_site::{
    Behaviour, CameraSpec, Scene, SimulatedCamera, Site, StartAt, Uplink, WhenFull,
};
use serde::Deserialize;
use serde_json::{Value, json};
use tokio::io::{AsyncBufReadExt as _, BufReader};

/// Longest time of a reboot.
const AWAY_SECONDS_MAX: f64 = 3600.0;

/// What is asked for.
struct Wanted {
    streams: usize,
    bits_per_second: u64,
    listen: Ipv4Addr,
    /// All cameras are like this one.
    camera: CameraSpec,
}

#[derive(Debug, Deserialize)]
#[serde(tag = "do", rename_all = "kebab-case", deny_unknown_fields)]
enum Order {
    Uplink {
        up: bool,
    },
    Power {
        camera: String,
        on: bool,
    },
    Reboot {
        camera: String,
        seconds: f64,
    },
    Behave {
        camera: String,
        r#as: Manner,
    },
    /// Each so many-th RTP packet; 0 loses none.
    Lose {
        camera: String,
        every: u32,
    },
    Tell,
}

/// The behaviours that a link or a power failure brings along.
#[derive(Debug, Clone, Copy, Deserialize)]
#[serde(rename_all = "kebab-case")]
enum Manner {
    Normal,
    Freeze,
    RefuseConnections,
    Unauthorized,
    RestartWithClock1970,
}

fn main() -> Result<(), Box<dyn Error>> {
    let wanted = read_arguments(std::env::args().skip(1))?;
    tokio::runtime::Builder::new_current_thread()
        .enable_all()
        .build()?
        .block_on(serve(wanted))
}

fn read_arguments(mut arguments: impl Iterator<Item = String>) -> Result<Wanted, Box<dyn Error>> {
    let mut wanted = Wanted {
        streams: 3,
        bits_per_second: 4_000_000,
        listen: Ipv4Addr::LOCALHOST,
        camera: CameraSpec {
            scene: Scene::Slipway,
            ..CameraSpec::looped("camera", 0)
        },
    };
    while let Some(name) = arguments.next() {
        let value = arguments
            .next()
            .ok_or_else(|| format!("{name} needs a value"))?;
        let camera = &mut wanted.camera;
        match name.as_str() {
            "--streams" => wanted.streams = parse(&name, &value)?,
            "--bitrate" => wanted.bits_per_second = parse(&name, &value)?,
            "--listen" => wanted.listen = parse(&name, &value)?,
            "--fps" => camera.fps = parse(&name, &value)?,
            "--gop" => camera.gop = parse(&name, &value)?,
            "--sessions" => camera.sessions_max = parse(&name, &value)?,
            "--queue" => camera.queue_bytes = parse(&name, &value)?,
            "--send-buffer" => camera.send_buffer_bytes = Some(parse(&name, &value)?),
            "--begin" => {
                let known = [
                    ("next-key", StartAt::NextKey),
                    ("last-key", StartAt::LastKey),
                ];
                camera.start_at = choose(&name, &value, &known)?;
            }
            "--when-full" => {
                let known = [
                    ("drop-groups", WhenFull::DropGroups),
                    ("drop-frames", WhenFull::DropFrames),
                    ("close", WhenFull::Close),
                    ("block", WhenFull::Block),
                ];
                camera.when_full = choose(&name, &value, &known)?;
            }
            "--on-report" => {
                let known = [("take", false), ("reset", true)];
                camera.resets_on_report = choose(&name, &value, &known)?;
            }
            "--size" => {
                let (width, height) = value
                    .split_once('x')
                    .ok_or_else(|| format!("--size {value}: want 640x360"))?;
                (camera.width, camera.height) = (parse(&name, width)?, parse(&name, height)?);
            }
            _ => return Err(format!("no option {name}").into()),
        }
    }
    Ok(wanted)
}

fn parse<T: FromStr<Err: std::fmt::Display>>(name: &str, value: &str) -> Result<T, String> {
    value
        .parse()
        .map_err(|error| format!("{name} {value}: {error}"))
}

fn choose<T: Copy>(name: &str, value: &str, known: &[(&str, T)]) -> Result<T, String> {
    let found = known.iter().find(|(word, _)| *word == value);
    found.map(|(_, meant)| *meant).ok_or_else(|| {
        let words: Vec<_> = known.iter().map(|(word, _)| *word).collect();
        format!("{name} {value}: want {}", words.join(" or "))
    })
}

async fn serve(wanted: Wanted) -> Result<(), Box<dyn Error>> {
    let camera = |number| {
        let looped = CameraSpec::looped(&format!("camera-{number}"), wanted.bits_per_second);
        CameraSpec {
            name: looped.name,
            source: looped.source,
            ..wanted.camera.clone()
        }
    };
    let cameras = (0..wanted.streams).map(camera).collect();
    let site = Site::start_on(wanted.listen, cameras).await?;
    let urls: Vec<String> = site.cameras().iter().map(SimulatedCamera::url).collect();
    say(&json!({ "urls": urls }))?;
    // Whoever started this holds the other end: it closes when he is gone, whatever happened.
    let mut lines = BufReader::new(tokio::io::stdin()).lines();
    while let Some(line) = lines.next_line().await? {
        let answer = serde_json::from_str(&line)
            .map_err(|error| error.to_string())
            .and_then(|order| obey(&site, order));
        say(&answer.unwrap_or_else(|error| json!({ "error": error })))?;
    }
    site.stop().await;
    Ok(())
}

fn say(value: &Value) -> std::io::Result<()> {
    let mut out = std::io::stdout();
    writeln!(out, "{value}")?;
    out.flush()
}

fn obey(site: &Site, order: Order) -> Result<Value, String> {
    let find = |name: &str| {
        let camera = site.camera(name).cloned();
        camera.ok_or_else(|| format!("there is no camera {name:?}"))
    };
    match order {
        Order::Uplink { up } => site.uplink(if up { Uplink::Up } else { Uplink::Down }),
        Order::Power { camera, on } => find(&camera)?.power(on),
        Order::Reboot { camera, seconds } => {
            if !(0.0..=AWAY_SECONDS_MAX).contains(&seconds) {
                return Err(format!("seconds: {seconds} is not 0 to {AWAY_SECONDS_MAX}"));
            }
            let camera = find(&camera)?;
            tokio::spawn(async move { camera.reboot(Duration::from_secs_f64(seconds)).await });
        }
        Order::Behave { camera, r#as } => find(&camera)?.behave(match r#as {
            Manner::Normal => Behaviour::Normal,
            Manner::Freeze => Behaviour::Freeze,
            Manner::RefuseConnections => Behaviour::RefuseConnections,
            Manner::Unauthorized => Behaviour::Unauthorized,
            Manner::RestartWithClock1970 => Behaviour::RestartWithClock1970,
        }),
        Order::Lose { camera, every } => {
            find(&camera)?.behave(Behaviour::LosePackets { every });
        }
        Order::Tell => {
            let cameras: Vec<Value> = site.cameras().iter().map(tell).collect();
            return Ok(json!({ "cameras": cameras }));
        }
    }
    Ok(json!({}))
}

fn tell(camera: &SimulatedCamera) -> Value {
    let counts = camera.counts();
    let dropped: Vec<u64> = camera.dropped().iter().map(|frame| frame.number).collect();
    json!({
        "name": camera.name(),
        "connections": counts.connections,
        "plays": counts.plays,
        "teardowns": counts.teardowns,
        "receiver_reports": counts.receiver_reports,
        "frames": counts.frames,
        "sessions": camera.sessions().len(),
        "sent": camera.sent().len(),
        "dropped": dropped,
    })
}
