//! A strip of black and white blocks at the foot of the picture that a machine reads back after
//! any number of encodings: frame number and capture time.
//!
//! Blocks are 8 × 8 pixels, on the grid of the codec's transform, in rows from the left, the row
//! at the very bottom last. Bits, most significant first: 8 of [`SYNC`], 32 of frame number, 64 of
//! capture time in milliseconds since 1970 UTC, 16 of checksum over the 12 bytes before it.

use super::{Colour, Picture};

const BLOCK: usize = 8;
/// Alternates, so that a picture without a strip is hardly ever taken for one.
const SYNC: u8 = 0b1010_0110;
/// Bits in a strip.
pub const STRIP_BITS: usize = 8 + 32 + 64 + 16;

/// What a strip says.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct StripStamp {
    /// Frame number, its low 32 bits.
    pub frame: u32,
    /// Capture time in milliseconds since 1970-01-01T00:00:00 UTC, rounded down.
    pub capture_ms: i64,
}

/// Rows of pixels that the strip takes in a picture of this width; 0 if it is too narrow for one.
#[must_use]
pub fn strip_height(width: usize) -> usize {
    let blocks = width / BLOCK;
    if blocks == 0 {
        0
    } else {
        STRIP_BITS.div_ceil(blocks) * BLOCK
    }
}

/// CRC-16/IBM-3740: polynomial 0x1021, begins with 0xFFFF.
fn checksum(bytes: &[u8]) -> u16 {
    bytes.iter().fold(0xFFFF, |crc, byte| {
        (0..8).fold(crc ^ (u16::from(*byte) << 8), |crc, _| {
            if crc & 0x8000 == 0 {
                crc << 1
            } else {
                (crc << 1) ^ 0x1021
            }
        })
    })
}

fn message(stamp: StripStamp) -> u128 {
    let body = (u128::from(stamp.frame) << 64) | u128::from(stamp.capture_ms as u64);
    let [_, _, _, _, bytes @ ..] = body.to_be_bytes();
    (u128::from(SYNC) << 112) | (body << 16) | u128::from(checksum(&bytes))
}

impl Picture {
    /// Draws the strip over the lowest rows; a picture too small for it stays as it is.
    pub fn stamp(&mut self, stamp: StripStamp) {
        let rows = strip_height(self.width());
        let Some(top) = self.height().checked_sub(rows).filter(|_| rows > 0) else {
            return;
        };
        let blocks = self.width() / BLOCK;
        let message = message(stamp);
        for index in 0..rows / BLOCK * blocks {
            let bit = index < STRIP_BITS && message >> (STRIP_BITS - 1 - index) & 1 == 1;
            let (x, y) = (index % blocks * BLOCK, top + index / blocks * BLOCK);
            self.block(
                x,
                y,
                BLOCK,
                BLOCK,
                if bit { Colour::WHITE } else { Colour::BLACK },
            );
        }
    }
}

/// Reads the strip from a luma plane of `width × height` bytes without padding. `None` if there is
/// none, or its checksum is wrong.
#[must_use]
pub fn read_strip(luma: &[u8], width: usize, height: usize) -> Option<StripStamp> {
    let rows = strip_height(width);
    let top = height.checked_sub(rows).filter(|_| rows > 0)?;
    let blocks = width / BLOCK;
    let mut message = 0_u128;
    for index in 0..STRIP_BITS {
        let (x, y) = (index % blocks * BLOCK, top + index / blocks * BLOCK);
        let mut sum = 0_u32;
        // The middle of the block: its edges may bleed.
        for row in y + 2..y + BLOCK - 2 {
            let start = row * width + x + 2;
            sum += luma
                .get(start..start + BLOCK - 4)?
                .iter()
                .map(|c| u32::from(*c))
                .sum::<u32>();
        }
        message = message << 1 | u128::from(sum > 16 * 126);
    }
    let stamp = StripStamp {
        frame: (message >> 80) as u32,
        capture_ms: (message >> 16) as i64,
    };
    (self::message(stamp) == message).then_some(stamp)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn checksum_of_the_catalogue() {
        // Check value of CRC-16/IBM-3740 over "123456789", from memory of the CRC catalogues.
        assert_eq!(checksum(b"123456789"), 0x29B1);
    }

    #[test]
    fn strips_read_back() {
        for (width, height) in [(640, 360), (320, 180), (1280, 720), (176, 144), (72, 150)] {
            for capture_ms in [0, 1_777_879_860_120, -1, i64::MIN] {
                let mut picture = Picture::new(width, height);
                let stamp = StripStamp {
                    frame: 0xDEAD_0001,
                    capture_ms,
                };
                picture.stamp(stamp);
                assert_eq!(
                    read_strip(&picture.y, width, height),
                    Some(stamp),
                    "{width}"
                );
            }
        }
    }

    #[test]
    fn one_wrong_block_is_noticed() {
        let mut picture = Picture::new(640, 360);
        picture.stamp(StripStamp {
            frame: 7,
            capture_ms: 1_777_879_860_120,
        });
        picture.block(80, 344, 8, 8, Colour::WHITE);
        picture.block(88, 344, 8, 8, Colour::BLACK);
        let bare = Picture::new(640, 360);
        assert_eq!(read_strip(&picture.y, 640, 360), None);
        assert_eq!(read_strip(&bare.y, 640, 360), None);
        assert_eq!(read_strip(&bare.y, 640, 4000), None);
        assert_eq!(read_strip(&[], 4, 4), None);
    }
}
