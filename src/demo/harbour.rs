//! The painted clip: an invented harbour quay with a tram, seen from a camera that moves along.
//!
//! Every picture is a pure function of its number and differs from its neighbours everywhere but in the sky:
//! hills, houses and water move at different speeds, the tram passes the other way and its wheels turn.
//! Nothing flashes; brightness changes only as things move.

use crate::frame::{Family, FrameShape, PlaneShape};

use super::texture::Texture;

/// Width that speeds are given for, pixels; other widths move in proportion.
const REFERENCE_WIDTH: f32 = 640.0;
/// Movement of the hills per picture at pace 1, pixels of the reference width.
const HILLS_SPEED: f32 = 0.4;
/// Movement of the houses.
const HOUSES_SPEED: f32 = 1.5;
/// Movement of the water.
const WATER_SPEED: f32 = 0.9;
/// Movement of the tram, against the houses.
const TRAM_SPEED: f32 = -3.3;

/// Colour of one place and how much of it covers what lies behind, all in 0 to 1 (colour differences around 0).
#[derive(Clone, Copy)]
struct Paint {
    luma: f32,
    blue: f32,
    red: f32,
    cover: f32,
}

const NOTHING: Paint = Paint { luma: 0.0, blue: 0.0, red: 0.0, cover: 0.0 };

/// Steps of a cover value.
const COVER_ONE: u32 = 256;
/// Steps of a movement within a pixel.
const PIXEL: u32 = 256;

/// One plane of a layer: rows of samples that repeat after `period`, wide enough to read a picture's row
/// anywhere without wrapping.
struct Strip {
    period: usize,
    stride: usize,
    samples: Vec<u16>,
    cover: Vec<u16>,
    /// Whether it covers everything behind it.
    opaque: bool,
}

/// A layer: strips for each plane, moving at one speed.
struct Layer {
    /// Pixels per picture, positive for a camera that moves right.
    speed: f32,
    /// First and last row (exclusive) in luma rows; elsewhere it covers nothing.
    rows: (usize, usize),
    strips: Vec<Strip>,
}

/// The painter of the clip for one frame shape.
pub struct Harbour {
    shape: FrameShape,
    pace: f32,
    layers: Vec<Layer>,
}

impl Harbour {
    /// Prepares the clip for frames of `shape`. `pace` scales all speeds: at 1 the houses move 1.5 pixels per
    /// picture at a width of 640.
    pub fn new(shape: FrameShape, pace: f32) -> Self {
        let scale = shape.width as f32 / REFERENCE_WIDTH;
        let (width, height) = (shape.width as f32, shape.height as f32);
        let texture = Texture::new(11);
        let layer = |speed: f32, periods: f32, rows: (f32, f32), paint: &dyn Fn(f32, f32) -> Paint| {
            let period = ((width * periods) as usize).next_multiple_of(4).max(4);
            let rows = ((rows.0 * height) as usize, (rows.1 * height).ceil() as usize);
            let strips = shape
                .planes()
                .enumerate()
                .map(|(plane, of)| Strip::bake(shape, (plane, of), period, paint))
                .collect();
            Layer { speed: speed * scale * pace, rows, strips }
        };
        let layers = vec![
            layer(HILLS_SPEED, 1.5, (0.0, 1.0), &|x, y| hills(&texture, x / scale, y / height)),
            layer(HOUSES_SPEED, 2.0, (0.25, 0.82), &|x, y| houses(&texture, x / scale, y / height, 1280.0)),
            layer(TRAM_SPEED, 1.75, (0.56, 0.83), &|x, y| tram(x / scale, y / height)),
            layer(WATER_SPEED, 1.6, (0.8, 1.0), &|x, y| water(&texture, x / scale, y / height)),
        ];
        Self { shape, pace, layers }
    }

    /// Shape of the frames.
    pub fn shape(&self) -> FrameShape {
        self.shape
    }

    /// Paints picture `number` into `samples`, resized to fit: packed planes, little endian.
    pub fn paint(&self, number: u64, samples: &mut Vec<u8>) {
        samples.resize(self.shape.byte_len(), 0);
        let wide = self.shape.pixel_format.bytes_per_sample() == 2;
        let mut row = vec![0_u16; self.shape.width as usize];
        for (plane, of) in self.shape.planes().enumerate() {
            let row_bytes = of.width * self.shape.pixel_format.bytes_per_sample();
            for y in 0..of.height {
                let luma_row = y * self.shape.height as usize / of.height.max(1);
                for layer in &self.layers {
                    if (layer.rows.0..layer.rows.1).contains(&luma_row) {
                        layer.add(plane, of, y, (number, self.shape.width), &mut row[..of.width]);
                    }
                }
                self.add_wheels(number, (plane, of), y, &mut row[..of.width]);
                let start = of.offset + y * row_bytes;
                write_row(&row[..of.width], wide, &mut samples[start..start + row_bytes]);
            }
        }
    }

    /// Paints the tram's wheels into one row: discs with one bright spoke each, turning with the way made good.
    fn add_wheels(&self, number: u64, (plane, of): (usize, PlaneShape), y: usize, row: &mut [u16]) {
        let scale = self.shape.width as f32 / REFERENCE_WIDTH;
        let across = self.shape.width as f32 / of.width as f32;
        let down = self.shape.height as f32 / of.height as f32;
        let radius = 15.0 * scale;
        let centre_y = 0.8 * self.shape.height as f32;
        let from_centre = (y as f32 + 0.5) * down - centre_y;
        if from_centre.abs() > radius {
            return;
        }
        let way = TRAM_SPEED * scale * self.pace * number as f32;
        let period = self.layers[2].strips[0].period as f32;
        let turn = (f64::from(way) / f64::from(radius)).rem_euclid(std::f64::consts::TAU) as f32;
        for place in [95.0, 265.0] {
            let centre_x = (place * scale - way).rem_euclid(period);
            let first = ((centre_x - radius) / across).floor().max(0.0) as usize;
            let last = (((centre_x + radius) / across).ceil().max(0.0) as usize).min(row.len());
            for (x, sample) in row.iter_mut().enumerate().take(last).skip(first) {
                let dx = (x as f32 + 0.5) * across - centre_x;
                let distance = dx.hypot(from_centre);
                let paint = wheel(dx, from_centre, distance / radius, turn);
                let cover = ((radius - distance) / scale.max(0.5) + 0.5).clamp(0.0, 1.0);
                let value = plane_value(self.shape, plane, paint);
                *sample = (f32::from(*sample) + (value - f32::from(*sample)) * cover).round() as u16;
            }
        }
    }
}

impl Strip {
    fn bake(
        shape: FrameShape,
        (plane, of): (usize, PlaneShape),
        period: usize,
        paint: &dyn Fn(f32, f32) -> Paint,
    ) -> Self {
        let across = if of.width == 0 { 1 } else { (shape.width as usize).div_ceil(of.width) };
        let down = if of.height == 0 { 1 } else { (shape.height as usize).div_ceil(of.height) };
        let period = period / across;
        let stride = period + of.width + 1;
        let mut strip = Self { period, stride, samples: Vec::new(), cover: Vec::new(), opaque: false };
        strip.samples.reserve(stride * of.height);
        strip.cover.reserve(stride * of.height);
        for y in 0..of.height {
            let start = strip.samples.len();
            for x in 0..period {
                let middle = |place: usize, step: usize| place as f32 * step as f32 + step as f32 / 2.0;
                let paint = paint(middle(x, across), middle(y, down));
                strip.samples.push(plane_value(shape, plane, paint).round() as u16);
                strip.cover.push((paint.cover * COVER_ONE as f32).round() as u16);
            }
            for x in period..stride {
                strip.samples.push(strip.samples[start + x % period]);
                strip.cover.push(strip.cover[start + x % period]);
            }
        }
        strip.opaque = strip.cover.iter().all(|&cover| u32::from(cover) == COVER_ONE);
        strip
    }
}

impl Layer {
    /// Lays one row of the layer over `row`, moved by parts of a pixel.
    fn add(&self, plane: usize, of: PlaneShape, y: usize, (number, full_width): (u64, u32), row: &mut [u16]) {
        let strip = &self.strips[plane];
        let across = (full_width as usize).div_ceil(of.width.max(1)) as f64;
        let place = (f64::from(self.speed) * number as f64 / across).rem_euclid(strip.period as f64);
        let (first, part) = (place as usize, (place.fract() * f64::from(PIXEL)) as u32);
        let range = y * strip.stride + first..y * strip.stride + first + row.len() + 1;
        let samples = moved(&strip.samples[range.clone()], part);
        if strip.opaque {
            row.iter_mut().zip(samples).for_each(|(below, value)| *below = value as u16);
            return;
        }
        let cover = moved(&strip.cover[range], part);
        for ((below, value), cover) in row.iter_mut().zip(samples).zip(cover) {
            *below = ((u32::from(*below) * (COVER_ONE - cover) + value * cover + COVER_ONE / 2) / COVER_ONE)
                as u16;
        }
    }
}

/// Samples moved by `part` of [`PIXEL`], linear between neighbours.
fn moved(samples: &[u16], part: u32) -> impl Iterator<Item = u32> + '_ {
    let right = &samples[1..];
    samples.iter().zip(right).map(move |(&left, &right)| {
        (u32::from(left) * (PIXEL - part) + u32::from(right) * part + PIXEL / 2) / PIXEL
    })
}

/// Writes one row of samples as bytes.
fn write_row(row: &[u16], wide: bool, bytes: &mut [u8]) {
    if wide {
        for (pair, sample) in bytes.chunks_exact_mut(2).zip(row) {
            pair.copy_from_slice(&sample.to_le_bytes());
        }
    } else {
        for (byte, sample) in bytes.iter_mut().zip(row) {
            *byte = *sample as u8;
        }
    }
}

/// Code value of a paint in one plane, limited range: 8-bit luma 16 to 235, colour difference 128 ± 112
/// (ITU-R BT.601 Table 1); green, blue and red by the coefficients of ITU-R BT.709-6 Table 3.
fn plane_value(shape: FrameShape, plane: usize, paint: Paint) -> f32 {
    let step = (1_u32 << (shape.pixel_format.bit_depth - 8)) as f32;
    let luma_code = |value: f32| (16.0 + 219.0 * value.clamp(0.0, 1.0)) * step;
    match (shape.pixel_format.family, plane) {
        (Family::Gbr, 1) => luma_code(paint.luma + 1.8556 * paint.blue),
        (Family::Gbr, 2) => luma_code(paint.luma + 1.5748 * paint.red),
        (Family::Gbr, _) => {
            let (blue, red) = (0.0722 * 1.8556 * paint.blue, 0.2126 * 1.5748 * paint.red);
            luma_code(paint.luma - (blue + red) / 0.7152)
        }
        (_, 0) => luma_code(paint.luma),
        (_, 1) => (128.0 + 224.0 * paint.blue.clamp(-0.5, 0.5)) * step,
        _ => (128.0 + 224.0 * paint.red.clamp(-0.5, 0.5)) * step,
    }
}

/// Sky above, hills below their outline. `x` in reference pixels, `y` from 0 at the top to 1.
fn hills(texture: &Texture, x: f32, y: f32) -> Paint {
    // The strip of 960 reference pixels must meet itself: fold the way so that both ends agree.
    let folded = (x / 960.0 * std::f32::consts::TAU).sin() * 150.0 + 200.0;
    let round = (x / 960.0 * std::f32::consts::TAU).cos() * 150.0;
    let outline = 0.34 + texture.at(folded, 40.0 + round) / 255.0 * 0.2;
    if y < outline {
        return Paint { luma: 0.82 - 0.3 * y, blue: 0.06, red: -0.03, cover: 1.0 };
    }
    let wood = texture.at(folded * 2.0, y * 360.0 + round);
    Paint { luma: 0.3 + wood / 255.0 * 0.3, blue: -0.04, red: -0.06, cover: 1.0 }
}

/// A row of houses with windows, each 80 reference pixels wide; the way repeats after `period`.
fn houses(texture: &Texture, x: f32, y: f32, period: f32) -> Paint {
    const HOUSE: f32 = 80.0;
    let number = (x.rem_euclid(period) / HOUSE).floor();
    let within = x.rem_euclid(HOUSE);
    let character = texture.at(number * 31.0 + 5.0, 77.0) / 255.0;
    let roof = 0.3 + 0.25 * character;
    if y < roof {
        return NOTHING;
    }
    let wall = texture.at(x.rem_euclid(period) * 0.4, y * 240.0) / 255.0;
    let window = (within % 20.0 > 6.0 && within % 20.0 < 15.0) && ((y - roof) % 0.11 > 0.035);
    let luma = if window { 0.18 + 0.1 * wall } else { 0.38 + 0.3 * wall + 0.15 * character };
    Paint { luma, blue: 0.08 * (0.5 - character), red: 0.12 * (character - 0.35), cover: 1.0 }
}

/// The tram: 40 to 320 reference pixels along its strip, windows, a stripe.
fn tram(x: f32, y: f32) -> Paint {
    if !(40.0..320.0).contains(&x) || !(0.58..0.8).contains(&y) {
        return NOTHING;
    }
    let window = (0.61..0.69).contains(&y) && (x - 40.0) % 35.0 > 7.0;
    let stripe = (0.73..0.75).contains(&y);
    match (window, stripe) {
        (true, _) => Paint { luma: 0.22, blue: 0.05, red: -0.02, cover: 1.0 },
        (_, true) => Paint { luma: 0.88, blue: -0.02, red: 0.0, cover: 1.0 },
        _ => Paint { luma: 0.45, blue: -0.18, red: 0.22, cover: 1.0 },
    }
}

/// A wheel: dark disc, bright rim, one bright spoke.
fn wheel(dx: f32, dy: f32, relative: f32, turn: f32) -> Paint {
    let along = dx * turn.cos() + dy * turn.sin();
    let beside = (dy * turn.cos() - dx * turn.sin()).abs();
    let spoke = along > 0.0 && beside < 2.5;
    let luma = if spoke || relative > 0.85 { 0.75 } else { 0.12 };
    Paint { luma, blue: 0.0, red: 0.0, cover: 1.0 }
}

/// Water below the quay edge.
fn water(texture: &Texture, x: f32, y: f32) -> Paint {
    const PERIOD: f32 = 1024.0;
    if y < 0.84 {
        return Paint { luma: 0.25, blue: 0.0, red: 0.0, cover: if y < 0.82 { 0.0 } else { 1.0 } };
    }
    let ripple = texture.at(x.rem_euclid(PERIOD) * 0.5, y * 900.0) / 255.0;
    Paint { luma: 0.25 + 0.4 * ripple, blue: 0.1, red: -0.08, cover: 1.0 }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::frame::PixelFormat;

    fn shape(family: Family, bit_depth: u8) -> FrameShape {
        FrameShape { width: 161, height: 91, pixel_format: PixelFormat { family, bit_depth } }
    }

    #[test]
    fn every_picture_differs_from_the_one_before_in_every_plane() {
        for shape in [
            shape(Family::Yuv { across: 1, down: 1 }, 8),
            shape(Family::Yuv { across: 1, down: 0 }, 10),
            shape(Family::Gray, 16),
            shape(Family::Gbr, 8),
        ] {
            let harbour = Harbour::new(shape, 1.0);
            let (mut before, mut now) = (Vec::new(), Vec::new());
            harbour.paint(0, &mut before);
            for number in 1..60 {
                harbour.paint(number, &mut now);
                assert_eq!(now.len(), shape.byte_len());
                for plane in shape.planes() {
                    let bytes = plane.width * plane.height * shape.pixel_format.bytes_per_sample();
                    let range = plane.offset..plane.offset + bytes;
                    assert_ne!(now[range.clone()], before[range], "{shape:?} picture {number}");
                }
                std::mem::swap(&mut before, &mut now);
            }
        }
    }

    #[test]
    fn a_picture_depends_on_its_number_alone() {
        let harbour = Harbour::new(shape(Family::Yuv { across: 1, down: 1 }, 8), 0.7);
        let (mut first, mut again) = (Vec::new(), Vec::new());
        harbour.paint(1_000_000, &mut first);
        harbour.paint(3, &mut again);
        harbour.paint(1_000_000, &mut again);
        assert_eq!(first, again);
    }

    #[test]
    fn brightness_changes_slowly() {
        // A flash is a pair of opposing changes of 10 % or more of the largest luminance (ITU-R BT.1702):
        // stay far below it over the whole picture.
        let shape = shape(Family::Gray, 8);
        let harbour = Harbour::new(shape, 1.0);
        let mut samples = Vec::new();
        let means: Vec<f64> = (0..300)
            .map(|number| {
                harbour.paint(number, &mut samples);
                samples.iter().map(|&s| f64::from(s)).sum::<f64>() / samples.len() as f64
            })
            .collect();
        assert!(means.windows(2).all(|pair| (pair[1] - pair[0]).abs() < 2.0), "{means:?}");
    }
}
