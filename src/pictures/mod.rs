//! Pictures for the report: after the audit knows which frames matter, the capture is read a second time and
//! these frames are kept, scaled down and encoded within a budget.
//!
//! The one exception to "no pixels after fingerprint": pictures go from here straight to the report and decide
//! nothing. Every kept frame is checked against the digest the audit has of it, so that a picture never shows
//! another frame than it says.

mod encode;
mod fetch;
mod plan;
mod scale;

use std::collections::BTreeMap;
use std::ops::Range;

use crate::frame::Rect;

pub use encode::Budget;
pub use fetch::{fetch, Fetch, Open};
pub use plan::stretches;
pub use scale::{Converter, Raster};

/// Why a stretch is shown.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Reason {
    /// How the capture looks where nothing is wrong.
    Typical,
    /// Around the event with this number.
    Event(u32),
}

/// Frames in a row whose pictures are shown.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Stretch {
    /// Why.
    pub reason: Reason,
    /// Which frames.
    pub frames: Range<u64>,
}

/// An image as bytes of a file.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct EncodedImage {
    /// `image/png` or `image/jpeg`.
    pub media_type: &'static str,
    /// The file.
    pub bytes: Vec<u8>,
}

/// One frame's picture.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Picture {
    /// Width of the image, pixels.
    pub width_px: u32,
    /// Height of the image, pixels.
    pub height_px: u32,
    /// The picture.
    pub image: EncodedImage,
    /// Where and how much it differs from the frame before; `None` where that frame was not read.
    pub difference: Option<EncodedImage>,
    /// A part of the frame at full size, where the event is one that scaled pictures cannot show.
    pub detail: Option<Detail>,
    /// Whether the frame before, which is kept too, is the same to the last bit: its image is this one's as well, and this
    /// one's is left out of the page.
    pub is_same_as_before: bool,
}

/// A part of a frame, pixel by pixel.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Detail {
    /// Which part.
    pub area: Rect,
    /// The picture.
    pub image: EncodedImage,
}

/// The frames of the worst event in a row, as pixels.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct FilmStrip {
    /// Number of the event; `None` for a typical stretch.
    pub event: Option<u32>,
    /// Frame number, picture, difference to the frame before.
    pub frames: Vec<(u64, Raster, Option<Raster>)>,
}

/// Pictures of the frames that matter.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Pictures {
    /// Stretches shown, a typical one first.
    pub stretches: Vec<Stretch>,
    /// Pictures by frame.
    pub pictures: BTreeMap<u64, Picture>,
    /// The worst event's frames.
    pub strip: Option<FilmStrip>,
    /// What the reader should know: why there are none, or what was left out.
    pub remark: String,
}

impl Pictures {
    /// No pictures, and why.
    pub fn none(why: impl Into<String>) -> Self {
        Self { remark: why.into(), ..Self::default() }
    }
}
