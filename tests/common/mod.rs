//! Audits built by hand for report tests: every class, flag and kind of finding, from 0 frames to 10 hours.
#![allow(dead_code, reason = "each test file uses its own part")]

use std::path::Path;

use chrono::DateTime;
use evenbeat::audit::Audit;
use evenbeat::audit_store::{Provenance, Shell};
use evenbeat::cadence::{
    CadenceAnalysis, CadenceBreak, FrameTimes, Freeze, Hold, Judder, MotionSummary, Pattern, RateSlip,
    Segment, Timing,
};
use evenbeat::capture::{CaptureFacts, RateSource};
use evenbeat::classify::{ClassifiedFrame, Evidence, FrameClass, FrameFlags};
use evenbeat::frame::{Family, FrameShape, PixelFormat, Scan};
use evenbeat::interlace::{FieldFindings, ScanDecision, ScanSource};
use evenbeat::note::{Note, NoteCode};
use evenbeat::signatures::Signatures;
use evenbeat::units::Rate;
use evenbeat::verdict::{gather, Around, Finding, FindingKind, Severity};

/// A name that tries everything: script, quotes, line end, bidirectional override, control and table marks.
pub const HOSTILE_NAME: &str = "a<script>alert(1)</script>\"'&`|*\n\u{202e}gpj\u{1b}[31m\u{0}.y4m";

/// The frame period at 60000/1001 Hz in ms.
pub const PERIOD_MS: f64 = 1001.0 / 60.0;

/// Frames whose holds follow `pattern` again and again, at 59.94 Hz, without findings.
pub fn steady(frames: usize, pattern: &[u32]) -> Audit {
    let mut holds = Vec::new();
    let mut left = frames as u32;
    for &hold in pattern.iter().cycle() {
        if left == 0 {
            break;
        }
        holds.push(hold.min(left));
        left -= hold.min(left);
    }
    with_holds(&holds, pattern)
}

/// Frames with exactly these holds; the dominant pattern is taken as given.
pub fn with_holds(holds: &[u32], pattern: &[u32]) -> Audit {
    let mut frames = Vec::new();
    let mut hold_rows = Vec::new();
    for (number, &hold) in holds.iter().enumerate() {
        hold_rows.push(Hold {
            first_frame: frames.len() as u64,
            frames: hold,
            still_frames: 0,
            judged: number + 1 < holds.len(),
        });
        for place in 0..hold {
            frames.push(frame(if place == 0 { FrameClass::New } else { FrameClass::Repeat }, number as u32));
        }
    }
    let count = frames.len() as u64;
    let rate = Rate::new(60000, 1001).unwrap();
    let pattern = Pattern { holds: pattern.to_vec() };
    let per_picture = pattern.holds.iter().sum::<u32>() as f64 / pattern.holds.len() as f64;
    let has_pattern = count > 2;
    concluded(Audit {
        facts: CaptureFacts {
            name: "player-one.y4m".to_owned(),
            shape: FrameShape {
                width: 1920,
                height: 1080,
                pixel_format: PixelFormat { family: Family::Yuv { across: 1, down: 1 }, bit_depth: 8 },
            },
            scan: Scan::Progressive,
            coding: evenbeat::frame::Coding::Lossy,
            range: evenbeat::frame::CodeRange::default(),
            nominal_rate: Some(rate),
            rate_source: Some(RateSource::Header),
            time_base: None,
            promised_frames: None,
            reader: "y4m".to_owned(),
        },
        rate_source: RateSource::Header,
        complete: true,
        digest: [0xab; 32],
        times: FrameTimes {
            base: rate.time_base(),
            ticks: (0..count as i64).collect(),
            measured: false,
            delivered_rate: rate,
        },
        cadence: CadenceAnalysis {
            pattern: has_pattern.then(|| pattern.clone()),
            coverage: if has_pattern { 1.0 } else { 0.0 },
            segments: if has_pattern {
                vec![Segment { first_frame: 0, last_frame: count - 1, pattern }]
            } else {
                Vec::new()
            },
            breaks: Vec::new(),
            freezes: Vec::new(),
            slip: None,
            motion: MotionSummary {
                new_frames: holds.len() as u64,
                repeat_frames: count - holds.len() as u64,
                still_frames: 0,
                judged_frames: count,
                delivered_rate_hz: rate.hz(),
                motion_rate_hz: (count > 1).then(|| rate.hz() / per_picture),
            },
            judder: Judder {
                rms_ms: Some(4.17083),
                peak_to_peak_ms: Some(8.34167),
                hold_std_ms: Some(8.34167),
                inherent_rms_ms: Some(4.17083),
                excess_rms_ms: Some(0.0),
            },
            timing: None,
            holds: hold_rows,
        },
        fields: FieldFindings::restored(
            ScanDecision { scan: Scan::Progressive, source: ScanSource::Pixels, segments: Vec::new() },
            None,
        ),
        outcome: None,
        frames,
        findings: Vec::new(),
        events: Vec::new(),
        judgements: Vec::new(),
        notes: Vec::new(),
        headline: format!("59.94 frames/s delivered, {count} frames looked at."),
        verdict: format!("59.94 frames/s delivered, {count} frames looked at."),
        requirements: Vec::new(),
        device: evenbeat::settings::DeviceFacts::default(),
        given_source_rate: None,
        source: None,
        levels: None,
        signatures: Signatures::default(),
        looked_at: (1920, 1080),
    })
}

/// A frame whose digest tells its picture.
fn frame(class: FrameClass, picture: u32) -> ClassifiedFrame {
    let mut digest = [0x11; 32];
    digest[..4].copy_from_slice(&picture.to_be_bytes());
    ClassifiedFrame {
        class,
        confidence: if class == FrameClass::New { 0.9876 } else { 1.0 },
        evidence: if class == FrameClass::New { Evidence::Measure } else { Evidence::Digest },
        change: if class == FrameClass::New { 12.3456 } else { 0.0 },
        lost_before: 0,
        lost_uncertainty: 0.0,
        blend_weight: 0.0,
        flags: FrameFlags::default(),
        digest,
    }
}

/// A finding over a range of frames.
pub fn finding(audit: &Audit, kind: FindingKind, severity: Severity, first: u64, last: u64) -> Finding {
    let period_s = PERIOD_MS / 1000.0;
    let last = last.min(audit.frames.len() as u64 - 1);
    Finding {
        kind,
        severity,
        first_frame: first,
        last_frame: last,
        time_s: first as f64 * period_s,
        duration_ms: (last + 1 - first) as f64 * PERIOD_MS,
        count: last + 1 - first,
        text: format!("{} seen in frames {first} to {last}", kind.name()),
        event: None,
    }
}

/// Gathers the findings into events, and judges as the audit itself would.
pub fn concluded(mut audit: Audit) -> Audit {
    let around = Around { frames: audit.frames.len() as u64, slips: &[], drops: &[], is_counted: false };
    audit.events = gather(&mut audit.findings, &around);
    audit.judgements = audit.conclusion().judgements;
    let end = audit.verdict.find(". ").map_or(audit.verdict.len(), |stop| stop + 1);
    audit.headline = audit.verdict[..end].to_owned();
    audit
}

/// Every second frame repeats: the case the whole trade knows.
pub fn half_rate(frames: usize) -> Audit {
    let mut audit = steady(frames, &[2]);
    let repeats = frames / 2;
    audit.verdict = format!(
        "59.94 frames/s delivered, 29.97 new pictures/s: every second frame repeats the one before \
         ({repeats} of {repeats})."
    );
    let mut found = finding(&audit, FindingKind::HalfRateMotion, Severity::Warning, 0, frames as u64 - 1);
    found.text = format!("every second frame repeats the one before ({repeats} of {repeats})");
    audit.findings.push(found);
    audit.notes.push(Note::new(
        NoteCode::SourceAssumed,
        "The clip is assumed to carry more than 29.97 pictures/s. The capture cannot show it; give --source-rate.",
    ));
    concluded(audit)
}

/// 60 s with a freeze, dropped pictures, a gap in the recording, a still stretch and a cut.
pub fn troubled() -> Audit {
    let mut holds = vec![1; 900];
    holds.push(51);
    holds.extend([1; 1200]);
    holds.extend([2, 1, 1, 3, 1, 1]);
    holds.extend([1; 1400]);
    let mut audit = with_holds(&holds, &[1]);
    let frames = audit.frames.len();
    audit.cadence.freezes.push(Freeze {
        first_frame: 900,
        last_frame: 950,
        duration_ms: 51.0 * PERIOD_MS,
        lost_pictures: Some(50),
    });
    audit.cadence.breaks.extend([
        CadenceBreak { frame: 2151, expected_hold: 1, found_hold: 2 },
        CadenceBreak { frame: 2155, expected_hold: 1, found_hold: 3 },
    ]);
    audit.cadence.coverage = 0.984;
    audit.frames[1500].flags.insert(FrameFlags::CUT);
    for (frame, lost) in [(951, 50), (1700, 2), (1710, 1), (1730, 3)] {
        audit.frames[frame].flags.insert(FrameFlags::AFTER_DROP);
        audit.frames[frame].lost_before = lost;
    }
    audit.frames[3000].flags.insert(FrameFlags::AFTER_GAP);
    audit.frames[3000].lost_before = 90;
    for ticks in &mut audit.times.ticks[3000..] {
        *ticks += 90;
    }
    let before_gap = audit.cadence.holds.iter_mut().find(|hold| hold.first_frame == 2999).unwrap();
    before_gap.judged = false;
    for frame in &mut audit.frames[2500..2600] {
        frame.class = FrameClass::Still;
    }
    audit.times.measured = true;
    audit.cadence.timing = Some(Timing {
        median_step_ms: PERIOD_MS,
        smallest_step_ms: PERIOD_MS,
        largest_step_ms: 91.0 * PERIOD_MS,
        step_std_ms: 0.4,
        jitter_ms: 0.01,
        jitter_largest_ms: 1.2,
        measured_rate_hz: 59.940_059,
        rate_offset_ppm: 0.1,
        gaps: vec![(3000, 90)],
        not_increasing: Vec::new(),
        uneven: Vec::new(),
    });
    audit.findings = vec![
        finding(&audit, FindingKind::Freeze, Severity::Fault, 900, 950),
        finding(&audit, FindingKind::DroppedPictures, Severity::Fault, 1700, 1730),
        finding(&audit, FindingKind::CadenceBreak, Severity::Warning, 2151, 2157),
        finding(&audit, FindingKind::CaptureGap, Severity::Warning, 3000, 3000),
    ];
    audit.verdict = "59.94 frames/s delivered, every frame a new picture but for one freeze of 850.9 ms at \
                     15.015 s, 6 dropped pictures and 2 repeats. The recorder lost 90 frames at 51.5 s."
        .to_owned();
    audit.notes.push(Note::new(
        NoteCode::StillOrFrozen,
        "100 frames from 41.7 s show no motion; a freeze there cannot be told from a still scene.",
    ));
    assert!(frames > 3500);
    concluded(audit)
}

/// A delivery of 59.94 that stalls so many times for 200 ms, 11 pictures lost each time: what the whole trade calls bad.
pub fn stalling(count: usize) -> Audit {
    let mut holds = vec![1; 90];
    for _ in 0..count {
        holds.push(12);
        holds.extend([1; 90]);
    }
    let mut audit = with_holds(&holds, &[1]);
    for stall in 0..count {
        let first = 90 + 102 * stall as u64;
        let (last, duration_ms) = (first + 11, 12.0 * PERIOD_MS);
        audit.cadence.freezes.push(Freeze {
            first_frame: first,
            last_frame: last,
            duration_ms,
            lost_pictures: Some(11),
        });
        audit.cadence.breaks.push(CadenceBreak { frame: first, expected_hold: 1, found_hold: 12 });
        let after = &mut audit.frames[last as usize + 1];
        after.flags.insert(FrameFlags::AFTER_DROP);
        after.lost_before = 11;
    }
    let conclusion = audit.conclusion();
    (audit.findings, audit.events, audit.judgements) =
        (conclusion.findings, conclusion.events, conclusion.judgements);
    (audit.headline, audit.verdict, audit.notes) =
        (conclusion.headline, conclusion.verdict, conclusion.notes);
    audit
}

/// Every kind of finding at every severity, one frame long each, spread over the capture; every flag and class.
pub fn everything(frames: usize) -> Audit {
    let mut audit = steady(frames, &[2, 3]);
    let kinds = FindingKind::NAMES.len();
    for (place, (kind, _)) in FindingKind::NAMES.into_iter().enumerate() {
        for (turn, severity) in [Severity::Fault, Severity::Warning, Severity::Info].into_iter().enumerate() {
            let at = ((place + turn * kinds) * (frames - 1) / (3 * kinds)) as u64;
            audit.findings.push(finding(&audit, kind, severity, at, at));
        }
    }
    for (place, (flag, _)) in FrameFlags::NAMES.into_iter().enumerate() {
        audit.frames[(place + 1) * frames / 9].flags.insert(flag);
    }
    audit.frames[frames / 3].class = FrameClass::Still;
    audit.frames[frames / 3].evidence = Evidence::Cadence;
    audit.cadence.slip = Some(RateSlip {
        pattern: Pattern { holds: vec![2, 3] },
        frames: vec![frames as u64 / 2],
        interval_s: 16.68,
        rate_pair: Some("59.94 on 60".to_owned()),
    });
    audit.cadence.breaks.push(CadenceBreak { frame: frames as u64 / 2, expected_hold: 2, found_hold: 1 });
    concluded(audit)
}

/// An audit of nothing.
pub fn empty() -> Audit {
    let mut audit = with_holds(&[], &[1]);
    audit.cadence.judder = Judder::default();
    audit.verdict = "Nothing to judge: the capture has no frames.".to_owned();
    audit.notes.push(Note::new(NoteCode::NothingToJudge, "The capture has no frames."));
    concluded(audit)
}

/// Writes the manifest of a report's folder anew, for the files that are there now.
pub fn bind_anew(folder: &Path) {
    use evenbeat::output::manifest::{Manifest, MANIFEST};
    let mut manifest = Manifest::read(folder).expect("a manifest");
    manifest.files.retain(|name, _| folder.join(name).exists());
    for (name, digest) in &mut manifest.files {
        *digest = blake3::hash(&std::fs::read(folder.join(name)).expect("a file")).to_hex().to_string();
    }
    std::fs::write(folder.join(MANIFEST), manifest.document()).expect("a file is written");
}

/// Who, how and when.
pub fn provenance() -> Provenance {
    Provenance {
        tool_version: "0.1.0".to_owned(),
        command_line: ["evenbeat", "audit", "player one.y4m", "--source-rate", "59.94"]
            .map(str::to_owned)
            .to_vec(),
        audited_at: DateTime::parse_from_rfc3339("2031-05-06T07:08:09+02:00").unwrap(),
        changed_settings: vec![("--source-rate".to_owned(), "59.94".to_owned())],
        shell: Shell::Posix,
    }
}
