//! Tables of the page.

use std::fmt::Write;

use crate::escape::markup;
use crate::report::text::grouped;
use crate::report::AUDIT_JSON;

/// Opens a section with its heading.
pub(in crate::report) fn open_section(html: &mut String, id: &str, title: &str) {
    let _ =
        writeln!(html, "<section aria-labelledby=\"{id}\">\n<h2 id=\"{id}\" tabindex=\"-1\">{title}</h2>");
}

/// A section that is a table of names and values.
pub(in crate::report) fn push_pairs(html: &mut String, id: &str, title: &str, rows: &[(&str, String)]) {
    open_section(html, id, title);
    push_rows(html, rows);
    html.push_str("</section>\n");
}

/// A table of names and values.
pub(in crate::report) fn push_rows(html: &mut String, rows: &[(&str, String)]) {
    html.push_str("<table class=\"pairs\"><tbody>\n");
    for (name, value) in rows {
        let _ = writeln!(html, "<tr><th scope=\"row\">{name}</th><td>{}</td></tr>", markup(value));
    }
    html.push_str("</tbody></table>\n");
}

/// Opens a table within a box that scrolls sideways on narrow screens, also by keyboard.
pub(in crate::report) fn open_table(html: &mut String, caption: &str, columns: &[&str]) {
    let _ = write!(
        html,
        "<div class=\"scroll\" tabindex=\"0\" role=\"group\" aria-label=\"{0}\"><table><caption>{0}</caption>\
         <thead><tr>",
        markup(caption)
    );
    for column in columns {
        let _ = write!(html, "<th scope=\"col\">{column}</th>");
    }
    html.push_str("</tr></thead><tbody>\n");
}

/// Closes what [`open_table`] opened.
pub(in crate::report) fn close_table(html: &mut String) {
    html.push_str("</tbody></table></div>\n");
}

/// Says how many rows are left out, if any.
pub(in crate::report) fn push_rest(html: &mut String, all: usize, shown: usize, what: &str) {
    if all > shown {
        let _ = writeln!(
            html,
            "<p>{} more {what} are in <code>{AUDIT_JSON}</code>.</p>",
            grouped((all - shown) as u64)
        );
    }
}
