//! The one entry: a capture and settings in, an [`Audit`] out.

use std::sync::atomic::AtomicBool;

use crate::cadence::{self, CadenceAnalysis, FrameTimes, StatedRate};
use crate::capture::{CaptureArg, CaptureFacts, CaptureKind, FrameSource, RateSource, SniffedCapture};
use crate::classify::{self, ClassifiedFrame, FrameEvidence};
use crate::error::{Error, Result};
use crate::fingerprint::{Digest, FrameFingerprint};
use crate::note::{Note, NoteCode};
use crate::pipeline::{self, Control, Progress, ReadingEnd};
use crate::settings::{Settings, ViewSettings};
use crate::verdict::{self, Finding};

/// Everything found about one capture. Reports are written from this and nothing else.
#[derive(Clone, Debug, PartialEq)]
pub struct Audit {
    /// What the capture says of itself.
    pub facts: CaptureFacts,
    /// Where the delivered rate in `times` comes from.
    pub rate_source: RateSource,
    /// Whether every frame of the capture was read whole.
    pub complete: bool,
    /// BLAKE3 over all frame digests in order: the same for a capture and its fingerprint log.
    pub digest: Digest,
    /// One verdict per frame.
    pub frames: Vec<ClassifiedFrame>,
    /// One time per frame.
    pub times: FrameTimes,
    /// Holds, patterns, judder, timing.
    pub cadence: CadenceAnalysis,
    /// What was found, most severe first, then by time.
    pub findings: Vec<Finding>,
    /// Caveats.
    pub notes: Vec<Note>,
    /// The verdict in plain sentences.
    pub verdict: String,
}

/// What surrounds a run: who watches and who may stop it.
#[derive(Clone, Copy)]
pub struct Run<'a> {
    /// Told how far reading is.
    pub progress: &'a dyn Progress,
    /// Set from outside to end reading soon; what was read is audited.
    pub stop: &'a AtomicBool,
}

/// Audits a capture or its fingerprint log.
///
/// # Errors
/// The capture cannot be read at all. A capture that breaks off is audited as far as it goes and marked incomplete.
pub fn audit(capture: &CaptureArg, settings: &Settings, run: Run<'_>) -> Result<Audit> {
    let sniffed = crate::capture::sniff(capture)?;
    audit_source(sniffed.open(&settings.reading)?, settings, run)
}

/// Audits an open source of frames.
///
/// # Errors
/// As [`audit`].
pub fn audit_source(source: Box<dyn FrameSource>, settings: &Settings, run: Run<'_>) -> Result<Audit> {
    let facts = source.facts().clone();
    let mut gathered = Gathered::default();
    let control = Control { workers: None, progress: run.progress, stop: run.stop };
    let end = pipeline::fingerprint_capture(source, &settings.view, &control, |fingerprint| {
        gathered.push(&fingerprint);
        Ok(())
    })?;
    let notes = reading_notes(end)?;
    Ok(conclude(facts, gathered, notes, settings))
}

/// What classification needs of the fingerprints, without the rest.
#[derive(Default)]
struct Gathered {
    evidence: Vec<FrameEvidence>,
    ticks: Vec<Option<i64>>,
    missing_before: Vec<u32>,
    digests: blake3::Hasher,
}

impl Gathered {
    fn push(&mut self, fingerprint: &FrameFingerprint) {
        self.evidence.push(FrameEvidence::new(fingerprint));
        self.ticks.push(fingerprint.ticks);
        self.digests.update(&fingerprint.digest);
        if fingerprint.missing_before > 0 {
            self.missing_before.resize(self.evidence.len() - 1, 0);
            self.missing_before.push(fingerprint.missing_before);
        }
    }
}

/// The notes of a reading; one that broke off before its first frame is an error.
fn reading_notes(end: ReadingEnd) -> Result<Vec<Note>> {
    let mut notes = end.end.notes;
    if let Some(error) = end.error {
        if end.frames == 0 {
            return Err(error);
        }
        notes.push(Note::new(NoteCode::BrokenOff, format!("reading broke off after {} frames: {error}", end.frames)));
    }
    Ok(notes)
}

/// Everything after the pixels: pure from here on.
fn conclude(facts: CaptureFacts, gathered: Gathered, mut notes: Vec<Note>, settings: &Settings) -> Audit {
    let Gathered { mut evidence, ticks, missing_before, digests } = gathered;
    let settled = cadence::frame_times(stated_rate(&facts, settings), facts.time_base, &ticks, &missing_before);
    for (frame, _) in cadence::gaps(&settled.times) {
        evidence[frame as usize].after_gap = true;
    }
    let period_s = settled.times.delivered_rate.period_ms() / 1000.0;
    let classified = classify::classify(&evidence, period_s);
    drop(evidence);
    let cadence = cadence::analyse(&classified.frames, &settled.times);
    let complete = !notes.iter().any(|note| note.code.makes_incomplete());
    let conclusion =
        verdict::conclude(&classified.frames, &settled.times, &cadence, settings.source_rate, complete);
    notes.extend(settled.notes);
    notes.extend(classified.notes);
    notes.extend(conclusion.notes);
    Audit {
        facts,
        rate_source: settled.source,
        complete,
        digest: *digests.finalize().as_bytes(),
        frames: classified.frames,
        times: settled.times,
        cadence,
        findings: conclusion.findings,
        notes,
        verdict: conclusion.verdict,
    }
}

/// The rate that the person gives, else the one the capture states.
fn stated_rate(facts: &CaptureFacts, settings: &Settings) -> Option<StatedRate> {
    if let Some(rate) = settings.reading.rate {
        return Some(StatedRate { rate, source: RateSource::Given });
    }
    facts.nominal_rate.map(|rate| StatedRate { rate, source: facts.rate_source.unwrap_or(RateSource::Header) })
}
