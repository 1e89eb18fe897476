//! The head of the page: the verdict, one second of the delivery as it came, and what the calls rest on.

use std::fmt::Write;

use crate::audit::Audit;
use crate::cadence::Pattern;
use crate::classify::{Evidence, FrameClass};
use crate::report::escape::markup;
use crate::report::text::{grouped, motion_rate_text, optional_ms_text};

/// Most frames drawn for one second.
const FRAMES_MAX: usize = 120;
/// Width of a frame in the drawing, units.
const CELL: usize = 12;
/// Height of the drawing, units.
const HEIGHT: usize = 44;

pub(super) fn push(html: &mut String, audit: &Audit) {
    let _ = writeln!(
        html,
        "<header>\n<p class=\"kicker\">Cadence audit of <strong>{}</strong></p>\n<h1>{}</h1>",
        markup(&audit.facts.name),
        markup(&audit.verdict)
    );
    if !audit.complete {
        html.push_str(
            "<p class=\"incomplete\" role=\"note\"><strong>The capture is incomplete.</strong> Not every frame \
             could be read; what follows holds for the frames that were. See the notes.</p>\n",
        );
    }
    push_second(html, audit);
    push_facts(html, audit);
    let _ = writeln!(html, "<p>{}</p>", markup(&evidence_text(audit)));
    if let Some(assumed) = audit.notes.first() {
        let more = audit.notes.len() - 1;
        let rest = if more > 0 { format!(" <a href=\"#notes\">{more} more</a>") } else { String::new() };
        let _ = writeln!(html, "<p><strong>Assumed:</strong> {}{rest}</p>", markup(&assumed.text));
    }
    html.push_str("</header>\n");
}

/// A second of frames, one block each: standing up where the picture is new, hanging down where it repeats.
fn push_second(html: &mut String, audit: &Audit) {
    let second = (audit.times.delivered_rate.hz().round() as usize).clamp(1, FRAMES_MAX);
    let end = audit.frames.len().min(audit.typical_frame().saturating_add(second));
    let start = end.saturating_sub(second);
    if start == end {
        return;
    }
    let frames = &audit.frames[start..end];
    let new = frames.iter().filter(|frame| frame.class == FrameClass::New).count();
    let caption = format!(
        "{} frames in a row as they were delivered, about one second: {new} show a new picture (up), {} show \
         the one before again (down)",
        frames.len(),
        frames.len() - new
    );
    let _ = writeln!(
        html,
        "<figure class=\"second\"><svg viewBox=\"0 0 {} {HEIGHT}\" preserveAspectRatio=\"none\" role=\"img\" \
         aria-label=\"{caption}\">",
        frames.len() * CELL
    );
    let middle = HEIGHT / 2;
    for (place, frame) in frames.iter().enumerate() {
        let (y, height) = match frame.class {
            FrameClass::New => (1, middle - 1),
            FrameClass::Repeat => (middle + 1, middle - 2),
            FrameClass::Still => (middle - 4, 8),
        };
        let _ = writeln!(
            html,
            "<rect class=\"{}\" x=\"{}\" y=\"{y}\" width=\"{}\" height=\"{height}\"/>",
            frame.class.name(),
            place * CELL + 1,
            CELL - 2
        );
    }
    let _ = writeln!(
        html,
        "<path d=\"M0 {middle}h{}\"/></svg>\n<figcaption>{caption}. Frames {start}–{}, a typical \
         stretch.</figcaption></figure>",
        frames.len() * CELL,
        end - 1
    );
}

fn push_facts(html: &mut String, audit: &Audit) {
    let motion = audit.cadence.motion;
    let cadence = audit.cadence.pattern.as_ref().map_or_else(|| "none holds".to_owned(), Pattern::label);
    html.push_str("<dl class=\"facts\">\n");
    for (name, value) in [
        ("Frames delivered", format!("{} a second", audit.times.delivered_rate)),
        ("New pictures among them", motion_rate_text(motion.motion_rate_hz)),
        ("Each picture stays (frames)", cadence),
        ("Judder of the device’s own", optional_ms_text(audit.cadence.judder.excess_rms_ms)),
        ("Findings", grouped(audit.findings.len() as u64)),
    ] {
        let _ = writeln!(html, "<div><dt>{name}</dt><dd>{}</dd></div>", markup(&value));
    }
    html.push_str("</dl>\n");
}

/// What the calls of the frames rest on, in words for readers outside the trade.
fn evidence_text(audit: &Audit) -> String {
    let mut counts = [0u64; 3];
    for frame in audit.frames.iter().skip(1) {
        counts[match frame.evidence {
            Evidence::Digest => 0,
            Evidence::Measure => 1,
            Evidence::Cadence => 2,
        }] += 1;
    }
    format!(
        "Each frame was compared with the one before it: a frame is new if it shows another picture, and a \
         repeat if it shows the same one while the scene moves. {} frames were called because they are \
         identical to the last bit, {} by the measured change, {} by the pattern around them.",
        grouped(counts[0]),
        grouped(counts[1]),
        grouped(counts[2])
    )
}
