//! What pictures cost: `cargo test -p forebay --test decoding figures -- --ignored --nocapture`.
//! The decoder is the same in each profile: compiled for the sandbox with all optimisation.

use std::time::Instant;

use crate::clips::{self, Clip};
use crate::decoder;

#[tokio::test(flavor = "multi_thread")]
#[ignore = "prints figures"]
async fn figures() {
    if clips::ffmpeg().is_none() {
        return;
    }
    println!("| stream | key frame, ms | MiB | every frame, ms | MiB |");
    println!("|---|---|---|---|---|");
    for (rows, size, frames, rate) in [
        (360, "640x360", 50, "500k"),
        (1080, "1920x1080", 20, "4M"),
        (2160, "3840x2160", 6, "10M"),
    ] {
        for codec in ["H.264", "H.265"] {
            let more = format!("-preset fast -b:v {rate} -maxrate {rate} -bufsize {rate}");
            let options = format!("keyint={}:bframes=0", frames / 2);
            let clip = match codec {
                "H.264" => clips::h264(size, frames, &options, &more),
                _ => clips::h265(size, frames, &options, &more),
            };
            line(&format!("{codec} {rows}p"), &clip).await;
        }
    }
}

async fn line(name: &str, clip: &Clip) {
    let mut decoder = decoder(None);
    let keys = clip.keys();
    decoder.decode_key(&clip.units[0]).await.unwrap();
    let begun = processor_ms();
    for index in &keys {
        decoder.decode_key(&clip.units[*index]).await.unwrap();
    }
    let key = (processor_ms() - begun) / keys.len() as f64;
    let key_memory = decoder.memory_bytes() >> 20;
    let begun = processor_ms();
    let wall = Instant::now();
    let mut shown = 0;
    let mut fault = None;
    for unit in &clip.units {
        match decoder.decode_next(unit).await {
            Ok(picture) => shown += u32::from(picture.is_some()),
            Err(error) => fault = Some(error),
        }
    }
    let each = (processor_ms() - begun) / clip.units.len() as f64;
    let memory = decoder.memory_bytes() >> 20;
    let note = fault.map_or(String::new(), |fault| format!(" ({fault})"));
    println!("| {name} | {key:.1} | {key_memory} | {each:.1}{note} | {memory} |");
    println!(
        "  {shown} pictures, {} ms passed",
        wall.elapsed().as_millis()
    );
}

/// Processor time of this process.
fn processor_ms() -> f64 {
    let time = rustix::time::clock_gettime(rustix::time::ClockId::ProcessCPUTime);
    time.tv_sec as f64 * 1e3 + time.tv_nsec as f64 / 1e6
}
