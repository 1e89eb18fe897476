//! Interlaced clips as references: every device of the field bench against the fields it was played.
//!
//! The short form runs with the other tests, the full one by hand:
//!
//! ```text
//! cargo test --release --test reference_fields -- --ignored --nocapture full
//! ```
//!
//! `EVENBEAT_FIELDS_ONLY`, `EVENBEAT_FIELDS_CACHE` and `EVENBEAT_CLIPS` mean what they mean to the field bench. Needs
//! ffmpeg; says so aloud and ends where it is missing.

#[path = "truth/fields/mod.rs"]
mod fields;

use std::env;
use std::path::{Path, PathBuf};
use std::process::Command;
use std::sync::atomic::{AtomicBool, AtomicUsize, Ordering};
use std::sync::{Arc, Mutex};

use evenbeat::alignment::{Counts, SourcePlace, SourceUnit};
use evenbeat::audit::{audit, Audit, Run};
use evenbeat::capture::CaptureArg;
use evenbeat::pipeline::NoProgress;
use evenbeat::settings::Settings;

use fields::content::{Content, DETAILED};
use fields::devices::{self, Device};
use fields::picture::Size;
use fields::recordings::Recording;
use fields::shown::Shown;
use fields::{Cell, LARGE_SIZE, MOMENTS, SIZE};

/// Frame size of the short form.
const SHORT_SIZE: Size = Size { width: 240, height: 160 };
/// Field periods of a cell of the short form.
const SHORT_MOMENTS: usize = 100;
/// Devices of the short form.
const SHORT_DEVICES: [&str; 6] = ["pictures", "bwdif", "weave-twice", "mean-twice", "top-field-twice", "tff"];
/// Field periods of a real clip at the size of broadcasts, and the devices that play it.
const LARGE_MOMENTS: usize = 60;
const LARGE_DEVICES: [&str; 7] =
    ["bwdif", "w3fdif", "weave-twice", "mean-twice", "top-field-twice", "lines-doubled", "tff"];
/// Devices that show film, which the clip is not, and of chroma, which signatures do not show.
const LEFT_OUT: [&str; 2] = ["film", "chroma"];
/// A recording of low quality.
const COARSE: Recording = Recording { codec: fields::recordings::Codec::X264 { crf: 28 }, scaled: None };

fn encoder_at_hand() -> bool {
    Command::new("ffmpeg").arg("-version").output().is_ok_and(|output| output.status.success())
}

fn cache() -> PathBuf {
    let default = || Path::new(env!("CARGO_MANIFEST_DIR")).join("target").join("field-cache");
    env::var_os("EVENBEAT_FIELDS_CACHE").map_or_else(default, PathBuf::from)
}

fn wanted(cell: &Cell) -> bool {
    env::var("EVENBEAT_FIELDS_ONLY")
        .map_or(true, |only| only.split(',').any(|text| cell.name().contains(text)))
}

/// The clip: all moments as fields, top field first, without loss.
fn clip(content: &Arc<Content>, moments: usize) -> PathBuf {
    let device = devices::all(moments).into_iter().find(|device| device.name == "tff").expect("it is there");
    Cell { content: Arc::clone(content), device, recording: Recording::LOSSLESS }.file(&cache())
}

fn audited(capture: &Path, clip: &Path) -> Result<Audit, String> {
    let settings = Settings { reference: Some(clip.to_owned()), ..Settings::default() };
    let run = Run { progress: &NoProgress, stop: &AtomicBool::new(false) };
    audit(&CaptureArg::Path(capture.to_owned()), &settings, run).map_err(|error| error.to_string())
}

/// Frames of one capture by whether their place is right.
#[derive(Clone, Debug, Default)]
struct Score {
    cell: String,
    right: usize,
    /// Ranges that hold what is shown.
    ambiguous: usize,
    unknown: usize,
    /// Frame, place, and what it shows.
    wrong: Vec<(usize, SourcePlace, Shown)>,
    /// Counts of first and second fields, found and by the truth.
    counts: Option<([Counts; 2], [Counts; 2])>,
    refused: Option<String>,
}

impl Score {
    fn of(cell: &Cell, audit: &Audit) -> Self {
        let source = audit.source.as_ref().expect("a clip was given");
        assert_eq!(source.track.unit, SourceUnit::Field, "{}", cell.name());
        let mut score = Self { cell: cell.name(), ..Self::default() };
        let shown = &cell.device.shown;
        let uncombed = cell.recording.scaled.is_some() || cell.recording == COARSE;
        for (frame, (&place, &shown)) in source.track.places.iter().zip(shown).enumerate() {
            match verdict(place, shown, uncombed) {
                Verdict::Right => score.right += 1,
                Verdict::Holds => score.ambiguous += 1,
                Verdict::Unknown => score.unknown += 1,
                Verdict::Wrong => score.wrong.push((frame, place, shown)),
            }
        }
        score.counts = source.summary.by_field.map(|found| (found, by_truth(shown)));
        score
    }

    fn line(&self) -> String {
        let total = self.right + self.ambiguous + self.unknown + self.wrong.len();
        let counts = self.counts.map_or(String::new(), |(found, truth)| {
            let text = |[first, second]: [Counts; 2]| {
                let one = |c: Counts| format!("{}+{}+{}/{}", c.shown, c.only_mixed, c.ambiguous, c.total());
                format!("{} {}", one(first), one(second))
            };
            format!("{} (truth {})", text(found), text(truth))
        });
        let refused = self.refused.as_deref().unwrap_or_default();
        format!(
            "{:<52} right {}/{total} ambiguous {} unknown {} wrong {} | {counts} {refused} {:?}",
            self.cell,
            self.right,
            self.ambiguous,
            self.unknown,
            self.wrong.len(),
            self.wrong.first()
        )
    }
}

enum Verdict {
    Right,
    Holds,
    Unknown,
    Wrong,
}

fn verdict(place: SourcePlace, shown: Shown, uncombed: bool) -> Verdict {
    let (top, bottom) = shown.moments();
    let (low, high) = (top.min(bottom) as u32, top.max(bottom) as u32);
    let mixed = matches!(shown, Shown::Mean { .. });
    match place {
        SourcePlace::Picture(found) if low == high && found == low => Verdict::Right,
        SourcePlace::Woven { first, second }
            if !mixed && (first.min(second), first.max(second)) == (low, high) =>
        {
            Verdict::Right
        }
        // Woven fields that were scaled as a whole are mixes, and a coarse recording takes combs of slow motion away.
        SourcePlace::Mix { first, second, .. } if (mixed || uncombed) && (first, second) == (low, high) => {
            Verdict::Right
        }
        SourcePlace::Ambiguous { first, last } if first <= low && high <= last => Verdict::Holds,
        SourcePlace::Unknown => Verdict::Unknown,
        _ => Verdict::Wrong,
    }
}

/// How the clip's fields appear by the device's list.
fn by_truth(shown: &[Shown]) -> [Counts; 2] {
    let moments = |shown: &Shown| [shown.moments().0, shown.moments().1];
    let all = || shown.iter().flat_map(moments);
    let (first, last) = (all().min().expect("frames"), all().max().expect("frames"));
    let mut counts = [Counts::default(); 2];
    for field in first..=last {
        let showing = |mixed: bool| {
            shown
                .iter()
                .any(|one| moments(one).contains(&field) && matches!(one, Shown::Mean { .. }) == mixed)
        };
        let counts = &mut counts[field % 2];
        match (showing(false), showing(true)) {
            (true, _) => counts.shown += 1,
            (_, true) => counts.only_mixed += 1,
            _ => counts.never_shown += 1,
        }
    }
    counts
}

fn run(cells: &[(Cell, PathBuf)]) -> Vec<Score> {
    let next = AtomicUsize::new(0);
    let scores = Mutex::new(Vec::new());
    std::thread::scope(|scope| {
        for _ in 0..std::thread::available_parallelism().map_or(1, usize::from) {
            scope.spawn(|| loop {
                let at = next.fetch_add(1, Ordering::Relaxed);
                let Some((cell, clip)) = cells.get(at) else { break };
                let score = match audited(&cell.file(&cache()), clip) {
                    Ok(audit) => Score::of(cell, &audit),
                    Err(error) => Score { cell: cell.name(), refused: Some(error), ..Score::default() },
                };
                println!("{}", score.line());
                scores.lock().expect("no thread panics").push((at, score));
            });
        }
    });
    let mut scores = scores.into_inner().expect("no thread panics");
    scores.sort_by_key(|(at, _)| *at);
    scores.into_iter().map(|(_, score)| score).collect()
}

/// Cells of a content with the clip they show.
fn cells(content: &Arc<Content>, moments: usize, recordings: &[Recording]) -> Vec<(Cell, PathBuf)> {
    let clip = clip(content, moments);
    let kept = |device: &Device| {
        !LEFT_OUT.iter().any(|kind| device.name.contains(kind)) && device.name != "pictures-444"
    };
    let devices = devices::all(moments).into_iter().filter(kept);
    let cell =
        |device: &Device, recording| Cell { content: Arc::clone(content), device: device.clone(), recording };
    let all: Vec<Cell> = devices
        .flat_map(|device| recordings.iter().map(|&one| cell(&device, one)).collect::<Vec<_>>())
        .collect();
    all.into_iter().filter(wanted).map(|cell| (cell, clip.clone())).collect()
}

/// Recordings that scale need whole frames.
fn scales_frames(cell: &Cell) -> bool {
    cell.recording.scaled.is_none() || cell.device.scan == devices::Scan::Progressive
}

#[test]
#[ignore = "takes minutes: run by hand"]
fn full() {
    assert!(encoder_at_hand(), "the bench needs ffmpeg on the search path");
    let recordings = [
        Recording::LOSSLESS,
        COARSE,
        Recording::LOSSLESS.scaled(2, 3),
        Recording::LOSSLESS.scaled(2, 1),
        COARSE.scaled(2, 3),
    ];
    let painted = DETAILED.iter().map(|(name, _)| Content::painted(name, SIZE));
    let mut scores = Vec::new();
    for content in painted.map(Arc::new) {
        let mut cells = cells(&content, MOMENTS, &recordings);
        cells.retain(|(cell, _)| scales_frames(cell));
        scores.extend(run(&cells));
    }
    for content in Content::real(&fields::clip_folders(), LARGE_SIZE).into_iter().map(Arc::new) {
        let moments = fields::moments(&content, LARGE_MOMENTS);
        let mut cells = cells(&content, moments, &[Recording::LOSSLESS, Recording::LOSSY]);
        cells.retain(|(cell, _)| LARGE_DEVICES.contains(&cell.device.name));
        scores.extend(run(&cells));
    }
    let sum = |count: fn(&Score) -> usize| scores.iter().map(count).sum::<usize>();
    println!(
        "{} captures, {} refused: right {}, ambiguous {}, unknown {}, wrong {}",
        scores.len(),
        sum(|score| usize::from(score.refused.is_some())),
        sum(|score| score.right),
        sum(|score| score.ambiguous),
        sum(|score| score.unknown),
        sum(|score| score.wrong.len())
    );
}

#[test]
fn short_form() {
    if !encoder_at_hand() {
        return eprintln!("SKIPPED: fields against an interlaced clip need ffmpeg on the search path");
    }
    for (name, _) in DETAILED.iter().take(2) {
        let content = Arc::new(Content::painted(name, SHORT_SIZE));
        let mut cells = cells(&content, SHORT_MOMENTS, &[Recording::LOSSLESS, COARSE]);
        cells.retain(|(cell, _)| SHORT_DEVICES.contains(&cell.device.name));
        for score in run(&cells) {
            assert!(score.refused.is_none() && score.wrong.is_empty(), "{}", score.line());
        }
    }
}
