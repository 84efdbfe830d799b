//! Which cameras are wanted: other ones are another run.

use super::{Camera, EARLIER_RUNS, Keeper, later};
use crate::units::{CameraName, CaptureTime, SiteName};

/// Those that are in the configuration.
pub(super) fn present(cameras: &[Camera]) -> impl Iterator<Item = &Camera> {
    cameras.iter().filter(|camera| camera.left.is_none())
}

impl Keeper {
    /// Writes the last runs into a camera's journal.
    pub(super) fn tell_earlier(&mut self, camera: usize) {
        let (Some(camera), Some(catalog)) = (self.cameras.get(camera), &self.catalog) else {
            return;
        };
        let earlier = catalog.last_runs(&camera.name, EARLIER_RUNS).ok();
        for run in earlier.into_iter().flatten().rev() {
            self.journals.run(&camera.name, &run);
        }
    }

    /// The run ends, and another one begins at the same instant, with other cameras: what a run
    /// knows is what is wanted while it lasts. Those that are left out stay until their account is
    /// settled.
    pub(super) fn reconfigure(&mut self, cameras: Vec<(CameraName, SiteName)>, at: CaptureTime) {
        let at = at.max(later(self.run, 1));
        self.alive = at;
        self.live(true);
        self.journal_run(true);
        self.commit();
        let mut before = std::mem::take(&mut self.cameras);
        for (name, site) in cameras {
            match before.iter().position(|camera| camera.name == name) {
                Some(known) => {
                    let known = before.swap_remove(known);
                    let left = None;
                    self.cameras.push(Camera {
                        site,
                        left,
                        ..known
                    });
                }
                None => {
                    self.events.camera(&name);
                    self.cameras.push(Camera::new((name, site)));
                    self.tell_earlier(self.cameras.len() - 1);
                }
            }
        }
        for mut camera in before {
            if camera.left.is_none() {
                camera.left = Some(at);
                // It ends with the run.
                camera.open.clear();
            }
            self.cameras.push(camera);
        }
        self.begin_run(at);
    }
}
