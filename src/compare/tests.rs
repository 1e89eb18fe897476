//! Comparisons of devices whose pictures are known.

use super::measures::standing;
use super::*;
use crate::units::Rate;

fn value(value: f64, uncertainty: f64) -> Value {
    Value { value: Some(value), uncertainty, is_ranked: true }
}

#[test]
fn what_differs_by_less_than_is_known_is_equal() {
    use Standing::{Best, Between, Equal, Unknown, Worst};
    let unknown = Value { value: None, uncertainty: 0.0, is_ranked: true };
    for (name, values, better, expected) in [
        ("clear", vec![value(60.0, 0.1), value(30.0, 0.1)], Better::Higher, vec![Best, Worst]),
        ("lower is better", vec![value(3.0, 0.1), value(1.0, 0.1)], Better::Lower, vec![Worst, Best]),
        ("equal", vec![value(60.0, 0.1), value(59.9, 0.1)], Better::Higher, vec![Equal, Equal]),
        (
            "two best ones",
            vec![value(60.0, 0.1), value(59.9, 0.1), value(30.0, 0.1), value(45.0, 0.1)],
            Better::Higher,
            vec![Best, Best, Worst, Between],
        ),
        (
            "one unknown",
            vec![value(5.0, 0.0), unknown, value(7.0, 0.0)],
            Better::Lower,
            vec![Best, Unknown, Worst],
        ),
        ("nothing to rank", vec![value(5.0, 0.0), value(7.0, 0.0)], Better::Neither, vec![Equal, Equal]),
        ("nothing known", vec![unknown], Better::Higher, vec![Unknown]),
    ] {
        assert_eq!(standing(&values, better), expected, "{name}");
    }
}

fn device(name: &str, shown: Option<Shown>) -> Device {
    Device {
        name: name.to_owned(),
        told: DeviceFacts::default(),
        capture: name.to_owned(),
        complete: true,
        duration_s: 10.0,
        delivered_rate: Rate::parse("60").unwrap(),
        clip: None,
        values: vec![value(1.0, 0.0); MEASURES.len()],
        coverage: None,
        shown,
    }
}

#[test]
fn a_device_that_shows_every_second_picture_is_told() {
    let all: Vec<SourcePlace> = (100..700).map(SourcePlace::Picture).collect();
    let half: Vec<SourcePlace> = (0..600).map(|frame| SourcePlace::Picture(100 + frame / 2 * 2)).collect();
    let devices =
        vec![device("whole", Some(Shown::of_places(&all))), device("half", Some(Shown::of_places(&half)))];
    let compared = compare(devices, Basis::Captures("whole".to_owned()), 60.0);
    assert_eq!(compared.pictures, 600);
    let coverage = |place: usize| compared.devices[place].coverage.clone().unwrap();
    assert_eq!((coverage(0).shown, coverage(0).never), (600, 0));
    // The last picture that it could have shown is the one after its last.
    assert_eq!((coverage(1).shown, coverage(1).never), (300, 299));
    assert_eq!(compared.standings[1], [Standing::Best, Standing::Worst]);
    assert_eq!(coverage(1).lane.iter().map(|column| column.shown + column.never).sum::<u32>(), 599);
}

#[test]
fn pictures_that_only_another_device_shows_are_part_of_the_sequence() {
    // The other device shows the pictures between.
    let places: Vec<SourcePlace> =
        (0..99).map(|first| SourcePlace::Mix { first, second: first + 1, weight: 0.5 }).collect();
    let devices = vec![
        device("even", Some(Shown::all(100))),
        device("odd", Some(Shown::of_aligned(&places, &[true; 99], &[true; 99]))),
    ];
    let compared = compare(devices, Basis::Captures("even".to_owned()), 30.0);
    assert_eq!(compared.pictures, 199);
    for device in &compared.devices {
        let share = device.coverage.as_ref().unwrap().share().unwrap();
        assert!((share - 0.5).abs() < 0.01, "{}: {share}", device.name);
    }
}

#[test]
fn what_the_recordings_errors_explain_is_no_picture_of_its_own() {
    use SourcePlace::{Mix, Picture};
    let mix = |first, weight| Mix { first, second: first + 1, weight };
    for (name, places, apart, pictures, shown, never) in [
        ("none", vec![Picture(1), Picture(2), Picture(3)], false, 4, 3, 0),
        // The one that is not shown elsewhere, whatever is nearer.
        ("one", vec![Picture(1), mix(1, 0.2), Picture(3)], false, 4, 3, 0),
        ("at the end", vec![Picture(1), Picture(2), mix(2, 0.6)], false, 4, 3, 0),
        ("many", vec![mix(0, 0.9), mix(1, 0.9), mix(2, 0.9)], false, 4, 3, 0),
        ("apart", vec![Picture(1), mix(1, 0.2), Picture(3)], true, 5, 3, 1),
    ] {
        let devices = vec![
            device("base", Some(Shown::all(4))),
            device("other", Some(Shown::of_aligned(&places, &[true; 3], &[apart; 3]))),
        ];
        let compared = compare(devices, Basis::Captures("base".to_owned()), 30.0);
        let coverage = compared.devices[1].coverage.clone().unwrap();
        assert_eq!((compared.pictures, coverage.shown, coverage.never), (pictures, shown, never), "{name}");
    }
}

#[test]
fn audits_of_different_clips_are_told() {
    let clip = |name: &str, rate: &str, length| ClipName {
        name: name.to_owned(),
        rate: Rate::parse(rate).unwrap(),
        length: Some(length),
    };
    let with = |name: &str, clip| Device { clip: Some(clip), ..device(name, None) };
    let same = [with("a", clip("x", "24", 100)), with("b", clip("copy of x", "24", 100))];
    assert_eq!(common_clip(&same).unwrap().unwrap().name, "x");
    let other = [with("a", clip("x", "24", 100)), with("b", clip("y", "25", 100))];
    let refused = common_clip(&other).unwrap_err();
    assert_eq!(refused.device, 1);
    assert!(
        refused.evidence.contains("a was held against x of 100 pictures at 24/s"),
        "{}",
        refused.evidence
    );
    assert_eq!(common_clip(&[with("a", clip("x", "24", 100)), device("b", None)]), Ok(None));
}

#[test]
fn a_value_that_means_nothing_for_a_device_is_neither_best_nor_in_the_way() {
    let unranked = Value { is_ranked: false, ..value(0.0, 0.0) };
    let (two, five) = (value(2.0, 0.0), value(5.0, 0.0));
    for (values, expected) in [
        (vec![unranked, two, five], vec![Standing::NotRanked, Standing::Best, Standing::Worst]),
        (vec![unranked, two], vec![Standing::NotRanked, Standing::Equal]),
        (vec![unranked], vec![Standing::NotRanked]),
    ] {
        assert_eq!(measures::standing(&values, Better::Lower), expected);
    }
}

/// A recording in which every picture looks alike in small: frame by frame the number of the picture it shows.
fn alike(shown: &[u8], size: (u32, u32)) -> Frames {
    Frames {
        signatures: vec![std::array::from_fn(|cell| 100 * cell as u16); shown.len()],
        digests: shown.iter().map(|&picture| [picture + 1; 32]).collect(),
        is_new: (0..shown.len()).map(|frame| frame == 0 || shown[frame] != shown[frame - 1]).collect(),
        mixes: false,
        size,
        delivered_rate: Rate::parse("60").unwrap(),
    }
}

#[test]
fn equal_samples_are_the_same_picture_though_all_look_alike() {
    let whole: Vec<u8> = (0..100).collect();
    let half: Vec<u8> = (0..100).map(|frame| frame / 2 * 2).collect();
    let base = Base::new(0, &alike(&whole, (320, 240)));
    for (name, size, expected) in [
        // The last picture that it could have shown is its last.
        ("the same size", (320, 240), (50, 49)),
        // Samples of other sizes prove nothing: neither that pictures are there nor that they are missing.
        ("another size", (640, 480), (0, 0)),
    ] {
        let mut devices = vec![device("whole", Some(base.all_shown())), device("half", None)];
        devices[1].show(base.shown_by(&alike(&half, size)).unwrap());
        let compared = compare(devices, Basis::Captures("whole".to_owned()), 60.0);
        let coverage = compared.devices[1].coverage.clone().unwrap();
        assert_eq!((coverage.shown, coverage.never), expected, "{name}");
    }
}
