//! The marks of the test clip: found in any frame that shows them, and read back as numbers. Pure, and a function of
//! one frame alone. A number is given only where the clip's check, the check of at least one place and the levels of
//! every cell agree.

pub mod code;
mod find;
mod read;

pub use code::{ClipIdentity, ClipScan};

use super::reduced::ReducedPicture;
use super::view::ViewPlan;

/// Steps of a weight.
pub const WEIGHT_STEPS: u8 = 255;

/// What one set of lines shows: one unit of the clip, or two that are at most [`code::PLACES`]` - 1` apart.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Lines {
    /// The earlier unit.
    pub first: u32,
    /// How many units the later one is ahead; 0 where there is one only.
    pub ahead: u8,
    /// Weight of the later one in steps of 1 / [`WEIGHT_STEPS`]; 0 where there is one only.
    pub weight: u8,
}

impl Lines {
    /// The later unit, with its weight from 0 to 1.
    pub fn second(self) -> (u32, f32) {
        (self.first + u32::from(self.ahead), f32::from(self.weight) / f32::from(WEIGHT_STEPS))
    }
}

/// What the marks of one frame say.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct MarkReading {
    /// The clip they belong to.
    pub clip: ClipIdentity,
    /// The even and the odd lines of the picture looked at, each read for itself, where they could be read; at
    /// least one of them is.
    pub lines: [Option<Lines>; 2],
}

/// Reads the marks of a packed picture, if it has any; `reduced` is its reduced picture.
pub(super) fn read(plan: &ViewPlan, picture: &[u8], reduced: &ReducedPicture) -> Option<MarkReading> {
    let ribbon = find::ribbon(reduced)?;
    read::reading(read::Luma::new(plan, picture), ribbon)
}
