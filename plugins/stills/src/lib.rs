//! Takes stills on a schedule: the key frame nearest to each instant that is wanted, as JPEG. The
//! sandbox border is here; the rest knows nothing of it.

pub mod exif;
pub mod frame;
pub mod host;
pub mod jpeg;
pub mod measure;
pub mod schedule;
pub mod settings;
pub mod shutter;
pub mod still;

use forebay_plugin_sdk::{
    Analyzer, Configuration, Finding, Instant, Object, Part, Picture, Request, export_analyzer,
    pictures, surroundings, telemetry,
};
use forebay_sun::Place;
use jiff::tz::TimeZone;

use exif::Position;
use frame::{Frame, FrameError, Plane};
use host::Host;
use schedule::Schedule;
use settings::Settings;
use shutter::Shutter;
use still::Origin;

const PURPOSE: &str = "stills";
const EXTENSION: &str = "jpg";

/// The relay behind the sandbox's border.
#[derive(Debug)]
struct Relay;

impl Host for Relay {
    fn ask(&mut self, at: Instant) {
        pictures::ask(at);
    }

    fn wanted(&mut self, at: Instant) -> bool {
        surroundings::wanted(at)
    }

    fn store(&mut self, captured: Instant, jpeg: Vec<u8>) -> Result<(), String> {
        let stored = || {
            let object = Object::create(PURPOSE, EXTENSION, captured)?;
            object.append(&[Part::from(jpeg)])?;
            object.finish(captured)
        };
        stored().map_err(|error| format!("the still can't be stored: {error}"))
    }

    fn leave(&mut self, told: Instant) {
        if let Err(error) = surroundings::leave(&told.to_string()) {
            telemetry::warn(&error);
        }
    }

    fn left(&mut self) -> Option<Instant> {
        surroundings::left()?.parse().ok()
    }

    fn count(&mut self, name: &str, amount: u64) {
        telemetry::count(name, amount);
    }

    fn gauge(&mut self, name: &str, value: f64) {
        telemetry::gauge(name, value);
    }

    fn warn(&mut self, message: &str) {
        telemetry::warn(message);
    }
}

/// The plugin as the relay drives it.
#[derive(Debug)]
pub struct Stills(Shutter<Relay>);

/// What the configuration says, checked: the schedule and what all stills have in common.
///
/// # Errors
/// A text for the operator.
pub fn read(configuration: &Configuration) -> Result<(Settings, Schedule, Origin), String> {
    let settings: Settings = configuration.settings().map_err(|e| e.to_string())?;
    let sink = &configuration.sink;
    let position = configuration.latitude.zip(configuration.longitude);
    let settings = settings
        .checked(position.is_some())
        .map_err(|e| format!("[sink.settings] of sink {sink:?}: {e}"))?;
    let name = &configuration.time_zone;
    let zone = TimeZone::get(name).map_err(|e| {
        format!("sink {sink:?}: time zone {name:?} is not in the zones that this plugin has: {e}")
    })?;
    let place = position.map(|(latitude, longitude)| Place::new(latitude, longitude));
    let origin = Origin {
        camera: configuration.camera.clone(),
        site: configuration.site.clone(),
        zone: zone.clone(),
        position: position.map(|(latitude_degrees, longitude_degrees)| Position {
            latitude_degrees,
            longitude_degrees,
        }),
    };
    let schedule = Schedule::new(&settings, zone, place);
    Ok((settings, schedule, origin))
}

/// What is wanted of the relay: no pictures but those asked for, in the main stream's quality, as
/// a JPEG has them.
#[must_use]
pub fn request(settings: &Settings) -> Request {
    Request::i420(0.0, settings.longest_side).from_main()
}

fn view(plane: &forebay_plugin_sdk::Plane) -> Result<Plane<'_>, FrameError> {
    let [width, height, stride] = [plane.width, plane.height, plane.stride].map(|n| n as usize);
    Plane::new(&plane.bytes, width, height, stride)
}

/// Checks a picture.
///
/// # Errors
/// A text that says what is wrong with it.
pub fn frame(picture: &Picture) -> Result<Frame<'_>, String> {
    let [luma, cb, cr] = picture.planes.as_slice() else {
        return Err(format!(
            "a picture of format {:?} with {} planes: i420 was asked for",
            picture.format,
            picture.planes.len()
        ));
    };
    let frame = || {
        let planes = [view(luma)?, view(cb)?, view(cr)?];
        Frame::new(picture.captured, planes)
    };
    let mut frame = frame().map_err(|error| format!("a picture that is none: {error}"))?;
    frame.uncertainty_nanos = picture.uncertainty;
    frame.asked = picture.asked;
    Ok(frame)
}

impl Analyzer for Stills {
    fn configure(configuration: Configuration) -> Result<(Self, Request), String> {
        let (settings, schedule, origin) = read(&configuration)?;
        let request = request(&settings);
        let shutter = Shutter::new(schedule, origin, settings.quality, Relay);
        Ok((Self(shutter), request))
    }

    fn analyze(&mut self, picture: Picture) -> Result<Vec<Finding>, String> {
        self.0.take(&frame(&picture)?)
    }

    fn tick(&mut self, now: Instant) -> Vec<Finding> {
        self.0.tick(now)
    }

    fn stop(&mut self) -> Vec<Finding> {
        self.0.stop()
    }
}

export_analyzer!(Stills);
