//! The judgement of each aspect: right, wrong, cannot be told, not tested; each with its number and its limit.

use super::complaint::{shown_so_often, Complaint, Seen};
use super::expectation::Expectation;
use super::picture::Bill;
use super::sentence::{is_unsure, is_unusual, nothing_to_judge};
use super::{Case, FindingKind};
use crate::classify::{count_flagged, FrameFlags};
use crate::interlace::may_hide_fields;
use crate::units::hz_text;
use crate::words::{counted, sentence};

/// What of a delivery is judged; the written names are in `audit.json` and never renamed.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub enum Aspect {
    /// Whether every picture comes, evenly.
    Motion,
    /// Whether pictures come in their order.
    Order,
    /// Whether frames show one picture each.
    Mixing,
    /// Whether the fields of an interlaced clip became whole progressive pictures.
    Fields,
    /// Levels and colours against the clip's.
    Levels,
    /// Size, place and shape of the picture against the clip's.
    Geometry,
    /// Timing of the recording itself.
    Timing,
}

impl Aspect {
    /// Every aspect with its written name and its name for reading, in the order of all outputs.
    pub const NAMES: [(Self, &'static str, &'static str); 7] = [
        (Self::Motion, "motion", "Motion"),
        (Self::Order, "order", "Order"),
        (Self::Mixing, "mixing", "Mixing"),
        (Self::Fields, "fields", "Fields"),
        (Self::Levels, "levels", "Levels"),
        (Self::Geometry, "geometry", "Geometry"),
        (Self::Timing, "timing", "Timing of the recording"),
    ];

    /// The name written to files.
    pub fn name(self) -> &'static str {
        Self::NAMES[self as usize].1
    }

    /// The name for reading.
    pub fn title(self) -> &'static str {
        Self::NAMES[self as usize].2
    }

    /// The aspect with this written name.
    pub fn from_name(name: &str) -> Option<Self> {
        Self::NAMES.iter().find(|(_, known, _)| *known == name).map(|&(aspect, ..)| aspect)
    }
}

/// What is judged of an aspect.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub enum Judgement {
    /// Nothing wrong, as far as the sentence beside it says.
    Right,
    /// Something is wrong.
    Wrong,
    /// The recording does not tell.
    CannotBeTold,
    /// Nothing was looked at.
    NotTested,
}

impl Judgement {
    /// Every judgement with its written name and its words for reading.
    pub const NAMES: [(Self, &'static str, &'static str); 4] = [
        (Self::Right, "right", "right"),
        (Self::Wrong, "wrong", "wrong"),
        (Self::CannotBeTold, "cannot-be-told", "cannot be told"),
        (Self::NotTested, "not-tested", "not tested"),
    ];

    /// The name written to files.
    pub fn name(self) -> &'static str {
        Self::NAMES[self as usize].1
    }

    /// The words for reading.
    pub fn words(self) -> &'static str {
        Self::NAMES[self as usize].2
    }

    /// The judgement with this written name.
    pub fn from_name(name: &str) -> Option<Self> {
        Self::NAMES.iter().find(|(_, known, _)| *known == name).map(|&(judgement, ..)| judgement)
    }
}

/// The judgement of one aspect.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct AspectJudgement {
    /// Of what.
    pub aspect: Aspect,
    /// Which.
    pub judgement: Judgement,
    /// What was found, with its unit, as a person reads it.
    pub number: Option<String>,
    /// What would be right, with its unit.
    pub limit: Option<String>,
    /// One short sentence that says why.
    pub text: String,
}

impl AspectJudgement {
    fn new(aspect: Aspect, judgement: Judgement, text: impl Into<String>) -> Self {
        Self { aspect, judgement, number: None, limit: None, text: text.into() }
    }

    fn of(mut self, number: impl Into<String>, limit: impl Into<String>) -> Self {
        let some = |text: String| Some(text).filter(|text| !text.is_empty());
        (self.number, self.limit) = (some(number.into()), some(limit.into()));
        self
    }
}

impl AspectJudgement {
    /// The number and, where it says something else, the limit; nothing where a number alone would not say why nothing is
    /// told.
    pub fn figures(&self) -> Option<(&str, Option<&str>)> {
        let number = self.number.as_deref()?;
        let is_told = matches!(self.judgement, Judgement::Right | Judgement::Wrong);
        is_told.then(|| (number, self.limit.as_deref().filter(|&limit| limit != number)))
    }
}

/// The judgement of every aspect, in their order.
pub(super) fn judgements(seen: &Seen<'_>, complaints: &[Complaint]) -> Vec<AspectJudgement> {
    let judge = |&(aspect, ..): &(Aspect, &str, &str)| {
        let mut own: Vec<&Complaint> = complaints.iter().filter(|one| one.aspect == aspect).collect();
        own.sort_by_key(|one| !one.is_sure);
        let Some(first) = own.first() else { return unaccused(seen, aspect) };
        if !first.is_sure {
            // Why it cannot be told, where that is known: the first sentence has said the rest.
            let why = unaccused(seen, aspect);
            if why.judgement == Judgement::CannotBeTold {
                return why;
            }
        }
        let judgement = if first.is_sure { Judgement::Wrong } else { Judgement::CannotBeTold };
        let alike: Vec<&Complaint> = own.iter().filter(|one| one.is_sure == first.is_sure).copied().collect();
        AspectJudgement::new(aspect, judgement, sentence(&first.text)).of(numbers(&alike), limits(&alike))
    };
    Aspect::NAMES.iter().map(judge).collect()
}

/// The numbers of all complaints about an aspect.
fn numbers(complaints: &[&Complaint]) -> String {
    let numbers: Vec<&str> =
        complaints.iter().map(|one| one.number.as_str()).filter(|number| !number.is_empty()).collect();
    numbers.join(", ")
}

/// What would be right for all of them.
fn limits(complaints: &[&Complaint]) -> String {
    let mut limits: Vec<&str> =
        complaints.iter().map(|one| one.limit.as_str()).filter(|limit| !limit.is_empty()).collect();
    limits.dedup();
    if limits.len() > 1 && limits.iter().all(|limit| limit.starts_with("0 ")) {
        return "0 of each".to_owned();
    }
    limits.join(", ")
}

/// What is judged of an aspect that nobody complains of. A clean bill needs evidence as much as a complaint.
fn unaccused(seen: &Seen<'_>, aspect: Aspect) -> AspectJudgement {
    match aspect {
        Aspect::Motion => motion(seen),
        Aspect::Order => {
            let none = "0 frames out of order";
            right_if_judged(seen, aspect, "No picture comes back after another one.", [none, none])
        }
        Aspect::Mixing => {
            let none = "0 frames mixed";
            right_if_judged(seen, aspect, "No frame is found to mix two pictures.", [none, none])
        }
        Aspect::Fields => fields(seen),
        Aspect::Levels | Aspect::Geometry => beside_clip(seen, aspect),
        Aspect::Timing => timing(seen),
    }
}

/// Right, with why, a number and its limit; or that the recording does not tell, and then no number.
fn right_if_judged(
    seen: &Seen<'_>,
    aspect: Aspect,
    why: &str,
    [number, limit]: [&str; 2],
) -> AspectJudgement {
    let cannot = |why: &str| AspectJudgement::new(aspect, Judgement::CannotBeTold, why);
    if nothing_to_judge(seen.case).is_some() {
        return cannot("Too little moves to tell.");
    }
    if is_unsure(seen.case) {
        return cannot("New and repeated pictures hardly differ in this recording.");
    }
    AspectJudgement::new(aspect, Judgement::Right, why).of(number, limit)
}

fn motion(seen: &Seen<'_>) -> AspectJudgement {
    let case = seen.case;
    let rate = |hz: f64| format!("{} new pictures/s", hz_text(hz));
    let found = case.cadence.motion.motion_rate_hz.map(rate).unwrap_or_default();
    let clip = case.played.rate.filter(|_| !matches!(seen.expected, Some(Expectation::Contradicted { .. })));
    let limit = clip.map(|clip| rate(clip.hz())).unwrap_or_default();
    let cannot = |text: String| AspectJudgement::new(Aspect::Motion, Judgement::CannotBeTold, text);
    if nothing_to_judge(case).is_some() {
        return cannot("Too little moves to tell.".to_owned());
    }
    if case.played.summary.is_none() && is_mixing(case) {
        let text = "Every mix counts as a new picture, so that nothing tells whether each picture of the clip comes.";
        return cannot(text.to_owned()).of(found, limit);
    }
    let Some(pattern) = &case.cadence.pattern else {
        return cannot("No cadence repeats, so that nothing says how even the motion should be.".to_owned())
            .of(found, limit);
    };
    match shown_so_often(case) {
        Some(often) if case.played.summary.is_none() && clip.is_none() => {
            let text = format!("Every picture is shown {often}; whether the clip holds more is not known.");
            return cannot(text).of(found, "");
        }
        _ => {}
    }
    if is_unusual(seen) {
        let text = format!(
            "Pictures repeat in cadence {}; whether the clip holds more is not known.",
            pattern.label()
        );
        return cannot(text).of(found, "");
    }
    let unsure = case.unsure_holds();
    let text = match unsure {
        0 => format!("The motion is even: cadence {} throughout.", pattern.label()),
        unsure => format!(
            "The motion is even as far as the calls are sure; {} may not be.",
            counted(unsure, "picture")
        ),
    };
    right_if_judged(seen, Aspect::Motion, &text, [&found, &limit])
}

/// Whether so many frames are mixes that the rate of new pictures says little.
fn is_mixing(case: &Case<'_>) -> bool {
    /// Share of the frames. Choice: what single lost pictures leave behind is far less.
    const SHARE: f64 = 0.05;
    count_flagged(case.frames, FrameFlags::BLEND) as f64 > SHARE * case.frames.len() as f64
}

fn fields(seen: &Seen<'_>) -> AspectJudgement {
    let case = seen.case;
    // Whole pictures of the clip were found in the frames.
    let by_clip =
        case.played.summary.is_some_and(|summary| summary.by_field.is_none() && summary.counts.shown > 0);
    if !by_clip && may_hide_fields(case.rows) && nothing_to_judge(case).is_none() {
        let text = format!(
            "No comb is found; in pictures of {} rows, which may have been made smaller, none would show.",
            case.rows
        );
        return AspectJudgement::new(Aspect::Fields, Judgement::CannotBeTold, text);
    }
    let none = "0 frames combed or of one field";
    let why = "No frame is found combed or rebuilt from one field.";
    right_if_judged(seen, Aspect::Fields, why, [none, none])
}

/// Levels or geometry that nothing is found wrong with.
fn beside_clip(seen: &Seen<'_>, aspect: Aspect) -> AspectJudgement {
    let played = seen.case.played;
    let Some(picture) = played.picture.filter(|picture| picture.measures.is_some()) else {
        return if played.picture.is_some() || played.summary.is_some() {
            let text = "Too little of the clip shows, or it cannot be read once more.";
            AspectJudgement::new(aspect, Judgement::CannotBeTold, text)
        } else {
            let text = "That needs the clip (--reference) or the test clip’s marks.";
            AspectJudgement::new(aspect, Judgement::NotTested, text)
        };
    };
    let bill = if aspect == Aspect::Levels { picture.levels_bill() } else { picture.geometry_bill() };
    match bill {
        Some(Bill { text, number, limit }) => {
            AspectJudgement::new(aspect, Judgement::Right, text).of(number, limit)
        }
        None => AspectJudgement::new(
            aspect,
            Judgement::CannotBeTold,
            "The pictures do not tell it closely enough.",
        ),
    }
}

fn timing(seen: &Seen<'_>) -> AspectJudgement {
    if !seen.case.times.measured {
        let text = "The recording has no times of its own: nothing tells whether the recorder lost frames.";
        return AspectJudgement::new(Aspect::Timing, Judgement::CannotBeTold, text);
    }
    let uneven = seen.findings.iter().find(|one| one.kind == FindingKind::UnevenTimestamps);
    let text = match uneven {
        None => "The recorder lost no frame, and its times are even.".to_owned(),
        Some(finding) => format!("The recorder lost no frame; {}.", finding.text),
    };
    AspectJudgement::new(Aspect::Timing, Judgement::Right, text).of("recorder lost 0 frames", "")
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn tables_stand_in_the_order_of_their_enumerations() {
        for (place, (aspect, name, _)) in Aspect::NAMES.into_iter().enumerate() {
            assert_eq!((aspect as usize, Aspect::from_name(name)), (place, Some(aspect)));
        }
        for (place, (judgement, name, _)) in Judgement::NAMES.into_iter().enumerate() {
            assert_eq!((judgement as usize, Judgement::from_name(name)), (place, Some(judgement)));
        }
    }
}
