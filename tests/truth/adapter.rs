//! The one place where the bench meets what it judges.

use evenbeat::cadence::CadenceAnalysis;
use evenbeat::capture::FrameSource;
use evenbeat::classify::ClassifiedFrame;
use evenbeat::fingerprint::FrameFingerprint;
use evenbeat::verdict::Finding;

use super::plain_judge;

/// What was found in one cell.
#[derive(Default)]
pub struct Judged {
    pub frames: Vec<ClassifiedFrame>,
    /// `None` where the judge has no cadence stage: patterns, stalls and findings are then not scored.
    pub cadence: Option<CadenceAnalysis>,
    pub findings: Vec<Finding>,
    /// Fingerprints the judgement rests on, for the dump; empty where the judge has none.
    pub fingerprints: Vec<FrameFingerprint>,
}

/// Judges the frames of a cell.
pub fn judge(source: Box<dyn FrameSource>) -> Judged {
    Judged { frames: plain_judge::judge(source), ..Judged::default() }
}
