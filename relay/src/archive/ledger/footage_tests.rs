#![allow(
    clippy::unwrap_used,
    clippy::indexing_slicing,
    clippy::panic,
    clippy::print_stderr
)]

use proptest::prelude::*;

use super::*;
use crate::archive::ledger::spans::tests::at;
use crate::archive::mp4::tests::mp4_box;

const MS: i64 = 1_000_000;

/// 2026-05-04T07:31:00Z, by GNU date.
pub(in crate::archive::ledger) const BEGIN: i64 = 1_777_879_860 * SECOND;

/// A fragment of a track with 1000 ticks a second.
#[derive(Debug, Clone)]
pub(in crate::archive::ledger) struct Part {
    /// Capture time of the first sample, where the fragment tells one.
    pub(in crate::archive::ledger) captured: Option<i64>,
    pub(in crate::archive::ledger) decode: u64,
    pub(in crate::archive::ledger) durations: Vec<u32>,
    /// Presentation − decode times; none: all 0.
    pub(in crate::archive::ledger) offsets: Vec<i32>,
}

pub(in crate::archive::ledger) fn part(captured: i64, decode: u64, durations: &[u32]) -> Part {
    Part {
        captured: Some(captured),
        decode,
        durations: durations.to_vec(),
        offsets: Vec::new(),
    }
}

fn words(kind: &[u8; 4], words: &[u32]) -> Vec<u8> {
    let body: Vec<u8> = words.iter().flat_map(|word| word.to_be_bytes()).collect();
    mp4_box(kind, &body)
}

fn header(handler: &[u8; 4]) -> Vec<u8> {
    let hdlr = words(b"hdlr", &[0, 0, u32::from_be_bytes(*handler), 0, 0, 0]);
    let mdia = [words(b"mdhd", &[0, 0, 0, 1000, 0, 0]), hdlr].concat();
    let tkhd = words(b"tkhd", &[3, 0, 0, 1, 0, 0, 0]);
    let trak = [tkhd, mp4_box(b"mdia", &mdia)].concat();
    let trex = words(b"trex", &[0, 1, 1, 40, 0, 0]);
    let moov = [
        words(b"mvhd", &[0, 0, 0, 1000, 0, 0]),
        mp4_box(b"trak", &trak),
        mp4_box(b"mvex", &trex),
    ]
    .concat();
    [mp4_box(b"ftyp", b"iso6\0\0\0\0"), mp4_box(b"moov", &moov)].concat()
}

fn fragment(part: &Part) -> Vec<u8> {
    let mut bytes = Vec::new();
    let shift = part.offsets.first().copied().unwrap_or(0);
    if let Some(captured) = part.captured {
        let seconds = (captured.div_euclid(SECOND) + 2_208_988_800) as u32;
        // Rounded up, so that it reads back: RFC 5905 §6, 32 bits of fraction.
        let fraction = ((captured.rem_euclid(SECOND) << 32) as u64).div_ceil(SECOND as u64) as u32;
        let media = part.decode as u32 + shift as u32;
        bytes = words(b"prft", &[0, 1, seconds, fraction, media]);
    }
    let with_offsets = !part.offsets.is_empty();
    let flags = if with_offsets { 0x0100_0900 } else { 0x100 };
    let mut trun = vec![flags, part.durations.len() as u32];
    for (index, duration) in part.durations.iter().enumerate() {
        trun.push(*duration);
        trun.extend(part.offsets.get(index).map(|o| o.cast_unsigned()));
    }
    let traf = [
        words(b"tfhd", &[0x02_0000, 1]),
        words(b"tfdt", &[0x0100_0000, 0, part.decode as u32]),
        words(b"trun", &trun),
    ]
    .concat();
    let moof = [words(b"mfhd", &[0, 1]), mp4_box(b"traf", &traf)].concat();
    bytes.extend(mp4_box(b"moof", &moof));
    bytes.extend(mp4_box(b"mdat", b"coded"));
    bytes
}

pub(in crate::archive::ledger) fn file(parts: &[Part]) -> Vec<u8> {
    let mut bytes = header(b"vide");
    parts.iter().for_each(|part| bytes.extend(fragment(part)));
    bytes
}

fn spans(parts: &[Part]) -> Vec<(i64, i64)> {
    let recorded = read(&file(parts)[..], at(BEGIN), None).unwrap();
    // To the microsecond: NTP fractions are rounded.
    let short = |time: CaptureTime| (time.unix_nanos() - BEGIN + 500).div_euclid(1000);
    let short = |span: &Span| (short(span.begin), short(span.end));
    recorded.spans.iter().map(short).collect()
}

#[test]
fn fragments_without_a_hole_are_one_span() {
    let parts = [
        part(BEGIN, 0, &[40; 50]),
        part(BEGIN + 2000 * MS, 2000, &[40; 50]),
        // The estimate of capture times was repaired by 15 ms.
        part(BEGIN + 4015 * MS, 4000, &[40; 25]),
    ];
    assert_eq!(spans(&parts), [(0, 5_015_000)]);
    let recorded = read(&file(&parts)[..], at(BEGIN), None).unwrap();
    assert_eq!(recorded.frame_nanos, 40 * MS);
}

#[test]
fn a_hole_in_decode_times_is_a_hole() {
    let parts = [
        part(BEGIN, 0, &[40; 50]),
        part(BEGIN + 9000 * MS, 9000, &[40; 10]),
    ];
    assert_eq!(spans(&parts), [(0, 2_000_000), (9_000_000, 9_400_000)]);
}

#[test]
fn the_sample_that_tells_the_time_need_not_be_shown_first() {
    // Decoded I P B B, shown I B B P; all shown one sample late, as no offset may be negative:
    // the I picture is shown at 40, what comes first of all.
    let mut first = part(BEGIN, 0, &[40; 4]);
    first.offsets = vec![40, 120, 0, 0];
    assert_eq!(spans(std::slice::from_ref(&first)), [(0, 160_000)]);
    // Shown first is one that is decoded second: the group is open.
    first.offsets = vec![80, 0, 40, 40];
    assert_eq!(spans(&[first]), [(-40_000, 120_000)]);
}

#[test]
fn without_capture_times_the_name_counts() {
    let mut only = part(0, 700, &[40; 5]);
    only.captured = None;
    assert_eq!(spans(&[only]), [(0, 200_000)]);
    // No fragment at all: what the writer says.
    let header = header(b"vide");
    assert!(read(&header[..], at(BEGIN), None).is_err());
    let recorded = read(&header[..], at(BEGIN), Some(at(BEGIN + SECOND))).unwrap();
    assert_eq!(recorded.spans.len(), 1);
    assert!(
        read(
            &b"GIF89a.........."[..],
            at(BEGIN),
            Some(at(BEGIN + SECOND))
        )
        .is_err()
    );
}

#[test]
fn a_cut_fragment_does_not_count() {
    let whole = file(&[part(BEGIN, 0, &[40; 50])]);
    let next = fragment(&part(BEGIN + 2000 * MS, 2000, &[40; 50]));
    for cut in 0..next.len() {
        let bytes = [&whole[..], &next[..cut]].concat();
        let recorded = read(&bytes[..], at(BEGIN), None).unwrap();
        assert_eq!(recorded.spans.len(), 1, "cut at {cut}");
        assert!(recorded.spans[0].nanos().abs_diff(2 * SECOND) < 10, "{cut}");
    }
}

#[test]
fn eras_of_ntp() {
    // RFC 5905 §6, figure 4: era 1 begins at 2036-02-07 06:28:16.
    for second in [816_003_205, 2_085_978_495, 2_085_978_496, 2_085_978_500] {
        let captured = second * SECOND + 125 * MS;
        let bytes = file(&[part(captured, 0, &[40; 2])]);
        let recorded = read(&bytes[..], at(captured - 3 * SECOND), None).unwrap();
        let begin = recorded.spans[0].begin.unix_nanos();
        assert!(begin.abs_diff(captured) < 1000, "{second}: {begin}");
    }
}

#[test]
fn boasting_is_cut() {
    let boast = [part(BEGIN, 0, &[u32::MAX; 100])];
    assert_eq!(spans(&boast), [(0, AFTER_MAX / 1000)]);
    // Counts without a table cost no time.
    let mut bytes = header(b"vide");
    let traf = [
        words(b"tfhd", &[0x02_0000, 1]),
        words(b"tfdt", &[0, 0]),
        words(b"trun", &[0, u32::MAX]),
    ]
    .concat();
    bytes.extend(mp4_box(b"moof", &mp4_box(b"traf", &traf)));
    bytes.extend(mp4_box(b"mdat", b""));
    let recorded = read(&bytes[..], at(BEGIN), None).unwrap();
    assert_eq!(recorded.frame_nanos, 40 * MS);
}

/// Another writer's files: ffmpeg's, in real time, with wall-clock times in `prft`.
#[test]
fn files_of_ffmpeg() {
    let dir = tempfile::tempdir().unwrap();
    let path = dir.path().join("other.mp4");
    let before = CaptureTime::now();
    // Without lookahead: else it encodes all at the end, and all fragments tell the same time.
    let arguments = "-v error -re -f lavfi -i testsrc=size=64x48:rate=10 -f lavfi -i sine -t 2 \
                     -c:v libx264 -g 10 -bf 2 -threads 1 \
                     -x264-params rc-lookahead=0:sync-lookahead=0 -c:a aac -write_prft wallclock \
                     -movflags frag_keyframe+empty_moov+default_base_moof";
    let run = std::process::Command::new("ffmpeg")
        .args(arguments.split_whitespace())
        .arg(&path)
        .output();
    let Ok(run) = run else {
        let in_ci = std::env::var("CI").as_deref() == Ok("true");
        assert!(!in_ci, "ffmpeg is needed");
        eprintln!("skipped: there is no ffmpeg");
        return;
    };
    assert!(
        run.status.success(),
        "{}",
        String::from_utf8_lossy(&run.stderr)
    );
    let file = std::fs::read(&path).unwrap();
    let recorded = read(&file[..], before, None).unwrap();
    assert_eq!(recorded.frame_nanos, 100 * MS);
    // The clock is read when a fragment begins to be written, however busy the machine is.
    let [span] = recorded.spans[..] else {
        panic!("{recorded:?}");
    };
    assert!(span.begin > later(before, -3 * SECOND) && span.end < later(before, 20 * SECOND));
    assert!(
        (SECOND..4 * SECOND).contains(&span.nanos()),
        "{}",
        span.nanos()
    );
}

proptest! {
    #[test]
    fn no_damage_panics(
        parts in prop::collection::vec((0i64..100, 0u64..100_000, 1usize..5), 1..4),
        damage in prop::collection::vec((any::<prop::sample::Index>(), any::<u8>()), 0..8),
        cut in any::<prop::sample::Index>(),
    ) {
        let parts: Vec<_> = parts
            .iter()
            .map(|(captured, decode, n)| part(BEGIN + captured * SECOND, *decode, &vec![40; *n]))
            .collect();
        let mut bytes = file(&parts);
        for (place, byte) in damage {
            let place = place.index(bytes.len());
            bytes[place] = byte;
        }
        bytes.truncate(cut.index(bytes.len() + 1));
        if let Ok(recorded) = read(&bytes[..], at(BEGIN), Some(at(BEGIN + SECOND))) {
            prop_assert!(recorded.spans.windows(2).all(|w| w[0].end < w[1].begin));
            prop_assert!(recorded.spans.iter().all(|s| s.begin < s.end));
            prop_assert!(recorded.frame_nanos >= 0);
        }
    }
}
