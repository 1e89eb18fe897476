//! What is to be audited: clips, devices and recordings, checked as a whole before anything runs.

mod check;
mod document;
mod draft;
mod folder;
mod write;

use std::fs::{self, File};
use std::io::Read;
use std::path::{Path, PathBuf};

use chrono::{DateTime, FixedOffset};

use crate::error::{plain_cause, Error};
use crate::frame::Scan;
use crate::settings::Settings;
use crate::units::Rate;
use crate::verdict::gate::Requirement;

pub use write::plan_of_folder;

/// Name of a plan within a folder.
pub const PLAN_TOML: &str = "plan.toml";
/// Largest plan read, bytes: a hundred thousand recordings take less.
const PLAN_BYTES_MAX: u64 = 32 << 20;

/// A plan in which everything fits.
#[derive(Clone, Debug, PartialEq)]
pub struct Plan {
    /// What the tester calls the campaign.
    pub title: String,
    /// The date that the reports bear, where the plan gives one.
    pub date: Option<DateTime<FixedOffset>>,
    /// Recordings of more bytes are read in parts, each of so many at most.
    pub part_bytes: u64,
    /// The clips.
    pub clips: Vec<PlannedClip>,
    /// The devices.
    pub devices: Vec<PlannedDevice>,
    /// The recordings, each a unit of work, in the order of the plan; unit `n` is at `n - 1`.
    pub units: Vec<Unit>,
}

/// A clip of a plan.
#[derive(Clone, Debug, PartialEq)]
pub struct PlannedClip {
    /// Its name in the plan.
    pub id: String,
    /// Its name for people.
    pub name: String,
    /// The clip, or its fingerprint log.
    pub file: Option<PathBuf>,
    /// Pictures per second that it holds.
    pub rate: Option<Rate>,
    /// How it is scanned.
    pub scan: Option<Scan>,
    /// What every recording of it must meet.
    pub require: Vec<Requirement>,
}

/// A device of a plan.
#[derive(Clone, Debug, PartialEq)]
pub struct PlannedDevice {
    /// Its name in the plan.
    pub id: String,
    /// Its name for people.
    pub name: String,
    /// Its firmware.
    pub firmware: Option<String>,
    /// How it was set up.
    pub settings: Option<String>,
    /// What recorded it.
    pub recorder: Option<String>,
}

/// One recording to audit.
#[derive(Clone, Debug, PartialEq)]
pub struct Unit {
    /// Its number, from 1, in the order of the plan.
    pub number: u32,
    /// Place of the device in [`Plan::devices`].
    pub device: usize,
    /// Place of the clip in [`Plan::clips`].
    pub clip: usize,
    /// Number among the recordings of one device and clip, from 1.
    pub run: u32,
    /// The recording.
    pub recording: PathBuf,
    /// How it is audited; the clip among them.
    pub settings: Settings,
    /// What it must meet.
    pub require: Vec<Requirement>,
    /// Folder of its report within the campaign's, with `/` between its parts.
    pub folder: String,
}

/// What is expected of the files that a plan names.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Recordings {
    /// All are there.
    AreThere,
    /// Some may be missing, or all.
    WillCome,
}

impl Plan {
    /// The plan in `path`: a TOML file, a folder with one, or a folder of recordings; `clips` is the folder of the clips
    /// where the plan is a folder.
    ///
    /// # Errors
    /// Everything that is wrong, at once.
    pub fn read(path: &Path, clips: Option<&Path>) -> Result<Self, Vec<Error>> {
        Self::read_as(path, clips, Recordings::AreThere)
    }

    /// As [`Plan::read`], for recordings some of which are still to come.
    ///
    /// # Errors
    /// Likewise.
    pub fn read_waiting(path: &Path, clips: Option<&Path>) -> Result<Self, Vec<Error>> {
        Self::read_as(path, clips, Recordings::WillCome)
    }

    fn read_as(path: &Path, clips: Option<&Path>, recordings: Recordings) -> Result<Self, Vec<Error>> {
        let within = path.join(PLAN_TOML);
        let file = if within.is_file() { &within } else { path };
        let (draft, errors) = if file.is_dir() {
            folder::read(file, clips)
        } else if let Some(clips) = clips {
            return Err(vec![Error::new(
                "--clips",
                "only for a folder of recordings",
                format!("{} names the clips itself", file.display()),
                format!("leave --clips {} out", clips.display()),
            )]);
        } else {
            let text = text_of(file).map_err(|error| vec![error])?;
            let folder = file.parent().unwrap_or(Path::new(""));
            document::read(&text, &file.display().to_string(), folder)
        };
        check::checked(draft, errors, (path, recordings))
    }

    /// The unit with this number.
    pub fn unit(&self, number: u32) -> Option<&Unit> {
        self.units.get(usize::try_from(number).ok()?.checked_sub(1)?)
    }
}

/// The text of a plan, if it is one.
fn text_of(path: &Path) -> Result<String, Error> {
    let refuse = |cause: String| {
        Error::new(
            path.display().to_string(),
            "cannot read the plan",
            cause,
            "give a TOML file, or a folder of recordings; `evenbeat campaign --new FOLDER` writes one",
        )
    };
    let is_file = fs::metadata(path).map_err(|error| refuse(plain_cause(&error)))?.is_file();
    if !is_file {
        return Err(refuse("it is neither a file nor a folder".to_owned()));
    }
    let mut bytes = Vec::new();
    File::open(path)
        .and_then(|file| file.take(PLAN_BYTES_MAX + 1).read_to_end(&mut bytes))
        .map_err(|error| refuse(plain_cause(&error)))?;
    let is_text = !bytes.contains(&0) && !bytes.starts_with(b"YUV4MPEG2") && !bytes.starts_with(b"evenbeat-");
    let too_large = bytes.len() as u64 > PLAN_BYTES_MAX;
    match String::from_utf8(bytes) {
        Ok(text) if is_text && !too_large => Ok(text),
        Ok(_) if is_text => Err(refuse(format!("it is larger than {PLAN_BYTES_MAX} bytes"))),
        _ => Err(refuse("it is no text but, it seems, a recording".to_owned())),
    }
}
