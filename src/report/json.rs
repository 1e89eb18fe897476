//! `audit.json`, format version 1: the result for machines. Field names are fixed; fields may be added.
//! It depends on the [`Audit`] alone. Floats are rounded to a fixed number of decimals, so that the last bits
//! of an intermediate sum never show.

use serde::{Deserialize, Serialize};

use super::csv::{self, ColumnDigests};
use super::levels::LevelsRow;
use super::source::SourceRow;
use super::text::{duration_s, hex, time_of, time_s};
use crate::audit::Audit;
use crate::cadence::{CadenceAnalysis, CadenceBreak, Freeze, RateSlip, Segment, Timing};
use crate::cadence::{FrameTimes, Pattern};
use crate::fields::{self, FieldAudit, ScanSegment};
use crate::units::Rate;
use crate::verdict::gate::Outcome;
use crate::verdict::Finding;

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
/// Decimals of shares between 0 and 1: one frame in 2,160,000 shows.
pub(super) const SHARE_DECIMALS: i32 = 9;
/// Decimals of parts per million.
const PPM_DECIMALS: i32 = 3;

/// The document, pretty-printed, with a line end at its end.
pub fn document(audit: &Audit) -> String {
    let mut text = serde_json::to_string_pretty(&Document::new(audit))
        .expect("plain structs with string keys always serialize");
    text.push('\n');
    text
}

#[derive(Serialize)]
struct Document<'a> {
    format: &'static str,
    format_version: u32,
    capture: Capture<'a>,
    motion: Motion,
    cadence: Cadence,
    judder: Judder,
    fields: Option<Fields>,
    outcome: Option<OutcomeRow<'a>>,
    timing: Option<TimingStatistics>,
    findings: Vec<FindingRow<'a>>,
    notes: Vec<NoteRow<'a>>,
    verdict: Verdict<'a>,
    requirements: Vec<RequirementRow>,
    source: Option<SourceRow>,
    levels: Option<LevelsRow>,
    source_rate: Option<Ratio>,
    columns_blake3: ColumnsRow,
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

#[derive(Serialize)]
struct Ratio {
    num: u64,
    den: u64,
}

#[derive(Serialize)]
struct Capture<'a> {
    name: &'a str,
    frames: u64,
    width_px: u32,
    height_px: u32,
    pixel_format: String,
    bit_depth: u8,
    scan: &'static str,
    scan_source: &'static str,
    scan_flagged: &'static str,
    scan_segments: Vec<ScanRow>,
    delivered_rate: Ratio,
    rate_source: &'static str,
    duration_s: f64,
    times_measured: bool,
    time_base_s: Ratio,
    complete: bool,
    blake3: String,
}

#[derive(Serialize)]
struct ScanRow {
    first_frame: u64,
    last_frame: u64,
    scan: &'static str,
}

#[derive(Serialize)]
struct Fields {
    first_parity: &'static str,
    motion: Motion,
    cadence: Cadence,
    judder: Judder,
    mixed_frames: u64,
    a_frames: Option<AFrames>,
}

#[derive(Serialize)]
struct AFrames {
    frame_modulo_5: u32,
    there: u64,
    total: u64,
}

#[derive(Serialize)]
struct OutcomeRow<'a> {
    code: &'static str,
    text: &'a str,
    first_frame: u64,
    last_frame: u64,
}

#[derive(Serialize)]
struct Motion {
    new_frames: u64,
    repeat_frames: u64,
    still_frames: u64,
    judged_frames: u64,
    delivered_rate_hz: f64,
    motion_rate_hz: Option<f64>,
}

#[derive(Serialize)]
struct Cadence {
    holds: Option<Vec<u32>>,
    #[serde(skip_serializing_if = "Option::is_none")]
    field_holds: Option<Option<Vec<u32>>>,
    label: Option<String>,
    coverage: f64,
    segments: Vec<SegmentRow>,
    breaks: Vec<BreakRow>,
    freezes: Vec<FreezeRow>,
    slip: Option<SlipRow>,
}

#[derive(Serialize)]
struct SegmentRow {
    first_frame: u64,
    last_frame: u64,
    holds: Vec<u32>,
    label: String,
}

#[derive(Serialize)]
struct BreakRow {
    frame: u64,
    time_s: f64,
    expected_hold: u32,
    found_hold: u32,
}

#[derive(Serialize)]
struct FreezeRow {
    first_frame: u64,
    last_frame: u64,
    time_s: f64,
    duration_ms: f64,
    lost_pictures: Option<u32>,
}

#[derive(Serialize)]
struct SlipRow {
    holds: Vec<u32>,
    label: String,
    frames: Vec<u64>,
    interval_s: f64,
    rate_pair: Option<String>,
}

#[derive(Serialize)]
struct Judder {
    rms_ms: Option<f64>,
    peak_to_peak_ms: Option<f64>,
    hold_std_ms: Option<f64>,
    inherent_rms_ms: Option<f64>,
    excess_rms_ms: Option<f64>,
}

#[derive(Serialize)]
struct TimingStatistics {
    median_step_ms: f64,
    smallest_step_ms: f64,
    largest_step_ms: f64,
    step_std_ms: f64,
    jitter_ms: f64,
    jitter_largest_ms: f64,
    measured_rate_hz: f64,
    rate_offset_ppm: f64,
    gaps: Vec<GapRow>,
    not_increasing_frames: Vec<u64>,
}

#[derive(Serialize)]
struct GapRow {
    frame: u64,
    time_s: f64,
    lost_frames: u32,
}

#[derive(Serialize)]
struct FindingRow<'a> {
    kind: &'static str,
    severity: &'static str,
    first_frame: u64,
    last_frame: u64,
    time_s: f64,
    duration_ms: f64,
    count: u64,
    text: &'a str,
}

#[derive(Serialize)]
struct NoteRow<'a> {
    code: &'static str,
    text: &'a str,
}

#[derive(Serialize)]
struct Verdict<'a> {
    text: &'a str,
}

#[derive(Serialize)]
struct RequirementRow {
    key: &'static str,
    bound: &'static str,
    limit: f64,
    unit: &'static str,
    found: Option<f64>,
    passed: bool,
    text: String,
}

impl<'a> Document<'a> {
    fn new(audit: &'a Audit) -> Self {
        Self {
            format: FORMAT,
            format_version: FORMAT_VERSION,
            capture: Capture::new(audit),
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
            notes: audit
                .notes
                .iter()
                .map(|note| NoteRow { code: note.code.name(), text: &note.text })
                .collect(),
            verdict: Verdict { text: &audit.verdict },
            requirements: audit.requirements.iter().map(requirement_row).collect(),
            source: SourceRow::of(audit),
            levels: audit.levels.as_ref().map(LevelsRow::of),
            source_rate: audit.given_source_rate.map(ratio),
            columns_blake3: ColumnsRow::of(audit),
        }
    }
}

impl<'a> Capture<'a> {
    fn new(audit: &'a Audit) -> Self {
        let shape = audit.facts.shape;
        let base = audit.times.base;
        Self {
            name: &audit.facts.name,
            frames: audit.frames.len() as u64,
            width_px: shape.width,
            height_px: shape.height,
            pixel_format: shape.pixel_format.to_string(),
            bit_depth: shape.pixel_format.bit_depth,
            scan: audit.fields.scan.scan.name(),
            scan_source: audit.fields.scan.source.name(),
            scan_flagged: audit.facts.scan.name(),
            scan_segments: audit.fields.scan.segments.iter().map(scan_row).collect(),
            delivered_rate: ratio(audit.times.delivered_rate),
            rate_source: audit.rate_source.name(),
            duration_s: rounded(duration_s(audit), SECONDS_DECIMALS),
            times_measured: audit.times.measured,
            time_base_s: Ratio { num: base.num(), den: base.den() },
            complete: audit.complete,
            blake3: hex(&audit.digest),
        }
    }
}

fn ratio(rate: Rate) -> Ratio {
    Ratio { num: rate.num(), den: rate.den() }
}

fn scan_row(segment: &ScanSegment) -> ScanRow {
    ScanRow { first_frame: segment.first_frame, last_frame: segment.last_frame, scan: segment.scan.name() }
}

fn outcome_row(outcome: &fields::Outcome) -> OutcomeRow<'_> {
    OutcomeRow {
        code: outcome.code.name(),
        text: &outcome.text,
        first_frame: outcome.first_frame,
        last_frame: outcome.last_frame,
    }
}

fn fields(fields: &FieldAudit) -> Fields {
    Fields {
        first_parity: fields.first.name(),
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
                time_s: rounded(time_s(audit, frame), SECONDS_DECIMALS),
                lost_frames,
            })
            .collect(),
        not_increasing_frames: timing.not_increasing.clone(),
    }
}

fn finding_row(finding: &Finding) -> FindingRow<'_> {
    FindingRow {
        kind: finding.kind.name(),
        severity: finding.severity.name(),
        first_frame: finding.first_frame,
        last_frame: finding.last_frame,
        time_s: rounded(finding.time_s, SECONDS_DECIMALS),
        duration_ms: rounded(finding.duration_ms, MS_DECIMALS),
        count: finding.count,
        text: &finding.text,
    }
}

fn requirement_row(outcome: &Outcome) -> RequirementRow {
    let measure = outcome.requirement.measure;
    RequirementRow {
        key: measure.key,
        bound: measure.bound.name(),
        limit: outcome.requirement.limit,
        unit: measure.unit.name(),
        found: optional(outcome.found, SHARE_DECIMALS),
        passed: outcome.passed,
        text: format!("{}: {}", outcome.requirement, outcome.found_text()),
    }
}

/// `value` to `decimals` decimals, ties away from zero; never negative zero. Values too large for decimals
/// stay as they are.
pub(super) fn rounded(value: f64, decimals: i32) -> f64 {
    let scale = 10f64.powi(decimals);
    let scaled = (value * scale).round() / scale;
    // Adding zero turns negative zero into zero.
    if scaled.is_finite() {
        scaled + 0.0
    } else {
        value
    }
}

/// As [`rounded`]; what is no finite number is unknown.
pub(super) fn optional(value: Option<f64>, decimals: i32) -> Option<f64> {
    value.filter(|value| value.is_finite()).map(|value| rounded(value, decimals))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn floats_round_to_their_decimals() {
        for (value, decimals, expected) in
            [(59.940_059_940_06, 6, 59.94006), (1.0 / 3.0, 4, 0.3333), (-0.000_01, 4, 0.0), (1e300, 6, 1e300)]
        {
            assert_eq!(rounded(value, decimals).to_string(), expected.to_string());
        }
        assert_eq!(optional(Some(f64::NAN), 4), None);
    }
}
