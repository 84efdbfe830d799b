//! Stills of an archive as material.

use std::io::{self, Read as _};
use std::path::PathBuf;
use std::sync::Arc;

use forebay_darkroom::calendar::Instant;
use forebay_darkroom::frame::Frame;

use super::source::{Candidate, FILE_BYTES_MAX, Listing, LoadFault, Material};
use crate::archive::replay::files;
use crate::archive::{Disk, Sequence};
use crate::units::{CameraName, CaptureTime};

/// The folder of a camera that has them.
const STILLS: &str = "stills";

/// What the stills plugin has taken of a camera.
#[derive(Debug)]
pub struct Stills {
    disk: Arc<dyn Disk>,
    root: PathBuf,
}

impl Stills {
    /// Of an archive.
    #[must_use]
    pub fn new(disk: Arc<dyn Disk>, archive: &std::path::Path, camera: &CameraName) -> Self {
        let root = archive.join(camera.as_str()).join(STILLS);
        Self { disk, root }
    }

    /// Whether there are any.
    ///
    /// # Errors
    /// The disk's words.
    pub fn any(&self) -> io::Result<bool> {
        let mut any = false;
        match self.disk.each_entry(&self.root, &mut |_| any = true) {
            Err(error) if error.kind() == io::ErrorKind::NotFound => Ok(false),
            listed => listed.map(|()| any),
        }
    }
}

impl Material for Stills {
    fn list(&self, from: Option<Instant>, to: Option<Instant>) -> io::Result<Listing> {
        let time = |at: Option<Instant>| at.map(CaptureTime::from_unix_nanos);
        let found = files::of_days(&*self.disk, &self.root, "jpg", time(from), time(to));
        let found = match found {
            Err(error) if error.kind() == io::ErrorKind::NotFound => Vec::new(),
            found => found?,
        };
        let mut listing = Listing::default();
        for (begin, path) in found {
            let below = path.strip_prefix(&self.root).unwrap_or(&path);
            listing.candidates.push(Candidate {
                at: begin.unix_nanos(),
                source: below.to_string_lossy().into_owned(),
                offset: 0,
                bytes: 0,
            });
        }
        Ok(listing.ordered())
    }

    fn load(&self, candidate: &Candidate) -> Result<Frame, LoadFault> {
        let path = self.root.join(&candidate.source);
        let read = || {
            let file = self.disk.open_to_read(&path)?;
            if file.size()? > FILE_BYTES_MAX {
                return Err(io::ErrorKind::FileTooLarge.into());
            }
            let mut jpeg = Vec::new();
            Sequence::new(file).read_to_end(&mut jpeg)?;
            Ok(jpeg)
        };
        let jpeg = read().map_err(|error| LoadFault::read(&error))?;
        Frame::from_jpeg(&jpeg).map_err(LoadFault::unusable)
    }

    fn place(&self) -> String {
        self.root.display().to_string()
    }
}
