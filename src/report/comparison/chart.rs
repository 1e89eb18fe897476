//! The chart: a lane per device on a common time axis. Pictures that appeared stand up, pictures that never did hang
//! down, as new and repeated frames do in the timeline.

use std::fmt::Write;

use crate::compare::{Comparison, Coverage, Device, LaneColumn, LANE_COLUMNS};
use crate::escape::{markup, visible};
use crate::report::palette;
use crate::report::text::{percent_text, wrap};
use crate::report::timeline::axis;

/// Width of the chart, px.
const WIDTH: usize = 900;
const MARGIN: usize = 16;
/// Width of a lane, px.
const LANE: usize = WIDTH - 2 * MARGIN;
/// Characters of a line of the title, of a name and of what is said of a device: at most 9 and 7 px each.
const TITLE_COLUMNS: usize = 96;
const NAME_COLUMNS: usize = 110;
/// Height of a line of text, px.
const LINE: usize = 18;
/// Height of what appeared and of what did not, px.
const UP: usize = 22;
const DOWN: usize = 22;
const GAP: usize = 14;
const FOOT: usize = 52;
/// Least height of what is there, px: one picture among thousands shows.
const PRESENCE: f64 = 2.0;
/// Pictures that a share is taken over where a device skips regularly, so that an even skip is an even line.
const SHARE_PICTURES: u32 = 24;

/// The chart as one SVG document.
pub fn svg(comparison: &Comparison) -> String {
    let title = super::title(comparison);
    let lines = wrap(&visible(&title), TITLE_COLUMNS);
    let head = MARGIN + lines.len() * LINE + 2 * LINE;
    let blocks: Vec<Block> = comparison.devices.iter().map(Block::new).collect();
    let height = head + blocks.iter().map(Block::height).sum::<usize>() + FOOT;
    let mut svg = String::new();
    let _ = writeln!(
        svg,
        "<svg xmlns=\"http://www.w3.org/2000/svg\" width=\"{WIDTH}\" height=\"{height}\" viewBox=\"0 0 {WIDTH} \
         {height}\" role=\"img\" aria-labelledby=\"lanes-title lanes-description\" font-family=\"sans-serif\" \
         fill=\"{}\">\n<title id=\"lanes-title\">{}</title>\n<desc id=\"lanes-description\">{}</desc>\n\
         <rect width=\"{WIDTH}\" height=\"{height}\" fill=\"{}\"/>",
        palette::INK,
        markup(&title),
        markup(&super::sentences(comparison).join(" ")),
        palette::PAPER
    );
    for (place, line) in lines.iter().enumerate() {
        let _ = writeln!(
            svg,
            "<text x=\"{MARGIN}\" y=\"{}\" font-size=\"15\" font-weight=\"bold\">{}</text>",
            MARGIN + 14 + place * LINE,
            markup(line)
        );
    }
    push_legend(&mut svg, comparison, MARGIN + lines.len() * LINE + LINE);
    let mut top = head;
    for (device, block) in comparison.devices.iter().zip(&blocks) {
        push_block(&mut svg, device, block, top);
        top += block.height();
    }
    push_axis(&mut svg, comparison, top);
    svg.push_str("</svg>\n");
    svg
}

/// One device: its name and what is said of it, whole, above its lane.
struct Block {
    name: Vec<String>,
    words: Vec<String>,
}

impl Block {
    fn new(device: &Device) -> Self {
        let share = device.coverage.as_ref().and_then(|coverage| coverage.share());
        let words = match (super::device_text(device), share) {
            (Some(text), Some(share)) => format!("{} delivered: {text}", percent_text(share)),
            _ => "not compared".to_owned(),
        };
        let words = match super::details(device) {
            Some(details) => format!("{words} ({details})"),
            None => words,
        };
        Self { name: wrap(&visible(&device.name), NAME_COLUMNS), words: wrap(&words, NAME_COLUMNS) }
    }

    fn height(&self) -> usize {
        (self.name.len() + self.words.len()) * LINE + UP + DOWN + GAP
    }
}

/// What the shapes mean that are drawn.
fn push_legend(svg: &mut String, comparison: &Comparison, y: usize) {
    let any = |count: fn(&Coverage) -> u64| {
        comparison.devices.iter().filter_map(|device| device.coverage.as_ref()).any(|one| count(one) > 0)
    };
    let entries = [
        (any(|one| one.shown), palette::NEW, "up: appeared"),
        (any(|one| one.only_mixed), palette::HOLD_RANGE, "up, light: only within mixes"),
        (any(|one| one.never), palette::FAULT, "down: never appeared"),
        (any(|one| one.perhaps), palette::STILL, "middle: cannot be told"),
    ];
    let mut x = MARGIN;
    for (_, colour, words) in entries.into_iter().filter(|(is_drawn, ..)| *is_drawn) {
        let _ = writeln!(
            svg,
            "<rect x=\"{x}\" y=\"{}\" width=\"12\" height=\"12\" fill=\"{colour}\"/>\
             <text x=\"{}\" y=\"{y}\" font-size=\"12\">{words}</text>",
            y - 11,
            x + 17
        );
        x += 40 + words.len() * 7;
    }
}

/// A device's name, what is said of it, and its lane.
fn push_block(svg: &mut String, device: &Device, block: &Block, top: usize) {
    let _ = writeln!(svg, "<g data-lane=\"{}\">", markup(&device.name));
    let mut baseline = top + 13;
    for line in &block.name {
        let _ = writeln!(
            svg,
            "<text x=\"{MARGIN}\" y=\"{baseline}\" font-size=\"13\" font-weight=\"bold\">{}</text>",
            markup(line)
        );
        baseline += LINE;
    }
    for line in &block.words {
        let _ = writeln!(
            svg,
            "<text x=\"{MARGIN}\" y=\"{baseline}\" font-size=\"12\" fill=\"{}\">{}</text>",
            palette::QUIET_INK,
            markup(line)
        );
        baseline += LINE;
    }
    let middle = top + (block.name.len() + block.words.len()) * LINE + UP;
    if let Some(coverage) = &device.coverage {
        push_lane(svg, coverage, middle);
    }
    let _ = writeln!(svg, "<path d=\"M{MARGIN} {middle}h{LANE}\" stroke=\"{}\"/></g>", palette::INK);
}

fn push_lane(svg: &mut String, coverage: &Coverage, middle: usize) {
    let mut paths = [String::new(), String::new(), String::new(), String::new()];
    let edge = |column: usize| MARGIN + column * LANE / LANE_COLUMNS;
    let regular = super::regular_share(coverage).map(|(share, _)| share);
    for column in 0..coverage.lane.len() {
        let own = coverage.lane[column];
        if own == LaneColumn::default() {
            continue;
        }
        let found = if regular.is_some() { evened(&coverage.lane, column) } else { own };
        let shares = shares(found, regular);
        let tall = |share: f64, room: usize| match share {
            0.0 => 0.0,
            share => (share * room as f64).max(PRESENCE),
        };
        let (x, width) = (edge(column), edge(column + 1) - edge(column));
        let (shown, mixed) = (tall(shares.shown, UP), tall(shares.mixed, UP));
        let mut bar = |path: usize, y: f64, height: f64| {
            if height > 0.0 {
                let _ = write!(paths[path], "M{x} {y:.1}h{width}v{height:.1}h-{width}z");
            }
        };
        bar(0, middle as f64 - shown, shown);
        bar(1, middle as f64 - (shown + mixed).min(UP as f64), (UP as f64 - shown).min(mixed));
        bar(2, middle as f64, tall(shares.never, DOWN));
        if found.perhaps > 0 {
            bar(3, middle as f64 - 3.0, 6.0);
        }
    }
    for (path, colour) in
        paths.iter().zip([palette::NEW, palette::HOLD_RANGE, palette::FAULT, palette::STILL])
    {
        if !path.is_empty() {
            let _ = writeln!(svg, "<path d=\"{path}\" fill=\"{colour}\"/>");
        }
    }
}

/// Shares of the pictures of a column.
struct Shares {
    shown: f64,
    mixed: f64,
    never: f64,
}

/// Where every picture either appears or does not, a share within a picture of the `regular` one is that: which end of a column a
/// picture falls on says nothing.
fn shares(found: LaneColumn, regular: Option<f64>) -> Shares {
    let all = f64::from(found.shown + found.mixed + found.perhaps + found.never);
    let [shown, mixed, never] = [found.shown, found.mixed, found.never].map(|count| f64::from(count) / all);
    match regular.filter(|regular| found.mixed + found.perhaps == 0 && (shown - regular).abs() * all <= 1.0) {
        Some(shown) => Shares { shown, mixed: 0.0, never: 1.0 - shown },
        None => Shares { shown, mixed, never },
    }
}

/// A column with so many of its neighbours that a regular skip gives an even line and no teeth.
fn evened(lane: &[LaneColumn], column: usize) -> LaneColumn {
    let mut sum = lane[column];
    let all = |sum: &LaneColumn| sum.shown + sum.mixed + sum.perhaps + sum.never;
    for far in 1..lane.len() {
        if all(&sum) >= SHARE_PICTURES {
            break;
        }
        let beside = [column.checked_sub(far), Some(column + far).filter(|&at| at < lane.len())];
        for at in beside.into_iter().flatten() {
            sum.shown += lane[at].shown;
            sum.mixed += lane[at].mixed;
            sum.perhaps += lane[at].perhaps;
            sum.never += lane[at].never;
        }
    }
    sum
}

fn push_axis(svg: &mut String, comparison: &Comparison, top: usize) {
    let left = MARGIN;
    let width = LANE as f64;
    let shown = 0.0..comparison.duration_s.max(f64::MIN_POSITIVE);
    let _ = writeln!(svg, "<path d=\"M{left} {top}h{width}\" stroke=\"{}\"/>", palette::INK);
    for tick in axis::ticks(&shown) {
        let x = left as f64 + tick / shown.end * width;
        let _ = writeln!(
            svg,
            "<path d=\"M{x:.1} {top}v6\" stroke=\"{}\"/><text x=\"{x:.1}\" y=\"{}\" font-size=\"12\" \
             text-anchor=\"middle\">{}</text>",
            palette::INK,
            top + 20,
            axis::label(tick, &shown)
        );
    }
    let name = if comparison.pictures > 0 { "time of the clip" } else { "time" };
    let axis_name = axis::name(shown.end);
    let unit = axis_name.rsplit(", ").next().unwrap_or_default();
    let _ = writeln!(
        svg,
        "<text x=\"{}\" y=\"{}\" font-size=\"12\" text-anchor=\"middle\">{name}, {unit}</text>",
        left as f64 + width / 2.0,
        top + 40
    );
}
