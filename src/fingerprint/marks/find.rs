//! Where the ribbon of marks lies in a picture: the rails are looked for in the reduced picture, frame by frame, so
//! that the result depends on nothing but the frame. Pictures without marks are left after one glance.

use super::super::reduced::{Plane, ReducedPicture};
use super::super::FIXED_POINT;
use crate::clip_code::{rail_cells, COLUMNS, RAIL_ROWS, RAIL_RUNS, ROWS, SYMBOL_CELLS};

/// The ribbon in pixels of the full picture: the outer edge of its first cell, and the size of a cell.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Ribbon {
    pub(super) left: f32,
    pub(super) top: f32,
    pub(super) cell_width: f32,
    pub(super) cell_height: f32,
}

/// Edges of a rail: one before every run, and one after the last.
const EDGES: usize = RAIL_RUNS[0].len() + 1;
/// Rows of the halved reduced picture from one looked at to the next: a rail is 2.6 rows high or more, also where a
/// clip of 16:9 was made to fit 4:3 with bars above and below.
const ROW_STEP: usize = 2;
/// Smallest swing taken for an edge, code values: a quarter of the painted one. A swing is counted against noise,
/// of which 64 pixels and more leave little.
const SWING_MIN: f32 = 16.0;
/// Farthest an edge may be from where a rail would have it, symbols: below half, so that runs are never confused.
const EDGE_OFF_MAX: f32 = 0.4;
/// Smallest symbol in pixels of the halved reduced picture: below, dark and bright run into each other.
const SYMBOL_MIN: f32 = 2.5;
/// Largest difference of both rails in the place of the first cell and in all cells, in symbols.
const RAILS_APART_MAX: f32 = 0.5;
/// Rows of cells from the middle of one rail to that of the other.
const RAIL_DISTANCE: f32 = (RAIL_ROWS[1] - RAIL_ROWS[0]) as f32;
/// Height of a cell over its width: painted between 0.7 and 1.3, changed by anamorphic and other stretching.
const CELL_SHAPE: std::ops::RangeInclusive<f32> = 0.4..=2.5;

/// A rail in one row: where its first symbol begins and how long a symbol is, samples of that row.
#[derive(Clone, Copy, Debug)]
struct RailFit {
    start: f32,
    symbol: f32,
}

/// A rail over several rows: means of its fits, and the middle of the rows.
#[derive(Clone, Copy, Debug)]
struct Rail {
    fit: RailFit,
    middle: f32,
}

/// Fits of both rails by the rows they were found in, read forwards, then backwards.
type Found = [[Vec<(usize, RailFit)>; 2]; 2];

/// Looks for the ribbon; in a picture that is turned over, in the picture turned back. Also whether it is turned over across
/// and down.
pub(super) fn ribbon(picture: &ReducedPicture) -> Option<(Ribbon, [bool; 2])> {
    let found = rails(&picture.levels[1]);
    let both = |[first, second]: &[Vec<(usize, RailFit)>; 2]| Some((first.first()?.0, second.first()?.0));
    let forwards = both(&found[0]);
    let (first, second) = forwards.or_else(|| both(&found[1]))?;
    let turned = [forwards.is_none(), first > second];
    if turned == [false; 2] {
        return upright(picture, &found[0]).map(|ribbon| (ribbon, turned));
    }
    let picture = picture.turned(turned);
    upright(&picture, &rails(&picture.levels[1])[0]).map(|ribbon| (ribbon, turned))
}

fn rails(half: &Plane) -> Found {
    let mut found = Found::default();
    let mut edges = Edges::default();
    for row in (0..half.height).step_by(ROW_STEP) {
        edges.find(half.row(row));
        for (backwards, found) in found.iter_mut().enumerate() {
            for (rail, found) in found.iter_mut().enumerate() {
                if let Some(fit) = edges.rail(rail, backwards == 1) {
                    found.push((row, fit));
                }
            }
        }
    }
    found
}

/// The ribbon by the fits of its rails.
fn upright(picture: &ReducedPicture, found: &[Vec<(usize, RailFit)>; 2]) -> Option<Ribbon> {
    let [first, second] = [joined(&found[0])?, joined(&found[1])?];
    let symbol = (first.fit.symbol + second.fit.symbol) / 2.0;
    let apart = |a: f32, b: f32| (a - b).abs() <= RAILS_APART_MAX * symbol;
    let symbols = COLUMNS as f32 / SYMBOL_CELLS as f32;
    if !apart(first.fit.start, second.fit.start)
        || !apart(first.fit.symbol * symbols, second.fit.symbol * symbols)
    {
        return None;
    }
    let cell_width = symbol / SYMBOL_CELLS as f32;
    let cell_height = (second.middle - first.middle) / RAIL_DISTANCE;
    if !CELL_SHAPE.contains(&(cell_height / cell_width)) {
        return None;
    }
    // One sample of the halved picture is two of the reduced one.
    let rough = Ribbon {
        left: first.fit.start + second.fit.start,
        top: 2.0 * (first.middle - cell_height / 2.0),
        cell_width: 2.0 * cell_width,
        cell_height: 2.0 * cell_height,
    };
    let (top, bottom) = outer_edges(&picture.levels[0], rough)?;
    let factor = picture.factor as f32;
    Some(Ribbon {
        left: rough.left * factor,
        top: top * factor,
        cell_width: rough.cell_width * factor,
        cell_height: (bottom - top) / ROWS as f32 * factor,
    })
}

/// The rail that was found in these rows: those that agree with the middle one.
fn joined(found: &[(usize, RailFit)]) -> Option<Rail> {
    let typical = found.get(found.len() / 2)?.1;
    let mut sums = (0.0, 0.0, 0.0, 0.0);
    for (row, fit) in found {
        let near = |a: f32, b: f32| (a - b).abs() <= RAILS_APART_MAX * typical.symbol;
        if near(fit.start, typical.start) && near(fit.symbol, typical.symbol) {
            sums = (sums.0 + 1.0, sums.1 + fit.start, sums.2 + fit.symbol, sums.3 + *row as f32 + 0.5);
        }
    }
    let (count, start, symbol, middle) = sums;
    Some(Rail { fit: RailFit { start: start / count, symbol: symbol / count }, middle: middle / count })
}

/// Upper edge of the first rail and lower edge of the second in the reduced picture: where the contrast between
/// their bright and dark symbols falls to half.
fn outer_edges(picture: &Plane, rough: Ribbon) -> Option<(f32, f32)> {
    let middle = |row: usize| rough.top + (row as f32 + 0.5) * rough.cell_height;
    let edge = |rail: usize, step: f32| {
        let contrast = Contrast::new(picture, rail, rough);
        let mut at = middle(RAIL_ROWS[rail]);
        let half = contrast.at(at)? / 2.0;
        let mut here = 2.0 * half;
        // The margin of the painted plate is one cell: what lies beyond is something else.
        for _ in 0..rough.cell_height.ceil() as usize + 1 {
            let beyond = contrast.at(at + step)?;
            if beyond < half {
                return Some(at + step * (here - half) / (here - beyond));
            }
            (at, here) = (at + step, beyond);
        }
        None
    };
    let (top, bottom) = (edge(0, -1.0)?, edge(1, 1.0)?);
    (bottom > top).then_some((top, bottom))
}

/// Contrast of a rail's symbols along a row.
struct Contrast<'a> {
    picture: &'a Plane,
    bright: Vec<usize>,
    dark: Vec<usize>,
}

impl<'a> Contrast<'a> {
    fn new(picture: &'a Plane, rail: usize, ribbon: Ribbon) -> Self {
        let (mut bright, mut dark) = (Vec::new(), Vec::new());
        let cells = rail_cells(rail);
        for symbol in 0..COLUMNS / SYMBOL_CELLS {
            let cell = symbol * SYMBOL_CELLS;
            let x = ribbon.left + (cell as f32 + SYMBOL_CELLS as f32 / 2.0) * ribbon.cell_width;
            let column = (x.max(0.0) as usize).min(picture.width.saturating_sub(1));
            if cells[cell] { &mut bright } else { &mut dark }.push(column);
        }
        Self { picture, bright, dark }
    }

    /// At a height where 0.5 is the middle of the first row, between rows linear; `None` outside the picture.
    fn at(&self, y: f32) -> Option<f32> {
        let y = y - 0.5;
        if y < 0.0 || y > self.picture.height as f32 - 1.0 {
            return None;
        }
        let row = y as usize;
        let below = (row + 1).min(self.picture.height - 1);
        let part = y - row as f32;
        Some(self.in_row(row) * (1.0 - part) + self.in_row(below) * part)
    }

    fn in_row(&self, row: usize) -> f32 {
        let row = self.picture.row(row);
        let mean = |columns: &[usize]| {
            columns.iter().map(|&column| f32::from(row[column])).sum::<f32>() / columns.len() as f32
        };
        mean(&self.bright) - mean(&self.dark)
    }
}

/// Edges of one row: where the luma swings far enough, half way between the turning points.
#[derive(Default)]
struct Edges {
    /// First and last sample of each swing.
    swings: Vec<(usize, usize)>,
    places: Vec<f32>,
    /// Whether the first edge rises; they alternate from there.
    first_rises: bool,
}

impl Edges {
    fn find(&mut self, row: &[i16]) {
        self.find_swings(row);
        self.places.clear();
        // Most rows of most pictures end here.
        if self.swings.len() >= EDGES {
            self.places.extend(self.swings.iter().map(|&(from, to)| crossing(row, from, to)));
        }
    }

    fn find_swings(&mut self, row: &[i16]) {
        const SWING: i32 = (SWING_MIN * FIXED_POINT) as i32;
        self.swings.clear();
        let Some(&first) = row.first() else { return };
        let (mut lowest, mut highest) = ((0, i32::from(first)), (0, i32::from(first)));
        let mut samples = row.iter().map(|&value| i32::from(value)).enumerate();
        let rises = samples.by_ref().find_map(|(at, value)| {
            if value < lowest.1 {
                lowest = (at, value);
            }
            if value > highest.1 {
                highest = (at, value);
            }
            (highest.1 - lowest.1 >= SWING).then_some(highest.0 == at)
        });
        let Some(rises) = rises else { return };
        self.first_rises = rises;
        // A falling swing is a rising one of the negative.
        let mut sign = if rises { 1 } else { -1 };
        let (mut from, mut to) = if rises { (lowest.0, highest) } else { (highest.0, lowest) };
        to.1 *= sign;
        for (at, value) in samples {
            let height = value * sign;
            if height > to.1 {
                to = (at, height);
            } else if to.1 - height >= SWING {
                self.swings.push((from, to.0));
                sign = -sign;
                (from, to) = (to.0, (at, -height));
            }
        }
        self.swings.push((from, to.0));
    }

    /// The rail in this row, if it is here.
    fn rail(&self, rail: usize, backwards: bool) -> Option<RailFit> {
        let first = usize::from(!self.first_rises);
        let mut runs = RAIL_RUNS[rail];
        if backwards {
            runs.reverse();
        }
        self.places.windows(EDGES).skip(first).step_by(2).find_map(|edges| rail_fit(&runs, edges))
    }
}

/// Where the row crosses the level half way between two samples, in samples; 0.5 is the middle of the first.
fn crossing(row: &[i16], from: usize, to: usize) -> f32 {
    let level = (f32::from(row[from]) + f32::from(row[to])) / 2.0;
    let rises = row[from] < row[to];
    let beyond = |at: usize| (f32::from(row[at]) >= level) == rises;
    let after = (from + 1..=to).find(|&at| beyond(at)).unwrap_or(to);
    let (a, b) = (f32::from(row[after - 1]), f32::from(row[after]));
    let part = if a == b { 0.5 } else { (level - a) / (b - a) };
    after as f32 - 0.5 + part
}

/// The rail whose edges these are: least squares over all of them, each near its place.
fn rail_fit(runs: &[u8; EDGES - 1], edges: &[f32]) -> Option<RailFit> {
    let symbols = (COLUMNS / SYMBOL_CELLS) as f32;
    let symbol = (edges[EDGES - 1] - edges[0]) / symbols;
    if symbol < SYMBOL_MIN {
        return None;
    }
    let (mut at, mut sums) = (0.0, [0.0; 4]);
    for (edge, run) in edges.iter().zip(runs.iter().chain(&[0])) {
        if (edge - edges[0] - at * symbol).abs() > EDGE_OFF_MAX * symbol {
            return None;
        }
        sums = [sums[0] + at, sums[1] + at * at, sums[2] + edge, sums[3] + at * edge];
        at += f32::from(*run);
    }
    let count = EDGES as f32;
    let [x, xx, y, xy] = sums;
    let symbol = (count * xy - x * y) / (count * xx - x * x);
    Some(RailFit { start: (y - symbol * x) / count, symbol })
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A row in which `runs` begin at `start`, symbols `symbol` wide, with samples averaged as boxes are.
    fn row(runs: &[u8], start: f32, symbol: f32) -> Vec<i16> {
        const FINE: usize = 20;
        let level = |x: f32| {
            let mut edge = start;
            for (at, &run) in runs.iter().enumerate() {
                let next = edge + f32::from(run) * symbol;
                if (edge..next).contains(&x) {
                    return if at % 2 == 0 { 90.0 } else { 20.0 };
                }
                edge = next;
            }
            20.0
        };
        let sample = |at: usize| {
            let fine = (0..FINE).map(|part| level(at as f32 + (part as f32 + 0.5) / FINE as f32));
            (fine.sum::<f32>() / FINE as f32 * FIXED_POINT) as i16
        };
        (0..240).map(sample).collect()
    }

    fn found(row: &[i16]) -> [Option<RailFit>; 2] {
        let mut edges = Edges::default();
        edges.find(row);
        [edges.rail(0, false), edges.rail(1, false)]
    }

    #[test]
    fn rails_are_found_at_any_place_and_size() {
        for rail in 0..2 {
            for (start, symbol) in [(10.0, 3.0), (31.37, 4.61), (1.5, 6.9), (60.2, 7.3), (100.0, 5.0)] {
                let fits = found(&row(&RAIL_RUNS[rail], start, symbol));
                let fit = fits[rail].unwrap_or_else(|| panic!("rail {rail} at {start}, {symbol}"));
                assert!((fit.start - start).abs() < 0.2, "{fit:?} for {start}");
                assert!((fit.symbol - symbol).abs() < 0.03, "{fit:?} for {symbol}");
                assert!(fits[1 - rail].is_none(), "taken for the other");
            }
        }
    }

    #[test]
    fn what_is_no_rail_is_not_taken_for_one() {
        let backwards: Vec<u8> = RAIL_RUNS[0].iter().rev().copied().collect();
        let mut longer = RAIL_RUNS[1];
        longer[4] += 1;
        for runs in [&backwards[..], &longer, &[1; 24], &[2, 1, 1, 1], &RAIL_RUNS[0][..12]] {
            assert!(found(&row(runs, 20.0, 5.0)).iter().all(Option::is_none), "{runs:?}");
        }
        // Cut at the edge of the picture, too small, and nothing at all.
        assert!(found(&row(&RAIL_RUNS[0], 150.0, 5.0)).iter().all(Option::is_none));
        assert!(found(&row(&RAIL_RUNS[0], 20.0, 1.5)).iter().all(Option::is_none));
        assert!(found(&[]).iter().chain(&found(&[7; 3])).all(Option::is_none));
    }
}
