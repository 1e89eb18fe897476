//! Scores of cells in which the pictures of the clip are known, by the clip itself or by its marks: frames, losses, mixes
//! and places that are wrong, each by its frame.

use evenbeat::alignment::{SourcePlace, SourceUnit};
use evenbeat::audit::Audit;
use evenbeat::classify::{FrameClass, FrameFlags};
use evenbeat::demo::schedule::Shown;

use super::cells::Cell;
use super::{is_mix, lost, truth, Truth};

/// What is counted in one cell.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Exact {
    pub cell: String,
    /// Why the cell was not audited at all: its clip was refused.
    pub refused: Option<String>,
    /// Frames whose class is wrong, new against same.
    pub wrong_frames: Vec<usize>,
    /// Frames of which the number of lost pictures is wrong.
    pub wrong_losses: Vec<usize>,
    /// Frames that are flagged as a mix and are none, or the other way round.
    pub wrong_mixes: Vec<usize>,
    /// Frames said to show a picture that they do not show.
    pub wrong_places: Vec<usize>,
    /// The same in words: what each of them shows, and what is said.
    pub misplaced: Vec<String>,
    /// Frames whose picture is told.
    pub told: usize,
    /// Frames of which it is said that several pictures look alike, rightly.
    pub ambiguous: usize,
    /// Frames of which nothing is said.
    pub unknown: usize,
    pub frames: usize,
}

impl Exact {
    /// A cell whose clip was refused: everything in it is wrong.
    pub fn refused(cell: &Cell, why: String) -> Self {
        let frames = truth(&cell.scene, &cell.delivery).len();
        let wrong_frames = (0..frames).collect();
        Self { cell: cell.name(), refused: Some(why), wrong_frames, frames, ..Self::default() }
    }

    /// The kinds of error with their frames.
    pub fn errors(&self) -> [(&'static str, &[usize]); 4] {
        [
            ("frames", &self.wrong_frames),
            ("losses", &self.wrong_losses),
            ("mixes", &self.wrong_mixes),
            ("places", &self.wrong_places),
        ]
    }
}

/// The pictures that a place in fields belongs to: a clip that is interlaced itself is placed by its fields.
fn whole(place: SourcePlace) -> SourcePlace {
    match place {
        SourcePlace::Picture(field) => SourcePlace::Picture(field / 2),
        SourcePlace::Woven { first, second } if first / 2 == second / 2 => SourcePlace::Picture(first / 2),
        SourcePlace::Ambiguous { first, last } => SourcePlace::Ambiguous { first: first / 2, last: last / 2 },
        SourcePlace::Mix { first, second, weight } if first / 2 != second / 2 => {
            SourcePlace::Mix { first: first / 2, second: second / 2, weight }
        }
        other => other,
    }
}

/// Holds an audit against the truth.
pub fn score(cell: &Cell, audit: &Audit) -> Exact {
    let mut score = Exact { cell: cell.name(), frames: audit.frames.len(), ..Exact::default() };
    let truth = truth(&cell.scene, &cell.delivery);
    let lost = lost(&cell.scene, &cell.delivery);
    let places: Vec<SourcePlace> = match audit.source.as_ref().map(|source| &source.track) {
        // Without marks that could be read nothing is known of any frame.
        None => vec![SourcePlace::Unknown; audit.frames.len()],
        Some(track) if track.unit == SourceUnit::Field => track.places.iter().copied().map(whole).collect(),
        Some(track) => track.places.clone(),
    };
    for (frame, call) in audit.frames.iter().enumerate() {
        if (call.class == FrameClass::New) != (truth[frame] == Truth::New) {
            score.wrong_frames.push(frame);
        }
        if truth[frame] == Truth::New {
            let mix = is_mix(&cell.scene, cell.delivery.shown[frame]);
            if call.flags.contains(FrameFlags::BLEND) != mix {
                score.wrong_mixes.push(frame);
            }
        }
        let is_range = |frame: usize| !matches!(places[frame], SourcePlace::Picture(_));
        if frame > 0 && !is_range(frame) && !is_range(frame - 1) && u64::from(call.lost_before) != lost[frame]
        {
            score.wrong_losses.push(frame);
        }
        match (places[frame], cell.scene.rounded(cell.delivery.shown[frame])) {
            (SourcePlace::Ambiguous { first, last }, Shown::Picture(picture))
                if (u64::from(first)..=u64::from(last)).contains(&picture) =>
            {
                score.ambiguous += 1;
            }
            (SourcePlace::Ambiguous { first, last }, Shown::Mix { first: from, second: to, .. })
                if u64::from(first) <= from && to <= u64::from(last) =>
            {
                score.ambiguous += 1;
            }
            (SourcePlace::Picture(found), Shown::Picture(picture))
                if cell.scene.content(u64::from(found)) == cell.scene.content(picture) =>
            {
                score.told += 1;
            }
            (SourcePlace::Mix { first, .. }, Shown::Mix { first: wanted, .. })
                if u64::from(first) == wanted =>
            {
                score.told += 1;
            }
            (SourcePlace::Unknown, _) => score.unknown += 1,
            (found, shown) => {
                score.wrong_places.push(frame);
                score.misplaced.push(format!("{frame}: {shown:?} as {found:?}"));
            }
        }
    }
    score
}
