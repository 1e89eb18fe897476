//! Charts to show in a text or a video: 16:9, letters that can be read from the back of a room. Each line of the chart is
//! the line of the signs: it runs level where a device plays right, and a piece of it has fallen where it does not.

use std::fmt::Write;

use super::answers;
use super::lines;
use super::sheet::{look, Axis, Sheet, Tally, View};
use super::signs::{barcode_paths, path, LEGEND};
use crate::campaign::model::{Cell, Standing};
use crate::escape::markup;
use crate::report::palette;

/// File name of the campaign's chart, without what tells the kinds apart.
pub(super) const CAMPAIGN_STEM: &str = "campaign";
/// Size, units: pixels of the picture.
const WIDTH: usize = 1920;
const HEIGHT: usize = 1080;
const MARGIN: usize = 80;
/// Most lines drawn; more would be too small to read.
const LINES_MAX: usize = 12;
/// Letters of names, the smallest of what must be read, units.
const LETTERS: usize = 34;
/// Where names end and lines begin.
const NAMES: usize = 560;
/// Where lines end and what they come to begins.
const WORDS: usize = 1480;
/// Below the title.
const TOP: usize = 250;
/// Above the legend.
const BOTTOM: usize = 950;
/// Between lines and what they come to.
const WORDS_GAP: usize = 30;
/// What a sign before a line takes.
const MARK_ROOM: usize = 130;
/// The smallest letters, where a name or a number is long.
const LETTERS_MIN: usize = 24;
/// Most letters of a line of the title.
const TITLE_MAX: usize = 60;
/// Width of a letter for its height, about: that of the font that comes along.
const LETTER_WIDTH: f64 = 0.58;

/// What stands beside one line.
struct Lane<'a> {
    name: &'a str,
    picture: LanePicture<'a>,
    word: String,
    number: String,
}

/// The line itself.
enum LanePicture<'a> {
    /// A sign for each cell.
    Signs(Vec<Standing>),
    /// How many cells came out how: for more cells than can be told apart.
    Shares(Tally),
    /// One cell: its sign and its frames.
    Frames(Standing, &'a str),
}

/// Most signs side by side on a line.
const SIGNS_MAX: usize = 40;

/// The chart of all devices, as SVG.
pub(super) fn campaign(sheet: &Sheet<'_>) -> String {
    let lanes = (0..sheet.len(Axis::Devices)).map(|device| whole_lane(sheet, device)).collect();
    document(&sheet.campaign.title, &answers::headline(sheet), (lanes, Axis::Devices))
}

/// The chart of one device or clip, as SVG.
pub(super) fn line(sheet: &Sheet<'_>, axis: Axis, line: usize) -> String {
    let across = axis.across();
    let cells = sheet.cells(axis, line).enumerate();
    let lanes = cells.map(|(other, cell)| cell_lane(sheet.name(across, other), cell)).collect();
    document(&sheet.campaign.title, &lines::sentence(sheet, axis, line), (lanes, across))
}

fn whole_lane<'a>(sheet: &Sheet<'a>, device: usize) -> Lane<'a> {
    let tally = sheet.tally(Axis::Devices, device, View::Everything);
    let standings = sheet.cells(Axis::Devices, device).map(|cell| cell.standing);
    let wrong: Vec<&str> =
        answers::always_wrong(sheet, Axis::Devices, device).into_iter().map(|aspect| aspect.name()).collect();
    Lane {
        name: sheet.name(Axis::Devices, device),
        picture: if tally.all() <= SIGNS_MAX {
            LanePicture::Signs(standings.collect())
        } else {
            LanePicture::Shares(tally)
        },
        word: format!("right on {} of {}", tally.count(Standing::Right), tally.all()),
        number: if wrong.is_empty() {
            String::new()
        } else {
            format!("always wrong: {}", answers::listed(&wrong))
        },
    }
}

fn cell_lane<'a>(name: &'a str, cell: &'a Cell) -> Lane<'a> {
    let look = look(cell, View::Everything);
    let frames = cell.result().map_or("", |result| result.barcode.frames.as_str());
    Lane {
        name,
        picture: LanePicture::Frames(look.standing, frames),
        word: look.standing.words().to_owned(),
        number: look.number.to_owned(),
    }
}

fn document(campaign: &str, title: &str, (lanes, axis): (Vec<Lane<'_>>, Axis)) -> String {
    let mut svg = format!(
        "<svg xmlns=\"http://www.w3.org/2000/svg\" viewBox=\"0 0 {WIDTH} {HEIGHT}\" width=\"{WIDTH}\" \
         height=\"{HEIGHT}\" font-family=\"sans-serif\" fill=\"{}\" role=\"img\">\n<title>{}</title>\n\
         <desc>{}</desc>\n<rect width=\"{WIDTH}\" height=\"{HEIGHT}\" fill=\"{}\"/>\n",
        palette::INK,
        markup(title),
        markup(&described(&lanes)),
        palette::PAPER,
    );
    push_title(&mut svg, campaign, title);
    let shown = lanes.len().min(LINES_MAX);
    let pitch = ((BOTTOM - TOP) / shown.max(1)).min(150);
    for (place, lane) in lanes.iter().take(shown).enumerate() {
        push_lane(&mut svg, lane, (TOP + place * pitch, pitch));
    }
    if lanes.len() > shown {
        push_text(
            &mut svg,
            (MARGIN, BOTTOM + 34),
            (28, "normal"),
            &format!("and {} more", axis.counted(lanes.len() - shown)),
        );
    }
    push_legend(&mut svg);
    svg.push_str("</svg>\n");
    svg
}

/// What the chart shows, for those who do not see it.
fn described(lanes: &[Lane<'_>]) -> String {
    let told = lanes.iter().take(LINES_MAX).map(|lane| {
        let number = if lane.number.is_empty() { String::new() } else { format!(", {}", lane.number) };
        format!("{}: {}{number}.", lane.name, lane.word)
    });
    told.collect::<Vec<_>>().join(" ")
}

fn push_text(svg: &mut String, (x, y): (usize, usize), (size, weight): (usize, &str), text: &str) {
    if text.is_empty() {
        return;
    }
    let _ = writeln!(
        svg,
        "<text x=\"{x}\" y=\"{y}\" font-size=\"{size}\" font-weight=\"{weight}\">{}</text>",
        markup(text)
    );
}

fn push_title(svg: &mut String, campaign: &str, title: &str) {
    push_text(svg, (MARGIN, 82), (30, "normal"), &cut(campaign, 2 * TITLE_MAX));
    let size = if title.chars().count() > TITLE_MAX { 44 } else { 56 };
    for (place, line) in wrapped(title, TITLE_MAX).iter().take(2).enumerate() {
        push_text(svg, (MARGIN, 148 + place * (size + 8)), (size, "bold"), line);
    }
}

/// Lines of at most `length` letters, broken between words.
fn wrapped(text: &str, length: usize) -> Vec<String> {
    let mut lines: Vec<String> = Vec::new();
    for word in text.split_whitespace() {
        match lines.last_mut() {
            Some(line) if line.chars().count() + 1 + word.chars().count() <= length => {
                line.push(' ');
                line.push_str(word);
            }
            _ => lines.push(cut(word, length)),
        }
    }
    lines
}

/// At most `length` letters, with a sign where some are missing.
fn cut(text: &str, length: usize) -> String {
    if text.chars().count() <= length {
        return text.to_owned();
    }
    let mut kept: String = text.chars().take(length.saturating_sub(1)).collect();
    kept.push('…');
    kept
}

fn push_lane(svg: &mut String, lane: &Lane<'_>, (top, pitch): (usize, usize)) {
    let middle = top + pitch / 2;
    let letters = LETTERS.min(pitch * 2 / 3);
    push_fitted(
        svg,
        (MARGIN, middle + letters / 3),
        (letters, "bold"),
        (lane.name, NAMES - MARGIN - MARK_ROOM),
    );
    let height = (pitch * 3 / 5).min(60);
    match &lane.picture {
        LanePicture::Signs(standings) => push_signs(svg, standings, (middle - height / 2, height)),
        LanePicture::Shares(tally) => push_shares(svg, *tally, (middle - height / 2, height)),
        LanePicture::Frames(standing, frames) => {
            push_frames(svg, (*standing, frames), (middle - height / 2, height));
        }
    }
    let room = WIDTH - MARGIN / 2 - WORDS - WORDS_GAP;
    // Two lines need room between them.
    let letters = if lane.number.is_empty() { letters } else { letters.min(pitch / 2) };
    let raised = if lane.number.is_empty() { 0 } else { letters * 11 / 20 };
    let x = WORDS + WORDS_GAP;
    push_fitted(svg, (x, middle + letters / 3 - raised), (letters, "bold"), (&lane.word, room));
    push_fitted(svg, (x, middle + letters * 2 / 3), (letters * 4 / 5, "normal"), (&lane.number, room));
}

/// A text that stays within its room: in smaller letters, and where they would be too small, not all of it.
fn push_fitted(
    svg: &mut String,
    (x, y): (usize, usize),
    (size, weight): (usize, &str),
    (text, room): (&str, usize),
) {
    let fits = |letters: usize| (room as f64 / (letters as f64 * LETTER_WIDTH)) as usize;
    let count = text.chars().count();
    let size = (LETTERS_MIN..=size).rev().find(|&letters| count <= fits(letters)).unwrap_or(LETTERS_MIN);
    push_text(svg, (x, y), (size, weight), &cut(text, fits(size)));
}

/// The colour and the width of a sign's stroke.
fn ink(standing: Standing) -> (&'static str, usize) {
    match standing {
        Standing::Right => (palette::NEW, 9),
        Standing::Wrong => (palette::FAULT, 12),
        Standing::CannotBeTold => (palette::QUIET_INK, 8),
        Standing::NotWhole => (palette::INK, 9),
        Standing::NotTested => (palette::STILL, 8),
    }
}

/// A sign over `width` units from `x` on.
fn push_sign(svg: &mut String, standing: Standing, (x, y): (f64, usize), (width, height): (f64, usize)) {
    let (colour, stroke) = ink(standing);
    let _ = writeln!(
        svg,
        "<path class=\"mark\" d=\"{}\" fill=\"none\" stroke=\"{colour}\" stroke-width=\"{stroke}\"/>",
        path(standing, (x, y as f64), (width, height as f64))
    );
}

fn push_signs(svg: &mut String, standings: &[Standing], (y, height): (usize, usize)) {
    let each = (WORDS - NAMES) as f64 / standings.len().max(1) as f64;
    for (place, &standing) in standings.iter().enumerate() {
        push_sign(svg, standing, (NAMES as f64 + place as f64 * each, y), (each, height));
    }
}

fn push_shares(svg: &mut String, tally: Tally, (y, height): (usize, usize)) {
    let all = (WORDS - NAMES) as f64 / tally.all().max(1) as f64;
    let mut x = NAMES as f64;
    for standing in LEGEND {
        let width = tally.count(standing) as f64 * all;
        if width > 0.0 {
            push_sign(svg, standing, (x, y), (width, height));
        }
        x += width;
    }
}

/// Frames up and down, and the sign where there are none.
fn push_frames(svg: &mut String, (standing, frames): (Standing, &str), (y, height): (usize, usize)) {
    push_sign(svg, standing, ((NAMES - 110) as f64, y), (80.0, height));
    let count = frames.chars().count();
    if count == 0 {
        return;
    }
    let colours = [palette::NEW, palette::REPEAT, palette::STILL, palette::HOLD_RANGE, palette::FAULT];
    let wide = (WORDS - NAMES) as f64 / (2 * count) as f64;
    let _ = writeln!(
        svg,
        "<g transform=\"translate({NAMES} {y}) scale({wide:.4} {:.4})\">",
        height as f64 / 16.0
    );
    for ((_, path), colour) in barcode_paths(frames, (2, 8)).iter().zip(colours) {
        if !path.is_empty() {
            let _ = writeln!(svg, "<path d=\"{path}\" fill=\"{colour}\"/>");
        }
    }
    svg.push_str("</g>\n");
}

fn push_legend(svg: &mut String) {
    let each = (WIDTH - 2 * MARGIN) / LEGEND.len();
    for (place, standing) in LEGEND.into_iter().enumerate() {
        let x = MARGIN + place * each;
        push_sign(svg, standing, (x as f64, 1008), (80.0, 24));
        push_text(svg, (x + 96, 1028), (28, "normal"), standing.words());
    }
}

#[cfg(test)]
mod tests {
    use super::super::testing;
    use super::*;

    #[test]
    fn every_chart_is_well_formed_and_says_what_it_shows() {
        let wide = "rwcxn".repeat(20);
        for rows in [&["rwcxn", "rrrrr"][..], &["r"], &[wide.as_str()], &[]] {
            let mut data = testing::campaign(rows);
            data.title = "<&\u{202e}>".repeat(40);
            for device in &mut data.devices {
                device.name = format!("</text><script>{}", device.name);
            }
            let sheet = Sheet::of(&data);
            let mut charts = vec![campaign(&sheet)];
            for axis in [Axis::Devices, Axis::Clips] {
                charts.extend((0..sheet.len(axis)).map(|number| line(&sheet, axis, number)));
            }
            for chart in charts {
                let document = roxmltree::Document::parse(&chart).expect("well-formed");
                assert!(!document.descendants().any(|node| node.has_tag_name("script")));
                assert!(document.descendants().any(|node| node.has_tag_name("title")));
            }
        }
    }

    #[test]
    fn more_devices_than_can_be_read_are_counted() {
        let data = testing::campaign(&["r".repeat(1000).as_str()]);
        let chart = campaign(&Sheet::of(&data));
        assert!(chart.contains("and 988 more") || chart.contains("and 988 devices more"), "{chart}");
        assert!(chart.len() < 20_000, "{}", chart.len());
    }

    #[test]
    fn many_clips_are_drawn_as_shares() {
        let rows = vec!["rw"; SIGNS_MAX + 1];
        let data = testing::campaign(&rows);
        let sheet = Sheet::of(&data);
        assert!(matches!(whole_lane(&sheet, 0).picture, LanePicture::Shares(_)));
        assert_eq!(campaign(&sheet).matches("class=\"mark\"").count(), 2 + LEGEND.len());
    }

    #[test]
    fn titles_break_between_words() {
        for (text, expected) in
            [("", &[][..]), ("one two three", &["one two", "three"]), ("abcdefghijk", &["abcdefg…"])]
        {
            assert_eq!(wrapped(text, 8), expected);
        }
    }
}
