//! A capture as a table for study: truth, call and fingerprint of every frame.

use std::fmt::Write;
use std::fs;
use std::path::Path;

use super::taken::Taken;
use super::Capture;
use crate::adapter::{self, Judged};

const COLUMNS: &str = "frame,truth,picture,lost,identical,recorded,distance,block_distance,opinion_motion,\
called,confidence,evidence,lost_before,lost_uncertainty,flags,digest";

/// Writes one row per frame, and what the capture is in a line of its own file.
pub fn write(capture: &Capture, taken: &Taken, judged: &Judged, folder: &Path) -> std::io::Result<()> {
    fs::create_dir_all(folder)?;
    let mut text = format!("{COLUMNS},{}\n", adapter::MEASURES);
    for (frame, (print, truth)) in taken.fingerprints.iter().zip(&taken.truth).enumerate() {
        let call = &judged.frames[frame];
        let flags: Vec<&str> = call.flags.names().collect();
        let digest: String = print.digest[..4].iter().map(|byte| format!("{byte:02x}")).collect();
        let _ = writeln!(
            text,
            "{frame},{},{},{},{},{},{},{},{},{},{},{},{},{},{},{digest},{}",
            if truth.new { "new" } else { "same" },
            truth.picture,
            truth.lost,
            u8::from(truth.identical),
            truth.recorded,
            truth.distance,
            truth.block_distance,
            truth.opinion_motion,
            call.class.name(),
            call.confidence,
            call.evidence.name(),
            call.lost_before,
            call.lost_uncertainty,
            flags.join(";"),
            adapter::measures(print)
        );
    }
    fs::write(folder.join(format!("{}.csv", capture.file_name())), text)
}

const INDEX_COLUMNS: &str = "file,family,cadence,cadence_name,pattern,recording,recording_name,lossless,clean,rate,width,height,depth";

/// Writes one row per capture: what each file of the folder is.
pub fn write_index(captures: &[Capture], folder: &Path) -> std::io::Result<()> {
    fs::create_dir_all(folder)?;
    let mut text = format!("{INDEX_COLUMNS}\n");
    for capture in captures {
        let pattern: Vec<String> = capture.cadence.pattern.iter().flatten().map(u32::to_string).collect();
        let size = capture.size();
        let _ = writeln!(
            text,
            "{}.csv,{},{},{},{},{},{},{},{},{},{},{},{}",
            capture.file_name(),
            capture.scene.family,
            capture.cadence.kind,
            capture.cadence.name,
            pattern.join(" "),
            capture.recording.kind(),
            capture.recording.name(),
            u8::from(capture.recording.is_lossless()),
            u8::from(capture.is_clean()),
            capture.rate.hz(),
            size.width,
            size.height,
            capture.recording.depth
        );
    }
    fs::write(folder.join("captures.csv"), text)
}
