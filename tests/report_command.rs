//! `evenbeat report` and `evenbeat print` as commands.

use std::fs;
use std::path::{Path, PathBuf};
use std::process::{Command, Output};

/// Runs the program in `folder`.
fn evenbeat(folder: &Path, arguments: &[&str]) -> Output {
    Command::new(env!("CARGO_BIN_EXE_evenbeat"))
        .args(arguments)
        .current_dir(folder)
        .env("SOURCE_DATE_EPOCH", "1900000000")
        .output()
        .unwrap()
}

fn error_of(output: &Output) -> String {
    String::from_utf8(output.stderr.clone()).unwrap()
}

fn sample(name: &str) -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("samples").join(name)
}

/// Whether charts are drawn as PNG.
const DRAWN: bool = cfg!(feature = "png-charts");

fn text(folder: &Path, file: &str) -> String {
    fs::read_to_string(folder.join(file)).unwrap()
}

#[test]
fn a_report_can_be_built_again_elsewhere_and_otherwise() {
    let root = tempfile::tempdir().unwrap();
    let capture = sample("brass-kettle.y4m").display().to_string();
    let audit = evenbeat(root.path(), &["audit", &capture, "--out", "audit", "--quiet"]);
    assert!(audit.status.code().is_some_and(|code| code < 2), "{}", error_of(&audit));
    let first = root.path().join("audit");
    assert!(text(&first, "report.html").contains("data:image/"));
    assert_eq!(first.join("strip.png").exists(), DRAWN);

    // The same choices give the same bytes.
    let again = evenbeat(root.path(), &["report", "audit", "--capture", &capture, "--quiet"]);
    assert!(again.status.success() && again.stdout.is_empty(), "{}", error_of(&again));
    let second = root.path().join("audit-report");
    let charts: &[&str] = if DRAWN { &["timeline.png", "strip.png"] } else { &[] };
    for file in ["audit.json", "frames.csv", "report.html", "summary.md"].iter().chain(charts) {
        assert!(fs::read(first.join(file)).unwrap() == fs::read(second.join(file)).unwrap(), "{file}");
    }

    // Another time zone, a stretch of the timeline, no capture at hand.
    let other =
        ["report", "audit/audit.json", "--time-zone", "-05:30", "--timeline-to", "0.5", "--out", "other"];
    let built = evenbeat(root.path(), &other);
    assert!(built.status.success(), "{}", error_of(&built));
    let other = root.path().join("other");
    assert!(text(&other, "report.html").contains("2030-03-17T12:16:40-05:30"));
    assert!(text(&other, "report.html").contains("built again without the capture"));
    assert!(text(&other, "timeline.svg").contains("From 0.000 s to 0.500 s"));
    assert!(!other.join("strip.png").exists());
}

#[test]
fn no_pictures_where_none_are_wanted_or_can_be_had() {
    let root = tempfile::tempdir().unwrap();
    let capture = sample("brass-kettle.y4m").display().to_string();
    assert!(evenbeat(root.path(), &["fingerprint", &capture, "--out", "kettle.log", "--quiet"])
        .status
        .success());
    for (name, arguments, why) in [
        ("off", vec![capture.as_str(), "--pictures", "0"], "turned off with --pictures 0"),
        ("log", vec!["kettle.log"], "a fingerprint log holds none"),
    ] {
        let mut all = vec!["audit", "--out", name, "--quiet"];
        all.extend(arguments);
        assert!(evenbeat(root.path(), &all).status.code().is_some_and(|code| code < 2), "{name}");
        let page = text(&root.path().join(name), "report.html");
        assert!(page.contains(why) && !page.contains("data:image/"), "{name}");
    }
}

#[test]
fn wrong_arguments_are_named() {
    let root = tempfile::tempdir().unwrap();
    for (arguments, message) in [
        (vec!["report", "nowhere"], "evenbeat: nowhere: cannot read audit: it does not exist\nhint: "),
        (
            vec!["report", "nowhere", "--timeline-from", "2", "--timeline-to", "1"],
            "evenbeat: nowhere: cannot read audit: it does not exist\nhint: ",
        ),
        (vec!["report", "nowhere", "--time-zone", "Mars"], "an offset from UTC is +HH:MM or -HH:MM"),
        (vec!["report", "nowhere", "--pictures", "201"], "0..=200"),
        (vec!["report", "nowhere", "--timeline-from", "-1"], "-1: no such option"),
        (vec!["print", "manual", "nothing"], "evenbeat: nothing: no such command: there are audit"),
    ] {
        let output = evenbeat(root.path(), &arguments);
        assert_eq!(output.status.code(), Some(2), "{arguments:?}");
        assert!(error_of(&output).contains(message), "{arguments:?}: {}", error_of(&output));
    }
}

#[test]
fn manual_pages_and_completions_are_printed() {
    let root = tempfile::tempdir().unwrap();
    for shell in ["bash", "zsh", "fish", "powershell", "elvish"] {
        let output = evenbeat(root.path(), &["print", "completions", shell]);
        let script = String::from_utf8(output.stdout).unwrap();
        assert!(output.status.success() && script.contains("timeline-from"), "{shell}");
    }
    for (command, words) in [(None, "audit"), (Some("report"), "timeline"), (Some("audit"), "pictures")] {
        let mut arguments = vec!["print", "manual"];
        arguments.extend(command);
        let output = evenbeat(root.path(), &arguments);
        let page = String::from_utf8(output.stdout).unwrap();
        assert!(output.status.success() && page.contains(".TH") && page.contains(words), "{command:?}");
        assert!(page.contains("Examples:"), "{command:?}");
    }
}

/// What is concluded again from what was written must come out as it was, whatever kind of audit it is.
#[test]
fn every_kind_of_audit_is_read_back() {
    let root = tempfile::tempdir().unwrap();
    let run = |line: &str| evenbeat(root.path(), &line.split_whitespace().collect::<Vec<_>>());
    for (clip, options) in [
        ("progressive", ""),
        ("interlaced", "--scan tff --rate 25"),
        ("film", "--rate 29.97 --scan tff --pulldown 2:3"),
    ] {
        let line = format!("testclip --size 640x480 --length 1.5 {options} --out {clip}.y4m --quiet");
        assert!(run(&line).status.success(), "{clip}");
    }
    let samples = Path::new(env!("CARGO_MANIFEST_DIR")).join("samples");
    let [kettle, whistle, buoy, times, float, box_] = [
        "brass-kettle.y4m",
        "tin-whistle.y4m",
        "glass-buoy.y4m",
        "glass-buoy-times.txt",
        "cork-float",
        "lantern-box.y4m",
    ]
    .map(|name| samples.join(name).display().to_string());
    let mut lines = vec![
        "progressive.y4m".to_owned(),
        "progressive.y4m --reference progressive.y4m".to_owned(),
        "interlaced.y4m".to_owned(),
        "interlaced.y4m --reference interlaced.y4m --scan tff".to_owned(),
        "film.y4m --source-rate 23.976".to_owned(),
        format!("{kettle} --source-rate 59.94"),
        format!("{kettle} --source-rate 29.97 --require motion-rate=20"),
        format!("{kettle} --reference {box_}"),
        format!("{whistle} --rate 50 --region 8,4,40,24"),
        format!("{buoy} --timestamps {times}"),
        format!("{float} --rate 59.94"),
    ];
    if evenbeat(
        root.path(),
        &["audit", &samples.join("paper-boat.mkv").display().to_string(), "--out", "lossy"],
    )
    .status
    .code()
    .is_some_and(|code| code < 2)
    {
        lines.push(format!("{} --exclude 0,0,32,18", samples.join("paper-boat.mkv").display()));
    }
    let mut read = 0;
    for line in lines {
        let audit = run(&format!("audit {line} --out audit --force --quiet --pictures 0"));
        if audit.status.code() == Some(2) {
            // Of the samples only the clip itself is refused, as another clip.
            assert!(line.contains(&format!("--reference {box_}")), "{line}: {}", error_of(&audit));
            continue;
        }
        for from in ["audit", "audit/report.html"] {
            let report = run(&format!("report {from} --out again --force --quiet"));
            assert!(report.status.success(), "{line}, {from}: {}", error_of(&report));
            for file in ["audit.json", "frames.csv"] {
                let bytes = |folder: &str| fs::read(root.path().join(folder).join(file)).unwrap();
                assert!(bytes("audit") == bytes("again"), "{line}, {from}: {file}");
            }
        }
        read += 1;
    }
    assert!(read >= 10, "{read}");
}
