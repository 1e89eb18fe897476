//! The head of the page: the verdict, one second of the delivery as it came, and what the calls rest on.

use std::fmt::Write;
use std::ops::Range;

use crate::audit::Audit;
use crate::cadence::Pattern;
use crate::classify::{Evidence, FrameClass};
use crate::escape::markup;
use crate::report::text::{grouped, kind_title, motion_rate_text, optional_ms_text};
use crate::report::timeline::strip;

/// Most frames drawn for one second.
const FRAMES_MAX: usize = 120;
/// Width of a frame in the drawing, units.
const CELL: usize = 12;
/// Height of the drawing, units.
const HEIGHT: usize = 44;

pub(super) fn push(html: &mut String, audit: &Audit) {
    let (first, rest) = first_sentence(&audit.verdict);
    let _ = writeln!(
        html,
        "<header>\n<p class=\"kicker\">Cadence audit of <strong>{}</strong></p>\n<h1>{}</h1>",
        markup(&audit.facts.name),
        markup(first)
    );
    if !rest.is_empty() {
        let _ = writeln!(html, "<p class=\"verdict\">{}</p>", markup(rest));
    }
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

/// The first sentence of a text, and the rest. A full stop within a number is followed by no space.
fn first_sentence(text: &str) -> (&str, &str) {
    text.find(". ").map_or((text, ""), |stop| (&text[..=stop], text[stop + 1..].trim_start()))
}

/// The frames drawn for one second, and which ones they are in words: around the worst finding that has a
/// place, else a typical stretch.
fn second_of(audit: &Audit) -> (Range<usize>, String) {
    let second = (audit.times.delivered_rate.hz().round() as usize).clamp(1, FRAMES_MAX);
    let worst = audit.findings.iter().find(|finding| strip::is_confined(audit, finding));
    let (start, what) = match worst {
        Some(finding) => {
            let first = usize::try_from(finding.first_frame).unwrap_or(usize::MAX);
            (first.saturating_sub(second / 4), format!("around the first {}", kind_title(finding.kind)))
        }
        None => (audit.typical_frame(), "a typical stretch".to_owned()),
    };
    let end = audit.frames.len().min(start.saturating_add(second));
    (end.saturating_sub(second)..end, what)
}

/// A second of frames, one block each: standing up where the picture is new, hanging down where it repeats.
fn push_second(html: &mut String, audit: &Audit) {
    let (Range { start, end }, what) = second_of(audit);
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
        "<path d=\"M0 {middle}h{}\"/></svg>\n<figcaption>{caption}. Frames {start}–{}, \
         {what}.</figcaption></figure>",
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
    let mut counts = [0u64; 4];
    for frame in audit.frames.iter().skip(1) {
        counts[match frame.evidence {
            Evidence::Digest => 0,
            Evidence::Measure => 1,
            Evidence::Cadence => 2,
            Evidence::Reference | Evidence::Mark => 3,
        }] += 1;
    }
    let by_clip = match counts[3] {
        0 => String::new(),
        count => format!(" {} were called by their place in the clip.", grouped(count)),
    };
    format!(
        "Each frame was compared with the one before it: a frame is new if it shows another picture, and a \
         repeat if it shows the same one while the scene moves. {} frames were called because they are \
         identical to the last bit, {} by the measured change, {} by the pattern around them.{by_clip}",
        grouped(counts[0]),
        grouped(counts[1]),
        grouped(counts[2])
    )
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_first_sentence_ends_at_its_stop_and_not_within_a_number() {
        for (text, first, rest) in [
            ("59.94 frames/s. Freeze at 2.703 s. End", "59.94 frames/s.", "Freeze at 2.703 s. End"),
            ("Nothing to judge.", "Nothing to judge.", ""),
            ("", "", ""),
        ] {
            assert_eq!(first_sentence(text), (first, rest));
        }
    }
}
