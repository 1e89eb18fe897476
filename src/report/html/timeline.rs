//! The timeline: an interactive one on a canvas, and the static chart for readers without scripts and for paper.

use std::fmt::Write;

use serde::Serialize;

use super::table::open_section;
use crate::audit::Audit;
use crate::report::frame_data;
use crate::report::text::{duration_s, kind_title, period_s};
use crate::report::Report;

/// Findings the script marks; more would not be told apart, and all are in `audit.json`.
const FINDINGS_MAX: usize = 5000;

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
<div class=\"bar\" role=\"group\" aria-label=\"Timeline\">
<button type=\"button\" data-do=\"whole\" title=\"Key 0\">Whole capture</button>
<button type=\"button\" data-do=\"out\" title=\"Key -\">Zoom out</button>
<button type=\"button\" data-do=\"in\" title=\"Key +\">Zoom in</button>
<button type=\"button\" data-do=\"frames\" title=\"Key 1\">Single frames</button>
<button type=\"button\" data-do=\"earlier\" title=\"Page up\">Earlier</button>
<button type=\"button\" data-do=\"later\" title=\"Page down\">Later</button>
<button type=\"button\" data-do=\"previous-finding\" title=\"Key [\">Previous finding</button>
<button type=\"button\" data-do=\"next-finding\" title=\"Key ]\">Next finding</button>
</div>
<div id=\"slider\" role=\"slider\" tabindex=\"0\" aria-label=\"Frame\" aria-valuemin=\"0\" aria-valuemax=\"0\" \
aria-valuenow=\"0\" aria-describedby=\"slider-keys\"><canvas id=\"lanes\" width=\"800\" height=\"300\"></canvas></div>
<p id=\"readout\"></p>
<p id=\"slider-keys\" class=\"hint\">Arrow left and right: one frame. Plus and minus, or the wheel once the \
timeline has the focus: zoom. 0: whole capture, 1: single frames. Page up and down: earlier and later. [ and ]: \
findings. Drag to move.</p>
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
    findings: Vec<Mark>,
}

#[derive(Serialize)]
struct Mark {
    first: u64,
    last: u64,
    severity: &'static str,
    kind: &'static str,
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
        findings: audit
            .findings
            .iter()
            .take(FINDINGS_MAX)
            .map(|finding| Mark {
                first: finding.first_frame,
                last: finding.last_frame,
                severity: finding.severity.name(),
                kind: kind_title(finding.kind),
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
