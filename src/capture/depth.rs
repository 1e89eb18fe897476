//! Samples above the bit depth that a capture states: no reader may let them through, because everything after counts
//! on the range.

use super::{CaptureEnd, CaptureFacts, Extent, FrameSource, Leap, PlacedFrames};
use crate::error::{Error, Result};
use crate::frame::{FrameTiming, PixelFormat};

/// A source whose samples are within the depth it states; reading ends at the first frame where one is not.
pub(super) struct DepthChecked {
    inner: Box<dyn FrameSource>,
    place: String,
    next: u64,
}

impl DepthChecked {
    /// `inner`, checked where its samples have room for more than its depth; errors call it `place`.
    pub(super) fn of(inner: Box<dyn FrameSource>, place: &str) -> Box<dyn FrameSource> {
        let format = inner.facts().shape.pixel_format;
        if format.bytes_per_sample() == 1 || format.bit_depth == PixelFormat::BIT_DEPTH_MAX {
            return inner;
        }
        Box::new(Self { inner, place: place.to_owned(), next: 0 })
    }
}

/// Whether a little-endian sample of 16 bits has a bit above `bit_depth`.
pub(super) fn exceeds(samples: &[u8], bit_depth: u8) -> bool {
    let all = samples.chunks_exact(2).fold(0u16, |all, pair| all | u16::from_le_bytes([pair[0], pair[1]]));
    all >> bit_depth != 0
}

impl FrameSource for DepthChecked {
    fn facts(&self) -> &CaptureFacts {
        self.inner.facts()
    }

    fn read_frame(&mut self, samples: &mut Vec<u8>) -> Result<Option<FrameTiming>> {
        let timing = self.inner.read_frame(samples)?;
        let frame = self.next;
        self.next += u64::from(timing.is_some());
        let bit_depth = self.facts().shape.pixel_format.bit_depth;
        if timing.is_some() && exceeds(samples, bit_depth) {
            let largest = samples.chunks_exact(2).map(|pair| u16::from_le_bytes([pair[0], pair[1]])).max();
            return Err(Error::new(
                self.place.clone(),
                format!("sample out of range in frame {frame}"),
                format!(
                    "{}, allowed are 0 to {} at {bit_depth} bit",
                    largest.unwrap_or(0),
                    (1u32 << bit_depth) - 1
                ),
                "record again with samples in the low bits, or correct the depth that the header states",
            ));
        }
        Ok(timing)
    }

    fn leap(&mut self, leap: Leap) -> Result<bool> {
        let passed = self.inner.leap(leap)?;
        self.next += if passed { leap.frames } else { 0 };
        Ok(passed)
    }

    fn extent(&self) -> Option<Extent> {
        self.inner.extent()
    }

    fn go_to(&mut self, ticks: i64) -> Result<bool> {
        self.inner.go_to(ticks)
    }

    fn placed(&mut self) -> Option<PlacedFrames> {
        let bit_depth = self.facts().shape.pixel_format.bit_depth;
        self.inner.placed().map(|frames| frames.within_depth(bit_depth))
    }

    fn finish(self: Box<Self>) -> CaptureEnd {
        self.inner.finish()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn bits_above_the_depth_are_seen() {
        for (sample, bit_depth, expected) in [
            (1023u16, 10, false),
            (1024, 10, true),
            (4095, 12, false),
            (0xffff, 12, true),
            (0, 9, false),
            (512, 9, true),
        ] {
            let samples = [[1, 0], sample.to_le_bytes()].concat();
            assert_eq!(exceeds(&samples, bit_depth), expected, "{sample} at {bit_depth}");
        }
    }
}
