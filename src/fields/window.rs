//! Statistics over the pictures around one.

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

/// Half the difference between the middle value of even and of odd places, and how far single values lie from
/// their side's middle one; `None` where one side has none.
pub(super) fn alternation(values: &[(usize, f32)]) -> Option<(f32, f32)> {
    let side = |parity: usize| values.iter().filter(move |(at, _)| at % 2 == parity).map(|&(_, value)| value);
    let (even, odd) = (median(side(0))?, median(side(1))?);
    let scatter =
        median(side(0).map(|value| (value - even).abs()).chain(side(1).map(|value| (value - odd).abs())))?;
    Some(((even - odd) / 2.0, scatter))
}
