//! Files of real clips: in the folders that `EVENBEAT_CLIPS` names (several, separated as in the search path).

use std::path::{Path, PathBuf};

/// Folders below a named one that are searched.
const DEPTH: usize = 8;

/// The clip of that file name, where it is at hand.
pub fn at_hand(file: &str) -> Option<PathBuf> {
    let folders = std::env::var_os("EVENBEAT_CLIPS")?;
    std::env::split_paths(&folders)
        .filter(|folder| folder.is_dir())
        .find_map(|folder| find(&folder, file, DEPTH))
}

fn find(folder: &Path, file: &str, depth: usize) -> Option<PathBuf> {
    let direct = folder.join(file);
    if direct.is_file() {
        return Some(direct);
    }
    let entries = std::fs::read_dir(folder).ok()?.flatten();
    entries
        .filter(|entry| depth > 0 && entry.file_type().is_ok_and(|kind| kind.is_dir()))
        .find_map(|entry| find(&entry.path(), file, depth - 1))
}
