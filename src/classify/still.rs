//! Still is not repeat: which runs of unchanged frames say something about the device, and which do not.

use super::evidence::FrameEvidence;

/// A run of unchanged frames up to this long is judged wherever it lies inside motion, seconds.
/// Choice: a scene that stops and starts again within a quarter of a second is implausible; the longest
/// regular hold of the trade is shorter (12 pictures/s: 83 ms).
const REPEAT_UP_TO_S: f64 = 0.25;

/// A run up to this long between two stretches of steady motion is a stall, seconds: motion that stops and
/// goes on at the same speed within half a second is the device's, not the scene's. Choice.
const STALL_UP_TO_S: f64 = 0.5;

/// A run is part of the cadence while it is not longer than this many typical holds.
const TYPICAL_HOLDS: usize = 3;

/// Holds longer than this are never typical, seconds: below 1.33 pictures/s nothing is a cadence. Choice.
const TYPICAL_HOLD_UP_TO_S: f64 = 0.75;

/// A picture that changes this many times more than its neighbours do shows that the scene went on while
/// the picture stood: pictures are missing. Amplitude ratio; steps of two pictures or more are at least 1.5
/// where the step is small against the detail.
const JUMP_RATIO: f32 = 1.5;

/// Changes on each side that make the typical change.
const NEIGHBOURS: usize = 5;

/// What a run of unchanged frames is.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Standing {
    /// Repeats: the scene was in motion.
    Repeated,
    /// Still: nothing tells.
    Still,
    /// Still, but inside motion, so that it could be a freeze as well.
    Open,
}

/// Unchanged frames `first..=last`, the frame before them showing the same picture.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) struct Run {
    pub first: usize,
    pub last: usize,
}

impl Run {
    /// Frames the picture stays, the one that brought it included.
    fn hold(self) -> usize {
        self.last - self.first + 2
    }
}

/// Runs of unchanged frames in order.
pub(super) fn runs(is_new: &[bool]) -> Vec<Run> {
    let mut runs: Vec<Run> = Vec::new();
    for frame in (0..is_new.len()).filter(|&frame| !is_new[frame]) {
        match runs.last_mut() {
            Some(run) if run.last + 1 == frame => run.last = frame,
            _ => runs.push(Run { first: frame, last: frame }),
        }
    }
    runs
}

/// What each run is; `period_s` is the duration of one frame in seconds.
pub(super) fn standings(is_new: &[bool], evidence: &[FrameEvidence], period_s: f64) -> Vec<(Run, Standing)> {
    let runs = runs(is_new);
    let news: Vec<usize> = (0..is_new.len()).filter(|&frame| is_new[frame]).collect();
    let typical = typical_hold(&news, period_s);
    let judge = Judge { evidence, news: &news, typical, period_s, frames: is_new.len() };
    runs.into_iter().map(|run| (run, judge.standing(run))).collect()
}

/// The hold that nine of ten pictures do not exceed, leaving out those too long to be a cadence, frames.
fn typical_hold(news: &[usize], period_s: f64) -> usize {
    let longest = (TYPICAL_HOLD_UP_TO_S / period_s) as usize;
    let mut holds: Vec<usize> =
        news.windows(2).map(|pair| pair[1] - pair[0]).filter(|&hold| hold <= longest.max(1)).collect();
    if holds.is_empty() {
        return 1;
    }
    let place = (holds.len() - 1) * 9 / 10;
    *holds.select_nth_unstable(place).1
}

struct Judge<'a> {
    evidence: &'a [FrameEvidence],
    news: &'a [usize],
    typical: usize,
    period_s: f64,
    frames: usize,
}

impl Judge<'_> {
    fn standing(&self, run: Run) -> Standing {
        let seconds = run.hold() as f64 * self.period_s;
        // Frame 0 is new by definition, not by change: what stands before the first change is leading.
        let leading = run.first == 1;
        let trailing = run.last + 1 == self.frames;
        if run.hold() <= self.typical {
            return self.within_cadence(leading, trailing);
        }
        if leading || trailing {
            return Standing::Still;
        }
        if run.hold() <= self.typical * TYPICAL_HOLDS && self.regular() || seconds <= REPEAT_UP_TO_S {
            return Standing::Repeated;
        }
        match self.jump_after(run) {
            Some(ratio) if ratio >= JUMP_RATIO => Standing::Repeated,
            Some(_) if seconds <= STALL_UP_TO_S => Standing::Repeated,
            Some(_) => Standing::Open,
            None => Standing::Still,
        }
    }

    /// A run no longer than usual is a repeat, unless the whole capture has hardly any picture.
    fn within_cadence(&self, leading: bool, trailing: bool) -> Standing {
        if self.news.len() <= 2 && (leading || trailing) {
            Standing::Still
        } else {
            Standing::Repeated
        }
    }

    /// Whether there are enough pictures for the typical hold to mean something.
    fn regular(&self) -> bool {
        self.news.len() > 2 * NEIGHBOURS
    }

    /// Change of the picture after the run against the typical change of the pictures around, as a ratio of
    /// amplitudes; `None` where there is no motion next to the run on both sides.
    fn jump_after(&self, run: Run) -> Option<f32> {
        let after = self.news.partition_point(|&frame| frame <= run.last);
        let resumed = *self.news.get(after)?;
        // The picture before the run is news[after − 1]; its own change and those before it.
        let before = self.steps(&self.news[after.saturating_sub(NEIGHBOURS + 1).max(1)..after]);
        let later_end = (after + 1 + NEIGHBOURS).min(self.news.len());
        let later = self.steps(&self.news[(after + 1).min(later_end)..later_end]);
        if before.len() < NEIGHBOURS / 2 + 1 || later.len() < NEIGHBOURS / 2 + 1 {
            return None;
        }
        let typical = median(before).max(median(later));
        (typical > 0.0).then(|| self.amplitude(resumed) / typical)
    }

    /// Amplitudes of the changes at `pictures` that are part of continuous motion.
    fn steps(&self, pictures: &[usize]) -> Vec<f32> {
        let near = (self.typical * TYPICAL_HOLDS).max(1);
        pictures
            .iter()
            .filter(|&&frame| {
                let place = self.news.partition_point(|&other| other < frame);
                place > 0 && frame - self.news[place - 1] <= near
            })
            .map(|&frame| self.amplitude(frame))
            .collect()
    }

    /// Root mean square change of the reduced picture, code values.
    fn amplitude(&self, frame: usize) -> f32 {
        self.evidence[frame].reduced.energy.max(0.0).sqrt()
    }
}

fn median(mut values: Vec<f32>) -> f32 {
    let middle = values.len() / 2;
    *values.select_nth_unstable_by(middle, f32::total_cmp).1
}
