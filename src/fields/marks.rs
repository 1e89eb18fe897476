//! Which frames are combed, rebuilt from one field, or bobbing: each picture with those around it.

use std::ops::Range;

use super::sample::{pair_ratio, parity_ratio, FieldSample, Weave};
use super::window::{alternation, mean_and_error, median, REACH};
use super::Parity;
use crate::classify::{ClassifiedFrame, FrameClass, FrameFlags};

/// Pictures are video in fields where the middle one of `apart` lies in this range. Choice, by trials: 0.6 to 1.4 on
/// real and painted video in fields, below 0.4 on pictures of one moment but for the finest moving texture.
const VIDEO_APART: Range<f32> = 0.45..1.6;
/// ... and either this share of moving tiles looks combed by itself (0.000 to 0.001 on progressive material) ...
const VIDEO_COMBED_TILES: f32 = 0.01;
/// ... or the fit within frames is no better than across them ...
const VIDEO_AGAINST_BEST: f32 = 0.8;
/// ... and the order of the fields shows, in motions of a frame.
const VIDEO_ORDER_MIN: f32 = 0.05;
/// Standard errors by which a mean must differ from nothing.
const SURE_ERRORS: f32 = 3.0;
/// A single frame holds fields of two pictures where `apart` is above this: halfway between video and a field of
/// another picture, a little lower for recorder's noise.
const MIXED_APART: f32 = 1.3;
/// ... and its field fits one across frames so many times better.
const MIXED_AGAINST_BEST: f32 = 1.25;
/// Least motion from which a single frame can be told, code values: below it recorder's noise has its say.
const MIXED_MOTION: f32 = 2.0;
/// Within video in fields a frame is combed from here on.
const COMBED_APART: f32 = 0.15;
/// Pictures needed around one for a statement about the stretch.
const PICTURES_MIN: usize = 4;

/// Rows that follow from their neighbours within this many code values are interpolated, not photographed: rounding
/// of a mean is a quarter on average, half at most.
const EXACT_DETAIL: f32 = 0.4;
/// ... where the other rows have at least so many times more detail.
const EXACT_TIMES: f32 = 4.0;
/// Lossy recording levels the difference: ratio of both details, natural logarithm, that is left of it at least.
const LOST_MOVING: f32 = 0.38;
/// The same where the picture stands still, which tells a deinterlacer that only interpolates where it moves.
const LOST_STILL: f32 = 0.25;
/// Still rows with less detail than this say nothing, code values.
const STILL_DETAIL_MIN: f32 = 1.0;
/// Without detail in still rows the ratio where it moves must be this large, natural logarithm.
const LOST_MOVING_ALONE: f32 = 0.7;
/// Each row there twice: ratio of row pairs, natural logarithm. Real and painted pictures stay within 0.7.
const DOUBLED_ROWS: f32 = -0.9;
/// Least alternation of the vertical position for bobbing, lines: a quarter of what repeated lines give.
const BOBBING_LINES_MIN: f32 = 0.25;
/// Least detail ratio that alternates with the parity that is kept, natural logarithm.
const ALTERNATING_MIN: f32 = 0.06;

/// What one picture is found to be.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub(super) struct Picture {
    /// Frame that brought it.
    pub frame: usize,
    /// Combing of luma.
    pub weave: Woven,
    /// Whether chroma is combed and luma is not.
    pub chroma_only: bool,
    /// The parity whose rows are rebuilt, in every picture around.
    pub lost: Option<Parity>,
    /// Alternation of the vertical position over the pictures around, lines; 0 where none shows.
    pub bobbing_lines: f32,
    /// Whether the kept parity alternates from picture to picture: a full deinterlacer's trace.
    pub alternating: bool,
    /// Whether the motion goes forth and back: fields shown in the wrong order.
    pub forth_and_back: bool,
}

/// How a picture's fields are woven.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub(super) enum Woven {
    /// Too little moves.
    #[default]
    Unknown,
    /// Both fields show one moment.
    Clean,
    /// One of a stretch of fields half a frame apart, the given one first.
    Video(Parity),
    /// Fields of two pictures; the given parity is of the earlier one.
    Mixed(Parity),
}

/// Says of each picture what it is, in order.
pub(super) fn pictures(frames: &[ClassifiedFrame], samples: &[FieldSample]) -> Vec<Picture> {
    let news: Vec<usize> = (1..frames.len().min(samples.len()))
        .filter(|&index| frames[index].class == FrameClass::New && !broken(&frames[index]))
        .collect();
    let looks: Vec<Look> = news.iter().map(|&frame| Look::of(frame, &samples[frame])).collect();
    let at_full_rate = |place: usize| {
        let range = around(place, looks.len());
        looks[range.end - 1].frame - looks[range.start].frame == range.len() - 1
    };
    (0..looks.len())
        .map(|place| {
            let near = &looks[around(place, looks.len())];
            let mut picture = Picture { frame: looks[place].frame, ..Picture::default() };
            if near.len() < PICTURES_MIN {
                return picture;
            }
            picture.weave = woven(&looks[place], near);
            picture.chroma_only = chroma_only(near);
            picture.lost = lost(near);
            if at_full_rate(place) {
                picture.bobbing_lines = bobbing(near);
                picture.alternating = alternating(near);
                picture.forth_and_back = forth_and_back(near);
            }
            picture
        })
        .collect()
}

/// What came before such a frame says nothing about it.
fn broken(frame: &ClassifiedFrame) -> bool {
    frame.flags.contains(FrameFlags::CUT) || frame.flags.contains(FrameFlags::AFTER_GAP)
}

fn around(place: usize, count: usize) -> Range<usize> {
    place.saturating_sub(REACH)..(place + REACH + 1).min(count)
}

/// What one picture shows by itself.
#[derive(Clone, Copy, Debug)]
struct Look {
    frame: usize,
    luma: Option<Weave>,
    chroma: Option<Weave>,
    sample: FieldSample,
}

impl Look {
    fn of(frame: usize, sample: &FieldSample) -> Self {
        let measures = &sample.measures;
        Self { frame, luma: Weave::of(&measures.luma), chroma: Weave::of(&measures.chroma), sample: *sample }
    }
}

fn woven(look: &Look, near: &[Look]) -> Woven {
    let Some(own) = look.luma else { return Woven::Unknown };
    let order = |after: f32| if after < 0.0 { Parity::Top } else { Parity::Bottom };
    let stretch = Stretch::of(near.iter().filter_map(|look| look.luma));
    if stretch.is_video() {
        let combed = own.apart >= COMBED_APART;
        return if combed { Woven::Video(order(stretch.order)) } else { Woven::Clean };
    }
    let mixed =
        own.apart >= MIXED_APART && own.against_best >= MIXED_AGAINST_BEST && own.motion >= MIXED_MOTION;
    if mixed {
        Woven::Mixed(order(own.top_after_bottom))
    } else {
        Woven::Clean
    }
}

/// What the pictures of a stretch show together.
struct Stretch {
    apart: f32,
    against_best: f32,
    combed_tiles: f32,
    order: f32,
    order_error: f32,
}

impl Stretch {
    fn of(weaves: impl Iterator<Item = Weave> + Clone) -> Self {
        let middle = |of: fn(&Weave) -> f32| median(weaves.clone().map(|weave| of(&weave))).unwrap_or(0.0);
        let (order, order_error) = mean_and_error(weaves.clone().map(|weave| weave.top_after_bottom));
        Self {
            apart: middle(|weave| weave.apart),
            against_best: middle(|weave| weave.against_best),
            combed_tiles: mean_and_error(weaves.clone().map(|weave| weave.combed_tiles)).0,
            order,
            order_error,
        }
    }

    fn is_video(&self) -> bool {
        let ordered =
            self.order.abs() >= VIDEO_ORDER_MIN && self.order.abs() >= SURE_ERRORS * self.order_error;
        let seen =
            self.combed_tiles >= VIDEO_COMBED_TILES || self.against_best >= VIDEO_AGAINST_BEST && ordered;
        VIDEO_APART.contains(&self.apart) && seen
    }
}

/// Whether chroma is woven of two moments throughout the stretch while luma is not.
fn chroma_only(near: &[Look]) -> bool {
    let chroma = Stretch::of(near.iter().filter_map(|look| look.chroma));
    let luma = Stretch::of(near.iter().filter_map(|look| look.luma));
    chroma.is_video() && !luma.is_video() && luma.apart < VIDEO_APART.start / 2.0
}

/// The parity that is rebuilt from the other in every picture of the stretch.
fn lost(near: &[Look]) -> Option<Parity> {
    let rows = |look: &Look| look.sample.measures.moving_rows;
    let moving: Vec<f32> =
        near.iter().filter(|look| look.luma.is_some()).map(|look| parity_ratio(&rows(look))).collect();
    let middle = median(moving.iter().copied())?;
    let (lost, sign) = if middle > 0.0 { (Parity::Bottom, 1.0) } else { (Parity::Top, -1.0) };
    let one_sided = moving.iter().filter(|&&ratio| ratio * sign > 0.0).count() * 10 >= moving.len() * 9;
    if !one_sided {
        return None;
    }
    let detail = |look: &Look| match lost {
        Parity::Top => (rows(look).top.value(), rows(look).bottom.value()),
        Parity::Bottom => (rows(look).bottom.value(), rows(look).top.value()),
    };
    let rebuilt = median(near.iter().map(|look| detail(look).0))?;
    let kept = median(near.iter().map(|look| detail(look).1))?;
    if rebuilt <= EXACT_DETAIL && kept >= EXACT_TIMES * rebuilt.max(EXACT_DETAIL / 2.0) {
        return Some(lost);
    }
    let still = |look: &Look| look.sample.measures.still_rows;
    let still_detail =
        median(near.iter().map(|look| still(look).top.value().max(still(look).bottom.value())))?;
    let still_ratio = sign * median(near.iter().map(|look| parity_ratio(&still(look))))?;
    let moving_ratio = sign * middle;
    let enough = if still_detail >= STILL_DETAIL_MIN {
        moving_ratio >= LOST_MOVING && still_ratio >= LOST_STILL
    } else {
        moving_ratio >= LOST_MOVING_ALONE
    };
    enough.then_some(lost)
}

/// Alternation of the vertical position in lines, where the picture hops up and down from frame to frame: either
/// rows that are there twice show it is by repetition, or it stands out of the motion.
fn bobbing(near: &[Look]) -> f32 {
    let moved: Vec<(usize, f32)> = near.iter().map(|look| (look.frame, look.sample.motion_y)).collect();
    let Some((lines, scatter)) = alternation(&moved) else { return 0.0 };
    let doubled = median(near.iter().map(|look| pair_ratio(&look.sample.measures.moving_rows)))
        .is_some_and(|ratio| ratio <= DOUBLED_ROWS);
    let sideways: Vec<(usize, f32)> = near.iter().map(|look| (look.frame, look.sample.motion_x)).collect();
    let straight = alternation(&sideways).is_some_and(|(pixels, _)| pixels.abs() < lines.abs() / 2.0);
    let (mean, _) = mean_and_error(moved.iter().map(|&(_, motion)| motion));
    let hops = lines.abs() >= BOBBING_LINES_MIN
        && straight
        && lines.abs() >= 2.0 * scatter
        && mean.abs() < lines.abs() / 3.0;
    // A hop between two frames is twice the distance of either from the place between.
    if doubled || hops {
        lines.abs() / 2.0
    } else {
        0.0
    }
}

/// Whether the detail of the rows of one parity rises and falls from picture to picture.
fn alternating(near: &[Look]) -> bool {
    let ratios: Vec<(usize, f32)> = near
        .iter()
        .filter(|look| look.luma.is_some())
        .map(|look| (look.frame, parity_ratio(&look.sample.measures.moving_rows)))
        .collect();
    alternation(&ratios)
        .is_some_and(|(ratio, scatter)| ratio.abs() >= ALTERNATING_MIN && ratio.abs() >= 2.0 * scatter)
}

/// Least motion that can be told to go forth and back, pixels.
const BACK_MIN_PX: f32 = 0.25;
/// Fields in the wrong order step three forth and one back: the alternation is twice the mean step. Halfway to what
/// an even motion and one that stands have.
const BACK_OF_MEAN: Range<f32> = 1.4..3.0;

/// Whether the motion steps forth and back along either axis.
fn forth_and_back(near: &[Look]) -> bool {
    [|sample: &FieldSample| sample.motion_x, |sample: &FieldSample| sample.motion_y].into_iter().any(
        |along: fn(&FieldSample) -> f32| {
            let steps: Vec<(usize, f32)> =
                near.iter().map(|look| (look.frame, along(&look.sample))).collect();
            let (mean, _) = mean_and_error(steps.iter().map(|&(_, step)| step));
            alternation(&steps).is_some_and(|(half, scatter)| {
                half.abs() >= BACK_MIN_PX
                    && half.abs() >= 2.0 * scatter
                    && BACK_OF_MEAN.contains(&(half.abs() / mean.abs().max(f32::EPSILON)))
            })
        },
    )
}
