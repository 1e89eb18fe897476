//! How much more likely the measured change of each frame is for a new picture than for the same one.
//!
//! No fixed threshold can tell: true repeats in a coarse recording change by more than true new pictures do in
//! a fine one. So each change is described by what does not depend on the recording: how it compares with the
//! changes of the frames around it, and how much of it is laid out like moved edges rather than like coding
//! error or noise. A logistic regression on smooth combinations of these numbers turns the description into a
//! log-likelihood ratio. Its weights were fitted to the truth bench by `scripts/fit-likelihood`, which can leave
//! scenes out of the fit to show the errors on material that it has not seen.

use super::evidence::FrameEvidence;
use super::weights;

/// Numbers that describe the change of one frame.
pub const FEATURES: usize = weights::WEIGHTS.len();

/// Added to code values before their logarithm: a fraction of the smallest step of an 8-bit recording averaged
/// over a block, so that an exact zero stays finite.
const SMALLEST_CHANGE: f32 = 0.02;

/// Added to energies before their logarithm, code values squared.
const SMALLEST_ENERGY: f32 = 1e-3;

/// Frames on each side for the nearest comparison and for the wider one: the wider one spans the longest hold
/// of the usual patterns (4) on both sides.
const NEAR: usize = 2;
const WIDE: usize = 6;

/// Log-likelihood ratios of the measure are held within this (e^7.5 = 1808). Choice: on real clips left out of the
/// fit, 50 of 27 062 calls were wrong beyond 4.6, so that much higher certainty is not earned.
const LOG_RATIO_LIMIT: f32 = 7.5;

/// Highest confidence that a measure can give: the probability that goes with [`LOG_RATIO_LIMIT`].
pub(super) const MEASURE_CONFIDENCE_MAX: f32 = 0.999_447;

/// Log odds from which a recording is taken to be exact: ln(10).
const EXACT_FROM: f64 = 2.3;

/// A colour-only change is clear from this block change of chroma, code values: no encoder leaves every luma
/// sample as it was and still moves a block of chroma by more than its rounding.
const COLOUR_ONLY_FROM: f32 = 2.0;

/// A change is a pulse of brightness when no more than this is left of its energy without the uniform step, code
/// values squared: less than the rounding of single samples, 1 / 12, leaves in means of some.
const PULSE_REST_MAX: f32 = 0.05;

/// Smallest pulse, code values: half a step of an 8-bit recording. Smaller ones are drowned by the rest.
const PULSE_MIN: f32 = 0.5;

/// Largest pulse, code values: encoders and lamps pulse by less, flashes in a scene are stronger. Choice.
const PULSE_MAX: f32 = 12.0;

/// ln P(evidence | new) − ln P(evidence | same) per frame; −∞ where digests prove the same picture, or nothing
/// but a pulse of brightness tells the pictures apart.
pub(super) fn log_ratios(evidence: &[FrameEvidence]) -> Vec<f32> {
    let mut ratios: Vec<f32> = features(evidence)
        .map(|one| match one {
            Change::First => f32::INFINITY,
            Change::None => f32::NEG_INFINITY,
            Change::ColourOnly => LOG_RATIO_LIMIT,
            Change::Pulse => f32::NEG_INFINITY,
            Change::Described(features) => log_ratio(&features).clamp(-LOG_RATIO_LIMIT, LOG_RATIO_LIMIT),
        })
        .collect();
    if exactness(&ratios) >= EXACT_FROM {
        // What differs at all in an exact recording is another picture.
        for ratio in ratios.iter_mut().filter(|ratio| ratio.is_finite()) {
            *ratio = LOG_RATIO_LIMIT;
        }
    }
    ratios
}

/// The fitted model: the features and some smooth combinations of them, weighted and added.
fn log_ratio(features: &[f32; FEATURES]) -> f32 {
    let mut combined = weights::COMBINATION_BIAS;
    let mut ratio = weights::BIAS;
    for (place, feature) in features.iter().enumerate() {
        let standard = ((feature - weights::MIDDLE[place]) * weights::SCALE[place])
            .clamp(-weights::REACH, weights::REACH);
        ratio += weights::WEIGHTS[place] * standard;
        for (sum, weight) in combined.iter_mut().zip(&weights::COMBINATIONS[place]) {
            *sum += weight * standard;
        }
    }
    let weighted = combined.iter().zip(&weights::COMBINATION_WEIGHTS);
    ratio + weighted.map(|(&sum, weight)| weight * hyperbolic_tangent(sum)).sum::<f32>()
}

/// tanh by one exponential, several times faster than the library's, which is exact to the last bit.
fn hyperbolic_tangent(value: f32) -> f32 {
    1.0 - 2.0 / (1.0 + (2.0 * value).exp())
}

/// Log odds that the recording is exact, so that the same picture always has the same digest, against one
/// where it may differ.
///
/// In an exact recording every frame with another digest is new. In the other a share `new` of them is, and a
/// share `identical` of the same pictures still has equal digests. Both shares are taken at their most likely
/// values, which favours the second and so errs on the careful side.
fn exactness(ratios: &[f32]) -> f64 {
    let (mut differing, mut called_new, mut identical) = (0u64, 0u64, 0u64);
    for &ratio in ratios {
        identical += u64::from(ratio == f32::NEG_INFINITY);
        differing += u64::from(ratio.is_finite());
        called_new += u64::from(ratio.is_finite() && ratio > 0.0);
    }
    let called_same = differing - called_new;
    if called_same == 0 {
        return f64::INFINITY;
    }
    let new = called_new as f64 / differing as f64;
    let measured: f64 = ratios
        .iter()
        .filter(|ratio| ratio.is_finite())
        .map(|&ratio| -(new + (1.0 - new) * f64::from(-ratio).exp()).ln())
        .sum();
    let proven = identical as f64;
    let by_digest = if identical > 0 { proven * ((proven + called_same as f64) / proven).ln() } else { 0.0 };
    measured + by_digest
}

/// What can be said of the change of one frame.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Change {
    /// Nothing precedes it.
    First,
    /// Equal digests.
    None,
    /// A uniform step of brightness that is taken back at once: the encoder's or the lamp's, not the scene's.
    Pulse,
    /// Luma is the same to the last bit, chroma is not.
    ColourOnly,
    /// The numbers that describe it, in the order of [`FEATURE_NAMES`].
    Described([f32; FEATURES]),
}

/// One logarithmic measure of change along the capture.
type Series = Vec<f32>;

/// Describes the change of every frame.
pub fn features(evidence: &[FrameEvidence]) -> impl Iterator<Item = Change> + '_ {
    let series = SeriesSet::new(evidence);
    (0..evidence.len()).map(move |frame| {
        let one = &evidence[frame];
        if frame == 0 {
            Change::First
        } else if one.digest == evidence[frame - 1].digest {
            Change::None
        } else if one.luma.worst == 0.0 && one.chroma.worst >= COLOUR_ONLY_FROM {
            Change::ColourOnly
        } else if is_pulse(evidence, frame) {
            Change::Pulse
        } else {
            Change::Described(series.describe(evidence, frame))
        }
    })
}

/// Whether nothing but brightness changes here, evenly and by little, and goes back at the frame before or after.
fn is_pulse(evidence: &[FrameEvidence], frame: usize) -> bool {
    let step = |frame: usize| evidence.get(frame).map_or(0.0, |one| one.reduced.offset);
    let here = step(frame);
    let taken_back = |other: f32| other * here < 0.0 && (0.5..2.0).contains(&(-other / here));
    let uniform = evidence[frame].reduced.energy - here * here <= PULSE_REST_MAX;
    uniform
        && (PULSE_MIN..=PULSE_MAX).contains(&here.abs())
        && (taken_back(step(frame + 1)) || frame > 1 && taken_back(step(frame - 1)))
}

/// The measures that are compared along time.
struct SeriesSet {
    /// Part of the change that local motion explains, amplitude.
    moved: Series,
    /// The same against the part that it does not explain, energies: does not depend on the noise level.
    moved_share: Series,
    /// Uniform change of brightness that lasts.
    fading: Series,
    /// Block change: 99th percentile, mean and worst.
    high: Series,
    mean: Series,
    worst: Series,
}

impl SeriesSet {
    fn new(evidence: &[FrameEvidence]) -> Self {
        let series = |measure: fn(&FrameEvidence) -> f32| evidence.iter().map(measure).collect();
        Self {
            moved: series(|one| logarithm(explained(one).sqrt())),
            moved_share: series(|one| {
                ((explained(one) + SMALLEST_ENERGY) / (one.reduced.unexplained + SMALLEST_ENERGY)).ln()
            }),
            fading: (0..evidence.len())
                .map(|frame| logarithm(lasting_brightness(evidence, frame).max(0.0)))
                .collect(),
            high: series(|one| logarithm(one.luma.p99.max(one.chroma.p99))),
            mean: series(|one| logarithm(one.luma.mean.max(one.chroma.mean))),
            worst: series(|one| logarithm(one.change())),
        }
    }

    fn describe(&self, evidence: &[FrameEvidence], frame: usize) -> [f32; FEATURES] {
        let mut features = Filled { values: [0.0; FEATURES], filled: 0 };
        for series in [&self.moved, &self.moved_share, &self.fading, &self.high, &self.mean, &self.worst] {
            let value = series[frame];
            let (near_high, near_low) = extremes(series, frame, NEAR, 0);
            let (wide_high, wide_low) = extremes(series, frame, WIDE, 1);
            features.extend([value - near_high, value - near_low, value - wide_high, value - wide_low]);
        }
        let (near_high, near_low) = extremes(&self.moved, frame, NEAR, 0);
        let (wide_high, wide_low) = extremes(&self.moved, frame, WIDE, 1);
        features.extend([near_high - near_low, wide_high - wide_low]);
        let one = &evidence[frame];
        let energy = one.reduced.energy.max(SMALLEST_ENERGY);
        features.extend([
            self.moved[frame],
            self.moved_share[frame],
            self.fading[frame],
            self.mean[frame],
            self.worst[frame],
            logarithm(one.luma.median) - logarithm(one.luma.p99),
            logarithm(one.luma.quiet) - logarithm(one.luma.p99),
            explained(one) / energy,
            one.reduced.fine_energy / energy,
            one.reduced.motion_peak,
        ]);
        features.extend(returns(evidence, frame));
        features.extend([one.reduced.offset.abs() / energy.sqrt()]);
        features.values
    }
}

/// Names of the numbers, for the tables of the fit.
pub const FEATURE_NAMES: [&str; FEATURES] = [
    "moved-near-high",
    "moved-near-low",
    "moved-wide-high",
    "moved-wide-low",
    "share-near-high",
    "share-near-low",
    "share-wide-high",
    "share-wide-low",
    "fading-near-high",
    "fading-near-low",
    "fading-wide-high",
    "fading-wide-low",
    "high-near-high",
    "high-near-low",
    "high-wide-high",
    "high-wide-low",
    "mean-near-high",
    "mean-near-low",
    "mean-wide-high",
    "mean-wide-low",
    "worst-near-high",
    "worst-near-low",
    "worst-wide-high",
    "worst-wide-low",
    "moved-near-span",
    "moved-wide-span",
    "moved",
    "moved-share",
    "fading",
    "mean",
    "worst",
    "median-of-high",
    "quiet-of-high",
    "explained",
    "fine",
    "peak",
    "two-back",
    "two-back-next",
    "two-back-here",
    "uniform",
];

/// An array being filled.
struct Filled {
    values: [f32; FEATURES],
    filled: usize,
}

impl Filled {
    fn extend<const N: usize>(&mut self, values: [f32; N]) {
        self.values[self.filled..self.filled + N].copy_from_slice(&values);
        self.filled += N;
    }
}

/// Energy of the change that local motion explains.
fn explained(one: &FrameEvidence) -> f32 {
    (one.reduced.energy - one.reduced.unexplained).max(0.0)
}

fn logarithm(code_values: f32) -> f32 {
    (code_values + SMALLEST_CHANGE).ln()
}

/// The largest and smallest value of the frames within `reach` of `frame`, itself and frame 0 left out, after
/// leaving out the most extreme one on each side where `skip` says so and there are enough.
fn extremes(series: &[f32], frame: usize, reach: usize, skip: usize) -> (f32, f32) {
    let (mut high, mut low) = ([f32::NEG_INFINITY; 2], [f32::INFINITY; 2]);
    let mut count = 0;
    let before = frame.saturating_sub(reach).max(1)..frame;
    let after = frame + 1..(frame + reach + 1).min(series.len());
    for &value in series[before].iter().chain(&series[after]) {
        count += 1;
        let (second, first) = (value.min(high[0]), value.max(high[0]));
        high = [first, second.max(high[1])];
        let (second, first) = (value.max(low[0]), value.min(low[0]));
        low = [first, second.min(low[1])];
    }
    match count {
        0 => (series[frame], series[frame]),
        1 => (high[0], low[0]),
        _ => (high[skip], low[skip]),
    }
}

/// How far the picture is from the one two before, against single steps. A repeat is as far from the picture
/// before last as its predecessor was; a new picture is farther.
fn returns(evidence: &[FrameEvidence], frame: usize) -> [f32; 3] {
    let step = |frame: usize| logarithm(evidence[frame].reduced.energy.max(0.0).sqrt());
    let two = |frame: usize| logarithm(evidence[frame].reduced.energy_two_back.max(0.0).sqrt());
    let (back, here) =
        if frame >= 2 { (two(frame) - step(frame - 1), two(frame) - step(frame)) } else { (0.0, 0.0) };
    let next = if frame + 1 < evidence.len() { two(frame + 1) - step(frame + 1) } else { 0.0 };
    [back, next, here]
}

/// The uniform step of brightness at `frame` that goes on in the same direction around it, code values: a fade
/// goes on, a pulse of the encoder or the light goes back at once.
fn lasting_brightness(evidence: &[FrameEvidence], frame: usize) -> f32 {
    let here = evidence[frame].reduced.offset;
    let shared = |other: usize, sign: f32| {
        let there = evidence[other].reduced.offset;
        if sign * there * here > 0.0 {
            there.abs().min(here.abs())
        } else {
            0.0
        }
    };
    let around = |reach: usize, sign: f32| {
        (frame.saturating_sub(reach).max(1)..(frame + reach + 1).min(evidence.len()))
            .filter(|&other| other != frame)
            .map(|other| shared(other, sign))
            .fold(0.0, f32::max)
    };
    around(WIDE, 1.0) - around(1, -1.0)
}
