//! How a row of calls agrees with the way that pictures go.
//!
//! New pictures go on by so much of the pace around, repeats do not go on at all. A coder that predicts from both sides
//! spreads a new picture over the frames around it, so that repeats next to one may go on as well; further away a picture
//! stands. The likelier of both counts: recordings that keep holds apart tell them, others tell no more than that
//! something moves.

use super::statistics::{middle, student};
use super::Advance;

/// Frames from a new picture within which a coder may show a part of it: those that its direction is measured on.
const NEAR: usize = super::advance::SIDE;

/// Least spread of steps, code values: rounding leaves 0.000 65 of the difference of two signatures along one direction
/// (√2 of 1/64 by √12, of 96 cells one); three times that, as coders round as well.
const ROUNDING: f64 = 0.002;

/// Rounds in which gain and spread are fitted. Choice.
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
        self.likelihood(|frame| is_new[frame]).max(self.likelihood(near))
    }

    /// The same where these frames go on and the others stand, by one gain and one spread that fit best.
    fn likelihood(&self, goes: impl Fn(usize) -> bool) -> f64 {
        let steps: Vec<(f64, f64)> =
            self.steps.iter().map(|one| (one.step, if goes(one.frame) { one.pace } else { 0.0 })).collect();
        let moving = steps.iter().filter(|(_, pace)| *pace > 0.0);
        let mut gain = middle(moving.map(|(step, pace)| step / pace).collect()).unwrap_or(0.0).max(0.0);
        let off = |gain: f64| steps.iter().map(move |(step, pace)| step - gain * pace);
        let mut spread = DEVIATION * middle(off(gain).map(f64::abs).collect()).unwrap_or(0.0) + ROUNDING;
        for _ in 0..ROUNDS {
            let (mut along, mut square, mut left) = (0.0, 0.0, 0.0);
            for &(step, pace) in &steps {
                let off = (step - gain * pace) / spread;
                // What far off values count for by Student's t with four degrees of freedom.
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

#[cfg(test)]
mod tests {
    use super::*;

    /// Steps of pictures held for two frames each: repeats go on by `lag` of what new ones do, errors of `error`.
    fn course(lag: f32, error: f32) -> Course {
        let advances: Vec<Advance> = (0..120usize)
            .map(|frame| {
                let off = ((frame * 7919 % 101) as f32 / 50.0 - 1.0) * error;
                let goes = if frame % 2 == 0 { 2.0 / (1.0 + lag) } else { 2.0 * lag / (1.0 + lag) };
                Advance { step: 0.1 * goes + off, pace: 0.1 }
            })
            .collect();
        Course::new(&advances, &[true; 120])
    }

    fn truth() -> Vec<bool> {
        (0..120).map(|frame| frame % 2 == 0).collect()
    }

    #[test]
    fn holds_that_are_kept_apart_are_told() {
        let course = course(0.0, 0.05);
        let held = course.weight(&truth());
        let all_new = course.weight(&[true; 120]);
        let other: Vec<bool> = truth().into_iter().map(|new| !new).collect();
        assert!(held > all_new + 20.0 && held > course.weight(&other) + 20.0, "{held} {all_new}");
    }

    #[test]
    fn holds_that_a_coder_spreads_are_not_told() {
        let course = course(0.8, 0.05);
        assert_eq!(course.weight(&truth()), course.weight(&[true; 120]));
    }

    #[test]
    fn what_goes_on_does_not_stand() {
        let mut first = vec![false; 120];
        first[0] = true;
        for lag in [0.0, 0.8, 1.0] {
            let course = course(lag, 0.05);
            assert!(course.weight(&[true; 120]) > course.weight(&first) + 20.0, "{lag}");
        }
    }

    #[test]
    fn where_no_way_is_known_nothing_is_told() {
        let course = Course::new(&[Advance::default(); 120], &[true; 120]);
        assert_eq!([course.weight(&truth()), course.weight(&[true; 120])], [0.0; 2]);
    }
}
