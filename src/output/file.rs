//! One file, whole or not at all.

use std::fs::{self, File, OpenOptions};
use std::hash::{BuildHasher, RandomState};
use std::io::{self, BufWriter, Write};
use std::path::{Path, PathBuf};

use super::disk::DiskFile;
use super::{write_error, Disk, Existing};
use crate::error::{Error, Result};

/// A file that is written beside its place and takes it when it is whole, so that what was there stays until then. It is
/// created with its first byte. A device or a pipe is written as it is: it holds nothing that could be lost.
pub struct WholeFile {
    /// As the person named it.
    shown: PathBuf,
    target: PathBuf,
    what: &'static str,
    /// Where it is written until it is whole. Each has its own: of two at once the later one stays, whole.
    beside: PathBuf,
    open: Open,
    disk: Disk,
}

enum Open {
    Not,
    Beside(BufWriter<DiskFile>),
    Device(BufWriter<File>),
}

impl WholeFile {
    /// A file to be written; refuses one that is there, or whose folder is not, before the work and not after it. `what`
    /// is what errors call it.
    ///
    /// # Errors
    /// It may not be replaced, or its folder is not there.
    pub fn reserve(path: &Path, what: &'static str, existing: Existing) -> Result<Self> {
        Self::reserve_on(Disk::default(), path, what, existing)
    }

    #[doc(hidden)]
    pub fn reserve_on(disk: Disk, path: &Path, what: &'static str, existing: Existing) -> Result<Self> {
        let refuse = |cause: &str, hint: &str| Err(Error::new(path.display().to_string(), what, cause, hint));
        match fs::metadata(path) {
            Ok(found) if found.is_dir() => return refuse("it is a folder", "choose another file"),
            Ok(found) if found.is_file() && existing == Existing::Keep => {
                return refuse("exists already", "choose another file, or replace it with --force");
            }
            _ => {}
        }
        let folder = path.parent().filter(|folder| !folder.as_os_str().is_empty());
        if folder.is_some_and(|folder| !folder.is_dir()) {
            return Err(Error::new(
                path.display().to_string(),
                format!("cannot write {what}"),
                "its folder is not there",
                "make the folder, or choose another file",
            ));
        }
        // Behind a link lies what is to be replaced, not the link.
        let target = path.canonicalize().unwrap_or_else(|_| path.to_owned());
        let beside = beside(&target);
        Ok(Self { shown: path.to_owned(), target, what, beside, open: Open::Not, disk })
    }

    fn opened(&mut self) -> io::Result<&mut dyn Write> {
        if matches!(self.open, Open::Not) {
            self.open = if fs::metadata(&self.target).is_ok_and(|found| !found.is_file()) {
                Open::Device(BufWriter::new(OpenOptions::new().write(true).open(&self.target)?))
            } else {
                Open::Beside(BufWriter::new(self.disk.create_file(&self.beside)?))
            };
        }
        match &mut self.open {
            Open::Beside(file) => Ok(file),
            Open::Device(file) => Ok(file),
            Open::Not => unreachable!("it was opened above"),
        }
    }

    /// Puts the file into its place. Of a file without a byte nothing is left.
    ///
    /// # Errors
    /// It cannot be written or renamed; what was there stays.
    pub fn commit(mut self) -> Result<()> {
        let failed = |file: &Self, error: &io::Error| {
            write_error(&file.shown, &format!("cannot write {}", file.what), error)
        };
        let done = match &mut self.open {
            Open::Not => return Ok(()),
            Open::Device(file) => file.flush(),
            Open::Beside(file) => file.flush().and_then(|()| file.get_ref().sync()),
        };
        done.map_err(|error| failed(&self, &error))?;
        if matches!(self.open, Open::Beside(_)) {
            self.disk.rename(&self.beside, &self.target).map_err(|error| failed(&self, &error))?;
            self.open = Open::Not;
        }
        Ok(())
    }

    /// Writes a text and puts the file into its place.
    ///
    /// # Errors
    /// As [`WholeFile::commit`].
    pub fn write_text(mut self, text: &str) -> Result<()> {
        if let Err(error) = self.write_all(text.as_bytes()) {
            let what = format!("cannot write {}", self.what);
            return Err(write_error(&self.shown, &what, &error));
        }
        self.commit()
    }
}

/// A name that no other writer has: neither another thread, nor a process with the same number on another machine.
fn beside(target: &Path) -> PathBuf {
    let by_chance = RandomState::new().hash_one(std::process::id());
    let name = super::folder::hidden_name(target, &format!("part-{}-{by_chance:016x}", std::process::id()));
    target.with_file_name(name)
}

/// Between the name of a file and the number of the process that writes it.
const PART: &str = ".evenbeat-part-";

/// Removes from a folder the files that processes have left half written which are no more. Where the system does not say
/// which processes there are, they stay.
pub fn clear_parts(folder: &Path) {
    let processes = Path::new("/proc");
    let Ok(entries) = fs::read_dir(folder) else { return };
    if !processes.join("self").exists() {
        return;
    }
    for entry in entries.flatten() {
        let name = entry.file_name();
        let written = name.to_str().and_then(|name| name.strip_prefix('.')?.split_once(PART));
        let Some((process, _)) = written.and_then(|(_, by)| by.split_once('-')) else { continue };
        if process.parse::<u32>().is_ok() && !processes.join(process).exists() {
            // One that stays is in nobody's way.
            let _ = fs::remove_file(entry.path());
        }
    }
}

impl Write for WholeFile {
    fn write(&mut self, bytes: &[u8]) -> io::Result<usize> {
        self.opened()?.write(bytes)
    }

    fn flush(&mut self) -> io::Result<()> {
        match &mut self.open {
            Open::Not => Ok(()),
            Open::Beside(file) => file.flush(),
            Open::Device(file) => file.flush(),
        }
    }
}

impl Drop for WholeFile {
    fn drop(&mut self) {
        if matches!(self.open, Open::Beside(_)) {
            // Whatever it is, the error that led here is the one to report.
            let _ = self.disk.remove_file(&self.beside);
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    #[cfg(target_os = "linux")]
    fn only_what_ended_processes_left_is_cleared() {
        let folder = tempfile::tempdir().unwrap();
        // No system numbers a process so high.
        let ended = format!(".a.html{PART}{}-0", u32::MAX);
        let running = format!(".a.html{PART}{}-0", std::process::id());
        let others = ["a.html", ".hidden", ".a.evenbeat-part-x"];
        for name in [ended.as_str(), running.as_str()].into_iter().chain(others) {
            fs::write(folder.path().join(name), "part").unwrap();
        }
        clear_parts(folder.path());
        assert!(!folder.path().join(&ended).exists());
        for name in [running.as_str()].into_iter().chain(others) {
            assert!(folder.path().join(name).exists(), "{name}");
        }
        clear_parts(&folder.path().join("none"));
    }
}
