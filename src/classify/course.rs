//! How a row of calls agrees with the way that pictures go.
//!
//! New pictures go on by so much of the pace around, repeats do not go on at all. A coder that predicts from both sides
//! spreads a new picture over the frames around it, so that repeats next to one may go on as well; further away a picture
//! stands. The likelier of both counts: recordings that keep holds apart tell them, others tell no more than that
//! something moves.

use super::student::student;
use super::Advance;

/// Frames from a new picture within which a coder may show a part of it: those that its direction is measured on.
const NEAR: usize = super::advance::SIDE;

/// Least spread of steps, code values: what rounding leaves of the difference of two signatures along one direction.
const ROUNDING: f64 = 0.002;

/// Rounds in which gain and spread are fitted; the third changes neither by a hundredth.
const ROUNDS: usize = 4;

/// Steps along the way of a stretch of frames.
pub(super) struct Course {
    steps: Vec<Step>,
}

/// A frame whose way is known.
struct Step {
    frame: usize,
    step: f64,
    pace: f64,
}

impl Course {
    /// The steps of frames that are `counted`.
    pub(super) fn new(advances: &[Advance], counted: &[bool]) -> Self {
        let known = |frame: &usize| counted[*frame] && advances[*frame].pace > 0.0;
        let step = |frame: usize| {
            let Advance { step, pace } = advances[frame];
            Step { frame, step: f64::from(step), pace: f64::from(pace) }
        };
        Self { steps: (0..advances.len()).filter(known).map(step).collect() }
    }

    /// How likely the steps are where these frames are new, nats; only differences mean anything.
    pub(super) fn weight(&self, is_new: &[bool]) -> f64 {
        let near = |frame: usize| {
            is_new[frame.saturating_sub(NEAR)..(frame + NEAR + 1).min(is_new.len())].contains(&true)
        };
        let kept = self.likelihood(|frame| is_new[frame]);
        let spread = self.likelihood(near);
        kept.max(spread)
    }

    /// The same where these frames go on and the others stand, by one gain and one spread that fit best.
    fn likelihood(&self, goes: impl Fn(usize) -> bool) -> f64 {
        let steps: Vec<(f64, f64)> = self
            .steps
            .iter()
            .map(|one| (one.step, if goes(one.frame) { one.pace } else { 0.0 }))
            .collect();
        let moving = steps.iter().filter(|(_, pace)| *pace > 0.0);
        let mut gain = middle(moving.map(|(step, pace)| step / pace).collect()).max(0.0);
        let off = |gain: f64| steps.iter().map(move |(step, pace)| step - gain * pace);
        let mut spread = DEVIATION * middle(off(gain).map(f64::abs).collect()) + ROUNDING;
        for _ in 0..ROUNDS {
            let (mut along, mut square, mut left) = (0.0, 0.0, 0.0);
            for &(step, pace) in &steps {
                let off = (step - gain * pace) / spread;
                let weight = 5.0 / (4.0 + off * off);
                along += weight * step * pace;
                square += weight * pace * pace;
                left += weight * off * off;
            }
            if square > 0.0 {
                gain = (along / square).max(0.0);
            }
            spread = (spread * (left / steps.len().max(1) as f64).sqrt()).max(ROUNDING);
        }
        off(gain).map(|off| student(off / spread) - spread.ln()).sum()
    }
}

/// Standard deviation of normal values whose middle distance is 1.
const DEVIATION: f64 = 1.4826;

fn middle(mut values: Vec<f64>) -> f64 {
    let middle = values.len() / 2;
    if values.is_empty() {
        return 0.0;
    }
    *values.select_nth_unstable_by(middle, f64::total_cmp).1
}
