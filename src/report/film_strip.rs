//! `strip.png`: the frames of the worst finding in a row, numbered, with the difference to the frame before
//! below each: it moves, it does not, it moves.

use std::fmt::Write;

use image::imageops::{self, FilterType};
use image::{GrayImage, RgbImage};

use super::text::{clock_text, kind_title, time_s};
use super::{palette, raster, Report};
use crate::audit::Audit;
use crate::audit_store::STRIP_PNG;
use crate::classify::FrameClass;
use crate::error::Result;
use crate::escape::{markup, visible};
use crate::pictures::{FilmStrip, Raster};

/// Frames shown: more would be too small to see where the strip is shown 1000 px wide.
const FRAMES_MAX: usize = 8;
/// Frames before the finding that are left out when there are too many.
const LEAD_DROPPED: usize = 2;
/// Width of one frame, px.
const CELL: u32 = 240;
/// Most height of one, px: that of a picture twice as high as wide. Narrower ones are drawn narrower.
const CELL_HEIGHT_MAX: u32 = 2 * CELL;
/// Between frames, px.
const SPACE: u32 = 8;
const MARGIN: u32 = 16;
const HEADING: u32 = 40;
/// Number and call above each frame, px.
const LABEL: u32 = 44;
/// A repeat hangs this much lower than a new picture, px.
const HANG: u32 = 18;
/// Thickness of the bar over a frame, px.
const BAR: u32 = 8;
/// Words below the last row, px.
const FOOT: u32 = 30;

/// The strip as PNG; nothing where there are no pictures.
///
/// # Errors
/// As [`raster::drawn`].
pub(super) fn png(report: &Report<'_>) -> Result<Option<Vec<u8>>> {
    let Some(strip) = &report.pictures.strip else { return Ok(None) };
    let frames = shown(strip);
    let Some((_, first, _)) = frames.first() else { return Ok(None) };
    let (width, height) = drawn_size(first);
    let mut sheet = raster::drawn(STRIP_PNG, &words(report.audit, strip, frames, height), 1.0)?;
    for (place, (frame, picture, difference)) in frames.iter().enumerate() {
        let (x, y) = corner(report.audit, place, *frame);
        paste(&mut sheet, colour(picture), (x, y), (width, height));
        if let Some(difference) = difference {
            paste(&mut sheet, grey(difference), (x, y + height + SPACE), (width, height));
        }
    }
    raster::encoded(STRIP_PNG, &sheet).map(Some)
}

/// The frames of the strip that are drawn.
fn shown(strip: &FilmStrip) -> &[(u64, Raster, Option<Raster>)] {
    let spare = strip.frames.len().saturating_sub(FRAMES_MAX);
    let from = spare.min(LEAD_DROPPED);
    &strip.frames[from..(from + FRAMES_MAX).min(strip.frames.len())]
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
fn words(audit: &Audit, strip: &FilmStrip, frames: &[(u64, Raster, Option<Raster>)], height: u32) -> String {
    let width = 2 * MARGIN + frames.len() as u32 * (CELL + SPACE) - SPACE;
    let total = MARGIN + HEADING + LABEL + BAR + HANG + 2 * height + SPACE + FOOT;
    let title = match strip.finding.and_then(|place| audit.findings.get(place)) {
        Some(finding) => format!("{} at {}", kind_title(finding.kind), clock_text(finding.time_s)),
        None => "a typical stretch".to_owned(),
    };
    let mut svg = format!(
        "<svg xmlns=\"http://www.w3.org/2000/svg\" width=\"{width}\" height=\"{total}\" font-family=\"sans-serif\" \
         fill=\"{}\"><rect width=\"{width}\" height=\"{total}\" fill=\"{}\"/>\
         <text x=\"{MARGIN}\" y=\"{}\" font-size=\"22\" font-weight=\"bold\">{}: {title}</text>\n",
        palette::INK,
        palette::PAPER,
        MARGIN + 20,
        markup(&visible(&audit.facts.name)),
    );
    for (place, &(frame, _, _)) in frames.iter().enumerate() {
        let (x, y) = corner(audit, place, frame);
        let class =
            usize::try_from(frame).ok().and_then(|index| audit.frames.get(index)).map(|frame| frame.class);
        let (color, ink, call) = match class {
            Some(FrameClass::New) => (palette::NEW, palette::NEW, "new"),
            Some(FrameClass::Still) => (palette::STILL, palette::QUIET_INK, "still"),
            _ => (palette::REPEAT, palette::REPEAT_INK, "repeat"),
        };
        let _ = writeln!(
            svg,
            "<rect x=\"{x}\" y=\"{}\" width=\"{CELL}\" height=\"{BAR}\" fill=\"{color}\"/>\
             <text x=\"{x}\" y=\"{}\" font-size=\"20\" font-weight=\"bold\">{frame}</text>\
             <text x=\"{}\" y=\"{}\" font-size=\"18\" font-weight=\"bold\" text-anchor=\"end\" fill=\"{ink}\">{call}</text>\
             <text x=\"{x}\" y=\"{}\" font-size=\"13\" fill=\"{}\">{}</text>\
             <rect x=\"{x}\" y=\"{}\" width=\"{CELL}\" height=\"{height}\" fill=\"none\" stroke=\"{}\" stroke-width=\"3\"/>",
            y - BAR,
            y - BAR - 22,
            x + CELL,
            y - BAR - 22,
            y - BAR - 5,
            palette::QUIET_INK,
            clock_text(time_s(audit, frame)),
            y + height + SPACE,
            palette::GRID,
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
