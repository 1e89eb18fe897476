//! What lies between clip and capture: geometry, levels and noise, fitted to pairs of pictures that show the same.

use super::grid::{Geometry, Warp};
use super::{code_values, Film, CELLS};

/// Share of the cells that a fit may leave out: those it fits worst. An overlay of 10 % of the picture touches up to
/// twice as many cells as it covers.
const LEFT_OUT_SHARE: f64 = 0.25;

/// Rounds of leaving out cells and fitting the levels to the others: what covers a part of the picture pulls at the
/// first fit, hardly at the third.
const LEAVING_OUT_ROUNDS: usize = 3;

/// Smallest error assumed in a cell, code values: rounding of two signatures to 1/64 and of the samples below.
pub(super) const SIGMA_MIN: f32 = 0.012;

/// A median absolute deviation times this is a standard deviation, for normal errors (its known constant, 1/Φ⁻¹(¾)).
const DEVIATIONS_PER_MAD: f32 = 1.4826;

/// A geometry is taken only where it leaves at most this share of the error that the unchanged picture leaves: motion over a plain pan is the same as a shift, and then no shift is the better guess. Choice.
const BETTER_THAN_SAME: f64 = 0.9;

/// Steps of the search for the geometry, parts of the picture, from coarse to fine.
const STEPS: [f64; 8] = [0.03, 0.015, 0.007, 0.0035, 0.0017, 0.0008, 0.0004, 0.0002];

/// Rounds at one step: more would be a better start's matter.
const ROUNDS_MAX: usize = 6;

/// Least gain of a step, as a share of the error.
const GAIN_MIN: f64 = 0.002;

/// A bent curve leaves at most this share of the error that a straight line leaves. Choice.
const BENT_BETTER: f64 = 0.85;

/// Pairs from which the curve of the levels is fitted besides gain and offset.
const CURVE_PAIRS_MIN: usize = 30;

/// Range of code values at 8 bit.
const CODE_RANGE: f64 = 255.0;

/// A frame of the capture and what it shows of the clip.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Pair {
    pub capture: usize,
    pub clip: usize,
    /// Weight of the picture after `clip`; 0 where the frame shows `clip` alone.
    pub weight: f32,
}

/// How far from the pairs a frame's picture may be: motion and a shift of the picture look alike, so that a
/// geometry must be tried together with the pictures it leads to.
#[derive(Clone, Copy)]
pub(super) struct Freedom {
    /// Pictures tried on each side of a pair's.
    pub around: usize,
    /// Pictures from one that is tried to the next.
    pub every: usize,
}

impl Freedom {
    /// The pairs are right.
    pub const NONE: Self = Self { around: 0, every: 1 };
}

/// How code values of the capture follow from those of the clip:
/// offset + gain · v + bend · 4v(255 − v)/255² + skew · 12√3 · v(255 − v)(v − 127.5)/255³, where the factors make
/// bend and skew the largest deviations from a straight line.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Levels {
    /// Factor.
    pub gain: f64,
    /// Code values at 8 bit added.
    pub offset: f64,
    /// Code values that the middle of the range is raised beyond a straight line, at 8 bit.
    pub bend: f64,
    /// Code values that the upper half is raised and the lower one is sunk, at most, at 8 bit.
    pub skew: f64,
}

impl Levels {
    /// Levels unchanged.
    pub const SAME: Self = Self { gain: 1.0, offset: 0.0, bend: 0.0, skew: 0.0 };

    /// The capture's code value for one of the clip.
    pub fn apply(self, value: f64) -> f64 {
        let [_, _, bend, skew] = basis(value);
        self.offset + self.gain * value + self.bend * bend + self.skew * skew
    }
}

/// What the terms of the levels are multiplied by.
fn basis(value: f64) -> [f64; TERMS] {
    let x = value / CODE_RANGE;
    let bend = 4.0 * x * (1.0 - x);
    [1.0, value, bend, 3.0 * 3f64.sqrt() * bend * (x - 0.5)]
}

/// Terms of the levels: offset, gain, bend, skew.
const TERMS: usize = 4;

/// Everything that turns signatures of the clip into those of the capture, and how far off each cell is.
#[derive(Clone, Debug)]
pub(super) struct Model {
    pub geometry: Geometry,
    pub levels: Levels,
    warp: Warp,
    /// Standard deviation of each cell, code values; infinite where it shows no clip.
    pub sigma: [f32; CELLS],
    /// Square error that is left, as a share of the variance of the capture's cells; cells that fit worst aside.
    pub unexplained: f64,
}

impl Model {
    /// A picture of the clip as the capture shows it, in deviations of each cell.
    pub fn clip(&self, signature: &super::Signature) -> [f32; CELLS] {
        let mut cells = self.warp.apply(signature);
        for (cell, sigma) in cells.iter_mut().zip(&self.sigma) {
            *cell = self.levels.apply(f64::from(*cell)) as f32 / sigma;
        }
        cells
    }

    /// A picture of the capture, likewise.
    pub fn capture(&self, signature: &super::Signature) -> [f32; CELLS] {
        let mut cells = code_values(signature);
        cells.iter_mut().zip(&self.sigma).for_each(|(cell, sigma)| *cell /= sigma);
        cells
    }

    /// Typical deviation of a cell, code values.
    pub fn typical_sigma(&self) -> f32 {
        median(&mut self.sigma.iter().copied().filter(|sigma| sigma.is_finite()).collect::<Vec<_>>())
    }

    /// Cells that count.
    pub fn cells(&self) -> usize {
        self.sigma.iter().filter(|sigma| sigma.is_finite()).count()
    }
}

/// The fitter: which films, and the pairs in them.
pub(super) struct Fitter<'a> {
    pub capture: &'a Film<'a>,
    pub clip: &'a Film<'a>,
    pub pairs: &'a [Pair],
    pub freedom: Freedom,
}

/// How the search for a geometry begins.
#[derive(Clone, Copy)]
pub(super) struct Start {
    pub geometry: Geometry,
    /// First step of [`STEPS`].
    pub step: usize,
}

impl Start {
    /// From a geometry that is only roughly right.
    pub fn rough(geometry: Geometry) -> Self {
        Self { geometry, step: 0 }
    }

    /// From a geometry that was fitted before.
    pub fn fitted(geometry: Geometry) -> Self {
        Self { geometry, step: 3 }
    }
}

impl Fitter<'_> {
    /// The model that fits the pairs best.
    pub fn fit(&self, start: Start) -> Model {
        let curve = self.curve(start.geometry);
        let same = self.tried(Geometry::SAME, curve);
        let mut best = self.tried(start.geometry, curve);
        for step in &STEPS[start.step..] {
            for _ in 0..ROUNDS_MAX {
                let before = best.cost;
                for (axis, kind) in [(0, 0), (0, 1), (1, 0), (1, 1)] {
                    for sign in [-1.0, 1.0] {
                        let next = self.tried(moved(best.geometry, axis, kind, sign * step), curve);
                        if next.cost < best.cost * (1.0 - GAIN_MIN) {
                            best = next;
                        }
                    }
                }
                if best.cost >= before * (1.0 - GAIN_MIN) {
                    break;
                }
            }
        }
        if best.cost > BETTER_THAN_SAME * same.cost {
            best = same;
        }
        let curve = self.curve(best.geometry);
        self.model(self.tried(best.geometry, curve), curve)
    }

    /// Fits the levels under a geometry.
    fn tried(&self, geometry: Geometry, curve: Curve) -> Trial {
        let warp = Warp::new(&self.clip.grid, &self.capture.grid, geometry)
            .within(&self.clip.visible)
            .within(&self.capture.visible);
        let seen: Vec<([f32; CELLS], [f32; CELLS])> = self
            .pairs
            .iter()
            .map(|&pair| {
                let capture = code_values(&self.capture.signatures[pair.capture]);
                (self.likest(&warp, pair, &capture), capture)
            })
            .collect();
        let mut used = warp.covered().to_vec();
        let mut levels = fitted_levels(&seen, &used, curve);
        for _ in 0..LEAVING_OUT_ROUNDS {
            used.copy_from_slice(warp.covered());
            leave_out_worst(&seen, levels, &mut used);
            levels = fitted_levels(&seen, &used, curve);
        }
        let covered = warp.covered().iter().filter(|&&covered| covered).count();
        // Fewer cells fit by chance more easily.
        let cost = typical_error(&seen, &used, levels) * (CELLS as f64 / covered.max(1) as f64).sqrt();
        Trial { geometry, warp, seen, used, cost }
    }

    /// A bent curve where it fits clearly better: more terms always fit a little better.
    fn curve(&self, geometry: Geometry) -> Curve {
        let cost = |curve| self.tried(geometry, curve).cost;
        let enough = self.pairs.len() >= CURVE_PAIRS_MIN;
        if enough && cost(Curve::Bent) < BENT_BETTER * cost(Curve::Straight) {
            Curve::Bent
        } else {
            Curve::Straight
        }
    }

    /// The picture of the clip around a pair's that is most like a frame, before levels.
    fn likest(&self, warp: &Warp, pair: Pair, capture: &[f32; CELLS]) -> [f32; CELLS] {
        let Freedom { around, every } = self.freedom;
        if around == 0 {
            return self.shown(warp, pair);
        }
        let last = self.clip.signatures.len() - 1;
        let steps = (around / every) as isize;
        (-steps..=steps)
            .map(|step| pair.clip.saturating_add_signed(step * every as isize).min(last))
            .map(|clip| self.shown(warp, Pair { clip, weight: 0.0, ..pair }))
            .map(|cells| (correlation(&cells, capture, warp.covered()), cells))
            .max_by(|a, b| a.0.total_cmp(&b.0))
            .map_or_else(|| self.shown(warp, pair), |(_, cells)| cells)
    }

    /// What a frame should look like, before levels.
    fn shown(&self, warp: &Warp, pair: Pair) -> [f32; CELLS] {
        let mut cells = warp.apply(&self.clip.signatures[pair.clip]);
        if let (true, Some(next)) = (pair.weight > 0.0, self.clip.signatures.get(pair.clip + 1)) {
            let next = warp.apply(next);
            cells.iter_mut().zip(&next).for_each(|(cell, next)| *cell += pair.weight * (next - *cell));
        }
        cells
    }

    fn model(&self, trial: Trial, curve: Curve) -> Model {
        let Trial { geometry, warp, seen, used, .. } = trial;
        let levels = fitted_levels(&seen, &used, curve);
        let covered = warp.covered();
        let sigma = std::array::from_fn(|cell| {
            if !covered[cell] {
                return f32::INFINITY;
            }
            let mut errors: Vec<f32> =
                seen.iter().map(|(clip, capture)| error(levels, clip[cell], capture[cell]).abs()).collect();
            (DEVIATIONS_PER_MAD * median(&mut errors)).max(SIGMA_MIN)
        });
        let unexplained = unexplained(&seen, &used, levels);
        Model { geometry, levels, warp, sigma, unexplained }
    }
}

/// A geometry with what it gives.
struct Trial {
    geometry: Geometry,
    warp: Warp,
    /// Pictures of the clip as the geometry shows them, and the capture's.
    seen: Vec<([f32; CELLS], [f32; CELLS])>,
    used: Vec<bool>,
    cost: f64,
}

/// A geometry with one number changed: kind 0 is the size about the middle, 1 the place.
fn moved(geometry: Geometry, axis: usize, kind: usize, by: f64) -> Geometry {
    let mut next = geometry;
    if kind == 0 {
        next.scale[axis] += by;
        next.offset[axis] -= by / 2.0;
    } else {
        next.offset[axis] += by;
    }
    next
}

fn error(levels: Levels, clip: f32, capture: f32) -> f32 {
    capture - levels.apply(f64::from(clip)) as f32
}

/// Correlation over the covered cells.
fn correlation(a: &[f32; CELLS], b: &[f32; CELLS], covered: &[bool]) -> f32 {
    let mut sums = [0.0f32; 6];
    for cell in 0..CELLS {
        let counts = f32::from(u8::from(covered[cell]));
        let (a, b) = (a[cell], b[cell]);
        for (sum, value) in sums.iter_mut().zip([1.0, a, b, a * a, b * b, a * b]) {
            *sum += counts * value;
        }
    }
    let [count, a, b, aa, bb, ab] = sums;
    let spread = (aa - a * a / count) * (bb - b * b / count);
    (ab - a * b / count) / spread.max(f32::MIN_POSITIVE).sqrt()
}

/// Unmarks the cells whose errors are largest.
fn leave_out_worst(seen: &[([f32; CELLS], [f32; CELLS])], levels: Levels, used: &mut [bool]) {
    let mut worst: Vec<(f32, usize)> = (0..CELLS)
        .filter(|&cell| used[cell])
        .map(|cell| {
            let sum: f32 =
                seen.iter().map(|(clip, capture)| error(levels, clip[cell], capture[cell]).abs()).sum();
            (sum, cell)
        })
        .collect();
    worst.sort_unstable_by(|a, b| b.0.total_cmp(&a.0));
    let count = (worst.len() as f64 * LEFT_OUT_SHARE) as usize;
    worst[..count].iter().for_each(|&(_, cell)| used[cell] = false);
}

/// Mean absolute error over gain, code values: what fits badly must not decide.
fn typical_error(seen: &[([f32; CELLS], [f32; CELLS])], used: &[bool], levels: Levels) -> f64 {
    let (mut errors, mut count) = (0.0, 0.0);
    for (clip, capture) in seen {
        for cell in (0..CELLS).filter(|&cell| used[cell]) {
            errors += f64::from(error(levels, clip[cell], capture[cell]).abs());
            count += 1.0;
        }
    }
    errors / f64::max(count, 1.0) / levels.gain
}

/// Square error over the variance of the capture's cells.
fn unexplained(seen: &[([f32; CELLS], [f32; CELLS])], used: &[bool], levels: Levels) -> f64 {
    let (mut errors, mut sum, mut squares, mut count) = (0.0, 0.0, 0.0, 0.0);
    for (clip, capture) in seen {
        for cell in (0..CELLS).filter(|&cell| used[cell]) {
            let value = f64::from(capture[cell]);
            errors += f64::from(error(levels, clip[cell], capture[cell])).powi(2);
            sum += value;
            squares += value * value;
            count += 1.0;
        }
    }
    let variance = squares - sum * sum / f64::max(count, 1.0);
    errors / variance.max(f64::MIN_POSITIVE)
}

/// Which curve levels may have.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Curve {
    Straight,
    Bent,
}

/// Least squares over all used cells.
fn fitted_levels(seen: &[([f32; CELLS], [f32; CELLS])], used: &[bool], curve: Curve) -> Levels {
    let terms = if curve == Curve::Bent { TERMS } else { 2 };
    let mut matrix = [[0.0; TERMS + 1]; TERMS];
    for (clip, capture) in seen {
        for cell in (0..CELLS).filter(|&cell| used[cell]) {
            let basis = basis(f64::from(clip[cell]));
            for row in 0..terms {
                for column in 0..terms {
                    matrix[row][column] += basis[row] * basis[column];
                }
                matrix[row][TERMS] += basis[row] * f64::from(capture[cell]);
            }
        }
    }
    let Some([offset, gain, bend, skew]) = solved(matrix, terms) else { return Levels::SAME };
    // A picture shown upside down in brightness is none of this clip.
    if gain > 0.1 {
        Levels { gain, offset, bend, skew }
    } else {
        Levels::SAME
    }
}

/// Gaussian elimination with the largest pivot; `None` where the equations do not determine the terms.
fn solved(mut matrix: [[f64; TERMS + 1]; TERMS], terms: usize) -> Option<[f64; TERMS]> {
    for column in 0..terms {
        let pivot =
            (column..terms).max_by(|&a, &b| matrix[a][column].abs().total_cmp(&matrix[b][column].abs()))?;
        matrix.swap(column, pivot);
        let lead = matrix[column];
        if lead[column].abs() < 1e-9 {
            return None;
        }
        for (_, line) in matrix.iter_mut().enumerate().take(terms).filter(|(row, _)| *row != column) {
            let factor = line[column] / lead[column];
            line.iter_mut().zip(&lead).for_each(|(value, lead)| *value -= factor * lead);
        }
    }
    let mut solution = [0.0; TERMS];
    for (row, value) in solution.iter_mut().enumerate().take(terms) {
        *value = matrix[row][TERMS] / matrix[row][row];
    }
    Some(solution)
}

/// The middle one, the larger of two; 0 of none. Reorders them.
pub(super) fn median(values: &mut [f32]) -> f32 {
    if values.is_empty() {
        return 0.0;
    }
    let middle = values.len() / 2;
    *values.select_nth_unstable_by(middle, f32::total_cmp).1
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn three_equations_are_solved() {
        let row = |a: f64, b: f64, c: f64, right: f64| [a, b, c, 0.0, right];
        let matrix = [row(2.0, 1.0, 1.0, 7.0), row(1.0, 3.0, 2.0, 13.0), row(1.0, 0.0, 0.0, 1.0), [0.0; 5]];
        let solution = solved(matrix, 3).unwrap();
        for (found, wanted) in solution.iter().zip([1.0, 2.0, 3.0]) {
            assert!((found - wanted).abs() < 1e-9);
        }
        let alike = [row(1.0, 1.0, 0.0, 1.0), row(2.0, 2.0, 0.0, 2.0), [0.0; 5], [0.0; 5]];
        assert!(solved(alike, 2).is_none());
    }
}
