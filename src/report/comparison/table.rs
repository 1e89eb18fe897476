//! The table: one row per device, one column per measure.

use std::fmt::Write;

use crate::compare::{Comparison, Measure, Standing, Value, MEASURES};
use crate::escape::{markdown, markup};
use crate::report::html::table::close_table;
use crate::units::decimal;
use crate::words::{listed, lower_first};

/// A value with its unit, as many decimals as the measure has.
fn value_text(measure: &Measure, value: Value) -> String {
    let Some(found) = value.value else { return "–".to_owned() };
    let (found, unit) = match measure.unit {
        "%" => (100.0 * found, " %"),
        "" => (found, ""),
        _ => (found, ""),
    };
    format!("{}{unit}", decimal(found, measure.decimals))
}

/// Sign and word of a standing: colour never stands alone.
fn mark(standing: Standing) -> (&'static str, &'static str) {
    match standing {
        Standing::Best => ("▲", "best"),
        Standing::Worst => ("▼", "worst"),
        Standing::Equal => ("=", "equal"),
        Standing::Between | Standing::Unknown | Standing::NotRanked => ("", ""),
    }
}

fn title(measure: &Measure) -> String {
    match measure.unit {
        "" | "%" => measure.title.to_owned(),
        unit => format!("{}, {unit}", measure.title),
    }
}

/// The table for CommonMark.
pub(super) fn push_markdown(text: &mut String, comparison: &Comparison) {
    text.push_str("| Device |");
    for measure in &MEASURES {
        let _ = write!(text, " {} |", title(measure));
    }
    text.push_str("\n|---|");
    text.push_str(&"---|".repeat(MEASURES.len()));
    text.push('\n');
    for (place, device) in comparison.devices.iter().enumerate() {
        let details = super::details(device).map_or_else(String::new, |details| format!(" ({details})"));
        let _ = write!(text, "| {} |", markdown(&format!("{}{details}", device.name)));
        for (measure, standings) in MEASURES.iter().zip(&comparison.standings) {
            let place_of = MEASURES.iter().position(|other| other.key == measure.key).unwrap_or(0);
            let (sign, _) = mark(standings[place]);
            let value = value_text(measure, device.values[place_of]);
            let _ = write!(text, " {} |", format!("{value} {sign}").trim_end());
        }
        text.push('\n');
    }
}

/// The table for the page: a row per measure and a column per device, which stays within a narrow page.
pub(super) fn push_html(html: &mut String, comparison: &Comparison) {
    html.push_str(
        "<div class=\"scroll\" tabindex=\"0\" role=\"group\" aria-label=\"Measures of the devices\"><table \
         class=\"compared\"><caption>Measures of the devices</caption><thead><tr><th scope=\"col\">Measure</th>",
    );
    for device in &comparison.devices {
        let incomplete = if device.complete { "" } else { " <em>(not read whole)</em>" };
        let details = super::details(device).map_or_else(String::new, |details| {
            format!("<br/><span class=\"told\">{}</span>", markup(&details))
        });
        let _ = write!(html, "<th scope=\"col\">{}{incomplete}{details}</th>", markup(&device.name));
    }
    html.push_str("</tr></thead><tbody>\n");
    let is_known =
        |column: usize| comparison.devices.iter().any(|device| device.values[column].value.is_some());
    let (known, unknown): (Vec<_>, Vec<_>) = (0..MEASURES.len()).partition(|&column| is_known(column));
    known.into_iter().for_each(|column| push_measure(html, comparison, column));
    close_table(html);
    let titles: Vec<String> = unknown.iter().map(|&column| lower_first(MEASURES[column].title)).collect();
    if !titles.is_empty() {
        let _ = writeln!(html, "<p class=\"hint\">Not measured on any device: {}.</p>", listed(&titles));
    }
}

/// One measure of every device.
fn push_measure(html: &mut String, comparison: &Comparison, column: usize) {
    let measure = &MEASURES[column];
    let _ = write!(html, "<tr><th scope=\"row\">{}</th>", title(measure));
    for (place, device) in comparison.devices.iter().enumerate() {
        let (sign, word) = mark(comparison.standings[column][place]);
        let text = value_text(measure, device.values[column]);
        let _ = write!(html, "<td data-device=\"{}\">", markup(&device.name));
        let _ = match word {
            "" => write!(html, "<span class=\"value\">{text}</span></td>"),
            _ => write!(
                html,
                "<span class=\"value standing {word}\">{text} <b aria-hidden=\"true\">{sign}</b>\
                 <span class=\"unseen\"> {word}</span></span></td>"
            ),
        };
    }
    html.push_str("</tr>\n");
}
