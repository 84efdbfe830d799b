//! Up to when an account can be settled.

use super::super::spans::later;
use super::super::{GapCause, Witness};
use super::{Camera, FOOTAGE, Keeper, OPEN_MAX, SETTLE_AFTER, SETTLE_AT_LAST};
use crate::archive::catalog::Catalog;
use crate::units::CaptureTime;

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
}
