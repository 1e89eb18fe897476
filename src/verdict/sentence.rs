//! The verdict: what was delivered, what moved, what is wrong, what it rests on.

use crate::classify::{count_flagged, Evidence, FrameClass, FrameFlags};
use crate::note::{Note, NoteCode};
use crate::source::Drift;
use crate::units::hz_text;

use super::expectation::expectation;
use super::findings::{constant_hold, counted, never_appeared, repeats_in_pattern, units};
use super::{Case, Finding, FindingKind, Severity};
use crate::fields::OutcomeCode;

/// One part in this many of mixes is enough to be said first. Choice.
const MIXED_PART: u64 = 10;

/// A drift is said where it is this many standard errors from none.
const DRIFT_ERRORS: f64 = 3.0;

/// Smallest drift that is said, ppm: less is none as it is written.
const DRIFT_MIN_PPM: f64 = 0.05;

/// Confidence below which a call is unsure.
const UNSURE_BELOW: f32 = 0.9;

/// One part in this many of unsure calls weakens the verdict enough to be said. Choice.
const UNSURE_PART: usize = 10;

/// The verdict in plain sentences, most important first.
pub(super) fn verdict(case: &Case<'_>, findings: &[Finding], complete: bool) -> String {
    let mut sentences = vec![motion(case, findings)];
    sentences.extend(expected(case, findings));
    sentences.extend(against_clip(case));
    sentences.extend(fields(case));
    sentences.extend(faults(findings));
    sentences.extend(unsure(case));
    sentences.extend(still(case));
    sentences.extend(proof(case));
    if !complete {
        sentences.push("The recording was not read whole: this holds for the part that was.".to_owned());
    }
    sentences.join(" ")
}

/// What the rate that the clip is said to have comes to, where the first sentence does not say it.
fn expected(case: &Case<'_>, findings: &[Finding]) -> Option<String> {
    let expected = expectation(case.frames, case.cadence, case.played)?;
    let said = findings.iter().any(|finding| finding.kind == FindingKind::HalfRateMotion);
    let missing = || expected.missing_text().filter(|_| !said && expected.missing_pictures() > Some(0));
    expected.contradiction().or_else(|| as_sentence(&missing()?))
}

/// What the clip that was played says.
fn against_clip(case: &Case<'_>) -> Option<String> {
    let summary = case.played.summary?;
    let (first, last) = (summary.first?, summary.last?);
    let mut text =
        format!("Against the clip, {}s {first} to {last}: {}", units(summary), never_appeared(summary));
    if summary.counts.only_mixed > 0 {
        text += &format!(", {} only within mixes", summary.counts.only_mixed);
    }
    if summary.counts.ambiguous > 0 {
        text += &format!(", {} cannot be told from others that look alike", summary.counts.ambiguous);
    }
    let tells = |drift: &Drift| drift.ppm.abs() > (DRIFT_ERRORS * drift.error_ppm).max(DRIFT_MIN_PPM);
    if let Some(drift) = summary.drift.filter(tells) {
        let pace = if drift.ppm > 0.0 { "slower" } else { "faster" };
        text += &format!("; the device plays {:.1} ± {:.1} ppm {pace}", drift.ppm.abs(), drift.error_ppm);
    }
    if summary.unknown_frames > 0 {
        text += &format!("; {} nothing of it", frames_show(summary.unknown_frames));
    }
    Some(format!("{text}."))
}

/// `1 frame shows`, `3 frames show`.
fn frames_show(count: u64) -> String {
    format!("{} {}", counted(count, "frame"), if count == 1 { "shows" } else { "show" })
}

/// Why nothing can be said, if nothing can.
fn nothing_to_judge(case: &Case<'_>) -> Option<String> {
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
        return Some(format!(
            "Nothing to judge: the picture never changes in {} ({:.2} s), so nothing tells whether the device repeats.",
            counted(frames, "frame"),
            case.seconds(frames - 1) + case.times.delivered_rate.period_ms() / 1000.0
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

/// Delivered rate, motion rate and pattern.
fn motion(case: &Case<'_>, findings: &[Finding]) -> String {
    if let Some(sentence) = nothing_to_judge(case) {
        return sentence;
    }
    if let Some(half) = findings.iter().find(|finding| finding.kind == FindingKind::HalfRateMotion) {
        return format!("{}.", half.text);
    }
    let motion = &case.cadence.motion;
    let rates = format!(
        "{} frames/s delivered, {} new pictures/s",
        hz_text(motion.delivered_rate_hz),
        hz_text(motion.motion_rate_hz.unwrap_or_default())
    );
    let Some(pattern) = &case.cadence.pattern else {
        return format!(
            "{rates}: no repeating pattern ({} new, {} repeated of {} judged frames).",
            motion.new_frames, motion.repeat_frames, motion.judged_frames
        );
    };
    if constant_hold(case.cadence) == Some(1) {
        let (judged, repeats) = (motion.judged_frames, motion.repeat_frames);
        let share = if repeats == 0 {
            "every frame shows a new picture"
        } else {
            "nearly every frame shows a new picture"
        };
        let mixes = count_flagged(case.frames, FrameFlags::BLEND) as u64;
        if mixes > judged / MIXED_PART {
            return format!(
                "{rates}, but {mixes} of {judged} are mixes of two pictures and none of their own: every frame differs \
                 from the one before and few show what the clip holds."
            );
        }
        return format!("{rates}: {share} ({} of {judged}).", judged - repeats);
    }
    let (in_pattern, places) = match constant_hold(case.cadence) {
        Some(hold) => repeats_in_pattern(case, hold),
        None => (0, 0),
    };
    let detail = if places > 0 { format!(", {in_pattern} of {places}") } else { String::new() };
    format!(
        "{rates} in cadence {} ({:.1} % of the judged frames follow it{detail}).",
        pattern.label(),
        100.0 * case.cadence.coverage
    )
}

/// One sentence with the count and the worst text of every kind at or above warning.
fn faults(findings: &[Finding]) -> Option<String> {
    let mut parts = Vec::new();
    for (kind, name) in FindingKind::NAMES {
        if kind == FindingKind::HalfRateMotion {
            continue;
        }
        let of_kind: Vec<&Finding> = findings
            .iter()
            .filter(|finding| finding.kind == kind && finding.severity >= Severity::Warning)
            .collect();
        let Some(worst) =
            of_kind.iter().max_by_key(|finding| (finding.count, finding.last_frame - finding.first_frame))
        else {
            continue;
        };
        let times =
            if of_kind.len() > 1 { format!("{} times, worst at", of_kind.len()) } else { "at".to_owned() };
        parts.push(format!("{} {times} {:.3} s: {}", name.replace('-', " "), worst.time_s, worst.text));
    }
    if parts.is_empty() {
        return None;
    }
    as_sentence(&parts.join("; "))
}

/// With a capital and a full stop.
fn as_sentence(text: &str) -> Option<String> {
    let mut letters = text.chars();
    let first = letters.next()?.to_uppercase().to_string();
    Some(format!("{first}{}.", letters.as_str()))
}

/// What became of the clip's fields, where it is more than rates and cadence say already.
fn fields(case: &Case<'_>) -> Option<String> {
    use OutcomeCode::{EveryFieldAPicture, FilmRestored, HalfRate};
    let outcome = case.outcome?;
    let said = matches!(outcome.code, EveryFieldAPicture | HalfRate | FilmRestored);
    (!said && nothing_to_judge(case).is_none()).then(|| as_sentence(&outcome.text)).flatten()
}

/// How many calls are unsure, where they are many.
fn unsure(case: &Case<'_>) -> Option<String> {
    let total = case.frames.len();
    let unsure = case.frames.iter().filter(|frame| frame.confidence < UNSURE_BELOW).count();
    (unsure * UNSURE_PART > total).then(|| {
        format!("{unsure} of {total} calls are unsure: new and repeated pictures hardly differ in this recording.")
    })
}

/// What stood still and was not judged.
fn still(case: &Case<'_>) -> Option<String> {
    let still = case.cadence.motion.still_frames;
    if still == 0 || case.cadence.motion.new_frames <= 1 {
        return None;
    }
    Some(format!(
        "{} stood still and {} not judged.",
        counted(still, "frame"),
        if still == 1 { "was" } else { "were" }
    ))
}

/// How the repeats are proven.
fn proof(case: &Case<'_>) -> Option<String> {
    let repeats = case.frames.iter().filter(|frame| frame.class == FrameClass::Repeat);
    let (mut total, mut identical) = (0u64, 0u64);
    for frame in repeats {
        total += 1;
        identical += u64::from(frame.evidence == Evidence::Digest);
    }
    if total == 0 {
        return None;
    }
    Some(match identical {
        0 => format!("All {total} repeats were told by measure: the recording is not lossless."),
        all if all == total => format!("All {total} repeats are identical to the last bit."),
        _ => format!(
            "{identical} of {total} repeats are identical to the last bit, the others were told by measure."
        ),
    })
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
                "{} longer or shorter than the cadence asks by unsure calls only, so no finding is made of them. A \
                 lossless recording would settle it.",
                counted(unsure, "hold")
            ),
        ));
    }
    let half_rate =
        findings.iter().any(|f| f.kind == FindingKind::HalfRateMotion && f.severity == Severity::Warning);
    if half_rate && case.played.rate.is_none() {
        notes.push(Note::new(
            NoteCode::SourceAssumed,
            "The recording shows how many pictures arrived, not how many the clip holds. Give the clip's rate with \
             --source-rate to have the missing share named.",
        ));
    }
    notes
}
