//! The field bench: every outcome of deinterlacing, with its truth, audited from end to end.
//!
//! The short form runs with the other tests. The full form:
//!
//! ```text
//! scripts/truth                      or
//! cargo test --release --test field_bench -- --ignored --nocapture full
//! ```
//!
//! | variable | meaning |
//! |---|---|
//! | `EVENBEAT_CLIPS` | folders with real clips, separated as in the search path |
//! | `EVENBEAT_FIELDS_ONLY` | only cells whose name `device/content/recording` holds one of these texts (comma) |
//! | `EVENBEAT_FIELDS_CACHE` | folder for encoded clips; `target/field-cache` if unset |
//! | `EVENBEAT_FIELDS_PROGRAM` | another build of the program to judge |
//! | `EVENBEAT_FIELDS_CLIPS` | folder for clips and truth of every cell, by the test `write_clips` |

#[path = "truth/fields/mod.rs"]
mod fields;

use std::env;
use std::path::{Path, PathBuf};
use std::process::Command;
use std::sync::atomic::{AtomicUsize, Ordering};
use std::sync::{Arc, Mutex};
use std::time::Instant;

use fields::audited::{audit, Audited};
use fields::content::{Content, DETAILED, TRAPS};
use fields::perfect;
use fields::score::{missed, score, table, CellScore};
use fields::shown::Shown;
use fields::{Cell, LARGE_SIZE, MOMENTS, SIZE};

/// Whether the person wants this cell.
fn wanted(cell: &Cell) -> bool {
    env::var("EVENBEAT_FIELDS_ONLY")
        .map_or(true, |only| only.split(',').any(|text| cell.name().contains(text)))
}

/// Every cell of the full bench, content by content.
fn full_cells() -> impl Iterator<Item = Vec<Cell>> {
    let painted = DETAILED.iter().map(|(name, _)| Content::painted(name, SIZE));
    let real = Content::real(&fields::clip_folders(), SIZE);
    let detailed = painted.chain(real).map(|content| fields::cells(&Arc::new(content), MOMENTS));
    let traps = TRAPS.iter().map(|(name, _)| Content::painted(name, SIZE));
    let traps = traps.map(|content| fields::trap_cells(&Arc::new(content), MOMENTS));
    let large = Content::real(&fields::clip_folders(), LARGE_SIZE);
    let large = large.into_iter().map(|content| fields::large_cells(&Arc::new(content)));
    detailed.chain(traps).chain(large).map(|mut cells| {
        cells.retain(wanted);
        cells
    })
}

/// Where encoded clips are kept from run to run.
fn cache() -> PathBuf {
    let default = || Path::new(env!("CARGO_MANIFEST_DIR")).join("target").join("field-cache");
    env::var_os("EVENBEAT_FIELDS_CACHE").map_or_else(default, PathBuf::from)
}

fn encoder_at_hand() -> bool {
    Command::new("ffmpeg").arg("-version").output().is_ok_and(|output| output.status.success())
}

/// Audits cells on as many threads as there are processors; scores come in the order of the cells.
fn run(cells: &[Cell]) -> Vec<CellScore> {
    let scratch = tempfile::tempdir().expect("a scratch folder");
    let next = AtomicUsize::new(0);
    let scores = Mutex::new(Vec::new());
    let threads = std::thread::available_parallelism().map_or(1, usize::from);
    std::thread::scope(|scope| {
        for _ in 0..threads {
            scope.spawn(|| loop {
                let place = next.fetch_add(1, Ordering::Relaxed);
                let Some(cell) = cells.get(place) else { break };
                let score = score(cell, &audit(&cell.file(&cache()), &[], scratch.path()));
                scores.lock().expect("no thread panics").push((place, score));
            });
        }
    });
    let mut scores = scores.into_inner().expect("no thread panics");
    scores.sort_by_key(|(place, _)| *place);
    scores.into_iter().map(|(_, score)| score).collect()
}

/// Prints what was found and fails where the reach is missed, but for these devices.
fn check(scores: &[CellScore], but: &[&str]) {
    println!("{}", table(scores));
    let (known, new): (Vec<String>, Vec<String>) =
        missed(scores).into_iter().partition(|line| but.iter().any(|device| line.starts_with(device)));
    println!("{} captures, reach missed in {} places", scores.len(), known.len() + new.len());
    println!("known to miss it:\n{}", known.join("\n"));
    assert!(new.is_empty(), "missed:\n{}", new.join("\n"));
}

#[test]
#[ignore = "takes minutes: run by scripts/truth"]
fn full() {
    assert!(encoder_at_hand(), "the field bench needs ffmpeg on the search path");
    let mut scores = Vec::new();
    for cells in full_cells() {
        if let Some(cell) = cells.first() {
            eprintln!("judging {} captures of {} at {}", cells.len(), cell.content.name, cell.content.size);
        }
        scores.extend(run(&cells));
    }
    check(&scores, &[]);
}

#[test]
fn a_faultless_audit_misses_nothing() {
    for cell in fields::short() {
        let score = score(&cell, &perfect::judgement(&cell));
        assert_eq!(missed(std::slice::from_ref(&score)), [] as [&str; 0]);
        assert_eq!(score.recognised.right, score.recognised.total, "{}", cell.name());
        assert_eq!(score.fields.right, score.fields.total, "{}", cell.name());
    }
}

#[test]
fn each_kind_of_error_is_missed() {
    type Spoil = fn(&mut Audited);
    let table: [(&str, Spoil, &str); 8] = [
        ("weave-twice", |a| a.outcome = None, "weave-twice lossless: recognised 0.00%"),
        ("weave-twice", |a| a.frames[7].flags.clear(), "weave-twice lossless: recognised 98.33%"),
        ("mean-twice", |a| a.frames[7].class = "new".to_owned(), "mean-twice lossless: recognised 98.33%"),
        (
            "top-field-twice",
            |a| a.frames[7].flags.push("blend".to_owned()),
            "top-field-twice lossless: recognised 98.33%",
        ),
        (
            "pictures",
            |a| a.frames[7].flags.push("combed".to_owned()),
            "pictures lossless: without a mark 98.33%",
        ),
        ("tff", |a| a.scan = "bff".to_owned(), "tff lossless: order of the fields 0/1"),
        ("film-2-3", |a| a.field_holds = Some(vec![2, 2]), "film-2-3 lossless: holds in fields 0/1"),
        ("film-lock-lost", |a| a.frames.truncate(59), "film-lock-lost lossless: recognised 98.33%"),
    ];
    for (device, spoil, expected) in table {
        let all = fields::short();
        let cell = all.iter().find(|cell| cell.device.name == device).expect("a device of the short form");
        let mut audited = perfect::judgement(cell);
        spoil(&mut audited);
        let missed = missed(&[score(cell, &audited)]);
        assert!(missed.iter().any(|line| line == expected), "{expected}: {missed:?}");
    }
}

#[test]
fn what_the_user_says_of_the_scan_stands_above_samples_and_flags() {
    if !encoder_at_hand() {
        return eprintln!("SKIPPED: the field bench needs ffmpeg on the search path");
    }
    let cells = fields::short();
    let of =
        |device: &str| cells.iter().find(|cell| cell.device.name == device).expect("a device").file(&cache());
    let scratch = tempfile::tempdir().expect("a scratch folder");
    for (device, said, expected) in [
        ("tff", "auto", "tff"),
        ("tff", "tff", "tff"),
        ("tff", "bff", "bff"),
        ("tff", "progressive", "progressive"),
        ("pictures", "auto", "progressive"),
        ("pictures", "tff", "tff"),
    ] {
        let audited = audit(&of(device), &["--scan", said], scratch.path());
        assert_eq!(audited.scan, expected, "{device}, --scan {said}");
        assert_eq!(audited.fields.is_empty(), expected == "progressive", "{device}, --scan {said}");
    }
}

/// Rows of the short form that miss the reach, each for its own reason: a line comes off when it is reached.
const SHORT_OF_REACH: [&str; 2] = [
    // One line of lettering is all that moves.
    "film-lock-lost ",
    // A turning disc, after the recorder's loss.
    "weave-twice x264",
];

#[test]
fn short_form() {
    if !encoder_at_hand() {
        return eprintln!("SKIPPED: the field bench needs ffmpeg on the search path");
    }
    let mut cells = fields::short();
    cells.retain(wanted);
    check(&run(&cells), &SHORT_OF_REACH);
}

/// Most time that fields may cost, as a multiple of the same frames taken for progressive.
const COST_MAX: f64 = 1.3;
/// Runs of which the quickest counts: the machine has other things to do.
const RUNS: usize = 5;

#[test]
#[ignore = "measures time: run by scripts/truth"]
fn fields_cost_little() {
    let scratch = tempfile::tempdir().expect("a scratch folder");
    let file = scratch.path().join("frames.y4m");
    let content = Content::painted("pan", LARGE_SIZE);
    let mut bytes =
        format!("YUV4MPEG2 W{} H{} F30000:1001 It C420\n", LARGE_SIZE.width, LARGE_SIZE.height).into_bytes();
    for frame in 0..30 {
        bytes.extend_from_slice(b"FRAME\n");
        let shown = Shown::Woven { top: frame * 2, bottom: frame * 2 + 1 };
        shown.picture(&content).write_to(&mut bytes).expect("memory takes all");
    }
    std::fs::write(&file, bytes).expect("the scratch folder takes frames");
    let quickest = |scan: &str| {
        let run = || {
            let start = Instant::now();
            let audited = audit(&file, &["--scan", scan], scratch.path());
            assert_eq!(audited.fields.is_empty(), scan == "progressive");
            start.elapsed()
        };
        (0..RUNS).map(|_| run()).min().expect("a run").as_secs_f64()
    };
    let (fields, frames) = (quickest("auto"), quickest("progressive"));
    let cost = fields / frames;
    println!("30 frames of 1080 lines: {fields:.3} s as fields, {frames:.3} s as frames, {cost:.2} times");
    assert!(cost <= COST_MAX, "{cost}");
}

#[test]
#[ignore = "writes gigabytes: run by hand"]
fn write_clips() {
    let folder = env::var_os("EVENBEAT_FIELDS_CLIPS").expect("EVENBEAT_FIELDS_CLIPS names a folder");
    for cell in full_cells().flatten() {
        cell.write_to(Path::new(&folder)).expect("clips can be written");
    }
}
