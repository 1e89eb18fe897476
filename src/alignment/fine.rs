//! Some pictures of the clip in finer cells than signatures have: with these a window that a capture shows is made
//! without knowing it before, so that a shift of a part of a cell is found by the detail within the cells.

use std::collections::BTreeMap;

use super::fit::{Clip, Fitter, Freedom, Pair, Start, BENT_BETTER};
use super::grid::{Geometry, COVERED_MIN};
use super::{Levels, SignatureSequence, SourcePlace, CELLS};
use crate::fingerprint::{FIXED_POINT, SIGNATURE_COLUMNS, SIGNATURE_ROWS};

/// Parts of a cell in either direction. Choice: half a fine cell more or less at an edge is a sixteenth of a cell.
const PARTS: usize = 8;
/// Columns of fine cells.
pub const FINE_COLUMNS: usize = PARTS * SIGNATURE_COLUMNS;
/// Rows of fine cells.
pub const FINE_ROWS: usize = PARTS * SIGNATURE_ROWS;

/// Largest value of a cell.
const CELL_MAX: u16 = 255 * FIXED_POINT as u16 + FIXED_POINT as u16 - 1;

/// Frames that a geometry is found by: many more would say the same again.
const FRAMES: usize = 48;
/// Pictures on each side of a frame's place, which is known only as well as the geometry before.
const AROUND: usize = 5;

/// Frames of a capture that a geometry may be found by, with their places.
#[derive(Clone, Debug)]
pub struct Stations(Vec<Pair>);

impl Stations {
    /// Some frames from all over an aligned capture.
    pub fn of(places: &[SourcePlace]) -> Self {
        let known = places.iter().enumerate().filter_map(|(capture, &place)| {
            let (first, last) = super::settle::range(place)?;
            Some(Pair { capture, clip: first.midpoint(last) as usize, weight: 0.0 })
        });
        let known: Vec<Pair> = known.collect();
        let every = known.len().div_ceil(FRAMES).max(1);
        Self(known.into_iter().step_by(every).collect())
    }

    /// Pictures of a clip of so many that are needed in fine cells, rising.
    pub fn wanted(&self, pictures: usize) -> Vec<usize> {
        let around = |pair: &Pair| pair.clip.saturating_sub(AROUND)..(pair.clip + AROUND + 1).min(pictures);
        let mut wanted: Vec<usize> = self.0.iter().flat_map(around).collect();
        wanted.sort_unstable();
        wanted.dedup();
        wanted
    }
}

/// Pictures in fine cells that are evenly spread over the picture, by their number in the clip; row by row, in
/// `1 / FIXED_POINT` code values.
#[derive(Clone, Debug, Default)]
pub struct FinePictures {
    /// The pictures.
    pub pictures: BTreeMap<usize, Vec<u16>>,
}

impl FinePictures {
    /// The picture, or the nearest before or after it that is there.
    fn nearest(&self, picture: usize) -> Option<&[u16]> {
        let before = self.pictures.range(..=picture).next_back();
        before.or_else(|| self.pictures.range(picture..).next()).map(|(_, cells)| &cells[..])
    }

    /// Geometry and levels between a capture and these pictures, from a geometry that is roughly right.
    pub fn geometry(
        &self,
        capture: &SignatureSequence<'_>,
        stations: &Stations,
        from: Geometry,
    ) -> (Geometry, Levels) {
        let freedom = Freedom { around: AROUND, every: 1 };
        fn fitter<'a>(
            capture: &'a SignatureSequence<'a>,
            fine: &'a FinePictures,
            pairs: &'a [Pair],
            freedom: Freedom,
        ) -> Fitter<'a> {
            Fitter { capture, clip: Clip::Fine(fine), pairs, freedom }
        }
        let own = fitter(capture, self, &stations.0, freedom);
        let (geometry, levels) = own.geometry(Start::near(from));
        let error = |power: f64| {
            let curved = self.raised(power);
            fitter(capture, &curved, &stations.0, freedom).straight_error(geometry)
        };
        let power = least(POWERS, error);
        if error(power) >= BENT_BETTER * own.straight_error(geometry) {
            return (geometry, levels);
        }
        let curved = self.raised(power);
        let (geometry, straight) =
            fitter(capture, &curved, &stations.0, freedom).geometry(Start::fitted(geometry));
        let values = |value: f64| straight.apply(raised(value, power));
        (geometry, Levels::of_curve(values, self.range()).unwrap_or(levels))
    }

    /// The pictures after a curve of this power.
    fn raised(&self, power: f64) -> Self {
        let table: Vec<u16> = (0..=CELL_MAX)
            .map(|cell| {
                (raised(f64::from(cell) / f64::from(FIXED_POINT), power) * f64::from(FIXED_POINT)).round()
                    as u16
            })
            .collect();
        let of = |cells: &Vec<u16>| {
            cells.iter().map(|&cell| table[usize::from(cell).min(table.len() - 1)]).collect()
        };
        Self { pictures: self.pictures.iter().map(|(&at, cells)| (at, of(cells))).collect() }
    }

    /// Darkest and brightest code value at 8 bit over which levels matter.
    fn range(&self) -> (f64, f64) {
        let cells = || self.pictures.values().flatten().map(|&cell| f64::from(cell) / f64::from(FIXED_POINT));
        let (low, high) = (cells().fold(f64::INFINITY, f64::min), cells().fold(0.0, f64::max));
        ((low - BEYOND).max(0.0), (high + BEYOND).min(255.0))
    }
}

/// Code values that samples may lie beyond the means of fine cells. Choice.
const BEYOND: f64 = 24.0;

/// Least and greatest power of a curve of levels that is looked for: what picture controls reach. Choice.
const POWERS: (f64, f64) = (0.5, 2.0);
/// Times that a third of that range is given up, on a logarithmic scale: what is left is a twentieth.
const POWER_STEPS: u32 = 8;
/// Nominal black and white at 8 bit (ITU-R BT.601), between which devices apply a power.
const NOMINAL: (f64, f64) = (16.0, 235.0);

/// A code value after a curve of this power between black and white; beyond these unchanged.
fn raised(value: f64, power: f64) -> f64 {
    let (black, white) = NOMINAL;
    let share = (value - black) / (white - black);
    if (0.0..=1.0).contains(&share) {
        black + (white - black) * share.powf(power)
    } else {
        value
    }
}

/// Where a function with one least value is least, between two limits on a logarithmic scale: by thirds.
fn least((low, high): (f64, f64), of: impl Fn(f64) -> f64) -> f64 {
    let (mut low, mut high) = (low.ln(), high.ln());
    for _ in 0..POWER_STEPS {
        let third = (high - low) / 3.0;
        if of((low + third).exp()) < of((high - third).exp()) {
            high -= third;
        } else {
            low += third;
        }
    }
    ((low + high) / 2.0).exp()
}

/// Makes cells of a capture from fine ones.
pub(super) struct FineWarp {
    columns: Vec<Run>,
    rows: Vec<Run>,
    covered: Vec<bool>,
}

/// Fine columns or rows under one of the capture's, with their shares.
struct Run {
    first: usize,
    shares: Vec<f32>,
    /// Share of the capture's that lies within the clip.
    within: f64,
}

impl FineWarp {
    pub fn new(capture: &SignatureSequence<'_>, geometry: Geometry) -> Self {
        let [columns, rows] = capture.grid.borders_in(geometry);
        let (columns, rows) = (runs(&columns, FINE_COLUMNS), runs(&rows, FINE_ROWS));
        let covered = (0..CELLS)
            .map(|cell| {
                let within = columns[cell % SIGNATURE_COLUMNS].within * rows[cell / SIGNATURE_COLUMNS].within;
                within >= COVERED_MIN && capture.visible[cell]
            })
            .collect();
        Self { columns, rows, covered }
    }

    pub fn covered(&self) -> &[bool] {
        &self.covered
    }

    /// A picture as the capture shows it, in code values.
    pub fn apply(&self, pictures: &FinePictures, picture: usize) -> [f32; CELLS] {
        let mut cells = [0.0; CELLS];
        let Some(fine) = pictures.nearest(picture) else { return cells };
        for (out, row) in cells.chunks_exact_mut(SIGNATURE_COLUMNS).zip(&self.rows) {
            let lines = fine.chunks_exact(FINE_COLUMNS).skip(row.first);
            for (line, share) in lines.zip(&row.shares) {
                for (cell, column) in out.iter_mut().zip(&self.columns) {
                    let values = line[column.first..].iter().zip(&column.shares);
                    let sum: f32 = values.map(|(&value, share)| f32::from(value) * share).sum();
                    *cell += share * sum / FIXED_POINT;
                }
            }
        }
        cells
    }
}

/// For each of the capture's columns or rows between borders in parts of the clip's picture, the fine ones under it.
fn runs(borders: &[f64], count: usize) -> Vec<Run> {
    borders
        .windows(2)
        .map(|pair| {
            let length = pair[1] - pair[0];
            let [from, to] = [pair[0], pair[1]].map(|border| border.clamp(0.0, 1.0) * count as f64);
            let first = (from as usize).min(count - 1);
            let end = (to.ceil() as usize).clamp(first + 1, count);
            let share = |at: usize| {
                let overlap = (to.min(at as f64 + 1.0) - from.max(at as f64)).max(0.0);
                (overlap / (to - from).max(f64::EPSILON)) as f32
            };
            let within = (to - from) / count as f64 / length.max(f64::EPSILON);
            Run { first, shares: (first..end).map(share).collect(), within }
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::super::grid::Grid;
    use super::super::Signature;
    use super::*;

    /// A texture with detail far below a cell, moving slowly.
    fn value(x: f64, y: f64, picture: usize) -> f64 {
        let shift = picture as f64 * 0.002;
        let wave = |a: f64, b: f64| ((a * (x + shift) + b * y) * std::f64::consts::TAU).sin();
        120.0
            + 25.0 * wave(3.0, 1.0)
            + 20.0 * wave(11.0, -7.0)
            + 18.0 * wave(23.0, 9.0)
            + 15.0 * wave(5.0, 17.0)
    }

    /// Cell means over borders.
    fn means([columns, rows]: [Vec<f64>; 2], picture: usize) -> Vec<u16> {
        const POINTS: usize = 6;
        let mut cells = Vec::new();
        for row in rows.windows(2) {
            for column in columns.windows(2) {
                let at = |pair: &[f64], part: usize| {
                    pair[0] + (pair[1] - pair[0]) * (part as f64 + 0.5) / POINTS as f64
                };
                let sum: f64 = (0..POINTS * POINTS)
                    .map(|part| value(at(column, part % POINTS), at(row, part / POINTS), picture))
                    .sum();
                cells.push((sum / (POINTS * POINTS) as f64 * 64.0).round() as u16);
            }
        }
        cells
    }

    #[test]
    fn a_shift_of_a_part_of_a_cell_is_found() {
        let wanted = Geometry { scale: [1.01, 0.99], offset: [-0.009, 0.006] };
        let grid = Grid::new(960, 540);
        let signatures: Vec<Signature> =
            (0..60).map(|picture| means(grid.borders_in(wanted), picture).try_into().unwrap()).collect();
        let capture = SignatureSequence {
            signatures: &signatures,
            same_as_before: &[],
            grid: grid.clone(),
            textures: &[],
            parts: None,
            visible: [true; CELLS],
            rate_hz: 60.0,
            mixes: false,
            lossy: false,
            moves: &[],
            differences: &[],
        };
        // Places that are two pictures off, as they come out where the shift is not known.
        let places: Vec<SourcePlace> = (0..60).map(|at| SourcePlace::Picture((at + 2).min(59))).collect();
        let stations = Stations::of(&places);
        let even = |count: usize| (0..=count).map(|at| at as f64 / count as f64).collect::<Vec<_>>();
        let of = |picture: usize| (picture, means([even(FINE_COLUMNS), even(FINE_ROWS)], picture));
        let fine = FinePictures { pictures: stations.wanted(60).into_iter().map(of).collect() };
        let (found, levels) = fine.geometry(&capture, &stations, Geometry::SAME);
        for axis in [0, 1] {
            // At the edges of the picture, to a twentieth of a cell.
            for edge in [0.0, 1.0] {
                let at = |geometry: Geometry| geometry.scale[axis] * edge + geometry.offset[axis];
                assert!((at(found) - at(wanted)).abs() < 0.005, "{found:?}");
            }
        }
        assert!((levels.gain - 1.0).abs() < 0.02, "{levels:?}");
    }

    #[test]
    fn the_least_of_a_curve_is_found() {
        for wanted in [0.6, 0.77, 1.0, 1.3, 1.8f64] {
            let found = least(POWERS, |power| (power.ln() - wanted.ln()).abs());
            assert!((found / wanted).ln().abs() < 0.06, "{wanted}: {found}");
        }
    }
}
