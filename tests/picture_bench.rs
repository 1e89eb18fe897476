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
use std::sync::Mutex;

use evenbeat::audit::{audit, Audit, Run};
use evenbeat::capture::CaptureArg;
use evenbeat::pipeline::NoProgress;
use evenbeat::settings::Settings;
use picture::mistakes::{Change, CLEAN, MISTAKES, NAMES};
use picture::scene::{Picture, Scene, PICTURES};

/// How pictures are recorded.
#[derive(Clone, Copy, Debug, PartialEq)]
enum Recorder {
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

fn audited(recording: PathBuf, clip: &Path) -> Audit {
    let settings = Settings { reference: Some(clip.to_owned()), ..Settings::default() };
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

/// Tries changes under a recorder; says which came out otherwise.
fn tried(changes: &[&Change], recorders: &[Recorder], seed: u64) -> Vec<String> {
    let folder = tempfile::tempdir().unwrap();
    let scene = Scene::new(seed);
    let pictures: Vec<Picture> = (0..PICTURES).map(|number| scene.picture(number)).collect();
    let clip = recorded(folder.path(), "clip", &pictures, Recorder::X264(0));
    let clip = match clip {
        _ if recorders == [Recorder::Noise] => folder.path().join("clip.y4m"),
        Some(_) => folder.path().join("clip.y4m"),
        None => return vec!["no encoder".to_owned()],
    };
    let wrong = Mutex::new(Vec::new());
    for change in changes {
        let changed: Vec<Picture> = pictures.iter().map(|picture| (change.apply)(picture)).collect();
        for &recorder in recorders {
            let recording = recorded(folder.path(), "capture", &changed, recorder).expect("an encoder");
            let audit = audited(recording, &clip);
            let names = found(&audit);
            if names != change.findings {
                let picture = audit.against_clip();
                let text = format!("{} by {recorder:?}: found {names:?}, {picture:?}", change.name);
                wrong.lock().unwrap().push(text);
            }
        }
    }
    wrong.into_inner().unwrap()
}

fn wanted(change: &&Change) -> bool {
    std::env::var("EVENBEAT_PICTURE_ONLY")
        .map_or(true, |only| only.split(',').any(|name| name == change.name))
}

#[test]
fn mistakes_have_their_names_and_what_is_clean_has_none() {
    let short = [
        "clipped",
        "expanded",
        "darker",
        "709-as-601",
        "chroma-right",
        "squeezed-to-4:3",
        "shifted-down",
        "mirrored",
    ];
    let clean = ["as-it-is", "smaller"];
    let named = |names: &'static [&'static str]| move |change: &&Change| names.contains(&change.name);
    let (short, clean): (&'static [&str], &'static [&str]) =
        (Box::leak(Box::new(short)), Box::leak(Box::new(clean)));
    let changes: Vec<&Change> = MISTAKES
        .iter()
        .filter(named(short))
        .chain(CLEAN.iter().filter(named(clean)))
        .filter(wanted)
        .collect();
    let wrong = tried(&changes, &[Recorder::Noise], 3);
    assert!(wrong.is_empty(), "{}", wrong.join("\n"));
}

#[test]
#[ignore = "takes minutes and an encoder; run with --ignored full"]
fn full() {
    let mistakes: Vec<&Change> = MISTAKES.iter().filter(wanted).collect();
    let clean: Vec<&Change> = CLEAN.iter().filter(wanted).collect();
    let mut wrong = tried(&mistakes, &[Recorder::X264(18), Recorder::X264(23)], 3);
    wrong.extend(tried(&clean, &[Recorder::Noise, Recorder::X264(18), Recorder::X264(23)], 3));
    println!(
        "{} of {} mistakes and clean recordings came out otherwise",
        wrong.len(),
        2 * mistakes.len() + 3 * clean.len()
    );
    wrong.iter().for_each(|text| println!("{text}"));
    assert!(wrong.is_empty());
}
