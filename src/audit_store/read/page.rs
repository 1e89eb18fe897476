//! An audit read back from the page alone.

use std::io::{ErrorKind, Read};
use std::path::Path;

use super::fit::{misfit, Misfit};
use super::table::Rows;
use super::{open, read_folder, read_text, take_pictures, wrong, Document, DOCUMENT_BYTES_MAX};
use crate::audit::Audit;
use crate::audit_store::page_blocks::{
    self, block, unsealed, AUDIT_ID, DIGESTS_ID, END, FIELDS_ID, FRAMES_ID, PICTURES_ID, PROVENANCE_ID,
};
use crate::audit_store::provenance::{self, Provenance};
use crate::audit_store::AUDIT_JSON;
use crate::error::{plain_cause, Error, Result};
use crate::escape::script_data;

/// What every page begins with, and no JSON.
const START: &[u8] = b"<!DOCTYPE html>";

const NO_PAGE: &str = "it is no such page, or of an earlier version";

/// Whether a file is a page, by its first bytes.
///
/// # Errors
/// It is missing or unreadable.
pub(super) fn is_page(path: &Path) -> Result<bool> {
    let mut start = Vec::new();
    let read = open(path)?.take(START.len() as u64).read_to_end(&mut start);
    match read {
        Ok(_) => Ok(start == START),
        Err(error) if error.kind() == ErrorKind::IsADirectory => Ok(false),
        Err(error) => Err(wrong(path, plain_cause(&error))),
    }
}

/// Reads a page; what it has no room for comes from the files beside it, where they are of the same audit.
///
/// # Errors
/// It is unreadable, cut, damaged, or no page of an audit.
pub(super) fn read(path: &Path) -> Result<(Audit, Provenance)> {
    let text = read_text(path)?;
    let beside = path.with_file_name(AUDIT_JSON);
    let is_whole =
        [FRAMES_ID, PROVENANCE_ID, DIGESTS_ID, PICTURES_ID].iter().all(|id| block(&text, id).is_some());
    if !is_whole && is_of_document(&text, &beside) {
        return read_folder(&beside);
    }
    audit_of(&text).map_err(|cause| {
        Error::new(
            path.display().to_string(),
            "not a whole report of this version of evenbeat",
            cause,
            "give the page as it was written, or the folder that `evenbeat audit` wrote",
        )
    })
}

/// Whether a page is of the audit whose document lies at `path`.
fn is_of_document(page: &str, path: &Path) -> bool {
    let length = path.metadata().map_or(0, |found| found.len());
    if !(1..DOCUMENT_BYTES_MAX).contains(&length) {
        return false;
    }
    read_text(path).is_ok_and(|document| block(page, AUDIT_ID) == Some(&script_data(&document)))
}

fn audit_of(page: &str) -> std::result::Result<(Audit, Provenance), String> {
    let Some((page, is_sealed)) = unsealed(page) else {
        // Any other page that is whole is no page of ours.
        let is_other = page.trim_end().ends_with(END) && block(page, AUDIT_ID).is_none();
        let cause = if is_other { NO_PAGE } else { "it is cut: its end is missing" };
        return Err(cause.to_owned());
    };
    let needed = |id: &str| block(page, id).ok_or_else(|| format!("{NO_PAGE}: it has no block {id:?}"));
    let in_block = |id: &'static str| move |cause: String| format!("its block {id:?}: {cause}");
    let text = needed(AUDIT_ID)?;
    let document = Document::parse(text).map_err(in_block(AUDIT_ID))?;
    let (provenance, reader) = provenance::read(needed(PROVENANCE_ID)?).map_err(in_block(PROVENANCE_ID))?;
    let table =
        page_blocks::read_frames(needed(FRAMES_ID)?, document.capture.frames).map_err(in_block(FRAMES_ID))?;
    let mut rows =
        Rows { frames: table.frames, ticks: table.ticks, places: table.places, fields: Vec::new() };
    if document.first_field()?.is_some() {
        let fields = document.capture.frames.saturating_mul(2);
        rows.fields = page_blocks::read_fields(needed(FIELDS_ID)?, fields).map_err(in_block(FIELDS_ID))?;
    }
    if let Some(digests) = block(page, DIGESTS_ID) {
        page_blocks::read_digests(digests, &mut rows.frames, &mut rows.fields)
            .map_err(in_block(DIGESTS_ID))?;
    }
    let (mut audit, bound) = document.audit(rows, reader)?;
    match misfit(&audit, &bound, text, script_data) {
        None => {}
        Some(Misfit::Frames(cause)) => return Err(in_block(FRAMES_ID)(cause)),
        Some(Misfit::Fields(cause)) => return Err(in_block(FIELDS_ID)(cause)),
        Some(Misfit::Document(cause)) => return Err(in_block(AUDIT_ID)(cause)),
    }
    if let Some(pictures) = block(page, PICTURES_ID) {
        let pictures = page_blocks::decoded(pictures).map_err(in_block(PICTURES_ID))?;
        take_pictures(&pictures[..], &mut audit).map_err(in_block(PICTURES_ID))?;
    }
    // Last, so that what can be named more closely has been.
    if !is_sealed {
        return Err(
            "it was changed after it was written: the digest at its end is of another page".to_owned()
        );
    }
    Ok((audit, provenance))
}
