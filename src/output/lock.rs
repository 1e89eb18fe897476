//! One run at a time.

use std::fs::{self, File, OpenOptions};
use std::io;
use std::path::{Path, PathBuf};

use fs4::{FileExt, TryLockError};
use same_file::Handle;

/// A lock on a file made for it, which the system takes off when the program ends, however it ends.
pub(crate) struct Lock {
    path: PathBuf,
    _file: File,
}

impl Lock {
    /// Takes the lock; `None` where another run has it.
    pub(crate) fn take(path: &Path) -> io::Result<Option<Self>> {
        loop {
            let file = OpenOptions::new().write(true).create(true).truncate(false).open(path)?;
            match FileExt::try_lock(&file) {
                Ok(()) => {}
                Err(TryLockError::WouldBlock) => return Ok(None),
                // Where the file system knows no locks, one run at a time is up to the person.
                Err(TryLockError::Error(error)) if error.kind() == io::ErrorKind::Unsupported => {}
                Err(TryLockError::Error(error)) => return Err(error),
            }
            // Who held it before may have removed the file between opening and locking.
            let is_there = Handle::from_path(path).is_ok_and(|there| {
                file.try_clone().and_then(Handle::from_file).is_ok_and(|ours| ours == there)
            });
            if is_there {
                return Ok(Some(Self { path: path.to_owned(), _file: file }));
            }
        }
    }
}

impl Drop for Lock {
    fn drop(&mut self) {
        // An empty file that stays is in nobody's way.
        let _ = fs::remove_file(&self.path);
    }
}
