//! From samples to fingerprints: the part of each frame that may run in any order, and the fold that
//! needs the order.

use super::blocks::{BlockChange, BLOCK_SIDE};
use super::change::ChangeMeasure;
use super::reduced::ReducedPicture;
use super::view::ViewPlan;
use super::{BlockSpread, Digest, FrameFingerprint, REGION_COLUMNS, REGION_ROWS};
use crate::frame::FrameTiming;

/// What depends on one frame and the samples of the one before.
#[derive(Clone, Debug)]
pub struct FrameMeasures {
    /// Proof of a repeat when equal to the one before.
    pub digest: Digest,
    /// Block change of luma.
    pub luma: BlockSpread,
    /// Block change of chroma.
    pub chroma: BlockSpread,
    /// Largest luma block change per region.
    pub regions: [u16; REGION_COLUMNS * REGION_ROWS],
    /// For the comparison with earlier frames.
    pub reduced: ReducedPicture,
}

/// Measures frames one by one, in any order; holds only scratch memory. One per worker.
#[derive(Default)]
pub struct FrameMeter {
    blocks: BlockChange,
}

impl FrameMeter {
    /// Measures a packed picture against the one before; `spent` is a reduced picture whose memory is reused.
    ///
    /// # Panics
    /// When a picture is shorter than [`ViewPlan::packed_len`].
    pub fn measure(
        &mut self,
        plan: &ViewPlan,
        current: &[u8],
        previous: Option<&[u8]>,
        spent: ReducedPicture,
    ) -> FrameMeasures {
        let digest = digest(&current[..plan.packed_len()]);
        let mut reduced = spent;
        reduced.reduce(plan, current);
        let mut measures = FrameMeasures {
            digest,
            luma: BlockSpread::default(),
            chroma: BlockSpread::default(),
            regions: [0; REGION_COLUMNS * REGION_ROWS],
            reduced,
        };
        if let Some(previous) = previous {
            self.blocks.measure(plan, 0, current, previous);
            measures.luma = self.blocks.spread();
            measures.regions = self.blocks.regions(plan.planes[0].packed.width.div_ceil(BLOCK_SIDE));
            if plan.planes.len() > 2 {
                self.blocks.measure(plan, 1, current, previous);
                self.blocks.raise(plan, 2, current, previous);
                measures.chroma = self.blocks.spread();
            }
        }
        measures
    }
}

/// BLAKE3 over the bytes of a packed picture.
pub fn digest(picture: &[u8]) -> Digest {
    *blake3::hash(picture).as_bytes()
}

/// Takes the measures of all frames in order and completes their fingerprints. Holds the reduced pictures
/// of the last two frames.
#[derive(Default)]
pub struct Sequencer {
    change: ChangeMeasure,
    previous: Option<ReducedPicture>,
    two_back: Option<ReducedPicture>,
    next_index: u64,
}

impl Sequencer {
    /// The fingerprint of the next frame, and a reduced picture that is no longer needed.
    pub fn push(
        &mut self,
        timing: FrameTiming,
        measures: FrameMeasures,
    ) -> (FrameFingerprint, Option<ReducedPicture>) {
        let reduced = self.change.measure(&measures.reduced, self.previous.as_ref(), self.two_back.as_ref());
        let fingerprint = FrameFingerprint {
            index: self.next_index,
            ticks: timing.ticks,
            missing_before: timing.missing_before,
            digest: measures.digest,
            luma: measures.luma,
            chroma: measures.chroma,
            reduced,
            regions: measures.regions,
            signature: measures.reduced.signature(),
        };
        self.next_index += 1;
        let spent = std::mem::replace(&mut self.two_back, self.previous.replace(measures.reduced));
        (fingerprint, spent)
    }
}
