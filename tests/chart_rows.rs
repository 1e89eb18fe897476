//! What the test clip's chart says of fine rows and slants after deinterlacing ranks as an independent computation on the
//! same frames does.

use std::fs;
use std::process::Command;

use evenbeat::fingerprint::marks::chart::{Blocks, Shuttle};
use evenbeat::fingerprint::{FrameMeter, ReducedPicture, ViewPlan};
use evenbeat::frame::Scan;
use evenbeat::settings::ViewSettings;
use evenbeat::testclip::settings::Size;
use evenbeat::testclip::{ClipPainter, ClipSettings};
use evenbeat::units::Rate;

const WIDTH: usize = 720;
const HEIGHT: usize = 480;
/// Frames of the interlaced clip, and pictures made from its fields that are looked at: not the first and last ones.
const FRAMES: u64 = 24;
const LOOKED_AT: std::ops::Range<u64> = 8..40;

fn settings() -> ClipSettings {
    ClipSettings {
        size: Size { width: WIDTH as u32, height: HEIGHT as u32, pixel_aspect: (1, 1) },
        rate: Rate::new(25, 1).unwrap(),
        scan: Scan::TopFieldFirst,
        pulldown: None,
        bit_depth: 8,
        frames: FRAMES,
    }
}

/// Luma of one picture for every field, in order.
struct Pictures {
    name: &'static str,
    luma: Vec<Vec<u8>>,
}

/// Still detail, moving detail, and steps.
type Numbers = [f64; 3];

/// What the chart of these pictures says, on average.
fn by_chart(pictures: &Pictures) -> Numbers {
    let settings = settings();
    let painter = ClipPainter::new(&settings).unwrap();
    let shape = painter.shape();
    let plan = ViewPlan::new(shape, &ViewSettings::default());
    let mut sums = [(0.0, 0.0); 3];
    for field in LOOKED_AT {
        let mut samples = pictures.luma[field as usize].clone();
        samples.resize(shape.byte_len(), 128);
        let measures = FrameMeter::default().measure(&plan, &samples, None, ReducedPicture::default());
        let Some(chart) = measures.chart else { continue };
        for (sum, kept) in sums.iter_mut().zip([chart.detail[0], chart.detail[1], chart.step]) {
            if let Some(value) = kept.value() {
                *sum = (sum.0 + value, sum.1 + 1.0);
            }
        }
    }
    sums.map(|(sum, count)| if count > 0.0 { sum / count } else { f64::NAN })
}

/// The same from every pixel beside the picture that was painted for the field, and from how the shuttle's edge bends from
/// row to row.
fn by_pixels(pictures: &Pictures) -> Numbers {
    let settings = settings();
    let mut painter = ClipPainter::new(&settings).unwrap();
    let blocks = Blocks::new(WIDTH, HEIGHT);
    let shuttle = Shuttle::new(WIDTH, HEIGHT, Rate::new(50, 1).unwrap());
    let mut detail = [(0.0, 0.0); 2];
    let mut bends = (0.0, 0.0);
    for field in LOOKED_AT {
        let painted = painter.paint_whole(field)[..WIDTH * HEIGHT].to_vec();
        let found = &pictures.luma[field as usize];
        let fine = |luma: &[u8], row: usize, column: usize| {
            let at = |row: usize| f64::from(luma[row * WIDTH + column]);
            at(row) - (at(row - 1) + at(row + 1)) / 2.0
        };
        for (columns, sums) in blocks.columns.iter().zip(&mut detail) {
            for row in blocks.rows.start + 2..blocks.rows.end - 2 {
                for column in columns.clone() {
                    let wanted = fine(&painted, row, column);
                    sums.0 += wanted * fine(found, row, column);
                    sums.1 += wanted * wanted;
                }
            }
        }
        // Where each row first rises half way to the shuttle, differenced twice: of a slant nothing is left.
        let edge = |luma: &[u8], row: usize| {
            let row = &luma[row * WIDTH..(row + 1) * WIDTH];
            let first = row.iter().position(|&sample| sample >= 56).unwrap_or(WIDTH - 1).max(1);
            let [before, after] = [row[first - 1], row[first]].map(f64::from);
            first as f64 - (after - 56.0) / f64::max(after - before, 1.0)
        };
        if shuttle.middle(field) > shuttle.length + 4 {
            for off in 4..shuttle.half - 4 {
                let row = shuttle.axis() + off;
                let twice = edge(found, row - 1) - 2.0 * edge(found, row) + edge(found, row + 1);
                bends.0 += twice.abs();
                bends.1 += (edge(&painted, row - 1) - edge(&painted, row)).abs();
            }
        }
    }
    [detail[0].0 / detail[0].1, detail[1].0 / detail[1].1, bends.0 / bends.1]
}

/// The interlaced clip, frame by frame.
fn woven() -> Vec<Vec<u8>> {
    let mut painter = ClipPainter::new(&settings()).unwrap();
    (0..FRAMES).map(|frame| painter.paint(frame).to_vec()).collect()
}

fn weaving(frames: &[Vec<u8>]) -> Pictures {
    let luma = (0..2 * FRAMES).map(|field| frames[field as usize / 2][..WIDTH * HEIGHT].to_vec()).collect();
    Pictures { name: "weaving", luma }
}

fn line_doubling(frames: &[Vec<u8>]) -> Pictures {
    let doubled = |field: u64| {
        let frame = &frames[field as usize / 2];
        let parity = field as usize % 2;
        (0..HEIGHT).flat_map(|row| &frame[(row / 2 * 2 + parity) * WIDTH..][..WIDTH]).copied().collect()
    };
    Pictures { name: "line doubling", luma: (0..2 * FRAMES).map(doubled).collect() }
}

/// Pictures of a filter of the decoder; `None` where it is not there.
fn filtered(frames: &[Vec<u8>], name: &'static str, filter: &str) -> Option<Pictures> {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("clip.y4m");
    let mut bytes = format!("YUV4MPEG2 W{WIDTH} H{HEIGHT} F25:1 It A1:1 C420mpeg2\n").into_bytes();
    for frame in frames {
        bytes.extend_from_slice(b"FRAME\n");
        bytes.extend_from_slice(frame);
    }
    fs::write(&path, bytes).unwrap();
    let output = Command::new("ffmpeg")
        .args(["-v", "error", "-i"])
        .arg(&path)
        .args(["-vf", filter, "-f", "rawvideo", "-pix_fmt", "gray", "-fps_mode", "passthrough", "-"])
        .output()
        .ok()
        .filter(|output| output.status.success())?;
    let luma: Vec<Vec<u8>> = output.stdout.chunks_exact(WIDTH * HEIGHT).map(<[u8]>::to_vec).collect();
    (luma.len() as u64 >= LOOKED_AT.end).then_some(Pictures { name, luma })
}

/// Names from the least to the most.
fn ranked(numbers: &[(&'static str, Numbers)], which: usize) -> Vec<&'static str> {
    let mut order: Vec<(f64, &str)> = numbers.iter().map(|(name, numbers)| (numbers[which], *name)).collect();
    order.sort_by(|a, b| a.0.total_cmp(&b.0));
    order.into_iter().map(|(_, name)| name).collect()
}

#[test]
fn whole_pictures_keep_all_detail_and_have_steps_of_one_row() {
    let mut painter = ClipPainter::new(&settings()).unwrap();
    let luma = (0..2 * FRAMES).map(|field| painter.paint_whole(field)[..WIDTH * HEIGHT].to_vec()).collect();
    let [still, moving, step] = by_chart(&Pictures { name: "whole", luma });
    assert!((still - 1.0).abs() < 0.02 && (moving - 1.0).abs() < 0.02, "{still} {moving}");
    assert!((step - 1.0).abs() < 0.1, "{step}");
}

#[test]
fn deinterlacers_rank_as_by_every_pixel() {
    let frames = woven();
    let mut all = vec![weaving(&frames), line_doubling(&frames)];
    let filters = [("bwdif", "bwdif=mode=1"), ("w3fdif", "w3fdif=deint=0")];
    for (name, filter) in filters {
        match filtered(&frames, name, filter) {
            Some(pictures) => all.push(pictures),
            None => println!("skipped {name}: there is no decoder with it"),
        }
    }
    let chart: Vec<(&str, Numbers)> = all.iter().map(|one| (one.name, by_chart(one))).collect();
    let pixels: Vec<(&str, Numbers)> = all.iter().map(|one| (one.name, by_pixels(one))).collect();
    for ((name, chart), (_, pixels)) in chart.iter().zip(&pixels) {
        println!("{name}: by the chart {chart:.3?}, by every pixel {pixels:.3?}");
    }
    for (which, what) in ["still detail", "moving detail", "steps"].into_iter().enumerate() {
        let (found, wanted) = (ranked(&chart, which), ranked(&pixels, which));
        // Numbers that hardly differ may change places.
        for (a, b) in found.iter().zip(&wanted) {
            let of = |name: &str| pixels.iter().find(|(known, _)| *known == name).unwrap().1[which];
            assert!(a == b || (of(a) - of(b)).abs() < 0.05, "{what}: {found:?}, by every pixel {wanted:?}");
        }
    }
    // A line that stands twice makes steps of two rows.
    let doubled = chart.iter().find(|(name, _)| *name == "line doubling").unwrap().1;
    assert!((doubled[2] - 2.0).abs() < 0.25, "{doubled:?}");
}
