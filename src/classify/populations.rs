//! One population of changes or two: where, in a stretch of a recording, the same picture ends and new ones begin.
//!
//! The change of a frame is its largest block change, as a logarithm. New pictures change by about as much as those
//! next to them (motion drifts), with cuts far above. The same picture changes by what the recorder does to it: coding
//! error, of a size that belongs to the recording, spread widely downward. Every way to part the frames of a stretch by
//! a threshold on the change — by itself, against the motion around it, or half way — is weighed as a whole: how well both
//! populations fit their frames, what the parting costs as a row of holds (`holds.rs`), and how likely such populations
//! are at all. "All new" and "all the same" are weighed beside them. Each way is believed by its weight.

use super::course::Course;
use super::statistics::{self, logarithm, student, STUDENT_LEVEL};
use super::{holds, Advance, HIDDEN_SURENESS};

/// Added to code values before their logarithm: what is smaller is not told from nothing.
const SMALLEST: f64 = 0.05;

/// Largest change of a block that a recorder makes of one picture, code values: at the coarsest quantiser in use
/// (x264 at 36) 1 of 1000 repeats changes by more than 12. A change above is a new picture in any context. Twice that,
/// to be safe.
pub(super) const REPEAT_CHANGE_MAX: f64 = 24.0;

/// From here on a repeat becomes less and less likely: e⁻¹² for each factor of e. By the same recordings.
const REPEAT_CHANGE_USUAL: f64 = 10.0;
const REPEAT_FALL: f64 = 12.0;

/// Smallest change that a coded recording shows of a new picture, code values: less is below half a step of any quantiser,
/// and coded as no change. Below it a new picture becomes less likely by e⁻⁴ for each factor of e.
const NEW_CHANGE_MIN: f64 = 0.8;
const NEW_FALL: f64 = 4.0;

/// What is believed of the typical new change and of the typical repeat before looking, code values and spread of the
/// logarithm: wide, they decide only where nothing else does.
const NEW_LEVEL: (f64, f64) = (15.0, 1.3);
const REPEAT_LEVEL: (f64, f64) = (0.7, 0.9);

/// Logarithm of the ratio of both from which they are apart as usual, and the spread below it.
const APART: (f64, f64) = (1.6, 0.6);

/// Spread of either population before looking (logarithm), and the frames that this belief weighs as much as.
const NEW_SPREAD: (f64, f64) = (0.28, 25.0);
const REPEAT_SPREAD: (f64, f64) = (0.8, 25.0);
/// The same where nothing says that the samples were coded with loss: what is spread evenly is no coding error.
const REPEAT_SPREAD_UNKNOWN: (f64, f64) = (0.8, 150.0);

/// Share of cuts among new pictures, and of refreshed pictures among repeats; and how wide either lies (logarithm).
const CUT: (f64, f64) = (0.05, 4.0);
const REFRESH: (f64, f64) = (0.03, 5.0);

/// Frames over which the typical change is taken, to 1/e: of new pictures, of new pictures in quick change, of repeats.
const NEW_REACH: f64 = 4.0;
const NEW_REACH_SHORT: f64 = 1.0;
const REPEAT_REACH: f64 = 15.0;

/// Frames on each side whose second largest change is the motion around.
const AROUND: usize = 6;

/// Nats that a second population costs. Choice.
const SECOND_COST: f64 = 4.0;

/// Nats that "all the same" costs beside "all new". Choice.
const STANDING_COST: f64 = 2.0;

/// Weight of what equal digests cost among repeats: they come in runs and so count for less than each by itself.
const EQUAL_WEIGHT: f64 = 0.5;

/// Nats for "all new" where nothing says that the samples were coded with loss: exact recordings have no second
/// population. Choice, between what exact recordings lack and what decoded lossy ones are beyond (seven of ten).
const EXACT_BONUS: f64 = 90.0;

/// Belief per nat of weight: the frames of a stretch err alike. Chosen so that of calls at 0.95 fewer than 1 in 100 are
/// wrong.
const BELIEF: f64 = 0.12;

/// Thresholds tried on each scale: the widest gaps, and places evenly over all frames.
const GAPS: usize = 8;
const PLACES: usize = 14;

/// Logarithm of the ratio between the smallest new change and the largest repeat from which both are apart, so that no
/// context overrules a frame on either side. Choice: a factor of 1.65, twice the usual spread of new changes.
const WIDE_GAP: f64 = 0.5;

/// How far beyond the edges of a gap frames count as next to it (logarithm), what each that could lie in it is worth, and
/// the most nats that a gap gives. Choice.
const VALLEY_SIDE: f64 = 0.7;
const VALLEY_WEIGHT: f64 = 0.5;
const VALLEY_MAX: f64 = 30.0;

/// The most nats by which the way that pictures go tells partings apart, so that it does not overrule populations far
/// apart in a long stretch. Choice; anything from 50 to 120 gives nearly the same.
const COURSE_MAX: f64 = 100.0;

/// Repeats from which what they tell of the new pictures counts for half. Choice: a few frames far below all others are
/// no proof that the others are new.
const FEW_REPEATS: f64 = 5.0;

/// Log-likelihood ratios of one frame are held within this.
const LOG_RATIO_LIMIT: f64 = 12.0;

/// The changes of a stretch of frames; frame 0 counts as new.
pub struct Stretch<'a> {
    /// Largest block change, code values.
    pub(super) changes: &'a [f32],
    /// How far each goes on the way of the pictures around it.
    pub(super) advances: &'a [Advance],
    /// Whether a frame has the samples of the one before.
    pub(super) equal: &'a [bool],
    /// Whether the samples are known to be coded with loss.
    pub(super) lossy: bool,
}

/// What was found of a stretch.
pub struct Parted {
    /// Probability that each frame is new.
    pub(super) new: Vec<f64>,
    /// ln P(change | new) − ln P(change | same) of each frame by the best parting.
    pub(super) log_ratios: Vec<f64>,
}

impl Stretch<'_> {
    /// Parts the frames.
    pub(super) fn part(&self) -> Parted {
        Partings::new(self).believed()
    }
}

/// A scale on which a threshold may lie: the logarithm of a change less so much of the motion around.
const SCALES: [f64; 3] = [0.0, 0.5, 1.0];

/// A way to part the frames.
struct Parting {
    is_new: Vec<bool>,
    /// Scale and threshold, where there is one.
    threshold: Option<(f64, f64)>,
    weight: f64,
}

struct Partings<'a> {
    stretch: &'a Stretch<'a>,
    /// Logarithm of each change.
    x: Vec<f64>,
    /// Logarithm of the motion around each frame.
    around: Vec<f64>,
    course: Course,
    /// Frames that a population has to explain: all but the first and those with equal samples.
    counted: Vec<bool>,
}

impl<'a> Partings<'a> {
    fn new(stretch: &'a Stretch<'a>) -> Self {
        let x: Vec<f64> = stretch.changes.iter().map(|&change| (f64::from(change) + SMALLEST).ln()).collect();
        let around = (0..x.len()).map(|frame| around(&x, frame)).collect();
        let counted: Vec<bool> =
            stretch.equal.iter().enumerate().map(|(frame, equal)| frame > 0 && !equal).collect();
        // Where nothing says that samples were coded with loss, what hardly goes on may be exact all the same: mixes do.
        let course = Course::new(if stretch.lossy { stretch.advances } else { &[] }, &counted);
        Self { stretch, x, around, course, counted }
    }

    /// The best way first.
    fn all(&self) -> Vec<Parting> {
        let sure = REPEAT_CHANGE_MAX.ln();
        let rows = self.thresholds().into_iter().map(|(scale, threshold)| {
            let above = |frame: usize| self.x[frame] - scale * self.around[frame] > threshold;
            (Some((scale, threshold)), self.row(|frame| above(frame) || self.x[frame] > sure))
        });
        let plain = [(None, self.row(|_| true)), (None, self.row(|frame| self.x[frame] > sure))];
        let mut seen: Vec<Vec<bool>> = Vec::new();
        let mut partings: Vec<Parting> = Vec::new();
        let mut courses: Vec<f64> = Vec::new();
        for (threshold, is_new) in plain.into_iter().chain(rows) {
            if !seen.contains(&is_new) {
                let weight = self.weight(&is_new) + self.valley(threshold);
                courses.push(self.course.weight(&is_new));
                seen.push(is_new.clone());
                partings.push(Parting { is_new, threshold, weight });
            }
        }
        let likeliest = courses.iter().copied().fold(f64::NEG_INFINITY, f64::max);
        for (parting, course) in partings.iter_mut().zip(courses) {
            parting.weight -= (likeliest - course).min(COURSE_MAX);
        }
        partings.sort_by(|a, b| b.weight.total_cmp(&a.weight));
        partings
    }

    fn row(&self, is_new: impl Fn(usize) -> bool) -> Vec<bool> {
        (0..self.x.len()).map(|frame| frame == 0 || self.counted[frame] && is_new(frame)).collect()
    }

    fn thresholds(&self) -> Vec<(f64, f64)> {
        let mut thresholds = Vec::new();
        for scale in SCALES {
            let frames = (0..self.x.len()).filter(|&frame| self.counted[frame]);
            let mut values: Vec<f64> =
                frames.map(|frame| self.x[frame] - scale * self.around[frame]).collect();
            values.sort_unstable_by(f64::total_cmp);
            if values.len() < 2 {
                continue;
            }
            let last = values.len() - 1;
            let mut places: Vec<usize> = (0..last).collect();
            places.sort_by(|&a, &b| (values[b + 1] - values[b]).total_cmp(&(values[a + 1] - values[a])));
            places.truncate(GAPS);
            places.extend((0..PLACES).map(|place| place * last / PLACES));
            thresholds.extend(places.into_iter().map(|at| (scale, (values[at] + values[at + 1]) / 2.0)));
        }
        thresholds
    }

    /// How likely the frames are when parted so, nats; only differences mean anything.
    fn weight(&self, is_new: &[bool]) -> f64 {
        let counted = |frame: &usize| self.counted[*frame];
        let fit = Fit::new(self, is_new);
        let mut weight = 0.0;
        let (mut new, mut same) = (0u32, 0u32);
        for frame in (0..self.x.len()).filter(counted) {
            if is_new[frame] {
                new += 1;
                weight += fit.as_new(self.x[frame], frame);
            } else {
                same += 1;
                weight += fit.as_same(self.x[frame], frame);
            }
        }
        let equal = self.stretch.equal.iter().filter(|&&equal| equal).count() as u32;
        weight -= holds::code_length(is_new.iter().copied().skip(1));
        weight -= EQUAL_WEIGHT * holds::sequence_cost(equal, same);
        if new > 0 {
            weight -= off(fit.new_level, NEW_LEVEL);
        } else {
            weight -= STANDING_COST;
        }
        if same > 0 {
            weight -= SECOND_COST + off(fit.same_level.max(REPEAT_LEVEL.0.ln()), REPEAT_LEVEL);
        } else if !self.stretch.lossy {
            weight += EXACT_BONUS;
        }
        if same > 0 && new > 1 {
            let short = (APART.0 - (fit.new_level - fit.same_level)).max(0.0) / APART.1;
            weight -= short * short / 2.0;
        }
        weight
    }

    fn believed(&self) -> Parted {
        let partings = self.all();
        let best = &partings[0];
        let belief: Vec<f64> =
            partings.iter().map(|parting| (BELIEF * (parting.weight - best.weight)).exp()).collect();
        let sum: f64 = belief.iter().sum();
        let log_ratios = self.log_ratios(best);
        let in_context = holds::with_context(&log_ratios, &best.is_new);
        let mut new: Vec<f64> = in_context.iter().map(|new| new * belief[0] / sum).collect();
        for (parting, belief) in partings.iter().zip(&belief).skip(1) {
            for (new, _) in new.iter_mut().zip(&parting.is_new).filter(|(_, &is_new)| is_new) {
                *new += belief / sum;
            }
        }
        let sure = self.sureness(best);
        let log_sure = REPEAT_CHANGE_MAX.ln();
        for (new, _) in new.iter_mut().zip(&self.x).filter(|(_, &x)| x <= log_sure) {
            *new = 0.5 + (*new - 0.5) * sure;
        }
        Parted { new, log_ratios }
    }

    /// How far what is called new and the same is believed to be so at all, 0 to 1: where the changes of both are close,
    /// either may be coding error.
    fn sureness(&self, best: &Parting) -> f64 {
        let of = |class: bool| {
            let frames =
                (1..self.x.len()).filter(|&frame| self.counted[frame] && best.is_new[frame] == class);
            frames.count()
        };
        let fit = Fit::new(self, &best.is_new);
        match (of(true), of(false)) {
            (0, _) => HIDDEN_SURENESS,
            (_, 0) if !self.stretch.lossy => 1.0,
            (_, same) => {
                let alone = within(fit.new_level - REPEAT_LEVEL.0.ln(), REPEAT_LEVEL.1);
                let apart = within(fit.new_level - fit.same_level, REPEAT_LEVEL.1);
                let told = same as f64 / (same as f64 + FEW_REPEATS);
                alone.min(apart) + (apart - alone).max(0.0) * told
            }
        }
    }

    /// Nats for an empty gap at the threshold: as many frames as lie next to it on the sparser side would fall into it
    /// by chance.
    fn valley(&self, threshold: Option<(f64, f64)>) -> f64 {
        let Some((scale, at)) = threshold else { return 0.0 };
        let gap = self.gap_at((scale, at));
        let counted = (0..self.x.len()).filter(|&frame| self.counted[frame]);
        let (mut below, mut above) = (0.0, 0.0);
        for off in counted.map(|frame| self.x[frame] - scale * self.around[frame] - at) {
            // The gap lies around the middle of its edges.
            let beyond = off.abs() - gap / 2.0;
            if beyond <= VALLEY_SIDE {
                *(if off > 0.0 { &mut above } else { &mut below }) += 1.0;
            }
        }
        (f64::min(below, above) * gap / VALLEY_SIDE * VALLEY_WEIGHT).min(VALLEY_MAX)
    }

    /// How far apart the largest repeat and the smallest new change lie on the scale of the threshold.
    fn gap(&self, best: &Parting) -> f64 {
        best.threshold.map_or(0.0, |threshold| self.gap_at(threshold))
    }

    fn gap_at(&self, (scale, threshold): (f64, f64)) -> f64 {
        let counted = (0..self.x.len()).filter(|&frame| self.counted[frame]);
        let off = counted.map(|frame| self.x[frame] - scale * self.around[frame] - threshold);
        let (below, above) = off.fold((f64::NEG_INFINITY, f64::INFINITY), |(below, above), off| {
            if off > 0.0 {
                (below, above.min(off))
            } else {
                (below.max(off), above)
            }
        });
        above - below
    }

    /// What each change says by itself, nothing at the threshold; it never falls as the change grows.
    fn log_ratios(&self, best: &Parting) -> Vec<f64> {
        let fit = Fit::new(self, &best.is_new);
        let sure = REPEAT_CHANGE_MAX.ln();
        let by_gap = LOG_RATIO_LIMIT * (self.gap(best) / WIDE_GAP).min(1.0);
        (0..self.x.len())
            .map(|frame| {
                let x = self.x[frame];
                if frame == 0 || x > sure {
                    return LOG_RATIO_LIMIT;
                }
                if self.stretch.equal[frame] {
                    return -LOG_RATIO_LIMIT;
                }
                let Some((scale, threshold)) = best.threshold else {
                    return if best.is_new[frame] { LOG_RATIO_LIMIT } else { -LOG_RATIO_LIMIT };
                };
                let at = (threshold + scale * self.around[frame]).min(sure);
                let ratio = fit.log_ratio(x, frame) - fit.log_ratio(at, frame);
                if x > at {
                    ratio.clamp(by_gap, LOG_RATIO_LIMIT)
                } else {
                    ratio.clamp(-LOG_RATIO_LIMIT, -by_gap)
                }
            })
            .collect()
    }
}

/// Second largest of the changes around a frame, itself left out; the largest of one, its own of none.
fn around(x: &[f64], frame: usize) -> f64 {
    let from = frame.saturating_sub(AROUND).max(1);
    let to = (frame + AROUND + 1).min(x.len());
    let (mut first, mut second) = (f64::NEG_INFINITY, f64::NEG_INFINITY);
    for other in (from..to).filter(|&other| other != frame) {
        second = second.max(x[other].min(first));
        first = first.max(x[other]);
    }
    if second.is_finite() {
        second
    } else if first.is_finite() {
        first
    } else {
        x[frame]
    }
}

/// Share of normal values within a distance, of a standard deviation. Logistic form, within 0.02 of the integral.
fn within(distance: f64, deviation: f64) -> f64 {
    (0.8 * distance / deviation).max(0.0).tanh()
}

/// Half the square of how far `level` lies from what is believed, in spreads.
fn off(level: f64, (usual, spread): (f64, f64)) -> f64 {
    let off = (level - usual.ln()) / spread;
    off * off / 2.0
}

/// Both populations of a parting.
struct Fit {
    /// Typical change at each frame, and spread.
    new: Vec<f64>,
    new_spread: f64,
    same: Vec<f64>,
    same_spread: f64,
    /// Middle of the typical changes over the frames of the population.
    new_level: f64,
    same_level: f64,
    lossy: bool,
}

/// Deviations of new pictures that count for the spread: cuts above and skipped changes below do not.
const NEW_DEVIATION: (f64, f64) = (-1.0, 0.5);
/// The same, and the spread before looking, where nothing says that samples were coded with loss and all frames are new.
const FREE_DEVIATION: (f64, f64) = (-4.0, 2.0);
const FREE_SPREAD: (f64, f64) = (0.28, 2.0);
/// The same of repeats.
const SAME_DEVIATION: (f64, f64) = (-2.0, 2.0);
/// A change pulls the typical one around it by no more than this.
const PULL_MAX: f64 = 0.8;
/// Typical new and same changes are taken to be apart by this at least, so that a frame's ratio is never upside down.
const APART_MIN: f64 = 0.3;

impl Fit {
    fn new(partings: &Partings<'_>, is_new: &[bool]) -> Self {
        let x = &partings.x;
        let frames = |class: bool| {
            let of = move |&frame: &usize| partings.counted[frame] && is_new[frame] == class;
            (0..x.len()).filter(of).collect::<Vec<_>>()
        };
        let (new, same) = (frames(true), frames(false));
        let largest = x.iter().skip(1).copied().fold(f64::NEG_INFINITY, f64::max);
        let new_middle = middle(x, &new).unwrap_or(largest.max(2f64.ln()));
        let same_middle = middle(x, &same);
        let guess = (REPEAT_LEVEL.0 / 2.0).ln().min(new_middle - APART.0);
        let [even, short, same_around] = smooth(
            x,
            |frame| match partings.counted[frame] {
                true => [is_new[frame], is_new[frame], !is_new[frame]],
                false => [false; 3],
            },
            [
                Smoothing { reach: NEW_REACH, usual: new_middle, weight: 0.05 },
                Smoothing { reach: NEW_REACH_SHORT, usual: new_middle, weight: 0.05 },
                Smoothing { reach: REPEAT_REACH, usual: same_middle.unwrap_or(guess), weight: 1.0 },
            ],
        );
        let typical = [curved(x, &new, &even), short, even];
        let squares = |typical: &[f64], frames: &[usize], (low, high): (f64, f64)| -> f64 {
            frames.iter().map(|&frame| (x[frame] - typical[frame]).clamp(low, high).powi(2)).sum()
        };
        // Of a recording that may be exact all is new: what its motion does is spread as it likes.
        let free = same.is_empty() && !partings.stretch.lossy;
        let (held, usual) = if free { (FREE_DEVIATION, FREE_SPREAD) } else { (NEW_DEVIATION, NEW_SPREAD) };
        let best = typical
            .into_iter()
            .map(|typical| (squares(&typical, &new, held), typical))
            .min_by(|a, b| a.0.total_cmp(&b.0));
        let (new_squares, new_typical) = best.unwrap_or_default();
        let same_typical = if same.is_empty() { vec![guess; x.len()] } else { same_around };
        let same_squares = squares(&same_typical, &same, SAME_DEVIATION);
        Self {
            new_spread: spread(usual, new_squares, new.len()),
            same_spread: spread(
                if partings.stretch.lossy { REPEAT_SPREAD } else { REPEAT_SPREAD_UNKNOWN },
                same_squares,
                same.len(),
            ),
            new_level: middle(&new_typical, &new).unwrap_or(new_middle),
            same_level: middle(&same_typical, &same).unwrap_or(guess),
            new: new_typical,
            same: same_typical,
            lossy: partings.stretch.lossy,
        }
    }

    fn as_new(&self, x: f64, frame: usize) -> f64 {
        let deviation = (x - self.new[frame]) / self.new_spread;
        let hidden = if self.lossy { NEW_FALL * (NEW_CHANGE_MIN.ln() - x).max(0.0) } else { 0.0 };
        if deviation >= 0.0 {
            return mixed(student(deviation) - self.new_spread.ln(), CUT) - hidden;
        }
        below(deviation) - self.new_spread.ln() - hidden
    }

    fn as_same(&self, x: f64, frame: usize) -> f64 {
        let usual = student((x - self.same[frame]) / self.same_spread) - self.same_spread.ln();
        mixed(usual, REFRESH) - fall(x)
    }

    /// As new against as the same, without what lies beyond either population's middle: it never falls as x grows.
    fn log_ratio(&self, x: f64, frame: usize) -> f64 {
        let same = self.same[frame];
        let new = self.new[frame].max(same + APART_MIN);
        below((x.min(new) - new) / self.new_spread) - student((x.max(same) - same) / self.same_spread)
            + fall(x)
    }
}

/// How much less likely a repeat is that changes by more than repeats usually do.
fn fall(x: f64) -> f64 {
    REPEAT_FALL * (x - REPEAT_CHANGE_USUAL.ln()).max(0.0)
}

fn spread((usual, frames): (f64, f64), squares: f64, count: usize) -> f64 {
    ((frames * usual * usual + squares) / (frames + count as f64)).sqrt()
}

/// The same below the middle of new pictures, where few are far out: motion does not stop for one picture. Ten degrees of
/// freedom, joined to the other half.
fn below(deviation: f64) -> f64 {
    STUDENT_LEVEL - 5.5 * logarithm(1.0 + deviation * deviation / 10.0)
}

/// Logarithm of a density mixed with a share that lies anywhere over a width.
fn mixed(usual: f64, (share, width): (f64, f64)) -> f64 {
    logarithm((1.0 - share) * f64::from((usual as f32).exp()) + share / width)
}

/// The middle one of the values at `frames`, the larger of two.
fn middle(values: &[f64], frames: &[usize]) -> Option<f64> {
    statistics::middle(frames.iter().map(|&frame| values[frame]).collect())
}

/// How changes are smoothed along the frames of a population.
#[derive(Clone, Copy)]
struct Smoothing {
    /// Frames to 1/e of the weight.
    reach: f64,
    /// What is taken for usual before looking, and the frames that this weighs as much as.
    usual: f64,
    weight: f64,
}

/// The means around each frame of the values of each population (`has` says which a frame belongs to) without its own,
/// weighted by e^(−distance / reach). Single values far off pull little. All at once: each is a sum that waits for the one
/// before.
fn smooth<const N: usize>(
    x: &[f64],
    has: impl Fn(usize) -> [bool; N],
    smoothings: [Smoothing; N],
) -> [Vec<f64>; N] {
    let decays = smoothings.map(|one| (-1.0 / one.reach).exp());
    let mut present = vec![[0.0; N]; x.len()];
    for (frame, present) in present.iter_mut().enumerate() {
        for (present, has) in present.iter_mut().zip(has(frame)) {
            *present = f64::from(u8::from(has));
        }
    }
    let counts = sums_around(&present, smoothings.map(|one| one.weight), decays);
    let usual = smoothings.map(|one| one.usual * one.weight);
    let mut values = present.clone();
    for (values, &x) in values.iter_mut().zip(x) {
        values.iter_mut().for_each(|value| *value *= x);
    }
    let first = sums_around(&values, usual, decays);
    for (frame, &x) in x.iter().enumerate() {
        for at in 0..N {
            let mean = first[frame][at] / counts[frame][at];
            values[frame][at] = present[frame][at] * x.clamp(mean - PULL_MAX, mean + PULL_MAX);
        }
    }
    let second = sums_around(&values, usual, decays);
    std::array::from_fn(|at| second.iter().zip(&counts).map(|(sum, count)| sum[at] / count[at]).collect())
}

/// Sums of the values before and after each frame, weighted by a power of the distance, and of what is there besides.
fn sums_around<const N: usize>(values: &[[f64; N]], besides: [f64; N], decays: [f64; N]) -> Vec<[f64; N]> {
    let mut sums = vec![besides; values.len()];
    let mut after = vec![[0.0; N]; values.len()];
    let (mut ahead, mut back) = ([0.0; N], [0.0; N]);
    for frame in 0..values.len() {
        let mirrored = values.len() - 1 - frame;
        for at in 0..N {
            sums[frame][at] += ahead[at];
            ahead[at] = (ahead[at] + values[frame][at]) * decays[at];
            after[mirrored][at] = back[at];
            back[at] = (back[at] + values[mirrored][at]) * decays[at];
        }
    }
    for (sums, after) in sums.iter_mut().zip(&after) {
        sums.iter_mut().zip(after).for_each(|(sum, after)| *sum += after);
    }
    sums
}

/// What a cubic through the two nearest new pictures on either side gives, for motion that speeds up and slows down
/// within a few pictures; `otherwise` where there are not as many.
fn curved(x: &[f64], frames: &[usize], otherwise: &[f64]) -> Vec<f64> {
    let mut typical = otherwise.to_vec();
    for five in frames.windows(5) {
        let held = |place: usize| {
            let frame = five[place];
            x[frame].clamp(otherwise[frame] - PULL_MAX, otherwise[frame] + PULL_MAX)
        };
        typical[five[2]] = (4.0 * (held(1) + held(3)) - held(0) - held(4)) / 6.0;
    }
    typical
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;
    use proptest::test_runner::RngSeed;

    use super::*;

    /// Changes of a lossy recording: pictures that stay `holds` in turn, new ones around `level`, repeats around `error`,
    /// each times a factor of `wobble`.
    fn changes(holds: &[usize], (level, error): (f32, f32), wobble: &[f32]) -> (Vec<f32>, Vec<bool>) {
        let is_new: Vec<bool> =
            holds.iter().flat_map(|&hold| (0..hold).map(|slot| slot == 0)).take(wobble.len()).collect();
        let changes =
            is_new.iter().zip(wobble).map(|(&new, wobble)| if new { level } else { error } * wobble);
        (changes.collect(), is_new)
    }

    fn part(changes: &[f32]) -> Parted {
        let advances = vec![Advance::default(); changes.len()];
        Stretch { changes, advances: &advances, equal: &vec![false; changes.len()], lossy: true }.part()
    }

    fn calls(changes: &[f32]) -> Vec<bool> {
        part(changes).new.iter().map(|&new| new >= 0.5).collect()
    }

    prop_compose! {
        fn recording()(
            holds in prop::collection::vec(1usize..5, 100),
            level in 6.0f32..20.0,
            apart in 4.0f32..20.0,
            wobble in prop::collection::vec(0.7f32..1.4, 100),
        ) -> (Vec<f32>, Vec<bool>) {
            changes(&holds, (level, level / apart), &wobble)
        }
    }

    proptest! {
        #![proptest_config(ProptestConfig {
            cases: 64,
            failure_persistence: None,
            // The same recordings every time.
            rng_seed: RngSeed::Fixed(1),
            ..ProptestConfig::default()
        })]

        #[test]
        fn populations_apart_are_told_apart((changes, truth) in recording()) {
            prop_assert_eq!(calls(&changes), truth);
        }

        #[test]
        fn a_larger_change_never_makes_a_repeat((changes, _) in recording(), frame in 1usize..100, factor in 1.0f32..30.0) {
            let frame = frame.min(changes.len() - 1);
            let before = calls(&changes)[frame];
            let mut raised = changes;
            raised[frame] *= factor;
            prop_assert!(calls(&raised)[frame] || !before);
        }

        #[test]
        fn a_change_beyond_what_recorders_do_is_new((changes, _) in recording(), frame in 1usize..100) {
            let frame = frame.min(changes.len() - 1);
            let mut raised = changes;
            raised[frame] = REPEAT_CHANGE_MAX as f32 * 1.01;
            prop_assert!(part(&raised).new[frame] > 0.9);
        }

        #[test]
        fn backwards_the_calls_are_the_same((changes, truth) in recording()) {
            // The change into frame i leads, backwards, into the frame before it.
            let mut backwards = changes;
            backwards[1..].reverse();
            let mut expected = truth;
            expected[1..].reverse();
            prop_assert_eq!(calls(&backwards), expected);
        }
    }

    #[test]
    fn what_all_changes_alike_is_one_population() {
        let wobble: Vec<f32> = (0..120u32).map(|n| 0.9 + 0.2 * (n * 7919 % 101) as f32 / 101.0).collect();
        for (level, new) in [(30.0, true), (6.0, true), (0.4, false), (0.1, false)] {
            let changes: Vec<f32> = wobble.iter().map(|wobble| level * wobble).collect();
            let news = calls(&changes).iter().skip(1).filter(|&&call| call).count();
            assert_eq!(news, if new { 119 } else { 0 }, "{level}");
        }
    }

    #[test]
    fn what_hardly_changes_and_evenly_stands() {
        assert!(calls(&[0.06; 120]).iter().skip(1).all(|&new| !new));
    }

    #[test]
    fn a_few_frames_far_below_the_others_do_not_make_these_sure() {
        let surest = |every: usize| {
            let changes: Vec<f32> =
                (0..240).map(|n| if n % every == every - 1 { 0.05 } else { 1.3 }).collect();
            let new = part(&changes).new.into_iter().skip(1);
            new.fold(0.0, f64::max)
        };
        assert!(surest(120) < 0.95, "two in 240: {}", surest(120));
        assert!(surest(4) >= 0.95, "sixty in 240: {}", surest(4));
    }

    #[test]
    fn a_single_repeat_is_found_among_many_new_pictures() {
        let mut changes: Vec<f32> = (0..300u32).map(|n| 20.0 + (n * 7919 % 101) as f32 / 20.0).collect();
        changes[170] = 1.2;
        let same: Vec<usize> =
            calls(&changes).iter().enumerate().filter(|(_, &new)| !new).map(|(at, _)| at).collect();
        assert_eq!(same, [170]);
    }

    #[test]
    fn sums_around_a_frame_are_those_of_its_neighbours_by_distance() {
        let values: Vec<[f64; 2]> = (0..9).map(|frame| [f64::from(frame * frame % 7), 1.0]).collect();
        let (besides, decays) = ([0.5, 2.0], [0.8, 0.3f64]);
        for (frame, sums) in sums_around(&values, besides, decays).into_iter().enumerate() {
            for at in 0..2 {
                let others = (0..values.len()).filter(|&other| other != frame);
                let added =
                    others.map(|other| values[other][at] * decays[at].powi(other.abs_diff(frame) as i32));
                let naive = besides[at] + added.sum::<f64>();
                assert!((sums[at] - naive).abs() < 1e-12, "{frame} {at}: {} for {naive}", sums[at]);
            }
        }
    }

    #[test]
    fn few_frames_are_no_trouble() {
        for frames in 0..6 {
            for change in [0.0, 0.3, 30.0] {
                let changes = vec![change; frames];
                assert_eq!(part(&changes).new.len(), frames);
                let equal = vec![true; frames];
                assert!(
                    Stretch {
                        changes: &changes,
                        advances: &vec![Advance::default(); frames],
                        equal: &equal,
                        lossy: false
                    }
                    .part()
                    .new
                    .len()
                        == frames
                );
            }
        }
    }
}
