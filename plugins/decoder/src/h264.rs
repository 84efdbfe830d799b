//! H.264: what is let at the decoder, and what is made of its pictures.

use rusty_h264_decoder::{DecodeError, Decoder};

use crate::headers::avc::{Pps, Sets, Slice, SliceKind, Sps};
use crate::headers::nal_units;
use crate::picture::{Description, Fault, Frame, Look, Plane, check_size};
use crate::unit::{Behind, any_fits, check_order, damaged, unsupported, whole};

const START_CODE: [u8; 4] = [0, 0, 0, 1];
/// More references than any level allows; the decoder takes what it is told.
const REFERENCES_MAX: u32 = 16;

/// A stream and, once begun, its decoders.
pub(crate) struct H264 {
    sets: Sets,
    pixels_max: u32,
    running: Option<Running>,
}

impl std::fmt::Debug for H264 {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("H264")
            .field("sets", &self.sets)
            .finish_non_exhaustive()
    }
}

/// In the middle of a stream.
struct Running {
    plain: Decoder,
    /// Reads ones behind each slice; only where the stream is arithmetic-coded.
    ones: Option<Decoder>,
    frame_num_before: u32,
}

/// An access unit that has passed all checks.
struct Plan<'a> {
    slices: Vec<&'a [u8]>,
    head: Slice,
    look: Look,
    cabac: bool,
    frame_num_modulus: u32,
}

impl H264 {
    pub(crate) fn begin(configuration: &[u8], pixels_max: u32) -> Result<Self, Fault> {
        let sets = Sets::parse(configuration)?;
        let known = sets.pps.iter().filter_map(|(set, _)| sets.of(set.id).ok());
        any_fits(known.map(|(sps, pps)| check_sets(sps, pps, pixels_max)))?;
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
        let (_, heads) = heads(&sets, payload)?;
        let (sps, pps) = sets.of(heads.first().map_or(0, |head| head.pps))?;
        check_size(16 * sps.width_mbs, 16 * sps.height_mbs, pixels_max)?;
        let look = Look::new(sps.size(), sps.crop, &sps.signal)?;
        let depths = (sps.depth_luma, sps.depth_chroma);
        Ok(look.describe(sps.chroma_format, depths, pps.cabac))
    }

    /// An IDR picture for itself.
    pub(crate) fn key(&self, unit: u64, payload: &[u8]) -> Result<Frame, Fault> {
        let plan = self.plan(payload)?;
        if plan.head.kind != SliceKind::Intra {
            return Err(damaged("the key frame is predicted from others"));
        }
        let decode = |behind| {
            let unit = self.byte_stream(&plan.slices, true, behind);
            decode(&mut Decoder::new(), &unit, &plan.look)
        };
        let samples = match plan.cabac {
            true => whole(decode)?,
            false => decode(Behind::Nothing)?,
        };
        Ok(plan.look.frame(unit, samples))
    }

    /// The next unit of a stream; `None` while waiting for an IDR picture.
    pub(crate) fn next(
        &mut self,
        unit: u64,
        payload: &[u8],
        random_access: bool,
    ) -> Result<Option<Frame>, Fault> {
        let running = self.running.take();
        if running.is_none() && !random_access {
            return Ok(None);
        }
        let plan = self.plan(payload)?;
        let idr = plan.head.idr;
        let mut running = match running.filter(|_| !idr) {
            Some(running) => {
                self.check_succession(&running, &plan)?;
                running
            }
            None if idr => Running {
                plain: Decoder::new(),
                ones: plan.cabac.then(Decoder::new),
                frame_num_before: 0,
            },
            None => return Ok(None),
        };
        let stream = |behind| self.byte_stream(&plan.slices, idr, behind);
        let plain = &mut running.plain;
        let samples = match &mut running.ones {
            Some(ones) => whole(|behind| {
                let decoder = match behind {
                    Behind::Nothing => &mut *plain,
                    Behind::Ones => &mut *ones,
                };
                decode(decoder, &stream(behind), &plan.look)
            })?,
            None => decode(plain, &stream(Behind::Nothing), &plan.look)?,
        };
        if plan.head.reference {
            let reset = plan.head.marking_reset;
            running.frame_num_before = if reset { 0 } else { plan.head.frame_num };
        }
        self.running = Some(running);
        Ok(Some(plan.look.frame(unit, samples)))
    }

    /// What a stream must be for its predicted pictures to come out right, beyond what holds for
    /// key frames.
    fn check_succession(&self, running: &Running, plan: &Plan<'_>) -> Result<(), Fault> {
        let (sps, pps) = self.sets.of(plan.head.pps)?;
        if pps.constrained_intra {
            // The decoder goes wrong by and by where intra macroblocks stand among others.
            return Err(Fault::KeyFramesOnly(
                "constrained intra prediction in predicted pictures".to_owned(),
            ));
        }
        if plan.head.kind == SliceKind::Bidirectional {
            if pps.weighted_b == 1 {
                return Err(Fault::KeyFramesOnly(
                    "explicit weights in B slices".to_owned(),
                ));
            }
            if sps.has_order_cycle() {
                return Err(Fault::KeyFramesOnly(
                    "B slices with an order cycle".to_owned(),
                ));
            }
        }
        if plan.head.adaptive_marking && plan.slices.len() > 1 {
            // The decoder marks once a slice and not once a picture.
            return Err(Fault::KeyFramesOnly(
                "references marked one by one in pictures of several slices".to_owned(),
            ));
        }
        if pps.cabac != running.ones.is_some() {
            return Err(damaged("the entropy coding changes between key frames"));
        }
        // The number rises by one with each picture that others may be predicted from (7.4.3).
        let expected = (running.frame_num_before + 1) % plan.frame_num_modulus;
        if plan.head.frame_num != expected {
            return Err(Fault::Damaged(format!(
                "a picture before this one is missing (number {} where {expected} comes next)",
                plan.head.frame_num
            )));
        }
        Ok(())
    }

    /// Looks at all heads of an access unit.
    fn plan<'a>(&self, payload: &'a [u8]) -> Result<Plan<'a>, Fault> {
        let (slices, heads) = heads(&self.sets, payload)?;
        let head = *heads
            .first()
            .ok_or_else(|| damaged("the unit holds no slice"))?;
        let (sps, pps) = self.sets.of(head.pps)?;
        let look = check_sets(sps, pps, self.pixels_max)?;
        for slice in &heads {
            if slice.pps != head.pps {
                // The decoder takes the first slice's for all of them.
                return Err(unsupported(
                    "slices of a picture with different parameter sets",
                ));
            }
            check_slice(slice, sps, pps)?;
        }
        if heads
            .iter()
            .any(|slice| slice.deblocking != head.deblocking)
        {
            // The decoder takes the last slice's for all of them.
            return Err(unsupported("loop filters that differ between slices"));
        }
        let kinds = |kind| heads.iter().any(|slice| slice.kind == kind);
        let kind = [SliceKind::Bidirectional, SliceKind::Predicted]
            .into_iter()
            .find(|kind| kinds(*kind))
            .unwrap_or(SliceKind::Intra);
        Ok(Plan {
            slices,
            head: Slice { kind, ..head },
            look,
            cabac: pps.cabac,
            frame_num_modulus: sps.frame_num_modulus(),
        })
    }

    /// The unit as a byte stream (Annex B), parameter sets before a key frame.
    fn byte_stream(&self, slices: &[&[u8]], key: bool, behind: Behind) -> Vec<u8> {
        let mut stream = Vec::new();
        if key {
            let (sps, pps) = (self.sets.sps.iter(), self.sets.pps.iter());
            let sets = sps.map(|(_, nal)| nal).chain(pps.map(|(_, nal)| nal));
            for nal in sets {
                stream.extend(START_CODE);
                stream.extend(nal);
            }
        }
        for nal in slices {
            stream.extend(START_CODE);
            stream.extend(*nal);
            stream.extend(behind.bytes());
        }
        stream
    }
}

/// The slices of a unit and their heads: those of one picture, as far as heads tell.
fn heads<'a>(sets: &Sets, payload: &'a [u8]) -> Result<(Vec<&'a [u8]>, Vec<Slice>), Fault> {
    let (mut slices, mut heads) = (Vec::new(), Vec::<Slice>::new());
    for nal in nal_units(payload)? {
        match nal.first().map_or(0, |byte| byte & 31) {
            1 | 5 => {
                let head = Slice::parse(nal, sets)?;
                if !head.redundant {
                    heads.push(head);
                    slices.push(nal);
                }
            }
            2..=4 => return Err(unsupported("data partitioning")),
            // Parameter sets are those of the track; the rest is of no concern here.
            _ => {}
        }
    }
    let Some(head) = heads.first() else {
        return Err(damaged("the unit holds no slice"));
    };
    let (sps, _) = sets.of(head.pps)?;
    if sps.separate_planes {
        return Err(Fault::Unfit("H.264 with color planes apart".to_owned()));
    }
    if heads.iter().any(|slice| slice.field) {
        // Each field may come in a unit of its own: then half a frame is all that there is. And
        // where both are there, no decoder at hand tells that a slice of one is missing.
        return Err(Fault::Unfit(
            "interlaced H.264 with fields apart".to_owned(),
        ));
    }
    if heads.iter().any(|slice| {
        slice.frame_num != head.frame_num
            || slice.idr != head.idr
            || slice.reference != head.reference
    }) {
        return Err(damaged("the unit holds more than one picture"));
    }
    let blocks = sps.width_mbs * sps.height_mbs;
    check_order(heads.iter().map(|slice| slice.first_mb), blocks)?;
    Ok((slices, heads))
}

/// Whether the decoder is right about streams with these sets.
fn check_sets(sps: &Sps, pps: &Pps, pixels_max: u32) -> Result<Look, Fault> {
    let (width, height) = (16 * sps.width_mbs, 16 * sps.height_mbs);
    check_size(width, height, pixels_max)?;
    match sps.chroma_format {
        0 => return Err(unsupported("H.264 in monochrome")),
        1 => {}
        2 => return Err(unsupported("H.264 in 4:2:2")),
        _ => return Err(unsupported("H.264 in 4:4:4")),
    }
    let depth = sps.depth_luma.max(sps.depth_chroma);
    if depth > 8 {
        return Err(unsupported(&format!("H.264 in {depth} bits")));
    }
    if sps.lossless {
        return Err(unsupported("lossless H.264"));
    }
    if sps.adaptive_fields {
        return Err(unsupported("interlaced H.264 (pairs of macroblocks)"));
    }
    if pps.slice_groups {
        return Err(unsupported("H.264 with slice groups"));
    }
    if sps.references_max > REFERENCES_MAX {
        return Err(unsupported(&format!(
            "{} reference pictures where H.264 allows {REFERENCES_MAX}",
            sps.references_max
        )));
    }
    Look::new(sps.size(), sps.crop, &sps.signal)
}

fn check_slice(slice: &Slice, sps: &Sps, pps: &Pps) -> Result<(), Fault> {
    if slice.kind == SliceKind::Switching {
        return Err(unsupported("switching slices"));
    }
    if pps.transform_8x8 && !slice.first_mb.is_multiple_of(sps.width_mbs) {
        // The decoder takes wrong neighbours there.
        return Err(unsupported(
            "slices that begin within a row, with the 8x8 transform",
        ));
    }
    Ok(())
}

/// One unit to one picture, cropped.
fn decode(decoder: &mut Decoder, stream: &[u8], look: &Look) -> Result<Vec<u8>, Fault> {
    let picture = decoder
        .decode(stream)
        .map_err(|error| match error {
            DecodeError::Unsupported(what) => Fault::Damaged(format!("it uses {what}")),
            other => Fault::Damaged(other.to_string()),
        })?
        .ok_or_else(|| damaged("its slices don't fill the picture"))?;
    let planes = [
        (&picture.y, picture.width, picture.height),
        (&picture.u, picture.width / 2, picture.height / 2),
        (&picture.v, picture.width / 2, picture.height / 2),
    ]
    .map(|(samples, width, height)| Plane {
        samples: samples.as_slice(),
        stride: width,
        width,
        height,
    });
    // The decoder has cropped at the right and at the bottom, but not at the left and at the top.
    look.cut(planes, |_, sample| sample)
}
