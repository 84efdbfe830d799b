//! Whether what a clip was cut from is what was published.
//!
//! The catalog knows the SHA-256 of each file; where it does not, or there is none, the manifests do.

use std::collections::BTreeMap;

use super::manifest::SourceEntry;
use super::sources::Place;
use crate::archive::{Catalogued, Fingerprint, Noted};

/// Says of each source whether it is what was published.
pub(super) fn verify(place: &Place<'_>, entries: &mut [SourceEntry]) {
    let names = entries.iter().map(|entry| entry.name.as_str());
    let names: Vec<&str> = names.filter(|name| !name.starts_with("spool/")).collect();
    let catalogued = Catalogued::new(place.spool);
    let mut noted: BTreeMap<String, Fingerprint> = BTreeMap::new();
    let mut others = Vec::new();
    for name in names {
        match catalogued.fingerprint(name) {
            Some(taken) => {
                noted.insert(name.to_owned(), taken);
            }
            None => others.push(name),
        }
    }
    let mut unreadable = None;
    if !others.is_empty() {
        match Noted::read(
            place.disk,
            (place.archive, place.spool),
            place.camera,
            &others,
        ) {
            Ok(found) => noted.extend(found.0),
            Err(error) => unreadable = Some(error),
        }
    }
    for entry in entries {
        let is_same = |taken: &Fingerprint| {
            taken.bytes == entry.bytes && taken.sha256.to_string() == entry.sha256
        };
        (entry.verified, entry.remark) = match (noted.get(&entry.name), &unreadable) {
            (Some(taken), _) if is_same(taken) => (Some(true), String::new()),
            (Some(taken), _) => {
                let Fingerprint { bytes, sha256 } = taken;
                let words = format!(
                    "it is damaged: when it was published it had {bytes} bytes and the SHA-256 {sha256}"
                );
                (Some(false), words)
            }
            (None, _) if entry.name.starts_with("spool/") => {
                (None, "it was not published yet".to_owned())
            }
            (None, Some(error)) => (None, format!("the manifests can't be read: {error}")),
            (None, None) => (None, "no manifest lists it".to_owned()),
        };
    }
}
