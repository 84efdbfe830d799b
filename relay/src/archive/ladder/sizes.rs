//! How much the archive holds of each camera and form.

use std::collections::BTreeMap;

use super::{DayFolder, Form, Object};
use crate::units::CameraName;

/// Bytes by folder of a day, with their sums.
#[derive(Debug, Default)]
pub(super) struct Sizes {
    folders: BTreeMap<String, u64>,
    sums: BTreeMap<(CameraName, Form), u64>,
}

impl Sizes {
    /// Notes what a folder holds now.
    pub(super) fn set(&mut self, folder: &DayFolder, bytes: u64) {
        let before = match bytes {
            0 => self.folders.remove(&folder.name),
            _ => self.folders.insert(folder.name.clone(), bytes),
        };
        let sum = self.sums.entry((folder.camera.clone(), folder.form));
        let sum = sum.or_default();
        *sum = sum
            .saturating_sub(before.unwrap_or(0))
            .saturating_add(bytes);
    }

    /// Notes that an object of a folder is gone.
    pub(super) fn gone(&mut self, folder: &str, object: &Object) {
        if let Some(bytes) = self.folders.get_mut(folder) {
            let less = object.bytes.min(*bytes);
            *bytes -= less;
            if let Some(sum) = self.sums.get_mut(&(object.camera.clone(), object.form)) {
                *sum = sum.saturating_sub(less);
            }
        }
    }

    /// Forgets folders that are not there any more.
    pub(super) fn keep_only(&mut self, folders: &[DayFolder]) {
        let there: std::collections::BTreeSet<&str> =
            folders.iter().map(|folder| folder.name.as_str()).collect();
        if self
            .folders
            .keys()
            .all(|name| there.contains(name.as_str()))
        {
            return;
        }
        let by_name: BTreeMap<&str, &DayFolder> = folders
            .iter()
            .map(|folder| (folder.name.as_str(), folder))
            .collect();
        self.folders.retain(|name, _| there.contains(name.as_str()));
        self.sums.values_mut().for_each(|sum| *sum = 0);
        for (name, bytes) in &self.folders {
            if let Some(folder) = by_name.get(name.as_str()) {
                let sum = self.sums.entry((folder.camera.clone(), folder.form));
                *sum.or_default() += bytes;
            }
        }
    }

    /// By camera and form.
    pub(super) fn sums(&self) -> impl Iterator<Item = (&CameraName, Form, u64)> {
        let sums = self.sums.iter();
        sums.map(|((camera, form), bytes)| (camera, *form, *bytes))
    }

    /// By camera.
    pub(super) fn used(&self) -> BTreeMap<CameraName, u64> {
        let mut used: BTreeMap<CameraName, u64> = BTreeMap::new();
        for (camera, _, bytes) in self.sums() {
            let sum = used.entry(camera.clone()).or_default();
            *sum = sum.saturating_add(bytes);
        }
        used
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::units::{CaptureTime, Name};

    #[test]
    fn sums_follow_their_folders() {
        let folder = |form: Form, day: &str| DayFolder {
            day: day.into(),
            camera: Name::new("gate").unwrap(),
            form,
            name: format!("gate/{}/{day}", form.as_str()),
        };
        let (a, b) = (
            folder(Form::Footage, "2026-05-04"),
            folder(Form::Footage, "2026-05-05"),
        );
        let stills = folder(Form::Stills, "2026-05-04");
        let mut sizes = Sizes::default();
        let used = |sizes: &Sizes| sizes.used().values().copied().collect::<Vec<_>>();
        sizes.set(&a, 100);
        sizes.set(&b, 50);
        sizes.set(&stills, 7);
        sizes.set(&a, 120);
        assert_eq!(used(&sizes), [177]);
        let time = CaptureTime::from_unix_nanos(0);
        let object = Object {
            camera: a.camera.clone(),
            form: Form::Footage,
            begin: time,
            end: time,
            bytes: 20,
            thinned_bytes: 0,
            name: String::new(),
        };
        sizes.gone(&a.name, &object);
        assert_eq!(used(&sizes), [157]);
        sizes.keep_only(&[b, stills.clone()]);
        assert_eq!(used(&sizes), [57]);
        sizes.set(&stills, 0);
        assert_eq!(used(&sizes), [50]);
    }
}
