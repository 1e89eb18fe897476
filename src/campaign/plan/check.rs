//! Whether the parts of a plan fit: every error at once, each with its place and its way out.

use std::collections::HashMap;
use std::fs::{self, File};
use std::io::Read;
use std::path::{Path, PathBuf};

use super::draft::{Draft, DraftClip, DraftDevice, DraftRecording, Reading};
use super::{Plan, PlannedClip, PlannedDevice, Recordings, Unit, PLAN_BYTES_MAX};
use crate::error::{excerpt, Error};
use crate::settings::{DeviceFacts, ReadingSettings, Settings, ViewSettings};
use crate::units::hz_text;
use crate::verdict::gate::{Bound, Requirement};

/// Most devices, clips, and pairs of both: a table beyond that serves nobody, and each pair takes memory.
const PAIRS_MAX: usize = 1_000_000;
/// Most recordings.
const RECORDINGS_MAX: usize = 1_000_000;
/// Longest name of a device or clip, characters: it becomes the name of a folder.
const ID_CHARACTERS_MAX: usize = 100;
/// Names that are told where one is not known.
const KNOWN_TOLD: usize = 12;
/// Folder of all reports within the campaign's.
const RUNS: &str = "runs";
/// Bytes of a part of a large recording: some ten minutes of 50 Mbit/s, long enough for the seconds that its beginning
/// costs. Choice.
const PART_BYTES: u64 = 4_000_000_000;
/// Title of a plan that has none.
const TITLE: &str = "Campaign";
/// Bytes looked at to tell a recording from a text.
const HEAD_BYTES: u64 = 512;
/// Hexadecimal digits that tell apart two names which letters of a folder cannot.
const DIGITS: usize = 8;

/// The plan of a draft.
pub(super) fn checked(
    draft: Draft,
    errors: Vec<Error>,
    (path, expected): (&Path, Recordings),
) -> Result<Plan, Vec<Error>> {
    let mut check = Check { errors, expected };
    check.sizes(&draft, path);
    let clips = check.names("clip", draft.clips.iter().map(|clip| (clip.id.as_str(), clip.at.as_str())));
    let devices =
        check.names("device", draft.devices.iter().map(|device| (device.id.as_str(), device.at.as_str())));
    draft.clips.iter().for_each(|clip| check.clip(clip));
    check.recordings(&draft, path);
    let units = draft
        .recordings
        .iter()
        .filter_map(|recording| {
            let device = check.known("device", &devices, &recording.device, &recording.at);
            let clip = check.known("clip", &clips, &recording.clip, &recording.at);
            Some((device?, clip?, recording))
        })
        .collect::<Vec<_>>();
    if !check.errors.is_empty() {
        return Err(check.errors);
    }
    let mut runs: HashMap<(usize, usize), u32> = HashMap::new();
    let units = units.into_iter().zip(1..).map(|((device, clip, recording), number)| {
        let run = runs.entry((device, clip)).or_default();
        *run += 1;
        unit(&draft, recording, (number, device, clip, *run))
    });
    Ok(Plan {
        units: units.collect(),
        title: draft.title.unwrap_or_else(|| TITLE.to_owned()),
        date: draft.date,
        part_bytes: draft.part_bytes.unwrap_or(PART_BYTES),
        clips: draft.clips.into_iter().map(planned_clip).collect(),
        devices: draft.devices.into_iter().map(planned_device).collect(),
    })
}

fn planned_clip(clip: DraftClip) -> PlannedClip {
    PlannedClip {
        name: clip.name.unwrap_or_else(|| clip.id.clone()),
        id: clip.id,
        file: clip.file,
        rate: clip.rate,
        scan: clip.scan,
        require: clip.require,
    }
}

fn planned_device(device: DraftDevice) -> PlannedDevice {
    PlannedDevice {
        name: device.name.unwrap_or_else(|| device.id.clone()),
        id: device.id,
        firmware: device.firmware,
        settings: device.settings,
        recorder: device.recorder,
    }
}

fn unit(
    draft: &Draft,
    recording: &DraftRecording,
    (number, device, clip, run): (u32, usize, usize, u32),
) -> Unit {
    let (own, usual, played) = (&recording.reading, &draft.defaults, &draft.clips[clip]);
    let or = |own: &Reading| !own.exclude.is_empty();
    let exclude = if or(own) { own.exclude.clone() } else { usual.exclude.clone() };
    Unit {
        number,
        device,
        clip,
        run,
        recording: recording.file.clone().unwrap_or_default(),
        settings: Settings {
            reading: ReadingSettings {
                rate: own.rate.or(usual.rate),
                timestamps: own.timestamps.clone().or_else(|| usual.timestamps.clone()),
                decoder: None,
                stream: own.stream.or(usual.stream),
                threads: None,
            },
            view: ViewSettings { region: own.region.or(usual.region), exclude },
            source_rate: played.rate,
            reference: played.file.clone(),
            reference_log: None,
            capture_log: None,
            scan: own.scan.or(usual.scan),
            reference_scan: played.scan.filter(|_| played.file.is_some()),
            device: DeviceFacts::default(),
        },
        require: joined([&usual.require, &played.require, &own.require]),
        folder: format!("{RUNS}/{}/{}/{run}", folder_name(&recording.device), folder_name(&recording.clip)),
    }
}

/// Requirements of all, the later ones in place of earlier ones of the same key.
fn joined(all: [&Vec<Requirement>; 3]) -> Vec<Requirement> {
    let mut joined: Vec<Requirement> = Vec::new();
    for requirement in all.into_iter().flatten() {
        match joined.iter_mut().find(|one| one.measure.key == requirement.measure.key) {
            Some(earlier) => *earlier = *requirement,
            None => joined.push(*requirement),
        }
    }
    joined
}

/// What was found wrong so far.
struct Check {
    errors: Vec<Error>,
    expected: Recordings,
}

impl Check {
    fn refuse(&mut self, at: &str, what: impl Into<String>, cause: impl Into<String>, hint: &str) {
        self.errors.push(Error::new(at, what, cause, hint));
    }

    fn sizes(&mut self, draft: &Draft, path: &Path) {
        let at = path.display().to_string();
        let comes = self.expected == Recordings::WillCome;
        if draft.recordings.is_empty() && self.errors.is_empty() && !comes {
            let hint = "put recordings into DEVICE/CLIP.*, or name them in the plan under [[recording]]";
            self.refuse(&at, "the plan names no recording", "there is nothing to audit", hint);
        }
        let pairs = draft.devices.len().saturating_mul(draft.clips.len());
        for (found, most, what) in [
            (pairs, PAIRS_MAX, "pairs of a device and a clip"),
            (draft.recordings.len(), RECORDINGS_MAX, "recordings"),
        ] {
            if found > most {
                let cause = format!("it has {found} {what}, allowed are at most {most}");
                self.refuse(&at, "the plan is too large", cause, "divide it into several plans");
            }
        }
    }

    /// Places of names, each of which must be one of its own, as a folder too.
    fn names<'a>(
        &mut self,
        what: &str,
        named: impl Iterator<Item = (&'a str, &'a str)>,
    ) -> HashMap<&'a str, usize> {
        let mut places = HashMap::new();
        let mut folders: HashMap<String, (&str, &str)> = HashMap::new();
        for (place, (id, at)) in named.enumerate() {
            // That it has none was said.
            if id.is_empty() {
                continue;
            }
            if id.chars().count() > ID_CHARACTERS_MAX {
                let cause = format!("allowed are at most {ID_CHARACTERS_MAX} characters");
                self.refuse(
                    at,
                    format!("{what} {} has too long an id", excerpt(id)),
                    cause,
                    "give a short id and a long name",
                );
            }
            if places.insert(id, place).is_some() {
                let (_, first) = folders.get(&folded(id)).copied().unwrap_or((id, at));
                let cause = format!("it was named before at {first}");
                self.refuse(
                    at,
                    format!("{what} {} is named twice", excerpt(id)),
                    cause,
                    "give each an id of its own",
                );
            } else if let Some((other, first)) = folders.insert(folded(id), (id, at)) {
                let cause = format!("its folder would be that of {} at {first}", excerpt(other));
                let hint = "give it an id that differs in more than case or punctuation";
                self.refuse(at, format!("{what} {} cannot have a folder", excerpt(id)), cause, hint);
            }
        }
        places
    }

    fn known(&mut self, what: &str, places: &HashMap<&str, usize>, id: &str, at: &str) -> Option<usize> {
        let place = places.get(id).copied();
        if place.is_none() && !id.is_empty() {
            let mut known: Vec<(&str, usize)> = places.iter().map(|(name, place)| (*name, *place)).collect();
            known.sort_by_key(|&(_, place)| place);
            let mut told: Vec<String> =
                known.iter().take(KNOWN_TOLD).map(|(name, _)| excerpt(name)).collect();
            if known.len() > KNOWN_TOLD {
                told.push(format!("{} more", known.len() - KNOWN_TOLD));
            }
            let cause = if told.is_empty() {
                "there is none".to_owned()
            } else {
                format!("there are {}", told.join(", "))
            };
            let hint = format!("name one of these, or add the {what}");
            self.errors.push(Error::new(at, format!("unknown {what} {}", excerpt(id)), cause, hint));
        }
        place
    }

    fn clip(&mut self, clip: &DraftClip) {
        if let Some(file) = clip.file.as_ref().filter(|file| !file.exists()) {
            let what = format!("clip {} is not there", excerpt(&clip.id));
            self.refuse(
                &clip.at,
                what,
                file.display().to_string(),
                "correct the path, or leave file out where the clip is not at hand",
            );
        }
        let Some(rate) = clip.rate else { return };
        for requirement in &clip.require {
            let measure = requirement.measure;
            let beyond = measure.key == "motion-rate"
                && measure.bound == Bound::AtLeast
                && requirement.limit > rate.hz() * (1.0 + RATE_SLACK);
            if beyond {
                let cause =
                    format!("clip {} holds {} pictures per second", excerpt(&clip.id), hz_text(rate.hz()));
                self.refuse(
                    &clip.at,
                    format!("{requirement} cannot be met"),
                    cause,
                    "ask for no more than the clip holds",
                );
            }
        }
    }

    fn recordings(&mut self, draft: &Draft, path: &Path) {
        let plan = path.canonicalize().ok();
        let mut seen: HashMap<PathBuf, &str> = HashMap::new();
        for recording in &draft.recordings {
            if let Some(times) = recording.reading.timestamps.as_ref().filter(|times| !times.is_file()) {
                let cause = times.display().to_string();
                self.refuse(&recording.at, "the file of times is not there", cause, "correct the path");
            }
            let Some(file) = &recording.file else { continue };
            let Ok(real) = file.canonicalize() else {
                if self.expected == Recordings::WillCome {
                    continue;
                }
                let cause = file.display().to_string();
                self.refuse(
                    &recording.at,
                    "the recording is not there",
                    cause,
                    "correct the path, or take it out of the plan",
                );
                continue;
            };
            if plan.as_ref() == Some(&real) {
                let cause = "it is the plan itself";
                self.refuse(&recording.at, "no recording", cause, "name the recording");
            } else if is_plan(&real) {
                let cause = format!("{} is a campaign's plan", file.display());
                self.refuse(
                    &recording.at,
                    "no recording",
                    cause,
                    "name the recording, or move the plan away",
                );
            } else if let Some(first) = seen.insert(real, &recording.at) {
                let cause = format!("{} was named before at {first}", file.display());
                self.refuse(
                    &recording.at,
                    "a recording is named twice",
                    cause,
                    "name each once; several runs are several files",
                );
            }
        }
    }
}

/// Whether a file is a plan: a text of TOML with the tables of one.
fn is_plan(file: &Path) -> bool {
    let is_small = fs::metadata(file).is_ok_and(|found| found.is_file() && found.len() <= PLAN_BYTES_MAX);
    // Recordings are no text from their first bytes on.
    let mut head = Vec::new();
    let read = |head: &mut Vec<u8>| File::open(file)?.take(HEAD_BYTES).read_to_end(head);
    if !is_small || read(&mut head).is_err() || head.contains(&0) {
        return false;
    }
    // A letter may be cut at the end.
    if std::str::from_utf8(&head).is_err_and(|error| error.error_len().is_some()) {
        return false;
    }
    let text = fs::read_to_string(file).ok();
    let table = text.and_then(|text| text.parse::<toml::Table>().ok());
    table.is_some_and(|table| ["clip", "device", "recording"].iter().any(|key| table.contains_key(*key)))
}

/// What rates may differ by: two clocks, each within the ±10 ppm of SMPTE ST 274.
const RATE_SLACK: f64 = 20e-6;

/// The folder of a name as systems compare them that do not tell case.
fn folded(id: &str) -> String {
    folder_name(id).to_ascii_lowercase()
}

/// A folder's name for any name: letters, digits, `-`, `_` and `.`, none that a system keeps for itself. Where letters
/// get lost that these are not, digits tell names apart.
pub(super) fn folder_name(id: &str) -> String {
    let kept = |letter: char| letter.is_ascii_alphanumeric() || matches!(letter, '-' | '_' | '.');
    let mut name: String = id.chars().map(|letter| if kept(letter) { letter } else { '-' }).collect();
    let is_trimmed = |letter: char| letter == '.' || letter == '-';
    name = name.trim_matches(is_trimmed).to_owned();
    if !id.is_ascii() || name.is_empty() {
        let digest = blake3::hash(id.as_bytes()).to_hex();
        let dash = if name.is_empty() { "" } else { "-" };
        name = format!("{name}{dash}{}", &digest[..DIGITS]);
    }
    let stem = name.split('.').next().unwrap_or_default().to_ascii_uppercase();
    if is_reserved(&stem) {
        name.insert(0, '_');
    }
    name
}

/// Names of devices on Windows (Microsoft, "Naming Files, Paths, and Namespaces").
fn is_reserved(stem: &str) -> bool {
    let numbered = |name: &str| {
        stem.strip_prefix(name)
            .is_some_and(|rest| rest.len() == 1 && rest.bytes().all(|byte| byte.is_ascii_digit()))
    };
    matches!(stem, "CON" | "PRN" | "AUX" | "NUL") || numbered("COM") || numbered("LPT")
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn folders_are_plain_on_every_system() {
        for (id, expected) in [
            ("kitchen", "kitchen"),
            ("Kitchen box 2.1", "Kitchen-box-2.1"),
            ("..", "be0c8a8d"),
            ("../../etc/passwd", "etc-passwd"),
            ("a/b\\c:d", "a-b-c-d"),
            ("<b>&", "b"),
            ("nul", "_nul"),
            ("COM1.old", "_COM1.old"),
            ("com10", "com10"),
            ("ends.", "ends"),
            (".hidden", "hidden"),
            ("Küche", "K-che-"),
        ] {
            let name = folder_name(id);
            let fits = if id.is_ascii() && id != ".." { name == expected } else { name.len() >= DIGITS };
            assert!(fits && (id == ".." || name.starts_with(expected)), "{id}: {name}");
        }
        assert_ne!(folder_name("Küche"), folder_name("Kûche"));
    }
}
