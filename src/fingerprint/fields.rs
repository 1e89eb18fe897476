//! Measures that tell fields from frames: how well the rows of one parity fit those of the other, within a frame
//! and across two, and how well they are predicted by them.
//!
//! A tile is `TILE_ROWS` rows of `COLUMNS` columns. In each of its columns the rows of one parity are
//! summed with smooth weights; the difference of the two sums is the finest vertical frequency, which a comb
//! has and a progressive picture hardly does. Of a comb of contrast C it is C, of a horizontal edge at most C / 6, of
//! a line one row high at most C / 3, and of an even slope nothing (derived from the weights).

use std::ops::{Add, AddAssign, Sub};

use multiversion::multiversion;

use super::ripple::{PlacedTile, Ripple, RippleMeter, RippleSums, TileRipple};
use super::view::ViewPlan;

/// Rows of a tile: four of each parity, so that a comb must persist over several rows.
pub(super) const TILE_ROWS: usize = 8;
/// Columns of a tile.
pub(super) const COLUMNS: usize = 2 * LANES;
/// Columns summed at once.
pub(super) const LANES: usize = 16;
/// Fewest tiles that say something of fields. No format with fields gives fewer than 300: 240 rows of 352 samples (common
/// practice, no source).
const TILES_MIN: usize = 60;

/// Most tiles of luma that are looked at, so that large pictures cost no more in proportion; of each plane of chroma half
/// as many. They lie on diagonals over the whole picture, so that what is wide or high is not missed. Choice.
const TILES_MAX: usize = 1200;
/// Weights of the rows of either parity add up to this.
const WEIGHTS: f32 = 12.0;
/// Least motion of a moving tile, code values at 8 bit: mean change of the weighted means of four rows of one parity.
/// Half of what one step of quantisation of a lossy recorder may change in every sample. Choice, by trials.
const MOVING_MIN: f32 = 1.0;
/// A tile moves when it changes this many times more than the quiet tenth of the picture.
const MOVING_OF_QUIET: f32 = 3.0;
/// A tile that changes by so much moves however much the rest of the picture does, code values at 8 bit.
const MOVING_SURE: f32 = 4.0;
/// A tile is combed on its own when its finest vertical frequency is this many times the next coarser one ...
const COMBED_OF_COARSE: f32 = 1.5;
/// ... and at least this share of its motion. Two fields of an even motion are half a frame apart.
const COMBED_OF_MOTION: f32 = 0.25;

/// A measure in steps of 1/256 code values at 8 bit, saturating just below 256.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Level(pub u16);

impl Level {
    /// Steps per code value.
    const STEPS: f32 = 256.0;

    fn new(value: f32) -> Self {
        // Float to integer casts saturate.
        Self((value * Self::STEPS).round() as u16)
    }

    /// Code values at 8 bit.
    pub fn value(self) -> f32 {
        f32::from(self.0) / Self::STEPS
    }
}

/// A share from 0 to 1 in steps of 1/65535.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Share(pub u16);

impl Share {
    pub(super) fn of(part: usize, whole: usize) -> Self {
        Self((part as f32 / whole.max(1) as f32 * f32::from(u16::MAX)).round() as u16)
    }

    /// From 0 to 1.
    pub fn value(self) -> f32 {
        f32::from(self.0) / f32::from(u16::MAX)
    }
}

/// How the fields of a frame and of the one before fit each other where the picture moves. Mean absolute
/// differences of weighted column means, code values at 8 bit.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct FieldFit {
    /// Top field against the top field before.
    pub top_motion: Level,
    /// Bottom field against the bottom field before.
    pub bottom_motion: Level,
    /// Top against bottom field of this frame: combing.
    pub within: Level,
    /// Top field of this frame against the bottom field before.
    pub top_with_earlier: Level,
    /// Bottom field of this frame against the top field before.
    pub bottom_with_earlier: Level,
    /// Share of the tiles that move.
    pub moving: Share,
    /// Share of the moving tiles that are combed on their own, beyond the share of the still ones whose rows alternate.
    pub combed: Share,
}

/// How far rows differ from what the rows beside them foretell. Mean absolute differences, code values at 8 bit.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct RowDetail {
    /// Rows of the top field against the mean of the rows above and below.
    pub top: Level,
    /// Rows of the bottom field likewise.
    pub bottom: Level,
}

/// What tells fields from frames. All zero for the first frame.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct FieldMeasures {
    /// Fit of the fields in luma.
    pub luma: FieldFit,
    /// Fit of the fields in chroma, both planes together.
    pub chroma: FieldFit,
    /// Row detail of luma where it moves.
    pub moving_rows: RowDetail,
    /// What alternates from row to row.
    pub ripple: Ripple,
    /// Whether every sample of the top rows equals the one of the frame before: proof that the field repeats.
    pub top_unchanged: bool,
    /// The same of the bottom rows.
    pub bottom_unchanged: bool,
}

/// Sums of one tile, in weights of its samples.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct TileSums {
    /// |top − top before|, |bottom − bottom before|, |top − bottom|, |top − bottom before|, |bottom − top before|,
    /// coarse frequency of both fields.
    pub fit: [u32; 6],
    /// Top rows, bottom rows, pairs below, pairs above.
    pub rows: [u32; 4],
    /// What alternates from row to row.
    pub ripple: TileRipple,
    /// Number of its first row in the plane.
    pub top: usize,
}

/// Which tiles of a band are looked at.
#[derive(Clone, Copy, Debug)]
pub struct Chosen {
    /// Number of the first row in the plane.
    pub top: usize,
    /// Number of the first one from the left.
    pub first: usize,
    /// Tiles from one to the next, at least 1.
    pub every: usize,
    /// A code value at 8 bit in those of the samples.
    pub unit: f32,
}

impl Chosen {
    /// Left edges of the whole tiles, columns.
    fn lefts(self, width: usize) -> impl Iterator<Item = usize> {
        (self.first..width / COLUMNS).step_by(self.every).map(|tile| tile * COLUMNS)
    }
}

/// Appends the sums of each chosen whole tile of `TILE_ROWS` rows of two 8-bit planes.
///
/// # Panics
/// When either has fewer rows.
#[multiversion(targets("x86_64+avx512f+avx512bw+avx512dq+avx512vl+avx2", "x86_64+avx2"))]
pub fn tile_sums_8(current: &[u8], previous: &[u8], width: usize, chosen: Chosen, sums: &mut Vec<TileSums>) {
    tile_sums::<i16, 1>([current, previous], width, chosen, sums, |sample| i16::from(sample[0]));
}

/// As [`tile_sums_8`] for little-endian samples of two bytes.
///
/// # Panics
/// When either has fewer rows.
#[multiversion(targets("x86_64+avx512f+avx512bw+avx512dq+avx512vl+avx2", "x86_64+avx2"))]
pub fn tile_sums_16(current: &[u8], previous: &[u8], width: usize, chosen: Chosen, sums: &mut Vec<TileSums>) {
    tile_sums::<i32, 2>([current, previous], width, chosen, sums, |sample| {
        i32::from(u16::from_le_bytes([sample[0], sample[1]]))
    });
}

/// What samples are summed in: lanes that hold the sums of two columns.
pub(super) trait Lane:
    Copy + Default + Into<i32> + AddAssign + Add<Output = Self> + Sub<Output = Self>
{
    fn magnitude(self) -> Self;
    fn level(self) -> f32;
}

impl Lane for i16 {
    #[inline(always)]
    fn magnitude(self) -> Self {
        self.abs()
    }

    #[inline(always)]
    fn level(self) -> f32 {
        f32::from(self)
    }
}

impl Lane for i32 {
    #[inline(always)]
    fn magnitude(self) -> Self {
        self.abs()
    }

    #[inline(always)]
    fn level(self) -> f32 {
        self as f32
    }
}

#[inline(always)]
fn tile_sums<T: Lane, const BYTES: usize>(
    planes: [&[u8]; 2],
    width: usize,
    chosen: Chosen,
    sums: &mut Vec<TileSums>,
    read: impl Fn(&[u8]) -> T,
) {
    for left in chosen.lefts(width) {
        let mut lanes = [[T::default(); LANES]; 10];
        let mut blocks = [[[[T::default(); LANES]; TILE_ROWS]; 2]; 2];
        for (half, left) in blocks.iter_mut().zip([left, left + LANES]) {
            for (block, plane) in half.iter_mut().zip(planes) {
                for (row, samples) in block.iter_mut().enumerate() {
                    let from = &plane[BYTES * (row * width + left)..][..BYTES * LANES];
                    *samples = std::array::from_fn(|lane| read(&from[BYTES * lane..]));
                }
            }
        }
        for [now, before] in &blocks {
            for lane in 0..LANES {
                let column = |rows: &[[T; LANES]; TILE_ROWS]| std::array::from_fn(|row| rows[row][lane]);
                for (sum, value) in lanes.iter_mut().zip(column_sums(column(now), column(before))) {
                    sum[lane] += value;
                }
            }
        }
        // Loops, because closures over arrays are not always made one with the code around them, and then lose its
        // instruction set.
        let mut totals = [0u32; 10];
        for (total, lanes) in totals.iter_mut().zip(&lanes) {
            *total = total_of(lanes);
        }
        let [a, b, c, d, e, f, rows @ ..] = totals;
        let mut tile =
            TileSums { fit: [a, b, c, d, e, f], rows, ripple: TileRipple::default(), top: chosen.top };
        let moves = motion(&tile, chosen.unit * COLUMNS as f32) >= MOVING_MIN;
        let [_, _, below, above] = tile.rows;
        tile.ripple = ripple(&blocks, moves, chosen.unit)
            .with_pairs(below as f32 / ROW_WEIGHTS[2], above as f32 / ROW_WEIGHTS[3]);
        sums.push(tile);
    }
}

/// Sum of all lanes, halves upon halves: one after the other they would be taken out of their register singly.
#[inline(always)]
fn total_of<T: Lane>(lanes: &[T; LANES]) -> u32 {
    let mut sums = [0i32; LANES];
    for (sum, &lane) in sums.iter_mut().zip(lanes) {
        *sum = lane.into();
    }
    let mut eight = [0; LANES / 2];
    for lane in 0..LANES / 2 {
        eight[lane] = sums[lane] + sums[lane + LANES / 2];
    }
    let mut four = [0; LANES / 4];
    for lane in 0..LANES / 4 {
        four[lane] = eight[lane] + eight[lane + LANES / 4];
    }
    (four[0] + four[2] + (four[1] + four[3])) as u32
}

/// What alternates from row to row in the two halves of a tile, each now and before.
#[inline(always)]
fn ripple<T: Lane>(halves: &[[[[T; LANES]; TILE_ROWS]; 2]; 2], moves: bool, unit: f32) -> TileRipple {
    let mut sums = RippleSums::default();
    for half in halves {
        let [now, before] = half;
        if moves {
            sums.add_moving(now, before, unit);
        } else {
            sums.add_still(now, unit);
        }
    }
    sums.tile(unit)
}

/// What one column of a tile adds to the ten sums. Largest of 8 bit: 12 · 255, so that 16 bits hold two of them.
#[inline(always)]
fn column_sums<T: Lane>(now: [T; TILE_ROWS], before: [T; TILE_ROWS]) -> [T; 10] {
    let abs = T::magnitude;
    let twice = |a: T| a + a;
    let four = |a: T| twice(a + a);
    let thrice = |a: T| a + a + a;
    // Weights 1 4 4 3 and 3 4 4 1: both means lie at the same height, for any even or quadratic slope.
    let top = |r: &[T; TILE_ROWS]| r[0] + four(r[2] + r[4]) + thrice(r[6]);
    let bottom = |r: &[T; TILE_ROWS]| thrice(r[1]) + four(r[3] + r[5]) + r[7];
    let (top_now, bottom_now) = (top(&now), bottom(&now));
    let (top_before, bottom_before) = (top(&before), bottom(&before));
    // Third difference of the rows of one parity: a period of four rows of the frame.
    let third = |a: T, b: T, c: T, d: T| abs((a - d) + thrice(c - b));
    let middle = |above: T, here: T, below: T| abs(twice(here) - (above + below));
    [
        abs(top_now - top_before),
        abs(bottom_now - bottom_before),
        abs(top_now - bottom_now),
        abs(top_now - bottom_before),
        abs(bottom_now - top_before),
        third(now[0], now[2], now[4], now[6]) + third(now[1], now[3], now[5], now[7]),
        middle(now[1], now[2], now[3]) + middle(now[3], now[4], now[5]) + middle(now[5], now[6], now[7]),
        middle(now[0], now[1], now[2]) + middle(now[2], now[3], now[4]) + middle(now[4], now[5], now[6]),
        abs(now[0] - now[1]) + abs(now[2] - now[3]) + abs(now[4] - now[5]) + abs(now[6] - now[7]),
        abs(now[1] - now[2]) + abs(now[3] - now[4]) + abs(now[5] - now[6]),
    ]
}

/// Samples that each sum of [`TileSums`] is the mean of, per column: weights of the row sums, two fields of a third
/// difference that is four times a comb's contrast, three rows counted twice, four and three pairs.
const FIT_WEIGHTS: [f32; 6] = [WEIGHTS, WEIGHTS, WEIGHTS, WEIGHTS, WEIGHTS, 8.0];
const ROW_WEIGHTS: [f32; 4] = [6.0, 6.0, 4.0, 3.0];

/// Gathers tiles stripe by stripe, and what is made of them. Holds only scratch memory between frames.
#[derive(Default)]
pub(super) struct FieldMeter {
    luma: Vec<TileSums>,
    chroma: Vec<TileSums>,
    motions: Vec<f32>,
    changed: [bool; 2],
    ripples: RippleMeter,
}

impl FieldMeter {
    /// Forgets the frame before.
    pub(super) fn clear(&mut self) {
        self.luma.clear();
        self.chroma.clear();
        self.changed = [false; 2];
    }

    /// Adds a stripe of plane `plane` that begins at row `top`, a multiple of `TILE_ROWS`: the same rows of
    /// both pictures.
    pub(super) fn add_stripe(
        &mut self,
        plan: &ViewPlan,
        plane: usize,
        top: usize,
        current: &[u8],
        previous: &[u8],
    ) {
        let view = &plan.planes[plane];
        let row_bytes = view.packed.width * plan.bytes_per_sample;
        self.compare_rows(top + view.first_row(), row_bytes, current, previous);
        let width = view.packed.width;
        let (tiles, most) =
            if plane == 0 { (&mut self.luma, TILES_MAX) } else { (&mut self.chroma, TILES_MAX / 2) };
        let all = (width / COLUMNS) * (view.packed.height / TILE_ROWS);
        let every = all.div_ceil(most).max(1);
        let unit = (1u32 << (plan.bit_depth - 8)) as f32;
        let bands =
            current.chunks_exact(row_bytes * TILE_ROWS).zip(previous.chunks_exact(row_bytes * TILE_ROWS));
        for (band, (current, previous)) in (top / TILE_ROWS..).zip(bands) {
            let top = view.first_row() + band * TILE_ROWS;
            let chosen = Chosen { top, first: band % every, every, unit };
            match plan.bytes_per_sample {
                1 => tile_sums_8(current, previous, width, chosen, tiles),
                _ => tile_sums_16(current, previous, width, chosen, tiles),
            }
        }
    }

    /// Looks for the first sample of either parity that differs.
    fn compare_rows(&mut self, first: usize, row_bytes: usize, current: &[u8], previous: &[u8]) {
        if self.changed == [true; 2] {
            return;
        }
        let rows = current.chunks_exact(row_bytes).zip(previous.chunks_exact(row_bytes));
        for (row, (current, previous)) in (first..).zip(rows) {
            let changed = &mut self.changed[row % 2];
            *changed = *changed || current != previous;
        }
    }

    /// What the tiles of the whole picture come to.
    pub(super) fn measures(&mut self, plan: &ViewPlan) -> FieldMeasures {
        let [top_changed, bottom_changed] = self.changed;
        let unchanged = FieldMeasures {
            top_unchanged: !top_changed,
            bottom_unchanged: !bottom_changed,
            ..FieldMeasures::default()
        };
        if self.luma.len() < TILES_MIN {
            return unchanged;
        }
        let scale = (1u32 << (plan.bit_depth - 8)) as f32 * COLUMNS as f32;
        let luma_from = self.moving_from(false, scale);
        let luma = fit(&self.luma, luma_from, scale);
        let moving_rows = rows(&self.luma, luma_from, scale);
        let chroma_from = self.moving_from(true, scale);
        let chroma = fit(&self.chroma, chroma_from, scale);
        let ripple = self.ripples.luma(moving(&self.luma, luma_from, scale), placed(&self.luma));
        let ripple = self.ripples.with_chroma(ripple, moving(&self.chroma, chroma_from, scale));
        let measures = FieldMeasures { luma, chroma, moving_rows, ripple, ..unchanged };
        // A region that begins with a row of the bottom field has the parities of its rows swapped.
        let swapped = |plane: usize| plan.planes.get(plane).is_some_and(|view| view.first_row() % 2 == 1);
        FieldMeasures {
            luma: if swapped(0) { luma.swapped() } else { luma },
            moving_rows: if swapped(0) { moving_rows.swapped() } else { moving_rows },
            chroma: if swapped(1) { chroma.swapped() } else { chroma },
            ..measures
        }
    }

    /// Motion from which a tile counts as moving, code values at 8 bit.
    fn moving_from(&mut self, chroma: bool, scale: f32) -> f32 {
        let tiles = if chroma { &self.chroma } else { &self.luma };
        self.motions.clear();
        self.motions.extend(tiles.iter().map(|tile| motion(tile, scale)));
        if self.motions.is_empty() {
            return MOVING_MIN;
        }
        let tenth = self.motions.len() / 10;
        let quiet = *self.motions.select_nth_unstable_by(tenth, f32::total_cmp).1;
        (MOVING_OF_QUIET * quiet).clamp(MOVING_MIN, MOVING_SURE)
    }
}

/// Tiles with their places.
fn placed(tiles: &[TileSums]) -> impl Iterator<Item = PlacedTile<'_>> {
    tiles.iter().map(|tile| (tile.top, &tile.ripple))
}

/// Tiles that move, with their places.
fn moving(tiles: &[TileSums], moving_from: f32, scale: f32) -> impl Iterator<Item = PlacedTile<'_>> {
    let moves = move |tile: &&TileSums| motion(tile, scale) >= moving_from;
    tiles.iter().filter(moves).map(|tile| (tile.top, &tile.ripple))
}

/// Mean motion of both fields of a tile, code values at 8 bit.
fn motion(tile: &TileSums, scale: f32) -> f32 {
    (tile.fit[0] + tile.fit[1]) as f32 / (2.0 * WEIGHTS * scale)
}

fn fit(tiles: &[TileSums], moving_from: f32, scale: f32) -> FieldFit {
    let mut sums = [0u64; 5];
    let (mut moving, mut combed, mut striped) = (0, 0, 0);
    for tile in tiles {
        if motion(tile, scale) < moving_from {
            striped += usize::from(is_striped(tile, scale));
            continue;
        }
        moving += 1;
        combed += usize::from(is_combed(tile));
        sums.iter_mut().zip(tile.fit).for_each(|(sum, value)| *sum += u64::from(value));
    }
    // Rows that alternate where nothing moves are the picture's own, and as many of them are expected where it moves.
    let own = (striped * moving).div_ceil((tiles.len() - moving).max(1));
    let mean =
        |index: usize| Level::new(sums[index] as f32 / (FIT_WEIGHTS[index] * scale * moving.max(1) as f32));
    FieldFit {
        top_motion: mean(0),
        bottom_motion: mean(1),
        within: mean(2),
        top_with_earlier: mean(3),
        bottom_with_earlier: mean(4),
        moving: Share::of(moving, tiles.len()),
        combed: Share::of(combed.saturating_sub(own), moving),
    }
}

/// Whether a tile shows a comb of its own: the finest vertical frequency outweighs the next, and moves.
fn is_combed(tile: &TileSums) -> bool {
    let [top, bottom, within, ..] = tile.fit.map(|sum| sum as f32);
    alternates(tile) && within > COMBED_OF_MOTION * top.max(bottom)
}

/// Whether the rows of a tile alternate by as much as what moves must move.
fn is_striped(tile: &TileSums, scale: f32) -> bool {
    alternates(tile) && tile.fit[2] as f32 >= MOVING_MIN * FIT_WEIGHTS[2] * scale
}

/// Whether the finest vertical frequency of a tile outweighs the next.
fn alternates(tile: &TileSums) -> bool {
    let [_, _, within, .., coarse] = tile.fit.map(|sum| sum as f32);
    within / FIT_WEIGHTS[2] > COMBED_OF_COARSE * coarse / FIT_WEIGHTS[5]
}

fn rows(tiles: &[TileSums], moving_from: f32, scale: f32) -> RowDetail {
    let mut sums = [0u64; 2];
    let mut count = 0;
    for tile in tiles.iter().filter(|tile| motion(tile, scale) >= moving_from) {
        count += 1;
        sums.iter_mut().zip(tile.rows).for_each(|(sum, value)| *sum += u64::from(value));
    }
    let mean =
        |index: usize| Level::new(sums[index] as f32 / (ROW_WEIGHTS[index] * scale * count.max(1) as f32));
    RowDetail { top: mean(0), bottom: mean(1) }
}

impl FieldFit {
    /// With the names of the fields exchanged.
    fn swapped(self) -> Self {
        Self {
            top_motion: self.bottom_motion,
            bottom_motion: self.top_motion,
            top_with_earlier: self.bottom_with_earlier,
            bottom_with_earlier: self.top_with_earlier,
            ..self
        }
    }
}

impl RowDetail {
    /// With the names of the fields exchanged.
    fn swapped(self) -> Self {
        Self { top: self.bottom, bottom: self.top }
    }
}
