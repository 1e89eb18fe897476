//! The events in one table: what happened when, with its frames as a row of bars, its pictures, and the way to both.

use std::fmt::Write;
use std::ops::Range;

use super::table::{close_table, open_section, open_table, push_rest};
use crate::audit::Audit;
use crate::classify::{Evidence, FrameClass};
use crate::escape::markup;
use crate::pictures::{Pictures, Reason};
use crate::report::text::{clock_text, grouped, time_s, FLAG_WORDS};
use crate::report::Report;
use crate::verdict::Event;
use crate::words::{frames, length};

/// Events written out; all are in `audit.json`.
const EVENTS_MAX: usize = 200;
/// Frames drawn as bars before an event, and in all.
const LEAD: u64 = 6;
const BARS: u64 = 30;
/// Width of a bar and height of the drawing, units.
const BAR: u64 = 4;
const HEIGHT: u64 = 28;

/// The table of all events.
pub(super) fn push(html: &mut String, report: &Report<'_>) {
    let audit = report.audit;
    open_section(html, "events", "What happened");
    if audit.events.is_empty() {
        html.push_str("<p>Nothing that is a fault or worth knowing.</p>\n</section>\n");
        return;
    }
    let mut columns =
        vec!["No.", "Event", "At", "Frames", "Lasts", "Frames as they came", "Pictures", "Look"];
    columns.retain(|&column| column != "Pictures" || has_pictures(report));
    open_table(html, "Events in the order of time; the page opens on the worst one", &columns);
    let worst = audit.worst_event().map(|event| event.number);
    for event in audit.events.iter().take(EVENTS_MAX) {
        push_row(html, report, event, worst == Some(event.number));
    }
    close_table(html);
    push_rest(html, audit.events.len(), EVENTS_MAX, "events");
    html.push_str("</section>\n");
}

fn has_pictures(report: &Report<'_>) -> bool {
    !report.pictures.stretches.is_empty()
}

fn push_row(html: &mut String, report: &Report<'_>, event: &Event, is_worst: bool) {
    let severity = event.severity.name();
    let worst = if is_worst { " <span class=\"worst\">worst</span>" } else { "" };
    let _ = write!(
        html,
        "<tr id=\"event-{0}\" tabindex=\"-1\"><td>{0}</td><td class=\"prose\"><span class=\"severity {severity}\">{severity}</span> \
         <b>{1}</b>{worst}: {2}</td><td>{3}</td><td>{4}</td><td>{5}</td><td>",
        event.number,
        event.kind.title(),
        markup(&event.text),
        clock_text(event.time_s),
        frames(event.first_frame, event.last_frame),
        length(event.duration_ms),
    );
    push_bars(html, report.audit, event);
    if has_pictures(report) {
        html.push_str("</td><td>");
        push_thumbs(html, report.pictures, event);
    }
    let _ = writeln!(
        html,
        "</td><td>{}{}</td></tr>",
        timeline_button(event),
        step_button(report.pictures, event)
    );
}

/// The frames around the start of an event: up where the picture is new, down where it repeats.
fn push_bars(html: &mut String, audit: &Audit, event: &Event) {
    let all = audit.frames.len() as u64;
    let start = event.first_frame.saturating_sub(LEAD).min(all);
    let end = (start + BARS).min(all);
    let mut paths = [String::new(), String::new(), String::new()];
    for (place, frame) in (0..).zip(&audit.frames[start as usize..end as usize]) {
        let (path, y, height) = match frame.class {
            FrameClass::New => (0, 0, HEIGHT / 2 - 1),
            FrameClass::Repeat => (1, HEIGHT / 2 + 1, HEIGHT / 2 - 1),
            FrameClass::Still => (2, HEIGHT / 2 - 2, 4),
        };
        let _ = write!(paths[path], "M{} {y}h{}v{height}h-{}z", place * BAR, BAR - 1, BAR - 1);
    }
    let width = (end - start).max(1) * BAR;
    let _ = write!(
        html,
        "<svg class=\"bars\" viewBox=\"0 0 {width} {HEIGHT}\" width=\"{width}\" height=\"{HEIGHT}\" role=\"img\" \
         aria-label=\"{}: new pictures up, repeats down\">",
        frames(start, end.saturating_sub(1))
    );
    for (path, class) in paths.iter().zip(["new", "repeat", "still"]) {
        if !path.is_empty() {
            let _ = write!(html, "<path class=\"{class}\" d=\"{path}\"/>");
        }
    }
    html.push_str("</svg>");
}

/// The picture before, the event's own and the one after, as far as they are kept. The script puts them in: each picture
/// stands in the page once.
fn push_thumbs(html: &mut String, pictures: &Pictures, event: &Event) {
    let wanted = [event.first_frame.saturating_sub(1), event.first_frame, event.last_frame + 1];
    let mut shown: Vec<u64> = Vec::new();
    for frame in wanted {
        if pictures.pictures.contains_key(&frame) && !shown.contains(&frame) {
            shown.push(frame);
        }
    }
    for frame in shown {
        let _ = write!(
            html,
            "<a class=\"thumb\" href=\"#picture-{frame}\" data-thumb=\"{frame}\">frame {}</a> ",
            grouped(frame)
        );
    }
}

/// A button to the event's place on the timeline.
fn timeline_button(event: &Event) -> String {
    format!(
        "<button type=\"button\" class=\"jump\" data-first=\"{}\" data-last=\"{}\">Timeline<span class=\"unseen\">: event \
         {}, {}</span></button>",
        event.first_frame,
        event.last_frame,
        event.number,
        event.kind.title()
    )
}

/// A button to the pictures, where there are some of this event.
fn step_button(pictures: &Pictures, event: &Event) -> String {
    let own = |stretch: &crate::pictures::Stretch| stretch.reason == Reason::Event(event.number);
    let shows = |stretch: &crate::pictures::Stretch| stretch.frames.contains(&event.first_frame);
    let stretches = &pictures.stretches;
    let Some(film) = stretches.iter().position(own).or_else(|| stretches.iter().position(shows)) else {
        return String::new();
    };
    let Range { start, end } = stretches[film].frames;
    let frame = event.first_frame.clamp(start, end - 1);
    format!(
        " <button type=\"button\" class=\"jump\" data-film=\"{film}\" data-picture=\"{frame}\">Pictures<span \
         class=\"unseen\">: event {}</span></button>",
        event.number
    )
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
