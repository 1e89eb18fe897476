//! Statistics of timestamps, and gaps in them.

use super::{FrameTimes, Timing};
use crate::units::TimeBase;

/// A step of at least this many usual steps is a gap: it rounds to two or more.
const GAP_STEPS_MIN: f64 = 1.5;
/// Steps looked at on either side of one that may be a gap.
const NEIGHBOUR_STEPS: usize = 7;
/// Neighbouring steps needed to tell what is usual; fewer, and the nominal step stands.
const NEIGHBOURS_MIN: usize = 4;
/// Which of the sorted neighbours stands for the usual step: the upper quartile, so that steps which
/// alternate (33 and 50 ms, pulldown carried by timestamps) are not all gaps.
const USUAL_QUARTILE: (usize, usize) = (3, 4);
/// Where the usual step is within this share of the nominal one, the nominal one is meant.
const NOMINAL_SHARE: f64 = 0.2;
/// A step that differs from the nominal one by more than this (and the rounding of the time base) is
/// uneven, ms. 1 ms is the tolerance for successive frame durations in the VESA Adaptive-Sync Display
/// Compliance Test Specification 1.1 (by its published summary).
const UNEVEN_MIN_MS: f64 = 1.0;
/// Gain of the RFC 3550 estimator, section 6.4.1.
const JITTER_GAIN: f64 = 1.0 / 16.0;

/// Frames lost before frame `i + 1`, for each step between frames. Shared by gaps, rates and jitter.
pub(super) fn lost_in_steps(ticks: &[i64], nominal_step: f64) -> Vec<u32> {
    let steps: Vec<f64> = steps(ticks).collect();
    // No step shorter than this can be a gap, whatever is usual around it.
    let shortest_usual = nominal_step.min(quartile(&steps, (1, 4)).unwrap_or(nominal_step));
    let mut lost = vec![0; steps.len()];
    for (index, &step) in steps.iter().enumerate() {
        if step >= GAP_STEPS_MIN * shortest_usual && step > 0.0 {
            lost[index] = lost_in(step, usual_step(&steps, index, nominal_step));
        }
    }
    lost
}

/// Frames lost within one step, where `usual` is the step without loss.
fn lost_in(step: f64, usual: f64) -> u32 {
    if step < GAP_STEPS_MIN * usual || usual <= 0.0 {
        return 0;
    }
    ((step / usual).round() - 1.0).clamp(0.0, f64::from(u32::MAX)) as u32
}

/// The step that neighbours of step `index` lead to expect, ticks.
fn usual_step(steps: &[f64], index: usize, nominal_step: f64) -> f64 {
    let around = index.saturating_sub(NEIGHBOUR_STEPS)..steps.len().min(index + 1 + NEIGHBOUR_STEPS);
    let neighbours: Vec<f64> =
        around.filter(|&other| other != index).map(|other| steps[other]).filter(|&step| step > 0.0).collect();
    if neighbours.len() < NEIGHBOURS_MIN {
        return nominal_step;
    }
    let usual = quartile(&neighbours, USUAL_QUARTILE).unwrap_or(nominal_step);
    if (usual / nominal_step - 1.0).abs() <= NOMINAL_SHARE {
        nominal_step
    } else {
        usual
    }
}

/// The value at this share of the sorted values.
fn quartile(values: &[f64], (part, of): (usize, usize)) -> Option<f64> {
    if values.is_empty() {
        return None;
    }
    let mut sorted = values.to_vec();
    let place = (sorted.len() * part / of).min(sorted.len() - 1);
    Some(*sorted.select_nth_unstable_by(place, f64::total_cmp).1)
}

/// Median of the steps between frames, ticks; `None` with fewer than two frames.
pub(super) fn median_step(ticks: &[i64]) -> Option<f64> {
    quartile(&steps(ticks).collect::<Vec<_>>(), (1, 2))
}

fn steps(ticks: &[i64]) -> impl Iterator<Item = f64> + '_ {
    ticks.windows(2).map(|pair| (i128::from(pair[1]) - i128::from(pair[0])) as f64)
}

/// Where the recorder lost frames: frame after the gap, frames lost. By timestamps, or by the numbering of an
/// image sequence where times were laid out from it.
pub fn gaps(times: &FrameTimes) -> Vec<(u64, u32)> {
    (1u64..)
        .zip(lost_in_steps(&times.ticks, nominal_step(times)))
        .filter(|&(_, lost)| lost > 0)
        .collect()
}

/// Ticks per frame at the delivered rate.
fn nominal_step(times: &FrameTimes) -> f64 {
    times.delivered_rate.period_ms() / tick_ms(times.base)
}

fn tick_ms(base: TimeBase) -> f64 {
    1000.0 * base.num() as f64 / base.den() as f64
}

/// The interarrival jitter of RFC 3550 section 6.4.1, from 0, after each difference in transit:
/// J(i) = J(i − 1) + (|D(i − 1, i)| − J(i − 1)) / 16. Same unit as the differences.
fn jitter_series(differences: impl Iterator<Item = f64>) -> impl Iterator<Item = f64> {
    differences.scan(0.0, |jitter, difference| {
        *jitter += (difference.abs() - *jitter) * JITTER_GAIN;
        Some(*jitter)
    })
}

/// RFC 3550 interarrival jitter after the last of these differences; 0 where there are none.
pub fn interarrival_jitter(differences: impl IntoIterator<Item = f64>) -> f64 {
    jitter_series(differences.into_iter()).last().unwrap_or(0.0)
}

/// Largest RFC 3550 interarrival jitter on the way through these differences; 0 where there are none.
pub fn largest_interarrival_jitter(differences: impl IntoIterator<Item = f64>) -> f64 {
    jitter_series(differences.into_iter()).fold(0.0, f64::max)
}

/// Statistics of the times; `None` with fewer than two frames.
pub(super) fn timing(times: &FrameTimes) -> Option<Timing> {
    let ticks = &times.ticks;
    let median = median_step(ticks)?;
    let (tick_ms, nominal_step) = (tick_ms(times.base), nominal_step(times));
    let lost = lost_in_steps(ticks, nominal_step);
    let count = lost.len() as f64;
    let mean = steps(ticks).sum::<f64>() / count;
    let variance = steps(ticks).map(|step| (step - mean).powi(2)).sum::<f64>() / count;
    let off_ms = || {
        steps(ticks).zip(&lost).map(|(step, &lost)| (step - (f64::from(lost) + 1.0) * nominal_step) * tick_ms)
    };
    let frames_where = |wanted: &dyn Fn(f64) -> bool, values: &mut dyn Iterator<Item = f64>| {
        (1u64..).zip(values).filter(|&(_, value)| wanted(value)).map(|(frame, _)| frame).collect()
    };
    let measured_step = fitted_step(ticks, &lost);
    let measured_rate_hz = if measured_step > 0.0 { 1000.0 / (measured_step * tick_ms) } else { 0.0 };
    Some(Timing {
        median_step_ms: median * tick_ms,
        smallest_step_ms: steps(ticks).fold(f64::INFINITY, f64::min) * tick_ms,
        largest_step_ms: steps(ticks).fold(f64::NEG_INFINITY, f64::max) * tick_ms,
        step_std_ms: variance.sqrt() * tick_ms,
        jitter_ms: interarrival_jitter(off_ms()),
        jitter_largest_ms: largest_interarrival_jitter(off_ms()),
        measured_rate_hz,
        rate_offset_ppm: (measured_rate_hz / times.delivered_rate.hz() - 1.0) * 1e6,
        not_increasing: frames_where(&|step| step <= 0.0, &mut steps(ticks)),
        uneven: frames_where(&|off| off.abs() > UNEVEN_MIN_MS + tick_ms, &mut off_ms()),
        gaps: (1u64..).zip(lost).filter(|&(_, lost)| lost > 0).collect(),
    })
}

/// Least-squares step over frame number, ticks; lost frames are counted. Centred, so that ten hours of
/// nanoseconds keep their precision.
pub(super) fn fitted_step(ticks: &[i64], lost: &[u32]) -> f64 {
    let Some(&first) = ticks.first() else { return 0.0 };
    let points = || {
        let numbers = std::iter::once(0u64).chain(lost.iter().scan(0u64, |number, &lost| {
            *number += 1 + u64::from(lost);
            Some(*number)
        }));
        ticks.iter().zip(numbers).map(move |(&tick, number)| {
            (number as f64, (i128::from(tick) - i128::from(first)) as f64)
        })
    };
    let count = ticks.len() as f64;
    let (sum_x, sum_y) = points().fold((0.0, 0.0), |(x, y), point| (x + point.0, y + point.1));
    let (mean_x, mean_y) = (sum_x / count, sum_y / count);
    let (xy, xx) = points().fold((0.0, 0.0), |(xy, xx), (x, y)| {
        (xy + (x - mean_x) * (y - mean_y), xx + (x - mean_x) * (x - mean_x))
    });
    if xx > 0.0 {
        xy / xx
    } else {
        0.0
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::units::Rate;

    fn milliseconds(ticks: &[i64], rate: &str) -> FrameTimes {
        FrameTimes {
            base: TimeBase::new(1, 1000).unwrap(),
            ticks: ticks.to_vec(),
            measured: true,
            delivered_rate: Rate::parse(rate).unwrap(),
        }
    }

    fn from_steps(steps: &[i64], rate: &str) -> FrameTimes {
        let ticks: Vec<i64> = std::iter::once(0)
            .chain(steps.iter().scan(0, |now, step| {
                *now += step;
                Some(*now)
            }))
            .collect();
        milliseconds(&ticks, rate)
    }

    #[test]
    fn jitter_follows_rfc_3550() {
        // RFC 3550 section 6.4.1; a constant |D| = d gives J(n) = d(1 − (15/16)^n).
        assert_eq!(interarrival_jitter([16.0]), 1.0);
        assert!((interarrival_jitter([16.0; 16]) - 10.3028).abs() < 5e-5);
        assert!((interarrival_jitter([-16.0; 16]) - 10.3028).abs() < 5e-5);
        assert_eq!(interarrival_jitter([]), 0.0);
        assert_eq!(largest_interarrival_jitter([16.0, 0.0, 0.0]), 1.0);
    }

    #[test]
    fn a_gap_tells_how_many_frames_were_lost() {
        let mut steps = vec![20; 30];
        steps[9] = 60;
        steps[20] = 40;
        assert_eq!(gaps(&from_steps(&steps, "50")), [(10, 2), (21, 1)]);
    }

    #[test]
    fn variable_rates_are_not_all_gaps() {
        let mut steps = vec![33; 40];
        steps.extend([42; 40]);
        assert_eq!(gaps(&from_steps(&steps, "30")), []);
        steps[60] = 108;
        assert_eq!(gaps(&from_steps(&steps, "30")), [(61, 2)]);
        let alternating: Vec<i64> = (0..60).map(|k| if k % 2 == 0 { 33 } else { 50 }).collect();
        assert_eq!(gaps(&from_steps(&alternating, "23.976")), []);
    }

    #[test]
    fn a_wrong_nominal_rate_makes_no_gaps() {
        assert_eq!(gaps(&from_steps(&[33; 40], "120")), []);
    }

    #[test]
    fn rounding_to_milliseconds_is_not_uneven() {
        let ticks: Vec<i64> = (0..600).map(|k: i64| (k * 1001 * 1000 + 30000) / 60000).collect();
        let found = timing(&milliseconds(&ticks, "59.94")).unwrap();
        assert_eq!(found.uneven, []);
        assert_eq!(found.gaps, []);
        assert!(found.rate_offset_ppm.abs() < 5.0, "{}", found.rate_offset_ppm);
        assert!(found.jitter_ms < 0.5);
    }

    #[test]
    fn late_repeated_and_backward_times_are_listed() {
        let found = timing(&milliseconds(&[0, 20, 40, 63, 80, 100, 100, 120, 110, 160], "50")).unwrap();
        assert_eq!(found.not_increasing, [6, 8]);
        assert_eq!(found.uneven, [3, 4, 6, 8, 9]);
        assert_eq!(found.smallest_step_ms, -10.0);
        assert_eq!(found.largest_step_ms, 50.0);
    }

    #[test]
    fn the_measured_rate_counts_lost_frames() {
        let mut steps = vec![20; 1000];
        steps[500] = 200;
        let found = timing(&from_steps(&steps, "50")).unwrap();
        assert!((found.measured_rate_hz - 50.0).abs() < 1e-9);
        assert_eq!(found.gaps, [(501, 9)]);
    }
}
