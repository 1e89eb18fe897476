//! What is known of the clip, in words.

use super::text::{clock_text, grouped};
use crate::alignment::picture::{Conversion, Measured, Measures, RowMeasures};
use crate::alignment::{Counts, Drift, Levels, SourceOrigin, SourceSummary, SourceUnit};
use crate::audit::{Audit, Source};
use crate::audit_store::Placement;
use crate::reference::PictureFacts;
use crate::units::{decimal, signed_decimal};

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
        let text = drift_text(drift);
        rows.push(("Device’s clock against the clip’s", text));
    }
    if let Some(picture) = picture {
        rows.extend(picture_rows(audit, picture));
    }
    rows
}

/// How the clocks compare, with the digits that are known: `1.3 ± 0.2 ppm slow`, `no difference, ± 0.01 ppm`.
fn drift_text(drift: Drift) -> String {
    /// Standard errors from none that make a difference.
    const ERRORS: f64 = 3.0;
    let digits = if drift.error_ppm < 0.095 { 2 } else { 1 };
    // What is known better than the last digit is no better than that.
    let error = drift.error_ppm.max(0.01);
    if drift.ppm.abs() <= ERRORS * error {
        return format!("no difference, ± {} ppm", decimal(error, digits));
    }
    let pace = if drift.ppm > 0.0 { "slow" } else { "fast" };
    format!("{} ± {} ppm {pace}", decimal(drift.ppm.abs(), digits), decimal(error, digits))
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
    let shown = picture.geometry.scale.map(|scale| 100.0 * scale);
    // What is measured says the same more closely.
    let place = match picture.measures {
        Some(_) => String::new(),
        None => placement_text(&Placement::new(picture.geometry, shape.width, shape.height)),
    };
    let levels = picture.levels;
    let mut rows = vec![
        (
            "Picture against the clip’s",
            format!(
                "{}×{} px, the clip’s {}×{} px; {:.1} % of its width and {:.1} % of its height show{place}",
                shape.width, shape.height, picture.clip_size.0, picture.clip_size.1, shown[0], shown[1]
            ),
        ),
        (
            "Levels against the clip’s",
            format!(
                "gain {:.3}, offset {}, middle {} code values: {}",
                levels.gain,
                signed_decimal(levels.offset, 1),
                signed_decimal(levels.bend, 1),
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
    ];
    if let Some(measures) = picture.measures {
        rows.extend(measured_rows(audit, &measures));
    }
    rows.extend(picture.rows.map(|rows| ("Fine rows of the test clip", row_text(rows))));
    rows
}

/// A number with the word of its side: `2.0 px right`, `2.0 px left`.
fn sided(pixels: f64, [positive, negative]: [&str; 2]) -> String {
    let side = if pixels < 0.0 { negative } else { positive };
    format!("{} px {side}", decimal(pixels.abs(), 1))
}

/// `, moved 2.0 px right and 0.0 px down, 97.5 px wider and 0.0 px higher`.
fn placement_text(placement: &Placement) -> String {
    format!(
        ", moved {} and {}, {} and {}",
        sided(placement.shift[0], ["right", "left"]),
        sided(placement.shift[1], ["down", "up"]),
        sided(placement.stretch[0], ["wider", "narrower"]),
        sided(placement.stretch[1], ["higher", "lower"])
    )
}

/// What is left of the test clip's rows and slants.
fn row_text(rows: RowMeasures) -> String {
    let share = |share: Option<Measured>| {
        share.map_or_else(|| "not told".to_owned(), |share| format!("{:.0} %", 100.0 * share.value))
    };
    let step = rows.step.map_or_else(|| "not told".to_owned(), |step| format!("{:.2} rows", step.value));
    format!(
        "vertical detail kept: {} still, {} moving; steps on moving slants: {step}",
        share(rows.still),
        share(rows.moving)
    )
}

/// A measure with twice its standard error.
fn give_or_take(measured: Measured, decimals: usize) -> String {
    format!("{} ± {:.decimals$}", signed_decimal(measured.value, decimals), 2.0 * measured.error)
}

/// A measure with the word of its side.
fn measured_side(measured: Measured, unit: &str, [positive, negative]: [&str; 2]) -> String {
    let side = if measured.value < 0.0 { negative } else { positive };
    format!("{} ± {:.1} {unit} {side}", decimal(measured.value.abs(), 1), 2.0 * measured.error)
}

/// What was measured of the picture, each number with what it is known to.
fn measured_rows(audit: &Audit, measures: &Measures) -> Vec<(&'static str, String)> {
    let mut rows = Vec::new();
    if let Some(placing) = audit.against_clip().and_then(|against| against.placing()) {
        let [right, down] = placing.shift;
        let cut = ["cut off", "of borders"];
        let wider = Measured { value: placing.shape.value - 1.0, ..placing.shape }.times(100.0);
        let text = format!(
            "moved {} and {}, {} across and {} down, {} for its height",
            measured_side(right, "px", ["right", "left"]),
            measured_side(down, "px", ["down", "up"]),
            measured_side(placing.cut[0], "px", cut),
            measured_side(placing.cut[1], "px", cut),
            measured_side(wider, "%", ["wider", "narrower"])
        );
        rows.push(("Picture’s place and shape", text));
    }
    if let Some(levels) = measures.levels {
        let gamma = levels.gamma.map_or_else(
            || "the curve between cannot be told".to_owned(),
            |gamma| format!("the curve between raised to the power of {}", give_or_take(gamma, 2)),
        );
        let text = format!(
            "16 became {}, 235 became {}, {gamma}",
            give_or_take(levels.black, 1),
            give_or_take(levels.white, 1)
        );
        rows.push(("Black, white and gamma", text));
    }
    if let Some(chroma) = measures.chroma {
        let equations = match Conversion::of(chroma.matrix) {
            Some(Conversion::None) => "by the clip’s equations",
            Some(Conversion::Swapped) => "Cb and Cr swapped",
            Some(Conversion::To601) => "by the equations of BT.601, the clip’s by BT.709",
            Some(Conversion::To709) => "by the equations of BT.709, the clip’s by BT.601",
            None => "its equations cannot be told",
        };
        let [across, down] = chroma.shift;
        let across = measured_side(across, "px", ["right of", "left of"]);
        let down = measured_side(down, "px", ["below", "above"]);
        rows.push(("Colour", format!("{equations}; {across} and {down} the luma")));
    }
    rows
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
    use crate::alignment::Geometry;

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
    fn clocks_compare_in_the_digits_that_are_known() {
        for (ppm, error_ppm, text) in [
            (-0.0, 0.0, "no difference, ± 0.01 ppm"),
            (0.004, 0.001, "no difference, ± 0.01 ppm"),
            (12.34, 0.5, "12.3 ± 0.5 ppm slow"),
            (-2.0, 0.01, "2.00 ± 0.01 ppm fast"),
        ] {
            assert_eq!(drift_text(Drift { ppm, error_ppm }), text);
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
