//! The timeline: an interactive one on a canvas, and the static chart for readers without scripts and for paper.

use std::fmt::Write;

use serde::Serialize;

use super::table::open_section;
use crate::audit::Audit;
use crate::classify::FrameFlags;
use crate::report::frame_data;
use crate::report::text::{duration_s, period_s};
use crate::report::timeline::is_said_by_events;
use crate::report::Report;
use crate::verdict::EventKind;

/// Events the script marks; more would not be told apart, and all are in `audit.json`.
const EVENTS_MAX: usize = 5000;

pub(super) fn push(html: &mut String, audit: &Audit, chart: &str) {
    open_section(html, "timeline", "Timeline");
    if !audit.frames.is_empty() {
        html.push_str(CONTROLS);
    }
    let _ = writeln!(
        html,
        "<div class=\"chart\" tabindex=\"0\" role=\"group\" aria-label=\"Timeline chart\">\n{chart}</div>\n</section>"
    );
}

/// Shown by the script. The slider is what a screen reader hears: its value is the frame in words.
const CONTROLS: &str = "<div class=\"live\" id=\"live-timeline\" hidden=\"hidden\">
<div id=\"slider\" role=\"slider\" tabindex=\"0\" aria-label=\"Frame\" aria-valuemin=\"0\" aria-valuemax=\"0\" \
aria-valuenow=\"0\" aria-describedby=\"slider-keys\"><canvas id=\"lanes\" width=\"800\" height=\"300\"></canvas></div>
<p id=\"readout\"></p>
<div class=\"bar\" role=\"group\" aria-label=\"Timeline\">
<button type=\"button\" data-do=\"whole\" title=\"Key 0\">Whole recording</button>
<button type=\"button\" data-do=\"out\" title=\"Key -\">Zoom out</button>
<button type=\"button\" data-do=\"in\" title=\"Key +\">Zoom in</button>
<button type=\"button\" data-do=\"frames\" title=\"Key 1\">Single frames</button>
<button type=\"button\" data-do=\"earlier\" title=\"Page up\">Earlier</button>
<button type=\"button\" data-do=\"later\" title=\"Page down\">Later</button>
<button type=\"button\" data-do=\"previous-event\" title=\"Key [\">Previous event</button>
<button type=\"button\" data-do=\"next-event\" title=\"Key ]\">Next event</button>
</div>
<p id=\"slider-keys\" class=\"hint\">Arrow left and right: one frame, anywhere on the page. Plus and minus, or the wheel \
once the timeline has the focus: zoom. 0: whole recording, 1: single frames. Page up and down: earlier and later. \
[ and ]: events. Drag to move.</p>
</div>
";

/// What the script needs besides the calls.
#[derive(Serialize)]
struct Facts {
    frames: usize,
    period_s: f64,
    duration_s: f64,
    measured: bool,
    /// Seconds shown at first.
    from_s: f64,
    to_s: f64,
    /// Frames of one period of the pattern, 1 where none holds.
    pattern_frames: u32,
    /// The frame that the page opens at: the start of the worst event.
    at_frame: u64,
    /// Numbers of the flags that have a lane: no event speaks of them.
    flag_lanes: Vec<usize>,
    /// Whether the steps between timestamps have a lane: they say more than the rounding of a container.
    step_lane: bool,
    events: Vec<Mark>,
}

#[derive(Serialize)]
struct Mark {
    first: u64,
    last: u64,
    number: u32,
    severity: &'static str,
    kind: &'static str,
    text: String,
    /// Whether the picture stands throughout: its edges are drawn where they are.
    stalls: bool,
    /// Number of the flag of the frames that it is about, where single frames are marked.
    flag: Option<usize>,
}

/// Place of a flag in [`FrameFlags::NAMES`].
fn number_of(flag: FrameFlags) -> Option<usize> {
    FrameFlags::NAMES.iter().position(|(known, _)| *known == flag)
}

/// Flags that no event speaks of.
fn flag_lanes(audit: &Audit) -> Vec<usize> {
    let flags = FrameFlags::NAMES.iter().enumerate();
    flags.filter(|(_, (flag, _))| !is_said_by_events(audit, *flag)).map(|(place, _)| place).collect()
}

/// The data for the script.
pub(super) fn push_data(html: &mut String, report: &Report<'_>) {
    let audit = report.audit;
    let whole = 0.0..duration_s(audit);
    let shown = report.stretch.unwrap_or(&whole);
    let facts = Facts {
        frames: audit.frames.len(),
        period_s: period_s(audit),
        duration_s: duration_s(audit),
        measured: audit.times.measured,
        from_s: shown.start,
        to_s: shown.end.min(whole.end),
        pattern_frames: audit.cadence.pattern.as_ref().map_or(1, |pattern| {
            pattern.holds.iter().fold(0u32, |sum, &hold| sum.saturating_add(hold)).max(1)
        }),
        at_frame: audit
            .worst_event()
            .map_or(audit.typical_frame() as u64, |event| event.first_frame)
            .min((audit.frames.len() as u64).saturating_sub(1)),
        flag_lanes: flag_lanes(audit),
        step_lane: audit.events.iter().any(|event| matches!(event.kind, EventKind::Gap | EventKind::Times)),
        events: audit
            .events
            .iter()
            .take(EVENTS_MAX)
            .map(|event| Mark {
                first: event.first_frame,
                last: event.last_frame,
                number: event.number,
                severity: event.severity.name(),
                kind: event.kind.title(),
                text: event.text.clone(),
                stalls: event.kind == EventKind::Stall,
                flag: event.kind.flag().and_then(number_of),
            })
            .collect(),
    };
    let json = serde_json::to_string(&facts).expect("plain structs with string keys always serialize");
    super::push_data(html, "facts", &json);
    let _ = writeln!(
        html,
        "<script type=\"text/plain\" id=\"frame-data\">{}</script>",
        frame_data::packed(audit)
    );
}
