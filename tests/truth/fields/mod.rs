//! The field bench: what devices make of interlaced clips, with a truth that is a list written before painting.

#![allow(dead_code, reason = "each test file uses its own part")]
pub mod audited;
pub mod content;
#[path = "../decoded.rs"]
mod decoded;
pub mod devices;
pub mod labels;
pub mod perfect;
pub mod picture;
pub mod recordings;
pub mod score;
pub mod shown;

use std::env;
use std::fs;
use std::path::{Path, PathBuf};
use std::sync::Arc;

use content::Content;
use devices::Device;
use picture::Size;
use recordings::Recording;
use shown::FrameTruth;

/// One capture of the bench.
#[derive(Clone)]
pub struct Cell {
    pub content: Arc<Content>,
    pub device: Device,
    pub recording: Recording,
}

impl Cell {
    pub fn name(&self) -> String {
        format!("{}/{}/{}", self.device.name, self.content.name, self.recording.name())
    }

    /// The truth of every frame.
    pub fn truths(&self) -> Vec<FrameTruth> {
        let shown = &self.device.shown;
        (0..shown.len())
            .map(|place| shown[place].truth(place.checked_sub(1).map(|before| shown[before])))
            .collect()
    }

    pub fn file(&self, cache: &Path) -> PathBuf {
        recordings::file(&self.content, &self.device, self.recording, cache)
    }

    /// Writes clip and truth into the folder of the cell's outcome.
    pub fn write_to(&self, folder: &Path) -> std::io::Result<()> {
        let folder = folder.join(self.device.outcomes[0]);
        fs::create_dir_all(&folder)?;
        let stem = format!("{}-{}-{}", self.content.name, self.device.name, self.recording.name());
        fs::write(folder.join(format!("{stem}.json")), labels::document(self).to_string())?;
        fs::rename(self.file(&folder), folder.join(format!("{stem}.mkv")))
    }
}

/// Frame size of the bench's painted cells.
pub const SIZE: Size = Size { width: 360, height: 240 };
/// Field periods of a painted cell: 3 s.
pub const MOMENTS: usize = 180;

/// Frame size of the large real cells.
pub const LARGE_SIZE: Size = Size { width: 1920, height: 1080 };
/// Field periods of a large cell.
const LARGE_MOMENTS: usize = 50;
/// Devices of the large cells.
const LARGE_DEVICES: [&str; 10] = [
    "pictures",
    "bwdif",
    "pictures-twice",
    "weave-twice",
    "mean-twice",
    "top-field-twice",
    "lines-doubled",
    "bob-wrong-order",
    "tff",
    "film-2-3",
];
/// Frame size of the short form.
const SHORT_SIZE: Size = Size { width: 240, height: 160 };
/// Field periods of a cell of the short form.
const SHORT_MOMENTS: usize = 60;

/// Recordings that every device meets.
const RECORDINGS: [Recording; 2] = [Recording::LOSSLESS, Recording::LOSSY];
/// Devices whose pictures are also scaled on the way, as whole frames.
const SCALED_DEVICES: [&str; 6] =
    ["pictures", "pictures-twice", "weave-twice", "top-field-twice", "lines-doubled", "mean-twice"];
/// From 1080 lines to 720 and to 2160.
const RATIOS: [(usize, usize); 2] = [(2, 3), (2, 1)];

/// Field periods of a cell of this content: real clips end.
pub fn moments(content: &Content, most: usize) -> usize {
    most.min(content.moments()) / 2 * 2
}

/// Folders with real clips: those named, or the one beside the project.
pub fn clip_folders() -> Vec<PathBuf> {
    match env::var_os("EVENBEAT_CLIPS") {
        Some(folders) => env::split_paths(&folders).collect(),
        None => vec![Path::new(env!("CARGO_MANIFEST_DIR")).join("../shared/clips")],
    }
}

/// All cells of a detailed content.
pub fn cells(content: &Arc<Content>, most_moments: usize) -> Vec<Cell> {
    of_devices(content, devices::all(moments(content, most_moments)))
}

/// All cells of a content that is a trap.
pub fn trap_cells(content: &Arc<Content>, most_moments: usize) -> Vec<Cell> {
    of_devices(content, devices::faultless(moments(content, most_moments)))
}

fn of_devices(content: &Arc<Content>, devices: Vec<Device>) -> Vec<Cell> {
    let mut cells = Vec::new();
    for device in devices {
        let scaled = SCALED_DEVICES.contains(&device.name);
        let ratios = RATIOS.iter().filter(|_| scaled);
        let recordings = RECORDINGS.into_iter().flat_map(|recording| {
            let scaled = ratios.clone().map(move |&(up, down)| recording.scaled(up, down));
            std::iter::once(recording).chain(scaled)
        });
        cells.extend(recordings.map(|recording| Cell {
            content: Arc::clone(content),
            device: device.clone(),
            recording,
        }));
    }
    cells
}

/// Cells of a content at the size of broadcasts: a few devices.
pub fn large_cells(content: &Arc<Content>) -> Vec<Cell> {
    let mut devices = devices::all(moments(content, LARGE_MOMENTS));
    devices.retain(|device| LARGE_DEVICES.contains(&device.name));
    let mut cells = of_devices(content, devices);
    cells.retain(|cell| cell.recording.scaled.is_none());
    cells
}

/// A device of every outcome.
const SHORT_DEVICES: [&str; 12] = [
    "pictures",
    "pictures-twice",
    "weave-twice",
    "mean-twice",
    "top-field-twice",
    "lines-doubled",
    "bob-wrong-order",
    "tff",
    "film-2-3-frames",
    "film-lock-lost",
    "film-2-3",
    "chroma-woven",
];

/// Cells of the short form: a device of every outcome in both recordings, and the contents that look like a fault.
pub fn short() -> Vec<Cell> {
    let contents = content::DETAILED.map(|(name, _)| Arc::new(Content::painted(name, SHORT_SIZE)));
    let mut cells = Vec::new();
    let all = devices::all(SHORT_MOMENTS);
    for (turn, name) in SHORT_DEVICES.into_iter().enumerate() {
        let device = all.iter().find(|device| device.name == name).expect("a device of the bench").clone();
        let content = &contents[turn % contents.len()];
        cells.extend(of_devices(content, vec![device]));
    }
    for (name, _) in content::TRAPS {
        let content = Arc::new(Content::painted(name, SHORT_SIZE));
        let mut devices = devices::faultless(SHORT_MOMENTS);
        devices.truncate(2);
        cells.extend(of_devices(&content, devices));
    }
    cells.retain(|cell| cell.recording.scaled.is_none());
    cells
}
