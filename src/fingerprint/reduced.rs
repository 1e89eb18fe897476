//! The reduced luma picture: box means small enough that comparing whole pictures costs little.

use multiversion::multiversion;

use super::view::ViewPlan;
use super::{FIXED_POINT, SIGNATURE_COLUMNS, SIGNATURE_ROWS};

/// Most columns of a reduced picture. A quarter of 1920: a motion of a tenth of a reduced pixel is less
/// than half a pixel of such a picture, and the comparison costs a fraction of the digest.
pub const REDUCED_COLUMNS_MAX: usize = 480;

/// A picture of box means in `1 / FIXED_POINT` code values (scaled to 8 bit), row by row.
#[derive(Clone, Debug, Default, PartialEq)]
pub(super) struct Plane {
    pub(super) width: usize,
    pub(super) height: usize,
    pub(super) values: Vec<i16>,
}

impl Plane {
    pub(super) fn row(&self, row: usize) -> &[i16] {
        &self.values[row * self.width..(row + 1) * self.width]
    }

    /// Makes this plane the mean of each 2 × 2 square of `larger`, a last odd row or column left out.
    fn halve(&mut self, larger: &Self) {
        (self.width, self.height) = (larger.width / 2, larger.height / 2);
        self.values.resize(self.width * self.height, 0);
        halve(&larger.values, larger.width, &mut self.values, self.width);
    }
}

/// The reduced luma picture of one frame with two halvings of it.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct ReducedPicture {
    /// Pixels of the full picture per reduced pixel, both directions.
    pub(super) factor: usize,
    /// Full reduced picture, half and quarter of it.
    pub(super) levels: [Plane; 3],
}

impl ReducedPicture {
    /// Makes this the reduced picture of a packed picture, reusing its memory.
    pub(super) fn reduce(&mut self, plan: &ViewPlan, picture: &[u8], columns: &mut Vec<u32>) {
        let luma = &plan.planes[0];
        let (width, height) = (luma.packed.width, luma.packed.height);
        let bytes = luma.bytes(picture, plan.bytes_per_sample);
        self.factor = width.div_ceil(REDUCED_COLUMNS_MAX).max(1);
        let [full, half, quarter] = &mut self.levels;
        (full.width, full.height) = (width.div_ceil(self.factor), height.div_ceil(self.factor));
        full.values.resize(full.width * full.height, 0);
        let scale = FIXED_POINT / (1u32 << (plan.bit_depth - 8)) as f32;
        let grid = BoxGrid { width, factor: self.factor, scale };
        match plan.bytes_per_sample {
            1 => box_means_8(bytes, grid, columns, &mut full.values),
            _ => box_means_16(bytes, grid, columns, &mut full.values),
        }
        half.halve(full);
        quarter.halve(half);
    }

    /// Mean per cell of the signature grid in `1 / FIXED_POINT` code values. Cell `c` of `n` covers the
    /// reduced columns `c·w/n .. (c+1)·w/n` (rows likewise), so that the cells cover every pixel once;
    /// pictures smaller than the grid give some pixels to several cells.
    pub fn signature(&self) -> [u16; SIGNATURE_COLUMNS * SIGNATURE_ROWS] {
        let full = &self.levels[0];
        let mut cells = [0; SIGNATURE_COLUMNS * SIGNATURE_ROWS];
        for (cell, value) in cells.iter_mut().enumerate() {
            let (left, right) = part(cell % SIGNATURE_COLUMNS, SIGNATURE_COLUMNS, full.width);
            let (top, bottom) = part(cell / SIGNATURE_COLUMNS, SIGNATURE_ROWS, full.height);
            let rows = (top..bottom).map(|row| &full.row(row)[left..right]);
            let sum: i64 = rows.map(|row| row.iter().map(|&value| i32::from(value)).sum::<i32>()).map(i64::from).sum();
            let area = ((right - left) * (bottom - top)) as i64;
            *value = ((sum + area / 2) / area) as u16;
        }
        cells
    }
}

/// First and past-the-last position of part `index` of `count` of `length` positions, never empty.
fn part(index: usize, count: usize, length: usize) -> (usize, usize) {
    let start = index * length / count;
    (start, ((index + 1) * length / count).max(start + 1))
}

#[multiversion(targets("x86_64+avx512f+avx512bw+avx512dq+avx512vl+avx2", "x86_64+avx2"))]
fn halve(larger: &[i16], larger_width: usize, smaller: &mut [i16], width: usize) {
    if width == 0 {
        return;
    }
    for (row, out) in smaller.chunks_exact_mut(width).enumerate() {
        let start = 2 * row * larger_width;
        let upper = larger[start..start + 2 * width].chunks_exact(2);
        let lower = larger[start + larger_width..start + larger_width + 2 * width].chunks_exact(2);
        for (out, (upper, lower)) in out.iter_mut().zip(upper.zip(lower)) {
            let sum = i32::from(upper[0]) + i32::from(upper[1]) + i32::from(lower[0]) + i32::from(lower[1]);
            *out = ((sum + 2) >> 2) as i16;
        }
    }
}

/// How a plane is reduced.
#[derive(Clone, Copy, Debug)]
pub struct BoxGrid {
    /// Samples per row of the plane.
    pub width: usize,
    /// Side of a box in samples.
    pub factor: usize,
    /// What a mean is multiplied by before it is rounded.
    pub scale: f32,
}

/// Box means of an 8-bit plane; the boxes at the right and lower edge are averaged over their real area.
/// `columns` is scratch memory.
#[multiversion(targets("x86_64+avx512f+avx512bw+avx512dq+avx512vl+avx2", "x86_64+avx2"))]
pub fn box_means_8(plane: &[u8], grid: BoxGrid, columns: &mut Vec<u32>, means: &mut [i16]) {
    box_means::<1>(plane, grid, columns, means, |row, columns| {
        for (column, &value) in columns.iter_mut().zip(row) {
            *column += u32::from(value);
        }
    });
}

/// As [`box_means_8`] for little-endian samples of two bytes.
#[multiversion(targets("x86_64+avx512f+avx512bw+avx512dq+avx512vl+avx2", "x86_64+avx2"))]
pub fn box_means_16(plane: &[u8], grid: BoxGrid, columns: &mut Vec<u32>, means: &mut [i16]) {
    box_means::<2>(plane, grid, columns, means, |row, columns| {
        for (column, pair) in columns.iter_mut().zip(row.chunks_exact(2)) {
            *column += u32::from(u16::from_le_bytes([pair[0], pair[1]]));
        }
    });
}

#[inline(always)]
fn box_means<const BYTES: usize>(
    plane: &[u8],
    grid: BoxGrid,
    columns: &mut Vec<u32>,
    means: &mut [i16],
    add_row: impl Fn(&[u8], &mut [u32]),
) {
    let row_bytes = grid.width * BYTES;
    columns.resize(grid.width, 0);
    let out_width = grid.width.div_ceil(grid.factor);
    let boxes = plane.chunks(row_bytes * grid.factor).zip(means.chunks_exact_mut(out_width));
    for (rows, out) in boxes {
        columns.fill(0);
        for row in rows.chunks_exact(row_bytes) {
            add_row(row, columns);
        }
        sum_across(columns, grid, rows.len() / row_bytes, out);
    }
}

/// Means of groups of `factor` column sums, each over `rows` rows.
#[inline(always)]
fn sum_across(columns: &[u32], grid: BoxGrid, rows: usize, out: &mut [i16]) {
    let (whole, rest) = columns.split_at(columns.len() / grid.factor * grid.factor);
    let scale = grid.scale / (rows * grid.factor) as f32;
    // A constant factor becomes a few shuffles.
    match grid.factor {
        1 => sum_groups::<1>(whole, scale, out),
        2 => sum_groups::<2>(whole, scale, out),
        3 => sum_groups::<3>(whole, scale, out),
        4 => sum_groups::<4>(whole, scale, out),
        8 => sum_groups::<8>(whole, scale, out),
        _ => {
            for (out, group) in out.iter_mut().zip(whole.chunks_exact(grid.factor)) {
                *out = rounded(group.iter().sum(), scale);
            }
        }
    }
    if let (false, Some(last)) = (rest.is_empty(), out.last_mut()) {
        *last = rounded(rest.iter().sum(), grid.scale / (rows * rest.len()) as f32);
    }
}

#[inline(always)]
fn sum_groups<const FACTOR: usize>(columns: &[u32], scale: f32, out: &mut [i16]) {
    for (out, group) in out.iter_mut().zip(columns.chunks_exact(FACTOR)) {
        *out = rounded(group.iter().sum(), scale);
    }
}

/// Sums stay below 2^31 (35 × 35 samples of 16 bit), so the signed conversion is exact and faster.
#[inline(always)]
fn rounded(sum: u32, scale: f32) -> i16 {
    (sum as i32 as f32 * scale + 0.5) as i32 as i16
}
