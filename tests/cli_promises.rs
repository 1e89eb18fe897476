//! What the command promises: the log for the capture, the same bytes again, quiet, names, and the samples' truth.

mod capture_common;
mod cli_common;

use std::collections::BTreeMap;
use std::fs;
use std::num::NonZeroUsize;
use std::sync::atomic::AtomicBool;

use capture_common::decoder_is_here;
use cli_common::{first_frames, note_codes, sample, sample_bytes, Desk};
use evenbeat::audit::audit_fingerprints;
use evenbeat::audit_store;
use evenbeat::capture::{open, CaptureArg};
use evenbeat::pipeline::{fingerprint_capture, Control, NoProgress};
use evenbeat::settings::Settings;

/// Both files that must not depend on whether the capture or its log was audited.
fn results(desk: &Desk, folder: &str) -> (String, String) {
    let text = |name: &str| String::from_utf8(desk.read(format!("{folder}/{name}"))).unwrap();
    (text("audit.json"), text("frames.csv"))
}

/// Audits `capture` and its log; options split into those of the pixels and those that both audits take.
fn assert_log_gives_the_same(desk: &Desk, capture: &str, of_pixels: &str, of_both: &str) {
    let what = format!("{capture} {of_pixels} {of_both}");
    let direct = desk.run(&format!("audit {capture} {of_pixels} {of_both} --out direct --force"));
    assert!(direct.stderr.is_empty(), "{what}: {}", direct.stderr);
    desk.run(&format!("fingerprint {capture} {of_pixels} --out log --force --quiet"));
    let of_log = desk.run(&format!("audit log {of_both} --out of-log --force"));
    assert_eq!(of_log.status, direct.status, "{what}: {}", of_log.stderr);
    let ((json, csv), (json_of_log, csv_of_log)) = (results(desk, "direct"), results(desk, "of-log"));
    assert_eq!(json, json_of_log, "{what}");
    assert_eq!(csv, csv_of_log, "{what}");
    let schema: serde_json::Value = serde_json::from_str(audit_store::json::SCHEMA).unwrap();
    let schema = jsonschema::validator_for(&schema).unwrap();
    assert!(schema.is_valid(&desk.json("direct/audit.json")), "{what}");
}

#[test]
fn a_log_gives_the_same_bytes_as_its_capture() {
    let desk = Desk::new();
    let kettle = sample("brass-kettle.y4m");
    for (of_pixels, of_both) in [
        ("", ""),
        ("--region 8,4,40,24", ""),
        ("--exclude 0,0,64,8 --exclude 10,20,5,5", ""),
        ("--region 8,4,40,24 --exclude 8,4,10,10", "--source-rate 59.94"),
        ("--rate 50", ""),
        ("", "--rate 24000/1001"),
        ("", "--require motion-rate=20 --require freezes=0"),
    ] {
        assert_log_gives_the_same(&desk, &kettle, of_pixels, of_both);
    }
    assert_log_gives_the_same(&desk, &sample("tin-whistle.y4m"), "", "");
    let times = sample("glass-buoy-times.txt");
    assert_log_gives_the_same(&desk, &sample("glass-buoy.y4m"), &format!("--timestamps {times}"), "");
    // Numbers 21, 22 and 23 are missing.
    let float = sample("cork-float");
    assert_log_gives_the_same(&desk, &float, "--rate 59.94", "");
    assert!(note_codes(&desk.json("of-log/audit.json")).contains(&"numbering-gap"));
    assert_log_gives_the_same(&desk, &float, "", "");
    let whole = first_frames("brass-kettle.y4m", 20);
    desk.write("cut.y4m", &whole[..whole.len() - 1000]);
    assert_log_gives_the_same(&desk, "cut.y4m", "", "");
    assert_eq!(desk.json("of-log/audit.json")["capture"]["complete"], false);
    desk.write("wrong.y4m", [first_frames("brass-kettle.y4m", 20), b"FRAMED\n".to_vec()].concat());
    assert_log_gives_the_same(&desk, "wrong.y4m", "", "");
    for frames in [0, 1, 2] {
        desk.write("short.y4m", first_frames("brass-kettle.y4m", frames));
        assert_log_gives_the_same(&desk, "short.y4m", "", "");
    }
}

#[test]
fn a_log_gives_the_same_bytes_as_its_decoded_capture() {
    if !decoder_is_here() {
        return;
    }
    let desk = Desk::new();
    let boat = sample("paper-boat.mkv");
    for (of_pixels, of_both) in [("", ""), ("--rate 60", ""), ("--region 0,0,96,54", "--source-rate 59.94")] {
        assert_log_gives_the_same(&desk, &boat, of_pixels, of_both);
        assert_eq!(desk.json("of-log/audit.json")["capture"]["times_measured"], true);
    }
    let bytes = sample_bytes("paper-boat.mkv");
    desk.write("cut.mkv", &bytes[..bytes.len() / 2]);
    assert_log_gives_the_same(&desk, "cut.mkv", "", "");
    assert_eq!(desk.json("of-log/audit.json")["capture"]["complete"], false);
}

#[test]
fn options_that_need_pixels_are_refused_for_a_log() {
    let desk = Desk::new();
    desk.write("a.y4m", first_frames("brass-kettle.y4m", 5));
    desk.write("times.txt", "0\n1\n2\n3\n4\n");
    assert_eq!(desk.run("fingerprint a.y4m --out log").status, Some(0));
    for option in ["--region 0,0,8,8", "--exclude 0,0,8,8", "--timestamps times.txt", "--stream 0"] {
        desk.run(&format!("audit log {option}")).assert_error(
            "log: cannot take --region, --exclude, --timestamps or --stream: a fingerprint log holds no pixels and \
             has its own times",
            "give these options to `evenbeat fingerprint` when the log is made",
        );
    }
    desk.run("fingerprint log --out again").assert_error(
        "log: has no pictures: it is a fingerprint log",
        "audit the log, or give the capture it was made from",
    );
}

#[test]
fn the_number_of_threads_does_not_show() {
    let desk = Desk::new();
    let path = sample("brass-kettle.y4m");
    desk.run(&format!("audit {path} --out report"));
    let settings = Settings::default();
    for workers in [1, 2, 5] {
        let source = open(&CaptureArg::Path((&path).into()), &settings.reading).unwrap();
        let facts = source.facts().clone();
        let stop = AtomicBool::new(false);
        let control = Control { workers: NonZeroUsize::new(workers), progress: &NoProgress, stop: &stop };
        let mut fingerprints = Vec::new();
        fingerprint_capture(source, &settings.view, &control, |fingerprint| {
            fingerprints.push(fingerprint);
            Ok(())
        })
        .unwrap();
        let audit = audit_fingerprints(facts, &fingerprints, &settings);
        let mut csv = Vec::new();
        audit_store::csv::write(&audit, &mut csv).unwrap();
        let (json_of_command, csv_of_command) = results(&desk, "report");
        assert_eq!(audit_store::json::document(&audit), json_of_command, "{workers}");
        assert_eq!(String::from_utf8(csv).unwrap(), csv_of_command, "{workers}");
    }
}

#[test]
fn the_same_run_gives_the_same_bytes_in_every_file() {
    let files = ["audit.json", "frames.csv", "timeline.svg", "report.html", "summary.md"];
    let run = |epoch: &str| -> Vec<Vec<u8>> {
        let desk = Desk::new();
        desk.write("a.y4m", first_frames("brass-kettle.y4m", 20));
        let mut command = desk.command();
        command.args(["audit", "a.y4m", "--quiet"]).env("SOURCE_DATE_EPOCH", epoch);
        assert_eq!(command.status().unwrap().code(), Some(1));
        files.map(|name| desk.read(format!("a-audit/{name}"))).into()
    };
    let (first, again, later) = (run("86400"), run("86400"), run("172800"));
    for (place, name) in files.into_iter().enumerate() {
        assert_eq!(first[place], again[place], "{name}");
        let says_when = ["report.html", "summary.md"].contains(&name);
        assert_eq!(first[place] != later[place], says_when, "{name}");
    }
    assert!(String::from_utf8_lossy(&first[4]).contains("1970-01-02T00:00:00+00:00"));
}

#[test]
fn standard_input_is_like_a_file_but_for_its_name() {
    let desk = Desk::new();
    let bytes = sample_bytes("brass-kettle.y4m");
    desk.write("a.y4m", &bytes);
    assert_eq!(desk.run("audit a.y4m").status, Some(1));
    assert_eq!(desk.run_fed("audit -", &bytes).status, Some(1));
    let (json, csv) = results(&desk, "a-audit");
    let (json_fed, csv_fed) = results(&desk, "standard-input-audit");
    assert_eq!(csv_fed, csv);
    assert_eq!(json_fed, json.replace("\"name\": \"a.y4m\"", "\"name\": \"standard input\""));
    assert_ne!(json_fed, json);

    desk.run("fingerprint a.y4m --out log");
    assert_eq!(desk.run_fed("audit - --out piped-log", &desk.read("log")).status, Some(1));
    assert_eq!(results(&desk, "piped-log"), (json, csv));
}

#[test]
fn a_log_on_standard_output_is_the_log() {
    let desk = Desk::new();
    desk.write("a.y4m", first_frames("brass-kettle.y4m", 20));
    assert_eq!(desk.run("fingerprint a.y4m --out log").stdout, "");
    let output = desk.command().args(["fingerprint", "a.y4m", "--out", "-"]).output().unwrap();
    assert_eq!((output.status.code(), output.stderr.as_slice()), (Some(0), b"".as_slice()));
    assert_eq!(output.stdout, desk.read("log"));
}

#[test]
fn the_folder_is_named_after_the_capture() {
    let desk = Desk::new();
    let bytes = first_frames("brass-kettle.y4m", 20);
    for (name, folder) in [
        ("living room.y4m", "living room-audit"),
        ("Käfig 漢字 🎞.y4m", "Käfig 漢字 🎞-audit"),
        ("it's.take.2.y4m", "it's.take.2-audit"),
        ("-dash.y4m", "-dash-audit"),
        ("no-extension", "no-extension-audit"),
    ] {
        desk.write(name, &bytes);
        let ran = desk.run_with(["audit", "--", name]);
        assert_eq!((ran.status, ran.stderr.as_str()), (Some(1), ""), "{name}");
        let audit = desk.json(format!("{folder}/audit.json"));
        assert_eq!(audit["capture"]["name"], name);
        let last = ran.stdout.trim_end().lines().last().unwrap();
        let shown = std::path::Path::new(folder).join("report.html");
        assert_eq!(last, format!("report: {}", shown.display()));
        roxmltree::Document::parse(&String::from_utf8(desk.read(format!("{folder}/timeline.svg"))).unwrap())
            .unwrap_or_else(|error| panic!("{name}: {error}"));
    }
    #[cfg(unix)]
    for name in ["a\"quoted\".y4m", "<b>&amp;.y4m", "line\nend.y4m", "\u{1b}[31mred.y4m"] {
        desk.write(name, &bytes);
        let ran = desk.run_with(["audit", name, "--out", "report", "--force"]);
        assert_eq!(ran.status, Some(1), "{name:?}: {}", ran.stderr);
        assert!(!ran.stdout.contains('\u{1b}'), "{name:?}: control characters reach the terminal");
        assert_eq!(desk.json("report/audit.json")["capture"]["name"], name);
    }
    fs::create_dir(desk.path("frames")).unwrap();
    for number in 0..5 {
        let name = format!("frame-{number:04}.png");
        fs::copy(sample(&format!("cork-float/{name}")), desk.path("frames").join(name)).unwrap();
    }
    assert_ne!(desk.run("audit frames --rate 25").status, Some(2));
    assert_eq!(desk.json("frames-audit/audit.json")["capture"]["frames"], 5);
}

#[test]
fn results_go_to_standard_output_and_the_rest_to_standard_error() {
    let desk = Desk::new();
    desk.write("a.y4m", first_frames("brass-kettle.y4m", 20));
    let ran = desk.run("audit a.y4m");
    assert!(ran.stdout.starts_with("Every picture is shown twice (29.97 new pictures/s in 59.94)"));
    assert_eq!(ran.stderr, "");
    let quiet = desk.run("audit a.y4m --quiet --force");
    assert_eq!((quiet.status, quiet.stdout.as_str(), quiet.stderr.as_str()), (Some(1), "", ""));
    // An error is no progress: it is said all the same.
    let error = desk.run("audit none.y4m --quiet");
    assert_eq!((error.status, error.stdout.as_str()), (Some(2), ""));
    assert!(error.stderr.starts_with("evenbeat: none.y4m: "));
    // Whoever closed standard output early does not change the outcome.
    let mut command = desk.command();
    command.args(["audit", "a.y4m", "--force"]).stdout(std::process::Stdio::piped());
    let mut child = command.spawn().unwrap();
    drop(child.stdout.take());
    assert_eq!(child.wait().unwrap().code(), Some(1));
    let demo = desk.run("demo --out demo --quiet");
    assert_eq!((demo.status, demo.stdout.as_str(), demo.stderr.as_str()), (Some(0), "", ""));
    let again = desk.run("demo --out demo");
    again.assert_error(
        "demo: output folder: exists already",
        "choose another folder with --out, or replace the report in it with --force",
    );
}

/// Pictures per frame of each sample.
fn truth() -> BTreeMap<String, Vec<u64>> {
    let text = fs::read_to_string(sample("truth.csv")).unwrap();
    let mut truth: BTreeMap<String, Vec<u64>> = BTreeMap::new();
    for line in text.lines().skip(1) {
        let mut fields = line.split(',');
        let name = fields.next().unwrap().to_owned();
        truth.entry(name).or_default().push(fields.nth(1).unwrap().parse().unwrap());
    }
    truth
}

/// Frames whose class is not what the truth says.
fn frame_errors(desk: &Desk, pictures: &[u64]) -> Vec<usize> {
    let csv = String::from_utf8(desk.read("report/frames.csv")).unwrap();
    let classes: Vec<String> =
        csv.lines().skip(1).map(|line| line.split(',').nth(2).unwrap().to_owned()).collect();
    assert_eq!(classes.len(), pictures.len());
    (0..pictures.len())
        .filter(|&at| {
            let is_new = at == 0 || pictures[at] != pictures[at - 1];
            classes[at] != if is_new { "new" } else { "repeat" }
        })
        .collect()
}

#[test]
fn samples_are_what_their_truth_says() {
    let truth = truth();
    let times = format!("--timestamps {}", sample("glass-buoy-times.txt"));
    for (name, options, label, motion_rate_hz, kinds) in [
        ("lantern-box.y4m", "", "1:1", 60_000.0 / 1001.0, vec![]),
        ("brass-kettle.y4m", "", "2:2", 30_000.0 / 1001.0, vec!["half-rate-motion"]),
        ("tin-whistle.y4m", "", "2:3", 24.0, vec![]),
        ("glass-buoy.y4m", times.as_str(), "1:1", 60_000.0 / 1001.0, vec!["capture-gap"]),
        ("cork-float", "--rate 59.94", "1:1", 60_000.0 / 1001.0, vec!["capture-gap"]),
    ] {
        let desk = Desk::new();
        let ran = desk.run(&format!("audit {} {options} --out report", sample(name)));
        assert_eq!(ran.stderr, "", "{name}");
        assert_eq!(frame_errors(&desk, &truth[name]), Vec::<usize>::new(), "{name}");
        let audit = desk.json("report/audit.json");
        assert_eq!(audit["cadence"]["label"], label, "{name}");
        assert_eq!(audit["cadence"]["breaks"], serde_json::json!([]), "{name}");
        let found = audit["motion"]["motion_rate_hz"].as_f64().unwrap();
        assert!((found / motion_rate_hz - 1.0).abs() < 1e-4, "{name}: {found} Hz");
        let findings = audit["findings"].as_array().unwrap();
        let found: Vec<&str> = findings.iter().map(|finding| finding["kind"].as_str().unwrap()).collect();
        assert_eq!(found, kinds, "{name}");
        assert_eq!(ran.status, Some(i32::from(!kinds.is_empty())), "{name}");
    }
}

#[test]
fn the_lossy_sample_is_what_its_truth_says() {
    if !decoder_is_here() {
        return;
    }
    let desk = Desk::new();
    desk.run(&format!("audit {} --out report", sample("paper-boat.mkv")));
    assert_eq!(frame_errors(&desk, &truth()["paper-boat.mkv"]), Vec::<usize>::new());
    let audit = desk.json("report/audit.json");
    let freezes: Vec<(u64, u64)> = audit["cadence"]["freezes"]
        .as_array()
        .unwrap()
        .iter()
        .map(|freeze| (freeze["first_frame"].as_u64().unwrap(), freeze["last_frame"].as_u64().unwrap()))
        .collect();
    // The hold begins with the picture's own frame, one before its first repeat.
    // The stall of frames 62 to 64 lasts 67 ms: late pictures, below what counts as a freeze.
    assert_eq!(freezes, [(29, 34), (89, 97)]);
}

/// Files of a report that are meant for others.
const FOR_OTHERS: [&str; 5] = ["audit.json", "report.html", "summary.md", "timeline.svg", "provenance.json"];

#[test]
fn pages_for_others_do_not_say_where_files_lie() {
    let desk = Desk::new();
    fs::create_dir(desk.path("anns-desk")).unwrap();
    let whole = first_frames("brass-kettle.y4m", 20);
    desk.write("anns-desk/a.y4m", &whole);
    desk.write("anns-desk/cut.y4m", &whole[..whole.len() - 100]);
    desk.write("anns-desk/more.txt", (0..25).map(|n| format!("{n}.0\n")).collect::<String>());
    desk.write("anns-desk/wrong.y4m", [whole, b"FRAMED\n".to_vec()].concat());
    desk.write("anns-desk/times.txt", (0..20).map(|n| format!("{}.0\n", n)).collect::<String>());
    for (out, options) in [
        ("plain", "a.y4m"),
        ("timed", "a.y4m --timestamps DESK/times.txt"),
        ("reference", "a.y4m --reference DESK/a.y4m"),
        ("broken-off", "wrong.y4m"),
        ("more-times", "a.y4m --timestamps DESK/more.txt"),
        ("cut-reference", "a.y4m --reference DESK/cut.y4m"),
        ("wrong-reference", "a.y4m --reference DESK/wrong.y4m"),
    ] {
        let folder = desk.path("anns-desk").display().to_string();
        let arguments = format!("audit DESK/{options} --out {out}").replace("DESK", &folder);
        desk.run(&arguments);
        for file in FOR_OTHERS {
            let text = String::from_utf8_lossy(&desk.read(format!("{out}/{file}"))).into_owned();
            assert!(!text.contains("anns-desk"), "{out}/{file}: {:?}", text.split("anns-desk").next());
        }
        let summary = String::from_utf8(desk.read(format!("{out}/summary.md"))).unwrap();
        let command = options.replace("DESK/", "");
        assert!(summary.contains(&format!("\nevenbeat audit {command} --out {out}\n")), "{summary}");
        // For those who want them.
        desk.run(&format!("{arguments}-whole --full-paths"));
        let summary = String::from_utf8(desk.read(format!("{out}-whole/summary.md"))).unwrap();
        assert!(summary.contains("anns-desk"), "{out}: {summary}");
    }
}

#[cfg(unix)]
#[test]
fn the_command_line_to_reproduce_can_be_pasted() {
    let desk = Desk::new();
    for name in ["$(touch ran).y4m", "`touch ran`.y4m", "a'; touch ran; '.y4m", "\"; touch ran; \".y4m"] {
        desk.write(name, first_frames("brass-kettle.y4m", 20));
        let first = desk.run_with(["audit", name, "--out", "first", "--quiet"]);
        assert_eq!(first.status, Some(1), "{name}: {}", first.stderr);
        let summary = String::from_utf8(desk.read("first/summary.md")).unwrap();
        let line = summary.lines().find(|line| line.starts_with("evenbeat audit ")).unwrap();
        let again = line.replacen("evenbeat", env!("CARGO_BIN_EXE_evenbeat"), 1).replace("first", "again");
        let mut shell = std::process::Command::new("sh");
        let ran = shell.current_dir(desk.path("")).arg("-c").arg(&again).output().unwrap();
        assert_eq!(ran.status.code(), Some(1), "{again}: {}", String::from_utf8_lossy(&ran.stderr));
        assert!(!desk.path("ran").exists(), "{again}");
        assert_eq!(desk.json("again/audit.json")["capture"]["name"], name);
        for folder in ["first", "again"] {
            fs::remove_dir_all(desk.path(folder)).unwrap();
        }
    }
}
