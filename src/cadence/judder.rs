//! Judder: how far picture onsets lie from even motion, and how much of that the rate pair forces.
//!
//! A picture that never appeared is late as well: the viewer waits for it until the next one comes. So a freeze is judder
//! whether the device goes on where it stopped or leaps to where it should be.

use std::ops::Range;

use super::segments::{Stretch, Tracking};
use super::slip::Slip;
use super::{FrameTimes, Hold, Judder};
use crate::classify::ClassifiedFrame;

/// Onsets fitted by one line, at most. Eight periods of the longest standard rate pair (1001 pictures), about
/// two minutes at 60 pictures per second: slower drift is a slip, not judder.
const FIT_ONSETS_MAX: usize = 8 * 1024;
/// Onsets that a line needs before its residuals mean anything.
const FIT_ONSETS_MIN: usize = 4;
/// Differences below this are rounding of floats, ms: a thousandth of a nanosecond's order.
const ROUNDING_MS: f64 = 1e-6;

/// What the measures read: holds, frames and times of one capture.
pub(super) struct Scene<'a> {
    /// Every hold.
    pub holds: &'a [Hold],
    /// Every frame.
    pub frames: &'a [ClassifiedFrame],
    /// Times of the frames.
    pub times: &'a FrameTimes,
}

impl Scene<'_> {
    /// Time from `first` until `end`, ms. `end` may be one past the last frame: a frame lasts one period.
    pub fn span_ms(&self, first: u64, end: u64) -> f64 {
        let ticks = &self.times.ticks;
        let last = (end as usize).min(ticks.len() - 1);
        let span = i128::from(ticks[last]) - i128::from(ticks[first as usize]);
        let beyond = (end as usize - last) as f64 * self.times.delivered_rate.period_ms();
        self.ticks_ms(span) + beyond
    }

    fn ticks_ms(&self, ticks: i128) -> f64 {
        let base = self.times.base;
        ticks as f64 * base.num() as f64 * 1000.0 / base.den() as f64
    }

    /// Onsets of these holds relative to the first.
    fn onsets(&self, holds: &Range<usize>) -> Vec<Onset> {
        let ticks = &self.times.ticks;
        let start = &self.holds[holds.start];
        let origin = i128::from(ticks[start.first_frame as usize]);
        let mut picture = 0u64;
        self.holds[holds.clone()]
            .iter()
            .map(|hold| {
                let index = hold.first_frame as usize;
                if hold.first_frame != start.first_frame {
                    picture += 1 + u64::from(self.frames[index].lost_before);
                }
                Onset {
                    picture: picture as f64,
                    lost: f64::from(if hold.first_frame == start.first_frame {
                        0
                    } else {
                        self.frames[index].lost_before
                    }),
                    frame: (hold.first_frame - start.first_frame) as f64,
                    time_ms: self.ticks_ms(i128::from(ticks[index]) - origin),
                }
            })
            .collect()
    }

    fn loses_pictures(&self, holds: &Range<usize>) -> bool {
        self.holds[holds.clone()]
            .iter()
            .skip(1)
            .any(|hold| self.frames[hold.first_frame as usize].lost_before > 0)
    }
}

/// One picture's first moment, counted from the first of its piece.
#[derive(Clone, Copy)]
struct Onset {
    /// Pictures since, lost ones included.
    picture: f64,
    /// Pictures lost just before it.
    lost: f64,
    /// Delivered frames since.
    frame: f64,
    /// Time since, ms.
    time_ms: f64,
}

/// Continuous judged motion at one pattern.
#[derive(Clone, Debug, PartialEq)]
pub(super) struct Piece {
    /// Judged holds.
    pub holds: Range<usize>,
    /// Pictures and frames in lowest terms that the pattern forces; `None` where no pattern holds.
    pub pace: Option<(u64, u64)>,
    /// Whether every hold follows that pace.
    pub clean: bool,
}

impl Piece {
    /// Its holds, cut to whole periods where all follow the pace and at least one period is there.
    pub fn whole_periods(&self) -> Range<usize> {
        let period = match self.pace {
            Some((pictures, _)) if self.clean => pictures as usize,
            _ => 1,
        };
        let length = self.holds.len();
        let whole = length - length % period;
        self.holds.start..self.holds.start + if whole == 0 { length } else { whole }
    }
}

/// Splits judged runs where the pattern changes. Breaks do not split: they are what is measured.
pub(super) fn pieces(
    holds: &[Hold],
    runs: &[Range<usize>],
    tracking: Option<&Tracking>,
    slip: Option<&Slip>,
) -> Vec<Piece> {
    let Some(tracking) = tracking else {
        return runs.iter().map(|run| Piece { holds: run.clone(), pace: None, clean: false }).collect();
    };
    let mut pieces = Vec::new();
    let mut stretches = tracking.stretches.as_slice();
    let mut breaks = tracking.breaks.as_slice();
    let mut slips = slip.map_or(&[][..], |found| &found.report.frames);
    for run in runs {
        let of_run = split_off(&mut stretches, |stretch| stretch.holds.start < run.end);
        let mut remaining = of_run;
        for (part, pattern) in parts_of(run, of_run, tracking.dominant) {
            let first_frame = holds[part.start].first_frame;
            let end_frame = holds.get(part.end).map_or(u64::MAX, |hold| hold.first_frame);
            split_off(&mut breaks, |b| b.frame < first_frame);
            split_off(&mut slips, |&frame| frame < first_frame);
            let broken = !split_off(&mut breaks, |b| b.frame < end_frame).is_empty();
            let slipping = split_off(&mut slips, |&frame| frame < end_frame).len();
            // Stretches start a part or lie within it; the cut ends of the capture are no part of a run.
            let followed: usize = split_off(&mut remaining, |stretch| stretch.holds.start < part.end)
                .iter()
                .map(|stretch| stretch.holds.end.min(part.end) - stretch.holds.start.max(part.start))
                .sum();
            let exact = slip.filter(|_| pattern == tracking.dominant).and_then(|found| found.exact_pace);
            let clean = !broken && followed + slipping == part.len() && (slipping == 0 || exact.is_some());
            let pace = Some(exact.unwrap_or_else(|| tracking.patterns[pattern].pace()));
            pieces.push(Piece { holds: part, pace, clean });
        }
    }
    pieces
}

/// Takes the items off the front for which `wanted` holds.
fn split_off<'a, T>(items: &mut &'a [T], wanted: impl Fn(&T) -> bool) -> &'a [T] {
    let (front, rest) = items.split_at(items.partition_point(wanted));
    *items = rest;
    front
}

/// A run cut where another pattern starts: `(holds, pattern)`.
fn parts_of(run: &Range<usize>, stretches: &[Stretch], dominant: usize) -> Vec<(Range<usize>, usize)> {
    let mut parts = Vec::new();
    let mut start = run.start;
    let mut pattern = stretches.first().map_or(dominant, |first| first.pattern);
    for stretch in stretches.iter().filter(|stretch| stretch.holds.start > run.start) {
        if stretch.pattern != pattern {
            parts.push((start..stretch.holds.start, pattern));
            (start, pattern) = (stretch.holds.start, stretch.pattern);
        }
    }
    parts.push((start..run.end, pattern));
    parts
}

/// Sums pooled over all fits.
#[derive(Default)]
struct Pool {
    onsets: f64,
    squares: f64,
    inherent_squares: f64,
    peak_to_peak_ms: f64,
    holds: f64,
    /// The first hold; sums are of differences from it, so that equal holds give exactly zero.
    hold_reference_ms: Option<f64>,
    hold_sum: f64,
    hold_squares: f64,
    without_pace: bool,
}

/// Judder over all pieces.
pub(super) fn judder(scene: &Scene<'_>, pieces: &[Piece]) -> Judder {
    let mut pool = Pool::default();
    let period_ms = scene.times.delivered_rate.period_ms();
    for piece in pieces {
        let whole = piece.whole_periods();
        let step = fit_length(piece);
        let mut start = whole.start;
        while start < whole.end {
            // A remainder too short for a line of its own stays with the part before.
            let end = if whole.end - start < step + FIT_ONSETS_MIN { whole.end } else { start + step };
            pool_part(&mut pool, scene, piece, start..end, period_ms);
            start = end;
        }
    }
    if pool.onsets == 0.0 {
        return Judder::default();
    }
    let mean_square = pool.squares / pool.onsets;
    let inherent_square = pool.inherent_squares / pool.onsets;
    let hold_mean = pool.hold_sum / pool.holds;
    let inherent = (!pool.without_pace).then_some(inherent_square.sqrt());
    let excess = |inherent: f64| {
        if mean_square.sqrt() - inherent < ROUNDING_MS {
            0.0
        } else {
            (mean_square - inherent_square).sqrt()
        }
    };
    Judder {
        rms_ms: Some(cleared(mean_square.sqrt())),
        peak_to_peak_ms: Some(cleared(pool.peak_to_peak_ms)),
        hold_std_ms: Some(cleared((pool.hold_squares / pool.holds - hold_mean * hold_mean).max(0.0).sqrt())),
        inherent_rms_ms: inherent,
        excess_rms_ms: inherent.map(excess),
    }
}

/// Zero where only float rounding is left.
fn cleared(value_ms: f64) -> f64 {
    if value_ms < ROUNDING_MS {
        0.0
    } else {
        value_ms
    }
}

/// Holds per fit: whole periods of the pace where they fit.
fn fit_length(piece: &Piece) -> usize {
    let period = piece.pace.map_or(1, |(pictures, _)| (pictures as usize).clamp(1, FIT_ONSETS_MAX));
    FIT_ONSETS_MAX - FIT_ONSETS_MAX % period
}

fn pool_part(pool: &mut Pool, scene: &Scene<'_>, piece: &Piece, part: Range<usize>, period_ms: f64) {
    if part.len() < FIT_ONSETS_MIN {
        return;
    }
    let onsets = scene.onsets(&part);
    let known_pace = piece.pace.filter(|_| piece.clean && !scene.loses_pictures(&part));
    let slope = match known_pace {
        // Over whole periods the least-squares slope tends to q/p frames per picture. Within a few periods
        // it leans with the place of the cut, so the known value is better; the frame period is measured.
        Some((p, q)) => q as f64 / p as f64 * slope(&onsets, |onset| onset.frame),
        None => slope(&onsets, |onset| onset.picture),
    };
    let residual = |onset: &Onset| onset.time_ms - slope * onset.picture;
    let mean = onsets.iter().map(residual).sum::<f64>() / onsets.len() as f64;
    let (mut smallest, mut largest, mut count) = (f64::INFINITY, f64::NEG_INFINITY, 0.0);
    for onset in &onsets {
        let off = residual(onset) - mean;
        pool.squares += off * off + late_squares(off, slope, onset.lost);
        count += 1.0 + onset.lost;
        smallest = smallest.min(off);
        largest = largest.max(off + slope * onset.lost);
    }
    pool.peak_to_peak_ms = pool.peak_to_peak_ms.max(largest - smallest);
    pool.onsets += count;
    match piece.pace {
        Some((pictures, _)) => pool.inherent_squares += count * inherent_rms_ms(pictures, period_ms).powi(2),
        None => pool.without_pace = true,
    }
    let ends = onsets[1..].iter().map(|onset| onset.time_ms).chain([scene.span_ms(
        scene.holds[part.start].first_frame,
        scene.holds[part.end - 1].first_frame + u64::from(scene.holds[part.end - 1].frames),
    )]);
    for (onset, end) in onsets.iter().zip(ends) {
        let duration = end - onset.time_ms;
        let off = duration - *pool.hold_reference_ms.get_or_insert(duration);
        pool.holds += 1.0;
        pool.hold_sum += off;
        pool.hold_squares += off * off;
    }
}

/// Sum of squares of how late so many pictures are that were lost before one that is `off` by so much, ms: the last of them
/// by one `step` more, the one before by two …
fn late_squares(off: f64, step: f64, lost: f64) -> f64 {
    let (sum, squares) = (lost * (lost + 1.0) / 2.0, lost * (lost + 1.0) * (2.0 * lost + 1.0) / 6.0);
    lost * off * off + 2.0 * off * step * sum + step * step * squares
}

/// Least-squares slope of time, ms, over what `over` counts.
fn slope(onsets: &[Onset], over: impl Fn(&Onset) -> f64) -> f64 {
    let count = onsets.len() as f64;
    let mean_x = onsets.iter().map(&over).sum::<f64>() / count;
    let mean_y = onsets.iter().map(|onset| onset.time_ms).sum::<f64>() / count;
    let (mut xy, mut xx) = (0.0, 0.0);
    for onset in onsets {
        let x = over(onset) - mean_x;
        xy += x * (onset.time_ms - mean_y);
        xx += x * x;
    }
    xy / xx
}

/// What even motion of p pictures on q frames (lowest terms) cannot avoid, ms: picture k can only start on a
/// frame, ⌈kq/p⌉, so its error takes each of 0, 1/p … (p − 1)/p of a frame once per period. The variance of
/// that discrete uniform distribution is (p² − 1)/12p².
pub(super) fn inherent_rms_ms(pictures: u64, frame_period_ms: f64) -> f64 {
    let p = pictures as f64;
    frame_period_ms * ((p * p - 1.0) / 12.0).sqrt() / p
}
