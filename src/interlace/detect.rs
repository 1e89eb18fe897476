//! Which frames are combed, rebuilt from one field, or bobbing: each picture with those around it.

use std::ops::Range;

use super::chroma;
use super::row_alternation;
use super::sample::{parity_ratio, FieldSample, Weave};
use super::swapped;
use super::telecine::{self, FilmPicture, Halves};
use super::window::{alternation, mean_and_error, median, REACH};
use super::Parity;
use crate::classify::{ClassifiedFrame, Evidence, FrameClass, FrameFlags};
use crate::frame::Coding;

/// Pictures are video in fields where the middle one of `apart` lies in this range. By trials on real and painted
/// clips: 0.45 to 1.4 on video in fields, below 0.4 on pictures of one moment but for the finest moving texture.
const VIDEO_APART: Range<f32> = 0.45..1.6;
/// ... and what is missed in all in this one: fine lines that move against the rows leave it. By the same trials.
const VIDEO_MISSED: Range<f32> = -1.3..0.3;
/// Video in fields shows itself in one of these ways, each found by the same trials to leave progressive clips alone.
const VIDEO_SIGNS: [Sign; 5] = [
    // Some tiles look combed by themselves, and frames fit no better within than across.
    Sign { combed_tiles: 0.012, against_best: 0.7, order: 0.0, errors: 0.0, ..Sign::VIDEO },
    // Fewer tiles do, and the order of the fields shows.
    Sign { combed_tiles: 0.004, against_best: 0.7, order: 0.03, errors: 1.8, ..Sign::VIDEO },
    // More tiles do.
    Sign { combed_tiles: 0.015, against_best: 0.45, order: 0.05, errors: 3.0, ..Sign::VIDEO },
    // The order of the fields shows clearly.
    Sign { against_best: 0.7, order: 0.2, errors: 3.0, agreeing: 0.9, ..Sign::VIDEO },
    // It shows less, as lossy recorders leave it, but in every picture.
    Sign {
        apart: 0.15..1.6,
        missed: -0.2..0.1,
        against_best: 0.7,
        order: 0.095,
        errors: 8.0,
        agreeing: 0.9,
        ..Sign::VIDEO
    },
];
/// Least comb that the pictures of video in fields share. A thing that passes over fine rows reaches 0.02.
const COMB_MIN: f32 = 0.025;
/// Share of combed tiles that tells video in fields from motion straight up or down: that of the first sign.
const CLEAR_COMBED_TILES: f32 = 0.012;
/// No picture counts for more combed tiles than this share: one burst says nothing about the stretch.
const COMBED_TILES_MAX: f32 = 0.05;
/// A recorder that has taken most of the combs away leaves the order, in every picture.
const VIDEO_FAINT: Sign = Sign {
    apart: -0.3..0.45,
    missed: 0.1..0.6,
    against_best: 0.4,
    order: 0.14,
    errors: 14.0,
    agreeing: 0.9,
    ..Sign::VIDEO
};
/// Where flags say that the capture is interlaced, and in which order, less is enough.
const VIDEO_FLAGGED: Sign = Sign {
    apart: -0.3..1.6,
    missed: -1.3..0.6,
    against_best: 0.4,
    order: 0.08,
    errors: 8.0,
    agreeing: 0.9,
    ..Sign::VIDEO
};
/// A single frame holds fields of two pictures where `apart` is above this: halfway between video and a field of
/// another picture, a little lower for recorder's noise.
const MIXED_APART: f32 = 1.3;
/// ... its field fits one across frames so many times better ...
const MIXED_AGAINST_BEST: f32 = 1.4;
/// ... the order of its fields shows, in motions of a frame ...
const MIXED_ORDER: f32 = 0.2;
/// ... and no more is missed in all than two fields of one picture apart miss.
const MIXED_MISSED_MIN: f32 = -1.7;
/// Least motion from which a single frame can be told, code values: below it recorder's noise has its say.
const MIXED_MOTION: f32 = 2.0;
/// ... and some tiles look combed by themselves: a fine pattern that moves by half its period has none.
pub(super) const MIXED_TILES: f32 = 0.001;
/// Such frames come at least in pairs: pulldown has one or two of five.
const MIXED_MIN: usize = 2;
/// Pictures needed on one side of a change for a statement about that side.
const SIDE_MIN: usize = 10;
/// Pictures needed around one for a statement about the stretch.
const PICTURES_MIN: usize = 4;

/// Least alternation of the vertical position for bobbing, lines: a quarter of what repeated lines give.
const BOBBING_LINES_MIN: f32 = 0.25;
/// Both hops lead in opposite directions, whatever moves up or down besides: most of the mean motion against them.
const BOBBING_MEAN_MOST: f32 = 0.7;
/// Least detail ratio that alternates with the parity that is kept, natural logarithm.
const ALTERNATING_MIN: f32 = 0.06;

/// What one picture is found to be.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub(super) struct Picture {
    /// Frame that brought it.
    pub frame: usize,
    /// Combing of luma.
    pub weave: Woven,
    /// What film makes of it, where it is one of telecined film.
    pub film: Option<FilmPicture>,
    /// Whether chroma is combed and luma is not.
    pub chroma_only: bool,
    /// The parity whose rows are rebuilt, in every picture around.
    pub lost: Option<Parity>,
    /// Alternation of the vertical position over the pictures around, lines; 0 where none shows.
    pub bobbing_lines: f32,
    /// Whether the kept parity alternates from picture to picture: a full deinterlacer's trace.
    pub alternating: bool,
    /// Whether fields are shown one by one in the wrong order.
    pub wrong_order: bool,
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
    /// The same, scaled after it was woven: its rows are no fields any more.
    Scaled(Parity),
    /// Fields of two pictures; the given parity is of the earlier one.
    Mixed(Parity),
}

/// Says of each picture what it is, in order; `flagged` is the field that comes first by flags, of interlaced captures.
pub(super) fn pictures(
    frames: &[ClassifiedFrame],
    samples: &[FieldSample],
    flagged: Option<Parity>,
    coding: Coding,
) -> Vec<Picture> {
    let news: Vec<usize> = (1..frames.len().min(samples.len()))
        .filter(|&index| frames[index].class == FrameClass::New && !broken(&frames[index]))
        .collect();
    let looks: Vec<FieldFeatures> =
        news.iter().map(|&frame| FieldFeatures::of(frame, &samples[frame])).collect();
    let exact = is_exact(frames, coding);
    let chroma = chroma::of_other_moments(&looks);
    let swapped = swapped::in_wrong_order(&looks);
    let films = telecine::pictures(&looks.iter().map(|look| &look.sample).collect::<Vec<_>>());
    let mut stations: Vec<Option<Traces>> = (0..looks.len())
        .step_by(STATION)
        .map(|start| {
            let end = (start + STATION).min(looks.len());
            let stretch = &looks[around((start + end) / 2, looks.len())];
            (stretch.len() >= PICTURES_MIN)
                .then(|| Traces::of(stretch, Given { flagged, exact, swapped: swapped[start] }))
        })
        .collect();
    keep_lasting_video(&mut stations, looks.len());
    (0..looks.len())
        .map(|place| {
            let near = &looks[around(place, looks.len())];
            let frame = looks[place].frame;
            let film = films[place].filter(|_| !row_alternation::drawn_in_pairs(near));
            let station = place / STATION;
            let beside =
                &stations[station.saturating_sub(LASTING)..(station + LASTING + 1).min(stations.len())];
            let video_beside = beside.iter().flatten().find_map(|traces| traces.video);
            stations[station].as_ref().map_or(Picture { frame, ..Picture::default() }, |traces| Picture {
                frame,
                weave: match film.map(|film| film.halves) {
                    Some(Halves::One) => Woven::Clean,
                    Some(Halves::Two(earlier)) => Woven::Mixed(earlier),
                    None => traces.weave(&looks[place], near, Flags { flagged, video_beside }),
                },
                film,
                chroma_only: chroma[place],
                wrong_order: swapped[place],
                ..traces.picture
            })
        })
        .collect()
}

/// Forgets video in fields that does not last: a stretch of pictures looks like it by chance where a pattern happens to move
/// by half of itself; a device that weaves fields does so for more than one stretch.
fn keep_lasting_video(stations: &mut [Option<Traces>], pictures: usize) {
    let least = LASTING.min(pictures / STATION);
    let first = |station: &Option<Traces>| station.as_ref().and_then(|traces| traces.video);
    for run in stations.chunk_by_mut(|one, next| first(one) == first(next)) {
        if run.len() < least {
            run.iter_mut().flatten().for_each(|traces| traces.video = None);
        }
    }
}

/// Whether the recording takes nothing away: its codec says so or, where none is known, its repeats do.
fn is_exact(frames: &[ClassifiedFrame], coding: Coding) -> bool {
    let mut repeats = frames.iter().filter(|frame| frame.class == FrameClass::Repeat).peekable();
    match coding {
        Coding::Lossless => true,
        Coding::Lossy => false,
        Coding::Unknown => {
            repeats.peek().is_some() && repeats.all(|frame| frame.evidence == Evidence::Digest)
        }
    }
}

/// Pictures in a row that share what is said of the stretch around them: it changes little from one to the next, and
/// takes most of the time.
const STATION: usize = 4;
/// Stations in a row that video in fields lasts at least: two windows that share no picture.
const LASTING: usize = 2 * REACH / STATION;

/// What the pictures of a stretch have in common.
struct Traces {
    /// All but the frame and its weave.
    picture: Picture,
    /// Rows stand twice.
    doubled: bool,
    /// Video in fields, the given one first.
    video: Option<Parity>,
    /// The same, scaled.
    scaled: Option<Parity>,
    /// Pictures that look woven of two.
    mixed: usize,
}

/// What is known before a stretch is looked at.
#[derive(Clone, Copy)]
struct Given {
    /// The field that comes first by flags, of interlaced captures.
    flagged: Option<Parity>,
    /// Whether the recording takes nothing away.
    exact: bool,
    /// Whether fields are in the wrong order.
    swapped: bool,
}

impl Traces {
    fn of(near: &[FieldFeatures], Given { flagged, exact, swapped }: Given) -> Self {
        let in_a_row = near[near.len() - 1].frame - near[0].frame + 1 == near.len();
        let hop = if in_a_row { vertical_hop(near) } else { None };
        let doubled = row_alternation::doubled(near, exact)
            || hop.is_some_and(|hop| row_alternation::doubled_in_turn(near, hop));
        let mut picture = Picture::default();
        if in_a_row {
            picture.bobbing_lines = hop.map_or(0.0, |hop| bobbing(near, hop, doubled, swapped));
            picture.alternating = alternating(near);
        }
        let video = video(near, flagged);
        picture.lost = match (doubled && video.is_none(), picture.bobbing_lines > 0.0) {
            // Rows that stand twice hide which of both was there first; the upper one is named.
            (true, _) => Some(Parity::Bottom),
            // One field after the other: none is lost throughout.
            (false, true) => None,
            (false, false) if doubled => None,
            (false, false) => row_alternation::lost(near, exact),
        };
        Self {
            picture,
            doubled,
            video,
            scaled: row_alternation::scaled_comb(near),
            mixed: near.iter().filter(|look| look.luma.as_ref().is_some_and(is_mixed)).count(),
        }
    }

    /// Whether lines are doubled and look like fields half a frame apart as well: what is drawn in double rows and moves up by
    /// two of them is the same, sample by sample, as a finer picture in fields.
    fn is_ambiguous(&self) -> bool {
        self.doubled && self.video.is_some() && self.picture.bobbing_lines == 0.0
    }

    /// How one picture of the stretch, with those `near` it, is woven.
    fn weave(
        &self,
        look: &FieldFeatures,
        near: &[FieldFeatures],
        Flags { flagged, video_beside }: Flags,
    ) -> Woven {
        let Some(own) = look.luma else { return Woven::Unknown };
        if self.is_ambiguous() {
            return Woven::Unknown;
        }
        if self.doubled {
            // Rows that stand twice hop between pictures, which passes for fields half a frame apart.
            return Woven::Clean;
        }
        if let Some(first) = self.video {
            return Woven::Video(first);
        }
        if let Some(first) = self.scaled.filter(|_| self.picture.lost.is_none()) {
            return Woven::Scaled(first);
        }
        if own.apart >= VIDEO_APART.start {
            // Next to a change, one side speaks for a picture that is like it.
            let here = near.partition_point(|other| other.frame < look.frame);
            let mut sides = [&near[..=here], &near[here..]].into_iter().filter(|side| side.len() >= SIDE_MIN);
            let told =
                sides.find_map(|side| video(side, flagged)).filter(|&first| video_beside == Some(first));
            if let Some(first) = told {
                return Woven::Video(first);
            }
        }
        if is_mixed(&own) && self.mixed >= MIXED_MIN && !row_alternation::is_upright(near) {
            Woven::Mixed(earlier(own.top_after_bottom))
        } else {
            Woven::Clean
        }
    }
}

/// What stands about the fields of a picture besides its own stretch.
#[derive(Clone, Copy)]
struct Flags {
    /// The field that comes first by flags, of interlaced captures.
    flagged: Option<Parity>,
    /// The field that comes first in a stretch of video near by.
    video_beside: Option<Parity>,
}

/// The field that comes first where a stretch is video in fields.
fn video(near: &[FieldFeatures], flagged: Option<Parity>) -> Option<Parity> {
    let stretch = Stretch::of(near.iter().filter_map(|look| look.luma));
    let first = earlier(stretch.order);
    let comb = row_alternation::comb(near);
    let told = stretch.is_video()
        && earlier(comb) == first
        && comb.abs() >= COMB_MIN
        && (stretch.combed_tiles >= CLEAR_COMBED_TILES || !row_alternation::is_upright(near));
    (told || flagged == Some(first) && stretch.shows(&VIDEO_FLAGGED)).then_some(first)
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
pub(super) struct FieldFeatures {
    /// Frame that brought the picture.
    pub frame: usize,
    /// Fields of luma; `None` where too little moves.
    pub luma: Option<Weave>,
    /// Fields of chroma, likewise.
    pub chroma: Option<Weave>,
    /// All that is known of it.
    pub sample: FieldSample,
}

impl FieldFeatures {
    fn of(frame: usize, sample: &FieldSample) -> Self {
        let measures = &sample.measures;
        Self { frame, luma: Weave::of(&measures.luma), chroma: Weave::of(&measures.chroma), sample: *sample }
    }
}

/// The parity whose moment is the earlier one.
fn earlier(top_after_bottom: f32) -> Parity {
    if top_after_bottom < 0.0 {
        Parity::Top
    } else {
        Parity::Bottom
    }
}

/// Whether a picture alone looks woven of two that are a picture apart.
fn is_mixed(weave: &Weave) -> bool {
    weave.apart >= MIXED_APART
        && weave.against_best >= MIXED_AGAINST_BEST
        && weave.top_after_bottom.abs() >= MIXED_ORDER
        && weave.missed >= MIXED_MISSED_MIN
        && weave.motion >= MIXED_MOTION
        && weave.combed_tiles >= MIXED_TILES
}

/// One way in which video in fields shows itself: least values, but for ranges.
struct Sign {
    apart: Range<f32>,
    missed: Range<f32>,
    combed_tiles: f32,
    against_best: f32,
    order: f32,
    errors: f32,
    agreeing: f32,
}

impl Sign {
    /// Where video in fields lies, whatever else shows.
    const VIDEO: Self = Self {
        apart: VIDEO_APART,
        missed: VIDEO_MISSED,
        combed_tiles: 0.0,
        against_best: 0.0,
        order: 0.0,
        errors: 0.0,
        agreeing: 0.0,
    };
}

/// What the pictures of a stretch show together.
struct Stretch {
    apart: f32,
    missed: f32,
    against_best: f32,
    combed_tiles: f32,
    order: f32,
    order_error: f32,
    /// Share of the pictures whose order is that of all.
    agreeing: f32,
}

impl Stretch {
    fn of(weaves: impl Iterator<Item = Weave> + Clone) -> Self {
        let middle = |of: fn(&Weave) -> f32| median(weaves.clone().map(|weave| of(&weave))).unwrap_or(0.0);
        let (order, order_error) = mean_and_error(weaves.clone().map(|weave| weave.top_after_bottom));
        Self {
            apart: middle(|weave| weave.apart),
            missed: middle(|weave| weave.missed),
            against_best: middle(|weave| weave.against_best),
            combed_tiles: mean_and_error(
                weaves.clone().map(|weave| weave.combed_tiles.min(COMBED_TILES_MAX)),
            )
            .0,
            order,
            order_error,
            agreeing: mean_and_error(
                weaves.map(|weave| f32::from(u8::from(weave.top_after_bottom * order > 0.0))),
            )
            .0,
        }
    }

    fn shows(&self, sign: &Sign) -> bool {
        sign.apart.contains(&self.apart)
            && sign.missed.contains(&self.missed)
            && self.combed_tiles >= sign.combed_tiles
            && self.against_best >= sign.against_best
            && self.order.abs() >= sign.order
            && self.agreeing >= sign.agreeing
            && (sign.errors == 0.0 || self.order.abs() >= sign.errors * self.order_error)
    }

    fn is_video(&self) -> bool {
        VIDEO_SIGNS.iter().any(|sign| self.shows(sign)) || self.shows(&VIDEO_FAINT)
    }
}

/// Half the hop of the picture up and down from frame to frame, lines, and the scatter around it.
fn vertical_hop(near: &[FieldFeatures]) -> Option<(f32, f32)> {
    let moved: Vec<(usize, f32)> = near.iter().map(|look| (look.frame, look.sample.motion_y)).collect();
    alternation(&moved)
}

/// Alternation of the vertical position in lines, where the picture hops up and down from frame to frame: either
/// rows that are there twice show it is by repetition, or it stands out of the motion.
fn bobbing(near: &[FieldFeatures], (lines, scatter): (f32, f32), doubled: bool, swapped: bool) -> f32 {
    let sideways: Vec<(usize, f32)> = near.iter().map(|look| (look.frame, look.sample.motion_x)).collect();
    let straight = alternation(&sideways).is_some_and(|(pixels, _)| pixels.abs() < lines.abs() / 2.0);
    let (mean, _) = mean_and_error(near.iter().map(|look| look.sample.motion_y));
    // Fields in the wrong order go forth and back up and down as well, three steps and one.
    let hops = !swapped
        && lines.abs() >= BOBBING_LINES_MIN
        && straight
        && lines.abs() >= 2.0 * scatter
        && mean.abs() < BOBBING_MEAN_MOST * lines.abs();
    // A hop between two frames is twice the distance of either from the place between.
    if hops || doubled && lines.abs() >= BOBBING_LINES_MIN {
        lines.abs() / 2.0
    } else {
        0.0
    }
}

/// Whether the detail of the rows of one parity rises and falls from picture to picture.
fn alternating(near: &[FieldFeatures]) -> bool {
    let ratios: Vec<(usize, f32)> = near
        .iter()
        .filter(|look| look.luma.is_some())
        .map(|look| (look.frame, parity_ratio(&look.sample.measures.moving_rows)))
        .collect();
    alternation(&ratios)
        .is_some_and(|(ratio, scatter)| ratio.abs() >= ALTERNATING_MIN && ratio.abs() >= 2.0 * scatter)
}
