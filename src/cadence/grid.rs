//! Times that a container has rounded, taken back to the even times that they came from.

use super::timing::lost_in_steps;
use crate::units::{Rate, TimeBase, STANDARD_RATES};

/// Times lie within the rounding of a container where their distances to even times spread over no more than this, in
/// ticks: one tick, whether it rounds down or to the nearest, and a fiftieth for times that were rounded before, to the
/// 90 kHz of broadcast streams.
const SPREAD_MAX: (i128, i128) = (51, 50);

/// Frames last at least this many ticks where rounding is told from jitter. Choice: the usual lowest is 8.3, 120 Hz in
/// milliseconds.
const FRAME_TICKS_MIN: f64 = 4.0;

/// Fewest frames of which it is told: among fewer, even times fit much that is not even. Choice.
const FRAMES_MIN: usize = 8;

/// Rates looked at lie this near to the one that was settled, as a fraction: 24 and 25 are 4 % apart.
const RATE_REACH: f64 = 0.02;

/// Even times from which rounding makes those of a capture.
#[derive(Clone, Debug, PartialEq)]
pub(super) struct Grid {
    /// Its rate: the settled one where that fits.
    pub rate: Rate,
    /// Frames since the first, lost ones counted.
    pub places: Vec<i64>,
    /// Other rates that fit as well.
    pub others: Vec<Rate>,
}

/// The even times at `settled`, or at the one standard rate near it, that rounding to ticks makes these times of. `None`
/// where none or several rates fit, or where the times lie on no ticks that are rounded: those of `settled` are whole.
pub(super) fn grid(ticks: &[i64], base: TimeBase, settled: Rate) -> Option<Grid> {
    if ticks.len() < FRAMES_MIN {
        return None;
    }
    let near = STANDARD_RATES
        .iter()
        .map(|&(rate, _)| rate)
        .filter(|rate| (rate.hz() / settled.hz() - 1.0).abs() <= RATE_REACH && *rate != settled);
    let mut fitting = std::iter::once(settled)
        .chain(near)
        .filter_map(|rate| Some((rate, places_on(ticks, base, rate)?)))
        .collect::<Vec<_>>();
    // A settled rate that no standard names may be one that was found from the rounded times.
    let is_standard = |rate: Rate| STANDARD_RATES.iter().any(|&(standard, _)| standard == rate);
    if fitting.len() == 2 && fitting[0].0 == settled && !is_standard(settled) {
        fitting.remove(0);
    }
    let (rate, places) = fitting.first()?.clone();
    let others: Vec<Rate> = fitting[1..].iter().map(|&(rate, _)| rate).collect();
    (rate == settled || others.is_empty()).then_some(Grid { rate, places, others })
}

/// The place of each frame on even times at `rate`, where all lie within rounding of it.
fn places_on(ticks: &[i64], base: TimeBase, rate: Rate) -> Option<Vec<i64>> {
    // In units of 1 / (rate.num × base.num) of a tick everything is whole.
    let tick = i128::from(rate.num()) * i128::from(base.num());
    let frame = i128::from(rate.den()) * i128::from(base.den());
    let step = frame as f64 / tick as f64;
    if step < FRAME_TICKS_MIN {
        return None;
    }
    let first = i128::from(*ticks.first()?);
    let (mut place, mut places) = (0i64, vec![0]);
    let (mut least, mut most) = (0i128, 0i128);
    for (&now, lost) in ticks[1..].iter().zip(lost_in_steps(ticks, step)) {
        place += 1 + i64::from(lost);
        let off = (i128::from(now) - first)
            .checked_mul(tick)?
            .checked_sub(i128::from(place).checked_mul(frame)?)?;
        (least, most) = (least.min(off), most.max(off));
        if (most - least).checked_mul(SPREAD_MAX.1)? > tick.checked_mul(SPREAD_MAX.0)? {
            return None;
        }
        places.push(place);
    }
    // Exact times stay as they are.
    (most > least).then_some(places)
}

#[cfg(test)]
mod tests {
    use super::*;

    const MILLISECONDS: TimeBase = match TimeBase::new(1, 1000) {
        Some(base) => base,
        None => unreachable!(),
    };
    const NAMES: [&str; 9] = ["23.976", "24", "25", "29.97", "30", "50", "59.94", "60", "119.88"];

    fn rate(text: &str) -> Rate {
        Rate::parse(text).unwrap()
    }

    /// Even times in ms, made uneven by `off` ms per frame, then rounded down after adding `up`.
    fn times(rate: Rate, frames: u32, up: f64, off: impl Fn(u32) -> f64) -> Vec<i64> {
        (0..frames)
            .map(|k| (7.3 + f64::from(k) * rate.period_ms() + off(k) + up + 1e-9).floor() as i64)
            .collect()
    }

    /// −1 to 1, the same for every run.
    fn random(k: u32) -> f64 {
        f64::from(k.wrapping_mul(2_654_435_761).rotate_left(13).wrapping_mul(0x9E37_79B1))
            / f64::from(u32::MAX)
            * 2.0
            - 1.0
    }

    #[test]
    fn rounded_even_times_are_even() {
        for (name, up) in NAMES.iter().flat_map(|&name| [(name, 0.0), (name, 0.5)]) {
            let ticks = times(rate(name), 1500, up, |_| 0.0);
            let found = grid(&ticks, MILLISECONDS, rate(name));
            if matches!(name, "25" | "50") {
                // Whole milliseconds already.
                assert_eq!(found, None, "{name}");
                continue;
            }
            let found = found.unwrap_or_else(|| panic!("{name} {up}"));
            assert_eq!((found.rate, found.others), (rate(name), vec![]), "{name} {up}");
            assert!(found.places.iter().zip(0..).all(|(&place, k)| place == k), "{name} {up}");
        }
    }

    #[test]
    fn what_rounding_does_not_explain_is_measured() {
        for (name, up) in NAMES.iter().flat_map(|&name| [(name, 0.0), (name, 0.5)]) {
            for (what, ticks) in [
                ("2 ms of jitter", times(rate(name), 600, up, |k| 2.0 * random(k))),
                ("5 ms of jitter", times(rate(name), 600, up, |k| 5.0 * random(k))),
                ("a slip by 3 ms", times(rate(name), 600, up, |k| if k < 300 { 0.0 } else { 3.0 })),
                (
                    "a clock 200 ppm slow",
                    times(rate(name), 1500, up, |k| f64::from(k) * 2e-4 * rate(name).period_ms()),
                ),
                ("one frame 2 ms late", times(rate(name), 600, up, |k| if k == 99 { 2.0 } else { 0.0 })),
                ("a rate that varies", times(rate(name), 600, up, |k| 4.0 * (f64::from(k) / 40.0).sin())),
            ] {
                assert_eq!(grid(&ticks, MILLISECONDS, rate(name)), None, "{name} {up}: {what}");
            }
        }
    }

    #[test]
    fn lost_frames_are_gaps_on_the_grid() {
        let whole = times(rate("59.94"), 400, 0.5, |_| 0.0);
        let ticks: Vec<i64> = whole[..200].iter().chain(&whole[203..]).copied().collect();
        let places = grid(&ticks, MILLISECONDS, rate("59.94")).unwrap().places;
        assert_eq!((places[199], places[200], places.last()), (199, 203, Some(&399)));
    }

    #[test]
    fn a_short_capture_fits_two_rates() {
        let ticks = |frames| times(rate("60"), frames, 0.0, |_| 0.0);
        let short = grid(&ticks(20), MILLISECONDS, rate("60")).unwrap();
        assert_eq!((short.rate, short.others), (rate("60"), vec![rate("59.94")]));
        // Long enough, and only one fits, whatever was settled.
        let settled = [rate("60"), rate("59.94"), Rate::new(6002, 100).unwrap()];
        for settled in settled {
            let found = grid(&ticks(300), MILLISECONDS, settled).unwrap();
            assert_eq!((found.rate, found.others), (rate("60"), vec![]), "{settled}");
        }
        assert_eq!(grid(&ticks(7), MILLISECONDS, rate("60")), None);
        assert_eq!(grid(&ticks(20), MILLISECONDS, rate("50")), None);
    }

    #[test]
    fn what_times_may_be_breaks_nothing() {
        for ticks in [[0; 9], [i64::MAX, i64::MIN, 0, 1, 2, 3, 4, 5, 6], [9, 8, 7, 6, 5, 4, 3, 2, 1]] {
            assert_eq!(grid(&ticks, MILLISECONDS, rate("60")), None, "{ticks:?}");
        }
    }
}
