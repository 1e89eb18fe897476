//! What the capture tests share.
#![allow(dead_code)] // Each test binary uses its own part.

use std::path::{Path, PathBuf};
use std::process::Command;

use evenbeat::capture::{open, CaptureArg, CaptureFacts};
use evenbeat::error::Error;
use evenbeat::note::Note;
use evenbeat::settings::ReadingSettings;
use evenbeat::units::TimeBase;

/// All that came out of a reader; of the samples, their BLAKE3.
pub struct Outcome {
    pub facts: CaptureFacts,
    pub ticks: Vec<Option<i64>>,
    pub samples: Vec<blake3::Hash>,
    pub error: Option<Error>,
    pub notes: Vec<Note>,
}

/// Reads a capture to its end or the first error.
pub fn read(path: &Path, settings: &ReadingSettings) -> Outcome {
    let mut source = open(&CaptureArg::Path(path.into()), settings)
        .unwrap_or_else(|error| panic!("{error} ({})", error.hint));
    let facts = source.facts().clone();
    let (mut ticks, mut samples, mut error) = (Vec::new(), Vec::new(), None);
    let mut buffer = Vec::new();
    loop {
        match source.read_frame(&mut buffer) {
            Ok(Some(timing)) => {
                assert_eq!(buffer.len(), facts.shape.byte_len());
                ticks.push(timing.ticks);
                samples.push(blake3::hash(&buffer));
            }
            Ok(None) => break,
            Err(found) => {
                error = Some(found);
                break;
            }
        }
    }
    Outcome { facts, ticks, samples, error, notes: source.finish().notes }
}

/// Whether the external decoder and its prober can be run; says so, loudly, where not.
pub fn decoder_is_here() -> bool {
    let is_here = ["ffmpeg", "ffprobe"].iter().all(|program| {
        Command::new(program).arg("-version").output().is_ok_and(|output| output.status.success())
    });
    if !is_here {
        eprintln!("SKIPPED: ffmpeg and ffprobe are not installed, so the external decoder is not tested");
    }
    is_here
}

/// Runs ffmpeg with blank-separated arguments. Paths must not have blanks.
pub fn ffmpeg(arguments: &str) {
    let output = Command::new("ffmpeg")
        .args(["-hide_banner", "-nostdin", "-y", "-loglevel", "error"])
        .args(arguments.split_whitespace().map(|argument| argument.replace('\'', "")))
        .output()
        .unwrap();
    assert!(output.status.success(), "{arguments}: {}", String::from_utf8_lossy(&output.stderr));
}

/// Frame times and time base of the first video stream, listed by the prober.
pub fn independent_ticks(path: &Path) -> (Vec<i64>, TimeBase) {
    let ask = |entries: &str| {
        let output = Command::new("ffprobe")
            .args([
                "-v",
                "error",
                "-select_streams",
                "v:0",
                "-of",
                "default=nk=1:nw=1",
                "-show_entries",
                entries,
            ])
            .arg(path)
            .output()
            .unwrap();
        String::from_utf8(output.stdout).unwrap()
    };
    let ticks =
        ask("frame=best_effort_timestamp").lines().filter_map(|line| line.trim().parse().ok()).collect();
    let text = ask("stream=time_base");
    let (num, den) = text.lines().next().unwrap().trim().split_once('/').unwrap();
    (ticks, TimeBase::new(num.parse().unwrap(), den.parse().unwrap()).unwrap())
}

/// The folder of real clips beside the project, or the one that `EVENBEAT_CLIPS` names; says so where absent.
pub fn clips() -> Option<PathBuf> {
    let folder = std::env::var_os("EVENBEAT_CLIPS")
        .map_or_else(|| Path::new(env!("CARGO_MANIFEST_DIR")).join("../shared/clips"), PathBuf::from);
    if !folder.is_dir() {
        eprintln!("SKIPPED: no real clips in {}; set EVENBEAT_CLIPS to their folder", folder.display());
        return None;
    }
    Some(folder)
}
