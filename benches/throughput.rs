//! The whole run over 600 frames of 1920 × 1080 from memory, and reading a long log:
//! `cargo bench --bench throughput`.

use std::collections::VecDeque;
use std::sync::atomic::AtomicBool;
use std::time::{Duration, Instant};

use criterion::{criterion_group, criterion_main, Criterion, Throughput};
use evenbeat::capture::log::{LogReader, LogWriter};
use evenbeat::capture::{CaptureEnd, CaptureFacts, FrameSource};
use evenbeat::error::Result;
use evenbeat::fingerprint::FrameFingerprint;
use evenbeat::frame::{Family, FrameShape, FrameTiming, PixelFormat, Scan};
use evenbeat::pipeline::{fingerprint_capture, Control, NoProgress, ReadingEnd};
use evenbeat::settings::ViewSettings;

const FRAMES: u64 = 600;
/// Records of the log that is read: a tenth of ten hours at 60 frames per second.
const RECORDS: u64 = 216_000;

/// Copies pictures from memory, as a reader copies them from the system's file cache.
struct Memory<'a> {
    facts: CaptureFacts,
    pictures: &'a [Vec<u8>],
    next: u64,
}

impl FrameSource for Memory<'_> {
    fn facts(&self) -> &CaptureFacts {
        &self.facts
    }

    fn read_frame(&mut self, samples: &mut Vec<u8>) -> Result<Option<FrameTiming>> {
        if self.next == FRAMES {
            return Ok(None);
        }
        samples.resize(self.facts.shape.byte_len(), 0);
        samples.copy_from_slice(&self.pictures[self.next as usize % self.pictures.len()]);
        self.next += 1;
        Ok(Some(FrameTiming::default()))
    }

    fn finish(self: Box<Self>) -> CaptureEnd {
        CaptureEnd::default()
    }
}

fn facts() -> CaptureFacts {
    let pixel_format = PixelFormat { family: Family::Yuv { across: 1, down: 1 }, bit_depth: 8 };
    CaptureFacts {
        name: "memory".to_owned(),
        shape: FrameShape { width: 1920, height: 1080, pixel_format },
        scan: Scan::Progressive,
        coding: evenbeat::frame::Coding::Unknown,
        range: evenbeat::frame::CodeRange::default(),
        nominal_rate: None,
        rate_source: None,
        time_base: None,
        promised_frames: Some(FRAMES),
        reader: "memory".to_owned(),
    }
}

/// A textured picture that pans by `shift` pixels.
fn paint(shift: usize) -> Vec<u8> {
    let shape = facts().shape;
    (0..shape.byte_len())
        .map(|at| {
            let (x, y) = ((at % 1920 + shift) as f64, (at / 1920) as f64);
            (128.0 + 40.0 * (x * 0.05).sin() + 40.0 * (y * 0.04 + x * 0.017).sin() + 30.0 * (x * 0.31).sin())
                as u8
        })
        .collect()
}

fn run(pictures: &[Vec<u8>], mut sink: impl FnMut(FrameFingerprint)) {
    let source = Box::new(Memory { facts: facts(), pictures, next: 0 });
    let control = Control { workers: None, progress: &NoProgress, stop: &AtomicBool::new(false) };
    let end = fingerprint_capture(source, &ViewSettings::default(), &control, |fingerprint| {
        sink(fingerprint);
        Ok(())
    });
    assert_eq!(end.expect("memory can be read").frames, FRAMES);
}

fn throughput(criterion: &mut Criterion) {
    let mut group = criterion.benchmark_group("throughput");
    group.sample_size(10);
    let bytes = facts().shape.byte_len() as u64 * FRAMES;
    group.throughput(Throughput::Bytes(bytes));
    for (name, step) in [("slow pan", 3), ("fast pan", 50)] {
        let pictures: Vec<_> = (0..6).map(|n| paint(n * step)).collect();
        group.bench_function(name, |b| b.iter(|| run(&pictures, |_| {})));
    }

    let pictures: Vec<_> = (0..6).map(|n| paint(n * 3)).collect();
    let mut fingerprints = VecDeque::new();
    run(&pictures, |fingerprint| fingerprints.push_back(fingerprint));
    let mut writer =
        LogWriter::new(Vec::new(), "memory", &facts(), &ViewSettings::default()).expect("memory");
    let start = Instant::now();
    for index in 0..RECORDS {
        fingerprints.rotate_left(1);
        fingerprints[0].index = index;
        writer.push(&fingerprints[0]).expect("memory");
    }
    let log = writer.finish(&ReadingEnd { frames: RECORDS, ..ReadingEnd::default() }).expect("memory");
    println!("log written in {:?}", start.elapsed());
    group.throughput(Throughput::Bytes(log.len() as u64));
    group.measurement_time(Duration::from_secs(3));
    group.bench_function("log of 216000 frames", |b| {
        b.iter(|| {
            let mut reader = LogReader::open(&log[..], "memory").expect("memory");
            while let Some(fingerprint) = reader.next_fingerprint().expect("memory") {
                std::hint::black_box(&fingerprint);
            }
            assert!(reader.finish().is_complete());
        });
    });
    group.finish();
}

criterion_group!(benches, throughput);
criterion_main!(benches);
