//! Paints the captures in `samples/` and the list of pictures they show. Run by `scripts/make-samples`:
//!
//! ```text
//! cargo run --release --example paint_samples -- FOLDER SCRATCH
//! ```
//!
//! `FOLDER` receives the captures; `SCRATCH` receives `paper-boat.y4m`, which the script then encodes.

use std::error::Error;
use std::fs::{self, File};
use std::io::{BufWriter, Write};
use std::path::{Path, PathBuf};

use evenbeat::demo::schedule::{self, Stall};
use evenbeat::demo::Harbour;
use evenbeat::frame::{Family, FrameShape, PixelFormat};
use evenbeat::units::Rate;

type Outcome = Result<(), Box<dyn Error>>;

/// Samples are small, so the clip runs faster: 1.2 pixels per picture for the houses at a width of 64.
const PACE_SMALL: f32 = 8.0;
/// Pace of the capture that is encoded: 1.35 pixels per picture at a width of 192.
const PACE_ENCODED: f32 = 3.0;
const TV_RATE: &str = "59.94";

/// A painted capture: what to paint and which picture each frame shows.
struct Sample {
    name: &'static str,
    shape: FrameShape,
    rate: Rate,
    pace: f32,
    pictures: Vec<u64>,
}

fn shape(width: u32, height: u32, family: Family, bit_depth: u8) -> FrameShape {
    FrameShape { width, height, pixel_format: PixelFormat { family, bit_depth } }
}

fn rate(text: &str) -> Rate {
    Rate::parse(text).expect("a rate of the table")
}

fn main() -> Outcome {
    let mut arguments = std::env::args_os().skip(1).map(PathBuf::from);
    let (Some(folder), Some(scratch)) = (arguments.next(), arguments.next()) else {
        return Err("usage: paint_samples FOLDER SCRATCH".into());
    };
    fs::create_dir_all(&folder)?;
    fs::create_dir_all(&scratch)?;
    let mut truth = BufWriter::new(File::create(folder.join("truth.csv"))?);
    writeln!(truth, "capture,frame,picture")?;
    let small = shape(64, 36, Family::Yuv { across: 1, down: 1 }, 8);
    for sample in [
        Sample {
            name: "lantern-box.y4m",
            shape: small,
            rate: rate(TV_RATE),
            pace: PACE_SMALL,
            pictures: (0..60).collect(),
        },
        Sample {
            name: "brass-kettle.y4m",
            shape: small,
            rate: rate(TV_RATE),
            pace: PACE_SMALL,
            pictures: schedule::pattern(&[2], 60).iter().map(|picture| picture * 2).collect(),
        },
        Sample {
            name: "tin-whistle.y4m",
            shape: shape(48, 28, Family::Yuv { across: 1, down: 0 }, 10),
            rate: rate("60"),
            pace: PACE_SMALL,
            pictures: schedule::pattern(&[2, 3], 50),
        },
        recorder_gap(&folder)?,
    ] {
        write_y4m(&sample, &folder.join(sample.name))?;
        write_truth(&mut truth, &sample)?;
    }
    let numbered = numbered_images(&folder.join("cork-float"))?;
    write_truth(&mut truth, &numbered)?;
    let stalling = stalling();
    write_y4m(&stalling, &scratch.join("paper-boat.y4m"))?;
    write_truth(&mut truth, &stalling)?;
    truth.flush()?;
    Ok(())
}

/// 1:1, but the recorder lost two frames: pictures and times both skip. The times go into a text file.
fn recorder_gap(folder: &Path) -> Result<Sample, Box<dyn Error>> {
    const FIRST_AFTER: u64 = 36;
    const LOST: u64 = 2;
    let pictures: Vec<u64> =
        (0..54).map(|frame| if frame < FIRST_AFTER { frame } else { frame + LOST }).collect();
    let rate = rate(TV_RATE);
    let mut times = BufWriter::new(File::create(folder.join("glass-buoy-times.txt"))?);
    for picture in &pictures {
        // Nanoseconds, rounded down: nine decimals of a second.
        let nanoseconds = picture * 1_000_000_000 * rate.den() / rate.num();
        writeln!(times, "{}.{:09}", nanoseconds / 1_000_000_000, nanoseconds % 1_000_000_000)?;
    }
    times.flush()?;
    Ok(Sample {
        name: "glass-buoy.y4m",
        shape: shape(64, 36, Family::Gray, 8),
        rate,
        pace: PACE_SMALL,
        pictures,
    })
}

/// 1:1 with stalls: two that lose what they miss, one that comes late.
fn stalling() -> Sample {
    let stalls = [
        Stall { first_frame: 30, frames: 5, lost: 5 },
        Stall { first_frame: 62, frames: 3, lost: 0 },
        Stall { first_frame: 90, frames: 8, lost: 8 },
    ];
    Sample {
        name: "paper-boat.mkv",
        shape: shape(192, 108, Family::Yuv { across: 1, down: 1 }, 8),
        rate: rate(TV_RATE),
        pace: PACE_ENCODED,
        pictures: schedule::stalled(&(0..120).collect::<Vec<u64>>(), &stalls),
    }
}

/// A folder of numbered images of which numbers 21, 22 and 23 are missing.
fn numbered_images(folder: &Path) -> Result<Sample, Box<dyn Error>> {
    const MISSING: std::ops::Range<u64> = 21..24;
    let pictures: Vec<u64> = (0..40).filter(|number| !MISSING.contains(number)).collect();
    let sample = Sample {
        name: "cork-float",
        shape: shape(64, 36, Family::Gray, 8),
        rate: rate("60"),
        pace: PACE_SMALL,
        pictures,
    };
    fs::create_dir_all(folder)?;
    let harbour = Harbour::new(sample.shape, sample.pace);
    let mut samples = Vec::new();
    for &picture in &sample.pictures {
        harbour.paint(picture, &mut samples);
        let path = folder.join(format!("frame-{picture:04}.png"));
        image::save_buffer(path, &samples, sample.shape.width, sample.shape.height, image::ColorType::L8)?;
    }
    Ok(sample)
}

/// Writes a capture as YUV4MPEG2.
fn write_y4m(sample: &Sample, path: &Path) -> Outcome {
    let colour = match (sample.shape.pixel_format.family, sample.shape.pixel_format.bit_depth) {
        (Family::Gray, 8) => "mono",
        (Family::Yuv { across: 1, down: 1 }, 8) => "420mpeg2",
        (Family::Yuv { across: 1, down: 0 }, 10) => "422p10",
        other => return Err(format!("no YUV4MPEG2 tag here for {other:?}").into()),
    };
    let mut out = BufWriter::new(File::create(path)?);
    let (shape, rate) = (sample.shape, sample.rate);
    writeln!(
        out,
        "YUV4MPEG2 W{} H{} F{}:{} Ip A1:1 C{colour}",
        shape.width,
        shape.height,
        rate.num(),
        rate.den()
    )?;
    let harbour = Harbour::new(shape, sample.pace);
    let mut samples = Vec::new();
    for &picture in &sample.pictures {
        harbour.paint(picture, &mut samples);
        out.write_all(b"FRAME\n")?;
        out.write_all(&samples)?;
    }
    out.flush()?;
    Ok(())
}

fn write_truth(out: &mut impl Write, sample: &Sample) -> Outcome {
    for (frame, picture) in sample.pictures.iter().enumerate() {
        writeln!(out, "{},{frame},{picture}", sample.name)?;
    }
    Ok(())
}
