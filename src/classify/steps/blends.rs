//! Mixes: frames that are weighted sums of two pictures.
//!
//! A mix of pictures that moved has less fine detail than they have: for any pictures a and b,
//! |(1−w)a + wb|² = (1−w)|a|² + w|b|² − w(1−w)|a−b|². A converter that mixes from one rate to another takes the
//! weights in turn, so the loss w(1−w) comes round with the period of the rate pair, and so do the change from
//! frame to frame and the bend, the change of that change: the nearer a frame lies to the line between its neighbours,
//! the less of it. All three are looked for together, as content that comes round by itself (a counter's digits) has
//! one or two of them. Periods up to 4 are left out: encoders spend their bits with such periods.
//!
//! A mix between two pictures that are held is seen where the fine parts of three frames lie on one line although
//! the outer two have little in common: motion does not lead along a line then. Between pictures that are not
//! held that proves nothing: encoders fill such frames with the mean of their neighbours, and content that moves
//! by half a pixel is its own mix.

use std::collections::BTreeSet;
use std::ops::Range;

use super::{ClassifiedFrame, FrameClass, FrameEvidence, FrameFlags};
use crate::frame::Coding;

/// Rate pairs of mixing, pictures on frames: 48, 50, 24 and 25 on 60, 30 and 24 on 50, 24 on 25.
const PAIRS: [(usize, usize); 7] = [(4, 5), (5, 6), (2, 5), (5, 12), (3, 5), (12, 25), (24, 25)];

/// Frames judged together: this many periods, and no fewer frames.
const WINDOW_PERIODS: usize = 6;
const WINDOW_MIN: usize = 48;

/// Share of the variation of detail, of change, and of bend, that the turn of the weights must explain in a window.
/// By trials: clips without mixes stay below 0.85 with a gain below the least, and below 0.5 with any gain.
const EXPLAINED_MIN: f32 = 0.45;
/// The same for periods so long that content has them by chance.
const EXPLAINED_MIN_LONG: f32 = 0.75;
/// Periods from which [`EXPLAINED_MIN_LONG`] holds, frames.
const LONG_PERIOD: usize = 24;

/// Least loss of detail as a share of what mixing takes away by the change it leaves (1 of any pictures, less with noise).
/// Between the frames that an encoder fills from their neighbours, and those that it codes anew, it is 0.38 to 0.42.
const DETAIL_GAIN_MIN: f32 = 0.5;
/// Least turn of the change against what is expected where pictures have nothing in common.
const CHANGE_GAIN_MIN: f32 = 0.06;

/// Share of the windows in motion that must show the turn: a converter mixes all the time.
const WINDOWS_SHARE_MIN: f64 = 0.1;

/// Cosine between the steps to and from a frame from which it lies on the line between its neighbours.
const COLLINEAR_FROM: f32 = 0.85;
/// Mean square difference of the fine parts of two pictures, against the sum of both, from which they have
/// little in common (1 where nothing).
const APART_FROM: f32 = 0.3;
/// Confidence of a repeat from which it holds a picture: what is no repeat makes no mix of its neighbour. Choice: that of
/// sure calls in the tables.
const SURELY_HELD: f32 = 0.95;
/// Weights nearer to 0 or 1 than this are not told from the pictures themselves.
const WEIGHT_MIN: f32 = 0.15;

/// The mean of two pictures has their weight within this. Choice.
const MEAN_WITHIN: f32 = 0.02;
/// What rounding leaves beside the line, code values squared: twice 1/12, the variance of a rounded value.
const ROUNDING: f32 = 1.0 / 6.0;

/// Marks mixes with the weight of the later picture.
pub(super) fn mark(frames: &mut [ClassifiedFrame], evidence: &[FrameEvidence], coding: Coding) {
    for index in 2..frames.len().saturating_sub(1) {
        let weight = mix_between_holds(frames, evidence, index);
        if let Some(weight) = weight.filter(|&weight| is_mixed_by_device(evidence, (index, weight), coding)) {
            flag(&mut frames[index], weight);
        }
    }
    let series = Series::new(frames, evidence);
    let periods: BTreeSet<usize> = PAIRS.iter().map(|&(_, frames)| frames).collect();
    let found = periods.into_iter().flat_map(|period| {
        let windows = series.windows(period);
        let pairs = PAIRS.iter().filter(|&&(_, frames)| frames == period);
        pairs.filter_map(|&pair| Turns::found(Pair::new(pair), &windows)).collect::<Vec<_>>()
    });
    let best = found.max_by(|a, b| a.strength().total_cmp(&b.strength()));
    if let Some(turns) = best {
        turns.mark(frames);
    }
}

fn flag(frame: &mut ClassifiedFrame, weight: f32) {
    frame.flags.insert(FrameFlags::BLEND);
    frame.blend_weight = weight;
}

/// Cosine between the fine parts of the steps into `index` and into the frame after it.
fn cosine(evidence: &[FrameEvidence], index: usize) -> Option<f32> {
    let step = evidence[index].reduced.fine_energy;
    let next = &evidence.get(index + 1)?.reduced;
    let product = step * next.fine_energy;
    (index >= 2 && product > 0.0)
        .then(|| (next.fine_energy_two_back - step - next.fine_energy) / (2.0 * product.sqrt()))
}

/// Mean square of the fine part of a frame less the mean of its neighbours, times four; 0 at the ends.
fn bend(evidence: &[FrameEvidence], index: usize) -> f32 {
    match evidence.get(index + 1) {
        Some(next) if index > 0 => {
            let [into, from] = [evidence[index].reduced.fine_energy, next.reduced.fine_energy];
            2.0 * (into + from) - next.reduced.fine_energy_two_back
        }
        _ => 0.0,
    }
}

/// The weight of the later picture where frame `index` is a mix of the frames next to it.
fn mix_between_holds(frames: &[ClassifiedFrame], evidence: &[FrameEvidence], index: usize) -> Option<f32> {
    let plain = |index: usize| {
        let flags = frames[index].flags;
        frames[index].class == FrameClass::New
            && !flags.contains(FrameFlags::CUT)
            && !flags.contains(FrameFlags::AFTER_GAP)
    };
    let held = |index: usize| {
        let repeat = frames.get(index).filter(|frame| frame.class == FrameClass::Repeat);
        repeat.is_some_and(|frame| frame.confidence >= SURELY_HELD)
    };
    let between_holds = held(index - 1) || held(index + 2);
    if !plain(index) || !plain(index + 1) || !between_holds || cosine(evidence, index)? < COLLINEAR_FROM {
        return None;
    }
    let next = &evidence[index + 1].reduced;
    let apart = next.fine_energy_two_back >= APART_FROM * (evidence[index - 1].reduced.detail + next.detail);
    if !apart {
        return None;
    }
    let [here, after] = [evidence[index].reduced.fine_energy, next.fine_energy].map(f32::sqrt);
    let weight = here / (here + after);
    (WEIGHT_MIN..=1.0 - WEIGHT_MIN).contains(&weight).then_some(weight)
}

/// Whether the recorder cannot have made frame `index` a mix of its neighbours of this weight: what keeps samples leaves
/// nothing of a mix beside its line but rounding and noise, as large as in a picture that is held; what does not fills
/// frames with the mean of their neighbours.
fn is_mixed_by_device(evidence: &[FrameEvidence], (index, weight): (usize, f32), coding: Coding) -> bool {
    if coding == Coding::Lossy {
        return (weight - 0.5).abs() > MEAN_WITHIN;
    }
    let [before, next] = [index - 1, index + 1].map(|index| evidence[index].reduced);
    let after = evidence.get(index + 2).map_or(0.0, |after| after.reduced.fine_energy);
    let step = evidence[index].reduced.fine_energy;
    let along = (step + next.fine_energy_two_back - next.fine_energy) / 2.0;
    let beside = step - along * along / next.fine_energy_two_back;
    beside <= ROUNDING + before.fine_energy.min(after)
}

/// What a converter between two rates does to detail and change, place by place of its period.
struct Pair {
    /// Weight of the later picture; 0 at the place of the pure picture.
    weights: Vec<f32>,
    /// Loss of detail less its mean, in mean changes.
    loss: Vec<f32>,
    /// Change into the place against the mean change, less 1, where pictures have nothing in common.
    change: Vec<f32>,
    /// The same of the bend at the place.
    bend: Vec<f32>,
}

impl Pair {
    fn new((pictures, frames): (usize, usize)) -> Self {
        let weight = |slot: usize| (slot * pictures % frames) as f32 / frames as f32;
        let weights: Vec<f32> = (0..frames).map(weight).collect();
        // Two pictures that have nothing in common differ by twice the square of one.
        let changes =
            (0..frames).map(|slot| square_of_sum(&[-1.0, 1.0], slot + frames - 1, (pictures, frames)));
        let mean_change = changes.sum::<f32>() / frames as f32 / 2.0;
        let loss = weights.iter().map(|w| w * (1.0 - w) / mean_change).collect();
        let turn = |factors: &[f32], from: usize| {
            let at = |slot: usize| square_of_sum(factors, slot + frames - from, (pictures, frames));
            let values: Vec<f32> = (0..frames).map(at).collect();
            let mean = values.iter().sum::<f32>() / frames as f32;
            without_mean(values.into_iter().map(|value| value / mean).collect())
        };
        Self {
            weights,
            loss: without_mean(loss),
            change: turn(&[-1.0, 1.0], 1),
            bend: turn(&[1.0, -2.0, 1.0], 1),
        }
    }

    fn period(&self) -> usize {
        self.weights.len()
    }
}

/// Mean square of a sum of frames from `slot` on, each times its factor, where pictures have nothing in common: the sum of
/// squares of what each picture counts in it.
fn square_of_sum(factors: &[f32], slot: usize, (pictures, frames): (usize, usize)) -> f32 {
    let first = slot * pictures / frames;
    let mut weights = vec![0.0f32; factors.len() + 2];
    for (slot, factor) in (slot..).zip(factors) {
        let (picture, rest) = (slot * pictures / frames - first, slot * pictures % frames);
        let later = rest as f32 / frames as f32;
        weights[picture] += factor * (1.0 - later);
        weights[picture + 1] += factor * later;
    }
    weights.iter().map(|weight| weight * weight).sum()
}

fn without_mean(values: Vec<f32>) -> Vec<f32> {
    let mean = values.iter().sum::<f32>() / values.len() as f32;
    values.into_iter().map(|value| value - mean).collect()
}

/// How well the turn of the weights fits one window.
#[derive(Clone, Copy, Debug)]
struct Fit {
    first_frame: usize,
    end: usize,
    /// Index of pure frames, modulo the period.
    phase: usize,
    /// The least share explained, of detail, of change and of bend.
    explained: f32,
    sure: bool,
}

/// The windows of a capture that a rate pair fits.
struct Turns {
    pair: Pair,
    fits: Vec<Fit>,
}

impl Turns {
    /// Where a rate pair fits, if it fits enough of the capture.
    fn found(pair: Pair, windows: &[Window]) -> Option<Self> {
        let fits: Vec<Fit> = windows.iter().filter_map(|window| fit(&pair, window)).collect();
        let sure = fits.iter().filter(|fit| fit.sure).count();
        let enough = sure >= 2 || sure == 1 && fits.len() == 1;
        (enough && sure as f64 >= WINDOWS_SHARE_MIN * fits.len() as f64).then_some(Self { pair, fits })
    }

    fn strength(&self) -> f32 {
        self.fits
            .iter()
            .filter(|fit| fit.sure)
            .map(|fit| fit.explained * (fit.end - fit.first_frame) as f32)
            .sum()
    }

    /// Marks new frames at places of mixes. A window that does not tell goes by the sure ones around it where
    /// they agree.
    fn mark(&self, frames: &mut [ClassifiedFrame]) {
        let period = self.pair.period();
        for (number, window) in self.fits.iter().enumerate() {
            let earlier = self.fits[..=number].iter().rev().find(|fit| fit.sure);
            let later = self.fits[number..].iter().find(|fit| fit.sure);
            let phase = match (earlier, later) {
                (Some(earlier), Some(later)) if earlier.phase != later.phase => continue,
                (Some(one), _) | (None, Some(one)) => one.phase,
                (None, None) => continue,
            };
            let from = if number == 0 { 0 } else { window.first_frame };
            for (index, frame) in frames[..window.end].iter_mut().enumerate().skip(from) {
                let weight = self.pair.weights[(index + period - phase) % period];
                frame.flags.0 &= !FrameFlags::BLEND.0;
                if weight > 0.0 && frame.class == FrameClass::New {
                    flag(frame, weight);
                }
            }
        }
    }
}

/// What windows are judged by, frame by frame.
struct Series {
    /// Mean square detail.
    detail: Vec<f32>,
    /// Mean square change of the fine parts.
    change: Vec<f32>,
    /// Mean square of the change of that change.
    bend: Vec<f32>,
    /// Frames since the last cut, or since frame 0, which has no change.
    since_cut: Vec<u32>,
}

impl Series {
    fn new(frames: &[ClassifiedFrame], evidence: &[FrameEvidence]) -> Self {
        let mut since = 0;
        Self {
            detail: evidence.iter().map(|one| one.reduced.detail).collect(),
            change: evidence.iter().map(|one| one.reduced.fine_energy).collect(),
            bend: (0..evidence.len()).map(|index| bend(evidence, index)).collect(),
            since_cut: frames
                .iter()
                .enumerate()
                .map(|(index, frame)| {
                    let is_first = index == 0 || frame.flags.contains(FrameFlags::CUT);
                    since = if is_first { 0 } else { since + 1 };
                    since
                })
                .collect(),
        }
    }

    /// The windows of the capture for a period; none where it is too short.
    fn windows(&self, period: usize) -> Vec<Window> {
        let length = (WINDOW_PERIODS * period).max(WINDOW_MIN);
        let frames = self.since_cut.len();
        if frames <= length {
            return Vec::new();
        }
        let count = (frames - 1) / length;
        let starts: Vec<usize> = (0..=count).map(|number| 1 + number * (frames - 1) / count).collect();
        let long_enough = starts.windows(2).filter(|ends| ends[1] - ends[0] >= length);
        long_enough
            .map(|ends| {
                let frames = ends[0]..ends[1];
                Window {
                    mean_change: self.change[frames.clone()].iter().sum::<f32>() / frames.len() as f32,
                    detail: self.folded(&self.detail, frames.clone(), period),
                    change: self.folded(&self.change, frames.clone(), period),
                    bend: self.folded(&self.bend, frames.clone(), period),
                    frames,
                }
            })
            .collect()
    }

    /// Deviations of `values` from their mean over one period around each frame, by place of the period. Frames
    /// where that period spans a cut or the ends are left out.
    fn folded(&self, values: &[f32], window: Range<usize>, period: usize) -> Folded {
        let half = period / 2;
        let mut folded = Folded { sums: vec![0.0; period], counts: vec![0.0; period], squares: 0.0 };
        for middle in window {
            let end = middle + half;
            if self.since_cut.get(end).is_none_or(|&since| (since as usize) < 2 * half + 1) {
                continue;
            }
            let inner: f32 = values[middle - half + 1..end].iter().sum();
            let ends = values[middle - half] + values[end];
            // Of an even period both ends count half.
            let mean = (inner + if period % 2 == 0 { ends / 2.0 } else { ends }) / period as f32;
            let deviation = values[middle] - mean;
            folded.sums[middle % period] += deviation;
            folded.counts[middle % period] += 1.0;
            folded.squares += deviation * deviation;
        }
        folded
    }
}

/// Frames judged together.
struct Window {
    frames: Range<usize>,
    /// Mean of the changes.
    mean_change: f32,
    detail: Folded,
    change: Folded,
    bend: Folded,
}

/// Sums of deviations by place of the period, and the sum of their squares.
struct Folded {
    sums: Vec<f32>,
    counts: Vec<f32>,
    squares: f32,
}

impl Folded {
    /// Least-squares gain of a turn with its first place at `phase`, and the share of the squares it explains,
    /// negative where the gain is.
    fn gain(&self, turn: &[f32], phase: usize) -> (f32, f32) {
        let period = turn.len();
        let at = |place: usize| turn[(place + period - phase) % period];
        let product: f32 = self.sums.iter().enumerate().map(|(place, sum)| sum * at(place)).sum();
        let square: f32 =
            self.counts.iter().enumerate().map(|(place, count)| count * at(place) * at(place)).sum();
        if square <= 0.0 || self.squares <= 0.0 {
            return (0.0, 0.0);
        }
        let gain = product / square;
        (gain, gain * gain.abs() * square / self.squares)
    }
}

/// The phase at which the turn fits best; `None` where nothing moves.
fn fit(pair: &Pair, window: &Window) -> Option<Fit> {
    let Window { frames, mean_change, detail, change, bend } = window;
    if *mean_change <= 0.0 {
        return None;
    }
    let period = pair.period();
    let least = if period >= LONG_PERIOD { EXPLAINED_MIN_LONG } else { EXPLAINED_MIN };
    let fits = (0..period).map(|phase| {
        let (loss, loss_share) = detail.gain(&pair.loss, phase);
        let (turn, turn_share) = change.gain(&pair.change, phase);
        let (_, bend_share) = bend.gain(&pair.bend, phase);
        // Detail is lost where the loss is large.
        let explained = (-loss_share).min(turn_share).min(bend_share);
        let gained = -loss >= DETAIL_GAIN_MIN * mean_change && turn >= CHANGE_GAIN_MIN * mean_change;
        let sure = gained && explained >= least;
        Fit { first_frame: frames.start, end: frames.end, phase, explained, sure }
    });
    fits.max_by(|a, b| a.explained.total_cmp(&b.explained))
}
