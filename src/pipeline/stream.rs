//! Frames one after the other: who has the turn reads the next one, measures it, and leaves the turn to others meanwhile.

use std::panic::{catch_unwind, resume_unwind, AssertUnwindSafe};
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::{Arc, Mutex, PoisonError};
use std::thread;

use crossbeam_channel::{unbounded, Receiver, Sender};

use super::collect::{collect, locked, Collected, Done, Permit, Permits};
use super::{interrupted_note, joined, spawn, Sink, Team};
use crate::capture::log::ReadingEnd;
use crate::capture::{FrameSource, PlacedFrames};
use crate::error::{Error, Result};
use crate::fingerprint::{FrameMeasures, FrameMeter, ReducedPicture, RunMeter, Sequencer, ViewPlan};
use crate::frame::FrameTiming;

/// Frames per worker that are measured or wait for an earlier one, and so many besides: each has a small picture.
pub(super) const FRAMES_AHEAD: usize = 1;
pub(super) const FRAMES_AHEAD_BESIDES: usize = 3;

/// The frames that were read at their places before the stream is read.
#[derive(Default)]
pub(super) struct Before {
    /// How many.
    frames: u64,
    /// The packed picture of the last of them; `None` where there is none, or it cannot be read any more.
    last: Option<Vec<u8>>,
}

impl Before {
    /// After the first `count` of these frames; `sequencer` has their fingerprints.
    pub(super) fn of(frames: &PlacedFrames, count: u64, plan: &ViewPlan, sequencer: &mut Sequencer) -> Self {
        let mut last = None;
        for frame in count.saturating_sub(RunMeter::LEAD_IN)..count {
            let mut samples = last.take().unwrap_or_else(|| vec![0; frames.samples_len()]);
            if !frames.read(frame, 0..frames.samples_len(), &mut samples).unwrap_or(false) {
                break;
            }
            plan.pack(&mut samples);
            sequencer.lead_in(plan, &samples);
            last = Some(samples);
        }
        Self { frames: count, last }
    }
}

/// What workers share.
struct Stream<'a> {
    team: Team<'a>,
    permits: Permits,
    spare: Spare,
    turn: Mutex<Turn<'a>>,
    /// Nobody collects any more.
    halt: AtomicBool,
}

/// What only one worker at a time may do.
struct Turn<'a> {
    source: Box<dyn FrameSource + 'a>,
    /// Number of the next frame.
    next: u64,
    previous: Option<Arc<Samples>>,
    has_ended: bool,
    was_interrupted: bool,
    error: Option<Error>,
}

/// Buffers that are free; the one that was let go of last is taken first, as the one that caches hold most of.
#[derive(Clone, Default)]
struct Spare(Arc<Mutex<Vec<Vec<u8>>>>);

/// A frame's samples, which go back to the spare ones when dropped.
struct Samples {
    samples: Vec<u8>,
    spare: Spare,
}

impl Spare {
    fn take(&self) -> Samples {
        let samples = locked(&self.0).pop().unwrap_or_default();
        Samples { samples, spare: self.clone() }
    }
}

impl Drop for Samples {
    fn drop(&mut self) {
        locked(&self.spare.0).push(std::mem::take(&mut self.samples));
    }
}

/// A frame that was read, with the one before it.
struct Job {
    timing: FrameTiming,
    current: Arc<Samples>,
    previous: Option<Arc<Samples>>,
}

/// A frame's time with its measures.
type Measured = (FrameTiming, FrameMeasures);

/// Fingerprints what `source` gives from here on and hands it to `sink` in order.
pub(super) fn fingerprint(
    source: Box<dyn FrameSource + '_>,
    before: Before,
    team: Team<'_>,
    (sequencer, sink): (&mut Sequencer, &mut Sink<'_>),
) -> Result<ReadingEnd> {
    let first = before.frames;
    let spare = Spare::default();
    let previous = before.last.map(|samples| Arc::new(Samples { samples, spare: spare.clone() }));
    let turn = Turn { source, next: first, previous, has_ended: false, was_interrupted: false, error: None };
    let stream = Stream {
        team,
        permits: Permits::new(FRAMES_AHEAD_BESIDES + FRAMES_AHEAD * team.workers),
        spare,
        turn: Mutex::new(turn),
        halt: AtomicBool::new(false),
    };
    let (sender, done) = unbounded();
    let (spent_sender, spent) = unbounded();
    let collected = thread::scope(|scope| {
        let handles: Vec<_> = (0..team.workers)
            .map(|number| {
                let (stream, sender, spent) = (&stream, sender.clone(), spent.clone());
                spawn(scope, &format!("worker {number}"), move || stream.work(&sender, &spent))
            })
            .collect();
        drop((sender, spent));
        let collected = collect(done, first, &mut |(timing, measures)| {
            let (fingerprint, picture) = sequencer.push(timing, measures);
            if let Some(picture) = picture {
                // Workers that are gone need no memory.
                let _ = spent_sender.send(picture);
            }
            sink(fingerprint)
        });
        stream.halt.store(true, Ordering::Relaxed);
        handles.into_iter().for_each(joined);
        collected
    });
    let Turn { source, was_interrupted, error, .. } =
        stream.turn.into_inner().unwrap_or_else(PoisonError::into_inner);
    let mut end = source.finish();
    if was_interrupted {
        end.notes.push(interrupted_note());
    }
    match collected {
        Collected::All { next } => Ok(ReadingEnd { frames: next, end, error }),
        Collected::Refused(error) => Err(error),
        Collected::Panicked(panic) => resume_unwind(panic),
    }
}

impl Stream<'_> {
    fn work(&self, done: &Sender<Done<Measured>>, spent: &Receiver<ReducedPicture>) {
        let mut meter = FrameMeter::default();
        while let Some((index, job, permit)) = self.take() {
            let picture = spent.try_recv().unwrap_or_default();
            // A panic goes to the collector as a result: were it lost, the collector would wait for the frame.
            let result = job.and_then(|Job { timing, current, previous, .. }| {
                let previous = previous.as_ref().map(|frame| &frame.samples[..]);
                catch_unwind(AssertUnwindSafe(|| {
                    (timing, meter.measure(self.team.plan, &current.samples, previous, picture))
                }))
            });
            if done.send(Done { index, result, permit }).is_err() {
                return;
            }
        }
    }

    /// Reads the next frame; `None` where there is none. What the source panics with comes in its place.
    fn take(&self) -> Option<(u64, thread::Result<Job>, Arc<Permit>)> {
        let mut turn = locked(&self.turn);
        if turn.has_ended {
            return None;
        }
        let permit = self.permits.take();
        let index = turn.next;
        match catch_unwind(AssertUnwindSafe(|| self.read(&mut turn))) {
            Ok(Some(job)) => Some((index, Ok(job), permit)),
            Ok(None) => {
                turn.has_ended = true;
                None
            }
            Err(panic) => {
                turn.has_ended = true;
                Some((index, Err(panic), permit))
            }
        }
    }

    fn read(&self, turn: &mut Turn<'_>) -> Option<Job> {
        let stopped = || self.team.stop.load(Ordering::Relaxed);
        turn.was_interrupted = stopped();
        if turn.was_interrupted || self.halt.load(Ordering::Relaxed) {
            return None;
        }
        let mut frame = self.spare.take();
        let timing = match turn.source.read_frame(&mut frame.samples) {
            Ok(timing) => timing?,
            // A reading that was ended from outside fails because of that.
            Err(_) if stopped() => {
                turn.was_interrupted = true;
                return None;
            }
            Err(error) => {
                turn.error = Some(error);
                return None;
            }
        };
        if turn.next > 0 && turn.previous.is_none() {
            let place = &turn.source.facts().name;
            turn.error = Some(Error::new(
                place,
                format!("cannot read frame {} once more", turn.next - 1),
                "the capture has changed while it was read",
                "audit a copy that nobody writes to",
            ));
            return None;
        }
        self.team.plan.pack(&mut frame.samples);
        let current = Arc::new(frame);
        let previous = turn.previous.replace(Arc::clone(&current));
        turn.next += 1;
        Some(Job { timing, current, previous })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_buffer_let_go_of_last_is_taken_first() {
        let spare = Spare::default();
        let buffers = [1, 2, 3].map(|mark| {
            let mut frame = spare.take();
            frame.samples.push(mark);
            frame
        });
        buffers.into_iter().for_each(drop);
        let again = [(); 3].map(|()| spare.take());
        assert_eq!(again.each_ref().map(|frame| frame.samples[0]), [3, 2, 1]);
    }
}
