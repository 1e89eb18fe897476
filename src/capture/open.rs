//! From the words on the command line to a reader. The bytes decide what a capture is, never its name.

use std::ffi::OsString;
use std::fs::File;
use std::io::{self, Cursor, IsTerminal, Read, Seek};
use std::path::{Path, PathBuf};

use super::decoder::{DecoderInput, DecoderSource};
use super::image_sequence::{folder_of, is_pattern, ImageSequence};
use super::limits::{cause_of, fill};
use super::timestamps::TimestampedSource;
use super::y4m::{Y4mSource, MAGIC as Y4M_MAGIC};
use super::FrameSource;
use crate::error::{Error, Result};
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
        let Self { kind, place, name, input } = self;
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
                Box::new(Y4mSource::new(Box::new(file), place, name, settings)?)
            }
            (CaptureKind::Y4m, Input::Stream(stream)) => {
                Box::new(Y4mSource::new(stream, place, name, settings)?)
            }
            (_, Input::File { path, .. }) => {
                Box::new(DecoderSource::new(DecoderInput::File(path), place, name, settings)?)
            }
            (_, Input::Stream(stream)) => {
                Box::new(DecoderSource::new(DecoderInput::Stream(stream), place, name, settings)?)
            }
        };
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
    sniff(capture)?.open(settings)
}

/// Looks at the first bytes of a capture.
///
/// # Errors
/// A capture that does not exist, cannot be read or is empty; standard input that is a terminal.
pub fn sniff(capture: &CaptureArg) -> Result<SniffedCapture> {
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
            sniff_stream(Box::new(input), STANDARD_INPUT.into(), STANDARD_INPUT.into())
        }
        CaptureArg::Path(path) => sniff_path(path),
    }
}

fn sniff_path(path: &Path) -> Result<SniffedCapture> {
    let place = path.display().to_string();
    let name = name_of(path);
    let kind = CaptureKind::ImageFolder;
    if path.is_dir() {
        return Ok(SniffedCapture { kind, place, name, input: Input::Folder(path.into()) });
    }
    if is_pattern(path) && !path.exists() {
        // The pattern itself would be no good name for a folder of results.
        let name = name_of(folder_of(path));
        return Ok(SniffedCapture { kind, place, name, input: Input::Pattern(path.into()) });
    }
    let mut file = File::open(path).map_err(|error| cannot_open(&place, &error))?;
    let is_regular = file.metadata().map_err(|error| cannot_open(&place, &error))?.is_file();
    if !is_regular {
        return sniff_stream(Box::new(file), place, name);
    }
    let head = head_of(&mut file, &place)?;
    file.rewind().map_err(|error| cannot_open(&place, &error))?;
    Ok(SniffedCapture { kind: kind_of(&head), place, name, input: Input::File { path: path.into(), file } })
}

fn sniff_stream(mut stream: Box<dyn Read + Send>, place: String, name: String) -> Result<SniffedCapture> {
    let head = head_of(&mut stream, &place)?;
    let kind = kind_of(&head);
    Ok(SniffedCapture { kind, place, name, input: Input::Stream(Box::new(Cursor::new(head).chain(stream))) })
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
