//! What is read back of an audit, fed with bytes from nowhere, for the fuzzer.

use std::fs;
use std::path::Path;

use super::page_blocks::sealed;
use super::{pictures_log, provenance, read, REPORT_HTML};

/// Frames of the audit that the fuzzer's seeds are made from.
pub(crate) const FRAMES: usize = 12;

/// A page whose seal is right whatever it holds: behind it every reader of the page's blocks comes into reach.
pub(crate) fn page(bytes: &[u8], folder: &Path) -> bool {
    let text = String::from_utf8_lossy(bytes).into_owned();
    let path = folder.join(REPORT_HTML);
    let written = fs::create_dir_all(folder).and_then(|()| fs::write(&path, sealed(text)));
    written.is_ok() && read(&path).is_ok()
}

pub(crate) fn pictures(bytes: &[u8]) -> bool {
    pictures_log::read(bytes, FRAMES).is_ok()
}

pub(crate) fn provenance_document(bytes: &[u8]) -> bool {
    provenance::read(&String::from_utf8_lossy(bytes)).is_ok()
}

/// A table of frames.
pub(crate) fn table(bytes: &[u8]) -> bool {
    super::read::table_reads(bytes)
}
