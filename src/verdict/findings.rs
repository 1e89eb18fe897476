//! One function per finding kind: analysis in, findings out.

use std::collections::BTreeMap;
use std::ops::Range;

use crate::alignment::{Counts, SourceSummary};
use crate::cadence::{gaps, CadenceAnalysis, CadenceBreak, Freeze, Hold};
use crate::classify::{ClassifiedFrame, Evidence, FrameClass, FrameFlags};
use crate::frame::Scan;
use crate::interlace::{Outcome, OutcomeCode};
use crate::units::hz_text;
use crate::words::{counted, grouped, length, times, verb};

use super::expectation::{expectation, Expectation, MISSING_MIN};
use super::{Case, Finding, FindingKind, Severity};

/// Events of one kind closer than this are one finding: a viewer sees one disturbance. Seconds.
/// Choice: the eye's judgement of motion is formed over well under a second; common practice, no source.
const MERGE_WITHIN_S: f64 = 1.0;

/// Most findings of one kind; beyond it nearer events are merged so that a report stays readable.
const FINDINGS_PER_KIND_MAX: usize = 200;

/// A single freeze is acceptable to viewers up to this long, ms. Source: "Estimating the impact of single
/// and multiple freezes on video quality", HVEI 2011 (abstract).
const ACCEPTABLE_FREEZE_MS: f64 = 360.0;

/// Two clocks within the standards' ±10 ppm each slip at most once in this time, seconds
/// (derived from the tolerance of SMPTE ST 274: 1 / (59.94 Hz × 20 ppm)).
const TOLERATED_SLIP_S: f64 = 834.0;

/// Lowest delivered rate at which a repeated pair is suspicious: film and 30-frame rates are below, Hz.
const FULL_MOTION_RATE_HZ: f64 = 47.0;

/// Share of judged frames that a pattern must cover to speak for the capture.
pub(super) const PATTERN_SPEAKS: f64 = 0.5;

/// A hold is sure when its repeats have at least this confidence on average: a finding must not be stronger than
/// its evidence. Choice: the same as for a call that counts as sure in the tables of confidence, less what the
/// geometric spread of several calls makes up.
const SURE_HOLD: f32 = 0.9;

/// Mean confidence of the calls around a hold from which the cadence there is known, and the frames on either side that are
/// around it: two turns of 3:2. Of such windows of random scenes and real clips, lossy and noisy, 1 in 50 had a wrong call;
/// of those from 0.9 to 0.95, 3 in 10.
const SURE_CADENCE: f32 = 0.95;
const AROUND: usize = 12;

/// New pictures around a hold that tell how much the motion varies: fewer say nothing.
const AROUND_MIN: usize = 4;

/// Smallest change of a block that is told from none, code values.
const LEAST_CHANGE: f32 = 0.05;

/// Times the middle change around from which a change is none of the motion there, but a cut or near one. Choice: that of cuts
/// (`classify/steps/cuts.rs`).
const LEAP: f32 = 3.0;

/// The change that bounds a hold lies above those in it by so many times what the smallest change around lies below the
/// middle one, in logarithms. By painted scenes of a stranger in lossy recordings: 14 holds of content that slowed down reach
/// 0.5 to 2.6 and once 3.4, of 41 stalls 37 exceed 3.
const VARIATIONS: f32 = 3.0;

/// An event or run of events of one kind.
#[derive(Clone, Copy)]
pub(super) struct Event {
    pub first_frame: u64,
    pub last_frame: u64,
    pub count: u64,
}

impl Case<'_> {
    /// Seconds from the first frame to `frame`.
    pub fn seconds(&self, frame: u64) -> f64 {
        let ticks = &self.times.ticks;
        match ticks.get(frame as usize) {
            Some(&tick) => self.times.base.seconds(tick.saturating_sub(ticks[0])),
            None => 0.0,
        }
    }

    /// Milliseconds from the start of `first` to the end of `last`.
    fn span_ms(&self, first: u64, last: u64) -> f64 {
        let end = if (last as usize) + 1 < self.times.ticks.len() {
            self.seconds(last + 1)
        } else {
            self.seconds(last) + self.times.delivered_rate.period_ms() / 1000.0
        };
        1000.0 * (end - self.seconds(first)).max(0.0)
    }

    /// Whether the frames after `first` up to `last` are surely the picture of `first`.
    fn surely_held(&self, first: u64, last: u64) -> bool {
        let repeats = self.frames.get(first as usize + 1..=last as usize).unwrap_or_default();
        let sum: f32 = repeats.iter().map(|frame| frame.confidence).sum();
        sum >= SURE_HOLD * repeats.len() as f32
    }

    /// Whether the new pictures that begin and end a hold, where there are any, are sure.
    fn surely_bounded(&self, first: u64, last: u64) -> bool {
        let sure = |frame: u64| match self.frames.get(frame as usize) {
            Some(end) if end.class == FrameClass::New => end.confidence >= SURE_HOLD,
            _ => true,
        };
        [first, last + 1].into_iter().all(sure)
    }

    /// Whether none of the frames after `first` up to `last` may show another picture.
    fn surely_unbroken(&self, first: u64, last: u64) -> bool {
        let repeats = self.frames.get(first as usize + 1..=last as usize).unwrap_or_default();
        repeats.iter().all(|frame| frame.confidence >= SURE_HOLD)
    }

    /// Whether a hold is surely as long as it was found: none of its frames may show another picture, and the new pictures at
    /// both ends are sure; and so are the calls around, on the mean: only a cadence that is known can be left.
    fn is_sure_break(&self, one: &CadenceBreak) -> bool {
        let (first, last) = (one.frame, last_of(one));
        self.surely_unbroken(first, last)
            && self.surely_bounded(first, last)
            && self.surely_known(first, last)
            && self.stands_out(first, last)
    }

    /// Frames of a hold with those on either side.
    fn around(&self, first: u64, last: u64) -> Range<usize> {
        (first as usize).saturating_sub(AROUND)..(last as usize + 1 + AROUND).min(self.frames.len())
    }

    /// Whether the calls around a hold are sure on the mean.
    fn surely_known(&self, first: u64, last: u64) -> bool {
        let around = self.frames.get(self.around(first, last)).unwrap_or_default();
        let sum: f32 = around.iter().map(|frame| frame.confidence).sum();
        sum >= SURE_CADENCE * around.len() as f32
    }

    /// Whether a picture surely stood: its repeats are sure on the whole, and so are the new pictures at both ends. Where these
    /// are not, the scene may stand still, or a picture may have been missed.
    fn is_sure_freeze(&self, one: &Freeze) -> bool {
        let (first, last) = (one.first_frame, one.last_frame);
        self.surely_held(first, last) && self.surely_bounded(first, last) && self.stands_out(first, last)
    }

    /// Whether the motion around a hold cannot have slowed down to what is called the same in it: the changes that bound the
    /// hold lie so far above those in it as the motion around hardly varies. What a clip or its marks tell needs no such sign, nor
    /// does a hold without a changed sample: what slows down under coding error goes on in part.
    fn stands_out(&self, first: u64, last: u64) -> bool {
        let range = self.around(first, last);
        let (first, last) = (first as usize, last as usize);
        let Some(held) = self.frames.get(first + 1..=last) else { return true };
        let told = |frame: &ClassifiedFrame| matches!(frame.evidence, Evidence::Reference | Evidence::Mark);
        let is_motion = |frame: &ClassifiedFrame| {
            frame.class == FrameClass::New && !frame.flags.contains(FrameFlags::CUT)
        };
        // Frame 0 changes against nothing.
        let mut around: Vec<f32> = self.frames[range.start.max(1)..range.end]
            .iter()
            .filter(|frame| is_motion(frame))
            .map(|frame| frame.change)
            .collect();
        let equal = held.iter().all(|frame| frame.evidence == Evidence::Digest);
        if equal || held.iter().any(told) || around.len() < AROUND_MIN {
            return true;
        }
        around.sort_unstable_by(f32::total_cmp);
        let usual = around[around.len() / 2];
        let bounds = [first, last + 1].into_iter().filter(|&frame| frame > 0);
        let bounds = bounds.filter_map(|frame| self.frames.get(frame)).filter(|frame| is_motion(frame));
        // Between two cuts nothing is known of the motion.
        let known = bounds.map(|frame| frame.change).filter(|&change| change <= LEAP * usual);
        let Some(bound) = known.reduce(f32::min) else { return false };
        let same = held.iter().map(|frame| frame.change).fold(LEAST_CHANGE, f32::max);
        let varies = (usual / around[0].max(LEAST_CHANGE)).ln();
        (bound / same).ln() >= VARIATIONS * varies
    }

    /// Holds that would be findings if their calls were sure.
    pub fn unsure_holds(&self) -> u64 {
        let breaks = self.cadence.breaks.iter().filter(|one| !self.is_sure_break(one)).count();
        let freezes = self.cadence.freezes.iter().filter(|one| !self.is_sure_freeze(one)).count();
        (breaks + freezes) as u64
    }

    pub(super) fn finding(
        &self,
        kind: FindingKind,
        severity: Severity,
        event: Event,
        text: String,
    ) -> Finding {
        Finding {
            kind,
            severity,
            first_frame: event.first_frame,
            last_frame: event.last_frame,
            time_s: self.seconds(event.first_frame),
            duration_ms: self.span_ms(event.first_frame, event.last_frame),
            count: event.count,
            text,
            event: None,
        }
    }

    /// Merges events in order until they are few enough to read. Events of different stalls stay apart as long as that
    /// leaves few enough: each stall is one thing to a viewer.
    fn merged(&self, events: impl IntoIterator<Item = Event>) -> Vec<Event> {
        let events: Vec<Event> = events.into_iter().collect();
        let stalls: Vec<(u64, u64)> =
            self.sure_freezes().map(|one| (one.first_frame, one.last_frame)).collect();
        // The stall that an event belongs to: what is missing after it shows in the frame after its last.
        let stall = |event: &Event| {
            let next = stalls.partition_point(|&(_, last)| last.saturating_add(1) < event.first_frame);
            stalls.get(next).is_some_and(|&(first, _)| first <= event.last_frame).then_some(next)
        };
        let apart = self.joined(&events, MERGE_WITHIN_S, |one, other| stall(one) == stall(other));
        let mut merged = apart;
        let mut within = MERGE_WITHIN_S;
        while merged.len() > FINDINGS_PER_KIND_MAX {
            merged = self.joined(&merged, within, |_, _| true);
            within *= 2.0;
        }
        merged
    }

    /// Events in order, those joined that come within so many seconds and belong together.
    fn joined(&self, events: &[Event], within: f64, belong: impl Fn(&Event, &Event) -> bool) -> Vec<Event> {
        let mut joined: Vec<Event> = Vec::with_capacity(events.len());
        for event in events {
            let near = |last: &&mut Event| {
                self.seconds(event.first_frame) - self.seconds(last.last_frame) <= within
                    && belong(last, event)
            };
            match joined.last_mut().filter(near) {
                Some(last) => {
                    last.last_frame = last.last_frame.max(event.last_frame);
                    last.count += event.count;
                }
                None => joined.push(*event),
            }
        }
        joined
    }

    /// Freezes whose calls are sure.
    fn sure_freezes(&self) -> impl Iterator<Item = &Freeze> {
        self.cadence.freezes.iter().filter(|one| self.is_sure_freeze(one))
    }

    /// Events at the frames that carry `flag`.
    fn flagged(&self, flag: FrameFlags) -> Vec<Event> {
        let events = self.frames.iter().zip(0..).filter(|(frame, _)| frame.flags.contains(flag));
        self.merged(events.map(|(_, index)| Event { first_frame: index, last_frame: index, count: 1 }))
    }

    pub(super) fn whole(&self) -> Event {
        let last = (self.frames.len() as u64).saturating_sub(1);
        Event { first_frame: 0, last_frame: last, count: 0 }
    }
}

/// The hold that every picture has, where the dominant pattern is a constant one that speaks for the capture.
pub(super) fn constant_hold(cadence: &CadenceAnalysis) -> Option<u32> {
    let pattern = cadence.pattern.as_ref()?;
    (pattern.holds.len() == 1 && cadence.coverage >= PATTERN_SPEAKS).then(|| pattern.holds[0])
}

/// How many frames of the dominant segments repeat as a constant hold asks, out of how many places.
pub(super) fn repeats_in_pattern(case: &Case<'_>, hold: u32) -> (u64, u64) {
    let mut found = 0;
    let mut places = 0;
    // The first hold may be cut by the start of the capture; whole, it counts.
    let whole_start = |one: &Hold| one.first_frame == 0 && one.frames == hold && one.still_frames == 0;
    for one in case.cadence.holds.iter().filter(|one| one.judged || whole_start(one)) {
        places += u64::from(hold - 1);
        found += u64::from((one.frames - 1).min(hold - 1));
    }
    (found, places)
}

/// Every picture stays two frames or more: half the motion, or less, that the delivered rate could carry.
pub(super) fn half_rate(case: &Case<'_>) -> Vec<Finding> {
    let Some(hold) = constant_hold(case.cadence).filter(|&hold| hold >= 2) else { return Vec::new() };
    let motion = &case.cadence.motion;
    let Some(motion_rate) = motion.motion_rate_hz else { return Vec::new() };
    let (found, places) = repeats_in_pattern(case, hold);
    let mut text = format!(
        "every picture is shown {}{}: {} new pictures/s in {} frames/s",
        times(hold.into()),
        repeats_there(found, places),
        hz_text(motion_rate),
        hz_text(motion.delivered_rate_hz)
    );
    let expected = expectation(case.frames, case.cadence, case.played);
    let severity = match (case.played.summary, expected) {
        (Some(summary), _) => {
            text += &format!("; {}", never_appeared(summary));
            // What the hold leaves out, whatever else is missing or not seen to move.
            let shown = motion.delivered_rate_hz / f64::from(hold);
            against_clip(summary, case.played.rate.map_or(0.0, |rate| 1.0 - shown / rate.hz()))
        }
        (None, Some(Expectation::Whole(_))) => Severity::Info,
        (None, Some(Expectation::Missing { .. })) => Severity::Fault,
        _ if hold == 2 && motion.delivered_rate_hz >= FULL_MOTION_RATE_HZ => {
            text += "; a fault if the clip holds more";
            Severity::Warning
        }
        _ => Severity::Info,
    };
    if let Some(said) = expected.and_then(Expectation::missing_text) {
        text += &format!("; {said}");
    }
    vec![case.finding(FindingKind::HalfRateMotion, severity, Event { count: found, ..case.whole() }, text)]
}

/// How many of the repeats of a constant hold are there, where some are not.
fn repeats_there(found: u64, places: u64) -> String {
    if found >= places {
        return String::new();
    }
    format!(" ({} of {} {} there)", grouped(found), counted(places, "repeat"), verb(found, "are"))
}

/// How much a half rate matters by what became of the clip's pictures, where this share of them is missing by the rates:
/// single losses are no half rate, and two fields in one picture lose none.
fn against_clip(summary: &SourceSummary, missing_by_rate: f64) -> Severity {
    let Counts { never_shown, ambiguous, .. } = summary.counts;
    let explains = |count: u64| {
        missing_by_rate > MISSING_MIN && count as f64 >= 0.5 * missing_by_rate * summary.pictures() as f64
    };
    match () {
        () if explains(never_shown) => Severity::Fault,
        () if explains(never_shown + ambiguous) => Severity::Warning,
        () => Severity::Info,
    }
}

/// Last frame of the hold that breaks the pattern.
fn last_of(one: &CadenceBreak) -> u64 {
    one.frame + u64::from(one.found_hold).saturating_sub(1)
}

/// Holds that leave the pattern.
pub(super) fn cadence_breaks(case: &Case<'_>) -> Vec<Finding> {
    let breaks = &case.cadence.breaks;
    let sure = breaks.iter().filter(|one| case.is_sure_break(one));
    let events = sure.map(|one| Event { first_frame: one.frame, last_frame: last_of(one), count: 1 });
    let label = case.cadence.pattern.as_ref().map(|pattern| pattern.label()).unwrap_or_default();
    case.merged(events)
        .into_iter()
        .map(|event| {
            let text = if event.count == 1 {
                let one = breaks.iter().find(|one| one.frame == event.first_frame);
                let (expected, found) = one.map_or((0, 0), |one| (one.expected_hold, one.found_hold));
                format!(
                    "a picture stays {} instead of {expected} (cadence {label})",
                    counted(found.into(), "frame")
                )
            } else {
                format!("the cadence {label} breaks {}", times(event.count))
            };
            case.finding(FindingKind::CadenceBreak, Severity::Warning, event, text)
        })
        .collect()
}

/// Pictures that stay far longer than the cadence explains.
pub(super) fn freezes(case: &Case<'_>) -> Vec<Finding> {
    let make = |freeze: &Freeze| {
        let event = Event { first_frame: freeze.first_frame, last_frame: freeze.last_frame, count: 1 };
        let frames = freeze.last_frame - freeze.first_frame + 1;
        let about = if case.played.summary.is_some() { "" } else { "about " };
        let after = match freeze.lost_pictures {
            Some(lost) if lost > 0 => {
                format!(", then {about}{} {} missing", grouped(lost.into()), verb(lost.into(), "are"))
            }
            _ => String::new(),
        };
        let text =
            format!("a picture stays {} ({}){after}", length(freeze.duration_ms), counted(frames, "frame"));
        let severity =
            if freeze.duration_ms > ACCEPTABLE_FREEZE_MS { Severity::Fault } else { Severity::Warning };
        case.finding(FindingKind::Freeze, severity, event, text)
    };
    case.sure_freezes().map(make).collect()
}

/// Share of the new frames that must come after the same loss for it to be a regular one.
const REGULAR_LOSS_SHARE: f64 = 0.5;

/// `712 of 1440 pictures of the clip never appeared`; of fields, where only the first or only the second of each frame
/// ever appears, that.
pub(super) fn never_appeared(summary: &SourceSummary) -> String {
    one_field_only(summary).unwrap_or_else(|| missing_of(summary, summary.counts.never_shown))
}

/// What became of the clip's pictures, where some look like others: `Of 298 pictures of the clip 252 appear and 6 never do; of
/// 40, which look like others, that cannot be told`. `missing` surely never appear.
pub(super) fn parts_of(summary: &SourceSummary, missing: u64) -> String {
    let (all, open) = (summary.pictures(), summary.counts.ambiguous);
    let appear = all.saturating_sub(missing + open);
    let never = match missing {
        0 => String::new(),
        missing => format!(" and {} never {}", grouped(missing), verb(missing, "do")),
    };
    format!(
        "of {} of the clip {} {}{never}; of {}, which {} like others, that cannot be told",
        counted(all, units(summary)),
        grouped(appear),
        verb(appear, "appear"),
        grouped(open),
        verb(open, "look")
    )
}

/// That so many pictures of the clip never appear.
pub(super) fn missing_of(summary: &SourceSummary, missing: u64) -> String {
    let all = counted(summary.pictures(), units(summary));
    match missing {
        0 => format!("none of {all} of the clip is missing"),
        missing => format!("{} of {all} of the clip never {}", grouped(missing), verb(missing, "appear")),
    }
}

/// What the numbers of a summary count.
pub(super) fn units(summary: &SourceSummary) -> &'static str {
    if summary.by_field.is_some() {
        "field"
    } else {
        "picture"
    }
}

/// Fewest fields that must appear for it to be said that those of the other kind do not.
const ONE_FIELD_SHOWN_MIN: u64 = 10;

/// Where only the first or only the second field of each frame appears, for itself or in mixes: which, and how many.
pub(super) fn one_field_only(summary: &SourceSummary) -> Option<String> {
    let [first, second] = summary.by_field?;
    let lost = |counts: Counts| counts.never_shown > 0 && counts.never_shown == counts.total();
    let kept = |counts: Counts| counts.shown >= ONE_FIELD_SHOWN_MIN;
    let which = match () {
        () if lost(second) && kept(first) => "first",
        () if lost(first) && kept(second) => "second",
        () => return None,
    };
    Some(format!(
        "only the {which} field of each frame ever appears: {} of {} and {} of {}",
        grouped(first.shown),
        counted(first.total(), "first field"),
        grouped(second.shown),
        counted(second.total(), "second field")
    ))
}

/// How many pictures are lost before most new frames, where that is regular: known against the clip only.
fn regular_loss(case: &Case<'_>) -> Option<u16> {
    case.played.summary?;
    let new = case.frames.iter().filter(|frame| frame.class == FrameClass::New);
    let mut counts: BTreeMap<u16, usize> = BTreeMap::new();
    let mut all = 0;
    for frame in new {
        *counts.entry(frame.lost_before).or_default() += 1;
        all += 1;
    }
    let (&lost, &count) = counts.iter().filter(|(&lost, _)| lost > 0).max_by_key(|(_, &count)| count)?;
    (count as f64 >= REGULAR_LOSS_SHARE * f64::from(all)).then_some(lost)
}

/// Pictures that never appeared although the timestamps are whole.
pub(super) fn dropped_pictures(case: &Case<'_>) -> Vec<Finding> {
    let regular = regular_loss(case);
    let mut findings = irregular_drops(case, regular);
    let lost = |frame: &&ClassifiedFrame| {
        regular == Some(frame.lost_before) && frame.flags.contains(FrameFlags::AFTER_DROP)
    };
    let count = case.frames.iter().filter(lost).map(|frame| u64::from(frame.lost_before)).sum();
    if let (Some(regular), Some(summary), 1..) = (regular, case.played.summary, count) {
        let text = format!(
            "{} {} missing after most pictures that appear: {}",
            counted(regular.into(), "picture"),
            verb(regular.into(), "are"),
            never_appeared(summary)
        );
        let event = Event { count, ..case.whole() };
        findings.push(case.finding(FindingKind::DroppedPictures, Severity::Fault, event, text));
    }
    findings.extend(missing_by_rate(case));
    findings
}

/// Pictures that are missing steadily by the rate that the clip is said to have, where no half rate says so.
fn missing_by_rate(case: &Case<'_>) -> Option<Finding> {
    if constant_hold(case.cadence).is_some_and(|hold| hold >= 2) {
        return None;
    }
    let expected = expectation(case.frames, case.cadence, case.played)?;
    let Expectation::Missing { pictures, .. } = expected else { return None };
    let motion_rate = case.cadence.motion.motion_rate_hz?;
    let text = format!("{} new pictures/s appear; {}", hz_text(motion_rate), expected.missing_text()?);
    let event = Event { count: pictures, ..case.whole() };
    Some(case.finding(FindingKind::DroppedPictures, Severity::Fault, event, text))
}

/// Lost pictures but for those that are missing regularly.
fn irregular_drops(case: &Case<'_>, regular: Option<u16>) -> Vec<Finding> {
    let events = case
        .frames
        .iter()
        .zip(0..)
        .filter(|(frame, _)| frame.lost_before > 0 && frame.flags.contains(FrameFlags::AFTER_DROP))
        .filter(|(frame, _)| regular != Some(frame.lost_before))
        .map(|(frame, index)| Event {
            first_frame: index,
            last_frame: index,
            count: u64::from(frame.lost_before),
        });
    case.merged(events)
        .into_iter()
        .map(|event| {
            let range = &case.frames[event.first_frame as usize..=event.last_frame as usize];
            // Errors of one scene go the same way, so they add up.
            let uncertainty: f32 = range.iter().map(|frame| frame.lost_uncertainty).sum();
            let number = match uncertainty.round() {
                0.0 => counted(event.count, "picture"),
                give_or_take => format!("{} ± {give_or_take:.0} pictures", grouped(event.count)),
            };
            let are = if uncertainty.round() == 0.0 { verb(event.count, "are") } else { "are".to_owned() };
            let text = match case.played.summary {
                Some(_) => format!("{number} of the clip {are} missing; the recording is whole here"),
                None => {
                    format!("about {number} {are} missing: the motion jumps that far, and the recording is whole here")
                }
            };
            case.finding(FindingKind::DroppedPictures, Severity::Fault, event, text)
        })
        .collect()
}

/// The recorder lost frames, by timestamps or by the numbers of an image sequence.
pub(super) fn capture_gaps(case: &Case<'_>) -> Vec<Finding> {
    let events = gaps(case.times).into_iter().map(|(frame, lost)| Event {
        first_frame: frame,
        last_frame: frame,
        count: u64::from(lost),
    });
    case.merged(events)
        .into_iter()
        .map(|event| {
            let text = format!(
                "the recorder lost {} here, as its timestamps or numbers say; the device is not judged for that",
                counted(event.count, "frame")
            );
            case.finding(FindingKind::CaptureGap, Severity::Warning, event, text)
        })
        .collect()
}

/// Timestamps that run backwards or stand.
pub(super) fn uneven_timestamps(case: &Case<'_>) -> Vec<Finding> {
    let Some(timing) = &case.cadence.timing else { return Vec::new() };
    let events =
        timing.not_increasing.iter().map(|&frame| Event { first_frame: frame, last_frame: frame, count: 1 });
    let mut findings: Vec<Finding> = case
        .merged(events)
        .into_iter()
        .map(|event| {
            let are = verb(event.count, "are");
            let text = format!("{} {are} not later than the one before", counted(event.count, "timestamp"));
            case.finding(FindingKind::UnevenTimestamps, Severity::Warning, event, text)
        })
        .collect();
    let uneven = timing.uneven.len() as u64;
    if let (Some(&first), Some(&last)) = (timing.uneven.first(), timing.uneven.last()) {
        let event = Event { first_frame: first, last_frame: last, count: uneven };
        let text = format!(
            "{} {} off an even grid: steps are {:.3} to {:.3} ms, most often {:.3} ms",
            counted(uneven, "timestamp"),
            verb(uneven, "lie"),
            timing.smallest_step_ms,
            timing.largest_step_ms,
            timing.median_step_ms
        );
        findings.push(case.finding(FindingKind::UnevenTimestamps, Severity::Info, event, text));
    }
    findings
}

/// Two clocks that differ.
pub(super) fn rate_slip(case: &Case<'_>) -> Vec<Finding> {
    let Some(slip) = &case.cadence.slip else { return Vec::new() };
    let (Some(&first), Some(&last)) = (slip.frames.first(), slip.frames.last()) else { return Vec::new() };
    let count = slip.frames.len() as u64;
    let pair = slip.rate_pair.as_ref().map(|pair| format!(" ({pair})")).unwrap_or_default();
    let mut text = format!(
        "the cadence {} slips by one frame every {:.2} s{pair}, {}",
        slip.pattern.label(),
        slip.interval_s,
        times(count)
    );
    let severity = if slip.interval_s >= TOLERATED_SLIP_S {
        text += "; two clocks within the ±10 ppm of the standards may do that, so it is no fault";
        Severity::Info
    } else {
        Severity::Warning
    };
    vec![case.finding(
        FindingKind::RateSlip,
        severity,
        Event { first_frame: first, last_frame: last, count },
        text,
    )]
}

/// Findings that are runs of flagged frames.
pub(super) fn flagged_pictures(case: &Case<'_>) -> Vec<Finding> {
    let interlaced = matches!(case.scan, Scan::TopFieldFirst | Scan::BottomFieldFirst | Scan::Mixed);
    let combed = if interlaced {
        (Severity::Info, "two moments, one in each field, as an interlaced signal has them")
    } else {
        (Severity::Warning, "two moments woven line by line into one picture: edges that move are combed")
    };
    let one_field =
        "a picture of which every second line is rebuilt from the others: half the vertical detail is lost";
    [
        (FrameFlags::OUT_OF_ORDER, FindingKind::OutOfOrder, Severity::Fault, "a picture out of order"),
        (FrameFlags::BLEND, FindingKind::BlendedPictures, Severity::Warning, "a mix of two pictures"),
        (FrameFlags::COMBED, FindingKind::CombedPictures, combed.0, combed.1),
        (FrameFlags::ONE_FIELD, FindingKind::OneFieldPictures, Severity::Warning, one_field),
    ]
    .into_iter()
    .flat_map(|(flag, kind, severity, what)| {
        case.flagged(flag).into_iter().map(move |event| {
            let text = format!("{} {} {what}", counted(event.count, "frame"), verb(event.count, "show"));
            case.finding(kind, severity, event, text)
        })
    })
    .collect()
}

/// Fields in the wrong order, throughout.
pub(super) fn field_order(case: &Case<'_>) -> Vec<Finding> {
    let swapped = |outcome: &&Outcome| outcome.code == OutcomeCode::SwappedFields;
    let Some(outcome) = case.outcome.filter(swapped) else { return Vec::new() };
    // In an interlaced capture it may be the flags that are wrong.
    let severity = if case.scan == Scan::Progressive { Severity::Fault } else { Severity::Warning };
    let event = Event {
        first_frame: outcome.first_frame,
        last_frame: outcome.last_frame,
        count: outcome.last_frame - outcome.first_frame + 1,
    };
    vec![case.finding(FindingKind::FieldOrderSwapped, severity, event, outcome.text.clone())]
}
