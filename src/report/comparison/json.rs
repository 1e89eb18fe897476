//! `compare.json`, format version 1.

use serde::Serialize;

use crate::audit_store::values::{optional, rounded};
use crate::compare::{Basis, Comparison, Coverage, Device, MEASURES};
use crate::settings::DeviceFacts;

/// The JSON Schema (2020-12) of the document.
pub const SCHEMA: &str = include_str!("../compare.schema.json");
/// Value of `format`.
const FORMAT: &str = "evenbeat-comparison";
/// Value of `format_version`.
const FORMAT_VERSION: u32 = 1;
/// Decimals of values: shares to one picture in a million, rates and times beyond what is known.
const DECIMALS: i32 = 6;

#[derive(Serialize)]
struct Document<'a> {
    format: &'static str,
    format_version: u32,
    basis: BasisRow<'a>,
    pictures: u64,
    duration_s: f64,
    devices: Vec<DeviceRow<'a>>,
    summary: Vec<String>,
}

#[derive(Serialize)]
struct BasisRow<'a> {
    kind: &'static str,
    clip_name: Option<&'a str>,
    clip_pictures: Option<u64>,
    clip_rate: Option<Ratio>,
    aligned_with: Option<&'a str>,
    reason: Option<&'a str>,
}

#[derive(Serialize)]
struct Ratio {
    num: u64,
    den: u64,
}

#[derive(Serialize)]
struct DeviceRow<'a> {
    name: &'a str,
    device: Option<ToldRow<'a>>,
    capture: &'a str,
    complete: bool,
    duration_s: f64,
    delivered_rate: Ratio,
    measures: Vec<MeasureRow>,
    pictures: Option<PicturesRow>,
}

/// What the person said of a device.
#[derive(Serialize)]
struct ToldRow<'a> {
    name: Option<&'a str>,
    firmware: Option<&'a str>,
    setting: Option<&'a str>,
    recorder: Option<&'a str>,
}

#[derive(Serialize)]
struct MeasureRow {
    key: &'static str,
    value: Option<f64>,
    uncertainty: f64,
    standing: &'static str,
}

#[derive(Serialize)]
struct PicturesRow {
    first: u64,
    last: u64,
    shown: u64,
    only_mixed: u64,
    ambiguous: u64,
    never_shown: u64,
}

/// The document, pretty-printed, with a line end at its end.
pub fn document(comparison: &Comparison) -> String {
    let devices = comparison.devices.iter().enumerate();
    let document = Document {
        format: FORMAT,
        format_version: FORMAT_VERSION,
        basis: basis_row(&comparison.basis),
        pictures: comparison.pictures,
        duration_s: rounded(comparison.duration_s, DECIMALS),
        devices: devices.map(|(place, device)| device_row(comparison, place, device)).collect(),
        summary: super::sentences(comparison),
    };
    let mut text =
        serde_json::to_string_pretty(&document).expect("plain structs with string keys always serialize");
    text.push('\n');
    text
}

fn basis_row(basis: &Basis) -> BasisRow<'_> {
    let none = BasisRow {
        kind: "none",
        clip_name: None,
        clip_pictures: None,
        clip_rate: None,
        aligned_with: None,
        reason: None,
    };
    match basis {
        Basis::Clip(clip) => BasisRow {
            kind: "clip",
            clip_name: Some(&clip.name),
            clip_pictures: clip.length,
            clip_rate: Some(Ratio { num: clip.rate.num(), den: clip.rate.den() }),
            ..none
        },
        Basis::Captures(base) => BasisRow { kind: "captures", aligned_with: Some(base), ..none },
        Basis::None(why) => BasisRow { reason: Some(why), ..none },
    }
}

fn device_row<'a>(comparison: &Comparison, place: usize, device: &'a Device) -> DeviceRow<'a> {
    let measure = |column: usize| MeasureRow {
        key: MEASURES[column].key,
        value: optional(device.values[column].value, DECIMALS),
        uncertainty: rounded(device.values[column].uncertainty, DECIMALS),
        standing: comparison.standings[column][place].name(),
    };
    DeviceRow {
        name: &device.name,
        device: told_row(&device.told),
        capture: &device.capture,
        complete: device.complete,
        duration_s: rounded(device.duration_s, DECIMALS),
        delivered_rate: Ratio { num: device.delivered_rate.num(), den: device.delivered_rate.den() },
        measures: (0..MEASURES.len()).map(measure).collect(),
        pictures: device.coverage.as_ref().map(pictures_row),
    }
}

fn told_row(told: &DeviceFacts) -> Option<ToldRow<'_>> {
    (!told.is_empty()).then_some(ToldRow {
        name: told.name.as_deref(),
        firmware: told.firmware.as_deref(),
        setting: told.setting.as_deref(),
        recorder: told.recorder.as_deref(),
    })
}

fn pictures_row(coverage: &Coverage) -> PicturesRow {
    PicturesRow {
        first: coverage.first,
        last: coverage.last,
        shown: coverage.shown,
        only_mixed: coverage.only_mixed,
        ambiguous: coverage.perhaps,
        never_shown: coverage.never,
    }
}
