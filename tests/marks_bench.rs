//! The marks bench: the test clip through real scalers, encoders, deinterlacers and rate converters, and what is read
//! of it. The short form runs with the other tests; the full form, one command:
//!
//! ```text
//! scripts/truth                      or
//! cargo test --release --test marks_bench -- --ignored --nocapture full
//! ```
//!
//! | variable | meaning |
//! |---|---|
//! | `EVENBEAT_CLIPS` | folders with real clips, separated as in the search path: nothing may be read in them |
//! | `EVENBEAT_MARKS_ONLY` | only ways whose `name size` holds one of these texts (comma) |

use std::env;
use std::io::Write;
use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};
use std::sync::atomic::AtomicBool;

use evenbeat::alignment::{marks, SourcePlace};
use evenbeat::audit::{write_log, Run};
use evenbeat::capture::log::LogReader;
use evenbeat::capture::CaptureArg;
use evenbeat::fingerprint::MarkReading;
use evenbeat::frame::Scan;
use evenbeat::pipeline::NoProgress;
use evenbeat::settings::Settings;
use evenbeat::testclip::settings::Size;
use evenbeat::testclip::{write_clip, ClipSettings, Pulldown};
use evenbeat::units::Rate;

/// What frame `k` of the recording shows.
#[derive(Clone, Copy, Debug, PartialEq)]
enum Shows {
    /// Picture `k`.
    Picture,
    /// Fields `2k` and `2k + 1`, woven or, where lines were scaled, mixed in any way.
    BothFields,
    /// Fields `2k` and `2k + 1`, averaged.
    AveragedFields,
    /// Field `k`, or in the lines made up also its neighbours.
    Field,
    /// The first field of frame `k`, or in the lines made up also its neighbours.
    FirstField,
    /// Film pictures in the pattern 2:3.
    Film,
    /// Pictures at 48 per second mixed for 60.
    Blend,
}

/// One way of a clip to its recording.
struct Way {
    name: &'static str,
    size: &'static str,
    scan: Scan,
    /// Options of the encoder, separated by blanks.
    options: &'static str,
    shows: Shows,
    /// Whether the short form takes it.
    short: bool,
}

const X264: &str = "-c:v libx264 -preset veryfast";

const fn way(name: &'static str, size: &'static str, options: &'static str) -> Way {
    Way { name, size, scan: Scan::Progressive, options, shows: Shows::Picture, short: false }
}

const fn fields(name: &'static str, size: &'static str, options: &'static str, shows: Shows) -> Way {
    Way { name, size, scan: Scan::TopFieldFirst, options, shows, short: false }
}

const fn mixes(way: Way) -> Way {
    Way { shows: Shows::Blend, ..way }
}

const fn bottom_first(way: Way) -> Way {
    Way { scan: Scan::BottomFieldFirst, ..way }
}

const fn also_short(way: Way) -> Way {
    Way { short: true, ..way }
}

/// `X264` stands for the encoder with its preset.
const WAYS: &[Way] = &[
    also_short(way("x264 28", "480", "X264 -crf 28")),
    also_short(way("x264 33", "480", "X264 -crf 33")),
    way("x264 28 10 bit", "480-10", "X264 -crf 28"),
    way("x264 28", "1080", "X264 -crf 28"),
    way("x264 33", "1080", "X264 -crf 33"),
    also_short(way("MPEG-2", "480", "-c:v mpeg2video -q:v 8 -f mpegts")),
    also_short(way("MJPEG", "480", "-c:v mjpeg -q:v 10 -pix_fmt yuvj420p")),
    way("to 720 lines", "1080", "-vf scale=1280:720 X264 -crf 28"),
    way("to 480 lines", "1080", "-vf scale=720:480 X264 -crf 33"),
    way("to 2160 lines", "480", "-vf scale=3840:2160 X264 -crf 33"),
    way("to 4:3 with bars", "1080", "-vf scale=720:360,pad=720:480:0:60 X264 -crf 28"),
    way("bars at the sides", "1080", "-vf scale=1440:1080,pad=1920:1080:240:0 X264 -crf 28"),
    also_short(way("10 % crop", "480", "-vf crop=iw*0.8:ih*0.8,scale=720:480 X264 -crf 28")),
    way("shift and stretch", "1080", "-vf scale=1930:1070,crop=1900:1060:13:5,scale=1920:1080 X264 -crf 28"),
    way("gamma 0.6", "480", "-vf eq=gamma=0.6 X264 -crf 28"),
    way("gamma 1.6", "480", "-vf eq=gamma=1.6 X264 -crf 28"),
    way("to full range", "480", "-vf scale=out_range=full -pix_fmt yuvj420p X264 -crf 28"),
    way("limited taken for full", "480", "-vf lutyuv=y=(val-16)*255/219 X264 -crf 28"),
    way("full taken for limited", "480", "-vf lutyuv=y=val*219/255+16 X264 -crf 28"),
    way("noise", "480", "-vf noise=alls=20:allf=t X264 -crf 18"),
    also_short(fields(
        "woven",
        "480",
        "-flags +ildct+ilme X264 -crf 28 -x264-params tff=1",
        Shows::BothFields,
    )),
    fields("woven 33", "480", "-flags +ildct+ilme X264 -crf 33 -x264-params tff=1", Shows::BothFields),
    fields("woven", "1080", "-flags +ildct+ilme X264 -crf 28 -x264-params tff=1", Shows::BothFields),
    also_short(fields("bwdif", "480", "-vf bwdif=mode=send_field X264 -crf 28", Shows::Field)),
    bottom_first(fields("bwdif", "480", "-vf bwdif=mode=send_field X264 -crf 28", Shows::Field)),
    fields("bwdif", "1080", "-vf bwdif=mode=send_field X264 -crf 28", Shows::Field),
    fields(
        "bwdif to 720 lines",
        "1080",
        "-vf bwdif=mode=send_field,scale=1280:720 X264 -crf 28",
        Shows::Field,
    ),
    fields("w3fdif", "480", "-vf w3fdif=mode=field X264 -crf 28", Shows::Field),
    bottom_first(fields("w3fdif", "480", "-vf w3fdif=mode=field X264 -crf 28", Shows::Field)),
    fields("w3fdif", "1080", "-vf w3fdif=mode=field X264 -crf 28", Shows::Field),
    fields("lines doubled", "480", "-vf separatefields,scale=iw:ih*2 X264 -crf 28", Shows::Field),
    fields("first field only", "480", "-vf bwdif=mode=send_frame X264 -crf 28", Shows::FirstField),
    also_short(fields("fields averaged", "480", "-vf pp=lb X264 -crf 28", Shows::AveragedFields)),
    fields("woven, scaled", "480", "-vf setfield=prog,scale=1280:720 X264 -crf 28", Shows::BothFields),
    fields("film in fields", "480", "-flags +ildct+ilme X264 -crf 28 -x264-params tff=1", Shows::Film),
    also_short(mixes(way(
        "mixed for 60",
        "480",
        "-vf minterpolate=fps=60:mi_mode=blend:scd=none X264 -crf 18",
    ))),
    mixes(way("mixed for 60", "1080", "-vf minterpolate=fps=60:mi_mode=blend:scd=none X264 -crf 28")),
];

/// Frames per way of the full and of the short form.
const FULL_FRAMES: u64 = 600;
const SHORT_FRAMES: u64 = 24;
/// Farthest a weight may be from the truth: after coarse coding four cells tell it.
const WEIGHT_TOLERANCE: f32 = 0.06;
/// Smallest share of frames that must be read, of each way.
const READ_MIN: f64 = 0.999;

fn settings(way: &Way, frames: u64) -> ClipSettings {
    let (size, bit_depth) = match way.size.strip_suffix("-10") {
        Some(size) => (size, 10),
        None => (way.size, 8),
    };
    let rate = match (way.shows, way.scan) {
        (Shows::Blend, _) => "48",
        (_, Scan::Progressive) => "60",
        _ => "29.97",
    };
    let pulldown = if way.shows == Shows::Film { Pulldown::parse("2:3") } else { None };
    let size = Size::parse(size).expect("a size");
    ClipSettings {
        size,
        rate: Rate::parse(rate).expect("a rate"),
        scan: way.scan,
        pulldown,
        bit_depth,
        frames,
    }
}

fn encoder_at_hand() -> bool {
    Command::new("ffmpeg").arg("-version").output().is_ok_and(|output| output.status.success())
}

/// Paints the clip into the encoder.
fn record(way: &Way, frames: u64, file: &Path) {
    let options = way.options.replace("X264", X264);
    let mut child = Command::new("ffmpeg")
        .args(["-v", "error", "-y", "-i", "-"])
        .args(options.split(' '))
        .arg(file)
        .stdin(Stdio::piped())
        .stdout(Stdio::null())
        .spawn()
        .expect("the encoder starts");
    let mut input = child.stdin.take().expect("piped");
    let (progress, stop) = (NoProgress, AtomicBool::new(false));
    write_clip(&settings(way, frames), ("encoder", &mut input), (&progress, &stop))
        .expect("frames are taken");
    input.flush().expect("frames are taken");
    drop(input);
    assert!(child.wait().expect("the encoder ends").success(), "{}", way.name);
}

/// What is read of each frame of a capture.
fn readings(file: &Path) -> Vec<Option<MarkReading>> {
    let stop = AtomicBool::new(false);
    let run = Run { progress: &NoProgress, stop: &stop };
    let capture = CaptureArg::from(file.as_os_str().to_owned());
    let mut bytes = Vec::new();
    write_log(&capture, &Settings::default(), run, ("log", &mut bytes)).expect("the capture is read");
    let mut log = LogReader::open(&bytes[..], "log").expect("a log");
    let mut readings = Vec::new();
    while let Some(fingerprint) = log.next_fingerprint().expect("a log") {
        readings.push(fingerprint.marks);
    }
    readings
}

/// How many frames came out how.
#[derive(Clone, Copy, Debug, Default)]
struct Score {
    frames: usize,
    read: usize,
    right: usize,
    /// Units that the frame does not show.
    wrong_numbers: usize,
    /// Largest error of a weight.
    weight_error: f32,
}

/// Units that the frame may show, and where the truth is one place, that.
fn truth(shows: Shows, frame: u32) -> (std::ops::RangeInclusive<u32>, Option<SourcePlace>) {
    let film = |field: u32| (0..).find(|picture| (5 * (picture + 1)) / 2 > field).expect("a picture");
    match shows {
        Shows::Picture => (frame..=frame, Some(SourcePlace::Picture(frame))),
        Shows::BothFields => (2 * frame..=2 * frame + 1, None),
        Shows::AveragedFields => {
            let (first, second) = (2 * frame, 2 * frame + 1);
            (first..=second, Some(SourcePlace::Mix { first, second, weight: 0.5 }))
        }
        Shows::Field => (frame.saturating_sub(1)..=frame + 1, Some(SourcePlace::Picture(frame))),
        Shows::FirstField => {
            ((2 * frame).saturating_sub(1)..=2 * frame + 1, Some(SourcePlace::Picture(2 * frame)))
        }
        Shows::Film => {
            let (first, second) = (film(2 * frame), film(2 * frame + 1));
            let place = if first == second {
                SourcePlace::Picture(first)
            } else {
                SourcePlace::Woven { first, second }
            };
            (first..=second, Some(place))
        }
        Shows::Blend => {
            let (first, fifths) = (frame * 4 / 5, frame * 4 % 5);
            let place = match fifths {
                0 => SourcePlace::Picture(first),
                _ => SourcePlace::Mix { first, second: first + 1, weight: fifths as f32 / 5.0 },
            };
            (first..=first + u32::from(fifths > 0), Some(place))
        }
    }
}

fn score(way: &Way, readings: &[Option<MarkReading>]) -> Score {
    let places = marks::track(readings, readings.len()).map(|track| track.places).unwrap_or_default();
    let mut score = Score { frames: readings.len(), ..Score::default() };
    for (frame, reading) in readings.iter().enumerate() {
        let Some(place) = places.get(frame).filter(|place| **place != SourcePlace::Unknown) else { continue };
        let (units, expected) = truth(way.shows, frame as u32);
        score.read += 1;
        let named = reading.iter().flat_map(|reading| reading.lines).flatten();
        score.wrong_numbers += named
            .flat_map(|lines| [lines.first, lines.second().0])
            .filter(|unit| !units.contains(unit))
            .count();
        score.right += usize::from(match (*place, expected) {
            (_, None) => true,
            (
                SourcePlace::Mix { first, second, weight },
                Some(SourcePlace::Mix { first: a, second: b, weight: expected }),
            ) => {
                let error = (weight - expected).abs();
                score.weight_error = score.weight_error.max(error);
                (first, second) == (a, b) && error <= WEIGHT_TOLERANCE
            }
            (place, Some(expected)) => place == expected,
        });
    }
    score
}

/// Takes every wanted way, prints its row, and gives the names of those that miss what is promised.
fn run(frames: u64, wanted: impl Fn(&Way) -> bool) -> Vec<String> {
    let folder = tempfile::tempdir().expect("a temporary folder");
    let file = folder.path().join("clip.mkv");
    let mut missed = Vec::new();
    println!(
        "{:<24}{:>6} {:>5} {:>7} {:>7} {:>7} {:>6} {:>7}",
        "way", "size", "scan", "frames", "read", "right", "wrong", "weight"
    );
    for way in WAYS.iter().filter(|way| wanted(way)) {
        record(way, frames, &file);
        let score = score(way, &readings(&file));
        println!(
            "{:<24}{:>6} {:>5} {:>7} {:>7} {:>7} {:>6} {:>7.3}",
            way.name,
            way.size,
            &way.scan.name()[..3],
            score.frames,
            score.read,
            score.right,
            score.wrong_numbers,
            score.weight_error
        );
        let enough = |count: usize| count as f64 >= READ_MIN * score.frames as f64;
        // A filter may begin or end with a frame of its own kind.
        if score.wrong_numbers > 0 || !enough(score.read) || !enough(score.right + 1) || score.frames == 0 {
            missed.push(format!("{} {}", way.name, way.size));
        }
    }
    missed
}

#[test]
fn short() {
    if !encoder_at_hand() {
        println!("skipped: no ffmpeg on the search path, nothing was recorded and read back");
        return;
    }
    assert_eq!(run(SHORT_FRAMES, |way| way.short), Vec::<String>::new());
}

#[test]
#[ignore = "minutes of encoding: run by scripts/truth"]
fn full() {
    assert!(encoder_at_hand(), "ffmpeg is not on the search path");
    let only = env::var("EVENBEAT_MARKS_ONLY").ok();
    let mut missed = run(FULL_FRAMES, |way| {
        let name = format!("{} {}", way.name, way.size);
        only.as_ref().is_none_or(|only| only.split(',').any(|text| name.contains(text)))
    });
    let Some(folders) = env::var_os("EVENBEAT_CLIPS") else {
        println!("real clips skipped: EVENBEAT_CLIPS is not set");
        assert_eq!(missed, Vec::<String>::new());
        return;
    };
    let clips = env::split_paths(&folders).flat_map(|folder| std::fs::read_dir(folder).into_iter().flatten());
    let clips: Vec<PathBuf> =
        clips.flatten().map(|entry| entry.path()).filter(|path| path.is_file()).collect();
    for clip in clips.iter().filter(|clip| clip.extension().is_some_and(|kind| kind != "log")) {
        let stop = AtomicBool::new(false);
        let run = Run { progress: &NoProgress, stop: &stop };
        let capture = CaptureArg::from(clip.as_os_str().to_owned());
        if write_log(&capture, &Settings::default(), run, ("log", std::io::sink())).is_err() {
            continue;
        }
        let readings = readings(clip);
        let read = readings.iter().flatten().count();
        println!(
            "{:<60} {:>7} frames, read {read}",
            clip.file_name().unwrap_or_default().to_string_lossy(),
            readings.len()
        );
        if read > 0 {
            missed.push(clip.display().to_string());
        }
    }
    assert_eq!(missed, Vec::<String>::new());
}
