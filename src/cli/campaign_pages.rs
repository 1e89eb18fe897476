//! The pages of a campaign, in its folder.

use std::fs;
use std::path::Path;

use evenbeat::campaign::model::Campaign;
use evenbeat::error::Result;
use evenbeat::output::{clear_parts, write_error};
use evenbeat::report::campaign::{write_pages, PageFile, Shelf};

use super::campaign::write_changed;

/// Writes all pages that are not there as they should be.
///
/// # Errors
/// One cannot be written.
pub(super) fn write(campaign: &Campaign, out: &Path) -> Result<()> {
    ["", "clips", "devices"].iter().for_each(|folder| clear_parts(&out.join(folder)));
    write_pages(campaign, &mut Folder(out))
}

/// The campaign's folder.
struct Folder<'a>(&'a Path);

impl Shelf for Folder<'_> {
    fn has(&self, path: &str) -> bool {
        self.0.join(path).is_file()
    }

    fn holds(&self, path: &str, bytes: &[u8]) -> bool {
        fs::read(self.0.join(path)).is_ok_and(|there| there == bytes)
    }

    fn put(&mut self, file: PageFile) -> Result<()> {
        let path = self.0.join(&file.path);
        if let Some(above) = path.parent() {
            fs::create_dir_all(above)
                .map_err(|error| write_error(above, "cannot make the folder", &error))?;
        }
        write_changed(&path, &file.bytes)
    }
}
