//! What populations and the course of pictures are weighed by: values that are nearly normal, with a few far out.

/// The natural logarithm to seven digits, which is three times quicker: it is taken for every frame of every parting.
pub(super) fn logarithm(value: f64) -> f64 {
    f64::from((value as f32).ln())
}

/// ln Γ(5/2) − ln Γ(2) − ½ ln 4π.
pub(super) const STUDENT_LEVEL: f64 = -0.980_829_253_011_726;

/// Logarithm of Student's t density with four degrees of freedom: like a normal one, with a few far out.
pub(super) fn student(deviation: f64) -> f64 {
    STUDENT_LEVEL - 2.5 * logarithm(1.0 + deviation * deviation / 4.0)
}

/// The middle one of some values, the larger of two.
pub(super) fn middle(mut values: Vec<f64>) -> Option<f64> {
    let middle = values.len() / 2;
    (!values.is_empty()).then(|| *values.select_nth_unstable_by(middle, f64::total_cmp).1)
}
