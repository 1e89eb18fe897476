//! How much more likely the measured change of each frame is for a new picture than for the same one.

use super::evidence::FrameEvidence;

/// ln P(evidence | new) − ln P(evidence | same) per frame; −∞ where digests prove the same picture.
pub(super) fn log_ratios(evidence: &[FrameEvidence]) -> Vec<f32> {
    (0..evidence.len())
        .map(|frame| match frame {
            0 => f32::INFINITY,
            _ if evidence[frame].digest == evidence[frame - 1].digest => f32::NEG_INFINITY,
            _ => 9.0,
        })
        .collect()
}
