//! Charts as PNG for trackers that refuse SVG. Drawn by resvg with a font that comes with the program, so that
//! the bytes are the same on every machine.

use std::sync::{Arc, OnceLock};

use image::codecs::png::PngEncoder;
use image::{ExtendedColorType, ImageEncoder, RgbImage};
use resvg::tiny_skia::{Pixmap, Transform};
use resvg::usvg::{fontdb, Options, Tree};

use crate::error::{Error, Result};

/// Pixels per unit of a chart: sharp where a page shows it at half size.
const SCALE: f32 = 2.0;

/// A chart as PNG.
///
/// # Errors
/// As [`drawn`].
pub(super) fn png(name: &str, svg: &str) -> Result<Vec<u8>> {
    encoded(name, &drawn(name, svg, SCALE)?)
}

/// A chart as pixels, `scale` of them per unit. Errors call it `name`.
///
/// # Errors
/// The chart is no SVG or takes more memory than there is, which our own charts have no reason to.
pub(super) fn drawn(name: &str, svg: &str, scale: f32) -> Result<RgbImage> {
    let failed = |cause: String| {
        Error::new(name, "cannot draw the chart", cause, "report this with the capture's audit.json")
    };
    let tree = Tree::from_str(svg, &options()).map_err(|error| failed(error.to_string()))?;
    let size =
        tree.size().to_int_size().scale_by(scale).ok_or_else(|| failed("it has no size".to_owned()))?;
    let mut pixels =
        Pixmap::new(size.width(), size.height()).ok_or_else(|| failed("it is too large".to_owned()))?;
    resvg::render(&tree, Transform::from_scale(scale, scale), &mut pixels.as_mut());
    // Charts have a ground of their own, so that no pixel is transparent.
    let rgb = pixels.data().chunks_exact(4).flat_map(|pixel| [pixel[0], pixel[1], pixel[2]]).collect();
    RgbImage::from_raw(size.width(), size.height(), rgb)
        .ok_or_else(|| failed("its rows do not fit".to_owned()))
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

/// Only the font that comes along: DejaVu Sans Condensed 2.37 (Bitstream Vera licence, free to pass on).
fn options() -> Options<'static> {
    /// Read once: a campaign draws many charts.
    static FONTS: OnceLock<Arc<fontdb::Database>> = OnceLock::new();
    let fontdb = Arc::clone(FONTS.get_or_init(|| Arc::new(fonts())));
    Options { fontdb, font_family: "sans-serif".to_owned(), ..Options::default() }
}

fn fonts() -> fontdb::Database {
    let mut fonts = fontdb::Database::new();
    fonts.load_font_data(dejavu::sans_condensed::regular().to_vec());
    fonts.load_font_data(dejavu::sans_condensed::bold().to_vec());
    let family = fonts.faces().next().and_then(|face| face.families.first()).map(|(name, _)| name.clone());
    if let Some(family) = family {
        fonts.set_sans_serif_family(family);
    }
    fonts
}
