//! Made-up views of a boatyard with known truth: what moves is known to the pixel.

use crate::chance::{Chance, Grain};
use crate::wind::Swinging;

/// Pixels beyond the picture on each side, for a camera that turns.
pub(crate) const MARGIN: usize = 64;

/// A still view, larger than the picture by [`MARGIN`] on each side; grey levels.
pub(crate) struct View {
    pub(crate) width: usize,
    pub(crate) height: usize,
    pub(crate) levels: Vec<f32>,
}

/// Grey levels of what the yard is made of, in full light.
struct Materials {
    /// At the zenith, deviation of the clouds, less at the horizon.
    sky: (f32, f32, f32),
    /// Mean, deviations of patches, gravel and grass.
    ground: (f32, f32, f32, f32),
    /// The hall, its windows, the shed.
    walls: (f32, f32, f32),
    /// The first plank, and less for each further one.
    planks: (f32, f32),
    masts: f32,
}

const BY_DAY: Materials = Materials {
    sky: (185.0, 12.0, 25.0),
    ground: (95.0, 22.0, 9.0, 0.0),
    walls: (120.0, 55.0, 75.0),
    planks: (140.0, 4.0),
    masts: 215.0,
};

const IN_INFRARED: Materials = Materials {
    sky: (0.0, 0.0, 0.0),
    ground: (120.0, -18.0, 4.0, 22.0),
    walls: (175.0, 215.0, 160.0),
    planks: (95.0, -3.0),
    masts: 120.0,
};

impl View {
    /// Sky, a hall with windows, a slip with planks, gravel, masts.
    pub(crate) fn yard(size: (usize, usize), seed: u64) -> Self {
        Self::made_of(&BY_DAY, size, seed)
    }

    /// The same yard as a camera sees it by its own infrared lamp: nothing comes back from the sky
    /// and little from far away, what was dark may be bright, and grass shines where gravel did.
    /// The filter before the sensor is gone, so the focus is a little off, and so is the place.
    pub(crate) fn yard_in_infrared(size: (usize, usize), seed: u64) -> Self {
        let mut view = Self::made_of(&IN_INFRARED, size, seed);
        let (width, height) = (view.width, view.height);
        let from_lamp = |at: usize| {
            let u = ((at % width) as f32 / width as f32 - 0.5) / 0.42;
            let v = ((at / width) as f32 / height as f32 - 0.72) / 0.38;
            0.08 + 0.92 * (-0.5 * (u * u + v * v)).exp()
        };
        for (at, level) in view.levels.iter_mut().enumerate() {
            *level = 5.0 + *level * from_lamp(at);
        }
        view.soften();
        let moved = view.seen((width - 2 * MARGIN, height - 2 * MARGIN), 0.6, -0.4);
        for (y, row) in moved.chunks_exact(width - 2 * MARGIN).enumerate() {
            let begin = (y + MARGIN) * width + MARGIN;
            view.levels[begin..begin + row.len()].copy_from_slice(row);
        }
        view
    }

    fn made_of(materials: &Materials, (width, height): (usize, usize), seed: u64) -> Self {
        let (width, height) = (width + 2 * MARGIN, height + 2 * MARGIN);
        let mut chance = Chance::new(seed);
        let cloud = smooth_noise(&mut chance, (width, height), 90.0);
        let patches = smooth_noise(&mut chance, (width, height), 24.0);
        let gravel = smooth_noise(&mut chance, (width, height), 2.5);
        let grass = smooth_noise(&mut chance, (width, height), 5.0);
        let mut levels = vec![0.0; width * height];
        let horizon = height * 2 / 5;
        for y in 0..height {
            for x in 0..width {
                let at = y * width + x;
                let (sky, ground) = (&materials.sky, &materials.ground);
                levels[at] = if y < horizon {
                    sky.0 + sky.1 * cloud[at] - sky.2 * (y as f32 / horizon as f32)
                } else {
                    ground.0 + ground.1 * patches[at] + ground.2 * gravel[at] + ground.3 * grass[at]
                };
            }
        }
        let mut view = Self {
            width,
            height,
            levels,
        };
        let unit = width as f32 / 768.0;
        let at = |v: f32| (v * unit) as usize;
        // The hall with its windows.
        let (hall, windows, shed) = materials.walls;
        view.fill((at(90.0), horizon - at(70.0)), (at(230.0), at(95.0)), hall);
        for column in 0..7 {
            let x = at(102.0 + 31.0 * column as f32);
            view.fill((x, horizon - at(52.0)), (at(18.0), at(24.0)), windows);
        }
        view.fill((at(480.0), horizon - at(40.0)), (at(150.0), at(60.0)), shed);
        // Planks of the slip.
        for plank in 0..12 {
            let y = horizon + at(70.0 + 13.0 * plank as f32);
            let level = materials.planks.0 - materials.planks.1 * plank as f32;
            view.fill((at(330.0), y), (at(190.0), at(7.0)), level);
        }
        // Masts.
        for mast in 0..5 {
            let x = at(420.0 + 57.0 * mast as f32);
            let size = (at(4.0).max(1), at(130.0));
            view.fill((x, horizon - at(110.0)), size, materials.masts);
        }
        view
    }

    /// Smoothed by the binomial kernel [1 2 1] in both directions; the margin's edge is kept.
    fn soften(&mut self) {
        for (step, count) in [(1, self.width), (self.width, self.height)] {
            let before = self.levels.clone();
            for at in 0..before.len() {
                let place = at / step % count;
                if place > 0 && place + 1 < count {
                    self.levels[at] =
                        0.25 * (before[at - step] + 2.0 * before[at] + before[at + step]);
                }
            }
        }
    }

    fn fill(&mut self, (left, top): (usize, usize), (width, height): (usize, usize), level: f32) {
        for y in top..(top + height).min(self.height) {
            for x in left..(left + width).min(self.width) {
                self.levels[y * self.width + x] = level;
            }
        }
    }

    /// What a camera sees whose picture has moved by (`dx`, `dy`) pixels, right and down positive;
    /// between pixels by the cubic of Keys (1981), which is sharp enough for edges of one pixel.
    pub(crate) fn seen(&self, (width, height): (usize, usize), dx: f32, dy: f32) -> Vec<f32> {
        let split = |v: f32| (v.floor() as isize, v - v.floor());
        let (x0, fx) = split(MARGIN as f32 - dx);
        let (y0, fy) = split(MARGIN as f32 - dy);
        let row = |y: usize| {
            let y = (y as isize + y0) as usize;
            let begin = (y * self.width) as isize + x0;
            &self.levels[begin as usize..begin as usize + width]
        };
        if fx == 0.0 && fy == 0.0 {
            return (0..height).flat_map(|y| row(y).iter().copied()).collect();
        }
        let (wx, wy) = (keys(fx), keys(fy));
        let mut across = Vec::with_capacity(width * (height + 3));
        for y in 0..height + 3 {
            let begin = (y as isize + y0 - 1) as usize * self.width;
            let begin = (begin as isize + x0 - 1) as usize;
            let line = &self.levels[begin..begin + width + 3];
            across.extend(line.windows(4).map(|l| dot(wx, [l[0], l[1], l[2], l[3]])));
        }
        let mut seen = Vec::with_capacity(width * height);
        for y in 0..height {
            for x in 0..width {
                let at = |k: usize| across[(y + k) * width + x];
                seen.push(dot(wy, [at(0), at(1), at(2), at(3)]));
            }
        }
        seen
    }
}

fn dot(a: [f32; 4], b: [f32; 4]) -> f32 {
    a[0] * b[0] + a[1] * b[1] + a[2] * b[2] + a[3] * b[3]
}

fn keys(t: f32) -> [f32; 4] {
    let near = |t: f32| (1.5 * t - 2.5) * t * t + 1.0;
    let far = |t: f32| ((-0.5 * t + 2.5) * t - 4.0) * t + 2.0;
    [far(1.0 + t), near(t), near(1.0 - t), far(2.0 - t)]
}

/// Noise of deviation about 1, smooth over `scale` pixels.
fn smooth_noise(chance: &mut Chance, (width, height): (usize, usize), scale: f32) -> Vec<f32> {
    let (columns, rows) = (
        (width as f32 / scale) as usize + 3,
        (height as f32 / scale) as usize + 3,
    );
    let knots: Vec<f32> = (0..columns * rows).map(|_| 1.5 * chance.normal()).collect();
    let ease = |t: f32| t * t * (3.0 - 2.0 * t);
    let mut noise = Vec::with_capacity(width * height);
    for y in 0..height {
        let v = y as f32 / scale;
        let (r, t) = (v as usize, ease(v.fract()));
        for x in 0..width {
            let u = x as f32 / scale;
            let (c, s) = (u as usize, ease(u.fract()));
            let at = |r: usize, c: usize| knots[r * columns + c];
            let upper = at(r, c) + (at(r, c + 1) - at(r, c)) * s;
            let lower = at(r + 1, c) + (at(r + 1, c + 1) - at(r + 1, c)) * s;
            noise.push(upper + (lower - upper) * t);
        }
    }
    noise
}

/// A thing that moves in a straight line.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Thing {
    pub(crate) size: (f32, f32),
    /// Grey levels above what is behind it on the average; it has some texture of its own.
    pub(crate) contrast: f32,
    /// Middle when it appears and when it vanishes.
    pub(crate) from: (f32, f32),
    pub(crate) to: (f32, f32),
    pub(crate) seconds: (f32, f32),
}

impl Thing {
    pub(crate) fn middle(&self, at: f32) -> Option<(f32, f32)> {
        let (begin, end) = self.seconds;
        let share = (at - begin) / (end - begin);
        let on = |a: f32, b: f32| a + (b - a) * share;
        (0.0..=1.0)
            .contains(&share)
            .then(|| (on(self.from.0, self.to.0), on(self.from.1, self.to.1)))
    }

    /// Draws it into `picture`: head, body and legs that stride.
    pub(crate) fn draw(&self, picture: &mut [f32], (width, height): (usize, usize), at: f32) {
        let Some((mx, my)) = self.middle(at) else {
            return;
        };
        let (w, h) = self.size;
        let phase = (at * 6.0).sin();
        for y in
            (my - h / 2.0).max(0.0) as usize..((my + h / 2.0).max(0.0) as usize + 1).min(height)
        {
            for x in
                (mx - w / 2.0).max(0.0) as usize..((mx + w / 2.0).max(0.0) as usize + 1).min(width)
            {
                let (u, v) = ((x as f32 - mx) / w * 2.0, (y as f32 - my) / h + 0.5);
                let inside = if v < 0.15 {
                    u.abs() < 0.45
                } else if v < 0.6 {
                    u.abs() < 0.95
                } else {
                    let leg = 0.25 + 0.4 * phase.abs() * (v - 0.6) / 0.4;
                    (u.abs() - leg).abs() < 0.3
                };
                if inside && (0.0..=1.0).contains(&v) {
                    let cell = &mut picture[y * width + x];
                    let shade = 1.0 + 0.25 * ((u * 2.0).sin() + (v * 9.0).cos());
                    // It hides what is behind it.
                    let behind = 0.25 * (*cell - 100.0);
                    let clothes = if self.contrast < 0.0 { -1.0 } else { 1.0 };
                    let level = *cell - behind + self.contrast.abs() * clothes * shade;
                    *cell = level;
                }
            }
        }
    }
}

/// What makes the picture worse. All 0 is a still noiseless day.
#[derive(Clone, Default)]
pub(crate) struct Weather {
    /// Deviation of the noise, in grey levels.
    pub(crate) noise: f32,
    /// Streaks in a picture.
    pub(crate) rain: usize,
    /// When it begins to rain, in seconds.
    pub(crate) rain_begins: f32,
    /// Light of the whole picture at a time.
    pub(crate) light: Option<fn(f32) -> f32>,
    /// Deviation of the light from picture to picture.
    pub(crate) flicker: f32,
    /// Shadows of clouds pass: share of light that they take.
    pub(crate) clouds: f32,
    /// A car's lights sweep over the view every so many seconds.
    pub(crate) headlights: f32,
    /// Deviation of the camera's shake, in pixels.
    pub(crate) shake: f32,
    /// A bush in the wind: deviation of its sway, in pixels.
    pub(crate) sway: f32,
    /// What else moves to and fro.
    pub(crate) swinging: Option<Swinging>,
    /// Then it does, from and until.
    pub(crate) wind: Vec<(f32, f32)>,
    /// Where the view has turned to at a time.
    pub(crate) pan: Option<fn(f32) -> (f32, f32)>,
    /// When the camera sees by its infrared lamp, from and until.
    pub(crate) infrared: Vec<(f32, f32)>,
    /// Deviation of the noise then, in grey levels.
    pub(crate) infrared_noise: f32,
    /// Fog by day: share of the contrast that it takes at a time.
    pub(crate) fog: Option<fn(f32) -> f32>,
}

/// Before it switches the camera turns up its gain for so many seconds, and after it down.
const DUSK_SECONDS: f32 = 180.0;
/// Light that is left when it switches, after the gain.
const DUSK_LIGHT: f32 = 0.5;

impl Weather {
    fn by_infrared(&self, at: f32) -> bool {
        let mut nights = self.infrared.iter();
        nights.any(|(from, to)| (*from..*to).contains(&at))
    }

    /// 0 by day, 1 where the camera is about to switch to infrared, or just has switched back.
    fn dusk(&self, at: f32) -> f32 {
        let away = self.infrared.iter().map(|(from, to)| {
            let before = (from - at).max(0.0);
            let after = (at - to).max(0.0);
            before.max(after)
        });
        let nearest = away.fold(f32::INFINITY, f32::min);
        (1.0 - nearest / DUSK_SECONDS).max(0.0)
    }

    /// Of the picture at a time.
    fn noise_at(&self, at: f32) -> f32 {
        if self.by_infrared(at) {
            self.infrared_noise
        } else {
            self.noise + (self.infrared_noise - self.noise) * self.dusk(at)
        }
    }

    /// How the exposure has settled: while the filter swings the sensor sees next to nothing, and
    /// then too much until the camera has found its way.
    fn exposure(&self, at: f32) -> f32 {
        let switches = self.infrared.iter().flat_map(|(from, to)| [*from, *to]);
        let since = switches
            .map(|switch| at - switch)
            .filter(|since| *since >= 0.0);
        match since.fold(f32::INFINITY, f32::min) {
            since if since < 1.0 => 0.04,
            since if since < 4.0 => 1.0 + 0.3 * (4.0 - since),
            _ => 1.0,
        }
    }
}

pub(crate) struct Scene {
    pub(crate) size: (usize, usize),
    pub(crate) view: View,
    /// What it shows by the infrared lamp, where it ever does.
    infrared: Vec<f32>,
    pub(crate) weather: Weather,
    pub(crate) things: Vec<Thing>,
    pub(crate) grain: Grain,
    pub(crate) chance: Chance,
}

fn rounded(level: f32) -> u8 {
    level.round().clamp(0.0, 255.0) as u8
}

impl Scene {
    pub(crate) fn new(size: (usize, usize), seed: u64, weather: Weather) -> Self {
        let infrared = if weather.infrared.is_empty() {
            Vec::new()
        } else {
            View::yard_in_infrared(size, seed).seen(size, 0.0, 0.0)
        };
        Self {
            size,
            view: View::yard(size, seed),
            infrared,
            weather,
            things: Vec::new(),
            grain: Grain::new(seed + 1),
            chance: Chance::new(seed + 2),
        }
    }

    /// Something crosses the picture every `every` seconds, in `crossing` seconds.
    pub(crate) fn crossed(
        mut self,
        thing: (f32, f32, f32),
        begin: f32,
        every: f32,
        crossing: f32,
        times: usize,
    ) -> Self {
        let (width, height) = (self.size.0 as f32, self.size.1 as f32);
        for time in 0..times {
            let level = self.chance.between(0.62, 0.85) * height;
            let begin = begin + every * time as f32;
            let (left, right) = (0.08 * width, 0.92 * width);
            let (from, to) = if self.chance.unit() < 0.5 {
                (left, right)
            } else {
                (right, left)
            };
            self.things.push(Thing {
                size: (thing.0, thing.1),
                contrast: if self.chance.unit() < 0.6 {
                    -thing.2
                } else {
                    thing.2
                },
                from: (from, level),
                to: (to, level + self.chance.between(-20.0, 20.0)),
                seconds: (begin, begin + crossing),
            });
        }
        self
    }

    /// Whether something that moves is in the picture.
    pub(crate) fn truth(&self, at: f32) -> bool {
        self.things.iter().any(|thing| thing.middle(at).is_some())
    }

    /// The picture at a time.
    pub(crate) fn picture(&mut self, at: f32) -> Vec<u8> {
        let picture = self.picture_without_noise(at);
        self.grained(&picture, self.weather.noise_at(at))
    }

    /// With noise of a deviation, in whole levels.
    pub(crate) fn grained(&mut self, picture: &[f32], noise: f32) -> Vec<u8> {
        let mut grained = Vec::with_capacity(picture.len());
        for row in picture.chunks_exact(self.size.0) {
            let grain = self.grain.row(&mut self.chance, self.size.0);
            let pairs = row.iter().zip(grain);
            grained.extend(pairs.map(|(level, grain)| rounded(level + noise * grain)));
        }
        grained
    }

    /// The picture at a time, before the sensor adds its noise.
    pub(crate) fn picture_without_noise(&mut self, at: f32) -> Vec<f32> {
        let (width, height) = self.size;
        let weather = self.weather.clone();
        let (mut dx, mut dy) = weather.pan.map_or((0.0, 0.0), |pan| pan(at));
        if weather.shake > 0.0 {
            dx += weather.shake * self.chance.normal();
            dy += weather.shake * self.chance.normal();
        }
        let by_infrared = weather.by_infrared(at);
        let mut picture = if by_infrared {
            self.infrared.clone()
        } else {
            self.view.seen(self.size, dx, dy)
        };
        if let Some(fog) = weather.fog.filter(|_| !by_infrared) {
            for cell in &mut picture {
                *cell += fog(at) * (150.0 - *cell);
            }
        }
        if weather.sway > 0.0 {
            self.sway(&mut picture);
        }
        if let Some(swinging) = weather.swinging {
            let mut spells = weather.wind.iter();
            let windy = spells.any(|(from, to)| (*from..*to).contains(&at));
            swinging.draw(&mut picture, self.size, at, windy);
        }
        for thing in &self.things {
            thing.draw(&mut picture, self.size, at);
        }
        let sun = match by_infrared {
            true => 1.0,
            false => 1.0 - (1.0 - DUSK_LIGHT) * weather.dusk(at),
        };
        let light = weather.light.map_or(1.0, |light| light(at))
            * (1.0 + weather.flicker * self.chance.normal())
            * (sun * weather.exposure(at));
        for (y, row) in picture.chunks_exact_mut(width).enumerate() {
            for (x, cell) in row.iter_mut().enumerate() {
                let mut gain = light;
                if weather.clouds > 0.0 {
                    gain *= 1.0 - weather.clouds * cloud(x as f32, y as f32, at);
                }
                if weather.headlights > 0.0 {
                    gain +=
                        2.2 * headlight(x as f32, y as f32, at, weather.headlights, width, height);
                }
                *cell *= gain;
            }
        }
        if at >= weather.rain_begins {
            for _ in 0..weather.rain {
                self.streak(&mut picture);
            }
        }
        picture
    }

    fn streak(&mut self, picture: &mut [f32]) {
        let (width, height) = self.size;
        let chance = &mut self.chance;
        let (x, y) = (chance.unit() * width as f32, chance.unit() * height as f32);
        let length = chance.between(10.0, 32.0);
        let slant = chance.between(0.05, 0.2);
        let (bright, broad) = (chance.between(15.0, 45.0), chance.between(0.5, 0.9));
        for step in 0..length as usize {
            let (sy, sx) = ((y as usize) + step, x + slant * step as f32);
            if sy >= height {
                break;
            }
            for px in (sx as isize - 2).max(0)..=(sx as isize + 2).min(width as isize - 1) {
                let away = (px as f32 - sx) / broad;
                picture[sy * width + px as usize] += bright * (-0.5 * away * away).exp();
            }
        }
    }

    /// A bush at the right moves as a whole, a little.
    fn sway(&mut self, picture: &mut [f32]) {
        let (width, height) = self.size;
        let by = (self.weather.sway * self.chance.normal()).round() as isize;
        let (left, right) = (width * 4 / 5, width - 8);
        for row in picture
            .chunks_exact_mut(width)
            .take(height * 3 / 5)
            .skip(height * 2 / 5)
        {
            let still = row.to_vec();
            for x in left..right {
                let from = (x as isize + by).clamp(left as isize, right as isize - 1);
                let leaf = 28.0 * ((from as f32 * 0.9).sin() + (from as f32 * 0.23).cos());
                row[x] = 0.4 * still[x] + 45.0 + leaf;
            }
        }
    }
}

/// 0 to 1: how deep the shadow of a cloud is there. It drifts at 60 pixels a second, and its edge
/// is as wide as the sun's disc makes it over half a kilometre of height: some 80 pixels.
fn cloud(x: f32, y: f32, at: f32) -> f32 {
    let wave = ((x - 60.0 * at + 0.4 * y) / 230.0).sin()
        + 0.5 * ((x - 60.0 * at) / 410.0 + y / 300.0).sin();
    let t = ((wave + 0.3) / 0.9).clamp(0.0, 1.0);
    t * t * (3.0 - 2.0 * t)
}

/// 0 to 1: light of a car that turns, over two seconds.
fn headlight(x: f32, y: f32, at: f32, every: f32, width: usize, height: usize) -> f32 {
    let share = (at % every) / 2.0;
    if at < every || share > 1.0 {
        return 0.0;
    }
    let mx = (-0.3 + 1.6 * share) * width as f32;
    let my = 0.65 * height as f32;
    let (u, v) = (
        (x - mx) / (0.16 * width as f32),
        (y - my) / (0.25 * height as f32),
    );
    (-0.5 * (u * u + v * v)).exp()
}
