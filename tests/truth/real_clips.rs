//! Real clips as scenes, where they are at hand: folders are named by `EVENBEAT_CLIPS`
//! (several, separated as in the search path). Absent clips are said aloud and left out.

use std::path::Path;
use std::sync::Arc;

use super::scenes::{Scene, Size};
use super::{clip_files, decoded};

/// Clips that are clean 1:1 material, by file name and the name of the scene.
const CLIPS: [(&str, &str); 3] = [
    ("WolfgangLanger_Pexels.mp4", "real-portrait"),
    ("cityCC0.mpg", "real-city"),
    ("phone-1080p60.mp4", "real-phone"),
];
/// Pictures read of each clip.
const PICTURES: usize = 240;

/// The real scenes at hand, scaled to `size`.
pub fn at_hand(size: Size) -> Vec<Scene> {
    let mut scenes = Vec::new();
    for (file, name) in CLIPS {
        match clip_files::at_hand(file) {
            Some(path) => scenes.push(Scene::real(name, size, Arc::new(pictures(&path, size)))),
            None => eprintln!("LEFT OUT: scene {name}: {file} is in no folder of EVENBEAT_CLIPS"),
        }
    }
    scenes
}

fn pictures(path: &Path, size: Size) -> Vec<Vec<u8>> {
    let bytes = decoded::pictures(path, (size.width, size.height), PICTURES);
    bytes.chunks_exact(size.width * size.height * 3 / 2).map(<[u8]>::to_vec).collect()
}
