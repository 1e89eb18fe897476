//! Fields painted by closed forms: a texture that moves evenly, woven in every way.

use super::detect::{self, Woven};
use super::sample::Weave;
use super::*;
use crate::cadence::{frame_times, CadenceAnalysis, StatedRate};
use crate::classify::Evidence;
use crate::fingerprint::{FrameMeter, ReducedPicture, Sequencer, ViewPlan};
use crate::frame::{Coding, Family, FrameShape, FrameTiming, PixelFormat};
use crate::settings::ViewSettings;
use crate::units::{Rate, RateSource};

const WIDTH: usize = 192;
const HEIGHT: usize = 128;

/// A soft texture of several waves that has moved by `moment` steps of 1.5 pixels to the right.
fn paint(moment: usize) -> Vec<u8> {
    let moved = 1.5 * moment as f64;
    (0..WIDTH * HEIGHT)
        .map(|at| {
            let (x, y) = ((at % WIDTH) as f64 - moved, (at / WIDTH) as f64);
            let waves =
                (0.31 * x + 0.05 * y).sin() + (0.17 * x - 0.23 * y).sin() + (0.11 * x + 0.4 * y).cos();
            (128.0 + 35.0 * waves) as u8
        })
        .collect()
}

/// Top rows of one moment, bottom rows of another.
fn weave(top: usize, bottom: usize) -> Vec<u8> {
    let (top, bottom) = (paint(top), paint(bottom));
    let row = |at: usize| at / WIDTH;
    (0..top.len()).map(|at| if row(at) % 2 == 0 { top[at] } else { bottom[at] }).collect()
}

/// A moment of which only the rows of one parity are kept and the others are means of their neighbours.
fn rebuilt(moment: usize, kept: Parity) -> Vec<u8> {
    let whole = paint(moment);
    let is_kept = |row: usize| (row % 2 == 0) == (kept == Parity::Top);
    let sample = |row: usize, column: usize| u16::from(whole[row.min(HEIGHT - 1) * WIDTH + column]);
    (0..whole.len())
        .map(|at| {
            let (row, column) = (at / WIDTH, at % WIDTH);
            let above = if row == 0 { 1 } else { row - 1 };
            let below = if row + 1 == HEIGHT { row - 1 } else { row + 1 };
            let mean = (sample(above, column) + sample(below, column)).div_ceil(2) as u8;
            if is_kept(row) {
                whole[at]
            } else {
                mean
            }
        })
        .collect()
}

/// Mean of the pictures rebuilt from the top field of one moment and the bottom field of another.
fn averaged(top: usize, bottom: usize) -> Vec<u8> {
    let (top, bottom) = (rebuilt(top, Parity::Top), rebuilt(bottom, Parity::Bottom));
    top.iter().zip(&bottom).map(|(&a, &b)| u16::from(a).midpoint(u16::from(b) + 1) as u8).collect()
}

fn samples(pictures: &[Vec<u8>]) -> (Vec<FieldSample>, Vec<ClassifiedFrame>) {
    let pixel_format = PixelFormat { family: Family::Gray, bit_depth: 8 };
    let height = (pictures[0].len() / WIDTH) as u32;
    let shape = FrameShape { width: WIDTH as u32, height, pixel_format };
    let plan = ViewPlan::new(shape, &ViewSettings::default());
    let (mut meter, mut sequencer) = (FrameMeter::default(), Sequencer::default());
    let mut sampler = FieldSampler::default();
    let mut all = (Vec::new(), Vec::new());
    for (index, picture) in pictures.iter().enumerate() {
        let previous = index.checked_sub(1).map(|index| &pictures[index][..]);
        let measures = meter.measure(&plan, picture, previous, ReducedPicture::default());
        let (fingerprint, _) = sequencer.push(FrameTiming::default(), measures);
        let new = index == 0 || picture != &pictures[index - 1];
        all.0.push(sampler.next(&fingerprint));
        all.1.push(ClassifiedFrame {
            class: if new { FrameClass::New } else { FrameClass::Repeat },
            confidence: 1.0,
            evidence: Evidence::Digest,
            change: 0.0,
            lost_before: 0,
            lost_uncertainty: 0.0,
            blend_weight: 0.0,
            flags: FrameFlags::default(),
            digest: fingerprint.digest,
        });
    }
    all
}

struct Found {
    frames: Vec<ClassifiedFrame>,
    fields: FieldFindings,
    cadence: CadenceAnalysis,
    rate: Rate,
    flagged: Scan,
    /// What is said where nobody knows the clip.
    outcome: Option<Outcome>,
}

impl Found {
    /// What is said where the clip is or is not known to be interlaced.
    fn outcome_of(&self, clip_has_fields: bool) -> Option<Outcome> {
        let around = Circumstances {
            cadence: &self.cadence,
            delivered_rate: self.rate,
            flagged: self.flagged,
            clip_has_fields,
            mixes: 0,
            frames: self.frames.len() as u64,
            rows: 1080,
        };
        outcome(&self.fields, &around)
    }
}

/// What is found in pictures that come at `rate` frames per second and are flagged as `flagged`.
fn found(pictures: &[Vec<u8>], rate: u64, flagged: Scan) -> Found {
    found_in(samples(pictures), rate, flagged)
}

fn found_in(
    (samples, mut frames): (Vec<FieldSample>, Vec<ClassifiedFrame>),
    rate: u64,
    flagged: Scan,
) -> Found {
    let rate = Rate::new(rate, 1001).unwrap();
    let stated = StatedRate { rate, source: RateSource::Header };
    let times = frame_times(Some(stated), None, &vec![None; frames.len()], &[]).times;
    let facts = ScanFacts {
        flagged,
        given: None,
        delivered_rate: rate,
        frames: frames.len(),
        coding: Coding::Unknown,
    };
    let fields = mark(&mut frames, &samples, &times, &facts);
    let cadence = crate::cadence::analyse(&frames, &times);
    let found = Found { frames, fields, cadence, rate, flagged, outcome: None };
    Found { outcome: found.outcome_of(false), ..found }
}

/// Twice the rows, each a quarter of a row off the nearest one: cubic convolution (Keys 1981, a = −1/2).
fn scaled(picture: Vec<u8>) -> Vec<u8> {
    const WEIGHTS: [f32; 4] = [-0.0234375, 0.2265625, 0.8671875, -0.0703125];
    let sample = |row: i64, column: usize| {
        f32::from(picture[row.clamp(0, HEIGHT as i64 - 1) as usize * WIDTH + column])
    };
    (0..2 * HEIGHT as i64)
        .flat_map(|row| {
            let (near, step) = (row / 2, if row % 2 == 0 { -1 } else { 1 });
            (0..WIDTH).map(move |column| (near, step, column))
        })
        .map(|(near, step, column)| {
            let taps = WEIGHTS.iter().zip([2, 1, 0, -1]);
            taps.map(|(weight, tap)| weight * sample(near + step * tap, column)).sum::<f32>().round() as u8
        })
        .collect()
}

fn twice(pictures: impl IntoIterator<Item = Vec<u8>>) -> Vec<Vec<u8>> {
    pictures.into_iter().flat_map(|picture| [picture.clone(), picture]).collect()
}

/// Field `f` of film whose pictures stay for `holds` fields in turn, `step` moments apart.
fn film_moment(field: usize, holds: &[usize], step: usize) -> usize {
    let mut end = 0;
    (0..)
        .find(|&picture| {
            end += holds[picture % holds.len()];
            field < end
        })
        .unwrap_or(0)
        * step
}

fn film_frames(frames: usize, holds: &[usize]) -> Vec<Vec<u8>> {
    let moment = |field| film_moment(field, holds, 2);
    (0..frames).map(|frame| weave(moment(2 * frame), moment(2 * frame + 1))).collect()
}

const FRAMES: usize = 40;

/// Fields one after the other, rebuilt to pictures, those of each frame swapped.
fn in_the_wrong_order() -> Vec<Vec<u8>> {
    (0..FRAMES).map(|f| rebuilt(f ^ 1, if f % 2 == 0 { Parity::Bottom } else { Parity::Top })).collect()
}

/// Steps that may be the recorder's error say nothing of the order.
#[test]
fn fields_are_in_the_wrong_order_only_where_steps_are_motion() {
    for (confidence, told) in [(0.95, true), (0.8, false)] {
        let (samples, mut frames) = samples(&in_the_wrong_order());
        frames.iter_mut().for_each(|frame| frame.confidence = confidence);
        let code = found_in((samples, frames), 60_000, Scan::Unknown).outcome.map(|outcome| outcome.code);
        assert_eq!(code == Some(OutcomeCode::SwappedFields), told, "{confidence}: {code:?}");
    }
}

#[test]
fn each_row_of_the_table_is_told() {
    let even = |frame: usize| 2 * frame;
    let cases: Vec<(OutcomeCode, u64, Vec<Vec<u8>>)> = vec![
        (
            OutcomeCode::EveryFieldAPicture,
            60_000,
            (0..FRAMES).map(|f| rebuilt(f, if f % 2 == 0 { Parity::Top } else { Parity::Bottom })).collect(),
        ),
        (OutcomeCode::CombedHalfRate, 60_000, twice((0..FRAMES).map(|f| weave(even(f), even(f) + 1)))),
        (
            OutcomeCode::CombedHalfRate,
            60_000,
            twice((0..FRAMES).map(|f| scaled(weave(even(f), even(f) + 1)))),
        ),
        (OutcomeCode::OneField, 60_000, twice((0..FRAMES).map(|f| rebuilt(even(f), Parity::Bottom)))),
        (OutcomeCode::OneField, 60_000, twice((0..FRAMES).map(|f| scaled(rebuilt(even(f), Parity::Bottom))))),
        (OutcomeCode::AveragedFields, 60_000, twice((0..FRAMES).map(|f| averaged(even(f), even(f) + 1)))),
        (OutcomeCode::AveragedFields, 30_000, (0..FRAMES).map(|f| averaged(even(f) + 1, even(f))).collect()),
        (OutcomeCode::SwappedFields, 60_000, in_the_wrong_order()),
        (OutcomeCode::Interlaced, 30_000, (0..FRAMES).map(|f| weave(even(f), even(f) + 1)).collect()),
        (OutcomeCode::FilmPulldown, 30_000, film_frames(FRAMES, &[2, 3])),
        (OutcomeCode::FilmPulldown, 60_000, twice(film_frames(FRAMES, &[2, 3]))),
    ];
    for (code, rate, pictures) in cases {
        let found = found(&pictures, rate, Scan::Unknown);
        assert_eq!(found.outcome.as_ref().map(|outcome| outcome.code), Some(code), "{:?}", found.outcome);
    }
}

/// Whole pictures have no fields to lose: only where the clip is known to be interlaced is anything said of them.
#[test]
fn whole_pictures_have_an_outcome_only_where_the_clip_has_fields() {
    let stalls = |frame: usize| if frame % 20 < 6 { frame / 20 * 20 } else { frame };
    let cases: Vec<(Option<OutcomeCode>, Vec<Vec<u8>>)> = vec![
        (Some(OutcomeCode::EveryFieldAPicture), (0..FRAMES).map(paint).collect()),
        (Some(OutcomeCode::HalfRate), twice((0..FRAMES).map(|f| paint(2 * f)))),
        (
            Some(OutcomeCode::FilmRestored),
            (0..2 * FRAMES).map(|frame| paint(film_moment(frame, &[2, 3], 2))).collect(),
        ),
        (None, (0..FRAMES).map(|frame| paint(stalls(frame))).collect()),
    ];
    for (code, pictures) in cases {
        let found = found(&pictures, 60_000, Scan::Unknown);
        assert_eq!(found.outcome, None, "{code:?}");
        let known = found.outcome_of(true);
        assert_eq!(known.as_ref().map(|outcome| outcome.code), code, "{known:?}");
    }
}

#[test]
fn means_of_two_fields_have_their_weight_and_their_order() {
    for (order, named) in
        [([0, 1], "the top lines of the earlier"), ([1, 0], "the bottom lines of the earlier")]
    {
        let pictures = twice((0..FRAMES).map(|f| averaged(2 * f + order[0], 2 * f + order[1])));
        let found = found(&pictures, 60_000, Scan::Unknown);
        for frame in &found.frames {
            assert_eq!(frame.flags, FrameFlags::BLEND);
            assert!((frame.blend_weight - 0.5).abs() < 0.03, "{}", frame.blend_weight);
        }
        let outcome = found.outcome.unwrap();
        assert!(outcome.text.contains(named), "{}", outcome.text);
        assert!(outcome.text.contains("80 of 80 frames"), "{}", outcome.text);
    }
}

#[test]
fn the_lost_field_is_named() {
    for (kept, lost) in [(Parity::Top, "bottom"), (Parity::Bottom, "top")] {
        let found = found(&twice((0..FRAMES).map(|f| rebuilt(2 * f, kept))), 60_000, Scan::Unknown);
        assert!(found.frames.iter().all(|frame| frame.flags.contains(FrameFlags::ONE_FIELD)));
        assert!(found.outcome.unwrap().text.contains(&format!("the {lost} lines")));
    }
}

/// Baylon & McKoen's order test in the linear form: of fields 0.5 frames apart the first one is early.
#[test]
fn field_order_comes_from_pixels_against_flags() {
    for (order, scan) in [([0, 1], Scan::TopFieldFirst), ([1, 0], Scan::BottomFieldFirst)] {
        let pictures: Vec<_> = (0..FRAMES).map(|f| weave(2 * f + order[0], 2 * f + order[1])).collect();
        let (samples, frames) = samples(&pictures);
        for sample in &samples[1..] {
            let weave = Weave::of(&sample.measures.luma).unwrap();
            assert!((weave.apart - 1.0).abs() < 0.25, "{weave:?}");
            assert!((weave.top_after_bottom.abs() - 0.5).abs() < 0.15, "{weave:?}");
        }
        let first = if scan == Scan::TopFieldFirst { Parity::Top } else { Parity::Bottom };
        assert!(detect::pictures(&frames, &samples, None, Coding::Unknown)
            .iter()
            .all(|one| one.weave == Woven::Video(first)));
        for flagged in [Scan::Unknown, Scan::Progressive, Scan::TopFieldFirst, Scan::BottomFieldFirst] {
            let found = found(&pictures, 30_000, flagged);
            assert_eq!((found.fields.scan.scan, found.fields.scan.source), (scan, ScanSource::Pixels));
            let swapped = flagged != scan && matches!(flagged, Scan::TopFieldFirst | Scan::BottomFieldFirst);
            let code = if swapped { OutcomeCode::SwappedFields } else { OutcomeCode::Interlaced };
            assert_eq!(found.outcome.unwrap().code, code, "flagged {}", flagged.name());
        }
    }
}

/// Mixed frames of 2:3 pulldown and its kin, by the table of field patterns (derived; Poynton 2003, chapter 36, for
/// the A-frame).
#[test]
fn film_in_fields_has_its_cadence_and_its_mixed_frames() {
    for (holds, label, mixed) in
        [(&[2, 3][..], "2:3", &[2, 3][..]), (&[3, 2], "2:3", &[1, 2]), (&[2, 3, 3, 2], "2:3:3:2", &[2])]
    {
        let frames = film_frames(50, holds);
        let found = found(&frames, 30_000, Scan::Unknown);
        let fields = found.fields.fields.unwrap();
        assert_eq!(fields.cadence.pattern.as_ref().unwrap().label(), label);
        assert!(fields.cadence.breaks.is_empty(), "{holds:?}: {:?}", fields.cadence.breaks);
        let expected: Vec<usize> = (0..50).filter(|frame| mixed.contains(&(frame % 5))).collect();
        assert_eq!(fields.mixed_frames().collect::<Vec<_>>(), expected, "{holds:?}");
        let combed: Vec<usize> =
            (0..50).filter(|&frame| found.frames[frame].flags.contains(FrameFlags::COMBED)).collect();
        assert_eq!(combed, expected, "{holds:?}");
        // The third field of a picture is proven by its samples.
        let third = fields.fields.iter().filter(|field| field.evidence == Evidence::Digest).count();
        assert!(third >= 8, "{holds:?}: {third} repeated fields are proven");
        if holds == [2, 3] {
            assert_eq!(fields.a_frame_phase(), Some(APhase { frame: 0, there: 9, total: 9 }));
        }
    }
}

#[test]
fn a_change_of_order_is_a_change_of_segment() {
    let pictures: Vec<_> = (0..3 * FRAMES)
        .map(|f| if f < 60 { weave(2 * f, 2 * f + 1) } else { weave(2 * f + 1, 2 * f) })
        .collect();
    let scan = found(&pictures, 30_000, Scan::Unknown).fields.scan;
    assert_eq!(scan.scan, Scan::Mixed);
    let scans: Vec<_> = scan.segments.iter().map(|segment| segment.scan).collect();
    assert_eq!(scans, [Scan::TopFieldFirst, Scan::BottomFieldFirst]);
    assert!((50..=70).contains(&scan.segments[1].first_frame), "{:?}", scan.segments);
}

/// Lines one row high, standing and moving, look like combs in one frame and are none.
#[test]
fn fine_lines_are_no_combs() {
    let lines = |shift: usize| -> Vec<u8> {
        let moving = paint(shift);
        (0..WIDTH * HEIGHT)
            .map(|at| if at % WIDTH < WIDTH / 2 { ((at / WIDTH) % 2 * 200) as u8 } else { moving[at] })
            .collect()
    };
    let found = found(&(0..FRAMES).map(lines).collect::<Vec<_>>(), 60_000, Scan::Unknown);
    assert!(found.frames.iter().all(|frame| frame.flags == FrameFlags::default()));
}

/// Letters drawn in rows that stand twice, or four times, are no lost field while what moves beside them has all its rows.
#[test]
fn drawn_letters_are_no_lost_field() {
    for rows in [2, 4] {
        let letters = |f: usize| -> Vec<u8> {
            let moving = paint(f);
            let stroke = |at: usize| (at / WIDTH / rows * 7 + at % WIDTH / rows * 3) % 5 < 2;
            let of = |at: usize| if stroke(at) { 200 } else { 20 };
            (0..WIDTH * HEIGHT)
                .map(|at| if at / WIDTH < 3 * HEIGHT / 4 { of(at) } else { moving[at] })
                .collect()
        };
        let found = found(&(0..FRAMES).map(letters).collect::<Vec<_>>(), 60_000, Scan::Unknown);
        assert!(found.frames.iter().all(|frame| frame.flags == FrameFlags::default()), "{rows} rows");
        assert_eq!(found.outcome, None, "{rows} rows");
    }
}

#[test]
fn whole_pictures_that_were_scaled_are_no_combs() {
    let found = found(&twice((0..FRAMES).map(|f| scaled(paint(2 * f)))), 60_000, Scan::Unknown);
    assert!(found.frames.iter().all(|frame| !frame.flags.contains(FrameFlags::COMBED)));
}

/// Derived: what alternates in a comb of even motion is a quarter of the change of a frame on each side, against the sign of
/// the earlier field; a picture of one moment has none.
#[test]
fn the_comb_has_the_sign_of_the_order() {
    type Picture = fn(usize) -> Vec<u8>;
    let cases: [(&str, Picture, f32); 3] = [
        ("top first", |f| weave(2 * f, 2 * f + 1), -1.0),
        ("bottom first", |f| weave(2 * f + 1, 2 * f), 1.0),
        ("one moment", |f| paint(2 * f), 0.0),
    ];
    for (name, picture, sign) in cases {
        let (samples, _) = samples(&(0..6).map(picture).collect::<Vec<_>>());
        for sample in &samples[1..] {
            let comb = sample.measures.ripple.comb.value();
            assert!(if sign == 0.0 { comb.abs() < 0.05 } else { comb * sign > 0.3 }, "{name}: {comb}");
        }
    }
}

/// Noise of `levels` code values on every sample, another for each frame.
fn noisy(frame: usize, levels: u64, picture: Vec<u8>) -> Vec<u8> {
    let noise = |at: usize| {
        let mixed = (at as u64 ^ (frame as u64) << 32).wrapping_mul(0x9e37_79b9_7f4a_7c15);
        ((mixed >> 40) % levels) as u8
    };
    let middle = (levels / 2) as u8;
    let add = |(at, sample): (usize, u8)| sample.saturating_add(noise(at)).saturating_sub(middle);
    picture.into_iter().enumerate().map(add).collect()
}

/// A field that repeats in an even motion is found though recorder's noise changes every sample of it, even where the
/// noise is a third of the motion; whole pictures under the same noise are none.
#[test]
fn film_shows_through_noise() {
    let film = film_frames(50, &[2, 3]);
    let whole: Vec<_> = (0..50).map(|f| paint(2 * f)).collect();
    let mixed: Vec<usize> = (0..50).filter(|frame| [2, 3].contains(&(frame % 5))).collect();
    for (pictures, levels, expected) in
        [(&film, 5, &mixed), (&film, 41, &mixed), (&whole, 5, &Vec::new()), (&whole, 41, &Vec::new())]
    {
        let noisy: Vec<_> =
            pictures.iter().enumerate().map(|(f, picture)| noisy(f, levels, picture.clone())).collect();
        let found = found(&noisy, 30_000, Scan::Unknown);
        let combed: Vec<usize> =
            (0..50).filter(|&frame| found.frames[frame].flags.contains(FrameFlags::COMBED)).collect();
        assert_eq!(&combed, expected, "noise of {levels} levels");
    }
}

/// Lettering that moves up by 1.4 rows a picture lies on the same rows again after five pictures, as film does: fine rows
/// seem to stay and to change in turn. As whole pictures it is none, in fields it is.
#[test]
fn what_moves_up_is_film_only_in_fields() {
    let lines = |moment: usize| -> Vec<u8> {
        let row = |at: usize| (at / WIDTH) as f64 + 1.4 * moment as f64;
        let stroke = |at: usize| (2.1 * row(at)).sin() * (0.13 * row(at) + 0.07 * (at % WIDTH) as f64).sin();
        (0..WIDTH * HEIGHT).map(|at| (128.0 + 90.0 * stroke(at)) as u8).collect()
    };
    let in_fields = |frame: usize| {
        let [top, bottom] = [2 * frame, 2 * frame + 1].map(|field| lines(film_moment(field, &[2, 3], 1)));
        let of_top = |at: usize| at / WIDTH % 2 == 0;
        (0..top.len()).map(|at| if of_top(at) { top[at] } else { bottom[at] }).collect()
    };
    let outcome = |pictures: Vec<Vec<u8>>| {
        let found = found(&pictures, 30_000, Scan::TopFieldFirst);
        found.outcome.map(|outcome| outcome.code)
    };
    assert_eq!(outcome((0..50).map(in_fields).collect()), Some(OutcomeCode::FilmPulldown));
    assert_ne!(outcome((0..50).map(lines).collect()), Some(OutcomeCode::FilmPulldown));
}
