//! Frames that hold the samples of a picture of the clip: equal digests are proof, whatever the picture looks like.

use std::collections::HashMap;

use super::Signature;
use crate::fingerprint::{Digest, FIXED_POINT, UNKNOWN_DIGEST};

/// Pictures, each of other samples, that must be met before the whole recording is taken to hold the clip's samples. Choice:
/// one or two may be cards that look alike at any size.
const PICTURES_MIN: usize = 4;
/// Brightest cell less darkest one from which a picture is no plain area, code values: plain areas are the same at any size.
const STRUCTURE_MIN: f32 = 2.0;
/// Places tried for a picture that comes again and again in the clip, those nearest to where the path is.
const PLACES_MAX: usize = 64;

/// Which frames hold the samples of which pictures.
#[derive(Clone, Debug, Default)]
pub struct Proof {
    /// Number of the samples of each picture of the clip.
    clip: Vec<u32>,
    /// The same of each frame, where the clip holds them.
    capture: Vec<Option<u32>>,
    /// By that number, the first picture of each run of pictures with these samples.
    firsts: Vec<Vec<u32>>,
}

impl Proof {
    /// From one digest per picture and per frame, of pictures of one size.
    pub fn new(clip: &[Digest], capture: &[Digest]) -> Self {
        let mut numbers: HashMap<&Digest, u32> = HashMap::new();
        let mut firsts: Vec<Vec<u32>> = Vec::new();
        let mut of_clip: Vec<u32> = Vec::with_capacity(clip.len());
        for (picture, digest) in clip.iter().enumerate() {
            let number = *numbers.entry(digest).or_insert(firsts.len() as u32);
            if number as usize == firsts.len() {
                firsts.push(Vec::new());
            }
            if of_clip.last() != Some(&number) {
                firsts[number as usize].push(picture as u32);
            }
            of_clip.push(number);
        }
        // A report without digests has the same mark for all of them.
        let known = |digest: &&Digest| **digest != UNKNOWN_DIGEST;
        let number =
            |digest: &Digest| Some(digest).filter(known).and_then(|digest| numbers.get(digest).copied());
        let of_capture = capture.iter().map(number).collect();
        Self { clip: of_clip, capture: of_capture, firsts }
    }

    /// The same of fields, two in each frame, in clip and capture of one order.
    pub fn of_fields(&self) -> Self {
        let both = |number: u32| [2 * number, 2 * number + 1];
        let firsts = self.firsts.iter().flat_map(|firsts| {
            [0, 1].map(|field| firsts.iter().map(|picture| 2 * picture + field).collect())
        });
        Self {
            clip: self.clip.iter().copied().flat_map(both).collect(),
            capture: self
                .capture
                .iter()
                .flat_map(|number| [0, 1].map(|field| number.map(|number| both(number)[field])))
                .collect(),
            firsts: firsts.collect(),
        }
    }

    /// Whether enough is proven to know that clip and recording have the same samples.
    pub(super) fn is_whole(&self, capture: &[Signature]) -> bool {
        let structured = |signature: &Signature| {
            let (low, high) =
                signature.iter().fold((u16::MAX, 0), |(low, high), &cell| (low.min(cell), high.max(cell)));
            f32::from(high - low.min(high)) >= STRUCTURE_MIN * FIXED_POINT
        };
        let mut met: Vec<u32> = self
            .capture
            .iter()
            .zip(capture)
            .filter(|(_, signature)| structured(signature))
            .filter_map(|(number, _)| *number)
            .collect();
        met.sort_unstable();
        met.dedup();
        met.len() >= PICTURES_MIN
    }

    /// Frames whose samples the clip holds, each with a picture that has them.
    pub(super) fn pairs(&self) -> impl Iterator<Item = (usize, usize)> + '_ {
        let pair = |(frame, number): (usize, &Option<u32>)| {
            Some((frame, self.firsts[number.as_ref().copied()? as usize][0] as usize))
        };
        self.capture.iter().enumerate().filter_map(pair)
    }

    /// What a frame must show; `None` where the clip does not hold its samples.
    pub(super) fn of_frame(&self, frame: usize) -> Option<Held<'_>> {
        let number = *self.capture.get(frame)?.as_ref()?;
        Some(Held { proof: self, number })
    }
}

/// Samples that the clip holds.
#[derive(Clone, Copy)]
pub(super) struct Held<'a> {
    proof: &'a Proof,
    number: u32,
}

impl<'a> Held<'a> {
    /// Whether a picture has these samples.
    pub fn by(self, picture: usize) -> bool {
        self.proof.clip[picture] == self.number
    }

    /// Pictures that begin runs with these samples, those nearest to one.
    pub fn near(self, picture: u32) -> &'a [u32] {
        let firsts = &self.proof.firsts[self.number as usize];
        let at = firsts.partition_point(|&first| first < picture);
        let from = at.saturating_sub(PLACES_MAX / 2);
        &firsts[from..firsts.len().min(from + PLACES_MAX)]
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn digests(of: &[u8]) -> Vec<Digest> {
        of.iter().map(|&value| [value; 32]).collect()
    }

    #[test]
    fn equal_digests_lead_to_every_run_of_a_picture() {
        let proof = Proof::new(&digests(&[1, 1, 2, 3, 1]), &digests(&[2, 9, 1]));
        let places = |proof: &Proof, frame| proof.of_frame(frame).map(|held| held.near(0).to_vec());
        assert_eq!([0, 1, 2].map(|frame| places(&proof, frame)), [Some(vec![2]), None, Some(vec![0, 4])]);
        let held = proof.of_frame(2).unwrap();
        assert_eq!([0, 1, 2, 3, 4].map(|picture| held.by(picture)), [true, true, false, false, true]);
        let fields = proof.of_fields();
        assert_eq!([0, 1, 2].map(|field| places(&fields, field)), [Some(vec![4]), Some(vec![5]), None]);
    }

    #[test]
    fn digests_that_are_not_known_prove_nothing() {
        let unknown = [UNKNOWN_DIGEST; 5];
        let proof = Proof::new(&unknown, &unknown);
        assert!((0..5).all(|frame| proof.of_frame(frame).is_none()));
    }

    #[test]
    fn plain_areas_prove_no_size() {
        let clip = digests(&[0, 1, 2, 3, 4, 5]);
        let proof = Proof::new(&clip, &clip);
        let plain = vec![[1000; super::super::CELLS]; 6];
        assert!(!proof.is_whole(&plain));
        let mut structured = plain;
        structured.iter_mut().for_each(|signature| signature[7] = 2000);
        assert!(proof.is_whole(&structured));
    }
}
