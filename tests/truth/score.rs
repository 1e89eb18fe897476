//! Scores of cells, the table, and whether the reach is met.

use std::collections::BTreeMap;
use std::fmt::Write;

use evenbeat::cadence::CadenceAnalysis;
use evenbeat::classify::{FrameClass, FrameFlags};
use evenbeat::verdict::{Finding, FindingKind, Severity};

use super::adapter::Judged;
use super::cells::Cell;
use super::exact::Exact;
use super::recordings::Recording;
use super::{is_mix, lost, out_of_order, truth, Truth};

/// Edges of the confidence bins of the reliability table.
const BIN_EDGES: [f32; 7] = [0.0, 0.5, 0.7, 0.8, 0.9, 0.95, 0.99];
/// First bin of the frames that are called sure.
const SURE_BIN: usize = 5;
/// Of frames called sure, this share must be right in every recording.
const SURE_RIGHT: f64 = 0.95;
/// Share of wrong frames over all lossy and noisy cells, and in any one of them.
const LOSSY_WRONG: f64 = 0.003;
const LOSSY_WRONG_IN_A_CELL: f64 = 0.02;
/// Share of stalls whose first and last frame must be exact.
const STALLS_EXACT: f64 = 0.99;
/// Share of jumps whose lost pictures must be counted exactly, at steady painted motion.
const LOST_EXACT: f64 = 0.98;

/// Number of right ones out of a total.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Share {
    pub right: usize,
    pub total: usize,
}

impl Share {
    fn count(&mut self, right: bool) {
        self.total += 1;
        self.right += usize::from(right);
    }

    fn add(&mut self, other: Self) {
        self.total += other.total;
        self.right += other.right;
    }

    fn wrong(self) -> usize {
        self.total - self.right
    }

    fn at_least(self, share: f64) -> bool {
        self.right as f64 >= share * self.total as f64
    }
}

/// What one cell came to.
#[derive(Clone, Debug, Default)]
pub struct CellScore {
    pub scene: String,
    pub delivery: String,
    pub recording: String,
    lossless: bool,
    within_reach: bool,
    clean: bool,
    /// New against same.
    pub frames: Share,
    /// Repeat against still, among frames that are the same and were called so.
    pub still: Share,
    /// Frames flagged as a mix exactly where they are one.
    pub mixes: Share,
    /// New frames flagged as out of order exactly where they are.
    pub order: Share,
    /// The pattern; total 0 where the cell has none or nothing was measured.
    pub pattern: Share,
    /// Stalls with exact first and last frame.
    pub stalls: Share,
    /// Jumps with the exact number of lost pictures, or within one on real clips; a frame with lost pictures
    /// where none are is a wrong one.
    pub lost: Share,
    /// What is wrong with the findings.
    pub finding_errors: Vec<String>,
    /// Calls per confidence bin.
    pub bins: [Share; BIN_EDGES.len()],
    /// Frames that were called wrong, with their truth.
    pub wrong_frames: Vec<(usize, &'static str)>,
    /// The same cell with the pictures of the clip known: by the clip itself, or by its marks.
    pub exact: Option<Exact>,
}

/// Scores what was found in a cell against its truth.
pub fn score(cell: &Cell, judged: &Judged) -> CellScore {
    let truth = truth(&cell.scene, &cell.delivery);
    let moves_of_its_own = truth_is_regular(cell);
    let mut score = CellScore {
        scene: cell.scene.name.clone(),
        delivery: cell.delivery.name.to_owned(),
        recording: cell.recording.name(),
        lossless: cell.recording == Recording::Lossless,
        within_reach: cell.recording.within_reach(),
        clean: cell.delivery.name == "1:1" && moves_of_its_own,
        ..CellScore::default()
    };
    score_frames(&mut score, cell, (&truth, judged));
    if let Some(cadence) = &judged.cadence {
        score_pattern(&mut score, cell, cadence);
        score_stalls(&mut score, cell, (cadence, judged));
        score_lost(&mut score, cell, judged);
        score.finding_errors = finding_errors(cell, &judged.findings, score.clean);
    }
    score
}

/// Whether every new picture of the clip shows new content unless declared still.
fn truth_is_regular(cell: &Cell) -> bool {
    cell.scene.name != "drawn"
}

fn score_frames(score: &mut CellScore, cell: &Cell, (truth, judged): (&[Truth], &Judged)) {
    score.frames.total = truth.len();
    if judged.frames.len() != truth.len() {
        score.finding_errors.push(format!(
            "{} frames judged, {} delivered",
            judged.frames.len(),
            truth.len()
        ));
        return;
    }
    score.frames.total = 0;
    let disorder = out_of_order(&cell.scene, &cell.delivery);
    for (frame, (call, &truth)) in judged.frames.iter().zip(truth).enumerate() {
        let right = (call.class == FrameClass::New) == (truth == Truth::New);
        score.frames.count(right);
        if !right {
            score.wrong_frames.push((frame, truth.name()));
        }
        if right && truth != Truth::New {
            score.still.count((call.class == FrameClass::Still) == (truth == Truth::Still));
        }
        if frame > 0 {
            let bin = BIN_EDGES.iter().rposition(|&edge| call.confidence >= edge).unwrap_or(0);
            score.bins[bin].count(right);
        }
        if truth == Truth::New {
            let mix = is_mix(&cell.scene, cell.delivery.shown[frame]);
            score.mixes.count(call.flags.contains(FrameFlags::BLEND) == mix);
            score.order.count(call.flags.contains(FrameFlags::OUT_OF_ORDER) == disorder[frame]);
        }
    }
}

/// A pattern in the rotation that compares smallest, so that rotations are equal.
fn rotated(holds: &[u32]) -> Vec<u32> {
    (0..holds.len()).map(|start| [&holds[start..], &holds[..start]].concat()).min().unwrap_or_default()
}

fn score_pattern(score: &mut CellScore, cell: &Cell, cadence: &CadenceAnalysis) {
    if !truth_is_regular(cell) {
        return;
    }
    if cell.delivery.name == "pattern-change" {
        let named = |holds: &[u32]| {
            cadence.segments.iter().any(|segment| rotated(&segment.pattern.holds) == rotated(holds))
        };
        score.pattern.count(named(&[2, 3]) && named(&[2]));
        return;
    }
    if let Some(expected) = &cell.delivery.pattern {
        let found = cadence.pattern.as_ref().map(|pattern| rotated(&pattern.holds));
        score.pattern.count(found == Some(rotated(expected)));
    }
}

fn score_stalls(score: &mut CellScore, cell: &Cell, (cadence, judged): (&CadenceAnalysis, &Judged)) {
    let lost = lost(&cell.scene, &cell.delivery);
    for stall in &cell.delivery.stalls {
        let (first, after) = (stall.first_frame, stall.first_frame + stall.frames);
        let moving = (first - 1..=after).all(|frame| frame < lost.len() && !stands_still_at(cell, frame));
        if !moving || !truth_is_regular(cell) {
            continue;
        }
        let held = cadence
            .holds
            .iter()
            .any(|hold| hold.first_frame == first as u64 - 1 && hold.frames as usize == stall.frames + 1);
        let told = judged
            .findings
            .iter()
            .any(|finding| finding.first_frame <= after as u64 && finding.last_frame + 1 >= first as u64);
        score.stalls.count(held && told);
    }
}

/// Lost pictures wherever some are or are said to be; of stalls that lose nothing too, that none are said to be.
fn score_lost(score: &mut CellScore, cell: &Cell, judged: &Judged) {
    let lost = lost(&cell.scene, &cell.delivery);
    let real = cell.scene.is_real();
    let after_stall: Vec<usize> =
        cell.delivery.stalls.iter().map(|stall| stall.first_frame + stall.frames).collect();
    for (frame, (call, &lost)) in judged.frames.iter().zip(&lost).enumerate().skip(1) {
        let counted = u64::from(call.lost_before);
        if lost == 0 && counted == 0 && !after_stall.contains(&frame) {
            continue;
        }
        let moving = !stands_still_at(cell, frame) && !stands_still_at(cell, frame - 1);
        if !truth_is_regular(cell) || !moving {
            continue;
        }
        if real {
            score.lost.count(counted.abs_diff(lost) <= 1);
        } else if cell.scene.moves_steadily() || counted > 0 && lost == 0 {
            score.lost.count(counted == lost);
        }
    }
}

fn stands_still_at(cell: &Cell, frame: usize) -> bool {
    cell.scene.stands_still(super::last_picture(cell.delivery.shown[frame]))
}

/// Findings that are missing or false. A finding that only informs is never false.
fn finding_errors(cell: &Cell, findings: &[Finding], clean: bool) -> Vec<String> {
    if clean {
        let false_ones = findings.iter().filter(|finding| finding.severity > Severity::Info);
        return false_ones.map(|finding| format!("false {}", finding.kind.name())).collect();
    }
    let (wanted, unwanted) = expected_findings(cell);
    let missing = wanted.into_iter().filter(|&kind| findings.iter().all(|finding| finding.kind != kind));
    let false_ones = unwanted.into_iter().filter(|&kind| {
        findings.iter().any(|finding| finding.kind == kind && finding.severity > Severity::Info)
    });
    let missing = missing.map(|kind| format!("no {}", kind.name()));
    missing.chain(false_ones.map(|kind| format!("false {}", kind.name()))).collect()
}

/// Kinds that must be found in a cell, and kinds that must not. Kinds in neither list may be found or not.
fn expected_findings(cell: &Cell) -> (Vec<FindingKind>, Vec<FindingKind>) {
    let delivery = &cell.delivery;
    let mut wanted = Vec::new();
    let mut unwanted = vec![
        FindingKind::CombedPictures,
        FindingKind::OneFieldPictures,
        FindingKind::FieldOrderSwapped,
        FindingKind::CaptureGap,
        FindingKind::UnevenTimestamps,
    ];
    let mut expect = |kind, when| if when { wanted.push(kind) } else { unwanted.push(kind) };
    expect(FindingKind::BlendedPictures, delivery.name.starts_with("mix"));
    let disordered = out_of_order(&cell.scene, delivery).contains(&true);
    if !disordered || cell.scene.moves_steadily() {
        expect(FindingKind::OutOfOrder, disordered);
    }
    if lost(&cell.scene, delivery).iter().all(|&pictures| pictures == 0) {
        expect(FindingKind::DroppedPictures, false);
    } else if cell.scene.moves_steadily() {
        expect(FindingKind::DroppedPictures, true);
    }
    // A clip that holds its own pictures has a cadence of its own.
    if truth_is_regular(cell) {
        expect(FindingKind::HalfRateMotion, delivery.pattern == Some(vec![2]));
        expect(FindingKind::RateSlip, delivery.long);
        if delivery.stalls.is_empty() {
            expect(FindingKind::Freeze, false);
        }
        let irregular = delivery.long || !delivery.stalls.is_empty() || delivery.name == "pattern-change";
        if !irregular {
            expect(FindingKind::CadenceBreak, delivery.name == "breaks");
        }
    }
    (wanted, unwanted)
}

/// Sums over the cells of one scene, delivery or recording.
#[derive(Clone, Debug, Default)]
struct Sums {
    frames: Share,
    still: Share,
    mixes: Share,
    order: Share,
    pattern: Share,
    stalls: Share,
    lost: Share,
    finding_errors: usize,
    bins: [Share; BIN_EDGES.len()],
    exact: ExactSums,
}

/// Sums of what is counted where the pictures of the clip are known.
#[derive(Clone, Copy, Debug, Default)]
struct ExactSums {
    frames: usize,
    /// In the order of [`Exact::errors`].
    errors: [usize; 4],
    told: usize,
    ambiguous: usize,
    unknown: usize,
}

impl ExactSums {
    fn add(&mut self, exact: &Exact) {
        self.frames += exact.frames;
        for (sum, (_, frames)) in self.errors.iter_mut().zip(exact.errors()) {
            *sum += frames.len();
        }
        self.told += exact.told;
        self.ambiguous += exact.ambiguous;
        self.unknown += exact.unknown;
    }

    /// The columns; none where nothing was counted.
    fn columns(self) -> String {
        if self.frames == 0 {
            return String::new();
        }
        let [frames, losses, mixes, places] = self.errors;
        exact_columns([frames, losses, mixes, places, self.told, self.ambiguous, self.unknown])
    }
}

fn exact_columns(columns: [impl std::fmt::Display; 7]) -> String {
    let column = |value| format!(" {value:>9}");
    format!(" |{}", columns.map(column).concat())
}

impl Sums {
    fn add(&mut self, score: &CellScore) {
        self.frames.add(score.frames);
        self.still.add(score.still);
        self.mixes.add(score.mixes);
        self.order.add(score.order);
        self.pattern.add(score.pattern);
        self.stalls.add(score.stalls);
        self.lost.add(score.lost);
        self.finding_errors += score.finding_errors.len();
        for (sum, bin) in self.bins.iter_mut().zip(score.bins) {
            sum.add(bin);
        }
        if let Some(exact) = &score.exact {
            self.exact.add(exact);
        }
    }

    fn sure(&self) -> Share {
        let mut sure = Share::default();
        self.bins[SURE_BIN..].iter().for_each(|&bin| sure.add(bin));
        sure
    }
}

fn sums_by<'a>(scores: &'a [CellScore], name: impl Fn(&'a CellScore) -> &'a str) -> BTreeMap<&'a str, Sums> {
    let mut sums: BTreeMap<&str, Sums> = BTreeMap::new();
    for score in scores {
        sums.entry(name(score)).or_default().add(score);
    }
    sums
}

/// Share that is wrong, `-` where there is nothing to count.
fn wrong(share: Share) -> String {
    if share.total == 0 {
        return "-".to_owned();
    }
    format!("{}/{}", share.wrong(), share.total)
}

fn row(text: &mut String, name: &str, sums: &Sums) {
    let _ = writeln!(
        text,
        "{name:<46} {:>11} {:>11} {:>11} {:>11} {:>8} {:>8} {:>8} {:>8}{}",
        wrong(sums.frames),
        wrong(sums.still),
        wrong(sums.mixes),
        wrong(sums.order),
        wrong(sums.pattern),
        wrong(sums.stalls),
        wrong(sums.lost),
        sums.finding_errors,
        sums.exact.columns()
    );
}

/// What is wrong although the pictures of the clip are known, a line per kind of error.
fn exact_errors(exact: &Exact) -> Vec<String> {
    if let Some(why) = &exact.refused {
        return vec![format!("the clip was refused: {why}")];
    }
    let misplaced = exact.misplaced.iter().take(12).map(|place| format!("with the clip known, {place}"));
    let wrong = exact.errors().into_iter().filter(|(_, frames)| !frames.is_empty());
    wrong
        .map(|(kind, frames)| {
            let shown: Vec<String> = frames.iter().take(12).map(usize::to_string).collect();
            format!("with the clip known, wrong {kind}: {}", shown.join(" "))
        })
        .chain(misplaced)
        .collect()
}

/// The whole table as text: a line per cell, sums per column, the reliability of confidence. Columns after the bar: the
/// same with the pictures of the clip known (x), and of how many frames their picture is told, is one of several, or is
/// not known.
pub fn table(scores: &[CellScore]) -> String {
    let mut text = String::new();
    let _ = writeln!(
        text,
        "{:<46} {:>11} {:>11} {:>11} {:>11} {:>8} {:>8} {:>8} {:>8}{}",
        "wrong/all of",
        "frames",
        "still",
        "mixes",
        "order",
        "pattern",
        "stalls",
        "lost",
        "findings",
        exact_columns(["x frames", "x losses", "x mixes", "x places", "told", "ambiguous", "unknown"])
    );
    for score in scores {
        let mut sums = Sums::default();
        sums.add(score);
        row(&mut text, &format!("{}/{}/{}", score.scene, score.delivery, score.recording), &sums);
        if !score.wrong_frames.is_empty() {
            let shown: Vec<String> =
                score.wrong_frames.iter().take(12).map(|(frame, truth)| format!("{frame}={truth}")).collect();
            let _ = writeln!(text, "    wrong frames (truth): {}", shown.join(" "));
        }
        if !score.finding_errors.is_empty() {
            let _ = writeln!(text, "    findings: {}", score.finding_errors.join(", "));
        }
        score.exact.iter().flat_map(exact_errors).for_each(|line| {
            let _ = writeln!(text, "    {line}");
        });
    }
    type NameOf = fn(&CellScore) -> &str;
    let groups: [(&str, NameOf); 3] =
        [("scene", |s| &s.scene), ("delivery", |s| &s.delivery), ("recording", |s| &s.recording)];
    for (group, name) in groups {
        let _ = writeln!(text, "\nby {group}");
        for (name, sums) in sums_by(scores, name) {
            row(&mut text, name, &sums);
        }
    }
    text.push_str("\nreliability: share right of the frames called with a confidence from each value up\n");
    let _ = writeln!(text, "{:<22} {}", "", BIN_EDGES.map(|edge| format!("{edge:>14}")).concat());
    let share = |bin: &Share| match bin.total {
        0 => format!("{:>14}", "-"),
        total => format!("{:>14}", format!("{:.4} of {total}", bin.right as f64 / total as f64)),
    };
    for (name, sums) in sums_by(scores, |score| &score.recording) {
        let _ = writeln!(text, "{name:<22} {}", sums.bins.iter().map(share).collect::<String>());
    }
    text
}

/// What of the reach is missed, one line each; empty where all of it is met.
pub fn missed(scores: &[CellScore]) -> Vec<String> {
    let mut missed = Vec::new();
    let mut all = Sums::default();
    let (mut lossless, mut lossy) = (Share::default(), Share::default());
    for score in scores {
        all.add(score);
        if score.lossless {
            lossless.add(score.frames);
        } else if score.within_reach {
            lossy.add(score.frames);
            if !score.frames.at_least(1.0 - LOSSY_WRONG_IN_A_CELL) {
                let cell = format!("{}/{}/{}", score.scene, score.delivery, score.recording);
                missed.push(format!("frames of {cell}: {} wrong", wrong(score.frames)));
            }
        }
        if score.clean && !score.finding_errors.is_empty() {
            missed.push(format!(
                "clean {}/{}: {}",
                score.scene,
                score.recording,
                score.finding_errors.join(", ")
            ));
        }
    }
    let named = ["frames", "losses", "mixes", "places"];
    for (kind, wrong) in named.into_iter().zip(all.exact.errors).filter(|(_, wrong)| *wrong > 0) {
        missed.push(format!("{kind} with the clip known: {wrong} wrong in {} frames", all.exact.frames));
    }
    if lossless.wrong() > 0 {
        missed.push(format!("lossless frames: {} wrong", wrong(lossless)));
    }
    if !lossy.at_least(1.0 - LOSSY_WRONG) {
        missed.push(format!("lossy and noisy frames: {} wrong", wrong(lossy)));
    }
    if all.pattern.wrong() > 0 {
        missed.push(format!("patterns: {} wrong", wrong(all.pattern)));
    }
    if !all.stalls.at_least(STALLS_EXACT) {
        missed.push(format!("stalls: {} wrong", wrong(all.stalls)));
    }
    if !all.lost.at_least(LOST_EXACT) {
        missed.push(format!("lost pictures: {} wrong", wrong(all.lost)));
    }
    for (recording, sums) in sums_by(scores, |score| &score.recording) {
        if !sums.sure().at_least(SURE_RIGHT) {
            missed.push(format!("sure calls in {recording}: {} wrong", wrong(sums.sure())));
        }
    }
    missed
}
