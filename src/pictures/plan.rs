//! Which frames matter.

use std::ops::Range;

use super::{Reason, Stretch};
use crate::audit::Audit;
use crate::verdict::{rank, Event};

/// Frames of a stretch: at the usual rates a fifth of a second, enough to see any short pattern twice.
const FRAMES: u64 = 12;
/// Of these, frames before the event begins: the last ones that were right.
const LEAD: u64 = 4;
/// Most stretches, worst events first: what a reader steps through. All events are listed beside them.
const STRETCHES_MAX: usize = 16;
/// The worst event is shown whole, with this much around it, seconds.
const AROUND_S: f64 = 1.0;
/// Most frames of the worst event's stretch: its pictures must leave room for others. Choice: two seconds at 60.
const WHOLE_MAX: u64 = 120;

/// A typical stretch, then the events, worst first: the worst one whole with a second around it; of the others the start,
/// and the end where that is not among the frames of the start. What is shown already gets no stretch of its own.
pub fn stretches(audit: &Audit) -> Vec<Stretch> {
    let frames = audit.frames.len() as u64;
    if frames == 0 {
        return Vec::new();
    }
    let mut chosen =
        vec![Stretch { reason: Reason::Typical, frames: row(audit.typical_frame() as u64, frames) }];
    let mut events: Vec<&Event> = audit.events.iter().collect();
    events.sort_by(|one, other| rank(other, one));
    for (place, event) in events.into_iter().enumerate() {
        let parts = if place == 0 && !is_throughout(event, frames) {
            whole(audit, event, frames)
        } else {
            ends(event, frames)
        };
        for part in parts {
            if chosen.len() == STRETCHES_MAX {
                return chosen;
            }
            let shown = chosen.iter().any(|stretch| {
                stretch.frames.contains(&part.start) && stretch.frames.contains(&(part.end - 1))
            });
            if !shown {
                chosen.push(Stretch { reason: Reason::Event(event.number), frames: part });
            }
        }
    }
    chosen
}

/// Whether an event goes on for most of the capture: a typical stretch shows it.
fn is_throughout(event: &Event, frames: u64) -> bool {
    2 * (event.last_frame - event.first_frame) > frames
}

/// The event with a second around it; of one that is too long its two ends.
fn whole(audit: &Audit, event: &Event, frames: u64) -> Vec<Range<u64>> {
    let around = (0.5 * AROUND_S * audit.times.delivered_rate.hz()).round() as u64;
    let start = event.first_frame.saturating_sub(around);
    let end = event.last_frame.saturating_add(around + 1).min(frames);
    if end - start <= WHOLE_MAX {
        return std::iter::once(start..end).collect();
    }
    let half = WHOLE_MAX / 2;
    let second = event.last_frame.saturating_sub(half - around.min(half) / 2);
    let first_end = (start + half).min(frames);
    vec![
        start..first_end,
        second.max(first_end).min(frames - 1)..(second + half).max(first_end + 1).min(frames),
    ]
}

/// The start of an event, and its end where that lies beyond.
fn ends(event: &Event, frames: u64) -> Vec<Range<u64>> {
    let start = row(event.first_frame.saturating_sub(LEAD), frames);
    let after = event.last_frame.saturating_add(1).min(frames - 1);
    if start.contains(&after) || is_throughout(event, frames) {
        return std::iter::once(start).collect();
    }
    let end = row(event.last_frame.saturating_sub(LEAD), frames);
    vec![start, end]
}

/// Frames in a row from `start`, moved back where the capture ends before.
fn row(start: u64, frames: u64) -> Range<u64> {
    let end = start.saturating_add(FRAMES).min(frames);
    end.saturating_sub(FRAMES)..end
}
