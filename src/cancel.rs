//! Ends a reading that waits: for a pipe that stalls, for a decoder that is silent.
//!
//! Asking for the end between two frames is not enough where the next frame never comes.

use std::fmt;
use std::io::{self, Read};
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::{Arc, Mutex, PoisonError};
use std::thread;
use std::time::Duration;

use crossbeam_channel::{bounded, Receiver, RecvTimeoutError, Sender};

/// How often somebody who waits looks whether to stop.
const LOOK_EVERY: Duration = Duration::from_millis(50);
/// Bytes handed over at once: what a pipe holds by default on Linux (pipe(7)).
const CHUNK_LEN: usize = 64 * 1024;
/// Chunks on their way.
const CHUNKS: usize = 4;

/// A token that every reading gets: cancelled once, it ends whatever waits. Clones are the same token.
#[derive(Clone, Default)]
pub struct Cancel(Arc<State>);

type Action = Box<dyn FnOnce() + Send>;

#[derive(Default)]
struct State {
    is_cancelled: AtomicBool,
    actions: Mutex<Vec<Action>>,
}

impl fmt::Debug for Cancel {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.debug_struct("Cancel").field("is_cancelled", &self.is_cancelled()).finish()
    }
}

impl Cancel {
    /// Ends what waits now, and what will wait later.
    pub fn cancel(&self) {
        let actions = {
            let mut actions = self.0.actions.lock().unwrap_or_else(PoisonError::into_inner);
            self.0.is_cancelled.store(true, Ordering::SeqCst);
            std::mem::take(&mut *actions)
        };
        actions.into_iter().for_each(|action| action());
    }

    /// Whether it was cancelled.
    pub fn is_cancelled(&self) -> bool {
        self.0.is_cancelled.load(Ordering::SeqCst)
    }

    /// Has `action` run when it is cancelled, at once where it is already.
    pub(crate) fn on_cancel(&self, action: impl FnOnce() + Send + 'static) {
        let mut actions = self.0.actions.lock().unwrap_or_else(PoisonError::into_inner);
        if self.is_cancelled() {
            drop(actions);
            action();
        } else {
            actions.push(Box::new(action));
        }
    }
}

impl Cancel {
    /// Does `work` on a thread of its own; `None` where it is cancelled first. The thread is left behind then, because
    /// nothing portable ends a system call that waits.
    pub(crate) fn unless_cancelled<T: Send + 'static>(
        &self,
        work: impl FnOnce() -> T + Send + 'static,
    ) -> Option<T> {
        let (done, outcome) = bounded(1);
        thread::spawn(move || {
            // Nobody waits any more where it was cancelled.
            let _ = done.send(work());
        });
        loop {
            match outcome.recv_timeout(LOOK_EVERY) {
                Ok(outcome) => return Some(outcome),
                Err(RecvTimeoutError::Timeout) if !self.is_cancelled() => {}
                Err(_) => return None,
            }
        }
    }
}

/// Does `work` with a token that is cancelled soon after `stop` is set.
pub fn attended<T>(stop: &AtomicBool, work: impl FnOnce(&Cancel) -> T) -> T {
    let cancel = Cancel::default();
    let (working, done) = bounded::<()>(0);
    thread::scope(|scope| {
        scope.spawn(|| {
            while done.recv_timeout(LOOK_EVERY) == Err(RecvTimeoutError::Timeout) {
                if stop.load(Ordering::Relaxed) {
                    cancel.cancel();
                    return;
                }
            }
        });
        let outcome = work(&cancel);
        drop(working);
        outcome
    })
}

/// A stream whose reads end with an error once it is cancelled, also while nothing comes.
///
/// A thread of its own reads ahead a little. It is left behind when it is cancelled, because nothing
/// portable ends a read that waits.
pub(crate) struct CancellableStream {
    cancel: Cancel,
    filled: Receiver<io::Result<Vec<u8>>>,
    spent: Sender<Vec<u8>>,
    chunk: Vec<u8>,
    used: usize,
}

impl CancellableStream {
    pub(crate) fn new(stream: impl Read + Send + 'static, cancel: Cancel) -> Self {
        let (filler, filled) = bounded(CHUNKS);
        let (spent, empty) = bounded(CHUNKS + 1);
        thread::spawn(move || read_ahead(stream, &empty, &filler));
        Self { cancel, filled, spent, chunk: Vec::new(), used: 0 }
    }
}

fn read_ahead(mut stream: impl Read, empty: &Receiver<Vec<u8>>, filler: &Sender<io::Result<Vec<u8>>>) {
    loop {
        let mut chunk = empty.try_recv().unwrap_or_default();
        chunk.resize(CHUNK_LEN, 0);
        let read = match stream.read(&mut chunk) {
            Ok(0) => return,
            Ok(len) => {
                chunk.truncate(len);
                Ok(chunk)
            }
            Err(error) if error.kind() == io::ErrorKind::Interrupted => continue,
            Err(error) => Err(error),
        };
        let is_last = read.is_err();
        if filler.send(read).is_err() || is_last {
            return;
        }
    }
}

impl Read for CancellableStream {
    fn read(&mut self, target: &mut [u8]) -> io::Result<usize> {
        while self.used == self.chunk.len() {
            match self.filled.recv_timeout(LOOK_EVERY) {
                Ok(Ok(chunk)) => {
                    // A thread that has ended needs no more chunks.
                    let _ = self.spent.try_send(std::mem::replace(&mut self.chunk, chunk));
                    self.used = 0;
                }
                Ok(Err(error)) => return Err(error),
                Err(RecvTimeoutError::Disconnected) => return Ok(0),
                Err(RecvTimeoutError::Timeout) if self.cancel.is_cancelled() => {
                    return Err(io::Error::other("interrupted"))
                }
                Err(RecvTimeoutError::Timeout) => {}
            }
        }
        let count = target.len().min(self.chunk.len() - self.used);
        target[..count].copy_from_slice(&self.chunk[self.used..self.used + count]);
        self.used += count;
        Ok(count)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::sync::atomic::AtomicUsize;

    /// Bytes in pieces, then an error or the end.
    struct Pieces(Vec<io::Result<Vec<u8>>>);

    impl Read for Pieces {
        fn read(&mut self, target: &mut [u8]) -> io::Result<usize> {
            if self.0.is_empty() {
                return Ok(0);
            }
            let piece = self.0.remove(0)?;
            target[..piece.len()].copy_from_slice(&piece);
            Ok(piece.len())
        }
    }

    #[test]
    fn bytes_pass_unchanged_and_in_order() {
        let bytes: Vec<u8> = (0..3_000_000u32).map(|at| (at.wrapping_mul(7919) >> 5) as u8).collect();
        let mut passed = Vec::new();
        CancellableStream::new(io::Cursor::new(bytes.clone()), Cancel::default())
            .read_to_end(&mut passed)
            .unwrap();
        assert_eq!(passed, bytes);
    }

    #[test]
    fn errors_come_after_the_bytes_before_them() {
        let pieces = Pieces(vec![
            Ok(b"ab".to_vec()),
            Err(io::ErrorKind::Interrupted.into()),
            Ok(b"c".to_vec()),
            Err(io::Error::other("cable out")),
        ]);
        let mut passed = Vec::new();
        let error = CancellableStream::new(pieces, Cancel::default())
            .read_to_end(&mut passed)
            .unwrap_err()
            .to_string();
        assert_eq!((passed.as_slice(), error.as_str()), (b"abc".as_slice(), "cable out"));
    }

    #[test]
    fn a_stream_that_stalls_ends_with_the_brake() {
        struct Stalled;
        impl Read for Stalled {
            fn read(&mut self, _: &mut [u8]) -> io::Result<usize> {
                loop {
                    thread::park();
                }
            }
        }
        let stop = AtomicBool::new(false);
        let error = attended(&stop, |cancel| {
            let mut stream = CancellableStream::new(Stalled, cancel.clone());
            stop.store(true, Ordering::Relaxed);
            stream.read(&mut [0; 4]).unwrap_err().to_string()
        });
        assert_eq!(error, "interrupted");
    }

    #[test]
    fn actions_run_once_whenever_they_come() {
        let cancel = Cancel::default();
        let runs = Arc::new(AtomicUsize::new(0));
        let count = |runs: &Arc<AtomicUsize>| {
            let runs = Arc::clone(runs);
            move || {
                runs.fetch_add(1, Ordering::SeqCst);
            }
        };
        cancel.on_cancel(count(&runs));
        assert_eq!(runs.load(Ordering::SeqCst), 0);
        cancel.cancel();
        cancel.cancel();
        assert_eq!(runs.load(Ordering::SeqCst), 1);
        cancel.on_cancel(count(&runs));
        assert_eq!(runs.load(Ordering::SeqCst), 2);
    }

    #[test]
    fn work_that_ends_by_itself_waits_for_nobody() {
        let started = std::time::Instant::now();
        for _ in 0..100 {
            attended(&AtomicBool::new(false), |cancel| assert!(!cancel.is_cancelled()));
        }
        assert!(started.elapsed() < 100 * LOOK_EVERY / 2);
    }
}
