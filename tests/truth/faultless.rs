//! Pieces of the judgement that a faultless judge gives, for every bench that checks its scores.

use evenbeat::cadence::{CadenceAnalysis, Hold, Judder, MotionSummary, Pattern};
use evenbeat::classify::{ClassifiedFrame, Evidence, FrameClass, FrameFlags};
use evenbeat::verdict::{Finding, FindingKind, Severity};

/// A sure call.
pub fn call(class: FrameClass, lost_before: u64) -> ClassifiedFrame {
    ClassifiedFrame {
        class,
        confidence: 1.0,
        evidence: Evidence::Measure,
        change: 1.0,
        lost_before: lost_before as u16,
        lost_uncertainty: 0.0,
        blend_weight: 0.0,
        flags: FrameFlags::default(),
        digest: [0; 32],
    }
}

/// The cadence of frames of which all is known.
pub fn cadence(frames: &[ClassifiedFrame], pattern: Option<Vec<u32>>) -> CadenceAnalysis {
    CadenceAnalysis {
        holds: holds(frames),
        pattern: pattern.map(|holds| Pattern { holds }),
        coverage: 1.0,
        segments: Vec::new(),
        breaks: Vec::new(),
        freezes: Vec::new(),
        slip: None,
        motion: MotionSummary::default(),
        judder: Judder::default(),
        timing: None,
    }
}

/// A fault over a range of frames.
pub fn finding(kind: FindingKind, first: usize, last: usize) -> Finding {
    Finding {
        kind,
        severity: Severity::Fault,
        first_frame: first as u64,
        last_frame: last as u64,
        time_s: 0.0,
        duration_ms: 0.0,
        count: 1,
        text: String::new(),
        event: None,
    }
}

fn holds(frames: &[ClassifiedFrame]) -> Vec<Hold> {
    let mut holds: Vec<Hold> = Vec::new();
    for (frame, call) in frames.iter().enumerate() {
        match holds.last_mut() {
            Some(hold) if call.class != FrameClass::New => hold.frames += 1,
            _ => holds.push(Hold { first_frame: frame as u64, frames: 1, still_frames: 0, judged: true }),
        }
    }
    holds
}
