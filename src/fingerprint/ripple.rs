//! What comes and goes from row to row at the pace of fields, straight or scaled.
//!
//! Two measures, each a mean over tiles in which every tile has the same say:
//!
//! * **comb**: how far what alternates between rows goes with the change since the picture before. Rows of a later moment
//!   lie nearer to where things move to, rows of an earlier one farther back, so that the alternation of a comb is the
//!   motion itself, half a step of it, with the sign of the row. Detail of a progressive picture knows nothing of the
//!   numbers of its rows, so that its products cancel over a picture whatever it shows. Derived, not published.
//! * **detail**: whether rows of one kind differ more from their neighbours than those of the other. Rows that were made of
//!   their neighbours do not differ from them at all.
//!
//! A picture that was scaled has both at another pace: n field lines of a clip on m rows make n / 2m cycles per row.

use super::fields::{Lane, COLUMNS, LANES, TILE_ROWS};

/// Lines of a clip with fields, and rows on which it is shown: what devices commonly scale to (common practice, no
/// source). Paces near 1/8 and 3/8 are left out: tiles of 8 rows come round with them. 1080 lines on 720 rows have 3/4 cycle
/// per row, which rows cannot tell from 1/4, the pace of 2160 rows.
pub const SCALINGS: [(u32, u32); 5] = [(1080, 2160), (480, 1080), (576, 1080), (480, 720), (576, 720)];

/// Rows of a tile that are looked at: those with two rows above and two below.
const ROWS: usize = TILE_ROWS - 4;
/// A row counts for at most so much difference from its neighbours, code values at 8 bit: a few hard edges are not to
/// outweigh the rest. Choice.
const DETAIL_MAX: f32 = 24.0;
/// Least detail for a tile to say something of its rows, code values at 8 bit: rounding alone reaches a half.
const DETAIL_MIN: f32 = 1.0;

/// Least evenness of a tile's detail over the two rows of its stronger parity, 1 where both have the same and 1/2 where one
/// has all of it: an edge or a line lies in rows of its own, whatever their numbers. Choice: one to three.
const EVEN_ROWS_MIN: f32 = 0.8;
/// Least evenness over the columns likewise, (Σ|r|)² / (n Σ r²): 2/π of normal values and 1/2 of what falls off
/// exponentially on both sides (derived), a half of that where both parities share in the squares. Drawn lines and
/// letters have their detail in a few columns, and their rows are laid out by somebody. Choice.
const EVEN_COLUMNS_MIN: f32 = 0.15;
/// Fewest textured tiles for a mean that stands for a picture: of chance signs ± 0.4 a quarter of that is left. Choice.
const TEXTURED_TILES_MIN: usize = 16;

/// A share from −1 to 1 in steps of 1/32767.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct SignedShare(pub i16);

impl SignedShare {
    fn new(value: f32) -> Self {
        Self((value * f32::from(i16::MAX)).round() as i16)
    }

    /// From −1 to 1.
    pub fn value(self) -> f32 {
        f32::from(self.0) / f32::from(i16::MAX)
    }
}

/// Strength of an alternation with its place among the rows: cosine part and sine part, counted from row 0.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Phasor {
    /// Cosine part.
    pub cosine: SignedShare,
    /// Sine part.
    pub sine: SignedShare,
}

/// Alternations of one frame; all zero where nothing is to be said.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Ripple {
    /// Comb of luma from row to row: negative where the top field is the earlier one.
    pub comb: SignedShare,
    /// Comb of luma at the pace of each of [`SCALINGS`].
    pub scaled_combs: [Phasor; SCALINGS.len()],
    /// Comb of chroma from row to row.
    pub chroma_comb: SignedShare,
    /// Comb of chroma at half that pace: chroma that was raised to every row as if its picture were whole.
    pub raised_comb: Phasor,
    /// Detail of luma from row to row: positive where the bottom rows follow from the top ones.
    pub detail: SignedShare,
    /// Detail of luma that moves at half that pace, that of the first of [`SCALINGS`]. Drawn letters that stand are
    /// often drawn in rows of their own.
    pub scaled_detail: Phasor,
    /// How much nearer top rows that move are to the row below than to the one above: 1 where lines are doubled.
    pub pairs: SignedShare,
    /// Whether enough of what moves is texture: what is drawn may have doubled lines by itself. What asks for scaled
    /// pictures is zero without it.
    pub textured: bool,
}

/// Alternations in one tile, row by row from its third.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct TileRipple {
    /// Products of what is left of a row above its neighbours with the change around it, over the root of both squares:
    /// against the rows next to it ...
    combs: [f32; ROWS],
    /// ... and against the rows after those.
    wide_combs: [f32; ROWS],
    /// Share of each row in the differences from neighbours; zero without detail.
    details: [f32; ROWS],
    /// How much nearer even rows are to the row below than to the one above, as a share of both.
    pairs: f32,
    /// Whether its detail is texture, not edges and lines that lie in rows of their own.
    textured: bool,
}

impl TileRipple {
    fn is_detailed(&self) -> bool {
        self.details != [0.0; ROWS]
    }

    /// With the mean differences of even rows from the rows below and above.
    pub(super) fn with_pairs(self, below: f32, above: f32) -> Self {
        let both = below + above;
        Self { pairs: if both > 0.0 { (above - below) / both } else { 0.0 }, ..self }
    }
}

/// Samples of some columns of a tile.
type Block<T> = [[T; LANES]; TILE_ROWS];

/// Sums over the columns of a tile.
#[derive(Default)]
pub(super) struct RippleSums {
    combs: [[f32; LANES]; ROWS],
    wide_combs: [[f32; LANES]; ROWS],
    /// Squares of: both kinds of remainders, both kinds of changes.
    squares: [[f32; LANES]; 4],
    details: [[f32; LANES]; ROWS],
}

impl RippleSums {
    /// Adds some columns that change; `unit` is a code value at 8 bit.
    ///
    /// One loop over the columns with all of a column in it: shorter ones would be unrolled before they are vectorised.
    #[inline(always)]
    pub(super) fn add_moving<T: Lane>(&mut self, now: &Block<T>, before: &Block<T>, unit: f32) {
        let most = DETAIL_MAX * unit;
        let [rests, wide_rests, arounds, wide_arounds] = &mut self.squares;
        for lane in 0..LANES {
            let now: [f32; TILE_ROWS] = std::array::from_fn(|row| now[row][lane].level());
            let changes: [f32; TILE_ROWS] = std::array::from_fn(|row| now[row] - before[row][lane].level());
            for row in 0..ROWS {
                let rest = 2.0 * now[row + 2] - now[row + 1] - now[row + 3];
                let wide_rest = 2.0 * now[row + 2] - now[row] - now[row + 4];
                let beside = changes[row + 1] + changes[row + 3];
                let around = 2.0 * changes[row + 2] + beside;
                // Neither one row in two nor two rows in four are left in it.
                let wide_around = changes[row] + around + beside + changes[row + 4];
                self.combs[row][lane] += rest * around;
                self.wide_combs[row][lane] += wide_rest * wide_around;
                self.details[row][lane] += at_most(rest.abs(), most);
                rests[lane] += rest * rest;
                wide_rests[lane] += wide_rest * wide_rest;
                arounds[lane] += around * around;
                wide_arounds[lane] += wide_around * wide_around;
            }
        }
    }

    /// Adds some columns that do not change.
    #[inline(always)]
    pub(super) fn add_still<T: Lane>(&mut self, now: &Block<T>, unit: f32) {
        let most = DETAIL_MAX * unit;
        for lane in 0..LANES {
            let now: [f32; TILE_ROWS] = std::array::from_fn(|row| now[row][lane].level());
            for row in 0..ROWS {
                let rest = 2.0 * now[row + 2] - now[row + 1] - now[row + 3];
                self.details[row][lane] += at_most(rest.abs(), most);
                self.squares[0][lane] += rest * rest;
            }
        }
    }

    /// What the columns added come to.
    #[inline(always)]
    pub(super) fn tile(&self, unit: f32) -> TileRipple {
        let [mut combs, mut wide_combs, mut details, squares] = self.totals();
        let detail: f32 = details.iter().sum();
        let enough = detail >= DETAIL_MIN * unit * (ROWS * COLUMNS) as f32;
        divide(&mut combs, (squares[0] * squares[2]).sqrt());
        divide(&mut wide_combs, (squares[1] * squares[3]).sqrt());
        let strongest = [[details[0], details[2]], [details[1], details[3]]]
            .into_iter()
            .max_by(|[a, b], [c, d]| (a + b).total_cmp(&(c + d)))
            .unwrap_or_default();
        let textured = enough && is_texture(strongest, squares[0]);
        divide(&mut details, if enough { detail } else { 0.0 });
        TileRipple { combs, wide_combs, details, pairs: 0.0, textured }
    }
}

impl RippleSums {
    /// Sums over all lanes. All terms are whole numbers, so that as long as no sum reaches 2^24 each order gives the same;
    /// from there on they are added lane after lane. What the squares do not reach, the products of their roots do not
    /// (Cauchy and Schwarz), and details are smaller still.
    #[inline(always)]
    fn totals(&self) -> [[f32; ROWS]; 4] {
        const EXACT_BELOW: f32 = (1u32 << f32::MANTISSA_DIGITS) as f32;
        let lanes = [&self.combs, &self.wide_combs, &self.details, &self.squares];
        let mut totals = [[0.0f32; ROWS]; 4];
        for (totals, lanes) in totals.iter_mut().zip(lanes) {
            for (total, lanes) in totals.iter_mut().zip(lanes) {
                *total = total_by_halves(lanes);
            }
        }
        if totals[3].iter().all(|&square| square < EXACT_BELOW) {
            return totals;
        }
        totals = [[0.0f32; ROWS]; 4];
        // All sums side by side: one after the other each addition would wait for the one before.
        for lane in 0..LANES {
            for (totals, lanes) in totals.iter_mut().zip(lanes) {
                for (total, lanes) in totals.iter_mut().zip(lanes) {
                    *total += lanes[lane];
                }
            }
        }
        totals
    }
}

/// Sum of all lanes, halves upon halves.
#[inline(always)]
fn total_by_halves(lanes: &[f32; LANES]) -> f32 {
    let mut eight = [0.0; LANES / 2];
    for lane in 0..LANES / 2 {
        eight[lane] = lanes[lane] + lanes[lane + LANES / 2];
    }
    let mut four = [0.0; LANES / 4];
    for lane in 0..LANES / 4 {
        four[lane] = eight[lane] + eight[lane + LANES / 4];
    }
    (four[0] + four[2]) + (four[1] + four[3])
}

/// Whether detail lies evenly in both rows of a parity, of which these are the sums of magnitudes, and over their columns;
/// `squares` are those of the rows of both parities.
#[inline(always)]
fn is_texture([one, other]: [f32; 2], squares: f32) -> bool {
    let sum = one + other;
    sum * sum >= EVEN_ROWS_MIN * 2.0 * (one * one + other * other)
        && sum * sum >= EVEN_COLUMNS_MIN * (2 * COLUMNS) as f32 * squares
}

/// Each part as a share of the whole; zero where there is none.
#[inline(always)]
fn divide(parts: &mut [f32; ROWS], whole: f32) {
    for part in parts {
        *part = if whole > 0.0 { *part / whole } else { 0.0 };
    }
}

/// The smaller of two numbers, neither of which is none: one instruction, other than `f32::min`.
#[inline(always)]
fn at_most(value: f32, most: f32) -> f32 {
    if value < most {
        value
    } else {
        most
    }
}

/// A mean of phasors.
#[derive(Clone, Copy, Default)]
struct PhasorSum {
    cosine: f32,
    sine: f32,
}

impl PhasorSum {
    fn add(&mut self, rows: &[f32; ROWS], carrier: &Carrier, first_row: usize) {
        for (value, row) in rows.iter().zip(first_row..) {
            let (sine, cosine) = carrier.at(row);
            self.cosine += value * cosine;
            self.sine += value * sine;
        }
    }

    fn mean(self, count: usize) -> Phasor {
        let part = |sum: f32| SignedShare::new(sum / count.max(1) as f32);
        Phasor { cosine: part(self.cosine), sine: part(self.sine) }
    }
}

/// Whether so many textured tiles stand for a picture.
fn stands(tiles: usize) -> bool {
    tiles >= TEXTURED_TILES_MIN
}

/// A wave over the rows, by table: it repeats after so many rows.
struct Carrier {
    values: Vec<(f32, f32)>,
}

impl Carrier {
    /// Of `cycles.0 / cycles.1` cycles per row.
    fn new(cycles: (u32, u32)) -> Self {
        let turn = |row: u32| {
            let turns = f64::from(row * cycles.0 % cycles.1) / f64::from(cycles.1);
            let (sine, cosine) = (std::f64::consts::TAU * turns).sin_cos();
            (sine as f32, cosine as f32)
        };
        Self { values: (0..cycles.1).map(turn).collect() }
    }

    fn at(&self, row: usize) -> (f32, f32) {
        self.values[row % self.values.len()]
    }
}

/// Adds up the tiles of a picture. Keeps its waves from frame to frame.
pub(super) struct RippleMeter {
    carriers: [Carrier; SCALINGS.len()],
}

impl Default for RippleMeter {
    fn default() -> Self {
        Self { carriers: SCALINGS.map(|(lines, rows)| Carrier::new((lines, 2 * rows))) }
    }
}

/// Tiles with the numbers of their first rows in the frame.
pub(super) type PlacedTile<'a> = (usize, &'a TileRipple);

impl RippleMeter {
    /// Combs of luma and detail: of `moving` tiles the combs, of all the detail.
    pub(super) fn luma<'a>(
        &self,
        moving: impl Iterator<Item = PlacedTile<'a>>,
        all: impl Iterator<Item = PlacedTile<'a>>,
    ) -> Ripple {
        let (mut comb, mut combs, mut count) = (0.0, [PhasorSum::default(); SCALINGS.len()], 0);
        let (mut wide_detail, mut pairs, mut sharp, mut textured) = (PhasorSum::default(), 0.0, 0, 0);
        for (top, tile) in moving {
            count += 1;
            comb += alternating(&tile.combs, top);
            if tile.is_detailed() {
                sharp += 1;
                pairs += if top % 2 == 0 { tile.pairs } else { -tile.pairs };
            }
            if tile.textured {
                textured += 1;
                for (sum, carrier) in combs.iter_mut().zip(&self.carriers) {
                    sum.add(&tile.wide_combs, carrier, top + 2);
                }
                wide_detail.add(&tile.details, &self.carriers[0], top + 2);
            }
        }
        let (mut detail, mut detailed) = (0.0, 0);
        for (top, tile) in all.filter(|(_, tile)| tile.is_detailed()) {
            detailed += 1;
            detail += alternating(&tile.details, top);
        }
        Ripple {
            comb: SignedShare::new(comb / count.max(1) as f32),
            scaled_combs: if stands(textured) {
                combs.map(|sum| sum.mean(textured))
            } else {
                Default::default()
            },
            detail: SignedShare::new(detail / detailed.max(1) as f32),
            scaled_detail: if stands(textured) { wide_detail.mean(textured) } else { Phasor::default() },
            pairs: SignedShare::new(pairs / sharp.max(1) as f32),
            textured: stands(textured),
            ..Ripple::default()
        }
    }

    /// Adds the combs of chroma of `moving` tiles.
    pub(super) fn with_chroma<'a>(
        &self,
        ripple: Ripple,
        moving: impl Iterator<Item = PlacedTile<'a>>,
    ) -> Ripple {
        let (mut comb, mut raised, mut count) = (0.0, PhasorSum::default(), 0);
        for (top, tile) in moving {
            count += 1;
            comb += alternating(&tile.combs, top);
            raised.add(&tile.wide_combs, &self.carriers[0], top + 2);
        }
        let chroma_comb = SignedShare::new(comb / count.max(1) as f32);
        Ripple { chroma_comb, raised_comb: raised.mean(count), ..ripple }
    }
}

/// Even rows less odd rows.
fn alternating(rows: &[f32; ROWS], top: usize) -> f32 {
    let sum = rows[0] - rows[1] + rows[2] - rows[3];
    if top % 2 == 0 {
        sum
    } else {
        -sum
    }
}
