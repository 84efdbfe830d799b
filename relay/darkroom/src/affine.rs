//! Where the points of a picture stand in another one (pure).

/// An affine map of pixel positions: `x' = a·x + b·y + c`, `y' = d·x + e·y + f`.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Affine(pub [f64; 6]);

impl Affine {
    /// Nothing moves.
    pub const IDENTITY: Self = Self([1.0, 0.0, 0.0, 0.0, 1.0, 0.0]);

    /// Everything moves by so many pixels.
    #[must_use]
    pub const fn shift(x: f64, y: f64) -> Self {
        Self([1.0, 0.0, x, 0.0, 1.0, y])
    }

    /// A turn around a point, and then a shift.
    #[must_use]
    pub fn turn(degrees: f64, (cx, cy): (f64, f64), (x, y): (f64, f64)) -> Self {
        let (sin, cos) = degrees.to_radians().sin_cos();
        Self([
            cos,
            -sin,
            cx - cos * cx + sin * cy + x,
            sin,
            cos,
            cy - sin * cx - cos * cy + y,
        ])
    }

    /// Whether nothing moves by as much as a thousandth of a pixel in a picture of usual size.
    #[must_use]
    pub fn is_identity(&self) -> bool {
        let near = self
            .0
            .iter()
            .zip(Self::IDENTITY.0)
            .zip([1e-7, 1e-7, 1e-3, 1e-7, 1e-7, 1e-3]);
        near.into_iter()
            .all(|((a, b), tolerance)| (a - b).abs() < tolerance)
    }

    /// Where a point goes.
    #[must_use]
    pub fn apply(&self, x: f64, y: f64) -> (f64, f64) {
        let Self([a, b, c, d, e, f]) = self;
        (a * x + b * y + c, d * x + e * y + f)
    }

    /// First `other`, then this.
    #[must_use]
    pub fn after(&self, other: &Self) -> Self {
        let Self([a, b, c, d, e, f]) = *self;
        let Self([p, q, r, s, t, u]) = *other;
        Self([
            a * p + b * s,
            a * q + b * t,
            a * r + b * u + c,
            d * p + e * s,
            d * q + e * t,
            d * r + e * u + f,
        ])
    }

    /// The way back.
    #[must_use]
    pub fn inverse(&self) -> Self {
        let Self([a, b, c, d, e, f]) = *self;
        let det = a * e - b * d;
        let det = if det.abs() < 1e-9 { 1.0 } else { det };
        let (ia, ib, id, ie) = (e / det, -b / det, -d / det, a / det);
        Self([ia, ib, -(ia * c + ib * f), id, ie, -(id * c + ie * f)])
    }

    /// The same for a picture whose sides are `by` as long. The centre of the first pixel is (0, 0) in
    /// both, so their edges, half a pixel before it, are what must coincide.
    #[must_use]
    pub fn scaled(&self, by: f64) -> Self {
        let Self([a, b, c, d, e, f]) = *self;
        // Large = small / by + half, with half = (1/by − 1) / 2.
        let half = (1.0 / by - 1.0) / 2.0;
        Self([
            a,
            b,
            (a * half + b * half + c - half) * by,
            d,
            e,
            (d * half + e * half + f - half) * by,
        ])
    }

    /// How far a picture's corners and its middle move at the most; pixels.
    #[must_use]
    pub fn reach(&self, (width, height): (f64, f64)) -> f64 {
        let points = [
            (0.0, 0.0),
            (width, 0.0),
            (0.0, height),
            (width, height),
            (width / 2.0, height / 2.0),
        ];
        let moves = points.map(|(x, y)| {
            let (nx, ny) = self.apply(x, y);
            (nx - x).hypot(ny - y)
        });
        moves.into_iter().fold(0.0, f64::max)
    }

    /// How its middle moves; pixels.
    #[must_use]
    pub fn middle(&self, (width, height): (f64, f64)) -> (f64, f64) {
        let (x, y) = self.apply(width / 2.0, height / 2.0);
        (x - width / 2.0, y - height / 2.0)
    }

    /// How much it turns; degrees.
    #[must_use]
    pub fn degrees(&self) -> f64 {
        let Self([a, b, _, d, e, _]) = self;
        (d - b).atan2(a + e).to_degrees()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn maps_compose_turn_back_and_scale() {
        let map = Affine::turn(3.0, (200.0, 100.0), (5.0, -2.0));
        let (x, y) = map.inverse().after(&map).apply(31.0, 77.0);
        assert!((x - 31.0).abs() < 1e-9 && (y - 77.0).abs() < 1e-9);
        assert!((map.degrees() - 3.0).abs() < 1e-9);
        // A point at 10.5 of a picture of half the size is at 21.5 of the whole (centres at 0).
        let half = map.scaled(0.5);
        let (hx, hy) = half.apply(10.5, 20.5);
        let (wx, wy) = map.apply(21.5, 41.5);
        assert!(((hx * 2.0 + 0.5) - wx).abs() < 1e-9 && ((hy * 2.0 + 0.5) - wy).abs() < 1e-9);
        assert!(Affine::IDENTITY.is_identity() && !map.is_identity());
    }
}
