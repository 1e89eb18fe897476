//! The verdict: what is wrong, what that rests on, what cannot be told.

use crate::alignment::SourceSummary;
use crate::classify::{count_flagged, ClassifiedFrame, Evidence, FrameClass, FrameFlags};
use crate::note::{Note, NoteCode};
use crate::units::{hz_text, Rate};

use super::complaint::{is_missing_throughout, mixed_away, shown_so_often, units_of, Complaint, Seen};
use super::expectation::Expectation;
use super::findings::{constant_hold, missing_of, one_field_only, parts_of};
use super::{Aspect, Case, Finding, FindingKind, Severity};
use crate::words::{counted, grouped, length, listed, sentence, verb};

/// A rate is a standard one within this fraction: half of what 23.976 and 24 differ by. Choice.
const STANDARD_WITHIN: f64 = 0.0005;

/// Confidence below which a call is unsure.
const UNSURE_BELOW: f32 = 0.9;

/// One part in this many of unsure calls weakens the verdict enough to be said. Choice.
const UNSURE_PART: usize = 10;

/// The first sentence: the worst that a viewer would complain of; where there is nothing, that and why.
pub(super) fn headline(seen: &Seen<'_>, complaints: &[Complaint]) -> String {
    if let Some(nothing) = nothing_to_judge(seen.case) {
        return nothing;
    }
    match main_complaint(complaints) {
        Some(complaint) => sentence(&complaint.text),
        None => clean(seen),
    }
}

/// The complaint that comes first: a sure one of the device before one that depends on the clip. What is wrong with the
/// recording is no fault of the device.
fn main_complaint(complaints: &[Complaint]) -> Option<&Complaint> {
    let of_device = || complaints.iter().filter(|one| one.aspect != Aspect::Timing);
    of_device().find(|one| one.is_sure).or_else(|| of_device().next())
}

/// The verdict in plain sentences: the headline, what else is wrong, what it rests on, what cannot be told.
pub(super) fn verdict(seen: &Seen<'_>, complaints: &[Complaint], headline: &str, complete: bool) -> String {
    let mut sentences = vec![headline.to_owned()];
    sentences.extend(others(complaints));
    sentences.extend(seen.expected.and_then(Expectation::contradiction));
    if nothing_to_judge(seen.case).is_none() {
        sentences.extend(clip_evidence(seen, complaints));
        sentences.push(evidence(seen.case));
        sentences.extend(cannot_be_told(seen, complaints));
    }
    if !complete {
        sentences.push("The recording was not read whole: this holds for the part that was.".to_owned());
    }
    sentences.join(" ")
}

/// All complaints but the first, each a sentence.
fn others(complaints: &[Complaint]) -> impl Iterator<Item = String> + '_ {
    let main = main_complaint(complaints);
    complaints.iter().filter(move |one| main != Some(*one)).map(|one| sentence(&one.text))
}

/// Why nothing can be said, if nothing can.
pub(super) fn nothing_to_judge(case: &Case<'_>) -> Option<String> {
    let frames = case.frames.len() as u64;
    let new_frames = case.cadence.motion.new_frames;
    if frames == 0 {
        return Some("Nothing to judge: the recording holds no frame.".to_owned());
    }
    if frames < 3 {
        return Some(format!(
            "Nothing to judge: {} in the recording, at least 3 are needed.",
            counted(frames, "frame")
        ));
    }
    if new_frames <= 1 {
        let seconds = case.seconds(frames - 1) + case.times.delivered_rate.period_ms() / 1000.0;
        return Some(format!(
            "Nothing to judge: the picture never changes in {} ({}).",
            counted(frames, "frame"),
            length(1000.0 * seconds)
        ));
    }
    if case.cadence.motion.motion_rate_hz.is_none() {
        return Some(format!(
            "Nothing to judge: only {} in {}, too few to tell a cadence.",
            counted(new_frames, "new picture"),
            counted(frames, "frame")
        ));
    }
    None
}

/// What is said where nobody complains.
fn clean(seen: &Seen<'_>) -> String {
    let case = seen.case;
    if is_unsure(case) {
        return "Cannot be told: new and repeated pictures hardly differ in this recording.".to_owned();
    }
    let motion = &case.cadence.motion;
    let found = hz_text(motion.motion_rate_hz.unwrap_or_default());
    let delivered = hz_text(motion.delivered_rate_hz);
    let Some(pattern) = &case.cadence.pattern else {
        return format!(
            "No fault is found, and no steady cadence either: {found} new pictures/s in {delivered}."
        );
    };
    if constant_hold(case.cadence) == Some(1) {
        let (judged, repeats) = (motion.judged_frames, motion.repeat_frames);
        if repeats == 0 {
            return format!("No fault is found: every frame shows a new picture ({found} per second).");
        }
        return format!(
            "No fault is found: {} of {} show a new picture ({found} per second).",
            grouped(judged - repeats),
            counted(judged, "frame")
        );
    }
    let rates = format!("{found} new pictures/s in {delivered}");
    if is_unusual(seen) {
        return format!(
            "Pictures repeat in cadence {} ({rates}), unless the clip itself holds no more.",
            pattern.label()
        );
    }
    let whole = match (case.played.summary, seen.expected) {
        (Some(summary), _) if summary.counts.never_shown == 0 => ", as many as the clip holds",
        (_, Some(Expectation::Whole(_))) => ", as many as the clip holds",
        _ => "",
    };
    match shown_so_often(case) {
        Some(often) => format!("No fault is found: every picture is shown {often} ({rates}{whole})."),
        None => format!("No fault is found: {rates}{whole}, evenly in cadence {}.", pattern.label()),
    }
}

/// Whether pictures repeat, the clip is not known, and no clip is known to hold so many per second: then nothing says that
/// the device is right.
pub(super) fn is_unusual(seen: &Seen<'_>) -> bool {
    let known = seen.case.played.summary.is_some() || matches!(seen.expected, Some(Expectation::Whole(_)));
    let rate = seen.case.cadence.motion.motion_rate_hz;
    let is_standard = rate.is_some_and(|hz| Rate::nearest_standard(hz, STANDARD_WITHIN).is_some());
    !known && !is_standard && constant_hold(seen.case.cadence) != Some(1)
}

/// What frames the verdict rests on, in one sentence.
fn evidence(case: &Case<'_>) -> String {
    let motion = &case.cadence.motion;
    let repeats = case.frames.iter().filter(|frame| frame.class == FrameClass::Repeat);
    let (total, identical) = repeats.fold((0u64, 0u64), |(total, identical), frame| {
        (total + 1, identical + u64::from(frame.evidence == Evidence::Digest))
    });
    let proof = match (total, identical) {
        (0, _) => String::new(),
        (total, 0) => {
            format!(" and {} {} one, told by how little they change", grouped(total), verb(total, "repeat"))
        }
        (total, all) if total == all => {
            format!(" and {} {} one bit for bit", grouped(total), verb(total, "repeat"))
        }
        (total, identical) => format!(
            " and {} {} one, {} of them bit for bit, the others told by how little they change",
            grouped(total),
            verb(total, "repeat"),
            grouped(identical)
        ),
    };
    let new_mix =
        |frame: &&ClassifiedFrame| frame.class == FrameClass::New && frame.flags.contains(FrameFlags::BLEND);
    let mixes = case.frames.iter().filter(new_mix).count() as u64;
    // A mix differs from the frame before it, and is no picture of the clip all the same.
    let mixes = if mixes > 0 { format!(", {} of them a mix of two", grouped(mixes)) } else { String::new() };
    format!(
        "{} of {} {} a new picture{mixes}{proof}.",
        grouped(motion.new_frames),
        counted(case.frames.len() as u64, "frame"),
        verb(motion.new_frames, "show")
    )
}

/// What became of the clip's pictures, where any is known and no complaint has said it.
fn said_by_evidence<'a>(seen: &Seen<'a>, complaints: &[Complaint]) -> Option<&'a SourceSummary> {
    let summary = seen.case.played.summary.filter(|summary| summary.first.is_some())?;
    let is_said = mixed_away(seen, summary).is_some_and(|said| complaints.contains(&said));
    (!is_said).then_some(summary)
}

/// Whether pictures that look like others are one of the parts that make the whole clip.
fn has_parts(seen: &Seen<'_>, summary: &SourceSummary) -> bool {
    summary.counts.ambiguous > 0 && open_losses(seen) == 0 && one_field_only(summary).is_none()
}

/// How many of the clip's pictures are missing.
fn clip_evidence(seen: &Seen<'_>, complaints: &[Complaint]) -> Option<String> {
    let summary = said_by_evidence(seen, complaints)?;
    let mixed = match summary.counts.only_mixed {
        0 => String::new(),
        count => format!(", {} only {} within mixes", grouped(count), verb(count, "appear")),
    };
    let missing = summary.counts.never_shown - open_losses(seen);
    let never = match one_field_only(summary) {
        Some(one_field) => one_field,
        None if has_parts(seen, summary) => parts_of(summary, missing),
        None => missing_of(summary, missing),
    };
    Some(sentence(&format!("{never}{mixed}")))
}

/// Pictures that no frame shows although none is surely lost there: in a lossy recording a frame may show one early or late.
/// Where pictures are missing throughout or mixed, every one of them is.
fn open_losses(seen: &Seen<'_>) -> u64 {
    let case = seen.case;
    let Some(summary) = case.played.summary else { return 0 };
    let is_counted = is_missing_throughout(seen) || count_flagged(case.frames, FrameFlags::BLEND) > 0;
    if is_counted || one_field_only(summary).is_some() {
        return 0;
    }
    let lost: u64 = case.frames.iter().map(|frame| u64::from(frame.lost_before)).sum();
    summary.counts.never_shown.saturating_sub(lost)
}

/// What the recording does not tell, in one sentence.
fn cannot_be_told(seen: &Seen<'_>, complaints: &[Complaint]) -> Option<String> {
    let case = seen.case;
    let mut parts = Vec::new();
    if is_unsure(case) {
        let unsure = unsure_calls(case) as u64;
        let verb = verb(unsure, "are");
        let frames = counted(case.frames.len() as u64, "frame");
        parts.push(format!("whether {} of {frames} {verb} new or repeated", grouped(unsure)));
    }
    let open = open_losses(seen);
    if open > 0 {
        let noun = format!("{} of the clip", units_of(case, open));
        parts.push(format!("whether {} {noun} {} missing", grouped(open), verb(open, "are")));
    }
    let holds = case.unsure_holds();
    if holds > 0 {
        parts.push(format!(
            "whether {} {} out of the cadence",
            counted(holds, "more picture"),
            verb(holds, "are")
        ));
    }
    let still = case.cadence.motion.still_frames;
    if still > 0 && case.cadence.motion.new_frames > 1 && case.played.summary.is_none() {
        parts.push(format!(
            "whether {} {} or the clip stands still there",
            counted(still, "still frame"),
            verb(still, "are") + " frozen"
        ));
    }
    let is_said = said_by_evidence(seen, complaints).is_some_and(|summary| has_parts(seen, summary));
    let alike = case.played.summary.filter(|summary| summary.counts.ambiguous > 0 && !is_said);
    if let Some(summary) = alike {
        let count = summary.counts.ambiguous;
        parts.push(format!(
            "whether {} {} of the clip that {} like others {}",
            grouped(count),
            units_of(case, count),
            verb(count, "look"),
            verb(count, "appear")
        ));
    }
    let known = case.played.summary.is_some() || seen.expected.is_some();
    if !known {
        parts.push("what the clip holds (it was not given)".to_owned());
    }
    if !case.times.measured {
        parts.push("what the recorder lost (the recording has no times of its own)".to_owned());
    }
    (!parts.is_empty()).then(|| format!("Cannot be told: {}.", listed(&parts)))
}

/// How many calls are unsure.
fn unsure_calls(case: &Case<'_>) -> usize {
    case.frames.iter().filter(|frame| frame.confidence < UNSURE_BELOW).count()
}

/// Whether so many calls are unsure that the whole is.
pub(super) fn is_unsure(case: &Case<'_>) -> bool {
    unsure_calls(case) * UNSURE_PART > case.frames.len()
}

/// Caveats that belong to the verdict.
pub(super) fn notes(case: &Case<'_>, findings: &[Finding]) -> Vec<Note> {
    let mut notes = Vec::new();
    if nothing_to_judge(case).is_some() {
        notes.push(Note::new(
            NoteCode::NothingToJudge,
            "Too little moves to judge a cadence. Record a stretch of the clip with motion.",
        ));
    }
    let unsure = case.unsure_holds();
    if unsure > 0 {
        notes.push(Note::new(
            NoteCode::NoisyMeasure,
            format!(
                "{} longer or shorter than the cadence asks, but by unsure calls. No finding is made of {}. A lossless \
                 recording would settle it.",
                counted(unsure, "picture") + if unsure == 1 { " stays" } else { " stay" },
                if unsure == 1 { "it" } else { "them" },
            ),
        ));
    }
    let half_rate =
        findings.iter().any(|f| f.kind == FindingKind::HalfRateMotion && f.severity == Severity::Warning);
    if half_rate && case.played.rate.is_none() {
        notes.push(Note::new(
            NoteCode::SourceAssumed,
            "The recording shows how many pictures arrive, not how many the clip holds. Give the clip's rate with \
             --clip-rate to have the missing part named.",
        ));
    }
    notes
}
