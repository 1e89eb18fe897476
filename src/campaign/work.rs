//! Doing one task: the recording, or its last part, audited, its report in a folder of its own, whole or not at all.

use std::collections::BTreeMap;
use std::fs::{self, OpenOptions};
use std::io::{self, Write};
use std::path::{Path, PathBuf};
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::{Arc, Mutex, OnceLock, PoisonError};

use chrono::{DateTime, FixedOffset};

use super::known::{Known, Stamp};
use super::model::RunResult;
use super::parts::Parts;
use super::plan::{Plan, Unit};
use super::rows;
use super::task::Task;
use super::unit::{self, Failure, Found, Inputs, Kept, UNIT_JSON};
use super::PRIVATE;
use crate::audit::{self, Audit, Run};
use crate::audit_store::{Provenance, Shell};
use crate::capture::CaptureArg;
use crate::error::{plain_cause, Error, Result};
use crate::note::NoteCode;
use crate::output::{write_error, Disk, Existing, OutputFolder, WholeFile};
use crate::pipeline::NoProgress;
use crate::settings::{PathNames, ReadingSettings, Settings};

/// Folder of the clips' fingerprint logs within [`PRIVATE`].
const CLIPS: &str = "clips";
/// Folder of digests within [`PRIVATE`].
const KNOWN: &str = "known";

/// What a report is written of.
#[derive(Clone, Copy)]
pub struct Subject<'a> {
    /// The recording.
    pub capture: &'a CaptureArg,
    /// What was found.
    pub audit: &'a Audit,
    /// How it was read.
    pub settings: &'a Settings,
    /// Who, how and when.
    pub provenance: &'a Provenance,
}

/// Where units are done.
pub struct Workplace<'a> {
    /// The campaign's folder.
    pub out: &'a Path,
    /// Digests computed before.
    pub known: &'a Known,
    /// Date that the reports bear.
    pub date: DateTime<FixedOffset>,
    /// The decoder program; `None` looks for one on the search path.
    pub decoder: Option<&'a Path>,
    /// Ends a unit soon, which then leaves nothing behind.
    pub stop: &'a AtomicBool,
    /// Writes a report into its folder and puts it into its place.
    pub report: &'a (dyn Fn(Subject<'_>, OutputFolder) -> Result<()> + Sync),
    /// The disk; tests let it fail.
    pub disk: Disk,
    /// Clips that were fingerprinted.
    pub clips: Clips,
}

/// The digests kept in a campaign's folder, and the decoder program.
pub fn known_in(out: &Path, decoder: Option<&Path>) -> Known {
    Known::in_folder(out.join(PRIVATE).join(KNOWN), decoder)
}

impl Workplace<'_> {
    /// Whether a unit is done, from what is there now.
    pub fn is_done(&self, unit: &Unit) -> bool {
        self.result(unit).is_some()
    }

    /// What was found in a unit that is done.
    fn result(&self, unit: &Unit) -> Option<RunResult> {
        // Spares reading a recording that was never audited.
        let inputs = unit::is_there(unit, self.out).then(|| Inputs::of(unit, self.known).ok()).flatten()?;
        match unit::found(unit, self.out, &inputs, self.known) {
            Found::Done(result) => Some(*result),
            _ => None,
        }
    }

    /// Does a task, unless it is done already; what was found in its recording, `None` where other parts of it are still to
    /// be read.
    ///
    /// # Errors
    /// The recording cannot be audited, or its report cannot be written. Why is kept in its folder where that is possible.
    pub fn complete(&self, task: &Task<'_>) -> Result<Option<RunResult>> {
        let unit = task.unit;
        // To see whether it is written to.
        let before = Stamp::of(&unit.recording).ok();
        let Some(part) = task.part else { return self.audit(unit, before, None).map(Some) };
        if let Some(result) = self.result(unit) {
            return Ok(Some(result));
        }
        let parts = Parts::new((unit, part.of()), self.out, self.known);
        let read = parts.read(part, &self.reading(unit), &unit.recording, self.stop);
        if self.stop.load(Ordering::SeqCst) {
            return Err(interrupted(unit));
        }
        if read.is_ok() && !parts.are_all_there() {
            return Ok(None);
        }
        let Some(_claimed) = parts.claim()? else { return Ok(None) };
        // What cannot be read in parts is read in one pass.
        let log = read.ok().and_then(|()| parts.joined());
        let result = self.audit(unit, before, log)?;
        parts.clear();
        Ok(Some(result))
    }

    /// Audits a recording, unless that is done already; `before` is how it looked before anything of it was read, `log` its
    /// fingerprint log.
    fn audit(&self, unit: &Unit, before: Option<Stamp>, log: Option<PathBuf>) -> Result<RunResult> {
        let inputs = Inputs::of(unit, self.known)?;
        if let Found::Done(result) = unit::found(unit, self.out, &inputs, self.known) {
            return Ok(*result);
        }
        let folder = self.out.join(&unit.folder);
        if let Some(above) = folder.parent() {
            fs::create_dir_all(above)
                .map_err(|error| write_error(above, "cannot create output folder", &error))?;
        }
        let target = OutputFolder::reserve_on(self.disk.clone(), &folder, Existing::Replace)?;
        let settings = Settings { capture_log: log, ..self.settings(unit, &inputs) };
        match self.audited(unit, before, settings) {
            Ok(audited) => self.write(unit, inputs, audited, target),
            Err(error) if self.stop.load(Ordering::SeqCst) => Err(error),
            Err(error) => {
                let kept = Kept::failed(inputs, Failure::from(&error)).document();
                // The error that led here is the one to report.
                let _ = target
                    .write_file(UNIT_JSON, |out| out.write_all(kept.as_bytes()))
                    .and_then(|()| target.commit());
                Err(error)
            }
        }
    }

    fn audited(&self, unit: &Unit, before: Option<Stamp>, settings: Settings) -> Result<Audited> {
        let capture = CaptureArg::Path(unit.recording.clone());
        let run = Run { progress: &NoProgress, stop: self.stop };
        let mut audit = audit::audit(&capture, &settings, run)?;
        audit.hold_against(&unit.require);
        let provenance = provenance(unit, &settings, self.date);
        if self.stop.load(Ordering::SeqCst)
            || audit.notes.iter().any(|note| note.code == NoteCode::Interrupted)
        {
            return Err(interrupted(unit));
        }
        if Stamp::of(&unit.recording).ok() != before {
            let hint = "run the campaign again when it is written whole";
            return Err(Error::new(
                unit.recording.display().to_string(),
                "changed while it was read",
                "what was read belongs to no one file",
                hint,
            ));
        }
        Ok(Audited { capture, settings, audit, provenance })
    }

    /// How a recording is read here.
    fn reading(&self, unit: &Unit) -> Settings {
        let decoder = self.decoder.map(Path::to_owned);
        let reading = ReadingSettings { decoder, ..unit.settings.reading.clone() };
        Settings { reading, ..unit.settings.clone() }
    }

    fn settings(&self, unit: &Unit, inputs: &Inputs) -> Settings {
        let mut settings = self.reading(unit);
        let clip = settings.reference.as_deref().zip(inputs.clip_blake3.as_deref());
        // Through a window other cells are looked at than the log has.
        if let Some((clip, digest)) = clip.filter(|_| settings.view.region.is_none()) {
            settings.reference_log = self.clips.log(self, clip, digest);
        }
        settings
    }

    fn write(
        &self,
        unit: &Unit,
        inputs: Inputs,
        audited: Audited,
        target: OutputFolder,
    ) -> Result<RunResult> {
        let Audited { capture, settings, audit, provenance } = &audited;
        let result = rows::result(audit, &unit.folder, &inputs.recording_blake3);
        let kept = Kept::done(inputs, result.clone()).document();
        target.write_file(UNIT_JSON, |out| out.write_all(kept.as_bytes()))?;
        (self.report)(Subject { capture, audit, settings, provenance }, target)?;
        Ok(result)
    }
}

struct Audited {
    capture: CaptureArg,
    settings: Settings,
    audit: Audit,
    provenance: Provenance,
}

fn interrupted(unit: &Unit) -> Error {
    let place = unit.recording.display().to_string();
    Error::new(place, "interrupted", "it was not read to its end", "run the campaign again")
}

/// Who audits, how and when: the audit that gives the same result by itself, whatever machine the unit is done on.
fn provenance(unit: &Unit, settings: &Settings, date: DateTime<FixedOffset>) -> Provenance {
    let changed: Vec<(String, String)> =
        settings.changed(PathNames::Last).into_iter().filter(|(name, _)| name != "--decoder").collect();
    let required = unit.require.iter().map(|one| ("--require".to_owned(), one.to_string()));
    let asked = unit.require.iter().map(|one| format!("{}={}", one.measure.key, one.limit));
    let mut command_line =
        ["evenbeat".to_owned(), "audit".to_owned(), PathNames::Last.of(&unit.recording)].to_vec();
    command_line.extend(changed.iter().flat_map(|(name, value)| [name.clone(), value.clone()]));
    command_line.extend(asked.flat_map(|asked| ["--require".to_owned(), asked]));
    Provenance {
        tool_version: env!("CARGO_PKG_VERSION").to_owned(),
        command_line,
        audited_at: date,
        changed_settings: changed.iter().cloned().chain(required).collect(),
        shell: Shell::HERE,
    }
}

/// Fingerprint logs of clips, each made once.
#[derive(Default)]
pub struct Clips {
    logs: Mutex<BTreeMap<String, Arc<OnceLock<Option<PathBuf>>>>>,
}

impl Clips {
    /// The log of a clip; `None` where none can be made, which the audit itself will tell.
    fn log(&self, place: &Workplace<'_>, clip: &Path, digest: &str) -> Option<PathBuf> {
        let slot = {
            let mut logs = self.logs.lock().unwrap_or_else(PoisonError::into_inner);
            Arc::clone(logs.entry(digest.to_owned()).or_default())
        };
        slot.get_or_init(|| make_log(place, clip, digest)).clone()
    }
}

fn make_log(place: &Workplace<'_>, clip: &Path, digest: &str) -> Option<PathBuf> {
    let folder = place.out.join(PRIVATE).join(CLIPS);
    let code = blake3::hash(unit::DECIDING.as_bytes()).to_hex();
    let path = folder.join(format!("{digest}-{}.log", &code[..16]));
    if path.is_file() {
        return Some(path);
    }
    fs::create_dir_all(&folder).ok()?;
    let decoder = place.decoder.map(Path::to_owned);
    let settings = Settings {
        reading: ReadingSettings { decoder, ..ReadingSettings::default() },
        ..Settings::default()
    };
    let mut log = WholeFile::reserve(&path, "fingerprint log", Existing::Replace).ok()?;
    let run = Run { progress: &NoProgress, stop: place.stop };
    let capture = CaptureArg::Path(clip.to_owned());
    let end = audit::write_log(&capture, &settings, run, ("the clip's log", &mut log)).ok()?;
    // What was interrupted, or broke off, is read again.
    if !end.is_complete() || end.frames == 0 {
        return None;
    }
    log.commit().ok()?;
    Some(path)
}

/// The date that the reports of a plan bear: `now` where this is the first run of it, else that of the first. Whoever is
/// first says it for all.
///
/// # Errors
/// The campaign's folder cannot be written.
pub fn date_of(plan: &Plan, out: &Path, now: DateTime<FixedOffset>) -> Result<DateTime<FixedOffset>> {
    if let Some(date) = plan.date {
        return Ok(date);
    }
    let folder = out.join(PRIVATE);
    let path = folder.join(format!("begun-{}", &unit::digest_of(plan)[..16]));
    let failed = |error: io::Error| write_error(&path, "cannot write", &error);
    fs::create_dir_all(&folder).map_err(failed)?;
    // Written beside and linked: nobody reads half a date.
    let beside = folder.join(format!("begun-{}.part", std::process::id()));
    fs::write(&beside, now.to_rfc3339()).map_err(failed)?;
    let linked = fs::hard_link(&beside, &path);
    let _ = fs::remove_file(&beside);
    match linked {
        Err(error) if error.kind() != io::ErrorKind::AlreadyExists => {
            // Where files cannot have two names.
            if let Ok(mut file) = OpenOptions::new().write(true).create_new(true).open(&path) {
                file.write_all(now.to_rfc3339().as_bytes()).map_err(failed)?;
            }
        }
        _ => {}
    }
    let text = fs::read_to_string(&path).map_err(failed)?;
    DateTime::parse_from_rfc3339(text.trim()).map_err(|_| {
        let shown = path.display().to_string();
        Error::new(
            shown,
            "no date",
            "it was changed since it was written",
            "remove the file; the next run writes it anew",
        )
    })
}

/// Makes the campaign's folder, or refuses one that holds something else.
///
/// # Errors
/// It holds something else, or cannot be made.
pub fn claim(out: &Path) -> Result<()> {
    let refuse = |cause: &str| {
        let hint = "choose another folder with --out";
        Err(Error::new(out.display().to_string(), "output folder", cause, hint))
    };
    match fs::read_dir(out) {
        Ok(mut entries) => {
            let is_campaign = [PRIVATE, super::CAMPAIGN_JSON].iter().any(|name| out.join(name).exists());
            if !is_campaign && entries.next().is_some() {
                return refuse("exists and is no campaign's folder");
            }
        }
        Err(error) if error.kind() == io::ErrorKind::NotFound => {}
        Err(error) => return refuse(&plain_cause(&error)),
    }
    let private = out.join(PRIVATE);
    fs::create_dir_all(&private).map_err(|error| write_error(out, "cannot create output folder", &error))
}

/// Sets right what runs that were killed have left beside the folders of units that are done.
pub fn tidy<'a>(units: impl Iterator<Item = &'a Unit>, out: &Path) {
    for unit in units {
        let folder = out.join(&unit.folder);
        let (Some(above), Some(name)) = (folder.parent(), folder.file_name()) else { continue };
        let prefix = format!(".{}.evenbeat-", name.to_string_lossy());
        let is_left = |entry: &fs::DirEntry| entry.file_name().to_string_lossy().starts_with(&prefix);
        if fs::read_dir(above).is_ok_and(|entries| entries.flatten().any(|entry| is_left(&entry))) {
            // Reserving a folder sets right what was left, and giving it back leaves nothing.
            drop(OutputFolder::reserve(&folder, Existing::Replace));
        }
    }
}
