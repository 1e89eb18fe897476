//! A folder, or a wildcard, of numbered PNG or TIFF images: one image, one frame.

use std::cmp::Ordering;
use std::fs::{self, File};
use std::io::BufReader;
use std::path::{Path, PathBuf};

use image::{ColorType, ImageDecoder, ImageReader, Limits};

use super::limits::{cause_of, fill};
use super::{CaptureEnd, CaptureFacts, FrameSource, RateSource};
use crate::error::{Error, Result};
use crate::frame::{Family, FrameShape, FrameTiming, PixelFormat, Scan};
use crate::note::{Note, NoteCode};
use crate::settings::ReadingSettings;

/// Most bytes one decoded image may take: a 7680×4320 picture (ITU-R BT.2020) with four 16-bit channels
/// takes 265 MB; this is about twice that.
const IMAGE_BYTES_MAX: u64 = 512 * 1024 * 1024;

/// First bytes of a PNG (PNG specification, 5.2) and of a TIFF in either byte order (TIFF 6.0, section 2).
const IMAGE_MAGICS: &[&[u8]] = &[b"\x89PNG\r\n\x1a\n", b"II\x2a\0", b"MM\0\x2a"];

const HINT_SAME: &str = "all images of a sequence must have one size, depth and kind; remove or convert this one";

/// Reads numbered images in natural order, one at a time.
#[derive(Debug)]
pub(crate) struct ImageSequence {
    facts: CaptureFacts,
    images: Vec<PathBuf>,
    next: usize,
    interleaved: Vec<u8>,
    color: ColorType,
    numbering_gaps: Vec<(u64, u64)>,
    cut: Option<Note>,
}

impl ImageSequence {
    /// Opens all images in `folder`.
    ///
    /// # Errors
    /// An unreadable folder, none or unsupported images.
    pub(crate) fn from_folder(folder: &Path, name: String, settings: &ReadingSettings) -> Result<Self> {
        let images = files_in(folder)?
            .into_iter()
            .filter(|path| !file_name(path).starts_with('.') && (is_image(path) || is_named_as_image(path)))
            .collect();
        Self::from_files(images, &folder.display().to_string(), name, settings)
    }

    /// Opens the files that a `*` and `?` pattern in the last component of `pattern` matches.
    ///
    /// # Errors
    /// As [`ImageSequence::from_folder`].
    pub(crate) fn from_pattern(pattern: &Path, name: String, settings: &ReadingSettings) -> Result<Self> {
        let wanted: Vec<char> = file_name(pattern).chars().collect();
        let images = files_in(folder_of(pattern))?
            .into_iter()
            .filter(|path| matches_pattern(&wanted, &file_name(path).chars().collect::<Vec<_>>()))
            .collect();
        Self::from_files(images, &pattern.display().to_string(), name, settings)
    }

    fn from_files(
        mut images: Vec<PathBuf>,
        place: &str,
        name: String,
        settings: &ReadingSettings,
    ) -> Result<Self> {
        images.sort_by(|a, b| natural_order(&file_name(a), &file_name(b)));
        let Some(first) = images.first() else {
            return Err(Error::new(
                place,
                "no images",
                "no PNG or TIFF file is there",
                "give a folder of numbered images, or a pattern such as frames/frame_*.png",
            ));
        };
        let decoder = open_image(first)?;
        let (width, height) = decoder.dimensions();
        let color = decoder.color_type();
        let shape = FrameShape { width, height, pixel_format: pixel_format(color, first)? };
        let facts = CaptureFacts {
            name,
            shape,
            scan: Scan::Unknown,
            nominal_rate: settings.rate,
            rate_source: settings.rate.map(|_| RateSource::Given),
            time_base: None,
            promised_frames: Some(images.len() as u64),
            reader: "image sequence reader".into(),
        };
        Ok(Self {
            facts,
            images,
            next: 0,
            interleaved: Vec::new(),
            color,
            numbering_gaps: Vec::new(),
            cut: None,
        })
    }

    /// Decodes `path` into `self.interleaved`.
    fn decode(&mut self, path: &Path) -> Result<()> {
        let decoder = open_image(path)?;
        let (width, height) = decoder.dimensions();
        let shape = self.facts.shape;
        if (width, height) != (shape.width, shape.height) {
            return Err(Error::new(
                path.display().to_string(),
                "image of another size",
                format!("{width}x{height}, but the first image is {}x{}", shape.width, shape.height),
                HINT_SAME,
            ));
        }
        let color = decoder.color_type();
        if color != self.color {
            return Err(Error::new(
                path.display().to_string(),
                "image of another depth or kind",
                format!("{}, but the first image is {}", color_name(color), color_name(self.color)),
                HINT_SAME,
            ));
        }
        self.interleaved.resize(decoder.total_bytes() as usize, 0);
        decoder.read_image(&mut self.interleaved).map_err(|error| undecodable(path, &error))
    }

    /// Images missing between the one before `position` and it, by their numbers.
    fn missing_before(&self, position: usize) -> u32 {
        let Some(before) = position.checked_sub(1) else { return 0 };
        let numbers = (number_of(&self.images[before]), number_of(&self.images[position]));
        let (Some((head, number)), Some((next_head, next_number))) = numbers else { return 0 };
        if head != next_head {
            return 0;
        }
        u32::try_from(next_number.saturating_sub(number).saturating_sub(1)).unwrap_or(u32::MAX)
    }
}

impl FrameSource for ImageSequence {
    fn facts(&self) -> &CaptureFacts {
        &self.facts
    }

    fn read_frame(&mut self, samples: &mut Vec<u8>) -> Result<Option<FrameTiming>> {
        let position = self.next;
        let Some(path) = self.images.get(position).cloned() else { return Ok(None) };
        self.next += 1;
        if let Err(error) = self.decode(&path) {
            // A recorder that was stopped leaves its last image cut; what came before still counts.
            let is_last = position > 0 && self.next == self.images.len();
            if is_last && error.what == WHAT_UNDECODABLE {
                self.cut = Some(Note::new(
                    NoteCode::Truncated,
                    format!(
                        "The last image, {}, cannot be decoded ({}); it is left out. Record or copy it again.",
                        file_name(&path),
                        error.cause
                    ),
                ));
                return Ok(None);
            }
            return Err(error);
        }
        samples.resize(self.facts.shape.byte_len(), 0);
        to_planes(&self.interleaved, self.color, samples);
        let missing = self.missing_before(position);
        if missing > 0 {
            self.numbering_gaps.push((position as u64, u64::from(missing)));
        }
        Ok(Some(FrameTiming { ticks: None, missing_before: missing }))
    }

    fn finish(self: Box<Self>) -> CaptureEnd {
        let mut notes: Vec<Note> = self.cut.into_iter().collect();
        if let Some((first_frame, _)) = self.numbering_gaps.first() {
            let missing = self.numbering_gaps.iter().fold(0u64, |sum, (_, count)| sum.saturating_add(*count));
            let places = self.numbering_gaps.len();
            notes.push(Note::new(
                NoteCode::NumberingGap,
                format!(
                    "The numbers of the images leave out {missing} in {places} place(s), first before frame \
                     {first_frame}; they are taken as frames the recorder lost."
                ),
            ));
        }
        CaptureEnd { notes }
    }
}

const WHAT_UNDECODABLE: &str = "cannot decode image";

fn undecodable(path: &Path, error: &image::ImageError) -> Error {
    Error::new(
        path.display().to_string(),
        WHAT_UNDECODABLE,
        error.to_string(),
        "check that the file is a whole PNG or TIFF image",
    )
}

fn open_image(path: &Path) -> Result<impl ImageDecoder> {
    let place = || path.display().to_string();
    let file = File::open(path).map_err(|error| {
        Error::new(place(), "cannot open image", cause_of(&error), "check the path and its permissions")
    })?;
    let mut reader = ImageReader::new(BufReader::new(file))
        .with_guessed_format()
        .map_err(|error| Error::new(place(), "cannot read image", cause_of(&error), "check the disk"))?;
    let mut limits = Limits::default();
    limits.max_image_width = Some(FrameShape::SIDE_MAX);
    limits.max_image_height = Some(FrameShape::SIDE_MAX);
    limits.max_alloc = Some(IMAGE_BYTES_MAX);
    reader.limits(limits);
    let decoder = reader.into_decoder().map_err(|error| undecodable(path, &error))?;
    let (width, height) = decoder.dimensions();
    let sides = 1..=FrameShape::SIDE_MAX;
    if !sides.contains(&width) || !sides.contains(&height) || decoder.total_bytes() > IMAGE_BYTES_MAX {
        return Err(Error::new(
            place(),
            "image too large",
            format!(
                "{width}x{height}; allowed are 1 to {} pixels a side and {IMAGE_BYTES_MAX} bytes",
                FrameShape::SIDE_MAX
            ),
            "crop or scale the recording",
        ));
    }
    Ok(decoder)
}

fn pixel_format(color: ColorType, path: &Path) -> Result<PixelFormat> {
    let (family, bit_depth) = match color {
        ColorType::L8 | ColorType::La8 => (Family::Gray, 8),
        ColorType::L16 | ColorType::La16 => (Family::Gray, 16),
        ColorType::Rgb8 | ColorType::Rgba8 => (Family::Gbr, 8),
        ColorType::Rgb16 | ColorType::Rgba16 => (Family::Gbr, 16),
        _ => {
            return Err(Error::new(
                path.display().to_string(),
                "unsupported pixel format",
                color_name(color),
                "supported are gray and RGB of 8 or 16 bit, with or without alpha",
            ))
        }
    };
    Ok(PixelFormat { family, bit_depth })
}

fn color_name(color: ColorType) -> String {
    let kind = match color.channel_count() {
        1 => "gray",
        2 => "gray with alpha",
        3 => "RGB",
        _ => "RGB with alpha",
    };
    format!("{kind} {} bit", color.bits_per_pixel() / u16::from(color.channel_count()))
}

/// Splits interleaved samples in the machine's byte order into little-endian planes G, B, R or one gray
/// plane. Alpha is left out.
fn to_planes(interleaved: &[u8], color: ColorType, samples: &mut [u8]) {
    let channels = usize::from(color.channel_count());
    let order: &[usize] = if channels >= 3 { &[1, 2, 0] } else { &[0] };
    let wide = color.bits_per_pixel() / u16::from(color.channel_count()) == 16;
    let plane_len = samples.len() / order.len();
    for (plane, &channel) in samples.chunks_exact_mut(plane_len).zip(order) {
        if wide {
            let pixels = interleaved.chunks_exact(channels * 2);
            for (target, pixel) in plane.chunks_exact_mut(2).zip(pixels) {
                let value = u16::from_ne_bytes([pixel[channel * 2], pixel[channel * 2 + 1]]);
                target.copy_from_slice(&value.to_le_bytes());
            }
        } else {
            for (target, pixel) in plane.iter_mut().zip(interleaved.chunks_exact(channels)) {
                *target = pixel[channel];
            }
        }
    }
}

fn files_in(folder: &Path) -> Result<Vec<PathBuf>> {
    let refused = |error: std::io::Error| {
        Error::new(
            folder.display().to_string(),
            "cannot open folder",
            cause_of(&error),
            "check the path and its permissions",
        )
    };
    let mut files = Vec::new();
    for entry in fs::read_dir(folder).map_err(refused)? {
        let path = entry.map_err(refused)?.path();
        if path.is_file() {
            files.push(path);
        }
    }
    Ok(files)
}

fn is_image(path: &Path) -> bool {
    let mut head = [0; 8];
    let len = File::open(path).and_then(|mut file| fill(&mut file, &mut head)).unwrap_or(0);
    IMAGE_MAGICS.iter().any(|magic| head[..len].starts_with(magic))
}

/// A file that is called an image but is none must not vanish from the sequence in silence.
fn is_named_as_image(path: &Path) -> bool {
    let extension = path.extension().unwrap_or_default().to_string_lossy().to_ascii_lowercase();
    ["png", "tif", "tiff"].contains(&extension.as_str())
}

fn file_name(path: &Path) -> String {
    path.file_name().unwrap_or_default().to_string_lossy().into_owned()
}

/// The last number in a file's stem, with the text before it; `None` without a number below 10^18.
fn number_of(path: &Path) -> Option<(String, u64)> {
    let stem = path.file_stem()?.to_string_lossy().into_owned();
    let end = stem.rfind(|c: char| c.is_ascii_digit())? + 1;
    let start = stem[..end].rfind(|c: char| !c.is_ascii_digit()).map_or(0, |at| {
        at + stem[at..].chars().next().map_or(1, char::len_utf8)
    });
    let digits = stem[start..end].trim_start_matches('0');
    if digits.len() > 18 {
        return None;
    }
    let number = if digits.is_empty() { 0 } else { digits.parse().ok()? };
    Some((stem[..start].to_owned(), number))
}

/// Compares names with runs of digits taken as numbers: `f2` before `f10`.
fn natural_order(a: &str, b: &str) -> Ordering {
    let (mut rest_a, mut rest_b) = (a, b);
    loop {
        let ((part_a, after_a), (part_b, after_b)) = (first_run(rest_a), first_run(rest_b));
        let digits = |part: &str| part.starts_with(|c: char| c.is_ascii_digit());
        let order = if digits(part_a) && digits(part_b) {
            let (number_a, number_b) = (part_a.trim_start_matches('0'), part_b.trim_start_matches('0'));
            number_a.len().cmp(&number_b.len()).then_with(|| number_a.cmp(number_b))
        } else {
            part_a.cmp(part_b)
        };
        if order != Ordering::Equal || part_a.is_empty() {
            return order.then_with(|| a.cmp(b));
        }
        (rest_a, rest_b) = (after_a, after_b);
    }
}

/// The longest start of `text` that is all digits or has none, and what follows.
fn first_run(text: &str) -> (&str, &str) {
    let is_digit = |c: char| c.is_ascii_digit();
    let Some(first) = text.chars().next().map(is_digit) else { return ("", "") };
    text.split_at(text.find(|c| is_digit(c) != first).unwrap_or(text.len()))
}

/// The folder that the last component of `path` is in.
pub(crate) fn folder_of(path: &Path) -> &Path {
    match path.parent() {
        Some(parent) if !parent.as_os_str().is_empty() => parent,
        _ => Path::new("."),
    }
}

/// Whether the last component of `path` has a wildcard.
pub(crate) fn is_pattern(path: &Path) -> bool {
    file_name(path).contains(['*', '?'])
}

/// Whether `name` matches `pattern`, in which `*` is any text and `?` any one character.
fn matches_pattern(pattern: &[char], name: &[char]) -> bool {
    // Where the last `*` stands and how much of the name it has taken: on a mismatch it takes one more.
    let (mut at, mut from) = (0, 0);
    let mut star: Option<(usize, usize)> = None;
    while from < name.len() {
        match pattern.get(at) {
            Some('*') => {
                star = Some((at, from));
                at += 1;
            }
            Some(&wanted) if wanted == '?' || wanted == name[from] => {
                at += 1;
                from += 1;
            }
            _ => match star {
                Some((star_at, taken)) => {
                    star = Some((star_at, taken + 1));
                    at = star_at + 1;
                    from = taken + 1;
                }
                None => return false,
            },
        }
    }
    pattern[at..].iter().all(|&rest| rest == '*')
}
