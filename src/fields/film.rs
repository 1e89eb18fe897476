//! Film in fields: pictures laid out over fields unevenly. Told by the fields that repeat.
//!
//! A picture that lasts three fields shows one of them twice, so that the rows of one parity stay while those of the other
//! change. From there on each frame holds fields of two pictures, until rows of the other parity stay and bring both fields
//! of a frame together again. Nothing else does that: video in fields and whole pictures change both parities alike. A
//! search over the pictures in a row finds the most likely course of it. Derived, not published.

use super::sample::FieldSample;
use super::window::mean_and_error;
use super::Parity;

/// How a picture of a stretch of film is put together.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Halves {
    /// Both fields are of one picture of film.
    One,
    /// The fields are of two; the given parity is of the earlier one.
    Two(Parity),
}

/// What the search finds of one picture.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) struct FilmPicture {
    /// How it is put together.
    pub halves: Halves,
    /// The parity whose field repeats the one of the frame before.
    pub repeated: Option<Parity>,
}

/// The first rows to stay are sure to be those of a film's field where no sample of them changes: log-likelihood.
const EXACT: f32 = 8.0;
/// Rows stay where those of the other parity change more by this factor, natural logarithm: pictures that change both
/// alike stay within 0.2 but for a few, by trials on real and painted clips.
const STAYS: f32 = 0.25;
/// Log-likelihood for each unit of that logarithm ...
const STAYS_SLOPE: f32 = 15.0;
/// ... within this much.
const STAYS_MOST: f32 = 6.0;
/// Log-likelihood for fields that fit within a frame or across two, per square of the motion ...
const FIT_SLOPE: f32 = 2.0;
/// ... within this much: fine texture that moves decides little.
const FIT_MOST: f32 = 2.0;
/// Comb from which a picture looks woven of two, by the same trials: 0.3 to 0.8 where it is, within 0.1 where it is not.
const COMB: f32 = 0.08;
/// Log-likelihood for each unit of comb above it ...
const COMB_SLOPE: f32 = 12.0;
/// ... within this much.
const COMB_MOST: f32 = 3.0;
/// Log-likelihood of a state that changes without a field that stays: an edit.
const EDIT: f32 = -12.0;
/// Code values added to both motions before they are compared.
const MOTION_FLOOR: f32 = 0.1;
/// Pictures from one field that stays to the next in one stretch of film: 24 pictures in 50 fields have one in twelve
/// frames.
const STRETCH_PICTURES: usize = 27;
/// Fields that stay for a stretch to be film where each is told well ...
const EVENTS_MIN: usize = 5;
/// ... their log-likelihood on average: pictures that move up or down reach 1.9, film in lossy recordings 2.1 to 6, by trials
/// on real and painted clips ...
const EVENTS_STAY: f32 = 2.0;
/// ... and the comb of pictures of two against that of pictures of one.
const EVENTS_CONTRAST: f32 = 0.15;
/// So many are enough where no sample of them changes.
const EXACT_EVENTS_MIN: usize = 3;
/// Shortest round from a field that stays to the next of its parity, frames: 24 pictures in 60 fields come round after 5,
/// in 50 fields after 25 (derived).
const ROUND_MIN: usize = 5;
/// Rounds of one length for a stretch to be film where single fields are told poorly ...
const ROUNDS_ALIKE_MIN: usize = 3;
/// ... as a share of all of them ...
const ROUNDS_ALIKE: f32 = 0.6;
/// ... and the contrast of combs.
const ROUNDS_CONTRAST: f32 = 0.04;

/// The fit of one picture's fields.
struct Fit {
    /// Log-likelihood that the top, that the bottom field stays while the other changes.
    stays: [f32; 2],
    /// Log-likelihood that the top, that the bottom field is of the picture before.
    of_earlier: [f32; 2],
    /// Comb: negative where the top field is the earlier one.
    comb: f32,
}

impl Fit {
    fn of(sample: &FieldSample) -> Self {
        let measures = &sample.measures;
        let fit = &measures.luma;
        let (top, bottom) = (fit.top_motion.value(), fit.bottom_motion.value());
        let motion = top.max(bottom);
        if motion == 0.0 {
            return Self { stays: [-STAYS_MOST; 2], of_earlier: [0.0; 2], comb: 0.0 };
        }
        let more = ((bottom + MOTION_FLOOR) / (top + MOTION_FLOOR)).ln();
        let stays = |unchanged: bool, more: f32| match unchanged {
            true => EXACT,
            false => (STAYS_SLOPE * (more - STAYS)).clamp(-STAYS_MOST, STAYS_MOST),
        };
        let square = |value: f32| value * value;
        // The later field is the one that moves on: the comb is negative where the top field is the earlier one.
        let comb = measures.ripple.comb.value();
        let of_earlier = |with_earlier: f32, comb: f32| {
            let apart = square(fit.within.value()) - square(with_earlier);
            (FIT_SLOPE * apart / square(motion)).clamp(-FIT_MOST, FIT_MOST)
                + (COMB_SLOPE * (comb - COMB)).clamp(-COMB_MOST, COMB_MOST)
        };
        let changes = !(measures.top_unchanged && measures.bottom_unchanged);
        Self {
            stays: [
                stays(measures.top_unchanged && changes, more),
                stays(measures.bottom_unchanged && changes, -more),
            ],
            of_earlier: [
                of_earlier(fit.top_with_earlier.value(), -comb),
                of_earlier(fit.bottom_with_earlier.value(), comb),
            ],
            comb,
        }
    }
}

/// The states of the search.
const STATES: [Halves; 3] = [Halves::One, Halves::Two(Parity::Top), Halves::Two(Parity::Bottom)];

fn index(parity: Parity) -> usize {
    usize::from(parity == Parity::Bottom)
}

/// The field that stays where the state goes from one to the other; `None` where only an edit does that.
fn repeated(from: Halves, to: Halves) -> Option<Parity> {
    match (from, to) {
        (Halves::One, Halves::Two(earlier)) => Some(earlier),
        (Halves::Two(earlier), Halves::One) => Some(earlier.other()),
        _ => None,
    }
}

/// Log-likelihood of a step of the search.
fn step(from: Halves, to: Halves, fit: &Fit) -> f32 {
    let state = match to {
        Halves::One => -fit.of_earlier[0].max(fit.of_earlier[1]),
        Halves::Two(earlier) => fit.of_earlier[index(earlier)],
    };
    match (repeated(from, to), to) {
        // A frame that ends with the second field of a picture fits within and across: only the rows that stay decide.
        (Some(parity), Halves::One) => fit.stays[index(parity)],
        (Some(parity), Halves::Two(_)) => fit.stays[index(parity)] + state,
        (None, _) if from == to => state,
        (None, _) => EDIT + state,
    }
}

/// What film makes of each of `samples`, pictures in a row; `None` where they are no film.
pub(super) fn pictures(samples: &[&FieldSample]) -> Vec<Option<FilmPicture>> {
    let fits: Vec<Fit> = samples.iter().map(|sample| Fit::of(sample)).collect();
    let path = search(&fits);
    let events: Vec<usize> = (0..path.len()).filter(|&at| path[at].repeated.is_some()).collect();
    let mut found = vec![None; path.len()];
    let mut from = 0;
    while from < events.len() {
        let mut to = from;
        while to + 1 < events.len() && events[to + 1] - events[to] <= STRETCH_PICTURES {
            to += 1;
        }
        let stretch = Course { path: &path, fits: &fits, events: &events[from..=to] };
        if stretch.is_film() {
            let lead = stretch.lead();
            let first = events[from].saturating_sub(lead);
            let last = (events[to] + lead).min(path.len() - 1);
            (first..=last).for_each(|at| found[at] = Some(path[at]));
        }
        from = to + 1;
    }
    found
}

/// The course of a stretch between its first and its last field that stays.
struct Course<'a> {
    path: &'a [FilmPicture],
    fits: &'a [Fit],
    events: &'a [usize],
}

impl Course<'_> {
    fn is_film(&self) -> bool {
        let stay = self.stay();
        let count = self.events.len();
        let contrast = self.contrast();
        stay >= EXACT && count >= EXACT_EVENTS_MIN
            || stay >= EVENTS_STAY && count >= EVENTS_MIN && contrast >= EVENTS_CONTRAST
            || self.comes_round() && contrast >= ROUNDS_CONTRAST
    }

    /// Mean log-likelihood of the fields that stay.
    fn stay(&self) -> f32 {
        let of =
            |&at: &usize| self.path[at].repeated.map_or(0.0, |parity| self.fits[at].stays[index(parity)]);
        self.events.iter().map(of).sum::<f32>() / self.events.len() as f32
    }

    /// Mean comb of the pictures of two less that of the pictures of one.
    fn contrast(&self) -> f32 {
        let range = self.events[0]..=self.events[self.events.len() - 1];
        let earlier = range.clone().find_map(|at| match self.path[at].halves {
            Halves::Two(earlier) => Some(earlier),
            Halves::One => None,
        });
        let Some(earlier) = earlier else { return 0.0 };
        let comb = |at: usize| if earlier == Parity::Top { -self.fits[at].comb } else { self.fits[at].comb };
        let mean = |two: bool| {
            let of = |&at: &usize| match self.path[at] {
                FilmPicture { halves: Halves::Two(_), .. } => two,
                FilmPicture { repeated, .. } => !two && repeated.is_none(),
            };
            mean_and_error(range.clone().filter(of).map(comb)).0
        };
        mean(true) - mean(false)
    }

    /// Whether the fields that stay come round in a fixed time, but for a few.
    fn comes_round(&self) -> bool {
        let mut rounds: Vec<usize> = Vec::new();
        for parity in [Parity::Top, Parity::Bottom] {
            let of_parity = |at: &&usize| self.path[**at].repeated == Some(parity);
            let of_parity: Vec<usize> = self.events.iter().filter(of_parity).copied().collect();
            rounds.extend(of_parity.windows(2).map(|pair| pair[1] - pair[0]));
        }
        let alike = |length: usize| rounds.iter().filter(|&&other| other == length).count();
        let most = rounds.iter().filter(|&&length| length >= ROUND_MIN).map(|&length| alike(length)).max();
        most.is_some_and(|most| most >= ROUNDS_ALIKE_MIN && most as f32 >= ROUNDS_ALIKE * rounds.len() as f32)
    }

    /// Pictures before the first and after the last field that stays which belong to the same film: fewer than the longest
    /// way from one such field to the next.
    fn lead(&self) -> usize {
        self.events.windows(2).map(|pair| pair[1] - pair[0]).max().unwrap_or(1) - 1
    }
}

/// The most likely course.
fn search(fits: &[Fit]) -> Vec<FilmPicture> {
    let mut scores = [0.0f32; STATES.len()];
    let mut came_from: Vec<[u8; STATES.len()]> = Vec::new();
    for fit in fits {
        let mut next = [f32::NEG_INFINITY; STATES.len()];
        let mut origins = [0u8; STATES.len()];
        for (to, &state) in STATES.iter().enumerate() {
            for (from, &origin) in STATES.iter().enumerate() {
                let score = scores[from] + step(origin, state, fit);
                if score > next[to] {
                    (next[to], origins[to]) = (score, from as u8);
                }
            }
        }
        // Only differences count; sums of hours must not lose their digits.
        let best = next.iter().copied().fold(f32::NEG_INFINITY, f32::max);
        scores = next.map(|score| score - best);
        came_from.push(origins);
    }
    let mut at = (0..STATES.len()).max_by(|&a, &b| scores[a].total_cmp(&scores[b])).unwrap_or(0);
    let mut path: Vec<FilmPicture> = came_from
        .iter()
        .rev()
        .map(|origins| {
            let (to, from) = (STATES[at], STATES[usize::from(origins[at])]);
            at = usize::from(origins[at]);
            FilmPicture { halves: to, repeated: repeated(from, to) }
        })
        .collect();
    path.reverse();
    path
}
