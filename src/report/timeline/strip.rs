//! Close-up: a few frames in a row, one block each. The same letter is the same picture, so that a reader
//! sees "A A B B" without knowing the trade's words.

use std::fmt::Write;
use std::ops::Range;

use crate::audit::Audit;
use crate::classify::{FrameClass, FrameFlags};
use crate::escape::markup;
use crate::report::palette;
use crate::report::text::{clock_text, period_s, ticks_from_start, time_s};
use crate::verdict::{rank, Event, EventKind};
use crate::words;

/// Frames of a close-up: 32 px each at 800 px, room for a letter and a number.
pub(crate) const FRAMES: usize = 24;
/// Frames shown before an event.
const LEAD: usize = 6;
/// Height of a close-up with its heading, px.
pub(super) const HEIGHT: i32 = 98;
const HEADING_BASELINE: i32 = 12;
const NEW_TOP: i32 = 32;
const REPEAT_TOP: i32 = 46;
const BOTTOM: i32 = 66;
const BLOCK_PX: i32 = 32;
/// Narrowest hold whose label carries the unit, px.
const UNIT_PX_MIN: i32 = 60;

/// One close-up: which frames, and why.
pub(crate) struct CloseUp {
    /// Frames shown.
    pub frames: Range<usize>,
    /// What it shows, unescaped.
    pub heading: String,
}

/// A typical stretch and, where an event is confined to a place, the worst such place.
pub(crate) fn close_ups(audit: &Audit) -> Vec<CloseUp> {
    if audit.frames.is_empty() {
        return Vec::new();
    }
    let typical = stretch(audit, audit.typical_frame());
    let mut shown = vec![close_up(audit, typical.clone(), "A typical stretch")];
    let confined = audit.events.iter().filter(|event| is_confined(audit, event));
    if let Some(event) = confined.max_by(|one, other| rank(one, other)) {
        let start = usize::try_from(event.first_frame).unwrap_or(usize::MAX).saturating_sub(LEAD);
        let frames = stretch(audit, start);
        if frames != typical {
            let what = format!("Event {}, {}", event.number, event.kind.title());
            shown.push(close_up(audit, frames, &what));
        }
    }
    shown
}

fn close_up(audit: &Audit, frames: Range<usize>, what: &str) -> CloseUp {
    let heading = format!(
        "{what}: {}, from {} (same letter = same picture)",
        words::frames(frames.start as u64, frames.end as u64 - 1),
        clock_text(time_s(audit, frames.start as u64))
    );
    CloseUp { frames, heading }
}

/// Whether an event concerns a place rather than the whole capture.
fn is_confined(audit: &Audit, event: &Event) -> bool {
    let length = event.last_frame.saturating_sub(event.first_frame);
    event.kind != EventKind::HalfRate && length < audit.frames.len() as u64 / 2
}

/// Up to [`FRAMES`] frames from `start`, moved back where the capture ends before.
fn stretch(audit: &Audit, start: usize) -> Range<usize> {
    let end = audit.frames.len().min(start.saturating_add(FRAMES));
    end.saturating_sub(FRAMES).min(start)..end
}

/// Letters by picture: `A` for the one the stretch begins with.
pub(crate) fn letters(audit: &Audit, frames: Range<usize>) -> Vec<char> {
    let mut letter = b'A';
    let start = frames.start;
    frames
        .map(|index| {
            if index > start && audit.frames[index].class == FrameClass::New {
                letter = (letter + 1).min(b'Z');
            }
            char::from(letter)
        })
        .collect()
}

/// Draws one close-up with its upper left corner at (`left`, `top`).
pub(super) fn draw(audit: &Audit, shown: &CloseUp, left: i32, top: i32) -> String {
    let mut svg = format!(
        "<g class=\"close-up\"><text x=\"{left}\" y=\"{}\" font-size=\"12\" font-weight=\"bold\">{}</text>\n",
        top + HEADING_BASELINE,
        markup(&shown.heading)
    );
    for (place, (index, letter)) in shown.frames.clone().zip(letters(audit, shown.frames.clone())).enumerate()
    {
        let corner = (left + place as i32 * BLOCK_PX, top);
        push_block(&mut svg, audit, index, letter, corner);
        push_mark(&mut svg, audit, (index, place == 0), corner);
    }
    push_holds(&mut svg, audit, shown, left, top);
    svg.push_str("</g>\n");
    svg
}

fn push_block(svg: &mut String, audit: &Audit, index: usize, letter: char, (x, top): (i32, i32)) {
    let frame = &audit.frames[index];
    let (block_top, fill, ink) = match frame.class {
        FrameClass::New => (NEW_TOP, palette::NEW, "#FFFFFF"),
        FrameClass::Repeat => (REPEAT_TOP, palette::REPEAT, "#000000"),
        FrameClass::Still => (REPEAT_TOP, palette::STILL, "#000000"),
    };
    let _ = writeln!(
        svg,
        "<rect x=\"{x}\" y=\"{}\" width=\"{}\" height=\"{}\" fill=\"{fill}\"><title>frame {index}, {}: {}</title></rect>\
         <text x=\"{}\" y=\"{}\" font-size=\"14\" font-weight=\"bold\" text-anchor=\"middle\" fill=\"{ink}\">{letter}</text>",
        top + block_top,
        BLOCK_PX - 2,
        BOTTOM - block_top,
        clock_text(time_s(audit, index as u64)),
        frame.class.name(),
        x + BLOCK_PX / 2 - 1,
        top + BOTTOM - 5,
    );
}

/// Draws the mark of a frame. Frames in a row with the same mark share the first one's word: it is wider than a block.
fn push_mark(svg: &mut String, audit: &Audit, (index, is_first): (usize, bool), (x, top): (i32, i32)) {
    let mark = |index: usize| mark_text(audit.frames[index].flags, audit.frames[index].lost_before);
    let Some(word) = mark(index) else { return };
    let _ = writeln!(
        svg,
        "<path d=\"M{0} {1}V{2}\" stroke=\"{3}\" stroke-width=\"2\" stroke-dasharray=\"3 2\"/>",
        x - 1,
        top + NEW_TOP - 4,
        top + BOTTOM + 2,
        palette::FAULT,
    );
    let is_counted = audit.frames[index].lost_before > 0;
    if is_first || is_counted || mark(index - 1).as_ref() != Some(&word) {
        let _ =
            writeln!(svg, "<text x=\"{}\" y=\"{}\" font-size=\"11\">{word}</text>", x - 1, top + NEW_TOP - 6);
    }
}

/// What the marks of a frame say, shortest first word that matters.
pub(crate) fn mark_text(flags: FrameFlags, lost_before: u16) -> Option<String> {
    if flags.contains(FrameFlags::AFTER_DROP) || flags.contains(FrameFlags::AFTER_GAP) {
        return Some(if lost_before > 0 { format!("{lost_before} lost") } else { "lost".to_owned() });
    }
    flags.names().next().map(str::to_owned)
}

/// Brackets below the blocks: how long each picture stays, in ms, also where it began before the close-up
/// or goes on after it.
fn push_holds(svg: &mut String, audit: &Audit, shown: &CloseUp, left: i32, top: i32) {
    let is_new = |index: usize| audit.frames[index].class == FrameClass::New;
    let mut first = shown.frames.start;
    while first < shown.frames.end {
        let end = (first + 1..shown.frames.end).find(|&index| is_new(index)).unwrap_or(shown.frames.end);
        let held_from = (0..=first).rev().find(|&index| is_new(index)).unwrap_or(0);
        let held_to = (end..audit.frames.len()).find(|&index| is_new(index));
        let x0 = left + (first - shown.frames.start) as i32 * BLOCK_PX;
        let x1 = left + (end - shown.frames.start) as i32 * BLOCK_PX - 2;
        let ms = between_ms(audit, held_from, held_to);
        let _ = writeln!(
            svg,
            "<path d=\"M{x0} {0}v4H{x1}v-4\" fill=\"none\" stroke=\"{1}\"/><text x=\"{2}\" y=\"{3}\" \
             font-size=\"11\" text-anchor=\"middle\">{4}</text>",
            top + BOTTOM + 3,
            palette::INK,
            (x0 + x1) / 2,
            top + BOTTOM + 19,
            hold_label(ms, x1 - x0),
        );
        first = end;
    }
}

/// From the start of one frame to the start of another, or to the end of the capture, in ms.
fn between_ms(audit: &Audit, from: usize, to: Option<usize>) -> f64 {
    let last = audit.frames.len() - 1;
    let ticks = ticks_from_start(audit, to.unwrap_or(last) as u64)
        .saturating_sub(ticks_from_start(audit, from as u64));
    let rest = if to.is_some() { 0.0 } else { period_s(audit) };
    (audit.times.base.seconds(ticks) + rest) * 1000.0
}

fn hold_label(ms: f64, width_px: i32) -> String {
    if width_px < UNIT_PX_MIN {
        format!("{ms:.1}")
    } else {
        format!("{ms:.1} ms")
    }
}
