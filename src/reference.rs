//! The clip that was played, read as a reference: its pictures as signatures, and the alignment of a capture with
//! them.

use std::path::{Path, PathBuf};

use crate::cadence::{self, StatedRate};
use crate::capture::log::LogReader;
use crate::capture::{self, Brake, CaptureArg, CaptureFacts, CaptureKind, RateSource};
use crate::classify::{self, Evidence, FrameClass, FrameEvidence};
use crate::error::{Error, Result};
use crate::fingerprint::cells::{cell_means, CellBorders};
use crate::fingerprint::FrameFingerprint;
use crate::frame::{FrameShape, Rect};
use crate::note::{Note, NoteCode};
use crate::pipeline::{self, Control, ReadingEnd};
use crate::settings::{ReadingSettings, Settings, ViewSettings};
use crate::source::{
    self, Alignment, Film, Geometry, Grid, Levels, NoMatch, Signature, SourceOrigin, SourceTrack, SourceUnit,
    CELLS,
};
use crate::units::Rate;

/// Confidence from which a picture that repeats the one before is taken for the clip's own repeat.
const OWN_REPEAT_SURE: f32 = 0.95;

/// Times that a clip is read once more at most, each time with the geometry found before.
const READINGS_MAX: usize = 2;

/// The clip that was played.
#[derive(Clone, Debug)]
pub struct Clip {
    /// How errors name it.
    pub place: String,
    /// What it says of itself.
    pub facts: CaptureFacts,
    /// Pictures per second.
    pub rate: Rate,
    /// One signature per picture.
    pub signatures: Vec<Signature>,
    /// Whether each picture repeats the one before by itself.
    pub own_repeats: Vec<bool>,
    /// The part of its picture that was looked at.
    pub view: ViewSettings,
    /// How it can be read once more; `None` for a log.
    again: Option<Again>,
    /// Caveats met while reading it.
    pub notes: Vec<Note>,
}

/// What alignment tells of the picture itself.
#[derive(Clone, Debug, PartialEq)]
pub struct PictureFacts {
    /// Size of the clip's pictures, pixels.
    pub clip_size: (u32, u32),
    /// Which part of the clip's picture the capture shows.
    pub geometry: Geometry,
    /// How the capture's luma follows from the clip's, code values at 8 bit.
    pub levels: Levels,
    /// Typical error of a cell of the signature, code values at 8 bit.
    pub error: f64,
    /// Cells of the signature that were compared.
    pub cells: usize,
    /// Share of the changes of the picture that the clip explains; `None` where hardly anything moves.
    pub explained: Option<f64>,
}

impl PictureFacts {
    /// All cells that could be compared.
    pub const CELLS: usize = CELLS;
}

/// How a clip is read once more.
#[derive(Clone, Debug)]
struct Again {
    path: PathBuf,
    settings: ReadingSettings,
}

/// What of a clip is read.
#[derive(Clone, Copy)]
pub struct ClipReading<'a> {
    /// The clip, or its fingerprint log.
    pub path: &'a Path,
    /// How the capture is read and which rate the person states for the clip.
    pub settings: &'a Settings,
    /// Size of the capture's pictures.
    pub shape: FrameShape,
    /// The part of the capture's picture that is looked at: the same part of the clip is.
    pub view: &'a ViewSettings,
}

/// Reads a clip, or its fingerprint log.
///
/// # Errors
/// It cannot be read, or holds no picture.
pub fn read(reading: ClipReading<'_>, control: &Control<'_>, brake: &Brake) -> Result<Clip> {
    let argument = CaptureArg::Path(PathBuf::from(reading.path));
    let sniffed = capture::sniff(&argument, brake).map_err(|error| of_clip(reading.path, error))?;
    let place = sniffed.place().to_owned();
    let mut gathered = Gathered::default();
    let mut again = None;
    let (facts, view, end) = if sniffed.kind() == CaptureKind::FingerprintLog {
        let bytes = sniffed.into_reader().ok_or_else(|| empty(&place))?;
        let mut log = LogReader::open(bytes, place.clone())?;
        while let Some(fingerprint) = log.next_fingerprint()? {
            gathered.push(&fingerprint);
        }
        let header = log.header().clone();
        (header.facts, header.view, log.finish())
    } else {
        let decoder = reading.settings.reading.decoder.clone();
        let settings = ReadingSettings { decoder, ..ReadingSettings::default() };
        let opened = sniffed.open(&settings);
        let source = opened.map_err(|error| of_clip(reading.path, error))?;
        let facts = source.facts().clone();
        let can_be_reread = reading.path.is_file() || reading.path.is_dir();
        again = can_be_reread.then(|| Again { path: reading.path.to_owned(), settings });
        let view = scaled(reading.view, reading.shape, facts.shape);
        let end = pipeline::fingerprint_capture(source, &view, control, |fingerprint| {
            gathered.push(&fingerprint);
            Ok(())
        })?;
        (facts, view, end)
    };
    if gathered.signatures.is_empty() {
        return Err(end.error.unwrap_or_else(|| empty(&place)));
    }
    let notes = notes(&place, &end);
    Ok(Clip { again, ..gathered.clip((place, facts, view, notes), reading.settings.source_rate) })
}

fn empty(place: &str) -> Error {
    Error::new(place, "cannot serve as the reference", "it holds no picture", "give the clip that was played")
}

/// An error of the clip says what the clip is for.
fn of_clip(path: &Path, error: Error) -> Error {
    let what = error.what.replace("cannot read capture", "cannot read the reference clip");
    let place = if error.place.is_empty() { path.display().to_string() } else { error.place };
    Error { place, what, ..error }
}

fn notes(place: &str, end: &ReadingEnd) -> Vec<Note> {
    if end.is_complete() {
        return Vec::new();
    }
    let cause = match &end.error {
        Some(error) => error.to_string(),
        None => end.end.notes.iter().map(|note| note.text.as_str()).collect::<Vec<_>>().join(" "),
    };
    let text = format!(
        "The reference clip {place} was not read whole: pictures after the {} that were read are not known. {cause}",
        end.frames
    );
    vec![Note::new(NoteCode::ReferenceIncomplete, text)]
}

/// The same part of a picture of another size.
fn scaled(view: &ViewSettings, from: FrameShape, to: FrameShape) -> ViewSettings {
    let along = |value: u32, from: u32, to: u32| {
        ((u64::from(value) * u64::from(to) + u64::from(from) / 2) / u64::from(from.max(1))) as u32
    };
    let rect = |rect: &Rect| {
        let (x, y) = (along(rect.x, from.width, to.width), along(rect.y, from.height, to.height));
        let right = along(rect.x.saturating_add(rect.width), from.width, to.width).min(to.width);
        let bottom = along(rect.y.saturating_add(rect.height), from.height, to.height).min(to.height);
        let (x, y) = (x.min(to.width - 1), y.min(to.height - 1));
        Rect { x, y, width: right.saturating_sub(x).max(1), height: bottom.saturating_sub(y).max(1) }
    };
    ViewSettings { region: view.region.as_ref().map(rect), exclude: view.exclude.iter().map(rect).collect() }
}

/// What is kept of a clip's fingerprints.
#[derive(Default)]
struct Gathered {
    signatures: Vec<Signature>,
    evidence: Vec<FrameEvidence>,
    ticks: Vec<Option<i64>>,
}

impl Gathered {
    fn push(&mut self, fingerprint: &FrameFingerprint) {
        self.signatures.push(fingerprint.signature);
        self.evidence.push(FrameEvidence::new(fingerprint));
        self.ticks.push(fingerprint.ticks);
    }

    fn clip(
        self,
        (place, facts, view, notes): (String, CaptureFacts, ViewSettings, Vec<Note>),
        stated: Option<Rate>,
    ) -> Clip {
        let nominal = facts
            .nominal_rate
            .map(|rate| StatedRate { rate, source: facts.rate_source.unwrap_or(RateSource::Header) });
        let given = stated.map(|rate| StatedRate { rate, source: RateSource::Given });
        let settled = cadence::frame_times(given.or(nominal), facts.time_base, &self.ticks, &[]);
        let rate = settled.times.delivered_rate;
        let classified = classify::classify(&self.evidence, rate.period_ms() / 1000.0);
        let own_repeat = |frame: &classify::ClassifiedFrame| {
            let sure = frame.evidence == Evidence::Digest || frame.confidence >= OWN_REPEAT_SURE;
            frame.class != FrameClass::New && sure
        };
        Clip {
            place,
            facts,
            rate,
            signatures: self.signatures,
            own_repeats: classified.frames.iter().map(own_repeat).collect(),
            view,
            notes,
            again: None,
        }
    }
}

/// What a capture brings to its alignment.
#[derive(Clone, Copy)]
pub struct Recording<'a> {
    /// Size of its pictures.
    pub shape: FrameShape,
    /// The part of them that was looked at.
    pub view: &'a ViewSettings,
    /// One signature per frame.
    pub signatures: &'a [Signature],
    /// Whether each frame has the digest of the one before.
    pub same_as_before: &'a [bool],
    /// Frames per second.
    pub delivered_rate: Rate,
    /// Whether many of its frames are mixes of two pictures.
    pub mixes: bool,
}

impl Clip {
    /// A clip whose fingerprints are at hand, in order.
    pub fn of_fingerprints<'a>(
        facts: CaptureFacts,
        fingerprints: impl IntoIterator<Item = &'a FrameFingerprint>,
    ) -> Self {
        let mut gathered = Gathered::default();
        fingerprints.into_iter().for_each(|fingerprint| gathered.push(fingerprint));
        gathered.clip((facts.name.clone(), facts, ViewSettings::default(), Vec::new()), None)
    }

    /// The clip's pictures for alignment.
    fn film(&self) -> Film<'_> {
        Film {
            signatures: &self.signatures,
            same_as_before: &self.own_repeats,
            grid: grid(self.facts.shape, &self.view),
            visible: [true; CELLS],
            rate_hz: self.rate.hz(),
            mixes: false,
        }
    }

    /// Aligns; where the capture shows another part of the picture, the clip is read once more with the cells of
    /// that part, because cells made from others are not exact.
    fn aligned(&self, film: &Film<'_>) -> Result<Alignment> {
        let refused = |none: NoMatch| {
            Error::new(
                &self.place,
                "not the clip of this recording",
                none.evidence,
                "give the clip that was played, or audit without --reference",
            )
        };
        let mut aligned = source::align(film, &self.film()).map_err(refused)?;
        for _ in 0..READINGS_MAX {
            let geometry = aligned.geometry;
            let whole = self.view == ViewSettings::default();
            let Some(signatures) = whole.then(|| self.seen_through(film, geometry)).flatten() else { break };
            let clip = Film {
                signatures: &signatures,
                grid: film.grid.clone(),
                visible: film.grid.visible_in(geometry),
                ..self.film()
            };
            let Ok(again) = source::align(film, &clip) else { break };
            if again.error >= aligned.error {
                break;
            }
            let settled = again.geometry == Geometry::SAME;
            aligned = Alignment { geometry: geometry.then(again.geometry), ..again };
            if settled {
                break;
            }
        }
        Ok(aligned)
    }

    /// Signatures of the part of the clip's pictures that a capture shows, in the capture's cells; `None` where it
    /// shows the whole, or the clip cannot be read once more as it was.
    fn seen_through(&self, film: &Film<'_>, geometry: Geometry) -> Option<Vec<Signature>> {
        let again = self.again.as_ref().filter(|_| geometry != Geometry::SAME)?;
        let mut source = capture::open(&CaptureArg::Path(again.path.clone()), &again.settings).ok()?;
        let shape = source.facts().shape;
        let [columns, rows] = film.grid.borders_in(geometry);
        let along = |borders: Vec<f64>, length: u32| {
            borders.into_iter().map(|border| border * f64::from(length)).collect()
        };
        let borders = CellBorders { columns: along(columns, shape.width), rows: along(rows, shape.height) };
        let mut signatures = Vec::with_capacity(self.signatures.len());
        let mut samples = Vec::new();
        while signatures.len() < self.signatures.len() {
            match source.read_frame(&mut samples) {
                Ok(Some(_)) => signatures.push(cell_means(shape, &samples, &borders)),
                _ => break,
            }
        }
        source.finish();
        (signatures.len() == self.signatures.len()).then_some(signatures)
    }

    /// Lays a capture along the clip.
    ///
    /// # Errors
    /// The capture does not show the clip.
    pub fn track(&self, recording: Recording<'_>) -> Result<(SourceTrack, PictureFacts)> {
        let film = Film {
            signatures: recording.signatures,
            same_as_before: recording.same_as_before,
            grid: grid(recording.shape, recording.view),
            visible: [true; CELLS],
            rate_hz: recording.delivered_rate.hz(),
            mixes: recording.mixes,
        };
        let aligned = self.aligned(&film)?;
        let shape = self.facts.shape;
        let facts = PictureFacts {
            clip_size: (shape.width, shape.height),
            geometry: Geometry {
                scale: aligned.geometry.scale.map(millionths),
                offset: aligned.geometry.offset.map(millionths),
            },
            levels: Levels {
                gain: millionths(aligned.levels.gain),
                offset: millionths(aligned.levels.offset),
                bend: millionths(aligned.levels.bend),
                skew: millionths(aligned.levels.skew),
            },
            error: millionths(aligned.error),
            cells: aligned.cells,
            explained: aligned.explained.map(millionths),
        };
        let track = SourceTrack {
            origin: SourceOrigin::Reference,
            unit: SourceUnit::Picture,
            clip_name: self.facts.name.clone(),
            clip_rate: self.rate,
            clip_length: Some(self.signatures.len() as u64),
            places: aligned.places,
        };
        Ok((track, facts))
    }
}

/// Rounded to what is written, so that a report built again computes with the same.
fn millionths(value: f64) -> f64 {
    (value * 1e6).round() / 1e6
}

/// The grid of the part of a picture that is looked at.
fn grid(shape: FrameShape, view: &ViewSettings) -> Grid {
    match view.region {
        Some(Rect { width, height, .. }) => Grid::new(width, height),
        None => Grid::new(shape.width, shape.height),
    }
}
