//! Fingerprints of a cell beside its truth, as a table for study.

use std::fmt::Write;
use std::fs;
use std::path::Path;

use evenbeat::fingerprint::FrameFingerprint;

use super::adapter::{self, Judged};
use super::cells::Cell;
use super::truth;

const NAMES: &str = "frame,truth,called,confidence,evidence,digest";

/// Writes one row per frame: truth, call and the numbers of the fingerprint.
pub fn write(
    cell: &Cell,
    judged: &Judged,
    fingerprints: &[FrameFingerprint],
    folder: &Path,
) -> std::io::Result<()> {
    fs::create_dir_all(folder)?;
    let truth = truth(&cell.scene, &cell.delivery);
    let mut text = format!("{NAMES},{}\n", adapter::MEASURES);
    for (frame, print) in fingerprints.iter().enumerate() {
        let call = judged.frames.get(frame);
        let digest: String = print.digest[..4].iter().map(|byte| format!("{byte:02x}")).collect();
        let class = call.map_or("", |call| call.class.name());
        let evidence = call.map_or("", |call| call.evidence.name());
        let confidence = call.map_or(0.0, |call| call.confidence);
        let truth = truth[frame].name();
        let _ = writeln!(
            text,
            "{frame},{truth},{class},{confidence},{evidence},{digest},{}",
            adapter::measures(print)
        );
    }
    fs::write(folder.join(format!("{}.csv", cell.file_name())), text)
}
