//! A published no-reference method for dropped frames, for comparison.
//!
//! S. Wolf, "A No Reference (NR) and Reduced Reference (RR) Metric for Detecting Dropped Video Frames", VPQM 2009.
//! The paper itself was not at hand: `IMAGE_MOTION`, `CUT_SHARE`, `FACTOR_A`, `FACTOR_B`, `FACTOR_FLOOR` and
//! `DROP_MOTION` are as a secondary description gives them; that the logarithm is the natural one is from memory,
//! and the rule for partial drops is left out because its formula is not known well enough.

/// Changes of a pixel up to this many code values count as none.
const IMAGE_MOTION: f64 = 30.0;
/// Share of the frames left out at each end of the sorted motion before averaging.
const CUT_SHARE: f64 = 0.02;
const FACTOR_A: f64 = 2.5;
const FACTOR_B: f64 = 1.25;
const FACTOR_FLOOR: f64 = 0.1;
/// Motion below this many times the dynamic factor is a drop.
pub const DROP_MOTION: f64 = 0.015;

/// Mean square of the changes above the image motion threshold.
pub fn motion(now: &[u8], before: &[u8]) -> f64 {
    let changes = now.iter().zip(before).map(|(a, b)| f64::from(a.abs_diff(*b)));
    changes.filter(|&change| change > IMAGE_MOTION).map(|change| change * change).sum::<f64>()
        / now.len() as f64
}

/// Motion up to which a frame counts as dropped, from the average motion.
pub fn drop_threshold(average: f64) -> f64 {
    DROP_MOTION * (FACTOR_A + FACTOR_B * average.ln()).max(FACTOR_FLOOR)
}

/// Frames (from 1 on) that the method calls dropped.
pub fn dropped(motions: &[f64]) -> Vec<bool> {
    let mut sorted = motions.to_vec();
    sorted.sort_by(f64::total_cmp);
    let cut = (CUT_SHARE * sorted.len() as f64).ceil() as usize;
    let kept = &sorted[cut..sorted.len() - cut];
    let threshold = drop_threshold(kept.iter().sum::<f64>() / kept.len() as f64);
    motions.iter().map(|&motion| motion <= threshold).collect()
}
