//! Streams that are cut off, changed or incomplete.

use std::collections::BTreeMap;

use bytes::Bytes;
use forebay::hold::{Codec, Unit};
use forebay::pictures::{DecodeFault, Decoded, Decoder, DecoderOptions};

use crate::clips::{self, Clip};
use crate::{decoder, samples};

fn some_clips() -> Vec<(&'static str, Clip)> {
    vec![
        (
            "H.264 High",
            clips::h264("320x240", 12, "keyint=4:bframes=0:crf=30", ""),
        ),
        (
            "H.264 Baseline",
            clips::h264("320x240", 12, "keyint=4", "-profile:v baseline"),
        ),
        (
            "H.264 slices",
            clips::h264("320x240", 12, "keyint=4:slices=3:bframes=0", ""),
        ),
        (
            "H.265",
            clips::h265("320x240", 12, "keyint=4:bframes=0", ""),
        ),
        (
            "H.265 slices",
            clips::h265("320x240", 12, "keyint=4:bframes=0:slices=3", ""),
        ),
    ]
}

fn changed(unit: &Unit, payload: Bytes) -> Unit {
    Unit {
        payload,
        ..unit.clone()
    }
}

/// Key frames of which one NAL unit ends early, by 1 to all of its bytes: none is passed on but
/// with the very picture of the whole one.
#[tokio::test(flavor = "multi_thread")]
async fn cut_off_key_frames_are_never_passed_on() {
    if clips::ffmpeg().is_none() {
        return;
    }
    for (name, clip) in some_clips() {
        never_passed_on(name, &clip, decoder(None), 40).await;
    }
}

/// Nor by the second decoder, which by itself passes on what a camera has left out.
#[tokio::test(flavor = "multi_thread")]
async fn cut_off_key_frames_are_never_passed_on_by_the_second_decoder() {
    let Some(ffmpeg) = clips::ffmpeg() else {
        return;
    };
    let interlaced = "-pix_fmt yuv420p -flags +ildct+ilme";
    for (codec, options, more) in [
        ("H.264", "slices=3", "-pix_fmt gray"),
        ("H.264", "slices=3:cabac=0", "-pix_fmt gray"),
        ("H.264", "slices=3", "-pix_fmt yuv422p10le"),
        ("H.264", "slices=3", "-pix_fmt yuv444p"),
        ("H.264", "slices=2", interlaced),
        ("H.265", "slices=3", "-pix_fmt yuv422p"),
        ("H.265", "slices=3", "-pix_fmt yuv420p12le"),
        ("H.265", "slices=1", "-pix_fmt gray"),
    ] {
        let options = format!("keyint=2:bframes=0:{options}");
        let clip = match codec {
            "H.264" => clips::h264("320x240", 4, &options, more),
            _ => clips::h265("320x240", 4, &options, more),
        };
        let name = format!("{codec} {options} {more}");
        never_passed_on(&name, &clip, decoder(Some(ffmpeg.clone())), 12).await;
    }
}

async fn never_passed_on(name: &str, clip: &Clip, mut decoder: Decoder, rounds: u32) {
    let mut random = fastrand::Rng::with_seed(11);
    let (mut refused, mut equal) = (0, 0);
    for index in clip.keys() {
        let unit = &clip.units[index];
        let whole = decoder.decode_key(unit).await.unwrap();
        let nals = clips::nals_of(&unit.payload);
        let slices: Vec<usize> = (0..nals.len())
            .filter(|at| match clip.codec {
                Codec::H264 => nals[*at][0] & 31 == 5,
                _ => nals[*at][0] >> 1 & 63 < 32,
            })
            .collect();
        for _ in 0..rounds {
            let which = slices[random.usize(..slices.len())];
            let length = nals[which].len();
            // Every other time close to the end, where it is hard to see.
            let cut = match random.bool() {
                true => random.usize(1..=8),
                false => random.usize(1..length),
            };
            let mut nals = nals.clone();
            nals[which] = &nals[which][..length - cut];
            let broken = changed(unit, clips::payload_of(&nals));
            match decoder.decode_key(&broken).await {
                Err(DecodeFault::Damaged(_)) => refused += 1,
                Err(other) => panic!("{name}: {other}"),
                Ok(decoded) if decoded == whole => equal += 1,
                Ok(_) => {
                    panic!("{name}: a wrong picture of a slice without its last {cut} bytes")
                }
            }
        }
        // A slice less.
        if slices.len() > 1 {
            for missing in &slices {
                let mut nals = nals.clone();
                nals.remove(*missing);
                let broken = changed(unit, clips::payload_of(&nals));
                match decoder.decode_key(&broken).await {
                    Err(DecodeFault::Damaged(_)) => {}
                    other => panic!("{name}, slice {missing} missing: {other:?}"),
                }
            }
        }
    }
    println!("{name}: {refused} refused, {equal} equal without what was cut off");
    assert!(refused > 9 * equal || rounds < 40, "{name}");
    assert!(refused > equal, "{name}");
}

/// The same within a stream; and units that are missing. What comes is always right.
#[tokio::test(flavor = "multi_thread")]
async fn a_stream_with_losses_shows_what_is_right_or_nothing() {
    if clips::ffmpeg().is_none() {
        return;
    }
    let mut random = fastrand::Rng::with_seed(12);
    for (name, clip) in some_clips() {
        let mut right: BTreeMap<u64, Decoded> = BTreeMap::new();
        let mut decoder = decoder(None);
        for unit in &clip.units {
            if let Some((decoded, number)) = decoder.decode_next(unit).await.unwrap() {
                right.insert(number, decoded);
            }
        }
        let (mut shown, mut faults) = (0, 0);
        for _ in 0..12 {
            let victim = random.usize(1..clip.units.len());
            let missing = random.bool();
            for (index, unit) in clip.units.iter().enumerate() {
                let unit = if index != victim {
                    unit.clone()
                } else if missing {
                    continue;
                } else {
                    let nals = clips::nals_of(&unit.payload);
                    let (last, rest) = nals.split_last().unwrap();
                    let kept = last.len() - random.usize(1..last.len().min(30));
                    let nals = [rest, &[&last[..kept]]].concat();
                    changed(unit, clips::payload_of(&nals))
                };
                match decoder.decode_next(&unit).await {
                    Ok(None) => {}
                    Ok(Some((decoded, number))) => {
                        shown += 1;
                        if let Some(right) = right.get(&number) {
                            assert!(decoded == *right, "{name}: unit {number} after {victim}");
                        }
                    }
                    Err(DecodeFault::Damaged(_)) => faults += 1,
                    Err(other) => panic!("{name}: {other}"),
                }
            }
        }
        println!("{name}: {shown} shown, {faults} faults");
        assert!(shown > 0 && faults > 0, "{name}");
    }
}

/// The end of a picture may have been put behind what came of it.
#[tokio::test(flavor = "multi_thread")]
async fn cut_off_jpeg_is_never_passed_on() {
    if clips::ffmpeg().is_none() {
        return;
    }
    let mut random = fastrand::Rng::with_seed(14);
    let mut decoder = decoder(None);
    let (mut refused, mut equal) = (0, 0);
    for format in ["yuvj420p", "yuvj422p"] {
        let clip = clips::jpeg("320x240", format);
        let unit = &clip.units[0];
        let whole = decoder.decode_key(unit).await.unwrap();
        let length = unit.payload.len();
        for round in 0..60 {
            let cut = match random.bool() {
                true => random.usize(3..20),
                false => random.usize(3..length - 700),
            };
            let mut payload = unit.payload[..length - cut].to_vec();
            if round % 4 != 0 {
                payload.extend([0xff, 0xd9]);
            }
            match decoder.decode_key(&changed(unit, payload.into())).await {
                Err(DecodeFault::Damaged(_)) => refused += 1,
                Err(other) => panic!("{format}: {other}"),
                Ok(decoded) if decoded == whole => equal += 1,
                Ok(_) => panic!("{format}: a wrong picture without its last {cut} bytes"),
            }
        }
    }
    println!("JPEG: {refused} refused, {equal} equal without what was cut off");
    assert!(refused > 9 * equal);
}

/// Thousands of changed units: each ends in a picture or a fault, within its bounds.
#[tokio::test(flavor = "multi_thread")]
async fn changed_streams_cost_one_picture() {
    if clips::ffmpeg().is_none() {
        return;
    }
    let rounds = std::env::var("FOREBAY_MUTATIONS").map_or(3000, |text| text.parse().unwrap());
    let mut random = fastrand::Rng::with_seed(13);
    let mut clips = some_clips();
    clips.push(("JPEG", clips::jpeg("320x240", "yuvj420p")));
    let options = DecoderOptions::default();
    let bound = options.memory.as_usize();
    let mut decoder = Decoder::new(crate::ENGINE.clone(), options);
    let mut tally: BTreeMap<&str, u32> = BTreeMap::new();
    let mut memory_max = 0;
    for round in 0..rounds {
        let (name, clip) = &clips[random.usize(..clips.len())];
        let unit = &clip.units[random.usize(..clip.units.len())];
        let mut payload = unit.payload.to_vec();
        let mut configuration = unit.track.decoder_configuration.to_vec();
        let target = if random.u8(..4) == 0 && !configuration.is_empty() {
            &mut configuration
        } else {
            &mut payload
        };
        for _ in 0..random.u8(1..6) {
            // Heads more often than the rest.
            let end = if random.bool() {
                target.len()
            } else {
                target.len().min(48)
            };
            let place = random.usize(..end);
            target[place] = match random.u8(..3) {
                0 => target[place] ^ 1 << random.u8(..8),
                1 => random.u8(..),
                _ => [0, 0xff, 0x80, 1][random.usize(..4)],
            };
        }
        let same = configuration == unit.track.decoder_configuration;
        let track = match same {
            true => unit.track.clone(),
            false => clips::track(clip.codec, 1000 + round, configuration.into()),
        };
        let broken = Unit {
            payload: payload.into(),
            track,
            ..unit.clone()
        };
        let result = match random.bool() {
            true => decoder.decode_key(&broken).await.map(drop),
            false => decoder.decode_next(&broken).await.map(drop),
        };
        memory_max = memory_max.max(decoder.memory_bytes());
        let kind = match result {
            Ok(()) => "pictures, or waiting",
            Err(DecodeFault::Damaged(_)) => "damaged",
            Err(DecodeFault::Unsupported(_)) => "unsupported",
            Err(DecodeFault::Refused(_)) => "refused",
            Err(DecodeFault::Ended(text)) => {
                println!("{name}, round {round}: {text}");
                "ended"
            }
        };
        *tally.entry(kind).or_default() += 1;
        if same && round % 8 == 0 {
            // Whatever it was, it says nothing of the next one of the same stream.
            let whole = decoder.decode_key(&clip.units[0]).await;
            assert!(whole.is_ok(), "{name}, round {round}: {whole:?}");
        }
    }
    println!(
        "{rounds} changed units: {tally:?}; memory up to {} MiB",
        memory_max >> 20
    );
    assert!(memory_max <= bound);
    // And the next one that is whole comes out.
    let (_, clip) = &clips[0];
    let decoded = decoder.decode_key(&clip.units[0]).await.unwrap();
    assert_eq!(samples(&decoded), clip.alone(0));
}

/// A decoder without enough memory ends; the next picture gets a new one.
#[tokio::test(flavor = "multi_thread")]
async fn memory_and_time_are_bounded() {
    if clips::ffmpeg().is_none() {
        return;
    }
    let clip = clips::h264("1280x720", 2, "keyint=1", "");
    let small = DecoderOptions {
        memory: "8 MiB".parse().unwrap(),
        ..DecoderOptions::default()
    };
    let fault = Decoder::new(crate::ENGINE.clone(), small)
        .decode_key(&clip.units[0])
        .await
        .unwrap_err();
    assert_eq!(
        fault,
        DecodeFault::Ended(
            "it wanted more memory than 8 MiB (`[pictures] decoder_memory`)".to_owned()
        )
    );
    let hasty = DecoderOptions {
        call: std::time::Duration::from_nanos(1),
        ..DecoderOptions::default()
    };
    let large = clips::h265("3840x2160", 1, "keyint=1:preset=ultrafast", "");
    let fault = Decoder::new(crate::ENGINE.clone(), hasty)
        .decode_key(&large.units[0])
        .await
        .unwrap_err();
    assert!(
        matches!(&fault, DecodeFault::Ended(text) if text.contains("decode_seconds")),
        "{fault}"
    );
}

/// What is enough by default for the largest pictures that are let through; and what a stream
/// without enough has to say.
#[tokio::test(flavor = "multi_thread")]
async fn memory_is_enough_for_2160p() {
    if clips::ffmpeg().is_none() {
        return;
    }
    let preset = "-preset ultrafast";
    for (name, clip) in [
        (
            "H.264, 3840x2160",
            clips::h264("3840x2160", 1, "keyint=1:crf=23", preset),
        ),
        (
            "H.265, 3840x2160",
            clips::h265("3840x2160", 1, "keyint=1:crf=23", preset),
        ),
        (
            "H.265, 4096x2304",
            clips::h265("4096x2304", 2, "keyint=2:bframes=0:crf=23", preset),
        ),
    ] {
        let mut enough = decoder(None);
        let decoded = enough.decode_key(&clip.units[0]).await.unwrap();
        crate::assert_same(name, samples(&decoded), &clip.alone(0));
        let (mib, kib) = (
            enough.memory_bytes() >> 20,
            clip.units[0].payload.len() >> 10,
        );
        println!("{name}: {mib} MiB for a key frame of {kib} KiB");
        let scant = DecoderOptions {
            memory: "40 MiB".parse().unwrap(),
            call: std::time::Duration::from_secs(30),
            ..DecoderOptions::default()
        };
        let fault = Decoder::new(crate::ENGINE.clone(), scant)
            .decode_key(&clip.units[0])
            .await
            .unwrap_err();
        assert_eq!(
            fault.to_string(),
            "the decoder ended: it wanted more memory than 40 MiB (`[pictures] decoder_memory`)",
            "{name}"
        );
    }
}
