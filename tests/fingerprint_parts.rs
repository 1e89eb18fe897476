//! A long recording in parts: joined, they are the log of one pass, byte for byte.

mod cli_common;

use std::fs;
use std::process::Command;

use cli_common::{sample, sample_bytes, Desk};

fn has_decoder() -> bool {
    let has = Command::new("ffmpeg").arg("-version").output().is_ok_and(|ran| ran.status.success());
    if !has {
        eprintln!("SKIPPED: ffmpeg is not installed, so no container can be read in parts");
    }
    has
}

/// Fingerprints in one pass and in parts; the joined log must be the same.
fn check(desk: &Desk, capture: &str, of: usize) {
    let made = desk.run(&format!("fingerprint {capture} --out whole.log --force --quiet"));
    assert_eq!(made.status, Some(0), "{capture}: {}", made.stderr);
    let mut logs = Vec::new();
    for part in (1..=of).rev() {
        let log = format!("{part}.part");
        let made = desk.run(&format!("fingerprint {capture} --part {part}/{of} --out {log} --force --quiet"));
        assert_eq!(made.status, Some(0), "{capture} {part}/{of}: {}", made.stderr);
        logs.push(log);
    }
    let joined = desk.run(&format!("join {} --out joined.log --force", logs.join(" ")));
    assert_eq!((joined.status, joined.stderr.as_str()), (Some(0), ""), "{capture} in {of}");
    assert!(desk.read("joined.log") == desk.read("whole.log"), "{capture} in {of} parts");
}

#[test]
fn files_without_times_are_cut_by_frames() {
    let desk = Desk::new();
    desk.write("times.txt", sample_bytes("glass-buoy-times.txt"));
    for of in [1, 2, 3, 7, 30] {
        check(&desk, &sample("brass-kettle.y4m"), of);
    }
    check(&desk, &sample("tin-whistle.y4m"), 4);
    check(&desk, &format!("{} --timestamps times.txt", sample("glass-buoy.y4m")), 3);
    check(&desk, &format!("{} --region 0,0,32,36", sample("brass-kettle.y4m")), 2);
}

#[test]
fn containers_are_cut_by_times() {
    if !has_decoder() {
        return;
    }
    let desk = Desk::new();
    for of in [1, 2, 5] {
        check(&desk, &sample("paper-boat.mkv"), of);
    }
    // Key pictures every second, pictures that refer to later ones between, and uneven times.
    let made = Command::new("ffmpeg")
        .args(["-v", "error", "-f", "lavfi", "-i", "testsrc2=size=160x96:rate=30:duration=20"])
        .args(["-vf", "setpts=PTS+if(mod(N\\,7)\\,0\\,0.004/TB)", "-fps_mode", "passthrough"])
        .args(["-c:v", "libx264", "-g", "30", "-bf", "3", "-y", "a.mkv"])
        .current_dir(desk.path(""))
        .status();
    assert!(made.unwrap().success());
    for of in [2, 3, 8] {
        check(&desk, "a.mkv", of);
    }
}

#[test]
fn what_does_not_belong_together_is_not_joined() {
    let desk = Desk::new();
    let (one, other) = (sample("brass-kettle.y4m"), sample("lantern-box.y4m"));
    for (capture, part, log) in [
        (&one, "1/2", "a1"),
        (&one, "2/2", "a2"),
        (&other, "1/2", "b1"),
        (&other, "2/2", "b2"),
        (&one, "1/3", "c1"),
    ] {
        let made = desk.run(&format!("fingerprint {capture} --part {part} --out {log} --quiet"));
        assert_eq!(made.status, Some(0), "{}", made.stderr);
    }
    desk.run(&format!("fingerprint {one} --out whole --quiet"));
    let mut cut = desk.read("a2");
    cut.truncate(cut.len() - 100);
    desk.write("cut", cut);
    let mut changed = desk.read("a2");
    let middle = changed.len() / 2;
    changed[middle] ^= 1;
    desk.write("changed", changed);
    for (logs, expected) in [
        ("a1", "a1: cannot be joined: there are 2 parts, and 1 were given"),
        ("a1 a1", "a1: cannot be joined: it is part 1 of 2, and part 2 is wanted next"),
        ("a2 a2", "a2: cannot be joined: it is part 2 of 2, and part 1 is wanted next"),
        ("a1 b2", "b2: cannot be joined: it is of another capture, or cut otherwise, than a1"),
        ("c1 a2", "a2: cannot be joined: it is of another capture, or cut otherwise, than c1"),
        ("whole", "whole: no fingerprint log of a part: its first line is not that of a part"),
        ("nowhere", "nowhere: no fingerprint log of a part: no such file or folder"),
        ("a1 cut", "cut: "),
        ("a1 changed", "changed: "),
    ] {
        let ran = desk.run(&format!("join {logs} --out joined"));
        assert_eq!(ran.status, Some(2), "{logs} {}", ran.stderr);
        assert!(ran.stderr.starts_with(&format!("evenbeat: {expected}")), "{logs}: {}", ran.stderr);
        assert!(!desk.path("joined").exists());
    }
    // A part is no capture.
    let audited = desk.run("audit a1 --out report --quiet");
    assert_eq!(audited.status, Some(2), "{}", audited.stderr);
    let too_many = desk.run(&format!("fingerprint {one} --part 2/1000 --out x --quiet"));
    assert_eq!(too_many.status, Some(2));
    assert!(too_many.stderr.contains("the part holds no frame"), "{}", too_many.stderr);
    fs::remove_file(desk.path("a1")).unwrap();
}
