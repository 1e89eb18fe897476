//! What a campaign keeps of one audit.

use super::model::{Aspect, AspectRow, Barcode, EventRow, Measure, RequirementRow, RunResult, Standing};
use crate::audit::Audit;
use crate::audit_store::values::{hex, rounded};
use crate::classify::{ClassifiedFrame, FrameClass, FrameFlags};
use crate::compare::{Device, MEASURES};
use crate::verdict::{self, AspectJudgement, Event, Judgement};

/// Decimals of seconds and milliseconds, as in `audit.json`.
const SECONDS_DECIMALS: i32 = 6;
const MS_DECIMALS: i32 = 4;
/// Decimals of values: beyond what is known of any.
const VALUE_DECIMALS: i32 = 6;
/// Frames of the barcode before what it is about.
const LEAD: u64 = 15;

/// What was found; `folder` is that of the report, `recording_blake3` that of the recording.
pub fn result(audit: &Audit, folder: &str, recording_blake3: &str) -> RunResult {
    let aspects: Vec<AspectRow> = audit.judgements.iter().map(aspect_row).collect();
    RunResult {
        standing: standing(audit, &aspects),
        folder: folder.to_owned(),
        headline: audit.headline.clone(),
        number: number(&aspects),
        events: audit.events.iter().map(event_row).collect(),
        barcode: barcode(audit),
        requirements: audit
            .requirements
            .iter()
            .map(|outcome| RequirementRow {
                text: format!("{}: {}", outcome.requirement, outcome.found_text()),
                passed: outcome.passed,
            })
            .collect(),
        measures: measures(audit),
        frames: audit.frames.len() as u64,
        duration_s: rounded(audit.times.duration_s(), SECONDS_DECIMALS),
        complete: audit.complete,
        recording_blake3: recording_blake3.to_owned(),
        frames_blake3: hex(&audit.digest),
        aspects,
    }
}

/// What a recording comes to: a requirement that is not met and an aspect that is wrong count whatever else was read.
fn standing(audit: &Audit, aspects: &[AspectRow]) -> Standing {
    let any = |wanted: Standing| aspects.iter().any(|row| row.standing == wanted);
    let not_met = audit.requirements.iter().any(|outcome| !outcome.passed && outcome.found.is_some());
    let not_known = audit.requirements.iter().any(|outcome| outcome.found.is_none());
    if any(Standing::Wrong) || not_met {
        Standing::Wrong
    } else if !audit.complete {
        Standing::NotWhole
    } else if not_known
        || !aspects.iter().any(|row| row.aspect == Aspect::Motion && row.standing == Standing::Right)
    {
        // Without motion nothing was seen that could have gone wrong.
        Standing::CannotBeTold
    } else {
        Standing::Right
    }
}

/// The number of the first aspect that is wrong, else of the first that has one.
fn number(aspects: &[AspectRow]) -> Option<String> {
    let wrong = aspects.iter().filter(|row| row.standing == Standing::Wrong);
    wrong.chain(aspects).find_map(|row| row.number.clone())
}

fn aspect_row(judged: &AspectJudgement) -> AspectRow {
    let aspect = match judged.aspect {
        verdict::Aspect::Motion => Aspect::Motion,
        verdict::Aspect::Order => Aspect::Order,
        verdict::Aspect::Mixing => Aspect::Mixing,
        verdict::Aspect::Fields => Aspect::Fields,
        verdict::Aspect::Levels => Aspect::Levels,
        verdict::Aspect::Geometry => Aspect::Geometry,
        verdict::Aspect::Timing => Aspect::Timing,
    };
    let standing = match judged.judgement {
        Judgement::Right => Standing::Right,
        Judgement::Wrong => Standing::Wrong,
        Judgement::CannotBeTold => Standing::CannotBeTold,
        Judgement::NotTested => Standing::NotTested,
    };
    let (number, limit, text) = (judged.number.clone(), judged.limit.clone(), judged.text.clone());
    AspectRow { aspect, standing, number, limit, text }
}

fn event_row(event: &Event) -> EventRow {
    EventRow {
        kind: event.kind.name().to_owned(),
        severity: event.severity.name().to_owned(),
        first_frame: event.first_frame,
        last_frame: event.last_frame,
        time_s: rounded(event.time_s, SECONDS_DECIMALS),
        duration_ms: rounded(event.duration_ms, MS_DECIMALS),
        text: event.line(),
    }
}

/// The stretch around the worst that happened, else a typical one.
fn barcode(audit: &Audit) -> Barcode {
    let whole = audit.frames.len() as u64;
    // What covers the whole recording is seen where it is typical.
    let worst = audit.worst_event().filter(|event| event.last_frame - event.first_frame < whole / 2);
    let wanted = worst.map_or(audit.typical_frame() as u64, |event| event.first_frame.saturating_sub(LEAD));
    let first = wanted.min(whole.saturating_sub(Barcode::FRAMES_MAX as u64));
    let frames = audit.frames.iter().skip(first as usize).take(Barcode::FRAMES_MAX);
    Barcode { first_frame: first, frames: frames.map(letter).collect() }
}

fn letter(frame: &ClassifiedFrame) -> char {
    if frame.flags.contains(FrameFlags::OUT_OF_ORDER) {
        return 'o';
    }
    match frame.class {
        _ if frame.flags.contains(FrameFlags::BLEND) => 'm',
        FrameClass::New => 'n',
        FrameClass::Repeat => 'r',
        FrameClass::Still => 's',
    }
}

fn measures(audit: &Audit) -> Vec<Measure> {
    let device = Device::new("", audit);
    let row = |(measure, value): (&crate::compare::Measure, &crate::compare::Value)| Measure {
        key: measure.key.to_owned(),
        value: value.value.map(|value| rounded(value, VALUE_DECIMALS)),
        uncertainty: rounded(value.uncertainty, VALUE_DECIMALS),
    };
    MEASURES.iter().zip(&device.values).map(row).collect()
}
