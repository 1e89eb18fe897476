//! What the person says of the clip, held against what the recording shows.

use super::findings::PATTERN_SPEAKS;
use super::Played;
use crate::cadence::CadenceAnalysis;
use crate::classify::{count_flagged, ClassifiedFrame, FrameFlags};
use crate::units::{hz_text, Rate};
use crate::words::percent;

/// Fewer pictures than the clip holds by more than this, as a fraction, are missing: 59.94 in 60 slips, that is told by
/// itself.
pub(super) const MISSING_MIN: f64 = 0.005;

/// More pictures than the clip holds by more than this, as a fraction, contradict what was said of it. Between two
/// clocks and a few wrong calls on one side (well below 1 %) and the nearest two rates that differ by more than 1.001
/// on the other (24 and 25: 4 %). Choice.
const CONTRADICTED_MIN: f64 = 0.02;

/// One frame in this many that is a mix: what is new need not be a picture of the clip. Choice.
const MIXED_PART: u64 = 10;

/// How the pictures that appear stand to those that the clip is said to hold.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) enum Expectation {
    /// As many as it holds.
    Whole(Rate),
    /// Fewer, steadily: the share that is missing, and about how many pictures of the judged time.
    Missing {
        /// What the clip is said to hold.
        clip: Rate,
        /// Part of its pictures, 0 to 1.
        share: f64,
        /// Pictures of the judged time.
        pictures: u64,
    },
    /// More than it holds: what was said of the clip is wrong, and nothing is counted by it.
    Contradicted {
        /// What the clip is said to hold.
        clip: Rate,
        /// New pictures per second that appear.
        found_hz: f64,
    },
}

/// Holds the rate that the clip is said to have against what appears. `None` without such a rate, where nothing tells,
/// and where the pictures of the clip are known one by one: these are counted then.
pub(super) fn expectation(
    frames: &[ClassifiedFrame],
    cadence: &CadenceAnalysis,
    played: Played<'_>,
) -> Option<Expectation> {
    let clip = played.rate.filter(|_| played.summary.is_none())?;
    let motion = &cadence.motion;
    let motion_rate = motion.motion_rate_hz?;
    let pattern = cadence.pattern.as_ref().filter(|_| cadence.coverage >= PATTERN_SPEAKS);
    // A stall delays pictures and need not lose any: what is steadily missing shows in the pattern.
    let steady = pattern.map(|pattern| {
        let (pictures, delivered) = pattern.pace();
        motion.delivered_rate_hz * pictures as f64 / delivered as f64
    });
    let found_hz = steady.unwrap_or(motion_rate).max(motion_rate);
    if found_hz > clip.hz() * (1.0 + CONTRADICTED_MIN) {
        let mixes = count_flagged(frames, FrameFlags::BLEND) as u64;
        let of_the_clip = mixes * MIXED_PART <= motion.judged_frames;
        return of_the_clip.then_some(Expectation::Contradicted { clip, found_hz });
    }
    let share = 1.0 - steady? / clip.hz();
    if share <= MISSING_MIN {
        return Some(Expectation::Whole(clip));
    }
    let judged_s = motion.judged_frames as f64 / motion.delivered_rate_hz;
    let pictures = (judged_s * clip.hz() * share).round().max(1.0) as u64;
    Some(Expectation::Missing { clip, share, pictures })
}

impl Expectation {
    /// Pictures that are missing by it; `None` where it tells nothing of that.
    pub fn missing_pictures(self) -> Option<u64> {
        match self {
            Self::Missing { pictures, .. } => Some(pictures),
            Self::Whole(_) => Some(0),
            Self::Contradicted { .. } => None,
        }
    }

    /// What it says of missing pictures, as the end of a sentence; `None` where it tells nothing of that.
    pub fn missing_text(self) -> Option<String> {
        match self {
            Self::Whole(clip) => Some(format!("the clip holds {clip} pictures/s, so none is missing")),
            Self::Missing { clip, share, .. } => {
                Some(format!("the clip holds {clip} pictures/s, so {} of them are missing", percent(share)))
            }
            Self::Contradicted { .. } => None,
        }
    }

    /// The sentence that says what is wrong with it, if anything is.
    pub fn contradiction(self) -> Option<String> {
        let Self::Contradicted { clip, found_hz } = self else { return None };
        Some(format!(
            "The clip is said to hold {clip} pictures/s, but {} new ones appear: that rate is wrong, and nothing is \
             counted by it. For an interlaced clip, give the rate of its fields.",
            hz_text(found_hz)
        ))
    }
}
