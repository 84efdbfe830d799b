#![allow(clippy::unwrap_used, clippy::indexing_slicing)]

use proptest::prelude::*;

use super::*;

/// A box in the notation of ISO/IEC 14496-12 §4.2.
pub(in super::super) fn mp4_box(kind: &[u8; 4], body: &[u8]) -> Vec<u8> {
    let size = u32::try_from(body.len() + 8).unwrap();
    [&size.to_be_bytes()[..], kind, body].concat()
}

fn full_box(kind: &[u8; 4], fields: &[u32]) -> Vec<u8> {
    let body: Vec<u8> = fields
        .iter()
        .flat_map(|field| field.to_be_bytes())
        .collect();
    mp4_box(kind, &body)
}

/// `ftyp` and `moov` with one track. `duration` goes to all boxes that have one.
fn header_with(duration: u32, samples: u32) -> Vec<u8> {
    let stbl = mp4_box(b"stbl", &full_box(b"stts", &[0, samples]));
    let mdia = [
        full_box(b"mdhd", &[0, 0, 0, 1000, duration, 0]),
        mp4_box(b"minf", &stbl),
    ]
    .concat();
    let trak = [
        full_box(b"tkhd", &[3, 0, 0, 1, 0, duration, 0]),
        mp4_box(b"mdia", &mdia),
    ]
    .concat();
    let mvex = [
        full_box(b"mehd", &[0, duration]),
        full_box(b"trex", &[0, 1, 1, 0, 0, 0]),
    ]
    .concat();
    let moov = [
        full_box(b"mvhd", &[0, 0, 0, 1000, duration, 0]),
        mp4_box(b"trak", &trak),
        mp4_box(b"mvex", &mvex),
    ]
    .concat();
    [mp4_box(b"ftyp", b"iso6\0\0\0\0"), mp4_box(b"moov", &moov)].concat()
}

pub(in super::super) fn header() -> Vec<u8> {
    header_with(0, 0)
}

fn moof() -> Vec<u8> {
    let traf = mp4_box(b"traf", &full_box(b"tfhd", &[0x02_0000, 1]));
    mp4_box(b"moof", &[full_box(b"mfhd", &[0, 1]), traf].concat())
}

/// `prft`, `moof` and an `mdat` with this in it.
pub(in super::super) fn fragment(data: &[u8]) -> Vec<u8> {
    [full_box(b"prft", &[0; 6]), moof(), mp4_box(b"mdat", data)].concat()
}

fn whole(bytes: &[u8]) -> Option<(u64, u64)> {
    whole_prefix(bytes)
        .ok()
        .map(|whole| (whole.bytes, whole.fragments))
}

#[test]
fn cuts_at_each_place() {
    let (header, one, two) = (header(), fragment(b"one"), fragment(b"second"));
    let file = [&header[..], &one, &two].concat();
    let first_end = header.len() + one.len();
    for cut in 0..=file.len() {
        let expected = match cut {
            _ if cut == file.len() => Some((cut as u64, 2)),
            _ if cut >= first_end => Some((first_end as u64, 1)),
            _ => None,
        };
        assert_eq!(whole(&file[..cut]), expected, "cut at {cut}");
    }
}

#[test]
fn says_why_nothing_is_whole() {
    let (header, fragment) = (header(), fragment(b"x"));
    let reason = |bytes: &[u8]| whole_prefix(bytes).unwrap_err().to_string();
    for not_mp4 in [&b""[..], b"GIF89a..........", &header[..15], &moof()] {
        assert!(reason(not_mp4).contains("begin"), "{not_mp4:?}");
    }
    assert!(reason(&header[..header.len() - 1]).contains("movie header"));
    assert!(reason(&[&header[..16], &fragment].concat()).contains("movie header"));
    assert!(reason(&header).contains("no whole fragment"));
    assert!(reason(&[&header[..], &fragment[..fragment.len() - 1]].concat()).contains("fragment"));
    // A plain movie without fragments can't be told from a cut one.
    let plain = mp4_box(b"moov", &full_box(b"mvhd", &[0; 6]));
    assert!(reason(&[&header[..16], &plain].concat()).contains("movie header"));
}

#[test]
fn sizes_of_all_kinds() {
    let whole_file = [header(), fragment(b"x")].concat();
    let len = whole_file.len() as u64;
    let with = |tail: &[u8]| whole(&[&whole_file[..], tail].concat());
    // Less than a header, to the end of the file, and largesize: less than its header, overflow.
    for size in [0_u32, 2, 7, 1, u32::MAX] {
        for large in [0_u64, 15, u64::MAX, u64::MAX - len] {
            let tail = [&size.to_be_bytes()[..], b"mdat", &large.to_be_bytes()].concat();
            assert_eq!(
                with(&tail),
                Some((len, 1)),
                "size {size}, largesize {large}"
            );
        }
    }
    // A fragment whose data has a largesize.
    let large = [
        &1_u32.to_be_bytes()[..],
        b"mdat",
        &19_u64.to_be_bytes(),
        b"abc",
    ]
    .concat();
    let tail = [moof(), large].concat();
    assert_eq!(with(&tail), Some((len + tail.len() as u64, 2)));
    assert_eq!(with(&tail[..tail.len() - 1]), Some((len, 1)));
}

#[test]
fn damaged_fragments_end_the_whole_part() {
    let whole_file = [header(), fragment(b"x")].concat();
    let data = mp4_box(b"mdat", b"y");
    let mfhd = full_box(b"mfhd", &[0, 1]);
    let traf = mp4_box(b"traf", &full_box(b"tfhd", &[0, 1]));
    for body in [
        vec![],
        mfhd.clone(),
        traf.clone(),
        [&mfhd[..], &mp4_box(b"traf", &[])].concat(),
        [&mfhd[..], &mp4_box(b"traf", &mp4_box(b"tfhd", &[0; 7]))].concat(),
        [&mp4_box(b"mfhd", &[0; 7])[..], &traf].concat(),
        [&mfhd[..], &mfhd, &traf].concat(),
        [&mfhd[..], &traf, &[0; 4]].concat(),
        [&mfhd[..], &traf, &[0, 0, 0, 9, b'f', b'r', b'e', b'e']].concat(),
    ] {
        let file = [&whole_file[..], &mp4_box(b"moof", &body), &data].concat();
        assert_eq!(whole(&file), Some((whole_file.len() as u64, 1)), "{body:?}");
    }
    let good = [
        &whole_file[..],
        &mp4_box(b"moof", &[mfhd, traf].concat()),
        &data,
    ]
    .concat();
    assert_eq!(whole(&good), Some((good.len() as u64, 2)));
}

#[test]
fn what_follows_the_last_fragment() {
    let file = [header(), fragment(b"x")].concat();
    let len = file.len() as u64;
    let mfra = mp4_box(b"mfra", &full_box(b"mfro", &[0, 24]));
    let with = |tail: &[u8]| whole(&[&file[..], tail].concat()).unwrap();
    assert_eq!(with(&mfra), (len + mfra.len() as u64, 1));
    for cut in 0..mfra.len() {
        assert_eq!(with(&mfra[..cut]), (len, 1), "index cut at {cut}");
    }
    // What announces a fragment is worth nothing without it.
    for kind in [b"styp", b"prft", b"emsg", b"sidx"] {
        assert_eq!(with(&mp4_box(kind, &[0; 24])), (len, 1));
    }
    // Blocks that a power cut left as zeros.
    assert_eq!(with(&[0; 4096]), (len, 1));
}

#[test]
fn a_large_movie_header_is_not_read() {
    struct Sparse(Vec<u8>, u64);
    impl Source for Sparse {
        fn size(&self) -> u64 {
            self.1
        }
        fn read_exact_at(&self, offset: u64, buffer: &mut [u8]) -> io::Result<()> {
            assert!(buffer.len() as u64 <= MOVIE_BYTES_MAX);
            buffer.fill(0);
            let start = usize::try_from(offset).unwrap();
            let known = self.0.get(start..).unwrap_or_default();
            let len = known.len().min(buffer.len());
            buffer[..len].copy_from_slice(&known[..len]);
            Ok(())
        }
    }
    let ftyp = mp4_box(b"ftyp", b"iso6\0\0\0\0");
    let moov = [&3_000_000_000_u32.to_be_bytes()[..], b"moov"].concat();
    let result = whole_prefix(&Sparse([ftyp, moov].concat(), 4_000_000_000));
    assert!(matches!(result, Err(Unrepairable::NoHeader)));
}

fn patched(mut file: Vec<u8>) -> Vec<u8> {
    for Patch { offset, bytes } in stale_durations(&file[..]).unwrap() {
        let offset = usize::try_from(offset).unwrap();
        file[offset..offset + bytes.len()].copy_from_slice(&bytes);
    }
    file
}

#[test]
fn stale_durations_go() {
    let tail = fragment(b"x");
    let file = |duration, samples| [header_with(duration, samples), tail.clone()].concat();
    let unset = file(0, 0);
    assert_eq!(stale_durations(&unset[..]).unwrap(), []);
    assert_eq!(stale_durations(&file(u32::MAX, 0)[..]).unwrap(), []);

    let fixed = patched(file(90_000, 0));
    // All equal to the file that never told a duration, but for the box that was `mehd`.
    let differing: Vec<_> = (0..unset.len())
        .filter(|at| fixed[*at] != unset[*at])
        .collect();
    let mehd = unset.windows(4).position(|bytes| bytes == b"mehd").unwrap();
    assert!(
        differing.iter().all(|at| (mehd..mehd + 12).contains(at)),
        "{differing:?}"
    );
    assert_eq!(&fixed[mehd..mehd + 4], b"free");
    assert_eq!(patched(fixed.clone()), fixed);
    assert_eq!(whole(&fixed), whole(&unset));

    // Where the movie header has samples of its own, its durations are those.
    let own = patched(file(90_000, 1));
    let expected = file(90_000, 1);
    let differing: Vec<_> = (0..own.len())
        .filter(|at| own[*at] != expected[*at])
        .collect();
    assert_eq!(differing, (mehd..mehd + 4).collect::<Vec<_>>());
}

#[test]
fn durations_of_version_1() {
    // Offsets by ISO/IEC 14496-12 §8.2.2.2, §8.3.2.2, §8.4.2.2, §8.8.2.2, written out by hand.
    let one = 1_u32 << 24;
    let mvhd = full_box(b"mvhd", &[one, 0, 0, 0, 0, 1000, 0, 77, 5]);
    let mdhd = full_box(b"mdhd", &[one, 0, 0, 0, 0, 1000, 0, 77, 5]);
    let tkhd = full_box(b"tkhd", &[one, 0, 0, 0, 0, 1, 0, 0, 77, 5]);
    let trak = mp4_box(b"trak", &[tkhd, mp4_box(b"mdia", &mdhd)].concat());
    let mvex = mp4_box(b"mvex", &full_box(b"mehd", &[one, 0, 77]));
    let moov = mp4_box(b"moov", &[mvhd, trak, mvex].concat());
    let file = [mp4_box(b"ftyp", b"iso6\0\0\0\0"), moov, fragment(b"x")].concat();
    let fixed = patched(file);
    let left = |byte| fixed.iter().filter(|other| **other == byte).count();
    assert_eq!(
        (left(77), left(5)),
        (1, 3),
        "only the free box keeps the old duration"
    );
}

/// Pieces of files, whole and damaged, in any order.
fn pieces() -> impl Strategy<Value = Vec<u8>> {
    let raw = proptest::collection::vec(any::<u8>(), 0..40);
    let kinds = prop_oneof![
        Just(*b"moof"),
        Just(*b"mdat"),
        Just(*b"moov"),
        Just(*b"mfra"),
        Just(*b"free"),
        Just(*b"styp"),
        Just(*b"traf"),
        any::<[u8; 4]>()
    ];
    let sized = (kinds, any::<u32>().prop_map(|size| size % 64), raw.clone());
    let piece = prop_oneof![
        4 => raw.clone().prop_map(|data| fragment(&data)),
        1 => Just(header()),
        1 => Just(moof()),
        1 => raw.clone().prop_map(|data| mp4_box(b"mdat", &data)),
        1 => raw.clone().prop_map(|data| mp4_box(b"mfra", &data)),
        1 => raw,
        2 => sized.prop_map(|(kind, size, body)| [&size.to_be_bytes()[..], &kind, &body].concat()),
    ];
    let pieces = proptest::collection::vec(piece, 0..8).prop_map(|pieces| pieces.concat());
    (any::<bool>(), pieces).prop_map(|(good, rest)| {
        if good {
            [header(), rest].concat()
        } else {
            rest
        }
    })
}

proptest! {
    #[test]
    fn the_whole_part_stays_whole(file in pieces(), cut in any::<prop::sample::Index>()) {
        if let Some((bytes, fragments)) = whole(&file) {
            prop_assert!(bytes <= file.len() as u64 && fragments > 0);
            let kept = &file[..usize::try_from(bytes).unwrap()];
            prop_assert_eq!(whole(kept), Some((bytes, fragments)));
            prop_assert_eq!(stale_durations(kept).unwrap(), stale_durations(&file[..]).unwrap());
        }
        // Less never gives more.
        let shorter = whole(&file[..cut.index(file.len() + 1)]);
        prop_assert!(shorter.unwrap_or_default().0 <= whole(&file).unwrap_or_default().0);
    }

    #[test]
    fn garbage_behind_takes_nothing_away(file in pieces(), tail in pieces()) {
        if let Some((bytes, fragments)) = whole(&file) {
            let kept = &file[..usize::try_from(bytes).unwrap()];
            let (more, count) = whole(&[kept, &tail[..]].concat()).unwrap();
            prop_assert!(more >= bytes && count >= fragments);
        }
    }
}
