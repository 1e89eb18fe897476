//! Naive twins judge the fast kernels; closed forms and published values judge both.

use super::*;
use crate::frame::{Family, FrameShape, FrameTiming, PixelFormat, Rect};
use crate::settings::ViewSettings;

/// Seeded noise: the same on every run.
struct Noise(u64);

impl Noise {
    fn next(&mut self) -> u64 {
        self.0 ^= self.0 << 13;
        self.0 ^= self.0 >> 7;
        self.0 ^= self.0 << 17;
        self.0 >> 11
    }
}

fn noisy_frame(shape: FrameShape, seed: u64) -> Vec<u8> {
    let (mut noise, depth) = (Noise(seed * 0x9e37_79b9 + 1), shape.pixel_format.bit_depth);
    match shape.pixel_format.bytes_per_sample() {
        1 => (0..shape.byte_len()).map(|_| noise.next() as u8).collect(),
        _ => (0..shape.byte_len() / 2)
            .flat_map(|_| ((noise.next() % (1 << depth)) as u16).to_le_bytes())
            .collect(),
    }
}

fn gray(width: u32, height: u32) -> FrameShape {
    FrameShape { width, height, pixel_format: PixelFormat { family: Family::Gray, bit_depth: 8 } }
}

fn fingerprints(shape: FrameShape, view: &ViewSettings, frames: &[Vec<u8>]) -> Vec<FrameFingerprint> {
    let plan = ViewPlan::new(shape, view);
    let mut packed = frames.to_vec();
    packed.iter_mut().for_each(|frame| plan.pack(frame));
    let (mut meter, mut sequencer) = (FrameMeter::default(), Sequencer::default());
    let mut spent = ReducedPicture::default();
    (0..packed.len())
        .map(|n| {
            let previous = n.checked_sub(1).map(|n| &packed[n][..]);
            let measures = meter.measure(&plan, &packed[n], previous, std::mem::take(&mut spent));
            let (fingerprint, picture) = sequencer.push(FrameTiming::default(), measures);
            spent = picture.unwrap_or_default();
            fingerprint
        })
        .collect()
}

fn whole(shape: FrameShape, frames: &[Vec<u8>]) -> Vec<FrameFingerprint> {
    fingerprints(shape, &ViewSettings::default(), frames)
}

/// One plane of a view, sample by sample: value, and whether it is looked at.
struct NaivePlane {
    width: usize,
    samples: Vec<(u32, bool)>,
}

fn naive_planes(shape: FrameShape, view: &ViewSettings, frame: &[u8]) -> Vec<NaivePlane> {
    let bytes = shape.pixel_format.bytes_per_sample();
    let planes = shape.planes().enumerate().map(|(index, plane)| {
        let (across, down) = match shape.pixel_format.family {
            Family::Yuv { across, down } if index > 0 => (across, down),
            _ => (0, 0),
        };
        let touches = |rect: &Rect, x: usize, y: usize| {
            (0..1usize << across).any(|dx| {
                let pixel = (x << across) + dx;
                pixel >= rect.x as usize && pixel < (rect.x + rect.width) as usize
            }) && (0..1usize << down).any(|dy| {
                let pixel = (y << down) + dy;
                pixel >= rect.y as usize && pixel < (rect.y + rect.height) as usize
            })
        };
        let mut samples = Vec::new();
        let mut width = 0;
        for y in 0..plane.height {
            let before = samples.len();
            for x in 0..plane.width {
                if view.region.is_some_and(|region| !touches(&region, x, y)) {
                    continue;
                }
                let at = plane.offset + (y * plane.width + x) * bytes;
                let value = (0..bytes).map(|byte| u32::from(frame[at + byte]) << (8 * byte)).sum::<u32>();
                let shown = !view.exclude.iter().any(|rect| touches(rect, x, y));
                samples.push((if shown { value } else { 0 }, shown));
            }
            width = width.max(samples.len() - before);
        }
        NaivePlane { width, samples }
    });
    planes.collect()
}

/// Mean absolute difference of each block that counts, and its place in the grid of blocks.
fn naive_blocks(current: &NaivePlane, previous: &NaivePlane, depth: u8) -> Vec<((usize, usize), f64)> {
    let height = current.samples.len() / current.width;
    let mut blocks = Vec::new();
    for row in 0..height.div_ceil(16) {
        for column in 0..current.width.div_ceil(16) {
            let (mut sum, mut count) = (0.0, 0);
            for y in row * 16..(row * 16 + 16).min(height) {
                for x in column * 16..(column * 16 + 16).min(current.width) {
                    let at = y * current.width + x;
                    sum += (f64::from(current.samples[at].0) - f64::from(previous.samples[at].0)).abs();
                    count += u32::from(current.samples[at].1);
                }
            }
            if count > 0 {
                blocks.push(((row, column), sum / f64::from(count) / f64::from(1 << (depth - 8))));
            }
        }
    }
    blocks
}

fn largest(blocks: &[((usize, usize), f64)]) -> f64 {
    blocks.iter().map(|block| block.1).fold(0.0, f64::max)
}

fn assert_near(found: f32, expected: f64, tolerance: f64, what: &str) {
    let error = (f64::from(found) - expected).abs();
    assert!(error <= tolerance * expected.abs().max(1.0), "{what}: {found}, expected {expected}");
}

fn assert_like_twin(shape: FrameShape, view: &ViewSettings) {
    let what = format!("{}x{} {} {view:?}", shape.width, shape.height, shape.pixel_format);
    let depth = shape.pixel_format.bit_depth;
    let frames = [noisy_frame(shape, 1), noisy_frame(shape, 2)];
    let found = &fingerprints(shape, view, &frames)[1];
    let [previous, current] = frames.each_ref().map(|frame| naive_planes(shape, view, frame));

    let bytes_per_sample = shape.pixel_format.bytes_per_sample();
    let samples = current.iter().flat_map(|plane| &plane.samples);
    let bytes: Vec<u8> =
        samples.flat_map(|(value, _)| value.to_le_bytes()[..bytes_per_sample].to_vec()).collect();
    assert_eq!(found.digest, *blake3::hash(&bytes).as_bytes(), "{what}");

    let luma = naive_blocks(&current[0], &previous[0], depth);
    assert_near(found.luma_change, largest(&luma), 1e-6, &what);
    let chroma = (1..current.len()).flat_map(|plane| naive_blocks(&current[plane], &previous[plane], depth));
    assert_near(found.chroma_change, largest(&chroma.collect::<Vec<_>>()), 1e-6, &what);
}

const FAMILIES: [Family; 6] = [
    Family::Gray,
    Family::Yuv { across: 0, down: 0 },
    Family::Yuv { across: 1, down: 0 },
    Family::Yuv { across: 1, down: 1 },
    Family::Yuv { across: 2, down: 2 },
    Family::Gbr,
];

/// Sizes about the edges of blocks, strips and vectors, and smaller than every grid.
const SIZES: [(u32, u32); 10] =
    [(1, 1), (2, 3), (15, 17), (16, 16), (17, 15), (31, 33), (63, 65), (130, 47), (500, 34), (2068, 17)];

#[test]
fn every_size_depth_and_family_is_measured_like_the_naive_twin() {
    for (width, height) in SIZES {
        for family in FAMILIES {
            for bit_depth in PixelFormat::BIT_DEPTH_MIN..=PixelFormat::BIT_DEPTH_MAX {
                let shape = FrameShape { width, height, pixel_format: PixelFormat { family, bit_depth } };
                assert_like_twin(shape, &ViewSettings::default());
            }
        }
    }
}

#[test]
fn regions_and_excluded_parts_are_measured_like_the_naive_twin() {
    let rect = |text| Rect::parse(text).unwrap();
    for (region, exclude) in [
        (Some("3,5,61,39"), vec![]),
        (Some("64,0,1,1"), vec![]),
        (None, vec!["16,16,32,16"]),
        (None, vec!["7,9,1,1", "30,0,50,21", "35,10,50,30"]),
        (Some("9,3,80,50"), vec!["0,0,30,30", "88,52,9,9"]),
    ] {
        for family in FAMILIES {
            for bit_depth in [8, 10, 16] {
                let pixel_format = PixelFormat { family, bit_depth };
                let view = ViewSettings {
                    region: region.map(rect),
                    exclude: exclude.iter().copied().map(rect).collect(),
                };
                assert_like_twin(FrameShape { width: 97, height: 61, pixel_format }, &view);
            }
        }
    }
}

#[test]
fn what_is_excluded_does_not_count() {
    let shape = FrameShape {
        width: 64,
        height: 64,
        pixel_format: PixelFormat { family: Family::Yuv { across: 1, down: 1 }, bit_depth: 8 },
    };
    let still = noisy_frame(shape, 5);
    let mut moving = still.clone();
    // Luma pixel 20,20 and the chroma samples over it.
    for at in [20 * 64 + 20, 64 * 64 + 10 * 32 + 10, 64 * 64 + 32 * 32 + 10 * 32 + 10] {
        moving[at] ^= 0x80;
    }
    let frames = [still, moving];
    let seen = &whole(shape, &frames)[1];
    assert!(seen.luma_change > 0.0 && seen.chroma_change > 0.0);
    // Chroma sample 10,10 covers luma 20 and 21: excluding pixel 20 alone hides it as well.
    let view = ViewSettings { region: None, exclude: vec![Rect { x: 20, y: 20, width: 1, height: 1 }] };
    let hidden = fingerprints(shape, &view, &frames);
    assert_eq!(hidden[0].digest, hidden[1].digest);
    assert_eq!((hidden[1].luma_change, hidden[1].chroma_change), (0.0, 0.0));
    assert_eq!(hidden[1].reduced, no_change(&hidden[0].reduced));
}

#[test]
fn digests_are_the_published_ones() {
    // BLAKE3 test vectors, github.com/BLAKE3-team/BLAKE3 test_vectors/test_vectors.json: input bytes
    // 0, 1 … 250, 0, 1 …
    for (length, expected) in [
        (0, "af1349b9f5f9a1a6a0404dea36dcc9499bcb25c9adc112b7cc9a93cae41f3262"),
        (1, "2d3adedff11b61f14c886e35afa036736dcd87a74d27b5c1510225d0f592e213"),
        (64, "4eed7141ea4a5cd4b788606bd23f46e212af9cacebacdc7d1f4c6dc7f2511b98"),
        (1023, "10108970eeda3eb932baac1428c7a2163b0e924c9a9e25b35bba72b28f70bd11"),
        (1024, "42214739f095a406f3fc83deb889744ac00df831c10daa55189b5d121c855af7"),
        (1025, "d00278ae47eb27b34faecf67b4fe263f82d5412916c1ffd97c8cb7fb814b8444"),
        (8193, "bab6c09cb8ce8cf459261398d2e7aef35700bf488116ceb94a36d0f5f1b7bc3b"),
        (31744, "62b6960e1a44bcc1eb1a611a8d6235b6b4b78f32e7abc4fb4c6cdcce94895c47"),
        (102400, "bc3e3d41a1146b069abffad3c0d44860cf664390afce4d9661f7902e7943e085"),
    ] {
        let input: Vec<u8> = (0..length).map(|at| (at % 251) as u8).collect();
        let found: String = digest(&input).iter().map(|byte| format!("{byte:02x}")).collect();
        assert_eq!(found, expected, "{length} bytes");
        if length > 0 {
            // A frame of these samples has this digest.
            let found = &whole(gray(length as u32, 1), &[input])[0];
            assert_eq!(found.digest.map(|byte| format!("{byte:02x}")).concat(), expected);
        }
    }
}

/// Pictures of more bytes than are hashed at a time, about the edges of those pieces.
#[test]
fn digests_of_large_pictures_are_those_of_their_bytes_in_one() {
    const PIECE: u32 = 256 * 1024;
    for (width, height) in [(PIECE, 1), (PIECE / 16, 16), (PIECE / 16, 33), (1000, 600), (PIECE / 4 + 1, 8)] {
        let frame = noisy_frame(gray(width, height), 5);
        assert_eq!(
            whole(gray(width, height), std::slice::from_ref(&frame))[0].digest,
            *blake3::hash(&frame).as_bytes()
        );
    }
}

/// A share `f` of the pixels changes by `d`: the mean change is f·d, the mean square f·d², though the
/// spatial deviation |d|·√(f(1−f)) (ITU-T P.910 TI, derived from its definition) is 0 for f = 1.
#[test]
fn a_share_of_pixels_that_changes_is_measured_exactly() {
    for (changed_per_ten, step) in [(0, 7), (5, 10), (1, 100), (10, 20), (10, 1)] {
        let shape = gray(320, 160);
        let before = vec![50u8; shape.byte_len()];
        let mut after = before.clone();
        // Ten-pixel runs do not line up with blocks, but 160 rows of 320 hold whole runs.
        for (at, sample) in after.iter_mut().enumerate() {
            if (at % 10) < changed_per_ten {
                *sample += step;
            }
        }
        let (share, step) = (changed_per_ten as f64 / 10.0, f64::from(step));
        let found = &whole(shape, &[before, after])[1];
        let what = format!("share {share} step {step}");
        assert_near(found.reduced.offset, share * step, 1e-6, &what);
        assert_near(found.reduced.energy, share * step * step, 1e-6, &what);
        if share == 1.0 {
            // A uniform step is a change, and not of the kind that noise makes.
            assert_near(found.luma_change, step, 1e-6, &what);
            assert_eq!(found.reduced.fine_energy, 0.0);
        }
    }
}

#[test]
fn fine_energy_is_what_a_three_by_three_mean_removes() {
    let mut noise = Noise(77);
    for (width, height) in [(3usize, 3usize), (18, 4), (19, 5), (35, 9), (2, 9)] {
        let difference: Vec<i16> =
            (0..width * height).map(|_| (noise.next() % 20000) as i16 - 10000).collect();
        let mut expected = 0.0;
        for y in 1..height - 1 {
            for x in 1..width.max(2) - 1 {
                let around = |dy: usize, dx: usize| f64::from(difference[(y + dy - 1) * width + x + dx - 1]);
                let mean = (0..9).map(|at| around(at / 3, at % 3)).sum::<f64>() / 9.0;
                expected += (around(1, 1) - mean).powi(2) / 64.0f64.powi(2);
            }
        }
        expected /= ((width.max(3) - 2) * (height - 2)) as f64;
        let found = change::fine_energy(&difference, width, &mut Vec::new());
        assert_near(found, if width < 3 { 0.0 } else { expected }, 1e-5, "fine energy");
    }
}

#[test]
fn reduced_pictures_are_box_means() {
    // Factors 1 to 6 and the special path with its rest, in one stripe of 16 rows (48 for factor 6) and
    // several; 8 and 16 bit.
    for (width, height, bit_depth) in [
        (480, 5, 8),
        (481, 7, 8),
        (961, 7, 12),
        (1441, 9, 8),
        (1926, 10, 8),
        (1925, 9, 16),
        (1926, 11, 9),
        (2000, 12, 8),
        (1920, 70, 8),
        (2450, 101, 8),
        (961, 67, 10),
    ] {
        let shape =
            FrameShape { width, height, pixel_format: PixelFormat { family: Family::Gray, bit_depth } };
        let frame = noisy_frame(shape, 3);
        let plan = ViewPlan::new(shape, &ViewSettings::default());
        let picture = FrameMeter::default().measure(&plan, &frame, None, ReducedPicture::default()).reduced;
        let luma = &naive_planes(shape, &ViewSettings::default(), &frame)[0].samples;
        let (width, height, factor) = (width as usize, height as usize, (width as usize).div_ceil(480));
        let full = &picture.levels[0];
        assert_eq!((full.width, full.height), (width.div_ceil(factor), height.div_ceil(factor)));
        for (at, &found) in full.values.iter().enumerate() {
            let (left, top) = (at % full.width * factor, at / full.width * factor);
            let (mut sum, mut count) = (0.0, 0.0);
            for y in top..(top + factor).min(height) {
                for x in left..(left + factor).min(width) {
                    sum += f64::from(luma[y * width + x].0);
                    count += 1.0;
                }
            }
            let expected = sum / count * 64.0 / f64::from(1u32 << (bit_depth - 8));
            assert!((f64::from(found) - expected).abs() <= 0.502, "{width} {bit_depth}: {found} {expected}");
        }
    }
}

#[test]
fn signature_cells_cover_every_pixel() {
    let shape = gray(120, 80);
    let frame: Vec<u8> = (0..120 * 80).map(|at| ((at % 120) / 10 + (at / 1200) * 12) as u8).collect();
    let found = whole(shape, &[frame])[0].signature;
    let expected: Signature = std::array::from_fn(|cell| 64 * cell as u16);
    assert_eq!(found, expected);
    assert!(whole(gray(1, 1), &[vec![7]])[0].signature.iter().all(|&cell| cell == 7 * 64));
}

/// Band-limited texture at a place in pixels: waves of 11 to 300 pixels in many directions.
fn texture(x: f64, y: f64) -> f64 {
    let waves = (0..14).map(|wave| {
        let length = 11.0 * 1.29f64.powi(wave);
        let angle = f64::from(wave) * 2.4;
        let phase = (x * angle.cos() + y * angle.sin()) / length * std::f64::consts::TAU;
        (phase + f64::from(wave * wave)).sin() * (2.0 + f64::from(wave) * 0.6)
    });
    128.0 + waves.sum::<f64>()
}

/// A pan by a whole number of 64ths of a pixel per frame.
fn pan(shape: FrameShape, shift: (f64, f64)) -> Vec<u8> {
    let width = shape.width as usize;
    (0..shape.byte_len())
        .map(|at| texture((at % width) as f64 - shift.0, (at / width) as f64 - shift.1).round() as u8)
        .collect()
}

#[test]
fn runs_give_the_same_wherever_they_begin() {
    let shape = gray(640, 360);
    // A pan; a jump beyond the reach of the search, which is looked for only where there was motion just before; a cut,
    // where no motion is found; a second cut, after which nothing is looked for; a repeat; the pan again.
    let places = [0.0, 4.0, 8.0, 188.0, 192.0, 7000.0, 19_000.0, 19_000.0, 19_004.0, 19_184.0, 19_004.0];
    let frames: Vec<Vec<u8>> = places.map(|x| pan(shape, (x, x / 9.0))).into();
    let expected = whole(shape, &frames);
    assert!((expected[3].reduced.motion_x - 180.0).abs() < 2.0, "the jump: {:?}", expected[3].reduced);
    let plan = ViewPlan::new(shape, &ViewSettings::default());
    for second in 1..frames.len() {
        let (mut meter, mut sequencer) = (RunMeter::default(), Sequencer::default());
        let mut found = Vec::new();
        for run in [0..second, second..frames.len()] {
            meter.begin();
            (run.start.saturating_sub(RunMeter::LEAD_IN as usize)..run.start)
                .for_each(|frame| meter.lead_in(&plan, &frames[frame]));
            for frame in run {
                let previous = frame.checked_sub(1).map(|frame| &frames[frame][..]);
                let measured = meter.measure(&plan, &mut &frames[frame][..], previous);
                found.push(sequencer.push_compared(measured));
            }
        }
        let differs = found.iter().zip(&expected).position(|(found, expected)| found != expected);
        assert_eq!(differs, None, "a run that begins with frame {second}");
    }
}

/// Mean square that rounding leaves in the difference of two reduced pictures: 1/12 for each of two whole
/// code values, averaged over boxes of 4 samples.
const ROUNDING_ENERGY: f32 = 2.0 / 12.0 / 4.0;
/// Largest error of the motion in reduced pixels that a pan may show.
const PAN_TOLERANCE: f32 = 0.1;

#[test]
fn pans_are_measured_to_a_tenth_of_a_reduced_pixel() {
    // Two pixels per reduced pixel: 0.125 to 16 pixels here are 0.25 to 32 on a 1920-pixel picture.
    let shape = gray(640, 360);
    let still = pan(shape, (0.0, 0.0));
    let mut worst = 0.0f32;
    for (x, y) in [
        (0.125, 0.0),
        (0.5, -0.25),
        (1.0, 0.0),
        (-1.5, 1.0),
        (2.0, 0.0),
        (3.0, -3.0),
        (5.0, 0.5),
        (7.0, 4.0),
        (-11.0, 0.0),
        (0.0, 13.0),
        (16.0, 0.0),
        (-16.0, -9.0),
        (30.0, 3.0),
    ] {
        let found = whole(shape, &[still.clone(), pan(shape, (x, y))])[1].reduced;
        let error = (found.motion_x - x as f32).abs().max((found.motion_y - y as f32).abs()) / 2.0;
        println!("{x:>7} {y:>6}: {found:?} error {error:.4}");
        worst = worst.max(error);
        assert!(found.motion_peak > 0.8, "{x},{y}: {found:?}");
        assert!(found.unexplained < 0.2 * found.energy + ROUNDING_ENERGY, "{x},{y}: {found:?}");
    }
    println!("largest error {worst} reduced pixels");
    assert!(worst <= PAN_TOLERANCE, "{worst}");
}

#[test]
fn a_moving_object_outvotes_the_background_behind_it() {
    let shape = gray(640, 360);
    let scene = |shift: f64| {
        let mut frame = pan(shape, (0.0, 0.0));
        for y in 100..230 {
            for x in 200..400 {
                let sample = &mut frame[y * 640 + x + shift as usize];
                *sample = texture(x as f64 * 1.3 + 900.0, y as f64 * 1.3).round() as u8;
            }
        }
        frame
    };
    for shift in [2.0, 8.0, 14.0] {
        let found = whole(shape, &[scene(0.0), scene(shift)])[1].reduced;
        assert!(
            (found.motion_x - shift as f32).abs() < 0.4 && found.motion_y.abs() < 0.4,
            "{shift}: {found:?}"
        );
    }
}

#[test]
fn noise_is_fine_and_unexplained_motion_is_neither() {
    let shape = gray(640, 360);
    let still = pan(shape, (0.0, 0.0));
    let mut noise = Noise(9);
    let noisy: Vec<u8> = still.iter().map(|&sample| sample - 3 + (noise.next() % 7) as u8).collect();
    let frames = [still.clone(), noisy, pan(shape, (1.0, 0.0))];
    let found = whole(shape, &frames);
    let (repeat, moved) = (found[1].reduced, whole(shape, &[still, frames[2].clone()])[1].reduced);
    assert!(repeat.fine_energy > 0.7 * repeat.energy, "{repeat:?}");
    assert!(repeat.unexplained > 0.7 * repeat.energy, "{repeat:?}");
    assert!(repeat.motion_x.abs() < 0.1 && repeat.motion_y.abs() < 0.1, "{repeat:?}");
    assert!(moved.fine_energy < 0.2 * moved.energy, "{moved:?}");
    assert!(moved.unexplained < 0.1 * moved.energy, "{moved:?}");
    // Two back from frame 2 is the still picture: what the pair alone measures.
    assert_eq!(found[2].reduced.energy_two_back, moved.energy);
}

/// A blend b = a·A + (1−a)·B lies on the way from A to B: the distances are parts of the whole.
#[test]
fn the_three_energies_show_a_blend() {
    let shape = gray(640, 360);
    let (first, last) = (pan(shape, (0.0, 0.0)), pan(shape, (6.0, 0.0)));
    let blend: Vec<u8> = first
        .iter()
        .zip(&last)
        .map(|(&a, &b)| (f64::from(a) * 0.25 + f64::from(b) * 0.75).round() as u8)
        .collect();
    let found = whole(shape, &[first, blend, last]);
    let ratio = |energy: f32| f64::from(energy / found[2].reduced.energy_two_back).sqrt();
    assert_near(ratio(found[1].reduced.energy) as f32, 0.75, 0.01, "first step");
    assert_near(ratio(found[2].reduced.energy) as f32, 0.25, 0.01, "second step");
}

/// What a picture with the detail of `same` measures against itself.
fn no_change(same: &ReducedChange) -> ReducedChange {
    ReducedChange { detail: same.detail, ..ReducedChange::default() }
}

#[test]
fn equal_frames_are_equal_in_every_measure() {
    for size in SIZES {
        let shape = gray(size.0, size.1);
        let frame = noisy_frame(shape, 4);
        let found = whole(shape, &[frame.clone(), frame.clone(), frame]);
        for fingerprint in &found {
            assert_eq!(fingerprint.digest, found[0].digest);
            assert_eq!(fingerprint.luma_change, 0.0);
            assert_eq!(fingerprint.reduced, no_change(&found[0].reduced));
        }
    }
}

const EVERY_TILE: fields::Chosen = fields::Chosen { top: 0, first: 0, every: 1, unit: 1.0 };

/// The ten sums of one column of a tile in plain arithmetic, from the text of the measures.
fn naive_column(now: [i64; 8], before: [i64; 8]) -> [i64; 10] {
    let weighted =
        |rows: [i64; 8], weights: [i64; 8]| rows.iter().zip(weights).map(|(a, b)| a * b).sum::<i64>();
    let (top, bottom) = ([1, 0, 4, 0, 4, 0, 3, 0], [0, 3, 0, 4, 0, 4, 0, 1]);
    let third = |a: usize| (now[a] - 3 * now[a + 2] + 3 * now[a + 4] - now[a + 6]).abs();
    let bend = |row: usize| (2 * now[row] - now[row - 1] - now[row + 1]).abs();
    let step = |row: usize| (now[row] - now[row + 1]).abs();
    [
        (weighted(now, top) - weighted(before, top)).abs(),
        (weighted(now, bottom) - weighted(before, bottom)).abs(),
        (weighted(now, top) - weighted(now, bottom)).abs(),
        (weighted(now, top) - weighted(before, bottom)).abs(),
        (weighted(now, bottom) - weighted(before, top)).abs(),
        third(0) + third(1),
        bend(2) + bend(4) + bend(6),
        bend(1) + bend(3) + bend(5),
        step(0) + step(2) + step(4) + step(6),
        step(1) + step(3) + step(5),
    ]
}

#[test]
fn tile_kernels_match_their_naive_twin() {
    let mut noise = Noise(77);
    for width in [32, 33, 63, 64, 200] {
        for bits in [8, 10, 16] {
            let mut plane = || -> Vec<u16> {
                (0..8 * width).map(|_| (noise.next() & ((1 << bits) - 1)) as u16).collect()
            };
            let (now, before) = (plane(), plane());
            let mut found = Vec::new();
            if bits == 8 {
                let bytes = |plane: &[u16]| plane.iter().map(|&value| value as u8).collect::<Vec<u8>>();
                fields::tile_sums_8(&bytes(&now), &bytes(&before), width, EVERY_TILE, &mut found);
            } else {
                let bytes =
                    |plane: &[u16]| plane.iter().flat_map(|value| value.to_le_bytes()).collect::<Vec<u8>>();
                fields::tile_sums_16(&bytes(&now), &bytes(&before), width, EVERY_TILE, &mut found);
            }
            assert_eq!(found.len(), width / 32);
            for (tile, found) in found.iter().enumerate() {
                let mut sums = [0; 10];
                for column in tile * 32..tile * 32 + 32 {
                    let rows =
                        |plane: &[u16]| std::array::from_fn(|row| i64::from(plane[row * width + column]));
                    let added = naive_column(rows(&now), rows(&before));
                    sums.iter_mut().zip(added).for_each(|(sum, value)| *sum += value);
                }
                let found: Vec<i64> =
                    found.fit.iter().chain(&found.rows).map(|&sum| i64::from(sum)).collect();
                assert_eq!(found, sums, "width {width}, {bits} bit");
            }
        }
    }
}

/// Derived: a comb of contrast C where an upright edge moved by w pixels between the fields has C in w columns and
/// nothing elsewhere; a progressive picture has nothing.
#[test]
fn a_woven_edge_has_its_contrast_in_the_columns_it_moved_over() {
    const CONTRAST: u8 = 80;
    let edge =
        |row: usize, column: usize, at: [usize; 2]| if column < at[row % 2] { 50 } else { 50 + CONTRAST };
    let paint =
        |at: [usize; 2]| -> Vec<u8> { (0..64 * 64).map(|index| edge(index / 64, index % 64, at)).collect() };
    let within = |at: [usize; 2]| {
        let mut sums = Vec::new();
        fields::tile_sums_8(&paint(at)[..8 * 64], &paint([5, 5])[..8 * 64], 64, EVERY_TILE, &mut sums);
        sums.iter().map(|tile| tile.fit[2]).sum::<u32>()
    };
    for moved in 0..12 {
        assert_eq!(within([20 + moved, 20]), 12 * u32::from(CONTRAST) * moved as u32);
        assert_eq!(within([20 + moved, 20 + moved]), 0);
    }
}

/// Which field is which does not depend on where a region begins, and a field that repeats is proven.
#[test]
fn fields_keep_their_names_in_regions_that_begin_between() {
    let shape = gray(320, 65);
    let whole = noisy_frame(shape, 5);
    let mut top_changed = whole.clone();
    for row in (0..65).step_by(2) {
        top_changed[row * 320..(row + 1) * 320].iter_mut().for_each(|sample| *sample = 255 - *sample);
    }
    for y in 0..4 {
        let view =
            ViewSettings { region: Some(Rect { x: 0, y, width: 320, height: 60 }), exclude: Vec::new() };
        let found = &fingerprints(shape, &view, &[whole.clone(), top_changed.clone()])[1].fields;
        assert_eq!((found.top_unchanged, found.bottom_unchanged), (false, true), "region from row {y}");
        assert!(found.luma.top_motion.value() > 0.0 && found.luma.bottom_motion.value() == 0.0);
        let same = &fingerprints(shape, &view, &[whole.clone(), whole.clone()])[1].fields;
        assert!(same.top_unchanged && same.bottom_unchanged);
    }
}

/// The signature of one field by `cells`, which is measured by itself.
fn field_means(shape: FrameShape, frame: &[u8], first: usize) -> Signature {
    let plan = ViewPlan::new(shape, &ViewSettings::default());
    let reduced::CellSamples { columns, rows } = reduced::cell_samples(&plan);
    let [columns, rows] = [columns, rows].map(|cells| {
        let last = cells.last().map_or(0, |cell| cell.1);
        cells.iter().map(|cell| cell.0).chain([last]).map(|border| border as f64).collect()
    });
    let lines = cells::Lines::EverySecond(first);
    cells::cell_means(shape, frame, &cells::CellBorders { columns, rows }, lines)
}

#[test]
fn signatures_of_both_fields_follow_from_that_of_the_frame() {
    for (width, height, bit_depth) in
        [(96, 64, 8), (97, 63, 8), (640, 360, 8), (1280, 720, 8), (200, 120, 10)]
    {
        let shape =
            FrameShape { width, height, pixel_format: PixelFormat { family: Family::Gray, bit_depth } };
        let frame = noisy_frame(shape, u64::from(width));
        let [top, bottom] = [0, 1].map(|first| field_means(shape, &frame, first));
        let found = whole(shape, &[frame])[0].parity_difference;
        for cell in 0..found.len() {
            let exact = (f32::from(top[cell]) - f32::from(bottom[cell])) / 2.0;
            assert!((f32::from(found[cell]) - exact).abs() <= 1.01, "{width}x{height} cell {cell}");
        }
    }
}

#[test]
fn parities_of_a_region_are_those_of_the_whole_picture() {
    let shape = gray(96, 66);
    // Rows of the top field are bright.
    let frame: Vec<u8> = (0..96 * 66).map(|at| if at / 96 % 2 == 0 { 200 } else { 100 }).collect();
    for y in [0, 1] {
        let view =
            ViewSettings { region: Some(Rect { x: 0, y, width: 96, height: 64 }), exclude: Vec::new() };
        let found = fingerprints(shape, &view, std::slice::from_ref(&frame))[0].parity_difference;
        assert!(found.iter().all(|&cell| cell == 50 * 64), "{y}: {found:?}");
    }
}
