//! The test clip's pictures are painted alike everywhere, read back as numbers, and do not flash.

use std::collections::HashMap;

use evenbeat::alignment::{SourcePlace, SourceTrack};
use evenbeat::clip_code::RATES;
use evenbeat::demo::devices::mix;
use evenbeat::demo::texture::Dice;
use evenbeat::demo::Harbour;
use evenbeat::fingerprint::marks::Lines;
use evenbeat::fingerprint::{FrameMeter, MarkReading, ReducedPicture, ViewPlan};
use evenbeat::frame::{Family, FrameShape, PixelFormat, Scan};
use evenbeat::settings::ViewSettings;
use evenbeat::testclip::settings::{Size, SIZES};
use evenbeat::testclip::{ClipPainter, ClipSettings, Pulldown};
use evenbeat::units::Rate;

fn read(shape: FrameShape, samples: &[u8]) -> Option<MarkReading> {
    let plan = ViewPlan::new(shape, &ViewSettings::default());
    FrameMeter::default().measure(&plan, samples, None, ReducedPicture::default()).marks
}

fn clip(size: &str, rate: Rate, scan: Scan) -> ClipSettings {
    ClipSettings { size: Size::parse(size).unwrap(), rate, scan, pulldown: None, bit_depth: 8, frames: 5000 }
}

fn rate(text: &str) -> Rate {
    Rate::parse(text).unwrap()
}

fn one(unit: u64) -> Option<Lines> {
    Some(Lines { first: unit as u32, ahead: 0, weight: 0 })
}

/// Frames worth looking at: the first, where places are not yet filled, some in the middle, the last.
const FRAMES: [u64; 8] = [0, 1, 2, 3, 4, 77, 2501, 4999];

fn assert_read_back(settings: &ClipSettings) {
    let mut painter = ClipPainter::new(settings).unwrap();
    for frame in FRAMES {
        let units = painter.units(frame);
        let shape = painter.shape();
        let reading =
            read(shape, painter.paint(frame)).unwrap_or_else(|| panic!("{settings:?} frame {frame}"));
        assert_eq!(reading.clip, painter.identity());
        assert_eq!(reading.lines, units.map(one), "{settings:?} frame {frame}");
    }
}

#[test]
fn every_size_scan_and_depth_is_read_back() {
    let film = ["2:3", "2:3:3:2"].map(|text| Pulldown::parse(text).unwrap());
    for (name, _) in SIZES.iter().filter(|(_, size)| size.height <= 1080 || cfg!(not(debug_assertions))) {
        for bit_depth in [8, 10] {
            let base = |scan| ClipSettings { bit_depth, ..clip(name, rate("29.97"), scan) };
            assert_read_back(&base(Scan::Progressive));
            assert_read_back(&base(Scan::TopFieldFirst));
            assert_read_back(&base(Scan::BottomFieldFirst));
            assert_read_back(&ClipSettings { pulldown: Some(film[0].clone()), ..base(Scan::TopFieldFirst) });
            assert_read_back(&ClipSettings {
                pulldown: Some(film[1].clone()),
                ..base(Scan::BottomFieldFirst)
            });
        }
    }
    for (width, height) in [(640, 480), (854, 480), (4096, 2160), (1440, 1080), (1152, 480), (4096, 1708)] {
        let size = Size { width, height, pixel_aspect: (1, 1) };
        assert_read_back(&ClipSettings { size, ..clip("480", rate("60"), Scan::Progressive) });
    }
}

#[test]
fn every_rate_is_read_back() {
    for (num, den) in RATES {
        assert_read_back(&clip("480", Rate::new(num, den).unwrap(), Scan::Progressive));
    }
}

#[test]
fn the_last_unit_of_the_longest_clip_is_read_back() {
    let frames = u64::from(evenbeat::clip_code::LENGTH_MAX);
    let mut painter =
        ClipPainter::new(&ClipSettings { frames, ..clip("480", rate("120"), Scan::Progressive) }).unwrap();
    let shape = painter.shape();
    assert_eq!(read(shape, painter.paint(frames - 1)).unwrap().lines, [one(frames - 1); 2]);
}

#[test]
fn painting_is_the_same_everywhere() {
    // Digests of this painter's own frames: they change only when the clip is meant to change.
    let film =
        ClipSettings { pulldown: Pulldown::parse("2:3"), ..clip("480", rate("29.97"), Scan::TopFieldFirst) };
    let ten = ClipSettings { bit_depth: 10, ..clip("576", rate("25"), Scan::BottomFieldFirst) };
    let mut digests = Vec::new();
    for settings in [clip("1080", rate("59.94"), Scan::Progressive), film, ten] {
        let mut painter = ClipPainter::new(&settings).unwrap();
        let mut hasher = blake3::Hasher::new();
        for frame in [0, 1, 2, 77, 4999] {
            hasher.update(painter.paint(frame));
        }
        digests.push(hasher.finalize().to_hex()[..16].to_owned());
        // In another order, from another frame on: what was painted before leaves no trace.
        let mut again = ClipPainter::new(&settings).unwrap();
        again.paint(4000);
        let late = again.paint(2).to_vec();
        assert!(late == painter.paint(2));
    }
    assert_eq!(digests, ["0fb3738d7bea034e", "548ca9c9996e099e", "51d6e43ad1b0d3d6"]);
}

/// Weights of units over both sets of lines, for a frame that shows a mix all over.
fn weight_of(lines: [Option<Lines>; 2], unit: u64) -> [f32; 2] {
    lines.map(|lines| {
        let lines = lines.expect("read");
        let (second, weight) = lines.second();
        match (u64::from(lines.first) == unit, u64::from(second) == unit) {
            (true, true) => 1.0,
            (true, false) => 1.0 - weight,
            (false, true) => weight,
            (false, false) => 0.0,
        }
    })
}

#[test]
fn mixes_give_both_pictures_and_the_weight() {
    let mut painter = ClipPainter::new(&clip("480", rate("60"), Scan::Progressive)).unwrap();
    let shape = painter.shape();
    for (first, second) in [(100, 101), (101, 102), (102, 103), (103, 104), (7, 9), (50, 53)] {
        for weight in [0.2, 0.25, 1.0 / 3.0, 0.4, 0.5, 0.6, 0.75, 0.8] {
            let mut samples = painter.paint(first).to_vec();
            mix(&mut samples, painter.paint(second), weight, shape.pixel_format);
            let lines = read(shape, &samples).expect("marks").lines;
            for (earlier, later) in weight_of(lines, first).into_iter().zip(weight_of(lines, second)) {
                assert!((later - weight).abs() < 0.02, "{first} {second} {weight}: {lines:?}");
                assert!((earlier + later - 1.0).abs() < 0.001, "{first} {second} {weight}: {lines:?}");
            }
        }
    }
    // Too far apart for any place to stay clean, or weighted so little that it may be coding error.
    for (first, second, weight) in [(100, 104, 0.5), (100, 1900, 0.5)] {
        let mut samples = painter.paint(first).to_vec();
        mix(&mut samples, painter.paint(second), weight, shape.pixel_format);
        assert_eq!(read(shape, &samples).map(|reading| reading.lines), None, "{first} {second}");
    }
}

/// Rows of an 8-bit luma plane rearranged: row `row` of the result is the mean of these two rows.
fn rearranged(shape: FrameShape, samples: &[u8], rows: impl Fn(usize) -> (usize, usize)) -> Vec<u8> {
    let (width, height) = (shape.width as usize, shape.height as usize);
    let mut out = samples.to_vec();
    for row in 0..height {
        let (a, b) = rows(row);
        for x in 0..width {
            let sum = u16::from(samples[a * width + x]) + u16::from(samples[b * width + x]);
            out[row * width + x] = (sum / 2) as u8;
        }
    }
    out
}

#[test]
fn fields_are_told_after_weaving_doubling_and_averaging() {
    for (scan, top, bottom) in [(Scan::TopFieldFirst, 20, 21), (Scan::BottomFieldFirst, 21, 20)] {
        let mut painter = ClipPainter::new(&clip("480", rate("29.97"), scan)).unwrap();
        let (shape, last) = (painter.shape(), painter.shape().height as usize - 1);
        let woven = painter.paint(10).to_vec();
        assert_eq!(read(shape, &woven).unwrap().lines, [one(top), one(bottom)]);
        let only_top = rearranged(shape, &woven, |row| (row / 2 * 2, row / 2 * 2));
        assert_eq!(read(shape, &only_top).unwrap().lines, [one(top); 2]);
        let only_bottom = rearranged(shape, &woven, |row| (row | 1, row | 1));
        assert_eq!(read(shape, &only_bottom).unwrap().lines, [one(bottom); 2]);
        let made_up = rearranged(shape, &woven, |row| match row % 2 {
            0 => (row, row),
            _ => (row - 1, (row + 1).min(last)),
        });
        assert_eq!(read(shape, &made_up).unwrap().lines, [one(top); 2]);
        let averaged = rearranged(shape, &woven, |row| (row, (row + 1).min(last)));
        let lines = read(shape, &averaged).unwrap().lines;
        for unit in [top, bottom] {
            assert!(weight_of(lines, unit).iter().all(|weight| (weight - 0.5).abs() < 0.02), "{lines:?}");
        }
    }
}

/// A part of an 8-bit picture with neutral colour.
fn cut(
    shape: FrameShape,
    samples: &[u8],
    (x, y): (usize, usize),
    (width, height): (usize, usize),
) -> (FrameShape, Vec<u8>) {
    let cut = FrameShape {
        width: width as u32,
        height: height as u32,
        pixel_format: PixelFormat { family: Family::Gray, bit_depth: 8 },
    };
    let stride = shape.width as usize;
    let rows = (y..y + height).flat_map(|row| samples[row * stride + x..][..width].iter().copied());
    (cut, rows.collect())
}

#[test]
fn marks_in_part_are_read_whole_or_not_at_all() {
    let mut painter = ClipPainter::new(&clip("480", rate("60"), Scan::Progressive)).unwrap();
    let shape = painter.shape();
    let (width, height) = (shape.width as usize, shape.height as usize);
    let samples = painter.paint(4321).to_vec();
    let (mut whole, mut none) = (0, 0);
    for part in 0..20 {
        let (x, y) = (width * part / 40, height * part / 40);
        for (origin, size) in [
            ((x, 0), (width - x, height)),
            ((0, 0), (width - x, height)),
            ((0, y), (width, height - y)),
            ((0, 0), (width, height - y)),
            ((x, y), (width - 2 * x, height - 2 * y)),
        ] {
            let (shape, samples) = cut(shape, &samples, origin, size);
            match read(shape, &samples) {
                None => none += 1,
                Some(reading) => {
                    assert_eq!(reading.lines, [one(4321); 2], "{origin:?} {size:?}");
                    whole += 1;
                }
            }
        }
    }
    // A tenth off any side, or off all sides, leaves the marks whole.
    assert!(whole >= 25 && none >= 25, "{whole} {none}");
    let (shape, cropped) = cut(shape, &samples, (width / 10, height / 10), (width * 8 / 10, height * 8 / 10));
    assert_eq!(read(shape, &cropped).unwrap().lines, [one(4321); 2]);
}

#[test]
fn an_overlay_never_makes_another_number() {
    let mut painter = ClipPainter::new(&clip("480", rate("60"), Scan::Progressive)).unwrap();
    let shape = painter.shape();
    let width = shape.width as usize;
    let mut dice = Dice::new(3);
    let mut readings = HashMap::new();
    for frame in 0..400 {
        let mut samples = painter.paint(frame).to_vec();
        for _ in 0..1 + frame % 4 {
            let (x, y) = (dice.below(600) as usize, dice.below(440) as usize);
            let (w, h) = (10 + dice.below(100) as usize, 4 + dice.below(30) as usize);
            let level = dice.below(256) as u8;
            for row in y..y + h {
                samples[row * width + x..row * width + x + w].fill(level);
            }
        }
        let lines = read(shape, &samples).map(|reading| reading.lines);
        for lines in lines.into_iter().flatten().flatten() {
            assert_eq!(Some(lines), one(frame));
        }
        *readings.entry(lines.is_some()).or_insert(0) += 1;
    }
    assert!(readings[&true] > 50 && readings[&false] > 50, "{readings:?}");
}

#[test]
fn noise_is_stood_and_never_makes_another_number() {
    let mut painter = ClipPainter::new(&clip("480", rate("60"), Scan::Progressive)).unwrap();
    let shape = painter.shape();
    let mut dice = Dice::new(5);
    for (spread, all_read) in [(24, true), (250, false)] {
        for frame in 0..30 {
            let mut samples = painter.paint(frame * 31).to_vec();
            for sample in &mut samples {
                let noise = dice.below(spread) as i16 - spread as i16 / 2;
                *sample = (i16::from(*sample) + noise).clamp(0, 255) as u8;
            }
            let lines = read(shape, &samples).map(|reading| reading.lines);
            assert!(lines.is_some() || !all_read, "frame {frame} at {spread}");
            for lines in lines.into_iter().flatten().flatten() {
                assert_eq!(Some(lines), one(frame * 31), "at {spread}");
            }
        }
    }
}

#[test]
fn pictures_without_marks_have_none() {
    let yuv = |bit_depth| PixelFormat { family: Family::Yuv { across: 1, down: 1 }, bit_depth };
    let harbour = Harbour::new(FrameShape { width: 640, height: 360, pixel_format: yuv(8) }, 1.0);
    let mut samples = Vec::new();
    for picture in 0..20 {
        harbour.paint(picture, &mut samples);
        assert_eq!(read(harbour.shape(), &samples), None);
    }
    let mut dice = Dice::new(9);
    for (width, height) in [(1, 1), (2, 3), (16_384, 1), (1, 16_384), (16_384, 3), (48, 7), (720, 480)] {
        for bit_depth in [8, 10, 16] {
            let shape = FrameShape { width, height, pixel_format: yuv(bit_depth) };
            let noise: Vec<u8> = (0..shape.byte_len()).map(|_| dice.below(256) as u8).collect();
            assert_eq!(read(shape, &noise), None, "{shape:?}");
            // Bars of all widths.
            let bars =
                (0..shape.byte_len()).map(|at| if at / (1 + at / 4000 % 40) % 2 == 0 { 30 } else { 200 });
            assert_eq!(read(shape, &bars.collect::<Vec<u8>>()), None, "{shape:?}");
        }
    }
}

#[test]
fn a_track_comes_of_the_readings() {
    let mut painter = ClipPainter::new(&clip("480", rate("29.97"), Scan::TopFieldFirst)).unwrap();
    let shape = painter.shape();
    let readings: Vec<_> = (0..6).map(|frame| read(shape, painter.paint(frame))).collect();
    let SourceTrack { places, clip_rate, .. } =
        evenbeat::alignment::marks::track(&readings, readings.len()).unwrap();
    assert_eq!(clip_rate, rate("59.94"));
    for (frame, place) in places.into_iter().enumerate() {
        let first = 2 * frame as u32;
        assert_eq!(place, SourcePlace::Woven { first, second: first + 1 });
    }
}

/// How often and where a clip flashes, by the published definitions.
///
/// WCAG 2.3.1: a general flash is a pair of opposing changes of relative luminance of 0.1 or more where the darker is
/// below 0.8; more than three within a second are allowed only where they take less than a quarter of any 10 degree of
/// the visual field, for which 341 × 256 of 1024 × 768 pixels stand: a third of the picture in both directions.
/// ITU-R BT.1702: opposing changes of 20 cd/m² or more, the darker below 160 cd/m², over more than a quarter of the
/// screen; the same tenth on a screen of 200 cd/m².
struct Flashes {
    /// Largest difference of relative luminance at any place over the clip.
    swing: f64,
    /// Largest share of any third by third of the picture that flashes more than three times within some second.
    area: f64,
    /// Largest share of red in any colour of a place that changes, R / (R + G + B) of linear light.
    red: f64,
}

/// Linear light of a channel, 0 to 1 (WCAG 2.x, relative luminance).
fn linear(value: f64) -> f64 {
    let value = value.clamp(0.0, 1.0);
    if value <= 0.03928 {
        value / 12.92
    } else {
        ((value + 0.055) / 1.055).powf(2.4)
    }
}

/// Linear R, G and B from limited-range Y, Cb and Cr (ITU-R BT.709-6, item 3).
fn light([y, blue, red]: [f64; 3]) -> [f64; 3] {
    let (y, blue, red) = ((y - 16.0) / 219.0, (blue - 128.0) / 224.0, (red - 128.0) / 224.0);
    let (r, b) = (y + 1.5748 * red, y + 1.8556 * blue);
    let g = (y - 0.2126 * r - 0.0722 * b) / 0.7152;
    [r, g, b].map(linear)
}

/// Looks at every `STEP`-th pixel in both directions; `change` is what counts as a change of relative luminance.
fn flashes(settings: &ClipSettings, frames: u64, change: f64) -> Flashes {
    const STEP: usize = 3;
    const PAIRS_MAX: usize = 3;
    let mut painter = ClipPainter::new(settings).unwrap();
    let (width, height) = (settings.size.width as usize, settings.size.height as usize);
    let (columns, rows) = (width / STEP, height / STEP);
    // Of each place: lowest and highest so far, the last turning point, whether it rises, and the frames of changes.
    #[derive(Clone)]
    struct Place {
        low: f64,
        high: f64,
        turn: f64,
        rises: Option<bool>,
        changes: Vec<u64>,
        flashes: bool,
        redness: f64,
    }
    let mut places: Vec<Place> = Vec::new();
    let mut known: HashMap<[u8; 3], (f64, f64)> = HashMap::new();
    let second = settings.rate.hz().ceil() as u64;
    for frame in 0..frames {
        let samples = painter.paint(frame);
        for at in 0..columns * rows {
            let (x, y) = (at % columns * STEP, at / columns * STEP);
            let chroma = width * height + y / 2 * (width / 2) + x / 2;
            let colour = [samples[y * width + x], samples[chroma], samples[chroma + width * height / 4]];
            let (luminance, redness) = *known.entry(colour).or_insert_with(|| {
                let [r, g, b] = light(colour.map(f64::from));
                (0.2126 * r + 0.7152 * g + 0.0722 * b, r / (r + g + b).max(1e-9))
            });
            if frame == 0 {
                let (low, high, turn) = (luminance, luminance, luminance);
                let (rises, changes, flashes) = (None, Vec::new(), false);
                places.push(Place { low, high, turn, rises, changes, flashes, redness });
                continue;
            }
            let place = &mut places[at];
            place.redness = place.redness.max(redness);
            place.low = place.low.min(luminance);
            place.high = place.high.max(luminance);
            let (from, to) = (place.turn, luminance);
            match place.rises {
                // Farther in the same direction: the peak or valley moves on.
                Some(true) if to > from => place.turn = to,
                Some(false) if to < from => place.turn = to,
                _ if (to - from).abs() >= change && to.min(from) < 0.8 => {
                    place.rises = Some(to > from);
                    place.turn = to;
                    place.changes.push(frame);
                    // More than three pairs are seven changes or more within a second; six would be three pairs.
                    let recent = place.changes.iter().filter(|&&at| at + second > frame).count();
                    place.flashes |= recent > 2 * PAIRS_MAX;
                }
                _ => {}
            }
        }
    }
    // What never changes cannot flash, however red it is.
    let changing = places.iter().filter(|place| place.high > place.low);
    let red = changing.map(|place| place.redness).fold(0.0, f64::max);
    let swing = places.iter().map(|place| place.high - place.low).fold(0.0, f64::max);
    let (window, window_rows) = (columns / 3, rows / 3);
    let mut area: f64 = 0.0;
    for top in (0..=rows - window_rows).step_by(4) {
        for left in (0..=columns - window).step_by(4) {
            let flashing = (top..top + window_rows)
                .flat_map(|row| &places[row * columns + left..][..window])
                .filter(|place| place.flashes)
                .count();
            area = area.max(flashing as f64 / (window * window_rows) as f64);
        }
    }
    Flashes { swing, area, red }
}

#[test]
fn the_clip_does_not_flash_by_the_published_definitions() {
    let film =
        ClipSettings { pulldown: Pulldown::parse("2:3"), ..clip("480", rate("29.97"), Scan::TopFieldFirst) };
    for settings in [
        clip("480", rate("24"), Scan::Progressive),
        clip("480", rate("60"), Scan::Progressive),
        clip("480", rate("120"), Scan::Progressive),
        clip("576", rate("25"), Scan::TopFieldFirst),
        film,
    ] {
        let two_seconds = (2.0 * settings.rate.hz()) as u64;
        let Flashes { swing, area, red } = flashes(&settings, two_seconds, 0.1);
        println!(
            "{} {}: swing {swing:.4}, area {area:.4}, red {red:.3}",
            settings.rate,
            settings.scan.name()
        );
        assert!(swing < 0.1, "{settings:?}: {swing}");
        assert_eq!(area, 0.0, "{settings:?}");
        // Saturated red begins at 0.8 (WCAG 2.2, working definition after ISO 9241-391).
        assert!(red < 0.8, "{settings:?}: {red}");
        // A screen that doubles the contrast: the area still is what both allow.
        let doubled = flashes(&settings, two_seconds, 0.05);
        println!("    at half the change: area {:.4}", doubled.area);
        assert!(doubled.area < 0.25, "{settings:?}: {}", doubled.area);
    }
}

#[test]
fn the_measure_of_flashes_sees_flashes() {
    // Light taken as flashing from a quarter of the painted change on: cells of the marks and the cloth are.
    let flashing = flashes(&clip("480", rate("60"), Scan::Progressive), 120, 0.025);
    assert!(flashing.area > 0.02, "{}", flashing.area);
}
