//! Counts and rates of motion.

use super::judder::{Piece, Scene};
use super::{MotionSummary, Timing};
use crate::classify::FrameClass;

/// Counts classes and measures rates.
pub(super) fn summary(scene: &Scene<'_>, pieces: &[Piece], timing: Option<&Timing>) -> MotionSummary {
    let count = |class| scene.frames.iter().filter(|frame| frame.class == class).count() as u64;
    let (new_frames, repeat_frames) = (count(FrameClass::New), count(FrameClass::Repeat));
    let nominal = scene.times.delivered_rate.hz();
    MotionSummary {
        new_frames,
        repeat_frames,
        still_frames: count(FrameClass::Still),
        judged_frames: new_frames + repeat_frames,
        delivered_rate_hz: timing.map(|found| found.measured_rate_hz).filter(|&hz| hz > 0.0).unwrap_or(nominal),
        motion_rate_hz: motion_rate(scene, pieces),
    }
}

/// Judged pictures over the time they take, Hz.
fn motion_rate(scene: &Scene<'_>, pieces: &[Piece]) -> Option<f64> {
    let (mut pictures, mut frames, mut duration_ms) = (0u64, 0u64, 0.0);
    for piece in pieces {
        let whole = piece.whole_periods();
        let Some(last) = whole.end.checked_sub(1).filter(|&last| last >= whole.start) else { continue };
        let first_frame = scene.holds[whole.start].first_frame;
        let end_frame = scene.holds[last].first_frame + u64::from(scene.holds[last].frames);
        pictures += whole.len() as u64;
        frames += end_frame - first_frame;
        duration_ms += scene.span_ms(first_frame, end_frame);
    }
    if pictures == 0 {
        return None;
    }
    if scene.times.measured {
        return (duration_ms > 0.0).then(|| pictures as f64 * 1000.0 / duration_ms);
    }
    // Laid-out times: the exact ratio, not its float sum.
    let rate = scene.times.delivered_rate;
    Some(pictures as f64 * rate.num() as f64 / (frames as f64 * rate.den() as f64))
}
