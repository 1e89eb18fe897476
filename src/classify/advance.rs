//! Whether a frame goes on the way that the pictures around it go.
//!
//! Slow motion goes on in one direction; coding error does not. The pictures before a frame and those after it, each
//! taken together, tell the direction; the step into the frame is measured along it. Of the 96 cells of a signature all
//! but this one direction is coding error to it, so that a step far below the error of a block shows.

use std::collections::VecDeque;

use crate::fingerprint::{FrameFingerprint, Signature, FIXED_POINT, SIGNATURE_COLUMNS, SIGNATURE_ROWS};

use super::evidence::FrameEvidence;

/// Frames on either side that tell the direction. Choice: four span the longest hold of the trade's cadences; three and six
/// give the same.
pub(super) const SIDE: usize = 4;

/// A step of this part of what there is to see (both as root mean squares over the cells) leads to another picture: no way
/// lies between such pictures. Choice: from 0.2 to 0.5 the calls of one seed and of the real clips change by less than 5 %.
const LEAP: f32 = 0.3;

/// Cells of a signature.
const CELLS: usize = SIGNATURE_COLUMNS * SIGNATURE_ROWS;

/// How far a frame goes on, code values of the signature as a root mean square over its cells.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Advance {
    /// Step from the frame before, along the direction of the frames around.
    pub step: f32,
    /// What the frames around go on by in each frame; 0 where nothing is around.
    pub pace: f32,
}

/// Takes fingerprints in order and gives what classification needs of them.
#[derive(Debug, Default)]
pub struct EvidenceReader {
    evidence: Vec<FrameEvidence>,
    /// Pictures around the frame whose advance is found next.
    around: VecDeque<Seen>,
    /// The frame that `around` begins with.
    first: usize,
}

/// A picture as its signature has it.
#[derive(Debug)]
struct Seen {
    signature: Signature,
    /// Sum of the squares of what its cells differ from their mean by.
    contrast: f32,
    /// Sum of the squares of what its cells differ from those of the frame before by.
    step: f32,
}

impl EvidenceReader {
    /// The next frame.
    pub fn push(&mut self, fingerprint: &FrameFingerprint) {
        self.evidence.push(FrameEvidence::new(fingerprint));
        let signature = fingerprint.signature;
        let step = self.around.back().map_or(0.0, |before| squares(&signature, &before.signature));
        self.around.push_back(Seen { signature, contrast: contrast(&signature), step });
        if self.evidence.len() > SIDE + 1 {
            self.find(self.evidence.len() - 1 - SIDE);
        }
    }

    /// Frames so far.
    pub fn len(&self) -> usize {
        self.evidence.len()
    }

    /// Whether there is no frame yet.
    pub fn is_empty(&self) -> bool {
        self.evidence.is_empty()
    }

    /// The evidence on all frames.
    pub fn finish(mut self) -> Vec<FrameEvidence> {
        for frame in self.evidence.len().saturating_sub(SIDE).max(1)..self.evidence.len() {
            self.find(frame);
        }
        self.evidence
    }

    /// Finds the advance into a frame, all frames around being there.
    fn find(&mut self, frame: usize) {
        while self.first + SIDE + 1 < frame {
            self.around.pop_front();
            self.first += 1;
        }
        let at = frame - self.first;
        let end = (at + 1 + SIDE).min(self.around.len());
        self.evidence[frame].advance = advance(&self.around.make_contiguous()[..end], at);
    }
}

/// The advance into frame `at` of a window.
fn advance(window: &[Seen], at: usize) -> Advance {
    let (before, after) = (&window[..at - 1], &window[at + 1..]);
    let contrast = window[at].contrast.min(window[at - 1].contrast);
    let leaps = window[1..].iter().any(|one| one.step > LEAP * LEAP * contrast);
    if before.is_empty() || after.is_empty() || leaps {
        return Advance::default();
    }
    let (from, to) = (sums(before), sums(after));
    let (weight_from, weight_to) = (1.0 / before.len() as f32, 1.0 / after.len() as f32);
    let mut way = [0.0; CELLS];
    for ((way, from), to) in way.iter_mut().zip(from).zip(to) {
        *way = weight_to * to as f32 - weight_from * from as f32;
    }
    let square = in_lanes(|cell| way[cell] * way[cell]);
    if square == 0.0 {
        return Advance::default();
    }
    let (this, last) = (&window[at].signature, &window[at - 1].signature);
    let along = in_lanes(|cell| way[cell] * (i32::from(this[cell]) - i32::from(last[cell])) as f32);
    // From the middle of the frames before to the middle of those after.
    let frames = (before.len() + after.len()) as f32 / 2.0 + 2.0;
    let unit = FIXED_POINT * (CELLS as f32).sqrt();
    Advance { step: along / square.sqrt() / unit, pace: square.sqrt() / frames / unit }
}

/// Sum over all cells, in lanes that a processor adds at once.
fn in_lanes(of: impl Fn(usize) -> f32) -> f32 {
    const LANES: usize = 16;
    let mut sums = [0.0; LANES];
    for from in (0..CELLS).step_by(LANES) {
        for (lane, sum) in sums.iter_mut().enumerate() {
            *sum += of(from + lane);
        }
    }
    sums.iter().sum()
}

/// Sums of the cells of some pictures.
fn sums(pictures: &[Seen]) -> [i32; CELLS] {
    let mut sums = [0; CELLS];
    for picture in pictures {
        sums.iter_mut().zip(&picture.signature).for_each(|(sum, &cell)| *sum += i32::from(cell));
    }
    sums
}

fn squares(one: &Signature, other: &Signature) -> f32 {
    in_lanes(|cell| ((i32::from(one[cell]) - i32::from(other[cell])) as f32).powi(2))
}

fn contrast(signature: &Signature) -> f32 {
    let mean = in_lanes(|cell| f32::from(signature[cell])) / CELLS as f32;
    in_lanes(|cell| (f32::from(signature[cell]) - mean).powi(2))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::fingerprint::blank;

    /// Advances into frames that show these pictures of a slope that moves by `speed` code values per picture.
    fn advances(pictures: &[u16], speed: u16) -> Vec<Advance> {
        let mut reader = EvidenceReader::default();
        for &picture in pictures {
            let mut fingerprint = blank();
            for (cell, value) in fingerprint.signature.iter_mut().enumerate() {
                *value = (cell as u16 * 100) + picture * speed * FIXED_POINT as u16;
            }
            reader.push(&fingerprint);
        }
        reader.finish().into_iter().map(|one| one.advance).collect()
    }

    fn held(hold: usize, frames: usize) -> Vec<u16> {
        (0..frames).map(|frame| (frame / hold) as u16).collect()
    }

    #[test]
    fn a_frame_goes_on_by_what_its_picture_moved() {
        for hold in [1, 2, 3] {
            let all = advances(&held(hold, 30), 3);
            for (frame, one) in all.iter().enumerate().take(24).skip(6) {
                let moved = if frame % hold == 0 { 3.0 } else { 0.0 };
                assert!((one.step - moved).abs() < 1e-3, "hold {hold}, frame {frame}: {one:?}");
                assert!((one.pace * hold as f32 - 3.0).abs() < 0.9, "hold {hold}, frame {frame}: {one:?}");
            }
        }
    }

    #[test]
    fn backwards_a_frame_goes_on_by_as_much() {
        let pictures: Vec<u16> = [0, 1, 1, 2, 4, 4, 5, 6, 6, 6, 7, 9, 10, 10, 11, 12].to_vec();
        let mut backwards = pictures.clone();
        backwards.reverse();
        let there = advances(&pictures, 2);
        let mut back = advances(&backwards, 2);
        // The step into frame i leads, backwards, into the frame before it.
        back[1..].reverse();
        for (frame, (one, other)) in there.iter().zip(&back).enumerate() {
            assert!((one.step - other.step).abs() < 1e-4 && (one.pace - other.pace).abs() < 1e-4, "{frame}");
        }
    }

    #[test]
    fn around_a_cut_no_way_is_known() {
        let mut pictures = held(1, 30);
        pictures[15..].iter_mut().for_each(|picture| *picture += 200);
        let known: Vec<usize> = (0..30).filter(|&frame| advances(&pictures, 3)[frame].pace > 0.0).collect();
        let around = 15 - SIDE..=15 + SIDE;
        assert!(known.iter().all(|frame| !around.contains(frame)), "{known:?}");
        assert!(known.contains(&10) && known.contains(&20), "{known:?}");
    }

    #[test]
    fn few_frames_are_no_trouble() {
        for frames in 0..4 {
            assert_eq!(advances(&held(1, frames), 3), vec![Advance::default(); frames]);
        }
        assert!(advances(&[5; 20], 3).iter().all(|one| *one == Advance::default()), "what stands has no way");
    }
}
