//! What must not change a call, whatever the scene: a border that stands, a mirror, time that runs backwards; and what a
//! larger change may do.

use evenbeat::classify::{ClassifiedFrame, FrameClass};
use proptest::prelude::*;
use proptest::test_runner::RngSeed;

use crate::adapter;
use crate::random::pictures::{Frame, Size};
use crate::random::recordings::{Recorder, Recording};
use crate::random::taken::{facts, recorded, FrameTruth, Recorded};
use crate::random::{Capture, SHORT_SIZES};

/// Recorders that work on samples alone, so that what is done to the frames before is as good as done after.
const RECORDERS: [Recorder; 4] =
    [Recorder::Raw, Recorder::Raw, Recorder::Noise { deviation: 0.5 }, Recorder::Noise { deviation: 2.0 }];

/// Borders are whole blocks wide, so that no block holds other pixels than before.
const BORDER: usize = 16;

/// Frames at hand and what is known of them.
struct Shown {
    capture: Capture,
    frames: Vec<Frame>,
    truth: Vec<FrameTruth>,
}

impl Shown {
    fn drawn(number: u64, recorder: Recorder) -> Self {
        let Capture { scene, cadence, rate, seed, .. } = Capture::drawn(SEED, number, &SHORT_SIZES);
        let recording = Recording::plain(recorder);
        let capture =
            Capture::named(format!("s{SEED}-{number:05}"), (scene, cadence, recording), (rate, seed));
        let (frames, truth) = recorded(&capture);
        Self { capture, frames, truth }
    }

    /// What each of other frames of the same recording is called.
    fn calls(&self, frames: Vec<Frame>, size: Size) -> Vec<Call> {
        let mut facts = facts(&self.capture);
        facts.shape = size.shape(self.capture.recording.depth);
        let source = Recorded { facts: facts.clone(), frames: frames.into_iter() };
        let (_, fingerprints) = adapter::measured(|| Box::new(source), None);
        let judged = adapter::judge(&facts, &fingerprints);
        let call = |frame: &ClassifiedFrame| Call {
            is_new: frame.class == FrameClass::New,
            is_sure: frame.confidence >= SURE,
        };
        judged.frames.iter().map(call).collect()
    }

    fn own_calls(&self) -> Vec<Call> {
        self.calls(self.frames.clone(), self.capture.size())
    }

    fn each(&self, change: impl Fn(&Frame, Size) -> Frame) -> Vec<Frame> {
        self.frames.iter().map(|frame| change(frame, self.capture.size())).collect()
    }
}

/// Captures of each property.
const CASES: u32 = 8;

/// A seed that nothing is chosen on.
const SEED: u64 = 78;

/// Confidence from which a call is sure.
const SURE: f32 = 0.95;

/// What a frame is called.
#[derive(Clone, Copy, Debug, PartialEq)]
struct Call {
    is_new: bool,
    is_sure: bool,
}

/// Frames that are called one way and the other. Where samples carry noise, calls that are not sure may differ: what lies at
/// the edge of the noise is measured a little otherwise.
fn contradictions(one: &[Call], other: &[Call], recorder: Recorder) -> Vec<usize> {
    assert_eq!(one.len(), other.len());
    let counts = |call: &Call| call.is_sure || recorder == Recorder::Raw;
    let calls = one.iter().zip(other).enumerate();
    let differ = calls.filter(|(_, (a, b))| a.is_new != b.is_new && counts(a) && counts(b));
    differ.map(|(frame, _)| frame).collect()
}

fn mirrored(frame: &Frame, size: Size) -> Frame {
    let planes = frame.planes(size).map(|(plane, size)| {
        plane.chunks(size.width).flat_map(|row| row.iter().rev().copied()).collect::<Vec<_>>()
    });
    Frame::from_planes(planes, frame.depth)
}

fn with_border(size: Size) -> Size {
    Size { width: size.width + 2 * BORDER, height: size.height + 2 * BORDER }
}

/// The frame within a grey border.
fn bordered(frame: &Frame, size: Size) -> Frame {
    let grey = f32::from(128_u16 << (frame.depth - 8));
    let planes = frame.planes(size).map(|(plane, part)| {
        let border = BORDER * part.width / size.width;
        let beyond = vec![grey; border * (part.width + 2 * border)];
        let beside = vec![grey; border];
        let rows = plane.chunks(part.width).flat_map(|row| [&beside, row, &beside].concat());
        beyond.iter().copied().chain(rows).chain(beyond.iter().copied()).collect()
    });
    Frame::from_planes(planes, frame.depth)
}

proptest! {
    #![proptest_config(ProptestConfig {
        cases: CASES,
        failure_persistence: None,
        // The same captures every time.
        rng_seed: RngSeed::Fixed(SEED),
        ..ProptestConfig::default()
    })]

    #[test]
    fn a_border_that_stands_changes_no_call(number in 0u64..10_000) {
        let shown = Shown::drawn(number, Recorder::Raw);
        let within = shown.calls(shown.each(bordered), with_border(shown.capture.size()));
        let found = contradictions(&within, &shown.own_calls(), Recorder::Raw);
        prop_assert!(found.is_empty(), "{}: {:?}", shown.capture.name, found);
    }

    #[test]
    fn a_mirror_changes_no_call(number in 0u64..10_000, recorder in prop::sample::select(&RECORDERS[..])) {
        let shown = Shown::drawn(number, recorder);
        let seen = shown.calls(shown.each(mirrored), shown.capture.size());
        let found = contradictions(&seen, &shown.own_calls(), recorder);
        prop_assert!(found.is_empty(), "{}: {:?}", shown.capture.name, found);
    }

    #[test]
    fn backwards_every_change_is_called_alike(
        number in 0u64..10_000,
        recorder in prop::sample::select(&RECORDERS[..]),
    ) {
        let shown = Shown::drawn(number, recorder);
        let reversed: Vec<Frame> = shown.frames.iter().rev().cloned().collect();
        // The change into frame i leads, backwards, into the frame before it. The first frame has no change.
        let mut backwards = shown.calls(reversed, shown.capture.size());
        backwards[1..].reverse();
        let found = contradictions(&backwards, &shown.own_calls(), recorder);
        prop_assert!(found.is_empty(), "{}: {:?}", shown.capture.name, found);
    }

    #[test]
    fn what_moves_in_a_lossless_recording_is_never_wrong(number in 0u64..10_000) {
        let shown = Shown::drawn(number, Recorder::Raw);
        for (frame, (call, truth)) in shown.own_calls().iter().zip(&shown.truth).enumerate() {
            prop_assert_eq!(call.is_new, truth.new, "{}: frame {}", shown.capture.name, frame);
        }
    }
}
