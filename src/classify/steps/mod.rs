//! What the steps between pictures tell once it is known which frames are new: cuts, order, lost pictures, mixes.

mod blends;
mod cuts;
mod lost;
mod order;

use std::ops::{Deref, DerefMut};

use super::evidence::FrameEvidence;
use super::{ClassifiedFrame, FrameClass, FrameFlags};
use crate::frame::Coding;
use crate::note::Note;

/// New pictures looked at on each side of one.
const NEIGHBOURS: usize = 8;

/// Marks cuts, order, lost pictures and mixes on frames whose class is known; says so where losses cannot be counted.
pub(super) fn mark(
    frames: &mut [ClassifiedFrame],
    evidence: &[FrameEvidence],
    coding: Coding,
) -> Option<Note> {
    let news: Vec<usize> =
        (1..frames.len()).filter(|&index| frames[index].class == FrameClass::New).collect();
    cuts::mark(frames, evidence, &news);
    blends::mark(frames, evidence, coding);
    order::mark(frames, evidence, &news);
    lost::mark(frames, evidence, &news, coding)
}

/// Most values around a place.
const AROUND_MAX: usize = 2 * NEIGHBOURS;

/// The few values around a place, without a heap: they are gathered for every frame.
#[derive(Clone, Copy, Debug)]
struct Few<T> {
    values: [T; AROUND_MAX],
    count: usize,
}

impl<T: Copy + Default> FromIterator<T> for Few<T> {
    /// The first [`AROUND_MAX`] of `values`.
    fn from_iter<I: IntoIterator<Item = T>>(values: I) -> Self {
        let mut few = Self { values: [T::default(); AROUND_MAX], count: 0 };
        for (place, value) in few.values.iter_mut().zip(values) {
            *place = value;
            few.count += 1;
        }
        few
    }
}

impl<T> Deref for Few<T> {
    type Target = [T];

    fn deref(&self) -> &[T] {
        &self.values[..self.count]
    }
}

impl<T> DerefMut for Few<T> {
    fn deref_mut(&mut self) -> &mut [T] {
        &mut self.values[..self.count]
    }
}

/// New frames on both sides of one, each in order.
#[derive(Clone, Copy, Debug)]
struct Sides<'a> {
    before: &'a [usize],
    after: &'a [usize],
}

impl<'a> Sides<'a> {
    /// The frames in `news` before and after place `place`, up to the nearest cut or gap: what lies beyond says
    /// nothing about the motion here.
    fn of(frames: &[ClassifiedFrame], news: &'a [usize], place: usize) -> Self {
        let whole = |index: &&usize| {
            let flags = frames[**index].flags;
            !flags.contains(FrameFlags::CUT) && !flags.contains(FrameFlags::AFTER_GAP)
        };
        let (before, after) = (&news[..place], &news[place + 1..]);
        // The change into a broken frame is no step of the motion.
        let count_before = before.iter().rev().take(NEIGHBOURS).take_while(whole).count();
        let count_after = after.iter().take(NEIGHBOURS).take_while(whole).count();
        Self { before: &before[before.len() - count_before..], after: &after[..count_after] }
    }

    /// All of them.
    fn iter(self) -> impl Iterator<Item = usize> + 'a {
        self.before.iter().chain(self.after).copied()
    }

    /// The nearest on each side, where there is one.
    fn nearest(self) -> [Option<usize>; 2] {
        [self.before.last().copied(), self.after.first().copied()]
    }
}

/// The middle one of `values`, the larger of two; `None` of none.
fn median(mut values: Few<f32>) -> Option<f32> {
    values.sort_unstable_by(f32::total_cmp);
    values.get(values.len() / 2).copied()
}

/// A motion from one picture to the next, pixels of the full picture.
#[derive(Clone, Copy, Debug, PartialEq)]
struct Step {
    x: f32,
    y: f32,
}

impl Step {
    /// The motion into a frame; `None` where too little of the texture agrees on one.
    fn of(evidence: &FrameEvidence) -> Option<Self> {
        /// Choice, by trials: whatever is matched wrongly agrees by chance in a few hundredths of the texture.
        const PEAK_MIN: f32 = 0.25;
        let reduced = &evidence.reduced;
        (reduced.motion_peak >= PEAK_MIN).then_some(Self { x: reduced.motion_x, y: reduced.motion_y })
    }

    fn length(self) -> f32 {
        // Steps are far from the limits of floats, so the plain form serves and is quicker than `hypot`.
        (self.x * self.x + self.y * self.y).sqrt()
    }

    fn minus(self, other: Self) -> Self {
        Self { x: self.x - other.x, y: self.y - other.y }
    }

    /// How many times `single` it is, and how far off that line, in lengths of `single`.
    fn in_steps_of(self, single: Self) -> (f32, f32) {
        let square = single.x * single.x + single.y * single.y;
        let along = (self.x * single.x + self.y * single.y) / square;
        (along, (self.y * single.x - self.x * single.y).abs() / square)
    }
}

/// The motion of one picture around a place, and how sure it is.
#[derive(Clone, Copy, Debug)]
struct Steady {
    /// The single step.
    single: Step,
    /// Its relative error.
    error: f32,
}

/// Fewest measured steps on each side of a place for a steady motion.
const SIDE_MIN: usize = 3;

/// Smallest typical step that can be counted in, pixels of the full picture: below it the error of the motion,
/// about a tenth of a reduced pixel, is no longer small against a step.
const STEP_MIN_PX: f32 = 0.25;

/// Motion is steady where the typical deviation from the middle step is at most this share of it, and the middle
/// steps before and after a place differ by no more than twice that. Choice, by trials: painted pans stay below
/// 0.1, a hand-held camera lies above.
const STEADY_WITHIN: f32 = 0.2;

impl Steady {
    /// The single step around a place, where the motion is steady on both sides of it.
    fn around(evidence: &[FrameEvidence], sides: Sides<'_>) -> Option<Self> {
        Middle::around(evidence, sides)?.steady()
    }
}

/// The middle steps before and after a place, whether steady or not.
struct Middle<'a> {
    sides: [Side<'a>; 2],
    /// The step between both.
    single: Step,
}

impl<'a> Middle<'a> {
    /// The middle steps around a place, where there are any large enough to count in.
    fn around(evidence: &'a [FrameEvidence], sides: Sides<'a>) -> Option<Self> {
        let [before, after] = [Side::new(evidence, sides.before)?, Side::new(evidence, sides.after)?];
        let single =
            Step { x: (before.middle.x + after.middle.x) / 2.0, y: (before.middle.y + after.middle.y) / 2.0 };
        (single.length() >= STEP_MIN_PX).then_some(Self { sides: [before, after], single })
    }

    /// The single step, where the motion is steady on both sides.
    fn steady(&self) -> Option<Steady> {
        let Self { sides: [before, after], single } = self;
        let change = after.middle.minus(before.middle).length() / single.length();
        let error = before.error()?.max(after.error()?);
        // Between both sides the step lies between both, so half of the change is the most it can be off.
        (change <= 2.0 * STEADY_WITHIN && error <= STEADY_WITHIN)
            .then_some(Steady { single: *single, error: error.max(change / 4.0) })
    }
}

/// One side of a place, and the middle one of its steps.
struct Side<'a> {
    evidence: &'a [FrameEvidence],
    indices: &'a [usize],
    middle: Step,
}

impl<'a> Side<'a> {
    /// Most of the pictures of the side must have a motion.
    fn new(evidence: &'a [FrameEvidence], indices: &'a [usize]) -> Option<Self> {
        let steps = indices.iter().filter_map(|&index| Step::of(&evidence[index]));
        let (across, down): (Few<f32>, Few<f32>) =
            (steps.clone().map(|step| step.x).collect(), steps.map(|step| step.y).collect());
        if across.len() < SIDE_MIN || 2 * across.len() <= indices.len() {
            return None;
        }
        let middle = Step { x: median(across)?, y: median(down)? };
        (middle.length() > 0.0).then_some(Self { evidence, indices, middle })
    }

    /// The typical deviation from the middle step as a share of its length.
    fn error(&self) -> Option<f32> {
        let steps = self.indices.iter().filter_map(|&index| Step::of(&self.evidence[index]));
        let deviation = median(steps.map(|step| step.minus(self.middle).length()).collect())?;
        Some(deviation / self.middle.length())
    }
}

#[cfg(test)]
mod tests;
