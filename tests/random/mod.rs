//! Captures drawn from a seed: a scene, a cadence and a recording each, with the truth of every frame.

pub mod cadences;
mod draw;
pub mod dump;
pub mod pictures;

pub mod real;
pub mod recordings;
pub mod scenes;
pub mod score;
pub mod taken;

use std::sync::Arc;

use evenbeat::units::Rate;

use cadences::Cadence;
use draw::Draw;
use pictures::Size;
use recordings::Recording;
use scenes::{Scene, FAMILIES};

/// One capture of the bench.
pub struct Capture {
    /// Names it in the whole bench: number, family, cadence, recording.
    pub name: String,
    pub scene: Arc<Scene>,
    pub cadence: Cadence,
    pub recording: Recording,
    pub rate: Rate,
    /// What noise is drawn from.
    pub seed: u64,
}

/// Sizes of painted pictures with the share in which they are drawn.
pub const SIZES: [(u64, Size); 4] = [
    (16, Size { width: 320, height: 240 }),
    (2, Size { width: 352, height: 198 }),
    (1, Size { width: 256, height: 144 }),
    (1, Size { width: 480, height: 272 }),
];
/// The one size of the short form.
pub const SHORT_SIZES: [(u64, Size); 1] = [(1, Size { width: 176, height: 144 })];
/// Frames of a capture.
const FRAMES: (u64, u64) = (100, 150);
const RATES: [&str; 6] = ["24", "25", "30", "50", "59.94", "60"];

impl Capture {
    /// Capture `number` of the bench that belongs to `seed`. Families come in turn; all else is drawn.
    pub fn drawn(seed: u64, number: u64, sizes: &[(u64, Size)]) -> Self {
        let mut draw = Draw::new(seed, number);
        let size = draw.weighted(sizes);
        let frames = draw.whole(FRAMES.0, FRAMES.1) as usize;
        let family = (number % FAMILIES.len() as u64) as usize;
        let cadence = cadences::drawn(&mut draw, frames);
        let recording = Recording::drawn(&mut draw);
        let rate = Rate::parse(draw.pick(&RATES)).expect("a rate of the table");
        let scene = Arc::new(Scene::drawn(family, &mut draw, size));
        Self::named(format!("s{seed}-{number:05}"), (scene, cadence, recording), (rate, draw.seed()))
    }

    /// A capture whose name begins with `what`.
    pub fn named(
        what: String,
        (scene, cadence, recording): (Arc<Scene>, Cadence, Recording),
        (rate, seed): (Rate, u64),
    ) -> Self {
        let name = format!("{what}/{}/{}/{}", scene.family, cadence.name, recording.name());
        Self { name, scene, cadence, recording, rate, seed }
    }

    /// The name fit for a file.
    pub fn file_name(&self) -> String {
        self.name.replace('/', "_").replace(':', "-")
    }

    /// Size of the recorded frames.
    pub fn size(&self) -> Size {
        self.recording.conversion.size(self.scene.size)
    }

    /// Whether it is delivered so that no fault may be found.
    pub fn is_clean(&self) -> bool {
        self.cadence.is_one_to_one()
    }
}
