//! The reference column: cells audited with the scene's own pictures as the clip that was played.

use evenbeat::audit::{audit_fingerprints_against, Audit};
use evenbeat::capture::{CaptureEnd, CaptureFacts, FrameSource, RateSource};
use evenbeat::classify::{FrameClass, FrameFlags};
use evenbeat::demo::schedule::Shown;
use evenbeat::error::Result;
use evenbeat::fingerprint::FrameFingerprint;
use evenbeat::frame::{FrameTiming, Scan};
use evenbeat::reference::Clip;
use evenbeat::settings::Settings;
use evenbeat::source::SourcePlace;
use evenbeat::units::Rate;

use super::cells::Cell;
use super::scenes::Scene;
use super::{adapter, is_mix, lost, truth, Truth};
use std::sync::Arc;

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

/// The clip of a cell: all pictures that its delivery goes through, and some more.
pub fn clip(cell: &Cell) -> Clip {
    let frames = super::frames_available(&cell.scene, &cell.delivery);
    let last = cell.delivery.shown[..frames].iter().map(|&shown| super::last_picture(shown)).max();
    let end = (last.unwrap_or(0) + 1 + BEYOND).min(cell.scene.pictures());
    // Pictures per second, by how many of them the delivery goes through.
    let per_frame = last.unwrap_or(0) as f64 / (frames.max(2) - 1) as f64;
    let hz = cell.delivery.delivered_rate.hz() * per_frame;
    let rate = Rate::nearest_standard(hz, 0.05).unwrap_or(cell.delivery.delivered_rate);
    let facts = CaptureFacts {
        name: cell.scene.name.clone(),
        shape: cell.scene.size.shape(),
        scan: Scan::Progressive,
        nominal_rate: Some(rate),
        rate_source: Some(RateSource::Header),
        time_base: None,
        promised_frames: None,
        reader: "truth bench".to_owned(),
    };
    let played =
        || Box::new(Played { facts, scene: Arc::clone(&cell.scene), next: 0, end }) as Box<dyn FrameSource>;
    let (facts, fingerprints) = adapter::measured(played, None);
    Clip::of_fingerprints(facts, &fingerprints)
}

/// What the column counts in one cell.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct ReferenceScore {
    pub cell: String,
    /// Frames whose class is wrong, new against same.
    pub wrong_frames: Vec<usize>,
    /// Frames of which the number of lost pictures is wrong.
    pub wrong_losses: Vec<usize>,
    /// Frames that are flagged as a mix and are none, or the other way round.
    pub wrong_mixes: Vec<usize>,
    /// Frames said to show a picture that they do not show.
    pub wrong_places: Vec<usize>,
    /// Frames whose picture is told.
    pub told: usize,
    /// Frames of which it is said that several pictures look alike, rightly.
    pub ambiguous: usize,
    pub frames: usize,
}

/// Audits a cell against its clip.
///
/// # Errors
/// The clip is refused.
pub fn audited(cell: &Cell, (facts, fingerprints): (CaptureFacts, &[FrameFingerprint])) -> Result<Audit> {
    audit_fingerprints_against(facts, fingerprints, Some(&clip(cell)), &Settings::default())
}

/// Holds an audit against the truth.
pub fn score(cell: &Cell, audit: &Audit) -> ReferenceScore {
    let mut score = ReferenceScore { cell: cell.name(), frames: audit.frames.len(), ..Default::default() };
    let truth = truth(&cell.scene, &cell.delivery);
    let lost = lost(&cell.scene, &cell.delivery);
    let places = &audit.source.as_ref().expect("a clip was given").track.places;
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
        match (places[frame], cell.delivery.shown[frame]) {
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
            (SourcePlace::Unknown, _) => {}
            _ => score.wrong_places.push(frame),
        }
    }
    score
}
