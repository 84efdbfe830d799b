//! Names of files in the spool and in the archive.
//!
//! A spooled file carries in its name all that is needed to publish it, so that nothing beside it
//! can be lost or contradict it:
//! `slipway_footage_stills_2026-05-04T073100.120Z_19df2a5b0a8-3.jpg`, that is camera, sink,
//! purpose, begin, and the writer's epoch with a number. A finished one has its end as sixth part.

use std::path::{Path, PathBuf};

use super::ArchiveError;
use crate::units::{CameraName, CaptureTime, Name};

/// What an object is, and what its name is made of.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct ObjectKey {
    /// The camera that it shows.
    pub camera: CameraName,
    /// The sink that writes it; not part of the final name.
    pub sink: Name,
    /// Folder below the camera's: `[a-z][a-z0-9-]{0,31}`.
    pub purpose: String,
    /// File name extension without the dot: `[a-z0-9]{1,8}`.
    pub extension: String,
    /// Capture time of what comes first in it. Only the milliseconds are kept once it is spooled.
    pub begin: CaptureTime,
}

impl ObjectKey {
    /// Checks purpose and extension.
    ///
    /// # Errors
    /// [`ArchiveError::Denied`] with what is allowed.
    pub fn check(&self) -> Result<(), ArchiveError> {
        if !is_purpose(&self.purpose) {
            return Err(ArchiveError::Denied(format!(
                "the purpose {:?} is not allowed: it has 1 to 32 characters a-z, 0-9 and '-', and \
                 begins with a letter",
                shorten(&self.purpose)
            )));
        }
        if !is_extension(&self.extension) {
            return Err(ArchiveError::Denied(format!(
                "the extension {:?} is not allowed: it has 1 to 8 characters a-z and 0-9",
                shorten(&self.extension)
            )));
        }
        Ok(())
    }

    /// Its path below the archive, unless that is taken: then the file's name gets a suffix.
    pub(super) fn object_name(&self) -> String {
        let Self {
            camera,
            purpose,
            extension,
            begin,
            ..
        } = self;
        let (day, stem) = (begin.day(), begin.file_stem());
        format!("{camera}/{purpose}/{day}/{stem}.{extension}")
    }
}

/// The parts of a published object's path below the archive.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) struct ObjectName<'a> {
    pub(super) camera: CameraName,
    pub(super) purpose: &'a str,
    /// The UTC day of `begin`: `2026-05-04`.
    pub(super) day: &'a str,
    pub(super) begin: CaptureTime,
    /// Of those with the same begin; the first is 1.
    pub(super) nth: u32,
    pub(super) extension: &'a str,
}

impl<'a> ObjectName<'a> {
    /// None for what is no name of an object: nothing can hide in it that leads elsewhere.
    pub(super) fn parse(object: &'a str) -> Option<Self> {
        let mut parts = object.split('/');
        let camera = Name::new(parts.next()?).ok()?;
        let purpose = parts.next().filter(|text| is_purpose(text))?;
        let day = parts.next()?;
        let (stem, extension) = parts.next()?.rsplit_once('.')?;
        let (begin, nth) = match stem.split_once("Z-") {
            Some((begin, nth)) => (format!("{begin}Z"), nth.parse().ok().filter(|n| *n > 1)?),
            None => (stem.to_owned(), 1),
        };
        let begin = CaptureTime::from_file_stem(&begin)?;
        let nothing_more = parts.next().is_none();
        (nothing_more && is_extension(extension) && begin.day() == day).then_some(Self {
            camera,
            purpose,
            day,
            begin,
            nth,
            extension,
        })
    }

    /// Its place among the objects of its camera and purpose.
    pub(super) fn place(&self) -> (CaptureTime, u32) {
        (self.begin, self.nth)
    }
}

/// The day so many before one in the notation of folders; what is no day stays as it is.
pub(super) fn days_before(day: &str, number: i32) -> String {
    let before = day
        .parse::<jiff::civil::Date>()
        .and_then(|day| day.checked_sub(jiff::Span::new().days(number)));
    before.map_or_else(|_| day.to_owned(), |day| day.to_string())
}

/// A guest chose the text: the message must not grow with it.
fn shorten(text: &str) -> String {
    text.chars().take(40).collect()
}

fn is_purpose(text: &str) -> bool {
    let inner = |c: u8| c.is_ascii_lowercase() || c.is_ascii_digit() || c == b'-';
    text.len() <= 32
        && text.bytes().next().is_some_and(|c| c.is_ascii_lowercase())
        && text.bytes().all(inner)
}

fn is_extension(text: &str) -> bool {
    (1..=8).contains(&text.len())
        && text
            .bytes()
            .all(|c| c.is_ascii_lowercase() || c.is_ascii_digit())
}

/// The name of a file in the spool.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) struct SpoolName {
    pub(super) key: ObjectKey,
    /// When the writer started, in milliseconds since the Unix epoch, and 16 bits of chance; rises from
    /// start to start of a spool, and no two spools have the same.
    pub(super) epoch: u64,
    /// Counts the writer's objects.
    pub(super) number: u64,
    /// Capture time at which it ends, known once it is finished.
    pub(super) end: Option<CaptureTime>,
}

impl SpoolName {
    /// Unique among the writers of an archive.
    pub(super) fn tag(&self) -> String {
        format!("{:x}-{:x}", self.epoch, self.number)
    }

    /// The name in the spool. The parts can't hold a `_`. With every part at its longest it has
    /// 63 + 63 + 32 + 22 + 33 + 22 + 8 characters and 6 between them: 249 of the 255 that a file
    /// system takes.
    pub(super) fn encode(&self) -> String {
        let ObjectKey {
            camera,
            sink,
            purpose,
            extension,
            begin,
        } = &self.key;
        let (begin, tag) = (begin.file_stem(), self.tag());
        let end = self
            .end
            .map(|end| format!("_{}", end.file_stem()))
            .unwrap_or_default();
        format!("{camera}_{sink}_{purpose}_{begin}_{tag}{end}.{extension}")
    }

    /// Reads what [`encode`](Self::encode) wrote; none for any other file.
    pub(super) fn decode(text: &str) -> Option<Self> {
        let (stem, extension) = text.rsplit_once('.')?;
        let mut parts = stem.split('_');
        let key = ObjectKey {
            camera: Name::new(parts.next()?).ok()?,
            sink: Name::new(parts.next()?).ok()?,
            purpose: parts.next().filter(|text| is_purpose(text))?.to_owned(),
            extension: Some(extension)
                .filter(|text| is_extension(text))?
                .to_owned(),
            begin: CaptureTime::from_file_stem(parts.next()?)?,
        };
        let (epoch, number) = parts.next()?.split_once('-')?;
        let end = match parts.next() {
            Some(end) => Some(CaptureTime::from_file_stem(end)?),
            None => None,
        };
        let name = Self {
            key,
            epoch: u64::from_str_radix(epoch, 16).ok()?,
            number: u64::from_str_radix(number, 16).ok()?,
            end,
        };
        // Also refuses further parts, capitals and leading zeros.
        (name.encode() == text).then_some(name)
    }

    /// The folders below the archive, from the outermost.
    pub(super) fn folders(&self) -> [String; 3] {
        [
            self.key.camera.to_string(),
            self.key.purpose.clone(),
            self.key.begin.day(),
        ]
    }

    /// The final file name; `nth` 1 has no number, others are `…-2.mp4`, `…-3.mp4`.
    pub(super) fn file_name(&self, nth: u32) -> String {
        let (stem, extension) = (self.key.begin.file_stem(), &self.key.extension);
        if nth == 1 {
            format!("{stem}.{extension}")
        } else {
            format!("{stem}-{nth}.{extension}")
        }
    }

    /// The name of an unfinished copy beside the final name. With the tag, a second relay's copy
    /// is never taken for our own, and our own is found again.
    pub(super) fn part_name(&self) -> String {
        format!(".{}.{}.part", self.file_name(1), self.tag())
    }

    /// The place in the queue: the oldest footage goes first.
    pub(super) fn order(&self) -> Order {
        (self.key.begin, self.encode())
    }
}

/// Sorts spooled files by begin, then by name.
pub(super) type Order = (CaptureTime, String);

/// The folders of a spool.
#[derive(Debug, Clone)]
pub(super) struct Spool {
    pub(super) root: PathBuf,
    /// Written now, or left by a crash.
    pub(super) open: PathBuf,
    /// Whole and durable, to be carried to the archive.
    pub(super) finished: PathBuf,
    /// What could not be repaired.
    pub(super) set_aside: PathBuf,
    /// Names of footage that was let go, until the ledger has written that down.
    pub(super) let_go: PathBuf,
}

impl Spool {
    pub(super) fn new(root: &Path) -> Self {
        Self {
            root: root.to_owned(),
            open: root.join("open"),
            finished: root.join("finished"),
            set_aside: root.join("set-aside"),
            let_go: root.join("let-go"),
        }
    }

    pub(super) fn folders(&self) -> [&PathBuf; 5] {
        [
            &self.root,
            &self.open,
            &self.finished,
            &self.set_aside,
            &self.let_go,
        ]
    }
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used)]
    use super::*;

    fn name() -> SpoolName {
        SpoolName {
            key: ObjectKey {
                camera: Name::new("mast-crane").unwrap(),
                sink: Name::new("every-minute").unwrap(),
                purpose: "stills".into(),
                extension: "jpg".into(),
                begin: CaptureTime::from_unix_nanos(1_777_879_860_120_000_000),
            },
            epoch: 0x19d_f2a5_b0a8,
            number: 3,
            end: None,
        }
    }

    #[test]
    fn spool_names_read_back() {
        let mut name = name();
        let text = "mast-crane_every-minute_stills_2026-05-04T073100.120Z_19df2a5b0a8-3.jpg";
        assert_eq!(name.encode(), text);
        assert_eq!(SpoolName::decode(text), Some(name.clone()));
        name.end = Some(CaptureTime::from_unix_nanos(1_777_879_920_000_000_000));
        assert_eq!(SpoolName::decode(&name.encode()), Some(name));
    }

    #[test]
    fn other_names_are_none() {
        let good = name().encode();
        for bad in [
            String::new(),
            "lock".into(),
            good.to_uppercase(),
            good.replace("stills", ".stills"),
            good.replace("2026", "2026-"),
            good.replace("-3.jpg", "-03.jpg"),
            good.replace(".jpg", ""),
            good.replace(".jpg", ".jp/g"),
            good.replace("mast", "../mast"),
            format!("{good}.part"),
            good.replace(".jpg", "_2026-05-04T073100.120Z_x.jpg"),
        ] {
            assert_eq!(SpoolName::decode(&bad), None, "{bad}");
        }
    }

    #[test]
    fn the_longest_name_fits_a_file_system() {
        let long = Name::new(&"x".repeat(63)).unwrap();
        let name = SpoolName {
            key: ObjectKey {
                camera: long.clone(),
                sink: long,
                purpose: "p".repeat(32),
                extension: "e".repeat(8),
                begin: CaptureTime::from_unix_nanos(i64::MAX),
            },
            epoch: u64::MAX,
            number: u64::MAX,
            end: Some(CaptureTime::from_unix_nanos(i64::MAX)),
        };
        // NAME_MAX of Linux file systems: 255 bytes.
        assert!(name.encode().len() <= 255, "{}", name.encode().len());
        assert_eq!(
            SpoolName::decode(&name.encode()).map(|n| n.number),
            Some(u64::MAX)
        );
    }

    #[test]
    fn final_names() {
        let name = name();
        assert_eq!(name.folders(), ["mast-crane", "stills", "2026-05-04"]);
        assert_eq!(name.file_name(1), "2026-05-04T073100.120Z.jpg");
        assert_eq!(name.file_name(2), "2026-05-04T073100.120Z-2.jpg");
        assert_eq!(
            name.part_name(),
            ".2026-05-04T073100.120Z.jpg.19df2a5b0a8-3.part"
        );
    }

    #[test]
    fn object_names_read_back() {
        let mut name = name();
        let object = "mast-crane/stills/2026-05-04/2026-05-04T073100.120Z.jpg";
        assert_eq!(name.key.object_name(), object);
        for nth in [1, 2, 999] {
            let path = [&name.folders()[..], &[name.file_name(nth)]]
                .concat()
                .join("/");
            let read = ObjectName::parse(&path).unwrap();
            assert_eq!(
                (read.camera, read.purpose),
                (name.key.camera.clone(), "stills")
            );
            assert_eq!(
                (read.begin, read.nth, read.extension),
                (name.key.begin, nth, "jpg")
            );
        }
        name.key.camera = Name::new("gate").unwrap();
        assert!(ObjectName::parse(&name.key.object_name()).is_some());
        for bad in [
            "",
            "spool/x",
            &object.replace("05-04/", "05-05/"),
            &object.replace(".jpg", "-1.jpg"),
            &object.replace(".jpg", "-x.jpg"),
            &object.replace("stills", ".."),
            &object.replace("mast-crane", ".."),
            &format!("{object}/x"),
            &format!("{object}.part"),
            &format!("/{object}"),
        ] {
            assert_eq!(ObjectName::parse(bad), None, "{bad}");
        }
        assert_eq!(days_before("2026-03-01", 1), "2026-02-28");
        assert_eq!(days_before("x", 1), "x");
    }

    #[test]
    fn purposes_and_extensions_are_checked() {
        let mut key = name().key;
        assert!(key.check().is_ok());
        for bad in [
            "",
            "1x",
            "-x",
            ".x",
            "Stills",
            "a/b",
            "a_b",
            &"p".repeat(33),
        ] {
            key.purpose = bad.into();
            assert!(matches!(key.check(), Err(ArchiveError::Denied(_))), "{bad}");
        }
        key = name().key;
        for bad in ["", "JPG", "j.g", "../x", &"e".repeat(9)] {
            key.extension = bad.into();
            assert!(matches!(key.check(), Err(ArchiveError::Denied(_))), "{bad}");
        }
    }
}
