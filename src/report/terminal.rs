//! The short summary for standard output: lines no wider than the terminal, each with what it is about, so that the
//! command can colour it.

use super::text::{
    clock_text, duration_s, exact_rate_text, fields_text, grouped, motion_rate_text, optional_ms_text,
    percent_text, scan_text, who, worst_in_order, wrap,
};
use crate::audit::Audit;
use crate::escape::visible;
use crate::interlace::Outcome;
use crate::verdict::{Judgement, Severity};
use crate::words::{counted, frames, verb};

/// Widest line where nothing says how wide the terminal is, characters.
pub const COLUMNS: usize = 100;
/// Narrowest and widest line that a terminal is given, characters: below, nothing can be read; above, nothing is.
const COLUMNS_RANGE: (usize, usize) = (40, 120);
/// Events written out, the worst ones; the report files have them all.
const EVENTS_MAX: usize = 8;
/// Notes written out.
const NOTES_MAX: usize = 4;
/// Width of the names before the values.
const NAME_COLUMNS: usize = 10;
/// Width of the judgement after the name of an aspect: `cannot be told`.
const JUDGEMENT_COLUMNS: usize = 16;

/// How a part of a line is meant; a terminal shows it by colour, beside the words that say it.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Tone {
    /// Like everything else.
    Plain,
    /// What is read first.
    Strong,
    /// Right.
    Right,
    /// Wrong.
    Wrong,
    /// To be watched.
    Warning,
    /// Of lesser weight.
    Quiet,
}

/// A line: its beginning with a tone of its own, and the rest. Nothing in it controls a terminal.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Line {
    /// How the beginning is meant.
    pub tone: Tone,
    /// The beginning.
    pub start: String,
    /// The rest.
    pub rest: String,
}

impl Line {
    fn new(tone: Tone, start: impl Into<String>, rest: impl Into<String>) -> Self {
        Self { tone, start: start.into(), rest: rest.into() }
    }

    /// The line without its tone.
    pub fn text(&self) -> String {
        format!("{}{}", self.start, self.rest)
    }
}

/// The summary in lines of at most `columns` characters, kept within what can be read.
pub fn summary(audit: &Audit, columns: usize) -> Vec<Line> {
    let mut page = Page { columns: columns.clamp(COLUMNS_RANGE.0, COLUMNS_RANGE.1), lines: Vec::new() };
    page.prose(Tone::Strong, &visible(&audit.headline));
    let rest = audit.verdict.strip_prefix(audit.headline.as_str()).unwrap_or(&audit.verdict).trim_start();
    page.prose(Tone::Plain, &visible(rest));
    page.gap();
    page.judgements(audit);
    page.gap();
    page.events(audit);
    for outcome in &audit.requirements {
        let tone = if outcome.passed { Tone::Right } else { Tone::Wrong };
        page.entry(tone, outcome.verdict(), &format!("{}: {}", outcome.requirement, outcome.found_text()));
    }
    for (name, value) in numbers(audit) {
        page.entry(Tone::Quiet, name, &value);
    }
    for note in audit.notes.iter().take(NOTES_MAX) {
        page.entry(Tone::Quiet, "note", &visible(&note.text));
    }
    page.rest(audit.notes.len(), NOTES_MAX, "more note");
    page.lines
}

/// Lines as they come.
struct Page {
    columns: usize,
    lines: Vec<Line>,
}

impl Page {
    fn gap(&mut self) {
        self.lines.push(Line::new(Tone::Plain, "", ""));
    }

    fn prose(&mut self, tone: Tone, text: &str) {
        self.lines.extend(wrap(text, self.columns).into_iter().map(|line| Line::new(tone, line, "")));
    }

    /// One entry: its name in a column of its own, its value wrapped beside it.
    fn entry(&mut self, tone: Tone, name: &str, value: &str) {
        self.beside(tone, name, NAME_COLUMNS, value);
    }

    fn beside(&mut self, tone: Tone, name: &str, room: usize, value: &str) {
        let mut name = name;
        for line in wrap(value, self.columns - room) {
            self.lines.push(Line::new(tone, format!("{name:room$}"), line));
            name = "";
        }
    }

    /// Says how much is left out, if anything is.
    fn rest(&mut self, all: usize, shown: usize, what: &str) {
        if let Some(rest) = all.checked_sub(shown).filter(|&rest| rest > 0) {
            let rest = rest as u64;
            self.entry(
                Tone::Quiet,
                "",
                &format!("{} {} in the report", counted(rest, what), verb(rest, "are")),
            );
        }
    }

    /// A line for each aspect: its judgement, its number and its limit.
    fn judgements(&mut self, audit: &Audit) {
        for judged in &audit.judgements {
            let tone = match judged.judgement {
                Judgement::Right => Tone::Right,
                Judgement::Wrong => Tone::Wrong,
                Judgement::CannotBeTold | Judgement::NotTested => Tone::Quiet,
            };
            let found = match judged.figures() {
                Some((number, Some(limit))) => format!("{number}; should be {limit}"),
                Some((number, None)) => number.to_owned(),
                None => judged.text.clone(),
            };
            let words = format!("{:JUDGEMENT_COLUMNS$}", judged.judgement.words());
            let name = format!("{:NAME_COLUMNS$}{words}", judged.aspect.name());
            self.beside(tone, &name, NAME_COLUMNS + JUDGEMENT_COLUMNS, &visible(&found));
        }
    }

    fn events(&mut self, audit: &Audit) {
        if audit.events.is_empty() {
            return;
        }
        for event in worst_in_order(audit, EVENTS_MAX) {
            let tone = match event.severity {
                Severity::Fault => Tone::Wrong,
                Severity::Warning => Tone::Warning,
                Severity::Info => Tone::Quiet,
            };
            let sentence = format!(
                "{}. {} at {}, {}: {}",
                event.number,
                event.kind.title(),
                clock_text(event.time_s),
                frames(event.first_frame, event.last_frame),
                visible(&event.text)
            );
            self.entry(tone, event.severity.name(), &sentence);
        }
        self.rest(audit.events.len(), EVENTS_MAX, "more event");
    }
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
    let mut rows: Vec<(&'static str, String)> =
        who(&audit.device).map(|who| ("device", who)).into_iter().collect();
    rows.extend([
        (
            "recording",
            format!(
                "{}, {}, {}, {}×{}, {}{incomplete}",
                visible(&audit.facts.name),
                counted(audit.frames.len() as u64, "frame"),
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
        ("cadence", format!("{pattern}, {}", counted(cadence.breaks.len() as u64, "break"))),
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
    ]);
    rows.extend(audit.fields.fields.as_ref().map(|fields| ("fields", fields_text(fields))));
    let outcome = |outcome: &Outcome| ("outcome", visible(&outcome.text));
    rows.extend(audit.outcome.as_ref().map(outcome));
    rows.extend(clip(audit).map(|clip| ("clip", clip)));
    rows
}

/// Which clip, and how many of its pictures appeared.
fn clip(audit: &Audit) -> Option<String> {
    let source = audit.source.as_ref()?;
    let (track, summary) = (&source.track, &source.summary);
    Some(format!(
        "{}, {} {}/s: {} of {} appeared, {} only within mixes, {} cannot be told, {} never appeared",
        visible(&track.clip_name),
        track.clip_rate,
        super::source::units(track.unit),
        grouped(summary.counts.shown),
        grouped(summary.pictures()),
        grouped(summary.counts.only_mixed),
        grouped(summary.counts.ambiguous),
        grouped(summary.counts.never_shown)
    ))
}
