//! The report in a real browser. Needs Node.js, Chromium and `npm ci` in `tests/browser`; without them it says
//! so and checks nothing. Screenshots are kept under `target/browser/` for looking at.

mod browser_common;
mod common;

use std::path::Path;
use std::sync::atomic::AtomicBool;

use evenbeat::audit::{audit_source, Audit, Run};
use evenbeat::audit_store;
use evenbeat::classify::FrameClass;
use evenbeat::demo::demo_captures;
use evenbeat::output::{Existing, OutputFolder};
use evenbeat::pictures::{self, Fetch, Pictures};
use evenbeat::pipeline::NoProgress;
use evenbeat::report::{self, write_all, Report};
use evenbeat::settings::{Settings, ViewSettings};
use evenbeat::units::TimeBase;
use serde_json::Value;

/// Largest page of ten hours, MB: a browser reads the whole of it before it draws. 24 where every number differs.
const PAGE_MB_MAX: f64 = 30.0;

/// Writes a report, opens it, and gives what was found; nothing where there is no browser.
fn opened(name: &str, audit: &Audit, pictures: &Pictures) -> Option<Value> {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("target/browser").join(name);
    let target = OutputFolder::reserve(&folder, Existing::Replace).unwrap();
    let provenance = common::provenance();
    write_all(&Report { audit, provenance: &provenance, pictures, stretch: None }, target).unwrap();
    let page = folder.join(audit_store::REPORT_HTML);
    let found = browser_common::run("report.mjs", name, &[&page, &folder])?;
    for list in ["requests", "errors", "violations", "overflows"] {
        assert_eq!(found[list], serde_json::json!([]), "{name}: {list}");
    }
    assert_eq!(found["facts"]["chart_without_script"], !audit.frames.is_empty() || name == "empty", "{name}");
    assert_eq!(found["facts"]["buttons_without_script"], 0, "{name}");
    Some(found["facts"].clone())
}

/// A demo device's audit and pictures.
fn demo(device: &str, frames: usize) -> (Audit, Pictures) {
    let mut capture = demo_captures().into_iter().find(|capture| capture.device == device).unwrap();
    capture.shown.truncate(frames);
    let stop = AtomicBool::new(false);
    let settings = Settings::default();
    let audit = audit_source(capture.open(), &settings, Run { progress: &NoProgress, stop: &stop }).unwrap();
    let budget = report::pictures_budget(&audit, &common::provenance(), 6_000_000);
    let view = ViewSettings::default();
    let fetched = pictures::fetch(
        &mut || Ok(capture.open()),
        Fetch { audit: &audit, view: &view, budget, stop: &stop },
    );
    (audit, fetched.unwrap())
}

#[test]
fn a_reader_steps_zooms_and_jumps_by_keyboard() {
    let (audit, pictures) = demo("paper-boat", 150);
    let Some(facts) = opened("paper-boat", &audit, &pictures) else { return };
    for fact in [
        "has_timeline",
        "slider_reached_by_tab",
        "single_frames_look_different",
        "wheel_zooms",
        "arrows_step_at_once",
        "jump_gives_focus",
        "has_stage",
        "step_changes_caption",
        "step_back_returns",
        "held_beside",
        "stage_has_focus",
    ] {
        assert_eq!(facts[fact], true, "{fact}: {facts}");
    }
    assert_eq!(facts["after_right_right_left"].as_u64(), facts["opened_at"].as_u64().map(|at| at + 1));
    assert_eq!(facts["last"], 149);
    assert_eq!(facts["jumped_to"], facts["first_finding_start"]);
    assert_eq!(facts["picture_of_finding"], facts["first_finding_start"]);
    assert!(facts["stretch_of_finding"].as_str().unwrap().starts_with("Event 1, "), "{facts}");
    // The frame that was stepped to is said to be new by measure, or a repeat to the last bit.
    let words = facts["words"].as_str().unwrap();
    assert!(
        words.contains("by the measured change") || words.contains("identical to the last bit"),
        "{facts}"
    );
    assert!(facts["difference_caption"].as_str().unwrap().starts_with("What changed since frame"), "{facts}");
    assert!(facts["printed_pages"].as_u64().unwrap() <= 2, "{facts}");
}

#[test]
fn mixes_can_be_looked_at_pixel_by_pixel() {
    for (device, frames, offered) in [("wool-mitten", 600, true), ("lantern-box", 60, false)] {
        let (audit, pictures) = demo(device, frames);
        let Some(facts) = opened(device, &audit, &pictures) else { return };
        assert_eq!(facts["offers_detail"], offered, "{device}: {facts}");
        if offered {
            assert_eq!(facts["detail_is_another_picture"], true, "{facts}");
            assert_eq!(facts["detail_stays_while_stepping"], true, "{facts}");
        }
    }
}

#[test]
fn every_shape_of_audit_opens_without_a_fault() {
    let mut hostile = common::everything(240);
    hostile.facts.name = common::HOSTILE_NAME.to_owned();
    hostile.verdict = format!("Verdict on {}", common::HOSTILE_NAME);
    hostile.headline = hostile.verdict.clone();
    for event in &mut hostile.events {
        event.text = format!("seen in {}", common::HOSTILE_NAME);
    }
    for finding in &mut hostile.findings {
        finding.text = format!("seen in {}", common::HOSTILE_NAME);
    }
    let none = Pictures::none(common::HOSTILE_NAME);
    for (name, audit) in [
        ("empty", common::empty()),
        ("one-frame", common::steady(1, &[1])),
        ("troubled", common::troubled()),
        ("three-stalls", common::stalling(3)),
        ("forty-stalls", common::stalling(40)),
        ("hostile", hostile),
    ] {
        if let Some(facts) = opened(name, &audit, &none) {
            assert_eq!(facts["has_timeline"], !audit.frames.is_empty(), "{name}");
            assert_eq!(facts["has_stage"], false, "{name}");
        }
    }
}

/// Ten hours in a pattern, and ten hours that compress badly: uneven times, calls and numbers without a pattern.
fn ten_hours() -> [(&'static str, Audit); 2] {
    const FRAMES: usize = 2_160_000;
    let mut restless = common::everything(FRAMES);
    let mut state = 1u32;
    for (frame, ticks) in restless.frames.iter_mut().zip(&mut restless.times.ticks) {
        state = state.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
        frame.class = if state >> 31 == 0 { FrameClass::New } else { FrameClass::Repeat };
        *ticks = *ticks * 1501 + i64::from(state >> 22);
        frame.change = (state >> 12) as f32 / 4096.0;
        frame.confidence = (state >> 16) as f32 / 65536.0;
    }
    restless.times.base = TimeBase::new(1, 90_000).unwrap();
    restless.times.measured = true;
    [("ten-hours", common::everything(FRAMES)), ("ten-restless-hours", restless)]
}

#[test]
fn ten_hours_open_and_zoom_to_single_frames() {
    for (name, audit) in ten_hours() {
        let Some(facts) = opened(name, &audit, &Pictures::none("There are no pictures.")) else { return };
        let (ready, step) = (facts["ready_ms"].as_f64().unwrap(), facts["zoom_step_ms"].as_f64().unwrap());
        let page = Path::new(env!("CARGO_MANIFEST_DIR"))
            .join("target/browser")
            .join(name)
            .join(audit_store::REPORT_HTML);
        let megabytes = std::fs::metadata(page).unwrap().len() as f64 / 1e6;
        eprintln!("{name}: {megabytes:.1} MB, drawn after {ready:.0} ms, longest zoom step {step:.1} ms");
        // Times are told, not judged: the machine may have other things to do.
        assert!(megabytes < PAGE_MB_MAX, "{name}: {megabytes} MB");
        for seen in ["wheel_zooms", "single_frames_look_different"] {
            assert_eq!(facts[seen], true, "{name}: {seen}");
        }
    }
}
