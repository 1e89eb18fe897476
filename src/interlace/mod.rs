//! Interlaced captures, and what deinterlacing does to motion. Pure.
//!
//! [`mark`] finds from the field measures which frames are combed or rebuilt from one field, how the capture is
//! scanned, and, where it is interlaced, audits its fields one by one. [`outcome`] says what became of the clip's
//! fields, once the cadence of the frames is known.

mod audit;
mod averaged;
mod chroma;
mod detect;
mod outcome;
mod row_alternation;
mod sample;
mod scan;
mod swapped;
mod telecine;
#[cfg(test)]
mod tests;
mod window;

pub use audit::{APhase, FieldAudit};
pub use outcome::{may_hide_fields, outcome, Circumstances, Outcome, OutcomeCode};
pub use sample::{FieldSample, FieldSampler};
pub use scan::{ScanDecision, ScanFacts, ScanSegment, ScanSource};

use std::ops::Range;

use crate::cadence::FrameTimes;
use crate::classify::{ClassifiedFrame, FrameClass, FrameFlags};
use crate::frame::Scan;
use averaged::Mean;
use detect::{Picture, Woven};

/// One of the two sets of rows of a frame.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum Parity {
    /// Rows 0, 2, 4 …
    Top,
    /// Rows 1, 3, 5 …
    Bottom,
}

impl Parity {
    /// The name written to files.
    pub fn name(self) -> &'static str {
        match self {
            Self::Top => "top",
            Self::Bottom => "bottom",
        }
    }

    /// The parity with this written name.
    pub fn from_name(name: &str) -> Option<Self> {
        [Self::Top, Self::Bottom].into_iter().find(|parity| parity.name() == name)
    }

    /// Its place in pairs of top and bottom.
    fn index(self) -> usize {
        usize::from(self == Self::Bottom)
    }

    /// The other set of rows.
    pub fn other(self) -> Self {
        match self {
            Self::Top => Self::Bottom,
            Self::Bottom => Self::Top,
        }
    }
}

/// What the field stage finds.
#[derive(Clone, Debug, PartialEq)]
pub struct FieldFindings {
    /// How the capture is scanned.
    pub scan: ScanDecision,
    /// The fields one by one; `None` for a progressive capture.
    pub fields: Option<FieldAudit>,
    /// What is left for the outcome.
    traces: Traces,
}

impl FieldFindings {
    /// What was found earlier: scan and fields as they were written.
    pub fn restored(scan: ScanDecision, fields: Option<FieldAudit>) -> Self {
        Self { scan, fields, traces: Traces::default() }
    }
}

/// Traces of deinterlacing, counted in frames, repeats included.
#[derive(Clone, Debug, Default, PartialEq)]
struct Traces {
    /// Frames that are new or repeat a new one: what the counts are out of.
    judged: usize,
    combed: Vec<usize>,
    chroma_only: Vec<usize>,
    one_field: [Vec<usize>; 2],
    bobbing: Vec<usize>,
    bobbing_lines: f32,
    alternating: usize,
    wrong_order: Vec<usize>,
    averaged: Vec<usize>,
    mean: Option<Mean>,
}

/// Confidence of a new picture from which the step to it is motion. Choice: the same as for holds in findings.
const SURE_STEP: f32 = 0.9;

/// Marks frames by what their fields show, decides the scan, and audits the fields of an interlaced capture.
pub fn mark(
    frames: &mut [ClassifiedFrame],
    samples: &[FieldSample],
    times: &FrameTimes,
    facts: &ScanFacts,
) -> FieldFindings {
    let flagged = facts.given.unwrap_or(facts.flagged);
    let pictures = detect::pictures(frames, samples, first_field(flagged), facts.coding);
    let mut traces = Traces::default();
    let mut bobbing = Vec::new();
    let spans = spans(&pictures, frames);
    for (picture, span) in pictures.iter().zip(&spans) {
        traces.judged += span.len();
        let set = |frames: &mut [ClassifiedFrame], flag: FrameFlags| {
            frames[span.clone()].iter_mut().for_each(|frame| frame.flags.insert(flag));
        };
        if matches!(picture.weave, Woven::Video(_) | Woven::Mixed(_) | Woven::Scaled(_)) {
            set(frames, FrameFlags::COMBED);
            traces.combed.extend(span.clone());
        }
        if let Some(lost) = picture.lost {
            set(frames, FrameFlags::ONE_FIELD);
            traces.one_field[lost.index()].extend(span.clone());
        }
        if picture.chroma_only {
            traces.chroma_only.extend(span.clone());
        }
        if picture.bobbing_lines > 0.0 {
            traces.bobbing.extend(span.clone());
            bobbing.push(picture.bobbing_lines);
        }
        traces.alternating += usize::from(picture.alternating);
        // Steps within the recorder's error go forth and back by the way it codes frames in turn.
        if picture.wrong_order && frames[picture.frame].confidence >= SURE_STEP {
            traces.wrong_order.extend(span.clone());
        }
    }
    unmix(frames, &traces.combed);
    traces.bobbing_lines = window::median(bobbing).unwrap_or(0.0);
    let mut scan = scan::decide(&pictures, facts);
    let first =
        first_field(scan.scan).or_else(|| first_field(facts.flagged).filter(|_| facts.given.is_none()));
    let fields = first.map(|first| {
        let mut fields = audit::classify(frames, samples, first);
        let whole = pictures.iter().filter(|picture| picture.weave == Woven::Clean);
        audit::tell(&mut fields, whole.map(|picture| picture.frame), audit::ONE_MOMENT);
        let films = pictures.iter().filter_map(|picture| Some((picture.frame, picture.film?)));
        audit::of_film(&mut fields, first, films);
        let film = FieldAudit::of(first, fields.clone(), times);
        if film.is_cancelled_down() {
            return film;
        }
        let of_two_moments = |picture: &&Picture| matches!(picture.weave, Woven::Video(_));
        // The first frame has none before it to be measured against: it is like the one that follows.
        let leading = pictures.first().filter(of_two_moments).filter(|picture| picture.frame == 1);
        let video = pictures.iter().filter(of_two_moments).map(|picture| picture.frame);
        audit::tell(&mut fields, leading.map(|_| 0).into_iter().chain(video), audit::TWO_MOMENTS);
        FieldAudit::of(first, fields, times)
    });
    if scan.scan == Scan::Progressive && fields.as_ref().is_some_and(FieldAudit::is_cancelled_down) {
        // Whole frames in the cadence of pulldown come from fields: nothing speaks against the flags then.
        scan = ScanDecision { scan: facts.flagged, source: ScanSource::Flags, ..scan };
    }
    if let Some(fields) = fields.as_ref().filter(|fields| fields.is_cancelled_down()) {
        // The cadence of the fields settles which frames mix two pictures.
        traces.combed = fields.mixed_frames().filter(|&frame| frame > 0).collect();
        frames.iter_mut().for_each(|frame| frame.flags = frame.flags.without(FrameFlags::COMBED));
        traces.combed.iter().for_each(|&frame| frames[frame].flags.insert(FrameFlags::COMBED));
        unmix(frames, &traces.combed);
    }
    mark_averaged(frames, &averaged::means(&pictures, samples), &spans, &mut traces);
    FieldFindings { scan, fields, traces }
}

/// Marks the frames that show a mean of two fields. Combs and fields thrown away are told more surely.
fn mark_averaged(
    frames: &mut [ClassifiedFrame],
    means: &[Option<Mean>],
    spans: &[Range<usize>],
    traces: &mut Traces,
) {
    let told_otherwise = |frame: &ClassifiedFrame| {
        frame.flags.without(FrameFlags::COMBED).without(FrameFlags::ONE_FIELD) != frame.flags
    };
    for (mean, span) in means.iter().zip(spans) {
        let Some(mean) = mean.filter(|_| !frames[span.clone()].iter().any(told_otherwise)) else { continue };
        for frame in &mut frames[span.clone()] {
            frame.flags.insert(FrameFlags::BLEND);
            frame.blend_weight = mean.weight;
        }
        traces.averaged.extend(span.clone());
        traces.mean.get_or_insert(mean);
    }
}

/// Takes back the mark of a mix from combed frames and those next to them: rows of two moments look like a weighted
/// mix wherever rows are averaged, and what lies between two of them like one in between.
fn unmix(frames: &mut [ClassifiedFrame], combed: &[usize]) {
    for &frame in combed {
        let near = frame.saturating_sub(COMBED_NEIGHBOURS)..(frame + COMBED_NEIGHBOURS + 1).min(frames.len());
        for frame in &mut frames[near] {
            frame.flags = frame.flags.without(FrameFlags::BLEND);
            frame.blend_weight = 0.0;
        }
    }
}

/// Frames next to a combed one whose likeness to mixes proves nothing: film's clean ones lie at most so far away, each
/// shown twice.
const COMBED_NEIGHBOURS: usize = 6;

/// The field that comes first in an interlaced capture.
fn first_field(scan: Scan) -> Option<Parity> {
    match scan {
        Scan::TopFieldFirst | Scan::Mixed => Some(Parity::Top),
        Scan::BottomFieldFirst => Some(Parity::Bottom),
        Scan::Progressive | Scan::Unknown => None,
    }
}

/// The frames that show each picture: from the one that brought it to the last that repeats it. What stands before
/// the first change shows the picture that the first change ends, which is like it in all but the moment.
fn spans(pictures: &[Picture], frames: &[ClassifiedFrame]) -> Vec<Range<usize>> {
    let mut spans: Vec<Range<usize>> = pictures
        .iter()
        .map(|picture| {
            let later = &frames[picture.frame + 1..];
            let held = later.iter().take_while(|frame| frame.class == FrameClass::Repeat).count();
            picture.frame..picture.frame + 1 + held
        })
        .collect();
    let mixed = pictures.first().is_some_and(|first| matches!(first.weave, Woven::Mixed(_)));
    if let Some(first) = spans.first_mut().filter(|first| first.start <= LEADING_FRAMES_MAX && !mixed) {
        first.start = 0;
    }
    spans
}

/// Frames before the first change that are taken for the same kind of picture: one hold of film at most.
const LEADING_FRAMES_MAX: usize = 3;
