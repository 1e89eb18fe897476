//! Requirements through the command: what decides the exit status, and where the outcome is listed.

mod cli_common;

use cli_common::{first_frames, sample, Desk};

/// Every sample in question with what its truth forces: `tin-whistle` is a clean 2:3 at 24 pictures per
/// second, `brass-kettle` half rate at 29.97.
fn status(arguments: &str) -> Option<i32> {
    let desk = Desk::new();
    let (name, options) = arguments.split_once(' ').unwrap_or((arguments, ""));
    let ran = desk.run(&format!("audit {} --quiet {options}", sample(name)));
    assert_eq!((ran.stdout.as_str(), ran.stderr.as_str()), ("", ""), "{arguments}");
    ran.status
}

#[test]
fn requirements_and_findings_decide_the_status() {
    for (arguments, expected) in [
        ("tin-whistle.y4m", 0),
        ("tin-whistle.y4m --require motion-rate=24", 0),
        ("tin-whistle.y4m --require motion-rate=24000/1001 --require freezes=0 --require drops=0", 0),
        ("tin-whistle.y4m --require motion-rate=24.01", 1),
        ("tin-whistle.y4m --require motion-rate=24 --require judder-rms-ms=4.1", 1),
        ("tin-whistle.y4m --require excess-judder-rms-ms=0 --require coverage=1", 0),
        // The recording has no times of its own, so gaps cannot be known.
        ("tin-whistle.y4m --require gap-frames=0", 1),
        ("brass-kettle.y4m", 1),
        ("brass-kettle.y4m --fail-at fault", 0),
        ("brass-kettle.y4m --fail-at warning", 1),
        ("brass-kettle.y4m --source-rate 60000/1001 --fail-at fault", 1),
        ("brass-kettle.y4m --source-rate 30000/1001 --fail-at warning", 0),
        ("brass-kettle.y4m --source-rate 30000/1001 --fail-at info", 1),
        // With requirements, findings count only where asked for.
        ("brass-kettle.y4m --require motion-rate=29.97", 0),
        ("brass-kettle.y4m --require motion-rate=29.97 --fail-at warning", 1),
        ("brass-kettle.y4m --require motion-rate=59.94 --fail-at fault", 1),
    ] {
        assert_eq!(status(arguments), Some(expected), "{arguments}");
    }
}

#[test]
fn an_incomplete_capture_never_passes() {
    let desk = Desk::new();
    let whole = first_frames("brass-kettle.y4m", 20);
    desk.write("cut.y4m", &whole[..whole.len() - 1]);
    let ran = desk.run("audit cut.y4m --require delivered-rate=50 --junit cut.xml");
    assert_eq!(ran.status, Some(2));
    let xml = String::from_utf8(desk.read("cut.xml")).unwrap();
    let document = check_junit(&xml);
    let suite = document.root_element();
    assert_eq!((suite.attribute("tests"), suite.attribute("errors")), (Some("2"), Some("1")));
}

const MIXED: &str = "--require motion-rate=24 --require longest-freeze-ms=0 --require judder-rms-ms=4 \
                     --require gap-frames=0";

/// The four outcomes of `MIXED` on the clean 2:3 sample: judder is T·√((p²−1)/12)/p = 4.1667 ms there.
const OUTCOMES: [(&str, &str, &str); 4] = [
    ("motion-rate at least 24 Hz", "found 24 Hz", "passed"),
    ("longest-freeze-ms at most 0 ms", "found 0 ms", "passed"),
    ("judder-rms-ms at most 4 ms", "found 4.1667 ms", "failed"),
    ("gap-frames at most 0", "not known: the capture has neither times nor numbers of its own", "failed"),
];

#[test]
fn outcomes_are_listed_in_every_output() {
    let desk = Desk::new();
    let whistle = sample("tin-whistle.y4m");
    let ran = desk.run(&format!("audit {whistle} --out report --junit result.xml {MIXED}"));
    assert_eq!((ran.status, ran.stderr.as_str()), (Some(1), ""));
    let text = |name: &str| String::from_utf8(desk.read(name)).unwrap();
    let (markdown, html) = (text("report/summary.md"), text("report/report.html"));
    let audit = desk.json("report/audit.json");
    for (place, (required, found, outcome)) in OUTCOMES.into_iter().enumerate() {
        let line = format!("{outcome:10}{required}: {found}\n");
        assert!(ran.stdout.contains(&line), "{line} in\n{}", ran.stdout);
        let row = format!("| {required} | {found} | {outcome} |\n");
        assert!(markdown.contains(&row), "{row} in\n{markdown}");
        assert!(html.contains(required) && html.contains(found), "{required}");
        let listed = &audit["requirements"][place];
        assert_eq!(listed["text"], format!("{required}: {found}"));
        assert_eq!(listed["passed"], outcome == "passed");
    }
    assert_eq!(audit["requirements"].as_array().unwrap().len(), 4);
    assert_eq!(audit["requirements"][0]["key"], "motion-rate");
    assert_eq!(audit["requirements"][0]["bound"], "at-least");
    assert_eq!(audit["requirements"][0]["unit"], "Hz");
    assert_eq!(audit["requirements"][0]["limit"], 24.0);
    assert_eq!(audit["requirements"][2]["found"], 4.166666667);
    assert_eq!(audit["requirements"][3]["found"], serde_json::Value::Null);
    let schema: serde_json::Value = serde_json::from_str(evenbeat::audit_store::json::SCHEMA).unwrap();
    let schema = jsonschema::validator_for(&schema).unwrap();
    assert!(schema.is_valid(&audit));
    for (pointer, wrong) in [
        ("/requirements/0/bound", serde_json::json!("exactly")),
        ("/requirements/0/found", serde_json::json!("24")),
        ("/requirements/0", serde_json::json!({})),
    ] {
        let mut broken = audit.clone();
        *broken.pointer_mut(pointer).unwrap() = wrong;
        assert!(!schema.is_valid(&broken), "{pointer}");
    }

    let log = desk.run(&format!("fingerprint {whistle} --out log"));
    assert_eq!(log.status, Some(0), "{}", log.stderr);
    let of_log = desk.run(&format!("audit log --out of-log {MIXED}"));
    assert_eq!(of_log.status, Some(1));
    assert_eq!(text("of-log/audit.json"), text("report/audit.json"));

    let xml = text("result.xml");
    let document = check_junit(&xml);
    let cases: Vec<_> = document.descendants().filter(|node| node.has_tag_name("testcase")).collect();
    assert_eq!(cases.len(), 4);
    for (case, (required, found, outcome)) in cases.iter().zip(OUTCOMES) {
        assert_eq!(case.attribute("name"), Some(required));
        let failure = case.children().find(|node| node.has_tag_name("failure"));
        assert_eq!(failure.is_none(), outcome == "passed", "{required}");
        if let Some(failure) = failure {
            assert_eq!(failure.attribute("message"), Some(found));
        }
    }
}

/// Holds a document against the rules of the Ant-style JUnit schema (© 2011 Windy Road Technology): required
/// attributes, the form of the time, the order of children.
fn check_junit(xml: &str) -> roxmltree::Document<'_> {
    let document = roxmltree::Document::parse(xml).unwrap_or_else(|error| panic!("{error}\n{xml}"));
    let suite = document.root_element();
    assert_eq!(suite.tag_name().name(), "testsuite");
    for name in ["name", "timestamp", "hostname", "tests", "failures", "errors", "time"] {
        assert!(suite.attribute(name).is_some_and(|value| !value.is_empty()), "{name} in {xml}");
    }
    let stamp = suite.attribute("timestamp").unwrap();
    let shape: String = stamp.chars().map(|c| if c.is_ascii_digit() { '0' } else { c }).collect();
    assert_eq!(shape, "0000-00-00T00:00:00", "no zone and no fraction: {stamp}");
    let names: Vec<&str> = suite.children().filter(|n| n.is_element()).map(|n| n.tag_name().name()).collect();
    let order = ["properties", "testcase", "system-out", "system-err"];
    let ranks: Vec<usize> = names.iter().map(|name| order.iter().position(|o| o == name).unwrap()).collect();
    assert!(ranks.windows(2).all(|pair| pair[0] <= pair[1]), "{names:?}");
    for once in [0, 2, 3] {
        assert_eq!(ranks.iter().filter(|&&rank| rank == once).count(), 1, "{} once", order[once]);
    }
    let count =
        |name: &str| document.descendants().filter(|node| node.has_tag_name(name)).count().to_string();
    assert_eq!(suite.attribute("tests"), Some(count("testcase").as_str()));
    assert_eq!(suite.attribute("failures"), Some(count("failure").as_str()));
    assert_eq!(suite.attribute("errors"), Some(count("error").as_str()));
    for case in document.descendants().filter(|node| node.has_tag_name("testcase")) {
        for name in ["name", "classname", "time"] {
            assert!(case.attribute(name).is_some(), "{name} in {xml}");
        }
        for problem in case.children().filter(|node| node.is_element()) {
            assert!(["failure", "error"].contains(&problem.tag_name().name()));
            assert!(problem.attribute("type").is_some(), "{xml}");
        }
    }
    document
}

#[test]
fn names_from_outside_are_inert_in_the_result() {
    let desk = Desk::new();
    let name = "a<b>&'c ü.y4m";
    // Not every system allows such names.
    if std::fs::write(desk.path(name), first_frames("brass-kettle.y4m", 6)).is_err() {
        eprintln!("SKIPPED: this system takes no file called {name}");
        return;
    }
    let run = |epoch: &str| {
        let output = desk
            .command()
            .args(["audit", name, "--out", "report", "--force", "--require", "freezes=0", "--junit", "r.xml"])
            .env("SOURCE_DATE_EPOCH", epoch)
            .output()
            .unwrap();
        assert_ne!(output.status.code(), Some(2), "{}", String::from_utf8_lossy(&output.stderr));
        String::from_utf8(desk.read("r.xml")).unwrap()
    };
    let xml = run("86400");
    let document = check_junit(&xml);
    let suite = document.root_element();
    assert_eq!(suite.attribute("name"), Some(name));
    assert_eq!(suite.attribute("timestamp"), Some("1970-01-02T00:00:00"));
    assert_eq!(run("86400"), xml, "the same input gives the same bytes");
}

#[test]
fn the_help_names_every_key() {
    let ran = Desk::new().run("audit --help");
    assert_eq!(ran.status, Some(0));
    for measure in evenbeat::verdict::gate::MEASURES {
        let entry = format!("{} ({}, ", measure.key, measure.bound.words());
        assert!(ran.stdout.contains(&entry), "{entry} in\n{}", ran.stdout);
    }
}
