//! Which picture of the clip each frame shows, where that is known: by a reference, or by marks that the clip
//! carries. Pure.

mod align;
mod coarse;
mod conversion;
pub mod fields;
pub mod fine;
mod fit;
mod grid;
pub mod marks;
mod path;
pub mod picture;
mod places;
mod possible;
mod proof;
mod settle;
mod summary;

pub use align::{align, is_error, Alignment, NoMatch};
pub use fit::Levels;
pub use grid::{Geometry, Grid, Warp};
pub use proof::Proof;
pub use settle::{settle, Settling, Standing};
pub use summary::{Counts, Drift, SourceSummary};

use crate::fingerprint::texture::TEXTURE_LEN;
pub use crate::fingerprint::{Digest, Signature, Texture};
use crate::fingerprint::{ParityDifference, FIXED_POINT, SIGNATURE_COLUMNS, SIGNATURE_ROWS};
use crate::interlace::Parity;
use crate::units::Rate;

/// Cells of a signature.
pub const CELLS: usize = SIGNATURE_COLUMNS * SIGNATURE_ROWS;

/// Numbers that pictures are compared by: the cells of the signature, then the texture within them.
const FEATURES: usize = CELLS + TEXTURE_LEN;

/// The features of a picture, each in deviations of what errors make of it; 0 where one is not compared.
type Features = [f32; FEATURES];

/// A signature in code values at 8 bit.
fn code_values(signature: &Signature) -> [f32; CELLS] {
    signature.map(|cell| f32::from(cell) / FIXED_POINT)
}

/// Pictures in a row: those of a clip, or the frames of a capture.
#[derive(Clone, Debug)]
pub struct SignatureSequence<'a> {
    /// One signature per picture.
    pub signatures: &'a [Signature],
    /// Whether each picture is surely the same as the one before; may be shorter, the rest is not.
    pub same_as_before: &'a [bool],
    /// Where the cells lie.
    pub grid: Grid,
    /// One texture per picture; empty where there is none.
    pub textures: &'a [Texture],
    /// Where the parts of cells lie that textures are made from; `None` where there is none.
    pub parts: Option<Grid>,
    /// Whether each cell holds something of the picture.
    pub visible: [bool; CELLS],
    /// Pictures per second.
    pub rate_hz: f64,
    /// Whether many of its frames are known to be mixes of pictures.
    pub mixes: bool,
    /// Whether its samples are known to be coded with loss.
    pub lossy: bool,
    /// Whether each picture is another than the one before, where that is sure without a clip; may be shorter.
    pub moves: &'a [Option<bool>],
    /// How the fields of each picture differ, where two fields may be woven into one; empty elsewhere.
    pub differences: &'a [ParityDifference],
}

/// How the clip's pictures were recognised.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum SourceOrigin {
    /// By aligning the capture with the clip itself.
    Reference,
    /// By numbers that the clip's pictures carry.
    Marks,
}

/// What the indices of a clip count.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum SourceUnit {
    /// Whole pictures, from 0.
    Picture,
    /// Fields in the order of their moments, from 0; field `f` belongs to frame `f / 2` of the clip.
    Field,
}

/// Which picture (or field) of the clip one frame shows.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub enum SourcePlace {
    /// Not known: no mark could be read, or nothing in the clip is like it.
    #[default]
    Unknown,
    /// This one.
    Picture(u32),
    /// A mix of two.
    Mix {
        /// The earlier one.
        first: u32,
        /// The later one.
        second: u32,
        /// Weight of the later one, 0 to 1.
        weight: f32,
    },
    /// Two fields of different moments, each in its own lines.
    Woven {
        /// That of the field which comes first in an interlaced capture; in a progressive one the earlier one.
        first: u32,
        /// That of the other lines.
        second: u32,
    },
    /// One of a range that look alike: which one cannot be told.
    Ambiguous {
        /// First of the range.
        first: u32,
        /// Last of the range.
        last: u32,
    },
}

impl SourcePlace {
    /// The place as one number, fractional for a mix and between two fields; `None` where it is not known or ambiguous.
    pub fn index(self) -> Option<f64> {
        match self {
            Self::Picture(index) => Some(f64::from(index)),
            Self::Mix { first, second, weight } => {
                let (first, second) = (f64::from(first), f64::from(second));
                Some(first + (second - first) * f64::from(weight))
            }
            Self::Woven { first, second } => Some((f64::from(first) + f64::from(second)) / 2.0),
            Self::Unknown | Self::Ambiguous { .. } => None,
        }
    }

    /// The pictures that appear in it, and how.
    pub fn pictures(self) -> impl Iterator<Item = (u32, Appearance)> {
        let (one, other, how) = match self {
            Self::Unknown => (None, None, Appearance::Never),
            Self::Picture(picture) => (Some(picture..=picture), None, Appearance::Alone),
            Self::Mix { first, second, .. } => {
                (Some(first..=first), Some(second..=second), Appearance::Mixed)
            }
            Self::Woven { first, second } => (Some(first..=first), Some(second..=second), Appearance::Alone),
            Self::Ambiguous { first, last } => (Some(first..=last), None, Appearance::Perhaps),
        };
        one.into_iter().chain(other).flatten().map(move |picture| (picture, how))
    }
}

/// How a picture appeared, least first.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Appearance {
    /// Nowhere.
    Never,
    /// It looks like others that did: which one appeared cannot be told.
    Perhaps,
    /// Within a mix only.
    Mixed,
    /// For itself.
    Alone,
}

/// The clip's pictures along the capture.
#[derive(Clone, Debug, PartialEq)]
pub struct SourceTrack {
    /// How they were recognised.
    pub origin: SourceOrigin,
    /// What the indices count.
    pub unit: SourceUnit,
    /// Name of the clip as the person gave it, or as its marks say.
    pub clip_name: String,
    /// Pictures (or fields) per second of the clip.
    pub clip_rate: Rate,
    /// Pictures (or fields) the clip holds, where that is known.
    pub clip_length: Option<u64>,
    /// Where indices count fields, which parity the even ones have; `None` where that is not known or changes.
    pub first_field: Option<Parity>,
    /// One place per frame of the capture.
    pub places: Vec<SourcePlace>,
}
