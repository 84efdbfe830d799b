//! The ledger's other threads: they read files. One reads what lies in the spool; another one what lies
//! in the archive, which may hang, and then what is recorded meanwhile is accounted for all the same.

use std::cell::RefCell;
use std::io;
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::sync::mpsc::{Receiver, SyncSender, sync_channel};

use super::journal::{PURPOSE as JOURNALS, read_line};
use super::lookout::Lookout;
use super::run::{FileAt, Message};
use super::scan::{Known, Scan, Scanned, Subject, manifest_changes, read_findings, read_footage};
use crate::archive::catalog::Change;
use crate::archive::checksum::{Fingerprint, fingerprint};
use crate::archive::disk::{Sequence, is_outage};
use crate::archive::jsonl::each_line;
use crate::archive::manifest::Gone;
use crate::archive::mp4::Unrepairable;
use crate::archive::names::{ObjectName, days_before};
use crate::archive::{Archive, Disk, MANIFESTS, manifest, mark};
use crate::telemetry::LedgerEvents;
use crate::units::CaptureTime;

/// Files that wait to be read.
const JOBS_MAX: usize = 4096;
/// Names that are told of together.
const SEEN_MAX: usize = 512;

/// Something to read.
pub(super) enum Job {
    Read {
        object: String,
        file: FileAt,
        path: PathBuf,
        events: LedgerEvents,
    },
    Scan {
        since: String,
        /// The same for manifests.
        manifests_since: String,
        /// From which day on, and in folders that changed since when, files without a line in a
        /// manifest are looked for.
        unlisted_since: (String, CaptureTime),
    },
    /// Look for the manifests of each camera that no other one names.
    Manifests,
    /// Look for what has come to the archive since the last look.
    Look,
    /// Read an object of another relay, or its manifest.
    Adopt(String),
}

/// Asks the threads; dropped, it ends them.
#[derive(Debug)]
pub(super) struct Reader {
    near: SyncSender<Job>,
    far: SyncSender<Job>,
    spool: PathBuf,
}

/// What both threads know.
#[derive(Clone)]
struct Desk {
    disk: Arc<dyn Disk>,
    archive: PathBuf,
    /// Where the catalog is.
    spool: PathBuf,
    /// What the archive is known by is there.
    place: PathBuf,
    answers: SyncSender<Message>,
    /// Used by the thread that reads the archive.
    look: RefCell<Lookout>,
}

impl Reader {
    pub(super) fn start(
        archive: &Archive,
        spool: PathBuf,
        answers: SyncSender<Message>,
    ) -> io::Result<Self> {
        let desk = Desk {
            disk: archive.disk(),
            archive: archive.store.archive.clone(),
            spool,
            place: archive.store.spool.root.clone(),
            answers,
            look: RefCell::default(),
        };
        let start = |name: &str| {
            let (sender, jobs) = sync_channel(JOBS_MAX);
            let desk = desk.clone();
            std::thread::Builder::new()
                .name(name.to_owned())
                .spawn(move || {
                    while let Ok(job) = jobs.recv() {
                        if !desk.work(job, &jobs) {
                            return;
                        }
                    }
                })?;
            Ok::<_, io::Error>(sender)
        };
        Ok(Self {
            near: start("ledger-read")?,
            far: start("ledger-archive")?,
            spool: archive.store.spool.root.clone(),
        })
    }

    /// Whether there is room for this. Never waits.
    pub(super) fn ask(&self, job: Job) -> bool {
        // A spool below the archive is the spool still.
        let near = matches!(&job, Job::Read { path, .. } if path.starts_with(&self.spool));
        let thread = if near { &self.near } else { &self.far };
        thread.try_send(job).is_ok()
    }
}

/// What an object of another relay is to the books.
fn adopt(
    disk: &dyn Disk,
    archive: &Path,
    object: &str,
) -> io::Result<(Vec<Change>, Option<Fingerprint>)> {
    let Some(name) = ObjectName::parse(object) else {
        return Ok((Vec::new(), None));
    };
    let mut changes = Vec::new();
    if let Some(page) = manifest::page_of(archive, object).filter(|_| name.purpose == MANIFESTS) {
        let mut gone = Gone::default();
        gone.begin(name.begin);
        let mut take = |change| changes.push(change);
        let is_there = manifest_changes(disk, &name.camera, &page, &mut gone, &mut take)?;
        return match is_there {
            true => Ok((changes, None)),
            false => Err(io::ErrorKind::NotFound.into()),
        };
    }
    let path = archive.join(object);
    if name.purpose == JOURNALS {
        each_line(Sequence::new(disk.open_to_read(&path)?), &mut |line| {
            changes.extend(read_line(&name.camera, line));
            true
        })?;
    }
    match Subject::of(name.purpose, name.extension) {
        // One that nothing can be read of is listed all the same.
        Some(Subject::Footage) => match read_footage(disk, &path, name.begin, None) {
            Ok((recorded, bytes)) => changes.push(Change::Footage {
                object: object.to_owned(),
                camera: name.camera.clone(),
                recorded,
                bytes,
            }),
            Err(Unrepairable::Read(error)) if is_outage(&error) => return Err(error),
            Err(_) => {}
        },
        Some(Subject::Findings) => {
            changes.push(read_findings(disk, object.to_owned(), &name.camera, &path)?);
        }
        None => {}
    }
    let taken = fingerprint(&*disk.open_to_read(&path)?)?;
    Ok((changes, Some(taken)))
}

impl Desk {
    /// False when nobody wants the answer.
    fn work(&self, job: Job, jobs: &Receiver<Job>) -> bool {
        let Self {
            disk,
            archive,
            spool,
            place,
            answers,
            look,
        } = self;
        let is_away = || mark::check(&**disk, archive, place).err();
        match job {
            Job::Read {
                object,
                file,
                path,
                events,
            } => {
                let read = match file.subject {
                    Subject::Footage => read_footage(&**disk, &path, file.begin, file.end).map(
                        |(recorded, bytes)| Change::Footage {
                            object: object.clone(),
                            camera: file.camera.clone(),
                            recorded,
                            bytes,
                        },
                    ),
                    Subject::Findings => {
                        read_findings(&**disk, object.clone(), &file.camera, &path)
                            .map_err(Unrepairable::from)
                    }
                };
                let change = match read {
                    Ok(change) => Some(change),
                    // Carried to the archive, which is told next.
                    Err(Unrepairable::Read(error)) if error.kind() == io::ErrorKind::NotFound => {
                        None
                    }
                    Err(error) => {
                        events.unreadable(&path, &error.to_string());
                        if matches!(&error, Unrepairable::Read(error) if is_outage(error))
                            && answers.send(Message::Unreached).is_err()
                        {
                            return false;
                        }
                        None
                    }
                };
                let answer = Message::Read(object, file.camera, change);
                answers.send(answer).is_ok()
            }
            Job::Manifests => {
                let tips = match is_away() {
                    None => manifest::tips(&**disk, archive).map_err(|error| error.to_string()),
                    Some(error) => Err(error.line()),
                };
                let tips = tips.map_err(|error| format!("the archive can't be read: {error}"));
                answers.send(Message::Manifests(tips)).is_ok()
            }
            Job::Look => {
                let days = [0, 1].map(|ago| days_before(&CaptureTime::now().day(), ago));
                let seen = look.borrow_mut().look(&**disk, archive, &days);
                seen.chunks(SEEN_MAX)
                    .all(|seen| answers.send(Message::Seen(seen.to_vec())).is_ok())
            }
            Job::Adopt(object) => {
                let answer = match adopt(&**disk, archive, &object) {
                    Ok((changes, taken)) => Message::Adopted(object, changes, taken),
                    // Taken away meanwhile, on purpose: nothing is known of it any more.
                    Err(error) if error.kind() == io::ErrorKind::NotFound => return true,
                    Err(error) => {
                        tracing::warn!(object, %error, "what another relay has written can't be read");
                        return !is_outage(&error) || answers.send(Message::Unreached).is_ok();
                    }
                };
                answers.send(answer).is_ok()
            }
            Job::Scan {
                since,
                manifests_since,
                unlisted_since: (unlisted_since, changed_since),
            } => {
                let begun = is_away();
                // New files don't wait for the scan of old ones.
                let others = || {
                    jobs.try_iter().all(|job| match job {
                        Job::Scan { .. } => true,
                        job => self.work(job, jobs),
                    })
                };
                let mut take = |changes, _: Scanned| {
                    answers.send(Message::Scanned(changes)).is_ok() && others()
                };
                let since = (since.as_str(), manifests_since.as_str());
                let known = Known::by_catalog(spool);
                let mut scan = Scan::new(&**disk, (archive, spool), since, known, &mut take);
                if !scan.run(false) {
                    return false;
                }
                let missed = scan.missed;
                let mut take = |object, taken| {
                    answers.send(Message::Unlisted(object, taken)).is_ok() && others()
                };
                let since = (unlisted_since.as_str(), changed_since);
                let looked = manifest::unlisted(&**disk, (archive, spool), since, &mut take);
                if let Err(error) = &looked {
                    tracing::warn!(%error, cause = %error.source, "files without a line in a manifest may be left");
                }
                let missed = missed.or(looked.err().filter(|error| is_outage(&error.source)));
                // What was not there has not been looked at.
                let away = begun.or(missed).or_else(is_away);
                if let Some(error) = &away {
                    tracing::warn!(%error, cause = %error.source, "the archive is looked through again later");
                }
                answers.send(Message::ScanEnded(away.is_none())).is_ok()
            }
        }
    }
}
