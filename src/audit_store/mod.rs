//! What is written of an audit and read back: names of the files, the documents' rows, which both directions share, and the
//! blocks by which a page can stand for all of them.
//!
//! Whoever wrote what is read may be a stranger: it names no program and no file to read or to write
//! ([`crate::settings::RecordedSettings`]), its size is bounded before memory is taken, and what follows from the rest is
//! concluded anew and must come out as it was written.

mod command;
pub mod csv;
pub(crate) mod fuzzing;
pub mod json;
mod levels;
pub mod page_blocks;
pub mod pictures_log;
pub(crate) mod provenance;
mod read;
mod source;
pub(crate) mod values;

pub use command::Shell;
pub use provenance::Provenance;
pub use read::{lacking, read};
pub(crate) use source::Placement;
pub use source::RANGES_MAX;

/// Name of the machine-readable result.
pub const AUDIT_JSON: &str = "audit.json";
/// Name of the small pictures by which captures are aligned with each other.
pub const PICTURES_LOG: &str = "pictures.log";
/// Name of the frame table.
pub const FRAMES_CSV: &str = "frames.csv";
/// Name of the table of fields, of interlaced captures only.
pub const FIELDS_CSV: &str = "fields.csv";
/// Name of the chart.
pub const TIMELINE_SVG: &str = "timeline.svg";
/// Name of the chart for trackers that refuse SVG.
pub const TIMELINE_PNG: &str = "timeline.png";
/// Name of the worst finding's frames in a row.
pub const STRIP_PNG: &str = "strip.png";
/// Name of who, how and when.
pub const PROVENANCE_JSON: &str = "provenance.json";
/// Name of the report for reading.
pub const REPORT_HTML: &str = "report.html";
/// Name of the summary for pasting into a tracker.
pub const SUMMARY_MD: &str = "summary.md";

/// Every file that a report may have.
pub const FILES: [&str; 10] = [
    AUDIT_JSON,
    PICTURES_LOG,
    FRAMES_CSV,
    FIELDS_CSV,
    TIMELINE_SVG,
    TIMELINE_PNG,
    STRIP_PNG,
    PROVENANCE_JSON,
    REPORT_HTML,
    SUMMARY_MD,
];

/// Longest message about JSON, characters: the parser's own words with a name or a number, not a text out of a file.
const JSON_CAUSE_CHARACTERS_MAX: usize = 80;

/// What is wrong with a JSON text and where; of the text itself no more than a few words.
fn json_cause(error: &serde_json::Error) -> String {
    let place = format!(" at line {} column {}", error.line(), error.column());
    let message = error.to_string();
    let what = message.strip_suffix(&place).unwrap_or(&message);
    let mut rest = what.chars();
    let start: String = rest.by_ref().take(JSON_CAUSE_CHARACTERS_MAX).collect();
    let more = if rest.next().is_some() { " …" } else { "" };
    format!("{start}{more}{place}")
}
