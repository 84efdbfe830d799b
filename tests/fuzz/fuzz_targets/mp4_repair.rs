//! The repair of an MP4 on whatever a power cut, or somebody else, left in the spool.
#![no_main]

use libfuzzer_sys::fuzz_target;

#[path = "../../../relay/src/archive/mp4.rs"]
#[allow(dead_code, reason = "reading footage back is not tried here")]
mod mp4;

use mp4::{Unrepairable, WholePrefix, stale_durations, whole_prefix};

/// `ftyp` and the least `moov` that counts as one of a fragmented movie: without it few inputs
/// would ever come to the fragments.
const HEADER: &[u8] = b"\x00\x00\x00\x10ftypiso6\x00\x00\x00\x00\
    \x00\x00\x00\x48moov\
    \x00\x00\x00\x20mvhd\x00\x00\x00\x00\x00\x00\x00\x00\x00\x00\x00\x00\x00\x00\x03\xe8\x00\x00\x00\x05\x00\x00\x00\x00\
    \x00\x00\x00\x08trak\
    \x00\x00\x00\x18mvex\x00\x00\x00\x10mehd\x00\x00\x00\x00\x00\x00\x00\x05";

fuzz_target!(|input: &[u8]| {
    let Some((choice, rest)) = input.split_first() else {
        return;
    };
    let file = if choice % 2 == 0 {
        [HEADER, rest].concat()
    } else {
        rest.to_vec()
    };
    let whole = match whole_prefix(&file[..]) {
        Ok(whole) => whole,
        // If the header above were not taken for one, nothing here would be tried.
        Err(reason) if file.starts_with(HEADER) => {
            assert!(matches!(reason, Unrepairable::NoFragment), "{reason}");
            return;
        }
        Err(_) => return,
    };
    assert!(whole.fragments > 0);
    // Never more than there is.
    let mut kept = file[..usize::try_from(whole.bytes).expect("fits")].to_vec();
    // Again on the whole part: the same.
    assert_eq!(whole_prefix(&kept[..]).ok(), Some(whole));

    // What comes behind takes nothing away, and a last byte cut off leaves no more than before.
    let behind = [&kept[..], rest].concat();
    let WholePrefix { bytes, fragments } = whole_prefix(&behind[..]).expect("it was whole");
    assert!(bytes >= whole.bytes && fragments >= whole.fragments);
    if let Ok(shorter) = whole_prefix(&kept[..kept.len() - 1]) {
        assert!(shorter.bytes < whole.bytes && shorter.fragments <= whole.fragments);
    }

    // The patches lie inside, change no structure, and leave nothing to patch.
    for patch in stale_durations(&kept[..]).expect("it has a movie header") {
        let start = usize::try_from(patch.offset).expect("fits");
        kept[start..start + patch.bytes.len()].copy_from_slice(&patch.bytes);
    }
    assert_eq!(whole_prefix(&kept[..]).ok(), Some(whole));
    assert_eq!(stale_durations(&kept[..]).ok(), Some(Vec::new()));
});
