//! Real clips, timed and recorded anew. In none of them does the clip repeat a picture: each was looked at, and the
//! smallest change of the pictures used is written beside it.

use std::sync::Arc;

use evenbeat::units::Rate;

use super::cadences::{self, Cadence};
use super::draw::{scrambled, Draw};
use super::pictures::Size;
use super::recordings::{Recorder, Recording};
use super::scenes::Scene;
use super::Capture;
use crate::clip_files;

/// A clip by its file name, with the size its pictures are scaled to.
struct Clip {
    name: &'static str,
    file: &'static str,
    size: (usize, usize),
    rate: &'static str,
}

/// Worst 16 × 16 block of the smallest change between neighbours among the first 170 pictures, code values.
#[rustfmt::skip]
const CLIPS: [Clip; 12] = [
    // 6.9: a person close up who wipes her face.
    Clip { name: "portrait", file: "WolfgangLanger_Pexels.mp4", size: (640, 360), rate: "23.976" },
    // 2.9: a person who sits still and smiles.
    Clip { name: "smile", file: "single_face.mp4", size: (640, 360), rate: "30" },
    // 12.3: houses by night, a slow camera.
    Clip { name: "city", file: "cityCC0.mpg", size: (640, 360), rate: "25" },
    // 3.7: small fish from above under a light that flickers.
    Clip { name: "fish", file: "test_A.avi", size: (512, 414), rate: "30" },
    // 16.9: indoor sport.
    Clip { name: "sports", file: "sports-30p.mp4", size: (426, 240), rate: "29.97" },
    // 4.9: a camera held by hand, slow to fast.
    Clip { name: "handheld", file: "handheld-30p.mp4", size: (640, 360), rate: "30" },
    // 79.9: a card with a counter.
    Clip { name: "counter", file: "counter-25p.mp4", size: (640, 480), rate: "25" },
    // 20.8: a phone in the open, a counter in the picture; 77 pictures.
    Clip { name: "phone", file: "phone-1080p60.mp4", size: (640, 360), rate: "59.94" },
    // 19.1: drawn, a slow camera; 48 pictures.
    Clip { name: "drawn-clip", file: "drawn-24p.mp4", size: (640, 360), rate: "24" },
    // 7.6: a dark hall with lights; 100 pictures.
    Clip { name: "concert", file: "concert-1080p50.mov", size: (640, 360), rate: "50" },
    // 5.9: a globe that turns slowly.
    Clip { name: "globe", file: "world.mp4", size: (480, 270), rate: "30" },
    // 21.9: people cross a yard, the camera stands; the clip is of 10 pictures per second.
    Clip { name: "yard", file: "vtest.avi", size: (576, 432), rate: "30" },
];

/// Frames of a capture, as far as the clip goes.
const FRAMES: usize = 150;

const RECORDERS: [Recorder; 9] = [
    Recorder::Raw,
    Recorder::X264 { preset: "veryfast", crf: 18 },
    Recorder::X264 { preset: "veryfast", crf: 23 },
    Recorder::X264 { preset: "veryfast", crf: 28 },
    Recorder::X264 { preset: "medium", crf: 18 },
    Recorder::X264 { preset: "medium", crf: 23 },
    Recorder::X264 { preset: "medium", crf: 28 },
    Recorder::Mpeg2 { scale: 5 },
    Recorder::Mjpeg { scale: 5 },
];

type Timed = fn(&mut Draw) -> Cadence;

const CADENCES: [Timed; 6] = [
    |_| cadences::one_to_one(FRAMES),
    |_| cadences::held("half-rate", &[2], FRAMES),
    |_| cadences::held("2:3", &[2, 3], FRAMES),
    |draw| cadences::random_holds(draw, FRAMES),
    |draw| cadences::stalls(draw, cadences::one_to_one(FRAMES)),
    |draw| cadences::drops(draw, FRAMES),
];

/// Every clip at hand in every cadence and recording; what is drawn belongs to `seed`. Absent clips are said aloud.
pub fn captures(seed: u64) -> Vec<Capture> {
    let mut captures = Vec::new();
    for (number, clip) in CLIPS.iter().enumerate() {
        let Some(path) = clip_files::at_hand(clip.file) else {
            eprintln!("LEFT OUT: clip {}: {} is in no folder of EVENBEAT_CLIPS", clip.name, clip.file);
            continue;
        };
        let size = Size { width: clip.size.0, height: clip.size.1 };
        let scene = Arc::new(Scene::of_clip(clip.name, size, path));
        let rate = Rate::parse(clip.rate).expect("a rate of the table");
        for (turn, timed) in CADENCES.iter().enumerate() {
            let place = (number * CADENCES.len() + turn) as u64;
            for (which, recorder) in RECORDERS.into_iter().enumerate() {
                // The same list in every recording.
                let cadence = timed(&mut Draw::new(seed, scrambled(place)));
                let recording = Recording::plain(recorder);
                let name = format!("real{seed}-{:04}", place as usize * RECORDERS.len() + which);
                captures.push(Capture::named(name, (Arc::clone(&scene), cadence, recording), (rate, seed)));
            }
        }
    }
    captures
}

/// The pictures of every clip at hand. Absent clips are said aloud.
#[allow(dead_code, reason = "what the alignment bench needs")]
pub fn scenes() -> Vec<Arc<Scene>> {
    let scene = |clip: &Clip| {
        let path = clip_files::at_hand(clip.file);
        if path.is_none() {
            eprintln!("LEFT OUT: clip {}: {} is in no folder of EVENBEAT_CLIPS", clip.name, clip.file);
        }
        let size = Size { width: clip.size.0, height: clip.size.1 };
        path.map(|path| Arc::new(Scene::of_clip(clip.name, size, path)))
    };
    CLIPS.iter().filter_map(scene).collect()
}
