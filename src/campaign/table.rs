//! `campaign.csv`: a row for every run, and for every pair of device and clip that has none. Pure.

use super::model::{Aspect, Campaign, Cell, Run, Standing, State};
use crate::escape::visible;

/// Columns before those of the aspects.
const FIRST: [&str; 8] = ["device", "firmware", "clip", "run", "recording", "state", "standing", "number"];
/// Columns after them; new ones go to the end.
const LAST: [&str; 6] = ["headline", "error", "change", "frames", "duration_s", "report"];

/// The table as RFC 4180 has it, in UTF-8, with a line feed at the end of each row.
pub fn document(campaign: &Campaign) -> String {
    let aspects = Aspect::ALL.into_iter().map(Aspect::name);
    let mut text = line(FIRST.into_iter().chain(aspects).chain(LAST).map(str::to_owned));
    for cell in &campaign.cells {
        let firmware = campaign.devices.iter().find(|device| device.id == cell.device);
        let firmware = firmware.and_then(|device| device.firmware.clone()).unwrap_or_default();
        if cell.runs.is_empty() {
            text.push_str(&row(cell, &firmware, None));
        }
        for run in &cell.runs {
            text.push_str(&row(cell, &firmware, Some(run)));
        }
    }
    text
}

fn row(cell: &Cell, firmware: &str, run: Option<&Run>) -> String {
    let result = run.and_then(|run| run.result.as_ref());
    let standing = match (run, result) {
        (None, _) => Standing::NotTested,
        (_, None) => Standing::NotWhole,
        (_, Some(result)) => result.standing,
    };
    let text = |value: Option<&String>| value.cloned().unwrap_or_default();
    let first = [
        cell.device.clone(),
        firmware.to_owned(),
        cell.clip.clone(),
        run.map(|run| run.run.to_string()).unwrap_or_default(),
        text(run.map(|run| &run.recording)),
        run.map_or("", |run| state(run.state)).to_owned(),
        standing.name().to_owned(),
        text(result.and_then(|result| result.number.as_ref())),
    ];
    let aspects = Aspect::ALL.map(|aspect| {
        let row = result.and_then(|result| result.aspects.iter().find(|row| row.aspect == aspect));
        row.map_or("", |row| row.standing.name()).to_owned()
    });
    let last = [
        text(result.map(|result| &result.headline)),
        text(run.and_then(|run| run.error.as_ref())),
        cell.change.as_ref().map_or("", |change| change.way.words()).to_owned(),
        result.map(|result| result.frames.to_string()).unwrap_or_default(),
        result.map(|result| result.duration_s.to_string()).unwrap_or_default(),
        text(result.map(|result| &result.folder)),
    ];
    line(first.into_iter().chain(aspects).chain(last))
}

fn state(state: State) -> &'static str {
    match state {
        State::Done => "done",
        State::Failed => "failed",
        State::Missing => "missing",
    }
}

fn line(values: impl Iterator<Item = String>) -> String {
    let mut text = values.map(|value| field(&value)).collect::<Vec<_>>().join(",");
    text.push('\n');
    text
}

/// A value that stays one. What a spreadsheet would take for a formula gets an apostrophe before it.
fn field(value: &str) -> String {
    let mut shown = visible(value);
    if shown.starts_with(['=', '+', '-', '@']) {
        shown.insert(0, '\'');
    }
    if shown.contains(['"', ',']) {
        return format!("\"{}\"", shown.replace('"', "\"\""));
    }
    shown
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn values_stay_one_and_are_no_formulas() {
        for (value, expected) in [
            ("plain", "plain"),
            ("a,b", "\"a,b\""),
            ("say \"no\"", "\"say \"\"no\"\"\""),
            ("=1+1", "'=1+1"),
            ("@x,y", "\"'@x,y\""),
            ("a\nb", "a\\nb"),
            ("", ""),
        ] {
            assert_eq!(field(value), expected);
        }
    }
}
