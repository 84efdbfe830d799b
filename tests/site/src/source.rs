//! Takes the pictures and the sound of a camera, each when it is due.

use std::io;
use std::sync::Arc;
use std::sync::atomic::Ordering;
use std::time::{Duration, Instant};

use bytes::Bytes;

use crate::behaviour::Behaviour;
use crate::camera::{Camera, lock};
use crate::encode::{Coded, ParameterSets, VideoEncoder};
use crate::frames;
use crate::h264;
use crate::outbox::{Item, Unit};
use crate::picture::Picture;
use crate::scene::{Caption, Scene, draw};
use crate::sight::Sight;
use crate::spec::{CameraSpec, Source};

/// Bytes of a key frame over those of another frame, where padding makes them.
const KEY_WEIGHT: u64 = 5;
/// Length of a packet of sound.
const AUDIO_NS: u64 = 20_000_000;

/// The parameter sets that pictures of this size will have.
pub(crate) fn parameters(spec: &CameraSpec, size: (usize, usize)) -> io::Result<ParameterSets> {
    let (width, height) = size;
    let mut encoder = VideoEncoder::new(width, height, spec.fps as f32, spec.gop)?;
    encoder.encode(&Picture::new(width, height), true)?;
    encoder
        .parameters()
        .cloned()
        .ok_or_else(|| io::Error::other("the encoder gave no parameter sets"))
}

fn size(camera: &Camera) -> (usize, usize) {
    let spec = &camera.spec;
    match camera.behaviour() {
        Behaviour::ChangeResolution => spec.changed_size,
        _ => (spec.width, spec.height),
    }
}

fn due_ns(spec: &CameraSpec, slot: u64) -> u64 {
    slot.saturating_mul(1_000_000_000) / u64::from(spec.fps)
}

fn publish(
    camera: &Camera,
    number: u64,
    media_ns: u64,
    parameters: &Arc<ParameterSets>,
    coded: Coded,
    padding: Option<Bytes>,
) {
    let capture_ns = camera.capture_ns(media_ns);
    let nals: Vec<Bytes> = [h264::frame_sei(number, capture_ns)]
        .into_iter()
        .chain(padding)
        .chain(coded.slices)
        .collect();
    let fingerprint = frames::fingerprint(nals.iter().map(|nal| &nal[..]));
    let (key, parameters) = (coded.key, parameters.clone());
    if key {
        *lock(&camera.parameters) = parameters.clone();
    }
    let unit = Unit {
        number,
        capture_ns,
        media_ns,
        key,
        parameters,
        nals,
        fingerprint,
    };
    camera.publish(&Item::Video(Arc::new(unit)));
}

/// Draws and encodes until the camera is stopped; made for a thread of its own.
///
/// # Errors
/// When the encoder fails: that ends the camera's pictures.
pub(crate) fn run_drawn(camera: &Camera) -> io::Result<()> {
    let spec = &camera.spec;
    // None as long as nobody watches: what is drawn next must then be a key frame.
    let mut encoder: Option<(VideoEncoder, Picture, Arc<ParameterSets>)> = None;
    let (mut number, mut slot) = (0_u64, 0_u64);
    while !camera.stopped.load(Ordering::Relaxed) {
        let media_ns = due_ns(spec, slot);
        std::thread::sleep(
            camera
                .instant(media_ns)
                .saturating_duration_since(Instant::now()),
        );
        let key = number.is_multiple_of(u64::from(spec.gop));
        if !camera.watched() {
            encoder = None;
        } else if key
            && encoder
                .as_ref()
                .is_none_or(|(_, picture, _)| (picture.width(), picture.height()) != size(camera))
        {
            let (width, height) = size(camera);
            let made = VideoEncoder::new(width, height, spec.fps as f32, spec.gop)?;
            let parameters = Arc::new(parameters(spec, (width, height))?);
            encoder = Some((made, Picture::new(width, height), parameters));
        }
        if let Some((encoder, picture, parameters)) = &mut encoder {
            let capture_ns = camera.capture_ns(media_ns);
            let hour = spec
                .daylight
                .hour(capture_ns, Duration::from_nanos(media_ns));
            let caption = Caption {
                camera: &spec.name,
                frame: number,
                capture_ns,
            };
            let sight = *lock(&camera.sight);
            if sight != Sight::Stuck {
                draw(picture, spec.scene, hour, caption);
                sight.apply(picture);
            }
            let coded = encoder.encode(picture, key)?;
            publish(camera, number, media_ns, parameters, coded, None);
        }
        lock(&camera.counts).frames += 1;
        number += 1;
        // A machine that can't keep up takes fewer pictures; their numbers stay without a gap.
        slot = (slot + 1).max(camera.now_ns().saturating_mul(u64::from(spec.fps)) / 1_000_000_000);
    }
    Ok(())
}

/// A GOP, coded once.
#[derive(Debug)]
pub(crate) struct Loop {
    kind: (Scene, usize, usize, u32, u32),
    parameters: Arc<ParameterSets>,
    frames: Vec<Coded>,
}

impl Loop {
    fn kind(spec: &CameraSpec, size: (usize, usize)) -> (Scene, usize, usize, u32, u32) {
        (spec.scene, size.0, size.1, spec.fps, spec.gop)
    }

    /// Whether it shows what this camera would show.
    pub(crate) fn fits(&self, spec: &CameraSpec) -> bool {
        self.kind == Self::kind(spec, (spec.width, spec.height))
    }

    /// Draws and encodes it.
    pub(crate) fn record(spec: &CameraSpec, size: (usize, usize)) -> io::Result<Self> {
        let (width, height) = size;
        let mut encoder = VideoEncoder::new(width, height, spec.fps as f32, spec.gop)?;
        let mut picture = Picture::new(width, height);
        let hour = spec.daylight.hour(0, Duration::ZERO);
        let mut frames = Vec::new();
        for frame in 0..u64::from(spec.gop) {
            let capture_ns = i64::try_from(due_ns(spec, frame)).unwrap_or(i64::MAX);
            draw(
                &mut picture,
                spec.scene,
                hour,
                Caption {
                    camera: "loop",
                    frame,
                    capture_ns,
                },
            );
            frames.push(encoder.encode(&picture, frame == 0)?);
        }
        let parameters = encoder.parameters().cloned();
        let parameters = Arc::new(parameters.ok_or_else(|| io::Error::other("no parameter sets"))?);
        Ok(Self {
            kind: Self::kind(spec, size),
            parameters,
            frames,
        })
    }

    /// The SEI units that bring key frames and others up to the bit rate.
    fn padding(&self, bits_per_second: u64) -> (Option<Bytes>, Option<Bytes>) {
        let (_, _, _, fps, gop) = self.kind;
        let gop_bytes = bits_per_second * u64::from(gop) / u64::from(fps) / 8;
        let share = gop_bytes / (u64::from(gop) - 1 + KEY_WEIGHT);
        let mean = |key: bool| {
            let sizes = self
                .frames
                .iter()
                .filter(|coded| coded.key == key)
                .map(|coded| {
                    // Its own SEI message takes about 40 bytes.
                    coded.slices.iter().map(Bytes::len).sum::<usize>() as u64 + 40
                });
            let (sum, count) = sizes.fold((0, 0), |(sum, count), size| (sum + size, count + 1));
            sum / u64::max(count, 1)
        };
        let pad = |wanted: u64, has: u64| {
            let bytes = wanted.saturating_sub(has).min(8 << 20);
            (bytes >= 24).then(|| h264::padding_sei(bytes as usize))
        };
        (pad(share * KEY_WEIGHT, mean(true)), pad(share, mean(false)))
    }
}

/// Repeats a GOP until it is dropped.
pub(crate) async fn run_looped(camera: Arc<Camera>, first: Arc<Loop>) -> io::Result<()> {
    let Source::Looped { bits_per_second } = camera.spec.source else {
        return Ok(());
    };
    let mut playing = first.clone();
    let mut padding = playing.padding(bits_per_second);
    let mut changed: Option<Arc<Loop>> = None;
    for number in 0_u64.. {
        let media_ns = due_ns(&camera.spec, number);
        tokio::time::sleep_until(camera.instant(media_ns).into()).await;
        let index = number % u64::from(camera.spec.gop);
        let size = size(&camera);
        if index == 0 && size != (playing.kind.1, playing.kind.2) {
            let normal = (first.kind.1, first.kind.2);
            playing = match &changed {
                _ if size == normal => first.clone(),
                Some(changed) => changed.clone(),
                None => {
                    let spec = camera.spec.clone();
                    let record = move || Loop::record(&spec, size);
                    let made = tokio::task::spawn_blocking(record)
                        .await
                        .map_err(io::Error::other)??;
                    changed.insert(Arc::new(made)).clone()
                }
            };
            padding = playing.padding(bits_per_second);
        }
        if camera.watched()
            && let Some(coded) = playing.frames.get(index as usize)
        {
            let pad = if coded.key { &padding.0 } else { &padding.1 };
            publish(
                &camera,
                number,
                media_ns,
                &playing.parameters,
                coded.clone(),
                pad.clone(),
            );
        }
        lock(&camera.counts).frames += 1;
    }
    Ok(())
}

/// Sends packets of sound until it is dropped.
pub(crate) async fn run_audio(camera: Arc<Camera>) {
    for number in 0_u64.. {
        let media_ns = number * AUDIO_NS;
        tokio::time::sleep_until(camera.instant(media_ns).into()).await;
        camera.publish(&Item::Audio { number, media_ns });
    }
}
