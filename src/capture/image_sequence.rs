//! A folder, or a wildcard, of numbered PNG or TIFF images: one image, one frame.

use std::cmp::Ordering;
use std::fs::{self, File};
use std::io::BufReader;
use std::path::{Path, PathBuf};

use image::{ColorType, ImageDecoder, ImageReader, Limits};

use super::limits::{cause_of, fill};
use super::{CaptureEnd, CaptureFacts, Extent, FrameSource, Leap, RateSource};
use crate::error::{Error, Result};
use crate::frame::{CodeRange, Coding, Family, FrameShape, FrameTiming, PixelFormat, Scan};
use crate::note::{Note, NoteCode};
use crate::settings::ReadingSettings;
use crate::words::{counted, grouped};

/// Most bytes one decoded image may take: those of a frame, and a fourth channel that is dropped.
const IMAGE_BYTES_MAX: u64 = FrameShape::BYTES_MAX as u64 / 3 * 4;

/// First bytes of a PNG (PNG specification, 5.2) and of a TIFF in either byte order (TIFF 6.0, section 2).
const IMAGE_MAGICS: &[&[u8]] = &[b"\x89PNG\r\n\x1a\n", b"II\x2a\0", b"MM\0\x2a"];

const HINT_SAME: &str =
    "all images of a sequence must have one size, depth and kind; remove or convert this one";

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
            coding: Coding::Unknown,
            range: CodeRange::default(),
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

    fn leap(&mut self, leap: Leap) -> Result<bool> {
        self.next = self.next.saturating_add(usize::try_from(leap.frames).unwrap_or(usize::MAX));
        Ok(true)
    }

    fn extent(&self) -> Option<Extent> {
        self.facts.promised_frames.map(Extent::Frames)
    }

    fn finish(self: Box<Self>) -> CaptureEnd {
        let mut notes: Vec<Note> = self.cut.into_iter().collect();
        if let Some((first_frame, _)) = self.numbering_gaps.first() {
            let missing = self.numbering_gaps.iter().fold(0u64, |sum, (_, count)| sum.saturating_add(*count));
            let places = self.numbering_gaps.len() as u64;
            notes.push(Note::new(
                NoteCode::NumberingGap,
                format!(
                    "The numbers of the images leave out {} in {}, first before frame {first_frame}. They are taken \
                     as frames that the recorder lost.",
                    grouped(missing),
                    counted(places, "place")
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
    let start = stem[..end]
        .rfind(|c: char| !c.is_ascii_digit())
        .map_or(0, |at| at + stem[at..].chars().next().map_or(1, char::len_utf8));
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

#[cfg(test)]
mod tests {
    use super::*;
    use crate::capture::testing::{read_all, shown, Numbers, Outcome};
    use image::{DynamicImage, ImageFormat};
    use std::io::Cursor;

    fn encoded(image: &DynamicImage, format: ImageFormat) -> Vec<u8> {
        let mut bytes = Cursor::new(Vec::new());
        image.write_to(&mut bytes, format).unwrap();
        bytes.into_inner()
    }

    fn gray(value: u8) -> Vec<u8> {
        encoded(
            &DynamicImage::ImageLuma8(image::GrayImage::from_pixel(3, 2, image::Luma([value]))),
            ImageFormat::Png,
        )
    }

    fn folder_with(files: &[(&str, Vec<u8>)]) -> tempfile::TempDir {
        let folder = tempfile::tempdir().unwrap();
        for (name, bytes) in files {
            fs::write(folder.path().join(name), bytes).unwrap();
        }
        folder
    }

    fn open(folder: &Path) -> Result<ImageSequence> {
        ImageSequence::from_folder(folder, "frames".into(), &ReadingSettings::default())
    }

    fn read(folder: &Path) -> Outcome {
        read_all(Box::new(open(folder).unwrap()))
    }

    fn first_samples(outcome: &Outcome) -> Vec<u8> {
        outcome.frames.iter().map(|(_, samples)| samples[0]).collect()
    }

    /// The error without the folder's path.
    fn local(error: &Error, folder: &Path) -> String {
        shown(error).replace(&format!("{}{}", folder.display(), std::path::MAIN_SEPARATOR), "")
    }

    #[test]
    fn images_come_in_natural_order() {
        let files =
            [("f10.png", gray(10)), ("f9.png", gray(9)), ("f1.png", gray(1)), ("f0011.png", gray(11))];
        let folder = folder_with(&files);
        assert_eq!(first_samples(&read(folder.path())), [1, 9, 10, 11]);
        for (a, b) in [("a2", "a10"), ("a02", "a10"), ("a", "b"), ("a1b", "a1c"), ("a1", "a01"), ("9", "a")] {
            assert_eq!(natural_order(b, a), natural_order(a, b).reverse(), "{a} {b}");
        }
        assert_eq!(natural_order("a2", "a10"), Ordering::Less);
        assert_eq!(natural_order("x99999999999999999999", "x100000000000000000000"), Ordering::Less);
    }

    #[test]
    fn gaps_in_the_numbering_are_reported() {
        let files =
            ["a_007.png", "a_008.png", "a_011.png", "b_001.png", "b_003.png"].map(|name| (name, gray(1)));
        let outcome = read(folder_with(&files).path());
        let missing: Vec<u32> = outcome.frames.iter().map(|(timing, _)| timing.missing_before).collect();
        assert_eq!(missing, [0, 0, 2, 0, 1]);
        assert_eq!(outcome.note_codes(), [NoteCode::NumberingGap]);
        assert_eq!(
            outcome.notes[0].text,
            "The numbers of the images leave out 3 in 2 places, first before frame 2. They are taken as frames \
             that the recorder lost."
        );
    }

    #[test]
    fn the_last_number_of_the_stem_counts() {
        for (name, expected) in [
            ("frame_0042.png", Some(("frame_", 42))),
            ("take2_007_left.tif", Some(("take2_", 7))),
            ("0000.png", Some(("", 0))),
            ("é9.png", Some(("é", 9))),
            ("cover.png", None),
            ("f99999999999999999999.png", None),
        ] {
            let expected = expected.map(|(head, number)| (head.to_owned(), number));
            assert_eq!(number_of(Path::new(name)), expected, "{name}");
        }
    }

    #[test]
    fn every_kind_of_image_becomes_planes() {
        let rgb8 = image::RgbImage::from_fn(2, 1, |x, _| image::Rgb([10 + x as u8, 20, 30]));
        let rgb16 = image::ImageBuffer::from_pixel(1, 1, image::Rgb([0x0102u16, 0x0304, 0x0506]));
        let rgba16 = image::ImageBuffer::from_pixel(1, 1, image::Rgba([0x0102u16, 0x0304, 0x0506, 9]));
        let gray16 = image::ImageBuffer::from_pixel(1, 1, image::Luma([0x0102u16]));
        let rgba8 = image::RgbaImage::from_pixel(1, 1, image::Rgba([1, 2, 3, 4]));
        let alpha8 = image::GrayAlphaImage::from_pixel(1, 1, image::LumaA([7, 8]));
        for (picture, format, name, samples) in [
            (DynamicImage::from(rgb8), ImageFormat::Png, "gbrp", vec![20, 20, 30, 30, 10, 11]),
            (rgb16.into(), ImageFormat::Tiff, "gbrp16", vec![4, 3, 6, 5, 2, 1]),
            (rgba16.into(), ImageFormat::Png, "gbrp16", vec![4, 3, 6, 5, 2, 1]),
            (gray16.into(), ImageFormat::Tiff, "gray16", vec![2, 1]),
            (rgba8.into(), ImageFormat::Tiff, "gbrp", vec![2, 3, 1]),
            (alpha8.into(), ImageFormat::Png, "gray", vec![7]),
        ] {
            let folder = folder_with(&[("1.png", encoded(&picture, format))]);
            let sequence = open(folder.path()).unwrap();
            assert_eq!(sequence.facts().shape.pixel_format.to_string(), name);
            assert_eq!(read_all(Box::new(sequence)).frames[0].1, samples, "{name}");
        }
    }

    #[test]
    fn images_are_found_by_their_bytes_and_by_pattern() {
        let files = [
            ("shot1.dat", gray(1)),
            ("shot2.png", gray(2)),
            ("shotx.png", gray(3)),
            ("notes.txt", b"text".to_vec()),
            (".shot0.png", gray(9)),
        ];
        let folder = folder_with(&files);
        assert_eq!(first_samples(&read(folder.path())), [1, 2, 3]);
        for (pattern, expected) in
            [("shot?.png", vec![2, 3]), ("*.png", vec![9, 2, 3]), ("s*2*", vec![2]), ("*t1.d*", vec![1])]
        {
            let path = folder.path().join(pattern);
            let sequence =
                ImageSequence::from_pattern(&path, "x".into(), &ReadingSettings::default()).unwrap();
            assert_eq!(first_samples(&read_all(Box::new(sequence))), expected, "{pattern}");
        }
    }

    #[test]
    fn patterns_match_whole_names() {
        for (pattern, name, expected) in [
            ("*", "", true),
            ("a*b*c", "a1b2b3c", true),
            ("a*b*c", "a1b2b3", false),
            ("?", "é", true),
            ("?", "", false),
            ("a", "ab", false),
            ("**a", "bca", true),
        ] {
            let letters = |text: &str| text.chars().collect::<Vec<_>>();
            assert_eq!(matches_pattern(&letters(pattern), &letters(name)), expected, "{pattern} {name}");
        }
    }

    #[test]
    fn unlike_images_are_refused_by_name() {
        let other_size = encoded(&DynamicImage::new_luma8(4, 2), ImageFormat::Png);
        let other_depth = encoded(&DynamicImage::new_luma16(3, 2), ImageFormat::Png);
        for (bytes, message) in [
            (other_size, "2.png: image of another size: 4x2, but the first image is 3x2"),
            (
                other_depth,
                "2.png: image of another depth or kind: gray 16 bit, but the first image is gray 8 bit",
            ),
        ] {
            let folder = folder_with(&[("1.png", gray(1)), ("2.png", bytes), ("3.png", gray(3))]);
            let outcome = read(folder.path());
            assert_eq!(outcome.frames.len(), 1);
            assert_eq!(
                local(&outcome.error.unwrap(), folder.path()),
                format!("{message}\nall images of a sequence must have one size, depth and kind; remove or convert this one")
            );
        }
    }

    #[test]
    fn a_folder_without_images_is_refused() {
        let folder = folder_with(&[("notes.txt", b"text".to_vec())]);
        let error = open(folder.path()).unwrap_err();
        let hint = "give a folder of numbered images, or a pattern such as frames/frame_*.png";
        assert_eq!(
            shown(&error),
            format!("{}: no images: no PNG or TIFF file is there\n{hint}", folder.path().display())
        );
    }

    #[test]
    fn a_file_that_is_called_an_image_but_is_none_does_not_vanish() {
        let folder = folder_with(&[("1.png", gray(1)), ("2.png", b"text".to_vec()), ("3.png", gray(3))]);
        let error = read(folder.path()).error.unwrap();
        assert!(local(&error, folder.path()).starts_with("2.png: cannot decode image: "), "{error}");
    }

    #[test]
    fn every_truncation_of_the_last_image_is_noted() {
        for format in [ImageFormat::Png, ImageFormat::Tiff] {
            let picture = DynamicImage::ImageRgb8(image::RgbImage::from_fn(5, 4, |x, y| {
                image::Rgb([x as u8, y as u8, 9])
            }));
            let bytes = encoded(&picture, format);
            // A decoder may do without what comes after the last row.
            let mut whole = 0;
            for len in 0..bytes.len() {
                let folder = folder_with(&[("1.png", bytes.clone()), ("2.png", bytes[..len].to_vec())]);
                let outcome = read(folder.path());
                assert_eq!(outcome.error, None);
                if outcome.frames.len() == 1 {
                    assert_eq!(outcome.note_codes(), [NoteCode::Truncated], "{len}");
                } else {
                    assert_eq!(outcome.frames[0].1, outcome.frames[1].1);
                    whole += 1;
                }
            }
            assert!(whole < bytes.len() / 2, "{format:?} {whole} of {}", bytes.len());
        }
    }

    #[test]
    fn mutated_images_give_a_named_error_or_frames() {
        let picture =
            DynamicImage::ImageRgb8(image::RgbImage::from_fn(5, 4, |x, y| image::Rgb([x as u8, y as u8, 9])));
        let mut numbers = Numbers(0x5EED);
        for format in [ImageFormat::Png, ImageFormat::Tiff] {
            let bytes = encoded(&picture, format);
            let folder = tempfile::tempdir().unwrap();
            for _ in 0..400 {
                let mutant = numbers.mutated(&bytes);
                fs::write(folder.path().join("1.png"), &mutant).unwrap();
                match open(folder.path()) {
                    Ok(sequence) => drop(read_all(Box::new(sequence))),
                    Err(error) => assert!(!error.what.is_empty() && !error.hint.is_empty()),
                }
            }
        }
    }

    #[test]
    fn a_claim_of_a_huge_image_is_refused() {
        let mut bytes = gray(1);
        // Width and height are the first fields of the first chunk (PNG specification, 11.2.2).
        bytes[16..24].copy_from_slice(&[0, 0, 0x40, 1, 0, 0, 0x40, 1]);
        let folder = folder_with(&[("1.png", bytes)]);
        assert!(open(folder.path()).is_err());
    }
}
