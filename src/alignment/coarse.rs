//! The first guess: where in the clip a few snippets of the capture lie, and what part of its picture is shown.

use super::grid::{Geometry, Warp};
use super::{code_values, Signature, SignatureSequence, CELLS};

/// Snippets looked for, spread over the capture.
const SNIPPETS: usize = 24;
/// Frames of a snippet.
const SNIPPET_FRAMES: usize = 3;
/// Time between them, seconds: long enough for most content to move.
const SNIPPET_STEP_S: f64 = 0.4;
/// Frames tried in each part of the capture for the most structured one.
const TRIED: usize = 4;
/// Most pictures of the clip that are compared: of a longer one every second, third … picture.
const COMPARED_MAX: usize = 27_000;
/// Mean correlation from which the unchanged picture needs no rival.
const SAME_FROM: f32 = 0.998;
/// Places kept per snippet.
const PLACES: usize = 4;

/// Where a frame of the capture may lie in the clip.
#[derive(Clone, Debug)]
pub(super) struct Anchor {
    pub frame: usize,
    /// Best place first.
    pub places: Vec<usize>,
    /// Mean correlation of the snippet at the best place.
    pub likeness: f32,
}

/// What the search came to.
#[derive(Clone, Debug)]
pub(super) struct Guess {
    pub geometry: Geometry,
    pub anchors: Vec<Anchor>,
    /// Frames from one frame of a snippet to the next.
    pub step: usize,
}

/// Pictures looked at: what devices show of a picture is all of it, or a part up to some 10 % smaller, or all of it
/// with a border.
fn geometries() -> Vec<Geometry> {
    let mut all = vec![Geometry::SAME];
    all.extend([0.97, 0.94, 0.9, 1.06, 1.12].map(Geometry::centred));
    for across in [0.0, 0.05, 0.1] {
        for down in [0.0, 0.05, 0.1] {
            if (across, down) != (0.05, 0.05) {
                all.push(Geometry { scale: [0.9, 0.9], offset: [across, down] });
            }
        }
    }
    all.push(Geometry { scale: [0.9, 1.0], offset: [0.05, 0.0] });
    all.push(Geometry { scale: [1.0, 0.9], offset: [0.0, 0.05] });
    all
}

/// Looks for the capture in the clip; `advance` is how many pictures of the clip pass per frame.
pub(super) fn search(capture: &SignatureSequence<'_>, clip: &SignatureSequence<'_>, advance: f64) -> Guess {
    let frames = capture.signatures.len();
    let step = ((SNIPPET_STEP_S * capture.rate_hz) as usize).clamp(1, (frames / SNIPPET_FRAMES).max(1));
    let starts = starts(capture.signatures, step);
    let every = clip.signatures.len().div_ceil(COMPARED_MAX).max(1);
    let ahead = advance * step as f64 / every as f64;
    let mut best: Option<(f32, Guess)> = None;
    for geometry in geometries() {
        let warp =
            Warp::new(&clip.grid, &capture.grid, geometry).within(&clip.visible).within(&capture.visible);
        let pictures: Vec<[f32; CELLS]> = clip
            .signatures
            .iter()
            .step_by(every)
            .map(|picture| normalised(warp.apply(picture), warp.covered()))
            .collect();
        let anchors: Vec<Anchor> = starts
            .iter()
            .map(|&start| {
                let snippet: Vec<[f32; CELLS]> = (0..SNIPPET_FRAMES)
                    .map(|part| (start + part * step).min(frames - 1))
                    .map(|frame| normalised(code_values(&capture.signatures[frame]), warp.covered()))
                    .collect();
                let mut anchor = placed(&snippet, &pictures, ahead);
                anchor.frame = start;
                anchor.places.iter_mut().for_each(|place| *place *= every);
                anchor
            })
            .collect();
        let likeness = likeness(&anchors);
        if best.as_ref().is_none_or(|(most, _)| likeness > *most) {
            best = Some((likeness, Guess { geometry, anchors, step }));
        }
        if geometry == Geometry::SAME && likeness >= SAME_FROM {
            break;
        }
    }
    best.expect("there are geometries").1
}

/// Mean correlation over the better half of the snippets: what is no part of the clip must not decide.
fn likeness(anchors: &[Anchor]) -> f32 {
    let mut all: Vec<f32> = anchors.iter().map(|anchor| anchor.likeness).collect();
    all.sort_unstable_by(|a, b| b.total_cmp(a));
    let half = all.len().div_ceil(2);
    all[..half].iter().sum::<f32>() / half.max(1) as f32
}

/// First frames of the snippets: the most structured one of a few in each part of the capture.
fn starts(capture: &[Signature], step: usize) -> Vec<usize> {
    let room = capture.len().saturating_sub((SNIPPET_FRAMES - 1) * step).max(1);
    let parts = SNIPPETS.min(room);
    (0..parts)
        .map(|part| {
            let (from, to) = (part * room / parts, (part + 1) * room / parts);
            (0..TRIED)
                .map(|trial| from + trial * (to - from) / TRIED)
                .max_by_key(|&frame| structure(&capture[frame]))
                .unwrap_or(from)
        })
        .collect()
}

/// Spread of the cells, in squared steps of the signature.
fn structure(signature: &Signature) -> u64 {
    let mean = signature.iter().map(|&cell| u64::from(cell)).sum::<u64>() / CELLS as u64;
    signature.iter().map(|&cell| u64::from(cell).abs_diff(mean).pow(2)).sum()
}

/// Without mean and of length 1 over the covered cells; zero elsewhere and for flat pictures.
fn normalised(cells: [f32; CELLS], covered: &[bool]) -> [f32; CELLS] {
    let count = covered.iter().filter(|&&covered| covered).count().max(1) as f32;
    let mean = cells.iter().zip(covered).filter(|(_, &c)| c).map(|(cell, _)| cell).sum::<f32>() / count;
    let mut out: [f32; CELLS] =
        std::array::from_fn(|cell| if covered[cell] { cells[cell] - mean } else { 0.0 });
    let length = out.iter().map(|cell| cell * cell).sum::<f32>().sqrt();
    if length > f32::EPSILON {
        out.iter_mut().for_each(|cell| *cell /= length);
    }
    out
}

/// The places where a snippet is most like the clip; the pictures of the snippet lie `ahead` apart.
fn placed(snippet: &[[f32; CELLS]], pictures: &[[f32; CELLS]], ahead: f64) -> Anchor {
    let mut scores = vec![0.0f32; pictures.len()];
    for (part, cells) in snippet.iter().enumerate() {
        let shift = (part as f64 * ahead).round() as usize;
        for (score, picture) in scores.iter_mut().zip(pictures.iter().skip(shift)) {
            *score += dot(cells, picture);
        }
    }
    let mut places: Vec<usize> = Vec::with_capacity(PLACES);
    let apart = (ahead * snippet.len() as f64) as usize + 1;
    let mut order: Vec<usize> = (0..scores.len()).collect();
    let kept = (PLACES * 8 * apart.min(64)).min(order.len());
    if kept > 0 {
        order.select_nth_unstable_by(kept - 1, |&a, &b| scores[b].total_cmp(&scores[a]));
        order.truncate(kept);
    }
    order.sort_unstable_by(|&a, &b| scores[b].total_cmp(&scores[a]));
    for place in order {
        if places.len() == PLACES {
            break;
        }
        if places.iter().all(|&other| other.abs_diff(place) > apart) {
            places.push(place);
        }
    }
    let likeness = places.first().map_or(0.0, |&place| scores[place] / snippet.len() as f32);
    Anchor { frame: 0, places, likeness }
}

fn dot(a: &[f32; CELLS], b: &[f32; CELLS]) -> f32 {
    const LANES: usize = 8;
    let mut sums = [0.0f32; LANES];
    for (a, b) in a.chunks_exact(LANES).zip(b.chunks_exact(LANES)) {
        for lane in 0..LANES {
            sums[lane] += a[lane] * b[lane];
        }
    }
    sums.iter().sum()
}
