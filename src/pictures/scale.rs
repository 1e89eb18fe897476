//! From planes of samples to small pictures for the eye, and to pictures of what changed.

use std::ops::Range;

use multiversion::multiversion;

use crate::frame::{Family, FrameShape, PlaneShape, Rect};

/// Code values of a difference are shown this much darker per step, so that 20 code values are black.
const DARKER_PER_CODE_VALUE: u32 = 12;
/// The smallest difference is shown at least this dark: one code value in one sample must be seen.
const DARKNESS_MIN: u32 = 48;
/// From this height on, pictures without other signs use the colours of ITU-R BT.709, below those of
/// BT.601: 720 rows is the smallest high-definition format (common practice, no source).
const HIGH_DEFINITION_ROWS: u32 = 720;

/// Size of a part that is shown pixel by pixel: a twelfth of 1920 × 1080 either way, so that single rows are seen
/// when it is drawn as large as a picture.
const DETAIL_WIDTH: u32 = 160;
const DETAIL_HEIGHT: u32 = 90;
/// Rows from one to the next that are compared to find the part: a sample of them is enough.
const DETAIL_ROW_STEP: usize = 4;

/// Pixels of a small picture: three bytes each for colour, one for a difference.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Raster {
    /// Width, pixels.
    pub width: u32,
    /// Height, pixels.
    pub height: u32,
    /// Row by row from the top; red, green and blue, or grey alone.
    pub pixels: Vec<u8>,
}

/// Makes small pictures of frames of one shape.
pub struct Converter {
    shape: FrameShape,
    planes: Vec<PlaneShape>,
    width: u32,
    height: u32,
}

impl Converter {
    /// A converter to pictures that fit into a square of `side` pixels, never larger than the frame.
    pub fn new(shape: FrameShape, side: u32) -> Self {
        let longest = shape.width.max(shape.height).max(1);
        let fit = |length: u32| {
            (u64::from(length) * u64::from(side.min(longest)) / u64::from(longest)).max(1) as u32
        };
        Self { shape, planes: shape.planes().collect(), width: fit(shape.width), height: fit(shape.height) }
    }

    /// The frame in colour: each pixel is the mean of the samples it covers.
    pub fn picture(&self, samples: &[u8]) -> Raster {
        let means: Vec<Vec<f32>> = self.planes.iter().map(|&plane| self.means(samples, plane)).collect();
        let pixels = (0..means[0].len()).flat_map(|pixel| self.colour(&means, pixel)).collect();
        Raster { width: self.width, height: self.height, pixels }
    }

    /// Where two frames differ: white where no sample differs, else the darker the larger the largest
    /// difference of any sample that a pixel covers. Means would hide a single changed line.
    pub fn difference(&self, samples: &[u8], before: &[u8]) -> Raster {
        let mut pixels = vec![u8::MAX; self.width as usize * self.height as usize];
        for &plane in &self.planes {
            let raise = |line: &mut [u32], row: Range<usize>| {
                raise_to_changes(line, &samples[row.clone()], &before[row], self.bytes());
            };
            let changes = self.pooled(plane, raise, u32::max);
            for (pixel, change) in pixels.iter_mut().zip(changes) {
                *pixel = (*pixel).min(paper(change as f32 / self.code_value()));
            }
        }
        Raster { width: self.width, height: self.height, pixels }
    }

    /// The part of the picture of `DETAIL_WIDTH` × `DETAIL_HEIGHT` pixels, or the whole where that is smaller, in
    /// which luma differs most between two frames: there two moments in one frame show.
    pub fn liveliest(&self, samples: &[u8], before: &[u8]) -> Rect {
        let (width, height) = (DETAIL_WIDTH.min(self.shape.width), DETAIL_HEIGHT.min(self.shape.height));
        let luma = self.planes[0];
        let changed = |&(x, y): &(u32, u32)| -> f32 {
            let rows = (y..y + height).step_by(DETAIL_ROW_STEP);
            rows.flat_map(|row| (x..x + width).map(move |column| (row as usize, column as usize)))
                .map(|(row, column)| row * luma.width + column)
                .map(|at| (self.sample(samples, luma, at) - self.sample(before, luma, at)).abs())
                .sum()
        };
        let along = |length: u32, part: u32| {
            (0..=length - part).step_by(part as usize / 2).chain(std::iter::once(length - part))
        };
        let places = along(self.shape.height, height)
            .flat_map(|y| along(self.shape.width, width).map(move |x| (x, y)));
        let most = places.map(|place| (changed(&place), place)).max_by(|a, b| a.0.total_cmp(&b.0));
        let (x, y) = most.map_or((0, 0), |(_, place)| place);
        Rect { x, y, width, height }
    }

    /// A part of the frame in colour, pixel by pixel.
    ///
    /// # Panics
    /// When `area` reaches outside the frame.
    pub fn detail(&self, samples: &[u8], area: Rect) -> Raster {
        let (across, down) = match self.shape.pixel_format.family {
            Family::Yuv { across, down } => (across, down),
            Family::Gray | Family::Gbr => (0, 0),
        };
        let places = (area.y..area.y + area.height)
            .flat_map(|y| (area.x..area.x + area.width).map(move |x| (x as usize, y as usize)));
        let planes: Vec<Vec<f32>> = self
            .planes
            .iter()
            .enumerate()
            .map(|(number, &plane)| {
                let (across, down) = if number == 0 { (0, 0) } else { (across, down) };
                let at = |(x, y): (usize, usize)| (y >> down) * plane.width + (x >> across);
                places.clone().map(|place| self.sample(samples, plane, at(place))).collect()
            })
            .collect();
        let pixels = (0..planes[0].len()).flat_map(|pixel| self.colour(&planes, pixel)).collect();
        Raster { width: area.width, height: area.height, pixels }
    }

    fn bytes(&self) -> usize {
        self.shape.pixel_format.bytes_per_sample()
    }

    /// A code value at 8 bit in those of the samples.
    fn code_value(&self) -> f32 {
        f32::from(1u16 << (self.shape.pixel_format.bit_depth - 8))
    }

    /// A sample as code value at 8 bit.
    fn sample(&self, samples: &[u8], plane: PlaneShape, at: usize) -> f32 {
        if self.bytes() == 1 {
            return f32::from(samples[plane.offset + at]);
        }
        let place = plane.offset + 2 * at;
        f32::from(u16::from_le_bytes([samples[place], samples[place + 1]])) / self.code_value()
    }

    /// Mean of the samples that each pixel of the small picture covers, code values at 8 bit.
    fn means(&self, samples: &[u8], plane: PlaneShape) -> Vec<f32> {
        let add = |line: &mut [u32], row: Range<usize>| add_samples(line, &samples[row], self.bytes());
        let sums = self.pooled(plane, add, |sum, value| sum + value);
        let (columns, rows) = (spans(plane.width, self.width), spans(plane.height, self.height));
        let areas = rows.flat_map(|(top, bottom)| {
            columns.clone().map(move |(left, right)| (bottom - top) * (right - left))
        });
        sums.iter().zip(areas).map(|(&sum, area)| sum as f32 / self.code_value() / area as f32).collect()
    }

    /// What is made of the samples that each pixel of the small picture covers: `take_row` takes the bytes of a row into
    /// one value per column, at first 0, as the samples lie in memory; `pool` joins those of two columns.
    fn pooled(
        &self,
        plane: PlaneShape,
        take_row: impl Fn(&mut [u32], Range<usize>),
        pool: impl Fn(u32, u32) -> u32,
    ) -> Vec<u32> {
        let columns: Vec<_> = spans(plane.width, self.width).collect();
        let mut pooled = Vec::with_capacity(columns.len() * self.height as usize);
        let mut line = vec![0; plane.width];
        let row_bytes = plane.width * self.bytes();
        for (top, bottom) in spans(plane.height, self.height) {
            line.fill(0);
            for row in top..bottom {
                let start = plane.offset + row * row_bytes;
                take_row(&mut line, start..start + row_bytes);
            }
            pooled.extend(
                columns.iter().map(|&(left, right)| line[left..right].iter().copied().fold(0, &pool)),
            );
        }
        pooled
    }

    fn colour(&self, planes: &[Vec<f32>], pixel: usize) -> [u8; 3] {
        // Rounded to nearest, as the cast cuts: `round` is a call of its own.
        let byte = |value: f32| (value.clamp(0.0, 255.0) + 0.5) as u8;
        match self.shape.pixel_format.family {
            Family::Gray => [byte(planes[0][pixel]); 3],
            Family::Gbr => [byte(planes[2][pixel]), byte(planes[0][pixel]), byte(planes[1][pixel])],
            Family::Yuv { .. } => {
                // Weights of red and blue in luma: ITU-R BT.709-6 item 3.2, BT.601-7 item 2.5.1. Narrow range
                // (16 to 235, 16 to 240) at 8 bit: BT.709-6 item 4.6.
                let (red, blue) =
                    if self.shape.height >= HIGH_DEFINITION_ROWS { (0.2126, 0.0722) } else { (0.299, 0.114) };
                let green = 1.0 - red - blue;
                let luma = (planes[0][pixel] - 16.0) * 255.0 / 219.0;
                let cb = (planes[1][pixel] - 128.0) * 255.0 / 224.0;
                let cr = (planes[2][pixel] - 128.0) * 255.0 / 224.0;
                let r = luma + 2.0 * (1.0 - red) * cr;
                let b = luma + 2.0 * (1.0 - blue) * cb;
                [byte(r), byte((luma - red * r - blue * b) / green), byte(b)]
            }
        }
    }
}

/// First and last (exclusive) of `length` samples that each of `parts` pixels covers, at least one each.
fn spans(length: usize, parts: u32) -> impl Iterator<Item = (usize, usize)> + Clone {
    let parts = parts as usize;
    (0..parts).map(move |part| {
        let first = (part * length / parts).min(length.saturating_sub(1));
        (first, ((part + 1) * length / parts).max(first + 1).min(length))
    })
}

/// Adds a row of samples of so many bytes, column by column.
#[multiversion(targets("x86_64+avx512f+avx512bw+avx512dq+avx512vl+avx2", "x86_64+avx2"))]
fn add_samples(line: &mut [u32], row: &[u8], bytes: usize) {
    if bytes == 1 {
        line.iter_mut().zip(row).for_each(|(sum, &sample)| *sum += u32::from(sample));
    } else {
        let samples = row.chunks_exact(2).map(|pair| u16::from_le_bytes([pair[0], pair[1]]));
        line.iter_mut().zip(samples).for_each(|(sum, sample)| *sum += u32::from(sample));
    }
}

/// Raises each column to the difference of two rows of samples of so many bytes where that is larger.
#[multiversion(targets("x86_64+avx512f+avx512bw+avx512dq+avx512vl+avx2", "x86_64+avx2"))]
fn raise_to_changes(line: &mut [u32], now: &[u8], before: &[u8], bytes: usize) {
    if bytes == 1 {
        for (most, (&now, &before)) in line.iter_mut().zip(now.iter().zip(before)) {
            *most = (*most).max(u32::from(now.abs_diff(before)));
        }
    } else {
        let sample = |pair: &[u8]| u16::from_le_bytes([pair[0], pair[1]]);
        let pairs = now.chunks_exact(2).zip(before.chunks_exact(2));
        for (most, (now, before)) in line.iter_mut().zip(pairs) {
            *most = (*most).max(u32::from(sample(now).abs_diff(sample(before))));
        }
    }
}

/// White for no change, darker for more.
fn paper(change: f32) -> u8 {
    if change <= 0.0 {
        return u8::MAX;
    }
    let darkness = (change * DARKER_PER_CODE_VALUE as f32) as u32;
    u8::MAX - darkness.clamp(DARKNESS_MIN, u32::from(u8::MAX)) as u8
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::frame::PixelFormat;

    fn shape(width: u32, height: u32, family: Family, bit_depth: u8) -> FrameShape {
        FrameShape { width, height, pixel_format: PixelFormat { family, bit_depth } }
    }

    #[test]
    fn pictures_fit_their_square_and_never_grow() {
        for (width, height, expected) in
            [(1920, 1080, (480, 270)), (1080, 1920, (270, 480)), (16, 8, (16, 8)), (16_384, 1, (480, 1))]
        {
            let converter = Converter::new(shape(width, height, Family::Gray, 8), 480);
            assert_eq!((converter.width, converter.height), expected);
        }
    }

    #[test]
    fn the_detail_is_where_most_changes_and_shows_its_pixels() {
        for family in [Family::Gray, Family::Yuv { across: 1, down: 1 }] {
            let shape = shape(1000, 500, family, 8);
            let before = vec![128; shape.byte_len()];
            let mut samples = before.clone();
            // A bright spot of 20 × 20 samples.
            (300..320).for_each(|row| samples[row * 1000 + 700..row * 1000 + 720].fill(235));
            let converter = Converter::new(shape, 480);
            let area = converter.liveliest(&samples, &before);
            assert!(area.x <= 700 && area.x + area.width >= 720, "{area:?}");
            assert!(area.y <= 300 && area.y + area.height >= 320, "{area:?}");
            let detail = converter.detail(&samples, area);
            assert_eq!((detail.width, detail.height), (DETAIL_WIDTH, DETAIL_HEIGHT));
            let bright = detail.pixels.chunks_exact(3).filter(|pixel| pixel[1] > 200).count();
            assert_eq!(bright, 400);
        }
        let small = shape(7, 5, Family::Yuv { across: 1, down: 1 }, 10);
        let samples = vec![0; small.byte_len()];
        let converter = Converter::new(small, 480);
        let area = converter.liveliest(&samples, &samples);
        assert_eq!(area, Rect { x: 0, y: 0, width: 7, height: 5 });
        assert_eq!(converter.detail(&samples, area).pixels.len(), 7 * 5 * 3);
    }

    #[test]
    fn white_black_and_red_look_right() {
        // Code values of 100 % colour bars at 8 bit, ITU-R BT.709 (from memory): red is Y 63, Cb 102, Cr 240.
        for (code, expected) in
            [([235, 128, 128], [255, 255, 255]), ([16, 128, 128], [0, 0, 0]), ([63, 102, 240], [255, 0, 0])]
        {
            let shape = shape(2, 720, Family::Yuv { across: 0, down: 0 }, 8);
            let samples: Vec<u8> = code.iter().flat_map(|&value| vec![value; 2 * 720]).collect();
            let picture = Converter::new(shape, 480).picture(&samples);
            for (value, expected) in picture.pixels[..3].iter().zip(expected) {
                assert!(value.abs_diff(expected) <= 1, "{code:?}: {:?}", &picture.pixels[..3]);
            }
        }
    }

    #[test]
    fn one_changed_sample_shows_whatever_its_depth_and_plane() {
        for (family, bit_depth) in [
            (Family::Gray, 8),
            (Family::Gray, 16),
            (Family::Yuv { across: 1, down: 1 }, 8),
            (Family::Yuv { across: 1, down: 1 }, 10),
            (Family::Gbr, 12),
        ] {
            let shape = shape(1920, 1080, family, bit_depth);
            let before = vec![64; shape.byte_len()];
            let converter = Converter::new(shape, 480);
            assert!(converter.difference(&before, &before).pixels.iter().all(|&pixel| pixel == 255));
            let mut samples = before.clone();
            let last = samples.len() - 1;
            samples[last] += 1;
            let dark =
                converter.difference(&samples, &before).pixels.iter().filter(|&&pixel| pixel < 210).count();
            assert!(dark >= 1, "{family:?} {bit_depth}");
        }
    }
}
