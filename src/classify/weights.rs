//! Weights of the likelihood, written by `scripts/fit-likelihood` from the truth bench.

/// Constant term.
pub(super) const BIAS: f32 = 21.22;

/// One weight per feature, in the order of `FEATURE_NAMES`.
#[rustfmt::skip]
pub(super) const WEIGHTS: [f32; 40] = [
    -0.8189, // moved-near-high
    -0.62, // moved-near-low
    -0.274, // moved-wide-high
    -0.1484, // moved-wide-low
    0.2749, // share-near-high
    0.2588, // share-near-low
    0.2421, // share-wide-high
    -0.09531, // share-wide-low
    -0.1599, // fading-near-high
    -0.8606, // fading-near-low
    -0.3516, // fading-wide-high
    -0.1498, // fading-wide-low
    0.1945, // high-near-high
    -0.03946, // high-near-low
    0.3252, // high-wide-high
    -0.3115, // high-wide-low
    1.106, // mean-near-high
    0.009512, // mean-near-low
    1.172, // mean-wide-high
    -0.2978, // mean-wide-low
    0.2809, // worst-near-high
    0.4372, // worst-near-low
    0.03957, // worst-wide-high
    0.3899, // worst-wide-low
    -0.2498, // moved-near-span
    -0.03401, // moved-wide-span
    5.17, // moved
    -0.07955, // moved-share
    2.858, // fading
    -2.054, // mean
    -1.628, // worst
    -0.1333, // median-of-high
    0.3748, // quiet-of-high
    -2.877, // explained
    -0.412, // fine
    -3.153, // peak
    1.259, // two-back
    0.7217, // two-back-next
    0.09266, // two-back-here
    -5.174, // uniform
];
