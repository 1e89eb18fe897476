//! The bench of the picture: 24 mistakes in levels, colour and geometry, each of which must be found with its name, and 24
//! clean recordings, in which nothing of the kind may be found.
//!
//! A short form, without an encoder, runs with the other tests. The full form:
//!
//! ```text
//! cargo test --release --test picture_bench -- --ignored --nocapture full
//! ```
//!
//! `EVENBEAT_PICTURE_ONLY` names changes (comma) that alone are tried.

mod picture;

use std::fs;
use std::path::{Path, PathBuf};
use std::process::Command;
use std::sync::atomic::AtomicBool;

use evenbeat::audit::{audit, Audit, Run};
use evenbeat::capture::CaptureArg;
use evenbeat::pipeline::NoProgress;
use evenbeat::settings::Settings;
use picture::mistakes::{Change, CLEAN, MISTAKES, NAMES};
use picture::scene::{test_clip, Picture, Scene, PICTURES};

/// How pictures are recorded.
#[derive(Clone, Copy, Debug, PartialEq)]
enum Recorder {
    /// As they are.
    Plain,
    /// As they are, but for noise of a code value.
    Noise,
    /// x264 at this constant rate factor.
    X264(u32),
}

/// A recording of pictures; `None` where there is no encoder.
fn recorded(folder: &Path, name: &str, pictures: &[Picture], recorder: Recorder) -> Option<PathBuf> {
    let plain = folder.join(format!("{name}.y4m"));
    let luma = &pictures[0].planes[0];
    let mut bytes =
        format!("YUV4MPEG2 W{} H{} F50:1 Ip A1:1 C420jpeg\n", luma.width, luma.height).into_bytes();
    let mut state = 0x9E37_79B9_u32;
    for picture in pictures {
        bytes.extend_from_slice(b"FRAME\n");
        let noise = recorder == Recorder::Noise;
        bytes.extend(picture.bytes().map(|sample| {
            state ^= state << 13;
            state ^= state >> 17;
            state ^= state << 5;
            let by = if noise { state % 3 } else { 1 };
            (u32::from(sample) + by).clamp(1, 255) as u8 - 1
        }));
    }
    fs::write(&plain, bytes).unwrap();
    let Recorder::X264(crf) = recorder else { return Some(plain) };
    let coded = folder.join(format!("{name}.mkv"));
    let status = Command::new("ffmpeg")
        .args(["-v", "error", "-y", "-i"])
        .arg(&plain)
        .args(["-c:v", "libx264", "-preset", "veryfast", "-pix_fmt", "yuv420p", "-crf", &crf.to_string()])
        .arg(&coded)
        .status()
        .ok()?;
    status.success().then_some(coded)
}

/// By what the clip is known.
#[derive(Clone, Copy, Debug, PartialEq)]
enum Known {
    /// By the clip itself.
    Clip,
    /// By the marks of the test clip alone.
    Marks,
}

fn audited(recording: PathBuf, clip: Option<&Path>) -> Audit {
    let settings = Settings { reference: clip.map(Path::to_owned), ..Settings::default() };
    let run = Run { progress: &NoProgress, stop: &AtomicBool::new(false) };
    audit(&CaptureArg::Path(recording), &settings, run).unwrap_or_else(|error| panic!("{error}"))
}

/// Names of what was found about the picture.
fn found(audit: &Audit) -> Vec<&'static str> {
    let mut names: Vec<&str> = audit.findings.iter().map(|finding| finding.kind.name()).collect();
    names.retain(|name| NAMES.contains(name));
    names.sort_unstable_by_key(|name| NAMES.iter().position(|other| other == name));
    names
}

/// Tries changes under recorders; says which came out otherwise.
fn tried(changes: &[&Change], recorders: &[Recorder], known: Known) -> Vec<String> {
    let folder = tempfile::tempdir().unwrap();
    let pictures: Vec<Picture> = match known {
        Known::Clip => {
            let scene = Scene::new(SEED);
            (0..PICTURES).map(|number| scene.picture(number)).collect()
        }
        Known::Marks => test_clip(),
    };
    let clip = recorded(folder.path(), "clip", &pictures, Recorder::Plain).expect("a clip");
    let clip = (known == Known::Clip).then_some(clip);
    let mut wrong = Vec::new();
    for change in changes {
        let changed: Vec<Picture> = pictures.iter().map(|picture| (change.apply)(picture)).collect();
        for &recorder in recorders {
            let recording = recorded(folder.path(), "capture", &changed, recorder).expect("an encoder");
            let audit = audited(recording, clip.as_deref());
            let names = found(&audit);
            let picture = audit.against_clip();
            let is_measured = picture.is_some_and(|picture| picture.measures.is_some());
            if names != change.findings || !is_measured {
                let text =
                    format!("{} by {known:?}, {recorder:?}: found {names:?}, {picture:?}", change.name);
                println!("{text}");
                wrong.push(text);
            }
        }
    }
    wrong
}

/// The painted scene.
const SEED: u64 = 3;

fn wanted(change: &&Change) -> bool {
    std::env::var("EVENBEAT_PICTURE_ONLY")
        .map_or(true, |only| only.split(',').any(|name| name == change.name))
}

/// Changes by their names.
fn named(names: &[&str]) -> Vec<&'static Change> {
    MISTAKES.iter().chain(&CLEAN).filter(|change| names.contains(&change.name)).filter(wanted).collect()
}

#[test]
fn mistakes_have_their_names_by_the_clip_and_what_is_clean_has_none() {
    let changes = named(&[
        "clipped",
        "expanded",
        "darker",
        "709-as-601",
        "chroma-right",
        "squeezed-to-4:3",
        "shifted-down",
        "mirrored",
        "as-it-is",
        "smaller",
    ]);
    assert_eq!(tried(&changes, &[Recorder::Noise], Known::Clip), [] as [&str; 0]);
}

#[test]
fn mistakes_have_their_names_by_the_marks_and_what_is_clean_has_none() {
    let changes = named(&[
        "clipped",
        "squeezed",
        "brighter",
        "601-as-709",
        "chroma-swapped",
        "overscan-5",
        "shifted-right",
        "upside-down",
        "as-it-is",
        "larger",
    ]);
    assert_eq!(tried(&changes, &[Recorder::Noise], Known::Marks), [] as [&str; 0]);
}

fn full_of(known: Known) {
    let mistakes: Vec<&Change> = MISTAKES.iter().filter(wanted).collect();
    let clean: Vec<&Change> = CLEAN.iter().filter(wanted).collect();
    let mut wrong = tried(&mistakes, &[Recorder::X264(18), Recorder::X264(23)], known);
    wrong.extend(tried(&clean, &[Recorder::Noise, Recorder::X264(18), Recorder::X264(23)], known));
    let all = 2 * mistakes.len() + 3 * clean.len();
    println!("{known:?}: {} of {all} recordings came out otherwise", wrong.len());
    assert!(wrong.is_empty());
}

#[test]
#[ignore = "takes minutes and an encoder; run with --ignored full"]
fn full_by_the_clip() {
    full_of(Known::Clip);
}

#[test]
#[ignore = "takes minutes and an encoder; run with --ignored full"]
fn full_by_the_marks() {
    full_of(Known::Marks);
}
