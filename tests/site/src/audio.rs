//! A sound to record: a voice-like hum in G.711 mu-law, 8000 samples a second.

use std::f32::consts::TAU;

/// Samples in a packet: 20 ms, the default of RFC 3551 §4.5.
pub(crate) const SAMPLES: usize = 160;

/// The samples of a packet. They follow from its number alone.
#[must_use]
pub fn pcmu_packet(number: u64) -> [u8; SAMPLES] {
    std::array::from_fn(|index| {
        // It repeats after 8 s, so that an f32 holds the time exactly enough.
        let time = ((number % 400) as f32 * SAMPLES as f32 + index as f32) / 8000.0;
        // Syllables: loudness at 3 Hz, a tone that rises and falls, two overtones.
        let loud = (TAU * 1.5 * time).sin().powi(2) * (0.6 + 0.4 * (TAU * 0.25 * time).sin());
        let turn = TAU * (140.0 * time - 10.0 / TAU * (TAU * 0.5 * time).cos());
        let voice = turn.sin() + 0.5 * (3.0 * turn).sin() + 0.3 * (5.0 * turn).sin();
        mu_law((loud * voice * 9000.0) as i16)
    })
}

/// ITU-T G.711 table 2a, by its segments: sign, exponent, mantissa, all bits inverted.
fn mu_law(sample: i16) -> u8 {
    const BIAS: i32 = 0x84;
    let sign = if sample < 0 { 0x80 } else { 0 };
    let magnitude = i32::from(sample).abs().min(32_635) + BIAS;
    let exponent = (magnitude >> 7).max(1).ilog2();
    let mantissa = (magnitude >> (exponent + 3)) & 0x0F;
    !(sign | (exponent << 4) as u8 | mantissa as u8)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn mu_law_of_the_table() {
        // G.711 table 2a: 0 is 0xFF (positive) , the largest values 0x80 and 0x00; by common
        // practice 16-bit samples stand for the 14-bit values of the table times 4.
        for (sample, code) in [
            (0, 0xFF),
            (32_767, 0x80),
            (-32_768, 0x00),
            (-1, 0x7F),
            (1000, 0xCE),
        ] {
            assert_eq!(mu_law(sample), code, "{sample}");
        }
    }

    #[test]
    fn the_hum_joins_without_a_click() {
        let all: Vec<u8> = (398..402).flat_map(pcmu_packet).collect();
        let linear = |code: u8| {
            let code = !code;
            let size = (((i32::from(code & 0x0F) << 3) + 0x84) << (code >> 4 & 7)) - 0x84;
            if code & 0x80 == 0 { size } else { -size }
        };
        let jump = all
            .windows(2)
            .map(|w| (linear(w[1]) - linear(w[0])).abs())
            .max()
            .unwrap();
        assert!(jump < 8000, "{jump}");
    }
}
