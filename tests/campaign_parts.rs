//! Large recordings in parts: the bytes of a run without, in any order, twice, after a kill, and where parts do not work.

mod campaign_desk;
mod cli_common;

use std::fs;
use std::path::Path;
use std::process::Command;

use campaign_desk::{assert_same, results, run};
use cli_common::{first_frames, sample, sample_bytes, Desk};
use serde_json::Value;

/// A plan of three recordings, of which those beyond the size are read in parts.
fn plan(part_gb: f64) -> String {
    let recording = |device: &str, file: &str| {
        format!("[[recording]]\ndevice = \"{device}\"\nclip = \"harbour\"\nfile = \"{file}\"\n")
    };
    [
        format!("title = \"Parts\"\npart_gb = {part_gb}\n"),
        "[[clip]]\nid = \"harbour\"\nfile = \"clip.y4m\"\n[[device]]\nid = \"kitchen\"\n[[device]]\nid = \"attic\"\n".to_owned(),
        recording("kitchen", "kitchen.y4m"),
        recording("attic", "attic.y4m"),
        recording("kitchen", "again.y4m"),
    ]
    .concat()
}

/// A part takes so much: the first recording is read in four, the second in one, the third in three.
const PART_GB: f64 = 60e-6;

fn desk() -> Desk {
    let desk = Desk::new();
    desk.write("clip.y4m", sample_bytes("lantern-box.y4m"));
    desk.write("kitchen.y4m", sample_bytes("brass-kettle.y4m"));
    desk.write("attic.y4m", first_frames("lantern-box.y4m", 16));
    desk.write("again.y4m", first_frames("lantern-box.y4m", 50));
    desk.write("whole.toml", plan(4.0));
    desk.write("plan.toml", plan(PART_GB));
    desk
}

fn whole(desk: &Desk) -> std::collections::BTreeMap<std::path::PathBuf, Vec<u8>> {
    let ran = run(desk, "campaign whole.toml --out whole --quiet --pictures 1");
    assert_eq!(ran.status, Some(1), "{}", ran.stderr);
    results(&desk.path("whole"))
}

fn is_cleared(desk: &Desk) -> bool {
    fs::read_dir(desk.path("out/.evenbeat/parts"))
        .map_or(true, |mut entries| !entries.any(|entry| entry.unwrap().path().is_dir()))
}

#[test]
fn parts_in_any_order_twice_and_at_once_give_the_bytes_of_one_pass() {
    let desk = desk();
    let expected = whole(&desk);
    let listed = run(&desk, "campaign plan.toml --out out --units");
    let units: Vec<Value> = listed.stdout.lines().map(|line| serde_json::from_str(line).unwrap()).collect();
    let told: Vec<(u64, &str, Option<u64>, Option<u64>)> = units
        .iter()
        .map(|unit| {
            let number = |key: &str| unit[key].as_u64();
            let recording =
                Path::new(unit["recording"].as_str().unwrap()).file_stem().unwrap().to_str().unwrap();
            (number("unit").unwrap(), recording, number("part"), number("parts"))
        })
        .collect();
    assert_eq!(
        told,
        [
            (1, "kitchen", Some(1), Some(4)),
            (2, "attic", None, None),
            (3, "again", Some(1), Some(3)),
            (4, "kitchen", Some(2), Some(4)),
            (5, "kitchen", Some(3), Some(4)),
            (6, "kitchen", Some(4), Some(4)),
            (7, "again", Some(2), Some(3)),
            (8, "again", Some(3), Some(3)),
        ]
    );
    let unit = |number: u32| {
        let ran = run(&desk, &format!("campaign plan.toml --out out --quiet --pictures 1 --unit {number}"));
        assert_eq!((ran.status, ran.stderr.as_str()), (Some(0), ""), "{number}");
    };
    let is_done = || desk.path("out/runs/kitchen/harbour/1/unit.json").exists();
    for number in [6, 4, 4, 1, 8] {
        unit(number);
    }
    assert!(!is_done());
    assert!(!is_cleared(&desk));
    unit(5);
    assert!(is_done(), "the last part that was read joins");
    for number in [5, 7, 3, 2, 8] {
        unit(number);
    }
    assert!(is_cleared(&desk));
    let collected = run(&desk, "campaign plan.toml --out out --quiet --collect");
    assert_eq!(collected.status, Some(1), "{}", collected.stderr);
    assert_same(&expected, &results(&desk.path("out")), "in parts");
    fs::remove_dir_all(desk.path("out")).unwrap();
    // By itself, two jobs at once.
    let ran = run(&desk, "campaign plan.toml --out out --jobs 2 --pictures 1");
    assert!(ran.stderr.contains("8 of 8 units, 100 %"), "{}", ran.stderr);
    assert_same(&expected, &results(&desk.path("out")), "by itself");
    assert!(is_cleared(&desk));
    let again = run(&desk, "campaign plan.toml --out out --jobs 2 --pictures 1");
    assert!(again.stderr.contains("3 units unchanged since they were audited"), "{}", again.stderr);
}

/// A part that was left from a recording that has changed since is not used.
#[test]
fn parts_of_another_recording_are_not_joined() {
    let desk = desk();
    for number in [1, 4, 5] {
        run(&desk, &format!("campaign plan.toml --out out --quiet --pictures 1 --unit {number}"));
    }
    desk.write("kitchen.y4m", sample_bytes("lantern-box.y4m"));
    let ran = run(&desk, "campaign plan.toml --out out --quiet --pictures 1");
    assert_eq!(ran.status, Some(0), "{}", ran.stderr);
    run(&desk, "campaign whole.toml --out whole --quiet --pictures 1");
    assert_same(&results(&desk.path("whole")), &results(&desk.path("out")), "changed");
    // And of damaged ones nothing is believed.
    fs::remove_dir_all(desk.path("out")).unwrap();
    for number in [1, 4, 5] {
        run(&desk, &format!("campaign plan.toml --out out --quiet --pictures 1 --unit {number}"));
    }
    for entry in fs::read_dir(desk.path("out/.evenbeat/parts")).unwrap() {
        let log = entry.unwrap().path().join("4.part");
        let Ok(mut bytes) = fs::read(&log) else { continue };
        let middle = bytes.len() / 2;
        bytes[middle] ^= 1;
        fs::write(&log, bytes).unwrap();
    }
    run(&desk, "campaign plan.toml --out out --quiet --pictures 1");
    assert_same(&results(&desk.path("whole")), &results(&desk.path("out")), "damaged");
}

#[test]
fn a_recording_that_is_cut_is_told_as_in_one_pass() {
    let desk = desk();
    let mut cut = sample_bytes("brass-kettle.y4m");
    cut.truncate(cut.len() - 1000);
    desk.write("kitchen.y4m", cut);
    // A stream whose frames say themselves how long they last cannot be cut anywhere.
    let mixed = sample_bytes("lantern-box.y4m");
    let end = mixed.iter().position(|&byte| byte == b'\n').unwrap();
    let header = String::from_utf8(mixed[..end].to_vec()).unwrap().replace(" Ip", " Im");
    assert!(header.contains(" Im"), "{header}");
    let frames = mixed[end..].to_vec();
    desk.write("again.y4m", [header.into_bytes(), frames].concat());
    let ran = run(&desk, "campaign whole.toml --out whole --quiet --pictures 1");
    assert_eq!(ran.status, Some(2), "{}", ran.stderr);
    let ran = run(&desk, "campaign plan.toml --out out --quiet --pictures 1 --jobs 2");
    assert_eq!(ran.status, Some(2), "{}", ran.stderr);
    assert_same(&results(&desk.path("whole")), &results(&desk.path("out")), "cut");
}

/// Containers are cut at times. One that is damaged within is no test: what decoders make of it changes from run to run.
#[test]
fn containers_are_read_in_parts() {
    if !Command::new("ffmpeg").arg("-version").output().is_ok_and(|ran| ran.status.success()) {
        eprintln!("SKIPPED: ffmpeg is not installed, so no container can be read in parts");
        return;
    }
    let desk = desk();
    let encode = |arguments: &str, to: &str| {
        let mut command = Command::new("ffmpeg");
        command.args(["-v", "error", "-i", &sample("brass-kettle.y4m")]).args(arguments.split_whitespace());
        assert!(command.args(["-y", to]).current_dir(desk.path("")).status().unwrap().success());
    };
    encode("-c:v libx264 -g 12 -bf 2 -crf 10 -f matroska", "kitchen.y4m");
    encode("-c:v mpeg2video -g 12 -q:v 2 -f mpegts", "again.y4m");
    encode("-c:v mjpeg -q:v 2 -f matroska", "attic.y4m");
    let small =
        desk.read("kitchen.y4m").len().min(desk.read("again.y4m").len()).min(desk.read("attic.y4m").len());
    desk.write("plan.toml", plan(small as f64 / 3.5e9));
    let listed = run(&desk, "campaign plan.toml --out out --units");
    assert!(listed.stdout.lines().count() >= 12, "{}", listed.stdout);
    run(&desk, "campaign whole.toml --out whole --quiet --pictures 1");
    let ran = run(&desk, "campaign plan.toml --out out --quiet --pictures 1 --jobs 2");
    assert!(ran.status.is_some_and(|status| status > 0), "{}", ran.stderr);
    assert_same(&results(&desk.path("whole")), &results(&desk.path("out")), "containers");
}
