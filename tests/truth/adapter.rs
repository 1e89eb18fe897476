//! The one place where the bench meets what it judges.

use std::sync::atomic::AtomicBool;

use evenbeat::audit::{audit_source, Run};
use evenbeat::cadence::CadenceAnalysis;
use evenbeat::capture::FrameSource;
use evenbeat::classify::ClassifiedFrame;
use evenbeat::fingerprint::{FrameFingerprint, FrameMeter, ReducedPicture, Sequencer, ViewPlan};
use evenbeat::pipeline::NoProgress;
use evenbeat::settings::{Settings, ViewSettings};
use evenbeat::verdict::Finding;

/// What was found in one cell.
#[derive(Default)]
pub struct Judged {
    pub frames: Vec<ClassifiedFrame>,
    /// `None` where the judge has no cadence stage: patterns, stalls and findings are then not scored.
    pub cadence: Option<CadenceAnalysis>,
    pub findings: Vec<Finding>,
}

/// Judges the frames of a cell by the audit that users get, with default settings.
pub fn judge(source: Box<dyn FrameSource>) -> Judged {
    let run = Run { progress: &NoProgress, stop: &AtomicBool::new(false) };
    let audit = audit_source(source, &Settings::default(), run).expect("a capture of the bench");
    assert!(audit.complete, "{}: read whole", audit.facts.name);
    Judged { frames: audit.frames, cadence: Some(audit.cadence), findings: audit.findings }
}

/// Fingerprints of the frames of a cell, by one worker.
pub fn fingerprints(mut source: Box<dyn FrameSource>) -> Vec<FrameFingerprint> {
    let plan = ViewPlan::new(source.facts().shape, &ViewSettings::default());
    let (mut meter, mut sequencer) = (FrameMeter::default(), Sequencer::default());
    let (mut now, mut before) = (Vec::new(), None);
    let mut spent = ReducedPicture::default();
    let mut fingerprints = Vec::new();
    while let Some(timing) = source.read_frame(&mut now).expect("a frame of the bench") {
        let measures = meter.measure(&plan, &now, before.as_deref(), spent);
        let (fingerprint, unused) = sequencer.push(timing, measures);
        spent = unused.unwrap_or_default();
        fingerprints.push(fingerprint);
        let unused = before.replace(std::mem::take(&mut now));
        now = unused.unwrap_or_default();
    }
    source.finish();
    fingerprints
}
