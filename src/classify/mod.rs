//! New, repeat or still: what the recorder can have done to a picture, then what the holds around say. Pure.

mod advance;
mod course;
mod evidence;
mod holds;
mod noise;
mod populations;
mod statistics;
mod steps;
mod still;
#[cfg(test)]
mod tests;

pub use advance::{Advance, EvidenceReader};
pub use evidence::FrameEvidence;
pub use populations::{Parted, Stretch};

use std::ops::Range;

use noise::{AgainstNoise, NoiseFloor};

use crate::fingerprint::Digest;
use crate::frame::Coding;
use crate::note::{Note, NoteCode};

/// What a frame shows relative to the frame before.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum FrameClass {
    /// Another picture.
    New,
    /// The same picture, the scene being in motion.
    Repeat,
    /// The same picture, where nothing tells whether the source moved. Never a fault.
    Still,
}

impl FrameClass {
    /// The name written to files.
    pub fn name(self) -> &'static str {
        match self {
            Self::New => "new",
            Self::Repeat => "repeat",
            Self::Still => "still",
        }
    }
}

/// Which layer of evidence decided a frame.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum Evidence {
    /// Equal digests: proof.
    Digest,
    /// The measured change.
    Measure,
    /// The cadence around it, where the measure left it open.
    Cadence,
    /// The clip that was played.
    Reference,
    /// A number that the clip's pictures carry.
    Mark,
}

impl Evidence {
    /// All kinds with their written names.
    pub const NAMES: [(Self, &'static str); 5] = [
        (Self::Digest, "digest"),
        (Self::Measure, "measure"),
        (Self::Cadence, "cadence"),
        (Self::Reference, "reference"),
        (Self::Mark, "mark"),
    ];

    /// The name written to files.
    pub fn name(self) -> &'static str {
        Self::NAMES.iter().find(|(kind, _)| *kind == self).map_or("unknown", |(_, name)| name)
    }

    /// The kind with this written name.
    pub fn from_name(name: &str) -> Option<Self> {
        Self::NAMES.iter().find(|(_, known)| *known == name).map(|(kind, _)| *kind)
    }
}

/// Marks a frame can carry besides its class.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct FrameFlags(pub u8);

impl FrameFlags {
    /// A weighted mix of two pictures.
    pub const BLEND: Self = Self(1);
    /// Two fields of different moments woven into one frame.
    pub const COMBED: Self = Self(2);
    /// Rebuilt from one field.
    pub const ONE_FIELD: Self = Self(4);
    /// An earlier picture shown again, or pictures swapped.
    pub const OUT_OF_ORDER: Self = Self(8);
    /// Pictures before this one never appeared, timestamps whole.
    pub const AFTER_DROP: Self = Self(16);
    /// The recorder lost frames before this one.
    pub const AFTER_GAP: Self = Self(32);
    /// First frame of another shot.
    pub const CUT: Self = Self(64);

    /// All flags with their written names, in the order they are written.
    pub const NAMES: [(Self, &'static str); 7] = [
        (Self::BLEND, "blend"),
        (Self::COMBED, "combed"),
        (Self::ONE_FIELD, "one-field"),
        (Self::OUT_OF_ORDER, "out-of-order"),
        (Self::AFTER_DROP, "after-drop"),
        (Self::AFTER_GAP, "after-gap"),
        (Self::CUT, "cut"),
    ];

    /// Whether every flag of `other` is set.
    pub fn contains(self, other: Self) -> bool {
        self.0 & other.0 == other.0
    }

    /// Sets every flag of `other`.
    pub fn insert(&mut self, other: Self) {
        self.0 |= other.0;
    }

    /// Clears every flag of `other`.
    pub fn remove(&mut self, other: Self) {
        self.0 &= !other.0;
    }

    /// These flags but those of `other`.
    pub fn without(self, other: Self) -> Self {
        Self(self.0 & !other.0)
    }

    /// Written names of the flags set, in order.
    pub fn names(self) -> impl Iterator<Item = &'static str> {
        Self::NAMES.into_iter().filter(move |(flag, _)| self.contains(*flag)).map(|(_, name)| name)
    }
}

/// The verdict on one frame.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct ClassifiedFrame {
    /// New, repeat or still.
    pub class: FrameClass,
    /// Probability that the class is right, 0 to 1 (for still: that the picture is the same as before).
    pub confidence: f32,
    /// Which layer decided.
    pub evidence: Evidence,
    /// Largest block change against the frame before, code values scaled to 8 bit; 0 for frame 0.
    pub change: f32,
    /// Estimated number of pictures that never appeared just before this one (0 where none or not known).
    pub lost_before: u16,
    /// Half width of the range that number lies in, pictures; 0 where none are lost.
    pub lost_uncertainty: f32,
    /// Weight of the later picture where the frame is a mix (0 to 1), otherwise 0.
    pub blend_weight: f32,
    /// Marks.
    pub flags: FrameFlags,
    /// Digest of the visible samples.
    pub digest: Digest,
}

/// Frames that carry every flag of `flags`.
pub fn count_flagged(frames: &[ClassifiedFrame], flags: FrameFlags) -> usize {
    frames.iter().filter(|frame| frame.flags.contains(flags)).count()
}

/// Classified frames with the caveats met.
#[derive(Clone, Debug, PartialEq)]
pub struct Classified {
    /// One verdict per frame.
    pub frames: Vec<ClassifiedFrame>,
    /// Caveats.
    pub notes: Vec<Note>,
}

/// What the recording is, as far as it decides what it can do to a repeated picture.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Recorder {
    /// How its samples were coded.
    pub coding: Coding,
    /// Samples of the reduced luma picture that frames are compared on.
    pub samples: usize,
}

/// A log-likelihood ratio at least this far from 0 is clear, so that the measure alone decided. ln(99): wrong once in
/// a hundred at most.
const CLEAR_LOG_RATIO: f64 = 4.6;

/// Share of frames decided by context above which the measure is called noisy.
const NOISY_SHARE: f64 = 0.02;

/// Highest confidence of what rests on a measure. Choice: nothing but equal digests is proof.
const MEASURE_CONFIDENCE_MAX: f64 = 0.999;

/// Sureness where motion may hide in noise or coding error: nine to one, since still scenes are common and motion so
/// slow is rare. Choice.
const HIDDEN_SURENESS: f64 = 0.8;

/// Frames parted together: long enough to see two populations, short enough for one level of coding error.
const STRETCH: usize = 360;

/// Frames that a stretch shares with the next, so that every frame has context on both sides.
const OVERLAP: usize = 60;

/// Classifies every frame; `period_s` is the duration of one delivered frame, seconds. `share` has stretches of frames
/// parted, in any order and all at once where it likes, and gives back what was found in their order.
pub fn classify(
    evidence: &[FrameEvidence],
    recorder: Recorder,
    period_s: f64,
    share: impl Fn(&[Stretch<'_>], fn(&Stretch<'_>) -> Parted) -> Vec<Parted>,
) -> Classified {
    let judged = judge(evidence, recorder, share);
    let mut frames: Vec<ClassifiedFrame> =
        evidence.iter().zip(&judged).map(|(one, judged)| classified(one, *judged)).collect();
    let is_new: Vec<bool> = judged.iter().map(|one| one.is_new()).collect();
    let mut notes = mark_still(&mut frames, evidence, &is_new, period_s);
    notes.extend(steps::mark(&mut frames, evidence, recorder.coding));
    notes.extend(noisy(&frames));
    Classified { frames, notes }
}

/// What was found of one frame, before anything is made of it.
#[derive(Clone, Copy, Debug, PartialEq)]
struct Judged {
    /// Probability that it is new.
    new: f64,
    /// What decided.
    evidence: Evidence,
}

impl Judged {
    fn by_measure(new: f64, log_ratio: f64) -> Self {
        let clear = log_ratio.abs() >= CLEAR_LOG_RATIO && (log_ratio > 0.0) == (new >= 0.5);
        Self { new, evidence: if clear { Evidence::Measure } else { Evidence::Cadence } }
    }

    fn is_new(self) -> bool {
        self.new >= 0.5
    }

    fn confidence(self) -> f64 {
        match self.evidence {
            Evidence::Digest => 1.0,
            _ => self.new.max(1.0 - self.new).min(MEASURE_CONFIDENCE_MAX),
        }
    }
}

fn classified(one: &FrameEvidence, judged: Judged) -> ClassifiedFrame {
    let mut flags = FrameFlags::default();
    if one.after_gap {
        flags.insert(FrameFlags::AFTER_GAP);
    }
    ClassifiedFrame {
        class: if judged.is_new() { FrameClass::New } else { FrameClass::Repeat },
        confidence: judged.confidence() as f32,
        evidence: judged.evidence,
        change: one.change(),
        lost_before: 0,
        lost_uncertainty: 0.0,
        blend_weight: 0.0,
        flags,
        digest: one.digest,
    }
}

/// Which frames are new, by what the recorder can have done: nothing, noise, or coding error.
fn judge(
    evidence: &[FrameEvidence],
    recorder: Recorder,
    share: impl Fn(&[Stretch<'_>], fn(&Stretch<'_>) -> Parted) -> Vec<Parted>,
) -> Vec<Judged> {
    let equal: Vec<bool> = (0..evidence.len())
        .map(|frame| frame > 0 && evidence[frame].digest == evidence[frame - 1].digest)
        .collect();
    let measured = match (recorder.coding, NoiseFloor::of(evidence, recorder.samples)) {
        (Coding::Lossless | Coding::Unknown, Some(floor)) => by_noise(evidence, floor),
        (Coding::Lossless, None) => {
            vec![Judged { new: 1.0, evidence: Evidence::Measure }; evidence.len()]
        }
        _ => by_populations(evidence, &equal, recorder.coding == Coding::Lossy, share),
    };
    let mut judged: Vec<Judged> = measured
        .into_iter()
        .zip(equal)
        .map(|(one, equal)| if equal { Judged { new: 0.0, evidence: Evidence::Digest } } else { one })
        .collect();
    if let Some(first) = judged.first_mut() {
        *first = Judged { new: 1.0, evidence: Evidence::Digest };
    }
    judged
}

/// Frames under independent noise of one strength.
fn by_noise(evidence: &[FrameEvidence], floor: NoiseFloor) -> Vec<Judged> {
    let AgainstNoise { log_ratios, hidden } = floor.against(evidence);
    let is_new: Vec<bool> =
        log_ratios.iter().enumerate().map(|(frame, &ratio)| frame == 0 || ratio > 0.0).collect();
    let sure = (1.0 - hidden).max(HIDDEN_SURENESS);
    // Motion hides in what looks like a repeat; what stands out of the noise is no repeat.
    let doubted = |new: f64| if new < 0.5 { 0.5 + (new - 0.5) * sure } else { new };
    let new = holds::with_context(&log_ratios, &is_new).into_iter().map(doubted);
    new.zip(log_ratios).map(|(new, ratio)| Judged::by_measure(new, ratio)).collect()
}

/// Frames with coding error of unknown size, stretch by stretch.
fn by_populations(
    evidence: &[FrameEvidence],
    equal: &[bool],
    lossy: bool,
    share: impl Fn(&[Stretch<'_>], fn(&Stretch<'_>) -> Parted) -> Vec<Parted>,
) -> Vec<Judged> {
    let changes: Vec<f32> = evidence.iter().map(FrameEvidence::change).collect();
    let advances: Vec<Advance> = evidence.iter().map(|one| one.advance).collect();
    let part = |range: Range<usize>| Stretch {
        changes: &changes[range.clone()],
        advances: &advances[range.clone()],
        equal: &equal[range],
        lossy,
    };
    let all: Vec<Stretch<'_>> = stretches(evidence.len()).map(part).collect();
    let mut judged = Vec::with_capacity(evidence.len());
    for (stretch, parted) in stretches(evidence.len()).zip(share(&all, |stretch| stretch.part())) {
        // The middle of the overlap is where the next one takes over.
        let own = judged.len() - stretch.start;
        let end = if stretch.end == evidence.len() { stretch.len() } else { stretch.len() - OVERLAP / 2 };
        judged.extend((own..end).map(|at| Judged::by_measure(parted.new[at], parted.log_ratios[at])));
    }
    judged
}

/// Stretches of about [`STRETCH`] frames that cover so many frames, each sharing [`OVERLAP`] frames with the next.
fn stretches(frames: usize) -> impl Iterator<Item = Range<usize>> {
    let step = STRETCH - OVERLAP;
    let count = frames.saturating_sub(OVERLAP).div_ceil(step).max(1);
    (0..count).map(move |number| {
        let start = number * step;
        // The last one ends with the recording and is no shorter than the others where that can be.
        let start = if number + 1 == count { start.min(frames.saturating_sub(STRETCH)) } else { start };
        start..(start + STRETCH).min(frames)
    })
}

/// Turns repeats into stills where nothing tells whether the source moved.
fn mark_still(
    frames: &mut [ClassifiedFrame],
    evidence: &[FrameEvidence],
    is_new: &[bool],
    period_s: f64,
) -> Vec<Note> {
    let mut open = 0;
    let mut first_open = 0;
    for (run, standing) in still::standings(is_new, evidence, period_s) {
        if standing == still::Standing::Repeated {
            continue;
        }
        for frame in &mut frames[run.first..=run.last] {
            frame.class = FrameClass::Still;
        }
        if standing == still::Standing::Open {
            first_open = if open == 0 { run.first } else { first_open };
            open += 1;
        }
    }
    if open == 0 {
        return Vec::new();
    }
    vec![Note::new(
        NoteCode::StillOrFrozen,
        format!(
            "{open} stretches inside motion stand still for more than half a second and go on without a jump (the \
             first at frame {first_open}). A still scene and a frozen device look alike there, so they are not \
             judged. The clip itself or another device's recording would settle it."
        ),
    )]
}

/// A caveat where many calls rest on context.
fn noisy(frames: &[ClassifiedFrame]) -> Option<Note> {
    let by_context = frames.iter().filter(|frame| frame.evidence == Evidence::Cadence).count();
    (by_context as f64 > NOISY_SHARE * frames.len() as f64).then(|| {
        Note::new(
            NoteCode::NoisyMeasure,
            format!(
                "The changes of new and repeated pictures overlap in this recording: {by_context} of {} frames were \
                 decided with the cadence around them. A lossless recording would settle them.",
                frames.len()
            ),
        )
    })
}
