//! Film in fields: pictures laid out over fields unevenly. Told by the fields that repeat.
//!
//! A picture that lasts three fields shows one of them twice, so that the rows of one parity stay while those of the other
//! change. From there on each frame holds fields of two pictures, until rows of the other parity stay and bring both fields
//! of a frame together again. Nothing else does that: video in fields and whole pictures change both parities alike. A
//! search over the pictures in a row (`telecine/course.rs`) finds the most likely course of it; here is what one picture says,
//! and whether a course is film. Derived, not published.

mod course;

use super::detect::MIXED_TILES;
use super::row_alternation::leads_up_or_down;
use super::sample::FieldSample;
use super::window::{mean_and_error, median, REACH};
use super::Parity;
use course::{Course, Kind};

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
/// The same logarithm, counted in that of its neighbours' scatter, is of rows that stay from here on ...
const STANDS_OUT: f32 = 1.5;
/// ... with so much log-likelihood for each unit: that of a shift by three deviations (derived) ...
const STANDS_OUT_SLOPE: f32 = 3.0;
/// ... within this much.
const STANDS_OUT_MOST: f32 = 5.0;
/// Least scatter: two codings of the same rows differ by as much.
const SCATTER_MIN: f32 = 0.02;
/// The scatter is this quantile of what lies around: film has rows that stay in two pictures of five.
const SCATTER_QUANTILE: f32 = 0.3;
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
/// Code values added to both motions before they are compared.
const MOTION_FLOOR: f32 = 0.1;
/// Pictures from one field that stays to the next in one stretch of film: 24 pictures in 50 fields have one in twelve
/// frames.
const STRETCH_PICTURES: usize = 27;
/// Fields that stay for a stretch to be film where each is told well: 20 frames of 2:3. In 15 pictures of a floor of checks that
/// was drawn without smoothing, five seem to ...
const EVENTS_MIN: usize = 8;
/// ... their log-likelihood on average: pictures that move up or down reach 1.9, film in lossy recordings 2.1 to 6, by trials
/// on real and painted clips ...
const EVENTS_STAY: f32 = 2.0;
/// ... and the comb of pictures of two against that of pictures of one ...
const EVENTS_CONTRAST: f32 = 0.15;
/// ... which is so many times its scatter where now the top, now the bottom field is the earlier one, as whole pictures have
/// it that are woven at the field rate: a drawing that hardly moves reaches 1.3, film 1.9 and more, by the same trials.
const EVENTS_CLEAR: f32 = 1.5;
/// So many are enough where no sample of them changes.
const EXACT_EVENTS_MIN: usize = 3;
/// Fields that stay for a stretch that comes round in time ...
const ROUNDS_EVENTS_MIN: usize = 4;
/// ... at distances that come again over so many of them: 2:3 and 1:4 after two, 2:2:4 after three ...
const ROUND_EVENTS_MAX: usize = 3;
/// ... but for a few at breaks: film reaches 0.9 and more in recordings that hide much of it, a drawn face whose lips move by
/// parts of a row 0.5, by the same trials ...
const REGULAR_SHARE: f32 = 0.75;
/// ... the share of it that does ...
const ROUNDS_SHARE: f32 = 0.8;
/// ... how much likelier that is than pictures that are all of one moment, or all of two: log-likelihood ...
const ROUNDS_GAIN: f32 = 12.0;
/// ... and the contrast of combs ...
const ROUNDS_CONTRAST: f32 = 0.03;
/// ... which is so many times their scatter: film reaches 1.25 and more, by the same trials.
const ROUNDS_CLEAR: f32 = 1.0;
/// Rows from picture to picture by which it moves: rows that only seem to stay do not tell there.
const UPRIGHT_ROWS: f32 = 0.25;
/// Rows in a stretch that stay to the last sample, for those that change by a sample to be no repeats ...
const PROVEN_MIN: usize = 2;
/// ... unless as many seem to stay that do change: by this factor, natural logarithm.
const SEEMS_TO_STAY: f32 = 1.0;

/// The fit of one picture's fields.
#[derive(Default)]
struct Fit {
    /// Log-likelihood that the top, that the bottom field stays while the other changes.
    stays: [f32; 2],
    /// The same, judged by how far it stands out from the pictures around.
    stands_out: [f32; 2],
    /// Log-likelihood that the top, that the bottom field is of the picture before.
    of_earlier: [f32; 2],
    /// Comb: negative where the top field is the earlier one.
    comb: f32,
    /// How much more the bottom rows change than the top rows, natural logarithm.
    more: f32,
    /// Share of the moving tiles that look combed.
    combed: f32,
    /// Rows of one parity do not change at all.
    exact: [bool; 2],
    /// Dominant motion since the picture before, pixels: right and down.
    moved: [f32; 2],
}

impl Fit {
    fn of(sample: &FieldSample) -> Self {
        let measures = &sample.measures;
        let fit = &measures.luma;
        let (top, bottom) = (fit.top_motion.value(), fit.bottom_motion.value());
        let motion = top.max(bottom);
        if motion == 0.0 {
            return Self { stays: [-STAYS_MOST; 2], ..Self::default() };
        }
        let more = ((bottom + MOTION_FLOOR) / (top + MOTION_FLOOR)).ln();
        let changes = !(measures.top_unchanged && measures.bottom_unchanged);
        let exact = [measures.top_unchanged && changes, measures.bottom_unchanged && changes];
        let comb = measures.ripple.comb.value();
        let square = |value: f32| value * value;
        // The later field is the one that moves on: the comb is negative where the top field is the earlier one.
        let of_earlier = |with_earlier: f32, comb: f32| {
            let apart = square(fit.within.value()) - square(with_earlier);
            (FIT_SLOPE * apart / square(motion)).clamp(-FIT_MOST, FIT_MOST)
                + (COMB_SLOPE * (comb - COMB)).clamp(-COMB_MOST, COMB_MOST)
        };
        let stays = |more: f32| (STAYS_SLOPE * (more - STAYS)).clamp(-STAYS_MOST, STAYS_MOST);
        Self {
            stays: unless_exact(exact, [stays(more), stays(-more)]),
            stands_out: [0.0; 2],
            of_earlier: [
                of_earlier(fit.top_with_earlier.value(), -comb),
                of_earlier(fit.bottom_with_earlier.value(), comb),
            ],
            comb,
            more,
            combed: fit.combed.value(),
            exact,
            moved: [sample.motion_x, sample.motion_y],
        }
    }

    /// Judges the change of the rows by what lies `around`.
    fn stand_out(&mut self, around: &Around) {
        let times = (self.more - around.middle) / around.scatter;
        let of =
            |times: f32| (STANDS_OUT_SLOPE * (times - STANDS_OUT)).clamp(-STANDS_OUT_MOST, STANDS_OUT_MOST);
        self.stands_out = unless_exact(self.exact, [of(times), of(-times)]);
        if around.proven {
            self.stays = unless_exact(self.exact, [-STAYS_MOST; 2]);
            self.stands_out = unless_exact(self.exact, [-STANDS_OUT_MOST; 2]);
        }
    }
}

/// Rows without a changed sample stay, whatever else speaks.
fn unless_exact(exact: [bool; 2], told: [f32; 2]) -> [f32; 2] {
    std::array::from_fn(|parity| if exact[parity] { EXACT } else { told[parity] })
}

/// Pictures in a row that are judged by the same ones around them.
const STATION: usize = 8;

fn fits(samples: &[&FieldSample]) -> Vec<Fit> {
    let mut fits: Vec<Fit> = samples.iter().map(|sample| Fit::of(sample)).collect();
    let stations = (0..fits.len()).step_by(STATION);
    let around: Vec<Around> = stations
        .map(|start| {
            Around::of(&fits[start.saturating_sub(REACH)..(start + STATION + REACH).min(fits.len())])
        })
        .collect();
    for (station, around) in fits.chunks_mut(STATION).zip(around) {
        station.iter_mut().for_each(|fit| fit.stand_out(&around));
    }
    fits
}

/// What the pictures around one have in common.
struct Around {
    /// The middle of how much more the bottom rows change ...
    middle: f32,
    /// ... and its scatter, but for rows that stay.
    scatter: f32,
    /// Whether rows that stay do so to the last sample.
    proven: bool,
}

impl Around {
    fn of(fits: &[Fit]) -> Self {
        let middle = median(fits.iter().map(|fit| fit.more)).unwrap_or(0.0);
        let mut apart: Vec<f32> = fits.iter().map(|fit| (fit.more - middle).abs()).collect();
        let place = (SCATTER_QUANTILE * (apart.len() - 1) as f32) as usize;
        let scatter = *apart.select_nth_unstable_by(place, f32::total_cmp).1;
        let is_exact = |fit: &&Fit| fit.exact.contains(&true);
        let exact = fits.iter().filter(is_exact).count();
        let seem = fits.iter().filter(|fit| !is_exact(fit) && fit.more.abs() > SEEMS_TO_STAY).count();
        Self { middle, scatter: scatter.max(SCATTER_MIN), proven: exact >= PROVEN_MIN && seem < exact }
    }
}

/// What film makes of each of `samples`, pictures in a row; `None` where they are no film.
pub(super) fn pictures(samples: &[&FieldSample]) -> Vec<Option<FilmPicture>> {
    let fits = fits(samples);
    let path = course::search(&fits);
    let events: Vec<usize> = (0..path.len()).filter(|&at| path[at].repeated().is_some()).collect();
    let mut found = vec![None; path.len()];
    let mut from = 0;
    while from < events.len() {
        let mut to = from;
        while to + 1 < events.len() && events[to + 1] - events[to] <= STRETCH_PICTURES {
            to += 1;
        }
        let stretch = Stretch { path: &path, fits: &fits, events: &events[from..=to] };
        if stretch.is_film() {
            let lead = stretch.lead();
            let first = events[from].saturating_sub(lead);
            let last = (events[to] + lead).min(path.len() - 1);
            (first..=last).for_each(|at| found[at] = Some(path[at].picture()));
        }
        from = to + 1;
    }
    found
}

/// The course between the first and the last field that stays of a stretch.
struct Stretch<'a> {
    path: &'a [Course],
    fits: &'a [Fit],
    events: &'a [usize],
}

impl Stretch<'_> {
    /// Few rows of a drawing change as it moves up or down, and those may be of one parity: rows that stay prove nothing there
    /// unless pictures of two look combed by themselves.
    fn is_film(&self) -> bool {
        let (stay, count) = (self.stay(), self.events.len());
        if self.is_upright() && !self.looks_combed() {
            return false;
        }
        stay >= EXACT && count >= EXACT_EVENTS_MIN || self.is_regular() && self.comes_in_time(stay)
    }

    /// Whether fields that stay, at distances that come again, are those of film: what moves up or down by parts of a row is
    /// told by coming round only.
    fn comes_in_time(&self, stay: f32) -> bool {
        let (count, upright) = (self.events.len(), self.is_upright());
        stay >= EVENTS_STAY && count >= EVENTS_MIN && self.has_combs() && !self.moves_rows()
            || count >= ROUNDS_EVENTS_MIN && self.comes_round() && (stay >= EVENTS_STAY || !upright)
    }

    /// Whether the pictures of two have combs and those of one have none.
    fn has_combs(&self) -> bool {
        let (steady, own) = (self.combs(|first, _| first), self.combs(|_, own| own));
        steady.contrast() >= EVENTS_CONTRAST
            || own.contrast() >= EVENTS_CONTRAST.max(EVENTS_CLEAR * own.scatter())
    }

    /// Whether the pictures of two have tiles that look combed without their neighbours.
    fn looks_combed(&self) -> bool {
        let of_two = self.range().filter(|&at| matches!(self.path[at].halves(), Halves::Two(_)));
        mean_and_error(of_two.map(|at| self.fits[at].combed)).0 >= MIXED_TILES
    }

    /// Whether all of it moves up or down, or in both directions by turns, as bars do that move by half of their distance. What
    /// moves up or down by parts of a row lies on the same rows again in time as film does.
    fn is_upright(&self) -> bool {
        let [sideways, down] = self.usual_motion();
        down >= UPRIGHT_ROWS && down > sideways
    }

    /// Whether it moves up or down as much as to lay rows where others were.
    fn moves_rows(&self) -> bool {
        let motion = self.usual_motion();
        motion[1] >= UPRIGHT_ROWS && leads_up_or_down(motion)
    }

    /// Pixels sideways and rows up or down from picture to picture.
    fn usual_motion(&self) -> [f32; 2] {
        [0, 1].map(|axis| mean_and_error(self.range().map(|at| self.fits[at].moved[axis].abs())).0)
    }

    fn range(&self) -> std::ops::RangeInclusive<usize> {
        self.events[0]..=self.events[self.events.len() - 1]
    }

    /// Mean log-likelihood of the fields that stay.
    fn stay(&self) -> f32 {
        let of =
            |&at: &usize| self.path[at].repeated().map_or(0.0, |parity| self.fits[at].stays[parity.index()]);
        self.events.iter().map(of).sum::<f32>() / self.events.len() as f32
    }

    /// Combs of the stretch with the sign of the earlier field in it: `sign` chooses it from that of the first picture of
    /// two and that of the last one.
    fn combs(&self, sign: impl Fn(Parity, Parity) -> Parity) -> Combs {
        let earlier = |at: usize| match self.path[at].halves() {
            Halves::Two(earlier) => Some(earlier),
            Halves::One => None,
        };
        let mut combs = Combs::default();
        let Some(first) = self.range().find_map(earlier) else { return combs };
        let mut last = first;
        for at in self.range() {
            let comb = |last| {
                if sign(first, last) == Parity::Top {
                    -self.fits[at].comb
                } else {
                    self.fits[at].comb
                }
            };
            match (earlier(at), self.path[at].repeated()) {
                (Some(earlier), _) => {
                    last = earlier;
                    combs.two.push(comb(last));
                }
                (None, None) => combs.one.push(comb(last)),
                // A frame that ends with the second field of a picture is neither.
                (None, Some(_)) => {}
            }
        }
        combs
    }

    /// Whether the course goes round as film does, is far likelier than none, and the combs agree.
    fn comes_round(&self) -> bool {
        let on_round = self.range().filter(|&at| self.path[at].on_round).count();
        let combs = self.combs(|first, _| first);
        let clear = combs.contrast() >= ROUNDS_CONTRAST.max(ROUNDS_CLEAR * combs.scatter());
        if !clear || (on_round as f32) < ROUNDS_SHARE * self.range().count() as f32 {
            return false;
        }
        let of = |kind: Kind| self.range().map(|at| kind.likelihood(&self.fits[at], true)).sum::<f32>();
        let none = Kind::STEADY.map(of).into_iter().fold(f32::NEG_INFINITY, f32::max);
        let course: f32 = self.range().map(|at| self.path[at].kind.likelihood(&self.fits[at], true)).sum();
        course - none >= ROUNDS_GAIN
    }

    /// Whether the fields that stay come at distances that come again.
    fn is_regular(&self) -> bool {
        (1..=ROUND_EVENTS_MAX).any(|step| {
            let ways = || self.events.windows(step + 1).map(|events| (events[step] - events[0]) as f32);
            let (usual, count) = (median(ways()), ways().count());
            let as_usual = ways().filter(|&way| Some(way) == usual).count();
            // One alone comes again nowhere.
            count > 1 && as_usual as f32 >= REGULAR_SHARE * count as f32
        })
    }

    /// Pictures before the first and after the last field that stays which belong to the same film: fewer than the longest
    /// way from one such field to the next.
    fn lead(&self) -> usize {
        self.events.windows(2).map(|pair| pair[1] - pair[0]).max().unwrap_or(1) - 1
    }
}

/// Combs of the pictures of one and of those of two.
#[derive(Default)]
struct Combs {
    one: Vec<f32>,
    two: Vec<f32>,
}

impl Combs {
    /// Mean comb of the pictures of two less that of the pictures of one.
    fn contrast(&self) -> f32 {
        mean(&self.two) - mean(&self.one)
    }

    /// Standard deviation of both around their own mean.
    fn scatter(&self) -> f32 {
        let squares = |values: &[f32]| {
            let mean = mean(values);
            values.iter().map(|value| (value - mean).powi(2)).sum::<f32>()
        };
        let count = self.one.len() + self.two.len();
        ((squares(&self.one) + squares(&self.two)) / count.max(1) as f32).sqrt()
    }
}

fn mean(values: &[f32]) -> f32 {
    mean_and_error(values.iter().copied()).0
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::fingerprint::{FieldFit, FieldMeasures, Level, Ripple, Share, SignedShare};

    const PICTURES: usize = 60;

    /// What a row of the table below varies.
    #[derive(Clone, Copy)]
    struct Case {
        /// How much less the rows of a field that stays change, natural logarithm.
        stays: f32,
        /// Comb of pictures of two.
        comb: f32,
        /// Rows that the picture moves down.
        down: f32,
        /// Share of the moving tiles of pictures of two that look combed.
        tiles: f32,
    }

    /// Frame `at` of 2:3 with the top field first: of five frames the third and fourth hold two pictures.
    fn frame(at: usize) -> FilmPicture {
        let (halves, repeated) = match at % 5 {
            2 => (Halves::Two(Parity::Top), Some(Parity::Top)),
            3 => (Halves::Two(Parity::Top), None),
            4 => (Halves::One, Some(Parity::Bottom)),
            _ => (Halves::One, None),
        };
        FilmPicture { halves, repeated }
    }

    /// What is measured of a frame like this one, which a recorder has blurred; `number` stirs the noise.
    fn sample(shown: FilmPicture, number: usize, case: Case) -> FieldSample {
        let level = |value: f32| Level((256.0 * value).round() as u16);
        let noise = 0.01 * ((number * 7 % 5) as f32 - 2.0);
        let motion = |parity| {
            let less = if shown.repeated == Some(parity) { case.stays } else { 0.0 };
            level(10.0 * (noise * if parity == Parity::Top { 1.0 } else { -1.0 } - less).exp())
        };
        let two = shown.halves == Halves::Two(Parity::Top);
        let luma = FieldFit {
            top_motion: motion(Parity::Top),
            bottom_motion: motion(Parity::Bottom),
            within: level(2.0),
            top_with_earlier: level(2.0),
            bottom_with_earlier: level(2.0),
            combed: Share(if two { (65_535.0 * case.tiles) as u16 } else { 0 }),
            ..FieldFit::default()
        };
        let comb = noise - if two { case.comb } else { 0.0 };
        let ripple = Ripple { comb: SignedShare((32_767.0 * comb) as i16), ..Ripple::default() };
        let measures = FieldMeasures { luma, ripple, ..FieldMeasures::default() };
        FieldSample { measures, motion_x: 0.1, motion_y: case.down, ..FieldSample::default() }
    }

    /// Repeats too weak to be told alone are told where they come round in time and combs agree; what moves up or down needs
    /// clear ones.
    #[test]
    fn weak_repeats_tell_film_together() {
        let weak = Case { stays: 0.15, comb: 0.12, down: 0.0, tiles: 0.0 };
        let table = [
            ("weak repeats", true, weak),
            ("without combs", false, Case { comb: 0.0, ..weak }),
            ("no repeats", false, Case { stays: 0.0, ..weak }),
            ("moving down", false, Case { down: 1.4, ..weak }),
            ("moving down, clear repeats", true, Case { down: 1.4, stays: 1.0, comb: 0.3, tiles: 0.01 }),
            ("moving down, nothing looks combed", false, Case { down: 1.4, stays: 1.0, comb: 0.3, ..weak }),
        ];
        for (name, is_film, case) in table {
            let shown: Vec<FilmPicture> = (0..PICTURES).map(frame).collect();
            let samples: Vec<FieldSample> =
                shown.iter().enumerate().map(|(at, &shown)| sample(shown, at, case)).collect();
            let found = pictures(&samples.iter().collect::<Vec<_>>());
            if is_film {
                // Before the first and after the last repeat a frame may belong to it or not.
                let inner = 2..PICTURES - 5;
                let expected: Vec<_> = shown[inner.clone()].iter().copied().map(Some).collect();
                assert_eq!(found[inner], expected, "{name}");
            } else {
                assert!(found.iter().all(Option::is_none), "{name}: {found:?}");
            }
        }
    }

    /// Fields that seem to stay where a picture moves aslant prove no film by their combs.
    #[test]
    fn motion_aslant_moves_rows() {
        for (moved, upright, rows) in [
            ([0.1, 1.4], true, true),
            ([1.65, 1.36], false, true),
            ([3.0, 0.3], false, false),
            ([0.0, 0.1], false, false),
        ] {
            let fits: Vec<Fit> = (0..8).map(|_| Fit { moved, ..Fit::default() }).collect();
            let stretch = Stretch { path: &[], fits: &fits, events: &[0, 7] };
            assert_eq!([stretch.is_upright(), stretch.moves_rows()], [upright, rows], "{moved:?}");
        }
    }

    /// Repeats of the usual ways to lay out film come again at the same distances, breaks and all; by chance they do not.
    #[test]
    fn repeats_of_film_come_at_distances_that_come_again() {
        let table: [(&str, bool, &[usize]); 6] = [
            ("2:3", true, &[2, 3, 2, 3, 2, 3, 2, 3]),
            ("2:3 with a break", true, &[2, 3, 2, 3, 2, 3, 2, 2, 3, 2, 3, 2, 3]),
            ("2:3:3:2", true, &[1, 4, 1, 4, 1, 4]),
            ("24 in 50", true, &[12, 13, 12]),
            ("lips", false, &[11, 1, 1, 6, 1, 2, 4, 1, 1, 2, 4]),
            ("few", false, &[1, 1, 13]),
        ];
        for (name, expected, gaps) in table {
            let events: Vec<usize> = std::iter::once(0)
                .chain(gaps.iter().scan(0, |at, gap| {
                    *at += gap;
                    Some(*at)
                }))
                .collect();
            let stretch = Stretch { path: &[], fits: &[], events: &events };
            assert_eq!(stretch.is_regular(), expected, "{name}");
        }
    }
}
