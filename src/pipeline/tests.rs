use super::collect::{collect, Done, Permits};
use super::log::{LOG_BATCH, LOG_BATCHES};
use super::stream::{FRAMES_AHEAD, FRAMES_AHEAD_BESIDES};
use super::*;
use crate::capture::log::{LogReader, LogWriter};
use crate::capture::{CaptureEnd, CaptureFacts};
use crate::frame::{CodeRange, Coding, Family, FrameTiming, PixelFormat, Scan};
use crate::units::TimeBase;
use crossbeam_channel::unbounded;
use std::collections::HashSet;
use std::panic::{catch_unwind, AssertUnwindSafe};
use std::sync::atomic::Ordering;
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
            range: CodeRange::default(),
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
        // Each worker has the frame that it measures and the one before; the next turn has the last one.
        assert!(count <= FRAMES_PER_WORKER * workers + 1, "{count} buffers for {workers} workers");
    }
}

/// Results that arrive while the first one is missing keep their permits: who reads must wait.
#[test]
fn a_slow_first_frame_holds_back_the_reader() {
    let permits = Permits::new(4);
    let (sender, done) = unbounded();
    let first = permits.take();
    for index in 1..4 {
        sender.send(Done { index, result: Ok(index), permit: permits.take() }).unwrap();
    }
    let mut seen = Vec::new();
    thread::scope(|scope| {
        let collector = scope.spawn(|| {
            collect(done, 0, &mut |index| {
                seen.push(index);
                Ok(())
            })
        });
        thread::sleep(Duration::from_millis(50));
        assert_eq!(permits.free(), 0, "no permit before frame 0");
        sender.send(Done { index: 0, result: Ok(0), permit: first }).unwrap();
        drop(sender);
        assert!(matches!(collector.join().unwrap(), Collected::All { next: 4 }));
    });
    assert_eq!(seen, [0, 1, 2, 3]);
    assert_eq!(permits.free(), 4);
}

/// A file of frames, by the reader of YUV4MPEG2, and the same bytes as a stream.
fn y4m(bytes: &[u8], way: Way) -> Box<dyn FrameSource> {
    use crate::capture::{open, CaptureArg};
    use crate::settings::ReadingSettings;
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("frames.y4m");
    std::fs::write(&path, bytes).unwrap();
    let source = open(&CaptureArg::Path(path), &ReadingSettings::default()).unwrap();
    match way {
        Way::Places => source,
        Way::OneByOne => Box::new(OneByOne(source)),
    }
}

/// How frames of a file are read.
#[derive(Clone, Copy, Debug, PartialEq)]
enum Way {
    Places,
    OneByOne,
}

/// Hides from the pipeline where frames lie.
struct OneByOne(Box<dyn FrameSource>);

impl FrameSource for OneByOne {
    fn facts(&self) -> &CaptureFacts {
        self.0.facts()
    }

    fn read_frame(&mut self, samples: &mut Vec<u8>) -> Result<Option<FrameTiming>> {
        self.0.read_frame(samples)
    }

    fn finish(self: Box<Self>) -> CaptureEnd {
        self.0.finish()
    }
}

/// A clip in which a texture moves, stands, jumps and comes back, so that every measure depends on what came before;
/// `header` comes before each frame.
fn moving_clip(frames: usize, tags: &str, header: impl Fn(usize) -> String) -> Vec<u8> {
    let deep = tags.contains("p10");
    let (width, height) = (200usize, 144usize);
    let mut bytes = format!("YUV4MPEG2 W{width} H{height} F25:1{tags}\n").into_bytes();
    for frame in 0..frames {
        bytes.extend(header(frame).bytes());
        let at = match frame % 13 {
            step @ 0..6 => 3 * step,
            step @ 6..8 => 90 + step / 2,
            step => 150 + 2 * (step / 2),
        };
        let sample = |x: usize, y: usize| {
            let noise = if frame % 29 > 20 { (x * 31 + y * 17 + frame * 57) * 7919 % 23 } else { 0 };
            60 + ((x + at) / 5 * 37 + (y + at / 3) / 4 * 61) % 120 + noise
        };
        for (width, height) in [(width, height), (width / 2, height / 2), (width / 2, height / 2)] {
            let samples = (0..width * height).map(|place| sample(place % width, place / width) as u16);
            if deep {
                bytes.extend(samples.flat_map(|sample| (4 * sample).to_le_bytes()));
            } else {
                bytes.extend(samples.map(|sample| sample as u8));
            }
        }
    }
    bytes
}

fn fingerprinted(
    source: Box<dyn FrameSource + '_>,
    workers: usize,
    view: &ViewSettings,
) -> (Vec<FrameFingerprint>, ReadingEnd) {
    let control = Control { workers: NonZeroUsize::new(workers), progress: &NoProgress, stop: &go() };
    let mut fingerprints = Vec::new();
    let end = fingerprint_capture(source, view, &control, |fingerprint| {
        fingerprints.push(fingerprint);
        Ok(())
    });
    (fingerprints, end.unwrap())
}

#[test]
fn frames_at_places_and_one_by_one_give_the_same() {
    let even = |_: usize| "FRAME\n".to_owned();
    let whole = moving_clip(150, " C420", even);
    let frame_len = 200 * 144 * 3 / 2 + 6;
    let mut out_of_range = moving_clip(40, " C420p10", even);
    let place = out_of_range.len() - 7 * 2 * (frame_len - 6);
    out_of_range[place + 1] = 0xff;
    let part = ViewSettings {
        region: Rect::parse("8,6,160,130"),
        exclude: vec![Rect::parse("20,20,30,30").unwrap()],
    };
    let all = ViewSettings::default();
    for (name, bytes, view, frames) in [
        ("whole", whole.clone(), &all, 150),
        ("a part of the picture", whole.clone(), &part, 150),
        ("10 bit", moving_clip(40, " C420p10", even), &all, 40),
        ("a sample out of range", out_of_range, &all, 33),
        ("cut in a frame", whole[..whole.len() - 3 * frame_len - 9].to_vec(), &all, 146),
        ("cut in a header", whole[..whole.len() - 3 * frame_len + 3].to_vec(), &all, 147),
        ("one frame", moving_clip(1, " C420", even), &all, 1),
        ("three frames", moving_clip(3, " C420", even), &all, 3),
        ("no frame", moving_clip(0, " C420", even), &all, 0),
        ("a note in every header", moving_clip(40, " C420", |_| "FRAME Xone\n".to_owned()), &all, 40),
        (
            "another header in the middle",
            moving_clip(90, " C420", |frame| format!("FRAME{}\n", if frame == 55 { " Xone" } else { "" })),
            &all,
            90,
        ),
        (
            "no header in the middle",
            moving_clip(90, " C420", |frame| if frame == 61 { "FRAMF\n".to_owned() } else { even(0) }),
            &all,
            61,
        ),
    ] {
        let (expected, end) = fingerprinted(y4m(&bytes, Way::OneByOne), 1, view);
        assert_eq!(expected.len(), frames, "{name}");
        for workers in [1, 2, 5] {
            let (found, found_end) = fingerprinted(y4m(&bytes, Way::Places), workers, view);
            let differs = found.iter().zip(&expected).position(|(found, expected)| found != expected);
            assert_eq!((differs, found.len()), (None, frames), "{name}, {workers} workers");
            assert_eq!(found_end.end, end.end, "{name}");
            // Both are files with names of their own.
            let what =
                |end: &ReadingEnd| end.error.as_ref().map(|error| (error.what.clone(), error.cause.clone()));
            assert_eq!((found_end.frames, what(&found_end)), (end.frames, what(&end)), "{name}");
        }
    }
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
    let permits = (FRAMES_AHEAD_BESIDES + 2 * FRAMES_AHEAD) as u64;
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

#[test]
fn items_that_are_shared_out_keep_their_order() {
    let items: Vec<u64> = (0..1000).collect();
    let squares: Vec<u64> = items.iter().map(|item| item * item).collect();
    assert_eq!(each(&items, |item| item * item), squares);
    assert!(each(&[0u8; 0], |_| 1).is_empty());
}
