//! What `report.html` holds so that it can be read back by itself, besides `audit.json`: blocks of text that the
//! page's script leaves alone.
//!
//! | block | content |
//! |---|---|
//! | `provenance-json` | `provenance.json` |
//! | `frame-table`, `field-table` | a zlib stream (RFC 1950) of `TABLE_VERSION` and columns |
//! | `digests` | for frames, then fields: a bit for each, lowest first, set where its digest is not the one of the frame (of the field of this parity) before, filled up to bytes; then these digests |
//! | `small-pictures` | `pictures.log` |
//!
//! All but the first in base64 (RFC 4648). A column has a byte with its number of planes, then the lowest bytes of all
//! its values, then the next higher ones, and so on. Columns of both tables are: class, evidence, flags, confidence
//! and change in their last decimal of the written tables; of frames also: ticks since the first frame, as differences
//! of differences; pictures lost before, their uncertainty and the weight of a mix (both the bits of a float); kind of
//! place in the clip, first picture less that of the frame before, second less first. Signed values count 0, −1, 1, −2.
//!
//! Digests and small pictures are left out where they would make the page too large.

use std::fmt::Write as _;
use std::io::{Read, Write as _};

use base64::engine::general_purpose::STANDARD;
use base64::Engine;
use flate2::bufread::ZlibDecoder;
use flate2::write::ZlibEncoder;
use flate2::Compression;

use super::pictures_log;
use super::{FRAMES_CSV, PICTURES_LOG};
use crate::alignment::SourcePlace;
use crate::audit::{fixed, from_fixed, Audit, CHANGE_DECIMALS, CONFIDENCE_DECIMALS};
use crate::classify::{ClassifiedFrame, Evidence, FrameClass, FrameFlags};
use crate::escape::script_data;
use crate::fingerprint::{Digest, UNKNOWN_DIGEST};

/// What every whole page ends with, but for its seal.
pub const END: &str = "</html>";
/// Block with `audit.json`.
pub const AUDIT_ID: &str = "audit-json";

/// Who, how and when.
pub(crate) const PROVENANCE_ID: &str = "provenance-json";
/// Calls of all frames.
pub(super) const FRAMES_ID: &str = "frame-table";
/// Calls of all fields.
pub(super) const FIELDS_ID: &str = "field-table";
/// Digests of all frames and fields.
pub(super) const DIGESTS_ID: &str = "digests";
/// The small pictures.
pub(super) const PICTURES_ID: &str = "small-pictures";

/// First byte of a table: how its columns are laid out.
const TABLE_VERSION: u8 = 1;
/// Most bytes that digests and small pictures take of a page together: half of what it may have unless `--pictures`
/// says otherwise. Choice: enough for about four minutes of 60 new pictures per second.
pub(super) const LARGE_BYTES_MAX: usize = 3_000_000;
/// Most frames whose table is written and read: 19 hours of 60 frames per second. A table says so much with so few
/// bytes that nothing else bounds the memory a page can ask for.
pub(super) const FRAMES_MAX: usize = 1 << 22;
const FIELDS_PER_FRAME: usize = 2;
/// Little time for nearly all that can be saved.
const COMPRESSION: Compression = Compression::new(3);
/// Most planes of a column: values have 64 bit.
const PLANES_MAX: u8 = 8;

/// What a seal begins and ends with; between them stands the digest.
const SEAL: (&str, &str) = ("<!-- BLAKE3 of all above this line: ", " -->\n");

/// A page with the digest that binds all of it together.
pub fn sealed(mut page: String) -> String {
    let digest = blake3::hash(page.as_bytes()).to_hex();
    let _ = write!(page, "{}{digest}{}", SEAL.0, SEAL.1);
    page
}

/// A page that is whole to its end, without its seal; and whether the seal is the page's.
pub(super) fn unsealed(page: &str) -> Option<(&str, bool)> {
    let (body, seal) = page.rsplit_once(SEAL.0)?;
    let digest = seal.strip_suffix(SEAL.1)?;
    Some((body, digest == blake3::hash(body.as_bytes()).to_hex().as_str()))
}

/// The block of data called `id` inside a page as it was written.
pub fn block<'a>(page: &'a str, id: &str) -> Option<&'a str> {
    let (_, rest) = page.split_once(&format!(" id=\"{id}\">"))?;
    Some(rest.split_once("</script>")?.0)
}

/// JSON for the script or for other programs: never run.
pub(crate) fn push_data(html: &mut String, id: &str, json: &str) {
    let _ = writeln!(html, "<script type=\"application/json\" id=\"{id}\">{}</script>", script_data(json));
}

/// The blocks of an audit, and what was left out of them.
pub(crate) struct PageData {
    tables: Vec<(&'static str, String)>,
    digests: Large,
    pictures: Large,
}

/// A block that may be left out.
enum Large {
    /// It is there.
    Inside(String),
    /// It would take so many bytes.
    NoRoom(usize),
    /// The audit does not have it.
    Unknown,
}

impl PageData {
    /// The blocks of an audit.
    pub fn of(audit: &Audit) -> Self {
        let mut tables = Vec::new();
        if audit.frames.len() <= FRAMES_MAX {
            tables.push((FRAMES_ID, base64_of(&frame_table(audit))));
            if let Some(fields) = &audit.fields.fields {
                tables.push((FIELDS_ID, base64_of(&compressed(|table| push_calls(table, &fields.fields)))));
            }
        }
        let digests = digests(audit, LARGE_BYTES_MAX);
        let taken = if let Large::Inside(text) = &digests { text.len() } else { 0 };
        Self { tables, pictures: small_pictures(audit, LARGE_BYTES_MAX - taken), digests }
    }

    /// Writes the blocks.
    pub fn push(&self, html: &mut String) {
        let mut push = |id: &str, text: &str| {
            let _ = writeln!(html, "<script type=\"text/plain\" id=\"{id}\">{text}</script>");
        };
        self.tables.iter().for_each(|(id, text)| push(id, text));
        for (id, block) in [(DIGESTS_ID, &self.digests), (PICTURES_ID, &self.pictures)] {
            if let Large::Inside(text) = block {
                push(id, text);
            }
        }
    }

    /// What can be done with the page alone, and what not, for its readers.
    pub fn remark(&self) -> String {
        if self.tables.is_empty() {
            return format!(
                "this page alone cannot be read back: it has room for the calls of {FRAMES_MAX} frames; give the folder \
                 it lies in to evenbeat report and evenbeat compare"
            );
        }
        let mut lacking = Vec::new();
        match &self.digests {
            Large::Inside(_) => {}
            Large::NoRoom(bytes) => lacking.push(format!(
                "the digests of the frames ({}): what is built from it has no digests in {FRAMES_CSV} and no pictures",
                size_text(*bytes)
            )),
            Large::Unknown => lacking.push("the digests of the frames, which are not known any more".to_owned()),
        }
        match &self.pictures {
            Large::Inside(_) => {}
            Large::NoRoom(bytes) => lacking.push(format!(
                "{PICTURES_LOG} ({}): it is compared with others by the clip’s index only",
                size_text(*bytes)
            )),
            Large::Unknown => lacking.push(format!(
                "{PICTURES_LOG}, which is not there any more: it is compared with others by the clip’s index only"
            )),
        }
        let readable = "evenbeat report and evenbeat compare read this page back by itself";
        if lacking.is_empty() {
            return format!("{readable}, with every frame’s call, digest and small picture");
        }
        format!(
            "{readable}, but it is without {}. The folder it was written to has all",
            lacking.join(". It is without ")
        )
    }
}

fn size_text(bytes: usize) -> String {
    format!("{:.1} MB", bytes as f64 / 1e6)
}

fn base64_of(bytes: &[u8]) -> String {
    STANDARD.encode(bytes)
}

/// Bytes of text that so many bytes become.
fn base64_len(bytes: usize) -> usize {
    bytes.div_ceil(3) * 4
}

fn compressed(fill: impl FnOnce(&mut TableWriter)) -> Vec<u8> {
    let mut table = TableWriter { stream: ZlibEncoder::new(Vec::new(), COMPRESSION), plane: Vec::new() };
    table.write(&[TABLE_VERSION]);
    fill(&mut table);
    table.stream.finish().unwrap_or_else(|_| unreachable!("memory takes every byte"))
}

struct TableWriter {
    stream: ZlibEncoder<Vec<u8>>,
    plane: Vec<u8>,
}

impl TableWriter {
    fn write(&mut self, bytes: &[u8]) {
        self.stream.write_all(bytes).unwrap_or_else(|_| unreachable!("memory takes every byte"));
    }

    fn column(&mut self, values: impl Iterator<Item = u64> + Clone) {
        let all = values.clone().fold(0, |all, value| all | value);
        let planes = (u64::BITS - all.leading_zeros()).div_ceil(u8::BITS);
        self.write(&[planes as u8]);
        let mut plane = std::mem::take(&mut self.plane);
        for number in 0..planes {
            plane.clear();
            plane.extend(values.clone().map(|value| (value >> (number * u8::BITS)) as u8));
            self.write(&plane);
        }
        self.plane = plane;
    }
}

fn push_calls(table: &mut TableWriter, calls: &[ClassifiedFrame]) {
    table.column(calls.iter().map(|call| match call.class {
        FrameClass::New => 0,
        FrameClass::Repeat => 1,
        FrameClass::Still => 2,
    }));
    table.column(calls.iter().map(|call| {
        Evidence::NAMES.iter().position(|(kind, _)| *kind == call.evidence).unwrap_or_default() as u64
    }));
    table.column(calls.iter().map(|call| u64::from(call.flags.0)));
    table.column(calls.iter().map(|call| fixed(call.confidence, CONFIDENCE_DECIMALS)));
    table.column(calls.iter().map(|call| fixed(call.change, CHANGE_DECIMALS)));
}

fn frame_table(audit: &Audit) -> Vec<u8> {
    compressed(|table| {
        let frames = &audit.frames;
        push_calls(table, frames);
        let (mut before, mut step_before) = (audit.times.ticks.first().copied().unwrap_or(0), 0);
        let steps: Vec<u64> = (0..frames.len())
            .map(|frame| {
                let ticks = audit.times.ticks.get(frame).copied().unwrap_or(before);
                let step = ticks.wrapping_sub(before);
                let change = step.wrapping_sub(step_before);
                (before, step_before) = (ticks, step);
                folded(change)
            })
            .collect();
        table.column(steps.iter().copied());
        table.column(frames.iter().map(|frame| u64::from(frame.lost_before)));
        table.column(frames.iter().map(|frame| u64::from(frame.lost_uncertainty.to_bits())));
        table.column(frames.iter().map(|frame| u64::from(frame.blend_weight.to_bits())));
        push_places(table, audit);
    })
}

fn push_places(table: &mut TableWriter, audit: &Audit) {
    let places = audit.source.as_ref().map_or(&[][..], |source| &source.track.places);
    let mut before = 0;
    let parts: Vec<[u64; 3]> = (0..audit.frames.len())
        .map(|frame| {
            let (kind, first, second) = match places.get(frame).copied().unwrap_or_default() {
                SourcePlace::Unknown => (0, before, before),
                SourcePlace::Picture(picture) => (1, picture, picture),
                SourcePlace::Mix { first, second, .. } => (2, first, second),
                SourcePlace::Woven { first, second } => (3, first, second),
                SourcePlace::Ambiguous { first, last } => (4, first, last),
            };
            let step = i64::from(first) - i64::from(before);
            before = first;
            [kind, folded(step), folded(i64::from(second) - i64::from(first))]
        })
        .collect();
    for column in 0..3 {
        table.column(parts.iter().map(|part| part[column]));
    }
}

/// Signed values as 0, −1, 1, −2: small either way stays small.
fn folded(value: i64) -> u64 {
    (value << 1 ^ value >> (i64::BITS - 1)) as u64
}

fn unfolded(value: u64) -> i64 {
    (value >> 1) as i64 ^ -((value & 1) as i64)
}

/// Sequences of digests, with how far back the one lies that is most often the same.
fn sequences(audit: &Audit) -> [(&[ClassifiedFrame], usize); 2] {
    [(&audit.frames, 1), (audit.fields.fields.as_ref().map_or(&[], |fields| &fields.fields), 2)]
}

fn is_other(calls: &[ClassifiedFrame], back: usize, place: usize) -> bool {
    place < back || calls[place].digest != calls[place - back].digest
}

fn digests(audit: &Audit, room: usize) -> Large {
    let sequences = sequences(audit);
    if sequences.iter().any(|(calls, _)| calls.iter().any(|call| call.digest == UNKNOWN_DIGEST)) {
        return Large::Unknown;
    }
    let size = |(calls, back): (&[ClassifiedFrame], usize)| {
        let others = (0..calls.len()).filter(|&place| is_other(calls, back, place)).count();
        calls.len().div_ceil(8) + others * std::mem::size_of::<Digest>()
    };
    let bytes = base64_len(sequences.into_iter().map(size).sum());
    if bytes > room {
        return Large::NoRoom(bytes);
    }
    Large::Inside(base64_of(&pack_digests(sequences)))
}

fn pack_digests(sequences: [(&[ClassifiedFrame], usize); 2]) -> Vec<u8> {
    let mut block = Vec::new();
    for (calls, back) in sequences {
        let start = block.len();
        block.resize(start + calls.len().div_ceil(8), 0);
        for place in (0..calls.len()).filter(|&place| is_other(calls, back, place)) {
            block[start + place / 8] |= 1 << (place % 8);
            block.extend_from_slice(&calls[place].digest);
        }
    }
    block
}

fn small_pictures(audit: &Audit, room: usize) -> Large {
    if audit.signatures.is_empty() {
        return Large::Unknown;
    }
    let bytes = base64_len(audit.signatures.stream().len());
    if bytes > room {
        return Large::NoRoom(bytes);
    }
    let head = pictures_log::Head::new(audit.signatures.len(), audit.looked_at, &audit.digest);
    let mut block = Vec::new();
    pictures_log::write(&head, &audit.signatures, &mut block)
        .unwrap_or_else(|_| unreachable!("memory takes every byte"));
    Large::Inside(base64_of(&block))
}

/// What a table of frames says.
#[derive(Debug, Default, PartialEq)]
pub(super) struct FrameTable {
    /// Calls; digests are not known.
    pub frames: Vec<ClassifiedFrame>,
    /// Ticks since the first frame.
    pub ticks: Vec<i64>,
    /// Places in the clip.
    pub places: Vec<SourcePlace>,
}

const DAMAGED: &str = "is cut or damaged";

/// Reads a `frame-table` of so many frames.
///
/// # Errors
/// In words, what is wrong with it.
pub(super) fn read_frames(text: &str, frames: u64) -> Result<FrameTable, String> {
    let bytes = decoded(text)?;
    let mut table = TableReader::open(&bytes, frames, FRAMES_MAX)?;
    let mut calls = table.calls()?;
    let (mut now, mut step) = (0i64, 0i64);
    let ticks = table
        .column()?
        .into_iter()
        .map(|change| {
            step = step.wrapping_add(unfolded(change));
            now = now.wrapping_add(step);
            now
        })
        .collect();
    let lost = table.column()?;
    let (uncertainties, weights) = (table.column()?, table.column()?);
    for (frame, call) in calls.iter_mut().enumerate() {
        let float =
            |bits: u64| u32::try_from(bits).ok().map(f32::from_bits).filter(|value| value.is_finite());
        call.lost_before = u16::try_from(lost[frame]).map_err(|_| DAMAGED)?;
        call.lost_uncertainty = float(uncertainties[frame]).ok_or(DAMAGED)?;
        call.blend_weight = float(weights[frame]).ok_or(DAMAGED)?;
    }
    let places = table.places(&calls)?;
    table.end()?;
    Ok(FrameTable { frames: calls, ticks, places })
}

/// Reads a `field-table` of so many fields.
///
/// # Errors
/// In words, what is wrong with it.
pub(super) fn read_fields(text: &str, fields: u64) -> Result<Vec<ClassifiedFrame>, String> {
    let bytes = decoded(text)?;
    let mut table = TableReader::open(&bytes, fields, FIELDS_PER_FRAME * FRAMES_MAX)?;
    let calls = table.calls()?;
    table.end()?;
    Ok(calls)
}

/// Sets the digests that `digests` holds for frames and fields.
///
/// # Errors
/// It is cut, damaged, or of others.
pub(super) fn read_digests(
    text: &str,
    frames: &mut [ClassifiedFrame],
    fields: &mut [ClassifiedFrame],
) -> Result<(), String> {
    let bytes = decoded(text)?;
    let mut rest = &bytes[..];
    for (calls, back) in [(frames, 1), (fields, 2)] {
        let (marks, digests) = rest.split_at_checked(calls.len().div_ceil(8)).ok_or(DAMAGED)?;
        rest = digests;
        for place in 0..calls.len() {
            let is_other = marks[place / 8] >> (place % 8) & 1 == 1;
            calls[place].digest = if is_other {
                let (digest, after) = rest.split_first_chunk().ok_or(DAMAGED)?;
                rest = after;
                *digest
            } else {
                calls[place.checked_sub(back).ok_or(DAMAGED)?].digest
            };
        }
    }
    if rest.is_empty() {
        Ok(())
    } else {
        Err(DAMAGED.to_owned())
    }
}

/// The bytes of a block.
///
/// # Errors
/// It is not base64.
pub(super) fn decoded(text: &str) -> Result<Vec<u8>, String> {
    STANDARD.decode(text).map_err(|_| DAMAGED.to_owned())
}

struct TableReader<'a> {
    stream: ZlibDecoder<&'a [u8]>,
    rows: usize,
}

impl<'a> TableReader<'a> {
    fn open(bytes: &'a [u8], rows: u64, most: usize) -> Result<Self, String> {
        let rows = usize::try_from(rows).ok().filter(|&rows| rows <= most);
        let rows = rows.ok_or_else(|| format!("has more rows than the {most} that are read"))?;
        let mut table = Self { stream: ZlibDecoder::new(bytes), rows };
        match table.byte()? {
            TABLE_VERSION => Ok(table),
            other => Err(format!("is of version {other}, this evenbeat reads version {TABLE_VERSION}")),
        }
    }

    fn byte(&mut self) -> Result<u8, String> {
        let mut byte = [0];
        self.stream.read_exact(&mut byte).map_err(|_| DAMAGED)?;
        Ok(byte[0])
    }

    fn column(&mut self) -> Result<Vec<u64>, String> {
        let planes = self.byte()?;
        if planes > PLANES_MAX {
            return Err(DAMAGED.to_owned());
        }
        let mut values = vec![0; self.rows];
        let mut plane = vec![0; if planes == 0 { 0 } else { self.rows }];
        for number in 0..u32::from(planes) {
            self.stream.read_exact(&mut plane).map_err(|_| DAMAGED)?;
            for (value, &byte) in values.iter_mut().zip(&plane) {
                *value |= u64::from(byte) << (number * u8::BITS);
            }
        }
        Ok(values)
    }

    fn calls(&mut self) -> Result<Vec<ClassifiedFrame>, String> {
        let known_flags = FrameFlags::NAMES.iter().fold(0, |known, (flag, _)| known | flag.0);
        let (classes, evidence, flags) = (self.column()?, self.column()?, self.column()?);
        let (confidences, changes) = (self.column()?, self.column()?);
        (0..self.rows)
            .map(|row| {
                Some(ClassifiedFrame {
                    class: match classes[row] {
                        0 => FrameClass::New,
                        1 => FrameClass::Repeat,
                        2 => FrameClass::Still,
                        _ => return None,
                    },
                    confidence: from_fixed(confidences[row], CONFIDENCE_DECIMALS),
                    evidence: Evidence::NAMES.get(usize::try_from(evidence[row]).ok()?)?.0,
                    change: from_fixed(changes[row], CHANGE_DECIMALS),
                    flags: FrameFlags(
                        u8::try_from(flags[row]).ok().filter(|flags| flags & !known_flags == 0)?,
                    ),
                    digest: UNKNOWN_DIGEST,
                    lost_before: 0,
                    lost_uncertainty: 0.0,
                    blend_weight: 0.0,
                })
            })
            .collect::<Option<_>>()
            .ok_or_else(|| DAMAGED.to_owned())
    }

    fn places(&mut self, calls: &[ClassifiedFrame]) -> Result<Vec<SourcePlace>, String> {
        let (kinds, steps, lengths) = (self.column()?, self.column()?, self.column()?);
        let mut before = 0u32;
        (0..self.rows)
            .map(|row| {
                let moved =
                    |from: u32, by: u64| u32::try_from(i64::from(from).checked_add(unfolded(by))?).ok();
                let first = moved(before, steps[row])?;
                let second = moved(first, lengths[row])?;
                before = first;
                Some(match kinds[row] {
                    0 => SourcePlace::Unknown,
                    1 => SourcePlace::Picture(first),
                    2 => SourcePlace::Mix { first, second, weight: calls[row].blend_weight },
                    3 => SourcePlace::Woven { first, second },
                    4 if first <= second => SourcePlace::Ambiguous { first, last: second },
                    _ => return None,
                })
            })
            .collect::<Option<_>>()
            .ok_or_else(|| DAMAGED.to_owned())
    }

    fn end(mut self) -> Result<(), String> {
        // The checksum of the stream is read with its end.
        match self.stream.read(&mut [0]) {
            Ok(0) => Ok(()),
            _ => Err(DAMAGED.to_owned()),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn written_decimals_come_back_as_they_are_read_from_tables() {
        for units in (0..=10_000).chain((10_000..2_560_000).step_by(7)) {
            let text = format!("{}.{:04}", units / 10_000, units % 10_000);
            assert_eq!(from_fixed(units, 4), text.parse::<f32>().unwrap(), "{text}");
        }
    }

    #[test]
    fn columns_of_any_width_come_back() {
        let columns: [&[u64]; 4] = [&[0, 0, 0], &[0, 255, 1], &[256, 0, 65_535], &[u64::MAX, 1, 1 << 40]];
        let table =
            compressed(|table| columns.iter().for_each(|column| table.column(column.iter().copied())));
        let mut reader = TableReader::open(&table, 3, 3).unwrap();
        for column in columns {
            assert_eq!(reader.column().unwrap(), column);
        }
        reader.end().unwrap();
        assert!(TableReader::open(&table, 4, 3).is_err());
    }

    #[test]
    fn signed_values_come_back_small() {
        for (value, written) in
            [(0, 0), (-1, 1), (1, 2), (-2, 3), (i64::MAX, u64::MAX - 1), (i64::MIN, u64::MAX)]
        {
            assert_eq!((folded(value), unfolded(written)), (written, value));
        }
    }

    #[test]
    fn digests_of_repeats_are_not_written_again() {
        let calls = |pictures: &[u8]| -> Vec<ClassifiedFrame> {
            let call = |&picture: &u8| ClassifiedFrame {
                class: FrameClass::New,
                confidence: 1.0,
                evidence: Evidence::Measure,
                change: 1.0,
                flags: FrameFlags::default(),
                digest: [picture; 32],
                lost_before: 0,
                lost_uncertainty: 0.0,
                blend_weight: 0.0,
            };
            pictures.iter().map(call).collect()
        };
        let (frames, fields) = (calls(&[1, 1, 2, 2, 1]), calls(&[8, 9, 8, 9, 8, 7]));
        let block = pack_digests([(&frames, 1), (&fields, 2)]);
        assert_eq!(block.len(), 1 + 3 * 32 + 1 + 3 * 32);
        let unknown = |calls: &[ClassifiedFrame]| -> Vec<ClassifiedFrame> {
            calls.iter().map(|call| ClassifiedFrame { digest: UNKNOWN_DIGEST, ..*call }).collect()
        };
        let (mut read, mut read_fields) = (unknown(&frames), unknown(&fields));
        read_digests(&base64_of(&block), &mut read, &mut read_fields).unwrap();
        assert_eq!((read, read_fields), (frames.clone(), fields.clone()));
        for length in 0..block.len() {
            let (mut read, mut read_fields) = (unknown(&frames), unknown(&fields));
            assert!(
                read_digests(&base64_of(&block[..length]), &mut read, &mut read_fields).is_err(),
                "{length}"
            );
        }
    }
}
