//! A part of a capture: the frames between two times, or between two numbers, without those before where the capture allows
//! that.
//!
//! A fingerprint looks back two frames. A part therefore begins with up to two frames before its own: the nearer one is the
//! last of the part before, so that both can be held together.

use std::collections::VecDeque;

use super::{CaptureEnd, CaptureFacts, Extent, FrameSource, Leap};
use crate::error::{Error, Result};
use crate::frame::FrameTiming;

/// Frames that a fingerprint looks back.
pub(crate) const LOOK_BACK: usize = 2;
/// Seconds before a part from which it is read, one after the other, until two frames before it are found: pictures right
/// after the place that a decoder goes to may lack what they refer to. Choice.
const MARGINS_S: [f64; 2] = [1.0, 10.0];

/// Which part, from 1, of how many.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Part {
    number: u32,
    of: u32,
}

impl Part {
    /// Most parts.
    pub const MAX: u32 = 10_000;

    /// Part `number` of `of`; `None` unless both are from 1 to [`Part::MAX`] and fit.
    pub fn new(number: u32, of: u32) -> Option<Self> {
        ((1..=Self::MAX).contains(&of) && (1..=of).contains(&number)).then_some(Self { number, of })
    }

    /// Reads `K/N`.
    pub fn parse(text: &str) -> Option<Self> {
        let (number, of) = text.split_once('/')?;
        Self::new(number.parse().ok()?, of.parse().ok()?)
    }

    /// Which, from 1.
    pub fn number(self) -> u32 {
        self.number
    }

    /// Of how many.
    pub fn of(self) -> u32 {
        self.of
    }

    /// Where it begins and where the next one does, as parts of `length`; the last has no end.
    fn bounds(self, length: u64) -> (u64, Option<u64>) {
        let cut = |number: u32| (u128::from(length) * u128::from(number) / u128::from(self.of)) as u64;
        (cut(self.number - 1), (self.number < self.of).then(|| cut(self.number)))
    }
}

/// Reads a part of another source.
pub(crate) struct PartSource {
    inner: Box<dyn FrameSource>,
    /// Frames read already.
    waiting: VecDeque<(FrameTiming, Vec<u8>)>,
    end: End,
    ended: bool,
}

/// Where the part ends.
enum End {
    /// With the capture.
    OfCapture,
    /// Before the first frame at this time or later.
    Ticks(i64),
    /// After so many frames more.
    Frames(u64),
}

impl PartSource {
    /// A part of `inner`, and how many of its first frames lie before the part; `place` is what errors call it.
    ///
    /// # Errors
    /// The capture cannot be read in parts, or the part holds no frame.
    pub(crate) fn new(mut inner: Box<dyn FrameSource>, part: Part, place: &str) -> Result<(Self, usize)> {
        let (waiting, end) = match inner.extent() {
            Some(Extent::Frames(frames)) => by_number(inner.as_mut(), part.bounds(frames), place)?,
            Some(Extent::Ticks(ticks)) => by_time(inner.as_mut(), part, (ticks, place))?,
            None => {
                let cause = "neither its length nor the times of its frames are known before it is read";
                let hint = "copy it into a container such as Matroska without encoding it again, or read it in one pass";
                return Err(Error::new(place, "cannot be read in parts", cause, hint));
            }
        };
        let before = waiting.len() - 1;
        Ok((Self { inner, waiting, end, ended: false }, before))
    }
}

fn empty(place: &str) -> Error {
    Error::new(
        place,
        "the part holds no frame",
        "the capture is too short for so many parts",
        "choose fewer parts",
    )
}

type Waiting = VecDeque<(FrameTiming, Vec<u8>)>;

fn by_number(
    inner: &mut dyn FrameSource,
    (from, to): (u64, Option<u64>),
    place: &str,
) -> Result<(Waiting, End)> {
    let before = from.min(LOOK_BACK as u64);
    let leap = Leap { frames: from - before, ticks: None };
    let passed = leap.frames > 0 && inner.leap(leap)?;
    let mut samples = Vec::new();
    for _ in 0..if passed { 0 } else { leap.frames } {
        inner.read_frame(&mut samples)?;
    }
    let mut waiting = Waiting::new();
    for _ in 0..=before {
        let mut samples = Vec::new();
        let timing = inner.read_frame(&mut samples)?.ok_or_else(|| empty(place))?;
        waiting.push_back((timing, samples));
    }
    match to {
        None => Ok((waiting, End::OfCapture)),
        Some(to) if to > from => Ok((waiting, End::Frames(to - from - 1))),
        Some(_) => Err(empty(place)),
    }
}

fn by_time(inner: &mut dyn FrameSource, part: Part, (length, place): (i64, &str)) -> Result<(Waiting, End)> {
    let mut samples = Vec::new();
    let timing = inner.read_frame(&mut samples)?.ok_or_else(|| empty(place))?;
    let first = timing.ticks.ok_or_else(|| empty(place))?;
    let (from, to) = part.bounds(u64::try_from(length).unwrap_or(0));
    let at = |ticks: u64| first.saturating_add(i64::try_from(ticks).unwrap_or(i64::MAX));
    let end = to.map_or(End::OfCapture, |to| End::Ticks(at(to)));
    if part.number() == 1 {
        return Ok((Waiting::from([(timing, samples)]), end));
    }
    let start = at(from);
    let base = inner.facts().time_base;
    let ticks_of = |seconds: f64| base.map_or(0, |base| (seconds / base.seconds(1)) as i64);
    for margin in MARGINS_S {
        // Where it cannot go there it reads on from where it is, which is before.
        inner.go_to(start.saturating_sub(ticks_of(margin)).max(first))?;
        let waiting = read_to(inner, start)?.ok_or_else(|| empty(place))?;
        if waiting.len() > LOOK_BACK {
            return Ok((waiting, end));
        }
    }
    // There are not two frames before it, or it does not find them.
    inner.go_to(first)?;
    let waiting = read_to(inner, start)?.filter(|waiting| waiting.len() > 1).ok_or_else(|| empty(place))?;
    Ok((waiting, end))
}

/// Reads to the first frame at `start` or later: that frame and up to two before it.
fn read_to(inner: &mut dyn FrameSource, start: i64) -> Result<Option<Waiting>> {
    let mut waiting = Waiting::new();
    loop {
        let spare = if waiting.len() > LOOK_BACK { waiting.pop_front() } else { None };
        let mut samples = spare.map(|(_, samples)| samples).unwrap_or_default();
        let Some(timing) = inner.read_frame(&mut samples)? else { return Ok(None) };
        waiting.push_back((timing, samples));
        if timing.ticks.is_some_and(|ticks| ticks >= start) {
            return Ok(Some(waiting));
        }
    }
}

impl FrameSource for PartSource {
    fn facts(&self) -> &CaptureFacts {
        self.inner.facts()
    }

    fn read_frame(&mut self, samples: &mut Vec<u8>) -> Result<Option<FrameTiming>> {
        if let Some((timing, waiting)) = self.waiting.pop_front() {
            *samples = waiting;
            return Ok(Some(timing));
        }
        if self.ended {
            return Ok(None);
        }
        match &mut self.end {
            End::Frames(0) => {
                self.ended = true;
                return Ok(None);
            }
            End::Frames(left) => *left -= 1,
            End::Ticks(_) | End::OfCapture => {}
        }
        let timing = self.inner.read_frame(samples)?;
        let is_next = |end: i64| timing.is_some_and(|timing| timing.ticks.is_some_and(|ticks| ticks >= end));
        if matches!(self.end, End::Ticks(end) if is_next(end)) {
            self.ended = true;
            return Ok(None);
        }
        Ok(timing)
    }

    fn finish(self: Box<Self>) -> CaptureEnd {
        self.inner.finish()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn parts_are_named_by_two_numbers() {
        for (text, expected) in [
            ("1/1", Some((1, 1))),
            ("3/8", Some((3, 8))),
            ("8/8", Some((8, 8))),
            ("0/8", None),
            ("9/8", None),
            ("1/0", None),
            ("1/10001", None),
            ("1", None),
            ("1/", None),
            ("-1/2", None),
            ("1/2/3", None),
        ] {
            assert_eq!(Part::parse(text).map(|part| (part.number(), part.of())), expected, "{text}");
        }
    }

    #[test]
    fn parts_follow_each_other_without_gap() {
        for (length, of) in [(10u64, 3), (7, 7), (1_000_003, 64), (u64::MAX / 2, 10_000)] {
            let mut next = 0;
            for number in 1..=of {
                let (from, to) = Part::new(number, of).unwrap().bounds(length);
                assert_eq!(from, next);
                match to {
                    Some(to) => next = to,
                    None => assert_eq!(number, of),
                }
            }
        }
    }
}
