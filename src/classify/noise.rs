//! Independent noise: what a recorder's analogue side or dither adds to every frame of a recording that keeps samples
//! as they are.
//!
//! The difference of two frames of one picture is then white noise of one strength. White noise shows in three ways at
//! once: a 3 × 3 mean takes 1/9 of its energy away, moving blocks explains nothing of it, and its energy is the same in
//! every frame but for the error of counting: √(2/n) of n samples (variance of a mean of squares of normal values).

use super::evidence::FrameEvidence;

/// Share of white noise that is left without its 3 × 3 mean: one pixel less a ninth of itself.
const FINE_SHARE: f64 = 8.0 / 9.0;

/// Strongest noise of a recorder, mean square difference of two frames, code values squared: a standard deviation of 8
/// code values is a signal-to-noise ratio of 30 dB, which no recorder in use is below. Choice.
const ENERGY_MAX: f64 = 2.0 * 8.0 * 8.0;

/// Standard error of the share without the 3 × 3 mean, against that of the energy: the mean's part has a ninth of the
/// energy in a ninth of the samples' freedom. By simulation 0.55 (100 frames of 320 × 240).
const FINE_ERROR: f64 = 0.55;

/// Standard errors within which a difference counts as white. Choice: chance leaves it once in 10⁸ frames.
const WHITE_WITHIN: f64 = 6.0;

/// Share of noise that moving blocks must leave unexplained: fitting two numbers to a block of 256 explains 1 %.
const UNEXPLAINED_MIN: f64 = 0.9;

/// Frames of one strength that make a floor. Choice: two agree by chance.
const FLOOR_FRAMES: usize = 3;

/// Square of the standard errors, halved, at which noise and a new picture are as likely: chance goes beyond
/// √12 = 3.5 errors in one frame of 4000. Choice.
const EVEN_AT: f64 = 6.0;

/// Log-likelihood ratios are held within this.
const LOG_RATIO_LIMIT: f64 = 12.0;

/// Standard errors beyond the floor up to which motion just comes out of the noise: twice what is even.
const JUST_OUT: f64 = 7.0;

/// Frames that hide in the noise for each that just comes out of it, where motion is spread evenly over amplitude: energy
/// goes with its square, so that they are as √3.5 to √7 − √3.5.
const HIDDEN_PER_JUST_OUT: f64 = 2.4;

/// Least relative spread of the largest block of white noise from frame to frame: the quietest material agrees with it.
const BLOCK_SPREAD_MIN: f64 = 0.026;

/// The noise that every frame of a recording carries.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct NoiseFloor {
    /// Mean square difference of two frames of one picture, code values squared.
    energy: f64,
    /// Relative standard error of that energy in one frame.
    error: f64,
    /// Largest block changes of such frames, luma and chroma.
    blocks: [Usual; 2],
}

/// What is usual of the largest of many values that scatter: Gumbel's law, whose upper tail falls by e for each spread
/// (Fisher and Tippett 1928: the largest of many normal values).
#[derive(Clone, Copy, Debug, PartialEq)]
struct Usual {
    /// Middle value, code values.
    middle: f64,
    /// Relative spread of the law.
    spread: f64,
}

/// ln ln 4 − ln ln 4/3: the middle half of the values of Gumbel's law, in spreads of the law.
const MIDDLE_HALF: f64 = 1.572_5;

impl Usual {
    fn of(mut values: Vec<f64>) -> Self {
        values.sort_unstable_by(f64::total_cmp);
        let quantile = |share: f64| values[((values.len() - 1) as f64 * share) as usize];
        let middle = quantile(0.5).max(f64::MIN_POSITIVE);
        let spread = (quantile(0.75) - quantile(0.25)) / MIDDLE_HALF / middle;
        Self { middle, spread: spread.max(BLOCK_SPREAD_MIN) }
    }

    /// The same where some frame shows as little as `least`: every frame has the noise, so what lies far above is none.
    fn bounded_by(self, least: f64) -> Self {
        let least = least.max(f64::MIN_POSITIVE);
        if (self.middle / least - 1.0) / self.spread > WHITE_WITHIN {
            Self { middle: least, ..self }
        } else {
            self
        }
    }

    /// The standard deviations that a normal value exceeds as rarely as these exceed `value`; 0 where that is not rare.
    fn above(self, value: f32) -> f64 {
        let spreads = (f64::from(value) / self.middle - 1.0) / self.spread;
        // Beyond x deviations lies about e^(−x²/2) / (x √2π) of all normal values; x is nearly √(2 · spreads).
        let nearly = (2.0 * spreads).max(1.0).sqrt();
        (2.0 * (spreads - (nearly * std::f64::consts::TAU.sqrt()).ln())).max(0.0).sqrt()
    }
}

/// How every frame of a recording lies to its noise.
pub(super) struct AgainstNoise {
    /// ln P(evidence | new) − ln P(evidence | same) of each frame.
    pub(super) log_ratios: Vec<f64>,
    /// Share of the frames within the noise that hide motion, by how much motion just comes out of it.
    pub(super) hidden: f64,
}

/// Blocks of luma and chroma.
const BLOCKS: [fn(&FrameEvidence) -> f32; 2] = [|one| one.luma_change, |one| one.chroma_change];

impl NoiseFloor {
    /// The floor of a recording whose pictures are compared on `samples` samples; `None` where some frames are equal to
    /// the last bit, or too few frames differ by white noise alone.
    pub(super) fn of(evidence: &[FrameEvidence], samples: usize) -> Option<Self> {
        let later = evidence.get(1..)?;
        if samples == 0 || evidence.windows(2).any(|pair| pair[0].digest == pair[1].digest) {
            return None;
        }
        let error = (2.0 / samples as f64).sqrt();
        let mut white: Vec<&FrameEvidence> = later.iter().filter(|one| is_white(one, error)).collect();
        white.sort_by(|a, b| a.reduced.energy.total_cmp(&b.reduced.energy));
        let weakest = f64::from(white.first()?.reduced.energy) * (1.0 + 2.0 * WHITE_WITHIN * error);
        let count = white.partition_point(|one| f64::from(one.reduced.energy) <= weakest);
        if count < FLOOR_FRAMES {
            return None;
        }
        let floor = &white[..count];
        // Slow motion under noise leaves every frame nearly white; together they show it. The weakest quarter has least.
        let weakest = &floor[..count.div_ceil(4).max(FLOOR_FRAMES)];
        let mean = weakest.iter().map(|one| fine_share(one) - 1.0).sum::<f64>() / weakest.len() as f64;
        if mean.abs() > WHITE_WITHIN * FINE_ERROR * error / (weakest.len() as f64).sqrt() {
            return None;
        }
        Some(Self {
            energy: f64::from(floor[count / 2].reduced.energy),
            error,
            blocks: BLOCKS.map(|block| {
                let of = |one: &FrameEvidence| f64::from(block(one));
                let least = later.iter().map(of).fold(f64::INFINITY, f64::min);
                Usual::of(floor.iter().copied().map(of).collect()).bounded_by(least)
            }),
        })
    }

    /// How far energy, colour of the noise or the largest blocks lie beyond what noise does.
    pub(super) fn against(&self, evidence: &[FrameEvidence]) -> AgainstNoise {
        let beyond: Vec<f64> = evidence.iter().map(|one| self.beyond(one)).collect();
        let later = || beyond.iter().skip(1);
        let within = later().filter(|&&beyond| ratio(beyond) <= 0.0).count();
        let out = later().count() - within;
        let just_out = later().filter(|&&beyond| ratio(beyond) > 0.0 && beyond < JUST_OUT).count();
        AgainstNoise {
            hidden: hidden(within, (just_out, out)),
            log_ratios: beyond.iter().map(|&beyond| ratio(beyond).min(LOG_RATIO_LIMIT)).collect(),
        }
    }

    /// Standard errors beyond the floor.
    fn beyond(&self, one: &FrameEvidence) -> f64 {
        let energy = (f64::from(one.reduced.energy) / self.energy - 1.0) / self.error;
        let fine = (fine_share(one) - 1.0).abs() / (FINE_ERROR * self.error);
        let blocks = self.blocks.iter().zip(BLOCKS).map(|(usual, block)| usual.above(block(one)));
        blocks.fold(energy.max(fine).max(0.0), f64::max)
    }
}

/// Share of `within` frames that hide motion, where of those `out` of the noise so many just come out of it: all may where
/// these are half of them, since motion then is as weak as the noise.
fn hidden(within: usize, (just_out, out): (usize, usize)) -> f64 {
    if 2 * just_out >= out {
        return 1.0;
    }
    (HIDDEN_PER_JUST_OUT * just_out as f64 / within.max(1) as f64).min(1.0)
}

fn ratio(beyond: f64) -> f64 {
    beyond * beyond / 2.0 - EVEN_AT
}

/// Energy without the 3 × 3 mean against what white noise of this energy has; 1 for white noise.
fn fine_share(one: &FrameEvidence) -> f64 {
    f64::from(one.reduced.fine_energy) / f64::from(one.reduced.energy).max(f64::MIN_POSITIVE) / FINE_SHARE
}

/// Whether the change can be white noise of a recorder.
fn is_white(one: &FrameEvidence, error: f64) -> bool {
    let energy = f64::from(one.reduced.energy);
    energy > 0.0
        && energy <= ENERGY_MAX
        && f64::from(one.reduced.unexplained) >= UNEXPLAINED_MIN * energy
        && (fine_share(one) - 1.0).abs() <= WHITE_WITHIN * FINE_ERROR * error
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Shares of normal values beyond so many deviations, as handbooks of statistics have them (from memory).
    #[test]
    fn a_largest_block_is_as_rare_as_the_normal_value_it_stands_for() {
        let usual = Usual { middle: 2.0, spread: 0.05 };
        for (share, deviations) in [(0.05_f64, 1.645), (1e-4, 3.719), (1e-6, 4.753)] {
            // Of the largest of many nearly e^(−spreads) lie beyond so many spreads.
            let value = usual.middle * (1.0 - usual.spread * share.ln());
            let found = usual.above(value as f32);
            assert!((found - deviations).abs() < 0.12, "{share}: {found}");
        }
        assert_eq!(usual.above(2.0), 0.0);
        assert_eq!(usual.above(1.0), 0.0);
    }
}
