//! Frame times from a text file, for captures whose container has no usable ones.
//!
//! One time per line: seconds as a decimal number, or a date and time by RFC 3339 with its offset. Blank
//! lines and lines that start with `#` are passed over.

use std::fs::File;
use std::io::{BufRead, BufReader, Read};
use std::path::Path;

use super::limits::{cause_of, READ_AHEAD};
use super::{CaptureEnd, CaptureFacts, FrameSource};
use crate::error::{Error, Result};
use crate::frame::FrameTiming;
use crate::note::{Note, NoteCode};
use crate::units::TimeBase;

/// Longest line, in bytes; a time with its offset takes about 35, the rest is room for comments.
const LINE_MAX: usize = 1024;

/// Most times a file may hold: 23 hours at 120 frames per second, 80 MB of memory.
const TIMES_MAX: usize = 10_000_000;

const NANOSECONDS_PER_SECOND: i64 = 1_000_000_000;

/// A reader whose frames get their times from a file.
pub(crate) struct TimestampedSource {
    inner: Box<dyn FrameSource>,
    facts: CaptureFacts,
    place: String,
    times: Vec<i64>,
    used: usize,
    ended: bool,
}

impl TimestampedSource {
    /// Gives the frames of `inner` the times in `file`.
    ///
    /// # Errors
    /// An unreadable file, or a line that is no time.
    pub(crate) fn new(inner: Box<dyn FrameSource>, file: &Path) -> Result<Self> {
        let place = file.display().to_string();
        let opened = File::open(file).map_err(|error| {
            Error::new(&place, "cannot open timestamps", cause_of(&error), "check the path given to --timestamps")
        })?;
        let times = read_times(opened, &place)?;
        let facts = CaptureFacts { time_base: Some(TimeBase::NANOSECONDS), ..inner.facts().clone() };
        Ok(Self { inner, facts, place, times, used: 0, ended: false })
    }
}

impl FrameSource for TimestampedSource {
    fn facts(&self) -> &CaptureFacts {
        &self.facts
    }

    fn read_frame(&mut self, samples: &mut Vec<u8>) -> Result<Option<FrameTiming>> {
        let Some(timing) = self.inner.read_frame(samples)? else {
            self.ended = true;
            return Ok(None);
        };
        let Some(&ticks) = self.times.get(self.used) else {
            return Err(Error::new(
                &self.place,
                "too few timestamps",
                format!("the file has {} and the capture has more frames", self.times.len()),
                "give one time per frame",
            ));
        };
        self.used += 1;
        Ok(Some(FrameTiming { ticks: Some(ticks), ..timing }))
    }

    fn finish(self: Box<Self>) -> CaptureEnd {
        let mut end = self.inner.finish();
        let extra = self.times.len() - self.used;
        if self.ended && extra > 0 {
            end.notes.push(Note::new(
                NoteCode::ReaderMessage,
                format!(
                    "{} has {extra} more time(s) than the capture has frames; the last ones are not used. \
                     Check that both belong together.",
                    self.place
                ),
            ));
        }
        end
    }
}

/// Which of the two spellings of a time a file uses.
#[derive(Clone, Copy, Debug, PartialEq)]
enum Spelling {
    Seconds,
    DateTime,
}

/// Reads all times, in nanoseconds: as written, or since 1970-01-01T00:00:00Z.
fn read_times(input: impl Read, place: &str) -> Result<Vec<i64>> {
    let mut reader = BufReader::with_capacity(READ_AHEAD, input);
    let mut times = Vec::new();
    let mut spelling = None;
    let mut line = Vec::new();
    for number in 1u64.. {
        let refused = |cause: String| {
            Error::new(
                place,
                format!("bad timestamp in line {number}"),
                cause,
                "write one time per line: seconds such as 12.345, or 2026-01-31T12:00:00.5+01:00",
            )
        };
        line.clear();
        let len = reader
            .by_ref()
            .take(LINE_MAX as u64 + 1)
            .read_until(b'\n', &mut line)
            .map_err(|error| Error::new(place, "cannot read timestamps", cause_of(&error), "check the disk"))?;
        if len == 0 {
            break;
        }
        if len > LINE_MAX {
            return Err(refused(format!("the line is longer than {LINE_MAX} bytes")));
        }
        let start: &[u8] = if number == 1 { b"\xef\xbb\xbf" } else { b"" };
        let text = String::from_utf8_lossy(line.strip_prefix(start).unwrap_or(&line)).into_owned();
        let text = text.trim();
        if text.is_empty() || text.starts_with('#') {
            continue;
        }
        let (time, used) = parse_time(text)
            .ok_or_else(|| refused(format!("`{}` is no time", text.escape_default())))?;
        if *spelling.get_or_insert(used) != used {
            return Err(refused("seconds and dates are mixed in one file".into()));
        }
        if times.len() == TIMES_MAX {
            return Err(refused(format!("more than {TIMES_MAX} times")));
        }
        times.push(time);
    }
    Ok(times)
}

fn parse_time(text: &str) -> Option<(i64, Spelling)> {
    match parse_seconds(text) {
        Some(time) => Some((time, Spelling::Seconds)),
        None => Some((parse_date_time(text)?, Spelling::DateTime)),
    }
}

/// Decimal seconds in exact nanoseconds; digits past the ninth decimal must be zero.
fn parse_seconds(text: &str) -> Option<i64> {
    let (negative, text) = match text.strip_prefix('-') {
        Some(rest) => (true, rest),
        None => (false, text.strip_prefix('+').unwrap_or(text)),
    };
    let (whole, fraction) = text.split_once('.').unwrap_or((text, "0"));
    let whole = number(whole, 1..=10)?;
    let nanoseconds =
        whole.checked_mul(NANOSECONDS_PER_SECOND)?.checked_add(fraction_nanoseconds(fraction)?)?;
    Some(if negative { -nanoseconds } else { nanoseconds })
}

/// The digits after the decimal point, in nanoseconds.
fn fraction_nanoseconds(digits: &str) -> Option<i64> {
    let kept = if digits.len() > 9 { digits.trim_end_matches('0') } else { digits };
    if digits.is_empty() || kept.len() > 9 {
        return None;
    }
    number(&format!("{kept:0<9}"), 9..=9)
}

/// Plain digits, as many as allowed.
fn number(text: &str, digits: std::ops::RangeInclusive<usize>) -> Option<i64> {
    let plain = digits.contains(&text.len()) && text.bytes().all(|byte| byte.is_ascii_digit());
    if plain {
        text.parse().ok()
    } else {
        None
    }
}

/// RFC 3339 `date-time`, in nanoseconds since 1970-01-01T00:00:00Z. A leap second (`:60`) counts as the
/// first of the next minute, because the count leaves leap seconds out.
fn parse_date_time(text: &str) -> Option<i64> {
    if !text.is_ascii() || text.len() < 20 {
        return None;
    }
    let punctuation = [(4, "-"), (7, "-"), (13, ":"), (16, ":")];
    if punctuation.iter().any(|&(at, mark)| &text[at..=at] != mark)
        || !["T", "t", " "].contains(&&text[10..11])
    {
        return None;
    }
    let part = |range: std::ops::Range<usize>, allowed: std::ops::RangeInclusive<i64>| {
        let len = range.len();
        number(&text[range], len..=len).filter(|value| allowed.contains(value))
    };
    let (year, month) = (part(0..4, 0..=9999)?, part(5..7, 1..=12)?);
    let day = part(8..10, 1..=days_in_month(year, month))?;
    let (hour, minute, second) = (part(11..13, 0..=23)?, part(14..16, 0..=59)?, part(17..19, 0..=60)?);
    let rest = &text[19..];
    let (fraction, offset) = match rest.strip_prefix('.') {
        Some(rest) => {
            let digits = rest.find(|c: char| !c.is_ascii_digit())?;
            (fraction_nanoseconds(&rest[..digits])?, &rest[digits..])
        }
        None => (0, rest),
    };
    let seconds = days_from_epoch(year, month, day) * 86_400 + hour * 3600 + minute * 60 + second
        - offset_seconds(offset)?;
    seconds.checked_mul(NANOSECONDS_PER_SECOND)?.checked_add(fraction)
}

/// `Z` or `±hh:mm`, in seconds east of Greenwich.
fn offset_seconds(text: &str) -> Option<i64> {
    if text.eq_ignore_ascii_case("z") {
        return Some(0);
    }
    let sign = match text.as_bytes().first()? {
        b'+' => 1,
        b'-' => -1,
        _ => return None,
    };
    let (hours, minutes) = text[1..].split_once(':')?;
    let hours = number(hours, 2..=2).filter(|hours| *hours <= 23)?;
    let minutes = number(minutes, 2..=2).filter(|minutes| *minutes <= 59)?;
    Some(sign * (hours * 3600 + minutes * 60))
}

fn is_leap_year(year: i64) -> bool {
    (year % 4 == 0 && year % 100 != 0) || year % 400 == 0
}

fn days_in_month(year: i64, month: i64) -> i64 {
    match month {
        2 if is_leap_year(year) => 29,
        2 => 28,
        4 | 6 | 9 | 11 => 30,
        _ => 31,
    }
}

/// Days from 1970-01-01 to a date of the Gregorian calendar, years 0 to 9999.
fn days_from_epoch(year: i64, month: i64, day: i64) -> i64 {
    // Whole years since year 0, a leap year, then whole months of this year.
    let leap_years_before = |year: i64| (year + 3) / 4 - (year + 99) / 100 + (year + 399) / 400;
    let days_before_year = |year: i64| year * 365 + leap_years_before(year);
    let days_before_month: i64 = (1..month).map(|earlier| days_in_month(year, earlier)).sum();
    days_before_year(year) - days_before_year(1970) + days_before_month + day - 1
}
