//! Up to when an account can be settled; settling it.

use super::super::spans::later;
use super::super::{Coverage, GapCause, Span, Witness};
use super::{Camera, FOOTAGE, Keeper, SECOND};
use crate::archive::catalog::{Catalog, CatalogError, Change};
use crate::units::CaptureTime;

/// What is younger is not settled: it may be on its way.
const SETTLE_AFTER: i64 = 30 * SECOND;
/// Settled in steps of this.
const SETTLE_STEP: i64 = 5 * SECOND;
/// So long after a camera was left out of the configuration, its sinks have ended.
const LEFT_AFTER: i64 = 10 * SECOND;
/// As long as intake sees a dropout, or nothing explains why no file is open, what is missing may
/// yet come, from the camera's buffer or from the hold; but not after this.
const SETTLE_AT_LAST: i64 = 120 * SECOND;
/// An object that is open for longer (twice the longest segment and more) settles nothing any more.
const OPEN_MAX: i64 = 3 * 3600 * SECOND;

impl Keeper {
    /// The gap that lasts: the begin and the cause of the earliest evidence without an end, where
    /// nothing is recorded.
    pub(super) fn lasting_gap(&self, camera: &Camera) -> Option<(CaptureTime, GapCause)> {
        let recorded = self.archive.oldest_unsettled(&camera.name, FOOTAGE);
        let lasting = camera.open.values().filter(|evidence| {
            let counts = !matches!(evidence.witness, Witness::Sink(_)) || recorded.is_none();
            counts && evidence.cause != GapCause::Planned
        });
        let first = lasting.min_by_key(|evidence| evidence.begin)?;
        Some((first.begin, first.cause))
    }

    /// Up to when the account of a camera can't change any more.
    pub(super) fn horizon(
        &self,
        catalog: &Catalog,
        camera: &Camera,
        now: CaptureTime,
    ) -> CaptureTime {
        let at_last = later(now, -SETTLE_AT_LAST);
        let mut horizon = later(now, -SETTLE_AFTER);
        let being_read = camera.reading.values().min().copied();
        let open = self.archive.oldest_unsettled(&camera.name, FOOTAGE);
        let open = open.filter(|begin| *begin > later(now, -OPEN_MAX));
        for begin in being_read.into_iter().chain(open) {
            horizon = horizon.min(begin);
        }
        if open.is_none() && camera.open.is_empty() {
            let end = catalog.footage_end(&camera.name).ok().flatten();
            horizon = horizon.min(end.unwrap_or(at_last).max(at_last));
        }
        for (witness, begin) in camera.open.keys() {
            if *witness == Witness::Intake && *begin > at_last {
                horizon = horizon.min(*begin);
            }
        }
        horizon
    }

    pub(super) fn is_unsettled(&self, camera: &Camera) -> bool {
        let oldest = self.archive.oldest_unsettled(&camera.name, FOOTAGE);
        oldest.is_some()
    }

    /// Accounts for what has become certain. `last`: nothing more will come.
    pub(super) fn settle(&mut self, now: CaptureTime, last: bool) {
        let Some(catalog) = &self.catalog else { return };
        let mut failure = None;
        for camera in &self.cameras {
            let busy = !camera.reading.is_empty() || self.is_unsettled(camera);
            let horizon = match (last && !busy, camera.left) {
                (true, None) => self.alive,
                (true, Some(left)) => left,
                (false, Some(left)) if !busy && now > later(left, LEFT_AFTER) => left,
                (false, left) => {
                    let horizon = self.horizon(catalog, camera, now);
                    left.map_or(horizon, |left| horizon.min(left))
                }
            };
            let least = if last { 0 } else { SETTLE_STEP };
            match settle(catalog, camera, self.run, horizon, least) {
                Ok(Some(coverage)) => {
                    self.events.settled(&coverage);
                    self.events.horizon(&camera.name, horizon);
                    self.pending.push(Change::Settled {
                        camera: camera.name.clone(),
                        until: horizon,
                    });
                }
                Ok(None) => {}
                Err(error) => failure = Some(error),
            }
        }
        for change in &self.pending {
            if let Change::Settled { camera, until } = change
                && let Some(camera) = self.cameras.iter_mut().find(|c| c.name == *camera)
            {
                camera.counted = Some(*until);
            }
        }
        let done = |camera: &Camera| camera.left.is_some_and(|left| camera.counted >= Some(left));
        self.cameras.retain(|camera| !done(camera));
        if let Some(error) = failure {
            self.failed(&error);
        }
    }
}

/// The account of what has been settled since the last time.
fn settle(
    catalog: &Catalog,
    camera: &Camera,
    run: CaptureTime,
    horizon: CaptureTime,
    least: i64,
) -> Result<Option<Coverage>, CatalogError> {
    let counted = match camera.counted {
        Some(counted) => counted,
        None => match catalog.settled(&camera.name)? {
            Some(settled) => settled,
            None => catalog.first_run(&camera.name)?.unwrap_or(run),
        },
    };
    match Span::new(counted, horizon) {
        Some(window) if window.nanos() >= least => {
            catalog.coverage_to(&camera.name, window, horizon)
        }
        _ => Ok(None),
    }
}
