//! Where the cells of a signature lie, and how the cells of one picture are made from those of another that shows
//! the same content scaled, cropped, shifted or stretched.

use super::{Signature, CELLS};
use crate::fingerprint::reduced::reduction;
use crate::fingerprint::texture::{has_texture, part_borders};
use crate::fingerprint::{SIGNATURE_COLUMNS, SIGNATURE_ROWS};

/// A cell of the capture is used where at least this share of it lies within the clip: what lies outside is a
/// border whose content is not known, and a black one of a hundredth of a bright cell is a code value or two. Room for
/// what the geometry itself is not known to.
pub(super) const COVERED_MIN: f64 = 0.995;

/// Borders of the signature's cells in parts of the picture, 0 to 1: columns, then rows.
///
/// Cells are whole reduced pixels, so that their borders are not quite evenly spaced and depend on the size.
#[derive(Clone, Debug, PartialEq)]
pub struct Grid {
    columns: Vec<f64>,
    rows: Vec<f64>,
}

impl Grid {
    /// Borders of columns and rows in a picture of which this grid's picture is a part.
    pub fn borders_in(&self, geometry: Geometry) -> [Vec<f64>; 2] {
        let along = |borders: &[f64], axis: usize| {
            borders.iter().map(|border| geometry.scale[axis] * border + geometry.offset[axis]).collect()
        };
        [along(&self.columns, 0), along(&self.rows, 1)]
    }

    /// Which cells of this grid lie within the picture of which theirs is a part.
    pub fn visible_in(&self, geometry: Geometry) -> [bool; CELLS] {
        let whole = Warp::new(self, self, geometry);
        std::array::from_fn(|cell| whole.covered[cell])
    }

    /// The grid with these borders in parts of the picture, columns and rows.
    pub fn of_borders([columns, rows]: [Vec<f64>; 2]) -> Self {
        Self { columns, rows }
    }

    /// The grid of the same picture turned over across and down.
    pub fn mirrored(self, [across, down]: [bool; 2]) -> Self {
        let turned = |borders: Vec<f64>, turn: bool| {
            if turn {
                borders.into_iter().rev().map(|border| 1.0 - border).collect()
            } else {
                borders
            }
        };
        Self { columns: turned(self.columns, across), rows: turned(self.rows, down) }
    }

    /// The grid of the parts of cells that the texture of pictures of so many luma pixels is made from; `None` where they
    /// have none.
    pub fn of_parts(width: u32, height: u32) -> Option<Self> {
        let (width, height) = (width.max(1) as usize, height.max(1) as usize);
        let factor = reduction(width);
        let along = |length: usize, cells: usize| {
            let borders = part_borders(length.div_ceil(factor), cells).into_iter();
            borders.map(|border| (border * factor).min(length) as f64 / length as f64).collect()
        };
        has_texture(width.div_ceil(factor), height.div_ceil(factor))
            .then(|| Self { columns: along(width, SIGNATURE_COLUMNS), rows: along(height, SIGNATURE_ROWS) })
    }

    /// The grid of pictures of so many luma pixels.
    pub fn new(width: u32, height: u32) -> Self {
        let (width, height) = (width.max(1) as usize, height.max(1) as usize);
        let factor = reduction(width);
        Self {
            columns: borders(width, factor, SIGNATURE_COLUMNS),
            rows: borders(height, factor, SIGNATURE_ROWS),
        }
    }
}

/// Borders of `count` cells over `length` pixels that are reduced by `factor`.
fn borders(length: usize, factor: usize, count: usize) -> Vec<f64> {
    let reduced = length.div_ceil(factor);
    let border = |cell: usize| ((cell * reduced / count) * factor).min(length) as f64 / length as f64;
    if reduced < count {
        // Cells of so small a picture overlap; evenly spaced ones are near enough.
        return (0..=count).map(|cell| cell as f64 / count as f64).collect();
    }
    (0..=count).map(border).collect()
}

/// Where the capture's picture lies in the clip's: clip position = scale · capture position + offset, in widths
/// and heights of the picture, across and down.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Geometry {
    /// Part of the clip's width and height that the capture's width and height show.
    pub scale: [f64; 2],
    /// Where the capture's left and upper edge lie in the clip, parts of its width and height.
    pub offset: [f64; 2],
}

impl Geometry {
    /// This one seen through another: where `inner` lies in the picture that this one shows.
    pub fn then(self, inner: Self) -> Self {
        let along = |axis: usize| self.scale[axis] * inner.offset[axis] + self.offset[axis];
        Self { scale: [0, 1].map(|axis| self.scale[axis] * inner.scale[axis]), offset: [0, 1].map(along) }
    }

    /// The capture shows the whole clip.
    pub const SAME: Self = Self { scale: [1.0, 1.0], offset: [0.0, 0.0] };

    /// As much of the clip, from its middle.
    pub fn recentred(self) -> Self {
        Self { offset: self.scale.map(|scale| (1.0 - scale) / 2.0), ..self }
    }

    /// The middle part of the clip, `scale` of its width and height.
    pub fn centred(scale: f64) -> Self {
        Self { scale: [scale; 2], offset: [(1.0 - scale) / 2.0; 2] }
    }
}

/// Makes signatures of the clip as the capture would show them. Linear.
#[derive(Clone, Debug)]
pub struct Warp {
    /// Weight of every clip column in every capture column, and of rows.
    columns: Vec<[f32; SIGNATURE_COLUMNS]>,
    rows: Vec<[f32; SIGNATURE_ROWS]>,
    covered: Vec<bool>,
}

impl Warp {
    /// From the grid of the clip to that of the capture.
    pub fn new(clip: &Grid, capture: &Grid, geometry: Geometry) -> Self {
        let [across, down] = [0, 1].map(|axis| (geometry.scale[axis], geometry.offset[axis]));
        let columns = Axis { clip: &clip.columns, capture: &capture.columns, map: across };
        let rows = Axis { clip: &clip.rows, capture: &capture.rows, map: down };
        let covered = (0..CELLS)
            .map(|cell| {
                columns.covered(cell % SIGNATURE_COLUMNS) * rows.covered(cell / SIGNATURE_COLUMNS)
                    >= COVERED_MIN
            })
            .collect();
        Self { columns: columns.weights(), rows: rows.weights(), covered }
    }

    /// Leaves out cells that hold nothing.
    pub fn within(mut self, visible: &[bool; CELLS]) -> Self {
        self.covered.iter_mut().zip(visible).for_each(|(covered, visible)| *covered &= visible);
        self
    }

    /// Whether each cell of the capture shows the clip and nothing beside it.
    pub fn covered(&self) -> &[bool] {
        &self.covered
    }

    /// The signature, in code values.
    pub fn apply(&self, signature: &Signature) -> [f32; CELLS] {
        let clip = super::code_values(signature);
        let mut half = [0.0; CELLS];
        for (out, line) in half.chunks_exact_mut(SIGNATURE_COLUMNS).zip(clip.chunks_exact(SIGNATURE_COLUMNS))
        {
            for (value, weights) in out.iter_mut().zip(&self.columns) {
                *value = weights.iter().zip(line).map(|(weight, cell)| weight * cell).sum();
            }
        }
        let mut warped = [0.0; CELLS];
        for (out, weights) in warped.chunks_exact_mut(SIGNATURE_COLUMNS).zip(&self.rows) {
            for (line, weight) in half.chunks_exact(SIGNATURE_COLUMNS).zip(weights) {
                out.iter_mut().zip(line).for_each(|(value, cell)| *value += weight * cell);
            }
        }
        warped
    }
}

/// One axis of a warp.
struct Axis<'a> {
    clip: &'a [f64],
    capture: &'a [f64],
    /// Scale and offset.
    map: (f64, f64),
}

impl Axis<'_> {
    /// The place of a capture cell in the clip.
    fn cell(&self, cell: usize) -> (f64, f64) {
        let at = |border: f64| self.map.0 * border + self.map.1;
        (at(self.capture[cell]), at(self.capture[cell + 1]))
    }

    /// Share of a capture cell that lies within the clip.
    fn covered(&self, cell: usize) -> f64 {
        let (from, to) = self.cell(cell);
        ((to.min(1.0) - from.max(0.0)) / (to - from)).max(0.0)
    }

    /// The mean over a capture cell as weights of the clip's cells. Sums of cells up to a border are known exactly;
    /// in between they are interpolated by cubics, so that means over any range follow.
    fn weights<const N: usize>(&self) -> Vec<[f32; N]> {
        (0..self.capture.len() - 1)
            .map(|cell| {
                let (from, to) = self.cell(cell);
                let (from, to) = (from.clamp(0.0, 1.0), to.clamp(0.0, 1.0));
                std::array::from_fn(|source| {
                    if to - from <= f64::EPSILON {
                        return 0.0;
                    }
                    let sum = Sum { borders: self.clip, cell: source };
                    ((sum.at(to) - sum.at(from)) / (to - from)) as f32
                })
            })
            .collect()
    }
}

/// The running sum over cells of which one holds 1 and all others 0.
struct Sum<'a> {
    borders: &'a [f64],
    cell: usize,
}

impl Sum<'_> {
    fn at_border(&self, border: usize) -> f64 {
        if border > self.cell {
            self.borders[self.cell + 1] - self.borders[self.cell]
        } else {
            0.0
        }
    }

    /// Mean slope over a cell.
    fn rise(&self, cell: usize) -> f64 {
        (self.at_border(cell + 1) - self.at_border(cell)) / (self.borders[cell + 1] - self.borders[cell])
    }

    /// Slope at a border: the mean of the cells on both sides; at the ends what a parabola through the means of three
    /// cells of even width leads to, (11 a − 7 b + 2 c) / 6.
    fn slope(&self, border: usize) -> f64 {
        let last = self.borders.len() - 1;
        match border {
            0 => (11.0 * self.rise(0) - 7.0 * self.rise(1) + 2.0 * self.rise(2)) / 6.0,
            _ if border == last => {
                (11.0 * self.rise(last - 1) - 7.0 * self.rise(last - 2) + 2.0 * self.rise(last - 3)) / 6.0
            }
            _ => (self.rise(border - 1) + self.rise(border)) / 2.0,
        }
    }

    /// The sum up to `x`: a cubic between borders with the values and slopes of both (Hermite form).
    fn at(&self, x: f64) -> f64 {
        let last = self.borders.len() - 1;
        let cell = self.borders.partition_point(|&border| border <= x).clamp(1, last) - 1;
        let width = self.borders[cell + 1] - self.borders[cell];
        let t = (x - self.borders[cell]) / width;
        let (t2, t3) = (t * t, t * t * t);
        (2.0 * t3 - 3.0 * t2 + 1.0) * self.at_border(cell)
            + (t3 - 2.0 * t2 + t) * width * self.slope(cell)
            + (3.0 * t2 - 2.0 * t3) * self.at_border(cell + 1)
            + (t3 - t2) * width * self.slope(cell + 1)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::fingerprint::FIXED_POINT;

    /// Cell means of a smooth scene seen through a window of the clip.
    fn seen(grid: &Grid, geometry: Geometry) -> [f32; CELLS] {
        const FINE: usize = 16;
        let value = |x: f64, y: f64| 120.0 + 60.0 * (5.0 * x + 1.0).sin() * (4.0 * y).cos() + 20.0 * x;
        std::array::from_fn(|cell| {
            let (column, row) = (cell % SIGNATURE_COLUMNS, cell / SIGNATURE_COLUMNS);
            let place = |borders: &[f64], at: usize, part: usize, axis: usize| {
                let x = borders[at] + (borders[at + 1] - borders[at]) * (part as f64 + 0.5) / FINE as f64;
                geometry.scale[axis] * x + geometry.offset[axis]
            };
            let mut sum = 0.0;
            for part in 0..FINE * FINE {
                sum += value(
                    place(&grid.columns, column, part % FINE, 0),
                    place(&grid.rows, row, part / FINE, 1),
                );
            }
            (sum / (FINE * FINE) as f64) as f32
        })
    }

    #[test]
    fn a_window_of_the_clip_is_made_from_its_cells() {
        let clip = Grid::new(1920, 1080);
        let whole = seen(&clip, Geometry::SAME);
        let signature: Signature = std::array::from_fn(|cell| (whole[cell] * FIXED_POINT).round() as u16);
        for (width, height, geometry, within) in [
            (1920, 1080, Geometry::SAME, 0.02),
            (854, 480, Geometry::SAME, 0.2),
            (3840, 2160, Geometry::SAME, 0.2),
            (1920, 1080, Geometry::centred(0.9), 2.0),
            (720, 480, Geometry { scale: [0.95, 1.0], offset: [0.01, 0.004] }, 2.0),
        ] {
            let capture = Grid::new(width, height);
            let warp = Warp::new(&clip, &capture, geometry);
            let (made, wanted) = (warp.apply(&signature), seen(&capture, geometry));
            for cell in (0..CELLS).filter(|&cell| warp.covered()[cell]) {
                let off = (made[cell] - wanted[cell]).abs();
                assert!(off <= within, "{width}x{height} {geometry:?} cell {cell}: {off}");
            }
        }
    }

    #[test]
    fn cells_beside_the_clip_are_not_covered() {
        let grid = Grid::new(1920, 1080);
        let warp = Warp::new(&grid, &grid, Geometry { scale: [1.0, 1.0], offset: [-0.02, 0.0] });
        let uncovered: Vec<usize> = (0..CELLS).filter(|&cell| !warp.covered()[cell]).collect();
        assert_eq!(uncovered, (0..SIGNATURE_ROWS).map(|row| row * SIGNATURE_COLUMNS).collect::<Vec<_>>());
    }
}
