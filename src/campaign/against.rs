//! A campaign held against an earlier one. Pure.
//!
//! A difference counts only where it lies beyond what both are uncertain by: the range of a measure is that of all runs, each
//! with its uncertainty, and two ranges that touch are no difference.

use super::model::{Against, Aspect, AspectRow, Campaign, Cell, Change, Measure, RunResult, Standing, Way};
use crate::compare::{Better, MEASURES};
use crate::units::decimal;

/// Aspects by the measures that show them, as `campaign.json` names these.
const SHOWN_BY: [(Aspect, &[&str]); 4] = [
    (
        Aspect::Motion,
        &[
            "motion_rate_hz",
            "delivered_share",
            "dropped_pictures",
            "cadence_breaks",
            "freezes",
            "longest_freeze_ms",
            "judder_rms_ms",
            "judder_excess_ms",
        ],
    ),
    (Aspect::Order, &["out_of_order_frames"]),
    (Aspect::Mixing, &["blended_share"]),
    (Aspect::Fields, &["combed_share", "one_field_share"]),
];
/// Measures that grow with the length of a recording.
const COUNTS: [&str; 4] = ["dropped_pictures", "cadence_breaks", "freezes", "out_of_order_frames"];
/// Recordings whose lengths differ by more than this part are compared by counts per time, each known to one.
const SAME_LENGTH: f64 = 0.01;
/// Seconds that counts are told for.
const MINUTE_S: f64 = 60.0;

/// Says of every cell how it stands to the earlier campaign.
pub fn hold_against(now: &mut Campaign, earlier: &Campaign) {
    let mut counts = [0; 4];
    for device in 0..now.devices.len() {
        for clip in 0..now.clips.len() {
            let change = change(now, earlier, (device, clip));
            counts[place(change.way)] += 1;
            if let Some(cell) = now.cells.get_mut(device * now.clips.len() + clip) {
                cell.change = Some(change);
            }
        }
    }
    let [mended, worse, unchanged, not_comparable] = counts;
    now.against = Some(Against {
        title: earlier.title.clone(),
        tool_version: earlier.tool_version.clone(),
        mended,
        worse,
        unchanged,
        not_comparable,
    });
}

fn place(way: Way) -> usize {
    match way {
        Way::Mended => 0,
        Way::Worse => 1,
        Way::Unchanged => 2,
        Way::NotComparable => 3,
    }
}

fn change(now: &Campaign, earlier: &Campaign, (device, clip): (usize, usize)) -> Change {
    let none = |earlier: Standing, text: &str| Change {
        way: Way::NotComparable,
        earlier,
        earlier_firmware: None,
        text: text.to_owned(),
    };
    let (own_device, own_clip) = (&now.devices[device], &now.clips[clip]);
    let device_then = earlier.devices.iter().position(|other| other.id == own_device.id);
    let clip_then = earlier.clips.iter().position(|other| other.id == own_clip.id);
    let cells = device_then
        .zip(clip_then)
        .and_then(|(device, clip)| Some((device, clip, earlier.cell(device, clip)?)))
        .zip(now.cell(device, clip));
    let Some(((device_then, clip_then, then), cell)) = cells else {
        return none(Standing::NotTested, "It was not in the earlier campaign.");
    };
    let other_clip = earlier.clips[clip_then].blake3.as_ref().zip(own_clip.blake3.as_ref());
    if other_clip.is_some_and(|(one, other)| one != other) {
        return none(then.standing, "Another clip of this name was played then.");
    }
    let firmware_then = &earlier.devices[device_then].firmware;
    let earlier_firmware = firmware_then.clone().filter(|_| *firmware_then != own_device.firmware);
    let is_told = |standing| matches!(standing, Standing::Right | Standing::Wrong);
    if !is_told(then.standing) || !is_told(cell.standing) {
        let text = if is_told(then.standing) { untold(cell.standing)[1] } else { untold(then.standing)[0] };
        return Change { earlier_firmware, ..none(then.standing, text) };
    }
    let (way, text) = way(then, cell);
    Change { way, earlier: then.standing, earlier_firmware, text }
}

/// Why a cell that is neither right nor wrong cannot be compared, for the earlier and for the later one.
fn untold(standing: Standing) -> [&'static str; 2] {
    match standing {
        Standing::CannotBeTold => ["It could not be told then.", "It cannot be told now."],
        Standing::NotWhole => ["It was not read whole then.", "It is not read whole now."],
        _ => ["It was not tested then.", "It is not tested now."],
    }
}

/// A measure that lies apart in two cells.
struct Apart {
    key: &'static str,
    is_better: bool,
    text: String,
}

/// Which way a cell went that was audited in both.
fn way(then: &Cell, now: &Cell) -> (Way, String) {
    let apart: Vec<Apart> = MEASURES.iter().filter_map(|measure| apart(measure, then, now)).collect();
    let turned = |from: Standing, to: Standing| turned(then, now, (from, to), &apart);
    let often = often(then, now);
    // What got worse comes first: it is what one must not miss.
    if let Some(text) = turned(Standing::Right, Standing::Wrong) {
        return (Way::Worse, format!("{text}{often}"));
    }
    if let Some(worse) = apart.iter().find(|apart| !apart.is_better && now.standing == Standing::Wrong) {
        return (Way::Worse, format!("{}{often}", worse.text));
    }
    if let Some(text) = turned(Standing::Wrong, Standing::Right) {
        return (Way::Mended, format!("{text}{often}"));
    }
    if let Some(better) = apart.iter().find(|apart| apart.is_better && then.standing == Standing::Wrong) {
        return (Way::Mended, format!("{}{often}", better.text));
    }
    // A difference that neither accuses nor acquits is told, and changes nothing.
    let text =
        apart.first().map_or("There is no difference beyond what both are uncertain by.", |one| &one.text);
    (Way::Unchanged, format!("{text}{often}"))
}

/// How often each was wrong, where one was recorded several times.
fn often(then: &Cell, now: &Cell) -> String {
    if then.audited_runs < 2 && now.audited_runs < 2 {
        return String::new();
    }
    let runs = |cell: &Cell| {
        format!(
            "{} of {} run{}",
            cell.wrong_runs,
            cell.audited_runs,
            if cell.audited_runs == 1 { "" } else { "s" }
        )
    };
    format!(" Wrong in {} then, in {} now.", runs(then), runs(now))
}

/// An aspect that turned from one standing to another, and not within what its measures are uncertain by.
fn turned(then: &Cell, now: &Cell, (from, to): (Standing, Standing), apart: &[Apart]) -> Option<String> {
    let pairs = then.aspects.iter().zip(&now.aspects);
    let mut turned = pairs.filter(|(then, now)| then.standing == from && now.standing == to);
    turned.find_map(|(row_then, row_now)| {
        let shown =
            SHOWN_BY.iter().find(|(aspect, _)| *aspect == row_now.aspect).map_or(&[][..], |(_, keys)| keys);
        let is_known = |key: &&&str| range(then, key).is_some() && range(now, key).is_some();
        let told = apart
            .iter()
            .find(|apart| shown.contains(&apart.key) && apart.is_better == (to == Standing::Right));
        match told {
            Some(apart) => Some(apart.text.clone()),
            // No measure tells of it: what was judged does, where all runs agree.
            None if shown.iter().find(is_known).is_none()
                && is_in_all(then, row_then.aspect, from)
                && is_in_all(now, row_now.aspect, to) =>
            {
                Some(if to == Standing::Wrong {
                    row_now.text.clone()
                } else {
                    format!("Gone is: {}", row_then.text)
                })
            }
            None => None,
        }
    })
}

/// Whether an aspect comes to the same in all runs of a cell.
fn is_in_all(cell: &Cell, aspect: Aspect, standing: Standing) -> bool {
    let is_so = |row: &AspectRow| row.aspect == aspect && row.standing == standing;
    results(cell).all(|result| result.aspects.iter().any(is_so))
}

fn apart(measure: &crate::compare::Measure, then: &Cell, now: &Cell) -> Option<Apart> {
    let ((low_then, high_then), (low, high)) = ranges(measure.key, then, now)?;
    let is_higher = low > high_then;
    if !is_higher && high >= low_then {
        return None;
    }
    let is_better = match measure.better {
        Better::Higher => is_higher,
        Better::Lower => !is_higher,
        Better::Neither => return None,
    };
    let middle = |cell: &Cell| {
        let (value, _) = value_of(cell.result()?, measure.key)?;
        let scale = if measure.unit == "%" { 100.0 } else { 1.0 };
        let unit = if measure.unit.is_empty() { String::new() } else { format!(" {}", measure.unit) };
        Some(format!("{}{unit}", decimal(scale * value, measure.decimals)))
    };
    let text = format!("{}: {} then, {} now.", measure.title, middle(then)?, middle(now)?);
    Some(Apart { key: measure.key, is_better, text })
}

type Range = (f64, f64);

/// The ranges of a measure in two cells, in one unit.
fn ranges(key: &str, then: &Cell, now: &Cell) -> Option<(Range, Range)> {
    if !COUNTS.contains(&key) {
        return Some((range(then, key)?, range(now, key)?));
    }
    let lengths = || [then, now].into_iter().flat_map(results).map(|result| result.duration_s);
    let (shortest, longest) = (lengths().fold(f64::INFINITY, f64::min), lengths().fold(0.0, f64::max));
    if shortest <= 0.0 || longest - shortest <= SAME_LENGTH * longest {
        return Some((range(then, key)?, range(now, key)?));
    }
    let per_minute = |result: &RunResult| {
        let (value, uncertainty) = value_of(result, key)?;
        let minutes = result.duration_s / MINUTE_S;
        Some((value / minutes, uncertainty.max(1.0) / minutes))
    };
    Some((around(results(then).filter_map(per_minute))?, around(results(now).filter_map(per_minute))?))
}

/// The range that a measure lies in over all runs of a cell.
fn range(cell: &Cell, key: &str) -> Option<Range> {
    around(results(cell).filter_map(|result| value_of(result, key)))
}

fn results(cell: &Cell) -> impl Iterator<Item = &RunResult> {
    cell.runs.iter().filter_map(|run| run.result.as_ref())
}

fn value_of(result: &RunResult, key: &str) -> Option<(f64, f64)> {
    let Measure { value, uncertainty, .. } = result.measures.iter().find(|measure| measure.key == key)?;
    value.filter(|value| value.is_finite()).map(|value| (value, uncertainty.abs()))
}

fn around(values: impl Iterator<Item = (f64, f64)>) -> Option<Range> {
    values
        .map(|(value, uncertainty)| (value - uncertainty, value + uncertainty))
        .reduce(|(low, high), (other_low, other_high)| (low.min(other_low), high.max(other_high)))
}
