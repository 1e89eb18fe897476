//! Alignment against an independent computation: OpenCV decodes clip and capture, finds the geometry by features and
//! the picture of each frame by correlation of pixels (`scripts/outside-alignment`).
//!
//! Needs ffmpeg, Python with numpy and cv2 (`EVENBEAT_PYTHON` names another interpreter) and real clips in one of the
//! folders of `EVENBEAT_CLIPS` (see the truth bench); says so aloud and ends where something is missing.

mod capture_common;
mod cli_common;

use std::env;
use std::path::{Path, PathBuf};
use std::process::Command;

use capture_common::{decoder_is_here, ffmpeg};
use cli_common::Desk;

/// Clips with motion all over, by the folders of `EVENBEAT_CLIPS` or the folder beside the project.
const CLIPS: [&str; 2] = ["concert-1080p50.mov", "WolfgangLanger_Pexels.mp4"];
/// Frames of each capture.
const FRAMES: usize = 90;
/// Correlation by which the best picture must be ahead of any other for the outside opinion to count.
const AHEAD: f64 = 1e-3;

/// The clip of a hand-held camera in the dark, in which pictures next to each other differ by little more than the recorder
/// leaves, and the device with which no more than a few of its frames are told, some of them as mixes that they are not.
const HARD: (&str, &str) = ("concert-1080p50.mov", "crop of 10 %");
/// Frames of it that may be placed at another picture, and how far off: measured, not wanted.
const HARD_OTHERS: (usize, u64) = (4, 2);

/// What devices do to the picture: name, filter of the general encoder, scale and shift of the result in pixels.
const DEVICES: [(&str, &str); 8] = [
    ("480 lines", "scale=854:480"),
    ("full range", "scale=960:540,scale=in_range=limited:out_range=full"),
    ("gamma", "scale=960:540,eq=gamma=1.2"),
    ("crop of 10 %", "crop=trunc(iw*0.45)*2:trunc(ih*0.45)*2,scale=960:540"),
    ("shift", "scale=960:540,pad=972:544:8:4,crop=960:540:0:0"),
    ("small shift", "scale=960:540,pad=966:544:3:2,crop=960:540:0:0"),
    ("squeeze", "scale=950:536,pad=960:540:5:2"),
    ("gamma of 1.3", "scale=960:540,eq=gamma=1.3"),
];

fn clips() -> Vec<PathBuf> {
    let beside = Path::new(env!("CARGO_MANIFEST_DIR")).join("../shared/clips");
    let folders = env::var_os("EVENBEAT_CLIPS").map(|all| env::split_paths(&all).collect::<Vec<_>>());
    let folders: Vec<PathBuf> = folders.unwrap_or_default().into_iter().chain([beside]).collect();
    let find = |name: &str| folders.iter().map(|folder| folder.join(name)).find(|path| path.is_file());
    CLIPS.into_iter().filter_map(find).collect()
}

fn python() -> Option<std::ffi::OsString> {
    let python = env::var_os("EVENBEAT_PYTHON").unwrap_or_else(|| "python3".into());
    let here = Command::new(&python).args(["-c", "import numpy, cv2"]).output();
    here.is_ok_and(|output| output.status.success()).then_some(python)
}

/// The outside opinion: scale and shift, then frame, picture and lead of each frame.
struct Opinion {
    geometry: Vec<f64>,
    frames: Vec<(usize, u64, f64)>,
}

fn opinion(python: &std::ffi::OsStr, clip: &Path, capture: &Path) -> Opinion {
    let script = concat!(env!("CARGO_MANIFEST_DIR"), "/scripts/outside-alignment");
    let output = Command::new(python).arg(script).args([clip, capture]).output().expect("python runs");
    assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
    let text = String::from_utf8(output.stdout).expect("text");
    let mut lines = text.lines();
    let numbers = |line: &str| line.split(',').filter_map(|cell| cell.parse().ok()).collect::<Vec<f64>>();
    Opinion {
        geometry: lines.next().map(numbers).expect("a geometry"),
        frames: lines.map(numbers).map(|row| (row[0] as usize, row[1] as u64, row[2] - row[3])).collect(),
    }
}

#[test]
fn frames_are_placed_where_pixels_correlate_best() {
    let (clips, python) = (clips(), python());
    let Some(python) = python.filter(|_| decoder_is_here() && !clips.is_empty()) else {
        eprintln!(
            "SKIPPED: alignment against OpenCV needs ffmpeg, Python with numpy and cv2, and real clips"
        );
        return;
    };
    let desk = Desk::new();
    for clip in clips {
        for (device, filter) in DEVICES {
            let capture = desk.path("capture.mkv");
            let clip_text = clip.display().to_string();
            ffmpeg(&format!(
                "-i {clip_text} -an -frames:v {FRAMES} -vf {filter} -fps_mode passthrough -c:v libx264 -preset veryfast \
                 -crf 20 {}",
                capture.display()
            ));
            let ran = desk.run(&format!(
                "audit capture.mkv --reference {clip_text} --out audit --force --quiet --pictures 0"
            ));
            assert!(matches!(ran.status, Some(0 | 1)), "{device}: {}", ran.stderr);
            let table = String::from_utf8(desk.read("audit/frames.csv")).unwrap();
            let places: Vec<Option<u64>> = table
                .lines()
                .skip(1)
                .map(|line| line.split(',').nth(11).and_then(|cell| cell.parse().ok()))
                .collect();
            let outside = opinion(&python, &clip, &capture);
            let told = outside.frames.iter().filter(|&&(_, _, lead)| lead >= AHEAD);
            let told = told.filter_map(|&(frame, picture, _)| Some((frame, picture, (*places.get(frame)?)?)));
            let (same, other): (Vec<_>, Vec<_>) = told.partition(|&(_, picture, place)| picture == place);
            eprintln!("{device} of {}: {} frames alike, others {other:?}", clip.display(), same.len());
            if clip.ends_with(HARD.0) && device == HARD.1 {
                continue;
            }
            let (most, farthest) = if clip.ends_with(HARD.0) { HARD_OTHERS } else { (0, 0) };
            let near = |&(_, picture, place): &(usize, u64, u64)| picture.abs_diff(place) <= farthest;
            assert!(
                other.len() <= most && other.iter().all(near),
                "{device} of {}: {other:?}",
                clip.display()
            );
            assert!(same.len() >= FRAMES / 4, "{device} of {}: only {} alike", clip.display(), same.len());
            compare_geometry(&desk, (device, &clip), &outside.geometry);
        }
    }
}

/// Scale and shift agree within two pixels over the whole picture.
fn compare_geometry(desk: &Desk, (device, clip): (&str, &Path), outside: &[f64]) {
    let audit = desk.json("audit/audit.json");
    let picture = &audit["source"]["picture"];
    let number = |key: &str| picture[key].as_f64().expect("a number");
    let (width, height) =
        (audit["capture"]["width_px"].as_f64().unwrap(), audit["capture"]["height_px"].as_f64().unwrap());
    // By features: capture position = scale · clip position + shift, both in pixels of the capture's size.
    let [_, scale, across, down] = outside else { panic!("four numbers") };
    for (axis, size, shift) in [("across", width, across), ("down", height, down)] {
        let (own_scale, own_offset) = (number(&format!("scale_{axis}")), number(&format!("offset_{axis}")));
        for edge in [0.0, size] {
            let by_features = (edge - shift) / scale;
            let by_signatures = own_scale * edge + own_offset * size;
            assert!(
                (by_features - by_signatures).abs() <= 0.004 * width,
                "{device} of {} {axis} at {edge}: {by_features} {by_signatures}",
                clip.display()
            );
        }
    }
}
