//! The way of the capture through the clip: the most likely place of every frame, as a path that mostly goes on,
//! and may stand, skip, return and jump.

use multiversion::multiversion;

use super::proof::{Held, Proof};
use super::{Features, FEATURES};

/// A cell that is off by more than so many deviations counts by its distance and no longer by its square: what
/// covers a part of the picture must not decide.
const SQUARE_UP_TO: f32 = 3.0;

/// Degrees of freedom of the heavy-tailed error (Student's t over all cells) that turns distances into costs.
/// Choice: few, so that errors larger than estimated do not outweigh everything.
const TAIL: f32 = 8.0;

/// Most that one frame can cost more than the most likely place: a single odd frame must not pay for two jumps.
pub(super) const FRAME_COST_MAX: f32 = 30.0;

/// Cost of each picture by which a step differs from the expected one.
const UNEVEN_COST: f32 = 2.0;
/// Such a cost never exceeds this, so that drops stay steps and no jumps.
const UNEVEN_COST_MAX: f32 = 8.0;
/// Cost of going back, besides.
const BACK_COST: f32 = 6.0;
/// Cost of going on anywhere else: more than one odd frame can pay.
pub(super) const JUMP_COST: f32 = 45.0;

/// Cost of standing where a frame surely shows another picture, and of going where it surely shows the same: its confidence
/// is 0.95 or more, once in 20 at most wrong, and the natural logarithm of that is 3; twice as much, because what is sure
/// is wrong far less often (the random bench).
pub(super) const AGAINST_CALL_COST: f32 = 6.0;

/// Pictures that a step may skip, and go back.
const FORWARD_MAX: usize = 24;
const BACK_MAX: usize = 4;

/// Places that are this much less likely than the best are given up.
const GIVEN_UP_FROM: f32 = 90.0;
/// Places from which every step is tried, not only the expected ones.
const TRIED_FROM: f32 = 20.0;
/// Most places kept per frame.
const KEPT_MAX: usize = 96;

/// Mean distance per feature, squared deviations, from which a frame is like nothing around its place.
const LOST_FROM: f32 = 12.0;
/// Frames without a likely place after which the whole clip is looked through; then after twice as many, and so on.
const LOST_FRAMES: usize = 6;
/// Most frames between two such searches.
const LOST_FRAMES_MAX: usize = 64;
/// Most searches through the whole clip.
const SEARCHES_MAX: usize = 400;
/// Places that a search brings.
const FOUND_MAX: usize = 8;
/// Places at which a capture may begin: more, since nothing has led there, and a clip may come again and again.
const BEGINNINGS_MAX: usize = 32;
/// Most pictures compared in a search; of a longer clip every second, third … picture.
const COMPARED_MAX: usize = 27_000;

/// Sums that are added up beside each other: as many as the widest registers hold.
const LANES: usize = 16;

/// What a cell that is off by so much adds to the distance of two pictures (Huber's loss).
#[inline]
fn square(off: f32) -> f32 {
    let off = off.abs();
    let near = off.min(SQUARE_UP_TO);
    near * (2.0 * off - near)
}

/// Distance of two pictures in squared deviations, large differences counted singly.
#[multiversion(targets("x86_64+avx512f+avx512bw+avx512dq+avx512vl+avx2", "x86_64+avx2"))]
pub(super) fn distance(a: &Features, b: &Features) -> f32 {
    let mut sums = [0.0f32; LANES];
    for (a, b) in a.chunks_exact(LANES).zip(b.chunks_exact(LANES)) {
        for lane in 0..LANES {
            sums[lane] += square(a[lane] - b[lane]);
        }
    }
    sums.iter().sum()
}

/// Distance to the mix of two pictures, `own` the heavier part, that is nearest to a frame; infinite where that is `own`
/// alone.
#[multiversion(targets("x86_64+avx512f+avx512bw+avx512dq+avx512vl+avx2", "x86_64+avx2"))]
fn distance_to_mix(frame: &Features, own: &Features, other: &Features) -> f32 {
    let (mut along, mut squares) = ([0.0f32; LANES], [0.0f32; LANES]);
    for at in (0..FEATURES).step_by(LANES) {
        for lane in 0..LANES {
            let step = other[at + lane] - own[at + lane];
            along[lane] += step * (frame[at + lane] - own[at + lane]);
            squares[lane] += step * step;
        }
    }
    let (along, squares): (f32, f32) = (along.iter().sum(), squares.iter().sum());
    if along <= 0.0 || squares <= f32::EPSILON {
        return f32::INFINITY;
    }
    let weight = (along / squares).min(0.5);
    let mut sums = [0.0f32; LANES];
    for at in (0..FEATURES).step_by(LANES) {
        for lane in 0..LANES {
            let own = own[at + lane];
            sums[lane] += square(frame[at + lane] - own - weight * (other[at + lane] - own));
        }
    }
    sums.iter().sum()
}

/// How much a cell counts that is so many deviations off.
#[inline]
fn influence(off: f32) -> f32 {
    (SQUARE_UP_TO / off.abs().max(SQUARE_UP_TO)).min(1.0)
}

/// How far a frame has come from one picture towards another, and the square of the way, cells that are far off the mix of
/// this weight counted less.
#[multiversion(targets("x86_64+avx512f+avx512bw+avx512dq+avx512vl+avx2", "x86_64+avx2"))]
pub(super) fn weighted_step(cells: &Features, (from, to): (&Features, &Features), weight: f32) -> (f32, f32) {
    let (mut along, mut square) = ([0.0f32; LANES], [0.0f32; LANES]);
    for at in (0..FEATURES).step_by(LANES) {
        for lane in 0..LANES {
            let cell = at + lane;
            let (step, gone) = (to[cell] - from[cell], cells[cell] - from[cell]);
            let counts = influence(gone - weight * step) * step;
            along[lane] += counts * gone;
            square[lane] += counts * step;
        }
    }
    (along.iter().sum(), square.iter().sum())
}

/// Square of the way from one picture to another, deviations; large differences count as the others.
pub(super) fn square_distance(a: &Features, b: &Features) -> f32 {
    a.iter().zip(b).map(|(a, b)| (a - b) * (a - b)).sum()
}

/// What errors are like.
#[derive(Clone, Copy, Debug)]
pub(super) struct Errors {
    /// Features that are compared.
    pub features: usize,
    /// How many times larger errors are than the scatter of single features says.
    pub alike: f32,
}

impl Errors {
    /// Distance from which a place costs [`FRAME_COST_MAX`] more than one at `nearest`, whatever its distance.
    fn hopeless(self, nearest: f32) -> f32 {
        let nats = FRAME_COST_MAX * self.alike * self.alike * 2.0 / (TAIL + self.features as f32);
        TAIL * ((1.0 + nearest / TAIL) * nats.exp() - 1.0)
    }

    /// Negative logarithm of the likelihood of a distance.
    fn cost(self, distance: f32) -> f32 {
        (TAIL + self.features as f32) / 2.0 * (1.0 + distance / TAIL).ln() / (self.alike * self.alike)
    }
}

/// One place a path may have at a frame.
#[derive(Clone, Copy)]
struct Place {
    picture: u32,
    /// Position of the place before in the list of the frame before.
    from: u16,
    cost: f32,
}

/// Where the paths go: all frames, all pictures, how many pictures pass per frame.
pub(super) struct Walk<'a> {
    /// Gives each frame, in deviations.
    pub frame: &'a dyn Fn(usize) -> Features,
    pub frames: usize,
    /// The clip as the capture shows it, in deviations.
    pub pictures: &'a [Features],
    pub advance: f64,
    /// Likely places by frame, in order of frames.
    pub anchors: &'a [(usize, Vec<usize>)],
    /// What errors are like.
    pub errors: Errors,
    /// Whether each frame shows another picture than the one before, where that is sure; may be shorter.
    pub moves: &'a [Option<bool>],
    /// Frames that hold samples of the clip: these show nothing else.
    pub proof: &'a Proof,
}

impl Walk<'_> {
    /// The place of every frame on the most likely path.
    pub fn path(&self) -> Vec<u32> {
        if self.frames == 0 || self.pictures.is_empty() {
            return Vec::new();
        }
        let mut trellis = Trellis::new(self);
        let mut anchors = self.anchors.iter().peekable();
        let (mut lost, mut wait, mut searches) = (0, LOST_FRAMES, 0);
        for index in 0..self.frames {
            let frame = (self.frame)(index);
            let mut jumps: Vec<u32> = Vec::new();
            let held = self.proof.of_frame(index);
            match held {
                Some(held) => jumps = held.near(trellis.expected()).to_vec(),
                None if index == 0 => jumps = self.beginnings(&frame),
                None => {}
            }
            while let Some((_, places)) = anchors.next_if(|(at, _)| *at == index) {
                jumps.extend(places.iter().map(|&place| place.min(self.pictures.len() - 1) as u32));
            }
            if lost >= wait && searches < SEARCHES_MAX {
                jumps.extend(self.nearest(&frame, FOUND_MAX));
                searches += 1;
                (lost, wait) = (0, (wait * 2).min(LOST_FRAMES_MAX));
            }
            let nearest = trellis.step(self, (&frame, held), &jumps);
            if nearest > LOST_FROM * self.errors.features as f32 {
                lost += 1;
            } else {
                (lost, wait) = (0, LOST_FRAMES);
            }
        }
        trellis.traced()
    }

    /// Distance of a frame to a picture that is `alone` away, or to the nearest of the mixes with a neighbour of which it is the
    /// heavier part: a frame that is a mix may look more like a picture far off than like either of its own.
    fn with_mixes(&self, frame: &Features, picture: usize, alone: f32) -> f32 {
        let neighbours = [picture.checked_sub(1), Some(picture + 1)].into_iter().flatten();
        neighbours
            .filter_map(|neighbour| self.pictures.get(neighbour))
            .map(|other| distance_to_mix(frame, &self.pictures[picture], other))
            .fold(alone, f32::min)
    }

    /// How near the mixes of each picture with a neighbour can be to a frame at most, in deviations less than the picture
    /// itself: half the way to the farther neighbour. The root of Huber's loss grows by no more than what a cell moves by.
    fn nearer_by_mixes(&self) -> Vec<f32> {
        let ways: Vec<f32> =
            self.pictures.windows(2).map(|pair| square_distance(&pair[0], &pair[1]).sqrt()).collect();
        let at = |picture: usize| ways.get(picture).copied().unwrap_or(0.0);
        (0..self.pictures.len())
            .map(|picture| picture.checked_sub(1).map_or(0.0, at).max(at(picture)) / 2.0)
            .collect()
    }

    /// Where a capture may begin: where it looks alike, and where the anchors lead back to.
    fn beginnings(&self, frame: &Features) -> Vec<u32> {
        let mut places = self.nearest(frame, BEGINNINGS_MAX);
        for (at, anchored) in self.anchors {
            for &place in anchored {
                let back = place as f64 - self.advance * *at as f64;
                if back >= 0.0 && back < self.pictures.len() as f64 {
                    places.push(back as u32);
                }
            }
        }
        places
    }

    /// Places in the whole clip that are most like a frame, `most` at most, each more like it than those around.
    fn nearest(&self, frame: &Features, most: usize) -> Vec<u32> {
        let every = self.pictures.len().div_ceil(COMPARED_MAX).max(1);
        let distances: Vec<f32> =
            self.pictures.iter().step_by(every).map(|picture| distance(frame, picture)).collect();
        let is_least = |&at: &usize| {
            let own = distances[at];
            let before = at.checked_sub(1).is_none_or(|before| own.total_cmp(&distances[before]).is_lt());
            before && distances.get(at + 1).is_none_or(|after| own.total_cmp(after).is_le())
        };
        let mut places: Vec<usize> = (0..distances.len()).filter(is_least).collect();
        places.sort_by(|&a, &b| distances[a].total_cmp(&distances[b]));
        places.truncate(most);
        let around = |at: usize| {
            let off = |place: usize| distance(frame, &self.pictures[place]);
            let first = (at * every).saturating_sub(every - 1);
            (first..(at * every + every).min(self.pictures.len()))
                .map(|place| (off(place), place as u32))
                .min_by(|a, b| a.0.total_cmp(&b.0))
                .map(|(_, place)| place)
        };
        places.into_iter().filter_map(around).collect()
    }
}

/// The places of all frames so far.
struct Trellis {
    /// Cost of each step that can be tried, from [`BACK_MAX`] pictures back on.
    steps: Vec<f32>,
    places: Vec<Place>,
    /// Where the list of each frame begins.
    starts: Vec<usize>,
    /// Scratch by picture: the frame it was last reached at, and how.
    reached: Vec<(u32, u16, f32)>,
    touched: Vec<u32>,
    /// See [`Walk::nearer_by_mixes`].
    nearer_by_mixes: Vec<f32>,
}

impl Trellis {
    fn new(walk: &Walk<'_>) -> Self {
        let (pictures, advance) = (walk.pictures.len(), walk.advance);
        let forward = FORWARD_MAX.max((advance as usize).saturating_add(1)).min(pictures);
        let steps = (0..=BACK_MAX + forward).map(|at| step_cost(at as f64 - BACK_MAX as f64, advance));
        Self {
            steps: steps.collect(),
            places: Vec::new(),
            starts: Vec::new(),
            reached: vec![(u32::MAX, 0, 0.0); pictures],
            touched: Vec::new(),
            nearer_by_mixes: walk.nearer_by_mixes(),
        }
    }

    /// Goes on to the next frame; gives the least distance met.
    fn step(&mut self, walk: &Walk<'_>, (frame, held): (&Features, Option<Held<'_>>), jumps: &[u32]) -> f32 {
        let index = self.starts.len() as u32;
        let before = self.starts.last().copied().unwrap_or(0)..self.places.len();
        self.touched.clear();
        let best = before.clone().min_by(|&a, &b| self.places[a].cost.total_cmp(&self.places[b].cost));
        let base = best.map_or(0.0, |best| self.places[best].cost);
        let called = walk.moves.get(index as usize).copied().flatten();
        for at in before.clone() {
            let Place { picture, cost, .. } = self.places[at];
            let from = (at - before.start) as u16;
            let (back, forward) = if cost - base <= TRIED_FROM {
                (BACK_MAX, FORWARD_MAX)
            } else {
                (0, (walk.advance as usize).saturating_add(1))
            };
            let first = (picture as usize).saturating_sub(back);
            let last = (picture as usize).saturating_add(forward).min(walk.pictures.len() - 1);
            for next in first..=last {
                let step = self.steps[next + BACK_MAX - picture as usize];
                let against = called.is_some_and(|moves| moves != (next != picture as usize));
                let step = step + if against { AGAINST_CALL_COST } else { 0.0 };
                self.reach(index, next as u32, (from, cost - base + step));
            }
        }
        let from = best.map_or(0, |best| (best - before.start) as u16);
        let jump = if before.is_empty() { 0.0 } else { JUMP_COST };
        for &next in jumps {
            self.reach(index, next, (from, jump));
        }
        if let Some(held) = held {
            self.touched.retain(|&picture| held.by(picture as usize));
        }
        self.keep(walk, (frame, held))
    }

    /// The most likely picture of the last frame.
    fn expected(&self) -> u32 {
        let last = &self.places[self.starts.last().copied().unwrap_or(0)..];
        last.iter().min_by(|a, b| a.cost.total_cmp(&b.cost)).map_or(0, |place| place.picture)
    }

    fn reach(&mut self, index: u32, picture: u32, (from, cost): (u16, f32)) {
        let reached = &mut self.reached[picture as usize];
        if reached.0 != index {
            *reached = (index, from, cost);
            self.touched.push(picture);
        } else if cost < reached.2 {
            *reached = (index, from, cost);
        }
    }

    /// Adds what the frame says to the places reached, and keeps the likely ones.
    fn keep(&mut self, walk: &Walk<'_>, (frame, held): (&Features, Option<Held<'_>>)) -> f32 {
        let start = self.places.len();
        self.touched.sort_unstable();
        for &picture in &self.touched {
            let (_, from, before) = self.reached[picture as usize];
            self.places.push(Place { picture, from, cost: before });
            self.reached[picture as usize].2 =
                if held.is_some() { 0.0 } else { distance(frame, &walk.pictures[picture as usize]) };
        }
        let reached = self.touched.iter().map(|&picture| self.reached[picture as usize].2);
        let mut nearest = reached.fold(f32::INFINITY, f32::min);
        // What no mix brings near enough costs the same with it and without.
        let hopeless = walk.errors.hopeless(nearest).sqrt();
        for &picture in self.touched.iter().filter(|_| held.is_none()) {
            let picture = picture as usize;
            let reached = &mut self.reached[picture].2;
            if reached.sqrt() - self.nearer_by_mixes[picture] < hopeless {
                *reached = walk.with_mixes(frame, picture, *reached);
                nearest = nearest.min(*reached);
            }
        }
        let least = walk.errors.cost(nearest);
        let mut best = f32::INFINITY;
        for place in &mut self.places[start..] {
            place.cost +=
                (walk.errors.cost(self.reached[place.picture as usize].2) - least).min(FRAME_COST_MAX);
            best = best.min(place.cost);
        }
        let mut limit = best + GIVEN_UP_FROM;
        let count = self.places[start..].iter().filter(|place| place.cost <= limit).count();
        if count > KEPT_MAX {
            let mut costs: Vec<f32> = self.places[start..].iter().map(|place| place.cost).collect();
            limit = *costs.select_nth_unstable_by(KEPT_MAX - 1, f32::total_cmp).1;
        }
        let mut kept = start;
        for at in start..self.places.len() {
            if self.places[at].cost <= limit && kept - start < KEPT_MAX {
                self.places[kept] = self.places[at];
                kept += 1;
            }
        }
        self.places.truncate(kept);
        self.starts.push(start);
        nearest
    }

    /// The best path, from its end back to its beginning.
    fn traced(&self) -> Vec<u32> {
        let frames = self.starts.len();
        let mut path = vec![0; frames];
        let last = self.starts[frames - 1]..self.places.len();
        let mut at = last
            .min_by(|&a, &b| self.places[a].cost.total_cmp(&self.places[b].cost))
            .expect("every frame has a place");
        for frame in (0..frames).rev() {
            path[frame] = self.places[at].picture;
            if frame > 0 {
                at = self.starts[frame - 1] + usize::from(self.places[at].from);
            }
        }
        path
    }
}

/// Cost of a step of so many pictures where `advance` are expected.
pub(super) fn step_cost(step: f64, advance: f64) -> f32 {
    // Where a picture passes every two or three frames, standing and going on are both expected.
    let (low, high) = (advance.floor(), advance.ceil());
    let off = if step < low { low - step } else { (step - high).max(0.0) };
    let uneven = (off as f32 * UNEVEN_COST).min(UNEVEN_COST_MAX) + (step - advance).abs() as f32 * 0.01;
    if step < 0.0 {
        uneven + BACK_COST
    } else {
        uneven
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Pictures that all differ, neighbours least.
    fn pictures(count: usize) -> Vec<Features> {
        (0..count)
            .map(|picture| {
                std::array::from_fn(|cell| {
                    let phase = cell as f32 * 0.7 + picture as f32 * (0.05 + 0.003 * cell as f32);
                    40.0 * phase.sin()
                })
            })
            .collect()
    }

    fn walked(shown: &[usize], pictures: &[Features], advance: f64) -> Vec<u32> {
        let frame = |index: usize| pictures[shown[index]];
        Walk {
            frame: &frame,
            frames: shown.len(),
            pictures,
            advance,
            anchors: &[],
            errors: Errors { features: FEATURES, alike: 1.0 },
            moves: &[],
            proof: &Proof::default(),
        }
        .path()
    }

    #[test]
    fn paths_stand_skip_return_and_jump() {
        let pictures = pictures(900);
        for (name, shown) in [
            ("one to one", (5..200).collect::<Vec<_>>()),
            ("every second twice", (0..200).map(|frame| 40 + frame / 2 * 2).collect()),
            ("a freeze with loss", (0..50).chain([49; 12]).chain(62..120).collect()),
            ("a return", (0..40).chain(38..90).collect()),
            ("a jump ahead", (0..60).chain(500..600).collect()),
            ("from the end to the beginning", (820..900).chain(0..60).collect()),
            ("a single odd frame", (0..50).chain([700]).chain(51..90).collect()),
        ] {
            let path = walked(&shown, &pictures, 1.0);
            let wrong: Vec<usize> = (0..shown.len()).filter(|&at| path[at] as usize != shown[at]).collect();
            // A jump is taken once it is sure; where one frame alone is elsewhere the path goes on.
            let odd = usize::from(name == "a single odd frame");
            let late =
                if name.contains("jump") || name.contains("beginning") { LOST_FRAMES + 1 } else { odd };
            assert!(wrong.len() <= late, "{name}: {wrong:?}");
        }
    }

    #[test]
    fn mixes_are_no_nearer_than_half_the_way_to_the_neighbour() {
        let pictures = pictures(60);
        let walk = Walk {
            frame: &|index| pictures[index],
            frames: 0,
            pictures: &pictures,
            advance: 1.0,
            anchors: &[],
            errors: Errors { features: FEATURES, alike: 1.0 },
            moves: &[],
            proof: &Proof::default(),
        };
        let nearer = walk.nearer_by_mixes();
        for frame in &pictures {
            for (picture, own) in pictures.iter().enumerate() {
                let alone = distance(frame, own);
                let mixed = walk.with_mixes(frame, picture, alone);
                assert!(
                    mixed.sqrt() >= alone.sqrt() - nearer[picture] - 1e-3,
                    "{picture}: {mixed} of {alone}"
                );
            }
        }
    }

    #[test]
    fn what_is_hopeless_costs_as_much_as_a_frame_can() {
        for (nearest, alike) in [(0.0, 1.0), (90.0, 1.0), (90.0, 2.0), (2000.0, 2.0)] {
            let errors = Errors { features: 96, alike };
            let more = errors.cost(errors.hopeless(nearest)) - errors.cost(nearest);
            assert!((more - FRAME_COST_MAX).abs() < 0.01, "{nearest} {alike}: {more}");
        }
    }

    #[test]
    fn film_on_a_faster_signal_is_followed() {
        let pictures = pictures(300);
        let shown: Vec<usize> = (0..500).map(|frame| 20 + frame * 2 / 5).collect();
        assert_eq!(walked(&shown, &pictures, 0.4), shown.iter().map(|&p| p as u32).collect::<Vec<_>>());
    }
}
