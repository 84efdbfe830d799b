//! Planes of any depth and chroma format to eight bits in 4:2:0 or gray (pure).

use super::guest::Description;

/// What became of a picture.
#[derive(Debug, PartialEq, Eq)]
pub(super) struct Narrowed {
    pub(super) bytes: Vec<u8>,
    pub(super) gray: bool,
}

/// The most bytes that a picture can have as it was coded.
pub(super) fn coded_bytes_max(description: &Description) -> u64 {
    let luma = u64::from(description.width) * u64::from(description.height);
    3 * 2 * luma
}

/// Samples of one or (more than eight bits, little endian) two bytes.
#[derive(Clone, Copy)]
struct Coded<'a> {
    bytes: &'a [u8],
    wide: bool,
    width: usize,
    height: usize,
}

impl Coded<'_> {
    /// A sample; beyond the border, the one at it.
    fn at(&self, x: usize, y: usize) -> u32 {
        let (x, y) = (x.min(self.width - 1), y.min(self.height - 1));
        let place = y * self.width + x;
        let byte = |at: usize| self.bytes.get(at).copied().map_or(0, u32::from);
        if self.wide {
            byte(2 * place) | byte(2 * place + 1) << 8
        } else {
            byte(place)
        }
    }
}

/// The planes of a picture as it was coded.
struct Planes<'a> {
    luma: Coded<'a>,
    /// `None` of gray.
    chroma: Option<[Coded<'a>; 2]>,
}

impl<'a> Planes<'a> {
    /// `None` when there are not as many bytes as such a picture has.
    fn split(picture: &'a [u8], description: &Description) -> Option<Self> {
        let (width, height) = (description.width as usize, description.height as usize);
        let wide = description.depth_luma > 8;
        let half = (width.div_ceil(2), height.div_ceil(2));
        if width == 0 || height == 0 || description.depth_luma != description.depth_chroma {
            return None;
        }
        let (chroma_width, chroma_height) = match description.chroma_format {
            // Some versions give gray planes beside the luma, and some don't.
            0 | 1 => half,
            2 => (half.0, height),
            3 => (width, height),
            _ => return None,
        };
        let sample = 1 + usize::from(wide);
        let luma_bytes = width * height * sample;
        let chroma_bytes = chroma_width * chroma_height * sample;
        let gray = description.chroma_format == 0;
        if picture.len() != luma_bytes + 2 * chroma_bytes && !(gray && picture.len() == luma_bytes)
        {
            return None;
        }
        let plane = |bytes, width, height| Coded {
            bytes,
            wide,
            width,
            height,
        };
        let (luma, chroma) = picture.split_at_checked(luma_bytes)?;
        let chroma = match gray {
            true => None,
            false => {
                let (cb, cr) = chroma.split_at_checked(chroma_bytes)?;
                Some([cb, cr].map(|bytes| plane(bytes, chroma_width, chroma_height)))
            }
        };
        Some(Self {
            luma: plane(luma, width, height),
            chroma,
        })
    }
}

/// Side of the squares that are looked at for holes. The smallest block that a slice leaves out has
/// 16 samples, of which loop filters may change 4 at each border: one such square lies in the rest.
const SQUARE: usize = 4;

/// Whether a part of the picture was decoded by nobody. ffmpeg does not say so of H.265, but its
/// planes begin as zeros, and luma, Cb and Cr of zero at once is a color that does not exist. Gray
/// has no such value: there this knows nothing.
pub(super) fn has_hole(picture: &[u8], description: &Description) -> bool {
    let Some(Planes {
        luma,
        chroma: Some([cb, cr]),
    }) = Planes::split(picture, description)
    else {
        return false;
    };
    let (across, down) = (
        luma.width.div_ceil(cb.width.max(1)),
        luma.height.div_ceil(cb.height.max(1)),
    );
    let zero = |x: usize, y: usize| {
        let (left, top) = (x / across, y / down);
        cb.at(left, top) == 0 && cr.at(left, top) == 0 && luma.at(x, y) == 0
    };
    let corners = |length: usize| (0..=length.saturating_sub(SQUARE)).step_by(SQUARE);
    corners(luma.height).any(|top| {
        corners(luma.width)
            .any(|left| (top..top + SQUARE).all(|y| (left..left + SQUARE).all(|x| zero(x, y))))
    })
}

/// Rounds to eight bits; chroma is averaged to where 4:2:0 has it (H.264 Figure 6-1 and E-1:
/// halfway between two rows, at the left luma sample or in the middle). `None` when there are not
/// as many bytes as such a picture has.
pub(super) fn narrow(picture: &[u8], description: &Description) -> Option<Narrowed> {
    let Planes { luma, chroma } = Planes::split(picture, description)?;
    let (width, height) = (luma.width, luma.height);
    let depth = u32::from(description.depth_luma);
    let mut bytes = Vec::with_capacity(width * height * 3 / 2 + width + height);
    for y in 0..height {
        bytes.extend((0..width).map(|x| round(luma.at(x, y), 0, depth)));
    }
    let gray = chroma.is_none();
    for plane in chroma.iter().flatten() {
        for y in 0..height.div_ceil(2) {
            bytes.extend(
                (0..width.div_ceil(2)).map(|x| match description.chroma_format {
                    1 => round(plane.at(x, y), 0, depth),
                    2 => round(plane.at(x, 2 * y) + plane.at(x, 2 * y + 1), 1, depth),
                    _ => quarter(plane, x, y, description.chroma_left, depth),
                }),
            );
        }
    }
    Some(Narrowed { bytes, gray })
}

/// One sample of chroma out of full resolution.
fn quarter(plane: &Coded<'_>, x: usize, y: usize, left: bool, depth: u32) -> u8 {
    let row = |y: usize| {
        if left {
            let before = plane.at((2 * x).saturating_sub(1), y);
            before + 2 * plane.at(2 * x, y) + plane.at(2 * x + 1, y)
        } else {
            2 * plane.at(2 * x, y) + 2 * plane.at(2 * x + 1, y)
        }
    };
    round(row(2 * y) + row(2 * y + 1), 3, depth)
}

/// A sum of `2^weight` samples of `depth` bits to eight bits.
fn round(sum: u32, weight: u32, depth: u32) -> u8 {
    let shift = weight + depth.saturating_sub(8);
    let rounded = (sum + ((1 << shift) >> 1)) >> shift;
    u8::try_from(rounded).unwrap_or(u8::MAX)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn description(width: u32, height: u32, chroma_format: u8, depth: u8) -> Description {
        Description {
            width,
            height,
            chroma_format,
            depth_luma: depth,
            depth_chroma: depth,
            chroma_left: true,
            full_range: false,
            matrix: "bt709".to_owned(),
            arithmetic: true,
        }
    }

    fn narrowed(picture: &[u8], description: &Description) -> Vec<u8> {
        narrow(picture, description).unwrap().bytes
    }

    #[test]
    fn ten_bits_are_rounded() {
        let words = [0_u16, 1, 2, 1023, 512, 514];
        let bytes: Vec<u8> = words.iter().flat_map(|word| word.to_le_bytes()).collect();
        let picture = narrowed(&bytes, &description(2, 2, 1, 10));
        assert_eq!(picture, [0, 0, 1, 255, 128, 129]);
    }

    #[test]
    fn chroma_goes_to_its_place() {
        // 4:2:2, one pair of rows: the mean of both.
        let picture = narrowed(&[9, 9, 9, 9, 10, 13, 20, 30], &description(2, 2, 2, 8));
        assert_eq!(picture, [9, 9, 9, 9, 12, 25]);
        // 4:4:4: weights 1 2 1 about the left sample, the one beyond the border repeated.
        let planes = [[9; 4], [10, 20, 10, 20], [0, 40, 0, 40]].concat();
        let mut left = description(2, 2, 3, 8);
        assert_eq!(narrowed(&planes, &left), [9, 9, 9, 9, 13, 10]);
        left.chroma_left = false;
        assert_eq!(narrowed(&planes, &left), [9, 9, 9, 9, 15, 20]);
    }

    #[test]
    fn gray_comes_with_and_without_chroma() {
        for picture in [&[1, 2, 3, 4][..], &[1, 2, 3, 4, 128, 128]] {
            let gray = narrow(picture, &description(2, 2, 0, 8)).unwrap();
            assert_eq!(
                gray,
                Narrowed {
                    bytes: vec![1, 2, 3, 4],
                    gray: true
                }
            );
        }
    }

    #[test]
    fn what_nobody_decoded_is_found() {
        // 4:2:2, 40x24; a block of 16x16 less what a loop filter has changed.
        let description = description(40, 24, 2, 8);
        let mut picture = vec![0_u8; 2 * 40 * 24];
        picture[40 * 24..].fill(128);
        // Black is none.
        assert!(!has_hole(&picture, &description));
        for y in 9..17 {
            for plane in [40 * 24, 60 * 24] {
                picture[plane + y * 20 + 5..][..4].fill(0);
            }
        }
        assert!(has_hole(&picture, &description));
        for (x, y) in [(13, 13), (17, 13), (13, 9)] {
            picture[y * 40 + x] = 1;
        }
        assert!(!has_hole(&picture, &description));
    }

    #[test]
    fn a_wrong_number_of_bytes_is_no_picture() {
        for bytes in [0, 4, 5, 7, 8, 12] {
            assert_eq!(narrow(&vec![0; bytes], &description(2, 2, 1, 8)), None);
        }
        assert_eq!(narrow(&[], &description(0, 2, 1, 8)), None);
    }
}
