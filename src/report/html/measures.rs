//! The measures: counts and rates, holds, judder, breaks, timestamps.

use std::collections::BTreeMap;
use std::fmt::Write;

use super::table::{close_table, open_section, open_table, push_pairs, push_rest, push_rows};
use crate::audit::Audit;
use crate::cadence::Timing;
use crate::capture::RateSource;
use crate::escape::markup;
use crate::fingerprint::levels::{CaptureLevels, LevelSummary};
use crate::interlace::Outcome;
use crate::report::text::{
    clock_text, duration_s, exact_rate_text, fields_text, grouped, motion_rate_text, ms_text,
    optional_ms_text, percent_text, scan_text, time_s,
};
use crate::report::{source, Report};
use crate::units::{decimal, hz_text};
use crate::words::{counted, sentence, times};

/// Cadence breaks listed; all are in `audit.json`.
const BREAKS_MAX: usize = 200;
/// Lengths of holds listed one by one; longer ones share the last row.
const HOLD_ROWS_MAX: usize = 12;
/// Width of a full bar, units.
const BAR: f64 = 300.0;
/// Least width of a bar of something that is there, units.
const BAR_MIN: f64 = 2.0;

pub(super) fn push(html: &mut String, report: &Report<'_>) {
    let audit = report.audit;
    html.push_str("<div class=\"measures\">\n");
    push_numbers(html, audit);
    push_holds(html, audit);
    push_judder(html, audit);
    push_timing(html, audit);
    if let Some(source) = &audit.source {
        push_pairs(html, "clip", "Against the clip", &source::rows(audit, source));
    }
    if let Some(levels) = &audit.levels {
        push_levels(html, levels);
    }
    html.push_str("</div>\n");
    push_breaks(html, audit);
}

/// Code values against the nominal ranges.
fn push_levels(html: &mut String, levels: &CaptureLevels) {
    let cut = |frames: u64, end: &str| match frames {
        0 => String::new(),
        frames => format!("; cut off at the {end} in {}", counted(frames, "frame")),
    };
    let text = |levels: &LevelSummary| {
        let ((low, high), (lowest, highest)) = (levels.nominal, levels.extremes);
        let (below, above) = levels.outside;
        let (at_lowest, at_highest) = levels.clipped_frames;
        format!(
            "{lowest} to {highest}, nominal {low} to {high}: {:.2} % below, {:.2} % above{}{}",
            100.0 * below,
            100.0 * above,
            cut(at_lowest, "lowest"),
            cut(at_highest, "highest")
        )
    };
    let mut rows = vec![("Luma", text(&levels.luma))];
    rows.extend(levels.chroma.as_ref().map(|chroma| ("Colour differences", text(chroma))));
    push_pairs(html, "levels", "Code values", &rows);
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
    let mut rows = vec![
        (
            "Length",
            format!("{}, {}", counted(audit.frames.len() as u64, "frame"), clock_text(duration_s(audit))),
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
                scan_text(audit)
            ),
        ),
    ];
    rows.extend(audit.fields.fields.as_ref().map(|fields| ("Fields", fields_text(fields))));
    let outcome = |outcome: &Outcome| ("Outcome", sentence(&outcome.text));
    rows.extend(audit.outcome.as_ref().map(outcome));
    push_pairs(html, "numbers", "Numbers", &rows);
}

/// How many pictures stay how long: a histogram as a table.
fn push_holds(html: &mut String, audit: &Audit) {
    open_section(html, "holds", "How long each picture stays");
    let mut counts: BTreeMap<u32, u64> = BTreeMap::new();
    for hold in audit.cadence.holds.iter().filter(|hold| hold.judged) {
        *counts.entry(hold.frames).or_default() += 1;
    }
    if counts.is_empty() {
        html.push_str("<p>Nothing to judge.</p>\n</section>\n");
        return;
    }
    let most = counts.values().copied().max().unwrap_or(1) as f64;
    let period_ms = audit.times.delivered_rate.period_ms();
    open_table(
        html,
        "Pictures by how long they stay",
        &["Frames", "Lasts", "Pictures", "Share of the largest"],
    );
    for (&frames, &count) in counts.iter().take(HOLD_ROWS_MAX) {
        let lasts = ms_text(f64::from(frames) * period_ms);
        push_bar_row(html, &[frames.to_string(), lasts, grouped(count)], &[(count as f64 / most, "hold")]);
    }
    let rest: u64 = counts.values().skip(HOLD_ROWS_MAX).sum();
    if rest > 0 {
        let from = counts.keys().nth(HOLD_ROWS_MAX).copied().unwrap_or_default();
        let cells = [format!("{from} and more"), String::new(), grouped(rest)];
        push_bar_row(html, &cells, &[(rest as f64 / most, "hold")]);
    }
    close_table(html);
    html.push_str("</section>\n");
}

/// A row that ends in a bar made of parts, each with its share of the full width and its class.
fn push_bar_row(html: &mut String, cells: &[String], parts: &[(f64, &str)]) {
    html.push_str("<tr>");
    for cell in cells {
        let _ = write!(html, "<td>{}</td>", markup(cell));
    }
    let _ = write!(html, "<td><svg class=\"bar-line\" viewBox=\"0 0 {BAR} 14\" aria-hidden=\"true\">");
    let mut left = 0.0;
    for &(share, class) in parts {
        let width = if share > 0.0 { (share.min(1.0) * BAR).max(BAR_MIN) } else { 0.0 };
        let _ = write!(html, "<rect class=\"{class}\" x=\"{left:.1}\" width=\"{width:.1}\" height=\"14\"/>");
        left += width;
    }
    html.push_str("</svg></td></tr>\n");
}

fn push_judder(html: &mut String, audit: &Audit) {
    let judder = audit.cadence.judder;
    open_section(html, "judder", "Judder");
    html.push_str(
        "<p>Judder is how far the pictures appear from where an even motion would put them. The inherent part \
         is forced by the rates even on a perfect device; only the excess speaks of this one.</p>\n",
    );
    if let (Some(measured), Some(inherent)) = (judder.rms_ms, judder.inherent_rms_ms) {
        let full = measured.max(inherent).max(f64::MIN_POSITIVE);
        open_table(html, "Judder, RMS", &["Part", "Judder", "Against each other"]);
        for (name, value, class) in [
            ("measured", measured, "measured"),
            ("inherent in the rates", inherent, "inherent"),
            ("excess: the device’s own", judder.excess_rms_ms.unwrap_or(0.0), "excess"),
        ] {
            push_bar_row(html, &[name.to_owned(), ms_text(value)], &[(value / full, class)]);
        }
        close_table(html);
    } else {
        push_rows(
            html,
            &[
                ("Measured, RMS", optional_ms_text(judder.rms_ms)),
                ("Inherent in the pair of rates, RMS", optional_ms_text(judder.inherent_rms_ms)),
                ("Excess: the device’s own, RMS", optional_ms_text(judder.excess_rms_ms)),
            ],
        );
    }
    push_rows(
        html,
        &[
            ("Measured, peak to peak", optional_ms_text(judder.peak_to_peak_ms)),
            ("Standard deviation of holds", optional_ms_text(judder.hold_std_ms)),
        ],
    );
    html.push_str("</section>\n");
}

fn push_breaks(html: &mut String, audit: &Audit) {
    open_section(html, "breaks", "Cadence breaks");
    if let Some(slip) = &audit.cadence.slip {
        let pair = slip.rate_pair.as_deref().map_or_else(String::new, |pair| format!(" ({pair})"));
        let _ = writeln!(
            html,
            "<p>{}</p>",
            markup(&format!(
                "The pattern {} slips {}, by one frame in {}{pair}: two clocks that differ, not lost pictures.",
                slip.pattern.label(),
                times(slip.frames.len() as u64),
                clock_text(slip.interval_s)
            ))
        );
    }
    if audit.cadence.breaks.is_empty() {
        html.push_str("<p>None.</p>\n</section>\n");
        return;
    }
    open_table(
        html,
        "Holds that leave the pattern",
        &["Frame", "At", "Should stay, frames", "Stays, frames", "Look"],
    );
    for found in audit.cadence.breaks.iter().take(BREAKS_MAX) {
        let _ = writeln!(
            html,
            "<tr><td>{0}</td><td>{1}</td><td>{2}</td><td>{3}</td><td><button type=\"button\" \
             class=\"jump\" data-first=\"{0}\" data-last=\"{4}\">Show<span class=\"unseen\"> the break at frame {0} on \
             the timeline</span></button></td></tr>",
            found.frame,
            clock_text(time_s(audit, found.frame)),
            found.expected_hold,
            found.found_hold,
            found.frame.saturating_add(u64::from(found.found_hold)).saturating_sub(1)
        );
    }
    close_table(html);
    push_rest(html, audit.cadence.breaks.len(), BREAKS_MAX, "breaks");
    html.push_str("</section>\n");
}

fn push_timing(html: &mut String, audit: &Audit) {
    let Some(timing) = &audit.cadence.timing else {
        open_section(html, "timing", "Timestamps");
        html.push_str(
            "<p>The recording has no times of its own; its frames are taken as even, at the delivered rate.</p>\n\
             </section>\n",
        );
        return;
    };
    push_pairs(html, "timing", "Timestamps", &timing_rows(timing));
}

fn timing_rows(timing: &Timing) -> [(&'static str, String); 9] {
    let lost: u64 = timing.gaps.iter().map(|&(_, frames)| u64::from(frames)).sum();
    [
        ("Rate by the timestamps", format!("{} frames/s", hz_text(timing.measured_rate_hz))),
        ("Offset from the nominal rate", format!("{} ppm", decimal(timing.rate_offset_ppm, 1))),
        ("Median step", ms_text(timing.median_step_ms)),
        ("Smallest step", ms_text(timing.smallest_step_ms)),
        ("Largest step", ms_text(timing.largest_step_ms)),
        ("Standard deviation of steps", ms_text(timing.step_std_ms)),
        (
            "Interarrival jitter (RFC 3550), at the end and largest",
            format!("{}, {}", ms_text(timing.jitter_ms), ms_text(timing.jitter_largest_ms)),
        ),
        ("Gaps", format!("{}, {} lost by the recorder", timing.gaps.len(), counted(lost, "frame"))),
        ("Frames not later than the one before", grouped(timing.not_increasing.len() as u64)),
    ]
}
