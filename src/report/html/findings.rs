//! The findings: a table with jumps, then the frames around each as a row of letters.

use std::fmt::Write;
use std::ops::Range;

use super::table::{close_table, open_section, open_table, push_rest};
use crate::audit::Audit;
use crate::classify::{Evidence, FrameClass};
use crate::escape::markup;
use crate::pictures::{Reason, Stretch};
use crate::report::text::{clock_text, grouped, kind_title, length_text, time_s, FLAG_WORDS};
use crate::report::timeline::strip;
use crate::report::Report;
use crate::verdict::Finding;

/// Findings written out with their frames; all are in `audit.json`.
const FINDINGS_MAX: usize = 200;
/// Findings whose frames are shown one by one.
const ROWS_MAX: usize = 20;
/// Frames shown before the first frame of a finding.
const FRAMES_BEFORE: usize = 6;
/// Frames shown from the first frame of a finding on.
const FRAMES_FROM: usize = 14;

/// The table of all findings.
pub(super) fn push_table(html: &mut String, audit: &Audit) {
    open_section(html, "findings", "Findings");
    if audit.findings.is_empty() {
        html.push_str("<p>None.</p>\n</section>\n");
        return;
    }
    open_table(
        html,
        "Findings, most severe first",
        &["Severity", "Finding", "At", "Frames", "Lasts", "Count", "What was seen", "Look"],
    );
    for (place, finding) in audit.findings.iter().take(FINDINGS_MAX).enumerate() {
        push_row(html, place, finding);
    }
    close_table(html);
    push_rest(html, audit.findings.len(), FINDINGS_MAX, "findings");
    html.push_str("</section>\n");
}

/// The frames around each finding.
pub(super) fn push_frames(html: &mut String, report: &Report<'_>) {
    if report.audit.findings.is_empty() {
        return;
    }
    open_section(html, "around", "Around each finding");
    for (place, finding) in report.audit.findings.iter().take(ROWS_MAX).enumerate() {
        push_around(html, report, place, finding);
    }
    push_rest(html, report.audit.findings.len(), ROWS_MAX, "findings");
    html.push_str("</section>\n");
}

fn push_row(html: &mut String, place: usize, finding: &Finding) {
    let title = kind_title(finding.kind);
    let title = if place < ROWS_MAX {
        format!("<a href=\"#finding-{}\">{title}</a>", place + 1)
    } else {
        title.to_owned()
    };
    let severity = finding.severity.name();
    let _ = writeln!(
        html,
        "<tr><td><span class=\"severity {severity}\">{severity}</span></td><td>{title}</td><td>{}</td>\
         <td>{}–{}</td><td>{}</td><td>{}</td><td class=\"prose\">{}</td><td>{}</td></tr>",
        clock_text(finding.time_s),
        finding.first_frame,
        finding.last_frame,
        length_text(finding.duration_ms),
        grouped(finding.count),
        markup(&finding.text),
        timeline_button(place, finding, "Show")
    );
}

/// The frames around the start of a finding in a row, and the ways to it in timeline and pictures.
fn push_around(html: &mut String, report: &Report<'_>, place: usize, finding: &Finding) {
    let audit = report.audit;
    let Some(last) = audit.frames.len().checked_sub(1) else { return };
    let first = usize::try_from(finding.first_frame).unwrap_or(last).min(last);
    let frames = first.saturating_sub(FRAMES_BEFORE)..(first + FRAMES_FROM).min(last + 1);
    let number = place + 1;
    let title = kind_title(finding.kind);
    let _ = writeln!(
        html,
        "<article class=\"finding\">\n<h3 id=\"finding-{number}\" tabindex=\"-1\">{number}. {title} at {}</h3>\n\
         <p>{} Same letter, same picture.</p>\n<p class=\"jumps\">{}{}</p>",
        clock_text(finding.time_s),
        markup(&sentence(&finding.text)),
        timeline_button(place, finding, "Show on the timeline"),
        step_button(report, place, finding)
    );
    push_letters(html, audit, frames, finding);
    html.push_str("</article>\n");
}

/// A button to the finding's place on the timeline.
fn timeline_button(place: usize, finding: &Finding, words: &str) -> String {
    format!(
        "<button type=\"button\" class=\"jump\" data-first=\"{}\" data-last=\"{}\">{words}<span \
         class=\"unseen\">: finding {}, {}</span></button>",
        finding.first_frame,
        finding.last_frame,
        place + 1,
        kind_title(finding.kind)
    )
}

/// A button to the pictures, where there are some of this finding.
fn step_button(report: &Report<'_>, place: usize, finding: &Finding) -> String {
    let stretches = &report.pictures.stretches;
    let own = |stretch: &Stretch| stretch.reason == Reason::Finding(place);
    let shows = |stretch: &Stretch| stretch.frames.contains(&finding.first_frame);
    let Some(film) = stretches.iter().position(own).or_else(|| stretches.iter().position(shows)) else {
        return String::new();
    };
    let frames = &stretches[film].frames;
    let frame = finding.first_frame.clamp(frames.start, frames.end - 1);
    format!(
        " <button type=\"button\" class=\"jump\" data-film=\"{film}\" data-picture=\"{frame}\">Step through the pictures<span \
         class=\"unseen\">: finding {}</span></button>",
        place + 1
    )
}

fn push_letters(html: &mut String, audit: &Audit, frames: Range<usize>, finding: &Finding) {
    let _ = write!(
        html,
        "<div class=\"scroll\" tabindex=\"0\" role=\"group\" aria-label=\"Frames {} to {}\"><ol class=\"letters\">",
        frames.start,
        frames.end - 1
    );
    for (index, letter) in frames.clone().zip(strip::letters(audit, frames)) {
        let frame = &audit.frames[index];
        let class = frame.class.name();
        let inside = (finding.first_frame..=finding.last_frame).contains(&(index as u64));
        let mark = strip::mark_text(frame.flags, frame.lost_before).unwrap_or_default();
        let _ = write!(
            html,
            "<li class=\"{class}{}\" title=\"{}\"><b>{letter}</b><span>{index}</span><em>{}</em></li>",
            if inside { " inside" } else { "" },
            markup(&call_text(audit, index)),
            mark
        );
    }
    html.push_str("</ol></div>\n");
}

/// A frame's call and what it rests on, in words.
pub(super) fn call_text(audit: &Audit, index: usize) -> String {
    let frame = &audit.frames[index];
    let class = match (index, frame.class) {
        (0, _) => "first frame".to_owned(),
        (_, FrameClass::New) => "new picture".to_owned(),
        (_, FrameClass::Repeat) => format!("repeats frame {}", index - 1),
        (_, FrameClass::Still) => "still, not judged".to_owned(),
    };
    let evidence = match (frame.evidence, frame.class) {
        (Evidence::Digest, FrameClass::New) => "its digest differs".to_owned(),
        (Evidence::Digest, _) => "identical to the last bit".to_owned(),
        (Evidence::Measure, _) => format!("by the measured change of {:.2} code values", frame.change),
        (Evidence::Cadence, _) => format!("by the pattern around it, change {:.2} code values", frame.change),
        (Evidence::Reference, _) => "by its place in the clip".to_owned(),
        (Evidence::Mark, _) => "by the number it carries".to_owned(),
    };
    let mut call = format!("frame {index}, {}: {class}", clock_text(time_s(audit, index as u64)));
    for (_, words) in FLAG_WORDS.iter().filter(|(flag, _)| frame.flags.contains(*flag)) {
        call.push_str(", ");
        call.push_str(words);
    }
    if index == 0 {
        return call;
    }
    format!("{call}, {evidence}, confidence {:.2}", frame.confidence)
}

/// A text as a sentence: first letter large, full stop at the end.
fn sentence(text: &str) -> String {
    let mut letters = text.trim().trim_end_matches('.').chars();
    letters
        .next()
        .map_or_else(String::new, |first| first.to_uppercase().chain(letters).chain(['.']).collect())
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::classify::FrameFlags;

    #[test]
    fn the_script_has_the_same_words_for_flags() {
        let script: String = include_str!("report.js").split_whitespace().collect::<Vec<_>>().join(" ");
        let list = |words: Vec<&str>| {
            format!("[{}]", words.iter().map(|word| format!("'{word}'")).collect::<Vec<_>>().join(", "))
        };
        let names = list(FrameFlags::NAMES.iter().map(|(_, name)| *name).collect());
        let words = list(FLAG_WORDS.iter().map(|(_, words)| *words).collect());
        assert!(script.contains(&format!("const FLAGS = {names}")), "{names}");
        assert!(script.contains(&format!("const FLAG_WORDS = {words}")), "{words}");
    }
}
