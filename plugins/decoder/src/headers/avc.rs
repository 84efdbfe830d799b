//! H.264: the decoder configuration of a track (ISO/IEC 14496-15, 5.3.3.1) and its parameter sets
//! (ITU-T H.264, 7.3.2).

pub use super::avc_slice::{Deblocking, Slice, SliceKind};
use super::{Bits, Broken, Signal, take, take_set, unescape};

/// A sequence parameter set.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Sps {
    /// 0 to 31.
    pub id: u32,
    /// `profile_idc`.
    pub profile: u32,
    /// 0 monochrome, 1 4:2:0, 2 4:2:2, 3 4:4:4.
    pub chroma_format: u32,
    /// Of 4:4:4: three pictures in monochrome.
    pub separate_planes: bool,
    /// Bits a sample.
    pub depth_luma: u32,
    /// Bits a sample.
    pub depth_chroma: u32,
    /// Transform and quantisation may be bypassed.
    pub lossless: bool,
    pub(super) frame_num_bits: u32,
    pub(super) poc_type: u32,
    pub(super) poc_lsb_bits: u32,
    pub(super) delta_poc_zero: bool,
    /// `max_num_ref_frames`.
    pub references_max: u32,
    /// Pictures may be missing on purpose.
    pub gaps_allowed: bool,
    /// Macroblocks.
    pub width_mbs: u32,
    /// Macroblocks, of the frame.
    pub height_mbs: u32,
    /// No field pictures, no macroblock pairs.
    pub frames_only: bool,
    /// `mb_adaptive_frame_field_flag`.
    pub adaptive_fields: bool,
    /// Luma samples: left, right, top, bottom.
    pub crop: [u32; 4],
    /// How samples stand for light.
    pub signal: Signal,
}

/// Profiles whose sets say more about samples (7.3.2.1.1).
const HIGH: &[u32] = &[100, 110, 122, 244, 44, 83, 86, 118, 128, 138, 139, 134, 135];
/// No level allows a side of more; it keeps products within 32 bits.
const SIDE_MBS_MAX: u32 = 4096;

impl Sps {
    /// Reads a whole NAL unit.
    ///
    /// # Errors
    /// When it is no sequence parameter set, cut off, or out of bounds.
    pub fn parse(nal: &[u8]) -> Result<Self, Broken> {
        if nal.first().is_none_or(|byte| byte & 31 != 7) {
            return Err(Broken("no sequence parameter set where one belongs"));
        }
        let plain = unescape(nal.get(1..).unwrap_or_default());
        let mut bits = Bits::new(&plain);
        let b = &mut bits;
        let profile = b.bits(8)?;
        b.skip(16)?; // constraints, level_idc
        let id = b.ue_max(31, "a sequence parameter set of a number above 31")?;
        let (mut chroma_format, mut depth_luma, mut depth_chroma) = (1, 8, 8);
        let (mut separate_planes, mut lossless) = (false, false);
        if HIGH.contains(&profile) {
            chroma_format = b.ue_max(3, "a chroma format that does not exist")?;
            separate_planes = chroma_format == 3 && b.flag()?;
            depth_luma = 8 + b.ue_max(6, "more than 14 bits a sample")?;
            depth_chroma = 8 + b.ue_max(6, "more than 14 bits a sample")?;
            lossless = b.flag()?;
            if b.flag()? {
                let lists = if chroma_format == 3 { 12 } else { 8 };
                skip_scaling_lists(b, lists)?;
            }
        }
        let frame_num_bits = 4 + b.ue_max(12, "frame numbers of more than 16 bits")?;
        let poc_type = b.ue_max(2, "a type of picture order that does not exist")?;
        let (mut poc_lsb_bits, mut delta_poc_zero) = (0, false);
        if poc_type == 0 {
            poc_lsb_bits = 4 + b.ue_max(12, "picture order counts of more than 16 bits")?;
        } else if poc_type == 1 {
            delta_poc_zero = b.flag()?;
            b.se()?;
            b.se()?;
            for _ in 0..b.ue_max(255, "a cycle of more than 255 pictures")? {
                b.se()?;
            }
        }
        let references_max = b.ue()?;
        let gaps_allowed = b.flag()?;
        let width_mbs = 1 + b.ue_max(SIDE_MBS_MAX - 1, "a picture wider than any level allows")?;
        let map_units = 1 + b.ue_max(SIDE_MBS_MAX - 1, "a picture higher than any level allows")?;
        let frames_only = b.flag()?;
        let adaptive_fields = !frames_only && b.flag()?;
        b.skip(1)?; // direct_8x8_inference_flag
        let height_mbs = map_units * (2 - u32::from(frames_only));
        let crop = if b.flag()? {
            let unit_x = if matches!(chroma_format, 1 | 2) { 2 } else { 1 };
            let unit_y = (1 + u32::from(chroma_format == 1)) * (2 - u32::from(frames_only));
            crop_window(b, unit_x, unit_y, 16 * width_mbs, 16 * height_mbs)?
        } else {
            [0; 4]
        };
        // Some cameras write this part wrongly. What is not legible is left at what silence means.
        let mut signal = Signal::default();
        if b.flag()? {
            signal.read(b).ok();
        }
        Ok(Self {
            id,
            profile,
            chroma_format,
            separate_planes,
            depth_luma,
            depth_chroma,
            lossless,
            frame_num_bits,
            poc_type,
            poc_lsb_bits,
            delta_poc_zero,
            references_max,
            gaps_allowed,
            width_mbs,
            height_mbs,
            frames_only,
            adaptive_fields,
            crop,
            signal,
        })
    }

    /// Frame numbers are counted modulo this.
    #[must_use]
    pub fn frame_num_modulus(&self) -> u32 {
        1 << self.frame_num_bits
    }

    /// Whether picture order follows a cycle that the set lays down.
    #[must_use]
    pub fn has_order_cycle(&self) -> bool {
        self.poc_type == 1
    }

    /// Width and height after cropping, in luma samples; at least 1 each.
    #[must_use]
    pub fn size(&self) -> (u32, u32) {
        let [left, right, top, bottom] = self.crop;
        (
            16 * self.width_mbs - left - right,
            16 * self.height_mbs - top - bottom,
        )
    }
}

/// The four offsets of a cropping window, in luma samples.
pub(super) fn crop_window(
    bits: &mut Bits<'_>,
    unit_x: u32,
    unit_y: u32,
    width: u32,
    height: u32,
) -> Result<[u32; 4], Broken> {
    let mut crop = [0; 4];
    for (offset, unit) in crop.iter_mut().zip([unit_x, unit_x, unit_y, unit_y]) {
        *offset = bits
            .ue()?
            .checked_mul(unit)
            .ok_or(Broken("the cropping window lies outside of the picture"))?;
    }
    let [left, right, top, bottom] = crop.map(u64::from);
    if left + right >= u64::from(width) || top + bottom >= u64::from(height) {
        return Err(Broken("the cropping window lies outside of the picture"));
    }
    Ok(crop)
}

/// Scaling lists hold nothing that matters here, but what follows them does (7.3.2.1.1.1).
fn skip_scaling_lists(bits: &mut Bits<'_>, lists: u32) -> Result<(), Broken> {
    for list in 0..lists {
        if !bits.flag()? {
            continue;
        }
        let entries = if list < 6 { 16 } else { 64 };
        let (mut last, mut next) = (8, 8);
        for _ in 0..entries {
            if next != 0 {
                let delta = bits.se()?;
                if !(-128..=127).contains(&delta) {
                    return Err(Broken("a scaling list out of bounds"));
                }
                next = (last + delta + 256) % 256;
            }
            if next != 0 {
                last = next;
            }
        }
    }
    Ok(())
}

/// A picture parameter set.
#[derive(Debug, Clone, PartialEq, Eq)]
#[allow(
    clippy::struct_excessive_bools,
    reason = "they are the flags of the standard"
)]
pub struct Pps {
    /// 0 to 255.
    pub id: u32,
    /// The sequence parameter set that it belongs to.
    pub sps: u32,
    /// Arithmetic coding.
    pub cabac: bool,
    pub(super) order_present: bool,
    /// Macroblocks are in more than one slice group.
    pub slice_groups: bool,
    pub(super) references_default: [u32; 2],
    pub(super) weighted: bool,
    /// 0 none, 1 explicit, 2 implicit.
    pub weighted_b: u32,
    pub(super) deblocking_control: bool,
    /// Intra macroblocks don't predict from inter ones.
    pub constrained_intra: bool,
    pub(super) redundant: bool,
    /// Macroblocks may use the 8×8 transform.
    pub transform_8x8: bool,
}

impl Pps {
    /// Reads a whole NAL unit.
    ///
    /// # Errors
    /// When it is no picture parameter set, cut off, or out of bounds.
    pub fn parse(nal: &[u8]) -> Result<Self, Broken> {
        if nal.first().is_none_or(|byte| byte & 31 != 8) {
            return Err(Broken("no picture parameter set where one belongs"));
        }
        let plain = unescape(nal.get(1..).unwrap_or_default());
        let mut bits = Bits::new(&plain);
        let b = &mut bits;
        let id = b.ue_max(255, "a picture parameter set of a number above 255")?;
        let sps = b.ue_max(31, "a sequence parameter set of a number above 31")?;
        let cabac = b.flag()?;
        let order_present = b.flag()?;
        let slice_groups = b.ue_max(7, "more than 8 slice groups")? > 0;
        let mut pps = Self {
            id,
            sps,
            cabac,
            order_present,
            slice_groups,
            references_default: [1; 2],
            weighted: false,
            weighted_b: 0,
            deblocking_control: false,
            constrained_intra: false,
            redundant: false,
            transform_8x8: false,
        };
        if slice_groups {
            // Their map follows, of no use here: such streams are refused.
            return Ok(pps);
        }
        for count in &mut pps.references_default {
            *count = 1 + b.ue_max(31, "more than 32 references")?;
        }
        pps.weighted = b.flag()?;
        pps.weighted_b = b.bits(2)?;
        for _ in 0..3 {
            b.se()?; // pic_init_qp, pic_init_qs, chroma_qp_index_offset
        }
        pps.deblocking_control = b.flag()?;
        pps.constrained_intra = b.flag()?;
        pps.redundant = b.flag()?;
        if b.more_data() {
            pps.transform_8x8 = b.flag()?;
        }
        Ok(pps)
    }
}

/// The parameter sets of a track.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Sets {
    /// Each beside its NAL unit.
    pub sps: Vec<(Sps, Vec<u8>)>,
    /// Each beside its NAL unit.
    pub pps: Vec<(Pps, Vec<u8>)>,
}

impl Sets {
    /// Reads an AVCDecoderConfigurationRecord whose NAL units have lengths of four bytes.
    ///
    /// # Errors
    /// When it is cut off, or a set in it can't be read.
    pub fn parse(record: &[u8]) -> Result<Self, Broken> {
        let mut rest = record;
        let head = take(&mut rest, 6)?;
        if head.first() != Some(&1) {
            return Err(Broken("no decoder configuration of H.264"));
        }
        if head.get(4).is_none_or(|byte| byte & 3 != 3) {
            return Err(Broken("NAL units with lengths of other than four bytes"));
        }
        let mut sets = Self::default();
        for _ in 0..head.get(5).map_or(0, |byte| byte & 31) {
            let nal = take_set(&mut rest)?;
            sets.sps.push((Sps::parse(nal)?, nal.to_vec()));
        }
        let count = take(&mut rest, 1)?.first().copied().unwrap_or_default();
        for _ in 0..count {
            let nal = take_set(&mut rest)?;
            sets.pps.push((Pps::parse(nal)?, nal.to_vec()));
        }
        if sets.sps.is_empty() || sets.pps.is_empty() {
            return Err(Broken("the decoder configuration lacks parameter sets"));
        }
        Ok(sets)
    }

    /// The sets that a slice names. Of several with the same number the last one counts.
    ///
    /// # Errors
    /// When there is none of that number.
    pub fn of(&self, pps: u32) -> Result<(&Sps, &Pps), Broken> {
        let (pps, _) = self
            .pps
            .iter()
            .rfind(|(set, _)| set.id == pps)
            .ok_or(Broken(
                "a slice names a picture parameter set that is missing",
            ))?;
        let (sps, _) = self
            .sps
            .iter()
            .rfind(|(set, _)| set.id == pps.sps)
            .ok_or(Broken("a sequence parameter set is missing"))?;
        Ok((sps, pps))
    }
}
