//! Whether what is written is what is read, by the identity of files and not by their names.

use std::path::{Path, PathBuf};

use same_file::Handle;

use crate::error::{Error, Result};

/// Something that a run reads.
#[derive(Clone, Copy, Debug)]
pub struct Input<'a> {
    /// What errors call it, for instance `the capture`.
    pub what: &'a str,
    /// File, folder, wildcard in the last part, or `-` for standard input.
    pub path: &'a Path,
}

/// Something that a run writes.
#[derive(Clone, Copy, Debug)]
pub struct Output<'a> {
    /// What errors call it, for instance `fingerprint log`.
    pub what: &'a str,
    /// File or folder; `-` for standard output.
    pub path: &'a Path,
}

/// Refuses outputs that are inputs, or would take the place of one, before anything is written.
///
/// # Errors
/// An output is an input, lies among the images of one, or is a folder that holds one.
pub fn refuse_inputs(outputs: &[Output<'_>], inputs: &[Input<'_>]) -> Result<()> {
    for output in outputs {
        for input in inputs {
            if let Some(how) = touches(output, input) {
                return Err(Error::new(
                    output.path.display().to_string(),
                    output.what,
                    format!("{how} {}, which would be lost", input.what),
                    "write to another place",
                ));
            }
        }
    }
    Ok(())
}

/// How an output touches an input, if it does.
fn touches(output: &Output<'_>, input: &Input<'_>) -> Option<&'static str> {
    let place = handle(output.path, Handle::stdout)?;
    let of_input = handle(input.path, Handle::stdin);
    // Terminals and devices are read and written alike, and hold nothing.
    let holds_something =
        |place: &Handle| place.as_file().metadata().is_ok_and(|found| found.is_file() || found.is_dir());
    if of_input.as_ref() == Some(&place) {
        return holds_something(&place).then_some("is");
    }
    if output.path.is_dir() {
        return lies_below(input.path, &place).then_some("holds");
    }
    // One of the images of a folder, or one that a wildcard means.
    let folder =
        output.path.canonicalize().ok()?.parent().and_then(|parent| Handle::from_path(parent).ok())?;
    let images = if input.path.is_dir() { of_input } else { folder_of_wildcard(input.path) };
    (images? == folder).then_some("is among the images of")
}

fn handle(path: &Path, of_stream: impl FnOnce() -> std::io::Result<Handle>) -> Option<Handle> {
    if path == Path::new("-") {
        return of_stream().ok();
    }
    // To open a pipe would be to wait for it, and it holds nothing.
    path.metadata().ok().filter(|found| found.is_file() || found.is_dir())?;
    Handle::from_path(path).ok()
}

/// Whether a path lies somewhere below a folder.
fn lies_below(path: &Path, folder: &Handle) -> bool {
    let whole: Option<PathBuf> = path.canonicalize().or_else(|_| folder_of(path).canonicalize()).ok();
    let is_folder = |above: &Path| Handle::from_path(above).is_ok_and(|above| above == *folder);
    whole.is_some_and(|whole| whole.ancestors().any(is_folder))
}

/// The folder that a wildcard looks in; `None` where a path is none.
fn folder_of_wildcard(path: &Path) -> Option<Handle> {
    let name = path.file_name()?.to_string_lossy();
    if path.exists() || !name.contains(['*', '?']) {
        return None;
    }
    Handle::from_path(folder_of(path)).ok()
}

fn folder_of(path: &Path) -> &Path {
    path.parent().filter(|parent| !parent.as_os_str().is_empty()).unwrap_or(Path::new("."))
}
