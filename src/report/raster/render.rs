//! The renderer and its font.

use std::sync::{Arc, OnceLock};

use image::RgbImage;
use resvg::tiny_skia::{Pixmap, Transform};
use resvg::usvg::{fontdb, Options, Tree};

use crate::error::{Error, Result};

/// A chart as pixels, `scale` of them per unit. Errors call it `name`.
///
/// # Errors
/// As [`super::drawn`].
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
