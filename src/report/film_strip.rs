//! `strip.png`: the worst event in a row of its frames, numbered, with the difference to the frame before below each:
//! it moves, it does not, it moves. Of a long stall the middle is left out and counted.

use std::fmt::Write;

use image::imageops::{self, FilterType};
use image::{GrayImage, RgbImage};

use super::text::{clock_text, grouped, time_s, who};
use super::{palette, raster, Report};
use crate::audit::Audit;
use crate::audit_store::STRIP_PNG;
use crate::classify::FrameClass;
use crate::error::Result;
use crate::escape::{markup, visible};
use crate::pictures::{FilmStrip, Raster};
use crate::verdict::{Event, EventKind};

/// Frames shown: more would be too small to see where the strip is shown 1000 px wide.
const FRAMES_MAX: usize = 8;
/// Frames of an event that is shown whole: the one before, the event, two after.
const AROUND: usize = 3;
/// Width of one frame, px.
const CELL: u32 = 240;
/// Most height of one, px: that of a picture twice as high as wide. Narrower ones are drawn narrower.
const CELL_HEIGHT_MAX: u32 = 2 * CELL;
/// Between frames, px.
const SPACE: u32 = 8;
const MARGIN: u32 = 16;
/// Least width of the strip, px: room for its title.
const WIDTH_MIN: u32 = 1008;
const HEADING: u32 = 40;
/// Number and call above each frame, px.
const LABEL: u32 = 44;
/// A repeat hangs this much lower than a new picture, px.
const HANG: u32 = 18;
/// Thickness of the bar over a frame, px.
const BAR: u32 = 8;
/// Words below the last row, px.
const FOOT: u32 = 30;

/// The strip as PNG; nothing where there are no pictures or charts are not drawn.
///
/// # Errors
/// As [`raster::drawn`].
pub(super) fn png(report: &Report<'_>) -> Result<Option<Vec<u8>>> {
    let Some(strip) = &report.pictures.strip else { return Ok(None) };
    let cells = cells(report.audit, strip);
    let first = cells.iter().find_map(|cell| match cell {
        Cell::Frame((_, picture, _)) => Some(picture),
        Cell::More(_) => None,
    });
    let Some(first) = first else { return Ok(None) };
    let (width, height) = drawn_size(first);
    let words = words(report.audit, strip, &cells, height);
    let Some(mut sheet) = raster::drawn(STRIP_PNG, &words, 1.0)? else { return Ok(None) };
    for (place, cell) in cells.iter().enumerate() {
        let Cell::Frame((frame, picture, difference)) = cell else { continue };
        let (x, y) = corner(report.audit, place, *frame);
        paste(&mut sheet, colour(picture), (x, y), (width, height));
        if let Some(difference) = difference {
            paste(&mut sheet, grey(difference), (x, y + height + SPACE), (width, height));
        }
    }
    raster::encoded(STRIP_PNG, &sheet).map(Some)
}

/// One place of the strip.
enum Cell<'a> {
    /// A frame with its picture and its difference to the one before.
    Frame(&'a (u64, Raster, Option<Raster>)),
    /// So many frames that are left out.
    More(u64),
}

/// What the strip shows: a stall whole in the middle of its neighbours, or its ends with what is left out between them; the
/// frames before and after a loss; otherwise frames in a row.
fn cells<'a>(audit: &Audit, strip: &'a FilmStrip) -> Vec<Cell<'a>> {
    let event = audit.events.iter().find(|event| strip.event == Some(event.number));
    let mut cells: Vec<Cell<'a>> = Vec::new();
    let mut before: Option<u64> = None;
    for number in wanted(event, strip) {
        let Some(frame) = strip.frames.iter().find(|frame| frame.0 == number) else { continue };
        let left_out = before.map_or(0, |before| number - before - 1);
        if left_out > 0 {
            cells.push(Cell::More(left_out));
        }
        cells.push(Cell::Frame(frame));
        before = Some(number);
    }
    cells
}

/// The frames that are shown, if they are kept.
fn wanted(event: Option<&Event>, strip: &FilmStrip) -> Vec<u64> {
    let first_kept = strip.frames.first().map_or(0, |frame| frame.0);
    let row = |from: u64| (from..).take(FRAMES_MAX).collect();
    let Some(event) = event else { return row(first_kept) };
    let (first, last) = (event.first_frame, event.last_frame);
    // The event of a stall ends with the frame that shows what is missing, where something is.
    match event.kind {
        // A picture that stays before the loss: where it begins, and the jump.
        EventKind::Loss if last > first + 1 => {
            let mut ends = vec![first.saturating_sub(1), first, last - 1, last, last + 1];
            ends.dedup();
            ends
        }
        EventKind::Loss => (first.saturating_sub(2)..first + 2).collect(),
        EventKind::Stall if last - first + AROUND as u64 >= FRAMES_MAX as u64 => {
            let start = first.saturating_sub(1);
            [start, first, first + 1, last - 2, last - 1, last, last + 1].into()
        }
        _ => row(first.saturating_sub(1)),
    }
}

fn is_new(audit: &Audit, frame: u64) -> bool {
    usize::try_from(frame)
        .ok()
        .and_then(|frame| audit.frames.get(frame))
        .is_some_and(|frame| frame.class == FrameClass::New)
}

/// Upper left corner of a frame's picture.
fn corner(audit: &Audit, place: usize, frame: u64) -> (u32, u32) {
    let hang = if is_new(audit, frame) { 0 } else { HANG };
    (MARGIN + place as u32 * (CELL + SPACE), MARGIN + HEADING + LABEL + BAR + hang)
}

/// Everything but the pictures, as SVG.
fn words(audit: &Audit, strip: &FilmStrip, cells: &[Cell<'_>], height: u32) -> String {
    let width = (2 * MARGIN + cells.len() as u32 * (CELL + SPACE) - SPACE).max(WIDTH_MIN);
    let total = MARGIN + HEADING + LABEL + BAR + HANG + 2 * height + SPACE + FOOT;
    let title = match audit.events.iter().find(|event| strip.event == Some(event.number)) {
        Some(event) => format!("{}, at {}", event.line(), clock_text(event.time_s)),
        None => "a typical stretch".to_owned(),
    };
    let named = who(&audit.device).unwrap_or_else(|| visible(&audit.facts.name));
    let mut svg = format!(
        "<svg xmlns=\"http://www.w3.org/2000/svg\" width=\"{width}\" height=\"{total}\" font-family=\"sans-serif\" \
         fill=\"{}\"><rect width=\"{width}\" height=\"{total}\" fill=\"{}\"/>\
         <text x=\"{MARGIN}\" y=\"{}\" font-size=\"22\" font-weight=\"bold\">{}: {title}</text>\n",
        palette::INK,
        palette::PAPER,
        MARGIN + 20,
        markup(&named),
        title = markup(&title),
    );
    for (place, cell) in cells.iter().enumerate() {
        let frame = match cell {
            Cell::Frame((frame, ..)) => *frame,
            Cell::More(count) => {
                push_more(&mut svg, place, *count, height);
                continue;
            }
        };
        let lost = audit.frames.get(frame as usize).map_or(0, |frame| frame.lost_before);
        let missing = if lost > 0 { format!(", {lost} missing before") } else { String::new() };
        let (x, y) = corner(audit, place, frame);
        let class =
            usize::try_from(frame).ok().and_then(|index| audit.frames.get(index)).map(|frame| frame.class);
        let (color, ink, call) = match class {
            Some(FrameClass::New) => (palette::NEW, palette::NEW, "new"),
            Some(FrameClass::Still) => (palette::STILL, palette::QUIET_INK, "still"),
            _ => (palette::REPEAT, palette::REPEAT_INK, "repeat"),
        };
        // A white difference needs an edge to be seen; where there is none, nothing is said of it.
        let frame_of_difference = match cell {
            Cell::Frame((_, _, Some(_))) => format!(
                "<rect x=\"{x}\" y=\"{}\" width=\"{CELL}\" height=\"{height}\" fill=\"none\" stroke=\"{}\" \
                 stroke-width=\"3\"/>",
                y + height + SPACE,
                palette::GRID
            ),
            _ => String::new(),
        };
        let _ = writeln!(
            svg,
            "<rect x=\"{x}\" y=\"{}\" width=\"{CELL}\" height=\"{BAR}\" fill=\"{color}\"/>\
             <text x=\"{x}\" y=\"{}\" font-size=\"20\" font-weight=\"bold\">{frame}</text>\
             <text x=\"{}\" y=\"{}\" font-size=\"18\" font-weight=\"bold\" text-anchor=\"end\" fill=\"{ink}\">{call}</text>\
             <text x=\"{x}\" y=\"{}\" font-size=\"13\" fill=\"{}\">{}{missing}</text>{frame_of_difference}",
            y - BAR,
            y - BAR - 22,
            x + CELL,
            y - BAR - 22,
            y - BAR - 5,
            palette::QUIET_INK,
            clock_text(time_s(audit, frame)),
        );
    }
    let _ = writeln!(
        svg,
        "<text x=\"{MARGIN}\" y=\"{}\" font-size=\"14\" fill=\"{}\">Below each frame: its difference to the one \
         before, made strong. White: nothing changed at all.</text></svg>",
        total - 10,
        palette::QUIET_INK
    );
    svg
}

/// Says how many frames are left out at a place.
fn push_more(svg: &mut String, place: usize, count: u64, height: u32) {
    let middle = MARGIN + place as u32 * (CELL + SPACE) + CELL / 2;
    let top = MARGIN + HEADING + LABEL + BAR + height / 2;
    let _ = writeln!(
        svg,
        "<text x=\"{middle}\" y=\"{top}\" font-size=\"24\" font-weight=\"bold\" text-anchor=\"middle\">{} more</text>\
         <text x=\"{middle}\" y=\"{}\" font-size=\"16\" text-anchor=\"middle\" fill=\"{}\">{}</text>",
        grouped(count),
        top + 26,
        palette::QUIET_INK,
        if count == 1 { "frame like these" } else { "frames like these" },
    );
}

fn colour(picture: &Raster) -> Option<RgbImage> {
    RgbImage::from_raw(picture.width, picture.height, picture.pixels.clone())
}

fn grey(difference: &Raster) -> Option<RgbImage> {
    let grey = GrayImage::from_raw(difference.width, difference.height, difference.pixels.clone())?;
    Some(image::DynamicImage::from(grey).into_rgb8())
}

/// Width and height that a picture is drawn in.
fn drawn_size(picture: &Raster) -> (u32, u32) {
    let (width, height) = (u64::from(picture.width.max(1)), u64::from(picture.height.max(1)));
    let scaled = |length: u64, to: u32, by: u64| (length * u64::from(to) / by).clamp(1, u64::from(to)) as u32;
    if height * u64::from(CELL) <= width * u64::from(CELL_HEIGHT_MAX) {
        (CELL, (height * u64::from(CELL) / width).max(1) as u32)
    } else {
        (scaled(width, CELL_HEIGHT_MAX, height), CELL_HEIGHT_MAX)
    }
}

fn paste(sheet: &mut RgbImage, picture: Option<RgbImage>, (x, y): (u32, u32), (width, height): (u32, u32)) {
    if let Some(picture) = picture {
        let scaled = imageops::resize(&picture, width, height, FilterType::Triangle);
        imageops::replace(sheet, &scaled, i64::from(x), i64::from(y));
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_shape_fits_its_cell() {
        for (width, height, expected) in [
            (480, 270, (240, 135)),
            (1, 480, (1, 480)),
            (480, 1, (240, 1)),
            (240, 480, (240, 480)),
            (200, 480, (200, 480)),
            (0, 0, (240, 240)),
        ] {
            let picture = Raster { width, height, pixels: Vec::new() };
            assert_eq!(drawn_size(&picture), expected, "{width}x{height}");
        }
    }
}
