//! The tables of frames and fields, read row by row.

use std::io::{self, BufRead, Read};
use std::path::Path;

use super::wrong;
use crate::alignment::SourcePlace;
use crate::audit_store::csv;
use crate::classify::{ClassifiedFrame, Evidence, FrameClass, FrameFlags};
use crate::error::{plain_cause, Error, Result};
use crate::fingerprint::{Digest, UNKNOWN_DIGEST};
use crate::interlace::Parity;
use crate::units::TimeBase;

/// Longest row, bytes.
const ROW_BYTES_MAX: u64 = 1024;

/// What the frame table says.
#[derive(Default)]
pub(super) struct Rows {
    pub frames: Vec<ClassifiedFrame>,
    pub ticks: Vec<i64>,
    pub places: Vec<SourcePlace>,
    pub fields: Vec<ClassifiedFrame>,
}

pub(super) struct Table<'a> {
    pub path: &'a Path,
    pub base: TimeBase,
}

impl Table<'_> {
    pub fn read(&self, mut input: impl BufRead) -> Result<Rows> {
        let mut line = String::new();
        let mut rows = Rows::default();
        if !self.next_line(&mut input, &mut line)? || line != csv::HEADER {
            return Err(wrong(self.path, format!("its first line is not {:?}", csv::HEADER)));
        }
        while self.next_line(&mut input, &mut line)? {
            let number = rows.frames.len();
            let (frame, ticks, place) = self.row(&line, number).map_err(|column| self.odd(number, column))?;
            rows.frames.push(frame);
            rows.ticks.push(ticks);
            rows.places.push(place);
        }
        Ok(rows)
    }

    /// The fields of a table of fields, `first` coming first in each frame. Times follow from the frames'.
    pub fn read_fields(&self, mut input: impl BufRead, first: Parity) -> Result<Vec<ClassifiedFrame>> {
        let mut line = String::new();
        let mut fields = Vec::new();
        if !self.next_line(&mut input, &mut line)? || line != csv::FIELDS_HEADER {
            return Err(wrong(self.path, format!("its first line is not {:?}", csv::FIELDS_HEADER)));
        }
        while self.next_line(&mut input, &mut line)? {
            let number = fields.len();
            let parity = if number % 2 == 0 { first } else { first.other() };
            let mut cells = Cells::of(&line, csv::FIELDS_HEADER);
            let field = Self::field(&mut cells, (number, parity)).ok_or(cells.column);
            fields.push(field.map_err(|column| self.odd(number, column))?);
        }
        Ok(fields)
    }

    /// The next line without its end; false at the end of the table.
    fn next_line(&self, input: &mut impl BufRead, line: &mut String) -> Result<bool> {
        line.clear();
        let failed = |error: io::Error| wrong(self.path, plain_cause(&error));
        let length = input.by_ref().take(ROW_BYTES_MAX).read_line(line).map_err(failed)?;
        if line.ends_with('\n') {
            line.pop();
        }
        Ok(length > 0)
    }

    /// A row that is none, and the column that shows it.
    fn odd(&self, number: usize, column: &str) -> Error {
        wrong(self.path, format!("line {}: its {column} is not what stands there", number + 2))
    }

    /// A row of a frame, or the column that cannot be.
    fn row(
        &self,
        line: &str,
        number: usize,
    ) -> std::result::Result<(ClassifiedFrame, i64, SourcePlace), &'static str> {
        let mut cells = Cells::of(line, csv::HEADER);
        self.frame(&mut cells, number).ok_or(cells.column)
    }

    fn frame(&self, cells: &mut Cells<'_>, number: usize) -> Option<(ClassifiedFrame, i64, SourcePlace)> {
        if cells.next()?.parse::<usize>().ok()? != number {
            return None;
        }
        let ticks = self.ticks(cells.next()?)?;
        let frame = Self::call(cells)?;
        let frame = ClassifiedFrame {
            lost_before: cells.next()?.parse().ok()?,
            lost_uncertainty: cells.next()?.parse().ok()?,
            blend_weight: cells.next()?.parse().ok()?,
            ..frame
        };
        let place = place([cells.next()?, cells.next()?, cells.next()?], frame.blend_weight)?;
        cells.next().is_none().then_some((frame, ticks, place))
    }

    fn field(cells: &mut Cells<'_>, (number, parity): (usize, Parity)) -> Option<ClassifiedFrame> {
        let is = |cell: &str, number: usize| cell.parse() == Ok(number);
        let fits =
            is(cells.next()?, number) && is(cells.next()?, number / 2) && cells.next()? == parity.name();
        // Times follow from the frames'.
        let _ = cells.next().filter(|_| fits)?;
        let field = Self::call(cells)?;
        cells.next().is_none().then_some(field)
    }

    /// What rows of frames and fields have in common, from the class to the digest.
    fn call(cells: &mut Cells<'_>) -> Option<ClassifiedFrame> {
        let class = match cells.next()? {
            "new" => FrameClass::New,
            "repeat" => FrameClass::Repeat,
            "still" => FrameClass::Still,
            _ => return None,
        };
        let within = |value: f32, most: f32| (0.0..=most).contains(&value).then_some(value);
        Some(ClassifiedFrame {
            class,
            confidence: within(cells.next()?.parse().ok()?, 1.0)?,
            evidence: Evidence::from_name(cells.next()?)?,
            change: within(cells.next()?.parse().ok()?, f32::MAX)?,
            flags: flags(cells.next()?)?,
            digest: match cells.next()? {
                "" => UNKNOWN_DIGEST,
                digest => digest_of(digest.as_bytes())?,
            },
            lost_before: 0,
            lost_uncertainty: 0.0,
            blend_weight: 0.0,
        })
    }

    /// Ticks nearest to a time in seconds with nine decimals.
    fn ticks(&self, seconds: &str) -> Option<i64> {
        let (sign, digits) = seconds.strip_prefix('-').map_or((1, seconds), |digits| (-1, digits));
        let (whole, fraction) = digits.split_once('.')?;
        if fraction.len() != 9 {
            return None;
        }
        let nanoseconds = i128::from(whole.parse::<u64>().ok()?) * 1_000_000_000
            + i128::from(fraction.parse::<u32>().ok()?);
        let (num, den) = (i128::from(self.base.num()) * 1_000_000_000, i128::from(self.base.den()));
        i64::try_from(sign * ((nanoseconds * den + num / 2) / num)).ok()
    }
}

/// The cells of a row, and the name of the one that was taken last.
struct Cells<'a> {
    cells: std::str::Split<'a, char>,
    names: std::str::Split<'static, char>,
    column: &'static str,
}

impl<'a> Cells<'a> {
    fn of(line: &'a str, header: &'static str) -> Self {
        Self { cells: line.split(','), names: header.split(','), column: "" }
    }

    fn next(&mut self) -> Option<&'a str> {
        self.column = self.names.next().unwrap_or("number of columns");
        self.cells.next()
    }
}

/// The place in the clip that the last columns tell.
fn place([index, first, last]: [&str; 3], weight: f32) -> Option<SourcePlace> {
    Some(match (index.is_empty(), first.is_empty()) {
        (true, true) => SourcePlace::Unknown,
        (false, true) => SourcePlace::Picture(index.parse().ok()?),
        (false, false) if weight == 0.0 => {
            SourcePlace::Woven { first: first.parse().ok()?, second: last.parse().ok()? }
        }
        (false, false) => SourcePlace::Mix { first: first.parse().ok()?, second: last.parse().ok()?, weight },
        (true, false) => {
            let (first, last) = (first.parse().ok()?, last.parse().ok()?);
            (first <= last).then_some(SourcePlace::Ambiguous { first, last })?
        }
    })
}

fn flags(names: &str) -> Option<FrameFlags> {
    let mut flags = FrameFlags::default();
    for name in names.split(';').filter(|name| !name.is_empty()) {
        flags.insert(FrameFlags::NAMES.iter().find(|(_, known)| *known == name)?.0);
    }
    Some(flags)
}

pub(super) fn digest_of(hex: &[u8]) -> Option<Digest> {
    let mut digest = Digest::default();
    if hex.len() != 2 * digest.len() {
        return None;
    }
    for (byte, pair) in digest.iter_mut().zip(hex.chunks_exact(2)) {
        let digit = |letter: u8| char::from(letter).to_digit(16);
        *byte = (digit(pair[0])? * 16 + digit(pair[1])?) as u8;
    }
    Some(digest)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn times_come_back_to_the_tick() {
        for (num, den) in [(1001, 60_000), (1, 90_000), (1, 1000), (1, 1_000_000_000)] {
            let base = TimeBase::new(num, den).unwrap();
            let table = Table { path: Path::new("frames.csv"), base };
            for ticks in [0, 1, 2, 599, 2_160_001, -7] {
                let nanoseconds = base.nanoseconds(ticks);
                let sign = if nanoseconds < 0 { "-" } else { "" };
                let (whole, rest) = (nanoseconds.abs() / 1_000_000_000, nanoseconds.abs() % 1_000_000_000);
                assert_eq!(table.ticks(&format!("{sign}{whole}.{rest:09}")), Some(ticks), "{num}/{den}");
            }
        }
    }

    #[test]
    fn broken_rows_are_refused() {
        let table = Table { path: Path::new("frames.csv"), base: TimeBase::new(1, 1000).unwrap() };
        let digest = "ab".repeat(32);
        let whole = format!("0,0.000000000,new,1.0000,digest,0.0000,blend;cut,{digest},0,0,0.5,7.500,7,8");
        assert!(table.row(&whole, 0).is_ok());
        assert_eq!(table.row(&whole, 1), Err("frame"));
        for (from, to, column) in [
            ("new", "old", "class"),
            ("1.0000", "1.0001", "confidence"),
            ("1.0000", "NaN", "confidence"),
            ("digest,", "guess,", "evidence"),
            ("blend", "bland", "flags"),
            (".000000000", ".0", "time_s"),
            ("ab", "xy", "digest"),
            (",0.0000,", ",-1,", "change"),
            (",0.0000,", ",", "change"),
            (",0.5,", ",half,", "blend_weight"),
        ] {
            assert_eq!(table.row(&whole.replacen(from, to, 1), 0), Err(column), "{from}");
        }
        assert_eq!(table.row(&format!("{whole},more"), 0), Err("number of columns"));
        assert_eq!(table.row("", 0), Err("frame"));
    }
}
