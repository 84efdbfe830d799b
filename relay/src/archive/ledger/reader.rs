//! The ledger's other threads: they read files. One reads what lies in the spool; another one what lies
//! in the archive, which may hang, and then what is recorded meanwhile is accounted for all the same.

use std::io;
use std::path::PathBuf;
use std::sync::Arc;
use std::sync::mpsc::{Receiver, SyncSender, sync_channel};

use super::run::{FileAt, Message};
use super::scan::{Known, Scan, Scanned, Subject, read_findings, read_footage};
use crate::archive::catalog::Change;
use crate::archive::mp4::Unrepairable;
use crate::archive::{Archive, Disk, RealDisk, manifest, mark};
use crate::telemetry::LedgerEvents;
use crate::units::CaptureTime;

/// Files that wait to be read.
const JOBS_MAX: usize = 4096;

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
    /// Look for the newest manifest of each camera.
    Manifests,
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

impl Desk {
    /// False when nobody wants the answer.
    fn work(&self, job: Job, jobs: &Receiver<Job>) -> bool {
        let Self {
            disk,
            archive,
            spool,
            place,
            answers,
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
                    Subject::Footage => {
                        read_footage(&path, file.begin, file.end).map(|(recorded, bytes)| {
                            Change::Footage {
                                object: object.clone(),
                                camera: file.camera.clone(),
                                recorded,
                                bytes,
                            }
                        })
                    }
                    Subject::Findings => read_findings(object.clone(), &file.camera, &path)
                        .map_err(Unrepairable::from),
                };
                let change = match read {
                    Ok(change) => Some(change),
                    // Carried to the archive, which is told next.
                    Err(Unrepairable::Read(error)) if error.kind() == io::ErrorKind::NotFound => {
                        None
                    }
                    Err(error) => {
                        events.unreadable(&path, &error.to_string());
                        None
                    }
                };
                let answer = Message::Read(object, file.camera, change);
                answers.send(answer).is_ok()
            }
            Job::Manifests => {
                let newest = match is_away() {
                    None => manifest::newest(&RealDisk, archive).map_err(|error| error.to_string()),
                    Some(error) => Err(error.line()),
                };
                let newest = newest.map_err(|error| format!("the archive can't be read: {error}"));
                answers.send(Message::Manifests(newest)).is_ok()
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
                let mut scan = Scan::new(archive, spool, since, Known::by_catalog(spool), &mut take);
                if !scan.run(false) {
                    return false;
                }
                let mut take = |object, taken| {
                    answers.send(Message::Unlisted(object, taken)).is_ok() && others()
                };
                let since = (unlisted_since.as_str(), changed_since);
                let looked = manifest::unlisted(&RealDisk, (archive, spool), since, &mut take);
                if let Err(error) = looked {
                    tracing::warn!(%error, cause = %error.source, "files without a line in a manifest may be left");
                }
                // What was not there has not been looked at.
                let away = begun.or_else(is_away);
                if let Some(error) = &away {
                    tracing::warn!(%error, cause = %error.source, "the archive is looked through again later");
                }
                answers.send(Message::ScanEnded(away.is_none())).is_ok()
            }
        }
    }
}
