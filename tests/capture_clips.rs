//! Real clips that nobody made for this project. Skipped, loudly, where they are not at hand.

mod capture_common;

use capture_common::{clips, decoder_is_here, independent_ticks, read};
use evenbeat::capture::{CaptureFacts, RateSource};
use evenbeat::frame::Scan;
use evenbeat::note::NoteCode;
use evenbeat::settings::ReadingSettings;
use evenbeat::units::{Rate, TimeBase};

/// What a clip's own headers say, and how many frames it holds.
struct Truth {
    file: &'static str,
    frames: usize,
    size: (u32, u32),
    pixel_format: &'static str,
    scan: Scan,
    rate: Option<(u64, u64)>,
    ticks_per_second: u64,
    notes: &'static [NoteCode],
}

const TRUTHS: &[Truth] = &[
    Truth {
        file: "camera-1080i50.mts",
        frames: 13,
        size: (1920, 1080),
        pixel_format: "yuv420p",
        scan: Scan::TopFieldFirst,
        rate: None, // 25 frames or 50 fields: the container leaves it open
        ticks_per_second: 90_000,
        notes: &[],
    },
    Truth {
        file: "concert-1080p50.mov",
        frames: 100,
        size: (1920, 1080),
        pixel_format: "yuv420p",
        scan: Scan::Progressive,
        rate: Some((50, 1)),
        ticks_per_second: 12_800,
        notes: &[],
    },
    Truth {
        file: "phone-1080p60.mp4",
        frames: 77,
        size: (1920, 1080),
        pixel_format: "yuv420p",
        scan: Scan::Progressive,
        rate: Some((90_000, 1501)),
        ticks_per_second: 90_000,
        notes: &[],
    },
    Truth {
        file: "phone-vfr-gap.mp4",
        frames: 58,
        size: (768, 1024),
        pixel_format: "yuv420p",
        scan: Scan::Unknown,
        rate: None, // variable: a nominal rate would be wrong
        ticks_per_second: 90_000,
        notes: &[NoteCode::PictureTurned],
    },
    Truth {
        file: "soft-pulldown-480.ts",
        frames: 240,
        size: (720, 480),
        pixel_format: "yuv420p",
        scan: Scan::Progressive,
        rate: None, // 23.976 pictures, flagged for 29.97
        ticks_per_second: 90_000,
        notes: &[],
    },
    Truth {
        file: "HCAMFF1_HHI.264",
        frames: 10,
        size: (352, 288),
        pixel_format: "yuv420p",
        scan: Scan::TopFieldFirst,
        rate: Some((25, 1)),
        ticks_per_second: 1_200_000,
        notes: &[NoteCode::TimesAssumed],
    },
    Truth {
        file: "PPH10I4_Panasonic_A.264",
        frames: 10,
        size: (1920, 1080),
        pixel_format: "yuv420p10",
        scan: Scan::TopFieldFirst,
        rate: Some((25, 1)),
        ticks_per_second: 1_200_000,
        notes: &[NoteCode::TimesAssumed],
    },
];

fn check_facts(truth: &Truth, facts: &CaptureFacts) {
    let shape = facts.shape;
    assert_eq!((shape.width, shape.height), truth.size, "{}", truth.file);
    assert_eq!(shape.pixel_format.to_string(), truth.pixel_format, "{}", truth.file);
    assert_eq!(facts.scan, truth.scan, "{}", truth.file);
    assert_eq!(facts.nominal_rate, truth.rate.and_then(|(num, den)| Rate::new(num, den)), "{}", truth.file);
    let is_raw = truth.notes.contains(&NoteCode::TimesAssumed);
    let source = if is_raw { RateSource::Assumed } else { RateSource::Header };
    assert_eq!(facts.rate_source, truth.rate.map(|_| source), "{}", truth.file);
    assert_eq!(facts.time_base, TimeBase::new(1, truth.ticks_per_second), "{}", truth.file);
}

#[test]
fn healthy_clips_are_read_whole_with_their_own_times() {
    let Some(folder) = clips() else { return };
    if !decoder_is_here() {
        return;
    }
    for truth in TRUTHS {
        let path = folder.join(truth.file);
        let outcome = read(&path, &ReadingSettings::default());
        check_facts(truth, &outcome.facts);
        assert_eq!(outcome.samples.len(), truth.frames, "{}", truth.file);
        assert_eq!(outcome.error, None, "{}", truth.file);
        let codes: Vec<NoteCode> = outcome.notes.iter().map(|note| note.code).collect();
        // Transport and elementary streams do not say where they end.
        let endless = [".ts", ".mts", ".264"].iter().any(|ending| truth.file.ends_with(ending));
        let expected: Vec<NoteCode> =
            truth.notes.iter().copied().chain(endless.then_some(NoteCode::EndUnknown)).collect();
        assert_eq!(codes, expected, "{}: {:?}", truth.file, outcome.notes);
        let (ticks, _) = independent_ticks(&path);
        // Raw streams have no times of their own to compare with.
        if ticks.len() == truth.frames {
            assert_eq!(outcome.ticks, ticks.into_iter().map(Some).collect::<Vec<_>>(), "{}", truth.file);
        } else {
            assert_eq!(truth.notes, [NoteCode::TimesAssumed], "{}", truth.file);
        }
    }
}

#[test]
fn cut_clips_come_out_incomplete() {
    let Some(folder) = clips() else { return };
    if !decoder_is_here() {
        return;
    }
    let scratch = tempfile::tempdir().unwrap();
    for file in ["phone-1080p60.mp4", "camera-1080i50.mts"] {
        let bytes = std::fs::read(folder.join(file)).unwrap();
        let path = scratch.path().join(file);
        std::fs::write(&path, &bytes[..bytes.len() * 6 / 10]).unwrap();
        let outcome = read(&path, &ReadingSettings::default());
        assert!(!outcome.samples.is_empty(), "{file}");
        assert!(
            outcome.notes.iter().any(|note| note.code == NoteCode::Truncated),
            "{file}: {:?}",
            outcome.notes
        );
    }
}
