//! Double images of two fields: whether the even and the odd rows of a picture come from two moments although each
//! row is mixed with those beside it.
//!
//! Let a picture be a weighted mean of two pictures, each rebuilt from one field by the mean of the rows above and
//! below. The difference of a row and the mean of its neighbours then holds the field of that row alone: with weights
//! 1 − w and w, a row y of the first field gives
//!
//! ```text
//! (1 − w)·(2·f(y) − f(y − 2) − f(y + 2)) / 4
//! ```
//!
//! and what the other field adds cancels, whatever w is; a row of the second field gives the same with w and its own
//! moment. Derived, not published. So these differences are a weave of two moments, and their strength in even and in odd
//! rows says how the mean was weighted. Where a tile moves by m from picture to picture, its even and odd rows lie m/2
//! apart. In a progressive picture their correlation is the same for a displacement and for the opposite one, whatever
//! the texture, so that the difference of both, measured along the tile's own motion, is a sign of two moments that no
//! texture, blur or noise has. Down the rows alone it is none: rows that were scaled lie off their places by a part of a
//! row, alternately up and down, which shows as a motion that has one direction whatever moves.

use multiversion::multiversion;

use super::fields::Share;
use super::view::ViewPlan;

/// Columns and rows of a tile: two blocks of the block change. Small, so that a tile has one motion.
const TILE: (usize, usize) = (2 * BLOCK, BLOCK);
/// Side of the blocks whose change says which tiles move.
const BLOCK: usize = super::blocks::BLOCK_SIDE;
/// Most tiles that are looked at, spread evenly over those that move. By trials: half as many miss small objects after
/// a lossy recorder.
const TILES_MAX: usize = 32;
/// Least change of a moving tile, and from where on it moves whatever the rest does: mean absolute differences, code
/// values at 8 bit. As for the tiles of fields.
const MOVING: (f32, f32) = (1.0, 4.0);
/// A tile moves when it changes this many times more than the quiet tenth of the picture.
const MOVING_OF_QUIET: f32 = 3.0;

/// Farthest motion from picture to picture that is searched for, pixels across and rows down. Twice the search would
/// cost twice the time; motion beyond is not told.
const REACH: (usize, usize) = (32, 8);
/// Pixels and rows around a tile that lags need: the reach with what rounding and interpolation add.
const MARGIN: (usize, usize) = (36, 14);
/// Columns and rows of a tile with its margins.
const WINDOW: (usize, usize) = (TILE.0 + 2 * MARGIN.0, TILE.1 + 2 * MARGIN.1);
/// The same at half the size, where motion is searched for.
const HALF: (usize, usize) = (WINDOW.0 / 2, WINDOW.1 / 2);
/// Rows of differences of either parity within a window: each needs one row above and one below.
const BANDS: usize = WINDOW.1 / 2 - 2;
/// Bands of the tile itself.
const TILE_BANDS: usize = TILE.1 / 2;
/// First band of the tile.
const FIRST_BAND: usize = (MARGIN.1 - 2) / 2;

/// Least motion of a tile that says anything, pixels per picture. Below it the two moments lie less than a tenth of a
/// pixel apart.
const MOTION_MIN: f32 = 0.2;
/// A tile follows a motion when at most this share of the energy of its change is left after a whole shift, which keeps out
/// what moves by less than half a pixel. By trials.
const LEFT_MAX: f32 = 0.7;
/// Least displacement at which the rows are compared, pixels: correlations fall off steepest about there, so that small
/// motions show best. By trials.
const LAG_MIN: f32 = 2.0;
/// Least mean square of the differences of rows, in code values at 8 bit: below it there is rounding alone.
const DETAIL_MIN: f32 = 0.25;

/// A correlation or a difference of two: from −2 to 2 in steps of 1/16384, saturating.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Correlation(pub i16);

impl Correlation {
    /// Steps of one.
    pub const STEPS: f32 = 16_384.0;

    fn new(value: f32) -> Self {
        // Float to integer casts saturate.
        Self((value * Self::STEPS).round() as i16)
    }

    /// From −2 to 2.
    pub fn value(self) -> f32 {
        f32::from(self.0) / Self::STEPS
    }
}

/// What the moving tiles of a picture show of two moments in even and odd rows. All zero where none is told.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct DoubleImage {
    /// Tiles that follow a motion.
    pub tiles: u16,
    /// Correlation of even with odd rows displaced along the motion, less that displaced against it: positive where the
    /// odd rows (the bottom field) are of the later moment, none in progressive pictures.
    pub asymmetry: Correlation,
    /// The same of tiles that move down less that of tiles that move up. Rows that were scaled lie off their places, so
    /// that all of it may come from that.
    pub downward: Correlation,
    /// What the asymmetry would be if the odd rows were the even ones half a motion later and no row lay between them.
    pub expected: Correlation,
    /// Standard error of the asymmetry by how the tiles differ. Texture that moves sideways is seen again and again in the
    /// same rows, so that more pictures of it do not make it less.
    pub error: Correlation,
    /// Correlation of even with odd rows in place: near −1 in combs and other rows that alternate.
    pub within: Correlation,
    /// Strength (root mean square) of the odd rows against that of both: the weight of the bottom field in a mean.
    pub bottom: Share,
}

/// Samples of a tile with its margins, code values at 8 bit.
type Window = [[i16; WINDOW.0]; WINDOW.1];
/// The same at half the size, sums of four.
type HalfWindow = [[i16; HALF.0]; HALF.1];
/// Differences of rows of one parity.
type Bands = [[i16; WINDOW.0]; BANDS];

/// Measures double images. Holds only scratch memory between frames.
#[derive(Default)]
pub(super) struct DoubleImageMeter {
    moving: Vec<(usize, usize)>,
    changes: Vec<f32>,
}

impl DoubleImageMeter {
    /// What the tiles of two packed pictures show; `changes` are the means of the luma blocks, row by row.
    pub(super) fn measure(
        &mut self,
        plan: &ViewPlan,
        current: &[u8],
        previous: &[u8],
        changes: &[f32],
    ) -> DoubleImage {
        self.find_moving(plan, changes);
        let every = self.moving.len().div_ceil(TILES_MAX).max(1);
        let mut sums = Sums::default();
        for &(left, top) in self.moving.iter().step_by(every) {
            // The window begins with an even row of the whole picture.
            let top = top - (plan.planes[0].first_row() + top) % 2;
            let place = (left - MARGIN.0, top - MARGIN.1);
            sums.add(&tile(&window(plan, current, place), &window(plan, previous, place)));
        }
        sums.mean()
    }

    /// Places of the tiles that move and have their margins within the picture.
    fn find_moving(&mut self, plan: &ViewPlan, changes: &[f32]) {
        let (width, height) = (plan.planes[0].packed.width, plan.planes[0].packed.height);
        let across = width.div_ceil(BLOCK);
        self.moving.clear();
        self.changes.clear();
        self.changes.extend(changes.iter().copied().filter(|&change| change >= 0.0));
        if self.changes.is_empty() {
            return;
        }
        let tenth = self.changes.len() / 10;
        let quiet = *self.changes.select_nth_unstable_by(tenth, f32::total_cmp).1;
        let moving_from = (MOVING_OF_QUIET * quiet).clamp(MOVING.0, MOVING.1);
        let inside = |&(left, top): &(usize, usize)| {
            // One row more above: the window may move up by it.
            left >= MARGIN.0
                && top > MARGIN.1
                && left + TILE.0 + MARGIN.0 <= width
                && top + TILE.1 + MARGIN.1 <= height
        };
        let moves = |&(left, top): &(usize, usize)| {
            let block = top / BLOCK * across + left / BLOCK;
            (changes[block] + changes[block + 1]) / 2.0 >= moving_from
        };
        let places = (0..height)
            .step_by(TILE.1)
            .flat_map(|top| (0..width).step_by(TILE.0).map(move |left| (left, top)));
        self.moving.extend(places.filter(inside).filter(moves));
    }
}

/// Samples from this place (column, row) of the luma plane on, scaled to 8 bit.
#[multiversion(targets("x86_64+avx512f+avx512bw+avx512dq+avx512vl+avx2", "x86_64+avx2"))]
fn window(plan: &ViewPlan, picture: &[u8], (left, top): (usize, usize)) -> Window {
    let plane = plan.planes[0].packed;
    let bytes = plan.bytes_per_sample;
    let down = plan.bit_depth - 8;
    let mut window = [[0; WINDOW.0]; WINDOW.1];
    for (row, line) in window.iter_mut().enumerate() {
        let start = plane.offset + ((top + row) * plane.width + left) * bytes;
        let samples = &picture[start..start + WINDOW.0 * bytes];
        if bytes == 1 {
            for (value, &sample) in line.iter_mut().zip(samples) {
                *value = i16::from(sample);
            }
        } else {
            for (value, sample) in line.iter_mut().zip(samples.chunks_exact(2)) {
                *value = (u16::from_le_bytes([sample[0], sample[1]]) >> down) as i16;
            }
        }
    }
    window
}

/// Sums over tiles, each weighted by the energy of its differences.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
struct Sums {
    tiles: u16,
    /// Root of the energies of even and odd differences, multiplied: what the correlations refer to.
    weight: f32,
    asymmetry: f32,
    downward: f32,
    expected: f32,
    within: f32,
    /// Squares of asymmetry, of asymmetry times expected, and of expected.
    squares: [f32; 3],
    even_energy: f32,
    odd_energy: f32,
}

impl Sums {
    fn add(&mut self, tile: &Self) {
        self.tiles += tile.tiles;
        self.weight += tile.weight;
        self.asymmetry += tile.asymmetry;
        self.downward += tile.downward;
        self.expected += tile.expected;
        self.within += tile.within;
        let (found, expected) = (tile.asymmetry, tile.expected);
        let squares = [found * found, found * expected, expected * expected];
        self.squares.iter_mut().zip(squares).for_each(|(sum, square)| *sum += square);
        self.even_energy += tile.even_energy;
        self.odd_energy += tile.odd_energy;
    }

    fn mean(&self) -> DoubleImage {
        if self.tiles == 0 || self.weight <= 0.0 {
            return DoubleImage::default();
        }
        let correlation = |sum: f32| Correlation::new(sum / self.weight);
        let (even, odd) = (self.even_energy.sqrt(), self.odd_energy.sqrt());
        // What each tile differs from the share that all have of what they should have.
        let share = if self.expected > 0.0 { self.asymmetry / self.expected } else { 0.0 };
        let [found, both, expected] = self.squares;
        let scatter = (found - 2.0 * share * both + share * share * expected).max(0.0);
        DoubleImage {
            tiles: self.tiles,
            asymmetry: correlation(self.asymmetry),
            downward: correlation(self.downward),
            expected: correlation(self.expected),
            error: correlation(scatter.sqrt()),
            within: correlation(self.within),
            bottom: Share((odd / (even + odd) * f32::from(u16::MAX)).round() as u16),
        }
    }
}

/// What one tile shows; nothing where it follows no motion or has no detail.
#[multiversion(targets("x86_64+avx512f+avx512bw+avx512dq+avx512vl+avx2", "x86_64+avx2"))]
fn tile(now: &Window, before: &Window) -> Sums {
    let Some((x, y)) = motion(now, before) else { return Sums::default() };
    let even = differences(now, 0);
    let odd = differences(now, 1);
    // Even rows at the height of the odd ones.
    let mut raised = even;
    for band in 0..BANDS - 1 {
        for (column, value) in raised[band].iter_mut().enumerate() {
            *value += even[band + 1][column];
        }
    }
    let here = |bands: &Bands| correlation(bands, bands, (0, 0));
    let (even_energy, odd_energy, raised_energy) = (here(&even), here(&odd), here(&raised));
    let weight = (odd_energy * raised_energy).sqrt();
    if even_energy.min(odd_energy) < DETAIL_ENERGY || weight <= 0.0 {
        return Sums::default();
    }
    let length = x.hypot(y);
    let stretch = (length / 2.0).max(LAG_MIN) / length;
    let lag = ((x * stretch).round() as isize, (y * stretch / 2.0).round() as isize);
    // If the odd rows were the even ones half a motion later: the correlation that each parity has with itself at the
    // distances that the two lags then have from the displacement.
    let (across, bands) = (lag.0 as f32, lag.1 as f32);
    let (half_x, half_y) = (x / 2.0, y / 4.0);
    let own = |rows: &Bands| {
        between(rows, (across - half_x, bands - half_y)) - between(rows, (across + half_x, bands + half_y))
    };
    let asymmetry = correlation(&raised, &odd, lag) - correlation(&raised, &odd, (-lag.0, -lag.1));
    Sums {
        tiles: 1,
        weight,
        asymmetry,
        downward: asymmetry * lag.1.signum() as f32,
        expected: weight * (own(&raised) / raised_energy + own(&odd) / odd_energy) / 2.0,
        within: correlation(&raised, &odd, (0, 0)),
        squares: [0.0; 3],
        even_energy,
        odd_energy,
    }
}

/// Steps per code value of the differences: twice a row, and weights across that add up to 4.
const DIFFERENCE_STEPS: f32 = 2.0 * 4.0;
/// Least energy of a tile's differences, squares of their steps.
const DETAIL_ENERGY: f32 = DETAIL_MIN * DIFFERENCE_STEPS * DIFFERENCE_STEPS * (TILE.0 * TILE_BANDS) as f32;

/// Twice each row of one parity less the rows above and below, smoothed across by weights 1 2 1, from row 2 on. The
/// outermost columns are left out.
#[inline(always)]
fn differences(window: &Window, parity: usize) -> Bands {
    let mut bands = [[0; WINDOW.0]; BANDS];
    for (band, smooth) in bands.iter_mut().enumerate() {
        let row = 2 + 2 * band + parity;
        let (above, here, below) = (&window[row - 1], &window[row], &window[row + 1]);
        let mut plain = [0i16; WINDOW.0];
        for column in 0..WINDOW.0 {
            plain[column] = 2 * here[column] - above[column] - below[column];
        }
        for column in 1..WINDOW.0 - 1 {
            smooth[column] = plain[column - 1] + 2 * plain[column] + plain[column + 1];
        }
    }
    bands
}

/// Sum over the tile of `a` times `b` displaced by `lag` (columns, bands).
#[inline(always)]
fn correlation(a: &Bands, b: &Bands, (across, down): (isize, isize)) -> f32 {
    let mut sum = 0i64;
    for band in FIRST_BAND..FIRST_BAND + TILE_BANDS {
        let a: &[i16; TILE.0] = a[band][MARGIN.0..][..TILE.0].try_into().expect("a window holds its tile");
        let b = &b[band.wrapping_add_signed(down)][MARGIN.0.wrapping_add_signed(across)..][..TILE.0];
        // 32 products below 2^24 fit: differences of 8 bits are below 2^11 in their steps, raised ones below 2^12.
        sum += i64::from(a.iter().zip(b).map(|(&a, &b)| i32::from(a) * i32::from(b)).sum::<i32>());
    }
    sum as f32
}

/// Correlation of `bands` with itself at a place between columns and bands, linear in both.
#[inline(always)]
fn between(bands: &Bands, (across, down): (f32, f32)) -> f32 {
    let (column, band) = (across.floor(), down.floor());
    let (right, below) = (across - column, down - band);
    let mut sum = 0.0;
    for (step_down, share_down) in [(0, 1.0 - below), (1, below)] {
        for (step, share) in [(0, 1.0 - right), (1, right)] {
            if share * share_down > 0.0 {
                let lag = (column as isize + step, band as isize + step_down);
                sum += share * share_down * correlation(bands, bands, lag);
            }
        }
    }
    sum
}

/// Motion of the tile from the picture before, pixels right and rows down; `None` where it follows none.
#[inline(always)]
fn motion(now: &Window, before: &Window) -> Option<(f32, f32)> {
    let (x, y) = coarse_shift(&halved(now), &halved(before));
    let (x, y) = refined_shift(now, before, (2 * x, 2 * y));
    if x.unsigned_abs() > REACH.0 || y.unsigned_abs() > REACH.1 {
        return None;
    }
    let energy = |x: isize, y: isize| energy(now, before, (x, y));
    let best = energy(x, y);
    if best > LEFT_MAX * energy(0, 0) {
        return None;
    }
    // The least of a parabola through three values.
    let finer = |less: f32, more: f32| {
        let curve = less - 2.0 * best + more;
        if curve > 0.0 {
            ((less - more) / (2.0 * curve)).clamp(-0.5, 0.5)
        } else {
            0.0
        }
    };
    let x = x as f32 + finer(energy(x - 1, y), energy(x + 1, y));
    let y_fine = y as f32 + finer(energy(x.round() as isize, y - 1), energy(x.round() as isize, y + 1));
    (x.hypot(y_fine) >= MOTION_MIN).then_some((x, y_fine))
}

#[inline(always)]
fn halved(window: &Window) -> HalfWindow {
    let mut halved = [[0; HALF.0]; HALF.1];
    for (row, line) in halved.iter_mut().enumerate() {
        let (upper, lower) = (&window[2 * row], &window[2 * row + 1]);
        for (column, value) in line.iter_mut().enumerate() {
            let at = 2 * column;
            *value = upper[at] + upper[at + 1] + lower[at] + lower[at + 1];
        }
    }
    halved
}

/// The whole shift (columns right, rows down) at half the size at which the tile differs least in mean.
#[inline(always)]
fn coarse_shift(now: &HalfWindow, before: &HalfWindow) -> (isize, isize) {
    const SIDES: (usize, usize) = (TILE.0 / 2, TILE.1 / 2);
    const EDGES: (usize, usize) = (MARGIN.0 / 2, MARGIN.1 / 2);
    const REACHES: (isize, isize) = (REACH.0 as isize / 2, REACH.1 as isize / 2);
    let mut best = (i32::MAX, (0, 0));
    for y in -REACHES.1..=REACHES.1 {
        for x in -REACHES.0..=REACHES.0 {
            // Eight differences of sums of four samples fit in 16 bits.
            let mut columns = [0i16; SIDES.0];
            for row in 0..SIDES.1 {
                let now: &[i16; SIDES.0] =
                    now[EDGES.1 + row][EDGES.0..][..SIDES.0].try_into().expect("a window holds its tile");
                let there = (EDGES.1 + row).wrapping_add_signed(-y);
                let before = &before[there][EDGES.0.wrapping_add_signed(-x)..][..SIDES.0];
                for (column, (&a, &b)) in columns.iter_mut().zip(now.iter().zip(before)) {
                    *column += (a - b).abs();
                }
            }
            let sum: i32 = columns.iter().map(|&column| i32::from(column)).sum();
            if sum < best.0 {
                best = (sum, (x, y));
            }
        }
    }
    best.1
}

/// The whole shift near `coarse` at which the tile differs least in square.
#[inline(always)]
fn refined_shift(now: &Window, before: &Window, coarse: (isize, isize)) -> (isize, isize) {
    let mut best = (f32::INFINITY, coarse);
    for y in coarse.1 - 1..=coarse.1 + 1 {
        for x in coarse.0 - 1..=coarse.0 + 1 {
            let energy = energy(now, before, (x, y));
            if energy < best.0 {
                best = (energy, (x, y));
            }
        }
    }
    best.1
}

/// Sum of squared differences between the tile and the earlier one from which it has come by this shift.
#[inline(always)]
fn energy(now: &Window, before: &Window, (x, y): (isize, isize)) -> f32 {
    let mut sum = 0;
    for row in MARGIN.1..MARGIN.1 + TILE.1 {
        let now: &[i16; TILE.0] = now[row][MARGIN.0..][..TILE.0].try_into().expect("a window holds its tile");
        let before = &before[row.wrapping_add_signed(-y)][MARGIN.0.wrapping_add_signed(-x)..][..TILE.0];
        let square = |(&a, &b): (&i16, &i16)| i32::from(a - b) * i32::from(a - b);
        sum += now.iter().zip(before).map(square).sum::<i32>();
    }
    sum as f32
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::fingerprint::blocks::BlockChange;
    use crate::frame::{Family, FrameShape, PixelFormat, Rect};
    use crate::settings::ViewSettings;

    const WIDTH: usize = 320;
    const HEIGHT: usize = 96;

    /// Brightness at a place of a still scene, about zero.
    type Scene = fn(f64, f64) -> f64;

    /// Waves across, times one wave down: what even and odd rows have of it are multiples of each other.
    fn separable(x: f64, y: f64) -> f64 {
        let across = (0.45 * x).sin() + (0.83 * x + 1.0).sin() + (0.29 * x + 2.0).sin() + (0.61 * x).cos();
        24.0 * across * (0.7 * y).cos()
    }

    /// The same waves at slants of their own.
    fn slanted(x: f64, y: f64) -> f64 {
        let wave = |across: f64, down: f64| (across * x + down * y).sin();
        20.0 * (wave(0.45, 0.9) + wave(0.83, -0.5) + wave(0.29, 1.3) + wave(0.61, 0.3))
    }

    /// A fence: one period across and nothing else.
    fn fence(x: f64, y: f64) -> f64 {
        60.0 * (0.785 * x).sin() + 20.0 * (0.6 * y).cos()
    }

    /// A picture of `scene` that has moved right.
    fn paint(scene: Scene, moved: f64) -> Vec<f64> {
        let at = |place: usize| scene((place % WIDTH) as f64 - moved, (place / WIDTH) as f64);
        (0..WIDTH * HEIGHT).map(|place| 128.0 + at(place)).collect()
    }

    /// The rows of one parity (0 or 1), the others rebuilt as the mean of the rows above and below.
    fn rebuilt(whole: &[f64], parity: usize) -> Vec<f64> {
        let sample = |row: usize, column: usize| whole[row.min(HEIGHT - 1) * WIDTH + column];
        (0..whole.len())
            .map(|place| match (place / WIDTH, place % WIDTH) {
                (row, column) if row % 2 == parity => sample(row, column),
                (row, column) => (sample(row.max(1) - 1, column) + sample(row + 1, column)) / 2.0,
            })
            .collect()
    }

    /// Mean of the top field of one picture and the bottom field of another.
    fn mean(top: &[f64], bottom: &[f64], weight_of_bottom: f64) -> Vec<f64> {
        let (top, bottom) = (rebuilt(top, 0), rebuilt(bottom, 1));
        let mix = |(a, b): (&f64, &f64)| a + weight_of_bottom * (b - a);
        top.iter().zip(&bottom).map(mix).collect()
    }

    fn plan(bit_depth: u8, view: &ViewSettings) -> ViewPlan {
        let pixel_format = PixelFormat { family: Family::Gray, bit_depth };
        ViewPlan::new(FrameShape { width: WIDTH as u32, height: HEIGHT as u32, pixel_format }, view)
    }

    /// What two pictures in a row show.
    fn shown(before: &[f64], now: &[f64]) -> DoubleImage {
        let quantised =
            |picture: &[f64]| -> Vec<u8> { picture.iter().map(|value| value.round() as u8).collect() };
        measured(&plan(8, &ViewSettings::default()), &quantised(before), &quantised(now))
    }

    fn measured(plan: &ViewPlan, before: &[u8], now: &[u8]) -> DoubleImage {
        let mut blocks = BlockChange::default();
        blocks.add_stripe(plan, 0, now, before);
        blocks.take_means(plan, 0);
        DoubleImageMeter::default().measure(plan, now, before, blocks.means())
    }

    /// What a device shows that averages the two fields of each frame, of a scene that moves so far per field.
    fn averaged(scene: Scene, per_field: f64, weight_of_bottom: f64) -> DoubleImage {
        let picture = |number: usize| {
            let field = |more: usize| paint(scene, per_field * (2 * number + more) as f64);
            mean(&field(0), &field(1), weight_of_bottom)
        };
        shown(&picture(0), &picture(1))
    }

    /// Normalised correlation of the waves of [`separable`] with themselves, smoothed as the differences are: each
    /// wave's energy times the cosine of its phase. Derived.
    fn own_correlation(lag: f64) -> f64 {
        let frequencies = [0.45f64, 0.83, 0.29, 0.61];
        let energy = |frequency: f64| ((1.0 + frequency.cos()) / 2.0).powi(2);
        let sum: f64 = frequencies.iter().map(|&f| energy(f) * (f * lag).cos()).sum();
        sum / frequencies.iter().map(|&f| energy(f)).sum::<f64>()
    }

    #[test]
    fn the_differences_of_each_parity_hold_one_field_alone() {
        // Multiples of four, so that every mean is a whole number.
        let field = |factor: usize| -> Vec<f64> {
            (0..WIDTH * HEIGHT).map(|place| ((place * factor / 7) % 32 * 4) as f64).collect()
        };
        let (top, bottom, other) = (field(97), field(61), field(11));
        let window = |top: &[f64], bottom: &[f64]| -> Window {
            let picture = mean(top, bottom, 0.5);
            std::array::from_fn(|row| std::array::from_fn(|column| picture[row * WIDTH + column] as i16))
        };
        let mixed = window(&top, &bottom);
        assert_eq!(differences(&mixed, 0), differences(&window(&top, &other), 0));
        assert_eq!(differences(&mixed, 1), differences(&window(&other, &bottom), 1));
        assert_ne!(differences(&mixed, 0), differences(&mixed, 1));
        // And of that field they hold the difference from its own neighbours, a quarter of it.
        let row = |row: usize, column: usize| top[row * WIDTH + column];
        let plain = |column: usize| (2.0 * row(12, column) - row(10, column) - row(14, column)) / 4.0;
        let smooth = plain(49) + 2.0 * plain(50) + plain(51);
        assert_eq!(f64::from(differences(&mixed, 0)[5][50]), smooth);
    }

    #[test]
    fn averaged_fields_lie_half_a_motion_apart() {
        for per_field in [0.6, 1.0, 2.37, 4.0, 9.2, -2.37] {
            let double = averaged(separable, per_field, 0.5);
            assert!(double.tiles >= 8, "{per_field}: {double:?}");
            let lag = f64::max(per_field.abs(), 2.0).round();
            let expected = own_correlation(lag - per_field.abs()) - own_correlation(lag + per_field.abs());
            let asymmetry = f64::from(double.asymmetry.value());
            assert!((asymmetry - expected).abs() < 0.1, "{per_field}: {asymmetry} for {expected}");
            assert!((f64::from(double.expected.value()) - expected).abs() < 0.1, "{per_field}: {double:?}");
        }
    }

    #[test]
    fn the_later_field_gives_the_sign_whatever_the_direction() {
        for step in [2.0, -2.0] {
            assert!(averaged(slanted, step, 0.5).asymmetry.value() > 0.2);
            let swapped = |number: usize| {
                let field = |more: usize| paint(slanted, step * (2 * number + more) as f64);
                mean(&field(1), &field(0), 0.5)
            };
            assert!(shown(&swapped(0), &swapped(1)).asymmetry.value() < -0.2);
        }
    }

    #[test]
    fn the_strength_of_the_rows_is_the_weight_of_their_field() {
        for weight in [0.3, 0.5, 0.65] {
            let bottom = f64::from(averaged(slanted, 2.0, weight).bottom.value());
            assert!((bottom - weight).abs() < 0.03, "{bottom} for {weight}");
        }
    }

    /// Whole pictures, whatever they show and however they are blurred, mixed or woven of like rows, have no asymmetry.
    #[test]
    fn pictures_of_one_moment_have_no_asymmetry() {
        let whole = |scene: Scene| move |number: usize| paint(scene, 4.7 * number as f64);
        let many = |scene: Scene, from: usize, to: usize, step: f64| -> Vec<f64> {
            let pictures: Vec<Vec<f64>> =
                (from..to).map(|number| paint(scene, step * number as f64)).collect();
            (0..WIDTH * HEIGHT)
                .map(|place| pictures.iter().map(|picture| picture[place]).sum::<f64>() / (to - from) as f64)
                .collect()
        };
        let shutter = |number: usize| many(slanted, 8 * number, 8 * number + 8, 0.6);
        let mixed = |number: usize| many(slanted, number, number + 2, 4.7);
        let noisy = |number: usize| -> Vec<f64> {
            let mut state = number as u64 + 1;
            paint(slanted, 4.7 * number as f64)
                .into_iter()
                .map(|value| {
                    state = state.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1);
                    value + (state >> 60) as f64 - 7.5
                })
                .collect()
        };
        type Device<'a> = &'a dyn Fn(usize) -> Vec<f64>;
        let table: [(&str, Device<'_>); 6] = [
            ("waves", &whole(separable)),
            ("slants", &whole(slanted)),
            ("a fence", &whole(fence)),
            ("a shutter", &shutter),
            ("a mix of pictures", &mixed),
            ("noise", &noisy),
        ];
        for (name, picture) in table {
            let double = shown(&picture(0), &picture(1));
            assert!(double.tiles > 0, "{name}");
            assert!(double.asymmetry.value().abs() < 0.04, "{name}: {double:?}");
        }
        let one_field = |number: usize| rebuilt(&paint(slanted, 4.7 * number as f64), 0);
        let double = shown(&one_field(0), &one_field(1));
        assert!(double.tiles == 0 || double.bottom.value() < 0.1, "{double:?}");
    }

    #[test]
    fn what_does_not_move_or_has_no_detail_says_nothing() {
        let still = paint(slanted, 0.0);
        let flat = |level: f64| vec![level; WIDTH * HEIGHT];
        let columns = |moved: f64| -> Vec<f64> {
            (0..WIDTH * HEIGHT).map(|at| 128.0 + separable((at % WIDTH) as f64 - moved, 0.0)).collect()
        };
        for (before, now) in
            [(still.clone(), still.clone()), (flat(60.0), flat(90.0)), (columns(0.0), columns(4.0))]
        {
            assert_eq!(shown(&before, &now), DoubleImage::default());
        }
        // Beyond the reach nothing follows.
        assert_eq!(shown(&flat(20.0), &still).tiles, 0);
    }

    #[test]
    fn the_motion_of_a_tile_is_found_between_pixels() {
        for (x, y) in [(0.0, 3.0), (4.7, 0.0), (-12.4, 2.0), (31.0, -5.0), (0.8, 0.3)] {
            let window = |moved: f64| -> Window {
                std::array::from_fn(|row| {
                    std::array::from_fn(|column| {
                        let (x, y) = (column as f64 - moved * x + 20.0, row as f64 - moved * y);
                        // Edges of both directions everywhere, and no two places alike.
                        let across = (0.3 * x).sin() + (0.113 * x + 1.0).sin();
                        let down = (0.37 * y).sin() + (0.21 * y + 2.0).sin();
                        (128.0 + 25.0 * (across + down)).round() as i16
                    })
                })
            };
            let found = motion(&window(1.0), &window(0.0)).expect("a motion within reach");
            let off = (f64::from(found.0) - x).hypot(f64::from(found.1) - y);
            assert!(off < 0.15, "{found:?} for {:?}", (x, y));
        }
    }

    #[test]
    fn a_region_that_begins_with_a_bottom_row_keeps_the_names_of_the_fields() {
        let (moments, quantised) = (
            |number: usize| {
                let field = |more: usize| paint(slanted, 2.0 * (2 * number + more) as f64);
                mean(&field(0), &field(1), 0.5)
            },
            |picture: &[f64]| -> Vec<u8> { picture.iter().map(|value| value.round() as u8).collect() },
        );
        let pictures = [0, 1].map(|number| quantised(&moments(number)));
        for first in [0usize, 1, 2] {
            let rect = Rect { x: 0, y: first as u32, width: WIDTH as u32, height: (HEIGHT - first) as u32 };
            let plan = plan(8, &ViewSettings { region: Some(rect), ..ViewSettings::default() });
            let [before, now] = pictures.each_ref().map(|picture| &picture[first * WIDTH..]);
            let double = measured(&plan, before, now);
            assert!(double.asymmetry.value() > 0.2, "{first}: {double:?}");
        }
    }

    #[test]
    fn samples_of_two_bytes_say_the_same() {
        let pictures =
            [0.0, 4.0].map(|moved| mean(&paint(slanted, moved), &paint(slanted, moved + 2.0), 0.5));
        let narrow = pictures
            .each_ref()
            .map(|picture| -> Vec<u8> { picture.iter().map(|value| value.round() as u8).collect() });
        let wide = narrow.each_ref().map(|picture| -> Vec<u8> {
            picture.iter().flat_map(|&value| (u16::from(value) << 2).to_le_bytes()).collect()
        });
        let view = ViewSettings::default();
        assert_eq!(
            measured(&plan(8, &view), &narrow[0], &narrow[1]),
            measured(&plan(10, &view), &wide[0], &wide[1])
        );
    }
}
