//! Writes fingerprint logs of an hour for measuring: `hour-logs FOLDER` makes `clip.log`, a `capture.log` of it with
//! stalls that skip, one at `half.log` rate, and one of `other.log` pictures altogether.
//!
//! ```text
//! evenbeat audit FOLDER/capture.log --reference FOLDER/clip.log --out FOLDER/audit
//! ```

mod painted;

use std::fs::File;
use std::io::BufWriter;
use std::path::{Path, PathBuf};

use evenbeat::capture::log::LogWriter;
use evenbeat::demo::texture::Dice;
use evenbeat::fingerprint::{FieldMeasures, FrameFingerprint, ReducedChange};
use evenbeat::pipeline::ReadingEnd;
use evenbeat::settings::ViewSettings;

/// Pictures of an hour at 60 per second.
const PICTURES: u64 = 216_000;
/// Pictures of a shot.
const SHOT: u64 = 180;
/// Pictures from one stall to the next, and frames of a stall.
const STALL_EVERY: u64 = 5000;
const STALL: u64 = 12;

type Outcome<T> = std::result::Result<T, Box<dyn std::error::Error>>;

/// Cells that drift within a shot, each shot elsewhere, with the wobble of a coarse recording.
fn signature(picture: u64, wobble: &mut Dice) -> [u16; 96] {
    let (shot, within) = (picture / SHOT, (picture % SHOT) as f32);
    std::array::from_fn(|cell| {
        let mut dice = Dice::new(shot * 96 + cell as u64 + 1);
        let (level, pace) = (dice.below(9000) as f32 + 2000.0, dice.below(200) as f32 / 1000.0);
        let value = level + 1500.0 * (pace * within + cell as f32).sin();
        value as u16 + wobble.below(9) as u16
    })
}

/// A log of these pictures. What changes between two comes from painted ones; a repeat is the frame before.
fn write(path: &Path, pictures: impl Iterator<Item = u64>) -> Outcome<()> {
    let moving = painted::fingerprints(painted::TURN)?;
    let out = BufWriter::new(File::create(path)?);
    let mut log =
        LogWriter::new(out, path.display().to_string(), &painted::facts(), &ViewSettings::default())?;
    let mut wobble = Dice::new(path.as_os_str().len() as u64);
    let mut before: Option<(u64, FrameFingerprint)> = None;
    let mut frames = 0;
    for (index, picture) in (0..).zip(pictures) {
        let fingerprint = match before.take() {
            Some((shown, same)) if shown == picture => FrameFingerprint {
                index,
                luma_change: 0.0,
                chroma_change: 0.0,
                reduced: ReducedChange { detail: same.reduced.detail, ..ReducedChange::default() },
                fields: FieldMeasures {
                    top_unchanged: true,
                    bottom_unchanged: true,
                    ..FieldMeasures::default()
                },
                ..same
            },
            _ => {
                let mut digest = [0; 32];
                digest[..8].copy_from_slice(&picture.to_le_bytes());
                let signature = signature(picture, &mut wobble);
                FrameFingerprint { index, digest, signature, ..moving[painted::place(index)].clone() }
            }
        };
        log.push(&fingerprint)?;
        before = Some((picture, fingerprint));
        frames = index + 1;
    }
    log.finish(&ReadingEnd { frames, ..ReadingEnd::default() })?;
    Ok(())
}

fn main() -> Outcome<()> {
    let folder = PathBuf::from(std::env::args().nth(1).ok_or("usage: hour-logs FOLDER")?);
    std::fs::create_dir_all(&folder)?;
    let stalled = |picture: u64| match picture % STALL_EVERY {
        0..STALL => picture / STALL_EVERY * STALL_EVERY,
        _ => picture,
    };
    write(&folder.join("clip.log"), 0..PICTURES)?;
    write(&folder.join("capture.log"), (0..PICTURES).map(stalled))?;
    write(&folder.join("half.log"), (0..PICTURES).map(|picture| picture / 2 * 2))?;
    write(&folder.join("other.log"), (0..PICTURES).map(|picture| picture + 1_000_000))?;
    Ok(())
}
