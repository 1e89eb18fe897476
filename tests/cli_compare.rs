//! `compare`: devices on one clip, with the clip and without, and what cannot be compared.

mod cli_common;

use cli_common::{sample, Desk};
use evenbeat::report::comparison::SCHEMA;
use serde_json::Value;

/// Audits samples into folders of their own.
fn audited(desk: &Desk, captures: &[(&str, &str)], options: &str) {
    for (capture, folder) in captures {
        let path = if desk.path(capture).exists() { (*capture).to_owned() } else { sample(capture) };
        let ran = desk.run(&format!("audit {path} --out {folder} --quiet --pictures 0 {options}"));
        assert!(matches!(ran.status, Some(0 | 1)), "{}", ran.stderr);
    }
}

fn measure<'a>(device: &'a Value, key: &str) -> &'a Value {
    let measures = device["measures"].as_array().unwrap();
    measures.iter().find(|measure| measure["key"] == key).unwrap()
}

const SAMPLES: [(&str, &str); 2] =
    [("lantern-box.y4m", "lantern-box-audit"), ("brass-kettle.y4m", "brass-kettle-audit")];

#[test]
fn a_device_that_misses_every_second_picture_is_told_without_the_clip() {
    let desk = Desk::new();
    audited(&desk, &SAMPLES, "");
    let ran = desk.run("compare lantern-box-audit brass-kettle-audit/audit.json --out compared");
    assert_eq!(ran.status, Some(0), "{}", ran.stderr);
    assert!(ran.stdout.contains("brass-kettle never shows"), "{}", ran.stdout);
    assert!(ran.stdout.contains("it shows every second"), "{}", ran.stdout);
    let document = desk.json("compared/compare.json");
    assert_eq!(document["basis"]["kind"], "captures");
    assert_eq!(document["basis"]["aligned_with"], "lantern-box");
    let [whole, half] = [0, 1].map(|place| &document["devices"][place]);
    assert_eq!((&whole["name"], &half["name"]), (&Value::from("lantern-box"), &Value::from("brass-kettle")));
    let share = |device| measure(device, "delivered_share")["value"].as_f64().unwrap();
    assert!(
        (share(whole) - 1.0).abs() < 1e-9 && (share(half) - 0.5).abs() < 0.03,
        "{} {}",
        share(whole),
        share(half)
    );
    for key in ["delivered_share", "motion_rate_hz"] {
        assert_eq!(measure(whole, key)["standing"], "best", "{key}");
        assert_eq!(measure(half, key)["standing"], "worst", "{key}");
    }
    assert_eq!(measure(half, "freezes")["standing"], "equal");
}

#[test]
fn with_the_clip_its_own_index_counts() {
    let desk = Desk::new();
    audited(&desk, &SAMPLES, &format!("--reference {}", sample("lantern-box.y4m")));
    let ran = desk.run("compare lantern-box-audit brass-kettle-audit/report.html --out compared --quiet");
    assert_eq!((ran.status, ran.stdout.as_str()), (Some(0), ""), "{}", ran.stderr);
    let document = desk.json("compared/compare.json");
    assert_eq!(document["basis"]["kind"], "clip");
    assert_eq!(document["basis"]["clip_name"], "lantern-box.y4m");
    assert_eq!(document["devices"][0]["pictures"]["never_shown"], 0);
    let half = &document["devices"][1]["pictures"];
    let (shown, never) = (half["shown"].as_u64().unwrap(), half["never_shown"].as_u64().unwrap());
    assert!(shown.abs_diff(never) <= 1, "{half}");
}

/// Puts the page of each sample's audit into the desk's own folder, as `<name>.html`.
fn pages_alone(desk: &Desk) {
    for (_, folder) in SAMPLES {
        let page = desk.read(format!("{folder}/report.html"));
        desk.write(format!("{}.html", folder.trim_end_matches("-audit")), page);
    }
}

#[test]
fn pages_alone_compare_as_their_folders_do() {
    for options in [String::new(), format!("--reference {}", sample("lantern-box.y4m"))] {
        let desk = Desk::new();
        audited(&desk, &SAMPLES, &options);
        pages_alone(&desk);
        for (out, audits) in [
            ("folders", "lantern-box-audit brass-kettle-audit"),
            ("pages", "lantern-box.html brass-kettle.html"),
            ("mixed", "lantern-box-audit/audit.json brass-kettle.html"),
        ] {
            let ran = desk.run(&format!("compare {audits} --out {out} --quiet"));
            assert_eq!(ran.status, Some(0), "{}", ran.stderr);
        }
        for file in ["compare.json", "compare.html", "compare.md", "compare.svg"] {
            assert!(desk.read(format!("folders/{file}")) == desk.read(format!("pages/{file}")), "{file}");
            assert!(desk.read(format!("folders/{file}")) == desk.read(format!("mixed/{file}")), "{file}");
        }
    }
}

#[test]
fn a_page_without_small_pictures_is_compared_by_numbers_only() {
    let desk = Desk::new();
    audited(&desk, &SAMPLES, "");
    pages_alone(&desk);
    let page = String::from_utf8(desk.read("brass-kettle.html")).unwrap();
    let (before, rest) = page.split_once("<script type=\"text/plain\" id=\"small-pictures\">").unwrap();
    let after = rest.split_once("</script>\n").unwrap().1.split("<!-- BLAKE3").next().unwrap();
    desk.write("brass-kettle.html", evenbeat::audit_store::page_blocks::sealed(format!("{before}{after}")));
    let ran = desk.run("compare lantern-box.html brass-kettle.html --out compared --quiet");
    assert_eq!(ran.status, Some(0), "{}", ran.stderr);
    let document = desk.json("compared/compare.json");
    assert_eq!(document["basis"]["kind"], "none");
    assert_eq!(
        document["basis"]["reason"],
        "what was given of brass-kettle is without pictures.log; the folder that was written has it"
    );
    let ran = desk.run("report brass-kettle.html");
    assert_eq!(ran.status, Some(0), "{}", ran.stderr);
    assert!(
        ran.stderr.starts_with("evenbeat: brass-kettle.html: does not hold pictures.log ("),
        "{}",
        ran.stderr
    );
    assert!(desk.path("brass-kettle-report/frames.csv").exists());
}

#[test]
fn the_files_are_what_they_promise() {
    let desk = Desk::new();
    audited(&desk, &SAMPLES, "");
    for name in ["one", "two"] {
        let ran = desk.run(&format!("compare lantern-box-audit brass-kettle-audit --out {name} --quiet"));
        assert_eq!(ran.status, Some(0), "{}", ran.stderr);
    }
    let drawn: &[&str] = if cfg!(feature = "png-charts") { &["compare.png"] } else { &[] };
    for file in ["compare.json", "compare.html", "compare.md", "compare.svg"].iter().chain(drawn) {
        assert!(desk.read(format!("one/{file}")) == desk.read(format!("two/{file}")), "{file}");
    }
    let schema: Value = serde_json::from_str(SCHEMA).unwrap();
    let validator = jsonschema::draft202012::new(&schema).unwrap();
    let document = desk.json("one/compare.json");
    let errors: Vec<String> = validator.iter_errors(&document).map(|error| error.to_string()).collect();
    assert!(errors.is_empty(), "{errors:?}");
    let mut broken = document.clone();
    broken["devices"][0]["measures"][0]["standing"] = "fine".into();
    assert!(!validator.is_valid(&broken));

    let page = String::from_utf8(desk.read("one/compare.html")).unwrap();
    let parsed = roxmltree::Document::parse_with_options(
        &page,
        roxmltree::ParsingOptions { allow_dtd: true, ..Default::default() },
    )
    .unwrap();
    assert!(page.contains("Content-Security-Policy") && page.contains("default-src 'none'"));
    // One file: nothing that a browser would fetch.
    let fetched = parsed.descendants().any(|node| {
        node.attributes().any(|attribute| matches!(attribute.name(), "src" | "srcset" | "action"))
            || node.has_tag_name("link")
    });
    assert!(!fetched);
    let chart = String::from_utf8(desk.read("one/compare.svg")).unwrap();
    let chart = roxmltree::Document::parse(&chart).unwrap();
    let lanes = chart.descendants().filter(|node| node.attribute("data-lane").is_some()).count();
    assert_eq!(lanes, 2);
}

#[test]
fn what_cannot_be_compared_is_named() {
    let desk = Desk::new();
    let mut other = b"YUV4MPEG2 W64 H36 F60000:1001 Ip C420\n".to_vec();
    for frame in 0..60u32 {
        other.extend_from_slice(b"FRAME\n");
        other.extend((0..64 * 36 * 3 / 2u32).map(|at| {
            let (x, y) = (at % 64, at / 64);
            ((x * x + 7 * y + frame * frame * 3) % 160 + 40) as u8
        }));
    }
    desk.write("other.y4m", other);
    audited(&desk, &[SAMPLES[0], ("other.y4m", "other-audit")], "");
    for (audits, error) in [
        ("lantern-box-audit none", "none"),
        (
            "lantern-box-audit other-audit",
            "other-audit: shows another clip than the audits before it: aligned with lantern-box, ",
        ),
    ] {
        let ran = desk.run(&format!("compare {audits} --out compared"));
        assert_eq!(ran.status, Some(2), "{audits}: {}", ran.stdout);
        assert!(ran.stderr.starts_with(&format!("evenbeat: {error}")), "{audits}: {}", ran.stderr);
        assert!(!desk.path("compared").exists());
    }
    // Without the small pictures there is still a table.
    std::fs::remove_file(desk.path("other-audit/pictures.log")).unwrap();
    cli_common::bind_anew(&desk.path("other-audit"));
    let ran = desk.run("compare lantern-box-audit other-audit --out compared --quiet");
    assert_eq!(ran.status, Some(0), "{}", ran.stderr);
    let document = desk.json("compared/compare.json");
    assert_eq!(document["basis"]["kind"], "none");
    assert_eq!(document["basis"]["reason"], "other was audited without pictures.log");
    assert_eq!(measure(&document["devices"][0], "delivered_share")["standing"], "unknown");
}

#[test]
fn names_from_outside_stay_text() {
    let desk = Desk::new();
    audited(&desk, &[("lantern-box.y4m", "<b>&x-audit"), ("lantern-box.y4m", "plain-audit")], "");
    let ran = desk.run("compare <b>&x-audit plain-audit --out compared --quiet");
    assert_eq!(ran.status, Some(0), "{}", ran.stderr);
    let page = String::from_utf8(desk.read("compared/compare.html")).unwrap();
    assert!(!page.contains("<b>&x") && page.contains("&lt;b&gt;&amp;x"));
    let summary = String::from_utf8(desk.read("compared/compare.md")).unwrap();
    assert!(summary.contains("\\<b\\>\\&x"), "{summary}");
}
