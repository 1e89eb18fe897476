//! What lies between clip and capture: geometry, levels and noise, fitted to pairs of pictures that show the same.

use super::fine::{FinePictures, FineWarp};
use super::grid::{Geometry, Warp};
use super::{code_values, Features, SignatureSequence, Texture, CELLS, FEATURES};
use crate::fingerprint::texture::{PER_CELL, TEXTURE_LEN};
use crate::fingerprint::{FIXED_POINT, SIGNATURE_COLUMNS, SIGNATURE_ROWS};

/// Share of the cells that a fit may leave out: those it fits worst. An overlay of 10 % of the picture touches up to
/// twice as many cells as it covers.
const LEFT_OUT_SHARE: f64 = 0.25;

/// Rounds of leaving out cells and fitting the levels to the others: what covers a part of the picture pulls at the
/// first fit, hardly at the third.
const LEAVING_OUT_ROUNDS: usize = 3;

/// Smallest error assumed in a cell, code values: rounding of two signatures to 1/64 and of the samples below.
pub(super) const SIGMA_MIN: f32 = 0.012;
/// The same where samples were coded with loss: where nothing moves little is left, but motion brings as much at least (by
/// trials of MJPEG at its best and x264 at 14).
const LOSSY_SIGMA_MIN: f32 = 0.05;
/// Smallest error assumed in a number of the texture: whole code values in clip and capture, √(2/12).
const TEXTURE_SIGMA_MIN: f32 = 0.41;

/// Errors of a lossy recording are larger than the scatter of single cells says, because neighbouring cells err
/// alike and frames are predicted from each other. By trials on real clips at x264 28: with 1.5 one frame in 100
/// was placed wrong.
const ALIKE_ERRORS: f32 = 2.0;
/// A recording is lossy where its typical error is this many times that of rounding.
const LOSSY_FROM: f32 = 2.5;

/// A median absolute deviation times this is a standard deviation, for normal errors (its known constant, 1/Φ⁻¹(¾)).
pub(super) const DEVIATIONS_PER_MAD: f32 = 1.4826;

/// A geometry is taken only where it leaves at most this share of the error that the unchanged picture leaves, and one that
/// lies aside only where it does so beside one in the middle: motion over a plain pan is the same as a shift, and then no
/// shift is the better guess. Choice.
const BETTER_THAN_SAME: f64 = 0.9;

/// Pictures that a frame may lie off its pair's while a geometry is tried: a shift that is not found yet moves the
/// picture that fits best by less.
const OFF_BY_MAX: f32 = 1.0;

/// Steps of the search by slopes, each solved for size and place together: the error falls quadratically, so that a few
/// do.
const SLOPE_STEPS: usize = 6;
/// Change of a geometry over which slopes are taken, parts of the picture: a fraction of a cell.
const SLOPE_OVER: f64 = 0.001;
/// Shares of such a step that are tried, where the whole of it goes too far.
const STEP_SHARES: [f64; 3] = [1.0, 0.5, 0.2];
/// Least gain of such a step, as a share of the error.
const SLOPE_GAIN_MIN: f64 = 0.0005;
/// Errors beyond this many typical ones count singly.
const FAR_OFF: f32 = 3.0;

/// What is taken for likely of levels before a picture is seen, as code values of a standard deviation against errors of
/// one code value: how far a curve bends, and how far gain differs from 1 over the whole range. Where the clip holds but
/// a part of the range, its curve beyond is not known, and must not run away.
const BEND_LIKELY: f64 = 20.0;
const GAIN_LIKELY: f64 = 0.5;

/// Steps of the search for the geometry, parts of the picture, from coarse to fine.
const STEPS: [f64; 8] = [0.03, 0.015, 0.007, 0.0035, 0.0017, 0.0008, 0.0004, 0.0002];

/// Rounds at one step: more would be a better start's matter.
const ROUNDS_MAX: usize = 6;

/// Least gain of a step, as a share of the error.
const GAIN_MIN: f64 = 0.002;

/// A bent curve leaves at most this share of the error that a straight line leaves. Choice.
pub(super) const BENT_BETTER: f64 = 0.85;

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

    /// Limited range stretched to full range: 16 to 235 becomes 0 to 255 (ITU-R BT.601).
    pub const TO_FULL: Self = Self { gain: 255.0 / 219.0, offset: -16.0 * 255.0 / 219.0, ..Self::SAME };
    /// Full range squeezed to limited range.
    pub const TO_LIMITED: Self = Self { gain: 219.0 / 255.0, offset: 16.0, ..Self::SAME };

    /// Whether no code value of the limited range (ITU-R BT.601) lies farther from those of other levels than so many.
    pub fn is_near(self, other: Self, code_values: f64) -> bool {
        (16..=235).map(f64::from).all(|value| (self.apply(value) - other.apply(value)).abs() <= code_values)
    }

    /// The capture's code value for one of the clip.
    pub fn apply(self, value: f64) -> f64 {
        let [_, _, bend, skew] = basis(value);
        self.offset + self.gain * value + self.bend * bend + self.skew * skew
    }

    /// By how much a value of the capture changes with one of the clip.
    fn slope(self, value: f64) -> f64 {
        let x = value / CODE_RANGE;
        let bend = 4.0 * (1.0 - 2.0 * x);
        let skew = 12.0 * 3f64.sqrt() * ((1.0 - 2.0 * x) * (x - 0.5) + x * (1.0 - x));
        self.gain + (self.bend * bend + self.skew * skew) / CODE_RANGE
    }

    /// Whether brighter becomes darker where the pictures are.
    fn is_reversed(self, seen: &[Seen]) -> bool {
        typical_slope(seen, &[true; CELLS], self) < SLOPE_LEAST
    }

    /// Whether they are a straight line.
    pub fn is_straight(self) -> bool {
        self.bend == 0.0 && self.skew == 0.0
    }

    /// These levels and then others, as near as a curve of this form comes over a range of code values of the clip.
    pub fn then(self, next: Self, (low, high): (f64, f64)) -> Self {
        if next.is_straight() {
            return Self {
                gain: next.gain * self.gain,
                offset: next.offset + next.gain * self.offset,
                bend: next.gain * self.bend,
                skew: next.gain * self.skew,
            };
        }
        Self::of_curve(|value| next.apply(self.apply(value)), (low, high)).unwrap_or(next)
    }

    /// The levels that come nearest to a curve over a range of code values of the clip.
    pub(super) fn of_curve(curve: impl Fn(f64) -> f64, (low, high): (f64, f64)) -> Option<Self> {
        let values =
            (0..=JOINED_POINTS).map(|at| low + (high - low) * f64::from(at) / f64::from(JOINED_POINTS));
        least_squares(values.map(|value| (value, curve(value))), Curve::Bent)
    }

    /// What each sample of so many bits becomes, in `1 / FIXED_POINT` code values at 8 bit; never falling, and within the
    /// range.
    pub fn table(self, bit_depth: u8) -> Vec<u16> {
        let steps = f64::from(1u32 << (bit_depth - 8));
        let mut least = 0;
        (0..1u32 << bit_depth)
            .map(|sample| {
                let value = self.apply(f64::from(sample) / steps).clamp(0.0, CODE_RANGE);
                least = ((value * f64::from(FIXED_POINT)).round() as u16).max(least);
                least
            })
            .collect()
    }
}

/// Points by which two curves are joined.
const JOINED_POINTS: u32 = 64;

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
    /// Of each number of the texture, likewise; infinite where textures cannot be compared.
    texture_sigma: [f32; TEXTURE_LEN],
    /// The middle one of the cells' that are finite.
    typical_sigma: f32,
    /// Features that count.
    pub features_used: usize,
    /// What rounding leaves of a typical feature, deviations.
    pub rounding: f32,
    /// Square error that is left, as a share of the variance of the capture's cells; cells that fit worst aside.
    pub unexplained: f64,
}

impl Model {
    /// A picture of the clip as the capture shows it.
    pub fn picture(&self, clip: &SignatureSequence<'_>, picture: usize) -> Features {
        let cells = self.warp.apply(&clip.signatures[picture]);
        let slope = |cell: f32| self.levels.slope(f64::from(cell)) as f32;
        let texture = self.texture(clip, picture, |at| slope(cells[at / PER_CELL]));
        self.features(cells.map(|cell| self.levels.apply(f64::from(cell)) as f32), texture)
    }

    /// A frame of the capture, likewise.
    pub fn frame(&self, capture: &SignatureSequence<'_>, frame: usize) -> Features {
        self.features(code_values(&capture.signatures[frame]), self.texture(capture, frame, |_| 1.0))
    }

    /// A texture in code values, each number times what levels make of it; all zero where textures are not compared.
    fn texture(
        &self,
        sequence: &SignatureSequence<'_>,
        picture: usize,
        slope: impl Fn(usize) -> f32,
    ) -> [f32; TEXTURE_LEN] {
        match sequence.textures.get(picture) {
            Some(texture) if self.compares_textures() => {
                std::array::from_fn(|at| f32::from(texture[at]) * slope(at))
            }
            _ => [0.0; TEXTURE_LEN],
        }
    }

    /// Whether pictures are compared by their texture as well.
    pub fn compares_textures(&self) -> bool {
        self.texture_sigma.iter().any(|sigma| sigma.is_finite())
    }

    fn features(&self, cells: [f32; CELLS], texture: [f32; TEXTURE_LEN]) -> Features {
        let mut features = [0.0; FEATURES];
        let values = cells.iter().chain(&texture);
        let sigmas = self.sigma.iter().chain(&self.texture_sigma);
        for (feature, (value, sigma)) in features.iter_mut().zip(values.zip(sigmas)) {
            *feature = value / sigma;
        }
        features
    }

    /// The same with other levels.
    pub fn with_levels(&self, levels: Levels) -> Self {
        Self { levels, ..self.clone() }
    }

    /// How many times larger errors of frames of `capture` are than the scatter of single cells says.
    pub fn alike_in(&self, capture: &SignatureSequence<'_>) -> f32 {
        if capture.lossy || self.typical_sigma() > LOSSY_FROM * SIGMA_MIN {
            ALIKE_ERRORS
        } else {
            1.0
        }
    }

    /// By how much a frame is brighter than a picture in the mean, code values; both are in deviations of each cell.
    pub fn mean_offset(&self, frame: &Features, picture: &Features) -> f32 {
        let used = || (0..CELLS).filter(|&cell| self.sigma[cell].is_finite());
        let sum: f32 = used().map(|cell| (frame[cell] - picture[cell]) * self.sigma[cell]).sum();
        sum / used().count().max(1) as f32
    }

    /// A frame, in deviations of each cell, without an offset of the whole of it, code values.
    pub fn levelled(&self, mut frame: Features, offset: f32) -> Features {
        frame.iter_mut().zip(&self.sigma).for_each(|(cell, sigma)| *cell -= offset / sigma);
        frame
    }

    /// Typical deviation of a cell, code values.
    pub fn typical_sigma(&self) -> f32 {
        self.typical_sigma
    }

    /// Standard deviation of each feature, code values; infinite where it does not count.
    pub fn sigmas(&self) -> Features {
        let mut sigmas = [0.0; FEATURES];
        let own = self.sigma.iter().chain(&self.texture_sigma);
        sigmas.iter_mut().zip(own).for_each(|(sigma, own)| *sigma = *own);
        sigmas
    }

    /// Cells that count.
    pub fn cells(&self) -> usize {
        count_finite(&self.sigma)
    }
}

/// What rounding leaves of a typical feature, deviations, where cells and textures err by so much.
fn rounding(cells: &[f32], textures: &[f32]) -> f32 {
    let squares_of = |sigmas: &[f32], least: f32| -> f32 {
        let finite = sigmas.iter().filter(|sigma| sigma.is_finite());
        finite.map(|sigma| (least / sigma).min(1.0).powi(2)).sum()
    };
    let squares = squares_of(cells, SIGMA_MIN) + squares_of(textures, TEXTURE_SIGMA_MIN);
    let count = count_finite(cells) + count_finite(textures);
    (squares / count.max(1) as f32).sqrt()
}

fn count_finite(sigmas: &[f32]) -> usize {
    sigmas.iter().filter(|sigma| sigma.is_finite()).count()
}

/// Pictures of a clip.
#[derive(Clone, Copy)]
pub(super) enum Clip<'a> {
    /// All of them as signatures.
    SignatureSequence(&'a SignatureSequence<'a>),
    /// Some of them in finer cells.
    Fine(&'a FinePictures),
}

impl<'a> Clip<'a> {
    /// The last picture; of fine ones any may be asked for.
    fn last(self) -> usize {
        match self {
            Self::SignatureSequence(film) => film.signatures.len() - 1,
            Self::Fine(_) => usize::MAX - 1,
        }
    }

    fn under(self, capture: &SignatureSequence<'_>, geometry: Geometry) -> View<'a> {
        match self {
            Self::SignatureSequence(film) => View::Cells(warp(film, capture, geometry), film.signatures),
            Self::Fine(fine) => View::Fine(FineWarp::new(capture, geometry), fine),
        }
    }
}

fn warp(clip: &SignatureSequence<'_>, capture: &SignatureSequence<'_>, geometry: Geometry) -> Warp {
    Warp::new(&clip.grid, &capture.grid, geometry).within(&clip.visible).within(&capture.visible)
}

/// A clip seen through a geometry.
enum View<'a> {
    Cells(Warp, &'a [super::Signature]),
    Fine(FineWarp, &'a FinePictures),
}

impl View<'_> {
    /// Cells that show the clip and nothing beside it.
    fn covered(&self) -> &[bool] {
        match self {
            Self::Cells(warp, _) => warp.covered(),
            Self::Fine(warp, _) => warp.covered(),
        }
    }

    /// A picture of the clip as the capture shows it, before levels.
    fn picture(&self, clip: usize) -> [f32; CELLS] {
        match self {
            Self::Cells(warp, signatures) => warp.apply(&signatures[clip.min(signatures.len() - 1)]),
            Self::Fine(warp, pictures) => warp.apply(pictures, clip),
        }
    }
}

/// The fitter: which films, and the pairs in them.
pub(super) struct Fitter<'a> {
    pub capture: &'a SignatureSequence<'a>,
    pub clip: Clip<'a>,
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

    /// From a geometry that is right but for a few hundredths.
    pub fn near(geometry: Geometry) -> Self {
        Self { geometry, step: 1 }
    }

    /// From a geometry that was fitted before.
    pub fn fitted(geometry: Geometry) -> Self {
        Self { geometry, step: 3 }
    }
}

impl Fitter<'_> {
    /// The model that fits the pairs best.
    pub fn fit(&self, start: Start) -> Model {
        self.model(self.best(start))
    }

    /// The model with a geometry and levels that are given.
    pub fn given(&self, geometry: Geometry, levels: Levels) -> Model {
        let view = self.clip.under(self.capture, geometry);
        let mut seen: Vec<Seen> = self.pairs.iter().map(|&pair| self.seen(&view, pair)).collect();
        let mut used = inner(view.covered());
        leave_out_worst(&seen, levels, &mut used);
        seen.iter_mut().for_each(|seen| seen.settle(&used, levels));
        self.model(Trial::new(geometry, &view, (seen, used, levels)))
    }

    /// Geometry and levels that fit the pairs best.
    pub fn geometry(&self, start: Start) -> (Geometry, Levels) {
        let best = self.best(start);
        (best.geometry, best.levels)
    }

    /// Mean absolute error of a geometry with levels in a straight line, code values of the capture.
    pub fn straight_error(&self, geometry: Geometry) -> f64 {
        self.tried(geometry, Curve::Straight).error
    }

    fn best(&self, start: Start) -> Trial {
        let curve = self.curve(start.geometry);
        let mut best = self.tried(start.geometry, curve);
        for step in &STEPS[start.step..] {
            for _ in 0..ROUNDS_MAX {
                let before = best.cost;
                for (axis, kind) in PARAMETERS {
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
        best = self.by_slopes(best, curve);
        for likelier in [best.geometry.recentred(), Geometry::SAME] {
            let other = self.tried(likelier, curve);
            if best.cost > BETTER_THAN_SAME * other.cost {
                best = other;
            }
        }
        let curve = self.curve(best.geometry);
        self.tried(best.geometry, curve)
    }

    /// Goes on by slopes: size and place trade off against each other, so that changing one at a time stops early.
    fn by_slopes(&self, mut best: Trial, curve: Curve) -> Trial {
        for _ in 0..SLOPE_STEPS {
            let Some(step) = self.slope_step(&best) else { break };
            let next = STEP_SHARES
                .into_iter()
                .map(|share| {
                    let mut geometry = best.geometry;
                    for ((axis, kind), by) in PARAMETERS.into_iter().zip(step) {
                        geometry = moved(geometry, axis, kind, share * by);
                    }
                    self.tried(geometry, curve)
                })
                .find(|next| next.cost < best.cost * (1.0 - SLOPE_GAIN_MIN));
            match next {
                Some(next) => best = next,
                None => break,
            }
        }
        best
    }

    /// The change of the geometry that takes most of the error away by its slopes (Gauss and Newton), whatever the time
    /// of each frame: motion is taken out of errors and slopes.
    fn slope_step(&self, trial: &Trial) -> Option<[f64; PARAMETERS.len()]> {
        let views = PARAMETERS
            .map(|(axis, kind)| self.clip.under(self.capture, moved(trial.geometry, axis, kind, SLOPE_OVER)));
        let (levels, used) = (trial.levels, &trial.used);
        let far = FAR_OFF * trial.error as f32;
        let mut matrix = [[0.0; UNKNOWNS + 1]; UNKNOWNS];
        for seen in &trial.seen {
            let slopes = views.each_ref().map(|view| shown(view, seen.pair));
            let rows: Vec<[f32; UNKNOWNS + 2]> = (0..CELLS)
                .filter(|&cell| used[cell])
                .map(|cell| {
                    let rise = levels.slope(f64::from(seen.base[cell])) as f32;
                    let slope = |of: usize| rise * (slopes[of][cell] - seen.base[cell]) / SLOPE_OVER as f32;
                    let error = error(levels, seen.clip[cell], seen.capture[cell]);
                    let motion = rise * seen.motion[cell];
                    [slope(0), slope(1), slope(2), slope(3), 1.0, seen.clip[cell], error, motion]
                })
                .collect();
            let square: f32 = rows.iter().map(|row| row[UNKNOWNS + 1] * row[UNKNOWNS + 1]).sum();
            let along: [f32; UNKNOWNS + 1] = std::array::from_fn(|of| {
                let sum: f32 = rows.iter().map(|row| row[of] * row[UNKNOWNS + 1]).sum();
                if square > f32::EPSILON {
                    sum / square
                } else {
                    0.0
                }
            });
            for row in &rows {
                let free: [f32; UNKNOWNS + 1] =
                    std::array::from_fn(|of| row[of] - along[of] * row[UNKNOWNS + 1]);
                let weight = (far / free[UNKNOWNS].abs().max(far)).min(1.0);
                for (line, &own) in matrix.iter_mut().zip(&free) {
                    line.iter_mut()
                        .zip(&free)
                        .for_each(|(sum, &other)| *sum += f64::from(weight * own * other));
                }
            }
        }
        let [a, b, c, d, ..] = solved(matrix, UNKNOWNS)?;
        let step = [a, b, c, d];
        step.iter().all(|by| by.is_finite()).then_some(step)
    }

    /// Fits the levels under a geometry.
    fn tried(&self, geometry: Geometry, curve: Curve) -> Trial {
        let view = self.clip.under(self.capture, geometry);
        let mut seen: Vec<Seen> = self.pairs.iter().map(|&pair| self.seen(&view, pair)).collect();
        let inner = inner(view.covered());
        let mut used = inner.clone();
        let mut levels = fitted_levels(&seen, &used, curve);
        for _ in 0..LEAVING_OUT_ROUNDS {
            used.copy_from_slice(&inner);
            seen.iter_mut().for_each(|seen| seen.settle(&used, levels));
            leave_out_worst(&seen, levels, &mut used);
            levels = fitted_levels(&seen, &used, curve);
        }
        seen.iter_mut().for_each(|seen| seen.settle(&used, levels));
        Trial::new(geometry, &view, (seen, used, levels))
    }

    fn seen(&self, view: &View<'_>, pair: Pair) -> Seen {
        let capture = code_values(&self.capture.signatures[pair.capture]);
        let pair = self.likest(view, pair, &capture);
        let base = shown(view, pair);
        let [before, after] = [pair.clip.saturating_sub(1), pair.clip + 1].map(|clip| view.picture(clip));
        let motion = std::array::from_fn(|cell| (after[cell] - before[cell]) / 2.0);
        Seen { pair, capture, base, motion, clip: base }
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

    /// The pair with the picture of the clip around it that is most like a frame, before levels.
    fn likest(&self, view: &View<'_>, pair: Pair, capture: &[f32; CELLS]) -> Pair {
        let Freedom { around, every } = self.freedom;
        if around == 0 {
            return pair;
        }
        let last = self.clip.last();
        let steps = (around / every) as isize;
        (-steps..=steps)
            .map(|step| pair.clip.saturating_add_signed(step * every as isize).min(last))
            .map(|clip| Pair { clip, weight: 0.0, ..pair })
            .map(|pair| (correlation(&shown(view, pair), capture, view.covered()), pair))
            .max_by(|a, b| a.0.total_cmp(&b.0))
            .map_or(pair, |(_, pair)| pair)
    }

    fn model(&self, trial: Trial) -> Model {
        let Trial { geometry, covered, seen, used, levels, .. } = trial;
        let least = if self.capture.lossy { LOSSY_SIGMA_MIN } else { SIGMA_MIN };
        let sigma = std::array::from_fn(|cell| {
            if !covered[cell] {
                return f32::INFINITY;
            }
            let mut errors: Vec<f32> =
                seen.iter().map(|seen| error(levels, seen.clip[cell], seen.capture[cell]).abs()).collect();
            (DEVIATIONS_PER_MAD * median(&mut errors)).max(least)
        });
        let texture_sigma = self.texture_sigma((geometry, levels), &seen, &covered);
        let unexplained = unexplained(&seen, &used, levels);
        let warp = match self.clip {
            Clip::SignatureSequence(film) => warp(film, self.capture, geometry),
            Clip::Fine(_) => Warp::new(&self.capture.grid, &self.capture.grid, geometry),
        };
        let mut counted: Vec<f32> = sigma.iter().copied().filter(|sigma| sigma.is_finite()).collect();
        let typical_sigma = median(&mut counted);
        let features_used = count_finite(&sigma) + count_finite(&texture_sigma);
        let rounding = rounding(&sigma, &texture_sigma);
        Model {
            geometry,
            levels,
            warp,
            sigma,
            texture_sigma,
            typical_sigma,
            features_used,
            rounding,
            unexplained,
        }
    }

    /// Standard deviation of each number of the texture; infinite where textures cannot be compared.
    fn texture_sigma(
        &self,
        (geometry, levels): (Geometry, Levels),
        seen: &[Seen],
        covered: &[bool],
    ) -> [f32; TEXTURE_LEN] {
        let Some([capture, clip]) = self.textures(geometry) else { return [f32::INFINITY; TEXTURE_LEN] };
        std::array::from_fn(|at| {
            let cell = at / PER_CELL;
            if !covered[cell] {
                return f32::INFINITY;
            }
            let error = |seen: &Seen| {
                let Pair { capture: frame, clip: picture, weight } = seen.pair;
                let of = |picture: usize| f32::from(clip[picture.min(clip.len() - 1)][at]);
                let shown = of(picture) + weight * (of(picture + 1) - of(picture));
                let slope = levels.slope(f64::from(seen.clip[cell])) as f32;
                (f32::from(capture[frame][at]) - slope * shown).abs()
            };
            let mut errors: Vec<f32> = seen.iter().map(error).collect();
            (DEVIATIONS_PER_MAD * median(&mut errors)).max(TEXTURE_SIGMA_MIN)
        })
    }

    /// Textures of capture and clip, where they are made from the same parts of the picture.
    fn textures(&self, geometry: Geometry) -> Option<[&[Texture]; 2]> {
        let Clip::SignatureSequence(clip) = self.clip else { return None };
        let same_parts =
            geometry == Geometry::SAME && clip.parts.is_some() && clip.parts == self.capture.parts;
        let whole = |sequence: &SignatureSequence<'_>| {
            !sequence.textures.is_empty() && sequence.textures.len() == sequence.signatures.len()
        };
        (same_parts && whole(clip) && whole(self.capture)).then_some([self.capture.textures, clip.textures])
    }
}

/// What a frame should look like, before levels.
fn shown(view: &View<'_>, pair: Pair) -> [f32; CELLS] {
    let mut cells = view.picture(pair.clip);
    if pair.weight > 0.0 {
        let next = view.picture(pair.clip + 1);
        cells.iter_mut().zip(&next).for_each(|(cell, next)| *cell += pair.weight * (next - *cell));
    }
    cells
}

/// A geometry with what it gives.
struct Trial {
    geometry: Geometry,
    covered: Vec<bool>,
    seen: Vec<Seen>,
    used: Vec<bool>,
    levels: Levels,
    /// Mean absolute error of the used cells, code values of the capture.
    error: f64,
    /// The same in code values of the clip: what a geometry is chosen by.
    cost: f64,
}

impl Trial {
    fn new(
        geometry: Geometry,
        view: &View<'_>,
        (seen, used, levels): (Vec<Seen>, Vec<bool>, Levels),
    ) -> Self {
        let error = typical_error(&seen, &used, levels);
        let cost = error / typical_slope(&seen, &used, levels).max(SLOPE_LEAST);
        Self { geometry, covered: view.covered().to_vec(), seen, used, levels, error, cost }
    }
}

/// A frame with what it should show, before levels.
struct Seen {
    pair: Pair,
    capture: [f32; CELLS],
    /// The pair's picture.
    base: [f32; CELLS],
    /// What it changes by from picture to picture there.
    motion: [f32; CELLS],
    /// The picture moved to where it fits best.
    clip: [f32; CELLS],
}

impl Seen {
    /// Moves the picture along its motion to where it fits best.
    fn settle(&mut self, used: &[bool], levels: Levels) {
        let (mut along, mut square) = (0.0, 0.0);
        for cell in (0..CELLS).filter(|&cell| used[cell]) {
            let motion = levels.slope(f64::from(self.base[cell])) as f32 * self.motion[cell];
            along += error(levels, self.base[cell], self.capture[cell]) * motion;
            square += motion * motion;
        }
        let by = if square > f32::EPSILON { (along / square).clamp(-OFF_BY_MAX, OFF_BY_MAX) } else { 0.0 };
        self.clip = std::array::from_fn(|cell| self.base[cell] + by * self.motion[cell]);
    }
}

/// What a geometry may change by: axis, then 0 for the size and 1 for the place.
const PARAMETERS: [(usize, usize); 4] = [(0, 0), (0, 1), (1, 0), (1, 1)];
/// What is solved for together: the geometry, and the levels as a straight line.
const UNKNOWNS: usize = PARAMETERS.len() + 2;

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
fn leave_out_worst(seen: &[Seen], levels: Levels, used: &mut [bool]) {
    let mut worst: Vec<(f32, usize)> = (0..CELLS)
        .filter(|&cell| used[cell])
        .map(|cell| {
            let sum: f32 =
                seen.iter().map(|seen| error(levels, seen.clip[cell], seen.capture[cell]).abs()).sum();
            (sum, cell)
        })
        .collect();
    worst.sort_unstable_by(|a, b| b.0.total_cmp(&a.0));
    let count = (worst.len() as f64 * LEFT_OUT_SHARE) as usize;
    worst[..count].iter().for_each(|&(_, cell)| used[cell] = false);
}

/// Least slope of levels that is reckoned with: a picture without contrast shows nothing.
const SLOPE_LEAST: f64 = 0.05;

/// Fewest cells without the outer ones that a geometry is fitted to.
const INNER_MIN: usize = 20;

/// The cells by which geometries are compared: not the outer ones, so that the same cells count under all that are near
/// each other, and no border with them.
fn inner(covered: &[bool]) -> Vec<bool> {
    let inside = |cell: usize| {
        let (column, row) = (cell % SIGNATURE_COLUMNS, cell / SIGNATURE_COLUMNS);
        (1..SIGNATURE_COLUMNS - 1).contains(&column) && (1..SIGNATURE_ROWS - 1).contains(&row)
    };
    let inner: Vec<bool> =
        covered.iter().enumerate().map(|(cell, &covered)| covered && inside(cell)).collect();
    if inner.iter().filter(|&&inner| inner).count() >= INNER_MIN {
        inner
    } else {
        covered.to_vec()
    }
}

/// Mean absolute error, code values: what fits badly must not decide.
fn typical_error(seen: &[Seen], used: &[bool], levels: Levels) -> f64 {
    mean(seen, used, |clip, capture| f64::from(error(levels, clip, capture).abs()))
}

/// Mean slope of the levels where the pictures are.
fn typical_slope(seen: &[Seen], used: &[bool], levels: Levels) -> f64 {
    mean(seen, used, |clip, _| levels.slope(f64::from(clip)))
}

fn mean(seen: &[Seen], used: &[bool], of: impl Fn(f32, f32) -> f64) -> f64 {
    let (mut sum, mut count) = (0.0, 0.0);
    for Seen { clip, capture, .. } in seen {
        for cell in (0..CELLS).filter(|&cell| used[cell]) {
            sum += of(clip[cell], capture[cell]);
            count += 1.0;
        }
    }
    sum / f64::max(count, 1.0)
}

/// Square error over the variance of the capture's cells.
fn unexplained(seen: &[Seen], used: &[bool], levels: Levels) -> f64 {
    let (mut errors, mut sum, mut squares, mut count) = (0.0, 0.0, 0.0, 0.0);
    for Seen { clip, capture, .. } in seen {
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
fn fitted_levels(seen: &[Seen], used: &[bool], curve: Curve) -> Levels {
    let cells = || (0..CELLS).filter(|&cell| used[cell]);
    let points = seen
        .iter()
        .flat_map(|seen| cells().map(|cell| (f64::from(seen.clip[cell]), f64::from(seen.capture[cell]))));
    // A picture shown upside down in brightness is none of this clip.
    least_squares(points, curve).filter(|levels| !levels.is_reversed(seen)).unwrap_or(Levels::SAME)
}

/// The levels that lead from the first value of each point to the second as well as they can.
fn least_squares(points: impl Iterator<Item = (f64, f64)>, curve: Curve) -> Option<Levels> {
    let terms = if curve == Curve::Bent { TERMS } else { 2 };
    let mut matrix = [[0.0; TERMS + 1]; TERMS];
    let likely = [f64::INFINITY, GAIN_LIKELY, BEND_LIKELY, BEND_LIKELY];
    for (term, likely) in likely.into_iter().enumerate() {
        matrix[term][term] = likely.powi(-2);
    }
    matrix[1][TERMS] = GAIN_LIKELY.powi(-2);
    for (from, to) in points {
        let basis = basis(from);
        for row in 0..terms {
            for column in 0..terms {
                matrix[row][column] += basis[row] * basis[column];
            }
            matrix[row][TERMS] += basis[row] * to;
        }
    }
    let [offset, gain, bend, skew] = solved(matrix, terms)?;
    Some(Levels { gain, offset, bend, skew })
}

/// Gaussian elimination with the largest pivot; `None` where the equations do not determine the terms.
fn solved<const N: usize, const COLUMNS: usize>(
    mut matrix: [[f64; COLUMNS]; N],
    terms: usize,
) -> Option<[f64; N]> {
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
    let mut solution = [0.0; N];
    for (row, value) in solution.iter_mut().enumerate().take(terms) {
        *value = matrix[row][N] / matrix[row][row];
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
    fn slopes_are_those_of_the_levels() {
        let levels = Levels { gain: 0.9, offset: 3.0, bend: 12.0, skew: -7.0 };
        for value in [0.0, 16.0, 100.0, 180.0, 255.0] {
            let rise = (levels.apply(value + 0.01) - levels.apply(value - 0.01)) / 0.02;
            assert!((levels.slope(value) - rise).abs() < 1e-6, "{value}: {rise}");
        }
    }

    #[test]
    fn levels_of_a_table_never_fall_and_joined_levels_are_one_after_the_other() {
        let (first, second) = (
            Levels { gain: 1.1, offset: -9.0, bend: 14.0, skew: 5.0 },
            Levels { gain: 0.95, offset: 4.0, bend: -3.0, skew: 2.0 },
        );
        let joined = first.then(second, (16.0, 235.0));
        for value in [16.0, 70.0, 128.0, 235.0] {
            let wanted = second.apply(first.apply(value));
            assert!((joined.apply(value) - wanted).abs() < 0.5, "{value}: {} {wanted}", joined.apply(value));
        }
        let table = Levels { gain: 0.2, offset: 0.0, bend: 90.0, skew: 0.0 }.table(8);
        assert!(table.windows(2).all(|pair| pair[0] <= pair[1]));
        assert_eq!(Levels::SAME.table(10)[400], 100 * 64);
    }

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
