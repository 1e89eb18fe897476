//! Whether the parts of an audit that was read back belong together.

use std::io::ErrorKind;
use std::path::Path;

use serde_json::Value;

use super::{unreadable, wrong};
use crate::audit::Audit;
use crate::audit_store::json::{self, ColumnsRow};
use crate::audit_store::{csv, AUDIT_JSON, FRAMES_CSV, PROVENANCE_JSON, REPORT_HTML, SUMMARY_MD};
use crate::error::{excerpt, Error, Result};
use crate::fingerprint::UNKNOWN_DIGEST;
use crate::output::manifest::{Manifest, MANIFEST};

/// What of an audit that was read back is not what it must be.
pub(super) enum Misfit {
    /// In the table of frames.
    Frames(String),
    /// In the table of fields.
    Fields(String),
    /// In the document.
    Document(String),
}

/// The first part of an audit that does not fit: a column that is not the one the document was written with, or a field of
/// the document that does not follow from the rest. `laid_out` is how the document's text stands where it was read.
pub(super) fn misfit(
    audit: &Audit,
    bound: &ColumnsRow,
    text: &str,
    laid_out: impl Fn(&str) -> String,
) -> Option<Misfit> {
    let again = ColumnsRow::of(audit);
    if let Some(column) = other_column(&again.frames, &bound.frames) {
        return Some(Misfit::Frames(column));
    }
    let none = csv::ColumnDigests::new();
    let fields = |columns: &ColumnsRow| columns.fields.clone().unwrap_or_else(|| none.clone());
    if let Some(column) = other_column(&fields(&again), &fields(bound)) {
        return Some(Misfit::Fields(column));
    }
    if audit.frames.iter().all(|frame| frame.digest != UNKNOWN_DIGEST) {
        let mut all = blake3::Hasher::new();
        audit.frames.iter().for_each(|frame| {
            all.update(&frame.digest);
        });
        if audit.digest != *all.finalize().as_bytes() {
            return Some(Misfit::Frames(changed_column("digest")));
        }
    }
    let document = json::document_with(audit, again);
    if laid_out(&document) == text {
        return None;
    }
    let value = |text: &str| serde_json::from_str::<Value>(text).unwrap_or_default();
    let cause = match difference(&value(&document), &value(text)) {
        Some(field) => format!("its {field} does not follow from the rest"),
        None => "it is laid out otherwise than it was written".to_owned(),
    };
    Some(Misfit::Document(cause))
}

fn other_column(again: &csv::ColumnDigests, bound: &csv::ColumnDigests) -> Option<String> {
    let of_either = again.keys().chain(bound.keys());
    let other = of_either.into_iter().find(|name| again.get(*name) != bound.get(*name));
    other.map(|name| changed_column(name))
}

fn changed_column(name: &str) -> String {
    format!("its column {} is not the one that {AUDIT_JSON} was written with", excerpt(name))
}

/// The first field in which two documents differ, for instance `findings[0].text`.
fn difference(one: &Value, other: &Value) -> Option<String> {
    match (one, other) {
        (Value::Object(one), Value::Object(other)) => {
            let names = one.keys().chain(other.keys().filter(|name| !one.contains_key(*name)));
            names.into_iter().find_map(|name| match (one.get(name), other.get(name)) {
                (Some(one), Some(other)) => {
                    let below = difference(one, other)?;
                    let joint = if below.is_empty() || below.starts_with('[') { "" } else { "." };
                    Some(format!("{name}{joint}{below}"))
                }
                // What another program added may be anything.
                (None, Some(_)) => Some("list of fields".to_owned()),
                _ => Some(name.clone()),
            })
        }
        (Value::Array(one), Value::Array(other)) if one.len() == other.len() => {
            one.iter().zip(other).enumerate().find_map(|(place, (one, other))| {
                let below = difference(one, other)?;
                let joint = if below.is_empty() || below.starts_with('[') { "" } else { "." };
                Some(format!("[{place}]{joint}{below}"))
            })
        }
        _ => (one != other).then(String::new),
    }
}

/// Holds every file of a report against the digest that binds it to its audit.
pub(super) fn check_files(folder: &Path) -> Result<()> {
    let manifest = Manifest::read(folder).map_err(|error| match error.kind() {
        ErrorKind::InvalidData => wrong(&folder.join(MANIFEST), error.to_string()),
        _ => unreadable(&folder.join(MANIFEST), &error),
    })?;
    let needed = [AUDIT_JSON, FRAMES_CSV, PROVENANCE_JSON, REPORT_HTML, SUMMARY_MD];
    if let Some(name) = needed.into_iter().find(|name| !manifest.files.contains_key(*name)) {
        return Err(wrong(&folder.join(MANIFEST), format!("it names no {name}")));
    }
    manifest.check(folder).map_err(|(name, cause)| {
        Error::new(
            folder.join(name).display().to_string(),
            "not a whole report",
            cause,
            "give the folder as it was written, or its report.html alone",
        )
    })
}
