//! The truth bench: scenes × deliveries × recordings whose truth is known frame by frame.

pub mod adapter;
pub mod cells;
pub mod deliveries;
pub mod dump;
pub mod perfect;
pub mod plain_judge;
pub mod real_clips;
pub mod recordings;
pub mod scenes;
pub mod score;

use deliveries::Delivery;
use evenbeat::demo::schedule::Shown;
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

/// The truth of every frame of a cell.
pub fn truth(scene: &Scene, delivery: &Delivery) -> Vec<Truth> {
    let frames = frames_available(scene, delivery);
    let content = |shown| match shown {
        Shown::Picture(picture) => (scene.content(picture), 0, 0.0),
        Shown::Mix { first, second, weight } if scene.content(first) != scene.content(second) => {
            (scene.content(first), scene.content(second), weight)
        }
        Shown::Mix { first, .. } => (scene.content(first), 0, 0.0),
    };
    (0..frames)
        .map(|frame| {
            let shown = delivery.shown[frame];
            if frame == 0 || content(shown) != content(delivery.shown[frame - 1]) {
                Truth::New
            } else if scene.stands_still(last_picture(shown)) {
                Truth::Still
            } else {
                Truth::Repeat
            }
        })
        .collect()
}

/// Whether a frame mixes two pictures that differ.
pub fn is_mix(scene: &Scene, shown: Shown) -> bool {
    matches!(shown, Shown::Mix { first, second, .. } if scene.content(first) != scene.content(second))
}

/// Pictures that never appeared just before each frame.
pub fn lost(scene: &Scene, delivery: &Delivery) -> Vec<u64> {
    let frames = frames_available(scene, delivery);
    (0..frames)
        .map(|frame| {
            match (frame.checked_sub(1).map(|before| delivery.shown[before]), delivery.shown[frame]) {
                (Some(Shown::Picture(before)), Shown::Picture(now)) => {
                    scene.content(now).saturating_sub(scene.content(before) + 1)
                }
                _ => 0,
            }
        })
        .collect()
}
