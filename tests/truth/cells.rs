//! Which cells the bench runs, and how a cell is written to disk for study.

use std::fs::{self, File};
use std::io::{BufWriter, Write};
use std::path::Path;
use std::sync::Arc;

use evenbeat::demo::schedule::Shown;

use super::deliveries::{self, Delivery};
use super::recordings::{self, Recording};
use super::scenes::{Scene, Size, PAINTED};
use super::{is_mix, lost, truth};

/// Frame size of the full bench.
pub const FULL_SIZE: Size = Size { width: 480, height: 270 };
/// Frame size of the bench's small form: fewer blocks than a percentile needs.
pub const SMALL_SIZE: Size = Size { width: 64, height: 36 };
/// Frame size of long deliveries.
pub const LONG_SIZE: Size = Size { width: 160, height: 90 };
/// Frame size of the short form.
pub const SHORT_SIZE: Size = Size { width: 240, height: 136 };
/// Frames of the full bench.
pub const FULL_FRAMES: usize = 240;
/// Frames of the short form.
pub const SHORT_FRAMES: usize = 120;

/// One cell.
#[derive(Clone)]
pub struct Cell {
    pub scene: Arc<Scene>,
    pub delivery: Arc<Delivery>,
    pub recording: Recording,
}

impl Cell {
    /// The name fit for a file.
    pub fn file_name(&self) -> String {
        self.name().replace(['/', ':'], "_")
    }

    pub fn name(&self) -> String {
        format!("{}/{}/{}", self.scene.name, self.delivery.name, self.recording.name())
    }
}

/// Cells of one scene with a number in the bench. Every scene meets every delivery without loss. In each other
/// recording it meets 1:1 or 2:2 by turns and one more delivery, so that over the scenes every delivery meets
/// every recording. `everything` takes the whole product.
pub fn of_scene(number: usize, scene: Scene, frames: usize, everything: bool) -> Vec<Cell> {
    let pairs = pairs(scene, frames);
    let others = pairs.len() - 2;
    let mut cells = Vec::new();
    for (turn, &recording) in recordings::ALL.iter().enumerate() {
        let whole = everything || recording == Recording::Lossless;
        let by_turns = [(number + turn) % 2, 2 + (number + turn * 4) % others];
        let places = (0..pairs.len()).filter(|place| whole || by_turns.contains(place));
        cells.extend(places.map(|place| {
            let (scene, delivery) = &pairs[place];
            Cell { scene: Arc::clone(scene), delivery: Arc::clone(delivery), recording }
        }));
    }
    for delivery in deliveries::disordered(frames).into_iter().map(Arc::new) {
        let scene = Arc::clone(&pairs[0].0);
        cells.extend(DISORDER_RECORDINGS.map(|recording| Cell {
            scene: Arc::clone(&scene),
            delivery: Arc::clone(&delivery),
            recording,
        }));
    }
    cells
}

/// Recordings in which every scene meets the disordered deliveries.
pub const DISORDER_RECORDINGS: [Recording; 3] =
    [Recording::Lossless, Recording::X264 { crf: 23, b_frames: 3 }, Recording::Noise(2)];

/// A scene with every delivery: long ones of a painted scene are painted small, real clips are too short for them.
fn pairs(scene: Scene, frames: usize) -> Vec<(Arc<Scene>, Arc<Delivery>)> {
    let painted = PAINTED.iter().any(|(name, _)| *name == scene.name);
    let small = painted.then(|| Arc::new(Scene::painted(&scene.name, LONG_SIZE)));
    let scene = Arc::new(scene);
    let with_scene = |delivery: Delivery| {
        let scene = if delivery.long { small.as_ref()? } else { &scene };
        Some((Arc::clone(scene), Arc::new(delivery)))
    };
    deliveries::all(frames).into_iter().filter_map(with_scene).collect()
}

/// Cells of the short form: every painted scene at 1:1, 2:2 and one more delivery without loss, and a few lossy.
pub fn short() -> Vec<Cell> {
    let deliveries: Vec<Arc<Delivery>> =
        deliveries::all(SHORT_FRAMES).into_iter().filter(|d| !d.long).map(Arc::new).collect();
    let lossy = [
        Recording::X264 { crf: 23, b_frames: 3 },
        Recording::X264 { crf: 28, b_frames: 0 },
        Recording::Mpeg2 { kilobits: 1500 },
        Recording::Mjpeg { scale: 3 },
        Recording::Noise(2),
        Recording::Dither,
    ];
    let mut cells = Vec::new();
    for (number, (name, _)) in PAINTED.iter().enumerate() {
        let scene = Arc::new(Scene::painted(name, SHORT_SIZE));
        for place in [0, 1, 2 + number % (deliveries.len() - 2)] {
            let (scene, delivery) = (Arc::clone(&scene), Arc::clone(&deliveries[place]));
            cells.push(Cell { scene, delivery, recording: Recording::Lossless });
        }
        let delivery = Arc::clone(&deliveries[number % 5]);
        cells.push(Cell { scene, delivery, recording: lossy[number % lossy.len()] });
    }
    cells
}

/// Writes the frames of a cell as YUV4MPEG2 and its truth beside it.
pub fn write_to(cell: &Cell, folder: &Path, cache: &Path) -> std::io::Result<()> {
    fs::create_dir_all(folder)?;
    let stem = cell.name().replace(['/', ':'], "_");
    let mut source = recordings::open(&cell.scene, &cell.delivery, cell.recording, cache);
    let mut out = BufWriter::new(File::create(folder.join(format!("{stem}.y4m")))?);
    let (size, rate) = (cell.scene.size, cell.delivery.delivered_rate);
    writeln!(out, "YUV4MPEG2 W{} H{} F{}:{} Ip A1:1 C420", size.width, size.height, rate.num(), rate.den())?;
    let mut samples = Vec::new();
    while source.read_frame(&mut samples).expect("a frame of the bench").is_some() {
        out.write_all(b"FRAME\n")?;
        out.write_all(&samples)?;
    }
    source.finish();
    write_truth(cell, &folder.join(format!("{stem}.truth.csv")))
}

/// Writes the truth of a cell: one row per frame.
pub fn write_truth(cell: &Cell, path: &Path) -> std::io::Result<()> {
    let mut out = BufWriter::new(File::create(path)?);
    writeln!(out, "frame,truth,picture,second_picture,weight,lost_before,cut,mix")?;
    let lost = lost(&cell.scene, &cell.delivery);
    for (frame, truth) in truth(&cell.scene, &cell.delivery).iter().enumerate() {
        let shown = cell.delivery.shown[frame];
        let (first, second, weight) = match shown {
            Shown::Picture(picture) => (picture, picture, 0.0),
            Shown::Mix { first, second, weight } => (first, second, weight),
        };
        writeln!(
            out,
            "{frame},{},{first},{second},{weight},{},{},{}",
            truth.name(),
            lost[frame],
            u8::from(*truth == super::Truth::New && cell.scene.cut_at(first)),
            u8::from(is_mix(&cell.scene, shown)),
        )?;
    }
    out.flush()
}
