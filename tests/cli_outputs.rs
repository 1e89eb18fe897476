//! What the command writes: never over what it reads, whole or not at all, and an exit status that says which.

mod cli_common;

use std::fs;

use cli_common::{first_frames, sample, stand_in, Desk, Ran};

/// A desk with every kind of input.
fn desk() -> Desk {
    let desk = Desk::new();
    desk.write("a.y4m", first_frames("brass-kettle.y4m", 20));
    desk.write("clip.y4m", first_frames("brass-kettle.y4m", 20));
    desk.write("times.txt", (0..20).map(|n| format!("{n}.0\n")).collect::<String>());
    fs::create_dir(desk.path("frames")).unwrap();
    for number in 0..5 {
        let name = format!("frame-{number:04}.png");
        fs::copy(sample(&format!("cork-float/{name}")), desk.path("frames").join(name)).unwrap();
    }
    assert_eq!(desk.run("audit a.y4m --out earlier --quiet").status, Some(1));
    assert_eq!(desk.run("audit clip.y4m --out other --quiet").status, Some(1));
    desk
}

/// All files of a desk with their content.
fn everything(desk: &Desk) -> Vec<(String, Vec<u8>)> {
    let mut found = Vec::new();
    let mut folders = vec![desk.path("")];
    while let Some(folder) = folders.pop() {
        for entry in fs::read_dir(folder).unwrap() {
            let path = entry.unwrap().path();
            if path.is_dir() {
                folders.push(path);
            } else {
                found.push((path.display().to_string(), fs::read(&path).unwrap()));
            }
        }
    }
    found.sort();
    found
}

#[test]
fn no_output_takes_the_place_of_an_input() {
    let desk = desk();
    #[cfg(unix)]
    {
        std::os::unix::fs::symlink("a.y4m", desk.path("link.y4m")).unwrap();
        fs::hard_link(desk.path("a.y4m"), desk.path("second-name.y4m")).unwrap();
        std::os::unix::fs::symlink("earlier", desk.path("earlier-link")).unwrap();
    }
    fs::copy(desk.path("times.txt"), desk.path("earlier/times.txt")).unwrap();
    let before = everything(&desk);
    let mut lines = vec![
        ("fingerprint a.y4m --out a.y4m", "a.y4m: fingerprint log: is the capture"),
        ("fingerprint a.y4m --out ./earlier/../a.y4m", "./earlier/../a.y4m: fingerprint log: is the capture"),
        (
            "fingerprint a.y4m --timestamps times.txt --out times.txt",
            "times.txt: fingerprint log: is the file of times",
        ),
        (
            "fingerprint frames --out frames/frame-0002.png",
            "frames/frame-0002.png: fingerprint log: is among the images of the capture",
        ),
        (
            "fingerprint frames/*.png --out frames/frame-0002.png",
            "frames/frame-0002.png: fingerprint log: is among the images of the capture",
        ),
        ("audit a.y4m --require freezes=0 --junit a.y4m", "a.y4m: JUnit file: is the capture"),
        (
            "audit a.y4m --reference clip.y4m --require freezes=0 --junit clip.y4m",
            "clip.y4m: JUnit file: is the clip that was played",
        ),
        (
            "audit a.y4m --timestamps times.txt --require freezes=0 --junit times.txt",
            "times.txt: JUnit file: is the file of times",
        ),
        (
            "audit a.y4m --require freezes=0 --out earlier --junit earlier/audit.json",
            "earlier/audit.json: JUnit file: the report itself goes there",
        ),
        (
            "audit a.y4m --require freezes=0 --out new --junit new",
            "new: JUnit file: the report itself goes there",
        ),
        ("audit a.y4m --out a.y4m", "a.y4m: output folder: is the capture"),
        ("audit frames --rate 25 --out frames", "frames: output folder: is the capture"),
        (
            "audit a.y4m --timestamps times.txt --out times.txt",
            "times.txt: output folder: is the file of times",
        ),
        (
            "audit a.y4m --reference clip.y4m --out clip.y4m",
            "clip.y4m: output folder: is the clip that was played",
        ),
        (
            "audit a.y4m --timestamps earlier/times.txt --out earlier",
            "earlier: output folder: holds the file of times",
        ),
        ("report earlier --out earlier", "earlier: output folder: is the audit"),
        ("report earlier/report.html --out earlier", "earlier: output folder: holds the audit"),
        ("report earlier --capture frames --out frames", "frames: output folder: is the capture"),
        ("compare earlier other --out other", "other: output folder: is an audit"),
        ("compare earlier/report.html other --out earlier", "earlier: output folder: holds an audit"),
    ];
    if cfg!(unix) {
        lines.extend([
            ("fingerprint link.y4m --out a.y4m", "a.y4m: fingerprint log: is the capture"),
            ("fingerprint a.y4m --out link.y4m", "link.y4m: fingerprint log: is the capture"),
            ("fingerprint second-name.y4m --out a.y4m", "a.y4m: fingerprint log: is the capture"),
            ("report earlier --out earlier-link", "earlier-link: output folder: is the audit"),
        ]);
    }
    for (line, error) in lines {
        let ran = desk.run(&format!("{line} --force"));
        assert_eq!(ran.status, Some(2), "{line}: {}", ran.stderr);
        assert!(ran.stderr.starts_with(&format!("evenbeat: {error}")), "{line}: {}", ran.stderr);
        assert!(ran.stderr.contains("\nhint: "), "{line}");
        assert!(everything(&desk) == before, "{line}");
    }
}

#[cfg(unix)]
#[test]
fn a_stream_that_is_a_file_counts_as_that_file() {
    let desk = desk();
    let mut command = desk.command();
    command.args(["fingerprint", "-", "--out", "a.y4m", "--force"]);
    command.stdin(fs::File::open(desk.path("a.y4m")).unwrap());
    let ran = Ran::new(command.output().unwrap());
    ran.assert_error("a.y4m: fingerprint log: is the capture, which would be lost", "write to another place");
    let mut command = desk.command();
    command.args(["fingerprint", "a.y4m", "--out", "-"]);
    command.stdout(fs::OpenOptions::new().append(true).open(desk.path("a.y4m")).unwrap());
    let ran = Ran::new(command.output().unwrap());
    assert_eq!((ran.status, desk.read("a.y4m")), (Some(2), first_frames("brass-kettle.y4m", 20)));
}

#[test]
fn a_folder_that_is_no_earlier_report_is_never_written_into() {
    let desk = desk();
    fs::create_dir(desk.path("mine")).unwrap();
    desk.write("mine/audit.json", "mine");
    let before = everything(&desk);
    for line in ["audit a.y4m", "report earlier", "compare earlier other", "demo", "audit frames --rate 25"] {
        for folder in ["mine", "."] {
            let ran = desk.run(&format!("{line} --out {folder} --force"));
            let cause = format!("evenbeat: {folder}: output folder: ");
            assert!(
                ran.status == Some(2) && ran.stderr.starts_with(&cause),
                "{line} {folder}: {}",
                ran.stderr
            );
            assert!(everything(&desk) == before, "{line} {folder}");
        }
    }
}

#[test]
fn the_earlier_report_stays_where_a_run_fails() {
    let desk = desk();
    desk.write("none.y4m", "YUV4MPEG2 W0 H0\n");
    let before = everything(&desk);
    for line in [
        "audit none.y4m --out earlier",
        "report none.y4m --out earlier",
        "compare other none.y4m --out earlier",
    ] {
        let ran = desk.run(&format!("{line} --force"));
        assert_eq!(ran.status, Some(2), "{line}");
        assert!(everything(&desk) == before, "{line}: {}", ran.stderr);
    }
}

#[cfg(target_os = "linux")]
#[test]
fn files_are_whole_or_as_they_were() {
    let desk = desk();
    for name in ["log", "result.xml", "painted.y4m"] {
        desk.write(name, "earlier");
    }
    let before = everything(&desk);
    // A file may not become larger than 2048 bytes: as a disk that fills up.
    for line in [
        "fingerprint a.y4m --out log --force",
        "testclip --size 640x480 --rate 25 --length 0.4 --out painted.y4m --force",
        "audit a.y4m --out earlier --force",
        "compare earlier other --out compared",
        "demo --out demo",
    ] {
        let mut shell = std::process::Command::new("sh");
        let line = format!("trap '' XFSZ; ulimit -f 4; exec {} {line}", env!("CARGO_BIN_EXE_evenbeat"));
        let ran = Ran::new(shell.current_dir(desk.path("")).args(["-c", &line]).output().unwrap());
        assert_eq!(ran.status, Some(2), "{line}: {}", ran.stderr);
        assert!(
            ran.stderr.contains("the file system takes no file as large\nhint: "),
            "{line}: {}",
            ran.stderr
        );
        assert!(everything(&desk) == before, "{line}");
    }
    // A log of a capture that cannot be read leaves the earlier one too.
    desk.write("none.y4m", "YUV4MPEG2 W0 H0\n");
    assert_eq!(desk.run("fingerprint none.y4m --out log --force").status, Some(2));
    assert_eq!(desk.read("log"), b"earlier");
}

#[test]
fn what_is_not_whole_is_said_by_status_and_even_in_silence() {
    let desk = desk();
    let whole = first_frames("brass-kettle.y4m", 20);
    desk.write("cut.y4m", &whole[..whole.len() - 100]);
    let cut = |ran: Ran, what: &str| {
        assert_eq!((ran.status, ran.stdout.as_str()), (Some(2), ""), "{what}: {}", ran.stderr);
        assert!(ran.stderr.starts_with("evenbeat: cut"), "{what}: {}", ran.stderr);
        assert!(
            ran.stderr.contains(": not whole: ") && ran.stderr.contains("\nhint: "),
            "{what}: {}",
            ran.stderr
        );
        assert_eq!(ran.stderr.lines().count(), 2, "{what}: {}", ran.stderr);
    };
    cut(desk.run("audit cut.y4m --quiet"), "audit");
    cut(desk.run("report cut-audit --quiet"), "report");
    cut(desk.run("report cut-audit/report.html --quiet --out page"), "report of a page");
    cut(desk.run("compare cut-audit earlier --quiet --out compared"), "compare");
    assert_eq!(desk.run("report cut-audit --out loud").status, Some(2));
    // Findings are no fault of a report that is built again.
    assert_eq!(desk.run("report earlier --out again --quiet").status, Some(0));
}

#[test]
fn the_stand_in_for_a_decoder_may_not_be_written_over() {
    let desk = desk();
    fs::copy(stand_in(), desk.path("decoder")).unwrap();
    let before = everything(&desk);
    let ran = desk.run("audit a.y4m --decoder decoder --require freezes=0 --junit decoder --force");
    assert!(ran.stderr.starts_with("evenbeat: decoder: JUnit file: is the decoder"), "{}", ran.stderr);
    assert!(everything(&desk) == before);
}
