//! Report files from an [`Audit`]: nothing here measures.
//!
//! Every exporter takes the same plain values and returns text; [`crate::output`] is the only place that touches
//! files. `audit.json`, `frames.csv` and `timeline.svg` depend on the [`Audit`] alone, so that a capture and
//! its fingerprint log give the same bytes. Who ran what and when ([`Provenance`]) goes into `report.html`
//! and `summary.md` only.

pub mod campaign;
pub mod comparison;
mod film_strip;
mod frame_data;
pub mod html;
mod inline;
pub mod junit;
pub mod markdown;
pub mod palette;
mod raster;
mod source;
pub mod terminal;
mod text;
pub mod timeline;

use std::ops::Range;

use crate::audit::Audit;
use crate::audit_store::{
    csv, json, pictures_log, provenance, Provenance, AUDIT_JSON, FIELDS_CSV, FRAMES_CSV, PICTURES_LOG,
    PROVENANCE_JSON, REPORT_HTML, STRIP_PNG, SUMMARY_MD, TIMELINE_PNG, TIMELINE_SVG,
};
use crate::error::Result;
use crate::output::OutputFolder;
use crate::pictures::{Budget, Pictures};
use crate::pipeline;

/// Bytes of the stage and the headings around pictures, generously.
const STAGE_BYTES: u64 = 8_000;

/// What a report is made from.
#[derive(Clone, Copy, Debug)]
pub struct Report<'a> {
    /// What was found.
    pub audit: &'a Audit,
    /// Who, how and when.
    pub provenance: &'a Provenance,
    /// Pictures of the frames that matter.
    pub pictures: &'a Pictures,
    /// The stretch that the timeline shows, seconds from the first frame; `None` shows the whole capture.
    pub stretch: Option<&'a Range<f64>>,
}

/// Writes all report files and puts them into their place, all at once.
///
/// # Errors
/// A file cannot be written; then the folder is as it was.
pub fn write_all(report: &Report<'_>, target: OutputFolder) -> Result<()> {
    let chart = timeline::svg_of(report.audit, report.stretch)?;
    // Of a long capture the table takes as long as everything else.
    let (table, rest) = pipeline::both(
        || target.write_file(FRAMES_CSV, |out| csv::write(report.audit, out)),
        || write_rest(report, &chart, &target),
    );
    table.and(rest)?;
    target.commit()
}

/// Writes all files but `frames.csv`.
fn write_rest(report: &Report<'_>, chart: &str, target: &OutputFolder) -> Result<()> {
    let audit = report.audit;
    let document = json::document(audit);
    target.write_file(AUDIT_JSON, |out| out.write_all(document.as_bytes()))?;
    if let Some(fields) = &audit.fields.fields {
        target.write_file(FIELDS_CSV, |out| csv::write_fields(fields, out))?;
    }
    if !audit.signatures.is_empty() {
        let head = pictures_log::Head::new(audit.signatures.len(), audit.looked_at, &audit.digest);
        target.write_file(PICTURES_LOG, |out| pictures_log::write(&head, &audit.signatures, out))?;
    }
    target.write_file(TIMELINE_SVG, |out| out.write_all(chart.as_bytes()))?;
    let (drawn, written) = pipeline::both(
        || write_png_charts(report, chart, target),
        || write_pages(report, (chart, &document), target),
    );
    drawn.and(written)
}

/// Writes what trackers show that refuse SVG.
fn write_png_charts(report: &Report<'_>, chart: &str, target: &OutputFolder) -> Result<()> {
    if let Some(png) = raster::png(TIMELINE_PNG, chart, raster::SHARP)? {
        target.write_file(TIMELINE_PNG, |out| out.write_all(&png))?;
    }
    if let Some(strip) = film_strip::png(report)? {
        target.write_file(STRIP_PNG, |out| out.write_all(&strip))?;
    }
    Ok(())
}

/// Writes what is read, and who wrote it. The page holds the chart and the document.
fn write_pages(report: &Report<'_>, (chart, document): (&str, &str), target: &OutputFolder) -> Result<()> {
    let audit = report.audit;
    let provenance = provenance::document(report.provenance, &audit.facts.reader);
    target.write_file(PROVENANCE_JSON, |out| out.write_all(provenance.as_bytes()))?;
    let page = html::page_around(report, chart, document);
    target.write_file(REPORT_HTML, |out| out.write_all(page.as_bytes()))?;
    target.write_file(SUMMARY_MD, |out| out.write_all(markdown::summary(report).as_bytes()))
}

/// Room for pictures in a report of at most `limit_bytes`: what the page takes without any is taken off.
pub fn pictures_budget(audit: &Audit, provenance: &Provenance, limit_bytes: u64) -> Budget {
    let none = Pictures::default();
    let page = html::page(&Report { audit, provenance, pictures: &none, stretch: None }, "");
    let chart = timeline::svg(audit).map_or(0, |chart| chart.len() as u64);
    Budget { bytes: limit_bytes.saturating_sub(page.len() as u64 + chart + STAGE_BYTES) }
}
