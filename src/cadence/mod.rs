//! Holds, patterns, judder and timing from classified frames and their times. Pure.
//!
//! [`frame_times`] settles the delivered rate and one time per frame, [`gaps`] where the recorder lost
//! frames, [`analyse`] everything else. Every step is linear in the number of frames.

mod freezes;
mod grid;
mod holds;
mod judder;
mod motion;
mod pattern;
mod segments;
mod slip;
mod times;
mod timing;

use std::ops::Range;

pub use pattern::{LABELLED_HOLDS_MAX, PERIOD_HOLDS_MAX};
pub use times::{estimate_rate, frame_times, SettledTimes, StatedRate, ASSUMED_RATE};
pub use timing::{gaps, interarrival_jitter, largest_interarrival_jitter};

use crate::classify::ClassifiedFrame;
use crate::units::{Rate, TimeBase};

/// Times of all frames: integer ticks in one time base.
#[derive(Clone, Debug, PartialEq)]
pub struct FrameTimes {
    /// Seconds per tick.
    pub base: TimeBase,
    /// One time per frame, in ticks.
    pub ticks: Vec<i64>,
    /// Whether the capture itself gave the times; otherwise they are laid out at the delivered rate.
    pub measured: bool,
    /// Delivered rate: stated, estimated or assumed.
    pub delivered_rate: Rate,
}

impl FrameTimes {
    /// From the first frame to the end of the last, which lasts one period, seconds; 0 without frames.
    pub fn duration_s(&self) -> f64 {
        match (self.ticks.first(), self.ticks.last()) {
            (Some(&first), Some(&last)) => {
                let period = self.delivered_rate.period_ms() / 1000.0;
                (self.base.seconds(last.saturating_sub(first)) + period).max(0.0)
            }
            _ => 0.0,
        }
    }
}

/// One picture on screen: a `new` frame and the repeats and stills after it.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Hold {
    /// First frame of the hold (the `new` one).
    pub first_frame: u64,
    /// Frames it stays, at least 1, still ones included.
    pub frames: u32,
    /// Frames of it that are `still`: not judged.
    pub still_frames: u32,
    /// Whether its length counts for the pattern: false where it holds still frames, at the capture's first
    /// and last hold (the picture may have begun before, or go on after the capture), and next to a gap.
    pub judged: bool,
}

/// A repeating pattern of holds, shortest period.
#[derive(Clone, Debug, PartialEq, Eq, Hash)]
pub struct Pattern {
    /// Holds of one period in frames; rotated to the canonical start.
    pub holds: Vec<u32>,
}

/// A stretch over which one pattern holds without a break in phase.
#[derive(Clone, Debug, PartialEq)]
pub struct Segment {
    /// First frame.
    pub first_frame: u64,
    /// Last frame, inclusive.
    pub last_frame: u64,
    /// The pattern.
    pub pattern: Pattern,
}

/// Where a hold does not follow the pattern.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct CadenceBreak {
    /// First frame of the hold that breaks the pattern.
    pub frame: u64,
    /// Frames it should have stayed.
    pub expected_hold: u32,
    /// Frames it stayed.
    pub found_hold: u32,
}

/// A hold far longer than the cadence explains.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Freeze {
    /// First frame of the hold.
    pub first_frame: u64,
    /// Last frame of the hold, inclusive.
    pub last_frame: u64,
    /// Time the picture stayed, ms.
    pub duration_ms: f64,
    /// Pictures lost at its end by the motion step; `None` if not known.
    pub lost_pictures: Option<u32>,
}

/// A pattern that is right but for one regular longer or shorter hold, or one regularly skipped picture: two
/// clocks that differ.
#[derive(Clone, Debug, PartialEq)]
pub struct RateSlip {
    /// Pattern between the slips.
    pub pattern: Pattern,
    /// First frames of the holds that slip; where the source is the faster clock, of the pictures after a
    /// skipped one (these carry `lost_before` 1 and are no drops of their own).
    pub frames: Vec<u64>,
    /// Mean time in which the clocks part by one delivered frame, seconds. Where a slip is only part of a
    /// frame (23.976 on 60 slips by half a frame, 2:3 becoming 3:2), several slips fall into one interval.
    pub interval_s: f64,
    /// Name of the rate pair when both are standard, e.g. `59.94 on 60`.
    pub rate_pair: Option<String>,
}

/// Counts and rates of motion.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct MotionSummary {
    /// Frames called new.
    pub new_frames: u64,
    /// Frames called repeat.
    pub repeat_frames: u64,
    /// Frames called still.
    pub still_frames: u64,
    /// Frames that are not still.
    pub judged_frames: u64,
    /// Frames per second of the capture, Hz: by the timestamps where they are measured, else nominal.
    pub delivered_rate_hz: f64,
    /// New pictures per second over judged time, Hz; `None` where nothing is judged. Judged holds over the
    /// time they take, so that neither end of the capture counts; cut to whole periods where one pattern
    /// holds throughout, and to whole slips where the rate slips.
    pub motion_rate_hz: Option<f64>,
}

/// Deviation of picture onsets from an even motion, ms. All `None` where too little is judged.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Judder {
    /// Root mean square of the residuals of onsets against the line of even motion.
    pub rms_ms: Option<f64>,
    /// Largest minus smallest residual.
    pub peak_to_peak_ms: Option<f64>,
    /// Standard deviation of hold durations.
    pub hold_std_ms: Option<f64>,
    /// What the rate pair forces even on a perfect device.
    pub inherent_rms_ms: Option<f64>,
    /// The rest: √(rms² − inherent²), 0 where the measured value is not above the inherent one.
    pub excess_rms_ms: Option<f64>,
}

/// Statistics of the capture's own timestamps. `None` in an audit where times are not measured.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Timing {
    /// Median step between frames, ms.
    pub median_step_ms: f64,
    /// Smallest step, ms.
    pub smallest_step_ms: f64,
    /// Largest step, ms.
    pub largest_step_ms: f64,
    /// Standard deviation of the steps, ms.
    pub step_std_ms: f64,
    /// RFC 3550 section 6.4.1 interarrival jitter at the end, ms, against the delivered rate.
    pub jitter_ms: f64,
    /// Its largest value, ms.
    pub jitter_largest_ms: f64,
    /// Rate by the times (least squares over frame number, gaps counted), Hz.
    pub measured_rate_hz: f64,
    /// Measured against nominal rate, parts per million.
    pub rate_offset_ppm: f64,
    /// Where timestamps show that the recorder lost frames: frame after the gap, frames lost.
    pub gaps: Vec<(u64, u32)>,
    /// Frames whose time is not later than that of the frame before.
    pub not_increasing: Vec<u64>,
    /// Frames whose step from the frame before differs from the nominal one (gaps counted) by more than the
    /// rounding of the time base and 1 ms.
    pub uneven: Vec<u64>,
}

/// All that the cadence stage finds.
#[derive(Clone, Debug, PartialEq)]
pub struct CadenceAnalysis {
    /// Every hold in order.
    pub holds: Vec<Hold>,
    /// Dominant pattern; `None` where none holds.
    pub pattern: Option<Pattern>,
    /// Share of judged frames that lie in segments of the dominant pattern, 0 to 1.
    pub coverage: f64,
    /// Stretches where a pattern holds, in order.
    pub segments: Vec<Segment>,
    /// Where holds do not follow.
    pub breaks: Vec<CadenceBreak>,
    /// Holds far longer than the cadence explains.
    pub freezes: Vec<Freeze>,
    /// Regular slips, if that is what the breaks are.
    pub slip: Option<RateSlip>,
    /// Counts and rates.
    pub motion: MotionSummary,
    /// Judder.
    pub judder: Judder,
    /// Statistics of measured timestamps; `None` where the capture had no times.
    pub timing: Option<Timing>,
}

/// Finds holds, pattern, segments, breaks, freezes, slips, judder and timing.
///
/// Never fails: where there is too little to judge, the fields say so (`None`, empty). Frames beyond the
/// number of times, or the other way round, are left out.
pub fn analyse(frames: &[ClassifiedFrame], times: &FrameTimes) -> CadenceAnalysis {
    let count = frames.len().min(times.ticks.len());
    let frames = &frames[..count];
    let timing = times.measured.then(|| timing::timing(times)).flatten();
    let after_gap = holds::frames_after_gap(frames, &gaps(times));
    let holds = holds::holds(frames, &after_gap);
    let runs = holds::judged_runs(&holds);

    let (tracking, slip) = patterns_and_slip(&holds, &runs, frames, times.delivered_rate);
    let pieces = judder::pieces(&holds, &runs, tracking.as_ref(), slip.as_ref());
    let scene = judder::Scene { holds: &holds, frames, times };
    let pattern = tracking.as_ref().map(|found| found.dominant_pattern().clone());
    CadenceAnalysis {
        coverage: tracking.as_ref().map_or(0.0, |found| found.coverage(&holds)),
        segments: tracking.as_ref().map_or_else(Vec::new, |found| found.report(&holds)),
        freezes: freezes::freezes(&scene, &runs, pattern.as_ref()),
        motion: motion::summary(&scene, &pieces, timing.as_ref()),
        judder: judder::judder(&scene, &pieces),
        slip: slip.map(|found| found.report),
        breaks: tracking.map_or_else(Vec::new, |found| found.breaks),
        pattern,
        timing,
        holds,
    }
}

/// The pattern that explains most: a short one, with slow slips where two clocks differ; else one long
/// period; else the short one with slips however close.
fn patterns_and_slip(
    holds: &[Hold],
    runs: &[Range<usize>],
    frames: &[ClassifiedFrame],
    delivered: Rate,
) -> (Option<segments::Tracking>, Option<slip::Slip>) {
    let mut tracking = segments::track(holds, runs);
    let slip_after = |tracking: &mut Option<segments::Tracking>, periods_min| {
        let search = slip::Search { holds, frames, delivered, periods_min };
        tracking.as_mut().and_then(|found| search.take_slip(found))
    };
    let slow = slip_after(&mut tracking, slip::SLOW_SLIP_PERIODS);
    if slow.is_some() || tracking.as_ref().is_some_and(|found| found.breaks.is_empty()) {
        return (tracking, slow);
    }
    if let Some(long) = segments::track_long_period(holds, runs) {
        return (Some(long), None);
    }
    let slip = slip_after(&mut tracking, 0);
    (tracking, slip)
}
