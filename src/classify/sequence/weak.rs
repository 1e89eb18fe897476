//! Stretches whose measure is weak but regular. The fitted ratio is right on the whole; in a stretch of very slow
//! motion under noise all its frames lean to `same`, new ones less than others. Where the capture's own cadence
//! shows in such a stretch beyond chance, its ratios are measured anew: against the two populations found there.

use super::Model;

/// Frames of one stretch: long enough for a weak contrast to show, short against the beat of rates that differ by
/// a thousandth (1001 frames).
const STRETCH: usize = 300;
/// Frames of the shortest stretch looked at. Choice: four of the longest cycle.
const STRETCH_MIN: usize = 100;
/// Frames from one stretch to the next.
const STEP: usize = 75;
/// Frames that a cycle must hold by the first reading to be the capture's own.
const ESTABLISHED_FRAMES: f32 = 60.0;
/// Share of a stretch that must be open for it to be weak.
const OPEN_SHARE: f64 = 0.7;
/// Ratios are held within this for the statistics and after them: what is clear stays as it is.
const REACH: f32 = super::super::CLEAR_LOG_RATIO;
/// Contrast of the two populations in standard errors from which it is not chance: 25 places of a cycle are
/// tried on every stretch of hours.
const CONTRAST_MIN: f32 = 5.0;

/// The capture's own cycle: of those with both classes, the one that the first reading found most frames in, as
/// slots that show a new picture.
pub(super) fn established<'a>(model: &'a Model, occupied: &[f32]) -> Option<&'a [bool]> {
    model
        .cycles
        .iter()
        .map(|cycle| &model.shows_new[cycle.clone()])
        .zip(occupied)
        .filter(|(slots, &frames)| {
            frames >= ESTABLISHED_FRAMES && slots.contains(&true) && slots.contains(&false)
        })
        .max_by(|a, b| a.1.total_cmp(b.1))
        .map(|(slots, _)| slots)
}

/// Two populations of ratios.
#[derive(Clone, Copy, Debug)]
struct Contrast {
    standard_errors: f32,
    middle: f32,
    /// Difference of the means over the variance within: what one unit of ratio is worth.
    worth: f32,
}

/// The ratios with weak but regular stretches measured anew; `None` where there are none.
pub(super) fn lifted(log_ratios: &[f32], cycle: &[bool]) -> Option<Vec<f32>> {
    let length = STRETCH.min(log_ratios.len());
    if length < STRETCH_MIN {
        return None;
    }
    let mut lifted: Option<Vec<f32>> = None;
    let last = log_ratios.len() - length;
    for start in (0..=last).step_by(STEP) {
        let stretch = &log_ratios[start..start + length];
        let open = stretch.iter().filter(|ratio| ratio.abs() < REACH).count();
        if (open as f64) < OPEN_SHARE * length as f64 {
            continue;
        }
        let Some(contrast) = strongest(stretch, cycle) else { continue };
        let out = lifted.get_or_insert_with(|| log_ratios.to_vec());
        // The middle of the stretch; its margins belong to the neighbours.
        let from = if start == 0 { 0 } else { start + (length - STEP) / 2 };
        let to = if start + STEP > last { log_ratios.len() } else { start + (length + STEP) / 2 };
        for frame in from..to {
            if log_ratios[frame].abs() < REACH {
                let ratio = (log_ratios[frame] - contrast.middle) * contrast.worth;
                out[frame] = ratio.clamp(-REACH, REACH);
            }
        }
    }
    lifted
}

/// Contrast at the place of the cycle where it shows most, if beyond chance.
fn strongest(stretch: &[f32], cycle: &[bool]) -> Option<Contrast> {
    (0..cycle.len())
        .filter_map(|place| contrast(stretch, cycle, place))
        .filter(|contrast| contrast.standard_errors >= CONTRAST_MIN)
        .max_by(|a, b| a.standard_errors.total_cmp(&b.standard_errors))
}

/// Contrast between the slots that `cycle`, begun at `place`, calls new and the others.
fn contrast(stretch: &[f32], cycle: &[bool], place: usize) -> Option<Contrast> {
    let mut sums = [[0.0f32; 3]; 2];
    for (frame, &ratio) in stretch.iter().enumerate() {
        let ratio = ratio.clamp(-REACH, REACH);
        let [count, sum, squares] = &mut sums[usize::from(cycle[(place + frame) % cycle.len()])];
        *count += 1.0;
        *sum += ratio;
        *squares += ratio * ratio;
    }
    let [same, new] = sums;
    let means = [same[1] / same[0], new[1] / new[0]];
    let within = same[2] - same[1] * means[0] + new[2] - new[1] * means[1];
    let variance = within / (stretch.len() as f32 - 2.0);
    let difference = means[1] - means[0];
    if variance <= 0.0 || difference <= 0.0 {
        return None;
    }
    Some(Contrast {
        standard_errors: difference / (variance * (1.0 / same[0] + 1.0 / new[0])).sqrt(),
        middle: (means[0] + means[1]) / 2.0,
        worth: difference / variance,
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Ratios that lean to `same` throughout, new pictures by `contrast` less, with a seeded wobble of ±1.
    fn leaning(cycle: &[bool], frames: usize, contrast: f32) -> Vec<f32> {
        let mut state = 1u32;
        (0..frames)
            .map(|frame| {
                state = state.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
                let wobble = (state >> 8) as f32 / (1 << 23) as f32 - 1.0;
                let new = cycle[frame % cycle.len()];
                -2.0 + wobble + if new { contrast } else { 0.0 }
            })
            .collect()
    }

    #[test]
    fn a_cadence_that_shows_in_the_lean_is_lifted_out_of_it() {
        let cycle = [true, false, false, true, false];
        let lifted = lifted(&leaning(&cycle, 600, 1.6), &cycle).expect("the cadence shows");
        let right = lifted.iter().enumerate().filter(|&(frame, &ratio)| (ratio > 0.0) == cycle[frame % 5]);
        let right = right.count();
        assert!(right > 480, "{right} of 600");
    }

    #[test]
    fn chance_is_left_alone() {
        let cycle = [true, false, false, true, false];
        for (name, ratios) in [
            ("no contrast", leaning(&cycle, 600, 0.0)),
            ("the other way round", leaning(&[true, false], 600, 1.0)),
            ("clear", leaning(&cycle, 600, 1.0).iter().map(|ratio| ratio * 5.0).collect()),
            ("too short", leaning(&cycle, 60, 1.0)),
            ("empty", Vec::new()),
        ] {
            assert_eq!(lifted(&ratios, &cycle), None, "{name}");
        }
    }
}
