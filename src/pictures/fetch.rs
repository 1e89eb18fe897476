//! The second reading: frames in, small pictures out.

use std::collections::{BTreeMap, BTreeSet};
use std::ops::Range;
use std::sync::atomic::{AtomicBool, Ordering};

use super::encode::{self, Budget, Kept, KeptFrame};
use super::{Converter, FilmStrip, Pictures, Reason, Stretch};
use crate::audit::Audit;
use crate::capture::{FrameSource, Leap};
use crate::error::Result;
use crate::fingerprint::{digest, Digest, ViewPlan, UNKNOWN_DIGEST};
use crate::frame::Rect;
use crate::pipeline;
use crate::settings::ViewSettings;
use crate::verdict::FindingKind;

/// What pictures are wanted.
#[derive(Clone, Copy)]
pub struct Fetch<'a> {
    /// The audit whose findings are shown.
    pub audit: &'a Audit,
    /// The part of the picture that was audited; pictures show the whole one.
    pub view: &'a ViewSettings,
    /// Room in the report.
    pub budget: Budget,
    /// Set from outside to end reading; the frames so far are kept.
    pub stop: &'a AtomicBool,
}

/// Opens the capture from its start.
pub type Open<'a> = dyn FnMut() -> Result<Box<dyn FrameSource + 'a>> + 'a;

/// Reads what `open` opens up to the last frame needed and no further, leaping where the capture allows that.
///
/// # Errors
/// Reading fails before the first frame that is needed.
pub fn fetch<'a>(open: &mut Open<'a>, wanted: Fetch<'_>) -> Result<Pictures> {
    if wanted.audit.frames.iter().any(|frame| frame.digest == UNKNOWN_DIGEST) {
        return Ok(Pictures::none(
            "There are no pictures: the report that this one was built from had no digests of the frames to check \
             them with.",
        ));
    }
    let stretches = super::stretches(wanted.audit);
    let mut source = open()?;
    if source.facts().shape != wanted.audit.facts.shape {
        source.finish();
        return Ok(Pictures::none(
            "There are no pictures: the capture now at hand has another size or pixel format.",
        ));
    }
    let mut leapt = false;
    let mut read = read(&mut *source, &stretches, (wanted, Way::Leaping { leapt: &mut leapt }));
    source.finish();
    let whole = read.as_ref().is_ok_and(|read| read.other_frame.is_none() && !read.is_short);
    if leapt && !whole && !wanted.stop.load(Ordering::Relaxed) {
        // What a leap did not find may still be there.
        let mut source = open()?;
        read = self::read(&mut *source, &stretches, (wanted, Way::FrameByFrame));
        source.finish();
    }
    let read = read?;
    if let Some(frame) = read.other_frame {
        return Ok(Pictures::none(format!(
            "There are no pictures: frame {frame} of the capture now at hand is not the one that was audited."
        )));
    }
    let (taken, pictures) = encode::within(&read.kept, &stretches, wanted.budget);
    let remark = remark(&read, stretches.len(), taken.len());
    Ok(Pictures { strip: strip(&taken, read.kept), stretches: taken, pictures, remark })
}

/// How frames that are not needed are passed.
enum Way<'a> {
    /// By a leap, where the capture allows that.
    Leaping {
        /// Set before the first one.
        leapt: &'a mut bool,
    },
    /// By reading them.
    FrameByFrame,
}

impl Way<'_> {
    /// Whether it passed over the frames.
    fn pass(&mut self, source: &mut dyn FrameSource, leap: Leap) -> Result<bool> {
        match self {
            Self::FrameByFrame => Ok(false),
            Self::Leaping { leapt } => {
                let before = **leapt;
                // An error may be the leap's own: then reading through is worth a try.
                **leapt = true;
                let passed = source.leap(leap)?;
                **leapt = before || passed;
                Ok(passed)
            }
        }
    }
}

/// What the second reading brought.
#[derive(Default)]
struct Reading {
    kept: Kept,
    /// A frame whose digest is not that of the audit.
    other_frame: Option<u64>,
    /// The capture ended, or reading was stopped, before the last frame needed.
    is_short: bool,
}

fn read(
    source: &mut dyn FrameSource,
    stretches: &[Stretch],
    (wanted, mut way): (Fetch<'_>, Way<'_>),
) -> Result<Reading> {
    let needed: BTreeSet<u64> = stretches.iter().flat_map(|stretch| stretch.frames.clone()).collect();
    let mut reading = Reading::default();
    let shape = wanted.audit.facts.shape;
    let converter = Converter::new(shape, encode::SIDE_MAX);
    let check = DigestCheck { plan: ViewPlan::new(shape, wanted.view), audit: wanted.audit };
    let (mut samples, mut before) = (Vec::new(), Vec::new());
    let mut packed = Vec::new();
    let fine: Vec<&Stretch> =
        stretches.iter().filter(|stretch| needs_detail(wanted.audit, stretch)).collect();
    // The part of the picture that is shown at full size stays the same along a stretch.
    let mut areas: BTreeMap<usize, Rect> = BTreeMap::new();
    let mut next = 0;
    for frame in needed {
        // The frame before is read too: pictures are shown with their difference.
        let from = frame.saturating_sub(1);
        if from > next {
            next = if way.pass(source, leap(wanted.audit, next..from))? { from } else { next };
        }
        while next <= frame {
            std::mem::swap(&mut samples, &mut before);
            let stopped = wanted.stop.load(Ordering::Relaxed);
            let got = if stopped { None } else { read_one(source, &mut samples, reading.kept.is_empty())? };
            if got.is_none() {
                reading.is_short = true;
                return Ok(reading);
            }
            next += 1;
        }
        if !check.holds(frame, &samples, &mut packed) {
            reading.other_frame = Some(frame);
            return Ok(reading);
        }
        let (picture, difference) = pipeline::both(
            || converter.picture(&samples),
            || (frame > 0).then(|| converter.difference(&samples, &before)),
        );
        let closer = fine.iter().position(|stretch| stretch.frames.contains(&frame));
        let detail = closer.filter(|_| frame > 0).map(|stretch| {
            let area = *areas.entry(stretch).or_insert_with(|| converter.liveliest(&samples, &before));
            (area, converter.detail(&samples, area))
        });
        let is_same_as_before = frame > 0
            && reading.kept.contains_key(&(frame - 1))
            && digest_of(wanted.audit, frame) == digest_of(wanted.audit, frame - 1);
        let kept = KeptFrame { picture, difference, detail, is_same_as_before };
        reading.kept.insert(frame, kept);
    }
    Ok(reading)
}

/// Whether a stretch shows what scaling down would hide: single rows, and mixes.
fn needs_detail(audit: &Audit, stretch: &Stretch) -> bool {
    let fine = [
        FindingKind::CombedPictures,
        FindingKind::OneFieldPictures,
        FindingKind::FieldOrderSwapped,
        FindingKind::BlendedPictures,
    ];
    audit.findings.iter().any(|finding| {
        let overlaps = finding.first_frame < stretch.frames.end && finding.last_frame >= stretch.frames.start;
        overlaps && fine.contains(&finding.kind)
    })
}

/// The leap over `frames`, with the time of the frame after them where the audit has it from the capture.
fn leap(audit: &Audit, frames: Range<u64>) -> Leap {
    let times = &audit.times;
    let from_capture = times.measured && audit.facts.time_base == Some(times.base);
    let ticks = usize::try_from(frames.end).ok().and_then(|frame| times.ticks.get(frame).copied());
    Leap { frames: frames.end - frames.start, ticks: ticks.filter(|_| from_capture) }
}

/// The next frame; an error after frames were kept ends reading as the end of the capture does.
fn read_one(source: &mut dyn FrameSource, samples: &mut Vec<u8>, is_first: bool) -> Result<Option<()>> {
    match source.read_frame(samples) {
        Ok(timing) => Ok(timing.map(|_| ())),
        Err(error) if is_first => Err(error),
        Err(_) => Ok(None),
    }
}

/// Compares frames with the digests of the audit.
struct DigestCheck<'a> {
    plan: ViewPlan,
    audit: &'a Audit,
}

impl DigestCheck<'_> {
    fn holds(&self, frame: u64, samples: &[u8], packed: &mut Vec<u8>) -> bool {
        packed.clear();
        packed.extend_from_slice(samples);
        self.plan.pack(packed);
        digest_of(self.audit, frame) == Some(digest(&packed[..self.plan.packed_len()]))
    }
}

/// The digest that was audited of a frame.
fn digest_of(audit: &Audit, frame: u64) -> Option<Digest> {
    usize::try_from(frame).ok().and_then(|frame| audit.frames.get(frame)).map(|frame| frame.digest)
}

fn remark(read: &Reading, wanted: usize, taken: usize) -> String {
    let mut remark = String::from(
        "Pictures are scaled down; colours are converted for a screen and prove nothing. Each was read from the \
         capture a second time and has the digest that was audited.",
    );
    if taken < wanted {
        remark.push_str(&format!(
            " {} of {wanted} stretches were left out to keep the file small; --pictures sets its size.",
            wanted - taken
        ));
    }
    if read.is_short {
        remark.push_str(" The second reading ended before all pictures were read.");
    }
    remark
}

/// The worst event's frames; a typical stretch where the event is everywhere or there is none.
fn strip(taken: &[Stretch], mut kept: Kept) -> Option<FilmStrip> {
    let place = |stretch: &Stretch| match stretch.reason {
        Reason::Typical => None,
        Reason::Event(number) => Some(number),
    };
    // The worst event comes after the typical stretch.
    let shown = taken.get(1).or_else(|| taken.first())?;
    let frames: Vec<_> = shown
        .frames
        .clone()
        .filter_map(|frame| kept.remove(&frame).map(|kept| (frame, kept.picture, kept.difference)))
        .collect();
    (!frames.is_empty()).then_some(FilmStrip { event: place(shown), frames })
}
