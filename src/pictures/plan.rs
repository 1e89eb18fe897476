//! Which frames matter.

use std::ops::Range;

use super::{Reason, Stretch};
use crate::audit::Audit;

/// Frames of a stretch: at the usual rates a fifth of a second, enough to see any short pattern twice.
const FRAMES: u64 = 12;
/// Of these, frames before the finding begins: the last ones that were right.
const LEAD: u64 = 4;
/// Most stretches, by severity: what a reader steps through. All findings are listed beside them.
const STRETCHES_MAX: usize = 12;

/// A typical stretch, then the start of each finding, most severe first. Findings whose frames are shown
/// already get no stretch of their own.
pub fn stretches(audit: &Audit) -> Vec<Stretch> {
    let frames = audit.frames.len() as u64;
    if frames == 0 {
        return Vec::new();
    }
    let mut chosen =
        vec![Stretch { reason: Reason::Typical, frames: row(audit.typical_frame() as u64, frames) }];
    for (place, finding) in audit.findings.iter().enumerate() {
        if chosen.len() == STRETCHES_MAX {
            break;
        }
        let around = row(finding.first_frame.saturating_sub(LEAD), frames);
        let shown = chosen.iter().any(|stretch| {
            stretch.frames.contains(&around.start) && stretch.frames.contains(&(around.end - 1))
        });
        if !shown {
            chosen.push(Stretch { reason: Reason::Finding(place), frames: around });
        }
    }
    chosen
}

/// Frames in a row from `start`, moved back where the capture ends before.
fn row(start: u64, frames: u64) -> Range<u64> {
    let end = start.saturating_add(FRAMES).min(frames);
    end.saturating_sub(FRAMES)..end
}
