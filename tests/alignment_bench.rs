//! The alignment bench: perfect devices, and devices with a known fault, audited alone and with the clip that was played.
//!
//! A short form runs with the other tests. The full form:
//!
//! ```text
//! scripts/truth clip               or
//! cargo test --release --test alignment_bench -- --ignored --nocapture full
//! ```
//!
//! | variable | meaning |
//! |---|---|
//! | `EVENBEAT_CLIP_SEED` | the seed of the painted scenes; 1 if unset. Choose on seed 1, report on others |
//! | `EVENBEAT_CLIP_SCENES` | painted scenes; 27 (one of each family) if unset |
//! | `EVENBEAT_CLIP_ONLY` | only trials whose name `scene/delivery/recording` holds one of these texts (comma) |
//! | `EVENBEAT_CLIP_HALF` | `0` or `1`: only every second scene, from this one on |
//! | `EVENBEAT_CLIP_KEPT` | folder for fingerprints: those found there are not taken again |
//! | `EVENBEAT_CLIPS` | folders with real clips, separated as in the search path |

#[path = "truth/adapter.rs"]
#[allow(dead_code, reason = "what other benches need besides")]
mod adapter;
mod alignment;
#[path = "truth/clip_files.rs"]
mod clip_files;
#[path = "truth/decoded.rs"]
mod decoded;
#[path = "truth/faultless.rs"]
#[allow(dead_code, reason = "what the random bench needs besides")]
mod faultless;
#[path = "truth/opinion.rs"]
#[allow(dead_code, reason = "what the random bench needs besides")]
mod opinion;
#[allow(dead_code, reason = "what the random bench needs besides")]
mod random;

use std::env;
use std::path::PathBuf;
use std::process::Command;
use std::sync::atomic::{AtomicUsize, Ordering};
use std::sync::{Arc, Mutex};

use alignment::deliveries::{Delivery, DELIVERIES};
use alignment::trial::{Score, Trial};
use random::recordings::{Conversion, Recorder, Recording};
use random::scenes::{Scene, FAMILIES};
use random::{real, Capture, SHORT_SIZES, SIZES};

fn variable(name: &str) -> Option<String> {
    env::var(format!("EVENBEAT_CLIP_{name}")).ok()
}

fn number(name: &str, unset: u64) -> u64 {
    variable(name)
        .map_or(unset, |text| text.parse().unwrap_or_else(|_| panic!("{name}: not a number: {text}")))
}

const X264: fn(&'static str, u64) -> Recording =
    |preset, crf| Recording::plain(Recorder::X264 { preset, crf });

/// Recordings of every scene.
fn recordings() -> Vec<Recording> {
    let converted = |conversion| Recording { conversion, ..X264("veryfast", 20) };
    vec![
        Recording::plain(Recorder::Raw),
        X264("veryfast", 14),
        X264("veryfast", 20),
        X264("veryfast", 26),
        X264("medium", 20),
        Recording::plain(Recorder::Mjpeg { scale: 4 }),
        Recording::plain(Recorder::Mpeg2 { scale: 4 }),
        converted(Conversion::Scale(150)),
        converted(Conversion::Gain(255.0 / 219.0)),
        converted(Conversion::Crop(5)),
    ]
}

/// Every scene in every delivery and recording.
fn trials(scenes: &[Arc<Scene>], recordings: &[Recording]) -> Vec<Trial> {
    let mut trials = Vec::new();
    for scene in scenes {
        for delivery in DELIVERIES {
            for &recording in recordings {
                trials.push(Trial { scene: Arc::clone(scene), delivery, recording });
            }
        }
    }
    let wanted = |trial: &Trial| {
        variable("ONLY").is_none_or(|list| list.split(',').any(|text| trial.name().contains(text)))
    };
    trials.retain(wanted);
    trials
}

/// Scores all trials on as many threads as there are processors, in their order.
fn run(trials: &[Trial]) -> Vec<Score> {
    let kept = variable("KEPT").map(PathBuf::from);
    let next = AtomicUsize::new(0);
    let done = Mutex::new(Vec::new());
    let threads = std::thread::available_parallelism().map_or(1, usize::from);
    std::thread::scope(|scope| {
        for _ in 0..threads {
            scope.spawn(|| loop {
                let place = next.fetch_add(1, Ordering::Relaxed);
                let Some(trial) = trials.get(place) else { break };
                let score = trial.score(kept.as_deref());
                done.lock().unwrap().push((place, score));
            });
        }
    });
    let mut done = done.into_inner().unwrap();
    done.sort_by_key(|(place, _)| *place);
    done.into_iter().map(|(_, score)| score).collect()
}

fn encoder_at_hand() -> bool {
    Command::new("ffmpeg").arg("-version").output().is_ok_and(|output| output.status.success())
}

#[test]
#[ignore = "takes minutes: run by scripts/truth"]
fn full() {
    assert!(encoder_at_hand(), "the full bench needs ffmpeg on the search path");
    let seed = number("SEED", 1);
    let count = number("SCENES", FAMILIES.len() as u64);
    let mut scenes = real::scenes();
    scenes.extend((0..count).map(|number| Capture::drawn(seed, number, &SIZES).scene));
    if let Some(half) = variable("HALF") {
        let mut at = usize::from(half == "1");
        scenes.retain(|_| {
            at += 1;
            at % 2 == 1
        });
    }
    let scores = run(&trials(&scenes, &recordings()));
    println!("{}", alignment::trial::table(&scores));
    let missed = alignment::trial::missed(&scores);
    assert!(missed.is_empty(), "missed:\n{}", missed.join("\n"));
}

/// Families of the short form: every third one.
const SHORT_STEP: usize = 3;

/// Recordings that hold the clip's samples: every frame is placed, and the clip brings no accusation. What is said without
/// it is no matter of the alignment.
#[test]
fn lossless_recordings_of_any_scene_are_placed_exactly() {
    const SEED: u64 = 78;
    let families = (0..FAMILIES.len() as u64).step_by(SHORT_STEP);
    let scenes: Vec<Arc<Scene>> =
        families.map(|number| Capture::drawn(SEED, number, &SHORT_SIZES).scene).collect();
    let mut trials = trials(&scenes, &[Recording::plain(Recorder::Raw)]);
    trials.retain(|trial| ["1:1", "2:3"].contains(&trial.delivery.name));
    let scores = run(&trials);
    assert!(!scores.is_empty());
    let bad: Vec<String> = scores
        .iter()
        .filter(|score| {
            let accused = score.with_clip.iter().any(|kind| !score.alone.contains(kind));
            score.wrong + score.untold > 0 || accused
        })
        .map(Score::line)
        .collect();
    assert!(bad.is_empty(), "{bad:#?}");
}

/// A delivery by its name.
#[test]
fn deliveries_show_what_they_say() {
    let shown = |name: &str| -> Vec<(u64, u64)> {
        let delivery: Delivery =
            DELIVERIES.into_iter().find(|delivery| delivery.name == name).expect("a delivery of the list");
        delivery.frames(12).iter().map(|frame| (frame.first, (frame.weight * 6.0).round() as u64)).collect()
    };
    assert_eq!(shown("2:3")[..6], [(0, 0), (0, 0), (0, 0), (1, 0), (1, 0), (2, 0)]);
    assert_eq!(shown("mixes")[..4], [(0, 0), (0, 5), (1, 4), (2, 3)]);
}
