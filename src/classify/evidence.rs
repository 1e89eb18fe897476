//! What classification keeps of a fingerprint: everything but the pictures for alignment.

use crate::fingerprint::{BlockSpread, Digest, FrameFingerprint, ReducedChange};

/// The evidence on one frame, small enough to hold ten hours of them.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct FrameEvidence {
    /// Digest of the visible samples.
    pub digest: Digest,
    /// Block change of luma, code values at 8 bit.
    pub luma: BlockSpread,
    /// Block change of chroma, code values at 8 bit.
    pub chroma: BlockSpread,
    /// Comparison on the reduced luma picture.
    pub reduced: ReducedChange,
    /// Whether the recorder lost frames just before this one.
    pub after_gap: bool,
}

impl FrameEvidence {
    /// The evidence in `fingerprint`; `after_gap` is known once the times of all frames are.
    pub fn new(fingerprint: &FrameFingerprint) -> Self {
        Self {
            digest: fingerprint.digest,
            luma: fingerprint.luma,
            chroma: fingerprint.chroma,
            reduced: fingerprint.reduced,
            after_gap: fingerprint.missing_before > 0,
        }
    }

    /// Largest block change of luma or chroma, code values at 8 bit.
    pub fn change(&self) -> f32 {
        self.luma.worst.max(self.chroma.worst)
    }
}
