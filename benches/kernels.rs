//! Every kernel in bytes per second on a painted 1920 × 1080 frame pair: `cargo bench --bench kernels`.

use criterion::{criterion_group, criterion_main, Criterion, Throughput};
use evenbeat::fingerprint::blocks::{block_sums_16, block_sums_8};
use evenbeat::fingerprint::change::{difference_sums, fine_energy};
use evenbeat::fingerprint::reduced::{box_means_16, box_means_8, BoxGrid};
use evenbeat::fingerprint::{digest, FrameMeasures, FrameMeter, ReducedPicture, Sequencer, ViewPlan};
use evenbeat::frame::{Family, FrameShape, FrameTiming, PixelFormat};
use evenbeat::settings::ViewSettings;
use std::hint::black_box;

const WIDTH: usize = 1920;
const HEIGHT: usize = 1080;

/// A textured picture that moves `shift` pixels to the right, one byte per sample, 4:2:0.
fn paint(shift: f64) -> Vec<u8> {
    let plane = |width: usize, height: usize, scale: f64| {
        (0..width * height).map(move |at| {
            let (x, y) = ((at % width) as f64 * scale - shift, (at / width) as f64 * scale);
            let wave = (x * 0.031).sin() + (y * 0.043 + x * 0.011).sin() + (x * 0.17 + y * 0.13).sin();
            (128.0 + 35.0 * wave) as u8
        })
    };
    let luma = plane(WIDTH, HEIGHT, 1.0);
    luma.chain(plane(WIDTH / 2, HEIGHT / 2, 2.0)).chain(plane(WIDTH / 2, HEIGHT / 2, 2.0)).collect()
}

fn kernels(criterion: &mut Criterion) {
    let shape = FrameShape {
        width: WIDTH as u32,
        height: HEIGHT as u32,
        pixel_format: PixelFormat { family: Family::Yuv { across: 1, down: 1 }, bit_depth: 8 },
    };
    let plan = ViewPlan::new(shape, &ViewSettings::default());
    let frames: Vec<_> = [0.0, 6.5, 13.0].map(paint).into();
    let luma = WIDTH * HEIGHT;
    let deep: Vec<Vec<u8>> = frames
        .iter()
        .map(|frame| {
            frame[..luma].iter().flat_map(|&sample| (u16::from(sample) << 2).to_le_bytes()).collect()
        })
        .collect();
    let mut sums = Vec::new();
    let mut means = vec![0i16; WIDTH * HEIGHT / 16];
    let grid = BoxGrid { width: WIDTH, factor: 4, scale: 64.0 };

    let mut group = criterion.benchmark_group("kernels");
    group.throughput(Throughput::Bytes(frames[0].len() as u64));
    group.bench_function("digest", |b| b.iter(|| digest(black_box(&frames[0]))));
    group.throughput(Throughput::Bytes(luma as u64));
    group.bench_function("block_sums_8", |b| {
        b.iter(|| {
            sums.clear();
            block_sums_8(&frames[1][..luma], &frames[0][..luma], WIDTH, &mut sums);
        });
    });
    group.bench_function("box_means_8", |b| {
        b.iter(|| box_means_8(&frames[1][..luma], grid, &mut means));
    });
    group.throughput(Throughput::Bytes(2 * luma as u64));
    group.bench_function("block_sums_16", |b| {
        b.iter(|| {
            sums.clear();
            block_sums_16(&deep[1], &deep[0], WIDTH, &mut sums);
        });
    });
    group.bench_function("box_means_16", |b| {
        b.iter(|| box_means_16(&deep[1], grid, &mut means));
    });
    group.finish();

    let mut group = criterion.benchmark_group("frame");
    group.throughput(Throughput::Bytes(frames[0].len() as u64));
    let mut meter = FrameMeter::default();
    let mut spent = Some(ReducedPicture::default());
    group.bench_function("measure", |b| {
        b.iter(|| {
            let picture = spent.take().unwrap_or_default();
            spent = Some(meter.measure(&plan, &frames[1], Some(&frames[0]), picture).reduced);
        });
    });
    let measures: Vec<FrameMeasures> = (0..3)
        .map(|n| {
            meter.measure(
                &plan,
                &frames[n],
                n.checked_sub(1).map(|n| &frames[n][..]),
                ReducedPicture::default(),
            )
        })
        .collect();
    let mut sequencer = Sequencer::default();
    let mut turn = 0;
    // Includes a copy of the reduced picture (260 kB), which the pipeline does not make.
    group.bench_function("sequence", |b| {
        b.iter(|| {
            turn = (turn + 1) % 3;
            sequencer.push(FrameTiming::default(), measures[turn].clone())
        });
    });
    group.finish();

    let reduced: Vec<Vec<i16>> = deep
        .iter()
        .map(|plane| {
            box_means_16(plane, grid, &mut means);
            means.clone()
        })
        .collect();
    let mut group = criterion.benchmark_group("reduced");
    group.throughput(Throughput::Bytes(2 * means.len() as u64));
    group.bench_function("difference_sums", |b| {
        b.iter(|| difference_sums(&reduced[1], black_box(&reduced[0])))
    });
    let mut column_sums = Vec::new();
    group.bench_function("fine_energy", |b| {
        b.iter(|| fine_energy(black_box(&reduced[1]), WIDTH / 4, &mut column_sums));
    });
    group.finish();
}

criterion_group!(benches, kernels);
criterion_main!(benches);
