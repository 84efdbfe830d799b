//! Streams that the built-in decoder must not be let at, and what the second one makes of them.

use forebay::pictures::{DecodeFault, Samples};

use crate::clips::{self, Clip};
use crate::{assert_same, decoder, samples};

async fn refusal(clip: &Clip) -> String {
    let mut decoder = decoder(None);
    let first = decoder.decode_key(&clip.units[0]).await.unwrap_err();
    // The same for all that follows.
    let again = decoder.decode_next(&clip.units[0]).await.unwrap_err();
    assert_eq!(again, first);
    match first {
        DecodeFault::Unsupported(text) | DecodeFault::Refused(text) => {
            // It has room in a finding, behind the name of the stream.
            assert!(text.len() < 200, "{} bytes: {text}", text.len());
            text
        }
        other => panic!("{other}"),
    }
}

#[tokio::test(flavor = "multi_thread")]
async fn streams_that_would_come_out_wrong_are_refused() {
    let Some(ffmpeg) = clips::ffmpeg() else {
        return;
    };
    let clip = clips::h264(
        "640x360",
        10,
        "keyint=5:slice-max-size=900:8x8dct=1:bframes=0",
        "",
    );
    let text = refusal(&clip).await;
    assert!(text.contains("slices that begin within a row"), "{text}");
    assert!(text.contains("[pictures] ffmpeg"), "{text}");
    let mut second = decoder(Some(ffmpeg));
    for index in clip.keys() {
        let decoded = second.decode_key(&clip.units[index]).await.unwrap();
        assert_same("slices within rows", samples(&decoded), &clip.alone(index));
    }
}

#[tokio::test(flavor = "multi_thread")]
async fn constrained_intra_is_good_for_key_frames() {
    if clips::ffmpeg().is_none() {
        return;
    }
    let options = "keyint=30:intra-refresh=1:constrained-intra=1:bframes=0";
    let clip = clips::h264("640x360", 40, options, "");
    let mut decoder = decoder(None);
    let mut shown = 0;
    for unit in &clip.units {
        if let Some((decoded, sequence)) = decoder.decode_next(unit).await.unwrap() {
            assert!(unit.random_access && sequence == unit.sequence);
            assert_same(
                "key frame",
                samples(&decoded),
                &clip.alone(sequence as usize),
            );
            shown += 1;
        }
    }
    assert_eq!(shown, clip.keys().len());
    let why = decoder.key_frames_only().unwrap();
    assert!(why.contains("constrained intra"), "{why}");
}

/// What the second decoder must give, made of ffmpeg's own samples: rounded to eight bits, chroma
/// averaged over two rows where there are as many as of luma.
fn expected(coded: &[u8], (width, height): (usize, usize), format: &str) -> Vec<u8> {
    let depth = [("10", 10), ("12", 12)]
        .into_iter()
        .find(|(word, _)| format.contains(word))
        .map_or(8, |(_, depth)| depth);
    let words: Vec<u32> = match depth {
        8 => coded.iter().map(|byte| u32::from(*byte)).collect(),
        _ => coded
            .chunks(2)
            .map(|pair| u32::from(pair[0]) | u32::from(pair[1]) << 8)
            .collect(),
    };
    let round = |value: f64| {
        (value / f64::from(1 << (depth - 8)) + 0.5)
            .floor()
            .min(255.0) as u8
    };
    let luma = width * height;
    let mut picture: Vec<u8> = words[..luma]
        .iter()
        .map(|word| round(f64::from(*word)))
        .collect();
    if format.starts_with("gray") {
        return picture;
    }
    let rows = if format.contains("422") { 2 } else { 1 };
    let (columns, plane) = (width / 2, width / 2 * (height / 2) * rows);
    for component in 0..2 {
        let begin = luma + component * plane;
        let chroma = &words[begin..begin + plane];
        for y in 0..height / 2 {
            for x in 0..columns {
                let sum: u32 = (0..rows)
                    .map(|row| chroma[(y * rows + row) * columns + x])
                    .sum();
                picture.push(round(f64::from(sum) / rows as f64));
            }
        }
    }
    picture
}

#[tokio::test(flavor = "multi_thread")]
async fn the_second_decoder_does_what_the_first_one_refuses() {
    let Some(ffmpeg) = clips::ffmpeg() else {
        return;
    };
    let interlaced = "-flags +ildct+ilme";
    let cases = [
        ("H.264", "gray", "", "monochrome"),
        ("H.264", "yuv420p10le", "", "10 bits"),
        ("H.264", "gray10le", "", "monochrome"),
        ("H.264", "yuv422p", "", "4:2:2"),
        ("H.264", "yuv422p10le", "", "4:2:2"),
        ("H.264", "yuv420p", interlaced, "interlaced"),
        ("H.265", "gray", "", "monochrome"),
        ("H.265", "yuv422p", "", "4:2:2"),
        ("H.265", "yuv420p12le", "", "12 bits"),
    ];
    for (codec, format, more, word) in cases {
        let more = format!("-pix_fmt {format} {more}");
        let clip = match codec {
            "H.264" => clips::h264("320x240", 4, "keyint=2:bframes=0", &more),
            _ => clips::h265("320x240", 4, "keyint=2:bframes=0", &more),
        };
        let text = refusal(&clip).await;
        assert!(
            text.contains(word) && text.contains("[pictures] ffmpeg"),
            "{format}: {text}"
        );
        let mut second = decoder(Some(ffmpeg.clone()));
        for index in clip.keys() {
            let (decoded, _) = second
                .decode_next(&clip.units[index])
                .await
                .unwrap()
                .unwrap();
            let gray = matches!(decoded.samples, Samples::Gray(_));
            assert_eq!(gray, format.starts_with("gray"), "{format}");
            // Asked for in the format that it was coded in, for gray the luma alone.
            let wanted = expected(&clip.alone(index), (320, 240), format);
            assert_same(&format!("{codec} {format}"), samples(&decoded), &wanted);
        }
        println!(
            "{codec} {format}: {} key frames by ffmpeg",
            clip.keys().len()
        );
    }
}

/// Bits of a parameter set up to its stop bit.
fn bits_of(set: &[u8]) -> Vec<bool> {
    let bits = set
        .iter()
        .flat_map(|byte| (0..8).rev().map(move |bit| byte >> bit & 1 == 1));
    let mut bits: Vec<bool> = bits.collect();
    while !bits.pop().unwrap() {}
    bits
}

/// Turns the last flag of a set, whether extensions follow, and puts these behind it: range
/// extensions with all that is new in them switched off.
fn extend(set: &mut Vec<u8>, tail: &str) {
    let mut bits = bits_of(set);
    assert_eq!(bits.pop(), Some(false), "it has extensions");
    // Extensions; range extensions, and none of the others.
    bits.extend(
        "11000_0000"
            .chars()
            .chain(tail.chars())
            .filter(|c| *c != '_')
            .map(|c| c == '1'),
    );
    bits.push(true);
    let byte = |bits: &[bool]| {
        (0..8).fold(0, |byte, at| {
            byte << 1 | u8::from(bits.get(at) == Some(&true))
        })
    };
    *set = bits.chunks(8).map(byte).collect();
}

/// Black of a slice that is missing looks like any other black.
#[tokio::test(flavor = "multi_thread")]
async fn monochrome_in_slices_is_not_let_at_any_decoder() {
    let Some(ffmpeg) = clips::ffmpeg() else {
        return;
    };
    let clip = clips::h265("320x240", 1, "keyint=1:slices=3", "-pix_fmt gray");
    let mut decoder = decoder(Some(ffmpeg));
    for _ in 0..2 {
        let fault = decoder.decode_key(&clip.units[0]).await.unwrap_err();
        let DecodeFault::Unsupported(text) = fault else {
            panic!("{fault}")
        };
        assert!(text.contains("several slices a picture"), "{text}");
        assert!(text.contains("choose another format"), "{text}");
    }
}

/// Range extensions by name or in fact, but for Main Intra without either (`exact.rs`).
#[tokio::test(flavor = "multi_thread")]
async fn range_extensions_are_the_second_decoders() {
    let Some(ffmpeg) = clips::ffmpeg() else {
        return;
    };
    let intra = || clips::h265("320x240", 3, "keyint=1", "");
    let mut cases = Vec::new();
    // Under another number, with predicted pictures: what it then may hold, nobody has tried.
    let mut clip = clips::h265("320x240", 4, "keyint=2:bframes=0", "");
    clip.change_sets(33, |sps| sps[3] = sps[3] & 0xe0 | 4);
    cases.push(("profile 4", clip));
    // `general_intra_constraint_flag`: the third flag of that byte.
    let mut clip = intra();
    clip.change_sets(33, |sps| {
        assert_eq!(sps[9..11], [0x9f, 0xa8], "{sps:x?}");
        sps[10] &= !0x20;
    });
    cases.push(("profile 4", clip));
    let mut clip = intra();
    clip.change_sets(33, |sps| sps[3] = 9);
    cases.push(("profile 9", clip));
    let mut clip = intra();
    clip.change_sets(33, |sps| extend(sps, "0000_0000_0"));
    cases.push(("SPS extensions", clip));
    let mut clip = intra();
    // No prediction across components, no list of offsets, two scales of 1.
    clip.change_sets(34, |pps| extend(pps, "0011"));
    cases.push(("PPS extensions", clip));
    for (word, clip) in cases {
        let text = refusal(&clip).await;
        assert!(text.contains(word), "{text}");
        assert!(text.contains("[pictures] ffmpeg"), "{text}");
        let mut second = decoder(Some(ffmpeg.clone()));
        for index in clip.keys() {
            let decoded = second.decode_key(&clip.units[index]).await.unwrap();
            assert_same(word, samples(&decoded), &clip.alone(index));
        }
    }
}

#[tokio::test(flavor = "multi_thread")]
async fn large_pictures_are_not_let_at_any_decoder() {
    let Some(ffmpeg) = clips::ffmpeg() else {
        return;
    };
    let clip = clips::h264("640x360", 1, "keyint=1", "");
    let options = forebay::pictures::DecoderOptions {
        pixels_max: 640 * 360,
        ffmpeg: Some(ffmpeg),
        ..Default::default()
    };
    let mut decoder = forebay::pictures::Decoder::new(crate::ENGINE.clone(), options);
    // 368 rows are coded.
    let fault = decoder.decode_key(&clip.units[0]).await.unwrap_err();
    let DecodeFault::Unsupported(text) = fault else {
        panic!("{fault}")
    };
    assert!(
        text.contains("640x368 is more than the 230400 pixels"),
        "{text}"
    );
}

#[tokio::test(flavor = "multi_thread")]
async fn a_second_decoder_that_is_not_there_is_told_of() {
    if clips::ffmpeg().is_none() {
        return;
    }
    let clip = clips::h264("320x240", 1, "keyint=1", "-pix_fmt gray");
    let mut decoder = decoder(Some("/nonexistent/ffmpeg".into()));
    let fault = decoder.decode_key(&clip.units[0]).await.unwrap_err();
    let DecodeFault::Unsupported(text) = fault else {
        panic!("{fault}")
    };
    assert!(
        text.contains("/nonexistent/ffmpeg") && text.contains("[pictures] ffmpeg"),
        "{text}"
    );
}

/// The kernel's limit and ours: a program that only burns time, one that only waits, one that
/// floods.
#[tokio::test(flavor = "multi_thread")]
async fn a_second_decoder_that_misbehaves_is_ended() {
    use std::os::unix::fs::PermissionsExt as _;
    if clips::ffmpeg().is_none() {
        return;
    }
    let clip = clips::h264("320x240", 1, "keyint=1", "-pix_fmt gray");
    let folder = tempfile::tempdir().unwrap();
    for (name, script) in [
        ("burns", "while :; do :; done"),
        ("waits", "exec sleep 1000"),
        ("floods", "exec cat /dev/zero"),
        ("fails", "echo broken >&2; exit 1"),
    ] {
        let program = folder.path().join(name);
        std::fs::write(&program, format!("#!/bin/sh\n{script}\n")).unwrap();
        std::fs::set_permissions(&program, std::fs::Permissions::from_mode(0o755)).unwrap();
        let options = forebay::pictures::DecoderOptions {
            ffmpeg: Some(program),
            call: std::time::Duration::from_secs(1),
            ..Default::default()
        };
        let mut decoder = forebay::pictures::Decoder::new(crate::ENGINE.clone(), options);
        let fault = decoder.decode_key(&clip.units[0]).await.unwrap_err();
        println!("{name}: {fault}");
        match name {
            "fails" => assert_eq!(
                fault,
                DecodeFault::Damaged("ffmpeg says: broken".to_owned())
            ),
            _ => assert!(matches!(fault, DecodeFault::Ended(_)), "{name}: {fault}"),
        }
    }
}
