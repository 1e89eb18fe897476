//! `index.html`: the sheet of clips by devices, and the answers to the tester's questions.

use std::fmt::Write;

use serde::Serialize;

use super::answers::{self, answers, breaks_all};
use super::sheet::{counted, look, runs_text, Axis, Look, Sheet, View};
use super::shell::{link, page, push_change, Head};
use super::signs::{self, push_barcode};
use super::{chart, chart_links};
use crate::campaign::model::{Cell, Standing, Way};
use crate::campaign::{CAMPAIGN_CSV, CAMPAIGN_JSON};
use crate::escape::markup;
use crate::report::html::push_data;
use crate::report::inline::CAMPAIGN_SCRIPT;

/// Most cells listed that went one way; the others are marked in the sheet.
const CHANGED_MAX: usize = 5;

/// Least width of the column of clips, and of that of a device, px.
const CLIP_WIDTH: usize = 190;
const DEVICE_WIDTH: usize = 104;

/// The page.
pub(super) fn html(sheet: &Sheet<'_>) -> String {
    let head = Head {
        title: &sheet.campaign.title,
        skip: ("sheet", "Skip to the sheet of clips and devices"),
        script: Some(CAMPAIGN_SCRIPT),
    };
    page(head, |html| {
        push_head(html, sheet);
        push_changes(html, sheet);
        push_wish(html, sheet);
        for view in View::all() {
            push_answers(html, sheet, view);
        }
        push_sheet(html, sheet);
        push_legend(html);
        push_files(html, sheet);
        push_data(html, "looks", &looks(sheet));
    })
}

fn push_head(html: &mut String, sheet: &Sheet<'_>) {
    let _ = writeln!(
        html,
        "<header>\n<p class=\"kicker\">{}: {}, {}, {}</p>\n<h1>{}</h1>",
        markup(&sheet.campaign.title),
        Axis::Devices.counted(sheet.len(Axis::Devices)),
        Axis::Clips.counted(sheet.len(Axis::Clips)),
        counted(sheet.recordings(), "recording"),
        markup(&answers::headline(sheet))
    );
    html.push_str("</header>\n");
}

/// What became of the cells since the earlier campaign: what got worse first.
fn push_changes(html: &mut String, sheet: &Sheet<'_>) {
    let Some(text) = answers::changes(sheet) else { return };
    let _ = writeln!(
        html,
        "<section class=\"since\" aria-label=\"Since the earlier campaign\">\n<p>{}</p>\n<div>",
        markup(&text)
    );
    for (way, title) in [(Way::Worse, "Worse now"), (Way::Mended, "Mended")] {
        push_changed(html, sheet, way, title);
    }
    html.push_str("</div>\n</section>\n");
}

fn push_changed(html: &mut String, sheet: &Sheet<'_>, way: Way, title: &str) {
    let cells = sheet.campaign.cells.iter().enumerate();
    let changed: Vec<(usize, &Cell, &str)> = cells
        .filter_map(|(place, cell)| {
            let change = cell.change.as_ref().filter(|change| change.way == way)?;
            Some((place, cell, change.text.as_str()))
        })
        .collect();
    if changed.is_empty() {
        return;
    }
    let _ = writeln!(html, "<div><h2>{title}</h2>\n<ul>");
    let clips = sheet.len(Axis::Clips).max(1);
    for (place, _, text) in changed.iter().take(CHANGED_MAX) {
        let (device, clip) = (place / clips, place % clips);
        let _ = writeln!(
            html,
            "<li><a href=\"#{}\">{}, {}</a>: {}</li>",
            cell_id(device, clip),
            markup(sheet.name(Axis::Devices, device)),
            markup(sheet.name(Axis::Clips, clip)),
            markup(text)
        );
    }
    if changed.len() > CHANGED_MAX {
        let _ = writeln!(html, "<li>and {} more, marked in the sheet</li>", changed.len() - CHANGED_MAX);
    }
    html.push_str("</ul></div>\n");
}

/// The choices, as a sentence. Without scripts everything is shown, in the order of the plan.
fn push_wish(html: &mut String, sheet: &Sheet<'_>) {
    html.push_str(
        "<form class=\"wish\" aria-label=\"What the sheet shows\">\n<label>Judge by <select id=\"view\">",
    );
    for view in View::all() {
        let _ = write!(html, "<option value=\"{0}\">{0}</option>", view.name());
    }
    html.push_str("</select></label><span>, </span>");
    for (id, axis, first) in [
        ("clips", Axis::Clips, "the most broken first"),
        ("devices", Axis::Devices, "the most often right first"),
    ] {
        let _ = write!(
            html,
            "<label>{id} <select id=\"{id}\"><option value=\"plan\">as planned</option>\
             <option value=\"most\">{first}</option>"
        );
        for other in 0..sheet.len(axis.across()) {
            let _ = write!(
                html,
                "<option value=\"{other}\">{} “{}”</option>",
                match axis {
                    Axis::Clips => "the most broken first on",
                    Axis::Devices => "right first on",
                },
                markup(sheet.name(axis.across(), other))
            );
        }
        html.push_str("</select></label>");
        html.push_str(if axis == Axis::Clips { "<span>, </span>" } else { "<span>.</span>\n" });
    }
    html.push_str("</form>\n");
}

fn push_answers(html: &mut String, sheet: &Sheet<'_>, view: View) {
    let hidden = if view == View::Everything { "" } else { " hidden=\"\"" };
    let _ = writeln!(html, "<dl class=\"answers\" data-view=\"{}\"{hidden}>", view.name());
    for answer in answers(sheet, view) {
        let _ = writeln!(
            html,
            "<div><dt>{}</dt><dd>{}</dd></div>",
            markup(&answer.question),
            markup(&answer.text)
        );
    }
    html.push_str("</dl>\n");
}

fn push_sheet(html: &mut String, sheet: &Sheet<'_>) {
    html.push_str(
        "<p id=\"said\" class=\"unseen\" role=\"status\"></p>\n\
         <div class=\"scroll\" tabindex=\"0\" role=\"group\" aria-label=\"Clips by devices\">\n\
         <table id=\"sheet\" role=\"table\" tabindex=\"-1\"><caption>One row per clip, one column per device. A word \
         leads to the report of that recording.</caption>\n",
    );
    push_columns(html, sheet.len(Axis::Devices));
    html.push_str(
        "<thead role=\"rowgroup\"><tr role=\"row\"><th role=\"columnheader\" scope=\"col\">Clip</th>",
    );
    for device in 0..sheet.len(Axis::Devices) {
        push_device(html, sheet, device);
    }
    html.push_str("</tr></thead>\n<tbody role=\"rowgroup\">\n");
    for clip in 0..sheet.len(Axis::Clips) {
        let _ = write!(html, "<tr role=\"row\" data-line=\"{clip}\">");
        push_clip(html, sheet, clip);
        for (device, cell) in sheet.cells(Axis::Clips, clip).enumerate() {
            push_cell(html, (sheet.name(Axis::Devices, device), device, clip), cell);
        }
        html.push_str("</tr>\n");
    }
    html.push_str("</tbody></table></div>\n");
}

/// Columns of one width, so that the line of a row runs evenly; they share what room is left.
fn push_columns(html: &mut String, devices: usize) {
    let _ = writeln!(
        html,
        "<colgroup><col width=\"{CLIP_WIDTH}\"/>{}</colgroup>",
        format!("<col width=\"{DEVICE_WIDTH}\"/>").repeat(devices)
    );
}

fn push_device(html: &mut String, sheet: &Sheet<'_>, device: usize) {
    let row = &sheet.campaign.devices[device];
    let _ = write!(
        html,
        "<th role=\"columnheader\" scope=\"col\" data-line=\"{device}\"><a href=\"{}.html\">{}</a>",
        sheet.stem(Axis::Devices, device),
        markup(&row.name)
    );
    if let Some(firmware) = &row.firmware {
        let _ = write!(html, "<span class=\"quiet\">{}</span>", markup(firmware));
    }
    push_tally(html, sheet, (Axis::Devices, device));
    html.push_str("</th>");
}

fn push_clip(html: &mut String, sheet: &Sheet<'_>, clip: usize) {
    let row = &sheet.campaign.clips[clip];
    let _ = write!(
        html,
        "<th role=\"rowheader\" scope=\"row\"><a href=\"{}.html\">{}</a>",
        sheet.stem(Axis::Clips, clip),
        markup(&row.name)
    );
    let rate = row.rate.as_ref().map(|rate| format!("{rate} pictures/s"));
    let facts: Vec<&str> = [&rate, &row.scan].into_iter().flatten().map(String::as_str).collect();
    if !facts.is_empty() {
        let _ = write!(html, "<span class=\"quiet\">{}</span>", markup(&facts.join(", ")));
    }
    push_tally(html, sheet, (Axis::Clips, clip));
    html.push_str("</th>");
}

fn push_tally(html: &mut String, sheet: &Sheet<'_>, (axis, line): (Axis, usize)) {
    let tally = sheet.tally(axis, line, View::Everything);
    let breaks = if axis == Axis::Clips && breaks_all(tally) { ", breaks everybody" } else { "" };
    let _ = write!(
        html,
        "<span class=\"tally\">right on {} of {}{breaks}</span>",
        tally.count(Standing::Right),
        tally.all()
    );
}

/// The id of a cell, for links within the page.
fn cell_id(device: usize, clip: usize) -> String {
    format!("c{device}-{clip}")
}

fn push_cell(html: &mut String, (name, device, clip): (&str, usize, usize), cell: &Cell) {
    let Look { standing, number, text, .. } = look(cell, View::Everything);
    let _ = write!(
        html,
        "<td role=\"cell\" id=\"{}\" data-line=\"{device}\"><span class=\"label\" aria-hidden=\"true\">{}</span>",
        cell_id(device, clip),
        markup(name)
    );
    signs::push(html, standing);
    let word = standing.words();
    let _ = match cell.result() {
        Some(result) => write!(
            html,
            "<a class=\"word\" href=\"{}/report.html\" title=\"{}\">{word}</a>",
            link(&result.folder),
            markup(text)
        ),
        None => write!(html, "<span class=\"word\" title=\"{}\">{word}</span>", markup(text)),
    };
    let _ = write!(html, "<span class=\"number\">{}</span>", markup(number));
    if let Some(result) = cell.result() {
        push_barcode(html, &result.barcode.frames);
    }
    push_change(html, cell);
    if let Some(runs) = runs_text(cell) {
        let _ = write!(html, "<span class=\"runs\">{runs}</span>");
    }
    html.push_str("</td>");
}

fn push_legend(html: &mut String) {
    html.push_str(
        "<section class=\"legend\" aria-label=\"What the signs mean\">\n<h2>How to read it</h2>\n<ul>\n",
    );
    for standing in signs::LEGEND {
        html.push_str("<li>");
        signs::push(html, standing);
        let _ = writeln!(html, "<span><b>{}</b>: {}</span></li>", standing.words(), meaning(standing));
    }
    html.push_str("</ul>\n<ul>\n");
    for (barcode, meaning) in [
        ("nnnnnnnn", "each stroke is one frame; one that stands up shows a new picture"),
        ("nrnrnrnr", "one that hangs down shows the picture before again"),
        ("nmnmnmnm", "a short one mixes two pictures"),
        ("nnononon", "a long one comes out of its order"),
        ("ssssssss", "a dash: nothing moves, so that nothing can be told"),
    ] {
        html.push_str("<li>");
        push_barcode(html, barcode);
        let _ = writeln!(html, "<span>{meaning}</span></li>");
    }
    html.push_str("</ul>\n</section>\n");
}

/// What a word stands for.
fn meaning(standing: Standing) -> &'static str {
    match standing {
        Standing::Right => "as it should be",
        Standing::Wrong => "not as it should be, with evidence in the report",
        Standing::CannotBeTold => "the recording shows neither",
        Standing::NotWhole => "the recording could not be read, or not to its end",
        Standing::NotTested => "not recorded, or nothing to judge it by",
    }
}

fn push_files(html: &mut String, sheet: &Sheet<'_>) {
    let _ = writeln!(
        html,
        "<footer><p>To show: {0}. For programs: <a \
         href=\"{CAMPAIGN_JSON}\">{CAMPAIGN_JSON}</a>, <a href=\"{CAMPAIGN_CSV}\">{CAMPAIGN_CSV}</a>. Made by evenbeat \
         {1}.</p></footer>",
        chart_links(chart::CAMPAIGN_STEM),
        markup(&sheet.campaign.tool_version)
    );
}

/// Standing of a cell by its place in the list of all, its number and its sentence.
type CellLook<'a> = (usize, &'a str, &'a str);

/// What the script shows in other views.
#[derive(Serialize)]
struct Looks<'a> {
    /// Standings by their places in `cells`: name, word.
    standings: Vec<(&'static str, &'static str)>,
    /// Devices.
    devices: usize,
    /// Clips.
    clips: usize,
    /// For each view the cells in the order of `campaign.json`: standing, number, sentence.
    views: Vec<(&'static str, Vec<CellLook<'a>>)>,
}

fn looks(sheet: &Sheet<'_>) -> String {
    let of_cell = |cell, view| {
        let look: Look<'_> = look(cell, view);
        (look.standing.rank(), look.number, look.text)
    };
    let looks = Looks {
        standings: Standing::ALL.map(|standing| (standing.name(), standing.words())).to_vec(),
        devices: sheet.len(Axis::Devices),
        clips: sheet.len(Axis::Clips),
        views: View::all()
            .map(|view| (view.name(), sheet.campaign.cells.iter().map(|cell| of_cell(cell, view)).collect()))
            .collect(),
    };
    serde_json::to_string(&looks).expect("plain structs always serialize")
}
