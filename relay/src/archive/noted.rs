//! What is noted of published files, for whoever reads them and wants to know whether they are whole.

use std::collections::{BTreeMap, BTreeSet};
use std::io;
use std::path::Path;

use super::catalog::Catalog;
use super::checksum::Fingerprint;
use super::disk::Disk;
use super::manifest::{State, Wanted, entries};
use super::names::{ObjectName, days_before};
use crate::units::CameraName;

/// A line is written within so many days of what it tells, unless the archive was away for longer.
const DAYS: i32 = 2;

/// What the catalog has noted, if there is one.
#[derive(Debug)]
pub(crate) struct Catalogued(Option<Catalog>);

impl Catalogued {
    pub(crate) fn new(spool: &Path) -> Self {
        Self(Catalog::open_to_read(spool).ok())
    }

    pub(crate) fn fingerprint(&self, object: &str) -> Option<Fingerprint> {
        self.0.as_ref()?.fingerprint(object).ok().flatten()
    }
}

/// What the manifests have noted.
#[derive(Debug, Default)]
pub(crate) struct Noted(pub(crate) BTreeMap<String, Fingerprint>);

impl Noted {
    /// Reads the manifests of the days of some objects, and later ones where these do not tell.
    ///
    /// # Errors
    /// What the disk says.
    pub(crate) fn read(
        disk: &dyn Disk,
        (archive, spool): (&Path, &Path),
        camera: &CameraName,
        objects: &[&str],
    ) -> io::Result<Self> {
        let mut wanted: BTreeSet<&str> = objects.iter().copied().collect();
        let mut noted = Self::default();
        for near in [true, false] {
            let days = wanted.iter().filter_map(|object| ObjectName::parse(object));
            let days: BTreeSet<String> = days.map(|name| name.day.to_owned()).collect();
            let (Some(first), Some(last)) = (days.first(), days.last()) else {
                break;
            };
            let (since, until) = (days_before(first, 1), days_before(last, -DAYS));
            let pages = Wanted {
                since: &since,
                page: &|page| !near || page.place.0.day() <= until,
            };
            let wants = |name: &ObjectName<'_>| days.contains(name.day);
            let told = entries(disk, (archive, spool), camera, pages, &wants)?;
            for (object, entry) in told.objects {
                if let State::There(taken) = entry.state
                    && wanted.remove(object.as_str())
                {
                    noted.0.insert(object, taken);
                }
            }
        }
        Ok(noted)
    }
}
