//! `report.html`: one file that opens from disk, without network. The verdict, the judgement of each aspect and the
//! timeline come first; then the worst event in pictures and all events in one table. What they rest on folds away.
//! Without scripts the static chart and every table remain; on paper too.

mod events;
mod filmstrip;
mod measures;
mod origin;
mod requirements;
pub(super) mod table;
mod timeline;
mod verdict;

use std::fmt::Write;

use super::inline::{REPORT_SCRIPT, REPORT_STYLE};
use super::Report;
pub(super) use crate::audit_store::page_blocks::push_data;
use crate::audit_store::page_blocks::{sealed, PageData, AUDIT_ID, END, PROVENANCE_ID};
use crate::audit_store::{json, provenance};
use crate::escape::markup;

/// The page. `chart` is the timeline as an SVG document, which is set into the page as it is.
pub fn page(report: &Report<'_>, chart: &str) -> String {
    page_around(report, chart, &json::document(report.audit))
}

/// The page around `audit.json`, which takes long to make of a long capture.
pub(super) fn page_around(report: &Report<'_>, chart: &str, document: &str) -> String {
    let name = markup(&report.audit.facts.name);
    let mut html = String::with_capacity(chart.len() + 256 * 1024);
    let _ = writeln!(
        html,
        "<!DOCTYPE html>\n<html lang=\"en\">\n<head>\n<meta charset=\"utf-8\"/>\n\
         <meta name=\"viewport\" content=\"width=device-width, initial-scale=1\"/>\n\
         <meta http-equiv=\"Content-Security-Policy\" content=\"default-src 'none'; style-src '{}'; \
         script-src '{}'; img-src data:\"/>\n\
         <meta name=\"color-scheme\" content=\"light dark\"/>\n\
         <title>Cadence audit of {name}</title>\n<style>{}</style>\n</head>\n<body>\n\
         <a class=\"skip\" href=\"#events\">Skip to the events</a>\n<main>",
        REPORT_STYLE.source, REPORT_SCRIPT.source, REPORT_STYLE.text
    );
    verdict::push(&mut html, report.audit);
    timeline::push(&mut html, report.audit, chart);
    requirements::push(&mut html, report.audit);
    filmstrip::push(&mut html, report.audit, report.pictures);
    events::push(&mut html, report);
    let data = PageData::of(report.audit);
    html.push_str(
        "<details class=\"rest\">\n<summary>Measures, what they rest on, how this was made</summary>\n",
    );
    verdict::push_reasons(&mut html, report.audit);
    measures::push(&mut html, report);
    origin::push(&mut html, report, &data.remark());
    html.push_str("</details>\n");
    html.push_str("</main>\n");
    push_data(&mut html, AUDIT_ID, document);
    timeline::push_data(&mut html, report);
    let _ = writeln!(html, "<script>{}</script>", REPORT_SCRIPT.text);
    // After the script: it draws before a browser comes to what only programs read.
    push_data(&mut html, PROVENANCE_ID, &provenance::document(report.provenance, &report.audit.facts.reader));
    data.push(&mut html);
    let _ = writeln!(html, "</body>\n{END}");
    sealed(html)
}
