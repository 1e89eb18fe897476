//! The signs: a line that runs level where a device plays right, and of which a piece has fallen where it does not.
//! Each differs by its shape, and the word always stands beside it.

use std::fmt::Write;

use crate::campaign::model::Standing;
use crate::escape::markup;

/// All signs, as a legend lists them.
pub(super) const LEGEND: [Standing; 5] =
    [Standing::Right, Standing::Wrong, Standing::CannotBeTold, Standing::NotWhole, Standing::NotTested];

/// Width and height of a sign's drawing, units.
pub(super) const BOX: (usize, usize) = (60, 14);
/// Height of half a barcode, units.
const HALF: usize = 8;

/// Strokes of a sign in its box: from and to, across and down, in its units.
pub(super) fn strokes(sign: Standing) -> &'static [[u32; 4]] {
    match sign {
        Standing::Right => &[[0, 3, 60, 3]],
        Standing::Wrong => &[[0, 3, 18, 3], [18, 11, 42, 11], [42, 3, 60, 3]],
        Standing::CannotBeTold => &[[1, 3, 9, 3], [17, 3, 25, 3], [33, 3, 41, 3], [49, 3, 57, 3]],
        Standing::NotWhole => &[[0, 3, 34, 3], [34, 0, 34, 8]],
        Standing::NotTested => &[[28, 3, 32, 3]],
    }
}

/// A sign as an SVG path, drawn into `width` by `height` units from `x`, `y` on. Its points are placed here, because not
/// every program that draws SVG can keep a stroke's width while it scales.
pub(super) fn path(sign: Standing, (x, y): (f64, f64), (width, height): (f64, f64)) -> String {
    let across = |at: u32| x + f64::from(at) * width / BOX.0 as f64;
    let down = |at: u32| y + f64::from(at) * height / BOX.1 as f64;
    let mut path = String::new();
    for &[from_x, from_y, to_x, to_y] in strokes(sign) {
        let _ =
            write!(path, "M{:.1} {:.1}L{:.1} {:.1}", across(from_x), down(from_y), across(to_x), down(to_y));
    }
    path
}

/// All signs once, for [`push`] to refer to.
pub(super) fn push_symbols(html: &mut String) {
    html.push_str("<svg class=\"unseen\" aria-hidden=\"true\" focusable=\"false\">");
    for sign in LEGEND {
        let _ = write!(
            html,
            "<symbol id=\"{}\" viewBox=\"0 0 {} {}\" preserveAspectRatio=\"none\"><path d=\"{}\"/></symbol>",
            sign.name(),
            BOX.0,
            BOX.1,
            path(sign, (0.0, 0.0), (BOX.0 as f64, BOX.1 as f64))
        );
    }
    html.push_str("</svg>\n");
}

/// One sign. What it says stands beside it in words.
pub(super) fn push(html: &mut String, sign: Standing) {
    let name = sign.name();
    let _ = write!(html, "<svg class=\"mark {name}\" aria-hidden=\"true\"><use href=\"#{name}\"/></svg>");
}

/// What a barcode shows, in words.
pub(super) fn barcode_text(barcode: &str) -> String {
    let frames = barcode.chars().count();
    let new = barcode.chars().filter(|&frame| !matches!(frame, 'r' | 's')).count();
    let plural = if frames == 1 { "" } else { "s" };
    format!("{new} of {frames} frame{plural} shown here {} new", if new == 1 { "is" } else { "are" })
}

/// Paths of a barcode by class, for frames `pitch` units apart and `half` units high. What is new stands up, what repeats
/// hangs down, what is still lies between; a mix stands half as high, and what is out of order stands on both sides.
pub(super) fn barcode_paths(barcode: &str, (pitch, half): (usize, usize)) -> [(&'static str, String); 5] {
    let mut paths = ["new", "repeat", "still", "mix", "astray"].map(|class| (class, String::new()));
    let stroke = pitch.div_ceil(2);
    for (place, frame) in barcode.chars().enumerate() {
        let (path, from, length) = match frame {
            'n' => (0, 0, half),
            'r' => (1, half, half),
            'm' => (3, half / 2, half - half / 2),
            'o' => (4, 0, 2 * half),
            _ => (2, half - half / 4, half / 2),
        };
        let _ = write!(paths[path].1, "M{} {from}h{stroke}v{length}h-{stroke}z", place * pitch);
    }
    paths
}

/// The barcode of a cell; nothing where there are no frames.
pub(super) fn push_barcode(html: &mut String, barcode: &str) {
    let frames = barcode.chars().count();
    if frames == 0 {
        return;
    }
    let _ = write!(
        html,
        "<svg class=\"code\" viewBox=\"0 0 {} {}\" preserveAspectRatio=\"none\" role=\"img\" aria-label=\"{}\">",
        frames * 2 - 1,
        2 * HALF,
        markup(&barcode_text(barcode))
    );
    for (class, path) in barcode_paths(barcode, (2, HALF)) {
        if !path.is_empty() {
            let _ = write!(html, "<path class=\"{class}\" d=\"{path}\"/>");
        }
    }
    html.push_str("</svg>");
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_mark_has_a_shape_of_its_own() {
        for (place, sign) in LEGEND.into_iter().enumerate() {
            for other in &LEGEND[..place] {
                assert_ne!(strokes(sign), strokes(*other), "{sign:?} {other:?}");
            }
        }
    }

    #[test]
    fn barcodes_say_what_they_show() {
        for (barcode, expected) in [
            ("", "0 of 0 frames shown here are new"),
            ("n", "1 of 1 frame shown here is new"),
            ("nrnr", "2 of 4 frames shown here are new"),
            ("sss", "0 of 3 frames shown here are new"),
        ] {
            assert_eq!(barcode_text(barcode), expected);
        }
    }

    #[test]
    fn new_frames_stand_up_and_repeats_hang_down() {
        let paths = barcode_paths("nrsmo", (2, 8)).map(|(_, path)| path);
        assert_eq!(paths, ["M0 0h1v8h-1z", "M2 8h1v8h-1z", "M4 6h1v4h-1z", "M6 4h1v4h-1z", "M8 0h1v16h-1z"]);
    }

    #[test]
    fn an_empty_barcode_draws_nothing() {
        let mut html = String::new();
        push_barcode(&mut html, "");
        assert_eq!(html, "");
    }
}
