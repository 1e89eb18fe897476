//! Who audited what, how and when; `provenance.json` keeps it for a report that is built again.

use chrono::{DateTime, FixedOffset};
use serde::{Deserialize, Serialize};

use super::command::Shell;
use super::json_cause;
use crate::error::excerpt;

/// Who audited what, how and when: what a reader needs to do it again.
#[derive(Clone, Debug, PartialEq)]
pub struct Provenance {
    /// Version of this program, for instance `0.1.0`.
    pub tool_version: String,
    /// The command line, program name first.
    pub command_line: Vec<String>,
    /// Time of the audit.
    pub audited_at: DateTime<FixedOffset>,
    /// Settings that differ from the default: name as on the command line, value.
    pub changed_settings: Vec<(String, String)>,
    /// The shell that the command line is written for.
    pub shell: Shell,
}

impl Provenance {
    /// The command line to reproduce the audit, safe to paste.
    pub fn command(&self) -> String {
        self.shell.command(&self.command_line)
    }
}

#[derive(Serialize, Deserialize)]
struct Document {
    format: String,
    tool_version: String,
    command_line: Vec<String>,
    audited_at: String,
    changed_settings: Vec<(String, String)>,
    reader: String,
    shell: String,
}

/// Value of `format`.
const FORMAT: &str = "evenbeat-provenance";

/// The provenance as JSON, with a line end at its end. `reader` is what read the capture.
pub(crate) fn document(provenance: &Provenance, reader: &str) -> String {
    let document = Document {
        format: FORMAT.to_owned(),
        tool_version: provenance.tool_version.clone(),
        command_line: provenance.command_line.clone(),
        audited_at: provenance.audited_at.to_rfc3339(),
        changed_settings: provenance.changed_settings.clone(),
        reader: reader.to_owned(),
        shell: provenance.shell.name().to_owned(),
    };
    let mut text =
        serde_json::to_string_pretty(&document).expect("plain structs with string keys always serialize");
    text.push('\n');
    text
}

/// Reads what [`document`] wrote: the provenance and what read the capture.
///
/// # Errors
/// In words, what is wrong.
pub(super) fn read(text: &str) -> Result<(Provenance, String), String> {
    let document: Document = serde_json::from_str(text).map_err(|error| json_cause(&error))?;
    if document.format != FORMAT {
        return Err(format!("its format is {}, wanted is {FORMAT:?}", excerpt(&document.format)));
    }
    let audited_at = DateTime::parse_from_rfc3339(&document.audited_at)
        .map_err(|_| format!("{} is no time of RFC 3339", excerpt(&document.audited_at)))?;
    let provenance = Provenance {
        tool_version: document.tool_version,
        command_line: document.command_line,
        audited_at,
        changed_settings: document.changed_settings,
        shell: Shell::from_name(&document.shell)
            .ok_or_else(|| format!("its shell {} is not known", excerpt(&document.shell)))?,
    };
    Ok((provenance, document.reader))
}
