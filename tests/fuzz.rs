//! Every reader of what may come from a stranger, fed with mutated bytes: no panic, no endless work, no memory without
//! bound, no cut log or page taken as whole. A short form runs with the other tests; `scripts/fuzz` runs as many mutations
//! as are asked for, with checked arithmetic. `fuzz/` drives the same readers by coverage.
//!
//! | variable | meaning |
//! |---|---|
//! | `EVENBEAT_FUZZ_MUTATIONS` | mutations of the full form over all readers; a million if unset |
//! | `EVENBEAT_FUZZ_SEED` | seed of the first; 1 if unset |
//! | `EVENBEAT_FUZZ_ONLY` | one reader alone |
//! | `EVENBEAT_FUZZ_SEEDS` | folder that the test `write_seeds` writes a corpus to, a folder a reader |

mod common;

use std::alloc::{GlobalAlloc, Layout, System};
use std::fs;
use std::io::Write;
use std::panic::{catch_unwind, AssertUnwindSafe};
use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};
use std::sync::atomic::{AtomicBool, AtomicUsize, Ordering};
use std::time::{Duration, Instant};

use evenbeat::audit::{audit_source, write_log, Run};
use evenbeat::audit_store::{FRAMES_CSV, PICTURES_LOG, PROVENANCE_JSON, REPORT_HTML};
use evenbeat::capture::{open, CaptureArg};
use evenbeat::fuzz::{Target, FRAMES, TARGETS};
use evenbeat::output::{Existing, OutputFolder};
use evenbeat::pictures::Pictures;
use evenbeat::pipeline::NoProgress;
use evenbeat::report::{write_all, Report};
use evenbeat::settings::Settings;

/// Counts what is allocated and remembers the most.
struct Counting;

static NOW: AtomicUsize = AtomicUsize::new(0);
static MOST: AtomicUsize = AtomicUsize::new(0);

// SAFETY: every call goes to the system's allocator as it came.
unsafe impl GlobalAlloc for Counting {
    unsafe fn alloc(&self, layout: Layout) -> *mut u8 {
        let now = NOW.fetch_add(layout.size(), Ordering::Relaxed) + layout.size();
        MOST.fetch_max(now, Ordering::Relaxed);
        // SAFETY: as above.
        unsafe { System.alloc(layout) }
    }

    unsafe fn dealloc(&self, pointer: *mut u8, layout: Layout) {
        NOW.fetch_sub(layout.size(), Ordering::Relaxed);
        // SAFETY: as above.
        unsafe { System.dealloc(pointer, layout) }
    }
}

#[global_allocator]
static ALLOCATOR: Counting = Counting;

/// Most memory of one run, bytes.
const MEMORY_MAX: usize = 500_000_000;
/// A run that takes longer hangs, whatever the machine: ordinary ones take less than a thousandth.
const HANG: Duration = Duration::from_secs(60);
/// Bytes of the last chunk of a PNG (PNG specification, 11.2.5).
const PNG_END: usize = 12;
/// Mutations of each reader in the short form.
const SHORT: u64 = 300;
/// Mutations of the full form.
const FULL: u64 = 1_000_000;

fn number(name: &str, unset: u64) -> u64 {
    std::env::var(format!("EVENBEAT_FUZZ_{name}")).map_or(unset, |text| text.parse().expect("a number"))
}

/// A small generator of repeatable numbers: xorshift64, shifts 13, 7, 17 (Marsaglia 2003).
struct Numbers(u64);

impl Numbers {
    fn below(&mut self, limit: usize) -> usize {
        self.0 ^= self.0 << 13;
        self.0 ^= self.0 >> 7;
        self.0 ^= self.0 << 17;
        (self.0 % limit.max(1) as u64) as usize
    }

    /// A few bytes changed, removed, repeated, moved or cut off; numbers in text made large or strange.
    fn mutated(&mut self, seed: &[u8]) -> Vec<u8> {
        const STRANGE: [&str; 8] =
            ["0", "-1", "18446744073709551615", "1e308", "NaN", "4294967296", "", "99999999999999999999"];
        let mut mutant = seed.to_vec();
        for _ in 0..=self.below(5) {
            if mutant.is_empty() {
                break;
            }
            let at = self.below(mutant.len());
            match self.below(8) {
                0 => mutant[at] = self.below(256) as u8,
                1 => mutant[at] ^= 1 << self.below(8),
                2 => drop(mutant.remove(at)),
                3 => mutant.insert(at, mutant[at]),
                4 => mutant.truncate(at),
                5 => {
                    let end = (at + 1 + self.below(64)).min(mutant.len());
                    let part = mutant[at..end].to_vec();
                    let to = self.below(mutant.len());
                    mutant.splice(to..to, part);
                }
                6 => mutant[at] = [0, 0xff, 0x7f, 0x80][self.below(4)],
                _ => {
                    let end = at + mutant[at..].iter().take_while(|byte| byte.is_ascii_digit()).count();
                    mutant.splice(at..end, STRANGE[self.below(STRANGE.len())].bytes());
                }
            }
        }
        mutant
    }
}

/// A capture of a few frames in which something moves.
fn capture_bytes() -> Vec<u8> {
    let mut bytes = b"YUV4MPEG2 W32 H24 F25:1 Ip C420\n".to_vec();
    for frame in 0..FRAMES {
        bytes.extend(b"FRAME\n");
        let luma = (0..32 * 24).map(|at| (at % 32 * 5 + frame / 2 * 9 + at / 32) as u8);
        bytes.extend(luma.chain(std::iter::repeat_n(128, 2 * 16 * 12)));
    }
    bytes
}

/// What the readers read when nothing is wrong, by their names.
fn seeds() -> Vec<(&'static str, Vec<u8>)> {
    let folder = tempfile::tempdir().expect("a temporary folder");
    let capture = folder.path().join("a.y4m");
    fs::write(&capture, capture_bytes()).expect("a seed");
    let argument = CaptureArg::Path(capture);
    let settings = Settings::default();
    let stop = AtomicBool::new(false);
    let run = Run { progress: &NoProgress, stop: &stop };
    let mut log = Vec::new();
    write_log(&argument, &settings, run, ("log", &mut log)).expect("a log");
    let source = open(&argument, &settings.reading).expect("a capture");
    let audit = audit_source(source, &settings, run).expect("an audit");
    let provenance = common::provenance();
    let report = folder.path().join("report");
    let whole = OutputFolder::reserve(&report, Existing::Keep).expect("a folder");
    let pictures = Pictures::none("none");
    write_all(&Report { audit: &audit, provenance: &provenance, pictures: &pictures, stretch: None }, whole)
        .expect("a report");
    let file = |name: &str| fs::read(report.join(name)).expect(name);
    // The seal is put on again by the reader under test.
    let page = file(REPORT_HTML);
    let body = page.windows(5).rposition(|part| part == b"<!-- ").map_or(page.len(), |at| at);
    let mut image = Vec::new();
    let pixels: Vec<u8> = (0..=255).collect();
    image::GrayImage::from_raw(16, 16, pixels)
        .expect("an image")
        .write_to(&mut std::io::Cursor::new(&mut image), image::ImageFormat::Png)
        .expect("a PNG");
    let messages = "[info] Input #0, matroska,webm, from 'file:a.mkv':\n[info]   Duration: 00:00:03.50, start: 0.0\n\
        [info]   Stream #0:0: Video: h264 (High), yuv420p(tv, progressive), 64x48, 25 fps, 25 tbr, 1k tbn (default)\n\
        [info] Stream mapping:\n[info]   Stream #0:0 -> #0:0 (h264 (native) -> rawvideo (native))\n\
        [info] Output #0, nut, to 'pipe:1':\n[info]   Stream #0:0: Video: rawvideo (I420), yuv420p, 64x48, 25 fps\n";
    let mut seeds = vec![
        ("y4m", capture_bytes()),
        ("log", log),
        ("times", b"0.0\n0.04\n0.080\n0.120001\n".to_vec()),
        ("decoder-messages", messages.as_bytes().to_vec()),
        ("image", image),
        ("page", page[..body].to_vec()),
        ("pictures", file(PICTURES_LOG)),
        ("provenance", file(PROVENANCE_JSON)),
        ("table", file(FRAMES_CSV)),
    ];
    seeds.extend(nut().map(|bytes| ("nut", bytes)));
    seeds
}

/// The capture as the decoder hands it over.
fn nut() -> Option<Vec<u8>> {
    let mut child = Command::new("ffmpeg")
        .args(["-v", "error", "-i", "-", "-c:v", "rawvideo", "-f", "nut", "-write_index", "0", "-"])
        .stdin(Stdio::piped())
        .stdout(Stdio::piped())
        .spawn()
        .inspect_err(|_| eprintln!("SKIPPED: ffmpeg is not installed, so the reader of NUT is not fed"))
        .ok()?;
    let mut input = child.stdin.take()?;
    let feeder = std::thread::spawn(move || input.write_all(&capture_bytes()));
    let output = child.wait_with_output().ok()?;
    feeder.join().expect("it ends").ok()?;
    Some(output.stdout)
}

/// What is wrong with how a reader took some bytes; nothing where all is well.
fn fault(target: &Target, bytes: &[u8]) -> Option<String> {
    let before = NOW.load(Ordering::Relaxed);
    MOST.store(before, Ordering::Relaxed);
    let begun = Instant::now();
    let ran = catch_unwind(AssertUnwindSafe(|| (target.run)(bytes)));
    let memory = MOST.load(Ordering::Relaxed).saturating_sub(before);
    if ran.is_err() {
        return Some("it panics".to_owned());
    }
    if memory > MEMORY_MAX {
        return Some(format!("it takes {memory} bytes"));
    }
    (begun.elapsed() > HANG).then(|| format!("it takes {} s", begun.elapsed().as_secs()))
}

/// Mutations of one reader's seed; where something is wrong, the bytes are kept to be looked at.
fn feed(target: &Target, seed: &[u8], numbers: std::ops::Range<u64>) -> Vec<String> {
    let mut faults = Vec::new();
    for number in numbers {
        // Neighbouring numbers must not begin alike.
        let mut dice = Numbers(number.wrapping_mul(0x9e37_79b9_7f4a_7c15) | 1);
        dice.below(1);
        let mutant = dice.mutated(seed);
        if let Some(what) = fault(target, &mutant) {
            let kept = kept(target, number, &mutant);
            faults.push(format!(
                "{} number {number}: {what}; the bytes are in {}",
                target.name,
                kept.display()
            ));
        }
    }
    faults
}

fn kept(target: &Target, number: u64, bytes: &[u8]) -> PathBuf {
    let folder = Path::new(env!("CARGO_TARGET_TMPDIR")).join("fuzz");
    let path = folder.join(format!("{}-{number}", target.name));
    let _ = fs::create_dir_all(folder).and_then(|()| fs::write(&path, bytes));
    path
}

fn target(name: &str) -> &'static Target {
    TARGETS.iter().find(|target| target.name == name).expect("a reader of that name")
}

#[test]
fn mutated_bytes_harm_no_reader() {
    for (name, seed) in seeds() {
        let faults = feed(target(name), &seed, 0..SHORT);
        assert!(faults.is_empty(), "{faults:#?}");
    }
}

#[test]
fn every_reader_takes_its_seed_for_whole() {
    let seeds = seeds();
    for (name, seed) in &seeds {
        assert!((target(name).run)(seed), "{name}");
    }
    let fed = seeds.len() + usize::from(!seeds.iter().any(|(name, _)| *name == "nut"));
    assert_eq!(fed, TARGETS.len(), "every reader has a seed");
}

#[test]
fn what_is_cut_is_not_taken_for_whole() {
    for (name, seed) in seeds() {
        // A cut between the lines of a text, or the frames of a capture, leaves a shorter one.
        let step = (seed.len() / 400).max(1);
        let cuts = (0..seed.len()).step_by(step).chain(seed.len().saturating_sub(40)..seed.len());
        let whole = |cut: usize| match name {
            "log" | "pictures" => true,
            // A document ends with its bracket and a line feed.
            "provenance" => cut < seed.len() - 1,
            // The last chunk of a PNG holds nothing: the picture before it is whole.
            "image" => cut < seed.len() - PNG_END,
            "y4m" => {
                let header = seed.iter().position(|&byte| byte == b'\n').expect("a header") + 1;
                let frame = (seed.len() - header) / FRAMES;
                cut < header || (cut - header) % frame != 0
            }
            _ => false,
        };
        for cut in cuts.filter(|&cut| whole(cut)) {
            assert!(!(target(name).run)(&seed[..cut]), "{name} cut after {cut} of {} bytes", seed.len());
        }
    }
}

#[test]
#[ignore = "takes an hour: run by scripts/fuzz"]
fn full() {
    let only = std::env::var("EVENBEAT_FUZZ_ONLY").ok();
    let seeds: Vec<_> =
        seeds().into_iter().filter(|(name, _)| only.as_deref().is_none_or(|only| only == *name)).collect();
    let first = number("SEED", 1) << 32;
    let each = number("MUTATIONS", FULL).div_ceil(seeds.len() as u64);
    let mut faults = Vec::new();
    for (name, seed) in &seeds {
        let begun = Instant::now();
        faults.extend(feed(target(name), seed, first..first + each));
        println!("{name}: {each} mutations in {} s", begun.elapsed().as_secs());
    }
    println!("{} mutations, {} faults", each * seeds.len() as u64, faults.len());
    assert!(faults.is_empty(), "{faults:#?}");
}

#[test]
#[ignore = "writes files: run by scripts/fuzz"]
fn write_seeds() {
    let folder =
        PathBuf::from(std::env::var_os("EVENBEAT_FUZZ_SEEDS").expect("EVENBEAT_FUZZ_SEEDS names a folder"));
    for (name, seed) in seeds() {
        let folder = folder.join(name);
        fs::create_dir_all(&folder).expect("a folder");
        fs::write(folder.join("seed"), seed).expect("a seed");
    }
}
