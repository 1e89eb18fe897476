//! Tells the program which code decides: BLAKE3 over the sources of everything that a result rests on, so that a campaign
//! audits a recording again when one of them changed, and not when only a page looks otherwise.
//!
//! And takes the hashes by which pages allow their own styles and scripts, which the program could only take again and again.

use std::fs;
use std::path::{Path, PathBuf};

use base64::engine::general_purpose::STANDARD;
use base64::Engine;
use sha2::{Digest, Sha256};

/// What decides nothing: how results look, where they go, and what is painted.
const DECIDES_NOTHING: &[&str] =
    &["campaign", "cli", "demo", "fuzz.rs", "lib.rs", "main.rs", "output", "report", "testclip"];
/// What of a campaign does.
const OF_CAMPAIGN: &str = "src/campaign/rows.rs";
/// Libraries decode pictures.
const LIBRARIES: &str = "Cargo.lock";

/// Styles and scripts of pages: the name that `src/report/inline.rs` finds the hash by, and what the text is joined of.
const INLINE: &[(&str, &[Part])] = &[
    ("EVENBEAT_REPORT_STYLE", &[Part::File("src/report/html/report.css")]),
    ("EVENBEAT_REPORT_SCRIPT", &[DATA_START, Part::File("src/report/html/report.js"), DATA_END]),
    (
        "EVENBEAT_COMPARISON_STYLE",
        &[Part::File("src/report/html/report.css"), Part::File("src/report/html/compare.css")],
    ),
    ("EVENBEAT_CAMPAIGN_STYLE", &[Part::File("src/report/campaign/campaign.css")]),
    ("EVENBEAT_CAMPAIGN_SCRIPT", &[DATA_START, Part::File("src/report/campaign/campaign.js"), DATA_END]),
];
/// Marks of character data, as `src/report/inline.rs` sets them around scripts.
const DATA_START: Part = Part::Text("//<![CDATA[\n");
const DATA_END: Part = Part::Text("//]]>\n");

/// A part of a style or script.
enum Part {
    File(&'static str),
    Text(&'static str),
}

fn main() {
    tell_deciding_code();
    tell_inline_sources();
    println!("cargo:rerun-if-changed=src");
    println!("cargo:rerun-if-changed={LIBRARIES}");
}

fn tell_deciding_code() {
    let mut files = Vec::new();
    collect(Path::new("src"), &mut files);
    files.retain(|file| {
        let part = file.iter().nth(1).map(|part| part.to_string_lossy().into_owned());
        !part.is_some_and(|part| DECIDES_NOTHING.contains(&part.as_str()))
    });
    files.extend([PathBuf::from(OF_CAMPAIGN), PathBuf::from(LIBRARIES)]);
    files.sort();
    let mut hasher = blake3::Hasher::new();
    for file in &files {
        // Line ends depend on how the sources were fetched.
        let mut bytes = fs::read(file).unwrap_or_default();
        bytes.retain(|&byte| byte != b'\r');
        let name = file.iter().map(|part| part.to_string_lossy()).collect::<Vec<_>>().join("/");
        hasher.update(name.as_bytes()).update(&(bytes.len() as u64).to_le_bytes()).update(&bytes);
    }
    println!("cargo:rustc-env=EVENBEAT_DECIDING={}", hasher.finalize().to_hex());
}

fn tell_inline_sources() {
    for (name, parts) in INLINE {
        let mut hasher = Sha256::new();
        for part in *parts {
            match part {
                // What is missing stops the compiler, which says so better.
                Part::File(path) => hasher.update(fs::read(path).unwrap_or_default()),
                Part::Text(text) => hasher.update(text),
            }
        }
        println!("cargo:rustc-env={name}=sha256-{}", STANDARD.encode(hasher.finalize()));
    }
}

fn collect(folder: &Path, files: &mut Vec<PathBuf>) {
    let Ok(entries) = fs::read_dir(folder) else { return };
    for path in entries.flatten().map(|entry| entry.path()) {
        if path.is_dir() {
            collect(&path, files);
        } else if path.extension().is_some_and(|kind| kind == "rs") {
            files.push(path);
        }
    }
}
