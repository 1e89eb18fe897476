//! Files out. Nothing that was there is lost, and nothing appears under its name before it is whole: a folder is built
//! beside its place and swapped in ([`OutputFolder`]), a single file is written beside its place and renamed
//! ([`WholeFile`]). What is written is compared with what is read before anything is touched ([`mod@same`]).

mod disk;
mod file;
mod folder;
mod lock;
pub mod manifest;
pub mod same;

use std::io;
use std::path::Path;

pub use disk::Disk;
#[doc(hidden)]
pub use disk::Faults;
pub use file::{clear_parts, WholeFile};
pub use folder::OutputFolder;
pub(crate) use lock::Lock;

use crate::error::{plain_cause, Error};

/// What to do where the output is there already.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Existing {
    /// Refuse: someone may need what is there.
    Keep,
    /// Replace it (`--force`): a file, or an earlier report, whose other files stay.
    Replace,
}

/// Why a write failed, and the way out.
pub fn cause_of(error: &io::Error) -> (String, &'static str) {
    use io::ErrorKind as Kind;
    let hint = match error.kind() {
        Kind::NotFound => {
            return (
                "the folder it belongs into is gone".to_owned(),
                "make the folder again, or choose another",
            );
        }
        Kind::StorageFull | Kind::QuotaExceeded => "free some space or choose a place on another disk",
        Kind::FileTooLarge | Kind::ReadOnlyFilesystem => "choose a place on another disk",
        Kind::PermissionDenied => "choose a folder you may write to, or change its permissions",
        Kind::NotADirectory | Kind::IsADirectory => "choose another place",
        Kind::ResourceBusy => "close what uses it, or choose another place",
        Kind::BrokenPipe => "let the reader take everything",
        _ => "check the disk, or choose another place with a shorter name",
    };
    (plain_cause(error), hint)
}

/// The error for a failed write at `path`.
pub fn write_error(path: &Path, what: &str, error: &io::Error) -> Error {
    let (cause, hint) = cause_of(error);
    Error::new(path.display().to_string(), what, cause, hint)
}
