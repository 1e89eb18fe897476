//! What is left of the chart's rows: of the dashes one row high, still and moving, and of the slants of the shuttle.

use std::ops::Range;

use super::chart::{self, Blocks, Shuttle};
use super::find::Ribbon;
use super::read::Luma;
use super::MarkReading;
use crate::clip_code::{Painted, COLUMNS};

/// Rows that the picture may lie off its place up or down and still be measured.
const ROWS_OFF_MAX: isize = 4;
/// Fewest dashes that a number rests on.
const DASHES_MIN: usize = 200;
/// Share of what is still that must be left for the rows to be found at all.
const FOUND_MIN: f32 = 0.15;
/// Part of a dash that is looked at, each side of its middle: the rest is blurred with its neighbours.
const CORE: f64 = 0.25;
/// Columns on each side of where a slant should be, in parts of the shuttle's length, in which it is looked for.
const SEARCH_PARTS: usize = 6;
/// Rows at the ends of a slant that are left out: at the tip both edges meet, at the axis they turn.
const ENDS: usize = 3;
/// Fewest rows of a slant that a number rests on.
const SLANT_MIN: usize = 8;
/// Level half way between what the shuttle runs over and itself, in parts from dark to bright.
const HALF_WAY: f32 = 0.5;

/// What is left of the rows.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub(super) struct Rows {
    /// Share of the detail down, still and moving.
    pub(super) detail: [Option<f32>; 2],
    /// How many rows high the steps of the slants are; 1 where every row has its own place.
    pub(super) step: Option<f32>,
}

/// Reads the rows; `None` where the clip has none, or the picture has another height than was painted.
pub(super) fn reading(luma: Luma<'_>, ribbon: Ribbon, marks: &MarkReading) -> Option<Rows> {
    let painted = marks.clip.painted()?;
    if luma.height != painted.height as usize {
        return None;
    }
    let reader = Reader::new(luma, ribbon, painted)?;
    let rate = marks.clip.unit_rate();
    // One moment, or nothing is said of what moves; where both lines show their own, that of the even ones.
    let lines = marks.lines.into_iter().flatten().next()?;
    let unit = (lines.ahead == 0).then_some(u64::from(lines.first));
    let (still, off) = (-ROWS_OFF_MAX..=ROWS_OFF_MAX)
        .filter_map(|off| Some((reader.detail(0, 0, off)?, off)))
        .max_by(|a, b| a.0.total_cmp(&b.0))?;
    if still < FOUND_MIN {
        return Some(Rows::default());
    }
    let width = painted.width as usize;
    let moving = unit.and_then(|unit| {
        let moved = chart::dashes_moved(&reader.blocks, width, (unit, rate));
        reader.detail(1, moved, off)
    });
    let shuttle = Shuttle::new(width, painted.height as usize, rate);
    let step = unit.and_then(|unit| reader.step(&shuttle, unit, off));
    Some(Rows { detail: [Some(still), moving.map(|share| share.max(0.0))], step })
}

struct Reader<'a> {
    luma: Luma<'a>,
    blocks: Blocks,
    /// Column of the picture of a painted column: so many times it, and so many added.
    across: (f64, f64),
    /// Darkest and brightest level of the marks.
    levels: (f32, f32),
}

impl<'a> Reader<'a> {
    fn new(luma: Luma<'a>, ribbon: Ribbon, painted: Painted) -> Option<Self> {
        let (width, height) = (painted.width as usize, painted.height as usize);
        let ((left, top), (cell_width, cell_height)) = chart::ribbon(width, height);
        let scale = f64::from(ribbon.cell_width) / cell_width as f64;
        let blocks = Blocks::new(width, height);
        // The rails say how dark and how bright what is painted came out.
        let row = |row: usize| top + row * cell_height + cell_height / 2;
        let mut levels = (f32::INFINITY, f32::NEG_INFINITY);
        for cell in 0..COLUMNS {
            let x = f64::from(ribbon.left) + (cell as f64 + 0.5) * f64::from(ribbon.cell_width);
            if x < 0.0 || x as usize >= luma.width || row(0) >= luma.height {
                return None;
            }
            let level = luma.at(row(0), x as usize);
            levels = (levels.0.min(level), levels.1.max(level));
        }
        let is_fit = levels.1 - levels.0 > 8.0 && !blocks.rows.is_empty();
        is_fit.then(|| Self {
            luma,
            blocks,
            across: (scale, f64::from(ribbon.left) - left as f64 * scale),
            levels,
        })
    }

    /// Columns of the picture of painted ones, within it.
    fn columns(&self, from: f64, to: f64) -> Option<Range<usize>> {
        let at = |column: f64| column * self.across.0 + self.across.1;
        let (from, to) = (at(from).round(), at(to).round());
        let inside = from >= 0.0 && to <= self.luma.width as f64;
        inside.then(|| from as usize..(to as usize).max(from as usize + 1).min(self.luma.width))
    }

    /// Share of the difference of each row from the mean of its neighbours that is left, by least squares over the dashes of
    /// a block, whose rows lie `off` below their place.
    fn detail(&self, block: usize, moved: u64, off: isize) -> Option<f32> {
        let Blocks { rows, columns, dash } = &self.blocks;
        let own = &columns[block];
        let first = (dash - (moved as usize) % dash) % dash;
        let (mut along, mut square, mut count) = (0.0f64, 0.0f64, 0);
        for left in (first..own.len().saturating_sub(*dash)).step_by(*dash) {
            let middle = (own.start + left) as f64 + *dash as f64 / 2.0;
            let reach = CORE * *dash as f64;
            let Some(seen) = self.columns(middle - reach, middle + reach) else { continue };
            let level = |row: usize| {
                let line = row.checked_add_signed(off).filter(|&line| line < self.luma.height)?;
                let sum: f32 = seen.clone().map(|column| self.luma.at(line, column)).sum();
                Some(f64::from(sum / seen.len() as f32))
            };
            let painted = |row: usize| {
                let bright = self.blocks.is_bright(row - rows.start, left + dash / 2, moved);
                f64::from(u8::from(bright))
            };
            for row in rows.start + 1..rows.end.saturating_sub(1) {
                let fine =
                    |of: &dyn Fn(usize) -> Option<f64>| Some(of(row)? - (of(row - 1)? + of(row + 1)?) / 2.0);
                let wanted = fine(&|row| Some(painted(row)))?;
                let found = fine(&level)?;
                along += wanted * found;
                square += wanted * wanted;
                count += 1;
            }
        }
        let ((dark, bright), (darkest, brightest)) = (chart::DASH_LEVELS, chart::CELL_LEVELS);
        let painted = f64::from(bright - dark) / f64::from(brightest - darkest);
        let contrast = painted * f64::from(self.levels.1 - self.levels.0);
        (count >= DASHES_MIN && square > 0.0).then(|| (along / square / contrast) as f32)
    }

    /// How many rows high the steps of the shuttle's slants are: of steps of `n` rows the square of the way from row to row is
    /// on average `n` times the square of the average way.
    fn step(&self, shuttle: &Shuttle, unit: u64, off: isize) -> Option<f32> {
        let middle = shuttle.middle(unit) as f64 - (shuttle.length / 2) as f64;
        let (mut found, mut wanted) = (Ways::default(), Ways::default());
        for side in [-1.0, 1.0] {
            for down in [-1isize, 1] {
                let mut before: Option<(f64, f64)> = None;
                for off_axis in ENDS..shuttle.half.saturating_sub(ENDS) {
                    let row = shuttle.axis().checked_add_signed(down * off_axis as isize + off)?;
                    let reach = shuttle.reach(off_axis)? as f64;
                    let painted = middle + side * reach;
                    let edge = self.edge(row, painted, (side, shuttle.length / SEARCH_PARTS));
                    let now = edge.map(|edge| (edge, painted * self.across.0));
                    if let (Some(before), Some(now)) = (before, now) {
                        found.add(now.0 - before.0);
                        wanted.add(now.1 - before.1);
                    }
                    before = now;
                }
            }
        }
        // The painted way is in whole pixels: its own steps are taken off.
        (found.count >= SLANT_MIN as f64 && wanted.square > 0.0).then(|| {
            let mean_square = (wanted.absolute / wanted.count).powi(2);
            (found.square / found.count / mean_square - wanted.square / wanted.count / mean_square + 1.0)
                as f32
        })
    }

    /// Where a row rises to the shuttle (or falls from it) half way, next to where it should; pixels of the picture.
    fn edge(&self, row: usize, painted: f64, (side, search): (f64, usize)) -> Option<f64> {
        let at = painted * self.across.0 + self.across.1;
        let search = search as f64;
        if at - search < 1.0 || at + search + 1.0 >= self.luma.width as f64 || row >= self.luma.height {
            return None;
        }
        let level = self.levels.0 + HALF_WAY * (self.levels.1 - self.levels.0);
        let columns = (at - search) as usize..(at + search) as usize;
        let crossing = |column: usize| {
            let [a, b] = [self.luma.at(row, column), self.luma.at(row, column + 1)];
            let rises = a < level && b >= level;
            let falls = a >= level && b < level;
            let wanted = if side < 0.0 { rises } else { falls };
            wanted.then(|| column as f64 + 0.5 + f64::from((level - a) / (b - a)))
        };
        columns.filter_map(crossing).min_by(|a, b| (a - at).abs().total_cmp(&(b - at).abs()))
    }
}

/// Ways from row to row.
#[derive(Default)]
struct Ways {
    count: f64,
    absolute: f64,
    square: f64,
}

impl Ways {
    fn add(&mut self, way: f64) {
        self.count += 1.0;
        self.absolute += way.abs();
        self.square += way * way;
    }
}
