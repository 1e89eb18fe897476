//! From a path to what each frame shows: one picture, a mix of two, one of several that look alike, or nothing of
//! the clip.

use super::conversion::{Conversion, Lying};
use super::fit::{median, Model, DEVIATIONS_PER_MAD};
use super::path::{distance, square_distance, weighted_step};
use super::possible::{reaches, Possible, Row};
use super::proof::{Held, Proof};
use super::{Features, SignatureSequence, SourcePlace, CELLS};
use crate::fingerprint::FIXED_POINT;

/// Pictures on each side of the path that are compared.
const AROUND: usize = 2;

/// Two pictures are told apart where they lie this many standard errors from each other: two on each side of the
/// middle, wrong once in 44 for normal errors; the path around adds to that.
const APART: f32 = 4.0;

/// Pictures on each side that are looked at one by one; longer ranges are those of a still clip.
const RANGE_LOOKED_AT: usize = 8;

/// A weight is not zero where it is this many standard errors from it.
const WEIGHT_ERRORS: f32 = 5.0;
/// Weights nearer to 0 or 1 than this are the picture itself, in a recording that is exact but for rounding: a device that
/// mixes slow motion in whole code values rounds small weights away, 1/5 down to 1/10 (by trials on a slow zoom).
const WEIGHT_MIN: f32 = 0.07;
/// The same where the device does not mix all the time. Choice.
const LONE_WEIGHT_MIN: f32 = 0.3;
/// Weights that a device which mixes has would show from here on: the smallest weight of the usual rate pairs is 1/6 (50 on 60).
const SHOWN_WEIGHT_MIN: f32 = 0.14;

/// Frames looked at for whether the device mixes.
const MIXING_FRAMES_MAX: usize = 2000;
/// Largest standard error of a weight that says anything about it.
const MIXING_ERROR_MAX: f32 = 0.2;
/// Mean square of weights, in standard errors, from which a device mixes: 1 or less for pictures, since only their
/// distance from the nearer end counts.
const MIXING_FROM: f32 = 2.5;
/// Usual size of what is expected of a picture, from which mixes do not stand out. Choice: half the root mean square of
/// the weights of a steady rate conversion, which is 0.29.
const MIXING_HIDDEN_FROM: f32 = 0.145;
/// Most that one frame adds to it.
const MIXING_SQUARE_MAX: f32 = 16.0;

/// A frame lies between pictures where the nearest one is this many reaches of the errors off: of frames that show a picture
/// one in a hundred is.
const BETWEEN_REACHES: f32 = 1.5;

/// Frames of a device that mixes lie no farther from its course than this, pictures, where their errors are smaller.
const COURSE_WITHIN: f32 = 0.35;
/// Weights by the course nearer to 0 or 1 than this are the picture itself: half the smallest weight of the usual rate
/// pairs, 1/6.
const COURSE_WEIGHT_MIN: f32 = 0.08;

/// Pictures differ by their levels where these explain at least this share of the square difference. Choice.
const FADING_SHARE: f32 = 0.9;
/// Directions of motion along which errors are measured, and frames at which.
const ALIKE_DIRECTIONS: usize = 24;
const ALIKE_FRAMES: usize = 200;
/// A weight this many standard errors from zero or less may be that of the picture itself.
const WEIGHT_ZERO_ERRORS: f32 = 2.0;

/// A frame shows nothing of the clip where its typical cell is this many deviations off …
const UNKNOWN_DEVIATIONS: f32 = 6.0;
/// … and this many code values …
const UNKNOWN_CODE_VALUES: f32 = 1.5;
/// … and this share of the spread of the frame's own cells.
const UNKNOWN_SHARE: f32 = 0.2;

/// An offset of the whole frame (a recorder's own brightness pulse) from which it is taken off, deviations.
const PULSE_DEVIATIONS: f32 = 4.0;

/// An offset of the whole frame that no picture explains is taken off where it is this many standard errors of a median
/// (1.25 deviations over the root of the number of cells): devices that mix round up.
const OFFSET_ERRORS: f32 = 4.0;
const MEDIAN_ERROR: f32 = 1.25;

/// Two neighbours are woven, each in its own lines, where the fields of the frame differ by at least this share of what
/// they do: below the middle between a mix, whose fields are alike, and a weave, because a coarse recording takes more of a
/// comb away than it adds to a mix. By trials at x264 28.
const WOVEN_SHARE: f32 = 0.3;

/// Decimals of weights: what is written is what is computed with.
const WEIGHT_STEPS: f32 = 1000.0;

/// A frame fitted to one picture or to a mix with the next.
#[derive(Clone, Copy, Debug)]
pub(super) struct Fitted {
    /// The picture it shows if it shows one.
    pub nearest: usize,
    /// The picture that is most like it, which the frames around may speak against.
    pub rival: usize,
    pub first: usize,
    /// Weight of the picture after `first`.
    pub weight: f32,
    /// Standard error of the weight; infinite where the pictures are the same.
    pub weight_error: f32,
    /// Squared deviations that are left.
    pub distance: f32,
}

/// Whether a device mixes pictures.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Mixing {
    /// As a way of converting rates.
    Often,
    /// Not at all, or now and then.
    Rarely,
    /// That cannot be told: neighbours differ by too little against the errors.
    Hidden,
}

/// Everything that places are told from.
pub(super) struct Placing<'a> {
    pub model: &'a Model,
    pub capture: &'a SignatureSequence<'a>,
    /// The clip as the capture shows it, in deviations.
    pub pictures: &'a [Features],
    /// Whether each picture repeats the one before by the clip itself.
    own_repeats: &'a [bool],
    runs: Vec<u32>,
    /// How much larger errors are than the scatter says.
    alike: f32,
    /// Pictures of the clip per frame.
    advance: f64,
}

/// What is known of the capture as a whole.
enum Whole {
    /// It is exact but for rounding.
    Exact(Mixing),
    /// It has errors: what each frame may show, and whether the frames are those of a steady conversion.
    WithErrors(Vec<Possible>, Conversion),
}

impl<'a> Placing<'a> {
    /// For places along `pictures`, which are the clip under `model`.
    pub fn new(
        model: &'a Model,
        (capture, clip): (&'a SignatureSequence<'a>, &'a SignatureSequence<'a>),
        pictures: &'a [Features],
    ) -> Self {
        let alike = model.alike_in(capture);
        let (own_repeats, runs) = (clip.same_as_before, runs(clip, pictures, alike));
        let advance = clip.rate_hz / capture.rate_hz;
        Self { model, capture, pictures, own_repeats, runs, alike, advance }
    }

    /// One place per frame.
    pub fn places(mut self, path: &[u32], proof: &Proof) -> Vec<SourcePlace> {
        self.alike = self.alike.max(self.measured_alike(path));
        let fitted = self.all_fitted(path);
        let whole = self.whole(path, &fitted, proof);
        let mut places: Vec<SourcePlace> = Vec::with_capacity(path.len());
        for (frame, &picture) in path.iter().enumerate() {
            let again = frame > 0 && self.capture.same_as_before.get(frame) == Some(&true);
            let place = match proof.of_frame(frame) {
                _ if again => places[frame - 1],
                Some(held) => self.proven(held, picture),
                None => match &fitted[frame] {
                    None => SourcePlace::Unknown,
                    Some(fitted) => self.place((frame, picture as usize), fitted, &whole),
                },
            };
            places.push(place);
        }
        places
    }

    /// How many times larger what is left of frames is along motion than in single cells: measured along motion of other
    /// times, in which what a device mixes has no part. 1 where cells err each by itself.
    fn measured_alike(&self, path: &[u32]) -> f32 {
        if self.alike <= 1.0 || self.pictures.len() < 2 {
            return self.alike;
        }
        let step = |first: usize| -> Features {
            std::array::from_fn(|cell| self.pictures[first + 1][cell] - self.pictures[first][cell])
        };
        let length =
            |one: &Features, other: &Features| -> f32 { one.iter().zip(other).map(|(a, b)| a * b).sum() };
        let last = self.pictures.len() - 1;
        let directions: Vec<Features> =
            (0..last).step_by(last.div_ceil(ALIKE_DIRECTIONS)).map(step).collect();
        let mut along: Vec<f32> = Vec::new();
        for frame in (0..path.len()).step_by(path.len().div_ceil(ALIKE_FRAMES).max(1)) {
            let cells = self.frame(frame, path[frame] as usize);
            let fitted = self.fitted_to(&cells, path[frame] as usize);
            let own = step(fitted.first.min(last - 1));
            let from = &self.pictures[fitted.first];
            let left: Features =
                std::array::from_fn(|cell| cells[cell] - from[cell] - fitted.weight * own[cell]);
            let error = (fitted.distance / self.model.features_used.max(1) as f32).sqrt();
            for other in &directions {
                let part = length(other, &own) / length(&own, &own).max(f32::MIN_POSITIVE);
                let apart: Features = std::array::from_fn(|cell| other[cell] - part * own[cell]);
                let size = length(&apart, &apart).sqrt();
                if size > f32::EPSILON && error > 0.0 {
                    along.push((length(&left, &apart) / size / error).abs());
                }
            }
        }
        DEVIATIONS_PER_MAD * median(&mut along)
    }

    /// A picture whose samples a frame holds, with those around that have the same or repeat it by the clip itself.
    fn proven(&self, held: Held<'_>, picture: u32) -> SourcePlace {
        let repeats = |at: u32| held.by(at as usize) || self.own_repeats.get(at as usize) == Some(&true);
        let end = self.pictures.len() as u32;
        let last = (picture + 1..end).take_while(|&at| repeats(at)).last().unwrap_or(picture);
        let own = |at: u32| held.by(at as usize - 1) || self.own_repeats.get(at as usize) == Some(&true);
        let first = (1..=picture).rev().take_while(|&at| own(at)).last().map_or(picture, |at| at - 1);
        if first == last {
            SourcePlace::Picture(picture)
        } else {
            SourcePlace::Ambiguous { first, last }
        }
    }

    /// What fits each frame best; `None` where it shows nothing of the clip.
    fn all_fitted(&self, path: &[u32]) -> Vec<Option<Fitted>> {
        path.iter()
            .enumerate()
            .map(|(frame, &picture)| {
                let cells = self.frame(frame, picture as usize);
                (!self.is_unknown(&cells, picture as usize)).then(|| self.fitted_to(&cells, picture as usize))
            })
            .collect()
    }

    fn whole(&self, path: &[u32], fitted: &[Option<Fitted>], proof: &Proof) -> Whole {
        if self.alike <= 1.0 {
            return Whole::Exact(self.mixing(fitted));
        }
        let possible = self.possible(path, proof);
        let conversion = self.conversion(fitted, &possible);
        Whole::WithErrors(possible, conversion)
    }

    /// What the frames of a recording with errors say about a steady conversion.
    fn conversion(&self, fitted: &[Option<Fitted>], possible: &[Possible]) -> Conversion {
        let left: Vec<f32> = fitted.iter().map(|one| one.map_or(f32::INFINITY, |one| one.distance)).collect();
        let lies = |((fitted, possible), reach): ((&Option<Fitted>, &Possible), f32)| {
            let fitted = fitted.filter(|one| one.weight_error <= MIXING_ERROR_MAX && !self.is_fading(one))?;
            Some(Lying {
                place: fitted.first as f64 + f64::from(fitted.weight),
                is_between: possible.alone > (BETWEEN_REACHES * reach).powi(2),
            })
        };
        let frames = fitted.iter().zip(possible).zip(reaches(&left));
        Conversion::new(&frames.map(lies).collect::<Vec<_>>(), self.advance)
    }

    /// Whether the device mixes pictures, in a recording without errors: by the weights of frames all over the capture, which of
    /// pictures scatter around zero as their errors say.
    fn mixing(&self, fitted: &[Option<Fitted>]) -> Mixing {
        let every = (fitted.len() / MIXING_FRAMES_MAX).max(1);
        let (mut sum, mut count, mut looked_at, mut usual) = (0.0, 0, 0, 0.0);
        for fitted in fitted.iter().step_by(every).flatten() {
            looked_at += usize::from(fitted.weight_error.is_finite());
            if fitted.weight_error <= MIXING_ERROR_MAX {
                let from_zero = fitted.weight.min(1.0 - fitted.weight);
                let expected = fitted.weight_error.max(WEIGHT_MIN);
                sum += (from_zero / expected).powi(2).min(MIXING_SQUARE_MAX);
                usual += expected;
                count += 1;
            }
        }
        let hidden = 2 * count < looked_at || usual > MIXING_HIDDEN_FROM * count as f32;
        if self.capture.mixes || count > 0 && sum / count as f32 >= MIXING_FROM {
            Mixing::Often
        } else if hidden {
            Mixing::Hidden
        } else {
            Mixing::Rarely
        }
    }

    /// Whether the pictures on both sides of a frame differ by their levels: in a lossy recording, which errs in the
    /// brightness of whole pictures, they and their mixes cannot be told from each other by it.
    fn is_fading(&self, fitted: &Fitted) -> bool {
        let alike = |runs: &[u32]| runs[0] == runs[1];
        if self.runs[fitted.first..].get(..2).is_none_or(alike) {
            return false;
        }
        let (from, to) = (&self.pictures[fitted.first], &self.pictures[fitted.first + 1]);
        let used = self.model.sigma.iter().enumerate().filter(|(_, sigma)| sigma.is_finite());
        let mut sums = [0.0f32; 6];
        for (cell, sigma) in used {
            let (value, step) = (from[cell] * sigma, (to[cell] - from[cell]) * sigma);
            for (sum, of) in sums.iter_mut().zip([1.0, value, step, value * value, value * step, step * step])
            {
                *sum += of;
            }
        }
        let [count, value, step, value_square, along, step_square] = sums;
        let spread = value_square - value * value / count;
        let together = along - value * step / count;
        let by_levels = step * step / count + together * together / spread.max(f32::MIN_POSITIVE);
        by_levels >= FADING_SHARE * step_square
    }

    /// What each frame may show in a recording with errors.
    fn possible(&self, path: &[u32], proof: &Proof) -> Vec<Possible> {
        let frame = |index: usize| self.model.frame(self.capture, index);
        let rounding = self.model.rounding * (self.model.features_used as f32).sqrt();
        let (moves, again) = (self.capture.moves, self.capture.same_as_before);
        Row {
            frame: &frame,
            pictures: self.pictures,
            path,
            advance: self.advance,
            moves,
            again,
            proof,
            rounding,
            alike_share: self.alike / (self.model.features_used.max(1) as f32).sqrt(),
        }
        .possible()
    }

    fn place(&self, (frame, picture): (usize, usize), fitted: &Fitted, whole: &Whole) -> SourcePlace {
        match whole {
            Whole::Exact(mixing) => self.exact_place((frame, picture), fitted, *mixing),
            Whole::WithErrors(possible, conversion) => self
                .by_conversion(frame, fitted, conversion)
                .unwrap_or_else(|| self.of_range(possible[frame].range)),
        }
    }

    /// What a frame shows in a recording that is exact but for rounding.
    fn exact_place(&self, (frame, picture): (usize, usize), fitted: &Fitted, mixing: Mixing) -> SourcePlace {
        let cells = self.frame(frame, picture);
        let weight = rounded(fitted.weight);
        let least = if mixing == Mixing::Often { WEIGHT_MIN } else { LONE_WEIGHT_MIN };
        let margin = (WEIGHT_ERRORS * fitted.weight_error).max(least);
        if weight > margin && weight < 1.0 - margin {
            return self.mix(frame, fitted.first, weight);
        }
        let place = with(self.picture_or_range(&cells, fitted.nearest), fitted.rival as u32);
        let from_zero = weight.min(1.0 - weight);
        let sure = from_zero <= least && (mixing != Mixing::Often || self.is_alone(from_zero, fitted));
        let is_range = matches!(place, SourcePlace::Ambiguous { .. });
        if fitted.weight_error.is_infinite() || sure && !(is_range && mixing != Mixing::Rarely) {
            return place;
        }
        // A picture or a mix: which one cannot be told.
        self.with_mixes(place, fitted)
    }

    /// What a frame of a device that mixes shows by the course of the frames around, which errs less than one frame.
    fn by_conversion(&self, frame: usize, fitted: &Fitted, conversion: &Conversion) -> Option<SourcePlace> {
        if fitted.weight_error.is_infinite() {
            return None;
        }
        let measured = fitted.first as f64 + f64::from(fitted.weight);
        let place = conversion.place_near(frame, measured)?.clamp(0.0, (self.pictures.len() - 1) as f64);
        let within = (WEIGHT_ZERO_ERRORS * fitted.weight_error).max(COURSE_WITHIN);
        if (measured - place).abs() > f64::from(within) {
            return None;
        }
        let weight = rounded((place - place.floor()) as f32);
        if weight.min(1.0 - weight) < COURSE_WEIGHT_MIN {
            return Some(SourcePlace::Picture(place.round() as u32));
        }
        Some(self.mix(frame, place.floor() as usize, weight))
    }

    /// The mix of a picture with the next, or both woven.
    fn mix(&self, frame: usize, first: usize, weight: f32) -> SourcePlace {
        let (first, second) = (first as u32, first as u32 + 1);
        if self.is_woven(frame, first as usize) {
            SourcePlace::Woven { first, second }
        } else {
            SourcePlace::Mix { first, second, weight }
        }
    }

    /// Whether a weight so near to zero is that of a picture although the device mixes: small weights would show, and even less
    /// than the smallest one is too much.
    fn is_alone(&self, from_zero: f32, fitted: &Fitted) -> bool {
        let tells = WEIGHT_ZERO_ERRORS * fitted.weight_error <= SHOWN_WEIGHT_MIN;
        tells && from_zero <= WEIGHT_ERRORS * fitted.weight_error
    }

    /// A picture or range, and the pictures of every mix that a frame may be.
    fn with_mixes(&self, place: SourcePlace, fitted: &Fitted) -> SourcePlace {
        let around = (WEIGHT_ZERO_ERRORS * fitted.weight_error).min(AROUND as f32);
        let SourcePlace::Ambiguous { first, last } = self.around(fitted, around) else { return place };
        with(with(place, first), last)
    }

    /// The pictures that lie so many pictures around what was fitted to a frame, those it lies between at least.
    fn around(&self, fitted: &Fitted, pictures: f32) -> SourcePlace {
        let last = self.pictures.len() - 1;
        let middle = fitted.first as f32 + fitted.weight;
        let low = (middle - pictures).floor().max(0.0) as usize;
        let high = ((middle + pictures).ceil() as usize).min(last);
        let (low, high) = (low.min(fitted.first), high.max((fitted.first + 1).min(last)));
        SourcePlace::Ambiguous { first: low as u32, last: high as u32 }
    }

    /// Whether a frame that lies between the picture `first` and the next has each of them in its own lines.
    fn is_woven(&self, frame: usize, first: usize) -> bool {
        let Some(difference) = self.capture.differences.get(frame) else { return false };
        let (from, to) = (&self.pictures[first], &self.pictures[first + 1]);
        let (mut along, mut square) = (0.0, 0.0);
        for (cell, sigma) in self.model.sigma.iter().enumerate() {
            let expected = (to[cell] - from[cell]) / 2.0;
            along += f32::from(difference[cell]) / FIXED_POINT / sigma * expected;
            square += expected * expected;
        }
        along.abs() >= WOVEN_SHARE * square
    }

    /// A frame in deviations, a common offset against `picture` taken off where it is no error of single cells.
    fn frame(&self, frame: usize, picture: usize) -> Features {
        let cells = self.model.frame(self.capture, frame);
        let offset = self.common_offset(&cells, |cell| self.pictures[picture][cell]);
        if offset.abs() > PULSE_DEVIATIONS * self.model.typical_sigma() {
            self.model.levelled(cells, offset)
        } else {
            cells
        }
    }

    /// By how much a frame is brighter all over than what is `expected` in each cell, code values.
    fn common_offset(&self, cells: &Features, expected: impl Fn(usize) -> f32) -> f32 {
        let sigma = &self.model.sigma;
        let off = |cell: usize| (cells[cell] - expected(cell)) * sigma[cell];
        median(&mut (0..CELLS).filter(|&cell| sigma[cell].is_finite()).map(off).collect::<Vec<_>>())
    }

    fn is_unknown(&self, cells: &Features, picture: usize) -> bool {
        let sigma = &self.model.sigma;
        let used = || (0..CELLS).filter(|&cell| sigma[cell].is_finite());
        let off = |cell: usize| (cells[cell] - self.pictures[picture][cell]).abs();
        let mut deviations: Vec<f32> = used().map(off).collect();
        let mut values: Vec<f32> = used().map(|cell| off(cell) * sigma[cell]).collect();
        let own: Vec<f32> = used().map(|cell| cells[cell] * sigma[cell]).collect();
        let mean = own.iter().sum::<f32>() / own.len().max(1) as f32;
        let spread =
            (own.iter().map(|value| (value - mean).powi(2)).sum::<f32>() / own.len().max(1) as f32).sqrt();
        let value = median(&mut values);
        median(&mut deviations) > UNKNOWN_DEVIATIONS
            && value > UNKNOWN_CODE_VALUES
            && value > UNKNOWN_SHARE * spread
    }

    /// The mix of neighbours around `picture` that a frame fits best.
    pub fn fitted(&self, frame: usize, picture: usize) -> Fitted {
        self.fitted_to(&self.frame(frame, picture), picture)
    }

    fn fitted_to(&self, cells: &Features, picture: usize) -> Fitted {
        let last = self.pictures.len() - 1;
        let around = picture.saturating_sub(AROUND)..=(picture + AROUND).min(last);
        let off = |place: usize| distance(cells, &self.pictures[place]);
        let rival = around.min_by(|&a, &b| off(a).total_cmp(&off(b))).unwrap_or(picture);
        // The path knows the frames around: what is hardly nearer than it stays with it.
        let clearly = (APART * self.error_of(off(rival))).powi(2);
        let nearest = if off(picture) - off(rival) > clearly { rival } else { picture };
        let fitted = self.best_around(cells, (nearest, rival));
        // What the whole frame is brighter than any picture or mix is no part of the picture.
        let Some(offset) = self.offset(cells, &fitted) else { return fitted };
        let again = self.best_around(&self.model.levelled(*cells, offset), (nearest, rival));
        if again.distance < fitted.distance {
            again
        } else {
            fitted
        }
    }

    /// By how much a frame is brighter all over than what was fitted to it, code values, where that is more than error.
    fn offset(&self, cells: &Features, fitted: &Fitted) -> Option<f32> {
        let (from, to) = (&self.pictures[fitted.first], self.pictures.get(fitted.first + 1));
        let to = to.unwrap_or(from);
        let offset = self.common_offset(cells, |cell| from[cell] + fitted.weight * (to[cell] - from[cell]));
        let used = self.model.sigma.iter().filter(|sigma| sigma.is_finite()).count();
        let error = MEDIAN_ERROR * self.model.typical_sigma() / (used.max(1) as f32).sqrt();
        (offset.abs() > OFFSET_ERRORS * error).then_some(offset)
    }

    /// The picture `nearest`, or the mix with a neighbour that fits better.
    fn best_around(&self, cells: &Features, (nearest, rival): (usize, usize)) -> Fitted {
        let last = self.pictures.len() - 1;
        let alone = Fitted {
            nearest,
            rival,
            first: nearest,
            weight: 0.0,
            weight_error: f32::INFINITY,
            distance: distance(cells, &self.pictures[nearest]),
        };
        [nearest.checked_sub(1), Some(nearest)]
            .into_iter()
            .flatten()
            .filter(|&first| first < last)
            .map(|first| Fitted { nearest, rival, ..self.between(cells, first) })
            .fold(alone, |best, mix| if mix.distance < best.distance { mix } else { best })
    }

    /// The weight of the picture after `first` that fits best, cells that are far off counted less.
    fn between(&self, cells: &Features, first: usize) -> Fitted {
        let (from, to) = (&self.pictures[first], &self.pictures[first + 1]);
        let mut weight = 0.5;
        let mut length = 0.0;
        // Reweighting settles within a few rounds; the first goes by the middle.
        for _ in 0..4 {
            let (along, square) = weighted_step(cells, (from, to), weight);
            length = square;
            weight = if square > f32::EPSILON { (along / square).clamp(0.0, 1.0) } else { 0.0 };
        }
        let mixed: Features = std::array::from_fn(|cell| from[cell] + weight * (to[cell] - from[cell]));
        let distance = distance(cells, &mixed);
        let weight_error =
            if length > f32::EPSILON { self.error_of(distance) / length.sqrt() } else { f32::INFINITY };
        Fitted { nearest: first, rival: first, first, weight, weight_error, distance }
    }

    /// Standard error along one direction, deviations, where so much distance is left: what the frame's own cells say,
    /// but no less than rounding.
    fn error_of(&self, distance: f32) -> f32 {
        self.alike * (distance / self.model.features_used.max(1) as f32).sqrt().max(self.model.rounding)
    }

    /// A range of pictures as a place, with the whole of the runs that it reaches into.
    fn of_range(&self, (first, last): (u32, u32)) -> SourcePlace {
        if first == last {
            return SourcePlace::Picture(first);
        }
        let run = |picture: u32| self.runs[picture as usize];
        let from = self.runs.partition_point(|&one| one < run(first)) as u32;
        let to = self.runs.partition_point(|&one| one <= run(last)) as u32 - 1;
        SourcePlace::Ambiguous { first: from.min(first), last: to.max(last) }
    }

    /// One picture, or the range around it that looks alike within the errors.
    fn picture_or_range(&self, cells: &Features, picture: usize) -> SourcePlace {
        let apart = APART * self.error_of(distance(cells, &self.pictures[picture]));
        let alike = |other: &usize| {
            self.runs[*other] == self.runs[picture]
                || square_distance(&self.pictures[picture], &self.pictures[*other]) < apart * apart
        };
        let before = (picture.saturating_sub(RANGE_LOOKED_AT)..picture).rev().take_while(alike);
        let after = (picture + 1..self.pictures.len().min(picture + 1 + RANGE_LOOKED_AT)).take_while(alike);
        let (first, last) = (before.last().unwrap_or(picture), after.last().unwrap_or(picture));
        if first == last {
            return SourcePlace::Picture(picture as u32);
        }
        // Where the range reaches into a long run of pictures that are alike, it is as long as that.
        let first = self.runs.partition_point(|&run| run < self.runs[first]).min(first);
        let last = (self.runs.partition_point(|&run| run <= self.runs[last]) - 1).max(last);
        SourcePlace::Ambiguous { first: first as u32, last: last as u32 }
    }
}

/// A weight as it is written.
fn rounded(weight: f32) -> f32 {
    (weight * WEIGHT_STEPS).round() / WEIGHT_STEPS
}

/// Numbers the runs of pictures that are like the first of their run, or the same by the clip itself.
fn runs(clip: &SignatureSequence<'_>, pictures: &[Features], alike: f32) -> Vec<u32> {
    let apart = APART * alike;
    let (mut run, mut first) = (0, 0);
    (0..pictures.len())
        .map(|picture| {
            let same = picture > 0 && clip.same_as_before.get(picture) == Some(&true);
            if !same && square_distance(&pictures[first], &pictures[picture]) >= apart * apart {
                run += 1;
                first = picture;
            }
            run
        })
        .collect()
}

/// A picture or range, and another picture that it may be.
fn with(place: SourcePlace, other: u32) -> SourcePlace {
    match place {
        SourcePlace::Picture(picture) if picture != other => {
            SourcePlace::Ambiguous { first: picture.min(other), last: picture.max(other) }
        }
        SourcePlace::Ambiguous { first, last } => {
            SourcePlace::Ambiguous { first: first.min(other), last: last.max(other) }
        }
        place => place,
    }
}
