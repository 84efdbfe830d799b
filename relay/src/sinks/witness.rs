//! What a sink tells the ledger: where it was not handed units, and where the disk refused.

use std::sync::{Arc, Mutex, PoisonError};
use std::time::Duration;

use crate::archive::ledger::{Evidence, GapCause, Ledger, Witness};
use crate::units::{CameraName, CaptureTime, SinkName};

/// What a failed object may lose of what was appended before: 5 s that were not flushed, and a
/// fragment of 10 s. Evidence says nothing where footage is there, so it may reach too far.
const BEFORE: Duration = Duration::from_secs(15);

/// The evidence of one sink on one camera. Clones share it; without a ledger nothing is told.
#[derive(Debug, Clone, Default)]
pub(super) struct SinkWitness(Option<Arc<Inner>>);

#[derive(Debug)]
struct Inner {
    ledger: Ledger,
    camera: CameraName,
    sink: SinkName,
    told: Mutex<Told>,
}

/// What has been told and not ended.
#[derive(Debug, Default)]
struct Told {
    lapse: Option<Evidence>,
    storage: Option<Evidence>,
}

impl SinkWitness {
    pub(super) fn new(ledger: &Ledger, camera: CameraName, sink: SinkName) -> Self {
        Self(Some(Arc::new(Inner {
            ledger: ledger.clone(),
            camera,
            sink,
            told: Mutex::default(),
        })))
    }

    fn with(&self, work: impl FnOnce(&Inner, &mut Told)) {
        if let Some(inner) = &self.0 {
            let mut told = inner.told.lock().unwrap_or_else(PoisonError::into_inner);
            work(inner, &mut told);
        }
    }

    /// From `after` on units are not recorded, until [`goes_on`](Self::goes_on).
    pub(super) fn lapse(&self, after: Option<CaptureTime>, why: &str) {
        self.with(|inner, told| {
            if told.lapse.is_none() {
                let evidence = inner.evidence(
                    Witness::Sink(inner.sink.clone()),
                    after.unwrap_or_else(CaptureTime::now),
                    GapCause::Sink,
                    format!("{}: {why}", inner.sink),
                );
                inner.ledger.tell(evidence.clone());
                told.lapse = Some(evidence);
            }
        });
    }

    /// A unit that was captured at this time is handed over.
    pub(super) fn goes_on(&self, at: CaptureTime) {
        self.with(|inner, told| inner.end(&mut told.lapse, at));
    }

    /// The disk refused something that belongs to footage, or did not.
    pub(super) fn storage(&self, error: Option<&str>) {
        let now = CaptureTime::now();
        self.with(|inner, told| match error {
            None => inner.end(&mut told.storage, now),
            Some(error) if told.storage.is_none() => {
                let before = i64::try_from(BEFORE.as_nanos()).unwrap_or(i64::MAX);
                let begin = now.unix_nanos().saturating_sub(before);
                let evidence = inner.evidence(
                    Witness::Archive,
                    CaptureTime::from_unix_nanos(begin),
                    GapCause::Storage,
                    error.to_owned(),
                );
                inner.ledger.tell(evidence.clone());
                told.storage = Some(evidence);
            }
            Some(_) => {}
        });
    }
}

impl Inner {
    fn evidence(
        &self,
        witness: Witness,
        begin: CaptureTime,
        cause: GapCause,
        detail: String,
    ) -> Evidence {
        Evidence {
            camera: self.camera.clone(),
            witness,
            begin,
            end: None,
            cause,
            detail,
        }
    }

    fn end(&self, told: &mut Option<Evidence>, end: CaptureTime) {
        if let Some(evidence) = told.take() {
            let end = Some(end);
            self.ledger.tell(Evidence { end, ..evidence });
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::archive::catalog::Catalog;
    use crate::archive::ledger::{Coverage, LedgerFeed, LedgerOptions, Span};
    use crate::archive::{Archive, ArchiveOptions, RealDisk};
    use crate::telemetry::{LedgerEvents, Telemetry};
    use crate::units::Name;

    #[test]
    fn what_a_sink_sees_is_told_once_and_ends() {
        // The disk's evidence reaches back, and stands before the sink's.
        for (disk_fails, cause, detail) in [
            (false, GapCause::Sink, "footage: the plugin ended"),
            (true, GapCause::Storage, "no space"),
        ] {
            let coverage = coverage(disk_fails);
            let [gap] = &coverage.gaps[..] else {
                panic!("{coverage:?}");
            };
            assert_eq!((gap.cause, gap.detail.as_str()), (cause, detail));
        }
    }

    fn coverage(disk_fails: bool) -> Coverage {
        let dir = tempfile::tempdir().unwrap();
        let spool = dir.path().join("spool");
        let events = LedgerEvents::new(&Arc::new(Telemetry::new()));
        let (_feed, inbox) = LedgerFeed::new(&events);
        let options = ArchiveOptions::new(&spool, dir.path().join("archive"));
        let (archive, _) = Archive::open(options, Arc::new(RealDisk), Arc::new(|_| {})).unwrap();
        let camera = Name::new("gate").unwrap();
        let options = LedgerOptions {
            spool: spool.clone(),
            cameras: vec![(camera.clone(), Name::new("boatyard").unwrap())],
        };
        let ledger = Ledger::start(inbox, &archive, options).unwrap();
        let begin = CaptureTime::now();
        let witness = SinkWitness::new(&ledger, camera.clone(), Name::new("footage").unwrap());
        // More than the quarter of a second that a piece of a gap has at least.
        let pause = || std::thread::sleep(Duration::from_millis(400));
        witness.storage(None);
        witness.lapse(Some(begin), "the plugin ended");
        witness.lapse(None, "again");
        pause();
        let end = CaptureTime::now();
        witness.goes_on(end);
        witness.goes_on(end);
        if disk_fails {
            witness.storage(Some("no space"));
            witness.storage(Some("still none"));
            pause();
            witness.storage(None);
        }
        assert!(ledger.close(Duration::from_secs(20)));
        let catalog = Catalog::open_to_read(&spool).unwrap();
        let window = Span::new(CaptureTime::from_unix_nanos(0), CaptureTime::now()).unwrap();
        catalog.coverage(&camera, window).unwrap().unwrap()
    }
}
