//! What classification keeps of a fingerprint: everything but the pictures for alignment.

use super::advance::Advance;
use crate::fingerprint::{Digest, FrameFingerprint, ReducedChange};

/// The evidence on one frame, small enough to hold ten hours of them.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct FrameEvidence {
    /// Digest of the visible samples.
    pub digest: Digest,
    /// Largest change of a luma block, code values at 8 bit.
    pub luma_change: f32,
    /// Largest change of a chroma block, code values at 8 bit.
    pub chroma_change: f32,
    /// Comparison on the reduced luma picture.
    pub reduced: ReducedChange,
    /// How far it goes on the way of the pictures around it.
    pub advance: Advance,
    /// Whether the recorder lost frames just before this one.
    pub after_gap: bool,
}

impl FrameEvidence {
    /// The evidence in `fingerprint`; `after_gap` is known once the times of all frames are.
    pub fn new(fingerprint: &FrameFingerprint) -> Self {
        Self {
            digest: fingerprint.digest,
            luma_change: fingerprint.luma_change,
            chroma_change: fingerprint.chroma_change,
            reduced: fingerprint.reduced,
            advance: Advance::default(),
            after_gap: fingerprint.missing_before > 0,
        }
    }

    /// Largest block change of luma or chroma, code values at 8 bit.
    pub fn change(&self) -> f32 {
        self.luma_change.max(self.chroma_change)
    }
}
