//! `evenbeat campaign` from end to end: plans, runs that are stopped and go on, units on their own, watching.

mod campaign_desk;
mod cli_common;

use std::fs;
use std::path::Path;
use std::time::{Duration, Instant};

use campaign_desk::{assert_same, campaign, desk, results, run, started};
use cli_common::{first_frames, sample_bytes};
use evenbeat::campaign::json::parse;
use evenbeat::campaign::model::{Standing, State, Way};
use evenbeat::output::{Existing, OutputFolder};
use serde_json::Value;

#[test]
fn a_folder_is_run_and_what_has_not_changed_is_left_alone() {
    let desk = desk();
    let ran = run(&desk, "campaign recordings --clips clips --out out --jobs 2 --pictures 0");
    assert_eq!(ran.status, Some(1), "{} {}", ran.stdout, ran.stderr);
    let found = campaign(&desk, "out");
    let cells: Vec<(&str, &str, Standing, usize, u32)> = found
        .cells
        .iter()
        .map(|cell| {
            (cell.device.as_str(), cell.clip.as_str(), cell.standing, cell.runs.len(), cell.wrong_runs)
        })
        .collect();
    assert_eq!(cells[0], ("bedroom", "film", Standing::NotTested, 0, 0));
    assert_eq!(cells[1], ("bedroom", "harbour", Standing::Wrong, 2, 1));
    assert_eq!(cells[3], ("kitchen", "harbour", Standing::Right, 1, 0));
    assert!(
        found.cells[1].aspects[0].text.starts_with("Wrong in 1 of 2 runs. "),
        "{:?}",
        found.cells[1].aspects[0]
    );
    assert!(found.cells[1].spread.iter().any(|spread| spread.key == "motion_rate_hz" && spread.runs == 2));
    let barcode = &found.cells[1].result().unwrap().barcode.frames;
    assert!(barcode.contains("nrnrnr"), "{barcode}");
    for cell in &found.cells {
        for result in cell.runs.iter().filter_map(|run| run.result.as_ref()) {
            assert!(desk.path("out").join(&result.folder).join("report.html").is_file());
        }
    }
    // Nothing tells where the files lie on this machine.
    let here = desk.path("").to_string_lossy().trim_end_matches('/').to_owned();
    for (path, bytes) in results(&desk.path("out")) {
        assert!(!String::from_utf8_lossy(&bytes).contains(&here), "{}", path.display());
    }
    let csv = String::from_utf8(desk.read("out/campaign.csv")).unwrap();
    assert_eq!(csv.lines().count(), 1 + 5, "{csv}");
    let xml = String::from_utf8(desk.read("out/campaign.junit.xml")).unwrap();
    let xml = roxmltree::Document::parse(&xml).unwrap();
    let suite = xml.root_element();
    assert_eq!((suite.attribute("tests"), suite.attribute("failures")), (Some("4"), Some("1")));

    // Again: nothing is written anew, not even with the same bytes.
    let times = |desk: &cli_common::Desk| -> Vec<_> {
        results(&desk.path("out"))
            .keys()
            .map(|path| fs::metadata(desk.path("out").join(path)).unwrap().modified().unwrap())
            .collect()
    };
    let before = times(&desk);
    let again = run(&desk, "campaign recordings --clips clips --out out");
    assert_eq!(again.status, Some(1));
    assert!(again.stderr.contains("4 units unchanged since they were audited"), "{}", again.stderr);
    assert_eq!(times(&desk), before);

    // A page edited by hand is found by its digest, a recording that changed by its own: both units, and no other.
    let page = "out/runs/kitchen/harbour/1/report.html";
    let whole = desk.read(page);
    desk.write(page, "edited");
    desk.write("recordings/bedroom/harbour.2.y4m", first_frames("lantern-box.y4m", 55));
    let mended = run(&desk, "campaign recordings --clips clips --out out --pictures 0");
    assert!(mended.stderr.contains("2 units unchanged since they were audited"), "{}", mended.stderr);
    assert!(desk.read(page) == whole);
    assert_eq!(campaign(&desk, "out").cells[1].runs[1].result.as_ref().unwrap().frames, 55);
}

#[test]
fn units_in_any_order_twice_and_collected_give_the_bytes_of_one_run() {
    let desk = desk();
    let whole = run(&desk, "campaign recordings --clips clips --out whole --quiet --pictures 1");
    assert_eq!(whole.status, Some(1), "{}", whole.stderr);
    let listed = run(&desk, "campaign recordings --clips clips --out units --units");
    let units: Vec<Value> = listed.stdout.lines().map(|line| serde_json::from_str(line).unwrap()).collect();
    let numbers: Vec<u64> = units.iter().map(|unit| unit["unit"].as_u64().unwrap()).collect();
    assert_eq!(numbers, [1, 2, 3, 4]);
    for number in [3, 1, 4, 3, 2] {
        let ran = run(
            &desk,
            &format!("campaign recordings --clips clips --out units --quiet --pictures 1 --unit {number}"),
        );
        assert_eq!((ran.status, ran.stderr.as_str()), (Some(0), ""), "{number}");
    }
    let collected = run(&desk, "campaign recordings --clips clips --out units --quiet --collect");
    assert_eq!(collected.status, Some(1), "{}", collected.stderr);
    assert_same(&results(&desk.path("whole")), &results(&desk.path("units")), "units");
    run(&desk, "campaign recordings --clips clips --out units --unit 5")
        .assert_error("--unit: no such unit: 5, allowed are 1 to 4", "--units lists them");
    // A unit is what `audit` gives: the clip's log that spares its reading changes nothing.
    let audited = run(
        &desk,
        "audit recordings/bedroom/harbour.y4m --reference clips/harbour.y4m --out alone --quiet --pictures 1",
    );
    assert_eq!(audited.status, Some(1), "{}", audited.stderr);
    for file in ["audit.json", "frames.csv", "timeline.svg"] {
        let unit = desk.read(Path::new("whole/runs/bedroom/harbour/1").join(file));
        assert!(desk.read(Path::new("alone").join(file)) == unit, "{file}");
    }
}

/// Kills at random moments, then a run to the end: the bytes of a run without them.
#[test]
fn kills_at_random_moments_change_nothing() {
    let desk = desk();
    let arguments =
        |out: &str| format!("campaign recordings --clips clips --out {out} --quiet --pictures 0 --jobs 2");
    let begun = Instant::now();
    let whole = run(&desk, &arguments("whole"));
    assert_eq!(whole.status, Some(1), "{}", whole.stderr);
    let mut length = begun.elapsed();
    let expected = results(&desk.path("whole"));
    let kills: u32 = std::env::var("EVENBEAT_KILLS").ok().and_then(|text| text.parse().ok()).unwrap_or(10);
    // Numbers that look random and come again (the multiplier is that of PCG).
    let mut state = 20_261_127u64;
    let mut cut_short = 0;
    for kill in 0..kills {
        state = state.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
        let moment = length.mul_f64((state >> 11) as f64 / (1u64 << 53) as f64);
        let begun = Instant::now();
        let mut child = started(&desk, &arguments("killed"));
        while begun.elapsed() < moment && child.try_wait().unwrap().is_none() {
            std::thread::sleep(Duration::from_millis(1));
        }
        let ended = child.try_wait().unwrap().is_some();
        cut_short += u32::from(!ended);
        child.kill().unwrap();
        child.wait().unwrap();
        if ended || kill % 4 == 3 || kill + 1 == kills {
            let ran = run(&desk, &arguments("killed"));
            assert_eq!((ran.status, ran.stderr.as_str()), (Some(1), ""), "after kill {kill}");
            assert_same(&expected, &results(&desk.path("killed")), &format!("after kill {kill}"));
            fs::remove_dir_all(desk.path("killed")).unwrap();
        }
        if ended {
            length = begun.elapsed().min(length);
        }
    }
    assert!(cut_short > kills / 3, "only {cut_short} of {kills} runs were cut short: nothing was tried");
}

#[cfg(unix)]
#[test]
fn an_interrupted_campaign_goes_on() {
    let desk = desk();
    let expected = {
        run(&desk, "campaign recordings --clips clips --out whole --quiet --pictures 0");
        results(&desk.path("whole"))
    };
    let child = started(&desk, "campaign recordings --clips clips --out out --quiet --pictures 0 --jobs 1");
    let deadline = Instant::now() + Duration::from_secs(120);
    while !desk.path("out/runs").exists() && Instant::now() < deadline {
        std::thread::sleep(Duration::from_millis(5));
    }
    let sent = std::process::Command::new("kill").args(["-INT", &child.id().to_string()]).status().unwrap();
    assert!(sent.success());
    let output = child.wait_with_output().unwrap();
    assert_eq!(output.status.code(), Some(130));
    let stopped = campaign(&desk, "out");
    let missing = stopped.cells.iter().flat_map(|cell| &cell.runs).filter(|run| run.state != State::Done);
    assert!(missing.count() > 0);
    run(&desk, "campaign recordings --clips clips --out out --quiet --pictures 0");
    assert_same(&expected, &results(&desk.path("out")), "after the interrupt");
}

#[test]
fn everything_wrong_with_a_plan_is_said_at_once() {
    let desk = desk();
    desk.write(
        "plan.toml",
        r#"title = 7
colour = "red"
[defaults]
require = ["drops=many"]
[[clip]]
id = "harbour"
file = "clips/nowhere.y4m"
rate = 29.97
require = ["motion-rate=59.94"]
[[clip]]
id = "harbour"
[[device]]
id = "Kitchen"
[[device]]
id = "kitchen"
[[device]]
name = "Attic"
[[recording]]
device = "kitchen"
clip = "harbor"
file = "recordings/kitchen/harbour.y4m"
[[recording]]
device = "cellar"
clip = "harbour"
file = "recordings/kitchen/../kitchen/harbour.y4m"
[[recording]]
device = "kitchen"
clip = "harbour"
file = "recordings/kitchen/gone.y4m"
rate = "fast"
[[recording]]
device = "kitchen"
clip = "harbour"
file = "plan.toml"
"#,
    );
    let ran = run(&desk, "campaign plan.toml --out out");
    assert_eq!((ran.status, ran.stdout.as_str()), (Some(2), ""));
    for line in [
        "plan.toml line 1: title cannot be used: found is a number, wanted is a text in quotes",
        "plan.toml line 2: unknown key \"colour\": the plan has no such key; known are title,",
        "plan.toml line 4: requirement \"drops=many\" cannot be used: drops takes a number from 0 to 1000000000",
        "plan.toml line 5: clip \"harbour\" is not there: clips/nowhere.y4m",
        "plan.toml line 5: motion-rate at least 59.94 Hz cannot be met: clip \"harbour\" holds 29.97 pictures per second",
        "plan.toml line 10: clip \"harbour\" is named twice: it was named before at plan.toml line 5",
        "plan.toml line 14: device \"kitchen\" cannot have a folder: its folder would be that of \"Kitchen\"",
        "plan.toml line 16: [[device]] has no id: it must have one",
        "plan.toml line 18: unknown clip \"harbor\": there are \"harbour\"",
        "plan.toml line 22: unknown device \"cellar\": there are \"Kitchen\", \"kitchen\"",
        "plan.toml line 22: a recording is named twice: ",
        "plan.toml line 26: the recording is not there: recordings/kitchen/gone.y4m",
        "plan.toml line 30: rate cannot be used: \"fast\" is no number",
        "plan.toml line 31: no recording: it is the plan itself",
    ] {
        assert!(ran.stderr.contains(&format!("evenbeat: {line}")), "{line}\nin\n{}", ran.stderr);
    }
    let errors = ran.stderr.lines().filter(|line| line.starts_with("hint: ")).count();
    assert_eq!(errors, 14, "{}", ran.stderr);
    assert!(ran.stderr.ends_with("evenbeat: the plan has 14 errors; nothing was run\n"), "{}", ran.stderr);
    assert!(!desk.path("out").exists());
}

#[test]
fn what_is_no_plan_is_refused() {
    let desk = desk();
    desk.write("broken.toml", "title = \"a\nclip = [\n");
    fs::create_dir(desk.path("empty")).unwrap();
    fs::create_dir(desk.path("taken")).unwrap();
    desk.write("taken/mine.txt", "mine");
    for (arguments, expected) in [
        (
            "clips/harbour.y4m",
            "clips/harbour.y4m: cannot read the plan: it is no text but, it seems, a recording",
        ),
        ("nowhere.toml", "nowhere.toml: cannot read the plan: no such file or folder"),
        ("broken.toml", "broken.toml line 1: not understood: "),
        ("empty", "empty: the plan names no recording: there is nothing to audit"),
        ("recordings --clips recordings", "unknown clip \"film\""),
        ("recordings --out taken", "taken: output folder: exists and is no campaign's folder"),
        (
            "recordings --against clips",
            "clips/campaign.json: cannot read the campaign: no such file or folder",
        ),
    ] {
        let ran = run(&desk, &format!("campaign {arguments}"));
        assert_eq!(ran.status, Some(2), "{arguments}");
        assert!(ran.stderr.contains(expected), "{arguments}: {}", ran.stderr);
    }
}

#[test]
fn a_recording_that_is_a_plan_is_refused_before_anything_runs() {
    let desk = desk();
    let plan = "title = \"Küche\"\n[[recording]]\ndevice = \"a\"\nclip = \"b\"\nfile = \"c.mkv\"\n";
    desk.write("recordings/bedroom/film.mkv", plan);
    run(&desk, "campaign recordings --clips clips --out out").assert_error(
        "recordings/bedroom/film.mkv: no recording: recordings/bedroom/film.mkv is a campaign's plan",
        "name the recording, or move the plan away",
    );
    assert!(!desk.path("out").exists());
}

/// What the decoder program reads is read again by another version of it; what it does not read is not. A machine without
/// one, which only collects, takes what is there.
#[cfg(unix)]
#[test]
fn another_decoder_program_reads_again_what_it_reads() {
    use std::os::unix::fs::PermissionsExt;
    use std::process::Command;
    if !Command::new("ffmpeg").arg("-version").output().is_ok_and(|ran| ran.status.success()) {
        eprintln!("SKIPPED: ffmpeg is not installed, so no version of it can be another");
        return;
    }
    let desk = cli_common::Desk::new();
    for folder in ["recordings/kitchen", "recordings/attic"] {
        fs::create_dir_all(desk.path(folder)).unwrap();
    }
    desk.write("recordings/attic/film.y4m", sample_bytes("lantern-box.y4m"));
    let made = Command::new("ffmpeg")
        .args([
            "-v",
            "error",
            "-i",
            "recordings/attic/film.y4m",
            "-c:v",
            "ffv1",
            "recordings/kitchen/film.mkv",
        ])
        .current_dir(desk.path(""))
        .status();
    assert!(made.unwrap().success());
    let install = |version: &str| {
        let told = format!("[ \"$1\" = -version ] && echo ffmpeg version {version} and more && exit");
        desk.write("decoder", format!("#!/bin/sh\n{told}\nexec ffmpeg \"$@\"\n"));
        fs::set_permissions(desk.path("decoder"), fs::Permissions::from_mode(0o755)).unwrap();
    };
    let arguments = "campaign recordings --out out --pictures 0 --decoder ./decoder";
    install("5.1.97");
    let first = run(&desk, arguments);
    assert!(first.stderr.contains("2 of 2 units"), "{}", first.stderr);
    assert!(run(&desk, arguments).stderr.contains("2 units unchanged since they were audited"));
    install("5.1.98");
    let other = run(&desk, arguments);
    assert!(other.stderr.contains("1 unit unchanged since they were audited"), "{}", other.stderr);
    fs::remove_file(desk.path("decoder")).unwrap();
    let collected = run(&desk, &format!("{arguments} --collect"));
    assert_eq!(collected.status, Some(0), "{}", collected.stderr);
    assert!(campaign(&desk, "out").cells.iter().all(|cell| cell.runs[0].state == State::Done));
}

/// Two runs at once: the later one says so, and the folder is that of the first.
#[test]
fn two_runs_into_one_folder_do_not_mix() {
    let desk = desk();
    let arguments = "campaign recordings --clips clips --out out --quiet --pictures 0";
    run(&desk, &format!("{arguments} --units"));
    fs::create_dir_all(desk.path("out/runs/bedroom/harbour")).unwrap();
    let other = OutputFolder::reserve(&desk.path("out/runs/bedroom/harbour/1"), Existing::Replace).unwrap();
    let ran = run(&desk, &format!("{arguments} --unit 1"));
    assert_eq!(ran.status, Some(2), "{}", ran.stderr);
    let expected = "out/runs/bedroom/harbour/1: output folder: another run of evenbeat is writing it\n";
    assert!(ran.stderr.contains(expected), "{}", ran.stderr);
    drop(other);
    assert!(!desk.path("out/runs/bedroom/harbour/1").exists());
    assert_eq!(run(&desk, &format!("{arguments} --unit 1")).status, Some(0));
}

#[test]
fn a_unit_that_fails_is_a_cell_that_says_why() {
    let desk = desk();
    desk.write("recordings/kitchen/film.y4m", "YUV4MPEG2 W0 H0 F25:1\n");
    desk.write("recordings/bedroom/film.y4m", "YUV4MPEG2");
    let ran = run(&desk, "campaign recordings --clips clips --out out --quiet --pictures 0");
    assert_eq!(ran.status, Some(2), "{}", ran.stderr);
    assert!(ran.stderr.contains("evenbeat: kitchen × film: "), "{}", ran.stderr);
    let found = campaign(&desk, "out");
    let cell = found.cells.iter().find(|cell| cell.device == "kitchen" && cell.clip == "film").unwrap();
    assert_eq!((cell.standing, cell.runs[0].state), (Standing::NotWhole, State::Failed));
    let error = cell.runs[0].error.clone().unwrap();
    assert!(error.starts_with("film.y4m: "), "{error}");
    let others = found.cells.iter().filter(|cell| cell.clip == "harbour");
    assert!(others.flat_map(|cell| &cell.runs).all(|run| run.state == State::Done));
}

#[test]
fn a_new_firmware_is_held_against_the_last() {
    let desk = desk();
    run(&desk, "campaign recordings --clips clips --out before --quiet --pictures 0");
    // The bedroom's device is mended, the kitchen's shows every picture twice now.
    desk.write("recordings/bedroom/harbour.y4m", sample_bytes("lantern-box.y4m"));
    desk.write("recordings/kitchen/harbour.y4m", sample_bytes("brass-kettle.y4m"));
    fs::remove_file(desk.path("recordings/bedroom/harbour.2.y4m")).unwrap();
    let ran = run(&desk, "campaign recordings --clips clips --out after --pictures 0 --against before");
    assert!(ran.stdout.starts_with("against recordings: 1 worse, "), "{}", ran.stdout);
    let found = campaign(&desk, "after");
    let ways: Vec<(&str, &str, Way)> = found
        .cells
        .iter()
        .map(|cell| (cell.device.as_str(), cell.clip.as_str(), cell.change.as_ref().unwrap().way))
        .collect();
    assert_eq!(
        ways,
        [
            ("bedroom", "film", Way::NotComparable),
            // It was right in one of two runs before: the ranges touch.
            ("bedroom", "harbour", Way::Unchanged),
            ("kitchen", "film", Way::NotComparable),
            ("kitchen", "harbour", Way::Worse),
        ]
    );
    let worse = found.cells[3].change.as_ref().unwrap();
    assert_eq!(worse.earlier, Standing::Right);
    let same = run(&desk, "campaign recordings --clips clips --out after --pictures 0 --against after");
    assert!(same.stdout.contains("0 worse, 0 mended"), "{}", same.stdout);
}

/// A recorder that writes for a while: nothing is audited before it has closed the file.
#[test]
fn a_recording_is_taken_when_it_is_whole() {
    use std::io::Write;
    let desk = desk();
    fs::remove_file(desk.path("recordings/bedroom/harbour.y4m")).unwrap();
    fs::remove_file(desk.path("recordings/bedroom/harbour.2.y4m")).unwrap();
    fs::remove_file(desk.path("recordings/kitchen/film.y4m")).unwrap();
    let mut child = started(&desk, "campaign recordings --clips clips --out out --watch --pictures 0");
    let patience = Duration::from_secs(180);
    let wait_for = |what: &str, is_there: &dyn Fn() -> bool| {
        let begun = Instant::now();
        while !is_there() {
            assert!(begun.elapsed() < patience, "{what} did not come");
            std::thread::sleep(Duration::from_millis(50));
        }
    };
    wait_for("the first result", &|| desk.path("out/campaign.json").exists());
    // The device's folder is there; its recording grows by pieces, with pauses longer than a quiet file needs.
    let bytes = sample_bytes("brass-kettle.y4m");
    let mut file = fs::File::create(desk.path("recordings/bedroom/harbour.y4m")).unwrap();
    for piece in bytes.chunks(bytes.len() / 2 + 1) {
        file.write_all(piece).unwrap();
        std::thread::sleep(Duration::from_secs(5));
        assert!(!desk.path("out/runs/bedroom").exists(), "it was audited while it grew");
    }
    drop(file);
    wait_for("the second result", &|| desk.path("out/runs/bedroom/harbour/1/unit.json").exists());
    wait_for("the cell", &|| {
        let text = String::from_utf8(desk.read("out/campaign.json")).unwrap();
        parse(&text).is_ok_and(|found| {
            found.cells.iter().any(|cell| cell.device == "bedroom" && cell.standing == Standing::Wrong)
        })
    });
    let frames = desk.json("out/runs/bedroom/harbour/1/audit.json")["capture"]["frames"].clone();
    assert_eq!(frames, 60);
    child.kill().unwrap();
    child.wait().unwrap();
}

/// Names that are more than names, from a plan: whatever they are, all files lie in the campaign's folder, by names that
/// every system takes.
#[test]
fn names_from_hostile_hands_stay_inside() {
    let desk = desk();
    let names = [
        "..",
        "../../escaped",
        "/etc/escaped",
        "a\\b",
        "<script>alert(1)</script>",
        "&'é\u{202e}$(x)",
        "NUL",
        "com1.txt",
        "ends.",
        "line\nbreak",
        "%2e%2e%2f",
    ];
    let mut plan = toml::Table::new();
    let quoted = |text: &str| toml::Value::String(text.to_owned());
    let mut rows = Vec::new();
    for (number, name) in names.iter().enumerate() {
        let file = format!("{number}.y4m");
        desk.write(&file, first_frames("lantern-box.y4m", 40 + number));
        let row = [("device", name), ("clip", name), ("file", &file.as_str())];
        rows.push(row.map(|(key, value)| (key.to_owned(), quoted(value))));
    }
    let ids = || {
        names.iter().map(|name| toml::Value::Table([("id".to_owned(), quoted(name))].into_iter().collect()))
    };
    plan.insert("clip".to_owned(), toml::Value::Array(ids().collect()));
    plan.insert("device".to_owned(), toml::Value::Array(ids().collect()));
    let rows = rows.into_iter().map(|row| toml::Value::Table(row.into_iter().collect()));
    plan.insert("recording".to_owned(), toml::Value::Array(rows.collect()));
    desk.write("plan.toml", plan.to_string());
    let before = results(&desk.path(""));
    let ran = run(&desk, "campaign plan.toml --out out --quiet --pictures 0");
    assert_eq!(ran.status, Some(0), "{}", ran.stderr);
    let written = results(&desk.path(""));
    let plain = |part: &str| {
        let kept = |letter: char| letter.is_ascii_alphanumeric() || "-_.".contains(letter);
        let stem = part.split('.').next().unwrap_or_default().to_ascii_lowercase();
        part.chars().all(kept) && !part.ends_with('.') && !["nul", "com1"].contains(&stem.as_str())
    };
    for path in written.keys().filter(|path| !before.contains_key(*path)) {
        assert!(path.starts_with("out"), "{}", path.display());
        assert!(path.iter().all(|part| part.to_str().is_some_and(plain)), "{}", path.display());
    }
    let devices =
        written.keys().filter(|path| path.starts_with("out/devices") && path.extension().unwrap() == "html");
    assert_eq!(devices.count(), names.len());
    let found = campaign(&desk, "out");
    let done = found.cells.iter().flat_map(|cell| &cell.runs).filter(|run| run.state == State::Done);
    assert_eq!(done.count(), names.len());
}

/// A thousand devices on three clips: the plan is checked, the units are listed, and what is shown stays within bounds.
#[test]
fn a_thousand_devices_are_planned_and_shown() {
    let desk = desk();
    let mut plan = String::new();
    for clip in ["a", "b", "c"] {
        plan.push_str(&format!("[[clip]]\nid = \"{clip}\"\n"));
    }
    for device in 0..1000 {
        plan.push_str(&format!("[[device]]\nid = \"device {device}\"\n"));
        for clip in ["a", "b", "c"] {
            let file = format!("{device}-{clip}.y4m");
            desk.write(&file, "YUV4MPEG2");
            plan.push_str(&format!(
                "[[recording]]\ndevice = \"device {device}\"\nclip = \"{clip}\"\nfile = \"{file}\"\n"
            ));
        }
    }
    desk.write("plan.toml", plan);
    let begun = Instant::now();
    let listed = run(&desk, "campaign plan.toml --out out --units");
    assert_eq!((listed.status, listed.stdout.lines().count()), (Some(0), 3000), "{}", listed.stderr);
    eprintln!("a plan of 3,000 units is checked and listed in {:.2} s", begun.elapsed().as_secs_f64());
    let ran = run(&desk, "campaign plan.toml --out out --quiet --collect");
    assert_eq!(ran.status, Some(2), "{}", ran.stderr);
    eprintln!("and shown in {:.2} s", begun.elapsed().as_secs_f64());
    let index = desk.read("out/index.html").len();
    assert!(index < 12_000_000, "{index}");
}

#[test]
fn a_plan_of_a_folder_runs_as_the_folder_does() {
    let desk = desk();
    let made = run(&desk, "campaign --new . ");
    assert_eq!((made.status, made.stdout.as_str()), (Some(0), "plan: ./plan.toml\n"), "{}", made.stderr);
    let again = run(&desk, "campaign --new .");
    assert_eq!(again.status, Some(2));
    let units = |arguments: &str| run(&desk, &format!("campaign {arguments} --units")).stdout;
    let from_plan = units("plan.toml --out one");
    fs::remove_file(desk.path("plan.toml")).unwrap();
    assert_eq!(from_plan.replace("\"recordings/", "\"./recordings/"), units(". --out two"));
}
