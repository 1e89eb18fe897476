//! Reading the clip, or its fingerprint log.

use std::path::{Path, PathBuf};

use crate::alignment::fields::{level_parities, WovenFrames};
use crate::alignment::{Signature, Texture};
use crate::cadence::{self, StatedRate};
use crate::cancel::Cancel;
use crate::capture::log::{self, LogReader};
use crate::capture::{self, CaptureArg, CaptureFacts, CaptureKind, RateSource};
use crate::classify::{self, Evidence, EvidenceReader, FrameClass, Recorder};
use crate::error::{Error, Result};
use crate::fingerprint::reduced::reduced_samples;
use crate::fingerprint::{Digest, FrameFingerprint, LumaEnds, MarkReading, ParityDifference};
use crate::frame::{FrameShape, Rect, Scan};
use crate::interlace::{self, FieldSample, FieldSampler, ScanFacts};
use crate::note::{Note, NoteCode};
use crate::pipeline::{self, Control, ReadingEnd};
use crate::settings::{PathNames, ReadingSettings, Settings, ViewSettings};
use crate::units::Rate;

use super::{Clip, FieldOrder, OWN_REPEAT_SURE};

/// How a clip is read once more.
#[derive(Clone, Debug)]
pub(super) struct Again {
    pub path: PathBuf,
    pub settings: ReadingSettings,
}

/// What of a clip is read.
#[derive(Clone, Copy)]
pub struct ClipReading<'a> {
    /// The clip, or its fingerprint log.
    pub path: &'a Path,
    /// How the capture is read and which rate the person states for the clip.
    pub settings: &'a Settings,
    /// Size of the capture's pictures.
    pub shape: FrameShape,
    /// The part of the capture's picture that is looked at: the same part of the clip is.
    pub view: &'a ViewSettings,
}

/// Reads a clip, or its fingerprint log.
///
/// # Errors
/// It cannot be read, or holds no picture.
pub fn read(reading: ClipReading<'_>, control: &Control<'_>, cancel: &Cancel) -> Result<Clip> {
    let argument = CaptureArg::Path(PathBuf::from(reading.path));
    let sniffed = capture::sniff(&argument, cancel).map_err(|error| of_clip(reading.path, error))?;
    let place = sniffed.place().to_owned();
    let mut gathered = Gathered::default();
    let mut again = None;
    let (facts, view, end) = if sniffed.kind() == CaptureKind::FingerprintLog {
        let bytes = sniffed.into_reader().ok_or_else(|| empty(&place))?;
        let mut log = LogReader::open(bytes, place.clone())?;
        while let Some(fingerprint) = log.next_fingerprint()? {
            gathered.push(&fingerprint);
        }
        let header = log.header().clone();
        (header.facts, header.view, log.finish())
    } else {
        let ReadingSettings { decoder, threads, .. } = reading.settings.reading.clone();
        let settings = ReadingSettings { decoder, threads, ..ReadingSettings::default() };
        let opened = sniffed.open(&settings);
        let source = opened.map_err(|error| of_clip(reading.path, error))?;
        let facts = source.facts().clone();
        let can_be_reread = reading.path.is_file() || reading.path.is_dir();
        again = can_be_reread.then(|| Again { path: reading.path.to_owned(), settings });
        // What is left out of the capture is left out of the comparison: a device may have moved it.
        let view = ViewSettings { exclude: Vec::new(), ..scaled(reading.view, reading.shape, facts.shape) };
        let end = match from_log(reading.settings.reference_log.as_deref(), (&facts, &view), cancel) {
            Some((kept, end)) => {
                gathered = kept;
                end
            }
            None => pipeline::fingerprint_capture(source, &view, control, |fingerprint| {
                gathered.push(&fingerprint);
                Ok(())
            })?,
        };
        (facts, view, end)
    };
    if gathered.signatures.is_empty() {
        return Err(end.error.unwrap_or_else(|| empty(&place)));
    }
    let notes = notes(&PathNames::Last.of(place.as_ref()), &end);
    let said = Said { rate: reading.settings.source_rate, scan: reading.settings.reference_scan };
    Ok(Clip { again, cancel: cancel.clone(), ..gathered.clip((place, facts, view, notes), said) })
}

/// The pictures of a clip from its log; `None` where there is none, or one of something else.
fn from_log(
    path: Option<&Path>,
    (facts, view): (&CaptureFacts, &ViewSettings),
    cancel: &Cancel,
) -> Option<(Gathered, ReadingEnd)> {
    let mut log = log::of_capture(path?, (facts, view), cancel)?;
    let mut gathered = Gathered::default();
    while let Some(fingerprint) = log.next_fingerprint().ok()? {
        gathered.push(&fingerprint);
    }
    Some((gathered, log.finish()))
}

fn empty(place: &str) -> Error {
    Error::new(place, "cannot serve as the reference", "it holds no picture", "give the clip that was played")
}

/// An error of the clip says what the clip is for.
fn of_clip(path: &Path, error: Error) -> Error {
    let what = error.what.replace("cannot read capture", "cannot read the reference clip");
    let place = if error.place.is_empty() { path.display().to_string() } else { error.place };
    Error { place, what, ..error }
}

fn notes(place: &str, end: &ReadingEnd) -> Vec<Note> {
    if end.is_complete() {
        return Vec::new();
    }
    let cause = match &end.error {
        Some(error) => error.told_to_others(),
        None => end.end.notes.iter().map(|note| note.text.as_str()).collect::<Vec<_>>().join(" "),
    };
    let text = format!(
        "The reference clip {place} was not read whole: pictures after the {} that were read are not known. {cause}",
        end.frames
    );
    vec![Note::new(NoteCode::ReferenceIncomplete, text)]
}

/// The same part of a picture of another size.
fn scaled(view: &ViewSettings, from: FrameShape, to: FrameShape) -> ViewSettings {
    let along = |value: u32, from: u32, to: u32| {
        ((u64::from(value) * u64::from(to) + u64::from(from) / 2) / u64::from(from.max(1))) as u32
    };
    let rect = |rect: &Rect| {
        let (x, y) = (along(rect.x, from.width, to.width), along(rect.y, from.height, to.height));
        let right = along(rect.x.saturating_add(rect.width), from.width, to.width).min(to.width);
        let bottom = along(rect.y.saturating_add(rect.height), from.height, to.height).min(to.height);
        let (x, y) = (x.min(to.width - 1), y.min(to.height - 1));
        Rect { x, y, width: right.saturating_sub(x).max(1), height: bottom.saturating_sub(y).max(1) }
    };
    ViewSettings { region: view.region.as_ref().map(rect), exclude: view.exclude.iter().map(rect).collect() }
}

/// What the person says of a clip.
#[derive(Clone, Copy, Default)]
pub(super) struct Said {
    rate: Option<Rate>,
    scan: Option<Scan>,
}

/// A rate this many times that of the clip's frames is meant for its fields.
const RATE_OF_FIELDS_FROM: f64 = 1.5;

impl Said {
    /// Fields per second of a clip of so many frames per second.
    fn field_rate(self, frames: Rate) -> Rate {
        match self.rate {
            Some(fields) if fields.hz() > RATE_OF_FIELDS_FROM * frames.hz() => fields,
            stated => {
                let frames = stated.unwrap_or(frames);
                Rate::new(frames.num().saturating_mul(2), frames.den()).unwrap_or(frames)
            }
        }
    }
}

/// What is kept of a clip's fingerprints.
#[derive(Default)]
pub(super) struct Gathered {
    digests: Vec<Digest>,
    marks: Vec<Option<MarkReading>>,
    signatures: Vec<Signature>,
    textures: Vec<Texture>,
    differences: Vec<ParityDifference>,
    evidence: EvidenceReader,
    sampler: FieldSampler,
    samples: Vec<FieldSample>,
    ticks: Vec<Option<i64>>,
    ends: Vec<LumaEnds>,
}

impl Gathered {
    pub(super) fn push(&mut self, fingerprint: &FrameFingerprint) {
        self.digests.push(fingerprint.digest);
        if fingerprint.marks.is_some() {
            self.marks.resize(self.digests.len() - 1, None);
            self.marks.push(fingerprint.marks);
        }
        self.signatures.push(fingerprint.signature);
        self.textures.push(fingerprint.texture);
        self.differences.push(fingerprint.parity_difference);
        self.evidence.push(fingerprint);
        self.samples.push(self.sampler.next(fingerprint));
        self.ticks.push(fingerprint.ticks);
        self.ends.push(fingerprint.ends);
    }

    pub(super) fn clip(
        self,
        (place, facts, view, notes): (String, CaptureFacts, ViewSettings, Vec<Note>),
        said: Said,
    ) -> Clip {
        let nominal = facts
            .nominal_rate
            .map(|rate| StatedRate { rate, source: facts.rate_source.unwrap_or(RateSource::Header) });
        let given = said.rate.map(|rate| StatedRate { rate, source: RateSource::Given });
        let settled = cadence::frame_times(nominal.or(given), facts.time_base, &self.ticks, &[]);
        let frame_rate = settled.times.delivered_rate;
        let whole = (facts.shape.width, facts.shape.height);
        let looked_at = view.region.map_or(whole, |region| (region.width, region.height));
        let recorder = Recorder { coding: facts.coding, samples: reduced_samples(looked_at) };
        let period_s = frame_rate.period_ms() / 1000.0;
        let mut classified =
            classify::classify(&self.evidence.finish(), recorder, period_s, |stretches, part| {
                pipeline::each(stretches, part)
            });
        let scan = ScanFacts {
            flagged: facts.scan,
            given: said.scan,
            delivered_rate: frame_rate,
            frames: self.signatures.len(),
            coding: facts.coding,
        };
        let found = interlace::mark(&mut classified.frames, &self.samples, &settled.times, &scan);
        let own_repeat = |frame: &classify::ClassifiedFrame| {
            let sure = frame.evidence == Evidence::Digest || frame.confidence >= OWN_REPEAT_SURE;
            frame.class != FrameClass::New && sure
        };
        let order = FieldOrder::of(&found.scan);
        let (signatures, textures, own_repeats, rate) = match (&order, found.fields) {
            (Some(order), Some(audited)) => {
                let frames = WovenFrames { signatures: &self.signatures, differences: &self.differences };
                let mut signatures = frames.fields(|frame| order.top_first(frame));
                let own_repeats: Vec<bool> = audited.fields.iter().map(own_repeat).collect();
                level_parities(&mut signatures, &own_repeats);
                (signatures, Vec::new(), own_repeats, said.field_rate(frame_rate))
            }
            _ => {
                let own_repeats = classified.frames.iter().map(own_repeat).collect();
                (self.signatures, self.textures, own_repeats, said.rate.unwrap_or(frame_rate))
            }
        };
        Clip {
            place,
            facts,
            rate,
            signatures,
            textures,
            digests: self.digests,
            marks: self.marks,
            own_repeats,
            order,
            view,
            ends: self.ends,
            mirrored: [false; 2],
            notes,
            again: None,
            cancel: Cancel::default(),
        }
    }
}
