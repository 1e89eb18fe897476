//! `frames.csv` and `fields.csv`: one row per frame and per field. Numbers are written from integers, so no platform rounds differently.

use std::collections::BTreeMap;
use std::io::{self, Write};

use crate::alignment::SourcePlace;
use crate::audit::{fixed, Audit, CHANGE_DECIMALS, CONFIDENCE_DECIMALS};
use crate::cadence::FrameTimes;
use crate::classify::ClassifiedFrame;
use crate::fingerprint::{Digest, UNKNOWN_DIGEST};
use crate::interlace::FieldAudit;
use crate::units::TimeBase;

/// The header line without its end. Columns may be added at the end, never renamed or moved.
pub const HEADER: &str =
    "frame,time_s,class,confidence,evidence,change,flags,digest,lost_before,lost_uncertainty,blend_weight,\
     source_index,source_first,source_last";

/// Rows are collected to this many bytes before they are written.
const CHUNK_BYTES: usize = 64 * 1024;
/// Room for the longest possible row, bytes.
const ROW_BYTES_MAX: usize = 320;
/// Decimals of `time_s`: nanoseconds.
const TIME_DECIMALS: usize = 9;

/// Writes the header and one row per frame. `time_s` counts from the first frame and is exact to the
/// nanosecond.
///
/// # Errors
/// What `out` returns.
pub fn write(audit: &Audit, out: &mut dyn Write) -> io::Result<()> {
    let places = audit.source.as_ref().map_or(&[][..], |source| &source.track.places);
    write_table(HEADER, (&audit.frames, &audit.times), out, |row, index, nanoseconds| {
        push_row(row, index as u64, nanoseconds, &audit.frames[index]);
        push_place(row, places.get(index).copied().unwrap_or_default());
    })
}

/// Writes a header and a row for each call; `push` gets the number of the call and its time.
fn write_table(
    header: &str,
    (calls, times): (&[ClassifiedFrame], &FrameTimes),
    out: &mut dyn Write,
    push: impl Fn(&mut Vec<u8>, usize, i64),
) -> io::Result<()> {
    let mut rows = Vec::with_capacity(CHUNK_BYTES + ROW_BYTES_MAX);
    rows.extend_from_slice(header.as_bytes());
    rows.push(b'\n');
    let origin = times.ticks.first().copied().unwrap_or(0);
    for (index, &ticks) in times.ticks.iter().enumerate().take(calls.len()) {
        push(&mut rows, index, nanoseconds(times.base, ticks, origin));
        rows.push(b'\n');
        if rows.len() >= CHUNK_BYTES {
            out.write_all(&rows)?;
            rows.clear();
        }
    }
    out.write_all(&rows)
}

/// Time since `origin`, in nanoseconds, held within 64 bits (292 years).
fn nanoseconds(base: TimeBase, ticks: i64, origin: i64) -> i64 {
    let nanoseconds = base.nanoseconds(ticks.saturating_sub(origin));
    nanoseconds.clamp(i128::from(i64::MIN), i128::from(i64::MAX)) as i64
}

/// The header line of the table of fields. Columns may be added at the end, never renamed or moved.
pub const FIELDS_HEADER: &str = "field,frame,parity,time_s,class,confidence,evidence,change,flags,digest";

/// Writes the header and one row per field, in the order of their moments. `digest` stands for the samples of a
/// field: it is equal where these are proven equal to the ones of the same parity before.
///
/// # Errors
/// What `out` returns.
pub fn write_fields(fields: &FieldAudit, out: &mut dyn Write) -> io::Result<()> {
    write_table(FIELDS_HEADER, (&fields.fields, &fields.times), out, |row, index, nanoseconds| {
        push_decimal(row, index as u64, 0);
        row.push(b',');
        push_decimal(row, index as u64 / 2, 0);
        row.push(b',');
        row.extend_from_slice(fields.parity(index).name().as_bytes());
        row.push(b',');
        push_call(row, nanoseconds, &fields.fields[index]);
    })
}

/// Digest of every column of a table but that of digests, by its name: the BLAKE3 of its cells, each with a line end.
/// They bind the tables to `audit.json`, column by column, so that what was changed can be named.
pub(super) type ColumnDigests = BTreeMap<String, String>;

/// The column that other digests bind, and that a page may have no room for.
const DIGEST_COLUMN: &str = "digest";

/// The digests of the table of frames.
pub(super) fn frame_columns(audit: &Audit) -> ColumnDigests {
    let mut columns = Columns::new(HEADER);
    write(audit, &mut columns).unwrap_or_else(|_| unreachable!("memory takes every byte"));
    columns.finish()
}

/// The digests of the table of fields.
pub(super) fn field_columns(fields: &FieldAudit) -> ColumnDigests {
    let mut columns = Columns::new(FIELDS_HEADER);
    write_fields(fields, &mut columns).unwrap_or_else(|_| unreachable!("memory takes every byte"));
    columns.finish()
}

/// Takes a table apart into its columns.
struct Columns {
    names: Vec<&'static str>,
    cells: Vec<Vec<u8>>,
    hashers: Vec<blake3::Hasher>,
    column: usize,
    in_header: bool,
}

impl Columns {
    fn new(header: &'static str) -> Self {
        let names: Vec<&str> = header.split(',').collect();
        Self {
            cells: vec![Vec::new(); names.len()],
            hashers: vec![blake3::Hasher::new(); names.len()],
            names,
            column: 0,
            in_header: true,
        }
    }

    /// Adds to the cell that is being read. The digests' own column is half of the table and bound elsewhere.
    fn push(&mut self, bytes: &[u8]) {
        if self.names[self.column] != DIGEST_COLUMN {
            self.cells[self.column].extend_from_slice(bytes);
        }
    }

    fn end_cell(&mut self) {
        self.push(b"\n");
        let cells = &mut self.cells[self.column];
        if cells.len() >= CHUNK_BYTES {
            self.hashers[self.column].update(cells);
            cells.clear();
        }
    }

    fn finish(mut self) -> ColumnDigests {
        for (hasher, cells) in self.hashers.iter_mut().zip(&self.cells) {
            hasher.update(cells);
        }
        let digest = |hasher: &blake3::Hasher| hasher.finalize().to_hex().to_string();
        let named = self.names.iter().zip(&self.hashers);
        let bound = named.filter(|(name, _)| **name != DIGEST_COLUMN);
        bound.map(|(name, hasher)| ((*name).to_owned(), digest(hasher))).collect()
    }
}

impl Write for Columns {
    fn write(&mut self, bytes: &[u8]) -> io::Result<usize> {
        let mut rest = bytes;
        if self.in_header {
            let Some(end) = rest.iter().position(|&byte| byte == b'\n') else { return Ok(bytes.len()) };
            self.in_header = false;
            rest = &rest[end + 1..];
        }
        while let Some(end) = rest.iter().position(|byte| matches!(byte, b',' | b'\n')) {
            self.push(&rest[..end]);
            self.end_cell();
            self.column = if rest[end] == b',' { self.column + 1 } else { 0 };
            rest = &rest[end + 1..];
        }
        self.push(rest);
        Ok(bytes.len())
    }

    fn flush(&mut self) -> io::Result<()> {
        Ok(())
    }
}

fn push_row(row: &mut Vec<u8>, index: u64, nanoseconds: i64, frame: &ClassifiedFrame) {
    push_decimal(row, index, 0);
    row.push(b',');
    push_call(row, nanoseconds, frame);
    row.push(b',');
    push_decimal(row, u64::from(frame.lost_before), 0);
    // The shortest digits that give the same float back (what `Display` of Rust's floats promises).
    let _ = write!(row, ",{},{}", frame.lost_uncertainty, frame.blend_weight);
}

/// What frames and fields have in common, from the time to the digest, which is empty where it is not known any more.
fn push_call(row: &mut Vec<u8>, nanoseconds: i64, frame: &ClassifiedFrame) {
    if nanoseconds < 0 {
        row.push(b'-');
    }
    push_decimal(row, nanoseconds.unsigned_abs(), TIME_DECIMALS);
    row.push(b',');
    row.extend_from_slice(frame.class.name().as_bytes());
    row.push(b',');
    push_decimal(row, fixed(frame.confidence, CONFIDENCE_DECIMALS), CONFIDENCE_DECIMALS);
    row.push(b',');
    row.extend_from_slice(frame.evidence.name().as_bytes());
    row.push(b',');
    push_decimal(row, fixed(frame.change, CHANGE_DECIMALS), CHANGE_DECIMALS);
    row.push(b',');
    for (place, name) in frame.flags.names().enumerate() {
        if place > 0 {
            row.push(b';');
        }
        row.extend_from_slice(name.as_bytes());
    }
    row.push(b',');
    if frame.digest != UNKNOWN_DIGEST {
        push_hex(row, &frame.digest);
    }
}

/// Index in the clip, empty where it is not known; the two pictures of a mix (whose weight is `blend_weight`), two
/// woven fields (`blend_weight` is 0), or the range that cannot be told apart.
fn push_place(row: &mut Vec<u8>, place: SourcePlace) {
    let _ = match place {
        SourcePlace::Unknown => write!(row, ",,,"),
        SourcePlace::Picture(picture) => write!(row, ",{picture},,"),
        SourcePlace::Mix { first, second, .. } | SourcePlace::Woven { first, second } => {
            write!(row, ",{:.3},{first},{second}", place.index().unwrap_or_default())
        }
        SourcePlace::Ambiguous { first, last } => write!(row, ",,{first},{last}"),
    };
}

/// Writes `units / 10^decimals` with exactly that many decimals.
fn push_decimal(row: &mut Vec<u8>, mut units: u64, decimals: usize) {
    /// 20 digits of `u64`, a point, and nine leading zeros at most.
    const DIGITS_MAX: usize = 30;
    let mut digits = [0u8; DIGITS_MAX];
    let mut place = DIGITS_MAX;
    let mut written = 0;
    loop {
        if written == decimals && decimals > 0 {
            place -= 1;
            digits[place] = b'.';
        }
        place -= 1;
        digits[place] = b'0' + (units % 10) as u8;
        units /= 10;
        written += 1;
        if units == 0 && written > decimals {
            break;
        }
    }
    row.extend_from_slice(&digits[place..]);
}

fn push_hex(row: &mut Vec<u8>, digest: &Digest) {
    const DIGITS: &[u8; 16] = b"0123456789abcdef";
    let mut text = [0; 2 * std::mem::size_of::<Digest>()];
    for (pair, byte) in text.chunks_exact_mut(2).zip(digest) {
        pair[0] = DIGITS[usize::from(byte >> 4)];
        pair[1] = DIGITS[usize::from(byte & 15)];
    }
    row.extend_from_slice(&text);
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn decimals_are_exact() {
        for (units, decimals, text) in [
            (0, 0, "0"),
            (2_160_000, 0, "2160000"),
            (0, 4, "0.0000"),
            (5, 4, "0.0005"),
            (10_000, 4, "1.0000"),
            (16_683_333, 9, "0.016683333"),
            (36_000_000_000_000, 9, "36000.000000000"),
            (u64::MAX, 9, "18446744073.709551615"),
        ] {
            let mut row = Vec::new();
            push_decimal(&mut row, units, decimals);
            assert_eq!(String::from_utf8(row).unwrap(), text);
        }
    }

    #[test]
    fn strange_floats_become_zero_or_the_limit() {
        for (value, units) in
            [(0.95, 9500), (0.94996, 9500), (-1.0, 0), (f32::NAN, 0), (f32::INFINITY, u64::MAX)]
        {
            assert_eq!(fixed(value, 4), units, "{value}");
        }
    }

    #[test]
    fn times_stay_within_their_range() {
        let base = TimeBase::new(u64::from(u32::MAX), 1).unwrap();
        assert_eq!(nanoseconds(base, i64::MAX, i64::MIN), i64::MAX);
        assert_eq!(nanoseconds(TimeBase::new(1, 90_000).unwrap(), 90_001, 90_000), 11_111);
    }
}
