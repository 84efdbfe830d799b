//! Finding and reading manifests, also while a relay writes them.

use std::cell::Cell;
use std::collections::{BTreeMap, HashSet};
use std::io::{self, Read};
use std::path::{Path, PathBuf};

use super::PURPOSE;
use super::chain::Newest;
use super::line::{Check, Link, Record, record};
use super::verdict::takes_the_place;
use crate::archive::checksum::{Checksum, Fingerprint, Fingerprinting, fingerprint};
use crate::archive::disk::{Disk, DiskFile};
use crate::archive::jsonl::{EXTENSION, each_line};
use crate::archive::names::{ObjectName, Spool, SpoolName};
use crate::units::{CameraName, CaptureTime, Name};

/// Damaged lines that are told apart for each file.
const DAMAGED_MAX: usize = 100;
/// Manifests move from the spool to the archive while they are read: then they are read again.
const TRIES: usize = 5;
/// The newest days with manifests that are looked at for those that no other one names.
const TIP_DAYS: usize = 3;

/// Where a manifest lies.
#[derive(Debug, Clone)]
pub(in crate::archive) struct PageAt {
    /// Its name as that of an object, also where it is in the spool still.
    pub(in crate::archive) name: String,
    pub(in crate::archive) path: PathBuf,
    /// Its place in the order of time.
    pub(in crate::archive) place: (CaptureTime, u32),
    /// Under its final name: closed, and durable.
    pub(in crate::archive) is_published: bool,
}

/// What a manifest is, beside its lines.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(in crate::archive) struct Page {
    pub(in crate::archive) fingerprint: Fingerprint,
    /// What its first line says of the file before; none where that line is damaged.
    pub(in crate::archive) link: Option<Link>,
    /// When its last line was written.
    pub(in crate::archive) last: Option<CaptureTime>,
    /// Lines that are not what was written, by number from 1 on; some of many.
    pub(in crate::archive) damaged: Vec<u64>,
    /// Pieces that are no lines: without an end, or longer than any.
    pub(in crate::archive) torn: u64,
}

/// What the manifests say of an object at last.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(in crate::archive) struct Entry {
    /// When that was written.
    pub(in crate::archive) at: Option<CaptureTime>,
    pub(in crate::archive) state: State,
    /// Not by its writer.
    pub(in crate::archive) late: bool,
}

/// What the manifests say of some objects.
#[derive(Debug, Default)]
pub(in crate::archive) struct Entries {
    pub(in crate::archive) objects: BTreeMap<String, Entry>,
    /// When the last line of all was written.
    pub(in crate::archive) last: Option<CaptureTime>,
}

#[derive(Debug, Clone, PartialEq, Eq)]
pub(in crate::archive) enum State {
    There(Fingerprint),
    Gone(String),
}

/// Names in a folder, sorted; none where there is no folder.
///
/// # Errors
/// What the disk says.
pub(in crate::archive) fn names(disk: &dyn Disk, folder: &Path) -> io::Result<Vec<String>> {
    let mut names = Vec::new();
    let mut take = |name: &std::ffi::OsStr| names.extend(name.to_str().map(str::to_owned));
    match disk.each_entry(folder, &mut take) {
        Err(error)
            if matches!(
                error.kind(),
                io::ErrorKind::NotFound | io::ErrorKind::NotADirectory
            ) =>
        {
            Ok(Vec::new())
        }
        result => {
            result?;
            names.sort();
            Ok(names)
        }
    }
}

fn days(disk: &dyn Disk, archive: &Path, camera: &CameraName) -> io::Result<Vec<String>> {
    names(disk, &archive.join(camera.as_str()).join(PURPOSE))
}

/// The manifests of a day under their final names.
fn of_day(
    disk: &dyn Disk,
    archive: &Path,
    camera: &CameraName,
    day: &str,
) -> io::Result<Vec<PageAt>> {
    let folder = format!("{camera}/{PURPOSE}/{day}");
    let page = |file: String| {
        let name = format!("{folder}/{file}");
        let place = ObjectName::parse(&name)?.place();
        Some(PageAt {
            path: archive.join(&name),
            name,
            place,
            is_published: true,
        })
    };
    let files = names(disk, &archive.join(&folder))?;
    Ok(files.into_iter().filter_map(page).collect())
}

fn spooled(disk: &dyn Disk, folder: &Path) -> io::Result<Vec<(SpoolName, PageAt)>> {
    let files = names(disk, folder)?.into_iter();
    let ours = |name: &SpoolName| name.key.purpose == PURPOSE && name.key.extension == EXTENSION;
    let pages = files.filter_map(|file| {
        let name = SpoolName::decode(&file).filter(ours)?;
        let object = name.key.object_name();
        let page = PageAt {
            place: ObjectName::parse(&object)?.place(),
            name: object,
            path: folder.join(file),
            is_published: false,
        };
        Some((name, page))
    });
    Ok(pages.collect())
}

/// The manifests of a camera in archive and spool, the oldest first, from a day on.
///
/// # Errors
/// What the disk says.
pub(in crate::archive) fn pages(
    disk: &dyn Disk,
    archive: &Path,
    spool: &Path,
    camera: &CameraName,
    since: &str,
) -> io::Result<Vec<PageAt>> {
    let spool = Spool::new(spool);
    let mut pages = Vec::new();
    let mut seen = HashSet::new();
    // In the order in which a file moves on, so that one that is carried off meanwhile is seen.
    for folder in [&spool.open, &spool.finished] {
        for (name, page) in spooled(disk, folder)? {
            if name.key.camera == *camera && seen.insert(name.tag()) {
                pages.push(page);
            }
        }
    }
    for day in days(disk, archive, camera)? {
        if day.as_str() >= since {
            pages.extend(of_day(disk, archive, camera, &day)?);
        }
    }
    pages.sort_by_key(|page| (page.place, page.is_published));
    Ok(pages)
}

/// Reads a file from its begin, and takes its fingerprint by the way.
struct Reading<'a> {
    file: &'a dyn DiskFile,
    offset: u64,
    taken: &'a Cell<Fingerprinting>,
}

impl Read for Reading<'_> {
    fn read(&mut self, buffer: &mut [u8]) -> io::Result<usize> {
        let read = self.file.read_at(self.offset, buffer)?;
        let mut taken = self.taken.take();
        taken.update(buffer.get(..read).unwrap_or_default());
        self.taken.set(taken);
        self.offset += read as u64;
        Ok(read)
    }
}

/// Reads a manifest; calls back with what its lines tell, as far as they are what was written. None
/// where it is not there.
///
/// # Errors
/// What the disk says.
pub(in crate::archive) fn read(
    disk: &dyn Disk,
    page: &PageAt,
    take: &mut dyn FnMut(Record, Option<CaptureTime>),
) -> io::Result<Option<Page>> {
    let file = match disk.open_to_read(&page.path) {
        Err(error) if error.kind() == io::ErrorKind::NotFound => return Ok(None),
        file => file?,
    };
    let taken = Cell::new(Fingerprinting::default());
    let reading = Reading {
        file: &*file,
        offset: 0,
        taken: &taken,
    };
    let (mut number, mut damaged) = (0, Vec::new());
    let (mut link, mut last) = (None, None);
    let mut check = Check::default();
    let torn = each_line(reading, &mut |line| {
        number += 1;
        let (next, right) = check.test(line);
        check = next;
        match record(line).filter(|_| right) {
            Some((Record::Chain(first), at)) if number == 1 => {
                (link, last) = (Some(first), at.max(last));
            }
            Some((Record::Chain(_), _)) => damaged.push(number),
            Some((record, at)) => {
                last = at.max(last);
                take(record, at);
            }
            // Of a later version.
            None if right => {}
            None => damaged.push(number),
        }
        damaged.truncate(DAMAGED_MAX);
        true
    })?;
    // While it is written, its last line may be there in part.
    let torn = if page.is_published { torn } else { 0 };
    Ok(Some(Page {
        fingerprint: taken.take().finish(),
        link,
        last,
        damaged,
        torn,
    }))
}

/// Takes a line: the number of the try, its manifest, what it tells, and when it was written.
type TakesLine<'a> = &'a mut dyn FnMut(usize, &PageAt, Record, Option<CaptureTime>);

/// Calls back with what the lines of a camera's manifests tell, the oldest first: of those that are
/// wanted. Gives the manifests. What moves from the spool to the archive meanwhile is read again, so the
/// callback gets the lines of each try, with its number.
///
/// # Errors
/// What the disk says; [`io::ErrorKind::Interrupted`] when manifests come and go.
pub(in crate::archive) fn read_all(
    disk: &dyn Disk,
    (archive, spool): (&Path, &Path),
    camera: &CameraName,
    wanted: Wanted<'_>,
    take: TakesLine<'_>,
) -> io::Result<Vec<(PageAt, Page)>> {
    'tries: for try_number in 0..TRIES {
        let mut all = Vec::new();
        for at in pages(disk, archive, spool, camera, wanted.since)? {
            if !(wanted.page)(&at) {
                continue;
            }
            match read(disk, &at, &mut |record, time| {
                take(try_number, &at, record, time)
            })? {
                Some(page) => all.push((at, page)),
                None => continue 'tries,
            }
        }
        return Ok(all);
    }
    let words = "manifests come and go while they are read";
    Err(io::Error::new(io::ErrorKind::Interrupted, words))
}

/// Which manifests are read.
#[derive(Clone, Copy)]
pub(in crate::archive) struct Wanted<'a> {
    /// Of days from this one on.
    pub(in crate::archive) since: &'a str,
    /// And of these: those that may tell of what is asked for.
    pub(in crate::archive) page: &'a dyn Fn(&PageAt) -> bool,
}

impl<'a> Wanted<'a> {
    /// All manifests from a day on.
    pub(in crate::archive) fn since(since: &'a str) -> Self {
        let page = &|_: &PageAt| true;
        Self { since, page }
    }
}

/// What the manifests say of the objects of some days: lest memory grow with the archive, few at a
/// time. No line of theirs is in a manifest of before the day before the first of these.
///
/// # Errors
/// What the disk says.
pub(in crate::archive) fn entries(
    disk: &dyn Disk,
    places: (&Path, &Path),
    camera: &CameraName,
    wanted: Wanted<'_>,
    wants: &dyn Fn(&ObjectName<'_>) -> bool,
) -> io::Result<Entries> {
    let mut entries = Entries::default();
    let mut last_try = 0;
    let pages = read_all(
        disk,
        places,
        camera,
        wanted,
        &mut |number, _, record, at| {
            if number > last_try {
                (entries, last_try) = (Entries::default(), number);
            }
            let (object, state, late) = match record {
                Record::Object {
                    object,
                    bytes,
                    sha256,
                    late,
                } => (object, State::There(Fingerprint { bytes, sha256 }), late),
                Record::Gone { object, reason } => (object, State::Gone(reason), false),
                Record::Chain(_) | Record::Acknowledged { .. } => return,
            };
            if !ObjectName::parse(&object).is_some_and(|name| wants(&name)) {
                return;
            }
            let entry = Entry { at, state, late };
            let before = entries.objects.get(&object);
            if before.is_none_or(|before| takes_the_place(before, &entry)) {
                entries.objects.insert(object, entry);
            }
        },
    )?;
    entries.last = pages.iter().filter_map(|(_, page)| page.last).max();
    Ok(entries)
}

fn fingerprinted(disk: &dyn Disk, page: PageAt) -> Newest {
    let taken = disk
        .open_to_read(&page.path)
        .and_then(|file| fingerprint(&*file));
    let sha256 = match taken {
        Ok(taken) => Ok(taken.sha256),
        Err(error) => Err(format!("it can't be read: {error}")),
    };
    let name = page.name;
    Newest { name, sha256 }
}

/// A manifest under its final name, by that.
pub(in crate::archive) fn page_of(archive: &Path, name: &str) -> Option<PageAt> {
    Some(PageAt {
        name: name.to_owned(),
        path: archive.join(name),
        place: ObjectName::parse(name)?.place(),
        is_published: true,
    })
}

/// The manifests of each camera, under their final names, that no other one names: the newest of each
/// relay that has written here. Older days than some are not looked at.
///
/// # Errors
/// What the disk says.
pub(in crate::archive) fn tips(
    disk: &dyn Disk,
    archive: &Path,
) -> io::Result<Vec<(CameraName, Vec<Newest>)>> {
    // Not there at all, it is away.
    if disk.metadata(archive)?.is_file {
        return Err(io::ErrorKind::NotADirectory.into());
    }
    let mut tips = Vec::new();
    for camera in names(disk, archive)? {
        let Ok(camera) = Name::new(&camera) else {
            continue;
        };
        let mut found: Vec<Newest> = Vec::new();
        let mut named: HashSet<String> = HashSet::new();
        let mut sums: HashSet<Checksum> = HashSet::new();
        for day in days(disk, archive, &camera)?.iter().rev().take(TIP_DAYS) {
            let mut pages = of_day(disk, archive, &camera, day)?;
            pages.sort_by_key(|page| page.place);
            for page in pages.into_iter().rev() {
                let sha256 = match read(disk, &page, &mut |_, _| {}) {
                    Ok(None) => continue,
                    Ok(Some(Page {
                        fingerprint, link, ..
                    })) => {
                        for (name, sum) in link.iter().flat_map(Link::names) {
                            // Where a name was taken, its writer did not know the suffix.
                            match sum {
                                Some(sum) => drop(sums.insert(sum)),
                                None => drop(named.insert(name.to_owned())),
                            }
                        }
                        Ok(fingerprint.sha256)
                    }
                    Err(error) => Err(format!("it can't be read: {error}")),
                };
                let name = page.name;
                found.push(Newest { name, sha256 });
            }
        }
        found.retain(|tip| {
            let is_named = tip.sha256.as_ref().is_ok_and(|sum| sums.contains(sum));
            !is_named && !named.contains(&tip.name)
        });
        if !found.is_empty() {
            tips.push((camera, found));
        }
    }
    Ok(tips)
}

/// Manifests that wait in the spool for an archive that is away.
///
/// # Errors
/// What the disk says.
pub(in crate::archive) fn newest_spooled(
    disk: &dyn Disk,
    spool: &Path,
) -> io::Result<Vec<(CameraName, Newest)>> {
    let waiting = spooled(disk, &Spool::new(spool).finished)?.into_iter();
    let newest = waiting.map(|(name, page)| (name.key.camera, fingerprinted(disk, page)));
    Ok(newest.collect())
}
