//! Charts as PNG for trackers that refuse SVG. Drawn by resvg with a font that comes with the program, so that
//! the bytes are the same on every machine. Without the feature `png-charts` nothing is drawn.

#[cfg(feature = "png-charts")]
mod render;

use image::codecs::png::PngEncoder;
use image::{ExtendedColorType, ImageEncoder, RgbImage};

use crate::error::{Error, Result};

/// Pixels per unit of a chart: sharp where a page shows it at half size.
pub(super) const SHARP: f32 = 2.0;

/// Whether charts are drawn at all.
pub(super) const DRAWN: bool = cfg!(feature = "png-charts");

/// A chart as PNG, `scale` of its pixels per unit; nothing where charts are not drawn.
///
/// # Errors
/// As [`drawn`].
pub(super) fn png(name: &str, svg: &str, scale: f32) -> Result<Option<Vec<u8>>> {
    drawn(name, svg, scale)?.map(|pixels| encoded(name, &pixels)).transpose()
}

/// A chart as pixels, `scale` of them per unit; nothing where charts are not drawn. Errors call it `name`.
///
/// # Errors
/// The chart is no SVG or takes more memory than there is, which our own charts have no reason to.
#[cfg(feature = "png-charts")]
pub(super) fn drawn(name: &str, svg: &str, scale: f32) -> Result<Option<RgbImage>> {
    render::drawn(name, svg, scale).map(Some)
}

#[cfg(not(feature = "png-charts"))]
pub(super) fn drawn(_name: &str, _svg: &str, _scale: f32) -> Result<Option<RgbImage>> {
    Ok(None)
}

/// Pixels as a PNG file.
///
/// # Errors
/// The encoder refuses, which it has no reason to.
pub(super) fn encoded(name: &str, pixels: &RgbImage) -> Result<Vec<u8>> {
    let mut bytes = Vec::new();
    PngEncoder::new(&mut bytes)
        .write_image(pixels.as_raw(), pixels.width(), pixels.height(), ExtendedColorType::Rgb8)
        .map_err(|error| {
            Error::new(name, "cannot encode", error.to_string(), "report this with the capture's audit.json")
        })?;
    Ok(bytes)
}
