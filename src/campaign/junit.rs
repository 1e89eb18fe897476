//! JUnit XML of a campaign for build servers: one test case per pair of device and clip. Pure.
//!
//! The form is that of [`crate::report::junit`]; there is no time in it, so that the same results give the same bytes.

use std::fmt::Write;

use super::model::{Campaign, Cell, Standing, Way};
use crate::escape::markup;

/// The document. What was not read whole is an error, what cannot be told or was not tested is skipped.
pub fn document(campaign: &Campaign) -> String {
    let count =
        |wanted: &[Standing]| campaign.cells.iter().filter(|cell| wanted.contains(&standing(cell))).count();
    let mut xml = String::from("<?xml version=\"1.0\" encoding=\"UTF-8\"?>\n");
    let _ = writeln!(
        xml,
        "<testsuite name=\"{}\" tests=\"{}\" failures=\"{}\" errors=\"{}\" skipped=\"{}\" time=\"0\">",
        markup(&campaign.title),
        campaign.cells.len(),
        count(&[Standing::Wrong]),
        count(&[Standing::NotWhole]),
        count(&[Standing::CannotBeTold, Standing::NotTested]),
    );
    for cell in &campaign.cells {
        push(&mut xml, cell);
    }
    xml.push_str("</testsuite>\n");
    xml
}

/// What a case comes to: a requirement of which nothing is known is not met.
fn standing(cell: &Cell) -> Standing {
    let not_met = cell.runs.iter().filter_map(|run| run.result.as_ref());
    let not_met = not_met.flat_map(|result| &result.requirements).any(|requirement| !requirement.passed);
    if not_met {
        Standing::Wrong
    } else {
        cell.standing
    }
}

fn push(xml: &mut String, cell: &Cell) {
    let _ = write!(
        xml,
        "<testcase classname=\"{}\" name=\"{}\" time=\"0\">",
        markup(&cell.device),
        markup(&cell.clip)
    );
    let message = markup(&message(cell));
    let kind = standing(cell);
    let inside = match kind {
        Standing::Right => String::new(),
        Standing::Wrong => format!("<failure type=\"{}\" message=\"{message}\"/>", kind.name()),
        Standing::NotWhole => format!("<error type=\"{}\" message=\"{message}\"/>", kind.name()),
        Standing::CannotBeTold | Standing::NotTested => format!("<skipped message=\"{message}\"/>"),
    };
    xml.push_str(&inside);
    xml.push_str("</testcase>\n");
}

fn message(cell: &Cell) -> String {
    let mut parts = Vec::new();
    if let Some(change) = cell.change.as_ref().filter(|change| change.way == Way::Worse) {
        parts.push(format!("Worse than before: {}", change.text));
    }
    match (cell.shown(), cell.result()) {
        (_, Some(result)) => {
            parts.push(result.headline.clone());
            parts.extend(
                result.requirements.iter().filter(|one| !one.passed).map(|one| format!("{}.", one.text)),
            );
        }
        (Some(run), None) => parts.extend(run.error.clone()),
        (None, None) => parts.push("not tested".to_owned()),
    }
    if cell.audited_runs > 1 {
        parts.push(format!("Wrong in {} of {} runs.", cell.wrong_runs, cell.audited_runs));
    }
    parts.join(" ")
}
