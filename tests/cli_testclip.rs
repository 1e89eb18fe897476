//! `evenbeat testclip`: what it writes, what it refuses, and that `audit` finds the numbers by itself.

mod cli_common;

use std::io::Read;
use std::process::{Child, Stdio};
use std::time::{Duration, Instant};

use cli_common::Desk;

/// A clip of a few small frames.
const SMALL: &str = "testclip --size 640x480 --rate 25 --length 0.4 --quiet";
/// Bytes of a frame of 640×480 pixels in 4:2:0 with its header.
const SMALL_FRAME: usize = "FRAME\n".len() + 640 * 480 * 3 / 2;

#[test]
fn the_header_says_what_was_asked_for() {
    let desk = Desk::new();
    for (options, header) in [
        ("--size 480 --rate 23.976", "W720 H480 F24000:1001 Ip A40:33 C420mpeg2 XYSCSS=420MPEG2"),
        ("--size 576 --rate 25 --scan tff", "W720 H576 F25:1 It A16:11 C420mpeg2 XYSCSS=420MPEG2"),
        ("--size 640x480 --rate 30 --scan bff --depth 10", "W640 H480 F30:1 Ib A1:1 C420p10 XYSCSS=420P10"),
        (
            "--size 720 --rate 29.97 --scan tff --pulldown 2:3",
            "W1280 H720 F30000:1001 It A1:1 C420mpeg2 XYSCSS=420MPEG2",
        ),
    ] {
        let ran = desk.run(&format!("testclip {options} --length 0.1 --out clip.y4m --force --quiet"));
        assert_eq!((ran.status, ran.stderr.as_str(), ran.stdout.as_str()), (Some(0), "", ""), "{options}");
        let clip = desk.read("clip.y4m");
        let line = clip.split(|&byte| byte == b'\n').next().unwrap();
        let expected = format!("YUV4MPEG2 {header} XCOLORRANGE=LIMITED");
        assert_eq!(String::from_utf8_lossy(line), expected, "{options}");
    }
}

#[test]
fn a_clip_that_is_there_stays_unless_forced() {
    let desk = Desk::new();
    desk.write("clip.y4m", "mine");
    desk.run(&format!("{SMALL} --out clip.y4m")).assert_error(
        "clip.y4m: test clip: exists already",
        "choose another file, or replace it with --force",
    );
    assert_eq!(desk.read("clip.y4m"), b"mine");
    assert_eq!(desk.run(&format!("{SMALL} --out clip.y4m --force")).status, Some(0));
    let clip = desk.read("clip.y4m");
    let header = clip.iter().position(|&byte| byte == b'\n').unwrap() + 1;
    assert_eq!(clip.len(), header + 10 * SMALL_FRAME);
    assert_eq!(desk.run(&format!("{SMALL} --out again.y4m")).status, Some(0));
    assert!(desk.read("again.y4m") == clip, "the same bytes again");
}

#[test]
fn what_cannot_be_painted_is_refused_before_anything_is_written() {
    let desk = Desk::new();
    for (options, error) in [
        ("--size 720x481", "--size: picture size not allowed: 720x481, allowed are 640 to 4096 pixels by 480 to 2160 lines, at most 2.4 times as wide as high, the width even, the lines a multiple of 2"),
        ("--depth 12", "--depth: bit depth not allowed: 12 bit, allowed are 8 and 10"),
        ("--rate 61", "--rate: rate not allowed: 61 per second, allowed are 23.976, 24, 25, 29.97, 30, 47.952, 48, 50, 59.94, 60, 100, 119.88, 120"),
        ("--scan tff --rate 120", "--rate: rate not allowed: 120 frames, which are 240 fields per second, allowed are 23.976, 24, 25, 29.97, 30, 47.952, 48, 50, 59.94, 60, 100, 119.88, 120"),
        ("--pulldown 2:3", "--pulldown: cannot lay film out over fields: the scan is progressive"),
        ("--length 0", "--length: length not allowed: 0 pictures or fields, allowed are 1 to 4194300"),
        ("--length 1e18", "--length: length not allowed: "),
    ] {
        let ran = desk.run(&format!("testclip {options} --out clip.y4m --quiet"));
        assert!(ran.stderr.starts_with(&format!("evenbeat: {error}")), "{options}: {}", ran.stderr);
        assert!(ran.stderr.contains("\nhint: "), "{options}: {}", ran.stderr);
        assert_eq!(ran.status, Some(2), "{options}");
        assert!(!desk.path("clip.y4m").exists(), "{options}");
    }
    for options in ["--size tall", "--rate fast", "--pulldown 1:9", "--length -1", "--scan both"] {
        assert_eq!(desk.run(&format!("testclip {options} --out clip.y4m")).status, Some(2), "{options}");
    }
}

#[test]
fn help_and_clip_caution() {
    let help = Desk::new().run("testclip --help").stdout;
    for word in ["photosensitive", "BT.1702", "WCAG 2.3.1", "stop at any discomfort", "local rules"] {
        let words = help.split_whitespace().collect::<Vec<_>>().join(" ");
        assert!(words.contains(word), "{word}: {help}");
    }
}

/// Waits for the end; a run that hangs is killed and fails the test.
fn ended(mut child: Child) -> (Option<i32>, String) {
    let started = Instant::now();
    while child.try_wait().unwrap().is_none() {
        if started.elapsed() > Duration::from_secs(20) {
            child.kill().unwrap();
            panic!("the run did not end");
        }
        std::thread::sleep(Duration::from_millis(10));
    }
    let output = child.wait_with_output().unwrap();
    (output.status.code(), String::from_utf8(output.stderr).unwrap())
}

fn started(desk: &Desk) -> Child {
    let mut command = desk.command();
    command.args("testclip --size 640x480 --rate 60 --length 3600 --out - --quiet".split(' '));
    command.stdin(Stdio::null()).stdout(Stdio::piped()).stderr(Stdio::piped()).spawn().unwrap()
}

#[test]
fn a_reader_that_wants_no_more_ends_the_clip_quietly() {
    let mut child = started(&Desk::new());
    let mut stdout = child.stdout.take().unwrap();
    stdout.read_exact(&mut vec![0; 3 * SMALL_FRAME]).unwrap();
    drop(stdout);
    assert_eq!(ended(child), (Some(0), String::new()));
}

#[cfg(unix)]
#[test]
fn an_interrupt_ends_after_a_whole_frame() {
    let mut child = started(&Desk::new());
    let mut stdout = child.stdout.take().unwrap();
    let mut clip = vec![0; 3 * SMALL_FRAME];
    stdout.read_exact(&mut clip).unwrap();
    let id = child.id().to_string();
    assert!(std::process::Command::new("kill").args(["-INT", &id]).status().unwrap().success());
    stdout.read_to_end(&mut clip).unwrap();
    let (status, stderr) = ended(child);
    assert_eq!(status, Some(130), "{stderr}");
    let header = clip.iter().position(|&byte| byte == b'\n').unwrap() + 1;
    assert_eq!((clip.len() - header) % SMALL_FRAME, 0, "whole frames only");
    let frames = (clip.len() - header) / SMALL_FRAME;
    assert_eq!(stderr, format!("evenbeat: interrupted: {frames} of 216\u{202f}000 frames painted\n"));
}

#[test]
fn an_audit_finds_the_numbers_by_itself() {
    let desk = Desk::new();
    assert_eq!(
        desk.run("testclip --size 640x480 --rate 50 --length 0.6 --out clip.y4m --quiet").status,
        Some(0)
    );
    // A device that shows pictures 0 to 9, stalls at 9 for two frames more, skips 12 and goes on.
    let clip = desk.read("clip.y4m");
    let header = clip.iter().position(|&byte| byte == b'\n').unwrap() + 1;
    let frame = |picture: usize| &clip[header + picture * SMALL_FRAME..][..SMALL_FRAME];
    let shown: Vec<usize> = (0..10).chain([9, 9]).chain([10, 11]).chain(13..30).collect();
    let mut recording = clip[..header].to_vec();
    shown.iter().for_each(|&picture| recording.extend_from_slice(frame(picture)));
    desk.write("recording.y4m", recording);
    let ran = desk.run("audit recording.y4m --out report --quiet --pictures 0");
    assert_eq!(ran.status, Some(1), "{}", ran.stderr);
    let csv = String::from_utf8(desk.read("report/frames.csv")).unwrap();
    let mut rows = csv.lines();
    let column = rows.next().unwrap().split(',').position(|name| name == "source_index").unwrap();
    let found: Vec<usize> = rows.map(|row| row.split(',').nth(column).unwrap().parse().unwrap()).collect();
    assert_eq!(found, shown);
    // The log of the recording gives the same.
    assert_eq!(desk.run("fingerprint recording.y4m --out log --quiet").status, Some(0));
    assert_eq!(desk.run("audit log --out report-of-log --quiet --pictures 0").status, Some(1));
    assert!(desk.read("report/frames.csv") == desk.read("report-of-log/frames.csv"));
    assert!(desk.read("report/audit.json") == desk.read("report-of-log/audit.json"));
}

/// Half a clip looks like a whole one: it takes neither a new name nor the place of an earlier clip.
#[cfg(unix)]
#[test]
fn an_interrupted_clip_leaves_no_file() {
    let desk = Desk::new();
    desk.write("clip.y4m", "earlier");
    let mut command = desk.command();
    command.args("testclip --size 640x480 --rate 60 --length 3600 --out clip.y4m --force --quiet".split(' '));
    let child = command.stdout(Stdio::piped()).stderr(Stdio::piped()).spawn().unwrap();
    let files = || std::fs::read_dir(desk.path("")).unwrap().count();
    while files() < 2 {
        std::thread::sleep(Duration::from_millis(1));
    }
    let id = child.id().to_string();
    assert!(std::process::Command::new("kill").args(["-INT", &id]).status().unwrap().success());
    let (status, stderr) = ended(child);
    assert_eq!(status, Some(130), "{stderr}");
    assert_eq!((files(), desk.read("clip.y4m")), (1, b"earlier".to_vec()));
}
