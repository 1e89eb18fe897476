//! From samples to fingerprints: the part of each frame that may run in any order, and the fold that
//! needs the order.

use super::blocks::{BlockChange, BLOCK_SIDE};
use super::change::{Change, ChangeMeasure};
use super::chroma_cells::{ChromaMeter, ChromaSignature};
use super::double_image::{DoubleImage, DoubleImageMeter};
use super::fields::{FieldMeasures, FieldMeter};
use super::levels::{FrameLevels, LevelMeter, LumaEnds};
use super::marks::{self, ChartReading, MarkReading};
use super::parity::{ParityDifference, ParityMeter};
use super::reduced::{cell_samples, ReducedPicture};
use super::texture;
use super::view::ViewPlan;
use super::{Digest, FrameFingerprint, ReducedChange};
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
    /// What its chart says.
    pub chart: Option<ChartReading>,
    /// For the comparison with earlier frames.
    pub reduced: ReducedPicture,
    /// What tells fields from frames.
    pub fields: FieldMeasures,
    /// What tells field blending.
    pub double_image: DoubleImage,
    /// What the signature of each field has more or less than that of the frame.
    pub parity_difference: ParityDifference,
    /// Its code values against the nominal ranges.
    pub levels: FrameLevels,
    /// What of its luma lies beyond black and white.
    pub ends: LumaEnds,
    /// Mean of both colour differences per cell.
    pub chroma: ChromaSignature,
}

/// Samples of a packed picture that arrive from front to back.
pub trait Arriving {
    /// The samples from the first one on, those before `end` among them.
    fn until(&mut self, end: usize) -> &[u8];
}

impl Arriving for &[u8] {
    fn until(&mut self, _end: usize) -> &[u8] {
        self
    }
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
        mut current: &[u8],
        previous: Option<&[u8]>,
        spent: ReducedPicture,
    ) -> FrameMeasures {
        self.measure_arriving(plan, &mut current, previous, spent)
    }

    /// As [`FrameMeter::measure`] of a picture that arrives while it is measured.
    ///
    /// # Panics
    /// As [`FrameMeter::measure`].
    pub fn measure_arriving(
        &mut self,
        plan: &ViewPlan,
        current: &mut dyn Arriving,
        previous: Option<&[u8]>,
        spent: ReducedPicture,
    ) -> FrameMeasures {
        let cells = cell_samples(plan);
        let (digest, reduced) = self.pass((plan, &cells.columns), current, previous, spent);
        let current = current.until(plan.packed_len());
        let picture = &current[..plan.packed_len()];
        let (marks, chart) = marks::read(plan, current, &reduced).unzip();
        let mut measures = FrameMeasures {
            digest,
            luma_change: 0.0,
            chroma_change: 0.0,
            marks,
            chart,
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
        current: &mut dyn Arriving,
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
                let seen = &current.until(stripe.end)[..stripe.end];
                let samples = &seen[stripe.clone()];
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
                digester.follow(seen);
            }
        }
        reduced.halve();
        let packed_len = plan.packed_len();
        (digester.finish(&current.until(packed_len)[..packed_len]), reduced)
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

/// The reduced pictures that the next one is compared with.
#[derive(Default)]
struct Earlier {
    previous: Option<ReducedPicture>,
    two_back: Option<ReducedPicture>,
}

impl Earlier {
    /// Both pictures, the later one first.
    fn pictures(&self) -> (Option<&ReducedPicture>, Option<&ReducedPicture>) {
        (self.previous.as_ref(), self.two_back.as_ref())
    }

    /// Takes the next picture in; one that is no longer needed comes back.
    fn push(&mut self, picture: ReducedPicture) -> Option<ReducedPicture> {
        std::mem::replace(&mut self.two_back, self.previous.replace(picture))
    }
}

/// The fingerprint of a frame that waits for what the frames before its run decide.
pub struct RunFrame {
    fingerprint: Box<FrameFingerprint>,
    change: Change,
}

/// Measures and compares runs of frames in a row, in any order of the runs. One per worker.
#[derive(Default)]
pub struct RunMeter {
    meter: FrameMeter,
    change: ChangeMeasure,
    earlier: Earlier,
    /// A reduced picture whose memory is free.
    spent: ReducedPicture,
    /// Whether the last pictures that differed had a dominant motion, where that is known.
    dominant: Option<bool>,
}

impl RunMeter {
    /// Frames before a run that the first frames of it are compared with.
    pub const LEAD_IN: u64 = 2;

    /// Begins another run.
    pub fn begin(&mut self) {
        self.earlier = Earlier::default();
        self.dominant = None;
    }

    /// Takes in a packed picture from before the run; the later one comes last.
    ///
    /// # Panics
    /// When it is shorter than [`ViewPlan::packed_len`].
    pub fn lead_in(&mut self, plan: &ViewPlan, picture: &[u8]) {
        let reduced = ReducedPicture::of(plan, picture, std::mem::take(&mut self.spent));
        self.spent = self.earlier.push(reduced).unwrap_or_default();
    }

    /// Measures the next packed picture of the run, which arrives while it is measured, against the one before.
    ///
    /// # Panics
    /// When a picture is shorter than [`ViewPlan::packed_len`].
    pub fn measure(
        &mut self,
        plan: &ViewPlan,
        current: &mut dyn Arriving,
        previous: Option<&[u8]>,
    ) -> RunFrame {
        let measures = self.meter.measure_arriving(plan, current, previous, std::mem::take(&mut self.spent));
        let change = self.change.measure(&measures.reduced, self.earlier.pictures(), self.dominant);
        self.dominant = change.dominant().or(self.dominant);
        let (fingerprint, reduced) =
            measures.into_fingerprint(FrameTiming::default(), ReducedChange::default());
        self.spent = self.earlier.push(reduced).unwrap_or_default();
        RunFrame { fingerprint: Box::new(fingerprint), change }
    }
}

impl FrameMeasures {
    /// A fingerprint without its place in the capture, and the reduced picture.
    fn into_fingerprint(
        self,
        timing: FrameTiming,
        reduced: ReducedChange,
    ) -> (FrameFingerprint, ReducedPicture) {
        let fingerprint = FrameFingerprint {
            index: 0,
            ticks: timing.ticks,
            missing_before: timing.missing_before,
            digest: self.digest,
            luma_change: self.luma_change,
            chroma_change: self.chroma_change,
            reduced,
            signature: self.reduced.signature(),
            texture: texture::of_reduced(&self.reduced),
            marks: self.marks,
            chart: self.chart,
            fields: self.fields,
            double_image: self.double_image,
            parity_difference: self.parity_difference,
            levels: self.levels,
            ends: self.ends,
            chroma: self.chroma,
        };
        (fingerprint, self.reduced)
    }
}

/// Takes the measures of all frames in order and completes their fingerprints. Holds the reduced pictures
/// of the last two frames, where frames come one by one.
#[derive(Default)]
pub struct Sequencer {
    change: ChangeMeasure,
    earlier: Earlier,
    /// Whether the last pictures that differed had a dominant motion.
    dominant: bool,
    next_index: u64,
}

impl Sequencer {
    /// The fingerprint of the next frame, and a reduced picture that is no longer needed.
    pub fn push(
        &mut self,
        timing: FrameTiming,
        measures: FrameMeasures,
    ) -> (FrameFingerprint, Option<ReducedPicture>) {
        let change = self.change.measure(&measures.reduced, self.earlier.pictures(), Some(self.dominant));
        let reduced = self.settled(change);
        let (fingerprint, picture) = measures.into_fingerprint(timing, reduced);
        let spent = self.earlier.push(picture);
        (self.placed(fingerprint), spent)
    }

    /// The fingerprint of the next frame, which is one of a run.
    pub fn push_compared(&mut self, frame: RunFrame) -> FrameFingerprint {
        let reduced = self.settled(frame.change);
        self.placed(FrameFingerprint { reduced, ..*frame.fingerprint })
    }

    /// Takes in a packed picture whose fingerprint came out of a run, so that frames can go on one by one; the later one
    /// comes last.
    ///
    /// # Panics
    /// When it is shorter than [`ViewPlan::packed_len`].
    pub fn lead_in(&mut self, plan: &ViewPlan, picture: &[u8]) {
        self.earlier.push(ReducedPicture::of(plan, picture, ReducedPicture::default()));
    }

    fn settled(&mut self, change: Change) -> ReducedChange {
        let (reduced, dominant) = change.settled(self.dominant);
        self.dominant = dominant;
        reduced
    }

    fn placed(&mut self, fingerprint: FrameFingerprint) -> FrameFingerprint {
        let index = self.next_index;
        self.next_index += 1;
        FrameFingerprint { index, ..fingerprint }
    }
}
