//! Following patterns through the holds: segments in phase, and the holds that break them.

use std::ops::Range;

use super::pattern::{evidence_holds, long_period, short_period_candidates};
use super::{CadenceBreak, Hold, Pattern, Segment};

/// Holds compared when choosing where in a pattern a stretch begins; at least two periods.
const LOOK_AHEAD_HOLDS: usize = 256;
/// After a break, a known pattern is taken up again where this many holds follow it (or one period, if that
/// is shorter, but two holds at least): fewer fit some phase by chance.
const RESUME_HOLDS_MIN: usize = 4;
/// Share of judged frames that one pattern must cover to be the capture's.
const DOMINANT_COVERAGE_MIN: f64 = 0.5;
/// A pattern that covers less is still the capture's where it holds this many times in a row … A chance
/// repetition in irregular holds never gets so long.
const STRONG_SEGMENT_HOLDS: usize = 48;
/// … and covers at least this share: a capture may change its pattern several times.
const STRONG_COVERAGE_MIN: f64 = 0.15;

/// A stretch of holds in phase with a pattern.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(super) struct Stretch {
    /// Holds, by position in the list of all.
    pub holds: Range<usize>,
    /// Position in [`Tracking::patterns`].
    pub pattern: usize,
    /// Position within the pattern of the first hold.
    phase: usize,
}

/// Patterns followed through all runs.
#[derive(Clone, Debug)]
pub(super) struct Tracking {
    /// Patterns tried.
    pub patterns: Vec<Pattern>,
    /// Stretches in order.
    pub stretches: Vec<Stretch>,
    /// Holds that do not follow, in order.
    pub breaks: Vec<CadenceBreak>,
    /// Position of the pattern that covers most frames.
    pub dominant: usize,
}

impl Tracking {
    /// The pattern that covers most frames.
    pub fn dominant_pattern(&self) -> &Pattern {
        &self.patterns[self.dominant]
    }

    /// Share of comparable frames within stretches of the dominant pattern, 0 to 1.
    pub fn coverage(&self, holds: &[Hold]) -> f64 {
        let covered = |stretch: &Stretch| frames_in(&holds[stretch.holds.clone()]);
        let judged: u64 = holds.iter().filter(|hold| hold.judged).map(|hold| u64::from(hold.frames)).sum();
        // The cut holds at either end count where they follow.
        let ends: u64 = self
            .stretches
            .iter()
            .flat_map(|stretch| [stretch.holds.start, stretch.holds.end - 1])
            .map(|index| &holds[index])
            .filter(|hold| !hold.judged)
            .map(|hold| u64::from(hold.frames))
            .sum();
        let dominant: u64 = self.stretches.iter().filter(|s| s.pattern == self.dominant).map(covered).sum();
        if judged + ends == 0 {
            return 0.0;
        }
        dominant as f64 / (judged + ends) as f64
    }

    /// Stretches as frames.
    pub fn report(&self, holds: &[Hold]) -> Vec<Segment> {
        let last_frame = |hold: &Hold| hold.first_frame + u64::from(hold.frames) - 1;
        self.stretches
            .iter()
            .map(|stretch| Segment {
                first_frame: holds[stretch.holds.start].first_frame,
                last_frame: last_frame(&holds[stretch.holds.end - 1]),
                pattern: self.patterns[stretch.pattern].clone(),
            })
            .collect()
    }
}

fn frames_in(holds: &[Hold]) -> u64 {
    holds.iter().map(|hold| u64::from(hold.frames)).sum()
}

/// Follows the short patterns of the capture; `None` where none holds.
pub(super) fn track(holds: &[Hold], runs: &[Range<usize>]) -> Option<Tracking> {
    follow(holds, runs, short_period_candidates(holds, runs))
}

/// Follows the one long period that the capture repeats; `None` where there is none.
pub(super) fn track_long_period(holds: &[Hold], runs: &[Range<usize>]) -> Option<Tracking> {
    follow(holds, runs, vec![long_period(holds, runs)?])
}

fn follow(holds: &[Hold], runs: &[Range<usize>], patterns: Vec<Pattern>) -> Option<Tracking> {
    if patterns.is_empty() {
        return None;
    }
    let mut follower = Follower { holds, patterns: &patterns, current: 0, stretches: vec![], breaks: vec![] };
    for run in runs {
        follower.follow_run(run.clone());
    }
    follower.join_cut_ends();
    let Follower { stretches, breaks, .. } = follower;
    let mut frames = vec![0u64; patterns.len()];
    for stretch in &stretches {
        frames[stretch.pattern] += frames_in(&holds[stretch.holds.clone()]);
    }
    // The first of equals: candidates come in order of how often they were seen.
    let dominant = (0..frames.len()).rev().max_by_key(|&index| frames[index])?;
    let tracking = Tracking { patterns, stretches, breaks, dominant };
    let longest = tracking.stretches.iter().filter(|s| s.pattern == dominant).map(|s| s.holds.len()).max()?;
    let coverage = tracking.coverage(holds);
    let believable = coverage > DOMINANT_COVERAGE_MIN
        || (longest >= STRONG_SEGMENT_HOLDS && coverage >= STRONG_COVERAGE_MIN);
    believable.then_some(tracking)
}

/// Where a stretch fits a pattern.
#[derive(Clone, Copy)]
struct Fit {
    pattern: usize,
    phase: usize,
    holds: usize,
}

struct Follower<'a> {
    holds: &'a [Hold],
    patterns: &'a [Pattern],
    /// Pattern in force.
    current: usize,
    stretches: Vec<Stretch>,
    breaks: Vec<CadenceBreak>,
}

impl Follower<'_> {
    /// Follows one run of judged holds. After a break the phase is free, so that a shifted phase costs one
    /// break, not one per hold.
    fn follow_run(&mut self, run: Range<usize>) {
        let mut index = run.start;
        let mut phase = None;
        while index < run.end {
            if let Some(fit) = self.best_fit(index, &run, phase) {
                let end = self.extend(index, run.end, fit);
                let period = self.patterns[fit.pattern].holds.len();
                self.stretches.push(Stretch { holds: index..end, pattern: fit.pattern, phase: fit.phase });
                self.current = fit.pattern;
                phase = Some((fit.phase + (end - index)) % period);
                index = end;
                if index == run.end || self.change_of_pattern(index, &run) {
                    continue;
                }
            }
            self.break_at(index, phase);
            let period = self.patterns[self.current].holds.len();
            phase = phase.map(|now| (now + 1) % period);
            index += 1;
        }
    }

    /// Whether another pattern takes over at `index`, better than the one in force goes on after a break.
    fn change_of_pattern(&self, index: usize, run: &Range<usize>) -> bool {
        let Some(other) = self.best_other(index, run) else { return false };
        self.best_in(self.current, index + 1, run.end, None).is_none_or(|resumed| other.holds > resumed.holds + 1)
    }

    /// The longest fit at `index`: the pattern in force where enough holds follow it, or another pattern
    /// with full evidence that fits longer.
    fn best_fit(&self, index: usize, run: &Range<usize>, phase: Option<usize>) -> Option<Fit> {
        let period = self.patterns[self.current].holds.len();
        let needed = period.clamp(2, RESUME_HOLDS_MIN).min(run.end - index);
        let current =
            self.best_in(self.current, index, run.end, phase).filter(|fit| fit.holds >= needed);
        match (current, self.best_other(index, run)) {
            (Some(now), Some(other)) if other.holds > now.holds => Some(other),
            (now, other) => now.or(other),
        }
    }

    /// The longest fit of a pattern that is not in force, with full evidence.
    fn best_other(&self, index: usize, run: &Range<usize>) -> Option<Fit> {
        let mut best: Option<Fit> = None;
        for pattern in (0..self.patterns.len()).filter(|&other| other != self.current) {
            let fit = self
                .best_in(pattern, index, run.end, None)
                .filter(|fit| fit.holds >= evidence_holds(self.patterns[pattern].holds.len()));
            if fit.is_some_and(|found| best.is_none_or(|known| found.holds > known.holds)) {
                best = fit;
            }
        }
        best
    }

    /// The phase of `pattern` that fits longest from `index`; `preferred` wins among equals.
    fn best_in(&self, pattern: usize, index: usize, end: usize, preferred: Option<usize>) -> Option<Fit> {
        let period = self.patterns[pattern].holds.len();
        let end = end.min(index + LOOK_AHEAD_HOLDS.max(2 * period));
        let mut best: Option<Fit> = None;
        for phase in preferred.into_iter().chain(0..period) {
            let fit = Fit { pattern, phase, holds: 0 };
            let holds = self.extend(index, end, fit).saturating_sub(index);
            if holds > best.map_or(0, |known| known.holds) {
                best = Some(Fit { holds, ..fit });
            }
        }
        best
    }

    /// Where a stretch that starts at `index` as `fit` says stops following, `end` at most.
    fn extend(&self, index: usize, end: usize, fit: Fit) -> usize {
        let word = &self.patterns[fit.pattern].holds;
        let mut phase = fit.phase;
        for position in index..end {
            if self.holds[position].frames != word[phase] {
                return position;
            }
            phase = if phase + 1 == word.len() { 0 } else { phase + 1 };
        }
        end
    }

    /// Notes the hold at `index` as a break. Where the phase is not known, any hold of the pattern is right.
    fn break_at(&mut self, index: usize, phase: Option<usize>) {
        let hold = self.holds[index];
        let word = &self.patterns[self.current].holds;
        let expected = phase
            .map(|now| word[now])
            .or_else(|| word.iter().copied().min_by_key(|&known| known.abs_diff(hold.frames)));
        if let Some(expected_hold) = expected.filter(|&wanted| wanted != hold.frames) {
            self.breaks.push(CadenceBreak { frame: hold.first_frame, expected_hold, found_hold: hold.frames });
        }
    }

    /// The capture's first and last hold are cut: shorter than expected proves nothing, longer is a break.
    fn join_cut_ends(&mut self) {
        let cut = |index: usize| {
            let hold = self.holds[index];
            (!hold.judged && hold.still_frames == 0).then_some(hold.frames)
        };
        if let Some(first) = self.stretches.first_mut().filter(|stretch| stretch.holds.start == 1) {
            let word = &self.patterns[first.pattern].holds;
            let phase = (first.phase + word.len() - 1) % word.len();
            match cut(0) {
                Some(found) if found <= word[phase] => {
                    first.phase = phase;
                    first.holds.start = 0;
                }
                Some(found_hold) => self.breaks.insert(
                    0,
                    CadenceBreak {
                        frame: self.holds[0].first_frame,
                        expected_hold: word[phase],
                        found_hold,
                    },
                ),
                None => {}
            }
        }
        let final_hold = self.holds.len() - 1;
        if let Some(last) = self.stretches.last_mut().filter(|stretch| stretch.holds.end == final_hold) {
            let word = &self.patterns[last.pattern].holds;
            let expected_hold = word[(last.phase + last.holds.len()) % word.len()];
            match cut(final_hold) {
                Some(found) if found <= expected_hold => last.holds.end = final_hold + 1,
                Some(found_hold) => self.breaks.push(CadenceBreak {
                    frame: self.holds[final_hold].first_frame,
                    expected_hold,
                    found_hold,
                }),
                None => {}
            }
        }
    }
}
