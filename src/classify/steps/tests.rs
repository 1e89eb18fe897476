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
    let evidence = evidence_of(places, recorded);
    let mut frames = called(places, &evidence);
    let coding = if recorded.exact { Coding::Lossless } else { Coding::Lossy };
    let note = mark(&mut frames, &evidence, coding);
    (frames, note)
}

/// Frames whose classes are known.
fn called(places: &[f32], evidence: &[FrameEvidence]) -> Vec<ClassifiedFrame> {
    (0..places.len())
        .map(|index| frame(index == 0 || places[index] != places[index - 1], evidence[index].digest))
        .collect()
}

fn evidence_of(places: &[f32], recorded: Recorded) -> Vec<FrameEvidence> {
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
    evidence
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
        // Two losses in a row.
        (vec![21, 23], vec![(20, 1), (21, 1)]),
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

/// Steps of one pixel that are two after each stall are no rounding: the stall explains them.
#[test]
fn losses_are_counted_where_stalls_come_by_turns() {
    // Three pictures, one frame in which the third stays, and one picture is lost.
    let shown: Vec<u64> = (0..20).flat_map(|turn| [0, 1, 2, 2].map(|at| 4 * turn + at)).collect();
    let expected: Vec<(usize, u16)> = (1..20).map(|turn| (4 * turn, 1)).collect();
    let found = lost(&marked(&pan(&shown, 1.0), EXACT));
    // The motion must be known on both sides.
    assert_eq!(found, expected[1..18], "{found:?}");
}

/// Where no motion is measured, as in a zoom, even changes tell a lost picture in recordings that add nothing to them.
#[test]
fn losses_are_counted_by_even_changes_of_exact_recordings() {
    let unmeasured = Recorded { measured: false, ..EXACT };
    let shown = |after: u64| pan(&list(&[after]), 1.0);
    for (after, recorded, expected) in [
        (21, unmeasured, vec![(20, 1)]),
        (22, unmeasured, vec![(20, 2)]),
        // What is larger still may be a cut.
        (26, unmeasured, vec![]),
        (21, UNMEASURED, vec![]),
    ] {
        assert_eq!(lost(&marked(&shown(after), recorded)), expected, "{after} {}", recorded.exact);
    }
    // Content that turns slows down before, and leaps then.
    let mut turning = shown(21);
    turning[19] -= 0.5;
    assert_eq!(lost(&marked(&turning, unmeasured)), []);
}

/// A leap of the change, and a stall after which no motion is measured, may hide losses.
#[test]
fn what_may_hide_losses_is_said() {
    let aliased = |middle: &[u64], measured: bool| {
        let places = pan(&list(middle), 3.0);
        let mut evidence = evidence_of(&places, EXACT);
        let leap = (1..places.len()).find(|&frame| places[frame] - places[frame - 1] > 3.0).unwrap_or(20);
        // Bars lie on others after a step of two: the motion seems to be the usual one.
        evidence[leap].reduced.motion_x = 3.0;
        evidence[leap].reduced.motion_peak = if measured { 0.9 } else { 0.0 };
        let mut frames = called(&places, &evidence);
        mark(&mut frames, &evidence, Coding::Lossless).is_some()
    };
    for (name, middle, measured, said) in [
        ("no loss", vec![], true, false),
        ("a leap that seems a single step", vec![21], true, true),
        ("a stall, late", vec![19, 19, 19, 20], true, false),
        ("a stall, then an unknown step", vec![19, 19, 19, 23], false, true),
    ] {
        assert_eq!(aliased(&middle, measured), said, "{name}");
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

/// A light that flickers comes back to where it was; no picture is shown again.
#[test]
fn light_that_flickers_is_in_order() {
    let places = pan(&list(&[18, 20]), 3.0);
    for (share, expected) in [(0.0, vec![20]), (0.9, vec![])] {
        let mut evidence = evidence_of(&places, EXACT);
        for one in &mut evidence {
            one.reduced.offset = (share * one.reduced.energy).sqrt();
        }
        let mut frames = called(&places, &evidence);
        let _ = mark(&mut frames, &evidence, Coding::Lossless);
        assert_eq!(flagged(&frames, FrameFlags::OUT_OF_ORDER), expected, "{share}");
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
    recorded_mixes(shown, resemblance, Coding::Lossless)
}

fn recorded_mixes(shown: &[Shown], resemblance: f32, coding: Coding) -> Vec<ClassifiedFrame> {
    let mut frames = frames_of(shown);
    let _ = mark(&mut frames, &detail_evidence(shown, resemblance), coding);
    frames
}

fn frames_of(shown: &[Shown]) -> Vec<ClassifiedFrame> {
    (0..shown.len())
        .map(|index| frame(index == 0 || shown[index] != shown[index - 1], digest_of(index as i64)))
        .collect()
}

fn detail_evidence(shown: &[Shown], resemblance: f32) -> Vec<FrameEvidence> {
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
    (0..shown.len())
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
        .collect()
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

/// Pictures held for two frames, with a mix of this weight between every second two.
fn held_with_mixes(weight: f32) -> Vec<Shown> {
    let pairs = (0..40).flat_map(|pair| {
        let (first, second) = (2 * pair, 2 * pair + 1);
        let (held, next) = (Shown::Picture(first), Shown::Picture(second));
        [held, held, Shown::Mix { first, second, weight }, next, next]
    });
    pairs.collect()
}

#[test]
fn mixes_between_held_pictures_are_found() {
    assert_mixes_found(&held_with_mixes(0.3), 0.0, "2:2 with mixes");
}

/// Encoders fill frames with the mean of their neighbours.
#[test]
fn means_in_lossy_recordings_are_the_recorders() {
    for (weight, coding, told) in
        [(0.5, Coding::Lossless, true), (0.5, Coding::Lossy, false), (0.3, Coding::Lossy, true)]
    {
        let frames = recorded_mixes(&held_with_mixes(weight), 0.0, coding);
        assert_eq!(flagged(&frames, FrameFlags::BLEND).is_empty(), !told, "{weight} {coding:?}");
    }
}

/// A picture near the middle of its neighbours is none of their mixes where the recorder keeps samples.
#[test]
fn what_lies_beside_the_line_of_its_neighbours_is_no_mix() {
    let shown = held_with_mixes(0.4);
    for (beside, told) in [(0.0, true), (0.1, true), (0.3, false), (2.0, false)] {
        let mut evidence = detail_evidence(&shown, 0.0);
        for index in (2..shown.len()).filter(|index| index % 5 == 2) {
            evidence[index].reduced.fine_energy += beside;
            evidence[index + 1].reduced.fine_energy += beside;
        }
        let mut frames = frames_of(&shown);
        let _ = mark(&mut frames, &evidence, Coding::Lossless);
        assert_eq!(flagged(&frames, FrameFlags::BLEND).is_empty(), !told, "{beside}");
    }
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
