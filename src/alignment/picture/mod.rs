//! What became of the picture itself on its way: geometry, levels, what was cut off, and colour, each with its standard
//! error, from a few frames beside the pictures of the clip that they show.
//!
//! Only the frames' signatures are needed, so that a fingerprint log tells as much as its capture; of the clip, pictures in
//! small cells ([`Detail`]).

mod colour;
mod detail;
mod kept;
mod luma;
mod regression;

pub use colour::Conversion;
pub use detail::{turn, Detail, CHROMA_CELLS, LUMA_CELLS};
pub use kept::{KeptFrame, KeptFrames};

use self::luma::{Curve, LumaFit, SURE};
use super::{Geometry, Grid, Signature, CELLS};
use crate::fingerprint::marks::Kept;
use crate::fingerprint::{ChartReading, ChromaSignature, LumaEnds};
use crate::frame::CodeRange;

/// Nominal black and white, code values at 8 bit (ITU-R BT.601, BT.709).
pub const BLACK: f64 = 16.0;
/// Nominal white.
pub const WHITE: f64 = 235.0;

/// Times that levels are fitted beside what they leave no room for: what is cut off changes the levels, and they what is cut.
const ROOM_ROUNDS: usize = 2;
/// A power is taken where it leaves at most this share of the error, and not by chance: one more number fits whatever few
/// levels a drawn picture has. Choice: the powers 0.9 and 1.1 of the bench leave 0.3, edges and letters that were coded 0.8.
const POWER_BETTER: f64 = 0.5;
/// Code values that a power takes off the error of some part of the picture: a few levels that were each rounded to a whole one
/// lie on some curve.
const ROUNDED: f64 = 1.0;
/// A part of the picture is taken likewise: over faint slopes a shift and what coding makes of them look alike. Choice: windows
/// of the benches leave a fifth, faint slopes 0.54 at least.
const WINDOW_BETTER: f64 = 0.5;

/// A number with its standard error.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Measured {
    /// The number.
    pub value: f64,
    /// Its standard error, same unit.
    pub error: f64,
}

impl Measured {
    fn of((value, error): (f64, f64)) -> Self {
        Self { value, error }
    }

    /// The number times a factor.
    pub fn times(self, factor: f64) -> Self {
        Self { value: self.value * factor, error: self.error * factor.abs() }
    }

    /// Whether it surely lies farther from `other` than `limit`.
    pub fn is_beyond(self, other: f64, limit: f64) -> bool {
        let off = Self { value: self.value - other, ..self };
        colour::surely_beyond(off, limit + 2.0 * self.error)
    }

    /// Whether it lies as near to `other` as `limit` or its own error say.
    pub fn is_at(self, other: f64, limit: f64) -> bool {
        (self.value - other).abs() <= limit + 2.0 * self.error
    }
}

/// One frame of the capture, with what it shows of the clip.
#[derive(Clone, Copy, Debug)]
pub struct Station<'a> {
    /// Its luma.
    pub luma: &'a Signature,
    /// Its colour differences; `None` where capture or clip has none.
    pub chroma: Option<&'a ChromaSignature>,
    /// The picture or the two pictures of the clip that it shows, with their weights.
    pub shown: [Option<(&'a Detail, f64)>; 2],
    /// By how much each cell of luma changes from picture to picture of the clip there, code values.
    pub motion: [f32; CELLS],
    /// What lies at the ends of its range, and of the clip's; `None` where that cannot be compared.
    pub ends: Option<[LumaEnds; 2]>,
}

/// Frames of a capture beside the clip.
#[derive(Clone, Debug)]
pub struct Comparison<'a> {
    /// The frames.
    pub stations: Vec<Station<'a>>,
    /// Where the capture's cells of luma lie.
    pub luma_grid: Grid,
    /// Size of its planes of colour differences.
    pub chroma_size: Option<(usize, usize)>,
    /// Cells that hold something of the picture.
    pub visible: [bool; CELLS],
    /// Size of the capture's picture, or of the part that is looked at, pixels.
    pub capture_size: [f64; 2],
    /// Whether capture and clip both have luma: green is none.
    pub has_luma: bool,
}

/// What became of the picture.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Measures {
    /// Frames that it was measured by.
    pub frames: u64,
    /// Left, right, upper and lower edge of the capture: how far each lies within the clip's picture, in parts of its width
    /// or height; negative where it lies outside.
    pub edges: [Measured; 4],
    /// What became of luma; `None` where capture and clip do not both have it.
    pub levels: Option<LevelMeasures>,
    /// What became of colour; `None` where there is none to tell by.
    pub chroma: Option<Chroma>,
    /// Typical error of a cell, code values.
    pub error: f64,
}

impl Measures {
    /// The same where clip and capture are said to have code values of these ranges.
    pub fn as_stated(self, ranges: [CodeRange; 2]) -> Self {
        Self { levels: self.levels.map(|levels| levels.as_stated(ranges)), ..self }
    }

    /// Of a capture that holds the clip's own samples.
    pub fn unchanged(frames: u64) -> Self {
        let exactly = |value| Measured { value, error: 0.0 };
        Self {
            frames,
            edges: [exactly(0.0); 4],
            levels: Some(LevelMeasures {
                black: exactly(BLACK),
                white: exactly(WHITE),
                gamma: Some(exactly(1.0)),
                beyond: None,
            }),
            chroma: Some(Chroma { matrix: [1.0, 0.0, 0.0, 1.0].map(exactly), shift: [exactly(0.0); 2] }),
            error: 0.0,
        }
    }
}

/// What is left of the test clip's fine rows and slants.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct RowMeasures {
    /// Share of the detail down that is left of what stands still, 1 where all of it is.
    pub still: Option<Measured>,
    /// The same of what moves.
    pub moving: Option<Measured>,
    /// How many rows high the steps of slants are that move; 1 where every row has its own place.
    pub step: Option<Measured>,
}

impl RowMeasures {
    /// Those of the charts of some frames; `None` where none says anything.
    pub fn of(kept: &[KeptFrame]) -> Option<Self> {
        let charts = || kept.iter().filter_map(|kept| kept.chart);
        let over = |of: fn(ChartReading) -> Kept| {
            let values: Vec<f64> = charts().filter_map(|chart| of(chart).value()).collect();
            (!values.is_empty()).then(|| mean(values.iter().copied()))
        };
        let rows = Self {
            still: over(|chart| chart.detail[0]),
            moving: over(|chart| chart.detail[1]),
            step: over(|chart| chart.step),
        };
        (rows != Self::default()).then_some(rows)
    }
}

/// Cells of a picture of the clip between borders in parts of it.
pub fn cells(detail: &Detail, borders: &[Vec<f64>; 2]) -> [f64; CELLS] {
    detail.luma([0.0; 2], &detail::table(|value| value)).means(borders)
}

/// What became of luma.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct LevelMeasures {
    /// What black (16) became, code values at 8 bit.
    pub black: Measured,
    /// What white (235) became.
    pub white: Measured,
    /// The power of the curve between both; `None` where the pictures do not tell.
    pub gamma: Option<Measured>,
    /// What lies beyond black, and beyond white.
    pub beyond: Option<[Beyond; 2]>,
}

impl LevelMeasures {
    /// The same where clip and capture are said to have code values of these ranges: in code values of the clip's range, unless
    /// the samples went through as they are, since recorders mark what they did not change.
    fn as_stated(self, [clip, capture]: [CodeRange; 2]) -> Self {
        let stated = match (clip.is_full(), capture.is_full()) {
            (false, true) => self.mapped(|level| level * (WHITE - BLACK) / 255.0 + BLACK),
            (true, false) => self.mapped(|level| (level - BLACK) * 255.0 / (WHITE - BLACK)),
            _ => return self,
        };
        if stated.off() < self.off() {
            stated
        } else {
            self
        }
    }

    /// Code values put another way, by a line; the ends of the range are then elsewhere, so that nothing is known of them.
    fn mapped(self, line: impl Fn(f64) -> f64) -> Self {
        let gain = line(1.0) - line(0.0);
        let map = |level: Measured| Measured { value: line(level.value), error: gain * level.error };
        Self { black: map(self.black), white: map(self.white), beyond: None, ..self }
    }

    /// How far black and white are off together, code values.
    fn off(self) -> f64 {
        (self.black.value - BLACK).abs() + (self.white.value - WHITE).abs()
    }
}

/// What of the luma samples lies beyond one end of the nominal range, shares of all samples.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Beyond {
    /// More than 4 code values beyond it, in the clip.
    pub clip: Measured,
    /// The same in the capture.
    pub capture: Measured,
    /// What the parts of the picture that hold them show of cutting them off: 1 where these came out as brighter (darker above
    /// white) as that makes them, 0 where their mean stayed.
    pub cut: Measured,
}

impl Beyond {
    /// Share of the samples that is lost, where what lay beyond was cut off: the clip has it, the capture does not, and the
    /// parts of the picture that hold it came out as cutting off makes them. What is blurred away keeps their means.
    pub fn lost(self) -> Option<f64> {
        let gone = self.capture.value + 2.0 * self.capture.error <= LEFT_MAX * self.clip.value;
        let is_cut = self.cut.value >= CUT_MIN && self.cut.value > SURE * self.cut.error;
        (self.can_be_told() && gone && is_cut).then_some(self.clip.value - self.capture.value)
    }

    /// Whether the clip has enough beyond the range for it to be told.
    pub fn can_be_told(self) -> bool {
        self.clip.value >= BEYOND_MIN && self.clip.value > SURE * self.clip.error
    }
}

/// Least share of the clip's samples beyond the range. Choice: edges that were sharpened have less.
const BEYOND_MIN: f64 = 0.001;
/// Most of them that may be left where they were cut off. Choice: what is blurred away leaves more.
const LEFT_MAX: f64 = 0.1;
/// Least part of what cutting off does that is taken for it. Choice.
const CUT_MIN: f64 = 0.5;

/// What became of the colour differences.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Chroma {
    /// Of Cb what of the clip's Cb and Cr, then of Cr likewise.
    pub matrix: [Measured; 4],
    /// How far colour lies right of and below the luma, pixels of the capture's luma.
    pub shift: [Measured; 2],
}

/// Measures what became of the picture, from a geometry that is roughly right; `None` where too little of the picture tells.
pub fn measure(case: &Comparison<'_>, start: Geometry) -> Option<Measures> {
    if case.stations.is_empty() {
        return None;
    }
    let first = luma::fit(case, start, Curve::NONE)?;
    let chroma = colour::measure(case, first.geometry);
    let conversion = chroma.and_then(|chroma| Conversion::of(chroma.matrix));
    // A conversion adds parts of the colour to luma.
    let colour = conversion.map_or([0.0; 2], |conversion| conversion.parts()[0]);
    let plain = Curve { colour, ..Curve::NONE };
    let straight = refit(case, first, plain);
    let beyond = beyond(case, &straight);
    let cut = beyond.map_or([false; 2], |ends| ends.map(|end| end.lost().is_some()));
    let mut straight = refit(case, straight, plain.cut_off(cut));
    for _ in 0..ROOM_ROUNDS {
        let curve = straight.within_range();
        straight = refit(case, straight, curve);
    }
    let whole = luma::fit_whole(case, straight.curve);
    let shows_whole = whole.is_some_and(|whole| !straight.is_better_than(&whole, WINDOW_BETTER));
    let bent = luma::fit(case, straight.geometry, Curve { bent: true, ..straight.curve });
    let told = bent.as_ref().map(|bent| Measured::of(bent.power()));
    let fit = match bent {
        Some(bent)
            if bent.is_better_than(&straight, POWER_BETTER) && bent.takes_off(&straight) >= ROUNDED =>
        {
            bent
        }
        _ => straight,
    };
    // A power that does not fit better is none.
    let gamma = told.filter(|gamma| gamma.error < GAMMA_ERROR_MAX).map(|told| {
        if fit.is_bent() {
            told
        } else {
            Measured { value: 1.0, ..told }
        }
    });
    let inside = |axis: usize, second: bool| {
        let (at, error) = fit.edge(axis, second);
        let value = if second { 1.0 - at } else { at };
        match shows_whole {
            // How far it may be off after all.
            true => Measured { value: 0.0, error: error.hypot(value) },
            false => Measured { value, error },
        }
    };
    let geometry = if shows_whole { Geometry::SAME } else { fit.geometry };
    Some(Measures {
        frames: case.stations.len() as u64,
        edges: [inside(0, false), inside(0, true), inside(1, false), inside(1, true)],
        levels: case.has_luma.then(|| LevelMeasures {
            black: Measured::of(fit.end(BLACK)),
            white: Measured::of(fit.end(WHITE)),
            gamma,
            beyond,
        }),
        chroma: chroma.and_then(|_| colour::measure(case, geometry)),
        error: fit.error(),
    })
}

/// Largest standard error of a power that still tells something. Choice.
const GAMMA_ERROR_MAX: f64 = 0.1;

/// The fit under another curve, or the one before where there is none.
fn refit(case: &Comparison<'_>, before: LumaFit, curve: Curve) -> LumaFit {
    if curve == before.curve {
        return before;
    }
    luma::fit(case, before.geometry, curve).unwrap_or(before)
}

impl LevelMeasures {
    /// Shares of the samples that were cut off below black and above white. Where these ends lie elsewhere than in the clip,
    /// what lay beyond was moved and not cut off.
    pub fn lost(&self) -> [Option<f64>; 2] {
        let Some([low, high]) = self.beyond else { return [None; 2] };
        let stays = [self.black.is_at(BLACK, END_WITHIN), self.white.is_at(WHITE, END_WITHIN)];
        [low.lost().filter(|_| stays[0]), high.lost().filter(|_| stays[1])]
    }
}

/// Code values at 8 bit within which an end of the range stays where it is. Choice.
const END_WITHIN: f64 = 3.0;

/// What lies beyond both ends; `None` where it was counted in no frame.
fn beyond(case: &Comparison<'_>, fit: &LumaFit) -> Option<[Beyond; 2]> {
    let counted: Vec<[[f64; 2]; 2]> = case
        .stations
        .iter()
        .filter_map(|station| station.ends)
        .map(|ends| ends.map(LumaEnds::shares))
        .collect();
    if counted.is_empty() {
        return None;
    }
    let cut = fit.cut(case);
    let end = |at: usize| Beyond {
        clip: mean(counted.iter().map(|[_, clip]| clip[at])),
        capture: mean(counted.iter().map(|[capture, _]| capture[at])),
        cut: cut[at],
    };
    Some([end(0), end(1)])
}

/// The mean of some values, and its standard error by their scatter.
fn mean(values: impl Iterator<Item = f64> + Clone) -> Measured {
    let count = values.clone().count() as f64;
    let value = values.clone().sum::<f64>() / f64::max(count, 1.0);
    let square: f64 = values.map(|one| (one - value).powi(2)).sum();
    Measured { value, error: (square / f64::max(count * (count - 1.0), 1.0)).sqrt() }
}

/// The middle one, the larger of two; 0 of none. Reorders them.
fn median(values: &mut [f64]) -> f64 {
    if values.is_empty() {
        return 0.0;
    }
    let middle = values.len() / 2;
    *values.select_nth_unstable_by(middle, f64::total_cmp).1
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Code values of BT.601's limited range and H.273's full one: 16 is 0, 235 is 255.
    #[test]
    fn levels_are_compared_as_the_marked_ranges_say() {
        use CodeRange::{Full, Limited, Unstated};
        let level = |value: f64| Measured { value, error: 0.5 };
        let table = [
            ("no marks", [Unstated, Unstated], [0.0, 255.0], [0.0, 255.0]),
            ("expanded, and marked so", [Unstated, Full], [0.0, 255.0], [16.0, 235.0]),
            ("marked, but left alone", [Limited, Full], [16.0, 235.0], [16.0, 235.0]),
            ("squeezed, and marked so", [Full, Limited], [29.7, 217.8], [16.0, 235.0]),
            ("a full clip in full range", [Full, Full], [16.0, 235.0], [16.0, 235.0]),
        ];
        for (name, ranges, [black, white], expected) in table {
            let levels =
                LevelMeasures { black: level(black), white: level(white), gamma: None, beyond: None };
            let found = levels.as_stated(ranges);
            for (found, expected) in [found.black, found.white].into_iter().zip(expected) {
                assert!((found.value - expected).abs() < 0.1, "{name}: {found:?}");
                assert!(found.error > 0.0, "{name}: {found:?}");
            }
        }
    }
}
