//! The only threads: frames in, fingerprints out, in order.
//!
//! Workers take turns, and each reads what it measures into memory of its own, so that samples are looked at while the
//! processor's caches still hold them; the calling thread collects. What goes from hand to hand:
//!
//! ```text
//! turn ─ run of frames, or the next frame ─▶ workers ─ Done (frame n) ─▶ collector ─ fingerprint n ─▶ sink
//!   ▲                                                                        │
//!   └──────────── permit: when the last frame of the turn is collected ◀─────┘
//! ```
//!
//! Where frames lie at known places of a file, a turn is a run of them (`runs.rs`): the worker reads stripe by stripe, and
//! compares each frame with the one that it read just before. Whatever is not as foreseen ends that, and from there on, as
//! from any other source from the beginning, a turn is the next frame (`stream.rs`).
//!
//! A permit is taken in the order of the frames before reading, and comes back when the turn's fingerprints are out, so
//! that neither pixels nor results pile up when one frame is slow.
//!
//! A fingerprint log has one reader and a collector of its own (`log.rs`).

mod collect;
mod log;
mod runs;
mod stream;

use std::num::NonZeroUsize;
use std::panic::resume_unwind;
use std::sync::atomic::{AtomicBool, AtomicUsize, Ordering};
use std::thread::{self, ScopedJoinHandle};

pub use crate::capture::log::ReadingEnd;
use crate::capture::{FrameSource, Leap};
use crate::error::{Error, Result};
use crate::fingerprint::{FrameFingerprint, Sequencer, ViewPlan};
use crate::frame::{FrameShape, Rect};
use crate::note::{Note, NoteCode};
use crate::settings::ViewSettings;

use collect::Collected;
pub use log::read_log;

/// Frames that a worker has in memory: the one it measures, and the one before that.
const FRAMES_PER_WORKER: usize = 2;
/// Most workers that are taken unasked. More would wait for memory and for the collector.
const WORKERS_UNASKED_MAX: usize = 16;
/// Most workers.
pub const WORKERS_MAX: usize = 256;

/// Bytes of frames in memory at most, where that leaves one worker: large pictures get fewer workers.
const FRAMES_BYTES_MAX: usize = 1 << 30;

/// Most workers for frames of so many bytes.
fn workers_in_memory(frame_bytes: usize) -> usize {
    let frames = FRAMES_BYTES_MAX / frame_bytes.max(1);
    (frames / FRAMES_PER_WORKER).max(1)
}

/// Told how far a run has come. Called on the collecting thread, once per frame.
pub trait Progress {
    /// `done` frames have their fingerprint; `promised` is what the capture's container announces.
    fn frames_done(&self, done: u64, promised: Option<u64>);
}

/// Nobody wants to know.
#[derive(Clone, Copy, Debug, Default)]
pub struct NoProgress;

impl Progress for NoProgress {
    fn frames_done(&self, _done: u64, _promised: Option<u64>) {}
}

/// How a run is watched, stopped and spread.
pub struct Control<'a> {
    /// Workers; `None` takes one per processor.
    pub workers: Option<NonZeroUsize>,
    /// Told after every frame.
    pub progress: &'a dyn Progress,
    /// Set to end reading soon; the result has a note then.
    pub stop: &'a AtomicBool,
}

/// Who measures, and how that may end early.
#[derive(Clone, Copy)]
struct Team<'a> {
    plan: &'a ViewPlan,
    frame_bytes: usize,
    workers: usize,
    /// The person wants to end.
    stop: &'a AtomicBool,
}

/// What takes fingerprints in order.
type Sink<'a> = dyn FnMut(FrameFingerprint) -> Result<()> + 'a;

/// Fingerprints every frame of `source` and hands them to `sink` in order, on the calling thread.
///
/// A read error midway is no error of the run: it is part of the result, beside the frames before it.
///
/// # Errors
/// When `view` does not fit the capture, or what `sink` returns, which also ends reading.
///
/// # Panics
/// When a worker or the source panicked, with their panic.
pub fn fingerprint_capture(
    mut source: Box<dyn FrameSource + '_>,
    view: &ViewSettings,
    control: &Control,
    mut sink: impl FnMut(FrameFingerprint) -> Result<()>,
) -> Result<ReadingEnd> {
    let shape = source.facts().shape;
    let plan = checked_plan(shape, view)?;
    let workers = worker_count(control.workers).min(workers_in_memory(shape.byte_len()));
    let team = Team { plan: &plan, frame_bytes: shape.byte_len(), workers, stop: control.stop };
    let promised = source.facts().promised_frames;
    let mut sequencer = Sequencer::default();
    let mut sink = |fingerprint: FrameFingerprint| {
        let frames = fingerprint.index + 1;
        sink(fingerprint)?;
        control.progress.frames_done(frames, promised);
        Ok(())
    };
    let sink: &mut Sink = &mut sink;
    let mut before = stream::Before::default();
    if let Some(frames) = source.placed() {
        let count = match runs::fingerprint(&frames, team, &mut |frame| sink(sequencer.push_compared(frame)))
        {
            Collected::All { next } => next,
            Collected::Refused(error) => return Err(error),
            Collected::Panicked(panic) => resume_unwind(panic),
        };
        if let Err(error) = source.leap(Leap { frames: count, ticks: None }) {
            return Ok(ReadingEnd { frames: count, end: source.finish(), error: Some(error) });
        }
        before = stream::Before::of(&frames, count, &plan, &mut sequencer);
    }
    stream::fingerprint(source, before, team, (&mut sequencer, sink))
}

/// Does two pieces of work at once, the first on a thread of its own.
///
/// # Panics
/// When one of them panicked, with its panic.
pub fn both<A: Send, B>(first: impl FnOnce() -> A + Send, second: impl FnOnce() -> B) -> (A, B) {
    thread::scope(|scope| {
        let first = spawn(scope, "beside", first);
        let second = second();
        (joined(first), second)
    })
}

/// What `work` makes of each item, in their order; the items are shared out to the processors.
///
/// # Panics
/// When `work` panicked, with its panic.
pub fn each<T: Sync, U: Send>(items: &[T], work: impl Fn(&T) -> U + Sync) -> Vec<U> {
    each_of(items, WORKERS_MAX, work)
}

/// As [`each`], with work on so many items at a time at most: for work that takes much memory.
///
/// # Panics
/// As [`each`].
pub fn each_of<T: Sync, U: Send>(items: &[T], at_once: usize, work: impl Fn(&T) -> U + Sync) -> Vec<U> {
    let next = AtomicUsize::new(0);
    let share = || {
        let mut made = Vec::new();
        loop {
            let at = next.fetch_add(1, Ordering::Relaxed);
            match items.get(at) {
                Some(item) => made.push((at, work(item))),
                None => return made,
            }
        }
    };
    let others = worker_count(None).min(items.len()).min(at_once).saturating_sub(1);
    let mut made = thread::scope(|scope| {
        let others: Vec<_> = (0..others).map(|_| spawn(scope, "sharing", share)).collect();
        let mut made = share();
        others.into_iter().for_each(|other| made.extend(joined(other)));
        made
    });
    made.sort_unstable_by_key(|&(at, _)| at);
    made.into_iter().map(|(_, made)| made).collect()
}

fn worker_count(wanted: Option<NonZeroUsize>) -> usize {
    let unasked = || thread::available_parallelism().map_or(1, NonZeroUsize::get).min(WORKERS_UNASKED_MAX);
    wanted.map_or_else(unasked, |wanted| wanted.get().min(WORKERS_MAX))
}

fn spawn<'scope, T: Send + 'scope>(
    scope: &'scope thread::Scope<'scope, '_>,
    name: &str,
    work: impl FnOnce() -> T + Send + 'scope,
) -> ScopedJoinHandle<'scope, T> {
    thread::Builder::new().name(name.to_owned()).spawn_scoped(scope, work).expect("the system gives a thread")
}

fn joined<T>(handle: ScopedJoinHandle<'_, T>) -> T {
    handle.join().unwrap_or_else(|panic| resume_unwind(panic))
}

/// The caveat of a run that was stopped from outside.
fn interrupted_note() -> Note {
    Note::new(
        NoteCode::Interrupted,
        "Stopped before the end of the capture: later frames were not looked at. Run again to the end for a \
         whole audit.",
    )
}

/// The plan for a view, once its rectangles are known to lie within the picture.
///
/// # Errors
/// When a rectangle reaches outside, or nothing is left to look at.
pub fn checked_plan(shape: FrameShape, view: &ViewSettings) -> Result<ViewPlan> {
    if let Some(region) = view.region {
        check_inside("--region", region, shape)?;
    }
    for &rect in &view.exclude {
        check_inside("--exclude", rect, shape)?;
    }
    let plan = ViewPlan::new(shape, view);
    if !plan.shows_anything() {
        return Err(Error::new(
            "--exclude",
            "nothing is left to look at",
            "the excluded rectangles cover every pixel",
            "exclude less of the picture",
        ));
    }
    Ok(plan)
}

fn check_inside(option: &str, rect: Rect, shape: FrameShape) -> Result<()> {
    let right = u64::from(rect.x) + u64::from(rect.width);
    let bottom = u64::from(rect.y) + u64::from(rect.height);
    if rect.width == 0
        || rect.height == 0
        || right > u64::from(shape.width)
        || bottom > u64::from(shape.height)
    {
        return Err(Error::new(
            option,
            "rectangle outside the picture",
            format!(
                "{},{},{},{} reaches to {right},{bottom} of {} x {} pixels",
                rect.x, rect.y, rect.width, rect.height, shape.width, shape.height
            ),
            format!(
                "X + W must be at most {}, Y + H at most {}, W and H at least 1",
                shape.width, shape.height
            ),
        ));
    }
    Ok(())
}

#[cfg(test)]
mod tests;
