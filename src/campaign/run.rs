//! Doing units side by side: each is one piece of work that succeeds or fails by itself.

use std::collections::BTreeMap;
use std::num::NonZeroUsize;
use std::sync::atomic::{AtomicBool, AtomicUsize, Ordering};
use std::sync::{Mutex, PoisonError};
use std::thread;

use super::plan::Unit;
use super::unit::bytes_of;
use crate::error::Error;

/// Told how far a campaign is. Called from several threads, one at a time.
pub trait Watcher<T>: Sync {
    /// A unit begins.
    fn begins(&self, unit: &Unit);
    /// A unit has ended, well or not.
    fn ended(&self, unit: &Unit, outcome: Result<&T, &Error>, share: Share);
}

/// How much is done.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Share {
    /// Units that have ended.
    pub units: usize,
    /// Units in all.
    pub units_all: usize,
    /// Bytes of recordings of the units that have ended.
    pub bytes: u64,
    /// Bytes of all.
    pub bytes_all: u64,
}

/// Does `work` for each of the units, `jobs` at a time, the largest first, so that none is left over at the end. Returns
/// what failed, by the unit's number. Ends early once `stop` is set.
pub fn all<T>(
    units: &[&Unit],
    jobs: NonZeroUsize,
    stop: &AtomicBool,
    work: &(dyn Fn(&Unit) -> Result<T, Error> + Sync),
    watcher: &dyn Watcher<T>,
) -> BTreeMap<u32, Error> {
    let mut queue: Vec<(u64, &Unit)> = units.iter().map(|unit| (bytes_of(&unit.recording), *unit)).collect();
    queue.sort_by_key(|&(bytes, unit)| (std::cmp::Reverse(bytes), unit.number));
    let bytes_all = queue.iter().map(|&(bytes, _)| bytes).sum();
    let next = AtomicUsize::new(0);
    let progress =
        Mutex::new((Share { units: 0, units_all: queue.len(), bytes: 0, bytes_all }, BTreeMap::new()));
    let take = || {
        let place = next.fetch_add(1, Ordering::Relaxed);
        queue.get(place).filter(|_| !stop.load(Ordering::SeqCst))
    };
    thread::scope(|scope| {
        for _ in 0..jobs.get().min(queue.len()) {
            scope.spawn(|| {
                while let Some(&(bytes, unit)) = take() {
                    {
                        let _told = progress.lock().unwrap_or_else(PoisonError::into_inner);
                        watcher.begins(unit);
                    }
                    let outcome = work(unit);
                    let mut progress = progress.lock().unwrap_or_else(PoisonError::into_inner);
                    let (share, failures) = &mut *progress;
                    share.units += 1;
                    share.bytes += bytes;
                    watcher.ended(unit, outcome.as_ref(), *share);
                    if let Err(error) = outcome {
                        failures.insert(unit.number, error);
                    }
                }
            });
        }
    });
    progress.into_inner().unwrap_or_else(PoisonError::into_inner).1
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::settings::Settings;

    struct Quiet;
    impl Watcher<()> for Quiet {
        fn begins(&self, _: &Unit) {}
        fn ended(&self, _: &Unit, _: Result<&(), &Error>, _: Share) {}
    }

    fn unit(number: u32, recording: std::path::PathBuf) -> Unit {
        let settings = Settings::default();
        Unit {
            number,
            device: 0,
            clip: 0,
            run: number,
            recording,
            settings,
            require: vec![],
            folder: String::new(),
        }
    }

    #[test]
    fn every_unit_is_done_once_the_largest_first_and_failures_are_kept() {
        let folder = tempfile::tempdir().unwrap();
        let units: Vec<Unit> = (1..=9)
            .map(|number| {
                let path = folder.path().join(number.to_string());
                std::fs::write(&path, vec![0; if number == 5 { 1000 } else { number as usize }]).unwrap();
                unit(number, path)
            })
            .collect();
        let all_units: Vec<&Unit> = units.iter().collect();
        for jobs in [1, 2, 20] {
            let done = Mutex::new(Vec::new());
            let failures = all(
                &all_units,
                NonZeroUsize::new(jobs).unwrap(),
                &AtomicBool::new(false),
                &|unit| {
                    done.lock().unwrap().push(unit.number);
                    match unit.number {
                        3 => Err(Error::new("3", "fails", "", "")),
                        _ => Ok(()),
                    }
                },
                &Quiet,
            );
            let mut done = done.into_inner().unwrap();
            if jobs == 1 {
                assert_eq!(done, [5, 9, 8, 7, 6, 4, 3, 2, 1]);
            }
            done.sort_unstable();
            assert_eq!(done, [1, 2, 3, 4, 5, 6, 7, 8, 9]);
            assert_eq!(failures.into_keys().collect::<Vec<_>>(), [3]);
        }
        let stopped = all(&all_units, NonZeroUsize::MIN, &AtomicBool::new(true), &|_| panic!(), &Quiet);
        assert!(stopped.is_empty());
    }
}
