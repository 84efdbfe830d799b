//! The light of an hour: colours of the sky, of what it shines on, and the sun's place.

use super::{ease, mix};

/// Red, green, blue, 0 to 255.
pub(super) type Rgb = [f32; 3];

#[derive(Debug, Clone, Copy)]
pub(super) struct Light {
    /// Colour of the sky overhead and at the horizon.
    pub(super) zenith: Rgb,
    pub(super) horizon: Rgb,
    /// What remains of each primary of a lit thing, 1 at noon.
    shine: Rgb,
    /// Sun by day, moon by night: where, in pixels, and which.
    pub(super) disc: (f32, f32),
    /// 0 by day, 1 at night.
    pub(super) night: f32,
    /// 1 when the sun is near the horizon.
    pub(super) glow: f32,
}

impl Light {
    /// `hour` 0 to 24; the sun rises at 5 and sets at 21, as in a northern spring.
    pub(super) fn at(hour: f32) -> Self {
        let day = (hour - 5.0) / 16.0;
        // The moon takes the hours that the sun leaves.
        let across = if (0.0..1.0).contains(&day) {
            day
        } else {
            (hour + 3.0) % 24.0 / 8.0
        };
        let night = 1.0 - ease(hour, 4.2, 6.2) * (1.0 - ease(hour, 20.0, 22.0));
        let low = |at: f32| 1.0 - ease((hour - at).abs(), 0.3, 2.2);
        let glow = low(5.4).max(low(20.6));
        let tint = |noon: Rgb, dusk: Rgb, dark: Rgb| blend(blend(noon, dusk, glow), dark, night);
        Self {
            zenith: tint(
                [72.0, 138.0, 205.0],
                [92.0, 112.0, 168.0],
                [10.0, 16.0, 40.0],
            ),
            horizon: tint(
                [186.0, 214.0, 232.0],
                [250.0, 186.0, 130.0],
                [34.0, 44.0, 78.0],
            ),
            shine: tint([1.0, 1.0, 1.0], [0.96, 0.78, 0.66], [0.26, 0.31, 0.46]),
            disc: (
                mix(40.0, 600.0, across),
                176.0 - 138.0 * (across * std::f32::consts::PI).sin(),
            ),
            night,
            glow,
        }
    }

    /// A thing of this colour in this light.
    pub(super) fn on(&self, colour: Rgb) -> Rgb {
        let [r, g, b] = colour;
        let [x, y, z] = self.shine;
        [r * x, g * y, b * z]
    }
}

/// `part` 0 gives the first colour, 1 the second.
pub(super) fn blend([a, b, c]: Rgb, [x, y, z]: Rgb, part: f32) -> Rgb {
    [mix(a, x, part), mix(b, y, part), mix(c, z, part)]
}
