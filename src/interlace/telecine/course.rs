//! The most likely course of film over pictures in a row: Viterbi's search over places on the rounds that film is laid out
//! in, and over any other course at a price.

use super::{FilmPicture, Fit, Halves};
use crate::interlace::Parity;

/// Log-likelihood of an edit: the course goes on at another place, or by another rule.
const EDIT: f32 = -12.0;
/// Log-likelihood of rows that stay where no rule asks for them.
const IRREGULAR: f32 = -3.0;

/// Rounds of film over frames of two fields: frames in a row that hold fields of two pictures, then frames that hold those
/// of one. Derived from how long each picture stays, in fields.
const ROUNDS: [(usize, usize); 4] = [
    // 2:3, 24 pictures in 60 fields (SMPTE RP 197 names the A-frame of it).
    (2, 3),
    // 2:3:3:2, the same with one frame of two pictures.
    (1, 4),
    // 2:2:3:2:3, 25 pictures in 60 fields.
    (2, 4),
    // Twelve pictures in 25 fields, 24 in 50: one in twelve stays for three.
    (12, 13),
];

/// What a place in the course says of a picture.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) struct Kind(FilmPicture);

impl Kind {
    const ONE: Self = Self(FilmPicture { halves: Halves::One, repeated: None });

    const fn two(earlier: Parity) -> Self {
        Self(FilmPicture { halves: Halves::Two(earlier), repeated: None })
    }

    /// Pictures that are all alike: of one moment, or of two.
    pub(super) const STEADY: [Self; 3] = [Self::ONE, Self::two(Parity::Top), Self::two(Parity::Bottom)];

    /// Every kind of picture on a round.
    const ON_ROUNDS: [Self; 7] = [
        Self::ONE,
        Self::ONE.repeating(Parity::Top),
        Self::ONE.repeating(Parity::Bottom),
        Self::two(Parity::Top),
        Self::two(Parity::Top).repeating(Parity::Top),
        Self::two(Parity::Bottom),
        Self::two(Parity::Bottom).repeating(Parity::Bottom),
    ];

    const fn repeating(self, parity: Parity) -> Self {
        Self(FilmPicture { halves: self.0.halves, repeated: Some(parity) })
    }

    /// Log-likelihood of a picture like this, against one that changes both parities alike; `among_others` judges rows
    /// that stay by how far they stand out from what is around.
    pub(super) fn likelihood(self, fit: &Fit, among_others: bool) -> f32 {
        let stays = if among_others { &fit.stands_out } else { &fit.stays };
        let repeats = self.0.repeated.map_or(0.0, |parity| stays[parity.index()]);
        match self.0 {
            // A frame that ends with the second field of a picture fits within and across: only the rows that stay decide.
            FilmPicture { halves: Halves::One, repeated: Some(_) } => repeats,
            FilmPicture { halves: Halves::One, .. } => -fit.of_earlier[0].max(fit.of_earlier[1]),
            FilmPicture { halves: Halves::Two(earlier), .. } => repeats + fit.of_earlier[earlier.index()],
        }
    }
}

/// What the search finds of one picture.
#[derive(Clone, Copy, Debug)]
pub(super) struct Course {
    /// What the picture is.
    pub kind: Kind,
    /// Whether it is one of a round.
    pub on_round: bool,
}

impl Course {
    pub(super) fn picture(&self) -> FilmPicture {
        self.kind.0
    }

    pub(super) fn halves(&self) -> Halves {
        self.kind.0.halves
    }

    pub(super) fn repeated(&self) -> Option<Parity> {
        self.kind.0.repeated
    }
}

/// A place on a round.
struct Place {
    /// Its number among [`Kind::ON_ROUNDS`].
    kind: usize,
    /// The place before it.
    before: usize,
}

/// Places of courses by no rule: they stay what they are until rows of one parity stay.
const FREE: [Halves; 3] = [Halves::One, Halves::Two(Parity::Top), Halves::Two(Parity::Bottom)];

/// Every place of every round, with either field first.
fn places() -> Vec<Place> {
    let mut places = Vec::new();
    for (two, one) in ROUNDS {
        for earlier in [Parity::Top, Parity::Bottom] {
            let start = places.len();
            let length = two + one;
            places.extend((0..length).map(|at| {
                let kind = match at {
                    0 => Kind::two(earlier).repeating(earlier),
                    _ if at < two => Kind::two(earlier),
                    _ if at == two => Kind::ONE.repeating(earlier.other()),
                    _ => Kind::ONE,
                };
                let kind =
                    Kind::ON_ROUNDS.iter().position(|one| *one == kind).expect("rounds have no other kinds");
                Place { kind, before: start + (at + length - 1) % length }
            }));
        }
    }
    places
}

/// The field that stays where a course without a rule goes from one to the other; `None` where only an edit does that.
fn repeated(from: Halves, to: Halves) -> Option<Parity> {
    match (from, to) {
        (Halves::One, Halves::Two(earlier)) => Some(earlier),
        (Halves::Two(earlier), Halves::One) => Some(earlier.other()),
        _ => None,
    }
}

/// How the best ways to all places come to one picture.
struct Arrival {
    /// The place before this picture from which edits lead on: the most likely one.
    best: u8,
    /// Whether the way to each place on a round is by an edit: a bit per place.
    edits: u128,
    /// From where each course without a rule comes: one of its places, or by an edit.
    free: [Option<u8>; FREE.len()],
}

/// The most likely course.
pub(super) fn search(fits: &[Fit]) -> Vec<Course> {
    let places = places();
    let mut free = [0.0f32; FREE.len()];
    let mut round = vec![0.0f32; places.len()];
    let mut next_round = round.clone();
    let mut arrivals: Vec<Arrival> = Vec::with_capacity(fits.len());
    for fit in fits {
        // Only differences count; sums of hours must not lose their digits.
        let (best, most) = strongest(&free, &round);
        let mut arrival = Arrival { best: best as u8, edits: 0, free: [None; FREE.len()] };
        let mut next_free = [0.0; FREE.len()];
        for (to, &halves) in FREE.iter().enumerate() {
            let steady = Kind(FilmPicture { halves, repeated: None });
            next_free[to] = EDIT + steady.likelihood(fit, false);
            for (from, &before) in FREE.iter().enumerate() {
                let repeated = repeated(before, halves);
                if from != to && repeated.is_none() {
                    continue;
                }
                let kind = Kind(FilmPicture { halves, repeated });
                let irregular = if repeated.is_some() { IRREGULAR } else { 0.0 };
                let score = free[from] - most + irregular + kind.likelihood(fit, false);
                if score > next_free[to] {
                    (next_free[to], arrival.free[to]) = (score, Some(from as u8));
                }
            }
        }
        let likelihoods = Kind::ON_ROUNDS.map(|kind| kind.likelihood(fit, true));
        for (at, (place, next)) in places.iter().zip(&mut next_round).enumerate() {
            let follows = round[place.before] - most;
            arrival.edits |= u128::from(follows < EDIT) << at;
            *next = follows.max(EDIT) + likelihoods[place.kind];
        }
        free = next_free;
        std::mem::swap(&mut round, &mut next_round);
        arrivals.push(arrival);
    }
    trace(&places, &arrivals, strongest(&free, &round).0)
}

/// Number and score of the most likely place: those without a rule first.
fn strongest(free: &[f32], round: &[f32]) -> (usize, f32) {
    let mut best = (0, f32::NEG_INFINITY);
    for (at, &score) in free.iter().chain(round).enumerate() {
        if score > best.1 {
            best = (at, score);
        }
    }
    best
}

/// Goes back from the last place.
fn trace(places: &[Place], arrivals: &[Arrival], last: usize) -> Vec<Course> {
    let mut at = last;
    let mut path: Vec<Course> = arrivals
        .iter()
        .rev()
        .map(|arrival| {
            let best = usize::from(arrival.best);
            if at < FREE.len() {
                let from = arrival.free[at].map(usize::from);
                let repeated = from.and_then(|from| repeated(FREE[from], FREE[at]));
                let kind = Kind(FilmPicture { halves: FREE[at], repeated });
                at = from.unwrap_or(best);
                return Course { kind, on_round: false };
            }
            let place = &places[at - FREE.len()];
            let edit = arrival.edits >> (at - FREE.len()) & 1 == 1;
            at = if edit { best } else { place.before + FREE.len() };
            Course { kind: Kind::ON_ROUNDS[place.kind], on_round: true }
        })
        .collect();
    path.reverse();
    path
}
