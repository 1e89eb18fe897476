//! Frames reduced to pixel columns: at most one column per pixel and lane, and nothing vanishes.

use std::ops::Range;

use crate::audit::Audit;
use crate::classify::FrameClass;
use crate::report::text::period_s;

/// Narrowest frame that gets a block of its own, px; below, columns show shares.
const BLOCK_PX_MIN: f64 = 3.0;
/// Fewest frames a share is taken over: a multiple of the common short periods 1, 2, 3, 4 and 6, so that an
/// even cadence gives a flat line.
const SHARE_FRAMES_MIN: usize = 12;
/// Longest period that the share's stretch is fitted to, frames; beyond, ripple is below 2 %.
const FITTED_PERIOD_MAX: usize = 60;
/// A frame lasts at most this many frame periods in the chart; what is beyond is a gap and stays empty.
const FRAME_PERIODS_MAX: f64 = 1.5;

/// Maps times to pixels of the plot.
pub(super) struct TimeScale<'a> {
    ticks: &'a [i64],
    px_per_tick: f64,
    frame_ticks: f64,
    /// Where the plot begins, px from the first frame.
    origin_px: f64,
    /// Left edge of the plot, px.
    pub left: i32,
    /// Width of the plot, px.
    pub width: usize,
}

impl<'a> TimeScale<'a> {
    /// A scale that lays the seconds `shown` over `pixels`.
    pub(super) fn new(audit: &'a Audit, shown: &Range<f64>, pixels: Range<i32>) -> Self {
        let tick_s = audit.times.base.seconds(1);
        let width = (pixels.end - pixels.start).max(1) as usize;
        let px_per_second = width as f64 / (shown.end - shown.start);
        Self {
            ticks: &audit.times.ticks,
            px_per_tick: px_per_second * tick_s,
            origin_px: px_per_second * shown.start,
            frame_ticks: period_s(audit) / tick_s,
            left: pixels.start,
            width,
        }
    }

    /// Pixels that one frame period takes.
    pub(super) fn frame_px(&self) -> f64 {
        self.frame_ticks * self.px_per_tick
    }

    /// Start of a frame in px from the plot's left edge; the frame after the last one starts at its end.
    pub(super) fn start(&self, frame: usize) -> f64 {
        let Some((&first, &last)) = self.ticks.first().zip(self.ticks.last()) else { return 0.0 };
        let ticks = match self.ticks.get(frame) {
            Some(&ticks) => ticks.saturating_sub(first) as f64,
            None => last.saturating_sub(first) as f64 + self.frame_ticks,
        };
        ticks * self.px_per_tick - self.origin_px
    }

    /// Columns of the frames from `first` to before `end`: at least `least` wide, within the plot; none where
    /// they are not shown.
    pub(super) fn columns(&self, first: usize, end: usize, least: usize) -> Range<usize> {
        if !self.shows(self.start(first), self.start(end)) {
            return 0..0;
        }
        let start = column(self.start(first)).min(self.width.saturating_sub(least));
        let end = column(self.start(end)).clamp((start + least).min(self.width), self.width);
        start..end
    }

    /// Whether any of a stretch lies within the plot. A stretch without length counts by its place.
    fn shows(&self, start_px: f64, end_px: f64) -> bool {
        start_px < self.width as f64 && end_px.max(start_px + 1e-6) > 0.0
    }

    /// Columns of one frame; empty time after a frame is left out.
    fn frame_columns(&self, frame: usize) -> Range<usize> {
        let start = self.start(frame);
        let end = self.start(frame + 1).min(start + FRAME_PERIODS_MAX * self.frame_px());
        if !self.shows(start, end) {
            return 0..0;
        }
        let first = column(start).min(self.width - 1);
        first..column(end).clamp(first + 1, self.width)
    }
}

/// The whole pixel a position lies in; positions before the plot count as 0.
fn column(px: f64) -> usize {
    // A hair of tolerance keeps a boundary computed in floats from falling into the pixel before.
    (px + 1e-6).floor().max(0.0) as usize
}

/// What one pixel column shows: shares of the classes, 0 to 1.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub(super) struct Shares {
    pub new: f64,
    pub repeat: f64,
    pub still: f64,
    /// Left white so that neighbouring blocks can be counted.
    pub separator: bool,
}

/// Shares of all pixel columns of the plot. Any class with a frame in a column has a share above 0 there.
pub(super) fn shares(audit: &Audit, scale: &TimeScale<'_>) -> Vec<Shares> {
    if scale.frame_px() >= BLOCK_PX_MIN {
        return blocks(audit, scale);
    }
    let spans = frame_spans(audit.frames.len(), scale);
    let sums = running_counts(audit);
    let bounds = bounds(audit);
    let period = audit.cadence.pattern.as_ref().map_or(1, |pattern| {
        pattern.holds.iter().map(|&hold| hold as usize).fold(0, usize::saturating_add).max(1)
    });
    spans
        .into_iter()
        .map(|span| {
            let Some(span) = span else { return Shares::default() };
            let stretch = widened(span.clone(), period, part_of(&bounds, span));
            let total = stretch.len() as f64;
            let count = |class: usize| f64::from(sums[stretch.end][class] - sums[stretch.start][class]);
            Shares {
                new: count(0) / total,
                repeat: count(1) / total,
                still: count(2) / total,
                separator: false,
            }
        })
        .collect()
}

fn blocks(audit: &Audit, scale: &TimeScale<'_>) -> Vec<Shares> {
    let mut columns = vec![Shares::default(); scale.width];
    for (index, frame) in audit.frames.iter().enumerate() {
        let mut shares = Shares::default();
        match frame.class {
            FrameClass::New => shares.new = 1.0,
            FrameClass::Repeat => shares.repeat = 1.0,
            FrameClass::Still => shares.still = 1.0,
        }
        let span = scale.frame_columns(index);
        if let Some(last) = span.clone().last().filter(|_| span.len() > 2) {
            columns[span].fill(shares);
            columns[last].separator = true;
        } else {
            columns[span].fill(shares);
        }
    }
    columns
}

/// First and last frame (exclusive) shown in each column.
fn frame_spans(frames: usize, scale: &TimeScale<'_>) -> Vec<Option<Range<usize>>> {
    let mut spans: Vec<Option<Range<usize>>> = vec![None; scale.width];
    for frame in 0..frames {
        for span in &mut spans[scale.frame_columns(frame)] {
            let known = span.clone().unwrap_or(frame..frame + 1);
            *span = Some(known.start.min(frame)..known.end.max(frame + 1));
        }
    }
    spans
}

/// Counts of new, repeat and still frames before each frame, and in all.
fn running_counts(audit: &Audit) -> Vec<[u32; 3]> {
    let mut sums = Vec::with_capacity(audit.frames.len() + 1);
    let mut counts = [0u32; 3];
    sums.push(counts);
    for frame in &audit.frames {
        counts[match frame.class {
            FrameClass::New => 0,
            FrameClass::Repeat => 1,
            FrameClass::Still => 2,
        }] += 1;
        sums.push(counts);
    }
    sums
}

/// Where what is shown changes at once, in order: a stall begins with its first repeat and ends with the picture after it.
/// No share is taken across, so that its edges stand upright.
fn bounds(audit: &Audit) -> Vec<usize> {
    let index = |frame: u64| usize::try_from(frame).unwrap_or(usize::MAX);
    let stalls = audit.cadence.freezes.iter();
    let mut bounds: Vec<usize> = stalls
        .flat_map(|one| [index(one.first_frame).saturating_add(1), index(one.last_frame).saturating_add(1)])
        .chain([0, audit.frames.len()])
        .collect();
    bounds.sort_unstable();
    bounds
}

/// The part between two bounds that holds `span`; where a bound lies within, from the one before to the one after.
fn part_of(bounds: &[usize], span: Range<usize>) -> Range<usize> {
    let before = bounds[..bounds.partition_point(|&bound| bound <= span.start)].last();
    let after = bounds.get(bounds.partition_point(|&bound| bound < span.end));
    before.copied().unwrap_or(0).min(span.start)..after.copied().unwrap_or(span.end).max(span.end)
}

/// `span` widened on both sides to a whole number of periods, within a part that it lies in.
fn widened(span: Range<usize>, period: usize, part: Range<usize>) -> Range<usize> {
    let period = if period > FITTED_PERIOD_MAX { 1 } else { period };
    let wanted = span.len().max(SHARE_FRAMES_MIN).div_ceil(period) * period;
    let wanted = wanted.min(part.len());
    let start = span.start.saturating_sub((wanted - span.len().min(wanted)) / 2).max(part.start);
    let end = (start + wanted).max(span.end).min(part.end);
    end.saturating_sub(wanted).min(span.start).max(part.start)..end
}

/// Writes columns as rectangles of one path; neighbours of equal extent become one rectangle.
/// `extent` gives top and bottom of a column in px, or nothing.
pub(super) fn path(left: i32, width: usize, extent: impl Fn(usize) -> Option<(i32, i32)>) -> String {
    use std::fmt::Write;
    let mut data = String::new();
    let mut column = 0;
    while column < width {
        let found = extent(column);
        let first = column;
        while column < width && extent(column) == found {
            column += 1;
        }
        if let Some((top, bottom)) = found {
            let (x, length) = (left + first as i32, column - first);
            let _ = write!(data, "M{x} {top}h{length}V{bottom}h-{length}z");
        }
    }
    data
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn stretches_hold_whole_periods_and_stay_inside() {
        for (span, period, frames, expected) in [
            (100..102, 2, 1000, 95..107),
            (0..1, 2, 1000, 0..12),
            (999..1000, 5, 1000, 985..1000),
            (3..4, 2, 5, 0..5),
            (0..3000, 5, 2_160_000, 0..3000),
        ] {
            assert_eq!(widened(span, period, 0..frames), expected);
        }
    }

    #[test]
    fn no_share_is_taken_across_the_edge_of_a_stall() {
        // A stall of frames 100 to 111: its repeats are 101 to 111.
        let bounds = [0, 101, 112, 600];
        for (span, part, stretch) in [
            (99..101, 0..101, 89..101),
            (101..103, 101..112, 101..112),
            (110..112, 101..112, 101..112),
            (112..113, 112..600, 112..124),
            (100..102, 0..112, 95..107),
        ] {
            assert_eq!(part_of(&bounds, span.clone()), part);
            assert_eq!(widened(span, 1, part), stretch);
        }
    }

    #[test]
    fn equal_neighbours_become_one_rectangle() {
        let heights = [Some((0, 4)), Some((0, 4)), None, Some((1, 4))];
        assert_eq!(path(10, 4, |column| heights[column]), "M10 0h2V4h-2zM13 1h1V4h-1z");
    }
}
