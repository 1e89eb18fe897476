//! A folder with a report, whole or not at all.
//!
//! It is built beside its place, `.NAME.evenbeat-new`, and swapped in when its manifest is written: in one step where the
//! system can exchange two folders, otherwise in two, between which the earlier report is `.NAME.evenbeat-old`. What
//! else lies in an earlier report's folder goes along. What a run that was killed leaves is set right by the next one
//! into the same folder. `.NAME.evenbeat-lock` keeps two runs apart.

use std::collections::BTreeSet;
use std::ffi::{OsStr, OsString};
use std::fs;
use std::io::{self, BufWriter, Write};
use std::path::{Path, PathBuf};
use std::sync::Mutex;

use super::disk::DiskFile;
use super::lock::Lock;
use super::manifest::{Manifest, MANIFEST};
use super::{write_error, Disk, Existing};
use crate::error::{Error, Result};

const CREATE: &str = "cannot create output folder";

/// An output folder in the making. Dropped before [`OutputFolder::commit`] it leaves nothing behind.
pub struct OutputFolder {
    /// As the person named it.
    shown: PathBuf,
    /// Where it really lies.
    target: PathBuf,
    /// Where it is built.
    staging: PathBuf,
    /// Folders above it that were made for it.
    made: Vec<PathBuf>,
    manifest: Mutex<Manifest>,
    disk: Disk,
    /// None within another report, which is locked itself.
    lock: Option<Lock>,
}

impl OutputFolder {
    /// Reserves a folder: to be asked before a long audit. The folders above it are made.
    ///
    /// # Errors
    /// It exists and is no earlier report or `existing` says to keep it, another run writes into it, or it cannot be
    /// made.
    pub fn reserve(path: &Path, existing: Existing) -> Result<Self> {
        Self::reserve_on(Disk::default(), path, existing)
    }

    #[doc(hidden)]
    pub fn reserve_on(disk: Disk, path: &Path, existing: Existing) -> Result<Self> {
        check(path, existing)?;
        let failed = |error: io::Error| write_error(path, CREATE, &error);
        let mut made = Vec::new();
        let target = real_path(path, &disk, &mut made).map_err(failed)?;
        let lock = Lock::take(&beside(&target, "lock")).map_err(failed)?;
        let Some(lock) = lock else {
            return Err(Error::new(
                path.display().to_string(),
                "output folder",
                "another run of evenbeat is writing it",
                "wait until it has ended, or choose another folder with --out",
            ));
        };
        let folder = Self {
            shown: path.to_owned(),
            staging: beside(&target, "new"),
            target,
            made,
            manifest: Mutex::default(),
            disk,
            lock: Some(lock),
        };
        folder.set_right().map_err(failed)?;
        // Once more: another run may just have ended.
        check(path, existing)?;
        folder.disk.create_folder(&folder.staging).map_err(failed)?;
        Ok(folder)
    }

    /// Refuses names that something else in the earlier report's folder has, before the work and not after it.
    ///
    /// # Errors
    /// One of the names is taken.
    pub fn expect_free(&self, names: &[&str]) -> Result<()> {
        let Ok(earlier) = Manifest::read(&self.target) else { return Ok(()) };
        let strangers = strangers(&self.target, &earlier);
        let strangers = strangers.map_err(|error| write_error(&self.shown, CREATE, &error))?;
        match names.iter().find(|name| strangers.contains(OsStr::new(name))) {
            Some(name) => Err(self.in_the_way(OsStr::new(name))),
            None => Ok(()),
        }
    }

    fn in_the_way(&self, name: &OsStr) -> Error {
        Error::new(
            self.shown.join(name).display().to_string(),
            "in the way of a file of the report",
            "it is no part of the earlier one",
            "move it away, or choose another folder with --out",
        )
    }

    /// A report within this one.
    ///
    /// # Errors
    /// Its folder cannot be made.
    pub fn report_within(&self, name: &str) -> Result<Self> {
        let shown = self.shown.join(name);
        let target = self.staging.join(name);
        let staging = beside(&target, "new");
        self.disk.create_folder(&staging).map_err(|error| write_error(&shown, CREATE, &error))?;
        self.manifest.lock().expect("no thread panics with it").reports.push(name.to_owned());
        let disk = self.disk.clone();
        Ok(Self { shown, target, staging, made: Vec::new(), manifest: Mutex::default(), disk, lock: None })
    }

    /// The folder's path, as the person named it.
    pub fn path(&self) -> &Path {
        &self.shown
    }

    /// Where a report within this one lies until this one is whole.
    pub fn path_within(&self, name: &str) -> PathBuf {
        self.staging.join(name)
    }

    /// Writes one of its files.
    ///
    /// # Errors
    /// It cannot be written.
    pub fn write_file(&self, name: &str, fill: impl FnOnce(&mut dyn Write) -> io::Result<()>) -> Result<()> {
        let digest = self
            .write_hashed(name, fill)
            .map_err(|error| write_error(&self.shown.join(name), "cannot write", &error))?;
        self.manifest.lock().expect("no thread panics with it").files.insert(name.to_owned(), digest);
        Ok(())
    }

    fn write_hashed(
        &self,
        name: &str,
        fill: impl FnOnce(&mut dyn Write) -> io::Result<()>,
    ) -> io::Result<String> {
        let file = self.disk.create_file(&self.staging.join(name))?;
        let mut out = BufWriter::new(Hashed { file, hasher: blake3::Hasher::new() });
        fill(&mut out)?;
        let hashed = out.into_inner().map_err(io::IntoInnerError::into_error)?;
        hashed.file.sync()?;
        Ok(hashed.hasher.finalize().to_hex().to_string())
    }

    /// Puts the report into its place, and an earlier one away.
    ///
    /// # Errors
    /// It cannot be; the earlier one stays.
    pub fn commit(self) -> Result<()> {
        let failed = |error: io::Error| write_error(&self.shown, "cannot write", &error);
        let manifest = self.manifest.lock().expect("no thread panics with it").document();
        self.write_hashed(MANIFEST, |out| out.write_all(manifest.as_bytes()))
            .and_then(|_| self.disk.sync_folder(&self.staging))
            .map_err(failed)?;
        if fs::symlink_metadata(&self.target).is_err() {
            self.disk.rename(&self.staging, &self.target).map_err(failed)?;
            return self.sync_above().map_err(failed);
        }
        let earlier = Manifest::read(&self.target).unwrap_or_default();
        self.take_along(&earlier)?;
        let old = self.swap().map_err(failed)?;
        // The new report is whole and in its place: what is left is to tidy up.
        let tidied = bring(&self.disk, &old, &self.target, &earlier)
            .and_then(|()| remove_report(&self.disk, &old, &earlier))
            .and_then(|()| self.sync_above());
        tidied.map_err(|error| Error {
            hint: format!("what else was in it lies in {}", old.display()),
            ..failed(error)
        })
    }

    /// Gives what else lies in the earlier report's folder a second name in the new one, so that it is there at every
    /// moment. Folders cannot have two names: they follow after the swap.
    fn take_along(&self, earlier: &Manifest) -> Result<()> {
        let failed = |error: io::Error| write_error(&self.shown, "cannot write", &error);
        for name in strangers(&self.target, earlier).map_err(failed)? {
            let (here, there) = (self.target.join(&name), self.staging.join(&name));
            if fs::symlink_metadata(&there).is_ok() {
                return Err(self.in_the_way(&name));
            }
            if !fs::symlink_metadata(&here).is_ok_and(|found| found.is_dir()) {
                // Where files cannot have two names they follow after the swap too.
                let _ = self.disk.link(&here, &there);
            }
        }
        Ok(())
    }

    /// Exchanges the earlier report for the new one; where the earlier one lies then.
    fn swap(&self) -> io::Result<PathBuf> {
        match self.disk.exchange(&self.staging, &self.target) {
            Ok(()) => Ok(self.staging.clone()),
            Err(error) if cannot_exchange(&error) => {
                let old = beside(&self.target, "old");
                self.disk.rename(&self.target, &old)?;
                if let Err(error) = self.disk.rename(&self.staging, &self.target) {
                    self.disk.rename(&old, &self.target)?;
                    return Err(error);
                }
                Ok(old)
            }
            Err(error) => Err(error),
        }
    }

    fn sync_above(&self) -> io::Result<()> {
        self.target.parent().map_or(Ok(()), |above| self.disk.sync_folder(above))
    }

    /// Sets right what a run that was killed has left.
    fn set_right(&self) -> io::Result<()> {
        let old = beside(&self.target, "old");
        if fs::symlink_metadata(&self.target).is_err() && fs::symlink_metadata(&old).is_ok() {
            self.disk.rename(&old, &self.target)?;
        }
        for left in [old, beside(&self.target, "new")] {
            if fs::symlink_metadata(&left).is_err() {
                continue;
            }
            match Manifest::read(&left) {
                Ok(manifest) => {
                    if self.target.is_dir() {
                        bring(&self.disk, &left, &self.target, &manifest)?;
                    }
                    remove_report(&self.disk, &left, &manifest)?;
                }
                // Without a manifest it was not even written whole: nothing else is in it.
                Err(_) => self.disk.remove_all(&left)?,
            }
        }
        Ok(())
    }
}

impl Drop for OutputFolder {
    fn drop(&mut self) {
        // After a swap there is nothing here; otherwise the error that led here is the one to report.
        let left = fs::symlink_metadata(&self.staging).is_ok();
        if left && !self.staging.join(MANIFEST).exists() {
            let _ = self.disk.remove_all(&self.staging);
        } else if left {
            let _ = self.set_right();
        }
        // Its file lies in the folders that were made.
        self.lock = None;
        for folder in self.made.iter().rev() {
            let _ = self.disk.remove_folder(folder);
        }
    }
}

/// Writes through a hasher.
struct Hashed {
    file: DiskFile,
    hasher: blake3::Hasher,
}

impl Write for Hashed {
    fn write(&mut self, bytes: &[u8]) -> io::Result<usize> {
        let taken = self.file.write(bytes)?;
        self.hasher.update(&bytes[..taken]);
        Ok(taken)
    }

    fn flush(&mut self) -> io::Result<()> {
        self.file.flush()
    }
}

/// Whether a folder may be written.
fn check(path: &Path, existing: Existing) -> Result<()> {
    let refuse =
        |cause: &str, hint: &str| Err(Error::new(path.display().to_string(), "output folder", cause, hint));
    match fs::symlink_metadata(path) {
        Err(error) if error.kind() == io::ErrorKind::NotFound => Ok(()),
        Err(error) => Err(write_error(path, CREATE, &error)),
        Ok(_) if existing == Existing::Keep => refuse(
            "exists already",
            "choose another folder with --out, or replace the report in it with --force",
        ),
        Ok(_) if !path.is_dir() => refuse("exists and is not a folder", "choose another folder with --out"),
        Ok(_) if Manifest::read(path).is_err() && !is_empty(path) => {
            refuse("is not an earlier report, and only one is replaced", "choose another folder with --out")
        }
        Ok(_) => Ok(()),
    }
}

fn is_empty(folder: &Path) -> bool {
    fs::read_dir(folder).is_ok_and(|mut entries| entries.next().is_none())
}

/// The path with all links resolved, the folders above it made; `made` gets those.
fn real_path(path: &Path, disk: &Disk, made: &mut Vec<PathBuf>) -> io::Result<PathBuf> {
    if let Ok(real) = path.canonicalize() {
        return Ok(real);
    }
    let name = path.file_name().ok_or(io::ErrorKind::InvalidInput)?;
    let above = path.parent().filter(|above| !above.as_os_str().is_empty()).unwrap_or(Path::new("."));
    let missing: Vec<&Path> =
        above.ancestors().take_while(|folder| !folder.as_os_str().is_empty() && !folder.exists()).collect();
    for folder in missing.into_iter().rev() {
        disk.create_folder(folder)?;
        made.push(folder.to_owned());
    }
    Ok(above.canonicalize()?.join(name))
}

/// Longest part of a name that is used for what lies beside it, bytes; file systems take 255 in all.
const NAME_BYTES_MAX: usize = 200;

/// Name of what belongs to a path and is not to be seen.
pub(super) fn hidden_name(path: &Path, what: &str) -> OsString {
    let name = path.file_name().unwrap_or_default();
    let mut hidden = OsString::from(".");
    if name.len() <= NAME_BYTES_MAX {
        hidden.push(name);
    } else {
        hidden.push(blake3::hash(name.as_encoded_bytes()).to_hex().as_str());
    }
    hidden.push(".evenbeat-");
    hidden.push(what);
    hidden
}

fn beside(target: &Path, what: &str) -> PathBuf {
    target.with_file_name(hidden_name(target, what))
}

/// Whether a system or a file system knows no exchange of folders.
fn cannot_exchange(error: &io::Error) -> bool {
    // `EINVAL` by file systems that do not know it; `EXDEV` by layered ones.
    matches!(
        error.kind(),
        io::ErrorKind::Unsupported | io::ErrorKind::InvalidInput | io::ErrorKind::CrossesDevices
    )
}

/// Names in a folder that do not belong to its report, in order.
fn strangers(folder: &Path, manifest: &Manifest) -> io::Result<BTreeSet<OsString>> {
    let mut found = BTreeSet::new();
    for entry in fs::read_dir(folder)? {
        let name = entry?.file_name();
        if !name.to_str().is_some_and(|name| manifest.names(name)) {
            found.insert(name);
        }
    }
    Ok(found)
}

/// Brings what does not belong to the report in `old` into `new`.
fn bring(disk: &Disk, old: &Path, new: &Path, manifest: &Manifest) -> io::Result<()> {
    for name in strangers(old, manifest)? {
        let (from, to) = (old.join(&name), new.join(&name));
        if fs::symlink_metadata(&to).is_err() {
            disk.rename(&from, &to)?;
        } else if is_same_entry(&from, &to) {
            // It has been taken along already.
            disk.remove_file(&from)?;
        }
    }
    for report in &manifest.reports {
        let (from, to) = (old.join(report), new.join(report));
        let Ok(within) = Manifest::read(&from) else { continue };
        if !to.is_dir() && !strangers(&from, &within)?.is_empty() {
            disk.create_folder(&to)?;
        }
        bring(disk, &from, &to, &within)?;
    }
    Ok(())
}

/// Removes a report's files, the manifest last, and its folder. What else is in it stays, and the folder with it.
fn remove_report(disk: &Disk, folder: &Path, manifest: &Manifest) -> io::Result<()> {
    for report in &manifest.reports {
        let within = folder.join(report);
        if let Ok(manifest) = Manifest::read(&within) {
            remove_report(disk, &within, &manifest)?;
        }
    }
    let remove = |name: &str| match disk.remove_file(&folder.join(name)) {
        Err(error) if error.kind() != io::ErrorKind::NotFound => Err(error),
        _ => Ok(()),
    };
    manifest.files.keys().try_for_each(|name| remove(name))?;
    if !strangers(folder, manifest)?.is_empty() {
        return Err(io::ErrorKind::DirectoryNotEmpty.into());
    }
    remove(MANIFEST)?;
    disk.remove_folder(folder)
}

/// Whether two names are of one entry; a link is an entry of its own.
#[cfg(unix)]
fn is_same_entry(one: &Path, other: &Path) -> bool {
    use std::os::unix::fs::MetadataExt;
    let identity = |path: &Path| fs::symlink_metadata(path).map(|found| (found.dev(), found.ino())).ok();
    identity(one).is_some() && identity(one) == identity(other)
}

#[cfg(not(unix))]
fn is_same_entry(one: &Path, other: &Path) -> bool {
    same_file::is_same_file(one, other).unwrap_or(false)
}
