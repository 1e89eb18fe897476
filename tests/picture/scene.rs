//! A painted scene with detail, colour, and levels beyond black and white, and pictures as three planes of numbers.

use evenbeat::demo::texture::Texture;
use evenbeat::frame::Scan;
use evenbeat::testclip::settings::Size;
use evenbeat::testclip::{ClipPainter, ClipSettings};
use evenbeat::units::Rate;

pub const WIDTH: usize = 640;
pub const HEIGHT: usize = 360;
pub const PICTURES: usize = 48;

/// A plane of samples.
#[derive(Clone, Debug, PartialEq)]
pub struct Plane {
    pub width: usize,
    pub height: usize,
    pub samples: Vec<f64>,
}

impl Plane {
    pub fn new(width: usize, height: usize, of: impl Fn(usize, usize) -> f64) -> Self {
        let samples = (0..width * height).map(|at| of(at % width, at / width)).collect();
        Self { width, height, samples }
    }

    /// The sample at whole places; `outside` beyond the edges.
    fn pick(&self, x: i64, y: i64, outside: Option<f64>) -> f64 {
        let inside = (0..self.width as i64).contains(&x) && (0..self.height as i64).contains(&y);
        match outside.filter(|_| !inside) {
            Some(outside) => outside,
            None => {
                let x = x.clamp(0, self.width as i64 - 1) as usize;
                let y = y.clamp(0, self.height as i64 - 1) as usize;
                self.samples[y * self.width + x]
            }
        }
    }

    /// Between samples by cubics through four neighbours (Catmull and Rom), places from 0 at the left edge.
    pub fn at(&self, x: f64, y: f64, outside: Option<f64>) -> f64 {
        let (x, y) = (x - 0.5, y - 0.5);
        let (left, top) = (x.floor(), y.floor());
        let [across, down] = [weights(x - left), weights(y - top)];
        let row = |dy: usize| -> f64 {
            (0..4)
                .map(|dx| {
                    let place = (left as i64 + dx as i64 - 1, top as i64 + dy as i64 - 1);
                    across[dx] * self.pick(place.0, place.1, outside)
                })
                .sum()
        };
        (0..4).map(|dy| down[dy] * row(dy)).sum()
    }
}

fn weights(t: f64) -> [f64; 4] {
    let (t2, t3) = (t * t, t * t * t);
    [
        (-t3 + 2.0 * t2 - t) / 2.0,
        (3.0 * t3 - 5.0 * t2 + 2.0) / 2.0,
        (-3.0 * t3 + 4.0 * t2 + t) / 2.0,
        (t3 - t2) / 2.0,
    ]
}

/// Luma and both colour differences of half its size, code values at 8 bit.
#[derive(Clone, Debug, PartialEq)]
pub struct Picture {
    pub planes: [Plane; 3],
}

impl Picture {
    /// Each plane by its number and what it was.
    pub fn map(&self, of: impl Fn(usize, &Plane) -> Plane) -> Self {
        Self { planes: std::array::from_fn(|at| of(at, &self.planes[at])) }
    }

    /// Each sample of luma, then of both colour differences.
    pub fn levels(&self, luma: impl Fn(f64) -> f64, chroma: impl Fn(f64) -> f64) -> Self {
        self.map(|at, plane| {
            let samples = plane.samples.iter();
            let samples = match at {
                0 => samples.map(|&value| luma(value)).collect(),
                _ => samples.map(|&value| chroma(value)).collect(),
            };
            Plane { samples, ..*plane }
        })
    }

    pub fn bytes(&self) -> impl Iterator<Item = u8> + '_ {
        self.planes
            .iter()
            .flat_map(|plane| &plane.samples)
            .map(|&value| value.round().clamp(0.0, 255.0) as u8)
    }
}

pub struct Scene {
    textures: [Texture; 3],
}

impl Scene {
    pub fn new(seed: u64) -> Self {
        Self { textures: [0, 1, 2].map(|plane| Texture::new(seed * 10 + plane)) }
    }

    /// A still, finely detailed ground; a board with levels beyond black and white; three patterned shapes that move on
    /// their own ways.
    pub fn picture(&self, number: usize) -> Picture {
        let time = number as f64;
        let value = |plane: usize, x: f64, y: f64| {
            let middle = |at: usize, x: f64, y: f64| f64::from(self.textures[at].at(x as f32, y as f32));
            let shapes = [
                (90.0 + 5.0 * time, 110.0 + 1.3 * time, 46.0),
                (520.0 - 7.0 * time, 250.0 - 2.0 * time, 60.0),
                (300.0 + 2.0 * (time * 0.3).sin() * 40.0, 180.0 + 2.5 * time, 36.0),
            ];
            let inside = shapes.iter().position(|&(cx, cy, radius)| (x - cx).abs() + (y - cy).abs() < radius);
            let board = (440.0..600.0).contains(&x) && (30.0..110.0).contains(&y);
            let offset =
                inside.map_or((0.0, 0.0), |at| (137.0 * (at + 1) as f64 - shapes[at].0, 60.0 - shapes[at].1));
            let (tx, ty) = (x + offset.0, y + offset.1);
            match (plane, board && inside.is_none()) {
                // Steps from 2 to 253.
                (0, true) => 2.0 + ((x - 440.0) / 10.0).floor() * 251.0 / 15.0,
                (_, true) => 128.0,
                (0, false) => 18.0 + middle(0, 1.7 * tx, 1.7 * ty) * 215.0 / 255.0,
                (plane, false) => 128.0 + (middle(plane, 0.9 * tx, 0.9 * ty) - 128.0) * 0.75,
            }
        };
        Picture {
            planes: [
                Plane::new(WIDTH, HEIGHT, |x, y| value(0, x as f64, y as f64)),
                Plane::new(WIDTH / 2, HEIGHT / 2, |x, y| {
                    value(1, 2.0 * x as f64 + 0.5, 2.0 * y as f64 + 0.5)
                }),
                Plane::new(WIDTH / 2, HEIGHT / 2, |x, y| {
                    value(2, 2.0 * x as f64 + 0.5, 2.0 * y as f64 + 0.5)
                }),
            ],
        }
    }
}

/// Pictures of a progressive test clip, 640 × 480.
pub fn test_clip() -> Vec<Picture> {
    let settings = ClipSettings {
        size: Size { width: 640, height: 480, pixel_aspect: (1, 1) },
        rate: Rate::new(50, 1).expect("a rate"),
        scan: Scan::Progressive,
        pulldown: None,
        bit_depth: 8,
        frames: PICTURES as u64,
    };
    let mut painter = ClipPainter::new(&settings).expect("settings that can be painted");
    let planes: Vec<_> = painter.shape().planes().collect();
    let picture = |number: usize| {
        let samples = painter.paint(number as u64);
        let plane = |at: usize| {
            let shape = &planes[at];
            Plane::new(shape.width, shape.height, |x, y| {
                f64::from(samples[shape.offset + y * shape.width + x])
            })
        };
        Picture { planes: [plane(0), plane(1), plane(2)] }
    };
    (0..PICTURES).map(picture).collect()
}
