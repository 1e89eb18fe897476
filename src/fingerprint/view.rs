//! Which samples are looked at: region and excluded rectangles become one packed picture, so that every
//! kernel runs over whole planes.

use std::ops::Range;

use super::blocks::BLOCK_SIDE;
use crate::frame::{Family, FrameShape, PlaneShape, Rect};
use crate::settings::ViewSettings;

/// A rectangle in samples of one plane.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(super) struct Span {
    pub(super) columns: Range<usize>,
    pub(super) rows: Range<usize>,
}

impl Span {
    /// Every sample of a plane with this subsampling that touches `rect`.
    fn of(rect: Rect, across: u8, down: u8) -> Self {
        Self { columns: touched(rect.x, rect.width, across), rows: touched(rect.y, rect.height, down) }
    }

    fn clipped_to(&self, outer: &Self) -> Self {
        Self {
            columns: overlap(&self.columns, &outer.columns, outer.columns.start),
            rows: overlap(&self.rows, &outer.rows, outer.rows.start),
        }
    }

    fn is_empty(&self) -> bool {
        self.columns.is_empty() || self.rows.is_empty()
    }
}

/// Subsampled positions that touch `start .. start + length`.
fn touched(start: u32, length: u32, shift: u8) -> Range<usize> {
    let (start, end) = (start as usize, start as usize + length as usize);
    start >> shift..end.div_ceil(1 << shift)
}

/// The part of `inner` within `outer`, counted from `origin`; empty where they do not meet.
fn overlap(inner: &Range<usize>, outer: &Range<usize>, origin: usize) -> Range<usize> {
    let start = inner.start.clamp(outer.start, outer.end);
    let end = inner.end.clamp(start, outer.end);
    start - origin..end - origin
}

/// One plane of the view.
#[derive(Clone, Debug)]
pub(super) struct PlaneView {
    /// Where the plane lies in the frame.
    source: PlaneShape,
    /// The part of it that is looked at.
    region: Span,
    /// Parts that are replaced by zero samples, within the packed plane.
    excluded: Vec<Span>,
    /// Where the packed plane lies in the packed picture.
    pub(super) packed: PlaneShape,
    /// Visible samples of each block, row by row; 0 where all of it is excluded.
    pub(super) block_areas: Vec<u32>,
}

impl PlaneView {
    /// Row of the whole plane that the packed plane begins with: tells the parity of its rows.
    pub(super) fn first_row(&self) -> usize {
        self.region.rows.start
    }

    /// The bytes of the next rows of this plane within a packed picture, `side` rows at a time.
    pub(super) fn stripes(&self, side: usize, bytes_per_sample: usize) -> impl Iterator<Item = Range<usize>> {
        let row_bytes = self.packed.width * bytes_per_sample;
        let (offset, height) = (self.packed.offset, self.packed.height);
        (0..height)
            .step_by(side)
            .map(move |top| offset + top * row_bytes..offset + height.min(top + side) * row_bytes)
    }

    /// Moves the region of this plane to its packed place and blanks what is excluded.
    /// The packed place never lies behind the source, so planes and rows may be moved in order.
    fn pack(&self, picture: &mut [u8], bytes_per_sample: usize) {
        let row_bytes = self.packed.width * bytes_per_sample;
        for row in 0..self.packed.height {
            let column = (self.region.rows.start + row) * self.source.width + self.region.columns.start;
            let from = self.source.offset + column * bytes_per_sample;
            let to = self.packed.offset + row * row_bytes;
            if from != to {
                picture.copy_within(from..from + row_bytes, to);
            }
        }
        for span in &self.excluded {
            for row in span.rows.clone() {
                let start = self.packed.offset + row * row_bytes;
                picture[start + span.columns.start * bytes_per_sample
                    ..start + span.columns.end * bytes_per_sample]
                    .fill(0);
            }
        }
    }

    /// Columns of a packed row that are not excluded.
    pub(super) fn visible_columns(&self, row: usize) -> Vec<Range<usize>> {
        let mut hidden: Vec<&Range<usize>> =
            self.excluded.iter().filter(|span| span.rows.contains(&row)).map(|span| &span.columns).collect();
        hidden.sort_by_key(|columns| columns.start);
        let (mut visible, mut start) = (Vec::new(), 0);
        for columns in hidden {
            visible.push(start..columns.start.max(start));
            start = start.max(columns.end);
        }
        visible.push(start..self.packed.width);
        visible
    }

    fn count_visible(&self, columns: Range<usize>, rows: Range<usize>) -> u32 {
        let touching: Vec<_> = self
            .excluded
            .iter()
            .filter(|span| {
                !span.clipped_to(&Span { columns: columns.clone(), rows: rows.clone() }).is_empty()
            })
            .collect();
        if touching.is_empty() {
            return (columns.len() * rows.len()) as u32;
        }
        let hidden = |x, y| touching.iter().any(|span| span.columns.contains(&x) && span.rows.contains(&y));
        rows.flat_map(|y| columns.clone().map(move |x| (x, y))).filter(|&(x, y)| !hidden(x, y)).count() as u32
    }
}

/// The packed picture that all kernels look at, computed once per capture.
///
/// * A region is cut out; of subsampled planes every sample that touches it is kept.
/// * Excluded rectangles become zero samples, again with every chroma sample that touches them, in the
///   digest, the change and the reduced picture alike. Blocks that are excluded altogether do not count;
///   blocks excluded in part are averaged over the rest.
#[derive(Clone, Debug)]
pub struct ViewPlan {
    pub(super) planes: Vec<PlaneView>,
    pub(super) bytes_per_sample: usize,
    pub(super) bit_depth: u8,
    pub(super) family: Family,
    packed_len: usize,
    whole: bool,
}

impl ViewPlan {
    /// The plan for frames of `shape`. Rectangles are clipped to the picture; who asks has checked them.
    pub fn new(shape: FrameShape, view: &ViewSettings) -> Self {
        let bytes_per_sample = shape.pixel_format.bytes_per_sample();
        let everything = Rect { x: 0, y: 0, width: shape.width, height: shape.height };
        let mut packed_len = 0;
        let planes = shape
            .planes()
            .enumerate()
            .map(|(index, source)| {
                let (across, down) = match shape.pixel_format.family {
                    Family::Yuv { across, down } if index > 0 => (across, down),
                    _ => (0, 0),
                };
                let whole = Span { columns: 0..source.width, rows: 0..source.height };
                let region = Span::of(view.region.unwrap_or(everything), across, down).clipped_to(&whole);
                let packed =
                    PlaneShape { offset: packed_len, width: region.columns.len(), height: region.rows.len() };
                packed_len += packed.width * packed.height * bytes_per_sample;
                let excluded = view
                    .exclude
                    .iter()
                    .map(|&rect| Span::of(rect, across, down).clipped_to(&region))
                    .filter(|span| !span.is_empty())
                    .collect();
                with_block_areas(PlaneView { source, region, excluded, packed, block_areas: Vec::new() })
            })
            .collect();
        Self {
            planes,
            bytes_per_sample,
            bit_depth: shape.pixel_format.bit_depth,
            family: shape.pixel_format.family,
            packed_len,
            whole: view.region.is_none() && view.exclude.is_empty(),
        }
    }

    /// Bytes of the packed picture: it takes the first bytes of the frame's buffer.
    pub fn packed_len(&self) -> usize {
        self.packed_len
    }

    /// Whether any luma sample is left to look at.
    pub fn shows_anything(&self) -> bool {
        self.planes[0].block_areas.iter().any(|&area| area > 0)
    }

    /// Whether all of the picture is looked at, so that packing changes nothing.
    pub fn is_whole(&self) -> bool {
        self.whole
    }

    /// Turns the samples of a whole frame into the packed picture, in place.
    pub fn pack(&self, samples: &mut [u8]) {
        if self.whole {
            return;
        }
        for plane in &self.planes {
            plane.pack(samples, self.bytes_per_sample);
        }
    }
}

fn with_block_areas(mut plane: PlaneView) -> PlaneView {
    let (width, height) = (plane.packed.width, plane.packed.height);
    let mut areas = Vec::with_capacity(width.div_ceil(BLOCK_SIDE) * height.div_ceil(BLOCK_SIDE));
    for top in (0..height).step_by(BLOCK_SIDE) {
        for left in (0..width).step_by(BLOCK_SIDE) {
            let columns = left..(left + BLOCK_SIDE).min(width);
            let rows = top..(top + BLOCK_SIDE).min(height);
            areas.push(plane.count_visible(columns, rows));
        }
    }
    plane.block_areas = areas;
    plane
}
