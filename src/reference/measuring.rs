//! What became of the picture: frames of a capture beside the pictures of the clip that they show.

use std::collections::{BTreeMap, BTreeSet};

use crate::alignment::picture::{self, Comparison, Detail, KeptFrame, Measured, Measures, RowMeasures};
use crate::alignment::{Geometry, Levels, Signature, SourcePlace, Warp, CELLS};
use crate::clip_code::{COLUMNS, ROWS};
use crate::fingerprint::cells::{means, CellBorders, Lines};
use crate::fingerprint::marks::{chart, ClipIdentity};
use crate::fingerprint::{ChartReading, LumaEnds, ViewPlan};
use crate::frame::{CodeRange, Family, FrameShape, PixelFormat};
use crate::settings::ViewSettings;
use crate::testclip::{ClipPainter, ClipSettings};

use super::{grid, visible, Clip, PictureFacts};

/// A picture or field in small cells; `means` gives those of a plane between borders in parts of the picture.
pub(super) fn detail(
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
pub(super) trait Pictures {
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
pub(super) struct ClipPictures<'a> {
    pub clip: &'a Clip,
    pub details: BTreeMap<usize, Detail>,
    pub warp: Warp,
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
    /// The range that code values are said to have.
    pub range: CodeRange,
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
        let measures = picture::measure(&looked.comparison(&pictures), start)?;
        let measures = written(measures.as_stated([CodeRange::Limited, self.range]));
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
pub(super) fn rows_written(kept: &[KeptFrame]) -> Option<RowMeasures> {
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
pub(super) struct Looked<'a> {
    pub shape: FrameShape,
    pub view: &'a ViewSettings,
    pub signatures: &'a [Signature],
    pub frames: &'a [Shows<'a>],
}

impl<'a> Looked<'a> {
    pub(super) fn comparison(&self, pictures: &'a impl Pictures) -> Comparison<'a> {
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
pub(super) struct Shows<'a> {
    kept: &'a KeptFrame,
    shown: [Option<(usize, f64)>; 2],
}

impl<'a> Shows<'a> {
    /// Some frames whose places are known, evenly spread.
    pub(super) fn of(kept: &'a [KeptFrame], places: &[SourcePlace]) -> Vec<Self> {
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

    pub(super) fn units(&self) -> impl Iterator<Item = usize> + '_ {
        self.shown.iter().flatten().map(|&(unit, _)| unit)
    }
}

/// Measures rounded to what is written.
pub(super) fn written(measures: Measures) -> Measures {
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
pub(super) fn millionths(value: f64) -> f64 {
    (value * 1e6).round() / 1e6
}
