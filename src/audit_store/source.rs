//! What is known of the clip: the object `source` of `audit.json`.

use serde::{Deserialize, Serialize};

use crate::alignment::picture::{Beyond, Chroma, LevelMeasures, Measured, Measures, RowMeasures};
use crate::alignment::{Counts, Geometry, Levels, SourceOrigin, SourceTrack, SourceUnit};
use crate::audit::Audit;
use crate::interlace::Parity;
use crate::reference::PictureFacts;
use crate::units::Rate;

/// Ranges of pictures that never appeared which are written out; the numbers count them all, and `frames.csv` has
/// the places of all frames.
pub const RANGES_MAX: usize = 1000;
/// Decimals of parts per million.
const PPM_DECIMALS: i32 = 3;
/// Decimals of seconds.
const SECONDS_DECIMALS: i32 = 6;
/// Decimals of pixels.
const PIXEL_DECIMALS: i32 = 2;

/// The object `source`.
#[derive(Deserialize, Serialize)]
pub(super) struct SourceRow {
    origin: String,
    unit: String,
    clip_name: String,
    clip_rate: RateRow,
    clip_pictures: Option<u64>,
    first: Option<u32>,
    last: Option<u32>,
    pictures: u64,
    shown: u64,
    only_mixed: u64,
    ambiguous: u64,
    never_shown: u64,
    never_shown_ranges: Vec<[u32; 2]>,
    unknown_frames: u64,
    ambiguous_frames: u64,
    clip_start_s: Option<f64>,
    drift_ppm: Option<f64>,
    drift_error_ppm: Option<f64>,
    by_field: Option<FieldsRow>,
    picture: Option<PictureRow>,
}

#[derive(Deserialize, Serialize)]
struct RateRow {
    num: u64,
    den: u64,
}

/// Counts of the first and the second fields of the clip's frames.
#[derive(Deserialize, Serialize)]
struct FieldsRow {
    first: FieldRow,
    second: FieldRow,
}

#[derive(Deserialize, Serialize)]
struct FieldRow {
    parity: Option<String>,
    fields: u64,
    shown: u64,
    only_mixed: u64,
    ambiguous: u64,
    never_shown: u64,
}

impl FieldsRow {
    fn of(track: &SourceTrack, [first, second]: [Counts; 2]) -> Self {
        let row = |counts: Counts, parity: Option<Parity>| FieldRow {
            parity: parity.map(|parity| parity.name().to_owned()),
            fields: counts.total(),
            shown: counts.shown,
            only_mixed: counts.only_mixed,
            ambiguous: counts.ambiguous,
            never_shown: counts.never_shown,
        };
        Self {
            first: row(first, track.first_field),
            second: row(second, track.first_field.map(Parity::other)),
        }
    }

    /// Parity of the first fields.
    fn first_parity(&self) -> Option<Parity> {
        self.first.parity.as_deref().and_then(Parity::from_name)
    }
}

#[derive(Deserialize, Serialize)]
struct PictureRow {
    clip_width_px: u32,
    clip_height_px: u32,
    scale_across: f64,
    scale_down: f64,
    offset_across: f64,
    offset_down: f64,
    shift_x_px: f64,
    shift_y_px: f64,
    stretch_x_px: f64,
    stretch_y_px: f64,
    gain: f64,
    level_offset: f64,
    bend: f64,
    skew: f64,
    error: f64,
    cells: usize,
    explained: Option<f64>,
    mirrored_across: bool,
    mirrored_down: bool,
    measured: Option<MeasuresRow>,
    rows: Option<RowsRow>,
}

/// What is left of the test clip's rows and slants, each number as itself and its standard error.
#[derive(Deserialize, Serialize)]
struct RowsRow {
    detail_still: Option<[f64; 2]>,
    detail_moving: Option<[f64; 2]>,
    step_rows: Option<[f64; 2]>,
}

/// What became of the picture, each number as itself and its standard error.
#[derive(Deserialize, Serialize)]
struct MeasuresRow {
    frames: u64,
    left: [f64; 2],
    right: [f64; 2],
    top: [f64; 2],
    bottom: [f64; 2],
    levels: Option<LevelsRow>,
    chroma: Option<ChromaRow>,
    error: f64,
}

#[derive(Deserialize, Serialize)]
struct LevelsRow {
    black: [f64; 2],
    white: [f64; 2],
    gamma: Option<[f64; 2]>,
    below_black: Option<BeyondRow>,
    above_white: Option<BeyondRow>,
}

#[derive(Deserialize, Serialize)]
struct BeyondRow {
    clip: [f64; 2],
    capture: [f64; 2],
    cut: [f64; 2],
}

#[derive(Deserialize, Serialize)]
struct ChromaRow {
    blue_of_blue: [f64; 2],
    blue_of_red: [f64; 2],
    red_of_blue: [f64; 2],
    red_of_red: [f64; 2],
    shift_x_px: [f64; 2],
    shift_y_px: [f64; 2],
}

fn pair(Measured { value, error }: Measured) -> [f64; 2] {
    [value, error]
}

fn unpaired([value, error]: [f64; 2]) -> Measured {
    Measured { value, error }
}

impl BeyondRow {
    fn of(Beyond { clip, capture, cut }: Beyond) -> Self {
        Self { clip: pair(clip), capture: pair(capture), cut: pair(cut) }
    }

    fn beyond(self) -> Beyond {
        let [clip, capture, cut] = [self.clip, self.capture, self.cut].map(unpaired);
        Beyond { clip, capture, cut }
    }
}

impl MeasuresRow {
    fn of(measures: Measures) -> Self {
        let [left, right, top, bottom] = measures.edges.map(pair);
        let levels = measures.levels.map(|levels| {
            let [below_black, above_white] =
                levels.beyond.map_or([None, None], |ends| ends.map(|end| Some(BeyondRow::of(end))));
            LevelsRow {
                black: pair(levels.black),
                white: pair(levels.white),
                gamma: levels.gamma.map(pair),
                below_black,
                above_white,
            }
        });
        let chroma = measures.chroma.map(|Chroma { matrix, shift }| {
            let [blue_of_blue, blue_of_red, red_of_blue, red_of_red] = matrix.map(pair);
            let [shift_x_px, shift_y_px] = shift.map(pair);
            ChromaRow { blue_of_blue, blue_of_red, red_of_blue, red_of_red, shift_x_px, shift_y_px }
        });
        Self { frames: measures.frames, left, right, top, bottom, levels, chroma, error: measures.error }
    }

    fn measures(self) -> Measures {
        let levels = self.levels.map(|row| LevelMeasures {
            black: unpaired(row.black),
            white: unpaired(row.white),
            gamma: row.gamma.map(unpaired),
            beyond: row.below_black.zip(row.above_white).map(|(low, high)| [low.beyond(), high.beyond()]),
        });
        let chroma = self.chroma.map(|row| Chroma {
            matrix: [row.blue_of_blue, row.blue_of_red, row.red_of_blue, row.red_of_red].map(unpaired),
            shift: [row.shift_x_px, row.shift_y_px].map(unpaired),
        });
        Measures {
            frames: self.frames,
            edges: [self.left, self.right, self.top, self.bottom].map(unpaired),
            levels,
            chroma,
            error: self.error,
        }
    }
}

/// How a capture lies over the clip, pixels of the capture.
pub(crate) struct Placement {
    /// How far the middle of the clip's picture lies right of and below the middle of the capture's.
    pub shift: [f64; 2],
    /// How much wider and higher the clip's picture is than the capture's.
    pub stretch: [f64; 2],
}

impl Placement {
    pub fn new(geometry: Geometry, width: u32, height: u32) -> Self {
        let size = [f64::from(width), f64::from(height)];
        let of = |axis: usize| (geometry.scale[axis], geometry.offset[axis], size[axis]);
        Self {
            shift: [0, 1].map(|axis| {
                let (scale, offset, size) = of(axis);
                ((0.5 - offset) / scale - 0.5) * size
            }),
            stretch: [0, 1].map(|axis| {
                let (scale, _, size) = of(axis);
                (1.0 / scale - 1.0) * size
            }),
        }
    }
}

impl SourceRow {
    /// The object of an audit, if it knows its clip.
    pub fn of(audit: &Audit) -> Option<Self> {
        let source = audit.source.as_ref()?;
        let (track, summary) = (&source.track, &source.summary);
        Some(Self {
            origin: origin_name(track.origin).to_owned(),
            unit: unit_name(track.unit).to_owned(),
            clip_name: track.clip_name.clone(),
            clip_rate: RateRow { num: track.clip_rate.num(), den: track.clip_rate.den() },
            clip_pictures: track.clip_length,
            first: summary.first,
            last: summary.last,
            pictures: summary.pictures(),
            shown: summary.counts.shown,
            only_mixed: summary.counts.only_mixed,
            ambiguous: summary.counts.ambiguous,
            never_shown: summary.counts.never_shown,
            never_shown_ranges: summary
                .never_shown_ranges
                .iter()
                .take(RANGES_MAX)
                .map(|&(first, last)| [first, last])
                .collect(),
            unknown_frames: summary.unknown_frames,
            ambiguous_frames: summary.ambiguous_frames,
            clip_start_s: super::values::optional(summary.clip_start_s, SECONDS_DECIMALS),
            drift_ppm: super::values::optional(summary.drift.map(|drift| drift.ppm), PPM_DECIMALS),
            drift_error_ppm: super::values::optional(
                summary.drift.map(|drift| drift.error_ppm),
                PPM_DECIMALS,
            ),
            by_field: summary.by_field.map(|counts| FieldsRow::of(track, counts)),
            picture: source.picture.as_ref().map(|picture| picture_row(picture, audit)),
        })
    }

    /// The track and what is known of the picture, without the places; `None` where something cannot be.
    pub fn track(self) -> Option<(SourceTrack, Option<PictureFacts>)> {
        let track = SourceTrack {
            origin: [SourceOrigin::Reference, SourceOrigin::Marks]
                .into_iter()
                .find(|&origin| origin_name(origin) == self.origin)?,
            unit: [SourceUnit::Picture, SourceUnit::Field]
                .into_iter()
                .find(|&unit| unit_name(unit) == self.unit)?,
            clip_name: self.clip_name,
            clip_rate: Rate::new(self.clip_rate.num, self.clip_rate.den)?,
            clip_length: self.clip_pictures,
            first_field: self.by_field.as_ref().and_then(FieldsRow::first_parity),
            places: Vec::new(),
        };
        let facts = self.picture.map(|row| PictureFacts {
            clip_size: (row.clip_width_px, row.clip_height_px),
            geometry: Geometry {
                scale: [row.scale_across, row.scale_down],
                offset: [row.offset_across, row.offset_down],
            },
            levels: Levels { gain: row.gain, offset: row.level_offset, bend: row.bend, skew: row.skew },
            error: row.error,
            cells: row.cells,
            explained: row.explained,
            mirrored: [row.mirrored_across, row.mirrored_down],
            measures: row.measured.map(MeasuresRow::measures),
            rows: row.rows.map(|rows| RowMeasures {
                still: rows.detail_still.map(unpaired),
                moving: rows.detail_moving.map(unpaired),
                step: rows.step_rows.map(unpaired),
            }),
        });
        Some((track, facts))
    }
}

fn picture_row(picture: &PictureFacts, audit: &Audit) -> PictureRow {
    let shape = audit.facts.shape;
    let placement = Placement::new(picture.geometry, shape.width, shape.height);
    let pixels = |value| super::values::rounded(value, PIXEL_DECIMALS);
    PictureRow {
        clip_width_px: picture.clip_size.0,
        clip_height_px: picture.clip_size.1,
        scale_across: picture.geometry.scale[0],
        scale_down: picture.geometry.scale[1],
        offset_across: picture.geometry.offset[0],
        offset_down: picture.geometry.offset[1],
        shift_x_px: pixels(placement.shift[0]),
        shift_y_px: pixels(placement.shift[1]),
        stretch_x_px: pixels(placement.stretch[0]),
        stretch_y_px: pixels(placement.stretch[1]),
        gain: picture.levels.gain,
        level_offset: picture.levels.offset,
        bend: picture.levels.bend,
        skew: picture.levels.skew,
        error: picture.error,
        cells: picture.cells,
        explained: picture.explained,
        mirrored_across: picture.mirrored[0],
        mirrored_down: picture.mirrored[1],
        measured: picture.measures.map(MeasuresRow::of),
        rows: picture.rows.map(|rows| RowsRow {
            detail_still: rows.still.map(pair),
            detail_moving: rows.moving.map(pair),
            step_rows: rows.step.map(pair),
        }),
    }
}

fn origin_name(origin: SourceOrigin) -> &'static str {
    match origin {
        SourceOrigin::Reference => "reference",
        SourceOrigin::Marks => "marks",
    }
}

fn unit_name(unit: SourceUnit) -> &'static str {
    match unit {
        SourceUnit::Picture => "picture",
        SourceUnit::Field => "field",
    }
}
