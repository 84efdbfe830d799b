//! Seeded chance: the same seed gives the same scene on every machine.

/// xorshift64* (Marsaglia 2003, Vigna 2016).
#[derive(Debug, Clone)]
pub(crate) struct Chance(u64);

impl Chance {
    pub(crate) fn new(seed: u64) -> Self {
        Self(seed.wrapping_mul(0x9E37_79B9_7F4A_7C15) | 1)
    }

    pub(crate) fn next(&mut self) -> u64 {
        self.0 ^= self.0 >> 12;
        self.0 ^= self.0 << 25;
        self.0 ^= self.0 >> 27;
        self.0.wrapping_mul(0x2545_F491_4F6C_DD1D)
    }

    /// 0 to 1.
    pub(crate) fn unit(&mut self) -> f32 {
        (self.next() >> 40) as f32 / (1u64 << 24) as f32
    }

    pub(crate) fn between(&mut self, low: f32, high: f32) -> f32 {
        low + (high - low) * self.unit()
    }

    pub(crate) fn below(&mut self, bound: usize) -> usize {
        (self.next() >> 11) as usize % bound
    }

    /// Normal with deviation 1, by the method of Box and Muller.
    pub(crate) fn normal(&mut self) -> f32 {
        let radius = (-2.0 * self.unit().max(1e-7).ln()).sqrt();
        radius * (std::f32::consts::TAU * self.unit()).cos()
    }
}

/// A long stretch of normal noise. Each row of each picture begins at another place of it, which
/// is a hundred times as fast as drawing it anew.
pub(crate) struct Grain(Vec<f32>);

impl Grain {
    pub(crate) fn new(seed: u64) -> Self {
        let mut chance = Chance::new(seed);
        Self((0..(1 << 20) + 7).map(|_| chance.normal()).collect())
    }

    pub(crate) fn row(&self, chance: &mut Chance, width: usize) -> &[f32] {
        let begin = chance.below(self.0.len() - width);
        &self.0[begin..begin + width]
    }
}
