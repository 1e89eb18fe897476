//! The pages of a campaign: `index.html` with clips by devices, a page for each of both, and charts. One folder, relative
//! links: copied to any web server it stays whole. Values in, text out; everything from outside is escaped here.
//!
//! * `sheet`: the campaign as the pages ask it;
//! * `answers`: the tester's questions, answered in sentences;
//! * `signs`: the signs and the barcode;
//! * `shell`: what all pages have in common;
//! * `index`, `lines`: the pages;
//! * `chart`: pictures to show;
//! * `maker`: a bug report about one recording.

mod answers;
mod chart;
mod index;
mod lines;
mod maker;
mod sheet;
mod shell;
mod signs;
#[cfg(test)]
#[path = "../../../tests/campaign_common/mod.rs"]
mod testing;

pub use self::maker::{excerpt_stretch, maker_page, worst, Excerpt, MakerReport, Place, MAKER_HTML};
use self::sheet::{Axis, Sheet};
use super::raster;
use crate::campaign::model::Campaign;
use crate::error::Result;

/// The page to open first.
pub const INDEX_HTML: &str = "index.html";

/// A file of the campaign's folder.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct PageFile {
    /// Its place in the folder, with `/` between folder and name; of small letters, digits, `-`, `.` and `/`.
    pub path: String,
    /// What it holds.
    pub bytes: Vec<u8>,
}

/// Where pages go.
pub trait Shelf {
    /// Whether a file stands there.
    fn has(&self, path: &str) -> bool;

    /// Whether it stands there and holds exactly this.
    fn holds(&self, path: &str, bytes: &[u8]) -> bool;

    /// Puts a file there, whole.
    ///
    /// # Errors
    /// It cannot be written.
    fn put(&mut self, file: PageFile) -> Result<()>;
}

/// Puts every page and chart of a campaign onto a shelf, the index last: what it leads to is there before it. A chart that
/// stands there already is not drawn again.
///
/// # Errors
/// What the shelf gives, or a chart that cannot be drawn, which has no reason to be.
pub fn write_pages(campaign: &Campaign, shelf: &mut dyn Shelf) -> Result<()> {
    let sheet = Sheet::of(campaign);
    for axis in [Axis::Devices, Axis::Clips] {
        for line in 0..sheet.len(axis) {
            let stem = sheet.stem(axis, line);
            shelf.put(text(format!("{stem}.html"), lines::html(&sheet, axis, line)))?;
            put_chart(shelf, &stem, chart::line(&sheet, axis, line))?;
        }
    }
    put_chart(shelf, chart::CAMPAIGN_STEM, chart::campaign(&sheet))?;
    shelf.put(text(INDEX_HTML.to_owned(), index::html(&sheet)))
}

fn text(path: String, text: String) -> PageFile {
    PageFile { path, bytes: text.into_bytes() }
}

/// Links to a chart in each form that there is, from a page in its folder.
fn chart_links(stem: &str) -> String {
    let kinds: &[&str] = if raster::DRAWN { &["svg", "png"] } else { &["svg"] };
    let links = kinds.iter().map(|kind| format!("<a href=\"{stem}.{kind}\">{stem}.{kind}</a>"));
    links.collect::<Vec<_>>().join(", ")
}

/// A chart as SVG and as PNG. The SVG goes last, so that where it stands the PNG is of it.
fn put_chart(shelf: &mut dyn Shelf, stem: &str, svg: String) -> Result<()> {
    let (drawing, pixels) = (format!("{stem}.svg"), format!("{stem}.png"));
    if (shelf.has(&pixels) || !raster::DRAWN) && shelf.holds(&drawing, svg.as_bytes()) {
        return Ok(());
    }
    if let Some(bytes) = raster::png(&pixels, &svg, 1.0)? {
        shelf.put(PageFile { path: pixels, bytes })?;
    }
    shelf.put(text(drawing, svg))
}

#[cfg(test)]
mod tests {
    use std::collections::BTreeMap;

    use super::*;

    /// Files in memory, and how often each was put there.
    #[derive(Default)]
    struct Kept(BTreeMap<String, (Vec<u8>, usize)>);

    impl Shelf for Kept {
        fn has(&self, path: &str) -> bool {
            self.0.contains_key(path)
        }

        fn holds(&self, path: &str, bytes: &[u8]) -> bool {
            self.0.get(path).is_some_and(|(kept, _)| kept == bytes)
        }

        fn put(&mut self, file: PageFile) -> Result<()> {
            let kept = self.0.entry(file.path).or_default();
            *kept = (file.bytes, kept.1 + 1);
            Ok(())
        }
    }

    #[test]
    fn charts_are_drawn_again_only_where_they_changed() {
        let mut campaign = testing::campaign(&["rw"]);
        let mut kept = Kept::default();
        write_pages(&campaign, &mut kept).unwrap();
        let kinds = if raster::DRAWN { 3 } else { 2 };
        assert_eq!(kept.0.len(), 1 + 2 + 3 * kinds, "{:?}", kept.0.keys());
        write_pages(&campaign, &mut kept).unwrap();
        assert!(kept.0.iter().filter(|(path, _)| path.ends_with("g")).all(|(_, (_, times))| *times == 1));
        campaign.devices[1].name = "another name".to_owned();
        write_pages(&campaign, &mut kept).unwrap();
        let kind = if raster::DRAWN { "png" } else { "svg" };
        let times = |stem: &str| kept.0[&format!("{stem}.{kind}")].1;
        assert_eq!([times("devices/device-1"), times("devices/device-2"), times("campaign")], [1, 2, 2]);
    }

    #[test]
    fn the_same_campaign_gives_the_same_bytes_and_names_no_place_of_the_machine() {
        let campaign = testing::varied();
        let pages = || {
            let sheet = Sheet::of(&campaign);
            [index::html(&sheet), lines::html(&sheet, Axis::Devices, 1), chart::campaign(&sheet)]
        };
        assert_eq!(pages(), pages());
        for page in pages() {
            assert!(!page.contains("file:") && !page.contains("=\"/"), "{page}");
        }
    }

    /// Reads a page as the browser's own parser would not: strictly. What is well-formed has no text from outside in it
    /// that became markup.
    #[test]
    fn every_page_is_well_formed_whatever_the_names() {
        for campaign in [testing::hostile(), testing::varied(), testing::campaign(&[])] {
            let sheet = Sheet::of(&campaign);
            let mut pages = vec![index::html(&sheet)];
            for axis in [Axis::Devices, Axis::Clips] {
                pages.extend((0..sheet.len(axis)).map(|line| lines::html(&sheet, axis, line)));
            }
            for page in pages {
                let page = page.trim_start_matches("<!DOCTYPE html>");
                let document =
                    roxmltree::Document::parse(page).unwrap_or_else(|error| panic!("{error}: {page}"));
                let images = document.descendants().filter(|node| node.has_tag_name("img"));
                assert!(images.map(|image| image.attribute("src")).all(|source| source != Some("x")));
                let handlers = |node: &roxmltree::Node<'_, '_>| {
                    node.attributes().any(|one| one.name().starts_with("on") || one.name() == "style")
                };
                assert!(!document.descendants().any(|node| handlers(&node)));
            }
        }
    }

    #[test]
    fn a_thousand_devices_are_one_page() {
        let campaign = testing::campaign(&["r".repeat(1000).as_str(), "w".repeat(1000).as_str()]);
        let page = index::html(&Sheet::of(&campaign));
        assert!(page.len() < 8_000_000, "{}", page.len());
        assert_eq!(page.matches("<td ").count(), 2000);
    }
}
