//! Block change: mean absolute differences of 16 × 16 blocks, and how they are spread over the picture.

use multiversion::multiversion;

use super::view::{PlaneView, ViewPlan};
use super::{BlockSpread, FIXED_POINT, REGION_COLUMNS, REGION_ROWS};

/// Side of a block in samples of its own plane, luma and chroma alike. Common practice of video coding,
/// where coding error, too, is laid out on this grid.
pub(super) const BLOCK_SIDE: usize = 16;

/// Sum of absolute differences of each 16 × 16 block of two 8-bit planes, row by row of blocks.
/// Blocks at the right and lower edge are smaller.
///
/// # Panics
/// When a plane is smaller than `width × height` samples.
#[multiversion(targets("x86_64+avx512f+avx512bw+avx512dq+avx512vl+avx2", "x86_64+avx2"))]
pub fn block_sums_8(current: &[u8], previous: &[u8], width: usize, height: usize, sums: &mut Vec<u32>) {
    for_each_block::<1>(width, height, sums, |start, length, row| {
        let range = row + start..row + start + length;
        absolute_difference_8(&current[range.clone()], &previous[range])
    });
}

/// As [`block_sums_8`] for little-endian samples of two bytes.
///
/// # Panics
/// When a plane is smaller than `width × height` samples.
#[multiversion(targets("x86_64+avx512f+avx512bw+avx512dq+avx512vl+avx2", "x86_64+avx2"))]
pub fn block_sums_16(current: &[u8], previous: &[u8], width: usize, height: usize, sums: &mut Vec<u32>) {
    for_each_block::<2>(width, height, sums, |start, length, row| {
        let range = row + start..row + start + length;
        absolute_difference_16(&current[range.clone()], &previous[range])
    });
}

/// Adds up `row_sum(first byte within the row, bytes, first byte of the row)` over the rows of each block.
#[inline(always)]
fn for_each_block<const BYTES: usize>(
    width: usize,
    height: usize,
    sums: &mut Vec<u32>,
    row_sum: impl Fn(usize, usize, usize) -> u32,
) {
    sums.clear();
    let row_bytes = width * BYTES;
    for top in (0..height).step_by(BLOCK_SIDE) {
        let bottom = (top + BLOCK_SIDE).min(height);
        for left in (0..row_bytes).step_by(BLOCK_SIDE * BYTES) {
            let length = (BLOCK_SIDE * BYTES).min(row_bytes - left);
            sums.push((top..bottom).map(|row| row_sum(left, length, row * row_bytes)).sum());
        }
    }
}

#[inline(always)]
fn absolute_difference_8(current: &[u8], previous: &[u8]) -> u32 {
    // The fixed length lets the compiler use the sum-of-absolute-differences instruction.
    match (<&[u8; BLOCK_SIDE]>::try_from(current), <&[u8; BLOCK_SIDE]>::try_from(previous)) {
        (Ok(current), Ok(previous)) => sum_8(current, previous),
        _ => sum_8(current, previous),
    }
}

#[inline(always)]
fn sum_8(current: &[u8], previous: &[u8]) -> u32 {
    current.iter().zip(previous).map(|(&a, &b)| u32::from(a.abs_diff(b))).sum()
}

#[inline(always)]
fn absolute_difference_16(current: &[u8], previous: &[u8]) -> u32 {
    match (<&[u8; 2 * BLOCK_SIDE]>::try_from(current), <&[u8; 2 * BLOCK_SIDE]>::try_from(previous)) {
        (Ok(current), Ok(previous)) => sum_16(current, previous),
        _ => sum_16(current, previous),
    }
}

#[inline(always)]
fn sum_16(current: &[u8], previous: &[u8]) -> u32 {
    let sample = |pair: &[u8]| u16::from_le_bytes([pair[0], pair[1]]);
    let pairs = current.chunks_exact(2).zip(previous.chunks_exact(2));
    pairs.map(|(a, b)| u32::from(sample(a).abs_diff(sample(b)))).sum()
}

/// Mean absolute difference per block of one plane, code values scaled to 8 bit; negative where the block
/// does not count because all of it is excluded.
#[derive(Default)]
pub(super) struct BlockChange {
    sums: Vec<u32>,
    means: Vec<f32>,
    ordered: Vec<u32>,
}

/// Stands for a block that does not count.
const EXCLUDED: f32 = -1.0;

impl BlockChange {
    /// Replaces the block means by those of plane `plane`.
    pub(super) fn measure(&mut self, plan: &ViewPlan, plane: usize, current: &[u8], previous: &[u8]) {
        self.sum(plan, &plan.planes[plane], current, previous);
        self.means.clear();
        let means = self.sums.iter().zip(&plan.planes[plane].block_areas);
        self.means.extend(means.map(|(&sum, &area)| block_mean(sum, area, plan.bit_depth)));
    }

    /// Raises the block means to those of plane `plane` where these are larger.
    pub(super) fn raise(&mut self, plan: &ViewPlan, plane: usize, current: &[u8], previous: &[u8]) {
        self.sum(plan, &plan.planes[plane], current, previous);
        let sums = self.sums.iter().zip(&plan.planes[plane].block_areas);
        for (mean, (&sum, &area)) in self.means.iter_mut().zip(sums) {
            *mean = mean.max(block_mean(sum, area, plan.bit_depth));
        }
    }

    fn sum(&mut self, plan: &ViewPlan, plane: &PlaneView, current: &[u8], previous: &[u8]) {
        let (width, height) = (plane.packed.width, plane.packed.height);
        let current = plane.bytes(current, plan.bytes_per_sample);
        let previous = plane.bytes(previous, plan.bytes_per_sample);
        match plan.bytes_per_sample {
            1 => block_sums_8(current, previous, width, height, &mut self.sums),
            _ => block_sums_16(current, previous, width, height, &mut self.sums),
        }
    }

    /// How the block means are spread.
    pub(super) fn spread(&mut self) -> BlockSpread {
        self.ordered.clear();
        // Floats that are not negative are ordered like their bits, and integers are ordered faster.
        self.ordered
            .extend(self.means.iter().filter(|mean| **mean >= 0.0).map(|mean| (mean + 0.0).to_bits()));
        spread_of(&mut self.ordered)
    }

    /// Largest block mean per region, in `1 / FIXED_POINT` code values. A block belongs to the region
    /// that its centre lies in; regions of pictures so small that they have no block are 0.
    pub(super) fn regions(&self, blocks_across: usize) -> [u16; REGION_COLUMNS * REGION_ROWS] {
        let mut regions = [0; REGION_COLUMNS * REGION_ROWS];
        let blocks_down = self.means.len() / blocks_across.max(1);
        for (row, means) in self.means.chunks(blocks_across.max(1)).enumerate() {
            let first = (2 * row + 1) * REGION_ROWS / (2 * blocks_down) * REGION_COLUMNS;
            for (column, &mean) in means.iter().enumerate() {
                let region = &mut regions[first + (2 * column + 1) * REGION_COLUMNS / (2 * blocks_across)];
                // Float to integer casts saturate, at zero for blocks that do not count.
                *region = (*region).max((mean * FIXED_POINT).round() as u16);
            }
        }
        regions
    }
}

fn block_mean(sum: u32, area: u32, bit_depth: u8) -> f32 {
    if area == 0 {
        return EXCLUDED;
    }
    (f64::from(sum) / f64::from(area << (bit_depth - 8))) as f32
}

/// Mean and exact order statistics (nearest rank) of float bits.
fn spread_of(bits: &mut [u32]) -> BlockSpread {
    if bits.is_empty() {
        return BlockSpread::default();
    }
    let count = bits.len();
    let total: f64 = bits.iter().map(|&bits| f64::from(f32::from_bits(bits))).sum();
    let worst = bits.iter().copied().max().unwrap_or(0);
    // From the top down, so that each selection works on what lies below the one before.
    let mut below = count;
    let mut quantile = |percent: usize| {
        let rank = (count * percent).div_ceil(100).max(1) - 1;
        if rank + 1 < below || below == count {
            bits[..below].select_nth_unstable(rank);
            below = rank + 1;
        }
        f32::from_bits(bits[rank])
    };
    let (p99, p90, median, quiet) = (quantile(99), quantile(90), quantile(50), quantile(10));
    BlockSpread { mean: (total / count as f64) as f32, quiet, median, p90, p99, worst: f32::from_bits(worst) }
}
