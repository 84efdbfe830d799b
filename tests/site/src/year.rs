//! A year of the simulated boatyard, picture by picture, with the truth of each: a hall that grows, the
//! sun's path, weather, a camera that flickers, is knocked, gets dirty and is blocked by what hangs
//! before it. Any instant can be drawn, and each is the same every time.

use forebay_sun::Place;

const DAY: i64 = 86_400_000_000_000;
/// Less fog spoils no picture.
const FOG_MIN: f64 = 0.3;

/// What is true of an instant.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Conditions {
    /// How much of the light is lost in fog, 0 to 1.
    pub fog: f64,
    /// How overcast it is, 0 to 1.
    pub cloud: f64,
    /// There are drops and dirt on the lens.
    pub dirty: bool,
    /// Something hangs before the lens.
    pub blocked: bool,
    /// The picture is out of focus.
    pub blurred: bool,
    /// What the camera's exposure is off by, as a factor.
    pub gain: f64,
    /// How far the picture was moved to the right and down; shares of the width.
    pub shift: (f64, f64),
    /// And turned around its middle; degrees.
    pub degrees: f64,
    /// How much of the hall stands, 0 to 1.
    pub growth: f64,
    /// Where the middle of the sun's disc is above the horizon; degrees.
    pub sun_degrees: f64,
}

impl Conditions {
    /// What spoils the picture, if anything does; a light mist does not.
    #[must_use]
    pub fn flaw(&self) -> Option<Flaw> {
        // What is nearest to the sensor hides the rest.
        match self {
            now if now.blocked => Some(Flaw::Blocked),
            now if now.dirty => Some(Flaw::Dirty),
            now if now.fog >= FOG_MIN => Some(Flaw::Fog),
            now if now.blurred => Some(Flaw::Blurred),
            _ => None,
        }
    }
}

/// What can spoil a picture.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Flaw {
    /// Fog.
    Fog,
    /// Drops and dirt on the lens.
    Dirty,
    /// Something before it.
    Blocked,
    /// Out of focus.
    Blurred,
}

/// A knock: from then on the camera hangs otherwise.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Knock {
    /// When.
    pub at: i64,
    /// Shares of the width.
    pub shift: (f64, f64),
    /// Degrees.
    pub degrees: f64,
}

/// A picture as a camera has it: luma, and chroma of half the width and height; full range.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Picture {
    /// Pixels; even.
    pub width: usize,
    /// Pixels; even.
    pub height: usize,
    /// Y, Cb, Cr.
    pub planes: [Vec<u8>; 3],
}

/// A simulated year.
#[derive(Debug, Clone)]
pub struct Year {
    /// Pixels; even.
    pub width: usize,
    /// Pixels; even.
    pub height: usize,
    /// Where the yard is.
    pub place: Place,
    /// Nanoseconds since 1970, UTC.
    pub begin: i64,
    /// Days until the hall stands.
    pub days: i64,
    /// Which of all such years.
    pub seed: u64,
    /// How much exposure varies from picture to picture, as a share.
    pub flicker: f64,
    /// When the camera was knocked, and how.
    pub knocks: Vec<Knock>,
}

/// A number from 0 to 1 that belongs to others.
fn chance(seed: u64, a: i64, b: i64) -> f64 {
    let mut x = seed
        ^ (a as u64).wrapping_mul(0x9e37_79b9_7f4a_7c15)
        ^ (b as u64).wrapping_mul(0xc2b2_ae3d_27d4_eb4f);
    // The finisher of SplitMix64.
    x = (x ^ (x >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
    x = (x ^ (x >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
    ((x ^ (x >> 31)) >> 11) as f64 / (1u64 << 53) as f64
}

/// Random, but smooth.
fn noise(seed: u64, x: f64, y: f64) -> f64 {
    let (left, top) = (x.floor(), y.floor());
    let smooth = |t: f64| t * t * (3.0 - 2.0 * t);
    let (tx, ty) = (smooth(x - left), smooth(y - top));
    let at = |dx: i64, dy: i64| chance(seed, left as i64 + dx, top as i64 + dy);
    let upper = at(0, 0) + tx * (at(1, 0) - at(0, 0));
    let lower = at(0, 1) + tx * (at(1, 1) - at(0, 1));
    upper + ty * (lower - upper)
}

/// Luma before light falls on it, 0 to 1, and its tint.
#[derive(Debug, Clone, Copy)]
struct Paint {
    luma: f64,
    tint: (f64, f64),
    /// The sun's direct light, and shadows, fall on it.
    lit: bool,
}

impl Year {
    /// From an instant on, with knocks at a third and two thirds of it.
    #[must_use]
    pub fn new((width, height): (usize, usize), begin: i64, days: i64, seed: u64) -> Self {
        let knock = |third: i64, shift, degrees| Knock {
            at: begin + days * DAY * third / 3 + DAY / 3,
            shift,
            degrees,
        };
        Self {
            width: width & !1,
            height: height & !1,
            place: Place::new(59.0, 10.0),
            begin,
            days,
            seed,
            flicker: 0.12,
            knocks: vec![
                knock(1, (0.013, -0.007), 0.0),
                knock(2, (-0.004, 0.009), 0.35),
            ],
        }
    }

    /// What is true of an instant.
    #[must_use]
    pub fn conditions(&self, at: i64) -> Conditions {
        let since = at - self.begin;
        let day = since.div_euclid(DAY);
        let luck =
            |what: i64, part: i64| chance(self.seed.wrapping_add(what as u64 * 7919), day, part);
        let hour = since.rem_euclid(DAY) / 3_600_000_000_000;
        let of_frame = |what: i64| chance(self.seed ^ 0x5eed, at / 1_000_000_000, what);
        let fog = match luck(1, 0) {
            luck if luck < 0.07 => 0.8,
            // Lifts in the course of the morning.
            luck if luck < 0.12 && hour < 11 => 0.65,
            _ => 0.0,
        };
        let mut shift = (0.0, 0.0);
        let mut degrees = 0.0;
        for knock in self.knocks.iter().filter(|knock| at >= knock.at) {
            shift.0 += knock.shift.0;
            shift.1 += knock.shift.1;
            degrees += knock.degrees;
        }
        // Wind.
        let gust = if luck(2, 0) < 0.2 { 0.0008 } else { 0.0001 };
        shift.0 += gust * (of_frame(3) - 0.5);
        shift.1 += gust * (of_frame(4) - 0.5);
        Conditions {
            fog,
            cloud: (1.4 * luck(5, hour / 3) - 0.2).clamp(0.0, 1.0),
            dirty: luck(6, 0) < 0.08,
            blocked: of_frame(7) < 0.06,
            blurred: of_frame(8) < 0.04,
            gain: 1.0 + self.flicker * (2.0 * of_frame(9) - 1.0),
            shift,
            degrees,
            growth: (since as f64 / (self.days * DAY) as f64).clamp(0.0, 1.0),
            sun_degrees: forebay_sun::position(at, &self.place).elevation_degrees,
        }
    }

    /// Where a point of the scene is in the picture of an instant; pixels from the middle of the first.
    #[must_use]
    pub fn moved(&self, conditions: &Conditions, (x, y): (f64, f64)) -> (f64, f64) {
        let (w, h) = (self.width as f64, self.height as f64);
        let (sin, cos) = conditions.degrees.to_radians().sin_cos();
        let (dx, dy) = (x - w / 2.0, y - h / 2.0);
        (
            w / 2.0 + cos * dx - sin * dy + conditions.shift.0 * w,
            h / 2.0 + sin * dx + cos * dy + conditions.shift.1 * w,
        )
    }

    /// The other way.
    fn back(&self, conditions: &Conditions, (x, y): (f64, f64)) -> (f64, f64) {
        let (w, h) = (self.width as f64, self.height as f64);
        let (sin, cos) = conditions.degrees.to_radians().sin_cos();
        let dx = x - w / 2.0 - conditions.shift.0 * w;
        let dy = y - h / 2.0 - conditions.shift.1 * w;
        (w / 2.0 + cos * dx + sin * dy, h / 2.0 - sin * dx + cos * dy)
    }

    /// Draws an instant.
    #[must_use]
    pub fn picture(&self, at: i64) -> Picture {
        let now = self.conditions(at);
        let (width, height) = (self.width, self.height);
        let mut luma = Vec::with_capacity(width * height);
        let mut tints = vec![(0f64, 0f64); width * height / 4];
        let light = Light::of(self, &now, at);
        for y in 0..height {
            for x in 0..width {
                let (px, py) = self.back(&now, (x as f64, y as f64));
                let (value, tint) = self.seen(&now, &light, (px, py));
                luma.push(value as f32);
                if let Some(sum) = tints.get_mut(y / 2 * (width / 2) + x / 2) {
                    sum.0 += tint.0 / 4.0;
                    sum.1 += tint.1 / 4.0;
                }
            }
        }
        if now.blurred {
            blur(&mut luma, (width, height), width / 100 + 2);
        }
        self.spoil(&now, at, &mut luma);
        // What the sensor adds: a little noise, the same for an instant each time.
        let mut state = (at as u64) ^ self.seed | 1;
        let mut grain = move || {
            state ^= state << 13;
            state ^= state >> 7;
            state ^= state << 17;
            (state >> 40) as f64 / (1u64 << 24) as f64 - 0.5
        };
        let luma = luma
            .iter()
            .map(|value| (255.0 * f64::from(*value) + 4.0 * grain()).clamp(0.0, 255.0) as u8);
        let part = |value: f64| (128.5 + 255.0 * value).clamp(0.0, 255.0) as u8;
        Picture {
            width,
            height,
            planes: [
                luma.collect(),
                tints.iter().map(|(cb, _)| part(*cb)).collect(),
                tints.iter().map(|(_, cr)| part(*cr)).collect(),
            ],
        }
    }

    /// What the camera has of a point of the scene: luma, 0 to 1, and tint.
    fn seen(&self, now: &Conditions, light: &Light, (x, y): (f64, f64)) -> (f64, (f64, f64)) {
        let h = self.height as f64;
        let (u, v) = (x / h, y / h);
        let paint = self.paint(now, light, (u, v));
        let shade = if paint.lit && light.shaded(now, (u, v)) {
            0.0
        } else {
            light.direct
        };
        let value = if paint.lit {
            paint.luma * (light.ambient + shade)
        } else {
            paint.luma * light.sky
        };
        // Fog takes contrast and gives its own light, the more the farther away.
        let far = if v < 0.42 { 1.0 } else { 0.75 };
        let fog = now.fog * far;
        let value = value * (1.0 - fog) + 0.62 * light.sky * fog;
        let value = (value * light.exposure * now.gain).clamp(0.0, 1.0);
        let tint = (
            paint.tint.0 * (1.0 - fog) * value,
            paint.tint.1 * (1.0 - fog) * value,
        );
        (value, tint)
    }

    fn paint(&self, now: &Conditions, light: &Light, (u, v): (f64, f64)) -> Paint {
        let h = self.height as f64;
        // How much of a pixel is on the inner side of an edge.
        let inside = |distance: f64| (distance * h + 0.5).clamp(0.0, 1.0);
        let within = |u0: f64, u1: f64, v0: f64, v1: f64| {
            inside(u - u0)
                .min(inside(u1 - u))
                .min(inside(v - v0))
                .min(inside(v1 - v))
        };
        let over = |under: Paint, part: f64, luma: f64, tint: (f64, f64)| Paint {
            luma: under.luma * (1.0 - part) + luma * part,
            tint: (
                under.tint.0 * (1.0 - part) + tint.0 * part,
                under.tint.1 * (1.0 - part) + tint.1 * part,
            ),
            lit: if part > 0.5 { true } else { under.lit },
        };
        let grain = |seed: u64, scale: f64| noise(self.seed ^ seed, u * scale, v * scale) - 0.5;
        // Sky with clouds that are others in each picture.
        let cloud = noise(light.moment, u * 3.0, v * 6.0) * now.cloud;
        let mut paint = Paint {
            luma: 0.75 + 0.2 * cloud - 0.3 * (0.35 - v).max(0.0),
            tint: (0.10 * (1.0 - now.cloud), -0.05 * (1.0 - now.cloud)),
            lit: false,
        };
        // Hills on the other side.
        let ridge = 0.30
            + 0.06 * noise(self.seed ^ 11, u * 4.0, 0.0)
            + 0.02 * noise(self.seed ^ 12, u * 19.0, 0.0);
        paint = over(
            paint,
            inside(v - ridge),
            0.34 + 0.18 * grain(13, 60.0),
            (-0.04, -0.03),
        );
        // Water, never twice the same.
        let ripple = noise(light.moment ^ 77, u * 40.0, v * 160.0) - 0.5;
        paint = over(paint, inside(v - 0.42), 0.40 + 0.12 * ripple, (0.06, -0.04));
        // The yard: gravel and planks.
        let planks = if (u * 26.0).fract() < 0.08 {
            -0.08
        } else {
            0.0
        };
        let ground = 0.46 + 0.22 * grain(21, 90.0) + 0.14 * grain(22, 23.0) + planks;
        paint = over(paint, inside(v - 0.54 - 0.02 * u), ground, (-0.04, 0.03));
        // A shed that was always there.
        let boards = if (v * 45.0).fract() < 0.16 {
            -0.14
        } else {
            0.0
        };
        paint = over(
            paint,
            within(0.12, 0.50, 0.34, 0.66),
            0.42 + boards + 0.1 * grain(31, 70.0),
            (-0.05, 0.12),
        );
        let slope = (u - 0.31).abs() * 0.45;
        paint = over(
            paint,
            within(0.08, 0.54, 0.24 + slope, 0.36),
            0.25 + 0.1 * grain(32, 50.0),
            (0.0, 0.01),
        );
        for column in 0..3 {
            let left = 0.16 + 0.11 * f64::from(column);
            paint = over(
                paint,
                within(left, left + 0.06, 0.43, 0.51),
                0.14,
                (0.03, -0.01),
            );
        }
        // The hall, frame by frame from the ground up and clad behind.
        let top = 0.72 - 0.52 * now.growth;
        let hall = within(0.95, 1.50, top, 0.72);
        let clad = inside(v - top - 0.10);
        let ribs = if (u * 18.0).fract() < 0.14 || (v * 14.0).fract() < 0.12 {
            0.62
        } else {
            0.20
        };
        let skin =
            0.55 + 0.08 * grain(41, 40.0) + if (u * 36.0).fract() < 0.1 { -0.12 } else { 0.0 };
        paint = over(
            paint,
            hall,
            ribs * (1.0 - clad) + skin * clad,
            (0.02, -0.02),
        );
        // The mast crane turns its jib.
        paint = over(paint, within(0.74, 0.755, 0.06, 0.62), 0.60, (-0.12, 0.08));
        let (sin, cos) = light.jib.sin_cos();
        let (du, dv) = (u - 0.7475, v - 0.10);
        let (along, across) = (du * cos + dv * sin, dv * cos - du * sin);
        let jib = inside(0.008 - across.abs()).min(inside(0.42 - along.abs()));
        paint = over(paint, jib, 0.58, (-0.12, 0.08));
        // Vehicles and people, elsewhere each time.
        for (place, size, shade) in light.movers {
            let mover = within(place, place + size, 0.80 - size * 0.5, 0.84);
            paint = over(paint, mover, shade, (0.05, 0.10));
        }
        paint
    }

    /// Dirt, and what hangs before the lens; both stay where they are in the picture.
    fn spoil(&self, now: &Conditions, at: i64, luma: &mut [f32]) {
        let (w, h) = (self.width as f64, self.height as f64);
        if now.dirty {
            let day = (at - self.begin).div_euclid(DAY);
            let mut smeared = luma.to_vec();
            blur(&mut smeared, (self.width, self.height), self.width / 22);
            for (index, (value, smeared)) in luma.iter_mut().zip(&smeared).enumerate() {
                let (x, y) = (
                    (index % self.width) as f64 / h,
                    (index / self.width) as f64 / h,
                );
                for drop in 0..6 {
                    let of = |what: i64| chance(self.seed ^ 0xd1, day * 8 + drop, what);
                    let far = (x - of(0) * w / h).hypot(y - of(1)) / (0.10 + 0.08 * of(2));
                    let part = (2.5 * (1.0 - far)).clamp(0.0, 1.0) as f32;
                    *value += part * (smeared * 0.9 + 0.06 - *value);
                }
            }
        }
        if now.blocked {
            let of = |what: i64| chance(self.seed ^ 0xb1, at / 1_000_000_000, what);
            let left = 0.5 * of(0) * w / h;
            for (index, value) in luma.iter_mut().enumerate() {
                let (x, y) = (
                    (index % self.width) as f64 / h,
                    (index / self.width) as f64 / h,
                );
                if x > left && x < left + 0.75 && y < 0.85 && y > 0.1 {
                    let rust = noise(self.seed ^ 0xb2, x * 12.0, y * 12.0);
                    *value = ((0.08 + 0.10 * rust) * now.gain) as f32;
                }
            }
        }
    }
}

/// The light of an instant, and what moves in it.
struct Light {
    direct: f64,
    ambient: f64,
    sky: f64,
    /// What the camera makes of it: it follows the light, but not all the way.
    exposure: f64,
    azimuth: f64,
    height: f64,
    jib: f64,
    moment: u64,
    movers: [(f64, f64, f64); 3],
}

impl Light {
    fn of(year: &Year, now: &Conditions, at: i64) -> Self {
        let sun = forebay_sun::position(at, &year.place);
        let height = sun.elevation_degrees;
        let day = ((height + 6.0) / 18.0).clamp(0.02, 1.0);
        let direct = 0.9 * (height / 25.0).clamp(0.0, 1.0) * (1.0 - now.cloud) * (1.0 - now.fog);
        let ambient = 0.75 * day;
        let moment = at as u64 / 1_000_000_000;
        let of = |what: i64| chance(year.seed ^ 0xacc, moment as i64, what);
        let movers = [0, 1, 2].map(|nth| {
            (
                of(10 + nth) * 1.6,
                0.03 + 0.08 * of(20 + nth),
                0.2 + 0.5 * of(30 + nth),
            )
        });
        let bright = ambient + 0.5 * direct;
        Self {
            direct,
            ambient,
            sky: day,
            exposure: 1.05 * (0.85 / bright.max(0.05)).powf(0.75),
            azimuth: sun.azimuth_degrees.to_radians(),
            height: height.max(4.0).to_radians(),
            jib: (of(1) - 0.5) * 1.2,
            moment,
            movers,
        }
    }

    /// Whether a point of the yard lies in the shadow of shed or hall.
    fn shaded(&self, now: &Conditions, (u, v): (f64, f64)) -> bool {
        if v < 0.56 || self.direct < 0.02 {
            return false;
        }
        // The camera looks north: what is up in the picture is in the north.
        let length = 1.0 / self.height.tan();
        let (east, north) = (-self.azimuth.sin() * length, -self.azimuth.cos() * length);
        let cast = |left: f64, right: f64, base: f64, tall: f64| {
            let behind = (v - base) / (0.35 * tall).max(1e-6);
            let along = -north * 0.35;
            if along.abs() < 1e-6 {
                return false;
            }
            let part = behind * 0.35 / along.abs() * along.signum();
            (0.0..=1.0).contains(&part) && {
                let shift = part * east * tall;
                u > left + shift && u < right + shift
            }
        };
        cast(0.12, 0.50, 0.66, 0.30) || cast(0.95, 1.50, 0.72, 0.52 * now.growth)
    }
}

/// Mean over a square, three times over.
fn blur(samples: &mut [f32], (width, height): (usize, usize), side: usize) {
    for _ in 0..2 {
        for (length, step, other, jump) in [(width, 1, height, width), (height, width, width, 1)] {
            for line in 0..other {
                let begin = line * jump;
                let values: Vec<f32> = (0..length)
                    .map(|at| samples.get(begin + at * step).copied().unwrap_or(0.0))
                    .collect();
                let mut sums = vec![0f64];
                let mut sum = 0.0;
                for value in &values {
                    sum += f64::from(*value);
                    sums.push(sum);
                }
                for at in 0..length {
                    let (from, to) = (at.saturating_sub(side), (at + side + 1).min(length));
                    let total = sums
                        .get(to)
                        .zip(sums.get(from))
                        .map_or(0.0, |(to, from)| to - from);
                    if let Some(sample) = samples.get_mut(begin + at * step) {
                        *sample = (total / (to - from) as f64) as f32;
                    }
                }
            }
        }
    }
}
