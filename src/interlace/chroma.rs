//! Chroma of other moments than its luma: woven of two fields, or raised to every row as if its picture were whole.
//!
//! A device that does so has one field after the other as the newer one, so that the combs of chroma turn from frame to
//! frame while luma has none. A lossy recorder takes most of them away, but not their order: over many pictures a small
//! remainder is sure.

use super::detect::FieldFeatures;
use super::row_alternation::Direction;
use super::window::{Moving, Sides};
use crate::fingerprint::ripple::SCALINGS;

/// Pictures on either side that speak for one.
const REACH: usize = 96;
/// Pictures at even and at odd places that are needed for a statement.
const SIDE_MIN: i64 = 20;
/// Least alternation of a comb of chroma. By trials on lossy recordings: 0.02 to 0.48 where chroma is of other moments, 0.0145 at
/// most elsewhere.
const TURNING: f64 = 0.018;
/// Least part of it in what stays the same: soft chroma that moves has a comb by itself, up to 0.66.
const OF_STAYING: f64 = 0.5;
/// Least strength in standard errors: encoders whose frames are of two kinds by turns make as much of it in soft chroma
/// where few pictures tell.
const ERRORS: f64 = 5.0;
/// Most that luma may turn, as a part of it: rows that a deinterlacer keeps in turn do it to both, and most to luma.
const OF_LUMA: f64 = 0.1;

/// What is summed, in the units in which measures are kept.
const MEASURES: usize = 4;
/// Combs of chroma from row to row, of chroma that was raised to every row, and of luma at the pace of either.
type Combs = [i32; MEASURES];
const WOVEN: usize = 0;
const RAISED: usize = 1;
const LUMA: usize = 2;
const LUMA_HALF: usize = 3;

/// Whether the chroma of each picture is of other moments than its luma.
pub(super) fn of_other_moments(looks: &[FieldFeatures]) -> Vec<bool> {
    let telling: Vec<usize> = (0..looks.len()).filter(|&place| looks[place].chroma.is_some()).collect();
    let combs: Vec<(usize, Combs)> = telling.iter().map(|&place| (place, combs(&looks[place]))).collect();
    let mut moving = Moving::<_, Sides<MEASURES>>::new(&combs, REACH);
    let here = |place: usize| telling.partition_point(|&other| other < place);
    (0..looks.len()).map(|place| are_of_other_moments(moving.around(here(place)))).collect()
}

fn combs(look: &FieldFeatures) -> Combs {
    let ripple = &look.sample.measures.ripple;
    let double = Direction::of(SCALINGS[0]);
    let whole = |value: f32| (value * f32::from(i16::MAX)).round() as i32;
    [
        i32::from(ripple.chroma_comb.0),
        whole(double.part(ripple.raised_comb)),
        i32::from(ripple.comb.0),
        whole(double.part(ripple.scaled_combs[0])),
    ]
}

/// Whether combs at even and at odd places are those of chroma of other moments.
fn are_of_other_moments(sides: &Sides<MEASURES>) -> bool {
    if sides.fewest() < SIDE_MIN {
        return false;
    }
    let [woven, raised, luma, luma_half] = [WOVEN, RAISED, LUMA, LUMA_HALF]
        .map(|measure| sides.turning_and_staying(measure, f64::from(i16::MAX)));
    let luma_turning = luma.0.abs().max(luma_half.0.abs());
    let shows = |(turning, error, staying): (f64, f64, f64)| {
        let least = TURNING.max(ERRORS * error).max(OF_STAYING * staying.abs());
        turning.abs() >= least && luma_turning <= OF_LUMA * turning.abs()
    };
    shows(woven) || shows(raised)
}

#[cfg(test)]
mod tests {
    use super::super::sample::{FieldSample, Weave};
    use super::*;
    use crate::fingerprint::ripple::SignedShare;
    use crate::fingerprint::{FieldMeasures, Phasor, Ripple};

    const PICTURES: usize = 100;

    /// Combs of a picture: how strong those of chroma and of luma are, by turns and always.
    #[derive(Clone, Copy, Default)]
    struct Case {
        woven: f32,
        raised: f32,
        staying: f32,
        luma: f32,
        noise: f32,
    }

    fn share(value: f32) -> SignedShare {
        SignedShare((value * 32_767.0) as i16)
    }

    fn look(case: Case, place: usize) -> FieldFeatures {
        let turn = if place % 2 == 0 { 1.0 } else { -1.0 };
        // A fixed order that has nothing to do with even and odd places.
        let noise = case.noise * ((place * 7 % 11) as f32 / 5.0 - 1.0);
        let raised = share((turn * case.raised + noise) * std::f32::consts::FRAC_1_SQRT_2);
        let ripple = Ripple {
            chroma_comb: share(turn * case.woven + case.staying + noise),
            raised_comb: Phasor { cosine: raised, sine: raised },
            comb: share(turn * case.luma),
            ..Ripple::default()
        };
        let sample = FieldSample {
            measures: FieldMeasures { ripple, ..FieldMeasures::default() },
            ..FieldSample::default()
        };
        FieldFeatures { frame: 2 * place, luma: None, chroma: Some(Weave::default()), sample }
    }

    /// Each rule of [`are_of_other_moments`] has its line.
    #[test]
    fn chroma_of_other_moments_is_told_by_what_turns_in_chroma_alone() {
        let faint = Case { woven: 0.03, noise: 0.05, ..Case::default() };
        let table = [
            ("woven, hardly left by a recorder", PICTURES, true, faint),
            ("raised", PICTURES, true, Case { woven: 0.0, raised: 0.03, ..faint }),
            ("soft chroma with a comb by itself", PICTURES, false, Case { staying: 0.2, ..faint }),
            ("luma turns as well", PICTURES, false, Case { luma: 0.01, ..faint }),
            ("too little", PICTURES, false, Case { woven: 0.015, noise: 0.0, ..faint }),
            ("no more than noise", PICTURES, false, Case { noise: 0.3, ..faint }),
            ("too few pictures", 39, false, Case { woven: 0.3, ..faint }),
        ];
        for (name, pictures, expected, case) in table {
            let looks: Vec<FieldFeatures> = (0..pictures).map(|place| look(case, place)).collect();
            let found = of_other_moments(&looks);
            assert!(found.iter().all(|&found| found == expected), "{name}: {found:?}");
        }
    }
}
