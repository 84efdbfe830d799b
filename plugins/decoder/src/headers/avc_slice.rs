//! The head of an H.264 slice (7.3.3).

use super::avc::{Pps, Sets, Sps};
use super::{Bits, Broken, unescape_head};

/// Longer than the longest head: two lists of 32 weights each take 700 bytes.
const HEAD_BYTES_MAX: usize = 2048;
/// As in the list of marking operations that a picture of 32 fields could need.
const OPERATIONS_MAX: u32 = 128;

/// How a slice is predicted.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum SliceKind {
    /// From itself.
    Intra,
    /// From one list of pictures.
    Predicted,
    /// From two.
    Bidirectional,
    /// SP and SI, of the Extended profile.
    Switching,
}

/// What a slice says of the loop filter.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct Deblocking {
    /// 0 on, 1 off, 2 on but not across the slice's border.
    pub mode: u32,
    /// `slice_alpha_c0_offset_div2`.
    pub alpha: i32,
    /// `slice_beta_offset_div2`.
    pub beta: i32,
}

/// The head of a slice.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
#[allow(
    clippy::struct_excessive_bools,
    reason = "they are the flags of the standard"
)]
pub struct Slice {
    /// Number of its first macroblock.
    pub first_mb: u32,
    /// How it is predicted.
    pub kind: SliceKind,
    /// The picture parameter set.
    pub pps: u32,
    /// Its picture's number.
    pub frame_num: u32,
    /// Its picture resets the decoder.
    pub idr: bool,
    /// Others are predicted from its picture.
    pub reference: bool,
    /// It belongs to one field of a frame.
    pub field: bool,
    /// It repeats what another one holds.
    pub redundant: bool,
    /// Its picture changes the marks of others one by one.
    pub adaptive_marking: bool,
    /// Its picture makes all others useless, as an IDR picture does.
    pub marking_reset: bool,
    /// The loop filter.
    pub deblocking: Deblocking,
}

impl Slice {
    /// Reads the head of a NAL unit of type 1 or 5. What follows the mark of a field, or of a
    /// switching slice, isn't read: such streams are refused.
    ///
    /// # Errors
    /// When it is cut off, out of bounds, or names sets that are missing.
    pub fn parse(nal: &[u8], sets: &Sets) -> Result<Self, Broken> {
        let head = *nal.first().ok_or(Broken("an empty NAL unit"))?;
        let idr = head & 31 == 5;
        let reference = head & 0x60 != 0;
        let plain = unescape_head(nal.get(1..).unwrap_or_default(), HEAD_BYTES_MAX);
        let mut bits = Bits::new(&plain);
        let b = &mut bits;
        let first_mb = b.ue()?;
        let kind = match b.ue_max(9, "a slice of a kind that does not exist")? % 5 {
            0 => SliceKind::Predicted,
            1 => SliceKind::Bidirectional,
            2 => SliceKind::Intra,
            _ => SliceKind::Switching,
        };
        let pps_id = b.ue_max(255, "a picture parameter set of a number above 255")?;
        let (sps, pps) = sets.of(pps_id)?;
        if sps.separate_planes {
            b.skip(2)?; // colour_plane_id
        }
        let mut slice = Self {
            first_mb,
            kind,
            pps: pps_id,
            frame_num: b.bits(sps.frame_num_bits)?,
            idr,
            reference,
            field: false,
            redundant: false,
            adaptive_marking: false,
            marking_reset: false,
            deblocking: Deblocking::default(),
        };
        slice.field = !sps.frames_only && b.flag()?;
        if slice.field || kind == SliceKind::Switching || pps.slice_groups {
            return Ok(slice);
        }
        if idr {
            b.ue()?; // idr_pic_id
        }
        skip_order(b, sps, pps)?;
        slice.redundant = pps.redundant && b.ue()? > 0;
        skip_prediction(b, kind, sps, pps)?;
        if reference {
            slice.read_marking(b)?;
        }
        if pps.cabac && kind != SliceKind::Intra {
            b.ue_max(2, "a table of probabilities that does not exist")?;
        }
        b.se()?; // slice_qp_delta
        if pps.deblocking_control {
            slice.deblocking.mode = b.ue_max(2, "a loop filter that does not exist")?;
            if slice.deblocking.mode != 1 {
                slice.deblocking.alpha = b.se()?;
                slice.deblocking.beta = b.se()?;
            }
        }
        Ok(slice)
    }

    /// dec_ref_pic_marking (7.3.3.3).
    fn read_marking(&mut self, b: &mut Bits<'_>) -> Result<(), Broken> {
        if self.idr {
            return b.skip(2);
        }
        self.adaptive_marking = b.flag()?;
        if !self.adaptive_marking {
            return Ok(());
        }
        for _ in 0..OPERATIONS_MAX {
            match b.ue_max(6, "a marking operation that does not exist")? {
                0 => return Ok(()),
                3 => {
                    b.ue()?;
                    b.ue()?;
                }
                5 => self.marking_reset = true,
                _ => {
                    b.ue()?;
                }
            }
        }
        Err(Broken("a slice with marking operations without an end"))
    }
}

fn skip_order(b: &mut Bits<'_>, sps: &Sps, pps: &Pps) -> Result<(), Broken> {
    if sps.poc_type == 0 {
        b.skip(sps.poc_lsb_bits)?;
        if pps.order_present {
            b.se()?;
        }
    } else if sps.poc_type == 1 && !sps.delta_poc_zero {
        b.se()?;
        if pps.order_present {
            b.se()?;
        }
    }
    Ok(())
}

/// From direct_spatial_mv_pred_flag to pred_weight_table.
fn skip_prediction(b: &mut Bits<'_>, kind: SliceKind, sps: &Sps, pps: &Pps) -> Result<(), Broken> {
    let lists = match kind {
        SliceKind::Predicted => 1,
        SliceKind::Bidirectional => 2,
        SliceKind::Intra | SliceKind::Switching => return Ok(()),
    };
    if lists == 2 {
        b.skip(1)?;
    }
    let mut references = pps.references_default;
    if b.flag()? {
        for count in references.iter_mut().take(lists) {
            *count = 1 + b.ue_max(31, "more than 32 references")?;
        }
    }
    for _ in 0..lists {
        if b.flag()? {
            skip_modification(b)?;
        }
    }
    let weighted = match kind {
        SliceKind::Predicted => pps.weighted,
        _ => pps.weighted_b == 1,
    };
    if weighted {
        let chroma = sps.chroma_format != 0 && !sps.separate_planes;
        b.ue_max(7, "a weight out of bounds")?;
        if chroma {
            b.ue_max(7, "a weight out of bounds")?;
        }
        for count in references.iter().take(lists) {
            for _ in 0..*count {
                skip_weights(b, 1)?;
                if chroma {
                    skip_weights(b, 2)?;
                }
            }
        }
    }
    Ok(())
}

fn skip_weights(b: &mut Bits<'_>, components: u32) -> Result<(), Broken> {
    if b.flag()? {
        for _ in 0..components {
            b.se()?;
            b.se()?;
        }
    }
    Ok(())
}

/// ref_pic_list_modification (7.3.3.1): as many entries as a list can have, and the end.
fn skip_modification(b: &mut Bits<'_>) -> Result<(), Broken> {
    for _ in 0..=33 {
        if b.ue_max(3, "a list modification that does not exist")? == 3 {
            return Ok(());
        }
        b.ue()?;
    }
    Err(Broken("a slice with list modifications without an end"))
}
