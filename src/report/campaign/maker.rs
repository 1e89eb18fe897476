//! `bug-report.html`: one page for the maker of a device. What was played, on what, what is wrong, how to see it, pictures
//! of it, and digests that say what it was found in.

use std::fmt::Write;
use std::ops::Range;

use base64::engine::general_purpose::STANDARD;
use base64::Engine;

use super::sheet::{counted, file_name, runs_text};
use super::shell::{link, page, Head};
use super::signs::{self, push_barcode};
use crate::campaign::model::{
    AspectRow, Campaign, Cell, Clip, Device, EventRow, Run, RunResult, Standing, Way,
};
use crate::error::{excerpt, Error, Result};
use crate::escape::markup;
use crate::report::text::clock_text;

/// Name of the page.
pub const MAKER_HTML: &str = "bug-report.html";
/// Most events listed: a maker needs the kind of thing, not all of it.
const EVENTS_MAX: usize = 20;
/// Recording before and after an event that an excerpt holds, seconds. Choice: enough to see the motion around it.
const AROUND_S: f64 = 2.0;
/// Longest excerpt, seconds. Choice: it is to be sent.
const EXCERPT_MAX_S: f64 = 20.0;
/// Most names that an error lists.
const NAMES_MAX: usize = 20;

/// One recording of a campaign, by the places of device, clip and run.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Place {
    device: usize,
    clip: usize,
    run: usize,
}

impl Place {
    /// Finds `DEVICE/CLIP` or `DEVICE/CLIP/RUN`, by their names in the plan or for people. Without a run it is the one
    /// that stands for the cell.
    ///
    /// # Errors
    /// There is no such device, clip or run, or nothing was audited there.
    pub fn find(campaign: &Campaign, text: &str) -> Result<Self> {
        let parts: Vec<&str> = text.split('/').collect();
        let (device, clip, run) = match parts[..] {
            [device, clip] => (device, clip, None),
            [device, clip, run] => (device, clip, Some(run)),
            _ => {
                return Err(wrong(
                    text,
                    "it is not DEVICE/CLIP or DEVICE/CLIP/RUN".to_owned(),
                    "name a device and a clip of the campaign",
                ))
            }
        };
        let devices: Vec<[&str; 2]> =
            campaign.devices.iter().map(|one| [one.id.as_str(), one.name.as_str()]).collect();
        let clips: Vec<[&str; 2]> =
            campaign.clips.iter().map(|one| [one.id.as_str(), one.name.as_str()]).collect();
        let device = named(text, ("device", device), &devices)?;
        let clip = named(text, ("clip", clip), &clips)?;
        let cell = cell(campaign, device, clip).ok_or_else(|| {
            wrong(text, "the campaign has no such cell".to_owned(), "make the campaign again")
        })?;
        Ok(Self { device, clip, run: audited_run(text, cell, run)? })
    }

    /// What was found.
    ///
    /// # Panics
    /// On another campaign than the one in which it was found.
    pub fn result<'a>(&self, campaign: &'a Campaign) -> &'a RunResult {
        self.run(campaign).result.as_ref().expect("only what was audited is found")
    }

    /// The recording.
    ///
    /// # Panics
    /// As [`Place::result`].
    pub fn run<'a>(&self, campaign: &'a Campaign) -> &'a Run {
        &self.cell(campaign).runs[self.run]
    }

    /// A name for files about it, of small letters, digits and `-`.
    pub fn file_name(&self, campaign: &Campaign) -> String {
        format!("{}-{}", file_name(&self.device(campaign).id), file_name(&self.clip(campaign).id))
    }

    fn cell<'a>(&self, campaign: &'a Campaign) -> &'a Cell {
        cell(campaign, self.device, self.clip).expect("only what is there is found")
    }

    fn device<'a>(&self, campaign: &'a Campaign) -> &'a Device {
        &campaign.devices[self.device]
    }

    fn clip<'a>(&self, campaign: &'a Campaign) -> &'a Clip {
        &campaign.clips[self.clip]
    }
}

fn cell(campaign: &Campaign, device: usize, clip: usize) -> Option<&Cell> {
    campaign.cell(device, clip)
}

fn wrong(text: &str, cause: String, hint: &str) -> Error {
    Error::new(excerpt(text), "no recording of the campaign", cause, hint)
}

/// The place of a name among names in the plan and names for people.
fn named(text: &str, (noun, name): (&str, &str), all: &[[&str; 2]]) -> Result<usize> {
    let by = |which: usize| all.iter().position(|names| names[which] == name);
    by(0).or_else(|| by(1)).ok_or_else(|| {
        let known: Vec<String> = all.iter().take(NAMES_MAX).map(|names| excerpt(names[0])).collect();
        let more = all.len().saturating_sub(NAMES_MAX);
        let more = if more > 0 { format!(" and {more} more") } else { String::new() };
        wrong(
            text,
            format!("{} is no {noun} of it", excerpt(name)),
            &format!("it has {}{more}", known.join(", ")),
        )
    })
}

/// The place of a run that was audited.
fn audited_run(text: &str, cell: &Cell, number: Option<&str>) -> Result<usize> {
    let place = match number {
        Some(number) => cell.runs.iter().position(|run| run.run.to_string() == number),
        None => cell.shown_run,
    };
    let Some((place, run)) = place.and_then(|place| Some((place, cell.runs.get(place)?))) else {
        return Err(wrong(
            text,
            format!("it has {}", counted(cell.runs.len(), "run")),
            "name a device that was recorded with this clip",
        ));
    };
    match (&run.result, &run.error) {
        (Some(_), _) => Ok(place),
        (None, why) => Err(wrong(
            text,
            format!("it was not audited: {}", why.as_deref().map_or_else(|| "not yet".to_owned(), excerpt)),
            run.hint.as_deref().unwrap_or("run the campaign again"),
        )),
    }
}

/// The event that matters most: the most severe, of these the longest, of these the first.
pub fn worst(result: &RunResult) -> Option<&EventRow> {
    let rank = |event: &EventRow| match event.severity.as_str() {
        "fault" => 2,
        "warning" => 1,
        _ => 0,
    };
    result
        .events
        .iter()
        .rev()
        .max_by(|a, b| rank(a).cmp(&rank(b)).then_with(|| a.duration_ms.total_cmp(&b.duration_ms)))
}

/// The stretch of the recording that an excerpt holds, seconds from its start: the worst event and a little around it;
/// without an event, the beginning.
pub fn excerpt_stretch(result: &RunResult) -> Range<f64> {
    let (from, length) = worst(result).map_or((0.0, 0.0), |event| (event.time_s, event.duration_ms / 1000.0));
    let start = (from - AROUND_S).max(0.0);
    let end = (from + length + AROUND_S).min(start + EXCERPT_MAX_S);
    start..end
}

/// A piece of the recording, as it lies beside the page.
#[derive(Clone, Debug, PartialEq)]
pub struct Excerpt {
    /// Its file name.
    pub file: String,
    /// The stretch that was asked for, seconds from the start of the recording.
    pub stretch: Range<f64>,
    /// BLAKE3 in hexadecimal digits.
    pub blake3: String,
}

/// What the page is made from.
#[derive(Clone, Copy, Debug)]
pub struct MakerReport<'a> {
    /// The campaign.
    pub campaign: &'a Campaign,
    /// Which recording of it.
    pub place: Place,
    /// `strip.png` of its report: the frames of the worst event in a row.
    pub strip: Option<&'a [u8]>,
    /// `timeline.png` of its report.
    pub timeline: Option<&'a [u8]>,
    /// A piece of the recording, if it was asked for.
    pub excerpt: Option<&'a Excerpt>,
}

/// The page: one file that can be sent alone.
pub fn maker_page(report: MakerReport<'_>) -> String {
    let device = report.place.device(report.campaign);
    let clip = report.place.clip(report.campaign);
    let title = format!("{} playing {}", device.name, clip.name);
    let head = Head { title: &title, skip: ("wrong", "Skip to what is wrong"), script: None };
    page(head, |html| {
        push_first(html, report, &title);
        push_played(html, device, clip);
        push_wrong(html, report);
        push_how(html, report);
        push_seen(html, report);
        push_digests(html, report);
    })
}

fn push_first(html: &mut String, report: MakerReport<'_>, title: &str) {
    let (cell, result) = (report.place.cell(report.campaign), report.place.result(report.campaign));
    let _ = writeln!(
        html,
        "<header>\n<p class=\"kicker\">{}</p>\n<h1>{}</h1>",
        markup(title),
        markup(&result.headline)
    );
    if !result.complete {
        html.push_str("<p><strong>The recording was not read to its end.</strong> What is said holds for the part that was.</p>\n");
    }
    if let Some(runs) = runs_text(cell) {
        let _ = writeln!(html, "<p>The same clip was recorded several times: {runs}.</p>");
    }
    if let Some(change) = cell.change.as_ref().filter(|change| matches!(change.way, Way::Worse | Way::Mended))
    {
        let firmware = change.earlier_firmware.as_ref();
        let firmware = firmware.map_or_else(String::new, |firmware| format!(" with firmware {firmware}"));
        let _ = writeln!(
            html,
            "<p>Earlier{} it was {}: {}</p>",
            markup(&firmware),
            change.earlier.words(),
            markup(&change.text)
        );
    }
    html.push_str("</header>\n");
}

fn push_played(html: &mut String, device: &Device, clip: &Clip) {
    let text = |value: &Option<String>| value.clone().unwrap_or_default();
    push_section(
        html,
        ("played", "What was played"),
        &[
            ("Clip", clip.name.clone()),
            ("File", text(&clip.file)),
            ("Pictures per second", text(&clip.rate)),
            ("Scan", text(&clip.scan)),
            ("Required", clip.requirements.join(", ")),
            ("BLAKE3 of the file", text(&clip.blake3)),
        ],
    );
    push_section(
        html,
        ("device", "On what"),
        &[
            ("Device", device.name.clone()),
            ("Firmware", text(&device.firmware)),
            ("Settings", text(&device.settings)),
            ("Recorder", text(&device.recorder)),
        ],
    );
}

/// A section of names and values; what is not known is left out.
fn push_section(html: &mut String, (id, title): (&str, &str), rows: &[(&str, String)]) {
    let _ = writeln!(
        html,
        "<section aria-labelledby=\"{id}\">\n<h2 id=\"{id}\">{title}</h2>\n<dl class=\"facts\">"
    );
    for (name, value) in rows.iter().filter(|(_, value)| !value.is_empty()) {
        let _ = writeln!(html, "<div><dt>{name}</dt><dd>{}</dd></div>", markup(value));
    }
    html.push_str("</dl>\n</section>\n");
}

fn push_wrong(html: &mut String, report: MakerReport<'_>) {
    let result = report.place.result(report.campaign);
    html.push_str(
        "<section aria-labelledby=\"wrong\">\n<h2 id=\"wrong\" tabindex=\"-1\">What is wrong</h2>\n<ul class=\"ways\">\n",
    );
    let wrong: Vec<&AspectRow> =
        result.aspects.iter().filter(|row| row.standing == Standing::Wrong).collect();
    for row in &wrong {
        let _ = write!(html, "<li><strong>{}</strong>", row.aspect.name());
        if let Some(number) = &row.number {
            let _ = write!(html, ": {}", markup(number));
        }
        if let Some(limit) = &row.limit {
            let _ = write!(html, ", should be {}", markup(limit));
        }
        let _ = writeln!(html, ". {}</li>", markup(&row.text));
    }
    for missed in result.requirements.iter().filter(|row| !row.passed) {
        let _ = writeln!(html, "<li>Required and not met: {}</li>", markup(&missed.text));
    }
    html.push_str("</ul>\n");
    if wrong.is_empty() && result.requirements.iter().all(|row| row.passed) {
        let _ = writeln!(html, "<p>Nothing was found wrong: {}.</p>", result.standing.words());
    }
    push_events(html, &result.events);
    html.push_str("</section>\n");
}

fn push_events(html: &mut String, events: &[EventRow]) {
    if events.is_empty() {
        return;
    }
    html.push_str(
        "<div class=\"scroll\" tabindex=\"0\" role=\"group\" aria-label=\"What happened\"><table class=\"events\">\
         <caption>What happened, by the time from the start of the recording</caption><thead><tr>\
         <th scope=\"col\">Time</th><th scope=\"col\">Frames</th><th scope=\"col\">Lasts</th>\
         <th scope=\"col\">What</th></tr></thead><tbody>\n",
    );
    for event in events.iter().take(EVENTS_MAX) {
        let _ = writeln!(
            html,
            "<tr><td>{}</td><td>{}–{}</td><td>{:.0} ms</td><td>{}</td></tr>",
            clock_text(event.time_s),
            event.first_frame,
            event.last_frame,
            event.duration_ms,
            markup(&event.text)
        );
    }
    html.push_str("</tbody></table></div>\n");
    if events.len() > EVENTS_MAX {
        let _ = writeln!(html, "<p>And {} more in the report.</p>", events.len() - EVENTS_MAX);
    }
}

/// What somebody has to do to see it for himself.
fn push_how(html: &mut String, report: MakerReport<'_>) {
    let (device, clip) = (report.place.device(report.campaign), report.place.clip(report.campaign));
    let result = report.place.result(report.campaign);
    let firmware =
        device.firmware.as_ref().map_or_else(String::new, |firmware| format!(" with firmware {firmware}"));
    let settings =
        device.settings.as_ref().map_or_else(String::new, |settings| format!(", set to {settings}"));
    let _ = write!(
        html,
        "<section aria-labelledby=\"how\">\n<h2 id=\"how\">How to see it</h2>\n<ol>\n<li>Play {} on {}{}{}.</li>\n",
        markup(&clip.name),
        markup(&device.name),
        markup(&firmware),
        markup(&settings)
    );
    let recorder = device
        .recorder
        .as_ref()
        .map_or_else(String::new, |recorder| format!(" This was done with: {recorder}."));
    let _ = writeln!(
        html,
        "<li>Record what it sends, at the rate at which it sends it, without loss where that can be.{}</li>",
        markup(&recorder)
    );
    if let Some(event) = worst(result) {
        let _ = writeln!(
            html,
            "<li>Step through the frames from {} on (frame {}): {}</li>",
            clock_text(event.time_s),
            event.first_frame,
            markup(&event.text)
        );
    }
    html.push_str("<li>Or have the recording audited: <code>evenbeat audit RECORDING --reference CLIP</code></li>\n</ol>\n</section>\n");
}

fn push_seen(html: &mut String, report: MakerReport<'_>) {
    let result = report.place.result(report.campaign);
    let none = report.strip.is_none() && report.timeline.is_none() && result.barcode.frames.is_empty();
    if none && report.excerpt.is_none() {
        return;
    }
    html.push_str("<section aria-labelledby=\"seen\">\n<h2 id=\"seen\">Before, during, after</h2>\n");
    if !result.barcode.frames.is_empty() {
        html.push_str("<figure class=\"wide\">");
        push_barcode(html, &result.barcode.frames);
        let _ = writeln!(
            html,
            "<figcaption>Frames in a row, from frame {} on: {}.</figcaption></figure>",
            result.barcode.first_frame,
            signs::barcode_text(&result.barcode.frames)
        );
    }
    push_image(
        html,
        report.strip,
        "Frames around the worst event in a row, and what changed from one to the next",
    );
    push_image(html, report.timeline, "The whole recording along its time");
    if let Some(excerpt) = report.excerpt {
        let _ = writeln!(
            html,
            "<p><a href=\"{}\">{}</a> holds the recording from about {} to {}, cut without encoding it anew. It begins at \
             the picture before from which decoding can start. BLAKE3: <code>{}</code></p>",
            link(&excerpt.file),
            markup(&excerpt.file),
            clock_text(excerpt.stretch.start),
            clock_text(excerpt.stretch.end),
            markup(&excerpt.blake3)
        );
    }
    html.push_str("</section>\n");
}

/// A picture of the report, within the page.
fn push_image(html: &mut String, png: Option<&[u8]>, caption: &str) {
    let Some(png) = png else { return };
    let _ = writeln!(
        html,
        "<figure><img class=\"chart\" src=\"data:image/png;base64,{}\" alt=\"{caption}\"/>\
         <figcaption>{caption}.</figcaption></figure>",
        STANDARD.encode(png)
    );
}

fn push_digests(html: &mut String, report: MakerReport<'_>) {
    let run = report.place.run(report.campaign);
    let result = report.place.result(report.campaign);
    push_section(
        html,
        ("digests", "What it was found in"),
        &[
            ("Recording", run.recording.clone()),
            ("Frames", format!("{} in {:.2} s", result.frames, result.duration_s)),
            ("Read to its end", if result.complete { "yes" } else { "no" }.to_owned()),
            ("BLAKE3 of the recording", result.recording_blake3.clone()),
            ("BLAKE3 of its frames", result.frames_blake3.clone()),
            ("Audited by", format!("evenbeat {}", report.campaign.tool_version)),
        ],
    );
}

#[cfg(test)]
mod tests {
    use super::super::testing;
    use super::*;

    fn event(severity: &str, time_s: f64, duration_ms: f64) -> EventRow {
        EventRow {
            kind: "freeze".to_owned(),
            severity: severity.to_owned(),
            first_frame: (time_s * 60.0) as u64,
            last_frame: (time_s * 60.0) as u64 + 9,
            time_s,
            duration_ms,
            text: "One picture for 200 ms.".to_owned(),
        }
    }

    #[test]
    fn places_are_found_by_either_name() {
        let mut campaign = testing::campaign(&["rw", "xn"]);
        let again = Run { run: 2, ..campaign.cells[0].runs[0].clone() };
        campaign.cells[0].runs.push(again);
        for (text, expected) in [
            ("device-1/clip-1", Ok((0, 0, 0))),
            ("device 2/clip 1", Ok((1, 0, 0))),
            ("device-1/clip-1/2", Ok((0, 0, 1))),
            ("device-1/clip-1/3", Err("it has 2 runs")),
            ("device-2/clip-2", Err("it has 0 runs")),
            ("device-1/clip-2", Err("it was not audited")),
            ("device-3/clip-1", Err("is no device of it")),
            ("device-1/clip-9", Err("is no clip of it")),
            ("device-1", Err("it is not DEVICE/CLIP")),
            ("a/b/c/d", Err("it is not DEVICE/CLIP")),
        ] {
            match (Place::find(&campaign, text), expected) {
                (Ok(place), Ok(wanted)) => {
                    assert_eq!((place.device, place.clip, place.run), wanted, "{text}")
                }
                (Err(error), Err(wanted)) => assert!(error.cause.contains(wanted), "{text}: {error}"),
                (found, _) => panic!("{text}: {found:?}"),
            }
        }
    }

    #[test]
    fn the_worst_event_is_the_most_severe_then_the_longest_then_the_first() {
        let campaign = testing::campaign(&["w"]);
        let mut result = campaign.cells[0].result().unwrap().clone();
        for (events, expected) in [
            (vec![], None),
            (vec![event("info", 1.0, 900.0), event("fault", 2.0, 100.0)], Some(2.0)),
            (vec![event("fault", 1.0, 100.0), event("fault", 2.0, 200.0)], Some(2.0)),
            (vec![event("fault", 1.0, 200.0), event("fault", 2.0, 200.0)], Some(1.0)),
        ] {
            result.events = events;
            assert_eq!(worst(&result).map(|event| event.time_s), expected);
        }
    }

    #[test]
    fn excerpts_are_bounded() {
        let campaign = testing::campaign(&["w"]);
        let mut result = campaign.cells[0].result().unwrap().clone();
        for (events, expected) in [
            (vec![], 0.0..2.0),
            (vec![event("fault", 10.0, 500.0)], 8.0..12.5),
            (vec![event("fault", 1.0, 500.0)], 0.0..3.5),
            (vec![event("fault", 100.0, 3_600_000.0)], 98.0..118.0),
        ] {
            result.events = events;
            assert_eq!(excerpt_stretch(&result), expected);
        }
    }

    #[test]
    fn a_page_says_what_was_played_and_what_is_wrong_and_runs_nothing() {
        let mut campaign = testing::hostile();
        campaign.cells[3].runs[0].result.as_mut().unwrap().events = vec![event("fault", 1.2, 200.0)];
        let text = format!("{}/{}", campaign.devices[1].id, campaign.clips[0].id);
        assert!(Place::find(&campaign, &text).is_err(), "a name with separators is not cut up");
        let place = Place { device: 1, clip: 0, run: 0 };
        let excerpt = Excerpt { file: "excerpt.mkv".to_owned(), stretch: 0.0..3.4, blake3: "ab".repeat(32) };
        let html = maker_page(MakerReport {
            campaign: &campaign,
            place,
            strip: Some(b"png"),
            timeline: None,
            excerpt: Some(&excerpt),
        });
        assert!(!html.contains("<script") && !html.contains("<img src=x"), "{html}");
        for part in [
            "What was played",
            "On what",
            "How to see it",
            "1.200 s",
            "200 ms",
            "excerpt.mkv",
            "data:image/png;base64,cG5n",
        ] {
            assert!(html.contains(part), "{part}: {html}");
        }
    }
}
