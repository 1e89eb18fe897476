//! Which picture of the clip each delivered frame shows. The list is the truth an audit is held against.

use crate::units::Rate;

use super::texture::Dice;

/// What one delivered frame shows.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Shown {
    /// One picture of the clip, counted from 0.
    Picture(u64),
    /// A weighted mix of two pictures.
    Mix {
        /// The earlier picture.
        first: u64,
        /// The later picture.
        second: u64,
        /// Weight of the later picture, between 0 and 1.
        weight: f32,
    },
}

/// A stall: one picture stays, and what follows either skips what was missed or comes late.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Stall {
    /// First frame that repeats.
    pub first_frame: usize,
    /// Frames that repeat.
    pub frames: usize,
    /// Pictures lost when playing goes on: `frames` where the player catches up, 0 where it runs late.
    pub lost: u64,
}

/// Pictures of a clip at rate `source`, shown at rate `delivered` with the evenest holds.
///
/// Picture k first appears in slot ⌈k·q/p⌉ for the ratio p/q of the rates: slot n shows ⌊n·p/q⌋.
pub fn even(source: Rate, delivered: Rate, frames: usize) -> Vec<u64> {
    let (p, q) = (u128::from(source.num() * delivered.den()), u128::from(source.den() * delivered.num()));
    (0..frames as u128).map(|slot| (slot * p / q) as u64).collect()
}

/// Pictures held for `holds` frames each, over and over. An empty or all-zero pattern shows picture 0 only.
pub fn pattern(holds: &[u32], frames: usize) -> Vec<u64> {
    let mut shown = Vec::with_capacity(frames);
    if holds.iter().all(|&hold| hold == 0) {
        return vec![0; frames];
    }
    for (picture, &hold) in holds.iter().cycle().enumerate() {
        if shown.len() >= frames {
            break;
        }
        shown.extend(std::iter::repeat_n(picture as u64, hold as usize));
    }
    shown.truncate(frames);
    shown
}

/// Goes on from the picture after the last of `first` with the pictures of `second`, counted anew.
pub fn joined(first: &[u64], second: &[u64]) -> Vec<u64> {
    let start = first.last().map_or(0, |last| last + 1);
    first.iter().copied().chain(second.iter().map(|picture| picture + start)).collect()
}

/// Applies `stalls` (in frame order) to a list: from its first frame on, each stall shows the picture before
/// again, then goes on. A list that runs late ends earlier in the clip; its length stays.
pub fn stalled(list: &[u64], stalls: &[Stall]) -> Vec<u64> {
    let mut shown = list.to_vec();
    for stall in stalls {
        if stall.first_frame == 0 || stall.first_frame + stall.frames >= shown.len() {
            continue;
        }
        let held = shown[stall.first_frame - 1];
        let resumed = shown[stall.first_frame..].to_vec();
        let skipped = stall.lost as usize;
        shown.truncate(stall.first_frame);
        shown.extend(std::iter::repeat_n(held, stall.frames));
        shown.extend(resumed.iter().skip(skipped));
        let missing = list.len().saturating_sub(shown.len());
        let last = shown.last().copied().unwrap_or(0);
        shown.extend((1..=missing as u64).map(|step| last + step));
        shown.truncate(list.len());
    }
    shown
}

/// Stalls scattered over `frames` frames, one per `spacing`, each 3 to 8 frames long; every third comes late
/// without losing anything, the others lose as many pictures as they last.
pub fn scattered_stalls(frames: usize, spacing: usize, seed: u64) -> Vec<Stall> {
    const SHORTEST: u64 = 3;
    const LONGEST: u64 = 8;
    let mut dice = Dice::new(seed);
    let room = (spacing / 2).max(1);
    (0..frames / spacing.max(1))
        .map(|number| {
            let length = SHORTEST + dice.below(LONGEST - SHORTEST + 1);
            Stall {
                first_frame: number * spacing + spacing / 4 + dice.below(room as u64) as usize,
                frames: length as usize,
                lost: if number % 3 == 2 { 0 } else { length },
            }
        })
        .collect()
}

/// Every second delivered frame mixes neighbours where the rates do not fit: slot n shows the clip at
/// n·p/q, mixed from the two pictures around it in proportion.
pub fn mixed(source: Rate, delivered: Rate, frames: usize) -> Vec<Shown> {
    let (p, q) = (u128::from(source.num() * delivered.den()), u128::from(source.den() * delivered.num()));
    (0..frames as u128)
        .map(|slot| {
            let (first, rest) = ((slot * p / q) as u64, slot * p % q);
            if rest == 0 {
                return Shown::Picture(first);
            }
            Shown::Mix { first, second: first + 1, weight: (rest as f64 / q as f64) as f32 }
        })
        .collect()
}

/// A list of plain pictures.
pub fn plain(list: &[u64]) -> Vec<Shown> {
    list.iter().map(|&picture| Shown::Picture(picture)).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn holds(list: &[u64]) -> Vec<u32> {
        list.chunk_by(|a, b| a == b).map(|run| run.len() as u32).collect()
    }

    #[test]
    fn even_lists_are_mechanical_words() {
        // Holds of p on q slots, picture k first in slot ⌈kq/p⌉: a Christoffel word
        // (Lothaire, Algebraic Combinatorics on Words, 2002, chapter 2).
        for (source, delivered, expected) in [
            ("24", "60", vec![3, 2, 3, 2]),
            ("30", "60", vec![2, 2, 2]),
            ("25", "60", vec![3, 2, 3, 2, 2]),
            ("50", "60", vec![2, 1, 1, 1, 1]),
            ("48", "60", vec![2, 1, 1, 1]),
        ] {
            let frames = expected.iter().sum::<u32>() as usize;
            let list = even(Rate::parse(source).unwrap(), Rate::parse(delivered).unwrap(), frames);
            assert_eq!(holds(&list), expected, "{source} on {delivered}");
        }
    }

    #[test]
    fn a_slow_slip_repeats_once_in_1001_frames() {
        // 60 × 1000/1001 pictures on 60 frames: one repeat in 16.683333 s.
        let list = even(Rate::parse("59.94").unwrap(), Rate::parse("60").unwrap(), 2002);
        assert_eq!(list.windows(2).filter(|pair| pair[0] == pair[1]).count(), 2);
    }

    #[test]
    fn stalls_lose_or_delay() {
        let list: Vec<u64> = (0..12).collect();
        let stall = |lost| [Stall { first_frame: 4, frames: 3, lost }];
        assert_eq!(stalled(&list, &stall(3)), [0, 1, 2, 3, 3, 3, 3, 7, 8, 9, 10, 11]);
        assert_eq!(stalled(&list, &stall(0)), [0, 1, 2, 3, 3, 3, 3, 4, 5, 6, 7, 8]);
        assert_eq!(stalled(&list, &stall(4)), [0, 1, 2, 3, 3, 3, 3, 8, 9, 10, 11, 12]);
    }

    #[test]
    fn patterns_join_without_losing_a_picture() {
        assert_eq!(pattern(&[2, 3], 7), [0, 0, 1, 1, 1, 2, 2]);
        assert_eq!(pattern(&[0], 2), [0, 0]);
        assert_eq!(joined(&[0, 0, 1], &[0, 1, 1]), [0, 0, 1, 2, 3, 3]);
    }

    #[test]
    fn mixes_are_proportional() {
        let list = mixed(Rate::parse("48").unwrap(), Rate::parse("60").unwrap(), 6);
        assert_eq!(list[0], Shown::Picture(0));
        assert_eq!(list[1], Shown::Mix { first: 0, second: 1, weight: 0.8 });
        assert_eq!(list[5], Shown::Picture(4));
    }
}
