//! Files out: an output folder that is never overwritten by accident and never holds half a file under a
//! final name.

use std::fs::{self, File};
use std::io::{self, BufWriter, Write};
use std::path::{Path, PathBuf};

use crate::error::{Error, Result};
use crate::report::escape;

/// What to do where the output folder exists already.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Existing {
    /// Refuse: someone may need what is there.
    Keep,
    /// Replace the report files in it (`--force`); other files stay.
    Replace,
}

/// An output folder that exists and is ours to write into.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct OutputFolder {
    path: PathBuf,
}

impl OutputFolder {
    /// Whether the folder could be created, without creating it: to be asked before a long audit.
    ///
    /// # Errors
    /// It exists and `existing` says to keep it, or something else than a folder has its name.
    pub fn check(path: &Path, existing: Existing) -> Result<()> {
        match fs::symlink_metadata(path) {
            Err(error) if error.kind() == io::ErrorKind::NotADirectory => {
                Err(write_error(path, "cannot create output folder", &error))
            }
            Err(_) => Ok(()),
            Ok(_) if existing == Existing::Keep => Err(Error::new(
                place(path),
                "output folder",
                "exists already",
                "choose another folder with --out, or replace the report in it with --force",
            )),
            Ok(_) if !path.is_dir() => Err(Error::new(
                place(path),
                "output folder",
                "exists and is not a folder",
                "choose another folder with --out",
            )),
            Ok(_) => Ok(()),
        }
    }

    /// Creates the folder with the folders above it.
    ///
    /// # Errors
    /// As [`OutputFolder::check`], and where the folder cannot be created.
    pub fn create(path: &Path, existing: Existing) -> Result<Self> {
        Self::check(path, existing)?;
        fs::create_dir_all(path).map_err(|error| write_error(path, "cannot create output folder", &error))?;
        Ok(Self { path: path.to_owned() })
    }

    /// The folder's path.
    pub fn path(&self) -> &Path {
        &self.path
    }

    /// Removes a file of an earlier report, if there is one.
    ///
    /// # Errors
    /// It is there and cannot be removed.
    pub fn remove_file(&self, name: &str) -> Result<()> {
        let target = self.path.join(name);
        match fs::remove_file(&target) {
            Err(error) if error.kind() != io::ErrorKind::NotFound => {
                Err(write_error(&target, "cannot remove", &error))
            }
            _ => Ok(()),
        }
    }

    /// Writes one file under a temporary name in the same folder, then renames it.
    ///
    /// # Errors
    /// Writing or renaming fails; the temporary file is removed and an older file of that name stays whole.
    pub fn write_file(&self, name: &str, fill: impl FnOnce(&mut dyn Write) -> io::Result<()>) -> Result<()> {
        let target = self.path.join(name);
        let temporary = self.path.join(format!(".{name}.{}.part", std::process::id()));
        fill_and_close(&temporary, fill).and_then(|()| fs::rename(&temporary, &target)).map_err(|error| {
            // The first error is the one to report; a leftover temporary file carries no final name.
            let _ = fs::remove_file(&temporary);
            write_error(&target, "cannot write", &error)
        })
    }
}

fn fill_and_close(path: &Path, fill: impl FnOnce(&mut dyn Write) -> io::Result<()>) -> io::Result<()> {
    let mut out = BufWriter::new(File::create(path)?);
    fill(&mut out)?;
    // Some file systems report a full disk only here.
    out.into_inner().map_err(io::IntoInnerError::into_error)?.sync_all()
}

/// The error for a failed write at `path`, in words that do not depend on the system's language.
pub fn write_error(path: &Path, what: &str, error: &io::Error) -> Error {
    let (cause, hint) = match error.kind() {
        io::ErrorKind::StorageFull | io::ErrorKind::QuotaExceeded => {
            ("no space left".to_owned(), "free some space or choose a folder on another disk with --out")
        }
        io::ErrorKind::PermissionDenied => (
            "permission denied".to_owned(),
            "choose a folder you may write to with --out, or change its permissions",
        ),
        io::ErrorKind::ReadOnlyFilesystem => {
            ("read-only file system".to_owned(), "choose a folder on another disk with --out")
        }
        io::ErrorKind::NotADirectory => {
            ("a part of the path is not a folder".to_owned(), "choose another folder with --out")
        }
        _ => (error.to_string().to_lowercase(), "check the disk, or choose another folder with --out"),
    };
    Error::new(place(path), what, cause, hint)
}

fn place(path: &Path) -> String {
    escape::visible(&path.display().to_string())
}
