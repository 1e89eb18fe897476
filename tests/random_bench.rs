//! The random bench: captures of scenes that nobody prepared for, everything drawn from a seed, and real clips timed and
//! recorded anew; judged frame by frame beside the simplest script.
//!
//! A short form runs with the other tests. The full form:
//!
//! ```text
//! scripts/truth random               or
//! cargo test --release --test random_bench -- --ignored --nocapture full
//! ```
//!
//! | variable | meaning |
//! |---|---|
//! | `EVENBEAT_RANDOM_SEED` | the seed; 1 if unset. Choose on seed 1, report on others |
//! | `EVENBEAT_RANDOM_CAPTURES` | captures drawn; 400 if unset |
//! | `EVENBEAT_RANDOM_SLICE` | `K/N`: only every N-th capture, from number K on (from 0) |
//! | `EVENBEAT_RANDOM_ONLY` | only captures whose name `seed-number/family/cadence/recording` holds one of these texts (comma) |
//! | `EVENBEAT_RANDOM_WITHOUT` | no capture whose name holds one of these texts |
//! | `EVENBEAT_RANDOM_KEPT` | folder for fingerprints and truth of every capture: those found there are not taken again (empty it when fingerprints change) |
//! | `EVENBEAT_RANDOM_DECODED` | if set, nothing says how recordings were coded, as if all had been decoded to raw files |
//! | `EVENBEAT_RANDOM_DUMP` | folder for one table per capture: truth, call and fingerprint of every frame |
//! | `EVENBEAT_RANDOM_WRITE` | folder for frames (YUV4MPEG2) and truth of every capture, by the test `write_captures` |
//! | `EVENBEAT_CLIPS` | folders with real clips, separated as in the search path |

#[path = "truth/adapter.rs"]
mod adapter;
#[path = "truth/clip_files.rs"]
mod clip_files;
#[path = "truth/decoded.rs"]
mod decoded;
#[path = "truth/faultless.rs"]
mod faultless;
#[path = "truth/opinion.rs"]
mod opinion;
#[path = "random/properties.rs"]
mod properties;
mod random;

use std::env;
use std::fs::{self, File};
use std::io::{BufWriter, Write};
use std::path::{Path, PathBuf};
use std::process::Command;
use std::sync::atomic::{AtomicUsize, Ordering};
use std::sync::{Mutex, OnceLock};

use adapter::Judged;
use evenbeat::classify::{ClassifiedFrame, FrameClass};
use evenbeat::frame::Coding;
use evenbeat::verdict::FindingKind;
use random::cadences::{held, one_to_one};
use random::recordings::{Recorder, Recording};
use random::scenes::FAMILIES;
use random::score::{best_threshold, missed, score, table, CaptureScore, Reach, RANDOM_REACH, REAL_REACH};
use random::taken::{recorded, take, written, FrameTruth, Taken};
use random::{dump, real, Capture, SHORT_SIZES, SIZES};

/// Captures drawn unless the person says otherwise.
const CAPTURES: u64 = 400;
/// Captures of the short form.
const SHORT_CAPTURES: u64 = 40;
/// Seed of the short form: of no use for choosing anything.
const SHORT_SEED: u64 = 77;

fn variable(name: &str) -> Option<String> {
    env::var(format!("EVENBEAT_RANDOM_{name}")).ok()
}

fn folder(name: &str) -> Option<PathBuf> {
    variable(name).map(PathBuf::from)
}

fn number(name: &str, unset: u64) -> u64 {
    variable(name)
        .map_or(unset, |text| text.parse().unwrap_or_else(|_| panic!("{name}: not a number: {text}")))
}

/// Whether the person wants this capture.
fn wanted(capture: &Capture) -> bool {
    let holds = |list: String| list.split(',').any(|text| capture.name.contains(text));
    variable("ONLY").is_none_or(holds) && !variable("WITHOUT").is_some_and(holds)
}

#[test]
#[ignore = "writes pictures to look at: run by hand"]
fn write_pictures() {
    let folder = folder("WRITE").expect("EVENBEAT_RANDOM_WRITE names a folder");
    fs::create_dir_all(&folder).expect("the folder can be made");
    each(&drawn(number("SEED", 1), number("CAPTURES", CAPTURES)), |capture| {
        for picture in [0, 1, 30] {
            let (size, frame) = (capture.scene.size, capture.scene.picture(picture, 8));
            let mut out = format!("P5 {} {} 255\n", size.width, size.height).into_bytes();
            out.extend_from_slice(&frame.samples[..size.width * size.height]);
            let name = format!("{}-{picture}.pgm", capture.file_name());
            fs::write(folder.join(name), out).expect("the picture can be written");
        }
    });
}

/// Whether a capture of this number lies in the slice that the person wants.
fn in_slice(number: u64) -> bool {
    let Some(slice) = variable("SLICE") else { return true };
    let parts: Vec<u64> = slice.split('/').filter_map(|part| part.parse().ok()).collect();
    let [first, step] = parts[..] else { panic!("EVENBEAT_RANDOM_SLICE is K/N, not {slice}") };
    number % step == first
}

fn encoder_at_hand() -> bool {
    Command::new("ffmpeg").arg("-version").output().is_ok_and(|output| output.status.success())
}

fn drawn(seed: u64, captures: u64) -> Vec<Capture> {
    let numbers = (0..captures).filter(|&number| in_slice(number));
    numbers.map(|number| Capture::drawn(seed, number, &SIZES)).filter(wanted).collect()
}

/// Does something with every capture on as many threads as there are processors; results come in their order.
fn each<T: Send>(captures: &[Capture], work: impl Fn(&Capture) -> T + Sync) -> Vec<T> {
    let next = AtomicUsize::new(0);
    let done = Mutex::new(Vec::new());
    let threads = std::thread::available_parallelism().map_or(1, usize::from);
    std::thread::scope(|scope| {
        for _ in 0..threads {
            scope.spawn(|| {
                while let Some((place, capture)) =
                    Some(next.fetch_add(1, Ordering::Relaxed)).and_then(|p| Some((p, captures.get(p)?)))
                {
                    let result = work(capture);
                    done.lock().unwrap().push((place, result));
                }
            });
        }
    });
    let mut done = done.into_inner().unwrap();
    done.sort_by_key(|(place, _)| *place);
    done.into_iter().map(|(_, result)| result).collect()
}

/// Takes, judges and scores captures.
fn run(captures: &[Capture]) -> Vec<CaptureScore> {
    let (kept, dumped) = (folder("KEPT"), folder("DUMP"));
    if let Some(folder) = &kept {
        fs::create_dir_all(folder).expect("the folder can be made");
    }
    let scores = each(captures, |capture| {
        let mut taken = take(capture, kept.as_deref());
        if variable("DECODED").is_some() {
            taken.facts.coding = Coding::Unknown;
        }
        let judged = adapter::judge(&taken.facts, &taken.fingerprints);
        if let Some(folder) = &dumped {
            dump::write(capture, &taken, &judged, folder).expect("the dump can be written");
        }
        score(capture, &taken, &judged)
    });
    if let Some(folder) = &dumped {
        dump::write_index(captures, folder).expect("the dump can be written");
    }
    scores
}

/// Prints the tables; fails where the reach is missed.
fn conclude(scores: &[CaptureScore], reach: &Reach) {
    println!("{}", table(scores));
    let missed = missed(scores, reach);
    println!("{} captures, reach missed in {} places", scores.len(), missed.len());
    assert!(missed.is_empty(), "missed:\n{}", missed.join("\n"));
}

#[test]
#[ignore = "takes minutes: run by scripts/truth"]
fn full() {
    assert!(encoder_at_hand(), "the full bench needs ffmpeg on the search path");
    conclude(&run(&drawn(number("SEED", 1), number("CAPTURES", CAPTURES))), &RANDOM_REACH);
}

#[test]
#[ignore = "takes minutes: run by scripts/truth"]
fn full_real() {
    assert!(encoder_at_hand(), "the full bench needs ffmpeg on the search path");
    let mut captures = real::captures(number("SEED", 1));
    captures.retain(wanted);
    let mut place = 0;
    captures.retain(|_| {
        place += 1;
        in_slice(place - 1)
    });
    conclude(&run(&captures), &REAL_REACH);
}

/// Captures of the short form that can be taken here.
fn short() -> Vec<Capture> {
    let mut captures: Vec<Capture> = (0..SHORT_CAPTURES).map(|number| small(SHORT_SEED, number)).collect();
    if !encoder_at_hand() {
        eprintln!("LEFT OUT: captures that need an encoder: no ffmpeg on the search path");
        captures.retain(|capture| !capture.recording.needs_encoder());
    }
    captures
}

fn small(seed: u64, number: u64) -> Capture {
    Capture::drawn(seed, number, &SHORT_SIZES)
}

#[test]
fn a_capture_is_the_same_whenever_it_is_drawn() {
    for number in [0, 5, 11, 16] {
        let (one, other) = (small(3, number), small(3, number));
        let ((frames, truth), (again, truth_again)) = (recorded(&one), recorded(&other));
        assert!(frames == again, "{}", one.name);
        assert_eq!((one.name, truth), (other.name, truth_again));
    }
    assert_ne!(small(3, 0).name, small(4, 0).name);
}

/// What a faultless judge says.
fn by_the_truth(capture: &Capture, taken: &Taken) -> Judged {
    let class = |truth: &FrameTruth| if truth.new { FrameClass::New } else { FrameClass::Repeat };
    let frames: Vec<ClassifiedFrame> =
        taken.truth.iter().map(|truth| faultless::call(class(truth), truth.lost)).collect();
    let cadence = Some(faultless::cadence(&frames, capture.cadence.pattern.clone()));
    Judged { frames, cadence, ..Judged::default() }
}

/// The short form: as many captures as run in seconds, held against the reach.
fn short_form(judge: impl Fn(&Capture, &Taken) -> Judged) -> (Vec<CaptureScore>, Vec<String>) {
    let scores: Vec<CaptureScore> =
        short_taken().iter().map(|(capture, taken)| score(capture, taken, &judge(capture, taken))).collect();
    let missed = missed(&scores, &RANDOM_REACH);
    (scores, missed)
}

/// The captures of the short form, taken once for all tests.
fn short_taken() -> &'static [(Capture, Taken)] {
    static TAKEN: OnceLock<Vec<(Capture, Taken)>> = OnceLock::new();
    TAKEN.get_or_init(|| {
        let captures = short();
        let taken = each(&captures, |capture| take(capture, None));
        captures.into_iter().zip(taken).collect()
    })
}

/// What of the reach holds on scenes that nothing was chosen on: no frame of a lossless recording is wrong. The rest of it
/// stands in the full form.
#[test]
fn lossless_recordings_of_any_scene_are_exactly_right() {
    let (_, missed) = short_form(|_, taken| adapter::judge(&taken.facts, &taken.fingerprints));
    let wrong: Vec<&String> = missed.iter().filter(|line| line.starts_with("lossless")).collect();
    assert!(wrong.is_empty(), "{wrong:#?}");
}

#[test]
fn a_frame_is_new_exactly_where_a_sample_differs() {
    for (family, (name, ..)) in FAMILIES.iter().enumerate() {
        let mut capture = small(2, family as u64);
        capture.recording = Recording::plain(Recorder::Raw);
        capture.cadence = one_to_one(48);
        let (frames, truth) = recorded(&capture);
        let differs: Vec<bool> = frames.windows(2).map(|pair| pair[0] != pair[1]).collect();
        let new: Vec<bool> = truth[1..].iter().map(|frame| frame.new).collect();
        assert_eq!(new, differs, "{name}");
        // Drawings are held by the clip itself; nearly everything else moves.
        match *name {
            "drawn" => assert!(new.contains(&true) && new.contains(&false), "{name}: {new:?}"),
            "standing" => assert!(new.contains(&false), "{name}: {new:?}"),
            _ => assert!(new.contains(&true), "{name}: {new:?}"),
        }
    }
}

#[test]
fn noise_is_as_strong_as_it_says() {
    // A capture of a scene that stands: what changes from frame to frame is noise of both, of deviation σ√2 (variances
    // add); rounding to whole code values adds 1/12 to each variance.
    let standing = FAMILIES.iter().position(|(name, ..)| *name == "standing").expect("a family of the list");
    for (deviation, depth) in [(0.5, 8), (2.0, 8), (6.0, 8), (2.0, 10)] {
        let mut capture = small(1, standing as u64);
        let recorder = Recorder::Noise { deviation };
        capture.recording = Recording { depth, ..Recording::plain(recorder) };
        capture.cadence = held("stands", &[9], 2);
        let (frames, _) = recorded(&capture);
        let squares: Vec<f64> =
            frames[1].values().zip(frames[0].values()).map(|(a, b)| f64::from(a - b).powi(2)).collect();
        let found = (squares.iter().sum::<f64>() / squares.len() as f64).sqrt();
        let scale = f64::from(1_u16 << (depth - 8));
        let expected = (2.0 * ((f64::from(deviation) * scale).powi(2) + 1.0 / 12.0)).sqrt();
        assert!((found / expected - 1.0).abs() < 0.03, "{deviation} at {depth} bit: {found} {expected}");
    }
}

#[test]
fn one_pattern_is_named_only_where_it_holds_throughout() {
    let mut named = 0;
    for number in 0..300 {
        let cadence = small(5, number).cadence;
        let Some(pattern) = cadence.pattern else { continue };
        named += 1;
        let holds: Vec<u32> = cadence.list.chunk_by(|a, b| a == b).map(|hold| hold.len() as u32).collect();
        // The first and the last hold may be cut off.
        let whole = &holds[1..holds.len() - 1];
        let fits = |turn: usize| whole.iter().zip(pattern.iter().cycle().skip(turn)).all(|(a, b)| a == b);
        assert!((0..pattern.len()).any(fits), "{}: {holds:?}", cadence.name);
    }
    assert!(named > 100, "{named}");
}

#[test]
fn the_threshold_of_the_script_is_wrong_least_often() {
    for (frames, expected) in [
        (vec![], -1.0),
        (vec![(3.0, true), (1.0, true)], -1.0),
        (vec![(0.0, false), (2.0, false)], 2.0),
        (vec![(1.0, false), (5.0, true)], 3.0),
        // One of them is wrong either way; the lower threshold is taken.
        (vec![(1.0, false), (2.0, true), (3.0, false), (4.0, true)], 1.5),
        // No threshold lies between equal changes.
        (vec![(1.0, false), (1.0, true)], -1.0),
    ] {
        assert_eq!(best_threshold(frames.clone()), expected, "{frames:?}");
    }
}

#[test]
fn a_faultless_judgement_misses_nothing() {
    let (scores, missed) = short_form(by_the_truth);
    assert_eq!(missed, [] as [&str; 0], "{}", table(&scores));
}

#[test]
fn each_kind_of_error_is_missed() {
    type Spoil = fn(&Capture, &mut Judged);
    let table: [(Spoil, &str); 7] = [
        (
            |capture, judged| {
                if capture.recording.is_lossless() {
                    flip(judged, 7);
                }
            },
            "lossless frames: ",
        ),
        (
            |capture, judged| {
                if !capture.recording.is_lossless() {
                    flip(judged, 7);
                }
            },
            "lossy and noisy frames: ",
        ),
        (
            |capture, judged| (1..9).for_each(|frame| flip_of(capture, "standing", judged, frame)),
            "sure calls of standing: ",
        ),
        (|_, judged| (1..9).for_each(|frame| flip(judged, frame)), ", by the script 0 "),
        (|_, judged| judged.cadence.as_mut().unwrap().pattern = None, "patterns: "),
        (|_, judged| judged.frames.iter_mut().for_each(|frame| frame.lost_before += 1), "jumps: "),
        (
            |_, judged| judged.findings.push(faultless::finding(FindingKind::CombedPictures, 3, 4)),
            "false findings: ",
        ),
    ];
    for (spoil, expected) in table {
        let (_, missed) = short_form(|capture, taken| {
            let mut judged = by_the_truth(capture, taken);
            spoil(capture, &mut judged);
            judged
        });
        assert!(missed.iter().any(|line| line.contains(expected)), "{expected}: {missed:?}");
    }
}

/// Calls a frame the other way.
fn flip(judged: &mut Judged, frame: usize) {
    let class = &mut judged.frames[frame].class;
    *class = if *class == FrameClass::New { FrameClass::Repeat } else { FrameClass::New };
}

fn flip_of(capture: &Capture, family: &str, judged: &mut Judged, frame: usize) {
    if capture.scene.family == family {
        flip(judged, frame);
    }
}

#[test]
fn lossless_recordings_hold_the_truth_in_their_digests() {
    let mut lossless = short_taken().iter().filter(|(capture, _)| capture.recording.is_lossless()).peekable();
    assert!(lossless.peek().is_some());
    for (capture, Taken { fingerprints, truth, .. }) in lossless {
        for (pair, truth) in fingerprints.windows(2).zip(&truth[1..]) {
            let index = pair[1].index;
            assert_eq!(pair[0].digest != pair[1].digest, truth.new, "{}: frame {index}", capture.name);
        }
    }
}

#[test]
#[ignore = "writes gigabytes: run by hand"]
fn write_captures() {
    let folder = folder("WRITE").expect("EVENBEAT_RANDOM_WRITE names a folder");
    fs::create_dir_all(&folder).expect("the folder can be made");
    let captures = drawn(number("SEED", 1), number("CAPTURES", CAPTURES));
    each(&captures, |capture| write_capture(capture, &folder).expect("captures can be written"));
}

/// Writes the frames of a capture as YUV4MPEG2 and its truth beside it.
fn write_capture(capture: &Capture, folder: &Path) -> std::io::Result<()> {
    let (frames, truth) = recorded(capture);
    let (size, rate) = (capture.size(), capture.rate);
    let layout = if capture.recording.depth == 8 { "420" } else { "420p10" };
    let mut out = BufWriter::new(File::create(folder.join(format!("{}.y4m", capture.file_name())))?);
    writeln!(
        out,
        "YUV4MPEG2 W{} H{} F{}:{} Ip A1:1 C{layout}",
        size.width,
        size.height,
        rate.num(),
        rate.den()
    )?;
    for frame in frames {
        out.write_all(b"FRAME\n")?;
        out.write_all(&frame.samples)?;
    }
    fs::write(folder.join(format!("{}.truth.csv", capture.file_name())), written(&truth))?;
    out.flush()
}
