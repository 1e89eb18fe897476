//! First frames of other shots.

use super::{median, ClassifiedFrame, FrameEvidence, FrameFlags, NEIGHBOURS};

/// A change this many times the amplitude of its neighbours can be a cut.
const CUT_RATIO: f32 = 3.0;

/// Share of the change that no local motion explains, at a cut.
const CUT_UNEXPLAINED: f32 = 0.5;

/// Highest agreement on one motion at a cut.
const CUT_PEAK_MAX: f32 = 0.15;

/// Marks changes far above those around them that no motion explains and that stay.
pub(super) fn mark(frames: &mut [ClassifiedFrame], evidence: &[FrameEvidence], news: &[usize]) {
    for (place, &index) in news.iter().enumerate() {
        let reduced = &evidence[index].reduced;
        // What is quick to tell comes first: few changes are unexplained.
        let unlike =
            reduced.unexplained > CUT_UNEXPLAINED * reduced.energy && reduced.motion_peak < CUT_PEAK_MAX;
        if !unlike {
            continue;
        }
        let stays = news.get(place + 1).is_none_or(|&next| {
            next > index + 1 || evidence[next].reduced.energy_two_back > reduced.energy / 2.0
        });
        let range = place.saturating_sub(NEIGHBOURS)..(place + NEIGHBOURS + 1).min(news.len());
        let around = range.filter(|&other| other != place).map(|other| evidence[news[other]].reduced.energy);
        let Some(typical) = median(around.collect()) else { continue };
        if stays && reduced.energy > CUT_RATIO * CUT_RATIO * typical {
            frames[index].flags.insert(FrameFlags::CUT);
        }
    }
}
