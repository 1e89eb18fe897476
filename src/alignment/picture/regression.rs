//! Least squares with an honest error: what lies in one part of the picture errs alike in every frame, and a frame that a
//! recorder has made too bright, or that shows another moment, errs alike in every part. Errors are therefore summed part by
//! part, and frame by frame, before they are squared (the clustered form of the sandwich estimate, Liang and Zeger 1986), and
//! the larger of both counts.

/// Errors beyond this many typical ones count singly (Huber's loss; 95 % efficient where errors are normal).
const FAR_OFF: f64 = 1.345;
/// Rounds of weighing and solving.
const ROUNDS: usize = 3;
/// Factor by which an equation of its own holds an unknown at its value.
pub(super) const HELD: f64 = 1e6;
/// A median absolute deviation times this is a standard deviation, for normal errors (1/Φ⁻¹(¾)).
const DEVIATIONS_PER_MAD: f64 = 1.4826;

/// One observation: what each unknown is multiplied by, what was found, and the part of the picture and the frame it is from.
#[derive(Clone, Copy, Debug)]
pub(super) struct Row<const N: usize> {
    pub factors: [f64; N],
    pub value: f64,
    pub part: usize,
    pub frame: usize,
}

/// What was solved for.
#[derive(Clone, Copy, Debug)]
pub(super) struct Solution<const N: usize> {
    pub values: [f64; N],
    /// Covariances of the values: by what parts of the picture, and by what frames have in common.
    covariances: [[[f64; N]; N]; 2],
}

impl<const N: usize> Solution<N> {
    /// Standard error of a linear combination of the values.
    pub fn error(&self, factors: [f64; N]) -> f64 {
        let along = |row: &[f64; N]| row.iter().zip(&factors).map(|(a, b)| a * b).sum::<f64>();
        let square = |covariance: &[[f64; N]; N]| -> f64 {
            covariance.iter().zip(&factors).map(|(row, factor)| factor * along(row)).sum()
        };
        self.covariances.iter().map(square).fold(0.0, f64::max).sqrt()
    }

    /// Sum of the squares of what these rows have left.
    pub fn squares(&self, rows: &[Row<N>]) -> f64 {
        rows.iter().map(|row| left(row, &self.values).powi(2)).sum()
    }
}

/// The values that leave least, errors no smaller than `floor` taken for typical; `None` where the rows do not determine
/// them. Parts are numbered from 0 to before `parts`.
pub(super) fn solve<const N: usize>(rows: &[Row<N>], parts: usize, floor: f64) -> Option<Solution<N>> {
    let mut weights = vec![1.0; rows.len()];
    let (mut values, mut inverse) = ([0.0; N], [[0.0; N]; N]);
    for round in 0..ROUNDS {
        let (mut matrix, mut right) = ([[0.0; N]; N], [0.0; N]);
        for (row, weight) in rows.iter().zip(&weights) {
            for ((line, right), factor) in matrix.iter_mut().zip(&mut right).zip(row.factors) {
                *right += weight * factor * row.value;
                line.iter_mut()
                    .zip(row.factors)
                    .for_each(|(sum, other): (&mut f64, f64)| *sum += weight * factor * other);
            }
        }
        inverse = inverted(matrix)?;
        values = std::array::from_fn(|a| (0..N).map(|b| inverse[a][b] * right[b]).sum());
        if round + 1 < ROUNDS {
            let mut sizes: Vec<f64> = rows.iter().map(|row| left(row, &values).abs()).collect();
            let scale = (DEVIATIONS_PER_MAD * super::median(&mut sizes)).max(floor);
            for (row, weight) in rows.iter().zip(&mut weights) {
                *weight = (FAR_OFF * scale / left(row, &values).abs().max(FAR_OFF * scale)).min(1.0);
            }
        }
    }
    let covariance = |cluster: fn(&Row<N>) -> usize, count: usize| {
        let mut sums = vec![[0.0; N]; count];
        for (row, weight) in rows.iter().zip(&weights) {
            let left = weight * left(row, &values);
            sums[cluster(row)].iter_mut().zip(&row.factors).for_each(|(sum, factor)| *sum += factor * left);
        }
        product(product(inverse, meat(&sums)), inverse)
    };
    let frames = rows.iter().map(|row| row.frame + 1).max().unwrap_or(0);
    let covariances = [covariance(|row| row.part, parts), covariance(|row| row.frame, frames)];
    Some(Solution { values, covariances })
}

/// Sums of squares of what clusters have in common.
fn meat<const N: usize>(sums: &[[f64; N]]) -> [[f64; N]; N] {
    let used = sums.iter().filter(|sum| sum.iter().any(|&value| value != 0.0)).count();
    // Too few clusters say nothing of how they scatter.
    let freedom = used as f64 / (used as f64 - N as f64).max(1.0);
    let spread = |a: usize, b: usize| freedom * sums.iter().map(|sum| sum[a] * sum[b]).sum::<f64>();
    std::array::from_fn(|a| std::array::from_fn(|b| spread(a, b)))
}

fn left<const N: usize>(row: &Row<N>, values: &[f64; N]) -> f64 {
    row.value - row.factors.iter().zip(values).map(|(factor, value)| factor * value).sum::<f64>()
}

fn product<const N: usize>(a: [[f64; N]; N], b: [[f64; N]; N]) -> [[f64; N]; N] {
    std::array::from_fn(|row| std::array::from_fn(|column| (0..N).map(|at| a[row][at] * b[at][column]).sum()))
}

/// The inverse of a symmetric matrix, scaled to a diagonal of ones first (Gauss and Jordan); `None` where it has none.
fn inverted<const N: usize>(matrix: [[f64; N]; N]) -> Option<[[f64; N]; N]> {
    /// Least pivot of a scaled matrix: what is determined by less than this is not determined.
    const PIVOT_MIN: f64 = 1e-7;
    let scale: [f64; N] = std::array::from_fn(|at| matrix[at][at].sqrt());
    if scale.iter().any(|&scale| scale.is_nan() || scale <= 0.0) {
        return None;
    }
    let mut left: [[f64; N]; N] =
        std::array::from_fn(|a| std::array::from_fn(|b| matrix[a][b] / (scale[a] * scale[b])));
    let mut right: [[f64; N]; N] =
        std::array::from_fn(|a| std::array::from_fn(|b| f64::from(u8::from(a == b))));
    for column in 0..N {
        let pivot = (column..N).max_by(|&a, &b| left[a][column].abs().total_cmp(&left[b][column].abs()))?;
        left.swap(column, pivot);
        right.swap(column, pivot);
        let lead = left[column][column];
        if lead.abs() < PIVOT_MIN {
            return None;
        }
        left[column].iter_mut().chain(&mut right[column]).for_each(|value| *value /= lead);
        let (own_left, own_right) = (left[column], right[column]);
        for row in (0..N).filter(|&row| row != column) {
            let factor = left[row][column];
            left[row].iter_mut().zip(&own_left).for_each(|(value, own)| *value -= factor * own);
            right[row].iter_mut().zip(&own_right).for_each(|(value, own)| *value -= factor * own);
        }
    }
    Some(std::array::from_fn(|a| std::array::from_fn(|b| right[a][b] / (scale[a] * scale[b]))))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::demo::texture::Dice;

    #[test]
    fn errors_that_a_frame_has_in_every_part_are_not_averaged_away() {
        // A level of 3 under a light that flickers by five code values, the same in all 60 parts of 12 frames.
        let off = |frame: usize| if frame % 2 == 0 { 5.0 } else { -5.0 };
        let row =
            |at: usize| Row { factors: [1.0], value: 3.0 + off(at / 60), part: at % 60, frame: at / 60 };
        let rows: Vec<Row<1>> = (0..12 * 60).map(row).collect();
        let found = solve(&rows, 60, 0.01).unwrap();
        // 5 / √12, and 12 / 11 for the level that was fitted.
        assert!((found.error([1.0]) - 1.5).abs() < 0.1, "{}", found.error([1.0]));
    }

    #[test]
    fn errors_that_a_part_has_in_every_frame_are_not_averaged_away() {
        // A level of 3 with an error of one code value per part, the same in 50 frames.
        let mut dice = Dice::new(5);
        let even = |dice: &mut Dice| dice.below(1 << 20) as f64 / f64::from(1 << 20) - 0.5;
        // Twelve even numbers make a nearly normal one of deviation 1.
        let off: Vec<f64> = (0..60).map(|_| (0..12).map(|_| even(&mut dice)).sum()).collect();
        let rows: Vec<Row<1>> = (0..60 * 50)
            .map(|at| Row { factors: [1.0], value: 3.0 + off[at % 60], part: at % 60, frame: at / 60 })
            .collect();
        let found = solve(&rows, 60, 0.01).unwrap();
        let expected = 1.0 / 60f64.sqrt();
        assert!((found.error([1.0]) / expected - 1.0).abs() < 0.3, "{}", found.error([1.0]));
        assert!((found.values[0] - 3.0).abs() < 3.0 * expected);
    }

    #[test]
    fn a_line_is_found_beside_what_is_far_off() {
        let mut rows: Vec<Row<2>> = (0..90)
            .map(|at| Row { factors: [1.0, at as f64], value: 2.0 + 0.5 * at as f64, part: at, frame: 0 })
            .collect();
        rows[7].value += 200.0;
        rows[80].value += 200.0;
        let found = solve(&rows, 90, 0.1).unwrap();
        assert!((found.values[0] - 2.0).abs() < 0.2 && (found.values[1] - 0.5).abs() < 0.01, "{found:?}");
        let alike: Vec<Row<2>> = rows.iter().map(|row| Row { factors: [1.0, 2.0], ..*row }).collect();
        assert!(solve(&alike, 90, 0.1).is_none());
    }
}
