//! Weights of the likelihood, written by `scripts/fit-likelihood` from the truth bench.

/// Constant term.
pub(super) const BIAS: f32 = 16.48;

/// One weight per feature, in the order of `FEATURE_NAMES`.
#[rustfmt::skip]
pub(super) const WEIGHTS: [f32; 40] = [
    -1.189, // moved-near-high
    -0.8513, // moved-near-low
    -0.1847, // moved-wide-high
    -0.342, // moved-wide-low
    0.0828, // share-near-high
    0.4528, // share-near-low
    0.1386, // share-wide-high
    0.4876, // share-wide-low
    -0.2117, // fading-near-high
    -0.3893, // fading-near-low
    -0.6199, // fading-wide-high
    0.6384, // fading-wide-low
    -0.04939, // high-near-high
    0.1873, // high-near-low
    0.02821, // high-wide-high
    -0.2883, // high-wide-low
    1.3, // mean-near-high
    0.07155, // mean-near-low
    1.075, // mean-wide-high
    0.1473, // mean-wide-low
    0.5637, // worst-near-high
    0.5927, // worst-near-low
    0.08614, // worst-wide-high
    0.4317, // worst-wide-low
    -0.4981, // moved-near-span
    -0.286, // moved-wide-span
    4.772, // moved
    0.04451, // moved-share
    1.694, // fading
    -2.399, // mean
    -0.9207, // worst
    0.25, // median-of-high
    -0.3419, // quiet-of-high
    -5.231, // explained
    2.511, // fine
    -6.929, // peak
    0.4472, // two-back
    0.2404, // two-back-next
    -0.4158, // two-back-here
    -0.4818, // uniform
];
