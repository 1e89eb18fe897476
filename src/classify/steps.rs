//! Lost pictures, cuts and order, from the step of the motion between pictures.

use super::evidence::FrameEvidence;
use super::{ClassifiedFrame, FrameClass, FrameFlags};

/// New pictures looked at on each side for the typical step.
const NEIGHBOURS: usize = 8;

/// Fewest measured steps around a jump for the typical one to mean something.
const NEIGHBOURS_MIN: usize = 6;

/// Lowest correlation peak of a motion that can be trusted (0 to 1). Choice, by trials on painted pans.
const PEAK_MIN: f32 = 0.15;

/// Smallest typical step that jumps can be counted in, pixels of the full picture: below it the error of the
/// motion, about a tenth of a reduced pixel, is no longer small against a step.
const STEP_MIN_PX: f32 = 0.8;

/// The share of steps taken as the single step: jumps are the longer ones, so the lower quartile of the
/// steps is one picture even where an overloaded device jumps often.
const SINGLE_STEP_QUARTILE: usize = 4;

/// Steps around a jump are steady when the middle ones differ by at most this fraction.
const STEADY_WITHIN: f32 = 0.3;

/// A jump of at least this many single steps lost a picture; half way to two, with room for error.
const JUMP_FROM: f32 = 1.6;

/// A change this many times the amplitude of its neighbours can be a cut.
const CUT_RATIO: f32 = 3.0;

/// Share of the change that no local motion explains, at a cut.
const CUT_UNEXPLAINED: f32 = 0.5;

/// Returns to the picture before last, as a share of new frames, above which they are the content's own
/// (a blinking mark, a loop) and not the device's.
const RETURNS_OWN_SHARE: f64 = 0.1;

/// Marks cuts, jumps and returns on frames whose class is known.
pub(super) fn mark(frames: &mut [ClassifiedFrame], evidence: &[FrameEvidence]) {
    let news: Vec<usize> = (1..frames.len()).filter(|&index| frames[index].class == FrameClass::New).collect();
    mark_cuts(frames, evidence, &news);
    mark_jumps(frames, evidence, &news);
    mark_returns(frames, &news);
}

/// First frames of other shots: a change far above those around it that no motion explains and that stays.
fn mark_cuts(frames: &mut [ClassifiedFrame], evidence: &[FrameEvidence], news: &[usize]) {
    for (place, &index) in news.iter().enumerate() {
        let reduced = &evidence[index].reduced;
        let around = neighbours(news, place).map(|other| evidence[other].reduced.energy);
        let Some(typical) = quantile(around.collect(), 2) else { continue };
        let stays = news.get(place + 1).is_none_or(|&next| {
            next > index + 1 || evidence[next].reduced.energy_two_back > reduced.energy / 2.0
        });
        if reduced.energy > CUT_RATIO * CUT_RATIO * typical
            && reduced.unexplained > CUT_UNEXPLAINED * reduced.energy
            && reduced.motion_peak < PEAK_MIN
            && stays
        {
            frames[index].flags.insert(FrameFlags::CUT);
        }
    }
}

/// Places in `news` around `place`, itself left out.
fn neighbours(news: &[usize], place: usize) -> impl Iterator<Item = usize> + '_ {
    let range = place.saturating_sub(NEIGHBOURS)..(place + NEIGHBOURS + 1).min(news.len());
    range.filter(move |&other| other != place).map(|other| news[other])
}

/// The value a `1 / part` of the values do not exceed.
fn quantile(mut values: Vec<f32>, part: usize) -> Option<f32> {
    if values.is_empty() {
        return None;
    }
    let place = values.len() / part;
    let place = place.min(values.len() - 1);
    Some(*values.select_nth_unstable_by(place, f32::total_cmp).1)
}

/// A motion step in pixels.
#[derive(Clone, Copy)]
struct Step {
    x: f32,
    y: f32,
}

impl Step {
    fn of(evidence: &FrameEvidence) -> Option<Self> {
        let reduced = &evidence.reduced;
        (reduced.motion_peak >= PEAK_MIN).then_some(Self { x: reduced.motion_x, y: reduced.motion_y })
    }

    fn length(self) -> f32 {
        self.x.hypot(self.y)
    }

    /// Length along `other`.
    fn along(self, other: Self) -> f32 {
        (self.x * other.x + self.y * other.y) / other.length()
    }
}

/// Jumps of the motion: pictures that never appeared although the timestamps are whole.
fn mark_jumps(frames: &mut [ClassifiedFrame], evidence: &[FrameEvidence], news: &[usize]) {
    for (place, &index) in news.iter().enumerate() {
        let flags = frames[index].flags;
        if flags.contains(FrameFlags::CUT) || flags.contains(FrameFlags::AFTER_GAP) {
            continue;
        }
        let Some(step) = Step::of(&evidence[index]) else { continue };
        let Some(single) = single_step(evidence, news, place) else { continue };
        let pictures = step.along(single) / single.length();
        if pictures >= JUMP_FROM {
            frames[index].lost_before = (pictures.round() - 1.0).min(f32::from(u16::MAX)) as u16;
            frames[index].flags.insert(FrameFlags::AFTER_DROP);
        }
    }
}

/// The step of one picture around `place`, where the motion around is steady.
fn single_step(evidence: &[FrameEvidence], news: &[usize], place: usize) -> Option<Step> {
    let steps: Vec<Step> =
        neighbours(news, place).filter_map(|other| Step::of(&evidence[other])).collect();
    if steps.len() < NEIGHBOURS_MIN {
        return None;
    }
    let middle = |axis: fn(&Step) -> f32| quantile(steps.iter().map(axis).collect(), 2);
    let direction = Step { x: middle(|step| step.x)?, y: middle(|step| step.y)? };
    if direction.length() < STEP_MIN_PX {
        return None;
    }
    let along: Vec<f32> = steps.iter().map(|step| step.along(direction)).collect();
    let single = quantile(along.clone(), SINGLE_STEP_QUARTILE)?;
    let near = along.iter().filter(|&&step| (step - single).abs() <= STEADY_WITHIN * single).count();
    if single < STEP_MIN_PX || near * 2 < steps.len() {
        return None;
    }
    let scale = single / direction.length();
    Some(Step { x: direction.x * scale, y: direction.y * scale })
}

/// Pictures shown again after another one, proven by digest: A B A.
fn mark_returns(frames: &mut [ClassifiedFrame], news: &[usize]) {
    let returns: Vec<usize> = (2..news.len())
        .map(|place| (news[place], news[place - 1]))
        .filter(|&(index, other)| {
            // The picture before `other` is still shown by the frame just before it.
            frames[index].digest == frames[other - 1].digest
        })
        .map(|(index, _)| index)
        .collect();
    if returns.len() as f64 > RETURNS_OWN_SHARE * news.len() as f64 {
        return;
    }
    for index in returns {
        frames[index].flags.insert(FrameFlags::OUT_OF_ORDER);
    }
}
