//! What a viewer would complain of, in the order in which they would: one sentence each, with how often and how bad.

use super::expectation::Expectation;
use super::findings::{constant_hold, units};
use super::picture::Found;
use super::{AgainstClip, Aspect, Case, Event, EventKind, Finding, FindingKind, Severity};
use crate::alignment::{Counts, SourceSummary};
use crate::classify::{count_flagged, FrameFlags};
use crate::interlace::OutcomeCode;
use crate::units::hz_text;
use crate::words::{counted, grouped, length, lower_first, percent, plural, times, verb};

/// One complaint.
#[derive(Clone, Debug, PartialEq)]
pub(super) struct Complaint {
    /// What it is about.
    pub aspect: Aspect,
    /// Whether it holds whatever the clip was.
    pub is_sure: bool,
    /// A sentence without its full stop.
    pub text: String,
    /// How much was found, with unit.
    pub number: String,
    /// What would be right, with unit; empty where nothing says it.
    pub limit: String,
}

/// What the complaints of a case are drawn from.
#[derive(Clone, Copy)]
pub(super) struct Seen<'a> {
    pub case: &'a Case<'a>,
    pub findings: &'a [Finding],
    pub events: &'a [Event],
    pub expected: Option<Expectation>,
}

/// Lengths of stalls that differ by no more than this part are said as one. Choice: a frame at the usual rates.
const ALIKE: f64 = 0.1;

/// Every complaint, in the order in which viewers have them.
pub(super) fn complaints(seen: &Seen<'_>) -> Vec<Complaint> {
    const ALL: [fn(&Seen<'_>) -> Vec<Complaint>; 9] =
        [half_rate, stalls, losses, order, mixing, fields, picture, uneven, recording];
    ALL.iter().flat_map(|complain| complain(seen)).collect()
}

impl<'a> Seen<'a> {
    fn events(&self, kind: EventKind) -> Vec<&'a Event> {
        self.events.iter().filter(|event| event.kind == kind && event.severity >= Severity::Warning).collect()
    }

    fn finding(&self, kind: FindingKind) -> Option<&Finding> {
        self.findings.iter().find(|one| one.kind == kind && one.severity >= Severity::Warning)
    }

    fn about(&self) -> &'static str {
        if self.case.played.summary.is_some() {
            ""
        } else {
            "about "
        }
    }

    /// `37 of 600 frames`, `all 600 frames`.
    fn frames_with(&self, flag: FrameFlags) -> String {
        let (some, all) = (count_flagged(self.case.frames, flag) as u64, self.case.frames.len() as u64);
        let frames = counted(all, "frame");
        if some == all && all > 1 {
            return format!("all {frames}");
        }
        format!("{} of {frames}", grouped(some))
    }
}

/// How often every picture is shown: `twice`, `3 times`; empty where no constant hold speaks for the capture.
pub(super) fn shown_so_often(case: &Case<'_>) -> Option<String> {
    constant_hold(case.cadence).filter(|&hold| hold >= 2).map(|hold| times(hold.into()))
}

/// A part of the motion in words: `Half of the motion is`, `17 % of the motion is`.
fn part_of_motion(share: f64) -> String {
    /// Nearer than a percent: single pictures more or less.
    const WITHIN: f64 = 0.01;
    let named = [
        (1.0 / 2.0, "Half of the motion is"),
        (1.0 / 3.0, "A third of the motion is"),
        (2.0 / 3.0, "Two thirds of the motion are"),
        (1.0 / 4.0, "A quarter of the motion is"),
        (3.0 / 4.0, "Three quarters of the motion are"),
    ];
    match named.into_iter().find(|(part, _)| (share - part).abs() < WITHIN) {
        Some((_, words)) => words.to_owned(),
        None => format!("{} of the motion is", percent(share)),
    }
}

/// The event of pictures that are missing from beginning to end.
fn steady_loss<'a>(seen: &Seen<'a>) -> Option<&'a Event> {
    seen.events(EventKind::HalfRate).first().copied().or_else(|| throughout_loss(seen))
}

/// Whether pictures are missing from beginning to end.
pub(super) fn is_missing_throughout(seen: &Seen<'_>) -> bool {
    steady_loss(seen).is_some()
}

/// Pictures that are missing steadily.
fn half_rate(seen: &Seen<'_>) -> Vec<Complaint> {
    let case = seen.case;
    let Some(event) = steady_loss(seen) else { return Vec::new() };
    let motion = &case.cadence.motion;
    let found = hz_text(motion.motion_rate_hz.unwrap_or_default());
    let delivered = hz_text(motion.delivered_rate_hz);
    let rates = format!("{found} new pictures/s in {delivered}");
    let by_clip = case.played.summary.map(|summary| {
        let missing = summary.counts.never_shown + summary.counts.only_mixed;
        // Of pictures that look like others nothing is known.
        missing as f64 / summary.pictures().saturating_sub(summary.counts.ambiguous).max(1) as f64
    });
    let by_rate = match seen.expected {
        Some(Expectation::Missing { share, .. }) => Some(share),
        _ => None,
    };
    let repeated = shown_so_often(case).map(|often| format!("every picture is shown {often} ({rates})"));
    let clip = case.played.rate.map(|rate| format!("{rate} new pictures/s")).unwrap_or_default();
    let complaint = |is_sure, text| Complaint {
        aspect: Aspect::Motion,
        is_sure,
        text,
        number: format!("{found} new pictures/s"),
        limit: clip.clone(),
    };
    let known = by_clip.or(by_rate);
    let how = repeated.clone().unwrap_or(rates.clone());
    vec![match known {
        Some(share) if event.severity == Severity::Fault => {
            complaint(true, format!("{} missing: {how}", part_of_motion(share)))
        }
        Some(_) => complaint(
            false,
            format!("Motion may be missing: {how}; pictures of the clip look too much alike"),
        ),
        None => {
            let often = constant_hold(case.cadence).unwrap_or(2).max(2);
            let share = 1.0 - 1.0 / f64::from(often);
            let text = format!(
                "{}: {} missing, unless the clip itself holds no more",
                crate::words::sentence(&how).trim_end_matches('.'),
                lower_first(&part_of_motion(share))
            );
            complaint(false, text)
        }
    }]
}

/// Pictures that are missing from beginning to end although nothing repeats steadily.
fn throughout_loss<'a>(seen: &Seen<'a>) -> Option<&'a Event> {
    let is_throughout = |event: &&Event| {
        event.kind == EventKind::Loss && event.first_frame == 0 && event.severity >= Severity::Warning
    };
    seen.events.iter().find(is_throughout)
}

/// `1 stall`, `3 stalls`, and what was lost in them.
fn stalls(seen: &Seen<'_>) -> Vec<Complaint> {
    let stalls = seen.events(EventKind::Stall);
    let longest = stalls.iter().map(|event| event.duration_ms).fold(0.0, f64::max);
    let shortest = stalls.iter().map(|event| event.duration_ms).fold(f64::INFINITY, f64::min);
    let lost: u64 = stalls.iter().map(|event| event.lost_pictures).sum();
    let count = stalls.len() as u64;
    if count == 0 {
        return Vec::new();
    }
    let up_to = if shortest < (1.0 - ALIKE) * longest { "up to " } else { "" };
    let each = if count > 1 && up_to.is_empty() { " each" } else { "" };
    let mut text = format!("Stalls {} for {up_to}{}{each}", times(count), length(longest));
    let mut number = counted(count, "stall");
    if lost > 0 {
        let pictures = counted(lost, "picture");
        text += &format!("; {}{pictures} {} lost", seen.about(), verb(lost, "are"));
        number += &format!(", {pictures} lost");
    }
    vec![Complaint { aspect: Aspect::Motion, is_sure: true, text, number, limit: "0 stalls".to_owned() }]
}

/// Pictures that are missing here and there.
fn losses(seen: &Seen<'_>) -> Vec<Complaint> {
    let losses: Vec<&Event> =
        seen.events(EventKind::Loss).into_iter().filter(|event| event.first_frame > 0).collect();
    let lost: u64 = losses.iter().map(|event| event.lost_pictures).sum();
    if lost == 0 {
        return Vec::new();
    }
    let places = losses.iter().map(|event| places_of_loss(seen.case, event).max(1)).sum();
    let places = match places {
        1 => format!("at {}", length(1000.0 * losses[0].time_s)),
        places => format!("in {}", counted(places, "place")),
    };
    vec![Complaint {
        aspect: Aspect::Motion,
        is_sure: true,
        text: format!("Loses {}{} {places}", seen.about(), counted(lost, "picture")),
        number: format!("{} lost", counted(lost, "picture")),
        limit: "0 pictures lost".to_owned(),
    }]
}

/// In how many places pictures are missing within an event.
fn places_of_loss(case: &Case<'_>, event: &Event) -> u64 {
    let frames = case.frames.get(event.first_frame as usize..=event.last_frame as usize).unwrap_or_default();
    count_flagged(frames, FrameFlags::AFTER_DROP) as u64
}

fn order(seen: &Seen<'_>) -> Vec<Complaint> {
    if seen.finding(FindingKind::OutOfOrder).is_none() {
        return Vec::new();
    }
    let frames = count_flagged(seen.case.frames, FrameFlags::OUT_OF_ORDER) as u64;
    vec![Complaint {
        aspect: Aspect::Order,
        is_sure: true,
        text: format!("Shows pictures out of order in {}", counted(frames, "frame")),
        number: format!("{} out of order", counted(frames, "frame")),
        limit: "0 frames".to_owned(),
    }]
}

fn mixing(seen: &Seen<'_>) -> Vec<Complaint> {
    if seen.finding(FindingKind::BlendedPictures).is_none() {
        return Vec::new();
    }
    let mixed = seen.frames_with(FrameFlags::BLEND);
    let mut found = vec![Complaint {
        aspect: Aspect::Mixing,
        is_sure: true,
        text: format!("Mixes two pictures in {mixed}"),
        number: format!("{mixed} mixed"),
        limit: "0 frames".to_owned(),
    }];
    found.extend(seen.case.played.summary.and_then(|summary| mixed_away(seen, summary)));
    found
}

/// Pictures of the clip that never appear by themselves where pictures are mixed: each frame is new, and the motion is not
/// the clip's all the same.
pub(super) fn mixed_away(seen: &Seen<'_>, summary: &SourceSummary) -> Option<Complaint> {
    /// Least share of the clip's pictures: mixes here and there take the place of few. Choice.
    const SHARE_MIN: f64 = 0.05;
    let Counts { never_shown, only_mixed, .. } = summary.counts;
    let all = summary.pictures();
    let is_many = never_shown as f64 >= SHARE_MIN * all as f64;
    is_many.then(|| {
        let number = format!("{} of {} missing", grouped(never_shown), counted(all, units(summary)));
        let within = match only_mixed {
            0 => String::new(),
            some => format!(", {} {} only within mixes", grouped(some), verb(some, "appear")),
        };
        let never = grouped(never_shown);
        Complaint {
            aspect: Aspect::Motion,
            is_sure: true,
            text: format!(
                "{never} of {} of the clip never {}{within}",
                counted(all, units(summary)),
                verb(never_shown, "appear")
            ),
            number,
            limit: format!("0 {} missing", units_of(seen.case, 0)),
        }
    })
}

/// What is wrong with the fields, by the findings and by what became of them.
fn fields(seen: &Seen<'_>) -> Vec<Complaint> {
    let complaint = |text: String, number: String| Complaint {
        aspect: Aspect::Fields,
        is_sure: true,
        text,
        number,
        limit: "0 frames".to_owned(),
    };
    let mut found = Vec::new();
    if seen.finding(FindingKind::FieldOrderSwapped).is_some() {
        found.push(complaint(
            "Shows the fields in the wrong order: the motion steps forth and back".to_owned(),
            "swapped".to_owned(),
        ));
    }
    let combed = seen.frames_with(FrameFlags::COMBED);
    if seen.finding(FindingKind::CombedPictures).is_some() {
        let text = format!("Weaves two moments into one picture in {combed}: edges that move are combed");
        found.push(complaint(text, combed));
    }
    let one_field = seen.frames_with(FrameFlags::ONE_FIELD);
    if seen.finding(FindingKind::OneFieldPictures).is_some() {
        let text = format!("Shows one field only in {one_field}: half of the vertical detail is lost");
        found.push(complaint(text, one_field));
    }
    let outcome = seen.case.outcome.filter(|outcome| found.is_empty() && !is_right(outcome.code));
    found.extend(outcome.map(|outcome| {
        let frames = outcome.last_frame - outcome.first_frame + 1;
        complaint(
            crate::words::sentence(&outcome.text).trim_end_matches('.').to_owned(),
            counted(frames, "frame"),
        )
    }));
    found
}

/// Whether an outcome is nothing to complain of in the fields; what it costs in motion is said there.
fn is_right(code: OutcomeCode) -> bool {
    match code {
        OutcomeCode::EveryFieldAPicture
        | OutcomeCode::HalfRate
        | OutcomeCode::Interlaced
        | OutcomeCode::FilmRestored
        // Mixes are told as mixes, combs of film as combs.
        | OutcomeCode::AveragedFields
        | OutcomeCode::FilmPulldown => true,
        OutcomeCode::CombedHalfRate
        | OutcomeCode::OneField
        | OutcomeCode::LineBobbing
        | OutcomeCode::SwappedFields
        | OutcomeCode::FilmLockLost
        | OutcomeCode::ChromaCombing => false,
    }
}

/// Holds that leave the cadence without a stall or a loss, and clocks that part.
fn uneven(seen: &Seen<'_>) -> Vec<Complaint> {
    let of_motion =
        |text, number, limit| Complaint { aspect: Aspect::Motion, is_sure: true, text, number, limit };
    let uneven = seen.events(EventKind::UnevenHold);
    let numbers: Vec<u32> = uneven.iter().map(|event| event.number).collect();
    let breaks: u64 = seen
        .findings
        .iter()
        .filter(|one| one.event.is_some_and(|event| numbers.contains(&event)))
        .map(|one| one.count)
        .sum();
    let mut found = Vec::new();
    if breaks > 0 {
        let label = seen.case.cadence.pattern.as_ref().map(|pattern| pattern.label()).unwrap_or_default();
        found.push(of_motion(
            format!(
                "Stutters {}: a picture stays longer or shorter than the cadence {label} asks",
                times(breaks)
            ),
            format!("{} of the cadence", counted(breaks, "break")),
            "0 breaks".to_owned(),
        ));
    }
    if let Some(slip) = seen.case.cadence.slip.as_ref().filter(|_| !seen.events(EventKind::Slip).is_empty()) {
        let pair = slip.rate_pair.as_ref().map(|pair| format!(" ({pair})")).unwrap_or_default();
        let every = length(1000.0 * slip.interval_s);
        let slips = slip.frames.len() as u64;
        found.push(of_motion(
            format!("Slips by one frame every {every}, {}: two clocks differ{pair}", times(slips)),
            format!("1 slip in {every}"),
            "1 slip in 834 s".to_owned(),
        ));
    }
    found
}

/// Levels, colours and the place of the picture: their findings say it themselves.
fn picture(seen: &Seen<'_>) -> Vec<Complaint> {
    let measured: Vec<Found> = seen.case.played.picture.iter().flat_map(AgainstClip::found).collect();
    let complaint = |finding: &Finding| {
        let found = measured.iter().find(|one| one.kind == finding.kind);
        let (number, limit) = found.map(|one| (one.number.clone(), one.limit.clone())).unwrap_or_default();
        Complaint {
            aspect: finding.kind.aspect(),
            is_sure: true,
            text: crate::words::sentence(&finding.text).trim_end_matches('.').to_owned(),
            number,
            limit,
        }
    };
    let of_picture = |one: &&Finding| matches!(one.kind.event(), EventKind::Levels | EventKind::Geometry);
    let is_wrong = |one: &&Finding| one.severity >= Severity::Warning;
    seen.findings.iter().filter(of_picture).filter(is_wrong).map(complaint).collect()
}

/// What is wrong with the recording itself.
fn recording(seen: &Seen<'_>) -> Vec<Complaint> {
    let of_timing = |text, number, limit: &str| Complaint {
        aspect: Aspect::Timing,
        is_sure: true,
        text,
        number,
        limit: limit.to_owned(),
    };
    let sum = |kind: FindingKind| -> u64 {
        let of_kind = |one: &&Finding| one.kind == kind && one.severity >= Severity::Warning;
        seen.findings.iter().filter(of_kind).map(|one| one.count).sum()
    };
    let mut found = Vec::new();
    let (lost, backwards) = (sum(FindingKind::CaptureGap), sum(FindingKind::UnevenTimestamps));
    if lost > 0 {
        let text = format!(
            "The recorder lost {}: what the device showed there is not known",
            counted(lost, "frame")
        );
        found.push(of_timing(text, format!("recorder lost {}", counted(lost, "frame")), "0 frames"));
    }
    if backwards > 0 {
        let stamps = counted(backwards, "timestamp");
        let (stand, times) = (verb(backwards, "stand"), verb(backwards, "run"));
        let text = format!("{stamps} of the recording {stand} still or {times} backwards");
        found.push(of_timing(text, stamps, "0 timestamps"));
    }
    found
}

/// What the numbers of a summary count: `picture` or `field`, as many as `count`.
pub(super) fn units_of(case: &Case<'_>, count: u64) -> String {
    plural(count, case.played.summary.map_or("picture", units))
}
