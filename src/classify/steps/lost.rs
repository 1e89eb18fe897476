//! Lost pictures: jumps of the motion although the timestamps are whole.

use super::{
    median, ClassifiedFrame, Few, FrameEvidence, FrameFlags, Middle, Sides, Steady, Step, NEIGHBOURS,
    SIDE_MIN,
};
use crate::frame::Coding;
use crate::note::{Note, NoteCode};

/// Fewest single steps of a jump: half way to two, with room for error.
const JUMP_FROM: f32 = 1.6;

/// Farthest that a jump may lie off the line of the motion around it, as a share of its length.
const OFF_LINE_MAX: f32 = 0.25;

/// Systematic error of a small motion, pixels of the full picture, and error of a jump besides, single steps.
/// By trials on painted pans, where 0.3 pixels are measured as 0.315.
const SINGLE_ERROR_PX: f32 = 0.02;
const JUMP_ERROR: f32 = 0.05;

/// A jump without a stall before it is a matter of one step alone, so it must be this sure, pictures.
const LONE_ERROR_MAX: f32 = 0.3;

/// ... and lie so near to a whole number of steps, pictures: half a picture is never lost. Choice: three times the
/// error of a jump.
const WHOLE_WITHIN: f32 = 0.15;

/// Smallest single step next to a jump without a stall, pixels of the full picture.
const LONE_STEP_MIN_PX: f32 = 0.8;

/// Most other jumps around one without a stall, where steps are small: content that moves by whole pixels takes its
/// steps by turns, now one pixel, now two.
const LONE_OTHERS_MAX: usize = 2;

/// Smallest single step from which rounding to whole pixels cannot pass for a jump, pixels of the full picture: 2 and 3
/// are 1.5 steps apart, less than [`JUMP_FROM`].
const ROUNDED_STEP_MIN_PX: f32 = 1.9;

/// The steps next to a jump without a stall are single within this.
const LONE_SINGLE_WITHIN: f32 = 0.3;

/// Most pictures lost without a stall, and most typical holds of a stall: what is farther is an edit, or a
/// scene that stood still. Choice: a quarter of a second at 60 pictures per second.
const LOST_MAX: usize = 16;

/// A change of several steps is larger than one step; how much shows where two steps are compared with one.
/// The jump must show at least this share of what two steps do, as logarithms of energies.
const GROWTH_SHARE_MIN: f32 = 0.5;

/// Largest ln of the energy of two steps against one at which pictures all differ alike. Choice: a tenth.
const ALIKE_LOG_MAX: f32 = 0.1;

/// Least agreement on the step of a jump against that on the steps around, where the change is no larger than theirs. Choice:
/// what is matched wrongly agrees on far less.
const AGREEING_MIN: f32 = 0.9;

/// Smallest ln of the energy of two steps against one at which one more or less can be counted: slow motion has
/// ln 4.
const RETURN_LOG_TWO_MIN: f32 = 0.8;

/// Steps may lie this far off a whole number, and most pictures whose turn a picture shown again takes. Choice.
const RETURN_WITHIN: f32 = 0.4;
const RETURN_LOST_MAX: f32 = 2.0;

/// Share of the holds around a stall that must be alike: a clip that holds its pictures as it likes stalls by
/// itself.
const HOLDS_ALIKE: f64 = 0.75;

/// Changes are even where the logarithms of their energies lie this near to the middle one. Choice: a tenth of what two steps
/// are more than one at the least.
const EVEN_WITHIN: f32 = 0.07;

/// ... and one leaps that is larger by this. Choice: half of what two steps are more than one where a change grows as the way
/// does: ln 2.
const LEAP_MIN: f32 = 0.35;

/// Steps of a leap lie this near to a whole number, and most pictures lost in it: the power holds for short ways. Choice.
const LEAP_WITHIN: f32 = 0.25;
const LEAP_LOST_MAX: f32 = 2.0;

/// Share of the new pictures that must lie in steady motion for losses to be counted in a recording. Choice: below it
/// most of the recording is not looked at.
const COUNTED_SHARE_MIN: f64 = 0.9;

/// Marks what comes after lost pictures, with their number; says so where there was no step to count in.
pub(super) fn mark(
    frames: &mut [ClassifiedFrame],
    evidence: &[FrameEvidence],
    news: &[usize],
    coding: Coding,
) -> Option<Note> {
    let (mut counted, mut uncounted) = (0, 0);
    for place in 0..news.len() {
        let index = news[place];
        let flags = frames[index].flags;
        let excluded = [FrameFlags::CUT, FrameFlags::AFTER_GAP, FrameFlags::OUT_OF_ORDER, FrameFlags::BLEND];
        // A step from a mix is part of one, and says nothing about whole pictures.
        let from_mix = place > 0 && frames[news[place - 1]].flags.contains(FrameFlags::BLEND);
        if from_mix || excluded.into_iter().any(|flag| flags.contains(flag)) {
            continue;
        }
        let around = Sides::of(frames, news, place);
        let scene = Scene { frames, evidence, news, place, around, exact: coding != Coding::Lossy };
        let jump = scene.jump();
        let hides = jump.is_none() && scene.hides_losses();
        uncounted += usize::from(hides);
        counted += usize::from(!hides && scene.is_countable());
        if let Some(jump) = jump {
            frames[index].lost_before = jump.lost;
            frames[index].lost_uncertainty = jump.uncertainty;
            frames[index].flags.insert(FrameFlags::AFTER_DROP);
        }
    }
    // At both ends there is no motion on one side to compare with.
    let surrounded = news.len().saturating_sub(2 * SIDE_MIN);
    let few = counted as f64 <= COUNTED_SHARE_MIN * surrounded as f64;
    (few || uncounted > 0).then(|| unknown(counted, news.len()))
}

/// That losses may have passed unseen.
fn unknown(counted: usize, pictures: usize) -> Note {
    let which = match counted {
        0 => "no motion is steady enough to count in".to_owned(),
        _ => format!(
            "only {counted} of {pictures} new pictures lie in motion that is steady enough to count in"
        ),
    };
    Note::new(
        NoteCode::LossesUnknown,
        format!(
            "Pictures may be missing here, how many cannot be told: {which}. The clip itself (--reference) would tell."
        ),
    )
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
    /// The new pictures on both sides.
    around: Sides<'a>,
    /// Whether nothing says that the recorder adds to a change.
    exact: bool,
}

impl Scene<'_> {
    fn jump(&self) -> Option<Jump> {
        self.jump_by_motion().or_else(|| self.jump_after_return()).or_else(|| self.jump_by_energy())
    }

    /// Whether a picture lost before this one would show in the step of the motion.
    fn is_countable(&self) -> bool {
        let measured = Step::of(&self.evidence[self.news[self.place]]).is_some();
        let steady = || Steady::around(self.evidence, self.around);
        measured && steady().is_some_and(|steady| one_is_clear(&steady))
    }

    /// Whether the picture changes so much more than those around that one may be lost, where changes are even.
    fn leaps(&self) -> bool {
        self.even_energy().is_some_and(|usual| self.energy(self.news[self.place]) - usual >= LEAP_MIN)
    }

    /// Logarithm of the energy of the change into a frame.
    fn energy(&self, index: usize) -> f32 {
        self.evidence[index].reduced.energy.max(f32::MIN_POSITIVE).ln()
    }

    /// The larger of the middle logarithms of the energies on both sides, where changes are even.
    fn even_energy(&self) -> Option<f32> {
        let side = |side: &[usize]| {
            let usual = median(side.iter().map(|&index| self.energy(index)).collect())?;
            let off = median(side.iter().map(|&index| (self.energy(index) - usual).abs()).collect())?;
            (side.len() >= SIDE_MIN && off <= EVEN_WITHIN).then_some(usual)
        };
        let (before, after) = (side(self.around.before)?, side(self.around.after)?);
        ((before - after).abs() <= 2.0 * EVEN_WITHIN).then_some(before.max(after))
    }

    /// Whether the changes on both sides are no smaller than usual: a coder that shows a picture in part makes up for it in the
    /// next, and what leaves the picture or turns does so before a leap.
    fn beside_whole_changes(&self) -> bool {
        let usual = median(self.around.iter().map(|index| self.energy(index)).collect());
        let whole = |index: usize| usual.is_some_and(|usual| self.energy(index) >= usual - LEAP_MIN);
        self.around.nearest().into_iter().flatten().all(whole)
    }

    /// How many pictures are missing where no motion is measured, as in a zoom: by how much more the picture changes than those
    /// around, which change evenly, against what two steps do. Changes go with a power of the steps. Only of recordings that
    /// add nothing to a change; coders refresh pictures now and then. Motion that is measured but unsteady may be drawn in
    /// whole pixels, now one and now two.
    fn jump_by_energy(&self) -> Option<Jump> {
        if !self.exact || self.hold_before(self.place) > 1 || self.middle().is_some() {
            return None;
        }
        let more = self.energy(self.news[self.place]) - self.even_energy()?;
        let (_, two) = self.growth()?;
        if more < LEAP_MIN || two < LEAP_MIN || !self.beside_whole_changes() {
            return None;
        }
        let steps = (more / two).exp2();
        let lost = steps.round() - 1.0;
        let whole = (steps - steps.round()).abs() <= LEAP_WITHIN;
        (whole && (1.0..=LEAP_LOST_MAX).contains(&lost))
            .then_some(Jump { lost: lost as u16, uncertainty: LEAP_WITHIN })
    }

    /// Whether pictures may be lost here of which no number is told: where the motion steps far, the change leaps, or a stall
    /// ends in another step than a single one.
    fn hides_losses(&self) -> bool {
        let here = self.news[self.place];
        let single = self.middle().map(|middle| middle.single);
        let step = Step::of(&self.evidence[here]);
        let is_far = step.zip(single).is_some_and(|(step, single)| step.in_steps_of(single).0 >= JUMP_FROM);
        let is_single = || single.is_some_and(|single| self.is_single(here, single));
        is_far || self.leaps() || self.stalled(|_| true) > 0 && !is_single()
    }

    /// The middle steps on both sides.
    fn middle(&self) -> Option<Middle<'_>> {
        Middle::around(self.evidence, self.around)
    }

    /// Frames that the picture at `place` of the list stays; frame 0 stands before the list.
    fn hold_before(&self, place: usize) -> usize {
        self.news[place] - if place == 0 { 0 } else { self.news[place - 1] }
    }

    /// The hold usual around of frames that `count`, where most are alike: a clip that holds its pictures as it likes stalls
    /// by itself.
    fn typical_hold(&self, count: impl Fn(usize) -> bool) -> Option<usize> {
        let range =
            self.place.saturating_sub(NEIGHBOURS).max(1)..(self.place + NEIGHBOURS + 1).min(self.news.len());
        let others = range.filter(|&place| place != self.place && count(self.news[place]));
        let mut holds: Few<usize> = others.map(|place| self.hold_before(place)).collect();
        holds.sort_unstable();
        let typical = *holds.get(holds.len() / 2)?;
        let alike = holds.iter().filter(|&&hold| hold == typical).count();
        (alike as f64 >= HOLDS_ALIKE * holds.len() as f64).then_some(typical)
    }

    /// Typical holds of frames that `count` that passed without a new picture just before, 0 where the hold is as usual.
    fn stalled(&self, count: impl Fn(usize) -> bool) -> usize {
        let hold = self.hold_before(self.place);
        match self.typical_hold(count) {
            Some(typical) if self.place > 0 && hold > typical => (hold + typical / 2) / typical - 1,
            _ => 0,
        }
    }

    /// Logarithms of energies against a single step around: of this change, and of two steps.
    fn growth(&self) -> Option<(f32, f32)> {
        let of = |value: fn(&FrameEvidence) -> f32| {
            median(self.around.iter().map(|index| value(&self.evidence[index])).collect())
        };
        let single = of(|one| one.reduced.energy)?;
        let two = of(|one| one.reduced.energy_two_back)?;
        let here = self.evidence[self.news[self.place]].reduced.energy;
        (single > 0.0).then(|| ((here / single).ln(), (two / single).ln()))
    }

    /// Whether the change is as large as that of several steps must be.
    fn grown(&self) -> bool {
        self.growth().is_some_and(|(here, two)| here >= GROWTH_SHARE_MIN * two.max(0.0))
    }

    /// Whether two steps change the picture no more than one, as is so of fine grain. Where they change it less, the
    /// pattern comes round by itself and its steps are not to be counted.
    fn all_differ_alike(&self) -> bool {
        self.growth().is_some_and(|(_, two)| two.abs() <= ALIKE_LOG_MAX)
    }

    /// Whether the step explains the change as well as the steps around explain theirs.
    fn agrees(&self) -> bool {
        let agreement = |index: usize| self.evidence[index].reduced.motion_peak;
        let usual = median(self.around.iter().map(agreement).collect());
        usual.is_some_and(|usual| agreement(self.news[self.place]) >= AGREEING_MIN * usual)
    }

    /// Whether the picture before is one that was shown already.
    fn after_return(&self) -> bool {
        let before = self.place.checked_sub(1).map(|place| self.frames[self.news[place]].flags);
        before.is_some_and(|flags| flags.contains(FrameFlags::OUT_OF_ORDER))
    }

    /// How many pictures are missing, by how much farther the motion steps here than from picture to picture around.
    fn jump_by_motion(&self) -> Option<Jump> {
        let step = Step::of(&self.evidence[self.news[self.place]])?;
        let middle = self.middle()?;
        let (pictures, off_line) = step.in_steps_of(middle.single);
        // What is quick to tell comes first: few steps are jumps.
        if pictures < JUMP_FROM || off_line > OFF_LINE_MAX * pictures {
            return None;
        }
        let steady = middle.steady()?;
        let jumps = self.grown() || self.all_differ_alike() && self.agrees();
        if !jumps {
            return None;
        }
        let uncertainty = uncertainty(&steady, pictures);
        // A picture shown again puts the step back by one that was shown already.
        let shown = if self.after_return() { 2.0 } else { 1.0 };
        // What stalls and jumps by turns holds other pictures alike.
        let stalled = self.stalled(|frame| self.is_single(frame, steady.single));
        let sure = if stalled > 0 {
            pictures - uncertainty > 1.0
        } else {
            let alone = self.lone(steady.single);
            let clear = steady.single.length() >= LONE_STEP_MIN_PX || self.after_return();
            let whole = (pictures - pictures.round()).abs() <= uncertainty.max(WHOLE_WITHIN);
            uncertainty <= LONE_ERROR_MAX && whole && clear && alone && self.beside_whole_changes()
        };
        // A device that plays on without delay has skipped as many as it stood: taken where the motion allows.
        let skipped = stalled as f32;
        let lost = if (pictures - shown - skipped).abs() <= uncertainty {
            skipped
        } else {
            (pictures - shown).round()
        };
        (sure && (1.0..=LOST_MAX as f32).contains(&lost)).then_some(Jump { lost: lost as u16, uncertainty })
    }

    /// Whether the steps next to the picture are single ones: what speeds up and slows down is the content's.
    fn lone(&self, single: Step) -> bool {
        let jumps = self.around.iter().filter_map(|index| Step::of(&self.evidence[index]));
        let others = jumps.filter(|step| step.in_steps_of(single).0 >= JUMP_FROM).count();
        if others > LONE_OTHERS_MAX && single.length() < ROUNDED_STEP_MIN_PX {
            return false;
        }
        let single_or_back = |index: usize| {
            self.is_single(index, single)
                || self.is_whole(index, single)
                || Step::of(&self.evidence[index]).is_some()
                    && self.frames[index].flags.contains(FrameFlags::OUT_OF_ORDER)
        };
        self.around.nearest().into_iter().all(|index| index.is_some_and(single_or_back))
    }

    /// Whether the step into a frame is a whole number of single ones.
    fn is_whole(&self, index: usize, single: Step) -> bool {
        Step::of(&self.evidence[index]).is_some_and(|step| {
            let (along, off_line) = step.in_steps_of(single);
            along >= JUMP_FROM
                && (along - along.round()).abs() <= WHOLE_WITHIN
                && off_line <= OFF_LINE_MAX * along
        })
    }

    /// Whether the step into a frame is a single one.
    fn is_single(&self, index: usize, single: Step) -> bool {
        Step::of(&self.evidence[index]).is_some_and(|step| {
            let (along, off_line) = step.in_steps_of(single);
            (along - 1.0).abs() <= LONE_SINGLE_WITHIN && off_line <= LONE_SINGLE_WITHIN
        })
    }

    /// After a picture shown again, where no motion can be measured: going on from it takes two steps where the
    /// turn was an extra one, and one more for each picture whose turn it took. Energies tell how many.
    fn jump_after_return(&self) -> Option<Jump> {
        if !self.after_return() || self.stalled(|_| true) > 0 {
            return None;
        }
        let (growth, two) = self.growth()?;
        if two < RETURN_LOG_TWO_MIN {
            return None;
        }
        let steps = (growth / two).exp2();
        let lost = (steps - 2.0).round();
        let sure = (steps - 2.0 - lost).abs() <= RETURN_WITHIN && (1.0..=RETURN_LOST_MAX).contains(&lost);
        sure.then_some(Jump { lost: lost as u16, uncertainty: RETURN_WITHIN })
    }
}

/// Half width of the range of a step of so many pictures, pictures.
fn uncertainty(steady: &Steady, pictures: f32) -> f32 {
    pictures * (steady.error + SINGLE_ERROR_PX / steady.single.length()) + JUMP_ERROR
}

/// Whether one lost picture stands out of the motion by its step alone.
fn one_is_clear(steady: &Steady) -> bool {
    steady.single.length() >= LONE_STEP_MIN_PX && uncertainty(steady, 2.0) <= LONE_ERROR_MAX
}
