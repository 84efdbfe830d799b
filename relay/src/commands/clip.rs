//! `forebay clip`: a stretch of footage to be given away.

use std::path::PathBuf;
use std::sync::Arc;

use jiff::tz::TimeZone;

use super::coverage::{When, window};
use super::pin::has_folder;
use super::{ConfigFile, Failure, exit, output};
use crate::archive::Disk;
use crate::archive::ledger::Span;
use crate::clip::{Clip, ClipError, ClipRequest, NewFile, Sound, Target, cut};
use crate::config::{Config, Site};
use crate::coverage::{length, local, plain};
use crate::supervise::signals;
use crate::units::{CameraName, CaptureTime, Name};

/// Gaps that are listed; the manifest has all of them.
const GAPS_MAX: usize = 20;

#[derive(Debug, clap::Args)]
pub(super) struct ClipArguments {
    /// The camera
    #[arg(value_name = "CAMERA")]
    camera: String,
    #[command(flatten)]
    file: ConfigFile,
    /// From when on: a date (its midnight), a date and time in the site's zone, or RFC 3339. The clip
    /// begins at the last picture at or before it where decoding can begin
    #[arg(long, value_name = "WHEN")]
    from: When,
    /// Until when, written like --from: a date is not included itself
    #[arg(long, value_name = "WHEN")]
    to: When,
    /// A new folder for the clip, or an .mp4 file beside which the rest is put; nothing is overwritten
    #[arg(long, value_name = "DIR|FILE")]
    out: PathBuf,
    /// Leave the sound out
    #[arg(long)]
    redact_audio: bool,
}

pub(super) async fn clip(arguments: ClipArguments) -> Result<(), Failure> {
    let (config, disk) = arguments.file.load_with_archive()?;
    let (request, zone) = arguments.request(&config, disk, CaptureTime::now())?;
    let shutdown = signals::catch().map_err(|error| Failure::caused(exit::OS, error))?;
    // A disk may hang; a second signal ends the process then.
    let work = tokio::task::spawn_blocking(move || {
        let clip = cut(&request, &shutdown)?;
        Ok((clip, request))
    });
    let done = work
        .await
        .map_err(|error| Failure::caused(exit::SOFTWARE, error))?;
    let (clip, request) = done.map_err(failed)?;
    for passed in &clip.passed {
        output::complain(&format!("passed over: {}: {}", passed.source, passed.fault));
    }
    for damaged in &clip.damaged {
        output::complain(&format!("damaged: {}: {}", damaged.source, damaged.fault));
    }
    tell(&clip, &request, &zone);
    match clip.damaged.as_slice() {
        [] => Ok(()),
        _ => Err(Failure::silent(exit::DATA)),
    }
}

fn failed(error: ClipError) -> Failure {
    let code = match &error {
        ClipError::List(..)
        | ClipError::Nothing { .. }
        | ClipError::Read { .. }
        | ClipError::Gone(_) => exit::NO_INPUT,
        ClipError::Write { .. } | ClipError::Full { .. } | ClipError::Exists(_) => {
            exit::CANT_CREATE
        }
        ClipError::Interrupted => exit::TRY_LATER,
        ClipError::Books(_) => exit::SOFTWARE,
    };
    Failure::caused(code, error)
}

impl ClipArguments {
    /// What is wanted, and the zone in which times are told.
    fn request(
        &self,
        config: &Config,
        disk: Arc<dyn Disk>,
        now: CaptureTime,
    ) -> Result<(ClipRequest, TimeZone), Failure> {
        let usage = |text: String| Failure::new(exit::USAGE, text);
        let camera = Name::new(&self.camera)
            .map_err(|error| usage(format!("CAMERA {}: {error}", self.camera)))?;
        let configured = config.cameras.iter().find(|known| known.name == camera);
        let site = configured.and_then(|known| config.site(&known.site));
        let known = site.is_some();
        let site = match site {
            Some(site) => site.clone(),
            None => self.former(config, &*disk, &camera)?,
        };
        let asked = window((Some(self.from), Some(self.to)), 1, &site, now)?;
        let request = ClipRequest {
            camera,
            site: known.then(|| site.name.clone()),
            time_zone: site.time_zone_name,
            disk,
            archive: config.relay.archive.clone(),
            spool: config.relay.spool.clone(),
            asked,
            redact_audio: self.redact_audio,
            target: Target::from(self.out.clone()),
        };
        Ok((request, site.time_zone))
    }

    /// Stands for the site of a camera that is no longer configured; its footage may still be there.
    fn former(
        &self,
        config: &Config,
        disk: &dyn Disk,
        camera: &CameraName,
    ) -> Result<Site, Failure> {
        let usage = |text: String| Failure::new(exit::USAGE, text);
        let folder = config.relay.archive.join(camera.as_str());
        if !has_folder(config, disk, camera)? {
            let names: Vec<_> = config.cameras.iter().map(|c| c.name.as_str()).collect();
            return Err(usage(format!(
                "CAMERA {camera}: no such camera in {}, which has {}; nor is there {}",
                self.file.config.display(),
                names.join(", "),
                folder.display()
            )));
        }
        if [self.from, self.to]
            .iter()
            .any(|when| matches!(when, When::Civil(_)))
        {
            return Err(usage(format!(
                "CAMERA {camera} is not in {} any more, and so has no zone: write --from and --to \
                 with their offset from UTC, like 2026-05-04T05:30:00Z",
                self.file.config.display()
            )));
        }
        Ok(Site {
            name: camera.clone(),
            time_zone: TimeZone::UTC,
            time_zone_name: "UTC".to_owned(),
            position: None,
            uplink: crate::config::Uplink::default(),
        })
    }
}

fn tell(clip: &Clip, request: &ClipRequest, zone: &TimeZone) {
    let local = |time| local(time, zone);
    let length = |span: &Span| length(span.nanos().unsigned_abs());
    for (path, span, reason) in &clip.files {
        let why = match reason {
            NewFile::Begin => "",
            NewFile::Parameters => "; begun anew: the camera's parameters changed",
            NewFile::Gap => "; begun anew after a gap of more than an hour",
            NewFile::Size => "; begun anew: the file before it was full",
        };
        output::say(&format!(
            "{}: {} to {} ({}){why}",
            path.display(),
            local(span.begin),
            local(span.end),
            length(span)
        ));
    }
    let lead = request.asked.begin.unix_nanos() - clip.bounds.begin.unix_nanos();
    if lead > 0 {
        output::say(&format!(
            "It begins {:.3} s before --from, where decoding can begin.",
            lead as f64 / 1e9
        ));
    }
    match clip.sound {
        Sound::Kept => {}
        Sound::Redacted => output::say("The sound is left out, as asked."),
        Sound::None => output::say("The footage has no sound."),
    }
    match clip.uncertainty_nanos {
        Some(nanos) => output::say(&format!(
            "Capture times are true to within {:.3} s.",
            nanos as f64 / 1e9
        )),
        None => output::say("How far capture times can be trusted is not in the journals."),
    }
    for gap in clip.gaps.iter().take(GAPS_MAX) {
        let cause = gap.cause.map_or("unknown", |cause| cause.as_str());
        let detail = match plain(&gap.detail) {
            detail if detail.is_empty() => detail,
            detail => format!(": {detail}"),
        };
        output::say(&format!(
            "missing: {} to {} ({}), {cause}{detail}",
            local(gap.span.begin),
            local(gap.span.end),
            length(&gap.span)
        ));
    }
    if clip.gaps.len() > GAPS_MAX {
        let more = clip.gaps.len() - GAPS_MAX;
        output::say(&format!("missing: {more} gaps more, see the manifest"));
    }
    if clip.thinned > 0 {
        output::say(&format!(
            "Of {} of these files of the archive the key frames alone are left: a picture stands until \
             the next one.",
            clip.thinned
        ));
    }
    let others = clip.paths.iter().filter(|path| {
        let films = clip.files.iter();
        !films.clone().any(|(film, ..)| film == *path)
    });
    let others: Vec<_> = others.map(|path| path.display().to_string()).collect();
    output::say(&format!(
        "{} (from {} files of the archive)",
        others.join(", "),
        clip.sources
    ));
}
