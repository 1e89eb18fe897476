//! The chart: a lane per device on a common time axis. Pictures that appeared stand up, pictures that never did hang
//! down, as new and repeated frames do in the timeline.

use std::fmt::Write;

use crate::compare::{Comparison, Device, LANE_COLUMNS};
use crate::escape::{markup, visible};
use crate::report::palette;
use crate::report::text::percent_text;
use crate::report::timeline::axis;

/// Width of the chart, px.
const WIDTH: usize = 900;
const MARGIN: usize = 16;
/// Room for names, px.
const NAMES: usize = 150;
/// Characters of a name.
const NAME_COLUMNS: usize = 22;
/// Pixels per column of a lane.
const COLUMN: usize = 3;
/// Height of what appeared and of what did not, px.
const UP: usize = 22;
const DOWN: usize = 22;
const GAP: usize = 14;
const HEAD: usize = 62;
const FOOT: usize = 84;
/// Least height of what is there, px: one picture among thousands shows.
const PRESENCE: f64 = 2.0;

/// The chart as one SVG document.
pub fn svg(comparison: &Comparison) -> String {
    let lane = UP + DOWN + GAP;
    let height = HEAD + comparison.devices.len() * lane + FOOT;
    let mut svg = String::new();
    let title = match comparison.pictures {
        0 => format!("{} devices: pictures not compared", comparison.devices.len()),
        pictures => {
            format!("Which of {pictures} pictures each of {} devices showed", comparison.devices.len())
        }
    };
    let _ = writeln!(
        svg,
        "<svg xmlns=\"http://www.w3.org/2000/svg\" width=\"{WIDTH}\" height=\"{height}\" viewBox=\"0 0 {WIDTH} \
         {height}\" role=\"img\" aria-labelledby=\"lanes-title lanes-description\" font-family=\"sans-serif\" \
         fill=\"{}\">\n<title id=\"lanes-title\">{title}</title>\n<desc id=\"lanes-description\">{}</desc>\n\
         <rect width=\"{WIDTH}\" height=\"{height}\" fill=\"{}\"/>\n\
         <text x=\"{MARGIN}\" y=\"{}\" font-size=\"15\" font-weight=\"bold\">{title}</text>",
        palette::INK,
        markup(&super::sentences(comparison).join(" ")),
        palette::PAPER,
        MARGIN + 14
    );
    push_legend(&mut svg);
    for (place, device) in comparison.devices.iter().enumerate() {
        push_lane(&mut svg, device, HEAD + place * lane);
    }
    push_axis(&mut svg, comparison, HEAD + comparison.devices.len() * lane);
    svg.push_str("</svg>\n");
    svg
}

/// What the shapes mean.
fn push_legend(svg: &mut String) {
    let y = MARGIN + 34;
    let entries = [
        (palette::NEW, "up: appeared"),
        (palette::HOLD_RANGE, "up, light: only within mixes"),
        (palette::FAULT, "down: never appeared"),
        (palette::STILL, "middle: cannot be told"),
    ];
    let mut x = MARGIN;
    for (colour, words) in entries {
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

fn push_lane(svg: &mut String, device: &Device, top: usize) {
    let middle = top + UP;
    let left = MARGIN + NAMES;
    let name: String = visible(&device.name).chars().take(NAME_COLUMNS).collect();
    let share = device.coverage.as_ref().and_then(|coverage| coverage.share());
    let words =
        share.map_or_else(|| "not compared".to_owned(), |share| format!("{} delivered", percent_text(share)));
    let _ = writeln!(
        svg,
        "<g data-lane=\"{}\"><text x=\"{MARGIN}\" y=\"{}\" font-size=\"13\" font-weight=\"bold\">{}</text>\
         <text x=\"{MARGIN}\" y=\"{}\" font-size=\"12\" fill=\"{}\">{words}</text>",
        markup(&device.name),
        middle - 4,
        markup(&name),
        middle + 13,
        palette::QUIET_INK
    );
    if let Some(coverage) = &device.coverage {
        let mut paths = [String::new(), String::new(), String::new(), String::new()];
        for (column, found) in coverage.lane.iter().enumerate() {
            let all = f64::from(found.shown + found.mixed + found.perhaps + found.never);
            let tall = |count: u32, room: usize| match count {
                0 => 0.0,
                count => (f64::from(count) / all * room as f64).max(PRESENCE),
            };
            let x = left + column * COLUMN;
            let (shown, mixed) = (tall(found.shown, UP), tall(found.mixed, UP));
            let mut bar = |path: usize, y: f64, height: f64| {
                if height > 0.0 {
                    let _ = write!(paths[path], "M{x} {y:.1}h{COLUMN}v{height:.1}h-{COLUMN}z");
                }
            };
            bar(0, middle as f64 - shown, shown);
            bar(1, middle as f64 - (shown + mixed).min(UP as f64), (UP as f64 - shown).min(mixed));
            let never = tall(found.never, DOWN);
            bar(2, middle as f64, never);
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
    let _ = writeln!(
        svg,
        "<path d=\"M{left} {middle}h{}\" stroke=\"{}\"/></g>",
        LANE_COLUMNS * COLUMN,
        palette::INK
    );
}

fn push_axis(svg: &mut String, comparison: &Comparison, top: usize) {
    let left = MARGIN + NAMES;
    let width = (LANE_COLUMNS * COLUMN) as f64;
    let shown = 0.0..comparison.duration_s.max(f64::MIN_POSITIVE);
    let _ = writeln!(svg, "<path d=\"M{left} {top}h{width}\" stroke=\"{}\"/>", palette::INK);
    for mark in axis::marks(&shown) {
        let x = left as f64 + mark / shown.end * width;
        let _ = writeln!(
            svg,
            "<path d=\"M{x:.1} {top}v6\" stroke=\"{}\"/><text x=\"{x:.1}\" y=\"{}\" font-size=\"12\" \
             text-anchor=\"middle\">{}</text>",
            palette::INK,
            top + 20,
            axis::label(mark, &shown)
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
