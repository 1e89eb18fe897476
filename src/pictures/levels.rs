//! Code values of the frames that are read a second time, against the nominal ranges.

use crate::frame::{Family, FrameShape};

/// Nominal range of luma, code values at 8 bit: black and white. Source: ITU-R BT.601 (220 levels from 16 to 235);
/// deeper samples are these times a power of two (BT.709-6, BT.2020).
pub const LUMA_NOMINAL: (u16, u16) = (16, 235);
/// Nominal range of colour differences, code values at 8 bit. Source: as above (225 levels from 16 to 240).
pub const CHROMA_NOMINAL: (u16, u16) = (16, 240);

/// Share of all samples that must pile up at the lowest or highest value to be called clipped there, and how many
/// times more there are than at the value next to it. Choice.
const CLIPPED_SHARE: f64 = 0.002;
const CLIPPED_TIMES: u64 = 8;

/// How many samples have each code value, and what that says.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Histogram {
    /// Samples by code value.
    counts: Vec<u64>,
    /// Lowest and highest nominal code value.
    nominal: (u16, u16),
}

impl Histogram {
    fn new(bit_depth: u8, nominal: (u16, u16)) -> Self {
        let shift = bit_depth - 8;
        Self { counts: vec![0; 1 << bit_depth], nominal: (nominal.0 << shift, nominal.1 << shift) }
    }

    fn add(&mut self, samples: &[u8], bytes_per_sample: usize) {
        let last = self.counts.len() - 1;
        for sample in samples.chunks_exact(bytes_per_sample) {
            let value = match *sample {
                [one] => usize::from(one),
                _ => usize::from(u16::from_le_bytes([sample[0], sample[1]])),
            };
            self.counts[value.min(last)] += 1;
        }
    }

    fn total(&self) -> u64 {
        self.counts.iter().sum()
    }

    /// Lowest and highest nominal code value, in the samples' own depth.
    pub fn nominal(&self) -> (u16, u16) {
        self.nominal
    }

    /// Lowest and highest code value there is; `None` of no sample.
    pub fn extremes(&self) -> Option<(u16, u16)> {
        let first = self.counts.iter().position(|&count| count > 0)?;
        let last = self.counts.iter().rposition(|&count| count > 0)?;
        Some((first as u16, last as u16))
    }

    /// Shares of the samples below and above the nominal range, 0 to 1.
    pub fn outside(&self) -> (f64, f64) {
        let total = self.total().max(1) as f64;
        let (low, high) = (usize::from(self.nominal.0), usize::from(self.nominal.1));
        let share = |counts: &[u64]| counts.iter().sum::<u64>() as f64 / total;
        (share(&self.counts[..low]), share(&self.counts[high + 1..]))
    }

    /// Whether samples pile up at the lowest and at the highest value, and these are limits of the nominal range or
    /// outside it: what lay beyond was cut off. Painted pictures pile up elsewhere by themselves.
    pub fn clipped(&self) -> (bool, bool) {
        let Some((low, high)) = self.extremes().filter(|(low, high)| low < high) else {
            return (false, false);
        };
        let (low, high) = (usize::from(low), usize::from(high));
        let piles_up = |at: usize, next: usize| {
            let count = self.counts[at];
            count as f64 >= CLIPPED_SHARE * self.total() as f64 && count >= CLIPPED_TIMES * self.counts[next]
        };
        let (black, white) = (usize::from(self.nominal.0), usize::from(self.nominal.1));
        (low <= black && piles_up(low, low + 1), high >= white && piles_up(high, high - 1))
    }
}

/// Code values of luma and colour differences.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct SampleLevels {
    /// Luma; green of pictures in red, green and blue.
    pub luma: Histogram,
    /// Both colour differences; `None` where there are none.
    pub chroma: Option<Histogram>,
    /// Frames looked at.
    pub frames: u64,
}

impl SampleLevels {
    /// Of no frame yet.
    pub(super) fn new(shape: FrameShape) -> Self {
        let depth = shape.pixel_format.bit_depth;
        let has_chroma = matches!(shape.pixel_format.family, Family::Yuv { .. });
        Self {
            luma: Histogram::new(depth, LUMA_NOMINAL),
            chroma: has_chroma.then(|| Histogram::new(depth, CHROMA_NOMINAL)),
            frames: 0,
        }
    }

    /// Counts a frame's samples.
    pub(super) fn add(&mut self, shape: FrameShape, samples: &[u8]) {
        let bytes = shape.pixel_format.bytes_per_sample();
        let luma = (shape.width as usize * shape.height as usize * bytes).min(samples.len());
        self.luma.add(&samples[..luma], bytes);
        if let Some(chroma) = &mut self.chroma {
            chroma.add(&samples[luma..], bytes);
        }
        self.frames += 1;
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::frame::PixelFormat;

    fn levels(bit_depth: u8, samples: &[u8]) -> SampleLevels {
        let pixel_format = PixelFormat { family: Family::Gray, bit_depth };
        let shape = FrameShape { width: 100, height: 10, pixel_format };
        let mut levels = SampleLevels::new(shape);
        levels.add(shape, samples);
        levels
    }

    #[test]
    fn samples_outside_the_nominal_range_and_cut_ends_are_told() {
        // A ramp from 0 to 249, four samples each.
        let full: Vec<u8> = (0..1000).map(|at| (at / 4) as u8).collect();
        let found = levels(8, &full).luma;
        assert_eq!((found.nominal(), found.extremes()), ((16, 235), Some((0, 249))));
        assert_eq!(found.outside(), (0.064, 0.056));
        assert_eq!(found.clipped(), (false, false));
        // The same cut to the nominal range: what lay beyond is at its ends.
        let cut: Vec<u8> = full.iter().map(|&value| value.clamp(16, 235)).collect();
        let found = levels(8, &cut).luma;
        assert_eq!((found.outside(), found.clipped()), ((0.0, 0.0), (true, true)));
        // Flat colours within the range are no cut.
        let flat: Vec<u8> = (0..1000).map(|at| if at % 2 == 0 { 42 } else { 209 }).collect();
        assert_eq!(levels(8, &flat).luma.clipped(), (false, false));
        // 10 bit: 64 and 940 (ITU-R BT.709-6).
        let deep: Vec<u8> = (0..1000u16).flat_map(u16::to_le_bytes).collect();
        let found = levels(10, &deep).luma;
        assert_eq!((found.nominal(), found.outside()), ((64, 940), (0.064, 0.059)));
        assert_eq!(levels(8, &[]).luma.extremes(), None);
    }
}
