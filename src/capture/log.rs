//! The fingerprint log: what is left of a capture after its pixels, as a file that can be audited again.
//!
//! Version 9, in this order:
//!
//! 1. The line `evenbeat-fingerprints 9`.
//! 2. One line of JSON: facts of the capture, the part of the picture looked at, and the tool's version.
//! 3. Records of [`RECORD_LEN`] bytes, one per frame, numbers little endian:
//!
//!    | byte | length | type | content |
//!    |---|---|---|---|
//!    | 0 | 1 | byte | `F` |
//!    | 1 | 1 | byte | 1 if the frame has a time, otherwise 0 |
//!    | 2 | 2 | zero | reserved |
//!    | 4 | 4 | u32 | frames missing just before by the numbering |
//!    | 8 | 8 | u64 | frame index, from 0 |
//!    | 16 | 8 | i64 | presentation time, ticks of the capture's time base; 0 without time |
//!    | 24 | 32 | bytes | BLAKE3 digest of the samples looked at |
//!    | 56 | 8 | 2 × f32 | largest block change of luma, of chroma |
//!    | 64 | 40 | 10 × f32 | offset, energy, energy two back, unexplained, fine energy, motion x, motion y, motion peak, fine energy two back, detail |
//!    | 104 | 192 | 96 × u16 | signature |
//!    | 296 | 14 | 7 × u16 | fit of the luma fields: top motion, bottom motion, within, top with earlier, bottom with earlier (1/256 code values), moving, combed (1/65535) |
//!    | 310 | 14 | 7 × u16 | fit of the chroma fields, likewise |
//!    | 324 | 4 | 2 × u16 | row detail where the picture moves: top, bottom (1/256 code values) |
//!    | 328 | 1 | byte | bit 0: top field unchanged, bit 1: bottom field unchanged, bit 2: enough of what moves is texture |
//!    | 329 | 1 | zero | reserved |
//!    | 330 | 2 | u16 | double image: tiles that follow a motion |
//!    | 332 | 10 | 5 × i16 | double image: asymmetry, downward, expected, error, within (1/16384) |
//!    | 342 | 2 | u16 | double image: weight of the bottom field (1/65535) |
//!    | 344 | 8 | u64 | marks: the clip as [`ClipIdentity::packed`] writes it, bit 0 set if the even lines were read, bit 1 if the odd lines were; 0 without marks |
//!    | 352 | 8 | 2 × u32 | marks of even and odd lines: earlier unit in the lowest 22 bits, units from there to the later one in 2, weight of the later one in 255ths in 8; 0 where not read |
//!    | 360 | 36 | 18 × i16 | ripple: comb of luma, scaled combs (5 × cosine and sine), comb of chroma, raised comb (cosine, sine), detail, scaled detail (cosine, sine), pairs (1/32767) |
//!    | 396 | 192 | 96 × i16 | half of what the top field's signature has more than the bottom field's |
//!    | 588 | 16 | 8 × u16 | code values of luma: lowest, highest (below the lowest where no sample was looked at), share below and above the nominal range (1/65535); of chroma, likewise |
//!    | 604 | 1 | byte | bit 0: luma clipped at its lowest value, bit 1: at its highest, bits 2 and 3: chroma likewise |
//!    | 605 | 1 | zero | reserved |
//!    | 606 | 4 | 2 × u16 | luma samples far below black, far above white (1/65535) |
//!    | 610 | 192 | 2 × 96 bytes | mean of Cb per cell, of Cr per cell, code values at 8 bit; 0 without colour differences |
//!    | 802 | 192 | 192 × i8 | texture, code values at 8 bit |
//!    | 994 | 8 | 4 × u16 | chart: left and upper edge, width and height of the marks (1/2 pixel); 0 without marks |
//!    | 1002 | 2 | u16 | chart: bit 0: turned over across, bit 1: down |
//!    | 1004 | 6 | 3 × u16 | chart: what is left of still and of moving rows, step of the slants (1/4096; 65535: not known) |
//!
//! 4. The byte `E`, then one line of JSON: number of records, notes, the error that ended reading if any,
//!    and whether the capture was whole.
//! 5. BLAKE3 over everything before, 64 hexadecimal digits and a line feed.
//!
//! The JSON lines have serde types of their own here, because they are a file format.

use std::io::{ErrorKind, Read, Write};
use std::path::Path;

use serde::{Deserialize, Serialize};

use super::limits::cause_of;
use super::{sniff, CaptureArg, CaptureEnd, CaptureFacts, RateSource};
use crate::cancel::Cancel;
use crate::error::{Error, Result};
use crate::fingerprint::marks::{ClipIdentity, Kept, Lines};
use crate::fingerprint::texture::TEXTURE_LEN;
use crate::fingerprint::{
    ChartReading, Correlation, DoubleImage, FieldFit, FieldMeasures, FrameFingerprint, FrameLevels, Level,
    LumaEnds, MarkReading, Phasor, PlaneLevels, ReducedChange, Ripple, RowDetail, Share, SignedShare,
    FIXED_POINT, SIGNATURE_COLUMNS, SIGNATURE_ROWS,
};
use crate::frame::{CodeRange, Coding, Family, FrameShape, PixelFormat, Rect, Scan};
use crate::note::{Note, NoteCode};
use crate::settings::ViewSettings;
use crate::units::{Rate, TimeBase};

/// What every log begins with, whatever its version.
pub const MAGIC: &str = "evenbeat-fingerprints ";
/// The version written, and the only one that is read.
pub const VERSION: u32 = 9;
/// Bytes of one record.
pub const RECORD_LEN: usize = 1010;

/// First byte of a record.
const RECORD_MARK: u8 = b'F';
/// First byte of the end.
const END_MARK: u8 = b'E';
/// Longest JSON line accepted, bytes: a decoder's messages fit, an endless line does not.
const LINE_MAX: usize = 1 << 20;
/// Where the parts of a line set's marks begin.
const AHEAD_AT: u32 = 22;
const WEIGHT_AT: u32 = 24;
/// Bytes read or hashed at once: large enough for the fastest form of the hash, small enough for the cache.
const CHUNK: usize = 1 << 18;
/// Bytes of the checksum line.
const CHECKSUM_LEN: usize = 65;
/// Largest change of a sample scaled to 8 bit.
const CHANGE_MAX: f32 = 256.0;
/// Largest mean square change, with room for the rounding of reduced pictures.
const ENERGY_MAX: f32 = CHANGE_MAX * CHANGE_MAX * 1.01;
/// Farthest motion per frame in pixels: across the largest picture.
const MOTION_MAX: f32 = FrameShape::SIDE_MAX as f32;

/// What a log says before the first record.
#[derive(Clone, Debug, PartialEq)]
pub struct LogHeader {
    /// Facts of the capture that was fingerprinted.
    pub facts: CaptureFacts,
    /// The part of the picture that was looked at.
    pub view: ViewSettings,
    /// Version of evenbeat that wrote the log.
    pub tool_version: String,
}

/// How reading a capture ended, from its samples or from its log. The fingerprints so far are valid in
/// every case.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct ReadingEnd {
    /// Frames that were fingerprinted.
    pub frames: u64,
    /// Caveats met by the reader.
    pub end: CaptureEnd,
    /// What made the rest of the capture unreadable.
    pub error: Option<Error>,
}

impl ReadingEnd {
    /// Whether every frame of the capture was read whole.
    pub fn is_complete(&self) -> bool {
        self.error.is_none() && !self.end.notes.iter().any(|note| note.code.makes_incomplete())
    }
}

#[derive(Serialize, Deserialize)]
struct HeaderLine {
    tool_version: String,
    capture: FactsLine,
    view: ViewLine,
}

#[derive(Serialize, Deserialize)]
struct FactsLine {
    name: String,
    width_px: u32,
    height_px: u32,
    family: String,
    subsampling_log2: [u8; 2],
    bit_depth: u8,
    scan: String,
    coding: String,
    /// Logs of earlier builds have none.
    #[serde(default)]
    range: Option<String>,
    nominal_rate: Option<[u64; 2]>,
    rate_source: Option<String>,
    time_base_s: Option<[u64; 2]>,
    promised_frames: Option<u64>,
    reader: String,
}

#[derive(Serialize, Deserialize)]
struct ViewLine {
    region: Option<[u32; 4]>,
    exclude: Vec<[u32; 4]>,
}

#[derive(Serialize, Deserialize)]
struct EndLine {
    records: u64,
    complete: bool,
    notes: Vec<NoteLine>,
    error: Option<ErrorLine>,
}

#[derive(Serialize, Deserialize)]
struct NoteLine {
    code: String,
    text: String,
}

#[derive(Serialize, Deserialize)]
struct ErrorLine {
    place: String,
    what: String,
    cause: String,
    hint: String,
}

impl From<&LogHeader> for HeaderLine {
    fn from(header: &LogHeader) -> Self {
        let facts = &header.facts;
        let PixelFormat { family, bit_depth } = facts.shape.pixel_format;
        let (family, subsampling_log2) = match family {
            Family::Gray => ("gray", [0, 0]),
            Family::Gbr => ("gbr", [0, 0]),
            Family::Yuv { across, down } => ("yuv", [across, down]),
        };
        Self {
            tool_version: header.tool_version.clone(),
            capture: FactsLine {
                name: facts.name.clone(),
                width_px: facts.shape.width,
                height_px: facts.shape.height,
                family: family.to_owned(),
                subsampling_log2,
                bit_depth,
                scan: facts.scan.name().to_owned(),
                coding: facts.coding.name().to_owned(),
                range: Some(facts.range.name().to_owned()),
                nominal_rate: facts.nominal_rate.map(|rate| [rate.num(), rate.den()]),
                rate_source: facts.rate_source.map(|source| source.name().to_owned()),
                time_base_s: facts.time_base.map(|base| [base.num(), base.den()]),
                promised_frames: facts.promised_frames,
                reader: facts.reader.clone(),
            },
            view: ViewLine {
                region: header.view.region.map(|rect| [rect.x, rect.y, rect.width, rect.height]),
                exclude: header
                    .view
                    .exclude
                    .iter()
                    .map(|rect| [rect.x, rect.y, rect.width, rect.height])
                    .collect(),
            },
        }
    }
}

impl HeaderLine {
    /// The header, or what in it cannot be.
    fn checked(self) -> std::result::Result<LogHeader, &'static str> {
        let facts = self.capture;
        let family = match (facts.family.as_str(), facts.subsampling_log2) {
            ("gray", [0, 0]) => Family::Gray,
            ("gbr", [0, 0]) => Family::Gbr,
            ("yuv", [across @ 0..=2, down @ 0..=2]) => Family::Yuv { across, down },
            _ => return Err("pixel family"),
        };
        let sides = 1..=FrameShape::SIDE_MAX;
        if !sides.contains(&facts.width_px) || !sides.contains(&facts.height_px) {
            return Err("size of the picture");
        }
        if !(PixelFormat::BIT_DEPTH_MIN..=PixelFormat::BIT_DEPTH_MAX).contains(&facts.bit_depth) {
            return Err("bit depth");
        }
        let known = |found: Option<bool>, name| if found == Some(false) { Err(name) } else { Ok(()) };
        let nominal_rate = facts.nominal_rate.map(|[num, den]| Rate::new(num, den));
        known(nominal_rate.map(|rate| rate.is_some()), "delivered rate")?;
        let rate_source = facts.rate_source.map(|name| RateSource::from_name(&name));
        known(rate_source.map(|source| source.is_some()), "source of the rate")?;
        let time_base = facts.time_base_s.map(|[num, den]| TimeBase::new(num, den));
        known(time_base.map(|base| base.is_some()), "time base")?;
        let rect = |[x, y, width, height]: [u32; 4]| Rect { x, y, width, height };
        Ok(LogHeader {
            facts: CaptureFacts {
                name: facts.name,
                shape: FrameShape {
                    width: facts.width_px,
                    height: facts.height_px,
                    pixel_format: PixelFormat { family, bit_depth: facts.bit_depth },
                },
                scan: Scan::from_name(&facts.scan).ok_or("scan")?,
                coding: Coding::from_name(&facts.coding).ok_or("coding")?,
                range: facts
                    .range
                    .as_deref()
                    .map_or(Some(CodeRange::Unstated), CodeRange::from_name)
                    .ok_or("range")?,
                nominal_rate: nominal_rate.flatten(),
                rate_source: rate_source.flatten(),
                time_base: time_base.flatten(),
                promised_frames: facts.promised_frames,
                reader: facts.reader,
            },
            view: ViewSettings {
                region: self.view.region.map(rect),
                exclude: self.view.exclude.into_iter().map(rect).collect(),
            },
            tool_version: self.tool_version,
        })
    }
}

/// Writes a log as the fingerprints come; needs no seeking.
pub struct LogWriter<W: Write> {
    output: W,
    place: String,
    hasher: blake3::Hasher,
    pending: Vec<u8>,
    records: u64,
}

impl<W: Write> LogWriter<W> {
    /// Begins a log in `output`, which errors call `place`.
    ///
    /// # Errors
    /// When `output` cannot be written.
    pub fn new(
        output: W,
        place: impl Into<String>,
        facts: &CaptureFacts,
        view: &ViewSettings,
    ) -> Result<Self> {
        let header = LogHeader {
            facts: facts.clone(),
            view: view.clone(),
            tool_version: env!("CARGO_PKG_VERSION").to_owned(),
        };
        let mut pending = format!("{MAGIC}{VERSION}\n").into_bytes();
        push_line(&mut pending, &HeaderLine::from(&header));
        let (place, hasher) = (place.into(), blake3::Hasher::new());
        let mut writer = Self { output, place, hasher, pending, records: 0 };
        writer.write_pending()?;
        Ok(writer)
    }

    /// Adds one frame.
    ///
    /// # Errors
    /// When the output cannot be written.
    pub fn push(&mut self, fingerprint: &FrameFingerprint) -> Result<()> {
        push_record(&mut self.pending, fingerprint);
        self.records += 1;
        if self.pending.len() >= CHUNK {
            self.write_pending()?;
        }
        Ok(())
    }

    /// Ends the log and gives the output back.
    ///
    /// # Errors
    /// When the output cannot be written.
    pub fn finish(mut self, end: &ReadingEnd) -> Result<W> {
        let line = EndLine {
            records: self.records,
            complete: end.is_complete(),
            notes: end
                .end
                .notes
                .iter()
                .map(|note| NoteLine { code: note.code.name().to_owned(), text: note.text.clone() })
                .collect(),
            error: end.error.as_ref().map(|error| ErrorLine {
                place: error.place.clone(),
                what: error.what.clone(),
                cause: error.cause.clone(),
                hint: error.hint.clone(),
            }),
        };
        self.pending.push(END_MARK);
        push_line(&mut self.pending, &line);
        self.write_pending()?;
        let checksum = format!("{}\n", self.hasher.finalize().to_hex());
        let written = self.output.write_all(checksum.as_bytes()).and_then(|()| self.output.flush());
        written.map_err(|cause| write_error(&self.place, &cause))?;
        Ok(self.output)
    }

    fn write_pending(&mut self) -> Result<()> {
        self.hasher.update(&self.pending);
        self.output.write_all(&self.pending).map_err(|cause| write_error(&self.place, &cause))?;
        self.pending.clear();
        Ok(())
    }
}

fn write_error(place: &str, cause: &std::io::Error) -> Error {
    Error::new(
        place,
        "cannot write the fingerprint log",
        cause_of(cause),
        "free some space or choose another place",
    )
}

fn push_line(bytes: &mut Vec<u8>, line: &impl Serialize) {
    serde_json::to_writer(&mut *bytes, line).expect("strings and numbers become JSON in memory");
    bytes.push(b'\n');
}

fn push_record(bytes: &mut Vec<u8>, fingerprint: &FrameFingerprint) {
    let start = bytes.len();
    bytes.extend_from_slice(&[RECORD_MARK, u8::from(fingerprint.ticks.is_some()), 0, 0]);
    bytes.extend_from_slice(&fingerprint.missing_before.to_le_bytes());
    bytes.extend_from_slice(&fingerprint.index.to_le_bytes());
    bytes.extend_from_slice(&fingerprint.ticks.unwrap_or(0).to_le_bytes());
    bytes.extend_from_slice(&fingerprint.digest);
    let changes = [fingerprint.luma_change, fingerprint.chroma_change];
    for value in changes.iter().chain(&reduced_floats(&fingerprint.reduced)) {
        bytes.extend_from_slice(&value.to_le_bytes());
    }
    for value in fingerprint.signature {
        bytes.extend_from_slice(&value.to_le_bytes());
    }
    push_fields(bytes, &fingerprint.fields);
    push_double_image(bytes, fingerprint.double_image);
    push_marks(bytes, fingerprint.marks);
    push_ripple(bytes, &fingerprint.fields.ripple);
    for value in fingerprint.parity_difference {
        bytes.extend_from_slice(&value.to_le_bytes());
    }
    push_levels(bytes, &fingerprint.levels);
    let LumaEnds { far_below, far_above } = fingerprint.ends;
    let ends = [far_below, far_above].map(|share| share.0);
    for value in ends {
        bytes.extend_from_slice(&value.to_le_bytes());
    }
    bytes.extend_from_slice(fingerprint.chroma.as_flattened());
    bytes.extend(fingerprint.texture.iter().flat_map(|number| number.to_le_bytes()));
    for value in chart_words(fingerprint.chart) {
        bytes.extend_from_slice(&value.to_le_bytes());
    }
    debug_assert_eq!(bytes.len() - start, RECORD_LEN);
}

/// A chart as the numbers that are written.
fn chart_words(chart: Option<ChartReading>) -> [u16; 8] {
    let Some(ChartReading { ribbon: [left, top, width, height], turned, detail: [still, moving], step }) =
        chart
    else {
        return [0; 8];
    };
    let turned = u16::from(turned[0]) | u16::from(turned[1]) << 1;
    [left, top, width, height, turned, still.0, moving.0, step.0]
}

/// The chart of these numbers; `None` where they cannot be.
fn chart_of(
    [left, top, width, height, turned, still, moving, step]: [u16; 8],
) -> Option<Option<ChartReading>> {
    if (width, height) == (0, 0) {
        return ([left, top, turned, still, moving, step] == [0; 6]).then_some(None);
    }
    (width > 0 && height > 0 && turned < 4).then_some(Some(ChartReading {
        ribbon: [left, top, width, height],
        turned: [turned & 1 != 0, turned & 2 != 0],
        detail: [Kept(still), Kept(moving)],
        step: Kept(step),
    }))
}

fn push_levels(bytes: &mut Vec<u8>, levels: &FrameLevels) {
    let planes = [levels.luma, levels.chroma];
    for plane in planes {
        for value in [plane.lowest, plane.highest, plane.below.0, plane.above.0] {
            bytes.extend_from_slice(&value.to_le_bytes());
        }
    }
    let clipped = planes.map(|plane| [plane.clipped_low, plane.clipped_high]);
    let bits = clipped.as_flattened().iter().enumerate().map(|(bit, &set)| u8::from(set) << bit);
    bytes.push(bits.sum());
    bytes.extend_from_slice(&[0; RESERVED_LEN]);
}

fn push_marks(bytes: &mut Vec<u8>, marks: Option<MarkReading>) {
    let lines = marks.map_or([None; 2], |marks| marks.lines);
    let read = u64::from(lines[0].is_some()) | u64::from(lines[1].is_some()) << 1;
    let clip = marks.map_or(0, |marks| marks.clip.packed() | read);
    bytes.extend_from_slice(&clip.to_le_bytes());
    for lines in lines {
        let packed = lines.map_or(0, |Lines { first, ahead, weight }| {
            first | u32::from(ahead) << AHEAD_AT | u32::from(weight) << WEIGHT_AT
        });
        bytes.extend_from_slice(&packed.to_le_bytes());
    }
}

/// Marks from their three numbers; `None` where they cannot be.
fn unpacked_marks(clip: u64, lines: [u32; 2]) -> Option<Option<MarkReading>> {
    let read = [clip & 1 != 0, clip & 2 != 0];
    if clip == 0 && lines == [0; 2] {
        return Some(None);
    }
    let identity = ClipIdentity::unpacked(clip & !3)?;
    let mut unpacked = [None; 2];
    for (at, packed) in lines.into_iter().enumerate() {
        let first = packed & ((1 << AHEAD_AT) - 1);
        let ahead = (packed >> AHEAD_AT & 3) as u8;
        let weight = (packed >> WEIGHT_AT) as u8;
        let possible = first + u32::from(ahead) < identity.length() && (ahead == 0) == (weight == 0);
        match (read[at], possible) {
            (true, true) => unpacked[at] = Some(Lines { first, ahead, weight }),
            (false, _) if packed == 0 => {}
            _ => return None,
        }
    }
    read.contains(&true).then_some(Some(MarkReading { clip: identity, lines: unpacked }))
}

/// Bytes of a record that have no meaning yet.
const RESERVED_LEN: usize = 1;

fn push_fields(bytes: &mut Vec<u8>, fields: &FieldMeasures) {
    let fits = [&fields.luma, &fields.chroma].map(|fit| {
        [
            fit.top_motion.0,
            fit.bottom_motion.0,
            fit.within.0,
            fit.top_with_earlier.0,
            fit.bottom_with_earlier.0,
            fit.moving.0,
            fit.combed.0,
        ]
    });
    let rows = [fields.moving_rows.top.0, fields.moving_rows.bottom.0];
    for value in fits.iter().flatten().chain(&rows) {
        bytes.extend_from_slice(&value.to_le_bytes());
    }
    let flags = [fields.top_unchanged, fields.bottom_unchanged, fields.ripple.textured];
    bytes.push(flags.into_iter().enumerate().map(|(bit, set)| u8::from(set) << bit).sum());
    bytes.extend_from_slice(&[0; RESERVED_LEN]);
}

fn push_ripple(bytes: &mut Vec<u8>, ripple: &Ripple) {
    let phasor = |phasor: Phasor| [phasor.cosine, phasor.sine];
    let values = std::iter::once(ripple.comb)
        .chain(ripple.scaled_combs.into_iter().flat_map(phasor))
        .chain([ripple.chroma_comb])
        .chain(phasor(ripple.raised_comb))
        .chain([ripple.detail])
        .chain(phasor(ripple.scaled_detail))
        .chain([ripple.pairs]);
    for value in values {
        bytes.extend_from_slice(&value.0.to_le_bytes());
    }
}

fn push_double_image(bytes: &mut Vec<u8>, double: DoubleImage) {
    let DoubleImage { tiles, asymmetry, downward, expected, error, within, bottom } = double;
    bytes.extend_from_slice(&tiles.to_le_bytes());
    for correlation in [asymmetry, downward, expected, error, within] {
        bytes.extend_from_slice(&correlation.0.to_le_bytes());
    }
    bytes.extend_from_slice(&bottom.0.to_le_bytes());
}

fn reduced_floats(change: &ReducedChange) -> [f32; 10] {
    [
        change.offset,
        change.energy,
        change.energy_two_back,
        change.unexplained,
        change.fine_energy,
        change.motion_x,
        change.motion_y,
        change.motion_peak,
        change.fine_energy_two_back,
        change.detail,
    ]
}

/// Reads a log as a stream.
pub struct LogReader<R: Read> {
    input: Input<R>,
    header: LogHeader,
    records: u64,
    end: Option<ReadingEnd>,
}

/// The log in `path` if it is one of a capture with these facts, seen through this view.
pub(crate) fn of_capture(
    path: &Path,
    (facts, view): (&CaptureFacts, &ViewSettings),
    cancel: &Cancel,
) -> Option<LogReader<Box<dyn Read + Send>>> {
    let sniffed = sniff(&CaptureArg::Path(path.to_owned()), cancel).ok()?;
    let place = sniffed.place().to_owned();
    let log = LogReader::open(sniffed.into_reader()?, place).ok()?;
    (log.header.facts == *facts && log.header.view == *view).then_some(log)
}

impl<R: Read> LogReader<R> {
    /// Reads the head of a log from `input`, which errors call `place`.
    ///
    /// # Errors
    /// When it is no log, of a newer version, cut before the first record, or says what cannot be.
    pub fn open(input: R, place: impl Into<String>) -> Result<Self> {
        let mut input = Input::new(input, place.into());
        check_version(&mut input)?;
        let line = input.line()?.ok_or_else(|| input.damaged("it ends within its header"))?;
        let header: HeaderLine = serde_json::from_slice(&line)
            .map_err(|cause| input.damaged(&format!("its header is no such JSON ({cause})")))?;
        let header = header
            .checked()
            .map_err(|what| input.damaged(&format!("its header has an impossible value: {what}")))?;
        Ok(Self { input, header, records: 0, end: None })
    }

    /// Facts, view and tool version.
    pub fn header(&self) -> &LogHeader {
        &self.header
    }

    /// The next frame; `None` at the end, after which [`LogReader::finish`] tells how it went.
    /// A log that is cut ends with `None`: its records so far are valid by themselves.
    ///
    /// # Errors
    /// When the log cannot be read, a record has an impossible value, or the checksum differs.
    pub fn next_fingerprint(&mut self) -> Result<Option<FrameFingerprint>> {
        if self.end.is_some() {
            return Ok(None);
        }
        match self.input.mark()? {
            Some(RECORD_MARK) if self.input.fill(RECORD_LEN)? => {
                let record = &self.input.ahead()[..RECORD_LEN];
                let fingerprint = read_record(record, self.records, &self.header.facts)
                    .map_err(|what| self.input.damaged(&format!("frame {}: {what}", self.records)))?;
                self.input.consume(RECORD_LEN);
                self.records += 1;
                Ok(Some(fingerprint))
            }
            Some(END_MARK) => {
                self.end = Some(self.read_end()?);
                Ok(None)
            }
            None | Some(RECORD_MARK) => {
                self.end = Some(self.cut());
                Ok(None)
            }
            Some(_) => {
                Err(self.input.damaged(&format!("frame {}: it begins with an unknown mark", self.records)))
            }
        }
    }

    /// How reading the capture ended when the log was written, or that the log is cut. Before the end of
    /// the log only the number of frames so far, without a note: who stops early says why.
    pub fn finish(self) -> ReadingEnd {
        let so_far = ReadingEnd { frames: self.records, ..ReadingEnd::default() };
        self.end.unwrap_or(so_far)
    }

    /// Whether the log itself was found to be cut, whatever became of the capture.
    pub fn is_cut(&self) -> bool {
        self.end.as_ref() == Some(&self.cut())
    }

    fn read_end(&mut self) -> Result<ReadingEnd> {
        self.input.consume(1);
        let Some(line) = self.input.line()? else {
            return Ok(self.cut());
        };
        let expected = format!("{}\n", self.input.checksum().to_hex());
        if !self.input.fill(CHECKSUM_LEN)? {
            return Ok(self.cut());
        }
        if self.input.ahead()[..CHECKSUM_LEN] != *expected.as_bytes() {
            return Err(self.input.damaged("its checksum does not match its content"));
        }
        self.input.consume(CHECKSUM_LEN);
        if self.input.fill(1)? {
            return Err(self.input.damaged("something follows its end"));
        }
        let line: EndLine = serde_json::from_slice(&line)
            .map_err(|cause| self.input.damaged(&format!("its end is no such JSON ({cause})")))?;
        let end = reading_end(line, self.records).map_err(|what| self.input.damaged(what))?;
        Ok(end)
    }

    fn cut(&self) -> ReadingEnd {
        let text = format!(
            "The fingerprint log is cut after {} whole frames: those are audited, what followed is unknown. Write \
             the log again from the capture.",
            self.records
        );
        ReadingEnd {
            frames: self.records,
            end: CaptureEnd { notes: vec![Note::new(NoteCode::Truncated, text)] },
            error: None,
        }
    }
}

fn reading_end(line: EndLine, records: u64) -> std::result::Result<ReadingEnd, &'static str> {
    if line.records != records {
        return Err("its number of records differs from its end");
    }
    let notes = line
        .notes
        .into_iter()
        .map(|note| Some(Note::new(NoteCode::from_name(&note.code)?, note.text)))
        .collect::<Option<Vec<_>>>()
        .ok_or("its end has an unknown note")?;
    let error = line.error.map(|error| Error::new(error.place, error.what, error.cause, error.hint));
    let end = ReadingEnd { frames: records, end: CaptureEnd { notes }, error };
    if end.is_complete() != line.complete {
        return Err("its end contradicts itself on whether the capture is whole");
    }
    Ok(end)
}

fn check_version<R: Read>(input: &mut Input<R>) -> Result<()> {
    let enough = input.fill(MAGIC.len())?;
    if !enough || input.ahead()[..MAGIC.len()] != *MAGIC.as_bytes() {
        return Err(Error::new(
            &input.place,
            "not a fingerprint log",
            format!("it does not begin with `{}`", MAGIC.trim_end()),
            "write one with `evenbeat fingerprint CAPTURE --out LOG`",
        ));
    }
    let line = input.line()?.ok_or_else(|| input.damaged("it ends within its first line"))?;
    let version = std::str::from_utf8(&line[MAGIC.len()..]).ok().and_then(|text| text.parse::<u32>().ok());
    match version {
        Some(VERSION) => Ok(()),
        Some(newer) if newer > VERSION => Err(Error::new(
            &input.place,
            "fingerprint log of a newer version",
            format!("version {newer}, this evenbeat reads version {VERSION}"),
            "use a newer evenbeat, or write the log again from the capture",
        )),
        Some(older) => Err(Error::new(
            &input.place,
            "fingerprint log of an older version",
            format!("version {older}, this evenbeat reads version {VERSION}"),
            "write the log again from the capture",
        )),
        None => Err(input.damaged("its first line has no version")),
    }
}

/// The fingerprint in a record of [`RECORD_LEN`] bytes, or what in it cannot be.
fn read_record(
    record: &[u8],
    expected_index: u64,
    facts: &CaptureFacts,
) -> std::result::Result<FrameFingerprint, &'static str> {
    let mut fields = Fields(&record[1..]);
    let [has_time, 0, 0] = fields.bytes::<3>() else {
        return Err("reserved bytes are not zero");
    };
    let missing_before = u32::from_le_bytes(fields.bytes());
    let index = u64::from_le_bytes(fields.bytes());
    let ticks = i64::from_le_bytes(fields.bytes());
    let ticks = match (has_time, ticks, facts.time_base) {
        (0, 0, _) => None,
        (1, ticks, Some(_)) => Some(ticks),
        _ => return Err("its time flag cannot be"),
    };
    if index != expected_index {
        return Err("its index does not follow the one before");
    }
    let mut fingerprint = FrameFingerprint {
        index,
        ticks,
        missing_before,
        digest: fields.bytes(),
        luma_change: fields.float(),
        chroma_change: fields.float(),
        reduced: fields.reduced(),
        signature: fields.words::<{ SIGNATURE_COLUMNS * SIGNATURE_ROWS }>(),
        texture: [0; TEXTURE_LEN],
        fields: fields.field_measures()?,
        double_image: {
            if fields.bytes() != [0; RESERVED_LEN] {
                return Err("reserved bytes are not zero");
            }
            fields.double_image()
        },
        marks: {
            let clip = u64::from_le_bytes(fields.bytes());
            let lines = [fields.bytes(), fields.bytes()].map(u32::from_le_bytes);
            unpacked_marks(clip, lines).ok_or("its marks cannot be")?
        },
        parity_difference: [0; SIGNATURE_COLUMNS * SIGNATURE_ROWS],
        levels: FrameLevels::default(),
        chart: None,
        ends: LumaEnds::default(),
        chroma: [[0; SIGNATURE_COLUMNS * SIGNATURE_ROWS]; 2],
    };
    let textured = fingerprint.fields.ripple.textured;
    fingerprint.fields.ripple = Ripple { textured, ..fields.ripple() };
    fingerprint.parity_difference = fields.words().map(|value| value as i16);
    fingerprint.levels = fields.levels()?;
    let [far_below, far_above] = fields.words::<2>().map(Share);
    fingerprint.ends = LumaEnds { far_below, far_above };
    fingerprint.chroma = [fields.bytes(), fields.bytes()];
    fingerprint.texture = fields.bytes().map(|byte| i8::from_le_bytes([byte]));
    fingerprint.chart = chart_of(fields.words()).ok_or("its chart cannot be")?;
    if fingerprint.chart.is_some() != fingerprint.marks.is_some() {
        return Err("its chart does not go with its marks");
    }
    check_values(&fingerprint)?;
    check_levels(&fingerprint.levels, facts.shape.pixel_format)?;
    check_picture(&fingerprint, facts.shape.pixel_format)?;
    Ok(fingerprint)
}

fn check_values(fingerprint: &FrameFingerprint) -> std::result::Result<(), &'static str> {
    // NaN is in no range.
    let changes = [fingerprint.luma_change, fingerprint.chroma_change];
    if !changes.iter().all(|change| (0.0..=CHANGE_MAX).contains(change)) {
        return Err("a block change cannot be");
    }
    let reduced = &fingerprint.reduced;
    let energies = [
        reduced.energy,
        reduced.energy_two_back,
        reduced.unexplained,
        reduced.fine_energy,
        reduced.fine_energy_two_back,
        reduced.detail,
    ];
    if !energies.iter().all(|energy| (0.0..=ENERGY_MAX).contains(energy)) {
        return Err("an energy cannot be");
    }
    let bounded = reduced.offset.abs() <= CHANGE_MAX
        && reduced.motion_x.abs() <= MOTION_MAX
        && reduced.motion_y.abs() <= MOTION_MAX
        && (0.0..=1.0).contains(&reduced.motion_peak);
    if !bounded {
        return Err("an offset or motion cannot be");
    }
    if fingerprint.signature.iter().any(|&cell| f32::from(cell) > CHANGE_MAX * FIXED_POINT) {
        return Err("a signature cannot be");
    }
    if fingerprint.parity_difference.iter().any(|&cell| f32::from(cell).abs() > CHANGE_MAX * FIXED_POINT) {
        return Err("a difference of fields cannot be");
    }
    Ok(())
}

fn check_picture(
    fingerprint: &FrameFingerprint,
    format: PixelFormat,
) -> std::result::Result<(), &'static str> {
    let LumaEnds { far_below, far_above } = fingerprint.ends;
    let shares = [far_below, far_above].map(|share| u32::from(share.0));
    // Each is rounded for itself.
    if shares.iter().sum::<u32>() > u32::from(u16::MAX) + shares.len() as u32 {
        return Err("a share of its samples cannot be");
    }
    let has_chroma = matches!(format.family, Family::Yuv { .. });
    if !has_chroma && fingerprint.chroma.as_flattened().iter().any(|&cell| cell > 0) {
        return Err("a mean of a colour difference cannot be");
    }
    Ok(())
}

fn check_levels(levels: &FrameLevels, format: PixelFormat) -> std::result::Result<(), &'static str> {
    let last = u16::MAX >> (PixelFormat::BIT_DEPTH_MAX - format.bit_depth);
    let possible = |plane: &PlaneLevels| {
        let within = plane.is_known()
            && plane.highest <= last
            && u32::from(plane.below.0) + u32::from(plane.above.0) <= u32::from(u16::MAX) + 1;
        within || *plane == PlaneLevels::default()
    };
    let has_chroma = matches!(format.family, Family::Yuv { .. });
    if possible(&levels.luma) && possible(&levels.chroma) && (has_chroma || !levels.chroma.is_known()) {
        return Ok(());
    }
    Err("a code value cannot be")
}

/// Takes fields off the front of a record; the table at the top adds up, so none is missing.
struct Fields<'a>(&'a [u8]);

impl Fields<'_> {
    fn bytes<const N: usize>(&mut self) -> [u8; N] {
        let (field, rest) = self.0.split_at(N);
        self.0 = rest;
        let mut bytes = [0; N];
        bytes.copy_from_slice(field);
        bytes
    }

    fn float(&mut self) -> f32 {
        f32::from_le_bytes(self.bytes())
    }

    fn words<const N: usize>(&mut self) -> [u16; N] {
        let (field, rest) = self.0.split_at(2 * N);
        self.0 = rest;
        let mut words = [0; N];
        for (word, pair) in words.iter_mut().zip(field.chunks_exact(2)) {
            *word = u16::from_le_bytes([pair[0], pair[1]]);
        }
        words
    }

    fn double_image(&mut self) -> DoubleImage {
        let tiles = u16::from_le_bytes(self.bytes());
        let [asymmetry, downward, expected, error, within] =
            std::array::from_fn(|_| Correlation(i16::from_le_bytes(self.bytes())));
        let bottom = Share(u16::from_le_bytes(self.bytes()));
        DoubleImage { tiles, asymmetry, downward, expected, error, within, bottom }
    }

    fn levels(&mut self) -> std::result::Result<FrameLevels, &'static str> {
        let planes = [self.words::<4>(), self.words::<4>()];
        let [clipped, reserved] = self.bytes();
        if clipped >> 4 != 0 || reserved != 0 {
            return Err("reserved bytes are not zero");
        }
        let plane = |at: usize| {
            let [lowest, highest, below, above] = planes[at];
            let clipped = clipped >> (2 * at);
            PlaneLevels {
                lowest,
                highest,
                below: Share(below),
                above: Share(above),
                clipped_low: clipped & 1 != 0,
                clipped_high: clipped & 2 != 0,
            }
        };
        Ok(FrameLevels { luma: plane(0), chroma: plane(1) })
    }

    fn fit(&mut self) -> FieldFit {
        let [top, bottom, within, top_earlier, bottom_earlier, moving, combed] = self.words::<7>();
        FieldFit {
            top_motion: Level(top),
            bottom_motion: Level(bottom),
            within: Level(within),
            top_with_earlier: Level(top_earlier),
            bottom_with_earlier: Level(bottom_earlier),
            moving: Share(moving),
            combed: Share(combed),
        }
    }

    fn rows(&mut self) -> RowDetail {
        let [top, bottom] = self.words::<2>().map(Level);
        RowDetail { top, bottom }
    }

    fn field_measures(&mut self) -> std::result::Result<FieldMeasures, &'static str> {
        let (luma, chroma, moving_rows) = (self.fit(), self.fit(), self.rows());
        let [flags @ 0..=7] = self.bytes::<1>() else {
            return Err("its fields cannot be");
        };
        let (top_unchanged, bottom_unchanged) = (flags & 1 != 0, flags & 2 != 0);
        let ripple = Ripple { textured: flags & 4 != 0, ..Ripple::default() };
        Ok(FieldMeasures { luma, chroma, moving_rows, ripple, top_unchanged, bottom_unchanged })
    }

    fn share(&mut self) -> SignedShare {
        SignedShare(i16::from_le_bytes(self.bytes()))
    }

    fn phasor(&mut self) -> Phasor {
        Phasor { cosine: self.share(), sine: self.share() }
    }

    fn ripple(&mut self) -> Ripple {
        // In the order in which they are written: fields of a literal are read one after another.
        Ripple {
            comb: self.share(),
            scaled_combs: std::array::from_fn(|_| self.phasor()),
            chroma_comb: self.share(),
            raised_comb: self.phasor(),
            detail: self.share(),
            scaled_detail: self.phasor(),
            pairs: self.share(),
            textured: false,
        }
    }

    fn reduced(&mut self) -> ReducedChange {
        // In the order in which they are written: fields of a literal are read one after another.
        ReducedChange {
            offset: self.float(),
            energy: self.float(),
            energy_two_back: self.float(),
            unexplained: self.float(),
            fine_energy: self.float(),
            motion_x: self.float(),
            motion_y: self.float(),
            motion_peak: self.float(),
            fine_energy_two_back: self.float(),
            detail: self.float(),
        }
    }
}

/// Buffered input that hashes what was consumed, chunk by chunk.
struct Input<R: Read> {
    input: R,
    place: String,
    buffer: Vec<u8>,
    /// Bytes of the buffer that are hashed, and the first that is not consumed.
    hashed: usize,
    start: usize,
    filled: usize,
    hasher: blake3::Hasher,
}

impl<R: Read> Input<R> {
    fn new(input: R, place: String) -> Self {
        let buffer = vec![0; 2 * CHUNK];
        Self { input, place, buffer, hashed: 0, start: 0, filled: 0, hasher: blake3::Hasher::new() }
    }

    /// What is read but not consumed.
    fn ahead(&self) -> &[u8] {
        &self.buffer[self.start..self.filled]
    }

    fn consume(&mut self, count: usize) {
        self.start += count;
    }

    /// Reads until `count` bytes are ahead; `false` when the input ends before.
    fn fill(&mut self, count: usize) -> Result<bool> {
        if self.filled - self.start >= count {
            return Ok(true);
        }
        self.hash_consumed();
        self.buffer.copy_within(self.start..self.filled, 0);
        (self.filled, self.start, self.hashed) = (self.filled - self.start, 0, 0);
        if self.buffer.len() < count + CHUNK {
            self.buffer.resize(count + CHUNK, 0);
        }
        while self.filled < count {
            match self.input.read(&mut self.buffer[self.filled..]) {
                Ok(0) => return Ok(false),
                Ok(read) => self.filled += read,
                Err(cause) if cause.kind() == ErrorKind::Interrupted => {}
                Err(cause) => {
                    return Err(Error::new(
                        &self.place,
                        "cannot read the fingerprint log",
                        cause.to_string(),
                        "check the file and the disk it is on",
                    ))
                }
            }
        }
        Ok(true)
    }

    /// The next byte, not consumed; `None` at the end.
    fn mark(&mut self) -> Result<Option<u8>> {
        Ok(if self.fill(1)? { Some(self.ahead()[0]) } else { None })
    }

    /// Consumes a line and its line feed, which is not returned; `None` when the input ends before it.
    fn line(&mut self) -> Result<Option<Vec<u8>>> {
        let mut searched = 0;
        loop {
            if let Some(found) = self.ahead()[searched..].iter().position(|&byte| byte == b'\n') {
                let line = self.ahead()[..searched + found].to_vec();
                self.consume(searched + found + 1);
                return Ok(Some(line));
            }
            searched = self.ahead().len();
            if searched > LINE_MAX {
                return Err(self.damaged("a line of text is too long"));
            }
            if !self.fill(searched + 1)? {
                return Ok(None);
            }
        }
    }

    fn hash_consumed(&mut self) {
        self.hasher.update(&self.buffer[self.hashed..self.start]);
        self.hashed = self.start;
    }

    /// BLAKE3 over everything consumed.
    fn checksum(&mut self) -> blake3::Hash {
        self.hash_consumed();
        self.hasher.finalize()
    }

    fn damaged(&self, cause: &str) -> Error {
        Error::new(
            &self.place,
            "damaged fingerprint log",
            cause,
            "copy the log again, or write it again from the capture",
        )
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::fingerprint::marks::ClipScan;

    fn facts() -> CaptureFacts {
        CaptureFacts {
            name: "ferry \"north\"\n.y4m".to_owned(),
            shape: FrameShape {
                width: 1919,
                height: 1081,
                pixel_format: PixelFormat { family: Family::Yuv { across: 1, down: 0 }, bit_depth: 10 },
            },
            scan: Scan::TopFieldFirst,
            coding: Coding::Lossy,
            range: CodeRange::Full,
            nominal_rate: Rate::new(60000, 1001),
            rate_source: Some(RateSource::Given),
            time_base: TimeBase::new(1, 90000),
            promised_frames: Some(3),
            reader: "y4m".to_owned(),
        }
    }

    fn view() -> ViewSettings {
        ViewSettings {
            region: Some(Rect { x: 1, y: 2, width: 300, height: 400 }),
            exclude: vec![Rect { x: 5, y: 6, width: 7, height: 8 }, Rect { x: 0, y: 0, width: 1, height: 1 }],
        }
    }

    fn fit(from: u16) -> FieldFit {
        FieldFit {
            top_motion: Level(from),
            bottom_motion: Level(from + 1),
            within: Level(from + 2),
            top_with_earlier: Level(from + 3),
            bottom_with_earlier: Level(from + 4),
            moving: Share(from + 5),
            combed: Share(from + 6),
        }
    }

    fn rows(from: u16) -> RowDetail {
        RowDetail { top: Level(from), bottom: Level(from + 1) }
    }

    fn plane_levels(from: u16) -> PlaneLevels {
        PlaneLevels {
            lowest: from % 500,
            highest: 1000 - from % 400,
            below: Share(from),
            above: Share(from + 1),
            clipped_low: from % 2 == 1,
            clipped_high: from % 3 == 1,
        }
    }

    /// A fingerprint in which every field differs and floats use all their bits.
    fn fingerprint(index: u64) -> FrameFingerprint {
        let value = |step: u32| ((index % 600) as f32 + 1.0) / 3.0 + step as f32 / 7.0;
        FrameFingerprint {
            index,
            ticks: (index != 1).then_some(-7 + 1501 * index as i64),
            missing_before: 2 * index as u32,
            digest: std::array::from_fn(|at| at as u8 ^ index as u8),
            luma_change: value(0),
            chroma_change: value(10),
            reduced: ReducedChange {
                offset: -value(20),
                energy: value(21),
                energy_two_back: value(22),
                unexplained: value(23),
                fine_energy: value(24),
                motion_x: -value(25),
                motion_y: value(26),
                motion_peak: 1.0 / (3.0 + index as f32),
                fine_energy_two_back: value(27),
                detail: value(28),
            },
            signature: std::array::from_fn(|at| at as u16 * 101 + index as u16),
            marks: marks(index),
            chart: marks(index).map(|_| chart(index as u16)),
            fields: FieldMeasures {
                luma: fit(index as u16),
                chroma: fit(index as u16 + 100),
                moving_rows: rows(index as u16 + 200),
                ripple: ripple(index as i16),
                top_unchanged: index % 2 == 1,
                bottom_unchanged: index % 3 == 1,
            },
            double_image: DoubleImage {
                tiles: index as u16 + 1,
                asymmetry: Correlation(-300 - index as i16),
                downward: Correlation(-350 - index as i16),
                expected: Correlation(400 + index as i16),
                error: Correlation(450 + index as i16),
                within: Correlation(-500 - index as i16),
                bottom: Share(600 + index as u16),
            },
            parity_difference: std::array::from_fn(|at| at as i16 * 97 - 4000 - index as i16),
            levels: FrameLevels {
                luma: plane_levels(index as u16),
                chroma: plane_levels(index as u16 + 300),
            },
            ends: LumaEnds { far_below: Share(700 + index as u16), far_above: Share(1000 + index as u16) },
            chroma: [0, 1]
                .map(|plane| std::array::from_fn(|at| (at * 2 + 31 * plane + index as usize) as u8)),
            texture: std::array::from_fn(|at| (at as u64 + 3 * index) as i8),
        }
    }

    fn chart(index: u16) -> ChartReading {
        ChartReading {
            ribbon: [3 + index, 500 + index, 900 + index, 1200 + index],
            turned: [index % 2 == 1, index % 3 == 1],
            detail: [Kept(4000 + index), Kept(u16::MAX)],
            step: Kept(8000 + index),
        }
    }

    /// A ripple with a number of its own in every place.
    fn ripple(index: i16) -> Ripple {
        let share = |at: i16| SignedShare(index.wrapping_mul(100).wrapping_sub(40 * at));
        let phasor = |at: i16| Phasor { cosine: share(at), sine: share(at + 1) };
        Ripple {
            comb: share(1),
            scaled_combs: std::array::from_fn(|at| phasor(2 + 2 * at as i16)),
            chroma_comb: share(20),
            raised_comb: phasor(21),
            detail: share(23),
            scaled_detail: phasor(24),
            pairs: share(26),
            textured: index % 5 == 1,
        }
    }

    /// None, one set of lines or both, single units and mixes.
    fn marks(index: u64) -> Option<MarkReading> {
        let lines = |first: u64| Lines { first: first as u32, ahead: 0, weight: 0 };
        let mix = |first: u64| Lines {
            ahead: 1 + (first % 3) as u8,
            weight: 1 + (first % 255) as u8,
            ..lines(first)
        };
        let lines = match index % 4 {
            0 => return None,
            1 => [Some(lines(index)), Some(mix(index + 1))],
            2 => [None, Some(mix(index))],
            _ => [Some(mix(index)), None],
        };
        let rate = Rate::new(120, 1).unwrap();
        let clip = ClipIdentity::new(index as u32 * 7001, 1 << 21, rate, ClipScan::TopFieldFirst).unwrap();
        Some(MarkReading { clip, lines })
    }

    fn end(frames: u64) -> ReadingEnd {
        ReadingEnd {
            frames,
            end: CaptureEnd { notes: vec![Note::new(NoteCode::ReaderMessage, "a \u{e9}\nmessage")] },
            error: Some(Error::new("place", "what", "cause", "hint")),
        }
    }

    fn written(frames: u64, end: &ReadingEnd) -> Vec<u8> {
        let mut writer = LogWriter::new(Vec::new(), "log", &facts(), &view()).unwrap();
        for index in 0..frames {
            writer.push(&fingerprint(index)).unwrap();
        }
        writer.finish(end).unwrap()
    }

    type Whole = (LogHeader, Vec<FrameFingerprint>, ReadingEnd);

    fn read(bytes: &[u8]) -> Result<Whole> {
        let mut reader = LogReader::open(bytes, "log")?;
        let mut fingerprints = Vec::new();
        while let Some(fingerprint) = reader.next_fingerprint()? {
            fingerprints.push(fingerprint);
        }
        Ok((reader.header().clone(), fingerprints, reader.finish()))
    }

    /// The log with its checksum made right again.
    fn resealed(mut bytes: Vec<u8>) -> Vec<u8> {
        bytes.truncate(bytes.len() - CHECKSUM_LEN);
        let checksum = blake3::hash(&bytes).to_hex();
        bytes.extend_from_slice(checksum.as_bytes());
        bytes.push(b'\n');
        bytes
    }

    fn header_len(bytes: &[u8]) -> usize {
        let ends = bytes.iter().enumerate().filter(|(_, byte)| **byte == b'\n');
        ends.map(|(at, _)| at + 1).nth(1).unwrap()
    }

    #[test]
    fn a_log_gives_back_every_bit() {
        // 2000 records pass several chunks of the reader.
        for frames in [0, 1, 2, 3, 2000] {
            let clean = ReadingEnd { frames, ..ReadingEnd::default() };
            for end in [clean, end(frames)] {
                let (header, fingerprints, found) = read(&written(frames, &end)).unwrap();
                assert_eq!((header.facts, header.view, found), (facts(), view(), end));
                assert_eq!(header.tool_version, env!("CARGO_PKG_VERSION"));
                assert_eq!(fingerprints.len() as u64, frames);
                for (index, found) in fingerprints.iter().enumerate() {
                    assert_eq!(*found, fingerprint(index as u64));
                    let (mut written, mut again) = (Vec::new(), Vec::new());
                    push_record(&mut written, &fingerprint(index as u64));
                    push_record(&mut again, found);
                    assert_eq!(written, again, "bits of record {index}");
                }
            }
        }
    }

    #[test]
    fn records_have_the_documented_length() {
        let mut bytes = Vec::new();
        push_record(&mut bytes, &fingerprint(0));
        assert_eq!(bytes.len(), RECORD_LEN);
        const { assert!(RECORD_LEN <= 1024) };
    }

    #[test]
    fn a_log_cut_anywhere_keeps_its_whole_records_or_is_named() {
        let bytes = written(3, &end(3));
        let header = header_len(&bytes);
        for length in 0..bytes.len() {
            match read(&bytes[..length]) {
                Ok((_, fingerprints, end)) => {
                    let whole = ((length - header) / RECORD_LEN).min(3);
                    assert_eq!(fingerprints.len(), whole, "cut to {length}");
                    assert!(!end.is_complete(), "cut to {length}");
                    assert_eq!(end.end.notes[0].code, NoteCode::Truncated, "cut to {length}");
                }
                Err(error) => {
                    assert!(length < header, "cut to {length}: {error}");
                    assert_eq!(error.place, "log");
                    assert!(!error.hint.is_empty());
                }
            }
        }
    }

    #[test]
    fn a_changed_byte_never_passes_unseen() {
        let bytes = written(3, &end(3));
        // Seeded xorshift: the same mutations on every run.
        let mut state = 0x2545_f491_4f6c_dd1du64;
        for _ in 0..5000 {
            state ^= state << 13;
            state ^= state >> 7;
            state ^= state << 17;
            let (at, flip) = (state as usize % bytes.len(), (state >> 40) as u8 | 1);
            let mut damaged = bytes.clone();
            damaged[at] ^= flip;
            if let Ok((_, _, end)) = read(&damaged) {
                // Without its line feed the last line looks cut, which is no clean end either.
                assert!(
                    end.end.notes.iter().any(|note| note.code == NoteCode::Truncated),
                    "byte {at} ^ {flip}"
                );
            }
        }
    }

    #[test]
    fn what_cannot_be_is_named() {
        let good = written(3, &end(3));
        let header = header_len(&good);
        let changed = |at: usize, with: &[u8]| {
            let mut bytes = good.clone();
            bytes[at..at + with.len()].copy_from_slice(with);
            resealed(bytes)
        };
        let second = header + RECORD_LEN;
        let not_a_number = f32::NAN.to_le_bytes();
        for (bytes, message) in [
            (Vec::new(), "log: not a fingerprint log: it does not begin with `evenbeat-fingerprints`"),
            (
                b"YUV4MPEG2 W16 H16\n".to_vec(),
                "log: not a fingerprint log: it does not begin with `evenbeat-fingerprints`",
            ),
            (
                b"evenbeat-fingerprints 10\n".to_vec(),
                "log: fingerprint log of a newer version: version 10, this evenbeat reads version 9",
            ),
            (
                b"evenbeat-fingerprints 8\n".to_vec(),
                "log: fingerprint log of an older version: version 8, this evenbeat reads version 9",
            ),
            (
                b"evenbeat-fingerprints one\n".to_vec(),
                "log: damaged fingerprint log: its first line has no version",
            ),
            (
                changed(second + 8, &7u64.to_le_bytes()),
                "log: damaged fingerprint log: frame 1: its index does not follow the one before",
            ),
            (
                changed(header + 56, &not_a_number),
                "log: damaged fingerprint log: frame 0: a block change cannot be",
            ),
            (
                changed(header + 60, &not_a_number),
                "log: damaged fingerprint log: frame 0: a block change cannot be",
            ),
            (
                changed(header + 68, &not_a_number),
                "log: damaged fingerprint log: frame 0: an energy cannot be",
            ),
            (
                changed(header + 64, &not_a_number),
                "log: damaged fingerprint log: frame 0: an offset or motion cannot be",
            ),
            (
                changed(header + 104, &[255, 255]),
                "log: damaged fingerprint log: frame 0: a signature cannot be",
            ),
            (changed(second + 344, &[7]), "log: damaged fingerprint log: frame 1: its marks cannot be"),
            (changed(second + 355, &[9]), "log: damaged fingerprint log: frame 1: its marks cannot be"),
            (changed(header + 352, &[1]), "log: damaged fingerprint log: frame 0: its marks cannot be"),
            (changed(header + 1, &[2]), "log: damaged fingerprint log: frame 0: its time flag cannot be"),
            (changed(header + 591, &[4]), "log: damaged fingerprint log: frame 0: a code value cannot be"),
            (
                changed(header + 592, &[255; 4]),
                "log: damaged fingerprint log: frame 0: a code value cannot be",
            ),
            (
                changed(header + 604, &[16]),
                "log: damaged fingerprint log: frame 0: reserved bytes are not zero",
            ),
            (changed(header + 2, &[1]), "log: damaged fingerprint log: frame 0: reserved bytes are not zero"),
            (changed(header + 328, &[8]), "log: damaged fingerprint log: frame 0: its fields cannot be"),
            (
                changed(header + 329, &[1]),
                "log: damaged fingerprint log: frame 0: reserved bytes are not zero",
            ),
            (changed(header, b"X"), "log: damaged fingerprint log: frame 0: it begins with an unknown mark"),
            (
                [&good[..second], &good[second + RECORD_LEN..]].concat(),
                "log: damaged fingerprint log: frame 1: its index does not follow the one before",
            ),
            (
                [&good[..header + 2 * RECORD_LEN], &good[header + 3 * RECORD_LEN..]].concat(),
                "log: damaged fingerprint log: its checksum does not match its content",
            ),
            (
                resealed([&good[..header + 2 * RECORD_LEN], &good[header + 3 * RECORD_LEN..]].concat()),
                "log: damaged fingerprint log: its number of records differs from its end",
            ),
            ([&good[..], b"x"].concat(), "log: damaged fingerprint log: something follows its end"),
        ] {
            assert_eq!(read(&bytes).unwrap_err().to_string(), message);
        }
    }

    #[test]
    fn an_endless_line_is_refused() {
        let mut bytes = format!("{MAGIC}{VERSION}\n").into_bytes();
        bytes.resize(4 * LINE_MAX, b' ');
        let error = read(&bytes).unwrap_err().to_string();
        assert_eq!(error, "log: damaged fingerprint log: a line of text is too long");
    }

    #[test]
    fn a_full_disk_is_named() {
        struct Full;
        impl Write for Full {
            fn write(&mut self, _: &[u8]) -> std::io::Result<usize> {
                Err(std::io::Error::other("no space left"))
            }
            fn flush(&mut self) -> std::io::Result<()> {
                Ok(())
            }
        }
        let error = LogWriter::new(Full, "log", &facts(), &view()).err().unwrap();
        assert_eq!(error.to_string(), "log: cannot write the fingerprint log: no space left");
    }
}
