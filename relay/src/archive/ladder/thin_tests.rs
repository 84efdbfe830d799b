#![allow(
    clippy::unwrap_used,
    clippy::indexing_slicing,
    clippy::print_stdout,
    clippy::panic
)]

use std::path::Path;
use std::process::Command;

use super::*;
use crate::archive::ledger::footage::{Recorded, read};
use crate::archive::memory::Dice;

const SECOND: i64 = 1_000_000_000;
/// 2026-05-04T07:31:00Z, by GNU date.
const BEGIN: CaptureTime = CaptureTime::from_unix_nanos(1_777_879_860 * SECOND);
const FRAGMENTED: &str = "-movflags +frag_keyframe+empty_moov+default_base_moof";

impl Copy for Vec<u8> {
    fn append(&mut self, parts: &[Bytes]) -> Result<(), ArchiveError> {
        parts.iter().for_each(|part| self.extend_from_slice(part));
        Ok(())
    }

    fn patch(&mut self, offset: u64, bytes: &[u8]) -> Result<(), ArchiveError> {
        let at = usize::try_from(offset).unwrap();
        self[at..at + bytes.len()].copy_from_slice(bytes);
        Ok(())
    }
}

/// Bytes as something that has a size.
struct Memory(Vec<u8>);

impl Source for Memory {
    fn size(&self) -> u64 {
        self.0.len() as u64
    }

    fn read_exact_at(&self, offset: u64, buffer: &mut [u8]) -> io::Result<()> {
        self.0[..].read_exact_at(offset, buffer)
    }
}

fn thinned(bytes: &[u8]) -> Result<(Vec<u8>, u64), ThinError> {
    let mut copy = Vec::new();
    let keys = thin(&Memory(bytes.to_vec()), BEGIN, &mut copy)?;
    Ok((copy, keys))
}

/// The key frames of footage that was captured from `begin` on, as the ladder leaves them.
pub(crate) fn thinned_copy(bytes: &[u8], begin: CaptureTime) -> Vec<u8> {
    let mut copy = Vec::new();
    thin(&Memory(bytes.to_vec()), begin, &mut copy).unwrap();
    copy
}

fn recorded(bytes: &[u8]) -> Recorded {
    read(bytes, BEGIN, None).unwrap()
}

/// A fragment of the synthetic file: capture time in ms after [`BEGIN`], decode time in ms, and for
/// each sample its duration in ms and whether it is a key frame.
pub(in crate::archive::ladder) struct Part<'a>(
    pub(in crate::archive::ladder) i64,
    pub(in crate::archive::ladder) u64,
    pub(in crate::archive::ladder) &'a [(u32, bool)],
);

fn words(kind: &[u8; 4], words: &[u32]) -> Vec<u8> {
    let body: Vec<u8> = words.iter().flat_map(|word| word.to_be_bytes()).collect();
    boxed(kind, &body)
}

/// A file of pictures (track 1) and sound (track 2), 1000 ticks a second.
pub(in crate::archive::ladder) fn file(begin: CaptureTime, parts: &[Part<'_>]) -> Vec<u8> {
    let track = |number: u32, handler: &[u8; 4], entry: Vec<u8>| {
        let mut stsd = vec![0; 8];
        stsd[7] = 1;
        stsd.extend(entry);
        let stbl = [boxed(b"stsd", &stsd), words(b"stts", &[0, 0])].concat();
        let hdlr = words(b"hdlr", &[0, 0, u32::from_be_bytes(*handler), 0, 0, 0]);
        let minf = boxed(b"minf", &boxed(b"stbl", &stbl));
        let mdia = [words(b"mdhd", &[0, 0, 0, 1000, 0, 0]), hdlr, minf].concat();
        let tkhd = words(b"tkhd", &[3, 0, 0, number, 0, 0, 0]);
        boxed(b"trak", &[tkhd, boxed(b"mdia", &mdia)].concat())
    };
    let mvex = [
        words(b"mehd", &[0, 12_345]),
        words(b"trex", &[0, 1, 1, 40, 0, 0]),
        words(b"trex", &[0, 2, 1, 20, 0, 0]),
    ];
    let moov = [
        words(b"mvhd", &[0, 0, 0, 1000, 0, 0]),
        track(1, b"vide", boxed(b"jpeg", &[0; 78])),
        track(2, b"soun", boxed(b"alaw", &[0; 28])),
        boxed(b"mvex", &mvex.concat()),
    ];
    let mut bytes = words(b"ftyp", &[u32::from_be_bytes(*b"iso6"), 0]);
    bytes.extend(boxed(b"moov", &moov.concat()));
    for (sequence, Part(captured, decode, samples)) in parts.iter().enumerate() {
        let captured = begin.unix_nanos() + captured * 1_000_000;
        let seconds = (captured.div_euclid(SECOND) + 2_208_988_800) as u32;
        let fraction = ((captured.rem_euclid(SECOND) << 32) as u64).div_ceil(SECOND as u64) as u32;
        bytes.extend(words(b"prft", &[0, 1, seconds, fraction, *decode as u32]));
        let fragment = |offset: u32, sound: u32| {
            let mut trun = vec![0x701, samples.len() as u32, offset];
            for (index, (duration, sync)) in samples.iter().enumerate() {
                let flags = if *sync { 0x0200_0000 } else { 0x0101_0000 };
                trun.extend([*duration, 100 + index as u32, flags]);
            }
            let video = [
                words(b"tfhd", &[0x02_0000, 1]),
                words(b"tfdt", &[0x0100_0000, 0, *decode as u32]),
                words(b"trun", &trun),
            ];
            let audio = [
                words(b"tfhd", &[0x02_0000, 2]),
                words(b"tfdt", &[0x0100_0000, 0, *decode as u32]),
                words(b"trun", &[0x201, 1, sound, 7]),
            ];
            let mfhd = words(b"mfhd", &[0, sequence as u32]);
            let trafs = [
                boxed(b"traf", &video.concat()),
                boxed(b"traf", &audio.concat()),
            ];
            boxed(b"moof", &[mfhd, trafs.concat()].concat())
        };
        let size = fragment(0, 0).len() as u32;
        let data: Vec<u8> = (0..samples.len())
            .flat_map(|index| vec![(sequence * 16 + index) as u8; 100 + index])
            .collect();
        bytes.extend(fragment(size + 8, size + 8 + data.len() as u32));
        bytes.extend(boxed(b"mdat", &[data, vec![0xff; 7]].concat()));
    }
    bytes
}

const K: (u32, bool) = (40, true);
const P: (u32, bool) = (40, false);

#[test]
fn key_frames_keep_their_times_and_last_until_the_next() {
    let bytes = file(
        BEGIN,
        &[
            Part(0, 0, &[K, P, P]),
            // Of a long group, without a key frame.
            Part(120, 120, &[P, P]),
            Part(200, 200, &[K, P]),
            // A hole of a second, then pictures that nothing comes before.
            Part(1280, 1280, &[P, P]),
            Part(1360, 1360, &[K, P, K]),
        ],
    );
    let (copy, keys) = thinned(&bytes).unwrap();
    assert_eq!(keys, 4);
    let mut keys = Vec::new();
    let source = Memory(copy.clone());
    let mut reader = Keys::open(&source, BEGIN).unwrap();
    while let Some(group) = reader.next().unwrap() {
        for key in group.keys {
            let mut payload = vec![0; key.size as usize];
            source.read_exact_at(key.offset, &mut payload).unwrap();
            assert!(payload.iter().all(|byte| *byte == payload[0]));
            keys.push((key.decode, key.end, payload.len(), payload[0]));
        }
    }
    assert_eq!(
        keys,
        [
            (0, 200, 100, 0),
            (200, 280, 100, 32),
            (1360, 1440, 100, 64),
            (1440, 1480, 102, 66),
        ]
    );
    // What was recorded stays so, but for the pictures that can't be decoded any more.
    let ms = |bytes: &[u8]| -> Vec<(i64, i64)> {
        let spans = recorded(bytes).spans.into_iter();
        let ms = |t: CaptureTime| (t.unix_nanos() - BEGIN.unix_nanos() + 500_000) / 1_000_000;
        spans.map(|span| (ms(span.begin), ms(span.end))).collect()
    };
    assert_eq!(ms(&bytes), [(0, 280), (1280, 1480)]);
    assert_eq!(ms(&copy), [(0, 280), (1360, 1480)]);
    // The header tells the new length, of one track.
    let moov = Keys::open(&source, BEGIN).unwrap().header().to_vec();
    let mvex = named(&moov, b"mvex").next().unwrap();
    assert_eq!(word(named(mvex, b"mehd").next().unwrap(), 4), Some(1480));
    assert_eq!(named(mvex, b"trex").count(), 1);
    assert_eq!(named(&moov, b"trak").count(), 1);
    // Always the same bytes, and of itself itself.
    assert_eq!(thinned(&bytes).unwrap().0, copy);
    assert_eq!(thinned(&copy).unwrap().0, copy);
}

#[test]
fn what_has_no_key_frame_or_is_no_footage_is_refused() {
    let bytes = file(BEGIN, &[Part(0, 0, &[P, P])]);
    assert!(matches!(thinned(&bytes), Err(ThinError::NoKeyFrame)));
    assert!(matches!(thinned(b"GIF89a"), Err(ThinError::Footage(_))));
    let bytes = file(BEGIN, &[]);
    assert!(matches!(thinned(&bytes), Err(ThinError::NoKeyFrame)));
}

#[test]
fn damaged_files_are_refused_or_copied_and_cost_little() {
    let whole = file(
        BEGIN,
        &[
            Part(0, 0, &[K, P, P]),
            Part(120, 120, &[K, P]),
            Part(900, 900, &[K, K]),
        ],
    );
    let mut dice = Dice(7);
    let (mut good, mut refused) = (0, 0);
    for _ in 0..20_000 {
        let mut bytes = whole.clone();
        for _ in 0..=dice.roll(3) {
            let at = dice.roll(bytes.len() as u64) as usize;
            bytes[at] = dice.roll(256) as u8;
        }
        if dice.roll(4) == 0 {
            bytes.truncate(dice.roll(bytes.len() as u64) as usize);
        }
        match thinned(&bytes) {
            Ok((copy, _)) => {
                assert!(copy.len() <= 4 * whole.len());
                good += 1;
            }
            Err(_) => refused += 1,
        }
    }
    assert!(good > 1000 && refused > 1000, "{good} {refused}");
}

/// Whether ffmpeg is there. Where it is missing a test is skipped, but not in CI.
pub(in crate::archive::ladder) fn tools() -> bool {
    let there = |tool| Command::new(tool).arg("-version").output().is_ok();
    let both = there("ffmpeg") && there("ffprobe");
    if !both {
        let ci = std::env::var("CI").as_deref() == Ok("true");
        assert!(!ci, "ffmpeg and ffprobe are missing");
        println!("skipped: ffmpeg or ffprobe is missing");
    }
    both
}

fn run(tool: &str, arguments: &str, path: &Path) -> String {
    let output = Command::new(tool)
        .args(
            arguments
                .replace("FILE", path.to_str().unwrap())
                .split_whitespace(),
        )
        .output()
        .unwrap();
    let told = String::from_utf8_lossy(&output.stderr);
    assert!(
        output.status.success() && told.is_empty(),
        "{arguments}: {told}"
    );
    String::from_utf8(output.stdout).unwrap()
}

/// Against ffprobe and ffmpeg: the packets, the pictures that they decode to, and the lengths.
#[test]
fn other_readers_see_the_same_key_frames() {
    if !tools() {
        return;
    }
    let folder = tempfile::tempdir().unwrap();
    for (name, coding) in [
        ("plain", "-c:v libx264 -preset veryfast -g 10 -bf 0"),
        ("reordered", "-c:v libx264 -preset veryfast -g 12 -bf 2"),
        (
            "h265",
            "-c:v libx265 -preset ultrafast -x265-params log-level=none:keyint=10 -tag:v hvc1",
        ),
    ] {
        let path = folder.path().join(format!("{name}.mp4"));
        let make = format!(
            "-v error -nostdin -y -f lavfi -i testsrc2=size=192x108:rate=10:duration=6 -f lavfi -i \
             sine=frequency=440:sample_rate=16000:duration=6 {coding} -pix_fmt yuv420p -c:a aac \
             {FRAGMENTED} -write_prft wallclock FILE"
        );
        run("ffmpeg", &make, &path);
        let bytes = std::fs::read(&path).unwrap();
        let (copy, keys) = thinned(&bytes).unwrap();
        let thin_path = folder.path().join(format!("{name}-thin.mp4"));
        std::fs::write(&thin_path, &copy).unwrap();

        let packets = |path: &Path| -> Vec<(String, bool)> {
            let entries =
                "-v error -select_streams v -show_entries packet=pts,size,flags -of csv=p=0 FILE";
            let told = run("ffprobe", entries, path);
            let lines = told.lines().filter(|line| !line.trim().is_empty());
            let mut all: Vec<_> = lines
                .map(|line| {
                    let (rest, flags) = line.trim_end_matches(',').rsplit_once(',').unwrap();
                    (rest.to_owned(), flags.starts_with('K'))
                })
                .collect();
            all.sort();
            all
        };
        let (before, after) = (packets(&path), packets(&thin_path));
        let wanted: Vec<_> = before.into_iter().filter(|(_, key)| *key).collect();
        assert!(wanted.len() >= 5, "{name}: {}", wanted.len());
        assert_eq!(wanted, after, "{name}");
        assert_eq!(keys as usize, after.len());
        assert!(
            copy.len() * 2 < bytes.len(),
            "{name}: {} of {}",
            copy.len(),
            bytes.len()
        );

        // One stream; as long as the pictures were.
        let streams = run(
            "ffprobe",
            "-v error -show_entries stream=codec_type -of csv=p=0 FILE",
            &thin_path,
        );
        assert_eq!(streams.trim().trim_end_matches(','), "video");
        let length = |path: &Path| -> f64 {
            let entries =
                "-v error -select_streams v -show_entries stream=duration -of csv=p=0 FILE";
            let told = run("ffprobe", entries, path);
            told.trim().trim_end_matches(',').parse().unwrap()
        };
        // Reordered, the last key frame's end is told in the order of decoding: a picture or two off.
        let lengths = (length(&path), length(&thin_path));
        assert!((lengths.0 - lengths.1).abs() <= 0.25, "{name}: {lengths:?}");
        // The pictures, as they are decoded.
        let pictures = |path: &Path| {
            let decode =
                "-v error -skip_frame nokey -i FILE -map 0:v -vsync passthrough -f framemd5 -";
            let told = run("ffmpeg", decode, path);
            let sums = told.lines().filter(|line| !line.starts_with('#'));
            let sum = |line: &str| line.rsplit(',').next().unwrap().trim().to_owned();
            sums.map(sum).collect::<Vec<_>>()
        };
        assert_eq!(pictures(&path), pictures(&thin_path), "{name}");
        // And what the ledger reads of it.
        assert_eq!(recorded(&bytes).spans, recorded(&copy).spans, "{name}");
    }
}
