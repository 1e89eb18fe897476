//! What a track says in a few numbers: which pictures never appeared, and how the clocks compare.

use super::{Appearance, SourcePlace, SourceTrack, SourceUnit};
use crate::units::TimeBase;

/// A picture that comes this many periods (of the slower of clip and capture) off where its neighbours led to
/// expect it begins a stretch of its own: the device stalled, skipped or jumped, which is no drift.
const STRETCH_WITHIN_PERIODS: f64 = 1.6;

/// Fewest first showings that a drift is told from.
const DRIFT_SHOWINGS_MIN: usize = 10;

/// How much faster or slower than the clip the device plays.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Drift {
    /// Capture time that passes per clip time, less 1, parts per million: positive where the device is slow.
    pub ppm: f64,
    /// Standard error of that, parts per million.
    pub error_ppm: f64,
}

/// How pictures or fields appeared, counted.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Counts {
    /// For themselves.
    pub shown: u64,
    /// Only within mixes.
    pub only_mixed: u64,
    /// Perhaps: they look like others that did.
    pub ambiguous: u64,
    /// Never.
    pub never_shown: u64,
}

impl Counts {
    fn of(appearances: impl Iterator<Item = Appearance>) -> Self {
        let mut counts = Self::default();
        for appearance in appearances {
            *match appearance {
                Appearance::Alone => &mut counts.shown,
                Appearance::Mixed => &mut counts.only_mixed,
                Appearance::Perhaps => &mut counts.ambiguous,
                Appearance::Never => &mut counts.never_shown,
            } += 1;
        }
        counts
    }

    /// All of them.
    pub fn total(self) -> u64 {
        self.shown + self.only_mixed + self.ambiguous + self.never_shown
    }
}

/// What a track comes to. Pictures are counted from the first to the last one that appeared.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct SourceSummary {
    /// First picture of the clip that appeared.
    pub first: Option<u32>,
    /// Last picture of the clip that appeared.
    pub last: Option<u32>,
    /// How these pictures (or fields) appeared.
    pub counts: Counts,
    /// The same of the first and of the second fields of the clip's frames, where indices count fields.
    pub by_field: Option<[Counts; 2]>,
    /// These pictures as ranges, first and last, in order.
    pub never_shown_ranges: Vec<(u32, u32)>,
    /// Frames of which it is not known what they show.
    pub unknown_frames: u64,
    /// Frames that show one of several pictures that look alike.
    pub ambiguous_frames: u64,
    /// Capture time, seconds from its first frame, at which the clip would have begun.
    pub clip_start_s: Option<f64>,
    /// How the clocks compare.
    pub drift: Option<Drift>,
}

impl SourceSummary {
    /// Pictures from the first to the last one that appeared.
    pub fn pictures(&self) -> u64 {
        match (self.first, self.last) {
            (Some(first), Some(last)) => u64::from(last - first) + 1,
            _ => 0,
        }
    }

    /// Sums a track up; `ticks` are the times of the frames in units of `base`.
    pub fn new(track: &SourceTrack, ticks: &[i64], base: TimeBase) -> Self {
        let (first, last) = ends(&track.places);
        let (Some(first), Some(last)) = (first, last) else {
            let unknown_frames = track.places.len() as u64;
            return Self { unknown_frames, ..Self::default() };
        };
        let appearances = appearances(&track.places, (first, last));
        let of_fields = |second: u32| {
            let fields = (first..).zip(&appearances).filter(|(field, _)| field % 2 == second);
            Counts::of(fields.map(|(_, &appearance)| appearance))
        };
        let frames = |wanted: fn(&SourcePlace) -> bool| {
            track.places.iter().filter(|place| wanted(place)).count() as u64
        };
        let clocks = Clocks::new(track, ticks, base);
        Self {
            first: Some(first),
            last: Some(last),
            counts: Counts::of(appearances.iter().copied()),
            by_field: (track.unit == SourceUnit::Field).then(|| [0, 1].map(of_fields)),
            never_shown_ranges: never_ranges(&appearances, first),
            unknown_frames: frames(|place| *place == SourcePlace::Unknown),
            ambiguous_frames: frames(|place| matches!(place, SourcePlace::Ambiguous { .. })),
            clip_start_s: clocks.clip_start_s(),
            drift: clocks.drift(),
        }
    }
}

/// First and last picture that surely appeared; where none surely did, of the ranges.
fn ends(places: &[SourcePlace]) -> (Option<u32>, Option<u32>) {
    let all = places.iter().flat_map(|place| place.pictures());
    let (mut low, mut high) = (u32::MAX, None);
    for (picture, _) in all.filter(|&(_, how)| how > Appearance::Perhaps) {
        low = low.min(picture);
        high = high.max(Some(picture));
    }
    if high.is_some() {
        return (Some(low), high);
    }
    let ranges = places.iter().filter_map(|&place| match place {
        SourcePlace::Ambiguous { first, last } => Some((first, last)),
        _ => None,
    });
    ranges.fold((None, None), |(low, high), (first, last)| {
        (Some(low.map_or(first, |low: u32| low.min(first))), high.max(Some(last)))
    })
}

fn appearances(places: &[SourcePlace], (first, last): (u32, u32)) -> Vec<Appearance> {
    let mut found = vec![Appearance::Never; (last - first) as usize + 1];
    let mut mark = |picture: u32, how: Appearance| {
        if let Some(known) = picture.checked_sub(first).and_then(|at| found.get_mut(at as usize)) {
            *known = (*known).max(how);
        }
    };
    let mut before = SourcePlace::Unknown;
    for &place in places {
        // Frames of a still stretch all have the same range.
        if place == before {
            continue;
        }
        before = place;
        place.pictures().for_each(|(picture, how)| mark(picture, how));
    }
    found
}

fn never_ranges(appearances: &[Appearance], first: u32) -> Vec<(u32, u32)> {
    let mut ranges: Vec<(u32, u32)> = Vec::new();
    for (picture, _) in (first..).zip(appearances).filter(|(_, &found)| found == Appearance::Never) {
        match ranges.last_mut() {
            Some((_, last)) if *last + 1 == picture => *last = picture,
            _ => ranges.push((picture, picture)),
        }
    }
    ranges
}

/// First showings: clip time and capture time, seconds, by stretches without a jump.
struct Clocks {
    stretches: Vec<Vec<(f64, f64)>>,
}

impl Clocks {
    fn new(track: &SourceTrack, ticks: &[i64], base: TimeBase) -> Self {
        let clip_period = 1.0 / track.clip_rate.hz();
        let frames = ticks.len().saturating_sub(1).max(1) as f64;
        let span = match (ticks.first(), ticks.last()) {
            (Some(&first), Some(&last)) => base.seconds(last.saturating_sub(first)),
            _ => 0.0,
        };
        let within = STRETCH_WITHIN_PERIODS * clip_period.max(span / frames);
        let mut stretches: Vec<Vec<(f64, f64)>> = Vec::new();
        let mut newest = None;
        for (&place, &tick) in track.places.iter().zip(ticks) {
            let (SourcePlace::Picture(picture) | SourcePlace::Woven { first: picture, .. }) = place else {
                continue;
            };
            if newest == Some(picture) {
                continue;
            }
            newest = Some(picture);
            let point = (f64::from(picture) * clip_period, base.seconds(tick.saturating_sub(ticks[0])));
            let goes_on = stretches.last().and_then(|stretch| stretch.last()).is_some_and(|before| {
                let (clip, capture) = (point.0 - before.0, point.1 - before.1);
                clip > 0.0 && (capture - clip).abs() <= within
            });
            if !goes_on {
                stretches.push(Vec::new());
            }
            stretches.last_mut().expect("one was pushed").push(point);
        }
        Self { stretches }
    }

    fn clip_start_s(&self) -> Option<f64> {
        let (clip, capture) = *self.stretches.first()?.first()?;
        Some(capture - clip)
    }

    /// One slope over all stretches, each with an offset of its own: least squares.
    fn drift(&self) -> Option<Drift> {
        let (mut xx, mut xy, mut yy, mut count, mut offsets) = (0.0, 0.0, 0.0, 0usize, 0usize);
        for stretch in self.stretches.iter().filter(|stretch| stretch.len() > 1) {
            let n = stretch.len() as f64;
            let mean_x = stretch.iter().map(|point| point.0).sum::<f64>() / n;
            // The difference of both clocks, which is small, keeps its precision.
            let mean_y = stretch.iter().map(|point| point.1 - point.0).sum::<f64>() / n;
            for &(clip, capture) in stretch {
                let (x, y) = (clip - mean_x, capture - clip - mean_y);
                xx += x * x;
                xy += x * y;
                yy += y * y;
            }
            count += stretch.len();
            offsets += 1;
        }
        if count < DRIFT_SHOWINGS_MIN + offsets || xx <= 0.0 {
            return None;
        }
        let slope = xy / xx;
        let left = (yy - slope * xy).max(0.0) / (count - offsets - 1) as f64;
        Some(Drift { ppm: slope * 1e6, error_ppm: (left / xx).sqrt() * 1e6 })
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::alignment::{SourceOrigin, SourceUnit};
    use crate::units::Rate;

    fn track(places: Vec<SourcePlace>, rate: &str) -> SourceTrack {
        SourceTrack {
            origin: SourceOrigin::Reference,
            unit: SourceUnit::Picture,
            clip_name: "clip".to_owned(),
            clip_rate: Rate::parse(rate).unwrap(),
            clip_length: None,
            first_field: None,
            places,
        }
    }

    #[test]
    fn pictures_are_counted_by_how_they_appeared() {
        let places = vec![
            SourcePlace::Unknown,
            SourcePlace::Picture(10),
            SourcePlace::Picture(12),
            SourcePlace::Mix { first: 13, second: 14, weight: 0.5 },
            SourcePlace::Ambiguous { first: 15, last: 18 },
            SourcePlace::Ambiguous { first: 15, last: 18 },
            SourcePlace::Picture(18),
            SourcePlace::Picture(22),
        ];
        let base = TimeBase::new(1, 60).unwrap();
        let summary = SourceSummary::new(&track(places, "60"), &[0, 1, 2, 3, 4, 5, 6, 7], base);
        assert_eq!((summary.first, summary.last, summary.pictures()), (Some(10), Some(22), 13));
        let counts = Counts { shown: 4, only_mixed: 2, ambiguous: 3, never_shown: 4 };
        assert_eq!((summary.counts, summary.by_field), (counts, None));
        assert_eq!(summary.never_shown_ranges, [(11, 11), (19, 21)]);
        assert_eq!((summary.unknown_frames, summary.ambiguous_frames), (1, 2));
        assert_eq!(summary.clip_start_s, Some(1.0 / 60.0 - 10.0 / 60.0));
    }

    #[test]
    fn fields_are_counted_by_their_place_in_the_frame() {
        let fields = |places| {
            let track = SourceTrack { unit: SourceUnit::Field, ..track(places, "50") };
            SourceSummary::new(&track, &[0, 1, 2, 3], TimeBase::new(1, 50).unwrap()).by_field.unwrap()
        };
        let counts = |shown, never_shown| Counts { shown, never_shown, ..Counts::default() };
        let first_only = [4, 6, 6, 8].map(SourcePlace::Picture).to_vec();
        assert_eq!(fields(first_only), [counts(3, 0), counts(0, 2)]);
        let second_only = [5, 7, 9, 11].map(SourcePlace::Picture).to_vec();
        assert_eq!(fields(second_only), [counts(0, 3), counts(4, 0)]);
        let woven = [4, 6, 8, 12].map(|first| SourcePlace::Woven { first, second: first + 1 }).to_vec();
        assert_eq!(fields(woven), [counts(4, 1), counts(4, 1)]);
    }

    #[test]
    fn drift_is_told_beside_stalls() {
        // 25 pictures per second, every picture 40 ppm late, and a stall of one second in the middle.
        let base = TimeBase::NANOSECONDS;
        let time = |k: i64| k * 40_001_600 + if k > 3000 { 1_000_000_000 } else { 0 };
        let places = (0..6000).map(SourcePlace::Picture).collect();
        let ticks: Vec<i64> = (0..6000).map(time).collect();
        let drift = SourceSummary::new(&track(places, "25"), &ticks, base).drift.unwrap();
        assert!((drift.ppm - 40.0).abs() < 0.01, "{drift:?}");
        assert!(drift.error_ppm < 0.01, "{drift:?}");
    }
}
