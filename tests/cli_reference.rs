//! `audit --reference`: the sample captures against the clip they show, and what is said to a clip that cannot serve.

mod cli_common;

use std::fs;

use cli_common::{sample, sample_bytes, Desk};
use serde_json::Value;

/// The clip that all samples show, 1:1: its pictures are numbered from that capture's first.
const CLIP: &str = "lantern-box.y4m";

/// Picture of each frame of a sample by `truth.csv`.
fn truth(capture: &str) -> Vec<u64> {
    let table = String::from_utf8(sample_bytes("truth.csv")).unwrap();
    let rows = table.lines().skip(1).map(|line| line.split(',').collect::<Vec<_>>());
    rows.filter(|row| row[0] == capture).map(|row| row[2].parse().unwrap()).collect()
}

/// The last three cells of each row of a frame table.
fn places(desk: &Desk, folder: &str) -> Vec<[String; 3]> {
    let table = String::from_utf8(desk.read(format!("{folder}/frames.csv"))).unwrap();
    let header = table.lines().next().unwrap();
    assert!(header.ends_with(",source_index,source_first,source_last"), "{header}");
    table
        .lines()
        .skip(1)
        .map(|line| {
            let cells: Vec<&str> = line.split(',').collect();
            [11, 12, 13].map(|column| cells[column].to_owned())
        })
        .collect()
}

fn source(desk: &Desk, folder: &str) -> Value {
    desk.json(format!("{folder}/audit.json"))["source"].clone()
}

#[test]
fn every_frame_of_a_half_rate_capture_finds_its_picture() {
    let desk = Desk::new();
    let ran = desk.run(&format!(
        "audit {} --reference {} --out half --quiet --pictures 0",
        sample("brass-kettle.y4m"),
        sample(CLIP)
    ));
    assert_eq!(ran.status, Some(1), "{}", ran.stderr);
    let first = truth(CLIP)[0];
    let shown = truth("brass-kettle.y4m");
    // The sample goes on after the clip's last picture.
    let end = first + truth(CLIP).len() as u64;
    for (frame, (picture, [index, ..])) in shown.iter().zip(places(&desk, "half")).enumerate() {
        if *picture < end {
            assert_eq!(index, (picture - first).to_string(), "frame {frame}");
        }
    }
    let source = source(&desk, "half");
    assert_eq!(source["origin"], "reference");
    assert_eq!(source["only_mixed"], 0);
    assert_eq!(source["never_shown"].as_u64(), source["pictures"].as_u64().map(|pictures| pictures / 2));
    let audit = desk.json("half/audit.json");
    let half = audit["findings"].as_array().unwrap().iter().find(|one| one["kind"] == "half-rate-motion");
    let half = half.expect("the clip's rate says that half is missing");
    assert_eq!(half["severity"], "fault", "{half}");
    assert!(half["text"].as_str().unwrap().contains("of the clip never appear"), "{half}");
}

/// A sample whose upper left corner, 22 × 10 pixels, is covered by stripes that change with every frame.
fn covered(capture: &str) -> Vec<u8> {
    let mut bytes = sample_bytes(capture);
    let header = bytes.iter().position(|&byte| byte == b'\n').unwrap() + 1;
    let frame_len = b"FRAME\n".len() + cli_common::SAMPLE_FRAME_LEN;
    for (index, frame) in bytes[header..].chunks_exact_mut(frame_len).enumerate() {
        for (y, row) in frame[b"FRAME\n".len()..].chunks_exact_mut(64).take(10).enumerate() {
            row[..22].iter_mut().enumerate().for_each(|(x, sample)| {
                *sample = ((x * 29 + y * 53 + index * 71) % 200 + 20) as u8;
            });
        }
    }
    bytes
}

#[test]
fn what_is_left_out_does_not_keep_frames_from_their_pictures() {
    let desk = Desk::new();
    desk.write("covered.y4m", covered("brass-kettle.y4m"));
    let first = truth(CLIP)[0];
    let shown = truth("brass-kettle.y4m");
    let end = first + truth(CLIP).len() as u64;
    for (view, least) in [("--exclude 0,0,22,10", 1.0), ("--region 22,4,40,30", 1.0)] {
        let ran = desk.run(&format!(
            "audit covered.y4m --reference {} {view} --out view --force --quiet --pictures 0",
            sample(CLIP)
        ));
        assert_eq!(ran.status, Some(1), "{view}: {}", ran.stderr);
        let of_clip: Vec<(u64, String)> = shown
            .iter()
            .zip(places(&desk, "view"))
            .filter(|(&picture, _)| picture < end)
            .map(|(&picture, [index, ..])| (picture - first, index))
            .collect();
        let told = of_clip.iter().filter(|(picture, index)| *index == picture.to_string()).count();
        assert!(told as f64 >= least * of_clip.len() as f64, "{view}: {of_clip:?}");
    }
}

#[test]
fn too_little_of_the_picture_is_refused() {
    let desk = Desk::new();
    let ran = desk.run(&format!(
        "audit {} --reference {} --exclude 0,0,60,36 --out audit --quiet",
        sample("brass-kettle.y4m"),
        sample(CLIP)
    ));
    assert_eq!(ran.status, Some(2), "{}", ran.stderr);
    assert!(
        ran.stderr.contains("too little of the picture is left to compare: --exclude leaves"),
        "{}",
        ran.stderr
    );
}

#[test]
fn a_capture_against_itself_misses_nothing() {
    let desk = Desk::new();
    let ran = desk.run(&format!("audit {0} --reference {0} --out self --quiet --pictures 0", sample(CLIP)));
    assert_eq!(ran.status, Some(0), "{}", ran.stderr);
    for (frame, [index, ..]) in places(&desk, "self").iter().enumerate() {
        assert_eq!(*index, frame.to_string());
    }
    let source = source(&desk, "self");
    assert_eq!((&source["never_shown"], &source["shown"]), (&Value::from(0), &Value::from(60)));
    assert_eq!(source["drift_ppm"], Value::from(0.0));
    assert_eq!(source["picture"]["scale_across"], Value::from(1.0));
}

#[test]
fn logs_give_the_same_as_their_captures() {
    let desk = Desk::new();
    for (capture, log) in [("brass-kettle.y4m", "capture.log"), (CLIP, "clip.log")] {
        assert_eq!(desk.run(&format!("fingerprint {} --out {log} --quiet", sample(capture))).status, Some(0));
    }
    let audit = |capture: &str, clip: &str, folder: &str| {
        desk.run(&format!("audit {capture} --reference {clip} --out {folder} --quiet --pictures 0"));
        String::from_utf8(desk.read(format!("{folder}/frames.csv"))).unwrap()
    };
    let captures = audit(&sample("brass-kettle.y4m"), &sample(CLIP), "captures");
    for (capture, clip, folder) in [
        ("capture.log", "clip.log", "logs"),
        (&sample("brass-kettle.y4m") as &str, "clip.log", "clip-log"),
        ("capture.log", &sample(CLIP), "capture-log"),
    ] {
        assert!(audit(capture, clip, folder) == captures, "{folder}");
    }
}

#[test]
fn a_report_built_again_keeps_the_places() {
    let desk = Desk::new();
    desk.run(&format!(
        "audit {} --reference {} --out first --quiet --pictures 0",
        sample("paper-boat.mkv").replace("paper-boat.mkv", "brass-kettle.y4m"),
        sample(CLIP)
    ));
    let ran = desk.run("report first --out again --quiet");
    assert_eq!(ran.status, Some(0), "{}", ran.stderr);
    for file in ["audit.json", "frames.csv", "pictures.log"] {
        assert!(desk.read(format!("first/{file}")) == desk.read(format!("again/{file}")), "{file}");
    }
    let page = String::from_utf8(desk.read("again/report.html")).unwrap();
    assert!(page.contains("Against the clip"));
}

#[test]
fn clips_that_cannot_serve_are_named() {
    let desk = Desk::new();
    desk.write("empty.y4m", b"");
    desk.write("no-frame.y4m", "YUV4MPEG2 W64 H36 F60000:1001 C420\n");
    desk.write("bad.y4m", "YUV4MPEG2 W64 H3");
    fs::create_dir(desk.path("folder")).unwrap();
    for (clip, error) in [
        ("none.y4m", "none.y4m: cannot open capture: no such file or folder"),
        ("empty.y4m", "empty.y4m: empty capture: it has 0 bytes"),
        ("no-frame.y4m", "no-frame.y4m: cannot serve as the reference: it holds no picture"),
        ("bad.y4m", "bad.y4m: bad YUV4MPEG2 header: the stream ends after 16 bytes, inside its header"),
        ("folder", "folder: no images: no PNG or TIFF file is there"),
    ] {
        let ran = desk.run(&format!("audit {} --reference {clip} --out audit", sample(CLIP)));
        assert_eq!(ran.status, Some(2), "{clip}");
        assert!(ran.stderr.starts_with(&format!("evenbeat: {error}")), "{clip}: {}", ran.stderr);
        assert!(ran.stderr.contains("\nhint: "), "{}", ran.stderr);
        assert!(!desk.path("audit").exists(), "nothing is left behind");
    }
}

/// YUV4MPEG2 of a pattern that moves unlike any sample.
fn other_clip() -> Vec<u8> {
    let mut bytes = b"YUV4MPEG2 W64 H36 F60000:1001 Ip C420\n".to_vec();
    for frame in 0..60u32 {
        bytes.extend_from_slice(b"FRAME\n");
        for at in 0..64 * 36 * 3 / 2u32 {
            let (x, y) = (at % 64, at / 64);
            bytes.push(((x * x + 7 * y + frame * frame * 3) % 160 + 40) as u8);
        }
    }
    bytes
}

#[test]
fn another_clip_is_refused_with_the_evidence() {
    let desk = Desk::new();
    desk.write("other.y4m", other_clip());
    let ran = desk.run(&format!("audit {} --reference other.y4m --out audit", sample(CLIP)));
    assert_eq!(ran.status, Some(2), "{}", ran.stderr);
    assert!(
        ran.stderr.starts_with("evenbeat: other.y4m: not the clip of this recording: "),
        "{}",
        ran.stderr
    );
    assert!(ran.stderr.contains("hint: give the clip that was played, or audit without --reference\n"));
    assert!(!desk.path("audit").exists());
}

#[test]
fn a_clip_that_breaks_off_is_noted() {
    let desk = Desk::new();
    let whole = sample_bytes(CLIP);
    desk.write("cut.y4m", &whole[..whole.len() - 100]);
    let ran =
        desk.run(&format!("audit {} --reference cut.y4m --out audit --quiet --pictures 0", sample(CLIP)));
    assert_eq!(ran.status, Some(0), "{}", ran.stderr);
    let audit = desk.json("audit/audit.json");
    assert!(cli_common::note_codes(&audit).contains(&"reference-incomplete"), "{}", audit["notes"]);
}
