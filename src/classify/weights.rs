//! Weights of the likelihood, written by `scripts/fit-likelihood` from the truth bench.

/// Constant term.
pub(super) const BIAS: f32 = 0.0;

/// One weight per feature, in the order of `FEATURE_NAMES`.
pub(super) const WEIGHTS: [f32; 40] = [0.0; 40];
