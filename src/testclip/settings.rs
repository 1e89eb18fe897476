//! What can be asked for, and what cannot.

use std::fmt;
use std::ops::RangeInclusive;

use crate::clip_code::{Painted, LENGTH_MAX, RATES};
use crate::error::{Error, Result};
use crate::fingerprint::marks::{ClipIdentity, ClipScan};
use crate::frame::Scan;
use crate::units::Rate;

/// Heights that can be painted, pixels.
pub const HEIGHTS: RangeInclusive<u32> = 480..=2160;
/// Widths that can be painted, pixels.
pub const WIDTHS: RangeInclusive<u32> = 640..=4096;
/// Largest width over height, tenths: the widest films (2.39, common practice, no source).
pub const SHAPE_MAX_TENTHS: u32 = 24;
/// Bit depths that can be painted.
pub const BIT_DEPTHS: [u8; 2] = [8, 10];

/// A picture size with the shape of its pixels.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Size {
    /// Width in pixels.
    pub width: u32,
    /// Height in pixels.
    pub height: u32,
    /// Width over height of a pixel.
    pub pixel_aspect: (u32, u32),
}

/// Sizes by the trade's names. Pixel shapes of 480 and 576 lines are those of pictures of 16:9 (ITU-T H.264
/// Table E-1, `aspect_ratio_idc` 5 and 4).
pub const SIZES: [(&str, Size); 6] = [
    ("480", Size { width: 720, height: 480, pixel_aspect: (40, 33) }),
    ("576", Size { width: 720, height: 576, pixel_aspect: (16, 11) }),
    ("720", Size { width: 1280, height: 720, pixel_aspect: (1, 1) }),
    ("1080", Size { width: 1920, height: 1080, pixel_aspect: (1, 1) }),
    ("1440", Size { width: 2560, height: 1440, pixel_aspect: (1, 1) }),
    ("2160", Size { width: 3840, height: 2160, pixel_aspect: (1, 1) }),
];

impl Size {
    /// Reads a name of [`SIZES`] or `WIDTHxHEIGHT` with square pixels.
    pub fn parse(text: &str) -> Option<Self> {
        if let Some((_, size)) = SIZES.iter().find(|(name, _)| *name == text) {
            return Some(*size);
        }
        let (width, height) = text.split_once('x')?;
        Some(Self { width: width.parse().ok()?, height: height.parse().ok()?, pixel_aspect: (1, 1) })
    }
}

/// For how many fields each film picture stays, over and over.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Pulldown(Vec<u8>);

impl Pulldown {
    /// Most pictures in a pattern.
    pub const PICTURES_MAX: usize = 25;
    /// Fields for which a picture can stay.
    pub const FIELDS: RangeInclusive<u8> = 2..=4;

    /// Reads `2:3` or `2:3:3:2`.
    pub fn parse(text: &str) -> Option<Self> {
        let fields: Option<Vec<u8>> = text.split(':').map(|part| part.parse().ok()).collect();
        fields
            .filter(|fields| fields.len() <= Self::PICTURES_MAX)
            .filter(|fields| fields.iter().all(|count| Self::FIELDS.contains(count)))
            .map(Self)
    }

    /// Pictures and fields of one round.
    fn round(&self) -> (u64, u64) {
        (self.0.len() as u64, self.0.iter().map(|&fields| u64::from(fields)).sum())
    }

    /// The film picture that field `field` shows.
    pub fn picture(&self, field: u64) -> u64 {
        let (pictures, fields) = self.round();
        let mut within = field % fields;
        let mut picture = field / fields * pictures;
        for &count in &self.0 {
            if within < u64::from(count) {
                break;
            }
            within -= u64::from(count);
            picture += 1;
        }
        picture
    }
}

impl fmt::Display for Pulldown {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        for (at, fields) in self.0.iter().enumerate() {
            write!(f, "{}{fields}", if at == 0 { "" } else { ":" })?;
        }
        Ok(())
    }
}

/// A clip to paint.
#[derive(Clone, Debug, PartialEq)]
pub struct ClipSettings {
    /// Size of the pictures.
    pub size: Size,
    /// Frames per second.
    pub rate: Rate,
    /// Progressive, top or bottom field first.
    pub scan: Scan,
    /// Film pictures laid out over the fields.
    pub pulldown: Option<Pulldown>,
    /// Bits per sample.
    pub bit_depth: u8,
    /// Frames of the clip.
    pub frames: u64,
}

impl ClipSettings {
    /// What the marks say of the clip.
    ///
    /// # Errors
    /// Settings that cannot be painted or that the marks cannot say, named as on the command line.
    pub fn identity(&self) -> Result<ClipIdentity> {
        self.check_size()?;
        let scan = self.clip_scan()?;
        if !BIT_DEPTHS.contains(&self.bit_depth) {
            let cause =
                format!("{} bit, allowed are {} and {}", self.bit_depth, BIT_DEPTHS[0], BIT_DEPTHS[1]);
            return Err(Error::new("--depth", "bit depth not allowed", cause, "choose one of them"));
        }
        let rate = self.unit_rate();
        if !rate.is_some_and(|rate| RATES.contains(&(rate.num(), rate.den()))) {
            return Err(self.refused_rate(rate));
        }
        let units = self.units();
        let hash = blake3::hash(self.description().as_bytes());
        let Size { width, height, .. } = self.size;
        let painted = Painted { width, height, ten_bit: self.bit_depth == 10, rest: hash.as_bytes()[0] };
        let length = u32::try_from(units).ok();
        rate.zip(length)
            .zip(painted.id())
            .and_then(|((rate, length), id)| ClipIdentity::new(id, length, rate, scan))
            .ok_or_else(|| {
                let cause = format!("{units} pictures or fields, allowed are 1 to {LENGTH_MAX}");
                Error::new("--length", "length not allowed", cause, "choose another length in seconds")
            })
    }

    /// Settings that paint the pictures of a clip whose marks were read, but for a line of text where its film was laid out
    /// otherwise; `None` for a clip of the first version.
    pub fn of_identity(identity: ClipIdentity) -> Option<Self> {
        let Painted { width, height, ten_bit, .. } = identity.painted()?;
        let named = SIZES.iter().map(|(_, size)| *size);
        let size = named
            .into_iter()
            .find(|size| (size.width, size.height) == (width, height))
            .unwrap_or(Size { width, height, pixel_aspect: (1, 1) });
        let pulldown = || Pulldown::parse("2:3");
        let unit = identity.unit_rate();
        let frames = |num: u64, den: u64| Rate::new(unit.num() * num, unit.den() * den);
        let (scan, pulldown, rate) = match identity.scan() {
            ClipScan::Progressive => (Scan::Progressive, None, frames(1, 1)),
            ClipScan::TopFieldFirst => (Scan::TopFieldFirst, None, frames(1, 2)),
            ClipScan::BottomFieldFirst => (Scan::BottomFieldFirst, None, frames(1, 2)),
            ClipScan::FilmTopFieldFirst => (Scan::TopFieldFirst, pulldown(), frames(5, 4)),
            ClipScan::FilmBottomFieldFirst => (Scan::BottomFieldFirst, pulldown(), frames(5, 4)),
        };
        let length = u64::from(identity.length());
        let frames = match identity.scan() {
            ClipScan::Progressive => length,
            ClipScan::TopFieldFirst | ClipScan::BottomFieldFirst => length.div_ceil(2),
            ClipScan::FilmTopFieldFirst | ClipScan::FilmBottomFieldFirst => {
                length.saturating_mul(5).div_ceil(4)
            }
        };
        let bit_depth = if ten_bit { 10 } else { 8 };
        let settings = Self { size, rate: rate?, scan, pulldown, bit_depth, frames };
        settings.identity().ok().map(|_| settings)
    }

    /// All that makes a clip another one.
    fn description(&self) -> String {
        let Size { width, height, pixel_aspect: (across, down) } = self.size;
        let pulldown = self.pulldown.as_ref().map(Pulldown::to_string).unwrap_or_default();
        format!(
            "{width}x{height} {across}:{down} {}/{} {} {pulldown} {} bit {} frames",
            self.rate.num(),
            self.rate.den(),
            self.scan.name(),
            self.bit_depth,
            self.frames
        )
    }

    /// Units (pictures, fields or film pictures) of the clip.
    pub fn units(&self) -> u64 {
        match (&self.pulldown, self.scan) {
            (Some(pulldown), _) => {
                pulldown.picture((2 * self.frames).saturating_sub(1)) + u64::from(self.frames > 0)
            }
            (None, Scan::Progressive) => self.frames,
            (None, _) => 2 * self.frames,
        }
    }

    /// Units per second.
    fn unit_rate(&self) -> Option<Rate> {
        let (num, den) = (self.rate.num(), self.rate.den());
        match (&self.pulldown, self.scan) {
            (Some(pulldown), _) => {
                let (pictures, fields) = pulldown.round();
                Rate::new(num * 2 * pictures, den * fields)
            }
            (None, Scan::Progressive) => Some(self.rate),
            (None, _) => Rate::new(num * 2, den),
        }
    }

    fn clip_scan(&self) -> Result<ClipScan> {
        match (self.scan, self.pulldown.is_some()) {
            (Scan::Progressive, false) => Ok(ClipScan::Progressive),
            (Scan::TopFieldFirst, false) => Ok(ClipScan::TopFieldFirst),
            (Scan::BottomFieldFirst, false) => Ok(ClipScan::BottomFieldFirst),
            (Scan::TopFieldFirst, true) => Ok(ClipScan::FilmTopFieldFirst),
            (Scan::BottomFieldFirst, true) => Ok(ClipScan::FilmBottomFieldFirst),
            (scan, _) => Err(Error::new(
                "--pulldown",
                "cannot lay film out over fields",
                format!("the scan is {}", scan.name()),
                "add --scan tff or --scan bff",
            )),
        }
    }

    /// Lines come in pairs, fields too where there are fields.
    fn check_size(&self) -> Result<()> {
        let Size { width, height, .. } = self.size;
        let step = if self.scan == Scan::Progressive { 2 } else { 4 };
        let sides = WIDTHS.contains(&width) && HEIGHTS.contains(&height);
        if sides && width * 10 <= height * SHAPE_MAX_TENTHS && width % 2 == 0 && height % step == 0 {
            return Ok(());
        }
        Err(Error::new(
            "--size",
            "picture size not allowed",
            format!(
                "{width}x{height}, allowed are {} to {} pixels by {} to {} lines, at most {} times as wide as high, \
                 the width even, the lines a multiple of {step}",
                WIDTHS.start(),
                WIDTHS.end(),
                HEIGHTS.start(),
                HEIGHTS.end(),
                f64::from(SHAPE_MAX_TENTHS) / 10.0
            ),
            "choose 480, 576, 720, 1080, 1440, 2160 or such a WIDTHxHEIGHT",
        ))
    }

    fn refused_rate(&self, units: Option<Rate>) -> Error {
        let what = if self.pulldown.is_some() { "film pictures" } else { "fields" };
        let units = units.map_or_else(|| "too many".to_owned(), |rate| rate.to_string());
        let found = match self.scan {
            Scan::Progressive => format!("{}", self.rate),
            _ => format!("{} frames, which are {units} {what}", self.rate),
        };
        let allowed: Vec<String> =
            RATES.iter().filter_map(|&(num, den)| Rate::new(num, den)).map(|rate| rate.to_string()).collect();
        Error::new(
            "--rate",
            "rate not allowed",
            format!("{found} per second, allowed are {}", allowed.join(", ")),
            "choose a rate of frames that gives one of these",
        )
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn settings(rate: &str, scan: Scan, pulldown: Option<&str>) -> ClipSettings {
        ClipSettings {
            size: Size::parse("1080").unwrap(),
            rate: Rate::parse(rate).unwrap(),
            scan,
            pulldown: pulldown.map(|text| Pulldown::parse(text).unwrap()),
            bit_depth: 8,
            frames: 50,
        }
    }

    #[test]
    fn film_lies_over_fields_as_published() {
        // Holds in fields and mixed frames: 2:3 shows A, B, B/C, C/D, D; 2:3:3:2 shows A, B, B/C, C, D (H.264 Table
        // D-1 `pic_struct` 5, 4, 6, 3 gives the same fields).
        for (pattern, frames) in [
            ("2:3", [(0, 0), (1, 1), (1, 2), (2, 3), (3, 3), (4, 4)]),
            ("3:2", [(0, 0), (0, 1), (1, 2), (2, 2), (3, 3), (4, 4)]),
            ("2:3:3:2", [(0, 0), (1, 1), (1, 2), (2, 2), (3, 3), (4, 4)]),
            ("2:2:2:4", [(0, 0), (1, 1), (2, 2), (3, 3), (3, 3), (4, 4)]),
        ] {
            let pulldown = Pulldown::parse(pattern).unwrap();
            let found: Vec<_> =
                (0..6).map(|frame| (pulldown.picture(2 * frame), pulldown.picture(2 * frame + 1))).collect();
            assert_eq!(found, frames, "{pattern}");
            assert_eq!(pulldown.to_string(), pattern);
        }
        for text in ["", "2", "1:3", "2:5", "2-3", "2:"] {
            assert_eq!(Pulldown::parse(text).is_some(), text == "2", "{text}");
        }
    }

    #[test]
    fn units_are_pictures_fields_or_film_pictures() {
        for (settings, rate, units) in [
            (settings("60", Scan::Progressive, None), "60", 50),
            (settings("29.97", Scan::TopFieldFirst, None), "59.94", 100),
            (settings("25", Scan::BottomFieldFirst, None), "50", 100),
            (settings("29.97", Scan::TopFieldFirst, Some("2:3")), "23.976", 40),
            (settings("30", Scan::BottomFieldFirst, Some("2:3:3:2")), "24", 40),
        ] {
            let identity = settings.identity().unwrap();
            assert_eq!(identity.unit_rate(), Rate::parse(rate).unwrap());
            assert_eq!(u64::from(identity.length()), units);
        }
    }

    #[test]
    fn what_cannot_be_painted_is_named() {
        let good = || settings("25", Scan::TopFieldFirst, None);
        let size = |text| Size::parse(text).unwrap();
        for (settings, place) in [
            (ClipSettings { size: size("638x480"), ..good() }, "--size"),
            (ClipSettings { size: size("720x482"), ..good() }, "--size"),
            (ClipSettings { size: size("1160x480"), ..good() }, "--size"),
            (ClipSettings { size: size("4294967295x480"), ..good() }, "--size"),
            (ClipSettings { bit_depth: 12, ..good() }, "--depth"),
            (ClipSettings { rate: Rate::new(61, 1).unwrap(), ..good() }, "--rate"),
            (ClipSettings { rate: Rate::new(u64::from(u32::MAX), 1).unwrap(), ..good() }, "--rate"),
            (ClipSettings { frames: 0, ..good() }, "--length"),
            (ClipSettings { frames: 1 << 40, ..good() }, "--length"),
            (settings("25", Scan::Progressive, Some("2:3")), "--pulldown"),
        ] {
            let error = settings.identity().unwrap_err();
            assert_eq!(error.place, place, "{error}");
            assert!(!error.hint.is_empty());
        }
        assert_eq!(Size::parse("tall"), None);
    }

    #[test]
    fn marks_say_how_to_paint_the_pictures_again() {
        for settings in [
            settings("60", Scan::Progressive, None),
            settings("29.97", Scan::TopFieldFirst, None),
            ClipSettings { bit_depth: 10, ..settings("25", Scan::BottomFieldFirst, None) },
            ClipSettings { frames: 45, ..settings("29.97", Scan::TopFieldFirst, Some("2:3")) },
        ] {
            let again = ClipSettings::of_identity(settings.identity().unwrap()).unwrap();
            assert_eq!(
                (again.size, again.bit_depth, again.scan),
                (settings.size, settings.bit_depth, settings.scan)
            );
            assert_eq!(again.identity().unwrap(), settings.identity().unwrap());
        }
    }

    #[test]
    fn clips_that_differ_have_other_ids() {
        let id = |settings: ClipSettings| settings.identity().unwrap().id();
        let good = || settings("25", Scan::TopFieldFirst, None);
        assert_eq!(id(good()), id(good()));
        assert_ne!(id(good()), id(ClipSettings { bit_depth: 10, ..good() }));
        assert_ne!(id(good()), id(ClipSettings { frames: 51, ..good() }));
    }
}
