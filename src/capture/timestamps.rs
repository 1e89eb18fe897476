//! Frame times from a text file, for captures whose container has no usable ones.
//!
//! One time per line: seconds as a decimal number, or a date and time by RFC 3339 with its offset. Blank
//! lines and lines that start with `#` are passed over.

use std::fs::File;
use std::io::{BufRead, BufReader, Read};
use std::path::Path;

use super::limits::{cause_of, READ_AHEAD};
use super::{CaptureEnd, CaptureFacts, Extent, FrameSource, Leap};
use crate::error::{excerpt, Error, Result};
use crate::frame::FrameTiming;
use crate::note::{Note, NoteCode};
use crate::settings::PathNames;
use crate::units::TimeBase;
use crate::words::{counted, verb};

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
            Error::new(
                &place,
                "cannot open timestamps",
                cause_of(&error),
                "check the path given to --timestamps",
            )
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

    fn leap(&mut self, leap: Leap) -> Result<bool> {
        // The times inside the capture are others.
        let leapt = self.inner.leap(Leap { ticks: None, ..leap })?;
        if leapt {
            self.used = self.used.saturating_add(usize::try_from(leap.frames).unwrap_or(usize::MAX));
        }
        Ok(leapt)
    }

    fn extent(&self) -> Option<Extent> {
        // The times inside the capture are others.
        self.inner.extent().filter(|extent| matches!(extent, Extent::Frames(_)))
    }

    fn finish(self: Box<Self>) -> CaptureEnd {
        let mut end = self.inner.finish();
        let extra = self.times.len().saturating_sub(self.used);
        if self.ended && extra > 0 {
            end.notes.push(Note::new(
                NoteCode::ReaderMessage,
                format!(
                    "{} has more times than the capture has frames. {} at its end {} not used. Check that both belong \
                     together.",
                    // Notes are for others, too.
                    PathNames::Last.of(self.place.as_ref()),
                    counted(extra as u64, "timestamp"),
                    verb(extra as u64, "are")
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
pub(super) fn read_times(input: impl Read, place: &str) -> Result<Vec<i64>> {
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
        let len =
            reader.by_ref().take(LINE_MAX as u64 + 1).read_until(b'\n', &mut line).map_err(|error| {
                Error::new(place, "cannot read timestamps", cause_of(&error), "check the disk")
            })?;
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
        let (time, used) =
            parse_time(text).ok_or_else(|| refused(format!("{} is no time", excerpt(text))))?;
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

#[cfg(test)]
mod tests {
    use super::*;
    use crate::capture::testing::{read_all, shown, Numbers, Outcome};
    use crate::capture::y4m::Y4mSource;
    use crate::settings::ReadingSettings;
    use std::io::Cursor;

    fn times(text: &str) -> Result<Vec<i64>> {
        read_times(text.as_bytes(), "times.txt")
    }

    /// Reads a capture of three frames with the times in `text`.
    fn read_with(text: &str) -> Outcome {
        let folder = tempfile::tempdir().unwrap();
        let file = folder.path().join("times.txt");
        std::fs::write(&file, text).unwrap();
        let y4m = b"YUV4MPEG2 W1 H1 Cmono F25:1\nFRAME\naFRAME\nbFRAME\nc".to_vec();
        let settings = ReadingSettings::default();
        let inner = Y4mSource::new(Box::new(Cursor::new(y4m)), "a".into(), "a".into(), &settings).unwrap();
        let source = TimestampedSource::new(Box::new(inner), &file).unwrap();
        assert_eq!(source.facts().time_base, Some(TimeBase::NANOSECONDS));
        let mut outcome = read_all(Box::new(source));
        for note in &mut outcome.notes {
            note.text = note.text.replace(&file.display().to_string(), "times.txt");
        }
        if let Some(error) = &mut outcome.error {
            error.place = error.place.replace(&file.display().to_string(), "times.txt");
        }
        outcome
    }

    #[test]
    fn times_are_exact() {
        let day = 86_400 * NANOSECONDS_PER_SECOND;
        for (line, expected) in [
            ("0", 0),
            ("12.345", 12_345_000_000),
            ("0.033366667", 33_366_667),
            ("1.0000000010000", 1_000_000_001),
            ("-0.5", -500_000_000),
            ("+2", 2_000_000_000),
            ("1970-01-01T00:00:00Z", 0),
            ("1970-01-02T00:00:00.25+00:00", day + 250_000_000),
            ("1969-12-31T23:59:59Z", -NANOSECONDS_PER_SECOND),
            // RFC 3339, section 5.8: these two are the same moment.
            ("1996-12-19T16:39:57-08:00", 851_042_397 * NANOSECONDS_PER_SECOND),
            ("1996-12-20T00:39:57Z", 851_042_397 * NANOSECONDS_PER_SECOND),
            // RFC 3339, section 5.8: a leap second, and the same in another zone.
            ("1990-12-31T23:59:60Z", 662_688_000 * NANOSECONDS_PER_SECOND),
            ("1990-12-31T15:59:60-08:00", 662_688_000 * NANOSECONDS_PER_SECOND),
            ("2000-02-29t12:00:00z", 951_825_600 * NANOSECONDS_PER_SECOND),
        ] {
            assert_eq!(times(line).as_deref(), Ok(&[expected][..]), "{line}");
        }
    }

    #[test]
    fn days_are_counted_through_leap_years() {
        let mut expected = days_from_epoch(1896, 1, 1);
        for year in 1896..2105 {
            for month in 1..=12 {
                assert_eq!(days_from_epoch(year, month, 1), expected, "{year}-{month}");
                expected += days_in_month(year, month);
            }
        }
        assert_eq!(days_from_epoch(1970, 1, 1), 0);
    }

    #[test]
    fn blank_lines_comments_and_line_ends_are_passed_over() {
        let expected = Ok(vec![0, 40_000_000]);
        for text in ["0\n0.04\n", "0\r\n0.04", "\u{feff}0\n\n# pause\n  0.04  \n", "#\n\n0\n0.04\n#"] {
            assert_eq!(times(text), expected, "{text:?}");
        }
    }

    #[test]
    fn bad_lines_are_named_by_number() {
        let hint = "write one time per line: seconds such as 12.345, or 2026-01-31T12:00:00.5+01:00";
        for (text, line, cause) in [
            ("0\nx\n", 2, "\"x\" is no time"),
            ("0\n\n#\n1,5\n", 4, "\"1,5\" is no time"),
            ("1e3", 1, "\"1e3\" is no time"),
            (".5", 1, "\".5\" is no time"),
            ("1.", 1, "\"1.\" is no time"),
            ("0.0000000001", 1, "\"0.0000000001\" is no time"),
            ("99999999999", 1, "\"99999999999\" is no time"),
            ("2026-02-29T00:00:00Z", 1, "\"2026-02-29T00:00:00Z\" is no time"),
            ("2026-01-31T12:00:00", 1, "\"2026-01-31T12:00:00\" is no time"),
            ("2026-01-31T24:00:00Z", 1, "\"2026-01-31T24:00:00Z\" is no time"),
            ("2026-01-31T12:00:00.Z", 1, "\"2026-01-31T12:00:00.Z\" is no time"),
            ("9999-01-31T12:00:00Z", 1, "\"9999-01-31T12:00:00Z\" is no time"),
            ("0\n2026-01-31T12:00:00Z", 2, "seconds and dates are mixed in one file"),
        ] {
            let error = times(text).unwrap_err();
            assert_eq!(shown(&error), format!("times.txt: bad timestamp in line {line}: {cause}\n{hint}"));
        }
        let long = times(&"1".repeat(LINE_MAX + 1)).unwrap_err();
        assert_eq!(
            long.to_string(),
            "times.txt: bad timestamp in line 1: the line is longer than 1024 bytes"
        );
    }

    #[test]
    fn frames_get_the_times_of_the_file() {
        // Times that repeat or run backwards are the cadence's to report.
        let outcome = read_with("0\n0.04\n0.03\n");
        assert_eq!(outcome.ticks(), [0, 40_000_000, 30_000_000].map(Some));
        assert_eq!((outcome.error, outcome.notes), (None, vec![]));
    }

    #[test]
    fn too_few_times_are_an_error_and_extra_ones_a_note() {
        let outcome = read_with("0\n0.04\n");
        assert_eq!(outcome.frames.len(), 2);
        assert_eq!(
            shown(&outcome.error.unwrap()),
            "times.txt: too few timestamps: the file has 2 and the capture has more frames\ngive one time per frame"
        );
        let outcome = read_with("0\n1\n2\n3\n4\n");
        assert_eq!(outcome.error, None);
        assert_eq!(
            outcome.notes[0].text,
            "times.txt has more times than the capture has frames. 2 timestamps at its end are not used. \
             Check that both belong together."
        );
    }

    #[test]
    fn a_missing_file_is_named() {
        let settings = ReadingSettings::default();
        let y4m = b"YUV4MPEG2 W1 H1\n".to_vec();
        let inner = Y4mSource::new(Box::new(Cursor::new(y4m)), "a".into(), "a".into(), &settings).unwrap();
        let error = TimestampedSource::new(Box::new(inner), Path::new("no-such-times")).err().unwrap();
        assert_eq!(
            shown(&error),
            "no-such-times: cannot open timestamps: no such file or folder\ncheck the path given to --timestamps"
        );
    }

    #[test]
    fn truncations_and_mutations_give_a_named_error_or_times() {
        let text = b"# times\r\n1996-12-19T16:39:57.5-08:00\n\n1996-12-19T16:39:57.54-08:00\n";
        let check = |bytes: &[u8]| {
            if let Err(error) = read_times(bytes, "times.txt") {
                assert!(error.what.starts_with("bad timestamp in line "), "{error}");
            }
        };
        (0..text.len()).for_each(|len| check(&text[..len]));
        let mut numbers = Numbers(0x5EED);
        for _ in 0..5000 {
            check(&numbers.mutated(text));
        }
    }
}
