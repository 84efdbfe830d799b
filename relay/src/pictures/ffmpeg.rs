//! The second decoder: a process of ffmpeg, where the operator has one and says so. It does what
//! the first one refuses: monochrome, more than eight bits, 4:2:2, interlaced pictures.
//!
//! A process lives for one key frame. It gets the coded picture on its standard input, may open
//! nothing else, and ends at limits of the kernel on memory and processor time, or at ours on time
//! passed. What it complains about counts as damage, and so does what it mends: that is of no use here.

use std::io::{Read, Take, Write as _};
use std::os::fd::OwnedFd;
use std::path::Path;
use std::process::{Child, Command, ExitStatus, Stdio};
use std::time::Duration;

use bytes::Bytes;
use rustix::process::{
    Pid, PidfdFlags, Resource, Rlimit, Signal, pidfd_open, pidfd_send_signal, prlimit,
};

use super::decoded::{DecodeFault, Decoded, Matrix, Range, Samples};
use super::guest::Description;
use super::planes;
use crate::hold::{Codec, Track, Unit};
use crate::sinks::one_line;

/// Address space: a 2160p picture in 10 bits takes about 400 MB of it, code and libraries included.
const ADDRESS_BYTES_MAX: u64 = 1 << 30;
/// Of what it says: some 2 KiB are about the streams.
const SAID_BYTES_MAX: u64 = 16 << 10;
/// How it marks what it complains about, and how it begins to tell what it has mended.
const COMPLAINTS: [&str; 4] = ["[error] ", "[fatal] ", "[panic] ", " concealing "];
/// Behind the end of an arithmetic-coded slice: see `plugins/decoder/src/unit.rs`.
const ONES: [u8; 64] = [0xff; 64];
/// How many times longer than its processor time it may take in all.
const IDLE_FACTOR: u32 = 8;
const START_CODE: [u8; 4] = [0, 0, 0, 1];

/// Decodes one random access point of H.264 or H.265.
///
/// # Errors
/// `Unsupported` when the program isn't there, `Ended` when it ran into a limit, `Damaged` when it
/// complained.
pub(super) async fn decode(
    program: &Path,
    unit: &Unit,
    description: &Description,
    time_max: Duration,
) -> Result<Decoded, DecodeFault> {
    let run = async |behind: &[u8]| {
        let stream = byte_stream(&unit.track, &unit.payload, behind)
            .ok_or_else(|| DecodeFault::Damaged("its parts can't be told apart".to_owned()))?;
        run(program, unit.track.codec, stream, description, time_max).await
    };
    let picture = run(&[]).await?;
    if description.arithmetic && run(&ONES).await? != picture {
        return Err(DecodeFault::Damaged("a slice is cut off".to_owned()));
    }
    if planes::has_hole(&picture, description) {
        return Err(DecodeFault::Damaged(
            "its slices don't fill the picture".to_owned(),
        ));
    }
    let samples = planes::narrow(&picture, description).ok_or_else(|| {
        DecodeFault::Damaged(format!(
            "ffmpeg gave {} bytes, not a picture",
            picture.len()
        ))
    })?;
    let (samples, gray) = (Bytes::from(samples.bytes), samples.gray);
    Ok(Decoded {
        width: description.width,
        height: description.height,
        samples: match gray {
            true => Samples::Gray(samples),
            false => Samples::Yuv420 {
                planes: samples,
                chroma_left: description.chroma_left,
            },
        },
        range: if description.full_range {
            Range::Full
        } else {
            Range::Limited
        },
        matrix: match description.matrix.as_str() {
            "bt709" => Matrix::Bt709,
            "bt2020" => Matrix::Bt2020,
            _ => Matrix::Bt601,
        },
    })
}

/// What one process makes of a stream: samples as they were coded.
async fn run(
    program: &Path,
    codec: Codec,
    stream: Vec<u8>,
    description: &Description,
    time_max: Duration,
) -> Result<Vec<u8>, DecodeFault> {
    let (child, leash) = start(program, codec, time_max)?;
    let bytes_max = planes::coded_bytes_max(description);
    let running = tokio::task::spawn_blocking(move || feed(child, &stream, bytes_max));
    let running = tokio::time::timeout(time_max * IDLE_FACTOR, running).await;
    drop(leash);
    let shown = program.display();
    let (status, picture, said) = match running {
        Ok(Ok(Ok(done))) => done,
        Ok(Ok(Err(error))) => return Err(DecodeFault::Ended(format!("{shown}: {error}"))),
        Ok(Err(error)) => return Err(DecodeFault::Ended(format!("{shown}: {error}"))),
        Err(_) => {
            let seconds = time_max.as_secs_f64() * f64::from(IDLE_FACTOR);
            return Err(DecodeFault::Ended(format!(
                "{shown} took more than {seconds} s, {IDLE_FACTOR} times `[pictures] decode_seconds`"
            )));
        }
    };
    if status.code().is_none() {
        return Err(DecodeFault::Ended(format!("{shown}: {status}")));
    }
    let said = String::from_utf8_lossy(&said);
    let complaint = complaint(&said).or((!status.success()).then_some(&*said));
    match complaint {
        Some(text) => {
            let text = one_line(text);
            Err(DecodeFault::Damaged(format!("ffmpeg says: {text}")))
        }
        None => Ok(picture),
    }
}

/// The first line of what it said that is a complaint.
fn complaint(said: &str) -> Option<&str> {
    said.lines()
        .find(|line| COMPLAINTS.iter().any(|mark| line.contains(mark)))
}

/// Kills the process when it is dropped: when the decoding is given up, too.
struct Leash(OwnedFd);

impl Drop for Leash {
    fn drop(&mut self) {
        // The descriptor names this very process. An error says that it has ended.
        pidfd_send_signal(&self.0, Signal::KILL).ok();
    }
}

fn start(program: &Path, codec: Codec, time_max: Duration) -> Result<(Child, Leash), DecodeFault> {
    let shown = program.display();
    let demuxer = match codec {
        Codec::H264 => "h264",
        Codec::H265 => "hevc",
        _ => return Err(DecodeFault::Unsupported("no codec for ffmpeg".to_owned())),
    };
    let mut child = Command::new(program)
        .args(["-nostdin", "-hide_banner", "-nostats"])
        // What it conceals it tells as information.
        .args(["-loglevel", "level+info"])
        .args(["-protocol_whitelist", "pipe", "-threads", "1"])
        // Samples left of the window are cut off exactly, and damage is told. Slices that are
        // missing are told only where they are mended: so that is left on.
        .args(["-flags", "unaligned", "-err_detect", "explode"])
        .args(["-f", demuxer, "-i", "pipe:0"])
        .args([
            "-map",
            "0:v:0",
            "-frames:v",
            "1",
            "-fps_mode",
            "passthrough",
        ])
        .args(["-f", "rawvideo", "pipe:1"])
        .env_clear()
        .current_dir("/")
        .stdin(Stdio::piped())
        .stdout(Stdio::piped())
        .stderr(Stdio::piped())
        .spawn()
        .map_err(|error| match error.kind() {
            std::io::ErrorKind::NotFound | std::io::ErrorKind::PermissionDenied => {
                DecodeFault::Unsupported(format!("{shown}: {error} (`[pictures] ffmpeg`)"))
            }
            _ => DecodeFault::Ended(format!("{shown}: {error}")),
        })?;
    // It has got no byte of the camera's yet: soon enough.
    match limit(&child, time_max) {
        Ok(leash) => Ok((child, leash)),
        Err(error) => {
            // Nobody else would take note of its end.
            let ended = child.kill().and_then(|()| child.wait());
            let ended = ended.map_or_else(|error| format!("; {error}"), |_| String::new());
            let text = format!("{shown} can't be limited: {error}{ended}");
            Err(DecodeFault::Ended(text))
        }
    }
}

fn limit(child: &Child, time_max: Duration) -> std::io::Result<Leash> {
    let pid = i32::try_from(child.id()).ok().and_then(Pid::from_raw);
    let pid = pid.ok_or_else(|| std::io::Error::other("it has no number"))?;
    // Not reaped yet, so the number is its own.
    let leash = Leash(pidfd_open(pid, PidfdFlags::empty())?);
    let seconds = time_max.as_secs().saturating_add(1);
    for (resource, most) in [
        (Resource::As, ADDRESS_BYTES_MAX),
        (Resource::Cpu, seconds),
        (Resource::Fsize, 0),
        (Resource::Core, 0),
    ] {
        let bound = Rlimit {
            current: Some(most),
            maximum: Some(most),
        };
        match prlimit(Some(pid), resource, bound) {
            // Ended already: its complaint tells why.
            Ok(_) | Err(rustix::io::Errno::SRCH) => {}
            Err(error) => return Err(error.into()),
        }
    }
    Ok(leash)
}

type Done = (ExitStatus, Vec<u8>, Vec<u8>);

/// Writes the stream and reads what comes back, until the process has ended.
fn feed(mut child: Child, stream: &[u8], bytes_max: u64) -> std::io::Result<Done> {
    let missing = || std::io::Error::other("a pipe is missing");
    let mut input = child.stdin.take().ok_or_else(missing)?;
    let output = child.stdout.take().ok_or_else(missing)?;
    let complaints = child.stderr.take().ok_or_else(missing)?;
    let read = |mut from: Take<&mut dyn Read>| {
        let mut bytes = Vec::new();
        from.read_to_end(&mut bytes).map(|_| bytes)
    };
    let (written, picture, complaint) = std::thread::scope(|scope| {
        // It may end before it has read all. The pipe is closed at the end.
        let writing = scope.spawn(move || input.write_all(stream));
        let listening = scope.spawn(move || {
            let mut complaints = complaints;
            read((&mut complaints as &mut dyn Read).take(SAID_BYTES_MAX))
        });
        let mut output = output;
        let picture = read((&mut output as &mut dyn Read).take(bytes_max + 1));
        // Whatever else it wants to say has no reader: that ends it.
        drop(output);
        let broken = || std::io::Error::other("a thread failed");
        let complaint = listening.join().unwrap_or_else(|_| Err(broken()));
        let written = writing.join().unwrap_or_else(|_| Err(broken()));
        (written, picture, complaint)
    });
    let status = child.wait()?;
    match written {
        Err(error) if error.kind() != std::io::ErrorKind::BrokenPipe => return Err(error),
        _ => {}
    }
    Ok((status, picture?, complaint?))
}

/// Parameter sets and NAL units as a byte stream (H.264 and H.265, Annex B), with `behind` at the
/// end of each slice.
fn byte_stream(track: &Track, payload: &[u8], behind: &[u8]) -> Option<Vec<u8>> {
    let mut stream = Vec::with_capacity(payload.len() + 1024);
    let mut record = track.decoder_configuration.as_ref();
    // ISO/IEC 14496-15, 5.3.3.1 and 8.3.3.1.
    match track.codec {
        Codec::H264 => {
            let head = take(&mut record, 6)?;
            for _ in 0..head.last()? & 31 {
                push(&mut stream, take_set(&mut record)?);
            }
            for _ in 0..*take(&mut record, 1)?.first()? {
                push(&mut stream, take_set(&mut record)?);
            }
        }
        Codec::H265 => {
            for _ in 0..*take(&mut record, 23)?.last()? {
                let head = take(&mut record, 3)?;
                for _ in 0..number(head.get(1..)?) {
                    push(&mut stream, take_set(&mut record)?);
                }
            }
        }
        _ => return None,
    }
    let mut rest = payload;
    while !rest.is_empty() {
        let length = number(take(&mut rest, 4)?);
        let nal = take(&mut rest, length)?;
        let head = *nal.first()?;
        // H.264 Table 7-1, H.265 Table 7-1.
        let slice = match track.codec {
            Codec::H264 => (1..=5).contains(&(head & 31)),
            _ => head >> 1 & 63 < 32,
        };
        push(&mut stream, nal);
        if slice {
            stream.extend_from_slice(behind);
        }
    }
    Some(stream)
}

fn push(stream: &mut Vec<u8>, nal: &[u8]) {
    stream.extend_from_slice(&START_CODE);
    stream.extend_from_slice(nal);
}

fn take<'a>(bytes: &mut &'a [u8], length: usize) -> Option<&'a [u8]> {
    let (head, tail) = bytes.split_at_checked(length)?;
    *bytes = tail;
    Some(head)
}

fn take_set<'a>(bytes: &mut &'a [u8]) -> Option<&'a [u8]> {
    let length = number(take(bytes, 2)?);
    take(bytes, length)
}

/// Big endian, of four bytes at the most.
fn number(bytes: &[u8]) -> usize {
    bytes
        .iter()
        .fold(0, |sum, byte| sum << 8 | usize::from(*byte))
}
