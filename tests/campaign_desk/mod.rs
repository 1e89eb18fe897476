//! A campaign to run in a folder of its own, and what came of it.
#![allow(dead_code)] // Each test binary uses its own part.

use std::collections::BTreeMap;
use std::fs;
use std::path::{Path, PathBuf};
use std::process::{Child, Stdio};

use evenbeat::campaign::json::{parse, SCHEMA};
use evenbeat::campaign::model::Campaign;
use serde_json::Value;

use crate::cli_common::{self, first_frames, sample_bytes, Desk};

/// Recordings of two devices on two clips, and the clips; enough frames to be judged.
pub fn desk() -> Desk {
    let desk = Desk::new();
    for folder in ["recordings/kitchen", "recordings/bedroom", "clips"] {
        fs::create_dir_all(desk.path(folder)).unwrap();
    }
    desk.write("recordings/kitchen/harbour.y4m", sample_bytes("lantern-box.y4m"));
    desk.write("recordings/bedroom/harbour.y4m", sample_bytes("brass-kettle.y4m"));
    desk.write("recordings/bedroom/harbour.2.y4m", first_frames("lantern-box.y4m", 50));
    desk.write("recordings/kitchen/film.y4m", sample_bytes("tin-whistle.y4m"));
    desk.write("clips/harbour.y4m", sample_bytes("lantern-box.y4m"));
    desk.write("clips/film.y4m", sample_bytes("tin-whistle.y4m"));
    desk
}

pub fn campaign(desk: &Desk, folder: &str) -> Campaign {
    let text = String::from_utf8(desk.read(format!("{folder}/campaign.json"))).unwrap();
    let schema: Value = serde_json::from_str(SCHEMA).unwrap();
    let validator = jsonschema::draft202012::new(&schema).unwrap();
    let value: Value = serde_json::from_str(&text).unwrap();
    let errors: Vec<String> = validator.iter_errors(&value).map(|error| error.to_string()).collect();
    assert_eq!(errors, [] as [String; 0]);
    parse(&text).unwrap()
}

/// Every file of a campaign's folder but what only spares work, with its bytes.
pub fn results(folder: &Path) -> BTreeMap<PathBuf, Vec<u8>> {
    let mut found = BTreeMap::new();
    let mut folders = vec![folder.to_owned()];
    while let Some(next) = folders.pop() {
        for entry in fs::read_dir(&next).unwrap() {
            let path = entry.unwrap().path();
            if path.ends_with(".evenbeat") {
                continue;
            }
            if path.is_dir() {
                folders.push(path);
            } else {
                let bytes = fs::read(&path).unwrap();
                found.insert(path.strip_prefix(folder).unwrap().to_owned(), bytes);
            }
        }
    }
    found
}

/// The same files with the same bytes; names the first that differs.
pub fn assert_same(one: &BTreeMap<PathBuf, Vec<u8>>, other: &BTreeMap<PathBuf, Vec<u8>>, what: &str) {
    assert_eq!(one.keys().collect::<Vec<_>>(), other.keys().collect::<Vec<_>>(), "{what}");
    for (path, bytes) in one {
        assert!(*bytes == other[path], "{what}: {} differs", path.display());
    }
}

pub fn run(desk: &Desk, arguments: &str) -> cli_common::Ran {
    let mut command = desk.command();
    // One date for all, as in two campaigns on one day.
    command.env("SOURCE_DATE_EPOCH", "1770000000").args(arguments.split_whitespace());
    cli_common::Ran::new(command.output().unwrap())
}

pub fn started(desk: &Desk, arguments: &str) -> Child {
    let mut command = desk.command();
    command.env("SOURCE_DATE_EPOCH", "1770000000").args(arguments.split_whitespace());
    command.stdin(Stdio::null()).stdout(Stdio::null()).stderr(Stdio::piped()).spawn().unwrap()
}
