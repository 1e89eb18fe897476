//! Code values of a frame against the nominal ranges, and what the frames of a capture say of them together.

use multiversion::multiversion;

use super::fields::Share;
use super::view::{PlaneView, ViewPlan};
use super::Digest;
use crate::frame::{Family, FrameShape};

/// Nominal range of luma, code values at 8 bit: black and white. Source: ITU-R BT.601 (220 levels from 16 to 235);
/// deeper samples are these times a power of two (BT.709-6, BT.2020).
pub const LUMA_NOMINAL: (u16, u16) = (16, 235);
/// Nominal range of colour differences, code values at 8 bit. Source: as above (225 levels from 16 to 240).
pub const CHROMA_NOMINAL: (u16, u16) = (16, 240);

/// Rows of each plane that are counted: all of them would take as long as hashing. Choice.
const ROWS_COUNTED: usize = 16;

/// Share of the samples that must pile up at the lowest or highest value to be called clipped there, and how many
/// times more there are than at the value next to it. Choice.
const CLIPPED_SHARE: f64 = 0.002;
const CLIPPED_TIMES: u32 = 8;

/// Code values of one frame: of luma (green of pictures in red, green and blue), or of both colour differences.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct PlaneLevels {
    /// Lowest code value there is; above the highest where no sample was looked at.
    pub lowest: u16,
    /// Highest code value there is.
    pub highest: u16,
    /// Share of the samples below the nominal range.
    pub below: Share,
    /// Share of the samples above the nominal range.
    pub above: Share,
    /// Whether samples pile up at the lowest value, and it is that of black or below: what lay beyond was cut off.
    /// Painted pictures pile up elsewhere by themselves.
    pub clipped_low: bool,
    /// The same of the highest value and white.
    pub clipped_high: bool,
}

impl Default for PlaneLevels {
    /// Of no sample.
    fn default() -> Self {
        Self {
            lowest: u16::MAX,
            highest: 0,
            below: Share::default(),
            above: Share::default(),
            clipped_low: false,
            clipped_high: false,
        }
    }
}

impl PlaneLevels {
    /// Whether any sample was looked at.
    pub fn is_known(&self) -> bool {
        self.lowest <= self.highest
    }
}

/// Code values of one frame.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct FrameLevels {
    /// Luma, or green.
    pub luma: PlaneLevels,
    /// Both colour differences; of no sample where there are none.
    pub chroma: PlaneLevels,
}

/// Rows that the ends of the range are counted in, evenly spread: the same ones in every picture of a size, so that two
/// pictures can be compared by them. Choice: an eighth of 1080 rows.
const ENDS_ROWS: usize = 135;
/// Code values at 8 bit beyond black or white from which a sample counts as far beyond: more than coding moves it by. Choice.
const ENDS_FAR: u16 = 4;
/// What of the luma samples lies beyond the ends of the nominal range, over evenly spread rows that are the same in all
/// pictures of a size.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct LumaEnds {
    /// Share more than 4 code values (at 8 bit) below black.
    pub far_below: Share,
    /// Share more than 4 code values above white.
    pub far_above: Share,
}

impl LumaEnds {
    /// Of a packed picture.
    pub fn of(plan: &ViewPlan, picture: &[u8]) -> Self {
        let plane = &plan.planes[0];
        let step = (plane.packed.height / ENDS_ROWS).max(1);
        let bytes = plan.bytes_per_sample;
        let (black, white) = scaled(LUMA_NOMINAL, plan.bit_depth);
        let far = ENDS_FAR << (plan.bit_depth - 8);
        let limits = [black - far, white + far];
        let (mut below, mut total) = ([0; LIMITS], 0);
        for row in (step / 2..plane.packed.height).step_by(step) {
            let samples = &picture[plane.packed.offset + row * plane.packed.width * bytes..];
            for columns in plane.visible_columns(row) {
                let samples = &samples[columns.start * bytes..columns.end * bytes];
                match bytes {
                    1 => count_8(samples, limits, &mut below),
                    _ => count_16(samples, limits, &mut below),
                }
                total += columns.len();
            }
        }
        let [far_below, to_white] = below;
        Self { far_below: Share::of(far_below, total), far_above: Share::of(total - to_white, total) }
    }

    /// Both shares, 0 to 1, dark before bright.
    pub fn shares(self) -> [f64; 2] {
        [self.far_below, self.far_above].map(|share| f64::from(share.0) / f64::from(u16::MAX))
    }
}

/// A limit below black and one above white.
const LIMITS: usize = 2;

/// Adds how many samples lie below the lower one, and not above the upper one.
#[multiversion(targets("x86_64+avx512f+avx512bw+avx512dq+avx512vl+avx2", "x86_64+avx2"))]
fn count_8(samples: &[u8], limits: [u16; LIMITS], below: &mut [usize; LIMITS]) {
    let limits: [u8; LIMITS] = std::array::from_fn(|at| (limits[at] + u16::from(counts_limit(at))) as u8);
    // Few enough for a byte to count them: a vector of counters then stays in one register.
    for piece in samples.chunks(255) {
        for (below, limit) in below.iter_mut().zip(limits) {
            *below += usize::from(piece.iter().fold(0u8, |count, &sample| count + u8::from(sample < limit)));
        }
    }
}

/// As [`count_8`] for little-endian samples of two bytes.
#[multiversion(targets("x86_64+avx512f+avx512bw+avx512dq+avx512vl+avx2", "x86_64+avx2"))]
fn count_16(samples: &[u8], limits: [u16; LIMITS], below: &mut [usize; LIMITS]) {
    for (at, (below, limit)) in below.iter_mut().zip(limits).enumerate() {
        let limit = limit + u16::from(counts_limit(at));
        let count = samples
            .chunks_exact(2)
            .fold(0u32, |count, two| count + u32::from(u16::from_le_bytes([two[0], two[1]]) < limit));
        *below += count as usize;
    }
}

/// Whether samples at a limit are counted: those at the upper one are.
#[inline(always)]
fn counts_limit(at: usize) -> bool {
    at == 1
}

/// Counts code values; holds only scratch memory.
#[derive(Default)]
pub(super) struct LevelMeter {
    counts: Vec<u32>,
}

impl LevelMeter {
    /// Code values in rows spread over a packed picture. The digest of the picture says with which row they begin, so that
    /// in time all rows are looked at.
    pub fn measure(&mut self, plan: &ViewPlan, picture: &[u8], digest: &Digest) -> FrameLevels {
        let start = usize::from(u16::from_le_bytes([digest[0], digest[1]]));
        let (luma, others) = plan.planes.split_at(1);
        let mut levels = |planes: &[PlaneView], nominal| {
            self.counts.clear();
            self.counts.resize(1 << plan.bit_depth, 0);
            planes.iter().for_each(|plane| self.count(plane, (picture, plan.bytes_per_sample), start));
            plane_levels(&self.counts, scaled(nominal, plan.bit_depth))
        };
        let has_chroma = matches!(plan.family, Family::Yuv { .. });
        FrameLevels {
            luma: levels(luma, LUMA_NOMINAL),
            chroma: if has_chroma { levels(others, CHROMA_NOMINAL) } else { PlaneLevels::default() },
        }
    }

    fn count(&mut self, plane: &PlaneView, (picture, bytes): (&[u8], usize), start: usize) {
        let step = plane.packed.height.div_ceil(ROWS_COUNTED).max(1);
        let last = self.counts.len() - 1;
        for row in (start % step..plane.packed.height).step_by(step) {
            let samples = &picture[plane.packed.offset + row * plane.packed.width * bytes..];
            for columns in plane.visible_columns(row) {
                for sample in samples[columns.start * bytes..columns.end * bytes].chunks_exact(bytes) {
                    let value = match *sample {
                        [one] => usize::from(one),
                        _ => usize::from(u16::from_le_bytes([sample[0], sample[1]])),
                    };
                    self.counts[value.min(last)] += 1;
                }
            }
        }
    }
}

/// A nominal range at a bit depth.
fn scaled((black, white): (u16, u16), bit_depth: u8) -> (u16, u16) {
    let shift = bit_depth - 8;
    (black << shift, white << shift)
}

/// What the numbers of samples by code value say.
fn plane_levels(counts: &[u32], (black, white): (u16, u16)) -> PlaneLevels {
    let lowest = counts.iter().position(|&count| count > 0);
    let highest = counts.iter().rposition(|&count| count > 0);
    let (Some(lowest), Some(highest)) = (lowest, highest) else { return PlaneLevels::default() };
    let sum = |counts: &[u32]| counts.iter().map(|&count| count as usize).sum::<usize>();
    let (black, white) = (usize::from(black), usize::from(white));
    let total = sum(counts);
    let piles_up = |at: usize, next: usize| {
        let count = counts[at];
        f64::from(count) >= CLIPPED_SHARE * total as f64
            && count >= CLIPPED_TIMES.saturating_mul(counts[next])
    };
    let varies = lowest < highest;
    PlaneLevels {
        lowest: lowest as u16,
        highest: highest as u16,
        below: Share::of(sum(&counts[..black]), total),
        above: Share::of(sum(&counts[white + 1..]), total),
        clipped_low: varies && lowest <= black && piles_up(lowest, lowest + 1),
        clipped_high: varies && highest >= white && piles_up(highest, highest - 1),
    }
}

/// Code values of all frames of a capture.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct LevelSummary {
    /// Lowest and highest nominal code value, in the samples' own depth.
    pub nominal: (u16, u16),
    /// Lowest and highest code value there is.
    pub extremes: (u16, u16),
    /// Shares of the samples below and above the nominal range, 0 to 1.
    pub outside: (f64, f64),
    /// Frames in which samples pile up at the lowest value, black or below, and at the highest, white or above.
    pub clipped_frames: (u64, u64),
}

/// Code values of a capture.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct CaptureLevels {
    /// Luma, or green.
    pub luma: LevelSummary,
    /// Both colour differences, where there are any.
    pub chroma: Option<LevelSummary>,
}

/// Adds up the code values of frames.
#[derive(Clone, Copy, Debug, Default)]
pub struct LevelSums {
    luma: PlaneSums,
    chroma: PlaneSums,
}

impl LevelSums {
    /// Adds a frame.
    pub fn add(&mut self, frame: FrameLevels) {
        self.luma.add(frame.luma);
        self.chroma.add(frame.chroma);
    }

    /// What was added, of frames of a shape; `None` where no sample was looked at.
    pub fn finish(self, shape: FrameShape) -> Option<CaptureLevels> {
        let depth = shape.pixel_format.bit_depth;
        let luma = self.luma.finish(scaled(LUMA_NOMINAL, depth))?;
        Some(CaptureLevels { luma, chroma: self.chroma.finish(scaled(CHROMA_NOMINAL, depth)) })
    }
}

#[derive(Clone, Copy, Debug, Default)]
struct PlaneSums {
    /// Lowest and highest code value of all frames; `None` before the first.
    extremes: Option<(u16, u16)>,
    frames: u64,
    below: u64,
    above: u64,
    clipped: (u64, u64),
}

impl PlaneSums {
    fn add(&mut self, frame: PlaneLevels) {
        if !frame.is_known() {
            return;
        }
        let (lowest, highest) = self.extremes.unwrap_or((frame.lowest, frame.highest));
        self.extremes = Some((lowest.min(frame.lowest), highest.max(frame.highest)));
        self.frames += 1;
        self.below += u64::from(frame.below.0);
        self.above += u64::from(frame.above.0);
        self.clipped.0 += u64::from(frame.clipped_low);
        self.clipped.1 += u64::from(frame.clipped_high);
    }

    fn finish(self, nominal: (u16, u16)) -> Option<LevelSummary> {
        let share = |sum: u64| sum as f64 / (self.frames as f64 * f64::from(u16::MAX));
        self.extremes.map(|extremes| LevelSummary {
            nominal,
            extremes,
            outside: (share(self.below), share(self.above)),
            clipped_frames: self.clipped,
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::frame::{PixelFormat, Rect};
    use crate::settings::ViewSettings;

    fn shape(bit_depth: u8) -> FrameShape {
        FrameShape { width: 100, height: 10, pixel_format: PixelFormat { family: Family::Gray, bit_depth } }
    }

    fn levels_of(bit_depth: u8, samples: &[u8]) -> LevelSummary {
        let plan = ViewPlan::new(shape(bit_depth), &ViewSettings::default());
        let mut sums = LevelSums::default();
        sums.add(LevelMeter::default().measure(&plan, samples, &[7; 32]));
        let levels = sums.finish(shape(bit_depth)).expect("samples");
        assert_eq!(levels.chroma, None);
        levels.luma
    }

    fn is_near(found: (f64, f64), expected: (f64, f64)) -> bool {
        let step = 1.0 / f64::from(u16::MAX);
        (found.0 - expected.0).abs() <= step && (found.1 - expected.1).abs() <= step
    }

    #[test]
    fn samples_outside_the_nominal_range_and_cut_ends_are_told() {
        // A ramp from 0 to 249, four samples each.
        let full: Vec<u8> = (0..1000).map(|at| (at / 4) as u8).collect();
        let found = levels_of(8, &full);
        assert_eq!((found.nominal, found.extremes, found.clipped_frames), ((16, 235), (0, 249), (0, 0)));
        assert!(is_near(found.outside, (0.064, 0.056)), "{found:?}");
        // The same cut to the nominal range: what lay beyond is at its ends.
        let cut: Vec<u8> = full.iter().map(|&value| value.clamp(16, 235)).collect();
        let found = levels_of(8, &cut);
        assert_eq!((found.outside, found.clipped_frames), ((0.0, 0.0), (1, 1)));
        // Flat colours within the range are no cut.
        let flat: Vec<u8> = (0..1000).map(|at| if at % 2 == 0 { 42 } else { 209 }).collect();
        assert_eq!(levels_of(8, &flat).clipped_frames, (0, 0));
        // 10 bit: 64 and 940 (ITU-R BT.709-6).
        let deep: Vec<u8> = (0..1000u16).flat_map(u16::to_le_bytes).collect();
        let found = levels_of(10, &deep);
        assert_eq!(found.nominal, (64, 940));
        assert!(is_near(found.outside, (0.064, 0.059)), "{found:?}");
    }

    #[test]
    fn what_lies_beyond_the_ends_is_counted() {
        // Every code value from 0 to 255 once per row: 12 below 12, 16 above 239.
        for bit_depth in [8, 10] {
            let shape = FrameShape { width: 256, ..shape(bit_depth) };
            let plan = ViewPlan::new(shape, &ViewSettings::default());
            let samples: Vec<u8> = (0..2560u16)
                .flat_map(|at| match bit_depth {
                    8 => vec![(at % 256) as u8],
                    _ => (at % 256 * 4).to_le_bytes().to_vec(),
                })
                .collect();
            let found = LumaEnds::of(&plan, &samples).shares().map(|share| (share * 256.0).round());
            assert_eq!(found, [12.0, 16.0], "{bit_depth} bit");
        }
    }

    #[test]
    fn what_is_excluded_does_not_count() {
        // Excluded samples are zero in the packed picture.
        let exclude =
            vec![Rect { x: 10, y: 0, width: 30, height: 10 }, Rect { x: 30, y: 4, width: 70, height: 6 }];
        let plan = ViewPlan::new(shape(8), &ViewSettings { exclude, ..ViewSettings::default() });
        let mut samples: Vec<u8> = (0..1000).map(|at| 50 + (at % 100) as u8).collect();
        plan.pack(&mut samples);
        let found = LevelMeter::default().measure(&plan, &samples, &[0; 32]).luma;
        assert_eq!((found.lowest, found.highest, found.below), (50, 149, Share(0)));
        let everything = vec![Rect { x: 0, y: 0, width: 100, height: 10 }];
        let plan = ViewPlan::new(shape(8), &ViewSettings { exclude: everything, ..ViewSettings::default() });
        assert!(!LevelMeter::default().measure(&plan, &samples, &[0; 32]).luma.is_known());
    }

    #[test]
    fn in_time_every_row_is_counted() {
        let tall = FrameShape { width: 4, height: 320, ..shape(8) };
        let plan = ViewPlan::new(tall, &ViewSettings::default());
        for bright_row in [0, 7, 19, 300, 319] {
            let mut samples = vec![100; 4 * 320];
            samples[4 * bright_row..4 * bright_row + 4].fill(250);
            let mut sums = LevelSums::default();
            for first in 0..20 {
                let mut digest = [0; 32];
                digest[0] = first;
                sums.add(LevelMeter::default().measure(&plan, &samples, &digest));
            }
            let found = sums.finish(tall).expect("samples").luma;
            assert_eq!(found.extremes, (100, 250), "row {bright_row}");
            assert!(is_near(found.outside, (0.0, 1.0 / 320.0)), "{found:?}");
        }
    }
}
