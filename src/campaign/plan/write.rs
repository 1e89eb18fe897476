//! A plan from what lies in a folder, with every key explained.

use std::fmt::Write;
use std::path::{Path, PathBuf};

use super::folder;
use crate::error::{Error, Result};

/// What a plan begins with.
const HEAD: &str = "\
# A campaign: clips, devices, and what was recorded of each.
# Check and run it:  evenbeat campaign plan.toml --out results
# Paths count from the folder of this file. Keys after a # are optional.

";

/// The text of a plan for the recordings in `folder`, laid out as `DEVICE/CLIP.*`.
///
/// # Errors
/// The folder cannot be read, or no recording lies in it.
pub fn plan_of_folder(folder: &Path, clips: Option<&Path>) -> Result<String> {
    let (draft, errors) = folder::read(folder, clips);
    if let Some(error) = errors.into_iter().next() {
        return Err(error);
    }
    if draft.recordings.is_empty() {
        return Err(Error::new(
            folder.display().to_string(),
            "no recording lies there",
            "wanted is a folder for each device, in it a file for each clip",
            "put recordings into DEVICE/CLIP.*, for instance kitchen/harbour.mkv",
        ));
    }
    let mut text = HEAD.to_owned();
    let _ = write!(
        text,
        "title = {}\n# date = 2026-03-09   # the date that the reports bear; without it that of the first run\n\
         # part_gb = 4         # recordings of more gigabytes are read in parts, on several machines at once\n\n\
         [defaults]\n\
         # rate = 59.94                # frames/s of recordings that do not say, or say wrong\n\
         # region = \"0,0,1920,1080\"    # look at this part only: X,Y,W,H in pixels\n\
         # exclude = [\"0,0,640,90\"]    # leave these parts out\n\
         # scan = \"progressive\"        # progressive, tff or bff, against pixels and flags\n\
         # require = [\"drops=0\"]       # what every recording must meet; `evenbeat audit --help` lists the keys\n",
        quoted(draft.title.as_deref().unwrap_or("Campaign"))
    );
    for clip in &draft.clips {
        let _ = write!(text, "\n[[clip]]\nid = {}\n# name = \"\"\n", quoted(&clip.id));
        match &clip.file {
            Some(file) => push(&mut text, "file", &relative(file, folder)),
            None => text.push_str("# file = \"\"          # the clip or its fingerprint log: then missing pictures are counted\n"),
        }
        text.push_str("# rate = 59.94       # pictures/s that the clip holds\n# scan = \"progressive\"\n# require = [\"motion-rate=59.94\"]\n");
    }
    for device in &draft.devices {
        let _ = write!(
            text,
            "\n[[device]]\nid = {}\n# name = \"\"\n# firmware = \"\"\n# settings = \"\"\n# recorder = \"\"\n",
            quoted(&device.id)
        );
    }
    for recording in &draft.recordings {
        let file = recording.file.clone().unwrap_or_default();
        text.push_str("\n[[recording]]\n");
        push(&mut text, "device", &recording.device);
        push(&mut text, "clip", &recording.clip);
        push(&mut text, "file", &relative(&file, folder));
    }
    Ok(text)
}

fn push(text: &mut String, key: &str, value: &str) {
    let _ = writeln!(text, "{key} = {}", quoted(value));
}

/// A text as TOML writes it.
fn quoted(text: &str) -> String {
    toml::Value::String(text.to_owned()).to_string()
}

/// A path as it counts from the folder, with `/` on every system; one outside stays whole.
fn relative(path: &Path, folder: &Path) -> String {
    match path.strip_prefix(folder) {
        Ok(inside) => {
            let parts: Vec<_> = inside.iter().map(|part| part.to_string_lossy()).collect();
            parts.join("/")
        }
        Err(_) => {
            let whole = std::path::absolute(path).unwrap_or_else(|_| PathBuf::from(path));
            whole.to_string_lossy().into_owned()
        }
    }
}
