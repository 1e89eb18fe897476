//! Real clips as scenes, where they are at hand: folders are named by `EVENBEAT_CLIPS`
//! (several, separated as in the search path). Absent clips are said aloud and left out.

use std::path::{Path, PathBuf};
use std::sync::Arc;

use super::decoded;
use super::scenes::{Scene, Size};

/// Clips that are clean 1:1 material, by file name and the name of the scene.
const CLIPS: [(&str, &str); 3] = [
    ("WolfgangLanger_Pexels.mp4", "real-portrait"),
    ("cityCC0.mpg", "real-city"),
    ("phone-1080p60.mp4", "real-phone"),
];
/// Folders below a named one that are searched.
const DEPTH: usize = 8;
/// Pictures read of each clip.
const PICTURES: usize = 240;

/// The real scenes at hand, scaled to `size`.
pub fn at_hand(size: Size) -> Vec<Scene> {
    let folders = std::env::var_os("EVENBEAT_CLIPS");
    let folders: Vec<PathBuf> =
        folders.iter().flat_map(std::env::split_paths).filter(|folder| folder.is_dir()).collect();
    let mut scenes = Vec::new();
    for (file, name) in CLIPS {
        match folders.iter().find_map(|folder| find(folder, file, DEPTH)) {
            Some(path) => scenes.push(Scene::real(name, size, Arc::new(pictures(&path, size)))),
            None => eprintln!("LEFT OUT: scene {name}: {file} is in no folder of EVENBEAT_CLIPS"),
        }
    }
    scenes
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

fn pictures(path: &Path, size: Size) -> Vec<Vec<u8>> {
    let bytes = decoded::pictures(path, (size.width, size.height), PICTURES);
    bytes.chunks_exact(size.width * size.height * 3 / 2).map(<[u8]>::to_vec).collect()
}
