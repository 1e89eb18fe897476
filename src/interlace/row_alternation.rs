//! What rows tell by their numbers alone: combs that were scaled, and lost fields.
//!
//! Each rule asks two things of the pictures of a stretch: how strong the alternation is on average, and whether those at
//! even and at odd places show it alike. A deinterlacer that keeps one field after the other shows it in turn.

use std::borrow::Borrow;
use std::f32::consts::TAU;

use super::detect::FieldFeatures;
use super::sample::parity_ratio;
use super::window::{mean_and_error, median};
use super::Parity;
use crate::fingerprint::ripple::SCALINGS;
use crate::fingerprint::{Phasor, Ripple};

/// Rows of a field that was rebuilt from the other one differ less from their neighbours than this, as a share of both.
/// Pictures with both fields reach 0.09, those with one 0.14 in lossy recordings: by trials on real and painted clips.
const LOST_DETAIL: f32 = 0.11;
/// Least ratio of detail where it moves, natural logarithm: lossy recordings leave 0.4 and more of one field, and codecs
/// make 0.2 of a still grid in pictures with both. By the same trials.
const LOST_MOVING: f32 = 0.3;
/// The same in an exact recording: interpolation of one field leaves 1.1 and
/// more, one that goes along the motion 0.8 at most, by the same trials.
const LOST_EXACT: f32 = 1.0;
/// Least share of the tiles that move: a drawing that stands has few lines, and may have them at rows of one parity.
const LOST_MOVING_SHARE: f32 = 0.003;
/// The same for a picture that was scaled afterwards: drawn patterns with both fields reach 0.15, pictures with one 0.14 to
/// 0.28 in lossy recordings, 0.3 and more in exact ones.
const LOST_SCALED_DETAIL: f32 = 0.16;
/// The same in an exact recording: a card of patterns with both fields reaches more than in lossy ones.
const LOST_SCALED_EXACT: f32 = 0.28;
/// Most of it that may lie beside its place among the rows, as a part of it: up to 0.33 where a field is lost, 0.5 in a
/// dark concert, and 0.3 to 0.6 in drawn lines that are mixed over time. By the same trials.
const LOST_SCALED_BESIDE: f32 = 0.34;
/// Rows that stand twice: how much nearer each row is to the one below than to the one above, on average. Lossy recordings
/// leave 0.56 to 0.78 of it; lines one row high that were scaled to two reach 0.55. By trials.
const DOUBLED: f32 = 0.555;
/// The same in an exact recording.
const DOUBLED_EXACT: f32 = 0.9;
/// Rows that stand twice by so much say that fields of film are none. Choice: half of what lossy recordings leave of it.
const DRAWN_PAIRS: f32 = 0.28;
/// A comb as strong as this is of two fields that move up or down by a row: by trials.
const DOUBLED_COMB: f32 = 0.3;
/// Rows that stand twice, where the picture hops up and down as well: lossy recordings leave 0.41 and more of it, and nothing
/// else that hops reaches it, by the same trials.
const DOUBLED_IN_TURN: f32 = 0.38;
/// Least half hop of rows that stand twice, now the top and now the bottom ones, lines: one in theory, 0.55 and more where
/// little else moves, lines one row high that were scaled to two 0.25, by the same trials.
const HOP_LINES_MIN: f32 = 0.4;
/// Least strength of a scaled comb: texture that moves reaches as much only where other paces show it as well.
const SCALED_COMB: f32 = 0.065;
/// Most that may lie beside its place among the rows, as a part of it.
const SCALED_COMB_BESIDE: f32 = 0.5;
/// Most strength of any other pace, as a part of it.
const SCALED_COMB_OTHER: f32 = 0.45;
/// Share of the pictures that agree with it.
const SCALED_COMB_AGREEING: f32 = 0.8;
/// Its mean is so many times the standard error of it: weaving combs every picture alike (22 to 376 in trials), texture that
/// moves differs from one to the next (5 to 20 in nearly all of them).
const SCALED_COMB_ERRORS: f32 = 21.0;
/// Pictures for a statement about scaled combs: chance makes a few alike.
const SCALED_PICTURES_MIN: usize = 12;
/// Rows per picture up or down that are motion and no error of it. Choice.
const UPRIGHT_ROWS: f32 = 0.1;
/// Motion is upright that is this many times the motion sideways.
const UPRIGHT_OF_SIDEWAYS: f32 = 0.75;
/// Pictures on each side for a statement.
const SIDE_MIN: usize = 3;

/// A value of each picture, at even and at odd places.
struct Sides {
    even: Vec<f32>,
    odd: Vec<f32>,
}

impl Sides {
    fn of<L: Borrow<FieldFeatures>>(near: &[L], value: impl Fn(&Ripple) -> f32) -> Self {
        let at = |first: usize| {
            let looks = near.iter().skip(first).step_by(2);
            looks.map(|look| value(&look.borrow().sample.measures.ripple)).collect()
        };
        Self { even: at(0), odd: at(1) }
    }

    fn middles(&self) -> Option<(f32, f32)> {
        let enough = self.even.len().min(self.odd.len()) >= SIDE_MIN;
        let (even, odd) = (median(self.even.iter().copied())?, median(self.odd.iter().copied())?);
        enough.then_some((even, odd))
    }

    /// The smaller of both middle values where they have one sign, otherwise 0.
    fn alike(&self) -> f32 {
        match self.middles() {
            Some((even, odd)) if even * odd > 0.0 => {
                if even.abs() < odd.abs() {
                    even
                } else {
                    odd
                }
            }
            _ => 0.0,
        }
    }

    fn both(&self) -> impl Iterator<Item = f32> + Clone + '_ {
        self.even.iter().chain(&self.odd).copied()
    }
}

/// A place among the rows.
#[derive(Clone, Copy)]
pub(super) struct Direction {
    cosine: f32,
    sine: f32,
}

impl Direction {
    /// Where rows of the top field weigh most of lines that were scaled to rows: row r of the picture shows line
    /// (r + 1/2) · lines / rows − 1/2 of the clip. Derived.
    pub fn of((lines, rows): (u32, u32)) -> Self {
        let (sine, cosine) = (TAU * (0.25 - 0.25 * lines as f32 / rows as f32)).sin_cos();
        Self { cosine, sine }
    }

    /// The part of a phasor that lies there.
    pub fn part(self, phasor: Phasor) -> f32 {
        phasor.cosine.value() * self.cosine + phasor.sine.value() * self.sine
    }

    /// The part of a phasor that lies a quarter turn beside it.
    pub fn beside(self, phasor: Phasor) -> f32 {
        phasor.sine.value() * self.cosine - phasor.cosine.value() * self.sine
    }
}

/// The parity that is rebuilt from the other in every picture of the stretch, before scaling or after; `exact` where
/// the recording takes nothing away.
pub(super) fn lost(near: &[FieldFeatures], exact: bool) -> Option<Parity> {
    let moving = median(near.iter().map(|look| parity_ratio(&look.sample.measures.moving_rows)))?;
    let straight = Sides::of(near, |ripple| ripple.detail.value()).alike();
    let double = Direction::of(SCALINGS[0]);
    let scaled = Sides::of(near, |ripple| double.part(ripple.scaled_detail)).alike();
    let beside = Sides::of(near, |ripple| double.beside(ripple.scaled_detail)).alike();
    let share = median(near.iter().map(|look| look.sample.measures.luma.moving.value()))?;
    if share < LOST_MOVING_SHARE {
        return None;
    }
    let (least, least_scaled) =
        if exact { (LOST_EXACT, LOST_SCALED_EXACT) } else { (LOST_MOVING, LOST_SCALED_DETAIL) };
    let shows = straight.abs() >= LOST_DETAIL && moving * straight.signum() >= least;
    let strongest = if shows { straight } else { scaled };
    let lost = if strongest > 0.0 { Parity::Bottom } else { Parity::Top };
    let shows_scaled = scaled.abs() >= least_scaled && beside.abs() <= LOST_SCALED_BESIDE * scaled.abs();
    (shows || shows_scaled).then_some(lost)
}

/// The comb that the pictures of a stretch share, those at even and at odd places; 0 where they do not.
pub(super) fn comb(near: &[FieldFeatures]) -> f32 {
    Sides::of(near, |ripple| ripple.comb.value()).alike()
}

/// Whether rows seem to stand twice, whatever makes them: what is drawn so and moves by one of them shows one field of the picture
/// before again.
pub(super) fn drawn_in_pairs(near: &[FieldFeatures]) -> bool {
    pairs(near).abs() >= DRAWN_PAIRS
}

/// How much nearer rows are to one neighbour than to the other, in pictures at even and at odd places alike.
fn pairs(near: &[FieldFeatures]) -> f32 {
    Sides::of(near, |ripple| ripple.pairs.value()).alike()
}

/// Whether each row is there twice throughout the stretch, beginning with a top row. A picture scaled to twice its lines
/// has that where its finest detail is alone.
pub(super) fn doubled(near: &[FieldFeatures], exact: bool) -> bool {
    let pairs = pairs(near);
    let textured = near.iter().filter(|look| look.sample.measures.ripple.textured).count();
    2 * textured > near.len()
        && (pairs >= DOUBLED_EXACT || !exact && pairs >= DOUBLED && comb(near).abs() < DOUBLED_COMB)
}

/// Whether each row is there twice, those of the top and those of the bottom field in turn, in pictures that follow each other
/// frame by frame: doubling and half a hop of so many `lines`, with its `scatter`, each of them too weak alone.
pub(super) fn doubled_in_turn(near: &[FieldFeatures], (lines, scatter): (f32, f32)) -> bool {
    pairs(near) >= DOUBLED_IN_TURN && lines.abs() >= HOP_LINES_MIN.max(2.0 * scatter)
}

/// Whether the pictures of a stretch move up or down more than sideways. Rows then come to lie where others were, and what tells
/// fields from each other, that detail and motion have nothing to do with each other, does not hold.
pub(super) fn is_upright(near: &[FieldFeatures]) -> bool {
    let middle =
        |motion: fn(&FieldFeatures) -> f32| median(near.iter().map(|look| motion(look).abs())).unwrap_or(0.0);
    leads_up_or_down([middle(|look| look.sample.motion_x), middle(|look| look.sample.motion_y)])
}

/// Whether a motion by so many pixels sideways and rows up or down lays rows where others were.
pub(super) fn leads_up_or_down([sideways, upright]: [f32; 2]) -> bool {
    upright > UPRIGHT_ROWS.max(UPRIGHT_OF_SIDEWAYS * sideways)
}

/// The field that comes first in pictures that were woven of two moments and scaled afterwards.
pub(super) fn scaled_comb(near: &[FieldFeatures]) -> Option<Parity> {
    if near.len() < SCALED_PICTURES_MIN || is_upright(near) {
        return None;
    }
    let means: [(f32, f32); SCALINGS.len()] = std::array::from_fn(|pace| {
        let combs = near.iter().map(|look| look.sample.measures.ripple.scaled_combs[pace]);
        let cosine = mean_and_error(combs.clone().map(|comb| comb.cosine.value())).0;
        (cosine, mean_and_error(combs.map(|comb| comb.sine.value())).0)
    });
    let strength = |pace: usize| means[pace].0.hypot(means[pace].1);
    // No other may be half as strong, so that only the strongest counts.
    let pace = (0..SCALINGS.len()).max_by(|&a, &b| strength(a).total_cmp(&strength(b)))?;
    if strength(pace) < SCALED_COMB {
        return None;
    }
    let there = Direction::of(SCALINGS[pace]);
    let (cosine, sine) = means[pace];
    let beside = sine * there.cosine - cosine * there.sine;
    let others = (0..SCALINGS.len()).filter(|&other| other != pace);
    let other = others.map(strength).fold(0.0, f32::max);
    let values = Sides::of(near, |ripple| there.part(ripple.scaled_combs[pace]));
    let (mean, error) = mean_and_error(values.both());
    let (agreeing, _) = mean_and_error(values.both().map(|value| f32::from(u8::from(value * mean > 0.0))));
    let shows = mean.abs() >= SCALED_COMB.max(SCALED_COMB_ERRORS * error)
        && beside.abs() <= SCALED_COMB_BESIDE * mean.abs()
        && other <= SCALED_COMB_OTHER * mean.abs()
        && agreeing >= SCALED_COMB_AGREEING
        && values.alike() != 0.0;
    shows.then_some(if mean < 0.0 { Parity::Top } else { Parity::Bottom })
}

#[cfg(test)]
mod tests {
    use super::super::sample::FieldSample;
    use super::*;
    use crate::fingerprint::ripple::SignedShare;
    use crate::fingerprint::{FieldFit, FieldMeasures, Share};

    const PICTURES: usize = 24;

    fn looks(sample: impl Fn(usize) -> FieldSample) -> Vec<FieldFeatures> {
        (0..PICTURES)
            .map(|frame| FieldFeatures { frame, luma: None, chroma: None, sample: sample(frame) })
            .collect()
    }

    fn share(value: f32) -> SignedShare {
        SignedShare((value * 32_767.0) as i16)
    }

    #[test]
    fn rows_that_a_recorder_has_half_parted_stand_twice_where_the_picture_hops() {
        let table = [
            ("half parted, hopping", true, 0.5, 0.8),
            ("half parted, at rest", false, 0.5, 0.0),
            ("half parted, hopping too little", false, 0.5, 0.25),
            ("parted, hopping", false, 0.3, 0.8),
        ];
        for (name, expected, pairs, hop) in table {
            let near = looks(|_| {
                let ripple = Ripple { pairs: share(pairs), ..Ripple::default() };
                let measures = FieldMeasures { ripple, ..FieldMeasures::default() };
                FieldSample { measures, ..FieldSample::default() }
            });
            assert_eq!(doubled_in_turn(&near, (hop, 0.0)), expected, "{name}");
        }
    }

    #[test]
    fn what_moves_up_or_down_more_than_sideways_is_upright() {
        let table = [
            ("rising lettering", true, 0.0, -2.0),
            ("bars that turn round", true, 0.0, 1.3),
            ("nearly a row", true, 0.0, 0.99),
            ("the error of a motion", false, 0.0, 0.05),
            ("a pan", false, 4.0, 0.2),
            ("a slanted pan", false, 4.0, 2.0),
            ("a steep one", true, 2.0, 4.0),
            ("at rest", false, 0.0, 0.0),
        ];
        for (name, expected, motion_x, motion_y) in table {
            // Half of them the other way round: what counts is how far, not where to.
            let turned = |frame: usize, motion: f32| if frame % 2 == 0 { motion } else { -motion };
            let near = looks(|frame| FieldSample {
                motion_x: turned(frame, motion_x),
                motion_y: turned(frame, motion_y),
                ..FieldSample::default()
            });
            assert_eq!(is_upright(&near), expected, "{name}");
        }
    }

    #[test]
    fn detail_of_a_lost_field_that_was_scaled_lies_at_its_place() {
        let Direction { cosine, sine } = Direction::of(SCALINGS[0]);
        let table = [
            ("at its place", Some(Parity::Bottom), 0.2, 0.02),
            ("the other way", Some(Parity::Top), -0.2, 0.02),
            ("beside it", None, 0.2, 0.1),
            ("too little", None, 0.1, 0.0),
        ];
        for (name, expected, there, beside) in table {
            let scaled_detail = Phasor {
                cosine: share(there * cosine - beside * sine),
                sine: share(there * sine + beside * cosine),
            };
            let near = looks(|_| {
                let ripple = Ripple { scaled_detail, ..Ripple::default() };
                let luma = FieldFit { moving: Share(3000), ..FieldFit::default() };
                let measures = FieldMeasures { ripple, luma, ..FieldMeasures::default() };
                FieldSample { measures, ..FieldSample::default() }
            });
            assert_eq!(lost(&near, false), expected, "{name}");
        }
    }
}
