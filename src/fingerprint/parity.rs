//! How the picture made of the top field alone differs from that made of the bottom field alone, cell by cell of the
//! signature: with it one frame gives a signature of each of its fields.
//!
//! A field is taken for a picture as the plainest deinterlacer makes it: each missing row is the mean of the rows above
//! and below, at the picture's edge a copy of the nearest one. So both fields lie at the same height, and a slope does
//! not differ between them.

use multiversion::multiversion;

use super::reduced::CellSamples;
use super::view::ViewPlan;
use super::{FIXED_POINT, SIGNATURE_COLUMNS, SIGNATURE_ROWS};

/// Half of what the top field's picture is brighter than the bottom field's, per cell, row by row, in
/// `1 / FIXED_POINT` code values. Added to the signature it gives that of the top field, taken off that of the bottom.
pub type ParityDifference = [i16; SIGNATURE_COLUMNS * SIGNATURE_ROWS];

/// Halves of a row's weight: a whole row.
const WHOLE: i64 = 2;

/// Sums rows column by column of cells. Holds only scratch memory between frames.
#[derive(Default)]
pub(super) struct ParityMeter {
    rows: Vec<[u32; SIGNATURE_COLUMNS]>,
}

impl ParityMeter {
    /// Forgets the frame before.
    pub(super) fn clear(&mut self) {
        self.rows.clear();
    }

    /// Adds the next rows of luma; `columns` are the cells' borders in samples.
    pub(super) fn add_stripe(&mut self, plan: &ViewPlan, stripe: &[u8], columns: &[(usize, usize)]) {
        let width = plan.planes[0].packed.width;
        match plan.bytes_per_sample {
            1 => row_sums_8(stripe, width, columns, &mut self.rows),
            _ => row_sums_16(stripe, width, columns, &mut self.rows),
        }
    }

    /// The difference over cells with these borders.
    pub(super) fn difference(&self, plan: &ViewPlan, cells: &CellSamples) -> ParityDifference {
        // A region that begins with a row of the bottom field has the parities of its rows swapped.
        let first_row = plan.planes[0].first_row();
        let scale = f64::from(FIXED_POINT) / f64::from(1u32 << (plan.bit_depth - 8));
        let mut difference = [0; SIGNATURE_COLUMNS * SIGNATURE_ROWS];
        if self.rows.len() < 2 {
            return difference;
        }
        for (line, &(top, bottom)) in difference.chunks_exact_mut(SIGNATURE_COLUMNS).zip(&cells.rows) {
            let mut sums = [0i64; SIGNATURE_COLUMNS];
            for row in top.saturating_sub(1)..(bottom + 1).min(self.rows.len()) {
                let weight = weight(row, (top, bottom), self.rows.len());
                let sign = if (first_row + row) % 2 == 0 { weight } else { -weight };
                sums.iter_mut()
                    .zip(&self.rows[row])
                    .for_each(|(sum, &value)| *sum += sign * i64::from(value));
            }
            for ((cell, sum), &(left, right)) in line.iter_mut().zip(sums).zip(&cells.columns) {
                let area = (2 * WHOLE) as f64 * ((right - left) * (bottom - top)) as f64;
                *cell = (sum as f64 * scale / area).round() as i16;
            }
        }
        difference
    }
}

/// What a row counts, in halves, in the picture of its field over the rows from `top` to before `bottom`.
fn weight(row: usize, (top, bottom): (usize, usize), height: usize) -> i64 {
    let inside = |row: usize| (top..bottom).contains(&row);
    // The first and the last row of a picture have but one neighbour to be made from.
    let above =
        row.checked_sub(1).filter(|&above| inside(above)).map_or(0, |above| 1 + i64::from(above == 0));
    let below = Some(row + 1)
        .filter(|&below| below < height && inside(below))
        .map_or(0, |below| 1 + i64::from(below + 1 == height));
    if inside(row) {
        WHOLE + above + below
    } else {
        above + below
    }
}

/// Appends the sum of each row over each column of cells.
#[multiversion(targets("x86_64+avx512f+avx512bw+avx512dq+avx512vl+avx2", "x86_64+avx2"))]
fn row_sums_8(
    stripe: &[u8],
    width: usize,
    columns: &[(usize, usize)],
    sums: &mut Vec<[u32; SIGNATURE_COLUMNS]>,
) {
    for row in stripe.chunks_exact(width) {
        let mut line = [0; SIGNATURE_COLUMNS];
        for (sum, &(left, right)) in line.iter_mut().zip(columns) {
            *sum = row[left..right].iter().map(|&sample| u32::from(sample)).sum();
        }
        sums.push(line);
    }
}

/// As [`row_sums_8`] for little-endian samples of two bytes.
#[multiversion(targets("x86_64+avx512f+avx512bw+avx512dq+avx512vl+avx2", "x86_64+avx2"))]
fn row_sums_16(
    stripe: &[u8],
    width: usize,
    columns: &[(usize, usize)],
    sums: &mut Vec<[u32; SIGNATURE_COLUMNS]>,
) {
    for row in stripe.chunks_exact(2 * width) {
        let mut line = [0; SIGNATURE_COLUMNS];
        for (sum, &(left, right)) in line.iter_mut().zip(columns) {
            let samples = row[2 * left..2 * right].chunks_exact(2);
            *sum = samples.map(|sample| u32::from(u16::from_le_bytes([sample[0], sample[1]]))).sum();
        }
        sums.push(line);
    }
}
