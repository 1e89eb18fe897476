//! Digests of files, kept beside the results so that what has not changed need not be read again; and which decoder
//! program is there.
//!
//! A digest is kept with the size and the time of change of the file. It is believed only where the file was quiet for a
//! while before it was read: a change within the same tick of the clock would not show in its time.

use std::fs::{self, File, Metadata};
use std::io;
use std::path::{Path, PathBuf};
use std::sync::OnceLock;
use std::time::{Duration, SystemTime, UNIX_EPOCH};

use serde::{Deserialize, Serialize};

use crate::capture::decoder_version;
use crate::error::{plain_cause, Error, Result};
use crate::output::Existing;
use crate::output::WholeFile;

/// How long a file must have been quiet when it was read, for its size and time to stand for it. File systems keep times
/// in steps of up to 2 s (FAT).
const QUIET: Duration = Duration::from_secs(3);
/// Largest note read, bytes: a note takes two hundred, one of a folder of images a few hundred thousand.
const NOTE_BYTES_MAX: u64 = 64 << 20;

/// Digests that were computed before, in a folder of their own, and the decoder program's version.
#[derive(Debug)]
pub struct Known {
    folder: PathBuf,
    decoder: Option<PathBuf>,
    decoder_version: OnceLock<Option<String>>,
}

/// What is kept of one file or folder.
#[derive(Debug, Deserialize, PartialEq, Serialize)]
struct Note {
    /// Size and time of change of each file.
    stamps: Vec<Stamp>,
    /// Of all of it.
    blake3: String,
}

/// How a file looked, without reading it.
#[derive(Clone, Debug, Deserialize, Eq, PartialEq, Serialize)]
pub(super) struct Stamp {
    name: String,
    bytes: u64,
    changed_ns: u64,
}

impl Known {
    /// Digests kept in `folder`, which is made where it is needed; `decoder` is the decoder program, `None` that on the
    /// search path.
    pub fn in_folder(folder: impl Into<PathBuf>, decoder: Option<&Path>) -> Self {
        let decoder = decoder.map(Path::to_owned);
        Self { folder: folder.into(), decoder, decoder_version: OnceLock::new() }
    }

    /// Name and version of the decoder program, which is asked once; `None` where there is none.
    pub fn decoder_version(&self) -> Option<String> {
        let ask = || decoder_version(self.decoder.as_deref()).ok();
        self.decoder_version.get_or_init(ask).clone()
    }

    /// BLAKE3 of a file, in hexadecimal digits; of a folder of images that over their names and digests.
    ///
    /// # Errors
    /// It cannot be read.
    pub fn digest(&self, path: &Path) -> Result<String> {
        self.try_digest(path).map_err(|error| {
            let hint = "see whether it is still there, and whether you may read it";
            Error::new(path.display().to_string(), "cannot read", plain_cause(&error), hint)
        })
    }

    fn try_digest(&self, path: &Path) -> io::Result<String> {
        let files = files_of(path)?;
        let stamps = files.iter().map(|file| Stamp::of(file)).collect::<io::Result<Vec<_>>>()?;
        let place = self.place_of(path)?;
        if let Some(note) = read_note(&place).filter(|note| note.stamps == stamps) {
            return Ok(note.blake3);
        }
        let begun = SystemTime::now();
        let blake3 = if path.is_dir() { digest_of_files(&files)? } else { digest_of(path)? };
        // What changed meanwhile, or just before, is read again next time.
        let after = files.iter().map(|file| Stamp::of(file)).collect::<io::Result<Vec<_>>>()?;
        if after == stamps && stamps.iter().all(|stamp| stamp.is_quiet(begun)) {
            self.keep(&place, &Note { stamps, blake3: blake3.clone() });
        }
        Ok(blake3)
    }

    /// Whether the files of a folder are as `check` found them to be when they last changed; `check` is asked where they
    /// changed, and what it finds whole is kept.
    pub fn is_whole(&self, folder: &Path, check: impl FnOnce() -> bool) -> bool {
        let stamps = || files_of(folder).and_then(|files| files.iter().map(|file| Stamp::of(file)).collect());
        let Ok(before): io::Result<Vec<Stamp>> = stamps() else { return false };
        let Ok(place) = self.place_of(folder) else { return check() };
        if read_note(&place).is_some_and(|note| note.stamps == before) {
            return true;
        }
        let begun = SystemTime::now();
        let is_whole = check();
        let is_same = stamps().is_ok_and(|after: Vec<Stamp>| after == before);
        if is_whole && is_same && before.iter().all(|stamp| stamp.is_quiet(begun)) {
            self.keep(&place, &Note { stamps: before, blake3: String::new() });
        }
        is_whole
    }

    /// Where the note of a path lies. Its name does not tell the path.
    fn place_of(&self, path: &Path) -> io::Result<PathBuf> {
        let real = path.canonicalize()?;
        let name = blake3::hash(real.as_os_str().as_encoded_bytes()).to_hex();
        Ok(self.folder.join(format!("{name}.json")))
    }

    /// Keeps a note. What cannot be kept is computed again.
    fn keep(&self, place: &Path, note: &Note) {
        let Ok(text) = serde_json::to_string(note) else { return };
        if fs::create_dir_all(&self.folder).is_ok() {
            let file = WholeFile::reserve(place, "note", Existing::Replace);
            let _ = file.and_then(|file| file.write_text(&text));
        }
    }
}

impl Stamp {
    /// How the file or folder at `path` looks now.
    pub(super) fn of(path: &Path) -> io::Result<Self> {
        let found: Metadata = fs::metadata(path)?;
        let since = found.modified()?.duration_since(UNIX_EPOCH).unwrap_or_default();
        Ok(Self {
            name: path.file_name().map(|name| name.to_string_lossy().into_owned()).unwrap_or_default(),
            bytes: found.len(),
            changed_ns: u64::try_from(since.as_nanos()).unwrap_or(u64::MAX),
        })
    }

    fn is_quiet(&self, at: SystemTime) -> bool {
        let changed = UNIX_EPOCH + Duration::from_nanos(self.changed_ns);
        at.duration_since(changed).is_ok_and(|quiet| quiet > QUIET)
    }
}

fn read_note(place: &Path) -> Option<Note> {
    let file = File::open(place).ok()?;
    if file.metadata().ok()?.len() > NOTE_BYTES_MAX {
        return None;
    }
    serde_json::from_reader(io::BufReader::new(file)).ok()
}

/// The file itself, or the files of a folder in the order of their names; what is hidden there does not count.
fn files_of(path: &Path) -> io::Result<Vec<PathBuf>> {
    if !path.is_dir() {
        return Ok(vec![path.to_owned()]);
    }
    let entries = fs::read_dir(path)?.map(|entry| entry.map(|entry| entry.path()));
    let mut files = entries.collect::<io::Result<Vec<_>>>()?;
    let is_hidden =
        |file: &PathBuf| file.file_name().is_none_or(|name| name.to_string_lossy().starts_with('.'));
    files.retain(|file| file.is_file() && !is_hidden(file));
    files.sort();
    Ok(files)
}

fn digest_of(path: &Path) -> io::Result<String> {
    let mut hasher = blake3::Hasher::new();
    hasher.update_reader(File::open(path)?)?;
    Ok(hasher.finalize().to_hex().to_string())
}

fn digest_of_files(files: &[PathBuf]) -> io::Result<String> {
    let mut hasher = blake3::Hasher::new();
    for file in files {
        let name = file.file_name().unwrap_or_default().as_encoded_bytes();
        hasher.update(&(name.len() as u64).to_le_bytes()).update(name);
        hasher.update(digest_of(file)?.as_bytes());
    }
    Ok(hasher.finalize().to_hex().to_string())
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::fs::FileTimes;

    fn write(path: &Path, bytes: &[u8], age: Duration) {
        fs::write(path, bytes).unwrap();
        let changed = SystemTime::now() - age;
        File::options()
            .append(true)
            .open(path)
            .unwrap()
            .set_times(FileTimes::new().set_modified(changed))
            .unwrap();
    }

    #[test]
    fn a_quiet_file_is_read_once_and_a_changed_one_again() {
        let folder = tempfile::tempdir().unwrap();
        let (file, notes) = (folder.path().join("a"), folder.path().join("notes"));
        let known = Known::in_folder(&notes, None);
        let hash = |bytes: &[u8]| blake3::hash(bytes).to_hex().to_string();
        let kept = || fs::read_dir(&notes).map_or(0, Iterator::count);
        // A file that has just changed may change again within the same tick.
        write(&file, b"one", Duration::ZERO);
        assert_eq!((known.digest(&file).unwrap(), kept()), (hash(b"one"), 0));
        write(&file, b"two", Duration::from_secs(60));
        assert_eq!((known.digest(&file).unwrap(), kept()), (hash(b"two"), 1));
        // Another content of the same size and time is not looked for: that is what sparing a reading means.
        let time = fs::metadata(&file).unwrap().modified().unwrap();
        fs::write(&file, b"odd").unwrap();
        File::options()
            .append(true)
            .open(&file)
            .unwrap()
            .set_times(FileTimes::new().set_modified(time))
            .unwrap();
        assert_eq!(known.digest(&file).unwrap(), hash(b"two"));
        write(&file, b"four", Duration::from_secs(60));
        assert_eq!(known.digest(&file).unwrap(), hash(b"four"));
        fs::remove_file(&file).unwrap();
        assert!(known.digest(&file).is_err());
    }

    #[test]
    fn a_folder_of_images_has_names_and_contents() {
        let folder = tempfile::tempdir().unwrap();
        let known = Known::in_folder(folder.path().join("notes"), None);
        let images = folder.path().join("images");
        fs::create_dir(&images).unwrap();
        let mut seen = Vec::new();
        for (name, bytes) in [("1.png", "a"), ("2.png", "b"), ("2.png", "c")] {
            write(&images.join(name), bytes.as_bytes(), Duration::from_secs(60));
            seen.push(known.digest(&images).unwrap());
        }
        fs::rename(images.join("2.png"), images.join("3.png")).unwrap();
        seen.push(known.digest(&images).unwrap());
        seen.sort();
        seen.dedup();
        assert_eq!(seen.len(), 4);
    }
}
