//! Findings and verdict on known sequences of classes.

use super::*;
use crate::cadence::{analyse, frame_times, StatedRate};
use crate::capture::RateSource;
use crate::classify::{Evidence, FrameClass, FrameFlags};
use crate::note::NoteCode;

/// A progressive capture without traces of fields.
fn case<'a>(
    frames: &'a [ClassifiedFrame],
    times: &'a FrameTimes,
    cadence: &'a CadenceAnalysis,
    source_rate: Option<Rate>,
) -> Case<'a> {
    Case { frames, times, cadence, source_rate, scan: Scan::Progressive, outcome: None }
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
    let source_rate = source_rate.and_then(Rate::parse);
    conclude(&case(&frames, &settled.times, &cadence, source_rate), true)
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
        let found = conclude(&case(&frames, &settled.times, &cadence, None), true);
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
