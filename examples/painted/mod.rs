//! A painted clip that ends where it began, fingerprinted once, for logs of any length.

use std::sync::atomic::AtomicBool;

use evenbeat::capture::{CaptureEnd, CaptureFacts, FrameSource, RateSource};
use evenbeat::error::Result;
use evenbeat::fingerprint::FrameFingerprint;
use evenbeat::frame::{Family, FrameShape, FrameTiming, PixelFormat, Scan};
use evenbeat::pipeline::{fingerprint_capture, Control, NoProgress};
use evenbeat::settings::ViewSettings;
use evenbeat::units::Rate;

/// Frames of one turn.
pub const TURN: u64 = 300;

/// What the capture says of itself.
pub fn facts() -> CaptureFacts {
    CaptureFacts {
        name: "painted.y4m".to_owned(),
        shape: FrameShape {
            width: 192,
            height: 108,
            pixel_format: PixelFormat { family: Family::Gray, bit_depth: 8 },
        },
        scan: Scan::Progressive,
        coding: evenbeat::frame::Coding::Unknown,
        range: evenbeat::frame::CodeRange::default(),
        nominal_rate: Rate::new(60, 1),
        rate_source: Some(RateSource::Header),
        time_base: None,
        promised_frames: None,
        reader: "painted".to_owned(),
    }
}

/// The clip's first frame, then one turn of it. `pictures` of them are painted per turn, on `TURN` frames.
pub fn fingerprints(pictures: u64) -> Result<Vec<FrameFingerprint>> {
    let mut fingerprints = Vec::new();
    let stop = AtomicBool::new(false);
    let control = Control { workers: None, progress: &NoProgress, stop: &stop };
    let source = Box::new(Painted { facts: facts(), pictures, next: 0 });
    fingerprint_capture(source, &ViewSettings::default(), &control, |fingerprint| {
        fingerprints.push(fingerprint);
        Ok(())
    })?;
    Ok(fingerprints)
}

/// Place of frame `index` among [`fingerprints`]: frame 0 has nothing before it, every later turn begins with the last.
pub fn place(index: u64) -> usize {
    if index == 0 {
        0
    } else {
        1 + (index as usize - 1) % TURN as usize
    }
}

struct Painted {
    facts: CaptureFacts,
    pictures: u64,
    next: u64,
}

impl FrameSource for Painted {
    fn facts(&self) -> &CaptureFacts {
        &self.facts
    }

    fn read_frame(&mut self, samples: &mut Vec<u8>) -> Result<Option<FrameTiming>> {
        if self.next > TURN {
            return Ok(None);
        }
        let (picture, width) =
            (self.next * self.pictures / TURN % self.pictures, self.facts.shape.width as usize);
        // One turn of the clip moves by a whole number of waves.
        let phase = picture as f64 / self.pictures as f64 * std::f64::consts::TAU * 6.0;
        samples.clear();
        samples.extend((0..self.facts.shape.byte_len()).map(|at| {
            let (x, y) = ((at % width) as f64, (at / width) as f64);
            (128.0 + 60.0 * (x * 0.2 + y * 0.1 - phase).sin() + 30.0 * (y * 0.23).sin()) as u8
        }));
        self.next += 1;
        Ok(Some(FrameTiming::default()))
    }

    fn finish(self: Box<Self>) -> CaptureEnd {
        CaptureEnd::default()
    }
}
