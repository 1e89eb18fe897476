//! The still parts of the chart: a wall of patches in scattered order, whose levels and colours are known, a ramp, and rulers
//! to the edges. What a recording makes of them tells levels, colour and geometry. Integers only.

use std::ops::Range;

use super::layout::Layout;

/// Luma of the patches, code values at 8 bit: from the lowest that a sample may have (ITU-R BT.709-6: 0 and 255 are for
/// timing) to the highest, denser at both ends of the nominal range.
pub(super) const LEVELS: [u16; 24] =
    [1, 4, 8, 11, 14, 16, 18, 20, 24, 32, 48, 64, 96, 128, 160, 192, 212, 224, 230, 235, 238, 243, 249, 254];
/// Red, green, blue and their pairs at full level by the equations of ITU-R BT.709-6 (items 3.2 to 3.4 and 4.2), code
/// values at 8 bit: luma, Cb, Cr.
pub(super) const COLOURS_709: [[u16; 3]; 6] =
    [[63, 102, 240], [173, 42, 26], [32, 240, 118], [219, 16, 138], [188, 154, 16], [78, 214, 230]];
/// The same by those of ITU-R BT.601-7 (2.5.1 to 2.5.3).
pub(super) const COLOURS_601: [[u16; 3]; 6] =
    [[81, 90, 240], [145, 54, 34], [41, 240, 110], [210, 16, 146], [170, 166, 16], [106, 202, 222]];
/// Most rows of a picture whose colours are by BT.601.
pub(super) const ROWS_601_MAX: usize = 576;

/// A patch: where it lies, and its luma, Cb and Cr at 8 bit.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(super) struct Patch {
    pub columns: Range<usize>,
    pub rows: Range<usize>,
    pub colour: [u16; 3],
}

/// A wall of patches: per mille of the width and of the height that it takes, patches across and down.
struct Wall {
    across: (usize, usize),
    down: (usize, usize),
    patches: (usize, usize),
}

const fn wall(across: (usize, usize), down: (usize, usize), patches: (usize, usize)) -> Wall {
    Wall { across, down, patches }
}

/// Beside the text, and along both sides above and below the shuttle's rows: what moves over something bright would flash.
const WALLS: [Wall; 5] = [
    wall((640, 888), (116, 330), (6, 7)),
    wall((26, 86), (116, 392), (2, 7)),
    wall((914, 974), (116, 392), (2, 7)),
    wall((26, 86), (584, 884), (2, 8)),
    wall((914, 974), (584, 884), (2, 8)),
];
/// Steps through the list of colours from patch to patch: so that neighbours are nothing alike. It shares no factor with the
/// number of patches in a round.
const SCATTER: usize = 17;

/// Patches in a round: every level once, every colour twice.
const ROUND: usize = LEVELS.len() + 2 * COLOURS_709.len();

/// What the patch at a place in the round shows.
fn colour(at: usize, colours: &[[u16; 3]; 6]) -> [u16; 3] {
    let place = at * SCATTER % ROUND;
    match LEVELS.get(place) {
        Some(&luma) => [luma, 128, 128],
        None => colours[(place - LEVELS.len()) % colours.len()],
    }
}

/// Per mille of the width that walls at the sides take at most.
const SIDE: usize = 100;

/// Where what lies beside the text begins: of narrow pictures the text takes more.
fn beside_text(layout: &Layout) -> usize {
    let text = layout.text.0 + layout.dot * (super::layout::TEXT_LETTERS * super::lettering::ADVANCE);
    (layout.width * 640 / 1000).max(text).next_multiple_of(4)
}

/// All patches of a picture, laid like bricks: every second row begins half a patch later.
pub(super) fn patches(layout: &Layout) -> Vec<Patch> {
    let colours = if layout.height <= ROWS_601_MAX { &COLOURS_601 } else { &COLOURS_709 };
    let even = |per_mille: usize, of: usize| of * per_mille / 1000 / 4 * 4;
    let mut patches = Vec::new();
    let mut at = 0;
    for Wall { across: (left, right), down: (top, bottom), patches: (across, down) } in WALLS {
        let left = if right - left > SIDE { beside_text(layout) } else { even(left, layout.width) };
        let right = even(right, layout.width);
        let (top, bottom) = (even(top, layout.height), even(bottom, layout.height));
        let row_at = |row: usize| top + (bottom - top) * row / down / 4 * 4;
        for row in 0..down {
            let half = (right - left) / across / 2 * (row % 2);
            for column in 0..=across {
                let place = |column: usize| {
                    (left + (right - left) * column / across).saturating_sub(half).clamp(left, right) / 2 * 2
                };
                let columns = place(column)..if column == across { right } else { place(column + 1) };
                if columns.is_empty() {
                    continue;
                }
                patches.push(Patch {
                    columns,
                    rows: row_at(row)..row_at(row + 1),
                    colour: colour(at, colours),
                });
                at += 1;
            }
        }
    }
    patches
}

/// Columns and rows of the ramp from black to white, and luma of a column of it in quarters of a code value at 8 bit: the
/// steps of 10 bit.
pub(super) fn ramp(layout: &Layout) -> (Range<usize>, Range<usize>) {
    let at = |per_mille: usize, of: usize| of * per_mille / 1000 / 4 * 4;
    (beside_text(layout)..at(888, layout.width), at(340, layout.height)..at(384, layout.height))
}

/// Luma of a column of the ramp, quarters of a code value at 8 bit.
pub(super) fn ramp_level(column: usize, columns: &Range<usize>) -> u16 {
    let (black, white) = (4 * 16, 4 * 235);
    (black + (white - black) * (column - columns.start) / (columns.len() - 1).max(1)) as u16
}

/// Teeth of the rulers along all four edges, each two pixels shorter than the one before: how many are cut flush says how
/// many pixels are missing. Columns and rows. Those above and below stand where no cloth is, those at the sides not where the
/// shuttle runs.
pub(super) fn teeth(layout: &Layout) -> Vec<(Range<usize>, Range<usize>)> {
    let (width, height) = (layout.width, layout.height);
    let thick = (height / 120).max(2) / 2 * 2;
    let mut teeth = Vec::new();
    let end = width * 20 / 1000 / 2 * 2;
    for (top, bottom) in [(116, 392), (584, 884)] {
        let (top, bottom) = (height * top / 1000 / 4 * 4, height * bottom / 1000 / 4 * 4);
        for (at, row) in (top..bottom - thick).step_by(2 * thick).enumerate() {
            let from = 2 * at % end.max(2);
            teeth.push((from..end, row..row + thick));
            teeth.push((width - end..width - from, row..row + thick));
        }
    }
    let end = layout.cloth[0].end;
    let (left, right) = (width * 26 / 1000 / 2 * 2, layout.cloth_columns.start);
    for (at, column) in (left..right - thick).step_by(2 * thick).enumerate() {
        let from = 2 * at % end.max(2);
        for columns in [column..column + thick, width - column - thick..width - column] {
            teeth.push((columns.clone(), from..end));
            teeth.push((columns, height - end..height - from));
        }
    }
    teeth
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::testclip::settings::SIZES;

    #[test]
    fn colours_are_those_of_the_standards() {
        // ITU-R BT.709-6 items 3.2, 3.3, 4.2 and BT.601-7, 2.5.1 to 2.5.3: E'Y from 16 to 235, colour differences from 16 to
        // 240; the largest colours are of 1 in one or two of red, green and blue.
        let full = [[1, 0, 0], [0, 1, 0], [0, 0, 1], [1, 1, 0], [0, 1, 1], [1, 0, 1]];
        for (colours, [red, green, blue]) in
            [(COLOURS_709, [0.2126, 0.7152, 0.0722]), (COLOURS_601, [0.299, 0.587, 0.114])]
        {
            for (found, rgb) in colours.into_iter().zip(full) {
                let [r, g, b] = rgb.map(f64::from);
                let luma = red * r + green * g + blue * b;
                let wanted = [
                    16.0 + 219.0 * luma,
                    128.0 + 224.0 * (b - luma) / (2.0 - 2.0 * blue),
                    128.0 + 224.0 * (r - luma) / (2.0 - 2.0 * red),
                ];
                assert_eq!(found.map(f64::from), wanted.map(f64::round), "{rgb:?}");
            }
        }
    }

    #[test]
    fn every_level_and_colour_is_there_and_nothing_covers_another() {
        for (_, size) in SIZES {
            let layout = Layout::new(size.width as usize, size.height as usize);
            let patches = patches(&layout);
            for level in LEVELS {
                let count = patches.iter().filter(|patch| patch.colour == [level, 128, 128]).count();
                assert!(count >= 2, "{level} at {size:?}: {count}");
            }
            let colours = if size.height <= 576 { COLOURS_601 } else { COLOURS_709 };
            for colour in colours {
                assert!(patches.iter().filter(|patch| patch.colour == colour).count() >= 4, "{colour:?}");
            }
            let (columns, rows) = ramp(&layout);
            let mut taken: Vec<(Range<usize>, Range<usize>)> =
                patches.into_iter().map(|patch| (patch.columns, patch.rows)).chain(teeth(&layout)).collect();
            taken.push((columns, rows));
            taken.push(layout.plate());
            taken.extend(layout.blocks().columns.into_iter().map(|columns| (columns, layout.blocks().rows)));
            taken.push((0..layout.width, layout.sweep.clone()));
            taken.extend(layout.cloth.iter().map(|rows| (layout.cloth_columns.clone(), rows.clone())));
            for (at, (columns, rows)) in taken.iter().enumerate() {
                assert!(columns.end <= layout.width && rows.end <= layout.height);
                for (other_columns, other_rows) in &taken[..at] {
                    let meet = |a: &Range<usize>, b: &Range<usize>| a.start < b.end && b.start < a.end;
                    let overlap = meet(columns, other_columns) && meet(rows, other_rows);
                    assert!(!overlap, "{size:?}: {columns:?} {rows:?} {other_columns:?} {other_rows:?}");
                }
            }
        }
    }
}
