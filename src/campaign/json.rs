//! `campaign.json`, written and read back. Whoever wrote what is read may be a stranger: its size is bounded, and a
//! folder that leads out of the campaign's is refused.

use std::fs::File;
use std::io::Read;
use std::path::Path;

use super::model::{Aspect, Barcode, Campaign, FORMAT, FORMAT_VERSION};
use crate::error::{excerpt, plain_cause, Error, Result};
use crate::words::counted;

/// The JSON Schema (2020-12) of the document.
pub const SCHEMA: &str = include_str!("campaign.schema.json");
/// Largest document read, bytes: a hundred thousand cells take less.
const DOCUMENT_BYTES_MAX: u64 = 512 << 20;

/// The document, pretty-printed, with a line end at its end.
pub fn document(campaign: &Campaign) -> String {
    let mut text =
        serde_json::to_string_pretty(campaign).expect("plain structs with string keys always serialize");
    text.push('\n');
    text
}

/// Reads a campaign back: `path` is its `campaign.json`, or the folder it lies in.
///
/// # Errors
/// It is missing, unreadable, or not what a campaign writes.
pub fn read(path: &Path) -> Result<Campaign> {
    let path = if path.is_dir() { path.join(super::CAMPAIGN_JSON) } else { path.to_owned() };
    let wrong = |cause: String| {
        Error::new(
            path.display().to_string(),
            "cannot read the campaign",
            cause,
            "give the campaign.json that `evenbeat campaign` wrote, or its folder",
        )
    };
    let file = File::open(&path).map_err(|error| wrong(plain_cause(&error)))?;
    let mut text = String::new();
    let length = file
        .take(DOCUMENT_BYTES_MAX)
        .read_to_string(&mut text)
        .map_err(|error| wrong(plain_cause(&error)))?;
    if length as u64 == DOCUMENT_BYTES_MAX {
        return Err(wrong(format!("it is larger than {DOCUMENT_BYTES_MAX} bytes")));
    }
    parse(&text).map_err(wrong)
}

/// Reads the document.
///
/// # Errors
/// In words, what is wrong.
pub fn parse(text: &str) -> std::result::Result<Campaign, String> {
    let campaign: Campaign = serde_json::from_str(text).map_err(|error| {
        // The parser's own words hold what it met: no more of it than an error may carry.
        format!("line {} column {}: {}", error.line(), error.column(), excerpt(&error.to_string()))
    })?;
    check(&campaign)?;
    Ok(campaign)
}

/// What the types leave open.
fn check(campaign: &Campaign) -> std::result::Result<(), String> {
    if campaign.format != FORMAT || campaign.format_version != FORMAT_VERSION {
        return Err(format!(
            "its format is {} version {}, wanted is {FORMAT:?} version {FORMAT_VERSION}",
            excerpt(&campaign.format),
            campaign.format_version
        ));
    }
    if Some(campaign.cells.len()) != campaign.devices.len().checked_mul(campaign.clips.len()) {
        return Err(format!(
            "it has {}, wanted is one for each of {} and {}",
            counted(campaign.cells.len() as u64, "cell"),
            counted(campaign.devices.len() as u64, "device"),
            counted(campaign.clips.len() as u64, "clip")
        ));
    }
    let pairs =
        campaign.devices.iter().flat_map(|device| campaign.clips.iter().map(move |clip| (device, clip)));
    for (cell, (device, clip)) in campaign.cells.iter().zip(pairs) {
        if cell.device != device.id || cell.clip != clip.id {
            return Err(format!("its cells are not in order at {}", excerpt(&cell.device)));
        }
        if cell.shown_run.is_some_and(|shown| shown >= cell.runs.len()) {
            return Err(format!("a cell of {} shows a run that it has not", excerpt(&cell.device)));
        }
        if !is_all_or_none(&cell.aspects.iter().map(|row| row.aspect).collect::<Vec<_>>()) {
            return Err(format!("a cell of {} has other aspects", excerpt(&cell.device)));
        }
        for result in cell.runs.iter().filter_map(|run| run.result.as_ref()) {
            if !is_inside(&result.folder) {
                return Err(format!("{} is no folder of a campaign", excerpt(&result.folder)));
            }
            let known = |frame: char| "nrsmo".contains(frame);
            if result.barcode.frames.len() > Barcode::FRAMES_MAX || !result.barcode.frames.chars().all(known)
            {
                return Err(format!("{} are no frames", excerpt(&result.barcode.frames)));
            }
        }
    }
    Ok(())
}

fn is_all_or_none(aspects: &[Aspect]) -> bool {
    aspects.is_empty() || aspects == Aspect::ALL
}

/// Whether a folder lies within the campaign's on every system.
fn is_inside(folder: &str) -> bool {
    let is_plain = |part: &str| {
        let known = |letter: char| letter.is_ascii_alphanumeric() || "-_.".contains(letter);
        !part.is_empty() && !part.starts_with('.') && part.chars().all(known)
    };
    folder.split('/').all(is_plain)
}
