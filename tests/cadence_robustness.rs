//! The cadence stage on broken, changing, long and tiny captures.

mod cadence_common;

use cadence_common::{
    analyse_holds, analyse_holds_at, even_times, frame, frames, mechanical_word, rate, repeated, Numbers,
};
use evenbeat::cadence::{analyse, CadenceAnalysis, FrameTimes};
use evenbeat::classify::{FrameClass, FrameFlags};
use evenbeat::units::TimeBase;

fn label(found: &CadenceAnalysis) -> Option<String> {
    found.pattern.as_ref().map(|pattern| pattern.label())
}

fn breaks(found: &CadenceAnalysis) -> Vec<(u64, u32, u32)> {
    found.breaks.iter().map(|b| (b.frame, b.expected_hold, b.found_hold)).collect()
}

#[test]
fn tiny_captures_are_not_judged() {
    use FrameClass::{New, Repeat, Still};
    for classes in [
        &[][..],
        &[New],
        &[New, New],
        &[New, Repeat],
        &[New, New, New],
        &[New, Repeat, New, Repeat, New],
        &[Repeat, Repeat],
        &[New, Still, Still, Still, Still, Still, Still, Still, Still],
        &[New, Repeat, Repeat, Repeat, Repeat, Repeat, Repeat, Repeat, Repeat],
    ] {
        let frames: Vec<_> = classes.iter().map(|&class| frame(class)).collect();
        let found = analyse(&frames, &even_times(frames.len(), rate("60")));
        assert_eq!(found.pattern, None, "{classes:?}");
        assert_eq!(found.coverage, 0.0);
        assert!(found.segments.is_empty() && found.breaks.is_empty() && found.slip.is_none());
        assert_eq!(found.judder.rms_ms, None);
        assert_eq!(found.holds.iter().map(|hold| hold.frames as usize).sum::<usize>(), frames.len());
    }
}

#[test]
fn a_second_of_motion_is_enough() {
    for (holds, name) in
        [(repeated(&[1], 20), "1:1"), (repeated(&[2], 10), "2:2"), (repeated(&[2, 3], 5), "2:3")]
    {
        assert_eq!(label(&analyse_holds(&holds)).as_deref(), Some(name));
    }
}

#[test]
fn one_break_is_one_break() {
    for (change, expected) in [
        // A phase that shifts is one break, not one per hold after it.
        (&[2, 3, 2, 3, 3, 2, 3, 2, 3, 2, 3][..], vec![(110, 2, 3)]),
        (&[2, 3, 2, 2, 3, 2, 3, 2, 3, 2, 3], vec![(107, 3, 2)]),
        // A picture late by one frame, the next on time.
        (&[2, 3, 3, 2, 2, 3, 2, 3], vec![(105, 2, 3)]),
        (&[2, 3, 9, 3, 2, 3, 2, 3], vec![(105, 2, 9)]),
    ] {
        let holds = [&repeated(&[2, 3], 20), change, &repeated(&[2, 3], 20)].concat();
        let found = analyse_holds(&holds);
        assert_eq!(label(&found).as_deref(), Some("2:3"));
        assert_eq!(breaks(&found)[0], expected[0], "{change:?}");
        assert!(found.breaks.len() <= 2 && found.segments.len() <= 3, "{change:?}: {:?}", found.breaks);
    }
}

#[test]
fn cut_ends_are_breaks_only_where_too_long() {
    let inner = repeated(&[3], 20);
    for (first, last, expected) in
        [(1, 1, vec![]), (3, 2, vec![]), (4, 3, vec![(0, 3, 4)]), (3, 5, vec![(63, 3, 5)])]
    {
        let found = analyse_holds(&[&[first], &inner[..], &[last]].concat());
        assert_eq!(breaks(&found), expected, "{first} … {last}");
    }
}

#[test]
fn each_part_of_a_changing_capture_has_its_own_segment() {
    let holds = [repeated(&[1], 300), repeated(&[2], 200), repeated(&[2, 3], 200)].concat();
    let found = analyse_holds(&holds);
    let segments: Vec<_> = found
        .segments
        .iter()
        .map(|segment| (segment.first_frame, segment.last_frame, segment.pattern.label()))
        .collect();
    assert_eq!(segments.len(), 3, "{segments:?}");
    assert_eq!(segments[0], (0, 299, "1:1".to_owned()));
    assert_eq!((segments[1].0, segments[1].2.as_str()), (300, "2:2"));
    assert_eq!((segments[2].1, segments[2].2.as_str()), (1699, "2:3"));
    assert_eq!(label(&found).as_deref(), Some("2:3"));
    assert!(found.breaks.is_empty(), "{:?}", found.breaks);
    // One line over all would leave hundreds of milliseconds; each part is even by itself.
    assert!(found.judder.rms_ms.unwrap() < 5.0, "{:?}", found.judder);
    assert!(found.judder.excess_rms_ms.unwrap() < 0.5, "{:?}", found.judder);
}

#[test]
fn the_pattern_survives_breaks_in_a_few_of_a_hundred_holds() {
    let mut numbers = Numbers::new(7);
    for (period, name) in [
        (vec![1], "1:1"),
        (vec![2], "2:2"),
        (vec![2, 3], "2:3"),
        (vec![2, 3, 3, 2], "2:3:3:2"),
        (vec![1, 1, 1, 1, 2], "1×4:2"),
        (mechanical_word(24, 25, 24), "1×23:2"),
    ] {
        let mut holds = repeated(&period, 2400 / period.len());
        let mut broken = 0;
        for hold in &mut holds {
            if numbers.below(100) < 2 {
                *hold += 2 + numbers.below(3) as u32;
                broken += 1;
            }
        }
        let found = analyse_holds(&holds);
        assert_eq!(label(&found).as_deref(), Some(name));
        assert!(found.slip.is_none(), "{name}: random breaks are no slip");
        let listed = found.breaks.len();
        assert!(listed.abs_diff(broken) <= 1 + broken / 10, "{name}: {listed} breaks listed, {broken} made");
        assert!(found.coverage > 0.8, "{name}: {}", found.coverage);
        assert!(found.judder.excess_rms_ms.unwrap() > 5.0, "{name}: {:?}", found.judder);
    }
}

#[test]
fn any_rate_pair_is_followed_from_any_phase() {
    let mut numbers = Numbers::new(11);
    for _ in 0..60 {
        let pictures = 1 + numbers.below(40);
        let per_frame = 1 + numbers.below(4);
        let frames = pictures * per_frame + numbers.below(pictures + 1);
        let from = numbers.below(50) as usize;
        let holds = mechanical_word(pictures, frames, 400)[from..].to_vec();
        let found = analyse_holds(&holds);
        let pattern = found.pattern.as_ref().unwrap();
        let divisor = (1..=pictures).rev().find(|d| pictures % d == 0 && frames % d == 0).unwrap();
        assert_eq!(pattern.pace(), (pictures / divisor, frames / divisor));
        assert!(found.breaks.is_empty() && found.slip.is_none(), "{pictures} on {frames}");
        assert_eq!(found.segments.len(), 1);
        assert!(found.judder.excess_rms_ms.unwrap() < 1e-6);
    }
}

#[test]
fn irregular_holds_have_no_pattern() {
    for seed in 0..20 {
        let mut numbers = Numbers::new(seed * 977);
        let holds: Vec<u32> = (0..3000).map(|_| 1 + numbers.below(3) as u32).collect();
        let found = analyse_holds(&holds);
        assert_eq!(found.pattern, None, "seed {seed}: {:?}", label(&found));
        assert!(found.slip.is_none() && found.segments.is_empty() && found.breaks.is_empty());
        assert!(found.judder.rms_ms.unwrap() > 5.0);
        assert_eq!(found.judder.excess_rms_ms, None);
    }
}

#[test]
fn long_mechanical_words_without_a_short_pattern_are_recognised() {
    // Ratios of the golden mean are the furthest from any short pattern.
    let found = analyse_holds(&mechanical_word(233, 610, 1000));
    assert_eq!(label(&found).as_deref(), Some("233 in 610"));
    assert!(found.breaks.is_empty());
    assert!(found.coverage > 0.99);
    assert!(found.judder.excess_rms_ms.unwrap() < 1e-6, "{:?}", found.judder);
}

#[test]
fn a_lone_repeat_is_a_break_and_not_a_slip() {
    let mut holds = repeated(&[1], 1500);
    holds[700] = 2;
    let found = analyse_holds(&holds);
    assert_eq!(breaks(&found), [(700, 1, 2)]);
    assert!(found.slip.is_none());
    // Two repeats at a distance that no standard rate pair explains.
    holds[1000] = 2;
    let found = analyse_holds(&holds);
    assert_eq!(breaks(&found), [(700, 1, 2), (1001, 1, 2)]);
    assert!(found.slip.is_none());
}

#[test]
fn true_breaks_stay_listed_among_slips() {
    let mut holds = mechanical_word(1000, 1001, 6000);
    holds[2500] += 1;
    holds[3700] += 6;
    let found = analyse_holds(&holds);
    let slip = found.slip.as_ref().unwrap();
    assert_eq!(slip.rate_pair.as_deref(), Some("59.94 on 60"));
    assert_eq!(breaks(&found), [(2503, 1, 2), (3705, 1, 7)]);
    assert_eq!(found.freezes.len(), 1);
}

#[test]
fn repeats_at_random_are_no_slip() {
    for seed in 0..60 {
        let mut numbers = Numbers::new(31 * seed + 5);
        let period = match seed % 3 {
            0 => vec![1],
            1 => vec![2, 3],
            _ => mechanical_word(24, 25, 24),
        };
        let mut holds = repeated(&period, 7200 / period.len());
        for _ in 0..2 + seed % 25 {
            let at = numbers.below(7000) as usize;
            holds[at] = period.iter().max().unwrap() + 1 - u32::from(period.len() > 1);
        }
        let found = analyse_holds(&holds);
        assert!(found.slip.is_none(), "seed {seed}: {:?}", found.slip);
    }
}

#[test]
fn a_faster_source_slips_by_skipped_pictures() {
    // 60 on 59.94: 1001 pictures in 1000 frames, one is never shown; 16.683333 s apart.
    let mut frames = frames(&repeated(&[1], 4500));
    for skip in (700..4500).step_by(1000) {
        frames[skip].lost_before = 1;
    }
    let found = analyse(&frames, &even_times(frames.len(), rate("59.94")));
    let slip = found.slip.as_ref().unwrap();
    assert_eq!(slip.frames, [700, 1700, 2700, 3700]);
    assert_eq!(slip.rate_pair.as_deref(), Some("60 on 59.94"));
    assert!((slip.interval_s - 16.683333).abs() < 5e-7, "{}", slip.interval_s);
    assert!(found.judder.excess_rms_ms.unwrap() < 0.5, "{:?}", found.judder);
    assert_eq!(label(&found).as_deref(), Some("1:1"));
}

#[test]
fn slow_clocks_slip_without_a_named_pair() {
    // 20 ppm: two signals at opposite limits of ±10 ppm (SMPTE ST 274), one slip in about 834 s.
    let mut holds = repeated(&[1], 50_000);
    for hold in holds.iter_mut().skip(20_000).step_by(49_999) {
        *hold = 2;
    }
    let found = analyse_holds_at(&holds.repeat(4), rate("59.94"));
    let slip = found.slip.unwrap();
    assert_eq!((slip.frames.len(), slip.rate_pair), (4, None));
    assert!((slip.interval_s - 834.18).abs() < 0.01, "{}", slip.interval_s);
}

#[test]
fn freezes_come_from_repeats_and_not_from_stills() {
    let mut frames = frames(&[repeated(&[1], 60), vec![30], repeated(&[1], 60)].concat());
    frames[90].lost_before = 29;
    let times = even_times(frames.len(), rate("60"));
    let found = analyse(&frames, &times);
    let freeze = found.freezes[0];
    assert_eq!((freeze.first_frame, freeze.last_frame, freeze.lost_pictures), (60, 89, Some(29)));
    assert!((freeze.duration_ms - 500.0).abs() < 1e-9);
    assert_eq!(breaks(&found), [(60, 1, 30)]);
    // The pictures after it are on time. The 29 lost ones are late by 1 to 29 frames: Σk² = 29·30·59/6, out of these and of
    // 119 pictures whose whole hold is known.
    let expected = 1000.0 / 60.0 * (29.0 * 30.0 * 59.0 / 6.0 / (29.0 + 119.0_f64)).sqrt();
    assert!((found.judder.rms_ms.unwrap() - expected).abs() < 1e-6, "{:?}", found.judder);
    assert!(found.judder.hold_std_ms.unwrap() > 10.0);

    for frozen in &mut frames[61..90] {
        frozen.class = FrameClass::Still;
    }
    let found = analyse(&frames, &times);
    assert!(found.freezes.is_empty() && found.breaks.is_empty());
    assert_eq!(label(&found).as_deref(), Some("1:1"));
    assert_eq!(found.motion.motion_rate_hz, Some(60.0));
}

#[test]
fn a_freeze_is_longer_than_a_late_picture() {
    // At least 100 ms, three frames more than the pattern's longest hold, and twice as long as it.
    for (usual, long, delivered, freezes) in [
        (1, 5, "60", 0),
        (1, 6, "60", 1),
        (2, 5, "60", 0),
        (2, 6, "60", 1),
        (1, 3, "25", 0),
        (1, 4, "25", 1),
        (4, 7, "60", 0),
        (4, 8, "60", 1),
    ] {
        let holds = [repeated(&[usual], 40), vec![long], repeated(&[usual], 40)].concat();
        let found = analyse_holds_at(&holds, rate(delivered));
        assert_eq!(found.freezes.len(), freezes, "{long} frames among {usual} at {delivered}");
        assert_eq!(found.breaks.len(), 1);
    }
}

#[test]
fn late_pictures_without_loss_are_judder() {
    let found = analyse_holds(&[repeated(&[2], 60), vec![30], repeated(&[2], 60)].concat());
    assert!(found.judder.excess_rms_ms.unwrap() > 50.0, "{:?}", found.judder);
    // Short lateness is a break and no freeze.
    let found = analyse_holds(&[repeated(&[2], 60), vec![4], repeated(&[2], 60)].concat());
    assert!(found.freezes.is_empty() && found.breaks.len() == 1);
}

#[test]
fn gaps_restart_the_phase_and_are_not_judged() {
    let mut frames = frames(&repeated(&[2, 3], 40));
    frames.drain(101..105);
    frames[101].flags.insert(FrameFlags::AFTER_GAP);
    let flagged = analyse(&frames, &even_times(frames.len(), rate("60")));
    let mut by_times = frames.clone();
    by_times[101].flags = FrameFlags::default();
    let ticks = (0..200).filter(|tick| !(101..105).contains(tick)).collect();
    let times = FrameTimes { ticks, ..even_times(0, rate("60")) };
    for found in [flagged, analyse(&by_times, &times)] {
        assert_eq!(label(&found).as_deref(), Some("2:3"));
        assert!(found.breaks.is_empty(), "{:?}", found.breaks);
        assert_eq!(found.segments.len(), 2);
        assert!(found.judder.excess_rms_ms.unwrap() < 1e-6);
        assert!((found.motion.motion_rate_hz.unwrap() - 24.0).abs() < 1e-9);
    }
}

#[test]
fn measured_times_give_measured_rates() {
    // 59.94 in whole milliseconds, as containers write it: 2:2.
    let frames = frames(&repeated(&[2], 300));
    let ticks = (0..600i64).map(|k| (k * 1_001_000 + 30_000) / 60_000).collect();
    let times = FrameTimes {
        base: TimeBase::new(1, 1000).unwrap(),
        ticks,
        measured: true,
        delivered_rate: rate("59.94"),
    };
    let found = analyse(&frames, &times);
    assert!((found.motion.delivered_rate_hz - 59.94006).abs() < 0.001);
    assert!((found.motion.motion_rate_hz.unwrap() - 29.97003).abs() < 0.01);
    // Rounding to whole milliseconds has a deviation of 1/√12 ms.
    assert!((found.judder.rms_ms.unwrap() - 0.2887).abs() < 0.02, "{:?}", found.judder);
    let timing = found.timing.unwrap();
    assert!(timing.gaps.is_empty() && timing.uneven.is_empty() && timing.not_increasing.is_empty());
}

#[test]
fn ten_hours_stay_in_phase() {
    let holds = mechanical_word(400, 1001, 863_136);
    let frames = frames(&holds);
    let times = even_times(frames.len(), rate("60"));
    let found = analyse(&frames, &times);
    let slip = found.slip.unwrap();
    assert!((slip.interval_s - 16.683333).abs() < 5e-7, "{}", slip.interval_s);
    // Two half-frame slips in each of 2157 intervals.
    assert!(slip.frames.len().abs_diff(4315) <= 1, "{}", slip.frames.len());
    assert!(found.breaks.is_empty());
    assert!(found.judder.excess_rms_ms.unwrap() < 1e-6, "{:?}", found.judder);
}

#[test]
fn ten_hours_of_nanoseconds_keep_their_precision() {
    let frames = frames(&repeated(&[1], 2_160_000));
    let ticks = (0..2_160_000i64).map(|k| (k * 1_001_000_000 + 30) / 60).collect();
    let times =
        FrameTimes { base: TimeBase::NANOSECONDS, ticks, measured: true, delivered_rate: rate("59.94") };
    let found = analyse(&frames, &times);
    let timing = found.timing.unwrap();
    assert!(timing.rate_offset_ppm.abs() < 1e-3, "{}", timing.rate_offset_ppm);
    assert!(found.judder.rms_ms.unwrap() < 1e-5, "{:?}", found.judder);
    assert_eq!(label_of(found.pattern), "1:1");
}

fn label_of(pattern: Option<evenbeat::cadence::Pattern>) -> String {
    pattern.unwrap().label()
}

/// Any frames and any times: what comes out is in order, within its bounds and finite.
#[test]
fn nothing_breaks_the_invariants() {
    for seed in 0..400 {
        let mut numbers = Numbers::new(seed * 7919);
        let count = numbers.below(300) as usize;
        let (stills, gaps, wild) = (numbers.below(30), numbers.below(20), numbers.below(3) == 0);
        let period = 1 + numbers.below(6);
        let mut ticks = Vec::new();
        let mut now = 0i64;
        let frames: Vec<_> = (0..count as u64)
            .map(|index| {
                let class = match numbers.below(100) {
                    n if n < stills => FrameClass::Still,
                    n if n < 40 && index % period > 0 => FrameClass::Repeat,
                    _ => FrameClass::New,
                };
                let mut made = frame(class);
                made.lost_before = if numbers.below(20) == 0 { numbers.below(65_536) as u16 } else { 0 };
                if numbers.below(100) < gaps {
                    made.flags.insert(FrameFlags::AFTER_GAP);
                }
                now += 16 + numbers.below(3) as i64;
                ticks.push(match numbers.below(if wild { 8 } else { 1_000_000 }) {
                    0 => i64::MAX,
                    1 => i64::MIN,
                    2 => now - 500,
                    _ => now,
                });
                made
            })
            .collect();
        let times = FrameTimes {
            base: TimeBase::new(1, 1000).unwrap(),
            ticks,
            measured: seed % 2 == 0,
            delivered_rate: rate("60"),
        };
        check_invariants(&analyse(&frames, &times), count as u64);
    }
}

fn check_invariants(found: &CadenceAnalysis, count: u64) {
    let mut next = 0;
    for hold in &found.holds {
        assert_eq!(hold.first_frame, next);
        assert!(hold.frames >= 1 && hold.still_frames <= hold.frames);
        next += u64::from(hold.frames);
    }
    assert_eq!(next, count);
    assert!((0.0..=1.0).contains(&found.coverage));
    assert!(found.segments.iter().all(|s| s.first_frame <= s.last_frame && s.last_frame < count));
    assert!(found.segments.windows(2).all(|pair| pair[0].last_frame < pair[1].first_frame));
    assert!(found.breaks.windows(2).all(|pair| pair[0].frame < pair[1].frame));
    assert!(found.breaks.iter().all(|b| b.expected_hold != b.found_hold && b.frame < count));
    assert!(found.freezes.iter().all(|f| f.first_frame <= f.last_frame && f.last_frame < count));
    let motion = &found.motion;
    assert_eq!(motion.new_frames + motion.repeat_frames + motion.still_frames, count);
    let judder = &found.judder;
    let measures = [judder.rms_ms, judder.peak_to_peak_ms, judder.hold_std_ms, judder.excess_rms_ms];
    let rates = [Some(motion.delivered_rate_hz), motion.motion_rate_hz];
    assert!(measures.iter().chain(&rates).flatten().all(|value| value.is_finite() && *value >= 0.0));
    if let Some(timing) = &found.timing {
        for value in [timing.step_std_ms, timing.jitter_ms, timing.jitter_largest_ms, timing.measured_rate_hz]
        {
            assert!(value.is_finite() && value >= 0.0, "{timing:?}");
        }
    }
}
