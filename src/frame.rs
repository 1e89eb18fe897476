//! Pixel holders: the shape of a frame and its samples. Nothing after [`crate::fingerprint`] sees them.

use std::fmt;

/// How the planes of a frame relate. Plane order is luma first: Y, Cb, Cr or G, B, R.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum Family {
    /// One luma plane.
    Gray,
    /// Luma and two colour-difference planes, each smaller by a power of two.
    Yuv {
        /// Binary logarithm of the horizontal subsampling: 0, 1 or 2.
        across: u8,
        /// Binary logarithm of the vertical subsampling: 0, 1 or 2.
        down: u8,
    },
    /// Green, blue and red planes of full size; green stands for luma.
    Gbr,
}

/// Family and bit depth of the samples.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub struct PixelFormat {
    /// How the planes relate.
    pub family: Family,
    /// Significant bits per sample, 8 to 16.
    pub bit_depth: u8,
}

impl PixelFormat {
    /// Smallest bit depth accepted.
    pub const BIT_DEPTH_MIN: u8 = 8;
    /// Largest bit depth accepted.
    pub const BIT_DEPTH_MAX: u8 = 16;

    /// Bytes that one sample takes: 1 up to 8 bit, otherwise 2 (little endian).
    pub const fn bytes_per_sample(self) -> usize {
        if self.bit_depth > 8 {
            2
        } else {
            1
        }
    }

    /// Reads the name that `Display` writes.
    pub fn parse(name: &str) -> Option<Self> {
        let families = [(0, 0), (1, 0), (1, 1), (2, 0), (2, 2), (0, 1)]
            .map(|(across, down)| Family::Yuv { across, down });
        let depths = Self::BIT_DEPTH_MIN..=Self::BIT_DEPTH_MAX;
        families
            .into_iter()
            .chain([Family::Gray, Family::Gbr])
            .flat_map(|family| depths.clone().map(move |bit_depth| Self { family, bit_depth }))
            .find(|format| format.to_string() == name)
    }

    /// Number of planes.
    pub const fn plane_count(self) -> usize {
        match self.family {
            Family::Gray => 1,
            Family::Yuv { .. } | Family::Gbr => 3,
        }
    }
}

impl fmt::Display for PixelFormat {
    /// The trade's names: `yuv420p`, `yuv422p10`, `gray`, `gray16`, `gbrp12`.
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self.family {
            Family::Gray => f.write_str("gray")?,
            Family::Gbr => f.write_str("gbrp")?,
            Family::Yuv { across, down } => {
                let digits = match (across, down) {
                    (0, 0) => "444",
                    (1, 0) => "422",
                    (1, 1) => "420",
                    (2, 0) => "411",
                    (2, 2) => "410",
                    (0, 1) => "440",
                    _ => "other",
                };
                write!(f, "yuv{digits}p")?;
            }
        }
        if self.bit_depth == 8 {
            return Ok(());
        }
        write!(f, "{}", self.bit_depth)
    }
}

/// Place and size of one plane within a frame's bytes.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct PlaneShape {
    /// First byte of the plane.
    pub offset: usize,
    /// Samples per row.
    pub width: usize,
    /// Rows.
    pub height: usize,
}

/// Size and pixel format shared by all frames of a capture.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub struct FrameShape {
    /// Width in pixels.
    pub width: u32,
    /// Height in pixels.
    pub height: u32,
    /// Family and bit depth.
    pub pixel_format: PixelFormat,
}

impl FrameShape {
    /// Largest width and height accepted, in pixels: twice the largest broadcast format (ITU-R BT.2020, 7680).
    pub const SIDE_MAX: u32 = 16_384;

    /// Most bytes of one frame: 7680 × 4320 (ITU-R BT.2020) with three planes of two bytes.
    pub const BYTES_MAX: usize = 7680 * 4320 * 3 * 2;

    /// Planes in storage order, packed without padding. Sizes of subsampled planes are rounded up.
    pub fn planes(self) -> impl Iterator<Item = PlaneShape> {
        let bytes = self.pixel_format.bytes_per_sample();
        let (across, down) = match self.pixel_format.family {
            Family::Yuv { across, down } => (across, down),
            Family::Gray | Family::Gbr => (0, 0),
        };
        let mut offset = 0;
        (0..self.pixel_format.plane_count()).map(move |plane| {
            let (width, height) = (self.width as usize, self.height as usize);
            let shape = if plane == 0 {
                PlaneShape { offset, width, height }
            } else {
                PlaneShape { offset, width: subsampled(width, across), height: subsampled(height, down) }
            };
            offset += shape.width * shape.height * bytes;
            shape
        })
    }

    /// Bytes of one frame. Cannot overflow for sides within [`FrameShape::SIDE_MAX`].
    pub fn byte_len(self) -> usize {
        let bytes = self.pixel_format.bytes_per_sample();
        self.planes().map(|plane| plane.width * plane.height * bytes).sum()
    }
}

/// `size / 2^shift`, rounded up.
const fn subsampled(size: usize, shift: u8) -> usize {
    (size + (1 << shift) - 1) >> shift
}

/// How a stream says its frames were scanned. Flags are often wrong: pixel evidence comes first.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum Scan {
    /// Not said.
    Unknown,
    /// Progressive: whole frames.
    Progressive,
    /// Two fields, the top one (rows 0, 2, 4 …) first.
    TopFieldFirst,
    /// Two fields, the bottom one (rows 1, 3, 5 …) first.
    BottomFieldFirst,
    /// Differs from frame to frame.
    Mixed,
}

impl Scan {
    /// The name written to files.
    pub fn name(self) -> &'static str {
        match self {
            Self::Unknown => "unknown",
            Self::Progressive => "progressive",
            Self::TopFieldFirst => "tff",
            Self::BottomFieldFirst => "bff",
            Self::Mixed => "mixed",
        }
    }

    /// The scan with this written name.
    pub fn from_name(name: &str) -> Option<Self> {
        [Self::Unknown, Self::Progressive, Self::TopFieldFirst, Self::BottomFieldFirst, Self::Mixed]
            .into_iter()
            .find(|scan| scan.name() == name)
    }
}

/// How the samples of a recording were coded.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Hash)]
pub enum Coding {
    /// Nothing says.
    #[default]
    Unknown,
    /// Samples come back as they went in.
    Lossless,
    /// Samples come back nearly as they went in.
    Lossy,
}

impl Coding {
    /// The name written to files.
    pub fn name(self) -> &'static str {
        match self {
            Self::Unknown => "unknown",
            Self::Lossless => "lossless",
            Self::Lossy => "lossy",
        }
    }

    /// The coding with this written name.
    pub fn from_name(name: &str) -> Option<Self> {
        [Self::Unknown, Self::Lossless, Self::Lossy].into_iter().find(|coding| coding.name() == name)
    }
}

/// The range that a recording says its code values have (ITU-T H.273, VideoFullRangeFlag).
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Hash)]
pub enum CodeRange {
    /// Nothing says; samples of luma and colour differences are then taken for limited ones. *Common practice, no source.*
    #[default]
    Unstated,
    /// Black 16, white 235 at 8 bit.
    Limited,
    /// Black 0, white 255 at 8 bit.
    Full,
}

impl CodeRange {
    /// The name written to files.
    pub fn name(self) -> &'static str {
        match self {
            Self::Unstated => "unstated",
            Self::Limited => "limited",
            Self::Full => "full",
        }
    }

    /// The range with this written name.
    pub fn from_name(name: &str) -> Option<Self> {
        [Self::Unstated, Self::Limited, Self::Full].into_iter().find(|range| range.name() == name)
    }

    /// Whether black and white are the ends of what can be coded.
    pub fn is_full(self) -> bool {
        self == Self::Full
    }
}

/// What a reader knows of one frame besides its samples.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct FrameTiming {
    /// Presentation time in the capture's time base; `None` where the capture has no times.
    pub ticks: Option<i64>,
    /// Frames missing just before this one by the numbering of an image sequence.
    pub missing_before: u32,
}

/// One delivered frame: packed planes without padding, samples little endian.
#[derive(Debug)]
pub struct Frame {
    /// Position in the capture, from 0.
    pub index: u64,
    /// Time and numbering.
    pub timing: FrameTiming,
    /// `FrameShape::byte_len` bytes.
    pub samples: Vec<u8>,
}

/// A rectangle in pixels from the top left corner.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Rect {
    /// Left edge, pixels.
    pub x: u32,
    /// Top edge, pixels.
    pub y: u32,
    /// Width, pixels, at least 1.
    pub width: u32,
    /// Height, pixels, at least 1.
    pub height: u32,
}

impl Rect {
    /// Reads `X,Y,W,H`.
    pub fn parse(text: &str) -> Option<Self> {
        let mut parts = text.split(',').map(|part| part.trim().parse::<u32>().ok());
        let rect =
            Self { x: parts.next()??, y: parts.next()??, width: parts.next()??, height: parts.next()?? };
        (parts.next().is_none() && rect.width > 0 && rect.height > 0).then_some(rect)
    }
}
