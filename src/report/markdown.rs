//! `summary.md`: what to paste into a tracker. CommonMark with tables; fits on a screen.

use std::fmt::Write;

use super::text::{
    clock_text, duration_s, exact_rate_text, fields_text, grouped, hex, motion_rate_text, optional_ms_text,
    percent_text, scan_text, who, worst_in_order,
};
use super::{raster, Report};
use crate::audit::Audit;
use crate::audit_store::{Provenance, STRIP_PNG, TIMELINE_PNG, TIMELINE_SVG};
use crate::escape::{fence, markdown, visible};
use crate::fingerprint::UNKNOWN_DIGEST;
use crate::interlace::Outcome;
use crate::words::{counted, frames, length, sentence, verb};

/// Events in the table, the worst ones; the report has them all.
const EVENTS_MAX: usize = 7;

/// Digests in the table; `frames.csv` has them all.
const DIGESTS_MAX: usize = 4;

/// Notes in the list; the report has them all.
const NOTES_MAX: usize = 3;

/// The summary.
pub fn summary(report: &Report<'_>) -> String {
    let Report { audit, provenance, .. } = report;
    let mut text = String::new();
    let _ = writeln!(text, "# Cadence audit of {}\n", markdown(&audit.facts.name));
    if let Some(who) = who(&audit.device) {
        let _ = writeln!(text, "Recorded: {}\n", markdown(&who));
    }
    let rest = audit.verdict.strip_prefix(audit.headline.as_str()).unwrap_or(&audit.verdict).trim_start();
    let _ = writeln!(text, "**{}**\n", markdown(&audit.headline));
    if !rest.is_empty() {
        let _ = writeln!(text, "{}\n", markdown(rest));
    }
    if !audit.complete {
        text.push_str("**The recording is incomplete:** see the notes.\n\n");
    }
    let timeline = if raster::DRAWN { TIMELINE_PNG } else { TIMELINE_SVG };
    let _ = writeln!(text, "![Timeline of new and repeated frames]({timeline})\n");
    if raster::DRAWN && report.pictures.strip.is_some() {
        let _ = writeln!(text, "![Frames in a row with the difference to the one before]({STRIP_PNG})\n");
    }
    push_judgements(&mut text, audit);
    push_events(&mut text, audit);
    push_requirements(&mut text, audit);
    push_numbers(&mut text, audit);
    push_digests(&mut text, audit);
    push_notes(&mut text, audit);
    push_reproduction(&mut text, audit, provenance);
    text
}

fn push_numbers(text: &mut String, audit: &Audit) {
    let cadence = &audit.cadence;
    let motion = cadence.motion;
    let pattern = cadence.pattern.as_ref().map_or_else(
        || "none holds".to_owned(),
        |pattern| format!("{}, {} of judged frames", pattern.label(), percent_text(cadence.coverage)),
    );
    let mut rows = vec![
        ("Delivered rate", format!("{} frames/s", exact_rate_text(audit.times.delivered_rate))),
        ("Motion rate", motion_rate_text(motion.motion_rate_hz)),
        (
            "New / repeat / still frames",
            format!(
                "{} / {} / {}",
                grouped(motion.new_frames),
                grouped(motion.repeat_frames),
                grouped(motion.still_frames)
            ),
        ),
        ("Cadence", pattern),
        ("Cadence breaks", grouped(cadence.breaks.len() as u64)),
        (
            "Judder RMS (inherent, excess)",
            format!(
                "{} ({}, {})",
                optional_ms_text(cadence.judder.rms_ms),
                optional_ms_text(cadence.judder.inherent_rms_ms),
                optional_ms_text(cadence.judder.excess_rms_ms)
            ),
        ),
        (
            "Capture",
            format!(
                "{}, {}, {}×{}, {}",
                counted(audit.frames.len() as u64, "frame"),
                clock_text(duration_s(audit)),
                audit.facts.shape.width,
                audit.facts.shape.height,
                audit.facts.shape.pixel_format
            ),
        ),
        ("Scan", scan_text(audit)),
    ];
    rows.extend(audit.fields.fields.as_ref().map(|fields| ("Fields", fields_text(fields))));
    let outcome = |outcome: &Outcome| ("Outcome", sentence(&visible(&outcome.text)));
    rows.extend(audit.outcome.as_ref().map(outcome));
    text.push_str("| Measure | Value |\n|---|---|\n");
    for (name, value) in rows {
        let _ = writeln!(text, "| {name} | {} |", markdown(&value));
    }
    if let Some(source) = &audit.source {
        for (name, value) in super::source::rows(audit, source) {
            let _ = writeln!(text, "| {name} | {} |", markdown(&value));
        }
    }
    text.push('\n');
}

fn push_requirements(text: &mut String, audit: &Audit) {
    if audit.requirements.is_empty() {
        return;
    }
    text.push_str("| Required | Found | Outcome |\n|---|---|---|\n");
    for outcome in &audit.requirements {
        let _ = writeln!(
            text,
            "| {} | {} | {} |",
            markdown(&outcome.requirement.to_string()),
            markdown(&outcome.found_text()),
            outcome.verdict()
        );
    }
    text.push('\n');
}

/// The judgement of each aspect.
fn push_judgements(text: &mut String, audit: &Audit) {
    if audit.judgements.is_empty() {
        return;
    }
    text.push_str("| Aspect | Judgement | Found | Should be |\n|---|---|---|---|\n");
    for judged in &audit.judgements {
        let _ = writeln!(
            text,
            "| {} | {} | {} | {} |",
            judged.aspect.title(),
            judged.judgement.words(),
            markdown(judged.number.as_deref().unwrap_or("")),
            markdown(judged.limit.as_deref().unwrap_or(""))
        );
    }
    text.push('\n');
}

fn push_events(text: &mut String, audit: &Audit) {
    if audit.events.is_empty() {
        text.push_str("Nothing happened that is a fault or worth knowing.\n\n");
        return;
    }
    text.push_str("| No. | Event | At | Frames | Lasts | Severity |\n|---|---|---|---|---|---|\n");
    let shown = worst_in_order(audit, EVENTS_MAX);
    for event in &shown {
        let _ = writeln!(
            text,
            "| {} | {} | {} | {} | {} | {} |",
            event.number,
            markdown(&event.line()),
            clock_text(event.time_s),
            frames(event.first_frame, event.last_frame),
            length(event.duration_ms),
            event.severity.name()
        );
    }
    text.push('\n');
    let rest = (audit.events.len() - shown.len()) as u64;
    if rest > 0 {
        let _ = writeln!(text, "{} {} in the full report.\n", counted(rest, "more event"), verb(rest, "are"));
    }
}

/// The digests of the frames that the worst events begin with and of the frames after these: equal ones prove a
/// repeat to whoever has the capture.
fn push_digests(text: &mut String, audit: &Audit) {
    let mut named: Vec<usize> = audit
        .events
        .iter()
        .filter_map(|event| usize::try_from(event.first_frame).ok())
        .flat_map(|first| [first, first + 1])
        .filter(|&frame| audit.frames.get(frame).is_some_and(|frame| frame.digest != UNKNOWN_DIGEST))
        .take(DIGESTS_MAX)
        .collect();
    named.sort_unstable();
    named.dedup();
    if named.is_empty() {
        return;
    }
    text.push_str("| Frame | Called | BLAKE3 of its samples |\n|---|---|---|\n");
    for index in named {
        let frame = &audit.frames[index];
        let _ = writeln!(
            text,
            "| {index} | {}, by {} | `{}` |",
            frame.class.name(),
            frame.evidence.name(),
            hex(&frame.digest)
        );
    }
    text.push('\n');
}

fn push_notes(text: &mut String, audit: &Audit) {
    if audit.notes.is_empty() {
        return;
    }
    text.push_str("Notes:\n\n");
    for note in audit.notes.iter().take(NOTES_MAX) {
        let _ = writeln!(text, "* {}: {}", note.code.name(), markdown(&note.text));
    }
    if let Some(rest) = audit.notes.len().checked_sub(NOTES_MAX).filter(|&rest| rest > 0) {
        let (notes, are) = (counted(rest as u64, "more note"), verb(rest as u64, "are"));
        let _ = writeln!(text, "* {notes} {are} in the full report");
    }
    text.push('\n');
}

fn push_reproduction(text: &mut String, audit: &Audit, provenance: &Provenance) {
    let command = visible(&provenance.command());
    let fence = fence(&command);
    let _ = writeln!(
        text,
        "To reproduce, with evenbeat {} (audited {}):\n\n{fence}\n{command}\n{fence}\n",
        markdown(&provenance.tool_version),
        provenance.audited_at.to_rfc3339()
    );
    let _ = writeln!(text, "BLAKE3 over all frame digests: `{}`", hex(&audit.digest));
}
