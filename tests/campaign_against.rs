//! A campaign held against an earlier one: a difference counts only beyond what both are uncertain by.

mod campaign_common;

use campaign_common::campaign;
use evenbeat::campaign::against::hold_against;
use evenbeat::campaign::cell;
use evenbeat::campaign::model::{Aspect, Campaign, Measure, Run, RunResult, Standing, Way};

/// One run: the letter of its standing, which is that of its motion, and its motion rate with what that is uncertain by.
type RunOf = (char, f64, f64);

fn measure(key: &str, value: f64, uncertainty: f64) -> Measure {
    Measure { key: key.to_owned(), value: Some(value), uncertainty }
}

/// A campaign of one cell with these runs, each changed by `change`.
fn runs(runs: &[RunOf], change: impl Fn(&mut RunResult)) -> Campaign {
    let rows: Vec<Run> = runs
        .iter()
        .zip(1..)
        .map(|(&(letter, rate, uncertainty), number)| {
            let mut run = campaign(&[letter.to_string().as_str()]).cells[0].runs[0].clone();
            run.run = number;
            let result = run.result.as_mut().unwrap();
            result.measures = vec![measure("motion_rate_hz", rate, uncertainty)];
            change(result);
            run
        })
        .collect();
    let mut whole = campaign(&["r"]);
    whole.cells[0] = cell("device-1", "clip-1", rows);
    whole
}

fn held(then: &Campaign, now: &Campaign) -> (Way, String) {
    let mut now = now.clone();
    hold_against(&mut now, then);
    let change = now.cells[0].change.clone().unwrap();
    (change.way, change.text)
}

#[test]
fn a_difference_counts_only_beyond_what_both_are_uncertain_by() {
    let none = "There is no difference beyond what both are uncertain by.";
    let full = ('r', 59.94, 0.01);
    let half = ('w', 29.97, 0.01);
    for (then, now, way, text) in [
        (&[full][..], &[half][..], Way::Worse, "Motion rate: 59.940 pictures/s then, 29.970 pictures/s now."),
        (&[half], &[full], Way::Mended, "Motion rate: 29.970 pictures/s then, 59.940 pictures/s now."),
        (&[full], &[full], Way::Unchanged, none),
        // Right and wrong by a hair: neither knows so exactly.
        (&[('r', 59.94, 0.1)], &[('w', 59.8, 0.1)], Way::Unchanged, none),
        (&[('r', 59.94, 0.1)], &[('w', 59.7, 0.1)], Way::Worse, "Motion rate: 59.940 pictures/s then, 59.700 pictures/s now."),
        // Still wrong, but less so, and the other way round.
        (&[half], &[('w', 40.0, 0.01)], Way::Mended, "Motion rate: 29.970 pictures/s then, 40.000 pictures/s now."),
        (&[('w', 40.0, 0.01)], &[half], Way::Worse, "Motion rate: 40.000 pictures/s then, 29.970 pictures/s now."),
        // Nobody complains of either.
        (&[full], &[('r', 59.0, 0.01)], Way::Unchanged, "Motion rate: 59.940 pictures/s then, 59.000 pictures/s now."),
        // What failed twice in five runs may do so again.
        (
            &[half, full, half, full, full],
            &[full; 5],
            Way::Unchanged,
            "There is no difference beyond what both are uncertain by. Wrong in 2 of 5 runs then, in 0 of 5 runs now.",
        ),
        (
            &[half; 5],
            &[full; 3],
            Way::Mended,
            "Motion rate: 29.970 pictures/s then, 59.940 pictures/s now. Wrong in 5 of 5 runs then, in 0 of 3 runs now.",
        ),
    ] {
        let same = |_: &mut RunResult| {};
        assert_eq!(held(&runs(then, same), &runs(now, same)), (way, text.to_owned()), "{then:?} {now:?}");
    }
}

/// What no measure shows is told by the judgement, where all runs agree.
#[test]
fn what_is_judged_without_a_measure_counts_where_all_runs_agree() {
    let levels = |letters: &str| {
        let place = std::cell::Cell::new(0);
        runs(&vec![('r', 59.94, 0.01); letters.len()], |result| {
            let letter = letters.as_bytes()[place.get()];
            place.set(place.get() + 1);
            let row = result.aspects.iter_mut().find(|row| row.aspect == Aspect::Levels).unwrap();
            row.standing = if letter == b'w' { Standing::Wrong } else { Standing::Right };
            row.text = if letter == b'w' { "White is clipped." } else { "Levels are kept." }.to_owned();
            if letter == b'w' {
                result.standing = Standing::Wrong;
            }
        })
    };
    for (then, now, way, text) in [
        ("r", "w", Way::Worse, "White is clipped."),
        ("w", "r", Way::Mended, "Gone is: White is clipped."),
        ("w", "w", Way::Unchanged, "There is no difference"),
        ("rw", "rr", Way::Unchanged, "There is no difference"),
        ("rr", "rw", Way::Unchanged, "There is no difference"),
        ("rr", "ww", Way::Worse, "White is clipped."),
    ] {
        let (found, said) = held(&levels(then), &levels(now));
        assert_eq!(found, way, "{then} {now}: {said}");
        assert!(said.contains(text), "{then} {now}: {said}");
    }
}

#[test]
fn counts_of_recordings_of_other_length_are_compared_by_time() {
    let drops = |letter: char, count: f64, duration_s: f64| {
        runs(&[(letter, 59.94, 0.01)], |result| {
            result.measures = vec![measure("dropped_pictures", count, 0.0)];
            result.duration_s = duration_s;
        })
    };
    for (then, now, way) in [
        (drops('w', 10.0, 60.0), drops('w', 20.0, 60.0), Way::Worse),
        (drops('w', 10.0, 60.0), drops('w', 20.0, 120.0), Way::Unchanged),
        (drops('w', 10.0, 60.0), drops('w', 10.0, 120.0), Way::Mended),
        // One more or less may lie just outside of what was recorded.
        (drops('w', 1.0, 60.0), drops('w', 2.0, 70.0), Way::Unchanged),
    ] {
        let (found, said) = held(&then, &now);
        assert_eq!(found, way, "{said}");
    }
}

#[test]
fn what_was_not_audited_or_is_another_clip_is_not_comparable() {
    let right = campaign(&["r"]);
    let mut other_clip = right.clone();
    other_clip.clips[0].blake3 = Some("12".repeat(32));
    let mut other_device = right.clone();
    other_device.devices[0].id = "another".to_owned();
    other_device.cells[0].device = "another".to_owned();
    for (then, now, text) in [
        (&campaign(&["n"]), &right, "It was not tested then."),
        (&right, &campaign(&["n"]), "It is not tested now."),
        (&right, &campaign(&["x"]), "It is not read whole now."),
        (&campaign(&["c"]), &right, "It could not be told then."),
        (&other_clip, &right, "Another clip of this name was played then."),
        (&other_device, &right, "It was not in the earlier campaign."),
    ] {
        assert_eq!(held(then, now), (Way::NotComparable, text.to_owned()));
    }
}
