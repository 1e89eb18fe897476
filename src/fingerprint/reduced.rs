//! The reduced luma picture: box means small enough that comparing whole pictures costs little.

use multiversion::multiversion;

use super::view::ViewPlan;
use super::{FIXED_POINT, SIGNATURE_COLUMNS, SIGNATURE_ROWS};

/// Most columns of a reduced picture. A quarter of 1920: a motion of a tenth of a reduced pixel is less
/// than half a pixel of such a picture, and the comparison costs a fraction of the digest.
pub const REDUCED_COLUMNS_MAX: usize = 480;

/// Pixels of a picture of this width per reduced pixel, both directions.
pub fn reduction(width: usize) -> usize {
    width.div_ceil(REDUCED_COLUMNS_MAX).max(1)
}

/// Samples of the reduced picture of a picture of this width and height.
pub fn reduced_samples((width, height): (u32, u32)) -> usize {
    let (width, height) = (width as usize, height as usize);
    let factor = reduction(width);
    width.div_ceil(factor) * height.div_ceil(factor)
}

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

    /// The plane turned over across and down.
    fn turned(&self, [across, down]: [bool; 2]) -> Self {
        let mut rows: Vec<&[i16]> = self.values.chunks_exact(self.width.max(1)).collect();
        if down {
            rows.reverse();
        }
        let values = match across {
            false => rows.concat(),
            true => rows.into_iter().flat_map(|row| row.iter().rev().copied()).collect(),
        };
        Self { values, ..*self }
    }

    /// Makes this plane the mean of each 2 × 2 square of `larger`, a last odd row or column left out.
    pub(super) fn halve(&mut self, larger: &Self) {
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
    /// That of a packed picture, in the memory of `spent`.
    pub(super) fn of(plan: &ViewPlan, picture: &[u8], spent: Self) -> Self {
        let mut reduced = spent;
        reduced.prepare(plan);
        let luma = &plan.planes[0].packed;
        reduced.reduce_stripe(plan, &picture[..luma.width * luma.height * plan.bytes_per_sample], 0);
        reduced.halve();
        reduced
    }

    /// The picture turned over across and down.
    pub(super) fn turned(&self, turned: [bool; 2]) -> Self {
        Self { factor: self.factor, levels: self.levels.each_ref().map(|level| level.turned(turned)) }
    }

    /// Width and height that the full reduced picture covers, pixels: up to a box more than the picture.
    pub(super) fn extent(&self) -> [usize; 2] {
        let full = &self.levels[0];
        [full.width * self.factor, full.height * self.factor]
    }

    /// Takes the size for pictures of `plan`, reusing memory.
    pub(super) fn prepare(&mut self, plan: &ViewPlan) {
        let luma = &plan.planes[0].packed;
        self.factor = reduction(luma.width);
        let full = &mut self.levels[0];
        (full.width, full.height) = (luma.width.div_ceil(self.factor), luma.height.div_ceil(self.factor));
        full.values.resize(full.width * full.height, 0);
    }

    /// Reduces a stripe of luma: whole boxes but for the last stripe. `first` is its first reduced row.
    pub(super) fn reduce_stripe(&mut self, plan: &ViewPlan, stripe: &[u8], first: usize) {
        let scale = FIXED_POINT / (1u32 << (plan.bit_depth - 8)) as f32;
        let grid = BoxGrid { width: plan.planes[0].packed.width, factor: self.factor, scale };
        let full = &mut self.levels[0];
        let means = &mut full.values[first * full.width..];
        match plan.bytes_per_sample {
            1 => box_means_8(stripe, grid, means),
            _ => box_means_16(stripe, grid, means),
        }
    }

    /// Makes the smaller levels, once all stripes are reduced.
    pub(super) fn halve(&mut self) {
        let [full, half, quarter] = &mut self.levels;
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
            let sum: i64 =
                rows.map(|row| row.iter().map(|&value| i32::from(value)).sum::<i32>()).map(i64::from).sum();
            let area = ((right - left) * (bottom - top)) as i64;
            *value = ((sum + area / 2) / area) as u16;
        }
        cells
    }
}

/// First and past-the-last sample of each column and row of cells.
pub(super) struct CellSamples {
    pub(super) columns: Vec<(usize, usize)>,
    pub(super) rows: Vec<(usize, usize)>,
}

/// Where the cells of the signature lie in pictures of `plan`.
pub(super) fn cell_samples(plan: &ViewPlan) -> CellSamples {
    let luma = &plan.planes[0].packed;
    let factor = reduction(luma.width);
    let along = |length: usize, count: usize| {
        let samples = |(first, end): (usize, usize)| (first * factor, (end * factor).min(length));
        (0..count).map(|index| samples(part(index, count, length.div_ceil(factor)))).collect()
    };
    CellSamples { columns: along(luma.width, SIGNATURE_COLUMNS), rows: along(luma.height, SIGNATURE_ROWS) }
}

/// First and past-the-last position of part `index` of `count` of `length` positions, never empty.
pub(super) fn part(index: usize, count: usize, length: usize) -> (usize, usize) {
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
///
/// # Panics
/// When `means` has fewer columns than the grid gives.
#[multiversion(targets("x86_64+avx512f+avx512bw+avx512dq+avx512vl+avx2", "x86_64+avx2"))]
pub fn box_means_8(plane: &[u8], grid: BoxGrid, means: &mut [i16]) {
    let mut sums = vec![[0u32; 2]; grid.width / 8];
    box_means::<1>(plane, grid, means, <u8 as Sample>::read, |rows, scale, means| {
        let [a, b, c, d] = rows.map(|row| row.chunks_exact(8));
        for ((sums, (a, b)), (c, d)) in sums.iter_mut().zip(a.zip(b)).zip(c.zip(d)) {
            let [a, b, c, d] = [word(a), word(b), word(c), word(d)];
            // Two boxes side by side: pairs of bytes in four lanes of 16 bits, then pairs of those.
            let boxes = lane_pairs(byte_pairs(a) + byte_pairs(b) + byte_pairs(c) + byte_pairs(d));
            *sums = [boxes as u32, (boxes >> 32) as u32];
        }
        for (mean, &sum) in means.iter_mut().zip(sums.as_flattened()) {
            *mean = rounded(sum, scale);
        }
    });
}

/// As [`box_means_8`] for little-endian samples of two bytes.
///
/// # Panics
/// When `means` has fewer columns than the grid gives.
#[multiversion(targets("x86_64+avx512f+avx512bw+avx512dq+avx512vl+avx2", "x86_64+avx2"))]
pub fn box_means_16(plane: &[u8], grid: BoxGrid, means: &mut [i16]) {
    box_means::<2>(plane, grid, means, <u16 as Sample>::read, |rows, scale, means| {
        let [a, b, c, d] = rows.map(|row| row.chunks_exact(8));
        for ((mean, (a, b)), (c, d)) in means.iter_mut().zip(a.zip(b)).zip(c.zip(d)) {
            let [a, b, c, d] = [word(a), word(b), word(c), word(d)];
            let pairs = lane_pairs(a) + lane_pairs(b) + lane_pairs(c) + lane_pairs(d);
            *mean = rounded(pairs as u32 + (pairs >> 32) as u32, scale);
        }
    });
}

/// A sample read from its bytes.
trait Sample {
    fn read(bytes: &[u8]) -> u32;
}

impl Sample for u8 {
    #[inline(always)]
    fn read(bytes: &[u8]) -> u32 {
        u32::from(bytes[0])
    }
}

impl Sample for u16 {
    #[inline(always)]
    fn read(bytes: &[u8]) -> u32 {
        u32::from(Self::from_le_bytes([bytes[0], bytes[1]]))
    }
}

/// Eight bytes as a number. Called in loops, not given to iterators: what those call is not always made one with the
/// kernel, and then loses its instruction set.
#[inline(always)]
fn word(bytes: &[u8]) -> u64 {
    // Byte by byte it would be put together byte by byte.
    match bytes.first_chunk() {
        Some(bytes) => u64::from_le_bytes(*bytes),
        None => 0,
    }
}

/// Sums of neighbouring bytes, in four lanes of 16 bits.
#[inline(always)]
fn byte_pairs(word: u64) -> u64 {
    const LOW: u64 = 0x00ff_00ff_00ff_00ff;
    (word & LOW) + (word >> 8 & LOW)
}

/// Sums of neighbouring lanes of 16 bits, in two lanes of 32 bits.
#[inline(always)]
fn lane_pairs(lanes: u64) -> u64 {
    const LOW: u64 = 0x0000_ffff_0000_ffff;
    (lanes & LOW) + (lanes >> 16 & LOW)
}

/// The factor of 1920-pixel pictures, which has a path of its own.
const USUAL_FACTOR: usize = 4;

#[inline(always)]
fn box_means<const BYTES: usize>(
    plane: &[u8],
    grid: BoxGrid,
    means: &mut [i16],
    sample: impl Fn(&[u8]) -> u32,
    mut usual: impl FnMut([&[u8]; USUAL_FACTOR], f32, &mut [i16]),
) {
    let row_bytes = grid.width * BYTES;
    // Columns of samples that the usual path takes: whole words of whole boxes.
    let usual_width = if grid.factor == USUAL_FACTOR { grid.width / 8 * 8 } else { 0 };
    let boxes =
        plane.chunks(row_bytes * grid.factor).zip(means.chunks_exact_mut(grid.width.div_ceil(grid.factor)));
    for (rows, means) in boxes {
        let row_count = rows.len() / row_bytes;
        let mut done = 0;
        if row_count == USUAL_FACTOR && usual_width > 0 {
            done = usual_width;
            let row = |index: usize| &rows[index * row_bytes..][..usual_width * BYTES];
            let scale = grid.scale / (USUAL_FACTOR * USUAL_FACTOR) as f32;
            usual([row(0), row(1), row(2), row(3)], scale, &mut means[..usual_width / USUAL_FACTOR]);
        }
        for (index, mean) in means[done / grid.factor..].iter_mut().enumerate() {
            let left = done + index * grid.factor;
            let width = grid.factor.min(grid.width - left);
            let rows = rows.chunks_exact(row_bytes).map(|row| &row[left * BYTES..(left + width) * BYTES]);
            let sum = rows.map(|row| row.chunks_exact(BYTES).map(&sample).sum::<u32>()).sum();
            *mean = rounded(sum, grid.scale / (row_count * width) as f32);
        }
    }
}

/// `sum · scale`, below 2^15, rounded to nearest. Added to 1.5 · 2^23 a float keeps no fraction and its low
/// bits are the integer: unlike a cast, which saturates, that is done for many at once.
/// Sums stay below 2^31 (35 × 35 samples of 16 bit), so the signed conversion is exact and faster.
#[inline(always)]
fn rounded(sum: u32, scale: f32) -> i16 {
    const NO_FRACTION: f32 = 12_582_912.0;
    (sum as i32 as f32 * scale + NO_FRACTION).to_bits() as i16
}
