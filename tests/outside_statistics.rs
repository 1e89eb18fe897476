//! Frame statistics against independent packages and closed forms. Expected values: `scripts/outside-values`
//! (siti-tools from PyPI for SI and TI, OpenCV for differences, NumPy for block means), computed from the same
//! frames in `samples/`.

use std::collections::BTreeMap;
use std::fs;
use std::path::{Path, PathBuf};

use evenbeat::fingerprint::{FrameMeter, ReducedPicture, ViewPlan};
use evenbeat::frame::{Family, FrameShape, PixelFormat};
use evenbeat::settings::ViewSettings;

/// Values of two floating-point programs may differ in the last places of a sum.
const TOLERANCE: f64 = 1e-9;

fn root() -> PathBuf {
    PathBuf::from(env!("CARGO_MANIFEST_DIR"))
}

/// One luma plane.
struct Plane {
    width: usize,
    samples: Vec<f64>,
}

/// Luma planes of an 8-bit 4:2:0 capture of `samples/`.
fn luma_planes(path: &Path) -> Vec<Plane> {
    let bytes = fs::read(path).expect("a capture of samples/");
    let line = bytes.iter().position(|&byte| byte == b'\n').expect("a header line");
    let header = std::str::from_utf8(&bytes[..line]).expect("an ASCII header");
    let tag = |letter: char| -> usize {
        let tag = header.split(' ').skip(1).find(|tag| tag.starts_with(letter)).expect("tag");
        tag[1..].parse().expect("a number")
    };
    let (width, height) = (tag('W'), tag('H'));
    let step = "FRAME\n".len() + width * height + 2 * width.div_ceil(2) * height.div_ceil(2);
    bytes[line + 1..]
        .chunks_exact(step)
        .map(|frame| {
            let luma = &frame["FRAME\n".len()..][..width * height];
            Plane { width, samples: luma.iter().map(|&sample| f64::from(sample)).collect() }
        })
        .collect()
}

fn mean(values: &[f64]) -> f64 {
    values.iter().sum::<f64>() / values.len() as f64
}

/// Population standard deviation: ITU-T P.910 as the reference package computes it.
fn deviation(values: &[f64]) -> f64 {
    let middle = mean(values);
    mean(&values.iter().map(|value| (value - middle).powi(2)).collect::<Vec<_>>()).sqrt()
}

fn difference(now: &[f64], before: &[f64]) -> Vec<f64> {
    now.iter().zip(before).map(|(now, before)| now - before).collect()
}

/// Temporal information of one frame (ITU-T P.910): deviation over space of the difference.
fn ti(now: &[f64], before: &[f64]) -> f64 {
    deviation(&difference(now, before))
}

fn mean_square(now: &[f64], before: &[f64]) -> f64 {
    mean(&difference(now, before).iter().map(|d| d * d).collect::<Vec<_>>())
}

fn mean_absolute(now: &[f64], before: &[f64]) -> f64 {
    mean(&difference(now, before).iter().map(|d| d.abs()).collect::<Vec<_>>())
}

/// Spatial information of one frame (ITU-T P.910): deviation of the Sobel magnitude inside a border of one pixel.
fn si(plane: &Plane) -> f64 {
    let (width, height) = (plane.width, plane.samples.len() / plane.width);
    let at = |x: usize, y: usize| plane.samples[y * width + x];
    let mut magnitudes = Vec::new();
    for y in 1..height - 1 {
        for x in 1..width - 1 {
            let column = |x: usize| at(x, y - 1) + 2.0 * at(x, y) + at(x, y + 1);
            let row = |y: usize| at(x - 1, y) + 2.0 * at(x, y) + at(x + 1, y);
            magnitudes.push((column(x + 1) - column(x - 1)).hypot(row(y + 1) - row(y - 1)));
        }
    }
    deviation(&magnitudes)
}

/// Rows of an expected table without its comment and header.
fn expected(name: &str) -> Vec<Vec<String>> {
    let text = fs::read_to_string(root().join("tests/expected").join(name)).expect("an expected table");
    text.lines().skip(2).map(|line| line.split(',').map(str::to_owned).collect()).collect()
}

fn number(text: &str) -> f64 {
    text.parse().expect("a number")
}

fn assert_near(found: f64, expected: &str, what: &str) {
    let expected = number(expected);
    assert!((found - expected).abs() <= TOLERANCE * expected.abs().max(1.0), "{what}: {found} {expected}");
}

#[test]
fn statistics_of_the_samples_are_those_of_independent_packages() {
    let mut planes: BTreeMap<String, Vec<Plane>> = BTreeMap::new();
    let rows = expected("siti.csv");
    assert_eq!(rows.len(), 120, "two captures of 60 frames");
    for row in &rows {
        let planes = planes
            .entry(row[0].clone())
            .or_insert_with(|| luma_planes(&root().join("samples").join(&row[0])));
        let frame: usize = row[1].parse().expect("a frame number");
        let what = format!("{} frame {frame}", row[0]);
        assert_near(si(&planes[frame]), &row[2], &what);
        if frame == 0 {
            // The first frame has no TI: n frames give n - 1 values.
            assert_eq!(row[3], "", "{what}");
            continue;
        }
        let (now, before) = (&planes[frame].samples, &planes[frame - 1].samples);
        assert_near(ti(now, before), &row[3], &what);
        assert_near(mean_absolute(now, before), &row[4], &what);
        assert_near(mean_square(now, before), &row[5], &what);
    }
}

/// Means of 16 × 16 blocks of the absolute difference, row by row, by plain loops.
fn block_means(now: &Plane, before: &Plane) -> Vec<f64> {
    const BLOCK: usize = 16;
    let (width, height) = (now.width, now.samples.len() / now.width);
    let mut means = Vec::new();
    for top in (0..height).step_by(BLOCK) {
        for left in (0..width).step_by(BLOCK) {
            let mut changes = Vec::new();
            for y in top..(top + BLOCK).min(height) {
                for x in left..(left + BLOCK).min(width) {
                    changes.push((now.samples[y * width + x] - before.samples[y * width + x]).abs());
                }
            }
            means.push(mean(&changes));
        }
    }
    means
}

#[test]
fn block_means_of_the_samples_are_those_of_numpy() {
    let rows = expected("block_change.csv");
    assert_eq!(rows.len(), 2 * 12 * 12, "two captures, twelve frames, twelve blocks");
    for blocks in rows.chunks(12) {
        let planes = luma_planes(&root().join("samples").join(&blocks[0][0]));
        let frame: usize = blocks[0][1].parse().expect("a frame number");
        let means = block_means(&planes[frame], &planes[frame - 1]);
        assert_eq!(means.len(), blocks.len());
        for (mean, row) in means.iter().zip(blocks) {
            assert_near(*mean, &row[4], &row.join(","));
        }
    }
}

/// Whole frames of an 8-bit 4:2:0 capture of `samples/`, with their shape.
fn whole_frames(name: &str) -> (FrameShape, Vec<Vec<u8>>) {
    let path = root().join("samples").join(name);
    let planes = luma_planes(&path);
    let (width, height) = (planes[0].width, planes[0].samples.len() / planes[0].width);
    let pixel_format = PixelFormat { family: Family::Yuv { across: 1, down: 1 }, bit_depth: 8 };
    let shape = FrameShape { width: width as u32, height: height as u32, pixel_format };
    let bytes = fs::read(path).expect("a capture of samples/");
    let body = bytes.len() - planes.len() * (shape.byte_len() + "FRAME\n".len());
    let frames = bytes[body..].chunks_exact(shape.byte_len() + "FRAME\n".len());
    (shape, frames.map(|frame| frame["FRAME\n".len()..].to_vec()).collect())
}

#[test]
fn measured_block_change_is_that_of_numpy() {
    // Fingerprints hold single-precision numbers.
    const SINGLE: f64 = 1e-5;
    for blocks in expected("block_change.csv").chunks(12) {
        let (shape, frames) = whole_frames(&blocks[0][0]);
        let plan = ViewPlan::new(shape, &ViewSettings::default());
        let frame: usize = blocks[0][1].parse().expect("a frame number");
        let mut meter = FrameMeter::default();
        let measures =
            meter.measure(&plan, &frames[frame], Some(&frames[frame - 1]), ReducedPicture::default());
        let change = f64::from(measures.luma_change);
        let expected: Vec<f64> = blocks.iter().map(|row| number(&row[4])).collect();
        let worst = expected.iter().copied().fold(0.0, f64::max);
        let what = format!("{} frame {frame}", blocks[0][0]);
        assert!((change - worst).abs() <= SINGLE * worst, "{what}: {change} {worst}");
    }
}

/// A ramp of values, so that nothing is flat by chance.
fn ground(len: usize) -> Vec<f64> {
    (0..len).map(|place| 20.0 + (place * 7 % 100) as f64).collect()
}

#[test]
fn ti_follows_its_closed_forms() {
    // Fraction f of the pixels changes by d, the rest stays: TI = |d|·√(f(1 − f)), mean square f·d²
    // (derived from the definition in ITU-T P.910).
    for (fraction, step, expected_ti, expected_square) in [
        (0.5, 10.0, 5.0, 50.0),
        (0.25, 40.0, 17.320508, 400.0),
        (0.1, 100.0, 30.0, 1000.0),
        (1.0, 20.0, 0.0, 400.0),
    ] {
        let before = ground(400);
        let changed = (fraction * before.len() as f64) as usize;
        let now: Vec<f64> =
            before.iter().enumerate().map(|(i, v)| if i < changed { v + step } else { *v }).collect();
        assert!((ti(&now, &before) - expected_ti).abs() < 1e-6, "{fraction} {step}");
        assert!((mean_square(&now, &before) - expected_square).abs() < 1e-9, "{fraction} {step}");
    }
}

#[test]
fn a_blend_splits_ti_in_proportion() {
    // b = αA + (1 − α)B: TI(A, b) = (1 − α)·TI(A, B), TI(b, B) = α·TI(A, B); derived, exact before rounding.
    let planes = luma_planes(&root().join("samples/lantern-box.y4m"));
    let (first, second) = (&planes[10].samples, &planes[11].samples);
    let whole = ti(second, first);
    for weight in [0.5, 1.0 / 3.0, 0.8] {
        let blend: Vec<f64> =
            first.iter().zip(second).map(|(a, b)| weight * a + (1.0 - weight) * b).collect();
        assert!((ti(&blend, first) - (1.0 - weight) * whole).abs() < 1e-9);
        assert!((ti(second, &blend) - weight * whole).abs() < 1e-9);
    }
}

#[test]
fn a_real_step_of_motion_is_no_blend() {
    // TI is a seminorm: TI(A, b) + TI(b, B) ≥ TI(A, B), with equality only where both differences are parallel.
    let planes = luma_planes(&root().join("samples/lantern-box.y4m"));
    for three in planes.windows(3) {
        let (a, b, c) = (&three[0].samples, &three[1].samples, &three[2].samples);
        assert!(ti(b, a) + ti(c, b) > 1.05 * ti(c, a));
    }
}
