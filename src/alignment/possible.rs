//! Which pictures each frame may show, in a recording with errors: the frames weighed as one row, with errors as large as
//! they are around.
//!
//! What a recorder leaves is no noise of single features: it shows parts of the picture before or after, and errs along
//! motion and light, all features at once. How far it goes is measured: how far nine of ten frames around lie off their
//! pictures, towards the pictures before and after and in any other direction. A frame may show every picture that some
//! likely row of pictures has there.

use super::path::{distance, step_cost, weighted_step, AGAINST_CALL_COST, FRAME_COST_MAX, JUMP_COST};
use super::proof::Proof;
use super::Features;

/// Pictures on each side of the path that are weighed.
const AROUND: usize = 12;
const BAND: usize = 2 * AROUND + 1;

/// Frames that have one reach of the errors, and as many before and after that it is measured on besides.
const REACH_FRAMES: usize = 60;
/// Share of the frames whose distance to their picture is within the reach.
const REACH_SHARE: f64 = 0.9;
/// Standard deviations of a normal error within which so many lie, the quantile of 0.95.
const REACH_DEVIATIONS: f32 = 1.645;
/// Pictures on each side of the path among which a frame's own is looked for.
const NEAR: usize = 2;
/// Rows of pictures that cost so many nats more than the best one are not believed: one in 400. Where frames lie anywhere
/// between two pictures, as where a recorder lags, the nearest one is never believed beyond this: then the standard deviation
/// is 0.29 of the way, and 1 / (2 · 0.29²) is 6.
const BELIEVED_WITHIN: f32 = 6.0;

/// Nats of what cannot be.
const IMPOSSIBLE: f32 = 1e6;

/// What a frame may show.
#[derive(Clone, Copy, Debug)]
pub(super) struct Possible {
    /// First and last picture.
    pub range: (u32, u32),
    /// Square distance to the picture around that is most like it, deviations.
    pub alone: f32,
}

/// Frames along a path through the clip.
pub(super) struct Row<'a> {
    /// Gives each frame, in deviations.
    pub frame: &'a dyn Fn(usize) -> Features,
    /// The clip as the capture shows it, in deviations.
    pub pictures: &'a [Features],
    /// About where each frame lies.
    pub path: &'a [u32],
    /// Pictures of the clip per frame.
    pub advance: f64,
    /// Whether each frame shows another picture than the one before, where that is sure; may be shorter.
    pub moves: &'a [Option<bool>],
    /// Whether each frame has the samples of the one before; may be shorter.
    pub again: &'a [bool],
    /// Frames that hold samples of the clip: these show nothing else.
    pub proof: &'a Proof,
    /// Least reach of errors, deviations: what rounding leaves.
    pub rounding: f32,
    /// Share of a frame's distance from its picture that lies along any one direction, as a standard deviation.
    pub alike_share: f32,
}

type Band = [f32; BAND];

impl Row<'_> {
    /// What each frame may show.
    pub fn possible(&self) -> Vec<Possible> {
        let (distances, along): (Vec<Band>, Vec<f32>) =
            (0..self.path.len()).map(|frame| self.distances(frame)).unzip();
        let own = self.own_costs(&distances, &along);
        let mut before: Vec<Band> = Vec::with_capacity(own.len());
        for (frame, own) in own.iter().enumerate() {
            let reached = match before.last() {
                Some(last) => self.passed(frame, last, Way::On),
                None => [0.0; BAND],
            };
            before.push(sum(&reached, own));
        }
        let mut after = [0.0; BAND];
        let mut possible = vec![Possible { range: (0, 0), alone: 0.0 }; own.len()];
        for frame in (0..own.len()).rev() {
            let range = self.believed(frame, &sum(&before[frame], &after));
            possible[frame] = Possible { range, alone: least(&distances[frame]) };
            if frame > 0 {
                after = self.passed(frame, &sum(&after, &own[frame]), Way::Back);
            }
        }
        possible
    }

    /// The picture at a place of a frame's band.
    fn picture(&self, frame: usize, at: usize) -> Option<usize> {
        (self.path[frame] as usize + at).checked_sub(AROUND).filter(|&picture| picture < self.pictures.len())
    }

    /// What each picture around costs by a frame alone, the likeliest one nothing.
    fn own_costs(&self, distances: &[Band], along: &[f32]) -> Vec<Band> {
        let of = |((frame, band), spread): ((usize, &Band), f32)| {
            let cost = band.map(|distance| distance / (2.0 * spread * spread));
            let least = least(&cost);
            let held = self.proof.of_frame(frame);
            std::array::from_fn(|at| match (self.picture(frame, at), held) {
                (Some(_), None) => (cost[at] - least).min(FRAME_COST_MAX),
                (Some(picture), Some(held)) if held.by(picture) => 0.0,
                _ => IMPOSSIBLE,
            })
        };
        distances.iter().enumerate().zip(self.spreads(distances, along)).map(of).collect()
    }

    /// The standard deviation of the error of each frame along one direction: towards the pictures before and after its own,
    /// where parts of these show, and no less than in any other.
    fn spreads(&self, distances: &[Band], along: &[f32]) -> Vec<f32> {
        let nearest: Vec<f32> = distances.iter().map(least).collect();
        let larger = |(all, along): (f32, f32)| {
            (self.alike_share * all.max(self.rounding)).max(along / REACH_DEVIATIONS)
        };
        reaches(&nearest).zip(reaches(along)).map(larger).collect()
    }

    /// Square distances of a frame to the pictures around, and how far it lies off along the motion there.
    fn distances(&self, frame: usize) -> (Band, f32) {
        let features = (self.frame)(frame);
        let to = |picture: usize| distance(&features, &self.pictures[picture]);
        let band = std::array::from_fn(|at| self.picture(frame, at).map_or(f32::INFINITY, to));
        let nearest = (AROUND - NEAR..=AROUND + NEAR).min_by(|&a, &b| band[a].total_cmp(&band[b]));
        let own = nearest.and_then(|at| self.picture(frame, at));
        (band, own.map_or(0.0, |own| self.along_motion(&features, own)))
    }

    /// Square of how far a frame lies off its own picture towards the one before or after.
    fn along_motion(&self, features: &Features, own: usize) -> f32 {
        let neighbours = [own.checked_sub(1), Some(own + 1)].into_iter().flatten();
        neighbours
            .filter_map(|other| self.pictures.get(other))
            .map(|other| weighted_step(features, (&self.pictures[own], other), 0.0))
            .map(|(along, square)| if square > f32::EPSILON { along * along / square } else { 0.0 })
            .fold(0.0, f32::max)
    }

    /// Least cost of coming to each picture of the next frame (`frame`) from costs of the one before, or back.
    fn passed(&self, frame: usize, from: &Band, way: Way) -> Band {
        let ahead = i64::from(self.path[frame]) - i64::from(self.path[frame - 1]);
        let steps = self.steps(frame, ahead);
        let jump = least(from) + JUMP_COST;
        let mut passed = [jump; BAND];
        for (at, passed) in passed.iter_mut().enumerate() {
            for (other, cost) in from.iter().enumerate() {
                // Index of the step's cost: places of the later frame less those of the earlier one.
                let step = match way {
                    Way::On => at + BAND - 1 - other,
                    Way::Back => other + BAND - 1 - at,
                };
                *passed = passed.min(cost + steps[step]);
            }
        }
        let least = least(&passed);
        passed.map(|cost| cost - least)
    }

    /// Costs of the steps into a frame, from those from the last place of a band to the first of one `ahead` on.
    fn steps(&self, frame: usize, ahead: i64) -> [f32; 2 * BAND - 1] {
        let called = self.moves.get(frame).copied().flatten();
        let again = self.again.get(frame) == Some(&true);
        std::array::from_fn(|at| {
            let step = at as i64 - (BAND as i64 - 1) + ahead;
            if again {
                return if step == 0 { 0.0 } else { IMPOSSIBLE };
            }
            let against = called.is_some_and(|moves| moves != (step != 0));
            step_cost(step as f64, self.advance) + if against { AGAINST_CALL_COST } else { 0.0 }
        })
    }

    /// The pictures of the rows that are believed.
    fn believed(&self, frame: usize, costs: &Band) -> (u32, u32) {
        let limit = least(costs) + BELIEVED_WITHIN;
        let believed = |at: &usize| costs[*at] <= limit;
        let picture =
            |at: Option<usize>| at.and_then(|at| self.picture(frame, at)).map(|picture| picture as u32);
        let (first, last) = (picture((0..BAND).find(believed)), picture((0..BAND).rev().find(believed)));
        (first.unwrap_or(self.path[frame]), last.unwrap_or(self.path[frame]))
    }
}

/// Which way costs are handed on.
#[derive(Clone, Copy)]
enum Way {
    On,
    Back,
}

fn sum(one: &Band, other: &Band) -> Band {
    std::array::from_fn(|at| one[at] + other[at])
}

fn least(band: &Band) -> f32 {
    band.iter().copied().fold(f32::INFINITY, f32::min)
}

/// The distance within which nine of ten frames around each frame lie, from square distances of all frames.
pub(super) fn reaches(squares: &[f32]) -> impl Iterator<Item = f32> + '_ {
    squares.chunks(REACH_FRAMES).enumerate().flat_map(|(block, frames)| {
        let start = block * REACH_FRAMES;
        let end = (start + 2 * REACH_FRAMES).min(squares.len());
        let mut around = squares[start.saturating_sub(REACH_FRAMES)..end].to_vec();
        let place = ((around.len() - 1) as f64 * REACH_SHARE).round() as usize;
        let reach = around.select_nth_unstable_by(place, f32::total_cmp).1.sqrt();
        std::iter::repeat_n(reach, frames.len())
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::alignment::FEATURES;

    /// Pictures that each lie `step` deviations from the next, every one in a direction of its own.
    fn pictures(count: usize, step: f32) -> Vec<Features> {
        let mut picture = [0.0; FEATURES];
        (0..count)
            .map(|at| {
                picture[at % FEATURES] += step;
                picture
            })
            .collect()
    }

    /// What frames may show that show these pictures, off by `error` deviations in a direction that turns from frame to
    /// frame.
    fn ranges(shown: &[u32], error: f32, moves: &[Option<bool>]) -> Vec<(u32, u32)> {
        let pictures = pictures(80, 10.0);
        let frame = |at: usize| {
            let mut features = pictures[shown[at] as usize];
            features[FEATURES - 1 - at * 7 % 40] += error;
            features
        };
        possible(shown.len(), (&pictures, 0.5), &frame, moves)
    }

    /// What frames may show of these pictures, the tenth being the first, with errors of which so large a share lies along any
    /// one direction.
    fn possible(
        frames: usize,
        (pictures, alike_share): (&[Features], f32),
        frame: &dyn Fn(usize) -> Features,
        moves: &[Option<bool>],
    ) -> Vec<(u32, u32)> {
        let path: Vec<u32> = (0..frames as u32).map(|at| (at + 10).min(79)).collect();
        let row = Row {
            frame,
            pictures,
            path: &path,
            advance: 1.0,
            moves,
            again: &[],
            proof: &Proof::default(),
            rounding: 1.0,
            alike_share,
        };
        row.possible().into_iter().map(|one| one.range).collect()
    }

    fn in_order() -> Vec<u32> {
        (10..70).collect()
    }

    #[test]
    fn pictures_far_apart_are_told() {
        let mut swapped = in_order();
        swapped.swap(30, 31);
        let mut stalled = in_order();
        stalled[30..33].fill(39);
        for (name, shown) in [("in order", in_order()), ("swapped", swapped), ("stalled", stalled)] {
            let told: Vec<u32> = ranges(&shown, 0.3, &[]).into_iter().map(|(first, _)| first).collect();
            assert_eq!(told, shown, "{name}");
            assert!(ranges(&shown, 0.3, &[]).iter().all(|(first, last)| first == last), "{name}");
        }
    }

    #[test]
    fn errors_as_large_as_motion_tell_no_fault() {
        let mut swapped = in_order();
        swapped.swap(30, 31);
        for error in [10.0, 15.0, 25.0] {
            let ranges = ranges(&swapped, error, &[]);
            assert!(ranges[30].0 <= ranges[31].1, "{error}: {:?}", &ranges[28..34]);
        }
    }

    #[test]
    fn what_a_frame_may_show_holds_what_it_shows() {
        for error in [0.3, 4.0, 8.0, 15.0] {
            for ((first, last), shown) in ranges(&in_order(), error, &[]).into_iter().zip(in_order()) {
                assert!((first..=last).contains(&shown), "{error}: {shown} in {first} to {last}");
            }
        }
    }

    #[test]
    fn a_recorder_that_lags_tells_no_picture_from_the_next() {
        // Frames lie anywhere between their picture and the next, by golden parts.
        let pictures = pictures(80, 10.0);
        let frame = |at: usize| {
            let (own, next) = (&pictures[at + 10], &pictures[at + 11]);
            let weight = (at as f32 * 0.618).fract();
            std::array::from_fn(|feature| own[feature] + weight * (next[feature] - own[feature]))
        };
        let ranges = possible(60, (&pictures, 0.12), &frame, &[]);
        let told = ranges.iter().filter(|(first, last)| first == last).count();
        assert!(told <= 3, "{ranges:?}");
        let holds = |(at, (first, last)): (usize, &(u32, u32))| (*first..=*last).contains(&(at as u32 + 10));
        assert!(ranges.iter().enumerate().all(holds), "{ranges:?}");
    }

    #[test]
    fn sure_calls_narrow_what_is_open() {
        let calls = vec![Some(true); 60];
        let wide = |moves: &[Option<bool>]| -> u32 {
            ranges(&in_order(), 15.0, moves).iter().map(|(first, last)| last - first).sum()
        };
        assert!(wide(&calls) < wide(&[]), "{} {}", wide(&calls), wide(&[]));
    }

    #[test]
    fn the_reach_is_that_of_nine_frames_in_ten_around() {
        // Errors grow with time: ten deviations in the first minute of frames, then a hundred.
        let squares: Vec<f32> = (0..600).map(|at: usize| if at < 300 { 100.0 } else { 10_000.0 }).collect();
        let reaches: Vec<f32> = reaches(&squares).collect();
        assert_eq!(reaches.len(), squares.len());
        assert_eq!((reaches[0], reaches[599]), (10.0, 100.0));
        let single: Vec<f32> = (0..120).map(|at| if at == 60 { 1e6 } else { 4.0 }).collect();
        assert!(super::reaches(&single).all(|reach| reach == 2.0));
    }
}
