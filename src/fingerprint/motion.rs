//! How a reduced picture moved against the one before: a search for the whole shift on halved pictures,
//! then least squares on the gradients of each block for the rest (B. Lucas and T. Kanade, IJCAI 1981,
//! the normal equations of section 4, named from memory).

use multiversion::multiversion;

use super::far;
use super::reduced::{Plane, ReducedPicture};
use super::FIXED_POINT;

/// Side of a block in reduced pixels.
pub(super) const CELL: usize = 16;
/// Lanes of the float sums. Fixed, so that every processor adds in the same order.
const LANES: usize = CELL;
/// Reach of the search on the quarter picture: 6 quarter pixels are 24 reduced pixels, 96 pixels of a
/// 1920-pixel picture per frame: it crosses that picture in 20 frames.
const REACH: isize = 6;
/// No search is made where at most this share of the energy is left after each block's own small motion,
/// and at least [`SURE_AGREEMENT`] of the moving texture agrees: the motion is small then.
const EXPLAINED_WELL: f32 = 0.2;
/// Most of the texture: two motions cannot both have it.
const SURE_AGREEMENT: f32 = 0.5;
/// Rows between those compared in a search, and between those fitted when each is a mean of several:
/// half of the pixels tell the same.
const SEARCH_STEP: usize = 2;
/// A block takes part in the motion when its mean square difference is at least this share of the mean of
/// all blocks: a standing background must not outvote what moves before it.
const MOVING_SHARE: f32 = 0.25;
/// Added to both squared-gradient sums as a share of their total: one code value of noise on a
/// faint texture must not look like motion.
const RIDGE_SHARE: f32 = 0.01;
/// Mean squared gradient added besides, in reduced code values squared: about the rounding of the means.
const RIDGE_FLOOR: f32 = 0.001;
/// Farthest that the linear model is trusted, reduced pixels beyond the whole shift.
const LINEAR_REACH: f32 = 1.5;
/// Agreement from which the motion is taken as found; below it a far search is made where the motion was found
/// just before. Whatever is matched wrongly agrees by chance in a few hundredths of the texture.
const FOUND_FROM: f32 = 0.3;
/// Blocks agree with the dominant motion within this distance, reduced pixels.
const AGREEMENT: f32 = 0.25;

/// The motion between two pictures.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub(super) struct Motion {
    /// Reduced pixels, right positive.
    pub(super) x: f32,
    /// Reduced pixels, down positive.
    pub(super) y: f32,
    /// Share of the moving texture that agrees with it, 0 to 1.
    pub(super) agreement: f32,
    /// Mean square difference that is left in each block after its own best motion.
    pub(super) unexplained: f32,
}

/// A whole shift in pixels of one level.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
struct Shift {
    x: isize,
    y: isize,
}

impl Shift {
    /// The same shift on a picture twice as fine.
    fn doubled(self) -> Self {
        Self { x: 2 * self.x, y: 2 * self.y }
    }
}

/// Least-squares sums of one block, in squared code values.
#[derive(Clone, Copy, Debug, Default)]
struct BlockFit {
    /// Pixels summed; 0 where the shifted block leaves the picture.
    count: f32,
    energy: f32,
    gradient_xx: f32,
    gradient_xy: f32,
    gradient_yy: f32,
    step_x: f32,
    step_y: f32,
}

/// Memory reused from frame to frame.
#[derive(Default)]
pub(super) struct MotionSearch {
    fits: Vec<BlockFit>,
    shifted: Vec<BlockFit>,
    moving: Vec<bool>,
    mask: Vec<u16>,
    padded: Vec<i16>,
    votes: Vec<Vote>,
}

/// The motion between two pictures, as far as these two tell it.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub(super) struct Found {
    /// The motion.
    pub(super) motion: Motion,
    /// The motion where the pair before had a dominant one, if that is another and not known to be ruled out.
    pub(super) far: Option<Motion>,
    /// Whether there is a dominant motion; `None` where it is as with the pair before.
    pub(super) dominant: Option<bool>,
}

impl Found {
    /// The motion once it is known whether the pair before had a dominant one, and whether this one has.
    pub(super) fn settled(self, before: bool) -> (Motion, bool) {
        (self.far.filter(|_| before).unwrap_or(self.motion), self.dominant.unwrap_or(before))
    }
}

/// Motion of one block along one direction, with the information it rests on.
#[derive(Clone, Copy, Debug)]
struct Vote {
    x: f32,
    y: f32,
    weight_x: f32,
    weight_y: f32,
}

impl MotionSearch {
    /// The motion from `previous` to `current`, pictures of the same size. `before` tells whether the last pair that
    /// differed had a dominant motion, where that is known.
    pub(super) fn measure(
        &mut self,
        current: &ReducedPicture,
        previous: &ReducedPicture,
        before: Option<bool>,
    ) -> Found {
        let (full, earlier) = (&current.levels[0], &previous.levels[0]);
        let step = if current.factor > 1 { SEARCH_STEP } else { 1 };
        fit_blocks(full, earlier, Shift::default(), step, &mut self.fits);
        let energy = mean_over(&self.fits, |fit| fit.energy);
        if energy == 0.0 {
            return Found::default();
        }
        let threshold = MOVING_SHARE * energy;
        self.moving.clear();
        self.moving
            .extend(self.fits.iter().map(|fit| fit.energy >= threshold * fit.count && fit.count > 0.0));
        self.shifted.clear();
        let near = dominant(&self.fits, &self.moving, &mut self.votes);
        let sure = near.agreement >= SURE_AGREEMENT && self.unexplained() <= EXPLAINED_WELL * energy;
        let shift = if sure {
            Shift { x: near.x.round() as isize, y: near.y.round() as isize }
        } else {
            self.whole_shift(current, previous)
        };
        let motion = if shift == Shift::default() {
            near
        } else {
            fit_blocks(full, earlier, shift, step, &mut self.shifted);
            dominant(&self.shifted, &self.moving, &mut self.votes)
        };
        let motion = Motion {
            x: motion.x + shift.x as f32,
            y: motion.y + shift.y as f32,
            unexplained: self.unexplained(),
            ..motion
        };
        let known = |dominant| Found { motion, far: None, dominant: Some(dominant) };
        if motion.agreement >= FOUND_FROM || before == Some(false) || !far::large_enough(current) {
            return known(motion.agreement >= FOUND_FROM);
        }
        let Some(far) = self.far_motion(current, previous, step) else { return known(false) };
        match before {
            Some(_) => Found { motion: far, far: None, dominant: Some(true) },
            None => Found { motion, far: Some(far), dominant: None },
        }
    }

    /// The motion beyond the reach of the search, if there is one. Searched for only where a dominant motion
    /// is lost that was there just before: it costs more, and elsewhere there is nothing to find.
    fn far_motion(
        &mut self,
        current: &ReducedPicture,
        previous: &ReducedPicture,
        step: usize,
    ) -> Option<Motion> {
        let (x, y) = far::far_shift(current, previous);
        let blocks_across = current.levels[0].width.div_ceil(CELL);
        self.moving.fill(true);
        let moving = |side| Moving { blocks: &self.moving, blocks_across, side };
        let [full, half, quarter] = &current.levels;
        let [full_before, half_before, quarter_before] = &previous.levels;
        let shift = Shift { x, y };
        let shift = refined_shift::<{ CELL / 4 }>(quarter, quarter_before, moving(CELL / 4), shift);
        let shift = refined_shift::<{ CELL / 2 }>(half, half_before, moving(CELL / 2), shift.doubled());
        let shift = refined_shift::<CELL>(full, full_before, moving(CELL), shift.doubled());
        fit_blocks(full, full_before, shift, step, &mut self.shifted);
        let motion = dominant(&self.shifted, &self.moving, &mut self.votes);
        (motion.agreement >= SURE_AGREEMENT).then(|| Motion {
            x: motion.x + shift.x as f32,
            y: motion.y + shift.y as f32,
            unexplained: self.unexplained(),
            ..motion
        })
    }

    /// Mean square difference left after the best of both fits of each block. Blocks whose content came in
    /// from outside the picture are not explained by anything before, and left out.
    fn unexplained(&self) -> f32 {
        let (mut left, mut count) = (0.0, 0.0);
        for (fit, shifted) in self.fits.iter().zip(&self.shifted) {
            if shifted.count > 0.0 {
                left += fit.residual().min(shifted.residual() / shifted.count * fit.count);
                count += fit.count;
            }
        }
        if count > 0.0 {
            left / count
        } else {
            mean_over(&self.fits, BlockFit::residual)
        }
    }

    /// The whole shift in reduced pixels that fits the moving blocks best: every shift within reach on the
    /// quarter picture, then the neighbours of the best on the finer ones.
    fn whole_shift(&mut self, current: &ReducedPicture, previous: &ReducedPicture) -> Shift {
        let blocks_across = current.levels[0].width.div_ceil(CELL);
        let mut shift = self.quarter_shift(&current.levels[2], &previous.levels[2], blocks_across);
        for (level, side) in [(1, CELL / 2), (0, CELL)] {
            shift = shift.doubled();
            let (current, previous) = (&current.levels[level], &previous.levels[level]);
            let moving = Moving { blocks: &self.moving, blocks_across, side };
            shift = match side {
                CELL => refined_shift::<CELL>(current, previous, moving, shift),
                _ => refined_shift::<{ CELL / 2 }>(current, previous, moving, shift),
            };
        }
        shift
    }

    fn quarter_shift(&mut self, current: &Plane, previous: &Plane, blocks_across: usize) -> Shift {
        let (width, height) = (current.width, current.height);
        if width == 0 || height == 0 {
            return Shift::default();
        }
        let side = CELL / 4;
        self.mask.clear();
        for row in 0..height {
            let blocks = &self.moving[row / side * blocks_across..];
            self.mask.extend((0..width).map(|column| if blocks[column / side] { u16::MAX } else { 0 }));
        }
        pad(previous, REACH as usize, &mut self.padded);
        let best = search(&current.values, width, &self.padded, &self.mask);
        Shift { x: best.1, y: best.0 }
    }
}

impl BlockFit {
    /// Least-squares motion of the block, pixels beyond the shift.
    fn motion(&self) -> (f32, f32) {
        let (xx, xy, yy) = self.ridged();
        let determinant = xx * yy - xy * xy;
        let (x, y) = (yy * self.step_x - xy * self.step_y, xx * self.step_y - xy * self.step_x);
        (-x / determinant, -y / determinant)
    }

    fn ridged(&self) -> (f32, f32, f32) {
        let ridge = RIDGE_SHARE * (self.gradient_xx + self.gradient_yy) + RIDGE_FLOOR * self.count;
        (self.gradient_xx + ridge, self.gradient_xy, self.gradient_yy + ridge)
    }

    /// Energy left after the block's own motion: the sum of (difference + motion · gradient)².
    fn residual(&self) -> f32 {
        if self.count == 0.0 {
            return 0.0;
        }
        let (x, y) = self.motion();
        let linear = 2.0 * (x * self.step_x + y * self.step_y);
        let square = x * x * self.gradient_xx + 2.0 * x * y * self.gradient_xy + y * y * self.gradient_yy;
        (self.energy + linear + square).clamp(0.0, self.energy)
    }

    /// Information about the motion along x and y alone, the other being unknown.
    fn information(&self) -> (f32, f32) {
        let (xx, xy, yy) = self.ridged();
        let ridge = xx - self.gradient_xx;
        ((xx - xy * xy / yy - ridge).max(0.0), (yy - xy * xy / xx - ridge).max(0.0))
    }
}

fn mean_over(fits: &[BlockFit], value: impl Fn(&BlockFit) -> f32) -> f32 {
    let count: f32 = fits.iter().map(|fit| fit.count).sum();
    if count == 0.0 {
        return 0.0;
    }
    fits.iter().map(value).sum::<f32>() / count
}

/// Weighted median of the block motions, and the share of weight that agrees with it.
fn dominant(fits: &[BlockFit], moving: &[bool], votes: &mut Vec<Vote>) -> Motion {
    votes.clear();
    let moving = fits.iter().zip(moving).filter(|(fit, moving)| **moving && fit.count > 0.0);
    votes.extend(moving.map(|(fit, _)| {
        let ((x, y), (weight_x, weight_y)) = (fit.motion(), fit.information());
        Vote { x, y, weight_x, weight_y }
    }));
    let total: f32 = votes.iter().map(|vote| vote.weight_x + vote.weight_y).sum();
    votes.retain(|vote| vote.x.abs() <= LINEAR_REACH && vote.y.abs() <= LINEAR_REACH);
    let x = interquartile_mean(votes, |vote| (vote.x, vote.weight_x));
    let y = interquartile_mean(votes, |vote| (vote.y, vote.weight_y));
    let agreeing = |off: f32, weight: f32| if off.abs() <= AGREEMENT { weight } else { 0.0 };
    let sum: f32 = votes
        .iter()
        .map(|vote| agreeing(vote.x - x, vote.weight_x) + agreeing(vote.y - y, vote.weight_y))
        .sum();
    // An empty sum is minus zero.
    let agreement = if total > 0.0 { (sum / total).min(1.0) + 0.0 } else { 0.0 };
    Motion { x, y, agreement, unexplained: 0.0 }
}

/// Mean of the votes within the middle half of the weight (an interquartile mean: as robust as a median,
/// yet finer than the spread of single blocks); 0 without weight.
fn interquartile_mean(votes: &mut [Vote], key: impl Fn(&Vote) -> (f32, f32)) -> f32 {
    votes.sort_unstable_by(|a, b| key(a).0.total_cmp(&key(b).0).then(key(a).1.total_cmp(&key(b).1)));
    let total: f32 = votes.iter().map(|vote| key(vote).1).sum();
    let (lower, upper) = (0.25 * total, 0.75 * total);
    let (mut before, mut sum, mut inside) = (0.0f32, 0.0f32, 0.0f32);
    for (value, weight) in votes.iter().map(key) {
        let share = (before + weight).min(upper) - before.max(lower);
        if share > 0.0 {
            sum += share * value;
            inside += share;
        }
        before += weight;
    }
    if inside > 0.0 {
        sum / inside
    } else {
        0.0
    }
}

/// Copies `plane` with `margin` pixels of repeated edge on every side.
fn pad(plane: &Plane, margin: usize, padded: &mut Vec<i16>) {
    padded.clear();
    for row in 0..plane.height + 2 * margin {
        let row = plane.row(row.saturating_sub(margin).min(plane.height - 1));
        padded.extend(std::iter::repeat_n(row[0], margin));
        padded.extend_from_slice(row);
        padded.extend(std::iter::repeat_n(row[row.len() - 1], margin));
    }
}

/// The shift (down, right) within [`REACH`] with the least sum of absolute differences over the mask; the
/// shortest wins a tie.
#[multiversion(targets("x86_64+avx512f+avx512bw+avx512dq+avx512vl+avx2", "x86_64+avx2"))]
fn search(current: &[i16], width: usize, padded: &[i16], mask: &[u16]) -> (isize, isize) {
    let stride = width + 2 * REACH as usize;
    let mut best = (u64::MAX, 0, (0, 0));
    let shifts = (-REACH..=REACH).flat_map(|down| (-REACH..=REACH).map(move |right| (down, right)));
    // The likeliest first: a shift is given up as soon as its sum is past the best.
    for (down, right) in std::iter::once((0, 0)).chain(shifts) {
        let mut sum = 0u64;
        let rows = current.chunks_exact(width).zip(mask.chunks_exact(width)).enumerate();
        for (row, (current, mask)) in rows.step_by(SEARCH_STEP) {
            let start = (row as isize + REACH - down) as usize * stride + (REACH - right) as usize;
            let previous = &padded[start..start + width];
            let mut row_sum = 0u32;
            for ((&current, &previous), &mask) in current.iter().zip(previous).zip(mask) {
                row_sum += u32::from(current.abs_diff(previous) & mask);
            }
            sum += u64::from(row_sum);
            if sum > best.0 {
                break;
            }
        }
        best = best.min((sum, down * down + right * right, (down, right)));
    }
    best.2
}

/// Which blocks take part, on a level where a block has this side.
#[derive(Clone, Copy)]
struct Moving<'a> {
    blocks: &'a [bool],
    blocks_across: usize,
    side: usize,
}

/// The best of `shift` and its eight neighbours, by absolute differences over the moving blocks that all
/// nine keep within the picture.
#[inline]
fn refined_shift<const SIDE: usize>(
    current: &Plane,
    previous: &Plane,
    moving: Moving,
    shift: Shift,
) -> Shift {
    let mut sums = [[0u64; 3]; 3];
    for (block, _) in moving.blocks.iter().enumerate().filter(|(_, moving)| **moving) {
        let left = block % moving.blocks_across * moving.side;
        let top = block / moving.blocks_across * moving.side;
        let (earlier_left, earlier_top) = (left as isize - shift.x, top as isize - shift.y);
        let inside = |start: isize, length: usize| start >= 1 && start + (SIDE as isize) < length as isize;
        if left + SIDE > current.width
            || top + SIDE > current.height
            || !inside(earlier_left, current.width)
            || !inside(earlier_top, current.height)
        {
            continue;
        }
        let corner = (earlier_top - 1) as usize * current.width + (earlier_left - 1) as usize;
        nine_sums::<SIDE>(
            &current.values[top * current.width + left..],
            &previous.values[corner..],
            current.width,
            &mut sums,
        );
    }
    let mut best = (sums[1][1], Shift::default());
    for (row, sums) in sums.iter().enumerate() {
        for (column, &sum) in sums.iter().enumerate() {
            if sum < best.0 {
                // The earlier block lies where the shift is subtracted: further down means less shift.
                best = (sum, Shift { x: 1 - column as isize, y: 1 - row as isize });
            }
        }
    }
    Shift { x: shift.x + best.1.x, y: shift.y + best.1.y }
}

/// Adds the absolute differences of four rows of one block against nine places of the earlier picture.
#[multiversion(targets("x86_64+avx512f+avx512bw+avx512dq+avx512vl+avx2", "x86_64+avx2"))]
fn nine_sums<const SIDE: usize>(current: &[i16], previous: &[i16], stride: usize, sums: &mut [[u64; 3]; 3]) {
    for row in (0..SIDE).step_by(SIDE / 4) {
        let current: &[i16; SIDE] = current[row * stride..][..SIDE].try_into().unwrap_or(&[0; SIDE]);
        for (down, sums) in sums.iter_mut().enumerate() {
            for (right, sum) in sums.iter_mut().enumerate() {
                let previous = &previous[(row + down) * stride + right..][..SIDE];
                let difference = |(&a, &b): (&i16, &i16)| u32::from(a.abs_diff(b));
                *sum += u64::from(current.iter().zip(previous).map(difference).sum::<u32>());
            }
        }
    }
}

/// Fits every block of `current` against `previous` shifted by `shift`. Gradients are central differences
/// of the mean of both pictures, so the picture's outermost pixels take no part.
fn fit_blocks(current: &Plane, previous: &Plane, shift: Shift, step: usize, fits: &mut Vec<BlockFit>) {
    fits.clear();
    let size = (current.width, current.height);
    fit_all(&current.values, &previous.values, size, (shift.x, shift.y), step, fits);
}

/// Pixels of one block row that are summed: first and past the last, for both pictures inside their edges.
fn usable(start: usize, length: usize, shift: isize) -> Option<(usize, usize)> {
    let first = start.max(1);
    let end = (start + CELL).min(length.saturating_sub(1));
    let inside = first < end && first as isize - shift >= 1 && end as isize - shift < length as isize;
    inside.then_some((first, end))
}

#[multiversion(targets("x86_64+avx512f+avx512bw+avx512dq+avx512vl+avx2", "x86_64+avx2"))]
fn fit_all(
    current: &[i16],
    previous: &[i16],
    size: (usize, usize),
    shift: (isize, isize),
    step: usize,
    fits: &mut Vec<BlockFit>,
) {
    let (width, height) = size;
    for top in (0..height).step_by(CELL) {
        for left in (0..width).step_by(CELL) {
            let (Some((x, right)), Some((y, bottom))) =
                (usable(left, width, shift.0), usable(top, height, shift.1))
            else {
                fits.push(BlockFit::default());
                continue;
            };
            let mut sums = [[0.0f32; LANES]; 6];
            for row in (y..bottom).step_by(step) {
                let here = row * width + x;
                let there = ((row as isize - shift.1) * width as isize + x as isize - shift.0) as usize;
                if right - x == CELL {
                    add_row::<CELL>(current, previous, (here, there), width, &mut sums);
                } else {
                    for column in 0..right - x {
                        add_row::<1>(current, previous, (here + column, there + column), width, &mut sums);
                    }
                }
            }
            let count = ((right - x) * (bottom - y).div_ceil(step)) as f32;
            fits.push(block_fit(count, &sums));
        }
    }
}

/// Adds `N` pixels of a row to the sums, pixel by lane.
#[inline(always)]
fn add_row<const N: usize>(
    current: &[i16],
    previous: &[i16],
    (here, there): (usize, usize),
    stride: usize,
    sums: &mut [[f32; LANES]; 6],
) {
    let window = |values: &[i16], start: usize| -> [i16; N] {
        let mut window = [0; N];
        window.copy_from_slice(&values[start..start + N]);
        window
    };
    let (a, b) = (window(current, here), window(previous, there));
    let (a_left, b_left) = (window(current, here - 1), window(previous, there - 1));
    let (a_right, b_right) = (window(current, here + 1), window(previous, there + 1));
    let (a_up, b_up) = (window(current, here - stride), window(previous, there - stride));
    let (a_down, b_down) = (window(current, here + stride), window(previous, there + stride));
    for lane in 0..N {
        // Differences of two values from 0 to 2^14 fit in 16 bits, sums of two of them do not.
        let difference = f32::from(a[lane] - b[lane]);
        let across = i32::from(a_right[lane] - a_left[lane]) + i32::from(b_right[lane] - b_left[lane]);
        let down = i32::from(a_down[lane] - a_up[lane]) + i32::from(b_down[lane] - b_up[lane]);
        let (across, down) = (across as f32, down as f32);
        sums[0][lane] += difference * difference;
        sums[1][lane] += across * across;
        sums[2][lane] += across * down;
        sums[3][lane] += down * down;
        sums[4][lane] += across * difference;
        sums[5][lane] += down * difference;
    }
}

/// Sums over lanes, from fixed-point steps to code values. The gradient sums hold four times the gradient
/// of the mean picture (two pictures, two pixels apart).
#[inline(always)]
fn block_fit(count: f32, sums: &[[f32; LANES]; 6]) -> BlockFit {
    const DIFFERENCE: f32 = 1.0 / FIXED_POINT;
    const GRADIENT: f32 = DIFFERENCE / 4.0;
    let total = |lanes: &[f32; LANES]| lanes.iter().sum::<f32>();
    BlockFit {
        count,
        energy: total(&sums[0]) * DIFFERENCE * DIFFERENCE,
        gradient_xx: total(&sums[1]) * GRADIENT * GRADIENT,
        gradient_xy: total(&sums[2]) * GRADIENT * GRADIENT,
        gradient_yy: total(&sums[3]) * GRADIENT * GRADIENT,
        step_x: total(&sums[4]) * GRADIENT * DIFFERENCE,
        step_y: total(&sums[5]) * GRADIENT * DIFFERENCE,
    }
}
