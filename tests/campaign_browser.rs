//! The pages of a campaign in a real browser. Needs Node.js, Chromium and `npm ci` in `tests/browser`; without them it
//! says so and checks nothing. Screenshots are kept under `target/browser/` for looking at.

mod browser_common;
mod campaign_common;

use std::fs;
use std::path::{Path, PathBuf};
use std::sync::LazyLock;

use evenbeat::campaign::model::Campaign;
use evenbeat::error::Result;
use evenbeat::report::campaign::{write_pages, PageFile, Shelf, INDEX_HTML};
use serde_json::Value;

/// Largest index of 300 cells, MB.
const INDEX_MB_MAX: f64 = 2.0;

/// A folder to look at.
struct Folder(PathBuf);

impl Shelf for Folder {
    fn has(&self, path: &str) -> bool {
        self.0.join(path).exists()
    }

    fn holds(&self, path: &str, bytes: &[u8]) -> bool {
        fs::read(self.0.join(path)).is_ok_and(|there| there == bytes)
    }

    fn put(&mut self, file: PageFile) -> Result<()> {
        let path = self.0.join(&file.path);
        fs::create_dir_all(path.parent().unwrap()).unwrap();
        fs::write(path, &file.bytes).unwrap();
        Ok(())
    }
}

/// Writes the pages of a campaign under `target/browser/`. Charts of an earlier run stay where they are the same.
fn written(name: &str, campaign: &Campaign) -> PathBuf {
    let mut folder = Folder(Path::new(env!("CARGO_MANIFEST_DIR")).join("target/browser").join(name));
    write_pages(campaign, &mut folder).unwrap();
    folder.0
}

/// Campaigns of every shape. The first is looked at more closely.
static FOLDERS: LazyLock<[PathBuf; 4]> = LazyLock::new(|| {
    [
        written("campaign", &campaign_common::varied()),
        written("campaign-hostile", &campaign_common::hostile()),
        written("campaign-one", &campaign_common::campaign(&["w"])),
        written("campaign-wide", &campaign_common::campaign(&["rwcxn".repeat(12).as_str()])),
    ]
});

/// What was found in their pages, opened in one browser, by their names; nothing where there is no browser.
static FOUND: LazyLock<Option<Value>> = LazyLock::new(|| {
    let folders: Vec<&Path> = FOLDERS.iter().map(PathBuf::as_path).collect();
    browser_common::run("campaign.mjs", "campaigns", &folders)
});

/// What was found of one campaign, faults apart, of which there must be none.
fn facts(name: &str) -> Option<Value> {
    let found = &FOUND.as_ref()?[name];
    for list in ["requests", "errors", "violations", "overflows"] {
        assert_eq!(found[list], serde_json::json!([]), "{name}: {list}");
    }
    assert_eq!(found["facts"]["dead_links"], serde_json::json!([]), "{name}");
    assert_eq!(found["facts"]["sheet_without_script"], true, "{name}");
    assert_eq!(found["facts"]["choices_without_script"], 0, "{name}");
    Some(found["facts"].clone())
}

#[test]
fn three_hundred_cells_are_sorted_and_judged_by_keyboard() {
    let megabytes = fs::metadata(FOLDERS[0].join(INDEX_HTML)).unwrap().len() as f64 / 1e6;
    assert!(megabytes < INDEX_MB_MAX, "{megabytes} MB");
    let Some(facts) = facts("campaign") else { return };
    // Times are told, not judged: the machine may have other things to do.
    eprintln!(
        "campaign: {megabytes:.2} MB, ready after {} ms, painted after {} ms",
        facts["ready_ms"], facts["painted_ms"]
    );
    assert_eq!(facts["cells"], 300);
    for fact in ["aspect_changes_words", "view_returns", "cells_follow", "address_recalled", "order_returns"]
    {
        assert_eq!(facts[fact], true, "{fact}: {facts}");
    }
    assert_eq!(facts["answers_shown"], serde_json::json!(["levels"]));
    assert_eq!(facts["same_columns"], 1, "{facts}");
    // Clip 2 breaks all nine that played it; device 0 plays most clips right.
    assert!(facts["clips_order"].as_str().unwrap().starts_with("2,"), "{facts}");
    assert!(facts["devices_order"].as_str().unwrap().starts_with("0,6,7,"), "{facts}");
    assert_eq!(facts["address"], "#clips=most&devices=most");
    assert_eq!(facts["focus_after_right_down"], "c0-1");
}

#[test]
fn every_shape_of_campaign_opens_without_a_fault() {
    for (name, cells) in [("campaign-hostile", 6), ("campaign-one", 1), ("campaign-wide", 60)] {
        if let Some(facts) = facts(name) {
            assert_eq!(facts["cells"], cells, "{name}");
        }
    }
}
