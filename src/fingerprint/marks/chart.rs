//! What the test clip's chart holds for its reader: two blocks of dashes one row high, one still and one moving, below the
//! marks. Shared by painter and reader, like [`crate::clip_code`].
//!
//! Every row of a block has dashes of its own, by chance and for good, so that the detail of the picture down is as large in
//! every row and is like itself nowhere else: a deinterlacer that makes rows from their neighbours cannot guess them.

use std::ops::Range;

use crate::clip_code::{CELLS_ACROSS, CELL_PAIRS_OF, COLUMNS, ROWS};
use crate::units::Rate;

/// Parts of the width in which a dash is long, and the shortest one.
const DASHES_ACROSS: usize = 240;
const DASH_MIN: usize = 4;
/// Levels of dark and bright dashes, code values at 8 bit: of a screen that doubles the contrast they still are no flash.
pub const DASH_LEVELS: (u16, u16) = (20, 68);
/// Levels of dark and bright cells of the marks. Bright is higher in relative luminance by 0.097 of the largest: less than
/// the tenth that makes a flash (WCAG 2.3.1; of a screen of 200 cd/m² that tenth is the 20 cd/m² of ITU-R BT.1702).
pub const CELL_LEVELS: (u16, u16) = (20, 92);
/// Dashes after which a row repeats.
const PERIOD: usize = 256;
/// Per mille of the width at which the blocks begin and end: still, then moving.
const BLOCKS: [(usize, usize); 2] = [(110, 480), (520, 890)];
/// Rows between the plate of the marks and the blocks, and below these, in parts of a cell's height.
const GAP_PARTS: usize = 4;
/// Seconds in which the moving block's dashes cross the picture.
const CROSSES_S: u64 = 12;

/// Per mille of the height at which the marks begin.
const RIBBON_TOP: usize = 615;
/// Per mille of the height at which the blocks end.
const BLOCKS_END: usize = 920;

/// Left column, top row, and width and height of a cell of the marks in a painted picture.
pub fn ribbon(width: usize, height: usize) -> ((usize, usize), (usize, usize)) {
    let cell = (width / CELLS_ACROSS, height / CELL_PAIRS_OF * 2);
    (((width - COLUMNS * cell.0) / 2, height * RIBBON_TOP / 1000 / 4 * 4), cell)
}

/// Where the blocks lie in a painted picture, pixels.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Blocks {
    /// Rows of both.
    pub rows: Range<usize>,
    /// Columns of the still and of the moving one.
    pub columns: [Range<usize>; 2],
    /// Length of a dash.
    pub dash: usize,
}

impl Blocks {
    /// Below the marks of a picture of this size.
    pub fn new(width: usize, height: usize) -> Self {
        let ((_, top), (_, cell_height)) = ribbon(width, height);
        let bottom = height - height * (1000 - BLOCKS_END) / 1000 / 4 * 4;
        let gap = cell_height / GAP_PARTS / 2 * 2;
        let first = top + (ROWS + 1) * cell_height + gap;
        let columns = BLOCKS.map(|(from, to)| width * from / 1000 / 2 * 2..width * to / 1000 / 2 * 2);
        let last = bottom.saturating_sub(gap) / 2 * 2;
        Self { rows: first..last.max(first), columns, dash: (width / DASHES_ACROSS).max(DASH_MIN) }
    }

    /// Whether a row of a block is bright at a column, both counted from the block's own; `moved` pixels to the left.
    pub fn is_bright(&self, row: usize, column: usize, moved: u64) -> bool {
        let dash = (column as u64 + moved) / self.dash as u64 % PERIOD as u64;
        scattered(row as u64 * PERIOD as u64 + dash) >> 32 & 1 == 1
    }
}

/// Pixels per unit for crossing a width in so many seconds: whole, so that the motion is even.
pub fn step(width: usize, seconds: u64, rate: Rate) -> u64 {
    let units = seconds * rate.num();
    ((width as u64 * rate.den() + units / 2) / units).max(1)
}

/// Pixels by which the moving dashes lie left of their first place in a unit.
pub fn dashes_moved(blocks: &Blocks, width: usize, (unit, rate): (u64, Rate)) -> u64 {
    unit * step(width, CROSSES_S, rate) % (PERIOD * blocks.dash) as u64
}

/// Per mille of the height between which the shuttle runs.
const SWEEP: (usize, usize) = (400, 575);
/// Seconds in which it crosses the picture.
const SHUTTLE_CROSSES_S: u64 = 4;
/// Length of the shuttle in parts of the width, and its thickness in parts of the rows it runs in.
const SHUTTLE_LENGTH: usize = 9;
const SHUTTLE_THICKNESS: usize = 2;

/// Rows of a picture of this height in which the shuttle runs.
pub fn sweep(height: usize) -> Range<usize> {
    let row = |per_mille: usize| height * per_mille / 1000 / 4 * 4;
    row(SWEEP.0)..row(SWEEP.1)
}

/// The shuttle: pointed at both ends, thickest in the middle, so that its edges are slants that move.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Shuttle {
    /// Rows in which it runs.
    pub rows: Range<usize>,
    /// Rows from its axis to its edge.
    pub half: usize,
    /// Columns from end to end.
    pub length: usize,
    width: usize,
    step: u64,
}

impl Shuttle {
    /// In pictures of this size, so many units per second.
    pub fn new(width: usize, height: usize, rate: Rate) -> Self {
        let rows = sweep(height);
        let half = rows.len() / SHUTTLE_THICKNESS / 2;
        Self { half, length: width / SHUTTLE_LENGTH, width, step: step(width, SHUTTLE_CROSSES_S, rate), rows }
    }

    /// The row of its axis.
    pub fn axis(&self) -> usize {
        self.rows.start + self.rows.len() / 2
    }

    /// Its middle in a unit, counted from half its length left of the picture.
    pub fn middle(&self, unit: u64) -> usize {
        let path = (self.width + self.length) as u64;
        (unit * self.step % path) as usize
    }

    /// Columns on each side of its middle in a row so far from its axis; `None` beyond its edge.
    pub fn reach(&self, off_axis: usize) -> Option<usize> {
        (off_axis < self.half).then(|| (self.half - off_axis) * self.length / 2 / self.half)
    }
}

/// A number's bits scattered (the finaliser of SplitMix64; G. Steele, D. Lea, C. Flood, 2014).
fn scattered(number: u64) -> u64 {
    let mut bits = number.wrapping_mul(0x9E37_79B9_7F4A_7C15);
    bits = (bits ^ bits >> 30).wrapping_mul(0xBF58_476D_1CE4_E5B9);
    bits = (bits ^ bits >> 27).wrapping_mul(0x94D0_49BB_1331_11EB);
    bits ^ bits >> 31
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn rows_of_dashes_are_half_bright_and_unlike_their_neighbours() {
        let blocks = Blocks::new(1920, 1080);
        assert!(blocks.rows.len() >= 48 && blocks.rows.end < 994, "{:?}", blocks.rows);
        let row = |row: usize| -> Vec<bool> {
            (0..PERIOD).map(|dash| blocks.is_bright(row, dash * blocks.dash, 0)).collect()
        };
        for at in 0..blocks.rows.len() {
            let bright = row(at).iter().filter(|&&bright| bright).count();
            assert!((85..=171).contains(&bright), "row {at}: {bright}");
            let alike = row(at).iter().zip(row(at + 1)).filter(|(a, b)| **a == *b).count();
            assert!((85..=171).contains(&alike), "row {at}: {alike}");
        }
        assert_eq!(blocks.is_bright(3, 40, 16), blocks.is_bright(3, 56, 0));
    }

    #[test]
    fn motion_is_even_and_near_the_speed_asked_for() {
        for (rate, width, expected) in [((60, 1), 1920, 8), ((24_000, 1001), 1920, 20), ((120, 1), 640, 1)] {
            let rate = Rate::new(rate.0, rate.1).unwrap();
            assert_eq!(step(width, SHUTTLE_CROSSES_S, rate), expected);
        }
    }
}
