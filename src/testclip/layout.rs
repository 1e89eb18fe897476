//! Where things stand in the picture. All in whole pixels, rows in pairs, so that both fields hold the same.

use std::ops::Range;

use crate::clip_code::{COLUMNS, ROWS};
use crate::fingerprint::marks::chart::{self, Blocks};

/// Per mille of the height at which the text begins.
const TEXT_TOP: usize = 112;
/// Per mille of the height that the cloth takes above and below: less than a quarter of any third of the height,
/// which is the area that WCAG 2.3.1 lets flash (nothing in it does, but a screen may raise the contrast).
const CLOTH: usize = 80;
/// Lines of the picture per line of a letter.
const LINES_PER_DOT: usize = 240;
/// Letters that must fit between the margins, with their spacing: the longest line of text.
const LETTERS_ACROSS: usize = 42;
/// Letters of the longest line of text beside which something else stands.
pub(super) const TEXT_LETTERS: usize = 36;
/// Per mille of the width left free at both sides of the cloth: the rulers of the upper and lower edge stand there.
const CLOTH_SIDES: usize = 88;

/// The picture's parts.
#[derive(Clone, Debug)]
pub(super) struct Layout {
    pub(super) width: usize,
    pub(super) height: usize,
    /// Width and height of a cell of the marks.
    pub(super) cell: (usize, usize),
    /// Left column and top row of the marks.
    pub(super) ribbon: (usize, usize),
    /// Left column and top row of the text.
    pub(super) text: (usize, usize),
    /// Pixels per dot of a letter.
    pub(super) dot: usize,
    /// Rows in which the shuttle runs.
    pub(super) sweep: Range<usize>,
    /// Rows of moving cloth.
    pub(super) cloth: [Range<usize>; 2],
    /// Columns of it.
    pub(super) cloth_columns: Range<usize>,
}

impl Layout {
    /// The layout of pictures of this size.
    pub(super) fn new(width: usize, height: usize) -> Self {
        let row = |per_mille: usize| height * per_mille / 1000 / 4 * 4;
        let (ribbon, cell) = chart::ribbon(width, height);
        let inner = width * 4 / 5;
        let dot = (height / LINES_PER_DOT).min(inner / (LETTERS_ACROSS * super::lettering::ADVANCE)).max(1);
        Self {
            width,
            height,
            cell,
            ribbon,
            text: (ribbon.0, row(TEXT_TOP)),
            dot,
            sweep: chart::sweep(height),
            cloth: [0..row(CLOTH), height - row(CLOTH)..height],
            cloth_columns: {
                let side = width * CLOTH_SIDES / 1000 / 2 * 2;
                side..width - side
            },
        }
    }

    /// Columns and rows of the dark plate around the marks.
    pub(super) fn plate(&self) -> (Range<usize>, Range<usize>) {
        let ((left, top), (width, height)) = (self.ribbon, self.cell);
        (left - width..left + (COLUMNS + 1) * width, top - height..top + (ROWS + 1) * height)
    }

    /// The blocks of dashes below the marks.
    pub(super) fn blocks(&self) -> Blocks {
        Blocks::new(self.width, self.height)
    }

    /// Columns and rows of one cell of the marks.
    pub(super) fn cell_at(&self, column: usize, row: usize) -> (Range<usize>, Range<usize>) {
        let ((left, top), (width, height)) = (self.ribbon, self.cell);
        let (x, y) = (left + column * width, top + row * height);
        (x..x + width, y..y + height)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::testclip::settings::{HEIGHTS, SIZES, WIDTHS};

    #[test]
    fn parts_do_not_meet_and_survive_a_crop_of_ten_per_cent() {
        let named = SIZES.iter().map(|(_, size)| (size.width, size.height));
        let corners = [*WIDTHS.start(), *WIDTHS.end()]
            .map(|width| [(width, *HEIGHTS.start()), (width, *HEIGHTS.end())]);
        for (width, height) in named.chain(corners.into_iter().flatten()) {
            let (width, height) = (width as usize, height as usize);
            let layout = Layout::new(width, height);
            let (columns, rows) = layout.plate();
            let ribbon = (layout.ribbon.0, layout.ribbon.0 + COLUMNS * layout.cell.0);
            assert!(ribbon.0 * 10 >= width && ribbon.1 * 10 <= 9 * width, "{width}x{height}");
            assert!(columns.end <= width && layout.sweep.end <= rows.start, "{width}x{height}");
            assert!(rows.end <= layout.cloth[1].start && rows.end * 10 <= 9 * height, "{width}x{height}");
            assert!(layout.cloth[0].end < layout.text.1 && layout.text.1 * 10 >= height);
            let even = [layout.ribbon.1, layout.cell.1, layout.sweep.start, layout.cloth[1].start];
            assert!(even.iter().all(|rows| rows % 2 == 0), "{width}x{height}: {even:?}");
        }
    }
}
