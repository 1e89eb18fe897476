//! From the words on the command line to a reader. The bytes decide what a capture is, never its name.

use std::ffi::OsString;
use std::fs::File;
use std::io::{self, Cursor, IsTerminal, Read, Seek};
use std::path::{Path, PathBuf};

use super::decoder::{DecoderInput, DecoderSource};
use super::depth::DepthChecked;
use super::image_sequence::{folder_of, is_pattern, ImageSequence};
use super::limits::{cause_of, fill};
use super::timestamps::TimestampedSource;
use super::y4m::{Y4mSource, MAGIC as Y4M_MAGIC};
use super::FrameSource;
use crate::cancel::{Cancel, CancellableStream};
use crate::error::{Error, Result};
use crate::frame::FrameShape;
use crate::settings::ReadingSettings;

/// Start of the first line of a fingerprint log.
pub const FINGERPRINT_LOG_MAGIC: &[u8] = b"evenbeat-fingerprints ";

/// How standard input is named in errors and facts.
const STANDARD_INPUT: &str = "standard input";

/// Bytes looked at to tell what a capture is: the longest magic and a little more.
const HEAD_LEN: usize = 32;

/// Where a capture comes from.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum CaptureArg {
    /// A file, a folder of images, or a pattern such as `frames/frame_*.png`.
    Path(PathBuf),
    /// Standard input.
    StandardInput,
}

impl From<OsString> for CaptureArg {
    /// `-` is standard input.
    fn from(argument: OsString) -> Self {
        if argument == "-" {
            Self::StandardInput
        } else {
            Self::Path(argument.into())
        }
    }
}

/// What a capture is, by its first bytes.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum CaptureKind {
    /// A YUV4MPEG2 stream.
    Y4m,
    /// A folder or a pattern of numbered images.
    ImageFolder,
    /// A log of fingerprints, which needs no pixels.
    FingerprintLog,
    /// Anything else: a matter for the external decoder.
    Other,
}

/// A capture whose kind is known and of which nothing is lost.
pub struct SniffedCapture {
    kind: CaptureKind,
    place: String,
    name: String,
    input: Input,
    cancel: Cancel,
}

enum Input {
    File { path: PathBuf, file: File },
    Folder(PathBuf),
    Pattern(PathBuf),
    Stream(Box<dyn Read + Send>),
}

impl SniffedCapture {
    /// What the capture is.
    pub fn kind(&self) -> CaptureKind {
        self.kind
    }

    /// How errors name it: its path, or `standard input`.
    pub fn place(&self) -> &str {
        &self.place
    }

    /// File or folder name without its path, or `standard input`.
    pub fn name(&self) -> &str {
        &self.name
    }

    /// All its bytes from the first; `None` for images.
    pub fn into_reader(self) -> Option<Box<dyn Read + Send>> {
        match self.input {
            Input::File { file, .. } => Some(Box::new(file)),
            Input::Stream(stream) => Some(stream),
            Input::Folder(_) | Input::Pattern(_) => None,
        }
    }

    /// Opens the reader that the kind asks for.
    ///
    /// # Errors
    /// What the reader finds wrong before the first frame; a fingerprint log, which has no frames.
    pub fn open(self, settings: &ReadingSettings) -> Result<Box<dyn FrameSource>> {
        let Self { kind, place, name, input, cancel } = self;
        let checked = place.clone();
        let source: Box<dyn FrameSource> = match (kind, input) {
            (CaptureKind::FingerprintLog, _) => {
                return Err(Error::new(
                    place,
                    "has no pictures",
                    "it is a fingerprint log",
                    "audit the log, or give the capture it was made from",
                ))
            }
            (_, Input::Folder(path)) => Box::new(ImageSequence::from_folder(&path, name, settings)?),
            (_, Input::Pattern(path)) => Box::new(ImageSequence::from_pattern(&path, name, settings)?),
            (CaptureKind::Y4m, Input::File { file, .. }) => {
                Box::new(Y4mSource::from_file(file, place, name, settings)?)
            }
            (CaptureKind::Y4m, Input::Stream(stream)) => {
                Box::new(Y4mSource::new(stream, place, name, settings)?)
            }
            (_, Input::File { path, .. }) => {
                Box::new(DecoderSource::new(DecoderInput::File(path), place, name, settings, &cancel)?)
            }
            (_, Input::Stream(stream)) => {
                Box::new(DecoderSource::new(DecoderInput::Stream(stream), place, name, settings, &cancel)?)
            }
        };
        refuse_oversize(source.facts().shape, &checked)?;
        let source = DepthChecked::of(source, &checked);
        match &settings.timestamps {
            Some(file) => Ok(Box::new(TimestampedSource::new(source, file)?)),
            None => Ok(source),
        }
    }
}

/// Opens a capture of frames.
///
/// # Errors
/// As [`sniff`] and [`SniffedCapture::open`].
pub fn open(capture: &CaptureArg, settings: &ReadingSettings) -> Result<Box<dyn FrameSource>> {
    sniff(capture, &Cancel::default())?.open(settings)
}

/// Looks at the first bytes of a capture. `cancel` ends this and the reading that follows, wherever it waits.
///
/// # Errors
/// A capture that does not exist, cannot be read or is empty; standard input that is a terminal.
pub fn sniff(capture: &CaptureArg, cancel: &Cancel) -> Result<SniffedCapture> {
    match capture {
        CaptureArg::StandardInput => {
            let input = io::stdin();
            if input.is_terminal() {
                return Err(Error::new(
                    STANDARD_INPUT,
                    "cannot read capture",
                    "it is a terminal",
                    "pipe a capture into it, or give a file or folder",
                ));
            }
            sniff_stream(input, STANDARD_INPUT.into(), STANDARD_INPUT.into(), cancel)
        }
        CaptureArg::Path(path) => sniff_path(path, cancel),
    }
}

fn sniff_path(path: &Path, cancel: &Cancel) -> Result<SniffedCapture> {
    let cancel = cancel.clone();
    let place = path.display().to_string();
    let name = name_of(path);
    let kind = CaptureKind::ImageFolder;
    if path.is_dir() {
        return Ok(SniffedCapture { kind, place, name, input: Input::Folder(path.into()), cancel });
    }
    if is_pattern(path) && !path.exists() {
        // The pattern itself would be no good name for a folder of results.
        let name = name_of(folder_of(path));
        return Ok(SniffedCapture { kind, place, name, input: Input::Pattern(path.into()), cancel });
    }
    let mut file = opened(path, &cancel).map_err(|error| cannot_open(&place, &error))?;
    let is_regular = file.metadata().map_err(|error| cannot_open(&place, &error))?.is_file();
    if !is_regular {
        return sniff_stream(file, place, name, &cancel);
    }
    let head = head_of(&mut file, &place)?;
    file.rewind().map_err(|error| cannot_open(&place, &error))?;
    let input = Input::File { path: path.into(), file };
    Ok(SniffedCapture { kind: kind_of(&head), place, name, input, cancel })
}

/// Several frames are in memory at once: their size is bounded, not only their sides.
fn refuse_oversize(shape: FrameShape, place: &str) -> Result<()> {
    if shape.byte_len() <= FrameShape::BYTES_MAX {
        return Ok(());
    }
    let FrameShape { width, height, .. } = shape;
    let cause = format!(
        "{width}x{height} takes {} bytes a frame, allowed are {}",
        shape.byte_len(),
        FrameShape::BYTES_MAX
    );
    Err(Error::new(place, "picture too large", cause, "crop or scale the recording"))
}

/// Opens a file; a named pipe without a writer is waited for until it is cancelled.
fn opened(path: &Path, cancel: &Cancel) -> io::Result<File> {
    if path.is_file() || !path.exists() {
        return File::open(path);
    }
    let path = path.to_owned();
    let opened = cancel.unless_cancelled(move || File::open(path));
    opened.unwrap_or_else(|| Err(io::Error::other("interrupted")))
}

fn sniff_stream(
    stream: impl Read + Send + 'static,
    place: String,
    name: String,
    cancel: &Cancel,
) -> Result<SniffedCapture> {
    let mut stream = CancellableStream::new(stream, cancel.clone());
    let head = head_of(&mut stream, &place)?;
    let kind = kind_of(&head);
    let input = Input::Stream(Box::new(Cursor::new(head).chain(stream)));
    Ok(SniffedCapture { kind, place, name, input, cancel: cancel.clone() })
}

/// The first bytes, at least one.
fn head_of(input: &mut impl Read, place: &str) -> Result<Vec<u8>> {
    let mut head = vec![0; HEAD_LEN];
    let len = fill(input, &mut head).map_err(|error| {
        Error::new(place, "cannot read capture", cause_of(&error), "check the disk or the connection")
    })?;
    if len == 0 {
        return Err(Error::new(
            place,
            "empty capture",
            "it has 0 bytes",
            "check that the recording was written and copied",
        ));
    }
    head.truncate(len);
    Ok(head)
}

fn kind_of(head: &[u8]) -> CaptureKind {
    // A header cut within the magic is still a matter for its own reader, which says so.
    let is = |magic: &[u8]| head.starts_with(magic) || (head.len() >= 4 && magic.starts_with(head));
    if is(Y4M_MAGIC) {
        CaptureKind::Y4m
    } else if is(FINGERPRINT_LOG_MAGIC) {
        CaptureKind::FingerprintLog
    } else {
        CaptureKind::Other
    }
}

fn cannot_open(place: &str, error: &io::Error) -> Error {
    Error::new(
        place,
        "cannot open capture",
        cause_of(error),
        "give a file, a folder of numbered images, or - for standard input",
    )
}

/// The last component of a path; of `.` and `..`, that of the folder they stand for.
fn name_of(path: &Path) -> String {
    let last = |path: &Path| path.file_name().map(|name| name.to_string_lossy().into_owned());
    last(path).or_else(|| last(&path.canonicalize().ok()?)).unwrap_or_else(|| path.display().to_string())
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::capture::testing::{read_all, shown};
    use std::fs;

    const Y4M: &[u8] = b"YUV4MPEG2 W2 H2 Cmono F25:1\nFRAME\nabcdFRAME\nefgh";

    #[test]
    fn a_dash_is_standard_input() {
        assert_eq!(CaptureArg::from(OsString::from("-")), CaptureArg::StandardInput);
        assert_eq!(CaptureArg::from(OsString::from("./-")), CaptureArg::Path("./-".into()));
    }

    #[test]
    fn bytes_decide_and_names_do_not() {
        let folder = tempfile::tempdir().unwrap();
        for (name, bytes, kind) in [
            ("a.mp4", Y4M, CaptureKind::Y4m),
            ("a.y4m", b"\x1a\x45\xdf\xa3 not y4m", CaptureKind::Other),
            ("a.png", b"evenbeat-fingerprints 1\n", CaptureKind::FingerprintLog),
            ("cut.y4m", b"YUV4", CaptureKind::Y4m),
            ("cut.log", b"evenbeat-finger", CaptureKind::FingerprintLog),
            ("y", b"Y", CaptureKind::Other),
        ] {
            let path = folder.path().join(name);
            fs::write(&path, bytes).unwrap();
            let sniffed = sniff(&CaptureArg::Path(path), &Cancel::default()).unwrap();
            assert_eq!((sniffed.kind(), sniffed.name()), (kind, name));
            let mut all = Vec::new();
            sniffed.into_reader().unwrap().read_to_end(&mut all).unwrap();
            assert_eq!(all, bytes, "nothing is lost by looking");
            let streamed =
                sniff_stream(bytes, "standard input".into(), "x".into(), &Cancel::default()).unwrap();
            assert_eq!(streamed.kind(), kind);
            let mut all = Vec::new();
            streamed.into_reader().unwrap().read_to_end(&mut all).unwrap();
            assert_eq!(all, bytes, "nothing is lost by looking");
        }
    }

    #[test]
    fn y4m_is_read_from_files_and_streams_alike() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("a");
        fs::write(&path, Y4M).unwrap();
        let settings = ReadingSettings::default();
        let from_file = read_all(open(&CaptureArg::Path(path), &settings).unwrap());
        let stream =
            sniff_stream(Y4M, "standard input".into(), "standard input".into(), &Cancel::default()).unwrap();
        let from_stream = read_all(stream.open(&settings).unwrap());
        assert_eq!(from_file.frames, from_stream.frames);
        assert_eq!(from_file.frames.len(), 2);
    }

    #[test]
    fn timestamps_are_laid_over_any_reader() {
        let folder = tempfile::tempdir().unwrap();
        let times = folder.path().join("times");
        fs::write(&times, "1.5\n2.5\n").unwrap();
        let settings = ReadingSettings { timestamps: Some(times), ..ReadingSettings::default() };
        let stream =
            sniff_stream(Y4M, "standard input".into(), "standard input".into(), &Cancel::default()).unwrap();
        let outcome = read_all(stream.open(&settings).unwrap());
        assert_eq!(outcome.ticks(), [1_500_000_000, 2_500_000_000].map(Some));
    }

    #[test]
    fn what_cannot_be_opened_is_named() {
        let folder = tempfile::tempdir().unwrap();
        let path = |name: &str| folder.path().join(name);
        fs::write(path("empty"), b"").unwrap();
        fs::write(path("log"), b"evenbeat-fingerprints 1\n").unwrap();
        fs::create_dir(path("no-images")).unwrap();
        let cannot = "give a file, a folder of numbered images, or - for standard input";
        let no_images = "no images: no PNG or TIFF file is there";
        let pattern = "give a folder of numbered images, or a pattern such as frames/frame_*.png";
        for (name, message, hint) in [
            ("none", "cannot open capture: no such file or folder", cannot),
            ("empty", "empty capture: it has 0 bytes", "check that the recording was written and copied"),
            ("no-images", no_images, pattern),
            ("f_*.png", no_images, pattern),
            (
                "none/f_*.png",
                "cannot open folder: no such file or folder",
                "check the path and its permissions",
            ),
            (
                "log",
                "has no pictures: it is a fingerprint log",
                "audit the log, or give the capture it was made from",
            ),
        ] {
            let error = open(&CaptureArg::Path(path(name)), &ReadingSettings::default()).err().unwrap();
            let text = shown(&error)
                .replace(&format!("{}{}", folder.path().display(), std::path::MAIN_SEPARATOR), "");
            let place = if name.starts_with("none/") { "none" } else { name };
            assert_eq!(text, format!("{place}: {message}\n{hint}"));
        }
    }

    #[test]
    fn captures_are_named_without_their_path() {
        let folder = tempfile::tempdir().unwrap();
        let frames = folder.path().join("frames");
        fs::create_dir(&frames).unwrap();
        for path in [frames.clone(), frames.join("."), frames.join("f_*.png")] {
            assert_eq!(sniff(&CaptureArg::Path(path), &Cancel::default()).unwrap().name(), "frames");
        }
        assert!(!name_of(Path::new(".")).contains('.'));
    }
}
