use super::*;
use crate::classify::{Advance, Evidence};
use crate::demo::schedule::{self, Shown};
use crate::fingerprint::{Digest, ReducedChange};
use crate::units::Rate;

/// Energy of two pictures of a textured surface `pixels` apart, code values squared: as a Gaussian
/// autocorrelation has it.
fn energy_at(pixels: f32) -> f32 {
    400.0 * (1.0 - (-pixels * pixels / 200.0).exp())
}

fn digest_of(picture: i64) -> Digest {
    let mut digest = [0; 32];
    digest[..8].copy_from_slice(&picture.to_le_bytes());
    digest
}

/// How a recording shows the pictures of a pan.
#[derive(Clone, Copy)]
struct Recorded {
    /// Whether equal pictures have equal digests.
    exact: bool,
    /// Whether the motion can be measured.
    measured: bool,
}

const EXACT: Recorded = Recorded { exact: true, measured: true };
const LOSSY: Recorded = Recorded { exact: false, measured: true };
const UNMEASURED: Recorded = Recorded { exact: false, measured: false };

/// A pan of `places` pixels per frame, recorded and with its classes known, then marked.
fn marked(places: &[f32], recorded: Recorded) -> Vec<ClassifiedFrame> {
    marked_and_noted(places, recorded).0
}

fn marked_and_noted(places: &[f32], recorded: Recorded) -> (Vec<ClassifiedFrame>, Option<Note>) {
    let mut evidence = Vec::new();
    for (index, &place) in places.iter().enumerate() {
        let step = |back: usize| index.checked_sub(back).map(|before| place - places[before]);
        let moved = step(1).unwrap_or(0.0);
        let energy = |back: usize| step(back).map_or(0.0, energy_at);
        evidence.push(FrameEvidence {
            advance: Advance::default(),
            digest: digest_of(if recorded.exact { (place * 100.0) as i64 } else { index as i64 }),
            luma_change: 0.0,
            chroma_change: 0.0,
            reduced: ReducedChange {
                energy: energy(1),
                energy_two_back: energy(2),
                motion_x: moved,
                motion_peak: if recorded.measured && moved != 0.0 { 0.9 } else { 0.0 },
                ..ReducedChange::default()
            },
            after_gap: false,
        });
    }
    let mut frames: Vec<ClassifiedFrame> = (0..places.len())
        .map(|index| frame(index == 0 || places[index] != places[index - 1], evidence[index].digest))
        .collect();
    let note = mark(&mut frames, &evidence, Coding::Lossless);
    (frames, note)
}

fn frame(new: bool, digest: Digest) -> ClassifiedFrame {
    ClassifiedFrame {
        class: if new { FrameClass::New } else { FrameClass::Repeat },
        confidence: 1.0,
        evidence: Evidence::Measure,
        change: 1.0,
        lost_before: 0,
        lost_uncertainty: 0.0,
        blend_weight: 0.0,
        flags: FrameFlags::default(),
        digest,
    }
}

/// Frames with lost pictures, and how many.
fn lost(frames: &[ClassifiedFrame]) -> Vec<(usize, u16)> {
    let lost = frames.iter().enumerate().filter(|(_, frame)| frame.lost_before > 0);
    lost.map(|(index, frame)| (index, frame.lost_before)).collect()
}

fn flagged(frames: &[ClassifiedFrame], flag: FrameFlags) -> Vec<usize> {
    (0..frames.len()).filter(|&index| frames[index].flags.contains(flag)).collect()
}

/// Pictures 0 to 39 with the middle replaced: after picture 19 come `middle`, then on from its largest.
fn list(middle: &[u64]) -> Vec<u64> {
    let from = middle.iter().copied().max().unwrap_or(19) + 1;
    (0..20).chain(middle.iter().copied()).chain(from..from + 20).collect()
}

fn pan(list: &[u64], pixels: f32) -> Vec<f32> {
    list.iter().map(|&picture| picture as f32 * pixels).collect()
}

#[test]
fn lost_pictures_are_counted_at_steady_motion() {
    for (middle, expected) in [
        (vec![], vec![]),
        (vec![21], vec![(20, 1)]),
        (vec![24], vec![(20, 4)]),
        (vec![19, 19, 19, 23], vec![(23, 3)]),
        (vec![19, 19, 19, 21], vec![(23, 1)]),
        // Late, nothing lost.
        (vec![19, 19, 19, 20], vec![]),
    ] {
        for pixels in [1.0, 3.0, 12.0] {
            assert_eq!(lost(&marked(&pan(&list(&middle), pixels), EXACT)), expected, "{middle:?} {pixels}");
        }
    }
}

#[test]
fn even_losses_are_counted_where_rounding_cannot_pass_for_them() {
    let two_of_three: Vec<u64> = (0..60).map(|frame| frame + frame / 3).collect();
    // The motion must be known on both sides.
    let counted: Vec<(usize, u16)> = (6..57).step_by(3).map(|frame| (frame, 1)).collect();
    for (pixels, expected) in [(3.0, counted), (1.0, vec![])] {
        assert_eq!(lost(&marked(&pan(&two_of_three, pixels), EXACT)), expected, "{pixels}");
    }
}

#[test]
fn that_losses_cannot_be_counted_is_said_but_of_steady_motion() {
    let unsteady: Vec<f32> = (0..200).map(|index| (index * index % 37) as f32).collect();
    let steady: Vec<f32> = (0..200).map(|index| index as f32 * 3.0).collect();
    for (places, recorded, expected) in [
        (&steady, EXACT, None),
        (&steady, UNMEASURED, Some("no motion is steady enough to count in")),
        (&unsteady, EXACT, Some("steady enough to count in")),
    ] {
        let note = marked_and_noted(places, recorded).1;
        assert_eq!(note.is_some(), expected.is_some(), "{note:?}");
        if let (Some(note), Some(expected)) = (note, expected) {
            assert_eq!(note.code, crate::note::NoteCode::LossesUnknown);
            assert!(note.text.contains(expected), "{}", note.text);
        }
    }
}

#[test]
fn nothing_is_counted_after_a_stall_whose_motion_is_not_measured() {
    // How much larger the change is says that pictures may be missing, not how many: motion need not be even.
    for middle in [vec![19, 19, 19, 23], vec![19, 19, 19, 20], vec![23]] {
        assert_eq!(lost(&marked(&pan(&list(&middle), 3.0), UNMEASURED)), [], "{middle:?}");
    }
}

#[test]
fn nothing_is_counted_where_motion_is_unsteady() {
    // A hand-held camera: steps of 1 to 5 pixels.
    let mut place = 0.0;
    let places: Vec<f32> = (0..60)
        .map(|index| {
            place += 1.0 + (index * 7 % 5) as f32;
            place
        })
        .collect();
    assert_eq!(lost(&marked(&places, LOSSY)), []);
}

#[test]
fn faults_of_the_order_are_found() {
    for (middle, expected) in [
        // A B A C.
        (vec![18, 20], vec![20]),
        // A B A D.
        (vec![18, 21], vec![20]),
        // A C B D.
        (vec![21, 20], vec![20, 21]),
        (vec![], vec![]),
        (vec![22], vec![]),
    ] {
        for recorded in [EXACT, LOSSY, UNMEASURED] {
            let frames = marked(&pan(&list(&middle), 3.0), recorded);
            assert_eq!(flagged(&frames, FrameFlags::OUT_OF_ORDER), expected, "{middle:?}");
        }
    }
}

#[test]
fn a_picture_skipped_for_one_shown_again_is_lost() {
    assert_eq!(lost(&marked(&pan(&list(&[18, 21]), 3.0), LOSSY)), [(21, 1)]);
    assert_eq!(lost(&marked(&pan(&list(&[18, 20]), 3.0), LOSSY)), []);
    assert_eq!(lost(&marked(&pan(&list(&[21, 20]), 3.0), LOSSY)), []);
}

#[test]
fn content_that_goes_forth_and_back_is_in_order() {
    let there_and_back: Vec<f32> = (0..20).chain((0..19).rev()).map(|place| place as f32 * 3.0).collect();
    let blinking: Vec<f32> = (0..60).map(|index| if index % 30 < 15 { 0.0 } else { 3.0 }).collect();
    for places in [there_and_back, blinking] {
        for recorded in [EXACT, LOSSY, UNMEASURED] {
            assert_eq!(flagged(&marked(&places, recorded), FrameFlags::OUT_OF_ORDER), [] as [usize; 0]);
        }
    }
}

/// Detail of a picture: pseudo-random values, new in every picture as far as `resemblance` (0 to 1) goes.
fn detail_of(picture: u64, resemblance: f32) -> Vec<f32> {
    let value = |seed: u64| {
        let mut state = seed.wrapping_mul(0x9E37_79B9_7F4A_7C15) ^ 0x5851_F42D_4C95_7F2D;
        for _ in 0..3 {
            state ^= state >> 29;
            state = state.wrapping_mul(0xBF58_476D_1CE4_E5B9);
        }
        (state >> 40) as f32 / (1 << 24) as f32 - 0.5
    };
    let own = (1.0 - resemblance * resemblance).sqrt();
    (0..2048).map(|at| resemblance * value(at) + own * value(picture * 10_000 + at)).collect()
}

/// Marks frames of the detail of pictures and mixes, all new but those like the one before.
fn mixed(shown: &[Shown], resemblance: f32) -> Vec<ClassifiedFrame> {
    let detail: Vec<Vec<f32>> = shown
        .iter()
        .map(|&shown| match shown {
            Shown::Picture(picture) => detail_of(picture, resemblance),
            Shown::Mix { first, second, weight } => detail_of(first, resemblance)
                .iter()
                .zip(detail_of(second, resemblance))
                .map(|(a, b)| a + weight * (b - a))
                .collect(),
        })
        .collect();
    let square = |values: &mut dyn Iterator<Item = f32>| values.map(|value| value * value).sum::<f32>();
    let between = |a: usize, b: usize| square(&mut detail[a].iter().zip(&detail[b]).map(|(a, b)| a - b));
    let evidence: Vec<FrameEvidence> = (0..shown.len())
        .map(|index| FrameEvidence {
            advance: Advance::default(),
            digest: digest_of(index as i64),
            luma_change: 0.0,
            chroma_change: 0.0,
            reduced: ReducedChange {
                detail: square(&mut detail[index].iter().copied()),
                fine_energy: if index > 0 { between(index, index - 1) } else { 0.0 },
                fine_energy_two_back: if index > 1 { between(index, index - 2) } else { 0.0 },
                ..ReducedChange::default()
            },
            after_gap: false,
        })
        .collect();
    let mut frames: Vec<ClassifiedFrame> = (0..shown.len())
        .map(|index| frame(index == 0 || shown[index] != shown[index - 1], digest_of(index as i64)))
        .collect();
    let _ = mark(&mut frames, &evidence, Coding::Lossless);
    frames
}

/// Frames marked as mixes with their weights, and those that are.
fn assert_mixes_found(shown: &[Shown], resemblance: f32, case: &str) {
    for (index, (frame, shown)) in mixed(shown, resemblance).iter().zip(shown).enumerate() {
        let weight = match shown {
            Shown::Picture(_) => 0.0,
            Shown::Mix { weight, .. } => *weight,
        };
        assert_eq!(frame.flags.contains(FrameFlags::BLEND), weight > 0.0, "{case} frame {index}");
        assert!((frame.blend_weight - weight).abs() < 0.02, "{case} frame {index}: {}", frame.blend_weight);
    }
}

#[test]
fn mixes_of_every_rate_pair_are_found_with_their_weights() {
    for (source, delivered) in
        [("48", "60"), ("50", "60"), ("24", "60"), ("25", "60"), ("30", "50"), ("24", "50"), ("24", "25")]
    {
        let rates = [source, delivered].map(|rate| Rate::parse(rate).unwrap());
        let shown = schedule::mixed(rates[0], rates[1], 480);
        for resemblance in [0.0, 0.7] {
            assert_mixes_found(&shown, resemblance, &format!("{source} on {delivered}, {resemblance}"));
        }
    }
}

#[test]
fn mixes_between_held_pictures_are_found() {
    let shown: Vec<Shown> = (0..40)
        .flat_map(|pair| {
            let (first, second) = (2 * pair, 2 * pair + 1);
            let (held, next) = (Shown::Picture(first), Shown::Picture(second));
            [held, held, Shown::Mix { first, second, weight: 0.3 }, next, next]
        })
        .collect();
    assert_mixes_found(&shown, 0.0, "2:2 with mixes");
}

#[test]
fn pictures_and_dissolves_are_no_mixes() {
    let pictures: Vec<u64> = (0..300).collect();
    let dissolve = |index: usize| match index {
        0..=99 => Shown::Picture(0),
        100..=199 => Shown::Mix { first: 0, second: 1, weight: (index - 99) as f32 / 101.0 },
        _ => Shown::Picture(1),
    };
    for shown in [schedule::plain(&pictures), (0..300).map(dissolve).collect()] {
        assert_eq!(flagged(&mixed(&shown, 0.5), FrameFlags::BLEND), [] as [usize; 0]);
    }
}
