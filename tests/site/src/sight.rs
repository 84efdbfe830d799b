//! What becomes of a camera's pictures before it sees them: somebody knocks it, a glove hangs over it.

use crate::picture::Picture;

/// What a camera that draws its pictures sees of the scene; see
/// [`SimulatedCamera::see`](crate::SimulatedCamera::see).
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum Sight {
    /// All of it.
    #[default]
    Clear,
    /// Nothing: black.
    Dark,
    /// Something plain and grey, close before the lens.
    Covered,
    /// Each picture is the last one again; the camera goes on to encode and send.
    Stuck,
    /// The mast was knocked: everything is farther right and down by so many pixels. Even numbers,
    /// chroma being half as large.
    Knocked {
        /// Pixels to the right.
        right: usize,
        /// Pixels down.
        down: usize,
    },
}

impl Sight {
    /// Changes a picture that was drawn.
    pub(crate) fn apply(self, picture: &mut Picture) {
        let (width, height) = (picture.width(), picture.height());
        let [y, u, v] = picture.planes_mut();
        match self {
            Self::Clear | Self::Stuck => {}
            Self::Dark => {
                y.fill(16);
                u.fill(128);
                v.fill(128);
            }
            Self::Covered => {
                play(y, width);
                u.fill(128);
                v.fill(128);
            }
            Self::Knocked { right, down } => {
                shift(y, (width, height), (right, down));
                for plane in [u, v] {
                    shift(plane, (width / 2, height / 2), (right / 2, down / 2));
                }
            }
        }
    }
}

/// Something grey on which light plays: were each picture the same, the camera would be stuck.
fn play(plane: &mut [u8], width: usize) {
    const SIDE: usize = 8;
    // What was drawn is another one each time.
    let add = |sum: u32, value: &u8| sum.wrapping_mul(31).wrapping_add(u32::from(*value));
    let mut state = plane.iter().fold(1, add);
    let mut shade = |_| {
        state = state.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
        104 + (state >> 24) as u8 % 13
    };
    for rows in plane.chunks_mut(width * SIDE) {
        let shades: Vec<u8> = (0..width.div_ceil(SIDE)).map(&mut shade).collect();
        for line in rows.chunks_mut(width) {
            for (block, shade) in line.chunks_mut(SIDE).zip(&shades) {
                block.fill(*shade);
            }
        }
    }
}

/// Moves a plane; at the edges it is drawn out, as what lies beyond is not known.
fn shift(plane: &mut [u8], (width, height): (usize, usize), (right, down): (usize, usize)) {
    let old = plane.to_vec();
    let rows = plane.chunks_exact_mut(width).take(height);
    for (row, line) in rows.enumerate() {
        let from = row.saturating_sub(down) * width;
        for (column, pixel) in line.iter_mut().enumerate() {
            if let Some(value) = old.get(from + column.saturating_sub(right)) {
                *pixel = *value;
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn light_plays_on_what_covers() {
        let (mut one, mut two) = (vec![7; 64 * 32], vec![7; 64 * 32]);
        two[5] = 8;
        play(&mut one, 64);
        play(&mut two, 64);
        assert!(one != two && one.iter().chain(&two).all(|y| (104..117).contains(y)));
    }

    #[test]
    fn a_knock_moves_the_picture() {
        let mut plane: Vec<u8> = (0..12).collect();
        shift(&mut plane, (4, 3), (1, 1));
        assert_eq!(plane, [0, 0, 1, 2, 0, 0, 1, 2, 4, 4, 5, 6]);
    }
}
