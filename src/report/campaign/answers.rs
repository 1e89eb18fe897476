//! The tester's three questions, answered in sentences, for everything together and for each aspect.

use super::sheet::{Axis, Sheet, Tally, View};
use crate::campaign::model::{Aspect, Standing, Way};

/// Most names in one sentence; the rest are counted.
const NAMES_MAX: usize = 12;

/// A question and what the campaign says to it.
#[derive(Debug, PartialEq, Eq)]
pub(super) struct Answer {
    pub question: String,
    pub text: String,
}

/// The first sentence about the campaign.
pub(super) fn headline(sheet: &Sheet<'_>) -> String {
    let (devices, clips) = (sheet.len(Axis::Devices), sheet.len(Axis::Clips));
    if devices == 0 || clips == 0 {
        return "Nothing is planned.".to_owned();
    }
    let every_clip = match clips {
        1 => "the clip".to_owned(),
        clips => format!("all {clips} clips"),
    };
    match (flawless(sheet, View::Everything).len(), devices) {
        (1, 1) => format!("The device plays {every_clip} right."),
        (0, 1) => without_accusing(sheet, &format!("The device does not play {every_clip} right")),
        (0, _) => without_accusing(sheet, &format!("No device plays {every_clip} right")),
        (2, 2) => format!("Both devices play {every_clip} right."),
        (right, all) if right == all => format!("All {all} devices play {every_clip} right."),
        (1, all) => format!("1 of {all} devices plays {every_clip} right."),
        (right, all) => format!("{right} of {all} devices play {every_clip} right."),
    }
}

/// The accusation where something is wrong; where nothing is, it is only not known.
fn without_accusing(sheet: &Sheet<'_>, accusation: &str) -> String {
    let wrong = sheet.campaign.cells.iter().any(|cell| cell.standing == Standing::Wrong);
    if wrong {
        format!("{accusation}.")
    } else {
        "Nothing was found wrong, but not everything can be told yet.".to_owned()
    }
}

/// The three questions in one view.
pub(super) fn answers(sheet: &Sheet<'_>, view: View) -> [Answer; 3] {
    let about = match view {
        View::Everything => String::new(),
        View::Of(aspect) => format!(", by {} alone", aspect.name()),
    };
    [
        (format!("Which device plays every clip right{about}?"), every_clip_right(sheet, view)),
        (format!("What does a device get wrong everywhere{about}?"), wrong_everywhere(sheet, view)),
        (format!("Which clips break everybody{about}?"), breaks_everybody(sheet, view)),
    ]
    .map(|(question, text)| Answer { question, text })
}

/// Devices that play every clip right, by their places.
fn flawless(sheet: &Sheet<'_>, view: View) -> Vec<usize> {
    places(&sheet.tallies(Axis::Devices, view), |tally| {
        tally.count(Standing::Right) > 0 && tally.count(Standing::Right) == tally.all()
    })
}

fn places(tallies: &[Tally], wanted: impl Fn(Tally) -> bool) -> Vec<usize> {
    tallies.iter().enumerate().filter(|(_, tally)| wanted(**tally)).map(|(place, _)| place).collect()
}

/// The most cells of a line that came out so, and the lines that have as many.
fn most(tallies: &[Tally], standing: Standing) -> (usize, Vec<usize>) {
    let most = tallies.iter().map(|tally| tally.count(standing)).max().unwrap_or(0);
    (most, places(tallies, |tally| tally.count(standing) == most))
}

fn every_clip_right(sheet: &Sheet<'_>, view: View) -> String {
    let right = flawless(sheet, view);
    if !right.is_empty() {
        return format!("{}.", names(sheet, Axis::Devices, &right));
    }
    let tallies = sheet.tallies(Axis::Devices, view);
    if tallies.iter().all(|tally| tally.tested() == 0) {
        return "Not tested.".to_owned();
    }
    match most(&tallies, Standing::Right) {
        (0, _) => "None.".to_owned(),
        (most, nearest) => format!(
            "None. Nearest: {}, right on {most} of {}.",
            names(sheet, Axis::Devices, &nearest),
            Axis::Clips.counted(sheet.len(Axis::Clips))
        ),
    }
}

/// Aspects that a line gets wrong in every cell in which they were tested.
pub(super) fn always_wrong(sheet: &Sheet<'_>, axis: Axis, line: usize) -> Vec<Aspect> {
    Aspect::ALL
        .into_iter()
        .filter(|&aspect| sheet.tally(axis, line, View::Of(aspect)).is_always_wrong())
        .collect()
}

fn wrong_everywhere(sheet: &Sheet<'_>, view: View) -> String {
    let asked = |aspect: &Aspect| view == View::Everything || view == View::Of(*aspect);
    let found: Vec<(usize, Vec<Aspect>)> = (0..sheet.len(Axis::Devices))
        .map(|device| {
            (device, always_wrong(sheet, Axis::Devices, device).into_iter().filter(asked).collect())
        })
        .filter(|(_, aspects): &(usize, Vec<Aspect>)| !aspects.is_empty())
        .collect();
    if found.is_empty() {
        return "No device gets the same thing wrong on every clip.".to_owned();
    }
    if view != View::Everything {
        let devices: Vec<usize> = found.iter().map(|(device, _)| *device).collect();
        return format!("{}.", names(sheet, Axis::Devices, &devices));
    }
    let told = found.iter().take(NAMES_MAX).map(|(device, aspects)| {
        let aspects: Vec<&str> = aspects.iter().map(|aspect| aspect.name()).collect();
        format!("{}: {}.", sheet.name(Axis::Devices, *device), listed(&aspects))
    });
    let mut text = told.collect::<Vec<_>>().join(" ");
    if found.len() > NAMES_MAX {
        text.push_str(&format!(" And {} more.", Axis::Devices.counted(found.len() - NAMES_MAX)));
    }
    text
}

/// Whether every device that was tested gets a clip wrong. One device alone is not everybody.
pub(super) fn breaks_all(tally: Tally) -> bool {
    tally.is_always_wrong() && tally.tested() > 1
}

fn breaks_everybody(sheet: &Sheet<'_>, view: View) -> String {
    let tallies = sheet.tallies(Axis::Clips, view);
    let all = places(&tallies, breaks_all);
    if !all.is_empty() {
        return format!("{}.", names(sheet, Axis::Clips, &all));
    }
    match most(&tallies, Standing::Wrong) {
        (0, _) => "None: no clip was found to go wrong anywhere.".to_owned(),
        (most, worst) => format!(
            "None. Most often wrong: {}, on {most} of {}.",
            names(sheet, Axis::Clips, &worst),
            Axis::Devices.counted(sheet.len(Axis::Devices))
        ),
    }
}

/// What changed since the earlier campaign, if there is one.
pub(super) fn changes(sheet: &Sheet<'_>) -> Option<String> {
    let against = sheet.campaign.against.as_ref()?;
    let told = [Way::Worse, Way::Mended, Way::Unchanged, Way::NotComparable]
        .map(|way| format!("{} {}", sheet.changed(way), way.words()));
    Some(format!("Since “{}”: {}.", against.title, told.join(", ")))
}

/// Names in a row, as in a sentence.
fn names(sheet: &Sheet<'_>, axis: Axis, places: &[usize]) -> String {
    let mut names: Vec<&str> = places.iter().take(NAMES_MAX).map(|&place| sheet.name(axis, place)).collect();
    let more = places.len().saturating_sub(NAMES_MAX);
    let rest = format!("{more} more");
    if more > 0 {
        names.push(&rest);
    }
    listed(&names)
}

/// `a`, `a and b`, `a, b and c`.
pub(super) fn listed(names: &[&str]) -> String {
    match names {
        [] => String::new(),
        [one] => (*one).to_owned(),
        [first @ .., last] => format!("{} and {last}", first.join(", ")),
    }
}

#[cfg(test)]
mod tests {
    use super::super::testing::campaign;
    use super::*;

    #[test]
    fn the_first_sentence_counts_devices_and_accuses_nobody_of_what_is_not_known() {
        const UNKNOWN: &str = "Nothing was found wrong, but not everything can be told yet.";
        for (rows, expected) in [
            (&[][..], "Nothing is planned."),
            (&["r"], "The device plays the clip right."),
            (&["w"], "The device does not play the clip right."),
            (&["c"], UNKNOWN),
            (&["rr", "rr"], "Both devices play all 2 clips right."),
            (&["rrr", "rrr"], "All 3 devices play all 2 clips right."),
            (&["rw", "rr"], "1 of 2 devices plays all 2 clips right."),
            (&["rrw", "rrr"], "2 of 3 devices play all 2 clips right."),
            (&["rw", "wr"], "No device plays all 2 clips right."),
            (&["rn", "nr"], UNKNOWN),
            (&["rc", "rc"], "1 of 2 devices plays all 2 clips right."),
        ] {
            assert_eq!(headline(&Sheet::of(&campaign(rows))), expected, "{rows:?}");
        }
    }

    #[test]
    fn questions_are_answered_from_what_was_tested() {
        const NOT_THE_SAME: &str = "No device gets the same thing wrong on every clip.";
        const NOT_WRONG: &str = "None: no clip was found to go wrong anywhere.";
        for (rows, right, everywhere, everybody) in [
            (
                &["rw", "rw"][..],
                "device 1.",
                "device 2: motion.",
                "None. Most often wrong: clip 1 and clip 2, on 1 of 2 devices.",
            ),
            (
                &["ww", "rw"],
                "None. Nearest: device 1, right on 1 of 2 clips.",
                "device 2: motion.",
                "clip 1.",
            ),
            (&["nn"], "Not tested.", NOT_THE_SAME, NOT_WRONG),
            (&["cc"], "None.", NOT_THE_SAME, NOT_WRONG),
            (&["xx"], "None.", NOT_THE_SAME, NOT_WRONG),
            // One device that was tested is not everybody.
            (&["wn"], "None.", "device 1: motion.", "None. Most often wrong: clip 1, on 1 of 2 devices."),
        ] {
            let campaign = campaign(rows);
            let texts = answers(&Sheet::of(&campaign), View::Everything).map(|answer| answer.text);
            assert_eq!(texts, [right, everywhere, everybody], "{rows:?}");
        }
    }

    #[test]
    fn an_aspect_is_asked_by_itself() {
        let campaign = campaign(&["rw"]);
        let sheet = Sheet::of(&campaign);
        let texts = |aspect| answers(&sheet, View::Of(aspect)).map(|answer| answer.text);
        assert_eq!(texts(Aspect::Motion)[1], "device 2.");
        assert_eq!(texts(Aspect::Order)[0], "device 1 and device 2.");
        assert_eq!(texts(Aspect::Levels)[0], "Not tested.");
    }

    #[test]
    fn long_lists_end_in_a_count() {
        let campaign = campaign(&["r".repeat(1000).as_str()]);
        let text = &answers(&Sheet::of(&campaign), View::Everything)[0].text;
        assert!(text.ends_with("device 12 and 988 more."), "{text}");
    }
}
