//! The short summary for standard output: plain text, at most [`COLUMNS`] wide.

use std::fmt::Write;

use super::text::{
    clock_text, duration_s, exact_rate_text, fields_text, grouped, kind_title, length_text, motion_rate_text,
    optional_ms_text, percent_text, scan_text, wrap,
};
use crate::audit::Audit;
use crate::escape::visible;
use crate::fields::Outcome;

/// Widest line, characters.
pub const COLUMNS: usize = 100;
/// Findings written out; the report files have them all.
const FINDINGS_MAX: usize = 12;
/// Notes written out.
const NOTES_MAX: usize = 8;
/// Width of the names before the values.
const NAME_COLUMNS: usize = 10;

/// The summary, with a line end at its end.
pub fn summary(audit: &Audit) -> String {
    let mut text = String::new();
    for line in wrap(&visible(&audit.verdict), COLUMNS) {
        let _ = writeln!(text, "{line}");
    }
    text.push('\n');
    for (name, value) in numbers(audit) {
        push_entry(&mut text, name, &value);
    }
    push_source(&mut text, audit);
    push_requirements(&mut text, audit);
    push_findings(&mut text, audit);
    for note in audit.notes.iter().take(NOTES_MAX) {
        push_entry(&mut text, "note", &visible(&note.text));
    }
    if let Some(rest) = audit.notes.len().checked_sub(NOTES_MAX).filter(|&rest| rest > 0) {
        push_entry(&mut text, "", &format!("{rest} more notes are in the report"));
    }
    text
}

fn numbers(audit: &Audit) -> Vec<(&'static str, String)> {
    let cadence = &audit.cadence;
    let motion = cadence.motion;
    let shape = audit.facts.shape;
    let incomplete = if audit.complete { "" } else { ", INCOMPLETE" };
    let pattern = cadence.pattern.as_ref().map_or_else(
        || "no pattern holds".to_owned(),
        |pattern| format!("{} over {} of judged frames", pattern.label(), percent_text(cadence.coverage)),
    );
    let mut rows = vec![
        (
            "capture",
            format!(
                "{}, {} frames, {}, {}×{}, {}{incomplete}",
                visible(&audit.facts.name),
                grouped(audit.frames.len() as u64),
                clock_text(duration_s(audit)),
                shape.width,
                shape.height,
                shape.pixel_format
            ),
        ),
        (
            "rate",
            format!(
                "{} frames/s delivered ({}), {} new",
                exact_rate_text(audit.times.delivered_rate),
                audit.rate_source.name(),
                motion_rate_text(motion.motion_rate_hz)
            ),
        ),
        (
            "frames",
            format!(
                "{} new, {} repeat, {} still (not judged)",
                grouped(motion.new_frames),
                grouped(motion.repeat_frames),
                grouped(motion.still_frames)
            ),
        ),
        ("cadence", format!("{pattern}, {} breaks", grouped(cadence.breaks.len() as u64))),
        (
            "judder",
            format!(
                "{} RMS, {} inherent in the rates, {} excess",
                optional_ms_text(cadence.judder.rms_ms),
                optional_ms_text(cadence.judder.inherent_rms_ms),
                optional_ms_text(cadence.judder.excess_rms_ms)
            ),
        ),
        ("scan", scan_text(audit)),
    ];
    rows.extend(audit.fields.fields.as_ref().map(|fields| ("fields", fields_text(fields))));
    let outcome =
        |outcome: &Outcome| ("outcome", format!("{}: {}", outcome.code.name(), visible(&outcome.text)));
    rows.extend(audit.outcome.as_ref().map(outcome));
    rows
}

/// Which clip, and how many of its pictures appeared.
fn push_source(text: &mut String, audit: &Audit) {
    let Some(source) = &audit.source else { return };
    let (track, summary) = (&source.track, &source.summary);
    let sentence = format!(
        "{}, {} {}/s: {} of {} appeared, {} only within mixes, {} cannot be told, {} never appeared",
        visible(&track.clip_name),
        track.clip_rate,
        super::source::units(track.unit),
        grouped(summary.counts.shown),
        grouped(summary.pictures()),
        grouped(summary.counts.only_mixed),
        grouped(summary.counts.ambiguous),
        grouped(summary.counts.never_shown)
    );
    push_entry(text, "clip", &sentence);
}

fn push_requirements(text: &mut String, audit: &Audit) {
    for outcome in &audit.requirements {
        push_entry(text, outcome.verdict(), &format!("{}: {}", outcome.requirement, outcome.found_text()));
    }
}

fn push_findings(text: &mut String, audit: &Audit) {
    if audit.findings.is_empty() {
        push_entry(text, "findings", "none");
        return;
    }
    for finding in audit.findings.iter().take(FINDINGS_MAX) {
        let sentence = format!(
            "{} at {}, frames {}–{}, {}: {}",
            kind_title(finding.kind),
            clock_text(finding.time_s),
            finding.first_frame,
            finding.last_frame,
            length_text(finding.duration_ms),
            visible(&finding.text)
        );
        push_entry(text, finding.severity.name(), &sentence);
    }
    if let Some(rest) = audit.findings.len().checked_sub(FINDINGS_MAX).filter(|&rest| rest > 0) {
        push_entry(text, "", &format!("{} more findings are in the report", grouped(rest as u64)));
    }
}

/// One entry: its name in a column of its own, its value wrapped beside it.
fn push_entry(text: &mut String, name: &str, value: &str) {
    let mut name = name;
    for line in wrap(value, COLUMNS - NAME_COLUMNS) {
        let _ = writeln!(text, "{name:NAME_COLUMNS$}{line}");
        name = "";
    }
}
