//! What the files of a simulated camera hold: each of its pictures carries its number and the time
//! at which it was taken.

use std::path::{Path, PathBuf};

use forebay_site::FRAME_SEI_UUID;

use crate::units::CaptureTime;

/// A picture, as the camera has marked it.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct Picture {
    pub(super) number: u64,
    pub(super) taken: CaptureTime,
}

/// What the files of one camera hold, in their order.
#[derive(Debug, Default)]
pub(super) struct Pictures {
    pub(super) list: Vec<Picture>,
    pub(super) files: usize,
    pub(super) bytes: usize,
    /// Pictures that are there a second time.
    pub(super) doubled: usize,
}

impl Pictures {
    /// Reads back what was recorded of a camera since `begin`.
    pub(super) fn read(archive: &Path, camera: &str, begin: CaptureTime) -> Self {
        let mut files = files_of(&archive.join(camera).join("footage"));
        files.retain(|path| written_since(path, begin));
        let mut pictures = Self {
            files: files.len(),
            ..Self::default()
        };
        for file in &files {
            let Ok(content) = std::fs::read(file) else {
                continue;
            };
            pictures.bytes += content.len();
            pictures.list.extend(marks(&content));
        }
        let mut numbers: Vec<_> = pictures.list.iter().map(|one| one.number).collect();
        numbers.sort_unstable();
        numbers.dedup();
        pictures.doubled = pictures.list.len() - numbers.len();
        pictures
    }

    /// The first and the last number, and how many between them are missing.
    pub(super) fn range(&self) -> Option<(u64, u64, u64)> {
        let numbers = || self.list.iter().map(|one| one.number);
        let (first, last) = (numbers().min()?, numbers().max()?);
        let there = (self.list.len() - self.doubled) as u64;
        Some((first, last, last - first + 1 - there))
    }

    /// Whether the numbers rise all along.
    pub(super) fn in_order(&self) -> bool {
        self.list.is_sorted_by_key(|one| one.number)
    }
}

/// Files of an earlier demo in the same folder don't count.
fn written_since(path: &Path, begin: CaptureTime) -> bool {
    let stem = path
        .file_stem()
        .and_then(|stem| stem.to_str())
        .unwrap_or_default();
    // A camera may begin with a group of pictures from before.
    let earliest = begin.unix_nanos() - 5_000_000_000;
    CaptureTime::from_file_stem(stem).is_some_and(|time| time.unix_nanos() >= earliest)
}

fn files_of(folder: &Path) -> Vec<PathBuf> {
    let list = |folder: &Path| -> Vec<PathBuf> {
        let Ok(entries) = std::fs::read_dir(folder) else {
            return Vec::new();
        };
        entries.flatten().map(|entry| entry.path()).collect()
    };
    let mut files: Vec<_> = list(folder).iter().flat_map(|day| list(day)).collect();
    files.sort();
    files
}

/// The SEI messages of a file's pictures: behind the UUID the number and the nanoseconds since
/// 1970, 8 bytes each, big endian.
fn marks(content: &[u8]) -> Vec<Picture> {
    let mut found = Vec::new();
    let mut rest = content;
    while let Some(at) = rest.windows(16).position(|window| window == FRAME_SEI_UUID) {
        rest = rest.get(at + 16..).unwrap_or_default();
        let (mut value, mut digits, mut zeros) = (0_u128, 0, 0);
        for byte in rest.iter().take(24) {
            // ITU-T H.264 §7.4.1: a 3 behind two zeros is there to prevent a start code.
            if zeros == 2 && *byte == 3 {
                zeros = 0;
                continue;
            }
            zeros = if *byte == 0 { zeros + 1 } else { 0 };
            value = value << 8 | u128::from(*byte);
            digits += 1;
            if digits == 16 {
                found.push(Picture {
                    number: (value >> 64) as u64,
                    taken: CaptureTime::from_unix_nanos(value as i64),
                });
                break;
            }
        }
    }
    found
}

#[cfg(test)]
mod tests {
    use super::*;

    fn picture(number: u64, nanos: i64) -> Picture {
        Picture {
            number,
            taken: CaptureTime::from_unix_nanos(nanos),
        }
    }

    #[test]
    fn marks_are_found_behind_emulation_prevention() {
        let mut content = b"junk".to_vec();
        content.extend(FRAME_SEI_UUID);
        content.extend([0, 0, 3, 0, 0, 3, 0, 0, 3, 1, 2]);
        content.extend([0, 0, 3, 0, 0, 3, 0, 1, 0, 7]);
        // One that was cut off.
        content.extend(FRAME_SEI_UUID);
        content.extend([9; 8]);
        assert_eq!(marks(&content), [picture(0x0102, 0x1_0007)]);
    }

    #[test]
    fn what_is_missing_doubled_or_out_of_order_is_seen() {
        let of = |numbers: &[u64]| Pictures {
            list: numbers.iter().map(|number| picture(*number, 0)).collect(),
            ..Pictures::default()
        };
        assert_eq!(of(&[]).range(), None);
        assert_eq!(of(&[3, 4, 7]).range(), Some((3, 7, 2)));
        assert!(of(&[3, 4, 7]).in_order());
        assert!(!of(&[3, 5, 4]).in_order());
    }
}
