//! Where the frames come from: a folder, or a camera of the archive.

use std::path::Path;
use std::sync::Arc;

use forebay_sun::Place;
use jiff::tz::TimeZone;

use super::arguments::{LapseArguments, What};
use super::usage;
use crate::commands::{Failure, exit};
use crate::config::Config;
use crate::lapse::footage::KeyFrames;
use crate::lapse::source::{Folder, Material};
use crate::pictures::DecoderOptions;
use crate::trial::engine;
use crate::units::Name;

/// What comes of a camera or a folder.
pub(super) struct Whence {
    pub(super) zone: TimeZone,
    pub(super) place: Option<Place>,
    pub(super) material: Box<dyn Material + Send>,
}

impl LapseArguments {
    pub(super) fn whence(&self) -> Result<Whence, Failure> {
        match &self.frames {
            Some(folder) => self.folder(folder),
            None => self.camera(),
        }
    }

    fn folder(&self, folder: &Path) -> Result<Whence, Failure> {
        let zone = match &self.zone {
            Some(name) => TimeZone::get(name).map_err(|_| {
                usage(format!(
                    "--zone {name}: no such time zone; write it as Europe/Oslo"
                ))
            })?,
            None => TimeZone::UTC,
        };
        let place = self.latitude.zip(self.longitude);
        if place.is_some_and(|(lat, lon)| {
            !(-90.0..=90.0).contains(&lat) || !(-180.0..=180.0).contains(&lon)
        }) {
            return Err(usage("--latitude is -90 to 90, --longitude -180 to 180"));
        }
        Ok(Whence {
            material: Box::new(Folder::new(folder.to_owned(), zone.clone())),
            zone,
            place: place.map(|(latitude, longitude)| Place::new(latitude, longitude)),
        })
    }

    fn camera(&self) -> Result<Whence, Failure> {
        let config = self.file.load()?;
        let text = self.camera.as_deref().unwrap_or_default();
        let camera = Name::new(text).map_err(|error| usage(format!("CAMERA {text}: {error}")))?;
        let known = config.cameras.iter().find(|known| known.name == camera);
        let Some(site) = known.and_then(|known| config.site(&known.site)) else {
            let names: Vec<_> = config
                .cameras
                .iter()
                .map(|camera| camera.name.as_str())
                .collect();
            return Err(usage(format!(
                "CAMERA {camera}: no such camera in {}, which has {}; a folder of frames can be named with \
                 --frames",
                self.file.config.display(),
                names.join(", ")
            )));
        };
        let stills = config.relay.archive.join(camera.as_str()).join("stills");
        let has_stills =
            std::fs::read_dir(&stills).is_ok_and(|mut entries| entries.next().is_some());
        let key_frames = match self.source {
            What::Auto => !has_stills,
            What::Stills => false,
            What::KeyFrames => true,
        };
        let material: Box<dyn Material + Send> = match key_frames {
            true => Box::new(self.key_frames(&config, &camera)?),
            false => Box::new(Folder::of_archive(stills, site.time_zone.clone())),
        };
        Ok(Whence {
            zone: site.time_zone.clone(),
            place: site
                .position
                .map(|position| Place::new(position.latitude, position.longitude)),
            material,
        })
    }

    fn key_frames(&self, config: &Config, camera: &Name) -> Result<KeyFrames, Failure> {
        let engine = engine(Some(&config.relay.plugin_cache), |name| {
            std::env::var_os(name)
        });
        let engine = engine.map_err(|error| Failure::caused(exit::OS, error))?;
        let handle = tokio::runtime::Handle::current();
        let options = DecoderOptions {
            memory: config.pictures.decoder_memory,
            call: config.pictures.decode,
            pixels_max: config.pictures.pixels_max,
            ffmpeg: config.pictures.ffmpeg.clone(),
        };
        Ok(KeyFrames::new(
            &config.relay.archive,
            camera,
            Arc::clone(&engine),
            options,
            handle,
        ))
    }
}
