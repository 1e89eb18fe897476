//! What the command says to bad input: exact text and exit status.

mod capture_common;
mod cli_common;

use std::fs;

use capture_common::{decoder_is_here, ffmpeg};
use cli_common::{first_frames, note_codes, note_text, sample, sample_bytes, Desk, Ran, SAMPLE_FRAME_LEN};

const HINT_OPEN: &str = "give a file, a folder of numbered images, or - for standard input";
const HINT_AGAIN: &str = "record or copy the capture again";

#[test]
fn what_cannot_be_opened_is_named() {
    let desk = Desk::new();
    desk.write("empty.y4m", b"");
    desk.write("letter.txt", "no image");
    fs::create_dir(desk.path("folder")).unwrap();
    desk.write("folder/letter.txt", "no image");
    let no_images = "give a folder of numbered images, or a pattern such as frames/frame_*.png";
    for (capture, error, hint) in [
        ("none.y4m", "none.y4m: cannot open capture: no such file or folder", HINT_OPEN),
        (
            "empty.y4m",
            "empty.y4m: empty capture: it has 0 bytes",
            "check that the recording was written and copied",
        ),
        ("folder", "folder: no images: no PNG or TIFF file is there", no_images),
    ] {
        desk.run(&format!("audit {capture}")).assert_error(error, hint);
        desk.run(&format!("fingerprint {capture} --out log")).assert_error(error, hint);
    }
    assert_eq!(fs::read_dir(desk.path(".")).unwrap().count(), 3, "nothing is left behind");
}

#[test]
fn bad_headers_are_named() {
    let desk = Desk::new();
    let check = "check how the capture was written";
    for (header, error, hint) in [
        (
            "YUV4MPEG2 W64 H3",
            "bad YUV4MPEG2 header: the stream ends after 16 bytes, inside its header",
            HINT_AGAIN,
        ),
        (
            "YUV4MPEG2 W99999999999999999999 H36\n",
            "bad YUV4MPEG2 header: width 99999999999999999999 is not in 1 to 16384 pixels",
            check,
        ),
        ("YUV4MPEG2 W16385 H36\n", "bad YUV4MPEG2 header: width 16385 is not in 1 to 16384 pixels", check),
        ("YUV4MPEG2 W64 H0\n", "bad YUV4MPEG2 header: height 0 is not in 1 to 16384 pixels", check),
        (
            "YUV4MPEG2 W64 H36 C555\n",
            "unsupported pixel format: C555",
            "supported are mono, 420, 422, 440, 444, 444alpha, 411, 410 and mono9 to 444p16",
        ),
    ] {
        desk.write("a.y4m", header);
        desk.run("audit a.y4m").assert_error(&format!("a.y4m: {error}"), hint);
        desk.run_fed("audit -", header.as_bytes()).assert_error(&format!("standard input: {error}"), hint);
    }
}

/// Runs an audit that must come out incomplete: report written, status 2, nothing on standard error.
fn incomplete(desk: &Desk, arguments: &str) -> (Ran, serde_json::Value) {
    let ran = desk.run(&format!("audit {arguments} --out report --force"));
    assert_eq!((ran.status, ran.stderr.as_str()), (Some(2), ""), "{}", ran.stdout);
    assert!(ran.stdout.contains("INCOMPLETE"), "{}", ran.stdout);
    let audit = desk.json("report/audit.json");
    assert_eq!(audit["capture"]["complete"], false);
    for name in ["frames.csv", "timeline.svg", "report.html", "summary.md"] {
        assert!(!desk.read(format!("report/{name}")).is_empty(), "{name}");
    }
    (ran, audit)
}

/// Samples of 10 bit lie in two bytes: what stands above them is no sample.
#[test]
fn samples_above_the_depth_are_named() {
    let desk = Desk::new();
    let frame = |sample: u16| [b"FRAME\n".to_vec(), sample.to_le_bytes().repeat(16 * 16)].concat();
    let header = b"YUV4MPEG2 W16 H16 F25:1 Cmono10\n".to_vec();
    desk.write("a.y4m", [header.clone(), frame(1023), frame(64)].concat());
    assert_eq!(desk.run("fingerprint a.y4m --out a.log").status, Some(0));
    desk.write("b.y4m", [header, frame(1024), frame(64)].concat());
    desk.run("audit b.y4m").assert_error(
        "b.y4m: sample out of range in frame 0: 1024, allowed are 0 to 1023 at 10 bit",
        "record again with samples in the low bits, or correct the depth that the header states",
    );
}

#[test]
fn a_frame_cut_in_the_middle_makes_the_report_incomplete() {
    let desk = Desk::new();
    let whole = first_frames("brass-kettle.y4m", 20);
    desk.write("cut.y4m", &whole[..whole.len() - 1000]);
    let (_, audit) = incomplete(&desk, "cut.y4m");
    assert_eq!(audit["capture"]["frames"], 19);
    assert_eq!(
        note_text(&audit, "truncated"),
        format!(
            "The capture ends in the middle of frame 19, after {} of {SAMPLE_FRAME_LEN} bytes; that frame is \
             left out. Record or copy the capture again.",
            SAMPLE_FRAME_LEN - 1000
        )
    );
    let log = desk.run("fingerprint cut.y4m --out cut.log");
    assert_eq!((log.status, log.stdout.as_str()), (Some(2), ""));
    assert!(log.stderr.starts_with("evenbeat: truncated: The capture ends in the middle"), "{}", log.stderr);
}

#[test]
fn a_stream_that_goes_wrong_midway_is_audited_up_to_there() {
    let desk = Desk::new();
    desk.write("wrong.y4m", [first_frames("brass-kettle.y4m", 20), b"FRAMED\n".to_vec()].concat());
    let (_, audit) = incomplete(&desk, "wrong.y4m");
    assert_eq!(audit["capture"]["frames"], 20);
    assert_eq!(
        note_text(&audit, "broken-off"),
        "Reading broke off after 20 frames: wrong.y4m: cannot read frame 20: no frame header where one is due."
    );
}

#[test]
fn an_image_of_another_size_or_depth_is_named() {
    let desk = Desk::new();
    for name in ["size", "depth"] {
        fs::create_dir(desk.path(name)).unwrap();
        for number in 0..4 {
            let file = format!("frame-{number:04}.png");
            fs::copy(sample(&format!("cork-float/{file}")), desk.path(name).join(file)).unwrap();
        }
    }
    image::GrayImage::new(63, 36).save(desk.path("size/frame-0004.png")).unwrap();
    image::ImageBuffer::<image::Luma<u16>, Vec<u16>>::new(64, 36)
        .save(desk.path("depth/frame-0004.png"))
        .unwrap();
    for (folder, cause) in [
        ("size", "image of another size: 63x36, but the first image is 64x36"),
        ("depth", "image of another depth or kind: gray 16 bit, but the first image is gray 8 bit"),
    ] {
        let (_, audit) = incomplete(&desk, &format!("{folder} --rate 25"));
        assert_eq!(audit["capture"]["frames"], 4, "{folder}");
        let expected = format!("Reading broke off after 4 frames: frame-0004.png: {cause}.");
        assert_eq!(note_text(&audit, "broken-off"), expected);
    }
}

#[test]
fn times_that_do_not_fit_are_named() {
    let desk = Desk::new();
    desk.write("a.y4m", first_frames("brass-kettle.y4m", 20));
    let times = |time: fn(u32) -> u32| (0..20).map(|k| format!("0.{:03}\n", time(k))).collect::<String>();
    desk.write("backwards.txt", times(|k| if k == 12 { 430 } else { k * 40 }));
    desk.write("repeating.txt", times(|k| (k - u32::from(k == 12)) * 40));
    for name in ["backwards", "repeating"] {
        let ran = desk.run(&format!("audit a.y4m --timestamps {name}.txt --out {name}"));
        assert_eq!((ran.status, ran.stderr.as_str()), (Some(1), ""), "{name}");
        let audit = desk.json(format!("{name}/audit.json"));
        assert_eq!(audit["timing"]["not_increasing_frames"], serde_json::json!([12]), "{name}");
        let kinds: Vec<_> = audit["findings"].as_array().unwrap().iter().map(|one| &one["kind"]).collect();
        assert!(kinds.iter().any(|kind| *kind == "uneven-timestamps"), "{name}: {kinds:?}");
    }
    desk.write("few.txt", "0\n0.04\n");
    let (_, audit) = incomplete(&desk, "a.y4m --timestamps few.txt");
    assert_eq!(
        note_text(&audit, "broken-off"),
        "Reading broke off after 2 frames: few.txt: too few timestamps: the file has 2 and the capture has more \
         frames."
    );
    desk.write("words.txt", "0\nsoon\n");
    desk.run("audit a.y4m --timestamps words.txt --out words").assert_error(
        "words.txt: bad timestamp in line 2: \"soon\" is no time",
        "write one time per line: seconds such as 12.345, or 2026-01-31T12:00:00.5+01:00",
    );
    desk.run("audit a.y4m --timestamps none.txt --out none").assert_error(
        "none.txt: cannot open timestamps: no such file or folder",
        "check the path given to --timestamps",
    );
}

#[test]
fn what_cannot_be_written_is_named() {
    let desk = Desk::new();
    desk.write("a.y4m", first_frames("brass-kettle.y4m", 5));
    desk.write("file", "in the way");
    fs::create_dir(desk.path("a-audit")).unwrap();
    desk.write("a-audit/mine.txt", "kept");
    let exists = "choose another folder with --out, or replace the report in it with --force";
    desk.run("audit a.y4m").assert_error("a-audit: output folder: exists already", exists);
    assert_eq!(fs::read_dir(desk.path("a-audit")).unwrap().count(), 1, "nothing is added");
    desk.run("audit a.y4m --out file").assert_error("file: output folder: exists already", exists);
    desk.run("audit a.y4m --out file --force")
        .assert_error("file: output folder: exists and is not a folder", "choose another folder with --out");
    desk.run("fingerprint a.y4m --out file").assert_error(
        "file: fingerprint log: exists already",
        "choose another file, or replace it with --force",
    );
    desk.run("audit a.y4m --out new --require freezes=0 --junit file")
        .assert_error("file: JUnit file: exists already", "choose another file, or replace it with --force");
    assert!(!desk.path("new").exists(), "asked before the work");
    assert_eq!(desk.read("file"), b"in the way");
    let no_folder = "make the folder, or choose another file";
    desk.run("fingerprint a.y4m --out file/log")
        .assert_error("file/log: cannot write fingerprint log: its folder is not there", no_folder);
    desk.run("audit a.y4m --out new --require freezes=0 --junit none/result.xml")
        .assert_error("none/result.xml: cannot write JUnit file: its folder is not there", no_folder);
    // A file where a folder is due cannot be written below, whoever runs this.
    #[cfg(unix)]
    {
        let hint = "choose another place";
        let below = "cannot create output folder: a part of the path is not a folder";
        desk.run("audit a.y4m --out file/report").assert_error(&format!("file/report: {below}"), hint);
    }
    desk.run("audit a.y4m --force").assert_error(
        "a-audit: output folder: is not an earlier report, and only one is replaced",
        "choose another folder with --out",
    );
    assert_eq!(fs::read_dir(desk.path("a-audit")).unwrap().count(), 1, "nothing is added");
    assert_eq!(desk.read("a-audit/mine.txt"), b"kept");
}

#[cfg(target_os = "linux")]
#[test]
fn a_full_disk_is_named() {
    let desk = Desk::new();
    desk.write("a.y4m", first_frames("brass-kettle.y4m", 5));
    desk.run("fingerprint a.y4m --out /dev/full").assert_error(
        "/dev/full: cannot write the fingerprint log: no space left",
        "free some space or choose another place",
    );
    // What is written into a full disk under a final name never looks whole.
    fs::create_dir(desk.path("report")).unwrap();
    desk.run("audit a.y4m --out report --force --require freezes=0 --junit /dev/full").assert_error(
        "/dev/full: cannot write JUnit file: no space left",
        "free some space or choose a place on another disk",
    );
}

#[test]
fn captures_too_short_or_without_motion_have_nothing_to_judge() {
    let desk = Desk::new();
    for (frames, verdict) in [
        (0, "Nothing to judge: the recording holds no frame."),
        (1, "Nothing to judge: 1 frame in the recording, at least 3 are needed."),
        (2, "Nothing to judge: 2 frames in the recording, at least 3 are needed."),
    ] {
        desk.write("short.y4m", first_frames("brass-kettle.y4m", frames));
        let ran = desk.run("audit short.y4m --force");
        assert_eq!((ran.status, ran.stderr.as_str()), (Some(0), ""), "{frames}");
        let audit = desk.json("short-audit/audit.json");
        assert_eq!(audit["verdict"]["text"], verdict);
        assert_eq!(audit["capture"]["frames"], frames);
        assert!(note_codes(&audit).contains(&"nothing-to-judge"), "{frames}");
        assert_eq!(desk.read("short-audit/frames.csv").iter().filter(|&&b| b == b'\n').count(), frames + 1);
    }
    let one = first_frames("brass-kettle.y4m", 1);
    let header = one.iter().position(|&byte| byte == b'\n').unwrap() + 1;
    desk.write("still.y4m", [&one[..header], &one[header..].repeat(60)].concat());
    let ran = desk.run("audit still.y4m");
    assert_eq!((ran.status, ran.stderr.as_str()), (Some(0), ""));
    let audit = desk.json("still-audit/audit.json");
    assert_eq!(audit["verdict"]["text"], "Nothing to judge: the picture never changes in 60 frames (1 s).");
    assert_eq!(audit["motion"]["repeat_frames"], 0);
    assert_eq!(audit["motion"]["still_frames"], 59);
}

#[test]
fn a_missing_decoder_is_named() {
    let desk = Desk::new();
    desk.write("a.bin", "neither YUV4MPEG2 nor an image");
    let hint = "install ffmpeg, or give its path with --decoder; YUV4MPEG2 and numbered images need none";
    desk.run("audit a.bin --decoder nowhere")
        .assert_error("a.bin: cannot start decoder: nowhere: no such program", hint);
    let empty = desk.command().args(["audit", "a.bin"]).env("PATH", "").output().unwrap();
    Ran::new(empty).assert_error("a.bin: cannot start decoder: ffmpeg: no such program", hint);
}

#[test]
fn captures_that_the_decoder_refuses_are_named() {
    if !decoder_is_here() {
        return;
    }
    let desk = Desk::new();
    desk.write("letter.txt", "this is a letter and no video\n");
    desk.run("audit letter.txt").assert_error(
        "letter.txt: the decoder cannot read the capture: invalid data found when processing input",
        "check that the file is a whole video recording",
    );
    let no_stream = "video streams count from 0; choose one with --stream";
    ffmpeg(&format!("-f lavfi -i sine=d=0.2 {}", desk.path("sound.wav").display()));
    desk.run("audit sound.wav")
        .assert_error("sound.wav: no video stream: the capture has no video stream 0", no_stream);
    let boat = sample("paper-boat.mkv");
    desk.run_with(["audit", &boat, "--stream", "3", "--out", "report"])
        .assert_error(&format!("{boat}: no video stream: the capture has no video stream 3"), no_stream);
    let mut joined = Vec::new();
    for size in ["64x48", "96x64"] {
        let part = desk.path(format!("{size}.ts"));
        ffmpeg(&format!("-f lavfi -i testsrc=s={size}:d=0.4 -c:v mpeg2video {}", part.display()));
        joined.extend(fs::read(part).unwrap());
    }
    desk.write("sizes.ts", joined);
    let (_, audit) = incomplete(&desk, "sizes.ts");
    let text = note_text(&audit, "broken-off");
    assert!(text.contains("sizes.ts: picture size or format changes midway: frame "), "{text}");
}

#[test]
fn a_file_cut_short_is_told_although_the_decoder_exits_with_0() {
    if !decoder_is_here() {
        return;
    }
    let desk = Desk::new();
    let bytes = sample_bytes("paper-boat.mkv");
    desk.write("boat.mkv", &bytes[..bytes.len() * 6 / 10]);
    let (_, audit) = incomplete(&desk, "boat.mkv");
    let frames = audit["capture"]["frames"].as_u64().unwrap();
    assert!((20..119).contains(&frames), "{frames}");
    let codes = note_codes(&audit);
    assert!(codes.iter().any(|code| ["truncated", "decoder-errors"].contains(code)), "{codes:?}");
}

/// Decoders that misbehave, played by a script whose commands are the capture.
#[cfg(unix)]
#[test]
fn decoders_that_misbehave_are_told() {
    if !decoder_is_here() {
        return;
    }
    let desk = Desk::new();
    ffmpeg(&format!(
        "-i {} -frames:v 30 -c:v rawvideo -f nut -write_index 0 {}",
        sample("brass-kettle.y4m"),
        desk.path("a.nut").display()
    ));
    let audit = |commands: &str| {
        desk.write("a", commands);
        let (_, audit) = incomplete(&desk, &format!("a --decoder {}", cli_common::stand_in()));
        assert_eq!(audit["capture"]["frames"], 30);
        note_text(&audit, "decoder-errors").to_owned()
    };
    assert_eq!(
        audit(r#"cat "$capture.nut"; echo "[error] disk fell off" >&2; exit 69"#),
        "The decoder failed after 30 frames (exit status 69). The frames before that were audited. It said: \
         disk fell off. Check the capture, or record it again."
    );
    let chatter = "yes '[error] something is wrong' | head -n 300000 >&2";
    let text = audit(&format!(r#"{chatter}; cat "$capture.nut"; {chatter}"#));
    assert!(text.starts_with("The decoder reported 600\u{202f}000 errors.") && text.len() < 500, "{text}");
    desk.write("a", "exit 3");
    desk.run(&format!("audit a --decoder {} --out new", cli_common::stand_in())).assert_error(
        "a: the decoder cannot read the capture: no picture came out (exit status 3)",
        "check that the file is a whole video recording",
    );
}

#[test]
fn arguments_that_cannot_be_are_refused_with_status_2() {
    let desk = Desk::new();
    desk.write("a.y4m", first_frames("brass-kettle.y4m", 5));
    desk.write("report.html", "");
    for (arguments, error) in [
        ("", ""),
        ("audit", "evenbeat: <CAPTURE>: missing in `evenbeat audit`\nhint: `evenbeat audit --help` lists"),
        ("frobnicate", "evenbeat: frobnicate: no such command\nhint: `evenbeat --help` lists the commands\n"),
        ("audti", "evenbeat: audti: no such command\nhint: `evenbeat audit` may be meant; `evenbeat --help` lists the commands\n"),
        ("a.y4m", "evenbeat: a.y4m: no such command\nhint: `evenbeat audit a.y4m` audits that recording\n"),
        ("audit report.html", "evenbeat: report.html: no recording: it is a report\nhint: give the recording; "),
        ("gone.mkv", "evenbeat: gone.mkv: no such command\nhint: `evenbeat audit gone.mkv` audits that recording\n"),
        ("compare a --out b", "evenbeat: <AUDIT>: too few: 2 needed, 1 given\nhint: `evenbeat compare --help` lists"),
        ("audit a.y4m --clip-rtae 5", "evenbeat: --clip-rtae: no such option in `evenbeat audit`\nhint: `--clip-rate` may be meant; `evenbeat"),
        ("audit a.y4m b.y4m", "evenbeat: b.y4m: one recording at a time: another one was given before it\nhint: run `evenbeat audit` for each"),
        (
            "audit a.y4m --rate fast",
            "evenbeat: --rate fast: a rate is a number of frames per second such as \
             59.94, 25 or 60000/1001, each part from 1 to 4294967295\n",
        ),
        (
            "audit a.y4m --region 1,2,3",
            "evenbeat: --region 1,2,3: a rectangle is X,Y,W,H in pixels, whole \
             numbers, width and height at least 1\n",
        ),
        (
            "audit a.y4m --require freezes=none",
            "evenbeat: --require freezes=none: freezes takes a number from 0 to \
             1000000000, not none\n",
        ),
        (
            "audit a.y4m --require speed=1",
            "evenbeat: --require speed=1: unknown key speed; known are \
             motion-rate, delivered-rate, coverage, judged-share, repeat-share, cadence-breaks, freezes, \
             longest-freeze-ms, drops, gap-frames, judder-rms-ms, judder-peak-to-peak-ms, \
             excess-judder-rms-ms, out-of-order-frames, blended-frames, level-difference, gamma-difference, \
             clipped-share, wrong-colour-equations, chroma-shift-px, stretch-share, cropped-px, \
             picture-shift-px, mirrored\n",
        ),
        ("audit a.y4m --junit a.xml", "evenbeat: --require <KEY=VALUE>: missing in `evenbeat audit`"),
        ("audit a.y4m --fail-at never", "evenbeat: --fail-at never: known are info, warning, fault\n"),
    ] {
        let ran = desk.run(arguments);
        assert_eq!((ran.status, ran.stdout.as_str()), (Some(2), ""), "{arguments}");
        assert!(ran.stderr.starts_with(error), "{arguments}: {}", ran.stderr);
        assert!(!ran.stderr.contains("panicked"), "{}", ran.stderr);
    }
    for (arguments, error, hint) in [
        (
            "--region 0,0,65,4",
            "--region: rectangle outside the picture: 0,0,65,4 reaches to 65,4 of 64 x 36 pixels",
            "X + W must be at most 64, Y + H at most 36, W and H at least 1",
        ),
        (
            "--exclude 0,0,64,36",
            "--exclude: nothing is left to look at: the excluded rectangles cover every pixel",
            "exclude less of the picture",
        ),
    ] {
        desk.run(&format!("audit a.y4m {arguments}")).assert_error(error, hint);
    }
    let epoch =
        desk.command().args(["audit", "a.y4m"]).env("SOURCE_DATE_EPOCH", "yesterday").output().unwrap();
    Ran::new(epoch).assert_error(
        "SOURCE_DATE_EPOCH: not a time: \"yesterday\", allowed are whole seconds since 1970",
        "set it to a number of seconds or unset it",
    );
    assert!(!desk.path("a-audit").exists());
}
