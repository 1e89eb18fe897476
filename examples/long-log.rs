//! Writes a fingerprint log of any length for measuring: `long-log FRAMES FILE`.
//! A clip of 24 pictures per second on 60 frames, fingerprinted once and told over and over.

use std::fs::File;
use std::sync::atomic::AtomicBool;

use evenbeat::capture::log::LogWriter;
use evenbeat::capture::{CaptureEnd, CaptureFacts, FrameSource, RateSource};
use evenbeat::error::Result;
use evenbeat::fingerprint::FrameFingerprint;
use evenbeat::frame::{Family, FrameShape, FrameTiming, PixelFormat, Scan};
use evenbeat::pipeline::{fingerprint_capture, Control, NoProgress, ReadingEnd};
use evenbeat::settings::ViewSettings;
use evenbeat::units::Rate;

/// Frames that are painted: a whole number of 2:3 periods that ends where it began.
const PAINTED: u64 = 300;

struct Painted {
    facts: CaptureFacts,
    next: u64,
}

impl FrameSource for Painted {
    fn facts(&self) -> &CaptureFacts {
        &self.facts
    }

    fn read_frame(&mut self, samples: &mut Vec<u8>) -> Result<Option<FrameTiming>> {
        if self.next > PAINTED {
            return Ok(None);
        }
        let (picture, width) = (self.next * 2 / 5 % (PAINTED * 2 / 5), self.facts.shape.width as usize);
        // One turn of the clip moves by a whole number of waves.
        let phase = picture as f64 / (PAINTED * 2 / 5) as f64 * std::f64::consts::TAU * 6.0;
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

fn main() -> std::result::Result<(), Box<dyn std::error::Error>> {
    let mut arguments = std::env::args().skip(1);
    let (Some(frames), Some(path)) = (arguments.next(), arguments.next()) else {
        return Err("usage: long-log FRAMES FILE".into());
    };
    let frames: u64 = frames.parse()?;
    let facts = CaptureFacts {
        name: "painted.y4m".to_owned(),
        shape: FrameShape {
            width: 192,
            height: 108,
            pixel_format: PixelFormat { family: Family::Gray, bit_depth: 8 },
        },
        scan: Scan::Progressive,
        nominal_rate: Rate::new(60, 1),
        rate_source: Some(RateSource::Header),
        time_base: None,
        promised_frames: None,
        reader: "painted".to_owned(),
    };
    let mut fingerprints: Vec<FrameFingerprint> = Vec::new();
    let stop = AtomicBool::new(false);
    let control = Control { workers: None, progress: &NoProgress, stop: &stop };
    let source = Box::new(Painted { facts: facts.clone(), next: 0 });
    fingerprint_capture(source, &ViewSettings::default(), &control, |fingerprint| {
        fingerprints.push(fingerprint);
        Ok(())
    })?;
    let mut writer = LogWriter::new(File::create(&path)?, path, &facts, &ViewSettings::default())?;
    for index in 0..frames {
        // Frame 0 has nothing before it; every later turn begins with the last painted frame.
        let turn = if index == 0 { 0 } else { 1 + (index as usize - 1) % PAINTED as usize };
        let fingerprint = &mut fingerprints[turn];
        fingerprint.index = index;
        writer.push(fingerprint)?;
    }
    writer.finish(&ReadingEnd { frames, ..ReadingEnd::default() })?;
    Ok(())
}
