//! Reports built again from what an audit wrote, and pictures from a second reading.

mod common;

use std::fs;
use std::path::{Path, PathBuf};
use std::sync::atomic::{AtomicBool, AtomicU64, Ordering};

use evenbeat::audit::{self, audit_source, Audit, Run};
use evenbeat::audit_store::{self, page_blocks};
use evenbeat::capture::{self, CaptureArg, CaptureEnd, CaptureFacts, FrameSource, Leap};
use evenbeat::demo::{demo_captures, DemoCapture};
use evenbeat::error::Result;
use evenbeat::frame::{FrameTiming, Scan};
use evenbeat::output::{Existing, OutputFolder};
use evenbeat::pictures::{self, Budget, Fetch, Pictures, Reason};
use evenbeat::pipeline::NoProgress;
use evenbeat::report::{html, timeline, write_all, Report};
use evenbeat::settings::{ReadingSettings, Settings, ViewSettings};

static STOP: AtomicBool = AtomicBool::new(false);

fn run() -> Run<'static> {
    Run { progress: &NoProgress, stop: &STOP }
}

fn demo(device: &str, frames: usize) -> DemoCapture {
    let mut capture = demo_captures().into_iter().find(|capture| capture.device == device).unwrap();
    capture.shown.truncate(frames);
    capture
}

fn audited(capture: &DemoCapture) -> Audit {
    audit_source(capture.open(), &Settings::default(), run()).unwrap()
}

fn write_y4m(capture: &DemoCapture, path: &Path) {
    let mut source = capture.open();
    let shape = source.facts().shape;
    let mut bytes = format!("YUV4MPEG2 W{} H{} F60000:1001\n", shape.width, shape.height).into_bytes();
    let mut samples = Vec::new();
    while source.read_frame(&mut samples).unwrap().is_some() {
        bytes.extend_from_slice(b"FRAME\n");
        bytes.extend_from_slice(&samples);
    }
    fs::write(path, bytes).unwrap();
}

/// The sample whose frames have uneven times of their own.
fn timed_sample() -> Audit {
    let samples = Path::new(env!("CARGO_MANIFEST_DIR")).join("samples");
    let reading = ReadingSettings {
        timestamps: Some(samples.join("glass-buoy-times.txt")),
        ..ReadingSettings::default()
    };
    let settings = Settings { reading, ..Settings::default() };
    audit::audit(&CaptureArg::Path(samples.join("glass-buoy.y4m")), &settings, run()).unwrap()
}

fn written(audit: &Audit, root: &Path, name: &str) -> PathBuf {
    let folder = OutputFolder::reserve(&root.join(name), Existing::Keep).unwrap();
    let (provenance, pictures) = (common::provenance(), Pictures::default());
    write_all(&Report { audit, provenance: &provenance, pictures: &pictures, stretch: None }, folder)
        .unwrap();
    root.join(name)
}

#[test]
fn a_report_built_again_has_the_same_bytes() {
    let root = tempfile::tempdir().unwrap();
    for (name, audit) in [("stalls", audited(&demo("paper-boat", 150))), ("timed", timed_sample())] {
        let first = written(&audit, root.path(), name);
        let (again, provenance) = audit_store::read(&first).unwrap();
        assert_eq!(provenance, common::provenance());
        let second = written(&again, root.path(), &format!("{name}-again"));
        for entry in fs::read_dir(&first).unwrap() {
            let file = entry.unwrap().file_name();
            let (a, b) = (fs::read(first.join(&file)).unwrap(), fs::read(second.join(&file)).unwrap());
            assert!(a == b, "{name}: {} differs", file.display());
        }
    }
}

#[test]
fn files_that_do_not_belong_together_are_refused() {
    let root = tempfile::tempdir().unwrap();
    let folder = written(&audited(&demo("brass-kettle", 60)), root.path(), "audit");
    let table = fs::read_to_string(folder.join("frames.csv")).unwrap();
    let document = fs::read_to_string(folder.join("audit.json")).unwrap();
    let other = |from: &str, to: &str| {
        assert!(table.contains(from) || document.contains(from), "{from}");
        (table.replacen(from, to, 1), document.replacen(from, to, 1))
    };
    let row: Vec<&str> = table.lines().nth(3).unwrap().split(',').collect();
    let with = |column: usize, value: &str| {
        let mut cells = row.clone();
        cells[column] = value;
        table.replacen(&row.join(","), &cells.join(","), 1)
    };
    let column = |name: &str| format!("its column {name:?} is not the one that audit.json was written with");
    let follows = |field: &str| format!("its {field} does not follow from the rest");
    let short = table.lines().take(30).map(|line| format!("{line}\n")).collect();
    let truncated = "{ \"code\": \"truncated\", \"text\": \"It is cut.\" },";
    let notes = document.replacen("\"notes\": [", &format!("\"notes\": [{truncated}"), 1);
    let other_digest = "ab".repeat(32);
    for (file, text, cause) in [
        ("frames.csv", other(",repeat,", ",new,").0, column("class")),
        ("frames.csv", short, column("blend_weight")),
        ("frames.csv", with(1, "0.050050051"), column("time_s")),
        ("frames.csv", with(3, "0.5000"), column("confidence")),
        ("frames.csv", with(4, "cadence"), column("evidence")),
        ("frames.csv", with(5, "99.0000"), column("change")),
        ("frames.csv", with(6, "cut"), column("flags")),
        ("frames.csv", with(7, &other_digest), column("digest")),
        ("frames.csv", with(8, "3"), column("lost_before")),
        ("frames.csv", other("frame,", "picture,").0, "its first line is not".to_owned()),
        ("frames.csv", other("\n7,", "\n8,").0, "line 9: its frame is not what stands there".to_owned()),
        ("frames.csv", with(3, "1.5"), "line 4: its confidence is not what stands there".to_owned()),
        ("audit.json", other("\"format_version\": 1", "\"format_version\": 2").1, "version 2".to_owned()),
        ("audit.json", other("\"new_frames\": 30", "\"new_frames\": 31").1, follows("motion.new_frames")),
        ("audit.json", other("\"complete\": true", "\"complete\": false").1, follows("capture.complete")),
        ("audit.json", notes, follows("capture.complete")),
        (
            "audit.json",
            other("\"verdict\": {\n    \"headline\": \"", "\"verdict\": {\n    \"headline\": \"Not ").1,
            follows("verdict.headline"),
        ),
        (
            "audit.json",
            other("\"kind\": \"half-rate-motion\"", "\"kind\": \"freeze\"").1,
            follows("findings[0].kind"),
        ),
        (
            "audit.json",
            other("\"severity\": \"warning\"", "\"severity\": \"info\"").1,
            follows("findings[0].severity"),
        ),
        (
            "audit.json",
            other("\"source_rate\": null", "\"source_rate\": {\"num\": 30, \"den\": 1}").1,
            follows("events[0].severity"),
        ),
        ("audit.json", format!("{document} "), "it is laid out otherwise than it was written".to_owned()),
        ("audit.json", "{".to_owned(), "EOF".to_owned()),
        (
            "summary.md",
            "Another verdict".to_owned(),
            "it is not the file that manifest.json names".to_owned(),
        ),
        (
            "provenance.json",
            fs::read_to_string(folder.join("provenance.json")).unwrap().replace("0.1.0", "0.1.1"),
            "it is not the file that manifest.json names".to_owned(),
        ),
    ] {
        let before = fs::read(folder.join(file)).unwrap();
        fs::write(folder.join(file), text).unwrap();
        let error = audit_store::read(&folder).unwrap_err();
        assert!(error.cause.contains(&cause), "{file}, {cause}: {error}");
        assert!(error.place.ends_with(file), "{error}");
        if !cause.contains("manifest.json") {
            // Also where somebody writes the manifest anew.
            common::bind_anew(&folder);
            assert_eq!(audit_store::read(&folder).unwrap_err(), error);
        }
        fs::write(folder.join(file), before).unwrap();
        common::bind_anew(&folder);
    }
    assert!(audit_store::read(&folder).is_ok());
    for file in ["summary.md", "report.html", "timeline.svg"] {
        let before = fs::read(folder.join(file)).unwrap();
        fs::remove_file(folder.join(file)).unwrap();
        let error = audit_store::read(&folder).unwrap_err();
        assert_eq!(error.cause, "it is missing", "{file}");
        fs::write(folder.join(file), before).unwrap();
    }
    fs::write(folder.join("audit.json"), &document).unwrap();
    fs::remove_file(folder.join("provenance.json")).unwrap();
    let error = audit_store::read(&folder).unwrap_err();
    assert!(error.to_string().ends_with("provenance.json: cannot read audit: it does not exist"), "{error}");
}

#[test]
fn the_document_inside_the_page_is_the_one_beside_it() {
    let root = tempfile::tempdir().unwrap();
    let folder = written(&audited(&demo("brass-kettle", 60)), root.path(), "audit");
    let page = fs::read_to_string(folder.join("report.html")).unwrap();
    let inside: serde_json::Value =
        serde_json::from_str(page_blocks::block(&page, page_blocks::AUDIT_ID).unwrap()).unwrap();
    let beside = fs::read_to_string(folder.join("audit.json")).unwrap();
    assert_eq!(inside, serde_json::from_str::<serde_json::Value>(&beside).unwrap());
}

/// The page of an audit in a folder of its own, with nothing else.
fn page_alone(audit: &Audit, root: &Path, name: &str) -> PathBuf {
    let folder = written(audit, root, name);
    let elsewhere = root.join(format!("{name}-attached"));
    fs::create_dir(&elsewhere).unwrap();
    fs::copy(folder.join("report.html"), elsewhere.join("report.html")).unwrap();
    elsewhere
}

fn audited_with(capture: &DemoCapture, settings: &Settings) -> Audit {
    audit_source(capture.open(), settings, run()).unwrap()
}

/// The sample of half rate against the clip it shows: frames have places.
fn placed_sample() -> Audit {
    let samples = Path::new(env!("CARGO_MANIFEST_DIR")).join("samples");
    let settings = Settings { reference: Some(samples.join("lantern-box.y4m")), ..Settings::default() };
    audit::audit(&CaptureArg::Path(samples.join("brass-kettle.y4m")), &settings, run()).unwrap()
}

#[test]
fn the_page_alone_gives_the_same_audit_and_the_same_files() {
    let root = tempfile::tempdir().unwrap();
    let interlaced = Settings { scan: Some(Scan::TopFieldFirst), ..Settings::default() };
    for (name, audit) in [
        ("stalls", audited(&demo("paper-boat", 150))),
        ("mixes", audited(&demo("wool-mitten", 60))),
        ("fields", audited_with(&demo("brass-kettle", 60), &interlaced)),
        ("timed", timed_sample()),
        ("placed", placed_sample()),
        ("nothing", audited(&demo("brass-kettle", 0))),
    ] {
        let alone = page_alone(&audit, root.path(), name);
        let folder = root.path().join(name);
        let (read, provenance) = audit_store::read(&alone.join("report.html")).unwrap();
        let (whole, whole_provenance) = audit_store::read(&folder).unwrap();
        assert!(read == whole && provenance == whole_provenance, "{name}");
        assert_eq!(audit_store::lacking(&read), None, "{name}");
        // A folder with nothing but the page is read by it.
        assert!(audit_store::read(&alone).unwrap().0 == whole, "{name}");
        assert_eq!(name == "placed", read.source.is_some());
        assert_eq!(name == "nothing", read.levels.is_none());
        assert_eq!(name == "fields", read.fields.fields.is_some());
        let again = written(&read, root.path(), &format!("{name}-again"));
        for entry in fs::read_dir(&folder).unwrap() {
            let file = entry.unwrap().file_name();
            let (a, b) = (fs::read(folder.join(&file)).unwrap(), fs::read(again.join(&file)).unwrap());
            assert!(a == b, "{name}: {} differs", file.display());
        }
    }
}

/// A page without one of its blocks.
fn without_block(page: &str, id: &str) -> String {
    let start = page.find(&format!("<script type=\"text/plain\" id=\"{id}\">")).unwrap();
    let end = start + page[start..].find("</script>\n").unwrap() + "</script>\n".len();
    format!("{}{}", &page[..start], &page[end..])
}

/// A page as it would be had it been written so.
fn resealed(page: &str) -> String {
    page_blocks::sealed(page.split("<!-- BLAKE3").next().unwrap().to_owned())
}

#[test]
fn what_a_page_had_no_room_for_is_said_and_left_empty() {
    let root = tempfile::tempdir().unwrap();
    let capture = demo("brass-kettle", 60);
    let audit = audited(&capture);
    let alone = page_alone(&audit, root.path(), "audit").join("report.html");
    let page = fs::read_to_string(&alone).unwrap();
    let poor = resealed(&without_block(&without_block(&page, "digests"), "small-pictures"));
    fs::write(&alone, &poor).unwrap();
    let (read, _) = audit_store::read(&alone).unwrap();
    assert_eq!(read.verdict, audit.verdict);
    let lacking = audit_store::lacking(&read).unwrap();
    assert!(lacking.contains("digests of the frames") && lacking.contains("pictures.log"), "{lacking}");
    // Nothing could tell whether the pictures are of these frames.
    let pictures = fetched(&read, || capture.open(), 10_000_000).unwrap();
    assert!(pictures.pictures.is_empty() && pictures.remark.contains("no digests"), "{}", pictures.remark);
    let again = written(&read, root.path(), "again");
    let table = fs::read_to_string(again.join("frames.csv")).unwrap();
    assert!(table.lines().nth(1).unwrap().ends_with("0.0000,,,0,0,0,,,"), "{table}");
    assert!(!again.join("pictures.log").exists());
    assert!(!fs::read_to_string(again.join("summary.md")).unwrap().contains("BLAKE3 of its samples"));
    assert!(fs::read_to_string(again.join("report.html")).unwrap().contains("not known any more"));
    assert!(audit_store::read(&again).unwrap().0 == read);

    // Beside its own folder's files nothing is lacking; those of another audit do not count.
    let folder = root.path().join("audit");
    fs::write(folder.join("report.html"), &poor).unwrap();
    common::bind_anew(&folder);
    assert_eq!(audit_store::lacking(&audit_store::read(&folder.join("report.html")).unwrap().0), None);
    let other = written(&audited(&demo("brass-kettle", 50)), root.path(), "other");
    fs::write(other.join("report.html"), &poor).unwrap();
    assert!(audit_store::read(&other.join("report.html")).unwrap().0 == read);
}

#[test]
fn long_captures_leave_out_digests_and_say_so() {
    let (audit, provenance, pictures) =
        (common::steady(75_000, &[1]), common::provenance(), Pictures::default());
    let page = html::page(
        &Report { audit: &audit, provenance: &provenance, pictures: &pictures, stretch: None },
        "",
    );
    assert_eq!(page_blocks::block(&page, "digests"), None);
    assert!(page_blocks::block(&page, "frame-table").is_some());
    // 75,000 digests of 32 bytes and 75,000 bits, in base64.
    assert!(page.contains("the digests of the frames (3.2 MB)"));
}

#[test]
fn cut_and_damaged_pages_are_refused() {
    let root = tempfile::tempdir().unwrap();
    let audit = audited(&demo("paper-boat", 100));
    let alone = page_alone(&audit, root.path(), "audit").join("report.html");
    let page = fs::read(&alone).unwrap();
    let (whole, _) = audit_store::read(&alone).unwrap();
    let blocks = page.windows(10).position(|bytes| bytes == b"audit-json").unwrap();
    let end = page.len() - 1;
    for length in
        (0..blocks).step_by(20_011).chain((blocks..end).step_by(997)).chain([end - 120, end - 5, end])
    {
        fs::write(&alone, &page[..length]).unwrap();
        let error = audit_store::read(&alone).unwrap_err();
        assert!(length < 15 || error.cause == "it is cut: its end is missing", "{length} of {end}: {error}");
    }
    let mut state = 7u32;
    for _ in 0..100 {
        state = state.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
        let place = blocks + (state >> 8) as usize % (page.len() - blocks);
        let mut damaged = page.clone();
        damaged[place] ^= 1 << (state >> 29);
        fs::write(&alone, &damaged).unwrap();
        assert!(audit_store::read(&alone).is_err(), "{place}");
        // Who seals it anew may change what tells nothing of the audit, and what cannot be concluded from the rest.
        let Ok(damaged) = String::from_utf8(damaged) else { continue };
        fs::write(&alone, resealed(&damaged)).unwrap();
        if let Ok((read, _)) = audit_store::read(&alone) {
            assert!(read.frames == whole.frames || audit_store::lacking(&read).is_some(), "{place}");
            assert_eq!(read.findings, whole.findings, "{place}");
        }
    }
}

#[test]
fn pages_that_ask_for_too_much_are_refused() {
    let root = tempfile::tempdir().unwrap();
    let alone = page_alone(&placed_sample(), root.path(), "audit").join("report.html");
    let page = fs::read_to_string(&alone).unwrap();
    let table = page_blocks::block(&page, "frame-table").unwrap();
    let frames = page.split("\"frames\": ").nth(1).unwrap().split(',').next().unwrap();
    let more =
        |count: &str| page.replacen(&format!("\"frames\": {frames}"), &format!("\"frames\": {count}"), 1);
    for (text, cause) in [
        (more("4194305"), "more rows than the 4194304"),
        (more("18446744073709551615"), "more rows than the 4194304"),
        (more("4194304"), "is cut or damaged"),
        (more("1"), "is cut or damaged"),
        (page.replacen(table, "", 1), "is cut or damaged"),
        (page.replacen(table, "!", 1), "is cut or damaged"),
        (without_block(&page, "frame-table"), "no block \"frame-table\""),
        ("<!DOCTYPE html>\n<title>Another page</title></html>".to_owned(), "it is no such page"),
    ] {
        fs::write(&alone, text).unwrap();
        let error = audit_store::read(&alone).unwrap_err();
        assert!(error.cause.contains(cause), "{cause}: {error}");
    }
}

#[test]
fn a_stretch_of_the_timeline_shows_what_lies_in_it() {
    let audit = common::troubled();
    let whole = timeline::svg(&audit).unwrap();
    let part = timeline::svg_of(&audit, Some(&(14.0..17.0))).unwrap();
    // The stall lies in it, the uneven holds do not.
    let row = |svg: &str, kind: &str| {
        let rest = svg.split(&format!("data-row=\"{kind}\"")).nth(1).unwrap_or_default();
        rest.split("</g>").next().unwrap_or_default().matches("class=\"mark\"").count()
    };
    assert_eq!((row(&whole, "stall"), row(&part, "stall")), (1, 1));
    assert_eq!((row(&whole, "uneven-hold"), row(&part, "uneven-hold")), (1, 0));
    assert!(part.contains("From 14.000 s to 17.000 s"));
    for odd in [-5.0..-1.0, 59.0..1e300, 0.0..1e-12, 1e9..2e9] {
        roxmltree::Document::parse(&timeline::svg_of(&audit, Some(&odd)).unwrap()).unwrap();
    }
}

/// Counts the frames that are read.
struct Counted<'a> {
    source: Box<dyn FrameSource>,
    read: &'a AtomicU64,
    fails_at: Option<u64>,
}

impl FrameSource for Counted<'_> {
    fn facts(&self) -> &CaptureFacts {
        self.source.facts()
    }

    fn read_frame(&mut self, samples: &mut Vec<u8>) -> Result<Option<FrameTiming>> {
        let number = self.read.fetch_add(1, Ordering::Relaxed);
        if Some(number) == self.fails_at {
            return Err(evenbeat::error::Error::new("capture", "cannot read", "the tape tore", "glue it"));
        }
        self.source.read_frame(samples)
    }

    fn finish(self: Box<Self>) -> CaptureEnd {
        self.source.finish()
    }
}

fn fetched<'a>(
    audit: &Audit,
    mut open: impl FnMut() -> Box<dyn FrameSource + 'a> + 'a,
    bytes: u64,
) -> Result<Pictures> {
    let view = ViewSettings::default();
    let fetch = Fetch { audit, view: &view, budget: Budget { bytes }, stop: &STOP };
    pictures::fetch(&mut || Ok(open()), fetch)
}

#[test]
fn the_second_reading_ends_with_the_last_frame_needed() {
    let capture = demo("brass-kettle", 120);
    let audit = audited(&capture);
    let read = AtomicU64::new(0);
    let counted = || Box::new(Counted { source: capture.open(), read: &read, fails_at: None });
    let pictures = fetched(&audit, || counted(), 10_000_000).unwrap();
    let last = pictures.stretches.iter().map(|stretch| stretch.frames.end).max().unwrap();
    assert!(last < 120, "{:?}", pictures.stretches);
    assert_eq!(read.load(Ordering::Relaxed), last);
    assert_eq!(pictures.stretches[0].reason, Reason::Typical);
    assert!(pictures
        .stretches
        .iter()
        .all(|stretch| stretch.frames.clone().all(|f| pictures.pictures.contains_key(&f))));
}

/// Leaps, but lands some frames off.
struct Leaping<'a> {
    source: Box<dyn FrameSource>,
    off_by: u64,
    leaps: &'a AtomicU64,
}

impl FrameSource for Leaping<'_> {
    fn facts(&self) -> &CaptureFacts {
        self.source.facts()
    }

    fn read_frame(&mut self, samples: &mut Vec<u8>) -> Result<Option<FrameTiming>> {
        self.source.read_frame(samples)
    }

    fn leap(&mut self, leap: Leap) -> Result<bool> {
        self.leaps.fetch_add(1, Ordering::Relaxed);
        self.source.leap(Leap { frames: leap.frames + self.off_by, ..leap })
    }

    fn finish(self: Box<Self>) -> CaptureEnd {
        self.source.finish()
    }
}

#[test]
fn leaping_brings_the_pictures_that_reading_brings() {
    let capture = demo("paper-boat", 150);
    let audit = audited(&capture);
    let read = AtomicU64::new(0);
    let through = || Box::new(Counted { source: capture.open(), read: &read, fails_at: None });
    let whole = fetched(&audit, || through(), 10_000_000).unwrap();
    for off_by in [0, 1, 1000] {
        let leaps = AtomicU64::new(0);
        let leaping = || Box::new(Leaping { source: capture.open(), off_by, leaps: &leaps });
        assert_eq!(fetched(&audit, || leaping(), 10_000_000).unwrap(), whole, "off by {off_by}");
        assert!(leaps.load(Ordering::Relaxed) > 0);
    }
    let path = tempfile::tempdir().unwrap();
    let file = path.path().join("boat.y4m");
    write_y4m(&capture, &file);
    let from_file = || capture::open(&CaptureArg::Path(file.clone()), &ReadingSettings::default()).unwrap();
    assert_eq!(fetched(&audit, from_file, 10_000_000).unwrap(), whole);
}

#[test]
fn repeats_show_no_difference_and_new_pictures_do() {
    let capture = demo("brass-kettle", 120);
    let audit = audited(&capture);
    let pictures = fetched(&audit, || capture.open(), 10_000_000).unwrap();
    let strip = pictures.strip.unwrap();
    assert!(strip.frames.len() >= 8);
    for (frame, _, difference) in strip.frames.iter().filter(|(frame, ..)| *frame > 0) {
        let white = difference.as_ref().unwrap().pixels.iter().all(|&pixel| pixel == 255);
        assert_eq!(white, capture.shown[*frame as usize] == capture.shown[*frame as usize - 1], "{frame}");
    }
}

#[test]
fn another_capture_gives_no_pictures() {
    let audit = audited(&demo("brass-kettle", 60));
    let pictures = fetched(&audit, || demo("lantern-box", 60).open(), 10_000_000).unwrap();
    assert!(pictures.pictures.is_empty() && pictures.strip.is_none());
    assert!(pictures.remark.contains("is not the one that was audited"), "{}", pictures.remark);
}

#[test]
fn a_capture_that_breaks_keeps_the_pictures_before() {
    let capture = demo("paper-boat", 150);
    let audit = audited(&capture);
    let whole = fetched(&audit, || capture.open(), 10_000_000).unwrap();
    let last = *whole.pictures.keys().last().unwrap();
    for (fails_at, is_error) in [(0, true), (last, false)] {
        let read = AtomicU64::new(0);
        let broken = || Box::new(Counted { source: capture.open(), read: &read, fails_at: Some(fails_at) });
        match fetched(&audit, || broken(), 10_000_000) {
            Err(error) => assert!(is_error, "{error}"),
            Ok(pictures) => {
                assert!(!is_error);
                assert!(pictures.remark.contains("ended before all pictures were read"));
                assert!(!pictures.pictures.is_empty() && !pictures.pictures.contains_key(&last));
            }
        }
    }
}

#[test]
fn the_page_stays_within_the_size_asked_for() {
    let capture = demo("paper-boat", 150);
    let audit = audited(&capture);
    let provenance = common::provenance();
    for limit in [300_000, 1_000_000, 6_000_000] {
        let budget = evenbeat::report::pictures_budget(&audit, &provenance, limit);
        let pictures = fetched(&audit, || capture.open(), budget.bytes).unwrap();
        let report = Report { audit: &audit, provenance: &provenance, pictures: &pictures, stretch: None };
        let page = html::page(&report, &timeline::svg(&audit).unwrap());
        assert!(page.len() as u64 <= limit, "{} of {limit}", page.len());
        assert!(!pictures.pictures.is_empty(), "{limit}");
    }
}
