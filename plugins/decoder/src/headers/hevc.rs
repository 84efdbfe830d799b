//! H.265: the decoder configuration of a track (ISO/IEC 14496-15, 8.3.3.1), its parameter sets and
//! the heads of slice segments (ITU-T H.265, 7.3).

use super::avc::crop_window;
use super::{Bits, Broken, Signal, take, take_set, unescape, unescape_head};

/// NAL unit types (Table 7-1) that matter here.
pub mod kind {
    /// Up to this number, slice segments.
    pub const SLICE_MAX: u8 = 31;
    /// The first and the last of those at which decoding can begin.
    pub const RANDOM_ACCESS: std::ops::RangeInclusive<u8> = 16..=23;
    /// Pictures shown before the random access point and built on what was before it.
    pub const SKIPPED_LEADING: std::ops::RangeInclusive<u8> = 8..=9;
    pub(super) const SPS: u8 = 33;
    pub(super) const PPS: u8 = 34;
}

/// The type of a NAL unit; 63 where there is none.
#[must_use]
pub fn nal_kind(nal: &[u8]) -> u8 {
    nal.first().map_or(63, |byte| byte >> 1 & 63)
}

/// Whether it belongs to a layer above the picture proper.
#[must_use]
pub fn is_enhancement(nal: &[u8]) -> bool {
    match nal {
        [first, second, ..] => first & 1 != 0 || second >> 3 != 0,
        _ => true,
    }
}

/// A sequence parameter set.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Sps {
    /// 0 to 15.
    pub id: u32,
    /// `general_profile_idc`.
    pub profile: u32,
    /// From `general_max_12bit_constraint_flag` to `general_one_picture_only_constraint_flag`.
    constraints: u32,
    /// 0 monochrome, 1 4:2:0, 2 4:2:2, 3 4:4:4.
    pub chroma_format: u32,
    /// Bits a sample.
    pub depth_luma: u32,
    /// Bits a sample.
    pub depth_chroma: u32,
    /// Luma samples, as coded.
    pub width: u32,
    /// Luma samples, as coded.
    pub height: u32,
    /// Luma samples: left, right, top, bottom.
    pub crop: [u32; 4],
    /// Pictures that must be kept, this one among them.
    pub pictures_max: u32,
    /// Side of a coding tree block, in luma samples.
    pub block_side: u32,
    /// Each picture is a field.
    pub fields: bool,
    /// How samples stand for light.
    pub signal: Signal,
}

/// The profile that stands for all range extensions.
const RANGE_EXTENSIONS: u32 = 4;
/// The constraints that make Main and Main 10 of it, without prediction between pictures
/// (Table A.2).
const MAIN_INTRA: u32 = 0b1111_1010;
const MAIN_10_INTRA: u32 = 0b1101_1010;

/// No level allows a side of more (A.4.1: 8 times the largest picture, under a root).
const SIDE_MAX: u32 = 16_888;

impl Sps {
    /// Reads a whole NAL unit.
    ///
    /// # Errors
    /// When it is no sequence parameter set, cut off, or out of bounds.
    pub fn parse(nal: &[u8]) -> Result<Self, Broken> {
        if nal_kind(nal) != kind::SPS {
            return Err(Broken("no sequence parameter set where one belongs"));
        }
        let plain = unescape(nal.get(2..).unwrap_or_default());
        let mut bits = Bits::new(&plain);
        let b = &mut bits;
        b.skip(4)?; // sps_video_parameter_set_id
        let sub_layers = b.bits(3)?;
        if sub_layers > 6 {
            return Err(Broken("more than 7 temporal layers"));
        }
        b.skip(1)?;
        let (profile, constraints) = profile_tier_level(b, sub_layers)?;
        let id = b.ue_max(15, "a sequence parameter set of a number above 15")?;
        let chroma_format = b.ue_max(3, "a chroma format that does not exist")?;
        if chroma_format == 3 {
            b.skip(1)?;
        }
        let width = b.ue_max(SIDE_MAX, "a picture wider than any level allows")?;
        let height = b.ue_max(SIDE_MAX, "a picture higher than any level allows")?;
        if width == 0 || height == 0 {
            return Err(Broken("a picture without a pixel"));
        }
        let crop = if b.flag()? {
            let unit_x = if matches!(chroma_format, 1 | 2) { 2 } else { 1 };
            let unit_y = if chroma_format == 1 { 2 } else { 1 };
            crop_window(b, unit_x, unit_y, width, height)?
        } else {
            [0; 4]
        };
        let depth_luma = 8 + b.ue_max(8, "more than 16 bits a sample")?;
        let depth_chroma = 8 + b.ue_max(8, "more than 16 bits a sample")?;
        let order_bits = 4 + b.ue_max(12, "picture order counts of more than 16 bits")?;
        let mut pictures_max = 1;
        let first = if b.flag()? { 0 } else { sub_layers };
        for _ in first..=sub_layers {
            pictures_max = 1 + b.ue_max(u32::MAX - 1, "a field is wider than 32 bits")?;
            b.ue()?;
            b.ue()?;
        }
        let block_bits = 3 + b.ue_max(3, "a coding block larger than 64")?;
        let block_bits = block_bits + b.ue_max(3, "a coding block larger than 64")?;
        if !(4..=6).contains(&block_bits) {
            return Err(Broken("a coding tree block of a size that does not exist"));
        }
        for _ in 0..4 {
            b.ue()?; // sizes and depths of transforms
        }
        if b.flag()? && b.flag()? {
            skip_scaling_lists(b)?;
        }
        b.skip(2)?; // amp_enabled_flag, sample_adaptive_offset_enabled_flag
        if b.flag()? {
            b.skip(8)?;
            b.ue()?;
            b.ue()?;
            b.skip(1)?;
        }
        skip_reference_sets(b)?;
        if b.flag()? {
            for _ in 0..b.ue_max(32, "more than 32 long-term references")? {
                b.skip(order_bits + 1)?;
            }
        }
        b.skip(2)?; // temporal motion vectors, strong smoothing
        // What is not legible of this part is left at what silence means.
        let (mut signal, mut fields) = (Signal::default(), false);
        if b.flag()? {
            usability(b, &mut signal, &mut fields).ok();
        }
        Ok(Self {
            id,
            profile,
            constraints,
            chroma_format,
            depth_luma,
            depth_chroma,
            width,
            height,
            crop,
            pictures_max,
            block_side: 1 << block_bits,
            fields,
            signal,
        })
    }

    /// Width and height after cropping, in luma samples; at least 1 each.
    #[must_use]
    pub fn size(&self) -> (u32, u32) {
        let [left, right, top, bottom] = self.crop;
        (self.width - left - right, self.height - top - bottom)
    }

    /// Whether it is coded as Main or Main 10 lay down: these, their still pictures, and Main Intra
    /// and Main 10 Intra, which are range extensions by number and have none of their tools.
    #[must_use]
    pub fn is_main(&self) -> bool {
        let depth = self.depth_luma.max(self.depth_chroma);
        let form = self.chroma_format == 1 && depth <= 10;
        form && match (self.profile, self.constraints) {
            (0..RANGE_EXTENSIONS, _) | (RANGE_EXTENSIONS, MAIN_10_INTRA) => true,
            (RANGE_EXTENSIONS, MAIN_INTRA) => depth == 8,
            _ => false,
        }
    }

    /// Coding tree blocks of a picture.
    #[must_use]
    pub fn blocks(&self) -> u32 {
        self.width.div_ceil(self.block_side) * self.height.div_ceil(self.block_side)
    }
}

fn usability(b: &mut Bits<'_>, signal: &mut Signal, fields: &mut bool) -> Result<(), Broken> {
    signal.read(b)?;
    b.skip(1)?; // neutral_chroma_indication_flag
    *fields = b.flag()?;
    Ok(())
}

/// Skips all of profile_tier_level (7.3.3) but the number of the general profile and what range
/// extensions say of themselves.
fn profile_tier_level(b: &mut Bits<'_>, sub_layers: u32) -> Result<(u32, u32), Broken> {
    b.skip(3)?;
    let profile = b.bits(5)?;
    b.skip(32 + 4)?; // compatibility, kinds of scanning
    let constraints = b.bits(8)?;
    b.skip(36 + 8)?;
    let mut present = Vec::new();
    for _ in 0..sub_layers {
        present.push((b.flag()?, b.flag()?));
    }
    if sub_layers > 0 {
        b.skip(2 * (8 - sub_layers))?;
    }
    for (profile, level) in present {
        b.skip(88 * u32::from(profile) + 8 * u32::from(level))?;
    }
    Ok((profile, constraints))
}

/// A set under Main's number, for a decoder that asks for no more than the number. In front of that
/// byte there is at most one zero, so no emulation prevention hangs on it.
fn called_main(sps: &[u8]) -> Vec<u8> {
    const PLACE: usize = 3;
    let mut sps = sps.to_vec();
    if let Some(byte) = sps.get_mut(PLACE) {
        *byte = *byte & 0xe0 | 1;
    }
    sps
}

/// scaling_list_data (7.3.4).
fn skip_scaling_lists(b: &mut Bits<'_>) -> Result<(), Broken> {
    for size in 0..4_u32 {
        for _ in 0..if size == 3 { 2 } else { 6 } {
            if !b.flag()? {
                b.ue()?;
                continue;
            }
            if size > 1 {
                b.se()?;
            }
            for _ in 0..64.min(1 << (4 + 2 * size)) {
                b.se()?;
            }
        }
    }
    Ok(())
}

/// The short-term reference picture sets (7.3.7): how long one is depends on the one before.
fn skip_reference_sets(b: &mut Bits<'_>) -> Result<(), Broken> {
    const TOO_MANY: Broken = Broken("a reference picture set of more than 16 pictures");
    let mut before: Vec<i64> = Vec::new();
    for index in 0..b.ue_max(64, "more than 64 reference picture sets")? {
        let mut set = Vec::new();
        if index > 0 && b.flag()? {
            let negative = b.flag()?;
            let step = 1 + i64::from(b.ue_max(0x7fff, "a step between pictures out of bounds")?);
            let step = if negative { -step } else { step };
            // Each picture of the set before, and the one that it belongs to (7-61, 7-62).
            for delta in before.iter().copied().chain([0]) {
                let used = b.flag()?;
                if (used || b.flag()?) && delta + step != 0 {
                    set.push(delta + step);
                }
            }
        } else {
            let earlier = b.ue_max(16, TOO_MANY.0)?;
            let later = b.ue_max(16, TOO_MANY.0)?;
            for (count, sign) in [(earlier, -1), (later, 1)] {
                let mut delta = 0;
                for _ in 0..count {
                    let step = b.ue_max(0x7fff, "a step between pictures out of bounds")?;
                    delta += sign * (1 + i64::from(step));
                    set.push(delta);
                    b.skip(1)?;
                }
            }
        }
        if set.len() > 16 {
            return Err(TOO_MANY);
        }
        // Those before the picture from the nearest to the farthest, then those after it.
        set.sort_by_key(|delta| (*delta > 0, delta.abs()));
        before = set;
    }
    Ok(())
}

/// A picture parameter set.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Pps {
    /// 0 to 63.
    pub id: u32,
    /// The sequence parameter set that it belongs to.
    pub sps: u32,
    dependent_segments: bool,
}

impl Pps {
    /// Reads a whole NAL unit, as far as needed.
    ///
    /// # Errors
    /// When it is no picture parameter set, cut off, or out of bounds.
    pub fn parse(nal: &[u8]) -> Result<Self, Broken> {
        if nal_kind(nal) != kind::PPS {
            return Err(Broken("no picture parameter set where one belongs"));
        }
        let plain = unescape_head(nal.get(2..).unwrap_or_default(), 16);
        let mut b = Bits::new(&plain);
        Ok(Self {
            id: b.ue_max(63, "a picture parameter set of a number above 63")?,
            sps: b.ue_max(15, "a sequence parameter set of a number above 15")?,
            dependent_segments: b.flag()?,
        })
    }
}

/// The parameter sets of a track.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Sets {
    /// In order.
    pub sps: Vec<Sps>,
    /// In order.
    pub pps: Vec<Pps>,
    /// All NAL units of the record, as a decoder wants them first.
    pub nals: Vec<Vec<u8>>,
}

impl Sets {
    /// Reads an HEVCDecoderConfigurationRecord whose NAL units have lengths of four bytes.
    ///
    /// # Errors
    /// When it is cut off, or a set in it can't be read.
    pub fn parse(record: &[u8]) -> Result<Self, Broken> {
        let mut rest = record;
        let head = take(&mut rest, 23)?;
        if head.first() != Some(&1) {
            return Err(Broken("no decoder configuration of H.265"));
        }
        if head.get(21).is_none_or(|byte| byte & 3 != 3) {
            return Err(Broken("NAL units with lengths of other than four bytes"));
        }
        let mut sets = Self::default();
        for _ in 0..head.get(22).copied().unwrap_or_default() {
            let array = take(&mut rest, 3)?;
            let count = match array {
                [_, high, low] => u16::from_be_bytes([*high, *low]),
                _ => 0,
            };
            for _ in 0..count {
                let nal = take_set(&mut rest)?;
                let mut wanted = nal.to_vec();
                match nal_kind(nal) {
                    _ if is_enhancement(nal) => continue,
                    kind::SPS => {
                        let sps = Sps::parse(nal)?;
                        if sps.profile == RANGE_EXTENSIONS && sps.is_main() {
                            wanted = called_main(nal);
                        }
                        sets.sps.push(sps);
                    }
                    kind::PPS => sets.pps.push(Pps::parse(nal)?),
                    _ => {}
                }
                sets.nals.push(wanted);
            }
        }
        if sets.sps.is_empty() || sets.pps.is_empty() {
            return Err(Broken("the decoder configuration lacks parameter sets"));
        }
        Ok(sets)
    }

    /// The sets that a slice segment names. Of several with the same number the last one counts.
    ///
    /// # Errors
    /// When there is none of that number.
    pub fn of(&self, pps: u32) -> Result<(&Sps, &Pps), Broken> {
        let pps = self.pps.iter().rfind(|set| set.id == pps).ok_or(Broken(
            "a slice names a picture parameter set that is missing",
        ))?;
        let sps = self
            .sps
            .iter()
            .rfind(|set| set.id == pps.sps)
            .ok_or(Broken("a sequence parameter set is missing"))?;
        Ok((sps, pps))
    }
}

/// The begin of the head of a slice segment (7.3.6.1).
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Segment {
    /// The first of its picture.
    pub first: bool,
    /// The picture parameter set.
    pub pps: u32,
    /// It goes on with the head of the one before.
    pub dependent: bool,
    /// Number of its first coding tree block.
    pub address: u32,
}

impl Segment {
    /// Reads a NAL unit of a type up to [`kind::SLICE_MAX`].
    ///
    /// # Errors
    /// When it is cut off, out of bounds, or names sets that are missing.
    pub fn parse(nal: &[u8], sets: &Sets) -> Result<Self, Broken> {
        let plain = unescape_head(nal.get(2..).unwrap_or_default(), 32);
        let mut b = Bits::new(&plain);
        let first = b.flag()?;
        if kind::RANDOM_ACCESS.contains(&nal_kind(nal)) {
            b.skip(1)?;
        }
        let pps_id = b.ue_max(63, "a picture parameter set of a number above 63")?;
        let (sps, pps) = sets.of(pps_id)?;
        let mut segment = Self {
            first,
            pps: pps_id,
            dependent: false,
            address: 0,
        };
        if !first {
            segment.dependent = pps.dependent_segments && b.flag()?;
            // Ceil(Log2(PicSizeInCtbsY)) bits.
            let width = 32 - (sps.blocks() - 1).leading_zeros();
            segment.address = b.bits(width)?;
            if segment.address == 0 {
                return Err(Broken("two slices at the begin of a picture"));
            }
        }
        Ok(segment)
    }
}
