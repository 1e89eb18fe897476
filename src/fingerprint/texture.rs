//! The texture of a picture: what lies within the cells of its signature, as a few numbers that differ between pictures
//! of which the cells have the same means.
//!
//! Each cell has 8 × 8 parts. A number of the texture is the sum of the means of a cell's parts, half of them added and
//! half taken off by a pattern that was drawn once and for all. Such sums keep the distances between pictures whatever
//! these show (random projections: Johnson and Lindenstrauss 1984, with signs alone Achlioptas 2003; from memory), are
//! linear in the picture, and do not see what a whole cell is brighter by.

use multiversion::multiversion;

use super::reduced::{part, ReducedPicture};
use super::{FIXED_POINT, SIGNATURE_COLUMNS, SIGNATURE_ROWS};

/// Parts of a cell, across and down: a row of a pattern is a byte.
const PARTS: usize = 8;
/// Columns of parts over the whole picture.
pub const PART_COLUMNS: usize = PARTS * SIGNATURE_COLUMNS;
/// Rows of parts over the whole picture.
pub const PART_ROWS: usize = PARTS * SIGNATURE_ROWS;
/// Numbers per cell. By trials on twelve real clips at x264 14 to 26: with one a frame in a thousand is more like another
/// picture than like its own, with two none.
pub const PER_CELL: usize = 2;

/// Numbers of a texture.
pub const TEXTURE_LEN: usize = PER_CELL * SIGNATURE_COLUMNS * SIGNATURE_ROWS;

/// Cell by cell like the signature, the numbers of a cell side by side, in code values at 8 bit: the sum of its parts,
/// each with its sign, over the root of their number, so that noise is as large as in one part. What lies beyond ±127 is
/// written as that. All zero for pictures of fewer than [`PART_COLUMNS`] × [`PART_ROWS`] reduced pixels.
pub type Texture = [i8; TEXTURE_LEN];

/// Which parts of a cell are added, row by row of eight bits from the lowest; the others are taken off.
const PATTERNS: [u64; TEXTURE_LEN] = patterns();

/// One pattern of 32 bits in 64 for each number, drawn from a fixed seed.
const fn patterns() -> [u64; TEXTURE_LEN] {
    let mut patterns = [0; TEXTURE_LEN];
    let mut state: u64 = 0x9e37_79b9_7f4a_7c15;
    let mut at = 0;
    while at < TEXTURE_LEN {
        let mut left = PARTS * PARTS / 2;
        while left > 0 {
            // Marsaglia's xorshift64, of which the upper bits choose a place.
            state ^= state << 13;
            state ^= state >> 7;
            state ^= state << 17;
            let bit = 1 << (state >> 58);
            if patterns[at] & bit == 0 {
                patterns[at] |= bit;
                left -= 1;
            }
        }
        at += 1;
    }
    patterns
}

/// Whether a reduced picture of this size has a texture.
pub fn has_texture(width: usize, height: usize) -> bool {
    width >= PART_COLUMNS && height >= PART_ROWS
}

/// Where parts begin and end over `length` reduced pixels that are divided in so many cells: one more than there are parts.
pub fn part_borders(length: usize, cells: usize) -> Vec<usize> {
    let of_cell = |cell: usize| {
        let (from, to) = part(cell, cells, length);
        (0..PARTS).map(move |at| from + at * (to - from) / PARTS)
    };
    (0..cells).flat_map(of_cell).chain([length]).collect()
}

/// The texture of a picture given as the means of its parts, row by row, in `1 / FIXED_POINT` code values.
///
/// # Panics
/// When there are fewer than [`PART_COLUMNS`] × [`PART_ROWS`].
pub fn texture(means: &[u16]) -> Texture {
    let mut texture = [0; TEXTURE_LEN];
    for (cell, numbers) in texture.chunks_exact_mut(PER_CELL).enumerate() {
        let (column, row) = (cell % SIGNATURE_COLUMNS, cell / SIGNATURE_COLUMNS);
        let first = row * PARTS * PART_COLUMNS + column * PARTS;
        let mut sums = [0i32; PER_CELL];
        for line in 0..PARTS {
            let parts = &means[first + line * PART_COLUMNS..][..PARTS];
            for (number, sum) in sums.iter_mut().enumerate() {
                let signs = PATTERNS[PER_CELL * cell + number] >> (PARTS * line);
                for (at, &mean) in parts.iter().enumerate() {
                    *sum += if signs >> at & 1 == 1 { i32::from(mean) } else { -i32::from(mean) };
                }
            }
        }
        for (number, sum) in numbers.iter_mut().zip(sums) {
            *number = (sum as f32 / (PARTS as f32 * FIXED_POINT)).round().clamp(-127.0, 127.0) as i8;
        }
    }
    texture
}

/// The texture of a reduced picture.
pub(super) fn of_reduced(reduced: &ReducedPicture) -> Texture {
    let full = &reduced.levels[0];
    if !has_texture(full.width, full.height) {
        return [0; TEXTURE_LEN];
    }
    let columns = part_borders(full.width, SIGNATURE_COLUMNS);
    let rows = part_borders(full.height, SIGNATURE_ROWS);
    let mut means = vec![0; PART_COLUMNS * PART_ROWS];
    let mut sums = vec![0; full.width];
    for (means, rows) in means.chunks_exact_mut(PART_COLUMNS).zip(rows.windows(2)) {
        row_sums(&full.values[rows[0] * full.width..rows[1] * full.width], &mut sums);
        for (mean, columns) in means.iter_mut().zip(columns.windows(2)) {
            let sum: i32 = sums[columns[0]..columns[1]].iter().sum();
            let area = ((columns[1] - columns[0]) * (rows[1] - rows[0])) as i32;
            *mean = ((sum + area / 2) / area) as u16;
        }
    }
    texture(&means)
}

/// Sums of each column over some rows.
#[multiversion(targets("x86_64+avx512f+avx512bw+avx512dq+avx512vl+avx2", "x86_64+avx2"))]
fn row_sums(rows: &[i16], sums: &mut [i32]) {
    sums.fill(0);
    for row in rows.chunks_exact(sums.len()) {
        for (sum, &value) in sums.iter_mut().zip(row) {
            *sum += i32::from(value);
        }
    }
}

#[cfg(test)]
mod tests {
    use super::super::cells::{means, CellBorders, Lines};
    use super::*;
    use crate::fingerprint::ViewPlan;
    use crate::frame::{Family, FrameShape, PixelFormat};
    use crate::settings::ViewSettings;

    /// The texture of a grey picture by its fingerprint's way and by the borders of its parts.
    fn both(width: u32, height: u32, value: impl Fn(usize, usize) -> u8) -> [Texture; 2] {
        let shape =
            FrameShape { width, height, pixel_format: PixelFormat { family: Family::Gray, bit_depth: 8 } };
        let (across, down) = (width as usize, height as usize);
        let samples: Vec<u8> = (0..across * down).map(|at| value(at % across, at / across)).collect();
        let plan = ViewPlan::new(shape, &ViewSettings::default());
        let reduced = ReducedPicture::of(&plan, &samples, ReducedPicture::default());
        let along = |length: usize, cells: usize| {
            part_borders(length, cells).into_iter().map(|border| border as f64).collect::<Vec<f64>>()
        };
        let borders =
            CellBorders { columns: along(across, SIGNATURE_COLUMNS), rows: along(down, SIGNATURE_ROWS) };
        [of_reduced(&reduced), texture(&means(shape, &samples, &borders, Lines::All))]
    }

    #[test]
    fn patterns_add_half_of_the_parts_and_differ() {
        assert!(PATTERNS.iter().all(|pattern| pattern.count_ones() == 32));
        let mut sorted = PATTERNS.to_vec();
        sorted.sort_unstable();
        sorted.dedup();
        assert_eq!(sorted.len(), TEXTURE_LEN);
    }

    #[test]
    fn a_picture_has_the_texture_of_its_parts_whatever_its_size() {
        let noise = |x: usize, y: usize| (x * 7919 + y * 104_729 + x * y * 31) as u8;
        for (width, height) in [(96, 64), (192, 128), (250, 131), (480, 270)] {
            let [own, by_parts] = both(width, height, noise);
            let off = own.iter().zip(&by_parts).map(|(a, b)| (i16::from(*a) - i16::from(*b)).abs()).max();
            assert!(off <= Some(1), "{width} × {height}: {off:?}");
            assert!(own.iter().any(|&number| number != 0));
        }
        assert_eq!(both(95, 64, noise)[0], [0; TEXTURE_LEN]);
    }

    #[test]
    fn brightness_is_no_texture_and_detail_is() {
        let flat = |level: u8| both(192, 128, move |_, _| level)[0];
        assert_eq!(flat(30), [0; TEXTURE_LEN]);
        // Stripes as wide as a part that move by one: the means of the cells stay, the texture turns over.
        let stripes =
            |shift: usize| both(192, 128, move |x, _| if (x / 2 + shift) % 2 == 0 { 90 } else { 110 })[0];
        let (one, other) = (stripes(0), stripes(1));
        let squares: i32 = one.iter().map(|&number| i32::from(number).pow(2)).sum();
        assert!(squares > 100 * TEXTURE_LEN as i32 / 4, "{squares}");
        assert!(one.iter().zip(&other).all(|(a, b)| (a + b).abs() <= 1));
    }

    #[test]
    fn the_strongest_contrast_stays_within_its_range() {
        let black_and_white = both(96, 64, |x, y| if (x ^ y) & 1 == 0 { 255 } else { 0 })[0];
        assert!(black_and_white.iter().all(|&number| (-127..=127).contains(&number)));
        let mut means = vec![0; PART_COLUMNS * PART_ROWS];
        for line in 0..PARTS {
            for at in 0..PARTS {
                let added = PATTERNS[0] >> (PARTS * line + at) & 1 == 1;
                means[line * PART_COLUMNS + at] = if added { 255 * 64 } else { 0 };
            }
        }
        assert_eq!(texture(&means)[0], 127);
    }
}
