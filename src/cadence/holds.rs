//! Holds from classes, and the runs of them whose lengths can be compared.

use std::ops::Range;

use super::Hold;
use crate::classify::{ClassifiedFrame, FrameClass, FrameFlags};

/// Frames with a gap just before them, in order: by their flag or by the timestamps.
pub(super) fn frames_after_gap(frames: &[ClassifiedFrame], gaps: &[(u64, u32)]) -> Vec<u64> {
    let flagged = frames
        .iter()
        .zip(0u64..)
        .filter(|(frame, _)| frame.flags.contains(FrameFlags::AFTER_GAP))
        .map(|(_, index)| index);
    let mut all: Vec<u64> = flagged.chain(gaps.iter().map(|&(frame, _)| frame)).collect();
    all.sort_unstable();
    all.dedup();
    all
}

/// Every hold in order. Frame 0 starts one whatever its class.
pub(super) fn holds(frames: &[ClassifiedFrame], after_gap: &[u64]) -> Vec<Hold> {
    let mut holds: Vec<Hold> = Vec::new();
    let mut gaps = after_gap.iter().copied().peekable();
    for (frame, index) in frames.iter().zip(0u64..) {
        let behind_gap = gaps.next_if_eq(&index).is_some();
        if behind_gap {
            // How long the picture before the gap stayed is unknown, whether or not it is still there.
            if let Some(before) = holds.last_mut() {
                before.judged = false;
            }
        }
        match holds.last_mut() {
            Some(hold) if frame.class != FrameClass::New => {
                let still = frame.class == FrameClass::Still;
                hold.frames = hold.frames.saturating_add(1);
                hold.still_frames += u32::from(still);
                hold.judged &= !still;
            }
            _ => holds.push(Hold {
                first_frame: index,
                frames: 1,
                still_frames: u32::from(frame.class == FrameClass::Still),
                judged: !behind_gap && index > 0 && frame.class != FrameClass::Still,
            }),
        }
    }
    if let Some(last) = holds.last_mut() {
        last.judged = false;
    }
    holds
}

/// Longest ranges of neighbouring judged holds. Within one, nothing is missing and nothing stands still.
pub(super) fn judged_runs(holds: &[Hold]) -> Vec<Range<usize>> {
    let mut runs = Vec::new();
    let mut start = None;
    for (index, hold) in holds.iter().enumerate() {
        match (hold.judged, start) {
            (true, None) => start = Some(index),
            (false, Some(first)) => {
                runs.push(first..index);
                start = None;
            }
            _ => {}
        }
    }
    // The last hold is never judged, so no run is left open.
    runs
}
