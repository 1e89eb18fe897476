//! Pictures, fields and frames of the clip as samples. Integers only: the same bytes on every machine.

use std::ops::Range;

use super::cloth::Cloth;
use super::layout::Layout;
use super::lettering;
use super::quilt;
use super::settings::{ClipSettings, Pulldown};
use crate::clip_code::{place_cell, rail_cells, Numbers, CLIP_ROWS, COLUMNS, PLACES, RAIL_ROWS};
use crate::error::Result;
use crate::fingerprint::marks::chart::{self, Blocks, Shuttle};
use crate::fingerprint::marks::ClipIdentity;
use crate::frame::{Family, FrameShape, PixelFormat, PlaneShape, Scan};

/// A luma or colour-difference level, 8 bit limited range.
type Level = u16;

/// Where nothing is.
const BACKGROUND: Level = 20;
/// Dark cells of the marks, and the plate around them.
const DARK: Level = chart::CELL_LEVELS.0;
/// Bright cells, the shuttle, and every text that changes.
const BRIGHT: Level = chart::CELL_LEVELS.1;
/// Text that never changes may be brighter.
const LETTERS: Level = 150;
/// Threads that stand still behind the shuttle.
const THREAD: Level = 48;
/// Levels of the cloth.
const CLOTH: (Level, Level) = (36, 86);
/// No colour.
const GREY: (Level, Level) = (128, 128);
/// Colour of the background: a cool shade.
const COOL: (Level, Level) = (133, 124);
/// Colour of the cloth: a warm shade, far from saturated red where it is darkest.
const WARM: (Level, Level) = (120, 133);

/// Seconds in which the cloth moves by its width.
const CLOTH_CROSSES: u64 = 8;
/// Threads across the picture.
const THREADS: usize = 24;
/// Size of the number's letters over that of other text.
const NUMBER_SCALE: usize = 2;

/// Which rows are painted.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Rows {
    All,
    Even,
    Odd,
}

impl Rows {
    /// Those within a range.
    fn within(self, range: Range<usize>) -> impl Iterator<Item = usize> {
        let (first, step) = match self {
            Self::All => (range.start, 1),
            Self::Even => (range.start.next_multiple_of(2), 2),
            Self::Odd => (range.start | 1, 2),
        };
        (first..range.end).step_by(step)
    }
}

/// Paints one clip, frame by frame.
pub struct ClipPainter {
    identity: ClipIdentity,
    numbers: Numbers,
    layout: Layout,
    shape: FrameShape,
    scan: Scan,
    pulldown: Option<Pulldown>,
    frames: u64,
    /// What never changes.
    still: Vec<u8>,
    /// The cloth as samples: each row a picture's width longer than its period.
    cloth: Vec<u8>,
    cloth_period: usize,
    /// Pixels per unit.
    cloth_step: u64,
    shuttle: Shuttle,
    blocks: Blocks,
    frame: Vec<u8>,
}

impl ClipPainter {
    /// A painter of the clip.
    ///
    /// # Errors
    /// Settings that cannot be painted.
    pub fn new(settings: &ClipSettings) -> Result<Self> {
        let identity = settings.identity()?;
        let format =
            PixelFormat { family: Family::Yuv { across: 1, down: 1 }, bit_depth: settings.bit_depth };
        let shape =
            FrameShape { width: settings.size.width, height: settings.size.height, pixel_format: format };
        let layout = Layout::new(settings.size.width as usize, settings.size.height as usize);
        let mut still = Canvas::new(shape);
        paint_still(&mut still, &layout, settings, identity);
        let cloth = Cloth::new(layout.height, layout.cloth[0].len(), (CLOTH.0 * 4, CLOTH.1 * 4));
        let mut painter = Self {
            identity,
            numbers: Numbers::of(identity),
            shape,
            scan: settings.scan,
            pulldown: settings.pulldown.clone(),
            frames: settings.frames,
            frame: still.samples.clone(),
            still: still.samples,
            cloth: Vec::new(),
            cloth_period: cloth.period,
            cloth_step: chart::step(layout.width, CLOTH_CROSSES, identity.unit_rate()),
            shuttle: Shuttle::new(layout.width, layout.height, identity.unit_rate()),
            blocks: layout.blocks(),
            layout,
        };
        painter.cloth = painter.cloth_samples(&cloth);
        Ok(painter)
    }

    /// What the marks say of the clip.
    pub fn identity(&self) -> ClipIdentity {
        self.identity
    }

    /// Size and format of the frames.
    pub fn shape(&self) -> FrameShape {
        self.shape
    }

    /// Frames of the clip.
    pub fn frames(&self) -> u64 {
        self.frames
    }

    /// Units that frame `frame` shows in its even and in its odd rows.
    pub fn units(&self, frame: u64) -> [u64; 2] {
        let field = |field: u64| self.pulldown.as_ref().map_or(field, |pulldown| pulldown.picture(field));
        match self.scan {
            Scan::TopFieldFirst => [field(2 * frame), field(2 * frame + 1)],
            Scan::BottomFieldFirst => [field(2 * frame + 1), field(2 * frame)],
            _ => [frame; 2],
        }
    }

    /// Samples of frame `frame`: planes Y, Cb and Cr, little endian above 8 bit.
    pub fn paint(&mut self, frame: u64) -> &[u8] {
        let [even, odd] = self.units(frame);
        if even == odd {
            self.paint_unit(even, Rows::All);
        } else {
            self.paint_unit(even, Rows::Even);
            self.paint_unit(odd, Rows::Odd);
        }
        &self.frame
    }

    /// Samples of a picture of which all rows show this unit.
    pub fn paint_whole(&mut self, unit: u64) -> &[u8] {
        self.paint_unit(unit, Rows::All);
        &self.frame
    }

    /// Paints what moves, in these rows; the rest stands since the beginning.
    fn paint_unit(&mut self, unit: u64, rows: Rows) {
        let still = std::mem::take(&mut self.still);
        let mut canvas = Canvas { shape: self.shape, samples: std::mem::take(&mut self.frame) };
        self.paint_cloth(&mut canvas, unit, rows);
        for row in rows.within(self.layout.sweep.clone()) {
            canvas.copy_row(&still, row);
            if let Some(columns) = self.shuttle_columns(unit, row) {
                canvas.fill_row(0, row, columns, BRIGHT);
            }
        }
        let number =
            Text { content: &number_text(self.identity, unit), line: NUMBER_LINE, scale: NUMBER_SCALE };
        for row in rows.within(number.rows(&self.layout)) {
            canvas.copy_row(&still, row);
            number.paint_row(&mut canvas, &self.layout, row, BRIGHT);
        }
        let rate = self.identity.unit_rate();
        let moved = chart::dashes_moved(&self.blocks, self.layout.width, (unit, rate));
        for row in rows.within(self.blocks.rows.clone()) {
            canvas.paint_dashes(&self.blocks, (1, row), moved);
        }
        self.paint_numbers(&mut canvas, unit, rows);
        (self.still, self.frame) = (still, canvas.samples);
    }

    fn paint_cloth(&self, canvas: &mut Canvas, unit: u64, rows: Rows) {
        let bytes = self.shape.pixel_format.bytes_per_sample();
        let row_bytes = self.layout.width * bytes;
        let stride = (self.layout.width + self.cloth_period) * bytes;
        let offset = (unit * self.cloth_step % self.cloth_period as u64) as usize * bytes;
        for band in &self.layout.cloth {
            for row in rows.within(band.clone()) {
                let columns = self.layout.cloth_columns.start * bytes..self.layout.cloth_columns.end * bytes;
                let from = (row - band.start) * stride + offset;
                let samples = &self.cloth[from + columns.start..from + columns.end];
                canvas.samples[row * row_bytes + columns.start..row * row_bytes + columns.end]
                    .copy_from_slice(samples);
            }
        }
    }

    /// Columns of the shuttle in a row.
    fn shuttle_columns(&self, unit: u64, row: usize) -> Option<Range<usize>> {
        let shuttle = &self.shuttle;
        let reach = shuttle.reach(row.abs_diff(shuttle.axis()))?;
        let middle = shuttle.middle(unit);
        let column = |from_left: usize| from_left.saturating_sub(shuttle.length / 2).min(self.layout.width);
        Some(column(middle.saturating_sub(reach))..column(middle + reach))
    }

    fn paint_numbers(&self, canvas: &mut Canvas, unit: u64, rows: Rows) {
        for place in 0..PLACES {
            let cells = self.numbers.cells(Numbers::shown(place, unit as u32));
            for (cell, bright) in cells.into_iter().enumerate() {
                let (column, row) = place_cell(place, cell);
                canvas.paint_cell(&self.layout, (column, row), bright, rows);
            }
        }
    }

    fn cloth_samples(&self, cloth: &Cloth) -> Vec<u8> {
        let rows = self.layout.cloth[0].len();
        let mut samples = Vec::with_capacity(rows * (self.layout.width + cloth.period) * 2);
        for row in 0..rows {
            let levels = cloth.row(row).iter().cycle().take(self.layout.width + cloth.period);
            match self.shape.pixel_format.bit_depth {
                8 => samples.extend(levels.map(|&level| (level >> 2) as u8)),
                _ => levels.for_each(|level| samples.extend_from_slice(&level.to_le_bytes())),
            }
        }
        samples
    }
}

/// Line of the number, counted in lines of small text.
const NUMBER_LINE: usize = 2;
/// Line of the text below the number.
const CAUTION_LINE: usize = 4;
/// Dots of space above the number and above the text below it.
const PARAGRAPH: usize = 3;

/// Letters of the longest pulldown pattern that is written out.
const PATTERN_LETTERS: usize = 7;

/// The lines of text that never change, each with its line.
fn still_texts(settings: &ClipSettings, identity: ClipIdentity) -> [(usize, String); 4] {
    let size = settings.size;
    let rate = identity.unit_rate();
    let scan = match settings.scan {
        Scan::BottomFieldFirst => "BOTTOM FIRST",
        _ => "TOP FIRST",
    };
    let rate = match (&settings.pulldown, settings.scan) {
        (Some(pulldown), _) => {
            let pattern = Some(pulldown.to_string()).filter(|text| text.len() <= PATTERN_LETTERS);
            format!("FILM {rate} AS {}, {scan}", pattern.as_deref().unwrap_or("FIELDS"))
        }
        (None, Scan::Progressive) => format!("{rate} PICTURES/S, PROGRESSIVE"),
        (None, _) => format!("{rate} FIELDS/S, {scan}"),
    };
    [
        (0, format!("EVENBEAT TEST CLIP {}X{} {} BIT", size.width, size.height, settings.bit_depth)),
        (1, rate),
        (CAUTION_LINE, "CAUTION: PHOTOSENSITIVE EPILEPSY.".to_owned()),
        (CAUTION_LINE + 1, "STOP AT ANY DISCOMFORT.".to_owned()),
    ]
}

fn number_text(identity: ClipIdentity, unit: u64) -> String {
    let what = if identity.scan().counts_fields() { "FIELD" } else { "PICTURE" };
    format!("{what} {unit:07}")
}

fn paint_still(canvas: &mut Canvas, layout: &Layout, settings: &ClipSettings, identity: ClipIdentity) {
    let everything = (0..layout.width, 0..layout.height);
    canvas.fill(everything, BACKGROUND, COOL);
    for band in &layout.cloth {
        canvas.fill((layout.cloth_columns.clone(), band.clone()), CLOTH.0, WARM);
    }
    let thread = (layout.width / 480).max(1) * 2;
    for index in 0..THREADS {
        let left = (2 * index + 1) * layout.width / (2 * THREADS);
        canvas.fill((left..left + thread, layout.sweep.clone()), THREAD, COOL);
    }
    canvas.fill(layout.plate(), DARK, GREY);
    paint_chart(canvas, layout);
    for (line, content) in still_texts(settings, identity) {
        let text = Text { content: &content, line, scale: 1 };
        for row in text.rows(layout) {
            text.paint_row(canvas, layout, row, LETTERS);
        }
    }
    for (rail, row) in RAIL_ROWS.into_iter().enumerate() {
        for (column, bright) in rail_cells(rail).into_iter().enumerate() {
            canvas.paint_cell(layout, (column, row), bright, Rows::All);
        }
    }
    for (at, bright) in identity.cells().into_iter().enumerate() {
        canvas.paint_cell(layout, (at % COLUMNS, CLIP_ROWS[at / COLUMNS]), bright, Rows::All);
    }
}

/// What of the chart stands still.
fn paint_chart(canvas: &mut Canvas, layout: &Layout) {
    for patch in quilt::patches(layout) {
        let [luma, blue, red] = patch.colour;
        canvas.fill((patch.columns, patch.rows), luma, (blue, red));
    }
    for (columns, rows) in quilt::teeth(layout) {
        canvas.fill((columns, rows), LETTERS, GREY);
    }
    let (columns, rows) = quilt::ramp(layout);
    canvas.fill((columns.clone(), rows.clone()), LETTERS, GREY);
    for row in rows {
        for column in columns.clone() {
            canvas.set_fine((row, column), quilt::ramp_level(column, &columns));
        }
    }
    let blocks = layout.blocks();
    for columns in &blocks.columns {
        canvas.fill((columns.clone(), blocks.rows.clone()), DARK, GREY);
    }
    for row in blocks.rows.clone() {
        canvas.paint_dashes(&blocks, (0, row), 0);
    }
}

/// A line of text at its place.
struct Text<'a> {
    content: &'a str,
    line: usize,
    scale: usize,
}

/// Dots from one line of small text to the next.
const LINE_ADVANCE: usize = lettering::HEIGHT + 3;

impl Text<'_> {
    fn rows(&self, layout: &Layout) -> Range<usize> {
        let paragraphs = usize::from(self.line >= NUMBER_LINE) + usize::from(self.line >= CAUTION_LINE);
        let top = layout.text.1 + (self.line * LINE_ADVANCE + paragraphs * PARAGRAPH) * layout.dot;
        top..top + lettering::HEIGHT * self.scale * layout.dot
    }

    fn paint_row(&self, canvas: &mut Canvas, layout: &Layout, row: usize, level: Level) {
        let side = self.scale * layout.dot;
        let dots_down = (row - self.rows(layout).start) / side;
        for across in 0..self.content.len() * lettering::ADVANCE {
            if lettering::dot(self.content, across, dots_down) {
                let left = layout.text.0 + across * side;
                canvas.fill_row(0, row, left..left + side, level);
            }
        }
    }
}

/// Samples of a whole frame, 4:2:0.
struct Canvas {
    shape: FrameShape,
    samples: Vec<u8>,
}

impl Canvas {
    fn new(shape: FrameShape) -> Self {
        Self { shape, samples: vec![0; shape.byte_len()] }
    }

    fn plane(&self, plane: usize) -> PlaneShape {
        self.shape.planes().nth(plane).expect("three planes")
    }

    /// Fills part of a row of a plane; columns beyond it are left out.
    fn fill_row(&mut self, plane: usize, row: usize, columns: Range<usize>, level: Level) {
        let shape = self.plane(plane);
        let bytes = self.shape.pixel_format.bytes_per_sample();
        let end = columns.end.min(shape.width);
        let start = columns.start.min(end);
        let row_start = shape.offset + row * shape.width * bytes;
        let samples = &mut self.samples[row_start + start * bytes..row_start + end * bytes];
        if bytes == 1 {
            samples.fill(level as u8);
            return;
        }
        let sample = (level << (self.shape.pixel_format.bit_depth - 8)).to_le_bytes();
        samples.chunks_exact_mut(2).for_each(|two| two.copy_from_slice(&sample));
    }

    /// Fills a rectangle with a colour.
    fn fill(
        &mut self,
        (columns, rows): (Range<usize>, Range<usize>),
        luma: Level,
        (blue, red): (Level, Level),
    ) {
        for row in rows.clone() {
            self.fill_row(0, row, columns.clone(), luma);
        }
        for row in rows.start / 2..rows.end.div_ceil(2) {
            let columns = columns.start / 2..columns.end.div_ceil(2);
            self.fill_row(1, row, columns.clone(), blue);
            self.fill_row(2, row, columns, red);
        }
    }

    /// Copies a row of luma from another frame's samples.
    fn copy_row(&mut self, from: &[u8], row: usize) {
        let bytes = self.shape.width as usize * self.shape.pixel_format.bytes_per_sample();
        let range = row * bytes..(row + 1) * bytes;
        self.samples[range.clone()].copy_from_slice(&from[range]);
    }

    /// Sets a sample of luma to a level in quarters of a code value at 8 bit.
    fn set_fine(&mut self, (row, column): (usize, usize), quarters: Level) {
        let at = row * self.shape.width as usize + column;
        match self.shape.pixel_format.bit_depth {
            8 => self.samples[at] = (quarters >> 2) as u8,
            _ => self.samples[2 * at..2 * at + 2].copy_from_slice(&quarters.to_le_bytes()),
        }
    }

    /// Paints a row of the dashes of a block.
    fn paint_dashes(&mut self, blocks: &Blocks, (block, row): (usize, usize), moved: u64) {
        for column in blocks.columns[block].clone() {
            let bright =
                blocks.is_bright(row - blocks.rows.start, column - blocks.columns[block].start, moved);
            let (dark, light) = chart::DASH_LEVELS;
            self.set_fine((row, column), 4 * if bright { light } else { dark });
        }
    }

    fn paint_cell(&mut self, layout: &Layout, (column, row): (usize, usize), bright: bool, rows: Rows) {
        let (columns, lines) = layout.cell_at(column, row);
        for line in rows.within(lines) {
            self.fill_row(0, line, columns.clone(), if bright { BRIGHT } else { DARK });
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::testclip::settings::{Size, SIZES};
    use crate::units::Rate;

    fn clip(size: Size, scan: Scan, pulldown: Option<&str>) -> ClipSettings {
        ClipSettings {
            size,
            rate: Rate::new(30_000, 1001).unwrap(),
            scan,
            pulldown: pulldown.and_then(Pulldown::parse),
            bit_depth: 10,
            frames: 100,
        }
    }

    #[test]
    fn text_fits_and_has_letters() {
        let narrow = Size { width: 640, height: 480, pixel_aspect: (1, 1) };
        for size in SIZES.iter().map(|(_, size)| *size).chain([narrow]) {
            let layout = Layout::new(size.width as usize, size.height as usize);
            for (scan, pulldown) in [
                (Scan::Progressive, None),
                (Scan::TopFieldFirst, None),
                (Scan::BottomFieldFirst, Some("2:3")),
            ] {
                let settings = clip(size, scan, pulldown);
                let identity = settings.identity().unwrap();
                let number = (NUMBER_LINE, number_text(identity, 4_194_300));
                for (line, content) in still_texts(&settings, identity).into_iter().chain([number]) {
                    assert!(lettering::can_write(&content), "{content}");
                    let scale = if line == NUMBER_LINE { NUMBER_SCALE } else { 1 };
                    let text = Text { content: &content, line, scale };
                    assert!(text.rows(&layout).end <= layout.sweep.start, "{content} at {size:?}");
                    let right = layout.text.0 + content.len() * lettering::ADVANCE * scale * layout.dot;
                    assert!(right * 10 <= 9 * layout.width, "{content} at {size:?}");
                }
            }
        }
    }
}
