//! Block change: mean absolute differences of 16 × 16 blocks.

use multiversion::multiversion;

use super::view::ViewPlan;

/// Side of a block in samples of its own plane, luma and chroma alike. Common practice of video coding,
/// where coding error, too, is laid out on this grid.
pub(super) const BLOCK_SIDE: usize = 16;

/// Columns summed at a time: so many sums stay in the nearest cache. Whole blocks.
const STRIP: usize = 128 * BLOCK_SIDE;

/// Appends the sum of absolute differences of each 16 × 16 block of rows of two 8-bit planes, row by row
/// of blocks. Blocks at the right and lower edge are smaller.
///
/// # Panics
/// When `previous` is shorter than `current`.
#[multiversion(targets("x86_64+avx512f+avx512bw+avx512dq+avx512vl+avx2", "x86_64+avx2"))]
pub fn block_sums_8(current: &[u8], previous: &[u8], width: usize, sums: &mut Vec<u32>) {
    // 16 differences of 8 bits fit in 16 bits.
    sum_blocks::<1, u16>(current, previous, width, sums, |columns, current, previous| {
        for (column, (&a, &b)) in columns.iter_mut().zip(current.iter().zip(previous)) {
            *column += u16::from(a.abs_diff(b));
        }
    });
}

/// As [`block_sums_8`] for little-endian samples of two bytes.
///
/// # Panics
/// When `previous` is shorter than `current`.
#[multiversion(targets("x86_64+avx512f+avx512bw+avx512dq+avx512vl+avx2", "x86_64+avx2"))]
pub fn block_sums_16(current: &[u8], previous: &[u8], width: usize, sums: &mut Vec<u32>) {
    let sample = |pair: &[u8]| u16::from_le_bytes([pair[0], pair[1]]);
    sum_blocks::<2, u32>(current, previous, width, sums, |columns, current, previous| {
        let pairs = current.chunks_exact(2).zip(previous.chunks_exact(2));
        for (column, (a, b)) in columns.iter_mut().zip(pairs) {
            *column += u32::from(sample(a).abs_diff(sample(b)));
        }
    });
}

/// Sums each column of a row of blocks with `add_row(columns, current, previous)`, row after row as the
/// samples lie in memory, then the columns of each block.
#[inline(always)]
fn sum_blocks<const BYTES: usize, Column: Copy + Default + Into<u32>>(
    current: &[u8],
    previous: &[u8],
    width: usize,
    sums: &mut Vec<u32>,
    add_row: impl Fn(&mut [Column], &[u8], &[u8]),
) {
    let row_bytes = width.max(1) * BYTES;
    let previous = &previous[..current.len()];
    let block_rows = current.chunks(row_bytes * BLOCK_SIDE).zip(previous.chunks(row_bytes * BLOCK_SIDE));
    for (current, previous) in block_rows {
        for left in (0..width).step_by(STRIP) {
            let right = width.min(left + STRIP);
            let strip = left * BYTES..right * BYTES;
            let mut columns = [Column::default(); STRIP];
            let columns = &mut columns[..right - left];
            for (current, previous) in current.chunks_exact(row_bytes).zip(previous.chunks_exact(row_bytes)) {
                add_row(columns, &current[strip.clone()], &previous[strip.clone()]);
            }
            let sum = |block: &[Column]| block.iter().map(|&column| column.into()).sum::<u32>();
            let blocks = columns.chunks_exact(BLOCK_SIDE);
            let narrower = blocks.remainder();
            sums.extend(blocks.map(sum));
            sums.extend((!narrower.is_empty()).then(|| sum(narrower)));
        }
    }
}

/// Block sums of each plane, gathered stripe by stripe, and what is made of them.
#[derive(Default)]
pub(super) struct BlockChange {
    sums: [Vec<u32>; PLANES_MAX],
    means: Vec<f32>,
}

/// Luma and two of chroma, or three of colour.
const PLANES_MAX: usize = 3;
/// Stands for the mean of a block that does not count because all of it is excluded.
const EXCLUDED: f32 = -1.0;

impl BlockChange {
    /// Forgets the frame before.
    pub(super) fn clear(&mut self) {
        self.sums.iter_mut().for_each(Vec::clear);
    }

    /// Adds the blocks of a stripe of plane `plane`: the same rows of both pictures, whole blocks but for
    /// the last stripe.
    pub(super) fn add_stripe(&mut self, plan: &ViewPlan, plane: usize, current: &[u8], previous: &[u8]) {
        let width = plan.planes[plane].packed.width;
        match plan.bytes_per_sample {
            1 => block_sums_8(current, previous, width, &mut self.sums[plane]),
            _ => block_sums_16(current, previous, width, &mut self.sums[plane]),
        }
    }

    /// Turns the sums of plane `plane` into means per block, code values scaled to 8 bit.
    pub(super) fn take_means(&mut self, plan: &ViewPlan, plane: usize) {
        self.means.clear();
        let sums = self.sums[plane].iter().zip(&plan.planes[plane].block_areas);
        self.means.extend(sums.map(|(&sum, &area)| block_mean(sum, area, plan.bit_depth)));
    }

    /// The means per block, row by row; negative where all of a block is excluded.
    pub(super) fn means(&self) -> &[f32] {
        &self.means
    }

    /// The largest mean of a block; 0 where no block counts.
    pub(super) fn largest(&self) -> f32 {
        self.means.iter().copied().fold(0.0, f32::max)
    }
}

fn block_mean(sum: u32, area: u32, bit_depth: u8) -> f32 {
    if area == 0 {
        return EXCLUDED;
    }
    (f64::from(sum) / f64::from(area << (bit_depth - 8))) as f32
}
