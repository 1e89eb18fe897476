//! The clip that was played, read as a reference: its pictures as signatures, and the alignment of a capture with
//! them.

mod measuring;
mod reading;

pub use measuring::Marked;
pub use reading::{read, ClipReading};

use measuring::{detail, millionths, rows_written, written, ClipPictures, Looked, Shows};
use reading::{Again, Gathered, Said};

use std::collections::BTreeMap;

use crate::alignment::fields::{level_parities, woven, WovenFrames};
use crate::alignment::fine::{FinePictures, Stations, FINE_COLUMNS, FINE_ROWS};
use crate::alignment::picture::{self, Detail, KeptFrame, Measures, RowMeasures};
use crate::alignment::{
    self, Alignment, Geometry, Grid, Levels, NoMatch, Proof, Signature, SignatureSequence, SourceOrigin,
    SourceTrack, SourceUnit, Texture, Warp, CELLS,
};
use crate::cancel::Cancel;
use crate::capture::{self, CaptureArg, CaptureFacts};
use crate::error::{Error, Result};
use crate::fingerprint::cells::{curved, means, CellBorders, Lines};
use crate::fingerprint::texture::texture;
use crate::fingerprint::{
    Digest, FrameFingerprint, LumaEnds, MarkReading, ParityDifference, FIXED_POINT, SIGNATURE_COLUMNS,
};
use crate::frame::{CodeRange, Coding, FrameShape, Rect, Scan};
use crate::interlace::{self, Parity, ScanDecision};
use crate::note::{Note, NoteCode};
use crate::settings::ViewSettings;
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
    /// One texture per picture; empty for an interlaced clip.
    textures: Vec<Texture>,
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

/// The clip's pictures through the window that a capture shows.
#[derive(Default)]
struct Seen {
    signatures: Vec<Signature>,
    /// Empty where the capture has none.
    textures: Vec<Texture>,
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

/// What a capture brings to its alignment.
#[derive(Clone, Copy)]
pub struct Recording<'a> {
    /// Size of its pictures.
    pub shape: FrameShape,
    /// The part of them that was looked at.
    pub view: &'a ViewSettings,
    /// One signature per frame.
    pub signatures: &'a [Signature],
    /// One texture per frame; may be empty.
    pub textures: &'a [Texture],
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
    /// The range that its code values are said to have.
    pub range: CodeRange,
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
            textures: &self.textures,
            parts: parts(self.facts.shape, &self.view).filter(|_| !self.textures.is_empty()),
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
        let own = self.film();
        let mut aligned = alignment::align(film, &own, proof).map_err(refused)?;
        let mut next = self.closer(film, &aligned).unwrap_or((aligned.geometry, aligned.levels));
        let mut has_textures = film.parts == own.parts && aligned.geometry == Geometry::SAME;
        for _ in 0..READINGS_MAX {
            let (geometry, levels) = next;
            let shows_otherwise = geometry != Geometry::SAME || !levels.is_straight();
            if !shows_otherwise && has_textures {
                break;
            }
            let Some(seen) = self.seen_through(film, next) else { break };
            let clip = SignatureSequence {
                signatures: &seen.signatures,
                grid: film.grid.clone(),
                textures: &seen.textures,
                parts: film.parts.clone(),
                visible: film.grid.visible_in(geometry),
                ..self.film()
            };
            let Ok(again) = alignment::align(film, &clip, proof) else { break };
            let most = if has_textures { BETTER_READING } else { 1.0 };
            if again.error > most * aligned.error {
                break;
            }
            has_textures = true;
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

    /// The clip's pictures through the window that a capture shows, in the capture's cells and, where these are a curve,
    /// with its levels; `None` where the clip cannot be read once more as it was.
    fn seen_through(
        &self,
        film: &SignatureSequence<'_>,
        (geometry, levels): (Geometry, Levels),
    ) -> Option<Seen> {
        let shape = self.facts.shape;
        let borders = film.grid.borders_in(geometry);
        let parts =
            film.parts.as_ref().filter(|_| !self.is_interlaced()).map(|parts| parts.borders_in(geometry));
        let table = (!levels.is_straight()).then(|| levels.table(shape.pixel_format.bit_depth));
        let mut seen = Seen::default();
        self.read_again(|_, shape, samples, lines| {
            let curved = table.as_ref().map(|table| curved(shape, samples, table));
            let (shape, samples) =
                curved.as_ref().map_or((shape, samples), |(shape, samples)| (*shape, samples));
            let cells = self.means(shape, samples, &borders, lines);
            seen.signatures.push(std::array::from_fn(|cell| cells.get(cell).copied().unwrap_or(0)));
            if let Some(parts) = &parts {
                seen.textures.push(texture(&self.means(shape, samples, parts, lines)));
            }
            seen.signatures.len() < self.signatures.len()
        })?;
        if self.is_interlaced() {
            level_parities(&mut seen.signatures, &self.own_repeats);
        }
        (seen.signatures.len() == self.signatures.len()).then_some(seen)
    }

    /// The track of a capture whose marks are those of this clip: numbers that can be read decide.
    pub fn marked_track(&self, marks: &[Option<MarkReading>], frames: usize) -> Option<SourceTrack> {
        let own = alignment::marks::track(&self.marks, self.digests.len())?;
        alignment::marks::track(marks, frames).filter(|track| track.clip_name == own.clip_name)
    }

    /// That a capture's code values are said to have another range than the clip's.
    pub fn range_note(&self, capture: CodeRange) -> Option<Note> {
        let clip = self.facts.range;
        let name = |range: CodeRange| match range.is_full() {
            true => "full range, 0 to 255",
            false => "limited range, 16 to 235",
        };
        (clip.is_full() != capture.is_full()).then(|| {
            let [clip, capture] = [clip, capture].map(name);
            let text = format!(
                "The recording is marked as {capture}, the clip as {clip}: its levels are compared as the marks say, or \
                 as they are where that fits better."
            );
            Note::new(NoteCode::RangesDiffer, text)
        })
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
        let measures = measures.map(|measures| measures.as_stated([self.facts.range, recording.range]));
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
        let mut turned = Self { mirrored, digests: Vec::new(), textures: Vec::new(), ..self.clone() };
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
            textures: recording.textures,
            parts: parts(recording.shape, recording.view),
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
            textures: &[],
            parts: None,
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

/// The grid of the part of a picture that is looked at.
fn grid(shape: FrameShape, view: &ViewSettings) -> Grid {
    let (width, height) = looked_at(shape, view);
    Grid::new(width, height)
}

/// The grid of the parts of its cells, where it has a texture.
fn parts(shape: FrameShape, view: &ViewSettings) -> Option<Grid> {
    let (width, height) = looked_at(shape, view);
    Grid::of_parts(width, height)
}

/// Width and height of the part of a picture that is looked at, pixels.
fn looked_at(shape: FrameShape, view: &ViewSettings) -> (u32, u32) {
    view.region.map_or((shape.width, shape.height), |region| (region.width, region.height))
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
    use crate::frame::{Family, PixelFormat};

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
