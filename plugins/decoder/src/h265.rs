//! H.265: what is let at the decoder, and what is made of its pictures.

use std::collections::VecDeque;

use rusty_h265::{Decoder, Error, Frame as Decoded};

use crate::headers::hevc::{Segment, Sets, Sps, is_enhancement, kind, nal_kind};
use crate::headers::nal_units;
use crate::picture::{Description, Fault, Frame, Look, Plane, check_size, has_hole};

/// As in `h264.rs`: what is read behind the end of a slice makes the difference.
const ONES: [u8; 64] = [0xff; 64];
/// A.4.2: no level allows more.
const PICTURES_MAX: u32 = 16;
/// Pictures of units that were handed over and have not come out: as many as may be reordered.
const LOOKS_MAX: usize = 32;

/// A stream and, once begun, its decoders.
pub(crate) struct H265 {
    sets: Sets,
    pixels_max: u32,
    running: Option<Running>,
}

impl std::fmt::Debug for H265 {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("H265")
            .field("sets", &self.sets)
            .finish_non_exhaustive()
    }
}

/// In the middle of a stream.
struct Running {
    plain: Decoder,
    /// Reads ones behind each slice.
    ones: Decoder,
    /// How the pictures look that have not come out, by the decoder's number for them.
    looks: VecDeque<(i64, u64, Look)>,
    count: i64,
}

/// An access unit that has passed all checks.
struct Plan<'a> {
    slices: Vec<&'a [u8]>,
    look: Look,
    kind: u8,
}

impl H265 {
    pub(crate) fn begin(configuration: &[u8], pixels_max: u32) -> Result<Self, Fault> {
        let sets = Sets::parse(configuration)?;
        let checks: Vec<Result<(), Fault>> = sets
            .pps
            .iter()
            .filter_map(|set| sets.of(set.id).ok())
            .map(|(sps, _)| check_set(sps, pixels_max).map(drop))
            .collect();
        match checks.iter().find(|check| check.is_err()) {
            Some(Err(first)) if checks.iter().all(Result::is_err) => Err(first.clone()),
            _ if checks.is_empty() => Err(Fault::Damaged(
                "a sequence parameter set is missing".to_owned(),
            )),
            _ => Ok(Self {
                sets,
                pixels_max,
                running: None,
            }),
        }
    }

    pub(crate) fn describe(configuration: &[u8]) -> Result<Description, Fault> {
        let sets = Sets::parse(configuration)?;
        let first = sets.pps.first().map_or(0, |set| set.id);
        let (sps, _) = sets.of(first)?;
        let look = Look::new(sps.size(), sps.crop, &sps.signal)?;
        let depths = (sps.depth_luma, sps.depth_chroma);
        Ok(look.describe(sps.chroma_format, depths))
    }

    /// A random access point for itself.
    pub(crate) fn key(&self, unit: u64, payload: &[u8]) -> Result<Frame, Fault> {
        let plan = self.plan(payload)?;
        if !kind::RANDOM_ACCESS.contains(&plan.kind) {
            return Err(Fault::Damaged(
                "the key frame is predicted from others".to_owned(),
            ));
        }
        let decode = |padding: &[u8]| {
            let mut decoder = self.decoder()?;
            push(&mut decoder, &plan.slices, padding, 0)?;
            decoder.flush();
            let picture = decoder
                .next_frame()
                .map_err(|_| Fault::Damaged("it gives no picture".to_owned()))?;
            samples(&picture, &plan.look)
        };
        let samples = decode(&[])?;
        if decode(&ONES)? != samples {
            return Err(cut_off());
        }
        Ok(plan.look.frame(unit, samples))
    }

    /// The next unit of a stream. Its picture comes with a later one.
    pub(crate) fn next(
        &mut self,
        unit: u64,
        payload: &[u8],
        random_access: bool,
    ) -> Result<Vec<Frame>, Fault> {
        let running = self.running.take();
        if running.is_none() && !random_access {
            return Ok(Vec::new());
        }
        let plan = self.plan(payload)?;
        let mut running = match running {
            Some(running) => running,
            None if kind::RANDOM_ACCESS.contains(&plan.kind) => Running {
                plain: self.decoder()?,
                ones: self.decoder()?,
                looks: VecDeque::new(),
                count: 0,
            },
            None => return Ok(Vec::new()),
        };
        running.count += 1;
        running.looks.push_back((running.count, unit, plan.look));
        if running.looks.len() > LOOKS_MAX {
            // Those that the decoder leaves out: they can't be shown without what is before them.
            running.looks.pop_front();
        }
        push(&mut running.plain, &plan.slices, &[], running.count)?;
        push(&mut running.ones, &plan.slices, &ONES, running.count)?;
        if running.plain.stats.generated_refs > 0 {
            return Err(Fault::Damaged(
                "a picture before this one is missing".to_owned(),
            ));
        }
        let mut frames = Vec::new();
        while let Ok(picture) = running.plain.next_frame() {
            let number = picture.pts.unwrap_or_default();
            let place = running
                .looks
                .iter()
                .position(|(count, ..)| *count == number);
            let (_, unit, look) = place
                .and_then(|place| running.looks.remove(place))
                .ok_or_else(|| Fault::Damaged("a picture of no unit came out".to_owned()))?;
            let plain = samples(&picture, &look)?;
            let ones = running.ones.next_frame().ok();
            let ones = ones
                .filter(|other| other.pts == picture.pts)
                .ok_or_else(cut_off)?;
            if samples(&ones, &look)? != plain {
                return Err(cut_off());
            }
            frames.push(look.frame(unit, plain));
        }
        self.running = Some(running);
        Ok(frames)
    }

    fn decoder(&self) -> Result<Decoder, Fault> {
        let mut decoder = Decoder::new();
        for nal in &self.sets.nals {
            // Sets of what is above the picture proper may be beyond it; they are not needed.
            let needed = matches!(nal_kind(nal), 32..=34);
            if needed {
                decoder.push_nal(nal, None).map_err(fault)?;
            }
        }
        Ok(decoder)
    }

    /// Looks at all heads of an access unit.
    fn plan<'a>(&self, payload: &'a [u8]) -> Result<Plan<'a>, Fault> {
        let mut slices = Vec::new();
        let mut before: Option<(Segment, u8)> = None;
        for nal in nal_units(payload)? {
            let kind = nal_kind(nal);
            if kind > kind::SLICE_MAX || is_enhancement(nal) {
                continue;
            }
            let segment = Segment::parse(nal, &self.sets)?;
            match before {
                None if !segment.first => {
                    return Err(Fault::Damaged("the first slice is missing".to_owned()));
                }
                Some(_) if segment.first => {
                    return Err(Fault::Damaged(
                        "the unit holds more than one picture".to_owned(),
                    ));
                }
                Some((earlier, of)) => {
                    if segment.pps != earlier.pps || kind != of {
                        return Err(Fault::Damaged(
                            "its slices don't belong together".to_owned(),
                        ));
                    }
                    if segment.address <= earlier.address {
                        return Err(Fault::Damaged("its slices are out of order".to_owned()));
                    }
                }
                None => {}
            }
            let (sps, _) = self.sets.of(segment.pps)?;
            if segment.address >= sps.blocks() {
                return Err(Fault::Damaged(
                    "a slice begins outside of the picture".to_owned(),
                ));
            }
            before = Some((segment, kind));
            slices.push(nal);
        }
        let (segment, kind) =
            before.ok_or_else(|| Fault::Damaged("the unit holds no slice".to_owned()))?;
        let (sps, _) = self.sets.of(segment.pps)?;
        let look = check_set(sps, self.pixels_max)?;
        Ok(Plan { slices, look, kind })
    }
}

fn unsupported(what: &str) -> Fault {
    Fault::Unsupported(what.to_owned())
}

fn cut_off() -> Fault {
    Fault::Damaged("a slice is cut off".to_owned())
}

fn fault(error: Error) -> Fault {
    match error {
        Error::Unsupported(what) => Fault::Unsupported(format!("H.265 with {what}")),
        other => Fault::Damaged(other.to_string()),
    }
}

/// Whether the decoder does streams with this set.
fn check_set(sps: &Sps, pixels_max: u32) -> Result<Look, Fault> {
    check_size(sps.width, sps.height, pixels_max)?;
    match sps.chroma_format {
        0 => return Err(unsupported("H.265 in monochrome")),
        1 => {}
        2 => return Err(unsupported("H.265 in 4:2:2")),
        _ => return Err(unsupported("H.265 in 4:4:4")),
    }
    let depth = sps.depth_luma.max(sps.depth_chroma);
    if depth > 10 {
        return Err(unsupported(&format!("H.265 in {depth} bits")));
    }
    if sps.fields {
        return Err(Fault::Unfit(
            "interlaced H.265 with fields apart".to_owned(),
        ));
    }
    if sps.pictures_max > PICTURES_MAX {
        return Err(unsupported(&format!(
            "{} pictures to be kept where H.265 allows {PICTURES_MAX}",
            sps.pictures_max
        )));
    }
    Look::new(sps.size(), sps.crop, &sps.signal)
}

fn push(decoder: &mut Decoder, slices: &[&[u8]], padding: &[u8], number: i64) -> Result<(), Fault> {
    let mut padded = Vec::new();
    for (index, nal) in slices.iter().enumerate() {
        padded.clear();
        padded.extend_from_slice(nal);
        padded.extend_from_slice(padding);
        let number = (index == 0).then_some(number);
        decoder.push_nal(&padded, number).map_err(fault)?;
    }
    Ok(())
}

/// The picture cropped, in eight bits: what has more is rounded.
fn samples(picture: &Decoded, look: &Look) -> Result<Vec<u8>, Fault> {
    let coded = &picture.picture;
    let planes = coded.planes.each_ref().map(|plane| Plane {
        samples: plane.data.as_slice(),
        stride: plane.stride,
        width: plane.width,
        height: plane.height,
    });
    if has_hole(planes) {
        return Err(Fault::Damaged(
            "its slices don't fill the picture".to_owned(),
        ));
    }
    let mut samples = Vec::with_capacity(look.bytes());
    let depths = [
        coded.bit_depth_luma,
        coded.bit_depth_chroma,
        coded.bit_depth_chroma,
    ];
    for ((plane, depth), (left, top, width, height)) in planes.iter().zip(depths).zip(look.planes())
    {
        let surplus = depth.saturating_sub(8);
        let half = (1_u16 << surplus) >> 1;
        for y in top..top + height {
            let row = plane
                .samples
                .get(y * plane.stride + left..)
                .and_then(|row| row.get(..width))
                .filter(|_| left + width <= plane.width && y < plane.height)
                .ok_or_else(|| Fault::Damaged("the picture is of another size".to_owned()))?;
            samples.extend(row.iter().map(|sample| narrow(*sample, surplus, half)));
        }
    }
    Ok(samples)
}

fn narrow(sample: u16, surplus: u8, half: u16) -> u8 {
    let rounded = sample.saturating_add(half) >> surplus;
    u8::try_from(rounded).unwrap_or(u8::MAX)
}
