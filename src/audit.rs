//! The one entry: a capture and settings in, an [`Audit`] out.

use std::sync::atomic::AtomicBool;

use crate::cadence::{self, CadenceAnalysis, FrameTimes};
use crate::capture::log::LogReader;
use crate::capture::{CaptureArg, CaptureEnd, CaptureFacts, CaptureKind, FrameSource, RateSource, SniffedCapture};
use crate::classify::{self, ClassifiedFrame, FrameEvidence};
use crate::error::{Error, Result};
use crate::fingerprint::{Digest, FrameFingerprint};
use crate::note::{Note, NoteCode};
use crate::pipeline::{self, Progress};
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
    if sniffed.kind() == CaptureKind::FingerprintLog {
        return audit_log(sniffed, settings, run);
    }
    audit_source(sniffed.open(&settings.reading)?, settings, run)
}

/// Audits an open source of frames.
///
/// # Errors
/// As [`audit`].
pub fn audit_source(source: Box<dyn FrameSource>, settings: &Settings, run: Run<'_>) -> Result<Audit> {
    let facts = source.facts().clone();
    let mut gathered = Gathered::default();
    let end = pipeline::fingerprint_capture(source, &settings.view, run.progress, run.stop, |fingerprint| {
        gathered.push(&fingerprint);
        Ok(())
    })?;
    Ok(conclude(facts, gathered, end, settings))
}

/// Audits a fingerprint log: from here on the same as its capture.
fn audit_log(sniffed: SniffedCapture, settings: &Settings, run: Run<'_>) -> Result<Audit> {
    let view = &settings.view;
    if *view != ViewSettings::default() {
        return Err(Error::new(
            sniffed.place(),
            "cannot look at a part of the picture",
            "a fingerprint log holds no pixels",
            "give --region and --exclude when the log is made",
        ));
    }
    let mut log = LogReader::open(sniffed)?;
    let mut gathered = Gathered::default();
    while let Some(fingerprint) = log.read_fingerprint()? {
        gathered.push(&fingerprint);
    }
    todo!()
}
