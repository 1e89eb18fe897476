//! What became of the colour differences: which equations made them anew, and whether they lie where the luma lies.

use super::detail::{within, Borders, Sums, GREY};
use super::luma::SURE;
use super::regression::{solve, Row, Solution, HELD};
use super::{Chroma, Comparison, Measured};
use crate::alignment::grid::{Grid, COVERED_MIN};
use crate::alignment::{Geometry, CELLS};
use crate::fingerprint::chroma_cells;

/// Unknowns: of Cb what of Cb and Cr, and a level; of Cr likewise; then how far both lie off across and down.
const UNKNOWNS: usize = 8;
const PER_PLANE: usize = 3;
const SHIFT: usize = 2 * PER_PLANE;
/// Rounds: how far colour lies off is solved for with what the round before made of it.
const ROUNDS: usize = 3;
/// Change of a place over which slopes are taken, parts of the picture: about a cell of a detail.
const SLOPE_OVER: f64 = 0.004;
/// Typical error of a cell that is assumed at least, code values: means are whole ones, 1/√12.
const ERROR_MIN: f64 = 0.29;
/// Colour lies beside the luma where that leaves at most this share of the square error: few cells hold an edge of colour, and
/// coding moves these a little. Choice: shifts by 3 and 4 pixels leave 0.65 at most, x264 26 of a globe that turns 0.87.
const SHIFT_BETTER: f64 = 0.7;
/// Least standard deviation of the colour differences, code values, for colour to tell anything. Choice: half a step of
/// samples.
const COLOUR_MIN: f64 = 0.5;

/// Equations that make colour differences from red, green and blue: the weights of red and of blue in luma.
#[derive(Clone, Copy, Debug, PartialEq)]
struct Equations {
    red: f64,
    blue: f64,
}

/// ITU-R BT.601-7, section 2.5.1: E′Y = 0.299 E′R + 0.587 E′G + 0.114 E′B.
const BT_601: Equations = Equations { red: 0.299, blue: 0.114 };
/// ITU-R BT.709-6, item 3.2: E′Y = 0.2126 E′R + 0.7152 E′G + 0.0722 E′B.
const BT_709: Equations = Equations { red: 0.2126, blue: 0.0722 };

impl Equations {
    /// Red, green and blue of luma 0 and a colour difference of 1, in the units of code values: 219 steps of luma from black
    /// to white, 224 of colour differences from one end to the other.
    fn colours(self, blue_difference: f64, red_difference: f64) -> [f64; 3] {
        let unit = 219.0 / 224.0;
        let red = unit * red_difference * 2.0 * (1.0 - self.red);
        let blue = unit * blue_difference * 2.0 * (1.0 - self.blue);
        let green = -(self.red * red + self.blue * blue) / (1.0 - self.red - self.blue);
        [red, green, blue]
    }

    /// Luma and both colour differences of red, green and blue, in the same units.
    fn differences(self, [red, green, blue]: [f64; 3]) -> [f64; 3] {
        let luma = self.red * red + (1.0 - self.red - self.blue) * green + self.blue * blue;
        let unit = 224.0 / 219.0;
        let difference = |colour: f64, own: f64| unit * (colour - luma) / (2.0 * (1.0 - own));
        [luma, difference(blue, self.blue), difference(red, self.red)]
    }
}

/// What a device did with the equations of colour.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Conversion {
    /// Nothing: colour is as in the clip.
    None,
    /// Cb stands for Cr and the other way round.
    Swapped,
    /// Made anew by the equations of BT.601 from those of BT.709.
    To601,
    /// The other way round.
    To709,
}

/// Of luma, Cb and Cr what is added of Cb, and what of Cr.
type Parts = [[f64; 2]; 3];

impl Conversion {
    const ALL: [Self; 4] = [Self::None, Self::Swapped, Self::To601, Self::To709];

    /// What a conversion adds of the colour differences to luma, Cb and Cr.
    pub(super) fn parts(self) -> Parts {
        let made = |from: Equations, to: Equations| {
            let [of_blue, of_red] =
                [to.differences(from.colours(1.0, 0.0)), to.differences(from.colours(0.0, 1.0))];
            std::array::from_fn(|row| [of_blue[row], of_red[row]])
        };
        match self {
            Self::None => [[0.0, 0.0], [1.0, 0.0], [0.0, 1.0]],
            Self::Swapped => [[0.0, 0.0], [0.0, 1.0], [1.0, 0.0]],
            Self::To601 => made(BT_709, BT_601),
            Self::To709 => made(BT_601, BT_709),
        }
    }

    /// Which one leads to a matrix of colour differences, whatever the saturation; `None` where none or several may.
    pub fn of(matrix: [Measured; 4]) -> Option<Self> {
        if matrix.iter().any(|part| part.error > MATRIX_ERROR_MAX) {
            return None;
        }
        let mut fitting = Self::ALL.into_iter().filter(|conversion| conversion.fits(matrix));
        let found = fitting.next().filter(|_| fitting.next().is_none())?;
        let made_anew = matches!(found, Self::To601 | Self::To709);
        (!made_anew || is_strengthened(matrix)).then_some(found)
    }

    fn fits(self, matrix: [Measured; 4]) -> bool {
        let [_, blue, red] = self.parts();
        let wanted = [blue[0], blue[1], red[0], red[1]];
        let along: f64 = matrix.iter().zip(wanted).map(|(found, wanted)| found.value * wanted).sum();
        let square: f64 = wanted.iter().map(|wanted| wanted * wanted).sum();
        let saturation = along / square;
        SATURATIONS.contains(&saturation)
            && matrix.iter().zip(wanted).all(|(found, wanted)| {
                (found.value - saturation * wanted).abs() <= MATRIX_WITHIN * saturation + 2.0 * found.error
            })
    }
}

/// Standard errors by which a mixture must come out stronger. Choice: by chance once in 700, and the matrix has to fit besides.
const STRENGTHENED_ERRORS: f64 = 3.0;

/// Whether some mixture of both colour differences surely comes out stronger than it went in. Other equations weaken one and
/// strengthen another, by 8 and 12 %; a coarse recorder weakens those that the picture has little of, and with two colours
/// that go together the same matrix but for its strength comes out (by trials of a portrait at x264 26).
fn is_strengthened(matrix: [Measured; 4]) -> bool {
    let [blue, of_red, of_blue, red] = matrix.map(|part| part.value);
    // The largest of xᵀMx over all mixtures x of length 1, and the x that has it.
    let (middle, apart, across) = ((blue + red) / 2.0, (blue - red) / 2.0, (of_red + of_blue) / 2.0);
    let strongest = middle + apart.hypot(across);
    let angle = across.atan2(apart) / 2.0;
    let (sin, cos) = angle.sin_cos();
    let parts = [cos * cos, sin * cos, sin * cos, sin * sin];
    let error = parts.iter().zip(matrix).map(|(part, of)| (part * of.error).powi(2)).sum::<f64>().sqrt();
    strongest - 1.0 > STRENGTHENED_ERRORS * error
}

/// What of a colour difference may come out otherwise than a conversion makes it. Choice: the equations of BT.601 and
/// BT.709 differ by 0.11.
const MATRIX_WITHIN: f64 = 0.035;
/// Largest standard error of a part that still tells conversions apart: half of what they differ by. Choice.
const MATRIX_ERROR_MAX: f64 = 0.05;
/// Saturations that a picture control may reach.
const SATURATIONS: std::ops::RangeInclusive<f64> = 0.2..=4.0;

/// Measures colour along a geometry; `None` where there is none, or too little.
pub(super) fn measure(case: &Comparison<'_>, geometry: Geometry) -> Option<Chroma> {
    let pictures = pictures(case)?;
    let grid = Grid::of_borders(chroma_cells::borders(case.chroma_size?));
    let mut solver = Solver { case, pictures, grid, geometry, matrix: [1.0, 0.0, 0.0, 1.0] };
    let mut found = None;
    for _ in 0..ROUNDS {
        let rows = solver.rows()?;
        let solution = solve(&rows, CELLS, ERROR_MIN)?;
        let is_shifted = solution.squares(&rows) <= SHIFT_BETTER * in_place(&rows)?.squares(&rows);
        let value = |at: usize| {
            let mut factors = [0.0; UNKNOWNS];
            factors[at] = 1.0;
            Measured { value: solution.values[at], error: solution.error(factors) }
        };
        let matrix = [value(0), value(1), value(PER_PLANE), value(PER_PLANE + 1)];
        solver.matrix = matrix.map(|part| part.value);
        // The window moves right where the colour lies left of the luma.
        let shift = [0, 1].map(|axis| {
            let Measured { value, error } = value(SHIFT + axis);
            let size = case.capture_size[axis] / geometry.scale[axis];
            match is_shifted {
                true => Measured { value: -value * size, error: error * size },
                // How far it may be off after all.
                false => Measured { value: 0.0, error: error.hypot(value) * size },
            }
        });
        found = Some(Chroma { matrix, shift });
    }
    found
}

/// Colour differences of the pictures of one station, with their weights.
type Shown = Vec<([Sums; 2], f64)>;

fn pictures(case: &Comparison<'_>) -> Option<Vec<Shown>> {
    let of = |station: &super::Station<'_>| {
        let shown = station.shown.iter().flatten();
        shown.map(|(detail, weight)| detail.chroma().map(|sums| (sums, *weight))).collect::<Option<Shown>>()
    };
    case.stations.iter().map(of).collect()
}

struct Solver<'a> {
    case: &'a Comparison<'a>,
    pictures: Vec<Shown>,
    grid: Grid,
    geometry: Geometry,
    matrix: [f64; 4],
}

impl Solver<'_> {
    fn shown(&self, station: usize, borders: &Borders) -> [[f64; CELLS]; 2] {
        let mut cells = [[0.0; CELLS]; 2];
        for (sums, weight) in &self.pictures[station] {
            for (cells, sums) in cells.iter_mut().zip(sums) {
                cells.iter_mut().zip(sums.means(borders)).for_each(|(cell, mean)| *cell += weight * mean);
            }
        }
        cells
    }

    fn moved(&self, axis: usize) -> Borders {
        let mut geometry = self.geometry;
        geometry.offset[axis] += SLOPE_OVER;
        self.grid.borders_in(geometry)
    }

    /// The equations; `None` where there is hardly any colour.
    fn rows(&self) -> Option<Vec<Row<UNKNOWNS>>> {
        let borders = self.grid.borders_in(self.geometry);
        let within = within(&borders);
        let used = |&cell: &usize| self.case.visible[cell] && within[cell] >= COVERED_MIN;
        let moved = [self.moved(0), self.moved(1)];
        let mut rows = Vec::new();
        let mut spread = Spread::default();
        for (index, station) in self.case.stations.iter().enumerate() {
            let chroma = station.chroma?;
            let base = self.shown(index, &borders);
            let moved = moved.each_ref().map(|borders| self.shown(index, borders));
            for cell in (0..CELLS).filter(used) {
                let colour = [base[0][cell], base[1][cell]];
                spread.add(colour);
                for plane in 0..2 {
                    let mut factors = [0.0; UNKNOWNS];
                    factors[PER_PLANE * plane..][..PER_PLANE].copy_from_slice(&[colour[0], colour[1], 1.0]);
                    for (axis, moved) in moved.iter().enumerate() {
                        let slope = |of: usize| (moved[of][cell] - base[of][cell]) / SLOPE_OVER;
                        let [of_blue, of_red] = [self.matrix[2 * plane], self.matrix[2 * plane + 1]];
                        factors[SHIFT + axis] = of_blue * slope(0) + of_red * slope(1);
                    }
                    let value = f64::from(chroma[plane][cell]) - f64::from(GREY);
                    rows.push(Row { factors, value, part: cell, frame: index });
                }
            }
        }
        (spread.deviation() >= COLOUR_MIN).then_some(rows)
    }
}

/// The solution of these equations where colour lies where the luma lies.
fn in_place(rows: &[Row<UNKNOWNS>]) -> Option<Solution<UNKNOWNS>> {
    let held = [0, 1].map(|axis| {
        let mut factors = [0.0; UNKNOWNS];
        factors[SHIFT + axis] = HELD;
        Row { factors, value: 0.0, part: 0, frame: 0 }
    });
    solve(&[rows, &held].concat(), CELLS, ERROR_MIN)
}

/// How far colours lie from their mean.
#[derive(Default)]
struct Spread {
    count: f64,
    sums: [f64; 2],
    squares: f64,
}

impl Spread {
    fn add(&mut self, colour: [f64; 2]) {
        self.count += 1.0;
        self.sums.iter_mut().zip(colour).for_each(|(sum, value)| *sum += value);
        self.squares += colour.iter().map(|value| value * value).sum::<f64>();
    }

    fn deviation(&self) -> f64 {
        let count = f64::max(self.count, 1.0);
        let means: f64 = self.sums.iter().map(|sum| (sum / count).powi(2)).sum();
        (self.squares / count - means).max(0.0).sqrt()
    }
}

/// Whether a value surely lies farther from 0 than a limit.
pub(super) fn surely_beyond(measured: Measured, limit: f64) -> bool {
    measured.value.abs() > limit && measured.value.abs() > SURE * measured.error
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Code values of pure colours at 75 % by both standards, 8 bit, rounded: luma 16 + 219 Y, differences 128 + 224 C.
    fn code(equations: Equations, colour: [f64; 3]) -> [f64; 3] {
        let [luma, blue, red] = equations.differences(colour.map(|part| 219.0 * part));
        [16.0 + luma, 128.0 + blue, 128.0 + red].map(f64::round)
    }

    #[test]
    fn colours_have_the_code_values_of_the_standards() {
        // ITU-R BT.601-7, section 2.5.1 and 2.5.3 (220 and 225 quantization levels): red (81, 90, 240), green (145, 54, 34),
        // blue (41, 240, 110). ITU-R BT.709-6, items 3.2 to 3.4 and 4.2: red (63, 102, 240), green (173, 42, 26), blue
        // (32, 240, 118).
        for (equations, colours) in [
            (BT_601, [[81.0, 90.0, 240.0], [145.0, 54.0, 34.0], [41.0, 240.0, 110.0]]),
            (BT_709, [[63.0, 102.0, 240.0], [173.0, 42.0, 26.0], [32.0, 240.0, 118.0]]),
        ] {
            for (at, wanted) in colours.into_iter().enumerate() {
                let colour = std::array::from_fn(|part| f64::from(u8::from(part == at)));
                assert_eq!(code(equations, colour), wanted, "{equations:?} {at}");
            }
        }
    }

    #[test]
    fn a_conversion_makes_the_colours_of_one_standard_from_those_of_the_other() {
        let [luma, blue, red] = Conversion::To601.parts();
        for colour in [[1.0, 0.0, 0.0], [0.0, 1.0, 0.0], [0.2, 0.7, 0.9]] {
            let parts = colour.map(|part| 219.0 * part);
            let [y, b, r] = BT_709.differences(parts);
            let found = [y + luma[0] * b + luma[1] * r, blue[0] * b + blue[1] * r, red[0] * b + red[1] * r];
            for (found, wanted) in found.iter().zip(BT_601.differences(parts)) {
                assert!((found - wanted).abs() < 1e-9, "{colour:?}");
            }
        }
    }

    #[test]
    fn conversions_are_told_by_their_matrix_and_only_where_it_is_known_well() {
        for conversion in Conversion::ALL {
            let [_, blue, red] = conversion.parts();
            for saturation in [0.7, 1.0, 1.14] {
                let matrix = |error: f64| {
                    [blue[0], blue[1], red[0], red[1]]
                        .map(|part| Measured { value: saturation * part, error })
                };
                // Equations made anew with all colours weakened look like a recorder's loss.
                let hidden = saturation < 1.0 && matches!(conversion, Conversion::To601 | Conversion::To709);
                let told = Some(conversion).filter(|_| !hidden);
                assert_eq!(Conversion::of(matrix(0.005)), told, "{saturation}");
                // Where the error is as large as what tells them apart, nothing is told of the equations.
                assert_eq!(Conversion::of(matrix(0.08)), None);
            }
        }
        // What a portrait's colours become in a coarse recording: weaker in one direction, stronger in none.
        let weakened = [(0.839, 0.0276), (-0.076, 0.0176), (-0.070, 0.0336), (0.975, 0.0220)];
        assert_eq!(Conversion::of(weakened.map(|(value, error)| Measured { value, error })), None);
        // A turned hue is none of them.
        let turned = [0.9, -0.4, 0.4, 0.9].map(|value| Measured { value, error: 0.004 });
        assert_eq!(Conversion::of(turned), None);
    }
}
