//! `timeline.svg`: the verdict in words, close-ups frame by frame, and the whole capture along time.
//! The axes are drawn with plotters; lanes are written as paths, because one element per pixel column would
//! be ten times the size and could carry no description.
//!
//! Deterministic: depends on the [`Audit`] alone, with no font measured.

pub(super) mod axis;
mod columns;
pub(super) mod strip;

use std::fmt::Write;
use std::ops::Range;

use plotters::prelude::*;

use self::axis::TickedAxis;
use self::columns::{path, Shares, TimeScale};
use super::palette;
use super::text::{clock_text, duration_s, exact_rate_text, grouped, motion_rate_text, period_s, who, wrap};
use crate::audit::Audit;
use crate::classify::{FrameClass, FrameFlags};
use crate::error::{Error, Result};
use crate::escape::{markup, visible};
use crate::verdict::{Event, EventKind, Severity};
use crate::words::{counted, length};

/// Width of the chart, px.
pub const WIDTH: i32 = 800;
/// Outer margin, px.
const MARGIN: i32 = 16;
/// Room right of the plots, px: half of the last label, as h:min:s, stands there.
const PLOT_RIGHT_PX: i32 = 32;
/// Room for lane names and value labels, px.
const LABEL_PX: i32 = 126;
/// Left edge of the plots, px.
const PLOT_LEFT: i32 = MARGIN + LABEL_PX;
/// Characters of the verdict per line: 15 px bold type takes at most 9 px a character.
const VERDICT_COLUMNS: usize = 84;
/// Characters of the line that names the capture.
const CAPTURE_COLUMNS: usize = 108;
const VERDICT_LINE_PX: i32 = 20;
const ROW_PX: i32 = 18;
const FRAMES_LANE_PX: i32 = 96;
const STILL_LANE_PX: i32 = 12;
const HOLDS_LANE_PX: i32 = 110;
const TIME_AXIS_PX: i32 = 44;
const LANE_GAP_PX: i32 = 14;
const LEGEND_PX: i32 = 46;
/// Least height of a class that is present in a column, px: one repeat among thousands of frames shows.
const PRESENCE_PX_MIN: f64 = 3.0;
/// Least width of the mark of an event or a flag, px.
const MARK_PX_MIN: usize = 3;
/// Nearest distance between two shapes in a row, px; nearer ones share the more severe shape.
const SHAPE_DISTANCE_PX: usize = 9;
/// Marks with a description of their own; beyond, the file would grow without use.
const DESCRIBED_MARKS_MAX: usize = 200;
/// Events named in the description.
const DESCRIBED_EVENTS_MAX: usize = 20;
/// Holds longer than this many median holds are cut off at the top, marked, and do not stretch the scale.
const SCALE_MEDIANS: f64 = 4.0;
/// Thickness of the hold line, px.
const HOLD_LINE_PX: i32 = 4;

/// The chart as one SVG document.
///
/// # Errors
/// The chart library refuses, which its text backend has no reason to.
pub fn svg(audit: &Audit) -> Result<String> {
    svg_of(audit, None)
}

/// The chart of a stretch, seconds from the first frame; without one, of the whole capture. What lies outside
/// the capture is cut off.
///
/// # Errors
/// As [`svg`].
pub fn svg_of(audit: &Audit, stretch: Option<&Range<f64>>) -> Result<String> {
    let layout = Layout::new(audit, stretch);
    let holds = HoldDurations::new(audit);
    let axes = draw_axes(&layout, holds.scale_ms)?;
    let mut text = String::with_capacity(64 * 1024);
    push_opening(&mut text, audit, &layout);
    push_heading(&mut text, audit, &layout);
    for (place, shown) in layout.close_ups.iter().enumerate() {
        text.push_str(&strip::draw(
            audit,
            shown,
            MARGIN,
            layout.close_ups_top + place as i32 * strip::HEIGHT,
        ));
    }
    text.push_str(&axes.svg);
    let scale = TimeScale::new(audit, &layout.shown, axes.time_px.clone());
    push_rows(&mut text, audit, &layout, &scale);
    push_frames_lane(&mut text, audit, &axes, &layout, &scale);
    push_holds_lane(&mut text, &holds, &axes, &scale);
    push_legend(&mut text, audit, &layout);
    text.push_str("</svg>\n");
    Ok(text)
}

/// Where everything stands, from top to bottom, px.
struct Layout {
    /// Seconds shown.
    shown: Range<f64>,
    is_whole: bool,
    verdict: Vec<String>,
    close_ups: Vec<strip::CloseUp>,
    close_ups_top: i32,
    rows: Vec<Row>,
    rows_top: i32,
    frames_top: i32,
    still_top: i32,
    holds_top: i32,
    legend_top: i32,
    height: i32,
}

impl Layout {
    fn new(audit: &Audit, stretch: Option<&Range<f64>>) -> Self {
        let verdict = verdict_lines(audit);
        let close_ups = strip::close_ups(audit);
        let rows = rows(audit);
        let close_ups_top = MARGIN + verdict.len() as i32 * VERDICT_LINE_PX + 26;
        let whole_heading = close_ups_top + close_ups.len() as i32 * strip::HEIGHT + 14;
        let rows_top = whole_heading + 10;
        let frames_top = rows_top + rows.len() as i32 * ROW_PX + 8;
        let still_top = frames_top + FRAMES_LANE_PX + 4;
        let holds_top = still_top + STILL_LANE_PX + LANE_GAP_PX;
        let legend_top = holds_top + HOLDS_LANE_PX + TIME_AXIS_PX + 8;
        Self {
            shown: shown(audit, stretch),
            is_whole: stretch.is_none(),
            verdict,
            close_ups,
            close_ups_top,
            rows,
            rows_top,
            frames_top,
            still_top,
            holds_top,
            legend_top,
            height: legend_top + LEGEND_PX,
        }
    }
}

/// The seconds shown: at least one frame, within the capture. A capture without frames still gets an axis.
fn shown(audit: &Audit, stretch: Option<&Range<f64>>) -> Range<f64> {
    if audit.frames.is_empty() {
        return 0.0..1.0;
    }
    let (period, whole) = (period_s(audit), duration_s(audit).max(period_s(audit)));
    let Some(stretch) = stretch else { return 0.0..whole };
    let from = stretch.start.clamp(0.0, whole - period);
    from..stretch.end.clamp(from + period, whole)
}

/// The first sentence of the verdict: nothing of it is cut off.
fn verdict_lines(audit: &Audit) -> Vec<String> {
    wrap(&visible(&audit.headline), VERDICT_COLUMNS)
}

fn push_opening(text: &mut String, audit: &Audit, layout: &Layout) {
    let _ = writeln!(
        text,
        "<svg xmlns=\"http://www.w3.org/2000/svg\" width=\"{WIDTH}\" height=\"{0}\" viewBox=\"0 0 {WIDTH} {0}\" \
         role=\"img\" aria-labelledby=\"timeline-title timeline-description\" \
         font-family=\"sans-serif\" fill=\"{1}\">",
        layout.height,
        palette::INK
    );
    let _ = writeln!(text, "<title id=\"timeline-title\">{}</title>", markup(&audit.verdict));
    let _ = writeln!(text, "<desc id=\"timeline-description\">{}</desc>", markup(&description(audit)));
    let _ =
        writeln!(text, "<rect width=\"{WIDTH}\" height=\"{}\" fill=\"{}\"/>", layout.height, palette::PAPER);
}

fn description(audit: &Audit) -> String {
    let motion = audit.cadence.motion;
    let mut text = format!(
        "Timeline of {}: {} in {}, {} new, {} repeat, {} still. {} frames/s delivered, {} new.",
        audit.facts.name,
        counted(audit.frames.len() as u64, "frame"),
        clock_text(duration_s(audit)),
        grouped(motion.new_frames),
        grouped(motion.repeat_frames),
        grouped(motion.still_frames),
        exact_rate_text(audit.times.delivered_rate),
        motion_rate_text(motion.motion_rate_hz),
    );
    for event in audit.events.iter().take(DESCRIBED_EVENTS_MAX) {
        let _ = write!(
            text,
            " {} ({}) at {}.",
            event.kind.title(),
            event.severity.name(),
            clock_text(event.time_s)
        );
    }
    if let Some(rest) = audit.events.len().checked_sub(DESCRIBED_EVENTS_MAX).filter(|&rest| rest > 0) {
        let _ = write!(text, " {} more.", counted(rest as u64, "event"));
    }
    text
}

fn push_heading(text: &mut String, audit: &Audit, layout: &Layout) {
    let mut baseline = MARGIN + 14;
    for line in &layout.verdict {
        let _ = writeln!(
            text,
            "<text x=\"{MARGIN}\" y=\"{baseline}\" font-size=\"15\" font-weight=\"bold\">{}</text>",
            markup(line)
        );
        baseline += VERDICT_LINE_PX;
    }
    let incomplete = if audit.complete { "" } else { "INCOMPLETE CAPTURE · " };
    let who = who(&audit.device).map_or_else(String::new, |who| format!("{who} · "));
    let capture = format!(
        "{incomplete}{who}{} · {} · {}",
        visible(&audit.facts.name),
        counted(audit.frames.len() as u64, "frame"),
        clock_text(duration_s(audit))
    );
    let _ = writeln!(
        text,
        "<text x=\"{MARGIN}\" y=\"{baseline}\" font-size=\"12\" fill=\"{}\">{}</text>",
        palette::QUIET_INK,
        markup(&shortened(&capture, CAPTURE_COLUMNS))
    );
    let _ = writeln!(
        text,
        "<text x=\"{MARGIN}\" y=\"{}\" font-size=\"12\" font-weight=\"bold\">{}</text>",
        layout.rows_top - 12,
        if layout.is_whole {
            "The whole recording".to_owned()
        } else {
            format!("From {} to {}", clock_text(layout.shown.start), clock_text(layout.shown.end))
        }
    );
}

fn shortened(text: &str, columns: usize) -> String {
    if text.chars().count() <= columns {
        return text.to_owned();
    }
    text.chars().take(columns - 1).chain(['…']).collect()
}

/// Axes with grid, labels and names, and where the plots lie.
struct Axes {
    svg: String,
    time_px: Range<i32>,
    frames_px: Range<i32>,
    holds_px: Range<i32>,
    holds_scale_ms: f64,
}

fn draw_axes(layout: &Layout, holds_scale_ms: f64) -> Result<Axes> {
    axes(layout, holds_scale_ms).map_err(|error| {
        Error::new(
            super::TIMELINE_SVG,
            "cannot draw the axes",
            error.to_string(),
            "report this with the capture's audit.json",
        )
    })
}

fn axes(layout: &Layout, holds_scale_ms: f64) -> std::result::Result<Axes, Box<dyn std::error::Error>> {
    // plotters draws type at 1/1.24 of the size asked for: 15 comes out as 12 px.
    const LABEL_TYPE: (&str, i32) = ("sans-serif", 15);
    let shown = &layout.shown;
    let ticks = axis::ticks(shown);
    let mut svg = String::new();
    let root = SVGBackend::with_string(&mut svg, (WIDTH as u32, layout.height as u32)).into_drawing_area();
    let grid = RGBColor(0xDD, 0xDD, 0xDD);
    let ink = RGBColor(0x1A, 0x1A, 0x1A);

    let frames_area = part(&root, layout.frames_top, FRAMES_LANE_PX);
    let mut frames_chart = ChartBuilder::on(&frames_area)
        .margin_left(MARGIN)
        .margin_right(PLOT_RIGHT_PX)
        .set_label_area_size(LabelAreaPosition::Left, LABEL_PX)
        .build_cartesian_2d(
            TickedAxis::new(shown.clone(), ticks.clone()),
            TickedAxis::new(-1.0..1.0, vec![-1.0, -0.5, 0.0, 0.5, 1.0]),
        )?;
    frames_chart
        .configure_mesh()
        .max_light_lines(0)
        .bold_line_style(grid)
        .axis_style(ink)
        .label_style(LABEL_TYPE)
        .x_labels(ticks.len())
        .y_labels(5)
        .y_label_formatter(&|share: &f64| format!("{:.0} %", share.abs() * 100.0))
        .x_label_formatter(&|_| String::new())
        .y_desc("share of frames")
        .axis_desc_style(LABEL_TYPE)
        .draw()?;
    let (time_px, frames_px) = frames_chart.plotting_area().get_pixel_range();

    let holds_area = part(&root, layout.holds_top, HOLDS_LANE_PX + TIME_AXIS_PX);
    let mut holds_chart = ChartBuilder::on(&holds_area)
        .margin_left(MARGIN)
        .margin_right(PLOT_RIGHT_PX)
        .set_label_area_size(LabelAreaPosition::Left, LABEL_PX)
        .set_label_area_size(LabelAreaPosition::Bottom, TIME_AXIS_PX)
        .build_cartesian_2d(TickedAxis::new(shown.clone(), ticks.clone()), 0.0..holds_scale_ms)?;
    holds_chart
        .configure_mesh()
        .max_light_lines(0)
        .bold_line_style(grid)
        .axis_style(ink)
        .label_style(LABEL_TYPE)
        .x_labels(ticks.len())
        .y_labels(5)
        .x_label_formatter(&|seconds: &f64| axis::label(*seconds, shown))
        .y_label_formatter(&|ms: &f64| format!("{ms}"))
        .x_desc(axis::name(shown.end))
        .y_desc("picture stays, ms")
        .axis_desc_style(LABEL_TYPE)
        .draw()?;
    let (_, holds_px) = holds_chart.plotting_area().get_pixel_range();
    root.present()?;
    drop((frames_chart, holds_chart, frames_area, holds_area, root));
    Ok(Axes { svg, time_px, frames_px, holds_px, holds_scale_ms })
}

/// A part of the chart's full width.
fn part<'a>(
    root: &DrawingArea<SVGBackend<'a>, plotters::coord::Shift>,
    top: i32,
    height: i32,
) -> DrawingArea<SVGBackend<'a>, plotters::coord::Shift> {
    root.clone().shrink((0, top), (WIDTH, height))
}

/// One row of marks: a kind of event, or a flag that no event speaks of.
#[derive(Clone, Copy)]
enum Row {
    Event(EventKind),
    Flag(FrameFlags, &'static str),
}

impl Row {
    fn title(self) -> &'static str {
        match self {
            Self::Event(kind) => kind.title(),
            Self::Flag(_, name) => name,
        }
    }

    fn name(self) -> &'static str {
        match self {
            Self::Event(kind) => kind.name(),
            Self::Flag(_, name) => name,
        }
    }
}

/// Rows that have something to show, in the order of the kinds.
fn rows(audit: &Audit) -> Vec<Row> {
    let has = |kind| audit.events.iter().any(|event| event.kind == kind);
    let kinds = EventKind::NAMES.iter().map(|&(kind, ..)| kind).filter(|&kind| has(kind));
    let all_flags = audit.frames.iter().fold(0, |flags, frame| flags | frame.flags.0);
    let flags = FrameFlags::NAMES
        .into_iter()
        .filter(|&(flag, _)| FrameFlags(all_flags).contains(flag) && !is_said_by_events(audit, flag));
    kinds.map(Row::Event).chain(flags.map(|(flag, name)| Row::Flag(flag, name))).collect()
}

/// Whether findings, and with them events, speak of frames with this flag.
pub(super) fn is_said_by_events(audit: &Audit, flag: FrameFlags) -> bool {
    audit.findings.iter().any(|finding| match finding.kind.event() {
        EventKind::Gap => flag == FrameFlags::AFTER_GAP,
        kind => kind.flag() == Some(flag),
    })
}

fn push_rows(text: &mut String, audit: &Audit, layout: &Layout, scale: &TimeScale<'_>) {
    let mut described = 0;
    for (place, &row) in layout.rows.iter().enumerate() {
        let middle = layout.rows_top + place as i32 * ROW_PX + ROW_PX / 2;
        let _ = writeln!(
            text,
            "<g data-row=\"{}\"><text x=\"{}\" y=\"{}\" font-size=\"12\" text-anchor=\"end\">{}</text>\
             <path d=\"M{PLOT_LEFT} {middle}h{}\" stroke=\"{}\"/>",
            row.name(),
            PLOT_LEFT - 8,
            middle + 4,
            row.title(),
            scale.width,
            palette::GRID
        );
        match row {
            Row::Event(kind) => {
                let events: Vec<&Event> = audit.events.iter().filter(|event| event.kind == kind).collect();
                push_bars(text, audit, (&events, middle), scale);
                push_shapes(text, &events, middle, scale, &mut described);
                push_labels(text, audit, (&events, middle), scale);
            }
            Row::Flag(flag, _) => push_flag_marks(text, audit, flag, middle, scale),
        }
        text.push_str("</g>\n");
    }
}

/// First frame and the one after the last.
fn event_frames(event: &Event) -> Range<usize> {
    let first = usize::try_from(event.first_frame).unwrap_or(usize::MAX);
    first..usize::try_from(event.last_frame).unwrap_or(usize::MAX).saturating_add(1)
}

fn event_columns(event: &Event, scale: &TimeScale<'_>) -> Range<usize> {
    let Range { start, end } = event_frames(event);
    scale.columns(start, end, MARK_PX_MIN)
}

/// Where frames show what an event is about: those marked with it, otherwise all of it.
fn marked_columns(audit: &Audit, event: &Event, scale: &TimeScale<'_>) -> Vec<Range<usize>> {
    let frames = event_frames(event);
    let marked = event.kind.flag().map_or(Vec::new(), |flag| {
        let end = frames.end.min(audit.frames.len());
        let carries = |&frame: &usize| audit.frames[frame].flags.contains(flag);
        (frames.start.min(end)..end).filter(carries).collect()
    });
    if marked.is_empty() {
        return vec![event_columns(event, scale)];
    }
    marked.into_iter().map(|frame| scale.columns(frame, frame + 1, MARK_PX_MIN)).collect()
}

/// What happened in words beside its mark, where there is room up to the next mark; else its number; else nothing.
fn push_labels(text: &mut String, audit: &Audit, (events, middle): (&[&Event], i32), scale: &TimeScale<'_>) {
    /// Widest letter of the type below, px.
    const LETTER_PX: f64 = 6.6;
    let begins: Vec<usize> = events.iter().map(|event| event_columns(event, scale).start).collect();
    for (place, event) in events.iter().enumerate() {
        let columns = event_columns(event, scale);
        if columns.is_empty() {
            continue;
        }
        // Beside what is short, on what is long; between few marks a label would hide one.
        let marked = marked_columns(audit, event, scale);
        let is_sparse = marked.len() > 1 && 2 * marked.iter().map(Range::len).sum::<usize>() < columns.len();
        let is_long = !is_sparse && columns.len() > scale.width / 2;
        let end = if is_long { columns.start } else { columns.end };
        let begin = end.max(columns.start + SHAPE_DISTANCE_PX) + 2;
        let ground = if is_long { 8 } else { 3 };
        let next = begins.get(place + 1).map_or(scale.width, |&next| next.saturating_sub(SHAPE_DISTANCE_PX));
        let room = next.saturating_sub(begin) as f64;
        let fits = |label: &str| (label.chars().count() as f64) * LETTER_PX <= room;
        let whole = visible(&event.text);
        // How long single frames lie apart says nothing.
        let short = (!is_sparse).then(|| format!("{}: {}", event.number, length(event.duration_ms)));
        let labels = [Some(whole), short, Some(event.number.to_string())].into_iter().flatten();
        let Some(label) = labels.into_iter().find(|label| fits(label)) else {
            continue;
        };
        let _ = writeln!(
            text,
            "<text x=\"{}\" y=\"{}\" font-size=\"11\" stroke=\"{}\" stroke-width=\"{ground}\" paint-order=\"stroke\">{}</text>",
            scale.left + begin as i32,
            middle + 4,
            palette::PAPER,
            markup(&label)
        );
    }
}

/// Bars over the frames of each event; where several share a pixel, the most severe one wins.
fn push_bars(text: &mut String, audit: &Audit, (events, middle): (&[&Event], i32), scale: &TimeScale<'_>) {
    let mut worst: Vec<Option<Severity>> = vec![None; scale.width];
    for event in events {
        for column in marked_columns(audit, event, scale).into_iter().flatten() {
            worst[column] = worst[column].max(Some(event.severity));
        }
    }
    for severity in [Severity::Info, Severity::Warning, Severity::Fault] {
        let bars = path(scale.left, scale.width, |column| {
            (worst[column] == Some(severity)).then_some((middle - 3, middle + 3))
        });
        if !bars.is_empty() {
            let _ =
                writeln!(text, "<path class=\"mark\" d=\"{bars}\" fill=\"{}\"/>", severity_color(severity));
        }
    }
}

/// A shape where each event begins: its form says how severe it is. Most severe ones are placed first.
fn push_shapes(
    text: &mut String,
    events: &[&Event],
    middle: i32,
    scale: &TimeScale<'_>,
    described: &mut usize,
) {
    let mut by_severity = events.to_vec();
    by_severity.sort_by_key(|event| std::cmp::Reverse(event.severity));
    let mut taken = vec![false; scale.width];
    for event in by_severity {
        let columns = event_columns(event, scale);
        if columns.is_empty() {
            continue;
        }
        let column = columns.start;
        let near =
            column.saturating_sub(SHAPE_DISTANCE_PX - 1)..(column + SHAPE_DISTANCE_PX).min(scale.width);
        if taken[near].contains(&true) {
            continue;
        }
        taken[column] = true;
        let shape = severity_shape(event.severity, scale.left + column as i32, middle);
        let color = severity_color(event.severity);
        if *described == DESCRIBED_MARKS_MAX {
            let _ = writeln!(text, "<path d=\"{shape}\" fill=\"{color}\" stroke=\"#000\"/>");
            continue;
        }
        *described += 1;
        let _ = writeln!(
            text,
            "<path d=\"{shape}\" fill=\"{color}\" stroke=\"#000\"><title>{} at {}</title></path>",
            event.severity.name(),
            clock_text(event.time_s)
        );
    }
}

fn push_flag_marks(text: &mut String, audit: &Audit, flag: FrameFlags, middle: i32, scale: &TimeScale<'_>) {
    let mut marked = vec![false; scale.width];
    for (index, frame) in audit.frames.iter().enumerate() {
        if frame.flags.contains(flag) {
            marked[scale.columns(index, index + 1, MARK_PX_MIN)].fill(true);
        }
    }
    let marks = path(scale.left, scale.width, |column| marked[column].then_some((middle - 5, middle + 5)));
    let _ = writeln!(text, "<path class=\"mark\" d=\"{marks}\" fill=\"{}\"/>", palette::QUIET_INK);
}

fn severity_color(severity: Severity) -> &'static str {
    match severity {
        Severity::Info => palette::INFO,
        Severity::Warning => palette::WARNING,
        Severity::Fault => palette::FAULT,
    }
}

/// Diamond for a fault, triangle for a warning, square for what is worth knowing.
fn severity_shape(severity: Severity, x: i32, y: i32) -> String {
    match severity {
        Severity::Fault => format!("M{x} {}l6 6l-6 6l-6 -6z", y - 6),
        Severity::Warning => format!("M{x} {}l6 10h-12z", y - 5),
        Severity::Info => format!("M{} {}h8v8h-8z", x - 4, y - 4),
    }
}

fn push_frames_lane(text: &mut String, audit: &Audit, axes: &Axes, layout: &Layout, scale: &TimeScale<'_>) {
    let shares = columns::shares(audit, scale);
    let broken = broken_columns(audit, scale);
    let (top, bottom) = (axes.frames_px.start, axes.frames_px.end);
    let middle = (top + bottom) / 2;
    let lane = |share: fn(&Shares) -> f64, wanted: Option<bool>, height: i32, up: bool| {
        path(scale.left, scale.width, |column| {
            let shown = &shares[column];
            if shown.separator || share(shown) <= 0.0 || wanted.is_some_and(|wanted| broken[column] != wanted)
            {
                return None;
            }
            let length = (share(shown) * f64::from(height)).max(PRESENCE_PX_MIN).round() as i32;
            Some(if up { (middle - length, middle) } else { (middle, middle + length) })
        })
    };
    let half = (bottom - top) / 2;
    push_lane(text, "new", &lane(|s| s.new, None, half, true), palette::NEW);
    push_lane(text, "repeat", &lane(|s| s.repeat, Some(false), half, false), palette::REPEAT);
    push_lane(text, "repeat-outside", &lane(|s| s.repeat, Some(true), half, false), palette::FAULT);
    let still = path(scale.left, scale.width, |column| {
        (shares[column].still > 0.0 && !shares[column].separator)
            .then_some((layout.still_top, layout.still_top + STILL_LANE_PX))
    });
    push_lane(text, "still", &still, palette::STILL);
    let x = PLOT_LEFT - 52;
    for (name, y, color) in [
        ("new", middle - half / 2, palette::NEW),
        ("repeat", middle + half / 2, palette::REPEAT_INK),
        ("still", layout.still_top + 8, palette::QUIET_INK),
    ]
    .into_iter()
    .filter(|(name, ..)| *name != "still" || !still.is_empty())
    {
        let _ = writeln!(
            text,
            "<text x=\"{x}\" y=\"{}\" font-size=\"12\" font-weight=\"bold\" text-anchor=\"end\" fill=\"{color}\">{name}</text>",
            y + 4
        );
    }
    let _ = writeln!(text, "<path d=\"M{} {middle}h{}\" stroke=\"#000\"/>", scale.left, scale.width);
}

fn push_lane(text: &mut String, name: &str, data: &str, color: &str) {
    if !data.is_empty() {
        let _ = writeln!(text, "<path class=\"lane\" data-lane=\"{name}\" d=\"{data}\" fill=\"{color}\"/>");
    }
}

/// Columns where a hold leaves the cadence or the picture freezes.
fn broken_columns(audit: &Audit, scale: &TimeScale<'_>) -> Vec<bool> {
    let mut broken = vec![false; scale.width];
    let index = |frame: u64| usize::try_from(frame).unwrap_or(usize::MAX);
    for found in &audit.cadence.breaks {
        let first = index(found.frame);
        broken[scale.columns(first, first.saturating_add(found.found_hold as usize), 1)].fill(true);
    }
    for freeze in &audit.cadence.freezes {
        broken[scale.columns(index(freeze.first_frame), index(freeze.last_frame).saturating_add(1), 1)]
            .fill(true);
    }
    broken
}

/// How long each picture stays, and the scale that shows it.
struct HoldDurations {
    /// First frame, frames, ms, judged.
    holds: Vec<(usize, usize, f64, bool)>,
    /// Top of the scale, ms.
    scale_ms: f64,
}

impl HoldDurations {
    fn new(audit: &Audit) -> Self {
        let ticks = &audit.times.ticks;
        let period_ms = audit.times.delivered_rate.period_ms();
        let holds: Vec<_> = audit
            .cadence
            .holds
            .iter()
            .filter_map(|hold| {
                let first = usize::try_from(hold.first_frame).ok()?;
                let frames = hold.frames as usize;
                let start = *ticks.get(first)?;
                let ms = match ticks.get(first + frames) {
                    Some(end) => audit.times.base.seconds(end.saturating_sub(start)) * 1000.0,
                    None => {
                        audit.times.base.seconds(ticks.last()?.saturating_sub(start)) * 1000.0 + period_ms
                    }
                };
                Some((first, frames, ms.max(0.0), hold.judged))
            })
            .collect();
        let scale_ms = scale_ms(&holds, period_ms);
        Self { holds, scale_ms }
    }
}

/// Room above the longest hold within [`SCALE_MEDIANS`] medians, rounded up to whole 10 ms.
fn scale_ms(holds: &[(usize, usize, f64, bool)], period_ms: f64) -> f64 {
    let mut durations: Vec<f64> = holds.iter().map(|hold| hold.2).collect();
    let middle = durations.len() / 2;
    let median = if durations.is_empty() {
        period_ms
    } else {
        *durations.select_nth_unstable_by(middle, f64::total_cmp).1
    };
    let limit = SCALE_MEDIANS * median;
    let longest = durations.iter().copied().filter(|&ms| ms <= limit).fold(2.0 * period_ms, f64::max);
    (longest * 1.2 / 10.0).ceil() * 10.0
}

fn push_holds_lane(text: &mut String, holds: &HoldDurations, axes: &Axes, scale: &TimeScale<'_>) {
    let (top, bottom) = (axes.holds_px.start, axes.holds_px.end);
    let y = |ms: f64| bottom - (ms / axes.holds_scale_ms * f64::from(bottom - top)).round() as i32;
    let mut spans: [Vec<Option<(f64, f64)>>; 2] = [vec![None; scale.width], vec![None; scale.width]];
    let mut beyond: Vec<f64> = vec![0.0; scale.width];
    for &(first, frames, ms, judged) in &holds.holds {
        let columns = scale.columns(first, first.saturating_add(frames), 1);
        for span in &mut spans[usize::from(judged)][columns.clone()] {
            let (low, high) = span.unwrap_or((ms, ms));
            *span = Some((low.min(ms), high.max(ms)));
        }
        if judged && ms > axes.holds_scale_ms {
            beyond[columns].iter_mut().for_each(|longest| *longest = longest.max(ms));
        }
    }
    for (judged, name, color) in [(0, "hold-not-judged", palette::STILL), (1, "hold", palette::HOLD)] {
        let edge = |ms: f64| {
            let centre = y(ms).clamp(top + HOLD_LINE_PX / 2, bottom - HOLD_LINE_PX / 2);
            (centre - HOLD_LINE_PX / 2, centre + HOLD_LINE_PX / 2)
        };
        let between = path(scale.left, scale.width, |column| {
            spans[judged][column]
                .filter(|(low, high)| low < high)
                .map(|(low, high)| (edge(high).0, edge(low).1))
        });
        push_lane(text, "hold-range", &between, palette::HOLD_RANGE);
        let lines = [
            path(scale.left, scale.width, |column| spans[judged][column].map(|(_, high)| edge(high))),
            path(scale.left, scale.width, |column| {
                spans[judged][column].filter(|(low, high)| low < high).map(|(low, _)| edge(low))
            }),
        ];
        push_lane(text, name, &lines.concat(), color);
    }
    push_beyond(text, &beyond, top, scale);
}

/// Arrows where a picture stays longer than the scale shows, with the longest time in words.
fn push_beyond(text: &mut String, beyond: &[f64], top: i32, scale: &TimeScale<'_>) {
    /// Room of the longest time in words and of its arrow, px.
    const BEYOND_LABEL_PX: i32 = 75;
    let mut arrows = String::new();
    let mut arrow_places: Vec<i32> = Vec::new();
    let mut longest = (0.0, 0);
    let mut column = 0;
    while column < beyond.len() {
        let first = column;
        while column < beyond.len() && beyond[column] == beyond[first] {
            column += 1;
        }
        if beyond[first] > 0.0 {
            let x = scale.left + (first + column) as i32 / 2;
            let _ = write!(arrows, "M{x} {}l5 9h-10z", top - 2);
            arrow_places.push(x);
            if beyond[first] > longest.0 {
                longest = (beyond[first], x);
            }
        }
    }
    if arrows.is_empty() {
        return;
    }
    let _ =
        writeln!(text, "<path class=\"beyond\" d=\"{arrows}\" fill=\"{}\" stroke=\"#000\"/>", palette::FAULT);
    let (ms, x) = longest;
    // Among other arrows it could not be read; the first sentence says it.
    if arrow_places.iter().any(|&other| other != x && (other - x).abs() < BEYOND_LABEL_PX) {
        return;
    }
    let (anchor, x) = if x > WIDTH * 3 / 4 { ("end", x - 9) } else { ("start", x + 9) };
    let _ = writeln!(
        text,
        "<text x=\"{x}\" y=\"{}\" font-size=\"12\" font-weight=\"bold\" text-anchor=\"{anchor}\" stroke=\"#fff\" \
         stroke-width=\"4\" paint-order=\"stroke\">{ms:.1} ms</text>",
        top + 8
    );
}

/// How a sign of the legend is drawn.
enum Sign {
    /// A patch of a lane's colour.
    Patch,
    /// The shape of a severity.
    Shape(Severity),
}

fn push_legend(text: &mut String, audit: &Audit, layout: &Layout) {
    /// Widest letter of the legend's type, room of a sign, and room between entries, px.
    const LETTER_PX: i32 = 7;
    const SIGN_PX: i32 = 18;
    const BETWEEN_PX: i32 = 24;
    // What is drawn is named, and nothing else.
    let has = |class: FrameClass| audit.frames.iter().any(|frame| frame.class == class);
    let leaves = !audit.cadence.breaks.is_empty() || !audit.cadence.freezes.is_empty();
    let is_there = |severity: Severity| audit.events.iter().any(|event| event.severity == severity);
    let entries = [
        (has(FrameClass::New), Sign::Patch, palette::NEW, "new picture (up)"),
        (has(FrameClass::Repeat), Sign::Patch, palette::REPEAT, "repeat of the picture before (down)"),
        (leaves, Sign::Patch, palette::FAULT, "repeat outside the cadence (down)"),
        (has(FrameClass::Still), Sign::Patch, palette::STILL, "still, not judged"),
        (is_there(Severity::Fault), Sign::Shape(Severity::Fault), palette::FAULT, "fault"),
        (is_there(Severity::Warning), Sign::Shape(Severity::Warning), palette::WARNING, "warning"),
        (is_there(Severity::Info), Sign::Shape(Severity::Info), palette::INFO, "worth knowing"),
    ];
    text.push_str("<g class=\"legend\" font-size=\"12\">\n");
    let (mut x, mut y) = (MARGIN, layout.legend_top + 10);
    for (_, sign, color, name) in entries.into_iter().filter(|(is_drawn, ..)| *is_drawn) {
        let width = SIGN_PX + LETTER_PX * name.chars().count() as i32;
        if x + width > WIDTH - MARGIN {
            (x, y) = (MARGIN, y + 20);
        }
        let shape = match sign {
            Sign::Patch => format!("M{x} {}h12v10h-12z", y - 9),
            Sign::Shape(severity) => severity_shape(severity, x + 6, y - 4),
        };
        let _ = writeln!(
            text,
            "<path d=\"{shape}\" fill=\"{color}\"/><text x=\"{}\" y=\"{y}\">{name}</text>",
            x + SIGN_PX
        );
        x += width + BETWEEN_PX;
    }
    text.push_str("</g>\n");
}
