//! What became of the clip's fields.

use super::audit::{near, PATTERN_SPEAKS};
use super::{FieldAudit, FieldFindings, Parity, Traces};
use crate::cadence::CadenceAnalysis;
use crate::frame::Scan;
use crate::units::{hz_text, Rate};
use crate::words::{counted, grouped, times, verb};

/// What a device made of an interlaced clip. The written names never change.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum OutcomeCode {
    /// Every field became a picture of its own: full deinterlacing, or pictures at the field rate.
    EveryFieldAPicture,
    /// Both fields kept, half of the moments lost.
    HalfRate,
    /// Both fields woven into one picture, each shown twice.
    CombedHalfRate,
    /// One field thrown away, its rows rebuilt.
    OneField,
    /// One field after the other with its rows repeated: the picture hops.
    LineBobbing,
    /// Both fields averaged.
    AveragedFields,
    /// Fields shown in the wrong order.
    SwappedFields,
    /// The interlaced signal passed on.
    Interlaced,
    /// Film with its own pictures restored.
    FilmRestored,
    /// Film with its pulldown left in.
    FilmPulldown,
    /// Film restored, and lost again on the way.
    FilmLockLost,
    /// Chroma of two moments on luma of one.
    ChromaCombing,
}

impl OutcomeCode {
    /// Every outcome with its written name.
    pub const NAMES: [(Self, &'static str); 12] = [
        (Self::EveryFieldAPicture, "every-field-a-picture"),
        (Self::HalfRate, "half-rate"),
        (Self::CombedHalfRate, "combed-half-rate"),
        (Self::OneField, "one-field"),
        (Self::LineBobbing, "line-bobbing"),
        (Self::AveragedFields, "averaged-fields"),
        (Self::SwappedFields, "swapped-fields"),
        (Self::Interlaced, "interlaced"),
        (Self::FilmRestored, "film-restored"),
        (Self::FilmPulldown, "film-pulldown"),
        (Self::FilmLockLost, "film-lock-lost"),
        (Self::ChromaCombing, "chroma-combing"),
    ];

    /// The name written to files.
    pub fn name(self) -> &'static str {
        Self::NAMES.iter().find(|(code, _)| *code == self).map_or("unknown", |(_, name)| name)
    }

    /// The outcome with this written name.
    pub fn from_name(name: &str) -> Option<Self> {
        Self::NAMES.iter().find(|(_, known)| *known == name).map(|&(code, _)| code)
    }
}

/// The outcome with the frames that show it.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Outcome {
    /// Which.
    pub code: OutcomeCode,
    /// In a sentence with numbers.
    pub text: String,
    /// First frame that shows it.
    pub first_frame: u64,
    /// Last frame that shows it.
    pub last_frame: u64,
}

/// What surrounds the traces of fields.
#[derive(Clone, Copy, Debug)]
pub struct Circumstances<'a> {
    /// Cadence of the frames.
    pub cadence: &'a CadenceAnalysis,
    /// Frames per second of the capture.
    pub delivered_rate: Rate,
    /// Scan by flags.
    pub flagged: Scan,
    /// Whether the clip that was played is known to be interlaced.
    pub clip_has_fields: bool,
    /// Frames that are mixes of two pictures.
    pub mixes: usize,
    /// Frames of the capture.
    pub frames: u64,
    /// Rows of its pictures.
    pub rows: u32,
}

/// Most of the frames show it.
const MOST: f64 = 0.5;
/// A trace in fewer frames than this share is an incident, not what the device does.
const SOME: f64 = 0.02;
/// Film with its pulldown in has two combed frames of five, or one.
const PULLDOWN_COMBED: f64 = 0.55;
/// Frames in a row without combing that pulldown left in cannot have: more than two rounds of five, each shown twice.
const FILM_HELD_FRAMES: u64 = 22;
/// Field rates, Hz, of ITU-R BT.709-6; 59.94 lies within the tolerance of 60.
const FIELD_RATES_HZ: [f64; 2] = [50.0, 60.0];
/// Rows of the formats that have fields: ITU-R BT.601-7 (576, and 480 or 486 of 525 lines) and BT.709-6 (1080, recorded as
/// 1088 by codecs that work in blocks of 16).
const ROWS_WITH_FIELDS: [u32; 5] = [480, 486, 576, 1080, 1088];
/// Whether pictures of so many rows may have been made smaller from a format that has fields: combs and lost fields do not
/// show then.
pub fn may_hide_fields(rows: u32) -> bool {
    // What has more rows than any format with fields was not made smaller.
    rows <= ROWS_WITH_FIELDS[ROWS_WITH_FIELDS.len() - 1] && !ROWS_WITH_FIELDS.contains(&rows)
}

/// Share of pictures with alternating detail that proves a deinterlacer.
const ALTERNATING_SHARE: f64 = 0.5;

/// What became of the clip's fields; `None` where no row of the table fits.
pub fn outcome(found: &FieldFindings, around: &Circumstances<'_>) -> Option<Outcome> {
    let case = Case { found, around };
    const ROWS: &[fn(&Case<'_>) -> Option<Outcome>] = &[
        interlaced,
        line_bobbing,
        swapped,
        combed_film,
        combed_half_rate,
        one_field,
        averaged_fields,
        chroma_combing,
        film,
        whole_pictures,
    ];
    ROWS.iter().find_map(|row| row(&case))
}

struct Case<'a> {
    found: &'a FieldFindings,
    around: &'a Circumstances<'a>,
}

impl Case<'_> {
    fn traces(&self) -> &Traces {
        &self.found.traces
    }

    fn share(&self, count: usize) -> f64 {
        count as f64 / self.traces().judged.max(1) as f64
    }

    /// Whether fields are in question at all: whole pictures of a progressive clip have none to lose.
    fn asks_for_fields(&self) -> bool {
        let in_fields = |scan: Scan| matches!(scan, Scan::TopFieldFirst | Scan::BottomFieldFirst);
        self.around.clip_has_fields || in_fields(self.around.flagged) || self.is_deinterlaced()
    }

    /// Whether the lines of either field are the sharper ones in turn.
    fn is_deinterlaced(&self) -> bool {
        let pictures = self.around.cadence.motion.new_frames.max(1);
        self.traces().alternating as f64 >= ALTERNATING_SHARE * pictures as f64
    }

    /// Whether some frames show lost fields, though fewer than most.
    fn has_lost_fields(&self) -> bool {
        self.share(self.traces().one_field.iter().map(Vec::len).sum()) > SOME
    }

    /// Whether nearly every frame follows the pattern: none stalls, none is a mix.
    fn plays_evenly(&self) -> bool {
        self.around.cadence.coverage >= 1.0 - SOME && self.share(self.around.mixes) <= SOME
    }

    fn delivered(&self) -> f64 {
        self.around.delivered_rate.hz()
    }

    fn at_field_rate(&self) -> bool {
        FIELD_RATES_HZ.iter().any(|&rate| near(self.delivered(), rate))
    }

    fn motion_rate(&self) -> Option<f64> {
        self.around.cadence.motion.motion_rate_hz
    }

    fn shows_film(&self) -> bool {
        self.motion_rate().is_some_and(|rate| near(rate, 24.0))
    }

    fn holds(&self) -> Option<&[u32]> {
        let cadence = self.around.cadence;
        let pattern = cadence.pattern.as_ref().filter(|_| cadence.coverage >= PATTERN_SPEAKS)?;
        Some(&pattern.holds)
    }

    fn whole(&self, code: OutcomeCode, text: String) -> Outcome {
        Outcome { code, text, first_frame: 0, last_frame: self.around.frames.saturating_sub(1) }
    }

    fn over(&self, code: OutcomeCode, frames: &[usize], text: String) -> Outcome {
        let frame = |at: Option<&usize>| at.map_or(0, |&frame| frame as u64);
        Outcome { code, text, first_frame: frame(frames.first()), last_frame: frame(frames.last()) }
    }

    /// What scaling may have hidden, to be said where no comb is found.
    fn hidden_by_scaling(&self) -> String {
        let rows = self.around.rows;
        if !may_hide_fields(rows) {
            return String::new();
        }
        format!(" (in pictures of {rows} rows, which may have been made smaller, combs and lost fields do not show)")
    }

    fn rates(&self) -> String {
        let motion = self.motion_rate().map_or_else(
            || "no steady rate of new pictures".to_owned(),
            |rate| format!("{} new pictures/s", hz_text(rate)),
        );
        format!("{motion} in {} frames/s", hz_text(self.delivered()))
    }

    /// `12 of 60 frames`.
    fn of_judged(&self, count: usize) -> String {
        format!("{} of {}", grouped(count as u64), counted(self.traces().judged as u64, "frame"))
    }
}

/// The capture itself is interlaced.
fn interlaced(case: &Case<'_>) -> Option<Outcome> {
    let fields = case.found.fields.as_ref()?;
    let progressive = case.found.scan.scan == Scan::Progressive;
    if progressive && !fields.is_cancelled_down() {
        let text = format!(
            "interlaced by its flags, but both fields of a frame show one moment: {} whole pictures/s in {} fields/s \
             (progressive segmented)",
            hz_text(case.motion_rate().unwrap_or_default()),
            hz_text(2.0 * case.delivered())
        );
        return Some(case.whole(OutcomeCode::Interlaced, text));
    }
    if fields.is_cancelled_down() {
        return Some(case.whole(OutcomeCode::FilmPulldown, film_in_fields(case, fields)));
    }
    let combed = &case.traces().combed;
    let order = |scan: Scan| if scan == Scan::BottomFieldFirst { "bottom" } else { "top" };
    let against = matches!(
        (case.found.scan.scan, case.around.flagged),
        (Scan::TopFieldFirst, Scan::BottomFieldFirst) | (Scan::BottomFieldFirst, Scan::TopFieldFirst)
    );
    if against {
        let text = format!(
            "fields move evenly with the {} one first in {}, but the flags say {} first: either the \
             fields or the flags are in the wrong order",
            order(case.found.scan.scan),
            counted(combed.len() as u64, "combed frame"),
            order(case.around.flagged)
        );
        return Some(case.over(OutcomeCode::SwappedFields, combed, text));
    }
    let moments = fields.cadence.motion.motion_rate_hz.map_or_else(
        || "no steady rate of moments".to_owned(),
        |rate| format!("{} moments/s", hz_text(rate)),
    );
    let text = format!(
        "the interlaced signal is passed on: {} in motion {} two moments, {moments} in {} fields/s, {} field first",
        case.of_judged(combed.len()),
        verb(combed.len() as u64, "hold"),
        hz_text(2.0 * case.delivered()),
        fields.first.name()
    );
    Some(case.whole(OutcomeCode::Interlaced, text))
}

fn film_in_fields(case: &Case<'_>, fields: &FieldAudit) -> String {
    let label = fields.cadence.pattern.as_ref().map(|pattern| pattern.label()).unwrap_or_default();
    let phase = fields.a_frame_phase().map_or_else(String::new, |phase| {
        format!(", A-frames at frames {} + 5n ({} of {})", phase.frame, phase.there, phase.total)
    });
    let broken = match fields.cadence.breaks.len() as u64 {
        0 => String::new(),
        breaks => format!(", broken {}", times(breaks)),
    };
    let mixed = fields.mixed_frames().count() as u64;
    format!(
        "telecined film, its pulldown kept: {} pictures/s held {label} fields{phase}{broken}; {} of {} {} two \
         pictures",
        hz_text(fields.cadence.motion.motion_rate_hz.unwrap_or_default()),
        grouped(mixed),
        counted(case.around.frames, "frame"),
        verb(mixed, "mix")
    )
}

fn line_bobbing(case: &Case<'_>) -> Option<Outcome> {
    let traces = case.traces();
    let frames = &traces.bobbing;
    (case.share(frames.len()) > MOST).then(|| {
        let text = format!(
            "one field after the other with its lines repeated: the picture hops by {:.2} lines up and down in {}",
            traces.bobbing_lines,
            counted(frames.len() as u64, "frame")
        );
        case.over(OutcomeCode::LineBobbing, frames, text)
    })
}

fn swapped(case: &Case<'_>) -> Option<Outcome> {
    let frames = &case.traces().wrong_order;
    (case.share(frames.len()) > MOST).then(|| {
        let text = format!(
            "fields in the wrong order: the motion steps forth and back from frame to frame in {}",
            case.of_judged(frames.len())
        );
        case.over(OutcomeCode::SwappedFields, frames, text)
    })
}

/// Combed pictures of film in a capture of whole frames.
fn combed_film(case: &Case<'_>) -> Option<Outcome> {
    let combed = &case.traces().combed;
    let share = case.share(combed.len());
    if !(SOME..PULLDOWN_COMBED).contains(&share) {
        return None;
    }
    let are = verb(combed.len() as u64, "are");
    if longest_clean(combed, case.around.frames) > FILM_HELD_FRAMES {
        let film =
            case.shows_film() || case.around.cadence.segments.iter().any(|one| is_film(&one.pattern.holds));
        return film.then(|| {
            let text = format!(
                "film is restored for most of the time, but the lock on it is lost where {} {are} combed: {}",
                counted(combed.len() as u64, "frame"),
                case.rates()
            );
            case.over(OutcomeCode::FilmLockLost, combed, text)
        });
    }
    let text = format!(
        "film with its pulldown left in whole frames: {} {are} woven of two pictures, at regular places",
        case.of_judged(combed.len())
    );
    Some(case.over(OutcomeCode::FilmPulldown, combed, text))
}

/// Whether holds are those of film on twice and a half its rate.
fn is_film(holds: &[u32]) -> bool {
    let mut sorted = holds.to_vec();
    sorted.sort_unstable();
    sorted == [2, 3]
}

/// Frames in a row without a combed one.
fn longest_clean(combed: &[usize], frames: u64) -> u64 {
    let mut longest = 0;
    let mut from = 0;
    for &frame in combed {
        longest = longest.max((frame as u64).saturating_sub(from));
        from = frame as u64 + 1;
    }
    longest.max(frames.saturating_sub(from))
}

fn combed_half_rate(case: &Case<'_>) -> Option<Outcome> {
    let combed = &case.traces().combed;
    (case.share(combed.len()) > MOST).then(|| {
        let text = format!(
            "not deinterlaced: {} {} woven of two moments, {}",
            case.of_judged(combed.len()),
            verb(combed.len() as u64, "are"),
            case.rates()
        );
        case.over(OutcomeCode::CombedHalfRate, combed, text)
    })
}

fn one_field(case: &Case<'_>) -> Option<Outcome> {
    let [top, bottom] = &case.traces().one_field;
    let (lost, frames) = if top.len() > bottom.len() { (Parity::Top, top) } else { (Parity::Bottom, bottom) };
    (case.share(frames.len()) > MOST).then(|| {
        let text = format!(
            "one field only: the {} lines of {} are rebuilt from the {} ones, half the vertical detail is lost; {}",
            lost.name(),
            case.of_judged(frames.len()),
            lost.other().name(),
            case.rates()
        );
        case.over(OutcomeCode::OneField, frames, text)
    })
}

fn averaged_fields(case: &Case<'_>) -> Option<Outcome> {
    let frames = &case.traces().averaged;
    let mean = case.traces().mean.filter(|_| case.share(frames.len()) > MOST)?;
    let text = format!(
        "both fields averaged: {} {} two moments, the {} lines of the earlier one with the {} lines of the later one \
         (weight {:.2}), in place of showing either; {}",
        case.of_judged(frames.len()),
        verb(frames.len() as u64, "mix"),
        mean.first.name(),
        mean.first.other().name(),
        mean.weight,
        case.rates()
    );
    Some(case.over(OutcomeCode::AveragedFields, frames, text))
}

fn chroma_combing(case: &Case<'_>) -> Option<Outcome> {
    let frames = &case.traces().chroma_only;
    (case.share(frames.len()) > MOST).then(|| {
        let text = format!(
            "chroma of two moments on luma of one in {}: chroma was upsampled as if the clip were progressive",
            case.of_judged(frames.len())
        );
        case.over(OutcomeCode::ChromaCombing, frames, text)
    })
}

fn film(case: &Case<'_>) -> Option<Outcome> {
    if !case.shows_film() || !case.asks_for_fields() {
        return None;
    }
    let holds = case.holds()?;
    if holds == [1] || is_film(holds) {
        let text = format!("pictures of film, none of them found woven of two: {}", case.rates());
        return Some(case.whole(OutcomeCode::FilmRestored, text));
    }
    let text = format!(
        "film with its pulldown left in whole frames, none of them found woven of two: {}",
        case.rates()
    );
    near(case.delivered(), 30.0).then(|| case.whole(OutcomeCode::FilmPulldown, text))
}

fn whole_pictures(case: &Case<'_>) -> Option<Outcome> {
    if !case.at_field_rate() || !case.asks_for_fields() || case.has_lost_fields() || !case.plays_evenly() {
        return None;
    }
    match case.holds()? {
        [1] => {
            let proof = if case.is_deinterlaced() {
                "the lines of either field are the sharper ones in turn: fully deinterlaced".to_owned()
            } else {
                format!(
                    "none is found woven of two: pictures at the field rate, or fully deinterlaced fields{}",
                    case.hidden_by_scaling()
                )
            };
            Some(case.whole(OutcomeCode::EveryFieldAPicture, format!("{}; {proof}", case.rates())))
        }
        [2] => {
            let text = format!(
                "{}, each shown twice, none found woven of two: of two moments one is lost{}",
                case.rates(),
                case.hidden_by_scaling()
            );
            Some(case.whole(OutcomeCode::HalfRate, text))
        }
        _ => None,
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::cadence::{analyse, frame_times, FrameTimes, StatedRate};
    use crate::classify::{ClassifiedFrame, Evidence, FrameClass, FrameFlags};
    use crate::interlace::averaged::Mean;
    use crate::interlace::{ScanDecision, ScanSource};
    use crate::units::RateSource;
    use crate::words::sentence_check::slip_of_the_pen;

    /// Sure calls: `n` new, anything else a repeat.
    fn called(classes: &str) -> Vec<ClassifiedFrame> {
        let call = |letter| ClassifiedFrame {
            class: if letter == 'n' { FrameClass::New } else { FrameClass::Repeat },
            confidence: 1.0,
            evidence: Evidence::Measure,
            change: 10.0,
            lost_before: 0,
            lost_uncertainty: 0.0,
            blend_weight: 0.0,
            flags: FrameFlags::default(),
            digest: [0; 32],
        };
        classes.chars().map(call).collect()
    }

    fn times_of(frames: usize, rate: Rate) -> FrameTimes {
        let stated = StatedRate { rate, source: RateSource::Header };
        frame_times(Some(stated), None, &vec![None; frames], &[]).times
    }

    /// What is said of traces in frames called so, and of their fields where there are some.
    fn said(traces: Traces, classes: &str, fields: Option<&str>) -> Option<(OutcomeCode, String)> {
        let rate = Rate::new(if fields.is_some() { 30_000 } else { 60_000 }, 1001).unwrap();
        let frames = called(classes);
        let times = times_of(frames.len(), rate);
        let scan = if fields.is_some() { Scan::TopFieldFirst } else { Scan::Progressive };
        let audit = fields.map(|fields| FieldAudit::of(Parity::Top, called(fields), &times));
        let decision = ScanDecision { scan, source: ScanSource::Pixels, segments: Vec::new() };
        let found = FieldFindings { scan: decision, fields: audit, traces };
        let cadence = analyse(&frames, &times);
        let around = Circumstances {
            cadence: &cadence,
            delivered_rate: rate,
            flagged: scan,
            clip_has_fields: true,
            mixes: 0,
            frames: frames.len() as u64,
            rows: 360,
        };
        outcome(&found, &around).map(|outcome| (outcome.code, outcome.text))
    }

    #[test]
    fn every_outcome_agrees_with_one_two_and_many() {
        type Set = fn(&mut Traces, Vec<usize>);
        let sets: [(Set, OutcomeCode); 7] = [
            (|traces, frames| traces.combed = frames, OutcomeCode::CombedHalfRate),
            (|traces, frames| traces.one_field = [frames, Vec::new()], OutcomeCode::OneField),
            (|traces, frames| traces.one_field = [Vec::new(), frames], OutcomeCode::OneField),
            (|traces, frames| traces.bobbing = frames, OutcomeCode::LineBobbing),
            (|traces, frames| traces.wrong_order = frames, OutcomeCode::SwappedFields),
            (|traces, frames| traces.chroma_only = frames, OutcomeCode::ChromaCombing),
            (
                |traces, frames| {
                    traces.averaged = frames;
                    traces.mean = Some(Mean { first: Parity::Top, weight: 0.5 });
                },
                OutcomeCode::AveragedFields,
            ),
        ];
        for count in [1, 2, 1500] {
            for (set, code) in sets {
                let mut traces = Traces { judged: count, ..Traces::default() };
                set(&mut traces, (0..count).collect());
                let (found, text) = said(traces, &"n".repeat(count), None).unwrap();
                assert_eq!((found, slip_of_the_pen(&text)), (code, None), "{count}: {text}");
            }
        }
    }

    #[test]
    fn film_and_whole_pictures_agree_with_none_one_two_and_many() {
        let pulldown = "nrnrr".repeat(300);
        for count in [0, 1, 2, 300] {
            // Combs here and there among film, and at its regular places.
            let film = "nrnrr".repeat(40.max(count));
            let lost = (0..count).map(|frame| 3 * frame).collect();
            let traces = Traces { judged: 50 * count + 1, combed: lost, ..Traces::default() };
            let mut all: Vec<_> = said(traces, &film, None).into_iter().collect();
            let combed = (0..count).map(|round| 5 * round).collect();
            let traces = Traces { judged: 5 * count, combed, ..Traces::default() };
            all.extend(said(traces, &"n".repeat(5 * count), None));
            for classes in ["n", "nr", "nrnrr", "nrrr"] {
                all.extend(said(Traces { judged: count, ..Traces::default() }, &classes.repeat(count), None));
            }
            // Broken so often.
            let fields = format!("{pulldown}{}", format!("nr{pulldown}").repeat(count.min(2)));
            let frames = "n".repeat(fields.len() / 2);
            let traces = Traces { judged: frames.len(), combed: (0..count).collect(), ..Traces::default() };
            all.extend(said(traces.clone(), &frames, Some(&fields)));
            all.extend(said(traces, &frames, Some(&"n".repeat(2 * frames.len()))));
            for (code, text) in all {
                assert_eq!(slip_of_the_pen(&text), None, "{count} {code:?}: {text}");
            }
        }
    }
}
