//! Scores of captures, beside those of the simplest script and of a published method; the tables; the reach.

use std::collections::BTreeMap;
use std::fmt::Write;

use evenbeat::classify::FrameClass;
use evenbeat::verdict::{FindingKind, Severity};

use super::scenes::Look;
use super::taken::{FrameTruth, Taken};
use super::Capture;
use crate::adapter::Judged;
use crate::opinion;

/// Edges of the confidence bins of the reliability table.
const BIN_EDGES: [f32; 7] = [0.0, 0.5, 0.7, 0.8, 0.9, 0.95, 0.99];
/// Frames called with this confidence are called sure.
const SURE: f32 = 0.95;
/// A change that stands out of the noise by less than this many standard deviations along itself cannot be told even
/// by one who knows it: at 3, one of 15 such frames is taken for the other kind at the best threshold.
const BELOW_NOISE: f64 = 3.0;
/// A change of which less than this share is recorded is hardly there. Choice.
const HARDLY_RECORDED: f64 = 0.1;
/// Under noise a change is hardly there where its energy, over the picture and in every block, lies within so many
/// standard deviations of the energy of the noise itself. Choice: what chance brings about once in thousands of frames.
const HARDLY_LOUDER: f64 = 4.0;

/// What must be reached on material left out of all choices. The only place that says so.
pub struct Reach {
    /// Share of wrong frames in lossless recordings.
    pub lossless_wrong: f64,
    /// Share of wrong frames in all other recordings together.
    pub lossy_wrong: f64,
    /// Share of wrong frames of any one capture.
    pub capture_wrong: f64,
    /// What a cell may be worse than the simplest script over one threshold, share of frames. Cells are families by
    /// kinds of recording, or single captures of real clips.
    pub worse_than_script: f64,
    /// Of the calls that are sure, share that is wrong in any kind of recording and in any family.
    pub sure_wrong: f64,
    /// Share of captures whose one pattern is named.
    pub pattern_right: f64,
    /// Findings on faultless deliveries.
    pub false_findings: usize,
    /// Share of jumps at steady motion whose lost pictures are counted.
    pub jumps_counted: f64,
    /// Share of captures with losses in other motion that count them within their uncertainty or say that they cannot.
    pub losses_said: f64,
}

/// The reach on random scenes.
pub const RANDOM_REACH: Reach = Reach {
    lossless_wrong: 0.0,
    lossy_wrong: 0.002,
    capture_wrong: 1.0,
    worse_than_script: 0.001,
    sure_wrong: 0.01,
    pattern_right: 0.99,
    false_findings: 0,
    jumps_counted: 0.98,
    losses_said: 1.0,
};

/// The reach on real clips.
pub const REAL_REACH: Reach =
    Reach { lossy_wrong: 0.005, capture_wrong: 0.02, worse_than_script: 0.005, ..RANDOM_REACH };

/// Number of wrong ones out of a total.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Wrong {
    pub wrong: usize,
    pub total: usize,
}

impl Wrong {
    fn count(&mut self, wrong: bool) {
        self.total += 1;
        self.wrong += usize::from(wrong);
    }

    fn add(&mut self, other: Self) {
        self.total += other.total;
        self.wrong += other.wrong;
    }

    fn share(self) -> f64 {
        self.wrong as f64 / self.total.max(1) as f64
    }

    fn text(self) -> String {
        match self.total {
            0 => "-".to_owned(),
            total => format!("{}/{total} {:.2}%", self.wrong, 100.0 * self.share()),
        }
    }

    fn short(self) -> String {
        match self.total {
            0 => "-".to_owned(),
            _ => format!("{} {:.2}%", self.wrong, 100.0 * self.share()),
        }
    }
}

/// Why a frame counts neither as right nor as wrong.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Apart {
    /// New content, but the recording holds the samples of the frame before: the recorder left it out.
    NotRecorded,
    /// The change lies below the noise even for one who knows it.
    BelowNoise,
    /// The same samples come about in another way whose truth is the opposite: grain of a film over a still picture and
    /// the noise of a recorder over a still picture.
    TwoTruths,
}

/// One frame but the first.
struct FrameScore {
    new: bool,
    called_new: bool,
    confidence: f32,
    /// Worst 16 × 16 block of the luma difference, code values of 8 bit.
    change: f32,
    hardly_there: bool,
    opinion_new: bool,
    apart: Option<Apart>,
}

impl FrameScore {
    fn is_wrong(&self) -> bool {
        self.called_new != self.new
    }
}

/// What one capture came to.
pub struct CaptureScore {
    pub name: String,
    family: String,
    cadence: &'static str,
    recording: &'static str,
    lossless: bool,
    clean: bool,
    frames: Vec<FrameScore>,
    pattern: Wrong,
    false_findings: Vec<&'static str>,
    /// Jumps at steady motion whose lost pictures are not counted exactly, and frames with none where some are counted.
    jumps: Wrong,
    /// Captures with losses in other motion that say nothing right of them.
    losses: Wrong,
}

/// Scores what was found in a capture.
pub fn score(capture: &Capture, taken: &Taken, judged: &Judged) -> CaptureScore {
    let truth = &taken.truth;
    assert_eq!(judged.frames.len(), truth.len(), "{}: a call per frame", capture.name);
    let motions: Vec<f64> = truth.iter().skip(1).map(|frame| frame.opinion_motion).collect();
    let opinion = opinion::dropped(&motions);
    let two_truths = has_two_truths(capture, truth);
    let frames = (1..truth.len()).map(|frame| FrameScore {
        new: truth[frame].new,
        called_new: judged.frames[frame].class == FrameClass::New,
        confidence: judged.frames[frame].confidence,
        change: taken.fingerprints[frame].luma_change,
        hardly_there: truth[frame].new && hardly_there(capture, &truth[frame]),
        opinion_new: !opinion[frame - 1],
        apart: apart(&truth[frame]).or(two_truths.then_some(Apart::TwoTruths)),
    });
    let mut score = CaptureScore {
        name: capture.name.clone(),
        family: capture.scene.family.clone(),
        cadence: capture.cadence.kind,
        recording: capture.recording.kind(),
        lossless: capture.recording.is_lossless(),
        clean: capture.is_clean(),
        frames: frames.collect(),
        pattern: Wrong::default(),
        false_findings: Vec::new(),
        jumps: Wrong::default(),
        losses: Wrong::default(),
    };
    let holds_itself = clip_holds_itself(truth);
    let whole = truth.iter().all(|frame| frame.lost == 0);
    score.false_findings = false_findings(judged, (capture.is_clean(), holds_itself, whole));
    if let (Some(expected), false, false) = (&capture.cadence.pattern, holds_itself, two_truths) {
        let found = judged.cadence.as_ref().and_then(|cadence| cadence.pattern.as_ref());
        let right = found.is_some_and(|found| rotated(&found.holds) == rotated(expected));
        score.pattern.count(!right);
    }
    score_losses(&mut score, capture, (truth, judged));
    score
}

fn apart(truth: &FrameTruth) -> Option<Apart> {
    if truth.new && truth.identical {
        Some(Apart::NotRecorded)
    } else if truth.new && truth.distance < BELOW_NOISE {
        Some(Apart::BelowNoise)
    } else {
        None
    }
}

/// Whether little of a change of content is left for anyone to see.
fn hardly_there(capture: &Capture, truth: &FrameTruth) -> bool {
    // Energy of noise in n samples, in units of its variance: n with a standard deviation of √(2n).
    let lies_within = |distance: f64, samples: f64| distance.powi(2) < HARDLY_LOUDER * (2.0 * samples).sqrt();
    let samples = (capture.size().width * capture.size().height) as f64 * 1.5;
    truth.recorded < HARDLY_RECORDED
        || lies_within(truth.distance, samples) && lies_within(truth.block_distance, 256.0)
}

/// Whether the same samples could come about with every call the other way round: grain over a still picture with every
/// frame new, kept as it is or with noise; or a still picture with every frame the same, under noise.
fn has_two_truths(capture: &Capture, truth: &[FrameTruth]) -> bool {
    let noisy = matches!(capture.recording.kind(), "noise-to1.5" | "noise-to3" | "noise-to6" | "dither");
    let (all_new, none_new) =
        (truth.iter().skip(1).all(|frame| frame.new), truth.iter().skip(1).all(|frame| !frame.new));
    let only_grain = capture.scene.look == Look::OnlyGrain;
    only_grain && all_new && (noisy || capture.recording.is_lossless()) || none_new && noisy
}

/// Whether pictures that follow each other have the same content somewhere, so that the clip has a cadence of its own.
fn clip_holds_itself(truth: &[FrameTruth]) -> bool {
    truth.windows(2).any(|pair| pair[1].picture != pair[0].picture && !pair[1].new)
}

/// A pattern in the rotation that compares smallest, so that rotations are equal.
fn rotated(holds: &[u32]) -> Vec<u32> {
    (0..holds.len()).map(|start| [&holds[start..], &holds[..start]].concat()).min().unwrap_or_default()
}

/// Findings that no delivery of the bench may bring: no field, mix or wrong order is in any of them.
const NEVER: [FindingKind; 7] = [
    FindingKind::CombedPictures,
    FindingKind::OneFieldPictures,
    FindingKind::FieldOrderSwapped,
    FindingKind::BlendedPictures,
    FindingKind::OutOfOrder,
    FindingKind::CaptureGap,
    FindingKind::UnevenTimestamps,
];

/// Findings that a delivery may not bring. A finding that only informs is never false.
fn false_findings(judged: &Judged, (clean, holds_itself, whole): (bool, bool, bool)) -> Vec<&'static str> {
    let loud = judged.findings.iter().filter(|finding| finding.severity > Severity::Info);
    let is_false = |kind: FindingKind| match kind {
        kind if NEVER.contains(&kind) => true,
        FindingKind::DroppedPictures => whole,
        FindingKind::RateSlip => clean,
        _ => clean && !holds_itself,
    };
    loud.filter(|finding| is_false(finding.kind)).map(|finding| finding.kind.name()).collect()
}

/// The note by which an audit says that pictures may be missing and that it cannot tell how many.
const LOSSES_UNKNOWN: &str = "losses-unknown";

fn score_losses(score: &mut CaptureScore, capture: &Capture, (truth, judged): (&[FrameTruth], &Judged)) {
    let calls = || truth.iter().zip(&judged.frames).skip(1);
    if capture.scene.look == Look::Steady {
        for (truth, call) in calls() {
            let counted = u64::from(call.lost_before);
            if truth.lost > 0 || counted > 0 {
                score.jumps.count(counted != truth.lost);
            }
        }
    }
    if truth.iter().any(|frame| frame.lost > 0) {
        let within = |(truth, call): (&FrameTruth, &evenbeat::classify::ClassifiedFrame)| {
            (f64::from(call.lost_before) - truth.lost as f64).abs() <= f64::from(call.lost_uncertainty)
        };
        let said = judged.notes.iter().any(|note| note.code.name() == LOSSES_UNKNOWN);
        score.losses.count(!said && !calls().all(within));
    }
}

/// Thresholds of the simplest script, picked with the truth in hand.
struct Thresholds {
    one: f32,
    by_recording: BTreeMap<&'static str, f32>,
}

impl Thresholds {
    fn picked(scores: &[CaptureScore]) -> Self {
        let judged =
            |score: &CaptureScore| judged_frames(score).map(|f| (f.change, f.new)).collect::<Vec<_>>();
        let mut by_recording: BTreeMap<&'static str, Vec<(f32, bool)>> = BTreeMap::new();
        for score in scores {
            by_recording.entry(score.recording).or_default().extend(judged(score));
        }
        Self {
            one: best_threshold(scores.iter().flat_map(judged).collect()),
            by_recording: by_recording
                .into_iter()
                .map(|(kind, frames)| (kind, best_threshold(frames)))
                .collect(),
        }
    }
}

/// Frames that count.
fn judged_frames(score: &CaptureScore) -> impl Iterator<Item = &FrameScore> + '_ {
    score.frames.iter().filter(|frame| frame.apart.is_none())
}

/// The threshold over which calling frames new is wrong least often; of several the lowest, in the middle of its gap.
pub fn best_threshold(mut frames: Vec<(f32, bool)>) -> f32 {
    frames.sort_by(|a, b| a.0.total_cmp(&b.0));
    // Below all changes every frame is called new.
    let mut wrong = frames.iter().filter(|(_, new)| !new).count();
    let (mut best, mut threshold) = (wrong, -1.0);
    for (place, &(change, new)) in frames.iter().enumerate() {
        wrong = if new { wrong + 1 } else { wrong - 1 };
        let next = frames.get(place + 1).map_or(f32::INFINITY, |next| next.0);
        if wrong < best && next > change {
            (best, threshold) = (wrong, if next.is_finite() { (change + next) / 2.0 } else { change });
        }
    }
    threshold
}

/// Sums over captures.
#[derive(Clone, Default)]
struct Sums {
    captures: usize,
    frames: Wrong,
    sure: Wrong,
    /// The simplest script over one threshold, over one per kind of recording, and over the best of each capture.
    one: Wrong,
    by_recording: Wrong,
    own: Wrong,
    opinion: Wrong,
    /// Wrong calls of changes that are hardly there.
    hardly_there: usize,
    apart: BTreeMap<Apart, Wrong>,
    bins: [Wrong; BIN_EDGES.len()],
    pattern: Wrong,
    jumps: Wrong,
    losses: Wrong,
    false_findings: usize,
}

impl Sums {
    fn add(&mut self, score: &CaptureScore, thresholds: &Thresholds) {
        self.captures += 1;
        let own = best_threshold(judged_frames(score).map(|frame| (frame.change, frame.new)).collect());
        for frame in &score.frames {
            if let Some(apart) = frame.apart {
                self.apart.entry(apart).or_default().count(frame.is_wrong());
                continue;
            }
            self.frames.count(frame.is_wrong());
            let script = |threshold: f32| (frame.change > threshold) != frame.new;
            self.one.count(script(thresholds.one));
            self.by_recording.count(script(thresholds.by_recording[score.recording]));
            self.own.count(script(own));
            self.opinion.count(frame.opinion_new != frame.new);
            if frame.confidence >= SURE {
                self.sure.count(frame.is_wrong());
            }
            let bin = BIN_EDGES.iter().rposition(|&edge| frame.confidence >= edge).unwrap_or(0);
            self.bins[bin].count(frame.is_wrong());
            self.hardly_there += usize::from(frame.is_wrong() && frame.hardly_there);
        }
        self.pattern.add(score.pattern);
        self.jumps.add(score.jumps);
        self.losses.add(score.losses);
        self.false_findings += score.false_findings.len();
    }
}

type NameOf = fn(&CaptureScore) -> String;

fn sums_by(scores: &[CaptureScore], thresholds: &Thresholds, name: NameOf) -> BTreeMap<String, Sums> {
    let mut sums: BTreeMap<String, Sums> = BTreeMap::new();
    for score in scores {
        sums.entry(name(score)).or_default().add(score, thresholds);
    }
    sums
}

fn family(score: &CaptureScore) -> String {
    score.family.clone()
}

fn recording(score: &CaptureScore) -> String {
    score.recording.to_owned()
}

fn cell(score: &CaptureScore) -> String {
    format!("{} × {}", score.family, score.recording)
}

/// Captures named in the list of the worst.
const WORST_SHOWN: usize = 40;

const HEAD: [&str; 13] = [
    "captures",
    "wrong frames",
    "sure, wrong",
    "script: one",
    "per kind",
    "per capture",
    "published",
    "hardly",
    "apart",
    "pattern",
    "jumps",
    "losses",
    "findings",
];

fn row(name: &str, sums: &Sums) -> String {
    let apart: usize = sums.apart.values().map(|apart| apart.total).sum();
    let columns = [
        sums.captures.to_string(),
        sums.frames.text(),
        sums.sure.text(),
        sums.one.short(),
        sums.by_recording.short(),
        sums.own.short(),
        sums.opinion.short(),
        sums.hardly_there.to_string(),
        apart.to_string(),
        format!("{}/{}", sums.pattern.wrong, sums.pattern.total),
        format!("{}/{}", sums.jumps.wrong, sums.jumps.total),
        format!("{}/{}", sums.losses.wrong, sums.losses.total),
        sums.false_findings.to_string(),
    ];
    line(name, &columns.each_ref().map(String::as_str))
}

fn line(name: &str, columns: &[&str; 13]) -> String {
    const WIDTHS: [usize; 13] = [8, 19, 19, 14, 14, 14, 15, 8, 7, 8, 8, 8, 8];
    let columns = columns.iter().zip(WIDTHS).map(|(text, width)| format!(" {text:>width$}"));
    format!("{name:<40}{}\n", columns.collect::<String>())
}

/// The tables as text.
pub fn table(scores: &[CaptureScore]) -> String {
    let thresholds = Thresholds::picked(scores);
    let mut text = String::from(
        "Wrong of all frames but the first. Beside it: of the calls at 0.95 and more; the simplest script (worst 16 × 16\n\
         block of the luma difference) over one threshold, one per kind of recording, the best of each capture, all picked\n\
         with the truth in hand; the published method. Then: wrong calls of changes of which hardly anything is in\n\
         the recording; frames set apart; patterns not named; jumps at steady motion not counted; captures with other losses that\n\
         say nothing right of them; false findings.\n",
    );
    let groups: [(&str, NameOf); 5] = [
        ("all", |_| "all".to_owned()),
        ("by kind of recording", recording),
        ("by family", family),
        ("by cadence", |score| score.cadence.to_owned()),
        ("by family × kind of recording", cell),
    ];
    for (title, name) in groups {
        let _ = writeln!(text, "\n{}", line(title, &HEAD).trim_end());
        for (name, sums) in sums_by(scores, &thresholds, name) {
            text += &row(&name, &sums);
        }
    }
    let cadence_cells: NameOf = |score| format!("{} × {}", score.cadence, score.recording);
    let _ = writeln!(text, "\n{}", line("by cadence × kind of recording", &HEAD).trim_end());
    for (name, sums) in sums_by(scores, &thresholds, cadence_cells) {
        text += &row(&name, &sums);
    }
    let _ = writeln!(text, "\nthresholds of the script: one {:.3}", thresholds.one);
    for (kind, threshold) in &thresholds.by_recording {
        let _ = writeln!(text, "  {kind:<14} {threshold:.3}");
    }
    text + &reliability(scores, &thresholds)
        + &apart_table(scores)
        + &findings_table(scores)
        + &losses_table(scores)
        + &worst(scores)
}

fn reliability(scores: &[CaptureScore], thresholds: &Thresholds) -> String {
    let mut text =
        String::from("\nreliability: wrong of the frames called with a confidence from each value up\n");
    let _ = writeln!(text, "{:<20}{}", "", BIN_EDGES.map(|edge| format!("{edge:>20}")).concat());
    let groups: [NameOf; 3] = [|_| "all".to_owned(), recording, family];
    for name in groups {
        for (name, sums) in sums_by(scores, thresholds, name) {
            let bins: String = sums.bins.iter().map(|bin| format!("{:>20}", bin.text())).collect();
            let _ = writeln!(text, "{name:<20}{bins}");
        }
    }
    text
}

/// What is set apart, and how it was called.
fn apart_table(scores: &[CaptureScore]) -> String {
    let mut text = String::from("\nset apart: frames called other than the list says, of all such frames\n");
    let mut sums: BTreeMap<(Apart, &str, &str), Wrong> = BTreeMap::new();
    for score in scores {
        for frame in &score.frames {
            if let Some(apart) = frame.apart {
                let place = (apart, score.family.as_str(), score.recording);
                sums.entry(place).or_default().count(frame.is_wrong());
            }
        }
    }
    for ((apart, family, recording), wrong) in sums {
        let why = match apart {
            Apart::NotRecorded => "not in the recording",
            Apart::BelowNoise => "below the noise",
            Apart::TwoTruths => "two truths",
        };
        let _ = writeln!(text, "  {why:<22}{family:<20}{recording:<14}{}", wrong.text());
    }
    text
}

fn findings_table(scores: &[CaptureScore]) -> String {
    let mut text =
        String::from("\nfalse findings: kind, captures delivered 1:1, other captures, first of them\n");
    let mut sums: BTreeMap<&str, (usize, usize, &str)> = BTreeMap::new();
    for score in scores {
        let kinds: std::collections::BTreeSet<&str> = score.false_findings.iter().copied().collect();
        for kind in kinds {
            let (clean, other, _) = sums.entry(kind).or_insert((0, 0, &score.name));
            *(if score.clean { clean } else { other }) += 1;
        }
    }
    for (kind, (clean, other, name)) in sums {
        let _ = writeln!(text, "  {kind:<22}{clean:>6}{other:>6}  {name}");
    }
    let clean = scores.iter().filter(|score| score.clean).count();
    let _ = writeln!(text, "  of {clean} captures delivered 1:1 and {} others", scores.len() - clean);
    for score in scores.iter().filter(|score| !score.false_findings.is_empty()) {
        let _ = writeln!(text, "  {}: {}", score.name, score.false_findings.join(" "));
    }
    text
}

/// Captures in which losses are miscounted, and those that say nothing right of theirs.
fn losses_table(scores: &[CaptureScore]) -> String {
    let mut text =
        String::from("\nlosses: jumps at steady motion not counted, captures with other losses not told\n");
    for score in scores {
        for wrong in [score.jumps, score.losses].into_iter().filter(|wrong| wrong.wrong > 0) {
            let _ = writeln!(text, "  {:>18}  {}", wrong.text(), score.name);
        }
    }
    text
}

fn worst(scores: &[CaptureScore]) -> String {
    let mut text =
        String::from("\nworst captures: wrong, by the script over the best threshold of the capture\n");
    let of = |score: &CaptureScore| {
        let mut sums = Sums::default();
        sums.add(score, &Thresholds::picked(std::slice::from_ref(score)));
        sums
    };
    let mut sums: Vec<(Sums, &str)> = scores.iter().map(|score| (of(score), score.name.as_str())).collect();
    sums.sort_by_key(|(sums, _)| std::cmp::Reverse(sums.frames.wrong));
    for (sums, name) in sums.iter().take_while(|(sums, _)| sums.frames.wrong > 0).take(WORST_SHOWN) {
        let _ = writeln!(text, "  {:>18} {:>14}  {name}", sums.frames.text(), sums.own.short());
    }
    text
}

/// What of the reach is missed, one line each; empty where all of it is met.
pub fn missed(scores: &[CaptureScore], reach: &Reach) -> Vec<String> {
    let thresholds = Thresholds::picked(scores);
    let mut missed = Vec::new();
    let mut miss = |what: String, wrong: Wrong, allowed: f64| {
        if wrong.share() > allowed {
            missed.push(format!("{what}: {}", wrong.text()));
        }
    };
    let material: NameOf =
        |score| if score.lossless { "lossless frames" } else { "lossy and noisy frames" }.to_owned();
    for (name, sums) in sums_by(scores, &thresholds, material) {
        let allowed = if name == "lossless frames" { reach.lossless_wrong } else { reach.lossy_wrong };
        miss(name, sums.frames, allowed);
    }
    for name in [recording as NameOf, family] {
        for (name, sums) in sums_by(scores, &thresholds, name) {
            miss(format!("sure calls of {name}"), sums.sure, reach.sure_wrong);
        }
    }
    for (name, sums) in sums_by(scores, &thresholds, |score| score.name.clone()) {
        miss(format!("frames of {name}"), sums.frames, reach.capture_wrong);
    }
    for (name, sums) in sums_by(scores, &thresholds, cell) {
        let allowed = sums.one.share() + reach.worse_than_script;
        miss(format!("{name}, by the script {}", sums.one.short()), sums.frames, allowed);
    }
    let mut all = Sums::default();
    scores.iter().for_each(|score| all.add(score, &thresholds));
    miss("patterns".to_owned(), all.pattern, 1.0 - reach.pattern_right);
    miss("jumps".to_owned(), all.jumps, 1.0 - reach.jumps_counted);
    miss("captures with other losses".to_owned(), all.losses, 1.0 - reach.losses_said);
    let clean = scores.iter().filter(|score| score.clean).flat_map(|score| &score.false_findings).count();
    if clean > reach.false_findings {
        missed.push(format!("false findings: {clean}"));
    }
    missed
}
