//! The second reading for pictures: what can be read twice, and how much room there is.

use std::path::Path;
use std::sync::atomic::Ordering;

use evenbeat::audit::Audit;
use evenbeat::audit_store::Provenance;
use evenbeat::cancel::{self, Cancel};
use evenbeat::capture::{self, CaptureArg, CaptureKind};
use evenbeat::pictures::{self, Fetch, Open, Pictures};
use evenbeat::report;
use evenbeat::settings::Settings;

use super::interrupt::STOP;

/// Bytes of a megabyte as `--pictures` counts them.
const MB: u64 = 1_000_000;

/// What the report is about and how large it may become.
#[derive(Clone, Copy)]
pub struct Wanted<'a> {
    /// What was found.
    pub audit: &'a Audit,
    /// How the capture was read.
    pub settings: &'a Settings,
    /// Who, how and when.
    pub provenance: &'a Provenance,
    /// Largest size of `report.html`, MB.
    pub megabytes: u32,
}

/// Pictures from a capture that can be read again; otherwise none, and why.
pub fn of_capture(capture: &CaptureArg, wanted: Wanted<'_>) -> Pictures {
    if let Some(why) = unavailable(capture, wanted.megabytes) {
        return Pictures::none(format!("There are no pictures: {why}."));
    }
    cancel::attended(&STOP, |cancel| {
        of_source(&mut || capture::sniff(capture, cancel)?.open(&wanted.settings.reading), wanted)
    })
}

/// Pictures from what `open` opens.
pub fn of_source<'a>(open: &mut Open<'a>, wanted: Wanted<'_>) -> Pictures {
    let budget = report::pictures_budget(wanted.audit, wanted.provenance, u64::from(wanted.megabytes) * MB);
    let fetch = Fetch { audit: wanted.audit, view: &wanted.settings.view, budget, stop: &STOP };
    pictures::fetch(open, fetch).unwrap_or_else(|error| unreadable(&error))
}

fn unreadable(error: &evenbeat::error::Error) -> Pictures {
    let error = error.told_to_others();
    Pictures::none(format!("There are no pictures: the capture could not be read a second time ({error})."))
}

/// Why a second reading is out of the question, if it is.
fn unavailable(capture: &CaptureArg, megabytes: u32) -> Option<&'static str> {
    if megabytes == 0 {
        return Some("they were turned off with --pictures 0");
    }
    if STOP.load(Ordering::SeqCst) {
        return Some("the audit was interrupted");
    }
    let CaptureArg::Path(path) = capture else { return Some("standard input can be read only once") };
    if is_stream(path) {
        return Some("the capture can be read only once");
    }
    match capture::sniff(capture, &Cancel::default()).map(|sniffed| sniffed.kind()) {
        Ok(CaptureKind::FingerprintLog) => {
            Some("a fingerprint log holds none; give the capture with `evenbeat report`")
        }
        _ => None,
    }
}

/// Whether a path is neither file nor folder nor pattern: a pipe would wait for ever.
fn is_stream(path: &Path) -> bool {
    path.exists() && !path.is_file() && !path.is_dir()
}
