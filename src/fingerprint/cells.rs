//! Mean luma over any grid of rectangles: a signature of the part of a picture that another capture shows.

use super::{Signature, FIXED_POINT};
use crate::frame::{Family, FrameShape, PixelFormat};

/// Borders of the cells, luma pixels from the left and upper edge, each one more than there are cells; they may lie
/// between pixels and outside the picture.
#[derive(Clone, Debug, PartialEq)]
pub struct CellBorders {
    /// Borders of the columns, rising.
    pub columns: Vec<f64>,
    /// Borders of the rows, rising.
    pub rows: Vec<f64>,
}

/// Which rows of a picture a signature is made from.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Lines {
    /// All of them.
    All,
    /// Every second one from this one on, 0 or 1: those of one field. Each row between them is taken for the mean of its
    /// neighbours, at the picture's edge for a copy of the nearest one.
    EverySecond(usize),
}

/// Mean luma of each cell, row by row, in `1 / FIXED_POINT` code values scaled to 8 bit, like the signature of a
/// fingerprint. A cell outside the picture is 0. `samples` are those of a frame of this shape.
pub fn cell_means(shape: FrameShape, samples: &[u8], borders: &CellBorders, lines: Lines) -> Signature {
    let means = means(shape, samples, borders, lines);
    std::array::from_fn(|cell| means.get(cell).copied().unwrap_or(0))
}

/// As [`cell_means`] for cells of any number, row by row.
pub fn means(shape: FrameShape, samples: &[u8], borders: &CellBorders, lines: Lines) -> Vec<u16> {
    let (width, height) = (shape.width as usize, shape.height as usize);
    let bytes = shape.pixel_format.bytes_per_sample();
    let columns = parts(&borders.columns, width);
    let rows = parts(&borders.rows, height);
    let mut sums = vec![0.0f64; columns.len() * rows.len()];
    let mut areas = sums.clone();
    for (y, line) in samples.chunks_exact((width * bytes).max(1)).take(height).enumerate() {
        let inside: Vec<(usize, f64)> = rows
            .iter()
            .enumerate()
            .map(|(row, part)| (row, lines.weight(part, (y, height))))
            .filter(|&(_, weight)| weight > 0.0)
            .collect();
        if inside.is_empty() {
            continue;
        }
        for (column, part) in columns.iter().enumerate() {
            let sum = part.sum(line, bytes);
            for &(row, weight) in &inside {
                sums[row * columns.len() + column] += weight * sum;
                areas[row * columns.len() + column] += weight * part.length();
            }
        }
    }
    let scale = f64::from(FIXED_POINT) / f64::from(1u32 << (shape.pixel_format.bit_depth - 8));
    let mean = |(&sum, &area): (&f64, &f64)| if area > 0.0 { (sum / area * scale).round() as u16 } else { 0 };
    sums.iter().zip(&areas).map(mean).collect()
}

impl Lines {
    /// What row `y` of `height` counts in a row of cells.
    fn weight(self, part: &Part, (y, height): (usize, usize)) -> f64 {
        let Self::EverySecond(first) = self else { return part.weight(y) };
        if y % 2 != first {
            return 0.0;
        }
        // The first and the last row of a picture have but one neighbour to be made from.
        let above = y.checked_sub(1).map_or(0.0, |y| part.weight(y) * if y == 0 { 1.0 } else { 0.5 });
        let below = Some(y + 1)
            .filter(|&y| y < height)
            .map_or(0.0, |y| part.weight(y) * if y + 1 == height { 1.0 } else { 0.5 });
        part.weight(y) + above + below
    }
}

/// Samples of a frame after a curve: what `table` has for each sample of luma, in `1 / FIXED_POINT` code values, and the
/// shape of the frame of luma that they make. Means are taken of these, because a curve and a mean do not commute.
pub fn curved(shape: FrameShape, samples: &[u8], table: &[u16]) -> (FrameShape, Vec<u8>) {
    /// Bits in which `1 / FIXED_POINT` code values at 8 bit are whole numbers.
    const BITS: u8 = 8 + (FIXED_POINT as u32).ilog2() as u8;
    let luma = shape.width as usize * shape.height as usize;
    let of = |sample: usize| table[sample.min(table.len() - 1)].to_le_bytes();
    let curved = match shape.pixel_format.bytes_per_sample() {
        1 => samples.iter().take(luma).flat_map(|&sample| of(usize::from(sample))).collect(),
        _ => samples
            .chunks_exact(2)
            .take(luma)
            .flat_map(|sample| of(usize::from(u16::from_le_bytes([sample[0], sample[1]]))))
            .collect(),
    };
    (FrameShape { pixel_format: PixelFormat { family: Family::Gray, bit_depth: BITS }, ..shape }, curved)
}

/// The pixels of one column or row of cells, within the picture.
struct Part {
    from: f64,
    to: f64,
}

fn parts(borders: &[f64], length: usize) -> Vec<Part> {
    let within = |border: f64| border.clamp(0.0, length as f64);
    borders.windows(2).map(|pair| Part { from: within(pair[0]), to: within(pair[1]) }).collect()
}

impl Part {
    fn length(&self) -> f64 {
        (self.to - self.from).max(0.0)
    }

    /// How much of pixel `at` lies in it.
    fn weight(&self, at: usize) -> f64 {
        (self.to.min(at as f64 + 1.0) - self.from.max(at as f64)).max(0.0)
    }

    /// Sum of the samples of a line in it, those at its ends in part.
    fn sum(&self, line: &[u8], bytes: usize) -> f64 {
        if self.length() <= 0.0 {
            return 0.0;
        }
        let sample = |at: usize| match bytes {
            1 => u64::from(line[at]),
            _ => u64::from(u16::from_le_bytes([line[2 * at], line[2 * at + 1]])),
        };
        let (first, end) = (self.from.ceil() as usize, self.to.floor() as usize);
        if first > end {
            return self.length() * sample(end) as f64;
        }
        let whole: u64 = match bytes {
            1 => line[first..end].iter().map(|&sample| u64::from(sample)).sum(),
            _ => (first..end).map(sample).sum(),
        };
        let before = first as f64 - self.from;
        let after = self.to - end as f64;
        let mut sum = whole as f64;
        if before > 0.0 {
            sum += before * sample(first - 1) as f64;
        }
        if after > 0.0 {
            sum += after * sample(end) as f64;
        }
        sum
    }
}

#[cfg(test)]
mod tests {
    use super::super::{SIGNATURE_COLUMNS, SIGNATURE_ROWS};
    use super::*;

    fn shape(width: u32, height: u32, bit_depth: u8) -> FrameShape {
        FrameShape { width, height, pixel_format: PixelFormat { family: Family::Gray, bit_depth } }
    }

    /// Even borders over a part of the picture.
    fn borders(columns: (f64, f64), rows: (f64, f64)) -> CellBorders {
        let even = |(from, to): (f64, f64), count: usize| {
            (0..=count).map(|at| from + (to - from) * at as f64 / count as f64).collect()
        };
        CellBorders { columns: even(columns, SIGNATURE_COLUMNS), rows: even(rows, SIGNATURE_ROWS) }
    }

    #[test]
    fn cells_are_means_of_their_pixels_with_those_at_the_ends_in_part() {
        // A ramp across: the mean of a cell is the value at its middle, wherever its borders lie.
        let samples: Vec<u8> = (0..40 * 24).map(|at| (at % 40) as u8 * 5).collect();
        for columns in [(0.0, 40.0), (2.0, 38.0), (3.3, 37.1)] {
            let means = cell_means(shape(40, 24, 8), &samples, &borders(columns, (0.5, 23.5)), Lines::All);
            let width = (columns.1 - columns.0) / SIGNATURE_COLUMNS as f64;
            for (cell, &mean) in means.iter().enumerate() {
                let column = (cell % SIGNATURE_COLUMNS) as f64;
                let (from, to) = (columns.0 + column * width, columns.0 + (column + 1.0) * width);
                // Samples are steps: integrate them piece by piece.
                let exact: f64 = (0..40)
                    .map(|x| (to.min(x as f64 + 1.0) - from.max(x as f64)).max(0.0) * 5.0 * x as f64)
                    .sum::<f64>()
                    / width;
                assert!((f64::from(mean) - 64.0 * exact).abs() <= 0.51, "{columns:?} {cell}");
            }
        }
    }

    #[test]
    fn fields_are_pictures_with_rows_made_from_their_neighbours() {
        // Rows of noise: the field's own, and between them their means.
        let (width, height) = (36, 24);
        let value = |y: usize| ((y * 7919) % 251) as u8;
        let rows = |line: &dyn Fn(usize) -> f64| (0..height).map(line).collect::<Vec<f64>>();
        let samples: Vec<u8> = (0..width * height).map(|at| value(at / width)).collect();
        for first in [0, 1] {
            let own = |y: isize| f64::from(value(y as usize));
            let made = rows(&|y| match y % 2 == first {
                true => own(y as isize),
                false if y == 0 => own(1),
                false if y + 1 == height => own(y as isize - 1),
                false => (own(y as isize - 1) + own(y as isize + 1)) / 2.0,
            });
            let (top, bottom) = (0.0, height as f64);
            let borders = borders((0.0, width as f64), (top, bottom));
            let means = cell_means(shape(36, 24, 8), &samples, &borders, Lines::EverySecond(first));
            for (cell, &mean) in means.iter().enumerate() {
                let row = cell / SIGNATURE_COLUMNS * 3;
                let exact = (made[row] + made[row + 1] + made[row + 2]) / 3.0;
                assert!((f64::from(mean) - 64.0 * exact).abs() <= 0.51, "{first} {cell}");
            }
        }
    }

    #[test]
    fn a_curve_comes_before_the_mean() {
        // Half of each cell black, half white: the mean of the squares is not the square of the mean.
        let samples: Vec<u8> = (0..48 * 16).map(|at| if at % 2 == 0 { 0 } else { 200 }).collect();
        let squares: Vec<u16> = (0..=255u16).map(|sample| (sample * sample / 255) * 64).collect();
        let (curved, values) = curved(shape(48, 16, 8), &samples, &squares);
        let means = cell_means(curved, &values, &borders((0.0, 48.0), (0.0, 16.0)), Lines::All);
        assert!(means.iter().all(|&mean| mean == 156 / 2 * 64), "{means:?}");
    }

    #[test]
    fn deep_samples_are_scaled_and_cells_outside_are_zero() {
        let samples: Vec<u8> = (0..24 * 16).flat_map(|_| 400u16.to_le_bytes()).collect();
        let means = cell_means(shape(24, 16, 10), &samples, &borders((-4.0, 20.0), (0.0, 16.0)), Lines::All);
        for (cell, &mean) in means.iter().enumerate() {
            assert_eq!(mean, if cell % SIGNATURE_COLUMNS < 2 { 0 } else { 6400 }, "{cell}");
        }
    }
}
