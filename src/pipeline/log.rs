//! Reading a fingerprint log beside what is made of it.

use std::io::Read;
use std::sync::atomic::{AtomicBool, Ordering};
use std::thread;

use crossbeam_channel::{bounded, Sender};

use super::{interrupted_note, joined, spawn, Control};
use crate::capture::log::{LogReader, ReadingEnd};
use crate::error::Result;
use crate::fingerprint::FrameFingerprint;

/// Fingerprints that go from the log's reader to the collector at once: so many that handing over takes no time,
/// and still a tenth of a megabyte.
pub(super) const LOG_BATCH: usize = 256;
/// Batches that wait for the collector at most.
pub(super) const LOG_BATCHES: usize = 4;

/// Reads a fingerprint log on a thread of its own and hands its fingerprints to `sink` in order, on the calling thread.
///
/// # Errors
/// The log cannot be read or is damaged.
///
/// # Panics
/// When the log's input panicked, with its panic.
pub fn read_log<R: Read + Send>(
    log: LogReader<R>,
    control: &Control,
    mut sink: impl FnMut(&FrameFingerprint),
) -> Result<ReadingEnd> {
    let promised = log.header().facts.promised_frames;
    let (sender, batches) = bounded::<Vec<FrameFingerprint>>(LOG_BATCHES);
    thread::scope(|scope| {
        let reader = spawn(scope, "log reader", {
            let stop = control.stop;
            // The channel ends with the thread.
            move || read_batches(log, &sender, stop)
        });
        for batch in batches {
            for fingerprint in &batch {
                sink(fingerprint);
                control.progress.frames_done(fingerprint.index + 1, promised);
            }
        }
        joined(reader)
    })
}

/// Reads a log to its end, or until `stop` is set.
fn read_batches<R: Read>(
    mut log: LogReader<R>,
    batches: &Sender<Vec<FrameFingerprint>>,
    stop: &AtomicBool,
) -> Result<ReadingEnd> {
    let mut batch = Vec::with_capacity(LOG_BATCH);
    let mut interrupted = false;
    while !interrupted {
        match log.next_fingerprint() {
            Ok(Some(fingerprint)) => batch.push(fingerprint),
            Ok(None) => break,
            // A reading that was ended from outside fails because of that.
            Err(_) if stop.load(Ordering::Relaxed) => {
                interrupted = true;
                break;
            }
            Err(error) => return Err(error),
        }
        interrupted = stop.load(Ordering::Relaxed);
        if batch.len() == LOG_BATCH {
            let full = std::mem::replace(&mut batch, Vec::with_capacity(LOG_BATCH));
            if batches.send(full).is_err() {
                break;
            }
        }
    }
    // A collector that is gone has its own reason.
    let _ = batches.send(batch);
    let mut end = log.finish();
    if interrupted {
        end.end.notes.push(interrupted_note());
    }
    Ok(end)
}
