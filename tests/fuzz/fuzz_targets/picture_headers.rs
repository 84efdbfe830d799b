//! Parameter sets and heads of slices, as a camera may send them: read, bounded, never a panic.

#![no_main]

use forebay_decoder::headers::{avc, hevc, nal_units};
use libfuzzer_sys::fuzz_target;

/// No level of either standard has sides of more.
const SIDE_MAX: u32 = 1 << 17;

fuzz_target!(|input: (Vec<u8>, Vec<u8>)| {
    let (configuration, payload) = input;
    let nals = nal_units(&payload).unwrap_or_default();
    if let Ok(sets) = avc::Sets::parse(&configuration) {
        for (sps, _) in &sets.sps {
            check(sps.size());
        }
        for nal in &nals {
            if let Ok(slice) = avc::Slice::parse(nal, &sets) {
                let (sps, _) = sets.of(slice.pps).expect("it named sets that are there");
                assert!(slice.frame_num < sps.frame_num_modulus());
            }
        }
    }
    if let Ok(sets) = hevc::Sets::parse(&configuration) {
        for sps in &sets.sps {
            check(sps.size());
            assert!(sps.blocks() > 0);
        }
        for nal in &nals {
            if let Ok(segment) = hevc::Segment::parse(nal, &sets) {
                assert!(sets.of(segment.pps).is_ok());
            }
        }
    }
    // A set for itself comes to more than one within a record.
    drop((avc::Sps::parse(&payload), avc::Pps::parse(&payload)));
    drop((hevc::Sps::parse(&payload), hevc::Pps::parse(&payload)));
});

fn check((width, height): (u32, u32)) {
    assert!((1..=SIDE_MAX).contains(&width) && (1..=SIDE_MAX).contains(&height));
}
