//! What is done in one go: a recording, or a part of a large one.
//!
//! Recordings keep the numbers of the plan, whatever their size, so that no result depends on where they are cut. The number
//! of a large one is that of its first part; the other parts are numbered after the last recording. Tasks wait for none:
//! whichever part is read last joins all of them and audits.

use super::plan::{Plan, Unit};
use super::unit::bytes_of;
use crate::capture::Part;

/// What is done in one go.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Task<'a> {
    /// Its number, from 1.
    pub number: u32,
    /// The recording.
    pub unit: &'a Unit,
    /// Which part of it; `None` for all of it.
    pub part: Option<Part>,
    /// Bytes to be read.
    pub bytes: u64,
}

/// The tasks of a plan, in the order of their numbers.
pub fn tasks(plan: &Plan) -> Vec<Task<'_>> {
    let mut others = Vec::new();
    let mut tasks = Vec::with_capacity(plan.units.len());
    for unit in &plan.units {
        let (bytes, of) = sizes(unit, plan.part_bytes);
        let task = |part| Task { number: unit.number, unit, part, bytes };
        if of == 1 {
            tasks.push(task(None));
            continue;
        }
        tasks.push(task(Part::new(1, of)));
        others.extend((2..=of).map(|part| task(Part::new(part, of))));
    }
    tasks.append(&mut others);
    tasks.into_iter().zip(1..).map(|(task, number)| Task { number, ..task }).collect()
}

/// Bytes of each part of a recording, and how many parts there are. The size is what every machine knows of a recording
/// without opening it, and what reading it takes.
fn sizes(unit: &Unit, part_bytes: u64) -> (u64, u32) {
    let bytes = bytes_of(&unit.recording);
    // Images are files of their own.
    if unit.recording.is_dir() {
        return (bytes, 1);
    }
    let of = bytes.div_ceil(part_bytes.max(1)).clamp(1, u64::from(Part::MAX));
    (bytes / of, of as u32)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::settings::Settings;

    #[test]
    fn parts_come_after_all_recordings() {
        let folder = tempfile::tempdir().unwrap();
        let units = [10, 25, 0, 30].into_iter().zip(1..).map(|(bytes, number)| {
            let recording = folder.path().join(number.to_string());
            std::fs::write(&recording, vec![0; bytes]).unwrap();
            let (settings, require, folder) = (Settings::default(), vec![], String::new());
            Unit { number, device: 0, clip: 0, run: number, recording, settings, require, folder }
        });
        let units: Vec<Unit> = units.collect();
        let shown = |part_bytes| {
            let (title, date, clips, devices) = (String::new(), None, vec![], vec![]);
            let plan = Plan { title, date, part_bytes, clips, devices, units: units.clone() };
            let show = |task: &Task<'_>| {
                let part = task.part.map_or((0, 0), |part| (part.number(), part.of()));
                (task.number, task.unit.number, part, task.bytes)
            };
            tasks(&plan).iter().map(show).collect::<Vec<_>>()
        };
        assert_eq!(
            shown(10),
            [
                (1, 1, (0, 0), 10),
                (2, 2, (1, 3), 8),
                (3, 3, (0, 0), 0),
                (4, 4, (1, 3), 10),
                (5, 2, (2, 3), 8),
                (6, 2, (3, 3), 8),
                (7, 4, (2, 3), 10),
                (8, 4, (3, 3), 10),
            ]
        );
        assert_eq!(
            shown(30),
            [(1, 1, (0, 0), 10), (2, 2, (0, 0), 25), (3, 3, (0, 0), 0), (4, 4, (0, 0), 30)]
        );
    }
}
