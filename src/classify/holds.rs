//! Rows of calls as holds: how many nats a row costs to write down, and what the holds around a frame say about it.
//!
//! Whether the next frame is new depends on how long the picture has stood and how long the one before it stayed.
//! That is enough for every cadence that shows pictures for one number of frames or two, in turn or at random, and it
//! is learned from the row itself: no list of patterns.

/// Longest stand that is told from longer ones, frames. Choice: twice the longest hold of the trade's cadences (4).
const LONGEST: usize = 8;

/// Least and most probability that a frame is new, whatever was learned. Choice: a break in 300 frames is always
/// possible.
const RATE_MIN: f64 = 0.003;

/// Counts of what was learned weigh against what holds of all stands together: as this many frames.
const POOL_WEIGHT: f64 = 2.0;

/// Most holds of one length in a row that are told from more: the longest words of rates with small numbers (24 on 25)
/// have 23.
const RUN_LONGEST: usize = 32;

/// How often a frame was the same and new, by the hold before and the stand so far.
type Counts = [[[u32; 2]; LONGEST]; LONGEST];

/// Where a row stands before a frame.
#[derive(Clone, Copy, Default)]
struct Place {
    /// Length of the hold before.
    before: usize,
    /// Holds of that length in a row.
    run: usize,
    /// Frames that the picture has stood.
    stand: usize,
}

impl Place {
    fn after(self, new: bool) -> Self {
        if !new {
            return Self { stand: (self.stand + 1).min(LONGEST - 1), ..self };
        }
        let run = if self.stand == self.before { (self.run + 1).min(RUN_LONGEST - 1) } else { 0 };
        Self { before: self.stand, run, stand: 0 }
    }
}

/// The place before each frame, with the frame's call.
fn places(is_new: impl Iterator<Item = bool>) -> impl Iterator<Item = (Place, bool)> {
    is_new.scan(Place::default(), |place, new| {
        let here = *place;
        *place = here.after(new);
        Some((here, new))
    })
}

fn counts(is_new: impl Iterator<Item = bool>) -> Counts {
    let mut counts = Counts::default();
    for (place, new) in places(is_new) {
        counts[place.before][place.stand][usize::from(new)] += 1;
    }
    counts
}

/// Nats to write down which of the frames after the first are new, knowing nothing beforehand: the estimator of
/// R. Krichevsky and V. Trofimov (IEEE Trans. Inf. Theory 27, 1981; named from memory), by the stand alone, by stand and
/// hold before, and by stand and holds of one length in a row, mixed evenly.
pub(super) fn code_length(is_new: impl Iterator<Item = bool>) -> f64 {
    let mut by_stand = [[0; 2]; LONGEST];
    let mut by_hold = Counts::default();
    let mut by_run = [[[0; 2]; LONGEST]; RUN_LONGEST];
    for (place, new) in places(is_new) {
        let new = usize::from(new);
        by_stand[place.stand][new] += 1;
        by_hold[place.before][place.stand][new] += 1;
        by_run[place.run][place.stand][new] += 1;
    }
    let cost = |counts: &[[u32; 2]]| counts.iter().map(|&[same, new]| sequence_cost(same, new)).sum::<f64>();
    let costs = [cost(&by_stand), cost(by_hold.as_flattened()), cost(by_run.as_flattened())];
    let least = costs.into_iter().fold(f64::INFINITY, f64::min);
    let mean = costs.into_iter().map(|cost| (least - cost).exp()).sum::<f64>() / costs.len() as f64;
    least - mean.ln()
}

/// Nats of one row of two kinds in any order, by the estimator above.
pub(super) fn sequence_cost(same: u32, new: u32) -> f64 {
    if same + new == 0 {
        return 0.0;
    }
    // Γ(n + ½) and Γ(n + 1) of the estimator, as sums of logarithms.
    let half = |count: u32| log_rising(count, 0.5);
    log_rising(same + new, 1.0) - half(same) - half(new)
}

/// ln of `from · (from + 1) · … · (from + count − 1)`.
fn log_rising(count: u32, from: f64) -> f64 {
    /// Factors multiplied one by one; beyond, Stirling's series is exact to 10⁻⁶.
    const SINGLE: u32 = 16;
    let singles = count.min(SINGLE);
    let product: f64 = (0..singles).map(|factor| f64::from(factor) + from).product();
    if count <= SINGLE {
        return product.ln();
    }
    let stirling = |x: f64| (x - 0.5) * x.ln() - x + 1.0 / (12.0 * x);
    product.ln() + stirling(f64::from(count) + from) - stirling(f64::from(SINGLE) + from)
}

/// Probability that each frame is new, from its own `log_ratios` (ln P(evidence | new) − ln P(evidence | same)) and
/// the holds that `is_new` has. Frame 0 is new.
pub(super) fn with_context(log_ratios: &[f64], is_new: &[bool]) -> Vec<f64> {
    let rates = rates(&counts(is_new.iter().copied().skip(1)));
    let frames = log_ratios.len();
    let mut forward: Vec<Stands> = Vec::with_capacity(frames);
    let mut now = [[0.0; LONGEST]; LONGEST];
    now.iter_mut().for_each(|row| row[0] = 1.0 / LONGEST as f64);
    for (frame, &ratio) in log_ratios.iter().enumerate() {
        if frame > 0 {
            now = advanced(&now, &rates, ratio.exp());
        }
        forward.push(now);
    }
    let mut posterior = vec![1.0; frames];
    let mut backward: Stands = [[1.0; LONGEST]; LONGEST];
    for frame in (1..frames).rev() {
        let likelihood = log_ratios[frame].exp();
        let (mut new, mut same) = (0.0, 0.0);
        let mut earlier = [[0.0; LONGEST]; LONGEST];
        for before in 0..LONGEST {
            for stand in 0..LONGEST {
                let rate = rates[before][stand];
                let as_new = rate * likelihood * backward[stand][0];
                let as_same = (1.0 - rate) * backward[before][(stand + 1).min(LONGEST - 1)];
                new += forward[frame - 1][before][stand] * as_new;
                same += forward[frame - 1][before][stand] * as_same;
                earlier[before][stand] = as_new + as_same;
            }
        }
        posterior[frame] = new / (new + same);
        backward = scaled(earlier);
    }
    posterior
}

/// A weight for each hold before and stand so far.
type Stands = [[f64; LONGEST]; LONGEST];

/// Probability that the next frame is new.
fn rates(counts: &Counts) -> Stands {
    let mut rates = Stands::default();
    for stand in 0..LONGEST {
        let sum = |class: usize| counts.iter().map(|row| f64::from(row[stand][class])).sum::<f64>();
        let (same, new) = (sum(0), sum(1));
        let pooled = (new + 0.5) / (new + same + 1.0);
        for (row, counts) in rates.iter_mut().zip(counts) {
            let [same, new] = counts[stand].map(f64::from);
            let rate = (new + POOL_WEIGHT * pooled) / (new + same + POOL_WEIGHT);
            row[stand] = rate.clamp(RATE_MIN, 1.0 - RATE_MIN);
        }
    }
    rates
}

/// One frame forward, weighted by how likely its evidence is for a new picture (against 1 for the same).
fn advanced(now: &Stands, rates: &Stands, likelihood: f64) -> Stands {
    let mut next = Stands::default();
    for before in 0..LONGEST {
        for stand in 0..LONGEST {
            let (weight, rate) = (now[before][stand], rates[before][stand]);
            next[stand][0] += weight * rate * likelihood;
            next[before][(stand + 1).min(LONGEST - 1)] += weight * (1.0 - rate);
        }
    }
    scaled(next)
}

/// The same weights with sum 1.
fn scaled(mut weights: Stands) -> Stands {
    let sum: f64 = weights.iter().flatten().sum();
    weights.iter_mut().flatten().for_each(|weight| *weight /= sum);
    weights
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Frames of pictures that stay `holds` in turn, as new or not.
    fn shown(holds: &[usize], frames: usize) -> Vec<bool> {
        holds.iter().cycle().flat_map(|&hold| (0..hold).map(|slot| slot == 0)).take(frames).collect()
    }

    #[test]
    fn a_row_costs_what_its_estimator_says() {
        // (same, new) and the product of the estimator's probabilities, worked out by hand.
        for (same, new, probability) in
            [(0, 0, 1.0), (0, 1, 0.5), (1, 0, 0.5), (1, 1, 0.125), (0, 2, 0.375), (2, 1, 0.0625)]
        {
            let cost = sequence_cost(same, new);
            assert!((cost + f64::ln(probability)).abs() < 1e-9, "{same} {new}: {cost}");
        }
    }

    #[test]
    fn long_rows_cost_what_adding_up_frame_by_frame_gives() {
        let (same, new) = (1000, 250);
        let added: f64 = (0..same).map(|n| (f64::from(n) + 0.5).ln()).sum::<f64>()
            + (0..new).map(|n| (f64::from(n) + 0.5).ln()).sum::<f64>()
            - (0..same + new).map(|n| (f64::from(n) + 1.0).ln()).sum::<f64>();
        assert!((sequence_cost(same, new) + added).abs() < 1e-4);
    }

    #[test]
    fn a_cadence_costs_less_than_chance() {
        for holds in [&[1][..], &[2], &[2, 3], &[3, 2, 2], &[1, 1, 1, 2], &[5]] {
            let cost = code_length(shown(holds, 120).into_iter().skip(1));
            let share = 1.0 / (holds.iter().sum::<usize>() as f64 / holds.len() as f64);
            let chance = -119.0 * (share * share.ln() + (1.0 - share) * (1.0 - share).max(1e-9).ln());
            assert!(cost < 0.75 * chance.max(20.0), "{holds:?}: {cost} against {chance}");
        }
    }

    #[test]
    fn the_holds_around_settle_an_open_frame() {
        for holds in [&[1][..], &[2], &[2, 3], &[4]] {
            let truth = shown(holds, 120);
            for open in 40..45 {
                let mut ratios: Vec<f64> = truth.iter().map(|&new| if new { 8.0 } else { -8.0 }).collect();
                ratios[open] = 0.0;
                let posterior = with_context(&ratios, &truth)[open];
                assert!(
                    (posterior > 0.9) == truth[open] && (posterior < 0.1) != truth[open],
                    "{holds:?}: {posterior}"
                );
            }
        }
    }

    #[test]
    fn a_clear_frame_is_kept_against_its_context() {
        let mut ratios: Vec<f64> = shown(&[2], 120).iter().map(|&new| if new { 8.0 } else { -8.0 }).collect();
        ratios[51] = 12.0;
        let is_new: Vec<bool> = ratios.iter().map(|&ratio| ratio > 0.0).collect();
        assert!(with_context(&ratios, &is_new)[51] > 0.9);
    }
}
