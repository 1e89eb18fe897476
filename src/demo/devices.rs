//! Four invented devices that play the same painted clip: one right, three wrong in different ways.

use std::sync::Arc;

use crate::capture::{CaptureEnd, CaptureFacts, FrameSource, Leap, RateSource};
use crate::error::Result;
use crate::frame::{CodeRange, Coding, Family, FrameShape, FrameTiming, PixelFormat, Scan};
use crate::units::Rate;

use super::harbour::Harbour;
use super::schedule::{self, Shown};

/// Rate of the clip and of what the devices deliver.
const DELIVERED_RATE: &str = "59.94";
/// Length of each capture: ten seconds.
const FRAMES: usize = 600;
/// Size of the demo's frames, pixels.
const SIZE: (u32, u32) = (640, 360);
/// Rate at which the mixing device works inside.
const INNER_RATE: &str = "50";
/// Frames between the stalls of the overloaded device.
const STALL_SPACING: usize = 100;
/// Seed of its stalls: any number gives such a device, this one is kept so that the demo stays the same.
const STALL_SEED: u64 = 5;

/// One device's delivery of the painted clip.
#[derive(Clone)]
pub struct DemoCapture {
    /// Invented device name, fit for a file name.
    pub device: &'static str,
    /// What is true of it, one sentence.
    pub truth: &'static str,
    /// Which picture each delivered frame shows.
    pub shown: Vec<Shown>,
    painter: Arc<Harbour>,
}

impl DemoCapture {
    /// Starts painting the capture from its first frame.
    pub fn open(&self) -> Box<dyn FrameSource> {
        let rate = Rate::parse(DELIVERED_RATE).expect("a standard rate");
        Box::new(PaintedCapture::new(self.device, rate, self.shown.clone(), Arc::clone(&self.painter)))
    }
}

/// The four devices of the demo, on one clip of ten seconds.
pub fn demo_captures() -> Vec<DemoCapture> {
    let format = PixelFormat { family: Family::Yuv { across: 1, down: 1 }, bit_depth: 8 };
    let painter =
        Arc::new(Harbour::new(FrameShape { width: SIZE.0, height: SIZE.1, pixel_format: format }, 1.0));
    let rate = Rate::parse(DELIVERED_RATE).expect("a standard rate");
    let half = Rate::new(rate.num(), rate.den() * 2).expect("half a standard rate");
    let every: Vec<u64> = schedule::even(rate, rate, FRAMES);
    let stalls = schedule::scattered_stalls(FRAMES, STALL_SPACING, STALL_SEED);
    let halved: Vec<u64> = schedule::even(half, rate, FRAMES).iter().map(|picture| picture * 2).collect();
    let of = |device, truth, shown| DemoCapture { device, truth, shown, painter: Arc::clone(&painter) };
    vec![
        of("lantern-box", "shows every picture once", schedule::plain(&every)),
        of("brass-kettle", "shows every second picture twice", schedule::plain(&halved)),
        of(
            "paper-boat",
            "stalls at random; after most stalls the pictures missed are lost",
            schedule::plain(&schedule::stalled(&every, &stalls)),
        ),
        of(
            "wool-mitten",
            "works at 50 pictures per second inside and mixes neighbours",
            mixed_by_way_of(rate),
        ),
    ]
}

/// The clip taken down to the inner rate by leaving pictures out, then brought back by mixing.
fn mixed_by_way_of(rate: Rate) -> Vec<Shown> {
    let inner = Rate::parse(INNER_RATE).expect("a standard rate");
    let kept = schedule::even(rate, inner, FRAMES);
    schedule::mixed(inner, rate, FRAMES)
        .into_iter()
        .map(|shown| match shown {
            Shown::Picture(picture) => Shown::Picture(kept[picture as usize]),
            Shown::Mix { first, second, weight } => {
                Shown::Mix { first: kept[first as usize], second: kept[second as usize], weight }
            }
        })
        .collect()
}

/// A capture painted frame by frame as it is read.
pub struct PaintedCapture {
    facts: CaptureFacts,
    shown: Vec<Shown>,
    painter: Arc<Harbour>,
    next: usize,
    other: Vec<u8>,
}

impl PaintedCapture {
    /// A capture called `name`, delivered at `rate`, that shows `shown` of the clip.
    pub fn new(name: &str, rate: Rate, shown: Vec<Shown>, painter: Arc<Harbour>) -> Self {
        let facts = CaptureFacts {
            name: name.to_owned(),
            shape: painter.shape(),
            scan: Scan::Progressive,
            coding: Coding::Unknown,
            range: CodeRange::default(),
            nominal_rate: Some(rate),
            rate_source: Some(RateSource::Header),
            time_base: None,
            promised_frames: Some(shown.len() as u64),
            reader: "painter".to_owned(),
        };
        Self { facts, shown, painter, next: 0, other: Vec::new() }
    }
}

impl FrameSource for PaintedCapture {
    fn facts(&self) -> &CaptureFacts {
        &self.facts
    }

    fn read_frame(&mut self, samples: &mut Vec<u8>) -> Result<Option<FrameTiming>> {
        let Some(&shown) = self.shown.get(self.next) else {
            return Ok(None);
        };
        self.next += 1;
        match shown {
            Shown::Picture(picture) => self.painter.paint(picture, samples),
            Shown::Mix { first, second, weight } => {
                self.painter.paint(first, samples);
                self.painter.paint(second, &mut self.other);
                mix(samples, &self.other, weight, self.facts.shape.pixel_format);
            }
        }
        Ok(Some(FrameTiming::default()))
    }

    fn leap(&mut self, leap: Leap) -> Result<bool> {
        self.next = self.next.saturating_add(usize::try_from(leap.frames).unwrap_or(usize::MAX));
        Ok(true)
    }

    fn finish(self: Box<Self>) -> CaptureEnd {
        CaptureEnd::default()
    }
}

/// Mixes `other` into `samples` with `weight`, rounded to nearest.
pub fn mix(samples: &mut [u8], other: &[u8], weight: f32, format: PixelFormat) {
    const ONE: u32 = 1 << 15;
    let part = (weight.clamp(0.0, 1.0) * ONE as f32).round() as u32;
    let between = |a: u32, b: u32| (a * (ONE - part) + b * part + ONE / 2) / ONE;
    if format.bytes_per_sample() == 1 {
        for (sample, &other) in samples.iter_mut().zip(other) {
            *sample = between(u32::from(*sample), u32::from(other)) as u8;
        }
        return;
    }
    for (sample, other) in samples.chunks_exact_mut(2).zip(other.chunks_exact(2)) {
        let value = between(
            u32::from(u16::from_le_bytes([sample[0], sample[1]])),
            u32::from(u16::from_le_bytes([other[0], other[1]])),
        );
        sample.copy_from_slice(&(value as u16).to_le_bytes());
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn digests(capture: &DemoCapture, frames: usize) -> Vec<blake3::Hash> {
        let mut source = capture.open();
        let mut samples = Vec::new();
        let mut digests = Vec::new();
        while digests.len() < frames && source.read_frame(&mut samples).unwrap().is_some() {
            digests.push(blake3::hash(&samples));
        }
        digests
    }

    #[test]
    fn pixels_repeat_exactly_where_the_list_does() {
        for capture in demo_captures() {
            let digests = digests(&capture, 120);
            for (frame, pair) in digests.windows(2).enumerate() {
                let listed = capture.shown[frame] == capture.shown[frame + 1];
                assert_eq!(pair[0] == pair[1], listed, "{} frame {}", capture.device, frame + 1);
            }
        }
    }

    #[test]
    fn devices_are_as_told() {
        let captures = demo_captures();
        let repeats = |n: usize| captures[n].shown.windows(2).filter(|pair| pair[0] == pair[1]).count();
        assert_eq!((repeats(0), repeats(1)), (0, FRAMES / 2));
        assert!((15..=50).contains(&repeats(2)), "{}", repeats(2));
        assert!(captures[3].shown.iter().any(|shown| matches!(shown, Shown::Mix { .. })));
        assert!(captures.iter().all(|capture| capture.shown.len() == FRAMES));
    }

    #[test]
    fn mixes_round_to_nearest_in_both_sample_widths() {
        let bits = |bit_depth| PixelFormat { family: Family::Gray, bit_depth };
        let mut eight = [10, 200];
        mix(&mut eight, &[20, 100], 0.25, bits(8));
        assert_eq!(eight, [13, 175]);
        let mut ten = [0, 1, 0, 2];
        mix(&mut ten, &[0, 3, 0, 2], 0.5, bits(10));
        assert_eq!(ten, [0, 2, 0, 2]);
    }
}
