//! Fingerprints of a cell beside its truth, as a table for study.

use std::fmt::Write;
use std::fs;
use std::path::Path;

use evenbeat::fingerprint::FrameFingerprint;

use super::adapter::Judged;
use super::cells::Cell;
use super::truth;

const NAMES: &str = "frame,truth,called,confidence,evidence,digest,\
luma_mean,luma_quiet,luma_median,luma_p90,luma_p99,luma_worst,\
chroma_mean,chroma_quiet,chroma_median,chroma_p90,chroma_p99,chroma_worst,\
offset,energy,energy_two_back,unexplained,fine_energy,motion_x,motion_y,motion_peak,fine_energy_two_back,detail";

/// Writes one row per frame: truth, call, the numbers of the fingerprint and the features of its change.
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
        let (luma, chroma, reduced) = (print.luma, print.chroma, print.reduced);
        let spreads = [luma, chroma];
        let numbers = spreads
            .iter()
            .flat_map(|s| [s.mean, s.quiet, s.median, s.p90, s.p99, s.worst])
            .chain([
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
            ])
            .map(|number| number.to_string());
        let rest: Vec<String> = numbers.collect();
        let truth = truth[frame].name();
        let _ = writeln!(text, "{frame},{truth},{class},{confidence},{evidence},{digest},{}", rest.join(","));
    }
    fs::write(folder.join(format!("{}.csv", cell.file_name())), text)
}
