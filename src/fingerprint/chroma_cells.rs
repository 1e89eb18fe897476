//! Mean of both colour differences per cell of the signature's grid: what of colour is compared with the clip.

use multiversion::multiversion;

use super::reduced::part;
use super::view::ViewPlan;
use super::{SIGNATURE_COLUMNS, SIGNATURE_ROWS};
use crate::frame::Family;

/// Planes of colour differences.
const PLANES: usize = 2;

/// Mean of Cb, then of Cr, per cell, row by row, in whole code values at 8 bit; all zero where there are none. Whole ones
/// are enough: what became of colours is told from the cells of many frames, over which rounding averages out. Column `c` of 12 covers the plane's columns from `c·w/12` to before `(c+1)·w/12`, rows likewise.
pub type ChromaSignature = [[u8; SIGNATURE_COLUMNS * SIGNATURE_ROWS]; PLANES];

/// Where the cells begin and end in parts of the picture, columns and rows, for planes of this width and height.
pub fn borders((width, height): (usize, usize)) -> [Vec<f64>; 2] {
    let along = |length: usize, count: usize| {
        (0..=count).map(|at| (at * length / count) as f64 / length.max(1) as f64).collect()
    };
    [along(width, SIGNATURE_COLUMNS), along(height, SIGNATURE_ROWS)]
}

/// Sums rows column by column of cells. Holds only scratch memory between frames.
#[derive(Default)]
pub(super) struct ChromaMeter {
    rows: [Vec<[u32; SIGNATURE_COLUMNS]>; PLANES],
}

impl ChromaMeter {
    /// Forgets the frame before.
    pub(super) fn clear(&mut self) {
        self.rows.iter_mut().for_each(Vec::clear);
    }

    /// Adds the next rows of a plane; luma, and what is no colour difference, is left alone.
    pub(super) fn add_stripe(&mut self, plan: &ViewPlan, plane: usize, stripe: &[u8]) {
        let is_chroma = matches!(plan.family, Family::Yuv { .. });
        let Some(rows) = plane.checked_sub(1).filter(|_| is_chroma).and_then(|at| self.rows.get_mut(at))
        else {
            return;
        };
        let width = plan.planes[plane].packed.width;
        let columns = std::array::from_fn(|column| part(column, SIGNATURE_COLUMNS, width));
        match plan.bytes_per_sample {
            1 => row_sums_8(stripe, width, &columns, rows),
            _ => row_sums_16(stripe, width, &columns, rows),
        }
    }

    /// The means over what was added.
    pub(super) fn signature(&self, plan: &ViewPlan) -> ChromaSignature {
        let scale = 1.0 / f64::from(1u32 << (plan.bit_depth - 8));
        std::array::from_fn(|plane| {
            let rows = &self.rows[plane];
            let mut means = [0; SIGNATURE_COLUMNS * SIGNATURE_ROWS];
            if rows.is_empty() {
                return means;
            }
            let width = plan.planes[plane + 1].packed.width;
            for (cell, mean) in means.iter_mut().enumerate() {
                let (row, column) = (cell / SIGNATURE_COLUMNS, cell % SIGNATURE_COLUMNS);
                let (left, right) = part(column, SIGNATURE_COLUMNS, width);
                let (top, bottom) = part(row, SIGNATURE_ROWS, rows.len());
                let sum: u64 = rows[top..bottom].iter().map(|sums| u64::from(sums[column])).sum();
                let area = ((right - left) * (bottom - top)) as f64;
                *mean = (sum as f64 * scale / area).round() as u8;
            }
            means
        })
    }
}

/// Appends the sum of each row over each column of cells.
#[multiversion(targets("x86_64+avx512f+avx512bw+avx512dq+avx512vl+avx2", "x86_64+avx2"))]
fn row_sums_8(
    stripe: &[u8],
    width: usize,
    columns: &[(usize, usize); SIGNATURE_COLUMNS],
    sums: &mut Vec<[u32; SIGNATURE_COLUMNS]>,
) {
    for row in stripe.chunks_exact(width) {
        sums.push(
            columns.map(|(left, right)| row[left..right].iter().map(|&sample| u32::from(sample)).sum()),
        );
    }
}

/// As [`row_sums_8`] for little-endian samples of two bytes.
#[multiversion(targets("x86_64+avx512f+avx512bw+avx512dq+avx512vl+avx2", "x86_64+avx2"))]
fn row_sums_16(
    stripe: &[u8],
    width: usize,
    columns: &[(usize, usize); SIGNATURE_COLUMNS],
    sums: &mut Vec<[u32; SIGNATURE_COLUMNS]>,
) {
    for row in stripe.chunks_exact(2 * width) {
        sums.push(columns.map(|(left, right)| {
            let samples = row[2 * left..2 * right].chunks_exact(2);
            samples.map(|two| u32::from(u16::from_le_bytes([two[0], two[1]]))).sum()
        }));
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::frame::{FrameShape, PixelFormat};
    use crate::settings::ViewSettings;

    fn plan(family: Family, bit_depth: u8) -> ViewPlan {
        let shape = FrameShape { width: 48, height: 32, pixel_format: PixelFormat { family, bit_depth } };
        ViewPlan::new(shape, &ViewSettings::default())
    }

    fn measured(plan: &ViewPlan, samples: &[u8]) -> ChromaSignature {
        let mut meter = ChromaMeter::default();
        for (index, plane) in plan.planes.iter().enumerate() {
            for stripe in plane.stripes(16, plan.bytes_per_sample) {
                meter.add_stripe(plan, index, &samples[stripe]);
            }
        }
        meter.signature(plan)
    }

    #[test]
    fn cells_are_the_means_of_their_samples_in_both_planes_and_depths() {
        // Planes of 24 × 16: cells of 2 × 2 samples.
        let value = |plane: usize, x: usize, y: usize| (plane * 7 + x * 5 + y * 3) % 200;
        let yuv = Family::Yuv { across: 1, down: 1 };
        let (shallow, deep) = (plan(yuv, 8), plan(yuv, 10));
        let luma = 48 * 32;
        let chroma = |at: usize| value(at / (24 * 16), at % 24, at / 24 % 16);
        let samples: Vec<u8> =
            (0..luma + 2 * 24 * 16).map(|at| if at < luma { 90 } else { chroma(at - luma) as u8 }).collect();
        let wide: Vec<u8> =
            samples.iter().flat_map(|&sample| (4 * u16::from(sample)).to_le_bytes()).collect();
        let found = measured(&shallow, &samples);
        assert_eq!(found, measured(&deep, &wide));
        for (plane, cells) in found.iter().enumerate() {
            for (cell, &mean) in cells.iter().enumerate() {
                let (x, y) = (2 * (cell % SIGNATURE_COLUMNS), 2 * (cell / SIGNATURE_COLUMNS));
                let sum: usize = (0..4).map(|at| value(plane, x + at % 2, y + at / 2)).sum();
                assert_eq!(usize::from(mean), (sum + 2) / 4, "plane {plane}, cell {cell}");
            }
        }
    }

    #[test]
    fn grey_and_red_green_blue_have_no_colour_differences() {
        for family in [Family::Gray, Family::Gbr] {
            let plan = plan(family, 8);
            let samples = vec![77; plan.packed_len()];
            assert_eq!(measured(&plan, &samples), [[0; 96]; 2]);
        }
    }
}
