//! What is compared, how exactly each number is known, and which device stands best.

use super::Device;
use crate::alignment::picture::{Measured, Measures, RowMeasures};
use crate::audit::Audit;
use crate::classify::{count_flagged, ClassifiedFrame, FrameClass, FrameFlags};
use crate::units::Rate;
use crate::verdict::{FindingKind, Placing};

/// Two clocks, the device's and the recorder's, each within the ±10 ppm of SMPTE ST 274: rates nearer than this
/// fraction are the same.
const RATE_TOLERANCE: f64 = 20e-6;

/// Share of mixes from which the motion rate of a device says nothing. Choice.
const MIXING_SHARE: f64 = 0.05;

/// Which values are better.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Better {
    /// Larger ones.
    Higher,
    /// Smaller ones.
    Lower,
    /// Neither: the rates of clip and signal decide.
    Neither,
}

/// One measure.
#[derive(Clone, Copy, Debug)]
pub struct Measure {
    /// Name in files, with the unit at its end where it has one.
    pub key: &'static str,
    /// Name for reading.
    pub title: &'static str,
    /// Unit for reading; empty for numbers of things, `%` for shares, which are 0 to 1 in files.
    pub unit: &'static str,
    /// Decimals for reading.
    pub decimals: usize,
    /// Which values are better.
    pub better: Better,
    find: fn(&Audit) -> Value,
}

/// A value and the half width of the range it lies in, same unit.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Value {
    /// The value; `None` where it cannot be told.
    pub value: Option<f64>,
    /// Values of two devices are equal where they differ by no more than both of these together.
    pub uncertainty: f64,
    /// Whether it may be held against those of other devices.
    pub is_ranked: bool,
}

impl Value {
    const UNKNOWN: Self = Self { value: None, uncertainty: 0.0, is_ranked: true };

    fn new(value: f64, uncertainty: f64) -> Self {
        Self { value: Some(value), uncertainty, is_ranked: true }
    }

    fn ranked_if(self, is_ranked: bool) -> Self {
        Self { is_ranked, ..self }
    }
}

/// Position of the share of pictures delivered among [`MEASURES`]: known once pictures are compared.
const DELIVERED: usize = 1;

/// Every measure, in the order of the table.
pub const MEASURES: [Measure; 21] = [
    Measure {
        key: "motion_rate_hz",
        title: "Motion rate",
        unit: "pictures/s",
        decimals: 3,
        better: Better::Higher,
        find: motion_rate,
    },
    Measure {
        key: "delivered_share",
        title: "Pictures delivered",
        unit: "%",
        decimals: 2,
        better: Better::Higher,
        find: |_| Value::UNKNOWN,
    },
    Measure {
        key: "repeat_frames",
        title: "Repeats",
        unit: "frames",
        decimals: 0,
        better: Better::Neither,
        find: repeats,
    },
    Measure {
        key: "dropped_pictures",
        title: "Drops",
        unit: "pictures",
        decimals: 0,
        better: Better::Lower,
        find: drops,
    },
    Measure {
        key: "cadence_breaks",
        title: "Cadence breaks",
        unit: "",
        decimals: 0,
        better: Better::Lower,
        find: |audit| unsure_count(audit, audit.cadence.breaks.len()),
    },
    Measure {
        key: "freezes",
        title: "Freezes",
        unit: "",
        decimals: 0,
        better: Better::Lower,
        find: |audit| Value::new(audit.cadence.freezes.len() as f64, 0.0),
    },
    Measure {
        key: "longest_freeze_ms",
        title: "Longest freeze",
        unit: "ms",
        decimals: 0,
        better: Better::Lower,
        find: longest_freeze,
    },
    Measure {
        key: "judder_rms_ms",
        title: "Judder",
        unit: "ms rms",
        decimals: 2,
        better: Better::Lower,
        find: |audit| judder(audit, audit.cadence.judder.rms_ms),
    },
    Measure {
        key: "judder_excess_ms",
        title: "Judder of its own",
        unit: "ms rms",
        decimals: 2,
        better: Better::Lower,
        find: |audit| judder(audit, audit.cadence.judder.excess_rms_ms),
    },
    Measure {
        key: "blended_share",
        title: "Blended",
        unit: "%",
        decimals: 1,
        better: Better::Lower,
        find: |audit| flagged(audit, FrameFlags::BLEND),
    },
    Measure {
        key: "combed_share",
        title: "Combed",
        unit: "%",
        decimals: 1,
        better: Better::Lower,
        find: |audit| flagged(audit, FrameFlags::COMBED),
    },
    Measure {
        key: "one_field_share",
        title: "One field only",
        unit: "%",
        decimals: 1,
        better: Better::Lower,
        find: |audit| flagged(audit, FrameFlags::ONE_FIELD),
    },
    Measure {
        key: "out_of_order_frames",
        title: "Out of order",
        unit: "frames",
        decimals: 0,
        better: Better::Lower,
        find: |audit| Value::new(flagged_frames(audit, FrameFlags::OUT_OF_ORDER), 0.0),
    },
    Measure {
        key: "level_difference",
        title: "Levels off",
        unit: "code values",
        decimals: 1,
        better: Better::Lower,
        find: |audit| measured(audit.against_clip().and_then(|picture| picture.level_difference())),
    },
    Measure {
        key: "gamma_power",
        title: "Gamma against the clip",
        unit: "power",
        decimals: 2,
        better: Better::Neither,
        find: |audit| measured(measures(audit).and_then(|measures| measures.levels?.gamma)),
    },
    Measure {
        key: "stretch_share",
        title: "Stretched",
        unit: "%",
        decimals: 1,
        better: Better::Lower,
        find: |audit| placed(audit, |placing| (placing.stretch(), placing.shape.error)),
    },
    Measure {
        key: "cropped_px",
        title: "Cropped",
        unit: "px",
        decimals: 0,
        better: Better::Lower,
        find: |audit| {
            placed(audit, |placing| (placing.cropped(), placing.cut[0].error.max(placing.cut[1].error)))
        },
    },
    Measure {
        key: "picture_shift_px",
        title: "Picture shifted",
        unit: "px",
        decimals: 1,
        better: Better::Lower,
        find: |audit| {
            placed(audit, |placing| (placing.shifted(), placing.shift[0].error.hypot(placing.shift[1].error)))
        },
    },
    Measure {
        key: "still_detail_share",
        title: "Vertical detail kept, still",
        unit: "%",
        decimals: 0,
        better: Better::Higher,
        find: |audit| measured(rows(audit).and_then(|rows| rows.still)),
    },
    Measure {
        key: "moving_detail_share",
        title: "Vertical detail kept, moving",
        unit: "%",
        decimals: 0,
        better: Better::Higher,
        find: |audit| measured(rows(audit).and_then(|rows| rows.moving)),
    },
    Measure {
        key: "slant_step_rows",
        title: "Steps on slants",
        unit: "rows",
        decimals: 2,
        better: Better::Lower,
        find: |audit| measured(rows(audit).and_then(|rows| rows.step)),
    },
];

/// What was measured of the picture beside the clip's.
fn measures(audit: &Audit) -> Option<Measures> {
    audit.against_clip()?.measures
}

/// What is left of the test clip's rows and slants.
fn rows(audit: &Audit) -> Option<RowMeasures> {
    audit.source.as_ref()?.picture.as_ref()?.rows
}

/// Twice the standard error on either side holds nineteen of twenty.
const ERRORS: f64 = 2.0;

fn measured(measured: Option<Measured>) -> Value {
    measured.map_or(Value::UNKNOWN, |Measured { value, error }| Value::new(value, ERRORS * error))
}

fn placed(audit: &Audit, of: impl Fn(Placing) -> (f64, f64)) -> Value {
    let placing = audit.against_clip().and_then(|picture| picture.placing());
    measured(placing.map(of).map(|(value, error)| Measured { value, error }))
}

/// The values of an audit, one per measure.
pub(super) fn values(audit: &Audit) -> Vec<Value> {
    MEASURES.iter().map(|measure| (measure.find)(audit)).collect()
}

/// Sets the share of pictures delivered, once it is known.
pub(super) fn add_coverage(device: &mut Device) {
    let Some(coverage) = &device.coverage else { return };
    if let Some(share) = coverage.share() {
        device.values[DELIVERED] = Value::new(share, coverage.uncertainty());
    }
}

fn motion_rate(audit: &Audit) -> Value {
    let duration = audit.times.duration_s();
    match audit.cadence.motion.motion_rate_hz {
        // One picture more or less at the ends, and the calls that may be wrong.
        Some(rate) if duration > 0.0 => {
            let wrong = expected_wrong(&audit.frames) / duration;
            let mixes = flagged_frames(audit, FrameFlags::BLEND) > MIXING_SHARE * audit.frames.len() as f64;
            // Every mix differs from the frame before it, and is no picture of the clip.
            Value::new(rate, rate * RATE_TOLERANCE + wrong + 1.0 / duration).ranked_if(!mixes)
        }
        _ => Value::UNKNOWN,
    }
}

/// Calls that are wrong by their own confidence.
fn expected_wrong(frames: &[ClassifiedFrame]) -> f64 {
    frames.iter().map(|frame| 1.0 - f64::from(frame.confidence)).sum()
}

fn repeats(audit: &Audit) -> Value {
    let repeats = audit.frames.iter().filter(|frame| frame.class == FrameClass::Repeat);
    let wrong: f64 = repeats.map(|frame| 1.0 - f64::from(frame.confidence)).sum();
    Value::new(audit.cadence.motion.repeat_frames as f64, wrong)
}

fn drops(audit: &Audit) -> Value {
    let dropped = audit.frames.iter().filter(|frame| frame.flags.contains(FrameFlags::AFTER_DROP));
    let (lost, uncertainty) = dropped.fold((0.0, 0.0), |(lost, uncertainty), frame| {
        (lost + f64::from(frame.lost_before), uncertainty + f64::from(frame.lost_uncertainty))
    });
    // At half rate the pictures that never come are no drops.
    let halves = audit.findings.iter().any(|one| one.kind == FindingKind::HalfRateMotion);
    Value::new(lost, uncertainty).ranked_if(!halves)
}

/// A number of things that rest on calls, some of which may be wrong: one wrong call makes up to two of them.
fn unsure_count(audit: &Audit, count: usize) -> Value {
    Value::new(count as f64, 2.0 * expected_wrong(&audit.frames))
}

fn longest_freeze(audit: &Audit) -> Value {
    let longest = audit.cadence.freezes.iter().map(|freeze| freeze.duration_ms).fold(0.0, f64::max);
    Value::new(longest, audit.times.delivered_rate.period_ms())
}

/// A root mean square of n values is known to its part 1/√(2n); times to a tick.
fn judder(audit: &Audit, rms_ms: Option<f64>) -> Value {
    let pictures = audit.cadence.motion.new_frames.max(1) as f64;
    let tick_ms = if audit.times.measured { 1000.0 * audit.times.base.seconds(1) } else { 0.0 };
    let own = |rate: Rate| 0.001 * rate.period_ms();
    match rms_ms {
        Some(rms) => {
            let uncertainty = rms / (2.0 * pictures).sqrt() + tick_ms.min(1.0);
            Value::new(rms, uncertainty + own(audit.times.delivered_rate))
        }
        None => Value::UNKNOWN,
    }
}

fn flagged_frames(audit: &Audit, flag: FrameFlags) -> f64 {
    count_flagged(&audit.frames, flag) as f64
}

fn flagged(audit: &Audit, flag: FrameFlags) -> Value {
    let frames = audit.frames.len();
    if frames == 0 {
        return Value::UNKNOWN;
    }
    Value::new(flagged_frames(audit, flag) / frames as f64, 1.0 / frames as f64)
}

/// How a device stands in one measure.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Standing {
    /// As good as the best.
    Best,
    /// Neither.
    Between,
    /// As bad as the worst.
    Worst,
    /// All devices are equal, or nothing is better or worse.
    Equal,
    /// Not known.
    Unknown,
    /// Known, but it means nothing for this device: the drops of one at half rate, the rate of one that mixes.
    NotRanked,
}

impl Standing {
    /// The name written to files.
    pub fn name(self) -> &'static str {
        match self {
            Self::Best => "best",
            Self::Between => "between",
            Self::Worst => "worst",
            Self::Equal => "equal",
            Self::Unknown => "unknown",
            Self::NotRanked => "not-ranked",
        }
    }
}

/// How every device stands in every measure.
pub(super) fn standings(devices: &[Device]) -> Vec<Vec<Standing>> {
    MEASURES
        .iter()
        .enumerate()
        .map(|(place, measure)| {
            let values: Vec<Value> = devices.iter().map(|device| device.values[place]).collect();
            standing(&values, measure.better)
        })
        .collect()
}

/// How values stand among each other.
pub(super) fn standing(values: &[Value], better: Better) -> Vec<Standing> {
    let sign = if better == Better::Lower { -1.0 } else { 1.0 };
    let rank = |value: &Value| value.value.map(|value| sign * value);
    let known = || values.iter().filter(|value| value.value.is_some() && value.is_ranked);
    let order = |a: &&Value, b: &&Value| rank(a).unwrap_or(0.0).total_cmp(&rank(b).unwrap_or(0.0));
    let (Some(best), Some(worst)) = (known().max_by(order), known().min_by(order)) else {
        let unranked = |value: &Value| {
            if value.value.is_some() {
                Standing::NotRanked
            } else {
                Standing::Unknown
            }
        };
        return values.iter().map(unranked).collect();
    };
    let alike = |a: &Value, b: &Value| match (a.value, b.value) {
        (Some(x), Some(y)) => (x - y).abs() <= a.uncertainty + b.uncertainty,
        _ => false,
    };
    values
        .iter()
        .map(|value| match value.value {
            None => Standing::Unknown,
            Some(_) if !value.is_ranked => Standing::NotRanked,
            Some(_) if better == Better::Neither || alike(best, worst) => Standing::Equal,
            Some(_) if alike(value, best) => Standing::Best,
            Some(_) if alike(value, worst) => Standing::Worst,
            Some(_) => Standing::Between,
        })
        .collect()
}
