//! Slow slips: breaks of one kind at regular, long intervals are two clocks that differ, not faults one by one.

use super::pattern::pair_name;
use super::segments::Tracking;
use super::{CadenceBreak, Hold, Pattern, RateSlip};
use crate::classify::ClassifiedFrame;
use crate::units::{gcd, Rate, STANDARD_RATES};

/// Periods of the pattern between two slips that make them slow: fewer, and a longer period that contains
/// them may explain the holds better.
pub(super) const SLOW_SLIP_PERIODS: u64 = 8;
/// Pictures skipped more often than this are a rate conversion that leaves pictures out, not two clocks, seconds:
/// the nearest standard rates that are not meant to be the same (59.94 on 50, 30 on 25) skip several a second, the
/// 1000/1001 pairs one in 16 s or more.
const SKIP_INTERVAL_MIN_S: f64 = 2.0;
/// How likely the breaks may be by chance, against being slips, where they prove themselves: 1 in 500.
const CHANCE_MAX: f64 = 0.002;
/// Each break of the kind that lies off the chain is this many times likelier by chance than among slips:
/// true breaks are taken to be at most one in four of those that look like slips.
const OFF_CHAIN_FACTOR: f64 = 4.0;
/// Slips that need a standard rate pair to explain their one interval.
const EXPLAINED_SLIPS_MIN: usize = 2;
/// Largest uncertainty of an interval, as a share of it, at which a standard rate pair explains it.
const EXPLAINED_TOLERANCE_MAX: f64 = 0.02;
/// Intervals tried as the one that repeats: enough to pass over true breaks in between.
const INTERVALS_TRIED: usize = 32;
/// Intervals that may be skipped at once, where a slip hides in a still stretch or another break.
const SKIPPED_INTERVALS_MAX: u64 = 3;
/// Share of the slips due in the whole capture that must be there: clocks differ all the time. Still
/// stretches hide some.
const PRESENT_SHARE_MIN: f64 = 0.6;
/// Share of the breaks of their kind that the slips must make up: among many breaks a few lie at equal
/// distances by chance.
const OWN_SHARE_MIN: f64 = 0.6;
/// Shifts are multiples of 1/p frame, p pictures per period; closer than this they are equal, frames.
const SHIFT_ROUNDING_FRAMES: f64 = 1e-4;

/// Slips and what they say of the pace.
#[derive(Clone, Debug)]
pub(super) struct Slip {
    /// For the report.
    pub report: RateSlip,
    /// Pictures and frames in lowest terms where a standard pair explains the slips: `(400, 1001)`.
    pub exact_pace: Option<(u64, u64)>,
}

/// A chain of breaks at multiples of one interval.
struct Chain {
    frames: Vec<u64>,
    /// Frames from one to the next.
    interval: u64,
    /// How likely the breaks lie so by chance, against by slips: natural logarithm of the ratio.
    log_chance: f64,
}

/// Where slips are looked for.
pub(super) struct Search<'a> {
    /// Every hold.
    pub holds: &'a [Hold],
    /// Every frame.
    pub frames: &'a [ClassifiedFrame],
    /// Delivered rate.
    pub delivered: Rate,
    /// Periods of the pattern that lie between two slips at least.
    pub periods_min: u64,
}

impl Search<'_> {
    /// Takes the regular slips out of the breaks, if that is what they are. Where the source is the faster
    /// clock (60 on 59.94) nothing breaks, but one picture is skipped at each slip.
    pub fn take_slip(&self, tracking: &mut Tracking) -> Option<Slip> {
        let kinds = [
            commonest_kind(&tracking.breaks, |b| b.found_hold == b.expected_hold + 1),
            commonest_kind(&tracking.breaks, |b| b.found_hold + 1 == b.expected_hold),
        ];
        for (expected_hold, found_hold) in kinds.into_iter().flatten() {
            let of_kind: Vec<u64> = tracking
                .breaks
                .iter()
                .filter(|b| b.expected_hold == expected_hold && b.found_hold == found_hold)
                .map(|b| b.frame)
                .filter(|&frame| self.loses_nothing(frame))
                .collect();
            let found = self.slip_of(&of_kind, tracking, |chain| drift(&chain.frames, tracking, self.holds));
            if let Some(slip) = found {
                let slipping = &slip.report.frames;
                tracking.breaks.retain(|b| slipping.binary_search(&b.frame).is_err());
                return Some(slip);
            }
        }
        let (pictures, frames) = tracking.dominant_pattern().pace();
        let skips = self.slip_of(&self.lone_skips(), tracking, |chain| {
            let span = (chain.frames.last()? - chain.frames.first()?) as f64;
            let skipped = (span / chain.interval as f64).round();
            Some(Drift { frames: span, shift: -skipped * frames as f64 / pictures as f64 })
        });
        skips.filter(|slip| slip.report.interval_s >= SKIP_INTERVAL_MIN_S)
    }

    /// Frames before which just one picture is lost.
    fn lone_skips(&self) -> Vec<u64> {
        let judged = self.holds.iter().filter(|hold| hold.judged).map(|hold| hold.first_frame);
        judged.filter(|&frame| self.frames[frame as usize].lost_before == 1).collect()
    }

    /// Whether no picture was lost around the hold at `frame`: a slip shows every picture.
    fn loses_nothing(&self, frame: u64) -> bool {
        let next = hold_at(self.holds, frame).and_then(|index| self.holds.get(index + 1));
        let lost = |first: u64| self.frames[first as usize].lost_before > 0;
        !lost(frame) && !next.is_some_and(|hold| lost(hold.first_frame))
    }

    fn slip_of(
        &self,
        breaks: &[u64],
        tracking: &Tracking,
        drift: impl Fn(&Chain) -> Option<Drift>,
    ) -> Option<Slip> {
        let pattern = tracking.dominant_pattern();
        // A slip can only fall at the same place of the period, so intervals vary by one period.
        let chain = longest_chain(breaks, pattern.frames(), self.periods_min * pattern.frames())?;
        let slips = chain.frames.len() as f64;
        let capture_frames = self.holds.last().map_or(0, |hold| hold.first_frame + u64::from(hold.frames));
        let due = capture_frames / chain.interval;
        if slips < PRESENT_SHARE_MIN * due as f64 || slips < OWN_SHARE_MIN * breaks.len() as f64 {
            return None;
        }
        let drift = drift(&chain)?;
        let motion = standard_motion(pattern, &drift, self.delivered);
        let slow = chain.interval > SLOW_SLIP_PERIODS * pattern.frames();
        if motion.is_none() && !(slow && chain.log_chance <= CHANCE_MAX.ln()) {
            return None;
        }
        Some(Slip {
            report: RateSlip {
                pattern: pattern.clone(),
                interval_s: drift.frames / drift.shift.abs() / self.delivered.hz(),
                rate_pair: motion.and_then(|motion| pair_name(motion, self.delivered)),
                frames: chain.frames,
            },
            exact_pace: motion.map(|motion| pace(motion, self.delivered)),
        })
    }
}

/// The commonest `(expected, found)` among breaks that `wanted` accepts.
fn commonest_kind(breaks: &[CadenceBreak], wanted: impl Fn(&CadenceBreak) -> bool) -> Option<(u32, u32)> {
    let mut counts = std::collections::BTreeMap::<(u32, u32), usize>::new();
    for kind in breaks.iter().filter(|b| wanted(b)) {
        *counts.entry((kind.expected_hold, kind.found_hold)).or_default() += 1;
    }
    counts.into_iter().max_by_key(|&(_, count)| count).map(|(kind, _)| kind)
}

fn hold_at(holds: &[Hold], frame: u64) -> Option<usize> {
    holds.binary_search_by_key(&frame, |hold| hold.first_frame).ok()
}

/// How far slips shift the pattern.
struct Drift {
    /// Delivered frames over which it was measured.
    frames: f64,
    /// Delivered frames by which pictures came later (positive) than the pattern alone would bring them.
    shift: f64,
}

/// Drift over neighbouring slips with nothing but the pattern between them; up to the last place where it is
/// a whole number of frames, if there is one.
fn drift(slips: &[u64], tracking: &Tracking, holds: &[Hold]) -> Option<Drift> {
    let (mut last, mut last_whole) = (None, None);
    let (mut frames, mut shift) = (0.0, 0.0);
    for pair in slips.windows(2) {
        let (Some(first), Some(second)) = (hold_at(holds, pair[0]), hold_at(holds, pair[1])) else {
            continue;
        };
        let Some((frame, late)) = tracking.lateness_between(first, second, holds) else { continue };
        frames += frame as f64;
        shift += late;
        let found = Drift { frames, shift };
        if shift.abs() < SHIFT_ROUNDING_FRAMES {
            continue;
        }
        if (shift - shift.round()).abs() < SHIFT_ROUNDING_FRAMES {
            last_whole = Some(found);
        } else {
            last = Some(found);
        }
    }
    last_whole.or(last)
}

/// Pictures and frames in lowest terms for a motion rate on a delivered rate.
fn pace(motion: Rate, delivered: Rate) -> (u64, u64) {
    let (pictures, frames) = (motion.num() * delivered.den(), motion.den() * delivered.num());
    let divisor = gcd(pictures, frames);
    (pictures / divisor, frames / divisor)
}

/// The standard rate whose slip interval on `delivered` is the measured one.
fn standard_motion(pattern: &Pattern, drift: &Drift, delivered: Rate) -> Option<Rate> {
    let (p, q) = pattern.pace();
    // The ends of the chain lie anywhere within one period.
    let tolerance = (pattern.frames() as f64 + 0.5) / drift.frames;
    if tolerance > EXPLAINED_TOLERANCE_MAX {
        return None;
    }
    STANDARD_RATES.iter().map(|&(rate, _)| rate).find(|&rate| {
        let (pictures_in, frames_in) = pace(rate, delivered);
        // Integers up to the last division, so that nothing cancels.
        let shift_per_frame = (i128::from(frames_in) * i128::from(p)
            - i128::from(pictures_in) * i128::from(q)) as f64
            / (p as f64 * frames_in as f64);
        (drift.frames * shift_per_frame / drift.shift - 1.0).abs() <= tolerance
    })
}

/// The longest chain of breaks that lie at multiples of one interval, each within `tolerance` frames.
fn longest_chain(breaks: &[u64], tolerance: u64, interval_min: u64) -> Option<Chain> {
    let steps = breaks.windows(2).map(|pair| pair[1] - pair[0]).take(INTERVALS_TRIED);
    let (first, last) = (breaks.first()?, breaks.last()?);
    // Longer intervals leave room for too few slips; without them the search is linear in the frames.
    let interval_max = (last - first) as f64 / (OWN_SHARE_MIN * breaks.len() as f64 - 1.0).max(1.0);
    let allowed = |&step: &u64| step > interval_min.max(2 * tolerance) && step as f64 <= interval_max;
    let mut best: Option<Chain> = None;
    for interval in steps.filter(allowed) {
        let chain = chain_at(breaks, interval, tolerance);
        if best.as_ref().is_none_or(|known| chain.frames.len() > known.frames.len()) {
            best = Some(chain);
        }
        if best.as_ref().is_some_and(|known| known.frames.len() == breaks.len()) {
            break;
        }
    }
    best.filter(|chain| chain.frames.len() >= EXPLAINED_SLIPS_MIN)
}

/// All breaks that lie at a multiple of `interval` from another one. Where a true break moves the slips after
/// it, a new part of the chain begins.
fn chain_at(breaks: &[u64], interval: u64, tolerance: u64) -> Chain {
    let mut used = vec![false; breaks.len()];
    let mut log_chance = 0.0;
    for start in 0..breaks.len() {
        if used[start] {
            continue;
        }
        let part = part_from(&breaks[start..], &used[start..], interval, tolerance);
        if part.positions.len() >= EXPLAINED_SLIPS_MIN {
            log_chance += part.log_chance;
            for position in part.positions {
                used[start + position] = true;
            }
        }
    }
    let off_chain = used.iter().filter(|&&used| !used).count();
    log_chance += OFF_CHAIN_FACTOR.ln() * off_chain as f64;
    let frames = breaks.iter().zip(used).filter(|&(_, used)| used).map(|(&frame, _)| frame).collect();
    Chain { frames, interval, log_chance }
}

/// Part of a chain: positions of its breaks, and the logarithm of the chance that breaks at random lie like
/// it.
struct Part {
    positions: Vec<usize>,
    log_chance: f64,
}

/// The breaks that go on from the first at multiples of `interval`, where not yet used. Ends where too many
/// intervals pass without one.
fn part_from(breaks: &[u64], used: &[bool], interval: u64, tolerance: u64) -> Part {
    let mut part = Part { positions: vec![0], log_chance: 0.0 };
    let mut previous = breaks[0];
    let mut passed_over = 0u64;
    for (position, &frame) in breaks.iter().enumerate().skip(1) {
        let step = frame - previous;
        let count = (step + interval / 2) / interval;
        if count > 1 + SKIPPED_INTERVALS_MAX {
            break;
        }
        if used[position] || count == 0 || step.abs_diff(count * interval) > tolerance * count {
            passed_over += 1;
            continue;
        }
        // The first step is free: some pair always lies at some interval.
        if part.positions.len() > 1 {
            let hits = 2 * tolerance * count * (1 + passed_over);
            part.log_chance += (hits as f64 / interval as f64).min(1.0).ln();
        }
        passed_over = 0;
        part.positions.push(position);
        previous = frame;
    }
    part
}
