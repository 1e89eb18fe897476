//! What was required, and whether it is met.

use std::fmt::Write;

use super::table::{close_table, open_section, open_table};
use crate::audit::Audit;
use crate::escape::markup;

/// Nothing where nothing was required.
pub(super) fn push(html: &mut String, audit: &Audit) {
    if audit.requirements.is_empty() {
        return;
    }
    open_section(html, "requirements", "Requirements");
    open_table(html, "What was required", &["Outcome", "Required", "Found"]);
    for outcome in &audit.requirements {
        let _ = writeln!(
            html,
            "<tr><td><strong>{}</strong></td><td>{}</td><td class=\"prose\">{}</td></tr>",
            outcome.verdict(),
            markup(&outcome.requirement.to_string()),
            markup(&outcome.found_text())
        );
    }
    close_table(html);
    html.push_str("</section>\n");
}
