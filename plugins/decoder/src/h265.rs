//! H.265: what is let at the decoder, and what is made of its pictures.

use std::collections::VecDeque;

use rusty_h265::{Decoder, Error, Frame as Decoded};

use crate::headers::hevc::{Segment, Sets, Sps, is_enhancement, kind, nal_kind};
use crate::headers::nal_units;
use crate::picture::{Description, Fault, Frame, Look, Plane, check_size};
use crate::unit::{Behind, any_fits, check_order, damaged, unsupported, whole};

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
        let known = sets.pps.iter().filter_map(|set| sets.of(set.id).ok());
        any_fits(known.map(|(sps, _)| check_set(sps, pixels_max)))?;
        Ok(Self {
            sets,
            pixels_max,
            running: None,
        })
    }

    pub(crate) fn describe(
        configuration: &[u8],
        payload: &[u8],
        pixels_max: u32,
    ) -> Result<Description, Fault> {
        let sets = Sets::parse(configuration)?;
        let (slices, segment, _) = segments(&sets, payload)?;
        let (sps, _) = sets.of(segment.pps)?;
        let look = check_form(sps, pixels_max)?;
        if sps.chroma_format == 0 && slices.len() > 1 {
            // A slice that is missing leaves black behind, and nothing at hand tells that black.
            return Err(Fault::Unfit(
                "H.265 in monochrome with several slices a picture".to_owned(),
            ));
        }
        let depths = (sps.depth_luma, sps.depth_chroma);
        Ok(look.describe(sps.chroma_format, depths, true))
    }

    /// A random access point for itself.
    pub(crate) fn key(&self, unit: u64, payload: &[u8]) -> Result<Frame, Fault> {
        let plan = self.plan(payload)?;
        if !kind::RANDOM_ACCESS.contains(&plan.kind) {
            return Err(damaged("the key frame is predicted from others"));
        }
        let samples = whole(|behind| {
            let mut decoder = self.decoder()?;
            push(&mut decoder, &plan.slices, behind, 0)?;
            decoder.flush();
            let picture = decoder
                .next_frame()
                .map_err(|_| damaged("it gives no picture"))?;
            samples(&picture, &plan.look)
        })?;
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
        let (plain, ones) = (&mut running.plain, &mut running.ones);
        push(plain, &plan.slices, Behind::Nothing, running.count)?;
        push(ones, &plan.slices, Behind::Ones, running.count)?;
        if plain.stats.generated_refs > 0 {
            return Err(damaged("a picture before this one is missing"));
        }
        let mut frames = Vec::new();
        while let Ok(picture) = plain.next_frame() {
            let number = picture.pts.unwrap_or_default();
            let place = running
                .looks
                .iter()
                .position(|(count, ..)| *count == number);
            let (_, unit, look) = place
                .and_then(|place| running.looks.remove(place))
                .ok_or_else(|| damaged("a picture of no unit came out"))?;
            let padded = ones.next_frame().ok();
            let padded = padded.filter(|other| other.pts == picture.pts);
            let samples = whole(|behind| match (behind, &padded) {
                (Behind::Nothing, _) => samples(&picture, &look),
                (Behind::Ones, Some(padded)) => samples(padded, &look),
                (Behind::Ones, None) => Err(damaged("a slice is cut off")),
            })?;
            frames.push(look.frame(unit, samples));
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
        let (slices, segment, kind) = segments(&self.sets, payload)?;
        let (sps, _) = self.sets.of(segment.pps)?;
        let look = check_set(sps, self.pixels_max)?;
        Ok(Plan { slices, look, kind })
    }
}

/// The slice segments of a unit, the head of the first one, and the type of all: those of one
/// picture, as far as heads tell.
fn segments<'a>(sets: &Sets, payload: &'a [u8]) -> Result<(Vec<&'a [u8]>, Segment, u8), Fault> {
    let mut slices = Vec::new();
    let mut heads: Vec<(Segment, u8)> = Vec::new();
    for nal in nal_units(payload)? {
        let kind = nal_kind(nal);
        if kind <= kind::SLICE_MAX && !is_enhancement(nal) {
            heads.push((Segment::parse(nal, sets)?, kind));
            slices.push(nal);
        }
    }
    let Some((first, kind)) = heads.first().copied() else {
        return Err(damaged("the unit holds no slice"));
    };
    if heads
        .iter()
        .any(|(segment, of)| segment.pps != first.pps || *of != kind)
    {
        return Err(damaged("its slices don't belong together"));
    }
    let (sps, _) = sets.of(first.pps)?;
    let addresses = heads.iter().map(|(segment, _)| segment.address);
    check_order(addresses, sps.blocks())?;
    Ok((slices, first, kind))
}

fn fault(error: Error) -> Fault {
    match error {
        Error::Unsupported(what) => Fault::Unsupported(format!("H.265 with {what}")),
        other => Fault::Damaged(other.to_string()),
    }
}

/// What any decoder must be kept from.
fn check_form(sps: &Sps, pixels_max: u32) -> Result<Look, Fault> {
    check_size(sps.width, sps.height, pixels_max)?;
    if sps.fields {
        return Err(Fault::Unfit(
            "interlaced H.265 with fields apart".to_owned(),
        ));
    }
    Look::new(sps.size(), sps.crop, &sps.signal)
}

/// Whether the decoder does streams with this set.
fn check_set(sps: &Sps, pixels_max: u32) -> Result<Look, Fault> {
    let look = check_form(sps, pixels_max)?;
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
    if !sps.is_main() {
        let profile = sps.profile;
        return Err(unsupported(&format!("H.265 of profile {profile}")));
    }
    if sps.pictures_max > PICTURES_MAX {
        return Err(unsupported(&format!(
            "{} pictures to be kept where H.265 allows {PICTURES_MAX}",
            sps.pictures_max
        )));
    }
    Ok(look)
}

fn push(decoder: &mut Decoder, slices: &[&[u8]], behind: Behind, number: i64) -> Result<(), Fault> {
    let mut padded = Vec::new();
    for (index, nal) in slices.iter().enumerate() {
        padded.clear();
        padded.extend_from_slice(nal);
        padded.extend_from_slice(behind.bytes());
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
    let surplus = [
        coded.bit_depth_luma,
        coded.bit_depth_chroma,
        coded.bit_depth_chroma,
    ]
    .map(|depth| depth.saturating_sub(8));
    look.cut(planes, |plane, sample| {
        let surplus = surplus.get(plane).copied().unwrap_or_default();
        let rounded = sample.saturating_add((1_u16 << surplus) >> 1) >> surplus;
        u8::try_from(rounded).unwrap_or(u8::MAX)
    })
}
