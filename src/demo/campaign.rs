//! A small campaign to look at: four invented devices on three invented clips, with the recordings of an earlier firmware
//! beside. Each device has a habit; what the habit makes of a clip is worked out from the list of pictures shown.

use std::io::{self, Write};
use std::sync::Arc;

use crate::capture::FrameSource;
use crate::error::{plain_cause, Error, Result};
use crate::frame::{Family, FrameShape, PixelFormat};
use crate::units::Rate;

use super::devices::PaintedCapture;
use super::harbour::Harbour;
use super::schedule::{self, Shown, Stall};

/// What all devices deliver.
const DELIVERED_RATE: &str = "59.94";
/// Frames of each recording: a second and a half, long enough for every habit.
const FRAMES: usize = 96;
/// Size of the frames, pixels: small, so that the recordings together take no more than some 60 MB.
const SIZE: (u32, u32) = (160, 90);
/// Pictures per second at which one device works inside.
const HALVED_RATE: &str = "29.97";
/// Likewise, of the device that mixes.
const MIXED_RATE: &str = "50";
/// Where a device stalls, and for how long.
const STALLS: [Stall; 2] =
    [Stall { first_frame: 22, frames: 8, lost: 8 }, Stall { first_frame: 61, frames: 12, lost: 12 }];

/// A clip of the campaign.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct DemoClip {
    /// Its name in the plan and as a file.
    pub id: &'static str,
    /// Its name for people.
    pub name: &'static str,
    /// Pictures per second, as it is written.
    pub rate: &'static str,
    pace: f32,
}

/// The clips.
pub const CLIPS: [DemoClip; 3] = [
    DemoClip { id: "tram", name: "Tram, 59.94", rate: "59.94", pace: 1.0 },
    DemoClip { id: "quay", name: "Quay, 29.97", rate: "29.97", pace: 1.6 },
    DemoClip { id: "evening", name: "Evening, 23.976", rate: "23.976", pace: 1.2 },
];

/// What a device does to a clip.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Habit {
    /// Shows every picture when it is due.
    Plain,
    /// Shows 29.97 pictures per second of what holds more, each for two frames; else as it should.
    Halving,
    /// Stalls, and loses what it missed.
    Stalling,
    /// Works at 50 pictures per second and mixes neighbours.
    Mixing,
}

/// A device of the campaign.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct DemoDevice {
    /// Its name in the plan and as a folder.
    pub id: &'static str,
    /// Its name for people.
    pub name: &'static str,
    /// Firmware now, and before.
    pub firmware: [&'static str; 2],
    habits: [Habit; 2],
}

/// Which firmware a recording is of.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Round {
    /// The one that is tested now.
    Now,
    /// The one before.
    Earlier,
}

impl Round {
    fn place(self) -> usize {
        match self {
            Self::Now => 0,
            Self::Earlier => 1,
        }
    }
}

/// The devices.
pub const DEVICES: [DemoDevice; 4] = [
    DemoDevice {
        id: "lantern-box",
        name: "Lantern box",
        firmware: ["2.0", "1.9"],
        habits: [Habit::Plain, Habit::Stalling],
    },
    DemoDevice {
        id: "brass-kettle",
        name: "Brass kettle",
        firmware: ["5.1", "5.0"],
        habits: [Habit::Halving, Habit::Plain],
    },
    DemoDevice {
        id: "paper-boat",
        name: "Paper boat",
        firmware: ["1.3", "1.2"],
        habits: [Habit::Stalling, Habit::Stalling],
    },
    DemoDevice {
        id: "wool-mitten",
        name: "Wool mitten",
        firmware: ["0.9", "0.8"],
        habits: [Habit::Mixing, Habit::Mixing],
    },
];

impl DemoClip {
    /// Starts painting the clip itself: every picture once, at its own rate.
    pub fn open(&self) -> Box<dyn FrameSource> {
        let rate = rate(self.rate);
        let delivered = rate_of_frames();
        // As many as a recording can show, and some that mixes reach for.
        let pictures = schedule::even(rate, delivered, FRAMES).last().map_or(0, |last| last + 2);
        let list: Vec<u64> = (0..pictures).collect();
        Box::new(PaintedCapture::new(self.id, rate, schedule::plain(&list), self.painter()))
    }

    fn painter(&self) -> Arc<Harbour> {
        let format = PixelFormat { family: Family::Yuv { across: 1, down: 1 }, bit_depth: 8 };
        Arc::new(Harbour::new(FrameShape { width: SIZE.0, height: SIZE.1, pixel_format: format }, self.pace))
    }
}

impl DemoDevice {
    /// Starts painting what the device delivers of a clip.
    pub fn open(&self, clip: &DemoClip, round: Round) -> Box<dyn FrameSource> {
        let shown = shown(self.habits[round.place()], clip);
        Box::new(PaintedCapture::new(self.id, rate_of_frames(), shown, clip.painter()))
    }

    /// The firmware of a round.
    pub fn firmware(&self, round: Round) -> &'static str {
        self.firmware[round.place()]
    }
}

fn rate(text: &str) -> Rate {
    Rate::parse(text).expect("a standard rate")
}

fn rate_of_frames() -> Rate {
    rate(DELIVERED_RATE)
}

/// Which picture of a clip each frame shows.
fn shown(habit: Habit, clip: &DemoClip) -> Vec<Shown> {
    let (of_clip, delivered) = (rate(clip.rate), rate_of_frames());
    let due = schedule::even(of_clip, delivered, FRAMES);
    match habit {
        Habit::Halving if of_clip.hz() > rate(HALVED_RATE).hz() => {
            let inner = schedule::even(of_clip, rate(HALVED_RATE), FRAMES.div_ceil(2));
            schedule::plain(&(0..FRAMES).map(|frame| inner[frame / 2]).collect::<Vec<_>>())
        }
        Habit::Plain | Habit::Halving => schedule::plain(&due),
        Habit::Stalling => schedule::plain(&schedule::stalled(&due, &STALLS)),
        Habit::Mixing => {
            let inner = rate(MIXED_RATE);
            let kept = schedule::even(of_clip, inner, FRAMES + 1);
            let mixes = schedule::mixed(inner, delivered, FRAMES).into_iter();
            mixes.map(|shown| of_kept(shown, &kept)).collect()
        }
    }
}

/// A mix of slots as one of the pictures in them; two slots of one picture show that picture.
fn of_kept(shown: Shown, kept: &[u64]) -> Shown {
    match shown {
        Shown::Picture(slot) => Shown::Picture(kept[slot as usize]),
        Shown::Mix { first, second, weight } => {
            let (first, second) = (kept[first as usize], kept[second as usize]);
            if first == second {
                Shown::Picture(first)
            } else {
                Shown::Mix { first, second, weight }
            }
        }
    }
}

/// Writes what a source delivers as YUV4MPEG2. `place` is what errors call `out`.
///
/// # Errors
/// `out` cannot be written.
pub fn write_y4m(mut source: Box<dyn FrameSource>, (place, out): (&str, &mut dyn Write)) -> Result<()> {
    let failed = |error: io::Error| {
        Error::new(
            place,
            "cannot write",
            plain_cause(&error),
            "make room, or choose another folder with --out",
        )
    };
    let facts = source.facts();
    let rate = facts.nominal_rate.unwrap_or_else(rate_of_frames);
    let header = format!(
        "YUV4MPEG2 W{} H{} F{}:{} Ip A1:1 C420mpeg2 XYSCSS=420MPEG2 XCOLORRANGE=LIMITED\n",
        facts.shape.width,
        facts.shape.height,
        rate.num(),
        rate.den()
    );
    out.write_all(header.as_bytes()).map_err(failed)?;
    let mut samples = Vec::new();
    while source.read_frame(&mut samples)?.is_some() {
        out.write_all(b"FRAME\n").and_then(|()| out.write_all(&samples)).map_err(failed)?;
    }
    Ok(())
}

/// The plan of a round as TOML. Files count from the plan's folder: `clips/CLIP.y4m`, `FOLDER/DEVICE/CLIP.y4m`.
pub fn plan(round: Round, (title, folder): (&str, &str)) -> String {
    let mut text =
        format!("# Invented devices and clips. `evenbeat campaign` reads this.\ntitle = \"{title}\"\n");
    for clip in &CLIPS {
        text.push_str(&format!(
            "\n[[clip]]\nid = \"{0}\"\nname = \"{1}\"\nfile = \"clips/{0}.y4m\"\nrate = \"{2}\"\n",
            clip.id, clip.name, clip.rate
        ));
    }
    for device in &DEVICES {
        text.push_str(&format!(
            "\n[[device]]\nid = \"{}\"\nname = \"{}\"\nfirmware = \"{}\"\nrecorder = \"painted, lossless, {DELIVERED_RATE}\"\n",
            device.id,
            device.name,
            device.firmware(round)
        ));
    }
    for device in &DEVICES {
        for clip in &CLIPS {
            text.push_str(&format!(
                "\n[[recording]]\ndevice = \"{0}\"\nclip = \"{1}\"\nfile = \"{folder}/{0}/{1}.y4m\"\n",
                device.id, clip.id
            ));
        }
    }
    text
}

#[cfg(test)]
mod tests {
    use super::*;

    fn repeats(shown: &[Shown]) -> usize {
        shown.windows(2).filter(|pair| pair[0] == pair[1]).count()
    }

    #[test]
    fn habits_are_what_they_are_called() {
        let [tram, quay, _] = &CLIPS;
        for (habit, clip, expected) in [
            (Habit::Plain, tram, 0),
            (Habit::Halving, tram, FRAMES / 2),
            (Habit::Plain, quay, FRAMES / 2),
            (Habit::Halving, quay, FRAMES / 2),
            (Habit::Stalling, tram, 20),
        ] {
            assert_eq!(repeats(&shown(habit, clip)), expected, "{habit:?} {}", clip.id);
        }
        assert_eq!(shown(Habit::Plain, quay), shown(Habit::Halving, quay));
        let mixes = shown(Habit::Mixing, tram);
        assert!(mixes.iter().filter(|shown| matches!(shown, Shown::Mix { .. })).count() > FRAMES / 2);
    }

    #[test]
    fn every_picture_shown_is_in_the_clip() {
        for clip in &CLIPS {
            let pictures = clip.open().facts().promised_frames.unwrap();
            for habit in [Habit::Plain, Habit::Halving, Habit::Stalling, Habit::Mixing] {
                for shown in shown(habit, clip) {
                    let last = match shown {
                        Shown::Picture(picture) => picture,
                        Shown::Mix { second, .. } => second,
                    };
                    assert!(last < pictures, "{habit:?} {} shows {last} of {pictures}", clip.id);
                }
            }
        }
    }

    #[test]
    fn what_is_written_is_read_again() {
        let mut bytes = Vec::new();
        write_y4m(CLIPS[2].open(), ("a clip", &mut bytes)).unwrap();
        let frames = bytes.windows(6).filter(|window| window == b"FRAME\n").count() as u64;
        assert_eq!(Some(frames), CLIPS[2].open().facts().promised_frames);
        let header = bytes.iter().position(|&byte| byte == b'\n').unwrap() + 1;
        assert_eq!(bytes.len(), header + frames as usize * (6 + 160 * 90 * 3 / 2));
    }
}
