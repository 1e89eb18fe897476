//! An audit read back from `audit.json`, `frames.csv` and `provenance.json`, or from `report.html` alone, to report on
//! it again or to compare it.
//!
//! The frames are read from the table; holds, pattern and judder are computed from them anew, and the document
//! they give must be the one that was read: a report is never built from parts that do not belong together.

mod fit;
mod page;
mod table;

use std::borrow::Cow;
use std::fs::File;
use std::io::{self, BufRead, BufReader, ErrorKind, Read};
use std::path::{Path, PathBuf};

use fit::{check_files, misfit, Misfit};
use table::{digest_of, Rows, Table};

use super::json::{self, Capture, ColumnsRow, DeviceRow, Document, NoteRow, OutcomeRow, ScanRow};
use super::provenance::{self, Provenance};
use super::source::SourceRow;
use super::values::hex;
use super::{
    json_cause, pictures_log, AUDIT_JSON, FIELDS_CSV, FRAMES_CSV, PICTURES_LOG, PROVENANCE_JSON, REPORT_HTML,
};
use crate::alignment::{SourcePlace, SourceSummary};
use crate::audit::{Audit, Source};
use crate::cadence::{self, FrameTimes};
use crate::capture::{CaptureFacts, RateSource};
use crate::error::{excerpt, plain_cause, Error, Result};
use crate::fingerprint::UNKNOWN_DIGEST;
use crate::frame::{CodeRange, Coding, FrameShape, PixelFormat, Scan};
use crate::interlace::{
    FieldAudit, FieldFindings, Outcome, OutcomeCode, Parity, ScanDecision, ScanSegment, ScanSource,
};
use crate::note::{Note, NoteCode};
use crate::output::cause_of;
use crate::settings::DeviceFacts;
use crate::signatures::Signatures;
use crate::units::{Rate, TimeBase};
use crate::verdict::gate::Requirement;

/// Largest document read, bytes: an audit of ten hours with a break in every second frame takes less.
const DOCUMENT_BYTES_MAX: u64 = 512 << 20;

/// Whether bytes are a table of frames.
pub(super) fn table_reads(bytes: &[u8]) -> bool {
    let base = TimeBase::NANOSECONDS;
    table::Table { path: Path::new(super::FRAMES_CSV), base }.read(bytes).is_ok()
}

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

impl Document<'_> {
    fn parse(text: &str) -> std::result::Result<Self, String> {
        serde_json::from_str(text).map_err(|error| json_cause(&error))
    }
}

impl Capture<'_> {
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
            name: self.name.clone().into_owned(),
            shape: FrameShape {
                width: self.width_px,
                height: self.height_px,
                pixel_format: PixelFormat::parse(&self.pixel_format)?,
            },
            scan: Scan::from_name(&self.scan_flagged)?,
            coding: Coding::from_name(&self.coding)?,
            range: CodeRange::default(),
            nominal_rate: None,
            rate_source: None,
            time_base: self.time_base().filter(|_| self.times_measured),
            promised_frames: None,
            reader,
        })
    }
}

impl Capture<'_> {
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

impl Document<'_> {
    /// The field that comes first, where the capture is interlaced.
    fn first_field(&self) -> std::result::Result<Option<Parity>, String> {
        let parity = |fields: &json::Fields| {
            Parity::from_name(&fields.first_parity).ok_or_else(|| "its first field is not known".to_owned())
        };
        self.fields.as_ref().map(parity).transpose()
    }

    /// The audit, and what binds the tables to the document. What follows from the frames is drawn from them anew.
    fn audit(self, rows: Rows, reader: String) -> std::result::Result<(Audit, ColumnsRow), String> {
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
            events: Vec::new(),
            judgements: Vec::new(),
            notes,
            headline: String::new(),
            verdict: String::new(),
            device: self.device.map(device).unwrap_or_default(),
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
        let notes = audit.conclude_by(conclusion);
        audit.notes.extend(notes);
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

fn outcome(row: OutcomeRow<'_>) -> std::result::Result<Outcome, String> {
    let code = OutcomeCode::from_name(&row.code).ok_or("its outcome is not known")?;
    Ok(Outcome {
        code,
        text: row.text.into_owned(),
        first_frame: row.first_frame,
        last_frame: row.last_frame,
    })
}

fn device(row: DeviceRow<'_>) -> DeviceFacts {
    let text = |text: Option<Cow<'_, str>>| text.map(Cow::into_owned);
    DeviceFacts {
        name: text(row.name),
        firmware: text(row.firmware),
        setting: text(row.setting),
        recorder: text(row.recorder),
    }
}

fn note(row: NoteRow<'_>) -> Option<Note> {
    Some(Note::new(NoteCode::from_name(&row.code)?, row.text.into_owned()))
}
