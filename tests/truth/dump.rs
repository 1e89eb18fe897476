//! Fingerprints of a cell beside its truth, as a table for study.

use std::fmt::Write;
use std::fs;
use std::path::Path;

use evenbeat::fingerprint::FrameFingerprint;

use super::adapter::Judged;
use super::cells::Cell;
use super::truth;

const NAMES: &str = "frame,truth,called,confidence,evidence,digest,\
luma_change,chroma_change,\
offset,energy,energy_two_back,unexplained,fine_energy,motion_x,motion_y,motion_peak,fine_energy_two_back,detail";

/// Writes one row per frame: truth, call and the numbers of the fingerprint.
pub fn write(
    cell: &Cell,
    judged: &Judged,
    fingerprints: &[FrameFingerprint],
    folder: &Path,
) -> std::io::Result<()> {
    fs::create_dir_all(folder)?;
    let truth = truth(&cell.scene, &cell.delivery);
    let mut text = NAMES.to_owned();
    text.push('\n');
    for (frame, print) in fingerprints.iter().enumerate() {
        let call = judged.frames.get(frame);
        let digest: String = print.digest[..4].iter().map(|byte| format!("{byte:02x}")).collect();
        let class = call.map_or("", |call| call.class.name());
        let evidence = call.map_or("", |call| call.evidence.name());
        let confidence = call.map_or(0.0, |call| call.confidence);
        let reduced = print.reduced;
        let numbers = [
            print.luma_change,
            print.chroma_change,
            reduced.offset,
            reduced.energy,
            reduced.energy_two_back,
            reduced.unexplained,
            reduced.fine_energy,
            reduced.motion_x,
            reduced.motion_y,
            reduced.motion_peak,
            reduced.fine_energy_two_back,
            reduced.detail,
        ];
        let numbers = numbers.map(|number| number.to_string());
        let truth = truth[frame].name();
        let _ =
            writeln!(text, "{frame},{truth},{class},{confidence},{evidence},{digest},{}", numbers.join(","));
    }
    fs::write(folder.join(format!("{}.csv", cell.file_name())), text)
}
