//! The only threads: frames in, fingerprints out, in order.
//!
//! One reader, some workers, and the calling thread as collector. What goes from hand to hand:
//!
//! ```text
//! reader ─ Job (frames n and n−1) ─▶ workers ─ Done (measures of frame n) ─▶ collector ─ fingerprint n ─▶ sink
//!    ▲                                                                           │
//!    └──────────────── permit: an empty buffer, when frame n is left ◀───────────┘
//! ```
//!
//! A frame's buffer is its permit: the reader takes one in frame order before reading, and it comes back
//! when the last holder of the frame lets go of it. The collector holds a frame until its fingerprint is
//! out, so neither pixels nor results pile up when one frame is slow.
//!
//! A fingerprint log has one reader and the same collector ([`read_log`]).

use std::any::Any;
use std::collections::BTreeMap;
use std::io::Read;
use std::num::NonZeroUsize;
use std::panic::{catch_unwind, resume_unwind, AssertUnwindSafe};
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::Arc;
use std::thread::{self, ScopedJoinHandle};

use crossbeam_channel::{bounded, unbounded, Receiver, Sender};

use crate::capture::log::LogReader;
pub use crate::capture::log::ReadingEnd;
use crate::capture::{CaptureEnd, FrameSource};
use crate::error::{Error, Result};
use crate::fingerprint::{FrameFingerprint, FrameMeasures, FrameMeter, ReducedPicture, Sequencer, ViewPlan};
use crate::frame::{FrameShape, FrameTiming, Rect};
use crate::note::{Note, NoteCode};
use crate::settings::ViewSettings;

/// Frames that must be in memory for one worker to go on: the one being read, the one being measured, and
/// the one before that.
const WINDOW: usize = 3;
/// Frames in memory per worker beyond the window: the one it measures. With more the frames would outgrow
/// the processor's last cache, and be slower to read again.
const FRAMES_PER_WORKER: usize = 1;
/// Most workers. More would wait for the reader, and hold frames meanwhile.
const WORKERS_MAX: usize = 16;

/// Bytes of frames in memory at most, where that leaves one worker: large pictures get fewer workers.
const FRAMES_BYTES_MAX: usize = 1 << 30;

/// Most workers for frames of so many bytes.
fn workers_in_memory(frame_bytes: usize) -> usize {
    let frames = FRAMES_BYTES_MAX / frame_bytes.max(1);
    (frames.saturating_sub(WINDOW) / FRAMES_PER_WORKER).max(1)
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
    source: Box<dyn FrameSource + '_>,
    view: &ViewSettings,
    control: &Control,
    mut sink: impl FnMut(FrameFingerprint) -> Result<()>,
) -> Result<ReadingEnd> {
    let shape = source.facts().shape;
    let plan = checked_plan(shape, view)?;
    let workers = worker_count(control.workers).min(workers_in_memory(shape.byte_len()));
    let promised = source.facts().promised_frames;
    let halt = AtomicBool::new(false);
    let pool = BufferPool::new(WINDOW + FRAMES_PER_WORKER * workers);
    let (job_sender, jobs) = bounded::<Job>(workers);
    let (done_sender, done) = unbounded::<Done>();
    let (spent_sender, spent) = unbounded::<ReducedPicture>();

    thread::scope(|scope| {
        let reader = spawn(scope, "reader", || {
            let signals = Signals { stop: control.stop, halt: &halt };
            read_frames(source, &plan, &pool, job_sender, signals)
        });
        let handles: Vec<_> = (0..workers)
            .map(|number| {
                let (jobs, done, spent) = (jobs.clone(), done_sender.clone(), spent.clone());
                let plan = &plan;
                spawn(scope, &format!("worker {number}"), move || measure_frames(plan, &jobs, &done, &spent))
            })
            .collect();
        // Only threads hold these from here on, so that each channel ends with them.
        drop((jobs, done_sender, spent));
        let collected = collect(done, &spent_sender, |fingerprint| {
            let frames = fingerprint.index + 1;
            sink(fingerprint)?;
            control.progress.frames_done(frames, promised);
            Ok(())
        });
        halt.store(true, Ordering::Relaxed);
        for handle in handles {
            joined(handle);
        }
        let (end, error) = joined(reader);
        match collected {
            Collected::All { frames } => Ok(ReadingEnd { frames, end, error }),
            Collected::Refused(error) => Err(error),
            Collected::Panicked(panic) => resume_unwind(panic),
        }
    })
}

/// Fingerprints that go from the log's reader to the collector at once: so many that handing over takes no time,
/// and still a tenth of a megabyte.
const LOG_BATCH: usize = 256;
/// Batches that wait for the collector at most.
const LOG_BATCHES: usize = 4;

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

fn worker_count(wanted: Option<NonZeroUsize>) -> usize {
    wanted.or_else(|| thread::available_parallelism().ok()).map_or(1, NonZeroUsize::get).min(WORKERS_MAX)
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

/// The buffers there are; none is added. Buffers grow to a frame's size when first used.
struct BufferPool {
    empty: Receiver<Vec<u8>>,
    home: Sender<Vec<u8>>,
}

impl BufferPool {
    fn new(count: usize) -> Self {
        let (home, empty) = bounded(count);
        for _ in 0..count {
            home.try_send(Vec::new()).expect("the channel holds every buffer");
        }
        Self { empty, home }
    }

    /// The next empty buffer: waits until a frame leaves the window.
    fn take(&self) -> PooledFrame {
        let samples = self.empty.recv().expect("the pool keeps a sender");
        PooledFrame { samples, home: self.home.clone() }
    }
}

/// A frame's samples, which go back to the pool when dropped.
struct PooledFrame {
    samples: Vec<u8>,
    home: Sender<Vec<u8>>,
}

impl Drop for PooledFrame {
    fn drop(&mut self) {
        // The channel holds every buffer, and a pool that is gone needs none.
        let _ = self.home.try_send(std::mem::take(&mut self.samples));
    }
}

/// Reader to worker: frame `index` (from 0) and the one before it.
struct Job {
    index: u64,
    timing: FrameTiming,
    current: Arc<PooledFrame>,
    previous: Option<Arc<PooledFrame>>,
}

/// Worker to collector: the measures of frame `index`, or the panic they ended in. Keeps the frame's
/// permit until it is collected.
struct Done {
    index: u64,
    timing: FrameTiming,
    measures: thread::Result<FrameMeasures>,
    _permit: Arc<PooledFrame>,
}

/// Reasons to end reading early.
#[derive(Clone, Copy)]
struct Signals<'a> {
    /// The person wants to end.
    stop: &'a AtomicBool,
    /// Nobody collects any more.
    halt: &'a AtomicBool,
}

fn read_frames(
    mut source: Box<dyn FrameSource + '_>,
    plan: &ViewPlan,
    pool: &BufferPool,
    jobs: Sender<Job>,
    signals: Signals,
) -> (CaptureEnd, Option<Error>) {
    let mut previous = None;
    let mut error = None;
    let mut interrupted = false;
    for index in 0.. {
        let mut frame = pool.take();
        interrupted = signals.stop.load(Ordering::Relaxed);
        if interrupted || signals.halt.load(Ordering::Relaxed) {
            break;
        }
        let timing = match source.read_frame(&mut frame.samples) {
            Ok(Some(timing)) => timing,
            Ok(None) => break,
            // A reading that was ended from outside fails because of that.
            Err(_) if signals.stop.load(Ordering::Relaxed) => {
                interrupted = true;
                break;
            }
            Err(cause) => {
                error = Some(cause);
                break;
            }
        };
        plan.pack(&mut frame.samples);
        let current = Arc::new(frame);
        let job = Job { index, timing, current: Arc::clone(&current), previous: previous.replace(current) };
        if jobs.send(job).is_err() {
            break;
        }
    }
    // Workers end with the jobs, also while the source takes its time to end.
    drop((jobs, previous));
    let mut end = source.finish();
    if interrupted {
        end.notes.push(interrupted_note());
    }
    (end, error)
}

/// The caveat of a run that was stopped from outside.
fn interrupted_note() -> Note {
    Note::new(
        NoteCode::Interrupted,
        "Stopped before the end of the capture: later frames were not looked at. Run again to the end for a \
         whole audit.",
    )
}

fn measure_frames(
    plan: &ViewPlan,
    jobs: &Receiver<Job>,
    done: &Sender<Done>,
    spent: &Receiver<ReducedPicture>,
) {
    let mut meter = FrameMeter::default();
    for Job { index, timing, current, previous } in jobs {
        let picture = spent.try_recv().unwrap_or_default();
        let previous = previous.as_ref().map(|frame| &frame.samples[..]);
        // A panic goes to the collector as a result: were it lost, the collector would wait for the frame.
        let measures =
            catch_unwind(AssertUnwindSafe(|| meter.measure(plan, &current.samples, previous, picture)));
        if done.send(Done { index, timing, measures, _permit: current }).is_err() {
            break;
        }
    }
}

/// How collecting ended.
enum Collected {
    /// All frames that were read went to the sink.
    All { frames: u64 },
    /// The sink did not take one.
    Refused(Error),
    /// A worker panicked.
    Panicked(Box<dyn Any + Send>),
}

/// Hands fingerprints to `sink` in frame order. Returning drops the channel, which ends the workers.
fn collect(
    done: Receiver<Done>,
    spent: &Sender<ReducedPicture>,
    mut sink: impl FnMut(FrameFingerprint) -> Result<()>,
) -> Collected {
    let mut sequencer = Sequencer::default();
    let mut early = BTreeMap::new();
    let mut next = 0;
    for arrived in &done {
        early.insert(arrived.index, arrived);
        while let Some(Done { timing, measures, _permit, .. }) = early.remove(&next) {
            let measures = match measures {
                Ok(measures) => measures,
                Err(panic) => return Collected::Panicked(panic),
            };
            let (fingerprint, picture) = sequencer.push(timing, measures);
            assert_eq!(fingerprint.index, next, "a fingerprint follows the one before");
            if let Some(picture) = picture {
                // Workers that are gone need no memory.
                let _ = spent.send(picture);
            }
            if let Err(error) = sink(fingerprint) {
                return Collected::Refused(error);
            }
            next += 1;
        }
    }
    Collected::All { frames: next }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::capture::log::LogWriter;
    use crate::capture::CaptureFacts;
    use crate::frame::{Coding, Family, PixelFormat, Scan};
    use crate::units::TimeBase;
    use std::collections::HashSet;
    use std::sync::Mutex;
    use std::time::Duration;

    /// What the painted source does at frame `at`.
    #[derive(Clone, Copy, PartialEq)]
    enum Event {
        Nothing,
        Error(u64),
        Panic(u64),
    }

    /// Paints moving frames and remembers which buffers it was given.
    struct PaintedSource<'a> {
        facts: CaptureFacts,
        next: u64,
        frames: u64,
        event: Event,
        buffers: &'a Mutex<HashSet<usize>>,
    }

    impl<'a> PaintedSource<'a> {
        fn new(frames: u64, buffers: &'a Mutex<HashSet<usize>>) -> Self {
            let pixel_format = PixelFormat { family: Family::Yuv { across: 1, down: 1 }, bit_depth: 8 };
            let facts = CaptureFacts {
                name: "painted".to_owned(),
                shape: FrameShape { width: 99, height: 67, pixel_format },
                scan: Scan::Progressive,
                coding: Coding::Unknown,
                nominal_rate: None,
                rate_source: None,
                time_base: None,
                promised_frames: Some(frames),
                reader: "painted".to_owned(),
            };
            Self { facts, next: 0, frames, event: Event::Nothing, buffers }
        }
    }

    impl FrameSource for PaintedSource<'_> {
        fn facts(&self) -> &CaptureFacts {
            &self.facts
        }

        fn read_frame(&mut self, samples: &mut Vec<u8>) -> Result<Option<FrameTiming>> {
            match self.event {
                Event::Error(at) if at == self.next => {
                    return Err(Error::new("painted", "cannot read", "the paint is dry", "wet it"))
                }
                Event::Panic(at) if at == self.next => panic!("the source panics"),
                _ => {}
            }
            if self.next == self.frames {
                return Ok(None);
            }
            samples.resize(self.facts.shape.byte_len(), 0);
            self.buffers.lock().unwrap().insert(samples.as_ptr() as usize);
            for (at, sample) in samples.iter_mut().enumerate() {
                *sample = (((at as u64 + self.next / 2 * 3) * 7919) >> 3) as u8;
            }
            self.next += 1;
            Ok(Some(FrameTiming { ticks: Some(self.next as i64), missing_before: 0 }))
        }

        fn finish(self: Box<Self>) -> CaptureEnd {
            CaptureEnd { notes: vec![Note::new(NoteCode::ReaderMessage, "painted to the end")] }
        }
    }

    fn run(
        source: PaintedSource,
        workers: usize,
        stop: &AtomicBool,
        sink: impl FnMut(FrameFingerprint) -> Result<()>,
    ) -> Result<ReadingEnd> {
        let control = Control { workers: NonZeroUsize::new(workers), progress: &NoProgress, stop };
        fingerprint_capture(Box::new(source), &ViewSettings::default(), &control, sink)
    }

    fn go() -> AtomicBool {
        AtomicBool::new(false)
    }

    #[test]
    fn any_number_of_workers_gives_the_same_fingerprints() {
        let buffers = Mutex::default();
        let fingerprints = |workers| {
            let mut fingerprints = Vec::new();
            let end = run(PaintedSource::new(60, &buffers), workers, &go(), |fingerprint| {
                fingerprints.push(fingerprint);
                Ok(())
            });
            assert_eq!(end.unwrap().frames, 60);
            fingerprints
        };
        let one = fingerprints(1);
        assert!(one.iter().enumerate().all(|(at, fingerprint)| fingerprint.index == at as u64));
        // The painted source shows every picture twice.
        assert!(one.chunks(2).all(|pair| pair[0].digest == pair[1].digest && pair[1].luma_change == 0.0));
        assert!(one[2].luma_change > 0.0);
        for workers in [2, 8] {
            assert_eq!(fingerprints(workers), one, "{workers} workers");
        }
    }

    #[test]
    fn no_more_buffers_than_permits_whatever_the_length() {
        for workers in [1, 2, 5] {
            let buffers = Mutex::default();
            let mut first = true;
            let end = run(PaintedSource::new(500, &buffers), workers, &go(), |_| {
                // A slow collector must hold back the reader.
                if std::mem::take(&mut first) {
                    thread::sleep(Duration::from_millis(100));
                }
                Ok(())
            });
            assert_eq!(end.unwrap().frames, 500);
            let count = buffers.lock().unwrap().len();
            assert!(count <= WINDOW + FRAMES_PER_WORKER * workers, "{count} buffers for {workers} workers");
        }
    }

    /// Results that arrive while the first one is missing keep their permits: the reader must wait.
    #[test]
    fn a_slow_first_frame_holds_back_the_reader() {
        let pool = BufferPool::new(4);
        let (done_sender, done) = unbounded();
        let (spent, _) = unbounded();
        let result = |index, permit| Done {
            index,
            timing: FrameTiming::default(),
            measures: Ok(FrameMeter::default().measure(&plan(), &[0; 256], None, ReducedPicture::default())),
            _permit: Arc::new(permit),
        };
        let first = pool.take();
        for index in 1..4 {
            done_sender.send(result(index, pool.take())).unwrap();
        }
        let mut seen = Vec::new();
        thread::scope(|scope| {
            let collector = scope.spawn(|| {
                collect(done, &spent, |fingerprint| {
                    seen.push(fingerprint.index);
                    Ok(())
                })
            });
            assert!(pool.empty.recv_timeout(Duration::from_millis(50)).is_err(), "no permit before frame 0");
            done_sender.send(result(0, first)).unwrap();
            drop(done_sender);
            assert!(matches!(collector.join().unwrap(), Collected::All { frames: 4 }));
        });
        assert_eq!(seen, [0, 1, 2, 3]);
        assert_eq!(pool.empty.len(), 4);
    }

    fn plan() -> ViewPlan {
        let pixel_format = PixelFormat { family: Family::Gray, bit_depth: 8 };
        ViewPlan::new(FrameShape { width: 16, height: 16, pixel_format }, &ViewSettings::default())
    }

    #[test]
    fn a_read_error_midway_keeps_the_frames_before_it() {
        let buffers = Mutex::default();
        let mut source = PaintedSource::new(60, &buffers);
        source.event = Event::Error(37);
        let mut frames = 0;
        let end = run(source, 2, &go(), |_| {
            frames += 1;
            Ok(())
        })
        .unwrap();
        assert_eq!((frames, end.frames), (37, 37));
        assert!(!end.is_complete());
        assert_eq!(end.error.unwrap().to_string(), "painted: cannot read: the paint is dry");
        assert_eq!(end.end.notes[0].text, "painted to the end");
    }

    #[test]
    fn the_error_of_the_sink_ends_the_run() {
        let buffers = Mutex::default();
        let full = Error::new("log", "cannot write", "full", "free some space");
        let result = run(PaintedSource::new(u64::MAX, &buffers), 2, &go(), |fingerprint| {
            if fingerprint.index == 5 {
                Err(full.clone())
            } else {
                Ok(())
            }
        });
        assert_eq!(result.unwrap_err(), full);
    }

    /// The log of a painted capture, and its fingerprints.
    fn log_of(frames: u64) -> (Vec<u8>, Vec<FrameFingerprint>) {
        let buffers = Mutex::default();
        let source = PaintedSource::new(frames, &buffers);
        let facts = CaptureFacts { time_base: TimeBase::new(1, 1000), ..source.facts.clone() };
        let mut log = LogWriter::new(Vec::new(), "log", &facts, &ViewSettings::default()).unwrap();
        let mut fingerprints = Vec::new();
        let end = run(source, 2, &go(), |fingerprint| {
            log.push(&fingerprint)?;
            fingerprints.push(fingerprint);
            Ok(())
        });
        (log.finish(&end.unwrap()).unwrap(), fingerprints)
    }

    #[test]
    fn a_log_comes_whole_in_order_and_with_its_end() {
        for frames in [0, 1, LOG_BATCH as u64, 2 * LOG_BATCH as u64 + 7] {
            let (log, fingerprints) = log_of(frames);
            let control = Control { workers: None, progress: &NoProgress, stop: &go() };
            let mut seen = Vec::new();
            let reader = LogReader::open(&log[..], "log").unwrap();
            let end = read_log(reader, &control, |fingerprint| seen.push(fingerprint.clone())).unwrap();
            assert!(seen == fingerprints && end.frames == frames && end.is_complete());
            assert_eq!(end.end.notes[0].text, "painted to the end");
        }
    }

    #[test]
    fn a_damaged_or_stopped_log_ends_with_what_was_read() {
        let (mut log, _) = log_of(2000);
        let stop = go();
        let control = Control { workers: None, progress: &NoProgress, stop: &stop };
        let mut seen = 0;
        let reader = LogReader::open(&log[..], "log").unwrap();
        let end = read_log(reader, &control, |fingerprint| {
            seen += 1;
            stop.fetch_or(fingerprint.index == 20, Ordering::Relaxed);
        });
        let end = end.unwrap();
        // What waits for the collector is audited too.
        assert!(
            seen == end.frames && (21..=21 + (LOG_BATCH * (LOG_BATCHES + 2)) as u64).contains(&seen),
            "{seen}"
        );
        assert_eq!(end.end.notes, [interrupted_note()]);

        stop.store(false, Ordering::Relaxed);
        let middle = log.len() / 2;
        log[middle] ^= 1;
        let reader = LogReader::open(&log[..], "log").unwrap();
        assert!(read_log(reader, &control, |_| {}).is_err());
    }

    #[test]
    fn a_stop_ends_the_run_with_a_note() {
        let (buffers, stop) = (Mutex::default(), go());
        let end = run(PaintedSource::new(u64::MAX, &buffers), 2, &stop, |fingerprint| {
            stop.fetch_or(fingerprint.index == 20, Ordering::Relaxed);
            Ok(())
        })
        .unwrap();
        let permits = (WINDOW + 2 * FRAMES_PER_WORKER) as u64;
        assert!((21..=21 + permits).contains(&end.frames), "{} frames", end.frames);
        assert_eq!(end.end.notes.last().unwrap().code, NoteCode::Interrupted);
        assert!(!end.is_complete());
    }

    #[test]
    fn a_panic_of_the_source_is_no_hang() {
        let buffers = Mutex::default();
        let mut source = PaintedSource::new(60, &buffers);
        source.event = Event::Panic(10);
        let result = catch_unwind(AssertUnwindSafe(|| run(source, 2, &go(), |_| Ok(()))));
        assert_eq!(result.unwrap_err().downcast_ref(), Some(&"the source panics"));
    }

    /// A source that gives too short a frame makes the worker panic.
    #[test]
    fn a_panic_of_a_worker_is_no_hang() {
        struct Short<'a>(PaintedSource<'a>);
        impl FrameSource for Short<'_> {
            fn facts(&self) -> &CaptureFacts {
                self.0.facts()
            }
            fn read_frame(&mut self, samples: &mut Vec<u8>) -> Result<Option<FrameTiming>> {
                let timing = self.0.read_frame(samples);
                if self.0.next == 8 {
                    samples.truncate(100);
                }
                timing
            }
            fn finish(self: Box<Self>) -> CaptureEnd {
                Box::new(self.0).finish()
            }
        }
        let (buffers, stop) = (Mutex::default(), go());
        for workers in [1, 2, 4] {
            let source = Box::new(Short(PaintedSource::new(u64::MAX, &buffers)));
            let control = Control { workers: NonZeroUsize::new(workers), progress: &NoProgress, stop: &stop };
            let result = catch_unwind(AssertUnwindSafe(|| {
                fingerprint_capture(source, &ViewSettings::default(), &control, |_| Ok(()))
            }));
            assert!(result.is_err());
        }
    }

    #[test]
    fn progress_hears_of_every_frame() {
        struct Heard(Mutex<Vec<(u64, Option<u64>)>>);
        impl Progress for Heard {
            fn frames_done(&self, done: u64, promised: Option<u64>) {
                self.0.lock().unwrap().push((done, promised));
            }
        }
        let (buffers, stop, heard) = (Mutex::default(), go(), Heard(Mutex::default()));
        let control = Control { workers: None, progress: &heard, stop: &stop };
        let source = Box::new(PaintedSource::new(3, &buffers));
        fingerprint_capture(source, &ViewSettings::default(), &control, |_| Ok(())).unwrap();
        assert_eq!(*heard.0.lock().unwrap(), [(1, Some(3)), (2, Some(3)), (3, Some(3))]);
    }

    #[test]
    fn rectangles_must_lie_within_the_picture() {
        let pixel_format = PixelFormat { family: Family::Gray, bit_depth: 8 };
        let shape = FrameShape { width: 100, height: 50, pixel_format };
        let rect = |text| Rect::parse(text).unwrap();
        for (region, exclude, message) in [
            (Some("0,0,100,50"), vec!["99,49,1,1"], None),
            (
                Some("1,0,100,50"),
                vec![],
                Some("--region: rectangle outside the picture: 1,0,100,50 reaches to 101,50 of 100 x 50 pixels"),
            ),
            (
                None,
                vec!["0,0,1,1", "4294967295,0,4294967295,1"],
                Some(
                    "--exclude: rectangle outside the picture: 4294967295,0,4294967295,1 reaches to 8589934590,1 of \
                     100 x 50 pixels",
                ),
            ),
            (
                None,
                vec!["0,0,100,25", "0,20,100,30"],
                Some("--exclude: nothing is left to look at: the excluded rectangles cover every pixel"),
            ),
        ] {
            let view =
                ViewSettings { region: region.map(rect), exclude: exclude.into_iter().map(rect).collect() };
            let found = checked_plan(shape, &view).err().map(|error| error.to_string());
            assert_eq!(found.as_deref(), message);
        }
    }
}
