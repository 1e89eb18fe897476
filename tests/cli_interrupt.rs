//! Interrupts and terminals: what only a Unix system lets a test do.
#![cfg(unix)]

mod cli_common;

use std::io::{Read, Write};
use std::process::{Child, Command, Stdio};
use std::time::{Duration, Instant};

use cli_common::{first_frames, note_codes, stand_in, Desk, Ran};

/// How long an interrupted run may take to end.
const PATIENCE: Duration = Duration::from_secs(20);

fn interrupt(child: &Child) {
    let status = Command::new("kill").args(["-INT", &child.id().to_string()]).status().unwrap();
    assert!(status.success());
}

/// Waits for the end; a run that hangs is killed and fails the test.
fn ended(mut child: Child) -> Ran {
    let started = Instant::now();
    while child.try_wait().unwrap().is_none() {
        if started.elapsed() > PATIENCE {
            child.kill().unwrap();
            panic!("the interrupted run did not end: {:?}", Ran::new(child.wait_with_output().unwrap()));
        }
        std::thread::sleep(Duration::from_millis(10));
    }
    Ran::new(child.wait_with_output().unwrap())
}

fn started(desk: &Desk, arguments: &[&str]) -> Child {
    let mut command = desk.command();
    command.args(arguments).stdin(Stdio::piped()).stdout(Stdio::piped()).stderr(Stdio::piped());
    command.spawn().unwrap()
}

/// Long enough for the command to have installed its handler and read what is there.
fn settle() {
    std::thread::sleep(Duration::from_millis(1500));
}

#[test]
fn an_interrupted_run_reports_what_it_read() {
    let desk = Desk::new();
    let mut child = started(&desk, &["audit", "-", "--out", "report"]);
    // Twenty frames, then a pipe that stalls without ending.
    child.stdin.as_mut().unwrap().write_all(&first_frames("brass-kettle.y4m", 20)).unwrap();
    settle();
    interrupt(&child);
    let ran = ended(child);
    assert_eq!((ran.status, ran.stderr.as_str()), (Some(130), ""), "{}", ran.stdout);
    let audit = desk.json("report/audit.json");
    assert_eq!(audit["capture"]["frames"], 20);
    assert_eq!(audit["capture"]["complete"], false);
    assert!(note_codes(&audit).contains(&"interrupted"), "{:?}", note_codes(&audit));
    assert!(!note_codes(&audit).contains(&"broken-off"), "{:?}", note_codes(&audit));
    assert!(String::from_utf8(desk.read("report/report.html")).unwrap().contains("interrupted"));
}

#[test]
fn an_interrupted_log_is_a_log() {
    let desk = Desk::new();
    let mut child = started(&desk, &["fingerprint", "-", "--out", "log"]);
    child.stdin.as_mut().unwrap().write_all(&first_frames("brass-kettle.y4m", 20)).unwrap();
    settle();
    interrupt(&child);
    let ran = ended(child);
    assert_eq!(ran.status, Some(130));
    assert!(ran.stderr.starts_with("evenbeat: interrupted: Stopped before the end"), "{}", ran.stderr);
    let audited = desk.run("audit log --out report");
    assert_eq!(audited.status, Some(130), "{}", audited.stderr);
    assert_eq!(desk.json("report/audit.json")["capture"]["frames"], 20);
}

#[test]
fn nothing_read_is_nothing_reported() {
    let desk = Desk::new();
    let child = started(&desk, &["audit", "-", "--out", "report"]);
    settle();
    interrupt(&child);
    let ran = ended(child);
    assert_eq!(ran.status, Some(130));
    assert_eq!(
        ran.stderr,
        "evenbeat: standard input: interrupted: no frame had been read, so there is no report\n\
         hint: run it again to the end\n"
    );
    assert!(!desk.path("report").exists());
}

#[test]
fn a_decoder_that_never_writes_is_ended() {
    // Silent, and talking endlessly without a picture.
    for commands in ["exec sleep 600", "exec yes '[error] no picture yet' >&2"] {
        let desk = Desk::new();
        desk.write("a", format!("echo $$ >\"$capture.pid\"\n{commands}"));
        let child = started(&desk, &["audit", "a", "--decoder", &stand_in(), "--out", "report"]);
        settle();
        interrupt(&child);
        let ran = ended(child);
        assert_eq!(ran.status, Some(130), "{commands}");
        assert_eq!(
            ran.stderr,
            "evenbeat: a: interrupted: no frame had been read, so there is no report\n\
             hint: run it again to the end\n",
            "{commands}"
        );
        let id = String::from_utf8(desk.read("a.pid")).unwrap();
        let alive = Command::new("kill").args(["-0", id.trim()]).stderr(Stdio::null()).status().unwrap();
        assert!(!alive.success(), "the decoder still runs: {commands}");
    }
}

#[test]
fn a_decoder_that_falls_silent_midway_is_ended() {
    let has_decoder = Command::new("ffmpeg").arg("-version").output().is_ok_and(|ran| ran.status.success());
    if !has_decoder {
        eprintln!("SKIPPED: ffmpeg is not installed, so no pictures can be wrapped for the stand-in decoder");
        return;
    }
    let desk = Desk::new();
    desk.write("b.y4m", first_frames("brass-kettle.y4m", 20));
    let wrapped = Command::new("ffmpeg")
        .args(["-loglevel", "error", "-i", "b.y4m", "-c:v", "rawvideo", "-f", "nut", "a.nut"])
        .current_dir(desk.path("."))
        .status();
    assert!(wrapped.unwrap().success());
    // The last bytes hold the index; without them the output is still open.
    desk.write("a", "head -c 70000 \"$capture.nut\"\nexec sleep 600");
    let child = started(&desk, &["audit", "a", "--decoder", &stand_in(), "--out", "report"]);
    settle();
    interrupt(&child);
    let ran = ended(child);
    assert_eq!((ran.status, ran.stderr.as_str()), (Some(130), ""), "{}", ran.stdout);
    let audit = desk.json("report/audit.json");
    assert!(audit["capture"]["frames"].as_u64().unwrap() >= 15, "{}", audit["capture"]);
    let codes = note_codes(&audit);
    assert!(codes.contains(&"interrupted") && !codes.contains(&"decoder-errors"), "{codes:?}");
}

#[test]
fn a_terminal_is_no_capture() {
    let has_script = Command::new("script").arg("--version").output().is_ok_and(|ran| ran.status.success());
    if !has_script {
        eprintln!("SKIPPED: `script` of util-linux is not installed, so standard input cannot be a terminal");
        return;
    }
    let desk = Desk::new();
    let program = env!("CARGO_BIN_EXE_evenbeat");
    // The command's own output goes to a file: only its input is the terminal.
    let mut child = Command::new("script")
        .args(["-qec", &format!("'{program}' audit - 2>said"), "/dev/null"])
        .current_dir(desk.path("."))
        .stdin(Stdio::piped())
        .stdout(Stdio::piped())
        .spawn()
        .unwrap();
    let mut rest = Vec::new();
    let status = child.wait().unwrap();
    child.stdout.take().unwrap().read_to_end(&mut rest).unwrap();
    assert_eq!(
        String::from_utf8(desk.read("said")).unwrap(),
        "evenbeat: standard input: cannot read capture: it is a terminal\n\
         hint: pipe a capture into it, or give a file or folder\n"
    );
    assert_eq!(status.code(), Some(2));
}

/// The capture is whole in the first reading; the one for pictures, or that of the clip, falls silent.
#[test]
fn an_interrupt_ends_the_second_readings_too() {
    let has_decoder = Command::new("ffmpeg").arg("-version").output().is_ok_and(|ran| ran.status.success());
    if !has_decoder {
        eprintln!("SKIPPED: ffmpeg is not installed, so no pictures can be wrapped for the stand-in decoder");
        return;
    }
    let desk = Desk::new();
    desk.write("b.y4m", first_frames("brass-kettle.y4m", 60));
    let wrapped = Command::new("ffmpeg")
        .args(["-loglevel", "error", "-i", "b.y4m", "-c:v", "rawvideo", "-f", "nut", "a.nut"])
        .current_dir(desk.path("."))
        .status();
    assert!(wrapped.unwrap().success());
    let once =
        "if [ -e \"$capture.read\" ]; then exec sleep 600; fi\n: >\"$capture.read\"\ncat \"$capture.nut\"";
    desk.write("a", once);
    let child = started(&desk, &["audit", "a", "--decoder", &stand_in(), "--out", "report"]);
    settle();
    settle();
    interrupt(&child);
    let ran = ended(child);
    assert_eq!(ran.status, Some(130), "{} {}", ran.stdout, ran.stderr);
    let audit = desk.json("report/audit.json");
    assert_eq!(audit["capture"]["frames"], 60);
    assert_eq!(audit["capture"]["complete"], false);
    assert!(note_codes(&audit).contains(&"interrupted"), "{:?}", note_codes(&audit));
}

#[test]
fn one_interrupt_ends_the_wait_for_a_pipe_without_a_writer() {
    let desk = Desk::new();
    let made = Command::new("mkfifo").arg("pipe").current_dir(desk.path(".")).status().unwrap();
    assert!(made.success());
    let child = started(&desk, &["audit", "pipe", "--out", "report"]);
    settle();
    interrupt(&child);
    let ran = ended(child);
    assert_eq!(ran.status, Some(130), "{} {}", ran.stdout, ran.stderr);
    assert!(!desk.path("report").exists());
}

#[test]
fn what_is_waited_for_is_said_after_a_while() {
    let desk = Desk::new();
    desk.write("a", "exec sleep 600");
    let child = started(&desk, &["audit", "a", "--decoder", &stand_in(), "--out", "report"]);
    std::thread::sleep(Duration::from_secs(7));
    interrupt(&child);
    let ran = ended(child);
    assert!(
        ran.stderr.starts_with("evenbeat: a: no frame has come yet; waiting, Ctrl-C ends it\n"),
        "{}",
        ran.stderr
    );
}
