//! A disk that is full on unit 7 of 12, and a clip that vanishes midway: those units say so, the others are done, and the
//! next run gives the bytes of a run without them.

mod cli_common;

use std::collections::BTreeMap;
use std::fs;
use std::io;
use std::num::NonZeroUsize;
use std::path::{Path, PathBuf};
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::Arc;

use chrono::DateTime;
use cli_common::first_frames;
use evenbeat::campaign::model::{Campaign, State};
use evenbeat::campaign::plan::Plan;
use evenbeat::campaign::run::{all, Share, Watcher};
use evenbeat::campaign::task::{tasks, Task};
use evenbeat::campaign::work::{claim, known_in, Clips, Subject, Workplace};
use evenbeat::campaign::{collect, json};
use evenbeat::error::{Error, Result};
use evenbeat::output::{Disk, Faults, OutputFolder};
use evenbeat::pictures::Pictures;
use evenbeat::report::{write_all, Report};

/// A disk that takes nothing while it is full.
#[derive(Default)]
struct Full(AtomicBool);

impl Faults for Full {
    fn before(&self, _: &'static str) -> io::Result<()> {
        Ok(())
    }

    fn writing(&self, bytes: usize) -> io::Result<usize> {
        if self.0.load(Ordering::SeqCst) {
            return Err(io::ErrorKind::StorageFull.into());
        }
        Ok(bytes)
    }
}

struct Silent;

impl<T> Watcher<T> for Silent {
    fn begins(&self, _: &Task<'_>) {}
    fn ended(&self, _: &Task<'_>, _: std::result::Result<&T, &Error>, _: Share) {}
}

fn report(subject: Subject<'_>, target: OutputFolder) -> Result<()> {
    let Subject { audit, provenance, .. } = subject;
    write_all(&Report { audit, provenance, pictures: &Pictures::default(), stretch: None }, target)
}

/// Does all tasks, one after the other; `around` is told before each.
fn run(folder: &Path, out: &str, disk: &Arc<Full>, around: &(dyn Fn(&Task<'_>) + Sync)) -> Campaign {
    let plan = Plan::read(folder, None).unwrap();
    let out = folder.join(out);
    claim(&out).unwrap();
    let known = known_in(&out, None);
    let stop = AtomicBool::new(false);
    let workplace = Workplace {
        out: &out,
        known: &known,
        date: DateTime::parse_from_rfc3339("2026-03-09T00:00:00Z").unwrap(),
        decoder: None,
        stop: &stop,
        report: &report,
        disk: Disk::with_faults(disk.clone()),
        clips: Clips::default(),
    };
    let work = |task: &Task<'_>| {
        around(task);
        workplace.complete(task)
    };
    let failures = all(&tasks(&plan), NonZeroUsize::MIN, &stop, &work, &Silent);
    collect(&plan, &out, &known, &failures)
}

fn files(folder: &Path) -> BTreeMap<PathBuf, Vec<u8>> {
    let mut found = BTreeMap::new();
    for entry in fs::read_dir(folder).unwrap().flatten() {
        if entry.path().is_dir() {
            found.extend(
                files(&entry.path()).into_iter().map(|(path, bytes)| (entry.path().join(path), bytes)),
            );
        } else {
            found.insert(entry.path(), fs::read(entry.path()).unwrap());
        }
    }
    found.into_iter().map(|(path, bytes)| (path.strip_prefix(folder).unwrap().to_owned(), bytes)).collect()
}

/// Twelve recordings of three devices on four clips.
fn folder() -> tempfile::TempDir {
    let folder = tempfile::tempdir().unwrap();
    for clip in 0..4 {
        fs::create_dir_all(folder.path().join("clips")).unwrap();
        let bytes = first_frames("lantern-box.y4m", 40 + clip);
        fs::write(folder.path().join(format!("clips/{clip}.y4m")), bytes).unwrap();
        for device in ["attic", "kitchen", "study"] {
            fs::create_dir_all(folder.path().join("recordings").join(device)).unwrap();
            let bytes = first_frames("lantern-box.y4m", 30 + clip);
            fs::write(folder.path().join(format!("recordings/{device}/{clip}.y4m")), bytes).unwrap();
        }
    }
    folder
}

fn failed(campaign: &Campaign) -> Vec<(u32, State, String)> {
    let runs = campaign.cells.iter().flat_map(|cell| &cell.runs).filter(|run| run.state != State::Done);
    runs.map(|run| (run.unit, run.state, run.error.clone().unwrap_or_default())).collect()
}

#[test]
fn a_full_disk_and_a_clip_that_vanishes_cost_their_units_only() {
    let folder = folder();
    let disk = Arc::new(Full::default());
    let whole = run(folder.path(), "whole", &disk, &|_| {});
    assert_eq!(failed(&whole), []);

    let filled = run(folder.path(), "out", &disk, &|task| disk.0.store(task.number == 7, Ordering::SeqCst));
    let told = failed(&filled);
    assert_eq!(told.iter().map(|(unit, ..)| *unit).collect::<Vec<_>>(), [7], "{told:?}");
    assert!(told[0].2.ends_with("no space left"), "{told:?}");
    assert!(!folder.path().join("out/runs/kitchen/2/1").exists());
    disk.0.store(false, Ordering::SeqCst);
    let again = run(folder.path(), "out", &disk, &|_| {});
    assert_eq!(json::document(&again), json::document(&whole));
    assert!(files(&folder.path().join("out/runs")) == files(&folder.path().join("whole/runs")));

    // The clip of units 3, 7 and 11 goes away when its first unit is done.
    let clip = folder.path().join("clips/2.y4m");
    let kept = folder.path().join("kept");
    let gone = run(folder.path(), "gone", &disk, &|task| {
        if task.number == 7 {
            fs::rename(&clip, &kept).unwrap();
        }
    });
    let told = failed(&gone);
    assert!(!told.is_empty() && told.iter().all(|(unit, ..)| unit % 4 == 3), "{told:?}");
    assert!(
        told.iter().all(|(_, state, error)| *state == State::Failed && error.starts_with("2.y4m: ")),
        "{told:?}"
    );
    fs::rename(&kept, &clip).unwrap();
    let mended = run(folder.path(), "gone", &disk, &|_| {});
    assert_eq!(json::document(&mended), json::document(&whole));
}
