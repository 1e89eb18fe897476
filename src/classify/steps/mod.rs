//! What the steps between pictures tell once it is known which frames are new: cuts, order, lost pictures, mixes.

mod blends;
mod cuts;
mod lost;
mod order;

use super::evidence::FrameEvidence;
use super::{ClassifiedFrame, FrameClass, FrameFlags};

/// New pictures looked at on each side of one.
const NEIGHBOURS: usize = 8;

/// Marks cuts, order, lost pictures and mixes on frames whose class is known.
pub(super) fn mark(frames: &mut [ClassifiedFrame], evidence: &[FrameEvidence]) {
    let news: Vec<usize> =
        (1..frames.len()).filter(|&index| frames[index].class == FrameClass::New).collect();
    cuts::mark(frames, evidence, &news);
    blends::mark(frames, evidence);
    order::mark(frames, evidence, &news);
    lost::mark(frames, evidence, &news);
}

/// The frames in `news` before place `place`, nearest first, and those after it, up to the nearest cut, gap or
/// frame that is out of order: what lies beyond says nothing about the motion here.
fn sides(frames: &[ClassifiedFrame], news: &[usize], place: usize) -> [Vec<usize>; 2] {
    let broken = |index: usize| {
        let flags = frames[index].flags;
        flags.contains(FrameFlags::CUT) || flags.contains(FrameFlags::AFTER_GAP)
    };
    let before = news[..place].iter().rev().take(NEIGHBOURS).copied();
    let after = news[place + 1..].iter().take(NEIGHBOURS).copied();
    // The change into a broken frame is no step of the motion.
    [
        before.take_while(|&index| !broken(index)).collect(),
        after.take_while(|&index| !broken(index)).collect(),
    ]
}

/// The middle one of `values`, the larger of two; `None` of none.
fn median(mut values: Vec<f32>) -> Option<f32> {
    if values.is_empty() {
        return None;
    }
    let middle = values.len() / 2;
    Some(*values.select_nth_unstable_by(middle, f32::total_cmp).1)
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
    fn around(evidence: &[FrameEvidence], sides: &[Vec<usize>; 2]) -> Option<Self> {
        let [before, after] = [side(evidence, &sides[0])?, side(evidence, &sides[1])?];
        let single =
            Step { x: (before.single.x + after.single.x) / 2.0, y: (before.single.y + after.single.y) / 2.0 };
        let length = single.length();
        if length < STEP_MIN_PX {
            return None;
        }
        let change = after.single.minus(before.single).length() / length;
        let error = before.error.max(after.error);
        // Between both sides the step lies between both, so half of the change is the most it can be off.
        (change <= 2.0 * STEADY_WITHIN && error <= STEADY_WITHIN)
            .then_some(Self { single, error: error.max(change / 4.0) })
    }
}

/// The middle step of one side and the typical deviation from it as a share of its length. Most of the pictures
/// of the side must have a motion.
fn side(evidence: &[FrameEvidence], indices: &[usize]) -> Option<Steady> {
    let steps: Vec<Step> = indices.iter().filter_map(|&index| Step::of(&evidence[index])).collect();
    if steps.len() < SIDE_MIN || 2 * steps.len() <= indices.len() {
        return None;
    }
    let axis = |of: fn(&Step) -> f32| median(steps.iter().map(of).collect());
    let single = Step { x: axis(|step| step.x)?, y: axis(|step| step.y)? };
    let deviation = median(steps.iter().map(|step| step.minus(single).length()).collect())?;
    (single.length() > 0.0).then(|| Steady { single, error: deviation / single.length() })
}

#[cfg(test)]
mod tests;
