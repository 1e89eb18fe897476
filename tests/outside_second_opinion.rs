//! A published no-reference method for dropped frames as a second opinion on painted captures.
//!
//! S. Wolf, "A No Reference (NR) and Reduced Reference (RR) Metric for Detecting Dropped Video Frames", VPQM 2009.
//! The method is in `truth/opinion.rs`. An opinion, no truth: only what follows from the definition is asserted.

#[path = "truth/opinion.rs"]
mod opinion;

use std::sync::Arc;

use evenbeat::capture::FrameSource;
use evenbeat::demo::schedule::{self, Shown};
use evenbeat::demo::{Harbour, PaintedCapture};
use evenbeat::frame::{Family, FrameShape, PixelFormat};
use evenbeat::units::Rate;
use opinion::{drop_threshold, dropped, motion, DROP_MOTION};

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
