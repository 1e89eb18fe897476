//! The one entry: a capture and settings in, an [`Audit`] out.

use std::io::{Read, Write};
use std::sync::atomic::AtomicBool;

use crate::alignment::picture::KeptFrames;
use crate::alignment::{self, Settling, SourceSummary, SourceTrack, Standing};
use crate::cadence::{self, CadenceAnalysis, FrameTimes, StatedRate};
use crate::cancel::{self, Cancel};
use crate::capture::log::{self, LogReader, LogWriter};
use crate::capture::{self, CaptureArg, CaptureFacts, CaptureKind, FrameSource, RateSource};
use crate::classify::{
    self, Classified, ClassifiedFrame, Evidence, EvidenceReader, FrameClass, FrameFlags, Recorder,
};
use crate::error::{Error, Result};
use crate::fingerprint::reduced::reduced_samples;
use crate::fingerprint::{
    CaptureLevels, Digest, FrameFingerprint, LevelSums, MarkReading, ParityDifference, Texture,
};
use crate::frame::{Coding, FrameShape};
use crate::interlace::{self, Circumstances, FieldFindings, FieldSample, FieldSampler, ScanFacts};
use crate::note::{Note, NoteCode};
use crate::pipeline::{self, Control, Progress, ReadingEnd};
use crate::reference::{self, Clip, ClipReading, Marked, PictureFacts, Recording};
use crate::settings::{DeviceFacts, Settings, ViewSettings};
use crate::signatures::{Packer, Signatures};
use crate::units::Rate;
use crate::verdict::gate::{self, Outcome, Requirement};
use crate::verdict::{self, AgainstClip, AspectJudgement, Event, Finding, Played};
use crate::words::counted;

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
    /// Scan, and the fields of an interlaced capture.
    pub fields: FieldFindings,
    /// What became of the clip's fields; `None` where nothing fits.
    pub outcome: Option<interlace::Outcome>,
    /// What was found, most severe first, then by time.
    pub findings: Vec<Finding>,
    /// Caveats.
    pub notes: Vec<Note>,
    /// What happened, in the order of time: findings that belong together are one event.
    pub events: Vec<Event>,
    /// The judgement of every aspect, in their order.
    pub judgements: Vec<AspectJudgement>,
    /// The first sentence of the verdict: what is wrong, how often, how bad.
    pub headline: String,
    /// The verdict in plain sentences.
    pub verdict: String,
    /// What was required, and whether it is met; see [`Audit::hold_against`].
    pub requirements: Vec<Outcome>,
    /// What was recorded, and with what, in the person's words.
    pub device: DeviceFacts,
    /// Rate of the clip that was played, where the person gave it.
    pub given_source_rate: Option<Rate>,
    /// Which pictures of the clip the frames show, where that is known.
    pub source: Option<Source>,
    /// Code values against the nominal ranges; `None` where nothing was looked at.
    pub levels: Option<CaptureLevels>,
    /// One signature per frame, to align the capture with others; empty where an audit was read back.
    pub signatures: Signatures,
    /// Size of the part of the picture that was looked at, pixels.
    pub looked_at: (u32, u32),
}

/// The clip's pictures along the capture, and what that comes to.
#[derive(Clone, Debug, PartialEq)]
pub struct Source {
    /// Which picture each frame shows.
    pub track: SourceTrack,
    /// The numbers.
    pub summary: SourceSummary,
    /// What became of the picture on its way, where there is a reference.
    pub picture: Option<PictureFacts>,
}

impl Source {
    /// Settles classes, order, losses and mixes by the places of the frames, and sums them up.
    fn settle(
        classified: &mut Classified,
        track: SourceTrack,
        (own_repeats, standing, moves): (&[bool], Standing, &[Option<bool>]),
        times: &FrameTimes,
    ) -> Self {
        // The clip tells which pictures are missing.
        classified.notes.retain(|note| note.code != NoteCode::LossesUnknown);
        let delivered_rate = times.delivered_rate;
        let settling = Settling { track: &track, own_repeats, delivered_rate, standing, moves };
        if alignment::settle(&mut classified.frames, settling) == 0 {
            // The clip tells still from frozen.
            classified.notes.retain(|note| note.code != NoteCode::StillOrFrozen);
        }
        let summary = SourceSummary::new(&track, &times.ticks, times.base);
        Self { track, summary, picture: None }
    }
}

impl Audit {
    /// Holds the audit against requirements, in place of earlier ones.
    pub fn hold_against(&mut self, requirements: &[Requirement]) {
        let facts = gate::Facts { frames: &self.frames, cadence: &self.cadence, played: self.played() };
        self.requirements = gate::outcomes(requirements, &facts);
    }
}

/// Decimals of a call's confidence: the mark of 0.95 must not be reached by rounding alone.
pub const CONFIDENCE_DECIMALS: usize = 4;
/// Decimals of a call's change: one code value in one sample of a 16 × 16 block is 0.0039.
pub const CHANGE_DECIMALS: usize = 4;

/// `value` in units of the last decimal; negative values and what is no number become 0.
pub fn fixed(value: f32, decimals: usize) -> u64 {
    (f64::from(value) * 10f64.powi(decimals as i32)).round() as u64
}

/// The value of so many units of the last decimal.
pub fn from_fixed(units: u64, decimals: usize) -> f32 {
    (units as f64 / 10f64.powi(decimals as i32)) as f32
}

impl Audit {
    /// What is known of the clip that was played.
    fn played(&self) -> Played<'_> {
        Played {
            rate: self.given_source_rate.or(self.source.as_ref().map(|source| source.track.clip_rate)),
            summary: self.source.as_ref().map(|source| &source.summary),
            picture: self.against_clip(),
        }
    }

    /// What is known of the picture beside the clip's.
    pub fn against_clip(&self) -> Option<AgainstClip> {
        let picture = self.source.as_ref()?.picture.as_ref()?;
        Some(AgainstClip {
            clip_size: picture.clip_size,
            capture_size: (self.facts.shape.width, self.facts.shape.height),
            mirrored: picture.mirrored,
            measures: picture.measures,
        })
    }

    /// Findings, notes and verdict from what they rest on; an audit that is read back must give them again.
    pub fn conclusion(&self) -> verdict::Conclusion {
        let case = verdict::Case {
            frames: &self.frames,
            times: &self.times,
            cadence: &self.cadence,
            played: self.played(),
            scan: self.fields.scan.scan,
            outcome: self.outcome.as_ref(),
            rows: self.facts.shape.height,
            levels: self.levels,
        };
        verdict::conclude(&case, self.complete)
    }

    /// Takes a conclusion over, and gives back its notes.
    pub(crate) fn conclude_by(&mut self, conclusion: verdict::Conclusion) -> Vec<Note> {
        let verdict::Conclusion { findings, events, judgements, notes, headline, verdict } = conclusion;
        (self.findings, self.events, self.judgements) = (findings, events, judgements);
        (self.headline, self.verdict) = (headline, verdict);
        notes
    }

    /// The worst event: of equally bad ones the first.
    pub fn worst_event(&self) -> Option<&Event> {
        verdict::worst(&self.events)
    }

    /// Marks the audit as one that was stopped before everything was done, if it is not marked so yet; `what` says before
    /// what.
    pub fn interrupt(&mut self, what: &str) {
        if self.notes.iter().any(|note| note.code == NoteCode::Interrupted) {
            return;
        }
        let text = format!("{what} Run again to the end for a whole audit.");
        self.notes.push(Note::new(NoteCode::Interrupted, text));
        self.complete = false;
        let conclusion = self.conclusion();
        self.conclude_by(conclusion);
    }
}

/// Frames from the beginning of a segment to a typical stretch of it: what came before is out of sight then.
const TYPICAL_AFTER: u64 = 12;

impl Audit {
    /// The first frame of a typical stretch: where the dominant pattern holds longest; without a pattern, the
    /// first frame in motion.
    pub fn typical_frame(&self) -> usize {
        let dominant = self.cadence.pattern.as_ref();
        let longest = self
            .cadence
            .segments
            .iter()
            .filter(|segment| Some(&segment.pattern) == dominant)
            .max_by_key(|segment| segment.last_frame.saturating_sub(segment.first_frame));
        match longest {
            // Past what made the segment begin, where something did.
            Some(segment) if segment.first_frame > 0 => {
                let room = segment.last_frame.saturating_sub(segment.first_frame) / 2;
                let from = usize::try_from(segment.first_frame + room.min(TYPICAL_AFTER)).unwrap_or(0);
                let new = |frame: &ClassifiedFrame| frame.class == FrameClass::New;
                let rest = self.frames.get(from..).unwrap_or_default();
                from + rest.iter().position(new).unwrap_or(0)
            }
            Some(_) => 0,
            None => self.frames.iter().skip(1).position(|frame| frame.class == FrameClass::New).unwrap_or(0),
        }
    }
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
    cancel::attended(run.stop, |cancel| {
        let sniffed = unless_cancelled(cancel, capture::sniff(capture, cancel))?;
        if sniffed.kind() != CaptureKind::FingerprintLog {
            let source = unless_cancelled(cancel, sniffed.open(&settings.reading))?;
            let facts = source.facts();
            let clip = clip(settings, (facts.shape, &settings.view), run, cancel)?;
            let log = settings.capture_log.as_deref();
            let log = log.and_then(|log| log::of_capture(log, (facts, &settings.view), cancel));
            if let Some(log) = log {
                drop(source);
                return audit_log(log, clip.as_ref(), settings, run);
            }
            return audit_source_against(source, clip.as_ref(), settings, run);
        }
        let place = sniffed.place().to_owned();
        refuse_pixel_settings(settings, &place)?;
        match sniffed.into_reader() {
            Some(bytes) => {
                let log = unless_cancelled(cancel, LogReader::open(bytes, place))?;
                let header = log.header();
                let clip = clip(settings, (header.facts.shape, &header.view), run, cancel)?;
                audit_log(log, clip.as_ref(), settings, run)
            }
            None => unreachable!("a log is a file or a stream"),
        }
    })
}

/// What opening came to; where it was ended from outside, that is the reason and not what followed from it.
fn unless_cancelled<T>(cancel: &Cancel, opened: Result<T>) -> Result<T> {
    opened.map_err(|error| {
        if !cancel.is_cancelled() {
            return error;
        }
        let cause = "no frame had been read, so there is no report";
        Error::new(error.place, "interrupted", cause, "run it again to the end")
    })
}

/// The clip that was played, where the person gives it, for a capture of pictures of a shape seen through a view.
fn clip(
    settings: &Settings,
    (shape, view): (FrameShape, &ViewSettings),
    run: Run<'_>,
    cancel: &Cancel,
) -> Result<Option<Clip>> {
    let Some(path) = &settings.reference else { return Ok(None) };
    let read = reference::read(ClipReading { path, settings, shape, view }, &run.control(settings), cancel);
    unless_cancelled(cancel, read).map(Some)
}

/// Audits an open source of frames, whatever clip the settings name.
///
/// # Errors
/// As [`audit`].
pub fn audit_source(source: Box<dyn FrameSource>, settings: &Settings, run: Run<'_>) -> Result<Audit> {
    audit_source_against(source, None, settings, run)
}

fn audit_source_against(
    source: Box<dyn FrameSource>,
    clip: Option<&Clip>,
    settings: &Settings,
    run: Run<'_>,
) -> Result<Audit> {
    let facts = source.facts().clone();
    let mut gathered = Gathered::against(clip);
    let end = pipeline::fingerprint_capture(source, &settings.view, &run.control(settings), |fingerprint| {
        gathered.push(&fingerprint);
        Ok(())
    })?;
    conclude(Reading { facts, view: &settings.view, end }.checked()?, gathered, clip, settings)
}

/// Audits fingerprints that are at hand, in order from frame 0, of a capture with these `facts`.
pub fn audit_fingerprints<'a>(
    facts: CaptureFacts,
    fingerprints: impl IntoIterator<Item = &'a FrameFingerprint>,
    settings: &Settings,
) -> Audit {
    audit_fingerprints_against(facts, fingerprints, None, settings)
        .unwrap_or_else(|_| unreachable!("only a clip can be the wrong one"))
}

/// As [`audit_fingerprints`], against the clip that was played.
///
/// # Errors
/// The capture does not show the clip.
pub fn audit_fingerprints_against<'a>(
    facts: CaptureFacts,
    fingerprints: impl IntoIterator<Item = &'a FrameFingerprint>,
    clip: Option<&Clip>,
    settings: &Settings,
) -> Result<Audit> {
    let mut gathered = Gathered::against(clip);
    fingerprints.into_iter().for_each(|fingerprint| gathered.push(fingerprint));
    conclude(Reading { facts, view: &settings.view, end: ReadingEnd::default() }, gathered, clip, settings)
}

/// Audits a fingerprint log: from here on the same as its capture.
fn audit_log<R: Read + Send>(
    log: LogReader<R>,
    clip: Option<&Clip>,
    settings: &Settings,
    run: Run<'_>,
) -> Result<Audit> {
    let header = log.header().clone();
    let mut gathered = Gathered::against(clip);
    let end = pipeline::read_log(log, &run.control(settings), |fingerprint| gathered.push(fingerprint))?;
    conclude(Reading { facts: header.facts, view: &header.view, end }.checked()?, gathered, clip, settings)
}

/// A log has no pixels and its own times: settings that would need others are refused, not ignored.
fn refuse_pixel_settings(settings: &Settings, place: &str) -> Result<()> {
    let reading = &settings.reading;
    if settings.view == ViewSettings::default() && reading.timestamps.is_none() && reading.stream.is_none() {
        return Ok(());
    }
    Err(Error::new(
        place,
        "cannot take --region, --exclude, --timestamps or --stream",
        "a fingerprint log holds no pixels and has its own times",
        "give these options to `evenbeat fingerprint` when the log is made",
    ))
}

/// Writes the fingerprint log of a capture to `out`, which errors call `place`.
///
/// # Errors
/// The capture cannot be read at all, is a log itself, or `out` cannot be written.
pub fn write_log(
    capture: &CaptureArg,
    settings: &Settings,
    run: Run<'_>,
    (place, out): (&str, impl Write),
) -> Result<ReadingEnd> {
    cancel::attended(run.stop, |cancel| {
        let sniffed = unless_cancelled(cancel, capture::sniff(capture, cancel))?;
        let source = unless_cancelled(cancel, sniffed.open(&settings.reading))?;
        let mut log = LogWriter::new(out, place, source.facts(), &settings.view)?;
        let end =
            pipeline::fingerprint_capture(source, &settings.view, &run.control(settings), |fingerprint| {
                log.push(&fingerprint)
            })?;
        log.finish(&end)?;
        Ok(end)
    })
}

impl<'a> Run<'a> {
    fn control(self, settings: &Settings) -> Control<'a> {
        Control { workers: settings.reading.threads, progress: self.progress, stop: self.stop }
    }
}

/// How a capture or its log was read.
struct Reading<'a> {
    facts: CaptureFacts,
    view: &'a ViewSettings,
    end: ReadingEnd,
}

impl Reading<'_> {
    /// Itself, or the error that kept it from its first frame.
    fn checked(self) -> Result<Self> {
        match self.end.error {
            Some(error) if self.end.frames == 0 => Err(error),
            _ => Ok(self),
        }
    }

    /// Caveats of the reading.
    fn notes(&self) -> Vec<Note> {
        let mut notes = self.end.end.notes.clone();
        if let Some(error) = &self.end.error {
            let (frames, error) = (self.end.frames, error.told_to_others());
            let text = format!("Reading broke off after {}: {error}.", counted(frames, "frame"));
            notes.push(Note::new(NoteCode::BrokenOff, text));
        }
        if *self.view != ViewSettings::default() {
            let text =
                "Only a part of the picture was looked at, as asked: what changes elsewhere is not seen.";
            notes.push(Note::new(NoteCode::PartOfPicture, text));
        }
        notes
    }
}

/// What classification needs of the fingerprints, without the rest.
#[derive(Default)]
struct Gathered {
    evidence: EvidenceReader,
    sampler: FieldSampler,
    fields: Vec<FieldSample>,
    ticks: Vec<Option<i64>>,
    missing_before: Vec<u32>,
    digests: blake3::Hasher,
    signatures: Packer,
    kept: KeptFrames,
    levels: LevelSums,
    /// How the fields of each frame differ; `None` where nothing asks for it.
    differences: Option<Vec<ParityDifference>>,
    /// The texture of each frame; likewise.
    textures: Option<Vec<Texture>>,
    /// Up to the last frame that has any: most captures have none.
    marks: Vec<Option<MarkReading>>,
}

impl Gathered {
    /// What is needed for a capture of this clip.
    fn against(clip: Option<&Clip>) -> Self {
        let differences = clip.filter(|clip| clip.is_interlaced()).map(|_| Vec::new());
        let textures = clip.filter(|clip| !clip.is_interlaced()).map(|_| Vec::new());
        Self { differences, textures, ..Self::default() }
    }

    fn push(&mut self, fingerprint: &FrameFingerprint) {
        self.evidence.push(fingerprint);
        self.fields.push(self.sampler.next(fingerprint));
        self.ticks.push(fingerprint.ticks);
        self.signatures.push(&fingerprint.signature);
        self.levels.add(fingerprint.levels);
        self.kept.push(fingerprint);
        if let Some(differences) = &mut self.differences {
            differences.push(fingerprint.parity_difference);
        }
        if let Some(textures) = &mut self.textures {
            textures.push(fingerprint.texture);
        }
        self.digests.update(&fingerprint.digest);
        if fingerprint.marks.is_some() {
            self.marks.resize(self.evidence.len() - 1, None);
            self.marks.push(fingerprint.marks);
        }
        if fingerprint.missing_before > 0 {
            self.missing_before.resize(self.evidence.len() - 1, 0);
            self.missing_before.push(fingerprint.missing_before);
        }
    }
}

/// Everything after the pixels: pure from here on.
fn conclude(
    reading: Reading<'_>,
    gathered: Gathered,
    clip: Option<&Clip>,
    settings: &Settings,
) -> Result<Audit> {
    let Gathered {
        evidence,
        sampler: _,
        fields: samples,
        ticks,
        missing_before,
        digests,
        signatures,
        kept,
        levels,
        differences,
        textures,
        marks,
    } = gathered;
    let signatures = signatures.finish();
    let mut evidence = evidence.finish();
    let mut notes = reading.notes();
    let complete = !notes.iter().any(|note| note.code.makes_incomplete());
    let Reading { facts, view, .. } = reading;
    let whole = (facts.shape.width, facts.shape.height);
    let levels = levels.finish(facts.shape);
    let looked_at = view.region.map_or(whole, |region| (region.width, region.height));
    let settled =
        cadence::frame_times(stated_rate(&facts, settings), facts.time_base, &ticks, &missing_before);
    drop(ticks);
    for (frame, _) in cadence::gaps(&settled.times) {
        evidence[frame as usize].after_gap = true;
    }
    let mut classified = classify::classify(
        &evidence,
        Recorder { coding: facts.coding, samples: reduced_samples(looked_at) },
        settled.times.delivered_rate.period_ms() / 1000.0,
        |stretches, part| pipeline::each(stretches, part),
    );
    drop(evidence);
    let scan = ScanFacts {
        flagged: facts.scan,
        given: settings.scan,
        delivered_rate: settled.times.delivered_rate,
        frames: classified.frames.len(),
        coding: facts.coding,
    };
    let fields = interlace::mark(&mut classified.frames, &samples, &settled.times, &scan);
    drop(samples);
    notes.extend(settled.notes);
    let source = match clip {
        Some(clip) => {
            notes.extend(clip.notes.iter().cloned());
            notes.extend(clip.range_note(facts.range));
            let same_as_before: Vec<bool> =
                classified.frames.iter().map(|frame| frame.evidence == Evidence::Digest).collect();
            let moves: Vec<Option<bool>> = classified.frames.iter().map(sure_move).collect();
            let digests: Vec<Digest> = classified.frames.iter().map(|frame| frame.digest).collect();
            let (track, picture) = clip.track(Recording {
                shape: facts.shape,
                view,
                signatures: &signatures.unpacked(),
                textures: textures.as_deref().unwrap_or_default(),
                digests: &digests,
                moves: &moves,
                same_as_before: &same_as_before,
                delivered_rate: settled.times.delivered_rate,
                coding: facts.coding,
                range: facts.range,
                mixes: mixes(&classified.frames),
                differences: differences.as_deref().unwrap_or_default(),
                scan: &fields.scan,
                kept: kept.frames(),
            })?;
            // Marks are numbers, and decide where both are there.
            let marked = clip.marked_track(&marks, signatures.len());
            let known: (&[bool], Standing, &[Option<bool>]) = match &marked {
                Some(_) => (&[], Standing::EXACT, &[]),
                None if picture.has_errors() || facts.coding == Coding::Lossy => {
                    (&clip.own_repeats, Standing::WITH_ERRORS, &moves)
                }
                None => (&clip.own_repeats, Standing::EXACT, &[]),
            };
            let track = marked.unwrap_or(track);
            Some(Source {
                picture: Some(picture),
                ..Source::settle(&mut classified, track, known, &settled.times)
            })
        }
        None => alignment::marks::track(&marks, signatures.len()).map(|track| {
            let unpacked = signatures.unpacked();
            let marked = |clip| Marked {
                clip,
                places: &track.places,
                kept: kept.frames(),
                signatures: &unpacked,
                shape: facts.shape,
                range: facts.range,
                view,
            };
            let picture =
                alignment::marks::most_frequent_clip(&marks).and_then(|clip| marked(clip).picture());
            let known = (&[][..], Standing::EXACT, &[][..]);
            Source { picture, ..Source::settle(&mut classified, track, known, &settled.times) }
        }),
    };
    // What is concluded rests on what is written, so that it can be concluded again from that.
    for frame in &mut classified.frames {
        frame.confidence = from_fixed(fixed(frame.confidence, CONFIDENCE_DECIMALS), CONFIDENCE_DECIMALS);
        frame.change = from_fixed(fixed(frame.change, CHANGE_DECIMALS), CHANGE_DECIMALS);
    }
    let cadence = cadence::analyse(&classified.frames, &settled.times);
    let around = Circumstances {
        cadence: &cadence,
        delivered_rate: settled.times.delivered_rate,
        flagged: facts.scan,
        clip_has_fields: clip.is_some_and(Clip::is_interlaced),
        mixes: classify::count_flagged(&classified.frames, FrameFlags::BLEND),
        frames: classified.frames.len() as u64,
        rows: facts.shape.height,
    };
    let outcome = interlace::outcome(&fields, &around);
    notes.extend(classified.notes);
    let mut audit = Audit {
        facts,
        rate_source: settled.source,
        complete,
        digest: *digests.finalize().as_bytes(),
        frames: classified.frames,
        times: settled.times,
        cadence,
        fields,
        outcome,
        findings: Vec::new(),
        events: Vec::new(),
        judgements: Vec::new(),
        notes,
        headline: String::new(),
        verdict: String::new(),
        requirements: Vec::new(),
        device: settings.device.clone(),
        given_source_rate: settings.source_rate,
        source,
        levels,
        signatures,
        looked_at,
    };
    let conclusion = audit.conclusion();
    let notes = audit.conclude_by(conclusion);
    audit.notes.extend(notes);
    if clip.is_some_and(Clip::was_cancelled) {
        audit.interrupt("Stopped while the clip was read once more: frames are placed in it less finely.");
    }
    Ok(audit)
}

/// Confidence from which a call without the clip is evidence of where a frame lies in it.
const MOVE_SURE: f32 = 0.95;

/// Whether a frame shows another picture than the one before, where that is sure.
fn sure_move(frame: &ClassifiedFrame) -> Option<bool> {
    (frame.confidence >= MOVE_SURE).then_some(frame.class == FrameClass::New)
}

/// Share of mixes from which a device mixes as a way of converting rates. Choice.
const MIXING_SHARE: f64 = 0.05;

/// Whether many frames are mixes by measure.
fn mixes(frames: &[ClassifiedFrame]) -> bool {
    classify::count_flagged(frames, FrameFlags::BLEND) as f64 > MIXING_SHARE * frames.len() as f64
}

/// The rate that the person gives, else the one the capture states.
fn stated_rate(facts: &CaptureFacts, settings: &Settings) -> Option<StatedRate> {
    if let Some(rate) = settings.reading.rate {
        return Some(StatedRate { rate, source: RateSource::Given });
    }
    facts
        .nominal_rate
        .map(|rate| StatedRate { rate, source: facts.rate_source.unwrap_or(RateSource::Header) })
}
