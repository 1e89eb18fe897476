//! What was assumed, who made the report, how and when.

use std::fmt::Write;

use super::table::{open_section, push_pairs};
use crate::audit::Audit;
use crate::audit_store::json::FORMAT_VERSION;
use crate::audit_store::{AUDIT_JSON, FRAMES_CSV};
use crate::escape::{markup, visible};
use crate::report::text::hex;
use crate::report::Report;

/// Pushes the sections; `alone` says what can be done with the page alone.
pub(super) fn push(html: &mut String, report: &Report<'_>, alone: &str) {
    push_notes(html, report.audit);
    push_provenance(html, report, alone);
}

fn push_notes(html: &mut String, audit: &Audit) {
    open_section(html, "notes", "What was assumed");
    if audit.notes.is_empty() {
        html.push_str("<p>Nothing.</p>\n");
    } else {
        html.push_str("<ul>\n");
        for note in &audit.notes {
            let _ = writeln!(html, "<li><code>{}</code> {}</li>", note.code.name(), markup(&note.text));
        }
        html.push_str("</ul>\n");
    }
    html.push_str("</section>\n");
}

fn push_provenance(html: &mut String, report: &Report<'_>, alone: &str) {
    let Report { audit, provenance, .. } = report;
    let settings = if provenance.changed_settings.is_empty() {
        "none: all at their defaults".to_owned()
    } else {
        let named = provenance.changed_settings.iter().map(|(name, value)| format!("{name} {value}"));
        named.collect::<Vec<_>>().join("; ")
    };
    let mut rows: Vec<(&str, String)> =
        audit.device.told().into_iter().map(|(name, text)| (name, visible(text))).collect();
    rows.extend([
        ("Capture", visible(&audit.facts.name)),
        ("BLAKE3 over all frame digests", hex(&audit.digest)),
        ("Read by", visible(&audit.facts.reader)),
        ("Tool", format!("evenbeat {}, format version {FORMAT_VERSION}", provenance.tool_version)),
        ("Command line", visible(&provenance.command())),
        ("Settings that differ from the default", settings),
        ("Time of the audit", provenance.audited_at.to_rfc3339()),
        ("All frames", format!("{FRAMES_CSV}, beside this report")),
        ("All numbers", format!("{AUDIT_JSON}, beside this report and inside it")),
        ("Read back", alone.to_owned()),
    ]);
    push_pairs(html, "provenance", "How this was made", &rows);
    html.push_str(
        "<p class=\"live\" id=\"save\" hidden=\"hidden\"><button type=\"button\" data-save=\"audit-json\">Save the \
         audit.json inside this report</button></p>\n",
    );
}
