//! Shapes in scene coordinates, in the light of the hour.

use std::f32::consts::TAU;

use super::light::{Light, Rgb, blend};
use crate::picture::{Colour, Picture, Point};

#[derive(Debug)]
pub(super) struct Brush<'a> {
    picture: &'a mut Picture,
    pub(super) light: Light,
    scale: Point,
    path: Vec<Point>,
}

impl<'a> Brush<'a> {
    pub(super) fn new(picture: &'a mut Picture, light: Light) -> Self {
        let scale = (
            picture.width() as f32 / 640.0,
            picture.height() as f32 / 360.0,
        );
        Self {
            picture,
            light,
            scale,
            path: Vec::new(),
        }
    }

    /// A polygon in its own light, as the sky and lamps have.
    pub(super) fn bright(&mut self, outline: &[Point], colour: Rgb, alpha: f32) {
        self.path.clear();
        let (sx, sy) = self.scale;
        self.path
            .extend(outline.iter().map(|(x, y)| (x * sx, y * sy)));
        self.picture.fill(&[&self.path], Colour::rgb(colour), alpha);
    }

    /// A polygon lit by the hour.
    pub(super) fn shape(&mut self, outline: &[Point], colour: Rgb) {
        self.bright(outline, self.light.on(colour), 1.0);
    }

    pub(super) fn rect(&mut self, x: f32, y: f32, w: f32, h: f32, colour: Rgb) {
        self.shape(&[(x, y), (x + w, y), (x + w, y + h), (x, y + h)], colour);
    }

    /// A stroke of this width.
    pub(super) fn line(&mut self, a: Point, b: Point, width: f32, colour: Rgb) {
        let (dx, dy) = (b.0 - a.0, b.1 - a.1);
        let length = dx.hypot(dy);
        if length > 0.0 {
            let (nx, ny) = (-dy / length * width / 2.0, dx / length * width / 2.0);
            let quad = [
                (a.0 + nx, a.1 + ny),
                (b.0 + nx, b.1 + ny),
                (b.0 - nx, b.1 - ny),
                (a.0 - nx, a.1 - ny),
            ];
            self.shape(&quad, colour);
        }
    }

    pub(super) fn disc(&mut self, centre: Point, radius: f32, colour: Rgb) {
        self.bright(&round(centre, radius, radius), self.light.on(colour), 1.0);
    }

    /// Light around a lamp or the sun, fading outwards.
    pub(super) fn halo(&mut self, centre: Point, radius: f32, colour: Rgb, alpha: f32) {
        const RINGS: u8 = 14;
        for ring in 1..=RINGS {
            let size = radius * f32::from(ring) / f32::from(RINGS);
            self.bright(&round(centre, size, size), colour, alpha / f32::from(RINGS));
        }
    }

    /// Several shapes as one area.
    pub(super) fn union(&mut self, outlines: &[Vec<Point>], colour: Rgb, alpha: f32) {
        let (sx, sy) = self.scale;
        let scaled: Vec<Vec<Point>> = outlines
            .iter()
            .map(|outline| outline.iter().map(|(x, y)| (x * sx, y * sy)).collect())
            .collect();
        let borrowed: Vec<&[Point]> = scaled.iter().map(Vec::as_slice).collect();
        self.picture.fill(&borrowed, Colour::rgb(colour), alpha);
    }

    /// Rows from `top` to `bottom` from one colour to another, in their own light.
    pub(super) fn fade(&mut self, top: f32, bottom: f32, above: Rgb, below: Rgb) {
        let width = self.picture.width();
        let (first, last) = (
            (top * self.scale.1) as usize,
            (bottom * self.scale.1) as usize,
        );
        // Two rows at a time share their chroma.
        for row in (first & !1..last).step_by(2) {
            let part = (row - (first & !1)) as f32 / (last - first) as f32;
            self.picture
                .block(0, row, width, 2, Colour::rgb(blend(above, below, part)));
        }
    }
}

/// An ellipse as a polygon.
pub(super) fn round(centre: Point, rx: f32, ry: f32) -> Vec<Point> {
    let corners = if rx.max(ry) > 12.0 { 36_u8 } else { 16 };
    (0..corners)
        .map(|corner| {
            let (sin, cos) = (TAU * f32::from(corner) / f32::from(corners)).sin_cos();
            (centre.0 + rx * cos, centre.1 + ry * sin)
        })
        .collect()
}
