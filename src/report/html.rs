//! `report.html`: one file that opens from disk, without network and without scripts. The verdict and its
//! numbers come first; then the chart, the findings, and what they rest on.

use std::fmt::Write;

use super::escape::{markup, visible};
use super::markdown::command_text;
use super::text::{
    clock_text, duration_s, exact_rate_text, grouped, hex, kind_title, length_text, motion_rate_text,
    ms_text, optional_ms_text, percent_text, time_s,
};
use super::timeline::strip;
use super::{Provenance, FRAMES_CSV};
use crate::audit::Audit;
use crate::cadence::Pattern;
use crate::cadence::Timing;
use crate::capture::RateSource;
use crate::classify::Evidence;
use crate::units::hz_text;
use crate::verdict::Finding;

/// Style of the page: light and dark by what the reader's system asks for, and print.
const STYLE: &str = include_str!("report.css");
/// Findings written out with their frames; all are in `audit.json`.
const FINDINGS_MAX: usize = 200;
/// Findings whose frames are shown one by one.
const FRAME_TABLES_MAX: usize = 20;
/// Frames shown before and after the first frame of a finding.
const FRAMES_AROUND: usize = 6;
/// Cadence breaks listed; all are in `audit.json`.
const BREAKS_MAX: usize = 200;

/// The page. `chart` is the timeline as an SVG document, which is set into the page as it is.
pub fn page(audit: &Audit, provenance: &Provenance, chart: &str) -> String {
    let name = markup(&audit.facts.name);
    let mut html = String::with_capacity(chart.len() + 64 * 1024);
    let _ = writeln!(
        html,
        "<!DOCTYPE html>\n<html lang=\"en\">\n<head>\n<meta charset=\"utf-8\"/>\n\
         <meta name=\"viewport\" content=\"width=device-width, initial-scale=1\"/>\n\
         <meta http-equiv=\"Content-Security-Policy\" content=\"default-src 'none'; style-src 'unsafe-inline'\"/>\n\
         <meta name=\"color-scheme\" content=\"light dark\"/>\n\
         <title>Cadence audit of {name}</title>\n<style>\n{STYLE}</style>\n</head>\n<body>\n\
         <a class=\"skip\" href=\"#findings\">Skip to the findings</a>\n<main>"
    );
    push_verdict(&mut html, audit);
    let _ = writeln!(
        html,
        "<section aria-labelledby=\"timeline\">\n<h2 id=\"timeline\">Timeline</h2>\n\
         <div class=\"chart\" tabindex=\"0\" role=\"group\" aria-label=\"Timeline chart\">\n{chart}</div>\n</section>"
    );
    push_requirements(&mut html, audit);
    push_findings(&mut html, audit);
    push_numbers(&mut html, audit);
    push_judder(&mut html, audit);
    push_breaks(&mut html, audit);
    push_timing(&mut html, audit);
    push_notes(&mut html, audit);
    push_provenance(&mut html, audit, provenance);
    html.push_str("</main>\n</body>\n</html>\n");
    html
}

fn push_verdict(html: &mut String, audit: &Audit) {
    let motion = audit.cadence.motion;
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
    let cadence = audit.cadence.pattern.as_ref().map_or_else(|| "none holds".to_owned(), Pattern::label);
    html.push_str("<dl class=\"facts\">\n");
    for (name, value) in [
        ("Delivered", format!("{} frames/s", audit.times.delivered_rate)),
        ("New pictures", motion_rate_text(motion.motion_rate_hz)),
        ("Cadence", cadence),
        ("Excess judder", optional_ms_text(audit.cadence.judder.excess_rms_ms)),
        ("Findings", grouped(audit.findings.len() as u64)),
    ] {
        let _ = writeln!(html, "<div><dt>{name}</dt><dd>{}</dd></div>", markup(&value));
    }
    let _ = writeln!(html, "</dl>\n<p>{}</p>\n</header>", markup(&evidence_text(audit)));
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

/// What was required, and whether it is met; nothing where nothing was.
fn push_requirements(html: &mut String, audit: &Audit) {
    if audit.requirements.is_empty() {
        return;
    }
    html.push_str("<section aria-labelledby=\"requirements\">\n<h2 id=\"requirements\">Requirements</h2>\n");
    push_table_opening(html, "What was required", &["Outcome", "Required", "Found"]);
    for outcome in &audit.requirements {
        let _ = writeln!(
            html,
            "<tr><td><strong>{}</strong></td><td>{}</td><td class=\"prose\">{}</td></tr>",
            outcome.verdict(),
            markup(&outcome.requirement.to_string()),
            markup(&outcome.found_text())
        );
    }
    html.push_str("</tbody></table></div>\n</section>\n");
}

fn push_findings(html: &mut String, audit: &Audit) {
    html.push_str(
        "<section aria-labelledby=\"findings\">\n<h2 id=\"findings\" tabindex=\"-1\">Findings</h2>\n",
    );
    if audit.findings.is_empty() {
        html.push_str("<p>None.</p>\n</section>\n");
        return;
    }
    push_table_opening(
        html,
        "Findings, most severe first",
        &["Severity", "Finding", "At", "Frames", "Lasts", "Count", "What was seen"],
    );
    for (place, finding) in audit.findings.iter().take(FINDINGS_MAX).enumerate() {
        let title = kind_title(finding.kind);
        let title = if place < FRAME_TABLES_MAX {
            format!("<a href=\"#finding-{}\">{title}</a>", place + 1)
        } else {
            title.to_owned()
        };
        let severity = finding.severity.name();
        let _ = writeln!(
            html,
            "<tr><td><span class=\"severity {severity}\">{severity}</span></td><td>{title}</td><td>{}</td>\
             <td>{}–{}</td><td>{}</td><td>{}</td><td class=\"prose\">{}</td></tr>",
            clock_text(finding.time_s),
            finding.first_frame,
            finding.last_frame,
            length_text(finding.duration_ms),
            grouped(finding.count),
            markup(&finding.text)
        );
    }
    html.push_str("</tbody></table></div>\n");
    push_rest(html, audit.findings.len(), FINDINGS_MAX, "findings");
    for (place, finding) in audit.findings.iter().take(FRAME_TABLES_MAX).enumerate() {
        push_frames_around(html, audit, place + 1, finding);
    }
    html.push_str("</section>\n");
}

/// The frames around the start of a finding: the row of letters and what each frame was called by.
fn push_frames_around(html: &mut String, audit: &Audit, number: usize, finding: &Finding) {
    let Some(last) = audit.frames.len().checked_sub(1) else { return };
    let middle = usize::try_from(finding.first_frame).unwrap_or(last).min(last);
    let frames = middle.saturating_sub(FRAMES_AROUND)..(middle + FRAMES_AROUND + 1).min(last + 1);
    let title = kind_title(finding.kind);
    let _ = writeln!(
        html,
        "<h3 id=\"finding-{number}\" tabindex=\"-1\">{number}. {title} at {}</h3>\n<p>{} Same letter, same \
         picture.</p>",
        clock_text(finding.time_s),
        markup(&sentence(&finding.text))
    );
    push_table_opening(
        html,
        &format!("Frames around finding {number}"),
        &["Frame", "Time", "Picture", "Called", "Confidence", "Evidence", "Change (code values)", "Marks"],
    );
    for (index, letter) in frames.clone().zip(strip::letters(audit, frames)) {
        let frame = &audit.frames[index];
        let class = frame.class.name();
        let inside = (finding.first_frame..=finding.last_frame).contains(&(index as u64));
        let mut marks: Vec<String> = frame.flags.names().map(str::to_owned).collect();
        if frame.lost_before > 0 {
            marks.push(format!("{} lost before", frame.lost_before));
        }
        let _ = writeln!(
            html,
            "<tr{}><td>{index}</td><td>{}</td><td><span class=\"picture {class}\">{letter}</span></td>\
             <td>{class}</td><td>{:.2}</td><td>{}</td><td>{:.2}</td><td>{}</td></tr>",
            if inside { " class=\"inside\"" } else { "" },
            clock_text(time_s(audit, index as u64)),
            frame.confidence,
            frame.evidence.name(),
            frame.change,
            marks.join(", ")
        );
    }
    html.push_str("</tbody></table></div>\n");
}

/// A text as a sentence: first letter large, full stop at the end.
fn sentence(text: &str) -> String {
    let mut letters = text.trim().trim_end_matches('.').chars();
    letters
        .next()
        .map_or_else(String::new, |first| first.to_uppercase().chain(letters).chain(['.']).collect())
}

fn push_numbers(html: &mut String, audit: &Audit) {
    let motion = audit.cadence.motion;
    let shape = audit.facts.shape;
    let cadence = audit.cadence.pattern.as_ref().map_or_else(
        || "no pattern holds".to_owned(),
        |pattern| {
            format!("{}, over {} of the judged frames", pattern.label(), percent_text(audit.cadence.coverage))
        },
    );
    let rate_source = match audit.rate_source {
        RateSource::Header => "as the capture says",
        RateSource::Given => "as given on the command line",
        RateSource::Timestamps => "estimated from the timestamps",
        RateSource::Assumed => "assumed, nothing says it",
    };
    let rows = [
        (
            "Length",
            format!("{} frames, {}", grouped(audit.frames.len() as u64), clock_text(duration_s(audit))),
        ),
        (
            "Delivered rate",
            format!("{} frames/s, {rate_source}", exact_rate_text(audit.times.delivered_rate)),
        ),
        ("Motion rate", motion_rate_text(motion.motion_rate_hz)),
        ("New frames", grouped(motion.new_frames)),
        ("Repeat frames", grouped(motion.repeat_frames)),
        ("Still frames (not judged)", grouped(motion.still_frames)),
        ("Judged frames", grouped(motion.judged_frames)),
        ("Cadence", cadence),
        ("Cadence breaks", grouped(audit.cadence.breaks.len() as u64)),
        ("Freezes", grouped(audit.cadence.freezes.len() as u64)),
        (
            "Picture",
            format!(
                "{}×{} px, {}, {} bit, scan {}",
                shape.width,
                shape.height,
                shape.pixel_format,
                shape.pixel_format.bit_depth,
                audit.facts.scan.name()
            ),
        ),
    ];
    push_pairs(html, "numbers", "Numbers", &rows);
}

fn push_judder(html: &mut String, audit: &Audit) {
    let judder = audit.cadence.judder;
    push_pairs(
        html,
        "judder",
        "Judder",
        &[
            ("Measured, RMS", optional_ms_text(judder.rms_ms)),
            ("Inherent in the pair of rates, RMS", optional_ms_text(judder.inherent_rms_ms)),
            ("Excess: the device's own, RMS", optional_ms_text(judder.excess_rms_ms)),
            ("Measured, peak to peak", optional_ms_text(judder.peak_to_peak_ms)),
            ("Standard deviation of holds", optional_ms_text(judder.hold_std_ms)),
        ],
    );
    html.push_str(
        "<p>Judder is how far the pictures appear from where an even motion would put them. The inherent part \
         is forced by the rates even on a perfect device; only the excess speaks of this one.</p>\n",
    );
}

fn push_breaks(html: &mut String, audit: &Audit) {
    html.push_str("<section aria-labelledby=\"breaks\">\n<h2 id=\"breaks\">Cadence breaks</h2>\n");
    if let Some(slip) = &audit.cadence.slip {
        let pair = slip.rate_pair.as_deref().map_or_else(String::new, |pair| format!(" ({pair})"));
        let _ = writeln!(
            html,
            "<p>{}</p>",
            markup(&format!(
                "The pattern {} slips {} times, once in {}{pair}: two clocks that differ, not lost pictures.",
                slip.pattern.label(),
                slip.frames.len(),
                clock_text(slip.interval_s)
            ))
        );
    }
    if audit.cadence.breaks.is_empty() {
        html.push_str("<p>None.</p>\n</section>\n");
        return;
    }
    push_table_opening(html, "Holds that leave the pattern", &["Frame", "At", "Expected hold", "Found hold"]);
    for found in audit.cadence.breaks.iter().take(BREAKS_MAX) {
        let _ = writeln!(
            html,
            "<tr><td>{}</td><td>{}</td><td>{} frames</td><td>{} frames</td></tr>",
            found.frame,
            clock_text(time_s(audit, found.frame)),
            found.expected_hold,
            found.found_hold
        );
    }
    html.push_str("</tbody></table></div>\n");
    push_rest(html, audit.cadence.breaks.len(), BREAKS_MAX, "breaks");
    html.push_str("</section>\n");
}

fn push_timing(html: &mut String, audit: &Audit) {
    let Some(timing) = &audit.cadence.timing else {
        html.push_str(
            "<section aria-labelledby=\"timing\">\n<h2 id=\"timing\">Timestamps</h2>\n<p>The capture has no \
             times of its own; frames were laid out evenly at the delivered rate.</p>\n</section>\n",
        );
        return;
    };
    push_pairs(html, "timing", "Timestamps", &timing_rows(timing));
}

fn timing_rows(timing: &Timing) -> [(&'static str, String); 9] {
    let lost: u64 = timing.gaps.iter().map(|&(_, frames)| u64::from(frames)).sum();
    [
        ("Rate by the timestamps", format!("{} frames/s", hz_text(timing.measured_rate_hz))),
        ("Offset from the nominal rate", format!("{:.1} ppm", timing.rate_offset_ppm)),
        ("Median step", ms_text(timing.median_step_ms)),
        ("Smallest step", ms_text(timing.smallest_step_ms)),
        ("Largest step", ms_text(timing.largest_step_ms)),
        ("Standard deviation of steps", ms_text(timing.step_std_ms)),
        (
            "Interarrival jitter (RFC 3550), at the end and largest",
            format!("{}, {}", ms_text(timing.jitter_ms), ms_text(timing.jitter_largest_ms)),
        ),
        ("Gaps", format!("{}, {} frames lost by the recorder", timing.gaps.len(), grouped(lost))),
        ("Frames not later than the one before", grouped(timing.not_increasing.len() as u64)),
    ]
}

fn push_notes(html: &mut String, audit: &Audit) {
    html.push_str("<section aria-labelledby=\"notes\">\n<h2 id=\"notes\">What was assumed</h2>\n");
    if audit.notes.is_empty() {
        html.push_str("<p>Nothing.</p>\n");
    } else {
        html.push_str("<ul>\n");
        for note in &audit.notes {
            let _ = writeln!(html, "<li><code>{}</code> {}</li>", note.code.name(), markup(&note.text));
        }
        html.push_str("</ul>\n");
    }
    html.push_str("</section>\n");
}

fn push_provenance(html: &mut String, audit: &Audit, provenance: &Provenance) {
    let settings = if provenance.changed_settings.is_empty() {
        "none: all at their defaults".to_owned()
    } else {
        let named = provenance.changed_settings.iter().map(|(name, value)| format!("{name} {value}"));
        named.collect::<Vec<_>>().join("; ")
    };
    push_pairs(
        html,
        "provenance",
        "How this was made",
        &[
            ("Capture", visible(&audit.facts.name)),
            ("BLAKE3 over all frame digests", hex(&audit.digest)),
            ("Read by", visible(&audit.facts.reader)),
            (
                "Tool",
                format!(
                    "evenbeat {}, format version {}",
                    provenance.tool_version,
                    super::json::FORMAT_VERSION
                ),
            ),
            ("Command line", command_text(&provenance.command_line)),
            ("Settings that differ from the default", settings),
            ("Time of the audit", provenance.audited_at.to_rfc3339()),
            ("All frames", format!("{FRAMES_CSV}, beside this report")),
        ],
    );
}

fn push_pairs(html: &mut String, id: &str, title: &str, rows: &[(&str, String)]) {
    let _ = writeln!(
        html,
        "<section aria-labelledby=\"{id}\">\n<h2 id=\"{id}\">{title}</h2>\n<table class=\"pairs\"><tbody>"
    );
    for (name, value) in rows {
        let _ = writeln!(html, "<tr><th scope=\"row\">{name}</th><td>{}</td></tr>", markup(value));
    }
    html.push_str("</tbody></table>\n</section>\n");
}

/// Opens a table within a box that scrolls sideways on narrow screens, also by keyboard.
fn push_table_opening(html: &mut String, caption: &str, columns: &[&str]) {
    let _ = write!(
        html,
        "<div class=\"scroll\" tabindex=\"0\" role=\"group\" aria-label=\"{0}\"><table><caption>{0}</caption>\
         <thead><tr>",
        markup(caption)
    );
    for column in columns {
        let _ = write!(html, "<th scope=\"col\">{column}</th>");
    }
    html.push_str("</tr></thead><tbody>\n");
}

/// Says how many rows are left out, if any.
fn push_rest(html: &mut String, all: usize, shown: usize, what: &str) {
    if all > shown {
        let _ = writeln!(
            html,
            "<p>{} more {what} are in <code>{}</code>.</p>",
            grouped((all - shown) as u64),
            super::AUDIT_JSON
        );
    }
}
