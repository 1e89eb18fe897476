//! Which pictures blend two fields: each with those around it.

use std::ops::Range;

use super::detect::Picture;
use super::sample::FieldSample;
use super::window::{self, Moving};
use super::Parity;
use crate::fingerprint::{Correlation, DoubleImage};

/// Pictures on either side that speak for one: a second of 25 pictures, and four where so few are not enough. The parity
/// of the rows of a texture that moves sideways stays what it is, so that only new material adds evidence.
const REACHES: [usize; 2] = [12, 48];
/// Pictures in a row that are found at least: as many as speak for one on one side.
const RUN_MIN: usize = REACHES[0];
/// Pictures that must have tiles in motion: fewer say too little.
const PICTURES_MIN: i64 = 8;
/// Weight of the bottom field in a mean of two. Fields that a deinterlacer has rebuilt lie outside, by trials: their rows
/// have less of the differences.
const WEIGHTS: Range<f32> = 0.465..0.535;
/// Least asymmetry as a share of what fields half a motion apart would have. By trials: 0.7 to 1 in blended fields, a
/// third of that after a lossy recorder, below 0.2 in whole pictures.
const SHARE_MIN: f64 = 0.28;
/// Least correlation of even with odd rows in place. The finest detail down the picture makes it negative in combs and
/// in most whole pictures, and is gone from blended fields: by trials −0.1 at least, after a lossy recorder.
const WITHIN_MIN: f64 = -0.2;
/// Least distance of the asymmetry from none, in standard errors by how pictures differ ...
const PICTURE_ERRORS_MIN: f64 = 3.5;
/// ... and by how the tiles of one picture do, however many pictures there are: a texture with an asymmetry of its own
/// keeps it from picture to picture, so that a scene is one draw. Chance goes beyond four in one scene of 16,000.
const TILE_ERRORS_MIN: f64 = 4.0;
/// Tiles per picture for a standard error that means something: of two or three, chance alone makes it next to nothing.
const TILES_MIN: i64 = 4;
/// Most that rows may be nearer to one neighbour than to the other: rows of a picture that was scaled lie off their places in
/// turn, so that a texture that leans looks like one that moves. By trials: at most 0.07 in blended fields, up to 0.23 in
/// scaled pictures.
const PAIRS_MAX: f32 = 0.08;
/// Least part of the tiles in pictures whose order of the fields is that of all.
const AGREEING_MIN: f64 = 0.68;

/// The mean that a picture is.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Mean {
    /// The field of the earlier moment.
    pub first: Parity,
    /// Weight of the later field.
    pub weight: f32,
}

/// The mean that each of `pictures` is, in their order; `None` for pictures of one moment and where too little is told.
pub(super) fn means(pictures: &[Picture], samples: &[FieldSample]) -> Vec<Option<Mean>> {
    let doubles: Vec<DoubleImage> =
        pictures.iter().map(|picture| samples[picture.frame].double_image).collect();
    // Places of the pictures that tell something, so that a reach counts these alone.
    let in_place = |&place: &usize| {
        samples[pictures[place].frame].measures.ripple.pairs.value().abs() <= PAIRS_MAX
            && doubles[place].tiles > 0
    };
    let telling: Vec<usize> = (0..doubles.len()).filter(in_place).collect();
    let told: Vec<DoubleImage> = telling.iter().map(|&place| doubles[place]).collect();
    let mut windows = REACHES.map(|reach| Moving::<_, Sums>::new(&told, reach));
    let found = (0..doubles.len()).map(|place| {
        let here = telling.partition_point(|&other| other < place);
        windows.iter_mut().find_map(|window| mean(window.around(here)))
    });
    without_short_runs(found.collect())
}

/// Leaves out what is found of a few pictures in a row only: a window that passes over them finds it in many, or by chance.
fn without_short_runs(mut means: Vec<Option<Mean>>) -> Vec<Option<Mean>> {
    for run in means.chunk_by_mut(|one, next| one.is_some() == next.is_some()) {
        if run.len() < RUN_MIN {
            run.fill(None);
        }
    }
    means
}

/// Sums over pictures, each weighted by its tiles, in the units in which measures are kept: whole numbers, so that they
/// stay exact while pictures come and go.
#[derive(Default)]
struct Sums {
    pictures: i64,
    tiles: i64,
    asymmetry: i64,
    downward: i64,
    expected: i64,
    error: i64,
    within: i64,
    bottom: i64,
    /// Tiles of pictures in which the bottom field is the later one, and in which the top field is.
    bottom_later: i64,
    top_later: i64,
    /// Squares of tiles, of tiles with asymmetry, and of both.
    tiles_squared: i64,
    tiles_squared_asymmetry: i64,
    asymmetry_squared: i64,
}

impl window::Sums<DoubleImage> for Sums {
    fn change(&mut self, one: &DoubleImage, sign: i64) {
        let tiles = i64::from(one.tiles);
        let asymmetry = i64::from(one.asymmetry.0);
        self.pictures += sign;
        self.tiles += sign * tiles;
        self.asymmetry += sign * tiles * asymmetry;
        self.downward += sign * tiles * i64::from(one.downward.0);
        self.expected += sign * tiles * i64::from(one.expected.0);
        self.error += sign * tiles * i64::from(one.error.0);
        self.within += sign * tiles * i64::from(one.within.0);
        self.bottom += sign * tiles * i64::from(one.bottom.0);
        self.bottom_later += sign * tiles * i64::from(asymmetry > 0);
        self.top_later += sign * tiles * i64::from(asymmetry < 0);
        self.tiles_squared += sign * tiles * tiles;
        self.tiles_squared_asymmetry += sign * tiles * tiles * asymmetry;
        self.asymmetry_squared += sign * tiles * tiles * asymmetry * asymmetry;
    }
}

impl Sums {
    /// Mean over the tiles of a sum of correlations.
    fn correlation(&self, sum: i64) -> f64 {
        sum as f64 / (f64::from(Correlation::STEPS) * self.tiles as f64)
    }

    /// Standard error of the asymmetry by how pictures differ.
    fn picture_error(&self) -> f64 {
        let mean = self.asymmetry as f64 / self.tiles as f64;
        let squares = self.asymmetry_squared as f64 - 2.0 * mean * self.tiles_squared_asymmetry as f64
            + mean * mean * self.tiles_squared as f64;
        squares.max(0.0).sqrt() / (f64::from(Correlation::STEPS) * self.tiles as f64)
    }
}

/// The mean that the pictures of a stretch are.
fn mean(near: &Sums) -> Option<Mean> {
    if near.pictures < PICTURES_MIN || near.tiles < TILES_MIN * near.pictures {
        return None;
    }
    let asymmetry = near.correlation(near.asymmetry);
    let expected = near.correlation(near.expected);
    let bottom = (near.bottom as f64 / (f64::from(u16::MAX) * near.tiles as f64)) as f32;
    let agreeing = if asymmetry > 0.0 { near.bottom_later } else { near.top_later };
    // What scaled rows may have of it is left out.
    let left = asymmetry.abs() - near.correlation(near.downward).abs();
    let sure = left >= PICTURE_ERRORS_MIN * near.picture_error()
        && left >= TILE_ERRORS_MIN * near.correlation(near.error)
        && agreeing as f64 >= AGREEING_MIN * near.tiles as f64;
    let shows = expected > 0.0 && left >= SHARE_MIN * expected && near.correlation(near.within) >= WITHIN_MIN;
    if !(shows && sure && WEIGHTS.contains(&bottom)) {
        return None;
    }
    Some(if asymmetry > 0.0 {
        Mean { first: Parity::Top, weight: bottom }
    } else {
        Mean { first: Parity::Bottom, weight: 1.0 - bottom }
    })
}

#[cfg(test)]
mod tests {
    use super::super::detect::Woven;
    use super::*;
    use crate::fingerprint::Share;

    /// Pictures of which every second frame tells, with these values.
    fn found(count: usize, double: impl Fn(usize) -> DoubleImage) -> Vec<Option<Mean>> {
        let picture = |frame| Picture { frame, weave: Woven::Clean, ..Picture::default() };
        let pictures: Vec<Picture> = (0..count).map(|place| picture(2 * place)).collect();
        let samples: Vec<FieldSample> = (0..2 * count)
            .map(|frame| FieldSample { double_image: double(frame / 2), ..FieldSample::default() })
            .collect();
        means(&pictures, &samples)
    }

    fn double(asymmetry: f32, within: f32, bottom: f32) -> DoubleImage {
        let correlation = |value: f32| Correlation((value * 16_384.0) as i16);
        DoubleImage {
            tiles: 20,
            asymmetry: correlation(asymmetry),
            downward: Correlation(0),
            expected: correlation(0.5),
            error: correlation(0.02),
            within: correlation(within),
            bottom: Share((bottom * 65_535.0) as u16),
        }
    }

    #[test]
    fn the_sign_of_the_asymmetry_names_the_first_field() {
        for (asymmetry, first, weight) in [(0.3, Parity::Top, 0.52), (-0.3, Parity::Bottom, 0.48)] {
            for mean in found(30, |_| double(asymmetry, 0.3, 0.52)) {
                let mean = mean.expect("an even stretch");
                assert_eq!(mean.first, first);
                assert!((mean.weight - weight).abs() < 0.001, "{mean:?}");
            }
        }
    }

    #[test]
    fn what_is_no_mean_of_two_fields_is_not_taken_for_one() {
        let alternating = |place: usize| if place % 2 == 0 { 0.3 } else { -0.3 };
        type Double = Box<dyn Fn(usize) -> DoubleImage>;
        let table: [(&str, usize, Double); 8] = [
            ("a whole picture with a chance asymmetry", 30, Box::new(|_| double(0.05, -0.5, 0.5))),
            ("a soft whole picture", 30, Box::new(|_| double(0.05, 0.5, 0.5))),
            ("a comb", 30, Box::new(|_| double(0.4, -0.8, 0.5))),
            ("one field rebuilt from the other", 30, Box::new(|_| double(0.3, 0.5, 0.38))),
            (
                "an order that goes to and fro",
                30,
                Box::new(move |place| double(alternating(place), 0.3, 0.5)),
            ),
            (
                "a texture of a few bright spots",
                30,
                Box::new(|_| DoubleImage { error: Correlation(2000), ..double(0.3, 0.3, 0.5) }),
            ),
            (
                "scaled rows of a scene that moves down",
                30,
                Box::new(|_| DoubleImage { downward: Correlation(4500), ..double(0.3, 0.3, 0.5) }),
            ),
            ("too few pictures", PICTURES_MIN as usize - 1, Box::new(|_| double(0.4, 0.3, 0.5))),
        ];
        for (name, count, double) in table {
            assert!(found(count, double).iter().all(Option::is_none), "{name}");
        }
    }

    #[test]
    fn pictures_without_motion_are_told_by_those_around() {
        let still = |place: usize| (20..30).contains(&place);
        let means =
            found(50, |place| if still(place) { DoubleImage::default() } else { double(0.3, 0.3, 0.5) });
        assert!(means.iter().all(Option::is_some));
        assert!(found(50, |_| DoubleImage::default()).iter().all(Option::is_none));
    }

    #[test]
    fn a_few_pictures_in_a_row_are_not_believed() {
        let means = |run: usize| {
            let mean = Some(Mean { first: Parity::Top, weight: 0.5 });
            let list = [vec![None; 30], vec![mean; run], vec![None; 30]].concat();
            without_short_runs(list).iter().flatten().count()
        };
        assert_eq!([RUN_MIN - 1, RUN_MIN].map(means), [0, RUN_MIN]);
    }

    #[test]
    fn a_part_that_is_averaged_is_told_from_the_rest() {
        let means = found(200, |place| double(if place < 100 { 0.4 } else { 0.0 }, 0.3, 0.5));
        assert!(means[..95].iter().all(Option::is_some));
        assert!(means[150..].iter().all(Option::is_none));
    }
}
