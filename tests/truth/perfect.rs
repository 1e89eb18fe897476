//! The judgement that a faultless judge gives: against it the scores are checked.

use evenbeat::classify::{ClassifiedFrame, FrameClass, FrameFlags};
use evenbeat::verdict::FindingKind;

use super::adapter::Judged;
use super::cells::Cell;
use super::faultless::{self, finding};
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
    let cadence = faultless::cadence(&frames, cell.delivery.pattern.clone());
    Judged { frames, cadence: Some(cadence), findings, notes: Vec::new() }
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
        let class = match truth {
            Truth::New => FrameClass::New,
            Truth::Repeat => FrameClass::Repeat,
            Truth::Still => FrameClass::Still,
        };
        ClassifiedFrame { flags, ..faultless::call(class, lost[frame]) }
    };
    truth(&cell.scene, &cell.delivery).iter().enumerate().map(call).collect()
}
