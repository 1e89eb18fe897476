//! The page of one device, and that of one clip: its cells beside each other, aspect by aspect.

use std::fmt::Write;

use super::answers::{always_wrong, breaks_all, listed};
use super::chart_links;
use super::sheet::{look, runs_text, Axis, Look, Sheet, View};
use super::shell::{link, page, push_change, Head};
use super::signs::{self, push_barcode};
use crate::campaign::model::{Aspect, Cell, Run, Standing};
use crate::escape::markup;

/// From a line's page back to the campaign's folder.
const UP: &str = "../";

/// The page of a line.
pub(super) fn html(sheet: &Sheet<'_>, axis: Axis, line: usize) -> String {
    let name = sheet.name(axis, line);
    let title = format!("{name}, {}", sheet.campaign.title);
    let head = Head { title: &title, skip: ("cells", "Skip to the comparison"), script: None };
    page(head, |html| {
        push_way(html, sheet, (axis, line));
        let _ = writeln!(
            html,
            "<header>\n<p class=\"kicker\">{}</p>\n<h1>{}</h1>\n</header>",
            markup(name),
            markup(&sentence(sheet, axis, line))
        );
        push_facts(html, &facts(sheet, axis, line));
        push_cells(html, sheet, (axis, line));
        push_pictures(html, sheet, (axis, line));
    })
}

/// The way to the index and to the lines beside this one.
fn push_way(html: &mut String, sheet: &Sheet<'_>, (axis, line): (Axis, usize)) {
    let _ = write!(
        html,
        "<nav aria-label=\"Pages of the campaign\"><a href=\"{UP}index.html\">all clips and devices</a>"
    );
    let beside = [("before", line.checked_sub(1)), ("next", Some(line + 1))];
    for (word, other) in beside {
        let Some(other) = other.filter(|&other| other < sheet.len(axis)) else { continue };
        let _ = write!(
            html,
            "<span><span class=\"quiet\">{word}:</span> <a href=\"{UP}{}.html\">{}</a></span>",
            sheet.stem(axis, other),
            markup(sheet.name(axis, other))
        );
    }
    html.push_str("</nav>\n");
}

/// What there is to say first.
pub(super) fn sentence(sheet: &Sheet<'_>, axis: Axis, line: usize) -> String {
    let tally = sheet.tally(axis, line, View::Everything);
    let (right, wrong, all) = (tally.count(Standing::Right), tally.count(Standing::Wrong), tally.all());
    let name = sheet.name(axis, line);
    match axis {
        Axis::Devices => {
            let aspects: Vec<&str> = always_wrong(sheet, axis, line).into_iter().map(Aspect::name).collect();
            if tally.tested() == 0 {
                format!("{name} is not tested.")
            } else if !aspects.is_empty() && tally.tested() > 1 {
                format!("{name} gets {} wrong everywhere.", listed(&aspects))
            } else if wrong == 0 && right < all {
                format!(
                    "{name} is right on {right} of {}; nothing was found wrong.",
                    Axis::Clips.counted(all)
                )
            } else {
                format!("{name} is right on {right} of {}.", Axis::Clips.counted(all))
            }
        }
        Axis::Clips if tally.tested() == 0 => format!("{name} is not tested."),
        Axis::Clips if breaks_all(tally) => format!("{name} breaks everybody."),
        Axis::Clips => {
            let verb = if right == 1 { "plays" } else { "play" };
            format!("{right} of {} {verb} {name} right.", Axis::Devices.counted(all))
        }
    }
}

/// What is known of a line: words and values.
fn facts<'a>(sheet: &Sheet<'a>, axis: Axis, line: usize) -> Vec<(&'static str, Vec<&'a str>)> {
    let one = |value: &'a Option<String>| value.as_deref().into_iter().collect::<Vec<&str>>();
    let facts = match axis {
        Axis::Devices => {
            let device = &sheet.campaign.devices[line];
            vec![
                ("Firmware", one(&device.firmware)),
                ("Settings", one(&device.settings)),
                ("Recorder", one(&device.recorder)),
            ]
        }
        Axis::Clips => {
            let clip = &sheet.campaign.clips[line];
            vec![
                ("File", one(&clip.file)),
                ("Pictures per second", one(&clip.rate)),
                ("Scan", one(&clip.scan)),
                ("Required", clip.requirements.iter().map(String::as_str).collect()),
                ("BLAKE3", one(&clip.blake3)),
            ]
        }
    };
    facts.into_iter().filter(|(_, values)| !values.is_empty()).collect()
}

fn push_facts(html: &mut String, facts: &[(&'static str, Vec<&str>)]) {
    if facts.is_empty() {
        return;
    }
    html.push_str("<dl class=\"facts\">\n");
    for (name, values) in facts {
        let _ = writeln!(html, "<div><dt>{name}</dt><dd>{}</dd></div>", markup(&values.join(", ")));
    }
    html.push_str("</dl>\n");
}

fn push_cells(html: &mut String, sheet: &Sheet<'_>, (axis, line): (Axis, usize)) {
    let across = axis.across();
    let _ = write!(
        html,
        "<div class=\"scroll\" tabindex=\"0\" role=\"group\" aria-label=\"Comparison\">\n\
         <table id=\"cells\" class=\"lines\" role=\"table\" tabindex=\"-1\"><caption>One row per {}, one column per \
         aspect.</caption>\n<thead role=\"rowgroup\"><tr role=\"row\">\
         <th role=\"columnheader\" scope=\"col\">{}</th><th role=\"columnheader\" scope=\"col\">Found</th>",
        across.noun(),
        match across {
            Axis::Devices => "Device",
            Axis::Clips => "Clip",
        },
    );
    for aspect in Aspect::ALL {
        let _ = write!(html, "<th role=\"columnheader\" scope=\"col\">{}</th>", aspect.name());
    }
    html.push_str("</tr></thead>\n<tbody role=\"rowgroup\">\n");
    for (other, cell) in sheet.cells(axis, line).enumerate() {
        let _ = write!(
            html,
            "<tr role=\"row\"><th role=\"rowheader\" scope=\"row\"><a href=\"{UP}{}.html\">{}</a>",
            sheet.stem(across, other),
            markup(sheet.name(across, other))
        );
        if let Some(firmware) = firmware(sheet, across, other) {
            let _ = write!(html, "<span class=\"quiet\">{}</span>", markup(firmware));
        }
        html.push_str("</th>");
        push_found(html, cell);
        for aspect in Aspect::ALL {
            push_aspect(html, aspect, look(cell, View::Of(aspect)));
        }
        html.push_str("</tr>\n");
    }
    html.push_str("</tbody></table></div>\n");
}

fn firmware<'a>(sheet: &Sheet<'a>, axis: Axis, line: usize) -> Option<&'a str> {
    match axis {
        Axis::Devices => sheet.campaign.devices[line].firmware.as_deref(),
        Axis::Clips => None,
    }
}

/// What came out of a cell, and the ways to its reports.
fn push_found(html: &mut String, cell: &Cell) {
    let Look { standing, number, text, .. } = look(cell, View::Everything);
    html.push_str("<td role=\"cell\" class=\"found\">");
    signs::push(html, standing);
    let _ = write!(
        html,
        "<span class=\"word\">{}</span><span class=\"number\">{}</span>",
        standing.words(),
        markup(number)
    );
    if let Some(result) = cell.result() {
        push_barcode(html, &result.barcode.frames);
    }
    push_change(html, cell);
    let _ = write!(html, "<p>{}", markup(text));
    if let Some(hint) = cell.shown().and_then(|run| run.hint.as_deref()) {
        let _ = write!(html, " {}.", markup(hint));
    }
    html.push_str("</p>");
    push_runs(html, cell);
    html.push_str("</td>");
}

fn push_runs(html: &mut String, cell: &Cell) {
    if let Some(text) = runs_text(cell) {
        let _ = write!(html, "<p class=\"runs\">{text}</p>");
    }
    for spread in &cell.spread {
        let _ = write!(
            html,
            "<p class=\"quiet\">{}: {} to {}</p>",
            markup(&spread.key),
            spread.smallest,
            spread.largest
        );
    }
    html.push_str("<ul class=\"ways\">");
    for run in &cell.runs {
        push_run(html, run, cell.runs.len());
    }
    html.push_str("</ul>");
}

fn push_run(html: &mut String, run: &Run, runs: usize) {
    let Some(result) = &run.result else { return };
    let which = if runs > 1 {
        format!("Run {}, {}: report", run.run, result.standing.words())
    } else {
        "Report".to_owned()
    };
    let _ = write!(
        html,
        "<li><a href=\"{UP}{}/report.html\">{which}</a> <span class=\"quiet\">{}</span></li>",
        link(&result.folder),
        markup(&run.recording)
    );
}

fn push_aspect(html: &mut String, aspect: Aspect, look: Look<'_>) {
    let _ = write!(
        html,
        "<td role=\"cell\" class=\"aspect\"><span class=\"label\" aria-hidden=\"true\">{}</span>",
        aspect.name()
    );
    signs::push(html, look.standing);
    let _ = write!(
        html,
        "<span class=\"word\" title=\"{}\">{}</span><span class=\"number\">{}",
        markup(look.text),
        look.standing.words(),
        markup(look.number)
    );
    if look.standing == Standing::Wrong && !look.limit.is_empty() {
        let _ = write!(html, " <span class=\"quiet\">should be {}</span>", markup(look.limit));
    }
    html.push_str("</span></td>");
}

/// The chart of the line, for a text or a video.
fn push_pictures(html: &mut String, sheet: &Sheet<'_>, (axis, line): (Axis, usize)) {
    let stem = sheet.stem(axis, line);
    let name = stem.rsplit('/').next().unwrap_or_default();
    let _ = writeln!(
        html,
        "<section aria-labelledby=\"show\">\n<h2 id=\"show\">To show</h2>\n\
         <p>{}</p>\n\
         <img class=\"chart\" src=\"{name}.svg\" width=\"1920\" height=\"1080\" loading=\"lazy\" alt=\"{}\"/>\n\
         </section>",
        chart_links(name),
        markup(&format!("Chart: {}", sentence(sheet, axis, line)))
    );
}
