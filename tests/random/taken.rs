//! Taking a capture: painting, recording, and the truth of every frame; and keeping what was measured.

use std::collections::BTreeSet;
use std::fmt::Write;
use std::fs;
use std::path::Path;

use evenbeat::capture::{CaptureEnd, CaptureFacts, FrameSource, RateSource};
use evenbeat::error::Result;
use evenbeat::fingerprint::FrameFingerprint;
use evenbeat::frame::{FrameTiming, Scan};

use super::pictures::{Frame, Size};
use super::recordings::Recorder;
use super::Capture;
use crate::{adapter, opinion};

/// What is known of a frame before anything is judged.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct FrameTruth {
    pub picture: u64,
    /// Whether its content differs from that of the frame before in any sample, before any recorder.
    pub new: bool,
    /// Contents that never appeared between the frame before and this one.
    pub lost: u64,
    /// Whether the recording holds the same samples as in the frame before.
    pub identical: bool,
    /// How much of the change of content is in the recording: 1 where all of it is, 0 where none.
    pub recorded: f64,
    /// How far the change of content stands out of the recorder's noise for one who knows that change exactly: its
    /// size over the standard deviation of the noise along it. Infinite where no noise is added.
    pub distance: f64,
    /// The same for the 16 × 16 block of luma whose change stands out most.
    pub block_distance: f64,
    /// Motion by the published method for dropped frames.
    pub opinion_motion: f64,
}

/// A capture as it was taken.
pub struct Taken {
    pub facts: CaptureFacts,
    pub fingerprints: Vec<FrameFingerprint>,
    pub truth: Vec<FrameTruth>,
}

/// Takes a capture, or reads what was kept of it in `kept`.
pub fn take(capture: &Capture, kept: Option<&Path>) -> Taken {
    let file = |kind: &str| kept.map(|folder| folder.join(format!("{}.{kind}", capture.file_name())));
    let (log, list) = (file("log"), file("truth.csv"));
    if let Some(text) = list.as_ref().and_then(|path| fs::read_to_string(path).ok()) {
        let unused = || unreachable!("the log was kept with the truth");
        let (facts, fingerprints) = adapter::measured(unused, log.as_deref());
        return Taken { facts, fingerprints, truth: text.lines().skip(1).map(FrameTruth::read).collect() };
    }
    let (frames, truth) = recorded(capture);
    let facts = facts(capture);
    let source = Recorded { facts, frames: frames.into_iter() };
    let (facts, fingerprints) = adapter::measured(|| Box::new(source), log.as_deref());
    if let Some(path) = list {
        fs::write(path, written(&truth)).expect("the truth can be kept");
    }
    Taken { facts, fingerprints, truth }
}

/// The frames of a capture as they come out of the recording, and their truth.
pub fn recorded(capture: &Capture) -> (Vec<Frame>, Vec<FrameTruth>) {
    let list = shown(capture);
    let depth = capture.recording.depth;
    let mut contents: Vec<Frame> = Vec::new();
    // Of each frame the place of its content among the contents, which follow each other without repeats.
    let mut places: Vec<usize> = Vec::new();
    for (frame, &picture) in list.iter().enumerate() {
        if frame == 0 || list[frame - 1] != picture {
            let painted = capture.scene.picture(picture, depth);
            let content = capture.recording.conversion.of(painted, capture.scene.size);
            if contents.last() != Some(&content) {
                contents.push(content);
            }
        }
        places.push(contents.len() - 1);
    }
    let delivered: Vec<&Frame> = places.iter().map(|&place| &contents[place]).collect();
    let frames = capture.recording.recorded(&delivered, (capture.size(), capture.rate, capture.seed));
    let lost = lost(list);
    let truth = (0..list.len()).map(|frame| {
        let new = frame == 0 || places[frame] != places[frame - 1];
        let mut truth = FrameTruth {
            picture: list[frame],
            new,
            lost: lost[frame],
            identical: false,
            recorded: 1.0,
            distance: f64::INFINITY,
            block_distance: f64::INFINITY,
            opinion_motion: 0.0,
        };
        if frame > 0 {
            let luma = capture.size().width * capture.size().height;
            truth.identical = frames[frame] == frames[frame - 1];
            truth.opinion_motion =
                opinion::motion(&luma_bytes(&frames[frame], luma), &luma_bytes(&frames[frame - 1], luma));
        }
        if frame > 0 && new {
            let change = difference(delivered[frame], delivered[frame - 1]);
            let found = difference(&frames[frame], &frames[frame - 1]);
            let energy: f64 = change.iter().map(|value| value * value).sum();
            truth.recorded = change.iter().zip(&found).map(|(a, b)| a * b).sum::<f64>() / energy;
            if let Some(deviation) = capture.recording.deviation() {
                let noise = 2.0 * (f64::from(deviation) * f64::from(1_u16 << (depth - 8))).powi(2);
                truth.distance = (energy / noise).sqrt();
                truth.block_distance = (largest_block(&change, capture.size()) / noise).sqrt();
            }
            if capture.recording.recorder == Recorder::Dither {
                let kept = |frame: &Frame| frame.values().map(|value| value as u16 & !1).collect::<Vec<_>>();
                if kept(delivered[frame]) == kept(delivered[frame - 1]) {
                    truth.distance = 0.0;
                }
            }
        }
        truth
    });
    let truth = truth.collect();
    (frames, truth)
}

/// The pictures shown, as far as the scene has them.
fn shown(capture: &Capture) -> &[u64] {
    let list = &capture.cadence.list;
    let frames = list.iter().take_while(|&&picture| picture < capture.scene.pictures()).count();
    &list[..frames]
}

/// Pictures left out just before each frame.
fn lost(list: &[u64]) -> Vec<u64> {
    let ever: BTreeSet<u64> = list.iter().copied().collect();
    let missing =
        |from: u64, to: u64| (from + 1..to).filter(|picture| !ever.contains(picture)).count() as u64;
    (0..list.len())
        .map(|frame| frame.checked_sub(1).map_or(0, |before| missing(list[before], list[frame])))
        .collect()
}

fn difference(now: &Frame, before: &Frame) -> Vec<f64> {
    now.values().zip(before.values()).map(|(a, b)| f64::from(a - b)).collect()
}

/// Energy of the 16 × 16 block of luma that has most of it.
fn largest_block(change: &[f64], size: Size) -> f64 {
    let mut blocks = vec![0.0; size.width.div_ceil(16) * size.height.div_ceil(16)];
    for (y, row) in change.chunks(size.width).take(size.height).enumerate() {
        for (x, value) in row.iter().enumerate() {
            blocks[y / 16 * size.width.div_ceil(16) + x / 16] += value * value;
        }
    }
    blocks.into_iter().fold(0.0, f64::max)
}

/// Luma in 8 bit.
fn luma_bytes(frame: &Frame, luma: usize) -> Vec<u8> {
    let scale = f32::from(1_u16 << (frame.depth - 8));
    frame.values().take(luma).map(|value| (value / scale) as u8).collect()
}

pub fn facts(capture: &Capture) -> CaptureFacts {
    CaptureFacts {
        name: capture.name.clone(),
        shape: capture.size().shape(capture.recording.depth),
        scan: Scan::Progressive,
        coding: capture.recording.coding(),
        range: evenbeat::frame::CodeRange::default(),
        nominal_rate: Some(capture.rate),
        rate_source: Some(RateSource::Header),
        time_base: None,
        promised_frames: None,
        reader: "random bench".to_owned(),
    }
}

/// Frames that are at hand.
pub struct Recorded {
    pub facts: CaptureFacts,
    pub frames: std::vec::IntoIter<Frame>,
}

impl FrameSource for Recorded {
    fn facts(&self) -> &CaptureFacts {
        &self.facts
    }

    fn read_frame(&mut self, samples: &mut Vec<u8>) -> Result<Option<FrameTiming>> {
        let Some(frame) = self.frames.next() else { return Ok(None) };
        *samples = frame.samples;
        Ok(Some(FrameTiming::default()))
    }

    fn finish(self: Box<Self>) -> CaptureEnd {
        CaptureEnd::default()
    }
}

const COLUMNS: &str = "picture,new,lost,identical,recorded,distance,block_distance,opinion_motion";

/// The list as text: a row per frame.
pub fn written(truth: &[FrameTruth]) -> String {
    let mut text = format!("{COLUMNS}\n");
    for one in truth {
        let (new, identical) = (u8::from(one.new), u8::from(one.identical));
        let _ = writeln!(
            text,
            "{},{new},{},{identical},{},{},{},{}",
            one.picture, one.lost, one.recorded, one.distance, one.block_distance, one.opinion_motion
        );
    }
    text
}

impl FrameTruth {
    fn read(line: &str) -> Self {
        let fields: Vec<f64> = line.split(',').map(|field| field.parse().expect("a number")).collect();
        let [picture, new, lost, identical, recorded, distance, block_distance, opinion_motion] = fields[..]
        else {
            panic!("a row of the truth: {line}");
        };
        Self {
            picture: picture as u64,
            new: new != 0.0,
            lost: lost as u64,
            identical: identical != 0.0,
            recorded,
            distance,
            block_distance,
            opinion_motion,
        }
    }
}
