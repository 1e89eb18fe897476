//! Which delivered rate, and one time per frame.

use super::grid::{self, Grid};
use super::timing::{fitted_step, lost_in_steps, median_step};
use super::FrameTimes;
use crate::note::{Note, NoteCode};
use crate::units::{Rate, RateSource, TimeBase};
use crate::words::{counted, verb};

/// Rate assumed where nothing tells one: 60000/1001, what playback devices of the 60 Hz world send to a
/// display. Common practice, no source.
pub const ASSUMED_RATE: Rate = match Rate::new(60_000, 1001) {
    Some(rate) => rate,
    None => unreachable!(),
};

/// Clocks of recorders may be this far off, as a fraction: 200 ppm. Ordinary crystals keep ±100 ppm (common
/// practice, no source); two standard rates never lie closer than 1000 ppm.
const CLOCK_TOLERANCE: f64 = 200e-6;
/// A stated rate that differs from the timestamps by more than this, as a fraction, is not what the capture
/// delivers. Twenty times what tells 59.94 from 60, so that only a plainly wrong header falls.
const CONTRADICTION_MIN: f64 = 0.02;
/// Frames needed before timestamps may contradict a header.
const CONTRADICTION_FRAMES_MIN: usize = 8;
/// Steps per hertz to which a rate that is no standard one is rounded: it is written with three decimals.
const RATE_STEPS_PER_HERTZ: f64 = 1000.0;

/// A rate that the person or the capture states.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct StatedRate {
    /// The rate.
    pub rate: Rate,
    /// Who says so.
    pub source: RateSource,
}

/// The delivered rate, one time per frame, and what was assumed for them.
#[derive(Clone, Debug, PartialEq)]
pub struct SettledTimes {
    /// One time per frame.
    pub times: FrameTimes,
    /// Where the delivered rate comes from.
    pub source: RateSource,
    /// What was assumed or estimated.
    pub notes: Vec<Note>,
}

/// Settles the delivered rate and one time per frame.
///
/// The rate is, in this order: given by the person, stated by the capture (unless its own timestamps
/// contradict it by more than 2 %), estimated from timestamps, assumed ([`ASSUMED_RATE`]). Times are those
/// of the capture where every frame has one in a known base, without what its container's rounding did to even ones
/// ([`NoteCode::TimesRounded`]); otherwise they are laid out at the delivered
/// rate, `missing_before` frames further on where an image sequence has a gap in its numbers.
/// `missing_before` may be shorter than `ticks`: nothing is missing then.
pub fn frame_times(
    stated: Option<StatedRate>,
    base: Option<TimeBase>,
    ticks: &[Option<i64>],
    missing_before: &[u32],
) -> SettledTimes {
    let measured = base.and_then(|base| Some((base, ticks.iter().copied().collect::<Option<Vec<i64>>>()?)));
    let estimated = measured.as_ref().and_then(|(base, ticks)| estimate_rate(ticks, *base));
    let (rate, source, note) = settle_rate(stated, estimated, ticks.len());
    let mut notes: Vec<Note> = note.into_iter().collect();
    let times = match measured {
        Some((base, ticks)) if !ticks.is_empty() => {
            notes.extend(order_note(&ticks));
            let grid = grid::grid(&ticks, base, rate);
            notes.extend(grid.as_ref().map(|grid| grid_note(grid, base)));
            let (base, ticks) = grid.map_or((base, ticks), |grid| (grid.rate.time_base(), grid.places));
            FrameTimes { base, ticks, measured: true, delivered_rate: rate }
        }
        _ => {
            notes.extend(laid_out_note(ticks, rate));
            laid_out(rate, ticks.len(), missing_before)
        }
    };
    SettledTimes { times, source, notes }
}

fn settle_rate(
    stated: Option<StatedRate>,
    estimated: Option<Rate>,
    frames: usize,
) -> (Rate, RateSource, Option<Note>) {
    match (stated, estimated) {
        (Some(said), Some(found)) if contradicts(said, found, frames) => {
            let text = format!(
                "The capture says {} frames per second, but its timestamps show {found}. The timestamps were \
                 believed; give the rate if they are wrong.",
                said.rate
            );
            (found, RateSource::Timestamps, Some(Note::new(NoteCode::RateEstimated, text)))
        }
        (Some(said), _) => (said.rate, said.source, None),
        (None, Some(found)) => {
            let text = format!(
                "The capture does not say its rate; its timestamps show {found} frames per second. Give the \
                 rate if that is wrong."
            );
            (found, RateSource::Timestamps, Some(Note::new(NoteCode::RateEstimated, text)))
        }
        (None, None) => {
            let text = format!(
                "Nothing in the capture tells its rate; {ASSUMED_RATE} frames per second were assumed. Every \
                 time and rate in this report rests on that; give the rate if it is wrong."
            );
            (ASSUMED_RATE, RateSource::Assumed, Some(Note::new(NoteCode::RateAssumed, text)))
        }
    }
}

fn contradicts(said: StatedRate, found: Rate, frames: usize) -> bool {
    said.source != RateSource::Given
        && frames >= CONTRADICTION_FRAMES_MIN
        && (found.hz() / said.rate.hz() - 1.0).abs() > CONTRADICTION_MIN
}

fn order_note(ticks: &[i64]) -> Option<Note> {
    let mut wrong = (1..ticks.len()).filter(|&frame| ticks[frame] <= ticks[frame - 1]);
    let first = wrong.next()?;
    let count = 1 + wrong.count();
    let text = format!(
        "{count} of {} timestamps are not later than the one before, first at frame {first}. Durations around \
         them cannot be trusted; record again, or give a file of times.",
        ticks.len()
    );
    Some(Note::new(NoteCode::TimesNotIncreasing, text))
}

fn grid_note(grid: &Grid, base: TimeBase) -> Note {
    let mut text = format!(
        "The capture's times are rounded to {:.3} ms. Within that they are even, {} per second, and were taken as such.",
        1000.0 * base.seconds(1),
        grid.rate
    );
    if !grid.others.is_empty() {
        let others: Vec<String> = grid.others.iter().map(ToString::to_string).collect();
        text += &format!(" The capture is too short to rule out {}.", others.join(" or "));
    }
    Note::new(NoteCode::TimesRounded, text)
}

fn laid_out_note(ticks: &[Option<i64>], rate: Rate) -> Option<Note> {
    let with_time = ticks.iter().filter(|time| time.is_some()).count();
    if ticks.is_empty() {
        return None;
    }
    let seen = match with_time {
        0 => "The recording has no times of its own".to_owned(),
        some => format!(
            "Only {some} of {} {} a time",
            counted(ticks.len() as u64, "frame"),
            verb(some as u64, "have")
        ),
    };
    let text = format!(
        "{seen}. Its frames are taken as even, {rate} per second. If the recorder lost some, that is not seen."
    );
    Some(Note::new(NoteCode::TimesAssumed, text))
}

/// Even times, one tick per frame, further on where numbers are missing.
fn laid_out(rate: Rate, frames: usize, missing_before: &[u32]) -> FrameTimes {
    let mut next = 0i64;
    let ticks = (0..frames)
        .map(|frame| {
            // What is missing before the first frame is no gap: sequences start anywhere.
            let missing = if frame == 0 { 0 } else { missing_before.get(frame).copied().unwrap_or(0) };
            let tick = next + i64::from(missing);
            next = tick + 1;
            tick
        })
        .collect();
    FrameTimes { base: rate.time_base(), ticks, measured: false, delivered_rate: rate }
}

/// The rate that timestamps show: lost frames counted, least squares over all frames.
///
/// The nearest standard rate within what rounding to ticks and recorders' clocks (±200 ppm) allow; otherwise
/// the measured rate to a thousandth of a hertz. `None` with fewer than two frames, or where times do not
/// run forward or show a rate outside what [`Rate`] can hold.
pub fn estimate_rate(ticks: &[i64], base: TimeBase) -> Option<Rate> {
    let median = median_step(ticks).filter(|&step| step > 0.0)?;
    let lost = lost_in_steps(ticks, median);
    let step = fitted_step(ticks, &lost);
    let seconds = step * base.num() as f64 / base.den() as f64;
    if seconds <= 0.0 {
        return None;
    }
    let hz = 1.0 / seconds;
    // Either end may be rounded by half a tick, so the span of all steps is one tick off at most.
    let rounding = 1.0 / (step * lost.len() as f64);
    Rate::nearest_standard(hz, CLOCK_TOLERANCE + rounding).or_else(|| {
        let scaled = (hz * RATE_STEPS_PER_HERTZ).round();
        Rate::new(scaled as u64, RATE_STEPS_PER_HERTZ as u64)
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    const MILLISECONDS: TimeBase = match TimeBase::new(1, 1000) {
        Some(base) => base,
        None => unreachable!(),
    };

    fn rate(text: &str) -> Rate {
        Rate::parse(text).unwrap()
    }

    /// Times at an exact rate, rounded to ticks of `base` as a container does.
    fn rounded(rate: Rate, base: TimeBase, frames: i64) -> Vec<i64> {
        let (num, den) = (
            i128::from(rate.den()) * i128::from(base.den()),
            i128::from(rate.num()) * i128::from(base.num()),
        );
        (0..i128::from(frames)).map(|k| ((2 * k * num + den) / (2 * den)) as i64).collect()
    }

    #[test]
    fn standard_rates_are_told_apart_through_millisecond_rounding() {
        // Standard rates: ITU-R BT.709-6, BT.2020.
        for name in ["23.976", "24", "25", "29.97", "30", "50", "59.94", "60", "100", "119.88", "120"] {
            let ticks = rounded(rate(name), MILLISECONDS, 600);
            assert_eq!(estimate_rate(&ticks, MILLISECONDS), Some(rate(name)), "{name}");
        }
    }

    #[test]
    fn other_rates_keep_three_decimals() {
        let base = TimeBase::new(1, 1_000_000).unwrap();
        assert_eq!(estimate_rate(&rounded(rate("28.07"), base, 501), base), Rate::new(2807, 100));
    }

    #[test]
    fn clocks_and_gaps_do_not_change_the_estimate() {
        // 100 ppm fast, and 40 frames lost in the middle.
        let ticks: Vec<i64> =
            (0..2000).map(|k| if k < 1000 { k } else { k + 40 }).map(|k| k * 16_681_665).collect();
        assert_eq!(estimate_rate(&ticks, TimeBase::NANOSECONDS), Some(rate("59.94")));
    }

    #[test]
    fn too_little_gives_no_estimate() {
        for ticks in [&[][..], &[5], &[5, 5], &[9, 5], &[0, 0, 0]] {
            assert_eq!(estimate_rate(ticks, MILLISECONDS), None, "{ticks:?}");
        }
    }

    #[test]
    fn the_rate_comes_from_the_best_witness() {
        let times: Vec<Option<i64>> = rounded(rate("25"), MILLISECONDS, 50).into_iter().map(Some).collect();
        let none = vec![None; 50];
        let stated = |text, source| Some(StatedRate { rate: rate(text), source });
        for (said, ticks, expected, source, note) in [
            (stated("50", RateSource::Given), &times, "50", RateSource::Given, None),
            (stated("25", RateSource::Header), &times, "25", RateSource::Header, None),
            (
                stated("120", RateSource::Header),
                &times,
                "25",
                RateSource::Timestamps,
                Some(NoteCode::RateEstimated),
            ),
            (None, &times, "25", RateSource::Timestamps, Some(NoteCode::RateEstimated)),
            (stated("30", RateSource::Header), &none, "30", RateSource::Header, Some(NoteCode::TimesAssumed)),
            (None, &none, "59.94", RateSource::Assumed, Some(NoteCode::RateAssumed)),
        ] {
            let settled = frame_times(said, Some(MILLISECONDS), ticks, &[]);
            assert_eq!(settled.times.delivered_rate, rate(expected));
            assert_eq!(settled.source, source);
            assert_eq!(settled.notes.first().map(|note| note.code), note);
        }
    }

    #[test]
    fn missing_numbers_shift_the_times() {
        let settled = frame_times(None, None, &[None; 5], &[7, 0, 2, 0, 1]);
        assert_eq!(settled.times.ticks, [0, 1, 4, 5, 7]);
        assert!(!settled.times.measured);
        assert_eq!(super::super::gaps(&settled.times), [(2, 2), (4, 1)]);
    }

    #[test]
    fn a_frame_without_a_time_is_not_guessed() {
        let settled = frame_times(None, Some(MILLISECONDS), &[Some(0), None, Some(40)], &[]);
        assert!(!settled.times.measured);
        assert!(settled.notes.iter().any(|note| note.text.contains("Only 2 of 3")));
    }

    #[test]
    fn backward_times_are_noted() {
        let settled = frame_times(None, Some(MILLISECONDS), &[Some(0), Some(40), Some(30), Some(120)], &[]);
        assert!(settled.notes.iter().any(|note| note.code == NoteCode::TimesNotIncreasing));
    }
}
