//! Lost pictures: jumps of the motion although the timestamps are whole.

use super::{median, sides, ClassifiedFrame, FrameEvidence, FrameFlags, Steady, Step, STEADY_WITHIN};

/// Fewest single steps of a jump: half way to two, with room for error.
const JUMP_FROM: f32 = 1.6;

/// Farthest that a jump may lie off the line of the motion around it, as a share of its length.
const OFF_LINE_MAX: f32 = 0.25;

/// Error of a measured step besides that of the typical one, single steps. By trials on painted pans.
const STEP_ERROR: f32 = 0.05;

/// A jump without a stall before it is a matter of one step alone, so it must be this sure, pictures.
const LONE_ERROR_MAX: f32 = 0.3;

/// The steps next to a jump without a stall are single within this.
const LONE_SINGLE_WITHIN: f32 = 0.3;

/// Longest stall that is filled up without a measured motion, typical holds: a device that catches up after a
/// longer one is not told from a scene that stood still.
const STALL_HOLDS_MAX: usize = 16;

/// Amplitude of the change after a stall against those around it from which pictures are missing.
const STALL_JUMP_RATIO: f32 = 1.5;

/// Changes of amplitude around a stall are steady when the typical deviation is at most this share.
const AMPLITUDE_WITHIN: f32 = 0.3;

/// Marks what comes after lost pictures, with their number.
pub(super) fn mark(frames: &mut [ClassifiedFrame], evidence: &[FrameEvidence], news: &[usize]) {
    for place in 0..news.len() {
        let index = news[place];
        let flags = frames[index].flags;
        let excluded = [FrameFlags::CUT, FrameFlags::AFTER_GAP, FrameFlags::OUT_OF_ORDER, FrameFlags::BLEND];
        if excluded.into_iter().any(|flag| flags.contains(flag)) {
            continue;
        }
        let scene = Scene { frames, evidence, news, place };
        if let Some(jump) = scene.jump_by_motion().or_else(|| scene.jump_by_amplitude()) {
            frames[index].lost_before = jump.lost;
            frames[index].lost_uncertainty = jump.uncertainty;
            frames[index].flags.insert(FrameFlags::AFTER_DROP);
        }
    }
}

/// Pictures missing at one place.
struct Jump {
    lost: u16,
    /// Half width of the range the number lies in, pictures.
    uncertainty: f32,
}

/// One new picture and what surrounds it.
struct Scene<'a> {
    frames: &'a [ClassifiedFrame],
    evidence: &'a [FrameEvidence],
    news: &'a [usize],
    place: usize,
}

impl Scene<'_> {
    /// Frames that the picture at `place` of the list stays; frame 0 stands before the list.
    fn hold_before(&self, place: usize) -> usize {
        self.news[place] - if place == 0 { 0 } else { self.news[place - 1] }
    }

    /// The hold usual around, where most are alike.
    fn typical_hold(&self) -> usize {
        let first = self.place.saturating_sub(super::NEIGHBOURS).max(1);
        let last = (self.place + super::NEIGHBOURS + 1).min(self.news.len());
        let mut holds: Vec<usize> = (first..last).map(|place| self.hold_before(place)).collect();
        holds.sort_unstable();
        holds.get(holds.len() / 2).copied().unwrap_or(1)
    }

    /// How many pictures are missing by the step of the motion against the single step around it.
    fn jump_by_motion(&self) -> Option<Jump> {
        let step = Step::of(&self.evidence[self.news[self.place]])?;
        let around = sides(self.frames, self.news, self.place);
        let steady = Steady::around(self.evidence, &around)?;
        let (pictures, off_line) = step.in_steps_of(steady.single);
        if pictures < JUMP_FROM || off_line > OFF_LINE_MAX * pictures {
            return None;
        }
        let uncertainty = pictures * steady.error + STEP_ERROR / steady.single.length().min(1.0);
        // A picture shown again puts the step back by one that was shown already.
        let before = self.place.checked_sub(1).map(|place| self.frames[self.news[place]].flags);
        let shown =
            if before.is_some_and(|flags| flags.contains(FrameFlags::OUT_OF_ORDER)) { 2.0 } else { 1.0 };
        let stalled = self.hold_before(self.place) > self.typical_hold();
        let sure = if stalled {
            pictures - uncertainty > 1.0
        } else {
            uncertainty <= LONE_ERROR_MAX && self.lone(&around, steady.single)
        };
        let lost = (pictures.round() - shown).min(f32::from(u16::MAX));
        (sure && lost >= 1.0).then_some(Jump { lost: lost as u16, uncertainty })
    }

    /// Whether the steps next to the picture are single ones: what speeds up and slows down is the content's.
    fn lone(&self, around: &[Vec<usize>; 2], single: Step) -> bool {
        around.iter().all(|side| {
            side.first().and_then(|&index| Step::of(&self.evidence[index])).is_some_and(|step| {
                let (along, off_line) = step.in_steps_of(single);
                (along - 1.0).abs() <= LONE_SINGLE_WITHIN && off_line <= LONE_SINGLE_WITHIN
                    || self.frames[side[0]].flags.contains(FrameFlags::OUT_OF_ORDER)
            })
        })
    }

    /// After a stall, where no motion can be measured: a device that plays on without delay has skipped as many
    /// pictures as it stood. Whether it did, or came late, the change tells: it grows with the number of steps
    /// as that of two steps to one does.
    fn jump_by_amplitude(&self) -> Option<Jump> {
        let (hold, typical) = (self.hold_before(self.place), self.typical_hold());
        if self.place == 0 || typical == 0 || hold <= typical || hold > STALL_HOLDS_MAX * typical {
            return None;
        }
        let [before, after] = sides(self.frames, self.news, self.place);
        let before = steady_amplitude(self.evidence, &before)?;
        let after = steady_amplitude(self.evidence, &after)?;
        let single = before.max(after);
        if before.min(after) < (1.0 - 2.0 * STEADY_WITHIN) * single {
            return None;
        }
        let ratio = self.evidence[self.news[self.place]].reduced.energy.max(0.0).sqrt() / single;
        let missing = (hold as f32 / typical as f32).round() - 1.0;
        (ratio >= STALL_JUMP_RATIO && missing >= 1.0)
            .then_some(Jump { lost: missing as u16, uncertainty: (missing / 4.0).max(1.0) })
    }
}

/// The middle amplitude of the changes of one side, code values, where they are alike.
fn steady_amplitude(evidence: &[FrameEvidence], side: &[usize]) -> Option<f32> {
    let amplitudes: Vec<f32> =
        side.iter().map(|&index| evidence[index].reduced.energy.max(0.0).sqrt()).collect();
    if amplitudes.len() < super::SIDE_MIN {
        return None;
    }
    let middle = median(amplitudes.clone())?;
    let deviation = median(amplitudes.iter().map(|amplitude| (amplitude - middle).abs()).collect())?;
    (middle > 0.0 && deviation <= AMPLITUDE_WITHIN * middle).then_some(middle)
}
