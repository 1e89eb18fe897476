//! Findings and verdict on known sequences of classes.

use super::*;
use crate::cadence::{analyse, frame_times, StatedRate};
use crate::capture::RateSource;
use crate::classify::{Evidence, FrameClass, FrameFlags};
use crate::note::NoteCode;
use crate::source::{SourceOrigin, SourcePlace, SourceTrack, SourceUnit};

/// A progressive capture without traces of fields.
fn case<'a>(
    frames: &'a [ClassifiedFrame],
    times: &'a FrameTimes,
    cadence: &'a CadenceAnalysis,
    played: Played<'a>,
) -> Case<'a> {
    Case { frames, times, cadence, played, scan: Scan::Progressive, outcome: None }
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
    let played = Played { rate: source_rate.and_then(Rate::parse), summary: None };
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
            "59.94 frames/s delivered, 29.97 new pictures/s: every second frame repeats the one before (149 of 149)",
        ),
        (half.as_str(), Some("59.94"), "the clip holds 59.94 pictures/s, so 50 % of them are missing"),
        (half.as_str(), Some("29.97"), "the clip holds 29.97 pictures/s, so none is missing"),
        (film.as_str(), None, "59.94 frames/s delivered, 23.976 new pictures/s in cadence 2:3"),
        (&"n".repeat(300), None, "59.94 new pictures/s: every frame shows a new picture (300 of 300)."),
        (&format!("n{}", "s".repeat(99)), None, "the picture never changes in 100 frames (1.67 s)"),
        ("", None, "the recording holds no frame"),
        ("n", None, "1 frame in the recording, at least 3 are needed"),
        ("ns", None, "2 frames in the recording, at least 3 are needed"),
        (&format!("{}{}{}", "n".repeat(100), "s".repeat(50), "n".repeat(100)), None, "50 frames stood still"),
    ] {
        let verdict = concluded(classes, source_rate).verdict;
        assert!(verdict.contains(expected), "{classes:.20} {source_rate:?}: {verdict}");
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
            assert!(!found.verdict.contains("missing"), "{source_rate}: {}", found.verdict);
        }
    }
    let verdict = concluded(&five_of_six, Some("59.94")).verdict;
    assert!(verdict.contains("The clip holds 59.94 pictures/s, so 17 % of them are missing."), "{verdict}");
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
        (2, Severity::Fault, "99 of 199 pictures of the clip never appeared"),
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
        let played = Played { rate: Some(rate), summary: Some(&summary) };
        let found = conclude(&case(&frames, &settled.times, &cadence, played), true);
        let half = found.findings.iter().find(|one| one.kind == FindingKind::HalfRateMotion).unwrap();
        assert_eq!(half.severity, severity, "{}", half.text);
        assert!(half.text.ends_with(expected), "{}", half.text);
        assert!(!found.verdict.contains(" % of them"), "{}", found.verdict);
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
            found.verdict.contains("30 of 270 calls are unsure"),
            note,
            "{confidence}: {}",
            found.verdict
        );
    }
}
