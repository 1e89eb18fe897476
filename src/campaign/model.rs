//! What came out of a campaign: every device on every clip, as `campaign.json` holds it. Plain values; pages, tables and
//! comparisons are made from this and nothing else.
//!
//! Nothing in here names a place on the person's machine: files are called by their last part, folders by their place in
//! the campaign's own folder, with `/` between their parts, of letters, digits, `-`, `_` and `.` only, so that they serve
//! as relative links as they are.

use serde::{Deserialize, Serialize};

/// Value of `format`.
pub const FORMAT: &str = "evenbeat-campaign";
/// Value of `format_version`: fields may be added, never renamed.
pub const FORMAT_VERSION: u32 = 1;

/// A whole campaign.
#[derive(Clone, Debug, Deserialize, PartialEq, Serialize)]
pub struct Campaign {
    /// Always [`FORMAT`].
    pub format: String,
    /// Always [`FORMAT_VERSION`].
    pub format_version: u32,
    /// What the tester calls it.
    pub title: String,
    /// Version of this program.
    pub tool_version: String,
    /// The clips, in the order of the plan.
    pub clips: Vec<Clip>,
    /// The devices, in the order of the plan.
    pub devices: Vec<Device>,
    /// One for every device and clip: the first device with all clips, then the second, and so on.
    pub cells: Vec<Cell>,
    /// The campaign that this one is held against; `None` without one.
    pub against: Option<Against>,
}

/// A clip that was played.
#[derive(Clone, Debug, Deserialize, PartialEq, Serialize)]
pub struct Clip {
    /// Its name in the plan.
    pub id: String,
    /// Its name for people.
    pub name: String,
    /// Last part of the file's name; `None` where the clip itself is not at hand.
    pub file: Option<String>,
    /// BLAKE3 of the file in hexadecimal digits; `None` without a file, or where it could not be read.
    pub blake3: Option<String>,
    /// Pictures per second that it holds, as the plan says.
    pub rate: Option<String>,
    /// How it is scanned, as the plan says.
    pub scan: Option<String>,
    /// What is required of every recording of it, in words.
    pub requirements: Vec<String>,
}

/// A device that played.
#[derive(Clone, Debug, Deserialize, PartialEq, Serialize)]
pub struct Device {
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

/// What a device made of a clip.
#[derive(Clone, Debug, Deserialize, PartialEq, Serialize)]
pub struct Cell {
    /// The device, by its name in the plan.
    pub device: String,
    /// The clip, likewise.
    pub clip: String,
    /// What it comes to over all runs.
    pub standing: Standing,
    /// The run that stands for the cell: the first of the worst. `None` without a run; an index into `runs` otherwise.
    pub shown_run: Option<usize>,
    /// What each aspect comes to over all runs: all seven in the order of [`Aspect::ALL`], or none where nothing was audited.
    pub aspects: Vec<AspectRow>,
    /// The recordings, in the order of the plan; none where the device was not tried with this clip.
    pub runs: Vec<Run>,
    /// Runs that are wrong, of those that were audited.
    pub wrong_runs: u32,
    /// Runs that were audited.
    pub audited_runs: u32,
    /// Smallest and largest value over the runs, of each measure that is known in two runs or more.
    pub spread: Vec<Spread>,
    /// How the cell stands to the earlier campaign; `None` without one.
    pub change: Option<Change>,
}

/// One recording and what was found in it.
#[derive(Clone, Debug, Deserialize, PartialEq, Serialize)]
pub struct Run {
    /// Number of the unit of work, from 1.
    pub unit: u32,
    /// Number within the cell, from 1.
    pub run: u32,
    /// Last part of the recording's name.
    pub recording: String,
    /// How far it has come.
    pub state: State,
    /// Why there is no result, in one line; `None` where there is one.
    pub error: Option<String>,
    /// The way out of the error.
    pub hint: Option<String>,
    /// What was found; `None` where there is no result.
    pub result: Option<RunResult>,
}

/// What an audit found in one recording.
#[derive(Clone, Debug, Deserialize, PartialEq, Serialize)]
pub struct RunResult {
    /// What it comes to.
    pub standing: Standing,
    /// The folder of the report within the campaign's folder.
    pub folder: String,
    /// The verdict's first sentence.
    pub headline: String,
    /// The number that matters most, with its unit.
    pub number: Option<String>,
    /// What each aspect comes to, all seven in the order of [`Aspect::ALL`].
    pub aspects: Vec<AspectRow>,
    /// What happened, in the order of the recording.
    pub events: Vec<EventRow>,
    /// New and repeated frames of a stretch that shows what matters.
    pub barcode: Barcode,
    /// What was required, and whether it is met.
    pub requirements: Vec<RequirementRow>,
    /// Values with their uncertainty, for comparing runs.
    pub measures: Vec<Measure>,
    /// Frames of the recording.
    pub frames: u64,
    /// Its length, seconds.
    pub duration_s: f64,
    /// Whether all of it was read.
    pub complete: bool,
    /// BLAKE3 of the recording as it lies there, in hexadecimal digits: of a file its bytes, of a folder its images.
    pub recording_blake3: String,
    /// BLAKE3 over the digests of all frames, as in `audit.json`.
    pub frames_blake3: String,
}

/// How far a recording has come.
#[derive(Clone, Copy, Debug, Deserialize, Eq, PartialEq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum State {
    /// It was audited.
    Done,
    /// It could not be audited.
    Failed,
    /// It was not audited yet, or what it was audited from has changed since.
    Missing,
}

/// What a cell, a run or an aspect comes to.
#[derive(Clone, Copy, Debug, Deserialize, Eq, PartialEq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Standing {
    /// As it should be.
    Right,
    /// Not as it should be.
    Wrong,
    /// There is no evidence either way.
    CannotBeTold,
    /// Nobody tried.
    NotTested,
    /// The recording was not read whole, could not be audited, or was not audited yet.
    NotWhole,
}

impl Standing {
    /// All, the worst first.
    pub const ALL: [Self; 5] =
        [Self::Wrong, Self::NotWhole, Self::CannotBeTold, Self::Right, Self::NotTested];

    /// The name written to files.
    pub fn name(self) -> &'static str {
        match self {
            Self::Right => "right",
            Self::Wrong => "wrong",
            Self::CannotBeTold => "cannot-be-told",
            Self::NotTested => "not-tested",
            Self::NotWhole => "not-whole",
        }
    }

    /// The name for people.
    pub fn words(self) -> &'static str {
        match self {
            Self::Right => "right",
            Self::Wrong => "wrong",
            Self::CannotBeTold => "cannot be told",
            Self::NotTested => "not tested",
            Self::NotWhole => "not whole",
        }
    }

    /// Place in [`Standing::ALL`]: the smaller, the worse.
    pub fn rank(self) -> usize {
        Self::ALL.iter().position(|&other| other == self).unwrap_or(Self::ALL.len())
    }
}

/// What is judged.
#[derive(Clone, Copy, Debug, Deserialize, Eq, PartialEq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Aspect {
    /// Whether every picture comes, at its rate.
    Motion,
    /// Whether pictures come in their order.
    Order,
    /// Whether pictures are shown unmixed.
    Mixing,
    /// What became of fields.
    Fields,
    /// Code values.
    Levels,
    /// Which part of the picture is shown, and how.
    Geometry,
    /// The recording's own times.
    Timing,
}

impl Aspect {
    /// All, in the order they are written.
    pub const ALL: [Self; 7] =
        [Self::Motion, Self::Order, Self::Mixing, Self::Fields, Self::Levels, Self::Geometry, Self::Timing];

    /// The name written to files, and for people.
    pub fn name(self) -> &'static str {
        match self {
            Self::Motion => "motion",
            Self::Order => "order",
            Self::Mixing => "mixing",
            Self::Fields => "fields",
            Self::Levels => "levels",
            Self::Geometry => "geometry",
            Self::Timing => "timing",
        }
    }
}

/// What one aspect comes to.
#[derive(Clone, Debug, Deserialize, PartialEq, Serialize)]
pub struct AspectRow {
    /// Which.
    pub aspect: Aspect,
    /// What it comes to: right, wrong, cannot be told or not tested.
    pub standing: Standing,
    /// What was found, with its unit.
    pub number: Option<String>,
    /// What was wanted, with its unit.
    pub limit: Option<String>,
    /// Why, in one short sentence.
    pub text: String,
}

/// Something that happened.
#[derive(Clone, Debug, Deserialize, PartialEq, Serialize)]
pub struct EventRow {
    /// What it is, as `audit.json` names it.
    pub kind: String,
    /// How much it matters: `fault`, `warning` or `info`.
    pub severity: String,
    /// First frame it shows in.
    pub first_frame: u64,
    /// Last frame it shows in.
    pub last_frame: u64,
    /// Time of the first frame from the start of the recording, seconds.
    pub time_s: f64,
    /// How long it lasts, ms.
    pub duration_ms: f64,
    /// What happened, in a sentence.
    pub text: String,
}

/// Frames in a row, one character each: `n` new, `r` repeat, `s` still, `m` a mix of two pictures, `o` out of order.
#[derive(Clone, Debug, Default, Deserialize, PartialEq, Serialize)]
pub struct Barcode {
    /// First of the frames.
    pub first_frame: u64,
    /// The frames; at most [`Barcode::FRAMES_MAX`].
    pub frames: String,
}

impl Barcode {
    /// Most frames: a second and a half at 60 frames per second. Choice.
    pub const FRAMES_MAX: usize = 90;
}

/// A requirement and whether it is met.
#[derive(Clone, Debug, Deserialize, PartialEq, Serialize)]
pub struct RequirementRow {
    /// What was required and what was found, in words.
    pub text: String,
    /// Whether it is met.
    pub passed: bool,
}

/// A value and how exactly it is known.
#[derive(Clone, Debug, Deserialize, PartialEq, Serialize)]
pub struct Measure {
    /// Its name, with the unit at its end where it has one.
    pub key: String,
    /// The value; `None` where it cannot be told.
    pub value: Option<f64>,
    /// Half width of the range it lies in, same unit.
    pub uncertainty: f64,
}

/// How far a measure lies apart in several runs.
#[derive(Clone, Debug, Deserialize, PartialEq, Serialize)]
pub struct Spread {
    /// The measure's name.
    pub key: String,
    /// Smallest value.
    pub smallest: f64,
    /// Largest value.
    pub largest: f64,
    /// Runs in which it is known.
    pub runs: u32,
}

/// The earlier campaign.
#[derive(Clone, Debug, Deserialize, PartialEq, Serialize)]
pub struct Against {
    /// What it is called.
    pub title: String,
    /// Version of this program that made it.
    pub tool_version: String,
    /// Cells of each kind.
    pub mended: u32,
    /// Likewise.
    pub worse: u32,
    /// Likewise.
    pub unchanged: u32,
    /// Likewise.
    pub not_comparable: u32,
}

/// How a cell stands to that of an earlier campaign.
#[derive(Clone, Debug, Deserialize, PartialEq, Serialize)]
pub struct Change {
    /// Which way it went.
    pub way: Way,
    /// What it was.
    pub earlier: Standing,
    /// The earlier firmware, where it is another one.
    pub earlier_firmware: Option<String>,
    /// Why, in a sentence.
    pub text: String,
}

/// Which way a cell went.
#[derive(Clone, Copy, Debug, Deserialize, Eq, PartialEq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Way {
    /// What was wrong is right, or less wrong by more than is unknown.
    Mended,
    /// The other way round.
    Worse,
    /// No difference beyond what both are uncertain by.
    Unchanged,
    /// One of the two was not audited, or another clip was played.
    NotComparable,
}

impl Way {
    /// The name for people.
    pub fn words(self) -> &'static str {
        match self {
            Self::Mended => "mended",
            Self::Worse => "worse",
            Self::Unchanged => "unchanged",
            Self::NotComparable => "not comparable",
        }
    }
}

impl Campaign {
    /// The cell of a device and a clip, by their places.
    pub fn cell(&self, device: usize, clip: usize) -> Option<&Cell> {
        (clip < self.clips.len()).then(|| self.cells.get(device * self.clips.len() + clip)).flatten()
    }
}

impl Cell {
    /// The run that stands for the cell.
    pub fn shown(&self) -> Option<&Run> {
        self.runs.get(self.shown_run?)
    }

    /// What was found in the run that stands for the cell.
    pub fn result(&self) -> Option<&RunResult> {
        self.shown()?.result.as_ref()
    }
}
