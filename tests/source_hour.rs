//! An hour against an hour: fingerprint logs of a clip and of a capture of it, written for measuring time and memory
//! of the program.
//!
//! ```text
//! EVENBEAT_HOUR=FOLDER cargo test --test source_hour -- --ignored
//! /usr/bin/time -v evenbeat audit FOLDER/capture.log --reference FOLDER/clip.log --out FOLDER/audit
//! ```

use std::fs::File;
use std::io::BufWriter;
use std::path::{Path, PathBuf};

use evenbeat::capture::log::{LogWriter, ReadingEnd};
use evenbeat::capture::{CaptureFacts, RateSource};
use evenbeat::demo::texture::Dice;
use evenbeat::fingerprint::{BlockSpread, FieldMeasures, FrameFingerprint, ReducedChange};
use evenbeat::frame::{Family, FrameShape, PixelFormat, Scan};
use evenbeat::settings::ViewSettings;
use evenbeat::units::Rate;

/// Pictures of an hour at 60 per second.
const PICTURES: u64 = 216_000;
/// Pictures of a shot.
const SHOT: u64 = 180;

fn facts(name: &str) -> CaptureFacts {
    let pixel_format = PixelFormat { family: Family::Yuv { across: 1, down: 1 }, bit_depth: 8 };
    CaptureFacts {
        name: name.to_owned(),
        shape: FrameShape { width: 1920, height: 1080, pixel_format },
        scan: Scan::Progressive,
        nominal_rate: Rate::new(60, 1),
        rate_source: Some(RateSource::Header),
        time_base: None,
        promised_frames: None,
        reader: "written".to_owned(),
    }
}

/// Cells that drift within a shot, each shot elsewhere.
fn signature(picture: u64, noise: &mut Dice) -> [u16; 96] {
    let (shot, within) = (picture / SHOT, (picture % SHOT) as f32);
    std::array::from_fn(|cell| {
        let mut dice = Dice::new(shot * 96 + cell as u64 + 1);
        let (level, pace) = (dice.below(9000) as f32 + 2000.0, dice.below(200) as f32 / 1000.0);
        let value = level + 1500.0 * (pace * within + cell as f32).sin();
        value as u16 + noise.below(9) as u16
    })
}

fn write(path: &Path, pictures: impl Iterator<Item = u64>) {
    let out = BufWriter::new(File::create(path).expect("the log can be created"));
    let mut log = LogWriter::new(out, "log", &facts("hour"), &ViewSettings::default()).expect("a header");
    let mut noise = Dice::new(path.as_os_str().len() as u64);
    let mut before = None;
    let mut frames = 0;
    for (index, picture) in (0..).zip(pictures) {
        let change = if before == Some(picture) { 0.0 } else { 12.0 };
        before = Some(picture);
        let spread = BlockSpread {
            mean: change / 2.0,
            quiet: change / 4.0,
            median: change / 2.0,
            p90: change,
            p99: change,
            worst: change,
        };
        let mut digest = [0; 32];
        digest[..8].copy_from_slice(&picture.to_le_bytes());
        log.push(&FrameFingerprint {
            index,
            ticks: None,
            missing_before: 0,
            digest,
            luma: spread,
            chroma: spread,
            reduced: ReducedChange { energy: change * change, detail: 50.0, ..ReducedChange::default() },
            regions: [(change * 64.0) as u16; 48],
            signature: signature(picture, &mut noise),
            marks: None,
            fields: FieldMeasures::default(),
        })
        .expect("a record");
        frames = index + 1;
    }
    log.finish(&ReadingEnd { frames, ..ReadingEnd::default() }).expect("the end of the log");
}

#[test]
#[ignore = "writes 190 MB: run by hand"]
fn write_an_hour() {
    let folder = PathBuf::from(std::env::var_os("EVENBEAT_HOUR").expect("EVENBEAT_HOUR names a folder"));
    std::fs::create_dir_all(&folder).expect("the folder can be created");
    write(&folder.join("clip.log"), 0..PICTURES);
    // Every second picture, a stall that skips now and then.
    write(
        &folder.join("capture.log"),
        (0..PICTURES).map(|k| if k % 5000 < 12 { k / 5000 * 5000 } else { k }),
    );
    write(&folder.join("half.log"), (0..PICTURES).map(|k| k / 2 * 2));
    // Another clip: other shots.
    write(&folder.join("other.log"), (0..PICTURES).map(|k| k + 1_000_000));
}
