//! The one place where the bench meets what it judges.

use std::fs::{self, File};
use std::io::BufWriter;
use std::path::{Path, PathBuf};

use evenbeat::audit::audit_fingerprints;
use evenbeat::cadence::CadenceAnalysis;
use evenbeat::capture::log::{LogReader, LogWriter};
use evenbeat::capture::{CaptureFacts, FrameSource};
use evenbeat::classify::ClassifiedFrame;
use evenbeat::fingerprint::{FrameFingerprint, FrameMeter, ReducedPicture, Sequencer, ViewPlan};
use evenbeat::note::Note;
use evenbeat::pipeline::ReadingEnd;
use evenbeat::settings::{Settings, ViewSettings};
use evenbeat::verdict::Finding;

/// What was found in one cell.
#[derive(Default)]
pub struct Judged {
    pub frames: Vec<ClassifiedFrame>,
    /// `None` where the judge has no cadence stage: patterns, stalls and findings are then not scored.
    pub cadence: Option<CadenceAnalysis>,
    pub findings: Vec<Finding>,
    #[allow(dead_code, reason = "not every bench reads them")]
    pub notes: Vec<Note>,
}

/// Names of the columns that [`measures`] writes.
pub const MEASURES: &str = "luma_change,chroma_change,\
offset,energy,energy_two_back,unexplained,fine_energy,motion_x,motion_y,motion_peak,fine_energy_two_back,detail";

/// The numbers of a fingerprint that new and repeat are told by, separated by commas.
pub fn measures(print: &FrameFingerprint) -> String {
    let reduced = print.reduced;
    let numbers = [
        print.luma_change,
        print.chroma_change,
        reduced.offset,
        reduced.energy,
        reduced.energy_two_back,
        reduced.unexplained,
        reduced.fine_energy,
        reduced.motion_x,
        reduced.motion_y,
        reduced.motion_peak,
        reduced.fine_energy_two_back,
        reduced.detail,
    ];
    numbers.map(|number| number.to_string()).join(",")
}

/// Judges fingerprints by the audit that users get, with default settings.
pub fn judge(facts: &CaptureFacts, fingerprints: &[FrameFingerprint]) -> Judged {
    let audit = audit_fingerprints(facts.clone(), fingerprints, &Settings::default());
    Judged {
        frames: audit.frames,
        cadence: Some(audit.cadence),
        findings: audit.findings,
        notes: audit.notes,
    }
}

/// Facts and fingerprints of a cell: from the log of that name in `kept`, if there is one; otherwise measured,
/// and left there.
pub fn measured(
    open: impl FnOnce() -> Box<dyn FrameSource>,
    kept: Option<&Path>,
) -> (CaptureFacts, Vec<FrameFingerprint>) {
    if let Some(log) = kept.and_then(|path| File::open(path).ok()) {
        let mut log = LogReader::open(log, "kept log").expect("a log of the bench");
        let mut fingerprints = Vec::new();
        while let Some(fingerprint) = log.next_fingerprint().expect("a whole log") {
            fingerprints.push(fingerprint);
        }
        return (log.header().facts.clone(), fingerprints);
    }
    let source = open();
    let facts = source.facts().clone();
    let fingerprints = fingerprints(source);
    if let Some(path) = kept {
        keep(path, &facts, &fingerprints);
    }
    (facts, fingerprints)
}

fn keep(path: &Path, facts: &CaptureFacts, fingerprints: &[FrameFingerprint]) {
    fs::create_dir_all(path.parent().expect("a folder")).expect("the folder can be created");
    let part = PathBuf::from(format!("{}.part", path.display()));
    let out = BufWriter::new(File::create(&part).expect("the log can be written"));
    let mut log = LogWriter::new(out, "kept log", facts, &ViewSettings::default()).expect("a header");
    fingerprints.iter().for_each(|fingerprint| log.push(fingerprint).expect("a record"));
    let end = ReadingEnd { frames: fingerprints.len() as u64, ..ReadingEnd::default() };
    log.finish(&end).expect("the end of the log");
    fs::rename(part, path).expect("the log gets its name");
}

/// Fingerprints of the frames of a cell, by one worker.
fn fingerprints(mut source: Box<dyn FrameSource>) -> Vec<FrameFingerprint> {
    let plan = ViewPlan::new(source.facts().shape, &ViewSettings::default());
    let (mut meter, mut sequencer) = (FrameMeter::default(), Sequencer::default());
    let (mut now, mut before) = (Vec::new(), None);
    let mut spent = ReducedPicture::default();
    let mut fingerprints = Vec::new();
    while let Some(timing) = source.read_frame(&mut now).expect("a frame of the bench") {
        let measures = meter.measure(&plan, &now, before.as_deref(), spent);
        let (fingerprint, unused) = sequencer.push(timing, measures);
        spent = unused.unwrap_or_default();
        fingerprints.push(fingerprint);
        let unused = before.replace(std::mem::take(&mut now));
        now = unused.unwrap_or_default();
    }
    source.finish();
    fingerprints
}
