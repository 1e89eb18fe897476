//! YUV4MPEG2 streams.
//!
//! Format: yuv4mpeg(5) of the MJPEG Tools; `XYSCSS` and the high-bit `C` tags (`420p10`, `mono16`) are
//! extensions in wide use that the manual does not list.

use std::fs::File;
use std::io::{self, BufRead, BufReader, Read, Seek, SeekFrom};

use super::limits::{cause_of, read_samples, sides_allowed, skip, HEADER_LINE_MAX, READ_AHEAD};
use super::{CaptureEnd, CaptureFacts, Extent, FrameSource, Leap, PlacedFrames, RateSource};
use crate::error::{Error, Result};
use crate::frame::{CodeRange, Coding, Family, FrameShape, FrameTiming, PixelFormat, Scan};
use crate::note::{Note, NoteCode};
use crate::settings::ReadingSettings;
use crate::units::{gcd, Rate, TimeBase};

/// What every YUV4MPEG2 stream starts with.
pub(crate) const MAGIC: &[u8] = b"YUV4MPEG2";
const FRAME_MAGIC: &[u8] = b"FRAME";

/// Reads YUV4MPEG2 from any byte stream.
pub(crate) struct Y4mSource {
    reader: BufReader<Box<dyn Read + Send>>,
    /// The file below the reader, where it is one: moving it moves the reader.
    file: Option<File>,
    /// Bytes of the last frame header with its line feed.
    frame_header_len: u64,
    place: String,
    facts: CaptureFacts,
    header: Header,
    frames_read: u64,
    fields_shown: i64,
    /// Bytes of the file when it was opened.
    length: Option<u64>,
    notes: Vec<Note>,
    ended: bool,
}

/// The stream header, parsed.
#[derive(Clone, Copy, Debug, PartialEq)]
struct Header {
    shape: FrameShape,
    has_alpha: bool,
    scan: Scan,
    rate: Option<Rate>,
    range: CodeRange,
}

impl Header {
    /// Bytes of a frame after its header, with the alpha plane if there is one.
    fn frame_len(&self) -> u64 {
        let alpha = u64::from(self.shape.width) * u64::from(self.shape.height);
        self.shape.byte_len() as u64 + if self.has_alpha { alpha } else { 0 }
    }
}

impl Y4mSource {
    /// As [`Y4mSource::new`], from a file: it can leap.
    pub(crate) fn from_file(
        file: File,
        place: String,
        name: String,
        settings: &ReadingSettings,
    ) -> Result<Self> {
        let below = file.try_clone().ok();
        let length = file.metadata().ok().map(|facts| facts.len());
        Ok(Self { file: below, length, ..Self::new(Box::new(file), place, name, settings)? })
    }

    /// Reads the stream header from `input`, which `place` names in errors.
    ///
    /// # Errors
    /// A header that is cut, too long, malformed, or asks for what is not supported.
    pub(crate) fn new(
        input: Box<dyn Read + Send>,
        place: String,
        name: String,
        settings: &ReadingSettings,
    ) -> Result<Self> {
        let mut reader = BufReader::with_capacity(READ_AHEAD, input);
        let header = match read_line(&mut reader).map_err(|error| unreadable(&place, &error))? {
            Line::Whole(line) => Header::parse(&line).map_err(|problem| problem.at(&place))?,
            Line::Cut(len) => {
                return Err(Problem::header(
                    format!("the stream ends after {len} bytes, inside its header"),
                    "record or copy the capture again",
                )
                .at(&place))
            }
            Line::TooLong => {
                return Err(Problem::header(
                    format!("the header is longer than {HEADER_LINE_MAX} bytes"),
                    "check that the capture is YUV4MPEG2",
                )
                .at(&place))
            }
        };
        let (nominal_rate, rate_source) = match (settings.rate, header.rate) {
            (Some(rate), _) => (Some(rate), Some(RateSource::Given)),
            (None, Some(rate)) => (Some(rate), Some(RateSource::Header)),
            (None, None) => (None, None),
        };
        // Only a mixed stream says how long each frame lasts; its times count fields.
        let time_base = match (header.scan, nominal_rate) {
            (Scan::Mixed, Some(rate)) => TimeBase::new(rate.den(), rate.num() * 2),
            _ => None,
        };
        let facts = CaptureFacts {
            name,
            shape: header.shape,
            scan: header.scan,
            coding: Coding::Unknown,
            range: header.range,
            nominal_rate,
            rate_source,
            time_base,
            promised_frames: None,
            reader: "yuv4mpeg2 reader".into(),
        };
        Ok(Self {
            reader,
            file: None,
            frame_header_len: FRAME_MAGIC.len() as u64 + 1,
            place,
            facts,
            header,
            frames_read: 0,
            fields_shown: 0,
            length: None,
            notes: Vec::new(),
            ended: false,
        })
    }

    /// Reads the frame header; `None` where the stream ends cleanly or inside it.
    fn read_frame_header(&mut self) -> Result<Option<FrameTiming>> {
        let line = match read_line(&mut self.reader).map_err(|error| unreadable(&self.place, &error))? {
            Line::Whole(line) => line,
            Line::Cut(0) => return Ok(None),
            Line::Cut(len) => {
                self.note_cut(format!("{len} bytes into its header"));
                return Ok(None);
            }
            Line::TooLong => return Err(self.damaged("no frame header where one is due".into())),
        };
        self.frame_header_len = line.len() as u64 + 1;
        let mut tags = line.split(|&byte| byte == b' ').filter(|tag| !tag.is_empty());
        if tags.next() != Some(FRAME_MAGIC) {
            return Err(self.damaged("no frame header where one is due".into()));
        }
        if self.header.scan != Scan::Mixed {
            return Ok(Some(FrameTiming::default()));
        }
        let presentation = tags
            .find_map(|tag| tag.strip_prefix(b"I"))
            .ok_or_else(|| self.damaged("it has no interlace tag (I), which a mixed stream needs".into()))?;
        let fields = fields_of(presentation).ok_or_else(|| {
            let tag = String::from_utf8_lossy(presentation).into_owned();
            self.damaged(format!("its interlace tag I{tag} is unknown"))
        })?;
        let ticks = self.facts.time_base.map(|_| self.fields_shown);
        self.fields_shown = self.fields_shown.saturating_add(fields);
        Ok(Some(FrameTiming { ticks, missing_before: 0 }))
    }

    fn damaged(&self, cause: String) -> Error {
        Error::new(
            &self.place,
            format!("cannot read frame {}", self.frames_read),
            cause,
            "record or copy the capture again",
        )
    }

    /// A file that lost its end while it was read ends between frames as a whole one does.
    fn note_shrunk(&mut self) {
        let now = self.file.as_ref().and_then(|file| file.metadata().ok()).map(|facts| facts.len());
        let (Some(now), Some(opened)) = (now, self.length) else { return };
        if now < opened {
            let text = format!(
                "The capture had {opened} bytes when it was opened and has {now} now: frames after the {} that were read \
                 are lost. Audit a copy that nobody writes to.",
                self.frames_read
            );
            self.notes.push(Note::new(NoteCode::Truncated, text));
        }
    }

    fn note_cut(&mut self, how_far: String) {
        let frame = self.frames_read;
        self.notes.push(Note::new(
            NoteCode::Truncated,
            format!(
                "The capture ends in the middle of frame {frame}, {how_far}; that frame is left out. \
                 Record or copy the capture again."
            ),
        ));
    }
}

impl FrameSource for Y4mSource {
    fn facts(&self) -> &CaptureFacts {
        &self.facts
    }

    fn read_frame(&mut self, samples: &mut Vec<u8>) -> Result<Option<FrameTiming>> {
        if self.ended {
            return Ok(None);
        }
        let Some(timing) = self.read_frame_header()? else {
            self.ended = true;
            self.note_shrunk();
            return Ok(None);
        };
        let len = self.header.shape.byte_len();
        let due = self.header.frame_len();
        let place = &self.place;
        let mut got =
            read_samples(&mut self.reader, samples, len).map_err(|error| unreadable(place, &error))? as u64;
        if got == len as u64 {
            got += skip(&mut self.reader, due - len as u64).map_err(|error| unreadable(place, &error))?;
        }
        if got < due {
            self.note_cut(format!("after {got} of {due} bytes"));
            self.ended = true;
            return Ok(None);
        }
        self.frames_read += 1;
        Ok(Some(timing))
    }

    fn leap(&mut self, leap: Leap) -> Result<bool> {
        let Some(file) = self.file.as_mut().filter(|_| self.header.scan != Scan::Mixed) else {
            return Ok(false);
        };
        let bytes = leap.frames.saturating_mul(self.frame_header_len + self.header.frame_len());
        let buffered = self.reader.buffer().len();
        let beyond = bytes.saturating_sub(buffered as u64);
        let moved = i64::try_from(beyond)
            .map_err(|_| io::ErrorKind::InvalidInput.into())
            .and_then(|beyond| file.seek(SeekFrom::Current(beyond)));
        moved.map_err(|error| unreadable(&self.place, &error))?;
        self.reader.consume(buffered.min(usize::try_from(bytes).unwrap_or(usize::MAX)));
        self.frames_read = self.frames_read.saturating_add(leap.frames);
        Ok(true)
    }

    fn extent(&self) -> Option<Extent> {
        // Frames of a mixed stream last as long as each says.
        let length = self.length.filter(|_| self.file.is_some() && self.header.scan != Scan::Mixed)?;
        Some(Extent::Frames(length / (self.frame_header_len + self.header.frame_len())))
    }

    fn placed(&mut self) -> Option<PlacedFrames> {
        // Only frames of a mixed stream have something of their own in their headers.
        if self.header.scan == Scan::Mixed || self.frames_read > 0 || !cfg!(unix) {
            return None;
        }
        let mut file = self.file.as_ref()?.try_clone().ok()?;
        let ahead = self.reader.fill_buf().ok()?;
        let end = ahead.iter().take(HEADER_LINE_MAX).position(|&byte| byte == b'\n')?;
        let (header, start) = (ahead[..=end].to_vec(), file.stream_position().ok()?);
        let start = start.checked_sub(ahead.len() as u64)?;
        let rest = header.strip_prefix(FRAME_MAGIC)?;
        if !rest.starts_with(b" ") && rest != b"\n" {
            return None;
        }
        self.frame_header_len = header.len() as u64;
        PlacedFrames::new(file, (start, header), self.header.frame_len(), self.header.shape.byte_len()).ok()
    }

    fn finish(self: Box<Self>) -> CaptureEnd {
        CaptureEnd { notes: self.notes }
    }
}

/// A line of the stream, without its line feed.
enum Line {
    Whole(Vec<u8>),
    /// The stream ended after this many bytes of the line.
    Cut(usize),
    TooLong,
}

fn read_line(reader: &mut impl BufRead) -> std::io::Result<Line> {
    let mut line = Vec::new();
    reader.by_ref().take(HEADER_LINE_MAX as u64 + 1).read_until(b'\n', &mut line)?;
    Ok(match line.pop() {
        Some(b'\n') => Line::Whole(line),
        None => Line::Cut(0),
        Some(_) if line.len() >= HEADER_LINE_MAX => Line::TooLong,
        Some(_) => Line::Cut(line.len() + 1),
    })
}

fn unreadable(place: &str, error: &std::io::Error) -> Error {
    Error::new(place, "cannot read capture", cause_of(error), "check the disk or the connection")
}

/// An error of the header that does not know its place yet.
struct Problem {
    what: &'static str,
    cause: String,
    hint: &'static str,
}

impl Problem {
    fn header(cause: String, hint: &'static str) -> Self {
        Self { what: "bad YUV4MPEG2 header", cause, hint }
    }

    fn at(self, place: &str) -> Error {
        Error::new(place, self.what, self.cause, self.hint)
    }
}

impl Header {
    /// Parses a stream header line. Unknown and extension tags are passed over.
    fn parse(line: &[u8]) -> std::result::Result<Self, Problem> {
        let text = String::from_utf8_lossy(line);
        let mut tags = text.split(' ').filter(|tag| !tag.is_empty());
        if tags.next().map(str::as_bytes) != Some(MAGIC) {
            return Err(Problem::header("it does not start with YUV4MPEG2".into(), HINT_HEADER));
        }
        let (mut width, mut height, mut chroma, mut chroma_extension) = (None, None, None, None);
        let (mut scan, mut rate, mut range) = (Scan::Unknown, None, CodeRange::Unstated);
        for tag in tags {
            let mut letters = tag.chars();
            let letter = letters.next();
            let value = letters.as_str();
            match letter {
                Some('W') => width = Some(side("width", value)?),
                Some('H') => height = Some(side("height", value)?),
                Some('C') => chroma = Some(value),
                Some('I') => scan = stream_scan(value)?,
                Some('F') => rate = stream_rate(value)?,
                Some('X') => {
                    chroma_extension = value.strip_prefix("YSCSS=").or(chroma_extension);
                    range = value.strip_prefix("COLORRANGE=").map_or(range, stream_range);
                }
                _ => {}
            }
        }
        let width = width.ok_or_else(|| Problem::header("it has no width (W)".into(), HINT_HEADER))?;
        let height = height.ok_or_else(|| Problem::header("it has no height (H)".into(), HINT_HEADER))?;
        let chroma = chroma.or(chroma_extension).unwrap_or("420jpeg").to_ascii_lowercase();
        let (pixel_format, has_alpha) = pixel_format(&chroma).ok_or_else(|| Problem {
            what: "unsupported pixel format",
            cause: format!("C{chroma}"),
            hint: "supported are mono, 420, 422, 440, 444, 444alpha, 411, 410 and mono9 to 444p16",
        })?;
        Ok(Self { shape: FrameShape { width, height, pixel_format }, has_alpha, scan, rate, range })
    }
}

const HINT_HEADER: &str = "check that the capture is YUV4MPEG2 and copied whole";

fn side(name: &str, value: &str) -> std::result::Result<u32, Problem> {
    let refused = || {
        Problem::header(
            format!("{name} {value} is not in 1 to {} pixels", FrameShape::SIDE_MAX),
            "check how the capture was written",
        )
    };
    let digits = !value.is_empty() && value.bytes().all(|byte| byte.is_ascii_digit());
    let side: u32 = if digits { value.parse().map_err(|_| refused())? } else { return Err(refused()) };
    if sides_allowed(u64::from(side), 1) {
        Ok(side)
    } else {
        Err(refused())
    }
}

/// What else stands there is passed over like any tag that is not known.
fn stream_range(value: &str) -> CodeRange {
    match value {
        "FULL" => CodeRange::Full,
        "LIMITED" => CodeRange::Limited,
        _ => CodeRange::Unstated,
    }
}

fn stream_scan(value: &str) -> std::result::Result<Scan, Problem> {
    Ok(match value {
        "?" => Scan::Unknown,
        "p" => Scan::Progressive,
        "t" => Scan::TopFieldFirst,
        "b" => Scan::BottomFieldFirst,
        "m" => Scan::Mixed,
        _ => {
            return Err(Problem::header(
                format!("interlace tag I{value} is not one of ?, p, t, b, m"),
                HINT_HEADER,
            ))
        }
    })
}

/// `0:0` says that the rate is unknown.
fn stream_rate(value: &str) -> std::result::Result<Option<Rate>, Problem> {
    if value == "0:0" {
        return Ok(None);
    }
    let parts = value.split_once(':').and_then(|(num, den)| Some((num.parse().ok()?, den.parse().ok()?)));
    let rate = parts.and_then(|(num, den): (u64, u64)| {
        let divisor = gcd(num, den).max(1);
        Rate::new(num / divisor, den / divisor)
    });
    rate.map(Some).ok_or_else(|| {
        Problem::header(
            format!("rate F{value} is not a ratio of two numbers in 1 to {}", Rate::PART_MAX),
            "F0:0 says that the rate is unknown; give it with --rate",
        )
    })
}

/// Pixel format of a chroma tag without its `C`, and whether an alpha plane follows the three planes.
fn pixel_format(tag: &str) -> Option<(PixelFormat, bool)> {
    let yuv = |across, down| Family::Yuv { across, down };
    let eight = |family| PixelFormat { family, bit_depth: 8 };
    Some(match tag {
        "420" | "420jpeg" | "420mpeg2" | "420paldv" => (eight(yuv(1, 1)), false),
        "422" => (eight(yuv(1, 0)), false),
        "440" => (eight(yuv(0, 1)), false),
        "444" => (eight(yuv(0, 0)), false),
        "411" => (eight(yuv(2, 0)), false),
        "410" => (eight(yuv(2, 2)), false),
        "444alpha" => (eight(yuv(0, 0)), true),
        "mono" => (eight(Family::Gray), false),
        _ => {
            let (family, depth) = if let Some(depth) = tag.strip_prefix("mono") {
                (Family::Gray, depth)
            } else if let Some((chroma, depth)) = tag.split_once('p') {
                let family = match chroma {
                    "420" => yuv(1, 1),
                    "422" => yuv(1, 0),
                    "440" => yuv(0, 1),
                    "444" => yuv(0, 0),
                    _ => return None,
                };
                (family, depth)
            } else {
                return None;
            };
            let bit_depth =
                ["9", "10", "11", "12", "13", "14", "15", "16"].iter().position(|d| *d == depth)?;
            (PixelFormat { family, bit_depth: bit_depth as u8 + 9 }, false)
        }
    })
}

/// Fields that a frame of a mixed stream is shown for, by its three-letter tag `xyz`.
///
/// Source: yuv4mpeg(5), FRAME tag `I`: `x` presentation, `y` temporal sampling, `z` chroma sampling. The
/// counts follow from its words: one repeated field adds one, a doubled or tripled frame counts 2 or 3 times.
fn fields_of(tag: &[u8]) -> Option<i64> {
    let &[x, y, z] = tag else { return None };
    if !b"pi".contains(&y) || !b"pi?".contains(&z) {
        return None;
    }
    match x {
        b't' | b'b' | b'1' => Some(2),
        b'T' | b'B' => Some(3),
        b'2' => Some(4),
        b'3' => Some(6),
        _ => None,
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::capture::testing::{read_all, shown, Numbers, Outcome};
    use std::io::Cursor;

    fn source(bytes: &[u8], settings: &ReadingSettings) -> Result<Y4mSource> {
        Y4mSource::new(Box::new(Cursor::new(bytes.to_vec())), "a.y4m".into(), "a.y4m".into(), settings)
    }

    fn read(bytes: &[u8]) -> Result<Outcome> {
        Ok(read_all(Box::new(source(bytes, &ReadingSettings::default())?)))
    }

    fn header(text: &str) -> Result<CaptureFacts> {
        let line = format!("{text}\n");
        source(line.as_bytes(), &ReadingSettings::default()).map(|source| source.facts)
    }

    /// A stream of frames of one value each: 0, 1, 2 …
    fn stream(header: &str, frame_header: &str, frame_len: usize, frames: u8) -> Vec<u8> {
        let mut bytes = format!("{header}\n").into_bytes();
        for value in 0..frames {
            bytes.extend(frame_header.as_bytes());
            bytes.extend(vec![value; frame_len]);
        }
        bytes
    }

    #[test]
    fn every_chroma_tag_has_its_format_and_frame_length() {
        for (tag, name, len) in [
            ("", "yuv420p", 5 * 3 + 2 * 3 * 2),
            (" C420", "yuv420p", 27),
            (" C420jpeg", "yuv420p", 27),
            (" C420mpeg2", "yuv420p", 27),
            (" C420paldv", "yuv420p", 27),
            (" C422", "yuv422p", 15 + 2 * 9),
            (" C440", "yuv440p", 15 + 2 * 10),
            (" C444", "yuv444p", 45),
            (" C444alpha", "yuv444p", 45),
            (" C411", "yuv411p", 15 + 2 * 6),
            (" C410", "yuv410p", 15 + 2 * 2),
            (" Cmono", "gray", 15),
            (" Cmono9", "gray9", 30),
            (" Cmono10", "gray10", 30),
            (" Cmono16", "gray16", 30),
            (" C420p9", "yuv420p9", 54),
            (" C420p10 XYSCSS=420P10", "yuv420p10", 54),
            (" XYSCSS=422P12", "yuv422p12", 66),
            (" C440p12", "yuv440p12", 70),
            (" C444p16", "yuv444p16", 90),
        ] {
            let facts = header(&format!("YUV4MPEG2 W5 H3 F25:1 A1:1{tag} XCOLORRANGE=FULL")).unwrap();
            assert_eq!(facts.shape.pixel_format.to_string(), name, "{tag}");
            assert_eq!(facts.shape.byte_len(), len, "{tag}");
        }
    }

    /// Tag of the extension as common decoders write it. *Common practice, no source.*
    #[test]
    fn the_range_is_taken_from_the_header() {
        for (tag, range) in [
            ("", CodeRange::Unstated),
            (" XCOLORRANGE=FULL", CodeRange::Full),
            (" XCOLORRANGE=LIMITED", CodeRange::Limited),
            (" XCOLORRANGE=HALF", CodeRange::Unstated),
        ] {
            assert_eq!(header(&format!("YUV4MPEG2 W5 H3 F25:1{tag}")).unwrap().range, range, "{tag}");
        }
    }

    #[test]
    fn rates_and_scans_are_taken_from_the_header() {
        let rate = |num, den| Rate::new(num, den);
        for (tags, nominal, scan) in [
            ("", None, Scan::Unknown),
            (" F0:0 I?", None, Scan::Unknown),
            (" F30000:1001 Ip", rate(30000, 1001), Scan::Progressive),
            (" F60000000000:1001000000 It", rate(60000, 1001), Scan::TopFieldFirst),
            (" F50:2 Ib", rate(25, 1), Scan::BottomFieldFirst),
            (" F25:1 Im", rate(25, 1), Scan::Mixed),
        ] {
            let facts = header(&format!("YUV4MPEG2 W4 H4{tags}")).unwrap();
            assert_eq!((facts.nominal_rate, facts.scan), (nominal, scan), "{tags}");
            assert_eq!(facts.rate_source, nominal.map(|_| RateSource::Header), "{tags}");
        }
    }

    #[test]
    fn a_given_rate_wins_over_the_header() {
        let settings = ReadingSettings { rate: Rate::new(24, 1), ..ReadingSettings::default() };
        let facts = source(b"YUV4MPEG2 W4 H4 F25:1\n", &settings).unwrap().facts;
        assert_eq!((facts.nominal_rate, facts.rate_source), (Rate::new(24, 1), Some(RateSource::Given)));
    }

    #[test]
    fn bad_headers_are_refused_by_name() {
        let whole = "check that the capture is YUV4MPEG2 and copied whole";
        let size = "check how the capture was written";
        for (text, message, hint) in [
            ("YUV4MPEG2 H4", "bad YUV4MPEG2 header: it has no width (W)", whole),
            ("YUV4MPEG2 W4", "bad YUV4MPEG2 header: it has no height (H)", whole),
            ("YUV4MPEG2 W0 H4", "bad YUV4MPEG2 header: width 0 is not in 1 to 16384 pixels", size),
            ("YUV4MPEG2 W4 H16385", "bad YUV4MPEG2 header: height 16385 is not in 1 to 16384 pixels", size),
            (
                "YUV4MPEG2 W99999999999999999999 H4",
                "bad YUV4MPEG2 header: width 99999999999999999999 is not in 1 to 16384 pixels",
                size,
            ),
            ("YUV4MPEG2 W-4 H4", "bad YUV4MPEG2 header: width -4 is not in 1 to 16384 pixels", size),
            ("YUV4MPEG3 W4 H4", "bad YUV4MPEG2 header: it does not start with YUV4MPEG2", whole),
            (
                "YUV4MPEG2 W4 H4 Ix",
                "bad YUV4MPEG2 header: interlace tag Ix is not one of ?, p, t, b, m",
                whole,
            ),
            (
                "YUV4MPEG2 W4 H4 F25:0",
                "bad YUV4MPEG2 header: rate F25:0 is not a ratio of two numbers in 1 to 4294967295",
                "F0:0 says that the rate is unknown; give it with --rate",
            ),
            (
                "YUV4MPEG2 W4 H4 C420p20",
                "unsupported pixel format: C420p20",
                "supported are mono, 420, 422, 440, 444, 444alpha, 411, 410 and mono9 to 444p16",
            ),
        ] {
            assert_eq!(shown(&header(text).unwrap_err()), format!("a.y4m: {message}\n{hint}"), "{text}");
        }
        let long = format!("YUV4MPEG2 W4 H4 X{}", "x".repeat(HEADER_LINE_MAX));
        assert_eq!(
            header(&long).unwrap_err().to_string(),
            "a.y4m: bad YUV4MPEG2 header: the header is longer than 4096 bytes"
        );
    }

    #[test]
    fn frames_come_in_order_and_alpha_is_left_out() {
        let outcome = read(&stream("YUV4MPEG2 W5 H3 F25:1", "FRAME\n", 27, 3)).unwrap();
        assert_eq!(outcome.frames.len(), 3);
        assert!(outcome.frames.iter().enumerate().all(|(k, (_, samples))| samples == &vec![k as u8; 27]));
        assert_eq!(outcome.ticks(), [None; 3]);

        let outcome = read(&stream("YUV4MPEG2 W2 H2 C444alpha", "FRAME Xnote\n", 16, 3)).unwrap();
        assert_eq!(outcome.frames.iter().map(|(_, samples)| samples[11]).collect::<Vec<_>>(), [0, 1, 2]);
        assert!(outcome.notes.is_empty());
    }

    #[test]
    fn mixed_streams_count_fields() {
        // yuv4mpeg(5): fields per frame header t, b, 1 two; T, B three; 2 four; 3 six.
        for (tag, fields) in [
            ("tpp", Some(2)),
            ("bip", Some(2)),
            ("1pi", Some(2)),
            ("Tp?", Some(3)),
            ("Bii", Some(3)),
            ("2pp", Some(4)),
            ("3pp", Some(6)),
            ("4pp", None),
            ("tpx", None),
            ("tqp", None),
            ("t", None),
        ] {
            assert_eq!(fields_of(tag.as_bytes()), fields, "{tag}");
        }
        // 2:3 pulldown is T b B t: ten fields for four frames, each frame from its first field on.
        let mut bytes = b"YUV4MPEG2 W2 H2 Cmono F30000:1001 Im\n".to_vec();
        for tag in ["Tpp", "bpp", "Bpp", "tpp", "Tpp"] {
            bytes.extend(format!("FRAME I{tag}\nabcd").bytes());
        }
        let outcome = read(&bytes).unwrap();
        assert_eq!(outcome.ticks(), [0, 3, 5, 8, 10].map(Some));
        let facts = source(&bytes, &ReadingSettings::default()).unwrap().facts;
        assert_eq!(facts.time_base, TimeBase::new(1001, 60000));
    }

    #[test]
    fn bad_frame_headers_are_refused_by_name() {
        for (bytes, message) in [
            ("YUV4MPEG2 W2 H2 Cmono\nFRAME\nabcdFRAMF\nabcd", "frame 1: no frame header where one is due"),
            (
                "YUV4MPEG2 W2 H2 Cmono Im\nFRAME\nabcd",
                "frame 0: it has no interlace tag (I), which a mixed stream needs",
            ),
            ("YUV4MPEG2 W2 H2 Cmono Im\nFRAME Ixpp\nabcd", "frame 0: its interlace tag Ixpp is unknown"),
        ] {
            let error = read(bytes.as_bytes()).unwrap().error.unwrap();
            assert_eq!(
                shown(&error),
                format!("a.y4m: cannot read {message}\nrecord or copy the capture again")
            );
        }
    }

    #[test]
    fn every_truncation_is_named_and_keeps_whole_frames() {
        let bytes = stream("YUV4MPEG2 W2 H2 Cmono F25:1", "FRAME\n", 4, 3);
        let header_len = bytes.len() - 3 * 10;
        for len in 0..bytes.len() {
            let outcome = match read(&bytes[..len]) {
                Ok(outcome) => outcome,
                Err(error) => {
                    assert!(len < header_len);
                    let cause = format!("the stream ends after {len} bytes, inside its header");
                    assert_eq!(error.to_string(), format!("a.y4m: bad YUV4MPEG2 header: {cause}"));
                    continue;
                }
            };
            assert_eq!(outcome.error, None);
            assert_eq!(outcome.frames.len(), (len - header_len) / 10, "{len}");
            let is_cut = (len - header_len) % 10 != 0;
            assert_eq!(outcome.note_codes(), vec![NoteCode::Truncated; usize::from(is_cut)], "{len}");
        }
        assert_eq!(
            read(&bytes[..bytes.len() - 1]).unwrap().notes[0].text,
            "The capture ends in the middle of frame 2, after 3 of 4 bytes; that frame is left out. \
             Record or copy the capture again."
        );
    }

    #[test]
    fn mutated_streams_give_a_named_error_or_frames() {
        let bytes = stream("YUV4MPEG2 W4 H2 C444alpha F25:1 Im XA=B", "FRAME Itpp\n", 32, 3);
        let mut numbers = Numbers(0x5EED);
        for _ in 0..5000 {
            let mutant = numbers.mutated(&bytes);
            match read(&mutant) {
                Ok(outcome) => assert!(outcome.frames.len() <= mutant.len()),
                Err(error) => assert!(!error.what.is_empty() && !error.hint.is_empty()),
            }
        }
    }

    #[test]
    fn a_huge_claim_costs_no_memory() {
        let bytes = b"YUV4MPEG2 W16384 H16384 C444p16\nFRAME\nabc";
        let mut source = source(bytes, &ReadingSettings::default()).unwrap();
        let mut samples = Vec::new();
        assert_eq!(source.read_frame(&mut samples).unwrap(), None);
        assert!(samples.capacity() < 32 << 20, "{}", samples.capacity());
    }
}
