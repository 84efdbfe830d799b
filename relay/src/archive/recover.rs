//! Making whole what a crash, or a writer that gave up, left open.

use std::collections::HashSet;
use std::ffi::OsStr;
use std::io::{self, IoSlice};
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::sync::atomic::Ordering;
use std::time::Duration;

use super::disk::{DiskFile, read_exact_at, write_all_at};
use super::ladder::KEY_FRAMES;
use super::mp4::{self, Unrepairable};
use super::names::{Order, SpoolName};
use super::store::{Handed, OpenFile, Store, locked};
use super::worker::RETRY_FIRST;
use super::{ArchiveEvent, At, Published, RecoveryReport, StorageError};
use crate::config::LADDER_SINK;

/// What a file that was left open turned out to be.
enum Left {
    Whole {
        bytes_kept: u64,
        bytes_cut: u64,
    },
    /// It was empty and has been removed.
    Gone,
    SetAside(PathBuf),
}

impl Store {
    /// Repairs what lies in `open` and publishes what can be published at once. No failure ends it:
    /// what it can't settle stays where it is, and is counted.
    pub(super) fn recover(&self) -> RecoveryReport {
        let mut report = RecoveryReport::default();
        let mut cursor = None;
        loop {
            let (batch, unknown) = match self.oldest(&self.spool.open, cursor.as_ref()) {
                Ok(found) => found,
                Err(error) => {
                    self.recovery_failed(&mut report, &error);
                    break;
                }
            };
            if cursor.is_none() {
                report.unknown += unknown;
            }
            let Some((last, _)) = batch.last() else { break };
            cursor = Some(last.clone());
            let twins = match self.twins(&batch) {
                Ok(twins) => twins,
                Err(error) => {
                    self.recovery_failed(&mut report, &error);
                    break;
                }
            };
            for (_, name) in batch {
                let result = self.recover_file(&name, twins.contains(&name.tag()), &mut report);
                if let Err(error) = result {
                    self.recovery_failed(&mut report, &error);
                }
            }
        }
        if self.same_device.load(Ordering::Acquire) {
            // Only now: as long as a file lies in `finished`, its twin in `open` is known for one.
            // One batch at most: the rest of a long queue must not hold up the start.
            match self.carry(&mut None, RETRY_FIRST, &|| false) {
                Ok(round) => report.published += round.published,
                Err(error) => self.recovery_failed(&mut report, &error),
            }
        }
        let finished = &self.spool.finished;
        let mut count = |entry: &OsStr| match entry.to_str().and_then(SpoolName::decode) {
            Some(_) => report.deferred += 1,
            None => report.unknown += 1,
        };
        let counted = self
            .disk
            .each_entry(finished, &mut count)
            .at("list the folder", finished);
        if let Err(error) = counted {
            self.recovery_failed(&mut report, &error);
        }
        report
    }

    fn recovery_failed(&self, report: &mut RecoveryReport, error: &StorageError) {
        report.failed += 1;
        let (path, error) = (error.path.clone(), error.line());
        self.tell(ArchiveEvent::PublishFailed {
            path,
            error,
            retry_in: None,
        });
    }

    fn recover_file(
        &self,
        name: &SpoolName,
        has_twin: bool,
        report: &mut RecoveryReport,
    ) -> Result<(), StorageError> {
        let path = self.spool.open.join(name.encode());
        if !self.disk.metadata(&path).at("look up", &path)?.is_file {
            report.unknown += 1;
            return Ok(());
        }
        if has_twin {
            self.remove(&path)?;
            report.duplicates += 1;
            return Ok(());
        }
        match self.make_whole(&path, name, None)? {
            Left::Whole {
                bytes_kept,
                bytes_cut,
            } => {
                report.repaired += 1;
                report.bytes_cut += bytes_cut;
                let published = self.finished(&path, name, bytes_kept)?;
                report.published += u64::from(matches!(published, Published::Now { .. }));
            }
            Left::Gone => report.empty += 1,
            Left::SetAside(_) => report.set_aside += 1,
        }
        Ok(())
    }

    /// Moves a file that is whole and durable to `finished`, and publishes it if that is a rename.
    fn finished(
        &self,
        path: &Path,
        name: &SpoolName,
        bytes: u64,
    ) -> Result<Published, StorageError> {
        let _claim = self.claim(name);
        let finished = self.spool.finished.join(name.encode());
        match self.move_durably(path, &finished) {
            // An earlier try moved it, failed to make that durable, and since then it was carried.
            Err(_)
                if self.is_missing(path)
                    && self.is_missing(&finished)
                    && !self.is_missing(&self.spool.finished) =>
            {
                return Ok(Published::Deferred);
            }
            result => result?,
        }
        locked(&self.waiting).add(name, bytes);
        Ok(self.publish_or_defer(name, bytes))
    }

    /// Settles an object; on a failure the thread that carries tries again.
    pub(super) fn settle_or_retry(&self, handed: Handed) -> Result<Published, StorageError> {
        locked(&self.open).remove(&handed.file.number);
        let result = self.settle(&handed);
        if let Err(error) = &result {
            self.tell(ArchiveEvent::PublishFailed {
                path: handed.file.path.clone(),
                error: error.line(),
                retry_in: Some(RETRY_FIRST),
            });
            self.hand_over(handed);
        }
        result
    }

    /// Settles all objects that were handed over; gives the number that failed and stay.
    pub(super) fn settle_handed(&self, retry_in: Duration) -> u64 {
        let handed: Vec<_> = locked(&self.handed).drain(..).collect();
        let mut failed = 0;
        for handed in handed {
            if let Err(error) = self.settle(&handed) {
                failed += 1;
                let (path, error) = (handed.file.path.clone(), error.line());
                self.tell(ArchiveEvent::PublishFailed {
                    path,
                    error,
                    retry_in: Some(retry_in),
                });
                locked(&self.handed).push_back(handed);
            }
        }
        failed
    }

    fn settle(&self, handed: &Handed) -> Result<Published, StorageError> {
        let settled = self.try_settle(handed)?;
        // Only now: the events of it have been told.
        locked(&self.unsettled).remove(&handed.file.number);
        Ok(settled)
    }

    fn try_settle(&self, handed: &Handed) -> Result<Published, StorageError> {
        if self.is_lost(handed) {
            return Ok(Published::Nothing);
        }
        // A folder that is away comes back with what is in it.
        self.disk
            .metadata(&self.spool.open)
            .at("look up", &self.spool.open)?;
        handed.moves();
        let Handed { file, end, .. } = handed;
        if end.is_some() {
            let name = SpoolName {
                end: *end,
                ..file.name.clone()
            };
            return self.finished(&file.path, &name, locked(&file.state).len);
        }
        match self.make_whole(&file.path, &file.name, Some(file))? {
            Left::Whole { bytes_kept, .. } => self.finished(&file.path, &file.name, bytes_kept),
            Left::Gone => Ok(Published::Nothing),
            Left::SetAside(path) => Ok(Published::SetAside { path }),
        }
    }

    /// Cuts a file to its whole part and makes that durable. `written` is what this process knows
    /// of a file that it wrote itself.
    fn make_whole(
        &self,
        path: &Path,
        name: &SpoolName,
        written: Option<&Arc<OpenFile>>,
    ) -> Result<Left, StorageError> {
        let file = match self.disk.open(path) {
            // An earlier try moved it, and failed to make that durable.
            Err(error) if error.kind() == io::ErrorKind::NotFound && written.is_some() => {
                return self.after_move(path, name);
            }
            result => result.at("open", path)?,
        };
        if is_copy(name) {
            // Half of it must not pass for the whole; it is made again from its original.
            drop(file);
            self.remove(path)?;
            self.tell(ArchiveEvent::RemovedCopy {
                key: name.key.clone(),
            });
            return Ok(Left::Gone);
        }
        let trusted = written.map_or(u64::MAX, |written| self.trusted(written));
        let size = file.size().at("look up", path)?;
        if size == 0 {
            self.remove(path)?;
            self.tell(ArchiveEvent::RemovedEmpty {
                key: name.key.clone(),
            });
            return Ok(Left::Gone);
        }
        // Behind a hole nothing is trusted: a power cut has taken what was there.
        let end = file
            .first_hole()
            .at("look for holes in", path)?
            .min(size)
            .min(trusted);
        let part = Part {
            file: &*file,
            size: end,
        };
        let whole = match name.key.extension.as_str() {
            "mp4" => whole_part(&part),
            "jsonl" => match whole_lines(&part).at("read", path)? {
                0 => return self.set_aside(path, name, size, "it holds no whole line".into()),
                bytes => Ok((bytes, Vec::new())),
            },
            _ => {
                let reason =
                    "it was left unfinished, and its kind does not tell whether it is whole";
                return self.set_aside(path, name, size, reason.into());
            }
        };
        let (bytes_kept, patches) = match whole {
            Ok(whole) => whole,
            Err(Unrepairable::Read(error)) => return Err(error).at("read", path),
            Err(reason) => return self.set_aside(path, name, size, reason.to_string()),
        };
        // Each step leaves a file that is repaired to the same by the next start.
        if bytes_kept < size {
            file.set_size(bytes_kept).at("cut", path)?;
        }
        for patch in patches {
            write_all_at(&*file, patch.offset, &mut [IoSlice::new(&patch.bytes)])
                .at("patch", path)?;
        }
        file.sync().at("flush", path)?;
        let (key, bytes_cut) = (name.key.clone(), size - bytes_kept);
        self.tell(ArchiveEvent::Repaired {
            key,
            bytes_kept,
            bytes_cut,
        });
        Ok(Left::Whole {
            bytes_kept,
            bytes_cut,
        })
    }

    /// How much of a file that this process wrote is on disk for certain.
    fn trusted(&self, written: &OpenFile) -> u64 {
        let result = written.flush();
        if let Err(error) = &result {
            let (path, error) = (error.path.clone(), error.line());
            self.tell(ArchiveEvent::FlushFailed { path, error });
        }
        let state = locked(&written.state);
        if result.is_ok() {
            state.len
        } else {
            state.durable
        }
    }

    fn after_move(&self, path: &Path, name: &SpoolName) -> Result<Left, StorageError> {
        let set_aside = self.spool.set_aside.join(name.encode());
        if self.disk.metadata(&set_aside).is_ok() {
            self.move_durably(path, &set_aside)?;
            return Ok(Left::SetAside(set_aside));
        }
        let finished = self.spool.finished.join(name.encode());
        match self.disk.metadata(&finished) {
            Ok(metadata) => Ok(Left::Whole {
                bytes_kept: metadata.bytes,
                bytes_cut: 0,
            }),
            // Carried since then; or it was empty, and its removal was not durable.
            Err(error) if error.kind() == io::ErrorKind::NotFound => Ok(Left::Gone),
            Err(error) => Err(error).at("look up", &finished),
        }
    }

    /// Tags of those objects of a batch that also lie in `finished`: a power cut took back the loss
    /// of their names in `open`.
    fn twins(&self, batch: &[(Order, SpoolName)]) -> Result<HashSet<String>, StorageError> {
        let tags: HashSet<_> = batch.iter().map(|(_, name)| name.tag()).collect();
        let mut twins = HashSet::new();
        let finished = &self.spool.finished;
        let mut look = |entry: &OsStr| {
            let tag = entry
                .to_str()
                .and_then(SpoolName::decode)
                .map(|name| name.tag());
            twins.extend(tag.filter(|tag| tags.contains(tag)));
        };
        self.disk
            .each_entry(finished, &mut look)
            .at("list the folder", finished)?;
        Ok(twins)
    }

    fn set_aside(
        &self,
        from: &Path,
        name: &SpoolName,
        bytes: u64,
        reason: String,
    ) -> Result<Left, StorageError> {
        let path = self.spool.set_aside.join(name.encode());
        self.move_durably(from, &path)?;
        self.tell(ArchiveEvent::SetAside {
            key: name.key.clone(),
            path: path.clone(),
            bytes,
            reason,
        });
        Ok(Left::SetAside(path))
    }
}

/// Whether a file is made of another one, which stays until this one is published.
fn is_copy(name: &SpoolName) -> bool {
    name.key.purpose == KEY_FRAMES && name.key.sink.as_str() == LADDER_SINK
}

fn whole_part(part: &Part<'_>) -> Result<(u64, Vec<mp4::Patch>), Unrepairable> {
    let whole = mp4::whole_prefix(part)?;
    Ok((whole.bytes, mp4::stale_durations(part)?))
}

/// Length up to the last line break.
fn whole_lines(part: &Part<'_>) -> io::Result<u64> {
    let mut buffer = [0; 4096];
    let mut end = part.size;
    while end > 0 {
        let begin = end.saturating_sub(buffer.len() as u64);
        let len = usize::try_from(end - begin).unwrap_or_default();
        let chunk = buffer.get_mut(..len).unwrap_or_default();
        read_exact_at(part.file, begin, chunk)?;
        if let Some(at) = chunk.iter().rposition(|byte| *byte == b'\n') {
            return Ok(begin + at as u64 + 1);
        }
        end = begin;
    }
    Ok(0)
}

/// The part of a file that is trusted.
pub(super) struct Part<'a> {
    pub(super) file: &'a dyn DiskFile,
    pub(super) size: u64,
}

impl mp4::Source for Part<'_> {
    fn size(&self) -> u64 {
        self.size
    }

    fn read_exact_at(&self, offset: u64, buffer: &mut [u8]) -> io::Result<()> {
        read_exact_at(self.file, offset, buffer)
    }
}
