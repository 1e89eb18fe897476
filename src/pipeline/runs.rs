//! Frames at known places of a file: each worker takes runs of them, and reads what it measures stripe by stripe.

use std::ops::Range;
use std::panic::{catch_unwind, AssertUnwindSafe};
use std::sync::atomic::{AtomicBool, AtomicU64, Ordering};
use std::sync::{Arc, Mutex};
use std::thread;

use crossbeam_channel::{unbounded, Sender};

use super::collect::{collect, locked, Collected, Done, Permit, Permits};
use super::{joined, spawn, Team};
use crate::capture::PlacedFrames;
use crate::error::Result;
use crate::fingerprint::{Arriving, RunFrame, RunMeter};

/// Frames of a run at most: the two before it are read for it once more.
const RUN_MAX: u64 = 64;
/// Runs that are left for each worker when one is taken: towards the end they become shorter, so that all workers end
/// together.
const RUNS_LEFT: u64 = 3;
/// Frames of a run at least, but for the last.
const RUN_MIN: u64 = 4;
/// Runs per worker that are measured or wait for an earlier one.
const RUNS_AHEAD: usize = 3;

/// Bytes read at a time: with the same part of the frame before half of a usual second cache of 1 MiB. Smaller pieces take
/// longer to read, by trials: 0.14 s instead of 0.11 s for 1.9 GB in pieces half as large.
const PIECE: usize = 256 * 1024;

/// What workers share.
struct Runs<'a> {
    frames: &'a PlacedFrames,
    team: Team<'a>,
    permits: Permits,
    /// First frame that no run has.
    next: Mutex<u64>,
    /// First frame that is not as foreseen, or past the last.
    end: AtomicU64,
    /// Nobody collects any more.
    halt: AtomicBool,
}

/// Fingerprints frames from the first on, up to the last one or to one that is not as foreseen, and hands them to `sink`
/// in order.
pub(super) fn fingerprint(
    frames: &PlacedFrames,
    team: Team<'_>,
    sink: &mut dyn FnMut(RunFrame) -> Result<()>,
) -> Collected {
    let runs = Runs {
        frames,
        team,
        permits: Permits::new(RUNS_AHEAD * team.workers),
        next: Mutex::new(0),
        end: AtomicU64::new(frames.count()),
        halt: AtomicBool::new(false),
    };
    let (sender, done) = unbounded();
    thread::scope(|scope| {
        let handles: Vec<_> = (0..team.workers)
            .map(|number| {
                let (runs, sender) = (&runs, sender.clone());
                spawn(scope, &format!("worker {number}"), move || runs.work(&sender))
            })
            .collect();
        drop(sender);
        let collected = collect(done, 0, sink);
        runs.halt.store(true, Ordering::Relaxed);
        handles.into_iter().for_each(joined);
        collected
    })
}

impl Runs<'_> {
    fn work(&self, done: &Sender<Done<RunFrame>>) {
        let mut worker =
            Worker { runs: self, done, meter: RunMeter::default(), samples: [Vec::new(), Vec::new()] };
        while let Some((run, permit)) = self.take() {
            let mut frame = run.start;
            // A panic goes to the collector as a result: were it lost, the collector would wait for the frame.
            let measured = catch_unwind(AssertUnwindSafe(|| worker.measure(run, &mut frame, &permit)));
            if let Err(panic) = measured {
                // A collector that is gone has its own reason.
                let _ = done.send(Done { index: frame, result: Err(panic), permit });
                return;
            }
        }
    }

    /// The next run, in order; `None` where there is none.
    fn take(&self) -> Option<(Range<u64>, Arc<Permit>)> {
        let mut next = locked(&self.next);
        let permit = self.permits.take();
        let end = self.end.load(Ordering::Relaxed);
        if *next >= end || self.is_over() {
            return None;
        }
        let length = run_length(end - *next, self.team.workers as u64);
        let run = *next..*next + length;
        *next = run.end;
        Some((run, permit))
    }

    fn is_over(&self) -> bool {
        self.team.stop.load(Ordering::Relaxed) || self.halt.load(Ordering::Relaxed)
    }
}

/// Frames of the next run, of so many that are left.
fn run_length(left: u64, workers: u64) -> u64 {
    (left / (RUNS_LEFT * workers)).clamp(RUN_MIN, RUN_MAX).min(left)
}

struct Worker<'a> {
    runs: &'a Runs<'a>,
    done: &'a Sender<Done<RunFrame>>,
    meter: RunMeter,
    /// The frame before, and the one that is measured.
    samples: [Vec<u8>; 2],
}

impl Worker<'_> {
    /// Measures a run up to a frame that is not as foreseen; `at` is the one that it is at.
    fn measure(&mut self, run: Range<u64>, at: &mut u64, permit: &Arc<Permit>) {
        let Runs { frames, team, end, .. } = self.runs;
        self.samples.iter_mut().for_each(|samples| samples.resize(team.frame_bytes, 0));
        self.meter.begin();
        for frame in run.start.saturating_sub(RunMeter::LEAD_IN)..run.start {
            let [before, current] = &mut self.samples;
            let mut arrival = Arrival::of(frames, frame, current);
            arrival.until(team.frame_bytes);
            if arrival.is_unforeseen {
                end.fetch_min(frame, Ordering::Relaxed);
                return;
            }
            team.plan.pack(current);
            self.meter.lead_in(team.plan, current);
            std::mem::swap(before, current);
        }
        for frame in run {
            if self.runs.is_over() || frame >= end.load(Ordering::Relaxed) {
                return;
            }
            *at = frame;
            let Some(measured) = self.measure_one(frame) else {
                end.fetch_min(frame, Ordering::Relaxed);
                return;
            };
            if self
                .done
                .send(Done { index: frame, result: Ok(measured), permit: Arc::clone(permit) })
                .is_err()
            {
                return;
            }
            self.samples.swap(0, 1);
        }
    }

    /// What a frame comes to; `None` where it is not as foreseen.
    fn measure_one(&mut self, frame: u64) -> Option<RunFrame> {
        let Team { plan, frame_bytes, .. } = self.runs.team;
        let [before, current] = &mut self.samples;
        let previous = (frame > 0).then_some(&before[..]);
        let mut arrival = Arrival::of(self.runs.frames, frame, current);
        if plan.is_whole() {
            let measured = (!arrival.is_unforeseen).then(|| self.meter.measure(plan, &mut arrival, previous));
            return measured.filter(|_| !arrival.is_unforeseen);
        }
        // A part of a picture is cut out of the whole.
        arrival.until(frame_bytes);
        if arrival.is_unforeseen {
            return None;
        }
        plan.pack(current);
        Some(self.meter.measure(plan, &mut &current[..], previous))
    }
}

/// A frame that is read as far as it is looked at.
struct Arrival<'a> {
    frames: &'a PlacedFrames,
    frame: u64,
    samples: &'a mut [u8],
    read: usize,
    /// The frame cannot be read, does not begin as all do, or has a sample out of range. What its samples are then means
    /// nothing.
    is_unforeseen: bool,
}

impl<'a> Arrival<'a> {
    fn of(frames: &'a PlacedFrames, frame: u64, samples: &'a mut [u8]) -> Self {
        let is_unforeseen = !frames.begins(frame).unwrap_or(false);
        Self { frames, frame, samples, read: 0, is_unforeseen }
    }
}

impl Arriving for Arrival<'_> {
    fn until(&mut self, end: usize) -> &[u8] {
        if end > self.read && !self.is_unforeseen {
            let piece = self.read..end.next_multiple_of(PIECE).min(self.samples.len());
            let into = &mut self.samples[piece.clone()];
            if self.frames.read(self.frame, piece.clone(), into).unwrap_or(false) {
                self.read = piece.end;
            } else {
                // Within any range.
                into.fill(0);
                self.is_unforeseen = true;
            }
        }
        self.samples
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn runs_become_shorter_towards_the_end() {
        for (left, workers, expected) in
            [(1, 2, 1), (3, 2, 3), (5, 2, 4), (60, 2, 10), (600, 2, 64), (600, 16, 12)]
        {
            assert_eq!(run_length(left, workers), expected, "{left} for {workers}");
        }
    }
}
