//! Values as they are written: rounded to a fixed number of decimals, so that the last bits of an intermediate sum never
//! show.

use crate::audit::Audit;
use crate::cadence::FrameTimes;

/// Decimals of shares between 0 and 1: one frame in 2,160,000 shows.
pub const SHARE_DECIMALS: i32 = 9;

/// Time of a frame from the first frame, in ticks; frames past the end count as the last one.
pub fn ticks_from_start(audit: &Audit, frame: u64) -> i64 {
    ticks_of(&audit.times, frame)
}

fn ticks_of(times: &FrameTimes, frame: u64) -> i64 {
    let ticks = &times.ticks;
    let Some(last) = ticks.len().checked_sub(1) else { return 0 };
    let index = usize::try_from(frame).map_or(last, |frame| frame.min(last));
    ticks[index].saturating_sub(ticks[0])
}

/// Time of a frame from the first frame, seconds.
pub fn time_s(audit: &Audit, frame: u64) -> f64 {
    time_of(&audit.times, frame)
}

/// Time of a frame or field from the first one, seconds.
pub fn time_of(times: &FrameTimes, index: u64) -> f64 {
    times.base.seconds(ticks_of(times, index))
}

/// Lower-case hexadecimal digits.
pub fn hex(bytes: &[u8]) -> String {
    const DIGITS: &[u8; 16] = b"0123456789abcdef";
    bytes
        .iter()
        .flat_map(|byte| [DIGITS[usize::from(byte >> 4)], DIGITS[usize::from(byte & 15)]])
        .map(char::from)
        .collect()
}

/// `value` to `decimals` decimals, ties away from zero; never negative zero. Values too large for decimals
/// stay as they are.
pub fn rounded(value: f64, decimals: i32) -> f64 {
    let scale = 10f64.powi(decimals);
    let scaled = (value * scale).round() / scale;
    // Adding zero turns negative zero into zero.
    if scaled.is_finite() {
        scaled + 0.0
    } else {
        value
    }
}

/// As [`rounded`]; what is no finite number is unknown.
pub fn optional(value: Option<f64>, decimals: i32) -> Option<f64> {
    value.filter(|value| value.is_finite()).map(|value| rounded(value, decimals))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn floats_round_to_their_decimals() {
        for (value, decimals, expected) in
            [(59.940_059_940_06, 6, 59.94006), (1.0 / 3.0, 4, 0.3333), (-0.000_01, 4, 0.0), (1e300, 6, 1e300)]
        {
            assert_eq!(rounded(value, decimals).to_string(), expected.to_string());
        }
        assert_eq!(optional(Some(f64::NAN), 4), None);
    }
}
