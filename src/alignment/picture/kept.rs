//! What is kept of a few frames of a capture, evenly spread, as they come: enough to measure the picture by, whatever the
//! capture's length.

use crate::fingerprint::{ChartReading, ChromaSignature, FrameFingerprint, LumaEnds};

/// Frames kept at most. Choice: eight times as many as are measured, so that enough of them have a place in the clip.
const KEPT_MAX: usize = 256;

/// What is kept of one frame.
#[derive(Clone, Debug, PartialEq)]
pub struct KeptFrame {
    /// Its number in the capture.
    pub frame: usize,
    /// Its colour differences.
    pub chroma: ChromaSignature,
    /// What lies at the ends of its range.
    pub ends: LumaEnds,
    /// What the test clip's chart says.
    pub chart: Option<ChartReading>,
}

/// Frames kept of a capture, in order.
#[derive(Clone, Debug, Default)]
pub struct KeptFrames {
    seen: usize,
    /// Frames from one kept to the next; 0 before the first.
    every: usize,
    kept: Vec<KeptFrame>,
}

impl KeptFrames {
    /// Sees the next frame.
    pub fn push(&mut self, fingerprint: &FrameFingerprint) {
        let every = self.every.max(1);
        if self.seen % every == 0 {
            if self.kept.len() == KEPT_MAX {
                self.every = 2 * every;
                let mut position = 0;
                self.kept.retain(|_| {
                    position += 1;
                    position % 2 == 1
                });
            }
            if self.seen % self.every.max(1) == 0 {
                let FrameFingerprint { chroma, ends, chart, .. } = *fingerprint;
                self.kept.push(KeptFrame { frame: self.seen, chroma, ends, chart });
            }
        }
        self.seen += 1;
    }

    /// The frames.
    pub fn frames(&self) -> &[KeptFrame] {
        &self.kept
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Frames kept of so many.
    fn kept(count: usize) -> Vec<usize> {
        let fingerprint = crate::fingerprint::blank();
        let mut kept = KeptFrames::default();
        (0..count).for_each(|_| kept.push(&fingerprint));
        kept.frames().iter().map(|kept| kept.frame).collect()
    }

    #[test]
    fn frames_are_kept_evenly_and_never_too_many() {
        assert_eq!(kept(3), [0, 1, 2]);
        assert_eq!(kept(256), (0..256).collect::<Vec<_>>());
        assert_eq!(kept(257), (0..257).step_by(2).collect::<Vec<_>>());
        for count in [258, 1000, 4097] {
            let kept = kept(count);
            let every = kept[1];
            assert!((KEPT_MAX / 2..=KEPT_MAX).contains(&kept.len()), "{count}: {}", kept.len());
            assert_eq!(kept, (0..count).step_by(every).collect::<Vec<_>>());
        }
    }
}
