//! Recordings of the bench: what recorder and codec do to the frames, and a source of the frames they leave.

use std::fs;
use std::io::{Read, Write};
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};
use std::sync::Arc;

use evenbeat::capture::{CaptureEnd, CaptureFacts, FrameSource, RateSource};
use evenbeat::demo::devices::mix;
use evenbeat::demo::schedule::Shown;
use evenbeat::demo::texture::Dice;
use evenbeat::error::{Error, Result};
use evenbeat::frame::{Coding, FrameTiming, Scan};

use super::deliveries::Delivery;
use super::scenes::Scene;

/// What happens between device and capture.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum Recording {
    Lossless,
    /// H.264 at a constant rate factor, with so many B frames in a row.
    X264 {
        crf: u8,
        b_frames: u8,
    },
    /// MPEG-2 at a constant bit rate.
    Mpeg2 {
        kilobits: u32,
    },
    /// Motion JPEG at a fixed quantiser scale.
    Mjpeg {
        scale: u8,
    },
    /// Gaussian noise, new in every frame, of this standard deviation in code values.
    Noise(u8),
    /// The last bit of every sample is random.
    Dither,
    /// Every 50th frame is 6 code values brighter.
    Pulse,
}

/// Every recording of the bench. Bit rates: 3 Mbit/s at 480 × 270 and 60 frames/s spends as many bits per pixel
/// as common practice (no source) spends on standard-definition MPEG-2 discs and broadcasts.
pub const ALL: [Recording; 20] = [
    Recording::Lossless,
    Recording::X264 { crf: 18, b_frames: 0 },
    Recording::X264 { crf: 18, b_frames: 3 },
    Recording::X264 { crf: 23, b_frames: 0 },
    Recording::X264 { crf: 23, b_frames: 3 },
    Recording::X264 { crf: 28, b_frames: 0 },
    Recording::X264 { crf: 28, b_frames: 3 },
    Recording::X264 { crf: 33, b_frames: 0 },
    Recording::X264 { crf: 33, b_frames: 3 },
    Recording::Mpeg2 { kilobits: 3000 },
    Recording::Mpeg2 { kilobits: 1500 },
    Recording::Mjpeg { scale: 3 },
    Recording::Mjpeg { scale: 8 },
    Recording::Noise(1),
    Recording::Noise(2),
    Recording::Noise(3),
    Recording::Noise(4),
    Recording::Noise(6),
    Recording::Dither,
    Recording::Pulse,
];

impl Recording {
    pub fn name(self) -> String {
        match self {
            Self::Lossless => "lossless".to_owned(),
            Self::X264 { crf, b_frames } => format!("x264-crf{crf}-b{b_frames}"),
            Self::Mpeg2 { kilobits } => format!("mpeg2-{kilobits}k"),
            Self::Mjpeg { scale } => format!("mjpeg-q{scale}"),
            Self::Noise(deviation) => format!("noise-{deviation}"),
            Self::Dither => "dither".to_owned(),
            Self::Pulse => "pulse".to_owned(),
        }
    }

    /// Whether the reach for lossy and noisy recordings counts it: all but noise above 3 code values.
    pub fn within_reach(self) -> bool {
        !matches!(self, Self::Noise(deviation) if deviation > 3)
    }

    /// Whether a codec is at work.
    pub fn needs_encoder(self) -> bool {
        self.codec().is_some()
    }

    /// Encoder options and the pixel format to decode to; `None` where no codec is at work.
    fn codec(self) -> Option<(Vec<String>, &'static str)> {
        let words = |text: String| text.split(' ').map(str::to_owned).collect();
        match self {
            Self::X264 { crf, b_frames } => Some((
                words(format!("-c:v libx264 -preset medium -crf {crf} -bf {b_frames} -threads 2")),
                "yuv420p",
            )),
            Self::Mpeg2 { kilobits } => Some((
                words(format!(
                    "-c:v mpeg2video -b:v {kilobits}k -maxrate {kilobits}k -bufsize 1835k -g 15 -bf 2 -threads 1"
                )),
                "yuv420p",
            )),
            // The JPEG formats' own range, so that nothing is rescaled on the way.
            Self::Mjpeg { scale } => Some((
                words(format!("-c:v mjpeg -strict unofficial -q:v {scale} -threads 1")),
                "yuvj420p",
            )),
            _ => None,
        }
    }
}

/// Frames as the device delivers them, before any recorder.
pub fn delivered(scene: &Scene, shown: Shown, samples: &mut Vec<u8>) {
    match shown {
        Shown::Picture(picture) => samples.clone_from(&scene.picture(picture)),
        Shown::Mix { first, second, weight } => {
            samples.clone_from(&scene.picture(first));
            mix(samples, &scene.picture(second), weight, scene.size.shape().pixel_format);
        }
    }
}

/// Opens the frames of a cell; encodes first where a codec is at work and the clip is not in `cache`.
pub fn open(
    scene: &Arc<Scene>,
    delivery: &Arc<Delivery>,
    recording: Recording,
    cache: &Path,
) -> Box<dyn FrameSource> {
    let frames = super::frames_available(scene, delivery);
    let facts = CaptureFacts {
        name: format!("{}/{}/{}", scene.name, delivery.name, recording.name()),
        shape: scene.size.shape(),
        scan: Scan::Progressive,
        coding: if recording.needs_encoder() { Coding::Lossy } else { Coding::Unknown },
        range: evenbeat::frame::CodeRange::default(),
        nominal_rate: Some(delivery.delivered_rate),
        rate_source: Some(RateSource::Header),
        time_base: None,
        promised_frames: None,
        reader: "truth bench".to_owned(),
    };
    let Some((options, format)) = recording.codec() else {
        let feed = (Arc::clone(scene), Arc::clone(delivery));
        return Box::new(PaintedCell { facts, feed, recording, next: 0, frames });
    };
    let clip = encoded(scene, delivery, (frames, &options), cache);
    let mut child = Command::new("ffmpeg")
        .args(["-v", "error", "-nostdin", "-threads", "1", "-i"])
        .arg(&clip)
        .args(["-f", "rawvideo", "-fps_mode", "passthrough", "-pix_fmt", format, "-"])
        .stdin(Stdio::null())
        .stdout(Stdio::piped())
        .spawn()
        .expect("the decoder starts");
    let output = child.stdout.take().expect("piped");
    Box::new(DecodedCell { facts, child, output, next: 0, frames })
}

/// The encoded clip of a cell, made on first use. The name is the digest of all that decides its bytes.
fn encoded(
    scene: &Scene,
    delivery: &Delivery,
    (frames, options): (usize, &[String]),
    cache: &Path,
) -> PathBuf {
    let mut key = blake3::Hasher::new();
    key.update(format!("{options:?} {:?} {} ", scene.size, delivery.delivered_rate).as_bytes());
    key.update(format!("{:?}", &delivery.shown[..frames]).as_bytes());
    let mut samples = Vec::new();
    // All pictures go into the key, so that a scene painted differently is encoded anew.
    for &shown in &delivery.shown[..frames] {
        delivered(scene, shown, &mut samples);
        key.update(&samples);
    }
    let clip = cache.join(format!("{}.mkv", &key.finalize().to_hex()[..24]));
    if clip.exists() {
        return clip;
    }
    fs::create_dir_all(cache).expect("the cache folder can be made");
    let unfinished = clip.with_extension(format!("{}.part.mkv", std::process::id()));
    let mut child = Command::new("ffmpeg")
        .args(["-v", "error", "-y", "-f", "rawvideo", "-pix_fmt", "yuv420p", "-s"])
        .arg(format!("{}x{}", scene.size.width, scene.size.height))
        .arg("-r")
        .arg(format!("{}/{}", delivery.delivered_rate.num(), delivery.delivered_rate.den()))
        .args(["-i", "-"])
        .args(options)
        .args(["-fps_mode", "passthrough"])
        .arg(&unfinished)
        .stdin(Stdio::piped())
        .stdout(Stdio::null())
        .spawn()
        .expect("the encoder starts");
    let mut input = child.stdin.take().expect("piped");
    for &shown in &delivery.shown[..frames] {
        delivered(scene, shown, &mut samples);
        input.write_all(&samples).expect("the encoder takes frames");
    }
    drop(input);
    assert!(child.wait().expect("the encoder ends").success(), "encoding {} failed", clip.display());
    fs::rename(&unfinished, &clip).expect("the finished clip can be renamed");
    clip
}

/// Frames painted as they are read, with noise where the recording has it.
struct PaintedCell {
    facts: CaptureFacts,
    feed: (Arc<Scene>, Arc<Delivery>),
    recording: Recording,
    next: usize,
    frames: usize,
}

impl FrameSource for PaintedCell {
    fn facts(&self) -> &CaptureFacts {
        &self.facts
    }

    fn read_frame(&mut self, samples: &mut Vec<u8>) -> Result<Option<FrameTiming>> {
        if self.next >= self.frames {
            return Ok(None);
        }
        delivered(&self.feed.0, self.feed.1.shown[self.next], samples);
        let luma = self.feed.0.size.width * self.feed.0.size.height;
        match self.recording {
            Recording::Noise(deviation) => add_noise(samples, f32::from(deviation), self.next as u64),
            Recording::Dither => dither(samples, self.next as u64),
            Recording::Pulse if self.next % 50 == 25 => {
                samples[..luma].iter_mut().for_each(|sample| *sample = sample.saturating_add(6));
            }
            _ => {}
        }
        self.next += 1;
        Ok(Some(FrameTiming::default()))
    }

    fn finish(self: Box<Self>) -> CaptureEnd {
        CaptureEnd::default()
    }
}

/// Adds noise of the given standard deviation: sums of four random bytes are near enough to Gaussian, and their
/// standard deviation is 2·√((256² − 1)/12).
fn add_noise(samples: &mut [u8], deviation: f32, frame: u64) {
    let mut dice = Dice::new(frame + 1_000_003);
    let scale = deviation / (2.0 * ((256.0_f32 * 256.0 - 1.0) / 12.0).sqrt());
    for pair in samples.chunks_mut(2) {
        let bytes = dice.roll().to_le_bytes();
        for (sample, four) in pair.iter_mut().zip(bytes.chunks_exact(4)) {
            let sum: u32 = four.iter().map(|&byte| u32::from(byte)).sum();
            *sample = (f32::from(*sample) + (sum as f32 - 510.0) * scale).round().clamp(0.0, 255.0) as u8;
        }
    }
}

fn dither(samples: &mut [u8], frame: u64) {
    let mut dice = Dice::new(frame + 2_000_003);
    for group in samples.chunks_mut(64) {
        let bits = dice.roll();
        for (place, sample) in group.iter_mut().enumerate() {
            *sample = (*sample & 0xFE) | (bits >> place & 1) as u8;
        }
    }
}

/// Frames from the decoder.
struct DecodedCell {
    facts: CaptureFacts,
    child: Child,
    output: std::process::ChildStdout,
    next: usize,
    frames: usize,
}

impl FrameSource for DecodedCell {
    fn facts(&self) -> &CaptureFacts {
        &self.facts
    }

    fn read_frame(&mut self, samples: &mut Vec<u8>) -> Result<Option<FrameTiming>> {
        samples.resize(self.facts.shape.byte_len(), 0);
        if self.next == self.frames {
            // A frame too many would shift the truth.
            assert_eq!(self.output.read(&mut samples[..1]).unwrap_or(0), 0, "{}", self.facts.name);
            return Ok(None);
        }
        self.output.read_exact(samples).map_err(|cause| {
            Error::new(self.facts.name.clone(), format!("frame {}", self.next), cause.to_string(), "")
        })?;
        self.next += 1;
        Ok(Some(FrameTiming::default()))
    }

    fn finish(mut self: Box<Self>) -> CaptureEnd {
        drop(self.output);
        let _ = self.child.wait();
        CaptureEnd::default()
    }
}
