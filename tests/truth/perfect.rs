//! The judgement that a faultless judge gives: against it the scores are checked.

use evenbeat::cadence::{CadenceAnalysis, Hold, Judder, MotionSummary, Pattern};
use evenbeat::classify::{ClassifiedFrame, Evidence, FrameClass, FrameFlags};
use evenbeat::verdict::{Finding, FindingKind, Severity};

use super::adapter::Judged;
use super::cells::Cell;
use super::{is_mix, lost, out_of_order, truth, Truth};

/// What a faultless judge says of a cell whose pattern, stalls and lost pictures are known.
pub fn judgement(cell: &Cell) -> Judged {
    let frames = frames(cell);
    let findings = cell
        .delivery
        .stalls
        .iter()
        .map(|stall| {
            finding(FindingKind::DroppedPictures, stall.first_frame, stall.first_frame + stall.frames)
        })
        .collect();
    let cadence = CadenceAnalysis {
        holds: holds(&frames),
        pattern: cell.delivery.pattern.clone().map(|holds| Pattern { holds }),
        coverage: 1.0,
        segments: Vec::new(),
        breaks: Vec::new(),
        freezes: Vec::new(),
        slip: None,
        motion: MotionSummary::default(),
        judder: Judder::default(),
        timing: None,
    };
    Judged { frames, cadence: Some(cadence), findings }
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
    }
}

fn frames(cell: &Cell) -> Vec<ClassifiedFrame> {
    let lost = lost(&cell.scene, &cell.delivery);
    let disorder = out_of_order(&cell.scene, &cell.delivery);
    let call = |(frame, truth): (usize, &Truth)| {
        let mut flags = FrameFlags::default();
        if is_mix(&cell.scene, cell.delivery.shown[frame]) {
            flags.insert(FrameFlags::BLEND);
        }
        if disorder[frame] {
            flags.insert(FrameFlags::OUT_OF_ORDER);
        }
        ClassifiedFrame {
            class: match truth {
                Truth::New => FrameClass::New,
                Truth::Repeat => FrameClass::Repeat,
                Truth::Still => FrameClass::Still,
            },
            confidence: 1.0,
            evidence: Evidence::Measure,
            change: 1.0,
            lost_before: lost[frame] as u16,
            lost_uncertainty: 0.0,
            blend_weight: 0.0,
            flags,
            digest: [0; 32],
        }
    };
    truth(&cell.scene, &cell.delivery).iter().enumerate().map(call).collect()
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
