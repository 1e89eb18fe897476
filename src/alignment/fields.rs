//! Fields as what is placed: signatures of fields from those of frames, and what a frame shows by what its fields show.

use super::{Signature, SourcePlace, CELLS};
use crate::fingerprint::ParityDifference;

/// Fields on each side over which rows that only one parity sees must stay. Choice: with three on each side no layout of
/// film over fields looks like it, since each has a picture of three fields or more, or repeats that are known.
const STEADY_FIELDS: usize = 3;

/// Frames with the difference of their fields, in order.
#[derive(Clone, Copy, Debug)]
pub struct WovenFrames<'a> {
    /// One signature per frame.
    pub signatures: &'a [Signature],
    /// One difference per frame.
    pub differences: &'a [ParityDifference],
}

/// Signatures of the top and the bottom field of a frame.
pub fn of_frame(signature: &Signature, difference: &ParityDifference) -> [Signature; 2] {
    let cell = |cell: usize, sign: i32| {
        let value = i32::from(signature[cell]) + sign * i32::from(difference[cell]);
        value.clamp(0, i32::from(u16::MAX)) as u16
    };
    [1, -1].map(|sign| std::array::from_fn(|at| cell(at, sign)))
}

impl WovenFrames<'_> {
    /// Signatures of all fields in the order of their moments; `top_first` tells it for each frame.
    pub fn fields(self, top_first: impl Fn(usize) -> bool) -> Vec<Signature> {
        let frames = self.signatures.iter().zip(self.differences).enumerate();
        frames
            .flat_map(|(index, (signature, difference))| {
                let [top, bottom] = of_frame(signature, difference);
                if top_first(index) {
                    [top, bottom]
                } else {
                    [bottom, top]
                }
            })
            .collect()
    }
}

/// Takes off what only one parity sees of a picture that stands: rows thinner than a field resolves. Otherwise a still
/// scene would seem to hop from field to field, and a picture made of both would lie between any two.
///
/// In a row of fields such detail alternates, while motion goes on: what alternates in the same way in every field around
/// is detail. `repeats` says which fields show the moment of the one before; where some
/// do, what alternates may be pictures.
pub fn level_parities(fields: &mut [Signature], repeats: &[bool]) {
    let original: Vec<Signature> = fields.to_vec();
    let alternating: Vec<[i16; CELLS]> = (0..original.len())
        .map(|at| match original.get(at.wrapping_sub(1)..at + 2) {
            Some([before, now, after]) => {
                std::array::from_fn(|cell| alternation(at, [before, now, after].map(|field| field[cell])))
            }
            _ => [0; CELLS],
        })
        .collect();
    let repeated = |at: usize| repeats.get(at) == Some(&true);
    for (at, field) in fields.iter_mut().enumerate() {
        // The ends have no alternation of their own, and take their neighbour's.
        let (first, last) = (
            at.saturating_sub(STEADY_FIELDS).max(1),
            (at + STEADY_FIELDS).min(original.len().saturating_sub(2)),
        );
        let repeats = (first..=last + 1).filter(|&at| repeated(at)).count();
        if first > last || repeats > 0 && repeats < last + 2 - first {
            continue;
        }
        let around = &alternating[first..=last];
        for (cell, value) in field.iter_mut().enumerate() {
            let mut values = [0; 2 * STEADY_FIELDS + 1];
            around.iter().zip(&mut values).for_each(|(one, value)| *value = one[cell]);
            let steady = steady(&values[..around.len()]);
            let signed = if at % 2 == 0 { steady } else { -steady };
            *value = (i32::from(*value) - i32::from(signed)).clamp(0, i32::from(u16::MAX)) as u16;
        }
    }
}

/// How far a field lies off the middle of its neighbours, halved, as that of even fields: in a still scene what even
/// fields have more than the mean.
fn alternation(at: usize, [before, now, after]: [u16; 3]) -> i16 {
    let off = (2 * i32::from(now) - i32::from(before) - i32::from(after)) / 4;
    let off = off.clamp(i32::from(i16::MIN + 1), i32::from(i16::MAX)) as i16;
    if at % 2 == 0 {
        off
    } else {
        -off
    }
}

/// The mean of the middle three of values that all have one sign, else nothing.
fn steady(values: &[i16]) -> i16 {
    let one_sign = values.iter().all(|&value| value > 0) || values.iter().all(|&value| value < 0);
    let middle = values.len() / 2;
    let near = &values[middle.saturating_sub(1)..(middle + 2).min(values.len())];
    let sum: i32 = near.iter().map(|&value| i32::from(value)).sum();
    if one_sign {
        (sum / near.len().max(1) as i32) as i16
    } else {
        0
    }
}

/// What a frame shows whose two fields, in the order of their moments, show these.
pub fn woven([first, second]: [SourcePlace; 2]) -> SourcePlace {
    use SourcePlace::{Ambiguous, Mix, Picture, Unknown, Woven};
    match (first, second) {
        (Unknown, known) | (known, Unknown) => known,
        (Picture(first), Picture(second)) if first != second => Woven { first, second },
        (Picture(picture), Picture(_)) => Picture(picture),
        (Mix { first, second, weight }, Mix { first: other, second: next, weight: turned })
            if (first, second) == (other, next) =>
        {
            Mix { first, second, weight: (weight + turned) / 2.0 }
        }
        _ => {
            let ranges = [first, second].into_iter().filter_map(super::settle::range);
            let (low, high) =
                ranges.fold((u32::MAX, 0), |(low, high), (from, to)| (low.min(from), high.max(to)));
            Ambiguous { first: low, last: high }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn flat(value: u16) -> Signature {
        [value; CELLS]
    }

    #[test]
    fn fields_come_in_the_order_of_their_moments() {
        let (signatures, differences) = ([flat(100), flat(200)], [[30; CELLS], [-10; CELLS]]);
        let frames = WovenFrames { signatures: &signatures, differences: &differences };
        assert_eq!(frames.fields(|_| true), [130, 70, 190, 210].map(flat));
        assert_eq!(frames.fields(|frame| frame == 0), [130, 70, 210, 190].map(flat));
    }

    #[test]
    fn detail_of_one_parity_is_taken_off_and_motion_is_not() {
        let detail = |at: usize| if at % 2 == 0 { 8 } else { -8 };
        let levelled = |value: &dyn Fn(usize) -> i32, repeats: &[bool]| {
            let mut fields: Vec<Signature> = (0..20).map(|at| flat(value(at) as u16)).collect();
            level_parities(&mut fields, repeats);
            fields.into_iter().map(|field| i32::from(field[7])).collect::<Vec<_>>()
        };
        assert_eq!(levelled(&|at| 1000 + detail(at), &[]), [1000; 20]);
        let moving = levelled(&|at| 1000 + 20 * at as i32 + detail(at), &[]);
        assert_eq!(moving, (0..20).map(|at| 1000 + 20 * at).collect::<Vec<_>>());
        // Film over fields, 2:3, and two fields a picture: the pictures stay what they are.
        let film = |at: usize| 1000 + 40 * [0, 0, 1, 1, 1][at % 5] + 80 * (at as i32 / 5);
        assert_eq!(levelled(&film, &[]), (0..20).map(film).collect::<Vec<_>>());
        let pairs = |at: usize| 1000 + 40 * (at as i32 / 2);
        let repeats: Vec<bool> = (0..20).map(|at| at % 2 == 1).collect();
        assert_eq!(levelled(&pairs, &repeats), (0..20).map(pairs).collect::<Vec<_>>());
    }

    #[test]
    fn two_fields_make_what_a_frame_shows() {
        use SourcePlace::{Ambiguous, Mix, Picture, Unknown, Woven};
        for (fields, expected) in [
            ([Picture(4), Picture(5)], Woven { first: 4, second: 5 }),
            ([Picture(5), Picture(4)], Woven { first: 5, second: 4 }),
            ([Picture(4), Picture(4)], Picture(4)),
            ([Unknown, Picture(4)], Picture(4)),
            ([Picture(4), Ambiguous { first: 5, last: 9 }], Ambiguous { first: 4, last: 9 }),
            (
                [Mix { first: 4, second: 5, weight: 0.25 }, Mix { first: 4, second: 5, weight: 0.75 }],
                Mix { first: 4, second: 5, weight: 0.5 },
            ),
            ([Unknown, Unknown], Unknown),
        ] {
            assert_eq!(woven(fields), expected, "{fields:?}");
        }
    }
}
