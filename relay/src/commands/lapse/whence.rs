//! Where the frames come from: a folder, or a camera of the archive.

use std::path::Path;
use std::sync::Arc;

use forebay_sun::Place;
use jiff::tz::TimeZone;

use super::arguments::{LapseArguments, What};
use super::usage;
use crate::archive::Disk;
use crate::commands::pin::has_folder;
use crate::commands::{Failure, exit};
use crate::config::Config;
use crate::lapse::footage::KeyFrames;
use crate::lapse::source::{Folder, Material};
use crate::lapse::stills::Stills;
use crate::pictures::DecoderOptions;
use crate::trial::engine;
use crate::units::{CameraName, Name};

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

    /// The options that say where and in which zone a camera is; its site's where they say nothing.
    fn site(
        &self,
        zone: TimeZone,
        place: Option<Place>,
    ) -> Result<(TimeZone, Option<Place>), Failure> {
        let zone = match &self.zone {
            Some(name) => TimeZone::get(name).map_err(|_| {
                usage(format!(
                    "--zone {name}: no such time zone; write it as Europe/Oslo"
                ))
            })?,
            None => zone,
        };
        let own = self.latitude.zip(self.longitude);
        if own.is_some_and(|(lat, lon)| {
            !(-90.0..=90.0).contains(&lat) || !(-180.0..=180.0).contains(&lon)
        }) {
            return Err(usage("--latitude is -90 to 90, --longitude -180 to 180"));
        }
        let own = own.map(|(latitude, longitude)| Place::new(latitude, longitude));
        Ok((zone, own.or(place)))
    }

    fn folder(&self, folder: &Path) -> Result<Whence, Failure> {
        let (zone, place) = self.site(TimeZone::UTC, None)?;
        Ok(Whence {
            material: Box::new(Folder::new(folder.to_owned(), zone.clone())),
            zone,
            place,
        })
    }

    fn camera(&self) -> Result<Whence, Failure> {
        let (config, disk) = self.file.load_with_archive()?;
        let text = self.camera.as_deref().unwrap_or_default();
        let camera = Name::new(text).map_err(|error| usage(format!("CAMERA {text}: {error}")))?;
        let known = config.cameras.iter().find(|known| known.name == camera);
        let site = known.and_then(|known| config.site(&known.site));
        if site.is_none() && !has_folder(&config, &*disk, &camera)? {
            let names = config.cameras.iter().map(|camera| camera.name.as_str());
            return Err(usage(format!(
                "CAMERA {camera}: no such camera in {}, which has {}, nor in its archive; a folder of \
                 frames can be named with --frames",
                self.file.config.display(),
                names.collect::<Vec<_>>().join(", ")
            )));
        }
        let (zone, place) = self.site(
            site.map_or(TimeZone::UTC, |site| site.time_zone.clone()),
            site.and_then(|site| site.position)
                .map(|position| Place::new(position.latitude, position.longitude)),
        )?;
        let stills = Stills::new(Arc::clone(&disk), &config.relay.archive, &camera);
        let key_frames = match self.source {
            What::Auto => !stills.any().map_err(|error| {
                let words = format!("{}: can't be listed: {error}", stills.place());
                Failure::new(exit::UNAVAILABLE, words)
            })?,
            What::Stills => false,
            What::KeyFrames => true,
        };
        let material: Box<dyn Material + Send> = match key_frames {
            true => Box::new(key_frames_of(&config, disk, camera)?),
            false => Box::new(stills),
        };
        Ok(Whence {
            zone,
            place,
            material,
        })
    }
}

fn key_frames_of(
    config: &Config,
    disk: Arc<dyn Disk>,
    camera: CameraName,
) -> Result<KeyFrames, Failure> {
    let engine = engine(Some(&config.relay.plugin_cache), |name| {
        std::env::var_os(name)
    });
    let engine = engine.map_err(|error| Failure::caused(exit::OS, error))?;
    let options = DecoderOptions {
        memory: config.pictures.decoder_memory,
        call: config.pictures.decode,
        pixels_max: config.pictures.pixels_max,
        ffmpeg: config.pictures.ffmpeg.clone(),
    };
    Ok(KeyFrames::new(
        (disk, config.relay.archive.clone()),
        camera,
        (engine, options),
        tokio::runtime::Handle::current(),
    ))
}
