//! A picture of the clip in small cells, summed so that the mean over any window is a few steps.

use crate::alignment::CELLS;
use crate::fingerprint::{FIXED_POINT, SIGNATURE_COLUMNS, SIGNATURE_ROWS};

/// Columns and rows of luma cells: those of reduced pictures, so that the cells of a picture that is shown whole are sums of
/// them.
pub const LUMA_CELLS: (usize, usize) = (40 * SIGNATURE_COLUMNS, 34 * SIGNATURE_ROWS);
/// The same of colour differences.
pub const CHROMA_CELLS: (usize, usize) = (LUMA_CELLS.0 / 2, LUMA_CELLS.1 / 2);
/// Values that a cell may have, in `1 / FIXED_POINT` code values at 8 bit.
const VALUES: usize = 256 * FIXED_POINT as usize;

/// A picture of the clip in cells that are evenly spread over it, row by row, in `1 / FIXED_POINT` code values at 8 bit.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Detail {
    /// [`LUMA_CELLS`] of luma.
    pub luma: Vec<u16>,
    /// [`CHROMA_CELLS`] of Cb and Cr; empty where there are none.
    pub chroma: [Vec<u16>; 2],
}

impl Detail {
    /// Turned over across and down.
    pub fn mirrored(mut self, mirrored: [bool; 2]) -> Self {
        turn(&mut self.luma, LUMA_CELLS.0, mirrored);
        self.chroma.iter_mut().for_each(|plane| turn(plane, CHROMA_CELLS.0, mirrored));
        self
    }

    /// Luma after a curve, with parts of the colour differences added before it: `table` has a value for every cell value.
    pub(super) fn luma(&self, colour: [f64; 2], table: &[f32]) -> Sums {
        let value = |cell: u16| table[usize::from(cell).min(table.len() - 1)];
        if colour == [0.0; 2] || self.chroma[1].is_empty() {
            return Sums::new(LUMA_CELLS, |at| value(self.luma[at]));
        }
        let grey = f64::from(GREY * FIXED_POINT);
        Sums::new(LUMA_CELLS, |at| {
            let (column, row) = (at % LUMA_CELLS.0, at / LUMA_CELLS.0);
            let chroma = row / 2 * CHROMA_CELLS.0 + column / 2;
            let added: f64 =
                (0..2).map(|plane| colour[plane] * (f64::from(self.chroma[plane][chroma]) - grey)).sum();
            value((f64::from(self.luma[at]) + added).clamp(0.0, (VALUES - 1) as f64) as u16)
        })
    }

    /// Colour differences from grey.
    pub(super) fn chroma(&self) -> Option<[Sums; 2]> {
        let plane = |at: usize| {
            let cells = &self.chroma[at];
            (!cells.is_empty())
                .then(|| Sums::new(CHROMA_CELLS, |cell| f32::from(cells[cell]) / FIXED_POINT - GREY))
        };
        plane(0).zip(plane(1)).map(|(blue, red)| [blue, red])
    }
}

/// No colour, code value at 8 bit (ITU-R BT.601).
pub(super) const GREY: f32 = 128.0;

/// Turns cells over across and down, row by row of so many.
pub fn turn(cells: &mut [u16], columns: usize, [across, down]: [bool; 2]) {
    let columns = columns.max(1);
    if across {
        cells.chunks_exact_mut(columns).for_each(<[u16]>::reverse);
    }
    if down {
        // Turned all around, and each row back.
        cells.reverse();
        cells.chunks_exact_mut(columns).for_each(<[u16]>::reverse);
    }
}

/// A curve as a table over every value a cell may have.
pub(super) fn table(of: impl Fn(f64) -> f64) -> Vec<f32> {
    (0..VALUES).map(|cell| of(cell as f64 / f64::from(FIXED_POINT)) as f32).collect()
}

/// Running sums over cells.
#[derive(Clone, Debug)]
pub(super) struct Sums {
    columns: usize,
    rows: usize,
    /// One more column and row than cells: sums over all cells left of and above a corner.
    sums: Vec<f64>,
}

/// Borders of the cells of a capture in parts of the clip's picture, columns and rows.
pub(super) type Borders = [Vec<f64>; 2];

impl Sums {
    fn new((columns, rows): (usize, usize), value: impl Fn(usize) -> f32) -> Self {
        let stride = columns + 1;
        let mut sums = vec![0.0; stride * (rows + 1)];
        for row in 0..rows {
            let mut line = 0.0;
            for column in 0..columns {
                line += f64::from(value(row * columns + column));
                sums[(row + 1) * stride + column + 1] = sums[row * stride + column + 1] + line;
            }
        }
        Self { columns, rows, sums }
    }

    /// The sum left of and above a place, cells cut by it in part.
    fn at(&self, x: f64, y: f64) -> f64 {
        let stride = self.columns + 1;
        let split = |place: f64, count: usize| {
            let whole = (place as usize).min(count - 1);
            (whole, place - whole as f64)
        };
        let ((column, across), (row, down)) = (split(x, self.columns), split(y, self.rows));
        let at = row * stride + column;
        let upper = self.sums[at] + across * (self.sums[at + 1] - self.sums[at]);
        let lower = self.sums[at + stride] + across * (self.sums[at + stride + 1] - self.sums[at + stride]);
        upper + down * (lower - upper)
    }

    /// The mean of what lies of each cell within the picture; 0 where nothing does.
    pub fn means(&self, [columns, rows]: &Borders) -> [f64; CELLS] {
        let scaled = |borders: &[f64], count: usize| -> Vec<f64> {
            borders.iter().map(|border| border.clamp(0.0, 1.0) * count as f64).collect()
        };
        let (xs, ys) = (scaled(columns, self.columns), scaled(rows, self.rows));
        let corners: Vec<Vec<f64>> =
            ys.iter().map(|&y| xs.iter().map(|&x| self.at(x, y)).collect()).collect();
        std::array::from_fn(|cell| {
            let (column, row) = (cell % SIGNATURE_COLUMNS, cell / SIGNATURE_COLUMNS);
            let area = (xs[column + 1] - xs[column]) * (ys[row + 1] - ys[row]);
            let sum = corners[row + 1][column + 1] - corners[row][column + 1] - corners[row + 1][column]
                + corners[row][column];
            if area > 0.0 {
                sum / area
            } else {
                0.0
            }
        })
    }
}

/// Share of each cell that lies within the picture.
pub(super) fn within([columns, rows]: &Borders) -> [f64; CELLS] {
    let share = |borders: &[f64], at: usize| {
        let (from, to) = (borders[at], borders[at + 1]);
        ((to.min(1.0) - from.max(0.0)) / (to - from).max(f64::EPSILON)).max(0.0)
    };
    std::array::from_fn(|cell| {
        share(columns, cell % SIGNATURE_COLUMNS) * share(rows, cell / SIGNATURE_COLUMNS)
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    fn even(count: usize, from: f64, to: f64) -> Vec<f64> {
        (0..=count).map(|at| from + (to - from) * at as f64 / count as f64).collect()
    }

    #[test]
    fn means_over_any_window_are_those_of_its_cells() {
        // A slope across and down: the mean of a window is the value in its middle.
        let value = |at: usize| (at % LUMA_CELLS.0) as f32 * 0.1 + (at / LUMA_CELLS.0) as f32 * 0.2;
        let sums = Sums::new(LUMA_CELLS, value);
        for (left, right, top, bottom) in [(0.0, 1.0, 0.0, 1.0), (0.1, 0.83, 0.2, 0.951)] {
            let borders = [even(SIGNATURE_COLUMNS, left, right), even(SIGNATURE_ROWS, top, bottom)];
            for (cell, mean) in sums.means(&borders).into_iter().enumerate() {
                let middle = |borders: &[f64], at: usize, count: usize| {
                    (borders[at] + borders[at + 1]) / 2.0 * count as f64 - 0.5
                };
                let x = middle(&borders[0], cell % SIGNATURE_COLUMNS, LUMA_CELLS.0);
                let y = middle(&borders[1], cell / SIGNATURE_COLUMNS, LUMA_CELLS.1);
                // Steps of a cell: off by no more than one of them.
                assert!((mean - (0.1 * x + 0.2 * y)).abs() < 0.01, "{cell}: {mean}");
            }
        }
    }

    #[test]
    fn what_lies_outside_is_left_out() {
        let sums = Sums::new(CHROMA_CELLS, |_| 7.0);
        let borders = [even(SIGNATURE_COLUMNS, -0.5, 0.5), even(SIGNATURE_ROWS, 0.0, 1.0)];
        let (means, within) = (sums.means(&borders), within(&borders));
        for cell in 0..CELLS {
            let inside = cell % SIGNATURE_COLUMNS >= SIGNATURE_COLUMNS / 2;
            assert!((means[cell] - if inside { 7.0 } else { 0.0 }).abs() < 1e-9);
            assert!((within[cell] - f64::from(u8::from(inside))).abs() < 1e-9);
        }
    }

    #[test]
    fn mirrored_twice_is_the_same() {
        let cells =
            |(columns, rows): (usize, usize)| (0..columns * rows).map(|at| (at % 9973) as u16).collect();
        let detail = Detail { luma: cells(LUMA_CELLS), chroma: [cells(CHROMA_CELLS), cells(CHROMA_CELLS)] };
        for mirrored in [[true, false], [false, true], [true, true]] {
            let turned = detail.clone().mirrored(mirrored);
            let at = |cells: &[u16], x: usize, y: usize| cells[y * LUMA_CELLS.0 + x];
            let (x, y) = (
                if mirrored[0] { LUMA_CELLS.0 - 1 - 5 } else { 5 },
                if mirrored[1] { LUMA_CELLS.1 - 1 - 3 } else { 3 },
            );
            assert_eq!(at(&turned.luma, x, y), at(&detail.luma, 5, 3));
            assert_eq!(turned.mirrored(mirrored), detail);
        }
    }
}
