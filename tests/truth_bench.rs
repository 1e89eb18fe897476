//! The truth bench: captures whose truth is a list written before painting and encoding, judged frame by frame.
//!
//! The short form runs with the other tests. The full form, one command:
//!
//! ```text
//! scripts/truth                      or
//! cargo test --release --test truth_bench -- --ignored --nocapture full
//! ```
//!
//! | variable | meaning |
//! |---|---|
//! | `EVENBEAT_CLIPS` | folders with real clips, separated as in the search path |
//! | `EVENBEAT_TRUTH_ONLY` | only cells whose name `scene/delivery/recording` holds one of these texts (comma) |
//! | `EVENBEAT_TRUTH_EVERYTHING` | if set, the whole product of scenes, deliveries and recordings |
//! | `EVENBEAT_TRUTH_CACHE` | folder for encoded clips; `target/truth-cache` if unset |
//! | `EVENBEAT_TRUTH_KEPT` | folder for the fingerprint log of every cell: cells found there are not measured again (empty it when fingerprints change) |
//! | `EVENBEAT_TRUTH_SMALL` | if set, painted scenes of 64 × 36 pixels and half as many frames |
//! | `EVENBEAT_TRUTH_DUMP` | folder for one table per cell: truth, call and fingerprint of every frame |
//! | `EVENBEAT_TRUTH_CELLS` | folder for frames (YUV4MPEG2) and truth of every cell, by the test `write_cells` |

mod truth;

use std::env;
use std::path::{Path, PathBuf};
use std::process::Command;
use std::sync::atomic::{AtomicUsize, Ordering};
use std::sync::{Arc, Mutex};

use evenbeat::capture::CaptureFacts;
use evenbeat::classify::FrameClass;
use evenbeat::fingerprint::FrameFingerprint;
use evenbeat::verdict::FindingKind;
use truth::adapter::{self, Judged};
use truth::cells::{self, Cell};
use truth::exact::Exact;
use truth::recordings::Recording;
use truth::reference::Clips;
use truth::scenes::{neighbours_differ, Scene, PAINTED};
use truth::score::{missed, score, table, CellScore};
use truth::{deliveries, dump, faultless, marks, perfect, plain_judge, real_clips, recordings};

/// Where encoded clips are kept from run to run.
fn cache() -> PathBuf {
    let default = || Path::new(env!("CARGO_MANIFEST_DIR")).join("target").join("truth-cache");
    env::var_os("EVENBEAT_TRUTH_CACHE").map_or_else(default, PathBuf::from)
}

fn encoder_at_hand() -> bool {
    Command::new("ffmpeg").arg("-version").output().is_ok_and(|output| output.status.success())
}

/// Whether the person wants this cell.
fn wanted(cell: &Cell) -> bool {
    env::var("EVENBEAT_TRUTH_ONLY")
        .map_or(true, |only| only.split(',').any(|text| cell.name().contains(text)))
}

/// Where fingerprints are kept from run to run, if anywhere.
fn kept() -> Option<PathBuf> {
    env::var_os("EVENBEAT_TRUTH_KEPT").map(PathBuf::from)
}

type Judge = fn(&CaptureFacts, &[FrameFingerprint]) -> Judged;

/// What counts a cell's errors with the pictures of the clip known.
type Exactly<'a> = &'a (dyn Fn(&Cell, &CaptureFacts, &[FrameFingerprint]) -> Exact + Sync);

/// Judges cells on as many threads as there are processors; scores come in the order of the cells.
fn run(cells: &[Cell], judge: Judge, exactly: Option<Exactly<'_>>) -> Vec<CellScore> {
    let kept = kept();
    let next = AtomicUsize::new(0);
    let scores = Mutex::new(Vec::new());
    let threads = std::thread::available_parallelism().map_or(1, usize::from);
    std::thread::scope(|scope| {
        for _ in 0..threads {
            scope.spawn(|| {
                while let Some((place, cell)) =
                    Some(next.fetch_add(1, Ordering::Relaxed)).and_then(|p| Some((p, cells.get(p)?)))
                {
                    let open = || recordings::open(&cell.scene, &cell.delivery, cell.recording, &cache());
                    let kept = kept.as_ref().map(|folder| folder.join(format!("{}.log", cell.file_name())));
                    let (facts, fingerprints) = adapter::measured(open, kept.as_deref());
                    let judged = judge(&facts, &fingerprints);
                    if let Some(folder) = env::var_os("EVENBEAT_TRUTH_DUMP") {
                        dump::write(cell, &judged, &fingerprints, Path::new(&folder))
                            .expect("the dump can be written");
                    }
                    let mut score = score(cell, &judged);
                    score.exact = exactly.map(|exactly| exactly(cell, &facts, &fingerprints));
                    scores.lock().unwrap().push((place, score));
                }
            });
        }
    });
    let mut scores = scores.into_inner().unwrap();
    scores.sort_by_key(|(place, _)| *place);
    scores.into_iter().map(|(_, score)| score).collect()
}

fn small() -> bool {
    env::var_os("EVENBEAT_TRUTH_SMALL").is_some()
}

/// Every scene of the full bench, painted ones first.
fn full_scenes() -> Vec<Scene> {
    let size = if small() { cells::SMALL_SIZE } else { cells::FULL_SIZE };
    let mut scenes: Vec<Scene> = PAINTED.iter().map(|(name, _)| Scene::painted(name, size)).collect();
    if !small() {
        scenes.extend(real_clips::at_hand(size));
    }
    scenes
}

fn full_cells(number: usize, scene: Scene) -> Vec<Cell> {
    let everything = env::var_os("EVENBEAT_TRUTH_EVERYTHING").is_some();
    let frames = if small() { cells::FULL_FRAMES / 2 } else { cells::FULL_FRAMES };
    let mut cells = cells::of_scene(number, scene, frames, everything);
    cells.retain(|cell| wanted(cell) && !(small() && cell.delivery.long));
    cells
}

#[test]
fn pictures_differ_exactly_where_their_content_does() {
    for (name, _) in PAINTED {
        let scene = Scene::painted(name, cells::SHORT_SIZE);
        neighbours_differ(&scene, cells::SHORT_FRAMES as u64).unwrap();
    }
}

#[test]
fn every_delivery_meets_every_recording() {
    let mut met = std::collections::BTreeSet::new();
    for (number, (name, _)) in PAINTED.iter().enumerate() {
        let scene = Scene::painted(name, cells::LONG_SIZE);
        for cell in cells::of_scene(number, scene, cells::SHORT_FRAMES, false) {
            if deliveries::all(2).iter().any(|delivery| delivery.name == cell.delivery.name) {
                met.insert((cell.delivery.name, cell.recording.name()));
            }
        }
    }
    assert_eq!(met.len(), deliveries::all(cells::SHORT_FRAMES).len() * recordings::ALL.len());
}

#[test]
fn noise_is_as_strong_as_it_says() {
    // Independent noise of deviation σ in both frames of a repeat: deviation of the difference σ√2
    // (variances add); rounding to whole code values adds 1/12 to each variance.
    let scene = Arc::new(Scene::painted("pan-1", cells::SHORT_SIZE));
    let delivery = Arc::new(deliveries::all(4).remove(1));
    for deviation in [1, 3, 6] {
        let mut source = recordings::open(&scene, &delivery, Recording::Noise(deviation), &cache());
        let (mut first, mut second) = (Vec::new(), Vec::new());
        source.read_frame(&mut first).unwrap();
        source.read_frame(&mut second).unwrap();
        let luma = cells::SHORT_SIZE.width * cells::SHORT_SIZE.height;
        let squares = first[..luma].iter().zip(&second).map(|(a, b)| f64::from(a.abs_diff(*b)).powi(2));
        let found = (squares.sum::<f64>() / luma as f64).sqrt();
        let expected = (2.0 * (f64::from(deviation).powi(2) + 1.0 / 12.0)).sqrt();
        assert!((found / expected - 1.0).abs() < 0.03, "{deviation}: {found} {expected}");
    }
}

/// A cell of the short form's size.
fn cell(scene: &str, delivery: &str, recording: Recording) -> Cell {
    let mut deliveries =
        deliveries::all(cells::SHORT_FRAMES).into_iter().chain(deliveries::disordered(cells::SHORT_FRAMES));
    let delivery = deliveries.find(|d| d.name == delivery).expect("a delivery of the list");
    let scene = Arc::new(Scene::painted(scene, cells::SHORT_SIZE));
    Cell { scene, delivery: Arc::new(delivery), recording }
}

#[test]
fn a_faultless_judgement_misses_nothing() {
    for (scene, delivery) in [
        ("pan-3", "1:1"),
        ("pan-3", "stalls"),
        ("still-stretches", "1:1"),
        ("cuts", "2:2"),
        ("ticker", "25-in-60"),
    ] {
        let cell = cell(scene, delivery, Recording::Lossless);
        let score = score(&cell, &perfect::judgement(&cell));
        assert_eq!(missed(std::slice::from_ref(&score)), [] as [&str; 0], "{scene} {delivery}");
        assert_eq!((score.still.total, score.mixes.total), (score.still.right, score.mixes.right));
    }
}

#[test]
fn each_kind_of_error_is_missed() {
    type Spoil = fn(&mut Judged);
    let table: [(&str, Recording, Spoil, &str); 8] = [
        ("1:1", Recording::Lossless, |j| j.frames[7].class = FrameClass::Repeat, "lossless frames: 1/120"),
        (
            "1:1",
            Recording::Noise(1),
            |j| j.frames[7].class = FrameClass::Still,
            "lossy and noisy frames: 1/120",
        ),
        (
            "2:2",
            Recording::Noise(3),
            |j| j.frames.iter_mut().take(9).for_each(|frame| frame.class = FrameClass::New),
            "frames of pan-3/2:2/noise-3: 4/120",
        ),
        ("2:2", Recording::Dither, |j| j.cadence.as_mut().unwrap().pattern = None, "patterns: 1/1"),
        (
            "1:1",
            Recording::Dither,
            |j| j.findings.push(faultless::finding(FindingKind::Freeze, 3, 4)),
            "clean pan-3/dither: false freeze",
        ),
        ("stalls", Recording::Lossless, |j| j.findings.clear(), "stalls: 3/3"),
        (
            "stalls",
            Recording::Lossless,
            |j| j.frames.iter_mut().for_each(|frame| frame.lost_before += 1),
            "lost pictures: 119/119",
        ),
        (
            "2:3",
            Recording::Noise(6),
            |j| j.frames.iter_mut().for_each(|frame| frame.class = FrameClass::New),
            "sure calls in noise-6: 72/119",
        ),
    ];
    for (delivery, recording, spoil, expected) in table {
        let cell = cell("pan-3", delivery, recording);
        let mut judged = perfect::judgement(&cell);
        spoil(&mut judged);
        let missed = missed(&[score(&cell, &judged)]);
        assert!(missed.iter().any(|line| line.starts_with(expected)), "{expected}: {missed:?}");
    }
}

/// Cells of the short form that can be run here.
fn short_cells() -> Vec<Cell> {
    let mut cells = cells::short();
    if !encoder_at_hand() {
        eprintln!("LEFT OUT: cells that need an encoder: no ffmpeg on the search path");
        cells.retain(|cell| !cell.recording.needs_encoder());
    }
    cells.retain(wanted);
    cells
}

#[test]
fn the_bench_sees_what_digests_alone_get_right_and_wrong() {
    let by_digests: Judge = |_, fingerprints| {
        let frames = plain_judge::judge(fingerprints);
        Judged { frames, ..Judged::default() }
    };
    let mut cells = short_cells();
    cells.retain(|cell| cell.recording == Recording::Lossless);
    assert_eq!(missed(&run(&cells, by_digests, None)), [] as [&str; 0]);

    // Noise makes every repeat a frame of its own: all repeats of a half-rate capture are then called new.
    cells.retain(|cell| cell.delivery.name == "2:2");
    cells.iter_mut().for_each(|cell| cell.recording = Recording::Noise(1));
    for score in run(&cells, by_digests, None) {
        let same = score.wrong_frames.len();
        assert!(same >= cells::SHORT_FRAMES / 2, "{}: {same}", score.scene);
        assert!(score.wrong_frames.iter().all(|(_, truth)| *truth != "new"), "{}", score.scene);
    }
}

/// What the short form is known to miss: pictures that the encoder shows late or hardly at all, in slow motion.
const KNOWN_TO_MISS: [&str; 4] = [
    "frames of fade/2:3/x264-crf28-b0",
    "frames of zoom/2:3/x264-crf23-b3",
    "frames of talking-head/3:2/x264-crf28-b0",
    "lossy and noisy frames: 15/2040",
];

#[test]
fn short_form() {
    let cells = short_cells();
    let scores = run(&cells, adapter::judge, None);
    let (known, new): (Vec<String>, Vec<String>) = missed(&scores)
        .into_iter()
        .partition(|line| KNOWN_TO_MISS.iter().any(|known| line.starts_with(known)));
    println!("known to miss it:\n{}", known.join("\n"));
    assert!(new.is_empty(), "{}\nmissed:\n{}", table(&scores), new.join("\n"));
}

/// Cells of the reference column in its short form.
fn reference_cells() -> Vec<Cell> {
    let pairs = [
        ("pan-3", "1:1"),
        ("pan-3", "stalls"),
        ("rotation", "2:3"),
        ("cuts", "stalls"),
        ("foliage", "48-in-60"),
        ("still-stretches", "1:1"),
        ("drawn", "1:1"),
    ];
    let mut cells: Vec<Cell> =
        [Recording::Lossless, Recording::X264 { crf: 28, b_frames: 3 }, Recording::Noise(2)]
            .into_iter()
            .flat_map(|recording| pairs.map(|(scene, delivery)| cell(scene, delivery, recording)))
            .collect();
    // Rounded mixes in slow motion, a recorder's pulse in it, and a fade, which looks like other levels.
    cells.extend([
        cell("zoom", "mix-between-holds", Recording::Lossless),
        cell("zoom", "2:2", Recording::Pulse),
        cell("fade", "1:1", Recording::Lossless),
        cell("fade", "2:2", Recording::Lossless),
        cell("fade", "stalls", Recording::Lossless),
    ]);
    cells.retain(|cell| wanted(cell) && (encoder_at_hand() || !cell.recording.needs_encoder()));
    cells
}

#[test]
fn against_the_clip_frames_and_losses_are_exact() {
    let cells = reference_cells();
    let clips = Clips::of(&cells, None);
    let exactly = |cell: &Cell, facts: &_, fingerprints: &_| clips.exact(cell, facts, fingerprints);
    let mut wrong = Vec::new();
    for (cell, score) in cells.iter().zip(run(&cells, adapter::judge, Some(&exactly))) {
        let exact = score.exact.expect("the column was asked for");
        // This scene moves less from picture to picture than x264 errs at 28 at this size: the clip cannot tell
        // all frames apart there, but must not make it worse.
        let finer = cell.scene.name == "foliage" && cell.recording.needs_encoder();
        let allowed = if finer { score.wrong_frames.len() } else { 0 };
        let is_exact = exact.refused.is_none()
            && exact.wrong_frames.len() <= allowed
            && exact.wrong_losses.is_empty()
            && (exact.wrong_places.is_empty() || finer);
        if !is_exact {
            wrong.push(format!("{exact:?}"));
        }
    }
    assert!(wrong.is_empty(), "{}", wrong.join("\n"));
}

#[test]
fn by_its_marks_every_frame_of_the_test_clip_is_exact() {
    let mut cells = marks::short();
    cells.retain(|cell| wanted(cell) && (encoder_at_hand() || !cell.recording.needs_encoder()));
    let scores = run(&cells, adapter::judge, Some(&marks::exact));
    for exact in scores.into_iter().filter_map(|score| score.exact) {
        let expected =
            Exact { told: exact.frames, cell: exact.cell.clone(), frames: exact.frames, ..Exact::default() };
        assert_eq!(exact, expected);
    }
}

#[test]
#[ignore = "takes minutes: run by scripts/truth"]
fn full() {
    assert!(encoder_at_hand(), "the full bench needs ffmpeg on the search path");
    let mut scores = Vec::new();
    for (number, scene) in full_scenes().into_iter().enumerate() {
        eprintln!("judging {}", scene.name);
        let cells = full_cells(number, scene);
        let clips = Clips::of(&cells, kept().as_deref());
        let exactly = |cell: &Cell, facts: &_, fingerprints: &_| clips.exact(cell, facts, fingerprints);
        scores.extend(run(&cells, adapter::judge, Some(&exactly)));
    }
    conclude(&scores);
}

#[test]
#[ignore = "takes minutes: run by scripts/truth"]
fn full_marks() {
    assert!(encoder_at_hand(), "the full bench needs ffmpeg on the search path");
    let mut scores = Vec::new();
    for mut cells in marks::full(cells::SHORT_FRAMES) {
        cells.retain(wanted);
        scores.extend(run(&cells, adapter::judge, Some(&marks::exact)));
    }
    conclude(&scores);
}

/// Prints the table; fails where the reach is missed.
fn conclude(scores: &[CellScore]) {
    println!("{}", table(scores));
    let missed = missed(scores);
    println!("{} cells, reach missed in {} places", scores.len(), missed.len());
    assert!(missed.is_empty(), "missed:\n{}", missed.join("\n"));
}

#[test]
#[ignore = "writes gigabytes: run by hand"]
fn write_cells() {
    let folder =
        PathBuf::from(env::var_os("EVENBEAT_TRUTH_CELLS").expect("EVENBEAT_TRUTH_CELLS names a folder"));
    for (number, scene) in full_scenes().into_iter().enumerate() {
        for cell in full_cells(number, scene) {
            cells::write_to(&cell, &folder, &cache()).expect("cells can be written");
        }
    }
}
