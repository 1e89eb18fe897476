//! Motion beyond the reach of the search: a jump after a stall moves the picture by many steps at once.

use super::motion::CELL;
use super::reduced::{Plane, ReducedPicture};

/// Halvings from the reduced picture to the one that is searched: an eighth, on which half a picture is 30 pixels.
const HALVINGS: usize = 3;
/// Least share of the picture that both pictures must have in common, along each direction: with half of it
/// gone there is no dominant motion to speak of.
const COMMON_MIN: f32 = 0.5;

/// The whole shift (right, down), in pixels of the quarter picture (level 2), at which both pictures differ
/// least in mean over what they have in common.
pub(super) fn far_shift(current: &ReducedPicture, previous: &ReducedPicture) -> (isize, isize) {
    let (mut now, mut before) = (Plane::default(), Plane::default());
    now.halve(&current.levels[HALVINGS - 1]);
    before.halve(&previous.levels[HALVINGS - 1]);
    let reach = |length: usize| (length as f32 * (1.0 - COMMON_MIN)) as isize;
    let (across, down) = (reach(now.width), reach(now.height));
    let mut best = (f32::INFINITY, 0, (0, 0));
    for y in -down..=down {
        for x in -across..=across {
            let candidate = (mean_difference(&now, &before, (x, y)), x * x + y * y, (x, y));
            if (candidate.0, candidate.1) < (best.0, best.1) {
                best = candidate;
            }
        }
    }
    let (x, y) = best.2;
    (2 * x, 2 * y)
}

/// Mean absolute difference over what both pictures have in common when `before` is shifted right and down.
fn mean_difference(now: &Plane, before: &Plane, (x, y): (isize, isize)) -> f32 {
    let width = now.width - x.unsigned_abs();
    let height = now.height - y.unsigned_abs();
    let (now_left, before_left) = (x.max(0) as usize, (-x).max(0) as usize);
    let (now_top, before_top) = (y.max(0) as usize, (-y).max(0) as usize);
    let mut sum = 0u64;
    for row in 0..height {
        let now = &now.row(now_top + row)[now_left..now_left + width];
        let before = &before.row(before_top + row)[before_left..before_left + width];
        let row_sum: u32 = now.iter().zip(before).map(|(&a, &b)| u32::from(a.abs_diff(b))).sum();
        sum += u64::from(row_sum);
    }
    sum as f32 / ((width * height).max(1) as f32)
}

/// Whether a picture is large enough for the far search to tell anything.
pub(super) fn large_enough(picture: &ReducedPicture) -> bool {
    let quarter = &picture.levels[HALVINGS - 1];
    quarter.width >= CELL && quarter.height >= CELL
}
