//! `compare.html`: one file, no network, no script.

use std::fmt::Write;

use super::table;
use crate::compare::Comparison;
use crate::escape::markup;
use crate::report::html::push_data;
use crate::report::inline::COMPARISON_STYLE;

/// The page. `chart` is set into it as it is.
pub fn page(comparison: &Comparison, chart: &str) -> String {
    let mut html = String::with_capacity(chart.len() + 64 * 1024);
    let _ = writeln!(
        html,
        "<!DOCTYPE html>\n<html lang=\"en\">\n<head>\n<meta charset=\"utf-8\"/>\n\
         <meta name=\"viewport\" content=\"width=device-width, initial-scale=1\"/>\n\
         <meta http-equiv=\"Content-Security-Policy\" content=\"default-src 'none'; style-src '{}'\"/>\n\
         <meta name=\"color-scheme\" content=\"light dark\"/>\n<title>{title}</title>\n\
         <style>{style}</style>\n</head>\n<body>\n<a class=\"skip\" href=\"#table\">Skip to the table</a>\n<main>\n\
         <header><p class=\"kicker\">Comparison of cadence audits</p>\n<h1>{title}</h1>",
        COMPARISON_STYLE.source,
        style = COMPARISON_STYLE.text,
        title = markup(&super::title(comparison)),
    );
    let sentences = super::sentences(comparison);
    if let [basis, of_devices @ ..] = sentences.as_slice() {
        let _ = writeln!(html, "<p class=\"verdict\">{}</p>\n<ul class=\"devices\">", markup(basis));
        for sentence in of_devices {
            let _ = writeln!(html, "<li>{}</li>", markup(sentence));
        }
    }
    html.push_str(
        "</ul></header>\n<section aria-labelledby=\"lanes\">\n<h2 id=\"lanes\">Pictures along the clip</h2>\n",
    );
    let _ = writeln!(
        html,
        "<div class=\"chart\" tabindex=\"0\" role=\"group\" aria-label=\"Lanes of the devices\">\n{chart}</div>\n</section>"
    );
    html.push_str("<section aria-labelledby=\"table\">\n<h2 id=\"table\" tabindex=\"-1\">Measures</h2>\n");
    table::push_html(&mut html, comparison);
    html.push_str(
        "<p class=\"hint\">▲ best, ▼ worst, = no difference beyond what is uncertain, – not known. Values that differ \
         by no more than both uncertainties together, which compare.json names, count as equal. Repeats are not \
         ranked: the rates of clip and signal decide how many there must be. Nor are the drops of a device at half \
         rate and the rate of one that mixes.</p>\n</section>\n</main>\n",
    );
    push_data(&mut html, "compare-json", &super::document(comparison));
    html.push_str("</body>\n</html>\n");
    html
}
