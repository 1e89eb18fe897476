//! What is known of the clip: the object `source` of `audit.json`, and the same in words.

use serde::{Deserialize, Serialize};

use super::text::{clock_text, grouped};
use crate::audit::{Audit, Source};
use crate::fields::Parity;
use crate::reference::PictureFacts;
use crate::source::{Counts, Geometry, Levels, SourceOrigin, SourceSummary, SourceTrack, SourceUnit};
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
}

/// How a capture lies over the clip, pixels of the capture.
struct Placement {
    /// How far the middle of the clip's picture lies right of and below the middle of the capture's.
    shift: [f64; 2],
    /// How much wider and higher the clip's picture is than the capture's.
    stretch: [f64; 2],
}

impl Placement {
    fn new(geometry: Geometry, width: u32, height: u32) -> Self {
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
            clip_start_s: super::json::optional(summary.clip_start_s, SECONDS_DECIMALS),
            drift_ppm: super::json::optional(summary.drift.map(|drift| drift.ppm), PPM_DECIMALS),
            drift_error_ppm: super::json::optional(summary.drift.map(|drift| drift.error_ppm), PPM_DECIMALS),
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
        });
        Some((track, facts))
    }
}

fn picture_row(picture: &PictureFacts, audit: &Audit) -> PictureRow {
    let shape = audit.facts.shape;
    let placement = Placement::new(picture.geometry, shape.width, shape.height);
    let pixels = |value| super::json::rounded(value, PIXEL_DECIMALS);
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

/// What indices count, for reading.
pub(super) fn units(unit: SourceUnit) -> &'static str {
    match unit {
        SourceUnit::Picture => "pictures",
        SourceUnit::Field => "fields",
    }
}

/// Names and values for reading.
pub(super) fn rows(audit: &Audit, source: &Source) -> Vec<(&'static str, String)> {
    let Source { track, summary, picture } = source;
    let pictures = units(track.unit);
    let length =
        track.clip_length.map_or_else(String::new, |length| format!(", {} {pictures}", grouped(length)));
    let told = match track.origin {
        SourceOrigin::Reference => "by the clip itself",
        SourceOrigin::Marks => "by the numbers its pictures carry",
    };
    let mut rows = vec![
        ("Clip", format!("{}, {} {pictures}/s{length}, recognised {told}", track.clip_name, track.clip_rate)),
        (
            "First and last that appeared",
            match (summary.first, summary.last) {
                (Some(first), Some(last)) => {
                    format!("{} to {}", grouped(u64::from(first)), grouped(u64::from(last)))
                }
                _ => "none".to_owned(),
            },
        ),
        ("Appeared", format!("{} of {}", grouped(summary.counts.shown), grouped(summary.pictures()))),
        ("Appeared only within mixes", grouped(summary.counts.only_mixed)),
        ("Cannot be told from others that look alike", grouped(summary.counts.ambiguous)),
        ("Never appeared", never_text(summary)),
        ("Frames that show nothing of the clip", grouped(summary.unknown_frames)),
    ];
    for (name, counts) in ["First fields of its frames", "Second fields"]
        .into_iter()
        .zip(summary.by_field.into_iter().flatten())
    {
        rows.push((name, fields_text(counts)));
    }
    if let Some(start) = summary.clip_start_s {
        let sign = if start < 0.0 { "−" } else { "" };
        rows.push((
            "The clip’s beginning in the recording’s time",
            format!("{sign}{}", clock_text(start.abs())),
        ));
    }
    if let Some(drift) = summary.drift {
        let text = format!("{:+.2} ± {:.2} ppm (positive: the device is slow)", drift.ppm, drift.error_ppm);
        rows.push(("Device’s clock against the clip’s", text));
    }
    if let Some(picture) = picture {
        rows.extend(picture_rows(audit, picture));
    }
    rows
}

/// How the fields of one place in their frames appeared.
fn fields_text(counts: Counts) -> String {
    format!(
        "{} of {} appeared, {} only within mixes, {} cannot be told, {} never appeared",
        grouped(counts.shown),
        grouped(counts.total()),
        grouped(counts.only_mixed),
        grouped(counts.ambiguous),
        grouped(counts.never_shown)
    )
}

/// How many never appeared, with the first ranges.
fn never_text(summary: &SourceSummary) -> String {
    const NAMED_MAX: usize = 6;
    let ranges = summary.never_shown_ranges.iter().take(NAMED_MAX).map(|&(first, last)| {
        if first == last {
            first.to_string()
        } else {
            format!("{first}–{last}")
        }
    });
    let named = ranges.collect::<Vec<_>>().join(", ");
    let more = if summary.never_shown_ranges.len() > NAMED_MAX { ", …" } else { "" };
    match summary.counts.never_shown {
        0 => "0".to_owned(),
        count => format!("{}: {named}{more}", grouped(count)),
    }
}

fn picture_rows(audit: &Audit, picture: &PictureFacts) -> Vec<(&'static str, String)> {
    let shape = audit.facts.shape;
    let placement = Placement::new(picture.geometry, shape.width, shape.height);
    let shown = picture.geometry.scale.map(|scale| 100.0 * scale);
    let levels = picture.levels;
    vec![
        (
            "Picture against the clip’s",
            format!(
                "{}×{} px from {}×{} px, {:.1} % of its width and {:.1} % of its height; shifted {:+.1}, {:+.1} px, \
                 stretched {:+.1}, {:+.1} px",
                shape.width,
                shape.height,
                picture.clip_size.0,
                picture.clip_size.1,
                shown[0],
                shown[1],
                placement.shift[0],
                placement.shift[1],
                placement.stretch[0],
                placement.stretch[1]
            ),
        ),
        (
            "Levels against the clip’s",
            format!(
                "gain {:.3}, offset {:+.1}, middle {:+.1} code values: {}",
                levels.gain,
                levels.offset,
                levels.bend,
                levels_text(levels)
            ),
        ),
        (
            "What the comparison rests on",
            format!(
                "{} of {} cells, typical error {:.2} code values{}",
                picture.cells,
                PictureFacts::CELLS,
                picture.error,
                picture.explained.map_or_else(String::new, |share| format!(
                    ", {:.1} % of the changes accounted for",
                    100.0 * share
                ))
            ),
        ),
    ]
}

/// Levels are those of a change of range within this, code values at both ends of the range.
const RANGE_WITHIN: f64 = 4.0;

/// What gain and offset mean.
fn levels_text(levels: Levels) -> &'static str {
    let straight = Levels { bend: 0.0, skew: 0.0, ..levels };
    if straight.is_near(Levels::SAME, RANGE_WITHIN) {
        "as in the clip"
    } else if straight.is_near(Levels::TO_FULL, RANGE_WITHIN) {
        "stretched from limited (16–235) to full range (0–255)"
    } else if straight.is_near(Levels::TO_LIMITED, RANGE_WITHIN) {
        "squeezed from full (0–255) to limited range (16–235)"
    } else {
        "other than in the clip"
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn ranges_are_named_by_their_published_levels() {
        // ITU-R BT.601: 8 bit luma from 16 to 235; full range from 0 to 255.
        let levels = |gain, offset| Levels { gain, offset, bend: 0.0, skew: 0.0 };
        for (found, text) in [
            (levels(1.0, 0.0), "as in the clip"),
            (levels(1.1644, -18.63), "stretched from limited (16–235) to full range (0–255)"),
            (levels(0.8588, 16.0), "squeezed from full (0–255) to limited range (16–235)"),
            (levels(0.7, 30.0), "other than in the clip"),
        ] {
            assert_eq!(levels_text(found), text);
        }
    }

    #[test]
    fn a_crop_is_a_stretch_and_a_shift_in_pixels_of_the_capture() {
        // The capture shows columns 96 to 1824 of 1920: 1728 of them on 1920 pixels, 1920·1920/1728 in all.
        let geometry = Geometry { scale: [0.9, 1.0], offset: [0.05, 0.0] };
        let placement = Placement::new(geometry, 1920, 1080);
        assert!((placement.stretch[0] - 1920.0 / 9.0).abs() < 1e-9);
        assert!(placement.shift[0].abs() < 1e-9 && placement.stretch[1] == 0.0);
        let moved = Geometry { scale: [1.0, 1.0], offset: [-6.0 / 1920.0, 0.0] };
        assert!((Placement::new(moved, 1920, 1080).shift[0] - 6.0).abs() < 1e-9);
    }
}
