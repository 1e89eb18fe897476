//! Classification of evidence as an exact recording of a pan gives it.

use super::*;
use crate::fingerprint::ReducedChange;

/// Duration of a frame at 59.94 frames/s, seconds.
const PERIOD_S: f64 = 1.001 / 60.0;

/// An exact recording of 480 × 270 samples.
const RECORDER: Recorder = Recorder { coding: Coding::Unknown, samples: 480 * 270 };

/// Parts stretches one after another.
fn in_turn(stretches: &[Stretch<'_>], part: fn(&Stretch<'_>) -> Parted) -> Vec<Parted> {
    stretches.iter().map(part).collect()
}

/// Evidence on frames that show these pictures of an even pan; the change grows with the pictures stepped over.
fn evidence(pictures: &[u32]) -> Vec<FrameEvidence> {
    let before = std::iter::once(None).chain(pictures.iter().copied().map(Some));
    before
        .zip(pictures)
        .map(|(before, &picture)| {
            let step = before.map_or(0, |before| picture.abs_diff(before)) as f32;
            frame_of_pan(picture, step)
        })
        .collect()
}

/// Block changes and energies as measured on a painted pan of 3 pixels per picture.
fn frame_of_pan(picture: u32, step: f32) -> FrameEvidence {
    let mut digest = [0; 32];
    digest[..4].copy_from_slice(&picture.to_le_bytes());
    FrameEvidence {
        digest,
        luma_change: 8.5 * step.sqrt(),
        chroma_change: 2.55 * step.sqrt(),
        reduced: ReducedChange {
            energy: 38.0 * step,
            energy_two_back: if step > 0.0 { 38.0 * (step + 1.0) } else { 38.0 },
            unexplained: 1.5 * step,
            fine_energy: 8.0 * step,
            motion_x: 3.0 * step,
            motion_peak: if step > 0.0 { 1.0 } else { 0.0 },
            ..ReducedChange::default()
        },
        advance: Advance::default(),
        after_gap: false,
    }
}

/// One letter per frame: new, repeat, still.
fn letters(pictures: &[u32]) -> String {
    let frames = classify(&evidence(pictures), RECORDER, PERIOD_S, in_turn).frames;
    let letter = |frame: &ClassifiedFrame| match frame.class {
        FrameClass::New => 'n',
        FrameClass::Repeat => 'r',
        FrameClass::Still => 's',
    };
    frames.iter().map(letter).collect()
}

/// Pictures `from..to`, each `hold` times.
fn held(from: u32, to: u32, hold: usize) -> Vec<u32> {
    (from..to).flat_map(|picture| vec![picture; hold]).collect()
}

#[test]
fn exact_recordings_are_exactly_right() {
    let repeat = |pattern: &str, times: usize| pattern.repeat(times);
    for (name, pictures, expected) in [
        ("nothing", vec![], String::new()),
        ("one frame", vec![7], "n".into()),
        ("1:1", held(0, 60, 1), repeat("n", 60)),
        ("2:2", held(0, 40, 2), repeat("nr", 40)),
        ("4:4", held(0, 30, 4), repeat("nrrr", 30)),
        (
            "one repeat",
            [held(0, 30, 1), held(29, 60, 1)].concat(),
            format!("{}r{}", repeat("n", 30), repeat("n", 30)),
        ),
        ("never moves", vec![3; 50], format!("n{}", repeat("s", 49))),
        (
            "still before and after",
            [vec![0; 60], held(1, 61, 1), vec![60; 60]].concat(),
            format!("n{}{}{}", repeat("s", 59), repeat("n", 60), repeat("s", 60)),
        ),
        (
            "stall and jump",
            [held(0, 40, 1), vec![39; 40], held(79, 120, 1)].concat(),
            format!("{}{}{}", repeat("n", 40), repeat("r", 40), repeat("n", 41)),
        ),
        (
            "short stall, nothing lost",
            [held(0, 40, 1), vec![39; 10], held(40, 80, 1)].concat(),
            format!("{}{}{}", repeat("n", 40), repeat("r", 10), repeat("n", 40)),
        ),
        (
            "long standstill, nothing lost",
            [held(0, 40, 1), vec![39; 90], held(40, 80, 1)].concat(),
            format!("{}{}{}", repeat("n", 40), repeat("s", 90), repeat("n", 40)),
        ),
    ] {
        assert_eq!(letters(&pictures), expected, "{name}");
    }
}

#[test]
fn a_digest_is_proof_whatever_the_cadence() {
    let frames =
        classify(&evidence(&[held(0, 60, 1), held(59, 120, 1)].concat()), RECORDER, PERIOD_S, in_turn).frames;
    assert_eq!(
        (frames[60].class, frames[60].evidence, frames[60].confidence),
        (FrameClass::Repeat, Evidence::Digest, 1.0)
    );
}

#[test]
fn what_cannot_be_told_apart_is_noted() {
    let codes = |pictures: &[u32]| {
        classify(&evidence(pictures), RECORDER, PERIOD_S, in_turn)
            .notes
            .iter()
            .map(|note| note.code)
            .collect::<Vec<_>>()
    };
    let standstill = [held(0, 40, 1), vec![39; 90], held(40, 80, 1)].concat();
    assert_eq!(codes(&standstill), [NoteCode::StillOrFrozen]);
    assert_eq!(codes(&held(0, 60, 2)), []);
}

#[test]
fn a_change_of_colour_alone_is_a_new_picture() {
    let mut evidence = evidence(&held(0, 60, 2));
    for frame in evidence.iter_mut().filter(|frame| frame.reduced.energy > 0.0) {
        frame.luma_change = 0.0;
        frame.reduced = ReducedChange::default();
        frame.chroma_change = 6.0;
    }
    let frames = classify(&evidence, RECORDER, PERIOD_S, in_turn).frames;
    let news = frames.iter().filter(|frame| frame.class == FrameClass::New).count();
    assert_eq!(news, 60);
}

/// A frame whose luma differs from the one before by white noise alone, or by motion as well.
fn under_noise(number: u32, moved: bool, chroma_change: f32) -> FrameEvidence {
    let mut digest = [0; 32];
    digest[..4].copy_from_slice(&number.to_le_bytes());
    // A little of its own in every frame, as counting gives.
    let energy = 4.6 * (1.0 + 0.002 * (number % 5) as f32) + if moved { 1000.0 } else { 0.0 };
    FrameEvidence {
        digest,
        luma_change: if moved { 23.0 } else { 2.0 + 0.02 * (number % 7) as f32 },
        chroma_change,
        reduced: ReducedChange {
            energy,
            unexplained: if moved { 80.0 } else { energy },
            fine_energy: energy * 8.0 / 9.0,
            ..ReducedChange::default()
        },
        advance: Advance::default(),
        after_gap: false,
    }
}

#[test]
fn motion_in_chroma_alone_is_no_noise() {
    // Luma that comes round as it was every third picture; chroma goes on, but for one frame that shows its noise.
    for (chroma_there, expected) in [(7.0, FrameClass::New), (2.0, FrameClass::Repeat)] {
        let frames: Vec<FrameEvidence> = (0..90)
            .map(|number| match number % 3 {
                1 => under_noise(number, false, chroma_there),
                2 => under_noise(number, true, 2.0 + 0.02 * (number % 7) as f32),
                _ => under_noise(number, true, 7.0),
            })
            .collect();
        let recorder = Recorder { coding: Coding::Lossless, samples: 320 * 240 };
        let called = classify(&frames, recorder, PERIOD_S, in_turn).frames;
        let wrong = (1..90).filter(|&at| at % 3 == 1 && called[at].class != expected).count();
        assert_eq!(wrong, 0, "{chroma_there}");
    }
}
