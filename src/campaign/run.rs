//! Doing tasks side by side: each is one piece of work that succeeds or fails by itself.

use std::cmp::Reverse;
use std::collections::BTreeMap;
use std::num::NonZeroUsize;
use std::sync::atomic::{AtomicBool, AtomicUsize, Ordering};
use std::sync::{Mutex, PoisonError};
use std::thread;

use super::task::Task;
use crate::error::Error;

/// Told how far a campaign is. Called from several threads, one at a time.
pub trait Watcher<T>: Sync {
    /// A task begins.
    fn begins(&self, task: &Task<'_>);
    /// A task has ended, well or not.
    fn ended(&self, task: &Task<'_>, outcome: Result<&T, &Error>, share: Share);
}

/// How much is done.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Share {
    /// Tasks that have ended.
    pub tasks: usize,
    /// Tasks in all.
    pub tasks_all: usize,
    /// Bytes of recordings that these have read.
    pub bytes: u64,
    /// Bytes of all.
    pub bytes_all: u64,
}

/// Does `work` for each of the tasks, `jobs` at a time, those of the largest recordings first, so that none is left over at
/// the end. Returns what failed, by the recording's number. Ends early once `stop` is set.
pub fn all<T>(
    tasks: &[Task<'_>],
    jobs: NonZeroUsize,
    stop: &AtomicBool,
    work: &(dyn Fn(&Task<'_>) -> Result<T, Error> + Sync),
    watcher: &dyn Watcher<T>,
) -> BTreeMap<u32, Error> {
    let mut queue = tasks.to_vec();
    let whole = |task: &Task<'_>| task.bytes * task.part.map_or(1, |part| u64::from(part.of()));
    queue.sort_by_key(|task| (Reverse(whole(task)), task.unit.number, task.number));
    let bytes_all = queue.iter().map(|task| task.bytes).sum();
    let next = AtomicUsize::new(0);
    let progress =
        Mutex::new((Share { tasks: 0, tasks_all: queue.len(), bytes: 0, bytes_all }, BTreeMap::new()));
    let take = || {
        let place = next.fetch_add(1, Ordering::Relaxed);
        queue.get(place).filter(|_| !stop.load(Ordering::SeqCst))
    };
    thread::scope(|scope| {
        for _ in 0..jobs.get().min(queue.len()) {
            scope.spawn(|| {
                while let Some(task) = take() {
                    {
                        let _told = progress.lock().unwrap_or_else(PoisonError::into_inner);
                        watcher.begins(task);
                    }
                    let outcome = work(task);
                    let mut progress = progress.lock().unwrap_or_else(PoisonError::into_inner);
                    let (share, failures) = &mut *progress;
                    share.tasks += 1;
                    share.bytes += task.bytes;
                    watcher.ended(task, outcome.as_ref(), *share);
                    if let Err(error) = outcome {
                        failures.insert(task.unit.number, error);
                    }
                }
            });
        }
    });
    progress.into_inner().unwrap_or_else(PoisonError::into_inner).1
}

#[cfg(test)]
mod tests {
    use super::super::plan::Unit;
    use super::*;
    use crate::capture::Part;
    use crate::settings::Settings;

    struct Quiet;
    impl Watcher<()> for Quiet {
        fn begins(&self, _: &Task<'_>) {}
        fn ended(&self, _: &Task<'_>, _: Result<&(), &Error>, _: Share) {}
    }

    fn unit(number: u32) -> Unit {
        let (recording, folder) = (std::path::PathBuf::new(), String::new());
        let (settings, require) = (Settings::default(), vec![]);
        Unit { number, device: 0, clip: 0, run: number, recording, settings, require, folder }
    }

    #[test]
    fn every_task_is_done_once_those_of_the_largest_first_and_failures_are_kept() {
        let units: Vec<Unit> = (1..=8).map(unit).collect();
        let bytes = |number| if number == 5 { 1000 } else { u64::from(number) };
        let numbered = units.iter().zip(1..);
        let mut tasks: Vec<Task<'_>> =
            numbered.map(|(unit, number)| Task { number, unit, part: None, bytes: bytes(number) }).collect();
        // Two parts of the second recording, each of less than others, together of more.
        tasks[1] = Task { part: Part::new(1, 2), bytes: 7, ..tasks[1] };
        tasks.push(Task { number: 9, part: Part::new(2, 2), ..tasks[1] });
        for jobs in [1, 2, 20] {
            let done = Mutex::new(Vec::new());
            let failures = all(
                &tasks,
                NonZeroUsize::new(jobs).unwrap(),
                &AtomicBool::new(false),
                &|task| {
                    done.lock().unwrap().push(task.number);
                    match task.number {
                        3 | 9 => Err(Error::new("3", "fails", "", "")),
                        _ => Ok(()),
                    }
                },
                &Quiet,
            );
            let mut done = done.into_inner().unwrap();
            if jobs == 1 {
                assert_eq!(done, [5, 2, 9, 8, 7, 6, 4, 3, 1]);
            }
            done.sort_unstable();
            assert_eq!(done, [1, 2, 3, 4, 5, 6, 7, 8, 9]);
            assert_eq!(failures.into_keys().collect::<Vec<_>>(), [2, 3], "by their recordings");
        }
        let stopped = all(&tasks, NonZeroUsize::MIN, &AtomicBool::new(true), &|_| panic!(), &Quiet);
        assert!(stopped.is_empty());
    }
}
