//! The object `levels` of `audit.json`: code values against the nominal ranges.

use serde::{Deserialize, Serialize};

use super::values::{rounded, SHARE_DECIMALS};
use crate::fingerprint::levels::{CaptureLevels, LevelSummary};

/// The object.
#[derive(Deserialize, Serialize)]
pub(super) struct LevelsRow {
    luma: PlaneRow,
    chroma: Option<PlaneRow>,
}

#[derive(Deserialize, Serialize)]
struct PlaneRow {
    nominal_lowest: u16,
    nominal_highest: u16,
    lowest: u16,
    highest: u16,
    share_below: f64,
    share_above: f64,
    clipped_lowest_frames: u64,
    clipped_highest_frames: u64,
}

impl LevelsRow {
    /// The object of a capture's code values.
    pub fn of(levels: &CaptureLevels) -> Self {
        Self { luma: PlaneRow::of(&levels.luma), chroma: levels.chroma.as_ref().map(PlaneRow::of) }
    }

    /// The code values that it tells.
    pub fn levels(&self) -> CaptureLevels {
        CaptureLevels { luma: self.luma.summary(), chroma: self.chroma.as_ref().map(PlaneRow::summary) }
    }
}

impl PlaneRow {
    fn of(levels: &LevelSummary) -> Self {
        Self {
            nominal_lowest: levels.nominal.0,
            nominal_highest: levels.nominal.1,
            lowest: levels.extremes.0,
            highest: levels.extremes.1,
            share_below: rounded(levels.outside.0, SHARE_DECIMALS),
            share_above: rounded(levels.outside.1, SHARE_DECIMALS),
            clipped_lowest_frames: levels.clipped_frames.0,
            clipped_highest_frames: levels.clipped_frames.1,
        }
    }

    fn summary(&self) -> LevelSummary {
        LevelSummary {
            nominal: (self.nominal_lowest, self.nominal_highest),
            extremes: (self.lowest, self.highest),
            outside: (self.share_below, self.share_above),
            clipped_frames: (self.clipped_lowest_frames, self.clipped_highest_frames),
        }
    }
}
