//! Fingerprints: the last stage that sees pixels. Pure: values in, values out.
//!
//! [`ViewPlan`] says which samples are looked at, [`FrameMeter`] measures frames in any order, and
//! [`Sequencer`] completes the fingerprints in order. Sums of floats have a fixed number of lanes, so that
//! the same frames give the same bits on every processor.

pub mod blocks;
pub mod cells;
pub mod change;
pub mod chroma_cells;
mod double_image;
mod far;
pub mod fields;
pub mod levels;
pub mod marks;
mod motion;
mod parity;
pub mod reduced;
pub mod ripple;
mod sequencer;
pub mod texture;
mod view;

pub use chroma_cells::ChromaSignature;
pub use double_image::{Correlation, DoubleImage};
pub use fields::{FieldFit, FieldMeasures, Level, RowDetail, Share};
pub use levels::{CaptureLevels, FrameLevels, LevelSums, LumaEnds, PlaneLevels};
pub use marks::{ChartReading, MarkReading};
pub use parity::ParityDifference;
pub use reduced::ReducedPicture;
pub use ripple::{Phasor, Ripple, SignedShare};
pub use sequencer::{digest, Arriving, FrameMeasures, FrameMeter, RunFrame, RunMeter, Sequencer};
pub use texture::Texture;
pub use view::ViewPlan;

/// Columns of the signature grid.
pub const SIGNATURE_COLUMNS: usize = 12;
/// Rows of the signature grid.
pub const SIGNATURE_ROWS: usize = 8;

/// Mean luma per cell, row by row, in `1 / FIXED_POINT` code values: what of a picture is compared.
pub type Signature = [u16; SIGNATURE_COLUMNS * SIGNATURE_ROWS];
/// Steps per code value (at 8 bit) in signatures.
pub const FIXED_POINT: f32 = 64.0;

/// BLAKE3 digest over the visible samples of all planes looked at.
pub type Digest = [u8; 32];

/// Stands where the digest is not known any more: BLAKE3 gives it for no samples that could be found.
pub const UNKNOWN_DIGEST: Digest = [0; 32];

/// Comparison with earlier frames on a reduced luma picture (box means, at most 480 columns).
/// Code values scaled to 8 bit; zero where there is no earlier frame.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct ReducedChange {
    /// Mean difference, this frame minus the one before: a uniform change of brightness.
    pub offset: f32,
    /// Mean square difference to the frame before.
    pub energy: f32,
    /// Mean square difference to the frame two before. With the energies of both single steps it gives the
    /// inner product of the two steps, hence blends and returns.
    pub energy_two_back: f32,
    /// Mean square difference to the frame before that is left after the best local motion
    /// (least squares on the gradients of each block): coding error and noise are not laid out like moved edges.
    pub unexplained: f32,
    /// Mean square of the high-frequency part of the difference to the frame before
    /// (what a 3 × 3 mean removes): mostly noise.
    pub fine_energy: f32,
    /// Dominant motion of what moves since the frame before, pixels of the full picture, right positive.
    pub motion_x: f32,
    /// Dominant motion of what moves since the frame before, pixels of the full picture, down positive.
    pub motion_y: f32,
    /// Share of the moving texture whose own motion agrees with the dominant one, 0 to 1.
    pub motion_peak: f32,
    /// Mean square of the high-frequency part of the difference to the frame two before, likewise.
    pub fine_energy_two_back: f32,
    /// Mean square of the high-frequency part of the picture itself. With the fine energies of the differences
    /// it gives every inner product of the fine parts of three frames; a mix of pictures that moved has less
    /// of it than they have.
    pub detail: f32,
}

/// Everything later stages know of one frame. Some 1,000 bytes in a log.
#[derive(Clone, Debug, PartialEq)]
pub struct FrameFingerprint {
    /// Position in the capture, from 0.
    pub index: u64,
    /// Presentation time in the capture's time base, where it has one.
    pub ticks: Option<i64>,
    /// Frames missing just before this one by the numbering of an image sequence.
    pub missing_before: u32,
    /// Proof of a repeat when equal to the one before.
    pub digest: Digest,
    /// Largest change of a luma block: mean absolute difference to the frame before of the 16 × 16 samples that changed
    /// most, code values scaled to 8 bit. A one-line ticker is motion. 0 for the first frame.
    pub luma_change: f32,
    /// Largest change of a chroma block, of either plane, likewise. 0 without chroma.
    pub chroma_change: f32,
    /// Comparison on the reduced luma picture.
    pub reduced: ReducedChange,
    /// Mean luma per cell, row by row, in `1 / FIXED_POINT` code values: a linear, small picture for alignment.
    pub signature: Signature,
    /// What lies within these cells.
    pub texture: Texture,
    /// What the marks of the test clip say, where the frame shows them.
    pub marks: Option<MarkReading>,
    /// What the chart of the test clip says, where the frame shows marks.
    pub chart: Option<ChartReading>,
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

/// A fingerprint of nothing, for tests that set a few of its fields.
#[cfg(test)]
pub(crate) fn blank() -> FrameFingerprint {
    FrameFingerprint {
        index: 0,
        ticks: None,
        missing_before: 0,
        digest: UNKNOWN_DIGEST,
        luma_change: 0.0,
        chroma_change: 0.0,
        reduced: ReducedChange::default(),
        signature: [0; SIGNATURE_COLUMNS * SIGNATURE_ROWS],
        texture: [0; texture::TEXTURE_LEN],
        marks: None,
        chart: None,
        fields: FieldMeasures::default(),
        double_image: DoubleImage::default(),
        parity_difference: [0; SIGNATURE_COLUMNS * SIGNATURE_ROWS],
        levels: FrameLevels::default(),
        ends: LumaEnds::default(),
        chroma: [[0; SIGNATURE_COLUMNS * SIGNATURE_ROWS]; 2],
    }
}

#[cfg(test)]
mod tests;
