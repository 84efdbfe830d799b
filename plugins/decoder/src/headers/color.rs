//! What the samples mean: the first fields of the video usability information, which H.264 (E.1.1)
//! and H.265 (E.2.1) have in common.

use super::{Bits, Broken};

/// Which weights made luma.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Matrix {
    /// ITU-R BT.601.
    Bt601,
    /// ITU-R BT.709.
    Bt709,
    /// ITU-R BT.2020, non-constant luminance.
    Bt2020,
}

impl Matrix {
    /// The word of `wit/decoder.wit`.
    #[must_use]
    pub fn as_str(self) -> &'static str {
        match self {
            Self::Bt601 => "bt601",
            Self::Bt709 => "bt709",
            Self::Bt2020 => "bt2020",
        }
    }
}

/// How samples stand for light, as far as the stream says.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct Signal {
    /// `video_full_range_flag`; limited where there is no word.
    pub full_range: bool,
    /// `matrix_coefficients`; `None`: no word, or "unspecified".
    matrix: Option<u32>,
    /// `chroma_sample_loc_type_top_field`; 0 where there is no word.
    chroma_location: u32,
}

/// `matrix_coefficients`: 2 is "unspecified".
const UNSPECIFIED: u32 = 2;
/// `aspect_ratio_idc`: width and height follow.
const EXTENDED_SAR: u32 = 255;

impl Signal {
    /// Reads up to the location of chroma.
    ///
    /// # Errors
    /// When the fields are cut off, or say what does not exist. What was read before stays.
    pub(super) fn read(&mut self, bits: &mut Bits<'_>) -> Result<(), Broken> {
        if bits.flag()? && bits.bits(8)? == EXTENDED_SAR {
            bits.skip(32)?;
        }
        if bits.flag()? {
            bits.skip(1)?; // overscan_appropriate_flag
        }
        if bits.flag()? {
            bits.skip(3)?; // video_format
            self.full_range = bits.flag()?;
            if bits.flag()? {
                bits.skip(16)?; // colour_primaries, transfer_characteristics
                self.matrix = Some(bits.bits(8)?).filter(|matrix| *matrix != UNSPECIFIED);
            }
        }
        if bits.flag()? {
            self.chroma_location = bits.ue_max(5, "a chroma location that does not exist")?;
            bits.ue()?;
        }
        Ok(())
    }

    /// The weights, or what stands in the way of naming them. Where the stream is silent, it goes
    /// by the rows, as players do (common practice): BT.601 below 720, BT.709 from there on.
    ///
    /// # Errors
    /// For samples that aren't luma and chroma in the usual sense.
    pub fn matrix(&self, height: u32) -> Result<Matrix, &'static str> {
        match self.matrix {
            // H.264 Table E-5: 4 is the FCC's, 5 and 6 BT.601's; 7 is SMPTE 240M, near BT.709;
            // 9 is BT.2020's. What is reserved says nothing, as if it were not there.
            Some(4..=6) => Ok(Matrix::Bt601),
            Some(1 | 7) => Ok(Matrix::Bt709),
            Some(9) => Ok(Matrix::Bt2020),
            Some(0) => Err("samples are red, green and blue and not luma and chroma"),
            Some(8) => Err("the colour space is YCgCo"),
            Some(10) => Err("luma is constant luminance (BT.2020)"),
            Some(11..=14) => Err("the colour space is one of BT.2085, BT.2100 or derived"),
            _ if height < 720 => Ok(Matrix::Bt601),
            _ => Ok(Matrix::Bt709),
        }
    }

    /// Whether chroma stands at the left luma sample of a pair (types 0, 2 and 4 of Figure E-1).
    #[must_use]
    pub fn chroma_left(&self) -> bool {
        self.chroma_location.is_multiple_of(2)
    }
}
