//! What the field stage keeps of a fingerprint, and what one frame says of its fields by itself.

use crate::fingerprint::{DoubleImage, FieldFit, FieldMeasures, FrameFingerprint, RowDetail, Signature};

/// Field measures of one frame with the dominant motion into it.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct FieldSample {
    /// Field measures.
    pub measures: FieldMeasures,
    /// Dominant motion since the frame before, pixels, right positive.
    pub motion_x: f32,
    /// Dominant motion since the frame before, pixels, down positive.
    pub motion_y: f32,
    /// How far its signature is from those of one, three and five frames before.
    pub distances: [LogDistance; ODD_LAGS.len()],
    /// What tells blended fields.
    pub double_image: DoubleImage,
}

/// Frames between those whose signatures are compared.
pub const ODD_LAGS: [usize; 3] = [1, 3, 5];
const LAG_MAX: usize = ODD_LAGS[ODD_LAGS.len() - 1];

/// Natural logarithm of the root mean square difference of two signatures, code values, without what all cells share: a
/// flicker changes all of them.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct LogDistance(i16);

impl LogDistance {
    /// Steps to one.
    pub const STEPS: i16 = 2048;
    /// Least variance, code values squared: one step of a signature.
    const LEAST: f32 = 1.0 / 65_536.0;

    /// Of a mean square difference, code values squared.
    pub fn of_square(square: f32) -> Self {
        Self((0.5 * square.max(Self::LEAST).ln() * f32::from(Self::STEPS)).round() as i16)
    }

    /// In steps.
    pub fn steps(self) -> i16 {
        self.0
    }

    fn between(one: &Signature, other: &Signature) -> Self {
        // Many sums beside each other: one alone waits for itself at every cell.
        let (mut sums, mut squares) = ([0.0f32; LANES], [0.0f32; LANES]);
        for (one, other) in one.chunks_exact(LANES).zip(other.chunks_exact(LANES)) {
            for lane in 0..LANES {
                let difference = (f32::from(one[lane]) - f32::from(other[lane])) / 256.0;
                sums[lane] += difference;
                squares[lane] += difference * difference;
            }
        }
        let (sum, squares): (f32, f32) = (sums.iter().sum(), squares.iter().sum());
        let mean = sum / one.len() as f32;
        Self::of_square(squares / one.len() as f32 - mean * mean)
    }
}

/// Cells that are added up beside each other; a signature has a multiple of it.
const LANES: usize = 16;

/// Makes samples of fingerprints that come in order.
#[derive(Clone, Debug, Default)]
pub struct FieldSampler {
    /// Signatures of the last frames, each at its number modulo their count.
    last: [Option<Signature>; LAG_MAX],
    frame: usize,
}

impl FieldSampler {
    /// What the next fingerprint tells of fields.
    pub fn next(&mut self, fingerprint: &FrameFingerprint) -> FieldSample {
        let distances = ODD_LAGS.map(|lag| {
            let earlier = self.last[(self.frame + LAG_MAX - lag) % LAG_MAX];
            earlier.map_or(LogDistance::default(), |earlier| {
                LogDistance::between(&fingerprint.signature, &earlier)
            })
        });
        self.last[self.frame % LAG_MAX] = Some(fingerprint.signature);
        self.frame += 1;
        FieldSample {
            measures: fingerprint.fields,
            motion_x: fingerprint.reduced.motion_x,
            motion_y: fingerprint.reduced.motion_y,
            distances,
            double_image: fingerprint.double_image,
        }
    }
}

/// Least share of tiles that move for a frame to say anything of its fields: one in a thousand.
const MOVING_SHARE_MIN: f32 = 0.001;

/// How the two fields of a frame lie in time, from how they fit each other and the fields before.
///
/// Let the fields be samples of one motion. The square of a difference between fields of opposite parity is then
/// the detail that only one parity shows, plus the square of the motion between their moments. The detail is
/// the same in each pair, so that it cancels in differences of squares. With `w` within the frame, `t` and `b` the top
/// and bottom field against the opposite field before, and the motions `m`, two fields of one moment give
/// t² − w² = m_bottom² and b² − w² = m_top², whatever the detail. Derived, not published.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub(super) struct Weave {
    /// How far the worse of these equalities is missed, in squares of the motion: 0 for one moment, 1 for two fields half
    /// a frame apart, 2 for a field that belongs to the picture before.
    pub apart: f32,
    /// Moment of the top field after that of the bottom field, in motions of a frame: −1/2 with the top field first.
    /// Falls towards 0 where the motion is large against the texture.
    pub top_after_bottom: f32,
    /// Sum of both misses over two, signed: what fine texture that moves without any field adds or takes away.
    pub missed: f32,
    /// Difference within the frame against that of the better pair across frames.
    pub against_best: f32,
    /// Share of the moving tiles that look combed without their neighbours.
    pub combed_tiles: f32,
    /// Larger of both motions, code values.
    pub motion: f32,
}

impl Weave {
    /// What `fit` says; `None` where too little moves.
    pub fn of(fit: &FieldFit) -> Option<Self> {
        let (top, bottom) = (fit.top_motion.value(), fit.bottom_motion.value());
        let motion = top.max(bottom);
        if fit.moving.value() < MOVING_SHARE_MIN || motion == 0.0 {
            return None;
        }
        let square = |level: f32| level * level;
        let within = fit.within.value();
        let (top_earlier, bottom_earlier) = (fit.top_with_earlier.value(), fit.bottom_with_earlier.value());
        let missed_top = square(top_earlier) - square(within) - square(bottom);
        let missed_bottom = square(bottom_earlier) - square(within) - square(top);
        let order = square(top_earlier) - square(bottom_earlier) + square(top) - square(bottom);
        let best = top_earlier.min(bottom_earlier);
        Some(Self {
            apart: -missed_top.min(missed_bottom) / square(motion),
            missed: (missed_top + missed_bottom) / (2.0 * square(motion)),
            top_after_bottom: order / (2.0 * (top + bottom) * motion),
            // An eighth of a code value keeps quotients of next to nothing small.
            against_best: (within + 0.125) / (best + 0.125),
            combed_tiles: fit.combed.value(),
            motion,
        })
    }
}

/// Code values added to both sides of a ratio of row details, so that ratios of next to nothing stay near 1.
const DETAIL_FLOOR: f32 = 0.05;

/// Natural logarithm of the detail of the top rows against that of the bottom rows: negative where the top rows follow
/// from the bottom ones.
pub(super) fn parity_ratio(rows: &RowDetail) -> f32 {
    ((rows.top.value() + DETAIL_FLOOR) / (rows.bottom.value() + DETAIL_FLOOR)).ln()
}
