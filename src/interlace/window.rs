//! Statistics over the pictures around one.

use std::ops::Range;

/// Pictures on each side of a frame that speak for it: a second of 25 pictures.
pub(super) const REACH: usize = 12;

/// The middle one of `values`, the larger of two; `None` of none.
pub(super) fn median(values: impl IntoIterator<Item = f32>) -> Option<f32> {
    let mut values: Vec<f32> = values.into_iter().collect();
    if values.is_empty() {
        return None;
    }
    let middle = values.len() / 2;
    Some(*values.select_nth_unstable_by(middle, f32::total_cmp).1)
}

/// Mean and the standard error of it; the error is infinite for fewer than two values.
pub(super) fn mean_and_error(values: impl IntoIterator<Item = f32>) -> (f32, f32) {
    let (mut count, mut sum, mut squares) = (0.0f32, 0.0f32, 0.0f32);
    for value in values {
        count += 1.0;
        sum += value;
        squares += value * value;
    }
    if count < 2.0 {
        return (if count > 0.0 { sum } else { 0.0 }, f32::INFINITY);
    }
    let mean = sum / count;
    let variance = ((squares - sum * mean) / (count - 1.0)).max(0.0);
    (mean, (variance / count).sqrt())
}

/// Sums from which a value can be taken away again.
pub(super) trait Sums<T> {
    /// Adds a value, or takes it away again with a `sign` of −1.
    fn change(&mut self, one: &T, sign: i64);
}

/// The values around one, moved along with it: what is the same from place to place is not summed anew.
pub(super) struct Moving<'a, T, S> {
    values: &'a [T],
    reach: usize,
    range: Range<usize>,
    sums: S,
}

impl<'a, T, S: Sums<T> + Default> Moving<'a, T, S> {
    /// Over `values`, so many on either side of a place.
    pub fn new(values: &'a [T], reach: usize) -> Self {
        Self { values, reach, range: 0..0, sums: S::default() }
    }

    /// Sums of the values around `here`, which never goes back.
    pub fn around(&mut self, here: usize) -> &S {
        let wanted = here.saturating_sub(self.reach)..(here + self.reach + 1).min(self.values.len());
        let coming = &self.values[self.range.end..wanted.end.max(self.range.end)];
        coming.iter().for_each(|one| self.sums.change(one, 1));
        let going = &self.values[self.range.start..wanted.start];
        going.iter().for_each(|one| self.sums.change(one, -1));
        self.range = wanted;
        &self.sums
    }
}

/// Sums of whole numbers at even and at odd places, over values that are a place and a number for each measure.
pub(super) struct Sides<const MEASURES: usize>([Side<MEASURES>; 2]);

struct Side<const MEASURES: usize> {
    count: i64,
    sums: [i64; MEASURES],
    squares: [i64; MEASURES],
}

impl<const MEASURES: usize> Default for Sides<MEASURES> {
    fn default() -> Self {
        let side = || Side { count: 0, sums: [0; MEASURES], squares: [0; MEASURES] };
        Self([side(), side()])
    }
}

impl<const MEASURES: usize> Sums<(usize, [i32; MEASURES])> for Sides<MEASURES> {
    fn change(&mut self, (place, values): &(usize, [i32; MEASURES]), sign: i64) {
        let side = &mut self.0[place % 2];
        side.count += sign;
        for (measure, &value) in values.iter().enumerate() {
            side.sums[measure] += sign * i64::from(value);
            side.squares[measure] += sign * i64::from(value).pow(2);
        }
    }
}

impl<const MEASURES: usize> Side<MEASURES> {
    /// Mean and square of its standard error.
    fn mean(&self, measure: usize) -> (f64, f64) {
        let count = self.count as f64;
        let mean = self.sums[measure] as f64 / count;
        let variance = (self.squares[measure] as f64 / count - mean * mean).max(0.0);
        (mean, variance / count)
    }
}

impl<const MEASURES: usize> Sides<MEASURES> {
    /// Values on the side that has fewer of them.
    pub fn fewest(&self) -> i64 {
        self.0[0].count.min(self.0[1].count)
    }

    /// Half the difference of both sides' means, its standard error, and half their sum, counted in `unit`.
    pub fn turning_and_staying(&self, measure: usize, unit: f64) -> (f64, f64, f64) {
        let [(even, even_error), (odd, odd_error)] = [&self.0[0], &self.0[1]].map(|side| side.mean(measure));
        let error = (even_error + odd_error).sqrt();
        ((even - odd) / (2.0 * unit), error / (2.0 * unit), (even + odd) / (2.0 * unit))
    }
}

/// Half the difference between the middle value of even and of odd places, and how far single values lie from
/// their side's middle one; `None` where one side has none.
pub(super) fn alternation(values: &[(usize, f32)]) -> Option<(f32, f32)> {
    let side = |parity: usize| values.iter().filter(move |(at, _)| at % 2 == parity).map(|&(_, value)| value);
    let (even, odd) = (median(side(0))?, median(side(1))?);
    let scatter =
        median(side(0).map(|value| (value - even).abs()).chain(side(1).map(|value| (value - odd).abs())))?;
    Some(((even - odd) / 2.0, scatter))
}
