//! Every change of the disk that an output brings about, so that tests can let each of them fail.

use std::fs::{self, File};
use std::io::{self, Write};
use std::path::Path;
use std::sync::Arc;

/// What a test lets happen to the changes of the disk. The command has none.
#[doc(hidden)]
pub trait Faults: Send + Sync {
    /// Asked before every step but a write; an error is what the step comes to.
    ///
    /// # Errors
    /// What the step shall come to.
    fn before(&self, step: &'static str) -> io::Result<()>;

    /// How many of these bytes the next write takes, at least one.
    ///
    /// # Errors
    /// What the write shall come to.
    fn writing(&self, bytes: usize) -> io::Result<usize>;
}

/// The disk, one function for each change.
#[derive(Clone, Default)]
pub struct Disk {
    faults: Option<Arc<dyn Faults>>,
}

impl Disk {
    /// A disk on which a test lets things fail.
    #[doc(hidden)]
    pub fn with_faults(faults: Arc<dyn Faults>) -> Self {
        Self { faults: Some(faults) }
    }

    fn before(&self, step: &'static str) -> io::Result<()> {
        self.faults.as_ref().map_or(Ok(()), |faults| faults.before(step))
    }

    pub(super) fn create_folder(&self, path: &Path) -> io::Result<()> {
        self.before("create folder")?;
        fs::create_dir(path)
    }

    pub(super) fn create_file(&self, path: &Path) -> io::Result<DiskFile> {
        self.before("create file")?;
        Ok(DiskFile { file: File::create(path)?, disk: self.clone() })
    }

    pub(super) fn rename(&self, from: &Path, to: &Path) -> io::Result<()> {
        self.before("rename")?;
        fs::rename(from, to)
    }

    /// Exchanges two folders in one step.
    pub(super) fn exchange(&self, one: &Path, other: &Path) -> io::Result<()> {
        self.before("exchange")?;
        exchange(one, other)
    }

    pub(super) fn link(&self, from: &Path, to: &Path) -> io::Result<()> {
        self.before("link")?;
        fs::hard_link(from, to)
    }

    pub(super) fn remove_file(&self, path: &Path) -> io::Result<()> {
        self.before("remove file")?;
        fs::remove_file(path)
    }

    pub(super) fn remove_folder(&self, path: &Path) -> io::Result<()> {
        self.before("remove folder")?;
        fs::remove_dir(path)
    }

    pub(super) fn remove_all(&self, path: &Path) -> io::Result<()> {
        self.before("remove folder with all")?;
        fs::remove_dir_all(path)
    }

    /// Makes the names in a folder last through a power cut, where the system can.
    pub(super) fn sync_folder(&self, path: &Path) -> io::Result<()> {
        self.before("sync folder")?;
        if cfg!(unix) && self.faults.is_none() {
            File::open(path)?.sync_all()?;
        }
        Ok(())
    }
}

#[cfg(target_os = "linux")]
fn exchange(one: &Path, other: &Path) -> io::Result<()> {
    use rustix::fs::{renameat_with, RenameFlags, CWD};
    Ok(renameat_with(CWD, one, CWD, other, RenameFlags::EXCHANGE)?)
}

#[cfg(not(target_os = "linux"))]
fn exchange(_: &Path, _: &Path) -> io::Result<()> {
    Err(io::ErrorKind::Unsupported.into())
}

/// A file that is written.
pub(super) struct DiskFile {
    file: File,
    disk: Disk,
}

impl DiskFile {
    /// Some file systems report a full disk only here.
    pub(super) fn sync(&self) -> io::Result<()> {
        self.disk.before("sync file")?;
        // What a test lets fail need not outlast a power cut.
        if self.disk.faults.is_none() {
            self.file.sync_all()?;
        }
        Ok(())
    }
}

impl Write for DiskFile {
    fn write(&mut self, bytes: &[u8]) -> io::Result<usize> {
        let taken =
            self.disk.faults.as_ref().map_or(Ok(bytes.len()), |faults| faults.writing(bytes.len()))?;
        self.file.write(&bytes[..taken])
    }

    fn flush(&mut self) -> io::Result<()> {
        self.file.flush()
    }
}
