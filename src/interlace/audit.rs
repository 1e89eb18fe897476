//! The fields of an interlaced capture, one by one: which show a new moment, which repeat the one before, and in what
//! cadence. Holds and patterns are found by the same code as those of frames.

use super::sample::FieldSample;
use super::telecine::{FilmPicture, Halves};
use super::Parity;
use crate::cadence::{self, CadenceAnalysis, FrameTimes};
use crate::classify::{ClassifiedFrame, Evidence, FrameClass, FrameFlags};
use crate::fingerprint::Digest;
use crate::units::{Rate, TimeBase};

/// Two fields show one moment where their difference exceeds that of the best pair by less than this share of the
/// motion, in squares: halfway between none and the quarter that half a frame's motion makes, on a logarithmic scale.
const SAME_MOMENT: f32 = 0.12;
/// Largest confidence of a field told by measure.
const CONFIDENCE_MAX: f32 = 0.99;

/// Fields of a capture in the order of their moments: field `f` lies in frame `f / 2`.
#[derive(Clone, Debug, PartialEq)]
pub struct FieldAudit {
    /// Parity of the field that comes first in each frame.
    pub first: Parity,
    /// One verdict per field.
    pub fields: Vec<ClassifiedFrame>,
    /// One time per field.
    pub times: FrameTimes,
    /// Holds, patterns and judder, counted in fields.
    pub cadence: CadenceAnalysis,
}

impl FieldAudit {
    /// The audit of fields that are classified already.
    pub fn of(first: Parity, fields: Vec<ClassifiedFrame>, frame_times: &FrameTimes) -> Self {
        let times = field_times(frame_times);
        let cadence = cadence::analyse(&fields, &times);
        Self { first, fields, times, cadence }
    }

    /// Parity of field `index`.
    pub fn parity(&self, index: usize) -> Parity {
        if index % 2 == 0 {
            self.first
        } else {
            self.first.other()
        }
    }

    /// Whether the cadence is that of pictures laid out over fields unevenly: film with its pulldown.
    pub fn is_cancelled_down(&self) -> bool {
        let Some(pattern) = self.cadence.pattern.as_ref() else { return false };
        let even = pattern.holds.iter().all(|&hold| hold == pattern.holds[0]);
        let whole = pattern.holds.iter().all(|&hold| hold >= 2);
        self.cadence.coverage >= PATTERN_SPEAKS && !even && whole
    }

    /// Frames whose fields show two pictures of film: the second field begins a picture that is not the frame's own.
    pub fn mixed_frames(&self) -> impl Iterator<Item = usize> + '_ {
        let new = |field: usize| self.fields[field].class == FrameClass::New;
        (0..self.fields.len() / 2).filter(move |frame| new(2 * frame + 1))
    }

    /// Where A-frames lie in a 2:3 pattern: the number of a frame modulo 5, and how many of the A-frames lie there.
    /// An A-frame holds both fields of a picture that has no third one. `None` without such a pattern.
    pub fn a_frame_phase(&self) -> Option<APhase> {
        let pattern = self.cadence.pattern.as_ref()?;
        let mut sorted = pattern.holds.clone();
        sorted.sort_unstable();
        if sorted != [2, 3] {
            return None;
        }
        let mut counts = [0u64; PULLDOWN_FRAMES];
        for hold in self.cadence.holds.iter().filter(|hold| hold.judged && hold.frames == 2) {
            if hold.first_frame % 2 == 0 {
                counts[(hold.first_frame / 2) as usize % PULLDOWN_FRAMES] += 1;
            }
        }
        let total = counts.iter().sum();
        let (frame, &there) =
            counts.iter().enumerate().max_by_key(|&(at, count)| (count, std::cmp::Reverse(at)))?;
        (there > 0).then_some(APhase { frame: frame as u32, there, total })
    }
}

/// Rates are equal within this fraction: tells 24 from 25.
const RATE_TOLERANCE: f64 = 0.01;
/// Share of judged frames or fields that a pattern must cover to speak for the capture.
pub(super) const PATTERN_SPEAKS: f64 = 0.5;

/// Whether two rates are the same but for the 1000/1001 that rates of the trade differ by.
pub(super) fn near(hz: f64, wanted: f64) -> bool {
    (hz / wanted - 1.0).abs() <= RATE_TOLERANCE
}

/// Frames after which 2:3 pulldown begins anew.
const PULLDOWN_FRAMES: usize = 5;

/// Where A-frames lie.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct APhase {
    /// Number of an A-frame modulo 5.
    pub frame: u32,
    /// A-frames that lie there.
    pub there: u64,
    /// A-frames in all: more where the pattern breaks.
    pub total: u64,
}

/// Classifies the fields of all frames, `first` coming first.
pub(super) fn classify(
    frames: &[ClassifiedFrame],
    samples: &[FieldSample],
    first: Parity,
) -> Vec<ClassifiedFrame> {
    let mut fields: Vec<ClassifiedFrame> = Vec::with_capacity(2 * frames.len());
    let mut shown: [Digest; 2] = [[0; 32]; 2];
    for (index, (frame, sample)) in frames.iter().zip(samples).enumerate() {
        for (place, parity) in [first, first.other()].into_iter().enumerate() {
            let unchanged = match parity {
                Parity::Top => sample.measures.top_unchanged,
                Parity::Bottom => sample.measures.bottom_unchanged,
            };
            if index == 0 || !unchanged {
                shown[place] = identity(&frame.digest, parity);
            }
            let (class, evidence, confidence) = class_of(frame, sample, parity, place);
            let (class, evidence, confidence) = if index == 0 && place == 0 {
                (FrameClass::New, Evidence::Measure, 1.0)
            } else {
                (class, evidence, confidence)
            };
            let evidence =
                if unchanged && index > 0 && class != FrameClass::New { Evidence::Digest } else { evidence };
            let confidence = if evidence == Evidence::Digest { 1.0 } else { confidence };
            fields.push(ClassifiedFrame {
                class,
                confidence,
                evidence,
                change: change_of(sample, parity),
                lost_before: 0,
                lost_uncertainty: 0.0,
                blend_weight: 0.0,
                flags: if place == 0 { kept_flags(frame.flags) } else { FrameFlags::default() },
                digest: shown[place],
            });
        }
    }
    fields
}

/// Gives the fields of film's frames what the course of the film says of them.
pub(super) fn of_film(
    fields: &mut [ClassifiedFrame],
    first: Parity,
    films: impl Iterator<Item = (usize, FilmPicture)>,
) {
    use FrameClass::{New, Repeat};
    for (frame, film) in films {
        let classes = match (film.halves, film.repeated) {
            (Halves::One, None) => [New, Repeat],
            (Halves::One, Some(_)) => [Repeat, Repeat],
            (Halves::Two(earlier), _) if earlier == first => [Repeat, New],
            // Fields in the wrong order: what the pairs show is all there is.
            (Halves::Two(_), _) => continue,
        };
        for (at, class) in (2 * frame..fields.len()).zip(classes) {
            let proven = class == Repeat && at >= 2 && fields[at].digest == fields[at - 2].digest;
            let field = &mut fields[at];
            if proven {
                (field.class, field.evidence, field.confidence) = (class, Evidence::Digest, 1.0);
            } else if field.class != class {
                (field.class, field.evidence, field.confidence) = (class, Evidence::Measure, CONFIDENCE_MAX);
            }
        }
    }
}

/// Both fields of a new whole picture show one moment.
pub(super) const ONE_MOMENT: [FrameClass; 2] = [FrameClass::New, FrameClass::Repeat];
/// Each field shows a moment of its own. In steady motion a field lies as far from the one before as from the one after, so
/// that a pair by itself does not tell; the stretch around does.
pub(super) const TWO_MOMENTS: [FrameClass; 2] = [FrameClass::New, FrameClass::New];

/// Gives the fields of each of `frames` these classes, first field first, unless a field is proven to repeat.
pub(super) fn tell(
    fields: &mut [ClassifiedFrame],
    frames: impl Iterator<Item = usize>,
    classes: [FrameClass; 2],
) {
    for (at, class) in frames.flat_map(|frame| (2 * frame..).zip(classes)) {
        let told = fields.get_mut(at).filter(|field| field.evidence != Evidence::Digest);
        if let Some(field) = told.filter(|field| field.class != class) {
            field.class = class;
            field.confidence = CONFIDENCE_MAX;
        }
    }
}

/// Flags of a frame that hold for its first field as well.
fn kept_flags(flags: FrameFlags) -> FrameFlags {
    FrameFlags(flags.0 & (FrameFlags::CUT.0 | FrameFlags::AFTER_GAP.0))
}

/// What stands for the samples of a field: the digest of the frame that first showed them, with their parity. Equal
/// for a field that repeats sample by sample, different otherwise.
fn identity(frame: &Digest, parity: Parity) -> Digest {
    let mut hasher = blake3::Hasher::new();
    hasher.update(frame);
    hasher.update(parity.name().as_bytes());
    *hasher.finalize().as_bytes()
}

/// Change against the field of the same parity before, code values at 8 bit.
fn change_of(sample: &FieldSample, parity: Parity) -> f32 {
    let fit = &sample.measures.luma;
    match parity {
        Parity::Top => fit.top_motion.value(),
        Parity::Bottom => fit.bottom_motion.value(),
    }
}

/// Whether the field shows another moment than the field just before it in time, which has the other parity.
fn class_of(
    frame: &ClassifiedFrame,
    sample: &FieldSample,
    parity: Parity,
    place: usize,
) -> (FrameClass, Evidence, f32) {
    if frame.class != FrameClass::New {
        return (frame.class, frame.evidence, frame.confidence);
    }
    let fit = &sample.measures.luma;
    let earlier = match parity {
        Parity::Top => fit.top_with_earlier,
        Parity::Bottom => fit.bottom_with_earlier,
    };
    let against = if place == 0 { earlier } else { fit.within };
    let square = |level: f32| level * level;
    let pairs = [fit.within, fit.top_with_earlier, fit.bottom_with_earlier].map(|level| level.value());
    let best = pairs.into_iter().fold(f32::INFINITY, f32::min);
    let motion = fit.top_motion.value().max(fit.bottom_motion.value());
    if motion == 0.0 {
        // Nothing moves that could be told: the frame is new by something else, which both fields share.
        let class = if place == 0 { FrameClass::New } else { FrameClass::Repeat };
        return (class, Evidence::Measure, 0.5);
    }
    let apart = (square(against.value()) - square(best)) / square(motion);
    let class = if apart < SAME_MOMENT { FrameClass::Repeat } else { FrameClass::New };
    let margin = (apart.max(SAME_MOMENT / 16.0) / SAME_MOMENT).ln().abs();
    (class, Evidence::Measure, (1.0 / (1.0 + (-2.0 * margin).exp())).min(CONFIDENCE_MAX))
}

/// Half of every step between frames; the last lasts as the delivered rate says.
fn field_times(frames: &FrameTimes) -> FrameTimes {
    let base = frames.base;
    let (base, scale) = match TimeBase::new(base.num(), base.den().saturating_mul(2)) {
        Some(halved) => (halved, 2),
        None => (base, 1),
    };
    let steps = frames.ticks.windows(2).map(|pair| pair[1].saturating_sub(pair[0]));
    let nominal = (frames.delivered_rate.period_ms() / 1000.0 / frames.base.seconds(1)).round() as i64;
    let steps = steps.chain(std::iter::once(nominal));
    let ticks = frames
        .ticks
        .iter()
        .zip(steps)
        .flat_map(|(&tick, step)| {
            let first = tick.saturating_mul(scale);
            [first, first.saturating_add(step.saturating_mul(scale) / 2)]
        })
        .collect();
    let rate = frames.delivered_rate;
    FrameTimes {
        base,
        ticks,
        measured: frames.measured,
        delivered_rate: Rate::new(rate.num().saturating_mul(2), rate.den()).unwrap_or(rate),
    }
}
