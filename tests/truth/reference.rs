//! The reference column: cells audited with the scene's own pictures as the clip that was played.

use std::collections::HashMap;
use std::path::{Path, PathBuf};
use std::sync::{Arc, OnceLock};

use evenbeat::audit::audit_fingerprints_against;
use evenbeat::capture::{CaptureEnd, CaptureFacts, FrameSource, RateSource};
use evenbeat::error::Result;
use evenbeat::fingerprint::FrameFingerprint;
use evenbeat::frame::{FrameTiming, Scan};
use evenbeat::reference::Clip;
use evenbeat::settings::Settings;

use super::cells::Cell;
use super::exact::{self, Exact};
use super::scenes::{Scene, Size};
use super::{adapter, clip_rate, frames_available, pictures_shown};

/// Pictures of the clip after the last one that is shown.
const BEYOND: u64 = 30;

/// The pictures of a scene in order, each once.
struct Played {
    facts: CaptureFacts,
    scene: Arc<Scene>,
    next: u64,
    end: u64,
}

impl FrameSource for Played {
    fn facts(&self) -> &CaptureFacts {
        &self.facts
    }

    fn read_frame(&mut self, samples: &mut Vec<u8>) -> Result<Option<FrameTiming>> {
        if self.next == self.end {
            return Ok(None);
        }
        samples.clone_from(&self.scene.picture(self.next));
        self.next += 1;
        Ok(Some(FrameTiming::default()))
    }

    fn finish(self: Box<Self>) -> CaptureEnd {
        CaptureEnd::default()
    }
}

/// The clips of cells: a scene at a size is measured once, and each cell takes as much of it as its delivery goes through.
pub struct Clips {
    kept: Option<PathBuf>,
    measured: HashMap<(String, Size), Measured>,
}

/// Pictures that are wanted of a scene, and their fingerprints once a cell needs them.
#[derive(Default)]
struct Measured {
    pictures: u64,
    fingerprints: OnceLock<Vec<FrameFingerprint>>,
}

impl Clips {
    /// Clips for these cells; fingerprints are kept in a folder, if one is given.
    pub fn of(cells: &[Cell], kept: Option<&Path>) -> Self {
        let mut measured: HashMap<(String, Size), Measured> = HashMap::new();
        for cell in cells {
            let wanted = measured.entry((cell.scene.name.clone(), cell.scene.size)).or_default();
            wanted.pictures = wanted.pictures.max(pictures_of(cell));
        }
        Self { kept: kept.map(Path::to_owned), measured }
    }

    /// The clip of a cell: all pictures that its delivery goes through, and some more.
    fn clip(&self, cell: &Cell) -> Clip {
        let scene = &cell.scene;
        let measured = &self.measured[&(scene.name.clone(), scene.size)];
        let fingerprints = measured.fingerprints.get_or_init(|| {
            let (size, end) = (scene.size, measured.pictures);
            let name = format!("clip_{}_{}x{}_{end}.log", scene.name, size.width, size.height);
            let kept = self.kept.as_ref().map(|folder| folder.join(name));
            let played = || -> Box<dyn FrameSource> {
                Box::new(Played { facts: facts(cell), scene: Arc::clone(scene), next: 0, end })
            };
            adapter::measured(played, kept.as_deref()).1
        });
        Clip::of_fingerprints(facts(cell), &fingerprints[..pictures_of(cell) as usize])
    }

    /// The column of a cell.
    pub fn exact(&self, cell: &Cell, facts: &CaptureFacts, fingerprints: &[FrameFingerprint]) -> Exact {
        let clip = self.clip(cell);
        let audit =
            audit_fingerprints_against(facts.clone(), fingerprints, Some(&clip), &Settings::default());
        match audit {
            Ok(audit) => exact::score(cell, &audit),
            Err(error) => Exact::refused(cell, error.cause),
        }
    }
}

fn pictures_of(cell: &Cell) -> u64 {
    let frames = frames_available(&cell.scene, &cell.delivery);
    (pictures_shown(&cell.delivery, frames) + BEYOND).min(cell.scene.pictures())
}

fn facts(cell: &Cell) -> CaptureFacts {
    CaptureFacts {
        name: cell.scene.name.clone(),
        shape: cell.scene.size.shape(),
        scan: Scan::Progressive,
        coding: evenbeat::frame::Coding::Unknown,
        range: evenbeat::frame::CodeRange::default(),
        nominal_rate: Some(clip_rate(&cell.delivery, frames_available(&cell.scene, &cell.delivery))),
        rate_source: Some(RateSource::Header),
        time_base: None,
        promised_frames: None,
        reader: "truth bench".to_owned(),
    }
}
