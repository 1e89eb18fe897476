//! What the marks of the test clip say and how it is laid out in cells: shared by painter and reader.
//!
//! The marks are a ribbon of [`COLUMNS`] × [`ROWS`] cells, each dark or bright:
//!
//! ```text
//! row 0     first rail: known symbols of two cells, never change
//! row 1     clip, first half: never changes
//! rows 2-4  four places side by side, each with a number and its check
//! row 5     clip, second half: never changes
//! row 6     second rail
//! ```
//!
//! A *unit* is what the clip counts: a picture, or a field in the order of moments. Unit `u` changes place `u mod 4`
//! alone, to the number `u div 4`; the other places keep showing the three units before. So
//!
//! * of an interlaced clip each place is changed by fields of one parity only;
//! * a mix of neighbours leaves at least one place clean, which tells where the clip is, and shows in the others
//!   what part of the mix comes from later units.
//!
//! Numbers are in reflected Gray code, so that from one number to the next one bit changes besides the check: few
//! cells change, which keeps the area that could flicker small.

use crate::units::Rate;

/// Cells side by side.
pub const COLUMNS: usize = 48;
/// Rows of cells.
pub const ROWS: usize = 7;
/// Parts into which the width is divided for cells: with 48 of them and a margin of one on both sides the marks stay
/// whole when 10 % is cut off each side.
pub const CELLS_ACROSS: usize = 62;
/// Pairs of lines that a cell takes of this many.
pub const CELL_PAIRS_OF: usize = 64;
/// Places that are changed in turn.
pub const PLACES: usize = 4;
/// Cells of one place side by side.
pub const PLACE_COLUMNS: usize = COLUMNS / PLACES;
/// Rows of cells of a place.
pub const PLACE_ROWS: usize = 3;
/// First row of the places.
pub const PLACES_TOP: usize = 2;
/// Cells of one place: its number and its check.
pub const PLACE_CELLS: usize = PLACE_COLUMNS * PLACE_ROWS;
/// Rows of the clip's cells.
pub const CLIP_ROWS: [usize; 2] = [1, 5];
/// Rows of the rails.
pub const RAIL_ROWS: [usize; 2] = [0, ROWS - 1];
/// Cells of one symbol of a rail.
pub const SYMBOL_CELLS: usize = 2;
/// Lengths in symbols of the bright and dark runs of both rails, bright first and last. No run is longer than
/// three, and no rail is the other or itself read backwards (choice).
pub const RAIL_RUNS: [[u8; 13]; 2] =
    [[3, 1, 2, 1, 1, 2, 3, 1, 1, 3, 2, 1, 3], [1, 3, 1, 1, 2, 3, 1, 2, 2, 1, 3, 1, 3]];

/// Bits of a unit's number: with 4,194,304 units a clip can last 9.7 hours at 120 pictures per second.
const UNIT_BITS: u32 = 22;
/// Units that can be told apart. Units before the first wrap to the end, which no clip reaches.
pub const UNITS: u32 = 1 << UNIT_BITS;
/// Most units of a clip: the places show [`PLACES`] units, also before the first.
pub const LENGTH_MAX: u32 = UNITS - PLACES as u32;
/// Bits of the number of one place.
const NUMBER_BITS: u32 = UNIT_BITS - PLACES.trailing_zeros();
/// Bits of its check.
const CHECK_BITS: u32 = 16;
const _: () = assert!(PLACE_CELLS == (NUMBER_BITS + CHECK_BITS) as usize);

/// Version of the layout that is painted: its chart (`chart.rs`) and what its id says.
const VERSION: u8 = 2;
/// The first version, which is still read: it has no chart, and its id says nothing but that clips differ.
const FIRST_VERSION: u8 = 1;

/// Rates that the marks can name, units per second, at their index. Only ever extended at the end.
/// Source: ITU-R BT.709-6 and BT.2020; 47.952 and 48 are common practice, no source.
pub const RATES: [(u64, u64); 13] = [
    (24_000, 1001),
    (24, 1),
    (25, 1),
    (30_000, 1001),
    (30, 1),
    (48_000, 1001),
    (48, 1),
    (50, 1),
    (60_000, 1001),
    (60, 1),
    (100, 1),
    (120_000, 1001),
    (120, 1),
];

/// How the clip was painted.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum ClipScan {
    /// Whole pictures; units are pictures.
    Progressive,
    /// Fields of different moments, top first; units are fields.
    TopFieldFirst,
    /// Fields of different moments, bottom first; units are fields.
    BottomFieldFirst,
    /// Whole film pictures laid out over fields, top field first; units are film pictures.
    FilmTopFieldFirst,
    /// Whole film pictures laid out over fields, bottom field first; units are film pictures.
    FilmBottomFieldFirst,
}

/// Scans by their number in the marks.
const SCANS: [(u64, ClipScan); 5] = [
    (1, ClipScan::Progressive),
    (2, ClipScan::TopFieldFirst),
    (3, ClipScan::BottomFieldFirst),
    (4, ClipScan::FilmTopFieldFirst),
    (5, ClipScan::FilmBottomFieldFirst),
];

impl ClipScan {
    /// Whether units are fields rather than whole pictures.
    pub fn counts_fields(self) -> bool {
        matches!(self, Self::TopFieldFirst | Self::BottomFieldFirst)
    }
}

/// What the marks say of the whole clip.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub struct ClipIdentity {
    version: u8,
    id: u32,
    length: u32,
    rate_index: u8,
    scan: ClipScan,
}

/// Where each part of the packed identity begins, from the lowest bit; the three bits below are zero.
const VERSION_AT: u32 = 3;
const SCAN_AT: u32 = 7;
const RATE_AT: u32 = 10;
const LENGTH_AT: u32 = 14;
const ID_AT: u32 = LENGTH_AT + UNIT_BITS;
/// Bits of the id.
pub const ID_BITS: u32 = u64::BITS - ID_AT;

impl ClipIdentity {
    /// The identity of a clip of `length` units; the lowest [`ID_BITS`] bits of `id` count. `None` where the marks
    /// cannot say it: a rate not in [`RATES`], no unit, or more than [`LENGTH_MAX`].
    pub fn new(id: u32, length: u32, unit_rate: Rate, scan: ClipScan) -> Option<Self> {
        let rate_index = RATES.iter().position(|&rate| rate == (unit_rate.num(), unit_rate.den()))?;
        (1..=LENGTH_MAX).contains(&length).then_some(Self {
            version: VERSION,
            id: id & ((1 << ID_BITS) - 1),
            length,
            rate_index: rate_index as u8,
            scan,
        })
    }

    /// Tells clips apart that were painted differently.
    pub fn id(self) -> u32 {
        self.id
    }

    /// How its pictures were painted; `None` for a clip of the first version.
    pub fn painted(self) -> Option<Painted> {
        (self.version > FIRST_VERSION).then(|| Painted::of_id(self.id))
    }

    /// Units of the clip.
    pub fn length(self) -> u32 {
        self.length
    }

    /// How it was painted.
    pub fn scan(self) -> ClipScan {
        self.scan
    }

    /// Units per second.
    pub fn unit_rate(self) -> Rate {
        let (num, den) = RATES[usize::from(self.rate_index)];
        Rate::new(num, den).expect("a rate of the table")
    }

    /// As 64 bits, of which the lowest three are zero.
    pub fn packed(self) -> u64 {
        let scan = SCANS.iter().find(|(_, scan)| *scan == self.scan).map_or(0, |(number, _)| *number);
        u64::from(self.id) << ID_AT
            | u64::from(self.length) << LENGTH_AT
            | u64::from(self.rate_index) << RATE_AT
            | scan << SCAN_AT
            | u64::from(self.version) << VERSION_AT
    }

    /// The identity that [`ClipIdentity::packed`] wrote.
    pub fn unpacked(packed: u64) -> Option<Self> {
        let part = |at: u32, bits: u32| packed >> at & ((1 << bits) - 1);
        let scan = SCANS.iter().find(|(number, _)| *number == part(SCAN_AT, RATE_AT - SCAN_AT))?.1;
        let (num, den) = *RATES.get(part(RATE_AT, LENGTH_AT - RATE_AT) as usize)?;
        let length = part(LENGTH_AT, UNIT_BITS) as u32;
        let version = part(VERSION_AT, SCAN_AT - VERSION_AT) as u8;
        let identity = Self::new((packed >> ID_AT) as u32, length, Rate::new(num, den)?, scan)?;
        let identity = Self { version, ..identity };
        (FIRST_VERSION..=VERSION).contains(&version).then_some(())?;
        (identity.packed() == packed).then_some(identity)
    }

    /// The clip's cells, row by row: the packed identity and its check, highest bits first.
    pub fn cells(self) -> [bool; 2 * COLUMNS] {
        let packed = self.packed();
        let check = u64::from(crc32(&packed.to_be_bytes()));
        let bit = |at: usize| match at {
            0..64 => packed >> (63 - at),
            _ => check >> (95 - at),
        };
        std::array::from_fn(|at| bit(at) & 1 == 1)
    }

    /// The identity in the clip's cells, where its check holds.
    pub fn from_cells(cells: &[bool; 2 * COLUMNS]) -> Option<Self> {
        let bits = |cells: &[bool]| cells.iter().fold(0u64, |bits, &cell| bits << 1 | u64::from(cell));
        let packed = bits(&cells[..64]);
        let sound = bits(&cells[64..]) == u64::from(crc32(&packed.to_be_bytes()));
        if sound {
            Self::unpacked(packed)
        } else {
            None
        }
    }
}

/// How the pictures of a clip were painted, as its id says it from the second version on.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub struct Painted {
    /// Width in pixels, even.
    pub width: u32,
    /// Height in pixels, even.
    pub height: u32,
    /// Whether samples have 10 bit, else 8.
    pub ten_bit: bool,
    /// Tells clips apart that differ in something else: the lowest [`Painted::REST_BITS`] bits count.
    pub rest: u8,
}

impl Painted {
    /// Bits of what tells other clips apart.
    pub const REST_BITS: u32 = ID_BITS - 2 * SIDE_BITS - 1;
    /// Largest width and height.
    pub const SIDE_MAX: u32 = 2 << SIDE_BITS;

    /// The id; `None` where a side is odd, 0 or too large.
    pub fn id(self) -> Option<u32> {
        let side = |pixels: u32| {
            let fits = pixels % 2 == 0 && (2..=Self::SIDE_MAX).contains(&pixels);
            fits.then(|| pixels / 2 - 1)
        };
        let rest = u32::from(self.rest) & ((1 << Self::REST_BITS) - 1);
        let sides = side(self.width)? << SIDE_BITS | side(self.height)?;
        Some((sides << 1 | u32::from(self.ten_bit)) << Self::REST_BITS | rest)
    }

    /// What an id says.
    fn of_id(id: u32) -> Self {
        let rest = (id & ((1 << Self::REST_BITS) - 1)) as u8;
        let sides = id >> (Self::REST_BITS + 1);
        let side = |bits: u32| 2 * ((bits & ((1 << SIDE_BITS) - 1)) + 1);
        let ten_bit = id >> Self::REST_BITS & 1 == 1;
        Self { width: side(sides >> SIDE_BITS), height: side(sides), ten_bit, rest }
    }
}

/// Bits of half a side of the picture.
const SIDE_BITS: u32 = 11;

/// The numbers of a clip as cells. The check covers the clip's identity and the place too.
#[derive(Clone, Copy, Debug)]
pub struct Numbers {
    identity_check: u32,
}

impl Numbers {
    /// Numbers of the clip with this identity.
    pub fn of(identity: ClipIdentity) -> Self {
        Self {
            identity_check: crc_continued::<CHECK_BITS>(
                CRC16_POLYNOMIAL,
                u32::MAX >> 16,
                &identity.packed().to_be_bytes(),
            ),
        }
    }

    /// The unit whose number a place shows while the clip is at `unit`.
    pub fn shown(place: usize, unit: u32) -> u32 {
        let behind = unit.wrapping_sub(place as u32) % PLACES as u32;
        unit.wrapping_sub(behind) % UNITS
    }

    /// Cells of the place that `unit` changes, row by row, as it does: number, then check, highest bits first.
    pub fn cells(self, unit: u32) -> [bool; PLACE_CELLS] {
        let number = unit / PLACES as u32;
        let gray = number ^ number >> 1;
        let bits = u64::from(gray) << CHECK_BITS | u64::from(self.check(unit as usize % PLACES, gray));
        std::array::from_fn(|at| bits >> (PLACE_CELLS - 1 - at) & 1 == 1)
    }

    /// The unit whose cells these are in `place`, where the check holds.
    pub fn unit(self, place: usize, cells: &[bool; PLACE_CELLS]) -> Option<u32> {
        let bits = cells.iter().fold(0u64, |bits, &cell| bits << 1 | u64::from(cell));
        let gray = (bits >> CHECK_BITS) as u32;
        if bits & 0xffff != u64::from(self.check(place, gray)) {
            return None;
        }
        let number = (0..NUMBER_BITS).fold(0, |number, shift| number ^ gray >> shift);
        Some(number * PLACES as u32 + place as u32)
    }

    fn check(self, place: usize, gray: u32) -> u32 {
        let [_, a, b, c] = gray.to_be_bytes();
        crc_continued::<CHECK_BITS>(CRC16_POLYNOMIAL, self.identity_check, &[place as u8, a, b, c])
    }
}

/// Whether each cell of a rail is bright.
pub fn rail_cells(rail: usize) -> [bool; COLUMNS] {
    let mut cells = [false; COLUMNS];
    let mut at = 0;
    for (run, &symbols) in RAIL_RUNS[rail].iter().enumerate() {
        let length = usize::from(symbols) * SYMBOL_CELLS;
        cells[at..at + length].fill(run % 2 == 0);
        at += length;
    }
    cells
}

/// Column and row of cell `cell` of `place`.
pub fn place_cell(place: usize, cell: usize) -> (usize, usize) {
    (place * PLACE_COLUMNS + cell % PLACE_COLUMNS, PLACES_TOP + cell / PLACE_COLUMNS)
}

/// CRC-16/IBM-3740 (catalogue of parametrised CRC algorithms, reveng.sourceforge.io): polynomial 0x1021, initial
/// value all ones, nothing reflected or inverted. It finds every error of up to three bits in such short words.
const CRC16_POLYNOMIAL: u32 = 0x1021;
/// CRC-32/MPEG-2 (same catalogue): polynomial 0x04C11DB7, otherwise likewise.
const CRC32_POLYNOMIAL: u32 = 0x04C1_1DB7;

fn crc32(bytes: &[u8]) -> u32 {
    crc_continued::<32>(CRC32_POLYNOMIAL, u32::MAX, bytes)
}

/// Goes on with a CRC of `BITS` bits, highest bit first.
fn crc_continued<const BITS: u32>(polynomial: u32, so_far: u32, bytes: &[u8]) -> u32 {
    let unused = u32::BITS - BITS;
    // Kept at the top of the word, so that one step serves every width.
    let mut register = so_far << unused;
    for &byte in bytes {
        register ^= u32::from(byte) << 24;
        for _ in 0..8 {
            let carry = register >> 31 == 1;
            register <<= 1;
            if carry {
                register ^= polynomial << unused;
            }
        }
    }
    register >> unused
}

#[cfg(test)]
mod tests {
    use super::*;

    fn identity() -> ClipIdentity {
        let rate = Rate::new(60_000, 1001).unwrap();
        ClipIdentity::new(0x0abc_def1, 3600, rate, ClipScan::TopFieldFirst).unwrap()
    }

    #[test]
    fn checks_have_the_values_of_the_catalogue() {
        // Check values over "123456789": catalogue of parametrised CRC algorithms, reveng.sourceforge.io.
        assert_eq!(crc_continued::<16>(CRC16_POLYNOMIAL, 0xffff, b"123456789"), 0x29b1);
        assert_eq!(crc32(b"123456789"), 0x0376_e6e7);
    }

    #[test]
    fn every_identity_comes_back() {
        for (index, &(num, den)) in RATES.iter().enumerate() {
            for (_, scan) in SCANS {
                let length = [1, 77, LENGTH_MAX][index % 3];
                let identity =
                    ClipIdentity::new(index as u32 * 999, length, Rate::new(num, den).unwrap(), scan)
                        .unwrap();
                assert_eq!(ClipIdentity::from_cells(&identity.cells()), Some(identity));
                assert_eq!(identity.packed() & 7, 0);
                for at in 0..2 * COLUMNS {
                    let mut cells = identity.cells();
                    cells[at] = !cells[at];
                    assert_eq!(ClipIdentity::from_cells(&cells), None, "cell {at}");
                }
            }
        }
        assert_eq!(ClipIdentity::new(0, 0, identity().unit_rate(), ClipScan::Progressive), None);
        assert_eq!(ClipIdentity::new(0, LENGTH_MAX + 1, identity().unit_rate(), ClipScan::Progressive), None);
        assert_eq!(ClipIdentity::new(0, 1, Rate::new(72, 1).unwrap(), ClipScan::Progressive), None);
    }

    #[test]
    fn ids_say_how_pictures_were_painted() {
        for (width, height, ten_bit, rest) in
            [(1920, 1080, false, 0), (4096, 2160, true, 31), (2, 2, false, 5), (640, 480, true, 17)]
        {
            let painted = Painted { width, height, ten_bit, rest };
            assert_eq!(Painted::of_id(painted.id().unwrap()), painted);
        }
        for (width, height) in [(641, 480), (0, 480), (640, 4098)] {
            assert_eq!(Painted { width, height, ten_bit: false, rest: 0 }.id(), None);
        }
    }

    #[test]
    fn clips_of_the_first_version_are_still_read() {
        let first = ClipIdentity { version: FIRST_VERSION, ..identity() };
        assert_eq!(ClipIdentity::from_cells(&first.cells()), Some(first));
        assert_eq!(first.painted(), None);
        let later = ClipIdentity { version: VERSION + 1, ..identity() };
        assert_eq!(ClipIdentity::from_cells(&later.cells()), None);
    }

    #[test]
    fn numbers_come_back_and_few_cells_change() {
        let numbers = Numbers::of(identity());
        for unit in (0..5000).chain(UNITS - 5000..UNITS - PLACES as u32) {
            let cells = numbers.cells(unit);
            let place = unit as usize % PLACES;
            assert_eq!(numbers.unit(place, &cells), Some(unit));
            assert_eq!(numbers.unit((place + 1) % PLACES, &cells), None, "another place");
            let next = numbers.cells(unit + PLACES as u32);
            let changed = cells.iter().zip(next).filter(|(a, b)| **a != *b).count();
            // The code tells any two numbers apart by at least four cells.
            assert!((4..=13).contains(&changed), "unit {unit}: {changed}");
        }
    }

    #[test]
    fn up_to_three_wrong_cells_never_give_a_number() {
        let numbers = Numbers::of(identity());
        let cells = numbers.cells(4 * 0x2a5b7);
        for a in 0..PLACE_CELLS {
            for b in a..PLACE_CELLS {
                for c in b..PLACE_CELLS {
                    let mut wrong = cells;
                    for at in [a, b, c] {
                        wrong[at] = !wrong[at];
                    }
                    // Equal places cancel in pairs: still one or three wrong cells.
                    assert_eq!(numbers.unit(0, &wrong), None, "{a} {b} {c}");
                }
            }
        }
    }

    #[test]
    fn places_show_the_last_four_units() {
        let shown = |unit| std::array::from_fn::<_, PLACES, _>(|place| Numbers::shown(place, unit));
        assert_eq!(shown(11), [8, 9, 10, 11]);
        assert_eq!(shown(13), [12, 13, 10, 11]);
        assert_eq!(shown(1), [0, 1, UNITS - 2, UNITS - 1]);
    }

    #[test]
    fn rails_fill_the_ribbon_and_differ_in_every_reading() {
        let rails = [rail_cells(0), rail_cells(1)];
        for runs in RAIL_RUNS {
            assert_eq!(runs.iter().map(|&run| usize::from(run)).sum::<usize>() * SYMBOL_CELLS, COLUMNS);
        }
        let backwards = rails.map(|mut rail| {
            rail.reverse();
            rail
        });
        for (a, b) in [
            (rails[0], rails[1]),
            (rails[0], backwards[0]),
            (rails[1], backwards[1]),
            (rails[0], backwards[1]),
        ] {
            assert!(a.iter().zip(b).filter(|(a, b)| **a != *b).count() >= 8);
        }
    }
}
