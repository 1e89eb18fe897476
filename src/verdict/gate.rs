//! Requirements that a recording must meet: what a build server asks. Pure.
//!
//! [`MEASURES`] is the one table of what can be required; a new measure adds its row there.

use std::fmt;

use super::expectation::{expectation, Expectation};
use super::Played;
use crate::cadence::CadenceAnalysis;
use crate::classify::{count_flagged, ClassifiedFrame, FrameFlags};
use crate::units::decimal;

/// Which side of the limit is good.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Bound {
    /// The value found must reach the limit.
    AtLeast,
    /// The value found must not exceed the limit.
    AtMost,
}

impl Bound {
    /// The name written to files.
    pub fn name(self) -> &'static str {
        match self {
            Self::AtLeast => "at-least",
            Self::AtMost => "at-most",
        }
    }

    /// The bound in words, before a limit.
    pub fn words(self) -> &'static str {
        match self {
            Self::AtLeast => "at least",
            Self::AtMost => "at most",
        }
    }
}

/// Unit of a measure: what limits are allowed, how values are shown, how finely they are compared.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Unit {
    /// Per second.
    Hertz,
    /// Milliseconds.
    Milliseconds,
    /// Part of the judged or of all frames, 0 to 1.
    Share,
    /// Frames of the recording.
    Frames,
    /// Pictures of the clip.
    Pictures,
    /// Things that happened.
    Times,
    /// Code values at 8 bit.
    CodeValues,
    /// Pixels.
    Pixels,
}

/// How far a rate may lie beyond its limit and still meet it, as a fraction: two clocks, the device's and the
/// recorder's, each within the ±10 ppm of SMPTE ST 274.
const RATE_TOLERANCE: f64 = 20e-6;
/// The same for milliseconds: half the last decimal that reports show.
const MILLISECOND_TOLERANCE: f64 = 5e-5;
/// The same for shares: one frame in 2,160,000 still counts.
const SHARE_TOLERANCE: f64 = 5e-10;
/// The same for code values and pixels: half the last decimal that is shown.
const PICTURE_TOLERANCE: f64 = 0.005;
/// Largest limit that can be asked for, whatever the unit: ten hours in ms are 36 million.
const LIMIT_MAX: f64 = 1e9;

impl Unit {
    /// The unit as reports write it; empty for a share.
    pub fn name(self) -> &'static str {
        match self {
            Self::Hertz => "Hz",
            Self::Milliseconds => "ms",
            Self::Share => "",
            Self::Frames => "frames",
            Self::Pictures => "pictures",
            Self::Times => "times",
            Self::CodeValues => "code values",
            Self::Pixels => "px",
        }
    }

    /// Largest limit that makes sense; the smallest is 0.
    pub fn limit_max(self) -> f64 {
        match self {
            Self::Share => 1.0,
            _ => LIMIT_MAX,
        }
    }

    /// Distance from the limit that is no difference.
    fn tolerance(self, limit: f64) -> f64 {
        match self {
            Self::Hertz => limit * RATE_TOLERANCE,
            Self::Milliseconds => MILLISECOND_TOLERANCE,
            Self::Share => SHARE_TOLERANCE,
            Self::CodeValues | Self::Pixels => PICTURE_TOLERANCE,
            Self::Frames | Self::Pictures | Self::Times => 0.0,
        }
    }

    /// Decimals that a value is shown with at most.
    fn decimals(self) -> usize {
        match self {
            Self::Hertz => 6,
            Self::Milliseconds => 4,
            Self::Share => 6,
            Self::CodeValues | Self::Pixels => 2,
            Self::Frames | Self::Pictures | Self::Times => 0,
        }
    }

    /// A value with its unit, as short as it can be.
    fn value_text(self, value: f64) -> String {
        let mut text = decimal(value, self.decimals());
        if text.contains('.') {
            text.truncate(text.trim_end_matches('0').trim_end_matches('.').len());
        }
        // Counts are named by their key.
        match self {
            Self::Hertz | Self::Milliseconds | Self::CodeValues | Self::Pixels => {
                format!("{text} {}", self.name())
            }
            _ => text,
        }
    }
}

/// What requirements are held against.
#[derive(Clone, Copy, Debug)]
pub struct Facts<'a> {
    /// The classified frames.
    pub frames: &'a [ClassifiedFrame],
    /// Their cadence.
    pub cadence: &'a CadenceAnalysis,
    /// What is known of the clip that was played.
    pub played: Played<'a>,
}

/// Something that can be required.
#[derive(Debug)]
pub struct Measure {
    /// Its name on the command line and in files.
    pub key: &'static str,
    /// Which side of the limit is good.
    pub bound: Bound,
    /// Unit of the limit and of the value found.
    pub unit: Unit,
    /// What it is, for the help.
    pub meaning: &'static str,
    /// Its value; `None` where it cannot be known.
    value: fn(&Facts<'_>) -> Option<f64>,
    /// Why it may be unknown.
    unknown: &'static str,
}

const NOTHING_JUDGED: &str = "too little moves to judge";
const NO_PATTERN: &str = "no pattern holds, or too little moves to judge";
const NO_TIMES: &str = "the capture has neither times nor numbers of its own";
const NO_CLIP: &str = "the clip is not known, or too little of it shows";
const NO_COLOUR: &str = "the clip is not known, or has too little colour to tell";
const NO_FRAMES: &str = "the capture has no frames";

/// Everything that can be required.
pub const MEASURES: &[Measure] = &[
    Measure {
        key: "motion-rate",
        bound: Bound::AtLeast,
        unit: Unit::Hertz,
        meaning: "new pictures per second over judged time",
        value: |facts| facts.cadence.motion.motion_rate_hz,
        unknown: NOTHING_JUDGED,
    },
    Measure {
        key: "delivered-rate",
        bound: Bound::AtLeast,
        unit: Unit::Hertz,
        meaning: "frames per second of the capture",
        value: |facts| (!facts.frames.is_empty()).then_some(facts.cadence.motion.delivered_rate_hz),
        unknown: NO_FRAMES,
    },
    Measure {
        key: "coverage",
        bound: Bound::AtLeast,
        unit: Unit::Share,
        meaning: "share of judged frames that follow the pattern",
        value: |facts| facts.cadence.pattern.as_ref().map(|_| facts.cadence.coverage),
        unknown: NO_PATTERN,
    },
    Measure {
        key: "judged-share",
        bound: Bound::AtLeast,
        unit: Unit::Share,
        meaning: "share of all frames that are not still",
        value: |facts| share(facts.cadence.motion.judged_frames, facts.frames.len() as u64),
        unknown: NO_FRAMES,
    },
    Measure {
        key: "repeat-share",
        bound: Bound::AtMost,
        unit: Unit::Share,
        meaning: "share of judged frames that are repeats",
        value: |facts| {
            let motion = &facts.cadence.motion;
            judged(facts).and_then(|()| share(motion.repeat_frames, motion.judged_frames))
        },
        unknown: NOTHING_JUDGED,
    },
    Measure {
        key: "cadence-breaks",
        bound: Bound::AtMost,
        unit: Unit::Times,
        meaning: "holds that leave the pattern",
        value: |facts| facts.cadence.pattern.as_ref().map(|_| facts.cadence.breaks.len() as f64),
        unknown: NO_PATTERN,
    },
    Measure {
        key: "freezes",
        bound: Bound::AtMost,
        unit: Unit::Times,
        meaning: "pictures that stay far longer than the cadence explains",
        value: |facts| judged(facts).map(|()| facts.cadence.freezes.len() as f64),
        unknown: NOTHING_JUDGED,
    },
    Measure {
        key: "longest-freeze-ms",
        bound: Bound::AtMost,
        unit: Unit::Milliseconds,
        meaning: "the longest of them; 0 without one",
        value: |facts| {
            let freezes = facts.cadence.freezes.iter();
            judged(facts).map(|()| freezes.map(|freeze| freeze.duration_ms).fold(0.0, f64::max))
        },
        unknown: NOTHING_JUDGED,
    },
    Measure {
        key: "drops",
        bound: Bound::AtMost,
        unit: Unit::Pictures,
        meaning: "pictures that never appeared, lost before the recorder",
        value: |facts| judged(facts).map(|()| drops(facts) as f64),
        unknown: NOTHING_JUDGED,
    },
    Measure {
        key: "gap-frames",
        bound: Bound::AtMost,
        unit: Unit::Frames,
        meaning: "frames that the recorder lost, by timestamps or numbering",
        value: |facts| {
            let timing = facts.cadence.timing.as_ref()?;
            Some(timing.gaps.iter().map(|&(_, frames)| f64::from(frames)).sum())
        },
        unknown: NO_TIMES,
    },
    Measure {
        key: "judder-rms-ms",
        bound: Bound::AtMost,
        unit: Unit::Milliseconds,
        meaning: "judder, root mean square",
        value: |facts| facts.cadence.judder.rms_ms,
        unknown: NOTHING_JUDGED,
    },
    Measure {
        key: "judder-peak-to-peak-ms",
        bound: Bound::AtMost,
        unit: Unit::Milliseconds,
        meaning: "judder, peak to peak",
        value: |facts| facts.cadence.judder.peak_to_peak_ms,
        unknown: NOTHING_JUDGED,
    },
    Measure {
        key: "excess-judder-rms-ms",
        bound: Bound::AtMost,
        unit: Unit::Milliseconds,
        meaning: "judder beyond what the rate pair forces, root mean square",
        value: |facts| facts.cadence.judder.excess_rms_ms,
        unknown: NO_PATTERN,
    },
    Measure {
        key: "out-of-order-frames",
        bound: Bound::AtMost,
        unit: Unit::Frames,
        meaning: "frames whose picture was shown before, or is swapped",
        value: |facts| flagged(facts, FrameFlags::OUT_OF_ORDER),
        unknown: NOTHING_JUDGED,
    },
    Measure {
        key: "blended-frames",
        bound: Bound::AtMost,
        unit: Unit::Frames,
        meaning: "frames that mix two pictures",
        value: |facts| flagged(facts, FrameFlags::BLEND),
        unknown: NOTHING_JUDGED,
    },
    Measure {
        key: "level-difference",
        bound: Bound::AtMost,
        unit: Unit::CodeValues,
        meaning: "black or white beside the clip's, whichever differs more, at 8 bit",
        value: |facts| picture(facts)?.level_difference().map(|found| found.value),
        unknown: NO_CLIP,
    },
    Measure {
        key: "gamma-difference",
        bound: Bound::AtMost,
        unit: Unit::Share,
        meaning: "by which part the power of the levels' curve differs from 1",
        value: |facts| {
            let gamma = picture(facts)?.measures?.levels?.gamma?;
            Some((gamma.value - 1.0).abs())
        },
        unknown: NO_CLIP,
    },
    Measure {
        key: "clipped-share",
        bound: Bound::AtMost,
        unit: Unit::Share,
        meaning: "share of all samples that lay below black or above white and were clipped",
        value: |facts| picture(facts)?.clipped_share(),
        unknown: "the clip is not known, or holds too little below black and above white",
    },
    Measure {
        key: "wrong-colour-equations",
        bound: Bound::AtMost,
        unit: Unit::Times,
        meaning: "1 where colours are by the equations of another standard, or Cb and Cr are swapped",
        value: |facts| {
            let picture = picture(facts)?;
            picture.conversion().map(|_| f64::from(u8::from(picture.has_wrong_equations())))
        },
        unknown: NO_COLOUR,
    },
    Measure {
        key: "chroma-shift-px",
        bound: Bound::AtMost,
        unit: Unit::Pixels,
        meaning: "how far colour lies beside the luma",
        value: |facts| {
            let [across, down] = picture(facts)?.measures?.chroma?.shift;
            Some(across.value.hypot(down.value))
        },
        unknown: NO_COLOUR,
    },
    Measure {
        key: "stretch-share",
        bound: Bound::AtMost,
        unit: Unit::Share,
        meaning: "by which part width over height differs from the clip's",
        value: |facts| Some(picture(facts)?.placing()?.stretch()),
        unknown: NO_CLIP,
    },
    Measure {
        key: "cropped-px",
        bound: Bound::AtMost,
        unit: Unit::Pixels,
        meaning: "what is cut off of the clip's width or height, whichever is more",
        value: |facts| Some(picture(facts)?.placing()?.cropped()),
        unknown: NO_CLIP,
    },
    Measure {
        key: "picture-shift-px",
        bound: Bound::AtMost,
        unit: Unit::Pixels,
        meaning: "how far the picture's middle lies beside the clip's",
        value: |facts| Some(picture(facts)?.placing()?.shifted()),
        unknown: NO_CLIP,
    },
    Measure {
        key: "mirrored",
        bound: Bound::AtMost,
        unit: Unit::Times,
        meaning: "1 where the picture is turned over, else 0",
        value: |facts| Some(f64::from(u8::from(picture(facts)?.mirrored.contains(&true)))),
        unknown: NO_CLIP,
    },
];

/// The picture beside the clip's.
fn picture(facts: &Facts<'_>) -> Option<super::AgainstClip> {
    facts.played.picture
}

/// Whether anything was judged: counts of faults say nothing where nothing moved.
fn judged(facts: &Facts<'_>) -> Option<()> {
    facts.cadence.motion.motion_rate_hz.map(|_| ())
}

/// Pictures lost one by one, or steadily by the rate that the clip is said to have: whichever says more.
fn drops(facts: &Facts<'_>) -> u64 {
    let dropped = facts.frames.iter().filter(|frame| frame.flags.contains(FrameFlags::AFTER_DROP));
    let one_by_one = dropped.map(|frame| u64::from(frame.lost_before)).sum::<u64>();
    let expected = expectation(facts.frames, facts.cadence, facts.played);
    one_by_one.max(expected.and_then(Expectation::missing_pictures).unwrap_or(0))
}

fn share(part: u64, whole: u64) -> Option<f64> {
    (whole > 0).then(|| part as f64 / whole as f64)
}

fn flagged(facts: &Facts<'_>, flag: FrameFlags) -> Option<f64> {
    judged(facts).map(|()| count_flagged(facts.frames, flag) as f64)
}

/// One thing required: a measure and its limit.
#[derive(Clone, Copy, Debug)]
pub struct Requirement {
    /// What is measured.
    pub measure: &'static Measure,
    /// The limit, in the measure's unit.
    pub limit: f64,
}

impl PartialEq for Requirement {
    fn eq(&self, other: &Self) -> bool {
        self.measure.key == other.measure.key && self.limit == other.limit
    }
}

impl Requirement {
    /// Reads `KEY=VALUE`. The error names what is wrong and what is allowed, in lower case without full stop.
    ///
    /// # Errors
    /// No `=`, an unknown key, a value that is no number or outside the measure's range.
    pub fn parse(text: &str) -> Result<Self, String> {
        let (key, value) =
            text.split_once('=').ok_or_else(|| "a requirement is KEY=VALUE, as in freezes=0".to_owned())?;
        let measure = MEASURES.iter().find(|measure| measure.key == key).ok_or_else(|| {
            let keys: Vec<&str> = MEASURES.iter().map(|measure| measure.key).collect();
            format!("unknown key {key}; known are {}", keys.join(", "))
        })?;
        let max = measure.unit.limit_max();
        let limit = number(value, measure.unit)
            .filter(|limit| (0.0..=max).contains(limit))
            .ok_or_else(|| format!("{key} takes a number from 0 to {max}, not {value}"))?;
        Ok(Self { measure, limit })
    }

    /// Holds the requirement against what was found.
    pub fn outcome(self, facts: &Facts<'_>) -> Outcome {
        let found = (self.measure.value)(facts).filter(|found| found.is_finite());
        let slack = self.measure.unit.tolerance(self.limit);
        let passed = found.is_some_and(|found| match self.measure.bound {
            Bound::AtLeast => found >= self.limit - slack,
            Bound::AtMost => found <= self.limit + slack,
        });
        Outcome { requirement: self, found, passed }
    }
}

/// A plain decimal number; for rates also a ratio such as `60000/1001`.
fn number(text: &str, unit: Unit) -> Option<f64> {
    if unit == Unit::Hertz && text.contains('/') {
        return crate::units::Rate::parse(text).map(|rate| rate.hz());
    }
    let plain = text.bytes().all(|byte| byte.is_ascii_digit() || byte == b'.');
    text.parse().ok().filter(|_| plain)
}

impl fmt::Display for Requirement {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let Measure { key, bound, unit, .. } = self.measure;
        write!(f, "{key} {} {}", bound.words(), unit.value_text(self.limit))
    }
}

/// Whether a requirement is met.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Outcome {
    /// What was required.
    pub requirement: Requirement,
    /// The value found, in the measure's unit; `None` where it cannot be known, which fails.
    pub found: Option<f64>,
    /// Whether it is met.
    pub passed: bool,
}

impl Outcome {
    /// What was found, or why nothing was.
    pub fn found_text(&self) -> String {
        let measure = self.requirement.measure;
        self.found.map_or_else(
            || format!("not known: {}", measure.unknown),
            |found| format!("found {}", measure.unit.value_text(found)),
        )
    }

    /// `passed` or `failed`.
    pub fn verdict(&self) -> &'static str {
        if self.passed {
            "passed"
        } else {
            "failed"
        }
    }
}

/// Holds every requirement against what was found, in the order they were given.
pub fn outcomes(requirements: &[Requirement], facts: &Facts<'_>) -> Vec<Outcome> {
    requirements.iter().map(|requirement| requirement.outcome(facts)).collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::cadence::{CadenceBreak, Freeze, Judder, MotionSummary, Pattern, Timing};
    use crate::classify::{Evidence, FrameClass};

    fn frame(flags: FrameFlags, lost_before: u16) -> ClassifiedFrame {
        ClassifiedFrame {
            class: FrameClass::New,
            confidence: 1.0,
            evidence: Evidence::Measure,
            change: 1.0,
            lost_before,
            lost_uncertainty: 0.0,
            blend_weight: 0.0,
            flags,
            digest: [0; 32],
        }
    }

    fn unjudged() -> CadenceAnalysis {
        CadenceAnalysis {
            holds: vec![],
            pattern: None,
            coverage: 0.0,
            segments: vec![],
            breaks: vec![],
            freezes: vec![],
            slip: None,
            motion: MotionSummary::default(),
            judder: Judder::default(),
            timing: None,
        }
    }

    fn judged() -> CadenceAnalysis {
        let freeze = |duration_ms| Freeze { first_frame: 1, last_frame: 2, duration_ms, lost_pictures: None };
        CadenceAnalysis {
            pattern: Some(Pattern { holds: vec![2] }),
            coverage: 0.75,
            breaks: vec![CadenceBreak { frame: 3, expected_hold: 2, found_hold: 3 }],
            freezes: vec![freeze(120.5), freeze(80.0)],
            motion: MotionSummary {
                new_frames: 4,
                repeat_frames: 4,
                still_frames: 2,
                judged_frames: 8,
                delivered_rate_hz: 60_000.0 / 1001.0,
                motion_rate_hz: Some(30_000.0 / 1001.0),
            },
            judder: Judder {
                rms_ms: Some(4.5),
                peak_to_peak_ms: Some(9.0),
                hold_std_ms: None,
                inherent_rms_ms: Some(4.0),
                excess_rms_ms: Some(0.00001),
            },
            timing: Some(Timing { gaps: vec![(4, 2), (7, 1)], ..Timing::default() }),
            ..unjudged()
        }
    }

    fn frames() -> Vec<ClassifiedFrame> {
        let mut frames = vec![frame(FrameFlags::default(), 0); 6];
        frames.push(frame(FrameFlags::AFTER_DROP, 3));
        // After a gap the recorder lost them: no drop.
        frames.push(frame(FrameFlags::AFTER_GAP, 5));
        frames.push(frame(FrameFlags::BLEND, 0));
        frames.push(frame(FrameFlags::OUT_OF_ORDER, 0));
        frames
    }

    /// What one requirement comes to, in words.
    fn judge(text: &str, frames: &[ClassifiedFrame], cadence: &CadenceAnalysis) -> String {
        let outcome =
            Requirement::parse(text).unwrap().outcome(&Facts { frames, cadence, played: Played::default() });
        format!("{}: {}, {}", outcome.requirement, outcome.found_text(), outcome.verdict())
    }

    #[test]
    fn every_measure_is_held_against_its_limit() {
        let (frames, cadence) = (frames(), judged());
        for (text, expected) in [
            ("motion-rate=29.97", "motion-rate at least 29.97 Hz: found 29.97003 Hz, passed"),
            ("motion-rate=30000/1001", "motion-rate at least 29.97003 Hz: found 29.97003 Hz, passed"),
            ("motion-rate=30", "motion-rate at least 30 Hz: found 29.97003 Hz, failed"),
            ("delivered-rate=59.94", "delivered-rate at least 59.94 Hz: found 59.94006 Hz, passed"),
            ("delivered-rate=60", "delivered-rate at least 60 Hz: found 59.94006 Hz, failed"),
            ("coverage=0.75", "coverage at least 0.75: found 0.75, passed"),
            ("coverage=0.751", "coverage at least 0.751: found 0.75, failed"),
            ("judged-share=0.8", "judged-share at least 0.8: found 0.8, passed"),
            ("judged-share=0.9", "judged-share at least 0.9: found 0.8, failed"),
            ("repeat-share=0.5", "repeat-share at most 0.5: found 0.5, passed"),
            ("repeat-share=0.4", "repeat-share at most 0.4: found 0.5, failed"),
            ("cadence-breaks=1", "cadence-breaks at most 1: found 1, passed"),
            ("cadence-breaks=0", "cadence-breaks at most 0: found 1, failed"),
            ("freezes=2", "freezes at most 2: found 2, passed"),
            ("freezes=1", "freezes at most 1: found 2, failed"),
            ("longest-freeze-ms=120.5", "longest-freeze-ms at most 120.5 ms: found 120.5 ms, passed"),
            ("longest-freeze-ms=100", "longest-freeze-ms at most 100 ms: found 120.5 ms, failed"),
            ("drops=3", "drops at most 3: found 3, passed"),
            ("drops=2", "drops at most 2: found 3, failed"),
            ("gap-frames=3", "gap-frames at most 3: found 3, passed"),
            ("gap-frames=2", "gap-frames at most 2: found 3, failed"),
            ("judder-rms-ms=4.5", "judder-rms-ms at most 4.5 ms: found 4.5 ms, passed"),
            ("judder-rms-ms=4.4999", "judder-rms-ms at most 4.4999 ms: found 4.5 ms, failed"),
            ("judder-peak-to-peak-ms=8", "judder-peak-to-peak-ms at most 8 ms: found 9 ms, failed"),
            ("excess-judder-rms-ms=0", "excess-judder-rms-ms at most 0 ms: found 0 ms, passed"),
            ("out-of-order-frames=0", "out-of-order-frames at most 0: found 1, failed"),
            ("blended-frames=1", "blended-frames at most 1: found 1, passed"),
        ] {
            assert_eq!(judge(text, &frames, &cadence), expected);
        }
    }

    #[test]
    fn what_cannot_be_known_fails_with_its_reason() {
        let still = vec![frame(FrameFlags::default(), 0); 3];
        let cadence = unjudged();
        for measure in MEASURES {
            // The easiest limit there is.
            let limit = if measure.bound == Bound::AtLeast { 0.0 } else { measure.unit.limit_max() };
            let outcome = Requirement { measure, limit }.outcome(&Facts {
                frames: &still,
                cadence: &cadence,
                played: Played::default(),
            });
            let is_known = matches!(measure.key, "delivered-rate" | "judged-share");
            assert_eq!((outcome.found.is_some(), outcome.passed), (is_known, is_known), "{}", measure.key);
            if !is_known {
                assert!(outcome.found_text().starts_with("not known: "), "{}", outcome.found_text());
            }
        }
        assert_eq!(
            judge("freezes=9", &[], &cadence),
            "freezes at most 9: not known: too little moves to judge, failed"
        );
        assert_eq!(
            judge("delivered-rate=0", &[], &cadence),
            "delivered-rate at least 0 Hz: not known: the capture has no frames, failed"
        );
    }

    #[test]
    fn pictures_that_are_missing_by_rate_are_drops() {
        // 8 judged frames at 59.94: 8 pictures at 59.94/s, of which every second appears.
        let (none, cadence) = (vec![frame(FrameFlags::default(), 0); 8], judged());
        for (rate, expected) in [
            (None, "drops at most 0: found 0, passed"),
            (Some("59.94"), "drops at most 0: found 4, failed"),
            (Some("29.97"), "drops at most 0: found 0, passed"),
            // The recording shows more than that: nothing is counted by it.
            (Some("24"), "drops at most 0: found 0, passed"),
        ] {
            let played =
                Played { rate: rate.and_then(crate::units::Rate::parse), summary: None, picture: None };
            let facts = Facts { frames: &none, cadence: &cadence, played };
            let outcome = Requirement::parse("drops=0").unwrap().outcome(&facts);
            let found = format!("{}: {}, {}", outcome.requirement, outcome.found_text(), outcome.verdict());
            assert_eq!(found, expected, "{rate:?}");
        }
    }

    #[test]
    fn rates_allow_for_clocks_and_nothing_else_is_forgiven() {
        let mut cadence = judged();
        for (ppm, passed) in [(-19.0, true), (-21.0, false)] {
            cadence.motion.motion_rate_hz = Some(50.0 * (1.0 + ppm / 1e6));
            let facts = Facts { frames: &[], cadence: &cadence, played: Played::default() };
            assert_eq!(Requirement::parse("motion-rate=50").unwrap().outcome(&facts).passed, passed, "{ppm}");
        }
    }

    #[test]
    fn what_is_no_requirement_is_named() {
        for (text, message) in [
            ("freezes", "a requirement is KEY=VALUE, as in freezes=0"),
            (
                "frezes=0",
                "unknown key frezes; known are motion-rate, delivered-rate, coverage, judged-share, \
                 repeat-share, cadence-breaks, freezes, longest-freeze-ms, drops, gap-frames, judder-rms-ms, \
                 judder-peak-to-peak-ms, excess-judder-rms-ms, out-of-order-frames, blended-frames, \
                 level-difference, gamma-difference, clipped-share, wrong-colour-equations, chroma-shift-px, \
                 stretch-share, cropped-px, picture-shift-px, mirrored",
            ),
            ("coverage=1.1", "coverage takes a number from 0 to 1, not 1.1"),
            ("coverage=-0", "coverage takes a number from 0 to 1, not -0"),
            ("drops=", "drops takes a number from 0 to 1000000000, not "),
            ("drops=inf", "drops takes a number from 0 to 1000000000, not inf"),
            ("drops=NaN", "drops takes a number from 0 to 1000000000, not NaN"),
            ("drops=1e3", "drops takes a number from 0 to 1000000000, not 1e3"),
            ("drops=3/2", "drops takes a number from 0 to 1000000000, not 3/2"),
            ("motion-rate=30/0", "motion-rate takes a number from 0 to 1000000000, not 30/0"),
        ] {
            assert_eq!(Requirement::parse(text).unwrap_err(), message, "{text}");
        }
    }
}
