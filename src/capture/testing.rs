//! What the readers' tests share.

use super::FrameSource;
use crate::error::Error;
use crate::frame::FrameTiming;
use crate::note::{Note, NoteCode};

/// All that came out of a reader.
#[derive(Debug)]
pub(crate) struct Outcome {
    pub(crate) frames: Vec<(FrameTiming, Vec<u8>)>,
    pub(crate) error: Option<Error>,
    pub(crate) notes: Vec<Note>,
}

impl Outcome {
    pub(crate) fn note_codes(&self) -> Vec<NoteCode> {
        self.notes.iter().map(|note| note.code).collect()
    }

    pub(crate) fn ticks(&self) -> Vec<Option<i64>> {
        self.frames.iter().map(|(timing, _)| timing.ticks).collect()
    }
}

/// Reads to the end or the first error. Every frame has the length its shape says.
pub(crate) fn read_all(mut source: Box<dyn FrameSource>) -> Outcome {
    let len = source.facts().shape.byte_len();
    let (mut frames, mut error) = (Vec::new(), None);
    let mut samples = Vec::new();
    loop {
        match source.read_frame(&mut samples) {
            Ok(Some(timing)) => {
                assert_eq!(samples.len(), len);
                frames.push((timing, samples.clone()));
            }
            Ok(None) => break,
            Err(found) => {
                error = Some(found);
                break;
            }
        }
    }
    Outcome { frames, error, notes: source.finish().notes }
}

/// The error as the person sees it, with its hint on a second line.
pub(crate) fn shown(error: &Error) -> String {
    format!("{error}\n{}", error.hint)
}

/// A small generator of repeatable numbers: xorshift64, shifts 13, 7, 17 (Marsaglia 2003).
pub(crate) struct Numbers(pub(crate) u64);

impl Numbers {
    pub(crate) fn below(&mut self, limit: usize) -> usize {
        self.0 ^= self.0 << 13;
        self.0 ^= self.0 >> 7;
        self.0 ^= self.0 << 17;
        (self.0 % limit as u64) as usize
    }

    /// A copy of `bytes` with a few bytes changed, removed, repeated or cut off.
    pub(crate) fn mutated(&mut self, bytes: &[u8]) -> Vec<u8> {
        let mut mutant = bytes.to_vec();
        for _ in 0..=self.below(4) {
            let at = self.below(mutant.len().max(1));
            if mutant.is_empty() {
                break;
            }
            match self.below(5) {
                0 => mutant[at] = self.below(256) as u8,
                1 => mutant[at] ^= 1 << self.below(8),
                2 => drop(mutant.remove(at)),
                3 => mutant.insert(at, mutant[at]),
                _ => mutant.truncate(at),
            }
        }
        mutant
    }
}
