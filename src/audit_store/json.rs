//! `audit.json`, format version 1: the result for machines. Field names are fixed; fields may be added.
//! It depends on the [`Audit`] alone. Floats are rounded to a fixed number of decimals, so that the last bits
//! of an intermediate sum never show.

use std::borrow::Cow;

use serde::{Deserialize, Serialize};

use super::csv::{self, ColumnDigests};
use super::levels::LevelsRow;
use super::source::SourceRow;
use super::values::{hex, optional, rounded, time_of, SHARE_DECIMALS};
use crate::audit::Audit;
use crate::cadence::{CadenceAnalysis, CadenceBreak, Freeze, RateSlip, Segment, Timing};
use crate::cadence::{FrameTimes, Pattern};
use crate::interlace::{self, FieldAudit, ScanSegment};
use crate::settings::DeviceFacts;
use crate::units::Rate;
use crate::verdict::gate::Outcome;
use crate::verdict::{AspectJudgement, Event, Finding};

/// The JSON Schema (2020-12) of the document.
pub const SCHEMA: &str = include_str!("audit.schema.json");
/// Value of `format`.
pub const FORMAT: &str = "evenbeat-audit";
/// Value of `format_version`.
pub const FORMAT_VERSION: u32 = 1;

/// Decimals of seconds: microseconds. `frames.csv` has the exact times.
const SECONDS_DECIMALS: i32 = 6;
/// Decimals of milliseconds: a tenth of a microsecond.
const MS_DECIMALS: i32 = 4;
/// Decimals of rates in hertz: tells 59.94 from 60000/1001 over ten hours.
const HZ_DECIMALS: i32 = 6;
/// Decimals of parts per million.
const PPM_DECIMALS: i32 = 3;

/// The document, pretty-printed, with a line end at its end.
pub fn document(audit: &Audit) -> String {
    document_with(audit, ColumnsRow::of(audit))
}

/// The same for an audit whose tables are bound by `columns`: to take these goes through all frames.
pub(super) fn document_with(audit: &Audit, columns: ColumnsRow) -> String {
    let mut text = serde_json::to_string_pretty(&Document::new(audit, columns))
        .expect("plain structs with string keys always serialize");
    text.push('\n');
    text
}

#[derive(Deserialize, Serialize)]
pub(super) struct Document<'a> {
    pub format: Cow<'static, str>,
    pub format_version: u32,
    pub capture: Capture<'a>,
    pub device: Option<DeviceRow<'a>>,
    pub motion: Motion,
    pub cadence: Cadence,
    pub judder: Judder,
    pub fields: Option<Fields>,
    pub outcome: Option<OutcomeRow<'a>>,
    pub timing: Option<TimingStatistics>,
    pub findings: Vec<FindingRow<'a>>,
    pub events: Vec<EventRow<'a>>,
    pub judgements: Vec<JudgementRow<'a>>,
    pub notes: Vec<NoteRow<'a>>,
    pub verdict: Verdict<'a>,
    pub requirements: Vec<RequirementRow>,
    pub source: Option<SourceRow>,
    pub levels: Option<LevelsRow>,
    pub source_rate: Option<Ratio>,
    pub columns_blake3: ColumnsRow,
}

/// What binds the tables to the document.
#[derive(Deserialize, PartialEq, Serialize)]
pub(super) struct ColumnsRow {
    pub frames: ColumnDigests,
    pub fields: Option<ColumnDigests>,
}

impl ColumnsRow {
    /// What binds the tables of an audit.
    pub fn of(audit: &Audit) -> Self {
        Self {
            frames: csv::frame_columns(audit),
            fields: audit.fields.fields.as_ref().map(csv::field_columns),
        }
    }
}

#[derive(Deserialize, Serialize)]
pub(super) struct Ratio {
    pub num: u64,
    pub den: u64,
}

#[derive(Deserialize, Serialize)]
pub(super) struct Capture<'a> {
    pub name: Cow<'a, str>,
    pub frames: u64,
    pub width_px: u32,
    pub height_px: u32,
    pub pixel_format: String,
    pub bit_depth: u8,
    pub scan: Cow<'static, str>,
    pub scan_source: Cow<'static, str>,
    pub scan_flagged: Cow<'static, str>,
    pub coding: Cow<'static, str>,
    pub scan_segments: Vec<ScanRow>,
    pub delivered_rate: Ratio,
    pub rate_source: Cow<'static, str>,
    pub duration_s: f64,
    pub times_measured: bool,
    pub time_base_s: Ratio,
    pub complete: bool,
    pub blake3: String,
}

/// What was recorded, and with what.
#[derive(Deserialize, Serialize)]
pub(super) struct DeviceRow<'a> {
    pub name: Option<Cow<'a, str>>,
    pub firmware: Option<Cow<'a, str>>,
    pub setting: Option<Cow<'a, str>>,
    pub recorder: Option<Cow<'a, str>>,
}

#[derive(Deserialize, Serialize)]
pub(super) struct ScanRow {
    pub first_frame: u64,
    pub last_frame: u64,
    pub scan: Cow<'static, str>,
}

#[derive(Deserialize, Serialize)]
pub(super) struct Fields {
    pub first_parity: Cow<'static, str>,
    pub motion: Motion,
    pub cadence: Cadence,
    pub judder: Judder,
    pub mixed_frames: u64,
    pub a_frames: Option<AFrames>,
}

#[derive(Deserialize, Serialize)]
pub(super) struct AFrames {
    pub frame_modulo_5: u32,
    pub there: u64,
    pub total: u64,
}

#[derive(Deserialize, Serialize)]
pub(super) struct OutcomeRow<'a> {
    pub code: Cow<'static, str>,
    pub text: Cow<'a, str>,
    pub first_frame: u64,
    pub last_frame: u64,
}

#[derive(Deserialize, Serialize)]
pub(super) struct Motion {
    pub new_frames: u64,
    pub repeat_frames: u64,
    pub still_frames: u64,
    pub judged_frames: u64,
    pub delivered_rate_hz: f64,
    pub motion_rate_hz: Option<f64>,
}

#[derive(Deserialize, Serialize)]
pub(super) struct Cadence {
    pub holds: Option<Vec<u32>>,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub field_holds: Option<Option<Vec<u32>>>,
    pub label: Option<String>,
    pub coverage: f64,
    pub segments: Vec<SegmentRow>,
    pub breaks: Vec<BreakRow>,
    pub freezes: Vec<FreezeRow>,
    pub slip: Option<SlipRow>,
}

#[derive(Deserialize, Serialize)]
pub(super) struct SegmentRow {
    pub first_frame: u64,
    pub last_frame: u64,
    pub holds: Vec<u32>,
    pub label: String,
}

#[derive(Deserialize, Serialize)]
pub(super) struct BreakRow {
    pub frame: u64,
    pub time_s: f64,
    pub expected_hold: u32,
    pub found_hold: u32,
}

#[derive(Deserialize, Serialize)]
pub(super) struct FreezeRow {
    pub first_frame: u64,
    pub last_frame: u64,
    pub time_s: f64,
    pub duration_ms: f64,
    pub lost_pictures: Option<u32>,
}

#[derive(Deserialize, Serialize)]
pub(super) struct SlipRow {
    pub holds: Vec<u32>,
    pub label: String,
    pub frames: Vec<u64>,
    pub interval_s: f64,
    pub rate_pair: Option<String>,
}

#[derive(Deserialize, Serialize)]
pub(super) struct Judder {
    pub rms_ms: Option<f64>,
    pub peak_to_peak_ms: Option<f64>,
    pub hold_std_ms: Option<f64>,
    pub inherent_rms_ms: Option<f64>,
    pub excess_rms_ms: Option<f64>,
}

#[derive(Deserialize, Serialize)]
pub(super) struct TimingStatistics {
    pub median_step_ms: f64,
    pub smallest_step_ms: f64,
    pub largest_step_ms: f64,
    pub step_std_ms: f64,
    pub jitter_ms: f64,
    pub jitter_largest_ms: f64,
    pub measured_rate_hz: f64,
    pub rate_offset_ppm: f64,
    pub gaps: Vec<GapRow>,
    pub not_increasing_frames: Vec<u64>,
}

#[derive(Deserialize, Serialize)]
pub(super) struct GapRow {
    pub frame: u64,
    pub time_s: f64,
    pub lost_frames: u32,
}

#[derive(Deserialize, Serialize)]
pub(super) struct FindingRow<'a> {
    pub kind: Cow<'static, str>,
    pub severity: Cow<'static, str>,
    pub first_frame: u64,
    pub last_frame: u64,
    pub time_s: f64,
    pub duration_ms: f64,
    pub count: u64,
    pub text: Cow<'a, str>,
    pub event: Option<u32>,
}

#[derive(Deserialize, Serialize)]
pub(super) struct EventRow<'a> {
    pub event: u32,
    pub kind: Cow<'static, str>,
    pub severity: Cow<'static, str>,
    pub first_frame: u64,
    pub last_frame: u64,
    pub time_s: f64,
    pub duration_ms: f64,
    pub lost_pictures: u64,
    pub text: Cow<'a, str>,
}

#[derive(Deserialize, Serialize)]
pub(super) struct JudgementRow<'a> {
    pub aspect: Cow<'static, str>,
    pub judgement: Cow<'static, str>,
    pub number: Option<Cow<'a, str>>,
    pub limit: Option<Cow<'a, str>>,
    pub text: Cow<'a, str>,
}

#[derive(Deserialize, Serialize)]
pub(super) struct NoteRow<'a> {
    pub code: Cow<'static, str>,
    pub text: Cow<'a, str>,
}

#[derive(Deserialize, Serialize)]
pub(super) struct Verdict<'a> {
    pub headline: Cow<'a, str>,
    pub text: Cow<'a, str>,
}

#[derive(Deserialize, Serialize)]
pub(super) struct RequirementRow {
    pub key: Cow<'static, str>,
    pub bound: Cow<'static, str>,
    pub limit: f64,
    pub unit: Cow<'static, str>,
    pub found: Option<f64>,
    pub passed: bool,
    pub text: String,
}

impl<'a> Document<'a> {
    fn new(audit: &'a Audit, columns: ColumnsRow) -> Self {
        Self {
            format: FORMAT.into(),
            format_version: FORMAT_VERSION,
            capture: Capture::new(audit),
            device: device_row(&audit.device),
            motion: motion(&audit.cadence),
            cadence: Cadence {
                field_holds: Some(audit.fields.fields.as_ref().and_then(|fields| holds(&fields.cadence))),
                ..cadence(&audit.cadence, &audit.times)
            },
            judder: judder(&audit.cadence),
            fields: audit.fields.fields.as_ref().map(fields),
            outcome: audit.outcome.as_ref().map(outcome_row),
            timing: audit.cadence.timing.as_ref().map(|timing| timing_statistics(audit, timing)),
            findings: audit.findings.iter().map(finding_row).collect(),
            events: audit.events.iter().map(event_row).collect(),
            judgements: audit.judgements.iter().map(judgement_row).collect(),
            notes: audit
                .notes
                .iter()
                .map(|note| NoteRow { code: note.code.name().into(), text: note.text.as_str().into() })
                .collect(),
            verdict: Verdict {
                headline: audit.headline.as_str().into(),
                text: audit.verdict.as_str().into(),
            },
            requirements: audit.requirements.iter().map(requirement_row).collect(),
            source: SourceRow::of(audit),
            levels: audit.levels.as_ref().map(LevelsRow::of),
            source_rate: audit.given_source_rate.map(ratio),
            columns_blake3: columns,
        }
    }
}

impl<'a> Capture<'a> {
    fn new(audit: &'a Audit) -> Self {
        let shape = audit.facts.shape;
        let base = audit.times.base;
        Self {
            name: audit.facts.name.as_str().into(),
            frames: audit.frames.len() as u64,
            width_px: shape.width,
            height_px: shape.height,
            pixel_format: shape.pixel_format.to_string(),
            bit_depth: shape.pixel_format.bit_depth,
            scan: audit.fields.scan.scan.name().into(),
            scan_source: audit.fields.scan.source.name().into(),
            scan_flagged: audit.facts.scan.name().into(),
            coding: audit.facts.coding.name().into(),
            scan_segments: audit.fields.scan.segments.iter().map(scan_row).collect(),
            delivered_rate: ratio(audit.times.delivered_rate),
            rate_source: audit.rate_source.name().into(),
            duration_s: rounded(audit.times.duration_s(), SECONDS_DECIMALS),
            times_measured: audit.times.measured,
            time_base_s: Ratio { num: base.num(), den: base.den() },
            complete: audit.complete,
            blake3: hex(&audit.digest),
        }
    }
}

fn device_row(device: &DeviceFacts) -> Option<DeviceRow<'_>> {
    let text = |text: &Option<String>| text.as_ref().map(|text| Cow::Owned(text.clone()));
    (!device.is_empty()).then(|| DeviceRow {
        name: text(&device.name),
        firmware: text(&device.firmware),
        setting: text(&device.setting),
        recorder: text(&device.recorder),
    })
}

fn ratio(rate: Rate) -> Ratio {
    Ratio { num: rate.num(), den: rate.den() }
}

fn scan_row(segment: &ScanSegment) -> ScanRow {
    ScanRow {
        first_frame: segment.first_frame,
        last_frame: segment.last_frame,
        scan: segment.scan.name().into(),
    }
}

fn outcome_row(outcome: &interlace::Outcome) -> OutcomeRow<'_> {
    OutcomeRow {
        code: outcome.code.name().into(),
        text: outcome.text.as_str().into(),
        first_frame: outcome.first_frame,
        last_frame: outcome.last_frame,
    }
}

fn fields(fields: &FieldAudit) -> Fields {
    Fields {
        first_parity: fields.first.name().into(),
        motion: motion(&fields.cadence),
        cadence: cadence(&fields.cadence, &fields.times),
        judder: judder(&fields.cadence),
        mixed_frames: fields.mixed_frames().count() as u64,
        a_frames: fields.a_frame_phase().map(|phase| AFrames {
            frame_modulo_5: phase.frame,
            there: phase.there,
            total: phase.total,
        }),
    }
}

fn holds(cadence: &CadenceAnalysis) -> Option<Vec<u32>> {
    cadence.pattern.as_ref().map(|pattern| pattern.holds.clone())
}

fn motion(cadence: &CadenceAnalysis) -> Motion {
    let motion = cadence.motion;
    Motion {
        new_frames: motion.new_frames,
        repeat_frames: motion.repeat_frames,
        still_frames: motion.still_frames,
        judged_frames: motion.judged_frames,
        delivered_rate_hz: rounded(motion.delivered_rate_hz, HZ_DECIMALS),
        motion_rate_hz: optional(motion.motion_rate_hz, HZ_DECIMALS),
    }
}

/// The cadence of frames or of fields, `times` being theirs.
fn cadence(cadence: &CadenceAnalysis, times: &FrameTimes) -> Cadence {
    Cadence {
        holds: holds(cadence),
        field_holds: None,
        label: cadence.pattern.as_ref().map(Pattern::label),
        coverage: rounded(cadence.coverage, SHARE_DECIMALS),
        segments: cadence.segments.iter().map(segment_row).collect(),
        breaks: cadence.breaks.iter().map(|found| break_row(times, found)).collect(),
        freezes: cadence.freezes.iter().map(|freeze| freeze_row(times, freeze)).collect(),
        slip: cadence.slip.as_ref().map(slip_row),
    }
}

fn segment_row(segment: &Segment) -> SegmentRow {
    SegmentRow {
        first_frame: segment.first_frame,
        last_frame: segment.last_frame,
        holds: segment.pattern.holds.clone(),
        label: segment.pattern.label(),
    }
}

fn break_row(times: &FrameTimes, found: &CadenceBreak) -> BreakRow {
    BreakRow {
        frame: found.frame,
        time_s: rounded(time_of(times, found.frame), SECONDS_DECIMALS),
        expected_hold: found.expected_hold,
        found_hold: found.found_hold,
    }
}

fn freeze_row(times: &FrameTimes, freeze: &Freeze) -> FreezeRow {
    FreezeRow {
        first_frame: freeze.first_frame,
        last_frame: freeze.last_frame,
        time_s: rounded(time_of(times, freeze.first_frame), SECONDS_DECIMALS),
        duration_ms: rounded(freeze.duration_ms, MS_DECIMALS),
        lost_pictures: freeze.lost_pictures,
    }
}

fn slip_row(slip: &RateSlip) -> SlipRow {
    SlipRow {
        holds: slip.pattern.holds.clone(),
        label: slip.pattern.label(),
        frames: slip.frames.clone(),
        interval_s: rounded(slip.interval_s, SECONDS_DECIMALS),
        rate_pair: slip.rate_pair.clone(),
    }
}

fn judder(cadence: &CadenceAnalysis) -> Judder {
    let judder = cadence.judder;
    Judder {
        rms_ms: optional(judder.rms_ms, MS_DECIMALS),
        peak_to_peak_ms: optional(judder.peak_to_peak_ms, MS_DECIMALS),
        hold_std_ms: optional(judder.hold_std_ms, MS_DECIMALS),
        inherent_rms_ms: optional(judder.inherent_rms_ms, MS_DECIMALS),
        excess_rms_ms: optional(judder.excess_rms_ms, MS_DECIMALS),
    }
}

fn timing_statistics(audit: &Audit, timing: &Timing) -> TimingStatistics {
    TimingStatistics {
        median_step_ms: rounded(timing.median_step_ms, MS_DECIMALS),
        smallest_step_ms: rounded(timing.smallest_step_ms, MS_DECIMALS),
        largest_step_ms: rounded(timing.largest_step_ms, MS_DECIMALS),
        step_std_ms: rounded(timing.step_std_ms, MS_DECIMALS),
        jitter_ms: rounded(timing.jitter_ms, MS_DECIMALS),
        jitter_largest_ms: rounded(timing.jitter_largest_ms, MS_DECIMALS),
        measured_rate_hz: rounded(timing.measured_rate_hz, HZ_DECIMALS),
        rate_offset_ppm: rounded(timing.rate_offset_ppm, PPM_DECIMALS),
        gaps: timing
            .gaps
            .iter()
            .map(|&(frame, lost_frames)| GapRow {
                frame,
                time_s: rounded(time_of(&audit.times, frame), SECONDS_DECIMALS),
                lost_frames,
            })
            .collect(),
        not_increasing_frames: timing.not_increasing.clone(),
    }
}

fn finding_row(finding: &Finding) -> FindingRow<'_> {
    FindingRow {
        kind: finding.kind.name().into(),
        severity: finding.severity.name().into(),
        first_frame: finding.first_frame,
        last_frame: finding.last_frame,
        time_s: rounded(finding.time_s, SECONDS_DECIMALS),
        duration_ms: rounded(finding.duration_ms, MS_DECIMALS),
        count: finding.count,
        text: finding.text.as_str().into(),
        event: finding.event,
    }
}

fn event_row(event: &Event) -> EventRow<'_> {
    EventRow {
        event: event.number,
        kind: event.kind.name().into(),
        severity: event.severity.name().into(),
        first_frame: event.first_frame,
        last_frame: event.last_frame,
        time_s: rounded(event.time_s, SECONDS_DECIMALS),
        duration_ms: rounded(event.duration_ms, MS_DECIMALS),
        lost_pictures: event.lost_pictures,
        text: event.text.as_str().into(),
    }
}

fn judgement_row(judged: &AspectJudgement) -> JudgementRow<'_> {
    JudgementRow {
        aspect: judged.aspect.name().into(),
        judgement: judged.judgement.name().into(),
        number: judged.number.as_deref().map(Into::into),
        limit: judged.limit.as_deref().map(Into::into),
        text: judged.text.as_str().into(),
    }
}

fn requirement_row(outcome: &Outcome) -> RequirementRow {
    let measure = outcome.requirement.measure;
    RequirementRow {
        key: measure.key.into(),
        bound: measure.bound.name().into(),
        limit: outcome.requirement.limit,
        unit: measure.unit.name().into(),
        found: optional(outcome.found, SHARE_DECIMALS),
        passed: outcome.passed,
        text: format!("{}: {}", outcome.requirement, outcome.found_text()),
    }
}
