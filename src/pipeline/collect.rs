//! From workers in any order to one thread in the order of the frames.

use std::any::Any;
use std::collections::BTreeMap;
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use std::thread;

use crossbeam_channel::{bounded, Receiver, Sender};

use crate::error::{Error, Result};

/// Leaves to read on; none is added.
pub(super) struct Permits {
    free: Receiver<()>,
    home: Sender<()>,
}

/// A leave, which goes home when dropped.
pub(super) struct Permit {
    home: Sender<()>,
}

impl Permits {
    pub(super) fn new(count: usize) -> Self {
        let (home, free) = bounded(count);
        for _ in 0..count {
            home.try_send(()).expect("the channel holds every permit");
        }
        Self { free, home }
    }

    /// The next one: waits until results are collected.
    pub(super) fn take(&self) -> Arc<Permit> {
        self.free.recv().expect("the permits keep a sender");
        Arc::new(Permit { home: self.home.clone() })
    }
}

#[cfg(test)]
impl Permits {
    /// How many are at home.
    pub(super) fn free(&self) -> usize {
        self.free.len()
    }
}

impl Drop for Permit {
    fn drop(&mut self) {
        // The channel holds every permit.
        let _ = self.home.try_send(());
    }
}

/// Worker to collector: what frame `index` (from 0) came to, or the panic it ended in.
pub(super) struct Done<T> {
    pub(super) index: u64,
    pub(super) result: thread::Result<T>,
    /// Kept until the frame is collected.
    pub(super) permit: Arc<Permit>,
}

/// How collecting ended.
pub(super) enum Collected {
    /// All frames before this one were taken.
    All { next: u64 },
    /// One was not taken.
    Refused(Error),
    /// A worker panicked.
    Panicked(Box<dyn Any + Send>),
}

/// Hands what frames come to from `first` on to `take`, in order, up to the first that is missing when all workers are
/// gone. Returning drops the channel, which ends the workers.
pub(super) fn collect<T>(
    done: Receiver<Done<T>>,
    first: u64,
    take: &mut dyn FnMut(T) -> Result<()>,
) -> Collected {
    let mut early = BTreeMap::new();
    let mut next = first;
    for arrived in &done {
        early.insert(arrived.index, arrived);
        while let Some(Done { result, permit: _permit, .. }) = early.remove(&next) {
            let taken = match result {
                Ok(result) => take(result),
                Err(panic) => return Collected::Panicked(panic),
            };
            if let Err(error) = taken {
                return Collected::Refused(error);
            }
            next += 1;
        }
    }
    Collected::All { next }
}

/// A lock that a panic under it does not take away: what it guards is whole between any two statements.
pub(super) fn locked<T>(mutex: &Mutex<T>) -> MutexGuard<'_, T> {
    mutex.lock().unwrap_or_else(PoisonError::into_inner)
}
