//! The one entry: a capture and settings in, an [`Audit`] out.

use crate::cadence::{CadenceAnalysis, FrameTimes};
use crate::capture::{CaptureFacts, RateSource};
use crate::classify::ClassifiedFrame;
use crate::fingerprint::Digest;
use crate::note::Note;
use crate::verdict::Finding;

/// Everything found about one capture. Reports are written from this and nothing else.
#[derive(Clone, Debug, PartialEq)]
pub struct Audit {
    /// What the capture says of itself.
    pub facts: CaptureFacts,
    /// Where the delivered rate in `times` comes from.
    pub rate_source: RateSource,
    /// Whether every frame of the capture was read whole.
    pub complete: bool,
    /// BLAKE3 over all frame digests in order: the same for a capture and its fingerprint log.
    pub digest: Digest,
    /// One verdict per frame.
    pub frames: Vec<ClassifiedFrame>,
    /// One time per frame.
    pub times: FrameTimes,
    /// Holds, patterns, judder, timing.
    pub cadence: CadenceAnalysis,
    /// What was found, most severe first, then by time.
    pub findings: Vec<Finding>,
    /// Caveats.
    pub notes: Vec<Note>,
    /// The verdict in plain sentences.
    pub verdict: String,
}
