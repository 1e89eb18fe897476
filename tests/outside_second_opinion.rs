//! A published no-reference method for dropped frames as a second opinion on painted captures.
//!
//! S. Wolf, "A No Reference (NR) and Reduced Reference (RR) Metric for Detecting Dropped Video Frames", VPQM 2009.
//! The paper itself was not at hand: `IMAGE_MOTION`, `CUT_SHARE`, `FACTOR_A`, `FACTOR_B`, `FACTOR_FLOOR` and
//! `DROP_MOTION` are as a secondary description gives them; that the logarithm is the natural one is from memory,
//! and the rule for partial drops is left out because its formula is not known well enough. An opinion, no truth:
//! only what follows from the definition is asserted.

use std::sync::Arc;

use evenbeat::capture::FrameSource;
use evenbeat::demo::schedule::{self, Shown};
use evenbeat::demo::{Harbour, PaintedCapture};
use evenbeat::frame::{Family, FrameShape, PixelFormat};
use evenbeat::units::Rate;

/// Changes of a pixel up to this many code values count as none.
const IMAGE_MOTION: f64 = 30.0;
/// Share of the frames left out at each end of the sorted motion before averaging.
const CUT_SHARE: f64 = 0.02;
const FACTOR_A: f64 = 2.5;
const FACTOR_B: f64 = 1.25;
const FACTOR_FLOOR: f64 = 0.1;
/// Motion below this many times the dynamic factor is a drop.
const DROP_MOTION: f64 = 0.015;

/// Mean square of the changes above the image motion threshold.
fn motion(now: &[u8], before: &[u8]) -> f64 {
    let changes = now.iter().zip(before).map(|(a, b)| f64::from(a.abs_diff(*b)));
    changes.filter(|&change| change > IMAGE_MOTION).map(|change| change * change).sum::<f64>()
        / now.len() as f64
}

/// Motion up to which a frame counts as dropped, from the average motion.
fn drop_threshold(average: f64) -> f64 {
    DROP_MOTION * (FACTOR_A + FACTOR_B * average.ln()).max(FACTOR_FLOOR)
}

/// Frames (from 1 on) that the method calls dropped.
fn dropped(motions: &[f64]) -> Vec<bool> {
    let mut sorted = motions.to_vec();
    sorted.sort_by(f64::total_cmp);
    let cut = (CUT_SHARE * sorted.len() as f64).ceil() as usize;
    let kept = &sorted[cut..sorted.len() - cut];
    let threshold = drop_threshold(kept.iter().sum::<f64>() / kept.len() as f64);
    motions.iter().map(|&motion| motion <= threshold).collect()
}

const SHAPE: FrameShape = FrameShape {
    width: 192,
    height: 108,
    pixel_format: PixelFormat { family: Family::Yuv { across: 1, down: 1 }, bit_depth: 8 },
};

/// Luma of every frame of a painted capture, its contrast scaled.
fn luma(shown: &[Shown], contrast: f64) -> Vec<Vec<u8>> {
    let rate = Rate::parse("59.94").expect("a standard rate");
    let painter = Arc::new(Harbour::new(SHAPE, 3.0));
    let mut capture = PaintedCapture::new("second-opinion", rate, shown.to_vec(), painter);
    let (mut samples, mut frames) = (Vec::new(), Vec::new());
    while capture.read_frame(&mut samples).expect("a painted frame").is_some() {
        let luma = &samples[..(SHAPE.width * SHAPE.height) as usize];
        let scaled = luma.iter().map(|&y| (128.0 + (f64::from(y) - 128.0) * contrast).round() as u8);
        frames.push(scaled.collect());
    }
    frames
}

fn opinion(frames: &[Vec<u8>]) -> Vec<bool> {
    dropped(&frames.windows(2).map(|pair| motion(&pair[1], &pair[0])).collect::<Vec<_>>())
}

#[test]
fn thresholds_follow_the_published_constants() {
    // Derived from the constants above with the natural logarithm.
    for (average, factor, threshold) in [
        (0.05, 0.1, 0.0015),
        (1.0, 2.5, 0.0375),
        (10.0, 5.3782, 0.08067),
        (100.0, 8.2565, 0.12385),
        (1000.0, 11.1347, 0.16702),
    ] {
        let found = drop_threshold(average);
        assert!((found - threshold).abs() < 1e-5, "{average}: {found}");
        assert!((found / DROP_MOTION - factor).abs() < 1e-3, "{average}: {found}");
    }
}

#[test]
fn the_method_agrees_where_contrast_is_high() {
    let every: Vec<u64> = (0..120).collect();
    let stalls = schedule::scattered_stalls(120, 40, 9);
    for list in [
        every.clone(),
        schedule::pattern(&[2], 120),
        schedule::pattern(&[2, 3], 120),
        schedule::stalled(&every, &stalls),
    ] {
        let truth: Vec<bool> = list.windows(2).map(|pair| pair[0] == pair[1]).collect();
        assert_eq!(opinion(&luma(&schedule::plain(&list), 1.0)), truth);
    }
}

#[test]
fn the_method_is_blind_to_motion_of_low_contrast() {
    // No pixel changes by more than the threshold, so every frame counts as dropped although every one is new.
    let list: Vec<u64> = (0..60).collect();
    let frames = luma(&schedule::plain(&list), 0.12);
    assert!(frames.windows(2).all(|pair| pair[0] != pair[1]), "every frame is new");
    assert!(opinion(&frames).iter().all(|&dropped| dropped));
}
