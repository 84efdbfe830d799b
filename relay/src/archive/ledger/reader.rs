//! The ledger's second thread: it reads files, which may lie on a file system that hangs.

use std::collections::HashSet;
use std::io;
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::sync::mpsc::{Receiver, SyncSender, sync_channel};

use super::run::{FileAt, Message};
use super::scan::{Scan, Scanned, Subject, read_findings, read_footage};
use crate::archive::catalog::Change;
use crate::archive::mp4::Unrepairable;
use crate::archive::{Disk, manifest};
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
        known: HashSet<String>,
        /// From which day on, and in folders that changed since when, files without a line in a
        /// manifest are looked for.
        unlisted_since: (String, CaptureTime),
    },
    /// Look for the newest manifest of each camera.
    Manifests,
}

/// Asks the thread; dropped, it ends it.
#[derive(Debug)]
pub(super) struct Reader(SyncSender<Job>);

impl Reader {
    pub(super) fn start(
        disk: Arc<dyn Disk>,
        archive: PathBuf,
        spool: PathBuf,
        answers: SyncSender<Message>,
    ) -> io::Result<Self> {
        let (sender, jobs) = sync_channel(JOBS_MAX);
        std::thread::Builder::new()
            .name("ledger-read".to_owned())
            .spawn(move || {
                while let Ok(job) = jobs.recv() {
                    if !work(&*disk, job, &jobs, (&archive, &spool), &answers) {
                        return;
                    }
                }
            })?;
        Ok(Self(sender))
    }

    /// Whether it has room for this. Never waits.
    pub(super) fn ask(&self, job: Job) -> bool {
        self.0.try_send(job).is_ok()
    }
}

/// False when nobody wants the answer.
fn work(
    disk: &dyn Disk,
    job: Job,
    jobs: &Receiver<Job>,
    (archive, spool): (&Path, &Path),
    answers: &SyncSender<Message>,
) -> bool {
    match job {
        Job::Read {
            object,
            file,
            path,
            events,
        } => {
            let read = match file.subject {
                Subject::Footage => {
                    read_footage(disk, &path, file.begin, file.end).map(|(recorded, bytes)| {
                        Change::Footage {
                            object: object.clone(),
                            camera: file.camera.clone(),
                            recorded,
                            bytes,
                        }
                    })
                }
                Subject::Findings => read_findings(disk, object.clone(), &file.camera, &path)
                    .map_err(Unrepairable::from),
            };
            let change = match read {
                Ok(change) => Some(change),
                // Carried to the archive, which is told next.
                Err(Unrepairable::Read(error)) if error.kind() == io::ErrorKind::NotFound => None,
                Err(error) => {
                    events.unreadable(&path, &error.to_string());
                    None
                }
            };
            let answer = Message::Read(object, file.camera, change);
            answers.send(answer).is_ok()
        }
        Job::Manifests => {
            let newest = manifest::newest(disk, archive);
            let newest = newest.map_err(|error| format!("the archive can't be read: {error}"));
            answers.send(Message::Manifests(newest)).is_ok()
        }
        Job::Scan {
            since,
            manifests_since,
            known,
            unlisted_since: (unlisted_since, changed_since),
        } => {
            // New files don't wait for the scan of old ones.
            let others = || {
                jobs.try_iter().all(|job| match job {
                    Job::Scan { .. } => true,
                    job => work(disk, job, jobs, (archive, spool), answers),
                })
            };
            let mut take =
                |changes, _: Scanned| answers.send(Message::Scanned(changes)).is_ok() && others();
            let since = (since.as_str(), manifests_since.as_str());
            let mut scan = Scan::new(disk, (archive, spool), since, &known, &mut take);
            if !scan.run(false) {
                return false;
            }
            let mut take =
                |object, taken| answers.send(Message::Unlisted(object, taken)).is_ok() && others();
            let since = (unlisted_since.as_str(), changed_since);
            let looked = manifest::unlisted(disk, (archive, spool), since, &mut take);
            if let Err(error) = looked {
                tracing::warn!(%error, cause = %error.source, "files without a line in a manifest may be left");
            }
            answers.send(Message::ScanEnded).is_ok()
        }
    }
}
