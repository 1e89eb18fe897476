//! The marks column: the test clip as a scene of the bench, audited as a user does it, with no option.

use std::sync::Arc;

use evenbeat::audit::audit_fingerprints;
use evenbeat::capture::CaptureFacts;
use evenbeat::fingerprint::FrameFingerprint;
use evenbeat::settings::Settings;

use super::cells::{Cell, DISORDER_RECORDINGS};
use super::deliveries::{self, Delivery};
use super::exact::{self, Exact};
use super::recordings::{self, Recording};
use super::scenes::Scene;
use super::{clip_rate, pictures_shown};

/// Frames of the short form.
const SHORT_FRAMES: usize = 60;

/// The test clip in every delivery and recording, deliveries `frames` long. Long deliveries meet three recordings.
pub fn full(frames: usize) -> Vec<Vec<Cell>> {
    let deliveries = deliveries::all(frames).into_iter().chain(deliveries::disordered(frames));
    deliveries
        .map(|delivery| {
            let recordings = if delivery.long { &DISORDER_RECORDINGS[..] } else { &recordings::ALL[..] };
            cells(delivery, recordings)
        })
        .collect()
}

/// A few deliveries and recordings.
pub fn short() -> Vec<Cell> {
    let recordings = [Recording::Lossless, Recording::X264 { crf: 28, b_frames: 3 }, Recording::Noise(3)];
    let wanted = ["2:3", "stalls", "mix-24-in-60", "swaps"];
    let deliveries = deliveries::all(SHORT_FRAMES).into_iter().chain(deliveries::disordered(SHORT_FRAMES));
    deliveries
        .filter(|delivery| wanted.contains(&delivery.name))
        .flat_map(|delivery| cells(delivery, &recordings))
        .collect()
}

fn cells(delivery: Delivery, recordings: &[Recording]) -> Vec<Cell> {
    let frames = delivery.shown.len();
    let pictures = pictures_shown(&delivery, frames);
    let scene = Arc::new(Scene::test_clip(clip_rate(&delivery, frames), pictures));
    let delivery = Arc::new(delivery);
    let cell = |&recording| Cell { scene: Arc::clone(&scene), delivery: Arc::clone(&delivery), recording };
    recordings.iter().map(cell).collect()
}

/// The column of a cell.
pub fn exact(cell: &Cell, facts: &CaptureFacts, fingerprints: &[FrameFingerprint]) -> Exact {
    exact::score(cell, &audit_fingerprints(facts.clone(), fingerprints, &Settings::default()))
}
