//! Report files: the contracts of `audit.json` and `frames.csv`, strings from outside, and safe writing.

mod common;

use std::fs;
use std::io;
use std::path::Path;

use evenbeat::audit::Audit;
use evenbeat::audit_store::{csv, json, Provenance};
use evenbeat::output::{write_error, Existing, OutputFolder};
use evenbeat::pictures::Pictures;
use evenbeat::report::{html, markdown, terminal, timeline, write_all, Report};
use evenbeat::settings::DeviceFacts;
use serde_json::{json, Value};

/// Audits of every shape, by name.
fn audits() -> Vec<(&'static str, Audit)> {
    let mut hostile = common::everything(240);
    hostile.facts.name = common::HOSTILE_NAME.to_owned();
    hostile.verdict = format!("Verdict on {}", common::HOSTILE_NAME);
    hostile.headline = hostile.verdict.clone();
    for finding in &mut hostile.findings {
        finding.text = format!("seen in {}", common::HOSTILE_NAME);
    }
    for event in &mut hostile.events {
        event.text = format!("seen in {}", common::HOSTILE_NAME);
    }
    let name = || Some(common::HOSTILE_NAME.to_owned());
    hostile.device = DeviceFacts { name: name(), firmware: name(), setting: name(), recorder: name() };
    hostile
        .notes
        .push(evenbeat::note::Note::new(evenbeat::note::NoteCode::ReaderMessage, common::HOSTILE_NAME));
    vec![
        ("empty", common::empty()),
        ("one frame", common::steady(1, &[1])),
        ("two frames", common::steady(2, &[2])),
        ("half rate", common::half_rate(120)),
        ("troubled", common::troubled()),
        ("everything", common::everything(3600)),
        ("hostile", hostile),
    ]
}

fn page(audit: &Audit, provenance: &Provenance, chart: &str) -> String {
    html::page(
        &Report { audit, provenance, pictures: &Pictures::none("There are no pictures."), stretch: None },
        chart,
    )
}

fn summary(audit: &Audit, provenance: &Provenance) -> String {
    markdown::summary(&Report { audit, provenance, pictures: &Pictures::default(), stretch: None })
}

fn write(audit: &Audit, provenance: &Provenance, folder: &Path) {
    let target = OutputFolder::reserve(folder, Existing::Replace).unwrap();
    write_all(&Report { audit, provenance, pictures: &Pictures::default(), stretch: None }, target).unwrap();
}

/// What the command says of an audit on a terminal of this width.
fn said(audit: &Audit, columns: usize) -> String {
    terminal::summary(audit, columns).iter().map(|line| line.text() + "\n").collect()
}

fn document(audit: &Audit) -> Value {
    serde_json::from_str(&json::document(audit)).expect("the document is JSON")
}

#[test]
fn code_values_of_the_capture_are_in_the_document() {
    // Luma from 0 to 255 in one frame, cut at 16 and 235 in the next; colour differences all 128.
    let shape = evenbeat::frame::FrameShape { width: 256, height: 8, ..common::empty().facts.shape };
    let ramp: Vec<u8> = (0..256 * 8).map(|at| (at % 256) as u8).collect();
    let cut: Vec<u8> = ramp.iter().map(|&value| value.clamp(16, 235)).collect();
    let frames = [ramp, cut].map(|luma| [luma, vec![128; 2 * 128 * 4]].concat());
    let mut y4m = format!("YUV4MPEG2 W{} H{} F60:1 C420\n", shape.width, shape.height).into_bytes();
    for frame in frames {
        y4m.extend_from_slice(b"FRAME\n");
        y4m.extend_from_slice(&frame);
    }
    let folder = tempfile::tempdir().unwrap();
    let (clip, log) = (folder.path().join("ramp.y4m"), folder.path().join("ramp.log"));
    fs::write(&clip, y4m).unwrap();
    let (progress, stop) = (evenbeat::pipeline::NoProgress, std::sync::atomic::AtomicBool::new(false));
    let run = evenbeat::audit::Run { progress: &progress, stop: &stop };
    let settings = evenbeat::settings::Settings::default();
    let argument = |path: &Path| evenbeat::capture::CaptureArg::Path(path.to_owned());
    let file = fs::File::create(&log).unwrap();
    evenbeat::audit::write_log(&argument(&clip), &settings, run, ("log", file)).unwrap();
    for path in [clip, log] {
        let audit = evenbeat::audit::audit(&argument(&path), &settings, run).unwrap();
        let levels = &document(&audit)["levels"];
        // 16 of 256 below and 20 above in the first frame, none in the second; shares are kept to 1/65535.
        for (key, share) in [("share_below", 8.0 / 256.0), ("share_above", 10.0 / 256.0)] {
            assert!((levels["luma"][key].as_f64().unwrap() - share).abs() < 1.0 / 65535.0, "{levels}");
        }
        let luma = |key: &str| levels["luma"][key].as_u64();
        let found = ["nominal_lowest", "nominal_highest", "lowest", "highest"].map(luma);
        assert_eq!(found, [16, 235, 0, 255].map(Some));
        assert_eq!(["clipped_lowest_frames", "clipped_highest_frames"].map(luma), [Some(1), Some(1)]);
        let chroma = &levels["chroma"];
        assert_eq!((&chroma["lowest"], &chroma["highest"]), (&json!(128), &json!(128)));
        assert_eq!(chroma["clipped_lowest_frames"], 0);
        schema().validate(&document(&audit)).unwrap();
        let page = page(&audit, &common::provenance(), "");
        assert!(page.contains("cut off at the lowest in 1 frame; cut off at the highest in 1 frame"));
    }
}

fn schema() -> jsonschema::Validator {
    let schema: Value = serde_json::from_str(json::SCHEMA).unwrap();
    assert!(jsonschema::draft202012::meta::is_valid(&schema));
    jsonschema::draft202012::new(&schema).unwrap()
}

#[test]
fn every_document_follows_the_schema() {
    let schema = schema();
    for (name, audit) in audits() {
        let document = document(&audit);
        let errors: Vec<String> =
            schema.iter_errors(&document).map(|error| format!("{}: {error}", error.instance_path)).collect();
        assert!(errors.is_empty(), "{name}: {errors:?}");
    }
}

#[test]
fn the_schema_rejects_broken_documents() {
    let schema = schema();
    let whole = document(&common::everything(240));
    for (pointer, broken) in [
        ("/format", json!("another")),
        ("/format_version", json!(2)),
        ("/capture/blake3", json!("ab")),
        ("/capture/frames", json!(-1)),
        ("/capture/frames", json!(1.5)),
        ("/capture/delivered_rate/den", json!(0)),
        ("/capture/complete", json!("yes")),
        ("/capture/scan", json!("interlaced")),
        ("/capture/rate_source", json!("guess")),
        ("/motion/motion_rate_hz", json!("29.97")),
        ("/cadence/holds", json!([])),
        ("/cadence/holds", json!([0])),
        ("/cadence/coverage", json!(1.01)),
        ("/judder/rms_ms", json!(-1)),
        ("/findings/0/kind", json!("stutter")),
        ("/findings/0/severity", json!("bad")),
        ("/notes", json!(null)),
        ("/verdict/text", json!(null)),
    ] {
        let mut document = whole.clone();
        *document.pointer_mut(pointer).unwrap_or_else(|| panic!("{pointer} exists")) = broken.clone();
        assert!(!schema.is_valid(&document), "{pointer} = {broken} passes");
    }
    for section in ["capture", "motion", "cadence", "judder", "findings", "notes", "verdict"] {
        let mut document = whole.clone();
        document.as_object_mut().unwrap().remove(section);
        assert!(!schema.is_valid(&document), "passes without {section}");
    }
}

#[test]
fn the_document_carries_the_numbers() {
    let document = document(&common::troubled());
    for (pointer, expected) in [
        ("/format", json!("evenbeat-audit")),
        ("/format_version", json!(1)),
        ("/capture/name", json!("player-one.y4m")),
        ("/capture/pixel_format", json!("yuv420p")),
        ("/capture/delivered_rate", json!({ "num": 60000, "den": 1001 })),
        ("/capture/blake3", json!("ab".repeat(32))),
        ("/motion/delivered_rate_hz", json!(59.94006)),
        ("/cadence/holds", json!([1])),
        ("/cadence/label", json!("1:1")),
        (
            "/cadence/breaks/0",
            json!({ "frame": 2151, "time_s": 35.88585, "expected_hold": 1, "found_hold": 2 }),
        ),
        ("/judder/rms_ms", json!(4.1708)),
        ("/findings/0/kind", json!("freeze")),
        ("/findings/0/time_s", json!(15.015)),
        ("/findings/0/duration_ms", json!(850.85)),
        ("/timing/gaps/0/lost_frames", json!(90)),
        ("/notes/0/code", json!("still-or-frozen")),
    ] {
        assert_eq!(document.pointer(pointer), Some(&expected), "{pointer}");
    }
    assert_eq!(self::document(&common::empty()).pointer("/cadence/holds"), Some(&Value::Null));
}

/// The document as the contract lists its fields, in order; further fields may follow the listed ones.
#[test]
fn contract_fields_are_all_there() {
    let document = document(&common::everything(240));
    for (pointer, fields) in [
        ("/capture", "name frames width_px height_px pixel_format bit_depth scan delivered_rate rate_source duration_s complete blake3"),
        ("/motion", "new_frames repeat_frames still_frames judged_frames delivered_rate_hz motion_rate_hz"),
        ("/cadence", "holds label coverage segments breaks"),
        ("/cadence/segments/0", "first_frame last_frame holds label"),
        ("/cadence/breaks/0", "frame time_s expected_hold found_hold"),
        ("/judder", "rms_ms peak_to_peak_ms hold_std_ms inherent_rms_ms excess_rms_ms"),
        ("/findings/0", "kind severity first_frame last_frame time_s duration_ms count text"),
        ("/verdict", "text"),
    ] {
        let section = document.pointer(pointer).unwrap_or_else(|| panic!("{pointer} exists"));
        for field in fields.split(' ') {
            assert!(section.get(field).is_some(), "{pointer}/{field} is missing");
        }
    }
}

fn frames_csv(audit: &Audit) -> String {
    let mut bytes = Vec::new();
    csv::write(audit, &mut bytes).unwrap();
    String::from_utf8(bytes).unwrap()
}

#[test]
fn frames_are_written_exactly() {
    let mut audit = common::with_holds(&[2, 1], &[2, 1]);
    audit.frames[2].flags.insert(evenbeat::classify::FrameFlags::CUT);
    audit.frames[2].flags.insert(evenbeat::classify::FrameFlags::BLEND);
    // Times count from the first frame, whatever its own time is.
    audit.times.ticks = vec![7, 8, 9];
    let first = format!("00000000{}", "11".repeat(28));
    let second = format!("00000001{}", "11".repeat(28));
    assert_eq!(
        frames_csv(&audit),
        format!(
            "frame,time_s,class,confidence,evidence,change,flags,digest,lost_before,lost_uncertainty,blend_weight,\
             source_index,source_first,source_last\n\
             0,0.000000000,new,0.9876,measure,12.3456,,{first},0,0,0,,,\n\
             1,0.016683333,repeat,1.0000,digest,0.0000,,{first},0,0,0,,,\n\
             2,0.033366667,new,0.9876,measure,12.3456,blend;cut,{second},0,0,0,,,\n"
        )
    );
    assert_eq!(frames_csv(&common::empty()), format!("{}\n", csv::HEADER));
}

#[test]
fn every_row_has_every_column() {
    let audit = common::everything(3600);
    let text = frames_csv(&audit);
    assert_eq!(text.lines().count(), 3601);
    assert!(text.lines().all(|line| line.matches(',').count() == 13));
    assert!(!text.contains('\r'));
    for class in ["new", "repeat", "still"] {
        assert!(text.contains(&format!(",{class},")), "{class}");
    }
}

#[test]
fn pages_are_well_formed_and_need_nothing_from_outside() {
    let options = roxmltree::ParsingOptions { allow_dtd: true, ..Default::default() };
    for (name, audit) in audits() {
        let chart = timeline::svg(&audit).unwrap();
        let html = page(&audit, &common::provenance(), &chart);
        let document = roxmltree::Document::parse_with_options(&html, options)
            .unwrap_or_else(|error| panic!("{name}: {error}"));
        let mut ids = std::collections::BTreeSet::new();
        for node in document.descendants().filter(roxmltree::Node::is_element) {
            assert!(!["img", "link", "iframe"].contains(&node.tag_name().name()), "{name}");
            assert!(node.tag_name().name() != "script" || node.attribute("src").is_none(), "{name}");
            for attribute in node.attributes() {
                assert!(!attribute.name().starts_with("on"), "{name}: {}", attribute.name());
                if ["href", "src"].contains(&attribute.name()) {
                    assert!(attribute.value().starts_with('#'), "{name}: {}", attribute.value());
                }
            }
            if let Some(id) = node.attribute("id") {
                assert!(ids.insert(id.to_owned()), "{name}: {id} twice");
            }
        }
        for link in document.descendants().filter_map(|node| node.attribute("href")) {
            assert!(ids.contains(&link[1..]), "{name}: {link} leads nowhere");
        }
        check_headings(&document, name);
    }
}

/// One first-level heading, and no level is skipped on the way down.
fn check_headings(document: &roxmltree::Document<'_>, name: &str) {
    let levels: Vec<u32> = document
        .descendants()
        .filter_map(|node| node.tag_name().name().strip_prefix('h')?.parse().ok())
        .collect();
    assert_eq!(levels.iter().filter(|&&level| level == 1).count(), 1, "{name}");
    assert_eq!(levels[0], 1, "{name}");
    assert!(levels.windows(2).all(|pair| pair[1] <= pair[0] + 1), "{name}: {levels:?}");
}

#[test]
fn the_page_says_who_how_and_when() {
    let audit = common::half_rate(120);
    let html = page(&audit, &common::provenance(), &timeline::svg(&audit).unwrap());
    for text in [
        "<html lang=\"en\">",
        "evenbeat audit &#39;player one.y4m&#39; --source-rate 59.94",
        "2031-05-06T07:08:09+02:00",
        "evenbeat 0.1.0, format version 1",
        "--source-rate 59.94",
        &"ab".repeat(32),
        "prefers-color-scheme: dark",
        "@media print",
        "Called were 60 frames because identical to the last bit and 59 frames by the measured change.",
    ] {
        assert!(html.contains(text), "{text}");
    }
}

#[test]
fn hostile_names_are_inert_everywhere() {
    let (_, audit) = audits().pop().unwrap();
    let mut provenance = common::provenance();
    provenance.command_line.push(common::HOSTILE_NAME.to_owned());
    let chart = timeline::svg(&audit).unwrap();
    for text in [page(&audit, &provenance, &chart), chart, summary(&audit, &provenance), said(&audit, 100)] {
        assert!(!text.contains(['\u{202e}', '\u{1b}', '\0']), "{text}");
        assert!(text.contains("u{202E}gpj"));
    }
    let text = summary(&audit, &provenance);
    assert!(text.contains("a\\<script\\>alert(1)\\</script\\>\"'\\&\\`\\|\\*"));
    let outside_code = text.split("```").next().unwrap().replace("\\<", "");
    assert!(!outside_code.contains("<script"));
    // Each row of the table of events keeps its six cells: unescaped bars are cell borders.
    for row in text.lines().filter(|line| line.ends_with("| fault |")) {
        assert_eq!(row.replace("\\|", "").matches('|').count(), 7, "{row}");
    }
    // JSON carries the name as it is: escaping it for reading is the reader's part.
    assert_eq!(document(&audit).pointer("/capture/name"), Some(&json!(common::HOSTILE_NAME)));
}

#[test]
fn summaries_fit_on_a_screen() {
    /// Lines of a tall terminal or one page in a tracker.
    const LINES_MAX: usize = 60;
    let mut chatty = common::everything(240);
    chatty.notes =
        vec![evenbeat::note::Note::new(evenbeat::note::NoteCode::ReaderMessage, "odd header"); 500];
    for (name, audit) in audits().into_iter().chain([("chatty", chatty)]) {
        let text = summary(&audit, &common::provenance());
        assert!(text.lines().count() <= LINES_MAX, "{name}: {}", text.lines().count());
        for (asked, columns, lines_max) in
            [(10, 40, 200), (40, 40, 200), (100, 100, LINES_MAX), (500, 120, LINES_MAX)]
        {
            let text = said(&audit, asked);
            for line in text.lines() {
                assert!(line.chars().count() <= columns, "{name}: {line}");
                assert!(!line.chars().any(char::is_control), "{name}: {line:?}");
            }
            assert!(text.lines().count() <= lines_max, "{name}: {}", text.lines().count());
        }
    }
}

#[test]
fn the_terminal_summary_is_plain() {
    assert_eq!(
        said(&common::stalling(3), 100).split("note ").next().unwrap(),
        "Stalls 3 times for 200 ms each; about 33 pictures are lost.\n\
         363 of 396 frames show a new picture and 33 repeat one bit for bit. Cannot be told: what the clip\n\
         holds (it was not given) and what the recorder lost (the recording has no times of its own).\n\
         \n\
         motion    wrong           3 stalls, 33 pictures lost; should be 0 stalls\n\
         order     right           0 frames out of order\n\
         mixing    right           0 frames mixed\n\
         fields    right           0 frames combed or of one field\n\
         levels    not tested      That needs the clip (--reference) or the test clip’s marks.\n\
         geometry  not tested      That needs the clip (--reference) or the test clip’s marks.\n\
         timing    cannot be told  The recording has no times of its own: nothing tells whether the recorder\n\
         \x20                         lost frames.\n\
         \n\
         fault     1. stall at 1.502 s, frames 90–102: one picture for 200 ms, then about 11 missing\n\
         fault     2. stall at 3.203 s, frames 192–204: one picture for 200 ms, then about 11 missing\n\
         fault     3. stall at 4.905 s, frames 294–306: one picture for 200 ms, then about 11 missing\n\
         recording player-one.y4m, 396 frames, 6.607 s, 1920×1080, yuv420p\n\
         rate      59.94 (60000/1001) frames/s delivered (header), 59.94 pictures/s new\n\
         frames    363 new, 33 repeat, 0 still (not judged)\n\
         cadence   1:1 over 100.0 % of judged frames, 3 breaks\n\
         judder    4.17 ms RMS, 4.17 ms inherent in the rates, 0.00 ms excess\n\
         scan      progressive (by pixels)\n"
    );
}

#[test]
fn an_incomplete_capture_says_so_everywhere() {
    let mut audit = common::half_rate(120);
    audit.complete = false;
    let chart = timeline::svg(&audit).unwrap();
    assert!(chart.contains("INCOMPLETE CAPTURE"));
    assert!(page(&audit, &common::provenance(), &chart).contains("The recording is incomplete."));
    assert!(summary(&audit, &common::provenance()).contains("**The recording is incomplete:**"));
    assert!(said(&audit, 100).contains("INCOMPLETE"));
    assert_eq!(document(&audit).pointer("/capture/complete"), Some(&json!(false)));
}

/// Names in a folder, in order.
fn names(folder: &Path) -> Vec<String> {
    let mut names: Vec<String> = fs::read_dir(folder)
        .unwrap()
        .map(|entry| entry.unwrap().file_name().into_string().unwrap())
        .collect();
    names.sort();
    names
}

/// The files of a report without pictures.
const FILES: &[&str] = &[
    "audit.json",
    "frames.csv",
    "manifest.json",
    "provenance.json",
    "report.html",
    "summary.md",
    #[cfg(feature = "png-charts")]
    "timeline.png",
    "timeline.svg",
];

#[test]
fn all_files_are_written_and_the_same_input_gives_the_same_bytes() {
    let root = tempfile::tempdir().unwrap();
    let audit = common::everything(3600);
    let mut written = Vec::new();
    for name in ["first", "deep/second"] {
        let folder = root.path().join(name);
        write(&audit, &common::provenance(), &folder);
        assert_eq!(names(&folder), FILES);
        assert!(
            !FILES.contains(&"timeline.png")
                || fs::read(folder.join("timeline.png")).unwrap().starts_with(b"\x89PNG")
        );
        let summary = fs::read_to_string(folder.join("summary.md")).unwrap();
        let chart = summary.split("frames](").nth(1).and_then(|rest| rest.split(')').next()).unwrap();
        assert!(folder.join(chart).exists(), "the summary shows {chart}");
        let contents: Vec<Vec<u8>> =
            names(&folder).iter().map(|name| fs::read(folder.join(name)).unwrap()).collect();
        written.push(contents);
    }
    assert_eq!(written[0], written[1]);
}

#[test]
fn who_and_when_stay_out_of_the_results() {
    let root = tempfile::tempdir().unwrap();
    let audit = common::half_rate(120);
    let mut results = Vec::new();
    for (name, version) in [("a", "0.1.0"), ("b", "9.9.9")] {
        let folder = root.path().join(name);
        let mut provenance = common::provenance();
        provenance.tool_version = version.to_owned();
        write(&audit, &provenance, &folder);
        let read = |name| fs::read(folder.join(name)).unwrap();
        results.push(["audit.json", "frames.csv", "timeline.svg"].map(read));
        assert!(String::from_utf8(read("report.html")).unwrap().contains(version));
    }
    assert_eq!(results[0], results[1]);
}

#[test]
fn write_errors_have_their_own_words() {
    for (kind, text) in [
        (io::ErrorKind::StorageFull, "out: cannot write: no space left"),
        (io::ErrorKind::QuotaExceeded, "out: cannot write: no space left"),
        (io::ErrorKind::PermissionDenied, "out: cannot write: permission denied"),
        (io::ErrorKind::ReadOnlyFilesystem, "out: cannot write: read-only file system"),
    ] {
        let error = write_error(Path::new("out"), "cannot write", &io::Error::from(kind));
        assert_eq!(error.to_string(), text);
        assert!(!error.hint.is_empty());
    }
}

/// A device that is always full fails at the first flush: the streaming writer must pass that on.
#[cfg(target_os = "linux")]
#[test]
fn a_full_device_is_reported_by_the_frame_table() {
    let mut full = fs::OpenOptions::new().write(true).open("/dev/full").unwrap();
    let error = csv::write(&common::half_rate(120), &mut full).unwrap_err();
    assert_eq!(error.kind(), io::ErrorKind::StorageFull);
}

/// Writes whole reports for looking at into the folder named by `EVENBEAT_LOOK`; without it, into a
/// temporary one.
#[test]
fn reports_for_looking_at() {
    let temporary = tempfile::tempdir().unwrap();
    let root = std::env::var_os("EVENBEAT_LOOK").map_or(temporary.path().to_owned(), Into::into);
    for (name, audit) in audits() {
        let folder = root.join(name.replace(' ', "-"));
        write(&audit, &common::provenance(), &folder);
        assert_eq!(names(&folder), FILES, "{name}");
    }
}
