//! A folder as a plan: `recordings/DEVICE/CLIP.*`, with the clips in a folder beside them.

use std::fs;
use std::io;
use std::path::{Path, PathBuf};

use super::draft::{Draft, DraftClip, DraftDevice, DraftRecording};
use crate::error::{plain_cause, Error};

/// Folder of the recordings within a plan's folder.
const RECORDINGS: &str = "recordings";
/// Folder of the clips within a plan's folder.
const CLIPS: &str = "clips";
/// Endings of what may lie beside recordings and is none: notes, tables and what is still being written.
const NO_RECORDINGS: [&str; 9] = ["txt", "md", "toml", "json", "csv", "xml", "html", "part", "tmp"];

/// Reads a folder: one folder for each device, in it a file (or folder of images) for each clip, named like it. `CLIP.2.mkv`
/// is the second run of `CLIP`.
pub(super) fn read(folder: &Path, clips: Option<&Path>) -> (Draft, Vec<Error>) {
    let mut errors = Vec::new();
    let or = |given: PathBuf, otherwise: &Path| if given.is_dir() { given } else { otherwise.to_owned() };
    let recordings = or(folder.join(RECORDINGS), folder);
    let beside = folder.join(CLIPS);
    let clips = clips.map(Path::to_owned).or_else(|| beside.is_dir().then_some(beside));
    let mut draft = Draft { title: name_of(folder), ..Draft::default() };
    if let Some(clips) = &clips {
        draft.clips = entries(clips, &mut errors).into_iter().map(clip).collect();
    }
    let clips_known = clips.is_some();
    for device in entries(&recordings, &mut errors).into_iter().filter(|path| path.is_dir()) {
        let is_clips = clips.as_ref().is_some_and(|clips| same(clips, &device));
        let Some(id) = file_name(&device).filter(|_| !is_clips) else { continue };
        draft.devices.push(DraftDevice { at: shown(&device), id: id.clone(), ..DraftDevice::default() });
        for file in entries(&device, &mut errors) {
            let clip = clip_of(&file);
            if !clips_known && !draft.clips.iter().any(|known| known.id == clip) {
                draft.clips.push(DraftClip { at: shown(&file), id: clip.clone(), ..DraftClip::default() });
            }
            draft.recordings.push(DraftRecording {
                at: shown(&file),
                device: id.clone(),
                clip,
                file: Some(file),
                ..DraftRecording::default()
            });
        }
    }
    if !clips_known {
        draft.clips.sort_by(|one, other| one.id.cmp(&other.id));
    }
    (draft, errors)
}

fn clip(file: PathBuf) -> DraftClip {
    DraftClip { at: shown(&file), id: stem(&file), file: Some(file), ..DraftClip::default() }
}

/// What lies in a folder and may be a recording, in the order of the names: the order of the system is by chance.
fn entries(folder: &Path, errors: &mut Vec<Error>) -> Vec<PathBuf> {
    let listed = fs::read_dir(folder).and_then(|entries| {
        entries.map(|entry| entry.map(|entry| entry.path())).collect::<io::Result<Vec<_>>>()
    });
    let mut found = listed.unwrap_or_else(|error| {
        errors.push(Error::new(
            shown(folder),
            "cannot read the folder",
            plain_cause(&error),
            "give a folder with one folder for each device",
        ));
        Vec::new()
    });
    found.retain(|path| may_be_recording(path));
    found.sort_by_cached_key(|path| (clip_of(path), run_of(path), path.clone()));
    found
}

fn may_be_recording(path: &Path) -> bool {
    let ending = path.extension().map(|ending| ending.to_string_lossy().to_ascii_lowercase());
    let is_hidden = file_name(path).is_none_or(|name| name.starts_with('.'));
    !is_hidden && !ending.is_some_and(|ending| NO_RECORDINGS.contains(&ending.as_str()))
}

/// The clip that a recording's name says: without its ending, and without the number of the run before that.
fn clip_of(file: &Path) -> String {
    let stem = stem(file);
    parts(&stem).map_or_else(|| stem.clone(), |(clip, _)| clip.to_owned())
}

/// The number of the run that a recording's name says; the first has none.
fn run_of(file: &Path) -> u32 {
    parts(&stem(file)).map_or(0, |(_, run)| run)
}

fn parts(stem: &str) -> Option<(&str, u32)> {
    let (clip, run) = stem.rsplit_once('.').filter(|(clip, _)| !clip.is_empty())?;
    let is_run = (1..=4).contains(&run.len()) && run.bytes().all(|byte| byte.is_ascii_digit());
    Some((clip, run.parse().ok().filter(|_| is_run)?))
}

fn stem(path: &Path) -> String {
    let name = if path.is_dir() { path.file_name() } else { path.file_stem() };
    name.map(|name| name.to_string_lossy().into_owned()).unwrap_or_default()
}

fn file_name(path: &Path) -> Option<String> {
    path.file_name().map(|name| name.to_string_lossy().into_owned())
}

/// The folder's own name, also where it is given as `.`.
fn name_of(folder: &Path) -> Option<String> {
    folder.canonicalize().ok().as_deref().and_then(file_name)
}

fn same(one: &Path, other: &Path) -> bool {
    same_file::is_same_file(one, other).unwrap_or(false)
}

fn shown(path: &Path) -> String {
    path.display().to_string()
}
