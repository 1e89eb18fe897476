//! Holds far longer than the cadence explains.

use std::ops::Range;

use super::judder::Scene;
use super::{Freeze, Hold, Pattern};

/// A freeze lasts at least this many frames more than the longest hold of the pattern. One or two frames
/// more is what a late picture gives: a cadence break, not a freeze. Common practice, no source.
const EXTRA_FRAMES_MIN: u32 = 3;
/// A freeze lasts at least this many times the longest hold of the pattern, so that a slow clip on a fast
/// signal (15 on 60: four frames each) is not frozen by one late picture. Common practice, no source.
const TIMES_LONGEST_HOLD: u32 = 2;
/// A freeze lasts at least this long, ms. Shorter ones read as judder; well below the 360 ms that viewers
/// still accept as a single freeze ("Estimating the impact of single and multiple freezes on video quality",
/// abstract, TU Delft repository), so that every freeze that could matter is listed.
const DURATION_MIN_MS: f64 = 100.0;

/// Freezes in order. Frames called still never count: nothing tells whether the source moved.
pub(super) fn freezes(scene: &Scene<'_>, runs: &[Range<usize>], pattern: Option<&Pattern>) -> Vec<Freeze> {
    let Some(longest) = pattern
        .and_then(|found| found.holds.iter().copied().max())
        .or_else(|| median_hold(scene.holds, runs))
    else {
        return Vec::new();
    };
    let frames_min =
        longest.saturating_add(EXTRA_FRAMES_MIN).max(longest.saturating_mul(TIMES_LONGEST_HOLD));
    scene
        .holds
        .iter()
        .enumerate()
        .filter(|(_, hold)| hold.frames - hold.still_frames >= frames_min)
        .filter_map(|(index, hold)| freeze(scene, index, hold))
        .collect()
}

fn freeze(scene: &Scene<'_>, index: usize, hold: &Hold) -> Option<Freeze> {
    let frozen = u64::from(hold.frames - hold.still_frames);
    let duration_ms = scene.span_ms(hold.first_frame, hold.first_frame + frozen);
    // Both ends may be rounded to the next tick.
    let rounding_ms = if scene.times.measured { 1000.0 * scene.times.base.seconds(1) } else { 1e-6 };
    (duration_ms + rounding_ms >= DURATION_MIN_MS).then(|| Freeze {
        first_frame: hold.first_frame,
        last_frame: hold.first_frame + frozen - 1,
        duration_ms,
        lost_pictures: scene
            .holds
            .get(index + 1)
            .map(|next| scene.frames[next.first_frame as usize].lost_before)
            .filter(|&lost| lost > 0)
            .map(u32::from),
    })
}

/// Median of the judged holds: what stands for the cadence where no pattern holds.
fn median_hold(holds: &[Hold], runs: &[Range<usize>]) -> Option<u32> {
    let mut lengths: Vec<u32> =
        runs.iter().flat_map(|run| &holds[run.clone()]).map(|hold| hold.frames).collect();
    if lengths.is_empty() {
        return None;
    }
    let middle = lengths.len() / 2;
    Some(*lengths.select_nth_unstable(middle).1)
}
