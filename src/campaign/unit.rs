//! One unit of work: what went into it, and what is kept of it in its folder.

use std::fs::{self, File};
use std::io::Read;
use std::path::{Path, PathBuf};

use serde::{Deserialize, Serialize};

use super::known::Known;
use super::model::RunResult;
use super::plan::{Plan, Unit};
use crate::cancel::Cancel;
use crate::capture::{self, CaptureArg, CaptureKind};
use crate::error::{Error, Result};
use crate::output::manifest::Manifest;
use crate::settings::PathNames;

/// Name of what is kept of a unit, in the folder of its report.
pub const UNIT_JSON: &str = "unit.json";
/// Value of `format`.
const FORMAT: &str = "evenbeat-campaign-unit";
/// Value of `format_version`.
const FORMAT_VERSION: u32 = 1;
/// Largest document read, bytes: an audit with an event in every frame of ten hours takes less.
const DOCUMENT_BYTES_MAX: u64 = 512 << 20;
/// Digest of the code that decides; see `build.rs`.
pub(super) const DECIDING: &str = env!("EVENBEAT_DECIDING");

/// What went into a unit: if all of it is the same, so is what comes out.
#[derive(Clone, Debug, Deserialize, Eq, PartialEq, Serialize)]
pub struct Inputs {
    /// Last part of the recording's name, which reports tell.
    pub recording: String,
    /// BLAKE3 of the recording.
    pub recording_blake3: String,
    /// Last part of the clip's name.
    pub clip: Option<String>,
    /// BLAKE3 of the clip.
    pub clip_blake3: Option<String>,
    /// BLAKE3 of the file of times.
    pub times_blake3: Option<String>,
    /// Settings that differ from the default.
    pub settings: Vec<(String, String)>,
    /// What was required.
    pub requirements: Vec<String>,
    /// BLAKE3 of the code that decides.
    pub deciding_blake3: String,
    /// Name and version of the decoder program; `None` where it reads neither recording nor clip.
    pub decoder: Option<String>,
}

impl Inputs {
    /// What goes into a unit, as its files are now.
    ///
    /// # Errors
    /// One of them cannot be read.
    pub fn of(unit: &Unit, known: &Known) -> Result<Self> {
        let digest = |path: &Option<PathBuf>| path.as_ref().map(|path| known.digest(path)).transpose();
        let name = |path: &Path| PathNames::Last.of(path);
        Ok(Self {
            recording: name(&unit.recording),
            recording_blake3: known.digest(&unit.recording)?,
            clip: unit.settings.reference.as_deref().map(name),
            clip_blake3: digest(&unit.settings.reference)?,
            times_blake3: digest(&unit.settings.reading.timestamps)?,
            settings: unit.settings.changed(PathNames::Last),
            requirements: unit.require.iter().map(ToString::to_string).collect(),
            deciding_blake3: DECIDING.to_owned(),
            decoder: decoder_of(unit, known),
        })
    }

    /// Whether a result from `kept` is one from these too. Where there is no decoder program, as on a machine that only
    /// collects, nothing could be read anew: what was read counts, by whatever program.
    fn agree_with(&self, kept: &Self) -> bool {
        let decoder = self.decoder.clone().or_else(|| kept.decoder.clone());
        *kept == Self { decoder, ..self.clone() }
    }
}

/// Name and version of the decoder program; `None` where it reads neither recording nor clip, or there is none.
pub(super) fn decoder_of(unit: &Unit, known: &Known) -> Option<String> {
    let mut files = [Some(&unit.recording), unit.settings.reference.as_ref()].into_iter().flatten();
    files.any(|file| is_decoded(file)).then(|| known.decoder_version()).flatten()
}

/// Whether it is the decoder program that reads a file.
fn is_decoded(path: &Path) -> bool {
    let sniffed = capture::sniff(&CaptureArg::Path(path.to_owned()), &Cancel::default());
    sniffed.is_ok_and(|sniffed| sniffed.kind() == CaptureKind::Other)
}

/// What is kept of a unit.
#[derive(Clone, Debug, Deserialize, PartialEq, Serialize)]
pub struct Kept {
    format: String,
    format_version: u32,
    /// What went in.
    pub inputs: Inputs,
    /// What came out.
    pub result: Option<RunResult>,
    /// Why nothing came out.
    pub failure: Option<Failure>,
}

/// Why a recording could not be audited, for people who do not know the machine.
#[derive(Clone, Debug, Deserialize, Eq, PartialEq, Serialize)]
pub struct Failure {
    /// Where, what and why, in one line.
    pub error: String,
    /// The way out.
    pub hint: String,
}

impl From<&Error> for Failure {
    fn from(error: &Error) -> Self {
        Self { error: error.told_to_others(), hint: error.hint.clone() }
    }
}

impl Kept {
    /// What is kept of a unit that was audited.
    pub fn done(inputs: Inputs, result: RunResult) -> Self {
        let (format, format_version) = (FORMAT.to_owned(), FORMAT_VERSION);
        Self { format, format_version, inputs, result: Some(result), failure: None }
    }

    /// What is kept of one that could not be.
    pub fn failed(inputs: Inputs, failure: Failure) -> Self {
        let (format, format_version) = (FORMAT.to_owned(), FORMAT_VERSION);
        Self { format, format_version, inputs, result: None, failure: Some(failure) }
    }

    /// The document, with a line end at its end.
    pub fn document(&self) -> String {
        let mut text =
            serde_json::to_string_pretty(self).expect("plain structs with string keys always serialize");
        text.push('\n');
        text
    }
}

/// How a unit stands.
#[derive(Clone, Debug, PartialEq)]
pub enum Found {
    /// It was audited, from what is there now.
    Done(Box<RunResult>),
    /// It could not be audited.
    Failed(Failure),
    /// There is no result that counts, and why.
    Missing(&'static str),
}

/// Whether there is a result of a unit, whatever went into it.
pub(super) fn is_there(unit: &Unit, out: &Path) -> bool {
    out.join(&unit.folder).join(UNIT_JSON).is_file()
}

/// Looks at a unit's folder within the campaign's folder `out`.
pub fn found(unit: &Unit, out: &Path, inputs: &Inputs, known: &Known) -> Found {
    let folder = out.join(&unit.folder);
    let Some(kept) = read(&folder) else { return Found::Missing("it was not audited yet") };
    if !inputs.agree_with(&kept.inputs) {
        return Found::Missing(
            "the recording, the clip, the settings, the decoder program or evenbeat changed since it was audited",
        );
    }
    if !known.is_whole(&folder, || is_as_written(&folder)) {
        return Found::Missing("files of its report were changed since they were written");
    }
    match (kept.result, kept.failure) {
        (Some(result), None) if result.folder == unit.folder => Found::Done(Box::new(result)),
        (None, Some(failure)) => Found::Failed(failure),
        _ => Found::Missing("its report was moved there"),
    }
}

/// Whether the folder's files are those that its manifest names, [`UNIT_JSON`] among them.
fn is_as_written(folder: &Path) -> bool {
    Manifest::read(folder)
        .is_ok_and(|manifest| manifest.files.contains_key(UNIT_JSON) && manifest.check(folder).is_ok())
}

fn read(folder: &Path) -> Option<Kept> {
    let mut text = String::new();
    let length =
        File::open(folder.join(UNIT_JSON)).ok()?.take(DOCUMENT_BYTES_MAX).read_to_string(&mut text).ok()?;
    let kept: Kept = serde_json::from_str(&text).ok().filter(|_| (length as u64) < DOCUMENT_BYTES_MAX)?;
    (kept.format == FORMAT && kept.format_version == FORMAT_VERSION).then_some(kept)
}

/// Bytes of a recording, for sharing out the work; 0 where it cannot be told.
pub fn bytes_of(recording: &Path) -> u64 {
    let Ok(found) = fs::metadata(recording) else { return 0 };
    if !found.is_dir() {
        return found.len();
    }
    let entries = fs::read_dir(recording).into_iter().flatten().flatten();
    entries
        .filter_map(|entry| entry.metadata().ok())
        .filter(|found| found.is_file())
        .map(|found| found.len())
        .sum()
}

/// BLAKE3 of a plan, as far as machines that see the same files agree on it.
pub fn digest_of(plan: &Plan) -> String {
    let mut hasher = blake3::Hasher::new();
    let mut add = |part: &str| {
        hasher.update(&(part.len() as u64).to_le_bytes()).update(part.as_bytes());
    };
    add(&plan.title);
    for clip in &plan.clips {
        add(&clip.id);
    }
    for device in &plan.devices {
        add(&device.id);
        add(device.firmware.as_deref().unwrap_or_default());
    }
    for unit in &plan.units {
        add(&unit.folder);
        add(&PathNames::Last.of(&unit.recording));
    }
    hasher.finalize().to_hex().to_string()
}
