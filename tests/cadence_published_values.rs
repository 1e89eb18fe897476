//! Cadence and judder against published values and closed forms.

mod cadence_common;

use cadence_common::{analyse_holds, analyse_holds_at, mechanical_word, rate, repeated};

/// A standard rate pair and what even motion on it comes to.
///
/// Holds are the mechanical word ⌈(k+1)q/p⌉ − ⌈kq/p⌉ (Lothaire, *Algebraic Combinatorics on Words*, 2002,
/// chapter 2). Onset errors are uniform over 0, 1/p … (p−1)/p of a frame T, hence peak to peak T(p−1)/p and
/// RMS T√((p²−1)/12)/p; hold deviation T√(r(1−r)), r = (q mod p)/p. The milliseconds were computed from those
/// forms outside this project.
struct Row {
    pair: &'static str,
    pictures: u64,
    frames: u64,
    holds_ms: [f64; 2],
    hold_std_ms: f64,
    rms_ms: f64,
    peak_to_peak_ms: f64,
}

#[rustfmt::skip]
const fn row(pair: &'static str, (pictures, frames): (u64, u64), holds_ms: [f64; 2], hold_std_ms: f64,
             rms_ms: f64, peak_to_peak_ms: f64) -> Row {
    Row { pair, pictures, frames, holds_ms, hold_std_ms, rms_ms, peak_to_peak_ms }
}

const ROWS: &[Row] = &[
    row("24 on 60", (2, 5), [33.3333, 50.0], 8.333333, 4.166667, 8.333333),
    row("23.976 on 59.94", (2, 5), [33.3667, 50.05], 8.341667, 4.170833, 8.341667),
    row("24 on 30", (4, 5), [33.3333, 66.6667], 14.433757, 9.316950, 25.0),
    row("24 on 25", (24, 25), [40.0, 80.0], 7.993053, 11.536978, 38.333333),
    row("24 on 50", (12, 25), [40.0, 60.0], 5.527708, 5.753421, 18.333333),
    row("25 on 60", (5, 12), [33.3333, 50.0], 8.164966, 4.714045, 13.333333),
    row("30 on 50", (3, 5), [20.0, 40.0], 9.428090, 5.443311, 13.333333),
    row("50 on 60", (5, 6), [16.6667, 33.3333], 6.666667, 4.714045, 13.333333),
    row("48 on 60", (4, 5), [16.6667, 33.3333], 7.216878, 4.658475, 12.5),
    row("24 on 75", (8, 25), [40.0, 53.3333], 4.409586, 3.818813, 11.666667),
    row("23.976 on 60", (400, 1001), [33.3333, 50.0], 8.333229, 4.811237, 16.625),
    row("24 on 59.94", (1001, 2500), [33.3667, 50.05], 8.341563, 4.816061, 16.666667),
    row("25 on 59.94", (1001, 2400), [33.3667, 50.05], 8.164864, 4.816061, 16.666667),
    row("59.94 on 60", (1000, 1001), [16.6667, 33.3333], 0.526783, 4.811250, 16.65),
    row("24 on 120", (1, 5), [41.6667, 41.6667], 0.0, 0.0, 0.0),
    row("24 on 144", (1, 6), [41.6667, 41.6667], 0.0, 0.0, 0.0),
    row("15 on 60", (1, 4), [66.6667, 66.6667], 0.0, 0.0, 0.0),
];

#[test]
fn judder_matches_the_closed_forms_to_the_printed_digits() {
    for row in ROWS {
        let name = row.pair;
        let delivered = rate(name.split(" on ").nth(1).unwrap());
        let periods = (60 / row.pictures).max(5);
        let found = analyse_holds_at(
            &mechanical_word(row.pictures, row.frames, row.pictures * periods + 3),
            delivered,
        );
        let near = |value: Option<f64>, printed: f64, what: &str| {
            let value = value.unwrap();
            assert!((value - printed).abs() <= 5.1e-7, "{name}: {what} {value}, printed {printed}");
        };
        near(found.judder.rms_ms, row.rms_ms, "rms");
        near(found.judder.inherent_rms_ms, row.rms_ms, "inherent");
        near(found.judder.excess_rms_ms, 0.0, "excess");
        near(found.judder.peak_to_peak_ms, row.peak_to_peak_ms, "peak to peak");
        near(found.judder.hold_std_ms, row.hold_std_ms, "hold deviation");
        let lengths = found.holds.iter().filter(|hold| hold.judged).map(|hold| hold.frames);
        for (length, printed) in
            [lengths.clone().min().unwrap(), lengths.max().unwrap()].into_iter().zip(row.holds_ms)
        {
            let hold_ms = f64::from(length) * delivered.period_ms();
            assert!((hold_ms - printed).abs() < 5.1e-5, "{name}: hold {hold_ms}, printed {printed}");
        }
        let motion = found.motion.motion_rate_hz.unwrap();
        let exact = delivered.hz() * row.pictures as f64 / row.frames as f64;
        assert!((motion - exact).abs() < 1e-9, "{name}: {motion} pictures per second, {exact} expected");
        assert!(found.breaks.is_empty(), "{name}: {:?}", found.breaks);
        let pair = match &found.slip {
            Some(slip) => slip.rate_pair.clone(),
            None => found.pattern.unwrap().rate_pair(delivered),
        };
        // 15 is no standard rate, the others are.
        let named = (name != "15 on 60").then(|| name.to_owned());
        assert_eq!(pair, named);
    }
}

#[test]
fn patterns_carry_the_labels_of_the_trade() {
    // 2:3, 2:3:3:2 and 2:2:2:4 are common practice; the others follow from the rate pair.
    for (holds, label) in [
        (&[1][..], "1:1"),
        (&[2], "2:2"),
        (&[4], "4:4"),
        (&[2, 3], "2:3"),
        (&[3, 2], "2:3"),
        (&[2, 3, 3, 2], "2:3:3:2"),
        (&[2, 2, 2, 4], "2:2:2:4"),
        (&[2, 1, 1, 1], "1×3:2"),
        (&[2, 1, 1, 1, 1], "1×4:2"),
        (&[3, 2, 2, 2, 2, 2, 2, 2, 2, 2, 2, 2], "2×11:3"),
    ] {
        let found = analyse_holds(&repeated(holds, 60));
        assert_eq!(found.pattern.unwrap().label(), label);
        assert_eq!(found.coverage, 1.0, "{label}");
        assert_eq!(found.segments.len(), 1, "{label}");
        assert_eq!(found.segments[0].first_frame, 0);
        assert!(found.breaks.is_empty() && found.slip.is_none() && found.freezes.is_empty());
    }
    let found = analyse_holds(&mechanical_word(24, 25, 96));
    assert_eq!(found.pattern.unwrap().label(), "1×23:2");
}

#[test]
fn euclidean_rhythms_are_mechanical_words() {
    // E(3,8) = 10010010 (Toussaint, BRIDGES 2005): onsets 3, 3, 2 apart. In the Christoffel word of slope
    // 4/7, xxyxxyxxyxy (OEIS A274170), the y are 3, 3, 3, 2 apart.
    for (p, q, label) in [(3, 8, "3:3:2"), (4, 11, "3×3:2")] {
        let found = analyse_holds(&mechanical_word(p, q, 40));
        assert_eq!(found.pattern.unwrap().label(), label);
    }
}

#[test]
fn clocks_a_thousandth_apart_part_by_a_frame_in_16_683_seconds() {
    // 1001 frames at 60 Hz are 16.683333 s. Even motion of 23.976 on 60 spends that frame in two halves.
    for (p, pair, label, slips_per_interval) in [(1000, "59.94 on 60", "1:1", 1), (400, "23.976 on 60", "2:3", 2)]
    {
        let found = analyse_holds_at(&mechanical_word(p, 1001, 4 * p + 50), rate("60"));
        let slip = found.slip.unwrap();
        assert_eq!(slip.rate_pair.as_deref(), Some(pair));
        assert_eq!(slip.pattern.label(), label);
        assert!((slip.interval_s - 16.683333).abs() < 5e-7, "{pair}: {}", slip.interval_s);
        assert!(slip.frames.len().abs_diff(4 * slips_per_interval) <= 1, "{pair}: {:?}", slip.frames);
        assert!(found.breaks.is_empty());
    }
    // A device that keeps 2:3 in phase and repeats one frame more in every 1001 slips as fast.
    let mut holds = repeated(&[2, 3], 200);
    holds[200] = 3;
    let found = analyse_holds_at(&holds.repeat(4), rate("60"));
    let slip = found.slip.unwrap();
    assert!((slip.interval_s - 16.683333).abs() < 5e-7, "{}", slip.interval_s);
    assert_eq!((slip.frames.len(), slip.rate_pair.as_deref()), (4, Some("23.976 on 60")));
}

#[test]
fn a_perfect_half_rate_signal_carries_exactly_half() {
    // Common practice, no source: 59.94 frames/s with every second one repeated are 29.97 pictures/s.
    let found = analyse_holds_at(&repeated(&[2], 150), rate("59.94"));
    assert_eq!(found.motion.motion_rate_hz, Some(30000.0 / 1001.0));
    assert_eq!(found.motion.delivered_rate_hz, 60000.0 / 1001.0);
    assert_eq!((found.motion.new_frames, found.motion.repeat_frames), (150, 150));
}
