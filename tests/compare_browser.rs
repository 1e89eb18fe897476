//! The comparison in a real browser. Needs Node.js, Chromium and `npm ci` in `tests/browser`; without them it says so and
//! checks nothing. Screenshots are kept under `target/browser/` for looking at.

mod browser_common;
mod cli_common;

use std::fs;
use std::path::{Path, PathBuf};

use cli_common::{sample, Desk};
use serde_json::Value;

/// Devices by the sample that they deliver; names as long as people give them.
const DEVICES: [(&str, &str); 5] = [
    ("lantern-box", "lantern-box.y4m"),
    ("brass-kettle", "brass-kettle.y4m"),
    ("The box in the living room with the second remote control, firmware of the spring", "lantern-box.y4m"),
    ("A_name_without_any_space_in_it_that_goes_on_and_on_until_nothing_can_be_wrapped", "brass-kettle.y4m"),
    ("k", "lantern-box.y4m"),
];

/// A comparison of so many devices, kept for looking at.
fn compared(name: &str, devices: &[(&str, &str)]) -> PathBuf {
    let desk = Desk::new();
    let mut folders = Vec::new();
    for (number, (device, capture)) in devices.iter().enumerate() {
        let mut command = desk.command();
        let (clip, folder) = (sample("lantern-box.y4m"), format!("audit-{number}"));
        command.args(["audit", &sample(capture), "--reference", &clip, "--device", device]);
        command.args(["--out", &folder, "--quiet", "--pictures", "0"]);
        assert!(matches!(command.status().unwrap().code(), Some(0 | 1)), "{device}");
        folders.push(folder);
    }
    let ran = desk.run(&format!("compare {} --out compared --quiet", folders.join(" ")));
    assert_eq!(ran.status, Some(0), "{}", ran.stderr);
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("target/browser").join(name);
    fs::create_dir_all(&folder).unwrap();
    for file in ["compare.html", "compare.svg"] {
        fs::copy(desk.path(format!("compared/{file}")), folder.join(file)).unwrap();
    }
    folder
}

#[test]
fn a_comparison_stays_within_every_width_and_follows_the_dark() {
    for (name, devices) in [("compare-two", &DEVICES[..2]), ("compare-five", &DEVICES[..])] {
        let folder = compared(name, devices);
        let page = fs::read_to_string(folder.join("compare.html")).unwrap();
        for (device, _) in devices {
            assert!(page.contains(device), "{device}");
        }
        let Some(found) = browser_common::run("compare.mjs", name, &[&folder.join("compare.html"), &folder])
        else {
            return;
        };
        for list in ["requests", "errors", "violations", "overflows"] {
            assert_eq!(found[list], serde_json::json!([]), "{name}: {list}");
        }
        for view in ["1280-light", "1280-dark"] {
            assert_eq!(found["facts"]["tables"][view], 0, "{name} {view}: the table lies within the page");
        }
        if devices.len() == 2 {
            assert_eq!(found["facts"]["tables"]["400-light"], 0, "{name}: the table lies within the page");
        }
        let paper = |view: &str| -> Value { found["facts"]["papers"][view].clone() };
        assert_eq!(paper("1280-light"), "rgb(255, 255, 255)");
        assert_ne!(paper("1280-dark"), paper("1280-light"), "{name}: the chart follows dark mode");
    }
}
