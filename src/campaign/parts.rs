//! A large recording in parts: each is fingerprinted by a task of its own, whichever is last joins them.

use std::fs;
use std::path::{Path, PathBuf};
use std::sync::atomic::{AtomicBool, Ordering};

use super::known::{Known, Stamp};
use super::plan::Unit;
use super::unit::{decoder_of, DECIDING};
use super::PRIVATE;
use crate::audit::Run;
use crate::capture::{CaptureArg, Part};
use crate::error::{Error, Result};
use crate::fingerprint_parts::{join, write_part};
use crate::output::{write_error, Existing, Lock, WholeFile};
use crate::pipeline::NoProgress;
use crate::settings::{PathNames, Settings};

/// Folder of the parts' logs within [`PRIVATE`].
const PARTS: &str = "parts";
/// What errors call a log.
const LOG: &str = "fingerprint log";

/// Logs of the parts of one recording, as it is now.
pub(super) struct Parts {
    folder: PathBuf,
    of: u32,
}

impl Parts {
    /// Those in the campaign's folder `out`. What is read in parts is known by size and time of change: a digest would ask
    /// every task to read all of it.
    pub(super) fn new((unit, of): (&Unit, u32), out: &Path, known: &Known) -> Self {
        let mut hasher = blake3::Hasher::new();
        let mut add = |text: &str| {
            hasher.update(&(text.len() as u64).to_le_bytes()).update(text.as_bytes());
        };
        add(DECIDING);
        add(&decoder_of(unit, known).unwrap_or_default());
        add(&unit.folder);
        for file in [Some(&unit.recording), unit.settings.reading.timestamps.as_ref()].into_iter().flatten() {
            add(&PathNames::Last.of(file));
            add(&Stamp::of(file).map(|stamp| format!("{stamp:?}")).unwrap_or_default());
        }
        for (name, value) in unit.settings.changed(PathNames::Last) {
            add(&format!("{name} {value}"));
        }
        let name = format!("{}-{of}", &hasher.finalize().to_hex()[..32]);
        Self { folder: out.join(PRIVATE).join(PARTS).join(name), of }
    }

    fn log(&self, part: u32) -> PathBuf {
        self.folder.join(format!("{part}.part"))
    }

    /// Fingerprints a part of a recording, unless that was done.
    ///
    /// # Errors
    /// It cannot be read by itself, or not to its end.
    pub(super) fn read(
        &self,
        part: Part,
        settings: &Settings,
        recording: &Path,
        stop: &AtomicBool,
    ) -> Result<()> {
        let path = self.log(part.number());
        if path.is_file() {
            return Ok(());
        }
        fs::create_dir_all(&self.folder)
            .map_err(|error| write_error(&self.folder, "cannot create folder", &error))?;
        let mut log = WholeFile::reserve(&path, LOG, Existing::Replace)?;
        let capture = CaptureArg::Path(recording.to_owned());
        let run = Run { progress: &NoProgress, stop };
        let end = write_part(&capture, (settings, part), run, (LOG, &mut log))?;
        // Only the end of a recording may be missing.
        let is_usable = end.error.is_none() && (end.is_complete() || part.number() == part.of());
        if is_usable && !stop.load(Ordering::SeqCst) {
            return log.commit();
        }
        let place = recording.display().to_string();
        let cause = format!("part {} of {} was not read to its end", part.number(), part.of());
        Err(end.error.unwrap_or_else(|| Error::new(place, "not whole", cause, "run the campaign again")))
    }

    /// Whether all parts were read.
    pub(super) fn are_all_there(&self) -> bool {
        (1..=self.of).all(|part| self.log(part).is_file())
    }

    /// Who joins; `None` where another task does.
    pub(super) fn claim(&self) -> Result<Option<Lock>> {
        let path = self.folder.with_extension("lock");
        let failed = |error| write_error(&path, "cannot write", &error);
        fs::create_dir_all(self.folder.parent().unwrap_or(Path::new(""))).map_err(failed)?;
        Lock::take(&path).map_err(failed)
    }

    /// The log of the whole; `None` where the parts do not fit together, as of a recording that cannot be read alike from
    /// its middle.
    pub(super) fn joined(&self) -> Option<PathBuf> {
        let path = self.folder.join("whole.log");
        let logs: Vec<PathBuf> = (1..=self.of).map(|part| self.log(part)).collect();
        let mut log = WholeFile::reserve(&path, LOG, Existing::Replace).ok()?;
        join(&logs, (LOG, &mut log)).ok()?;
        log.commit().ok()?;
        Some(path)
    }

    /// Removes the logs.
    pub(super) fn clear(&self) {
        // What stays is in nobody's way.
        let _ = fs::remove_dir_all(&self.folder);
    }
}
