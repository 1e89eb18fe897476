//! Findings and the verdict: plain sentences with numbers. Pure.

mod complaint;
mod event;
mod expectation;
mod findings;
pub mod gate;
mod judgement;
mod picture;
mod sentence;
#[cfg(test)]
mod tests;

pub use event::{gather, rank, worst, Around, Event, EventKind};
pub use judgement::{Aspect, AspectJudgement, Judgement};

use crate::alignment::SourceSummary;
use crate::cadence::{CadenceAnalysis, FrameTimes};
use crate::classify::{ClassifiedFrame, FrameFlags};
use crate::fingerprint::CaptureLevels;
use crate::frame::Scan;
use crate::interlace::Outcome;
use crate::note::Note;
use crate::units::Rate;

pub use picture::{AgainstClip, Placing};

/// What a finding is about; the written names are in `audit.json` and never renamed.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub enum FindingKind {
    /// Every second delivered frame repeats the one before.
    HalfRateMotion,
    /// Holds that leave the pattern.
    CadenceBreak,
    /// A picture that stays far longer than the cadence explains.
    Freeze,
    /// Pictures that never appeared although the timestamps are whole.
    DroppedPictures,
    /// The recorder lost frames.
    CaptureGap,
    /// Timestamps are uneven beyond the rate's own rounding.
    UnevenTimestamps,
    /// Two clocks differ: one slip at regular, long intervals.
    RateSlip,
    /// A picture shown again after another one, or pictures swapped.
    OutOfOrder,
    /// Weighted mixes of two pictures.
    BlendedPictures,
    /// Two moments woven into one frame.
    CombedPictures,
    /// Pictures rebuilt from one field.
    OneFieldPictures,
    /// Fields shown in the wrong order.
    FieldOrderSwapped,
    /// What lies below black or above white was cut off.
    LevelsClipped,
    /// Limited range taken for full, or the other way round.
    RangeMistaken,
    /// Black or white elsewhere than in the clip.
    LevelsChanged,
    /// Middle tones brighter or darker than in the clip.
    GammaChanged,
    /// Colours made by the equations of another standard.
    MatrixMistaken,
    /// Cb and Cr swapped.
    ChromaSwapped,
    /// Colour beside the luma it belongs to.
    ChromaShifted,
    /// Wider or narrower for its height than in the clip.
    PictureStretched,
    /// Edges of the picture do not show.
    PictureCropped,
    /// Borders around the whole picture.
    PictureShrunk,
    /// Moved as a whole.
    PictureShifted,
    /// Left and right, or top and bottom, changed places.
    PictureMirrored,
}

impl FindingKind {
    /// Every kind with its written name.
    pub const NAMES: [(Self, &'static str); 24] = [
        (Self::HalfRateMotion, "half-rate-motion"),
        (Self::CadenceBreak, "cadence-break"),
        (Self::Freeze, "freeze"),
        (Self::DroppedPictures, "dropped-pictures"),
        (Self::CaptureGap, "capture-gap"),
        (Self::UnevenTimestamps, "uneven-timestamps"),
        (Self::RateSlip, "rate-slip"),
        (Self::OutOfOrder, "out-of-order"),
        (Self::BlendedPictures, "blended-pictures"),
        (Self::CombedPictures, "combed-pictures"),
        (Self::OneFieldPictures, "one-field-pictures"),
        (Self::FieldOrderSwapped, "field-order-swapped"),
        (Self::LevelsClipped, "levels-clipped"),
        (Self::RangeMistaken, "range-mistaken"),
        (Self::LevelsChanged, "levels-changed"),
        (Self::GammaChanged, "gamma-changed"),
        (Self::MatrixMistaken, "matrix-mistaken"),
        (Self::ChromaSwapped, "chroma-swapped"),
        (Self::ChromaShifted, "chroma-shifted"),
        (Self::PictureStretched, "picture-stretched"),
        (Self::PictureCropped, "picture-cropped"),
        (Self::PictureShrunk, "picture-shrunk"),
        (Self::PictureShifted, "picture-shifted"),
        (Self::PictureMirrored, "picture-mirrored"),
    ];

    /// The name written to files.
    pub fn name(self) -> &'static str {
        Self::NAMES.iter().find(|(kind, _)| *kind == self).map_or("unknown", |(_, name)| name)
    }

    /// The kind of event that a finding of this kind speaks of; a new kind adds its row here.
    pub fn event(self) -> EventKind {
        match self {
            Self::HalfRateMotion => EventKind::HalfRate,
            Self::CadenceBreak => EventKind::UnevenHold,
            Self::Freeze => EventKind::Stall,
            Self::DroppedPictures => EventKind::Loss,
            Self::CaptureGap => EventKind::Gap,
            Self::UnevenTimestamps => EventKind::Times,
            Self::RateSlip => EventKind::Slip,
            Self::OutOfOrder => EventKind::WrongOrder,
            Self::BlendedPictures => EventKind::Mix,
            Self::CombedPictures => EventKind::Combs,
            Self::OneFieldPictures => EventKind::OneField,
            Self::FieldOrderSwapped => EventKind::SwappedFields,
            Self::LevelsClipped
            | Self::RangeMistaken
            | Self::LevelsChanged
            | Self::GammaChanged
            | Self::MatrixMistaken
            | Self::ChromaSwapped
            | Self::ChromaShifted => EventKind::Levels,
            Self::PictureStretched
            | Self::PictureCropped
            | Self::PictureShrunk
            | Self::PictureShifted
            | Self::PictureMirrored => EventKind::Geometry,
        }
    }

    /// The aspect that a finding of this kind speaks of.
    pub fn aspect(self) -> Aspect {
        event::aspect_of(self.event())
    }
}

/// How much a finding matters. Ordered: `Info < Warning < Fault`.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub enum Severity {
    /// Worth knowing, no fault by itself.
    Info,
    /// Seen by an attentive viewer, or a fault only under a stated assumption.
    Warning,
    /// A fault whatever the clip was.
    Fault,
}

impl Severity {
    /// The name written to files.
    pub fn name(self) -> &'static str {
        match self {
            Self::Info => "info",
            Self::Warning => "warning",
            Self::Fault => "fault",
        }
    }

    /// The severity with this written name.
    pub fn from_name(name: &str) -> Option<Self> {
        [Self::Info, Self::Warning, Self::Fault].into_iter().find(|s| s.name() == name)
    }
}

/// One thing found, with where and how much.
#[derive(Clone, Debug, PartialEq)]
pub struct Finding {
    /// What it is about.
    pub kind: FindingKind,
    /// How much it matters.
    pub severity: Severity,
    /// First frame it shows in.
    pub first_frame: u64,
    /// Last frame it shows in, inclusive.
    pub last_frame: u64,
    /// Time of the first frame from the start of the capture, seconds.
    pub time_s: f64,
    /// How long it lasts, ms.
    pub duration_ms: f64,
    /// How many events, frames or pictures, as the text says.
    pub count: u64,
    /// Plain sentence with numbers.
    pub text: String,
    /// Number of the event that it belongs to.
    pub event: Option<u32>,
}

/// Findings, notes and the verdict for a classified and analysed capture.
#[derive(Clone, Debug, PartialEq)]
pub struct Conclusion {
    /// Most severe first, then by time.
    pub findings: Vec<Finding>,
    /// What happened, in the order of time: findings that belong together are one event.
    pub events: Vec<Event>,
    /// The judgement of every aspect, in their order.
    pub judgements: Vec<AspectJudgement>,
    /// Caveats that belong to the verdict.
    pub notes: Vec<Note>,
    /// The first sentence of the verdict: what is wrong, how often, how bad.
    pub headline: String,
    /// The verdict in plain sentences.
    pub verdict: String,
}

/// What is known of the clip that was played.
#[derive(Clone, Copy, Debug, Default)]
pub struct Played<'a> {
    /// Its rate, by the person or by the clip itself.
    pub rate: Option<Rate>,
    /// Which of its pictures appeared.
    pub summary: Option<&'a SourceSummary>,
    /// What became of its picture.
    pub picture: Option<AgainstClip>,
}

/// What a conclusion is drawn from.
#[derive(Clone, Copy, Debug)]
pub struct Case<'a> {
    /// One verdict per frame.
    pub frames: &'a [ClassifiedFrame],
    /// Their times.
    pub times: &'a FrameTimes,
    /// Their cadence.
    pub cadence: &'a CadenceAnalysis,
    /// What is known of the clip that was played.
    pub played: Played<'a>,
    /// Scan that was decided.
    pub scan: Scan,
    /// What became of the clip's fields.
    pub outcome: Option<&'a Outcome>,
    /// Rows of its pictures.
    pub rows: u32,
    /// Code values of the capture.
    pub levels: Option<CaptureLevels>,
}

/// What is concluded from `case`; `complete` is false where the capture was not read whole.
pub fn conclude(case: &Case<'_>, complete: bool) -> Conclusion {
    let mut found = Vec::new();
    for find in FINDERS {
        found.extend(find(case));
    }
    found.sort_by_key(|finding| (std::cmp::Reverse(finding.severity), finding.first_frame, finding.kind));
    let is_after_drop = |(frame, _): &(&ClassifiedFrame, u64)| frame.flags.contains(FrameFlags::AFTER_DROP);
    let drops: Vec<u64> =
        case.frames.iter().zip(0..).filter(is_after_drop).map(|(_, number)| number).collect();
    let around = Around {
        frames: case.frames.len() as u64,
        drops: &drops,
        slips: case.cadence.slip.as_ref().map_or(&[], |slip| &slip.frames),
        is_counted: case.played.summary.is_some(),
    };
    let events = gather(&mut found, &around);
    let expected = expectation::expectation(case.frames, case.cadence, case.played);
    let seen = complaint::Seen { case, findings: &found, events: &events, expected };
    let complaints = complaint::complaints(&seen);
    let judgements = judgement::judgements(&seen, &complaints);
    let headline = sentence::headline(&seen, &complaints);
    let verdict = sentence::verdict(&seen, &complaints, &headline, complete);
    let notes = sentence::notes(case, &found);
    Conclusion { findings: found, events, judgements, notes, headline, verdict }
}

/// Every finder; a new finding kind adds its function here.
const FINDERS: &[fn(&Case<'_>) -> Vec<Finding>] = &[
    findings::half_rate,
    findings::cadence_breaks,
    findings::freezes,
    findings::dropped_pictures,
    findings::capture_gaps,
    findings::uneven_timestamps,
    findings::rate_slip,
    findings::flagged_pictures,
    findings::field_order,
    picture::findings,
    picture::code_values,
];
