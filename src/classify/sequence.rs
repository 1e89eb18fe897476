//! Cadence context: a hidden Markov model over hold patterns, with irregular motion always among the
//! hypotheses. It turns the evidence of single frames into a posterior per frame.
//!
//! Each hypothesis is a cycle of slots, `new` or `same`; a state is a place in a cycle. Time moves one slot
//! forward per frame, except for a break (another place in the same cycle) or a change of hypothesis. The
//! irregular hypothesis has one state that shows either class with equal probability, so that no pattern is
//! ever forced upon motion that has none. Posteriors come from the forward-backward recursion.

mod weak;

/// Probability per frame that a pattern breaks (jumps to another place of its cycle).
/// Choice: overloaded devices break several times a second, good ones never; once in two seconds lies between.
const BREAK_PROBABILITY: f32 = 0.01;

/// Probability per frame that another pattern, or irregular motion, begins. Choice: a change of pattern is
/// rarer than a break by an order of magnitude, as shots last seconds.
const CHANGE_PROBABILITY: f32 = 0.002;

/// Frames of context on both sides of an unsure frame: the longest cycle known (25) six times over, after
/// which the recursion has forgotten where it started.
const CONTEXT_FRAMES: usize = 150;

/// Log-likelihood ratios are held within this, so that one wrong frame cannot make a cycle impossible.
const LOG_RATIO_LIMIT: f32 = 30.0;

/// Rate pairs `p` pictures on `q` frames whose mechanical words are tried (check of the words: see tests);
/// constant holds are `1 / q`.
const RATE_PAIRS: &[(usize, usize)] = &[
    (1, 1),
    (1, 2),
    (1, 3),
    (1, 4),
    (1, 5),
    (1, 6),
    (2, 3),
    (2, 5),
    (3, 4),
    (3, 5),
    (4, 5),
    (5, 6),
    (5, 12),
    (8, 25),
    (12, 25),
    (24, 25),
];

/// Hold patterns of the trade that are not mechanical words (H.264 Annex D field tables, common practice).
const OTHER_PATTERNS: &[&[usize]] = &[&[2, 3, 3, 2], &[2, 2, 2, 4]];

/// All cycles laid end to end: for each state whether it shows a new picture, and where its cycle lies.
struct Model {
    shows_new: Vec<bool>,
    cycles: Vec<std::ops::Range<usize>>,
}

impl Model {
    fn new() -> Self {
        let mut model = Self { shows_new: Vec::new(), cycles: Vec::new() };
        for &(pictures, frames) in RATE_PAIRS {
            model.add((0..frames).map(|slot| starts_picture(slot, pictures, frames)));
        }
        for holds in OTHER_PATTERNS {
            model.add(holds.iter().flat_map(|&hold| (0..hold).map(|slot| slot == 0)));
        }
        // A scene or device that stands.
        model.add(std::iter::once(false));
        model
    }

    fn add(&mut self, slots: impl Iterator<Item = bool>) {
        let start = self.shows_new.len();
        self.shows_new.extend(slots);
        self.cycles.push(start..self.shows_new.len());
    }

    /// States of all cycles and the irregular one, which comes last.
    fn states(&self) -> usize {
        self.shows_new.len() + 1
    }

    /// Probability of entering each state when a hypothesis begins: hypotheses alike, places alike.
    fn entry(&self) -> Vec<f32> {
        let hypotheses = (self.cycles.len() + 1) as f32;
        let mut entry = vec![0.0; self.states()];
        for cycle in &self.cycles {
            entry[cycle.clone()].fill(1.0 / hypotheses / cycle.len() as f32);
        }
        entry[self.states() - 1] = 1.0 / hypotheses;
        entry
    }
}

/// Whether a picture first appears in `slot` when `pictures` are shown on `frames`: picture k appears in slot
/// ⌈k·frames/pictures⌉ (mechanical word; Lothaire, *Algebraic Combinatorics on Words*, chapter 2).
fn starts_picture(slot: usize, pictures: usize, frames: usize) -> bool {
    (slot * pictures) % frames < pictures
}

/// Posterior probability that each frame is new.
///
/// `log_ratios` holds ln P(evidence | new) − ln P(evidence | same) per frame; `unsure` tells for which frames
/// a posterior is wanted. The others get the posterior of their own evidence.
pub(super) fn posteriors(log_ratios: &[f32], unsure: impl Fn(usize) -> bool) -> Vec<f32> {
    let mut posterior: Vec<f32> = log_ratios.iter().map(|&ratio| logistic(ratio)).collect();
    let model = Model::new();
    let entry = model.entry();
    let windows = windows(log_ratios.len(), unsure);
    let mut occupied = vec![0.0; model.cycles.len()];
    for window in &windows {
        let ratios = &log_ratios[window.context.clone()];
        let smoothed = smooth(&model, &entry, ratios);
        for (sum, share) in occupied.iter_mut().zip(&smoothed.occupied) {
            *sum += share;
        }
        for frame in window.wanted.clone() {
            posterior[frame] = smoothed.new[frame - window.context.start];
        }
    }
    let established = weak::established(&model, &occupied);
    let Some(lifted) = established.and_then(|cycle| weak::lifted(log_ratios, cycle)) else {
        return posterior;
    };
    // Where nothing was lifted the first reading stands.
    let differs = |window: &&Window| lifted[window.context.clone()] != log_ratios[window.context.clone()];
    for window in windows.iter().filter(differs) {
        let smoothed = smooth(&model, &entry, &lifted[window.context.clone()]);
        for frame in window.wanted.clone() {
            posterior[frame] = smoothed.new[frame - window.context.start];
        }
    }
    posterior
}

/// Frames that want a posterior and the context that gives it.
struct Window {
    wanted: std::ops::Range<usize>,
    context: std::ops::Range<usize>,
}

/// Longest stretch smoothed at once: bounds the memory of the forward pass to a few megabytes.
const WINDOW_FRAMES_MAX: usize = 4096;

fn windows(frames: usize, unsure: impl Fn(usize) -> bool) -> Vec<Window> {
    let mut windows: Vec<Window> = Vec::new();
    for frame in (0..frames).filter(|&frame| unsure(frame)) {
        match windows.last_mut() {
            Some(last)
                if frame < last.wanted.end + CONTEXT_FRAMES
                    && frame + 1 - last.wanted.start <= WINDOW_FRAMES_MAX =>
            {
                last.wanted.end = frame + 1;
            }
            _ => windows.push(Window { wanted: frame..frame + 1, context: 0..0 }),
        }
    }
    for window in &mut windows {
        let end = (window.wanted.end + CONTEXT_FRAMES).min(frames);
        window.context = window.wanted.start.saturating_sub(CONTEXT_FRAMES)..end;
    }
    windows
}

fn logistic(ratio: f32) -> f32 {
    1.0 / (1.0 + (-ratio).exp())
}

/// Likelihoods of the evidence of one frame under `new`, `same` and the irregular state.
fn emission(log_ratio: f32) -> (f32, f32, f32) {
    // Scaled so that the larger is 1: only ratios matter.
    let ratio = log_ratio.clamp(-LOG_RATIO_LIMIT, LOG_RATIO_LIMIT);
    let (new, same) = if ratio >= 0.0 { (1.0, (-ratio).exp()) } else { (ratio.exp(), 1.0) };
    (new, same, 0.5 * (new + same))
}

/// What smoothing one stretch gives.
struct Smoothed {
    /// P(new) per frame.
    new: Vec<f32>,
    /// Frames that lie in each cycle, weighted by their posterior.
    occupied: Vec<f32>,
}

/// Forward-backward over one stretch.
fn smooth(model: &Model, entry: &[f32], log_ratios: &[f32]) -> Smoothed {
    let states = model.states();
    let mut forward = vec![0.0; states * log_ratios.len()];
    let mut before = entry.to_vec();
    for (&ratio, row) in log_ratios.iter().zip(forward.chunks_exact_mut(states)) {
        emit(model, ratio, &before, row);
        normalise(row);
        advance(model, entry, row, &mut before);
    }
    let mut backward = vec![1.0; states];
    let mut weighted = vec![0.0; states];
    let mut smoothed = Smoothed { new: vec![0.0; log_ratios.len()], occupied: vec![0.0; model.cycles.len()] };
    for (frame, row) in forward.chunks_exact(states).enumerate().rev() {
        smoothed.new[frame] = new_share(model, log_ratios[frame], row, &backward);
        add_occupied(model, row, &backward, &mut smoothed.occupied);
        emit(model, log_ratios[frame], &backward, &mut weighted);
        normalise(&mut weighted);
        retreat(model, entry, &weighted, &mut backward);
    }
    smoothed
}

/// Adds the posterior of each cycle in one frame.
fn add_occupied(model: &Model, forward: &[f32], backward: &[f32], occupied: &mut [f32]) {
    let total: f32 = forward.iter().zip(backward).map(|(f, b)| f * b).sum();
    if total <= 0.0 {
        return;
    }
    for (sum, cycle) in occupied.iter_mut().zip(&model.cycles) {
        let inside = forward[cycle.clone()].iter().zip(&backward[cycle.clone()]);
        *sum += inside.map(|(f, b)| f * b).sum::<f32>() / total;
    }
}

/// `to = from × emission`, state by state.
fn emit(model: &Model, log_ratio: f32, from: &[f32], to: &mut [f32]) {
    let (new, same, irregular) = emission(log_ratio);
    for ((to, &from), &shows_new) in to.iter_mut().zip(from).zip(&model.shows_new) {
        *to = from * if shows_new { new } else { same };
    }
    let last = model.states() - 1;
    to[last] = from[last] * irregular;
}

fn normalise(row: &mut [f32]) {
    let sum: f32 = row.iter().sum();
    if sum > 0.0 {
        row.iter_mut().for_each(|value| *value /= sum);
    }
}

/// One frame forward in time.
fn advance(model: &Model, entry: &[f32], from: &[f32], to: &mut [f32]) {
    let stay = 1.0 - BREAK_PROBABILITY - CHANGE_PROBABILITY;
    let total: f32 = from.iter().sum();
    for cycle in &model.cycles {
        let sum: f32 = from[cycle.clone()].iter().sum();
        let broken = BREAK_PROBABILITY * sum / cycle.len() as f32;
        let last = cycle.end - 1;
        to[cycle.start] = stay * from[last] + broken;
        for state in cycle.start + 1..cycle.end {
            to[state] = stay * from[state - 1] + broken;
        }
    }
    let irregular = model.states() - 1;
    to[irregular] = (1.0 - CHANGE_PROBABILITY) * from[irregular];
    for (to, &entry) in to.iter_mut().zip(entry) {
        *to += CHANGE_PROBABILITY * total * entry;
    }
}

/// One frame backward in time: the transpose of [`advance`].
fn retreat(model: &Model, entry: &[f32], from: &[f32], to: &mut [f32]) {
    let stay = 1.0 - BREAK_PROBABILITY - CHANGE_PROBABILITY;
    let entered: f32 = from.iter().zip(entry).map(|(from, entry)| from * entry).sum();
    for cycle in &model.cycles {
        let sum: f32 = from[cycle.clone()].iter().sum();
        let broken = BREAK_PROBABILITY * sum / cycle.len() as f32;
        for state in cycle.start..cycle.end - 1 {
            to[state] = stay * from[state + 1] + broken;
        }
        to[cycle.end - 1] = stay * from[cycle.start] + broken;
    }
    let irregular = model.states() - 1;
    to[irregular] = (1.0 - CHANGE_PROBABILITY) * from[irregular];
    for to in to.iter_mut() {
        *to += CHANGE_PROBABILITY * entered;
    }
}

/// Share of the posterior that lies on `new`; the irregular state is shared out by the frame's own evidence.
fn new_share(model: &Model, log_ratio: f32, forward: &[f32], backward: &[f32]) -> f32 {
    let (mut new, mut total) = (0.0, 0.0);
    for ((&forward, &backward), &shows_new) in forward.iter().zip(backward).zip(&model.shows_new) {
        let weight = forward * backward;
        total += weight;
        if shows_new {
            new += weight;
        }
    }
    let irregular = forward[model.states() - 1] * backward[model.states() - 1];
    let sum = total + irregular;
    if sum > 0.0 {
        (new + irregular * logistic(log_ratio)) / sum
    } else {
        logistic(log_ratio)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Slots of `holds` repeated to `frames`.
    fn slots(holds: &[usize], frames: usize) -> Vec<bool> {
        holds.iter().cycle().flat_map(|&hold| (0..hold).map(|slot| slot == 0)).take(frames).collect()
    }

    #[test]
    fn mechanical_words_are_the_published_holds() {
        // Holds of check pairs: 24 on 60, 24 in 25, 50 on 60 (derived from ⌈kq/p⌉).
        for (pictures, frames, holds) in [(2, 5, vec![3, 2]), (5, 6, vec![2, 1, 1, 1, 1]), (1, 3, vec![3])] {
            let word: Vec<bool> = (0..frames).map(|slot| starts_picture(slot, pictures, frames)).collect();
            assert_eq!(word, slots(&holds, frames), "{pictures}/{frames}");
        }
    }

    #[test]
    fn context_settles_what_the_measure_leaves_open() {
        for holds in [&[1][..], &[2], &[3, 2], &[2, 3, 3, 2], &[2, 1, 1, 1], &[2, 2, 2, 4]] {
            let truth = slots(holds, 200);
            let mut ratios: Vec<f32> = truth.iter().map(|&new| if new { 8.0 } else { -8.0 }).collect();
            for unsure in (20..180).step_by(9) {
                ratios[unsure] = 0.0;
            }
            let posterior = posteriors(&ratios, |frame| ratios[frame] == 0.0);
            for (frame, &new) in truth.iter().enumerate() {
                let right = if new { posterior[frame] } else { 1.0 - posterior[frame] };
                assert!(right > 0.95, "{holds:?} frame {frame}: {right}");
            }
        }
    }

    /// Clear motion settles into a lean to `same` from which new pictures stand out but little, as when a zoom slows
    /// down under noise: each frame by itself is called the same, the cadence goes on.
    #[test]
    fn the_captures_own_cadence_is_followed_where_its_measure_fades() {
        const CLEAR: usize = 150;
        let truth = slots(&[2, 3], 750);
        let mut state = 1u32;
        let ratios: Vec<f32> = truth
            .iter()
            .enumerate()
            .map(|(frame, &new)| {
                state = state.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
                let wobble = (state >> 8) as f32 / (1 << 23) as f32 - 1.0;
                match (frame < CLEAR, new) {
                    (true, true) => 8.0,
                    (true, false) => -8.0,
                    (false, true) => -1.2 + wobble,
                    (false, false) => -2.4 + wobble,
                }
            })
            .collect();
        assert!(ratios[CLEAR..].iter().all(|&ratio| ratio < 0.0), "no frame is new by itself");
        let posterior = posteriors(&ratios, |frame| frame >= CLEAR);
        let right = (CLEAR..truth.len()).filter(|&frame| (posterior[frame] > 0.5) == truth[frame]).count();
        // The first of them lie in a stretch that is mostly clear, and keep their lean.
        assert!(right >= 560, "{right} of 600");
    }

    #[test]
    fn irregular_motion_is_not_forced_into_a_pattern() {
        // A seeded linear congruential sequence: no pattern, so an open frame stays open.
        let mut state = 1u32;
        let mut ratios: Vec<f32> = (0..300)
            .map(|_| {
                state = state.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
                if state >> 31 == 0 {
                    8.0
                } else {
                    -8.0
                }
            })
            .collect();
        ratios[150] = 0.0;
        let posterior = posteriors(&ratios, |frame| frame == 150);
        assert!((0.1..0.9).contains(&posterior[150]), "{}", posterior[150]);
    }

    #[test]
    fn a_clear_frame_outside_the_pattern_stays() {
        let mut ratios: Vec<f32> = slots(&[2], 100).iter().map(|&new| if new { 8.0 } else { -8.0 }).collect();
        ratios[51] = 30.0;
        let posterior = posteriors(&ratios, |_| true);
        assert!(posterior[51] > 0.99);
    }
}
