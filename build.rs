//! Tells the program which code decides: BLAKE3 over the sources of everything that a result rests on, so that a campaign
//! audits a recording again when one of them changed, and not when only a page looks otherwise.

use std::fs;
use std::path::{Path, PathBuf};

/// What decides nothing: how results look, where they go, and what is painted.
const DECIDES_NOTHING: &[&str] =
    &["campaign", "cli", "demo", "fuzz.rs", "lib.rs", "main.rs", "output", "report", "testclip"];
/// What of a campaign does.
const OF_CAMPAIGN: &str = "src/campaign/rows.rs";
/// Libraries decode pictures.
const LIBRARIES: &str = "Cargo.lock";

fn main() {
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
    println!("cargo:rerun-if-changed=src");
    println!("cargo:rerun-if-changed={LIBRARIES}");
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
