//! From the ribbon's place to numbers: levels of cells, then the units that explain all of them.

use std::ops::Range;

use super::super::view::ViewPlan;
use super::find::Ribbon;
use super::{Lines, MarkReading, WEIGHT_STEPS};
use crate::clip_code::{
    place_cell, rail_cells, ClipIdentity, Numbers, CLIP_ROWS, COLUMNS, PLACES, PLACE_CELLS, RAIL_ROWS, ROWS,
    UNITS,
};

/// Part of a cell that is looked at, in both directions: what lies outside may be blurred with its neighbours.
const CELL_CORE: f32 = 0.56;
/// Fewest lines of one parity in the core of a cell.
const CORE_LINES_MIN: usize = 2;
/// Smallest contrast of the rails, code values at 8 bit: an eighth of what is painted.
const CONTRAST_MIN: f32 = 8.0;
/// Largest root mean square of what is left of a place's levels, in parts of the contrast. A wrong number has at least
/// four of 36 cells wrong by a whole contrast, which leaves 0.33; half a mix that is not explained leaves 0.17. Two
/// cells half way, as coarse coding of fields makes them, leave 0.12.
const LEFT_MAX: f32 = 0.14;
/// Largest difference of one cell from what explains it, in parts of the contrast: coarse coding of fields came to 0.5.
const CELL_LEFT_MAX: f32 = 0.6;
/// How much more of a later unit than of an earlier one may come out, in parts: error of four cells that change.
const PART_SLACK: f32 = 0.15;
/// Largest part that may be a trace left by coding: quantised as coarsely as x264 does at 33, cells of 480 lines kept
/// up to 0.32 of a neighbour, on average up to 0.23.
const TRACE_MAX: f32 = 0.35;
/// Share of the mean part that every cell of a mix has: those traces had at most 0.37 of it in their least cell.
const TRACE_EVENNESS: f32 = 0.5;
/// Weight below which a unit is not told from coding error, and left out.
const WEIGHT_MIN: f32 = 0.14;

/// The luma samples of a packed picture.
#[derive(Clone, Copy)]
pub(super) struct Luma<'a> {
    samples: &'a [u8],
    pub(super) width: usize,
    pub(super) height: usize,
    bytes_per_sample: usize,
    /// Code values at 8 bit per sample step.
    scale: f32,
}

impl<'a> Luma<'a> {
    pub(super) fn new(plan: &ViewPlan, picture: &'a [u8]) -> Self {
        let plane = &plan.planes[0].packed;
        let bytes = plane.width * plane.height * plan.bytes_per_sample;
        Self {
            samples: &picture[plane.offset..plane.offset + bytes],
            width: plane.width,
            height: plane.height,
            bytes_per_sample: plan.bytes_per_sample,
            scale: 1.0 / (1u32 << (plan.bit_depth - 8)) as f32,
        }
    }

    /// One sample, code value at 8 bit.
    pub(super) fn at(&self, line: usize, column: usize) -> f32 {
        let at = (line * self.width + column) * self.bytes_per_sample;
        let value = match self.bytes_per_sample {
            1 => u16::from(self.samples[at]),
            _ => u16::from_le_bytes([self.samples[at], self.samples[at + 1]]),
        };
        f32::from(value) * self.scale
    }

    /// Mean over these columns of some lines, code values at 8 bit.
    fn mean(&self, lines: impl Iterator<Item = usize>, columns: &Range<usize>) -> f32 {
        let (mut sum, mut count) = (0u64, 0);
        for line in lines {
            let start = (line * self.width + columns.start) * self.bytes_per_sample;
            let samples = &self.samples[start..start + columns.len() * self.bytes_per_sample];
            sum += match self.bytes_per_sample {
                1 => u64::from(samples.iter().map(|&sample| u32::from(sample)).sum::<u32>()),
                _ => samples.chunks_exact(2).map(|two| u64::from(u16::from_le_bytes([two[0], two[1]]))).sum(),
            };
            count += columns.len();
        }
        sum as f32 * self.scale / count as f32
    }
}

/// Mean level of every cell, row by row; code values at 8 bit or, once calibrated, 0 for dark and 1 for bright.
type Levels = [[f32; COLUMNS]; ROWS];

/// How places in a picture that was turned back are found in the picture itself.
#[derive(Clone, Copy)]
pub(super) struct Turned {
    /// Width and height that were turned over; `None` where that direction is as it was.
    pub(super) extent: [Option<usize>; 2],
}

impl Turned {
    /// Columns (0) or rows (1) of the picture itself, of which there are `limit`; `None` where some lie outside.
    fn actual(self, axis: usize, range: Range<usize>, limit: usize) -> Option<Range<usize>> {
        let range = match self.extent[axis] {
            None => range,
            Some(extent) => extent.checked_sub(range.end)?..extent - range.start,
        };
        (range.end <= limit).then_some(range)
    }
}

/// Reads the marks in the ribbon.
pub(super) fn reading(luma: Luma<'_>, ribbon: Ribbon, turned: Turned) -> Option<MarkReading> {
    let [even, odd] = levels(luma, ribbon, turned)?.map(calibrated);
    let (even, odd) = (even?, odd?);
    let clip = clip(&even, &odd)?;
    let reader = Reader { clip, numbers: Numbers::of(clip) };
    let lines = [reader.lines(&even), reader.lines(&odd)];
    lines.iter().any(Option::is_some).then_some(MarkReading { clip, lines })
}

/// Levels of even and odd lines; `None` where the ribbon is not wholly inside or its cells are too small.
fn levels(luma: Luma<'_>, ribbon: Ribbon, turned: Turned) -> Option<[Levels; 2]> {
    let mut levels = [[[0.0; COLUMNS]; ROWS]; 2];
    let columns: Vec<Range<usize>> = (0..COLUMNS)
        .map(|column| turned.actual(0, core(ribbon.left, ribbon.cell_width, column)?, luma.width))
        .collect::<Option<_>>()?;
    let [even, odd] = &mut levels;
    for (row, (even, odd)) in even.iter_mut().zip(odd).enumerate() {
        let lines = turned.actual(1, core(ribbon.top, ribbon.cell_height, row)?, luma.height)?;
        if lines.len() < 2 * CORE_LINES_MIN {
            return None;
        }
        for (columns, (even, odd)) in columns.iter().zip(even.iter_mut().zip(odd)) {
            *even = luma.mean(lines.clone().filter(|line| line % 2 == 0), columns);
            *odd = luma.mean(lines.clone().filter(|line| line % 2 == 1), columns);
        }
    }
    Some(levels)
}

/// Samples in the core of a cell; `None` where there are none or some lie before the first.
fn core(origin: f32, size: f32, index: usize) -> Option<Range<usize>> {
    let start = (origin + (index as f32 + (1.0 - CELL_CORE) / 2.0) * size).round();
    let end = (origin + (index as f32 + (1.0 + CELL_CORE) / 2.0) * size).round();
    (start >= 0.0 && end > start).then_some(start as usize..end as usize)
}

/// Levels in parts of the contrast that the rails show; `None` where they show too little.
fn calibrated(mut levels: Levels) -> Option<Levels> {
    let (mut sums, mut counts) = ([0.0; 2], [0.0; 2]);
    for (rail, row) in RAIL_ROWS.into_iter().enumerate() {
        for (&level, bright) in levels[row].iter().zip(rail_cells(rail)) {
            sums[usize::from(bright)] += level;
            counts[usize::from(bright)] += 1.0;
        }
    }
    let (dark, bright) = (sums[0] / counts[0], sums[1] / counts[1]);
    if bright - dark < CONTRAST_MIN {
        return None;
    }
    levels.as_flattened_mut().iter_mut().for_each(|level| *level = (*level - dark) / (bright - dark));
    Some(levels)
}

/// The clip's identity; its cells never change, so both parities say the same.
fn clip(even: &Levels, odd: &Levels) -> Option<ClipIdentity> {
    let cells = std::array::from_fn(|at| {
        let (row, column) = (CLIP_ROWS[at / COLUMNS], at % COLUMNS);
        even[row][column] + odd[row][column] > 1.0
    });
    ClipIdentity::from_cells(&cells)
}

/// Levels of the cells of one place.
type PlaceLevels = [f32; PLACE_CELLS];

/// Reads numbers of one clip.
struct Reader {
    clip: ClipIdentity,
    numbers: Numbers,
}

/// Units that a set of lines may mix: one more than there are places, so that a mix of units too far apart is seen
/// for what it is.
const MIXED: usize = PLACES + 1;

/// Which units a set of lines shows: `parts[n]` is how much of it comes from unit `oldest + n` or later ones.
#[derive(Clone, Copy, Debug)]
struct Explained {
    oldest: u32,
    parts: [f32; MIXED],
    /// Largest root mean square left in a place.
    left: f32,
}

impl Reader {
    /// The units that explain the levels best, where any do.
    fn lines(&self, levels: &Levels) -> Option<Lines> {
        let places: [PlaceLevels; PLACES] = std::array::from_fn(|place| {
            std::array::from_fn(|cell| {
                let (column, row) = place_cell(place, cell);
                levels[row][column]
            })
        });
        let mut candidates = Vec::with_capacity(PLACES * PLACES);
        for (place, levels) in places.iter().enumerate() {
            if let Some(unit) = self.numbers.unit(place, &levels.map(|level| level > 0.5)) {
                // The place shows it in this unit and the three that follow; in a mix an older one may be meant.
                candidates.extend((0..PLACES as u32).map(|back| (unit + back) % UNITS));
                candidates.extend((1..PLACES as u32).map(|back| (unit + UNITS - back) % UNITS));
            }
        }
        candidates.sort_unstable();
        candidates.dedup();
        candidates
            .into_iter()
            .filter(|&oldest| oldest < self.clip.length())
            .filter_map(|oldest| self.explain(oldest, &places))
            .min_by(|a, b| a.left.total_cmp(&b.left))
            .and_then(|explained| self.told(explained))
    }

    /// How well units from `oldest` on explain the levels.
    fn explain(&self, oldest: u32, places: &[PlaceLevels; PLACES]) -> Option<Explained> {
        let mut explained = Explained { oldest, parts: [1.0; MIXED], left: 0.0 };
        for ahead in 1..MIXED {
            let newer = (oldest + ahead as u32) % UNITS;
            let older = (newer + UNITS - PLACES as u32) % UNITS;
            let levels = &places[newer as usize % PLACES];
            let change = Change { old: self.numbers.cells(older), new: self.numbers.cells(newer) };
            let before = explained.parts[ahead - 1];
            let part = change.part(levels);
            if part > before + PART_SLACK {
                return None;
            }
            explained.parts[ahead] = part.clamp(0.0, before);
            explained.left = explained.left.max(change.left(levels, explained.parts[ahead])?);
        }
        Some(explained)
    }

    /// The one or two units that weigh most.
    fn told(&self, explained: Explained) -> Option<Lines> {
        let Explained { oldest, parts, .. } = explained;
        let weight = |ahead: usize| parts[ahead] - parts.get(ahead + 1).copied().unwrap_or(0.0);
        let mut aheads: [usize; MIXED] = std::array::from_fn(|ahead| ahead);
        aheads.sort_by(|&a, &b| weight(b).total_cmp(&weight(a)));
        let (first, second) = (aheads[0].min(aheads[1]), aheads[0].max(aheads[1]));
        let share = weight(second) / (weight(first) + weight(second));
        if second - first == PLACES && (WEIGHT_MIN..=1.0 - WEIGHT_MIN).contains(&share) {
            return None;
        }
        let single = |ahead: usize| Lines { first: oldest + ahead as u32, ahead: 0, weight: 0 };
        let lines = if share < WEIGHT_MIN {
            single(first)
        } else if share > 1.0 - WEIGHT_MIN {
            single(second)
        } else {
            Lines {
                first: oldest + first as u32,
                ahead: (second - first) as u8,
                weight: (share * f32::from(WEIGHT_STEPS)).round() as u8,
            }
        };
        (lines.second().0 < self.clip.length()).then_some(lines)
    }
}

/// A place before and after it changed.
struct Change {
    old: [bool; PLACE_CELLS],
    new: [bool; PLACE_CELLS],
}

impl Change {
    /// Part of the newer cells in the levels: the mean over the cells that differ, which is least squares.
    ///
    /// A mix puts the same part into every cell. Coarse coding puts traces of a neighbour into some: a small part
    /// that is not in all cells is none.
    fn part(&self, levels: &PlaceLevels) -> f32 {
        let (mut sum, mut count) = (0.0, 0.0);
        let (mut lowest, mut highest) = (f32::MAX, f32::MIN);
        for ((&level, old), &new) in levels.iter().zip(self.old).zip(&self.new) {
            if old != new {
                let part = if new { level } else { 1.0 - level };
                (lowest, highest) = (lowest.min(part), highest.max(part));
                sum += part;
                count += 1.0;
            }
        }
        let mean = sum / count;
        if mean < TRACE_MAX && lowest < mean * TRACE_EVENNESS {
            0.0
        } else if 1.0 - mean < TRACE_MAX && 1.0 - highest < (1.0 - mean) * TRACE_EVENNESS {
            1.0
        } else {
            mean
        }
    }

    /// Root mean square of the levels that this part leaves unexplained; `None` where it or one cell is too much.
    fn left(&self, levels: &PlaceLevels, part: f32) -> Option<f32> {
        let value = |bright: bool| f32::from(u8::from(bright));
        let (mut squares, mut worst) = (0.0f32, 0.0f32);
        for ((&level, &old), &new) in levels.iter().zip(&self.old).zip(&self.new) {
            let left = (level - value(old) * (1.0 - part) - value(new) * part).abs();
            squares += left * left;
            worst = worst.max(left);
        }
        let left = (squares / PLACE_CELLS as f32).sqrt();
        (left <= LEFT_MAX && worst <= CELL_LEFT_MAX).then_some(left)
    }
}
