//! Folders of JPEGs: when they were captured, and what else lies there.

#![allow(clippy::unwrap_used, clippy::indexing_slicing)]

use std::process::Command;

use jiff::Timestamp;

use super::*;

/// A TIFF with the tags of Exif 2.32 that tell a capture time, in front of a JPEG.
pub(in crate::lapse) fn with_exif(jpeg: &[u8], tags: &[(u16, &str)]) -> Vec<u8> {
    let mut tiff = b"II\x2a\0\x08\0\0\0\x01\0\x69\x87\x04\0\x01\0\0\0\x1a\0\0\0\0\0\0\0".to_vec();
    tiff.extend((tags.len() as u16).to_le_bytes());
    let mut data_at = tiff.len() + 12 * tags.len() + 4;
    let mut data = Vec::new();
    for (tag, text) in tags {
        let length = text.len() + 1;
        tiff.extend(tag.to_le_bytes());
        tiff.extend(2u16.to_le_bytes());
        tiff.extend((length as u32).to_le_bytes());
        if length <= 4 {
            let mut inline = text.as_bytes().to_vec();
            inline.resize(4, 0);
            tiff.extend(inline);
        } else {
            tiff.extend((data_at as u32).to_le_bytes());
            data.extend(text.as_bytes());
            data.push(0);
            data_at += length;
        }
    }
    tiff.extend([0; 4]);
    tiff.extend(data);
    let mut out = jpeg[..2].to_vec();
    out.extend([0xff, 0xe1]);
    out.extend((tiff.len() as u16 + 8).to_be_bytes());
    out.extend(b"Exif\0\0");
    out.extend(tiff);
    out.extend(&jpeg[2..]);
    out
}

#[test]
fn capture_times_are_those_of_exif() {
    const TAKEN: u16 = 0x9003;
    const OFFSET: u16 = 0x9011;
    const PART: u16 = 0x9291;
    let folder = tempfile::tempdir().unwrap();
    let jpeg = Frame::filled(64, 64, [90, 128, 128]).to_jpeg(80).unwrap();
    /// A name, tags, and the time that is in them.
    type Case = (
        &'static str,
        &'static [(u16, &'static str)],
        Option<&'static str>,
    );
    let cases: [Case; 6] = [
        (
            "a",
            &[
                (TAKEN, "2026:05:04 09:31:00"),
                (OFFSET, "+02:00"),
                (PART, "120"),
            ],
            Some("2026-05-04T07:31:00.12Z"),
        ),
        (
            "b",
            &[(TAKEN, "2026:05:04 09:31:07")],
            Some("2026-05-04T07:31:07Z"),
        ),
        (
            "c",
            &[(TAKEN, "2026:01:04 09:31:08")],
            Some("2026-01-04T08:31:08Z"),
        ),
        ("d", &[(TAKEN, "0000:00:00 00:00:00")], None),
        (
            "e-20260504-093109",
            &[(TAKEN, "2026:13:45 77:00:00")],
            Some("2026-05-04T07:31:09Z"),
        ),
        ("f", &[(TAKEN, "rubbish")], None),
    ];
    for (name, tags, _) in cases {
        std::fs::write(
            folder.path().join(format!("{name}.jpg")),
            with_exif(&jpeg, tags),
        )
        .unwrap();
    }
    let zone = TimeZone::get("Europe/Oslo").unwrap();
    let listing = Folder::new(folder.path().to_owned(), zone)
        .list(None, None)
        .unwrap();
    for (name, _, wanted) in cases {
        let found = listing
            .candidates
            .iter()
            .find(|c| c.source == format!("{name}.jpg"));
        let found = found.map(|c| Timestamp::from_nanosecond(c.at.into()).unwrap().to_string());
        assert_eq!(found.as_deref(), wanted, "{name}");
    }
    assert_eq!(
        listing.passed_over["no capture time in Exif or name"].count,
        2
    );
}

#[test]
fn capture_times_are_those_of_names_where_cameras_have_numbers_too() {
    let folder = tempfile::tempdir().unwrap();
    let jpeg = Frame::filled(64, 64, [90, 128, 128]).to_jpeg(80).unwrap();
    let at = |text: &str| {
        let at: Timestamp = text.parse().unwrap();
        i64::try_from(at.as_nanosecond()).unwrap()
    };
    // Shapes of names, as cameras and phones give them (common practice, no source).
    for (name, time) in [
        (
            "10.40.0.11_01_20260504073100123_still.jpg",
            "2026-05-04T07:31:00Z",
        ),
        ("cam01_20260504_073101.jpg", "2026-05-04T07:31:01Z"),
        ("yard-410_00_20260504073102.jpeg", "2026-05-04T07:31:02Z"),
        ("gate 2026-05-04 07.31.03.JPG", "2026-05-04T07:31:03Z"),
        (
            "serial 4711 0815 20260504-073104.jpg",
            "2026-05-04T07:31:04Z",
        ),
        ("P2026_05_04_07_31_05_7.jpg", "2026-05-04T07:31:05Z"),
    ] {
        std::fs::write(folder.path().join(name), &jpeg).unwrap();
        let listed = Folder::new(folder.path().to_owned(), TimeZone::UTC);
        let listed = listed.list(None, None).unwrap();
        let last = listed.candidates.last().unwrap();
        assert_eq!((last.source.as_str(), last.at), (name, at(time)));
    }
}

/// What is no file is not waited for, and what is passed over is told.
#[test]
fn a_folder_may_have_pipes_links_and_what_is_too_deep() {
    let folder = tempfile::tempdir().unwrap();
    let stills = folder.path().join("cards");
    let deep: std::path::PathBuf = (0..12).map(|nth| format!("below-{nth}")).collect();
    std::fs::create_dir_all(stills.join(&deep)).unwrap();
    let pipe = stills.join("yard_20260504_073100.jpg");
    assert!(
        Command::new("mkfifo")
            .arg(&pipe)
            .status()
            .unwrap()
            .success()
    );
    std::os::unix::fs::symlink(&stills, stills.join("round")).unwrap();
    std::os::unix::fs::symlink("nowhere", stills.join("yard_20260504_073101.jpg")).unwrap();
    let jpeg = Frame::filled(64, 64, [90, 128, 128]).to_jpeg(80).unwrap();
    let real = folder.path().join("real");
    std::fs::write(&real, jpeg).unwrap();
    std::os::unix::fs::symlink(&real, stills.join("yard_20260504_073102.jpg")).unwrap();
    let listed = Folder::new(stills, TimeZone::UTC).list(None, None).unwrap();
    assert_eq!(listed.candidates.len(), 1, "{listed:?}");
    let told: Vec<_> = listed
        .passed_over
        .iter()
        .map(|(reason, passed)| (*reason, passed.count))
        .collect();
    assert_eq!(
        told,
        [
            ("folders too deep within others", 1),
            ("links to folders", 1),
            ("links to nothing, or not to be looked at", 1),
            ("no files, whatever they are called", 1),
        ]
    );
}
