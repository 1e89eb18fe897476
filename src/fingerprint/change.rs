//! Energies of the difference between reduced pictures.

use multiversion::multiversion;

use super::motion::{Found, Motion, MotionSearch};
use super::reduced::{Plane, ReducedPicture};
use super::{ReducedChange, FIXED_POINT};

/// Lanes of the float sums. Fixed, so that every processor adds in the same order.
const LANES: usize = 16;

/// Memory reused from frame to frame.
#[derive(Default)]
pub(super) struct ChangeMeasure {
    motion: MotionSearch,
    difference: Vec<i16>,
    column_sums: Vec<i32>,
}

/// What changed between pictures, as far as these pictures tell it.
#[derive(Clone, Copy, Debug, Default)]
pub(super) struct Change {
    /// All but the motion.
    still: ReducedChange,
    found: Found,
    factor: f32,
}

impl Change {
    /// The change once it is known whether the last pair of pictures that differed had a dominant motion, and whether this
    /// one has.
    pub(super) fn settled(self, before: bool) -> (ReducedChange, bool) {
        let (motion, dominant) = self.found.settled(before);
        (self.moved_by(motion), dominant)
    }

    /// Whether this pair has a dominant motion; `None` where it is as with the pair before.
    pub(super) fn dominant(&self) -> Option<bool> {
        self.found.dominant
    }

    fn moved_by(self, motion: Motion) -> ReducedChange {
        ReducedChange {
            unexplained: motion.unexplained,
            motion_x: motion.x * self.factor,
            motion_y: motion.y * self.factor,
            motion_peak: motion.agreement,
            ..self.still
        }
    }
}

impl ChangeMeasure {
    /// What changed from the two earlier pictures to `current`; zero where there is none. `before` tells whether the last
    /// pair that differed had a dominant motion, where that is known.
    pub(super) fn measure(
        &mut self,
        current: &ReducedPicture,
        (previous, two_back): (Option<&ReducedPicture>, Option<&ReducedPicture>),
        before: Option<bool>,
    ) -> Change {
        let full = &current.levels[0];
        let mut change = ReducedChange {
            detail: fine_energy(&full.values, full.width, &mut self.column_sums),
            ..ReducedChange::default()
        };
        if let Some(earlier) = two_back {
            change.energy_two_back = energy(full, &earlier.levels[0]).1;
            change.fine_energy_two_back = self.fine_difference(full, &earlier.levels[0]);
        }
        let unmoved = Change { still: change, ..Change::default() };
        let Some(previous) = previous else { return unmoved };
        let (offset, energy) = energy(full, &previous.levels[0]);
        if energy == 0.0 {
            return unmoved;
        }
        let found = self.motion.measure(current, previous, before);
        let fine_energy = self.fine_difference(full, &previous.levels[0]);
        Change {
            still: ReducedChange { offset, energy, fine_energy, ..change },
            found,
            factor: current.factor as f32,
        }
    }

    /// Mean square of the high-frequency part of the difference of two pictures.
    fn fine_difference(&mut self, current: &Plane, earlier: &Plane) -> f32 {
        self.difference.clear();
        let pairs = current.values.iter().zip(&earlier.values);
        self.difference.extend(pairs.map(|(current, earlier)| current - earlier));
        fine_energy(&self.difference, current.width, &mut self.column_sums)
    }
}

/// Mean difference and mean square difference, code values.
fn energy(current: &Plane, earlier: &Plane) -> (f32, f32) {
    let (sum, squares) = difference_sums(&current.values, &earlier.values);
    let count = current.values.len().max(1) as f64;
    let step = f64::from(FIXED_POINT);
    ((sum as f64 / step / count) as f32, (squares as f64 / (step * step) / count) as f32)
}

/// Exact sums of differences and of their squares, of values from 0 to 2^14.
#[multiversion(targets("x86_64+avx512f+avx512bw+avx512dq+avx512vl+avx2", "x86_64+avx2"))]
pub fn difference_sums(current: &[i16], earlier: &[i16]) -> (i64, u64) {
    // So many differences of 14 bits and sign fit in 32 bits.
    const CHUNK: usize = 1 << 16;
    let (mut sum, mut squares) = (0i64, 0u64);
    for (current, earlier) in current.chunks(CHUNK).zip(earlier.chunks(CHUNK)) {
        let (mut part, mut part_squares) = (0i32, 0u64);
        for (&a, &b) in current.iter().zip(earlier) {
            let difference = i32::from(a) - i32::from(b);
            part += difference;
            part_squares += u64::from((difference * difference) as u32);
        }
        sum += i64::from(part);
        squares += part_squares;
    }
    (sum, squares)
}

/// Mean square of a picture or difference minus its 3 × 3 mean, over the pixels that have all neighbours.
#[multiversion(targets("x86_64+avx512f+avx512bw+avx512dq+avx512vl+avx2", "x86_64+avx2"))]
pub fn fine_energy(difference: &[i16], width: usize, column_sums: &mut Vec<i32>) -> f32 {
    let height = difference.len() / width.max(1);
    if width < 3 || height < 3 {
        return 0.0;
    }
    column_sums.resize(width, 0);
    let mut total = 0.0f64;
    for row in 1..height - 1 {
        let upper = &difference[(row - 1) * width..row * width];
        let middle = &difference[row * width..(row + 1) * width];
        let lower = &difference[(row + 1) * width..(row + 2) * width];
        for (sum, ((&a, &b), &c)) in column_sums.iter_mut().zip(upper.iter().zip(middle).zip(lower)) {
            *sum = i32::from(a) + i32::from(b) + i32::from(c);
        }
        total += fine_row(&middle[1..width - 1], column_sums);
    }
    let nine_steps = f64::from(9.0 * FIXED_POINT);
    (total / (nine_steps * nine_steps) / ((width - 2) * (height - 2)) as f64) as f32
}

/// Sum of squares of nine times each pixel minus the sum of its neighbourhood.
#[inline(always)]
fn fine_row(middle: &[i16], column_sums: &[i32]) -> f64 {
    let mut lanes = [0.0f32; LANES];
    let whole = middle.len() / LANES * LANES;
    let fine = |index: usize| {
        let around = column_sums[index] + column_sums[index + 1] + column_sums[index + 2];
        let fine = (9 * i32::from(middle[index]) - around) as f32;
        fine * fine
    };
    for start in (0..whole).step_by(LANES) {
        let middle: &[i16; LANES] = middle[start..start + LANES].try_into().unwrap_or(&[0; LANES]);
        let sums = &column_sums[start..start + LANES + 2];
        for lane in 0..LANES {
            let around = sums[lane] + sums[lane + 1] + sums[lane + 2];
            let fine = (9 * i32::from(middle[lane]) - around) as f32;
            lanes[lane] += fine * fine;
        }
    }
    let rest: f32 = (whole..middle.len()).map(fine).sum();
    f64::from(lanes.iter().sum::<f32>() + rest)
}
