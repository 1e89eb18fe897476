//! What one delivered frame shows, written down before anything is painted, and the truth that follows from it.

use super::content::Content;
use super::picture::{self, Parity, Picture};

/// What a frame shows. Moments count field periods of the clip.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Shown {
    /// The whole picture of a moment.
    Whole(usize),
    /// The picture of a moment as a deinterlacer rebuilt it from the fields around it.
    Rebuilt(usize),
    /// The top field of one moment and the bottom field of another.
    Woven { top: usize, bottom: usize },
    /// One field of a moment, the other interpolated.
    OneField { moment: usize, kept: Parity },
    /// One field of a moment, the other interpolated from four lines.
    OneFieldSmooth { moment: usize, kept: Parity },
    /// One field of a moment, each line twice.
    Doubled { moment: usize, kept: Parity },
    /// The mean of the pictures rebuilt from the two fields of a frame.
    Mean { top: usize, bottom: usize },
    /// Luma of one moment; the colour of two, in alternating chroma lines.
    ChromaWoven { luma: usize, other: usize, kept: Parity },
    /// 4:4:4; luma of one moment, each chroma line of two interlaced fields on two neighbouring lines.
    ChromaRaised { luma: usize, other: usize, kept: Parity },
    /// 4:4:4; the whole picture of a moment.
    WholeRaised(usize),
}

/// What the judge of one frame should say.
#[derive(Clone, Debug, PartialEq)]
pub struct FrameTruth {
    /// Shows something else than the frame before.
    pub is_new: bool,
    /// Moments of the top and the bottom lines of luma.
    pub moments: (usize, usize),
    pub combed_luma: bool,
    pub combed_chroma: bool,
    /// Parity whose lines are not the camera's.
    pub lost: Option<Parity>,
    /// Weight of the later moment.
    pub blend: Option<f64>,
}

impl Shown {
    /// Moments of the top and the bottom lines of luma.
    pub fn moments(self) -> (usize, usize) {
        match self {
            Self::Whole(moment)
            | Self::Rebuilt(moment)
            | Self::WholeRaised(moment)
            | Self::OneField { moment, .. }
            | Self::OneFieldSmooth { moment, .. }
            | Self::Doubled { moment, .. }
            | Self::ChromaWoven { luma: moment, .. }
            | Self::ChromaRaised { luma: moment, .. } => (moment, moment),
            Self::Woven { top, bottom } | Self::Mean { top, bottom } => (top, bottom),
        }
    }

    /// The last moment the frame needs.
    pub fn last_moment(self) -> usize {
        let (top, bottom) = self.moments();
        match self {
            Self::ChromaWoven { other, .. } | Self::ChromaRaised { other, .. } => other.max(top),
            _ => top.max(bottom),
        }
    }

    pub fn has_full_chroma(self) -> bool {
        matches!(self, Self::ChromaRaised { .. } | Self::WholeRaised(_))
    }

    /// The truth of a frame that follows `before`, in a clip in which every moment differs.
    pub fn truth(self, before: Option<Self>) -> FrameTruth {
        let woven_chroma = match self {
            Self::ChromaWoven { luma, other, .. } | Self::ChromaRaised { luma, other, .. } => luma != other,
            _ => false,
        };
        let combed = matches!(self, Self::Woven { top, bottom } if top != bottom);
        FrameTruth {
            is_new: before != Some(self),
            moments: self.moments(),
            combed_luma: combed,
            combed_chroma: combed || woven_chroma,
            lost: match self {
                Self::OneField { kept, .. }
                | Self::OneFieldSmooth { kept, .. }
                | Self::Doubled { kept, .. } => Some(kept.other()),
                _ => None,
            },
            blend: match self {
                Self::Mean { top, bottom } if top != bottom => Some(0.5),
                _ => None,
            },
        }
    }

    /// The frame's samples. What a deinterlacer rebuilt is whole here: its samples come from the deinterlacer.
    pub fn picture(self, content: &Content) -> Picture {
        let of = |moment: usize| content.picture(moment);
        match self {
            Self::Whole(moment) | Self::Rebuilt(moment) => Picture::clone(&of(moment)),
            Self::Woven { top, bottom } => picture::woven(&of(top), &of(bottom)),
            Self::OneField { moment, kept } => picture::interpolated(&of(moment), kept),
            Self::OneFieldSmooth { moment, kept } => picture::interpolated_smoothly(&of(moment), kept),
            Self::Doubled { moment, kept } => picture::doubled(&of(moment), kept),
            Self::Mean { top, bottom } => picture::blended(
                &picture::interpolated(&of(top), Parity::Top),
                &picture::interpolated(&of(bottom), Parity::Bottom),
            ),
            Self::ChromaWoven { luma, other, kept } => {
                picture::recoloured(&of(luma), &two_moments(&of(luma), &of(other), kept))
            }
            Self::ChromaRaised { luma, other, kept } => {
                let chroma = picture::chroma_doubled(&two_moments(&of(luma), &of(other), kept));
                picture::recoloured(&of(luma), &chroma)
            }
            Self::WholeRaised(moment) => picture::chroma_doubled(&of(moment)),
        }
    }
}

/// The lines of one parity from `own`, the others from `other`.
fn two_moments(own: &Picture, other: &Picture, kept: Parity) -> Picture {
    match kept {
        Parity::Top => picture::woven(own, other),
        Parity::Bottom => picture::woven(other, own),
    }
}
