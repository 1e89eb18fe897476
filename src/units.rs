//! Exact units: rates and time bases are ratios of integers, time is integer ticks.
//! Floats appear only in results.

use std::fmt;

/// Greatest common divisor; `gcd(0, n)` is `n`.
pub(crate) const fn gcd(a: u64, b: u64) -> u64 {
    let (mut a, mut b) = (a, b);
    while b != 0 {
        (a, b) = (b, a % b);
    }
    a
}

/// A rate in events (frames, fields or pictures) per second: an exact, positive ratio in lowest terms.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub struct Rate {
    num: u64,
    den: u64,
}

/// The rates that standards name, with the name the trade writes.
///
/// Source: ITU-R BT.709-6 and BT.2020 (frame rates; fractional rates are the integer divided by 1.001),
/// ITU-T H.262 Table 6-4 (`frame_rate_code`); 47.952, 48, 72, 75 and 144 are common practice, no source.
pub const STANDARD_RATES: &[(Rate, &str)] = &[
    (Rate { num: 24000, den: 1001 }, "23.976"),
    (Rate { num: 24, den: 1 }, "24"),
    (Rate { num: 25, den: 1 }, "25"),
    (Rate { num: 30000, den: 1001 }, "29.97"),
    (Rate { num: 30, den: 1 }, "30"),
    (Rate { num: 48000, den: 1001 }, "47.952"),
    (Rate { num: 48, den: 1 }, "48"),
    (Rate { num: 50, den: 1 }, "50"),
    (Rate { num: 60000, den: 1001 }, "59.94"),
    (Rate { num: 60, den: 1 }, "60"),
    (Rate { num: 72, den: 1 }, "72"),
    (Rate { num: 75, den: 1 }, "75"),
    (Rate { num: 100, den: 1 }, "100"),
    (Rate { num: 120000, den: 1001 }, "119.88"),
    (Rate { num: 120, den: 1 }, "120"),
    (Rate { num: 144, den: 1 }, "144"),
];

impl Rate {
    /// Largest numerator and denominator accepted, so that products of two fit in 64 bits.
    pub const PART_MAX: u64 = u32::MAX as u64;

    /// `num / den` in lowest terms; `None` unless both are in `1..=PART_MAX`.
    pub const fn new(num: u64, den: u64) -> Option<Self> {
        if num == 0 || den == 0 || num > Self::PART_MAX || den > Self::PART_MAX {
            return None;
        }
        let divisor = gcd(num, den);
        Some(Self { num: num / divisor, den: den / divisor })
    }

    /// Numerator in lowest terms.
    pub const fn num(self) -> u64 {
        self.num
    }

    /// Denominator in lowest terms.
    pub const fn den(self) -> u64 {
        self.den
    }

    /// Events per second, in hertz.
    pub fn hz(self) -> f64 {
        self.num as f64 / self.den as f64
    }

    /// Duration of one event, in milliseconds.
    pub fn period_ms(self) -> f64 {
        1000.0 * self.den as f64 / self.num as f64
    }

    /// The time base in which every event lasts one tick.
    pub const fn time_base(self) -> TimeBase {
        TimeBase { num: self.den, den: self.num }
    }

    /// The standard rate nearest to `hz` within `tolerance` (a fraction: 0.001 is 0.1 %).
    pub fn nearest_standard(hz: f64, tolerance: f64) -> Option<Self> {
        STANDARD_RATES
            .iter()
            .map(|&(rate, _)| (rate, (rate.hz() / hz - 1.0).abs()))
            .filter(|&(_, off)| off <= tolerance)
            .min_by(|a, b| a.1.total_cmp(&b.1))
            .map(|(rate, _)| rate)
    }

    /// Reads `59.94`, `60000/1001` or `25`. A decimal within 0.005 Hz of a 1000/1001 standard rate,
    /// written with at most three decimals, means that rate: `29.97` is 30000/1001.
    pub fn parse(text: &str) -> Option<Self> {
        if let Some((num, den)) = text.split_once(['/', ':']) {
            return Self::new(num.trim().parse().ok()?, den.trim().parse().ok()?);
        }
        if let Some(&(rate, _)) = STANDARD_RATES.iter().find(|(_, name)| *name == text) {
            return Some(rate);
        }
        let (whole, fraction) = text.split_once('.').unwrap_or((text, ""));
        if fraction.len() > 6
            || whole.is_empty()
            || !(whole.to_owned() + fraction).bytes().all(|b| b.is_ascii_digit())
        {
            return None;
        }
        let scale = 10u64.pow(fraction.len() as u32);
        let num = (whole.to_owned() + fraction).parse::<u64>().ok()?;
        let exact = Self::new(num, scale)?;
        let fractional_standard = STANDARD_RATES
            .iter()
            .map(|&(rate, _)| rate)
            .find(|rate| rate.den == 1001 && (rate.hz() - exact.hz()).abs() < 0.005);
        Some(if fraction.len() > 1 { fractional_standard.unwrap_or(exact) } else { exact })
    }
}

impl fmt::Display for Rate {
    /// The trade's short form: at most three decimals, no trailing zeros (`59.94`, `23.976`, `25`).
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&hz_text(self.hz()))
    }
}

/// A number for people, with this many decimals: what rounds to zero is zero and has no sign.
pub fn decimal(value: f64, decimals: usize) -> String {
    let text = format!("{value:.decimals$}");
    match text.strip_prefix('-') {
        Some(rest) if rest.bytes().all(|byte| matches!(byte, b'0' | b'.')) => rest.to_owned(),
        _ => text,
    }
}

/// As [`decimal`], with a sign on either side of zero.
pub fn signed_decimal(value: f64, decimals: usize) -> String {
    let text = decimal(value, decimals);
    let is_zero = text.bytes().all(|byte| matches!(byte, b'0' | b'.'));
    if is_zero || text.starts_with('-') {
        text
    } else {
        format!("+{text}")
    }
}

/// A rate in hertz as the trade writes it: the name of a standard rate within 0.002 Hz (for instance
/// `59.94`), otherwise at most three decimals without trailing zeros.
pub fn hz_text(hz: f64) -> String {
    if let Some((_, name)) = STANDARD_RATES.iter().find(|(rate, _)| (rate.hz() - hz).abs() < 0.002) {
        return (*name).to_owned();
    }
    let text = format!("{hz:.3}");
    text.trim_end_matches('0').trim_end_matches('.').to_owned()
}

/// Seconds per tick: an exact, positive ratio in lowest terms.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub struct TimeBase {
    num: u64,
    den: u64,
}

impl TimeBase {
    /// Nanoseconds: the base of times read from text.
    pub const NANOSECONDS: Self = Self { num: 1, den: 1_000_000_000 };

    /// `num / den` seconds per tick in lowest terms; `None` unless both are in `1..=Rate::PART_MAX`.
    pub const fn new(num: u64, den: u64) -> Option<Self> {
        match Rate::new(num, den) {
            Some(ratio) => Some(Self { num: ratio.num, den: ratio.den }),
            None => None,
        }
    }

    /// Numerator in lowest terms, seconds.
    pub const fn num(self) -> u64 {
        self.num
    }

    /// Denominator in lowest terms.
    pub const fn den(self) -> u64 {
        self.den
    }

    /// `ticks` in seconds, for results only: never compare times through it.
    pub fn seconds(self, ticks: i64) -> f64 {
        ticks as f64 * self.num as f64 / self.den as f64
    }

    /// `ticks` in whole nanoseconds, rounded to nearest, ties away from zero.
    pub fn nanoseconds(self, ticks: i64) -> i128 {
        let scaled = i128::from(ticks) * i128::from(self.num) * 1_000_000_000;
        let den = i128::from(self.den);
        (scaled + scaled.signum() * (den / 2)) / den
    }
}

/// Where the delivered rate comes from.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum RateSource {
    /// The capture's header says it.
    Header,
    /// The person gave it (`--rate`).
    Given,
    /// Estimated from timestamps.
    Timestamps,
    /// Nothing says it; assumed.
    Assumed,
}

impl RateSource {
    /// The name written to files.
    pub fn name(self) -> &'static str {
        match self {
            Self::Header => "header",
            Self::Given => "given",
            Self::Timestamps => "timestamps",
            Self::Assumed => "assumed",
        }
    }

    /// The source with this written name.
    pub fn from_name(name: &str) -> Option<Self> {
        [Self::Header, Self::Given, Self::Timestamps, Self::Assumed].into_iter().find(|s| s.name() == name)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn zero_has_no_sign() {
        for (value, decimals, plain, signed) in [
            (-0.0, 0, "0", "0"),
            (0.0, 2, "0.00", "0.00"),
            (-0.004, 2, "0.00", "0.00"),
            (0.004, 2, "0.00", "0.00"),
            (-0.006, 2, "-0.01", "-0.01"),
            (1.25, 1, "1.2", "+1.2"),
            (-10.0, 0, "-10", "-10"),
            (100.0, 0, "100", "+100"),
        ] {
            assert_eq!(
                (decimal(value, decimals), signed_decimal(value, decimals)),
                (plain.into(), signed.into())
            );
        }
    }

    #[test]
    fn rates_parse_to_exact_ratios() {
        // Fractional rates are the integer rate divided by 1.001 (ITU-R BT.709-6).
        for (text, num, den) in [
            ("59.94", 60000, 1001),
            ("29.97", 30000, 1001),
            ("23.976", 24000, 1001),
            ("23.98", 24000, 1001),
            ("119.88", 120000, 1001),
            ("24000/1001", 24000, 1001),
            ("60", 60, 1),
            ("50/2", 25, 1),
            ("28.07", 2807, 100),
            ("12.5", 25, 2),
        ] {
            assert_eq!(Rate::parse(text), Rate::new(num, den), "{text}");
        }
        for text in ["", "0", "x", "1/0", "-5", "1e3", "25.0000001", ".5", "5000000000"] {
            assert_eq!(Rate::parse(text), None, "{text}");
        }
    }

    #[test]
    fn rates_print_as_the_trade_writes_them() {
        for (num, den, text) in
            [(60000, 1001, "59.94"), (24000, 1001, "23.976"), (25, 1, "25"), (2807, 100, "28.07")]
        {
            assert_eq!(Rate::new(num, den).unwrap().to_string(), text);
        }
    }

    #[test]
    fn ticks_become_nanoseconds_exactly() {
        let base = TimeBase::new(1001, 30000).unwrap();
        assert_eq!(base.nanoseconds(30000), 1_001_000_000_000);
        assert_eq!(base.nanoseconds(1), 33_366_667);
        assert_eq!(base.nanoseconds(-1), -33_366_667);
    }
}
