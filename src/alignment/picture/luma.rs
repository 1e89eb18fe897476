//! Geometry and levels of luma together, from a few frames and the pictures of the clip that they show.

use super::detail::{table, within, Borders, Sums};
use super::regression::{solve, Row, Solution, HELD};
use super::{Comparison, Measured, BLACK, WHITE};
use crate::alignment::grid::COVERED_MIN;
use crate::alignment::{Geometry, CELLS};
use crate::fingerprint::FIXED_POINT;

/// Unknowns: size and place across and down, level and gain, power.
pub(super) const UNKNOWNS: usize = 7;
const LEVEL: usize = 4;
const GAIN: usize = 5;
const POWER: usize = 6;
/// Axis of each of the first four, then whether it is a place (else a size).
const GEOMETRY: [(usize, bool); 4] = [(0, false), (0, true), (1, false), (1, true)];

/// Largest code value at 8 bit.
const CODE_RANGE: f64 = 255.0;
/// Code value about which gain is: the middle of the nominal range, so that gain and level hardly trade.
const MIDDLE: f64 = (BLACK + WHITE) / 2.0;
/// Steps of the search (Gauss and Newton).
const STEPS: usize = 14;
/// First steps, in which errors up to [`ROUGH`] code values count in full: where most of the picture is dark, what is bright
/// would look like something laid over it.
const ROUGH_STEPS: usize = 5;
const ROUGH: f64 = 6.0;
/// Change of a geometry over which slopes are taken, parts of the picture: about a cell of a detail.
const SLOPE_OVER: f64 = 0.002;
/// Change of the logarithm of the power over which slopes are taken.
const POWER_OVER: f64 = 0.02;
/// Steps smaller than this end the search: a fiftieth of a pixel of 2000.
const STEP_MIN: f64 = 1e-5;
/// Largest logarithm of a power: what picture controls reach. Choice.
const POWER_MAX: f64 = 0.8;
/// Typical error of a cell that is assumed at least, code values: rounding to 1/64.
pub(super) const ERROR_MIN: f64 = 0.012;
/// Fewest parts of the picture that a fit rests on. Choice.
const PARTS_MIN: usize = 16;

/// What lies between the clip's luma and its levels.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Curve {
    /// Code values of the clip below and above which all is cut off before.
    pub cut: [f64; 2],
    /// Parts of the colour differences that are added before.
    pub colour: [f64; 2],
    /// Whether the power is fitted; else it is 1.
    pub bent: bool,
}

impl Curve {
    /// Nothing.
    pub const NONE: Self = Self { cut: [f64::NEG_INFINITY, f64::INFINITY], colour: [0.0; 2], bent: false };

    /// The same where what lies below black or above white is cut off.
    pub fn cut_off(self, [low, high]: [bool; 2]) -> Self {
        let [lowest, highest] = self.cut;
        Self { cut: [if low { BLACK } else { lowest }, if high { WHITE } else { highest }], ..self }
    }

    fn table(self, power: f64) -> Vec<f32> {
        let [low, high] = self.cut;
        table(|value| raised(value.clamp(low, high), power))
    }
}

/// A code value after a power between black and white; beyond these unchanged.
fn raised(value: f64, power: f64) -> f64 {
    let share = (value - BLACK) / (WHITE - BLACK);
    if power != 1.0 && (0.0..=1.0).contains(&share) {
        BLACK + (WHITE - BLACK) * share.powf(power)
    } else {
        value
    }
}

/// What was fitted.
#[derive(Clone, Debug)]
pub(super) struct LumaFit {
    pub geometry: Geometry,
    pub curve: Curve,
    /// What the middle of the range became, and by how much a code value is raised by one more.
    level: f64,
    gain: f64,
    /// Logarithm of the power.
    power: f64,
    solution: Solution<UNKNOWNS>,
    /// Mean absolute error of each part of the picture; infinite where it was not compared.
    pub left: [f64; CELLS],
    /// Dark and bright end of what the compared parts show, code values of the clip.
    seen: [f64; 2],
}

impl LumaFit {
    /// What a code value at the end of the range became, and its standard error: what a recorder leaves may go with the
    /// brightness, and a dark picture says the less of white the farther that lies from all it shows.
    pub fn end(&self, value: f64) -> (f64, f64) {
        let mut factors = [0.0; UNKNOWNS];
        (factors[LEVEL], factors[GAIN]) = (1.0, value - MIDDLE);
        let [dark, bright] = self.seen;
        let half = ((bright - dark) / 2.0).max(1.0);
        let reach = (value - (dark + bright) / 2.0).abs() / half;
        let error = self.solution.error(factors).hypot(self.error() * reach);
        (self.level + self.gain * (value - MIDDLE), error)
    }

    /// The power, and its standard error.
    pub fn power(&self) -> (f64, f64) {
        let mut factors = [0.0; UNKNOWNS];
        factors[POWER] = 1.0;
        (self.power.exp(), self.power.exp() * self.solution.error(factors))
    }

    /// The curve, with what these levels leave no room for in the range of a sample cut off besides.
    pub fn within_range(&self) -> Curve {
        let of = |value: f64| MIDDLE + (value - self.level) / self.gain;
        let [low, high] = self.curve.cut;
        Curve { cut: [low.max(of(0.0)), high.min(of(CODE_RANGE))], ..self.curve }
    }

    /// Whether a power was fitted.
    pub fn is_bent(&self) -> bool {
        self.power != 0.0
    }

    /// Where an edge of the capture lies in the clip (axis 0 across, 1 down; the second edge where `second`), parts of the
    /// clip's picture, and its standard error.
    pub fn edge(&self, axis: usize, second: bool) -> (f64, f64) {
        let Geometry { scale, offset } = self.geometry;
        let mut factors = [0.0; UNKNOWNS];
        for (factor, &(of, is_place)) in factors.iter_mut().zip(&GEOMETRY) {
            *factor = match (of == axis, is_place, second) {
                (false, ..) => 0.0,
                (true, true, _) => 1.0,
                (true, false, true) => 0.5,
                (true, false, false) => -0.5,
            };
        }
        let at = offset[axis] + if second { scale[axis] } else { 0.0 };
        (at, self.solution.error(factors))
    }

    /// What the parts of the picture show of what lies beyond black, and beyond white, having been cut off, beside other
    /// levels: 1 where it surely was, 0 where it was not. Patches beyond either end may lie in one part, so that both are
    /// solved for together where there are any.
    pub fn cut(&self, case: &Comparison<'_>) -> [Measured; 2] {
        let rows = self.cut_rows(case);
        let measured = |value: f64, error: f64| Measured { value, error };
        if let Some(both) = solve(&rows, CELLS, ERROR_MIN) {
            let [low, high, ..] = both.values;
            return [
                measured(low, both.error([1.0, 0.0, 0.0, 0.0])),
                measured(high, both.error([0.0, 1.0, 0.0, 0.0])),
            ];
        }
        [0, 1].map(|end| {
            let one = |row: &Row<4>| {
                let [.., level, gain] = row.factors;
                Row {
                    factors: [row.factors[end], level, gain],
                    value: row.value,
                    part: row.part,
                    frame: row.frame,
                }
            };
            let rows: Vec<Row<3>> = rows.iter().map(one).collect();
            solve(&rows, CELLS, ERROR_MIN)
                .map_or(Measured::default(), |found| measured(found.values[0], found.error([1.0, 0.0, 0.0])))
        })
    }

    /// What cutting off at either end changes, with a level and a gain, and what is left of the capture.
    fn cut_rows(&self, case: &Comparison<'_>) -> Vec<Row<4>> {
        let plain = Curve { colour: self.curve.colour, ..Curve::NONE };
        let [whole, low, high] = [[false, false], [true, false], [false, true]]
            .map(|cut| Fitter::new(case, self.geometry, plain.cut_off(cut)));
        let borders = whole.borders(self.geometry);
        let used = whole.used(&borders);
        let mut rows = Vec::new();
        for (index, station) in case.stations.iter().enumerate() {
            let [base, low, high] = [&whole, &low, &high].map(|fitter| fitter.shown(index, false, &borders));
            rows.extend((0..CELLS).filter(|&cell| used[cell]).map(|cell| {
                let from_middle = base[cell] - MIDDLE;
                let changed = |by: &[f64; CELLS]| self.gain * (by[cell] - base[cell]);
                let found = f64::from(station.luma[cell]) / f64::from(FIXED_POINT);
                Row {
                    factors: [changed(&low), changed(&high), 1.0, from_middle],
                    value: found - self.level - self.gain * from_middle,
                    part: cell,
                    frame: index,
                }
            }));
        }
        rows
    }

    /// Mean absolute error of the parts that were compared, code values.
    pub fn error(&self) -> f64 {
        let (sum, count) = parts(&self.left).fold((0.0, 0.0), |(sum, count), left| (sum + left, count + 1.0));
        sum / f64::max(count, 1.0)
    }

    /// The most that this one takes off the error that another leaves of a part of the picture, code values.
    pub fn takes_off(&self, other: &Self) -> f64 {
        let both = self.left.iter().zip(&other.left).filter(|(a, b)| a.is_finite() && b.is_finite());
        both.map(|(own, other)| other - own).fold(0.0, f64::max)
    }

    /// Whether this one leaves clearly less than another: at most this share, and not by chance.
    pub fn is_better_than(&self, other: &Self, share: f64) -> bool {
        let both = self.left.iter().zip(&other.left).filter(|(a, b)| a.is_finite() && b.is_finite());
        let gains: Vec<f64> = both.map(|(own, other)| other - own).collect();
        self.error() <= share * other.error() && mean_is_above_zero(&gains)
    }
}

/// How many standard errors a mean must lie from what it is told from. Choice: parts of a picture are not quite
/// independent, so more than three.
pub(super) const SURE: f64 = 4.0;

/// Whether the mean of some values surely lies above zero, by their scatter.
fn mean_is_above_zero(values: &[f64]) -> bool {
    let count = values.len() as f64;
    let mean = values.iter().sum::<f64>() / f64::max(count, 1.0);
    let square = values.iter().map(|value| (value - mean).powi(2)).sum::<f64>();
    let error = (square / f64::max((count - 1.0) * count, 1.0)).sqrt();
    mean > SURE * error
}

fn parts(left: &[f64; CELLS]) -> impl Iterator<Item = f64> + '_ {
    left.iter().copied().filter(|left| left.is_finite())
}

/// Fits luma from a geometry that is roughly right; `None` where too little of the picture tells anything.
pub(super) fn fit(case: &Comparison<'_>, start: Geometry, curve: Curve) -> Option<LumaFit> {
    // Levels come first.
    fit_from(case, (start, curve), |step| step == 0)
}

/// Fits levels alone, as if the whole of the clip's picture showed.
pub(super) fn fit_whole(case: &Comparison<'_>, curve: Curve) -> Option<LumaFit> {
    fit_from(case, (Geometry::SAME, curve), |_| true)
}

/// Fits luma in steps, of which some leave the geometry as it is.
fn fit_from(
    case: &Comparison<'_>,
    (start, curve): (Geometry, Curve),
    only_levels: impl Fn(usize) -> bool,
) -> Option<LumaFit> {
    let mut fitter = Fitter::new(case, start, curve);
    let mut solution = None;
    for step in 0..STEPS {
        let rows = fitter.rows(only_levels(step));
        let is_rough = step < ROUGH_STEPS;
        let found = solve(&rows, CELLS + 1, if is_rough { ROUGH } else { ERROR_MIN })?;
        fitter.take(&found.values);
        let [size_x, place_x, size_y, place_y, _, _, power] = found.values.map(f64::abs);
        solution = Some(found);
        if !is_rough && [size_x, place_x, size_y, place_y, power].iter().all(|&by| by < STEP_MIN) {
            break;
        }
    }
    let (left, seen) = (fitter.left(), fitter.seen());
    let enough = parts(&left).count() >= PARTS_MIN;
    let Fitter { geometry, level, gain, power, .. } = fitter;
    let solution = solution.filter(|_| enough && gain > 0.0)?;
    Some(LumaFit { geometry, curve, level, gain, power, solution, left, seen })
}

struct Fitter<'a> {
    case: &'a Comparison<'a>,
    curve: Curve,
    geometry: Geometry,
    level: f64,
    gain: f64,
    power: f64,
    /// The pictures of each station after the curve, and after one of a slightly greater power.
    sums: [Vec<[Option<Sums>; 2]>; 2],
}

impl<'a> Fitter<'a> {
    fn new(case: &'a Comparison<'a>, geometry: Geometry, curve: Curve) -> Self {
        let (level, gain, power) = (MIDDLE, 1.0, 0.0);
        let mut fitter = Self { case, curve, geometry, level, gain, power, sums: [Vec::new(), Vec::new()] };
        fitter.sum();
        fitter
    }

    /// Sums the pictures after the curve.
    fn sum(&mut self) {
        let powers = [self.power, self.power + POWER_OVER];
        for (at, (sums, power)) in self.sums.iter_mut().zip(powers).enumerate() {
            if at == 1 && !self.curve.bent {
                continue;
            }
            let (table, colour) = (self.curve.table(power.exp()), self.curve.colour);
            let of = |station: &super::Station<'_>| {
                station.shown.map(|shown| shown.map(|(detail, _)| detail.luma(colour, &table)))
            };
            *sums = self.case.stations.iter().map(of).collect();
        }
    }

    fn borders(&self, geometry: Geometry) -> Borders {
        self.case.luma_grid.borders_in(geometry)
    }

    /// What a station should show before levels.
    fn shown(&self, station: usize, greater_power: bool, borders: &Borders) -> [f64; CELLS] {
        let sums = &self.sums[usize::from(greater_power)][station];
        let weights = self.case.stations[station].shown.map(|shown| shown.map_or(0.0, |(_, weight)| weight));
        let mut cells = [0.0; CELLS];
        for (sums, weight) in sums.iter().zip(weights) {
            let Some(sums) = sums else { continue };
            cells.iter_mut().zip(sums.means(borders)).for_each(|(cell, mean)| *cell += weight * mean);
        }
        cells
    }

    fn used(&self, borders: &Borders) -> [bool; CELLS] {
        let within = within(borders);
        std::array::from_fn(|cell| self.case.visible[cell] && within[cell] >= COVERED_MIN)
    }

    /// The equations around what is fitted so far; some are for levels alone and leave the geometry as it is.
    fn rows(&self, only_levels: bool) -> Vec<Row<UNKNOWNS>> {
        let borders = self.borders(self.geometry);
        let used = self.used(&borders);
        let moved = GEOMETRY.map(|by| self.borders(moved(self.geometry, by, SLOPE_OVER)));
        let mut rows = Vec::with_capacity(self.case.stations.len() * CELLS + UNKNOWNS);
        for (index, station) in self.case.stations.iter().enumerate() {
            let base = self.shown(index, false, &borders);
            let slopes = moved.each_ref().map(|borders| self.shown(index, false, borders));
            let bent = if self.curve.bent { self.shown(index, true, &borders) } else { base };
            let of = |cell: usize| {
                let slope = |of: usize| self.gain * (slopes[of][cell] - base[cell]) / SLOPE_OVER;
                let found = f64::from(station.luma[cell]) / f64::from(FIXED_POINT);
                Row {
                    factors: [
                        slope(0),
                        slope(1),
                        slope(2),
                        slope(3),
                        1.0,
                        base[cell] - MIDDLE,
                        self.gain * (bent[cell] - base[cell]) / POWER_OVER,
                    ],
                    value: found - self.level - self.gain * (base[cell] - MIDDLE),
                    part: cell,
                    frame: index,
                }
            };
            let mut own: Vec<Row<UNKNOWNS>> = (0..CELLS).filter(|&cell| used[cell]).map(of).collect();
            take_out(&mut own, |cell| self.gain * f64::from(station.motion[cell]));
            rows.extend(own);
        }
        let held = |unknown: usize| {
            let mut factors = [0.0; UNKNOWNS];
            factors[unknown] = HELD;
            Row { factors, value: 0.0, part: CELLS, frame: self.case.stations.len() }
        };
        if only_levels {
            rows.extend((0..GEOMETRY.len()).map(held));
        }
        if only_levels || !self.curve.bent {
            rows.push(held(POWER));
        }
        rows
    }

    /// Takes a step.
    fn take(&mut self, values: &[f64; UNKNOWNS]) {
        for (&by, &value) in GEOMETRY.iter().zip(values) {
            self.geometry = moved(self.geometry, by, value.clamp(-0.05, 0.05));
        }
        self.level += values[LEVEL];
        self.gain += values[GAIN];
        if self.curve.bent && values[POWER] != 0.0 {
            self.power = (self.power + values[POWER].clamp(-0.3, 0.3)).clamp(-POWER_MAX, POWER_MAX);
            self.sum();
        }
    }

    /// Dark and bright end of what the compared parts show of the clip: a hundredth of them lie beyond either.
    fn seen(&self) -> [f64; 2] {
        let borders = self.borders(self.geometry);
        let used = self.used(&borders);
        let shown = |index: usize| -> Vec<f64> {
            let base = self.shown(index, false, &borders);
            (0..CELLS).filter(|&cell| used[cell]).map(|cell| base[cell]).collect()
        };
        let mut values: Vec<f64> = (0..self.case.stations.len()).flat_map(shown).collect();
        values.sort_unstable_by(f64::total_cmp);
        let beyond = values.len() / 100;
        match values.len() {
            0 => [BLACK, WHITE],
            count => [values[beyond], values[count - 1 - beyond]],
        }
    }

    /// Mean absolute error of each part.
    fn left(&self) -> [f64; CELLS] {
        let mut sums = [f64::INFINITY; CELLS];
        let rows = self.rows(false);
        let mut counts = [0.0; CELLS];
        for row in rows.iter().filter(|row| row.part < CELLS) {
            let sum = &mut sums[row.part];
            *sum = if sum.is_finite() { *sum } else { 0.0 } + row.value.abs();
            counts[row.part] += 1.0;
        }
        sums.iter_mut().zip(counts).for_each(|(sum, count)| *sum /= f64::max(count, 1.0));
        sums
    }
}

/// A geometry with a size about the middle, or a place, changed.
fn moved(geometry: Geometry, (axis, is_place): (usize, bool), by: f64) -> Geometry {
    let mut next = geometry;
    if is_place {
        next.offset[axis] += by;
    } else {
        next.scale[axis] += by;
        next.offset[axis] -= by / 2.0;
    }
    next
}

/// Takes out of the rows of one frame what goes with its own motion: a picture that is late and one that lies elsewhere look
/// alike.
fn take_out<const N: usize>(rows: &mut [Row<N>], motion: impl Fn(usize) -> f64) {
    let square: f64 = rows.iter().map(|row| motion(row.part).powi(2)).sum();
    if square < ERROR_MIN {
        return;
    }
    let along: [f64; N] = std::array::from_fn(|of| {
        rows.iter().map(|row| row.factors[of] * motion(row.part)).sum::<f64>() / square
    });
    let value = rows.iter().map(|row| row.value * motion(row.part)).sum::<f64>() / square;
    for row in rows {
        let motion = motion(row.part);
        row.factors.iter_mut().zip(along).for_each(|(factor, along)| *factor -= along * motion);
        row.value -= value * motion;
    }
}
