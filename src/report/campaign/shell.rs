//! What all pages have in common: policy, style, signs, and the way between them.

use std::fmt::Write;

use super::signs;
use crate::campaign::model::{Cell, Way};
use crate::escape::markup;
use crate::report::inline::{Inline, CAMPAIGN_STYLE};

/// What a page is about.
#[derive(Clone, Copy)]
pub(super) struct Head<'a> {
    /// Title of the window, from outside or not.
    pub title: &'a str,
    /// Where the skip link leads: an id and what is there.
    pub skip: (&'a str, &'a str),
    /// Code of the page, if it has any.
    pub script: Option<Inline>,
}

/// A page with `body` in it.
pub(super) fn page(head: Head<'_>, body: impl FnOnce(&mut String)) -> String {
    let allowed = head.script.map_or_else(String::new, |script| format!("; script-src '{}'", script.source));
    let mut html = String::with_capacity(64 * 1024);
    let _ = writeln!(
        html,
        "<!DOCTYPE html>\n<html lang=\"en\">\n<head>\n<meta charset=\"utf-8\"/>\n\
         <meta name=\"viewport\" content=\"width=device-width, initial-scale=1\"/>\n\
         <meta http-equiv=\"Content-Security-Policy\" content=\"default-src 'none'; style-src '{}'; img-src 'self' \
         data:{allowed}\"/>\n<meta name=\"color-scheme\" content=\"light dark\"/>\n<title>{}</title>\n\
         <style>{}</style>\n</head>\n<body>\n<a class=\"skip\" href=\"#{}\">{}</a>",
        CAMPAIGN_STYLE.source,
        markup(head.title),
        CAMPAIGN_STYLE.text,
        head.skip.0,
        markup(head.skip.1),
    );
    signs::push_symbols(&mut html);
    html.push_str("<main>\n");
    body(&mut html);
    html.push_str("</main>\n");
    if let Some(script) = head.script {
        let _ = writeln!(html, "<script>{}</script>", script.text);
    }
    html.push_str("</body>\n</html>\n");
    html
}

/// A link's target below the page's folder: the parts of a relative path, encoded so that no character means anything
/// else in a URL (RFC 3986 section 2.3 lists those that never do). Parts that lead elsewhere are left out.
pub(super) fn link(path: &str) -> String {
    let parts = path.split('/').filter(|part| !matches!(*part, "" | "." | ".."));
    parts.map(encoded).collect::<Vec<_>>().join("/")
}

fn encoded(part: &str) -> String {
    let mut encoded = String::with_capacity(part.len());
    for byte in part.bytes() {
        if byte.is_ascii_alphanumeric() || b"-._~".contains(&byte) {
            encoded.push(char::from(byte));
        } else {
            let _ = write!(encoded, "%{byte:02X}");
        }
    }
    encoded
}

/// What became of a cell since the earlier campaign, if anything: a sign and a word.
pub(super) fn push_change(html: &mut String, cell: &Cell) {
    let Some(change) = cell.change.as_ref().filter(|_| cell.result().is_some()) else { return };
    let (class, sign) = match change.way {
        Way::Worse => ("worse", "▼"),
        Way::Mended => ("mended", "▲"),
        Way::NotComparable => ("apart", "≠"),
        Way::Unchanged => return,
    };
    let _ = write!(
        html,
        "<span class=\"change {class}\" title=\"{}\"><span aria-hidden=\"true\">{sign}</span> {}</span>",
        markup(&change.text),
        change.way.words()
    );
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn links_hold_nothing_but_their_path() {
        for (path, expected) in [
            ("cells/lantern-box/harbour/report.html", "cells/lantern-box/harbour/report.html"),
            ("a b/ü#?\"<>'&.html", "a%20b/%C3%BC%23%3F%22%3C%3E%27%26.html"),
            ("javascript:alert(1)", "javascript%3Aalert%281%29"),
            ("//elsewhere/./../a", "elsewhere/a"),
            ("/etc/a", "etc/a"),
        ] {
            assert_eq!(link(path), expected);
        }
    }

    #[test]
    fn only_a_page_with_a_script_allows_one() {
        let head = Head { title: "<t>", skip: ("x", "Skip"), script: None };
        assert!(!page(head, |_| ()).contains("script-src"));
        assert!(page(head, |_| ()).contains("<title>&lt;t&gt;</title>"));
        let script = Inline { text: "1;\n", source: "sha256-of-it" };
        let page = page(Head { script: Some(script), ..head }, |_| ());
        assert!(page.contains("script-src 'sha256-of-it'") && page.contains("<script>1;\n</script>"));
    }
}
