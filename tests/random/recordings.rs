//! What a device and a recorder do to the frames, drawn from a seed.

use std::io::{Read, Write};
use std::process::{Command, Stdio};

use evenbeat::demo::texture::Dice;
use evenbeat::frame::Coding;
use evenbeat::units::Rate;

use super::draw::Draw;
use super::pictures::{Frame, Size};

/// What a device does to each picture before it is recorded, the same way every time.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Conversion {
    None,
    /// Code values times a gain about black: another range.
    Gain(f32),
    /// Another size, in percent.
    Scale(usize),
    /// So many percent left out at the borders, and the rest as large as the whole was.
    #[allow(dead_code, reason = "drawn by the alignment bench only")]
    Crop(usize),
}

impl Conversion {
    pub fn drawn(draw: &mut Draw) -> Self {
        /// From the nominal range of 8 bit (16 to 235) to the whole one, and back.
        const WIDER: f32 = 255.0 / 219.0;
        if draw.chance(0.75) {
            return Self::None;
        }
        match draw.whole(0, 1) {
            0 => Self::Gain(draw.pick(&[WIDER, 1.0 / WIDER, 0.9])),
            _ => Self::Scale(draw.pick(&[50, 75, 125, 150])),
        }
    }

    fn name(self) -> String {
        match self {
            Self::None => String::new(),
            Self::Gain(gain) => format!("+gain{:.0}", gain * 100.0),
            Self::Scale(percent) => format!("+scale{percent}"),
            Self::Crop(percent) => format!("+crop{percent}"),
        }
    }

    /// Size of what comes out.
    pub fn size(self, size: Size) -> Size {
        match self {
            Self::Scale(percent) => {
                let scaled = |side: usize| side * percent / 200 * 2;
                Size { width: scaled(size.width), height: scaled(size.height) }
            }
            _ => size,
        }
    }

    /// The frame that comes out.
    pub fn of(self, frame: Frame, size: Size) -> Frame {
        match self {
            Self::None => frame,
            Self::Gain(gain) => {
                let black = 16.0 * f32::from(1_u16 << (frame.depth - 8));
                frame.mapped(|value| (value - black) * gain + black)
            }
            Self::Scale(_) => frame.scaled(size, self.size(size)),
            Self::Crop(percent) => frame.within(size, percent as f32 / 100.0),
        }
    }
}

/// Who keeps the frames.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Recorder {
    /// Frames as they are.
    Raw,
    Ffv1,
    X264Lossless,
    X264 {
        preset: &'static str,
        crf: u64,
    },
    X265 {
        preset: &'static str,
        crf: u64,
    },
    Mpeg2 {
        scale: u64,
    },
    Mjpeg {
        scale: u64,
    },
    Vp9 {
        crf: u64,
        speed: u64,
    },
    /// Frames as they are but for Gaussian noise, new in every one; standard deviation in code values of 8 bit.
    Noise {
        deviation: f32,
    },
    /// Frames as they are but for the last bit of every sample, which is random.
    Dither,
}

/// A recorder with the bits of its samples.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Recording {
    pub conversion: Conversion,
    pub recorder: Recorder,
    pub depth: u8,
}

const X264_PRESETS: [&str; 7] = ["ultrafast", "superfast", "veryfast", "faster", "fast", "medium", "slow"];
const X265_PRESETS: [&str; 5] = ["ultrafast", "superfast", "veryfast", "faster", "medium"];

impl Recording {
    /// A recording of any kind.
    pub fn drawn(draw: &mut Draw) -> Self {
        type Kind = fn(&mut Draw) -> Recorder;
        let kinds: [(u64, Kind); 10] = [
            (14, |_| Recorder::Raw),
            (4, |_| Recorder::Ffv1),
            (4, |_| Recorder::X264Lossless),
            (34, |draw| Recorder::X264 { preset: draw.pick(&X264_PRESETS), crf: draw.whole(10, 36) }),
            (8, |draw| Recorder::X265 { preset: draw.pick(&X265_PRESETS), crf: draw.whole(12, 34) }),
            (8, |draw| Recorder::Mpeg2 { scale: draw.whole(2, 14) }),
            (6, |draw| Recorder::Mjpeg { scale: draw.whole(2, 14) }),
            (6, |draw| Recorder::Vp9 { crf: draw.whole(15, 45), speed: draw.whole(4, 8) }),
            (12, |draw| Recorder::Noise { deviation: (draw.scale(0.5, 6.0) * 10.0).round() / 10.0 }),
            (4, |_| Recorder::Dither),
        ];
        let recorder = draw.weighted(&kinds)(draw);
        let deep =
            !matches!(recorder, Recorder::X264Lossless | Recorder::Mpeg2 { .. } | Recorder::Mjpeg { .. });
        let depth = if deep && draw.chance(0.2) { 10 } else { 8 };
        Self { conversion: Conversion::drawn(draw), recorder, depth }
    }

    pub fn plain(recorder: Recorder) -> Self {
        Self { conversion: Conversion::None, recorder, depth: 8 }
    }

    pub fn name(&self) -> String {
        let recorder = match self.recorder {
            Recorder::Raw => "raw".to_owned(),
            Recorder::Ffv1 => "ffv1".to_owned(),
            Recorder::X264Lossless => "x264-qp0".to_owned(),
            Recorder::X264 { preset, crf } => format!("x264-{preset}-{crf}"),
            Recorder::X265 { preset, crf } => format!("x265-{preset}-{crf}"),
            Recorder::Mpeg2 { scale } => format!("mpeg2-q{scale}"),
            Recorder::Mjpeg { scale } => format!("mjpeg-q{scale}"),
            Recorder::Vp9 { crf, speed } => format!("vp9-{crf}-speed{speed}"),
            Recorder::Noise { deviation } => format!("noise-{deviation:.1}"),
            Recorder::Dither => "dither".to_owned(),
        };
        let depth = if self.depth == 8 { "" } else { "-10bit" };
        format!("{recorder}{depth}{}", self.conversion.name())
    }

    /// What it is grouped by in the tables. One fixed threshold per kind is what a simple script may know of a recording.
    pub fn kind(&self) -> &'static str {
        match self.recorder {
            Recorder::Raw | Recorder::Ffv1 | Recorder::X264Lossless => "lossless",
            Recorder::X264 { crf, .. } => match crf {
                0..=18 => "x264-10to18",
                19..=23 => "x264-19to23",
                24..=28 => "x264-24to28",
                _ => "x264-29to36",
            },
            Recorder::X265 { .. } => "x265",
            Recorder::Mpeg2 { .. } => "mpeg2",
            Recorder::Mjpeg { .. } => "mjpeg",
            Recorder::Vp9 { .. } => "vp9",
            Recorder::Noise { deviation } if deviation <= 1.5 => "noise-to1.5",
            Recorder::Noise { deviation } if deviation <= 3.0 => "noise-to3",
            Recorder::Noise { .. } => "noise-to6",
            Recorder::Dither => "dither",
        }
    }

    /// How a reader would say that it was coded: raw samples and added noise come without a codec.
    pub fn coding(&self) -> Coding {
        match self.recorder {
            Recorder::Raw | Recorder::Noise { .. } | Recorder::Dither => Coding::Unknown,
            Recorder::Ffv1 | Recorder::X264Lossless => Coding::Lossless,
            _ => Coding::Lossy,
        }
    }

    pub fn is_lossless(&self) -> bool {
        self.kind() == "lossless"
    }

    pub fn needs_encoder(&self) -> bool {
        self.options().is_some()
    }

    /// Standard deviation of noise that is new in every frame, code values of 8 bit.
    pub fn deviation(&self) -> Option<f32> {
        match self.recorder {
            Recorder::Noise { deviation } => Some(deviation),
            _ => None,
        }
    }

    /// Encoder options; `None` where no codec is at work.
    fn options(&self) -> Option<String> {
        match self.recorder {
            Recorder::Ffv1 => Some("-c:v ffv1 -level 3".to_owned()),
            Recorder::X264Lossless => Some("-c:v libx264 -preset veryfast -qp 0".to_owned()),
            Recorder::X264 { preset, crf } => Some(format!("-c:v libx264 -preset {preset} -crf {crf}")),
            Recorder::X265 { preset, crf } => Some(format!(
                "-c:v libx265 -preset {preset} -crf {crf} -x265-params log-level=error:pools=none:frame-threads=1"
            )),
            Recorder::Mpeg2 { scale } => Some(format!("-c:v mpeg2video -q:v {scale} -g 15 -bf 2")),
            Recorder::Mjpeg { scale } => Some(format!("-c:v mjpeg -strict unofficial -q:v {scale}")),
            Recorder::Vp9 { crf, speed } => {
                Some(format!("-c:v libvpx-vp9 -deadline realtime -cpu-used {speed} -crf {crf} -b:v 0"))
            }
            Recorder::Raw | Recorder::Noise { .. } | Recorder::Dither => None,
        }
    }

    /// The decoder's name of how samples lie. JPEG has its own range, so that nothing is rescaled on the way.
    fn pixel_format(&self) -> &'static str {
        match (self.recorder, self.depth) {
            (Recorder::Mjpeg { .. }, _) => "yuvj420p",
            (_, 8) => "yuv420p",
            _ => "yuv420p10le",
        }
    }

    /// The frames as they come out of the recording.
    pub fn recorded(&self, frames: &[&Frame], (size, rate, seed): (Size, Rate, u64)) -> Vec<Frame> {
        let with_dice = |change: &dyn Fn(&Frame, &mut Dice) -> Frame| {
            let numbered = frames.iter().enumerate();
            numbered
                .map(|(number, frame)| change(frame, &mut Draw::new(seed, number as u64).dice()))
                .collect()
        };
        match self.recorder {
            Recorder::Raw => frames.iter().map(|&frame| frame.clone()).collect(),
            Recorder::Noise { deviation } => with_dice(&|frame, dice| noisy(frame, deviation, dice)),
            Recorder::Dither => with_dice(&dithered),
            _ => self.through_codec(frames, (size, rate)),
        }
    }

    fn through_codec(&self, frames: &[&Frame], (size, rate): (Size, Rate)) -> Vec<Frame> {
        let folder = tempfile::tempdir().expect("a folder for one clip");
        let clip = folder.path().join("clip.mkv");
        let mut encoder = Command::new("ffmpeg")
            .args(["-v", "error", "-nostdin", "-y", "-f", "rawvideo", "-pix_fmt", self.pixel_format()])
            .args(["-s", &format!("{}x{}", size.width, size.height)])
            .args(["-r", &format!("{}/{}", rate.num(), rate.den()), "-i", "pipe:0"])
            .args(self.options().expect("a codec").split(' '))
            .args(["-threads", "1", "-pix_fmt", self.pixel_format(), "-fps_mode", "passthrough"])
            .arg(&clip)
            .stdin(Stdio::piped())
            .spawn()
            .expect("the encoder starts");
        let mut input = encoder.stdin.take().expect("piped");
        frames.iter().for_each(|frame| input.write_all(&frame.samples).expect("the encoder takes frames"));
        drop(input);
        assert!(encoder.wait().expect("the encoder ends").success(), "{}: encoding failed", self.name());

        let mut decoder = Command::new("ffmpeg")
            .args(["-v", "error", "-nostdin", "-threads", "1", "-i"])
            .arg(&clip)
            .args(["-f", "rawvideo", "-fps_mode", "passthrough", "-pix_fmt", self.pixel_format(), "-"])
            .stdin(Stdio::null())
            .stdout(Stdio::piped())
            .spawn()
            .expect("the decoder starts");
        let mut output = decoder.stdout.take().expect("piped");
        let recorded = frames.iter().map(|frame| {
            let mut samples = vec![0; frame.samples.len()];
            output.read_exact(&mut samples).expect("as many frames as were recorded");
            Frame { samples, depth: self.depth }
        });
        let recorded = recorded.collect();
        // A frame too many would shift the truth.
        assert_eq!(output.read(&mut [0]).expect("the decoder ends"), 0, "{}", self.name());
        assert!(decoder.wait().expect("the decoder ends").success(), "{}: decoding failed", self.name());
        recorded
    }
}

/// Sums of four random bytes are near enough to Gaussian; their standard deviation is 2·√((256² − 1)/12).
fn noisy(frame: &Frame, deviation: f32, dice: &mut Dice) -> Frame {
    let scale =
        deviation * f32::from(1_u16 << (frame.depth - 8)) / (2.0 * ((256.0_f32 * 256.0 - 1.0) / 12.0).sqrt());
    let (mut bits, mut half) = (0_u64, false);
    frame.mapped(|value| {
        bits = if half { bits >> 32 } else { dice.roll() };
        half = !half;
        let sum: u32 = (bits as u32).to_le_bytes().iter().map(|&byte| u32::from(byte)).sum();
        value + (sum as f32 - 510.0) * scale
    })
}

fn dithered(frame: &Frame, dice: &mut Dice) -> Frame {
    let (mut bits, mut left) = (0_u64, 0);
    frame.mapped(|value| {
        if left == 0 {
            (bits, left) = (dice.roll(), 64);
        }
        let bit = bits & 1;
        (bits, left) = (bits >> 1, left - 1);
        (value as u16 & !1) as f32 + bit as f32
    })
}
