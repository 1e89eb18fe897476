//! Fields shown one by one in the wrong order: told by how alike pictures are that lie an odd number of frames apart.
//!
//! Where the fields of each frame are swapped, the frames show the moments 1, 0, 3, 2, 5, 4 and so on. Frames one apart then lie
//! by turns 1 and 3 moments apart, frames three apart by turns 1 and 5, frames five apart by turns 3 and 7, all of them
//! in step; frames an even number apart lie as far apart as ever. Pictures that come at uneven times are by turns nearer
//! and farther as well, but frames three apart far less than neighbours. Derived, not published.

use super::detect::FieldFeatures;
use super::sample::{LogDistance, ODD_LAGS};
use super::window::{Moving, Sides};

const LAGS: usize = ODD_LAGS.len();

/// Pictures on each side that speak for one. Choice: a good second of full-rate video, for content that hardly moves
/// against its noise and flicker.
const REACH: usize = 36;
/// Pictures needed at even and at odd places.
const SIDE_MIN: i64 = 10;
/// Least natural logarithm of the farther against the nearer distance, for each lag. Fields in the wrong order that are shown with
/// repeated lines, whose hop is in both distances, reach 0.12, 0.21 and 0.17; fields in order, and whole pictures, stay
/// below one of them: by trials on real and painted clips.
const LEAST: [f64; LAGS] = [0.1, 0.2, 0.15];
/// Frames three apart turn at least so much as neighbours do: derived, 1.5 for fields in the wrong order, within 0.3 for
/// pictures at uneven times; lossy recorders leave 0.8.
const OF_NEIGHBOURS: f64 = 0.6;
/// ... and so many times their standard error.
const ERRORS: f64 = 3.0;

/// Whether each picture is one of a stretch of fields in the wrong order.
pub(super) fn in_wrong_order(looks: &[FieldFeatures]) -> Vec<bool> {
    let mut found = Vec::with_capacity(looks.len());
    for run in looks.chunk_by(|one, next| one.frame + 1 == next.frame) {
        let distances =
            |look: &FieldFeatures| look.sample.distances.map(|distance| i32::from(distance.steps()));
        let run: Vec<_> = run.iter().map(|look| (look.frame, distances(look))).collect();
        let mut window = Moving::<_, Sides<LAGS>>::new(&run, REACH);
        found.extend((0..run.len()).map(|place| are_swapped(window.around(place))));
    }
    found
}

/// Whether distances at even and at odd frames are those of fields in the wrong order.
fn are_swapped(sides: &Sides<LAGS>) -> bool {
    if sides.fewest() < SIDE_MIN {
        return false;
    }
    // The whole difference of both sides, not half of it.
    let turns = [0, 1, 2].map(|lag| sides.turning_and_staying(lag, f64::from(LogDistance::STEPS) / 2.0));
    let (three, error, _) = turns[1];
    let in_step = turns.iter().zip(LEAST).all(|(turn, least)| turn.0 * three.signum() >= least);
    in_step && three.abs() >= (OF_NEIGHBOURS * turns[0].0.abs()).max(ERRORS * error)
}

#[cfg(test)]
mod tests {
    use super::super::sample::FieldSample;
    use super::*;

    const FRAMES: usize = 80;

    /// Looks at frames that show these moments, with a distance that all of them have besides.
    fn looks(moments: &[f64], besides: f64) -> Vec<FieldFeatures> {
        let distance = |frame: usize, lag: usize| {
            let earlier = moments[frame.saturating_sub(lag)];
            LogDistance::of_square((besides * besides + (moments[frame] - earlier).powi(2)) as f32)
        };
        let look = |frame: usize| {
            let sample =
                FieldSample { distances: ODD_LAGS.map(|lag| distance(frame, lag)), ..FieldSample::default() };
            FieldFeatures { frame, luma: None, chroma: None, sample }
        };
        (1..moments.len()).map(look).collect()
    }

    #[test]
    fn wrong_order_is_told_from_uneven_times() {
        let moments = |of: fn(usize) -> f64| (0..FRAMES).map(of).collect::<Vec<f64>>();
        let swapped = moments(|frame| (frame ^ 1) as f64);
        let table = [
            ("in order", false, moments(|frame| frame as f64), 0.0),
            ("in the wrong order", true, swapped.clone(), 0.0),
            ("in the wrong order, with lines repeated", true, swapped.clone(), 3.0),
            ("in the wrong order, nothing but a hop left", false, swapped.clone(), 12.0),
            ("at uneven times", false, moments(|frame| frame as f64 + 0.4 * (frame % 2) as f64), 0.0),
            ("at very uneven times", false, moments(|frame| frame as f64 + 0.8 * (frame % 2) as f64), 0.0),
            ("standing still", false, moments(|_| 0.0), 0.0),
            ("too few", false, swapped[..20].to_vec(), 0.0),
        ];
        for (name, expected, moments, besides) in table {
            let found = in_wrong_order(&looks(&moments, besides));
            assert!(found.iter().all(|&found| found == expected), "{name}: {found:?}");
        }
    }

    #[test]
    fn frames_that_do_not_follow_each_other_say_nothing() {
        let moments: Vec<f64> = (0..FRAMES).map(|frame| (frame ^ 1) as f64).collect();
        let mut apart = looks(&moments, 0.0);
        apart.iter_mut().for_each(|look| look.frame *= 2);
        assert!(in_wrong_order(&apart).iter().all(|&found| !found));
    }
}
