//! One clip in one delivery and recording: taken, audited alone and with the clip, and scored.

use std::collections::BTreeMap;
use std::fmt::Write as _;
use std::fs::{self, File};
use std::io::{self, BufWriter, Write as _};
use std::path::Path;
use std::sync::atomic::AtomicBool;
use std::sync::Arc;

use evenbeat::alignment::{SourcePlace, SourceUnit};
use evenbeat::audit::{audit_fingerprints, audit_fingerprints_against, Audit};
use evenbeat::cancel::Cancel;
use evenbeat::capture::{CaptureFacts, FrameSource, RateSource};
use evenbeat::classify::FrameFlags;
use evenbeat::fingerprint::FrameFingerprint;
use evenbeat::frame::{CodeRange, Coding, FrameShape, Scan};
use evenbeat::pipeline::{Control, NoProgress};
use evenbeat::reference::{self, Clip, ClipReading};
use evenbeat::settings::{Settings, ViewSettings};
use evenbeat::units::Rate;
use evenbeat::verdict::Severity;

use super::deliveries::{Delivery, Fault, Shown};
use crate::adapter;
use crate::random::pictures::{Frame, Size};
use crate::random::recordings::{Conversion, Recording};
use crate::random::scenes::Scene;
use crate::random::taken::Recorded;

/// Frames of a capture, as far as the clip goes.
const FRAMES: u64 = 102;
/// Pictures of the clip after the last one that is shown.
const BEYOND: u64 = 8;
/// Two pictures are told apart by the pixels where they differ by this many times what the recorder leaves.
const TOLD_FROM: f64 = 1.0;
/// Sides of the pictures that the simple script compares.
const SCRIPT: Size = Size { width: 64, height: 48 };

pub struct Trial {
    pub scene: Arc<Scene>,
    pub delivery: Delivery,
    pub recording: Recording,
}

/// What one trial came to.
#[derive(Default)]
pub struct Score {
    pub name: String,
    pub delivery: &'static str,
    pub recording: String,
    pub lossless: bool,
    pub frames: u64,
    /// Frames placed at another picture, or in a range without the right one.
    pub wrong: u64,
    /// Frames not told although neighbours differ by more than the recorder's error.
    pub untold: u64,
    /// Frames that could be told.
    pub tellable: u64,
    /// The simple script's wrong frames.
    pub script: u64,
    /// Faults made, found, and frames falsely called.
    pub made: u64,
    pub found: u64,
    pub falsely: u64,
    /// Findings that the clip itself does not have, alone and with the clip; perfect deliveries only.
    pub alone: Vec<String>,
    pub with_clip: Vec<String>,
    pub refused: Option<String>,
}

impl Score {
    pub fn line(&self) -> String {
        format!(
            "{}: {} wrong, {} of {} untold, script {} wrong, {} of {} faults, {} falsely, alone {:?}, with clip {:?}{}",
            self.name,
            self.wrong,
            self.untold,
            self.tellable,
            self.script,
            self.found,
            self.made,
            self.falsely,
            self.alone,
            self.with_clip,
            self.refused.as_deref().map_or(String::new(), |cause| format!(", refused: {cause}"))
        )
    }
}

/// What is known of a frame from the pixels.
#[derive(Clone, Copy)]
struct Known {
    /// Whether its picture differs from its neighbours in the clip by more than the recorder's error.
    told: bool,
    /// The script's picture.
    script: u64,
    /// First and last picture around with the same samples.
    same: (u64, u64),
}

impl Trial {
    pub fn name(&self) -> String {
        format!(
            "{}-{}/{}/{}",
            self.scene.family,
            self.scene.size.width,
            self.delivery.name,
            self.recording.name()
        )
    }

    fn shown(&self) -> Vec<Shown> {
        let mut shown = self.delivery.frames(FRAMES);
        let last = self.scene.pictures();
        shown.retain(|frame| frame.first + 1 < last);
        shown
    }

    fn pictures(&self) -> u64 {
        let last = self.shown().iter().map(|frame| frame.first).max().unwrap_or(0);
        (last + 1 + BEYOND).min(self.scene.pictures())
    }

    fn rate(&self) -> Rate {
        Rate::new(60, 1).expect("a rate")
    }

    fn clip_rate(&self) -> Rate {
        let (pictures, frames) = self.delivery.pictures;
        Rate::new(60 * pictures, frames).expect("a rate")
    }

    fn facts(&self, size: Size, rate: Rate, coding: Coding) -> CaptureFacts {
        CaptureFacts {
            name: self.name(),
            shape: size.shape(8),
            scan: Scan::Progressive,
            coding,
            range: CodeRange::default(),
            nominal_rate: Some(rate),
            rate_source: Some(RateSource::Header),
            time_base: None,
            promised_frames: None,
            reader: "alignment bench".to_owned(),
        }
    }

    pub fn score(&self, kept: Option<&Path>) -> Score {
        let shown = self.shown();
        let file = |kind: &str| {
            kept.map(|folder| {
                folder.join(format!("{}.{kind}", self.name().replace('/', "_").replace(':', "-")))
            })
        };
        let (list, log, clip_log) = (file("csv"), file("log"), file("clip.log"));
        let known = list.as_ref().and_then(|path| fs::read_to_string(path).ok());
        let (known, capture, clip) = match known {
            Some(text) => {
                let unused = || unreachable!("kept with the list");
                let (capture, clip) = (
                    adapter::measured(unused, log.as_deref()),
                    adapter::measured(unused, clip_log.as_deref()),
                );
                (text.lines().map(Known::read).collect(), capture, clip)
            }
            None => {
                let (known, capture, clip) = self.take(&shown, (log.as_deref(), clip_log.as_deref()));
                if let Some(path) = list {
                    fs::write(path, known.iter().map(Known::written).collect::<String>())
                        .expect("it can be kept");
                }
                (known, capture, clip)
            }
        };
        self.judged(&shown, &known, (capture, clip))
    }

    #[allow(clippy::type_complexity, reason = "two measured films")]
    fn take(
        &self,
        shown: &[Shown],
        (log, clip_log): (Option<&Path>, Option<&Path>),
    ) -> (Vec<Known>, (CaptureFacts, Vec<FrameFingerprint>), (CaptureFacts, Vec<FrameFingerprint>)) {
        let pictures: Vec<Frame> = (0..self.pictures()).map(|k| self.scene.picture(k, 8)).collect();
        let delivered: Vec<Frame> = shown
            .iter()
            .map(|frame| {
                let picture = &pictures[frame.first as usize];
                let mixed = if frame.weight > 0.0 {
                    mixed(picture, &pictures[frame.first as usize + 1], frame.weight)
                } else {
                    picture.clone()
                };
                self.recording.conversion.of(mixed, self.scene.size)
            })
            .collect();
        let size = self.recording.conversion.size(self.scene.size);
        let by_reference: Vec<&Frame> = delivered.iter().collect();
        let recorded = self.recording.recorded(&by_reference, (size, self.rate(), 1));
        let converted: Vec<Frame> = pictures
            .iter()
            .map(|picture| self.recording.conversion.of(picture.clone(), self.scene.size))
            .collect();
        let known = known(shown, (&pictures, &converted), (&recorded, &delivered), size);
        let source = |frames: Vec<Frame>, facts: CaptureFacts| -> Box<dyn FrameSource> {
            Box::new(Recorded { facts, frames: frames.into_iter() })
        };
        let coding = self.recording.coding();
        let capture = adapter::measured(|| source(recorded, self.facts(size, self.rate(), coding)), log);
        let clip_facts = self.facts(self.scene.size, self.clip_rate(), Coding::Unknown);
        let clip = adapter::measured(|| source(pictures, clip_facts), clip_log);
        (known, capture, clip)
    }

    fn judged(
        &self,
        shown: &[Shown],
        known: &[Known],
        (capture, clip): ((CaptureFacts, Vec<FrameFingerprint>), (CaptureFacts, Vec<FrameFingerprint>)),
    ) -> Score {
        let settings = Settings::default();
        let own = kinds(&audit_fingerprints(clip.0.clone(), &clip.1, &settings));
        let alone = kinds(&audit_fingerprints(capture.0.clone(), &capture.1, &settings));
        let folder = tempfile::tempdir().expect("a folder for the clip");
        let reference = self.reference(clip, capture.0.shape, folder.path());
        let audit = audit_fingerprints_against(capture.0, &capture.1, Some(&reference), &settings);
        let beyond = |kinds: Vec<String>| kinds.into_iter().filter(|kind| !own.contains(kind)).collect();
        let mut score = Score {
            name: self.name(),
            delivery: self.delivery.name,
            recording: self.recording.name(),
            lossless: self.recording.is_lossless(),
            frames: shown.len() as u64,
            ..Score::default()
        };
        let pure = |frame: &Shown| frame.weight == 0.0;
        score.script = shown
            .iter()
            .zip(known)
            .filter(|(frame, known)| pure(frame) && !known.holds(known.script))
            .count() as u64;
        score.tellable =
            shown.iter().zip(known).filter(|(frame, known)| pure(frame) && known.told).count() as u64;
        if self.delivery.is_perfect() {
            score.alone = beyond(alone);
            // Alone nobody knows the clip's rate.
            score.alone.retain(|kind| kind != "half-rate-motion");
        }
        let audit = match audit {
            Ok(audit) => audit,
            Err(error) => {
                score.untold = score.tellable;
                score.refused = Some(error.cause);
                return score;
            }
        };
        if self.delivery.is_perfect() {
            score.with_clip = beyond(kinds(&audit));
            score.with_clip.retain(|kind| Some(kind.as_str()) != self.made_of_the_picture());
            if std::env::var_os("EVENBEAT_CLIP_VERBOSE").is_some() {
                self.print_findings(&audit);
            }
        }
        self.places(shown, known, &audit, &mut score);
        self.faults(shown, known, &audit, &mut score);
        score
    }

    /// The clip as a user gives it: a file that can be read again. Recordings that hold its samples need no second reading.
    fn reference(
        &self,
        clip: (CaptureFacts, Vec<FrameFingerprint>),
        shape: FrameShape,
        folder: &Path,
    ) -> Clip {
        if self.recording.is_lossless() {
            return Clip::of_fingerprints(clip.0, &clip.1);
        }
        let path = folder.join("clip.y4m");
        self.write_clip(&path).expect("the clip can be written");
        let (settings, view) = (Settings::default(), ViewSettings::default());
        let reading = ClipReading { path: &path, settings: &settings, shape, view: &view };
        let control = Control { workers: None, progress: &NoProgress, stop: &AtomicBool::new(false) };
        reference::read(reading, &control, &Cancel::default()).expect("it can be read")
    }

    fn write_clip(&self, path: &Path) -> io::Result<()> {
        let mut out = BufWriter::new(File::create(path)?);
        let (Size { width, height }, rate) = (self.scene.size, self.clip_rate());
        writeln!(out, "YUV4MPEG2 W{width} H{height} F{}:{} Ip A1:1 C420", rate.num(), rate.den())?;
        for picture in 0..self.pictures() {
            out.write_all(b"FRAME\n")?;
            out.write_all(&self.scene.picture(picture, 8).samples)?;
        }
        out.flush()
    }

    /// The finding that the conversion before recording is.
    fn made_of_the_picture(&self) -> Option<&'static str> {
        match self.recording.conversion {
            Conversion::Gain(_) => Some("levels-changed"),
            Conversion::Crop(_) => Some("picture-cropped"),
            _ => None,
        }
    }

    fn print_findings(&self, audit: &Audit) {
        for finding in audit.findings.iter().filter(|finding| finding.severity > Severity::Info) {
            println!("{} finding {}: {}", self.name(), finding.kind.name(), finding.text);
        }
    }

    fn places(&self, shown: &[Shown], known: &[Known], audit: &Audit, score: &mut Score) {
        let track = &audit.source.as_ref().expect("there is a clip").track;
        // A clip that is taken for an interlaced one has its fields numbered.
        let fields = if track.unit == SourceUnit::Field { 2 } else { 1 };
        for (at, ((frame, known), &place)) in shown.iter().zip(known).zip(&track.places).enumerate() {
            let within = |low: u32, high: u32| {
                let (first, last) =
                    if frame.weight == 0.0 { known.same } else { (frame.first, frame.first + 1) };
                u64::from(low / fields) <= last && first <= u64::from(high / fields)
            };
            let right = match place {
                SourcePlace::Unknown => true,
                SourcePlace::Picture(picture) => within(picture, picture),
                SourcePlace::Woven { first, second } | SourcePlace::Mix { first, second, .. } => {
                    within(first.min(second), first.max(second))
                }
                SourcePlace::Ambiguous { first, last } => within(first, last),
            };
            let told = match place {
                SourcePlace::Unknown => false,
                SourcePlace::Ambiguous { first, last } => {
                    u64::from(first / fields) >= known.same.0 && u64::from(last / fields) <= known.same.1
                }
                _ => true,
            };
            if !right && std::env::var_os("EVENBEAT_CLIP_VERBOSE").is_some() {
                println!("{} frame {at}: {frame:?} at {place:?}", self.name());
            }
            score.wrong += u64::from(!right);
            score.untold += u64::from(frame.weight == 0.0 && known.told && !told);
        }
    }

    fn faults(&self, shown: &[Shown], known: &[Known], audit: &Audit, score: &mut Score) {
        let flag = |fault| match fault {
            Fault::Mix => FrameFlags::BLEND,
            Fault::Order => FrameFlags::OUT_OF_ORDER,
            Fault::Loss => FrameFlags::AFTER_DROP,
        };
        for ((frame, known), called) in shown.iter().zip(known).zip(&audit.frames) {
            for fault in [Fault::Mix, Fault::Order, Fault::Loss] {
                let is_made = frame.fault && self.delivery.fault == Some(fault);
                let is_called = called.flags.contains(flag(fault));
                // Faults in what looks alike are none.
                score.made += u64::from(is_made && known.told);
                score.found += u64::from(is_made && known.told && is_called);
                // Where the order is wrong, so may be what is lost for a moment.
                score.falsely += u64::from(is_called && !frame.fault);
            }
        }
    }
}

/// Findings that accuse.
fn kinds(audit: &Audit) -> Vec<String> {
    let accuses = audit.findings.iter().filter(|finding| finding.severity > Severity::Info);
    let mut kinds: Vec<String> = accuses.map(|finding| finding.kind.name().to_owned()).collect();
    kinds.sort();
    kinds.dedup();
    kinds
}

fn mixed(one: &Frame, other: &Frame, weight: f32) -> Frame {
    let mut others = other.values();
    one.mapped(|value| value + weight * (others.next().expect("of one size") - value))
}

/// Mean absolute difference in luma, code values.
fn apart(one: &[f32], other: &[f32]) -> f64 {
    one.iter().zip(other).map(|(a, b)| f64::from((a - b).abs())).sum::<f64>() / one.len() as f64
}

fn known(
    shown: &[Shown],
    (pictures, converted): (&[Frame], &[Frame]),
    (recorded, delivered): (&[Frame], &[Frame]),
    size: Size,
) -> Vec<Known> {
    let luma = |frame: &Frame| frame.values().take(size.width * size.height).collect::<Vec<f32>>();
    let small = |frame: &Frame| -> Vec<f32> {
        frame.scaled(size, SCRIPT).values().take(SCRIPT.width * SCRIPT.height).collect()
    };
    let smalls: Vec<Vec<f32>> = converted.iter().map(small).collect();
    let lumas: Vec<Vec<f32>> = converted.iter().map(luma).collect();
    shown
        .iter()
        .enumerate()
        .map(|(at, frame)| {
            let picture = frame.first as usize;
            let error = apart(&luma(&recorded[at]), &luma(&delivered[at]));
            let differs = |other: usize| {
                pictures[other] == pictures[picture]
                    || apart(&lumas[other], &lumas[picture]) > TOLD_FROM * error
            };
            let around = picture.saturating_sub(1)..(picture + 2).min(pictures.len());
            let reduced = small(&recorded[at]);
            let script = (0..smalls.len())
                .map(|other| (apart(&smalls[other], &reduced), other as u64))
                .min_by(|a, b| a.0.total_cmp(&b.0))
                .map_or(0, |(_, other)| other);
            let alike = |&other: &usize| converted[other] == converted[picture];
            let first = (0..picture).rev().take_while(alike).last().unwrap_or(picture) as u64;
            let last = (picture + 1..pictures.len()).take_while(alike).last().unwrap_or(picture) as u64;
            Known { told: around.into_iter().all(differs), script, same: (first, last) }
        })
        .collect()
}

impl Known {
    fn holds(&self, picture: u64) -> bool {
        (self.same.0..=self.same.1).contains(&picture)
    }

    fn written(&self) -> String {
        format!("{},{},{},{}\n", u8::from(self.told), self.script, self.same.0, self.same.1)
    }

    fn read(line: &str) -> Self {
        let fields: Vec<u64> = line.split(',').map(|field| field.parse().expect("a number")).collect();
        let [told, script, first, last] = fields[..] else { panic!("a row of the list: {line}") };
        Self { told: told != 0, script, same: (first, last) }
    }
}

/// Sums by delivery and recording.
pub fn table(scores: &[Score]) -> String {
    let mut text = String::new();
    for score in scores.iter().filter(|score| !score.with_clip.is_empty() || !score.alone.is_empty()) {
        let _ = writeln!(text, "{}", score.line());
    }
    type Key<'a> = fn(&'a Score) -> &'a str;
    let keys: [(&str, Key<'_>); 2] =
        [("delivery", |score| score.delivery), ("recording", |score| score.recording.as_str())];
    for (what, key) in keys {
        let mut sums: BTreeMap<&str, Vec<&Score>> = BTreeMap::new();
        scores.iter().for_each(|score| sums.entry(key(score)).or_default().push(score));
        let _ = writeln!(
            text,
            "{what:24} trials frames  wrong untold/tellable script   found/made falsely accused: alone with-clip refused"
        );
        for (name, scores) in sums {
            let sum = |of: fn(&Score) -> u64| scores.iter().map(|score| of(score)).sum::<u64>();
            let _ = writeln!(
                text,
                "{name:24} {:6} {:6} {:6} {:6}/{:6} {:6} {:6}/{:6} {:6} {:14} {:9} {:7}",
                scores.len(),
                sum(|score| score.frames),
                sum(|score| score.wrong),
                sum(|score| score.untold),
                sum(|score| score.tellable),
                sum(|score| score.script),
                sum(|score| score.found),
                sum(|score| score.made),
                sum(|score| score.falsely),
                sum(|score| u64::from(!score.alone.is_empty())),
                sum(|score| u64::from(!score.with_clip.is_empty())),
                sum(|score| u64::from(score.refused.is_some())),
            );
        }
    }
    text
}

/// Largest share of frames that may be placed wrong or be called falsely, in a lossy recording.
const WRONG_MAX: f64 = 0.001;
/// Largest share of frames that may not be told, in a lossy recording.
const UNTOLD_MAX: f64 = 0.01;
/// Least share of the faults that must be found.
const FOUND_MIN: f64 = 0.98;

/// Where the reach is missed.
pub fn missed(scores: &[Score]) -> Vec<String> {
    let mut missed = Vec::new();
    let mut miss = |is_missed: bool, text: String| {
        if is_missed {
            missed.push(text);
        }
    };
    let accused =
        scores.iter().filter(|score| !score.alone.is_empty() || !score.with_clip.is_empty()).count();
    miss(accused > 0, format!("{accused} perfect deliveries accused"));
    for lossless in [true, false] {
        let of = || scores.iter().filter(move |score| score.lossless == lossless);
        let sum = |of_one: fn(&Score) -> u64| of().map(of_one).sum::<u64>() as f64;
        let (wrong, untold) = if lossless { (0.0, 0.0) } else { (WRONG_MAX, UNTOLD_MAX) };
        let kind = if lossless { "lossless" } else { "lossy" };
        let frames = sum(|score| score.frames);
        miss(sum(|score| score.wrong) > wrong * frames, format!("{kind}: places wrong"));
        miss(sum(|score| score.untold) > untold * sum(|score| score.tellable), format!("{kind}: not told"));
        miss(sum(|score| score.falsely) > wrong * frames, format!("{kind}: falsely called"));
        miss(
            sum(|score| score.found) < FOUND_MIN * sum(|score| score.made),
            format!("{kind}: faults missed"),
        );
    }
    missed
}
