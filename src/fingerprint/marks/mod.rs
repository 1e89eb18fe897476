//! The marks of the test clip: found in any frame that shows them, and read back as numbers. Pure, and a function of
//! one frame alone. A number is given only where the clip's check, the check of at least one place and the levels of
//! every cell agree.

pub mod chart;
mod find;
mod read;
mod rows;

pub use crate::clip_code::{ClipIdentity, ClipScan};

use super::reduced::ReducedPicture;
use super::view::ViewPlan;
use crate::clip_code;

/// Steps of a weight.
pub const WEIGHT_STEPS: u8 = 255;

/// What one set of lines shows: one unit of the clip, or two that are at most [`PLACES`](crate::clip_code::PLACES)` - 1` apart.
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

/// What the chart of one frame says: where it lies, and what is left of its fine rows and slants.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct ChartReading {
    /// Left and upper edge, width and height of the marks in [`ChartReading::STEPS_PER_PIXEL`] parts of a pixel, in the
    /// picture turned back where it is turned over.
    pub ribbon: [u16; 4],
    /// Whether the picture is turned over across and down.
    pub turned: [bool; 2],
    /// What is left of the detail down, of what stands still and of what moves.
    pub detail: [Kept; 2],
    /// How many rows high the steps of the slants are that move.
    pub step: Kept,
}

impl ChartReading {
    /// Parts of a pixel that places are told in.
    pub const STEPS_PER_PIXEL: f32 = 2.0;
}

/// A number from 0 to below 16, or nothing.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Kept(pub u16);

impl Kept {
    /// Not known.
    pub const UNKNOWN: Self = Self(u16::MAX);
    /// Steps of 1.
    const STEPS: f32 = 4096.0;

    fn of(value: Option<f32>) -> Self {
        value.map_or(Self::UNKNOWN, |value| {
            Self((value.max(0.0) * Self::STEPS).round().min(f32::from(u16::MAX - 1)) as u16)
        })
    }

    /// The number, where it is known.
    pub fn value(self) -> Option<f64> {
        (self != Self::UNKNOWN).then(|| f64::from(self.0) / f64::from(Self::STEPS))
    }
}

/// Reads marks and chart of a packed picture, if it has any; `reduced` is its reduced picture.
pub(super) fn read(
    plan: &ViewPlan,
    picture: &[u8],
    reduced: &ReducedPicture,
) -> Option<(MarkReading, ChartReading)> {
    let (ribbon, turned) = find::ribbon(reduced)?;
    let extent = reduced.extent();
    let luma = read::Luma::new(plan, picture);
    let back = read::Turned { extent: [0, 1].map(|axis| turned[axis].then_some(extent[axis])) };
    let reading = read::reading(luma, ribbon, back)?;
    let place = [
        ribbon.left,
        ribbon.top,
        ribbon.cell_width * clip_code::COLUMNS as f32,
        ribbon.cell_height * clip_code::ROWS as f32,
    ];
    let is_upright = turned == [false; 2];
    let rows = if is_upright { rows::reading(luma, ribbon, &reading) } else { None };
    let rows = rows.unwrap_or_default();
    let chart = ChartReading {
        ribbon: place.map(|pixels| (pixels * ChartReading::STEPS_PER_PIXEL).round() as u16),
        turned,
        detail: rows.detail.map(Kept::of),
        step: Kept::of(rows.step),
    };
    Some((reading, chart))
}
