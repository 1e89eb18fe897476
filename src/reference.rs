//! The clip that was played, read as a reference: its pictures as signatures, and the alignment of a capture with
//! them.

use std::collections::{BTreeMap, BTreeSet};
use std::path::{Path, PathBuf};

use crate::alignment::fields::{level_parities, woven, WovenFrames};
use crate::alignment::fine::{FinePictures, Stations, FINE_COLUMNS, FINE_ROWS};
use crate::alignment::picture::{self, Comparison, Detail, KeptFrame, Measured, Measures, RowMeasures};
use crate::alignment::{
    self, Alignment, Geometry, Grid, Levels, NoMatch, Proof, Signature, SignatureSequence, SourceOrigin,
    SourcePlace, SourceTrack, SourceUnit, Warp, CELLS,
};
use crate::cadence::{self, StatedRate};
use crate::cancel::Cancel;
use crate::capture::log::{self, LogReader};
use crate::capture::{self, CaptureArg, CaptureFacts, CaptureKind, RateSource};
use crate::classify::{self, Evidence, FrameClass, FrameEvidence, Recorder};
use crate::clip_code::{COLUMNS, ROWS};
use crate::error::{Error, Result};
use crate::fingerprint::cells::{curved, means, CellBorders, Lines};
use crate::fingerprint::marks::{chart, ClipIdentity};
use crate::fingerprint::reduced::reduced_samples;
use crate::fingerprint::{
    ChartReading, Digest, FrameFingerprint, LumaEnds, MarkReading, ParityDifference, ViewPlan, FIXED_POINT,
    SIGNATURE_COLUMNS,
};
use crate::frame::{Coding, Family, FrameShape, PixelFormat, Rect, Scan};
use crate::interlace::{self, FieldSample, FieldSampler, Parity, ScanDecision, ScanFacts};
use crate::note::{Note, NoteCode};
use crate::pipeline::{self, Control, ReadingEnd};
use crate::settings::{PathNames, ReadingSettings, Settings, ViewSettings};
use crate::testclip::{ClipPainter, ClipSettings};
use crate::units::Rate;

/// Confidence from which a picture that repeats the one before is taken for the clip's own repeat.
const OWN_REPEAT_SURE: f32 = 0.95;

/// Fewest cells that pictures are compared by: an eighth of the picture. Choice.
const VISIBLE_MIN: usize = CELLS / 8;

/// A reading through another window, or after a curve, is better where at most this share of the error is left: what
/// fits by chance gains less. Choice.
const BETTER_READING: f64 = 0.9;

/// Times that a clip is read once more at most, each time with the geometry found before.
const READINGS_MAX: usize = 3;

/// The clip that was played.
#[derive(Clone, Debug)]
pub struct Clip {
    /// How errors name it.
    pub place: String,
    /// What it says of itself.
    pub facts: CaptureFacts,
    /// Pictures (or fields) per second.
    pub rate: Rate,
    /// One signature per picture, of an interlaced clip one per field in the order of their moments.
    pub signatures: Vec<Signature>,
    /// Digest of each frame.
    digests: Vec<Digest>,
    /// What the marks in its pictures say, up to the last frame that has any.
    marks: Vec<Option<MarkReading>>,
    /// Whether each picture (or field) repeats the one before by itself.
    pub own_repeats: Vec<bool>,
    /// The order of its fields; `None` for a progressive clip.
    pub order: Option<FieldOrder>,
    /// The part of its picture that was looked at.
    pub view: ViewSettings,
    /// What lies at the ends of the range of each frame's luma.
    ends: Vec<LumaEnds>,
    /// Whether its pictures are turned over across and down: a device may have done so.
    mirrored: [bool; 2],
    /// How it can be read once more; `None` for a log.
    again: Option<Again>,
    /// Ends reading the clip once more.
    cancel: Cancel,
    /// Caveats met while reading it.
    pub notes: Vec<Note>,
}

/// Which field of each frame comes first.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct FieldOrder {
    /// First frame of each stretch of one order, and whether the top field comes first in it.
    stretches: Vec<(u64, bool)>,
}

impl FieldOrder {
    /// The order in an interlaced capture or clip; `None` where it is progressive.
    pub fn of(scan: &ScanDecision) -> Option<Self> {
        let interlaced = matches!(scan.scan, Scan::TopFieldFirst | Scan::BottomFieldFirst | Scan::Mixed);
        // Both fields of progressive stretches show one moment: their order is that of the rest.
        let bottom_first = scan.scan == Scan::BottomFieldFirst;
        let stretch = |segment: &interlace::ScanSegment| match segment.scan {
            Scan::BottomFieldFirst => (segment.first_frame, false),
            Scan::TopFieldFirst => (segment.first_frame, true),
            _ => (segment.first_frame, !bottom_first),
        };
        interlaced.then(|| Self { stretches: scan.segments.iter().map(stretch).collect() })
    }

    /// Whether the top field comes first in a frame.
    pub fn top_first(&self, frame: usize) -> bool {
        let later = self.stretches.partition_point(|&(first, _)| first <= frame as u64);
        self.stretches.get(later.saturating_sub(1)).is_none_or(|&(_, top_first)| top_first)
    }

    /// Parity of the first field, where it is that of all frames.
    fn first_field(&self) -> Option<Parity> {
        let top_first = self.top_first(0);
        let same = self.stretches.iter().all(|&(_, other)| other == top_first);
        same.then_some(if top_first { Parity::Top } else { Parity::Bottom })
    }
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
    /// Whether the capture shows the clip turned over across (left is right) and down.
    pub mirrored: [bool; 2],
    /// What became of the picture, each number with its error; `None` where that was not measured.
    pub measures: Option<Measures>,
    /// What is left of the rows and slants of the test clip.
    pub rows: Option<RowMeasures>,
}

impl PictureFacts {
    /// All cells that could be compared.
    pub const CELLS: usize = CELLS;

    /// Whether more than rounding lies between clip and capture.
    pub fn has_errors(&self) -> bool {
        alignment::is_error(self.error)
    }
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
pub fn read(reading: ClipReading<'_>, control: &Control<'_>, cancel: &Cancel) -> Result<Clip> {
    let argument = CaptureArg::Path(PathBuf::from(reading.path));
    let sniffed = capture::sniff(&argument, cancel).map_err(|error| of_clip(reading.path, error))?;
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
        let ReadingSettings { decoder, threads, .. } = reading.settings.reading.clone();
        let settings = ReadingSettings { decoder, threads, ..ReadingSettings::default() };
        let opened = sniffed.open(&settings);
        let source = opened.map_err(|error| of_clip(reading.path, error))?;
        let facts = source.facts().clone();
        let can_be_reread = reading.path.is_file() || reading.path.is_dir();
        again = can_be_reread.then(|| Again { path: reading.path.to_owned(), settings });
        // What is left out of the capture is left out of the comparison: a device may have moved it.
        let view = ViewSettings { exclude: Vec::new(), ..scaled(reading.view, reading.shape, facts.shape) };
        let end = match from_log(reading.settings.reference_log.as_deref(), (&facts, &view), cancel) {
            Some((kept, end)) => {
                gathered = kept;
                end
            }
            None => pipeline::fingerprint_capture(source, &view, control, |fingerprint| {
                gathered.push(&fingerprint);
                Ok(())
            })?,
        };
        (facts, view, end)
    };
    if gathered.signatures.is_empty() {
        return Err(end.error.unwrap_or_else(|| empty(&place)));
    }
    let notes = notes(&PathNames::Last.of(place.as_ref()), &end);
    let said = Said { rate: reading.settings.source_rate, scan: reading.settings.reference_scan };
    Ok(Clip { again, cancel: cancel.clone(), ..gathered.clip((place, facts, view, notes), said) })
}

/// The pictures of a clip from its log; `None` where there is none, or one of something else.
fn from_log(
    path: Option<&Path>,
    (facts, view): (&CaptureFacts, &ViewSettings),
    cancel: &Cancel,
) -> Option<(Gathered, ReadingEnd)> {
    let mut log = log::of_capture(path?, (facts, view), cancel)?;
    let mut gathered = Gathered::default();
    while let Some(fingerprint) = log.next_fingerprint().ok()? {
        gathered.push(&fingerprint);
    }
    Some((gathered, log.finish()))
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
        Some(error) => error.told_to_others(),
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

/// What the person says of a clip.
#[derive(Clone, Copy, Default)]
struct Said {
    rate: Option<Rate>,
    scan: Option<Scan>,
}

/// A rate this many times that of the clip's frames is meant for its fields.
const RATE_OF_FIELDS_FROM: f64 = 1.5;

impl Said {
    /// Fields per second of a clip of so many frames per second.
    fn field_rate(self, frames: Rate) -> Rate {
        match self.rate {
            Some(fields) if fields.hz() > RATE_OF_FIELDS_FROM * frames.hz() => fields,
            stated => {
                let frames = stated.unwrap_or(frames);
                Rate::new(frames.num().saturating_mul(2), frames.den()).unwrap_or(frames)
            }
        }
    }
}

/// What is kept of a clip's fingerprints.
#[derive(Default)]
struct Gathered {
    digests: Vec<Digest>,
    marks: Vec<Option<MarkReading>>,
    signatures: Vec<Signature>,
    differences: Vec<ParityDifference>,
    evidence: Vec<FrameEvidence>,
    sampler: FieldSampler,
    samples: Vec<FieldSample>,
    ticks: Vec<Option<i64>>,
    ends: Vec<LumaEnds>,
}

impl Gathered {
    fn push(&mut self, fingerprint: &FrameFingerprint) {
        self.digests.push(fingerprint.digest);
        if fingerprint.marks.is_some() {
            self.marks.resize(self.digests.len() - 1, None);
            self.marks.push(fingerprint.marks);
        }
        self.signatures.push(fingerprint.signature);
        self.differences.push(fingerprint.parity_difference);
        self.evidence.push(FrameEvidence::new(fingerprint));
        self.samples.push(self.sampler.next(fingerprint));
        self.ticks.push(fingerprint.ticks);
        self.ends.push(fingerprint.ends);
    }

    fn clip(
        self,
        (place, facts, view, notes): (String, CaptureFacts, ViewSettings, Vec<Note>),
        said: Said,
    ) -> Clip {
        let nominal = facts
            .nominal_rate
            .map(|rate| StatedRate { rate, source: facts.rate_source.unwrap_or(RateSource::Header) });
        let given = said.rate.map(|rate| StatedRate { rate, source: RateSource::Given });
        let settled = cadence::frame_times(nominal.or(given), facts.time_base, &self.ticks, &[]);
        let frame_rate = settled.times.delivered_rate;
        let whole = (facts.shape.width, facts.shape.height);
        let looked_at = view.region.map_or(whole, |region| (region.width, region.height));
        let recorder = Recorder { coding: facts.coding, samples: reduced_samples(looked_at) };
        let mut classified = classify::classify(&self.evidence, recorder, frame_rate.period_ms() / 1000.0);
        let scan = ScanFacts {
            flagged: facts.scan,
            given: said.scan,
            delivered_rate: frame_rate,
            frames: self.signatures.len(),
            coding: facts.coding,
        };
        let found = interlace::mark(&mut classified.frames, &self.samples, &settled.times, &scan);
        let own_repeat = |frame: &classify::ClassifiedFrame| {
            let sure = frame.evidence == Evidence::Digest || frame.confidence >= OWN_REPEAT_SURE;
            frame.class != FrameClass::New && sure
        };
        let order = FieldOrder::of(&found.scan);
        let (signatures, own_repeats, rate) = match (&order, found.fields) {
            (Some(order), Some(audited)) => {
                let frames = WovenFrames { signatures: &self.signatures, differences: &self.differences };
                let mut signatures = frames.fields(|frame| order.top_first(frame));
                let own_repeats: Vec<bool> = audited.fields.iter().map(own_repeat).collect();
                level_parities(&mut signatures, &own_repeats);
                (signatures, own_repeats, said.field_rate(frame_rate))
            }
            _ => {
                let own_repeats = classified.frames.iter().map(own_repeat).collect();
                (self.signatures, own_repeats, said.rate.unwrap_or(frame_rate))
            }
        };
        Clip {
            place,
            facts,
            rate,
            signatures,
            digests: self.digests,
            marks: self.marks,
            own_repeats,
            order,
            view,
            ends: self.ends,
            mirrored: [false; 2],
            notes,
            again: None,
            cancel: Cancel::default(),
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
    /// One digest per frame.
    pub digests: &'a [Digest],
    /// Whether each frame has the digest of the one before.
    pub same_as_before: &'a [bool],
    /// Whether each frame shows another picture than the one before, where that is sure.
    pub moves: &'a [Option<bool>],
    /// Frames per second.
    pub delivered_rate: Rate,
    /// How its samples were coded.
    pub coding: Coding,
    /// Whether many of its frames are mixes of two pictures.
    pub mixes: bool,
    /// How the fields of each frame differ; needed where the clip is interlaced, may be empty elsewhere.
    pub differences: &'a [ParityDifference],
    /// How it is scanned.
    pub scan: &'a ScanDecision,
    /// What was kept of some frames to measure the picture by.
    pub kept: &'a [KeptFrame],
}

impl Clip {
    /// A clip whose fingerprints are at hand, in order.
    pub fn of_fingerprints<'a>(
        facts: CaptureFacts,
        fingerprints: impl IntoIterator<Item = &'a FrameFingerprint>,
    ) -> Self {
        let mut gathered = Gathered::default();
        fingerprints.into_iter().for_each(|fingerprint| gathered.push(fingerprint));
        gathered.clip((facts.name.clone(), facts, ViewSettings::default(), Vec::new()), Said::default())
    }

    /// The clip's pictures for alignment.
    fn film(&self) -> SignatureSequence<'_> {
        SignatureSequence {
            signatures: &self.signatures,
            same_as_before: &self.own_repeats,
            grid: grid(self.facts.shape, &self.view).mirrored(self.mirrored),
            visible: [true; CELLS],
            rate_hz: self.rate.hz(),
            mixes: false,
            lossy: false,
            moves: &[],
            differences: &[],
        }
    }

    /// Whether the clip's fields are placed one by one, so that those of the capture are needed.
    pub fn is_interlaced(&self) -> bool {
        self.order.is_some()
    }

    /// Aligns; where the capture shows another part of the picture, the clip is read once more with the cells of
    /// that part, because cells made from others are not exact.
    fn aligned(&self, film: &SignatureSequence<'_>, proof: &Proof) -> Result<Alignment> {
        let refused = |none: NoMatch| {
            Error::new(
                &self.place,
                "not the clip of this recording",
                none.evidence,
                "give the clip that was played, or audit without --reference",
            )
        };
        let mut aligned = alignment::align(film, &self.film(), proof).map_err(refused)?;
        let mut next = self.closer(film, &aligned).unwrap_or((aligned.geometry, aligned.levels));
        for _ in 0..READINGS_MAX {
            let (geometry, levels) = next;
            let Some(signatures) = self.seen_through(film, next) else { break };
            let clip = SignatureSequence {
                signatures: &signatures,
                grid: film.grid.clone(),
                visible: film.grid.visible_in(geometry),
                ..self.film()
            };
            let Ok(again) = alignment::align(film, &clip, proof) else { break };
            if again.error > BETTER_READING * aligned.error {
                break;
            }
            let settled = again.geometry == Geometry::SAME && again.levels.is_straight();
            let levels =
                if levels.is_straight() { again.levels } else { levels.then(again.levels, self.range()) };
            aligned = Alignment { geometry: geometry.then(again.geometry), levels, ..again };
            next = (aligned.geometry, aligned.levels);
            if settled {
                break;
            }
        }
        Ok(aligned)
    }

    /// Borders in parts of the clip's picture, or of the region looked at, as places in a plane of the frame.
    fn borders(&self, plane: FrameShape, [columns, rows]: [Vec<f64>; 2]) -> CellBorders {
        let FrameShape { width, height, .. } = self.facts.shape;
        let region = self.view.region.unwrap_or(Rect { x: 0, y: 0, width, height });
        // Planes of colour differences have fewer samples.
        let [across, down] = [(plane.width, width), (plane.height, height)]
            .map(|(samples, pixels)| f64::from(samples) / f64::from(pixels.max(1)));
        let along = |borders: Vec<f64>, (from, length): (u32, u32), samples: f64| {
            borders
                .into_iter()
                .map(|border| samples * (f64::from(from) + border * f64::from(length)))
                .collect()
        };
        CellBorders {
            columns: along(columns, (region.x, region.width), across),
            rows: along(rows, (region.y, region.height), down),
        }
    }

    /// Means of cells between borders in parts of the clip's picture, or of the region looked at, as it is turned over.
    fn means(&self, shape: FrameShape, samples: &[u8], borders: &[Vec<f64>; 2], lines: Lines) -> Vec<u16> {
        let turned = |borders: &[f64], turn: bool| -> Vec<f64> {
            if turn {
                borders.iter().rev().map(|border| 1.0 - border).collect()
            } else {
                borders.to_vec()
            }
        };
        let [across, down] = self.mirrored;
        let [columns, rows] = [turned(&borders[0], across), turned(&borders[1], down)];
        let across_count = columns.len() - 1;
        let mut cells = means(shape, samples, &self.borders(shape, [columns, rows]), lines);
        picture::turn(&mut cells, across_count, self.mirrored);
        cells
    }

    /// Geometry and levels by the detail of a few pictures, where more than rounding lies between clip and capture:
    /// detail within the cells of a signature shows shifts that signatures do not.
    fn closer(&self, film: &SignatureSequence<'_>, aligned: &Alignment) -> Option<(Geometry, Levels)> {
        // Rows that only one parity sees are not taken off fine cells: of fields these tell less than signatures do.
        if !alignment::is_error(aligned.error) || self.is_interlaced() {
            return None;
        }
        let stations = Stations::of(&aligned.places);
        let wanted = stations.wanted(self.signatures.len());
        let mut pictures = FinePictures::default();
        let even = |count: usize| (0..=count).map(|at| at as f64 / count as f64).collect();
        let borders = [even(FINE_COLUMNS), even(FINE_ROWS)];
        let (last, mut next) = (*wanted.last()?, wanted.into_iter().peekable());
        self.read_again(|unit, shape, samples, lines| {
            if next.next_if(|&wanted| wanted == unit).is_some() {
                pictures.pictures.insert(unit, self.means(shape, samples, &borders, lines));
            }
            unit < last
        })?;
        Some(pictures.geometry(film, &stations, aligned.geometry))
    }

    /// Reads the clip once more, unit by unit in order: `take` gets the number of a picture or field, the frame's shape
    /// and samples, and the lines that belong to it, and says whether to go on. `None` where it cannot be read.
    fn read_again(&self, mut take: impl FnMut(usize, FrameShape, &[u8], Lines) -> bool) -> Option<()> {
        let again = self.again.as_ref()?;
        let argument = CaptureArg::Path(again.path.clone());
        let mut source = capture::sniff(&argument, &self.cancel).ok()?.open(&again.settings).ok()?;
        let shape = source.facts().shape;
        let mut samples = Vec::new();
        for frame in 0.. {
            if self.cancel.is_cancelled() || !matches!(source.read_frame(&mut samples), Ok(Some(_))) {
                break;
            }
            let goes_on = match &self.order {
                None => take(frame, shape, &samples, Lines::All),
                Some(order) => {
                    let first = usize::from(!order.top_first(frame));
                    let mut field =
                        |at: usize, row| take(2 * frame + at, shape, &samples, Lines::EverySecond(row));
                    field(0, first) && field(1, 1 - first)
                }
            };
            if !goes_on {
                break;
            }
        }
        source.finish();
        Some(())
    }

    /// Whether reading it once more may have been ended from outside: then frames are placed less finely.
    pub fn was_cancelled(&self) -> bool {
        self.cancel.is_cancelled()
    }

    /// Darkest and brightest cell, code values at 8 bit.
    fn range(&self) -> (f64, f64) {
        let cells = || self.signatures.iter().flatten().map(|&cell| f64::from(cell) / f64::from(FIXED_POINT));
        (cells().fold(f64::INFINITY, f64::min), cells().fold(0.0, f64::max))
    }

    /// Signatures of the part of the clip's pictures that a capture shows, in the capture's cells and, where these are a
    /// curve, with its levels; `None` where it shows the whole as it is, or the clip cannot be read once more as it was.
    fn seen_through(
        &self,
        film: &SignatureSequence<'_>,
        (geometry, levels): (Geometry, Levels),
    ) -> Option<Vec<Signature>> {
        let differs = geometry != Geometry::SAME || !levels.is_straight();
        let shape = self.facts.shape;
        let borders = film.grid.borders_in(geometry);
        let table = (!levels.is_straight()).then(|| levels.table(shape.pixel_format.bit_depth));
        let mut signatures = Vec::with_capacity(self.signatures.len());
        let mut reread = || {
            self.read_again(|_, shape, samples, lines| {
                let cells = match &table {
                    None => self.means(shape, samples, &borders, lines),
                    Some(table) => {
                        let (shape, samples) = curved(shape, samples, table);
                        self.means(shape, &samples, &borders, lines)
                    }
                };
                signatures.push(std::array::from_fn(|cell| cells.get(cell).copied().unwrap_or(0)));
                signatures.len() < self.signatures.len()
            })
        };
        differs.then(&mut reread).flatten()?;
        if self.is_interlaced() {
            level_parities(&mut signatures, &self.own_repeats);
        }
        (signatures.len() == self.signatures.len()).then_some(signatures)
    }

    /// The track of a capture whose marks are those of this clip: numbers that can be read decide.
    pub fn marked_track(&self, marks: &[Option<MarkReading>], frames: usize) -> Option<SourceTrack> {
        let own = alignment::marks::track(&self.marks, self.digests.len())?;
        alignment::marks::track(marks, frames).filter(|track| track.clip_name == own.clip_name)
    }

    /// Lays a capture along the clip.
    ///
    /// # Errors
    /// The capture does not show the clip.
    pub fn track(&self, recording: Recording<'_>) -> Result<(SourceTrack, PictureFacts)> {
        let turned;
        let (clip, aligned) = match self.aligned_frames(&recording) {
            Ok(aligned) => (self, aligned),
            Err(refused) => {
                let (clip, aligned) = self.aligned_turned(&recording).ok_or(refused)?;
                turned = clip;
                (&turned, aligned)
            }
        };
        let measures = clip.measures(&recording, &aligned);
        let shape = self.facts.shape;
        let facts = PictureFacts {
            mirrored: clip.mirrored,
            measures: measures.map(written),
            rows: rows_written(recording.kept),
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
            unit: if self.is_interlaced() { SourceUnit::Field } else { SourceUnit::Picture },
            clip_name: self.facts.name.clone(),
            clip_rate: self.rate,
            clip_length: Some(self.signatures.len() as u64),
            first_field: self.order.as_ref().and_then(FieldOrder::first_field),
            places: aligned.places,
        };
        Ok((track, facts))
    }

    /// The clip turned over as the capture shows it, where it does.
    fn aligned_turned(&self, recording: &Recording<'_>) -> Option<(Self, Alignment)> {
        if self.is_interlaced() || self.again.is_none() {
            return None;
        }
        [[true, false], [false, true], [true, true]].into_iter().find_map(|mirrored| {
            let turned = self.turned(mirrored);
            let aligned = turned.aligned_frames(recording).ok()?;
            Some((turned, aligned))
        })
    }

    /// The clip with its pictures turned over.
    fn turned(&self, mirrored: [bool; 2]) -> Self {
        let mut turned = Self { mirrored, digests: Vec::new(), ..self.clone() };
        turned
            .signatures
            .iter_mut()
            .for_each(|signature| picture::turn(signature, SIGNATURE_COLUMNS, mirrored));
        turned
    }

    /// What became of the picture, by a few frames and the pictures of the clip that they show; `None` where the clip cannot
    /// be read once more, or too little of it shows.
    fn measures(&self, recording: &Recording<'_>, aligned: &Alignment) -> Option<Measures> {
        if aligned.is_proven {
            return Some(Measures::unchanged(recording.signatures.len() as u64));
        }
        let frames = Shows::of(recording.kept, &aligned.places);
        let mut wanted: Vec<usize> = frames.iter().flat_map(Shows::units).collect();
        wanted.sort_unstable();
        wanted.dedup();
        let capture_grid = grid(recording.shape, recording.view);
        let pictures = ClipPictures {
            details: self.details(&wanted)?,
            warp: Warp::new(&self.film().grid, &capture_grid, aligned.geometry),
            clip: self,
        };
        let looked = Looked {
            shape: recording.shape,
            view: recording.view,
            signatures: recording.signatures,
            frames: &frames,
        };
        picture::measure(&looked.comparison(&pictures), aligned.geometry)
    }

    /// Pictures or fields of the clip in small cells, by their numbers; these are rising. `None` where it cannot be read.
    fn details(&self, wanted: &[usize]) -> Option<BTreeMap<usize, Detail>> {
        let last = *wanted.last()?;
        let mut next = wanted.iter().copied().peekable();
        let mut details = BTreeMap::new();
        self.read_again(|unit, shape, samples, lines| {
            if next.next_if(|&wanted| wanted == unit).is_some() {
                let means = |plane: FrameShape, samples: &[u8], borders: &[Vec<f64>; 2]| {
                    self.means(plane, samples, borders, lines)
                };
                details.insert(unit, detail(shape, samples, means));
            }
            unit < last
        })?;
        Some(details)
    }

    /// Aligns frames; those of two fields field by field, where the clip has fields.
    fn aligned_frames(&self, recording: &Recording<'_>) -> Result<Alignment> {
        let film = SignatureSequence {
            signatures: recording.signatures,
            same_as_before: recording.same_as_before,
            grid: grid(recording.shape, recording.view),
            visible: visible(recording.shape, recording.view),
            rate_hz: recording.delivered_rate.hz(),
            mixes: recording.mixes,
            lossy: recording.coding == Coding::Lossy,
            moves: if recording.mixes { &[] } else { recording.moves },
            differences: if self.is_interlaced() { recording.differences } else { &[] },
        };
        let visible = film.visible.iter().filter(|&&visible| visible).count();
        if visible < VISIBLE_MIN {
            let cause = format!(
                "--exclude leaves {visible} of {CELLS} parts of the picture whole; a comparison needs {VISIBLE_MIN}"
            );
            let hint = "leave out less, or audit without --reference";
            return Err(Error::new(&self.place, "too little of the picture is left to compare", cause, hint));
        }
        let order = FieldOrder::of(recording.scan).filter(|_| self.is_interlaced());
        // Of pictures of another size digests say nothing.
        let same_size = recording.shape == self.facts.shape;
        let proof = if same_size { Proof::new(&self.digests, recording.digests) } else { Proof::default() };
        let Some(order) = order else {
            let proof = if self.is_interlaced() { Proof::default() } else { proof };
            return self.aligned(&film, &proof);
        };
        let same_order = self.order.as_ref().is_some_and(|own| own.first_field() == order.first_field());
        let proof = if same_order { proof.of_fields() } else { Proof::default() };
        let frames = WovenFrames { signatures: film.signatures, differences: film.differences };
        let mut fields = frames.fields(|frame| order.top_first(frame));
        level_parities(&mut fields, &[]);
        let fields = SignatureSequence {
            signatures: &fields,
            same_as_before: &[],
            rate_hz: 2.0 * film.rate_hz,
            moves: &[],
            differences: &[],
            ..film
        };
        let aligned = self.aligned(&fields, &proof)?;
        let places = aligned.places.chunks_exact(2).map(|pair| woven([pair[0], pair[1]])).collect();
        Ok(Alignment { places, ..aligned })
    }
}

/// A picture or field in small cells; `means` gives those of a plane between borders in parts of the picture.
fn detail(
    shape: FrameShape,
    samples: &[u8],
    means: impl Fn(FrameShape, &[u8], &[Vec<f64>; 2]) -> Vec<u16>,
) -> Detail {
    let even = |(columns, rows): (usize, usize)| {
        [columns, rows].map(|count| (0..=count).map(|at| at as f64 / count as f64).collect::<Vec<f64>>())
    };
    let luma = means(shape, samples, &even(picture::LUMA_CELLS));
    let mut detail = Detail { luma, ..Detail::default() };
    if let Family::Yuv { .. } = shape.pixel_format.family {
        for (cells, plane) in detail.chroma.iter_mut().zip(shape.planes().skip(1)) {
            let pixel_format = PixelFormat { family: Family::Gray, ..shape.pixel_format };
            let (width, height) = (plane.width as u32, plane.height as u32);
            let own = FrameShape { width, height, pixel_format };
            *cells = means(own, &samples[plane.offset..], &even(picture::CHROMA_CELLS));
        }
    }
    detail
}

/// Where pictures of a clip come from.
trait Pictures {
    /// Whether they have luma, colour differences or green.
    fn format(&self) -> PixelFormat;
    /// One of them in small cells.
    fn detail(&self, unit: usize) -> Option<&Detail>;
    /// By how much each cell of the capture changes from this picture to the next, code values.
    fn motion(&self, unit: usize) -> [f32; CELLS];
    /// What lies at the ends of its range.
    fn ends(&self, unit: usize) -> Option<LumaEnds>;
}

/// Pictures of a clip that was read.
struct ClipPictures<'a> {
    clip: &'a Clip,
    details: BTreeMap<usize, Detail>,
    warp: Warp,
}

impl Pictures for ClipPictures<'_> {
    fn format(&self) -> PixelFormat {
        self.clip.facts.shape.pixel_format
    }

    fn detail(&self, unit: usize) -> Option<&Detail> {
        self.details.get(&unit)
    }

    fn motion(&self, unit: usize) -> [f32; CELLS] {
        let signatures = &self.clip.signatures;
        let last = signatures.len() - 1;
        let [before, after] = [unit.saturating_sub(1).min(last), (unit + 1).min(last)]
            .map(|unit| self.warp.apply(&signatures[unit]));
        std::array::from_fn(|cell| (after[cell] - before[cell]) / 2.0)
    }

    fn ends(&self, unit: usize) -> Option<LumaEnds> {
        let units_per_frame = if self.clip.is_interlaced() { 2 } else { 1 };
        self.clip.ends.get(unit / units_per_frame).copied()
    }
}

/// Pictures of the test clip, painted again.
struct PaintedPictures {
    format: PixelFormat,
    details: BTreeMap<usize, Detail>,
    motions: BTreeMap<usize, [f32; CELLS]>,
    ends: LumaEnds,
}

impl Pictures for PaintedPictures {
    fn format(&self) -> PixelFormat {
        self.format
    }

    fn detail(&self, unit: usize) -> Option<&Detail> {
        self.details.get(&unit)
    }

    fn motion(&self, unit: usize) -> [f32; CELLS] {
        self.motions.get(&unit).copied().unwrap_or([0.0; CELLS])
    }

    fn ends(&self, _: usize) -> Option<LumaEnds> {
        Some(self.ends)
    }
}

/// A capture of the test clip whose marks were read.
#[derive(Clone, Copy)]
pub struct Marked<'a> {
    /// What the marks say of the clip.
    pub clip: ClipIdentity,
    /// Where each frame lies in it.
    pub places: &'a [SourcePlace],
    /// What was kept of some frames.
    pub kept: &'a [KeptFrame],
    /// One signature per frame.
    pub signatures: &'a [Signature],
    /// Size and format of the frames.
    pub shape: FrameShape,
    /// The part of the picture that was looked at.
    pub view: &'a ViewSettings,
}

impl Marked<'_> {
    /// What became of the picture, by painting the clip's pictures again; `None` for a clip of the first version, where only a
    /// part of the picture was looked at, and where too little of it shows.
    pub fn picture(self) -> Option<PictureFacts> {
        if self.view.region.is_some() {
            return None;
        }
        let mut painter = ClipPainter::new(&ClipSettings::of_identity(self.clip)?).ok()?;
        let clip = painter.shape();
        let mut frames = Shows::of(self.kept, self.places);
        let turned = frames.iter().find_map(|frame| frame.kept.chart)?.turned;
        frames.retain(|frame| frame.kept.chart.is_some_and(|chart| chart.turned == turned));
        let start = self.geometry(&frames, clip)?;
        let pictures = self.painted(&mut painter, &frames, (start, turned));
        let looked =
            Looked { shape: self.shape, view: self.view, signatures: self.signatures, frames: &frames };
        let measures = written(picture::measure(&looked.comparison(&pictures), start)?);
        let [left, right, top, bottom] = measures.edges.map(|edge| edge.value);
        let levels = measures.levels.map_or(Levels::SAME, |levels| {
            let gain = (levels.white.value - levels.black.value) / (picture::WHITE - picture::BLACK);
            let offset = levels.black.value - gain * picture::BLACK;
            Levels { gain: millionths(gain), offset: millionths(offset), ..Levels::SAME }
        });
        Some(PictureFacts {
            clip_size: (clip.width, clip.height),
            geometry: Geometry {
                scale: [1.0 - left - right, 1.0 - top - bottom].map(millionths),
                offset: [left, top],
            },
            levels,
            error: measures.error,
            cells: CELLS,
            explained: None,
            mirrored: turned,
            measures: Some(measures),
            rows: rows_written(self.kept),
        })
    }

    /// The pictures that frames show, painted and turned over as they are.
    fn painted(
        self,
        painter: &mut ClipPainter,
        frames: &[Shows<'_>],
        (start, turned): (Geometry, [bool; 2]),
    ) -> PaintedPictures {
        let shape = painter.shape();
        let plan = ViewPlan::new(shape, &ViewSettings::default());
        let mut pictures = PaintedPictures {
            format: shape.pixel_format,
            details: BTreeMap::new(),
            motions: BTreeMap::new(),
            ends: LumaEnds::of(&plan, painter.paint_whole(0)),
        };
        let borders = grid(self.shape, self.view).borders_in(start);
        let mut of = |unit: usize| {
            let means = |plane: FrameShape, samples: &[u8], [columns, rows]: &[Vec<f64>; 2]| {
                let along = |borders: &[f64], length: u32| {
                    borders.iter().map(|border| border * f64::from(length)).collect()
                };
                let borders =
                    CellBorders { columns: along(columns, plane.width), rows: along(rows, plane.height) };
                means(plane, samples, &borders, Lines::All)
            };
            detail(shape, painter.paint_whole(unit as u64), means).mirrored(turned)
        };
        for unit in frames.iter().flat_map(Shows::units).collect::<BTreeSet<_>>() {
            let (own, next) = (of(unit), of(unit + 1));
            let [from, to] = [&own, &next].map(|detail| picture::cells(detail, &borders));
            pictures.motions.insert(unit, std::array::from_fn(|cell| (to[cell] - from[cell]) as f32));
            pictures.details.insert(unit, own);
        }
        pictures
    }

    /// Where the capture lies in the clip by the places of its marks: the middle ones of all frames.
    fn geometry(self, frames: &[Shows<'_>], clip: FrameShape) -> Option<Geometry> {
        let ((left, top), cell) = chart::ribbon(clip.width as usize, clip.height as usize);
        let painted = [
            (left, cell.0 * COLUMNS, clip.width, self.shape.width),
            (top, cell.1 * ROWS, clip.height, self.shape.height),
        ];
        let middle = |of: usize| {
            let mut values: Vec<u16> =
                frames.iter().filter_map(|frame| frame.kept.chart).map(|chart| chart.ribbon[of]).collect();
            values.sort_unstable();
            let value = *values.get(values.len() / 2)?;
            Some(f64::from(value) / f64::from(ChartReading::STEPS_PER_PIXEL))
        };
        let mut geometry = Geometry::SAME;
        for (axis, (from, length, clip, capture)) in painted.into_iter().enumerate() {
            let (found_from, found_length) = (middle(axis)?, middle(axis + 2)?);
            // Pixels of the clip per pixel of the capture.
            let pixels = length as f64 / found_length.max(1.0);
            geometry.scale[axis] = pixels * f64::from(capture) / f64::from(clip);
            geometry.offset[axis] = (from as f64 - found_from * pixels) / f64::from(clip);
        }
        Some(geometry)
    }
}

/// What is left of the test clip's rows, rounded to what is written.
fn rows_written(kept: &[KeptFrame]) -> Option<RowMeasures> {
    let one = |measured: Option<Measured>| {
        measured
            .map(|Measured { value, error }| Measured { value: millionths(value), error: millionths(error) })
    };
    RowMeasures::of(kept).map(|rows| RowMeasures {
        still: one(rows.still),
        moving: one(rows.moving),
        step: one(rows.step),
    })
}

/// Frames of a capture that are compared with pictures of a clip.
struct Looked<'a> {
    shape: FrameShape,
    view: &'a ViewSettings,
    signatures: &'a [Signature],
    frames: &'a [Shows<'a>],
}

impl<'a> Looked<'a> {
    fn comparison(&self, pictures: &'a impl Pictures) -> Comparison<'a> {
        let region = self.view.region;
        let FrameShape { width, height, pixel_format } = self.shape;
        let (width, height) = region.map_or((width, height), |region| (region.width, region.height));
        let formats = [pixel_format, pictures.format()];
        let has_chroma = formats.iter().all(|format| matches!(format.family, Family::Yuv { .. }));
        let has_green = formats.map(|format| format.family == Family::Gbr);
        // What is left out of the capture is not left out of the clip.
        let counts_ends = self.view.exclude.is_empty() && !has_green.contains(&true);
        let signatures = self.signatures;
        let station = |frame: &'a Shows<'a>| {
            let shown = |shown: Option<(usize, f64)>| match shown {
                Some((unit, weight)) => pictures.detail(unit).map(|detail| Some((detail, weight))),
                None => Some(None),
            };
            let first = frame.shown[0].map_or(0, |(unit, _)| unit);
            Some(picture::Station {
                luma: signatures.get(frame.kept.frame)?,
                chroma: has_chroma.then_some(&frame.kept.chroma),
                shown: [shown(frame.shown[0])?, shown(frame.shown[1])?],
                motion: pictures.motion(first),
                ends: pictures.ends(first).filter(|_| counts_ends).map(|ends| [frame.kept.ends, ends]),
            })
        };
        let chroma_plane = self.shape.planes().nth(1).filter(|_| has_chroma);
        Comparison {
            stations: self.frames.iter().filter_map(station).collect(),
            luma_grid: grid(self.shape, self.view),
            chroma_size: chroma_plane.map(|plane| match region {
                Some(_) => (width as usize, height as usize),
                None => (plane.width, plane.height),
            }),
            visible: visible(self.shape, self.view),
            capture_size: [f64::from(width), f64::from(height)],
            has_luma: has_green[0] == has_green[1],
        }
    }
}

/// Frames that the picture is measured by at most: many more would say the same again. Choice.
const MEASURED_FRAMES: usize = 32;

/// A frame and the pictures of the clip that it shows, with their weights.
struct Shows<'a> {
    kept: &'a KeptFrame,
    shown: [Option<(usize, f64)>; 2],
}

impl<'a> Shows<'a> {
    /// Some frames whose places are known, evenly spread.
    fn of(kept: &'a [KeptFrame], places: &[SourcePlace]) -> Vec<Self> {
        let of = |kept: &'a KeptFrame| {
            let one = |unit: u32, weight: f64| Some((unit as usize, weight));
            let shown = match *places.get(kept.frame)? {
                SourcePlace::Unknown => return None,
                SourcePlace::Picture(picture) => [one(picture, 1.0), None],
                SourcePlace::Mix { first, second, weight } => {
                    [one(first, 1.0 - f64::from(weight)), one(second, f64::from(weight))]
                }
                SourcePlace::Woven { first, second } => [one(first, 0.5), one(second, 0.5)],
                SourcePlace::Ambiguous { first, last } => [one(first.midpoint(last), 1.0), None],
            };
            Some(Self { kept, shown })
        };
        let known: Vec<Self> = kept.iter().filter_map(of).collect();
        let every = known.len().div_ceil(MEASURED_FRAMES).max(1);
        known.into_iter().step_by(every).collect()
    }

    fn units(&self) -> impl Iterator<Item = usize> + '_ {
        self.shown.iter().flatten().map(|&(unit, _)| unit)
    }
}

/// Measures rounded to what is written.
fn written(measures: Measures) -> Measures {
    let one = |Measured { value, error }| Measured { value: millionths(value), error: millionths(error) };
    Measures {
        edges: measures.edges.map(one),
        levels: measures.levels.map(|levels| picture::LevelMeasures {
            black: one(levels.black),
            white: one(levels.white),
            gamma: levels.gamma.map(one),
            beyond: levels.beyond.map(|ends| {
                ends.map(|end| picture::Beyond {
                    clip: one(end.clip),
                    capture: one(end.capture),
                    cut: one(end.cut),
                })
            }),
        }),
        chroma: measures
            .chroma
            .map(|chroma| picture::Chroma { matrix: chroma.matrix.map(one), shift: chroma.shift.map(one) }),
        error: millionths(measures.error),
        ..measures
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

/// Which cells hold nothing that is left out.
fn visible(shape: FrameShape, view: &ViewSettings) -> [bool; CELLS] {
    let FrameShape { width, height, .. } = shape;
    let region = view.region.unwrap_or(Rect { x: 0, y: 0, width, height });
    let [columns, rows] = grid(shape, view).borders_in(Geometry::SAME);
    let along = |borders: &[f64], cell: usize, from: u32, length: u32| {
        [cell, cell + 1].map(|at| f64::from(from) + borders[at] * f64::from(length))
    };
    std::array::from_fn(|cell| {
        let [left, right] = along(&columns, cell % SIGNATURE_COLUMNS, region.x, region.width);
        let [top, bottom] = along(&rows, cell / SIGNATURE_COLUMNS, region.y, region.height);
        let touches = |rect: &Rect| {
            let (x, y) = (f64::from(rect.x), f64::from(rect.y));
            x < right && left < x + f64::from(rect.width) && y < bottom && top < y + f64::from(rect.height)
        };
        !view.exclude.iter().any(touches)
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn cells_that_something_is_left_out_of_do_not_count() {
        let pixel_format = PixelFormat { family: Family::Gray, bit_depth: 8 };
        let shape = FrameShape { width: 1200, height: 800, pixel_format };
        let rect = |x, y, width, height| Rect { x, y, width, height };
        let hidden = |region: Option<Rect>, exclude: Vec<Rect>| {
            let visible = visible(shape, &ViewSettings { region, exclude });
            (0..CELLS).filter(|&cell| !visible[cell]).collect::<Vec<_>>()
        };
        // Cells of 100 pixels: the second and third of the first row.
        assert_eq!(hidden(None, vec![rect(150, 20, 60, 40)]), [1, 2]);
        // Of the lower right quarter cells are half as large.
        let quarter = Some(rect(600, 400, 600, 400));
        assert_eq!(hidden(quarter, vec![rect(0, 0, 700, 500)]), [0, 1, 12, 13]);
        assert_eq!(hidden(None, Vec::new()), [] as [usize; 0]);
    }
}
