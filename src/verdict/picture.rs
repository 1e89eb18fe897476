//! Findings about the picture itself: levels, colour and geometry against the clip's. Each rests on a measure and its
//! standard error; without both nothing is said.

use super::findings::Event;
use super::{Case, Finding, FindingKind, Severity};
use crate::alignment::picture::{Conversion, LevelMeasures, Measured, Measures, BLACK, WHITE};
use crate::units::decimal;
use crate::words::percent;

/// What is known of the picture beside the clip's.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct AgainstClip {
    /// Size of the clip's pictures, pixels.
    pub clip_size: (u32, u32),
    /// Size of the capture's, pixels.
    pub capture_size: (u32, u32),
    /// Whether the picture is turned over across and down.
    pub mirrored: [bool; 2],
    /// What was measured.
    pub measures: Option<Measures>,
}

/// Full range against the limited one at 8 bit (ITU-R BT.601: 16 to 235; full range as in ITU-T H.273: 0 to 255): what black
/// and white become when limited is taken for full, and when full is taken for limited.
const EXPANDED: (f64, f64) = (0.0, 255.0);
/// 16 · 219/255 + 16 and 235 · 219/255 + 16.
const SQUEEZED: (f64, f64) = (BLACK * 219.0 / 255.0 + 16.0, WHITE * 219.0 / 255.0 + 16.0);
/// Code values at 8 bit within which black and white are those of a range. Choice: a third of what tells the ranges apart.
const RANGE_WITHIN: f64 = 5.0;
/// Code values at 8 bit by which black or white may differ from the clip's: what recorders and conversions leave. Choice.
const LEVEL_MAX: f64 = 3.0;
/// What the power of the curve may differ by. Choice: a twentieth moves the middle by four code values.
const POWER_MAX: f64 = 0.05;
/// Pixels, of capture or clip whichever are larger, by which an edge may lie off: scalers differ in where they put the first
/// sample by half a pixel. Choice.
const EDGE_MAX_PX: f64 = 1.0;
/// What width over height may differ by. Choice: 704 of 720 columns, the picture's own width in ITU-R BT.601, are 2.2 %.
const SHAPE_MAX: f64 = 0.01;
/// Pixels of luma by which colour may lie off: half a sample of colour differences, and half a pixel of scaling.
const CHROMA_MAX_PX: f64 = 1.5;
/// Most rows of standard definition: its equations are those of BT.601, those of more rows of BT.709 (ITU-R BT.601, BT.709).
const STANDARD_ROWS_MAX: u32 = 576;

/// Width of the capture's picture against its height, as a factor on the clip's, and how far each edge lies off, in the
/// larger of both kinds of pixels.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Placing {
    /// How much wider the picture became than higher; 1 where its shape is the clip's.
    pub shape: Measured,
    /// What is cut off of the clip on both sides together, across and down, pixels; negative where there are borders.
    pub cut: [Measured; 2],
    /// How far the picture's middle moved right and down, pixels.
    pub shift: [Measured; 2],
}

impl Placing {
    /// By which part width over height differs from the clip's.
    pub fn stretch(self) -> f64 {
        (self.shape.value - 1.0).abs()
    }

    /// What is cut off across or down, whichever is more, pixels.
    pub fn cropped(self) -> f64 {
        self.cut.iter().map(|cut| cut.value).fold(0.0, f64::max)
    }

    /// How far the middle moved, pixels.
    pub fn shifted(self) -> f64 {
        let [across, down] = self.shift;
        across.value.hypot(down.value)
    }
}

impl AgainstClip {
    /// How the picture lies; `None` where it was not measured.
    pub fn placing(&self) -> Option<Placing> {
        let edges = self.measures?.edges;
        let size = |(width, height): (u32, u32)| [f64::from(width), f64::from(height)];
        let (clip, capture) = (size(self.clip_size), size(self.capture_size));
        // Pixels that are larger on the clip's picture are fewer.
        let pixels = [0, 1].map(|axis| clip[axis].min(capture[axis]));
        let both = |axis: usize| (edges[2 * axis], edges[2 * axis + 1]);
        let error = |axis: usize| both(axis).0.error.hypot(both(axis).1.error);
        let cut = [0, 1].map(|axis| {
            let (first, second) = both(axis);
            Measured { value: first.value + second.value, error: error(axis) }.times(pixels[axis])
        });
        let shift = [0, 1].map(|axis| {
            let (first, second) = both(axis);
            Measured { value: (second.value - first.value) / 2.0, error: error(axis) / 2.0 }
                .times(pixels[axis])
        });
        let shown = [0, 1].map(|axis| 1.0 - both(axis).0.value - both(axis).1.value);
        let by_parts = shown[1] / shown[0];
        // Pixels may have another shape than the clip's, which the picture then does not have.
        let by_pixels = by_parts * (capture[0] * clip[1]) / (capture[1] * clip[0]);
        let value = if by_pixels.ln().abs() < by_parts.ln().abs() { by_pixels } else { by_parts };
        let error = value * (error(0) / shown[0]).hypot(error(1) / shown[1]);
        Some(Placing { shape: Measured { value, error }, cut, shift })
    }

    fn levels(&self) -> Option<LevelMeasures> {
        self.measures?.levels
    }

    /// The larger difference of black and white from the clip's, code values at 8 bit.
    pub fn level_difference(&self) -> Option<Measured> {
        let LevelMeasures { black, white, .. } = self.levels()?;
        let [low, high] = [(black, BLACK), (white, WHITE)]
            .map(|(found, own)| Measured { value: (found.value - own).abs(), ..found });
        Some(if high.value > low.value { high } else { low })
    }

    /// Share of the samples that was cut off at both ends of the range; `None` where the clip has too few to tell.
    pub fn clipped_share(&self) -> Option<f64> {
        let levels = self.levels()?;
        let told = levels.beyond?.iter().any(|end| end.can_be_told());
        told.then(|| levels.lost().into_iter().flatten().sum())
    }

    /// What was made of the equations of colour, where that is told.
    pub fn conversion(&self) -> Option<Conversion> {
        Conversion::of(self.measures?.chroma?.matrix)
    }

    /// Whether colours are made by the equations of another standard, or Cb and Cr are swapped.
    pub fn has_wrong_equations(&self) -> bool {
        match self.conversion() {
            Some(Conversion::To601 | Conversion::To709) => !self.crosses_standards(),
            Some(Conversion::Swapped) => true,
            Some(Conversion::None) | None => false,
        }
    }

    /// Whether the clip is of standard definition and the capture is not, or the other way round.
    fn crosses_standards(&self) -> bool {
        let standard = |rows: u32| rows <= STANDARD_ROWS_MAX;
        standard(self.clip_size.1) != standard(self.capture_size.1)
    }
}

/// What a clean bill says: why, what was found, and what would be too much.
pub(super) struct Bill {
    pub text: &'static str,
    pub number: String,
    pub limit: String,
}

impl AgainstClip {
    /// That levels and colours are the clip's; `None` where they are not known closely enough to say so.
    pub(super) fn levels_bill(&self) -> Option<Bill> {
        let levels = self.levels()?;
        let close = |level: Measured| 2.0 * level.error <= LEVEL_MAX;
        let is_close = close(levels.black) && close(levels.white);
        let text = match self.conversion() {
            Some(_) => "Black, white and colours are the clip’s.",
            None => "Black and white are the clip’s; whether colours are cannot be told.",
        };
        is_close.then(|| Bill { text, number: ends_text(levels), limit: ends_limit() })
    }

    /// That the picture lies where the clip's does; `None` where that is not known closely enough to say so.
    pub(super) fn geometry_bill(&self) -> Option<Bill> {
        let placing = self.placing()?;
        let errors = placing.shift.iter().chain(&placing.cut).map(|one| one.error);
        let is_close = errors.fold(placing.shape.error / SHAPE_MAX, f64::max) <= EDGE_MAX_PX;
        is_close.then(|| Bill {
            text: "The picture has the clip’s shape and place, and all of it shows.",
            number: format!("{:.1} px off", placing.shifted()),
            limit: edge_limit(),
        })
    }
}

fn edge_limit() -> String {
    format!("at most {EDGE_MAX_PX:.0} px off")
}

impl Measured {
    /// Whether it surely lies beyond a limit around `own`.
    fn leaves(self, own: f64, limit: f64) -> bool {
        self.is_beyond(own, limit)
    }
}

/// Every finding about the picture.
pub(super) fn findings(case: &Case<'_>) -> Vec<Finding> {
    let Some(against) = case.played.picture else { return Vec::new() };
    let whole = Event { count: case.frames.len() as u64, ..case.whole() };
    against.found().map(|one| case.finding(one.kind, one.severity, whole, one.text)).collect()
}

/// What is wrong with the picture.
pub(super) struct Found {
    pub kind: FindingKind,
    severity: Severity,
    text: String,
    /// How much was found, with unit.
    pub number: String,
    /// What would be right, with unit.
    pub limit: String,
}

impl Found {
    fn new(kind: FindingKind, severity: Severity, text: impl Into<String>) -> Self {
        Self { kind, severity, text: text.into(), number: String::new(), limit: String::new() }
    }

    fn of(self, number: impl Into<String>, limit: impl Into<String>) -> Self {
        Self { number: number.into(), limit: limit.into(), ..self }
    }
}

impl AgainstClip {
    /// Everything that is wrong with the picture.
    pub(super) fn found(&self) -> impl Iterator<Item = Found> {
        geometry(self).into_iter().chain(levels(self)).chain(colour(self))
    }
}

fn levels(against: &AgainstClip) -> Vec<Found> {
    let Some(levels) = against.levels() else { return Vec::new() };
    let LevelMeasures { black, white, gamma, .. } = levels;
    let is_range = |(low, high): (f64, f64)| {
        black.is_at(low, RANGE_WITHIN)
            && white.is_at(high, RANGE_WITHIN)
            && (black.leaves(BLACK, LEVEL_MAX) || white.leaves(WHITE, LEVEL_MAX))
            && black.error.max(white.error) < RANGE_WITHIN
    };
    // What a fit says beyond the code values that there are is cut off at these.
    let code = |level: Measured| decimal(level.value.clamp(0.0, 255.0), 0);
    let became = || format!("black 16 became {}, white 235 became {}", code(black), code(white));
    let of_levels = |kind: FindingKind, severity: Severity, text: String| {
        Found::new(kind, severity, text).of(ends_text(levels), ends_limit())
    };
    let mut found = Vec::new();
    let bent = gamma.filter(|gamma| gamma.leaves(1.0, POWER_MAX));
    if is_range(EXPANDED) {
        let text = format!("contrast is too high: the range 16–235 is expanded to 0–255 ({})", became());
        found.push(of_levels(FindingKind::RangeMistaken, Severity::Fault, text));
    } else if is_range(SQUEEZED) {
        let text = format!("contrast is too low: the range 0–255 is squeezed to 16–235 ({})", became());
        found.push(of_levels(FindingKind::RangeMistaken, Severity::Fault, text));
    } else if bent.is_none() && (black.leaves(BLACK, LEVEL_MAX) || white.leaves(WHITE, LEVEL_MAX)) {
        let text = format!("brightness or contrast differ from the clip’s ({})", became());
        found.push(of_levels(FindingKind::LevelsChanged, Severity::Warning, text));
    }
    if let Some(gamma) = bent {
        let which = if gamma.value > 1.0 { "darker" } else { "brighter" };
        let text = format!(
            "middle tones are {which} than the clip’s: its levels raised to the power of {:.2} ± {:.2}",
            gamma.value,
            f64::max(gamma.error, 0.005)
        );
        found.push(
            Found::new(FindingKind::GammaChanged, Severity::Warning, text)
                .of(format!("power {:.2}", gamma.value), format!("power 1 ± {POWER_MAX:.2}")),
        );
    }
    found.extend(clipped(levels));
    found
}

/// What was cut off at the ends of the range.
fn clipped(levels: LevelMeasures) -> Option<Found> {
    let [low, high] = levels.lost();
    let of_samples = |share: f64| format!("{} of the samples", percent(share));
    let text = match (low, high) {
        (None, None) => return None,
        (Some(low), None) => {
            format!("levels below black are clipped at 16: {} are lost", of_samples(low))
        }
        (None, Some(high)) => {
            format!("levels above white are clipped at 235: {} are lost", of_samples(high))
        }
        (Some(low), Some(high)) => format!(
            "levels are clipped at 16 and 235: {} below black and {} above white are lost",
            of_samples(low),
            of_samples(high)
        ),
    };
    let lost = low.unwrap_or(0.0) + high.unwrap_or(0.0);
    let number = format!("{} clipped", percent(lost));
    Some(Found::new(FindingKind::LevelsClipped, Severity::Warning, text).of(number, "0 % clipped"))
}

/// `black 16, white 235`.
fn ends_text(levels: LevelMeasures) -> String {
    let [black, white] = [levels.black, levels.white].map(|level| level.value.clamp(0.0, 255.0));
    format!("black {}, white {}", decimal(black, 0), decimal(white, 0))
}

fn ends_limit() -> String {
    format!("black {BLACK:.0}, white {WHITE:.0}, each ± {LEVEL_MAX:.0}")
}

fn colour(against: &AgainstClip) -> Vec<Found> {
    let Some(chroma) = against.measures.and_then(|measures| measures.chroma) else { return Vec::new() };
    let mut found = Vec::new();
    let equations = |to: &str, from: &str| {
        let text = format!("colours are made by the equations of BT.{to} from a clip by those of BT.{from}");
        Found::new(FindingKind::MatrixMistaken, Severity::Fault, text)
            .of(format!("BT.{to}"), format!("BT.{from}"))
    };
    match against.conversion() {
        // A new definition of the picture goes with new equations.
        Some(Conversion::To601 | Conversion::To709) if against.crosses_standards() => {}
        Some(Conversion::To601) => found.push(equations("601", "709")),
        Some(Conversion::To709) => found.push(equations("709", "601")),
        Some(Conversion::Swapped) => {
            let text = "the colour differences Cb and Cr are swapped: blue is red";
            let swapped = Found::new(FindingKind::ChromaSwapped, Severity::Fault, text);
            found.push(swapped.of("Cb and Cr swapped", ""));
        }
        Some(Conversion::None) | None => {}
    }
    let [across, down] = chroma.shift;
    if across.leaves(0.0, CHROMA_MAX_PX) || down.leaves(0.0, CHROMA_MAX_PX) {
        let place = direction([across, down]);
        let text = format!("colour lies {place} of the luma");
        found.push(
            Found::new(FindingKind::ChromaShifted, Severity::Warning, text)
                .of(format!("colour {place}"), format!("at most {CHROMA_MAX_PX} px off")),
        );
    }
    found
}

/// `2.0 px right and 1.0 px above`.
fn direction([across, down]: [Measured; 2]) -> String {
    let part = |by: f64, [before, after]: [&str; 2]| {
        let which = if by < 0.0 { before } else { after };
        (by.abs() >= 0.05).then(|| format!("{:.1} px {which}", by.abs()))
    };
    let parts: Vec<String> = [part(across.value, ["left", "right"]), part(down.value, ["above", "below"])]
        .into_iter()
        .flatten()
        .collect();
    parts.join(" and ")
}

fn geometry(against: &AgainstClip) -> Vec<Found> {
    let mut found = Vec::new();
    let turned = match against.mirrored {
        [false, false] => None,
        [true, false] => Some("the picture is mirrored: left is right"),
        [false, true] => Some("the picture is mirrored: top is bottom"),
        [true, true] => Some("the picture is turned by 180°"),
    };
    if let Some(text) = turned {
        found.push(Found::new(FindingKind::PictureMirrored, Severity::Fault, text).of("turned over", ""));
    }
    let Some(Placing { shape, cut, shift }) = against.placing() else { return found };
    let limit = || format!("at most {:.0} px", 2.0 * EDGE_MAX_PX);
    let is_stretched = shape.leaves(1.0, SHAPE_MAX);
    if is_stretched {
        let which = if shape.value > 1.0 { "too wide" } else { "too narrow" };
        let by = format!("{} {which}", percent((shape.value - 1.0).abs()));
        let text = format!("the picture is {by} for its height");
        found.push(
            Found::new(FindingKind::PictureStretched, Severity::Fault, text)
                .of(by, format!("at most {}", percent(SHAPE_MAX))),
        );
    }
    let sides = cut.map(|cut| 2.0 * EDGE_MAX_PX < cut.value && cut.leaves(0.0, 2.0 * EDGE_MAX_PX));
    if sides.contains(&true) {
        let part = |axis: usize, name: &str| {
            (cut[axis].value >= 0.5).then(|| format!("{:.0} px of its {name}", cut[axis].value))
        };
        let parts: Vec<String> = [part(0, "width"), part(1, "height")].into_iter().flatten().collect();
        let parts = parts.join(" and ");
        let text = format!("the picture is cropped: {parts} do not show");
        let number = format!("{parts} cut off");
        found.push(Found::new(FindingKind::PictureCropped, Severity::Warning, text).of(number, limit()));
    }
    let borders = cut.map(|cut| cut.value < -2.0 * EDGE_MAX_PX && cut.leaves(0.0, 2.0 * EDGE_MAX_PX));
    if borders == [true, true] && !is_stretched {
        let [across, down] = cut.map(|cut| -cut.value);
        let text = format!(
            "the picture is smaller than the frame: borders of {across:.0} px across and {down:.0} px down together"
        );
        let number = format!("borders of {across:.0} × {down:.0} px");
        found.push(Found::new(FindingKind::PictureShrunk, Severity::Warning, text).of(number, limit()));
    }
    if shift.iter().any(|shift| shift.leaves(0.0, EDGE_MAX_PX)) {
        let [across, down] = shift.map(|shift| shift.value);
        let part = |by: f64, [before, after]: [&str; 2]| {
            let which = if by < 0.0 { before } else { after };
            (by.abs() >= 0.5).then(|| format!("{:.1} px {which}", by.abs()))
        };
        let parts: Vec<String> =
            [part(across, ["left", "right"]), part(down, ["up", "down"])].into_iter().flatten().collect();
        let by = parts.join(" and ");
        let text = format!("the picture is shifted {by}");
        found.push(Found::new(FindingKind::PictureShifted, Severity::Warning, text).of(by, edge_limit()));
    }
    found
}

/// What code values alone show, where nothing is known of the clip: that samples pile up at black or white.
pub(super) fn code_values(case: &Case<'_>) -> Vec<Finding> {
    let known = case.played.picture.is_some_and(|picture| picture.measures.is_some());
    let Some(levels) = case.levels.filter(|_| !known) else { return Vec::new() };
    let luma = levels.luma;
    let most = |frames: u64| 2 * frames > case.frames.len() as u64;
    let at = [
        (luma.extremes.0, luma.nominal.0, luma.clipped_frames.0),
        (luma.extremes.1, luma.nominal.1, luma.clipped_frames.1),
    ];
    let [low, high] =
        at.map(|(extreme, nominal, frames)| (extreme == nominal && most(frames)).then_some(frames));
    let ends = match (low, high) {
        (None, None) => return Vec::new(),
        (Some(_), None) => format!("{} (black)", luma.nominal.0),
        (None, Some(_)) => format!("{} (white)", luma.nominal.1),
        (Some(_), Some(_)) => format!("{} (black) and {} (white)", luma.nominal.0, luma.nominal.1),
    };
    let text = format!(
        "luma piles up at {ends} and nothing lies beyond: levels were clipped, or the clip has none there, which only the clip tells"
    );
    let count = low.into_iter().chain(high).max().unwrap_or(0);
    let event = Event { count, ..case.whole() };
    vec![case.finding(FindingKind::LevelsClipped, Severity::Info, event, text)]
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::alignment::picture::{Beyond, Chroma};

    fn sure(value: f64) -> Measured {
        Measured { value, error: 0.001 }
    }

    /// A picture that is the clip's.
    fn same() -> AgainstClip {
        let measures = Measures { error: 0.1, ..Measures::unchanged(32) };
        AgainstClip {
            clip_size: (1920, 1080),
            capture_size: (1920, 1080),
            mirrored: [false; 2],
            measures: Some(measures),
        }
    }

    fn with_levels(black: f64, white: f64, gamma: f64) -> AgainstClip {
        let levels =
            LevelMeasures { black: sure(black), white: sure(white), gamma: Some(sure(gamma)), beyond: None };
        let mut picture = same();
        picture.measures = picture.measures.map(|measures| Measures { levels: Some(levels), ..measures });
        picture
    }

    /// Pixels of 1920 × 1080 that each edge lies within the clip.
    fn with_edges(left: f64, right: f64, top: f64, bottom: f64) -> AgainstClip {
        let edges = [left / 1920.0, right / 1920.0, top / 1080.0, bottom / 1080.0]
            .map(|value| Measured { value, error: 0.00005 });
        let mut picture = same();
        picture.measures = picture.measures.map(|measures| Measures { edges, ..measures });
        picture
    }

    fn with_matrix(matrix: [f64; 4], shift: [f64; 2]) -> AgainstClip {
        let chroma = Chroma { matrix: matrix.map(sure), shift: shift.map(sure) };
        let mut picture = same();
        picture.measures = picture.measures.map(|measures| Measures { chroma: Some(chroma), ..measures });
        picture
    }

    fn kinds(against: &AgainstClip) -> Vec<&'static str> {
        against.found().map(|one| one.kind.name()).collect()
    }

    #[test]
    fn each_mistake_has_its_name() {
        // Ranges: ITU-R BT.601 (16 to 235 of 8 bit) and ITU-T H.273, full range (0 to 255). 16 becomes 0 and 235 becomes 255,
        // or 16 becomes 29.7 and 235 becomes 217.8.
        // Equations: ITU-R BT.709-6, 3.2 made anew by those of BT.601-7, 2.5.1, worked out by hand to four digits.
        let to_601 = [0.9899, -0.1107, -0.0725, 0.9834];
        for (against, wanted) in [
            (same(), vec![]),
            (with_levels(0.0, 255.0, 1.0), vec!["range-mistaken"]),
            (with_levels(29.7, 217.8, 1.0), vec!["range-mistaken"]),
            (with_levels(16.0, 235.0, 1.12), vec!["gamma-changed"]),
            (with_levels(22.0, 200.0, 1.0), vec!["levels-changed"]),
            (with_levels(18.0, 233.5, 1.03), vec![]),
            (with_matrix(to_601, [0.0, 0.0]), vec!["matrix-mistaken"]),
            (with_matrix([0.0, 1.0, 1.0, 0.0], [0.0, 0.0]), vec!["chroma-swapped"]),
            (with_matrix([1.0, 0.0, 0.0, 1.0], [3.0, 0.2]), vec!["chroma-shifted"]),
            (with_matrix([1.2, 0.0, 0.0, 1.2], [0.5, -0.5]), vec![]),
            (with_edges(-320.0, -320.0, 0.0, 0.0), vec!["picture-stretched"]),
            (with_edges(0.0, 0.0, -135.0, -135.0), vec!["picture-stretched"]),
            (with_edges(48.0, 48.0, 27.0, 27.0), vec!["picture-cropped"]),
            (with_edges(-48.0, -48.0, -27.0, -27.0), vec!["picture-shrunk"]),
            (with_edges(-6.0, 6.0, 0.0, 0.0), vec!["picture-shifted"]),
            (with_edges(0.4, -0.4, 0.5, 0.5), vec![]),
            (with_edges(240.0, 240.0, 0.0, 0.0), vec!["picture-stretched", "picture-cropped"]),
            (AgainstClip { mirrored: [true, false], ..same() }, vec!["picture-mirrored"]),
        ] {
            assert_eq!(kinds(&against), wanted, "{against:?}");
        }
    }

    #[test]
    fn what_is_not_known_well_is_no_finding() {
        let vague = |measured: Measured| Measured { error: 40.0 * (measured.value.abs() + 1.0), ..measured };
        for mut against in [
            with_levels(0.0, 255.0, 1.3),
            with_matrix([0.0, 1.0, 1.0, 0.0], [9.0, 9.0]),
            with_edges(-320.0, -320.0, 0.0, 0.0),
        ] {
            assert!(!kinds(&against).is_empty());
            let measures = against.measures.as_mut().unwrap();
            measures.edges = measures.edges.map(vague);
            let levels = measures.levels.as_mut().unwrap();
            (levels.black, levels.white) = (vague(levels.black), vague(levels.white));
            levels.gamma = levels.gamma.map(vague);
            let chroma = measures.chroma.as_mut().unwrap();
            (chroma.matrix, chroma.shift) = (chroma.matrix.map(vague), chroma.shift.map(vague));
            assert_eq!(kinds(&against), [] as [&str; 0], "{against:?}");
            against.measures = None;
            assert_eq!(kinds(&against), [] as [&str; 0]);
        }
    }

    #[test]
    fn other_pixels_are_no_other_picture() {
        // 720 × 576 pixels of 16:9, and the same picture with bars above and below in 4:3.
        let wide = AgainstClip { capture_size: (720, 576), ..same() };
        assert_eq!(kinds(&wide), [] as [&str; 0]);
        let bars = AgainstClip { capture_size: (640, 480), ..with_edges(0.0, 0.0, -180.0, -180.0) };
        assert_eq!(kinds(&bars), [] as [&str; 0]);
        // The equations of a new definition are right.
        let matrix = [0.9899, -0.1107, -0.0725, 0.9834];
        let smaller = AgainstClip { capture_size: (720, 576), ..with_matrix(matrix, [0.0; 2]) };
        assert_eq!(kinds(&smaller), [] as [&str; 0]);
    }

    #[test]
    fn what_is_lost_beyond_black_and_white_is_told_from_what_is_not_there() {
        let end = |clip: f64, capture: f64, cut: f64| Beyond {
            clip: Measured { value: clip, error: 0.0001 },
            capture: Measured { value: capture, error: 0.0001 },
            cut: Measured { value: cut, error: 0.05 },
        };
        let none = end(0.0, 0.0, 0.0);
        for (ends, text) in [
            ([none, none], None),
            ([end(0.02, 0.0, 1.0), none], Some("levels below black are clipped at 16: 2 % of the samples are lost")),
            ([none, end(0.01, 0.0, 0.9)], Some("levels above white are clipped at 235: 1 % of the samples are lost")),
            (
                [end(0.02, 0.0, 1.0), end(0.01, 0.0, 0.9)],
                Some("levels are clipped at 16 and 235: 2 % of the samples below black and 1 % of the samples above white are lost"),
            ),
            // Cropped away, still there, or blurred away.
            ([end(0.02, 0.0, 0.0), none], None),
            ([end(0.02, 0.018, 0.1), none], None),
            ([end(0.02, 0.0015, 0.1), none], None),
        ] {
            let levels = LevelMeasures { black: sure(16.0), white: sure(235.0), gamma: None, beyond: Some(ends) };
            assert_eq!(clipped(levels).map(|one| one.text).as_deref(), text);
            // Of a squeezed range nothing is cut off, however much of it now lies at its ends.
            let squeezed = LevelMeasures { black: sure(29.7), white: sure(217.8), ..levels };
            assert!(clipped(squeezed).is_none());
        }
    }

    #[test]
    fn directions_are_said_in_words() {
        for (shift, text) in [
            ([2.0, 0.0], "2.0 px right"),
            ([-2.0, 1.5], "2.0 px left and 1.5 px below"),
            ([0.01, -4.0], "4.0 px above"),
        ] {
            assert_eq!(direction(shift.map(sure)), text);
        }
    }
}
