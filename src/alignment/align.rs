//! Aligning a capture with the clip that was played, by their signatures.

use std::ops::Range;

use super::coarse::{self, Anchor};
use super::fit::{median, Clip, Fitter, Freedom, Levels, Model, Pair, Start, SIGMA_MIN};
use super::grid::Geometry;
use super::path::{distance, Errors, Walk};
use super::places::Placing;
use super::proof::Proof;
use super::{Features, SignatureSequence, SourcePlace, CELLS, FEATURES};
use crate::words::{counted, verb};

/// Rounds of fitting to the pictures that the first guess brings, each with the freedom to find these better.
const FIRST_ROUNDS: [Freedom; 4] = [
    Freedom { around: 18, every: 3 },
    Freedom { around: 6, every: 1 },
    Freedom { around: 2, every: 1 },
    Freedom::NONE,
];
/// Share of the snippets, the most alike ones, that the first fits go by.
const FIRST_SHARE: f64 = 0.6;
/// Pictures looked at on each side of a first guess, besides those that were left out of the search.
const AROUND: usize = 20;
/// Fits along the first path: with each, the weights of mixes come out better.
const FITS: usize = 2;
/// Pictures of a fade, along which other levels look like another place: four seconds at 60 per second. Choice.
const FADE_PICTURES: usize = 240;
/// Levels that a device usually has, the usual ones first.
const USUAL_LEVELS: [Levels; 3] = [Levels::SAME, Levels::TO_FULL, Levels::TO_LIMITED];
/// Levels are the same within so many code values. Choice: what rounding leaves.
const LEVELS_ERROR: f64 = 0.1;
/// Fitted levels may be the usual ones within so many code values: over a fade they hardly tell each other. Choice.
const USUAL_WITHIN: f64 = 1.5;
/// Pairs from which it is told whether other levels lead elsewhere.
const MOVED_MAX: usize = 75;
/// Share of them that count, the most alike ones.
const MOVED_SHARE: f64 = 0.75;
/// Of two models one fits better where it leaves at most this share of the other's error. Choice.
const FITS_BETTER: f32 = 0.95;
/// Share of the error that a model may have which is fitted to few pairs, for its course to be looked at. Choice.
const FITS_ROUGHLY: f32 = 1.5;
/// Pictures per frame by which two courses may differ and be as even as each other. Choice: levels that differ by a twentieth
/// make a fade pass so much faster or slower.
const UNEVENNESS_ERROR: f64 = 0.05;
/// Time over which a speed is taken, seconds.
const UNEVENNESS_OVER_S: f64 = 0.5;

/// Most frames that a fit goes by.
const FITTED_MAX: usize = 300;
/// Frames that a fit goes by although others fit better. Choice.
const FITTED_MIN: usize = 60;
/// Frames between those whose changes are compared, seconds.
const CHANGE_STEP_S: f64 = 0.25;
/// A capture shows the clip where the changes along its path explain at least this share of its own. Choice, by
/// trials on real clips: see the tests of whole chains.
const EXPLAINED_MIN: f64 = 0.5;
/// Least mean square change of a cell, code values squared, that can be explained; less is standing still.
const CHANGE_MIN: f64 = 0.05;
/// Most square error against the variance of the pictures, of a clip that is looked at under other levels, and of one in which
/// nothing moves.
const UNEXPLAINED_MAX: f64 = 0.05;
/// Least share of the frames that must show the clip.
const SHOWN_MIN: f64 = 0.1;

/// Typical error of a cell, code values, up to which clip and capture are the same but for rounding. Choice: twice what
/// rounding leaves.
const ROUNDING_ERROR: f64 = 2.0 * SIGMA_MIN as f64;

/// Whether more than rounding lies between clip and capture, by the typical error of a cell, code values.
pub fn is_error(error: f64) -> bool {
    error > ROUNDING_ERROR
}

/// A capture laid along the clip.
#[derive(Clone, Debug)]
pub struct Alignment {
    /// One place per frame.
    pub places: Vec<SourcePlace>,
    /// Which part of the clip's picture the capture shows.
    pub geometry: Geometry,
    /// What happened to the levels.
    pub levels: Levels,
    /// Typical error of a cell, code values at 8 bit.
    pub error: f64,
    /// Cells of the signature that show the clip, of [`CELLS`].
    pub cells: usize,
    /// Share of the changes of the picture that the clip explains, 0 to 1; `None` where hardly anything moves.
    pub explained: Option<f64>,
    /// Whether the capture holds the clip's own samples, so that nothing was fitted.
    pub is_proven: bool,
}

/// Why a capture does not show the clip, with the evidence.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct NoMatch {
    /// What was found, in words and numbers.
    pub evidence: String,
}

/// Aligns a capture with a clip.
///
/// # Errors
/// The capture does not show the clip.
pub fn align(
    capture: &SignatureSequence<'_>,
    clip: &SignatureSequence<'_>,
    proof: &Proof,
) -> Result<Alignment, NoMatch> {
    if capture.signatures.is_empty() || clip.signatures.is_empty() {
        return Err(NoMatch { evidence: "one of them holds no picture".to_owned() });
    }
    let advance = clip.rate_hz / capture.rate_hz;
    let aligner = Aligner { capture, clip, advance, proof };
    if proof.is_whole(capture.signatures) {
        return Ok(aligner.proven());
    }
    aligner.searched().or_else(|refused| aligner.unchanged().ok_or(refused))
}

/// Why a capture does not show a clip, in numbers.
fn evidence(model: &Model, explained: Option<f64>, (known, frames): (usize, usize)) -> String {
    let percent = |share: f64| format!("{:.0} %", 100.0 * share.max(0.0));
    let best = "at its best place it explains";
    match explained {
        Some(share) if share < EXPLAINED_MIN => format!(
            "{best} {} of the changes in the recording; at least {} are needed",
            percent(share),
            percent(EXPLAINED_MIN)
        ),
        None if model.unexplained > UNEXPLAINED_MAX => format!(
            "{best} {} of what the pictures of the recording look like; at least {} are needed",
            percent(1.0 - model.unexplained),
            percent(1.0 - UNEXPLAINED_MAX)
        ),
        _ => format!(
            "only {known} of {} {} like a picture of it; at least {} are needed",
            counted(frames as u64, "frame"),
            verb(known as u64, "look"),
            percent(SHOWN_MIN)
        ),
    }
}

fn sorted(mut anchors: Vec<(usize, Vec<usize>)>) -> Vec<(usize, Vec<usize>)> {
    anchors.sort_by_key(|(frame, _)| *frame);
    anchors
}

/// A path through the clip with what lies between clip and capture along it.
struct Course {
    model: Model,
    path: Vec<u32>,
    pairs: Vec<Pair>,
}

impl Course {
    /// Typical error of a cell, code values.
    fn error(&self) -> f32 {
        self.model.typical_sigma()
    }
}

/// A path through the clip's pictures, as the capture shows them, and what its frames are found to show.
#[derive(Clone, Copy)]
struct Along<'a> {
    pictures: &'a [Features],
    path: &'a [u32],
    places: &'a [SourcePlace],
}

struct Aligner<'a> {
    capture: &'a SignatureSequence<'a>,
    clip: &'a SignatureSequence<'a>,
    advance: f64,
    proof: &'a Proof,
}

impl Aligner<'_> {
    /// The alignment with a recording of the clip's own samples: nothing lies between them.
    fn proven(&self) -> Alignment {
        let pairs: Vec<Pair> =
            self.proof.pairs().map(|(capture, clip)| Pair { capture, clip, weight: 0.0 }).collect();
        let pairs: Vec<Pair> =
            pairs.iter().step_by(pairs.len().div_ceil(FITTED_MAX).max(1)).copied().collect();
        let model = self.fitter(&pairs, Freedom::NONE).given(Geometry::SAME, Levels::SAME);
        Alignment { is_proven: true, ..self.laid(&model, &[]) }
    }

    /// The alignment by snippets of the capture that are looked for in the clip.
    fn searched(&self) -> Result<Alignment, NoMatch> {
        let guess = coarse::search(self.capture, self.clip, self.advance);
        let model = self.first_model(&guess);
        let anchors: Vec<(usize, Vec<usize>)> =
            guess.anchors.iter().map(|anchor| (anchor.frame, anchor.places.clone())).collect();
        let course = self.unless_usual(self.course(model, &anchors), &anchors);
        let Course { model, pairs, .. } = self.with_usual(course);
        let again: Vec<(usize, Vec<usize>)> =
            pairs.iter().map(|pair| (pair.capture, vec![pair.clip])).chain(anchors).collect();
        self.checked(&model, &sorted(again))
    }

    /// The alignment as if nothing had become of the picture: cells of a fine pattern hardly change, so that they tell neither
    /// places nor levels, but its texture does. `None` where textures cannot be compared, or tell that it is another clip.
    fn unchanged(&self) -> Option<Alignment> {
        let given = |pairs: &[Pair]| self.fitter(pairs, Freedom::NONE).given(Geometry::SAME, Levels::SAME);
        let mut model = given(&[]);
        if !model.compares_textures() {
            return None;
        }
        for _ in 0..FITS {
            let pictures = self.pictures(&model);
            let path = self.walk(&model, &pictures, &[]);
            model = given(&self.pairs(&model, &pictures, &path));
        }
        self.checked(&model, &[]).ok()
    }

    /// Fits to the best snippets, matching them anew with each fit.
    fn first_model(&self, guess: &coarse::Guess) -> Model {
        let mut anchors: Vec<&Anchor> = guess.anchors.iter().collect();
        anchors.sort_by(|a, b| b.likeness.total_cmp(&a.likeness));
        anchors.truncate((anchors.len() as f64 * FIRST_SHARE).ceil() as usize);
        let mut pairs = self.snippet_pairs(&anchors, guess.step);
        let mut start = Start::rough(guess.geometry);
        let [first, rest @ ..] = FIRST_ROUNDS;
        let mut model = self.fitter(&pairs, first).fit(start);
        for freedom in rest {
            pairs.iter_mut().for_each(|pair| *pair = self.matched(&model, *pair));
            start = Start { geometry: model.geometry, step: 1 };
            model = self.fitter(&pairs, freedom).fit(start);
        }
        model
    }

    fn fitter<'a>(&'a self, pairs: &'a [Pair], freedom: Freedom) -> Fitter<'a> {
        Fitter { capture: self.capture, clip: Clip::SignatureSequence(self.clip), pairs, freedom }
    }

    fn snippet_pairs(&self, anchors: &[&Anchor], step: usize) -> Vec<Pair> {
        let last = self.clip.signatures.len() - 1;
        let pair = |anchor: &Anchor, part: usize| {
            let frame = (anchor.frame + part * step).min(self.capture.signatures.len() - 1);
            let ahead = ((frame - anchor.frame) as f64 * self.advance).round() as usize;
            let clip = (anchor.places.first().copied().unwrap_or(0) + ahead).min(last);
            Pair { capture: frame, clip, weight: 0.0 }
        };
        anchors.iter().flat_map(|anchor| (0..3).map(move |part| pair(anchor, part))).collect()
    }

    /// The pair with the picture around that is nearest under the model.
    fn matched(&self, model: &Model, pair: Pair) -> Pair {
        let around = AROUND + self.clip.signatures.len() / 13_500;
        let frame = model.frame(self.capture, pair.capture);
        let first = pair.clip.saturating_sub(around);
        let last = (pair.clip + around).min(self.clip.signatures.len() - 1);
        let best = (first..=last)
            .map(|place| (distance(&frame, &model.picture(self.clip, place)), place))
            .min_by(|a, b| a.0.total_cmp(&b.0));
        Pair { clip: best.map_or(pair.clip, |(_, place)| place), ..pair }
    }

    fn pictures(&self, model: &Model) -> Vec<Features> {
        (0..self.clip.signatures.len()).map(|picture| model.picture(self.clip, picture)).collect()
    }

    fn walk(&self, model: &Model, pictures: &[Features], anchors: &[(usize, Vec<usize>)]) -> Vec<u32> {
        let frame = |index: usize| model.frame(self.capture, index);
        let frames = self.capture.signatures.len();
        let (advance, proof) = (self.advance, self.proof);
        let moves = self.capture.moves;
        let errors = Errors { features: model.features_used, alike: model.alike_in(self.capture) };
        Walk { frame: &frame, frames, pictures, errors, advance, anchors, moves, proof }.path()
    }

    /// Pairs along a path, evenly spread, each with the mix of neighbours that fits best; the better half of them.
    fn pairs(&self, model: &Model, pictures: &[Features], path: &[u32]) -> Vec<Pair> {
        let placing = Placing::new(model, (self.capture, self.clip), pictures);
        let every = (path.len() / (2 * FITTED_MAX)).max(1);
        let mut pairs: Vec<(f32, Pair)> = (0..path.len())
            .step_by(every)
            .map(|frame| {
                let fitted = placing.fitted(frame, path[frame] as usize);
                (fitted.distance, Pair { capture: frame, clip: fitted.first, weight: fitted.weight })
            })
            .collect();
        pairs.sort_by(|a, b| a.0.total_cmp(&b.0));
        pairs.truncate(pairs.len().div_ceil(2).max(FITTED_MIN.min(pairs.len())));
        pairs.into_iter().map(|(_, pair)| pair).collect()
    }

    /// The path under a model, and what is fitted along it.
    fn course(&self, model: Model, anchors: &[(usize, Vec<usize>)]) -> Course {
        let mut pictures = self.pictures(&model);
        let path = self.walk(&model, &pictures, anchors);
        let mut pairs = self.pairs(&model, &pictures, &path);
        let mut model = self.fitter(&pairs, Freedom::NONE).fit(Start::fitted(model.geometry));
        for _ in 1..FITS {
            pictures = self.pictures(&model);
            pairs = self.pairs(&model, &pictures, &path);
            model = self.fitter(&pairs, Freedom::NONE).fit(Start::fitted(model.geometry));
        }
        Course { model, path, pairs }
    }

    /// A course, or one that usual levels lead to, where that fits better or, fitting as well, passes as evenly: a fade and
    /// other levels some pictures later look alike.
    fn unless_usual(&self, course: Course, anchors: &[(usize, Vec<usize>)]) -> Course {
        let is_usual = |&usual: &Levels| course.model.levels.is_near(usual, LEVELS_ERROR);
        // A clip that looks otherwise altogether is none of this capture.
        if USUAL_LEVELS.iter().any(is_usual) || course.model.unexplained > UNEXPLAINED_MAX {
            return course;
        }
        let others = USUAL_LEVELS.iter().filter_map(|&usual| self.led_by(&course, usual, anchors));
        let mut courses: Vec<Course> = others.collect();
        courses.push(course);
        let least = courses.iter().map(Course::error).fold(f32::INFINITY, f32::min);
        courses.retain(|course| course.error() <= least / FITS_BETTER);
        let evenness = |course: &Course| self.unevenness(&course.path);
        let evenest = courses.iter().map(evenness).fold(f64::INFINITY, f64::min);
        let found = courses.into_iter().find(|course| evenness(course) <= evenest + UNEVENNESS_ERROR);
        found.expect("the evenest course is one of them")
    }

    /// A course with exactly the usual levels, where they are near to its own and fit as well.
    fn with_usual(&self, course: Course) -> Course {
        let usual = USUAL_LEVELS.into_iter().find(|&usual| course.model.levels.is_near(usual, USUAL_WITHIN));
        let Some(usual) = usual else { return course };
        let model = self.fitter(&course.pairs, Freedom::NONE).given(course.model.geometry, usual);
        if model.typical_sigma() <= course.error() / FITS_BETTER {
            Course { model, ..course }
        } else {
            course
        }
    }

    /// The course that pictures under these levels lead to, where it is another one and fits.
    fn led_by(&self, course: &Course, levels: Levels, anchors: &[(usize, Vec<usize>)]) -> Option<Course> {
        let moved = self.moved(&course.model.with_levels(levels), &course.pairs);
        let model = self.fitter(&moved, Freedom::NONE).fit(Start::fitted(course.model.geometry));
        let is_other = !model.levels.is_near(course.model.levels, LEVELS_ERROR);
        let fits = model.typical_sigma() <= course.error() * FITS_ROUGHLY;
        (is_other && fits).then(|| self.course(model, anchors))
    }

    /// Pairs with the picture around that is most like each frame, whatever the mean of both; of pictures as like as each other
    /// the one they have. Frames that are brighter than the rest are left out: a recorder's own pulse.
    fn moved(&self, model: &Model, pairs: &[Pair]) -> Vec<Pair> {
        let moved = |&pair: &Pair| {
            let first = pair.clip.saturating_sub(FADE_PICTURES);
            let last = (pair.clip + FADE_PICTURES).min(self.clip.signatures.len() - 1);
            let frame = model.frame(self.capture, pair.capture);
            let picture = |place: usize| model.picture(self.clip, place);
            let off = |place: usize| {
                let picture = picture(place);
                let offset = model.mean_offset(&frame, &picture);
                distance(&model.levelled(frame, offset), &picture)
            };
            let own = off(pair.clip);
            let near = (first..=last).map(|place| (off(place), place)).min_by(|a, b| a.0.total_cmp(&b.0));
            let near = near.filter(|(distance, _)| *distance < own);
            let pair = near.map_or(pair, |(_, clip)| Pair { clip, weight: 0.0, ..pair });
            (distance(&frame, &picture(pair.clip)), pair)
        };
        let every = pairs.len().div_ceil(MOVED_MAX).max(1);
        let mut found: Vec<(f32, Pair)> = pairs.iter().step_by(every).map(moved).collect();
        found.sort_by(|a, b| a.0.total_cmp(&b.0));
        found.truncate((found.len() as f64 * MOVED_SHARE).ceil() as usize);
        found.into_iter().map(|(_, pair)| pair).collect()
    }

    /// Pictures per frame by which a course differs from the expected speed, over half a second each; a jump counts as
    /// [`AROUND`] pictures.
    fn unevenness(&self, path: &[u32]) -> f64 {
        let step = ((UNEVENNESS_OVER_S * self.capture.rate_hz) as usize).clamp(1, (path.len() - 1).max(1));
        let expected = self.advance * step as f64;
        let off = |at: usize| (f64::from(path[at]) - f64::from(path[at - step]) - expected).abs();
        let steps = step..path.len();
        let count = steps.len().max(1) * step;
        steps.map(|at| off(at).min(AROUND as f64)).sum::<f64>() / count as f64
    }

    /// The alignment under a model, or that there is none.
    fn checked(&self, model: &Model, anchors: &[(usize, Vec<usize>)]) -> Result<Alignment, NoMatch> {
        let laid = self.laid(model, anchors);
        let frames = laid.places.len();
        let known = laid.places.iter().filter(|place| **place != SourcePlace::Unknown).count();
        let moves_alike = match laid.explained {
            Some(share) => share >= EXPLAINED_MIN,
            None => model.unexplained <= UNEXPLAINED_MAX,
        };
        if !moves_alike || (known as f64) < SHOWN_MIN * frames as f64 {
            return Err(NoMatch { evidence: evidence(model, laid.explained, (known, frames)) });
        }
        Ok(laid)
    }

    /// The alignment under a model, whatever it explains.
    fn laid(&self, model: &Model, anchors: &[(usize, Vec<usize>)]) -> Alignment {
        let pictures = &self.pictures(model);
        let path = &self.walk(model, pictures, anchors);
        let places = Placing::new(model, (self.capture, self.clip), pictures).places(path, self.proof);
        let explained = self.explained(model, Along { pictures, path, places: &places });
        Alignment {
            places,
            geometry: model.geometry,
            levels: model.levels,
            error: f64::from(model.typical_sigma()),
            cells: model.cells(),
            explained,
            is_proven: false,
        }
    }

    /// Share of the changes over a quarter of a second that the path explains, where anything changes: those of cells, or those
    /// of the texture within them where these are explained better, since coding takes away the one, and fine patterns have
    /// little of the other.
    fn explained(&self, model: &Model, along: Along<'_>) -> Option<f64> {
        let cells = self.explained_of(model, along, 0..CELLS);
        let texture = self.explained_of(model, along, CELLS..FEATURES);
        match cells {
            Some(cells) => Some(texture.map_or(cells, |texture| cells.max(texture))),
            None => texture.filter(|&share| share >= EXPLAINED_MIN),
        }
    }

    /// The share of some features' changes that the path explains.
    fn explained_of(
        &self,
        model: &Model,
        Along { pictures, path, places }: Along<'_>,
        features: Range<usize>,
    ) -> Option<f64> {
        let sigma = model.sigmas();
        let used: Vec<usize> = features.filter(|&feature| sigma[feature].is_finite()).collect();
        if used.is_empty() {
            return None;
        }
        let step = ((CHANGE_STEP_S * self.capture.rate_hz) as usize).clamp(1, (path.len() / 2).max(1));
        let every = (path.len() / 4000).max(1);
        let (mut own, mut left, mut count) = (0.0, 0.0, 0.0);
        let known = |frame: usize| places[frame] != SourcePlace::Unknown;
        for frame in (step..path.len()).step_by(every).filter(|&frame| known(frame) && known(frame - step)) {
            let [now, before] = [frame, frame - step].map(|frame| model.frame(self.capture, frame));
            let [here, there] = [frame, frame - step].map(|frame| &pictures[path[frame] as usize]);
            let changes = |from: &Features, to: &Features| {
                let change = |&feature: &usize| (to[feature] - from[feature]) * sigma[feature];
                let mut changes: Vec<f32> = used.iter().map(change).collect();
                // A recorder's own brightness pulse is no change of the picture.
                let common = median(&mut changes.clone());
                changes.iter_mut().for_each(|change| *change -= common);
                changes
            };
            for (change, along) in changes(&before, &now).into_iter().zip(changes(there, here)) {
                own += f64::from(change).powi(2);
                // Differences of one cell count no more than the change itself: an overlay must not decide.
                left += f64::from((change - along).powi(2).min(change.powi(2).max(along.powi(2))));
                count += 1.0;
            }
        }
        (count > 0.0 && own / count >= CHANGE_MIN).then(|| 1.0 - left / own)
    }
}
