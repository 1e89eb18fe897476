//! Slow slips: breaks of one kind at regular, long intervals are two clocks that differ, not faults one by one.

use super::pattern::pair_name;
use super::segments::Tracking;
use super::{CadenceBreak, Hold, Pattern, RateSlip};
use crate::classify::ClassifiedFrame;
use crate::units::{gcd, Rate, STANDARD_RATES};

/// Slips that prove themselves by their regularity: two equal intervals.
const REGULAR_SLIPS_MIN: usize = 3;
/// Slips that need a standard rate pair to explain their one interval.
const EXPLAINED_SLIPS_MIN: usize = 2;
/// Intervals tried as the one that repeats: enough to pass over true breaks in between.
const INTERVALS_TRIED: usize = 32;
/// Intervals that may be skipped at once, where a slip hides in a still stretch or another break.
const SKIPPED_INTERVALS_MAX: u64 = 3;
/// Share of the slips due in the whole capture that must be there: clocks differ all the time. Still
/// stretches hide some.
const PRESENT_SHARE_MIN: f64 = 0.6;
/// Share of the breaks of their kind that the slips must make up: among many breaks a few lie at equal
/// distances by chance.
const OWN_SHARE_MIN: f64 = 0.5;

/// Slips and what they say of the pace.
#[derive(Clone, Debug)]
pub(super) struct Slip {
    /// For the report.
    pub report: RateSlip,
    /// Pictures and frames in lowest terms where a standard pair explains the slips: `(400, 1001)`.
    pub exact_pace: Option<(u64, u64)>,
    /// Positions of the first and last slipping hold.
    pub first_hold: usize,
    /// Position of the last slipping hold.
    pub last_hold: usize,
}

/// A chain of breaks at multiples of one interval.
struct Chain {
    frames: Vec<u64>,
    /// Intervals between the first and the last.
    intervals: u64,
}

/// Takes the regular slips out of the breaks, if that is what they are.
pub(super) fn take_slip(
    tracking: &mut Tracking,
    holds: &[Hold],
    frames: &[ClassifiedFrame],
    delivered: Rate,
) -> Option<Slip> {
    let pattern = tracking.dominant_pattern().clone();
    let kinds = [commonest_kind(&tracking.breaks, |b| b.found_hold == b.expected_hold + 1),
        commonest_kind(&tracking.breaks, |b| b.found_hold + 1 == b.expected_hold)];
    for (expected_hold, found_hold) in kinds.into_iter().flatten() {
        let of_kind: Vec<u64> = tracking
            .breaks
            .iter()
            .filter(|b| b.expected_hold == expected_hold && b.found_hold == found_hold)
            .map(|b| b.frame)
            .filter(|&frame| follows_without_loss(holds, frames, frame))
            .collect();
        if let Some(slip) = slip_of(&of_kind, &pattern, holds, delivered) {
            let slipping = &slip.report.frames;
            tracking.breaks.retain(|b| slipping.binary_search(&b.frame).is_err());
            return Some(slip);
        }
    }
    None
}

/// The commonest `(expected, found)` among breaks that `wanted` accepts.
fn commonest_kind(breaks: &[CadenceBreak], wanted: impl Fn(&CadenceBreak) -> bool) -> Option<(u32, u32)> {
    let mut counts = std::collections::BTreeMap::<(u32, u32), usize>::new();
    for kind in breaks.iter().filter(|b| wanted(b)) {
        *counts.entry((kind.expected_hold, kind.found_hold)).or_default() += 1;
    }
    counts.into_iter().max_by_key(|&(_, count)| count).map(|(kind, _)| kind)
}

/// Whether no picture was lost around the hold at `frame`: a slip shows every picture.
fn follows_without_loss(holds: &[Hold], frames: &[ClassifiedFrame], frame: u64) -> bool {
    let next = hold_at(holds, frame).and_then(|index| holds.get(index + 1));
    let lost = |first: u64| frames[first as usize].lost_before > 0;
    !lost(frame) && !next.is_some_and(|hold| lost(hold.first_frame))
}

fn hold_at(holds: &[Hold], frame: u64) -> Option<usize> {
    holds.binary_search_by_key(&frame, |hold| hold.first_frame).ok()
}

fn slip_of(breaks: &[u64], pattern: &Pattern, holds: &[Hold], delivered: Rate) -> Option<Slip> {
    // A slip can only fall at the same place of the period, so intervals vary by one period.
    let tolerance = pattern.frames();
    let chain = longest_chain(breaks, tolerance)?;
    let (first, last) = (*chain.frames.first()?, *chain.frames.last()?);
    let (first_hold, last_hold) = (hold_at(holds, first)?, hold_at(holds, last)?);
    let (pictures, frames) = ((last_hold - first_hold) as u64, last - first);
    let exact = standard_motion(pattern, (pictures, frames), chain.intervals, delivered);
    let slips = chain.frames.len() as f64;
    let capture_frames = holds.last().map_or(0, |hold| hold.first_frame + u64::from(hold.frames));
    let due = (capture_frames as f64 * chain.intervals as f64 / frames as f64).floor();
    if slips < PRESENT_SHARE_MIN * due || slips < OWN_SHARE_MIN * breaks.len() as f64 {
        return None;
    }
    let regular = chain.frames.len() >= REGULAR_SLIPS_MIN;
    let explained = chain.frames.len() >= EXPLAINED_SLIPS_MIN && exact.is_some();
    // Frames by which this stretch is longer or shorter than the pattern alone would make it.
    let shift = shift_frames(pattern, pictures, frames);
    if !(regular || explained) || shift == 0.0 {
        return None;
    }
    Some(Slip {
        report: RateSlip {
            pattern: pattern.clone(),
            interval_s: frames as f64 / shift.abs() / delivered.hz(),
            rate_pair: exact.and_then(|motion| pair_name(motion, delivered)),
            frames: chain.frames,
        },
        exact_pace: exact.map(|motion| pace(motion, delivered)),
        first_hold,
        last_hold,
    })
}

/// Delivered frames by which `pictures` took longer than the pattern's pace.
fn shift_frames(pattern: &Pattern, pictures: u64, frames: u64) -> f64 {
    let (p, q) = pattern.pace();
    (frames as f64 * p as f64 - pictures as f64 * q as f64) / p as f64
}

/// Pictures and frames in lowest terms for a motion rate on a delivered rate.
fn pace(motion: Rate, delivered: Rate) -> (u64, u64) {
    let (pictures, frames) = (motion.num() * delivered.den(), motion.den() * delivered.num());
    let divisor = gcd(pictures, frames);
    (pictures / divisor, frames / divisor)
}

/// The standard rate whose slip interval on `delivered` is the measured one.
fn standard_motion(
    pattern: &Pattern,
    (pictures, frames): (u64, u64),
    intervals: u64,
    delivered: Rate,
) -> Option<Rate> {
    let shift = shift_frames(pattern, pictures, frames);
    let (p, q) = pattern.pace();
    // The ends of the chain lie anywhere within one period.
    let tolerance = (pattern.frames() as f64 + 0.5) / frames as f64;
    STANDARD_RATES.iter().map(|&(rate, _)| rate).find(|&rate| {
        let (pictures_in, frames_in) = pace(rate, delivered);
        // Shift per delivered frame: exact up to one rounding.
        let expected = frames as f64
            * (frames_in as f64 * p as f64 - pictures_in as f64 * q as f64)
            / (p as f64 * frames_in as f64);
        intervals > 0 && shift != 0.0 && (expected / shift - 1.0).abs() <= tolerance
    })
}

/// The longest chain of breaks that lie at multiples of one interval, each within `tolerance` frames.
fn longest_chain(breaks: &[u64], tolerance: u64) -> Option<Chain> {
    let steps = breaks.windows(2).map(|pair| pair[1] - pair[0]).take(INTERVALS_TRIED);
    let chains = steps.filter(|&interval| interval > 2 * tolerance).flat_map(|interval| {
        // Where the first break is no slip, the chain starts at a later one.
        (0..breaks.len().min(INTERVALS_TRIED)).map(move |start| (interval, start))
    });
    let mut best: Option<Chain> = None;
    for (interval, start) in chains {
        let chain = chain_from(&breaks[start..], interval, tolerance);
        if best.as_ref().is_none_or(|known| chain.frames.len() > known.frames.len()) {
            best = Some(chain);
        }
        if best.as_ref().is_some_and(|known| known.frames.len() == breaks.len()) {
            break;
        }
    }
    best.filter(|chain| chain.frames.len() >= EXPLAINED_SLIPS_MIN)
}

fn chain_from(breaks: &[u64], interval: u64, tolerance: u64) -> Chain {
    let mut chain = Chain { frames: vec![breaks[0]], intervals: 0 };
    let mut previous = breaks[0];
    for &frame in &breaks[1..] {
        let step = frame - previous;
        let count = (step + interval / 2) / interval;
        let near = step.abs_diff(count * interval) <= tolerance * count;
        if near && (1..=1 + SKIPPED_INTERVALS_MAX).contains(&count) {
            chain.frames.push(frame);
            chain.intervals += count;
            previous = frame;
        }
    }
    chain
}
