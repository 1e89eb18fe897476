//! Files of a comparison: `compare.json`, `compare.html`, `compare.md` and `compare.svg`. They depend on the
//! [`Comparison`] alone.

mod chart;
mod json;
mod page;
mod table;

use std::fmt::Write;

use crate::compare::{Basis, Comparison, Coverage, Device};
use crate::error::Result;
use crate::escape::{markdown, visible};
use crate::output::OutputFolder;
use crate::settings::DeviceFacts;
use crate::words::{counted, grouped, listed, verb};

use super::raster;
use super::text::who;

pub use chart::svg;
pub use json::{document, SCHEMA};
pub use page::page;

/// Name of the machine-readable result.
pub const COMPARE_JSON: &str = "compare.json";
/// Name of the page.
pub const COMPARE_HTML: &str = "compare.html";
/// Name of the summary.
pub const COMPARE_MD: &str = "compare.md";
/// Name of the chart.
pub const COMPARE_SVG: &str = "compare.svg";
/// Name of the chart for trackers that refuse SVG.
pub const COMPARE_PNG: &str = "compare.png";

/// Every file that a comparison may have.
pub const FILES: [&str; 5] = [COMPARE_JSON, COMPARE_HTML, COMPARE_MD, COMPARE_SVG, COMPARE_PNG];

/// Writes all files of a comparison and puts them into their place, all at once.
///
/// # Errors
/// A file cannot be written.
pub fn write_all(comparison: &Comparison, target: OutputFolder) -> Result<()> {
    let chart = svg(comparison);
    target.write_file(COMPARE_JSON, |out| out.write_all(document(comparison).as_bytes()))?;
    target.write_file(COMPARE_SVG, |out| out.write_all(chart.as_bytes()))?;
    if let Some(png) = raster::png(COMPARE_PNG, &chart, raster::SHARP)? {
        target.write_file(COMPARE_PNG, |out| out.write_all(&png))?;
    }
    target.write_file(COMPARE_HTML, |out| out.write_all(page(comparison, &chart).as_bytes()))?;
    target.write_file(COMPARE_MD, |out| out.write_all(summary(comparison).as_bytes()))?;
    target.commit()
}

/// `compare.md`: what to paste into a tracker.
pub fn summary(comparison: &Comparison) -> String {
    let mut text = format!("# {}\n\n", markdown(&title(comparison)));
    for sentence in sentences(comparison) {
        let _ = writeln!(text, "{}\n", markdown(&sentence));
    }
    let chart = if raster::DRAWN { COMPARE_PNG } else { COMPARE_SVG };
    let _ = writeln!(text, "![Pictures that each device delivered]({chart})\n");
    table::push_markdown(&mut text, comparison);
    let _ = writeln!(text, "\n▲ best, ▼ worst, = no difference beyond what is uncertain, – not known.");
    text
}

/// Plain text for standard output.
pub fn terminal(comparison: &Comparison) -> String {
    let mut text = String::new();
    for sentence in sentences(comparison) {
        for line in super::text::wrap(&visible(&sentence), super::terminal::COLUMNS) {
            let _ = writeln!(text, "{line}");
        }
    }
    text
}

/// Which devices show every picture and which do not, in one sentence.
pub(super) fn title(comparison: &Comparison) -> String {
    let devices = comparison.devices.len() as u64;
    let (mut whole, mut lacking) = (Vec::new(), Vec::new());
    for device in &comparison.devices {
        let Some(coverage) =
            device.coverage.as_ref().filter(|coverage| coverage.pictures() > coverage.perhaps)
        else {
            continue;
        };
        let side = if coverage.never + coverage.only_mixed == 0 { &mut whole } else { &mut lacking };
        side.push(device.name.clone());
    }
    let count = |names: &[String]| names.len() as u64;
    match (whole.as_slice(), lacking.as_slice()) {
        ([], []) => format!("{}: their pictures are not compared", counted(devices, "device")),
        (whole, []) => format!("{} {} every picture", listed(whole), verb(count(whole), "show")),
        ([], lacking) => format!(
            "No device shows every picture: {} {} some",
            listed(lacking),
            verb(count(lacking), "lack")
        ),
        (whole, lacking) => format!(
            "{} {} every picture; {} {} some",
            listed(whole),
            verb(count(whole), "show"),
            listed(lacking),
            verb(count(lacking), "lack")
        ),
    }
}

/// What the person said of a device besides its name.
pub(super) fn details(device: &Device) -> Option<String> {
    who(&DeviceFacts { name: None, ..device.told.clone() })
}

/// What one device shows, without its name; nothing where that is not known.
pub(super) fn device_text(device: &Device) -> Option<String> {
    let coverage = device.coverage.as_ref()?;
    let told = coverage.pictures() - coverage.perhaps;
    if told == 0 {
        return None;
    }
    let of = counted(told, "picture");
    let mixed = coverage.only_mixed;
    Some(match (coverage.never, mixed) {
        (0, 0) => format!("shows all {of} that can be told"),
        (0, mixed) => format!("shows {} of {of} only within mixes", grouped(mixed)),
        (never, mixed) => {
            let regular =
                regular_share(coverage).map_or_else(String::new, |(_, words)| format!(": it shows {words}"));
            let mixed = match mixed {
                0 => String::new(),
                mixed => format!(", {} only within mixes", grouped(mixed)),
            };
            format!("never shows {} of {of}{mixed}{regular}", grouped(never))
        }
    })
}

/// What was found, most important first.
pub(super) fn sentences(comparison: &Comparison) -> Vec<String> {
    let mut sentences = vec![basis_text(comparison)];
    let of_device = |device: &Device| Some(format!("{} {}.", device.name, device_text(device)?));
    sentences.extend(comparison.devices.iter().filter_map(of_device));
    let incomplete: Vec<&str> = comparison
        .devices
        .iter()
        .filter(|device| !device.complete)
        .map(|device| device.name.as_str())
        .collect();
    if !incomplete.is_empty() {
        sentences.push(format!("Not read whole, so only in part comparable: {}.", incomplete.join(", ")));
    }
    sentences
}

fn basis_text(comparison: &Comparison) -> String {
    match &comparison.basis {
        Basis::Clip(clip) => format!(
            "Pictures are compared on the index of the clip {} ({} pictures/s): {} of it appeared on any device.",
            clip.name,
            clip.rate,
            counted(comparison.pictures, "picture")
        ),
        Basis::Captures(base) => format!(
            "The clip is not at hand: the recordings were aligned with each other, that of {base} first. Together they \
             show {}, the best known sequence. What no device showed is not known.",
            counted(comparison.pictures, "picture")
        ),
        Basis::None(why) => format!("Pictures are not compared one by one: {why}."),
    }
}

/// The share and its words, `every second` or `one in three`, where what is shown is that of a regular skip within 2 % or what is uncertain.
pub(super) fn regular_share(coverage: &Coverage) -> Option<(f64, &'static str)> {
    const WITHIN: f64 = 0.02;
    let (share, uncertainty) = (coverage.share()?, coverage.uncertainty());
    [
        (1.0 / 2.0, "every second"),
        (1.0 / 3.0, "one in three"),
        (2.0 / 3.0, "two in three"),
        (0.25, "one in four"),
    ]
    .into_iter()
    .find(|(regular, _)| (share - regular).abs() <= (WITHIN * regular).max(uncertainty))
}
