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

/// Half the difference between the middle value of even and of odd places, and how far single values lie from
/// their side's middle one; `None` where one side has none.
pub(super) fn alternation(values: &[(usize, f32)]) -> Option<(f32, f32)> {
    let side = |parity: usize| values.iter().filter(move |(at, _)| at % 2 == parity).map(|&(_, value)| value);
    let (even, odd) = (median(side(0))?, median(side(1))?);
    let scatter =
        median(side(0).map(|value| (value - even).abs()).chain(side(1).map(|value| (value - odd).abs())))?;
    Some(((even - odd) / 2.0, scatter))
}
