//! `manifest.json`: which files belong to a report, each with its digest.

use std::collections::BTreeMap;
use std::fs::File;
use std::io::{self, Read};
use std::path::Path;

use serde::{Deserialize, Serialize};

/// Name of the file.
pub const MANIFEST: &str = "manifest.json";
/// Value of `format`.
const FORMAT: &str = "evenbeat-report";
/// Value of `format_version`.
const FORMAT_VERSION: u32 = 1;
/// Largest manifest read, bytes: some twenty files of a hundred bytes each take a hundredth of it.
const BYTES_MAX: u64 = 1 << 18;

/// The files of a report.
#[derive(Clone, Debug, Deserialize, PartialEq, Serialize)]
pub struct Manifest {
    format: String,
    format_version: u32,
    /// BLAKE3 of each file by its name, in hexadecimal digits.
    pub files: BTreeMap<String, String>,
    /// Reports within, each in a folder with a manifest of its own.
    pub reports: Vec<String>,
}

impl Default for Manifest {
    fn default() -> Self {
        Self {
            format: FORMAT.to_owned(),
            format_version: FORMAT_VERSION,
            files: BTreeMap::new(),
            reports: Vec::new(),
        }
    }
}

impl Manifest {
    /// The document, with a line end at its end.
    pub fn document(&self) -> String {
        let mut text =
            serde_json::to_string_pretty(self).expect("plain structs with string keys always serialize");
        text.push('\n');
        text
    }

    /// Reads the manifest of a folder.
    ///
    /// # Errors
    /// It is missing, unreadable, or names something else than files of its folder.
    pub fn read(folder: &Path) -> io::Result<Self> {
        let mut text = String::new();
        File::open(folder.join(MANIFEST))?.take(BYTES_MAX).read_to_string(&mut text)?;
        let manifest: Self =
            serde_json::from_str(&text).map_err(|_| invalid("it is damaged, or no manifest"))?;
        if manifest.format != FORMAT || manifest.format_version != FORMAT_VERSION {
            return Err(invalid("it is no manifest of this version of evenbeat"));
        }
        if !manifest.files.keys().chain(&manifest.reports).all(|name| is_plain(name)) {
            return Err(invalid("it names files that are not in its folder"));
        }
        Ok(manifest)
    }

    /// Whether a name belongs to the report.
    pub fn names(&self, name: &str) -> bool {
        name == MANIFEST || self.files.contains_key(name) || self.reports.iter().any(|report| report == name)
    }

    /// Holds the files of a folder against their digests.
    ///
    /// # Errors
    /// The first file that is not the one that was written, and why.
    pub fn check(&self, folder: &Path) -> Result<(), (String, String)> {
        for (name, digest) in &self.files {
            let cause = match digest_of(&folder.join(name)) {
                Ok(found) if found == *digest => continue,
                Ok(_) => format!("it is not the file that {MANIFEST} names: another report's, or changed"),
                Err(error) if error.kind() == io::ErrorKind::NotFound => "it is missing".to_owned(),
                Err(error) => super::cause_of(&error).0,
            };
            return Err((name.clone(), cause));
        }
        Ok(())
    }
}

fn invalid(cause: &str) -> io::Error {
    io::Error::new(io::ErrorKind::InvalidData, cause)
}

fn digest_of(path: &Path) -> io::Result<String> {
    if !path.metadata()?.is_file() {
        return Err(invalid("it is no file"));
    }
    let mut hasher = blake3::Hasher::new();
    hasher.update_reader(File::open(path)?)?;
    Ok(hasher.finalize().to_hex().to_string())
}

/// Whether a name is one of a file in the folder itself, on every system.
fn is_plain(name: &str) -> bool {
    !name.is_empty() && name != "." && name != ".." && !name.contains(['/', '\\', ':', '\0'])
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_manifest_comes_back_and_names_nothing_outside() {
        let folder = tempfile::tempdir().unwrap();
        let mut manifest = Manifest::default();
        manifest.files.insert("audit.json".to_owned(), "ab".repeat(32));
        manifest.reports.push("kitchen".to_owned());
        let write = |text: &str| std::fs::write(folder.path().join(MANIFEST), text).unwrap();
        write(&manifest.document());
        assert_eq!(Manifest::read(folder.path()).unwrap(), manifest);
        for outside in ["../audit.json", "/etc/passwd", "..", ".", "", "a/b", "a\\b", "c:x"] {
            let mut odd = manifest.clone();
            odd.reports.push(outside.to_owned());
            write(&odd.document());
            assert!(Manifest::read(folder.path()).is_err(), "{outside}");
        }
        for odd in ["", "{}", "null", &manifest.document().replace("evenbeat-report", "x")] {
            write(odd);
            assert!(Manifest::read(folder.path()).is_err(), "{odd}");
        }
    }
}
