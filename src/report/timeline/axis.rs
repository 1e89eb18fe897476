//! Time axis: steps that people count in, labels in seconds, min:s or h:min:s.

use std::ops::Range;

use plotters::coord::ranged1d::{DefaultFormatting, KeyPointHint};
use plotters::coord::types::RangedCoordf64;
use plotters::prelude::Ranged;

/// A linear axis with labels exactly at `ticks`.
pub(super) struct TickedAxis {
    axis: RangedCoordf64,
    ticks: Vec<f64>,
}

impl TickedAxis {
    pub(super) fn new(range: Range<f64>, ticks: Vec<f64>) -> Self {
        Self { axis: range.into(), ticks }
    }
}

impl Ranged for TickedAxis {
    type FormatOption = DefaultFormatting;
    type ValueType = f64;

    fn map(&self, value: &f64, limit: (i32, i32)) -> i32 {
        self.axis.map(value, limit)
    }

    fn key_points<Hint: KeyPointHint>(&self, _hint: Hint) -> Vec<f64> {
        self.ticks.clone()
    }

    fn range(&self) -> Range<f64> {
        self.axis.range()
    }
}

/// Steps between labels, seconds.
const STEPS_S: &[f64] = &[
    0.001, 0.002, 0.005, 0.01, 0.02, 0.05, 0.1, 0.2, 0.5, 1.0, 2.0, 5.0, 10.0, 15.0, 30.0, 60.0, 120.0,
    300.0, 600.0, 900.0, 1800.0, 3600.0, 7200.0, 14400.0, 43200.0, 86400.0,
];
/// Most labels along the axis: at 800 px they stay apart even as h:min:s.
const LABELS_MAX: f64 = 10.0;
/// Longest capture labelled in plain seconds.
const PLAIN_SECONDS_MAX: f64 = 120.0;
/// Longest capture labelled in min:s.
const MINUTES_MAX: f64 = 7200.0;

/// Where the labels stand, seconds from the first frame.
pub(in crate::report) fn ticks(shown: &Range<f64>) -> Vec<f64> {
    let step = step(shown.end - shown.start);
    let first = (shown.start / step - 1e-9).ceil().max(0.0);
    let count = ((shown.end / step + 1e-9).floor() - first).clamp(0.0, LABELS_MAX * 2.0) as u32;
    (0..=count).map(|place| (first + f64::from(place)) * step).collect()
}

fn step(duration_s: f64) -> f64 {
    let fits = |step: &f64| duration_s / step <= LABELS_MAX;
    // Beyond the list (longer than ten days) the axis is simply cut into ten.
    STEPS_S.iter().copied().find(fits).unwrap_or(duration_s / LABELS_MAX)
}

/// Name of the axis with its unit.
pub(in crate::report) fn name(duration_s: f64) -> &'static str {
    if duration_s <= PLAIN_SECONDS_MAX {
        "time from the first frame, s"
    } else if duration_s <= MINUTES_MAX {
        "time from the first frame, min:s"
    } else {
        "time from the first frame, h:min:s"
    }
}

/// One label.
pub(in crate::report) fn label(seconds: f64, shown: &Range<f64>) -> String {
    let decimals = match step(shown.end - shown.start) {
        step if step < 0.01 => 3,
        step if step < 0.1 => 2,
        step if step < 1.0 => 1,
        _ => 0,
    };
    if shown.end <= PLAIN_SECONDS_MAX {
        return format!("{seconds:.decimals$}");
    }
    // Rounded first, so that 59.96 s never reads 0:60.0.
    let parts = 10u64.pow(decimals as u32);
    let total = (seconds * parts as f64).round() as u64;
    let (whole, part) = (total / parts, total % parts);
    let fraction = if decimals > 0 { format!(".{part:0decimals$}") } else { String::new() };
    let (minutes, s) = (whole / 60, whole % 60);
    if shown.end <= MINUTES_MAX {
        return format!("{minutes}:{s:02}{fraction}");
    }
    format!("{}:{:02}:{s:02}{fraction}", minutes / 60, minutes % 60)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn labels_fit_the_length() {
        for (duration_s, count, last, axis) in [
            (0.0167, 9, "0.016", "time from the first frame, s"),
            (2.0, 11, "2.0", "time from the first frame, s"),
            (10.0, 11, "10", "time from the first frame, s"),
            (61.0, 7, "60", "time from the first frame, s"),
            (600.0, 11, "10:00", "time from the first frame, min:s"),
            (36000.0, 11, "10:00:00", "time from the first frame, h:min:s"),
        ] {
            let shown = 0.0..duration_s;
            let ticks = ticks(&shown);
            assert_eq!(ticks.len(), count, "{duration_s}");
            assert_eq!(label(ticks[count - 1], &shown), last);
            assert_eq!(name(duration_s), axis);
        }
        let shown = 3599.5..3600.25;
        let labels: Vec<String> = ticks(&shown).iter().map(|&tick| label(tick, &shown)).collect();
        assert_eq!(labels.first().map(String::as_str), Some("59:59.5"));
        assert_eq!(labels.last().map(String::as_str), Some("60:00.2"));
    }
}
