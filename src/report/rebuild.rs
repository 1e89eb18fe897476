//! An audit read back from `audit.json`, `frames.csv` and `provenance.json`, or from `report.html` alone, to report on
//! it again or to compare it.
//!
//! The frames are read from the table; holds, pattern and judder are computed from them anew, and the document
//! they give must be the one that was read: a report is never built from parts that do not belong together.

mod page;

use std::fs::File;
use std::io::{self, BufRead, BufReader, ErrorKind, Read};
use std::path::{Path, PathBuf};

use serde::Deserialize;
use serde_json::Value;

use super::levels::LevelsRow;
use super::provenance::{self, Provenance};
use super::source::SourceRow;
use super::text::hex;
use super::{
    csv, json, pictures_log, AUDIT_JSON, FIELDS_CSV, FRAMES_CSV, PICTURES_LOG, PROVENANCE_JSON, REPORT_HTML,
    SUMMARY_MD,
};
use crate::audit::{Audit, Source};
use crate::cadence::{self, FrameTimes};
use crate::capture::{CaptureFacts, RateSource};
use crate::classify::{ClassifiedFrame, Evidence, FrameClass, FrameFlags};
use crate::error::{excerpt, plain_cause, Error, Result};
use crate::fields::{
    FieldAudit, FieldFindings, Outcome, OutcomeCode, Parity, ScanDecision, ScanSegment, ScanSource,
};
use crate::fingerprint::{Digest, UNKNOWN_DIGEST};
use crate::frame::{FrameShape, PixelFormat, Scan};
use crate::note::{Note, NoteCode};
use crate::output::cause_of;
use crate::output::manifest::{Manifest, MANIFEST};
use crate::signatures::Signatures;
use crate::source::{SourcePlace, SourceSummary};
use crate::units::{Rate, TimeBase};
use crate::verdict::gate::Requirement;

/// Largest document read, bytes: an audit of ten hours with a break in every second frame takes less.
const DOCUMENT_BYTES_MAX: u64 = 512 << 20;
/// Longest row of the frame table, bytes.
const ROW_BYTES_MAX: u64 = 1024;

/// Reads an audit back. `path` is the folder that an audit wrote, its `audit.json`, or its `report.html`, which may lie
/// anywhere. What a page has no room for ([`lacking`]) is taken from the files beside it, where they are of the same
/// audit.
///
/// # Errors
/// A file is missing or unreadable, is not what an audit writes, or the parts do not belong together.
pub fn read(path: &Path) -> Result<(Audit, Provenance)> {
    let file = file_of(path);
    if page::is_page(&file)? {
        page::read(&file)
    } else {
        read_folder(&file)
    }
}

/// What an audit that was read back does not know any more, if anything, and what follows from that.
pub fn lacking(audit: &Audit) -> Option<String> {
    let no_digests = audit.frames.iter().any(|frame| frame.digest == UNKNOWN_DIGEST);
    let no_pictures = audit.signatures.is_empty() && !audit.frames.is_empty();
    let digests =
        format!("the digests of the frames ({FRAMES_CSV} has none, and pictures cannot be checked)");
    let pictures = format!("{PICTURES_LOG} (other audits are compared with it by the clip's index only)");
    match (no_digests, no_pictures) {
        (false, false) => None,
        (true, false) => Some(digests),
        (false, true) => Some(pictures),
        (true, true) => Some(format!("{digests} and {pictures}")),
    }
}

/// The file that a folder is read by: a page stands for it where nothing else does.
fn file_of(path: &Path) -> PathBuf {
    if !path.is_dir() {
        return path.to_owned();
    }
    let (document, page) = (path.join(AUDIT_JSON), path.join(REPORT_HTML));
    if page.is_file() && !document.exists() {
        page
    } else {
        document
    }
}

fn read_folder(document_path: &Path) -> Result<(Audit, Provenance)> {
    let folder = document_path.parent().map_or_else(PathBuf::new, Path::to_owned);
    let text = read_text(document_path)?;
    let document = Document::parse(&text).map_err(|cause| wrong(document_path, cause))?;
    let (provenance, reader) = read_provenance(&folder.join(PROVENANCE_JSON))?;
    let table = folder.join(FRAMES_CSV);
    let base = document.capture.time_base().ok_or_else(|| wrong(document_path, "its time base is none"))?;
    let mut rows = open(&table).and_then(|file| Table { path: &table, base }.read(BufReader::new(file)))?;
    if let Some(first) = document.first_field().map_err(|cause| wrong(document_path, cause))? {
        let table = folder.join(FIELDS_CSV);
        let read = |file| Table { path: &table, base }.read_fields(BufReader::new(file), first);
        rows.fields = open(&table).and_then(read)?;
    }
    let (mut audit, bound) = document.audit(rows, reader).map_err(|cause| wrong(document_path, cause))?;
    if let Some(misfit) = misfit(&audit, &bound, &text, str::to_owned) {
        let (path, cause) = match misfit {
            Misfit::Frames(column) => (table, column),
            Misfit::Fields(column) => (folder.join(FIELDS_CSV), column),
            Misfit::Document(cause) => (document_path.to_owned(), cause),
        };
        return Err(wrong(&path, cause));
    }
    read_pictures(&folder.join(PICTURES_LOG), &mut audit)?;
    // Last, so that what can be named more closely has been.
    check_files(&folder)?;
    Ok((audit, provenance))
}

/// What of an audit that was read back is not what it must be.
pub(super) enum Misfit {
    /// In the table of frames.
    Frames(String),
    /// In the table of fields.
    Fields(String),
    /// In the document.
    Document(String),
}

/// The first part of an audit that does not fit: a column that is not the one the document was written with, or a field of
/// the document that does not follow from the rest. `laid_out` is how the document's text stands where it was read.
fn misfit(
    audit: &Audit,
    bound: &json::ColumnsRow,
    text: &str,
    laid_out: impl Fn(&str) -> String,
) -> Option<Misfit> {
    let again = json::ColumnsRow::of(audit);
    if let Some(column) = other_column(&again.frames, &bound.frames) {
        return Some(Misfit::Frames(column));
    }
    let none = csv::ColumnDigests::new();
    let fields = |columns: &json::ColumnsRow| columns.fields.clone().unwrap_or_else(|| none.clone());
    if let Some(column) = other_column(&fields(&again), &fields(bound)) {
        return Some(Misfit::Fields(column));
    }
    if audit.frames.iter().all(|frame| frame.digest != UNKNOWN_DIGEST) {
        let mut all = blake3::Hasher::new();
        audit.frames.iter().for_each(|frame| {
            all.update(&frame.digest);
        });
        if audit.digest != *all.finalize().as_bytes() {
            return Some(Misfit::Frames(changed_column("digest")));
        }
    }
    let document = json::document(audit);
    if laid_out(&document) == text {
        return None;
    }
    let value = |text: &str| serde_json::from_str::<Value>(text).unwrap_or_default();
    let cause = match difference(&value(&document), &value(text)) {
        Some(field) => format!("its {field} does not follow from the rest"),
        None => "it is laid out otherwise than it was written".to_owned(),
    };
    Some(Misfit::Document(cause))
}

fn other_column(again: &csv::ColumnDigests, bound: &csv::ColumnDigests) -> Option<String> {
    let of_either = again.keys().chain(bound.keys());
    let other = of_either.into_iter().find(|name| again.get(*name) != bound.get(*name));
    other.map(|name| changed_column(name))
}

fn changed_column(name: &str) -> String {
    format!("its column {} is not the one that {AUDIT_JSON} was written with", excerpt(name))
}

/// The first field in which two documents differ, for instance `findings[0].text`.
fn difference(one: &Value, other: &Value) -> Option<String> {
    match (one, other) {
        (Value::Object(one), Value::Object(other)) => {
            let names = one.keys().chain(other.keys().filter(|name| !one.contains_key(*name)));
            names.into_iter().find_map(|name| match (one.get(name), other.get(name)) {
                (Some(one), Some(other)) => {
                    let below = difference(one, other)?;
                    let joint = if below.is_empty() || below.starts_with('[') { "" } else { "." };
                    Some(format!("{name}{joint}{below}"))
                }
                // What another program added may be anything.
                (None, Some(_)) => Some("list of fields".to_owned()),
                _ => Some(name.clone()),
            })
        }
        (Value::Array(one), Value::Array(other)) if one.len() == other.len() => {
            one.iter().zip(other).enumerate().find_map(|(place, (one, other))| {
                let below = difference(one, other)?;
                let joint = if below.is_empty() || below.starts_with('[') { "" } else { "." };
                Some(format!("[{place}]{joint}{below}"))
            })
        }
        _ => (one != other).then(String::new),
    }
}

/// Holds every file of a report against the digest that binds it to its audit.
fn check_files(folder: &Path) -> Result<()> {
    let manifest = Manifest::read(folder).map_err(|error| match error.kind() {
        ErrorKind::InvalidData => wrong(&folder.join(MANIFEST), error.to_string()),
        _ => unreadable(&folder.join(MANIFEST), &error),
    })?;
    let needed = [AUDIT_JSON, FRAMES_CSV, PROVENANCE_JSON, REPORT_HTML, SUMMARY_MD];
    if let Some(name) = needed.into_iter().find(|name| !manifest.files.contains_key(*name)) {
        return Err(wrong(&folder.join(MANIFEST), format!("it names no {name}")));
    }
    manifest.check(folder).map_err(|(name, cause)| {
        Error::new(
            folder.join(name).display().to_string(),
            "not a whole report",
            cause,
            "give the folder as it was written, or its report.html alone",
        )
    })
}

/// Reads the small pictures, where an audit wrote them.
fn read_pictures(path: &Path, audit: &mut Audit) -> Result<()> {
    if !path.exists() {
        return Ok(());
    }
    let file = BufReader::new(open(path)?);
    take_pictures(file, audit).map_err(|cause| wrong(path, cause))
}

/// Gives an audit the small pictures in `input`, if they are of its capture.
fn take_pictures(input: impl BufRead, audit: &mut Audit) -> std::result::Result<(), String> {
    let (head, signatures) = pictures_log::read(input, audit.frames.len())?;
    if head.blake3 != hex(&audit.digest) {
        return Err(format!("it is of another capture than {AUDIT_JSON}"));
    }
    (audit.signatures, audit.looked_at) = (signatures, (head.width_px, head.height_px));
    Ok(())
}

fn open(path: &Path) -> Result<File> {
    File::open(path).map_err(|error| unreadable(path, &error))
}

fn unreadable(path: &Path, error: &io::Error) -> Error {
    let cause = match error.kind() {
        ErrorKind::NotFound => "it does not exist".to_owned(),
        _ => cause_of(error).0,
    };
    Error::new(
        path.display().to_string(),
        "cannot read audit",
        cause,
        "give the folder that `evenbeat audit` wrote, with all its files",
    )
}

fn read_text(path: &Path) -> Result<String> {
    let mut text = String::new();
    let length = open(path)?
        .take(DOCUMENT_BYTES_MAX)
        .read_to_string(&mut text)
        .map_err(|error| wrong(path, plain_cause(&error)))?;
    if length as u64 == DOCUMENT_BYTES_MAX {
        return Err(wrong(path, format!("it is larger than {DOCUMENT_BYTES_MAX} bytes")));
    }
    Ok(text)
}

fn read_provenance(path: &Path) -> Result<(Provenance, String)> {
    provenance::read(&read_text(path)?).map_err(|cause| wrong(path, cause))
}

fn wrong(path: &Path, cause: impl Into<String>) -> Error {
    Error::new(
        path.display().to_string(),
        "not what this version of evenbeat writes",
        cause,
        "audit the capture, or its fingerprint log, again",
    )
}

/// Longest message about JSON, characters: the parser's own words with a name or a number, not a text out of a file.
const JSON_CAUSE_CHARACTERS_MAX: usize = 80;

/// What is wrong with a JSON text and where; of the text itself no more than a few words.
pub(super) fn json_cause(error: &serde_json::Error) -> String {
    let place = format!(" at line {} column {}", error.line(), error.column());
    let message = error.to_string();
    let what = message.strip_suffix(&place).unwrap_or(&message);
    let mut rest = what.chars();
    let start: String = rest.by_ref().take(JSON_CAUSE_CHARACTERS_MAX).collect();
    let more = if rest.next().is_some() { " …" } else { "" };
    format!("{start}{more}{place}")
}

/// The part of the document that the frames do not tell.
#[derive(Deserialize)]
struct Document {
    format: String,
    format_version: u32,
    capture: Capture,
    fields: Option<Fields>,
    outcome: Option<OutcomeRow>,
    notes: Vec<NoteRow>,
    requirements: Vec<RequirementRow>,
    #[serde(default)]
    source: Option<SourceRow>,
    #[serde(default)]
    levels: Option<LevelsRow>,
    source_rate: Option<Ratio>,
    columns_blake3: json::ColumnsRow,
}

#[derive(Deserialize)]
struct RequirementRow {
    key: String,
    limit: f64,
}

#[derive(Deserialize)]
struct Ratio {
    num: u64,
    den: u64,
}

#[derive(Deserialize)]
struct Capture {
    name: String,
    frames: u64,
    width_px: u32,
    height_px: u32,
    pixel_format: String,
    scan: String,
    scan_source: String,
    scan_flagged: String,
    scan_segments: Vec<ScanRow>,
    delivered_rate: Ratio,
    rate_source: String,
    times_measured: bool,
    time_base_s: Ratio,
    blake3: String,
}

#[derive(Deserialize)]
struct ScanRow {
    first_frame: u64,
    last_frame: u64,
    scan: String,
}

#[derive(Deserialize)]
struct Fields {
    first_parity: String,
}

#[derive(Deserialize)]
struct OutcomeRow {
    code: String,
    text: String,
    first_frame: u64,
    last_frame: u64,
}

#[derive(Deserialize)]
struct NoteRow {
    code: String,
    text: String,
}

impl Document {
    fn parse(text: &str) -> std::result::Result<Self, String> {
        serde_json::from_str(text).map_err(|error| json_cause(&error))
    }
}

impl Capture {
    fn time_base(&self) -> Option<TimeBase> {
        TimeBase::new(self.time_base_s.num, self.time_base_s.den)
    }

    /// The facts; `reader` is what read the capture.
    fn facts(&self, reader: String) -> Option<CaptureFacts> {
        let side = 1..=FrameShape::SIDE_MAX;
        if !side.contains(&self.width_px) || !side.contains(&self.height_px) {
            return None;
        }
        Some(CaptureFacts {
            name: self.name.clone(),
            shape: FrameShape {
                width: self.width_px,
                height: self.height_px,
                pixel_format: PixelFormat::parse(&self.pixel_format)?,
            },
            scan: Scan::from_name(&self.scan_flagged)?,
            nominal_rate: None,
            rate_source: None,
            time_base: self.time_base().filter(|_| self.times_measured),
            promised_frames: None,
            reader,
        })
    }
}

impl Capture {
    fn scan(&self) -> Option<ScanDecision> {
        let segment = |row: &ScanRow| {
            Some(ScanSegment {
                first_frame: row.first_frame,
                last_frame: row.last_frame,
                scan: Scan::from_name(&row.scan)?,
            })
        };
        Some(ScanDecision {
            scan: Scan::from_name(&self.scan)?,
            source: ScanSource::from_name(&self.scan_source)?,
            segments: self.scan_segments.iter().map(segment).collect::<Option<_>>()?,
        })
    }
}

impl Document {
    /// The field that comes first, where the capture is interlaced.
    fn first_field(&self) -> std::result::Result<Option<Parity>, String> {
        let parity = |fields: &Fields| {
            Parity::from_name(&fields.first_parity).ok_or_else(|| "its first field is not known".to_owned())
        };
        self.fields.as_ref().map(parity).transpose()
    }

    /// The audit, and what binds the tables to the document. What follows from the frames is drawn from them anew.
    fn audit(self, rows: Rows, reader: String) -> std::result::Result<(Audit, json::ColumnsRow), String> {
        if self.format != json::FORMAT || self.format_version != json::FORMAT_VERSION {
            return Err(format!(
                "its format is {} version {}, wanted is {:?} version {}",
                excerpt(&self.format),
                self.format_version,
                json::FORMAT,
                json::FORMAT_VERSION
            ));
        }
        let capture = &self.capture;
        let named = |what: &str| format!("its {what} is not known");
        let times = FrameTimes {
            base: capture.time_base().ok_or_else(|| named("time base"))?,
            ticks: rows.ticks,
            measured: capture.times_measured,
            delivered_rate: Rate::new(capture.delivered_rate.num, capture.delivered_rate.den)
                .ok_or_else(|| named("delivered rate"))?,
        };
        check_places(&rows.places)?;
        let fields = self.first_field()?.map(|first| FieldAudit::of(first, rows.fields, &times));
        let requirements: Vec<Requirement> = self
            .requirements
            .iter()
            .map(|row| Requirement::parse(&format!("{}={}", row.key, row.limit)))
            .collect::<std::result::Result<_, _>>()?;
        let source = match self.source {
            Some(row) => Some(source(row, rows.places, &times).ok_or_else(|| named("source"))?),
            None => None,
        };
        let notes: Vec<Note> =
            self.notes.into_iter().map(note).collect::<Option<_>>().ok_or_else(|| named("kind of note"))?;
        let mut audit = Audit {
            facts: capture.facts(reader).ok_or_else(|| named("size, pixel format or scan"))?,
            rate_source: RateSource::from_name(&capture.rate_source)
                .ok_or_else(|| named("source of the rate"))?,
            complete: !notes.iter().any(|note| note.code.makes_incomplete()),
            digest: digest_of(capture.blake3.as_bytes()).ok_or_else(|| named("digest"))?,
            cadence: cadence::analyse(&rows.frames, &times),
            fields: FieldFindings::restored(capture.scan().ok_or_else(|| named("scan"))?, fields),
            outcome: self.outcome.map(outcome).transpose()?,
            frames: rows.frames,
            times,
            findings: Vec::new(),
            notes,
            verdict: String::new(),
            given_source_rate: match &self.source_rate {
                Some(rate) => Some(Rate::new(rate.num, rate.den).ok_or_else(|| named("rate of the clip"))?),
                None => None,
            },
            requirements: Vec::new(),
            source,
            levels: self.levels.map(|row| row.levels()),
            signatures: Signatures::default(),
            looked_at: (capture.width_px, capture.height_px),
        };
        audit.hold_against(&requirements);
        let conclusion = audit.conclusion();
        // They come last; whatever else stands there does not fit.
        audit.notes.truncate(audit.notes.len().saturating_sub(conclusion.notes.len()));
        audit.notes.extend(conclusion.notes);
        (audit.findings, audit.verdict) = (conclusion.findings, conclusion.verdict);
        Ok((audit, self.columns_blake3))
    }
}

/// Clips are as long as this at most, pictures or fields: 77 hours of 60 per second. Each takes memory.
const CLIP_PICTURES_MAX: u32 = 1 << 24;
/// Most pictures that are looked at for frames of which it cannot be told what they show; some ten seconds of work.
const AMBIGUOUS_MAX: u64 = 1 << 34;

fn check_places(places: &[SourcePlace]) -> std::result::Result<(), String> {
    let mut ambiguous = 0u64;
    for &place in places {
        let last = match place {
            SourcePlace::Unknown => 0,
            SourcePlace::Picture(picture) => picture,
            SourcePlace::Mix { first, second, .. } | SourcePlace::Woven { first, second } => {
                first.max(second)
            }
            SourcePlace::Ambiguous { first, last } => {
                ambiguous += u64::from(last - first);
                last
            }
        };
        if last > CLIP_PICTURES_MAX {
            return Err(format!("a frame shows picture {last}, possible are 0 to {CLIP_PICTURES_MAX}"));
        }
    }
    if ambiguous > AMBIGUOUS_MAX {
        return Err("its frames may show too many pictures".to_owned());
    }
    Ok(())
}

/// The clip's pictures along the capture.
fn source(row: SourceRow, places: Vec<SourcePlace>, times: &FrameTimes) -> Option<Source> {
    let (mut track, picture) = row.track()?;
    track.places = places;
    let summary = SourceSummary::new(&track, &times.ticks, times.base);
    Some(Source { track, summary, picture })
}

fn outcome(row: OutcomeRow) -> std::result::Result<Outcome, String> {
    let code = OutcomeCode::from_name(&row.code).ok_or("its outcome is not known")?;
    Ok(Outcome { code, text: row.text, first_frame: row.first_frame, last_frame: row.last_frame })
}

fn note(row: NoteRow) -> Option<Note> {
    Some(Note::new(NoteCode::from_name(&row.code)?, row.text))
}

/// What the frame table says.
#[derive(Default)]
struct Rows {
    frames: Vec<ClassifiedFrame>,
    ticks: Vec<i64>,
    places: Vec<SourcePlace>,
    fields: Vec<ClassifiedFrame>,
}

struct Table<'a> {
    path: &'a Path,
    base: TimeBase,
}

impl Table<'_> {
    fn read(&self, mut input: impl BufRead) -> Result<Rows> {
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
    fn read_fields(&self, mut input: impl BufRead, first: Parity) -> Result<Vec<ClassifiedFrame>> {
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

fn digest_of(hex: &[u8]) -> Option<Digest> {
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
