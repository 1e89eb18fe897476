//! Findings and verdict on known sequences of classes.

use super::*;
use crate::alignment::{Counts, SourceOrigin, SourcePlace, SourceTrack, SourceUnit};
use crate::cadence::{analyse, frame_times, StatedRate};
use crate::capture::RateSource;
use crate::classify::{Evidence, FrameClass, FrameFlags};
use crate::note::NoteCode;
use crate::words::sentence_check::slip_of_the_pen;

/// A progressive capture without traces of fields.
fn case<'a>(
    frames: &'a [ClassifiedFrame],
    times: &'a FrameTimes,
    cadence: &'a CadenceAnalysis,
    played: Played<'a>,
) -> Case<'a> {
    Case { frames, times, cadence, played, scan: Scan::Progressive, outcome: None, rows: 1080, levels: None }
}

/// Frames of a 59.94 capture: `n` new, `r` repeat, `s` still, a digit: new after that many lost pictures.
fn frames(classes: &str) -> Vec<ClassifiedFrame> {
    classes
        .chars()
        .map(|letter| {
            let lost = letter.to_digit(10).unwrap_or(0) as u16;
            let mut flags = FrameFlags::default();
            if lost > 0 {
                flags.insert(FrameFlags::AFTER_DROP);
            }
            let class = match letter {
                'r' => FrameClass::Repeat,
                's' => FrameClass::Still,
                _ => FrameClass::New,
            };
            ClassifiedFrame {
                class,
                confidence: 1.0,
                evidence: if class == FrameClass::New { Evidence::Measure } else { Evidence::Digest },
                change: 10.0,
                lost_before: lost,
                lost_uncertainty: 0.0,
                blend_weight: 0.0,
                flags,
                digest: [0; 32],
            }
        })
        .collect()
}

fn concluded(classes: &str, source_rate: Option<&str>) -> Conclusion {
    let frames = frames(classes);
    let rate = Rate::new(60000, 1001).unwrap();
    let stated = StatedRate { rate, source: RateSource::Header };
    let settled = frame_times(Some(stated), None, &vec![None; frames.len()], &[]);
    let cadence = analyse(&frames, &settled.times);
    let played = Played { rate: source_rate.and_then(Rate::parse), summary: None, picture: None };
    conclude(&case(&frames, &settled.times, &cadence, played), true)
}

#[test]
fn the_verdict_says_what_moves() {
    let half = "nr".repeat(150);
    let film = "nrnrr".repeat(60);
    for (classes, source_rate, expected) in [
        // Common practice of the trade, no source: 59.94 frames with every second one repeated carry 29.97.
        (
            half.as_str(),
            None,
            "Every picture is shown twice (29.97 new pictures/s in 59.94): half of the motion is missing, unless the \
             clip itself holds no more.",
        ),
        (
            half.as_str(),
            Some("59.94"),
            "Half of the motion is missing: every picture is shown twice (29.97 new pictures/s in 59.94).",
        ),
        (
            half.as_str(),
            Some("29.97"),
            "No fault is found: every picture is shown twice (29.97 new pictures/s in 59.94, as many as the clip \
             holds).",
        ),
        (
            film.as_str(),
            None,
            "No fault is found: 23.976 new pictures/s in 59.94, evenly in cadence 2:3.",
        ),
        (&"n".repeat(300), None, "No fault is found: every frame shows a new picture (59.94 per second)."),
        (
            &format!("n{}", "s".repeat(99)),
            None,
            "Nothing to judge: the picture never changes in 100 frames (1.7 s).",
        ),
        ("", None, "Nothing to judge: the recording holds no frame."),
        ("n", None, "Nothing to judge: 1 frame in the recording, at least 3 are needed."),
        ("ns", None, "Nothing to judge: 2 frames in the recording, at least 3 are needed."),
        (&stalls(1, 0), None, "Stalls once for 200 ms."),
        (&stalls(1, 1), None, "Stalls once for 200 ms; about 1 picture is lost."),
        (&stalls(2, 1), None, "Stalls twice for 200 ms each; about 2 pictures are lost."),
        (&stalls(3, 9), None, "Stalls 3 times for 200 ms each; about 27 pictures are lost."),
        (&format!("{}1{}", "n".repeat(100), "n".repeat(100)), None, "Loses about 1 picture at 1.7 s."),
        (
            &format!("{0}3{0}2{0}", "n".repeat(100)),
            None,
            "Loses about 5 pictures in 2 places.",
        ),
        (
            &format!("{0}r{0}", "n".repeat(100)),
            None,
            "Stutters once: a picture stays longer or shorter than the cadence 1:1 asks.",
        ),
        (
            &"nrnnnn".repeat(50),
            None,
            "Pictures repeat in cadence 1×4:2 (49.95 new pictures/s in 59.94), unless the clip itself holds no more.",
        ),
        (
            &"nrnnnn".repeat(50),
            Some("59.94"),
            "17 % of the motion is missing: 49.95 new pictures/s in 59.94.",
        ),
    ] {
        let found = concluded(classes, source_rate);
        assert_eq!(found.headline, expected, "{classes:.20} {source_rate:?}");
        assert!(found.verdict.starts_with(&found.headline), "{}", found.verdict);
    }
    for (classes, expected) in [
        (half.as_str(), "150 of 300 frames show a new picture and 150 repeat one bit for bit."),
        (&format!("{0}{1}{0}", "n".repeat(100), "s".repeat(50)), "whether 50 still frames are frozen"),
        (&"n".repeat(300), "300 of 300 frames show a new picture. Cannot be told: what the clip holds"),
    ] {
        let verdict = concluded(classes, None).verdict;
        assert!(verdict.contains(expected), "{verdict}");
    }
}

#[test]
fn what_the_recording_contradicts_is_said_and_counts_nothing() {
    let (whole, half) = ("n".repeat(300), "nr".repeat(150));
    let five_of_six = "nrnnnn".repeat(50);
    let wrong = |clip: &str, found: &str| {
        format!("The clip is said to hold {clip} pictures/s, but {found} new ones appear: that rate is wrong")
    };
    for (classes, source_rate, expected) in [
        (&half, "24", Some(wrong("24", "29.97"))),
        (&half, "25", Some(wrong("25", "29.97"))),
        (&whole, "29.97", Some(wrong("29.97", "59.94"))),
        (&half, "29.97", None),
        (&half, "30", None),
        (&half, "59.94", None),
        (&whole, "60", None),
        (&five_of_six, "59.94", None),
    ] {
        let found = concluded(classes, Some(source_rate));
        let said = found.verdict.contains("said to hold");
        assert_eq!(said, expected.is_some(), "{source_rate}: {}", found.verdict);
        if let Some(expected) = expected {
            assert!(found.verdict.contains(&expected), "{source_rate}: {}", found.verdict);
            assert!(!found.headline.starts_with("Half"), "{source_rate}: {}", found.verdict);
        }
    }
    let missing = concluded(&five_of_six, Some("59.94")).findings;
    let expected =
        "49.95 new pictures/s appear; the clip holds 59.94 pictures/s, so 17 % of them are missing";
    assert_eq!((missing[0].severity, missing[0].text.as_str()), (Severity::Fault, expected));
    // A stall delays pictures; it need not lose any.
    let stalled = format!("{whole}{}{whole}", "r".repeat(30));
    assert!(!concluded(&stalled, Some("59.94")).verdict.contains("missing"));
}

#[test]
fn the_first_sentence_says_what_the_clip_says() {
    let frames = frames(&"nr".repeat(100));
    let rate = Rate::parse("50").unwrap();
    let settled =
        frame_times(Some(StatedRate { rate, source: RateSource::Header }), None, &vec![None; 200], &[]);
    let cadence = analyse(&frames, &settled.times);
    let places = |step: u32| (0..200).map(|frame| SourcePlace::Picture(frame / 2 * step)).collect::<Vec<_>>();
    for (step, severity, expected) in [
        (1, Severity::Info, "none of 100 pictures of the clip is missing"),
        (2, Severity::Fault, "99 of 199 pictures of the clip never appear"),
    ] {
        let track = SourceTrack {
            origin: SourceOrigin::Reference,
            unit: SourceUnit::Picture,
            clip_name: "clip".to_owned(),
            clip_rate: rate,
            clip_length: None,
            first_field: None,
            places: places(step),
        };
        let summary = SourceSummary::new(&track, &settled.times.ticks, settled.times.base);
        let played = Played { rate: Some(rate), summary: Some(&summary), picture: None };
        let found = conclude(&case(&frames, &settled.times, &cadence, played), true);
        let half = found.findings.iter().find(|one| one.kind == FindingKind::HalfRateMotion).unwrap();
        assert_eq!(half.severity, severity, "{}", half.text);
        assert!(half.text.ends_with(expected), "{}", half.text);
        let named = found.headline.starts_with("Half of the motion is missing: every picture is shown twice");
        assert_eq!(named, severity == Severity::Fault, "{}", found.headline);
    }
}

#[test]
fn findings_name_kind_place_and_size() {
    let smooth = "n".repeat(120);
    let stall = format!("{smooth}rrrrrr6{smooth}");
    let one_repeat = format!("{smooth}r{smooth}");
    for (classes, kind, severity, first, last, count) in [
        ("nr".repeat(150), FindingKind::HalfRateMotion, Severity::Warning, 0, 299, 149),
        (stall.clone(), FindingKind::DroppedPictures, Severity::Fault, 126, 126, 6),
        (stall, FindingKind::Freeze, Severity::Warning, 119, 125, 1),
        (one_repeat, FindingKind::CadenceBreak, Severity::Warning, 119, 120, 1),
        (format!("{smooth}{}{smooth}", "r".repeat(30)), FindingKind::Freeze, Severity::Fault, 119, 149, 1),
    ] {
        let found = concluded(&classes, None).findings;
        let of_kind: Vec<_> = found.iter().filter(|finding| finding.kind == kind).collect();
        assert_eq!(of_kind.len(), 1, "{kind:?}: {found:?}");
        let one = of_kind[0];
        assert_eq!(
            (one.severity, one.first_frame, one.last_frame, one.count),
            (severity, first, last, count),
            "{kind:?}: {one:?}"
        );
        let seconds = first as f64 * 1.001 / 60.0;
        assert!((one.time_s - seconds).abs() < 1e-6, "{kind:?}: {} {seconds}", one.time_s);
    }
}

/// So many stalls of 200 ms, each followed by so many lost pictures.
fn stalls(count: usize, lost: u32) -> String {
    let next = if lost == 0 { "n".to_owned() } else { lost.to_string() };
    format!("{}{}", "n".repeat(100), format!("{}{next}{}", "r".repeat(11), "n".repeat(99)).repeat(count))
}

#[test]
fn a_stall_with_its_break_freeze_and_loss_is_one_event() {
    // Half a second apart: near enough to be one finding, if they were no stalls.
    let near = format!("{0}{1}6{2}{1}6{0}", "n".repeat(100), "r".repeat(11), "n".repeat(20));
    // Single losses near each other are one disturbance, in several places.
    let lost_twice = format!("{0}1{1}2{0}", "n".repeat(100), "n".repeat(20));
    for (classes, lines) in [
        (lost_twice, vec![(100, "loss: about 3 pictures missing in 2 places")]),
        (stalls(1, 0), vec![(99, "stall: one picture for 200 ms")]),
        (stalls(1, 9), vec![(99, "stall: one picture for 200 ms, then about 9 missing")]),
        (
            near,
            vec![
                (99, "stall: one picture for 200 ms, then about 6 missing"),
                (131, "stall: one picture for 200 ms, then about 6 missing"),
            ],
        ),
        (format!("{0}3{0}", "n".repeat(100)), vec![(100, "loss: about 3 pictures missing")]),
        (format!("{0}1{0}", "n".repeat(100)), vec![(100, "loss: about 1 picture missing")]),
        (
            format!("{0}r{0}", "n".repeat(100)),
            vec![(99, "uneven hold: a picture stays 2 frames instead of 1 (cadence 1:1)")],
        ),
    ] {
        let found = concluded(&classes, None);
        let said: Vec<(u64, String)> =
            found.events.iter().map(|event| (event.first_frame, event.line())).collect();
        let expected: Vec<(u64, String)> =
            lines.into_iter().map(|(frame, line)| (frame, line.to_owned())).collect();
        assert_eq!(said, expected);
        let numbers: Vec<u32> = found.events.iter().map(|event| event.number).collect();
        assert_eq!(numbers, (1..=said.len() as u32).collect::<Vec<_>>());
        assert!(found.findings.iter().all(|one| one.event.is_some_and(|event| numbers.contains(&event))));
    }
    let freezes = concluded(
        &format!("{}{}", "n".repeat(100), format!("{}{}", "r".repeat(11), "n".repeat(20)).repeat(900)),
        None,
    );
    assert!(freezes.events.len() <= 900, "{}", freezes.events.len());
}

#[test]
fn the_worst_event_is_the_longest_of_the_most_severe() {
    let short = |lost: &str| format!("{}{lost}{}", "r".repeat(11), "n".repeat(99));
    let classes = format!("{0}{1}{2}r{0}{3}r{0}", "n".repeat(99), short("n"), short("9"), short("2"));
    let found = concluded(&classes, None);
    assert_eq!(worst(&found.events).map(|event| event.lost_pictures), Some(9), "{:?}", found.events);
    assert_eq!(worst(&[]), None);
}

#[test]
fn every_aspect_is_judged_with_its_number_and_limit() {
    use Judgement::{CannotBeTold, NotTested, Right, Wrong};
    let half = "nr".repeat(150);
    let still = format!("n{}", "s".repeat(99));
    for (classes, source_rate, motion, number, limit, order) in [
        (
            half.as_str(),
            Some("59.94"),
            Wrong,
            Some("29.97 new pictures/s"),
            Some("59.94 new pictures/s"),
            Right,
        ),
        (
            half.as_str(),
            Some("29.97"),
            Right,
            Some("29.97 new pictures/s"),
            Some("29.97 new pictures/s"),
            Right,
        ),
        (half.as_str(), None, CannotBeTold, Some("29.97 new pictures/s"), None, Right),
        (&"n".repeat(300), None, Right, Some("59.94 new pictures/s"), None, Right),
        (&"nrnrr".repeat(60), None, Right, Some("23.976 new pictures/s"), None, Right),
        (&"nrnnnnnn".repeat(50), None, CannotBeTold, Some("52.448 new pictures/s"), None, Right),
        (&stalls(3, 9), None, Wrong, Some("3 stalls, 27 pictures lost"), Some("0 stalls"), Right),
        (&stalls(1, 1), None, Wrong, Some("1 stall, 1 picture lost"), Some("0 stalls"), Right),
        (&still, None, CannotBeTold, None, None, CannotBeTold),
        ("", None, CannotBeTold, None, None, CannotBeTold),
    ] {
        let judged = concluded(classes, source_rate).judgements;
        let aspects: Vec<Aspect> = judged.iter().map(|one| one.aspect).collect();
        assert_eq!(aspects, Aspect::NAMES.map(|(aspect, ..)| aspect));
        let first = &judged[0];
        assert_eq!(
            (first.judgement, first.number.as_deref(), first.limit.as_deref()),
            (motion, number, limit)
        );
        assert_eq!(judged[1].judgement, order, "{classes:.20}");
        assert_eq!(judged[4].judgement, NotTested);
        // Without times of its own nobody knows what the recorder lost.
        assert_eq!(judged[6].judgement, CannotBeTold);
        for one in &judged {
            assert!(one.text.ends_with('.') && !one.text.contains(".."), "{}", one.text);
        }
    }
    let small = frames(&"n".repeat(300));
    let stated = StatedRate { rate: Rate::new(60000, 1001).unwrap(), source: RateSource::Header };
    let settled = frame_times(Some(stated), None, &vec![None; small.len()], &[]);
    let cadence = analyse(&small, &settled.times);
    for (rows, fields) in [(1080, Right), (360, CannotBeTold), (720, CannotBeTold), (2160, Right)] {
        let case = Case { rows, ..case(&small, &settled.times, &cadence, Played::default()) };
        assert_eq!(conclude(&case, true).judgements[3].judgement, fields, "{rows} rows");
    }
}

#[test]
fn a_clean_capture_has_no_finding() {
    for classes in ["n".repeat(600), "nrnrr".repeat(100), "ssss".repeat(10)] {
        let found = concluded(&classes, None).findings;
        assert!(found.iter().all(|finding| finding.severity < Severity::Warning), "{found:?}");
    }
}

#[test]
fn what_is_assumed_is_noted() {
    let codes =
        |classes: &str, rate| concluded(classes, rate).notes.iter().map(|note| note.code).collect::<Vec<_>>();
    assert_eq!(codes(&"nr".repeat(150), None), [NoteCode::SourceAssumed]);
    assert_eq!(codes(&"nr".repeat(150), Some("59.94")), []);
    assert_eq!(codes(&format!("n{}", "s".repeat(99)), None), [NoteCode::NothingToJudge]);
}

#[test]
fn events_are_merged_until_they_can_be_read() {
    let busy = concluded(
        &"nnnnnnnnnnnnnnnnnnnnnnnnnnnnnnnnnnnnnnnnnnnnnnnnnnnnnnnnnnnnnnnnnnnnnnnnnnnnnnr".repeat(1000),
        None,
    );
    let breaks = busy.findings.iter().filter(|finding| finding.kind == FindingKind::CadenceBreak);
    let (count, events) = breaks.fold((0, 0), |(count, events), one| (count + 1, events + one.count));
    assert!(count <= 200, "{count} findings");
    // Each repeat breaks the pattern once, unless all of them are one long pattern.
    assert!(events == 0 || events >= 900, "{events} events in {count} findings");
}

#[test]
fn unsure_calls_make_no_finding() {
    let mut frames = frames(&format!("{}{}{}", "n".repeat(120), "r".repeat(30), "n".repeat(120)));
    let rate = Rate::new(60000, 1001).unwrap();
    let stated = StatedRate { rate, source: RateSource::Header };
    let settled = frame_times(Some(stated), None, &vec![None; frames.len()], &[]);
    for (confidence, freezes, note) in [(0.99, 1, false), (0.6, 0, true)] {
        frames[120..150].iter_mut().for_each(|frame| frame.confidence = confidence);
        let cadence = analyse(&frames, &settled.times);
        let found = conclude(&case(&frames, &settled.times, &cadence, Played::default()), true);
        let of_kind = found.findings.iter().filter(|finding| finding.kind == FindingKind::Freeze).count();
        assert_eq!(of_kind, freezes, "{confidence}");
        let noted = found.notes.iter().any(|note| note.code == NoteCode::NoisyMeasure);
        assert_eq!(noted, note, "{confidence}");
        assert_eq!(
            found.verdict.contains("whether 30 of 270 frames are new or repeated"),
            note,
            "{confidence}: {}",
            found.verdict
        );
    }
}

/// Content that slows down until its recorder codes it no more is no freeze; a clip tells what stood.
#[test]
fn a_freeze_stands_out_of_the_motion_around() {
    let rate = Rate::new(60000, 1001).unwrap();
    let stated = StatedRate { rate, source: RateSource::Header };
    let none = FrameFlags::default();
    for (name, smallest, flags, evidence, freezes) in [
        ("even motion", 9.0, none, Evidence::Measure, 1),
        ("motion that slows down", 2.5, none, Evidence::Measure, 0),
        ("the same, told by the clip", 2.5, none, Evidence::Reference, 1),
        ("the same, without a changed sample", 2.5, none, Evidence::Digest, 1),
        ("a shot between two cuts", 12.0, FrameFlags::CUT, Evidence::Measure, 0),
        ("a shot between changes as large as cuts", 90.0, none, Evidence::Measure, 0),
    ] {
        let mut frames = frames(&format!("{}{}{}", "n".repeat(120), "r".repeat(30), "n".repeat(120)));
        frames.iter_mut().for_each(|frame| frame.evidence = evidence);
        frames[120..150].iter_mut().for_each(|frame| frame.change = 1.0);
        for frame in [119, 150] {
            frames[frame].change = smallest;
            frames[frame].flags = flags;
        }
        let settled = frame_times(Some(stated), None, &vec![None; frames.len()], &[]);
        let cadence = analyse(&frames, &settled.times);
        let found = conclude(&case(&frames, &settled.times, &cadence, Played::default()), true);
        let of_kind = found.findings.iter().filter(|finding| finding.kind == FindingKind::Freeze).count();
        assert_eq!(of_kind, freezes, "{name}");
    }
}

/// A delivery of so many frames with a flag, far apart or in a row.
fn with_flag(flag: FrameFlags, count: usize) -> Vec<ClassifiedFrame> {
    let mut frames = frames(&"n".repeat(3000 + count));
    let apart = 3000 / (count + 1).min(3000);
    for place in 0..count {
        let frame = &mut frames[100 + place * apart.max(1)];
        frame.flags.insert(flag);
        frame.lost_before = u16::from(flag == FrameFlags::AFTER_DROP);
    }
    frames
}

#[test]
fn every_sentence_agrees_with_none_one_two_and_many() {
    let rate = Rate::new(60000, 1001).unwrap();
    let stated = StatedRate { rate, source: RateSource::Header };
    let mut headlines = Vec::new();
    let mut check = |frames: &[ClassifiedFrame], missing: &[u32], name: &str, played: Played<'_>| {
        let settled = frame_times(Some(stated), None, &vec![None; frames.len()], missing);
        let cadence = analyse(frames, &settled.times);
        let found = conclude(&case(frames, &settled.times, &cadence, played), true);
        let notes = found.notes.iter().map(|note| note.text.clone());
        let sentences = [found.headline.clone(), found.verdict.clone()]
            .into_iter()
            .chain(found.findings.iter().map(|one| one.text.clone()))
            .chain(found.events.iter().map(Event::line))
            .chain(found.judgements.iter().map(|one| one.text.clone()))
            .chain(found.judgements.iter().flat_map(|one| one.number.iter().chain(&one.limit).cloned()))
            .chain(notes);
        for text in sentences {
            assert_eq!(slip_of_the_pen(&text), None, "{name}: {text}");
        }
        headlines.push(format!("{name}: {}", found.headline));
    };
    for count in [0, 1, 2, 1500] {
        for (flag, name) in FrameFlags::NAMES {
            check(&with_flag(flag, count), &[], &format!("{count} {name}"), Played::default());
        }
        let mut missing = vec![0; 3000];
        missing.iter_mut().skip(50).step_by(1 + 2000 / (count + 1)).take(count).for_each(|lost| *lost = 1);
        check(&frames(&"n".repeat(3000)), &missing, &format!("{count} gaps"), Played::default());
    }
    for count in [0, 1, 2, 40] {
        for (lost, played) in [(0, None), (1, None), (2, Some("59.94")), (9, Some("29.97"))] {
            let played = Played { rate: played.and_then(Rate::parse), ..Played::default() };
            check(&frames(&stalls(count, lost)), &[], &format!("{count} stalls, {lost} lost"), played);
        }
        let repeats = format!("{0}{1}", "n".repeat(200), format!("r{}", "n".repeat(99)).repeat(count));
        check(&frames(&repeats), &[], &format!("{count} breaks"), Played::default());
        let still = format!("{0}{1}{0}", "n".repeat(100), "s".repeat(count));
        check(&frames(&still), &[], &format!("{count} still"), Played::default());
        check(&frames(&"n".repeat(count)), &[], &format!("{count} frames"), Played::default());
        let mut unsure = frames(&"n".repeat(3000));
        unsure.iter_mut().take(count * 20).for_each(|frame| frame.confidence = 0.5);
        check(&unsure, &[], &format!("{count} unsure"), Played::default());
    }
    for expected in [
        "1 out-of-order: Shows pictures out of order in 1 frame.",
        "2 out-of-order: Shows pictures out of order in 2 frames.",
        "1 blend: Mixes two pictures in 1 of 3\u{202f}001 frames.",
        "1500 combed: Weaves two moments into one picture in 1\u{202f}500 of 4\u{202f}500 frames: edges that move are combed.",
        "1 one-field: Shows one field only in 1 of 3\u{202f}001 frames: half of the vertical detail is lost.",
        "1 after-drop: Loses about 1 picture at 1.7 s.",
        "1500 after-drop: Loses about 1\u{202f}500 pictures in 1\u{202f}500 places.",
        "1 breaks: Stutters once: a picture stays longer or shorter than the cadence 1:1 asks.",
        "0 gaps: No fault is found: every frame shows a new picture (59.94 per second).",
        "2 stalls, 1 lost: Stalls twice for 200 ms each; about 2 pictures are lost.",
        "1 frames: Nothing to judge: 1 frame in the recording, at least 3 are needed.",
    ] {
        assert!(headlines.iter().any(|one| one == expected), "{expected}\n{headlines:#?}");
    }
}

/// A hold that an unsure frame may have parted is no break, nor one among calls that are unsure; it is said to be open.
#[test]
fn a_hold_with_an_unsure_frame_is_no_break_and_is_said() {
    let held = format!("{0}{1}{0}", "n".repeat(120), "r".repeat(3));
    let stated = StatedRate { rate: Rate::new(60, 1).unwrap(), source: RateSource::Header };
    for (unsure, confidence, breaks) in
        [(121..122, 0.99, 1), (121..122, 0.8, 0), (110..118, 0.8, 0), (117..118, 0.8, 1), (60..70, 0.5, 1)]
    {
        let mut frames = frames(&held);
        frames[unsure.clone()].iter_mut().for_each(|frame| frame.confidence = confidence);
        let settled = frame_times(Some(stated), None, &vec![None; frames.len()], &[]);
        let cadence = analyse(&frames, &settled.times);
        let found = conclude(&case(&frames, &settled.times, &cadence, Played::default()), true);
        let of_kind = found.findings.iter().filter(|one| one.kind == FindingKind::CadenceBreak).count();
        assert_eq!(of_kind, breaks, "{unsure:?} {confidence}: {}", found.verdict);
        let open = found.verdict.contains("whether 1 more picture is out of the cadence");
        assert_eq!(open, breaks == 0, "{unsure:?} {confidence}: {}", found.verdict);
    }
}

/// What is said of a clean delivery whose picture is not the clip's.
fn said_of_picture(picture: AgainstClip) -> Conclusion {
    let frames = frames(&"n".repeat(300));
    let stated = StatedRate { rate: Rate::new(60000, 1001).unwrap(), source: RateSource::Header };
    let settled = frame_times(Some(stated), None, &vec![None; frames.len()], &[]);
    let cadence = analyse(&frames, &settled.times);
    let played = Played { picture: Some(picture), ..Played::default() };
    conclude(&case(&frames, &settled.times, &cadence, played), true)
}

/// Every way in which levels, colours and geometry go wrong, by none, one, two and many code values, pixels or percent.
fn wrong_pictures(by: f64) -> Vec<AgainstClip> {
    use crate::alignment::picture::{Beyond, Chroma, LevelMeasures, Measured, Measures};
    let sure = |value| Measured { value, error: 0.0001 };
    let same = Measures { error: 0.1, ..Measures::unchanged(32) };
    let end = |share: f64| Beyond { clip: sure(share), capture: sure(0.0), cut: sure(1.0) };
    let levels = |black: f64, white: f64, gamma: f64, beyond| {
        let levels =
            LevelMeasures { black: sure(black), white: sure(white), gamma: Some(sure(gamma)), beyond };
        Measures { levels: Some(levels), ..same }
    };
    let chroma = |matrix: [f64; 4], shift: [f64; 2]| Measures {
        chroma: Some(Chroma { matrix: matrix.map(sure), shift: shift.map(sure) }),
        ..same
    };
    let edges = |pixels: [f64; 4]| {
        let [left, right, top, bottom] = pixels;
        let edges = [left / 1920.0, right / 1920.0, top / 1080.0, bottom / 1080.0];
        Measures { edges: edges.map(|value| Measured { value, error: 0.00001 }), ..same }
    };
    let share = by / 1000.0;
    let of = |measures| AgainstClip {
        clip_size: (1920, 1080),
        capture_size: (1920, 1080),
        mirrored: [false; 2],
        measures: Some(measures),
    };
    let mut all: Vec<AgainstClip> = [
        levels(16.0 - by, 235.0 + by, 1.0, None),
        levels(16.0 + by, 235.0 - by, 1.0, None),
        levels(-0.3, 254.8, 1.0, None),
        levels(29.7, 217.8, 1.0, None),
        levels(16.0, 235.0, 1.0 + by / 100.0, None),
        levels(16.0, 235.0, 1.0, Some([end(share), end(0.0)])),
        levels(16.0, 235.0, 1.0, Some([end(share), end(share)])),
        chroma([1.0, 0.0, 0.0, 1.0], [by, -by]),
        chroma([0.0, 1.0, 1.0, 0.0], [0.0, 0.0]),
        chroma([0.9899, -0.1107, -0.0725, 0.9834], [0.0, 0.0]),
        edges([by; 4]),
        edges([-by; 4]),
        edges([by, -by, -by, by]),
        edges([-2.0 * by, -2.0 * by, 0.0, 0.0]),
        edges([0.0, 0.0, -40.0 * by, -40.0 * by]),
    ]
    .map(of)
    .to_vec();
    all.push(AgainstClip { mirrored: [true, by > 1.0], ..of(same) });
    all
}

#[test]
fn every_sentence_about_the_picture_agrees_with_none_one_two_and_many() {
    let mut kinds = std::collections::BTreeSet::new();
    for by in [0.0, 1.0, 2.0, 40.0] {
        for picture in wrong_pictures(by) {
            let found = said_of_picture(picture);
            let judged = found.judgements.iter();
            let numbers = judged.clone().flat_map(|one| one.number.iter().chain(&one.limit).cloned());
            let texts = [found.headline.clone(), found.verdict.clone()].into_iter();
            for text in texts
                .chain(found.findings.iter().map(|one| one.text.clone()))
                .chain(judged.clone().map(|one| one.text.clone()))
                .chain(numbers)
            {
                assert_eq!(slip_of_the_pen(&text), None, "{by}: {text}");
            }
            kinds.extend(found.findings.iter().map(|one| one.kind.name()));
        }
    }
    let of_picture = |kind: FindingKind| matches!(kind.event(), EventKind::Levels | EventKind::Geometry);
    for (kind, name) in FindingKind::NAMES.into_iter().filter(|&(kind, _)| of_picture(kind)) {
        assert!(kinds.contains(name), "{kind:?} is said nowhere: {kinds:?}");
    }
}

/// A clip of so many pictures of which so many appeared, only in mixes, perhaps and never.
fn summary([shown, only_mixed, ambiguous, never_shown]: [u64; 4], is_by_field: bool) -> SourceSummary {
    let counts = Counts { shown, only_mixed, ambiguous, never_shown };
    let last = u32::try_from(counts.total().max(1)).unwrap() - 1;
    let by_field =
        is_by_field.then(|| [counts, Counts { shown: 0, never_shown: counts.total(), ..Counts::default() }]);
    SourceSummary { first: Some(0), last: Some(last), counts, by_field, ..SourceSummary::default() }
}

#[test]
fn every_sentence_with_the_clip_agrees_with_none_one_two_and_many() {
    let rate = Rate::new(60000, 1001).unwrap();
    let stated = StatedRate { rate, source: RateSource::Header };
    let deliveries = |count: usize| {
        [
            "n".repeat(300),
            "nr".repeat(150),
            "nrnnn".repeat(60),
            stalls(count.min(9), 2),
            format!("{}{}", "n".repeat(100), format!("1{}", "n".repeat(99)).repeat(count.min(9))),
        ]
        .map(|classes| frames(&classes))
        .into_iter()
        .chain([with_flag(FrameFlags::BLEND, count), with_flag(FrameFlags::AFTER_DROP, count)])
        .collect::<Vec<_>>()
    };
    for count in [0, 1, 2, 1500] {
        let many = count as u64;
        for (place, frames) in deliveries(count).iter().enumerate() {
            for counts in [
                [many, 0, 0, 0],
                [10, many, 0, 0],
                [10, 0, many, 0],
                [10, 0, 0, many],
                [10, many, many, many],
            ] {
                for is_by_field in [false, true] {
                    let summary = summary(counts, is_by_field);
                    let played = Played { rate: Some(rate), summary: Some(&summary), picture: None };
                    let settled = frame_times(Some(stated), None, &vec![None; frames.len()], &[]);
                    let cadence = analyse(frames, &settled.times);
                    let found = conclude(&case(frames, &settled.times, &cadence, played), true);
                    let texts = found.findings.iter().map(|one| one.text.clone());
                    let texts = texts.chain(found.events.iter().map(Event::line));
                    for text in texts.chain([found.headline, found.verdict]) {
                        let where_ = format!("{count}, delivery {place}, {counts:?}");
                        assert_eq!(slip_of_the_pen(&text), None, "{where_}: {text}");
                    }
                }
            }
        }
    }
}

#[test]
fn headline_and_evidence_bear_the_same_number() {
    let rate = Rate::new(60000, 1001).unwrap();
    let stated = StatedRate { rate, source: RateSource::Header };
    let lost_thrice = format!("{0}1{0}2{0}", "n".repeat(100));
    for (classes, counts, expected, absent) in [
        // Two of five are open: a frame of the lossy recording may show them early or late.
        (
            lost_thrice.as_str(),
            [595, 0, 0, 5],
            "Loses 3 pictures in 2 places. 3 of 600 pictures of the clip never appear.",
            "5 of 600",
        ),
        (
            lost_thrice.as_str(),
            [595, 0, 0, 5],
            "Cannot be told: whether 2 pictures of the clip are missing",
            "surely",
        ),
        (&"n".repeat(300), [299, 0, 0, 1], "None of 300 pictures of the clip is missing.", "1 of 300"),
        (&"n".repeat(300), [299, 0, 0, 1], "whether 1 picture of the clip is missing", "By the clip"),
        // What looks like others is said once, and all parts make the whole.
        (
            &"n".repeat(300),
            [259, 0, 41, 0],
            "Of 300 pictures of the clip 259 appear; of 41, which look like others, that cannot be told.",
            "whether 41",
        ),
        (
            &"n".repeat(300),
            [299, 0, 1, 0],
            "Of 300 pictures of the clip 299 appear; of 1, which looks like others, that cannot be told.",
            "None of 300",
        ),
        (
            &"nr".repeat(150),
            [150, 0, 20, 130],
            "Of 300 pictures of the clip 150 appear and 130 never do; of 20, which look like others, that cannot",
            "never appear",
        ),
        (
            &"nr".repeat(150),
            [150, 0, 0, 150],
            "150 of 300 pictures of the clip never appear. 150 of 300 frames show",
            "whether 150",
        ),
    ] {
        let (frames, summary) = (frames(classes), summary(counts, false));
        let settled = frame_times(Some(stated), None, &vec![None; frames.len()], &[]);
        let cadence = analyse(&frames, &settled.times);
        let played = Played { rate: Some(rate), summary: Some(&summary), picture: None };
        let verdict = conclude(&case(&frames, &settled.times, &cadence, played), true).verdict;
        assert!(verdict.contains(expected) && !verdict.contains(absent), "{expected}: {verdict}");
    }
    // Mixes whose pictures never appear by themselves: said once.
    let mixed = summary([200, 90, 0, 10], false);
    let frames = with_flag(FrameFlags::BLEND, 90);
    let settled = frame_times(Some(stated), None, &vec![None; frames.len()], &[]);
    let cadence = analyse(&frames, &settled.times);
    let gone = SourceSummary { counts: Counts { never_shown: 100, only_mixed: 0, ..mixed.counts }, ..mixed };
    let played = Played { rate: Some(rate), summary: Some(&gone), picture: None };
    let verdict = conclude(&case(&frames, &settled.times, &cadence, played), true).verdict;
    assert_eq!(verdict.matches("never appear").count(), 1, "{verdict}");
    // What looks like others beside them is said all the same.
    let alike = SourceSummary { counts: Counts { ambiguous: 30, ..gone.counts }, ..gone };
    let played = Played { rate: Some(rate), summary: Some(&alike), picture: None };
    let verdict = conclude(&case(&frames, &settled.times, &cadence, played), true).verdict;
    assert_eq!(
        verdict.matches("30, which look like others").count() + verdict.matches("whether 30").count(),
        1,
        "{verdict}"
    );
}
