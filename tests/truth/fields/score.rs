//! How far an audit says of a cell what its list says.

use std::collections::BTreeMap;
use std::fmt::{self, Write};

use super::audited::Audited;
use super::devices::Scan;
use super::recordings::visible;
use super::shown::FrameTruth;
use super::Cell;

/// So many of so many.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Count {
    pub right: usize,
    pub total: usize,
}

impl Count {
    fn add(&mut self, is_right: bool) {
        self.right += usize::from(is_right);
        self.total += 1;
    }

    fn of(answer: Option<bool>) -> Self {
        let mut count = Self::default();
        answer.into_iter().for_each(|is_right| count.add(is_right));
        count
    }

    fn plus(self, other: Self) -> Self {
        Self { right: self.right + other.right, total: self.total + other.total }
    }

    pub fn share(self) -> f64 {
        self.right as f64 / self.total.max(1) as f64
    }
}

impl fmt::Display for Count {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self.total {
            0 => f.pad("-"),
            _ if self.right == self.total => f.pad("all"),
            _ => f.pad(&format!("{:.2}%", 100.0 * self.share())),
        }
    }
}

/// Marks on frames that the bench judges.
const FLAGS: [&str; 3] = ["combed", "one-field", "blend"];
/// Share of samples that a fault must change visibly before a frame without its mark counts as an error: choice,
/// a spot of 9 × 9 pixels at the bench's size.
const VISIBLE_SHARE: f64 = 0.001;
/// Devices whose every picture comes from one field by nature, so that the mark says nothing against it.
const FROM_ONE_FIELD: [&str; 5] =
    ["bob", "bob-wrong-order", "film-bob", "lines-doubled", "bwdif-wrong-order"];
/// Devices that deliver whole pictures only: no mark on any frame is right.
const WHOLE_PICTURES: [&str; 5] =
    ["pictures", "pictures-twice", "film-2-3-frames", "film-24p", "pictures-444"];

/// What an audit got right of one cell.
#[derive(Clone, Debug)]
pub struct CellScore {
    pub device: &'static str,
    pub content: String,
    pub recording: String,
    pub outcome: Count,
    pub found_outcome: String,
    /// Frames rightly marked and called, where the outcome is right too; none where it is not.
    pub recognised: Count,
    /// Frames with exactly the marks they should have.
    pub marks: Count,
    /// Frames rightly called new or repeat.
    pub classes: Count,
    /// Fields rightly called new or repeat.
    pub fields: Count,
    pub field_holds: Count,
    /// Order of the fields, or that there are none.
    pub order: Count,
    /// Frames without a mark, of devices that deliver whole pictures only.
    pub unmarked: Count,
}

/// Whether two patterns are the same from another place on.
fn same_round(found: &[u64], expected: &[u32]) -> bool {
    let expected: Vec<u64> = expected.iter().map(|&hold| u64::from(hold)).collect();
    found.len() == expected.len()
        && (0..found.len()).any(|turn| found[turn..].iter().chain(&found[..turn]).eq(&expected))
}

/// Whether the frame has the marks it should have; `None` where its fault cannot be seen. Combing of the colour
/// alone has no mark on frames: the outcome must name the frame.
fn marks_right(cell: &Cell, place: usize, truth: &FrameTruth, audited: &Audited) -> Option<bool> {
    let (luma, chroma) = visible(&cell.content, cell.device.shown[place]);
    let is_faulty = truth.combed_luma || truth.combed_chroma || truth.lost.is_some() || truth.blend.is_some();
    if is_faulty && luma.max(chroma) < VISIBLE_SHARE {
        return None;
    }
    let named = |(first, last)| (first..=last).contains(&(place as u64));
    if truth.combed_chroma && !truth.combed_luma && !audited.outcome_frames.is_some_and(named) {
        return Some(false);
    }
    let found = audited.frames.get(place);
    let expected = [truth.combed_luma, truth.lost.is_some(), truth.blend.is_some()];
    let from_one_field = FROM_ONE_FIELD.contains(&cell.device.name);
    let same = |(flag, expected): (&str, bool)| {
        found.is_some_and(|row| row.has(flag) == expected) || (from_one_field && flag == "one-field")
    };
    Some(FLAGS.into_iter().zip(expected).all(same))
}

/// Judges an audit by the cell's list.
pub fn score(cell: &Cell, audited: &Audited) -> CellScore {
    let device = &cell.device;
    let truths = cell.truths();
    let mut marks = Count::default();
    let mut unmarked = Count::default();
    let mut classes = Count::default();
    let found_outcome = audited.outcome.clone().unwrap_or_else(|| "none".to_owned());
    let outcome_right = device.outcomes.contains(&found_outcome.as_str());
    let mut recognised = Count::default();
    for (place, truth) in truths.iter().enumerate() {
        let found = audited.frames.get(place);
        let class_right = found.is_some_and(|frame| (frame.class == "new") == truth.is_new);
        classes.add(class_right);
        if let Some(marks_right) = marks_right(cell, place, truth, audited) {
            marks.add(marks_right);
            recognised.add(outcome_right && marks_right && class_right);
        }
        if WHOLE_PICTURES.contains(&device.name) {
            unmarked.add(found.is_some_and(|frame| FLAGS.iter().all(|flag| !frame.has(flag))));
        }
    }
    let mut fields = Count::default();
    for (place, &(_, moment)) in device.fields().iter().enumerate().skip(1) {
        let is_new = device.fields()[place - 1].1 != moment;
        fields.add(audited.fields.get(place).is_some_and(|field| (field.class == "new") == is_new));
    }
    let one_moment_each = truths.iter().all(|truth| truth.moments.0 == truth.moments.1);
    let order = match device.scan {
        // Nothing in the samples says that they were sent as fields.
        _ if one_moment_each && device.flagged != Scan::Progressive => None,
        // The last part of this one has no order of its own.
        scan if device.name == "tff-then-segmented" => {
            Some([scan.name(), "mixed"].contains(&audited.scan.as_str()))
        }
        scan => Some(audited.scan == scan.name()),
    };
    let holds =
        |expected: &[u32]| audited.field_holds.as_ref().is_some_and(|found| same_round(found, expected));
    CellScore {
        device: device.name,
        content: cell.content.name.clone(),
        recording: cell.recording.name(),
        outcome: Count::of(Some(outcome_right)),
        found_outcome,
        recognised,
        marks,
        classes,
        fields,
        field_holds: Count::of(device.field_holds.map(holds)),
        order: Count::of(order),
        unmarked,
    }
}

/// Least share of the frames of a row that must be recognised.
fn reach(recording: &str) -> f64 {
    if recording.starts_with("lossless") {
        0.99
    } else {
        0.95
    }
}

/// Least share of frames without a mark, where none is right.
const UNMARKED: f64 = 0.999;

/// Where the reach is missed, a line each.
pub fn missed(scores: &[CellScore]) -> Vec<String> {
    let mut lines = Vec::new();
    for ((device, recording), scores) in by_row(scores) {
        let recognised = sum(&scores, |score| score.recognised);
        if recognised.share() < reach(recording) {
            lines.push(format!("{device} {recording}: recognised {recognised}"));
        }
        let unmarked = sum(&scores, |score| score.unmarked);
        if unmarked.total > 0 && unmarked.share() < UNMARKED {
            lines.push(format!("{device} {recording}: without a mark {unmarked}"));
        }
        for (what, count) in [
            ("order of the fields", sum(&scores, |score| score.order)),
            ("holds in fields", sum(&scores, |score| score.field_holds)),
        ] {
            if count.right < count.total {
                lines.push(format!("{device} {recording}: {what} {}/{}", count.right, count.total));
            }
        }
    }
    lines
}

/// Scores of each device and recording.
fn by_row(scores: &[CellScore]) -> BTreeMap<(&str, &str), Vec<&CellScore>> {
    let mut rows: BTreeMap<(&str, &str), Vec<&CellScore>> = BTreeMap::new();
    for score in scores {
        rows.entry((score.device, &score.recording)).or_default().push(score);
    }
    rows
}

fn sum(scores: &[&CellScore], pick: fn(&CellScore) -> Count) -> Count {
    scores.iter().map(|score| pick(score)).fold(Count::default(), Count::plus)
}

/// One line per device and recording, over all contents; then a line per cell with another outcome.
pub fn table(scores: &[CellScore]) -> String {
    let mut text = format!(
        "{:<26}{:<26}{:>6}{:>9}{:>11}{:>9}{:>9}{:>9}{:>9}{:>9}{:>10}\n",
        "device",
        "recording",
        "cells",
        "outcome",
        "recognised",
        "marks",
        "classes",
        "fields",
        "holds",
        "order",
        "unmarked"
    );
    for ((device, recording), scores) in by_row(scores) {
        let sum = |pick| sum(&scores, pick);
        writeln!(
            text,
            "{device:<26}{recording:<26}{:>6}{:>9}{:>11}{:>9}{:>9}{:>9}{:>9}{:>9}{:>10}",
            scores.len(),
            sum(|s| s.outcome),
            sum(|s| s.recognised),
            sum(|s| s.marks),
            sum(|s| s.classes),
            sum(|s| s.fields),
            sum(|s| s.field_holds),
            sum(|s| s.order),
            sum(|s| s.unmarked),
        )
        .expect("a string takes all");
    }
    for score in scores.iter().filter(|score| score.outcome.right == 0) {
        writeln!(
            text,
            "outcome of {}/{}/{}: {}",
            score.device, score.content, score.recording, score.found_outcome
        )
        .expect("a string takes all");
    }
    text
}
