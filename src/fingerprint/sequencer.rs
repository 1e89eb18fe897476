//! From samples to fingerprints: the part of each frame that may run in any order, and the fold that
//! needs the order.

use super::blocks::{BlockChange, BLOCK_SIDE};
use super::change::ChangeMeasure;
use super::chroma_cells::{ChromaMeter, ChromaSignature};
use super::double_image::{DoubleImage, DoubleImageMeter};
use super::fields::{FieldMeasures, FieldMeter};
use super::levels::{FrameLevels, LevelMeter, LumaEnds};
use super::marks::{self, MarkReading};
use super::parity::{ParityDifference, ParityMeter};
use super::reduced::{cell_samples, ReducedPicture};
use super::view::ViewPlan;
use super::{Digest, FrameFingerprint};
use crate::frame::FrameTiming;
use crate::units::gcd;

/// What depends on one frame and the samples of the one before.
#[derive(Clone, Debug)]
pub struct FrameMeasures {
    /// Proof of a repeat when equal to the one before.
    pub digest: Digest,
    /// Largest change of a luma block.
    pub luma_change: f32,
    /// Largest change of a chroma block.
    pub chroma_change: f32,
    /// What the marks of the test clip say.
    pub marks: Option<MarkReading>,
    /// For the comparison with earlier frames.
    pub reduced: ReducedPicture,
    /// What tells fields from frames.
    pub fields: FieldMeasures,
    /// What tells means of two fields.
    pub double_image: DoubleImage,
    /// What the signature of each field has more or less than that of the frame.
    pub parity_difference: ParityDifference,
    /// Its code values against the nominal ranges.
    pub levels: FrameLevels,
    /// What of its luma lies at and beyond black and white.
    pub ends: LumaEnds,
    /// Mean of both colour differences per cell.
    pub chroma: ChromaSignature,
}

/// Measures frames one by one, in any order; holds only scratch memory. One per worker.
#[derive(Default)]
pub struct FrameMeter {
    blocks: BlockChange,
    fields: FieldMeter,
    double_image: DoubleImageMeter,
    parity: ParityMeter,
    levels: LevelMeter,
    chroma: ChromaMeter,
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
        let cells = cell_samples(plan);
        let picture = &current[..plan.packed_len()];
        let (digest, reduced) = self.pass((plan, &cells.columns), picture, previous, spent);
        let mut measures = FrameMeasures {
            digest,
            luma_change: 0.0,
            chroma_change: 0.0,
            marks: marks::read(plan, current, &reduced),
            reduced,
            fields: FieldMeasures::default(),
            double_image: DoubleImage::default(),
            parity_difference: self.parity.difference(plan, &cells),
            levels: self.levels.measure(plan, picture, &digest),
            ends: LumaEnds::of(plan, picture),
            chroma: self.chroma.signature(plan),
        };
        if let Some(previous) = previous {
            measures.fields = self.fields.measures(plan);
            self.blocks.take_means(plan, 0);
            measures.luma_change = self.blocks.largest();
            measures.double_image = self.double_image.measure(plan, current, previous, self.blocks.means());
            for plane in 1..plan.planes.len() {
                self.blocks.take_means(plan, plane);
                measures.chroma_change = measures.chroma_change.max(self.blocks.largest());
            }
        }
        measures
    }

    /// Goes over the samples once, stripe by stripe, so that each measure finds them in the cache. The
    /// digest comes last: it reads from many places at once, which is slow from main memory.
    fn pass(
        &mut self,
        (plan, columns): (&ViewPlan, &[(usize, usize)]),
        current: &[u8],
        previous: Option<&[u8]>,
        mut reduced: ReducedPicture,
    ) -> (Digest, ReducedPicture) {
        reduced.prepare(plan);
        self.blocks.clear();
        self.fields.clear();
        self.parity.clear();
        self.chroma.clear();
        let mut digester = Digester::default();
        let side = least_common_multiple(BLOCK_SIDE, reduced.factor);
        for (index, plane) in plan.planes.iter().enumerate() {
            for (number, stripe) in plane.stripes(side, plan.bytes_per_sample).enumerate() {
                let samples = &current[stripe.clone()];
                if let Some(previous) = previous {
                    let previous = &previous[stripe.clone()];
                    self.blocks.add_stripe(plan, index, samples, previous);
                    self.fields.add_stripe(plan, index, number * side, samples, previous);
                }
                if index == 0 {
                    reduced.reduce_stripe(plan, samples, number * (side / reduced.factor));
                    self.parity.add_stripe(plan, samples, columns);
                }
                self.chroma.add_stripe(plan, index, samples);
                digester.follow(&current[..stripe.end]);
            }
        }
        reduced.halve();
        (digester.finish(current), reduced)
    }
}

fn least_common_multiple(a: usize, b: usize) -> usize {
    a / gcd(a as u64, b as u64) as usize * b
}

/// Bytes hashed at a time: BLAKE3 is fastest on large powers of two; beyond this the samples would have
/// left the cache again (with those of the frame before they take half of a usual one of 1 MiB).
const DIGEST_PIECE: usize = 256 * 1024;

/// BLAKE3 over a picture that is looked at from its beginning to its end.
#[derive(Default)]
struct Digester {
    hasher: blake3::Hasher,
    hashed: usize,
}

impl Digester {
    /// Hashes the whole pieces of what was looked at so far.
    fn follow(&mut self, seen: &[u8]) {
        for piece in seen[self.hashed..].chunks_exact(DIGEST_PIECE) {
            self.hasher.update(piece);
            self.hashed += piece.len();
        }
    }

    /// The digest of the whole picture.
    fn finish(mut self, picture: &[u8]) -> Digest {
        *self.hasher.update(&picture[self.hashed..]).finalize().as_bytes()
    }
}

/// BLAKE3 over the bytes of a packed picture.
pub fn digest(picture: &[u8]) -> Digest {
    let mut digester = Digester::default();
    digester.follow(picture);
    digester.finish(picture)
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
            luma_change: measures.luma_change,
            chroma_change: measures.chroma_change,
            reduced,
            signature: measures.reduced.signature(),
            marks: measures.marks,
            fields: measures.fields,
            double_image: measures.double_image,
            parity_difference: measures.parity_difference,
            levels: measures.levels,
            ends: measures.ends,
            chroma: measures.chroma,
        };
        self.next_index += 1;
        let spent = std::mem::replace(&mut self.two_back, self.previous.replace(measures.reduced));
        (fingerprint, spent)
    }
}
