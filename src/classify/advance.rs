//! Whether a frame goes on the way that the pictures around it go.
//!
//! Slow motion goes on in one direction; coding error does not. The pictures before a frame and those after it, each
//! taken together, tell the direction; the step into the frame is measured along it. Of the 96 cells of a signature all
//! but this one direction is coding error to it, so that a step far below the error of a block shows.

use std::collections::VecDeque;

use crate::fingerprint::{FrameFingerprint, Signature, FIXED_POINT};

use super::evidence::FrameEvidence;

/// Frames on either side that tell the direction: four span the longest hold of the trade's cadences.
pub(super) const SIDE: usize = 4;

/// A step of this part of what there is to see (root mean square over the cells) leads to another picture: no way lies
/// between such pictures. Choice; anything from 0.4 to 0.8 gives the same.
const LEAP: f64 = 0.3;

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
    /// Signatures of the frames around the one whose advance is found next.
    around: VecDeque<Signature>,
    /// The frame that `around` begins with.
    first: usize,
}

impl EvidenceReader {
    /// The next frame.
    pub fn push(&mut self, fingerprint: &FrameFingerprint) {
        self.evidence.push(FrameEvidence::new(fingerprint));
        self.around.push_back(fingerprint.signature);
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

    fn find(&mut self, frame: usize) {
        while self.first + SIDE + 1 < frame {
            self.around.pop_front();
            self.first += 1;
        }
        let at = frame - self.first;
        let window = &self.around.make_contiguous()[..(at + 1 + SIDE).min(self.evidence.len() - self.first)];
        self.evidence[frame].advance = if leaps(window) { Advance::default() } else { advance(window, at) };
    }
}

/// The advance into frame `at` of the window.
fn advance(window: &[Signature], at: usize) -> Advance {
    let (before, after) = (&window[..at - 1], &window[at + 1..]);
    let [last, this] = [&window[at - 1], &window[at]];
    if before.is_empty() || after.is_empty() {
        return Advance::default();
    }
    let mean = |side: &[Signature], cell: usize| {
        side.iter().map(|signature| f64::from(signature[cell])).sum::<f64>() / side.len() as f64
    };
    let (mut along, mut square) = (0.0, 0.0);
    for cell in 0..last.len() {
        let way = mean(after, cell) - mean(before, cell);
        along += way * (f64::from(this[cell]) - f64::from(last[cell]));
        square += way * way;
    }
    if square == 0.0 {
        return Advance::default();
    }
    // From the middle of the frames before to the middle of those after.
    let frames = (before.len() + after.len()) as f64 / 2.0 + 2.0;
    let unit = f64::from(FIXED_POINT) * (last.len() as f64).sqrt();
    Advance {
        step: (along / square.sqrt() / unit) as f32,
        pace: (square.sqrt() / frames / unit) as f32,
    }
}

/// Whether one step is no small part of what there is to see.
fn leaps(window: &[Signature]) -> bool {
    let values = || window[0].iter().map(|&value| f64::from(value));
    let mean = values().sum::<f64>() / window[0].len() as f64;
    let seen: f64 = values().map(|value| (value - mean).powi(2)).sum();
    let step = |pair: &[Signature]| -> f64 {
        let cells = pair[0].iter().zip(&pair[1]);
        cells.map(|(&a, &b)| (f64::from(a) - f64::from(b)).powi(2)).sum()
    };
    window.windows(2).any(|pair| step(pair) > LEAP * LEAP * seen)
}
