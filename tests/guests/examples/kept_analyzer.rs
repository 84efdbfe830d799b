//! An analyzer that uses all that world `analyzer` of 0.1.0 has, and behaves. `kept/` holds it as
//! compiled in its time.
//!
//! Findings: `kept`, one of each picture, scored by its mean brightness, of the picture's left
//! half; `kept-state`, that begins with the first picture and ends in `stop`. The first picture
//! becomes an object of purpose `kept` in PGM. It asks for a picture in the first second. Counters
//! `pictures`, `answers`, `ticks`, `wanted` and `amiss` (an answer that is none of those promised),
//! gauge `picture_bytes`, histogram `picture_seconds`.

use forebay_plugin_sdk::{
    Analyzer, Configuration, Finding, Instant, Object, ObjectError, Part, Picture, Region, Request,
    export_analyzer, pictures, surroundings, telemetry,
};

/// Longest side that it asks for.
const SIDE: u32 = 64;

#[derive(Default)]
struct Kept {
    last: Instant,
    pictures: u64,
    ticks: u64,
}

impl Kept {
    fn store(picture: &Picture) -> Result<(), ObjectError> {
        let object = Object::create("kept", "pgm", picture.captured)?;
        let (width, height) = (picture.width, picture.height);
        object.append(&[Part::from(
            format!("P5 {width} {height} 255\n").into_bytes(),
        )])?;
        let rows = picture.luma().into_iter().flat_map(|raster| raster.rows());
        for row in rows {
            object.append(&[Part::from(row.to_vec())])?;
        }
        object.finish(picture.captured)
    }
}

impl Analyzer for Kept {
    fn configure(configuration: Configuration) -> Result<(Self, Request), String> {
        let Configuration { camera, sink, .. } = &configuration;
        telemetry::info(&format!("kept: {camera} {sink} {}", configuration.settings));
        Ok((Self::default(), Request::gray(2.0, SIDE)))
    }

    fn analyze(&mut self, picture: Picture) -> Result<Vec<Finding>, String> {
        let at = picture.captured;
        telemetry::count(
            if picture.asked.is_some() {
                "answers"
            } else {
                "pictures"
            },
            1,
        );
        telemetry::observe("picture_seconds", picture.uncertainty as f64 / 1e9);
        let luma = picture.luma().map_err(|error| error.to_string())?;
        telemetry::gauge("picture_bytes", (luma.width() * luma.height()) as f64);
        let fits = picture.width.max(picture.height) <= SIDE;
        let same = luma.width() == picture.width as usize && luma.height() > 0;
        if !fits || !same || picture.planes.len() != 1 || at <= 0 {
            telemetry::count("amiss", 1);
            telemetry::error(&format!("amiss: {}x{}", picture.width, picture.height));
        }
        let left = Region {
            left: 0.0,
            top: 0.0,
            width: 0.5,
            height: 1.0,
        };
        let score = luma.crop(&left).mean() / 255.0;
        let seen = Finding::mark("kept", score, at)
            .within(left)
            .saying("as it was");
        self.pictures += 1;
        self.last = self.last.max(at);
        if self.pictures > 1 {
            return Ok(vec![seen]);
        }
        Self::store(&picture).map_err(|error| error.to_string())?;
        Ok(vec![seen, Finding::begin("kept-state", 1.0, at)])
    }

    fn tick(&mut self, now: Instant) -> Vec<Finding> {
        telemetry::count("ticks", 1);
        telemetry::count("wanted", u64::from(surroundings::wanted(now)));
        self.ticks += 1;
        if self.ticks == 1 {
            pictures::ask(now);
        }
        Vec::new()
    }

    fn stop(&mut self) -> Vec<Finding> {
        telemetry::info("kept: stopped");
        if self.pictures == 0 {
            return Vec::new();
        }
        vec![Finding::end("kept-state", 0.0, self.last)]
    }
}

export_analyzer!(Kept);
