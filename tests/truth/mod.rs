//! The truth bench: scenes × deliveries × recordings whose truth is known frame by frame.

pub mod adapter;
pub mod cells;
mod clip_files;
mod decoded;
pub mod deliveries;
pub mod dump;
pub mod exact;
pub mod faultless;
pub mod marks;
pub mod perfect;
pub mod plain_judge;
pub mod real_clips;
pub mod recordings;
pub mod reference;
pub mod scenes;
pub mod score;

use std::collections::BTreeSet;

use deliveries::Delivery;
use evenbeat::demo::schedule::Shown;
use evenbeat::units::Rate;
use scenes::Scene;

/// What a frame is, by the list.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Truth {
    New,
    /// Same content as the frame before, the clip being in motion (or held by the clip for a moment).
    Repeat,
    /// Same content as the frame before, where the clip itself stands still.
    Still,
}

impl Truth {
    pub fn name(self) -> &'static str {
        match self {
            Self::New => "new",
            Self::Repeat => "repeat",
            Self::Still => "still",
        }
    }
}

/// Last picture a frame needs.
fn last_picture(shown: Shown) -> u64 {
    match shown {
        Shown::Picture(picture) => picture,
        Shown::Mix { second, .. } => second,
    }
}

/// Frames of a delivery that a scene has pictures for: real clips end.
pub fn frames_available(scene: &Scene, delivery: &Delivery) -> usize {
    delivery.shown.iter().take_while(|&&shown| last_picture(shown) < scene.pictures()).count()
}

/// Pictures from the first one to the last that a delivery of so many frames shows.
fn pictures_shown(delivery: &Delivery, frames: usize) -> u64 {
    delivery.shown[..frames].iter().map(|&shown| last_picture(shown) + 1).max().unwrap_or(0)
}

/// Pictures per second of the clip, by how many of them a delivery of so many frames goes through.
pub fn clip_rate(delivery: &Delivery, frames: usize) -> Rate {
    let per_frame = pictures_shown(delivery, frames).saturating_sub(1) as f64 / (frames.max(2) - 1) as f64;
    let hz = delivery.delivered_rate.hz() * per_frame;
    Rate::nearest_standard(hz, 0.05).unwrap_or(delivery.delivered_rate)
}

/// The truth of every frame of a cell.
pub fn truth(scene: &Scene, delivery: &Delivery) -> Vec<Truth> {
    let content = |shown| match scene.rounded(shown) {
        Shown::Picture(picture) => (scene.content(picture), 0, 0.0),
        Shown::Mix { first, second, weight } => (scene.content(first), scene.content(second), weight),
    };
    let frames = frames_available(scene, delivery);
    let contents: Vec<_> = delivery.shown[..frames].iter().map(|&shown| content(shown)).collect();
    (0..frames)
        .map(|frame| {
            if frame == 0 || contents[frame] != contents[frame - 1] {
                Truth::New
            } else if scene.stands_still(last_picture(delivery.shown[frame])) {
                Truth::Still
            } else {
                Truth::Repeat
            }
        })
        .collect()
}

/// Whether a frame mixes two pictures and is neither.
pub fn is_mix(scene: &Scene, shown: Shown) -> bool {
    matches!(scene.rounded(shown), Shown::Mix { .. })
}

/// Pictures that never appeared just before each frame: those between it and all shown before, which do not come
/// later either.
pub fn lost(scene: &Scene, delivery: &Delivery) -> Vec<u64> {
    let shown: Vec<Option<u64>> = contents(scene, delivery);
    let ever: BTreeSet<u64> = shown.iter().flatten().copied().collect();
    let mut newest = None;
    shown
        .iter()
        .enumerate()
        .map(|(frame, &now)| {
            let before = frame.checked_sub(1).and_then(|before| shown[before]);
            let (Some(now), Some(_), Some(from)) = (now, before, newest) else {
                newest = newest.max(now);
                return 0;
            };
            newest = newest.max(Some(now));
            (from + 1..now).filter(|picture| !ever.contains(picture)).count() as u64
        })
        .collect()
}

/// Content of each frame that shows one picture.
fn contents(scene: &Scene, delivery: &Delivery) -> Vec<Option<u64>> {
    let content = |&shown: &Shown| match scene.rounded(shown) {
        Shown::Picture(picture) => Some(scene.content(picture)),
        Shown::Mix { .. } => None,
    };
    delivery.shown[..frames_available(scene, delivery)].iter().map(content).collect()
}

/// Which frames bring a picture out of order: one older than those before it, and one whose turn was next but one
/// where the skipped picture comes just after it.
pub fn out_of_order(scene: &Scene, delivery: &Delivery) -> Vec<bool> {
    let shown = contents(scene, delivery);
    let mut seen = BTreeSet::new();
    let mut out = vec![false; shown.len()];
    for frame in 0..shown.len() {
        let Some(now) = shown[frame] else { continue };
        let newest = seen.last().copied();
        if frame > 0 && shown[frame - 1] != Some(now) && newest.is_some_and(|newest| now < newest) {
            out[frame] = true;
            if !seen.contains(&now) {
                out[frame - 1] = true;
            }
        }
        seen.insert(now);
    }
    out
}
